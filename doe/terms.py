"""Model terms and the one model matrix that design, evaluation, fitting and prediction share.

A term is a product of powers of factors: `(2, 0, 1)` over temperature, time, flow is
temperature²·flow. A categorical factor enters with power 1 and contributes its sum-to-zero
contrasts, one column a level but the last (for two levels that is −1 and +1, as for a numeric
factor), so a term may have several columns.

Shapes: n settings, k factors, m terms, p columns.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import numpy.typing as npt

from doe.factors import CategoricalFactor, Factor, FactorSpace, FloatArray, NumericFactor

__all__ = [
    "Model",
    "Purpose",
    "Term",
    "information_matrix",
    "interaction_model",
    "linear_model",
    "quadratic_model",
]

Purpose = Literal["screening", "optimum", "surface"]
"""What runs are to tell: which factors matter, the best settings, or the whole surface."""


@dataclass(frozen=True, slots=True, order=True)
class Term:
    """A product of powers, one power a factor; all zero is the intercept."""

    powers: tuple[int, ...]

    @property
    def order(self) -> int:
        return sum(self.powers)

    def contains(self, other: Term) -> bool:
        """Whether `other` divides this term: hierarchy keeps all such terms."""
        return all(a >= b for a, b in zip(self.powers, other.powers, strict=True))

    def label(self, names: Sequence[str]) -> str:
        """Return the term in words: ``temperature × time``, ``flow²``; the intercept is ``1``.

        >>> Term((1, 0, 2)).label(["temperature", "time", "flow"])
        'temperature × flow²'
        """
        raised = {1: "", 2: "²", 3: "³"}
        parts = [
            name + raised.get(power, f"^{power}")
            for name, power in zip(names, self.powers, strict=True)
            if power
        ]
        return " × ".join(parts) or "1"


@dataclass(frozen=True)
class Model:
    """A list of terms over a space of factors."""

    space: FactorSpace
    terms: tuple[Term, ...]
    name: str = "chosen terms"

    @cached_property
    def columns(self) -> tuple[tuple[Term, tuple[str, ...]], ...]:
        """For each of the p columns: its term, and the levels that its contrasts stand for."""
        return tuple(
            (term, levels) for term in self.terms for levels in self._contrast_levels(term)
        )

    @cached_property
    def labels(self) -> tuple[str, ...]:
        """Names of the p columns, levels of categorical factors in brackets."""
        return tuple(
            term.label(self.space.names) + (f" [{', '.join(levels)}]" if levels else "")
            for term, levels in self.columns
        )

    def __len__(self) -> int:
        """Number of columns p of the model matrix."""
        return len(self.columns)

    def matrix(self, coded: FloatArray) -> FloatArray:
        """Return the model matrix (n, p) at coded settings (n, k)."""
        return self._products(coded, self.places)

    def gradient(self, coded: FloatArray, factor: int) -> FloatArray:
        """Return the derivative (n, p) of the model matrix by one numeric factor, coded units."""
        lower = self.places.copy()
        powers = self.places[factor]
        lower[factor] = np.maximum(powers - 1, 0)
        return np.asarray(powers * self._products(coded, lower), dtype=np.float64)

    @cached_property
    def places(self) -> npt.NDArray[np.intp]:
        """By factor and column (k, p): the power, or 1 + the place of the contrast."""
        places = np.zeros((len(self.space), len(self.columns)), dtype=np.intp)
        for j, (term, levels) in enumerate(self.columns):
            left = iter(levels)
            for i, power in enumerate(term.powers):
                factor = self.space.factors[i]
                if power and isinstance(factor, CategoricalFactor):
                    places[i, j] = 1 + _with_contrast(factor).index(next(left))
                else:
                    places[i, j] = power
        return places

    def _products(self, coded: FloatArray, places: npt.NDArray[np.intp]) -> FloatArray:
        coded = np.atleast_2d(np.asarray(coded, dtype=np.float64))
        product = np.ones((places.shape[1], len(coded)))
        for i, factor in enumerate(self.space):
            most = max(places[i].tolist(), default=0)
            if most:
                product *= _of_factor(factor, coded[:, i], most)[places[i]]
        return np.ascontiguousarray(product.T)

    def without(self, terms: Iterable[Term]) -> Model:
        """Return the model less some terms."""
        left_out = set(terms)
        return Model(self.space, tuple(t for t in self.terms if t not in left_out))

    def is_hierarchical(self) -> bool:
        """Whether every term comes with all terms that divide it."""
        present = set(self.terms)
        return all(lower in present for term in self.terms for lower in _divisors(term))

    def _contrast_levels(self, term: Term) -> list[tuple[str, ...]]:
        choices = [
            _with_contrast(factor)
            for factor, power in zip(self.space.factors, term.powers, strict=True)
            if power and isinstance(factor, CategoricalFactor)
        ]
        return list(itertools.product(*choices))


def _of_factor(factor: Factor, coded: FloatArray, most: int) -> FloatArray:
    """Return rows (…, n): 1, then powers up to `most` of a numeric factor at coded values (n,), or
    the contrasts of a categorical one.

    The contrasts sum to zero; −1, +1 for two levels.
    """
    if isinstance(factor, NumericFactor):
        return np.stack([np.ones_like(coded), *(coded**power for power in range(1, most + 1))])
    levels = len(factor.levels)
    if levels == 2:
        contrasts = np.array([[-1.0], [1.0]])
    else:
        contrasts = np.vstack([np.eye(levels - 1), -np.ones(levels - 1)])
    own = contrasts[coded.round().astype(np.intp)]
    return np.vstack([np.ones_like(coded), own.T])


def _with_contrast(factor: CategoricalFactor) -> tuple[str, ...]:
    """Return the levels that have a contrast of their own."""
    return factor.levels[1:] if len(factor.levels) == 2 else factor.levels[:-1]


def _divisors(term: Term) -> Iterable[Term]:
    for i, power in enumerate(term.powers):
        if power:
            lower = list(term.powers)
            lower[i] -= 1
            yield Term(tuple(lower))


def _unit(k: int, *positions: int) -> Term:
    powers = [0] * k
    for position in positions:
        powers[position] += 1
    return Term(tuple(powers))


def linear_model(space: FactorSpace) -> Model:
    """Return intercept and main effects."""
    k = len(space)
    return Model(space, (_unit(k), *(_unit(k, i) for i in range(k))), "main effects")


def interaction_model(space: FactorSpace) -> Model:
    """Return intercept, main effects and two-factor interactions."""
    k = len(space)
    pairs = tuple(_unit(k, i, j) for i, j in itertools.combinations(range(k), 2))
    return Model(
        space, linear_model(space).terms + pairs, "main effects and two-factor interactions"
    )


def quadratic_model(space: FactorSpace) -> Model:
    """Return the full second-order model: interactions, and squares of the numeric factors."""
    squares = tuple(_unit(len(space), i, i) for i in space.numeric)
    return Model(space, interaction_model(space).terms + squares, "full quadratic")


def information_matrix(
    X: FloatArray, plots: Sequence[int] | None = None, variance_ratio: float = 0.0
) -> FloatArray:
    """Return X'V⁻¹X (p, p) for runs in whole plots, error variance 1 a run.

    Parameters
    ----------
    X
        Model matrix (n, p).
    plots
        Whole plot of each run (n,); None when every run stands alone.
    variance_ratio
        Plot variance over run variance, V = I + ratio·ZZ'. Zero gives ordinary X'X.

    Notes
    -----
    (I + r·11')⁻¹ = I − r/(1 + r·size)·11' for each plot of `size` runs (Sherman–Morrison).
    """
    M = X.T @ X
    if plots is None or variance_ratio == 0.0:
        return M
    groups = np.unique(np.asarray(plots), return_inverse=True)[1]
    sizes = np.bincount(groups)
    sums = np.zeros((len(sizes), X.shape[1]))
    np.add.at(sums, groups, X)
    shrink = variance_ratio / (1.0 + variance_ratio * sizes)
    return np.asarray(M - (sums * shrink[:, None]).T @ sums, dtype=np.float64)
