"""Box–Behnken, central composite and Doehlert designs against the handbook and Montgomery."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from doe.design import response_surface
from doe.design.coded import CodedRuns
from doe.design.evaluation import prediction_variance
from doe.design.response_surface import (
    axial_distance,
    box_behnken,
    box_behnken_runs,
    central_composite,
    composite_runs,
    doehlert,
)
from doe.design.screening import Fraction, fraction_points, regular_fractions
from doe.errors import DesignError
from doe.factors import FactorSpace, NumericFactor
from doe.terms import quadratic_model

REFERENCE = Path(__file__).parents[1] / "reference" / "design"
NIST = json.loads((REFERENCE / "nist_design_tables.json").read_text())
BLOCKS = list(
    csv.DictReader((REFERENCE / "mont_ccd_orthogonal_blocks.csv").read_text().splitlines())
)


def model(k: int):
    return quadratic_model(FactorSpace(tuple(NumericFactor(f"x{i}", "", -1, 1) for i in range(k))))


@pytest.mark.parametrize("k", [3, 4, 5, 6])
def test_box_behnken_run_counts_against_nist_5_3_3_6(k):
    centres = {3: 3, 4: 3, 5: 6, 6: 6}[k]
    assert len(box_behnken(k, centres)) == NIST["bbd_runs"][str(k)]


def test_box_behnken_three_factors_against_nist_table_3_24():
    """The twelve middles of the edges of the cube, each once."""
    edges = {
        tuple(row)
        for row in np.array(np.meshgrid(*[[-1.0, 0.0, 1.0]] * 3)).reshape(3, -1).T
        if np.count_nonzero(row) == 2
    }
    assert {tuple(row) for row in box_behnken(3, 0)} == edges
    assert len(box_behnken(3, 0)) == 12


@pytest.mark.parametrize(("k", "in_triples", "pair"), [(6, 24, None), (7, 24, 8)])
def test_box_behnken_from_triples_is_balanced(k, in_triples, pair):
    """Box and Behnken 1960 (from memory): every factor in three blocks of eight; for seven
    factors every pair together in one block (a Steiner triple system)."""
    points = box_behnken(k, 3)
    varied = np.abs(points)
    assert (varied.sum(axis=0) == in_triples).all()
    together = (varied.T @ varied)[~np.eye(k, dtype=bool)]
    if pair:
        assert (together == pair).all()
    assert np.linalg.matrix_rank(model(k).matrix(points)) == len(model(k))


@pytest.mark.parametrize("k", [2, 3, 4])
def test_rotatable_distance_against_nist_table_3_22(k):
    assert axial_distance(k, "rotatable") == pytest.approx(NIST["ccd_alpha"][str(k)], abs=5e-4)


@pytest.mark.parametrize("k", [5, 6])
def test_rotatable_distance_on_half_fraction_against_nist_table_3_22(k):
    printed = NIST["ccd_alpha"][f"{k}_half"]
    assert axial_distance(k, "rotatable") == pytest.approx(printed, abs=5e-4)


@pytest.mark.parametrize("row", [r for r in BLOCKS if r["k"] in ("2", "3", "4", "5h", "6h")])
def test_block_orthogonal_distance_against_montgomery_table_11_11(row):
    with_core = int(row["factorial_blocks"]) * int(row["centre_per_factorial_block"])
    centres = with_core + int(row["centre_axial"])
    found = axial_distance(int(row["k"][0]), "block-orthogonal", centres, with_core)
    assert found == pytest.approx(float(row["alpha_orthogonal_printed"]), abs=5e-5)
    design = central_composite(
        int(row["k"][0]), centres, "block-orthogonal", core_centres=with_core
    )
    assert len(design) == int(row["total"])


def test_inscribed_core_against_nist_table_3_25():
    """k = 3 on the range 10..20: core at 12 and 18, axial runs at 10 and 20."""
    settings = 15 + 5 * central_composite(3, 6, "rotatable")
    assert len(settings) == NIST["ccd_runs"]["3"]
    assert set(np.round(settings[:8, 0]).astype(int)) == {12, 18}
    assert sorted(set(np.round(settings[8:10, 0], 9))) == [10.0, 20.0]


@pytest.mark.parametrize("k", [2, 3, 4, 5, 6])
def test_rotatable_design_predicts_equally_well_in_all_directions(k):
    directions = np.random.default_rng(1).normal(size=(50, k))
    directions /= np.linalg.norm(directions, axis=1)[:, None]
    variance = prediction_variance(model(k), central_composite(k, 5, "rotatable"), 0.7 * directions)
    assert variance == pytest.approx(variance[0])


@pytest.mark.parametrize("k", range(2, 8))
def test_face_centred_design_has_three_levels_and_carries_the_model(k):
    points = central_composite(k, 3)
    assert set(np.unique(points)) == {-1.0, 0.0, 1.0}
    assert np.linalg.matrix_rank(model(k).matrix(points)) == len(model(k))
    assert (points[-3:] == 0).all()


@pytest.mark.parametrize("k", [3, 4, 5])
def test_box_behnken_against_pydoe3_where_it_is_right(k):
    from pyDOE3 import bbdesign

    assert same_runs(bbdesign(k, center=0), box_behnken(k, 0))


@pytest.mark.parametrize("k", [2, 3, 4])
@pytest.mark.parametrize(("face", "axial"), [("ccf", "face"), ("cci", "rotatable")])
def test_composites_against_pydoe3(k, face, axial):
    from pyDOE3 import ccdesign

    other = ccdesign(k, center=(0, 0), alpha="rotatable", face=face)
    assert same_runs(other, central_composite(k, 0, axial))


@pytest.mark.parametrize("k", [2, 3, 4, 5])
def test_circumscribed_composite_against_pydoe3(k):
    """The whole factorial as core, axial runs outside the box."""
    from pyDOE3 import ccdesign

    other = ccdesign(k, center=(0, 0), alpha="rotatable", face="ccc")
    own = composite_runs(
        k, "rotatable", fraction=regular_fractions(k)[0], axial_centres=0, inscribed=False
    )
    assert same_runs(other, own.points)


@pytest.mark.parametrize("k", [2, 3, 4, 5])
def test_blocked_composite_against_nist_tables_3_29_to_3_32(k):
    """The same runs in the same blocks. Three factors are printed with the rotatable distance."""
    text = (REFERENCE / f"nist_ccd_blocked_k{k}.csv").read_text()
    printed = np.array(list(csv.reader(text.splitlines()))[1:], dtype=float)
    core_blocks, core_centres, axial_centres = {
        2: (1, 3, 3),
        3: (2, 2, 2),
        4: (2, 2, 2),
        5: (1, 6, 1),
    }[k]
    runs = composite_runs(
        k,
        "rotatable" if k == 3 else "block-orthogonal",
        core_blocks=core_blocks,
        core_centres=core_centres,
        axial_centres=axial_centres,
        inscribed=False,
    )
    for block in np.unique(printed[:, 0]):
        expected = printed[printed[:, 0] == block, 1:]
        assert same_runs(expected, runs.points[np.array(runs.blocks) == block], places=5)


def core_of(name: str) -> Fraction:
    factors = int(name[0])
    return regular_fractions(factors)[1 if name.endswith("h") else 0]


@pytest.mark.parametrize("row", BLOCKS, ids=lambda r: r["k"])
def test_orthogonal_blocks_against_montgomery_table_11_11(row):
    """Counts and α as printed, but for seven factors: there the two α are swapped, and the total
    of the half replicate is 90 where 80 is printed (see the README beside the data)."""
    k = int(row["k"][0])
    swapped = {"7": "3.3333"}
    totals = {"7h": "90"}
    core = core_of(row["k"])
    runs = composite_runs(
        k,
        "block-orthogonal",
        fraction=core,
        core_blocks=int(row["factorial_blocks"]),
        core_centres=int(row["centre_per_factorial_block"]),
        axial_centres=int(row["centre_axial"]),
        inscribed=False,
    )
    alpha = float(swapped.get(row["k"], row["alpha_orthogonal_printed"]))
    assert runs.points.max() == pytest.approx(alpha, abs=5e-5)
    assert len(runs) == int(totals.get(row["k"], row["total"]))
    assert runs.kinds.count("corner") == int(row["n_factorial"])
    assert not mixed_with_blocks(runs, k)


@pytest.mark.parametrize("k", [4, 5, 6, 7])
def test_box_behnken_in_blocks(k):
    """Box and Behnken 1960 (from memory): three blocks of 9 for four factors, two of 23, 27 and 31
    for five to seven, with the handbook's totals for four to six."""
    blocks, centres, size = {4: (3, 1, 9), 5: (2, 3, 23), 6: (2, 3, 27), 7: (2, 3, 31)}[k]
    runs = box_behnken_runs(k, centres, blocked=True)
    assert [runs.blocks.count(b) for b in range(1, blocks + 1)] == [size] * blocks
    assert same_runs(runs.points, box_behnken(k, blocks * centres))
    assert not mixed_with_blocks(runs, k)
    if k < 7:
        assert len(runs) == NIST["bbd_runs"][str(k)]


def test_three_factors_have_no_box_behnken_blocks():
    with pytest.raises(DesignError, match="no orthogonal blocks"):
        box_behnken_runs(3, blocked=True)


def test_blocks_that_a_core_does_not_have_are_refused_with_those_it_has():
    with pytest.raises(DesignError, match=r"in 4 blocks\. It can be done in 1 or 2"):
        composite_runs(4, core_blocks=4)
    with pytest.raises(DesignError, match=r"in 3 blocks\. It can be done in 1, 2 or 4"):
        composite_runs(5, core_blocks=3, fraction=regular_fractions(5)[0])


def test_any_axial_distance():
    inside, outside = composite_runs(3, 1.5), composite_runs(3, 1.5, inscribed=False)
    assert outside.points.max() == 1.5
    assert inside.points == pytest.approx(outside.points / 1.5)
    assert composite_runs(3, 0.8).points.max() == 1.0  # the core stays at the corners
    assert axial_distance(4, "spherical") == pytest.approx(2.0)
    with pytest.raises(DesignError, match="axial distance of -1 is not possible"):
        composite_runs(3, -1.0)


def test_a_core_too_small_for_the_interactions_is_refused():
    """2^(4−1), resolution IV, has pairs of interactions equal; 2^(5−1), V, has not."""
    with pytest.raises(DesignError, match="core of 8 runs"):
        composite_runs(4, fraction=regular_fractions(4)[1])
    small = composite_runs(5, fraction=regular_fractions(5)[1], axial_centres=1).points
    assert np.linalg.matrix_rank(model(5).matrix(small)) == len(model(5))


def test_a_small_core_of_resolution_three_carries_the_model_with_the_axial_runs():
    """Hartley 1959 (from memory): main effects may be aliased with pairs, pairs not with pairs."""
    runs = composite_runs(3, 1.5, fraction=regular_fractions(3)[1], axial_centres=1)
    assert len(runs) == 4 + 6 + 1
    assert np.linalg.matrix_rank(model(3).matrix(runs.points)) == 10


@pytest.mark.parametrize("k", range(2, 8))
def test_doehlert_is_evenly_spaced(k):
    """Doehlert 1970: k² + k + 1 runs, all but the centre at radius 1 and 1 from their nearest."""
    points = doehlert(k, fill_ranges=False).points
    distances = np.linalg.norm(points[:, None] - points[None, :], axis=2)
    np.fill_diagonal(distances, np.inf)
    assert len(points) == k * k + k + 1
    assert np.linalg.norm(points, axis=1)[:-1] == pytest.approx(np.ones(k * k + k))
    assert distances.min(axis=1) == pytest.approx(np.ones(len(points)))
    assert np.linalg.matrix_rank(model(k).matrix(doehlert(k).points)) == len(model(k))
    assert np.abs(doehlert(k).points).max(axis=0) == pytest.approx(np.ones(k))


def test_doehlert_for_two_and_three_factors_against_the_printed_coordinates():
    """From memory: (0.5, 0.866), and for three factors (0.5, 0.289, 0.816); 5, 7 and 3 levels."""
    two = {tuple(np.round(p, 3)) for p in doehlert(2, 0, fill_ranges=False).points}
    signs = [-1, 1]
    expected = {(s, 0.0) for s in signs} | {(0.5 * s, 0.866 * t) for s in signs for t in signs}
    assert two == expected
    three = doehlert(3, fill_ranges=False).points
    assert (0.5, 0.289, 0.816) in {tuple(np.round(p, 3)) for p in three}
    assert [len(np.unique(three[:, i])) for i in range(3)] == [5, 7, 3]


def test_wrong_points_do_not_pass_the_checks(monkeypatch):
    """A slip in the published table of factors varied together is noticed."""
    right = response_surface.TOGETHER
    monkeypatch.setitem(right, 6, ((*right[6][0][:-1], (0, 2, 4)),))
    with pytest.raises(DesignError, match="not varied equally often"):
        box_behnken(6)
    monkeypatch.setitem(right, 5, (right[5][0], right[5][1][:-1]))
    with pytest.raises(DesignError, match="size is wrong"):
        box_behnken(5)
    monkeypatch.setattr(response_surface, "fraction_points", lambda f: fraction_points(f) * 0.9)
    with pytest.raises(DesignError, match="core is misplaced"):
        composite_runs(3)


@pytest.mark.parametrize(
    ("make", "k"),
    [(box_behnken_runs, k) for k in range(3, 8)] + [(composite_runs, k) for k in range(2, 8)],
)
def test_all_factors_are_estimated_equally_well(make, k):
    """So it does not matter which factor takes which column."""
    X = model(k).matrix(make(k).points)
    variance = np.diag(np.linalg.inv(X.T @ X))
    mains, squares = variance[1 : k + 1], variance[-k:]
    assert mains == pytest.approx([mains[0]] * k)
    assert squares == pytest.approx([squares[0]] * k)


def test_the_rotatable_distance_of_nist_table_3_30_mixes_blocks_a_little_with_terms():
    """The handbook's 1.6818 where 1.6330 is needed; see the README beside the data."""
    blocks = {"core_blocks": 2, "core_centres": 2, "axial_centres": 2}
    assert mixed_with_blocks(composite_runs(3, "rotatable", **blocks), 3)
    assert not mixed_with_blocks(composite_runs(3, "block-orthogonal", **blocks), 3)


def same_runs(a, b, places: int = 9) -> bool:
    """Whether two sets of runs hold the same points equally often, in any order."""
    a, b = (np.round(np.asarray(x), places) + 0.0 for x in (a, b))
    return sorted(map(tuple, a)) == sorted(map(tuple, b))


def mixed_with_blocks(runs: CodedRuns, k: int) -> bool:
    """Whether fitting blocks besides the model changes any coefficient but the intercept's.

    By two fits of one response with an arbitrary difference between blocks.
    """
    generator = np.random.default_rng(5)
    X = model(k).matrix(runs.points)
    blocks = np.array(runs.blocks)
    shift = generator.normal(size=blocks.max() + 1)[blocks]
    coefficients = np.linalg.lstsq(X, shift, rcond=None)[0]
    return bool(np.abs(coefficients[1:]).max() > 1e-8)


def test_designs_that_do_not_exist_are_refused():
    with pytest.raises(DesignError, match="3 to 7 factors, not 2"):
        box_behnken(2)
    with pytest.raises(DesignError, match="2 to 7 factors, not 8"):
        central_composite(8)
