"""How likely one new run meets every limit, where that is likely enough, and what swings cost.

Shapes: n settings, k factors, p coefficients, r responses with a limit or a tolerance.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np
import numpy.typing as npt

from doe.analysis.fit import FittedModel
from doe.analysis.optimum import misses
from doe.analysis.recommendation import chance_of_all_aims
from doe.analysis.surface import second_order
from doe.factors import FactorSpace, Feasible, FloatArray, NumericFactor, sample_box

if TYPE_CHECKING:
    from doe.analysis.surrogate import Surrogate
    from doe.responses import Response

__all__ = [
    "Aims",
    "AllAims",
    "FreerAims",
    "ProbableRegion",
    "all_aims",
    "probable_region",
    "transmitted_sd",
]

How = Literal["one response", "joint", "bound"]

JOINT_DF = 3
"""Degrees of freedom that must be left to the joint distribution (our rule)."""
DRAWS = 2_000
CHUNK = 100
"""Settings worked on at a time: more would not stay in the processor's cache."""
PLACES = 2_000
SWUNG = 16
"""Places tried within the swings around each setting."""


@dataclass(frozen=True, slots=True, eq=False)
class AllAims:
    """The chance that one new run meets every limit and tolerance.

    Attributes
    ----------
    how
        "one response": its t distribution. "joint": the multivariate t distribution with the
        correlation (r, r) of the residuals. "bound": Bonferroni's, at least this whatever the
        correlation, where the residuals do not carry the joint distribution.
    df
        Of the joint distribution; None otherwise.
    swings
        (k,) largest deviation of each factor either way from what is set, in its unit.
    """

    fits: tuple[FittedModel, ...]
    how: How
    correlation: FloatArray | None
    df: float | None
    swings: FloatArray

    @property
    def space(self) -> FactorSpace:
        return self.fits[0].model.space

    def chance(self, settings: npt.ArrayLike) -> FloatArray:
        """Return the chance (n,) at settings (n, k) in real units, kept exactly."""
        rows = np.array(settings, dtype=np.float64, ndmin=2)
        if self.how != "joint":
            return np.asarray((1 - misses(self.fits, rows)).clip(min=0.0))
        return self._joint(rows)

    def chance_with_swings(self, settings: npt.ArrayLike) -> FloatArray:
        """Return the chance (n,) where the rig strays within its swings from what is set."""
        return _swung(self.chance, settings, self.strays())

    def strays(self) -> FloatArray:
        """Return deviations (SWUNG, k) spread evenly through the swings; none without a swing."""
        return _strays(self.swings)

    def draws(self) -> FloatArray:
        """Return draws (DRAWS, r) of a new run's scatter, each response in units of its own."""
        assert self.correlation is not None
        assert self.df is not None
        rng = np.random.default_rng(0)
        drawn = rng.multivariate_normal(np.zeros(len(self.fits)), self.correlation, DRAWS)
        drawn *= np.sqrt(self.df / rng.chisquare(self.df, (DRAWS, 1)))
        return np.asarray(drawn)

    def _joint(self, rows: FloatArray) -> FloatArray:
        """Return the share of draws from the joint distribution that meet all aims.

        The same draws at every setting, so that chances can be compared.
        """
        draws = self.draws()
        bounds = [self._bounds(fit, rows) for fit in self.fits]
        chance = np.empty(len(rows))
        for first in range(0, len(rows), CHUNK):
            part = slice(first, first + CHUNK)
            met = np.ones((len(rows[part]), DRAWS), dtype=np.bool_)
            for (low, high), drawn in zip(bounds, draws.T, strict=True):
                met &= (drawn >= low[part, None]) & (drawn <= high[part, None])
            chance[part] = met.mean(axis=1)
        return chance

    def _bounds(self, fit: FittedModel, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return what is wanted of a response, in units of a new run's scatter around its mean.

        √(ν/df) makes the scatter that of the joint distribution, whose degrees of freedom df are
        fewer than the ν of the response alone.
        """
        wanted = fit.response.interval_wanted()
        assert wanted is not None
        assert self.df is not None
        mean, error, own_df = fit.new_run(rows)
        error = error * np.sqrt(own_df / self.df)
        low, high = (float(fit.scale.forward(bound)) for bound in wanted)
        return (low - mean) / error, (high - mean) / error


def all_aims(fits: Sequence[FittedModel], swings: npt.ArrayLike | None = None) -> AllAims | None:
    """Return the chance of meeting all aims as a function of settings; None without any limit.

    Notes
    -----
    With residual covariance S on ν degrees of freedom a new run of r responses is multivariate t
    with ν − r + 1 degrees of freedom around the predictions, scale matrix
    (1 + x'(X'X)⁻¹x)·S·ν/(ν − r + 1): Press 1972, section 8.6; Peterson 2004, J. Qual. Technol.
    36:139–153 (both from memory). It is exact for one model of all responses; where they have
    terms of their own each keeps its own variance, and ν is the smallest. It is used for
    responses fitted by least squares to the same runs if ν − r + 1 is at least three.
    """
    limited = tuple(fit for fit in fits if fit.response.interval_wanted())
    if not limited:
        return None
    k = len(limited[0].model.space)
    swung = np.zeros(k) if swings is None else np.asarray(swings, dtype=np.float64)
    if len(limited) == 1:
        return AllAims(limited, "one response", None, None, swung)
    df = min(fit.df_residual for fit in limited) - len(limited) + 1
    same_runs = len({fit.runs_used for fit in limited}) == 1
    plain = all(fit.mixed is None and not any(fit.censored) for fit in limited)
    if df < JOINT_DF or not (same_runs and plain):
        return AllAims(limited, "bound", None, None, swung)
    residuals = np.column_stack([fit.residuals for fit in limited])
    size = np.sqrt((residuals**2).sum(axis=0))
    if not size.min() > 0:
        return AllAims(limited, "bound", None, None, swung)
    correlation = residuals.T @ residuals / np.outer(size, size)
    return AllAims(limited, "joint", correlation, float(df), swung)


class Aims(Protocol):
    """The chance that one new run meets every limit and tolerance, by some kind of model."""

    @property
    def how(self) -> How: ...
    @property
    def swings(self) -> FloatArray: ...
    @property
    def space(self) -> FactorSpace: ...
    def chance(self, settings: npt.ArrayLike) -> FloatArray: ...
    def chance_with_swings(self, settings: npt.ArrayLike) -> FloatArray: ...


@dataclass(frozen=True, slots=True, eq=False)
class FreerAims:
    """The chance by surrogates, as the recommended settings rest on them: at least this."""

    responses: tuple[Response, ...]
    surrogates: Mapping[str, Surrogate]
    swings: FloatArray

    @property
    def how(self) -> How:
        wanted = sum(response.interval_wanted() is not None for response in self.responses)
        return "one response" if wanted == 1 else "bound"

    @property
    def space(self) -> FactorSpace:
        return next(iter(self.surrogates.values())).space

    def chance(self, settings: npt.ArrayLike) -> FloatArray:
        """Return the chance (n,) at settings (n, k) in real units, kept exactly."""
        rows = np.array(settings, dtype=np.float64, ndmin=2)
        return chance_of_all_aims(self.responses, self.surrogates, rows)

    def chance_with_swings(self, settings: npt.ArrayLike) -> FloatArray:
        """Return the chance (n,) where the rig strays within its swings from what is set."""
        return _swung(self.chance, settings, _strays(self.swings))


def _strays(swings: FloatArray) -> FloatArray:
    moving = np.flatnonzero(swings > 0)
    if not len(moving):
        return np.empty((0, len(swings)))
    stray = np.zeros((SWUNG, len(swings)))
    stray[:, moving] = _evenly(len(moving)) * swings[moving]
    return stray


def _swung(
    chance: Callable[[FloatArray], FloatArray], settings: npt.ArrayLike, strays: FloatArray
) -> FloatArray:
    """Return the average (n,) of the chances over deviations spread evenly through the swings.

    An assumption, since nothing is known of how a rig strays. Predictions beyond the ranges are
    used as they come.
    """
    rows = np.array(settings, dtype=np.float64, ndmin=2)
    if not len(strays):
        return chance(rows)
    around = (rows[:, None] + strays).reshape(-1, rows.shape[1])
    return np.asarray(chance(around).reshape(len(rows), SWUNG).mean(axis=1))


@dataclass(frozen=True, slots=True, eq=False)
class ProbableRegion:
    """Where one new run meets all aims with at least `level` chance.

    Attributes
    ----------
    share, share_with_swings
        Of what the rig can run of the ranges, settings kept exactly and straying within the
        swings.
    highest, highest_with_swings
        The highest chance among the places looked at.
    """

    aims: Aims
    level: float
    share: float
    share_with_swings: float
    highest: float
    highest_with_swings: float

    def contains(self, settings: npt.ArrayLike) -> npt.NDArray[np.bool_]:
        """Return whether each of n settings (n, k) belongs to it, swings counted."""
        return np.asarray(self.aims.chance_with_swings(settings) >= self.level)


def probable_region(
    aims: Aims, feasible: Feasible, *, level: float = 0.9, places: int = PLACES
) -> ProbableRegion | None:
    """Return the region of at least this chance, judged at evenly spread feasible places.

    None where none of the places looked at can be run. The share is good to about
    √(share·(1 − share)/places), and often better.
    """
    spread = sample_box(aims.space, places)
    spread = spread[feasible(spread)]
    if not len(spread):
        return None
    kept = aims.chance(spread)
    swung = aims.chance_with_swings(spread) if (aims.swings > 0).any() else kept
    return ProbableRegion(
        aims,
        level,
        float(np.mean(kept >= level)),
        float(np.mean(swung >= level)),
        float(kept.max()),
        float(swung.max()),
    )


def transmitted_sd(
    fitted: FittedModel, settings: npt.ArrayLike, input_sd: npt.ArrayLike
) -> FloatArray | None:
    """Return how much scatter of the inputs, sd (k,) in real units, adds to a run's: sd (n,).

    In the unit of the model: of a log response, of its logarithm. None for a model beyond order
    two.

    Notes
    -----
    For independent normal errors of variance Σ the variance of b'x + x'Bx is exactly
    g'Σg + 2·tr(BΣBΣ), g the gradient there. Where achieved settings were not written down, the
    scatter of runs holds some of this already.
    """
    rows = np.array(settings, dtype=np.float64, ndmin=2)
    space = fitted.model.space
    variance = np.zeros(len(rows))
    for levels in np.unique(rows[:, list(space.categorical)], axis=0):
        own = (rows[:, list(space.categorical)] == levels).all(axis=1)
        surface = second_order(fitted, rows[own][0])
        if surface is None:
            return None
        sd = _coded_sd(space, surface.active, np.asarray(input_sd, dtype=np.float64))
        x = space.code(rows[own])[:, surface.active]
        gradient = surface.slope + 2 * x @ surface.curvature
        inner = surface.curvature * np.outer(sd, sd)
        variance[own] = (gradient * sd) ** 2 @ np.ones(len(sd)) + 2 * np.sum(inner**2)
    return np.sqrt(variance)


def _coded_sd(space: FactorSpace, active: Sequence[int], sd: FloatArray) -> FloatArray:
    half_ranges = []
    for i in active:
        factor = space.factors[i]
        assert isinstance(factor, NumericFactor)
        half_ranges.append(factor.half_range)
    return np.asarray(sd[list(active)] / half_ranges)


def _evenly(dimensions: int) -> FloatArray:
    """Return deviations (SWUNG, dimensions) spread through −1 … +1, in opposite pairs.

    So that a slope alone changes no average.
    """
    space = FactorSpace(tuple(NumericFactor(f"x{i}", "", -1, 1) for i in range(dimensions)))
    half = sample_box(space, SWUNG // 2)
    return np.vstack([half, -half])
