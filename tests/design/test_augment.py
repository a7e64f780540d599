"""Sharpening points against brute force."""

import itertools

import numpy as np
import pytest

from doe.design.augment import sharpening_points
from doe.design.evaluation import prediction_variance
from doe.errors import DesignError
from doe.factors import FactorSpace, NumericFactor
from doe.terms import linear_model, quadratic_model

SPACE = FactorSpace((NumericFactor("a", "", -1, 1), NumericFactor("b", "", -1, 1)))
MODEL = quadratic_model(SPACE)
CANDIDATES = SPACE.grid(5)
EXISTING = np.array([[-1, -1], [1, -1], [-1, 1], [0, 0], [0, 0], [0, -1], [1, 0.5]], float)


def average(added) -> float:
    runs = np.vstack([EXISTING, CANDIDATES[list(added)]])
    return float(prediction_variance(MODEL, runs, CANDIDATES).mean())


@pytest.mark.parametrize("count", [1, 2, 3])
def test_sharpening_points_against_every_choice(count):
    old = {tuple(r) for r in EXISTING}
    new = [i for i, r in enumerate(CANDIDATES) if tuple(r) not in old]
    best = min(average(chosen) for chosen in itertools.combinations(new, count))
    picked = sharpening_points(MODEL, EXISTING, CANDIDATES, count)
    assert len(set(picked)) == count
    assert set(picked) <= set(new)
    assert average(picked) == pytest.approx(best, rel=1e-6)


def test_repeats_only_where_asked():
    line = linear_model(SPACE)
    corners = SPACE.corners()
    with pytest.raises(DesignError, match="0 settings are left"):
        sharpening_points(line, corners, corners, 2)
    picked = sharpening_points(line, corners, corners, 6, allow_repeats=True)
    assert len(picked) == 6
    assert len(set(picked)) == 4


def test_too_few_runs_are_completed_to_a_model_that_can_be_estimated():
    start = np.array([[-1.0, -1.0], [1.0, 1.0]])
    picked = sharpening_points(MODEL, start, CANDIDATES, 4)
    runs = np.vstack([start, CANDIDATES[list(picked)]])
    assert np.linalg.matrix_rank(MODEL.matrix(runs)) == len(MODEL)
    with pytest.raises(DesignError, match="cannot estimate the 6 terms"):
        sharpening_points(MODEL, start, CANDIDATES, 3)


def test_doubled_candidates_are_not_picked_twice():
    doubled = np.vstack([CANDIDATES, CANDIDATES])
    picked = sharpening_points(MODEL, EXISTING, doubled, 5)
    assert len({tuple(doubled[i]) for i in picked}) == 5
