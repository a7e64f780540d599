"""Designs for a full quadratic model: Box–Behnken and central composite.

Points come from pyDOE3 where it is right and are checked here; the Box–Behnken designs for six and
seven factors and composites on a half fraction are our own. Centre runs are added last.

Shapes: n runs, k factors; coded units, every design inside −1..+1.
"""

from __future__ import annotations

import itertools
from typing import Literal

import numpy as np

from doe.design.screening import fraction_points, regular_fractions
from doe.errors import DesignError
from doe.factors import FloatArray

__all__ = [
    "AxialDistance",
    "axial_distance",
    "box_behnken",
    "central_composite",
    "composite_core_runs",
]

AxialDistance = Literal["face", "rotatable", "block-orthogonal"]

BOX_BEHNKEN_RUNS = {3: 12, 4: 24, 5: 40, 6: 48, 7: 56}  # without centre runs
COMPOSITE_FACTORS = range(2, 8)

# Box and Behnken 1960, Technometrics 2, 455–475 (from memory): the factors varied together.
TRIPLES = {
    6: ((0, 1, 3), (1, 2, 4), (2, 3, 5), (0, 3, 4), (1, 4, 5), (0, 2, 5)),
    7: ((3, 4, 5), (0, 5, 6), (1, 4, 6), (0, 1, 3), (2, 3, 6), (0, 2, 4), (1, 2, 5)),
}


def box_behnken(factors: int, centres: int = 3) -> FloatArray:
    """Return a Box–Behnken design (n, k): no run stands on a corner of the box.

    Without centre runs it has 12, 24, 40, 48 and 56 runs for 3 to 7 factors.

    Raises
    ------
    DesignError
        Fewer than three or more than seven factors.
    """
    _check_count("Box–Behnken design", factors, range(3, 8))
    if factors in TRIPLES:
        points = _from_triples(factors)
    else:
        from pyDOE3 import bbdesign

        points = np.asarray(bbdesign(int(factors), center=0), dtype=np.float64)
    _verify_box_behnken(points, factors)
    return _with_centres(points, centres)


def central_composite(
    factors: int,
    centres: int = 3,
    axial: AxialDistance = "face",
    *,
    core_centres: int | None = None,
) -> FloatArray:
    """Return a central composite design (n, k): two-level core, two axial runs a factor, centres.

    Ranges are hard limits, so where the axial distance α exceeds 1 the design is shrunk by it:
    axial runs stand at ±1 and the core at ±1/α. Five or more factors use the half fraction of the
    core (resolution V or more), which keeps every quadratic term estimable.

    Parameters
    ----------
    axial
        ``face``: α = 1, three levels. ``rotatable``: α = (core runs)^(1/4), variance the same in
        all directions. ``block-orthogonal``: core and axial runs may be done as two blocks.
    core_centres
        How many of the centre runs belong to the core's block (block-orthogonal only; half of
        them, rounded up, if not given).

    Raises
    ------
    DesignError
        Fewer than two or more than seven factors.
    """
    _check_count("central composite design", factors, COMPOSITE_FACTORS)
    alpha = axial_distance(factors, axial, centres, core_centres)
    if factors < 5 and axial != "block-orthogonal":
        points = _composite_by_library(factors, axial)
    else:
        core = fraction_points(regular_fractions(factors)[1 if factors >= 5 else 0])
        points = np.vstack([core / alpha, _axial_points(factors)])
    _verify_composite(points, factors, alpha)
    return _with_centres(points, centres)


def composite_core_runs(factors: int) -> int:
    """Return how many core runs the composite has: 2^k, or half of them from five factors on."""
    return int(2 ** (factors - 1 if factors >= 5 else factors))


def axial_distance(
    factors: int, axial: AxialDistance, centres: int = 3, core_centres: int | None = None
) -> float:
    """Return α, the axial distance where the core stands at ±1.

    Notes
    -----
    Rotatable: α = F^(1/4). Two orthogonal blocks: α² = F·(2k + c_A) / (2·(F + c_F)), F core runs
    with c_F centre runs, 2k axial runs with c_A centre runs (Montgomery, Design and Analysis of
    Experiments, equation 11-16 in the 5th edition).
    """
    core = composite_core_runs(factors)
    if axial == "face":
        return 1.0
    if axial == "rotatable":
        return float(core**0.25)
    with_core = (centres + 1) // 2 if core_centres is None else core_centres
    if not 0 <= with_core <= centres:
        raise ValueError("the core's centre runs must be part of the centre runs")
    return float(np.sqrt(core * (2 * factors + centres - with_core) / (2 * (core + with_core))))


def _composite_by_library(factors: int, axial: AxialDistance) -> FloatArray:
    from pyDOE3 import ccdesign

    face = "ccf" if axial == "face" else "cci"
    points = ccdesign(int(factors), center=(0, 0), alpha="rotatable", face=face)
    return np.asarray(points, dtype=np.float64)


def _axial_points(factors: int) -> FloatArray:
    return np.vstack([sign * np.eye(factors)[[i]] for i in range(factors) for sign in (-1.0, 1.0)])


def _from_triples(factors: int) -> FloatArray:
    rows = []
    for triple in TRIPLES[factors]:
        for signs in itertools.product((-1.0, 1.0), repeat=3):
            row = np.zeros(factors)
            row[list(triple)] = signs
            rows.append(row)
    return np.array(rows)


def _with_centres(points: FloatArray, centres: int) -> FloatArray:
    if centres < 0:
        raise ValueError("the number of centre runs cannot be negative")
    return np.vstack([points, np.zeros((centres, points.shape[1]))])


def _check_count(design: str, factors: int, allowed: range) -> None:
    if factors not in allowed:
        raise DesignError.of(
            "factor-count",
            f"A {design} is made for {allowed[0]} to {allowed[-1]} factors, not {factors}.",
            "Use an optimal design.",
        )


def _verify_box_behnken(points: FloatArray, factors: int) -> None:
    """Check size, levels, orthogonal columns, and that all factors are varied equally often."""
    runs = BOX_BEHNKEN_RUNS[factors]
    active = (points**2).sum(axis=0)
    _require(points.shape == (runs, factors), "its size is wrong")
    _require(bool(np.isin(points, (-1.0, 0.0, 1.0)).all()), "a level is not −1, 0 or +1")
    _require(bool((active == active[0]).all()), "the factors are not varied equally often")
    _require(bool((points.T @ points == np.diag(active)).all()), "factors are not orthogonal")


def _verify_composite(points: FloatArray, factors: int, alpha: float) -> None:
    """Check size, orthogonal columns, the levels ±1/α of the core and ±1 of the axial runs."""
    core_runs = composite_core_runs(factors)
    _require(points.shape == (core_runs + 2 * factors, factors), "its size is wrong")
    core, axial = points[:core_runs], points[core_runs:]
    _require(bool(np.allclose(np.abs(core), 1 / alpha)), "the core is not at the distance asked")
    _require(bool(np.allclose(np.abs(axial).sum(axis=1), 1.0)), "an axial run is misplaced")
    M = points.T @ points
    _require(bool(np.allclose(M, np.diag(np.diag(M)))), "factors are not orthogonal")


def _require(holds: bool, what: str) -> None:
    if not holds:
        raise DesignError.of(
            "surface-design-wrong",
            f"The design that was made fails its check: {what}.",
            "Ask for another family of design.",
        )
