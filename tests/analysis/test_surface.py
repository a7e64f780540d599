"""The shape of fitted surfaces against NIST and Montgomery, and by simulation of the truth."""

import numpy as np
import pytest
import statsmodels.api as sm
from published_data import Printed, Y, coded_space, columns, facts, model_of, observed
from scipy.special import fdtri

from doe.analysis.fit import fit_response
from doe.analysis.surface import (
    directions_excluded,
    ridge,
    second_order,
    stationary_point,
    steepest_ascent,
)
from doe.factors import CategoricalFactor, FactorSpace, NumericFactor, whole_box
from doe.terms import linear_model, quadratic_model

AXIAL = 1.414
CCD = np.array(
    [(i, j) for i in (-1, 1) for j in (-1, 1)]
    + [(-AXIAL, 0), (AXIAL, 0), (0, -AXIAL), (0, AXIAL)]
    + [(0, 0)] * 5,
    dtype=float,
)


def chemical_ccd(model=quadratic_model):
    """In real units: temperature 189.5 ± 30 and time 350 ± 50, as NIST codes them."""
    table = columns("statistics", "nist_chem_ccd")
    space = FactorSpace(
        (NumericFactor("temperature", "°C", 159.5, 219.5), NumericFactor("time", "s", 300, 400))
    )
    points = space.decode(np.column_stack([table["x1"], table["x2"]]))
    return fit_response(Y, model(space), observed(space, points, table["y"]))


def first_order(name, **factors):
    table = columns("statistics", name)
    space = FactorSpace(
        tuple(
            NumericFactor(n, "", *bounds[:2], **dict(bounds[2:])) for n, bounds in factors.items()
        )
    )
    points = space.decode(np.column_stack([table["x1"], table["x2"]]))
    return fit_response(Y, linear_model(space), observed(space, points, table["y"]))


# ------------------------------------------------------------------------------ stationary point


def test_stationary_point_against_nist_5_5_3_1_4():
    """The page's natural units come from rounded coefficients: 161.64 and 367.36 there follow
    from its other stationary point (−0.9285, 0.3472), so they agree to that rounding only."""
    printed, fit = Printed("nist_chem_ccd"), chemical_ccd()
    found = stationary_point(fit)
    x = fit.model.space.code(found.settings)[0]
    assert x[0] == printed["xs1 full precision"]
    assert x[1] == printed["xs2 full precision"]
    assert found.prediction.mean[0] == printed["predicted at xs"]
    assert found.settings == pytest.approx([161.64, 367.36], abs=0.03)
    assert found.inside_ranges


def test_canonical_analysis_against_nist_5_5_3_1_4():
    printed, found = Printed("nist_chem_ccd"), stationary_point(chemical_ccd())
    first, second = found.canonical
    assert first.value == printed["eigenvalue 1"]
    assert second.value == printed["eigenvalue 2"]
    assert first.direction[0] == printed["eigvec1[0]"]
    assert first.direction[1] == printed["eigvec1[1]"]
    assert abs(second.direction[0]) == printed["eigvec2[0]"]
    assert abs(second.direction[1]) == printed["eigvec2[1]"]


def test_errors_of_curvatures_against_a_fit_in_the_rotated_axes():
    """The double regression: Bisgaard, Ankenman 1996, Technometrics 38:193–195 (from memory)."""
    fit = chemical_ccd()
    found = stationary_point(fit)
    rotated = fit.coded @ np.column_stack([c.direction for c in found.canonical])
    u, v = rotated.T
    refit = sm.OLS(fit.values, np.column_stack([np.ones_like(u), u, v, u * u, v * v, u * v])).fit()
    assert refit.params[5] == pytest.approx(0, abs=1e-9)
    for canonical, value, error, interval in zip(
        found.canonical, refit.params[3:5], refit.bse[3:5], refit.conf_int()[3:5], strict=True
    ):
        assert canonical.value == pytest.approx(value)
        assert canonical.standard_error == pytest.approx(error)
        assert [canonical.low, canonical.high] == pytest.approx(interval)


def test_nature_of_the_chemical_ccd_is_not_claimed_beyond_its_intervals():
    """The flatter curvature, −4.97, has an interval that reaches zero: a crest, not a maximum."""
    found = stationary_point(chemical_ccd())
    assert found.canonical[0].high > 0 > found.canonical[1].high
    assert found.nature == "ridge"
    assert "crest" in found.words
    assert "temperature up with time down" in found.words


def simulated(truth, *, sd, seed=1, points=CCD):
    space = coded_space(points.shape[1], half_range=1.0)
    y = truth(*points.T) + np.random.default_rng(seed).normal(0, sd, len(points))
    return fit_response(Y, quadratic_model(space), observed(space, points, y))


@pytest.mark.parametrize(
    ("truth", "nature", "words"),
    [
        (lambda a, b: 5 - (a - 0.3) ** 2 - 2 * b**2, "maximum", "falls every way"),
        (lambda a, b: 5 + (a - 0.3) ** 2 + 2 * b**2, "minimum", "rises every way"),
        (lambda a, b: 5 + a**2 - 2 * b**2, "saddle", "along x1, and falls both ways along x2"),
        (lambda a, b: 5 + b - a**2, "ridge", "a crest: along x2"),
        (lambda a, b: 5 + a**2, "ridge", "a trough: along x2"),
        (lambda a, b: 5 + a + b, "flat", "not clear of flat"),
    ],
)
def test_nature_of_known_surfaces(truth, nature, words):
    found = stationary_point(simulated(truth, sd=0.05, seed=4))
    assert found.nature == nature
    assert words in found.words


@pytest.mark.long
def test_true_level_place_is_in_its_region_as_often_as_stated():
    """95 % of 2000 simulated campaigns, within 2.6 Monte-Carlo errors; exact by theory."""
    true_place, hits, campaigns = np.array([[0.4, -0.2]]), 0, 2000
    for seed in range(campaigns):
        fit = simulated(
            lambda a, b: 5 - (a - 0.4) ** 2 - 0.7 * (b + 0.2) ** 2 + 0.0 * a, sd=0.4, seed=seed
        )
        hits += bool(second_order(fit).may_be_level(true_place)[0])
    assert hits / campaigns == pytest.approx(0.95, abs=2.6 * np.sqrt(0.95 * 0.05 / campaigns))


def test_ranges_of_the_region_against_its_boundary_by_a_general_optimiser():
    from scipy.optimize import NonlinearConstraint, minimize

    fit = simulated(lambda a, b: 5 - (a - 0.2) ** 2 - (b + 0.1) ** 2 + 0.5 * a * b, sd=0.15)
    found = stationary_point(fit)
    assert not found.open_ends.any()
    b = fit.coefficients  # 1, x1, x2, x1x2, x1², x2²
    limit = 2 * fdtri(2, fit.df_residual, 0.95)

    def distance(x):
        rows = np.array([[0, 1, 0, x[1], 2 * x[0], 0], [0, 0, 1, x[0], 0, 2 * x[1]]])
        return rows @ b @ np.linalg.solve(rows @ fit.covariance @ rows.T, rows @ b)

    inside = NonlinearConstraint(distance, -np.inf, limit)
    for j in (0, 1):
        for side, sign in ((0, 1), (1, -1)):
            end = minimize(
                lambda x, j=j, sign=sign: sign * x[j],
                found.settings,
                method="SLSQP",
                bounds=[(-1, 1)] * 2,
                constraints=inside,
            )
            assert found.ranges[j, side] == pytest.approx(end.x[j], abs=2e-3)
    assert found.may_be_level(found.settings).all()
    assert not found.may_be_level([[1, 1]]).any()


def test_region_of_a_hillside_is_open_or_empty():
    steep = stationary_point(simulated(lambda a, b: 5 + 4 * a + 3 * b - 0.4 * a * a, sd=0.05))
    assert np.isnan(steep.ranges).all()
    assert steep.region_share == 0
    vague = stationary_point(simulated(lambda a, b: 5 - a * a, sd=0.5))
    assert vague.open_ends.any()


def test_no_stationary_point_without_curvature_or_beyond_order_two():
    assert stationary_point(chemical_ccd(linear_model)) is None
    cubic = chemical_ccd(lambda s: model_of(s, "A", "B", "AA", "BB", "AB", "AAB", "ABB"))
    assert stationary_point(cubic) is None


def test_place_is_none_where_a_factor_only_slopes():
    found = stationary_point(chemical_ccd(lambda s: model_of(s, "A", "B", "AA")))
    assert found.settings is None
    assert found.prediction is None


def test_surface_at_a_level_of_a_categorical_factor():
    """Two sorts of material with tops at 0.5 and −0.5."""
    space = FactorSpace((NumericFactor("x", "", -1, 1), CategoricalFactor("sort", ("a", "b"))))
    points = np.array([(x, s) for s in (0, 1) for x in (-1, -0.5, 0, 0.5, 1)] * 2, dtype=float)
    top = np.where(points[:, 1] == 0, 0.5, -0.5)
    y = 3 - (points[:, 0] - top) ** 2 + np.random.default_rng(2).normal(0, 0.01, len(points))
    fit = fit_response(Y, quadratic_model(space), observed(space, points, y))
    for sort, place in ((0, 0.5), (1, -0.5)):
        found = stationary_point(fit, np.array([0.0, sort]))
        assert found.settings == pytest.approx([place, sort], abs=0.03)
        assert np.isnan(found.ranges[1]).all()


# ------------------------------------------------------------------------------------- the ridge


def test_ridge_against_independent_search():
    """Computed for the NIST data with scipy, not printed there."""
    path = facts("statistics", "nist_chem_ccd")["computed_reference_ridge_max"]["path"]
    fit = chemical_ccd()
    found = ridge(fit, whole_box, [step["radius"] for step in path])
    for point, step in zip(found, path, strict=True):
        x = fit.model.space.code(point.settings)[0]
        assert x == pytest.approx([step["x1"], step["x2"]], abs=2e-5)
        assert point.prediction.mean[0] == pytest.approx(step["yhat"], abs=1e-5)
        assert point.distance == pytest.approx(step["radius"])
    assert [point.inside_ranges for point in found] == [True, True, True, True, False]


@pytest.mark.parametrize("highest", [True, False])
def test_no_place_at_the_same_distance_beats_the_ridge(highest):
    fit = chemical_ccd()
    turn = np.linspace(0, 2 * np.pi, 2001)
    for point in ridge(fit, whole_box, [0.3, 0.9, 1.6], highest=highest):
        circle = fit.model.space.decode(
            point.distance * np.column_stack([np.cos(turn), np.sin(turn)])
        )
        around = fit.predict(circle).mean
        bound = around.max() if highest else -around.min()
        assert (1 if highest else -1) * point.prediction.mean[0] >= bound - 1e-9


def test_ridge_without_any_slope_goes_along_the_flattest_direction():
    """b = 0 exactly: the equation has no solution, and both ends of the axis are equally high."""
    points = np.vstack([CCD, CCD])
    fit = simulated(lambda a, b: 5 - a**2 - 3 * b**2, sd=0.0, points=points)
    (point,) = ridge(fit, whole_box, [0.8])
    assert np.abs(point.settings) == pytest.approx([0.8, 0], abs=1e-6)


def test_ridge_starts_in_the_middle_exactly():
    (point,) = ridge(chemical_ccd(), whole_box, [0.0])
    assert point.distance == 0
    assert point.settings == pytest.approx([189.5, 350], abs=1e-12)


def test_ridge_says_what_the_rig_refuses():
    fit = chemical_ccd()
    found = ridge(fit, lambda s: s[:, 0] >= 170, [0.25, 0.5, 0.75, 1.0])
    assert [point.feasible for point in found] == [True, True, False, False]


# -------------------------------------------------------------------------------- steepest ascent


def test_steepest_ascent_against_nist_5_5_3_1_2():
    """Temperature 200 ± 30, time 200 ± 50, counted in time: its coded step is one."""
    printed = Printed("nist_steepest_ascent_1")
    fit = first_order("nist_steepest_ascent_1", temperature=(170, 230), time=(150, 250))
    found = steepest_ascent(fit, whole_box, counted_in=1, step=50)
    assert found.direction[0] == printed["x1 at rho=1"]
    assert found.direction[1] == printed["x2 at rho=1"]
    first = found.points[1].settings - found.points[0].settings
    assert first[0] == printed["step dX1 natural"]
    assert first[0] / 30 == printed["step dx1 for dx2=1"]
    assert first[1] == pytest.approx(50)


def test_steepest_ascent_step_against_montgomery_example_11_1():
    """Reaction time 35 ± 5 min and temperature 155 ± 5: 5 min goes with 2.1 (x2 = 0.42)."""
    printed = Printed("mont_chem_first_order_1")
    fit = first_order("mont_chem_first_order_1", time=(30, 40), temperature=(150, 160))
    found = steepest_ascent(fit, whole_box, counted_in=0, step=5)
    first = found.points[1].settings - found.points[0].settings
    assert first[0] == pytest.approx(5)
    assert first[1] / 5 == printed["dx2 for dx1=1"]


def test_excluded_directions_against_nist_5_5_3_1_2():
    """With the page's own figures, 6 degrees of freedom included (see the reference's notes)."""
    printed = Printed("nist_steepest_ascent_1")
    slope, variance = np.array([-1.2925, 11.1425]), 52.457861 / 4
    excluded = directions_excluded(slope, variance * np.eye(2), 6)
    assert excluded == printed["theta_0.05"]


def test_excluded_directions_of_three_equal_variances_against_the_area_of_a_cap():
    """On the sphere a cone of half angle φ takes (1 − cos φ)/2."""
    slope, df = np.array([1.0, -2.0, 2.5]), 9
    phi = np.arcsin(np.sqrt(2 * fdtri(2, df, 0.95) * 0.3 / (slope @ slope)))
    excluded = directions_excluded(slope, 0.3 * np.eye(3), df)
    assert excluded == pytest.approx(1 - (1 - np.cos(phi)) / 2, abs=0.005)
    assert directions_excluded(slope / 100, 0.3 * np.eye(3), df) == 0


def test_ascent_counts_in_the_hardest_factor_that_slopes():
    hard = ("change", "hard")
    fit = first_order(
        "mont_chem_first_order_1", time=(30, 40, ("step", 1.0)), temperature=(150, 160, hard)
    )
    found = steepest_ascent(fit, whole_box)
    assert (found.counted_in, found.step) == (1, 2.5)
    fit = first_order(  # here temperature, x1, has a slope of −1.29 against 11.14
        "nist_steepest_ascent_1", temperature=(170, 230, hard), time=(150, 250, ("step", 10.0))
    )
    assert steepest_ascent(fit, whole_box).counted_in == 0
    fit = first_order("mont_chem_first_order_1", time=(30, 40), temperature=(150, 160))
    down = steepest_ascent(fit, whole_box, up=False, counted_in=0, step=5)
    assert down.step == -5
    assert (np.diff([p.prediction.mean[0] for p in down.points]) < 0).all()


def test_ascent_says_where_the_rig_and_the_ranges_end():
    fit = first_order("mont_chem_first_order_1", time=(30, 40), temperature=(150, 160))
    found = steepest_ascent(fit, lambda s: s[:, 0] <= 51, counted_in=0, step=5, points=5)
    assert [p.settings[0] for p in found.points] == pytest.approx([35, 40, 45, 50, 55])
    assert [p.inside_ranges for p in found.points] == [True, True, False, False, False]
    assert [p.feasible for p in found.points] == [True, True, True, True, False]
    assert found.feasible_steps == 3
