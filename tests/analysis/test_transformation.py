"""Transformed and censored responses."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from published_data import Printed, Y, coded_space, columns, model_of, observed
from test_fit_published_handbooks import CERAMIC_12
from test_fit_split_plot import SPACE, simulated

from doe.analysis.censored import fit_censored
from doe.analysis.fit import fit_response
from doe.analysis.selection import power_wanted
from doe.analysis.transformation import Transformation, box_cox, log, power
from doe.errors import FitError
from doe.factors import CategoricalFactor, FactorSpace
from doe.terms import linear_model, quadratic_model

SQUARE = coded_space(2)
CCD = np.array(
    [*itertools.product((-1, 1), (-1, 1)), (-1, 0), (1, 0), (0, -1), (0, 1), *[(0, 0)] * 3],
    dtype=float,
)
TWICE = np.vstack([CCD, CCD])


def ceramic():
    table = columns("statistics", "nist_ceramic_2to5")
    space = coded_space(5)
    points = np.column_stack([table[f"X{i}"] for i in range(1, 6)])
    return space, observed(space, points, table["strength"])


@settings(max_examples=60, deadline=None)
@given(exponent=st.sampled_from([-2.0, -1, -0.5, 0, 0.2, 0.5, 1, 2]), y=st.floats(0.05, 50))
def test_back_undoes_forward_and_order_is_kept(exponent, y):
    at = Transformation(exponent, 3.0)
    assert float(at.back(at.forward(y))) == pytest.approx(y, rel=1e-6)
    assert at.forward(1.01 * y) > at.forward(y)
    step = 1e-5
    z = at.forward(y)
    numeric = (at.back(z + step) - at.back(z - step)) / (2 * step)
    assert float(at.slope_back(z)) == pytest.approx(float(numeric), rel=1e-3)


def test_ceramic_power_against_nist_5_4_7_1():
    """The page reads 0.2 off a graph; an independent recomputation of the profile gives 0.27."""
    space, data = ceramic()
    printed = Printed("nist_ceramic_2to5").checks
    check = printed["Box-Cox optimum lambda (12-term model), printed to one decimal"]
    found = power_wanted(model_of(space, *CERAMIC_12), data)
    assert found.best == pytest.approx(0.2, abs=check["tolerance"])
    assert found.best == pytest.approx(check["recomputed"], abs=2e-3)
    assert found.low < 0.2 < found.high


def test_fit_with_a_power_against_nist_5_4_7_1():
    """The 11-term fit of the transformed strength, through the fit's own transformation."""
    space, data = ceramic()
    printed = Printed("nist_ceramic_2to5")
    model = model_of(space, *(w for w in CERAMIC_12 if w != "DE"))
    fit = fit_response(Y, model, data, transformation=power(0.2, data.values))
    assert fit.r2 == printed["11-term transformed RSquare"]
    assert fit.residual_sd == printed["11-term transformed RMSE"]
    assert fit.estimates[0].coefficient == printed["11-term transformed mean"]
    assert fit.transformation == "power 0.2"
    assert fit.values == pytest.approx(data.values)
    assert 100 < fit.fitted.min() < fit.fitted.max() < 1000


def multiplicative(rng, sd=0.5):
    return np.exp(1 + TWICE @ [0.8, -0.4] + rng.normal(0, sd, len(TWICE)))


def test_logarithm_gives_medians_means_and_intervals_that_cover():
    """1,000 invented campaigns, the truth known in closed form."""
    rng = np.random.default_rng(9)
    at, rounds, hits = np.array([[0.5, -0.5]]), 1000, np.zeros(2)
    true = np.exp(1 + 0.4 + 0.2)
    medians, means = [], []
    for _ in range(rounds):
        data = observed(SQUARE, TWICE, multiplicative(rng))
        fit = fit_response(Y, linear_model(SQUARE), data, transformation=log())
        p = fit.predict(at)
        new = true * np.exp(rng.normal(0, 0.5))
        hits += [p.mean_low[0] <= true <= p.mean_high[0], p.run_low[0] <= new <= p.run_high[0]]
        medians.append(float(p.mean[0]))
        means.append(float(p.expected[0]))
    assert hits / rounds == pytest.approx(0.95, abs=4 * np.sqrt(0.05 * 0.95 / rounds))
    assert np.median(medians) == pytest.approx(true, rel=0.02)
    assert np.median(means) == pytest.approx(true * np.exp(0.125), rel=0.03)


def test_chance_between_of_a_transformed_fit_agrees_with_its_interval():
    data = observed(SQUARE, TWICE, multiplicative(np.random.default_rng(2)))
    fit = fit_response(Y, linear_model(SQUARE), data, transformation=log())
    p = fit.predict([[0.0, 0.0]], level=0.8)
    chance = fit.chance_between([[0.0, 0.0]], float(p.run_low[0]), float(p.run_high[0]))
    assert chance[0] == pytest.approx(0.8)
    assert fit.chance_between([[0.0, 0.0]], -np.inf, np.inf)[0] == pytest.approx(1)


def test_mean_back_against_draws():
    at = power(0.5, np.array([1.0, 4.0, 9.0]))
    draws = at.back(3.0 + 0.8 * np.random.default_rng(1).normal(size=200_000))
    assert float(at.mean_back(np.array([3.0]), 0.8)[0]) == pytest.approx(draws.mean(), rel=3e-3)


def test_logarithm_in_a_split_plot():
    data = simulated()
    straight = fit_response(Y, quadratic_model(SPACE), data)
    grown = replace(data, values=np.exp(data.values / 20))
    fit = fit_response(Y, quadratic_model(SPACE), grown, transformation=log())
    assert fit.coefficients == pytest.approx(straight.coefficients / 20, rel=1e-6, abs=1e-8)
    high = straight.predict([[0.5, 0, 0]]).run_high[0]
    assert fit.predict([[0.5, 0, 0]]).run_high[0] == pytest.approx(np.exp(high / 20), rel=1e-6)


def direct_loss(parameters, X, y, sides):
    from scipy.stats import norm

    sd, mean = np.exp(parameters[-1]), X @ parameters[:-1]
    parts = [
        norm.logcdf(v, m, sd)
        if s == "below"
        else norm.logsf(v, m, sd)
        if s == "above"
        else norm.logpdf(v, m, sd)
        for v, m, s in zip(y, mean, sides, strict=True)
    ]
    return -float(np.sum(parts))


def censored_data(seed, low=-1.0, high=3.0):
    rng = np.random.default_rng(seed)
    X = np.column_stack([np.ones(22), TWICE])
    y = X @ [0.5, 1.5, -0.7] + rng.normal(0, 0.6, 22)
    sides = tuple("below" if v < low else "above" if v > high else None for v in y)
    return X, y.clip(low, high), sides


@pytest.mark.parametrize("seed", range(4))
def test_censored_fit_against_direct_search_of_the_likelihood(seed):
    """scipy.stats' own normal probabilities, scipy.optimize's general search."""
    from scipy.optimize import minimize

    X, y, sides = censored_data(seed)
    assert any(sides)
    fit = fit_censored(X, y, sides)
    start = np.append(np.linalg.lstsq(X, y, rcond=None)[0], 0.0)
    found = minimize(direct_loss, start, args=(X, y, sides), method="BFGS", options={"gtol": 1e-7})
    assert fit.criterion == pytest.approx(2 * found.fun, abs=1e-6)
    assert fit.coefficients == pytest.approx(found.x[:3], abs=1e-4)
    assert fit.sd == pytest.approx(np.exp(found.x[3]), rel=1e-4)
    steps = 1e-4 * np.eye(4)
    information = [
        [
            sum(
                a * b * direct_loss(found.x + a * i + b * j, X, y, sides)
                for a in (1, -1)
                for b in (1, -1)
            )
            / 4e-8
            for j in steps
        ]
        for i in steps
    ]
    assert fit.covariance == pytest.approx(np.linalg.inv(information)[:3, :3], rel=1e-3, abs=1e-5)


def test_without_censored_values_figures_are_those_of_least_squares():
    X, y, _ = censored_data(1, low=-99, high=99)
    data = observed(SQUARE, TWICE, y)
    plain = fit_response(Y, linear_model(SQUARE), data)
    fit = fit_censored(X, y, (None,) * 22)
    assert fit.coefficients == pytest.approx(plain.coefficients)
    assert fit.covariance * 22 / 19 == pytest.approx(plain.covariance, rel=1e-5, abs=1e-12)


def test_values_below_detection_are_not_replaced_by_a_number():
    """400 campaigns of 22 runs with a third below the limit: bias and coverage of the slope,
    beside what half the limit would give."""
    rng, limit = np.random.default_rng(5), 1.0
    from scipy.special import stdtrit

    slopes, halves, hits, done = [], [], 0, 0
    for _ in range(400):
        y = 1.5 + TWICE @ [1.0, 0.3] + rng.normal(0, 0.5, 22)
        sides = tuple("below" if v < limit else None for v in y)
        data = replace(observed(SQUARE, TWICE, np.maximum(y, limit)), censored=sides)
        fit = fit_response(Y, linear_model(SQUARE), data)
        slope = fit.estimates[1]
        half = replace(data, values=np.where([bool(s) for s in sides], limit / 2, y), censored=())
        halves.append(fit_response(Y, linear_model(SQUARE), half).estimates[1].coefficient)
        slopes.append(slope.coefficient)
        hits += abs(slope.coefficient - 1) <= stdtrit(slope.df, 0.975) * slope.standard_error
        done += 1
    assert np.mean(slopes) == pytest.approx(1.0, abs=0.03)
    assert abs(np.mean(halves) - 1) > 3 * abs(np.mean(slopes) - 1)
    assert hits / done >= 0.95 - 4 * np.sqrt(0.05 * 0.95 / done)


def test_censored_fit_says_so_and_refuses_what_it_cannot_do():
    _, y, sides = censored_data(0)
    data = replace(observed(SQUARE, TWICE, y), censored=sides)
    fit = fit_response(Y, linear_model(SQUARE), data)
    assert fit.method == "maximum likelihood, censored"
    assert "censored-values" in {n.code for n in fit.notices}
    assert fit.df_residual == sum(s is None for s in sides) - 3
    every = replace(data, censored=("below",) * 22)
    with pytest.raises(FitError, match="every value lies beyond"):
        fit_response(Y, linear_model(SQUARE), every)


def test_power_wanted_does_not_depend_on_the_unit():
    """Peak areas in counts ask for the power that the same areas in millions ask for."""
    rng = np.random.default_rng(4)
    values = 10 + TWICE @ [1.0, 0.5] + rng.normal(0, 0.3, len(TWICE))

    def profile(y):
        X = np.column_stack([np.ones(len(TWICE)), TWICE])

        def criterion(z):
            residuals = z - X @ np.linalg.lstsq(X, z, rcond=None)[0]
            return len(z) * np.log(residuals @ residuals)

        return box_cox(y, criterion, len(TWICE) - 3)

    small, large = profile(values), profile(1e7 * values)
    assert large.best == pytest.approx(small.best, abs=1e-3)
    assert (large.low, large.high) == pytest.approx((small.low, small.high), abs=1e-3)


def test_interval_of_the_power_leaves_out_the_truth_as_often_as_it_says():
    """400 campaigns of 11 runs and six terms whose values need no transformation.

    χ² with one degree of freedom in place of t² would leave 1 out in more than a quarter of them.
    """
    rng, rounds, missed = np.random.default_rng(6), 400, 0
    x, z = CCD.T
    truth = 60 + 10 * x + 4 * z - 9 * x**2 - 2 * z**2 - 3 * x * z
    for _ in range(rounds):
        data = observed(SQUARE, CCD, truth + rng.normal(0, 2, len(CCD)))
        found = power_wanted(quadratic_model(SQUARE), data)
        missed += not found.low <= 1 <= found.high
        assert (found.suggested == 1) == (found.low <= 1 <= found.high)
    assert missed / rounds == pytest.approx(0.05, abs=3 * np.sqrt(0.05 * 0.95 / rounds))


def test_every_power_is_possible_where_it_uses_up_the_last_degree_of_freedom():
    """Seven runs for six terms: one power or another passes through all of them."""
    rng = np.random.default_rng(2)
    data = observed(SQUARE, CCD[:9], 60 + 10 * CCD[:9, 0] + rng.normal(0, 2, 9))
    found = power_wanted(quadratic_model(SQUARE), data.only([0, 1, 2, 3, 4, 6, 8]))
    assert found.interval == "below −3 to above 3"
    assert found.suggested == 1


def test_a_logarithm_of_zero_is_refused_by_run():
    space, data = ceramic()
    values = data.values.copy()
    values[4] = 0.0
    model = model_of(space, "A", "B")
    with pytest.raises(FitError, match=r"run 5 is not above zero.*<0.05"):
        fit_response(Y, model, replace(data, values=values), transformation=log())


PLANE = np.array([(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1)] * 2, dtype=float)[:14]


def plane(values, sides=()):
    """Runs over two factors; those with a side count as beyond their value."""
    made = observed(coded_space(2), PLANE[: len(values)], values)
    return replace(made, censored=tuple(sides))


def test_run_far_beyond_its_limit_changes_no_standard_error():
    """A value that had to lie beyond its limit tells nothing: the fit is that without the run."""
    rng = np.random.default_rng(8)
    values = 10 + 3 * PLANE[:, 0] + 2 * PLANE[:, 1] + rng.normal(0, 0.3, 14)
    sides = [None] * 12 + ["below", None]
    values[12] = values.max() + 100  # "below 120" where 10 is to be expected
    limited = fit_response(Y, linear_model(coded_space(2)), plane(values, sides))
    others = [i for i in range(14) if i != 12]
    without = fit_response(
        Y, linear_model(coded_space(2)), observed(coded_space(2), PLANE[others], values[others])
    )
    assert limited.coefficients == pytest.approx(without.coefficients, rel=1e-6)
    assert limited.residual_sd == pytest.approx(without.residual_sd, rel=1e-6)
    assert [e.standard_error for e in limited.estimates] == pytest.approx(
        [e.standard_error for e in without.estimates], rel=1e-6
    )
    assert limited.leverage[others] == pytest.approx(without.leverage, rel=1e-6)
    assert limited.cook[others] == pytest.approx(without.cook, rel=1e-5)
    assert limited.leverage[12] == pytest.approx(0, abs=1e-6)


def test_run_left_alone_by_hidden_partners_is_fitted_without_a_warning():
    """Warnings are errors here. Only run 5 still tells what the third level does."""
    space = FactorSpace((CategoricalFactor("grind", ("fine", "middling", "coarse")),))
    levels = np.array([0, 0, 0, 1, 2, 2, 1, 0, 1], dtype=float)[:, None]
    values = np.array([5.0, 5.2, 4.9, 7.1, 2.0, 40.0, 7.3, 5.1, 6.8])
    data = observed(space, levels, values)
    data = replace(data, censored=(None,) * 5 + ("below",) + (None,) * 3)
    fit = fit_response(Y, linear_model(space), data)
    assert fit.leverage[4] == pytest.approx(1, abs=1e-6)
    assert np.isnan(fit.studentised[4])
    assert np.isnan(fit.cook[4])
    assert np.isfinite(np.delete(fit.studentised, [4, 5])).all()


def test_power_at_the_end_of_those_looked_at_is_called_beyond():
    """Values whose reciprocal fourth power is normal ask for a power of about −4: beyond −3."""
    rng = np.random.default_rng(3)
    values = (20 + 3 * TWICE[:, 0] + rng.normal(0, 0.05, 22)) ** (-1 / 4)
    found = power_wanted(linear_model(SQUARE), observed(SQUARE, TWICE, values))
    assert found.best_in_words == "−3 or below"
    assert found.interval.startswith("below −3")
