"""Definitive screening designs: three levels, main effects clear of every second-order term.

Made from conference matrices C (zero diagonal, ±1 elsewhere, C'C = (m − 1)·I) as the runs C, −C
and the centre (Xiao, Lin and Bai 2012, Journal of Quality Technology 44, 2–8; Jones and Nachtsheim
2011, the same, 43, 1–15; both from memory). Every property that the family is chosen for is
checked on the points.

Shapes: n runs, k factors, m order of the conference matrix.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from doe.design.coded import CodedRuns
from doe.errors import DesignError
from doe.factors import FloatArray

__all__ = [
    "DEFINITIVE_FACTORS",
    "conference_matrix",
    "definitive_screening",
    "definitive_screening_size",
]

DEFINITIVE_FACTORS = range(4, 15)
ALL_SIGNS_MOST = 4  # categorical factors up to which every choice of signs is tried (256 designs)


def conference_matrix(order: int) -> FloatArray:
    """Return a conference matrix (m, m) for m = 4, 6, 8, 10, 12 or 14.

    Paley's construction: the field of q = m − 1 elements, +1 where the difference of two elements
    is a square, −1 where it is not, with a border that makes the matrix symmetric (q = 5, 9, 13)
    or skew (q = 3, 7, 11).
    """
    if order not in range(4, 15, 2):
        raise ValueError("conference matrices are made here for even orders from 4 to 14")
    core = _squares_of_differences(order - 1)
    C = np.zeros((order, order))
    C[0, 1:] = 1.0
    C[1:, 0] = 1.0 if order % 4 == 2 else -1.0
    C[1:, 1:] = core
    if ((order - 1) * np.eye(order) != C.T @ C).any():
        raise _wrong("its conference matrix is not orthogonal")
    return C


def definitive_screening_size(factors: int, categorical: int = 0, spare: int = 0) -> int:
    """Return the runs of a definitive screening design, the centre included."""
    order = _order(factors, spare)
    return 2 * order + (2 if categorical else 1)


def definitive_screening(
    factors: int, categorical: Sequence[int] = (), *, spare: int = 0
) -> CodedRuns:
    """Return a definitive screening design for 4 to 14 factors.

    With all factors numeric it has 2m + 1 runs, m the number of factors and `spare` columns, made
    even. Main effects are orthogonal to one another and to every two-factor interaction and square.

    Two-level categorical factors cannot stand at 0: their zeros become −1 and +1, one in each run
    of a mirrored pair, and there are two centre runs that mirror one another (2m + 2 runs). Main
    effects stay orthogonal to every second-order term; those of categorical factors are slightly
    correlated with the other main effects, with the signs chosen for the least loss.

    Parameters
    ----------
    categorical
        Positions of the two-level categorical factors; at least one factor must be numeric.
    spare
        Columns left unused: each pair of them adds four runs to judge the scatter by.

    Raises
    ------
    DesignError
        A number of factors that the construction does not reach.

    References
    ----------
    Jones and Nachtsheim 2013, Journal of Quality Technology 45, 121–129, for two-level categorical
    factors, the construction by pairs of mirrored runs (from memory).
    """
    order = _order(factors, spare)
    half = conference_matrix(order)[:, :factors]
    named = sorted(set(categorical))
    if not named:
        points = np.vstack([half, -half, np.zeros((1, factors))]) + 0.0
        centres = 1
    else:
        if not set(named) < set(range(factors)):
            raise ValueError("categorical positions must leave at least one numeric factor")
        half = _with_signs(np.vstack([half, np.zeros((1, factors))]), named)
        points = np.vstack([half[:-1], -half[:-1], half[-1:], -half[-1:]]) + 0.0
        centres = 2
    _verify(points, named, order)
    return CodedRuns(points, ("screening",) * 2 * order + ("centre",) * centres, (1,) * len(points))


def _order(factors: int, spare: int) -> int:
    most = DEFINITIVE_FACTORS[-1]
    if factors not in DEFINITIVE_FACTORS:
        remedy = "Use a factorial or an optimal design." if factors < 4 else "Hold some constant."
        raise DesignError.of(
            "factor-count",
            f"A definitive screening design is made for {DEFINITIVE_FACTORS[0]} to {most} factors,"
            f" not {factors}.",
            remedy,
        )
    if spare < 0 or factors + spare > most:
        raise DesignError.of(
            "spare-columns",
            f"{factors} factors leave 0 to {most - factors} spare columns, not {spare}.",
            f"Ask for {most - factors} at most.",
        )
    return factors + spare + (factors + spare) % 2


def _squares_of_differences(q: int) -> FloatArray:
    """Return +1, −1 or 0 (q, q) for differences that are squares in the field, or not, or zero."""
    if q != 9:
        squares = {x * x % q for x in range(1, q)}
        sign = {0: 0, **{x: 1 if x in squares else -1 for x in range(1, q)}}
        return np.array([[float(sign[(a - b) % q]) for b in range(q)] for a in range(q)])
    field = [(a, b) for a in range(3) for b in range(3)]  # a + b·i over the integers modulo 3
    squares_9 = {((a * a - b * b) % 3, 2 * a * b % 3) for a, b in field} - {(0, 0)}

    def sign_of(x: tuple[int, int], y: tuple[int, int]) -> float:
        difference = ((x[0] - y[0]) % 3, (x[1] - y[1]) % 3)
        return 0.0 if difference == (0, 0) else 1.0 if difference in squares_9 else -1.0

    return np.array([[sign_of(x, y) for y in field] for x in field])


def _with_signs(half: FloatArray, named: Sequence[int]) -> FloatArray:
    """Return half a design (n/2, k) with the zeros of categorical columns set for the best D."""
    zeros = [(int(row), i) for i in named for row in np.flatnonzero(half[:, i] == 0)]
    rows, columns = zip(*zeros, strict=True)
    signs = np.ones(len(zeros))
    if len(named) <= ALL_SIGNS_MOST:
        choices = [np.array(c) for c in itertools.product((1.0, -1.0), repeat=len(zeros))]
        signs = max(choices, key=lambda c: _determinant(half, rows, columns, c))
    else:
        signs = _ascended(half, rows, columns, signs)
    filled = half.copy()
    filled[rows, columns] = signs
    return filled


def _ascended(
    half: FloatArray, rows: Sequence[int], columns: Sequence[int], signs: FloatArray
) -> FloatArray:
    """Return signs that no change of one sign improves."""
    best = _determinant(half, rows, columns, signs)
    improved = True
    while improved:
        improved = False
        for i in range(len(signs)):
            trial = signs.copy()
            trial[i] = -trial[i]
            value = _determinant(half, rows, columns, trial)
            if value > best * (1 + 1e-9):
                signs, best, improved = trial, value, True
    return signs


def _determinant(
    half: FloatArray, rows: Sequence[int], columns: Sequence[int], signs: FloatArray
) -> float:
    filled = half.copy()
    filled[rows, columns] = signs
    return round(float(np.linalg.det(filled.T @ filled)), 6)


def _verify(points: FloatArray, named: Sequence[int], order: int) -> None:
    """Check levels, mirrored pairs, and main effects clear of one another and second order."""
    k = points.shape[1]
    pairs = [points[:, i] * points[:, j] for i in range(k) for j in range(i, k)]
    numeric = [i for i in range(k) if i not in named]
    if (points.T @ np.column_stack([np.ones(len(points)), *pairs]) != 0).any():
        raise _wrong("a main effect is not orthogonal to every second-order term")
    M = points[:, numeric].T @ points[:, numeric]
    if (2 * (order - 1) * np.eye(len(numeric)) != M).any():
        raise _wrong("the main effects are not orthogonal")
    if not np.isin(points, (-1.0, 0.0, 1.0)).all() or (points[:, list(named)] == 0).any():
        raise _wrong("a level is not one of those that the factor has")
    if np.linalg.matrix_rank(points) < k:
        raise _wrong("two factors cannot be told apart")


def _wrong(what: str) -> Exception:
    return DesignError.of(
        "definitive-wrong",
        f"The definitive screening design that was made fails its check: {what}.",
        "Ask for another family of design.",
    )
