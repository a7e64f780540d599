"""From the bottles of a campaign to extraction curves: what left the bed of which run, and when.

A sample's draw begins at its `time_min` with the discard; then comes the sample, for as long as the
pump needs for it. A drain's `time_min` is when the vessel was drained: it holds all that came since
the drain before it, but for samples and their discards. The first timed drain holds what came while
heating up too, so that it only begins the sum, unless it was drained at 0 min and ends that.

What a portion holds left the bed earlier than it was caught, by the line's volume over the flow
where `[samples]` gives it; water in the bed itself is not taken off.

Shapes: n portions of a run.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from doe import as_recorded
from doe import rig as rig_room
from doe.analysis.extraction import (
    ExtractionCurves,
    FlowTest,
    JudgedCurve,
    Pace,
    TimedRun,
    flow_test,
    judged,
    pace,
)
from doe.campaign import Campaign
from doe.derived import PORTIONS_FILE, bottles_in, portion_of
from doe.errors import Notice, ResultsError
from doe.factors import CategoricalFactor, FloatArray
from doe.kinetics import Timed
from doe.ledger import Ledger, LedgerRow, prepares, setting_text
from doe.sheet.portions import Bottle
from doe.yields import Figure, Portion, held

__all__ = ["extraction_curves"]

SOLIDS = "solids"
RELATIVE = 0.05
FLOOR = 0.01
"""Scatter that weighs portions against each other: 5 % of what each holds and, in quadrature, 1 %
of what the largest does (common practice). The residuals tell how large it really is."""
ALIKE_K = 3.0
ALIKE_SHARE = 0.05
"""How far apart the settings of runs may lie that count as alike: of temperature in K, of other
factors as a share of their range."""
FREE = ("flow", "time", "water_to_solid", "pressure", "pressure_above_saturation")
"""Factors in which runs that are compared at different flow may differ."""
OUTSIDE = "portion-outside"
VOLUME_OFF = 0.25
"""Share by which a drain may miss what the pump delivered before it is asked about."""


@dataclass(frozen=True, slots=True)
class _Caught:
    """A portion and the stretches of time in which it was caught [min of the extraction]."""

    label: str
    portion: Portion
    stretches: tuple[tuple[float, float], ...]
    is_drain: bool


@dataclass(frozen=True, slots=True)
class _Run:
    """What a run's portions are counted by."""

    row: LedgerRow
    feed_g: float
    flow_mL_min: float
    end_min: float
    temperature_C: float
    stay_min: float
    """How long water stays in the bed; not finite where that is not known."""
    settings: FloatArray


def extraction_curves(campaign: Campaign, ledger: Ledger) -> ExtractionCurves:
    """Return the curves of all runs with timed portions, none in batch mode.

    What leaves a run without a curve is said in its notices; nothing here refuses the rest.
    """
    path = campaign.folder / PORTIONS_FILE
    if campaign.mode != "flow" or not path.exists():
        return ExtractionCurves()
    found = bottles_in(campaign, path)
    bottles = [] if found is None else [b for b in found.rows if "time_min" in b.cells]
    timed_runs = {bottle.run for bottle in bottles}
    rows = [r for r in ledger.rows if r.run in timed_runs and not prepares(r)]
    rows = [row for row in rows if row.status != "left out"]
    if found is None or not rows:
        return ExtractionCurves()
    notices: list[Notice] = []
    curves = []
    runs = []
    for row in rows:
        run = _run_of(as_recorded.fixed_then(campaign, row.stage), row, notices)
        if run is None:
            continue
        own = [bottle for bottle in found.rows if bottle.run == row.run]
        for timed in _timed_runs(campaign, run, own, notices):
            curves.append(judged(timed))
            runs.append(run)
    tests = tuple(_flow_tests(campaign, curves, runs))
    notices = [*_told_together(notices), *_unfitted(curves)]
    paces = tuple(_paces(campaign, curves, runs))
    assumed = tuple(_assumed(campaign, runs))
    return ExtractionCurves(tuple(curves), tests, paces, assumed, tuple(notices))


def _assumed(campaign: Campaign, runs: Sequence[_Run]) -> Iterator[str]:
    """Yield what is assumed of times and feed."""
    yield (
        "Minutes, water and amounts count from when the set temperature was reached; what left "
        "while heating up is in no curve."
    )
    line = None if campaign.samples is None else campaign.samples.line
    yield (
        f"Portions left the bed earlier than they were caught; {line:g} mL of line are taken off."
        if line
        else "Portions left the bed earlier than they were caught; by how much the file does not "
        "say (line under [samples]), so nothing is taken off."
    )
    if runs:
        stay = np.array([run.stay_min for run in runs])
        if np.isfinite(stay).all():
            yield (
                f"Water stays in the bed for {stay.min():.2g} to {stay.max():.2g} min (void over "
                "flow). The curves are of what leaves it; of runs known by samples alone the "
                "first minutes, and with them the end value, are the model's word."
            )
    yield (
        "Amounts are per gram of dry feed as weighed."
        if _derives(campaign)
        else "Amounts are per gram of feed as weighed, or where it was not of the bed's planned "
        "mass"
        + (", less its moisture." if campaign.feed.moisture is not None else ", taken as dry.")
    )


# ------------------------------------------------------------------------------- a run's facts


def _run_of(campaign: Campaign, row: LedgerRow, notices: list[Notice]) -> _Run | None:
    settings = as_recorded.achieved_settings([row])
    conditions = campaign.conditions(settings)
    feed, why = _dry_feed_g(campaign, row, settings)
    if why or feed is None or not feed > 0 or conditions.flow_mL_min is None:
        what = f"Run {row.run}: no extraction curve, as {why or 'its flow is not known'}."
        notices.append(Notice("no-curve", what))
        return None
    flow = float(np.atleast_1d(conditions.flow_mL_min)[0])
    if not flow > 0:
        notices.append(Notice("no-curve", f"Run {row.run}: no extraction curve without flow."))
        return None
    end = float(np.atleast_1d(conditions.time_min)[0])
    hot = float(np.atleast_1d(conditions.temperature_C)[0])
    stay = float(rig_room.derived(campaign.rig, conditions)["residence_time_min"][0])
    return _Run(row, feed, flow, end, hot, stay, settings[0])


def _dry_feed_g(
    campaign: Campaign, row: LedgerRow, settings: FloatArray
) -> tuple[float | None, str]:
    """Return the dry feed of a run [g], or why it is not known."""
    columns = campaign.schema.weighed_columns
    weighed = dict(zip(columns, row.weighed or (None,) * len(columns), strict=True))
    feed, own = weighed.get("feed_g"), weighed.get("feed_moisture_pct")
    usual = campaign.feed.moisture_of(row.lot)
    moisture = usual if own is None else own / 100
    if not _derives(campaign):
        moisture = moisture or 0.0
        planned = campaign.conditions(settings).bed_mass_g
        if feed is None and planned is not None:
            feed = float(np.atleast_1d(planned)[0])
    if feed is None:
        return None, "feed_g is not recorded"
    if moisture is None:
        return None, "the moisture of its feed is not recorded"
    return feed * (1 - moisture), ""


def _derives(campaign: Campaign) -> bool:
    """Tell whether responses are derived from the feed, so that its dry mass is asked for."""
    return any(response.source for response in campaign.responses)


# --------------------------------------------------------------------------- what was caught when


def _timed_runs(
    campaign: Campaign, run: _Run, bottles: Sequence[Bottle], notices: list[Notice]
) -> Iterator[TimedRun]:
    """Yield the timed portions of a run for each thing that they were assayed for."""
    line = (campaign.samples.line if campaign.samples is not None else None) or 0.0
    try:
        portions = [portion_of(bottle, campaign.assayed, campaign.feed) for bottle in bottles]
        caught = list(_caught(run, bottles, portions, line / run.flow_mL_min, notices))
        for name in (SOLIDS, *campaign.assayed):
            amounts = [(one, held(one.portion, name)) for one in caught]
            known = [(one, amount) for one, amount in amounts if amount is not None]
            if known:
                yield _timed_run(campaign, run, name, known, len(known) == len(amounts))
    except ResultsError as error:
        what = f"Run {run.row.run}: no extraction curve: {error.problems[0]}"
        notices.append(Notice("no-curve", what))


def _caught(
    run: _Run,
    bottles: Sequence[Bottle],
    portions: Sequence[Portion],
    lag_min: float,
    notices: list[Notice],
) -> Iterator[_Caught]:
    """Yield samples and drains in the order in which they began, as far as they can be counted."""
    draws = {
        bottle.label: draw
        for bottle, portion in zip(bottles, portions, strict=True)
        if bottle.kind == "sample" and (draw := _draw(run, bottle, portion)) is not None
    }
    drains = [b for b in bottles if b.kind == "drain" and "time_min" in b.cells]
    bases = _bases(run, bottles, drains, notices)
    found = []
    for bottle, portion in zip(bottles, portions, strict=True):
        stretches: tuple[tuple[float, float], ...]
        drained = bottle.label in bases
        if bottle.label in draws:
            stretches = (draws[bottle.label][1:],)
        elif drained:
            between = bases[bottle.label], bottle.cells["time_min"]
            taken = [(begin, end) for begin, _, end in draws.values()]
            stretches = tuple(_less(between, taken))
            notices += _odd_volume(run, portion, stretches)
        else:
            continue
        at = tuple((a - lag_min, b - lag_min) for a, b in stretches)
        if not at or at[0][0] < -1e-9 or at[-1][1] > run.end_min + 1e-6:
            notices.append(Notice(OUTSIDE, f"{bottle.label} of run {run.row.run}"))
            continue
        at = tuple((max(a, 0.0), b) for a, b in at)
        found.append(_Caught(bottle.label, portion, at, drained))
    yield from sorted(found, key=lambda one: one.stretches[0][0])


def _draw(run: _Run, bottle: Bottle, portion: Portion) -> tuple[float, float, float] | None:
    """Return when a draw began, when its discard had left, and when it ended [min].

    A mass without a density stands for as many mL: water near room temperature (from memory).
    """
    volume = portion.volume_mL
    if volume is None and portion.mass_g is not None:
        volume = portion.mass_g / (portion.density_g_mL or 1.0)
    began = bottle.cells.get("time_min")
    if began is None or not volume:
        return None
    start = began + (portion.discard_mL or 0.0) / run.flow_mL_min
    return began, start, start + volume / run.flow_mL_min


def _bases(
    run: _Run, bottles: Sequence[Bottle], drains: Sequence[Bottle], notices: list[Notice]
) -> dict[str, float]:
    """Return for each drain that counts when the drain before it was made [min]."""
    untimed = [b.label for b in bottles if b.kind == "drain" and "time_min" not in b.cells]
    if drains and untimed:
        what = (
            f"Run {run.row.run}: its drains are on no extraction curve, as {', '.join(untimed)} "
            "has no time_min: what lies between two drains is not known."
        )
        notices.append(Notice("drain-without-time", what))
        return {}
    ordered = sorted(drains, key=lambda bottle: bottle.cells["time_min"])
    times = [bottle.cells["time_min"] for bottle in ordered]
    if len(set(times)) < len(times):
        what = f"Run {run.row.run}: two drains at the same minute, so they are on no curve."
        notices.append(Notice("drain-twice", what))
        return {}
    return {after.label: before.cells["time_min"] for before, after in itertools.pairwise(ordered)}


def _less(
    whole: tuple[float, float], taken: Sequence[tuple[float, float]]
) -> Iterator[tuple[float, float]]:
    """Yield what is left of a stretch after others are taken out of it."""
    at, end = whole
    for start, stop in sorted(taken):
        if stop <= at or start >= end:
            continue
        if start > at:
            yield at, start
        at = max(at, stop)
    if at < end:
        yield at, end


def _odd_volume(
    run: _Run, portion: Portion, stretches: Sequence[tuple[float, float]]
) -> Iterator[Notice]:
    """Yield a notice where a drain holds far more or less than the pump delivered meanwhile."""
    volume = portion.volume_mL if portion.volume_mL is not None else portion.mass_g
    pumped = run.flow_mL_min * sum(end - start for start, end in stretches)
    if volume is not None and pumped > 0 and abs(volume / pumped - 1) > VOLUME_OFF:
        what = (
            f"Run {run.row.run}: {portion.label} holds {volume:.3g} mL where the pump delivered "
            f"{pumped:.3g} mL since the drain before. Is its time or its volume a slip?"
        )
        yield Notice("drain-volume", what)


def _timed_run(
    campaign: Campaign,
    run: _Run,
    name: str,
    known: Sequence[tuple[_Caught, Figure]],
    complete: bool,
) -> TimedRun:
    amounts = [figure.scaled(1000 / run.feed_g) for _, figure in known]
    low, high = (np.array([getattr(a, side) for a in amounts]) for side in ("low", "high"))
    stretches = [(i, *ends) for i, (one, _) in enumerate(known) for ends in one.stretches]
    portion, start, end = (np.array(column) for column in zip(*stretches, strict=True))
    sd = np.hypot(RELATIVE * high, FLOOR * max(float(high.max()), 1e-12))
    timed = Timed(portion.astype(np.intp), start, end, low, high, sd)
    drained = [one for one, _ in known if one.is_drain]
    summed = complete and len(drained) >= 2 and bool(timed.measured.all())
    return TimedRun(
        run.row.run,
        name,
        timed,
        tuple(one.label for one, _ in known),
        np.array([math.nan if a.sd is None else a.sd for a in amounts]),
        summed,
        min(one.stretches[0][0] for one in drained) if summed else 0.0,
        ", ".join(_settings_words(campaign, run)),
        run.end_min,
        run.flow_mL_min,
        run.flow_mL_min / run.feed_g,
    )


def _settings_words(campaign: Campaign, run: _Run) -> Iterator[str]:
    for factor, value in zip(campaign.space, run.settings, strict=True):
        if isinstance(factor, CategoricalFactor):
            yield setting_text(factor, float(value))
        else:
            yield f"{float(f'{value:.4g}'):g}\N{NO-BREAK SPACE}{factor.unit}".rstrip()


# ------------------------------------------------------------------------- runs of different flow


def _flow_tests(
    campaign: Campaign, curves: Sequence[JudgedCurve], runs: Sequence[_Run]
) -> Iterator[FlowTest]:
    """Yield what groups of runs say that are alike but for flow and time."""
    for name in dict.fromkeys(curve.timed.of for curve in curves):
        left = [i for i, curve in enumerate(curves) if curve.timed.of == name]
        while left:
            group = [i for i in left if _alike(campaign, runs[left[0]], runs[i])]
            left = [i for i in left if i not in group]
            found = flow_test([curves[i] for i in group])
            if found is not None:
                yield found


def _paces(
    campaign: Campaign, curves: Sequence[JudgedCurve], runs: Sequence[_Run]
) -> Iterator[Pace]:
    """Yield how rates follow temperature and flow over all runs, where nothing else was varied."""
    if any(factor.name not in (*FREE, "temperature", "bed_mass") for factor in campaign.space):
        return
    for name in dict.fromkeys(curve.timed.of for curve in curves):
        own = [i for i, curve in enumerate(curves) if curve.timed.of == name]
        found = pace([curves[i] for i in own], np.array([runs[i].temperature_C for i in own]))
        if found is not None:
            yield found


def _alike(campaign: Campaign, one: _Run, other: _Run) -> bool:
    if one.row.lot != other.row.lot:
        return False
    for factor, a, b in zip(campaign.space, one.settings, other.settings, strict=True):
        if factor.name in FREE:
            continue
        if isinstance(factor, CategoricalFactor):
            apart = 0.0
        elif factor.name == "temperature":
            apart = ALIKE_K
        else:
            apart = ALIKE_SHARE * (factor.high - factor.low)
        if abs(a - b) > apart:
            return False
    return True


def _told_together(notices: Sequence[Notice]) -> Iterator[Notice]:
    """Yield the notices, with one for all portions that were caught outside the extraction."""
    names = [notice.what for notice in notices if notice.code == OUTSIDE]
    yield from (notice for notice in notices if notice.code != OUTSIDE)
    if names:
        more = f" and {len(names) - 6} more" if len(names) > 6 else ""
        what = (
            "On no extraction curve, as not all of it left the bed between reaching the set "
            f"temperature and the run's end: {', '.join(names[:6])}{more}."
        )
        yield Notice(OUTSIDE, what)


def _unfitted(curves: Sequence[JudgedCurve]) -> Iterator[Notice]:
    """Yield one notice on curves that no model could be fitted to, by what is in the way."""
    reasons: dict[str, list[str]] = {}
    for curve in curves:
        if curve.models.chosen is None:
            why = curve.models.refusals[0].why
            reasons.setdefault(why, []).append(f"{curve.timed.of} of run {curve.timed.run}")
    for why, names in reasons.items():
        more = f" and {len(names) - 4} more" if len(names) > 4 else ""
        what = f"No extraction curve is fitted to {', '.join(names[:4])}{more}: {why}."
        yield Notice("curve-not-fitted", what)
