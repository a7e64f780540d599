"""Reports as single files: no script needed to read them, nothing fetched, the same bytes again.

One pure function a section, then assembly in `templates/page.html`. Everything the person or the
campaign file says is escaped there; a content security policy forbids every request.

Shapes: n runs, k factors.
"""

from __future__ import annotations

import base64
import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from doe.factors import CategoricalFactor, FactorSpace
from doe.report.digits import bearing, between, p_text, percent, plain, shown, with_unit
from doe.report.palette import DARK, LIGHT, css_variables
from doe.report.pictures import (
    Picture,
    ProfileView,
    RunPoints,
    SurfaceView,
    Table,
    VarianceView,
    effects_picture,
    limits_picture,
    observed_fitted_picture,
    profile_picture,
    region_picture,
    residuals_picture,
    setting_text,
    surface_picture,
    variance_picture,
)
from doe.report.svg import NARROW, WIDE, draw

if TYPE_CHECKING:
    from doe.analysis.fit import FittedModel, Prediction
    from doe.analysis.optimum import Analysis, Best
    from doe.design.evaluation import Efficiencies
    from doe.design.matrix import Design
    from doe.region import RegionMap, Survey
    from doe.responses import Response
    from doe.suggest import SuggestedRun, Suggestion

__all__ = [
    "DERIVED_NONE",
    "Header",
    "check_page",
    "fit_page",
    "plan_page",
    "suggest_page",
]

DERIVED_NONE = Table((), ())
CORNERS_SHOWN = 16
USUAL_CAUTIONS = (
    "Water above 100 °C under pressure flashes to steam when it is let out, and hot parts burn.",
    "The rig’s own documents, your site’s rules and local codes come before anything here; "
    "pressure equipment is checked and run by people trained and, where required, licensed for it.",
)


@dataclass(frozen=True, slots=True)
class Header:
    """What stands round every page.

    Attributes
    ----------
    unconfirmed_limits
        Puts the banner "for planning practice only" before everything else.
    invented, source
        Sentence on where the data come from, whichever applies.
    notices, cautions
        Sentences; the usual cautions where there are none.
    provenance
        Pairs of label and text: seed, hash of the campaign file, versions.
    practice_defaults
        Pairs of key and value taken from common practice, which the person may edit.
    """

    campaign: str
    title: str
    mode: str
    stage: int | None
    page: str
    unconfirmed_limits: bool
    invented: str | None = None
    source: str | None = None
    notices: tuple[str, ...] = ()
    next_command: str = ""
    provenance: tuple[tuple[str, str], ...] = ()
    cautions: tuple[str, ...] = ()
    practice_defaults: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class _Section:
    key: str
    heading: str
    body: Markup
    short: str = ""


@dataclass(frozen=True, slots=True)
class _Panel:
    heading: str
    facts: tuple[tuple[str, str], ...] = field(default=())


# ---------------------------------------------------------------------------------- the pages


def check_page(
    header: Header,
    space: FactorSpace,
    survey: Survey,
    maps: Sequence[RegionMap],
    affordable: Sequence[tuple[str, str, bool]],
    closed_in: Sequence[str] = (),
    derived: Table = DERIVED_NONE,
) -> str:
    """Return what the rig can run of the box, what limits it, and what the budget buys.

    Parameters
    ----------
    affordable
        What each part of the budget allows: label, text, and whether it binds.
    closed_in
        Sentences on a closed system (heating of a closed vessel, trapped liquid), if any.
    derived
        A table to show at its end, e.g. quantities that follow from the factors.
    """
    sections = [
        _maps_section(space, maps, (), "What the rig can run"),
        _limits_section(survey),
        _corners_section(space, survey),
    ]
    if derived.rows:
        sections.append(_Section("derived", "What follows from the factors", _table(derived)))
    return _page(header, _check_first_screen(header, survey, affordable, closed_in), sections)


def plan_page(
    header: Header,
    design: Design,
    run_rows: Sequence[Mapping[str, str]],
    efficiencies: Efficiencies,
    maps: Sequence[RegionMap],
    can_do: Sequence[str] = (),
    derived: Table = DERIVED_NONE,
    margins: Table = DERIVED_NONE,
    variance: Sequence[VarianceView] = (),
    points: Sequence[RunPoints] = (),
) -> str:
    """Return the runs of a stage in order, why these, and what they can and cannot do.

    Parameters
    ----------
    run_rows
        One mapping a run, heading to text, all with the same headings.
    can_do
        Sentences on what the design can and cannot tell: degrees of freedom left to judge the
        error by, terms that stay mixed up, chances to find an effect.
    derived, margins
        Tables of quantities that follow from the settings, and of the margin to each limit.
    points
        Runs on the maps; the planned runs of the design where left out.
    """
    rings = tuple(points) or (_planned(design, run_rows),)
    sections = [
        _runs_section(run_rows),
        _design_section(design, efficiencies, can_do),
        _maps_section(design.space, maps, rings, "Where the runs lie"),
    ]
    if variance:
        sections.append(_variance_section(design.space, variance))
    if derived.rows:
        sections.append(_Section("derived", "What follows from the settings", _table(derived)))
    if margins.rows:
        intro = Markup("<p>{}</p>").format(
            "Distance of each run from each limit, in the limit’s own unit; 0 is on the limit."
        )
        sections.append(_Section("margins", "Room to the limits", intro + _table(margins)))
    return _page(header, _plan_first_screen(header, design), sections, to_run=True)


def fit_page(
    header: Header,
    analysis: Analysis,
    space: FactorSpace,
    surfaces: Sequence[SurfaceView] = (),
    profiles: Sequence[ProfileView] = (),
    what_next: Sequence[str] = (),
    live: bool = True,
) -> str:
    """Return the recommended settings with their predictions, then the evidence.

    Parameters
    ----------
    what_next
        Sentences on what to do next.
    live
        Carry plotly (1.8 MB) so that surfaces can be read by pointing.
    """
    numbers = {fit.response.name: i for i, fit in enumerate(analysis.fits, start=1)}
    pictures = [
        surface_picture(space, view, f"response-{numbers[view.response.name]}-surface-{i}")
        for i, view in enumerate(surfaces, start=1)
    ]
    sections = [
        _response_section(
            numbers[fit.response.name],
            fit,
            analysis,
            space,
            [
                _figure(picture, live)
                for picture, view in zip(pictures, surfaces, strict=True)
                if view.response.name == fit.response.name
            ],
            [view for view in profiles if view.response.name == fit.response.name],
        )
        for fit in analysis.fits
    ]
    first = _fit_first_screen(header, analysis, space, what_next)
    return _page(header, first, sections, live=pictures if live else ())


def suggest_page(
    header: Header,
    suggestion: Suggestion,
    space: FactorSpace,
    responses: Sequence[Response],
    maps: Sequence[RegionMap] = (),
    done: RunPoints | None = None,
    left_out: RunPoints | None = None,
) -> str:
    """Return what to run next, each run with its reason and predictions, and when to stop."""
    points = [group for group in (done, left_out) if group is not None]
    runs = suggestion.runs
    if runs:
        names = tuple(f"next {i}" for i in range(1, len(runs) + 1))
        settings = np.array([run.settings for run in runs])
        points.append(RunPoints("suggested", settings, names))
    sections = [_suggested_section(space, suggestion, responses)] if runs else []
    if maps:
        sections.append(_maps_section(space, maps, points, "Where they lie"))
    first = _suggest_first_screen(header, suggestion, space)
    return _page(header, first, sections, to_run=bool(runs))


# ------------------------------------------------------------------------------ first screens


def _check_first_screen(
    header: Header,
    survey: Survey,
    affordable: Sequence[tuple[str, str, bool]],
    closed_in: Sequence[str],
) -> Markup:
    binding = [label for label, _, binds in affordable if binds]
    buys = tuple(
        (label, f"{text} (this is what binds)" if binds else text)
        for label, text, binds in affordable
    )
    return _joined(
        _prose(_feasible_sentences(survey), "lead"),
        _heading("What would open it up", 2) if survey.cures else "",
        _points(survey.cures),
        _part("best", _Panel("What the budget buys", buys)) if buys else "",
        _prose([f"Runs are limited by {_listed(binding)}."]) if binding else "",
        _prose(closed_in),
        _minds(header.notices),
        _part("next", header.next_command),
    )


def _feasible_sentences(survey: Survey) -> list[str]:
    share = survey.feasible_fraction
    cutting = sorted(
        (s for s in survey.limits if s.fails_fraction > 0), key=lambda s: -s.fails_fraction
    )
    if not cutting:
        return ["The rig can run the whole box that the factors span. No limit is in the way."]
    start = (
        "The rig can run nothing of the box that the factors span."
        if share == 0
        else f"The rig can run {percent(share)} of the box that the factors span."
    )
    named = [
        f"“{s.limit.title}” (forbids {percent(s.fails_fraction)}; "
        f"{percent(s.fails_alone_fraction)} alone)"
        for s in cutting[:3]
    ]
    rest = len(cutting) - 3
    more = f" {rest} more {'limit cuts' if rest == 1 else 'limits cut'} it too." if rest > 0 else ""
    return [f"{start} In the way: {_listed(named)}.{more}"]


def _plan_first_screen(header: Header, design: Design) -> Markup:
    plots = len(set(design.plots))
    count = f"{len(design)} runs" if len(design) != 1 else "1 run"
    grouped = f", in {plots} whole plots" if plots < len(design) else ""
    stage = f"Stage {header.stage}: " if header.stage is not None else ""
    return _joined(
        _prose(
            [f"{stage}{count}{grouped}. The design is {design.family}; it aims at {design.model}."],
            "lead",
        ),
        _prose([design.reason]),
        _prose(
            [
                "Run them in the order given: it is random, so that a drift of the rig does not "
                "look like an effect."
            ]
        ),
        _minds([*header.notices, *(n.what for n in design.notices)]),
        _part("next", header.next_command),
    )


def _fit_first_screen(
    header: Header, analysis: Analysis, space: FactorSpace, what_next: Sequence[str]
) -> Markup:
    optimum = analysis.optimum
    responses = {fit.response.name: fit.response for fit in analysis.fits}
    settings = tuple(zip(_factor_names(space), setting_text(space, optimum.settings), strict=True))
    together = "" if len(responses) == 1 else " for all responses together"
    expected = [
        _expected(responses[name], prediction)
        for name, prediction in optimum.predictions.items()
        if name in responses
    ]
    notices = _unique([*header.notices, *(n.what for n in analysis.notices)])
    return _joined(
        _part("best", _Panel(f"Settings to choose{together}", settings)),
        _prose(expected, "lead"),
        _prose([_aims_sentence(analysis)]),
        _prose(what_next),
        _minds(notices),
        _part("next", header.next_command),
    )


def _expected(response: Response, prediction: Prediction) -> str:
    mean, error = float(prediction.mean[0]), float(prediction.standard_error[0])
    unit = response.unit
    average = with_unit(
        between(float(prediction.mean_low[0]), float(prediction.mean_high[0]), error), unit
    )
    single = with_unit(between(float(prediction.run_low[0]), float(prediction.run_high[0])), unit)
    return (
        f"Expect {response.words} of {with_unit(bearing(mean, error), unit)} on average "
        f"({percent(prediction.level)} interval {average}); for a single new run the interval is "
        f"{single}."
    )


def _aims_sentence(analysis: Analysis) -> str:
    chance = analysis.optimum.all_aims_probability
    if chance is None:
        return "No response has a limit or a tolerance, so there is no chance of meeting one."
    whole = math.floor(100 * chance)  # rounded down: "at least" must stay true
    if whole < 1:
        return "One new run may well miss a limit or a tolerance: the chance to meet all is small."
    return (
        "The chance that one new run meets every limit and tolerance is at least "
        f"{whole}\N{NO-BREAK SPACE}%."
    )


def _suggest_first_screen(header: Header, suggestion: Suggestion, space: FactorSpace) -> Markup:
    count = len(suggestion.runs)
    lead = suggestion.advice
    return _joined(
        _prose([lead], "lead"),
        _prose([suggestion.why]),
        _prose([f"{count} {'run is' if count == 1 else 'runs are'} suggested."])
        if count
        else _prose(["No run is suggested."]),
        _minds([*header.notices, *(n.what for n in suggestion.notices)]),
        _part("next", header.next_command),
    )


# ----------------------------------------------------------------------------------- sections


def _maps_section(
    space: FactorSpace, maps: Sequence[RegionMap], points: Sequence[RunPoints], heading: str
) -> _Section:
    drawn = [
        _figure(region_picture(region.space or space, region, points, f"map-{i}"))
        for i, region in enumerate(maps, start=1)
    ]
    return _Section("maps", heading, _joined(*drawn))


def _limits_section(survey: Survey) -> _Section:
    rows = tuple(
        (
            share.limit.title,
            percent(share.fails_fraction),
            percent(share.fails_alone_fraction),
            _named(
                "a maximum" if share.limit.sense == "at most" else "a minimum", share.limit.unit
            ),
            "common practice" if share.limit.practice else "the rig’s own",
        )
        for share in sorted(survey.limits, key=lambda s: -s.fails_fraction)
    )
    table = Table(
        ("limit", "box it forbids", "forbidden by it alone", "allowed value is", "comes from"),
        rows,
        frozenset({1, 2}),
    )
    cut = any(share.fails_fraction > 0 for share in survey.limits)
    return _Section(
        "limits",
        "What each limit takes",
        _joined(
            _figure(limits_picture(survey)) if cut else "", _heading("All limits"), _table(table)
        ),
    )


def _corners_section(space: FactorSpace, survey: Survey) -> _Section:
    rows = tuple(
        (
            *setting_text(space, corner.settings),
            " ".join(sentence for _, sentence in corner.fails) or "the rig can run it",
        )
        for corner in survey.corners
    )
    table = Table((*_factor_names(space), "found there"), rows, frozenset(space.numeric))
    good = sum(not corner.fails for corner in survey.corners)
    lead = f"The rig can run {good} of the {len(rows)} corners of the box."
    body = _table(table)
    if len(rows) > CORNERS_SHOWN:
        body = Markup("<details><summary>All {} corners</summary>{}</details>").format(
            len(rows), body
        )
    return _Section("corners", "The corners of the box", _prose([lead]) + body, "Corners")


def _runs_section(run_rows: Sequence[Mapping[str, str]]) -> _Section:
    headings = tuple(run_rows[0]) if run_rows else ()
    rows = tuple(tuple(str(row[heading]) for heading in headings) for row in run_rows)
    return _Section("runs", "The runs, in order", _table(_with_figures(headings, rows)))


def _with_figures(headings: tuple[str, ...], rows: tuple[tuple[str, ...], ...]) -> Table:
    """Return a table whose columns of nothing but numbers are set as numbers."""
    numbers = frozenset(
        i for i in range(len(headings)) if all(_is_number(row[i]) for row in rows if row[i])
    )
    return Table(headings, rows, numbers)


def _is_number(text: str) -> bool:
    try:
        float(text.replace("−", "-"))
    except ValueError:
        return False
    return True


def _design_section(design: Design, efficiencies: Efficiencies, can_do: Sequence[str]) -> _Section:
    unknown = "not worked out"
    facts = (
        (
            "D-efficiency",
            f"{plain(efficiencies.d, 3)}; higher is better, 1 for an orthogonal two-level design",
        ),
        ("A-efficiency", f"{plain(efficiencies.a, 3)}; higher is better, on the same scale"),
        (
            "G-efficiency",
            unknown
            if efficiencies.g is None
            else f"{plain(efficiencies.g, 3)}; higher is better, 1 is the most any design reaches",
        ),
        (
            "I, average prediction variance",
            unknown
            if efficiencies.i is None
            else f"{plain(efficiencies.i, 3)} run variances times runs; lower is better",
        ),
    )
    return _Section(
        "can-do",
        "What this design can and cannot tell",
        _joined(_points(can_do), _heading("Figures of merit"), _part("facts", facts)),
        "What it can tell",
    )


def _variance_section(space: FactorSpace, views: Sequence[VarianceView]) -> _Section:
    drawn = [
        _figure(variance_picture(space, view, f"variance-{i}"))
        for i, view in enumerate(views, start=1)
    ]
    return _Section("variance", "How well it will predict", _joined(*drawn))


def _response_section(
    number: int,
    fit: FittedModel,
    analysis: Analysis,
    space: FactorSpace,
    surfaces: Sequence[Markup],
    profiles: Sequence[ProfileView],
) -> _Section:
    key = f"response-{number}"
    best = analysis.best.get(fit.response.name)
    body = _joined(
        _prose([_fit_sentence(fit)], "lead"),
        _prose([_best_sentence(fit, best, space)]) if best is not None else "",
        _minds([notice.what for notice in fit.notices]),
        *surfaces,
        *(
            _figure(profile_picture(space, view, f"{key}-profile-{i}"))
            for i, view in enumerate(profiles, start=1)
        ),
        _figure(effects_picture(fit, f"{key}-effects")) if len(fit.estimates) > 1 else "",
        _figure(observed_fitted_picture(fit, f"{key}-observed")),
        _figure(residuals_picture(fit, f"{key}-residuals")),
        _model_part(fit, space),
        _left_out_part(fit),
    )
    return _Section(key, _capital(fit.response.words), body)


def _fit_sentence(fit: FittedModel) -> str:
    unit = fit.response.unit
    sd = with_unit(plain(fit.residual_sd, 2), unit)
    predicted = "predicted R² cannot be worked out"
    if fit.r2_predicted is not None:
        value = _minus(f"{fit.r2_predicted:.2f}")
        predicted = f"predicted R² (each run judged by a fit without it) {value}"
    return (
        f"The model: {fit.model.name}, {len(fit.estimates)} terms, fitted to "
        f"{len(fit.runs_used)} runs, which scatter by {sd} about it. R² is {fit.r2:.2f}, adjusted "
        f"R² {_minus(f'{fit.r2_adjusted:.2f}')}, {predicted}."
    )


def _best_sentence(fit: FittedModel, best: Best, space: FactorSpace) -> str:
    at = _listed(
        [
            f"{name} {text}"
            for name, text in zip(
                _factor_names(space), setting_text(space, best.settings), strict=True
            )
        ]
    )
    return f"Judged by {fit.response.words} alone, the best settings are {at}. " + _expected(
        fit.response, best.prediction
    )


def _model_part(fit: FittedModel, space: FactorSpace) -> Markup:
    rows = tuple(
        (
            e.label if e.term.order else "mean at the centre",
            bearing(e.coefficient, e.standard_error),
            bearing(e.standard_error, e.standard_error),
            plain(e.df),
            p_text(e.p_value),
        )
        for e in fit.estimates
    )
    unit = fit.response.unit
    table = Table(
        (
            "term",
            _named("coefficient", unit),
            _named("standard error", unit),
            "degrees of freedom",
            "p",
        ),
        rows,
        frozenset({1, 2, 3, 4}),
    )
    words = (
        "p is the chance of a coefficient at least this far from zero if the term had no effect. "
        "Coefficients are in coded units."
    )
    return _joined(
        _heading("The model"),
        Markup('<p class="formula">{}</p>').format(shown(_formula(fit))),
        _prose([_coding_sentence(space)]),
        _heading("Its terms"),
        _table(table),
        _prose([words]),
        _heading("Where the variation goes"),
        _table(_squares_table(fit)),
        _prose([_lack_sentence(fit)]),
    )


def _formula(fit: FittedModel) -> str:
    parts: list[str] = []
    for e in fit.estimates:
        number = bearing(e.coefficient, e.standard_error)
        sign, size = ("−", number[1:]) if number.startswith("−") else ("+", number)
        text = size if not e.term.order else f"{size} × {e.label}"
        parts.append(f"{sign} {text}" if parts else (f"−{text}" if sign == "−" else text))
    return f"{fit.response.words} = {' '.join(parts)}"


def _coding_sentence(space: FactorSpace) -> str:
    parts = []
    for factor in space:
        if isinstance(factor, CategoricalFactor):
            levels = ", ".join(factor.levels)
            parts.append(f"{factor.name} stands for its levels ({levels}), which sum to zero")
            continue
        centre, half, unit = plain(factor.centre), plain(factor.half_range), factor.unit
        measured = f", in {unit}" if unit else ""
        parts.append(f"{factor.name} is ({factor.name} − {centre}) / {half}{measured}")
    return f"In coded units: {'; '.join(parts)}."


def _squares_table(fit: FittedModel) -> Table:
    total = len(fit.runs_used) - 1
    rows = [("model", total - fit.df_residual, fit.ss_model, fit.f_model, fit.p_model)]
    rows.append(("residual", fit.df_residual, fit.ss_residual, None, None))
    lack = fit.lack_of_fit
    if lack is not None:
        rows.append(("of it lack of fit", lack.df_lack, lack.ss_lack, lack.f, lack.p_value))
        rows.append(("of it pure error", lack.df_pure, lack.ss_pure, None, None))
    rows.append(("total", total, fit.ss_total, None, None))
    tested = {"model", "of it lack of fit"}
    return Table(
        ("source", "degrees of freedom", "sum of squares", "F", "p"),
        tuple(
            (
                name,
                str(df),
                plain(squares),
                "" if name not in tested or f is None else plain(f, 3),
                p_text(p) if name in tested else "",
            )
            for name, df, squares, f, p in rows
        ),
        frozenset({1, 2, 3, 4}),
    )


def _lack_sentence(fit: FittedModel) -> str:
    lack = fit.lack_of_fit
    if lack is None:
        return "No run was repeated, so there is no pure error to hold the misfit against."
    if lack.p_value is None:
        return "Lack of fit cannot be tested with these runs."
    if lack.p_value < 0.05:
        return "The model misses the values by more than repeats scatter: mind its predictions."
    return "The misfit of the model is no larger than the scatter of repeats explains."


def _left_out_part(fit: FittedModel) -> Markup:
    if not fit.runs_left_out:
        return _prose(["No run was left out."])
    rows = tuple((str(run), reason) for run, reason in fit.runs_left_out)
    return _joined(_heading("Runs left out, and why"), _table(Table(("run", "reason"), rows)))


def _suggested_section(
    space: FactorSpace, suggestion: Suggestion, responses: Sequence[Response]
) -> _Section:
    by_name = {response.name: response for response in responses}
    parts: list[Markup | str] = []
    for i, run in enumerate(suggestion.runs, start=1):
        parts.append(_heading(f"Next {i}: {_kind_words(run)}"))
        parts.append(_prose([run.reason]))
        names = zip(_factor_names(space), setting_text(space, run.settings), strict=True)
        parts.append(_part("facts", tuple(names)))
        parts.append(
            _prose(
                [
                    _expected(by_name[name], prediction)
                    for name, prediction in run.predictions.items()
                    if name in by_name
                ]
            )
        )
    return _Section("next-runs", "The runs, and the reason for each", _joined(*parts))


def _kind_words(run: SuggestedRun) -> str:
    known = {
        "best": "confirm the best settings",
        "sharpen": "sharpen the model",
        "repeat": "repeat a run",
    }
    return str(known.get(run.kind, run.kind))


def _cautions_section(header: Header) -> _Section:
    return _Section(
        "cautions",
        "Before anything is heated",
        _points(header.cautions or USUAL_CAUTIONS),
        "Cautions",
    )


def _practice_section(header: Header) -> _Section:
    body = _joined(
        _prose(
            [
                "These values are common practice, used because the campaign file doesn’t say "
                "otherwise. If your rig differs, write them there."
            ]
        ),
        _table(Table(("key", "value used"), header.practice_defaults)),
    )
    return _Section("practice", "Values taken from common practice", body, "Common practice")


# ----------------------------------------------------------------------------------- assembly


def _page(
    header: Header,
    first_screen: Markup,
    sections: Sequence[_Section],
    live: Sequence[Picture] = (),
    to_run: bool = False,
) -> str:
    every = [s for s in sections if s.body]
    every.insert(1 if to_run else len(every), _cautions_section(header))
    if header.practice_defaults:
        every.append(_practice_section(header))
    style, script = _style(), _script() if live else ""
    kicker = header.page + (f", stage {header.stage}" if header.stage is not None else "")
    return str(
        _environment()
        .get_template("page.html")
        .render(
            header=header,
            kicker=_capital(kicker),
            first_screen=first_screen,
            sections=every,
            policy=_policy(style, script, bool(live)),
            style=Markup(style),
            script=Markup(script),
            library=_library() if live else "",
            figures=_figures(live) if live else "",
        )
    )


def _policy(style: str, script: str, live: bool) -> str:
    """Return the content security policy: nothing from outside, only our own style and script.

    plotly.js writes its own style element, so pages that carry it allow inline style.
    """
    if not live:
        return f"default-src 'none'; style-src '{_hash(style)}'"
    from doe.report.interactive import library_hash

    return (
        "default-src 'none'; style-src 'unsafe-inline'; img-src data:; "
        f"script-src '{_hash(script)}' '{library_hash()}'"
    )


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode()).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"


def _library() -> Markup:
    from doe.report.interactive import library

    return Markup(library())


@lru_cache(maxsize=1)
def _style() -> str:
    sheet = (files("doe.report") / "templates" / "report.css").read_text(encoding="utf-8")
    light, dark = css_variables(LIGHT), css_variables(DARK)
    shades = "".join(
        f".picture .fill-{role}{{fill:var(--{role})}}" for role in LIGHT if role.startswith("ramp")
    )
    return (
        f":root{{{light}}}@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\n"
        f"{sheet}{shades}"
    )


@lru_cache(maxsize=1)
def _script() -> str:
    return (files("doe.report") / "templates" / "live.js").read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("doe.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_shown,
    )


def _shown(value: object) -> object:
    """Clean what a template puts out; text that is already HTML was cleaned when it was made."""
    return value if isinstance(value, Markup) or not isinstance(value, str) else shown(value)


def _part(name: str, *arguments: object) -> Markup:
    """Return a macro of `templates/parts.html` called with arguments."""
    macro = getattr(_environment().get_template("parts.html").module, name)
    return Markup(macro(*arguments))


def _figure(picture: Picture, live: bool = False) -> Markup:
    wide, narrow = Markup(draw(picture, WIDE)), Markup(draw(picture, NARROW, "-narrow"))
    return _part("figure", picture, wide, narrow, live)


def _figures(pictures: Sequence[Picture]) -> Markup:
    """Return plotly's dictionaries of pictures, packed like the library."""
    from doe.report.interactive import packed, specification

    named = {picture.key: specification(picture) for picture in pictures}
    return Markup(packed(json.dumps(named, ensure_ascii=False, separators=(",", ":"))))


def _table(table: Table) -> Markup:
    return _part("table", table)


def _prose(sentences: Sequence[str], kind: str = "") -> Markup:
    return _part("prose", [s for s in sentences if s], kind)


def _points(items: Sequence[str], kind: str = "") -> Markup:
    return _part("points", list(items), kind)


def _minds(notices: Sequence[str]) -> Markup:
    return _points(_unique(notices), "mind")


def _heading(text: str, level: int = 3) -> Markup:
    return Markup('<h{0} class="small">{1}</h{0}>').format(level, shown(text))


def _joined(*parts: Markup | str) -> Markup:
    return Markup("\n").join(part for part in parts if part)


def _unique(texts: Sequence[str]) -> list[str]:
    return list(dict.fromkeys(texts))


def _factor_names(space: FactorSpace) -> tuple[str, ...]:
    return tuple(name.replace("_", " ") for name in space.names)


def _planned(design: Design, run_rows: Sequence[Mapping[str, str]]) -> RunPoints:
    """Return the runs of a design as rings, named by the rows' own run numbers if they have any."""
    numbered = len(run_rows) == len(design) and all("run" in row for row in run_rows)
    names = tuple(str(run_rows[i]["run"]) if numbered else str(i + 1) for i in range(len(design)))
    return RunPoints("planned", design.settings, names)


def _named(quantity: str, unit: str) -> str:
    return f"{quantity}, {unit}" if unit else quantity


def _minus(text: str) -> str:
    return text.replace("-", "−")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _listed(words: Sequence[str]) -> str:
    """Return words as a list in a sentence."""
    return " and ".join(filter(None, (", ".join(words[:-1]), *words[-1:])))
