"""Runs that fill what the rig can run, held against known best places and a second opinion."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.distance import pdist
from scipy.stats import qmc

from doe.design.choose import choose_design, choose_to_search
from doe.design.space_filling import space_filling_runs
from doe.errors import DesignError, InfeasibleError
from doe.factors import CategoricalFactor, FactorSpace, FloatArray, NumericFactor, whole_box

HOT = NumericFactor("temperature", "°C", 120, 200, 5)
TIME = NumericFactor("time", "min", 10, 60, 5)
FLOW = NumericFactor("flow", "mL/min", 2, 8, 0.5)
ACID = NumericFactor("acid", "%", 0, 2)
THREE = FactorSpace((HOT, TIME, FLOW))
FOUR = FactorSpace((*THREE.factors, ACID))


def filled(space: FactorSpace, runs: int, seed: int = 1) -> FloatArray:
    return space_filling_runs(space, whole_box, runs, np.random.default_rng(seed))


def test_three_runs_of_one_factor_stand_at_both_ends_and_in_the_middle():
    # By symmetry: of 1/a² + 1/b² + 1/(a + b)² with a + b ≤ 1 the least is at a = b = ½.
    alone = FactorSpace((NumericFactor("time", "min", 0, 40, 1),))
    assert sorted(filled(alone, 3)[:, 0]) == [0, 20, 40]


def test_two_runs_stand_in_opposite_corners():
    found = THREE.code(filled(THREE, 2))
    assert np.abs(found).min() == pytest.approx(1)
    assert np.array_equal(found[0], -found[1])


@pytest.mark.parametrize("space", [THREE, FOUR], ids=["3 factors", "4 factors"])
def test_runs_keep_further_apart_than_those_of_latin_hypercubes_in_any_two_factors_too(space):
    # Latin hypercubes of scipy, made at random, as those in use mostly are.
    k, runs = len(space), 12
    own = (space.code(filled(space, runs)) + 1) / 2
    others = [qmc.LatinHypercube(k, seed=i).random(runs) for i in range(60)]
    assert pdist(own).min() > np.quantile([pdist(each).min() for each in others], 0.95)

    def in_two(design: FloatArray) -> float:
        return float(np.mean([pdist(design[:, two]).min() for two in combinations(range(k), 2)]))

    assert in_two(own) > np.quantile([in_two(each) for each in others], 0.75)


def test_every_factor_takes_many_levels():
    found = filled(THREE, 12)
    assert [len(np.unique(found[:, i])) for i in range(3)] == pytest.approx([11, 11, 11], abs=2)


def test_levels_of_a_categorical_factor_share_the_runs():
    space = FactorSpace((HOT, TIME, CategoricalFactor("grind", ("coarse", "fine", "dust"))))
    counts = np.bincount(filled(space, 12)[:, 2].astype(int), minlength=3)
    assert counts.min() >= 3


@settings(max_examples=15, deadline=None)
@given(limit=st.floats(0.5, 2.0), runs=st.integers(2, 16), seed=st.integers(0, 99))
def test_whatever_the_region_the_rig_can_run_it_and_no_run_comes_twice(limit, runs, seed):
    def feasible(rows):
        return (rows[:, 0] - 120) / 80 + (rows[:, 1] - 10) / 50 <= limit

    found = space_filling_runs(THREE, feasible, runs, np.random.default_rng(seed))
    assert feasible(found).all()
    assert np.array_equal(found, THREE.settable(found))
    assert len(np.unique(found, axis=0)) == runs
    again = space_filling_runs(THREE, feasible, runs, np.random.default_rng(seed))
    assert np.array_equal(found, again)


def test_a_factor_without_steps_gets_numbers_plain_to_set():
    acid = filled(FOUR, 12)[:, 3]
    assert np.allclose(acid * 20, np.round(acid * 20))  # multiples of 0.05 %


def test_a_thin_region_is_found():
    found = space_filling_runs(
        FOUR, lambda rows: rows[:, 0] + rows[:, 1] >= 255, 6, np.random.default_rng(1)
    )
    assert (found[:, 0] + found[:, 1] >= 255).all()


def test_too_few_settings_and_none_at_all_are_refused():
    with pytest.raises(DesignError, match=r"30 different settings .* only 11"):
        space_filling_runs(FactorSpace((TIME,)), whole_box, 30, np.random.default_rng(1))
    with pytest.raises(InfeasibleError):
        space_filling_runs(
            THREE, lambda rows: np.zeros(len(rows), bool), 5, np.random.default_rng(1)
        )


def test_a_search_looks_everywhere_first_and_leaves_runs_to_follow():
    design = choose_to_search(THREE, whole_box, 20)
    assert not isinstance(design, str)
    assert (design.family, len(design), design.model) == ("space-filling", 13, "full quadratic")
    assert "the rest of the budget follows" in design.reason
    assert "no-repeats" in {notice.code for notice in design.notices}
    wide = choose_to_search(FOUR, whole_box, 20)
    assert not isinstance(wide, str)
    assert (len(wide), wide.model) == (14, "main effects and two-factor interactions")


@pytest.mark.parametrize("budget", [8, 14])
def test_a_budget_that_leaves_nothing_to_follow_is_planned_at_once(budget):
    why = str(choose_to_search(THREE, whole_box, budget))
    assert "would leave fewer than 3" in why
    assert ("with --runs 11 it is" in why) == (budget == 14)


def test_what_is_named_as_the_way_to_a_search_is_one():
    design = choose_to_search(THREE, whole_box, 14, runs=11)
    assert not isinstance(design, str)
    assert (design.family, len(design)) == ("space-filling", 11)


@pytest.mark.parametrize("levels", [2, 3, 6])
def test_levels_have_equal_shares_each_spread_over_the_ranges(levels):
    space = FactorSpace((HOT, TIME, CategoricalFactor("salt", tuple("abcdef"[:levels]))))
    design = choose_to_search(space, whole_box, 20)
    assert not isinstance(design, str)
    shares = np.bincount(design.settings[:, 2].astype(int), minlength=levels)
    assert np.ptp(shares) <= 1
    if levels < 6:  # a level of two runs fills nothing
        for level in range(levels):
            own = space.code(design.settings)[design.settings[:, 2] == level]
            assert (np.ptp(own[:, :2], axis=0) > 0.9).all()  # nearly half of each range, of 2


def test_centre_runs_are_added_when_asked_for():
    design = choose_design(THREE, whole_box, "surface", runs=12, family="space-filling", centres=3)
    assert design.kinds.count("centre") == 3
    assert (design.settings[-3:] == [160, 35, 5]).all()
    assert "no-repeats" not in {notice.code for notice in design.notices}
    with pytest.raises(DesignError, match="12 centre runs leave none of 12"):
        choose_design(THREE, whole_box, "surface", runs=12, family="space-filling", centres=12)


def test_on_islands_hardly_hit_by_chance_runs_are_found_for_any_seed():
    # Three cubes of 9³ settings among a million.
    space = FactorSpace(tuple(NumericFactor(f"f{i}", "", 0, 1, 0.01) for i in range(3)))

    def feasible(rows):
        return np.any([(np.abs(rows - at) < 0.045).all(axis=1) for at in (0.2, 0.5, 0.8)], axis=0)

    for seed in range(6):
        found = space_filling_runs(space, feasible, 12, np.random.default_rng(seed))
        assert feasible(found).all()
        assert {round(float(row.mean()), 1) for row in found} >= {0.2, 0.5, 0.8}


def test_numbers_are_plain_to_set_in_a_thin_region_too():
    space = FactorSpace((NumericFactor("time", "min", 10, 60), NumericFactor("acid", "%", 0, 2)))
    found = space_filling_runs(
        space, lambda rows: np.abs(rows[:, 0] - 30 * rows[:, 1]) < 1, 10, np.random.default_rng(1)
    )
    assert np.allclose(found, np.round(found, 2), atol=1e-12)


@pytest.mark.parametrize(
    "factors",
    [
        (NumericFactor("temperature", "°C", 120, 200, 10),),
        (NumericFactor("temperature", "°C", 120, 200, 40), NumericFactor("time", "min", 0, 2, 1)),
    ],
    ids=["one factor", "three values each"],
)
def test_where_too_few_settings_can_be_run_another_design_is_left_to_be_chosen(factors):
    assert "too few different settings" in str(
        choose_to_search(FactorSpace(factors), whole_box, 30)
    )


def test_repeats_of_the_centre_come_on_top_and_do_not_count_as_told_settings():
    design = choose_to_search(THREE, whole_box, 25, centres=3)
    assert not isinstance(design, str)
    assert (len(design), design.kinds.count("centre")) == (16, 3)
    few = choose_design(THREE, whole_box, "surface", runs=13, family="space-filling", centres=4)
    assert few.model != "full quadratic"  # its 10 terms take more than 10 different settings
