"""Inflation, drift, gaps in the plan, and runs that decide where the best is."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from published_data import Y, coded_space, observed
from test_fit_split_plot import SPACE, simulated

from doe.analysis.fit import fit_response
from doe.analysis.fit_notices import outlying
from doe.analysis.optimum import best_of_one
from doe.analysis.scrutiny import pulls_on_best, scrutinise, variance_inflation
from doe.analysis.selection import power_wanted, recommend_model, with_terms_of_logarithms
from doe.design.definitive import definitive_screening
from doe.factors import whole_box
from doe.responses import Response
from doe.terms import linear_model, quadratic_model

SQUARE = coded_space(2)
CCD = np.array(
    [*itertools.product((-1, 1), (-1, 1)), (-1, 0), (1, 0), (0, -1), (0, 1), *[(0, 0)] * 3],
    dtype=float,
)


def campaign(seed=1, drift=0.0, shift=0.0):
    rng = np.random.default_rng(seed)
    points = np.vstack([CCD, CCD])[rng.permutation(22)]
    x, z = points.T
    y = 10 + 2 * x - z - 1.5 * x**2 - z**2 + rng.normal(0, 0.4, 22)
    y = y + drift * np.arange(22) / 21 + shift * (np.arange(22) % 4 == 0)
    return observed(SQUARE, points, y)


def fitted(data):
    return fit_response(Y, quadratic_model(SQUARE), data)


def test_inflation_against_statsmodels():
    from statsmodels.stats.outliers_influence import variance_inflation_factor

    data = campaign()
    scattered = data.achieved + np.random.default_rng(3).uniform(-0.3, 0.3, (22, 2))
    fit = fitted(replace(data, achieved=scattered))
    X = fit.model.matrix(fit.coded)
    expected = {e.label: variance_inflation_factor(X, j) for j, e in enumerate(fit.estimates) if j}
    assert dict(variance_inflation(fit)) == pytest.approx(expected)


def test_inflation_counts_lots_against_statsmodels():
    """Lots that go with a factor leave less of it: a column of statsmodels' matrix like others."""
    from statsmodels.stats.outliers_influence import variance_inflation_factor

    data = campaign()
    lots = tuple("a" if x + 0.5 * z > 0.4 else "b" for x, z in data.achieved)
    data = replace(data, blocks=(("lot", lots),))
    fit = fitted(data)
    lot = np.where([one == "a" for one in lots], 1.0, -1.0)
    X = np.column_stack([fit.model.matrix(fit.coded), lot])
    expected = {e.label: variance_inflation_factor(X, j) for j, e in enumerate(fit.estimates) if j}
    assert max(expected.values()) > 1.5
    assert dict(scrutinise(fit, data).inflation) == pytest.approx(expected)


def test_drift_along_the_run_order_is_estimated_and_named():
    data = campaign(drift=3.0)
    found = scrutinise(fitted(data), data)
    (drift,) = found.drift
    assert drift.change == pytest.approx(3.0, abs=3 * drift.standard_error)
    assert "drift" in {n.code for n in found.notices}
    assert drift.df_error == pytest.approx(22 - 7)


def drift_notice(data, days=None):
    found = scrutinise(fitted(data), data, days=days).notices
    return next(n.what for n in found if n.code == "drift")


def test_remedy_of_a_drift_asks_for_days_only_where_they_are_not_taken_out():
    data = campaign(drift=6.0)
    days = [f"{1 + (i >= 11)}" for i in range(22)]
    assert drift_notice(data).endswith("look for what changed on the rig.")
    assert "fit with --by-day" in drift_notice(data, days)
    said = drift_notice(replace(data, blocks=(("day", tuple(days)),)))
    assert "--by-day" not in said
    assert said.endswith("what differs between them is taken out already.")


def test_drift_is_not_judged_where_the_model_leaves_only_rounding():
    x, z = CCD.T
    data = observed(SQUARE, CCD, 10 + 2 * x - z - 1.5 * x**2 - z**2)
    found = scrutinise(fitted(data), data)
    (drift,) = found.drift
    assert drift.p_value is None
    assert "passes through every value" in drift.why_not
    assert "drift" not in {n.code for n in found.notices}


@pytest.mark.long
def test_drift_test_rejects_as_often_as_its_level():
    """800 campaigns without drift."""
    p_values = []
    for seed in range(800):
        data = campaign(seed)
        p_values.append(scrutinise(fitted(data), data).drift[0].p_value)
    rejected = np.mean(np.array(p_values) < 0.05)
    assert rejected == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / 800))


def test_days_are_tested_together():
    data = campaign(shift=3.0)
    days = [f"day {i % 4}" for i in range(22)]
    found = scrutinise(fitted(data), data, days=days)
    assert (found.drift[1].over, found.drift[1].df) == ("days", 3)
    assert found.drift[1].p_value < 0.001
    assert "drift-over-days" in {n.code for n in found.notices}


def test_drift_that_cannot_be_told_from_a_term_is_not_tested():
    data = campaign()
    order = [round(1000 * v) for v in data.achieved[:, 0]]
    (drift,) = scrutinise(fitted(data), data, order=order).drift
    assert drift.p_value is None
    assert "cannot be told apart" in drift.why_not


def test_drift_in_whole_plots_is_judged_with_their_scatter():
    """Plots run one after another: their scatter must not pass for drift, 200 campaigns."""
    rng, data, rejected = np.random.default_rng(2), simulated(), 0
    for _ in range(200):
        y = 2 * rng.normal(size=11)[list(data.plots)] + rng.normal(size=40)
        new = replace(data, values=y)
        fit = fit_response(Y, linear_model(SPACE), new)
        rejected += scrutinise(fit, new).drift[0].p_value < 0.05
    assert rejected / 200 < 0.05 + 4 * np.sqrt(0.05 * 0.95 / 200)


def test_runs_placed_by_earlier_ones_are_no_drift():
    """60 campaigns without drift: a second order misses a sharp hill, later stages sit on it.

    Told of as one stage they show a drift in most.
    """

    def hill(coded):
        return 10 + 30 * np.exp(-4 * ((coded - [0.3, 0.2]) ** 2).sum(axis=1))

    alarms = {True: 0, False: 0}
    for seed in range(60):
        rng = np.random.default_rng(seed)
        first = rng.permutation(np.vstack([CCD, CCD[:4]]))
        later = rng.normal([0.3, 0.2], 0.15, (10, 2))
        coded = np.vstack([first, later])
        data = observed(SQUARE, coded, hill(coded) + rng.normal(0, 1, len(coded)))
        for told in (True, False):
            stages = (1,) * len(first) + (2,) * 5 + (3,) * 5 if told else data.stages
            own = replace(data, stages=stages)
            alarms[told] += scrutinise(fitted(own), own).drift[0].p_value < 0.05
    assert alarms[False] > 30
    assert alarms[True] <= 7  # 3 expected, 99 % of binomial counts


def test_drift_within_stages_is_still_seen():
    data = campaign(drift=6.0)
    half = replace(data, stages=(1,) * 11 + (2,) * 11)
    (drift,) = scrutinise(fitted(half), half).drift
    assert drift.change == pytest.approx(6.0, abs=3 * drift.standard_error)
    assert drift.p_value < 0.05


def test_gaps_and_unplanned_repeats_are_named():
    data = campaign()
    planned = CCD.copy()
    achieved, values = CCD.copy(), np.arange(11.0) ** 1.3
    values[0] = np.nan
    achieved[5] = achieved[7] = (0.6, 0.6)
    data = observed(SQUARE, achieved, values, planned=planned)
    found = scrutinise(fit_response(Y, linear_model(SQUARE), data), data)
    assert found.missing == (1,)
    assert found.same_settings == ((6, 8),)
    assert {"missing-points", "same-settings"} <= {n.code for n in found.notices}


def test_lost_repeat_is_not_a_gap():
    values = np.arange(11.0) ** 1.3
    values[9] = np.nan
    data = observed(SQUARE, CCD, values)
    assert scrutinise(fit_response(Y, linear_model(SQUARE), data), data).missing == ()


def test_pull_on_best_is_where_a_fit_without_the_run_goes():
    response = Response("y", "", "maximise")
    data = campaign().only(range(14))
    data = replace(data, values=data.values + 4 * (np.arange(14) == 5))
    model = quadratic_model(SQUARE)
    fit = fit_response(response, model, data)
    pulls = pulls_on_best([fit], {"y": data}, whole_box)["y"]
    assert [pull.run for pull in pulls] == list(data.runs)
    keep = [i for i in range(14) if i != 5]
    refit = fit_response(response, model, data.only(keep))
    best, without = best_of_one(fit, whole_box), best_of_one(refit, whole_box)
    assert pulls[5].settings == pytest.approx(without.settings, abs=1e-3)
    assert pulls[5].moved == pytest.approx(
        np.abs(without.settings - best.settings).max() / 2, abs=1e-3
    )
    there = refit.predict(best.settings).mean[0]
    assert pulls[5].change == pytest.approx(there - best.prediction.mean[0], rel=1e-6)


def test_run_that_no_fit_can_do_without_is_listed_without_figures():
    points = np.vstack([CCD[:4], CCD[:3], [(0, 0.0)]])
    space = coded_space(2)
    values = np.random.default_rng(1).normal(size=8) + points[:, 0]
    from doe.terms import Model, Term

    model = Model(space, (*linear_model(space).terms, Term((2, 0))))
    fit = fit_response(Response("y", "", "maximise"), model, observed(space, points, values))
    pulls = pulls_on_best([fit], {"y": observed(space, points, values)}, whole_box)["y"]
    assert pulls[7].settings is None
    assert pulls[0].moved is not None


def test_settings_that_moved_together_are_named_without_digits_that_say_nothing():
    """Two factors that are one but for jitter: statsmodels' inflation is in the thousands."""
    from statsmodels.stats.outliers_influence import variance_inflation_factor

    rng = np.random.default_rng(4)
    one = np.linspace(-1, 1, 12)
    achieved = np.column_stack([one, one + rng.normal(0, 0.002, 12)])
    data = observed(SQUARE, achieved, 10 + one + rng.normal(0, 0.3, 12))
    fit = fit_response(Y, linear_model(SQUARE), data)
    X = fit.model.matrix(fit.coded)
    assert variance_inflation_factor(X, 1) > 1000
    (said,) = [n.what for n in scrutinise(fit, data).notices if n.code == "tangled-terms"]
    first, second = SQUARE.names
    assert f"{first} and {second} (over 1000 times)" in said
    assert "Trust what the two do together" in said
    assert "Nor can where the polynomial puts the best" in said


def screened(seed, drift=0.0, days=0.0, gross=0.0, decades=False):
    """Definitive screening of five factors on five days, of which two act and bend.

    In one random order, in which the days go with the bend more than in most.
    """
    rng = np.random.default_rng([seed, 5])
    points = definitive_screening(5, spare=2).points
    points = points[np.random.default_rng(217).permutation(len(points))]
    n, (x, z) = len(points), points[:, :2].T
    y = 50 + 8 * x + 5 * z + 4 * x * z - 6 * x**2
    y = np.exp(0.9 * y / 10 - 3 + 0.15 * rng.normal(size=n)) if decades else y
    y = y if decades else y + 1.5 * rng.normal(size=n)
    day = np.arange(n) * 5 // n
    wrong = int(rng.integers(n))
    y = y + drift * np.arange(n) / (n - 1) + days * rng.normal(size=5)[day]
    y[wrong] += gross
    data = observed(coded_space(5), points, y)
    main = fit_response(Y, linear_model(data.space), data)
    found = recommend_model(Y, data.space, data, seed, draws=2)
    return data, main, fit_response(Y, found.model, data), day.tolist(), wrong + 1


def p_values(**truth):
    """Return p over runs and days, beside main effects and beside what the runs ask for."""
    found = []
    for seed in range(24):
        data, main, best, days, _ = screened(seed, **truth)
        alone = scrutinise(main, data, days=days).drift
        beside = scrutinise(main, data, days=days, recommended=best).drift
        assert {drift.by for drift in beside} == {"recommended"}
        found.append([drift.p_value for drift in (*alone, *beside)])
    return np.array(found)


@pytest.mark.long
def test_terms_that_the_fitted_model_lacks_are_no_drift():
    """24 campaigns: by main effects most would be sent to look for what changed on the rig."""
    _, alone, runs, days = (p_values() < 0.05).sum(axis=0)
    assert alone > 12
    # of 24 with a chance of 0.05 five or more come in 6 of 1000: binomial
    assert runs <= 4
    assert days <= 4


@pytest.mark.long
def test_real_drift_is_found_beside_the_recommended_model():
    assert (p_values(drift=6.0)[:, 2] < 0.05).sum() >= 20
    assert (p_values(days=6.0)[:, 3] < 0.05).sum() >= 16


@pytest.mark.long
def test_gross_value_is_found_by_the_recommended_model_and_not_by_one_that_lacks_terms():
    right = wrong = by_main_effects = 0
    for seed in range(24):
        data, main, best, _, culprit = screened(seed, gross=12.0)
        said = [
            notice.what
            for notice in scrutinise(main, data, recommended=best).notices
            if notice.code == "large-residual"
        ]
        assert all("by the recommended model" in what for what in said)
        right += any(what.startswith(f"Run {culprit}: ") for what in said)
        wrong += any(not what.startswith(f"Run {culprit}: ") for what in said)
        by_main_effects += "large-residual" in {notice.code for notice in main.notices}
    assert right >= 16
    assert wrong <= 2
    assert by_main_effects <= 2


@pytest.mark.long
def test_logarithm_is_asked_for_where_effects_multiply_and_not_where_terms_lack():
    """24 campaigns each: effects on the values, and effects on their logarithms."""
    asked = {}
    for decades in (False, True):
        asked[decades] = 0
        for seed in range(24):
            data, _, best, _, _ = screened(seed, decades=decades)
            found = power_wanted(with_terms_of_logarithms(best.model, data), data)
            asked[decades] += found.low <= 0 <= found.high < 0.6
    assert asked[False] <= 4
    assert asked[True] >= 14


def scrutinised(seed, drift=0.0, gross=0.0):
    """A face-centred design of 17 runs in three factors; the model chosen, runs looked over."""
    rng = np.random.default_rng([seed, 17])
    corners = np.array(list(itertools.product((-1.0, 1.0), repeat=3)))
    points = np.vstack([corners, np.eye(3), -np.eye(3), np.zeros((3, 3))])
    order = rng.permutation(17)
    middle = int(np.flatnonzero(order == 16)[0])
    order[[8, middle]] = order[[middle, 8]]  # run 9 is a centre: a gross corner bends any model
    points = points[order]
    x, z, _ = points.T
    y = 50 + 8 * x - 6 * x**2 + 3 * z + drift * np.arange(17) + rng.normal(size=17)
    y[8] += gross
    data = observed(coded_space(3), points, y)
    fit = fit_response(Y, quadratic_model(data.space), data)
    found = recommend_model(Y, data.space, data, seed, draws=2)
    best = fit_response(Y, found.model, data)
    far = outlying(best, found.largest_residual)
    cleaned = None
    if far:
        rest = data.only([i for i in range(17) if i not in far])
        cleaned = fit_response(Y, recommend_model(Y, data.space, rest, seed, draws=1).model, rest)
    days = [str(day) for day in np.arange(17) * 4 // 17]
    return scrutinise(
        fit,
        data,
        days=days,
        recommended=best,
        least_residual=found.largest_residual,
        cleaned=cleaned,
    )


@pytest.mark.long
def test_a_gross_value_does_not_hide_a_drift():
    """24 campaigns with run 9 off by 20 and 0.4 a run of drift, the scatter being 1."""
    found = [scrutinised(seed, drift=0.4, gross=20.0) for seed in range(24)]
    of_run = [f.drift[0] for f in found]
    named = [drift for drift in of_run if drift.without == (9,)]
    assert len(named) >= 18
    seen = [drift for drift in named if drift.p_corrected < 0.05]
    assert len(seen) >= 0.8 * len(named)
    assert np.mean([drift.change for drift in named]) == pytest.approx(0.4 * 16, rel=0.25)
    told = [n.what for f in found for n in f.notices if n.code == "drift"]
    assert any(
        what.startswith("Without run 9, which could hide it, values change") for what in told
    )


@pytest.mark.long
def test_nothing_is_found_where_nothing_is_wrong():
    """60 campaigns: an outlier in 2 of 100 at most, drift by either test in 5 of 100."""
    found = [scrutinised(seed) for seed in range(60)]
    far = sum(any(n.code == "large-residual" for n in f.notices) for f in found)
    drifts = sum(any("drift" in n.code for n in f.notices) for f in found)
    # binomial: 5 or more of 60 at 0.02 come in 1 of 100 cases, 9 or more at 0.05 in 4 of 1000
    assert far <= 4
    assert drifts <= 8


def test_two_tests_of_drift_are_corrected_by_holms_rule():
    """Holm 1979: the least p-value times two, the other at least as large as that."""
    data = campaign()
    days = [f"day {i % 4}" for i in range(22)]
    for seed in range(5):
        found = scrutinise(fitted(campaign(seed)), campaign(seed), days=days).drift
        less, more = sorted(found, key=lambda drift: drift.p_value)
        assert less.p_corrected == pytest.approx(min(1, 2 * less.p_value))
        assert more.p_corrected == pytest.approx(max(less.p_corrected, more.p_value))
    (alone,) = scrutinise(fitted(data), data).drift
    assert alone.p_corrected == alone.p_value
