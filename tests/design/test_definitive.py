"""Definitive screening designs against independently computed ones and published properties."""

import csv
import itertools
from pathlib import Path

import numpy as np
import pytest

from doe.design.definitive import (
    conference_matrix,
    definitive_screening,
    definitive_screening_size,
)
from doe.errors import DesignError

REFERENCE = Path(__file__).parents[1] / "reference" / "design"
ROWS = list(csv.DictReader((REFERENCE / "dsd_conference.csv").read_text().splitlines()))


def reference(k: int) -> np.ndarray:
    rows = list(csv.reader((REFERENCE / f"dsd_{k}.csv").read_text().splitlines()))
    return np.array(rows[1:], dtype=float)


def correlation(a: np.ndarray, b: np.ndarray) -> float:
    return abs(float(np.corrcoef(a, b)[0, 1]))


def second_order(points: np.ndarray) -> tuple[list[np.ndarray], list[np.ndarray]]:
    k = points.shape[1]
    squares = [points[:, i] ** 2 for i in range(k)]
    pairs = [points[:, i] * points[:, j] for i, j in itertools.combinations(range(k), 2)]
    return squares, pairs


@pytest.mark.parametrize("row", ROWS, ids=lambda r: r["k"])
def test_properties_against_the_reference(row):
    """Jones and Nachtsheim 2011: size, correlations of squares and pairs, variance, D."""
    k = int(row["k"])
    points = definitive_screening(k).points
    squares, pairs = second_order(points)
    n = len(points)
    X = np.column_stack([np.ones(n), points])
    covariance = np.linalg.inv(X.T @ X)
    assert n == int(row["n"])
    together = [correlation(a, b) for a, b in itertools.combinations(squares, 2)]
    assert together == pytest.approx([float(row["corr_quad_quad"])] * len(together), abs=1e-6)
    across = max(correlation(a, b) for a in squares for b in pairs)
    assert across == pytest.approx(float(row["max_abs_corr_quad_2fi"]), abs=1e-6)
    worst = max(correlation(a, b) for a, b in itertools.combinations(pairs, 2))
    assert worst == pytest.approx(float(row["max_abs_corr_2fi_2fi"]), abs=1e-6)
    d = 100 * np.linalg.det(X.T @ X) ** (1 / (k + 1)) / n
    assert d == pytest.approx(float(row["main_effects_D_percent"]), abs=1e-4)
    assert np.diag(covariance)[1:] == pytest.approx([float(row["var_main_effect_over_sigma2"])] * k)


@pytest.mark.parametrize("k", range(4, 15, 2))
def test_the_same_correlations_as_the_independent_design(k):
    """Designs equal but for order and signs have the same set of sizes of correlation."""

    def spectrum(points: np.ndarray) -> np.ndarray:
        squares, pairs = second_order(points)
        M = np.corrcoef(np.column_stack([points, *squares, *pairs]), rowvar=False)
        return np.sort(np.abs(M), axis=None)

    own = spectrum(definitive_screening(k).points)
    assert own == pytest.approx(spectrum(reference(k)), abs=1e-9)


@pytest.mark.parametrize("k", range(4, 15))
def test_main_effects_are_clear_of_all_second_order_terms(k):
    points = definitive_screening(k).points
    squares, pairs = second_order(points)
    assert len(points) == definitive_screening_size(k) == 2 * (k + k % 2) + 1
    assert not (points.T @ np.column_stack([*squares, *pairs])).any()
    assert np.array_equal(points.T @ points, np.diag(np.diag(points.T @ points)))
    assert ((points == 0).sum(axis=0) == 3).all()


@pytest.mark.parametrize("order", range(4, 15, 2))
def test_conference_matrices_have_their_defining_property(order):
    C = conference_matrix(order)
    assert np.array_equal(C.T @ C, (order - 1) * np.eye(order))
    assert not np.diag(C).any()
    assert (np.abs(C + np.eye(order)) == 1).all()


@pytest.mark.parametrize(
    ("k", "named"),
    [(4, [0]), (5, [4]), (6, [1, 3]), (7, [0, 1, 2]), (9, [8]), (10, [0, 2, 4, 6, 8])],
)
def test_two_level_categorical_factors(k, named):
    """Jones and Nachtsheim 2013: two more centre-like runs, main effects clear of second order."""
    runs = definitive_screening(k, named)
    points = runs.points
    order = k + k % 2
    squares, pairs = second_order(points)
    assert len(points) == definitive_screening_size(k, len(named)) == 2 * order + 2
    assert set(np.unique(points[:, named])) == {-1.0, 1.0}
    assert not points[:, named].sum(axis=0).any()
    assert not (points.T @ np.column_stack([*squares, *pairs])).any()
    numeric = [i for i in range(k) if i not in named]
    M = points[:, numeric].T @ points[:, numeric]
    assert np.array_equal(M, 2 * (order - 1) * np.eye(len(numeric)))
    assert not points[-2:, numeric].any()
    assert runs.kinds[-2:] == ("centre", "centre")


def test_signs_of_categorical_factors_are_the_best_of_all():
    """Every sign of every zero, also where the pairs do not mirror: none has a better D."""
    points = definitive_screening(4, [0, 1]).points
    best = np.linalg.det(points.T @ points)
    base = definitive_screening(4).points
    base = np.vstack([base, np.zeros((1, 4))])
    places = [(r, c) for c in (0, 1) for r in np.flatnonzero(base[:, c] == 0)]
    for signs in itertools.product((-1.0, 1.0), repeat=len(places)):
        trial = base.copy()
        for (r, c), sign in zip(places, signs, strict=True):
            trial[r, c] = sign
        if not trial.sum(axis=0).any() and not (trial.T @ (trial[:, [0]] * trial[:, [1]])).any():
            assert np.linalg.det(trial.T @ trial) <= best * (1 + 1e-9)


def test_spare_columns_add_four_runs_a_pair():
    assert len(definitive_screening(6, spare=2)) == len(definitive_screening(6)) + 4


def test_numbers_that_are_not_possible_are_refused():
    with pytest.raises(DesignError, match="4 to 14 factors, not 3"):
        definitive_screening(3)
    with pytest.raises(DesignError, match="4 to 14 factors, not 15"):
        definitive_screening(15)
    with pytest.raises(DesignError, match="leave 0 to 2 spare columns, not 4"):
        definitive_screening(12, spare=4)
