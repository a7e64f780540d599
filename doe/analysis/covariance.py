"""What is taken to be alike of a surface at two settings, under each set of hyperparameters.

Shapes: m settings, k factors, d columns of features, b places of runs, s sets of hyperparameters,
e draws, g groupings of runs.

References
----------
Rasmussen, Williams 2006, Gaussian Processes for Machine Learning, ch. 4 (covariance functions).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.analysis.gathered import Places, Runs
from doe.analysis.strata import Shift
from doe.factors import CategoricalFactor, Factor, FactorSpace, FloatArray

__all__ = [
    "FEW",
    "JITTER",
    "LEAST_OF_LOW",
    "MANY",
    "MIDDLE",
    "Asked",
    "Columns",
    "Covariance",
    "columns_of",
    "features_of",
]

WAVES, WAVES_ALONE = 128, 24
"""Random waves of which a drawn path is made: of all factors together, and of each alone."""
JITTER = 1e-8
SHAPE = 6
"""Numbers of a set that tell of the surface as a whole, after the length scales."""
MANY, SPARSE, MIDDLE = 4, 0.5, np.log(2.0)
"""Number of factors from which some are expected to hardly matter, as is common in screening
(sparsity of effects: Box, Meyer 1986, Technometrics 28:11–18, from memory): slopes and second order
then go with that power of how short the length scale of a factor is, beside the prior's middle.
With fewer factors that was seen to lose (`test_bench_strategy`)."""
FEW = 3
"""Number of numeric factors up to which a bend that all share is expected."""
WIDE_RATIO, LEAST_OF_LOW = 1.5, 0.25
"""Highest over lowest value of a factor from which logarithms bend its scale by so much that it is
worth while to ask; share of the lowest value below which a setting counts as that."""
AMOUNTS = frozenset(
    [
        "s",
        "min",
        "h",
        "d",
        "mL",
        "L",
        "µL",
        "mg",
        "g",
        "kg",
        "µg",
        "mm",
        "cm",
        "m",
        "µm",
        "mol",
        "mmol",
        "%",
    ]
)
"""Units of amounts, which have a true zero, as their quotients have; of others ratios may mean
nothing, as of °C, of gauge pressures or of pH."""


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """What columns of features stand for.

    Attributes
    ----------
    factor
        Of which factor each is (d,).
    ratio
        Highest over lowest value of a factor that may act by ratio, as minutes and flows do; 1 of
        all others (d,).
    """

    factor: npt.NDArray[np.intp]
    ratio: FloatArray

    @property
    def by_ratio(self) -> Places:
        """Columns of factors that may act by ratio."""
        return np.flatnonzero(self.ratio > 1)

    def bows(self, features: FloatArray) -> FloatArray:
        """Return by how much features (m, d) move if their logarithms count; ends stay."""
        bows = np.zeros_like(features)
        for c in self.by_ratio:
            x, ratio = features[:, c], self.ratio[c]
            of_low = np.maximum(1 + (ratio - 1) * (x + 1) / 2, LEAST_OF_LOW)
            bows[:, c] = 2 * np.log(of_low) / np.log(ratio) - 1 - x
        return bows


@dataclass(frozen=True, slots=True)
class Asked:
    """Where a surface is asked for, and the levels that each factor takes there.

    On a grid these are few, so what one factor does need be worked out for few.

    Attributes
    ----------
    features, bows
        Columns (m, d), and by how much they move if logarithms count.
    levels, of_level
        By factor a setting at each of its levels, and the level (m,) of each setting.
    """

    features: FloatArray
    bows: FloatArray
    levels: tuple[Places, ...]
    of_level: tuple[Places, ...]


@dataclass(frozen=True, slots=True)
class Shape:
    """Variances of one set, or of many, of the parts of a surface: see `Covariance`."""

    alone: FloatArray
    bend: FloatArray
    slope: FloatArray
    curve: FloatArray
    alike: FloatArray
    apart: FloatArray


@dataclass(frozen=True, slots=True)
class Covariance:
    """The covariance that each set of length scales stands for.

    Level + slopes + second order + a bend that all numeric factors share + second order of numeric
    factors that each level of a categorical one has of its own + bends of each factor alone + bends
    of all together. What single factors do is told apart from how they act together, so that a
    factor that hardly matters costs few runs; second order lets noisy runs speak for a plain hill
    or an oblique ridge as strongly as a polynomial would, where they do. Factors with a true zero
    count in part by their logarithms, each set has its own part: what minutes and flows do goes
    rather by ratio, and the runs say how far.
    """

    sets: FloatArray
    what: Columns
    columns: tuple[Places, ...]
    """Of each factor."""
    numeric: Places
    levels: Places
    """Columns of numeric factors, and of levels of categorical ones."""

    LEVEL = 1.0

    @classmethod
    def of(cls, sets: FloatArray, what: Columns) -> Covariance:
        factor_of = what.factor
        columns = [np.flatnonzero(factor_of == i) for i in range(int(factor_of.max()) + 1)]
        numeric = _numeric(factor_of)
        levels = np.setdiff1d(np.arange(len(factor_of)), numeric)
        return cls(sets, what, tuple(columns), numeric, levels)

    @property
    def _count(self) -> int:
        return len(self.columns)

    def _parts(self, i: int) -> tuple[FloatArray, Shape]:
        """Return the length scale of each column (d,), and the variances of one set."""
        one, first = self.sets[i], self._first
        return np.exp(one[self.what.factor]), Shape(*np.exp(2 * one[first : first + SHAPE]))

    @property
    def _first(self) -> int:
        """Where a set's numbers of the surface as a whole begin."""
        return self._count + len(self.what.by_ratio)

    def _by_ratio(self, sets: FloatArray) -> FloatArray:
        """Return by set the part (…, d), 0 to 1, in which each column counts by its logarithm."""
        parts = np.zeros((*sets.shape[:-1], len(self.what.factor)))
        parts[..., self.what.by_ratio] = 1 / (1 + np.exp(-sets[..., self._count : self._first]))
        return parts

    def _seen(self, i: int, features: FloatArray) -> FloatArray:
        """Return columns (m, d) as one set sees them."""
        return np.asarray(features + self._by_ratio(self.sets[i]) * self.what.bows(features))

    def shifts(self, sets: FloatArray) -> FloatArray:
        """Return the logarithms (s, g) of how much each grouping scatters."""
        return sets[:, self._first + SHAPE : -1]

    @property
    def sparse(self) -> float:
        return SPARSE if self._count >= MANY else 0.0

    def _activity(self, sets: FloatArray) -> FloatArray:
        """Return by set the share (…, d) of slopes and second order that each column has."""
        return np.asarray(np.exp(self.sparse * (MIDDLE - sets[..., self.what.factor])))

    def _bend(self, features: FloatArray, columns: Places) -> FloatArray:
        """Return what columns bring (m,) to the bend that numeric ones share.

        Its mean over a coded range is left off.
        """
        return np.asarray((features[:, columns] ** 2 - 1 / 3).sum(axis=1))

    def kernel(self, i: int, at: Asked, runs: FloatArray) -> FloatArray:
        """Return the covariances (m, b) of settings and runs (b, d) under one set."""
        lengths, of = self._parts(i)
        n, c = self.numeric, self.levels
        a, runs = at.features + self._by_ratio(self.sets[i]) * at.bows, self._seen(i, runs)
        acting = a * self._activity(self.sets[i]) ** 2
        of_numeric, of_levels = (acting[:, part] @ runs[:, part].T for part in (n, c))
        total = self.LEVEL + self._second_order(of, of_numeric, of_levels)
        total += of.alike * np.outer(self._bend(a, n), self._bend(runs, n))
        near = np.full_like(total, of.bend)
        for columns, levels, of_level in zip(self.columns, at.levels, at.of_level, strict=True):
            apart = (a[levels][:, None, columns] - runs[:, columns]) / lengths[columns]
            alike = np.exp(-0.5 * (apart**2).sum(axis=2))
            near *= alike[of_level]
            total += (of.alone / self._count * alike)[of_level]
        total += near
        return np.asarray(total, dtype=np.float64)

    def at_itself(self, i: int, a: FloatArray) -> FloatArray:
        _, of = self._parts(i)
        a = self._seen(i, a)
        squares = (a * self._activity(self.sets[i])) ** 2
        of_numeric, of_levels = (
            squares[:, part].sum(axis=1) for part in (self.numeric, self.levels)
        )
        total = self.LEVEL + self._second_order(of, of_numeric, of_levels) + of.alone + of.bend
        return np.asarray(total + of.alike * self._bend(a, self.numeric) ** 2)

    def _second_order(self, of: Shape, of_numeric: FloatArray, of_levels: FloatArray) -> FloatArray:
        """Return what slopes and second order bring, of products over columns of either sort.

        Of a level that both settings share the product is 2, of others 0.
        """
        if not len(self.levels):
            return np.asarray((of.slope + of.curve * of_numeric) * of_numeric)
        straight = of_numeric + of_levels
        found = of.slope * straight + of.curve * straight**2
        return np.asarray(found + of.apart / 2 * of_levels * of_numeric**2)

    def asked(self, features: FloatArray) -> Asked:
        """Return features (m, d) with the levels of each factor among them."""
        levels, of_level = [], []
        for columns in self.columns:
            # One number a level: a numeric factor's own, a categorical one's place.
            key = features[:, columns] @ np.arange(1.0, len(columns) + 1)
            _, first, of = np.unique(key, return_index=True, return_inverse=True)
            levels.append(first)
            of_level.append(of)
        return Asked(features, self.what.bows(features), tuple(levels), tuple(of_level))

    def of_runs(self, runs: Runs) -> FloatArray:
        """Return the covariances (s, b, b) of the runs, or of their averages at places."""
        i, j = np.tril_indices(len(runs.features))
        found = np.empty((len(self.sets), len(runs.features), len(runs.features)))
        found[:, i, j] = found[:, j, i] = self.of_pairs(runs, slice(None), i, j)
        return found

    def of_pairs(self, runs: Runs, which: slice, i: Places, j: Places) -> FloatArray:
        """Return the covariances (s, p) of p pairs of runs under some of the sets."""
        sets, first = self.sets[which], self._first
        of = Shape(*np.exp(2 * sets[:, first : first + SHAPE]).T[:, :, None])
        noise = np.exp(2 * sets[:, -1])[:, None]
        active, by_ratio = self._activity(sets) ** 2, self._by_ratio(sets)
        plain = np.flatnonzero(self.what.ratio == 1)  # seen alike by all sets
        a, b = runs.features[i], runs.features[j]
        squares, products = (a - b) ** 2, a * b
        of_numeric, of_levels = (
            active[:, part] @ products[:, part].T
            for part in (np.intersect1d(self.numeric, plain), self.levels)
        )
        bows, bend = self.what.bows(runs.features), np.zeros((len(sets), len(runs.features)))
        bend += self._bend(runs.features, np.intersect1d(self.numeric, plain))
        alone, near = np.zeros((2, len(sets), len(i)))
        for f, columns in enumerate(self.columns):
            scale = -0.5 * np.exp(-2 * sets[:, [f]])
            if self.what.ratio[columns[0]] == 1:
                apart = scale * squares[:, columns].sum(axis=1)
            else:
                (c,) = columns
                x = runs.features[:, c] + by_ratio[:, [c]] * bows[:, c]
                bend += x**2 - 1 / 3
                apart, other = x.take(i, axis=1), x.take(j, axis=1)
                of_numeric += active[:, [c]] * (apart * other)
                apart -= other
                apart *= apart
                apart *= scale
            near += apart
            alone += np.exp(apart, out=apart)
        near = np.exp(near, out=near)
        K = self.LEVEL + self._second_order(of, of_numeric, of_levels)
        bends = bend.take(i, axis=1)
        bends *= bend.take(j, axis=1)
        K += np.multiply(bends, of.alike, out=bends)
        K += np.multiply(alone, of.alone / self._count, out=alone)
        K += np.multiply(near, of.bend, out=near)
        K += np.exp(2 * self.shifts(sets)) @ runs.alike[:, i, j]
        same = np.flatnonzero(i == j)
        K[:, same] += noise * runs.alone[i[same]] + JITTER
        return np.asarray(K)

    def prior_paths(
        self, i: int, at: FloatArray, count: int, generator: np.random.Generator
    ) -> FloatArray:
        """Return drawn surfaces (count, m) before any run is known."""
        lengths, of = self._parts(i)
        at = self._seen(i, at)
        waves = generator.standard_normal((WAVES, at.shape[1])) / lengths
        parts = [(waves, of.bend / WAVES)]
        for columns in self.columns:
            alone = np.zeros((WAVES_ALONE, at.shape[1]))
            alone[:, columns] = generator.standard_normal((WAVES_ALONE, len(columns)))
            parts.append((alone / lengths, of.alone / self._count / WAVES_ALONE))
        acting = at * self._activity(self.sets[i])
        slopes = generator.standard_normal((count, at.shape[1])) * np.sqrt(of.slope)
        level = generator.standard_normal((count, 1)) * np.sqrt(self.LEVEL)
        pairs = _pairs(acting)
        curves = generator.standard_normal((count, pairs.shape[1])) * np.sqrt(of.curve)
        total = level + slopes @ acting.T + curves @ pairs.T
        total += (
            np.sqrt(of.alike) * generator.standard_normal((count, 1)) * self._bend(at, self.numeric)
        )
        numeric = _pairs(acting[:, self.numeric])
        for column in self.levels:
            apart = generator.standard_normal((count, numeric.shape[1])) * np.sqrt(of.apart / 2)
            total += acting[:, column] * (apart @ numeric.T)
        # Single precision, 13 times as fast: off by 1e-6 of the surface's own standard
        # deviation, a hundredth of what JITTER stands for.
        shares = np.concatenate([np.full(len(waves), share) for waves, share in parts])
        together = np.vstack([waves for waves, _ in parts]).astype(np.float32)
        phase = generator.uniform(0, 2 * np.pi, len(together)).astype(np.float32)
        heights = generator.standard_normal((count, len(together))) * np.sqrt(2 * shares)
        angles = together @ at.T.astype(np.float32)
        angles += phase[:, None]
        total += heights.astype(np.float32) @ np.cos(angles, out=angles)
        return np.asarray(total)

    def scatter(
        self, i: int, shifts: Sequence[Shift], count: int, generator: np.random.Generator
    ) -> FloatArray:
        """Return drawn scatter (count, n) of the runs: what their groups share, and their own."""
        total = np.exp(self.sets[i, -1]) * generator.standard_normal(
            (count, len(shifts[0].columns))
        )
        for sd, shift in zip(np.exp(self.shifts(self.sets[[i]])[0]), shifts, strict=True):
            of_level = generator.standard_normal((count, shift.columns.shape[1]))
            total += sd * of_level @ shift.columns.T
        return np.asarray(total)


def _pairs(columns: FloatArray) -> FloatArray:
    """Return the products (m, d²) of all pairs of columns (m, d)."""
    return np.asarray((columns[:, :, None] * columns[:, None, :]).reshape(len(columns), -1))


def features_of(space: FactorSpace, settings: FloatArray) -> FloatArray:
    """Return coded settings as columns (m, d); a categorical factor as one column a level.

    Two levels lie √2·√2 = 2 apart, as far as the ends of a numeric factor.
    """
    coded = space.code(np.atleast_2d(settings))
    columns = []
    for i, factor in enumerate(space):
        if isinstance(factor, CategoricalFactor):
            levels = np.arange(len(factor.levels))
            columns.append(np.sqrt(2.0) * (np.round(coded[:, [i]]) == levels))
        else:
            columns.append(coded[:, [i]])
    return np.hstack(columns).astype(np.float64)


def columns_of(space: FactorSpace) -> Columns:
    widths = [len(f.levels) if isinstance(f, CategoricalFactor) else 1 for f in space]
    ratios = [_ratio(factor) for factor in space]
    return Columns(np.repeat(np.arange(len(space)), widths), np.repeat(ratios, widths))


def _ratio(factor: Factor) -> float:
    """Return highest over lowest value where a factor may act by ratio; otherwise 1."""
    if isinstance(factor, CategoricalFactor) or factor.low <= 0:
        return 1.0
    parts = factor.unit.replace("μ", "µ").split("/")
    ratio = factor.high / factor.low
    return ratio if AMOUNTS.issuperset(parts) and round(ratio, 6) >= WIDE_RATIO else 1.0


def _numeric(factor_of: npt.NDArray[np.intp]) -> Places:
    """Return the columns of numeric factors: a categorical one has a column a level."""
    return np.flatnonzero(np.bincount(factor_of)[factor_of] == 1)
