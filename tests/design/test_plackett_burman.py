"""Plackett–Burman designs against the handbook's table and their defining properties."""

import csv
import itertools
from pathlib import Path

import numpy as np
import pytest

from doe.design.aliasing import alias_matrix
from doe.design.plackett_burman import PLACKETT_BURMAN_RUNS, plackett_burman
from doe.errors import DesignError
from doe.factors import FactorSpace, NumericFactor
from doe.terms import interaction_model, linear_model

REFERENCE = Path(__file__).parents[1] / "reference" / "design"
ROWS = list(csv.reader((REFERENCE / "nist_pb12.csv").read_text().splitlines()))[1:]
NIST_12 = np.array(ROWS, dtype=float)


def box(k: int) -> FactorSpace:
    return FactorSpace(tuple(NumericFactor(f"x{i}", "", -1, 1) for i in range(k)))


def shares(points: np.ndarray) -> np.ndarray:
    """Sizes of all correlations between a main effect and a pair of other factors, sorted."""
    k = points.shape[1]
    found = [
        abs(points[:, i] @ (points[:, a] * points[:, b])) / len(points)
        for i in range(k)
        for a, b in itertools.combinations(set(range(k)) - {i}, 2)
    ]
    return np.sort(found)


@pytest.mark.parametrize("runs", PLACKETT_BURMAN_RUNS)
def test_every_factor_is_balanced_and_orthogonal_to_all_others(runs):
    """Plackett and Burman 1946: N − 1 factors in N runs."""
    points = plackett_burman(runs - 1).points
    X = np.column_stack([np.ones(runs), points])
    assert points.shape == (runs, runs - 1)
    assert np.array_equal(X.T @ X, runs * np.eye(runs))


def test_twelve_runs_against_nist_table_3_18():
    """The same design but for order and signs: every share of a pair in a main effect is 1/3."""
    assert np.array_equal(shares(plackett_burman(11).points), shares(NIST_12))
    assert set(np.round(shares(NIST_12), 9)) == {round(1 / 3, 9)}


def test_partial_aliases_of_twelve_runs_in_words():
    space = box(4)
    runs = plackett_burman(4, 12).points
    found = alias_matrix(linear_model(space), runs, interaction_model(space).terms)
    assert found.largest() == pytest.approx(1 / 3)
    assert len(found.sentences()) == 4
    for i, sentence in enumerate(found.sentences()):
        assert sentence.startswith(f"x{i} is partly confounded with ")
        assert sentence.count("0.33 × (") == 3  # the pairs of the three other factors
        assert f"x{i} ×" not in sentence


@pytest.mark.parametrize(
    ("factors", "runs"), [(3, 8), (7, 8), (8, 12), (12, 16), (16, 20), (23, 24)]
)
def test_fewest_runs(factors, runs):
    assert len(plackett_burman(factors)) == runs


def test_eight_and_sixteen_runs_take_the_published_fraction():
    """Eight factors in 16 runs have resolution IV as a fraction: no main effect meets a pair."""
    assert shares(plackett_burman(8, 16).points).max() == 0


def test_what_the_library_returns_is_checked(monkeypatch):
    import pyDOE3

    wrong = NIST_12.copy()
    wrong[3, 5] = -wrong[3, 5]
    monkeypatch.setattr(pyDOE3, "pbdesign", lambda n: wrong)
    with pytest.raises(DesignError, match="not balanced and orthogonal"):
        plackett_burman(11)


def test_sizes_that_do_not_exist_are_refused_with_the_nearest():
    with pytest.raises(DesignError, match=r"14 runs for 5 factors\. The nearest has 16"):
        plackett_burman(5, 14)
    with pytest.raises(DesignError, match=r"8 runs for 9 factors\. The nearest has 12"):
        plackett_burman(9, 8)
    with pytest.raises(DesignError, match="3 to 23 factors, not 24"):
        plackett_burman(24)
