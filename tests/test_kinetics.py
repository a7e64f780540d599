"""Extraction curves: models against closed forms and limits, fits against other optimisers.

What intervals promise is tried by simulation. All amounts are invented.
"""

from __future__ import annotations

import itertools
import json
import math
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq, curve_fit, least_squares, minimize, minimize_scalar
from scipy.stats import linregress
from scipy.stats import t as student

from doe.kinetics import (
    DEGRADATION,
    FIRST_ORDER,
    FLOW_MODELS,
    PELEG,
    TWO_SITE,
    WEIBULL,
    CurveFit,
    CurveModel,
    FloatArray,
    Refusal,
    Timed,
    compared,
    fitted,
    flow_exponent,
    pace_over_runs,
)

MINUTES = np.array([3.0, 6.0, 10.0, 15.0, 20.0, 30.0, 45.0, 60.0])
Truth = Callable[[FloatArray], FloatArray]


def first_order(t: FloatArray) -> FloatArray:
    return np.asarray(10 * (1 - np.exp(-0.06 * t)))


def peleg(t: FloatArray) -> FloatArray:
    return np.asarray(14 * t / (12 + t))


def weibull(t: FloatArray) -> FloatArray:
    return np.asarray(10 * (1 - np.exp(-((t / 15) ** 0.6))))


def two_site(t: FloatArray) -> FloatArray:
    return np.asarray(10 * (1 - 0.6 * np.exp(-0.5 * t) - 0.4 * np.exp(-0.03 * t)))


def increments(truth: Truth, minutes: FloatArray = MINUTES) -> FloatArray:
    return np.diff(truth(np.r_[0.0, minutes]))


def timed(
    amounts: FloatArray, minutes: FloatArray = MINUTES, high: FloatArray | None = None
) -> Timed:
    """Portions that follow each other without a gap; `high` where a portion is a limit."""
    start = np.r_[0.0, minutes[:-1]]
    top = amounts if high is None else high
    sd = np.hypot(0.05 * top, 0.01 * top.max())
    return Timed(np.arange(len(minutes)), start, minutes, amounts, top, sd)


def scattered(truth: Truth, rng: np.random.Generator, relative: float = 0.05) -> FloatArray:
    a = increments(truth)
    sd = np.hypot(relative * a, 0.01 * a.max())
    return np.maximum(a + sd * rng.standard_normal(len(a)), 0.0)


def fit(model: CurveModel, portions: Timed) -> CurveFit:
    found = fitted(model, portions)
    assert isinstance(found, CurveFit)
    return found


# ------------------------------------------------------------------------- models and their limits


def test_models_at_a_time_worked_by_hand() -> None:
    t = np.array([10.0])

    def share(model: CurveModel, *shape: float) -> float:
        return float(model.share(t, np.array([shape]))[0, 0])

    assert share(FIRST_ORDER, math.log(2) / 10) == pytest.approx(0.5)  # a half-life of 10 min
    assert share(PELEG, 30.0) == pytest.approx(0.25)  # 10/(30 + 10)
    assert share(WEIBULL, 10.0, 2.0) == pytest.approx(1 - math.exp(-1))
    # 0.7 of it gone to 1/4, 0.3 to 1/2: 1 − 0.175 − 0.15
    assert share(TWO_SITE, math.log(4) / 10, 0.5, 0.7) == pytest.approx(0.675)
    # k_e = 0.2, k_d = 0.1: 0.2/(−0.1) (e⁻² − e⁻¹)
    assert share(DEGRADATION, 0.2, 0.5) == pytest.approx(-2 * (math.exp(-2) - math.exp(-1)))


def test_limits_in_which_one_model_becomes_another() -> None:
    t = np.linspace(0.0, 80.0, 161)
    plain = FIRST_ORDER.share(t, np.array([[0.05]]))
    assert TWO_SITE.share(t, np.array([[0.05, 0.1, 1.0]])) == pytest.approx(plain, abs=1e-14)
    assert TWO_SITE.share(t, np.array([[0.05, 1.0, 0.3]])) == pytest.approx(plain, abs=1e-14)
    assert WEIBULL.share(t, np.array([[20.0, 1.0]])) == pytest.approx(plain, abs=1e-14)
    # no loss: first order; equal rates: k t exp(−k t)
    assert DEGRADATION.share(t, np.array([[0.05, 0.0]])) == pytest.approx(plain, abs=1e-14)
    equal = 0.05 * t * np.exp(-0.05 * t)
    for ratio in (1.0, 1 - 1e-12, 1 - 1e-9, 1 - 1e-6):
        near = DEGRADATION.share(t, np.array([[0.05, ratio]]))[0]
        assert near == pytest.approx(equal, abs=1e-6)


def test_degradation_peaks_where_its_formula_says() -> None:
    k, loss = 0.2, 0.03
    t = np.linspace(0.0, 60.0, 60_001)
    peak = t[int(DEGRADATION.share(t, np.array([[k, loss / k]]))[0].argmax())]
    assert peak == pytest.approx(math.log(loss / k) / (loss - k), abs=2e-3)


def test_swapped_rates_give_one_curve_with_another_amount() -> None:
    """Why extraction counts as the faster of the two by convention."""
    t = np.linspace(0.0, 60.0, 61)
    k, loss = 0.2, 0.03
    swapped = loss / (k - loss) * (np.exp(-loss * t) - np.exp(-k * t)) * k / loss
    assert DEGRADATION.share(t, np.array([[k, loss / k]]))[0] == pytest.approx(swapped, abs=1e-12)


# --------------------------------------------------------------------- against other optimisers


CASES: tuple[tuple[CurveModel, Truth, Callable[..., FloatArray], tuple[float, ...]], ...] = (
    (FIRST_ORDER, first_order, lambda t, S, k: S * (1 - np.exp(-k * t)), (8, 0.1)),
    (PELEG, peleg, lambda t, S, h: S * t / (h + t), (10, 8)),
    (WEIBULL, weibull, lambda t, S, a, b: S * (1 - np.exp(-((t / a) ** b))), (9, 12, 0.8)),
    (
        TWO_SITE,
        two_site,
        lambda t, S, k, r, F: S * (1 - F * np.exp(-k * t) - (1 - F) * np.exp(-k * r * t)),
        (9, 0.4, 0.1, 0.5),
    ),
)


@pytest.mark.parametrize(("model", "truth", "curve", "start"), CASES, ids=lambda c: str(c)[:12])
def test_estimates_are_those_of_another_optimiser(
    model: CurveModel, truth: Truth, curve: Callable[..., FloatArray], start: tuple[float, ...]
) -> None:
    """Against scipy's `curve_fit` (Levenberg–Marquardt over all parameters, amounts and all)."""
    portions = timed(scattered(truth, np.random.default_rng(7), 0.03))

    def amounts(t: FloatArray, *p: float) -> FloatArray:
        return np.asarray(curve(portions.end, *p) - curve(portions.start, *p))

    best, _ = curve_fit(
        amounts, MINUTES, portions.low, start, portions.sd, method="lm", ftol=1e-14, xtol=1e-14,
        maxfev=20_000,
    )  # fmt: skip
    found = fit(model, portions)
    assert [found.end_value, *found.shape] == pytest.approx(list(best), rel=2e-4)
    rss = float(np.sum(((amounts(MINUTES, *best) - portions.low) / portions.sd) ** 2))
    assert found.rss == pytest.approx(rss, rel=1e-8)
    assert found.df == len(MINUTES) - len(best)


def test_intervals_are_profile_likelihood_by_another_way() -> None:
    """k and S∞ of first order: the sum of squares profiled by one-dimensional minimisation."""
    portions = timed(scattered(first_order, np.random.default_rng(3)))
    found = fit(FIRST_ORDER, portions)

    def rss(S: float, k: float) -> float:
        held = S * (np.exp(-k * portions.start) - np.exp(-k * portions.end))
        return float(np.sum(((held - portions.low) / portions.sd) ** 2))

    over = found.rss * (1 + student.ppf(0.975, found.df) ** 2 / found.df)

    def profile_k(k: float) -> float:
        return float(minimize_scalar(lambda S: rss(S, k), bounds=(1, 40), method="bounded").fun)

    def profile_S(S: float) -> float:
        return float(
            minimize_scalar(
                lambda k: rss(S, k), bounds=(1e-3, 1), method="bounded", options={"xatol": 1e-9}
            ).fun
        )

    k = found.shape[0]
    ((_, interval),) = found.parameters()
    ends = [brentq(lambda x: profile_k(x) - over, *pair) for pair in ((k / 2, k), (k, 2 * k))]
    assert [interval.low, interval.high] == pytest.approx(ends, rel=3e-3)
    S = found.end_value
    ends = [brentq(lambda x: profile_S(x) - over, *pair) for pair in ((S / 2, S), (S, 2 * S))]
    assert [found.end.low, found.end.high] == pytest.approx(ends, rel=3e-3)
    reached = found.reached(0.9)
    assert reached.value == pytest.approx(math.log(10) / k)
    assert (reached.low, reached.high) == (
        pytest.approx(math.log(10) / interval.high),
        pytest.approx(math.log(10) / interval.low),
    )


RUN_OF_ONE_SITE = timed(
    np.array([62.47, 50.72, 53.33, 50.34, 31.6, 22.07, 19.26, 6.89]),
    np.array([2.0, 4.0, 7.0, 11.0, 15.0, 20.0, 30.0, 45.0]),
)
"""Portions of first order, 0.12/min with 3 % scatter: two sites fit them in branches apart."""


def test_all_branches_of_two_sites_are_inside_their_intervals() -> None:
    """Where either share is 0 or both rates are one, two sites are the first order that fits.

    The profile at fixed values is by scipy's `least_squares` from 27 starts over all others.
    """
    portions = RUN_OF_ONE_SITE
    found = fit(TWO_SITE, portions)
    allowed = found.rss * (1 + student.ppf(0.975, found.df) ** 2 / found.df)
    assert fit(FIRST_ORDER, portions).rss < allowed
    k_fast, ratio, share = (at for _, at in found.parameters())
    assert share.low == pytest.approx(0.0, abs=1e-6)
    assert share.high == pytest.approx(1.0, abs=1e-6)
    assert math.isinf(k_fast.high)
    assert math.isinf(ratio.low)
    assert ratio.high == pytest.approx(1.0)
    assert math.isinf(found.end.high)

    def profile(k: float) -> float:
        def off(p: FloatArray) -> FloatArray:
            S, r, F = math.exp(p[0]), math.exp(p[1]), p[2]
            at = [S * (1 - F * np.exp(-k * t) - (1 - F) * np.exp(-k * r * t))
                  for t in (portions.start, portions.end)]  # fmt: skip
            return np.asarray((at[1] - at[0] - portions.low) / portions.sd)

        starts = itertools.product(np.log([200, 300, 900]), np.log([0.01, 0.1, 0.9]), (0.1, 0.5, 1))
        limits = ([0, math.log(1e-3), 0], [12, 0, 1])
        return float(
            min(2 * least_squares(off, np.clip(p, limits[0], limits[1]), bounds=limits).cost
                for p in starts)
        )  # fmt: skip

    low = brentq(lambda x: profile(x) - allowed, 0.08, 0.12, xtol=1e-5)
    assert k_fast.low == pytest.approx(low, rel=0.01)


def test_a_parameter_that_only_the_search_ended_has_no_end() -> None:
    """A first portion that holds all: as fast as one likes."""
    amounts = np.array([10.0, 0.002, 0.001, 0.002])
    ((_, k),) = fit(FIRST_ORDER, timed(amounts, MINUTES[:4])).parameters()
    assert math.isinf(k.high)
    assert 0.5 < k.low < k.value


@pytest.mark.parametrize(("model", "truth"), [(case[0], case[1]) for case in CASES])
def test_when_a_share_is_out_agrees_with_the_curve(model: CurveModel, truth: Truth) -> None:
    found = fit(model, timed(increments(truth)))
    at = found.reached(0.9).value
    assert found.released(at)[0][0] == pytest.approx(0.9 * found.end_value, rel=1e-9)
    assert truth(np.array([at]))[0] == pytest.approx(0.9 * found.end_value, rel=1e-4)
    rise = truth(np.array([70.0]))[0] / truth(np.array([60.0]))[0] - 1
    assert found.still_rising(60, 10).value == pytest.approx(rise, rel=1e-3)


# ----------------------------------------------------------------------------- what is promised


@pytest.mark.long
@pytest.mark.parametrize(
    ("model", "truth", "values"),
    [
        (FIRST_ORDER, first_order, (10.0, math.log(10) / 0.06)),
        (PELEG, peleg, (14.0, 108.0)),
        (WEIBULL, weibull, (10.0, 15 * math.log(10) ** (1 / 0.6))),
    ],
)
def test_intervals_hold_the_truth_as_often_as_they_say(
    model: CurveModel, truth: Truth, values: tuple[float, float]
) -> None:
    """Of 200 simulated runs 95 % ± 3 % is expected; 90 % is 3.2 standard errors below."""
    rng = np.random.default_rng(21)
    held = np.zeros(3)
    t = np.array([12.0])
    for _ in range(200):
        found = fit(model, timed(scattered(truth, rng)))
        _, low, high = found.released(t)
        ranges = [found.end, found.reached(0.9)]
        held += [
            *(one.low <= value <= one.high for one, value in zip(ranges, values, strict=True)),
            low[0] <= truth(t)[0] <= high[0],
        ]
    assert (held >= 180).all(), held
    assert (held <= 199).all(), held


EARLY = np.array([2.0, 4.0, 7.0, 11.0, 15.0, 20.0])


def slow_part_behind(t: FloatArray) -> FloatArray:
    """Half of 300 mg/g goes at 0.25/min, half at 0.02/min: 90 % are out after 80.5 min."""
    return np.asarray(300 * (1 - 0.5 * np.exp(-0.25 * t) - 0.5 * np.exp(-0.02 * t)))


def test_a_curve_stopped_early_is_told_with_the_range_of_all_models_that_fit() -> None:
    """The best model's own interval misses the end value; what is told holds it, and says why."""
    rng = np.random.default_rng(7)
    truth = increments(slow_part_behind, EARLY)
    t90 = brentq(lambda t: slow_part_behind(t) - 270, 1, 500)
    own = told = late = 0
    for _ in range(12):
        found = compared(timed(truth * (1 + 0.05 * rng.standard_normal(6)), EARLY))
        assert found.chosen is not None
        assert not found.levelled
        assert [model.name for model in found.unjudged] == ["Weibull", "two-site"]
        end, reached = found.end(), found.reached(0.9)
        own += found.chosen.end.low <= 300 <= found.chosen.end.high
        told += end.low <= 300 <= end.high
        late += reached.low <= t90 <= reached.high
        # what surely is out by the last portion bounds it from below
        assert 150 < end.low < slow_part_behind(np.array([20.0]))[0] * 1.1
    assert own <= 2
    assert (told, late) >= (11, 11)


def test_a_curve_that_levels_keeps_its_bounds() -> None:
    minutes = np.array([5.0, 10.0, 20.0, 30.0, 50.0, 80.0, 120.0])
    rng = np.random.default_rng(3)
    amounts = increments(first_order, minutes) + 0.02 * rng.standard_normal(7)
    found = compared(timed(np.maximum(amounts, 0.001), minutes))
    assert found.levelled
    assert found.end().low <= 10 <= found.end().high < 12
    assert found.reached(0.9).low <= math.log(10) / 0.06 <= found.reached(0.9).high <= 120


def test_a_fast_part_gone_before_the_first_sample_is_not_judged() -> None:
    start = np.array([5.0, 15.0, 25.0, 35.0, 45.0, 55.0, 65.0])
    amounts = first_order(start + 2) - first_order(start)
    portions = Timed(np.arange(7), start, start + 2, amounts, amounts, 0.05 * amounts + 0.005)
    assert TWO_SITE in compared(portions).unjudged


def test_a_running_sum_fitted_as_if_independent_promises_too_much() -> None:
    """Why single portions are fitted: the same data as a running sum, by `curve_fit`."""
    rng = np.random.default_rng(22)
    held = 0
    t975 = student.ppf(0.975, len(MINUTES) - 2)
    for _ in range(200):
        sums = np.cumsum(scattered(first_order, rng))
        best, cov = curve_fit(lambda t, S, k: S * (1 - np.exp(-k * t)), MINUTES, sums, (10, 0.06))
        held += abs(best[0] - 10) <= t975 * math.sqrt(cov[0, 0])
    assert held < 170


def test_the_model_behind_the_portions_is_chosen_or_said_to_be_as_good() -> None:
    for truth, name in ((first_order, "first order"), (peleg, "Peleg"), (weibull, "Weibull")):
        rng = np.random.default_rng(5)
        found = [compared(timed(scattered(truth, rng, 0.03))) for _ in range(15)]
        chosen = Counter(one.chosen.model.name for one in found if one.chosen is not None)
        assert chosen[name] >= 12, chosen
        alike = sum(name in [other.model.name for other in one.alike] for one in found)
        assert alike >= 14


def test_what_portions_cannot_tell_is_said() -> None:
    """Three early portions on a nearly straight line: nothing bounds the end, all models do."""
    minutes = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    rng = np.random.default_rng(2)
    amounts = increments(lambda t: 40 * (1 - np.exp(-0.01 * t)), minutes)
    found = compared(timed(amounts * (1 + 0.05 * rng.standard_normal(5)), minutes))
    assert {fit.model for fit in found.alike} >= {FIRST_ORDER, PELEG}
    assert found.chosen is not None
    assert found.chosen.model is FIRST_ORDER
    assert math.isinf(found.chosen.end.high)
    assert math.isinf(found.chosen.reached(0.9).high)


def test_too_few_portions_are_refused_with_the_reason() -> None:
    minutes = MINUTES[:3]
    found = compared(timed(increments(first_order, minutes), minutes))
    assert [fit.model for fit in found.fits] == [FIRST_ORDER, PELEG]
    assert {one.model: one.why for one in found.refusals} == {
        WEIBULL: "3 parameters need 4 measured portions, there are 3",
        TWO_SITE: "4 parameters need 5 measured portions, there are 3",
    }
    none = compared(timed(increments(first_order, MINUTES[:2]), MINUTES[:2]))
    assert none.chosen is None
    assert len(none.refusals) == len(FLOW_MODELS)


# ------------------------------------------------------------------------------ below detection


def test_a_portion_below_detection_counts_as_a_limit_and_never_as_zero() -> None:
    amounts = increments(first_order)
    whole = fit(FIRST_ORDER, timed(amounts))
    low, high = amounts.copy(), amounts.copy()
    low[-2:], high[-2:] = 0.0, 1.0  # truly 0.98 and 0.40
    limited = fit(FIRST_ORDER, timed(low, high=high))
    assert limited.shape[0] == pytest.approx(0.06, rel=1e-4)
    assert limited.end_value == pytest.approx(whole.end_value, rel=1e-4)
    assert limited.df == whole.df - 2
    zero = fit(FIRST_ORDER, timed(low))
    assert zero.shape[0] > 1.05 * 0.06  # what zeros would have made of it
    # a limit that the curve would break does pull it
    high[-2:] = 0.3
    pulled = fit(FIRST_ORDER, timed(low, high=high))
    assert 0.0605 < pulled.shape[0] < zero.shape[0]
    start, end, sd = pulled.timed.start, pulled.timed.end, pulled.timed.sd

    def beyond(p: FloatArray) -> float:
        held = p[0] * (np.exp(-p[1] * start) - np.exp(-p[1] * end))
        off = np.where(held > high, held - high, np.where(held < low, low - held, 0.0))
        return float(np.sum((off / sd) ** 2))

    best = minimize(
        beyond, [10, 0.06], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12}
    )
    assert pulled.rss == pytest.approx(best.fun, rel=1e-4)
    assert [pulled.end_value, pulled.shape[0]] == pytest.approx(list(best.x), rel=1e-3)


def test_mostly_limits_are_refused() -> None:
    amounts = increments(first_order)
    low = amounts.copy()
    low[3:] = 0.0
    found = fitted(FIRST_ORDER, timed(low, high=amounts))
    assert isinstance(found, Refusal)
    assert found.why == "5 of 8 portions are below a limit"


def test_portions_in_several_stretches_hold_what_left_in_all_of_them() -> None:
    """A drain that a sample was taken out of: two stretches, one amount."""

    def left(a: float, b: float) -> float:
        return float(np.diff(first_order(np.array([a, b])))[0])

    start = np.array([0.0, 5.0, 4.0, 9.0, 13.0, 20.0])
    end = np.array([4.0, 9.0, 5.0, 13.0, 20.0, 40.0])
    portion = np.array([0, 0, 1, 2, 3, 4])
    amounts = np.array(
        [left(0, 4) + left(5, 9), left(4, 5), left(9, 13), left(13, 20), left(20, 40)]
    )
    found = fit(FIRST_ORDER, Timed(portion, start, end, amounts, amounts, 0.05 * amounts))
    assert [found.end_value, found.shape[0]] == pytest.approx([10, 0.06], rel=1e-6)
    assert found.amounts == pytest.approx(amounts, rel=1e-6)


# ------------------------------------------------------------------ against time, against water


def flows_of(power: float, rng: np.random.Generator, flows: tuple[float, ...]) -> list[Timed]:
    """Runs whose rate goes with a power of the flow, each with an end value of its own."""
    runs = []
    for flow in flows:
        rate, end = 0.05 * (flow / 0.4) ** power, 10 * (1 + 0.05 * rng.standard_normal())
        runs.append(timed(scattered(lambda t: end * (1 - np.exp(-rate * t)), rng, 0.03)))  # noqa: B023
    return runs


@pytest.mark.parametrize("power", [0.0, 0.5, 1.0])
def test_the_power_of_the_flow_is_found_and_its_interval_holds(power: float) -> None:
    """Of 40 simulated pairs 38 ± 1.4 are expected to hold it."""
    rng = np.random.default_rng(31)
    found = [flow_exponent(flows_of(power, rng, (0.25, 0.5)), (0.25, 0.5)) for _ in range(40)]
    powers = [one.exponent for one in found if one is not None]
    assert len(powers) == 40
    assert np.median([p.value for p in powers]) == pytest.approx(power, abs=0.05)
    assert sum(p.low <= power <= p.high for p in powers) >= 34
    assert all(one is not None and one.span == 2 for one in found)


def test_sums_of_squares_in_both_scales_are_those_of_a_joint_fit() -> None:
    """Against scipy's `curve_fit` on both runs at once: own end values, one rate."""
    flows = (0.25, 0.5)
    runs = flows_of(1.0, np.random.default_rng(8), flows)
    found = flow_exponent(runs, flows)
    assert found is not None
    if found.model is not FIRST_ORDER:
        pytest.fail("the first-order curve should do")
    amounts = np.concatenate([run.low for run in runs])
    sd = np.concatenate([run.sd for run in runs])
    for power, rss in ((0.0, found.rss_time), (1.0, found.rss_water)):

        def held(_: FloatArray, A: float, B: float, k: float, p: float = power) -> FloatArray:
            parts = [
                S * -np.diff(np.exp(-k * (u / 0.35) ** p * np.r_[0.0, MINUTES]))
                for S, u in zip((A, B), flows, strict=True)
            ]
            return np.concatenate(parts)

        best, _ = curve_fit(held, amounts, amounts, (10, 10, 0.05), sd)
        assert rss == pytest.approx(np.sum(((held(amounts, *best) - amounts) / sd) ** 2), rel=1e-3)


def test_one_flow_or_too_few_portions_tell_nothing() -> None:
    runs = flows_of(1.0, np.random.default_rng(8), (0.3, 0.3))
    assert flow_exponent(runs, (0.3, 0.3)) is None
    few = MINUTES[:3]
    short = [timed(increments(first_order, few), few) for _ in range(2)]
    assert flow_exponent(short, (0.3, 0.6)) is None


# ------------------------------------------------------------------------- rates over all runs


REFERENCE = Path(__file__).parent / "reference" / "extraction"


@pytest.mark.parametrize("column", ["ks_per_min", "k2_per_min", "k3_per_min", "kac_per_min"])
def test_activation_energies_of_published_rates(column: str) -> None:
    """Rates of hydrothermal wheat straw at three temperatures, and the energies printed with them.

    Biotechnology for Biofuels 2014, 7:45, Table 3. The fourth rate, k4, is left out: its printed
    166 kJ/mol is not what its printed rates give (162).
    """
    name = "wheat_straw_hydrothermal_arrhenius"
    table = np.genfromtxt(REFERENCE / f"{name}.csv", delimiter=",", names=True)
    printed = json.loads((REFERENCE / f"{name}.json").read_text())["printed"][column]
    rates = np.log(table[column])
    found = pace_over_runs(rates, np.full(3, 0.01), table["temperature_degC"], np.ones(3))
    assert not isinstance(found, str)
    assert found.exponent is None
    assert found.df == 1
    assert found.activation_kJ_mol.value == pytest.approx(printed["E_kJ_per_mol"], abs=0.5)
    # three temperatures leave one degree of freedom: t = 12.7062
    line = linregress(1 / (table["temperature_degC"] + 273.15), rates)
    half = 12.7062 * line.stderr * 8.314462618e-3
    assert found.activation_kJ_mol.high - found.activation_kJ_mol.value == pytest.approx(
        half, rel=1e-4
    )


def test_rates_by_statsmodels_where_portions_tell_all_alike() -> None:
    """With equal errors the weights are equal: ordinary least squares."""
    import statsmodels.api as sm

    rng = np.random.default_rng(4)
    T = np.array([120.0, 120.0, 140.0, 150.0, 150.0, 165.0, 180.0, 180.0])
    u = np.array([0.25, 0.5, 0.5, 0.25, 0.75, 0.5, 0.25, 0.75])
    ln_k = -3 - 60 / 8.314462618e-3 * (1 / (T + 273.15) - 1 / 423.15) + 0.8 * np.log(u)
    ln_k = ln_k + 0.1 * rng.standard_normal(8)
    found = pace_over_runs(ln_k, np.full(8, 0.02), T, u)
    assert not isinstance(found, str)
    X = sm.add_constant(np.column_stack([-1 / (T + 273.15) / 8.314462618e-3, np.log(u)]))
    other = sm.OLS(ln_k, X).fit()
    assert found.exponent is not None
    ends = [(i.low, i.high) for i in (found.activation_kJ_mol, found.exponent)]
    assert np.array(ends) == pytest.approx(other.conf_int()[1:], rel=1e-6)
    assert found.scatter**2 + 0.02**2 == pytest.approx(other.mse_resid)
    mean, low, high = found.rate([160.0], [0.4])
    at = other.get_prediction([[1.0, -1 / 433.15 / 8.314462618e-3, math.log(0.4)]])
    assert np.log([low[0], high[0]]) == pytest.approx(at.conf_int()[0], rel=1e-6)
    assert math.log(mean[0]) == pytest.approx(at.predicted_mean[0])


def test_intervals_over_runs_hold_with_scatter_from_run_to_run() -> None:
    """Twelve runs of unlike errors, with 8 % scatter of rates; of 300 campaigns 285 ± 3.8."""
    rng = np.random.default_rng(6)
    T = np.repeat([125.0, 145.0, 160.0, 175.0], 3)
    u = np.tile([0.25, 0.5, 0.75], 4)
    error = np.tile([0.02, 0.05, 0.15], 4)
    truth = -3 - 55 / 8.314462618e-3 * (1 / (T + 273.15) - 1 / 423.15) + 0.6 * np.log(u)
    held = np.zeros(2)
    for _ in range(300):
        seen = truth + np.hypot(0.08, error) * rng.standard_normal(12)
        found = pace_over_runs(seen, error, T, u)
        assert not isinstance(found, str)
        assert found.exponent is not None
        E, p = found.activation_kJ_mol, found.exponent
        held += [E.low <= 55 <= E.high, p.low <= 0.6 <= p.high]
    assert (held >= 272).all(), held
    assert (held <= 297).all(), held


@pytest.mark.parametrize(
    ("temperatures", "flows", "why"),
    [
        ([150, 151, 170, 171], [1, 2, 1, 2], "needs 3 temperatures"),
        ([120, 150, 180], [1, 2, 1.5], "3 coefficients need 4 runs"),
        ([120, 140, 160, 180], [1, 2, 3, 4], "rose and fell with temperature"),
    ],
)
def test_rates_that_runs_cannot_tell_apart(
    temperatures: list[float], flows: list[float], why: str
) -> None:
    n = len(temperatures)
    found = pace_over_runs(
        np.zeros(n), np.full(n, 0.1), np.array(temperatures, float), np.array(flows, float)
    )
    assert isinstance(found, str)
    assert why in found


def test_an_amount_that_cannot_be_is_a_caller_bug() -> None:
    amounts = increments(first_order)
    with pytest.raises(ValueError, match="ends after it begins"):
        Timed(np.arange(2), np.array([0.0, 5.0]), np.array([5.0, 5.0]), *(amounts[:2],) * 3)
    with pytest.raises(ValueError, match="above 0"):
        Timed(np.arange(2), np.zeros(2), np.ones(2), amounts[:2], amounts[:2], np.zeros(2))
