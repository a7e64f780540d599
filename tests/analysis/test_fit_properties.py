"""What a fit must do whatever the data: invariances, refusals, notices, honest intervals."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from published_data import Y, coded_space, estimates_by_word, model_of, observed

from doe.analysis.fit import fit_response, largest_model
from doe.analysis.fit_notices import _least_known
from doe.analysis.trust import r2_tells, trust_words
from doe.errors import FitError
from doe.factors import CategoricalFactor, FactorSpace, NumericFactor
from doe.terms import interaction_model, linear_model, quadratic_model

SQUARE = coded_space(2)
CCD = np.array(
    [*itertools.product((-1, 1), (-1, 1)), (-1, 0), (1, 0), (0, -1), (0, 1), *[(0, 0)] * 3],
    dtype=float,
)
CATALYST = FactorSpace(
    (
        NumericFactor("temperature", "°C", 120, 180),
        CategoricalFactor("salt", ("none", "KCl", "NaCl")),
    )
)


def surface(points, seed=1, scatter=0.3):
    """Invented values of a curved surface with normal scatter."""
    x, z = points[:, 0], points[:, 1]
    noise = np.random.default_rng(seed).normal(0, scatter, len(points))
    return 10 + 2 * x - z + 0.5 * x * z - 1.5 * x**2 - z**2 + noise


def codes(notices):
    return {notice.code for notice in notices}


def quadratic_fit(points, values, space=SQUARE, **more):
    return fit_response(Y, quadratic_model(space), observed(space, points, values, **more))


def test_least_squares_against_statsmodels_at_nearly_collinear_settings():
    """Settings that hardly leave a line: the singular values of X span five decades."""
    from statsmodels.regression.linear_model import OLS

    rng = np.random.default_rng(4)
    along = rng.uniform(-1, 1, 14)
    points = np.column_stack([along, along + 1e-4 * rng.standard_normal(14)])
    values = surface(points)
    fit = fit_response(Y, linear_model(SQUARE), observed(SQUARE, points, values))
    library = OLS(values, linear_model(SQUARE).matrix(points)).fit()
    assert fit.coefficients == pytest.approx(library.params, rel=1e-8)
    errors = [estimate.standard_error for estimate in fit.estimates]
    assert errors == pytest.approx(library.bse, rel=1e-8)


def test_prediction_error_sum_equals_refits_without_each_run():
    values, fit = surface(CCD), quadratic_fit(CCD, surface(CCD))
    press, outside = 0.0, []
    for i in range(len(CCD)):
        keep = np.arange(len(CCD)) != i
        without = quadratic_fit(CCD[keep], values[keep])
        at = without.predict(CCD[i])
        press += float(values[i] - at.mean[0]) ** 2
        run_error = np.hypot(at.standard_error[0], without.residual_sd)
        outside.append((values[i] - at.mean[0]) / run_error)
    assert fit.r2_predicted == pytest.approx(1 - press / fit.ss_total)
    assert fit.studentised == pytest.approx(outside)


def test_cook_distance_equals_shift_of_fit_without_each_run():
    """Cook 1977: shift of all fitted values, over p times the residual variance."""
    values, fit = surface(CCD), quadratic_fit(CCD, surface(CCD))
    for i in range(len(CCD)):
        keep = np.arange(len(CCD)) != i
        shift = quadratic_fit(CCD[keep], values[keep]).predict(CCD).mean - fit.fitted
        assert fit.cook[i] == pytest.approx(shift @ shift / (6 * fit.residual_sd**2))


@settings(max_examples=25, deadline=None)
@given(
    low=st.floats(-500, 500),
    width=st.floats(0.01, 1000),
    swap=st.booleans(),
    seed=st.integers(0, 10_000),
)
def test_predictions_do_not_depend_on_units_or_order_of_factors(low, width, swap, seed):
    points, values = CCD, surface(CCD, seed)
    other = [NumericFactor("x1", "K", low, low + width), NumericFactor("x2", "", -1, 1)]
    order = [1, 0] if swap else [0, 1]
    space = FactorSpace(tuple(other[i] for i in order))
    real = points.copy()
    real[:, 0] = low + width * (points[:, 0] + 1) / 2
    there = quadratic_fit(real[:, order], values, space).predict(real[:, order])
    here = quadratic_fit(points, values).predict(points)
    assert there.mean == pytest.approx(here.mean, rel=1e-7)
    assert there.run_low == pytest.approx(here.run_low, rel=1e-7)


@settings(max_examples=25, deadline=None)
@given(scale=st.floats(1e-3, 1e3), shift=st.floats(-100, 100), seed=st.integers(0, 10_000))
def test_figures_do_not_depend_on_units_of_response(scale, shift, seed):
    values = surface(CCD, seed)
    here, there = quadratic_fit(CCD, values), quadratic_fit(CCD, shift + scale * values)
    assert there.residual_sd == pytest.approx(scale * here.residual_sd, rel=1e-5)
    assert there.r2_predicted == pytest.approx(here.r2_predicted, rel=1e-5, abs=1e-7)
    assert there.lack_of_fit.f == pytest.approx(here.lack_of_fit.f, rel=1e-4)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), drift=st.floats(0, 0.2))
def test_sums_of_squares_add_up_with_drifting_repeats(seed, drift):
    planned = CCD
    achieved = planned + np.random.default_rng(seed).uniform(-drift, drift, planned.shape)
    data = observed(SQUARE, achieved, surface(achieved, seed), planned=planned)
    fit = fit_response(Y, quadratic_model(SQUARE), data)
    lack = fit.lack_of_fit
    assert fit.ss_model + fit.ss_residual == pytest.approx(fit.ss_total)
    assert lack.ss_lack + lack.ss_pure == pytest.approx(fit.ss_residual)
    assert (lack.df_lack, lack.df_pure) == (3, 2)
    assert fit.leverage.sum() == pytest.approx(len(fit.model))


def test_partial_sum_of_squares_equals_rise_of_residual_without_the_term():
    salts = np.array([0, 1, 2] * 4, dtype=float)
    points = np.column_stack([np.repeat([120.0, 140.0, 165.0, 180.0], 3), salts])
    values = np.random.default_rng(3).normal(5, 1, 12) + salts
    model = interaction_model(CATALYST)
    fit = fit_response(Y, model, observed(CATALYST, points, values))
    assert [test.df for test in fit.tests] == [1, 2, 2]
    for test in fit.tests:
        less = fit_response(Y, model.without([test.term]), observed(CATALYST, points, values))
        rise = less.ss_residual - fit.ss_residual
        assert test.sum_of_squares == pytest.approx(rise)


@pytest.mark.long
def test_intervals_cover_as_often_as_they_say():
    """2,000 simulated campaigns; four standard errors of a binomial share with p = 0.9."""
    generator = np.random.default_rng(20)
    at, rounds = np.array([[0.5, -0.4]]), 2000
    true = surface(at, scatter=0)[0]
    mean_hits = run_hits = 0
    for _ in range(rounds):
        values = surface(CCD, scatter=0) + generator.normal(0, 0.7, len(CCD))
        predicted = quadratic_fit(CCD, values).predict(at, level=0.9)
        new = true + generator.normal(0, 0.7)
        mean_hits += bool(predicted.mean_low[0] <= true <= predicted.mean_high[0])
        run_hits += bool(predicted.run_low[0] <= new <= predicted.run_high[0])
    slack = 4 * np.sqrt(0.9 * 0.1 / rounds)
    assert mean_hits / rounds == pytest.approx(0.9, abs=slack)
    assert run_hits / rounds == pytest.approx(0.9, abs=slack)


def test_lack_of_fit_rejects_a_true_model_as_often_as_its_level():
    """1,000 simulated campaigns with repeats that drift by 1 % of a range; five percent level."""
    generator = np.random.default_rng(21)
    rounds, rejected = 1000, 0
    for _ in range(rounds):
        achieved = CCD + generator.normal(0, 0.02, CCD.shape)
        values = surface(achieved, scatter=0) + generator.normal(0, 0.7, len(CCD))
        data = observed(SQUARE, achieved, values, planned=CCD)
        fit = fit_response(Y, quadratic_model(SQUARE), data)
        rejected += fit.lack_of_fit.p_value < 0.05
    assert rejected / rounds == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / rounds))


def test_chance_between_agrees_with_the_interval_of_a_new_run():
    fit = quadratic_fit(CCD, surface(CCD))
    predicted = fit.predict([[0.2, 0.7]], level=0.8)
    low, high = float(predicted.run_low[0]), float(predicted.run_high[0])
    assert fit.chance_between([[0.2, 0.7]], low, high)[0] == pytest.approx(0.8)
    assert fit.chance_between([[0.2, 0.7]], -np.inf, high)[0] == pytest.approx(0.9)


def test_runs_are_used_or_left_out_with_their_reason():
    values, points = surface(CCD), CCD.copy()
    values[2], points[4, 1] = np.nan, np.nan
    reasons = (None,) * 6 + ("pump stopped",) + (None,) * 4
    fit = quadratic_fit(points, values, planned=CCD, left_out=reasons)
    assert fit.runs_used == (1, 2, 4, 6, 8, 9, 10, 11)
    assert fit.runs_left_out == (
        (3, "not measured"),
        (5, "achieved settings not recorded"),
        (7, "pump stopped"),
    )


def test_fit_is_made_at_achieved_settings():
    """A straight line is found again although no run hit its planned setting."""
    space = coded_space(1)
    planned = np.array([[-1.0], [-1.0], [0.0], [1.0], [1.0]])
    achieved = planned + np.array([[0.05], [-0.02], [0.04], [-0.06], [0.01]])
    data = observed(space, achieved, 3 + 2 * achieved[:, 0], planned=planned)
    fit = fit_response(Y, linear_model(space), data)
    assert fit.coefficients == pytest.approx([3, 2])
    assert "exact-fit" in codes(fit.notices)


def test_exact_fit_tests_nothing_and_holds_no_infinite_number():
    fit = quadratic_fit(CCD, surface(CCD, scatter=0))
    assert (fit.f_model, fit.p_model) == (None, None)
    assert {e.p_value for e in fit.estimates} == {None}
    assert (fit.lack_of_fit.f, fit.lack_of_fit.p_value) == (None, None)
    assert np.isfinite([fit.r2, fit.r2_adjusted, fit.r2_predicted, fit.residual_sd]).all()


@pytest.mark.parametrize(
    ("points", "values", "code", "says"),
    [
        (CCD, np.full(11, np.nan), "nothing-measured", "no run has a value"),
        (CCD, np.full(11, 4.2), "all-equal", "every value is 4.2"),
        (CCD[:4], [1, 2, 3, 5], "too-few-runs", "4 measured runs cannot carry a model of 6 terms"),
        (CCD[:6], [1, 2, 3, 5, 8, 1], "too-few-runs", "none is left to judge the error by"),
        (np.repeat(CCD[:4], 3, axis=0), range(12), "confounded", "x1² is the same in every run"),
        (CCD[:, [0, 0]], range(11), "confounded", "x2 cannot be told apart from x1"),
    ],
)
def test_refuses_what_cannot_be_fitted(points, values, code, says):
    with pytest.raises(FitError) as caught:
        quadratic_fit(points, values)
    assert caught.value.problems[0].code == code
    assert caught.value.problems[0].where.key == "y"
    assert says in str(caught.value)


def test_a_level_that_no_run_has_is_named_as_such():
    space = FactorSpace((CategoricalFactor("grind", ("coarse", "fine", "dust")),))
    points = np.array([[0.0], [0.0], [0.0], [1.0], [1.0], [1.0]])
    data = observed(space, points, [1.0, 1.2, 1.1, 2.0, 2.1, 2.3])
    for tried in (
        lambda: fit_response(Y, linear_model(space), data),
        lambda: largest_model(space, data, linear_model(space)),
    ):
        with pytest.raises(FitError) as caught:
            tried()
        (problem,) = caught.value.problems
        assert problem.code == "level-without-runs"
        assert "no measured run has grind at its level dust" in problem.what


def test_refusal_says_how_many_runs_are_needed():
    with pytest.raises(FitError, match=r"at least 7 are needed\. Measure 3 more, better 5"):
        quadratic_fit(CCD[:4], [1, 2, 3, 5])


def test_model_without_intercept_is_a_mistake_of_the_caller():
    model = model_of(SQUARE, "A", "B")
    with pytest.raises(ValueError, match="intercept"):
        fit_response(Y, replace(model, terms=model.terms[1:]), observed(SQUARE, CCD, surface(CCD)))


def test_sound_campaign_gives_no_notice():
    points = np.vstack([CCD, CCD])
    values = surface(points, seed=5)
    assert quadratic_fit(points, values).notices == ()


def test_notice_of_a_gross_value_names_the_run_and_keeps_it():
    values = surface(np.vstack([CCD, CCD]), seed=5)
    values[3] += 5
    fit = quadratic_fit(np.vstack([CCD, CCD]), values)
    (notice,) = [n for n in fit.notices if n.code == "large-residual"]
    assert notice.what.startswith("Run 4: ")
    assert 4 in fit.runs_used


def test_notices_about_the_runs():
    achieved = CCD.copy()
    achieved[5, 0], achieved[9, 0] = 1.1, 0.4
    fit = quadratic_fit(achieved, surface(achieved), planned=CCD, plots=(1,) * 5 + (2,) * 6)
    said = {notice.code: notice.what for notice in fit.notices}
    assert said["outside-region"].startswith("Run 6 ended outside")
    assert said["repeats-apart"].startswith("Runs 9 to 11 were planned as repeats")
    assert "11 runs were made in 2 plots" in said["shared-settings"]
    stages = quadratic_fit(CCD, surface(CCD), stages=(1,) * 8 + (2,) * 3)
    assert "stage-not-allowed-for" in codes(stages.notices)


def test_notices_about_error_and_repeats():
    without = quadratic_fit(CCD[:9], surface(CCD[:9]))
    assert {"no-repeats", "few-degrees-of-freedom"} <= codes(without.notices)
    assert without.lack_of_fit is None
    values = surface(CCD)
    values[8:] = 10.0
    assert "repeats-identical" in codes(quadratic_fit(CCD, values).notices)
    bent = fit_response(Y, linear_model(SQUARE), observed(SQUARE, CCD, surface(CCD, scatter=0.05)))
    assert "lack-of-fit" in codes(bent.notices)


def test_run_that_alone_fixes_a_coefficient_is_named_and_not_judged():
    points = np.vstack([CCD[[0, 1, 1, 0]], [(0, 1)]])
    fit = fit_response(Y, linear_model(SQUARE), observed(SQUARE, points, [1.0, 2.0, 2.2, 1.3, 5.0]))
    assert fit.leverage[4] == pytest.approx(1)
    assert np.isnan(fit.studentised[4])
    assert np.isnan(fit.cook[4])
    assert fit.r2_predicted is None
    (notice,) = [n for n in fit.notices if n.code == "high-leverage"]
    assert "run 5" in notice.what


def test_a_run_of_more_than_twice_the_average_leverage_is_not_said_to_stand_alone():
    """By hand: 1/n + (x − mean)²/Σ(x − mean)² of the far run; the average is 2/10."""
    line = coded_space(1)
    x = np.array([-1.0, -0.9, -0.8, -0.7, -0.6, -1.0, -0.9, -0.8, -0.7, 0.3])
    values = 3 + x + 0.1 * np.sin(np.arange(10.0))
    away = x - x.mean()
    leverage = 0.1 + away[9] ** 2 / (away @ away)
    fit = fit_response(Y, linear_model(line), observed(line, x[:, None], values))
    (notice,) = [n for n in fit.notices if n.code in ("leverage", "high-leverage")]
    assert notice.what.startswith(f"Run 10 ({leverage:.2f}) pulls at the fit more than twice")


def test_repeats_with_the_very_same_value_are_named():
    """One pair of coarse values may agree by chance; a value of many digits hardly does."""
    values = np.round(surface(CCD), 3)
    assert "repeats-alike" not in codes(quadratic_fit(CCD, values).notices)
    values[9] = values[8]
    (notice,) = [n for n in quadratic_fit(CCD, values).notices if n.code == "repeats-alike"]
    assert "runs 9 and 10" in notice.what
    coarse = np.round(values)
    coarse[10] += 1
    assert "repeats-alike" not in codes(quadratic_fit(CCD, coarse).notices)


@pytest.mark.parametrize(
    ("runs", "name"),
    [
        (11, "full quadratic"),
        (9, "full quadratic"),
        (8, "main effects and two-factor interactions"),
    ],
)
def test_largest_model_keeps_three_degrees_of_freedom(runs, name):
    data = observed(SQUARE, CCD[:runs], surface(CCD[:runs]))
    model, notices = largest_model(SQUARE, data, quadratic_model(SQUARE))
    assert model.name == name
    assert (not notices) == (name == "full quadratic")


def test_largest_model_takes_one_degree_of_freedom_rather_than_nothing():
    points = np.vstack([CCD[:4], CCD[:1]])[:4]
    data = observed(SQUARE, points, [1.0, 2.0, 4.0, 3.0])
    model, (notice,) = largest_model(SQUARE, data, quadratic_model(SQUARE))
    assert model.name == "main effects"
    assert notice.code == "simpler-model"
    assert "4 measured runs cannot carry the 6 terms" in notice.what
    assert fit_response(Y, model, data).df_residual == 1


def test_largest_model_does_not_take_curvature_from_scatter_of_settings():
    """Two-level runs: only the scatter of what was achieved would separate the squares."""
    planned = np.repeat(CCD[:4], 3, axis=0)
    achieved = planned + np.random.default_rng(4).normal(0, 0.02, planned.shape)
    data = observed(SQUARE, achieved, surface(achieved), planned=planned)
    model, (notice,) = largest_model(SQUARE, data, quadratic_model(SQUARE))
    assert model.name == "main effects and two-factor interactions"
    assert "x1² is the same in every run" in notice.what
    asked = fit_response(Y, quadratic_model(SQUARE), data)
    assert "confounded-as-planned" in codes(asked.notices)


def test_largest_model_refuses_when_main_effects_cannot_be_fitted():
    with pytest.raises(FitError, match="need at least 4"):
        largest_model(SQUARE, observed(SQUARE, CCD[:3], [1, 2, 3]), quadratic_model(SQUARE))
    flat = CCD.copy()
    flat[:, 1] = 0
    with pytest.raises(FitError, match="x2 is the same in every run"):
        largest_model(SQUARE, observed(SQUARE, flat, range(11)), quadratic_model(SQUARE))


def test_coefficients_of_levels_sum_to_zero_effects():
    """Balanced runs: a level's coefficient is its average less the grand average."""
    salts = np.repeat([0.0, 1.0, 2.0], 4)
    points = np.column_stack([np.tile([120.0, 120, 180, 180], 3), salts])
    values = np.array([1, 2, 3, 4, 4, 4, 6, 6, 9, 8, 9, 9], dtype=float)
    fit = fit_response(Y, linear_model(CATALYST), observed(CATALYST, points, values))
    averages = [values[salts == level].mean() - values.mean() for level in (0, 1)]
    assert [e.levels for e in fit.estimates[2:]] == [("none",), ("KCl",)]
    assert [e.coefficient for e in fit.estimates[2:]] == pytest.approx(averages)
    assert estimates_by_word(fit)["A"].coefficient == pytest.approx(
        (values[points[:, 0] == 180].mean() - values[points[:, 0] == 120].mean()) / 2
    )


def test_a_run_beyond_its_range_by_less_than_can_be_set_or_controlled_is_no_warning():
    achieved = CCD.copy()
    achieved[5, 0] = 1.1

    def said(step, swings):
        space = FactorSpace(tuple(NumericFactor(n, "", -1, 1, step=step) for n in ("a", "b")))
        data = replace(observed(space, achieved, surface(achieved), planned=CCD), swings=swings)
        return codes(fit_response(Y, quadratic_model(space), data).notices)

    assert "outside-region" in said(None, ())
    assert "outside-region" in said(None, (0.05, 0.5))
    assert "outside-region" not in said(0.1, ())
    assert "outside-region" not in said(None, (0.1, 0.0))


def test_r2_is_told_only_where_it_says_something():
    """Nine runs leave a model of six terms three degrees of freedom: R² is near 1 by itself."""
    few = quadratic_fit(CCD[:9], surface(CCD[:9]))
    assert few.r2 > 0.9
    assert not r2_tells(few)
    assert trust_words(few) == "cannot be judged (only 3 degrees of freedom left to judge it by)"
    many = quadratic_fit(np.vstack([CCD, CCD]), surface(np.vstack([CCD, CCD]), seed=5))
    assert r2_tells(many)
    assert trust_words(many) == "yes, inside the ranges"
    assert "no, runs left out" in trust_words(replace(many, r2_predicted=-0.87))
    assert trust_words(replace(many, r2_predicted=0.3)) == "for directions only"
    hidden = replace(many, censored=("below",) * 11 + (None,) * 11)
    assert "11 of 22 values" in trust_words(hidden)
    bent = fit_response(Y, linear_model(SQUARE), observed(SQUARE, CCD, surface(CCD, scatter=0.05)))
    assert trust_words(replace(bent, r2_predicted=0.9)).startswith("for directions only, it misses")


def test_an_effect_with_next_to_no_degrees_of_freedom_is_said_to_say_little():
    assert _least_known(12.0) == "the least known effect has 12.0 degrees of freedom"
    assert _least_known(0.6).endswith("so few that neither its p nor its interval says much")
