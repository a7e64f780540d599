"""What timed portions say of a run, and runs of different flow of each other.

Shapes: n portions of a run.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from doe.errors import Notice
from doe.factors import FloatArray
from doe.kinetics import (
    FIRST_ORDER,
    WEIBULL,
    Comparison,
    CurveFit,
    CurveModel,
    FlowExponent,
    Interval,
    PaceFit,
    Timed,
    compared,
    flow_exponent,
    pace_over_runs,
)

__all__ = [
    "FLOWS_APART",
    "MORE_MIN",
    "PACE_SCATTER",
    "ExtractionCurves",
    "FlowTest",
    "JudgedCurve",
    "Pace",
    "TimedRun",
    "flow_test",
    "judged",
    "pace",
]

REACHED = 0.9
MORE_MIN = 10.0
STILL_RISING = 0.05
"""Rise in the next ten minutes, as a share of what is out, from which on a run ended early."""
LONG_DONE = 0.5
"""Share of a run by whose end 90 % was surely out, up to which the rest counts as waste."""
PACE_SCATTER = 0.1
"""How far the pace of a run is taken to be off for reasons other than flow: common practice puts
the scatter between runs at 3 to 8 % at the bench."""
FLOWS_APART = 1.3
"""Least ratio of water per solid and minute from which on runs count as of different flow."""


@dataclass(frozen=True, slots=True, eq=False)
class TimedRun:
    """The timed portions of a run, assayed for one thing.

    Attributes
    ----------
    of
        ``solids``, or the name of a compound.
    labels
        Of the portions (n,).
    sd
        Scatter of the portions (n,) as far as it was recorded [mg/g]; NaN where not.
    summed
        Whether the portions follow each other without a gap, so that their running sum is known
        from `since_min` on.
    settings
        The run's settings in words, without its number.
    water_mL_g_min
        Cold water per gram of dry feed and minute.
    """

    run: int
    of: str
    timed: Timed
    labels: tuple[str, ...]
    sd: FloatArray
    summed: bool
    since_min: float
    settings: str
    end_min: float
    flow_mL_min: float
    water_mL_g_min: float


@dataclass(frozen=True, slots=True, eq=False)
class JudgedCurve:
    """A run's curve: the models, and what the one to go by says of its length.

    `end` is the end value and `out` what was out at the run's end [mg/g], `reached` when 90 % of
    the end value was out [min], `rising` the share by which ten minutes more would have raised what
    was out at the run's end; each with the range over all models that the portions do not refute.
    None where no model could be fitted.
    """

    timed: TimedRun
    models: Comparison
    reached: Interval | None = None
    rising: Interval | None = None
    end: Interval | None = None
    out: Interval | None = None

    @property
    def beyond(self) -> bool:
        """Whether what is told of later than the last portion is the models' word."""
        return self.models.chosen is not None and not self.models.levelled

    def by(self, model: CurveModel) -> CurveFit | None:
        """Return the fit of a model; None where it was refused."""
        return next((fit for fit in self.models.fits if fit.model is model), None)

    @property
    def elution_mL_g(self) -> Interval | None:
        """K of elution in equilibrium [mL/g], which at one flow gives the curve of first order."""
        fit = self.models.chosen
        if fit is None or fit.model is not FIRST_ORDER:
            return None
        return _inverse(_rate_of(fit), self.timed.water_mL_g_min)

    @property
    def verdict(self) -> Literal["ended early", "ran on", "well ended", "open"]:
        """Whether the run's length suits the curve, where the interval decides it."""
        if self.reached is None or self.rising is None:
            return "open"
        if self.rising.low > STILL_RISING:
            return "ended early"
        if self.beyond:
            return "open"
        if self.reached.high < LONG_DONE * self.timed.end_min:
            return "ran on"
        settled = self.rising.high < STILL_RISING
        return "well ended" if settled else "open"


@dataclass(frozen=True, slots=True, eq=False)
class FlowTest:
    """Runs alike but for flow: whether their curves coincide against time or against water.

    `low` and `high` are the exponent's interval, widened by what a pace off by `PACE_SCATTER` for
    other reasons would move it.
    """

    curves: tuple[JudgedCurve, ...]
    found: FlowExponent
    low: float
    high: float

    @property
    def speaks_for(self) -> Literal["time", "water", "between", "neither", "open"]:
        time, water = (self.low <= p <= self.high for p in (0.0, 1.0))
        if time and water:
            return "open"
        if time or water:
            return "time" if time else "water"
        return "between" if self.low > 0 and self.high < 1 else "neither"


@dataclass(frozen=True, slots=True, eq=False)
class Pace:
    """The rates of all runs over temperature and flow, by one model for all of them.

    `rates` are those of `curves`, in their order: k of first order, or 1/scale of Weibull; `at`
    their temperatures [°C]. `found` is why nothing can be told where it is text. `left` counts the
    runs whose rate their portions do not bound.
    """

    model: CurveModel
    curves: tuple[JudgedCurve, ...]
    rates: tuple[Interval, ...]
    at: FloatArray
    found: PaceFit | str
    left: int


@dataclass(frozen=True, slots=True, eq=False)
class ExtractionCurves:
    """All curves of a campaign, and what runs of different flow and temperature say.

    `assumed` says what is assumed of times and feed; `notices` what is missing.
    """

    curves: tuple[JudgedCurve, ...] = ()
    tests: tuple[FlowTest, ...] = ()
    paces: tuple[Pace, ...] = ()
    assumed: tuple[str, ...] = ()
    notices: tuple[Notice, ...] = ()


def judged(run: TimedRun) -> JudgedCurve:
    """Return the models of a run's portions, and what they say of its length."""
    models = compared(run.timed)
    if models.chosen is None:
        return JudgedCurve(run, models)
    return JudgedCurve(
        run,
        models,
        models.reached(REACHED),
        models.still_rising(run.end_min, MORE_MIN),
        models.end(),
        models.released(run.end_min),
    )


def flow_test(curves: Sequence[JudgedCurve]) -> FlowTest | None:
    """Return what runs that are alike but for flow say; None where flows or portions are too few.

    Runs join in whose portions a model could be fitted to.
    """
    able = [curve for curve in curves if curve.models.chosen is not None]
    flows = [curve.timed.water_mL_g_min for curve in able]
    if len(able) < 2 or max(flows) < FLOWS_APART * min(flows):
        return None
    found = flow_exponent([curve.timed.timed for curve in able], flows)
    if found is None:
        return None
    shift = found.shift_by(PACE_SCATTER)
    low, high = found.exponent.low - shift, found.exponent.high + shift
    return FlowTest(tuple(able), found, low, high) if math.isfinite(found.rss) else None


def pace(curves: Sequence[JudgedCurve], temperature_C: FloatArray) -> Pace | None:
    """Return how the rates of runs (r,) follow temperature and flow; None without two rates.

    First order for all runs, or Weibull for all where AICc, added up over the runs that can carry
    both, prefers that by more than 2.
    """
    model = _common_model(curves)
    kept, rates, errors = [], [], []
    for i, curve in enumerate(curves):
        fit = curve.by(model)
        if fit is None:
            continue
        rate = _rate_of(fit)
        if math.isfinite(rate.high) and rate.low > 0 and not fit.unbounded:
            kept.append(i)
            rates.append(rate)
            errors.append(math.log(rate.high / rate.low) / (2 * fit.quantile))
    if len(kept) < 2:
        return None
    at = np.asarray(temperature_C, dtype=np.float64)[kept]
    flow = np.array([curves[i].timed.water_mL_g_min for i in kept])
    error = np.maximum(np.array(errors), 1e-6)
    found = pace_over_runs(np.log([rate.value for rate in rates]), error, at, flow)
    left = len(curves) - len(kept)
    return Pace(model, tuple(curves[i] for i in kept), tuple(rates), at, found, left)


def _common_model(curves: Sequence[JudgedCurve]) -> CurveModel:
    gain = 0.0
    for curve in curves:
        plain, bent = curve.by(FIRST_ORDER), curve.by(WEIBULL)
        if plain is None or bent is None or plain.aicc is None or bent.aicc is None:
            continue
        gain += plain.aicc - bent.aicc
    return WEIBULL if gain > 2 else FIRST_ORDER


def _rate_of(fit: CurveFit) -> Interval:
    """Return k, or 1/scale, with its interval [1/min]; infinite or 0 where it has no end."""
    _, at = fit.parameters()[0]
    return at if fit.model is FIRST_ORDER else _inverse(at, 1.0)


def _inverse(at: Interval, of: float) -> Interval:
    high = of / at.low if at.low > 0 else math.inf
    return Interval(of / at.value, of / at.high, high)
