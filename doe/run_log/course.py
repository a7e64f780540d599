"""What a run was: its extraction, achieved means, severity and distance from boiling."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from doe import water
from doe.errors import Notice, Problem, ResultsError, Where
from doe.rig.description import FloatArray
from doe.rig.timeline import SEVERITY_BASE_C, SEVERITY_STEP_K
from doe.run_log.reading import Reading, RunLog
from doe.run_log.table import some

HALVINGS = 50
"""Of the range in which a median is looked for: to the last digit that a logger writes."""


def time_mean(minutes: FloatArray, values: FloatArray, start: float, end: float) -> float:
    """Return the mean over time between two times, values straight between rows.

    Parameters
    ----------
    minutes, values
        Rising times [min] and values (n,).
    start, end
        Bounds [min], inside the times and start < end.
    """
    return _integral(minutes, values, start, end) / (end - start)


def time_median(minutes: FloatArray, values: FloatArray, start: float, end: float) -> float:
    """Return what values lie below for half of the time between two times; see `time_mean`."""
    t, v = _cut(minutes, values, start, end)
    low, high = float(v.min()), float(v.max())
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        if minutes_below(t, v, middle) < (end - start) / 2:
            low = middle
        else:
            high = middle
    return high


def _cut(
    minutes: FloatArray, values: FloatArray, start: float, end: float
) -> tuple[FloatArray, FloatArray]:
    """Return times and values between two times, with a value read off at either end."""
    inside = (minutes > start) & (minutes < end)
    t = np.concatenate([[start], minutes[inside], [end]])
    first, last = np.interp([start, end], minutes, values)
    return t, np.concatenate([[first], values[inside], [last]])


def _integral(minutes: FloatArray, values: FloatArray, start: float, end: float) -> float:
    t, v = _cut(minutes, values, start, end)
    return float(np.sum(np.diff(t) * (v[1:] + v[:-1])) / 2)


def severity_minutes(minutes: FloatArray, temperature_C: FloatArray) -> tuple[float, float]:
    """Return the severity R₀ = ∫exp((T − 100)/14.75) dt [min] and a bound on its error [min].

    Parameters
    ----------
    minutes, temperature_C
        Rising times [min] and temperatures [°C] (n,).

    Notes
    -----
    Overend and Chornet 1987 (constant from memory); by convention only what lies above 100 °C
    counts. The trapezoid is taken in the exponential, which errs to the high side where the
    temperature is straight between rows. The bound holds wherever the temperature goes one way
    only between two rows: the integral then lies between dt·e₀ and dt·e₁, e the exponential at
    either row.
    """
    dt = np.diff(minutes)
    T0, T1 = temperature_C[:-1], temperature_C[1:]
    e = np.exp((np.maximum(temperature_C, SEVERITY_BASE_C) - SEVERITY_BASE_C) / SEVERITY_STEP_K)
    e0, e1 = e[:-1], e[1:]
    high, low = np.maximum(T0, T1), np.minimum(T0, T1)
    with np.errstate(invalid="ignore", divide="ignore"):
        crossed = np.clip((high - SEVERITY_BASE_C) / (high - low), 0.0, 1.0)
    above = np.where(low >= SEVERITY_BASE_C, 1.0, np.where(high > SEVERITY_BASE_C, crossed, 0.0))
    area = above * dt * (e0 + e1) / 2
    most = np.where(high > SEVERITY_BASE_C, dt * np.maximum(e0, e1), 0.0)
    least = np.where(low >= SEVERITY_BASE_C, dt * np.minimum(e0, e1), 0.0)
    return float(area.sum()), float(np.maximum(most - area, area - least).sum())


def minutes_below(
    minutes: FloatArray,
    values: FloatArray,
    limit: float,
    counts: npt.NDArray[np.bool_] | None = None,
) -> float:
    """Return how long values lie below a limit [min], values straight between rows.

    Parameters
    ----------
    minutes, values
        Rising times [min] and values (n,).
    counts
        Rows that count (n,); an interval counts if either of its rows does. All unless given.
    """
    v = values - limit
    v0, v1 = v[:-1], v[1:]
    with np.errstate(invalid="ignore", divide="ignore"):
        crossing = np.where(v0 < 0, v0, v1) / np.where(v0 < 0, v0 - v1, v1 - v0)
    share = np.where((v0 < 0) & (v1 < 0), 1.0, np.where((v0 < 0) | (v1 < 0), crossing, 0.0))
    if counts is not None:
        share = np.where(counts[1:] | counts[:-1], share, 0.0)
    return float(np.sum(share * np.diff(minutes)))


def extraction_window(
    minutes: FloatArray, temperature_C: FloatArray, set_C: float, tolerance_K: float
) -> tuple[float, float] | None:
    """Return start and end of the extraction [min], None where it never came so far.

    It starts when the temperature first reaches set − tolerance and ends when it last falls below
    that; dips between belong to it. Times between rows are read off the straight line.
    """
    least = set_C - tolerance_K
    inside = np.flatnonzero(temperature_C >= least)
    if not inside.size:
        return None
    first, last = int(inside[0]), int(inside[-1])
    start, end = minutes[first], minutes[last]
    if first > 0:
        t, T = minutes[first - 1 : first + 1], temperature_C[first - 1 : first + 1]
        start = np.interp(least, T, t)
    if last + 1 < len(minutes):
        t, T = minutes[last : last + 2], temperature_C[last : last + 2]
        end = np.interp(-least, -T, t)
    return float(start), float(end)


@dataclass(frozen=True, slots=True)
class RunSummary:
    """What a log says of one run.

    `temperature_C`, `pressure_bara` and `flow_mL_min` are means over the extraction, weighted by
    time; `usual_C` is the median, which a short peak leaves where it is. Margins are of the whole
    time that the water was hot enough to boil at the atmosphere's pressure, ramps included:
    `margin_bar` above saturation, `margin_K` below boiling, both with the allowances asked for,
    None without a pressure. `minutes_boiled` counts what lay below saturation as logged,
    `minutes_may_boil` with allowances.
    """

    file: str
    set_temperature_C: float
    start_min: float
    end_min: float
    window_rule: str
    temperature_C: float
    temperature_low_C: float
    temperature_high_C: float
    overshoot_K: float
    hottest_row: int
    usual_C: float
    minutes_off_usual: float
    severity_log10: float
    severity_error_log10: float
    pressure_bara: float | None
    pressure_low_bara: float | None
    pressure_high_bara: float | None
    pressure_swing_bar: float | None
    flow_mL_min: float | None
    water_mL: float | None
    water_extraction_mL: float | None
    margin_bar: float | None
    margin_K: float | None
    margin_row: int | None
    minutes_below_margin: float | None
    minutes_may_boil: float | None
    minutes_boiled: float | None
    atmospheric_bara: float
    notices: tuple[Notice, ...] = ()

    @property
    def time_min(self) -> float:
        """Length of the extraction [min]."""
        return self.end_min - self.start_min

    @property
    def boiled(self) -> bool:
        """Whether the log shows water below its saturation pressure."""
        return bool(self.minutes_boiled)

    @property
    def margin_words(self) -> str:
        """The lowest margins; where no pressure is left there is no boiling point."""
        assert self.margin_bar is not None
        assert self.margin_K is not None
        bar = f"{self.margin_bar:.3g} bar"
        if math.isfinite(self.margin_K):
            return f"{bar}, {self.margin_K:.3g} K"
        return f"{bar} (with the allowances no pressure is left, and so no boiling point)"

    def achieved(self, reading: Reading) -> dict[str, float]:
        """Return what was achieved by name of factor, the pressure measured from what is asked."""
        found = {"temperature": self.temperature_C, "time": self.time_min}
        if self.pressure_bara is not None:
            above = self.atmospheric_bara if reading == "gauge" else 0.0
            found["pressure"] = self.pressure_bara - above
        if self.flow_mL_min is not None:
            found["flow"] = self.flow_mL_min
        return found


Boils: TypeAlias = Callable[[FloatArray], FloatArray]


def _water_boils_C(P: FloatArray) -> FloatArray:
    ends = water.saturation_pressure_bara([0.0, water.WATER_TEMPERATURE_MAX_C])
    return water.saturation_temperature_C(np.clip(P, ends[0], ends[1]))


@dataclass(frozen=True, slots=True)
class _Liquid:
    """How near boiling the water came."""

    margin_bar: float | None = None
    margin_K: float | None = None
    row: int | None = None
    below_margin: float | None = None
    may_boil: float | None = None
    boiled: float | None = None


def summarise(
    log: RunLog,
    *,
    set_temperature_C: float,
    liquid_margin_bar: float,
    liquid_subcooling_K: float = 0.0,
    hotter_K: float = 0.0,
    lower_bar: float = 0.0,
    tolerance_K: float = 2.0,
    start_min: float | None = None,
    end_min: float | None = None,
    gap_allowed_min: float = 1.0,
    boils_bara: Boils = water.saturation_pressure_bara,
    boils_C: Boils = _water_boils_C,
) -> RunSummary:
    """Return what a log says of its run.

    Parameters
    ----------
    log
        From `read_log`; the whole of one run, heat-up and cool-down included.
    set_temperature_C
        Set temperature [°C].
    liquid_margin_bar, liquid_subcooling_K
        Required distance from boiling [bar], [K].
    hotter_K, lower_bar
        What the hottest water may be above, the lowest pressure below what is logged [K], [bar]:
        sensor errors, heater's wall, pulsation that the logger does not see.
    tolerance_K
        How near to set the extraction begins and ends [K]; 2 K is common practice.
    start_min, end_min
        Start and end of the extraction on the log's own clock [min], each instead of that rule.
    gap_allowed_min
        Longest time without a whole row while hot [min] (common practice), or three times the
        log's usual interval if that is longer.
    boils_bara, boils_C
        Boiling pressure [bara] at a temperature [°C] and the reverse, for a mixture; pure water's
        unless given.

    Raises
    ------
    ResultsError
        The run never came near set, the times given are not in the log, or rows are missing for
        too long while hot.

    Notes
    -----
    Between rows every value is taken as straight; the severity's error is bounded
    (`severity_minutes`). Water is taken to be able to boil wherever it is hotter than its boiling
    point at the atmosphere's pressure, less `hotter_K`.
    """
    t, T = log.minutes, log.temperature_C
    notices = list(log.notices)
    boils_open = float(boils_C(np.asarray(log.atmospheric_bara)))
    hot = np.asarray(T + hotter_K >= boils_open)
    notices += _gaps(log, hot, gap_allowed_min)
    notices += _ends(log, hot)
    start, end, rule = _window(log, set_temperature_C, tolerance_K, start_min, end_min, notices)
    liquid = _liquid(
        log, hot, boils_bara, boils_C, (liquid_margin_bar, liquid_subcooling_K), hotter_K, lower_bar
    )
    if liquid.boiled is None:
        what = "Without a pressure in the log it is not known whether the water stayed liquid."
        notices.append(Notice("liquid-not-known", what))
    severity, bound = severity_minutes(t, T)
    _, within = _cut(t, T, start, end)
    flow = _flow(log, gap_allowed_min, start, end, notices)
    held = _held(log, start, end)
    usual = time_median(t, T, start, end)
    return RunSummary(
        file=log.file,
        set_temperature_C=set_temperature_C,
        start_min=start,
        end_min=end,
        window_rule=rule,
        temperature_C=time_mean(t, T, start, end),
        temperature_low_C=float(within.min()),
        temperature_high_C=float(within.max()),
        overshoot_K=max(float(T.max()) - set_temperature_C, 0.0),
        hottest_row=int(log.rows[T.argmax()]),
        usual_C=usual,
        minutes_off_usual=_off(log, usual, tolerance_K, start, end),
        severity_log10=math.log10(severity) if severity > 0 else math.nan,
        severity_error_log10=math.log10(1 + bound / severity) if severity > 0 else math.nan,
        pressure_bara=held[0],
        pressure_low_bara=held[1],
        pressure_high_bara=held[2],
        pressure_swing_bar=held[3],
        flow_mL_min=flow[0],
        water_mL=flow[1],
        water_extraction_mL=flow[2],
        margin_bar=liquid.margin_bar,
        margin_K=liquid.margin_K,
        margin_row=liquid.row,
        minutes_below_margin=liquid.below_margin,
        minutes_may_boil=liquid.may_boil,
        minutes_boiled=liquid.boiled,
        atmospheric_bara=log.atmospheric_bara,
        notices=tuple(notices),
    )


def _allowed_gap(minutes: FloatArray, allowed: float) -> float:
    return max(allowed, 3 * float(np.median(np.diff(minutes))))


def _gaps(log: RunLog, hot: npt.NDArray[np.bool_], allowed: float) -> Iterator[Notice]:
    """Yield a notice for rows missing while cold; refuse them while hot."""
    step = np.diff(log.minutes)
    usual = float(np.median(step))
    if usual > allowed:
        what = f"{log.file} has a row every {usual:.3g} min only: what is shorter was not seen."
        yield Notice("log-coarse", what)
    allowed = _allowed_gap(log.minutes, allowed)
    wide = np.flatnonzero(step > allowed)
    problems = []
    for i in wide.tolist():
        before, after = int(log.rows[i]), int(log.rows[i + 1])
        what = f"{step[i]:.3g} min without a whole row after row {before}"
        if hot[i] or hot[i + 1]:
            what += f", while hot; allowed are {allowed:.3g} min, as what happened is not known."
            remedy = "Fill the gap from another record, or allow a longer gap and say why."
            problems.append(Problem("log-gap", what, Where(log.file, after), remedy))
        else:
            yield Notice("log-gap", f"{log.file}: {what}, while cold; taken as straight.")
    if problems:
        raise ResultsError(*some(problems, log.file))


def _ends(log: RunLog, hot: npt.NDArray[np.bool_]) -> Iterator[Notice]:
    """Yield a notice where the log begins or ends hot: the severity lacks a ramp."""
    for i, verb in ((0, "begins"), (-1, "ends")):
        if hot[i]:
            what = (
                f"{log.file} {verb} at {log.temperature_C[i]:.4g} °C: the severity lacks what came "
                f"{'before' if i == 0 else 'after'}, and so do margins and water."
            )
            yield Notice(f"log-{verb}-hot", what)


def _window(
    log: RunLog,
    set_C: float,
    tolerance: float,
    start: float | None,
    end: float | None,
    notices: list[Notice],
) -> tuple[float, float, str]:
    """Return start, end and the rule in words."""
    t = log.minutes
    begin_rule = end_rule = "as given"
    if start is None or end is None:
        found = extraction_window(t, log.temperature_C, set_C, tolerance)
        if found is None:
            i = int(log.temperature_C.argmax())
            what = (
                f"the highest temperature is {log.temperature_C[i]:.5g} °C; the extraction begins "
                f"within {tolerance:g} K of {set_C:g} °C."
            )
            remedy = "Check that it is this run's log, or give start and end of the extraction."
            raise ResultsError.of(
                "never-reached", what, remedy, file=log.file, line=int(log.rows[i])
            )
        if start is None:
            start, begin_rule = found[0], f"first within {tolerance:g} K of {set_C:g} °C"
        if end is None:
            end, end_rule = found[1], f"last within {tolerance:g} K of {set_C:g} °C"
            if end >= t[-1]:
                what = f"{log.file} ends during the extraction, which may have gone on."
                notices.append(Notice("log-ends-in-extraction", what))
    if not t[0] <= start < end <= t[-1]:
        what = (
            f"the extraction from {start:.5g} to {end:.5g} min does not lie in the log, "
            f"{t[0]:.5g} to {t[-1]:.5g} min."
        )
        raise ResultsError.of("no-extraction", what, "Give other times.", file=log.file)
    return start, end, f"start {begin_rule}; end {end_rule}"


def _off(log: RunLog, set_C: float, tolerance: float, start: float, end: float) -> float:
    """Return the minutes of the extraction spent further from set than the tolerance."""
    t, T = _cut(log.minutes, log.temperature_C, start, end)
    slack = 1e-9  # the window's own ends lie on the limit, give or take rounding
    low, high = set_C - tolerance - slack, set_C + tolerance + slack
    return minutes_below(t, T, low) + minutes_below(t, -T, -high)


def _held(
    log: RunLog, start: float, end: float
) -> tuple[float | None, float | None, float | None, float | None]:
    """Return mean, lowest and highest pressure of the extraction, and its swing about the mean."""
    if log.pressure_bara is None:
        return None, None, None, None
    mean = time_mean(log.minutes, log.pressure_bara, start, end)
    _, P = _cut(log.minutes, log.pressure_bara, start, end)
    low, high = float(P.min()), float(P.max())
    return mean, low, high, max(high - mean, mean - low)


def _flow(
    log: RunLog, allowed: float, start: float, end: float, notices: list[Notice]
) -> tuple[float | None, float | None, float | None]:
    """Return mean flow of the extraction, water of the log and of the extraction."""
    if log.flow_mL_min is None:
        return None, None, None
    known = ~np.isnan(log.flow_mL_min)
    t, q = log.minutes[known], log.flow_mL_min[known]
    allowed = _allowed_gap(log.minutes, allowed)
    if (q < 0).any():
        what = f"{log.file} shows flow down to {q.min():.3g} mL/min; it was counted as logged."
        notices.append(Notice("flow-negative", what))
    bounds = (start, end), (float(log.minutes[0]), float(log.minutes[-1]))
    water_mL: list[float | None] = []
    for (a, b), words in zip(
        bounds, ("mean flow and water", "water of the whole run"), strict=True
    ):
        widest = _widest(t, a, b)
        water_mL.append(_integral(t, q, a, b) if widest <= allowed else None)
        if widest > allowed:
            what = (
                f"{log.file} lacks the flow for {widest:.3g} min, allowed are {allowed:.3g} min: "
                f"{words} are not known. Weigh the water."
            )
            notices.append(Notice("flow-not-known", what))
    used, whole = water_mL
    return None if used is None else used / (end - start), whole, used


def _widest(minutes: FloatArray, start: float, end: float) -> float:
    """Return the longest time between rows that reaches into a time [min]."""
    ends = max(float(minutes[0]) - start, end - float(minutes[-1]))
    touching = (minutes[1:] > start) & (minutes[:-1] < end)
    return float(np.diff(minutes)[touching].max(initial=max(ends, 0.0)))


def _liquid(
    log: RunLog,
    hot: npt.NDArray[np.bool_],
    boils_bara: Boils,
    boils_C: Boils,
    required: tuple[float, float],
    hotter: float,
    lower: float,
) -> _Liquid:
    """Return how near boiling the hot water came, and for how long."""
    if log.pressure_bara is None:
        return _Liquid()
    if not hot.any():
        return _Liquid(below_margin=0.0, may_boil=0.0, boiled=0.0)
    near = hot.copy()  # one row either side, for the intervals that lead in and out
    near[1:] |= hot[:-1]
    near[:-1] |= hot[1:]
    T, P = log.temperature_C, log.pressure_bara
    shown, surely, subcooled = (np.full(len(T), np.inf) for _ in range(3))
    top = water.WATER_TEMPERATURE_MAX_C
    shown[near] = P[near] - boils_bara(np.clip(T[near], 0.0, top))
    surely[near] = P[near] - lower - boils_bara(np.clip(T[near] + hotter, 0.0, top))
    least = P[near] - lower
    with_any = np.where(least > 0, boils_C(np.maximum(least, 0.0)), -np.inf)
    subcooled[near] = with_any - T[near] - hotter
    # beyond 350 °C the boiling pressure taken is too low: nothing there is known to be liquid
    surely[hot & (T + hotter > top)] = -np.inf
    lacking = np.minimum(surely - required[0], subcooled - required[1])
    i = int(np.where(hot, surely, np.inf).argmin())
    return _Liquid(
        margin_bar=float(surely[hot].min()),
        margin_K=float(subcooled[hot].min()),
        row=int(log.rows[i]),
        below_margin=_below(log.minutes, lacking, hot),
        may_boil=_below(log.minutes, surely, hot),
        boiled=_below(log.minutes, shown, hot),
    )


def _below(minutes: FloatArray, values: FloatArray, hot: npt.NDArray[np.bool_]) -> float:
    """Return the minutes below zero while hot; a gap counts in full where either end is unknown."""
    return minutes_below(minutes, np.clip(values, -1e6, 1e6), 0.0, hot)
