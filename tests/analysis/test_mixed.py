"""Mixed models against lme4 and pbkrtest, against exact theory, and against brute force."""

import csv
import time

import numpy as np
import pytest
from published_data import REFERENCE, Printed, facts
from scipy.stats import norm

from doe.analysis.mixed import can_be_judged, fit_mixed, indicator, likelihood_criterion

OATS = facts("statistics", "splitplot_oats")["reference"]
SIMULATED = facts("statistics", "splitplot_rsm_sim_balanced")["reference"]["full_quadratic"]


def words(name):
    text = (REFERENCE / "statistics" / f"{name}.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    return {key: np.array([row[key] for row in rows]) for key in rows[0]}


def treatment(levels, *order):
    """Columns of a factor against its first level, as the reference codes it."""
    return np.column_stack([levels == level for level in order[1:]]).astype(float)


def sums(levels, *order):
    """Sum-to-zero columns."""
    last = (levels == order[-1]).astype(float)
    return np.column_stack([(levels == level) - last for level in order[:-1]])


def products(A, B):
    return (A[:, :, None] * B[:, None, :]).reshape(len(A), -1)


def oats():
    table = words("splitplot_oats")
    nested = np.char.add(table["block"], table["variety"])
    return table, table["yield"].astype(float), [("plot", nested), ("block", table["block"])]


def simulated():
    table = words("splitplot_rsm_sim_balanced")
    w, a, b = (table[k].astype(float) for k in ("w", "x1", "x2"))
    X = np.column_stack([w**0, w, a, b, w * w, a * a, b * b, w * a, w * b, a * b])
    return X, table["y"].astype(float), [("plot", table["wp"])]


def agrees(fit, reference, rows):
    """Every figure of the reference, to the tolerance written in its file."""
    for at, facts_of_one in enumerate(reference["fixed_effects"].values()):
        kr = facts_of_one["kenward_roger"]
        row = rows[at]
        assert fit.coefficients[at] == pytest.approx(facts_of_one["estimate"], rel=1e-6, abs=1e-6)
        plain = np.sqrt(fit.plain_covariance[at, at])
        assert plain == pytest.approx(facts_of_one["se"], rel=5e-4)
        assert np.sqrt(fit.covariance[at, at]) == pytest.approx(kr["se_adj"], rel=5e-4)
        assert fit.degrees_of_freedom(row)[0] == pytest.approx(kr["df"], abs=0.02)
        assert fit.test(row).p_value == pytest.approx(kr["p"], rel=1e-2)


def test_oats_additive_against_lme4_and_pbkrtest():
    table, y, groupings = oats()
    varieties = ("Golden Rain", "Marvellous", "Victory")
    X = np.column_stack(
        [np.ones(72), table["nitro"].astype(float), treatment(table["variety"], *varieties)]
    )
    reference = OATS["additive_linear"]
    fit = fit_mixed(X, y, groupings)
    assert fit.criterion == pytest.approx(reference["reml_criterion"], abs=1e-5)
    expected = [reference["variance_components"][k] for k in ("Block:Variety", "Block", "Residual")]
    assert fit.variances == pytest.approx(expected, rel=1e-3)
    agrees(fit, reference, np.eye(4))
    variety = fit.test(np.eye(4)[2:])
    printed = reference["anova_type3"]["Variety"]["KR"]
    assert (variety.f, variety.p_value) == pytest.approx((printed["F"], printed["p"]), rel=1e-4)
    assert variety.df_error == pytest.approx(printed["den_df"], abs=0.02)


def test_oats_factorial_against_lme4_and_pbkrtest():
    table, y, groupings = oats()
    V = sums(table["variety"], "Golden Rain", "Marvellous", "Victory")
    N = sums(table["nitro"], "0", "0.2", "0.4", "0.6")
    fit = fit_mixed(np.column_stack([np.ones(72), V, N, products(V, N)]), y, groupings)
    rows = np.eye(12)
    terms = {"Variety": rows[1:3], "N": rows[3:6], "Variety:N": rows[6:]}
    for name, reference in OATS["full_factorial"]["anova_type3"].items():
        test = fit.test(terms[name])
        assert test.df == reference["num_df"]
        assert test.df_error == pytest.approx(reference["KR"]["den_df"], abs=0.02)
        assert test.f == pytest.approx(reference["KR"]["F"], rel=1e-4)
        assert test.p_value == pytest.approx(reference["KR"]["p"], rel=1e-2)


def test_steel_bars_against_printed_output():
    """Box, Hunter, Hunter chapter 9; without whole plots the conclusion would reverse."""
    table, printed = words("splitplot_steelbars"), Printed("splitplot_steelbars")
    y = table["resistance"].astype(float)
    H = sums(table["heats"], "T360", "T370", "T380")
    C = sums(table["coating"], "C1", "C2", "C3", "C4")
    X = np.column_stack([np.ones(24), H, C, products(H, C)])
    fit = fit_mixed(X, y, [("run", table["run"])])
    assert fit.variances[0] == printed["run variance"]
    assert fit.variances[1] == printed["residual variance"]
    rows = np.eye(12)
    for name, L in (("heats", rows[1:3]), ("coating", rows[3:6]), ("heats:coating", rows[6:])):
        test = fit.test(L)
        assert test.df == printed[f"{name} num df"]
        assert test.df_error == pytest.approx(float(printed.checks[f"{name} KR den df"]["printed"]))
        assert test.f == printed[f"{name} F"]
        assert test.p_value == printed[f"{name} p"]
    wrong = fit_mixed(X, y, [])
    assert wrong.test(rows[1:3]).f == pytest.approx(10.23, abs=0.01)
    assert wrong.test(rows[6:]).p_value == pytest.approx(0.85, abs=0.01)


def test_steel_bars_by_level_against_lme4():
    table = words("splitplot_steelbars")
    reference = facts("statistics", "splitplot_steelbars")["reference"]["full"]
    H = treatment(table["heats"], "T360", "T370", "T380")
    C = treatment(table["coating"], "C1", "C2", "C3", "C4")
    crossed = np.column_stack([H[:, i] * C[:, j] for j in range(3) for i in range(2)])
    X = np.column_stack([np.ones(24), H, C, crossed])
    fit = fit_mixed(X, table["resistance"].astype(float), [("run", table["run"])])
    assert fit.criterion == pytest.approx(reference["reml_criterion"], abs=1e-6)
    agrees(fit, reference, np.eye(12))
    printed, errors = Printed("splitplot_steelbars"), np.sqrt(np.diag(fit.plain_covariance))
    assert fit.criterion == printed["REML criterion"]
    for at, name in ((0, "intercept"), (1, "heatsT370"), (3, "coatingC2"), (6, "interaction")):
        assert errors[at] == printed[f"SE {name}"]


def test_second_order_split_plot_against_lme4_and_pbkrtest():
    X, y, groupings = simulated()
    fit = fit_mixed(X, y, groupings)
    assert fit.criterion == pytest.approx(SIMULATED["reml_criterion"], abs=1e-6)
    expected = [SIMULATED["variance_components"][k] for k in ("wp", "Residual")]
    assert fit.variances == pytest.approx(expected, rel=1e-3)
    agrees(fit, SIMULATED, np.eye(10))


def test_balanced_split_plot_gives_the_exact_tests_of_the_analysis_of_variance():
    """Mean squares by hand: whole-plot factor against plots, sub-plot factor against runs."""
    rng = np.random.default_rng(3)
    plots, w = np.repeat(np.arange(8), 4), np.repeat([-1.0, 1] * 4, 4)
    s = np.tile([-1.0, -1, 1, 1], 8)
    y = rng.normal(size=8)[plots] * 2 + rng.normal(size=32) + 0.8 * s
    fit = fit_mixed(np.column_stack([np.ones(32), w, s]), y, [("plot", plots)])
    means = y.reshape(8, 4).mean(axis=1)
    side = np.array([means[w[::4] == v].mean() for v in (-1, 1)])
    between = 4 * np.sum((means - side[(w[::4] > 0).astype(int)]) ** 2) / 6
    f_whole = 8 * np.sum((side - y.mean()) ** 2) * 2 / between
    effect = y[s > 0].mean() - y[s < 0].mean()
    within = (np.sum((y - means[plots]) ** 2) - 8 * effect**2) / 23
    whole, sub = fit.test([0, 1, 0]), fit.test([0, 0, 1])
    assert (whole.f, whole.df_error) == pytest.approx((f_whole, 6), rel=1e-5)
    assert (sub.f, sub.df_error) == pytest.approx((8 * effect**2 / within, 23), rel=1e-5)
    assert fit.variances == pytest.approx([(between - within) / 4, within], rel=1e-5)


def test_zero_variance_is_met_exactly_and_plots_are_still_judged_by_plots():
    """Plot means closer together than chance: pooled error, yet five degrees for the plots."""
    rng = np.random.default_rng(5)
    plots, w = np.repeat(np.arange(8), 4), np.repeat([-1.0, 1] * 4, 4)
    noise = rng.normal(size=(8, 4))
    y = (noise - 0.95 * noise.mean(axis=1, keepdims=True)).ravel()
    s = np.tile([-1.0, 1, -1, 1], 8)
    X = np.column_stack([np.ones(32), w, s])
    fit = fit_mixed(X, y, [("plot", plots)])
    plain = np.linalg.lstsq(X, y, rcond=None)
    assert fit.variances[0] == 0.0
    assert fit.variances[1] == pytest.approx(plain[1][0] / 29)
    assert fit.coefficients == pytest.approx(plain[0])
    assert fit.degrees_of_freedom([0, 1, 0])[0] == pytest.approx(6)


def dense_criterion(X, y, groupings, variances, method):
    """−2 log likelihood from V itself."""
    V = sum(
        v * indicator(g) @ indicator(g).T
        for v, (_, g) in zip(variances, [*groupings, ("run", np.arange(len(y)))], strict=True)
    )
    inverse = np.linalg.inv(V)
    information = X.T @ inverse @ X
    e = y - X @ np.linalg.solve(information, X.T @ inverse @ y)
    value = np.linalg.slogdet(V)[1] + e @ inverse @ e + len(y) * np.log(2 * np.pi)
    if method == "REML":
        value += np.linalg.slogdet(information)[1] - X.shape[1] * np.log(2 * np.pi)
    return value


@pytest.mark.parametrize("method", ["REML", "ML"])
@pytest.mark.parametrize("seed", range(6))
def test_unbalanced_crossed_groupings_have_no_better_variances_nearby(seed, method):
    rng = np.random.default_rng(seed)
    n = 30
    groupings = [("day", rng.integers(0, 6, n)), ("lot", rng.integers(0, 5, n))]
    X = np.column_stack([np.ones(n), rng.normal(size=(n, 3))])
    y = X @ [5, 1, 0, -1] + rng.normal(size=n)
    y += rng.normal(size=6)[groupings[0][1]] * seed / 2 + rng.normal(size=5)[groupings[1][1]]
    fit = fit_mixed(X, y, groupings, method)
    here = dense_criterion(X, y, groupings, fit.variances, method)
    assert fit.criterion == pytest.approx(here, rel=1e-9)
    for _ in range(200):
        near = fit.variances * np.exp(rng.normal(size=3) * rng.choice([0.01, 0.5, 3]))
        near[:2] += (rng.random(2) < 0.3) * rng.choice([1e-4, 0.1, 3])
        assert dense_criterion(X, y, groupings, near, method) >= here - 1e-8


def test_fit_does_not_depend_on_units_of_the_response():
    X, y, groupings = simulated()
    here, there = fit_mixed(X, y, groupings), fit_mixed(X, 40 + 1e4 * y, groupings)
    assert there.variances == pytest.approx(1e8 * here.variances, rel=1e-5)
    rows = np.eye(10)
    assert there.degrees_of_freedom(rows) == pytest.approx(here.degrees_of_freedom(rows), rel=1e-5)


@pytest.mark.parametrize("df_error", [1, 2, 3, 4, 5])
def test_runs_alone_are_judged_by_the_exact_test_however_few(df_error):
    """Against statsmodels' F test of several columns in ordinary least squares."""
    from statsmodels.regression.linear_model import OLS

    rng = np.random.default_rng(df_error)
    X = np.column_stack([np.ones(5 + df_error), rng.normal(size=(5 + df_error, 4))])
    y = rng.normal(size=len(X))
    L = np.eye(5)[2:]
    ours, theirs = fit_mixed(X, y, []).test(L), OLS(y, X).fit().f_test(L)
    assert ours.f == pytest.approx(float(theirs.fvalue))
    assert ours.df_error == pytest.approx(df_error)
    assert ours.p_value == pytest.approx(float(theirs.pvalue))


def test_what_cannot_be_judged_is_told():
    plots = np.repeat(np.arange(3), 4)
    w = np.repeat([-1.0, 0, 1], 4)
    s = np.tile([-1.0, 1], 6)
    X = np.column_stack([np.ones(12), w, s])
    assert can_be_judged(X, [("plot", plots)]) == (True, True)
    assert can_be_judged(np.column_stack([X, w * w]), [("plot", plots)]) == (False, True)
    days = np.repeat([0, 0, 1], 4)
    assert can_be_judged(X[:, [0, 2]], [("plot", plots), ("day", days)]) == (True, True, True)
    single = np.arange(12)
    assert can_be_judged(X, [("plot", single)]) == (True, False)


@pytest.mark.bench
def test_speed_and_likelihood_beside_the_general_mixed_routine(capsys):
    """Prints times and likelihoods beside statsmodels' MixedLM on simulated split plots."""
    import warnings

    from statsmodels.regression.mixed_linear_model import MixedLM

    rng = np.random.default_rng(1)
    plots = np.repeat(np.arange(8), 4)
    own = other = 0.0
    better = worse = 0
    for _ in range(60):
        w = np.repeat(rng.permutation([-1.0, -1, -1, 0, 0, 1, 1, 1]), 4)
        a, b = rng.choice([-1.0, 0, 1], (2, 32))
        X = np.column_stack([w**0, w, a, b, w * w, a * a, b * b, w * a, w * b, a * b])
        y = rng.normal(size=8)[plots] * rng.choice([0, 1, 2]) + rng.normal(size=32)
        start = time.perf_counter()
        fit = fit_mixed(X, y, [("plot", plots)])
        middle = time.perf_counter()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            general = MixedLM(y, X, plots).fit(reml=True)
        other += time.perf_counter() - middle
        own += middle - start
        rise = -fit.criterion / 2 - dense_loglike(general, X, y, plots)
        better += rise > 1e-6
        worse += rise < -1e-6
    with capsys.disabled():
        print(
            f"\nown {own / 60 * 1e3:.2f} ms, general {other / 60 * 1e3:.1f} ms a fit "
            f"({other / own:.0f} times); likelihood higher in {better}, lower in {worse} of 60"
        )
    assert worse == 0


def dense_loglike(general, X, y, plots):
    variances = [float(np.asarray(general.cov_re)[0, 0]), float(general.scale)]
    return -dense_criterion(X, y, [("plot", plots)], variances, "REML") / 2


def test_likelihood_of_values_at_the_same_runs_is_that_of_a_whole_fit():
    """Without groupings it is the normal likelihood, worked out here by scipy."""
    X, y, groupings = simulated()
    for values in (y, np.log(y), y**2):
        of_strata, of_runs = likelihood_criterion(X, groupings), likelihood_criterion(X, [])
        assert of_strata(values) == pytest.approx(
            fit_mixed(X, values, groupings, "ML").criterion, rel=1e-12
        )
        residuals = values - X @ np.linalg.lstsq(X, values, rcond=None)[0]
        sd = np.sqrt(np.mean(residuals**2))
        assert of_runs(values) == pytest.approx(-2 * norm.logpdf(residuals, scale=sd).sum())


def test_joint_test_of_many_contrasts_against_ordinary_least_squares():
    """With the scatter of runs alone the test is the F test of nested models, of 120 columns."""
    rng = np.random.default_rng(5)
    X = np.hstack([np.ones((300, 1)), rng.normal(size=(300, 121))])
    y = X[:, 1] + rng.normal(size=300)
    test = fit_mixed(X, y, []).test(np.eye(122)[2:])

    def left(columns):
        return np.sum((y - columns @ np.linalg.lstsq(columns, y, rcond=None)[0]) ** 2)

    f = (left(X[:, :2]) - left(X)) / 120 / (left(X) / 178)
    assert test.f == pytest.approx(f, rel=1e-8)
    assert (test.df, test.df_error) == (120, pytest.approx(178))
