"""Feedstock lots over runs: balanced, within what there is, told apart from the settings."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.design.lots import shared_out


def information(X: np.ndarray, lots: tuple[int, ...], count: int) -> float:
    """The determinant of model and lots together, from its definition."""
    Z = np.eye(count)[list(lots)]
    columns = np.hstack([X, Z[:, 1:] - Z[:, [0]]])
    return float(np.linalg.det(columns.T @ columns))


def test_two_lots_over_a_factorial_come_out_as_good_as_the_best_of_all_ways() -> None:
    X = np.array([[1, a, b, c] for a, b, c in itertools.product((-1.0, 1.0), repeat=3)])
    found = shared_out([100, 100], np.full(8, 12.0), [0] * 8, X, np.random.default_rng(1))
    ways = [
        tuple(int(i in chosen) for i in range(8)) for chosen in itertools.combinations(range(8), 4)
    ]
    best = max(information(X, way, 2) for way in ways)
    assert sorted(found) == [0] * 4 + [1] * 4
    assert information(X, found, 2) == pytest.approx(best)
    # an orthogonal split exists (the three-factor interaction): 8 for each of five columns
    assert best == pytest.approx(8.0**5)


@given(
    seed=st.integers(0, 999),
    days=st.lists(st.integers(1, 5), min_size=2, max_size=6),
    lots=st.integers(2, 4),
)
@settings(max_examples=60, deadline=None)
def test_within_a_day_no_lot_has_two_runs_more_than_another_while_there_is_enough(
    seed: int, days: list[int], lots: int
) -> None:
    groups = [day for day, count in enumerate(days) for _ in range(count)]
    n = len(groups)
    X = np.hstack([np.ones((n, 1)), np.random.default_rng(seed).normal(size=(n, 2))])
    generator = np.random.default_rng(seed)
    found = shared_out([1e4] * lots, np.full(n, 10.0), groups, X, generator)
    counts = np.bincount(found, minlength=lots)
    assert counts.max() - counts.min() <= 1
    for day in set(groups):
        own = [lot for lot, group in zip(found, groups, strict=True) if group == day]
        inside = np.bincount(own, minlength=lots)
        assert inside.max() - inside.min() <= 2


@given(
    seed=st.integers(0, 999),
    amounts=st.lists(st.integers(0, 100), min_size=2, max_size=4),
    masses=st.lists(st.integers(5, 15), min_size=4, max_size=12),
)
@settings(max_examples=80, deadline=None)
def test_no_swap_takes_more_of_a_lot_than_there_is(
    seed: int, amounts: list[int], masses: list[int]
) -> None:
    n = len(masses)
    X = np.hstack([np.ones((n, 1)), np.random.default_rng(seed).normal(size=(n, 1))])
    grams = np.array(masses, dtype=float)
    apart = shared_out(amounts, grams, list(range(n)), X, np.random.default_rng(seed))
    free = shared_out(amounts, grams, [0] * n, X, np.random.default_rng(seed))
    for lot, amount in enumerate(amounts):
        before = grams[[i for i in range(n) if apart[i] == lot]].sum()
        after = grams[[i for i in range(n) if free[i] == lot]].sum()
        assert after <= max(before, amount) + 1e-9


def test_a_small_lot_is_used_up_and_the_others_share_the_rest() -> None:
    X = np.ones((10, 1))
    found = shared_out([24, 200, 200], np.full(10, 12.0), [0] * 10, X, np.random.default_rng(3))
    assert sorted(np.bincount(found).tolist()) == [2, 4, 4]
    assert found.count(0) == 2


def test_one_lot_takes_all_runs() -> None:
    X = np.ones((3, 1))
    assert shared_out([5], np.full(3, 12.0), [0] * 3, X, np.random.default_rng(0)) == (0, 0, 0)
