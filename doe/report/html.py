"""Reports as single files: no script needed to read them, nothing fetched, the same bytes again.

One pure function a section, then assembly in `templates/page.html`. Everything the person or the
campaign file says is escaped there; a content security policy forbids every request.

Shapes: n runs, k factors.
"""

from __future__ import annotations

import base64
import csv
import hashlib
import io
import itertools
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from doe.errors import Notice
from doe.factors import CategoricalFactor, Factor, FactorSpace
from doe.report.digits import bearing, between, p_text, percent, plain, shown, with_unit
from doe.report.explorer import Explorer, Verdicts, payload_text
from doe.report.palette import DARK, LIGHT, css_variables
from doe.report.pictures import (
    ChanceView,
    EffectCurve,
    Picture,
    RunPoints,
    SurfaceView,
    Table,
    VarianceView,
    alias_picture,
    chance_picture,
    effect_curve_picture,
    effects_picture,
    fitted_unit,
    fraction_picture,
    half_normal_picture,
    held_text,
    left_out_picture,
    limits_picture,
    normal_picture,
    observed_fitted_picture,
    region_picture,
    residuals_against_picture,
    residuals_picture,
    setting_text,
    surface_picture,
    variance_picture,
)
from doe.report.schedule_picture import order_table, schedule_pictures, totals_table
from doe.report.surface_section import (
    ascent_table,
    choices_table,
    curvature_table,
    front_picture,
    location_table,
    region_sentence,
    ridge_picture,
    stationary_sentence,
)
from doe.report.svg import NARROW, WIDE, draw

if TYPE_CHECKING:
    from doe.analysis.fit import FittedModel, Prediction
    from doe.analysis.landscape import Landscape, Shape
    from doe.analysis.optimum import Analysis, Best
    from doe.design.aliasing import Aliases
    from doe.design.evaluation import Efficiencies
    from doe.design.matrix import Design
    from doe.region import RegionMap, Survey
    from doe.responses import Response
    from doe.schedule import Schedule, Totals
    from doe.suggest import SuggestedRun, Suggestion

__all__ = [
    "DERIVED_NONE",
    "FitEvidence",
    "Header",
    "LimitRoom",
    "check_page",
    "fit_page",
    "plan_page",
    "suggest_page",
]

DERIVED_NONE = Table((), ())
CORNERS_SHOWN = 16
NOTICES_FIRST = 3
ROOMS_FIRST = 3
HARDLY = 0.9
"""Share of a factor's range from which on the results are said to hardly fix its best value."""
GRAVE = (
    "aims-not-met",
    "achieved-breaks-limit",
    "other-than-fit",
    "response-not-fitted",
    "poor-prediction",
    "lack-of-fit",
    "exact-fit",
    "outside-region",
    "confirmation",
    "large-residual",
    "high-leverage",
    "simpler-model",
    "whole-plots",
    "few-degrees-of-freedom",
    "over-budget",
    "wants-log",
    "no-repeats",
    "several-stages",
)
"""Codes of notices, the one that most changes what a person should do first; others follow."""
USUAL_CAUTIONS = (
    "Water above 100 °C under pressure flashes to steam when it is let out, and hot parts burn.",
    "The rig’s own documents, your site’s rules and local codes come before anything here; "
    "pressure equipment is checked and run by people trained and, where required, licensed for it.",
)


_NEGATIVE = re.compile(r"(?<![\w.-])-(?=\d)")


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
        Sentences, or notices whose code tells their weight; the usual cautions where there are
        none.
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
    notices: tuple[str | Notice, ...] = ()
    next_command: str = ""
    provenance: tuple[tuple[str, str], ...] = ()
    cautions: tuple[str, ...] = ()
    practice_defaults: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class LimitRoom:
    """Room to one limit at the recommended settings; `shown` is `margin` rounded to the limit."""

    title: str
    unit: str
    margin: float
    shown: str


@dataclass(frozen=True, slots=True)
class FitEvidence:
    """What the fit page shows beside the models.

    Any two factors, room to the limits with the tightest first, what lies around the best, the
    chance to meet all limits over two factors, and at each choice that nothing beats.
    """

    explorer: Explorer | None = None
    rooms: tuple[LimitRoom, ...] = ()
    landscape: Landscape | None = None
    chance: ChanceView | None = None
    choice_chances: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class _Section:
    key: str
    heading: str
    body: Markup
    short: str = ""


@dataclass(frozen=True, slots=True)
class _Panel:
    """Facts that stand out: label, text, and a remark beside it."""

    heading: str
    facts: tuple[tuple[str, str, str], ...] = field(default=())
    note: str = ""


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
    days: tuple[Schedule, Totals] | None = None,
    aliases: Aliases | None = None,
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
    days
        When each run is to be made, and what all of them need.
    aliases
        What gets into the estimates without being in the model.
    """
    rings = tuple(points) or (_planned(design, run_rows),)
    sections = [
        *([_days_section(*days)] if days is not None else []),
        _design_section(design, efficiencies, can_do),
        _maps_section(design.space, maps, rings, "Where the runs lie"),
    ]
    if aliases is not None:
        sections.append(_aliases_section(aliases))
    if variance:
        sections.append(_variance_section(design, variance))
    if derived.rows:
        sections.append(_Section("derived", "What follows from the settings", _table(derived)))
    if margins.rows:
        intro = Markup("<p>{}</p>").format(
            "Distance of each run from each limit, in the limit’s own unit; 0 is on the limit."
        )
        sections.append(_Section("margins", "Room to the limits", intro + _table(margins)))
    first = _plan_first_screen(header, design, run_rows)
    return _page(header, first, sections, to_run=True)


def fit_page(
    header: Header,
    analysis: Analysis,
    space: FactorSpace,
    surfaces: Sequence[SurfaceView] = (),
    curves: Sequence[EffectCurve] = (),
    what_next: Sequence[str] = (),
    live: bool = True,
    evidence: FitEvidence | None = None,
) -> str:
    """Return the recommended settings with their predictions, then the evidence.

    Parameters
    ----------
    what_next
        Sentences on what to do next.
    live
        Let the page predict on its own over any two factors, where there is evidence for it.
    evidence
        Room to the rig's limits, and what the page needs to predict.
    """
    evidence = evidence or FitEvidence()
    explorer = evidence.explorer if live else None
    numbers = {fit.response.name: i for i, fit in enumerate(analysis.fits, start=1)}
    drawn = [
        (view.response.name, _figure(surface_picture(space, view, f"surface-{i}")))
        for i, view in enumerate(surfaces, start=1)
    ]
    sections = []
    if explorer is not None:
        sections.append(_explorer_section(explorer, drawn[0][1] if drawn else Markup("")))
        drawn = drawn[1:]
    said = {n if isinstance(n, str) else n.what for n in (*header.notices, *analysis.notices)}
    sections += [
        _response_section(
            numbers[fit.response.name],
            fit,
            analysis,
            space,
            [figure for name, figure in drawn if name == fit.response.name],
            [view for view in curves if view.response.name == fit.response.name],
            said,
            evidence.landscape,
        )
        for fit in analysis.fits
    ]
    if evidence.landscape is not None:
        sections.insert(
            1 if explorer is not None else 0,
            _sure_section(analysis, space, evidence.landscape, evidence.chance),
        )
    trade = _trade_section(analysis, space, evidence, explorer is not None)
    if trade is not None:
        sections.insert(2 if explorer is not None else 1, trade)
    sections.append(_methods_section(header, analysis, space))
    first = _fit_first_screen(header, analysis, space, what_next, evidence)
    return _page(header, first, sections, explorer)


def suggest_page(
    header: Header,
    suggestion: Suggestion,
    space: FactorSpace,
    responses: Sequence[Response],
    maps: Sequence[RegionMap] = (),
    done: RunPoints | None = None,
    left_out: RunPoints | None = None,
    run_numbers: Sequence[int] = (),
) -> str:
    """Return what to run next, each run with its reason and predictions, and when to stop.

    Parameters
    ----------
    run_numbers
        Numbers of the runs in the ledger; counted from 1 where there are none.
    """
    points = [group for group in (done, left_out) if group is not None]
    runs = suggestion.runs
    numbered = len(run_numbers) == len(runs)
    names = tuple(str(n) for n in (run_numbers if numbered else range(1, len(runs) + 1)))
    if runs:
        settings = np.array([run.settings for run in runs])
        told = names if numbered else tuple(f"next {name}" for name in names)
        points.append(RunPoints("suggested", settings, told))
    sections = [_suggested_section(suggestion, responses, names)] if runs else []
    if maps:
        sections.append(_maps_section(space, maps, points, "Where they lie"))
    first = _suggest_first_screen(header, suggestion, space, responses, names)
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
        (label, text, "this is what binds" if binds else "") for label, text, binds in affordable
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
        else f"The rig can run {'nearly the whole' if share > 0.995 else percent(share)} of the "
        "box that the factors span."
    )
    named = [
        f"“{s.limit.title}” (forbids {percent(s.fails_fraction)}; "
        f"{percent(s.fails_alone_fraction)} alone)"
        for s in cutting[:3]
    ]
    rest = len(cutting) - 3
    more = f" {rest} more {'limit cuts' if rest == 1 else 'limits cut'} it too." if rest > 0 else ""
    return [f"{start} In the way: {_listed(named)}.{more}"]


def _plan_first_screen(
    header: Header, design: Design, run_rows: Sequence[Mapping[str, str]]
) -> Markup:
    plots = len(set(design.plots))
    count = f"{len(design)} runs" if len(design) != 1 else "1 run"
    grouped = f", in {plots} whole plots" if plots < len(design) else ""
    stage = f"Stage {header.stage}: " if header.stage is not None else ""
    return _joined(
        _prose(
            [
                f"{stage}{count}{grouped}, in the order to run them. The design is "
                f"{design.family}; it aims at {design.model}."
            ],
            "lead",
        ),
        _runs_table(run_rows),
        _prose(
            [
                design.reason,
                "Keep the order: it is random, so that a drift of the rig does not look like an "
                "effect.",
            ]
        ),
        _minds([*header.notices, *design.notices]),
        _part("next", header.next_command),
    )


def _fit_first_screen(
    header: Header,
    analysis: Analysis,
    space: FactorSpace,
    what_next: Sequence[str],
    evidence: FitEvidence,
) -> Markup:
    optimum, around = analysis.optimum, evidence.landscape
    responses = {fit.response.name: fit.response for fit in analysis.fits}
    texts = setting_text(space, optimum.settings)
    remarks = _spread_remarks(space, around) if around is not None else [""] * len(space)
    settings = tuple(zip(_factor_names(space), texts, remarks, strict=True))
    together = "" if len(responses) == 1 else ", best for all responses together"
    expected = [
        _expected(responses[name], prediction)
        for name, prediction in optimum.predictions.items()
        if name in responses
    ]
    return _joined(
        _part("best", _Panel(f"Set on the rig{together}", settings, _what_remarks_say(around))),
        _prose(expected, "lead"),
        _prose([_aims_sentence(analysis), _rooms_sentence(evidence.rooms)]),
        _prose(what_next),
        _part("next", header.next_command),
        _minds([*header.notices, *analysis.notices]),
    )


def _what_remarks_say(around: Landscape | None) -> str:
    if around is None:
        return ""
    level = percent(around.location.level)
    return f"Beside each setting: where the best may lie, as far as chance goes ({level})."


def _spread_remarks(space: FactorSpace, around: Landscape) -> list[str]:
    """Return for each factor how firmly the results fix its best value."""
    remarks = []
    for factor, spread in zip(space, around.location.spreads, strict=True):
        if isinstance(factor, CategoricalFactor):
            best = max(spread.levels)
            level = factor.levels[spread.levels.index(best)]
            remarks.append(f"{level}, with {percent(best)} chance")
            continue
        assert spread.low is not None
        assert spread.high is not None
        ends = with_unit(f"{plain(spread.low)} to {plain(spread.high)}", factor.unit)
        wide = spread.high - spread.low >= HARDLY * (factor.high - factor.low)
        hardly = ": the results hardly fix it" if wide else ""
        remarks.append(f"{ends}{hardly}" if spread.low < spread.high else "nowhere else")
    return remarks


def _rooms_sentence(rooms: Sequence[LimitRoom]) -> str:
    """Return whether the settings keep the rig's limits, and by how much at the tightest."""
    if not rooms:
        return ""
    broken = [room for room in rooms if room.margin < 0]
    if broken:
        named = _listed([f"“{room.title}”" for room in broken])
        return f"The rig cannot run these settings: they break {named}."
    named = _listed(
        [
            f"{with_unit(r.shown, 'K' if r.unit == '°C' else r.unit)} of room to “{r.title}”"
            for r in rooms[:ROOMS_FIRST]
        ]
    )
    return f"The rig can run these settings. The tightest limits there: {named}."


def _expected(response: Response, prediction: Prediction) -> str:
    mean, error = float(prediction.mean[0]), float(prediction.standard_error[0])
    unit = response.unit
    average = with_unit(
        between(float(prediction.mean_low[0]), float(prediction.mean_high[0]), error), unit
    )
    low, high = float(prediction.run_low[0]), float(prediction.run_high[0])
    single = with_unit(between(low, high).replace(" to ", " and "), unit)
    return (
        f"Expect {response.words} of {with_unit(bearing(mean, error), unit)} on average "
        f"({percent(prediction.level)} interval {average}), and any one run between {single}"
        f"{_wanted(response)}."
    )


def _wanted(response: Response) -> str:
    """Return what is wanted of a response with a limit or a target, to end a sentence with."""
    unit = response.unit
    if response.aim in ("below", "above") and response.limit is not None:
        word = "most" if response.aim == "below" else "least"
        return f"; at {word} {with_unit(plain(response.limit), unit)} is wanted"
    if response.aim == "target" and response.target is not None:
        return f"; the target is {with_unit(plain(response.target), unit)}"
    return ""


def _aims_sentence(analysis: Analysis) -> str:
    chance = analysis.optimum.all_aims_probability
    if chance is None:
        unknown = [r.words for r in analysis.unfitted if r.interval_wanted() is not None]
        if unknown:
            return (
                f"Nothing is known of {_listed(unknown)}: no setting can be said to keep its limit."
            )
        return "No response has a limit or a tolerance, so there is no chance of meeting one."
    whole = math.floor(100 * chance)
    if whole < 1:
        return "One new run may well miss a limit or a tolerance: the chance to meet all is small."
    return (
        f"One new run meets every limit and tolerance with a chance of about "
        f"{whole}\N{NO-BREAK SPACE}%, by these models. Take it as a little hopeful: the models "
        "chose the setting themselves, and how days differ is not in it."
    )


def _suggest_first_screen(
    header: Header,
    suggestion: Suggestion,
    space: FactorSpace,
    responses: Sequence[Response],
    names: Sequence[str],
) -> Markup:
    return _joined(
        _prose([suggestion.advice], "lead"),
        _next_runs(suggestion, space, responses, names)
        if suggestion.runs
        else _prose(["No run is suggested."]),
        _prose([suggestion.why]),
        _minds([*header.notices, *suggestion.notices]),
        _part("next", header.next_command),
    )


def _next_runs(
    suggestion: Suggestion,
    space: FactorSpace,
    responses: Sequence[Response],
    names: Sequence[str],
) -> Markup:
    """Return the suggested runs as one table: settings, what it is for, predicted means."""
    foretold = [r for r in responses if all(r.name in run.predictions for run in suggestion.runs)]
    rows = tuple(
        (
            name,
            *setting_text(space, run.settings),
            _kind_words(run),
            *(_mean_text(run.predictions[r.name]) for r in foretold),
        )
        for name, run in zip(names, suggestion.runs, strict=True)
    )
    headings = (
        "run",
        *_factor_names(space),
        "to",
        *(_named(f"expected {r.words}", r.unit) for r in foretold),
    )
    k = len(space)
    figures = {0, *(1 + i for i in space.numeric), *range(k + 2, k + 2 + len(foretold))}
    return _table(Table(headings, rows, frozenset(figures)))


def _mean_text(prediction: Prediction) -> str:
    return bearing(float(prediction.mean[0]), float(prediction.standard_error[0]))


# ----------------------------------------------------------------------------------- sections


def _maps_section(
    space: FactorSpace, maps: Sequence[RegionMap], points: Sequence[RunPoints], heading: str
) -> _Section:
    """Return the maps; one with nothing on it, neither limit nor line nor run, is a sentence."""
    drawn: list[Markup] = []
    for i, region in enumerate(maps, start=1):
        own = region.space or space
        if points or region.lines or (region.margin < 0).any():
            drawn.append(_figure(region_picture(own, region, points, f"map-{i}")))
        else:
            drawn.append(_prose([_open_sentence(own, region)]))
    return _Section("maps", heading, _joined(*drawn))


def _open_sentence(space: FactorSpace, region: RegionMap) -> str:
    names = _factor_names(space)
    over = f"{names[region.x_factor]} and {names[region.y_factor]}"
    held = held_text(space, region)
    return f"Over all of {over} no limit is in the way. {held}".rstrip()


def _days_section(planned: Schedule, needed: Totals) -> _Section:
    """Return the days at the rig: what it is doing when, and what all of them need."""
    body = _joined(
        *(_figure(picture) for picture in schedule_pictures(planned)),
        _heading("What they need"),
        _table(totals_table(needed)),
        _heading("What the order costs"),
        _prose([planned.thermal.sentence]),
        _table(order_table(planned)),
        _prose([planned.centres.sentence]) if planned.centres is not None else "",
    )
    return _Section("days", "Days at the rig", body, "Days")


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
            _figure(limits_picture(survey))
            if cut
            else _prose(["No limit forbids anything of the box."]),
            _folded("All limits", _table(table)),
        ),
    )


def _corners_section(space: FactorSpace, survey: Survey) -> _Section:
    found = [
        (
            tuple((text,) for text in setting_text(space, corner.settings)),
            " ".join(sentence for _, sentence in corner.fails) or "the rig can run it",
        )
        for corner in survey.corners
    ]
    rows = tuple((*map(_either, where), said) for where, said in _merged(found))
    table = Table((*_factor_names(space), "found there"), rows, frozenset(space.numeric))
    good = sum(not corner.fails for corner in survey.corners)
    if good == len(found):
        lead, body = f"The rig can run all {len(found)} corners of the box.", Markup("")
    else:
        lead = f"The rig can run {good} of the {len(found)} corners of the box."
        body = _table(table)
    if len(rows) > CORNERS_SHOWN:
        body = _folded(f"All {len(found)} corners", body)
    return _Section("corners", "The corners of the box", _prose([lead]) + body, "Corners")


def _either(values: Sequence[str]) -> str:
    """Return settings as alternatives, their unit said once."""
    space = "\N{NO-BREAK SPACE}"
    units = {value.partition(space)[2] for value in values}
    if len(units) == 1:
        values = [*(value.partition(space)[0] for value in values[:-1]), *values[-1:]]
    return " or ".join(values)


_Corners = tuple[tuple[str, ...], ...]
"""Corners that are told together: for each factor the values that they have, as text."""


def _merged(found: Sequence[tuple[_Corners, str]]) -> list[tuple[_Corners, str]]:
    """Return corners with equal words told once, where they differ in one factor alone."""
    merged = list(found)
    again = True
    while again:
        again = False
        for i, j in itertools.combinations(range(len(merged)), 2):
            (one, said), (other, same) = merged[i], merged[j]
            apart = [k for k, (a, b) in enumerate(zip(one, other, strict=True)) if a != b]
            if said == same and len(apart) == 1:
                k = apart[0]
                merged[i] = ((*one[:k], (*one[k], *other[k]), *one[k + 1 :]), said)
                del merged[j]
                again = True
                break
    return merged


def _runs_table(run_rows: Sequence[Mapping[str, str]]) -> Markup:
    headings = tuple(run_rows[0]) if run_rows else ()
    rows = tuple(tuple(str(row[heading]) for heading in headings) for row in run_rows)
    return _table(_with_figures(headings, rows))


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


def _aliases_section(aliases: Aliases) -> _Section:
    """Return what the design mixes up: a picture, or that it mixes up nothing of this order."""
    picture = alias_picture(aliases)
    if picture is not None:
        body = _figure(picture)
    elif aliases.mixed_in:
        named = _listed([label.replace("_", " ") for label in aliases.mixed_in])
        body = _prose(
            [
                f"Outside the model stand {named}. Whatever they do, it gets into the mean alone "
                "and into no estimate of an effect."
            ]
        )
    else:
        body = _prose(
            [
                "The model holds every bend and every interaction of two factors, and the runs "
                "tell all of them apart. Whatever bends more sharply than that is spread over the "
                "estimates; it is not shown here."
            ]
        )
    return _Section("mixed-up", "What the runs mix up", body, "Mixed up")


def _variance_section(design: Design, views: Sequence[VarianceView]) -> _Section:
    drawn = [
        _figure(variance_picture(design.space, view, f"variance-{i}"))
        for i, view in enumerate(views, start=1)
    ]
    spread = next((view.spread for view in views if view.spread is not None), None)
    if spread is not None:
        drawn.insert(0, _figure(fraction_picture(spread)))
    if design.variance_ratio and len(set(design.plots)) < len(design):
        ratio = plain(design.variance_ratio, 2)
        taken = f"Whole plots are taken to scatter with {ratio} times the variance of their runs."
        drawn.insert(0, _prose([taken]))
    return _Section("variance", "How well it will predict", _joined(*drawn))


def _explorer_section(explorer: Explorer, still: Markup) -> _Section:
    space = explorer.space
    view = {
        "still": still,
        "responses": [fit.response.words for fit in explorer.fits],
        "chance": explorer.aims is not None,
        "numeric": [(i, _factor_names(space)[i]) for i in space.numeric],
        "factors": [_slider(factor) for factor in space],
        "assumes": _assumed_of_verdicts(explorer.verdicts),
    }
    return _Section(
        "any-two", "Look at any two factors", _part("explorer", view), "Any two factors"
    )


def _assumed_of_verdicts(verdicts: Verdicts) -> str:
    """Return how the page knows what the rig can run, and how well that came out where tried."""
    asked = (
        f"The rig was asked at {len(verdicts.fails)} settings spread over all factors; a setting "
        "between them counts as possible only if all those around it are."
    )
    if not verdicts.tried:
        return asked
    if not verdicts.wrong:
        return (
            f"{asked} Tried at {verdicts.tried} further settings that so count as possible, the "
            "rig can run each of them."
        )
    return (
        f"{asked} Tried at {verdicts.tried} further settings that so count as possible, the rig "
        f"refuses {verdicts.wrong}: between settings the map is only a rough guide here."
    )


def _slider(factor: Factor) -> dict[str, object]:
    words = factor.name.replace("_", " ")
    if isinstance(factor, CategoricalFactor):
        return {"words": words, "levels": factor.levels}
    ends = factor.settable_values(2)
    step = 10.0**-factor.decimals if factor.step is None else factor.step
    return {
        "words": words,
        "levels": (),
        "first": f"{ends[0]:.12g}",
        "last": f"{ends[-1]:.12g}",
        "step": f"{step:.12g}",
    }


def _response_section(
    number: int,
    fit: FittedModel,
    analysis: Analysis,
    space: FactorSpace,
    surfaces: Sequence[Markup],
    curves: Sequence[EffectCurve],
    said: set[str],
    landscape: Landscape | None,
) -> _Section:
    """Return the evidence on one response; notices already said on the page stay out."""
    key = f"response-{number}"
    best = analysis.best.get(fit.response.name)
    body = _joined(
        _prose([_fit_sentence(fit)], "lead"),
        _prose([_best_sentence(fit, best, space)]) if best is not None else "",
        _minds([notice for notice in fit.notices if notice.what not in said]),
        *surfaces,
        *(
            _figure(effect_curve_picture(space, view, f"{key}-effect-{i}"))
            for i, view in enumerate(curves, start=1)
        ),
        _figure(effects_picture(fit, f"{key}-effects")) if len(fit.estimates) > 1 else "",
        *map(_figure, _judging_pictures(fit, space, key)),
        _folded("Residuals against each factor", _against_factors(fit, space, key)),
        _shape_part(fit, landscape.shapes[fit.response.name], key) if landscape else "",
        _model_part(fit, space),
        _left_out_part(fit),
    )
    return _Section(key, _capital(fit.response.words), body)


def _sure_section(
    analysis: Analysis, space: FactorSpace, around: Landscape, chance: ChanceView | None
) -> _Section:
    """Return where else the best may lie, where limits are likely kept, and what costs what."""
    intro = (
        "Were the campaign run again, chance would put the best settings elsewhere. The table says "
        "how far, taking the fitted models as given; a range as wide as the factor’s own says that "
        "the results hardly fix it."
    )
    return _Section(
        "sure",
        "How sure the best settings are",
        _joined(
            _prose([intro]),
            _table(location_table(space, around.location)),
            _prose([region_sentence(around.region)]) if around.region is not None else "",
            _figure(chance_picture(space, chance)) if chance is not None else "",
        ),
        "How sure",
    )


def _trade_section(
    analysis: Analysis, space: FactorSpace, evidence: FitEvidence, live: bool
) -> _Section | None:
    """Return what can be had of one response at the cost of another; None with nothing to weigh."""
    choices = evidence.landscape.choices if evidence.landscape is not None else ()
    if len(choices) < 2:
        return None
    table = choices_table(space, analysis.fits, choices, evidence.choice_chances)
    picture = front_picture(
        analysis.fits, choices, analysis.optimum.predictions, evidence.choice_chances
    )
    words = (
        "Of these settings none is better than another in every response: going from one to the "
        "next gains in one and loses in another. Which of them is worth most is for you to say."
    )
    names = [str(i + 1) for i in range(len(choices))]
    return _Section(
        "trade",
        "What can be had for what",
        _joined(
            _prose([words]),
            _figure(picture),
            _part("picker", names) if live else "",
            _table(table),
        ),
        "What for what",
    )


def _shape_part(fit: FittedModel, shape: Shape, key: str) -> Markup:
    """Return, folded, how a surface curves and where it leads: for who wants to know why."""
    found = shape.stationary
    parts: list[Markup | str] = []
    if found is not None:
        parts += [_prose([stationary_sentence(fit, found)]), _table(curvature_table(fit, found))]
    if len(shape.ridge) > 1:
        parts.append(_figure(ridge_picture(fit, shape.ridge, f"{key}-ridge")))
    if shape.ascent is not None and len(shape.ascent.points) > 1:
        way = "The steepest way from the middle of the ranges towards the aim, step by step."
        parts += [_prose([way]), _table(ascent_table(fit, shape.ascent))]
    return _folded("The shape of the surface", _joined(*parts)) if parts else Markup("")


def _judging_pictures(fit: FittedModel, space: FactorSpace, key: str) -> list[Picture]:
    """Return the pictures by which a model is judged, those that its runs allow."""
    made = [
        half_normal_picture(fit, f"{key}-half-normal"),
        observed_fitted_picture(fit, f"{key}-observed"),
        left_out_picture(fit, f"{key}-left-out"),
        residuals_picture(fit, f"{key}-residuals"),
        normal_picture(fit, f"{key}-normal"),
    ]
    return [picture for picture in made if picture is not None]


def _against_factors(fit: FittedModel, space: FactorSpace, key: str) -> Markup:
    pictures = (
        residuals_against_picture(fit, space, i, f"{key}-against-{i + 1}") for i in space.numeric
    )
    return _joined(*(_figure(picture) for picture in pictures if picture is not None))


def _folded(summary: str, body: Markup) -> Markup:
    if not body:
        return Markup("")
    return Markup("<details><summary>{}</summary>{}</details>").format(summary, body)


def _fit_sentence(fit: FittedModel) -> str:
    unit = fitted_unit(fit)
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
    unit = fitted_unit(fit)
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
        _variation_part(fit),
    )


def _formula(fit: FittedModel) -> str:
    parts: list[str] = []
    for e in fit.estimates:
        number = bearing(e.coefficient, e.standard_error)
        sign, size = ("−", number[1:]) if number.startswith("−") else ("+", number)
        text = size if not e.term.order else f"{size} × {e.label}"
        parts.append(f"{sign} {text}" if parts else (f"−{text}" if sign == "−" else text))
    return f"{_left_side(fit)} = {' '.join(parts)}"


def _left_side(fit: FittedModel) -> str:
    """Return what the formula gives: the response, or its transformation written out."""
    words, power, scale = fit.response.words, fit.scale.exponent, fit.scale.scale
    if power == 1:
        return words
    if power == 0:
        return f"ln({words})" if scale == 1 else f"{plain(scale, 6)} × ln({words})"
    divisor = plain(power * scale ** (power - 1), 6)
    return _minus(f"(({words})^{power:g} − 1) / {divisor}")


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


def _methods_section(header: Header, analysis: Analysis, space: FactorSpace) -> _Section:
    """Return what was done, in words to paste into a methods section."""
    body = _joined(
        _prose([_methods_words(header, analysis, space)], "paste"),
        _heading("What is assumed"),
        _points(_assumptions(analysis)),
        _heading("Runs used and left out"),
        _prose([_exclusion_words(fit) for fit in analysis.fits]),
        _heading("Where the methods come from"),
        _points(METHOD_SOURCES),
    )
    return _Section("methods", "Methods, to paste and to check", body, "Methods")


METHOD_SOURCES = (
    "Intervals of a mean and of a single new run: NIST/SEMATECH e-Handbook of Statistical "
    "Methods, 4.5.1.",
    "Predicted R² from PRESS, the sum of (e/(1 − h))²: Allen 1974, Technometrics 16, 125–127.",
    "Several aims together: Derringer, Suich 1980, Journal of Quality Technology 12, 214–219.",
    "Runs in groups: REML with standard errors and degrees of freedom after Kenward, Roger 1997, "
    "Biometrics 53, 983–997.",
    "Half-normal plot: Daniel 1959, Technometrics 1, 311–341.",
    "Digits of a result: GUM (JCGM 100:2008), 7.2.6.",
)
"""Sources of the methods; all but the first and the last are cited from memory."""


def _methods_words(header: Header, analysis: Analysis, space: FactorSpace) -> str:
    ranges = _listed([_range_words(factor) for factor in space])
    fits = " ".join(
        f"{_capital(fit.response.words)} was fitted with a model of {fit.model.name} "
        f"({len(fit.estimates)} coefficients) to {len(fit.runs_used)} runs by {fit.method}"
        f"{_transformed(fit)}; the standard deviation of a run about the model was "
        f"{with_unit(plain(fit.residual_sd, 2), fitted_unit(fit))}, adjusted R² "
        f"{_minus(f'{fit.r2_adjusted:.3f}')}."
        for fit in analysis.fits
    )
    software = next((text for label, text in header.provenance if label == "made with"), "")
    made = f" Computed with {software}." if software else ""
    return (
        f"The factors were {ranges}. Factors were coded −1 to +1 over these ranges and entered at "
        f"the settings achieved. {fits} The recommended settings were searched among those that "
        f"the rig can run, for all aims together.{made}"
    )


def _range_words(factor: Factor) -> str:
    name = factor.name.replace("_", " ")
    if isinstance(factor, CategoricalFactor):
        return f"{name} ({', '.join(factor.levels)})"
    return f"{name} ({plain(factor.low)} to {with_unit(plain(factor.high), factor.unit)})"


def _transformed(fit: FittedModel) -> str:
    return "" if fit.transformation == "none" else f" of transformed values ({fit.transformation})"


def _assumptions(analysis: Analysis) -> list[str]:
    grouped = any(fit.mixed is not None for fit in analysis.fits)
    return [
        "The model’s form holds between the runs and not beyond the ranges of the factors.",
        "Runs scatter alike everywhere, independently and near enough normally"
        + (", and so do the groups they were made in." if grouped else "."),
        "A new run is made like the ones used: same material, same rig, same way of measuring.",
        "Limits of the rig are those of the campaign file.",
    ]


def _exclusion_words(fit: FittedModel) -> str:
    used, left = len(fit.runs_used), len(fit.runs_left_out)
    words = _capital(fit.response.words)
    if not left:
        return f"{words}: all {used} runs with a value were used."
    listed = _listed([f"run {run} ({reason})" for run, reason in fit.runs_left_out])
    return (
        f"{words}: {used} runs were used. Left out: {listed}. A run is left out only where the "
        "record says so or a value is missing, never for lying far from the model."
    )


def _variation_part(fit: FittedModel) -> Markup:
    """Return where the variation goes: one table of squares, or tests term by term."""
    if fit.mixed is None:
        heading, table = "Where the variation goes", _squares_table(fit)
    else:
        heading, table = "Tests of the terms", _tests_table(fit)
    return _joined(_heading(heading), _table(table), _prose([_lack_sentence(fit)]))


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


def _tests_table(fit: FittedModel) -> Table:
    """Return the tests of a fit by REML: each term is judged by its own scatter."""
    rows = tuple(
        (
            test.label,
            str(test.df),
            "–" if test.df_error is None else plain(test.df_error, 3),
            "–" if test.f is None else plain(test.f, 3),
            p_text(test.p_value),
        )
        for test in fit.tests
    )
    headings = ("term", "degrees of freedom", "of its error", "F", "p")
    return Table(headings, rows, frozenset({1, 2, 3, 4}))


def _lack_sentence(fit: FittedModel) -> str:
    lack = fit.lack_of_fit
    if lack is None and fit.censored:
        return "With values known only to lie beyond a limit, lack of fit is not worked out."
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
    suggestion: Suggestion, responses: Sequence[Response], names: Sequence[str]
) -> _Section:
    """Return the reasons, one said once, and what to expect with its intervals."""
    reasons: dict[tuple[str, str], list[str]] = {}
    for name, run in zip(names, suggestion.runs, strict=True):
        reasons.setdefault((_kind_words(run), run.reason), []).append(name)
    told = [
        f"{'Run' if len(who) == 1 else 'Runs'} {_listed(who)}, to {kind}: {reason}"
        for (kind, reason), who in reasons.items()
    ]
    rows = tuple(
        (name, r.words, _mean_text(p), *_interval_texts(p), r.unit)
        for name, run in zip(names, suggestion.runs, strict=True)
        for r in responses
        if (p := run.predictions.get(r.name)) is not None
    )
    levels = {p.level for run in suggestion.runs for p in run.predictions.values()}
    level = percent(next(iter(levels))) if levels else ""
    headings = (
        "run",
        "response",
        "mean",
        f"{level} interval of the mean",
        f"{level} interval of the run",
        "unit",
    )
    table = _table(Table(headings, rows, frozenset({0, 2, 3, 4}))) if rows else ""
    return _Section(
        "next-runs",
        "Why these runs, and what to expect",
        _joined(_points(told), table),
        "Why these",
    )


def _interval_texts(p: Prediction) -> tuple[str, str]:
    error = float(p.standard_error[0])
    return (
        between(float(p.mean_low[0]), float(p.mean_high[0]), error),
        between(float(p.run_low[0]), float(p.run_high[0])),
    )


def _kind_words(run: SuggestedRun) -> str:
    known = {
        "best": "confirm the best settings",
        "confirm": "confirm the recommended settings",
        "seek": "may be better still",
        "sharpen": "tells where the best lies",
        "repeat": "repeat a run",
        "untangle": "tell effects apart",
        "bend": "see bends",
        "move": "climb",
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
    explorer: Explorer | None = None,
    to_run: bool = False,
) -> str:
    every = [s for s in sections if s.body]
    every.insert(0 if to_run else len(every), _cautions_section(header))
    if header.practice_defaults:
        every.append(_practice_section(header))
    style, script = _style(), _script() if explorer is not None else ""
    kicker = header.page + (f", stage {header.stage}" if header.stage is not None else "")
    return str(
        _environment()
        .get_template("page.html")
        .render(
            header=header,
            kicker=_capital(kicker),
            first_screen=first_screen,
            sections=every,
            policy=_policy(style, script),
            style=Markup(style),
            script=Markup(script),
            explore=Markup(payload_text(explorer)) if explorer is not None else "",
        )
    )


def _policy(style: str, script: str) -> str:
    """Return the content security policy: nothing from outside, only our own style and script."""
    allowed = f"default-src 'none'; style-src '{_hash(style)}'"
    return f"{allowed}; script-src '{_hash(script)}'" if script else allowed


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode()).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"


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
    return (files("doe.report") / "templates" / "explore.js").read_text(encoding="utf-8")


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


def _figure(picture: Picture) -> Markup:
    wide, narrow = Markup(draw(picture, WIDE)), Markup(draw(picture, NARROW, "-narrow"))
    return _part("figure", picture, wide, narrow, _table(picture.table))


def _table(table: Table) -> Markup:
    """Return a table; `_csv` makes it a file to save, without script and without a request."""
    return _part("table", table, _csv(table), _is_number)


def _csv(table: Table) -> str:
    """Return the table as a data link: CSV in UTF-8 with the mark that spreadsheets look for."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([_cell(heading) for heading in table.headings])
    writer.writerows([_cell(cell) for cell in row] for row in table.rows)
    packed = base64.b64encode(("\ufeff" + out.getvalue()).encode()).decode("ascii")
    return f"data:text/csv;charset=utf-8;base64,{packed}"


def _cell(text: str) -> str:
    """Return a cell as data: a plain minus in numbers, and no text that would run as a formula."""
    text = shown(text)
    if _is_number(text):
        return text.replace("−", "-")
    return f"'{text}" if text[:1] in ("=", "+", "-", "@") else text


def _prose(sentences: Sequence[str], kind: str = "") -> Markup:
    return _part("prose", [s for s in sentences if s], kind)


def _points(items: Sequence[str], kind: str = "") -> Markup:
    return _part("points", list(items), kind)


def _minds(notices: Sequence[str | Notice]) -> Markup:
    """Return the gravest notices, and the others to fold out."""
    texts = _unique([_text_of(n) for n in sorted(notices, key=_gravity)])
    first, rest = texts[:NOTICES_FIRST], texts[NOTICES_FIRST:]
    if not rest:
        return _points(first, "mind")
    count = f"{len(rest)} more {'thing' if len(rest) == 1 else 'things'} to know"
    folded = Markup("<details><summary>{}</summary>{}</details>").format(
        count, _points(rest, "mind")
    )
    return _joined(_points(first, "mind"), folded)


def _gravity(notice: str | Notice) -> int:
    if isinstance(notice, str) or notice.code not in GRAVE:
        return len(GRAVE)
    return GRAVE.index(notice.code)


def _text_of(notice: str | Notice) -> str:
    text = notice if isinstance(notice, str) else notice.what
    return _capital(_NEGATIVE.sub("−", text))


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
