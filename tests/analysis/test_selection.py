"""Choice of terms against a reference library, brute force and simulation."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from published_data import Y, coded_space, columns, model_of, observed
from test_fit_split_plot import SPACE, simulated

from doe.analysis.fit import fit_response
from doe.analysis.observations import Observations
from doe.analysis.selection import (
    Candidate,
    _best,
    _Search,
    _why,
    aicc,
    power_wanted,
    recommend_model,
)
from doe.analysis.strata import strata_of
from doe.analysis.transformation import NONE
from doe.errors import FitError
from doe.factors import FactorSpace, NumericFactor
from doe.terms import Model, interaction_model, linear_model, quadratic_model

CCD = np.array(
    [
        *itertools.product((-1, 1), repeat=3),
        *np.vstack([np.eye(3), -np.eye(3)]).tolist(),
        *[(0, 0, 0)] * 4,
    ],
    dtype=float,
)
CUBE = coded_space(3)


def filtration():
    values = columns("statistics", "mont_filtration_2to4")
    space = coded_space(4, names=list("ABCD"))
    return space, observed(space, np.column_stack([values[f] for f in "ABCD"]), values["y"])


def by_library(X, y):
    """AICc of least squares by statsmodels, the variance counted as a parameter."""
    from statsmodels.regression.linear_model import OLS
    from statsmodels.tools.eval_measures import aicc as library_aicc

    return library_aicc(OLS(y, X).fit().llf, len(y), X.shape[1] + 1)


def test_aicc_against_statsmodels():
    space, data = filtration()
    found = recommend_model(Y, space, data, 1)
    checked = 0
    for candidate in found.candidates:
        if candidate.aicc is None:
            continue
        X = candidate.model.matrix(data.coded())
        assert candidate.aicc == pytest.approx(by_library(X, data.values), rel=1e-9)
        checked += 1
    assert checked >= 4


def test_aicc_is_undefined_near_saturation():
    assert aicc(10.0, 12, 11) is None
    assert aicc(10.0, 12, 10) == pytest.approx(10 + 20 + 220)


def test_stepwise_choice_finds_the_best_hierarchical_model_of_an_orthogonal_design():
    """Against all hierarchical models of main effects and interactions, filtration data."""
    space, data = filtration()
    full = interaction_model(space)
    best = np.inf
    for size in range(len(full.terms)):
        for some in itertools.combinations(full.terms[1:], size):
            model = Model(space, (full.terms[0], *some))
            if model.is_hierarchical() and len(model) < 13:
                best = min(best, by_library(model.matrix(data.coded()), data.values))
    found = recommend_model(Y, space, data, 1)
    assert found.model.labels == ("1", "A", "C", "D", "A × C", "A × D")
    named = {c.name: c for c in found.candidates}
    assert named["forward choice"].aicc == pytest.approx(best)
    assert named["backward choice"].aicc == pytest.approx(best)


def test_left_out_error_of_a_whole_model_is_that_of_press():
    space, data = filtration()
    main = next(
        c for c in recommend_model(Y, space, data, 1).candidates if c.name == "main effects"
    )
    fit = fit_response(Y, linear_model(space), data)
    press = (1 - fit.r2_predicted) * fit.ss_total
    assert main.loo_rmse == pytest.approx(np.sqrt(press / 16))


def test_error_said_of_a_plain_mean_is_the_means_and_that_of_choosing_anew_is_said_beside_it():
    """Scatter alone: the mean of the others misses run i by n/(n − 1) of its own deviation.

    Without some of the runs forward choice takes terms, and misses them by more.
    """
    seen = 0
    for seed in range(12):
        values = 50 + np.random.default_rng(seed).normal(0, 5, len(CCD))
        found = recommend_model(Y, CUBE, observed(CUBE, CCD, values), 1, draws=2)
        taken = next(c for c in found.candidates if c.model is found.model)
        if found.model.labels != ("1",):
            continue
        n = len(values)
        own = float(np.sqrt(np.mean(((values - values.mean()) * n / (n - 1)) ** 2)))
        assert taken.kept_rmse == pytest.approx(own)
        assert f"it misses left-out runs by {own:.3g} {Y.unit}".rstrip() in found.why
        otherwise = taken.loo_rmse > 1.01 * own
        assert ("with terms chosen anew without each)" in found.why) == otherwise
        assert found.chosen_otherwise == otherwise
        seen += otherwise
    assert seen >= 2


def test_left_out_plots_are_predicted_without_any_of_their_runs():
    """Full quadratic: explicit generalised least squares without each plot."""
    data = simulated()
    found = recommend_model(Y, SPACE, data, 1, draws=5)
    full = next(c for c in found.candidates if c.name == "full quadratic")
    fit = fit_response(Y, quadratic_model(SPACE), data)
    assert full.loo_rmse == pytest.approx(
        np.sqrt((1 - fit.r2_predicted) * fit.ss_total / 40), rel=1e-6
    )


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), n=st.integers(6, 18))
def test_every_model_keeps_hierarchy_and_can_be_fitted(seed, n):
    rng = np.random.default_rng(seed)
    points = CCD[rng.permutation(18)[:n]]
    values = points @ rng.normal(size=3) * 2 + points[:, 0] ** 2 * rng.normal() * 3
    data = observed(CUBE, points, values + rng.normal(0, 0.5, n))
    try:
        found = recommend_model(Y, CUBE, data, seed, draws=5)
    except FitError:
        return
    assert found.model.is_hierarchical()
    fit_response(Y, found.model, data)
    for candidate in found.candidates:
        assert candidate.model.is_hierarchical()


def test_strong_terms_survive_and_absent_ones_mostly_do_not():
    rng = np.random.default_rng(3)
    points = np.vstack([CCD, CCD])
    x, z = points[:, 0], points[:, 1]
    data = observed(CUBE, points, 5 + 3 * x - 2 * z - 3 * x**2 + rng.normal(0, 0.8, 36))
    found = recommend_model(Y, CUBE, data, 1)
    assert {"1", "x1", "x2", "x1²"} <= set(found.model.labels)
    assert min(found.survival[label] for label in ("x1", "x2", "x1²")) > 0.95
    assert found.survival["x2 × x3"] < 0.6
    again = recommend_model(Y, CUBE, data, 1)
    assert again.survival == found.survival
    assert recommend_model(Y, CUBE, data, 2).survival != found.survival


def test_near_saturation_is_said_and_left_out_runs_decide():
    points = np.array([(-1.0, -1, 0), (1, -1, 0), (-1, 1, 0), (0, 0, 1), (1, 1, -1), (0, 1, 1)])
    values = points @ [3.0, 1, 0] + np.random.default_rng(1).normal(0, 0.1, 6)
    found = recommend_model(Y, CUBE, observed(CUBE, points, values), 1)
    main = next(c for c in found.candidates if c.name == "main effects")
    assert main.aicc is None
    quadratic = next(c for c in found.candidates if c.name == "full quadratic")
    assert "cannot" in quadratic.problem


def test_model_of_less_aicc_gives_way_to_one_that_predicts_far_better():
    """Cinnamaldehyde of the published cinnamon extraction: 15 runs, strong curvature."""
    table = columns("extraction", "cinnamon_swe_bbd")
    low_high = ((110, 130), (20, 60), (20, 60))
    space = FactorSpace(
        tuple(NumericFactor(f"x{i}", "", a, b) for i, (a, b) in enumerate(low_high, 1))
    )
    names = list(table)
    data = observed(
        space,
        np.column_stack([table[n] for n in names[1:4]]),
        table["cinnamaldehyde_pct_as_printed"],
    )
    found = recommend_model(Y, space, data, 1)
    chosen = next(c for c in found.candidates if c.model is found.model)
    least = min((c for c in found.candidates if c.aicc is not None), key=lambda c: c.aicc)
    assert chosen.loo_rmse <= least.loo_rmse
    assert "misses left-out runs" in found.why


def test_other_factors_are_compared_and_never_recommended():
    """Invented values that follow the product of the factors alone."""
    rng = np.random.default_rng(6)
    points = CCD
    product = (points[:, 0] + 2) * (points[:, 1] + 2)
    data = observed(CUBE, points, 3 * product + rng.normal(0, 0.1, 18))
    space = FactorSpace((NumericFactor("product", "", 1, 9),))
    other = observed(space, product[:, None], data.values)
    found = recommend_model(Y, CUBE, data, 1, alternatives={"the product": other})
    candidate = found.candidates[-1]
    assert candidate.name.endswith("in the product")
    assert found.model.space is CUBE
    # the truth is linear in the product, so its three terms do far better than main effects do
    main_effects = next(c for c in found.candidates if c.name == "main effects")
    assert candidate.aicc < main_effects.aicc - 50
    assert candidate.loo_rmse < main_effects.loo_rmse / 10


def test_other_factors_have_the_error_structure_of_the_plots():
    """In a factor of runs and plots together: statsmodels' likelihood with random plots."""
    import statsmodels.api as sm

    data = simulated()
    plots = np.array(data.plots)
    total = data.achieved[:, 0] + data.achieved[:, 1]
    space = FactorSpace((NumericFactor("total", "", -2, 2),))
    made = observed(space, total[:, None], data.values, plots=data.plots)
    other = replace(made, in_plots=True)
    found = recommend_model(Y, SPACE, data, 1, alternatives={"total": other}, draws=5)
    candidate = found.candidates[-1]
    strata = strata_of(candidate.model, other)
    assert strata.plots is not None
    assert len(strata.fixed_names) == 0
    X = candidate.model.matrix(other.coded())
    by_library = sm.MixedLM(data.values, X, groups=plots).fit(reml=False)
    criterion, parameters = -2 * by_library.llf, X.shape[1] + 2
    assert candidate.aicc == pytest.approx(aicc(criterion, len(plots), parameters), abs=1e-3)
    assert fit_response(Y, candidate.model, other).lack_of_fit_plots is None


def test_terms_that_change_with_plots_never_use_up_all_plots():
    data = simulated()
    few = data.only([i for i, p in enumerate(data.plots) if p in (1, 2, 5, 8)])
    found = recommend_model(Y, SPACE, few, 1, draws=20)
    fit_response(Y, found.model, few)
    assert all(
        c.problem is None or "plot" in c.problem or "cannot" in c.problem for c in found.candidates
    )


def test_power_wanted_against_scipy_for_a_plain_sample():
    """Mean only: scipy's likelihood of the power, cut where one more coefficient would tell.

    n·ln(1 + t²/ν), ν the runs less the mean and the power: from memory, as in `box_cox`.
    """
    from scipy.optimize import brentq
    from scipy.stats import boxcox, boxcox_llf
    from scipy.stats import t as students

    y = np.exp(np.random.default_rng(3).normal(1, 0.6, 40))
    space = coded_space(1)
    data = observed(space, np.random.default_rng(4).normal(size=(40, 1)), y)
    found = power_wanted(model_of(space), data)
    best = boxcox(y)[1]
    within = 20 * np.log(1 + students.ppf(0.975, 38) ** 2 / 38)

    def above(exponent):
        return boxcox_llf(exponent, y) - boxcox_llf(best, y) + within

    low, high = brentq(above, best - 2, best), brentq(above, best, best + 2)
    assert (found.best, found.low, found.high) == pytest.approx((best, low, high), abs=1e-3)
    assert found.suggested == 0
    assert "logarithm" in found.why


def test_values_of_zero_have_no_power():
    space, data = filtration()
    with pytest.raises(FitError, match="above zero"):
        power_wanted(linear_model(space), replace(data, values=data.values - data.values.min()))


def compared(model, aicc_, left_out, lack=None):
    labels = tuple(label for label in model.labels if label != "1")
    return Candidate(model.name, model, labels, 9, aicc_, left_out, lack, kept_rmse=left_out)


def sentence(*candidates):
    """Return the sentence on the model to take of these."""
    best, beaten = _best([c for c in candidates if c.model.space is CUBE])
    search = _Search.of(linear_model(CUBE), observed(CUBE, CCD, CCD[:, 0] + CCD[:, 1] ** 2), NONE)
    return best, _why(best, beaten, candidates, search, "mg/g")


FEW = Model(CUBE, linear_model(CUBE).terms[:3], "forward choice")
SEVERITY = FactorSpace((NumericFactor("severity", "", 1, 9),))


@pytest.mark.parametrize(
    ("aicc_", "left_out", "said"),
    [(98.1, 6.26, False), (90.0, 6.26, False), (98.1, 3.0, False), (90.0, 3.0, True)],
)
def test_other_factors_do_better_only_by_all_that_models_are_compared_by(aicc_, left_out, said):
    """The full model is taken for its left-out runs; forward choice has the least AICc, 97.0.

    A severity that misses left-out runs by twice as much, or whose AICc is no better than that,
    does not do better: so an honest reader of the table of candidates.
    """
    other = Model(SEVERITY, linear_model(SEVERITY).terms, "forward choice in severity")
    best, why = sentence(
        compared(quadratic_model(CUBE), 167.0, 3.14),
        compared(FEW, 97.0, 6.08),
        compared(other, aicc_, left_out),
    )
    assert best.name == "full quadratic"
    assert "misses left-out runs by 3.14 mg/g, forward choice, of less AICc, by 6.08" in why
    assert ("would do better" in why) == said


def test_model_beaten_on_left_out_runs_is_not_said_to_have_less_aicc_where_it_has_more():
    best, why = sentence(compared(linear_model(CUBE), 96.5, 2.0), compared(FEW, 97.0, 6.0))
    assert best.name == "main effects"
    assert "forward choice, simpler and of like AICc, by 6" in why


def test_more_terms_taken_for_lack_of_fit_are_not_called_simpler():
    best, why = sentence(compared(linear_model(CUBE), 98.0, 5.0), compared(FEW, 97.0, 5.0, 0.01))
    assert best.name == "main effects"
    assert "too close to call, so the one without lack of fit" in why


def test_values_that_a_model_passes_through_leave_nothing_to_compare_by():
    values = 50 + 8 * CCD[:, 0] - 6 * CCD[:, 0] ** 2 + 3 * CCD[:, 1]
    found = recommend_model(Y, CUBE, observed(CUBE, CCD, values), 1, draws=5)
    assert {"x1", "x2", "x1²"} <= set(found.model.labels)
    assert "passes through every value" in found.why
    assert "AICc" not in found.why
    exact = [c for c in found.candidates if {"x1", "x2", "x1²"} <= set(c.model.labels)]
    assert exact
    assert all(c.exact for c in exact)
    assert not any(c.exact for c in found.candidates if "x1²" not in c.model.labels)


@pytest.mark.long
@pytest.mark.parametrize(("plots", "most"), [(4, 4), (7, 3)])
def test_plots_that_scatter_seldom_pass_for_an_effect_of_what_is_set_once_a_plot(plots, most):
    """30 campaigns each of runs in plots that scatter by twice the runs; temperature is idle.

    Counted as if every run set it anew, temperature was held by half of the models of four plots.
    """
    hard = NumericFactor("temperature", "", -1, 1, change="hard")
    space = FactorSpace((hard, NumericFactor("flow", "", -1, 1)))
    levels = np.array([-1, 1, 0, -1, 1, 0, 1])[:plots]
    settings = np.array([(t, f) for t in levels for f in (-1.0, 0.0, 1.0)])
    of_plot = np.repeat(np.arange(plots), 3)
    n, held, found_when_real = len(settings), 0, 0
    for seed in range(30):
        rng = np.random.default_rng(seed)
        idle = 50 + 3 * settings[:, 1] + 2 * rng.normal(size=plots)[of_plot] + rng.normal(size=n)
        runs, numbers = tuple(range(1, n + 1)), tuple(int(p) for p in of_plot)
        data = Observations(space, settings, settings, idle, runs, (1,) * n, numbers, (None,) * n)
        held += "temperature" in recommend_model(Y, space, data, 1, draws=1).model.labels
        real = replace(data, values=idle + 10 * settings[:, 0])
        labels = recommend_model(Y, space, real, 1, draws=1).model.labels
        found_when_real += "temperature" in labels
    assert held <= most
    assert found_when_real >= 26
