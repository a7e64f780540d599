"""What a plan holds constant stays constant for counting, whatever control makes of it.

The independent computation is least squares by statsmodels on the planned settings, plots as
fixed effects; and numpy's ranks of planned settings.
"""

from dataclasses import replace

import numpy as np
import pytest
from published_data import Y, coded_space, observed

from doe.analysis.carried import largest_model, too_much_planned
from doe.analysis.fit import fit_response
from doe.analysis.scrutiny import scrutinise
from doe.analysis.selection import recommend_model
from doe.errors import FitError
from doe.terms import interaction_model, linear_model, quadratic_model

SPACE = coded_space(3, names=["w", "a", "b"])
PLANNED = np.array(
    [
        (-1, -1, -1), (-1, 1, 1), (-1, 1, -1),
        (1, -1, 1), (1, 1, -1), (1, 1, 1),
        (-1, -1, 1), (-1, -1, 1), (-1, 1, -1),
        (1, -1, 1), (1, -1, -1), (1, 1, 1),
        (1, -1, -1), (1, 1, 1), (1, 1, -1),
    ],
    dtype=float,
)  # fmt: skip
PLOTS = tuple(np.repeat([1, 2, 3, 4, 5], 3).tolist())
BETWEEN = np.array([6, -5, 1, -4, 3.0])
QUADRATIC = np.array(
    [
        (0, 0, -1), (0, -1, 0.25), (0, 0, 0),
        (-1, 1, -0.25), (-1, -1, -1),
        (0, 1, 0), (0, -0.2, -0.25), (0, 0, 1),
        (1, 0, 0), (1, -1, 1), (1, 1, -1),
        (1, 1, 1), (1, -1, -1), (1, 0, 0),
        (-1, 0.6, -1), (-1, 1, 1), (-1, -1, 0.25),
        (-1, -0.4, 1),
    ],
    dtype=float,
)  # fmt: skip
IN_PLOTS = (2, 2, 2, 3, 3, 4, 4, 4, 5, 5, 5, 6, 6, 6, 7, 7, 7, 1)
LOTS = tuple("snsnnssnnsnssnnnss")


def jittered(planned, plots, jitter=0.01, seed=5):
    rng = np.random.default_rng(seed)
    values = 100 + 4 * planned[:, 1] + 6 * planned[:, 2] + 2 * planned[:, 1] * planned[:, 2]
    between = np.resize(BETWEEN, max(plots) + 1)
    values = values + between[np.array(plots) - 1] + rng.normal(0, 1.5, len(planned))
    achieved = planned + rng.normal(0, jitter, planned.shape)
    return observed(SPACE, achieved, values, planned=planned, plots=plots)


def indicator(groups):
    return (np.array(groups)[:, None] == np.unique(groups)[None]).astype(float)


def test_degrees_of_freedom_within_plots_are_those_of_the_plan():
    model = interaction_model(SPACE)
    by_plan = len(PLANNED) - np.linalg.matrix_rank(
        np.hstack([model.matrix(PLANNED), indicator(PLOTS)])
    )
    assert by_plan == 5
    fit = fit_response(Y, model, jittered(PLANNED, PLOTS))
    assert fit.df_residual == 5
    # Kenward and Roger's count, which takes each column for what it tells, says the same.
    within = {e.label: e.df for e in fit.estimates}
    assert within["b"] == pytest.approx(5, abs=0.1)


@pytest.mark.filterwarnings("ignore:The design matrix is rank-deficient")
def test_lack_of_fit_within_plots_against_statsmodels_on_planned_settings():
    sm = pytest.importorskip("statsmodels.api")
    model, data = interaction_model(SPACE), jittered(PLANNED, PLOTS, jitter=1e-4)
    plots, cells = indicator(PLOTS), indicator(np.unique(PLANNED, axis=0, return_inverse=True)[1])
    small = sm.OLS(data.values, np.hstack([plots, model.matrix(PLANNED)])).fit()
    large = sm.OLS(data.values, np.hstack([plots, cells])).fit()
    df_lack = round(small.df_resid - large.df_resid)
    f = (small.ssr - large.ssr) / df_lack / (large.ssr / large.df_resid)
    found = fit_response(Y, model, data).lack_of_fit
    assert (found.df_lack, found.df_pure) == (df_lack, large.df_resid) == (1, 4)
    assert found.f == pytest.approx(f, rel=0.01)


def test_left_out_plots_are_not_foretold_where_the_plan_cannot():
    model, data = interaction_model(SPACE), jittered(PLANNED, PLOTS)
    needed = [
        plot
        for plot in (1, 2, 3, 4, 5)
        if np.linalg.matrix_rank(model.matrix(PLANNED[np.array(PLOTS) != plot])) < len(model)
    ]
    fit = fit_response(Y, model, data)
    assert fit.r2_predicted is None
    assert [runs[0] for runs in fit.needed_alone] == [3 * plot - 2 for plot in needed]
    said = {notice.code: notice.what for notice in fit.notices}
    assert "poor-prediction" not in said
    assert "the others cannot tell all terms apart" in said["no-predicted-r2"]
    whole = recommend_model(Y, SPACE, data, 1).candidates[1]
    assert whole.model.name == model.name
    assert whole.loo_rmse is None


def test_run_that_alone_fixes_a_term_as_planned_is_named():
    planned = np.array([(-1, -1, -1), (1, -1, -1), (-1, 1, -1), (1, 1, -1), (0, 0, -1), (0, 0, 1)])
    data = jittered(planned, (1, 2, 3, 4, 5, 6))
    fit = fit_response(Y, linear_model(SPACE), data)
    assert fit.r2_predicted is None
    assert fit.needed_alone == ((6,),)


def test_jitter_makes_no_plot_to_judge_by():
    planned = np.array(
        [(w, a, b) for w in (-1, 0, 1) for a, b in ((-1, -1), (1, -1), (-1, 1), (1, 1))], float
    )
    wanted = replace(
        quadratic_model(SPACE),
        terms=tuple(t for t in quadratic_model(SPACE).terms if t.powers[1:] in ((0, 0), (1, 0))),
    )
    with pytest.raises(FitError, match="w was set only 3 times"):
        fit_response(Y, wanted, jittered(planned, (1,) * 4 + (2,) * 4 + (3,) * 4))


def test_planned_quadratic_in_plots_and_lots_is_fitted_as_planned():
    # 18 runs for ten terms in seven plots and two lots: three runs are left, as planned.
    data = replace(jittered(QUADRATIC, IN_PLOTS), blocks=(("lot", LOTS),))
    wanted = quadratic_model(SPACE)
    lots = indicator(LOTS)[:, :1] - indicator(LOTS)[:, 1:]
    known = np.hstack([wanted.matrix(QUADRATIC), indicator(IN_PLOTS), lots])
    left = len(QUADRATIC) - np.linalg.matrix_rank(known)
    assert left == 3
    model, notices = largest_model(SPACE, data, wanted)
    assert model is wanted
    assert not notices
    assert fit_response(Y, wanted, data).df_residual == left


def test_too_little_left_names_what_is_left_within_plots():
    data = replace(jittered(QUADRATIC, IN_PLOTS), blocks=(("lot", LOTS),)).only(range(1, 18))
    _, notices = largest_model(SPACE, data, quadratic_model(SPACE))
    assert "17 runs for 10 terms leave within plots and lots only 2" in notices[0].what


def test_plan_is_told_beforehand_what_a_fit_of_it_will_not_carry():
    planned = observed(SPACE, QUADRATIC, np.arange(18.0), plots=IN_PLOTS)
    wanted = quadratic_model(SPACE)
    assert too_much_planned(replace(planned, blocks=(("lot", LOTS),)), wanted) == ()
    lots = tuple("aabbccddabcdabcdab")
    three = np.hstack([wanted.matrix(QUADRATIC), indicator(IN_PLOTS), indicator(lots)])
    left = len(QUADRATIC) - np.linalg.matrix_rank(three)
    assert left < 3
    (notice,) = too_much_planned(replace(planned, blocks=(("lot", lots),)), wanted)
    assert f"only {left} to judge the scatter of runs by" in notice.what
    # and the fit of the same runs, made with jitter, keeps to it
    made = replace(jittered(QUADRATIC, IN_PLOTS), blocks=(("lot", lots),))
    model, _ = largest_model(SPACE, made, wanted)
    assert notice.what.startswith(f"With every run made, {model.name} will be fitted instead")


def test_setting_that_really_strayed_within_a_plot_does_count():
    data = jittered(PLANNED, PLOTS)
    achieved = data.achieved.copy()
    achieved[4, 0] -= 0.5
    fit = fit_response(Y, interaction_model(SPACE), replace(data, achieved=achieved))
    assert fit.df_residual == 4


def test_drift_that_plots_explain_as_planned_is_not_told_from_them():
    # Both factors of the plot and a day for each plot: days and plots are the same thing.
    data = jittered(PLANNED, PLOTS)
    fit = fit_response(Y, interaction_model(SPACE), data)
    days = scrutinise(fit, data, days=PLOTS).drift[1]
    assert days.why_not is not None
