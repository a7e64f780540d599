"""Optimal designs: known optima, brute force, and what must hold for any region."""

import csv
import itertools
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.design.evaluation import efficiencies
from doe.design.optimal import (
    central_setting,
    exchange_gains,
    exchanged,
    moment_matrix,
    optimal_runs,
)
from doe.errors import DesignError, InfeasibleError
from doe.factors import CategoricalFactor, FactorSpace, NumericFactor, whole_box
from doe.terms import Model, interaction_model, linear_model, quadratic_model

REFERENCE = Path(__file__).parents[1] / "reference" / "design"
OPTIMA = [
    row
    for row in csv.DictReader((REFERENCE / "optimal_cube_k2.csv").read_text().splitlines())
    if row["criterion"] in ("D", "A", "I")
]


def box(k: int, step: float | None = None) -> FactorSpace:
    return FactorSpace(tuple(NumericFactor(f"x{i}", "", -1, 1, step) for i in range(k)))


def rng(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


def determinant(model: Model, runs: np.ndarray) -> float:
    X = model.matrix(model.space.code(runs))
    return float(np.linalg.det(X.T @ X))


@pytest.mark.parametrize("row", OPTIMA, ids=lambda r: f"{r['criterion']}{r['N']}")
def test_exact_optima_on_the_square(row):
    """Average variance is integrated exactly: the moments of 1, x² and x⁴ are 1, 1/3 and 1/5."""
    model = quadratic_model(box(2))
    runs = optimal_runs(model, whole_box, int(row["N"]), row["criterion"], rng()).settings
    found = efficiencies(model, runs)
    if row["criterion"] == "D":
        assert 100 * found.d >= 0.995 * float(row["D_eff"])
    elif row["criterion"] == "A":
        assert 100 * found.a >= 0.995 * float(row["A_eff"])
    else:
        nodes, weights = np.polynomial.legendre.leggauss(5)
        points = np.array(list(itertools.product(nodes, nodes)))
        weight = np.outer(weights, weights).ravel() / 4
        X, F = model.matrix(runs), model.matrix(points)
        average = weight @ np.einsum("ij,jk,ik->i", F, np.linalg.inv(X.T @ X), F)
        assert average <= 1.01 * float(row["I_avg_var_unscaled"])


@pytest.mark.parametrize("criterion", ["D", "I"])
def test_brute_force_over_every_design_on_a_small_region(criterion):
    """Nine settable points less three beyond a limit; all multisets of five, 4 terms."""
    space = box(2, step=1.0)
    model = interaction_model(space)

    def feasible(s):
        return s.sum(axis=1) < 0.5

    points = space.grid(3)
    points = points[feasible(points)]
    F = model.matrix(points)
    W = moment_matrix(model, points)
    best = -np.inf
    for chosen in itertools.combinations_with_replacement(range(len(points)), 5):
        M = F[list(chosen)].T @ F[list(chosen)]
        if np.linalg.matrix_rank(M) == len(model):
            value = np.linalg.det(M) if criterion == "D" else -np.trace(np.linalg.inv(M) @ W)
            best = max(best, value)
    found = optimal_runs(model, feasible, 5, criterion, rng(), region_coded=points)
    M = model.matrix(found.settings).T @ model.matrix(found.settings)
    own = np.linalg.det(M) if criterion == "D" else -np.trace(np.linalg.inv(M) @ W)
    assert own == pytest.approx(best, rel=1e-9)


def test_two_level_factorial_is_found_where_it_is_optimal():
    runs = optimal_runs(interaction_model(box(3)), whole_box, 8, "D", rng()).settings
    assert {tuple(r) for r in runs} == set(itertools.product((-1.0, 1.0), repeat=3))


def test_gains_against_recomputing_determinant_and_trace():
    generator = rng(7)
    X = generator.normal(size=(9, 4))
    W = np.cov(generator.normal(size=(4, 30)))
    new = generator.normal(size=4)
    M, after = X.T @ X, X[1:].T @ X[1:] + np.outer(new, new)
    inverse = np.linalg.inv(M)
    growth = np.linalg.det(after) / np.linalg.det(M) - 1
    before = np.trace(inverse @ W)
    fall = 1 - np.trace(np.linalg.inv(after) @ W) / before
    d = exchange_gains(inverse[None], None, None, new[None, None], X[:1])
    i = exchange_gains(
        inverse[None], (inverse @ W @ inverse)[None], np.array([before]), new[None, None], X[:1]
    )
    assert (d[0, 0], i[0, 0]) == pytest.approx((growth, fall))


def test_inverse_after_an_exchange_against_inverting_again():
    X = rng(8).normal(size=(9, 4))
    new = rng(9).normal(size=(1, 4))
    found = exchanged(np.linalg.inv(X.T @ X)[None], new, X[:1])[0]
    assert found == pytest.approx(np.linalg.inv(X[1:].T @ X[1:] + new.T @ new))


half_planes = st.tuples(
    st.lists(st.floats(-1, 1), min_size=3, max_size=3).filter(lambda n: np.linalg.norm(n) > 0.3),
    st.floats(0.1, 0.8),
)


@settings(max_examples=15, deadline=None)
@given(half_planes, st.sampled_from([None, 0.25]), st.sampled_from(["D", "I"]))
def test_design_never_leaves_a_random_region(plane, step, criterion):
    normal, offset = np.array(plane[0]), plane[1]

    def feasible(s):
        return s @ normal <= offset

    space = box(3, step)
    found = optimal_runs(
        quadratic_model(space), feasible, 13, criterion, rng(), centres=2, starts=10
    )
    assert feasible(found.settings).all()
    assert (np.abs(found.settings) <= 1).all()
    assert np.allclose(found.settings, space.settable(found.settings), atol=1e-12)
    assert (found.settings[-2:] == central_setting(space, feasible)).all()


@settings(max_examples=8, deadline=None)
@given(st.permutations(range(3)))
def test_order_of_the_factors_does_not_matter(order):
    """The region bounds x0 + x1; the same region with factors renamed gives as good a design."""
    order = list(order)
    model = quadratic_model(box(3, 0.5))
    plain = optimal_runs(model, lambda s: s[:, 0] + s[:, 1] < 0.6, 12, "D", rng(), starts=300)
    moved = optimal_runs(
        model,
        lambda s: s[:, order[0]] + s[:, order[1]] < 0.6,
        12,
        "D",
        rng(),
        starts=300,
    )
    assert moved.value == pytest.approx(plain.value, rel=0.01)
    relabelled = plain.settings[:, order]
    assert efficiencies(model, relabelled).d == pytest.approx(plain.value, rel=1e-9)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000), st.lists(st.floats(-1, 1), min_size=2, max_size=2))
def test_an_added_run_never_lowers_the_determinant(seed, point):
    model = quadratic_model(box(2))
    runs = optimal_runs(model, whole_box, 7, "D", rng(seed), starts=5).settings
    more = np.vstack([runs, [point]])
    assert determinant(model, more) >= determinant(model, runs) * (1 - 1e-9)


@pytest.mark.parametrize("criterion", ["D", "I"])
def test_small_region_in_a_corner_is_as_good_as_the_whole_box(criterion):
    """A corner cube [0.6, 1]³ is the whole box shrunk: the determinant of a full quadratic shrinks
    with the sides (each column by side^order), the average variance not at all."""

    def feasible(s):
        return (s >= 0.6 - 1e-12).all(axis=1)

    model = quadratic_model(box(3, 0.1))
    small = optimal_runs(model, feasible, 14, criterion, rng())
    whole = optimal_runs(quadratic_model(box(3, 0.5)), whole_box, 14, criterion, rng())
    orders = sum(term.order for term in model.terms)
    scale = 0.2 ** (2 * orders / len(model)) if criterion == "D" else 1.0
    assert feasible(small.settings).all()
    assert small.value == pytest.approx(scale * whole.value, rel=0.01)


def test_same_seed_gives_the_same_design_and_another_seed_need_not():
    model = quadratic_model(box(3))
    first, again, other = (
        optimal_runs(model, lambda s: s[:, 0] * s[:, 1] < 0.4, 14, "I", rng(seed)).settings
        for seed in (3, 3, 4)
    )
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_fixed_runs_are_built_upon():
    """Half a 2³ factorial is there; the four best additions are the other half."""
    fixed = np.array([r for r in itertools.product((-1.0, 1.0), repeat=3) if np.prod(r) == 1])
    found = optimal_runs(interaction_model(box(3)), whole_box, 4, "D", rng(), fixed=fixed)
    assert {tuple(r) for r in found.settings} == {
        r for r in itertools.product((-1.0, 1.0), repeat=3) if np.prod(r) == -1
    }
    assert found.value == pytest.approx(1.0)


def test_categorical_factor_is_balanced():
    """Main effects, three levels, two numeric factors, 12 runs: the best is 3 × 2² (common
    knowledge: balanced and orthogonal), D-efficiency (det of contrasts)."""
    space = FactorSpace((*box(2).factors, CategoricalFactor("solvent", ("a", "b", "c"))))
    runs = optimal_runs(linear_model(space), whole_box, 12, "D", rng()).settings
    assert sorted(runs[:, 2]) == [0.0] * 4 + [1.0] * 4 + [2.0] * 4
    full = space.corners()
    assert determinant(linear_model(space), runs) == pytest.approx(
        determinant(linear_model(space), full)
    )


def test_settable_steps_that_miss_the_ends_of_the_range():
    space = FactorSpace(
        (NumericFactor("t", "min", 7, 58, 5), NumericFactor("T", "°C", 101, 199, 10))
    )
    runs = optimal_runs(quadratic_model(space), whole_box, 9, "D", rng()).settings
    assert set(runs[:, 0] % 5) == {0.0}
    assert (runs.min(axis=0) == [10, 110]).all()
    assert (runs.max(axis=0) == [55, 190]).all()


def test_centre_moves_to_the_middle_of_the_region_where_the_box_has_none():
    def feasible(s):
        return s.sum(axis=1) <= -0.5

    centre = central_setting(box(2, 0.1), feasible)
    # the triangle with corners (−1, −1), (−1, 0.5), (0.5, −1) has its centroid at (−0.5, −0.5)
    assert np.abs(centre + 0.5).max() <= 0.15


def test_what_cannot_be_designed_is_refused():
    model = quadratic_model(box(2))
    with pytest.raises(DesignError, match="6 terms, more than the 5 runs"):
        optimal_runs(model, whole_box, 5, "D", rng())
    with pytest.raises(InfeasibleError, match="no settable setting"):
        optimal_runs(model, lambda s: np.zeros(len(s), bool), 8, "D", rng())
    with pytest.raises(DesignError, match="cannot tell the 6 terms"):
        optimal_runs(model, lambda s: s[:, 0] == -1, 8, "D", rng())


def with_blocks(model: Model, runs: np.ndarray, blocks) -> np.ndarray:
    """X'X of the model after block effects, by projecting the block indicators away."""
    X = model.matrix(model.space.code(runs))[:, 1:]
    Z = np.equal.outer(np.asarray(blocks), np.unique(blocks)).astype(float)
    rest = X - Z @ np.linalg.lstsq(Z, X, rcond=None)[0]
    return rest.T @ rest


def test_factorial_in_blocks_leaves_its_effects_clear():
    """2³ in two blocks of four: main effects and two-factor interactions stay orthogonal to the
    blocks if ABC is confounded with them (Montgomery, section 7-4), so nothing is lost; X'X of the
    six effects is 8·I."""
    model = interaction_model(box(3))
    blocks = [1, 1, 1, 1, 2, 2, 2, 2]
    runs = optimal_runs(model, whole_box, 8, "D", rng(), blocks=blocks).settings
    assert with_blocks(model, runs, blocks) == pytest.approx(8 * np.eye(6), abs=1e-9)
    assert len({np.prod(r) for r in runs[:4]}) == 1


def test_blocks_by_brute_force():
    """One factor at three levels, full quadratic, two blocks of three: every pair of multisets."""
    space = box(1, step=1.0)
    model = quadratic_model(space)
    blocks = [1, 1, 1, 2, 2, 2]
    best = max(
        np.linalg.det(with_blocks(model, np.array([*a, *b])[:, None], blocks))
        for a in itertools.combinations_with_replacement((-1.0, 0.0, 1.0), 3)
        for b in itertools.combinations_with_replacement((-1.0, 0.0, 1.0), 3)
    )
    found = optimal_runs(model, whole_box, 6, "D", rng(), blocks=blocks)
    assert np.linalg.det(with_blocks(model, found.settings, blocks)) == pytest.approx(best)


def test_new_block_beside_fixed_runs_and_centres():
    model = quadratic_model(box(2))
    fixed = np.array(list(itertools.product((-1.0, 1.0), repeat=2)) + [(0.0, 0.0)] * 2)
    blocks = [1] * 6 + [2] * 6
    found = optimal_runs(model, whole_box, 6, "I", rng(), fixed=fixed, centres=2, blocks=blocks)
    assert (found.settings[-2:] == 0).all()
    whole = np.vstack([fixed, found.settings])
    assert np.linalg.matrix_rank(with_blocks(model, whole, blocks)) == 5
    with pytest.raises(DesignError, match="6 terms and 1 block effect beside"):
        optimal_runs(model, whole_box, 6, "D", rng(), blocks=[1, 1, 1, 2, 2, 2])
    with pytest.raises(ValueError, match="one entry a run"):
        optimal_runs(model, whole_box, 6, "D", rng(), fixed=fixed, blocks=[1] * 6)


def test_wanted_terms_when_there_are_more_terms_than_runs():
    """Four factors, eight runs, main effects required, six interactions wanted: eleven terms. A
    half fraction (orthogonal, X'X = 8·I) is the best for the main effects, and stays so."""
    space = box(4)
    model = interaction_model(space)
    pairs = tuple(t for t in model.terms if t.order == 2)
    found = optimal_runs(model, whole_box, 8, "D", rng(), wanted=pairs)
    line = linear_model(space)
    X = line.matrix(found.settings)
    assert pytest.approx(8 * np.eye(5), abs=1e-9) == X.T @ X
    assert found.value == pytest.approx(1.0)
    # of the fractions the one of resolution IV is the better for interactions: ABCD is constant
    assert len({np.prod(r) for r in found.settings}) == 1


def test_wanted_terms_against_brute_force_with_their_prior():
    """Line required, bend wanted, four runs of three levels. Over the nine points of the grid x²
    less its regression on 1 and x runs over a range of one, so the bend's prior precision is 1."""
    space = box(1, step=1.0)
    model = quadratic_model(space)
    bend = model.terms[-1]

    def bayes(runs) -> float:
        X = model.matrix(np.array(runs)[:, None])
        return float(np.linalg.det(X.T @ X + np.diag([0.0, 0.0, 1.0])))

    choices = list(itertools.combinations_with_replacement((-1.0, 0.0, 1.0), 4))
    best = max(map(bayes, choices))
    found = optimal_runs(model, whole_box, 4, "D", rng(), wanted=[bend])
    assert bayes(found.settings[:, 0]) == pytest.approx(best)
    assert 0.0 in found.settings
    plain = optimal_runs(linear_model(space), whole_box, 4, "D", rng())
    assert 0.0 not in plain.settings
    with pytest.raises(ValueError, match="only terms of the model"):
        optimal_runs(linear_model(space), whole_box, 4, "D", rng(), wanted=[bend])


def test_protection_against_bends_that_are_only_wanted():
    """Main effects required, squares wanted, seven runs in three factors: every square can be seen
    against the others as far as the runs allow, at little cost to the main effects."""
    space = box(3)
    squares = tuple(t for t in quadratic_model(space).terms if max(t.powers) == 2)
    model = Model(space, linear_model(space).terms + squares, "main effects and bends")
    robust = optimal_runs(model, whole_box, 8, "D", rng(), wanted=squares)
    assert np.linalg.matrix_rank(model.matrix(robust.settings)) == len(model)
    assert robust.value > 0.6


@pytest.mark.parametrize("criterion", ["D", "I"])
@pytest.mark.parametrize("k", [2, 3])
def test_settings_without_a_step_are_plain_and_repeats_are_repeats(criterion, k):
    """Two decimals are enough for a range of two, and no run is a last figure from another."""

    def cut(settings):
        return settings[:, 0] + settings[:, 1] <= 1.1 + 1e-9

    space = FactorSpace(tuple(NumericFactor(f"x{i}", "", -1, 1) for i in range(k)))
    runs = 10 if k == 2 else 14
    found = optimal_runs(quadratic_model(space), cut, runs, criterion, rng()).settings
    assert cut(found).all()
    apart = np.abs(found[:, None] - found[None]).max(axis=2)[np.triu_indices(runs, 1)]
    assert not ((apart > 0) & (apart < 0.05)).any()
    inner = found[np.abs(found) < 1]
    assert np.abs(inner * 100 - np.round(inner * 100)).max() < 1e-6


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_runs_slide_along_a_curved_limit(seed):
    """On the unit disc seven runs evenly round the rim and two in the middle are all but the best
    of nine for a full quadratic (a rotatable design: Box and Hunter 1957, from memory)."""

    def disc(settings):
        return (settings**2).sum(axis=1) <= 1 + 1e-9

    space = FactorSpace((NumericFactor("a", "", -1, 1), NumericFactor("b", "", -1, 1)))
    model = quadratic_model(space)
    angle = 2 * np.pi * np.arange(7) / 7
    ring = model.matrix(
        np.vstack([np.column_stack([np.cos(angle), np.sin(angle)]), np.zeros((2, 2))])
    )
    found = optimal_runs(model, disc, 9, "D", rng(seed))
    assert disc(found.settings).all()
    assert found.value >= 0.995 * np.linalg.det(ring.T @ ring) ** (1 / 6) / 9
