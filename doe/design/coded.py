"""Runs of a classical design before they meet a rig: coded points, what each is for, its block.

Shapes: n runs, k factors. Every column is coded: −1 and +1 are the ends of a numeric factor's
range or the two levels of a categorical one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from doe.factors import CategoricalFactor, FactorSpace, FloatArray

__all__ = ["CodedRuns"]


@dataclass(frozen=True)
class CodedRuns:
    """Coded points (n, k), the kind of each run, and the block (from 1) it belongs to."""

    points: FloatArray
    kinds: tuple[str, ...]
    blocks: tuple[int, ...]

    def __post_init__(self) -> None:
        if {len(self.kinds), len(self.blocks)} != {len(self.points)}:
            raise ValueError("kinds and blocks must have one entry a run")
        self.points.setflags(write=False)

    def __len__(self) -> int:
        return len(self.points)

    @classmethod
    def of_kind(cls, points: FloatArray, kind: str, block: int = 1) -> CodedRuns:
        """Return runs that are all of one kind and in one block."""
        return cls(np.array(points), (kind,) * len(points), (block,) * len(points))

    def followed_by(self, other: CodedRuns) -> CodedRuns:
        """Return these runs and then the others."""
        return CodedRuns(
            np.vstack([self.points, other.points]),
            self.kinds + other.kinds,
            self.blocks + other.blocks,
        )

    def settings(self, space: FactorSpace) -> FloatArray:
        """Return the settings (n, k) in real units, not yet rounded to what can be set.

        −1 and +1 are the first and second level of a categorical factor, which must have two.
        """
        settings = space.decode(self.points)
        for i in space.categorical:
            factor = space.factors[i]
            if isinstance(factor, CategoricalFactor) and len(factor.levels) != 2:
                raise ValueError(f"{factor.name} has {len(factor.levels)} levels instead of two")
            settings[:, i] = (self.points[:, i] + 1) / 2
        return settings

    def with_centres(self, count: int, categorical: Sequence[int] = ()) -> CodedRuns:
        """Return the runs with `count` centre runs in each block.

        A two-level categorical factor (its position in `categorical`) has no middle: it takes its
        levels in turn, so that two centre runs differ in it and four hold two repeats.
        """
        if count < 0:
            raise ValueError("the number of centre runs cannot be negative")
        points = np.zeros((count, self.points.shape[1]))
        points[:, list(categorical)] = np.where(np.arange(count) % 2, 1.0, -1.0)[:, None]
        runs = self
        for block in dict.fromkeys(self.blocks):
            runs = runs.followed_by(CodedRuns.of_kind(points, "centre", block))
        return runs

    def replicated(self, times: int) -> CodedRuns:
        """Return every run that is not a centre run `times` times, each copy in the same block."""
        if times < 1:
            raise ValueError("a run is done at least once")
        more = [i for i, kind in enumerate(self.kinds) if kind != "centre"] * (times - 1)
        order = [*range(len(self)), *more]
        return CodedRuns(
            self.points[order],
            tuple(self.kinds[i] for i in order),
            tuple(self.blocks[i] for i in order),
        )
