"""What can be set at the rig: factors, their coded units, and the settings a person can dial in.

A setting of k factors is a row of k floats in real units, in the order of the space; a
categorical factor stands there as the index of its level. Coded rows have −1 at a numeric
factor's low end and +1 at its high end; categorical columns stay level indices, and become
contrasts only in `terms`.

Shapes: n settings, k factors.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import numpy.typing as npt

from doe.quantities import unit_slug

__all__ = [
    "CategoricalFactor",
    "Factor",
    "FactorSpace",
    "Feasible",
    "FloatArray",
    "NumericFactor",
    "feasible_settings",
    "level_key",
    "levels_without",
    "sample_box",
    "whole_box",
]

FloatArray = npt.NDArray[np.float64]
Change = Literal["easy", "hard", "very hard"]
Feasible = Callable[[FloatArray], npt.NDArray[np.bool_]]
"""Tells for each of n settings (n, k) in real units whether the rig can run it."""

CANDIDATES_MAX = 20_000


@dataclass(frozen=True, slots=True)
class NumericFactor:
    """A factor with a range; `step` is the finest change that can be set, None if continuous."""

    name: str
    unit: str
    low: float
    high: float
    step: float | None = None
    change: Change = "easy"
    suffix: str | None = None

    @property
    def column(self) -> str:
        """Name of its column in ledgers, sheets and JSON, with the unit: ``temperature_C``."""
        suffix = unit_slug(self.unit) if self.suffix is None else self.suffix
        return f"{self.name}_{suffix}" if suffix else self.name

    @property
    def centre(self) -> float:
        return (self.low + self.high) / 2

    @property
    def half_range(self) -> float:
        return (self.high - self.low) / 2

    @property
    def decimals(self) -> int:
        """Decimals that show every settable value (six figures where there is no step)."""
        if self.step is None:
            return max(0, 3 - int(np.floor(np.log10(self.high - self.low))))
        return next((d for d in range(10) if abs(round(self.step, d) - self.step) < 1e-12), 10)

    def settable(self, values: FloatArray) -> FloatArray:
        """Return the nearest settable values inside the range; steps count from zero."""
        inside = np.clip(values, self.low, self.high)
        if self.step is None:
            return np.asarray(np.round(inside, self.decimals), dtype=np.float64)
        first, last = self._first_and_last_step()
        steps = np.clip(np.round(inside / self.step), first, last)
        return np.asarray(np.round(steps * self.step, self.decimals), dtype=np.float64)

    def settable_values(self, most: int) -> FloatArray:
        """Return at most `most` settable values, evenly spread and with both ends."""
        if self.step is None:
            return np.linspace(self.low, self.high, most)
        first, last = self._first_and_last_step()
        count = int(last - first) + 1
        picks = np.unique(np.round(np.linspace(first, last, min(most, count))))
        return np.asarray(np.round(picks * self.step, self.decimals), dtype=np.float64)

    def settable_around(self, low: float, high: float) -> tuple[float, float]:
        """Return the nearest settable values that leave neither end out, inside the range."""
        step, slack = self.step or 10.0**-self.decimals, 1e-9
        ends = np.floor(low / step + slack) * step, np.ceil(high / step - slack) * step
        first, last = np.round(np.clip(ends, self.low, self.high), self.decimals)
        return float(first), float(last)

    def _first_and_last_step(self) -> tuple[float, float]:
        assert self.step is not None
        slack = 1e-9
        return (
            float(np.ceil(self.low / self.step - slack)),
            float(np.floor(self.high / self.step + slack)),
        )


@dataclass(frozen=True, slots=True)
class CategoricalFactor:
    """A factor with named levels."""

    name: str
    levels: tuple[str, ...]
    change: Change = "easy"

    @property
    def column(self) -> str:
        return self.name

    @property
    def unit(self) -> str:
        return ""


def level_key(name: str) -> str:
    """Return what tells a level from others: not its capitals, nor spaces at a % sign."""
    return re.sub(r"\s*%\s*", "%", name.strip().casefold())


Factor = NumericFactor | CategoricalFactor


@dataclass(frozen=True)
class FactorSpace:
    """The factors of a campaign, in their order in the file."""

    factors: tuple[Factor, ...]

    def __len__(self) -> int:
        return len(self.factors)

    def __iter__(self) -> Iterator[Factor]:
        return iter(self.factors)

    def __getitem__(self, name: str) -> Factor:
        return self.factors[self.index(name)]

    @cached_property
    def names(self) -> tuple[str, ...]:
        return tuple(factor.name for factor in self.factors)

    @cached_property
    def columns(self) -> tuple[str, ...]:
        return tuple(factor.column for factor in self.factors)

    @cached_property
    def numeric(self) -> tuple[int, ...]:
        """Positions of the numeric factors."""
        return tuple(i for i, f in enumerate(self.factors) if isinstance(f, NumericFactor))

    @cached_property
    def categorical(self) -> tuple[int, ...]:
        """Positions of the categorical factors."""
        return tuple(i for i, f in enumerate(self.factors) if isinstance(f, CategoricalFactor))

    def index(self, name: str) -> int:
        return self.names.index(name)

    def code(self, settings: npt.ArrayLike) -> FloatArray:
        """Return settings (n, k) in coded units."""
        coded = np.array(settings, dtype=np.float64, ndmin=2)
        for i in self.numeric:
            factor = self.factors[i]
            assert isinstance(factor, NumericFactor)
            coded[:, i] = (coded[:, i] - factor.centre) / factor.half_range
        return coded

    def decode(self, coded: npt.ArrayLike) -> FloatArray:
        """Return coded rows (n, k) in real units."""
        settings = np.array(coded, dtype=np.float64, ndmin=2)
        for i in self.numeric:
            factor = self.factors[i]
            assert isinstance(factor, NumericFactor)
            settings[:, i] = factor.centre + factor.half_range * settings[:, i]
        return settings

    def settable(self, settings: npt.ArrayLike) -> FloatArray:
        """Return the nearest settable setting of each row (n, k), inside the ranges."""
        rounded = np.array(settings, dtype=np.float64, ndmin=2)
        for i in self.numeric:
            factor = self.factors[i]
            assert isinstance(factor, NumericFactor)
            rounded[:, i] = factor.settable(rounded[:, i])
        return rounded

    def grid(self, most_levels: int) -> FloatArray:
        """Return the grid of settable settings (n, k) with at most `most_levels` a factor."""
        axes = [
            factor.settable_values(most_levels)
            if isinstance(factor, NumericFactor)
            else np.arange(len(factor.levels), dtype=np.float64)
            for factor in self.factors
        ]
        return np.stack([a.ravel() for a in np.meshgrid(*axes, indexing="ij")], axis=1)

    def corners(self) -> FloatArray:
        """Return the corners of the box (n, k), every level of the categorical factors."""
        axes = [
            (factor.low, factor.high)
            if isinstance(factor, NumericFactor)
            else tuple(float(level) for level in range(len(factor.levels)))
            for factor in self.factors
        ]
        return np.array(list(itertools.product(*axes)), dtype=np.float64)

    def as_mapping(self, setting: Sequence[float] | FloatArray) -> dict[str, float | str]:
        """Return one setting (k,) as ``{"temperature_C": 150.0, …}``, levels by name."""
        named: dict[str, float | str] = {}
        for factor, value in zip(self.factors, setting, strict=True):
            if isinstance(factor, CategoricalFactor):
                named[factor.column] = factor.levels[round(value)]
            else:
                named[factor.column] = round(float(value), factor.decimals + 6) + 0.0
        return named

    def from_mapping(self, named: Mapping[str, float | str]) -> FloatArray:
        """Return one setting (k,) from ``{"temperature_C": 150.0, …}``."""
        row = []
        for factor in self.factors:
            value = named[factor.column]
            if isinstance(factor, CategoricalFactor):
                row.append(float(factor.levels.index(str(value))))
            else:
                row.append(float(value))
        return np.array(row)


def whole_box(settings: FloatArray) -> npt.NDArray[np.bool_]:
    """Feasibility of a rig without limits: every setting is."""
    return np.ones(len(settings), dtype=np.bool_)


def sample_box(space: FactorSpace, count: int) -> FloatArray:
    """Return `count` settings (count, k) spread evenly through the box, the same every time.

    An additive recurrence with the generalised golden ratio: Roberts 2018, "The unreasonable
    effectiveness of quasirandom sequences" (from memory). Steps are ignored.
    """
    k = len(space)
    ratio = 2.0
    for _ in range(60):
        ratio = (1 + ratio) ** (1 / (k + 1))
    shares = (0.5 + np.outer(np.arange(1, count + 1), ratio ** -np.arange(1.0, k + 1))) % 1.0
    settings = np.empty((count, k))
    for i, factor in enumerate(space):
        if isinstance(factor, NumericFactor):
            settings[:, i] = factor.low + shares[:, i] * (factor.high - factor.low)
        else:
            settings[:, i] = np.floor(shares[:, i] * len(factor.levels))
    return settings


def levels_without(space: FactorSpace, settings: FloatArray) -> list[str]:
    """Return the levels of categorical factors that no setting (n, k) has, as ``grind dust``."""
    return [
        f"{factor.name} {level}"
        for i, factor in enumerate(space)
        if isinstance(factor, CategoricalFactor)
        for place, level in enumerate(factor.levels)
        if not (np.round(settings[:, i]) == place).any()
    ]


def feasible_settings(
    space: FactorSpace, feasible: Feasible, most: int = CANDIDATES_MAX
) -> FloatArray:
    """Return settable settings (n, k) that the rig can run, those on its limits included.

    The grid is as fine as the steps allow within `most` points. Where a limit cuts the box
    between grid points, the last feasible settable value along each grid line is added, because
    optimal designs live on the boundary of the region.
    """
    levels = 3
    while len(space.numeric) and (levels + 2) ** len(space.numeric) * _combinations(space) <= most:
        if levels >= 41:
            break
        levels += 2
    grid = space.grid(levels)
    inside = feasible(grid)
    points = [grid[inside]]
    if not inside.all() and inside.any():
        points.append(_boundary(space, feasible, grid[inside]))
    return np.unique(np.vstack(points), axis=0)


def _combinations(space: FactorSpace) -> int:
    levels = (len(f.levels) for f in space.factors if isinstance(f, CategoricalFactor))
    return int(np.prod(list(levels), initial=1))


def _boundary(space: FactorSpace, feasible: Feasible, inside: FloatArray) -> FloatArray:
    """Return the last feasible settable settings on the way from inside points to the box's ends.

    By bisection along each numeric axis, all points at once; 20 halvings are finer than any step.
    """
    found = []
    for i in space.numeric:
        factor = space.factors[i]
        assert isinstance(factor, NumericFactor)
        for end in (factor.low, factor.high):
            far = inside.copy()
            far[:, i] = end
            cut = ~feasible(far)
            if not cut.any():
                continue
            good, bad = inside[cut, i].copy(), np.full(int(cut.sum()), end)
            probe = inside[cut].copy()
            for _ in range(20):
                probe[:, i] = (good + bad) / 2
                ok = feasible(probe)
                good, bad = np.where(ok, probe[:, i], good), np.where(ok, bad, probe[:, i])
            probe[:, i] = _towards(factor, good, inside[cut, i])
            found.append(probe[feasible(probe)])
    return np.vstack(found) if found else inside[:0]


def _towards(factor: NumericFactor, values: FloatArray, inner: FloatArray) -> FloatArray:
    """Return `values` rounded to the factor's steps towards `inner`."""
    if factor.step is None:
        return values
    steps = values / factor.step
    rounded = np.where(inner < values, np.floor(steps + 1e-9), np.ceil(steps - 1e-9))
    return factor.settable(rounded * factor.step)
