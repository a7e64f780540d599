"""Efficiencies, variance, power and degrees of freedom against the handbook and textbooks."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from doe.design.evaluation import (
    degrees_of_freedom,
    efficiencies,
    fraction_of_design_space,
    leverage,
    power_of_terms,
    prediction_variance,
    region_sample,
    variance_inflation,
)
from doe.design.screening import fraction_points, full_factorial, regular_fractions
from doe.errors import DesignError
from doe.factors import CategoricalFactor, FactorSpace, NumericFactor, whole_box
from doe.terms import Model, Term, interaction_model, linear_model, quadratic_model

REFERENCE = Path(__file__).parents[1] / "reference" / "design"


def box(k: int) -> FactorSpace:
    return FactorSpace(tuple(NumericFactor(f"x{i}", "", -1, 1) for i in range(k)))


def table(name: str) -> np.ndarray:
    return np.loadtxt(REFERENCE / name, delimiter=",", skiprows=1)


def handbook_model() -> Model:
    powers = [(0, 0, 0), (1, 0, 0), (0, 1, 0), (0, 0, 1), (2, 0, 0)]
    return Model(box(3), tuple(Term(p) for p in powers))


def test_efficiencies_against_nist_5_5_2_1():
    printed = {
        check["quantity"]: float(check["printed"])
        for check in json.loads((REFERENCE / "nist_doptimal_12run.json").read_text())["checks"]
    }
    candidates = table("nist_doptimal_12run_candidates.csv")
    found = efficiencies(handbook_model(), table("nist_doptimal_12run.csv"), candidates)
    assert found.d == pytest.approx(printed["D"], abs=5e-8)
    assert 1 / found.a == pytest.approx(printed["A"], abs=0.05)  # the handbook prints tr/p
    assert found.g == pytest.approx(printed["G"], abs=1e-9)
    assert found.i == pytest.approx(printed["I"], abs=5e-5)


def test_prediction_variance_against_nist_5_5_2_1():
    runs = table("nist_doptimal_12run.csv")
    printed = 0.645497  # standard error of prediction at every run, table 5.2
    assert np.sqrt(leverage(handbook_model(), runs)) == pytest.approx(printed, abs=5e-7)


def test_efficiencies_against_published_optima_on_the_square():
    """Row N = 9, criterion D of the table is the 3² factorial, so it needs no search."""
    rows = list(csv.DictReader((REFERENCE / "optimal_cube_k2.csv").read_text().splitlines()))
    row = next(r for r in rows if r["N"] == "9" and r["criterion"] == "D")
    grid = box(2).grid(3)
    found = efficiencies(
        quadratic_model(box(2)), grid, region_sample(box(2), whole_box), extremes_coded=grid
    )
    assert 100 * found.d == pytest.approx(float(row["D_eff"]), abs=5e-5)
    assert 100 * found.a == pytest.approx(float(row["A_eff"]), abs=5e-5)
    assert 100 * found.g == pytest.approx(float(row["G_eff"]), abs=5e-4)
    assert found.i == pytest.approx(float(row["I_avg_var_scaled"]), rel=2e-3)


def test_orthogonal_two_level_design_has_efficiency_one():
    found = efficiencies(linear_model(box(3)), full_factorial(3), full_factorial(3))
    assert (found.d, found.a, found.g) == pytest.approx((1, 1, 1))


def test_average_variance_of_a_line_against_integration():
    """For n runs at ±1 the variance is (1 + x²)/n, on average over −1..1 (1 + 1/3)/n."""
    runs = np.array([[-1.0], [1.0]])
    found = efficiencies(linear_model(box(1)), runs, region_sample(box(1), whole_box))
    assert found.i == pytest.approx(4 / 3, rel=1e-3)


def test_whole_plots_against_explicit_generalised_least_squares():
    runs, plots, ratio = full_factorial(3), (1, 1, 1, 1, 2, 2, 2, 2), 2.5
    X = linear_model(box(3)).matrix(runs)
    Z = np.equal.outer(plots, (1, 2)).astype(float)
    covariance = np.linalg.inv(X.T @ np.linalg.inv(np.eye(8) + ratio * Z @ Z.T) @ X)
    at = np.array([[0.3, -1.0, 0.5]])
    x = linear_model(box(3)).matrix(at)[0]
    found = prediction_variance(linear_model(box(3)), runs, at, plots=plots, variance_ratio=ratio)
    assert found[0] == pytest.approx(x @ covariance @ x)


def test_leverages_add_up_to_the_number_of_terms():
    runs = np.random.default_rng(4).uniform(-1, 1, (14, 3))
    assert leverage(quadratic_model(box(3)), runs).sum() == pytest.approx(10)


def test_fraction_of_design_space_ends_at_least_and_greatest_variance():
    runs, region = box(2).grid(3), region_sample(box(2), whole_box)  # few ties
    fractions, variance = fraction_of_design_space(quadratic_model(box(2)), runs, region)
    own = prediction_variance(quadratic_model(box(2)), runs, region)
    assert (variance[0], variance[-1]) == pytest.approx((own.min(), own.max()))
    assert (own <= variance[fractions.searchsorted(0.9)] + 1e-12).mean() == pytest.approx(
        0.9, abs=0.001
    )


def test_degrees_of_freedom_of_nist_composite_k3():
    """Handbook table 3.23's design with six centre runs: 20 = 10 + 5 + 5."""
    alpha = 1.682
    axial = np.vstack([alpha * np.eye(3), -alpha * np.eye(3)])
    runs = np.vstack([full_factorial(3), axial, np.zeros((6, 3))])
    found = degrees_of_freedom(quadratic_model(box(3)), runs)
    assert (found.model, found.lack_of_fit, found.pure_error) == (10, 5, 5)
    assert found.residual == 10


POWER_DESIGNS = {
    "2^3 rep 1, main effects": (np.vstack([full_factorial(3)]), linear_model),
    "2^3 rep 2, main+2fi": (np.vstack([full_factorial(3)] * 2), interaction_model),
    "2^4, main effects": (full_factorial(4), linear_model),
    "2^4, main+2fi": (full_factorial(4), interaction_model),
    "2^(5-1)+4 centre, main+2fi (centre runs count in df only)": (
        np.vstack([fraction_points(regular_fractions(5)[1]), np.zeros((4, 5))]),
        interaction_model,
    ),
    "2^5, main+2fi": (full_factorial(5), interaction_model),
}


@pytest.mark.parametrize("name", POWER_DESIGNS)
def test_power_against_noncentral_f_table(name):
    runs, make = POWER_DESIGNS[name]
    rows = csv.DictReader((REFERENCE / "power_reference.csv").read_text().splitlines())
    wanted = [r for r in rows if r["design"] == name]
    assert len(wanted) == 4
    for row in wanted:
        change = float(row["delta_over_sigma"]) * 3.0
        powers = power_of_terms(make(box(runs.shape[1])), runs, change, 3.0, float(row["alpha"]))
        assert [p.power for p in powers] == pytest.approx(
            [float(row["power"])] * len(powers), abs=1e-4
        )


def test_power_of_a_categorical_factor_against_one_way_analysis_of_variance():
    """Four groups of five, two of them 2σ apart, the rest midway: λ = n·Σ(effect)²/σ² = 5·2 = 10,
    F(3, 16); power from scipy's noncentral F by numerical inversion of its distribution."""
    from scipy.stats import f, ncf

    space = FactorSpace((CategoricalFactor("solvent", ("a", "b", "c", "d")),))
    runs = np.repeat(np.arange(4.0), 5)[:, None]
    (found,) = power_of_terms(linear_model(space), runs, 2.0, 1.0)
    assert found.power == pytest.approx(ncf.sf(f.isf(0.05, 3, 16), 3, 16, 10.0), abs=1e-6)


def test_power_of_a_square_counts_its_whole_change():
    """x² runs from 0 to 1, so a change Δ is a coefficient Δ; x with −Δ/2..Δ/2 is one of Δ/2."""
    space = box(1)
    runs = np.repeat([-1.0, 0.0, 1.0], 4)[:, None]
    line, square = power_of_terms(quadratic_model(space), runs, 1.5, 1.0)
    covariance = np.linalg.inv(
        quadratic_model(space).matrix(runs).T @ quadratic_model(space).matrix(runs)
    )
    assert 0.75**2 / covariance[1, 1] < 1.5**2 / covariance[2, 2]
    assert line.power < square.power
    assert (line.label, square.label) == ("x0", "x0²")


def test_region_sample_keeps_to_the_region_and_to_its_moments():
    """Over −1..1 the averages of x² and x⁴ are 1/3 and 1/5."""
    sample = region_sample(box(4), whole_box)
    assert (sample**2).mean(axis=0) == pytest.approx(1 / 3, abs=2e-3)
    assert (sample**4).mean(axis=0) == pytest.approx(1 / 5, abs=2e-3)
    cut = region_sample(box(2), lambda s: s.sum(axis=1) < -1.5)
    assert len(cut) > 100
    assert (cut.sum(axis=1) < -1.5).all()


def test_runs_that_cannot_carry_the_model_are_refused():
    with pytest.raises(DesignError, match="cannot estimate the 6 terms"):
        efficiencies(quadratic_model(box(2)), full_factorial(2), None)
    with pytest.raises(DesignError, match="leave nothing to judge"):
        power_of_terms(interaction_model(box(2)), full_factorial(2), 1.0, 1.0)


def test_variance_inflation_against_statsmodels():
    from statsmodels.stats.outliers_influence import variance_inflation_factor

    runs = np.random.default_rng(4).uniform(-1, 1, (14, 2))
    model = quadratic_model(box(2))
    X = model.matrix(runs)
    found = variance_inflation(model, runs)
    assert np.isnan(found[0])
    wanted = [variance_inflation_factor(X, j) for j in range(1, X.shape[1])]
    assert found[1:] == pytest.approx(wanted)
    assert variance_inflation(linear_model(box(3)), full_factorial(3))[1:] == pytest.approx(1)


def test_fraction_of_design_space_in_whole_plots_is_that_of_generalised_least_squares():
    runs, plots = box(2).grid(3), np.repeat([1, 2, 3], 3)
    region = box(2).grid(9)
    _, variance = fraction_of_design_space(
        quadratic_model(box(2)), runs, region, plots=plots, variance_ratio=2.0
    )
    own = prediction_variance(
        quadratic_model(box(2)), runs, region, plots=plots, variance_ratio=2.0
    )
    assert (variance[0], variance[-1]) == pytest.approx((own.min(), own.max()))
