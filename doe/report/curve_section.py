"""What a page says of extraction curves: each run's, its length, and what flow does to the pace.

Pictures and tables of what `kinetics` fitted and `analysis.extraction` judged.

Shapes: n portions of a run.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup

from doe.digits import bearing, between, percent, plain, with_unit
from doe.kinetics import Interval
from doe.report.page import (
    Section,
    bullets,
    figure_html,
    folded,
    folded_evidence,
    folded_figure,
    folded_panels,
    joined,
    panels_html,
    prose,
    small_heading,
    table_html,
)
from doe.report.pictures import (
    Axis,
    Band,
    Crosses,
    Curve,
    Panels,
    Picture,
    Points,
    Table,
    padded_axis,
)
from doe.wording import capital, listed

if TYPE_CHECKING:
    from doe.analysis.extraction import ExtractionCurves, FlowTest, JudgedCurve, Pace, TimedRun
    from doe.factors import FloatArray
    from doe.kinetics import CurveFit, PaceFit

__all__ = [
    "campaign_sentences",
    "curve_section",
    "flow_sentences",
    "length_sentence",
    "pace_sentence",
]

PANELS_FIRST = 6
TOGETHER_MOST = 5
"""Curves that one picture carries with their bands; beyond, the table has them."""
STEPS = 81
OVER = 20.0
"""Heights of a plot up to which a curve is drawn on, to be cut off at its edge."""
HARDLY = 0.1
"""Share by which a time differs over the temperatures of all runs below which it hardly does."""
SAID_FIRST = 4
AFTER = 1.1
"""Times the last portion's end from which on the end of a run lies beyond it."""
MODELS_WORD = "model’s word"
"""Stands beside every number that lies beyond the last portion of a curve still rising."""
TESTS_FIRST = 2
WORDS = {
    "time": "That speaks for release or diffusion inside the solid: curves coincide against time, "
    "and a higher flow only takes more water.",
    "water": "That speaks for partition between solid and water: curves coincide against water per "
    "solid, and a higher flow brings the same with the same water, sooner.",
    "between": "So both play a part: a higher flow is faster, yet takes more water for the same.",
    "neither": "Neither time nor water alone explains that: look for channels in the bed, or for "
    "something else in which these runs differ.",
    "open": "Both are possible: these runs do not tell whether time or water sets the pace.",
}
FINDINGS = {
    "time": "coincide against time, not against water",
    "water": "coincide against water per solid, not against time",
    "between": "lie between coinciding against time and against water",
    "neither": "coincide neither against time nor against water",
    "open": "do not tell time from water",
}
VERDICTS = (
    ("ended early", "ended while it still rose", "ended while it still rose"),
    ("ran on", "had it out before half its time", "had it out before half their time"),
    ("well ended", "was level at its end", "were level at their end"),
    ("open", "does not say whether it was long enough", "do not say whether they were long enough"),
)
FITTED_HOW = (
    "Amounts of single portions are fitted, weighted, with independent errors, never their running "
    "sum, whose points carry each other’s errors. For weighing portions against each other each is "
    "taken to scatter by 5 % of what it holds and by 1 % of what the largest does (common "
    "practice); how large the scatter really is the residuals tell. What is below detection counts "
    "only where a curve goes beyond the limit. Intervals (95 %, profile likelihood) take the model "
    "as right; scatter of the feed’s mass or of the flow shifts a whole curve and is not in them."
)
MODELS_HOW = (
    "S∞ end value, R share of it that is out after t min. First order R = 1 − exp(−kt); elution in "
    "equilibrium gives the same with k = u/K, u water per solid and minute. Peleg R = t/(τ + t). "
    "Weibull R = 1 − exp(−(t/α)^β). Two-site R = 1 − F exp(−k₁t) − (1 − F) exp(−k₂t). The model "
    "of fewest parameters within 2 of the smallest AICc is gone by. Rates over all runs: ln k "
    "straight in 1/T (centred) and ln u, a run one observation, weighted by what its portions tell "
    "and by the scatter from run to run."
)


def curve_section(found: ExtractionCurves) -> Section | None:
    """Return curves, their lengths and what flow does; None without timed portions."""
    if not found.curves:
        return None
    names = list(dict.fromkeys(curve.timed.of for curve in found.curves))
    parts: list[Markup | str] = []
    for number, name in enumerate(names, start=1):
        curves = [curve for curve in found.curves if curve.timed.of == name]
        tests = [test for test in found.tests if test.curves[0].timed.of == name]
        parts.append(small_heading(capital(name)) if len(names) > 1 else "")
        parts += _of_one(number, curves, tests)
        parts += [
            _pace_html(f"curves-{number}-rates", pace)
            for pace in found.paces
            if pace.curves[0].timed.of == name
        ]
    parts += [
        prose(found.assumed),
        folded("How the curves were fitted", prose([FITTED_HOW, MODELS_HOW])),
    ]
    return Section("curves", "Extraction curves", joined(*parts), "Curves")


def _of_one(
    number: int, curves: Sequence[JudgedCurve], tests: Sequence[FlowTest]
) -> Iterator[Markup | str]:
    """Yield what there is of one thing that was assayed."""
    yield prose([length_sentence(curves)], "lead")
    fitted = [curve for curve in curves if curve.models.chosen is not None]
    if fitted:
        said = [text for curve in fitted for text in _length_words(curve)]
        yield bullets(said[:SAID_FIRST])
        more = bullets(said[SAID_FIRST:])
        left = len(said) - SAID_FIRST
        runs = "run" if left == 1 else "runs"
        yield folded(f"{left} more {runs} of unfit length", more) if more else ""
        yield prose(tuple(_beyond_words(fitted)))
    meanings = [flow_sentences(test)[1] for test in tests]
    yield prose(meanings[:TESTS_FIRST])
    if fitted:
        yield from _figures(f"curves-{number}", fitted, number == 1)
        yield folded_evidence(
            "How long each run needed, and what its curve ends at",
            table_html(_length_table(fitted)),
            folded("The models of each run", table_html(_model_table(fitted))),
        )
    shown = [_flow_html(f"curves-{number}-flow-{i}", test) for i, test in enumerate(tests)]
    yield from shown[:TESTS_FIRST]
    if shown[TESTS_FIRST:]:
        rest = zip(shown[TESTS_FIRST:], meanings[TESTS_FIRST:], strict=True)
        parts = [part for flow, meaning in rest for part in (prose([meaning]), flow)]
        yield folded("Other runs of different flow", joined(*parts))
    if fitted and not tests:
        yield prose([_untold(fitted)])


def _flow_html(key: str, test: FlowTest) -> Markup:
    return folded_panels(_flow_panels(key, test), prose([flow_sentences(test)[2]]))


# ------------------------------------------------------------------------------------ words


def length_sentence(curves: Sequence[JudgedCurve]) -> str:
    """Return when the curves of one assay level out, and whether their runs were long enough."""
    name = capital(curves[0].timed.of)
    reached = sorted(c.reached.value for c in curves if c.reached is not None)
    if not reached:
        return (
            f"{name}: {_runs(curves)} timed portions, too few for a curve "
            f"({curves[0].models.refusals[0].why})."
        )
    told = [
        words
        for verdict, one, several in VERDICTS
        if (words := _of_verdict(curves, verdict, one, several))
    ]
    word = f" ({MODELS_WORD} of {_some(curves)}, not level at their last portion)"
    out = f"{name}: 90 % of the fitted end value is out after {_range(reached)} min"
    out += word if any(curve.beyond for curve in curves) else ""
    return f"{'. '.join([out, *told])}."


def _beyond_words(curves: Sequence[JudgedCurve]) -> Iterator[str]:
    """Yield what the ranges of a table of lengths rest on."""
    if any(curve.beyond for curve in curves):
        yield (
            f"{capital(MODELS_WORD)}: the curve had not levelled by its last portion; beyond that "
            "the number is the models’ word. The range is over all models that the portions do not "
            "refute."
        )
    if not all(curve.beyond for curve in curves):
        yield (
            "The other ranges are over all such models’ curves with 90 % out by the last portion. "
            "A part of the solid that gives so slowly that it hardly shows is never excluded."
        )
    for names, runs in _unjudged(curves).items():
        yield f"Portions too few, or begun too late, to judge {names}: {runs}."


def _some(curves: Sequence[JudgedCurve]) -> str:
    """Return how many of the curves had not levelled."""
    fitted = [curve for curve in curves if curve.models.chosen is not None]
    return f"{sum(curve.beyond for curve in fitted)} of {len(fitted)} runs"


def _unjudged(curves: Sequence[JudgedCurve]) -> dict[str, str]:
    """Return the runs by the models that their portions are too few to judge."""
    found: dict[str, list[str]] = {}
    for curve in curves:
        if curve.models.unjudged:
            names = listed([model.name for model in curve.models.unjudged])
            found.setdefault(names, []).append(str(curve.timed.run))
    return {
        names: f"{'run' if len(runs) == 1 else 'runs'} {listed(runs)}"
        for names, runs in found.items()
    }


def _range(values: Sequence[float]) -> str:
    """Return rising values by their ends."""
    first, last = plain(values[0], 2), plain(values[-1], 2)
    return first if first == last else f"{first} to {last}"


def _of_verdict(curves: Sequence[JudgedCurve], verdict: str, one: str, several: str) -> str:
    runs = [str(c.timed.run) for c in curves if c.reached is not None and c.verdict == verdict]
    if not runs:
        return ""
    return f"Run {runs[0]} {one}" if len(runs) == 1 else f"Runs {listed(runs)} {several}"


def _runs(curves: Sequence[JudgedCurve]) -> str:
    return f"{len(curves)} run{'s have' if len(curves) > 1 else ' has'}"


def _length_words(curve: JudgedCurve) -> Iterator[str]:
    """Yield what a run's length cost, where the intervals are clear about it."""
    assert curve.reached is not None
    assert curve.rising is not None
    run, reached, rising = curve.timed, curve.reached, curve.rising
    if curve.verdict == "ended early":
        yield (
            f"Run {run.run} was stopped early: at its end after {plain(run.end_min, 3)} min "
            f"{run.of} still rises by {_percents(rising)} per 10 min ({MODELS_WORD})."
        )
    elif curve.verdict == "ran on":
        over = run.end_min - reached.value
        yield (
            f"Run {run.run} could have been shorter: 90 % was out after {_minutes(reached)} of its "
            f"{plain(run.end_min, 3)} min; the other {plain(over, 2)} min took "
            f"{with_unit(plain(over * run.flow_mL_min, 2), 'mL')} of water."
        )


def campaign_sentences(found: ExtractionCurves) -> Iterator[str]:
    """Yield when curves level, which runs' lengths were unfit, and what flow does: one each."""
    names = list(dict.fromkeys(curve.timed.of for curve in found.curves))
    if not names:
        return
    after: dict[str, list[str]] = {}
    for name in names:
        after.setdefault(_out_after(found, name), []).append(name)
    told = [f"{listed(of)} {words}" for words, of in after.items()]
    yield f"90 % of the end value is out: {'; '.join(told)}."
    lengths = [
        f"{_gathered(runs)} {several if len(runs) > 1 else one}"
        for verdict, one, several in VERDICTS[:2]
        if (runs := sorted({c.timed.run for c in found.curves if c.verdict == verdict}))
    ]
    if lengths:
        yield f"{capital('; '.join(lengths))}."
    findings: dict[str, list[str]] = {}
    for test in found.tests:
        assayed = findings.setdefault(FINDINGS[test.speaks_for], [])
        if test.curves[0].timed.of not in assayed:
            assayed.append(test.curves[0].timed.of)
    if findings:
        told = [f"{listed(of)} {words}" for words, of in findings.items()]
        yield f"Runs alike but for flow: {'; '.join(told)}."


def _out_after(found: ExtractionCurves, name: str) -> str:
    curves = [c for c in found.curves if c.timed.of == name]
    reached = sorted(c.reached.value for c in curves if c.reached is not None)
    if not reached:
        return "not told, as portions are too few for a curve"
    word = f" ({MODELS_WORD} of {_some(curves)})" if any(c.beyond for c in curves) else ""
    return f"after {_range(reached)} min{word}"


def _gathered(runs: Sequence[int]) -> str:
    return f"run{'s' if len(runs) > 1 else ''} {listed([str(run) for run in runs])}"


def flow_sentences(test: FlowTest) -> tuple[str, str, str]:
    """Return what runs alike but for flow say: the finding, what it means, and the figures."""
    runs = [curve.timed for curve in test.curves]
    found = test.found
    flows = listed([plain(run.flow_mL_min, 3) for run in runs])
    named = listed([str(run.run) for run in runs])
    exponent = _interval(found.exponent.value, found.exponent.low, found.exponent.high)
    return (
        f"{capital(runs[0].of)}: runs {named} {FINDINGS[test.speaks_for]}",
        f"Runs {named} are alike but for flow ({flows} mL/min). The pace of their curves goes with "
        f"the flow per solid to the power {exponent}: 0 would be time alone, 1 water alone. "
        f"{WORDS[test.speaks_for]}",
        "Weighted sum of squares about curves of one shape, each run with its own end value "
        f"({found.model.name}): {plain(found.rss_time, 3)} against time, "
        f"{plain(found.rss_water, 3)} against water, {plain(found.rss, 3)} at the best power, with "
        f"{found.df} degrees of freedom. If the pace of a run may be off by 10 % for reasons other "
        f"than flow, the interval of the power widens to {_ends(test.low, test.high)}; the verdict "
        "goes by that.",
    )


def _untold(curves: Sequence[JudgedCurve]) -> str:
    return (
        "No two of these runs are alike but for a flow that differs by a third or more, with "
        "portions enough: nothing tells whether time or water sets the pace. At one flow, first "
        "order and elution in equilibrium with the solid give the same curve. Two runs at one "
        "temperature and different flow would tell."
    )


def _interval(value: float, low: float, high: float) -> str:
    return f"{value:.2f} ({_ends(low, high)})".replace("-", "−")


def _ends(low: float, high: float) -> str:
    below = "below −1" if math.isinf(low) else f"{low:.2f}".replace("-", "−")
    above = "beyond 2" if math.isinf(high) else f"{high:.2f}".replace("-", "−")
    return f"{below} to {above}"


def _minutes(at: Interval) -> str:
    return _estimate(at).replace(" (", " min (", 1)


def _percents(share: Interval) -> str:
    return _estimate(_times(share, 100)).replace(" (", " % (", 1)


def _rise(share: Interval) -> str:
    return "under 1" if share.high < 0.01 else _estimate(_times(share, 100))


def _times(at: Interval, factor: float) -> Interval:
    return replace(at, value=factor * at.value, low=factor * at.low, high=factor * at.high)


def _estimate(at: Interval) -> str:
    """Return an estimate and its interval in at most three digits; what nothing bounds, so."""
    if math.isinf(at.low):
        ends = "no bound" if math.isinf(at.high) else f"{plain(at.high, 2)} or less"
        return f"{plain(at.value, 2)} ({ends})"
    if math.isinf(at.high):
        return f"{plain(at.value, 2)} ({plain(at.low, 2)} or more)"
    half = max((at.high - at.low) / 2, 10.0 ** (math.floor(math.log10(max(at.high, 1e-9))) - 1))
    return f"{bearing(at.value, half)} ({between(at.low, at.high, half)})"


# ---------------------------------------------------------------------------------- figures


def _figures(key: str, curves: Sequence[JudgedCurve], first: bool) -> Iterator[Markup]:
    """Yield the curves of runs, those known by their sum apart from those known by their pace.

    Of what was assayed first one picture stands open: all curves together, where they are known by
    their pace.
    """
    summed = [curve for curve in curves if curve.timed.summed]
    paced = [curve for curve in curves if not curve.timed.summed]
    if paced:
        together = _together(f"{key}-together", paced[:TOGETHER_MOST], len(paced))
        yield figure_html(together) if first else folded_figure(together)
    for kind, group in (("sum", summed), ("pace", paced)):
        if group:
            shown, rest = group[:PANELS_FIRST], group[PANELS_FIRST:]
            panels = _run_panels(f"{key}-{kind}", kind, shown, group)
            yield panels_html(panels) if first and not paced else folded_panels(panels)
            if rest:
                more = _run_panels(f"{key}-{kind}-more", kind, rest, group)
                yield folded(f"{len(rest)} more runs", panels_html(more))


def _run_panels(
    key: str, kind: str, curves: Sequence[JudgedCurve], group: Sequence[JudgedCurve]
) -> Panels:
    """Return a panel a run, all of a group on the same axes."""
    name = curves[0].timed.of
    longest = max(curve.timed.end_min for curve in group)
    drawn = [_drawn(curve, kind) for curve in group]
    highest = max(float(part.max()) for one in drawn for part in one)
    if kind == "sum":
        y = Axis(f"{name} out", "mg/g of dry feed", 0.0, 1.06 * highest)
        marks = (
            "A dot is what is out when a portion was taken off: the sum of all portions so far, "
            "begun on the curve where the first of them begins."
        )
    else:
        y = Axis(f"{name} leaving", "mg/(g min)", 0.0, 1.06 * highest)
        marks = (
            "A dot is a portion: what it holds over the minutes in which it was caught, whose span "
            "is the bar across it. What left between samples was not seen."
        )
    x = Axis("extraction", "min", 0.0, longest)
    early = sum(curve.verdict == "ended early" for curve in curves)
    still = f"; {early} of {len(curves)} runs ended while it still rose" if early else ""
    times = sorted(curve.reached.value for curve in curves if curve.reached is not None)
    word = f" ({MODELS_WORD} of {_some(curves)})" if any(c.beyond for c in curves) else ""
    state = f"{capital(name)} has 90 % of its end value out after {_range(times)} min{word}{still}"
    return Panels(
        key,
        state,
        f"{marks} Bars up and down: two standard deviations, where scatter was recorded; a bar "
        "without a dot is a portion below detection. Line and band: the fitted curve and its 95 % "
        "interval. Dashed: when 90 % of the end value is out.",
        tuple(_run_picture(f"{key}-{i}", kind, curve, x, y) for i, curve in enumerate(curves)),
        _portions_table(curves),
    )


def _run_picture(key: str, kind: str, curve: JudgedCurve, x: Axis, y: Axis) -> Picture:
    run, fit = curve.timed, curve.models.chosen
    assert fit is not None
    assert curve.reached is not None
    t = _times_drawn(run, kind)
    mean, low, high = _curve_of(run, fit, kind, t)
    top = y.high
    layers: list[Band | Curve | Crosses | Points] = [
        Band(t, np.minimum(low, OVER * top), np.minimum(high, OVER * top), "95 % interval"),
        Curve(t, np.minimum(mean, OVER * top), ""),
    ]
    if curve.reached.value < x.high:
        at = np.full(2, curve.reached.value)
        word = f", {MODELS_WORD}" if curve.beyond else ""
        label = f"90 %: {plain(curve.reached.value, 2)} min{word}"
        layers.append(Curve(at, np.array([0.0, top]), label, "soft-ink", dashed=True))
    layers += _marks(run, fit, kind)
    title = f"Run {run.run}: {run.settings}"
    return Picture(key, title, "", x, y, tuple(layers), Table((), ()))


def _curve_of(
    run: TimedRun, fit: CurveFit, kind: str, t: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    return fit.released(t) if kind == "sum" else fit.rate(t, _window(run))


def _times_drawn(run: TimedRun, kind: str) -> FloatArray:
    first = 0.0 if kind == "sum" else _window(run) / 2
    return np.linspace(first, run.end_min, STEPS)


def _window(run: TimedRun) -> float:
    """Return how long a portion was caught, as a rule [min]."""
    return float(np.median(run.timed.end - run.timed.start))


def _drawn(curve: JudgedCurve, kind: str) -> tuple[FloatArray, ...]:
    """Return what a panel has to have room for: points, and the curve where there are any."""
    run, fit = curve.timed, curve.models.chosen
    assert fit is not None
    x, y, _ = _points(run, fit, kind)
    return y, _curve_of(run, fit, kind, np.append(x, run.end_min))[0]


def _points(run: TimedRun, fit: CurveFit, kind: str) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return where portions stand (n,), how high (n,), and how much of that one mg/g is (n,)."""
    timed = run.timed
    n = len(timed.low)
    begin = np.array([timed.start[timed.portion == i].min() for i in range(n)])
    finish = np.array([timed.end[timed.portion == i].max() for i in range(n)])
    middle = (timed.low + timed.high) / 2
    if kind == "sum":
        order = np.argsort(finish, kind="stable")
        sums = np.empty(n)
        sums[order] = np.cumsum(middle[order])
        return finish, fit.released(run.since_min)[0] + sums, np.ones(n)
    lasted = np.array([(timed.end - timed.start)[timed.portion == i].sum() for i in range(n)])
    return (begin + finish) / 2, middle / lasted, 1 / lasted


def _marks(run: TimedRun, fit: CurveFit, kind: str) -> Iterator[Crosses | Points]:
    """Yield portions as dots with what is known of their scatter, limits as bars."""
    timed = run.timed
    x, y, unit = _points(run, fit, kind)
    spread = np.where(np.isfinite(run.sd), 2 * np.nan_to_num(run.sd), 0.0)
    low = np.where(timed.measured, y - spread * unit, y - (timed.high - timed.low) / 2 * unit)
    high = np.where(timed.measured, y + spread * unit, y + (timed.high - timed.low) / 2 * unit)
    half = np.zeros(len(x))
    if kind != "sum":
        half = np.array(
            [np.ptp(np.r_[timed.start[timed.portion == i], timed.end[timed.portion == i]]) / 2
             for i in range(len(x))]
        )  # fmt: skip
    yield Crosses(x, x - half, x + half, y, np.maximum(low, 0.0), high)
    seen = timed.measured
    yield Points("done", x[seen], y[seen], ("",) * int(seen.sum()))


def _together(key: str, curves: Sequence[JudgedCurve], of: int) -> Picture:
    """Return the summed curves of runs of which only samples are known, in one picture."""
    name = curves[0].timed.of
    end = max(curve.timed.end_min for curve in curves)
    t = np.linspace(0.0, end, STEPS)
    layers: list[Band | Curve] = []
    highest = 0.0
    at_end = []
    for curve in curves:
        fit = curve.models.chosen
        assert fit is not None
        own = t[t <= curve.timed.end_min]
        mean, low, high = fit.released(own)
        highest = max(highest, float(mean.max()), min(float(high.max()), 1.6 * float(mean.max())))
        at_end.append((float(mean[-1]), curve.timed.run))
        layers += [Band(own, low, high, ""), Curve(own, mean, f"run {curve.timed.run}")]
    cut = [_cut(layer, highest) for layer in layers]
    some = f" (the first {len(curves)} of {of} runs)" if of > len(curves) else ""
    best = max(at_end)
    return Picture(
        key,
        f"By the fitted curves run {best[1]} brings most {name}, {plain(best[0], 3)} mg/g by its "
        "end",
        "Each line is a run’s fitted curve summed up, with its 95 % interval"
        f"{some}. Samples show what left while they were drawn; what left before the first and "
        "between them is the model’s word.",
        Axis("extraction", "min", 0.0, end),
        Axis(f"{name} out", "mg/g of dry feed", 0.0, 1.06 * highest),
        tuple(cut),
        _out_table(curves),
    )


def _flow_panels(key: str, test: FlowTest) -> Panels:
    """Return the curves of runs of different flow, against time and against water per solid."""
    curves = test.curves
    kind = "sum" if all(curve.timed.summed for curve in curves) else "pace"
    flows = listed([f"{c.timed.run} at {plain(c.timed.flow_mL_min, 2)} mL/min" for c in curves])
    return Panels(
        key,
        flow_sentences(test)[0],
        "The same runs twice, first against time, then against the water passed per gram "
        "of dry feed. Where the curves lie on each other is what sets the pace. Beside dots stand "
        f"runs: {flows}.",
        (
            _flow_picture(f"{key}-time", kind, curves, water=False),
            _flow_picture(f"{key}-water", kind, curves, water=True),
        ),
        _portions_table(curves),
    )


def _flow_picture(key: str, kind: str, curves: Sequence[JudgedCurve], water: bool) -> Picture:
    name = curves[0].timed.of
    layers: list[Band | Curve | Points] = []
    ends, tops = [], []
    for curve in curves:
        run, fit = curve.timed, curve.models.chosen
        assert fit is not None
        u = run.water_mL_g_min if water else 1.0
        by = u if kind == "pace" else 1.0
        t = _times_drawn(run, kind)
        mean, low, high = _curve_of(run, fit, kind, t)
        x, y, _ = _points(run, fit, kind)
        tops.append(max(float(y.max()), float(np.interp(x, t, mean).max())) / by)
        ends.append(u * run.end_min)
        layers += [
            Band(u * t, low / by, high / by, ""),
            Curve(u * t, mean / by, ""),
            Points("done", u * x, y / by, (str(run.run),) * len(x)),
        ]
    top = 1.08 * max(tops)
    cut = [_cut(layer, top) for layer in layers]
    across = Axis("water per dry feed", "mL/g", 0.0, max(ends))
    if not water:
        across = Axis("extraction", "min", 0.0, max(ends))
    up = Axis(f"{name} out", "mg/g of dry feed", 0.0, top)
    if kind == "pace":
        up = Axis(f"{name} leaving", "mg/mL" if water else "mg/(g min)", 0.0, top)
    title = "Against water per solid" if water else "Against time"
    return Picture(key, title, "", across, up, tuple(cut), Table((), ()))


def _cut(layer: Band | Curve | Points, top: float) -> Band | Curve | Points:
    if isinstance(layer, Band):
        low, high = np.minimum(layer.low, OVER * top), np.minimum(layer.high, OVER * top)
        return Band(layer.x, low, high, layer.label)
    if isinstance(layer, Curve):
        return Curve(layer.x, np.minimum(layer.y, OVER * top), layer.label)
    return layer


def _pace_html(key: str, pace: Pace) -> Markup:
    """Return how the rates of all runs follow temperature and flow, or why that cannot be told."""
    if isinstance(pace.found, str):
        return prose([f"Rates over all runs: {pace.found}."])
    return joined(folded_figure(_pace_picture(key, pace, pace.found)), prose([pace_sentence(pace)]))


def pace_sentence(pace: Pace) -> str:
    """Return activation energy, power of the flow, and scatter from run to run."""
    fit = pace.found
    assert not isinstance(fit, str)
    name = pace.curves[0].timed.of
    what = "rate k" if pace.model.name == "first order" else "rate 1/α (Weibull)"
    flow = ""
    if fit.exponent is not None:
        p = fit.exponent
        flow = f" and goes with the flow per solid to the power {_interval(p.value, p.low, p.high)}"
    left = f" {pace.left} more have portions too few to bound a rate." if pace.left else ""
    share = plain(100 * math.expm1(fit.scatter), 2)
    scatter = (
        "beyond what portions explain, rates do not scatter from run to run"
        if share == "0"
        else f"beyond what portions explain, rates scatter by {share} % from run to run"
    )
    return (
        f"{capital(name)}, {len(pace.curves)} runs, each counted once: the {what} follows "
        f"temperature by Arrhenius with {_estimate(fit.activation_kJ_mol)} kJ/mol, apparent, of "
        f"whatever sets the pace{flow}; {scatter} ({fit.df} degrees of freedom).{left}"
    )


def _pace_picture(key: str, pace: Pace, fit: PaceFit) -> Picture:
    """Return when 90 % is out of each run over temperature, runs brought to one flow."""
    temperatures = pace.at
    flows = np.array([curve.timed.water_mL_g_min for curve in pace.curves])
    power = 0.0 if fit.exponent is None else fit.exponent.value
    at_one = (flows / fit.flow) ** power
    out = math.log(10)
    if pace.model.name != "first order":
        shapes = [curve.by(pace.model) for curve in pace.curves]
        beta = float(np.median([one.shape[1] for one in shapes if one is not None]))
        out **= 1 / beta
    low, mean, high = (
        out / np.array([getattr(rate, end) for rate in pace.rates]) * at_one
        for end in ("high", "value", "low")
    )
    T = np.linspace(float(temperatures.min()), float(temperatures.max()), STEPS)
    rate, slowest, fastest = fit.rate(T, np.full(STEPS, fit.flow))
    top = 1.15 * float(max(mean.max(), (out / slowest).max()))
    names = tuple(str(curve.timed.run) for curve in pace.curves)
    first, last = (float((out / rate)[i]) for i in (0, -1))
    name = pace.curves[0].timed.of
    E = fit.activation_kJ_mol
    moves = "falls" if E.low > 0 else "rises" if E.high < 0 else "does not surely change"
    if abs(last / first - 1) < HARDLY:
        moves = "hardly changes"
    return Picture(
        key,
        f"Time to 90 % of the {name} {moves} with temperature: {plain(first, 2)} min at "
        f"{plain(float(T[0]), 3)} °C, {plain(last, 2)} min at {plain(float(T[-1]), 3)} °C",
        "Each dot is a run, brought to one flow per solid "
        f"({plain(fit.flow, 2)} mL/(g min)) by the fitted power; bars from its own portions. Line "
        "and band: Arrhenius over all runs, 95 % interval of the mean.",
        padded_axis("temperature", "°C", T, T),
        Axis("90 % out after", "min", 0.0, top),
        (
            Band(T, out / fastest, out / slowest, ""),
            Curve(T, out / rate, ""),
            Crosses(temperatures, temperatures, temperatures, mean, low, np.minimum(high, top)),
            Points("done", temperatures, mean, names),
        ),
        Table(
            ("run", "temperature, °C", "water, mL/(g min)", "rate, 1/min", "90 % at one flow, min"),
            tuple(
                (
                    names[i],
                    plain(float(temperatures[i])),
                    plain(float(flows[i]), 3),
                    _estimate(pace.rates[i]),
                    plain(float(mean[i]), 3),
                )
                for i in range(len(names))
            ),
            frozenset(range(5)),
        ),
    )


# ----------------------------------------------------------------------------------- tables


def _length_table(curves: Sequence[JudgedCurve]) -> Table:
    rows = []
    for curve in curves:
        run = curve.timed
        assert curve.reached is not None
        assert curve.rising is not None
        assert curve.end is not None
        assert curve.out is not None
        word = f", {MODELS_WORD}" if curve.beyond else ""
        rows.append(
            (
                str(run.run),
                _estimate(curve.out) + (word if run.end_min > AFTER * run.timed.last_min else ""),
                _estimate(curve.end) + word,
                _estimate(curve.reached) + word,
                _rise(curve.rising) + word,
            )
        )
    return Table(
        (
            "run",
            "out at the end, mg/g",
            "end value, mg/g",
            "90 % of it after, min",
            "rise in 10 min more, %",
        ),
        tuple(rows),
        frozenset(range(5)),
    )


def _model_table(curves: Sequence[JudgedCurve]) -> Table:
    rows = []
    for curve in curves:
        fit, K = curve.models.chosen, curve.elution_mL_g
        assert fit is not None
        parameters = [f"{p.name} {_estimate(at)} {p.unit}".rstrip() for p, at in fit.parameters()]
        others = [
            f"{one.model.name} (end value "
            + ("not bounded)" if math.isinf(one.end.high) else f"{_estimate(one.end)})")
            for one in curve.models.alike
            if one is not fit
        ]
        rows.append(
            (
                str(curve.timed.run),
                curve.timed.settings,
                plain(curve.timed.water_mL_g_min * curve.timed.end_min, 3),
                fit.model.name,
                "; ".join(parameters),
                "; ".join(others) or "none",
                listed([model.name for model in curve.models.unjudged]) or "–",
                "–" if K is None else _estimate(K),
            )
        )
    return Table(
        (
            "run",
            "settings",
            "water, mL/g",
            "model",
            "parameters",
            "as good",
            "not judged",
            "K if elution, mL/g",
        ),
        tuple(rows),
        frozenset({0, 2, 7}),
    )


def _portions_table(curves: Sequence[JudgedCurve]) -> Table:
    rows = []
    for curve in curves:
        run, fit = curve.timed, curve.models.chosen
        assert fit is not None
        timed = run.timed
        for i, label in enumerate(run.labels):
            own = timed.portion == i
            low, high = float(timed.low[i]), float(timed.high[i])
            found = plain(low, 3) if low == high else f"{plain(low, 3)} to {plain(high, 3)}"
            known = math.isfinite(float(run.sd[i]))
            middle = float((timed.start[own].min() + timed.end[own].max()) / 2)
            rows.append(
                (
                    str(run.run),
                    label,
                    plain(float(timed.start[own].min()), 3),
                    plain(float(timed.end[own].max()), 3),
                    plain(middle * run.water_mL_g_min, 3),
                    found,
                    plain(float(run.sd[i]), 2) if known else "–",
                    plain(float(fit.amounts[i]), 3),
                )
            )
    return Table(
        (
            "run",
            "portion",
            "from, min",
            "to, min",
            "water at its middle, mL/g",
            "holds, mg/g",
            "standard deviation",
            "fitted, mg/g",
        ),
        tuple(rows),
        frozenset({0, 2, 3, 4, 5, 6, 7}),
    )


def _out_table(curves: Sequence[JudgedCurve]) -> Table:
    shares = (0.1, 0.25, 0.5, 0.75, 1.0)
    rows = []
    for curve in curves:
        fit, end = curve.models.chosen, curve.timed.end_min
        assert fit is not None
        for share in shares:
            mean, low, high = (float(part[0]) for part in fit.released(share * end))
            rows.append(
                (
                    str(curve.timed.run),
                    plain(share * end, 3),
                    plain(mean, 3),
                    between(low, high),
                    percent(mean / fit.end.value),
                )
            )
    headings = ("run", "after, min", "out, mg/g", "95 % interval", "of the end value")
    return Table(headings, tuple(rows), frozenset({0, 1, 2, 3, 4}))
