"""Where the best may lie, what can be had at the cost of what, how likely limits are met."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from published_data import Printed, coded_space, observed
from scipy import stats
from test_optimum_search import CINNAMON, TYRE, cinnamon, tyre_fits

from doe.analysis.fit import fit_response
from doe.analysis.location import location_of_best
from doe.analysis.optimum import best_of_one, candidates_for_search, joint_optimum
from doe.analysis.pareto import choices, figures_of_merit, undominated
from doe.analysis.reliability import all_aims, probable_region, transmitted_sd
from doe.factors import CategoricalFactor, FactorSpace, NumericFactor, whole_box
from doe.responses import Response
from doe.terms import linear_model, quadratic_model

SQUARE = coded_space(2)
POINTS = np.array(
    [(i, j) for i in (-1, 1) for j in (-1, 1)] + [(-1, 0), (1, 0), (0, -1), (0, 1)] + [(0, 0)] * 4,
    dtype=float,
)


def fit_of(response, truth, scatter, model=quadratic_model, points=POINTS, space=SQUARE):
    return fit_response(response, model(space), observed(space, points, truth(*points.T) + scatter))


# -------------------------------------------------------------------------------- desirabilities


def test_desirabilities_at_the_printed_solution_against_nist_5_5_3_2_2():
    """Derringer and Suich's functions of the predicted means, x* = (−0.10, 0.15, −1)."""
    printed, worths = Printed("nist_tyre_desirability"), []
    for i, (response, fit) in enumerate(zip(TYRE, tyre_fits(1), strict=True), start=1):
        mean = fit.predict([[-0.10, 0.15, -1.0]]).mean
        worths.append(float(response.worth(mean, fit.observed)[0]))
        assert worths[-1] == printed[f"d{i} at printed x*"]
    assert np.prod(worths) ** 0.25 == printed["overall D at printed x*"]


# --------------------------------------------------------------------------------- the unbeaten


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(*[st.integers(0, 4)] * 3), min_size=1, max_size=30))
def test_undominated_against_comparing_all_pairs(rows):
    merits = np.array(rows, dtype=float)
    found = undominated(merits)
    for i, row in enumerate(merits):
        beaten = ((merits >= row).all(axis=1) & (merits > row).any(axis=1)).any()
        twin_before = (merits[:i] == row).all(axis=1).any()
        assert found[i] == (not beaten and not twin_before)


def test_choices_hold_each_response_s_best_and_nothing_beats_them():
    wanted = [
        Response("extraction_yield_pct", "%", "maximise"),
        Response("coumarin_pct_as_printed", "%", "maximise"),
    ]
    fits = cinnamon(wanted, [r.name for r in wanted])
    grid = candidates_for_search(CINNAMON, whole_box)
    found = choices(fits, grid)
    means = np.array([[float(p.mean[0]) for p in c.predictions.values()] for c in found])
    everywhere = np.column_stack([fit.predict(grid).mean for fit in fits])
    assert 4 <= len(found) <= 8
    assert means.max(axis=0) == pytest.approx(everywhere.max(axis=0))
    for mean in means:
        assert not (everywhere > mean + 1e-9).all(axis=1).any()
    assert (np.diff(means[:, 0]) < 0).all()
    assert (np.diff(means[:, 1]) > 0).all()


def test_choices_of_one_response_are_none():
    assert (
        choices(cinnamon([Response("extraction_yield_pct", "%", "maximise")]), CINNAMON.grid(3))
        == ()
    )


def test_keeping_a_limit_by_more_is_worth_nothing():
    rng = np.random.default_rng(1)
    fit = fit_of(
        Response("y", "", "below", limit=8.0), lambda a, b: 5 + 2 * a, rng.normal(0, 0.1, 12)
    )
    merit = figures_of_merit([fit], np.array([[-1.0, 0], [0, 0], [0.95, 0], [1, 0]]))[:, 0]
    assert merit.tolist() == [0, 0, 0, 0]
    tight = fit_of(
        Response("y", "", "below", limit=5.0), lambda a, b: 5 + 2 * a, rng.normal(0, 0.1, 12)
    )
    merit = figures_of_merit([tight], np.array([[-1.0, 0], [0.5, 0], [1, 0]]))[:, 0]
    assert merit[0] == 0 > merit[1] > merit[2]


# ----------------------------------------------------------------------------- place of the best


def test_true_best_place_is_covered_about_as_often_as_stated():
    """300 simulated campaigns with the top at (0.3, −0.2); each factor counted alone.

    Within 3 Monte-Carlo errors of 95 %, upwards more: ends are moved out by half a grid step.
    """
    grid, hits, campaigns = SQUARE.grid(41), np.zeros(2), 300
    for seed in range(campaigns):
        scatter = np.random.default_rng(seed).normal(0, 0.25, 12)
        fit = fit_of(
            Response("y", "", "maximise"),
            lambda a, b: 5 - (a - 0.3) ** 2 - (b + 0.2) ** 2,
            scatter,
        )
        found = location_of_best([fit], grid, seed=seed, draws=300)
        hits += [s.low <= t <= s.high for s, t in zip(found.spreads, (0.3, -0.2), strict=True)]
    assert (hits / campaigns >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / campaigns)).all()
    assert (hits / campaigns <= 0.995).all()


def test_ends_where_a_slope_leaves_no_doubt():
    scatter = np.random.default_rng(1).normal(0, 0.02, 12)
    fit = fit_of(Response("y", "", "minimise"), lambda a, b: 5 + 2 * a - b**2 / 50, scatter)
    first, second = location_of_best([fit], SQUARE.grid(21)).spreads
    assert (first.low, first.high) == (-1, pytest.approx(-1, abs=0.051))
    assert (first.at_low_end, first.at_high_end) == (1, 0)
    assert second.at_low_end + second.at_high_end > 0.5
    assert second.low == pytest.approx(-1)
    assert second.high == pytest.approx(1)


def test_without_scatter_the_place_is_the_joint_optimum():
    fits = tyre_fits(1)
    sure = [
        fit_response(
            fit.response,
            fit.model,
            observed(
                fit.model.space,
                fit.coded,
                fit.fitted + 1e-5 * np.random.default_rng(i).normal(size=len(fit.fitted)),
            ),
        )
        for i, fit in enumerate(fits)
    ]
    grid = fits[0].model.space.grid(21)
    found = location_of_best(sure, grid, draws=50)
    optimum = joint_optimum(fits, whole_box)
    for spread, value in zip(found.spreads, optimum.settings, strict=True):
        assert spread.low - 0.051 <= value <= spread.high + 0.051
        assert spread.high - spread.low <= 0.31


def test_limits_steer_the_place_too():
    """Yield rises with a, the impurity too; the limit holds it to where its bound is kept."""
    rng = np.random.default_rng(3)
    wanted = fit_of(Response("y", "", "maximise"), lambda a, b: 5 + 2 * a, rng.normal(0, 0.05, 12))
    kept = fit_of(
        Response("z", "", "below", limit=1.0), lambda a, b: 1 + a + 0.1 * b, rng.normal(0, 0.05, 12)
    )
    grid = SQUARE.grid(41)
    free = location_of_best([wanted], grid).spreads[0]
    held = location_of_best([wanted, kept], grid).spreads[0]
    assert free.at_high_end == 1
    assert held.at_high_end == 0
    assert held.low < best_of_one(kept, whole_box).settings[0] + 1.0
    assert -0.6 < held.low < held.high < 0.1


def test_levels_are_shared_out():
    space = FactorSpace((NumericFactor("x", "", -1, 1), CategoricalFactor("sort", ("a", "b"))))
    points = np.array([(x, s) for s in (0, 1) for x in (-1, 0, 1)] * 2, dtype=float)
    scatter = np.random.default_rng(5).normal(0, 0.1, len(points))
    same = fit_of(
        Response("y", "", "maximise"), lambda x, s: x, scatter, linear_model, points, space
    )
    other = fit_of(
        Response("y", "", "maximise"), lambda x, s: x + s, scatter, linear_model, points, space
    )
    grid = space.grid(5)
    assert 0.02 < location_of_best([same], grid).spreads[1].levels[0] < 0.98
    assert location_of_best([other], grid).spreads[1].levels == (0, 1)


# ----------------------------------------------------------------------------- chance of all aims


def pair_of_fits(rho, *, points=POINTS, seed=0, sd=0.3):
    rng = np.random.default_rng(seed)
    e = rng.multivariate_normal([0, 0], sd**2 * np.array([[1, rho], [rho, 1]]), len(points))
    a = fit_of(Response("a", "", "above", limit=4.8), lambda x, y: 5 + x, e[:, 0], points=points)
    b = fit_of(Response("b", "", "below", limit=5.2), lambda x, y: 5 + y, e[:, 1], points=points)
    return a, b


def test_one_limit_is_the_t_distribution():
    fit, _ = pair_of_fits(0)
    aims = all_aims([fit])
    assert aims.how == "one response"
    at = np.array([[0.2, -0.3]])
    x = fit.model.matrix(at)[0]
    error = fit.residual_sd * np.sqrt(
        1 + x @ np.linalg.inv(fit.model.matrix(POINTS).T @ fit.model.matrix(POINTS)) @ x
    )
    expected = stats.t.sf((4.8 - x @ fit.coefficients) / error, fit.df_residual)
    assert aims.chance(at)[0] == pytest.approx(expected)


def test_joint_chance_against_the_posterior_by_inverse_wishart_draws():
    """Draw the residual covariance, then the new run: the multivariate t, arrived at otherwise.

    Gelman et al., Bayesian Data Analysis, 3rd edition, section 3.6 (from memory)."""
    points = np.vstack([POINTS, POINTS])
    fits = pair_of_fits(0.9, points=points, seed=4)
    aims = all_aims(fits)
    df = fits[0].df_residual
    assert (aims.how, aims.df) == ("joint", df - 1)
    X = fits[0].model.matrix(points)
    residuals = np.column_stack([fit.residuals for fit in fits])
    rng = np.random.default_rng(9)  # our 2000 draws: 3 Monte-Carlo errors are 0.034
    for at in ([0.0, 0.0], [0.4, -0.2], [-0.3, 0.5]):
        x = fits[0].model.matrix(np.array([at]))
        stretch = float(np.sqrt(1 + (x @ np.linalg.inv(X.T @ X) @ x.T)[0, 0]))
        mean = np.array([(x @ fit.coefficients)[0] for fit in fits])
        covariances = stats.invwishart.rvs(df, residuals.T @ residuals, 20_000, random_state=rng)
        roots = np.linalg.cholesky(covariances)
        new = mean + stretch * np.einsum("dij,dj->di", roots, rng.normal(size=(20_000, 2)))
        expected = np.mean((new[:, 0] >= 4.8) & (new[:, 1] <= 5.2))
        assert aims.chance(np.array([at]))[0] == pytest.approx(expected, abs=0.035)


def test_joint_chance_is_between_the_bound_and_the_least_of_the_parts():
    """Twenty residual degrees of freedom, so that one fewer hardly matters."""
    points = np.vstack([POINTS, POINTS, POINTS])
    fits = pair_of_fits(0.9, points=points)
    places = SQUARE.grid(9)
    joint = all_aims(fits).chance(places)
    parts = [fit.chance_between(places, *fit.response.interval_wanted()) for fit in fits]
    assert (joint >= sum(parts) - 1 - 0.03).all()
    assert (joint <= np.minimum(*parts) + 0.03).all()
    apart = all_aims(pair_of_fits(-0.9, points=points)).chance(np.zeros((1, 2)))[0]
    assert apart > joint[40] + 0.05  # one limit is upper, one lower: what rises together misses one


def test_bound_where_the_residuals_do_not_carry_the_joint_distribution():
    """Ten runs, six terms: four degrees of freedom, two limits leave three, three leave two."""
    points = POINTS[:10]
    a, b = pair_of_fits(0.5, points=points)
    assert all_aims([a, b]).how == "joint"
    c = fit_of(
        Response("c", "", "above", limit=0.0),
        lambda x, y: x + y,
        np.random.default_rng(8).normal(0, 0.1, 10),
        points=points,
    )
    aims = all_aims([a, b, c])
    assert aims.how == "bound"
    places = SQUARE.grid(5)
    parts = [f.chance_between(places, *f.response.interval_wanted()) for f in (a, b, c)]
    assert aims.chance(places) == pytest.approx(np.maximum(sum(parts) - 2, 0))


def test_bound_where_the_responses_come_of_different_runs():
    a, _ = pair_of_fits(0.5)
    b = fit_of(
        Response("b", "", "below", limit=5.2),
        lambda x, y: 5 + y,
        np.random.default_rng(1).normal(0, 0.3, 11),
        points=POINTS[:11],
    )
    assert all_aims([a, b]).how == "bound"
    assert (
        all_aims([fit_of(Response("y", "", "maximise"), lambda x, y: x, np.arange(12.0))]) is None
    )


def test_probable_region_of_a_straight_limit():
    """y = x scattering by little must stay below 0.5: three quarters of the range; with half the
    space feasible, half of it."""
    scatter = np.random.default_rng(0).normal(0, 1e-4, 12)
    fit = fit_of(Response("y", "", "below", limit=0.5), lambda x, y: x, scatter, linear_model)
    region = probable_region(all_aims([fit]), whole_box)
    assert region.share == pytest.approx(0.75, abs=0.01)
    assert region.share_with_swings == region.share
    half = probable_region(all_aims([fit]), lambda s: s[:, 0] >= 0)
    assert half.share == pytest.approx(0.5, abs=0.02)
    assert region.contains([[0.4, 0], [0.6, 0]]).tolist() == [True, False]
    assert probable_region(all_aims([fit]), lambda s: s[:, 0] > 2) is None


def test_swings_take_from_the_region_and_from_the_chance():
    """A swing of ±0.2 evenly spread: at 0.1 inside the limit three quarters of the runs keep it."""
    scatter = np.random.default_rng(0).normal(0, 1e-4, 12)
    fit = fit_of(Response("y", "", "below", limit=0.5), lambda x, y: x, scatter, linear_model)
    aims = all_aims([fit], [0.2, 0.0])
    at = np.array([[0.4, 0.0], [0.25, 0.5], [0.75, 0.0]])
    assert aims.chance(at) == pytest.approx([1, 1, 0], abs=1e-6)
    assert aims.chance_with_swings(at) == pytest.approx([0.75, 1, 0], abs=0.07)
    region = probable_region(aims, whole_box, level=0.99)
    assert region.share == pytest.approx(0.75, abs=0.01)
    assert region.share_with_swings == pytest.approx(0.65, abs=0.02)


def test_transmitted_scatter_against_simulated_inputs():
    scatter = np.random.default_rng(2).normal(0, 0.05, 12)
    fit = fit_of(
        Response("y", "", "maximise"), lambda a, b: 5 + a - 2 * a**2 - b**2 + a * b, scatter
    )
    rng, sd = np.random.default_rng(3), np.array([0.2, 0.1])
    for at in ([0.3, 0.1], [0.0, 0.0], [-1.0, 1.0]):
        inputs = at + sd * rng.normal(size=(200_000, 2))
        expected = fit.predict(inputs).mean.std()
        assert transmitted_sd(fit, [at], sd)[0] == pytest.approx(expected, rel=0.01)
