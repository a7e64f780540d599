"""Classical designs in a region that cuts them, against exhaustive searches."""

import itertools

import numpy as np
import pytest

from doe.design.coded import CodedRuns
from doe.design.definitive import definitive_screening
from doe.design.fitting_in import moved_into, shrunk_into
from doe.design.response_surface import box_behnken_runs, composite_runs, doehlert
from doe.design.screening import factorial_runs, regular_fractions
from doe.errors import DesignError, InfeasibleError
from doe.factors import CategoricalFactor, FactorSpace, NumericFactor, whole_box
from doe.terms import linear_model, quadratic_model


def box(k: int, high: float = 10.0, step: float | None = 1.0) -> FactorSpace:
    return FactorSpace(tuple(NumericFactor(f"x{i}", "mL", 0, high, step) for i in range(k)))


def corner_cut(settings):
    return settings[:, 0] + settings[:, 1] <= 14


def disc(settings):
    return ((settings[:, :2] - [4, 5]) ** 2).sum(axis=1) <= 27


def hyperbola(settings):
    return settings[:, 0] * settings[:, 1] <= 40


def largest_box(space, points, feasible) -> float:
    """The area of the largest box of two factors on whole steps, by trying all of them."""
    ends = [(a, b) for a in range(11) for b in range(a + 1, 11)]
    levels = [np.unique(points[:, i]) for i in range(2)]
    best = 0.0
    for one, two in itertools.product(ends, ends):
        pair = np.array([one, two], dtype=float)
        settings = space.settable(pair[:, 0] + (points + 1) / 2 * (pair[:, 1] - pair[:, 0]))
        apart = all(len(np.unique(settings[:, i])) == len(levels[i]) for i in range(2))
        area = (one[1] - one[0]) * (two[1] - two[0])
        if area > best and apart and feasible(settings).all():
            best = area
    return best


@pytest.mark.parametrize("feasible", [corner_cut, disc, hyperbola])
@pytest.mark.parametrize("design", ["factorial", "composite"])
def test_the_box_is_the_largest_of_all(feasible, design):
    space = box(2)
    runs = composite_runs(2) if design == "composite" else factorial_runs(regular_fractions(2)[0])
    found = shrunk_into(runs, linear_model(space), feasible)
    assert found.way == "shrunk"
    assert found.volume == pytest.approx(largest_box(space, runs.points, feasible) / 100)
    assert feasible(found.settings).all()
    low, high = found.box[:, 0], found.box[:, 1]
    wanted = space.settable(low + (runs.points + 1) / 2 * (high - low))
    assert np.array_equal(found.settings, wanted)


def test_the_box_under_a_hyperbola_without_steps():
    """Corners at (0, 0) and (a, b) with a·b ≤ 40 and a, b ≤ 10: the largest area is 40."""
    runs = factorial_runs(regular_fractions(2)[0])
    found = shrunk_into(runs, linear_model(box(2, step=None)), hyperbola)
    assert 0.98 * 0.40 <= found.volume <= 0.40


@pytest.mark.parametrize("runs", [box_behnken_runs(3), composite_runs(3), doehlert(3)])
@pytest.mark.parametrize("feasible", [corner_cut, disc, hyperbola])
def test_moved_runs_stand_on_the_nearest_of_all_settings(runs, feasible):
    space = box(3)
    grid = space.grid(11)
    inside = grid[feasible(grid)]
    found = moved_into(runs, linear_model(space), feasible)
    wanted = space.settable(runs.settings(space))
    for i, setting in enumerate(found.settings):
        assert feasible(setting[None])[0]
        least = np.linalg.norm(inside - wanted[i], axis=1).min()
        assert np.linalg.norm(setting - wanted[i]) == pytest.approx(least)


@pytest.mark.parametrize("feasible", [corner_cut, disc, hyperbola])
def test_moved_runs_stand_on_the_nearest_setting_on_fine_steps_too(feasible):
    """Steps of 0.1: more settings than candidates, so the last way is searched step by step."""
    space, runs = box(2, step=0.1), composite_runs(2, "rotatable")
    axis = np.round(np.arange(101) * 0.1, 1)
    grid = np.array(list(itertools.product(axis, axis)))
    inside = grid[feasible(grid)]
    found = moved_into(runs, linear_model(space), feasible)
    wanted = space.settable(runs.settings(space))
    assert found.moved
    for moved in found.moved:
        least = np.linalg.norm(inside - wanted[moved.run - 1], axis=1).min()
        assert np.linalg.norm(np.subtract(moved.given, moved.wanted)) == pytest.approx(least)


@pytest.mark.parametrize("fit", [shrunk_into, moved_into])
def test_every_run_that_changes_is_named_with_from_and_to(fit):
    space, runs = box(3), composite_runs(3)
    found = fit(runs, quadratic_model(space), corner_cut)
    wanted = space.settable(runs.settings(space))
    changed = {i + 1 for i in range(len(wanted)) if (wanted[i] != found.settings[i]).any()}
    assert {m.run for m in found.moved} == changed != set()
    for moved in found.moved:
        assert moved.wanted == tuple(wanted[moved.run - 1])
        assert moved.given == tuple(found.settings[moved.run - 1])


@pytest.mark.parametrize("fit", [shrunk_into, moved_into])
@pytest.mark.parametrize("order", list(itertools.permutations(range(3))))
def test_relabelling_factors_keeps_the_efficiency(fit, order):
    """The same region with its factors in another order costs the same."""

    def feasible(settings):
        return settings[:, 0] + 1.5 * settings[:, 1] + 0.5 * settings[:, 2] <= 21

    space, runs = box(3), composite_runs(3)
    first = fit(runs, quadratic_model(space), feasible)
    back = np.argsort(order)
    other = fit(runs, quadratic_model(space), lambda s: feasible(s[:, back]))
    assert other.volume == pytest.approx(first.volume)
    assert other.loss.d_after == pytest.approx(first.loss.d_after)


def test_loss_against_determinants_and_averages_by_hand():
    space, runs = box(2), composite_runs(2)
    model = quadratic_model(space)
    found = moved_into(runs, model, corner_cut)
    before = (space.settable(runs.settings(space)) - 5) / 5
    after = (found.settings - 5) / 5

    def matrix(x):
        a, b = x[:, 0], x[:, 1]
        return np.column_stack([np.ones(len(x)), a, b, a * b, a * a, b * b])

    def d(x):
        return np.linalg.det(matrix(x).T @ matrix(x)) ** (1 / 6) / len(x)

    axis = np.linspace(-1, 1, 401)
    grid = np.array(list(itertools.product(axis, axis)))
    F = matrix(grid[corner_cut(5 + 5 * grid)])

    def average(x):
        return np.einsum("ij,jk,ik->i", F, np.linalg.inv(matrix(x).T @ matrix(x)), F).mean()

    assert found.loss.d_before == pytest.approx(d(before))
    assert found.loss.d_after == pytest.approx(d(after))
    assert found.loss.variance_ratio == pytest.approx(average(after) / average(before), rel=0.01)
    assert f"({100 * d(after) / d(before):.0f} % of it)" in found.loss.sentence()


def test_what_was_done_is_said():
    space, runs = box(2), factorial_runs(regular_fractions(2)[0])
    shrunk = shrunk_into(runs, linear_model(space), corner_cut).sentences()
    assert "x0 0 to 7 instead of 0 to 10 mL; x1 0 to 7 instead of 0 to 10 mL" in shrunk[0]
    assert "49 % of the volume" in shrunk[0]
    moved = moved_into(runs, linear_model(space), corner_cut).sentences()
    assert moved[0].startswith("1 of 4 runs cannot be done where the design has it and moves")
    assert moved[2] == "The run at 10 mL, 10 mL: x0 10 → 7 mL, x1 10 → 7 mL."


@pytest.mark.parametrize("fit", [shrunk_into, moved_into])
def test_a_design_that_the_rig_can_run_stays_as_it_is(fit):
    space, runs = box(3), box_behnken_runs(3)
    found = fit(runs, quadratic_model(space), whole_box)
    assert found.way == "as it stands"
    assert found.moved == ()
    assert found.loss.d_kept == 1.0
    assert np.array_equal(found.settings, 5 + 5 * runs.points)


def test_settings_that_fall_together_are_counted():
    """Above x0 = 5 nothing runs: three levels of x0 become two, the squares cannot be told."""
    space, runs = box(2), composite_runs(2, axial_centres=0)
    found = moved_into(runs, linear_model(space), lambda s: s[:, 0] <= 5)
    assert found.merged == 2  # (10, 0) and (10, 10) join the axial runs; (10, 5) is now the centre
    assert "2 fewer different settings" in found.sentences()[0]
    with pytest.raises(DesignError, match="cannot carry the 6 terms"):
        moved_into(runs, quadratic_model(space), lambda s: s[:, 0] <= 5)


def test_categorical_levels_stay_where_the_rig_can_run_them():
    space = FactorSpace((*box(3).factors, CategoricalFactor("feed", ("a", "b"))))
    runs = definitive_screening(4, [3])

    def feasible(settings):
        return (settings[:, 3] == 0) | (settings[:, 0] + settings[:, 1] <= 12)

    for fit in (shrunk_into, moved_into):
        found = fit(runs, linear_model(space), feasible)
        assert np.array_equal(found.settings[:, 3], (runs.points[:, 3] + 1) / 2)
        assert feasible(found.settings).all()
        assert all(moved.wanted[3] == moved.given[3] for moved in found.moved)


def test_the_box_keeps_room_for_every_level_of_the_design():
    """Three levels on whole steps need a range of two steps."""
    space, runs = box(2), composite_runs(2)
    found = shrunk_into(runs, linear_model(space), lambda s: (s[:, 0] >= 3) & (s[:, 0] <= 5))
    assert found.box.tolist() == [[3, 5], [0, 10]]
    with pytest.raises(DesignError, match="no box of settable ranges"):
        shrunk_into(runs, linear_model(space), lambda s: (s[:, 0] >= 3) & (s[:, 0] <= 4))


def test_a_region_with_no_room_is_refused():
    space, runs = box(2), composite_runs(2)
    with pytest.raises(DesignError, match="no box of settable ranges"):
        shrunk_into(runs, linear_model(space), lambda s: s[:, 0] == 3)
    nothing = lambda s: np.zeros(len(s), dtype=bool)  # noqa: E731
    with pytest.raises(DesignError, match="no box"):
        shrunk_into(runs, linear_model(space), nothing)
    with pytest.raises(InfeasibleError, match="no settable setting"):
        moved_into(runs, linear_model(space), nothing)


def test_centre_runs_of_a_categorical_factor_take_its_levels_in_turn():
    runs = CodedRuns.of_kind(np.array([[-1.0, -1.0], [1.0, 1.0]]), "corner").with_centres(4, [1])
    assert runs.points[2:].tolist() == [[0, -1], [0, 1], [0, -1], [0, 1]]
