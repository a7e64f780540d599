"""Box–Behnken and central composite designs against the handbook and Montgomery."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from doe.design.evaluation import prediction_variance
from doe.design.response_surface import axial_distance, box_behnken, central_composite
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


def test_points_from_the_library_are_checked(monkeypatch):
    """pyDOE3 once gave wrong designs without a word; whatever it returns is looked at."""
    import pyDOE3

    right = box_behnken(4, 0)
    wrong = right.copy()
    wrong[0, 0] = -wrong[0, 0]
    monkeypatch.setattr(pyDOE3, "bbdesign", lambda n, center: wrong)
    with pytest.raises(DesignError, match="not orthogonal"):
        box_behnken(4, 0)
    monkeypatch.setattr(pyDOE3, "bbdesign", lambda n, center: right[:-1])
    with pytest.raises(DesignError, match="size is wrong"):
        box_behnken(4, 0)


def test_designs_that_do_not_exist_are_refused():
    with pytest.raises(DesignError, match="3 to 7 factors, not 2"):
        box_behnken(2)
    with pytest.raises(DesignError, match="2 to 7 factors, not 8"):
        central_composite(8)
