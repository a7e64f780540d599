"""Words on what to expect: medians and limits are called so."""

from dataclasses import replace

import numpy as np

from doe.analysis.fit import fit_response
from doe.analysis.observations import Observations
from doe.analysis.surface import stationary_point
from doe.analysis.transformation import log
from doe.factors import FactorSpace, NumericFactor
from doe.report.fit_pictures import (
    EffectCurve,
    effect_curve_picture,
    observed_fitted_picture,
    residuals_picture,
)
from doe.report.map_pictures import surface_picture
from doe.report.response_section import expected_sentence, expected_table
from doe.report.surface_section import region_sentence, stationary_sentence
from doe.responses import Response
from doe.terms import linear_model, quadratic_model

SPACE = FactorSpace((NumericFactor("a", "", -1, 1),))
SETTINGS = np.repeat([[-1.0], [0.0], [1.0]], 4, axis=0)
VALUES = np.exp(1 + SETTINGS[:, 0] + np.tile([-0.6, -0.2, 0.2, 0.6], 3))
Y = Response("y", "mg/g", "maximise")


def data(censored=()):
    runs = tuple(range(1, 13))
    return Observations(
        SPACE, SETTINGS, SETTINGS, VALUES, runs, (1,) * 12, runs, (None,) * 12, censored=censored
    )


def test_centre_of_a_log_scale_is_called_the_median_and_is_one():
    """Logarithms here are symmetric, so half of the values at each setting lie on either side."""
    fit = fit_response(Y, linear_model(SPACE), data(), transformation=log())
    prediction = fit.predict([[0.0]])
    told = float(prediction.mean[0])
    assert np.count_nonzero(VALUES[4:8] < told) == np.count_nonzero(VALUES[4:8] > told) == 2
    assert told < VALUES[4:8].mean()
    assert "typically (median; 95\N{NO-BREAK SPACE}% interval" in expected_sentence(Y, prediction)
    assert expected_table([(Y, prediction)]).rows[0][1].endswith("(median)")
    plain = fit_response(Y, linear_model(SPACE), data()).predict([[0.0]])
    assert "on average (95\N{NO-BREAK SPACE}% interval" in expected_sentence(Y, plain)


def test_limit_of_detection_stays_one_in_the_table_of_runs():
    fit = fit_response(Y, linear_model(SPACE), data(("below",) + (None,) * 11))
    rows = observed_fitted_picture(fit).table.rows
    assert rows[0][1].startswith("<")
    assert not rows[1][1].startswith("<")


def test_direction_is_told_only_where_the_results_tell_it():
    """Statsmodels' t test of the slope: a straight line's change from end to end is twice it."""
    import statsmodels.api as sm

    rng = np.random.default_rng(2)
    for slope, told in ((0.02, False), (2.0, True)):
        values = 10 + slope * SETTINGS[:, 0] + rng.normal(0, 0.5, 12)
        fit = fit_response(Y, linear_model(SPACE), replace(data(), values=values))
        p_value = sm.OLS(values, fit.model.matrix(fit.coded)).fit().pvalues[1]
        assert (p_value < 0.05) == told
        assert fit.change_told(np.array([-1.0]), np.array([1.0])) == told
        at = fit.predict([[-1.0], [1.0]])
        curve = EffectCurve(
            Y, 0, np.array([-1.0, 1.0]), at.mean, at.mean_low, at.mean_high, 0.95, SETTINGS[0]
        )
        title = effect_curve_picture(SPACE, replace(curve, told=told)).finding
        assert ("rises with" in title) == told
        assert ("may not change with" in title) != told


def test_runs_equally_far_from_the_model_are_both_named():
    """Two levels, residuals ±d at one of them: by symmetry both are exactly as far."""
    values = np.array([1.0, 1.1, 0.9, 1.0, 2.0, 2.1, 1.9, 2.0, 3.0, 3.8, 2.2, 3.0])
    fit = fit_response(Y, linear_model(SPACE), replace(data(), values=values))
    assert residuals_picture(fit).finding.startswith("Runs 10 and 11 lie furthest")


def test_repeats_in_other_blocks_are_not_called_none():
    runs = np.array([[-1.0], [0.0], [1.0], [-1.0], [0.5], [1.0]])
    runs[5] = 0.9
    made = replace(
        data().only(range(6)), planned=runs, achieved=runs, values=np.array([1, 2, 3, 1.5, 2, 4.0])
    )
    fit = fit_response(
        Y, linear_model(SPACE), replace(made, blocks=(("lot", ("n", "n", "n", "s", "s", "s")),))
    )
    assert fit.lack_of_fit is None  # the one repeat, of run 1, lies in the other lot
    said = {notice.code: notice.what for notice in fit.notices}
    assert "Runs were repeated only in another" in said["no-repeats"]


def test_title_names_a_turn_only_where_the_results_tell_one():
    x = np.linspace(-1, 1, 5)
    mean = 10 - x**2
    curve = EffectCurve(Y, 0, x, mean, mean - 1, mean + 1, 0.95, SETTINGS[0], told=False)
    assert effect_curve_picture(SPACE, curve).finding.startswith("Y rises with a to 0")
    finding = effect_curve_picture(SPACE, replace(curve, turned=False)).finding
    assert finding == "Y may not change with a: the results do not tell"
    dip = replace(curve, mean=-mean, turned=False, told=True)
    assert "then" not in effect_curve_picture(SPACE, dip).finding


def test_surface_is_called_highest_somewhere_only_where_ends_lie_apart(made_up):
    view = made_up.surfaces[0]
    assert "is highest" in surface_picture(made_up.space, view).finding
    unsure = replace(view, standard_error=np.full_like(view.mean, np.ptp(view.mean)))
    finding = surface_picture(made_up.space, unsure).finding
    assert finding == "Whether dissolved mass changes over this map the results do not tell"


def test_highest_chance_found_is_never_below_that_of_the_recommended_settings(made_up):
    region = replace(made_up.evidence.landscape.region, highest=0.21, level=0.9)
    assert "the highest found is 23\N{NO-BREAK SPACE}%" in region_sentence(region, 0.234)
    assert "the highest found is 21\N{NO-BREAK SPACE}%" in region_sentence(region, None)
    assert "Nowhere" not in region_sentence(region, 0.95)


def test_interval_of_a_run_carries_its_level():
    prediction = fit_response(Y, linear_model(SPACE), data()).predict([[0.0]])
    assert "mg/g (95\N{NO-BREAK SPACE}% interval)." in expected_sentence(Y, prediction)
    assert "any one run, 95\N{NO-BREAK SPACE}%" in expected_table([(Y, prediction)]).headings


def test_a_flat_surface_has_no_level_place():
    space = FactorSpace((NumericFactor("a", "°C", -1, 1, 0.5), NumericFactor("b", "", -1, 1)))
    corners = np.array([[i, j] for i in (-1.0, 0.0, 1.0) for j in (-1.0, 0.0, 1.0)] * 2)
    runs = tuple(range(1, 19))

    def told(values):
        made = Observations(space, corners, corners, values, runs, (1,) * 18, runs, (None,) * 18)
        fit = fit_response(Y, quadratic_model(space), made)
        return stationary_sentence(fit, stationary_point(fit))

    scatter = np.random.default_rng(4).normal(size=18)
    assert "where it is level is not told" in told(50 + scatter)
    bent = 50 - 9 * ((corners - 0.2) ** 2).sum(axis=1) + 0.1 * scatter
    assert "is level near 0" in told(bent)  # steps of 0.5: the place at 0.2 cannot be set
    assert "°C" in told(bent)


def test_an_amount_foretold_below_zero_is_told_from_nothing_on_and_said():
    """Straight through a few mg/g of much scatter; a pH-like unit may go below zero unsaid."""
    values = np.array([0.1, 3.0, 0.2, 2.9, 0.3, 1.5, 2.6, 0.2, 0.4, 2.7, 0.1, 3.1])
    fit = fit_response(Y, linear_model(SPACE), replace(data(), values=values))
    at = fit.predict([[0.0]])
    assert at.mean_low[0] > 0 > at.run_low[0]
    sentence = expected_sentence(Y, at)
    assert "any one run between 0 and" in sentence
    assert "a run with none at all is possible" in sentence
    assert expected_table([(Y, at)]).rows[0][3].startswith("0 to ")
    low = replace(at, mean_low=np.array([-0.4]))
    told = expected_sentence(Y, low)
    assert "interval 0 to" in told
    assert "begins below zero, at −0.4" in told
    assert "do not tell it from none" in told
    none = expected_sentence(Y, replace(low, mean=np.array([-0.3]), run_low=np.array([-2.0])))
    assert "Expect y of 0\N{NO-BREAK SPACE}mg/g" in none
    assert "take it as next to none" in none
    shift = Response("shift", "mV", "maximise")
    assert "interval −0.4" in expected_sentence(shift, low)
    assert "no amount" not in expected_sentence(shift, low)
    assert "no amount" not in expected_sentence(Y, replace(at, run_low=np.array([0.1])))
