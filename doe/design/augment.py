"""Runs that sharpen a model: which candidates, added to what was run, cut its variance most.

Shapes: n existing runs, c candidates, k factors, p columns.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from doe.design.optimal import exchange_gains, exchanged, moment_matrix
from doe.errors import DesignError
from doe.factors import FloatArray
from doe.terms import Model

__all__ = ["sharpening_points"]

RIDGE = 1e-6  # keeps X'X invertible while the runs do not yet carry the model
GAIN_LEAST = 1e-9
PASSES = 20
SAME_SETTING = 9  # decimals in coded units


def sharpening_points(
    model: Model,
    existing_coded: FloatArray,
    candidates_coded: FloatArray,
    count: int,
    *,
    allow_repeats: bool = False,
) -> tuple[int, ...]:
    """Return `count` candidates that, added together, most reduce the average variance.

    The prediction variance is averaged over the candidates. Points are picked one after another,
    then exchanged for better ones until no exchange helps.

    Parameters
    ----------
    existing_coded
        Runs already there (n, k) in coded units; may be too few for the model.
    candidates_coded
        Points (c, k) to choose from, in coded units.
    allow_repeats
        Whether a point may repeat an existing run or be picked twice.

    Returns
    -------
    tuple of int
        Positions among the candidates, in the order they were picked.

    Raises
    ------
    DesignError
        Too few different candidates, or the model cannot be estimated even with them.
    """
    F = model.matrix(candidates_coded)
    X = model.matrix(existing_coded)
    weights = moment_matrix(model, candidates_coded)
    free = np.ones(len(F), dtype=np.bool_)
    if not allow_repeats:
        free = _new_and_first(existing_coded, candidates_coded)
    if count > free.sum() and not (allow_repeats and free.any()):
        raise DesignError.of(
            "too-few-candidates",
            f"{count} new runs are asked for and {int(free.sum())} settings are left to choose"
            " from.",
            "Ask for fewer runs, or allow repeats.",
        )
    inverse: FloatArray = np.asarray(np.linalg.inv(X.T @ X + RIDGE * np.eye(X.shape[1])))
    picked: list[int] = []
    for _ in range(count):
        best = _best_addition(inverse, weights, F, free)
        inverse = _added(inverse, F[best])
        picked.append(best)
        free[best] = allow_repeats
    picked = _exchange_pairwise(inverse, weights, F, free, picked, allow_repeats)
    if np.linalg.matrix_rank(np.vstack([X, F[picked]])) < len(model):
        raise DesignError.of(
            "cannot-estimate",
            f"{len(X)} runs and {count} new ones cannot estimate the {len(model)} terms of the"
            f" model ({model.name}).",
            "Ask for more runs, or aim at a smaller model.",
        )
    return tuple(picked)


def _new_and_first(existing: FloatArray, candidates: FloatArray) -> npt.NDArray[np.bool_]:
    """Tell which candidates (c,) repeat neither an existing run nor an earlier candidate."""
    rows = np.round(np.vstack([existing, candidates]), SAME_SETTING) + 0.0
    first = np.zeros(len(rows), dtype=np.bool_)
    first[np.unique(rows, axis=0, return_index=True)[1]] = True
    return first[len(existing) :]


def _best_addition(
    inverse: FloatArray, weights: FloatArray, F: FloatArray, free: npt.NDArray[np.bool_]
) -> int:
    """Return the candidate that takes most off tr(M⁻¹W): a(x, x) / (1 + d(x, x))."""
    spread = inverse @ weights @ inverse
    fall = np.einsum("ij,ij->i", F @ spread, F) / (1 + np.einsum("ij,ij->i", F @ inverse, F))
    return int(np.argmax(np.where(free, fall, -np.inf)))


def _added(inverse: FloatArray, x: FloatArray) -> FloatArray:
    u = inverse @ x
    return np.asarray(inverse - np.outer(u, u) / (1 + x @ u), dtype=np.float64)


def _exchange_pairwise(
    inverse: FloatArray,
    weights: FloatArray,
    F: FloatArray,
    free: npt.NDArray[np.bool_],
    picked: list[int],
    allow_repeats: bool,
) -> list[int]:
    """Return the picked candidates after exchanging each for a better one while that helps."""
    picked = list(picked)
    for _ in range(PASSES):
        improved = False
        for place, now in enumerate(picked):
            spread = inverse @ weights @ inverse
            trace = np.array([np.trace(inverse @ weights)])
            gains = exchange_gains(inverse[None], spread[None], trace, F[None], F[None, now])[0]
            best = int(np.argmax(np.where(free, gains, -np.inf)))
            if not free[best] or gains[best] <= GAIN_LEAST:
                continue
            inverse = exchanged(inverse[None], F[None, best], F[None, now])[0]
            free[now], free[best] = True, allow_repeats
            picked[place] = best
            improved = True
        if not improved:
            break
    return picked
