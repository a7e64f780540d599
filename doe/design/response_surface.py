"""Designs for a full quadratic model: Box–Behnken, central composite and Doehlert.

All are built from two-level factorials in numpy and checked here, which is shorter than the half
second that importing pyDOE3 takes; pyDOE3 has no blocks, no fractional cores, and wrong Box–Behnken
designs above five factors and wrong Doehlert ones. Where it is right the tests hold the points
against it. Centre runs are added last, or last in each block.

Shapes: n runs, k factors; coded units, every design inside −1..+1 unless told otherwise.
"""

from __future__ import annotations

import itertools
from typing import Literal

import numpy as np
import numpy.typing as npt

from doe.design.coded import CodedRuns
from doe.design.screening import (
    Effect,
    Fraction,
    fraction_points,
    full_factorial,
    regular_fractions,
)
from doe.errors import DesignError
from doe.factors import FloatArray

__all__ = [
    "AxialDistance",
    "axial_distance",
    "box_behnken",
    "box_behnken_runs",
    "central_composite",
    "composite_core_runs",
    "composite_runs",
    "doehlert",
]

AxialDistance = Literal["face", "rotatable", "spherical", "block-orthogonal"]

BOX_BEHNKEN_RUNS = {3: 12, 4: 24, 5: 40, 6: 48, 7: 56}  # without centre runs
COMPOSITE_FACTORS = range(2, 8)
DOEHLERT_FACTORS = range(2, 8)
ROUND_OFF = 1e-9

# Box and Behnken 1960, Technometrics 2, 455–475 (from memory): the factors varied together, a row
# a block. The four designs in blocks: pairs in turn (four and five factors), halves of each 2³ by
# the sign of its product (six and seven). Three factors have no orthogonal blocks.
TOGETHER: dict[int, tuple[tuple[Effect, ...], ...]] = {
    3: (((0, 1), (0, 2), (1, 2)),),
    4: (((0, 1), (2, 3)), ((0, 3), (1, 2)), ((0, 2), (1, 3))),
    5: (
        ((0, 1), (1, 2), (2, 3), (3, 4), (0, 4)),
        ((0, 2), (2, 4), (1, 4), (1, 3), (0, 3)),
    ),
    6: (((0, 1, 3), (1, 2, 4), (2, 3, 5), (0, 3, 4), (1, 4, 5), (0, 2, 5)),),
    7: (((3, 4, 5), (0, 5, 6), (1, 4, 6), (0, 1, 3), (2, 3, 6), (0, 2, 4), (1, 2, 5)),),
}


def box_behnken(factors: int, centres: int = 3) -> FloatArray:
    """Return a Box–Behnken design (n, k): no run stands on a corner of the box.

    Without centre runs it has 12, 24, 40, 48 and 56 runs for 3 to 7 factors.

    Raises
    ------
    DesignError
        Fewer than three or more than seven factors.
    """
    return box_behnken_runs(factors, centres).points


def box_behnken_runs(factors: int, centres: int = 3, *, blocked: bool = False) -> CodedRuns:
    """Return a Box–Behnken design, on request in its published orthogonal blocks.

    Blocked it has three blocks for four factors and two for five to seven; `centres` is then the
    number of centre runs in each block.

    Raises
    ------
    DesignError
        Fewer than three or more than seven factors, or blocks for three factors.
    """
    _check_count("Box–Behnken design", factors, range(3, 8))
    if blocked and factors == 3:
        raise DesignError.of(
            "no-blocks",
            "A Box–Behnken design for three factors has no orthogonal blocks.",
            "Use a central composite design in blocks, or do it as one block.",
        )
    rows: list[FloatArray] = []
    blocks: list[int] = []
    for number, sets in enumerate(TOGETHER[factors], start=1):
        for varied in sets:
            corners = full_factorial(len(varied))
            part = np.zeros((len(corners), factors))
            part[:, varied] = corners
            rows.append(part)
            halves = np.where(corners.prod(axis=1) < 0, 1, 2) if len(varied) == 3 else number
            blocks.extend(np.broadcast_to(halves, len(part)).tolist())
    points = np.vstack(rows)
    _verify_box_behnken(points, factors)
    if not blocked:
        return CodedRuns.of_kind(points, "edge").with_centres(centres)
    order = np.argsort(blocks, kind="stable")
    in_blocks = tuple(int(blocks[i]) for i in order)
    runs = CodedRuns(points[order], ("edge",) * len(points), in_blocks).with_centres(centres)
    _verify_blocks(runs)
    return _by_block(runs)


def central_composite(
    factors: int,
    centres: int = 3,
    axial: AxialDistance | float = "face",
    *,
    core_centres: int | None = None,
) -> FloatArray:
    """Return a central composite design (n, k) in one piece: core, axial runs, centre runs.

    As `composite_runs`, but with the centre runs at the end. `core_centres` says how many of them
    belong to the core's block (block-orthogonal only; half, rounded up, if not given).

    Raises
    ------
    DesignError
        Fewer than two or more than seven factors.
    """
    _check_count("central composite design", factors, COMPOSITE_FACTORS)
    alpha = axial_distance(factors, axial, centres, core_centres)
    return composite_runs(factors, alpha, core_centres=0, axial_centres=centres).points


def composite_runs(
    factors: int,
    axial: AxialDistance | float = "face",
    *,
    fraction: Fraction | None = None,
    core_blocks: int | None = None,
    core_centres: int = 0,
    axial_centres: int = 3,
    inscribed: bool = True,
) -> CodedRuns:
    """Return a central composite design: two-level core, two axial runs a factor, centre runs.

    Parameters
    ----------
    axial
        The axial distance α where the core stands at ±1, or how to find it: ``face``, α = 1, three
        levels; ``rotatable``, the variance the same in all directions; ``spherical``, α = √k;
        ``block-orthogonal``, core and axial runs may be done as blocks.
    fraction
        The core, if not the usual one: the full factorial, from five factors on its half fraction.
    core_blocks
        None for one block in all. Otherwise the core is cut into this many blocks (1, 2, 4 …), and
        the axial runs are a block more; with ``block-orthogonal`` no block biases any term.
    core_centres, axial_centres
        Centre runs in each block of the core, and with the axial runs.
    inscribed
        Whether the design is shrunk by α > 1, so that axial runs stand at ±1 and the core at ±1/α:
        ranges are hard limits. If not, axial runs reach ±α.

    Raises
    ------
    DesignError
        A number of factors or blocks that has no such design, an axial distance that is not
        positive, or a core on which the full quadratic model cannot be estimated.
    """
    _check_count("central composite design", factors, COMPOSITE_FACTORS)
    core = _usual_core(factors) if fraction is None else fraction
    if core.factors != factors:
        raise ValueError("the core must have as many factors as the design")
    blocks = 1 if core_blocks is None else core_blocks
    labels = _core_blocks(core, blocks)
    alpha = _alpha(core, axial, blocks * core_centres, axial_centres)
    scale = max(alpha, 1.0) if inscribed else 1.0
    corners = fraction_points(core) / scale
    star = _axial_points(factors) * alpha / scale
    order = np.argsort(labels, kind="stable")
    first = CodedRuns(corners[order], ("corner",) * len(corners), tuple(labels[order].tolist()))
    last = CodedRuns.of_kind(star, "axial", blocks + 1)
    _verify_composite(corners, star, alpha, scale)
    runs = _by_block(first.with_centres(core_centres)).followed_by(last.with_centres(axial_centres))
    if core_blocks is None:
        return _in_one_block(runs)
    if axial == "block-orthogonal":
        _verify_blocks(runs)
    return runs


def _usual_core(factors: int) -> Fraction:
    """Return the full factorial, from five factors on its half fraction of the highest resolution.

    Resolution V or more keeps every term of the quadratic model estimable.
    """
    return regular_fractions(factors)[1 if factors >= 5 else 0]


def composite_core_runs(factors: int) -> int:
    """Return how many core runs the composite has: 2^k, or half of them from five factors on."""
    return int(2 ** (factors - 1 if factors >= 5 else factors))


def _core_blocks(core: Fraction, blocks: int) -> npt.NDArray[np.int_]:
    """Return the block (from 1) of each core run (n,), no block mixed with a main effect or pair.

    Raises
    ------
    DesignError
        The core has no such blocks; the most it has is named.
    """
    points = fraction_points(core)
    count = round(np.log2(max(blocks, 1)))
    fits = 2**count == blocks and blocks * (core.factors + 1) <= core.runs
    words = _block_words(core, count) if fits or blocks == 1 else None
    if words is None:
        room = int(np.log2(core.runs / (core.factors + 1)))  # a block holds k + 1 runs at least
        possible = [2**p for p in range(room + 1) if _block_words(core, p) is not None]
        raise DesignError.of(
            "no-blocks",
            f"A core of {core.runs} runs in {core.factors} factors cannot be done in {blocks}"
            " blocks.",
            "It can be done as one block."
            if len(possible) == 1
            else f"It can be done in {', '.join(map(str, possible[:-1]))} or {possible[-1]}.",
        )
    numbers = np.ones(len(points), dtype=np.int_)
    for power, word in enumerate(words):
        numbers += 2**power * (points[:, word].prod(axis=1) > 0)
    return numbers


def _block_words(core: Fraction, count: int) -> tuple[Effect, ...] | None:
    """Return effects whose signs cut the core into 2^count blocks; None if there are none.

    Their products with one another and with the defining relation all hold three factors or more,
    so that main effects and two-factor interactions stay clear of the blocks.
    """
    factors = range(core.factors)
    longest_first = [
        word
        for size in range(core.factors, 2, -1)
        for word in itertools.combinations(factors, size)
    ]
    own = frozenset({frozenset(word) for word in core.words} | {frozenset()})
    return _extended(own, longest_first, count)


def _extended(
    group: frozenset[frozenset[int]], words: list[Effect], count: int
) -> tuple[Effect, ...] | None:
    if count == 0:
        return ()
    for place, word in enumerate(words):
        coset = {member ^ frozenset(word) for member in group}
        if min(len(member) for member in coset) < 3:
            continue
        rest = _extended(group | coset, words[place + 1 :], count - 1)
        if rest is not None:
            return (word, *rest)
    return None


def axial_distance(
    factors: int,
    axial: AxialDistance | float,
    centres: int = 3,
    core_centres: int | None = None,
) -> float:
    """Return α, the axial distance where the core stands at ±1, for the usual core.

    Raises
    ------
    DesignError
        A distance that is not positive.

    Notes
    -----
    Rotatable: α = F^(1/4). Spherical: α = √k. Orthogonal blocks: α² = F·(2k + c_A) / (2·(F + c_F)),
    F core runs with c_F centre runs, 2k axial runs with c_A centre runs (Montgomery, Design and
    Analysis of Experiments, equation 11-16 in the 5th edition).
    """
    with_core = (centres + 1) // 2 if core_centres is None else core_centres
    if not 0 <= with_core <= centres:
        raise ValueError("the core's centre runs must be part of the centre runs")
    return _alpha(_usual_core(factors), axial, with_core, centres - with_core)


def doehlert(factors: int, centres: int = 1, *, fill_ranges: bool = True) -> CodedRuns:
    """Return a Doehlert design: k² + k points of a shell and the centre, evenly spaced.

    The factors have different numbers of levels: the first five, the last three, those between
    seven, so put the factor that is costliest to set last. The vertices of a regular simplex with
    one at the origin, and all differences of two vertices (Doehlert 1970, Applied Statistics 19,
    231–239, from memory).

    Parameters
    ----------
    fill_ranges
        Whether each factor is stretched to −1..+1. If not, all points but the centre stand at
        radius 1, and every point at distance 1 from its nearest.

    Raises
    ------
    DesignError
        Fewer than two or more than seven factors.
    """
    _check_count("Doehlert design", factors, DOEHLERT_FACTORS)
    vertices = _simplex(factors)
    differences = vertices[:, None, :] - vertices[None, :, :]
    points = differences[~np.eye(factors + 1, dtype=np.bool_)]
    _verify_doehlert(points, factors)
    if fill_ranges:
        points = points / np.abs(points).max(axis=0)
    return CodedRuns.of_kind(np.round(points, 12) + 0.0, "shell").with_centres(centres)


def _simplex(factors: int) -> FloatArray:
    """Return k + 1 points (k + 1, k), all at distance 1 from one another, the first at 0."""
    vertices = np.zeros((factors + 1, factors))
    for i in range(factors):
        vertices[i + 1, :i] = vertices[1 : i + 1, :i].sum(axis=0) / (i + 1)
        vertices[i + 1, :i] += vertices[0, :i] / (i + 1)
        vertices[i + 1, i] = np.sqrt(1.0 - (vertices[i + 1, :i] ** 2).sum())
    return vertices


def _alpha(
    core: Fraction, axial: AxialDistance | float, core_centres: int, axial_centres: int
) -> float:
    if axial == "face":
        return 1.0
    if axial == "rotatable":
        return float(core.runs**0.25)
    if axial == "spherical":
        return float(np.sqrt(core.factors))
    if axial == "block-orthogonal":
        share = (2 * core.factors + axial_centres) / (core.runs + core_centres)
        return float(np.sqrt(core.runs * share / 2))
    distance = float(axial)
    if not 0 < distance < np.inf:
        raise DesignError.of(
            "axial-distance",
            f"An axial distance of {distance:g} is not possible.",
            "Give a number above 0, in units of the distance of the core.",
        )
    return distance


def _axial_points(factors: int) -> FloatArray:
    return np.vstack([sign * np.eye(factors)[[i]] for i in range(factors) for sign in (-1.0, 1.0)])


def _by_block(runs: CodedRuns) -> CodedRuns:
    order = np.argsort(runs.blocks, kind="stable")
    return CodedRuns(
        runs.points[order],
        tuple(runs.kinds[i] for i in order),
        tuple(runs.blocks[i] for i in order),
    )


def _in_one_block(runs: CodedRuns) -> CodedRuns:
    """Return the runs as one block, centre runs last."""
    order = np.argsort([kind == "centre" for kind in runs.kinds], kind="stable")
    kinds = tuple(runs.kinds[i] for i in order)
    return CodedRuns(runs.points[order], kinds, (1,) * len(runs))


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
    _require(_carries_quadratic(points), "it does not carry the full quadratic model")


def _verify_composite(corners: FloatArray, star: FloatArray, alpha: float, scale: float) -> None:
    """Check levels, orthogonal columns, and that the core carries the quadratic model."""
    points = np.vstack([corners, star])
    _require(bool(np.allclose(np.abs(corners), 1 / scale)), "the core is misplaced")
    _require(
        bool(np.allclose(np.abs(star).sum(axis=1), alpha / scale)), "an axial run is misplaced"
    )
    M = points.T @ points
    _require(bool(np.allclose(M, np.diag(np.diag(M)))), "factors are not orthogonal")
    if not _carries_quadratic(points):
        raise DesignError.of(
            "core-too-small",
            f"On a core of {len(corners)} runs the full quadratic model cannot be estimated.",
            "Use a core of resolution V or more, or an optimal design.",
        )


def _verify_blocks(runs: CodedRuns) -> None:
    """Check that every second-order term but the intercept has the same mean in all blocks.

    That is the condition for blocks to leave its estimate alone (Box and Hunter 1957, Annals of
    Mathematical Statistics 28, 195–241, from memory).
    """
    terms = _second_order(runs.points)
    blocks = np.asarray(runs.blocks)
    means = np.array([terms[blocks == block].mean(axis=0) for block in np.unique(blocks)])
    _require(bool(np.ptp(means, axis=0).max() < ROUND_OFF), "a block is mixed with a term")


def _verify_doehlert(points: FloatArray, factors: int) -> None:
    """Check size, radius 1, and distance 1 from each point to its nearest."""
    _require(points.shape == (factors * (factors + 1), factors), "its size is wrong")
    _require(bool(np.allclose((points**2).sum(axis=1), 1.0)), "a point is off the shell")
    apart = ((points[:, None, :] - points[None, :, :]) ** 2).sum(axis=2) + 9 * np.eye(len(points))
    _require(bool(np.allclose(apart.min(axis=1), 1.0)), "the points are not evenly spaced")


def _second_order(points: FloatArray) -> FloatArray:
    """Return main effects, squares and two-factor interactions (n, k + k(k + 1)/2)."""
    k = points.shape[1]
    pairs = itertools.combinations_with_replacement(range(k), 2)
    return np.column_stack([points, *(points[:, i] * points[:, j] for i, j in pairs)])


def _carries_quadratic(points: FloatArray) -> bool:
    """Whether the runs and a centre run carry the full quadratic model."""
    k = points.shape[1]
    terms = _second_order(np.vstack([points, np.zeros((1, k))]))
    X = np.column_stack([np.ones(len(terms)), terms])
    return bool(np.linalg.matrix_rank(X) == X.shape[1])


def _require(holds: bool, what: str) -> None:
    if not holds:
        raise DesignError.of(
            "surface-design-wrong",
            f"The design that was made fails its check: {what}.",
            "Ask for another family of design.",
        )
