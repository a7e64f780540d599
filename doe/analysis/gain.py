"""What runs are expected to buy: how much better the recommendation will be once they are known.

Outcomes of a run and the worth of other settings vary together over the truths that are still
open; from that follows how a recommendation would move with the outcome. A batch is made of the
runs whose outcomes, taken together, raise the worth of what is then recommended most.

Everything is worked out between columns whose mean product is their covariance: a row for each
truth, and one for each scatter beside them, which no truth knows of.

Shapes: p settings that may be run, c settings that may be best, e truths, w outcomes, r rows.

References
----------
Frazier, Powell, Dayanik 2009, INFORMS J. Comput. 21:599–613 (knowledge gradient for correlated
beliefs; from memory), here over drawn truths and for a batch.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.analysis.decision import Decision
from doe.factors import FloatArray

__all__ = ["Lookahead", "bought", "lookahead"]

OUTCOMES = 128
"""Of a Latin hypercube. On the published campaign in `designs/` their gains are nearer to those of
8,000 points than with 64 of Sobol's sequence (root mean square 0.00038 against 0.00051 of worth),
whose library takes longer to import than all of this to work out."""
MAY_BE_BEST = 250
TOLD_OUTCOMES, FOLDS = 512, 4
"""Outcomes over which the gain that is told is averaged; parts of the truths, of which each judges
what the others choose."""

Places = npt.NDArray[np.intp]


@dataclass(slots=True)
class Lookahead:
    """A batch in the making.

    Attributes
    ----------
    pool
        Places (p,) among the candidates of the settings that may be run.
    gain
        What the runs taken so far are expected to buy, in worth.
    """

    pool: Places
    gain: float
    _worths: FloatArray
    _outcomes: list[FloatArray]
    _day: list[FloatArray]
    """What the day that the batch has come to does to its runs (r, 1), by response."""
    _shifts: list[float]
    _scatters: list[float]
    _a_day: int
    _truths: int
    _reached: npt.NDArray[np.float32]
    _normal: FloatArray
    _start: float
    _taken: int = 0

    def gains(self) -> FloatArray:
        """Return what the batch would buy with each setting of the pool added (p,)."""
        moved = self._moved()
        moved += self._reached
        reached = moved.max(axis=1).mean(axis=1)
        return np.asarray(reached - self._start, dtype=np.float64)

    def take(self, place: int) -> None:
        """Add the setting at a place of the pool to the batch."""
        self.gain = max(float(self.gains()[place]), self.gain)
        self._reached = self._reached + self._moved([place])[0]
        for response, scatter in enumerate(self._scatters):
            self._add_row()
            seen = self._outcomes[response][:, [place]] + self._day[response]
            seen[-1] = scatter * np.sqrt(self._truths)
            spread = self._covariance(seen, seen)[0, 0] or 1.0
            self._worths -= seen * (self._covariance(seen, self._worths) / spread)
            for columns in (*self._outcomes, *self._day):
                columns -= seen * (self._covariance(seen, columns) / spread)
        self._taken += 1
        if self._taken % self._a_day == 0:
            self._begin_day()

    def _begin_day(self) -> None:
        for response, shift in enumerate(self._shifts):
            self._add_row()
            self._day[response] = np.zeros((len(self._worths), 1))
            self._day[response][-1] = shift * np.sqrt(self._truths)

    def _add_row(self) -> None:
        self._worths = _with_row(self._worths)
        self._outcomes = [_with_row(columns) for columns in self._outcomes]
        self._day = [_with_row(columns) for columns in self._day]

    def _covariance(self, a: FloatArray, b: FloatArray) -> FloatArray:
        return np.asarray(a.T @ b / self._truths)

    def _moved(self, only: Sequence[int] | None = None) -> npt.NDArray[np.float32]:
        """Return how worths move with each outcome (p, c, w) of each setting run."""
        count = len(self._outcomes)
        normal = self._normal[:, self._taken * count : (self._taken + 1) * count]
        slopes = []
        before: list[tuple[FloatArray, FloatArray]] = []
        for outcome, day, scatter in zip(self._outcomes, self._day, self._scatters, strict=True):
            rest = (outcome if only is None else outcome[:, list(only)]) + day
            for other, spread in before:
                rest = rest - other * ((other * rest).sum(axis=0) / self._truths / spread)
            spread = np.maximum((rest**2).sum(axis=0) / self._truths + scatter**2, 1e-300)
            slope = self._covariance(rest, self._worths) / np.sqrt(spread)[:, None]
            slopes.append(slope.astype(np.float32))
            before.append((rest, spread))
        return np.asarray(np.stack(slopes, axis=-1) @ normal.T.astype(np.float32))


def bought(
    decision: Decision,
    places: Sequence[int],
    generator: np.random.Generator,
    a_day: int | None = None,
) -> FloatArray:
    """Return what runs at candidates buy with each outcome (w,), in worth; on average the gain.

    So many as are made in `a_day` share a new day, all where that is not known.

    Notes
    -----
    How worths move with an outcome is known from the truths alone, and the highest of many is
    partly chance: most where limits make worths jump. So each part of the truths tells what the
    settings are worth that the others choose (sample splitting: Chernozhukov et al. 2018,
    Econometrics Journal 21:C1-C68; from memory), and runs that tell nothing buy nothing. How
    outcomes differ in it is told by all truths together, which scatter less, in that proportion.
    """
    from scipy.special import ndtri

    if not places:
        return np.zeros(TOLD_OUTCOMES)
    truths, may = decision.truths, _may_be_best(decision)
    middle = truths.mean(axis=0)[may]
    worths = truths[:, may] - middle
    told, n = [], len(places)
    day_of = np.arange(n) // (a_day or n)
    scatter = np.zeros((n * len(decision.responses),) * 2)
    for k, (outcome, day, run) in enumerate(_outcomes_at(decision, places)):
        told.append(outcome)
        same_day = day_of[:, None] == day_of
        scatter[k * n : (k + 1) * n, k * n : (k + 1) * n] = day**2 * same_day + run**2 * np.eye(n)
    outcomes = np.hstack(told)
    spread = outcomes.T @ outcomes / len(truths) + scatter
    spread += 1e-12 * np.diag(np.diagonal(spread))
    points = ndtri(_even_points(TOLD_OUTCOMES, len(spread), generator).clip(1e-6, 1 - 1e-6))
    seen = points @ np.linalg.inv(np.linalg.cholesky(spread))
    apart = 0.0
    part = generator.permutation(len(truths)) % FOLDS
    for fold in range(FOLDS):
        moves = [
            seen @ (outcomes[own].T @ worths[own]) / own.sum()
            for own in (part != fold, part == fold)
        ]
        chosen = (middle + moves[0]).argmax(axis=1)
        apart += (middle + moves[1])[np.arange(TOLD_OUTCOMES), chosen].mean() / FOLDS
    moved = middle + seen @ (outcomes.T @ worths) / len(truths)
    found = moved.max(axis=1) - moved[:, int(middle.argmax())]
    honest = max(apart - float(middle.max()), 0.0)
    return np.asarray(found * (honest / (found.mean() or 1.0)), dtype=np.float64)


def _may_be_best(decision: Decision) -> Places:
    """Return the candidates (c,) that may come out best, the best so far among them."""
    truths = decision.truths
    middle = truths.mean(axis=0)
    likely = np.argsort(-(middle + truths.std(axis=0)), kind="stable")[:MAY_BE_BEST]
    return np.union1d(likely, [decision.best, int(middle.argmax())])


def _outcomes_at(
    decision: Decision, places: Sequence[int]
) -> Iterator[tuple[FloatArray, float, float]]:
    """Yield by response what each truth has at candidates (e, p), less the mean, as modelled.

    With how much a day shifts such values, and a run scatters.
    """
    for response in decision.responses:
        own = decision.surrogates[response.name]
        values = decision.values[response.name][:, list(places)]
        modelled = np.log(np.maximum(values, 1e-300)) if own.logarithmic else values
        yield modelled - modelled.mean(axis=0), *own.usual_scatter


def _with_row(columns: FloatArray) -> FloatArray:
    return np.vstack([columns, np.zeros((1, columns.shape[1]))])


def lookahead(
    decision: Decision,
    pool: Sequence[int],
    most: int,
    generator: np.random.Generator,
    a_day: int | None = None,
) -> Lookahead:
    """Return an empty batch that takes up to `most` runs from a pool of candidates.

    So many as are made in `a_day` share a new day, all where that is not known: what one tells of
    the day counts for the others. What whole plots do counts with the scatter of runs.
    """
    from scipy.special import ndtri

    truths, may = decision.truths, _may_be_best(decision)
    middle = truths.mean(axis=0)[may]
    outcomes, shifts, scatters = map(list, zip(*_outcomes_at(decision, pool), strict=True))
    points = _even_points(OUTCOMES, max(1, most * len(outcomes)), generator)
    reached: npt.NDArray[np.float32] = np.repeat(
        middle[:, None].astype(np.float32), OUTCOMES, axis=1
    )
    found = Lookahead(
        np.asarray(pool, dtype=np.intp),
        0.0,
        truths[:, may] - middle,
        outcomes,
        [np.zeros((len(truths), 1)) for _ in outcomes],
        shifts,
        scatters,
        a_day or most + 1,
        len(truths),
        reached,
        ndtri(points.clip(1e-6, 1 - 1e-6)),
        float(middle.max()),
    )
    found._begin_day()
    return found


def _even_points(count: int, dimensions: int, generator: np.random.Generator) -> FloatArray:
    """Return points (count, dimensions) of the unit cube, one in each slice of every dimension.

    McKay, Beckman, Conover 1979, Technometrics 21:239–245 (Latin hypercube; from memory).
    """
    slices = generator.permuted(np.tile(np.arange(count), (dimensions, 1)), axis=1).T
    return np.asarray((slices + generator.random((count, dimensions))) / count)
