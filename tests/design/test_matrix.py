"""The order of the runs: random within blocks and whole plots, and nothing lost on the way."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.design.matrix import Design, randomised
from doe.factors import FactorSpace, NumericFactor

SPACE = FactorSpace((NumericFactor("a", "", 0, 100),))


def design(plots, blocks=()):
    n = len(plots)
    return Design(
        SPACE,
        np.arange(n, dtype=float)[:, None],
        tuple(f"kind {i}" for i in range(n)),
        tuple(plots),
        "optimal-d",
        "",
        "main effects",
        0,
        blocks=tuple(blocks),
    )


@given(st.lists(st.integers(1, 5), min_size=1, max_size=20), st.integers(0, 999))
def test_whole_plots_stay_together_and_are_numbered_as_they_come(plots, seed):
    ordered = randomised(design(plots), np.random.default_rng(seed))
    runs = ordered.settings[:, 0].astype(int)
    assert sorted(runs) == list(range(len(plots)))
    assert [ordered.kinds[i] for i in range(len(runs))] == [f"kind {i}" for i in runs]
    assert (np.diff(ordered.plots) >= 0).all()
    assert (np.diff(ordered.plots) <= 1).all()
    together = {(new, plots[run]) for new, run in zip(ordered.plots, runs, strict=True)}
    assert len(together) == len(set(plots))


def test_every_plot_and_every_run_of_it_may_come_first():
    """Six plots of two: over 6,000 orders each run leads about 500 times (four sd: ±86)."""
    plain = design([1, 1, 2, 2, 3, 3, 4, 4, 5, 5, 6, 6])
    generator = np.random.default_rng(1)
    first = [int(randomised(plain, generator).settings[0, 0]) for _ in range(6000)]
    assert np.bincount(first, minlength=12) == pytest.approx(500, abs=86)


def test_blocks_stay_together():
    ordered = randomised(design(range(1, 9), [1, 2, 1, 2, 1, 2, 1, 2]), np.random.default_rng(3))
    assert ordered.blocks == (1,) * 4 + (2,) * 4
    assert len(set(ordered.settings[:4, 0] % 2)) == 1


def test_a_plot_over_two_blocks_is_refused():
    with pytest.raises(ValueError, match="within one block"):
        randomised(design([1, 1, 2, 2], [1, 2, 1, 2]), np.random.default_rng(3))
    with pytest.raises(ValueError, match="blocks must have one entry a run"):
        design([1, 1, 2], [1])


def test_centre_runs_are_spread_from_a_random_start():
    kinds = ("edge",) * 12 + ("centre",) * 3
    settings = np.arange(15.0)[:, None] / 14
    space = FactorSpace((NumericFactor("x", "", 0, 1),))
    plain = Design(space, settings, kinds, tuple(range(1, 16)), "", "", "", 0)
    starts = set()
    for seed in range(40):
        ordered = randomised(plain, np.random.default_rng(seed))
        places = [i for i, kind in enumerate(ordered.kinds) if kind == "centre"]
        assert np.diff(places).tolist() == [5, 5]
        assert sorted(ordered.settings[:, 0]) == sorted(settings[:, 0])
        starts.add(places[0])
    assert starts == {0, 1, 2, 3, 4}
