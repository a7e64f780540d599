"""Combinations of settings that the person forbids, as limits beside those of the rig.

Shapes: n settings, k factors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from doe.factors import CategoricalFactor, FactorSpace, FloatArray, NumericFactor
from doe.rig import Envelope, Limit

__all__ = ["Condition", "Forbidden", "with_forbidden"]


@dataclass(frozen=True, slots=True)
class Condition:
    """What one factor must be for a combination to be forbidden.

    Above or below `value` (real units, the value itself not counted), or at one of the levels
    with the indices `levels`.
    """

    factor: int
    sense: Literal["above", "below", "is"]
    value: float = 0.0
    levels: tuple[int, ...] = ()

    def excess(self, space: FactorSpace, settings: FloatArray) -> FloatArray:
        """Return by how much of its range a factor is beyond the condition (n,); held above 0."""
        factor, at = space.factors[self.factor], settings[:, self.factor]
        if isinstance(factor, NumericFactor):
            beyond = at - self.value if self.sense == "above" else self.value - at
            return np.asarray(beyond / (factor.high - factor.low))
        return np.where(np.isin(np.round(at), self.levels), 1.0, -1.0)

    def words(self, space: FactorSpace) -> str:
        factor = space.factors[self.factor]
        if isinstance(factor, CategoricalFactor):
            return f"{factor.name} {' or '.join(factor.levels[i] for i in self.levels)}"
        return f"{factor.name} {self.sense} {self.value:g} {factor.unit}".rstrip()


@dataclass(frozen=True, slots=True)
class Forbidden:
    """A combination never to be run: all its conditions at once. `because` is why."""

    name: str
    conditions: tuple[Condition, ...]
    because: str

    def excess(self, space: FactorSpace, settings: FloatArray) -> FloatArray:
        """Return how deep settings (n, k) lie in it, as shares of the ranges (n,)."""
        beyond = np.array([each.excess(space, settings) for each in self.conditions])
        return np.asarray(beyond.min(axis=0))

    def words(self, space: FactorSpace) -> str:
        return " with ".join(each.words(space) for each in self.conditions)


def with_forbidden(
    envelope: Envelope, forbidden: Sequence[Forbidden], space: FactorSpace, settings: FloatArray
) -> Envelope:
    """Return the rig's verdict on settings (n, k) with a column for each forbidden combination."""
    if not forbidden:
        return envelope
    excess = np.column_stack([each.excess(space, settings) for each in forbidden])
    own = len(envelope.limits)

    def explain(i: int, j: int) -> str:
        if j < own:
            return envelope.sentence(i, j)
        each = forbidden[j - own]
        if excess[i, j - own] > 0:
            return (
                f"{each.words(space)}: forbidden in campaign.toml ({each.because}). Leave the "
                f"combination, or change [forbidden.{each.name}]."
            )
        return f"{each.words(space)}: forbidden in campaign.toml; this run keeps out of it."

    return replace(
        envelope,
        limits=(*envelope.limits, *(_limit(each, space) for each in forbidden)),
        value=np.hstack([envelope.value, excess]),
        allowed=np.hstack([envelope.allowed, np.zeros_like(excess)]),
        margin=np.hstack([envelope.margin, -excess]),
        explain=explain,
    )


def _limit(each: Forbidden, space: FactorSpace) -> Limit:
    return Limit(f"forbidden-{each.name}", f"Not {each.words(space)}", "of the range", "at most")
