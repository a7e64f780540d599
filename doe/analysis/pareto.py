"""What can be had of one response only at the cost of another: settings that nothing beats.

Shapes: n candidates, k factors, r responses.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from doe.analysis.fit import FittedModel, Prediction
from doe.analysis.optimum import judged
from doe.factors import Feasible, FloatArray

if TYPE_CHECKING:
    from doe.analysis.decision import Decision
    from doe.analysis.surrogate import Surrogate

__all__ = ["Choice", "choices", "choices_of", "figures_of_merit", "undominated"]

SHOWN = 8
POLISHES = 12
WEIGHED = 48
"""Of settings that nothing beats, spread over all of them: so many are told apart pair by pair."""
DRAWN = 256


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
    merits = figures_of_merit(fits, candidates, level)
    front = np.flatnonzero(undominated(merits))
    taken = _ordered(merits, front[_thinned(merits[front], most)])
    return _told({fit.response.name: fit for fit in fits}, candidates[taken], level)


def choices_of(
    decision: Decision, feasible: Feasible, *, most: int = SHOWN, level: float = 0.95
) -> tuple[Choice, ...]:
    """Return settings that no others beat by what the recommended settings rest on.

    Among the settings it looked at and, around the choices, what can be set within two steps of all
    factors at once (in five factors and more within one). A limit counts by the chance that one new
    run keeps it. Each choice is better than each other in some response by
    more than the intervals of the two means, so none costs what the runs can tell for what they
    cannot; the one for the sake of a response is as good in it as the best, as far as they tell.
    """
    if len(decision.responses) < 2:
        return ()
    taken = _weighed(decision, _front(decision, WEIGHED), most, level)
    for _ in range(POLISHES):
        decision = decision.with_neighbours(decision.candidates[taken], feasible)
        better = _unbeaten_for(decision.merits, taken)
        if (better == taken).all():
            break
        taken = better
    taken = _weighed(decision, np.unique(taken), most, level)
    return _told(decision.surrogates, decision.candidates[taken], level)


def _unbeaten_for(merits: FloatArray, taken: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    """Return for each of some rows itself, or of those that beat it the one that does by most."""
    spread = np.ptp(merits, axis=0)
    gains = (merits[None] - merits[taken][:, None]) / np.where(spread > 0, spread, 1.0)
    gain = np.where((gains >= 0).all(axis=2), gains.sum(axis=2), 0.0)
    return np.where(gain.max(axis=1) > 0, gain.argmax(axis=1), taken)


def _front(decision: Decision, most: int) -> npt.NDArray[np.intp]:
    """Return so many of the candidates that nothing beats, spread over all of them."""
    front = np.flatnonzero(undominated(decision.merits))
    return np.asarray(front[_thinned(decision.merits[front], most)])


def _weighed(
    decision: Decision, front: npt.NDArray[np.intp], most: int, level: float
) -> npt.NDArray[np.intp]:
    """Return those of some unbeaten candidates that are a choice for a person, in order."""
    settings = decision.candidates[front]
    generator = np.random.default_rng([*decision.seed, len(front)])
    each = (decision.surrogates[response.name] for response in decision.responses)
    apart = np.stack([_told_apart(own, settings, level, generator) for own in each], axis=2)
    merits = decision.merits[front]
    better = (apart & (merits[:, None] > merits[None])).any(axis=2)
    choice = np.asarray(better & better.T, dtype=np.bool_)
    return _ordered(decision.merits, front[_thinned(merits, most, apart, choice)])


def _told_apart(
    own: Surrogate, settings: FloatArray, level: float, generator: np.random.Generator
) -> npt.NDArray[np.bool_]:
    """Return between which settings (m, m) the interval of the change leaves out no change.

    From surfaces drawn as the runs allow them: means near each other stray together.
    """
    drawn = own.paths(settings, DRAWN, generator)
    drawn = np.log(drawn) if own.logarithmic else drawn
    drawn = drawn - drawn.mean(axis=1, keepdims=True)  # what all share changes no difference
    covariance = np.atleast_2d(np.cov(drawn.T))
    size = np.diag(covariance)
    sd = np.sqrt((size[:, None] + size - 2 * covariance).clip(min=0.0))
    mean = drawn.mean(axis=0)
    wide = NormalDist().inv_cdf((1 + level) / 2)
    return np.asarray(np.abs(mean[:, None] - mean) > wide * sd)


def _ordered(merits: FloatArray, taken: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
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
    as_good = np.ones((len(merits), len(merits)), dtype=np.bool_)  # row as good as column
    for column in merits.T:
        as_good &= column[:, None] >= column
    alike = as_good & as_good.T
    beaten = (as_good & ~alike).any(axis=0)
    return np.asarray(~(beaten | np.triu(alike, 1).any(axis=0)))


def _thinned(
    merits: FloatArray,
    most: int,
    apart: npt.NDArray[np.bool_] | None = None,
    choice: npt.NDArray[np.bool_] | None = None,
) -> npt.NDArray[np.intp]:
    """Return the rows to show: the best in each column, then the furthest from those taken.

    Parameters
    ----------
    apart
        Which rows are told apart in each column (n, n, r); any that differ where not given.
    choice
        Which two rows (n, n) are a choice for a person; any two where not given.
    """
    spread = np.ptp(merits, axis=0)
    scaled = (merits - merits.min(axis=0)) / np.where(spread > 0, spread, 1.0)
    # Of equally good rows the one best in the others, so that no extreme is needlessly lopsided.
    rest = scaled.sum(axis=1)
    taken: list[int] = []
    left = np.ones(len(merits), dtype=np.bool_)

    def take(row: int) -> None:
        taken.append(row)
        left[:] &= np.arange(len(left)) != row if choice is None else choice[row]

    for j, column in enumerate(scaled.T):
        best = int(np.lexsort((rest, column))[-1])
        if apart is not None:
            best = int(np.argmax(np.where(apart[best, :, j], -np.inf, rest)))
        if left[best] and len(taken) < most:
            take(best)
    distance = np.min([np.linalg.norm(scaled - scaled[i], axis=1) for i in taken], axis=0)
    while len(taken) < most and (distance * left).max() > 1e-9:
        take(int(np.argmax(distance * left)))
        distance = np.minimum(distance, np.linalg.norm(scaled - scaled[taken[-1]], axis=1))
    return np.array(taken, dtype=np.intp)
