"""Values beyond a limit in whole plots or random blocks: brute force, simulated truth."""

from dataclasses import replace

import numpy as np
import pytest
from published_data import Y, coded_space, observed
from test_fit_split_plot import SPACE, blocked, codes
from test_fit_split_plot import simulated as split_plot

from doe.analysis.censored import fit_censored
from doe.analysis.censored_groups import fit_censored_groups, widened
from doe.analysis.decision import surrogate_of
from doe.analysis.fit import fit_response, largest_model
from doe.analysis.observations import Observations
from doe.analysis.optimum import fitted_largest
from doe.analysis.strata import strata_of
from doe.errors import FitError
from doe.factors import FactorSpace, NumericFactor
from doe.responses import Response
from doe.terms import linear_model, quadratic_model


def made_up(seed, low=-0.8, high=2.5, plot_sd=0.9):
    """Nine plots of three or four runs; one term of plots, one of runs; limits at both ends."""
    rng = np.random.default_rng(seed)
    plots = np.repeat(np.arange(9), (4, 3, 4, 4, 3, 4, 4, 3, 4))
    n = len(plots)
    X = np.column_stack([np.ones(n), (plots % 3) - 1.0, rng.uniform(-1, 1, n)])
    effect = plot_sd * rng.normal(size=9)
    y = X @ [0.4, 1.0, 0.8] + effect[plots] + rng.normal(0, 0.6, n)
    sides = tuple("below" if v < low else "above" if v > high else None for v in y)
    return X, y.clip(low, high), sides, plots


def loss(at, X, y, sides, plots):
    """−2 log likelihood at (β, log σ, τ): scipy's normal probabilities, and the trapezium rule so
    fine that what is integrated changes little from one point to the next."""
    from scipy.special import logsumexp
    from scipy.stats import norm

    *beta, log_sigma, tau = at
    u, total = np.linspace(-9, 9, 6001), 0.0
    mean, sigma = (X @ np.array(beta))[:, None] + tau * u, np.exp(log_sigma)
    of = {"below": norm.logcdf, "above": norm.logsf, None: norm.logpdf}
    for plot in np.unique(plots):
        own = np.flatnonzero(plots == plot)
        parts = [of[sides[i]](y[i], mean[i], sigma) for i in own]
        total += logsumexp(norm.logpdf(u) + np.sum(parts, axis=0)) + np.log(u[1] - u[0])
    return -2 * total


def place(fit):
    tau, sigma = np.sqrt(fit.variances)
    return np.array([*fit.coefficients, np.log(sigma), tau])


@pytest.mark.parametrize("plot_sd", [0.9, 12.0], ids=["alike", "plots far apart"])
def test_likelihood_against_brute_force_integration(plot_sd):
    """The value at the best, and no better place nearby; also where plots scatter 20 times as much
    as runs, and a plot's integrand is cut off like a step."""
    limits = (-0.8, 2.5) if plot_sd < 1 else (-8.0, 9.0)
    X, y, sides, plots = made_up(2, *limits, plot_sd=plot_sd)
    assert 3 < sum(side is not None for side in sides) < 20
    assert plot_sd < 1 or any(
        all(side is not None for side in np.array(sides, dtype=object)[plots == g])
        for g in range(9)
    )
    fit = fit_censored_groups(X, y, sides, plots)
    best = place(fit)
    exact = 1e-6 if plot_sd < 1 else 1e-4
    assert fit.criterion == pytest.approx(loss(best, X, y, sides, plots), abs=exact)
    rng = np.random.default_rng(0)
    for _ in range(6):
        nearby = best + rng.normal(0, 0.02, len(best))
        assert loss(nearby, X, y, sides, plots) > fit.criterion


def test_standard_errors_against_the_curvature_of_the_brute_force_likelihood():
    X, y, sides, plots = made_up(2)
    fit = fit_censored_groups(X, y, sides, plots)
    best, steps = place(fit), 2e-3 * np.eye(5)
    information = np.empty((5, 5))
    for i in range(5):
        for j in range(i, 5):
            information[i, j] = information[j, i] = sum(
                a * b * loss(best + a * steps[i] + b * steps[j], X, y, sides, plots)
                for a in (1, -1)
                for b in (1, -1)
            ) / (8 * 2e-3**2)
    covariance = np.linalg.inv(information)[:3, :3]
    assert fit.covariance == pytest.approx(covariance, rel=5e-3, abs=1e-4)


def test_all_measured_is_the_mixed_model_of_statsmodels_by_maximum_likelihood():
    from statsmodels.regression.mixed_linear_model import MixedLM

    X, y, sides, plots = made_up(4, low=-99, high=99)
    fit = fit_censored_groups(X, y, sides, plots)
    other = MixedLM(y, X, groups=plots).fit(reml=False)
    assert fit.criterion == pytest.approx(-2 * other.llf, abs=1e-6)
    assert fit.coefficients == pytest.approx(other.fe_params, abs=1e-4)
    assert fit.variances == pytest.approx([other.cov_re[0, 0], other.scale], rel=1e-3)


def test_all_measured_and_widened_is_residual_likelihood_in_balanced_plots():
    """Mean squares by hand: between plots, and of runs inside them (exact in balanced plots)."""
    rng = np.random.default_rng(6)
    plots = np.repeat(np.arange(8), 4)
    hard, easy = np.where(plots % 2, 1.0, -1.0), np.tile([-1.0, 1.0, -1.0, 1.0], 8)
    X = np.column_stack([np.ones(32), hard, easy, hard * easy])
    y = X @ [5.0, 1.0, 0.5, 0.0] + rng.normal(size=32) + rng.normal(size=8)[plots]
    rest = y - X @ (X.T @ y) / 32
    means = np.bincount(plots, rest) / 4
    between, inside = 4 * means @ means / 6, ((rest - means[plots]) ** 2).sum() / (24 - 2)
    assert between > inside
    fit = fit_censored_groups(X, y, (None,) * 32, plots)
    assert fit.variances.sum() < 0.95 * ((between - inside) / 4 + inside)
    wide = widened(X, fit, 32, ("plot", plots))
    assert wide.variances == pytest.approx([(between - inside) / 4, inside], rel=1e-4)
    errors = np.sqrt(np.array([between, between, inside, inside]) / 32)
    assert np.sqrt(np.diag(wide.covariance)) == pytest.approx(errors, rel=1e-3)
    assert wide.degrees_of_freedom(np.eye(4)) == pytest.approx([6, 6, 22, 22], rel=1e-3)
    some = widened(X, fit, 25, ("plot", plots))
    assert some.degrees_of_freedom(np.eye(4))[2] == pytest.approx(22 * 21 / 28, rel=1e-3)


def test_where_plots_do_not_scatter_it_is_the_fit_of_runs_alone():
    """Plots whose means agree too well for chance: every run opposed by one of its plot."""
    rng = np.random.default_rng(8)
    plots = np.repeat(np.arange(8), 4)
    noise = rng.normal(0, 0.6, (8, 2))
    X = np.column_stack([np.ones(32), (plots % 2) - 0.5, np.tile([-1.0, 1.0, 1.0, -1.0], 8)])
    y = X @ [0.0, 1.0, 0.5] + np.column_stack([noise, -noise]).ravel()
    sides = tuple("below" if v < -0.9 else None for v in y)
    y = y.clip(min=-0.9)
    hidden = np.array([side is not None for side in sides])
    assert hidden.sum() >= 4
    fit, alone = fit_censored_groups(X, y, sides, plots), fit_censored(X, y, sides)
    assert fit.variances[0] == 0
    assert fit.group_slope < 0
    assert fit.criterion == pytest.approx(alone.criterion, abs=1e-9)
    assert fit.coefficients == pytest.approx(alone.coefficients, abs=1e-5)
    assert fit.covariance == pytest.approx(alone.covariance, rel=1e-3, abs=1e-7)
    assert fit.expected == pytest.approx(alone.expected, abs=1e-5)
    wide = widened(X, fit, int((~hidden).sum()), ("plot", plots))
    if wide.variances[0] == 0:
        assert wide.variances[1] == pytest.approx(alone.sd**2 * 32 / 29, rel=1e-4)


def test_expected_values_against_brute_force():
    """E(y | all values) of one hidden run, by integrating over it and its plot's effect."""
    from scipy.integrate import dblquad
    from scipy.stats import norm

    X, y, sides, plots = made_up(2)
    fit = fit_censored_groups(X, y, sides, plots)
    hidden = next(
        i
        for i, side in enumerate(sides)
        if side == "below"
        and sum(sides[j] is not None for j in np.flatnonzero(plots == plots[i])) == 1
    )
    own = [i for i in np.flatnonzero(plots == plots[hidden]) if i != hidden]
    tau, sigma = np.sqrt(fit.variances)
    mean = X @ fit.coefficients

    def density(value, u):
        known = np.prod([norm.pdf(y[i], mean[i] + tau * u, sigma) for i in own])
        return norm.pdf(u) * known * norm.pdf(value, mean[hidden] + tau * u, sigma)

    low = y[hidden] - 6
    mass = dblquad(density, -6, 6, low, y[hidden])[0]
    first = dblquad(lambda v, u: v * density(v, u), -6, 6, low, y[hidden])[0]
    assert fit.expected[hidden] == pytest.approx(first / mass, abs=1e-5)


def test_a_split_plot_with_values_below_detection_is_fitted_and_says_how():
    data = split_plot()
    limit = float(np.quantile(data.values, 0.2))
    sides = tuple("below" if v < limit else None for v in data.values)
    part = replace(data, values=data.values.clip(min=limit), censored=sides)
    fit = fit_response(Y, quadratic_model(SPACE), part)
    whole = fit_response(Y, quadratic_model(SPACE), data)
    assert fit.method == "maximum likelihood, censored, in groups"
    assert {"censored-values", "whole-plots"} <= codes(fit)
    assert [name for name, _ in fit.variance_components] == ["plot", "run"]
    assert fit.df_residual < whole.df_residual
    for mine, full in zip(fit.estimates, whole.estimates, strict=True):
        assert abs(mine.coefficient - full.coefficient) < 3 * full.standard_error
        assert mine.df < full.df
    at = fit.predict([[0.0, 0.0, 0.0]])
    assert at.run_low[0] < at.mean_low[0] < at.mean[0] < at.mean_high[0] < at.run_high[0]


def test_five_days_at_random_are_fitted_alike():
    space, data = blocked([d for d in range(6) for _ in range(3)], shift=0.8)
    limit = float(np.quantile(data.values, 0.2))
    sides = tuple("below" if v < limit else None for v in data.values)
    fit = fit_response(
        Y, linear_model(space), replace(data, values=data.values.clip(min=limit), censored=sides)
    )
    assert [name for name, _ in fit.variance_components] == ["day", "run"]
    assert abs(fit.estimates[1].coefficient - 2.0) < 4 * fit.estimates[1].standard_error


def test_too_few_measured_plots_are_refused_in_words():
    data = split_plot()
    plots = np.array(data.plots)
    hidden = tuple(None if plot in (1, 8) else "below" for plot in plots)
    with pytest.raises(FitError, match="too few to judge the scatter from one plot to the next"):
        fit_response(Y, linear_model(SPACE), replace(data, censored=hidden))


def test_values_that_do_not_fix_the_scatter_are_refused():
    """Measured values without any scatter inside plots: the likelihood grows without end."""
    plots = np.repeat(np.arange(6), 3)
    X = np.column_stack([np.ones(18), np.where(plots % 2, 1.0, -1.0)])
    y = np.repeat([1.0, 2.0, 3.1, 1.4, 2.2, 0.3], 3)
    sides = tuple("below" if i % 6 == 1 else None for i in range(18))
    with pytest.raises(ValueError, match="no maximum"):
        fit_censored_groups(X, y, sides, plots)


@pytest.mark.long
def test_tests_and_intervals_in_plots_hold_their_level():
    """60 null campaigns of nine plots of four, a quarter of the values below detection."""
    rng, space = np.random.default_rng(12), coded_space(2)
    plots = np.repeat(np.arange(1, 10), 4)
    points = np.column_stack([((plots - 1) % 3) - 1.0, np.tile([-1.0, 1.0, 0.0, 0.5], 9)])
    false, held, count = 0, 0, 60
    for _ in range(count):
        y = rng.normal(0, 1, 36) + rng.normal(0, 1, 10)[plots]
        sides = tuple("below" if v < -1 else None for v in y)
        data = observed(space, points, y.clip(min=-1), plots=tuple(plots.tolist()))
        fit = fit_response(Y, linear_model(space), replace(data, censored=sides))
        false += fit.estimates[1].p_value < 0.05
        at = fit.predict([[0.0, 0.0]])
        held += at.mean_low[0] <= 0 <= at.mean_high[0]
    error = np.sqrt(0.05 * 0.95 / count)
    assert false / count < 0.05 + 3 * error
    assert held / count > 0.95 - 3 * error


def test_with_two_random_groupings_the_likelier_counts_and_the_other_is_said():
    """The best settings of a campaign must not lose a limit because a second stage was made."""
    data = split_plot()
    n = len(data.values)
    sides = ("below", *(None,) * (n - 1))
    days = tuple(1 + i % 6 for i in range(n))
    both = replace(data, censored=sides, blocks=(("day", days),))
    model = linear_model(SPACE)
    random = strata_of(model, both).random
    assert [name for name, _ in random] == ["plot", "day"]
    fit = fit_response(Y, model, both)
    X, y = model.matrix(both.coded()), np.asarray(both.values)
    bests = {name: place(fit_censored_groups(X, y, sides, groups)) for name, groups in random}
    criteria = {name: loss(bests[name], X, y, sides, groups) for name, groups in random}
    likelier = min(criteria, key=lambda name: criteria[name])
    assert [name for name, _ in fit.variance_components] == [likelier, "run"]
    said = next(n.what for n in fit.notices if n.code == "censored-in-one-grouping")
    assert said.index(f"runs of one {likelier}") < said.index("is not counted")
    assert all(name in said for name in criteria)


def test_limits_at_all_but_one_level_leave_a_plain_mean_beside_the_surfaces():
    """Nothing measured but at the hottest: no polynomial can tell temperature, the surface does."""
    space = FactorSpace((NumericFactor("a", "", -1, 1), NumericFactor("b", "", -1, 1)))
    settings = np.array([[a, b] for a in (-1.0, 0.0, 1.0) for b in (-1.0, 0.0, 1.0)] * 2)
    hot, runs = settings[:, 0] > 0.5, tuple(range(1, 19))
    values = np.where(hot, 2.6 + 0.1 * np.random.default_rng(2).standard_normal(18), 1.0)
    data = Observations(
        space,
        settings,
        settings,
        values,
        runs,
        (1,) * 18,
        runs,
        (None,) * 18,
        censored=tuple(None if one else "below" for one in hot),
    )
    model = linear_model(space)
    with pytest.raises(FitError):
        largest_model(space, data, model)
    response = Response("y", "mg/g", "below", limit=1.5)
    fit = fitted_largest(response, model, data)
    assert len(fit.model) == 1
    assert "plain-mean" in [notice.code for notice in fit.notices]
    own = surrogate_of(response, data, None, np.random.default_rng(1))
    chances = own.chance_between(np.array([[-1.0, 0.0], [1.0, 0.0]]), -np.inf, 1.5)
    assert chances[0] > 0.8
    assert chances[1] < 0.05
