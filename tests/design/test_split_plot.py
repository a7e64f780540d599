"""Split plots: brute force, textbook designs, and what must hold for any region."""

import itertools
import os
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.design.optimal import moment_matrix
from doe.design.split_plot import (
    WholePlots,
    changes_at_random,
    efficiency_at_ratios,
    hard_changes,
    hard_factors,
    plot_gains,
    plots_in_blocks,
    split_plot_runs,
)
from doe.design.strata import whole_plot_terms
from doe.errors import DesignError, InfeasibleError
from doe.factors import FactorSpace, NumericFactor, whole_box
from doe.terms import Model, interaction_model, linear_model, quadratic_model


def box(k: int, step: float | None = None, hard: int = 1) -> FactorSpace:
    return FactorSpace(
        tuple(
            NumericFactor(f"x{i}", "", -1, 1, step, "hard" if i < hard else "easy")
            for i in range(k)
        )
    )


def rng(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


def explicit_information(model: Model, runs, plots, ratio: float) -> np.ndarray:
    """X'V⁻¹X with V = I + ratio·ZZ' written out and inverted."""
    X = model.matrix(model.space.code(runs))
    Z = np.equal.outer(np.asarray(plots), np.unique(plots)).astype(float)
    return X.T @ np.linalg.inv(np.eye(len(X)) + ratio * Z @ Z.T) @ X


def test_gains_against_recomputing_determinant_and_trace():
    generator = rng(7)
    X, new = generator.normal(size=(12, 4)), generator.normal(size=4)
    plots, ratio = np.repeat([0, 1, 2], 4), 1.7
    W = np.cov(generator.normal(size=(4, 30)))
    Z = np.equal.outer(plots, (0, 1, 2)).astype(float)
    inverse_v = np.linalg.inv(np.eye(12) + ratio * Z @ Z.T)
    after = X.copy()
    after[5] = new
    M, N = X.T @ inverse_v @ X, after.T @ inverse_v @ after
    D = np.linalg.inv(M)
    sums, share = X[4:8].sum(axis=0)[None], ratio / (1 + 4 * ratio)
    d = plot_gains(D[None], None, None, new[None, None], X[5:6], sums, share)
    before = np.trace(D @ W)
    i = plot_gains(
        D[None],
        (D @ W @ D)[None],
        np.array([before]),
        new[None, None],
        X[5:6],
        sums,
        share,
    )
    assert d[0, 0] == pytest.approx(np.linalg.det(N) / np.linalg.det(M) - 1)
    assert i[0, 0] == pytest.approx(1 - np.trace(np.linalg.inv(N) @ W) / before)


@pytest.mark.parametrize("criterion", ["D", "I"])
@pytest.mark.parametrize("ratio", [0.3, 5.0])
def test_brute_force_over_every_split_plot_on_a_small_region(criterion, ratio):
    """Four plots of two runs on nine points less one beyond a limit: all multisets of plots."""
    space = box(2, step=1.0)
    model = quadratic_model(space)

    def feasible(s):
        return s.sum(axis=1) < 1.5

    points = space.grid(3)
    points = points[feasible(points)]
    W = moment_matrix(model, points)
    plots = [
        np.array([(level, a), (level, b)])
        for level in (-1.0, 0.0, 1.0)
        for a, b in itertools.combinations_with_replacement(points[points[:, 0] == level][:, 1], 2)
    ]
    of_plot = [explicit_information(model, p, (1, 1), ratio) for p in plots]
    Ms = np.array([sum(chosen) for chosen in itertools.combinations_with_replacement(of_plot, 4)])
    Ms = Ms[np.linalg.cond(Ms) < 1e8]
    if criterion == "D":
        best = (np.linalg.det(Ms) ** (1 / 6)).max() / 8
    else:
        best = np.trace(np.linalg.inv(Ms) @ W, axis1=1, axis2=2).min()
    found = split_plot_runs(
        model,
        feasible,
        4,
        2,
        rng(),
        ratio,
        criterion,
        region_coded=points,
        repeat_levels=False,
    )
    assert found.value == pytest.approx(best, rel=1e-9)
    M = explicit_information(model, found.settings, found.plots, ratio)
    own = np.linalg.det(M) ** (1 / 6) / 8 if criterion == "D" else np.trace(np.linalg.inv(M) @ W)
    assert own == pytest.approx(found.value, rel=1e-9)


def test_replicated_factorial_in_plots_is_found_where_it_is_optimal():
    """Two-level orthogonal designs that are orthogonal within plots too are D-optimal at any
    ratio (Goos and Vandebroek 2003, from memory): four plots, each a 2² of the easy factors."""
    model = interaction_model(box(3))
    found = split_plot_runs(model, whole_box, 4, 4, rng(), 2.0)
    textbook = np.array(
        [(t, *e) for t in (-1, -1, 1, 1) for e in itertools.product((-1, 1), repeat=2)], float
    )
    M = explicit_information(model, textbook, np.repeat([1, 2, 3, 4], 4), 2.0)
    assert found.value == pytest.approx(np.linalg.det(M) ** (1 / 7) / 16, rel=1e-9)
    for plot in range(1, 5):
        own = found.settings[np.array(found.plots) == plot]
        assert {tuple(r) for r in own[:, 1:]} == set(itertools.product((-1.0, 1.0), repeat=2))


planes = st.tuples(
    st.lists(st.floats(-1, 1), min_size=3, max_size=3).filter(lambda n: np.linalg.norm(n) > 0.3),
    st.floats(0.2, 0.8),
)


@settings(max_examples=12, deadline=None)
@given(planes, st.sampled_from([None, 0.25]), st.sampled_from(["D", "I"]), st.booleans())
def test_whole_plots_hold_and_no_run_leaves_a_random_region(plane, step, criterion, repeat):
    normal, offset = np.array(plane[0]), plane[1]

    def feasible(s):
        return s @ normal <= offset

    space = box(3, step)
    found = split_plot_runs(
        quadratic_model(space),
        feasible,
        6,
        (3, 3, 2, 3, 2, 3),
        rng(),
        1.0,
        criterion,
        starts=8,
        repeat_levels=repeat,
    )
    assert found.sizes == (3, 3, 2, 3, 2, 3)
    assert feasible(found.settings).all()
    assert (np.abs(found.settings) <= 1).all()
    assert np.allclose(found.settings, space.settable(found.settings), atol=1e-12)
    plots = np.array(found.plots)
    held = [np.unique(found.settings[plots == j, 0]) for j in range(1, 7)]
    assert all(len(values) == 1 for values in held)
    if repeat:
        assert np.unique(np.concatenate(held), return_counts=True)[1].min() >= 2


def test_every_temperature_comes_twice_if_there_are_plots_enough():
    model = quadratic_model(box(3, 0.25))
    for plots, least in ((6, 2), (7, 2), (5, 1)):
        found = split_plot_runs(model, whole_box, plots, 3, rng(), starts=20)
        levels = [found.settings[list(found.plots).index(j + 1), 0] for j in range(plots)]
        assert np.unique(levels, return_counts=True)[1].min() >= least
        assert found.repeated == (least == 2)


def test_two_hard_factors_move_with_their_plot():
    space = box(4, hard=2)
    found = split_plot_runs(interaction_model(space), whole_box, 8, 3, rng(), starts=20)
    for j in range(1, 9):
        own = found.settings[np.array(found.plots) == j, :2]
        assert (own == own[0]).all()
    assert hard_factors(space) == (0, 1)
    labels = [t.label(space.names) for t in whole_plot_terms(interaction_model(space))]
    assert labels == ["1", "x0", "x1", "x0 × x1"]


def test_longer_search_finds_little_more_on_a_region_with_a_slanted_limit():
    def feasible(s):
        return s[:, 0] + s[:, 1] + 0.5 * s[:, 2] <= 0.7

    model = quadratic_model(box(3))
    plain = split_plot_runs(model, feasible, 6, 3, rng(1))
    longer = split_plot_runs(model, feasible, 6, 3, rng(2), starts=1000)
    assert plain.value >= 0.98 * longer.value


def test_existing_plots_are_built_upon():
    """Half of the replicated factorial in plots is there; the best two plots complete it."""
    model = interaction_model(box(3))
    there = np.array(
        [(t, *e) for t in (-1, 1) for e in itertools.product((-1, 1), repeat=2)], float
    )
    found = split_plot_runs(
        model,
        whole_box,
        2,
        4,
        rng(),
        1.0,
        fixed=there,
        fixed_plots=np.repeat([1, 2], 4),
        repeat_levels=False,
    )
    assert sorted(map(tuple, found.settings)) == sorted(map(tuple, there))


def test_efficiency_at_other_variance_ratios():
    model = quadratic_model(box(3, 0.5))
    found = split_plot_runs(model, whole_box, 6, 3, rng(), 1.0)
    report = efficiency_at_ratios(model, whole_box, found.settings, found.plots, "D", rng(2))
    assert [r.variance_ratio for r in report] == [0.1, 1.0, 10.0]
    assert all(0.9 < r.efficiency <= 1 for r in report)
    clumsy = found.settings * [1, 0.5, 0.5]
    worse = efficiency_at_ratios(model, whole_box, clumsy, found.plots, "D", rng(2))
    assert all(w.efficiency < 0.7 for w in worse)


def test_thermal_changes_against_counting_by_hand():
    space = box(2)
    runs = np.array([[-1, 0], [-1, 1], [1, 0], [1, 1], [-1, 0], [-1, -1]], float)
    assert hard_changes(space, runs) == 2

    shuffled = [hard_changes(space, runs[rng(i).permutation(6)]) for i in range(4000)]
    # four at −1 and two at +1 in random order: 5 neighbours, each unlike with 2·4·2/(6·5)
    assert changes_at_random(space, runs) == pytest.approx(5 * 16 / 30)
    assert changes_at_random(space, runs) == pytest.approx(np.mean(shuffled), abs=0.05)


def test_whole_plots_in_blocks_by_brute_force():
    """Six plots in two blocks: ten ways to share them out, each judged by generalised least
    squares with the block as a further column."""
    space = box(2, 0.5)
    model = quadratic_model(space)
    found = split_plot_runs(model, whole_box, 6, 3, rng(3), 1.0)
    blocks = plots_in_blocks(model, found.settings, found.plots, 1.0, 2, rng())
    plot = np.array(found.plots)
    X = model.matrix(space.code(found.settings))
    V = np.eye(18) + (plot[:, None] == plot[None, :])

    def information(of_run) -> float:
        whole = np.column_stack([X, of_run])
        M = whole.T @ np.linalg.inv(V) @ whole
        return np.linalg.det(M) / M[-1, -1]

    sign = {True: 1.0, False: -1.0}
    ways = [
        np.array([sign[p in one] for p in plot]) for one in itertools.combinations(range(1, 7), 3)
    ]
    own = np.array([sign[b == 1] for b in blocks])
    assert information(own) == pytest.approx(max(map(information, ways)))
    assert min(map(information, ways)) < 0.99 * information(own)
    assert len(set(zip(found.plots, blocks, strict=True))) == 6


def test_whole_plots_that_cannot_be_told_from_blocks_are_refused():
    space = box(2, 1.0)
    runs = np.array([[-1, -1], [-1, 1], [1, -1], [1, 1]], float)
    with pytest.raises(DesignError, match="cannot tell the blocks from the terms"):
        plots_in_blocks(linear_model(space), runs, (1, 1, 2, 2), 1.0, 2, rng())


def test_plots_within_a_budget():
    assert WholePlots.of(8, 4).within(40).sizes == (4,) * 8
    assert WholePlots.of(8, 4).within(20).sizes == (3, 3, 3, 3, 2, 2, 2, 2)
    assert WholePlots.of(8, 4).within(6).sizes == (1,) * 6


def test_same_seed_gives_the_same_design_on_one_thread_and_on_two():
    code = (
        "import numpy as np, hashlib;"
        "from doe.factors import *; from doe.terms import *;"
        "from doe.design.optimal import optimal_runs;"
        "from doe.design.split_plot import split_plot_runs;"
        "s = FactorSpace(tuple(NumericFactor(f'x{i}', '', -1, 1, None, 'hard' if i == 0 else"
        " 'easy') for i in range(4)));"
        "m = quadratic_model(s); f = lambda v: v[:, 0] + v[:, 1] ** 2 < 1.2;"
        "a = split_plot_runs(m, f, 6, 4, np.random.default_rng(3), starts=20).settings;"
        "b = optimal_runs(m, f, 20, 'I', np.random.default_rng(3), starts=20).settings;"
        "print(hashlib.sha256(a.tobytes() + b.tobytes()).hexdigest())"
    )
    found = {
        subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "OPENBLAS_NUM_THREADS": threads, "OMP_NUM_THREADS": threads},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for threads in ("1", "2")
    }
    assert len(found) == 1


def test_what_cannot_be_designed_is_refused():
    model = quadratic_model(box(2))
    with pytest.raises(DesignError, match="6 terms, more than the 4 runs"):
        split_plot_runs(model, whole_box, 2, 2, rng())
    with pytest.raises(DesignError, match=r"3 terms of x0 alone .* 2 whole plots.*6 let every"):
        split_plot_runs(model, whole_box, 2, 5, rng())
    with pytest.raises(DesignError, match="No factor is hard"):
        split_plot_runs(linear_model(box(2, hard=0)), whole_box, 2, 5, rng())
    with pytest.raises(InfeasibleError, match="no settable setting"):
        split_plot_runs(model, lambda s: np.zeros(len(s), bool), 4, 3, rng())
    with pytest.raises(DesignError, match="cannot tell the 6 terms"):
        split_plot_runs(model, lambda s: s[:, 0] == -1, 4, 3, rng())


def test_six_plots_over_two_temperatures_stand_evenly():
    """By hand: intercept and temperature each have variance (1 + 1/4)/6 from six plots of four
    with ratio 1, flow and the product 1/24 each; squares average 1/3 and 1/9 over the square."""
    by_hand = (1 + 1 / 3) * (1 + 1 / 4) / 6 + (1 / 3 + 1 / 9) / 24
    model = interaction_model(box(2, hard=1))
    found = split_plot_runs(model, whole_box, 6, 4, rng(), 1.0, "I")
    heat = [found.settings[list(found.plots).index(j), 0] for j in range(1, 7)]
    assert sorted(heat) == [-1, -1, -1, 1, 1, 1]
    M = explicit_information(model, found.settings, found.plots, 1.0)
    assert np.trace(np.linalg.inv(M) @ np.diag([1, 1 / 3, 1 / 3, 1 / 9])) == pytest.approx(by_hand)
