"""Which feedstock lot each run is made of, so that lots are told apart from days and settings.

Shapes: n runs, l lots, p columns of the model matrix.
"""

from __future__ import annotations

import itertools
from collections.abc import Hashable, Iterator, Sequence

import numpy as np
import numpy.typing as npt

from doe.factors import FloatArray

__all__ = ["shared_out"]

SLACK_G = 1e-6
RIDGE = 1e-6
"""Added to the information's diagonal, so that runs too few for the model still compare."""
PASSES_MOST = 20


def shared_out(
    amounts_g: Sequence[float],
    masses_g: FloatArray,
    groups: Sequence[Hashable],
    X: FloatArray,
    generator: np.random.Generator,
) -> tuple[int, ...]:
    """Return the lot of each run (n,), counted from 0.

    Every lot gets as even a share of the feedstock as the amounts allow, spread evenly along the
    order of the runs; then lots are swapped between runs of a group as long as that lets model
    and lots be estimated better together (determinant of their information). Where the amounts
    are not enough, runs are put on the lot of which most is left.

    Parameters
    ----------
    amounts_g
        What may be used of each lot (l,).
    masses_g
        What each run takes (n,), runs in the order they are made.
    groups
        What the lots are balanced over, for each run: block, day, whole plot.
    X
        Model matrix (n, p).

    Notes
    -----
    Along the order each next run is given to the lot that is furthest behind its share, so that
    within any stretch of runs, such as a day, no lot is ahead by more than about one run.
    """
    amounts = np.asarray(amounts_g, dtype=np.float64)
    lots = _along_the_order(amounts, masses_g, generator)
    if len(amounts) > 1:
        _swap(lots, amounts, masses_g, groups, X)
    return tuple(int(lot) for lot in lots)


def _along_the_order(
    amounts: FloatArray, masses: FloatArray, generator: np.random.Generator
) -> npt.NDArray[np.intp]:
    shares = _shares(amounts, float(masses.sum()))
    first = generator.permutation(len(amounts)) * 1e-9  # who goes first where lots are level
    used, gone = np.zeros(len(amounts)), 0.0
    lots = np.zeros(len(masses), dtype=np.intp)
    for i, mass in enumerate(masses.tolist()):
        gone += mass
        behind = shares * gone - used - first
        left = amounts - used - mass
        fits = left >= -SLACK_G
        lots[i] = int(np.where(fits, behind, -np.inf).argmax() if fits.any() else left.argmax())
        used[lots[i]] += mass
    return lots


def _shares(amounts: FloatArray, needed: float) -> FloatArray:
    """Return each lot's share of what is needed: alike, but none more than there is of it."""
    if amounts.sum() <= needed:
        return np.asarray(amounts / max(amounts.sum(), SLACK_G))
    given = np.zeros(len(amounts))
    for place, lot in enumerate(np.argsort(amounts, kind="stable")):
        given[lot] = min(amounts[lot], (needed - given.sum()) / (len(amounts) - place))
    return given / needed


def _swap(
    lots: npt.NDArray[np.intp],
    amounts: FloatArray,
    masses: FloatArray,
    groups: Sequence[Hashable],
    X: FloatArray,
) -> None:
    """Swap lots between runs of a group while that raises the determinant; `lots` is changed."""
    best = _log_determinant(X, lots, len(amounts))
    for _ in range(PASSES_MOST):
        before = best
        for i, j in _pairs(groups):
            if lots[i] == lots[j] or not _may_swap(lots, amounts, masses, i, j):
                continue
            lots[i], lots[j] = lots[j], lots[i]
            now = _log_determinant(X, lots, len(amounts))
            if now > best + 1e-9:
                best = now
            else:
                lots[i], lots[j] = lots[j], lots[i]
        if best == before:
            return


def _pairs(groups: Sequence[Hashable]) -> Iterator[tuple[int, int]]:
    members: dict[Hashable, list[int]] = {}
    for i, group in enumerate(groups):
        members.setdefault(group, []).append(i)
    for rows in members.values():
        yield from itertools.combinations(rows, 2)


def _may_swap(
    lots: npt.NDArray[np.intp], amounts: FloatArray, masses: FloatArray, i: int, j: int
) -> bool:
    """Whether after swapping no lot lacks more than it did."""
    used = np.bincount(lots, masses, len(amounts))
    after = used.copy()
    after[lots[i]] += masses[j] - masses[i]
    after[lots[j]] += masses[i] - masses[j]
    return bool((after <= np.maximum(used, amounts) + SLACK_G).all())


def _log_determinant(X: FloatArray, lots: npt.NDArray[np.intp], count: int) -> float:
    Z = np.eye(count)[lots]
    columns = np.hstack([X, Z[:, :-1] - Z[:, [-1]]])
    return float(np.linalg.slogdet(columns.T @ columns + RIDGE * np.eye(columns.shape[1]))[1])
