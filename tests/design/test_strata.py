"""Degrees of freedom in a split plot against textbooks and a reference library."""

import csv
import itertools
import json
from pathlib import Path

import numpy as np
import pytest

from doe.design.evaluation import power_of_terms
from doe.design.strata import plot_degrees_of_freedom, satterthwaite
from doe.factors import CategoricalFactor, FactorSpace, NumericFactor
from doe.terms import interaction_model, linear_model, quadratic_model

REFERENCE = Path(__file__).parents[1] / "reference" / "statistics"


def reference(name: str) -> tuple[list[dict[str, str]], dict]:
    rows = list(csv.DictReader((REFERENCE / f"{name}.csv").read_text().splitlines()))
    return rows, json.loads((REFERENCE / f"{name}.json").read_text())["reference"]


def dummies(rows, column: str) -> np.ndarray:
    """Treatment contrasts in the order of the level names, first level left out."""
    levels = sorted({r[column] for r in rows})
    return np.array([[float(r[column] == level) for level in levels[1:]] for r in rows])


def crossed(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return (a[:, None, :] * b[:, :, None]).reshape(len(a), -1)


def reference_degrees(fit: dict, method: str) -> list[float]:
    return [effect[method]["df"] for effect in fit["fixed_effects"].values()]


def test_degrees_of_freedom_against_reference_library_on_the_steel_bars():
    """Box, Hunter and Hunter, chapter 9: six runs of a furnace at three heats, four coatings;
    three degrees of freedom between furnace runs, nine within."""
    rows, fits = reference("splitplot_steelbars")
    heats, coating = dummies(rows, "heats"), dummies(rows, "coating")
    X = np.hstack([np.ones((len(rows), 1)), heats, coating, crossed(heats, coating)])
    part = fits["full"]["variance_components"]
    runs = [int(r["run"][1:]) for r in rows]
    df = satterthwaite(X, [runs], [part["run"] / part["Residual"]], np.eye(X.shape[1]))
    assert df == pytest.approx(reference_degrees(fits["full"], "kenward_roger"), abs=0.02)
    heat_contrast = np.zeros((1, X.shape[1]))
    heat_contrast[0, 1], heat_contrast[0, 6:] = 1, np.array([1, 0, 1, 0, 1, 0]) / 4
    assert satterthwaite(X, [runs], [9.4], heat_contrast) == pytest.approx(3)


def test_degrees_of_freedom_against_reference_library_on_a_response_surface():
    """Not orthogonal: the degrees of freedom are fractions. Before the data
    only the expected information is known, which is what Kenward and Roger use."""
    rows, fits = reference("splitplot_rsm_sim_balanced")
    w, a, b = (np.array([float(r[c]) for r in rows]) for c in ("w", "x1", "x2"))
    X = np.column_stack([np.ones(len(rows)), w, a, b, w**2, a**2, b**2, w * a, w * b, a * b])
    part = fits["full_quadratic"]["variance_components"]
    plots = [int(r["wp"]) for r in rows]
    df = satterthwaite(X, [plots], [part["wp"] / part["Residual"]], np.eye(10))
    assert df == pytest.approx(reference_degrees(fits["full_quadratic"], "kenward_roger"), abs=0.02)


def test_degrees_of_freedom_against_reference_library_with_blocks_of_whole_plots():
    """Yates 1935, oats: three strata."""
    rows, fits = reference("splitplot_oats")
    variety = dummies(rows, "variety")
    nitro = np.array([[float(r["nitro"])] for r in rows])
    fit = fits["additive_linear"]
    part = fit["variance_components"]
    blocks = [["I", "II", "III", "IV", "V", "VI"].index(r["block"]) for r in rows]
    plots = [
        10 * b + sorted({r["variety"] for r in rows}).index(r["variety"])
        for b, r in zip(blocks, rows, strict=True)
    ]
    ratios = [part["Block"] / part["Residual"], part["Block:Variety"] / part["Residual"]]
    X = np.hstack([np.ones((len(rows), 1)), nitro, variety])
    df = satterthwaite(X, [blocks, plots], ratios, np.eye(4))
    assert df == pytest.approx(reference_degrees(fit, "kenward_roger"), abs=0.02)


def factors(*names: str) -> FactorSpace:
    return FactorSpace(
        tuple(NumericFactor(n, "", -1, 1, None, "hard" if n == "T" else "easy") for n in names)
    )


@pytest.mark.parametrize(("levels", "repeats", "size"), [(3, 2, 4), (2, 3, 2), (4, 2, 3)])
def test_degrees_of_freedom_against_the_textbook_split_plot(levels, repeats, size):
    """Completely randomised whole plots: a(r − 1) between plots, a(r − 1)(b − 1) within
    (Box, Hunter and Hunter, chapter 9; Montgomery, split-plot chapter)."""
    space = FactorSpace(
        (
            CategoricalFactor("T", tuple("abcd"[:levels]), "hard"),
            CategoricalFactor("coating", tuple("wxyz"[:size])),
        )
    )
    runs = np.array(list(itertools.product(range(levels), range(size))) * repeats, float)
    plots = [int(10 * (i // (levels * size)) + r[0]) for i, r in enumerate(runs)]
    found = plot_degrees_of_freedom(interaction_model(space), runs, plots)
    assert found.plots == levels * repeats
    assert found.plot_error == found.plot_pure == levels * (repeats - 1)
    assert found.run_error == levels * (repeats - 1) * (size - 1)
    assert found.model + found.plot_error + found.run_error == len(runs)


def test_six_plots_over_three_temperatures_leave_three_degrees_of_freedom():
    easy = np.array([(-1, -1), (-1, 1), (1, -1), (1, 1), (0, 0)], float)
    runs = np.array([(t, *e) for t in (-1, -1, 0, 0, 1, 1) for e in easy])
    plots = np.repeat(range(6), 5)
    model = quadratic_model(factors("T", "a", "b")).without(
        quadratic_model(factors("T", "a", "b")).terms[-1:]
    )
    found = plot_degrees_of_freedom(model, runs, plots)
    assert (found.plot_error, found.plot_pure) == (3, 3)
    assert found.run_error == 30 - 9 - 3
    assert found.run_pure == 0


def test_power_in_whole_plots_against_simulation_and_the_plot_means_test():
    """Balanced 6 × 4: temperature is judged by a t test on plot means with 4 degrees of freedom,
    an easy factor within plots with 24 − 4 − 4 = 16 (main effects only)."""
    generator = np.random.default_rng(3)
    runs = np.array(
        [(t, *e) for t in (-1, -1, -1, 1, 1, 1) for e in itertools.product((-1, 1), repeat=2)],
        float,
    )
    plots = np.repeat(range(6), 4)
    model, ratio, change, sims = linear_model(factors("T", "a", "b")), 2.0, 3.0, 20_000
    powers = {
        p.label: p
        for p in power_of_terms(model, runs, change, 1.5, plots=plots, variance_ratio=ratio)
    }
    assert (powers["T"].stratum, powers["a"].stratum) == ("plot", "run")
    assert (powers["T"].df, powers["a"].df) == pytest.approx((4, 16))
    y = change / 2 * (runs[:, 0] + runs[:, 1])
    y = y + 1.5 * generator.normal(size=(sims, 24))
    y = y + np.sqrt(ratio) * 1.5 * generator.normal(size=(sims, 6))[:, plots]
    means = y.reshape(sims, 6, 4).mean(axis=2)
    assert simulated_power(means, runs[::4, :1], 4) == pytest.approx(powers["T"].power, abs=0.01)
    within = (y.reshape(sims, 6, 4) - means[:, :, None]).reshape(sims, 24)
    assert simulated_power(within, runs[:, 1:], 16) == pytest.approx(powers["a"].power, abs=0.01)


def simulated_power(y, columns, df) -> float:
    """Share of samples in which the first column is significant at 5 %, on `df` for the error."""
    from scipy.stats import t

    X = np.hstack([np.ones((len(columns), 1)), columns])
    inverse = np.linalg.inv(X.T @ X)
    b = y @ X @ inverse
    error = ((y - b @ X.T) ** 2).sum(axis=1) / df
    return float((np.abs(b[:, 1]) / np.sqrt(error * inverse[1, 1]) > t.isf(0.025, df)).mean())


def test_no_plot_left_to_judge_by_is_no_power():
    runs = np.array([(t, *e) for t in (-1, 1) for e in itertools.product((-1, 1), repeat=2)], float)
    powers = power_of_terms(
        linear_model(factors("T", "a", "b")),
        runs,
        100.0,
        1.0,
        plots=np.repeat([1, 2], 4),
        variance_ratio=1.0,
    )
    assert [(p.label, p.power > 0.99) for p in powers] == [("T", False), ("a", True), ("b", True)]
    assert (powers[0].power, powers[0].df) == (0.0, 0.0)


def test_single_run_plots_are_judged_as_runs():
    runs = np.array(list(itertools.product((-1, 1), repeat=3)) * 2, float)
    model = linear_model(factors("T", "a", "b"))
    plain = power_of_terms(model, runs, 2.0, 1.0)
    alone = power_of_terms(model, runs, 2.0, 1.0, plots=range(16), variance_ratio=0.0)
    assert [p.power for p in alone] == [p.power for p in plain]
    assert {p.df for p in alone} == {12.0}


def test_type_one_error_of_optimal_split_plots_analysed_as_planned():
    """No factor has an effect. Analysed by restricted likelihood as in the reference table of a
    balanced 8 × 4, t on the planned degrees of freedom keeps near 5 %; least squares that ignore
    the plots call temperature significant far too often."""
    from scipy.stats import t

    generator, sims, ratio = np.random.default_rng(5), 4000, 1.0
    easy = np.array([(-1, -1), (-1, 1), (1, -1), (1, 1)], float)
    runs = np.array([(level, *e) for level in (-1, -1, -1, 0, 0, 1, 1, 1) for e in easy])
    plots = np.repeat(range(8), 4)
    model = interaction_model(factors("T", "a", "b"))
    X = model.matrix(runs)
    Z = np.eye(8)[plots]
    df = satterthwaite(X, [plots], [ratio], np.eye(7))
    y = generator.normal(size=(sims, 32)) + generator.normal(size=(sims, 8)) @ Z.T
    C = np.linalg.inv(X.T @ X)
    b = y @ X @ C
    residual = y - b @ X.T
    # moments: between plots the residual means have n·σp² + σe², within plots σe²
    means = residual.reshape(sims, 8, 4).mean(axis=2)
    between = 4 * (means**2).sum(axis=1) / 6
    within = ((residual.reshape(sims, 8, 4) - means[:, :, None]) ** 2).sum(axis=(1, 2)) / 19
    assert (df[1], df[2]) == pytest.approx((6, 19))
    temperature = np.abs(b[:, 1]) / np.sqrt(C[1, 1] * between) > t.isf(0.025, df[1])
    flow = np.abs(b[:, 2]) / np.sqrt(C[2, 2] * within) > t.isf(0.025, df[2])
    assert temperature.mean() == pytest.approx(0.05, abs=0.01)
    assert flow.mean() == pytest.approx(0.05, abs=0.01)
    plain = (residual**2).sum(axis=1) / 25
    ignored = np.abs(b[:, 1]) / np.sqrt(C[1, 1] * plain) > t.isf(0.025, 25)
    assert ignored.mean() > 0.15
