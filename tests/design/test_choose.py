"""Which design is chosen, that the rig can run it, and what it says."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.design.choose import FAMILIES, choose_design, choose_within
from doe.design.evaluation import degrees_of_freedom
from doe.design.matrix import randomised
from doe.design.split_plot import WholePlots, hard_changes
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
HARD = FactorSpace((replace(TEMPERATURE, change="hard"), TIME, FLOW))
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


def test_a_budget_that_carries_no_whole_plan_for_second_order_is_not_all_spent_at_once():
    five = FactorSpace((*FOUR, NumericFactor("acid", "%", 0, 2, 0.25)))
    for space, needed in ((FOUR, 27), (five, 29)):
        design = choose_within(space, whole_box, 20, needed, seed=1)
        assert len(design) == 14
        assert f"The budget of 20 runs does not carry the {needed}" in design.reason
        assert "14 are planned, and the rest is left for what their" in design.reason
        assert "for main effects" in design.reason
        coded = space.code(design.settings)
        linear = linear_model(space)
        assert np.linalg.matrix_rank(linear.matrix(coded)) == len(linear)
        # a bend can be seen in every factor: the middle is run beside corners, not alone
        for i in range(len(space)):
            others = np.abs(np.delete(coded, i, axis=1)).max(axis=1) > 0
            assert ((np.abs(coded[:, i]) < 0.5) & others).any()
    larger = choose_within(FOUR, whole_box, 26, 27, seed=1)
    assert (len(larger), larger.model) == (18, "full quadratic")
    assert np.linalg.matrix_rank(quadratic_model(FOUR).matrix(FOUR.code(larger.settings))) == 15
    assert choose_within(FOUR, whole_box, 17, 27) is None


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
    space = {"split-plot": HARD, "definitive-screening": FOUR}.get(family, THREE)
    plots = None if family != "split-plot" else WholePlots.of(6, 3)
    design = choose_design(space, whole_box, "surface", runs=20, family=family, plots=plots)
    assert design.family == family
    assert design.reason.startswith("This family was asked for.")


FIVE = FactorSpace((*FOUR.factors, NumericFactor("pressure", "bar", 20, 60, 1)))
EIGHT = FactorSpace(tuple(NumericFactor(f"f{i}", "", 0, 1) for i in range(8)))


def test_screening_takes_a_definitive_design_where_no_clear_fraction_fits_the_budget():
    # Five factors: resolution V needs 16 runs, resolution III 8; a definitive screening design of
    # 13 keeps main effects clear of interactions: Jones, Nachtsheim 2011, J. Qual. Technol. 43:1
    # (from memory)
    assert choose_design(FIVE, whole_box, "screening", runs=19).family == "factorial"
    design = choose_design(FIVE, whole_box, "screening", runs=14)
    assert design.family == "definitive-screening"
    assert len(design) <= 14
    coded = design.coded
    squares = np.column_stack([coded[:, i] * coded[:, j] for i in range(5) for j in range(i, 5)])
    assert np.abs(coded.T @ squares).max() < 1e-9


def test_screening_eight_factors_in_twelve_runs_is_plackett_burman():
    design = choose_design(EIGHT, whole_box, "screening", runs=12, centres=0)
    assert (design.family, len(design)) == ("plackett-burman", 12)
    assert "partly-mixed" in codes(design)
    assert np.allclose(design.coded.T @ design.coded, 12 * np.eye(8))


@pytest.mark.parametrize("way", ["shrink", "move"])
def test_a_classical_design_is_fitted_into_the_region_when_asked_and_says_what_that_costs(way):
    family = "box-behnken"
    design = choose_design(THREE, hot_and_long, "surface", family=family, fit_in=way)
    assert design.family == family
    assert hot_and_long(design.settings).all()
    told = " ".join(notice.what for notice in design.notices if notice.code == "fitted-in")
    assert "D-efficiency goes from" in told
    if way == "move":
        assert "→" in told


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


def test_hard_factor_that_may_not_change_every_run_gives_a_split_plot():
    design = choose_design(HARD, hot_and_long, "surface", plots=WholePlots.of(6, 3))
    assert (design.family, len(design), design.model) == ("split-plot", 18, "full quadratic")
    assert hot_and_long(design.settings).all()
    assert design.reason.startswith("Temperature cannot change with every run, so 18 runs share 6")
    assert design.reason.count(". ") == 1
    plots = np.array(design.plots)
    held = [set(design.settings[plots == j, 0]) for j in range(1, 7)]
    assert all(len(values) == 1 for values in held)
    ordered = randomised(design, np.random.default_rng(4))
    assert hard_changes(HARD, ordered.settings) <= 5
    assert "set-afresh" in codes(design)
    assert "few-plots" not in codes(design)


def test_split_plot_keeps_to_the_budget_and_says_when_plots_are_few():
    design = choose_design(HARD, whole_box, "surface", 13, plots=WholePlots.of(5, 4))
    assert len(design) == 13
    assert sorted(np.bincount(design.plots)[1:]) == [2, 2, 3, 3, 3]
    assert "few-plots" in codes(design)
    asked = choose_design(HARD, whole_box, "surface", 13, centres=3, plots=WholePlots.of(5, 4))
    assert "no-centres" in codes(asked)


def test_plots_are_no_matter_where_every_run_may_change_everything():
    plain = choose_design(THREE, whole_box, "surface")
    assert choose_design(THREE, whole_box, "surface", plots=WholePlots.of(6, 3)).family == (
        plain.family
    )
    single = choose_design(HARD, whole_box, "surface", plots=WholePlots.of(15, 1))
    assert single.family == "box-behnken"
    assert choose_design(HARD, whole_box, "surface").family == "box-behnken"


def test_runner_up_against_working_it_out_by_hand():
    """Box–Behnken with 15 runs before a composite of 17, both in coded units."""
    design = choose_design(THREE, whole_box, "surface")
    model = quadratic_model(THREE)
    middles = [(a, b) for a in (-1, 1) for b in (-1, 1)]
    edges = [(a, b, 0) for a, b in middles] + [(a, 0, b) for a, b in middles]
    edges += [(0, a, b) for a, b in middles]
    faces = [tuple(s * (i == j) for j in range(3)) for i in range(3) for s in (-1, 1)]
    corners = [(a, b, c) for a, b in middles for c in (-1, 1)]
    runs = [np.array([*edges, *[(0, 0, 0)] * 3], float)]
    runs.append(np.array([*corners, *faces, *[(0, 0, 0)] * 3], float))
    nodes, weights = np.polynomial.legendre.leggauss(4)
    grid = np.stack(np.meshgrid(nodes, nodes, nodes), axis=-1).reshape(-1, 3)
    weight = np.einsum("i,j,k->ijk", weights, weights, weights).ravel() / 8
    F = model.matrix(grid)
    figures = []
    for own in runs:
        X = model.matrix(own)
        M = X.T @ X
        average = weight @ np.einsum("ij,jk,ik->i", F, np.linalg.inv(M), F)
        figures.append((average, np.linalg.det(M) ** (1 / len(model))))
    (i_own, d_own), (i_other, d_other) = figures
    assert "a central composite design, with 17 runs" in design.runner_up
    assert f"would be {i_other / i_own:.2f} times" in design.runner_up
    assert f"its terms {d_other / d_own:.2f} times" in design.runner_up


def test_runner_up_of_a_split_plot_changes_with_every_run():
    design = choose_design(HARD, whole_box, "surface", plots=WholePlots.of(6, 4))
    assert "completely at random" in design.runner_up
    assert "temperature changed with nearly every run" in design.runner_up


def test_criterion_model_and_blocks_named():
    named = choose_design(THREE, whole_box, "surface", 12, criterion="A")
    assert (named.family, len(named)) == ("optimal-a", 12)
    main = choose_design(THREE, whole_box, "surface", 6, model=linear_model(THREE))
    assert (main.model, len(main)) == ("main effects", 6)
    blocked = choose_design(THREE, whole_box, "surface", 16, blocks=2)
    assert sorted(np.bincount(blocked.blocks)[1:]) == [8, 8]
    X = np.column_stack([quadratic_model(THREE).matrix(blocked.coded), blocked.blocks])
    assert np.linalg.matrix_rank(X) == 11
    kinds = np.array(blocked.kinds) == "centre"
    assert set(np.array(blocked.blocks)[kinds]) == {1, 2}
    mixed = randomised(blocked, np.random.default_rng(2))
    assert (np.diff(mixed.blocks) >= 0).all()


def test_what_contradicts_is_refused():
    with pytest.raises(DesignError, match="nothing says how many whole plots"):
        choose_design(HARD, whole_box, "surface", family="split-plot")
    with pytest.raises(DesignError, match="6 whole plots cannot be divided into 4 blocks"):
        choose_design(HARD, whole_box, "surface", plots=WholePlots.of(6, 3), blocks=4)
    held = choose_design(HARD, whole_box, "surface", plots=WholePlots.of(8, 3), blocks=2)
    assert len(set(zip(held.plots, held.blocks, strict=True))) == 8
    assert sorted(np.bincount(held.blocks)[1:]) == [12, 12]
    with pytest.raises(DesignError, match="3 terms of temperature alone"):
        choose_design(HARD, whole_box, "surface", plots=WholePlots.of(2, 6))
    with pytest.raises(DesignError, match="cannot be divided into 9 blocks"):
        choose_design(THREE, whole_box, "surface", 16, blocks=9)
    with pytest.raises(DesignError, match="needs at least one run"):
        choose_design(HARD, whole_box, "surface", plots=WholePlots((3, 0, 3)))
    with pytest.raises(DesignError, match="No factor is hard"):
        choose_design(THREE, whole_box, "surface", family="split-plot", plots=WholePlots.of(6, 3))
