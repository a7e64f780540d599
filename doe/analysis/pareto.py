"""What can be had of one response only at the cost of another: settings that nothing beats.

Shapes: n candidates, k factors, r responses.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from doe.analysis.fit import FittedModel, Prediction
from doe.analysis.optimum import judged
from doe.factors import FloatArray

if TYPE_CHECKING:
    from doe.analysis.decision import Decision
    from doe.analysis.surrogate import Surrogate

__all__ = ["Choice", "choices", "choices_of", "figures_of_merit", "undominated"]

SHOWN = 8


@dataclass(frozen=True, slots=True, eq=False)
class Choice:
    """Settings (k,) that no other feasible ones beat in every response, and what is predicted."""

    settings: FloatArray
    predictions: Mapping[str, Prediction]


def choices(
    fits: Sequence[FittedModel], candidates: FloatArray, *, most: int = SHOWN, level: float = 0.95
) -> tuple[Choice, ...]:
    """Return settings among the candidates (n, k) that no others beat by the fitted polynomials.

    Thinned to tell apart: the best for each response is always among them, then those furthest
    from the ones taken, each response counted in shares of its range among the unbeaten. Ordered
    by the first response, its best first. Empty with a single response: there is nothing to weigh.
    """
    if len(fits) < 2 or not len(candidates):
        return ()
    taken = _taken(figures_of_merit(fits, candidates, level), most)
    return _told({fit.response.name: fit for fit in fits}, candidates[taken], level)


def choices_of(decision: Decision, *, most: int = SHOWN, level: float = 0.95) -> tuple[Choice, ...]:
    """Return `choices` by what the recommended settings rest on, among the settings it looked at.

    A limit counts by the chance that one new run keeps it.
    """
    if len(decision.responses) < 2:
        return ()
    taken = _taken(decision.merits, most)
    return _told(decision.surrogates, decision.candidates[taken], level)


def _taken(merits: FloatArray, most: int) -> npt.NDArray[np.intp]:
    front = np.flatnonzero(undominated(merits))
    taken = front[_thinned(merits[front], most)]
    return np.asarray(taken[np.lexsort(-merits[taken][:, ::-1].T)])


def _told(
    models: Mapping[str, FittedModel] | Mapping[str, Surrogate], settings: FloatArray, level: float
) -> tuple[Choice, ...]:
    found = {name: model.predict(settings, level) for name, model in models.items()}
    return tuple(
        Choice(at, {name: predicted.at(i) for name, predicted in found.items()})
        for i, at in enumerate(settings)
    )


def figures_of_merit(
    fits: Sequence[FittedModel], settings: FloatArray, level: float = 0.95
) -> FloatArray:
    """Return for each setting and response (n, r) a figure of which more is better.

    The predicted mean, its negative where less is wanted; the negative distance from a target;
    for a limit by how much the bound of a new run oversteps it, negative, 0 where it keeps it:
    keeping a limit by more is worth nothing.
    """
    columns = []
    for fit in fits:
        response, figure = fit.response, judged(fit, settings, level)
        if response.aim == "target":
            columns.append(-np.abs(figure - (response.target or 0.0)))
        elif response.limit is not None and response.aim in ("below", "above"):
            sign = 1.0 if response.aim == "above" else -1.0
            columns.append(np.minimum(sign * (figure - response.limit), 0.0))
        else:
            columns.append(figure if response.aim == "maximise" else -figure)
    return np.column_stack(columns)


def undominated(merits: FloatArray) -> npt.NDArray[np.bool_]:
    """Return which rows (n, r) no other row beats: as good in all columns and better in one.

    Of equal rows the first is kept.
    """
    order = np.lexsort(-merits[:, ::-1].T)  # what dominates a row comes before it
    front: list[int] = []
    kept = np.empty((0, merits.shape[1]))
    for i in order:
        if not (kept >= merits[i]).all(axis=1).any():
            front.append(int(i))
            kept = merits[front]
    mask = np.zeros(len(merits), dtype=np.bool_)
    mask[front] = True
    return mask


def _thinned(merits: FloatArray, most: int) -> npt.NDArray[np.intp]:
    """Return the rows to show: the best in each column, then the furthest from those taken."""
    spread = np.ptp(merits, axis=0)
    scaled = (merits - merits.min(axis=0)) / np.where(spread > 0, spread, 1.0)
    # Of equally good rows the one best in the others, so that no extreme is needlessly lopsided.
    rest = scaled.sum(axis=1)
    taken = list(dict.fromkeys(int(np.lexsort((rest, column))[-1]) for column in scaled.T))[:most]
    apart = np.min([np.linalg.norm(scaled - scaled[i], axis=1) for i in taken], axis=0)
    while len(taken) < most and apart.max() > 1e-9:
        taken.append(int(np.argmax(apart)))
        apart = np.minimum(apart, np.linalg.norm(scaled - scaled[taken[-1]], axis=1))
    return np.array(taken, dtype=np.intp)
