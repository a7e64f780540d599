"""The pages: escaped, self-contained, the same bytes again, first things first."""

from __future__ import annotations

import base64
import csv
import hashlib
import io
import itertools
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace

import made_up_campaign
import numpy as np
import pytest

from doe.analysis.mixed import indicator
from doe.analysis.strata import Shift
from doe.analysis.surrogate import Surrogate, surrogate
from doe.analysis.transformation import log
from doe.errors import Notice
from doe.report import page as frame
from doe.report.check_page import check_page
from doe.report.explorer import travelling
from doe.report.fit_page import FitEvidence, LimitRoom, fit_page
from doe.report.gravity import BACKGROUND, LOUD, RESULTS, SAFETY, by_gravity
from doe.report.palette import DARK, LIGHT, RAMP
from doe.report.pictures import Table
from doe.report.plan_page import plan_page
from doe.report.suggest_page import suggest_page
from doe.terminal import ending

HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "' onmouseover='alert(1)",
    "]]></svg><svg onload=alert(1)>",
    "{{ 7*7 }} {% raw %}",
    "🌾🫙 שלום \u202ereversed",
    "x" * 200,
)
VOID = {"meta", "img", "br", "link", "input", "hr"}


def pages(m: SimpleNamespace, **changes: object) -> dict[str, str]:
    head = {"stage": 1, **changes}
    return {
        "check": check_page(
            made_up_campaign.header(page="check", **{**head, "stage": None}),
            m.space,
            m.survey,
            m.maps,
            (("water", "34 runs", False), ("days", "24 runs", True)),
            ("Hot water is trapped between closed valves.",),
        ),
        "plan": plan_page(
            made_up_campaign.header(page="plan", **head),
            m.design,
            m.run_rows,
            m.efficiencies,
            m.maps,
            ("15 degrees of freedom are left, 4 of them from repeats.",),
            (m.derived, m.derived),
            (m.derived, m.derived),
            m.variance,
            aliases=m.aliases,
        ),
        "fit": fit_page(
            made_up_campaign.header(page="fit", **head),
            m.analysis,
            m.space,
            m.surfaces,
            m.effect_curves,
            ("Run the best settings twice.",),
            evidence=m.evidence,
        ),
        "suggest": suggest_page(
            made_up_campaign.header(page="suggest", **head),
            m.suggestion,
            m.space,
            m.responses,
            m.maps,
            *m.runs,
        ),
    }


@pytest.fixture(scope="module")
def built(made_up: SimpleNamespace) -> dict[str, str]:
    return pages(made_up)


class Outline(HTMLParser):
    """Elements with their attributes, and the text of each, in order."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.problems: list[str] = []
        self.words: list[tuple[str, str]] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open[-1] != tag:
            self.problems.append(f"</{tag}> inside {self.open[-3:]}")
        else:
            self.open.pop()

    def handle_data(self, data: str) -> None:
        if data.strip() and self.open:
            self.words.append((self.open[-1], data))

    def frame(self) -> list[str]:
        """Elements outside drawings."""
        names = [tag for tag, _ in self.elements]
        return [n for n in names if n not in SVG]


SVG = {
    *("svg", "title", "desc", "defs", "clippath", "rect", "pattern", "line", "path", "circle"),
    *("text", "g"),
}


def replaced(m: SimpleNamespace, text: str) -> SimpleNamespace:
    """Return the campaign with a text put wherever people's words go."""
    limits = tuple(replace(limit, title=text) for limit in made_up_campaign.LIMITS)
    share = tuple(replace(s, limit=limit) for s, limit in zip(m.survey.limits, limits, strict=True))
    corners = tuple(
        replace(c, fails=tuple((limits[0], text) for _ in c.fails)) for c in m.survey.corners
    )
    maps = tuple(
        replace(r, limits=limits, lines=tuple(replace(line, label=text) for line in r.lines))
        for r in m.maps
    )
    response = {r.name: replace(r, title=text, unit=text) for r in m.responses}
    fits = tuple(
        replace(
            fit,
            response=response[fit.response.name],
            runs_left_out=tuple((run, text) for run, _ in fit.runs_left_out),
            notices=tuple(Notice(n.code, f"{i} {text}") for i, n in enumerate(fit.notices)),
        )
        for fit in m.analysis.fits
    )
    return SimpleNamespace(
        **{
            **vars(m),
            "maps": maps,
            "survey": replace(
                m.survey, limits=share, corners=corners, cures=(text,) * len(m.survey.cures)
            ),
            "responses": list(response.values()),
            "analysis": replace(m.analysis, fits=fits),
            "evidence": FitEvidence(
                replace(
                    m.evidence.explorer,
                    fits=fits,
                    verdicts=replace(
                        m.evidence.explorer.verdicts,
                        limits=(text,) * len(m.evidence.explorer.verdicts.limits),
                    ),
                    runs={
                        name: tuple(replace(g, names=(text,) * len(g.names)) for g in groups)
                        for name, groups in m.evidence.explorer.runs.items()
                    },
                ),
                tuple(replace(room, title=text, unit=text) for room in m.evidence.rooms),
                m.evidence.landscape,
                chance=replace(
                    m.evidence.chance, region=replace(m.evidence.chance.region, limits=limits)
                ),
            ),
            "aliases": replace(
                m.aliases,
                fitted=(text,) * len(m.aliases.fitted),
                mixed_in=(text,) * len(m.aliases.mixed_in),
            ),
            "surfaces": tuple(
                replace(
                    v,
                    response=response[v.response.name],
                    region=replace(v.region, limits=limits),
                )
                for v in m.surfaces
            ),
            "effect_curves": tuple(
                replace(v, response=response[v.response.name]) for v in m.effect_curves
            ),
            "design": replace(m.design, family=text, reason=text, model=text),
            "run_rows": tuple({**row, "kind": text} for row in m.run_rows),
            "suggestion": replace(
                m.suggestion,
                advice=text,
                why=text,
                runs=tuple(replace(run, kind=text, reason=text) for run in m.suggestion.runs),
            ),
        }
    )


def hostile_pages(m: SimpleNamespace, text: str) -> dict[str, str]:
    return pages(
        replaced(m, text),
        campaign=text,
        title=text,
        mode=text,
        invented=text,
        source=text,
        notices=(text,),
        next_command=text,
        provenance=((text, text), (text, text)),
        cautions=(text,),
        practice_defaults=((text, text),),
    )


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_shown_as_text_and_changes_nothing_else(
    made_up: SimpleNamespace, text: str
) -> None:
    calm = hostile_pages(made_up, "calm")
    for name, page in hostile_pages(made_up, text).items():
        outline = Outline(page)
        assert not outline.problems
        assert outline.open == []
        assert outline.frame() == Outline(calm[name]).frame()
        assert {tag for tag, _ in outline.elements} == {t for t, _ in Outline(calm[name]).elements}
        assert not [a for _, attrs in outline.elements for a in attrs if a.startswith("on")]
        headline = next(words for tag, words in outline.words if tag == "bdi")
        assert unescape(headline) == text.replace("\u202e", "")
        assert "\u202e" not in page


def test_elements_open_and_close_in_order(built: dict[str, str]) -> None:
    for page in built.values():
        outline = Outline(page)
        assert outline.problems == []
        assert outline.open == []


def test_no_page_points_outside_itself(built: dict[str, str]) -> None:
    for page in built.values():
        outline = Outline(page)
        for _, attrs in outline.elements:
            for name in ("src", "href", "srcset", "action", "data", "poster", "xlink:href"):
                assert (attrs.get(name) or "#").startswith(("#", "data:text/csv;"))
        packed = re.compile(r'<script type="text/plain".*?</script>', re.DOTALL)
        rest = packed.sub("", page)
        assert set(re.findall(r"https?://[^\"\s]+", rest)) <= {"http://www.w3.org/2000/svg"}
        assert "@import" not in rest
        assert all(ref.startswith("#") for ref in re.findall(r"url\(([^)]*)\)", rest))
        policy = next(a["content"] for t, a in outline.elements if "http-equiv" in a)
        assert policy is not None
        assert policy.startswith("default-src 'none'")
        assert "unsafe-eval" not in policy


def test_pages_without_live_figures_have_no_script(built: dict[str, str]) -> None:
    for name in ("check", "plan", "suggest"):
        assert "<script" not in built[name]
        assert "script-src" not in built[name]
        assert "unsafe" not in built[name]


def test_ids_are_unique_and_links_resolve(built: dict[str, str]) -> None:
    for page in built.values():
        attributes = [attrs for _, attrs in Outline(page).elements]
        ids = [a["id"] for a in attributes if "id" in a]
        assert len(ids) == len(set(ids))
        targets = [a["href"] or "" for a in attributes if "href" in a]
        links = {target[1:] for target in targets if not target.startswith("data:")}
        assert links <= set(ids)


def test_headings_go_down_one_level_at_a_time(built: dict[str, str]) -> None:
    for page in built.values():
        levels = [int(t[1]) for t, _ in Outline(page).elements if re.fullmatch(r"h[1-6]", t)]
        assert levels[0] == 1
        assert levels.count(1) == 1
        steps = [b - a for a, b in itertools.pairwise(levels)]
        assert max(steps) <= 1


def test_every_figure_has_title_reading_drawing_and_numbers(built: dict[str, str]) -> None:
    counts = {}
    for name, page in built.items():
        figures = re.findall(r"<figure.*?</figure>", page, re.DOTALL)
        counts[name] = len(figures)
        for figure in figures:
            assert re.search(r"<figcaption><h3>[^<]+</h3>\s*<p>[^<]+\.</p>", figure)
            panels = len(re.findall(r'class="panel-name"', figure))
            assert len(re.findall(r"<svg", figure)) == (panels or 2)
            assert re.search(r"<details>.*<tbody[^>]*>\s*<tr[^>]*>.*</details>", figure, re.DOTALL)
    assert counts == {"check": 4, "plan": 5, "fit": 24, "suggest": 3}


def outside_folds(page: str) -> str:
    """Return a page without what is folded away, folds in folds included."""
    inner = re.compile(r"<details[^>]*>(?:(?!<details).)*?</details>", re.DOTALL)
    while inner.search(page):
        page = inner.sub("", page)
    return page


def test_no_warning_is_folded_away(made_up: SimpleNamespace) -> None:
    """Thirty notices of all weights: each stands on the open page, three kinds on the first screen.

    Two of a kind do not take two of these places.
    """
    codes = (*RESULTS[:2], RESULTS[0], "unheard-of", RESULTS[5])
    notices = tuple(Notice(codes[i % 5], f"warning {i:02d} of kind {i % 5}") for i in range(30))
    for name, page in pages(made_up, notices=notices).items():
        seen = unescape(outside_folds(page))
        assert all(f"Warning {i:02d} of kind" in seen for i in range(30)), name
        first = unescape(page.split("<nav")[0])
        assert len(re.findall(r"Warning \d\d", first)) == 3 - ("Poor" in first)
        assert "Warning 00" in first
        assert "Warning 02" not in first
        assert 'href="#more-to-know"' in first
    fit = made_up.analysis.fits[0]
    told = replace(fit, notices=(Notice("drift", "it drifts"), Notice("poor-prediction", "poor")))
    analysis = replace(made_up.analysis, fits=(told,), notices=())
    page = fit_page(made_up_campaign.header(), analysis, made_up.space, live=False)
    assert "<li>It drifts</li>" in outside_folds(page)


def test_every_fold_says_what_is_in_it(built: dict[str, str]) -> None:
    for name, page in built.items():
        summaries = re.findall(r"<summary>(.*?)</summary>", page, re.DOTALL)
        told = [s for s in summaries if s != "The numbers behind this picture"]
        assert len(told) >= (6 if name == "fit" else 1)
        assert all(len(s) >= 9 for s in told)
        sections = page.split("<section")[1:]
        for section in sections:
            here = re.findall(r"<summary>(.*?)</summary>", section, re.DOTALL)
            here = [s for s in here if s != "The numbers behind this picture"]
            assert len(here) == len(set(here))


def test_surrogates_of_many_runs_stay_at_home_and_the_page_says_so(
    made_up: SimpleNamespace, built: dict[str, str]
) -> None:
    rng = np.random.default_rng(1)
    rows = made_up.space.settable(rng.uniform([120, 10, 2, 10], [220, 60, 8, 60], (61, 4)))

    def fitted(count: int) -> dict[str, Surrogate]:
        values = rows[:count, 0] / 10 + rng.normal(0, 1, count)
        days = [Shift(indicator([1] * count), True)]
        own = surrogate(made_up.space, rows[:count], values, days, rng, logarithmic=False)
        return {fit.response.name: own for fit in made_up.analysis.fits}

    few, many = fitted(60), fitted(61)
    assert travelling(few) == few
    assert travelling(many) == {}
    taken = replace(made_up.evidence, explorer=replace(made_up.evidence.explorer, surrogates=few))
    page = fit_page(made_up_campaign.header(), made_up.analysis, made_up.space, evidence=taken)
    assert 'id="explore-by"' in page
    assert 'id="explore-by"' not in built["fit"]
    assert "with more than 60 runs" in built["fit"]
    assert len(page) - len(built["fit"]) < 100_000


def test_axes_of_all_figures_carry_the_unit_of_what_they_show(
    built: dict[str, str], made_up: SimpleNamespace
) -> None:
    units = {factor.name: factor.unit for factor in made_up.space}
    units |= {r.words: r.unit for r in made_up.responses}
    seen = set()
    for page in built.values():
        for figure in re.findall(r"<figure.*?</figure>", page, re.DOTALL):
            for drawing in re.findall(r"<svg.*?</svg>", figure, re.DOTALL):
                axes = re.findall(r'<text class="axis[^"]*"[^>]*>([^<]*)</text>', drawing)
                assert axes, figure[:80]
                for title in map(unescape, axes):
                    for quantity, unit in units.items():
                        if title.startswith(quantity) and not title.endswith("…"):
                            assert unit in title.removeprefix(quantity), title
                            seen.add(quantity)
    assert seen == set(units)


def first_element(page: str) -> str:
    return page.split("<body>")[1].lstrip()[:60]


def test_unconfirmed_limits_are_said_before_anything_else(made_up: SimpleNamespace) -> None:
    for page in pages(made_up).values():
        assert first_element(page).startswith('<div class="planning-only"')
        assert page.count("Limits not confirmed: for planning practice only") == 1
    for page in pages(made_up, unconfirmed_limits=False).values():
        assert first_element(page).startswith("<header")
        assert "not confirmed" not in page


def test_cautions_and_the_source_of_data_are_on_every_page(
    built: dict[str, str], made_up: SimpleNamespace
) -> None:
    for page in pages(made_up, cautions=()).values():
        assert frame.USUAL_CAUTIONS[1].split(",")[0] in page
    for page in built.values():
        assert "Husk dust clogs frits" in page
        assert "<strong>Invented data.</strong>" in page


def test_check_page_says_so_when_nothing_or_everything_can_be_run(
    made_up: SimpleNamespace,
) -> None:
    def lead(survey: object) -> str:
        page = check_page(made_up_campaign.header(), made_up.space, survey, (), ())  # type: ignore[arg-type]
        return unescape(re.findall(r'<p class="lead">([^<]*)</p>', page)[0])

    nothing = replace(made_up.survey, feasible_fraction=0.0)
    assert lead(nothing).startswith("The rig can run nothing")
    free = tuple(
        replace(s, fails_fraction=0.0, fails_alone_fraction=0.0) for s in made_up.survey.limits
    )
    whole = replace(made_up.survey, feasible_fraction=1.0, limits=free)
    assert lead(whole).startswith("The rig can run the whole box")
    sliver = replace(made_up.survey, feasible_fraction=0.001)
    assert "under 1" in lead(sliver)


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        (0.987, "about 98\xa0%"),
        (0.9999, "about 99\xa0%"),
        (0.004, "may well miss"),
        (None, "No response has a limit"),
    ],
)
def test_the_chance_to_meet_all_aims_is_never_rounded_up(
    made_up: SimpleNamespace, chance: float | None, words: str
) -> None:
    optimum = replace(made_up.analysis.optimum, all_aims_probability=chance)
    analysis = replace(made_up.analysis, optimum=optimum)
    assert words in fit_page(made_up_campaign.header(), analysis, made_up.space, live=False)


def test_fit_page_stands_a_fit_without_error_or_testable_residuals(
    made_up: SimpleNamespace,
) -> None:
    fit = made_up.analysis.fits[0]
    unknown = np.full(len(fit.values), np.nan)
    exact = replace(
        fit,
        estimates=tuple(replace(e, standard_error=0.0, p_value=None) for e in fit.estimates),
        studentised=unknown,
        cook=unknown,
        lack_of_fit=None,
        f_model=None,
        p_model=None,
        r2_predicted=None,
    )
    mean_only = replace(fit, estimates=fit.estimates[:1])
    for changed in (exact, mean_only):
        analysis = replace(made_up.analysis, fits=(changed,))
        page = fit_page(made_up_campaign.header(), analysis, made_up.space, live=False)
        assert Outline(page).problems == []
        assert "nan" not in re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL).lower()
    first = fit_page(
        made_up_campaign.header(),
        replace(made_up.analysis, fits=(exact,)),
        made_up.space,
        live=False,
    )
    assert "not testable" in first
    assert "No run can be judged without itself" in first
    assert "No run was repeated" in first


def test_runs_left_out_stand_with_their_reason(built: dict[str, str]) -> None:
    assert "filter blocked, flow fell to a third" in built["fit"]
    assert "not measured" in built["fit"]


def test_p_values_are_words_not_stars(built: dict[str, str]) -> None:
    tables = "".join(re.findall(r"<table[^>]*>.*?</table>", built["fit"], re.DOTALL))
    assert "below 0.001" in tables
    assert "*" not in tables


def test_page_sizes_stay_small(built: dict[str, str]) -> None:
    sizes = {name: len(page.encode()) for name, page in built.items()}
    assert max(sizes[n] for n in ("check", "plan", "suggest")) < 250_000
    assert sizes["fit"] < 1_000_000


BYTES = """
import hashlib, sys
sys.path.insert(0, sys.argv[1])
import made_up_campaign, test_report_pages
for name, page in test_report_pages.pages(made_up_campaign.campaign()).items():
    print(name, hashlib.sha256(page.encode()).hexdigest())
"""


def test_another_process_writes_the_same_bytes(built: dict[str, str]) -> None:
    done = subprocess.run(
        [sys.executable, "-c", BYTES, str(Path(__file__).parent)],
        env={**os.environ, "PYTHONHASHSEED": "4711"},
        capture_output=True,
        text=True,
        check=True,
    )
    ours = [f"{n} {hashlib.sha256(p.encode()).hexdigest()}" for n, p in built.items()]
    assert done.stdout.split("\n")[:-1] == ours


LIGHT_IMPORTS = """
import sys
import numpy as np
from doe.factors import FactorSpace, NumericFactor
from doe.region import map_region, survey
from doe.report.check_page import check_page
from doe.report.page import Header
from doe.rig import Envelope, Limit
space = FactorSpace((NumericFactor("a", "m", 0, 1), NumericFactor("b", "m", 0, 1)))
limit = Limit("l", "a limit", "m", "at most", False)
def envelope(s):
    v = s.sum(axis=1, keepdims=True)
    return Envelope((limit,), v, np.full_like(v, 1.5), 1.5 - v, ())
region = map_region(space, envelope, 0, 1, np.array([0.5, 0.5]))
page = check_page(Header("c", "t", "flow", None, "check", False), space,
                  survey(space, envelope), (region,), ())
assert "<figure" in page
heavy = {"plotly", "pandas", "statsmodels", "sklearn", "scipy", "pyDOE3", "openpyxl"}
print(sorted(heavy & set(sys.modules)))
"""


def test_check_page_needs_no_heavy_library() -> None:
    done = subprocess.run(
        [sys.executable, "-c", LIGHT_IMPORTS], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def luminance(colour: str) -> float:
    """Relative luminance of sRGB: W3C, WCAG 2.2, definition "relative luminance"."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(a: str, b: str) -> float:
    low, high = sorted((luminance(a), luminance(b)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("colours", [LIGHT, DARK])
def test_contrast_against_wcag_2_2(colours: dict[str, str]) -> None:
    """Text 4.5:1 (1.4.3), marks 3:1 (1.4.11)."""
    for ground in ("paper", "raised"):
        for role in ("ink", "soft-ink", "water", "ember"):
            assert contrast(colours[role], colours[ground]) >= 4.5, (role, ground)
    assert contrast(colours["straw"], colours["paper"]) >= 3


@pytest.mark.parametrize("colours", [LIGHT, DARK])
def test_surface_steps_differ_in_lightness_alone(colours: dict[str, str]) -> None:
    light = [luminance(colours[step]) for step in RAMP]
    assert light in (sorted(light), sorted(light, reverse=True))
    ratios = list(pairs(colours))
    assert min(ratios) > 1.1


def pairs(colours: dict[str, str]) -> Iterator[float]:
    for a, b in itertools.pairwise(RAMP):
        yield contrast(colours[a], colours[b])


def links(page: str) -> list[str]:
    """Return the text of every table that the page offers to save."""
    packed = re.findall(r'href="data:text/csv;charset=utf-8;base64,([^"]+)"', page)
    return [base64.b64decode(text).decode("utf-8-sig") for text in packed]


def test_every_table_can_be_saved_and_reads_back_as_it_is_shown(built: dict[str, str]) -> None:
    for name, page in built.items():
        tables = re.findall(
            r"<table[^>]*>(?:(?!</table>).)*</table>\s*</div>\s*<p class=.save.>", page, re.DOTALL
        )
        saved = links(page)
        assert len(saved) == len(tables) >= 4, name
        for table, text in zip(tables, saved, strict=True):
            shown = [
                unescape(c) for c in re.findall(r"<td[^>]*>(?:<bdi>)?(.*?)(?:</bdi>)?</td>", table)
            ]
            rows = list(csv.reader(io.StringIO(text)))
            cells = [cell for row in rows[1:] for cell in row]
            assert [c.replace("−", "-") for c in shown] == [c.replace("−", "-") for c in cells]


@pytest.mark.parametrize("text", ["=1+1", "+SUM(A1)", "-cmd", "@name"])
def test_a_saved_table_holds_no_formula(made_up: SimpleNamespace, text: str) -> None:
    """Spreadsheets run cells that start so: OWASP, "CSV Injection"."""
    for page in hostile_pages(made_up, text).values():
        for saved in links(page):
            for row in csv.reader(io.StringIO(saved)):
                for cell in row:
                    plain = re.fullmatch(r"-?[0-9.]+( .*)?", cell)
                    assert plain or not cell.startswith(("=", "+", "-", "@")), cell


def test_first_screen_of_the_fit_page_says_the_room_to_the_tightest_limits(
    built: dict[str, str], made_up: SimpleNamespace
) -> None:
    first = unescape(built["fit"].split("<nav")[0])
    assert "3.2\xa0bar of room to “stays liquid with room to boiling”" in first
    tight = [LimitRoom(f"limit {i}", "W", 1.0, "1", 0.01 * i) for i in range(4)]
    rooms = (*tight, LimitRoom("stays liquid", "bar", 9.0, "9", 0.7, boiling=True))
    evidence = replace(made_up.evidence, rooms=rooms)
    page = fit_page(made_up_campaign.header(), made_up.analysis, made_up.space, evidence=evidence)
    first = unescape(page.split("<nav")[0])
    assert "limit 1" in first
    assert "limit 2" not in first
    assert "9\xa0bar of room to “stays liquid”" in first
    broken = (replace(made_up.evidence.rooms[0], margin=-1.0),)
    evidence = replace(made_up.evidence, rooms=broken)
    page = fit_page(made_up_campaign.header(), made_up.analysis, made_up.space, evidence=evidence)
    assert "The rig cannot run these settings" in page


def test_three_notices_at_most_stand_open_the_gravest_first(made_up: SimpleNamespace) -> None:
    notices = tuple(Notice(code, f"Said of {code}") for code in ("a", "b", "c", "d"))
    grave = Notice("aims-not-met", "the aims are not met, by -0.4")
    head = made_up_campaign.header(notices=(*notices, grave))
    page = fit_page(head, made_up.analysis, made_up.space, live=False)
    first = page.split("<nav")[0]
    open_part = first.split('<ul class="mind">')[1].split("</ul>")[0]
    assert open_part.count("<li>") == 3
    assert open_part.startswith("<li>The aims are not met, by −0.4")
    for notice in notices:
        assert page.count(notice.what) == 1


def test_runs_stand_before_the_cautions(built: dict[str, str]) -> None:
    for name in ("plan", "suggest"):
        page = built[name]
        assert page.index("<table") < page.index("<nav") < page.index('id="cautions"')


def test_a_transformed_response_is_not_given_in_its_own_unit(made_up: SimpleNamespace) -> None:
    """Coefficients and scatter of a log fit are of logarithms; the formula says so."""
    fit = made_up.analysis.fits[1]
    logged = replace(fit, scale=log(), transformation=log().words)
    analysis = replace(made_up.analysis, fits=(logged,))
    page = unescape(fit_page(made_up_campaign.header(), analysis, made_up.space, live=False))
    assert "ln(breakdown product) = " in page
    assert "coefficient, ln(mg/g)" in page
    assert "ln(mg/g) about it" in page
    plain = unescape(
        fit_page(made_up_campaign.header(), made_up.analysis, made_up.space, live=False)
    )
    assert "ln(" not in plain


def test_corners_with_the_same_words_are_told_together(made_up: SimpleNamespace) -> None:
    """Two of the 16 corners' four factors matter to one sentence: its four corners are one row."""
    told = [
        replace(c, fails=((made_up_campaign.LIMITS[1], "too hot"),) if c.settings[0] > 200 else ())
        for c in made_up.survey.corners
    ]
    survey = replace(made_up.survey, corners=tuple(told))
    page = check_page(made_up_campaign.header(page="check"), made_up.space, survey, (), ())
    section = page[page.index('id="corners"') :]
    rows = re.findall(r"<tr[^>]*>(?:<td.*?</td>)+</tr>", section[: section.index("</table>")])
    texts = [[unescape(re.sub("<.*?>", "", cell)) for cell in row.split("</td>")] for row in rows]
    assert [row[4] for row in texts] == ["the rig can run it", "too hot"]
    assert texts[1][0] == "220\N{NO-BREAK SPACE}°C"
    assert "8 of the 16 corners" in section
    assert texts[1][3] == "10 or 60\N{NO-BREAK SPACE}min"


def test_corners_that_differ_in_two_factors_are_not_mixed(made_up: SimpleNamespace) -> None:
    """Opposite corners of a face share words, the others do not: no row may claim all four."""
    told = []
    for corner in made_up.survey.corners:
        hot, fast = corner.settings[0] > 200, corner.settings[2] > 5
        told.append(
            replace(corner, fails=((made_up_campaign.LIMITS[1], "odd"),) if hot == fast else ())
        )
    survey = replace(made_up.survey, corners=tuple(told))
    page = check_page(made_up_campaign.header(page="check"), made_up.space, survey, (), ())
    section = page[page.index('id="corners"') :]
    assert section[: section.index("</table>")].count("<bdi>odd</bdi>") == 2


def test_a_map_without_anything_on_it_is_a_sentence(made_up: SimpleNamespace) -> None:
    empty = replace(made_up.maps[2], margin=np.abs(made_up.maps[2].margin))
    head = made_up_campaign.header(page="check")
    page = check_page(head, made_up.space, made_up.survey, (*made_up.maps[:2], empty), ())
    assert 'id="map-2"' in page
    assert 'id="map-3"' not in page
    assert "Over all of flow and time no limit is in the way. Held at temperature" in page
    suggested = suggest_page(
        head, made_up.suggestion, made_up.space, made_up.responses, (empty,), *made_up.runs
    )
    assert 'id="map-1"' in suggested  # with runs on it, it stays a picture


def test_what_may_hurt_stands_first_in_full_and_what_every_stage_says_folds() -> None:
    danger = [Notice("log-limits-passed", f"DANGER {i}") for i in range(7)]
    usual = [Notice("several-stages", "stages are fitted together"), Notice("leverage", "run 3")]
    aims = Notice("aims-not-met", "no aims met, by -0.4")
    held = Notice("confirmation", "it held", good=True)
    told = by_gravity([*usual, held, aims, *danger, replace(held, good=False)], 5)
    assert told.first[:7] == tuple(one.what for one in danger)
    assert told.good == ("It held",)
    assert told.rest == ("No aims met, by −0.4", "Run 3", "Stages are fitted together")
    assert told.rest_in_words == "3 more to mind"
    told = by_gravity([*usual, held, aims], 5)
    assert told.first == ("No aims met, by −0.4",)
    assert told.background
    assert by_gravity([usual[0], aims], 5).rest == ()
    unchecked = Notice("achieved-not-checked", "not held against the limits")
    assert by_gravity([*usual, unchecked], 5).first == ("Not held against the limits",)


def test_of_warnings_the_terminal_prints_what_the_readme_says() -> None:
    dangers = [Notice("planned-forbidden", f"danger {i}") for i in range(6)]
    others = [Notice(code, f"of {code}") for code in RESULTS[:7]]
    alike = [Notice(RESULTS[0], "the same kind once more")]
    usual = [Notice(code, f"of {code}") for code in BACKGROUND[:8]]

    def printed(*notices: Notice) -> list[str]:
        lines = ending(Path("ws"), (), notices, "doe fit mint", on_page=True)
        return [line for line in lines if line.startswith("! ")]

    assert printed(*others, *usual, *dangers) == [
        *(f"! Danger {i}" for i in range(6)),
        "! 15 more to mind stand on the page, under “More to know”.",
    ]
    assert [line[2:] for line in printed(*alike, *others, *dangers[:1])[:-1]] == [
        "Danger 0",
        "The same kind once more",
        *(f"Of {code}" for code in RESULTS[1:4]),
    ]
    assert len(printed(dangers[0], *usual)) == 2
    assert "of how runs were made" in printed(dangers[0], *usual)[-1]
    assert printed(usual[0]) == [f"! Of {BACKGROUND[0]}"]


def test_the_notices_that_have_a_weight_are_ones_that_are_given() -> None:
    """A code that nobody gives any more would silently lose its place."""
    sources = [
        path.read_text(encoding="utf-8")
        for path in Path(frame.__file__).parents[1].rglob("*.py")
        if "report" not in path.parts
    ]
    for code in (*LOUD, *SAFETY, *RESULTS, *BACKGROUND):
        assert any(f'"{code}"' in source for source in sources), code


def test_first_screen_says_how_firmly_each_setting_is_fixed(
    made_up: SimpleNamespace, built: dict[str, str]
) -> None:
    first = unescape(built["fit"].split("<nav")[0])
    panel = first[first.index('class="best"') : first.index("</dl>")]
    spreads = made_up.evidence.landscape.location.spreads
    for factor, spread in zip(made_up.space, spreads, strict=True):
        said = re.search(f"<dt>{factor.name}</dt><dd>.*?</dd>", panel).group()
        low, high = map(float, re.search(r"anywhere from ([\d.]+) to ([\d.]+)", said).groups())
        step = factor.step or 0.001
        assert spread.low - step < low <= spread.low + 1e-9
        assert spread.high - 1e-9 <= high < spread.high + step
        assert round(low / step, 6) == round(low / step)
        wide = spread.high - spread.low >= 0.9 * (factor.high - factor.low)
        assert ("hardly fix it" in said) == wide
    assert len({"hardly fix it" in part for part in panel.split("<dt>")[1:]}) == 2
    assert "at most 2\N{NO-BREAK SPACE}mg/g is wanted" in first


def test_no_settings_are_called_best_by_a_polynomial_that_foretells_worse_than_the_mean(
    made_up: SimpleNamespace,
) -> None:
    def page_of(**changed: object) -> str:
        fits = tuple(replace(fit, **changed) for fit in made_up.analysis.fits)
        analysis = replace(made_up.analysis, fits=fits)
        return fit_page(made_up_campaign.header(), analysis, made_up.space, live=False)

    assert "alone, the best settings are" in page_of(r2_predicted=0.8)
    bad = page_of(r2_predicted=-4.95)
    assert "alone, the best settings are" not in bad
    assert "worse than their mean" in bad


def test_a_long_reason_for_leaving_a_run_out_is_said_in_full_once(
    made_up: SimpleNamespace,
) -> None:
    reason = "pump stalled, " * 10
    fits = tuple(replace(fit, runs_left_out=((5, reason),)) for fit in made_up.analysis.fits)
    assert len(fits) > 1
    analysis = replace(made_up.analysis, fits=fits)
    page = fit_page(
        made_up_campaign.header(),
        analysis,
        made_up.space,
        live=False,
        evidence=FitEvidence(notes=((2, "pressure fell at 12 min"),)),
    )
    assert page.count(reason) == 1
    assert "pressure fell at 12 min" in page


def test_of_very_many_rows_the_first_stand_on_the_page_and_the_file_has_all() -> None:
    def table(count: int) -> Table:
        return Table(("run", "yield"), tuple((str(i), "3.1") for i in range(1, count + 1)))

    def told(html: str) -> tuple[int, int]:
        packed = re.search(r"base64,([A-Za-z0-9+/=]+)", html)
        assert packed is not None
        lines = base64.b64decode(packed[1]).decode().split("\r\n")
        return html.count("<tr") - 1, len(lines) - 2

    assert told(frame.table_html(table(60))) == (60, 60)
    many = frame.table_html(table(500))
    assert told(many) == (60, 500)
    assert "all 500 rows, of which the first 60 stand here" in many
    assert told(frame.table_html(table(500), whole=True)) == (500, 500)
