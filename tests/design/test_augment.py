"""Added runs against textbooks and brute force, and what they say they buy."""

import itertools

import numpy as np
import pytest

from doe.design.augment import (
    Existing,
    axial_points_added,
    block_added,
    centre_points_added,
    folded_over,
    order_raised,
    region_extended,
    repaired,
    sharpening_points,
)
from doe.design.evaluation import prediction_variance
from doe.design.exchange import exchange_gains
from doe.design.screening import fraction_points, full_factorial, regular_fractions
from doe.errors import DesignError
from doe.factors import CategoricalFactor, FactorSpace, NumericFactor, whole_box
from doe.terms import interaction_model, linear_model, quadratic_model

SPACE = FactorSpace((NumericFactor("a", "", -1, 1), NumericFactor("b", "", -1, 1)))
MODEL = quadratic_model(SPACE)
CANDIDATES = SPACE.grid(5)
NONE = {k: np.empty((0, k)) for k in (2, 3, 5)}
"""No runs to be repeated."""
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


RIG = FactorSpace(
    (
        NumericFactor("temperature", "°C", 100, 220, 5),
        NumericFactor("time", "min", 10, 60, 5),
        NumericFactor("flow", "mL/min", 1, 5, 0.5),
    )
)
RNG = np.random.default_rng(5)
HALF = RIG.decode(fraction_points(regular_fractions(3)[1]))


def rng() -> np.random.Generator:
    return np.random.default_rng(1)


def box(k: int) -> FactorSpace:
    return FactorSpace(tuple(NumericFactor("abcdefg"[i], "", -1, 1) for i in range(k)))


def average_variance(model, settings) -> float:
    """Average of x'(X'X)⁻¹x over the cube, by Gauss–Legendre quadrature."""
    nodes, weights = np.polynomial.legendre.leggauss(4)
    k = len(model.space)
    at = np.array(list(itertools.product(nodes, repeat=k)))
    weight = np.prod(list(itertools.product(weights, repeat=k)), axis=1) / 2**k
    X, F = model.matrix(model.space.code(settings)), model.matrix(at)
    return float(weight @ np.einsum("ij,jk,ik->i", F, np.linalg.inv(X.T @ X), F))


def test_fold_over_of_a_half_fraction_is_the_other_half():
    added = folded_over(linear_model(RIG), Existing.free(HALF), whole_box)
    whole = {tuple(r) for r in np.vstack([HALF, added.settings])}
    assert whole == {tuple(r) for r in RIG.corners()}
    assert set(added.gained) >= {"temperature", "time × flow", "temperature × time"}
    assert added.kept_apart is None
    assert [notice.code for notice in added.notices] == ["stages-not-linked"]
    now, then = (
        average_variance(linear_model(RIG), s) for s in (HALF, np.vstack([HALF, added.settings]))
    )
    assert f"from {now:.2g} to {then:.2g} run variances" in added.buys


def test_fold_over_of_seven_factors_in_eight_runs_clears_the_main_effects():
    """2^(7−4) is of resolution III; with its mirror image it is of resolution IV: main effects
    become clear of two-factor interactions, which stay mixed up (Montgomery, section 8-6)."""
    space = box(7)
    added = folded_over(
        linear_model(space), Existing.free(fraction_points(regular_fractions(7)[-1])), whole_box
    )
    assert added.gained == space.names
    runs = np.vstack([fraction_points(regular_fractions(7)[-1]), added.settings])
    line, pairs = linear_model(space), interaction_model(space)
    cross = line.matrix(runs)[:, 1:].T @ pairs.matrix(runs)[:, 8:]
    assert cross == pytest.approx(0)


def test_fold_over_on_one_factor_and_with_names():
    space = FactorSpace((*box(2).factors, CategoricalFactor("stirring", ("off", "on"))))
    runs = np.array([[-1, -1, 0], [1, 1, 0], [-1, 1, 1], [1, -1, 1]], float)
    added = folded_over(linear_model(space), Existing.free(runs), whole_box, ["stirring"])
    assert (added.settings[:, :2] == runs[:, :2]).all()
    assert (added.settings[:, 2] == 1 - runs[:, 2]).all()
    three = FactorSpace((*box(2).factors, CategoricalFactor("solvent", ("a", "b", "c"))))
    with pytest.raises(DesignError, match="solvent has 3 levels"):
        folded_over(linear_model(three), Existing.free(runs), whole_box)


def test_mirror_images_that_cannot_be_run_are_named():
    """The missing half has a run at 220 °C and 60 min (flow 1): 340 > 330."""

    def feasible(s):
        return s[:, 0] + 2 * s[:, 1] < 330

    kept = HALF[feasible(HALF)]
    added = folded_over(linear_model(RIG), Existing.free(kept), feasible)
    assert feasible(added.settings).all()
    assert len(added.settings) == len(kept) - 1
    assert "220, 60, 1" in added.notices[0].what
    with pytest.raises(DesignError, match="no mirror image"):
        folded_over(linear_model(RIG), Existing.free(kept), lambda s: np.zeros(len(s), bool))


def test_axial_points_make_a_composite():
    added = axial_points_added(quadratic_model(RIG), Existing.free(RIG.corners()), whole_box)
    assert RIG.code(added.settings) == pytest.approx(
        np.array([s * np.eye(3)[i] for i in range(3) for s in (-1, 1)])
    )
    assert added.before is None
    assert [notice.code for notice in added.notices] == ["stages-not-linked"]
    assert added.gained == ("temperature²", "time²", "flow²")
    assert added.degrees_after.lack_of_fit == 14 - 10


def test_axial_points_are_drawn_in_to_what_the_rig_can_run():
    added = axial_points_added(
        quadratic_model(RIG), Existing.free(RIG.corners()), lambda s: s[:, 0] <= 203
    )
    assert added.settings[:, 0].max() == 200
    assert "upper axial point of temperature" in added.notices[0].what
    assert "drawn in to 200" in added.notices[0].what


def test_centre_points_bring_pure_error():
    added = centre_points_added(linear_model(RIG), Existing.free(HALF), whole_box, 4)
    assert (added.settings == [160, 35, 3]).all()
    assert (added.degrees_before.pure_error, added.degrees_after.pure_error) == (0, 3)
    assert "pure error go from 0 to 3" in added.buys
    assert "4 runs more" in added.buys
    with pytest.raises(DesignError, match="at least one run"):
        centre_points_added(linear_model(RIG), Existing.free(HALF), whole_box, 0)


def test_a_block_leaves_room_for_its_own_effect():
    """The best second block of four for main effects is orthogonal to the first: X'X = 8·I. In two
    blocks of 2³, 8 = 4 terms + 1 block + 3."""
    first = Existing(HALF, (1, 2, 3, 4), (1,) * 4, (1,) * 4)
    added = block_added(linear_model(RIG), first, whole_box, 4, rng())
    X = linear_model(RIG).matrix(RIG.code(np.vstack([HALF, added.settings])))
    assert pytest.approx(8 * np.eye(4)) == X.T @ X
    assert added.block == 2
    assert added.kept_apart == (1,) * 4 + (2,) * 4
    found = added.degrees_after
    assert (found.model, found.blocks, found.residual) == (4, 1, 3)
    assert added.notices == ()


def test_one_run_of_a_block_repeats_the_centre_that_was_run():
    centred = np.vstack([HALF, [[160, 35, 3]]])
    added = block_added(linear_model(RIG), Existing.free(centred), whole_box, 4, rng())
    assert (added.settings == [160, 35, 3]).all(axis=1).sum() == 1
    assert added.kept_apart == (1,) * 5 + (2,) * 4
    assert added.degrees_after.blocks == 1


def test_centres_in_two_stages_buy_what_a_fit_with_their_shift_finds():
    """2³ and three centres, then three more: the shared centre links the stages, so their shift is
    estimated: pure error (3 − 1) + (3 − 1). The variance is that of the regression with a column
    for the stage."""
    model = interaction_model(box(3))
    runs = np.vstack([box(3).corners(), np.zeros((3, 3))])
    added = centre_points_added(model, Existing.free(runs), whole_box, 3)
    assert (added.degrees_before.pure_error, added.degrees_after.pure_error) == (2, 4)
    X = model.matrix(np.vstack([runs, np.zeros((3, 3))]))
    stage = np.repeat([1.0, -1.0], [11, 3])
    C = np.linalg.inv((W := np.column_stack([X, stage])).T @ W)[: len(model), : len(model)]
    F = model.matrix(RNG.uniform(-1, 1, (200_000, 3)))
    expected = np.einsum("ij,jk,ik->i", F, C, F).mean()
    assert added.after.i / 14 == pytest.approx(expected, rel=0.01)
    assert added.after.i / 14 > added.before.i / 11


def test_a_term_is_clear_only_if_all_others_are_counted():
    """A 2^(5−2) that lost three runs: with them back main effects are estimated, and still mixed
    with two-factor interactions, as in every fraction of resolution III."""
    space = box(5)
    runs = fraction_points(regular_fractions(5)[-1])
    assert len(runs) == 8
    added = repaired(
        linear_model(space), Existing.free(runs[3:]), NONE[5], runs[:3], whole_box, 3, rng(), "D"
    )
    assert added.gained == ()
    assert "can be estimated" in added.buys


def test_blocks_of_the_first_stage_count_in_what_is_bought():
    """2² twice in two blocks and three more centres unlinked to them: the three share one setting,
    so pure error grows by two; the blocks keep their degree of freedom."""
    model = linear_model(box(2))
    runs = np.vstack([box(2).corners()] * 2)
    there = Existing(runs, tuple(range(1, 9)), (1,) * 8, (1,) * 4 + (2,) * 4)
    added = centre_points_added(model, there, whole_box, 3)
    assert added.kept_apart == (1,) * 4 + (2,) * 4 + (None,) * 3
    assert (added.degrees_after.blocks, added.degrees_after.pure_error) == (1, 2)
    assert added.degrees_after.residual == 11 - 3 - 1


def test_an_axial_point_beyond_the_range_is_drawn_in_and_said():
    added = axial_points_added(
        quadratic_model(RIG), Existing.free(RIG.corners()), whole_box, distance=1.6
    )
    assert sum(notice.code == "axial-point-moved" for notice in added.notices) == 6


def test_repeats_in_two_blocks_are_not_pure_error():
    added = block_added(
        linear_model(box(1)), Existing.free(np.array([[-1.0], [1.0]])), whole_box, 2, rng()
    )
    assert sorted(added.settings[:, 0]) == [-1, 1]
    assert added.degrees_after.pure_error == 0


def test_repair_of_a_factorial_runs_the_lost_corner_again():
    corners = box(3).corners()
    added = repaired(
        interaction_model(box(3)),
        Existing.free(corners[1:]),
        NONE[3],
        corners[:1],
        whole_box,
        1,
        rng(),
        "D",
    )
    assert (added.settings == corners[:1]).all()
    assert added.buys.startswith("Running the lost settings again is as good.")


def test_a_repeat_is_run_again_though_another_run_would_tell_more():
    """As below, but the middle is to be repeated, and the lost corner is made up for beside it."""
    corners, middle = box(2).corners(), np.array([[0.0, 0.0]])
    model, kept = linear_model(box(2)), Existing.free(corners[1:])
    added = repaired(model, kept, middle, corners[:1], whole_box, 2, rng(), "D")
    assert sorted(map(tuple, added.settings)) == sorted([tuple(corners[0]), (0.0, 0.0)])
    alone = repaired(model, kept, middle, NONE[2], whole_box, 1, rng(), "D")
    assert (alone.settings == middle).all()


def test_repeats_and_stand_ins_keep_to_whole_plots_of_their_own():
    hard = NumericFactor("a", "K", -1.0, 1.0, change="hard")
    model = linear_model(FactorSpace((hard, NumericFactor("b", "K", -1.0, 1.0))))
    corners = box(2).corners()
    kept = Existing(corners, (1, 1, 2, 2), (1,) * 4, (None,) * 4, 2, 1.0)
    added = repaired(model, kept, corners[:2], corners[2:], whole_box, 4, rng(), "D")
    assert {tuple(run) for run in corners[:2]} <= set(map(tuple, added.settings))
    for plot in set(added.plots):
        own = [s for s, p in zip(added.settings[:, 0], added.plots, strict=True) if p == plot]
        assert len(own) <= 2
        assert len(set(own)) == 1


def test_repair_finds_better_than_a_lost_run_that_told_little():
    """Of nine runs the lost one repeated a middle; a corner tells more of the main effects."""
    kept, lost = box(2).corners(), np.array([[0.0, 0.0]])
    added = repaired(
        linear_model(box(2)), Existing.free(kept), NONE[2], lost, whole_box, 1, rng(), "D"
    )
    assert (np.abs(added.settings) == 1).all()
    assert "lost settings again would give less" in added.buys


def test_raising_the_order_makes_the_larger_model_estimable():
    model = quadratic_model(box(2))
    added = order_raised(model, Existing.free(full_factorial(2)), whole_box, 5, rng(), "D")
    assert added.before is None
    assert added.after is not None
    assert added.gained == ("a²", "b²")
    # four corners and the five others of the 3² factorial are the D-optimum of nine runs
    assert {tuple(r) for r in np.abs(added.settings)} == {(0, 0), (1, 0), (0, 1)}
    assert "the full quadratic model can be estimated" in added.buys


def test_a_wider_region_is_reached_and_old_runs_count():
    wide = FactorSpace((NumericFactor("a", "", -1, 3), NumericFactor("b", "", -1, 1)))
    old = box(2).corners()
    added = region_extended(linear_model(wide), Existing.free(old), whole_box, 2, rng(), "D")
    assert (added.settings[:, 0] == 3).all()
    assert sorted(added.settings[:, 1]) == [-1, 1]
    assert added.before is not None
    assert added.after.i / 6 < added.before.i / 4


def test_a_gain_that_is_no_number_is_never_taken() -> None:
    """Where M⁻¹ itself has gone astray, no candidate may look like an improvement."""
    generator = np.random.default_rng(4)
    new, old = generator.normal(size=(1, 5, 3)), generator.normal(size=(1, 3))
    for size in (1e160, np.nan):
        broken = np.full((1, 3, 3), size)
        for spread, trace in ((None, None), (broken, np.array([1.0]))):
            assert not (exchange_gains(broken, spread, trace, new, old) > 0).any()
