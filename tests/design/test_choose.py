"""Which design is chosen, that the rig can run it, and what it says."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.design.choose import FAMILIES, choose_design
from doe.design.evaluation import degrees_of_freedom
from doe.design.matrix import randomised
from doe.errors import DesignError, InfeasibleError
from doe.factors import CategoricalFactor, FactorSpace, NumericFactor, whole_box
from doe.terms import interaction_model, linear_model, quadratic_model

TEMPERATURE = NumericFactor("temperature", "°C", 100, 220, 5)
TIME = NumericFactor("time", "min", 10, 60, 5)
FLOW = NumericFactor("flow", "mL/min", 1, 5, 0.5)
RATIO = NumericFactor("ratio", "mL/g", 10, 50, 5)
SOLVENT = CategoricalFactor("solvent", ("water", "acid", "base"))
BATH = CategoricalFactor("stirring", ("off", "on"))

THREE = FactorSpace((TEMPERATURE, TIME, FLOW))
FOUR = FactorSpace((TEMPERATURE, TIME, FLOW, RATIO))
MODELS = {make(FOUR).name: make for make in (linear_model, interaction_model, quadratic_model)}


def hot_and_long(s):
    """A rig that cannot hold high temperature for long: cuts one corner of the box off."""
    return s[:, 0] + 2 * s[:, 1] < 280


def codes(design):
    return {notice.code for notice in design.notices}


def test_surface_on_the_whole_box_is_box_behnken():
    design = choose_design(THREE, whole_box, "surface")
    assert (design.family, len(design), design.model) == ("box-behnken", 15, "full quadratic")
    assert design.kinds == ("edge",) * 12 + ("centre",) * 3
    assert "all 13 settings of a Box–Behnken design" in design.reason


def test_surface_in_two_factors_is_central_composite():
    design = choose_design(FactorSpace((TEMPERATURE, TIME)), whole_box, "surface")
    assert (design.family, len(design)) == ("central-composite", 11)
    assert design.kinds == ("corner",) * 4 + ("axial",) * 4 + ("centre",) * 3


def test_screening_on_the_whole_box_is_factorial_with_centre_runs():
    design = choose_design(FOUR, whole_box, "screening")
    assert (design.family, len(design)) == ("factorial", 19)
    assert design.kinds.count("centre") == 3
    assert design.model == "main effects and two-factor interactions"


def test_screening_within_a_small_budget_is_a_fraction_that_names_its_aliases():
    """2^(4−1) with D = ABC: AB = CD, AC = BD, AD = BC (Montgomery, section 8-2)."""
    design = choose_design(FOUR, whole_box, "screening", runs=12)
    assert (design.family, len(design), design.model) == ("factorial", 11, "main effects")
    (notice,) = (n.what for n in design.notices if n.code == "aliased-effects")
    assert "resolution IV" in notice
    assert "temperature × time = flow × ratio" in notice
    assert "temperature × flow = time × ratio" in notice
    assert "temperature × ratio = time × flow" in notice


def test_cut_region_gives_an_optimal_design_that_says_what_the_rig_cannot_run():
    """The 13 settings, 12 middles of edges and the centre, are put down here without the design
    and counted against the limit."""
    design = choose_design(THREE, hot_and_long, "surface", runs=16)
    assert design.family == "optimal-i"
    assert hot_and_long(design.settings).all()
    middles = [
        (a, b, c)
        for a in (100, 160, 220)
        for b in (10, 35, 60)
        for c in (1, 3, 5)
        if ((a == 160) + (b == 35) + (c == 3)) in (1, 3)
    ]
    failing = int((~hot_and_long(np.array(middles, float))).sum())
    assert len(middles) == 13
    assert f"The rig cannot run {failing} of the 13 settings of a Box–Behnken design" in (
        design.reason
    )
    assert design.reason.count(". ") <= 1


def test_cut_region_in_screening_is_d_optimal_with_interactions_if_they_fit():
    wide = choose_design(FOUR, hot_and_long, "screening", runs=19)
    tight = choose_design(FOUR, hot_and_long, "screening", runs=11)
    assert (wide.family, wide.model) == ("optimal-d", "main effects and two-factor interactions")
    assert (tight.family, tight.model) == ("optimal-d", "main effects")
    assert len(wide) == 19
    assert len(tight) == 11


def test_categorical_factors():
    three_levels = choose_design(FactorSpace((TEMPERATURE, TIME, SOLVENT)), whole_box, "screening")
    assert three_levels.family == "optimal-d"
    assert "solvent" in three_levels.reason.lower()
    two_levels = choose_design(FactorSpace((TEMPERATURE, TIME, BATH)), whole_box, "screening")
    assert (two_levels.family, len(two_levels)) == ("factorial", 11)
    assert set(two_levels.settings[:, 2]) == {0.0, 1.0}


def test_budget_without_room_for_repeats_is_said():
    design = choose_design(THREE, whole_box, "surface", runs=10)
    assert "few-repeats" in codes(design)
    assert degrees_of_freedom(quadratic_model(THREE), design.coded).pure_error == 0
    (notice,) = (n.what for n in design.notices if n.code == "few-repeats")
    assert "12 runs would allow 3" in notice
    roomy = choose_design(THREE, whole_box, "surface", runs=12)
    assert "few-repeats" not in codes(roomy)


def test_levels_that_cannot_be_set_are_rounded_and_said():
    space = FactorSpace((NumericFactor("temperature", "°C", 100, 225, 5), TIME, FLOW))
    design = choose_design(space, whole_box, "surface")
    (notice,) = (n.what for n in design.notices if n.code == "level-rounded")
    assert "temperature" in notice
    assert "162.5 becomes 160" in notice
    assert (design.settings[-3:, 0] == 160).all()


def test_centre_that_had_to_move_is_said():
    design = choose_design(THREE, lambda s: s[:, 0] + 2 * s[:, 1] < 210, "surface")
    assert "centre-moved" in codes(design)
    assert len(np.unique(design.settings[-3:], axis=0)) == 1


@pytest.mark.parametrize("family", FAMILIES)
def test_family_asked_for_is_given(family):
    design = choose_design(THREE, whole_box, "surface", runs=20, family=family)
    assert design.family == family
    assert design.reason.startswith("This family was asked for.")


@pytest.mark.parametrize("family", ["factorial", "box-behnken", "central-composite"])
def test_family_that_the_region_does_not_allow_is_refused_with_the_nearest(family):
    with pytest.raises(DesignError, match="nearest that works is “optimal-i” with 16 runs"):
        choose_design(THREE, hot_and_long, "surface", runs=16, family=family)


def test_errors_say_what_is_needed():
    with pytest.raises(DesignError, match=r"10 terms, and the budget is 8 runs.*main effects.*4"):
        choose_design(THREE, whole_box, "surface", runs=8)
    with pytest.raises(InfeasibleError):
        choose_design(THREE, lambda s: np.zeros(len(s), bool), "surface")
    with pytest.raises(DesignError, match="no settable value between 101 and 104"):
        choose_design(
            FactorSpace((NumericFactor("t", "°C", 101, 104, 5), TIME)), whole_box, "screening"
        )
    with pytest.raises(DesignError, match="only two settable values"):
        choose_design(
            FactorSpace((NumericFactor("t", "°C", 100, 105, 5), TIME)), whole_box, "surface"
        )
    with pytest.raises(DesignError, match="no design family “spiral”"):
        choose_design(THREE, whole_box, "surface", family="spiral")
    with pytest.raises(DesignError, match="Allow at least 14 runs"):
        choose_design(THREE, hot_and_long, "surface", runs=12, centres=5)


def test_a_notice_for_no_centre_runs_at_all():
    design = choose_design(THREE, whole_box, "screening", centres=0)
    assert len(design) == 8
    assert "few-repeats" in codes(design)


@settings(max_examples=12, deadline=None)
@given(
    limit=st.floats(0.7, 2.0),
    purpose=st.sampled_from(["screening", "surface"]),
    runs=st.sampled_from([None, 15, 18]),
)
def test_whatever_the_region_the_rig_can_run_it_and_it_carries_its_model(limit, purpose, runs):
    def feasible(s):
        return (s[:, 0] - 100) / 120 + (s[:, 1] - 10) / 50 <= limit

    design = choose_design(THREE, feasible, purpose, runs)
    assert feasible(design.settings).all()
    assert np.array_equal(design.settings, THREE.settable(design.settings))
    assert runs is None or len(design) <= runs
    model = MODELS[design.model](THREE)
    assert np.linalg.matrix_rank(model.matrix(design.coded)) == len(model)
    assert degrees_of_freedom(model, design.coded).pure_error >= 2


def test_same_seed_same_design_also_in_random_order():
    one, two = (choose_design(THREE, hot_and_long, "surface", seed=11) for _ in range(2))
    assert np.array_equal(one.settings, two.settings)
    orders = [randomised(d, np.random.default_rng(5)).settings for d in (one, two)]
    assert np.array_equal(*orders)
    assert one.plots == tuple(range(1, len(one) + 1))
