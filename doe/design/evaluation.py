"""How good a design is for a model: efficiencies, prediction variance, power, degrees of freedom.

Nothing here needs a result: all of it follows from the settings and the model. Variances are in
units of the run variance σ², so a prediction variance of 0.5 means a standard error of 0.71 σ.
Runs in whole plots are covered by `plots` and `variance_ratio` (plot over run variance).

Shapes: n runs, k factors, p columns of the model matrix, m points of a region.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from doe.design.strata import Blocks, block_contrasts, block_numbers, satterthwaite
from doe.errors import DesignError
from doe.factors import CategoricalFactor, FactorSpace, Feasible, FloatArray, sample_box
from doe.terms import Model, Term, information_matrix

__all__ = [
    "DegreesOfFreedom",
    "Efficiencies",
    "TermPower",
    "degrees_of_freedom",
    "efficiencies",
    "fraction_of_design_space",
    "leverage",
    "power_of_terms",
    "prediction_variance",
    "region_sample",
    "undetermined",
    "variance_inflation",
]

REGION_SAMPLE = 4096
REGION_ENOUGH = 1000
SAME_SETTING = 9  # decimals in coded units
DF_LEAST = 1e-6
NULL = 1e-7  # shares below are rounding


@dataclass(frozen=True, slots=True)
class Efficiencies:
    """D-, A- and G-efficiency, and the average scaled prediction variance (I).

    With M = X'X (X'V⁻¹X in whole plots), n runs and p columns:

    - ``d`` = det(M)^(1/p) / n. Higher is better; 1 for an orthogonal two-level design.
    - ``a`` = p / (n · tr M⁻¹). Higher is better; 1 for an orthogonal two-level design.
    - ``g`` = p / (n · max x'M⁻¹x over the region). Higher is better; 1 is the most any design
      can reach (Kiefer and Wolfowitz 1960).
    - ``i`` = n · average of x'M⁻¹x over the region. A scaled variance, not an efficiency: lower
      is better, and there is no common best value to divide by. None without a region.
    """

    d: float
    a: float
    g: float | None
    i: float | None


@dataclass(frozen=True, slots=True)
class DegreesOfFreedom:
    """How n runs divide: n = model + blocks + lack_of_fit + pure_error."""

    model: int
    lack_of_fit: int
    pure_error: int
    blocks: int = 0

    @property
    def residual(self) -> int:
        return self.lack_of_fit + self.pure_error


@dataclass(frozen=True, slots=True)
class TermPower:
    """Chance that a term of the stated size is found significant, and what it is judged by.

    `stratum` is ``plot`` for a term that is constant within whole plots, else ``run``; `df` are
    the degrees of freedom of its error. With none left the power is zero: there is no test.
    """

    label: str
    term: Term
    power: float
    stratum: Literal["run", "plot"] = "run"
    df: float = float("nan")


def region_sample(space: FactorSpace, feasible: Feasible) -> FloatArray:
    """Return coded points (m, k) spread evenly over what the rig can run, for averages over it.

    Points of the continuous region: steps are ignored. Where the region is a small part of the
    box more points are tried, eight times as many at most; the result may be empty.
    """
    settings = sample_box(space, REGION_SAMPLE)
    inside = settings[feasible(settings)]
    if len(inside) < REGION_ENOUGH:
        settings = sample_box(space, 8 * REGION_SAMPLE)
        inside = settings[feasible(settings)]
    return space.code(inside)


def efficiencies(
    model: Model,
    coded: FloatArray,
    region_coded: FloatArray | None = None,
    *,
    extremes_coded: FloatArray | None = None,
    plots: Sequence[int] | None = None,
    variance_ratio: float = 0.0,
    blocks: Blocks | None = None,
) -> Efficiencies:
    """Return the efficiencies of a design for a model; formulas at `Efficiencies`.

    Parameters
    ----------
    coded
        Settings of the runs (n, k) in coded units.
    region_coded
        Points (m, k) spread evenly over the region, e.g. `region_sample`; `i` averages over them.
    extremes_coded
        Further points where the variance may be largest (corners, edges), counted for `g` only.
    blocks
        Block of each run (n,), whose effects are estimated beside the model.

    Raises
    ------
    DesignError
        The runs cannot estimate every term of the model.
    """
    n, p = len(coded), len(model)
    covariance = _covariance(model, coded, plots, variance_ratio, blocks)
    variances = [
        _quadratic_forms(model.matrix(points), covariance)
        for points in (region_coded, extremes_coded)
        if points is not None and len(points)
    ]
    has_region = region_coded is not None and len(region_coded) > 0
    return Efficiencies(
        d=float(np.exp(-np.linalg.slogdet(covariance)[1] / p) / n),
        a=float(p / (n * np.trace(covariance))),
        g=float(p / (n * max(v.max() for v in variances))) if variances else None,
        i=float(n * variances[0].mean()) if has_region else None,
    )


def prediction_variance(
    model: Model,
    coded: FloatArray,
    at_coded: FloatArray,
    *,
    plots: Sequence[int] | None = None,
    variance_ratio: float = 0.0,
) -> FloatArray:
    """Return the variance (m,) of the predicted mean at points (m, k), in run variances.

    Raises
    ------
    DesignError
        The runs cannot estimate every term of the model.
    """
    covariance = _covariance(model, coded, plots, variance_ratio)
    return _quadratic_forms(model.matrix(at_coded), covariance)


def leverage(model: Model, coded: FloatArray) -> FloatArray:
    """Return the leverage (n,) of each run: x'(X'X)⁻¹x at the run itself."""
    return prediction_variance(model, coded, coded)


def fraction_of_design_space(
    model: Model,
    coded: FloatArray,
    region_coded: FloatArray,
    points: int = 101,
    *,
    plots: Sequence[int] | None = None,
    variance_ratio: float = 0.0,
) -> tuple[FloatArray, FloatArray]:
    """Return fractions (points,) from 0 to 1 and the prediction variance (points,) not exceeded.

    At fraction 0.9 stands the variance that 90 % of the region stays at or below.

    References
    ----------
    Zahran, Anderson-Cook and Myers 2003, Journal of Quality Technology 35, 377–386 (from memory).
    """
    variance = prediction_variance(
        model, coded, region_coded, plots=plots, variance_ratio=variance_ratio
    )
    fractions = np.linspace(0.0, 1.0, points)
    return fractions, np.asarray(np.quantile(variance, fractions), dtype=np.float64)


def undetermined(X: FloatArray) -> list[int]:
    """Return the columns of a matrix (n, p) whose coefficients its rows do not determine."""
    _, singular, turned = np.linalg.svd(X)
    rank = int((singular > NULL * singular[0]).sum())
    return [int(j) for j in np.flatnonzero((turned[rank:] ** 2).sum(axis=0) > NULL)]


def degrees_of_freedom(
    model: Model, coded: FloatArray, blocks: Blocks | None = None
) -> DegreesOfFreedom:
    """Return how the runs divide into model, blocks, lack of fit and pure error (replicates).

    In blocks only repeats within a block are pure error.
    """
    X = model.matrix(coded)
    rank = both = int(np.linalg.matrix_rank(X))
    setting = np.round(coded, SAME_SETTING) + 0.0
    if blocks is not None:
        setting = np.column_stack([block_numbers(blocks), setting])
        both = int(np.linalg.matrix_rank(np.hstack([X, block_contrasts(blocks)])))
    distinct = len(np.unique(setting, axis=0))
    return DegreesOfFreedom(rank, distinct - both, len(coded) - distinct, both - rank)


def variance_inflation(model: Model, coded: FloatArray) -> FloatArray:
    """Return the variance inflation (p,) of each column; NaN for the intercept.

    How many times wider a coefficient's variance is than if its column were orthogonal to all
    others: (X'X)⁻¹ⱼⱼ · Σ(x − x̄)², which is 1/(1 − R²) of the column on the others.

    Raises
    ------
    DesignError
        The runs cannot estimate every term of the model.
    """
    X = model.matrix(coded)
    own = np.diag(_covariance(model, coded, None, 0.0))
    spread = ((X - X.mean(axis=0)) ** 2).sum(axis=0)
    constant = np.array([term.order == 0 for term, _ in model.columns])
    return np.where(constant, np.nan, own * spread)


def power_of_terms(
    model: Model,
    coded: FloatArray,
    change: float,
    scatter: float,
    alpha: float = 0.05,
    *,
    plots: Sequence[int] | None = None,
    variance_ratio: float = 0.0,
    blocks: Blocks | None = None,
) -> tuple[TermPower, ...]:
    """Return, for each term but the intercept, the chance of finding it significant.

    Parameters
    ----------
    change
        Change of the response that the term makes between its least and greatest value in the
        coded box: a main effect or interaction of coefficient β changes it by 2β, a square by β.
    scatter
        Expected standard deviation of a single run (within a whole plot), in the unit of `change`.
    alpha
        Chance taken of calling a term significant that is not there.
    plots, variance_ratio
        Whole plot of each run (n,), and variance between plots over that between runs.
    blocks
        Block of each run (n,), whose effects are estimated beside the model.

    Raises
    ------
    DesignError
        The runs cannot estimate every term, or leave no degree of freedom to judge them by.

    Notes
    -----
    F test with 1 (or as many as the term has columns) and n − p degrees of freedom; noncentrality
    λ = b'C⁻¹b/σ², C the term's block of (X'X)⁻¹. For a categorical factor b sets two levels
    `change` apart and the others midway; the pair that is hardest to tell apart counts. In whole
    plots C is the block of (X'V⁻¹X)⁻¹, and the degrees of freedom are Satterthwaite's at the
    stated ratio (the least of the term's columns): those between plots for a term of hard factors.
    """
    if change <= 0 or scatter <= 0:
        raise ValueError("change and scatter must be positive")
    covariance = _covariance(model, coded, plots, variance_ratio, blocks)
    df = _error_degrees(model, coded, plots, variance_ratio, blocks)
    owner = [term for term, _ in model.columns]
    powers = []
    for term in model.terms:
        if term.order == 0:
            continue
        own = [j for j, t in enumerate(owner) if t == term]
        inverse = np.linalg.inv(covariance[np.ix_(own, own)])
        lambdas = [b @ inverse @ b for b in _least_patterns(model.space, term)]
        noncentrality = float(min(lambdas)) * (change / scatter) ** 2
        least = float(df[own].min())
        powers.append(
            TermPower(
                term.label(model.space.names),
                term,
                _f_power(len(own), least, noncentrality, alpha) if least > DF_LEAST else 0.0,
                _stratum(model, coded, term, plots),
                least,
            )
        )
    return tuple(powers)


def _error_degrees(
    model: Model,
    coded: FloatArray,
    plots: Sequence[int] | None,
    variance_ratio: float,
    blocks: Blocks | None,
) -> FloatArray:
    """Return the error degrees of freedom (p,) of each column of the model."""
    X, p = model.matrix(coded), len(model)
    if blocks is not None:
        X = np.hstack([X, block_contrasts(blocks)])
    n, beside = len(X), X.shape[1] - p
    if n - p - beside < 1:
        blocked = f" and {beside} block effects" if beside else ""
        raise DesignError.of(
            "no-residual",
            f"{n} runs for {p} terms{blocked} leave nothing to judge the terms by.",
            "Add runs, or aim at a smaller model.",
        )
    if plots is None or len(set(plots)) == n:
        return np.full(p, float(n - p - beside))
    return satterthwaite(X, [plots], [variance_ratio], np.eye(p + beside)[:p])


def _stratum(
    model: Model, coded: FloatArray, term: Term, plots: Sequence[int] | None
) -> Literal["run", "plot"]:
    if plots is None or len(set(plots)) == len(coded):
        return "run"
    X = replace(model, terms=(term,)).matrix(coded)
    groups = np.asarray(plots)
    ranges = [np.ptp(X[groups == j], axis=0).max() for j in np.unique(groups)]
    return "plot" if max(ranges) < 10.0**-SAME_SETTING else "run"


def _least_patterns(space: FactorSpace, term: Term) -> list[FloatArray]:
    """Return coefficient vectors of a term that change the response by 1 over the box.

    One vector for each choice of two levels in every categorical factor of the term.
    """
    only_even = all(power % 2 == 0 for power in term.powers)
    choices = [
        _level_pairs(len(factor.levels))
        for factor, power in zip(space.factors, term.powers, strict=True)
        if power and isinstance(factor, CategoricalFactor)
    ]
    patterns = []
    for choice in itertools.product(*choices):
        pattern = np.array([1.0 if only_even else 0.5])
        for part in choice:
            pattern = np.kron(pattern, part)
        patterns.append(pattern)
    return patterns


def _level_pairs(levels: int) -> list[FloatArray]:
    """Return sum-to-zero coefficients with one level at +1, another at −1 and the rest at 0."""
    if levels == 2:
        return [np.ones(1)]
    pairs = []
    for high, low in itertools.combinations(range(levels), 2):
        effects = np.zeros(levels)
        effects[high], effects[low] = 1.0, -1.0
        pairs.append(effects[:-1])
    return pairs


def _f_power(df_term: int, df_residual: float, noncentrality: float, alpha: float) -> float:
    from scipy.special import fdtri, ncfdtr

    critical = fdtri(df_term, df_residual, 1 - alpha)
    return float(1 - ncfdtr(df_term, df_residual, noncentrality, critical))


def _covariance(
    model: Model,
    coded: FloatArray,
    plots: Sequence[int] | None,
    variance_ratio: float,
    blocks: Blocks | None = None,
) -> FloatArray:
    """Return the covariance (p, p) of the coefficients, block effects estimated beside them."""
    X = model.matrix(coded)
    p = X.shape[1]
    if blocks is not None:
        X = np.hstack([X, block_contrasts(blocks)])
    if len(X) < X.shape[1] or np.linalg.matrix_rank(X) < X.shape[1]:
        beside = "" if blocks is None else " beside the effects of the blocks"
        raise DesignError.of(
            "cannot-estimate",
            f"{len(X)} runs at these settings cannot estimate the {p} terms of the model"
            f" ({model.name}){beside}.",
            "Add runs at other settings, or aim at a smaller model.",
        )
    return np.asarray(np.linalg.inv(information_matrix(X, plots, variance_ratio))[:p, :p])


def _quadratic_forms(X: FloatArray, covariance: FloatArray) -> FloatArray:
    return np.asarray(np.einsum("ij,ij->i", X @ covariance, X), dtype=np.float64)
