"""How well the results fix the place of the best settings: where else it could be.

Coefficients, or surfaces of freer shape, are drawn from what the results leave possible, and each
draw is asked for its own best among the feasible candidates. A fitted model is taken as given: that
another one might fit better is not counted.

Shapes: n candidates, k factors, p coefficients, d draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from doe.analysis.fit import FittedModel
from doe.analysis.optimum import misses, value_of_figures, value_of_one_figure
from doe.factors import CategoricalFactor, FactorSpace, FloatArray, NumericFactor

__all__ = ["Location", "Spread", "drawn_coefficients", "location_among", "location_of_best"]

DRAWS = 400
CHUNK = 50
"""Draws worked on at a time: more would not stay in the processor's cache."""
AT_END = 1e-6


@dataclass(frozen=True, slots=True)
class Spread:
    """Where the best value of one factor may lie.

    Attributes
    ----------
    low, high
        Of a numeric factor, in its unit; None for a categorical one.
    at_low_end, at_high_end
        Share of the draws whose best lies on that end of the range.
    levels
        Share of the draws a level of a categorical factor.
    """

    low: float | None = None
    high: float | None = None
    at_low_end: float = 0.0
    at_high_end: float = 0.0
    levels: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Location:
    """The best settings of each draw (d, k), and per factor how they spread.

    `pivots` (r, d) are, for each response, by how many standard errors the draw's mean at its own
    best settings lies above the fitted mean there; of freer surfaces there are none.
    """

    best: FloatArray
    spreads: tuple[Spread, ...]
    level: float
    pivots: FloatArray = field(default_factory=lambda: np.empty((0, 0)))

    def reaching(self, space: FactorSpace, settings: FloatArray) -> Location:
        """Return the location with intervals that reach to settings (k,) others found the best."""
        spreads = list(self.spreads)
        for i in space.numeric:
            low, high, at = spreads[i].low, spreads[i].high, float(settings[i])
            if low is not None and high is not None:
                spreads[i] = replace(spreads[i], low=min(low, at), high=max(high, at))
        return replace(self, spreads=tuple(spreads))


def location_of_best(
    fits: Sequence[FittedModel],
    candidates: FloatArray,
    *,
    seed: int = 0,
    draws: int = DRAWS,
    level: float = 0.95,
) -> Location:
    """Return where the best feasible settings for all aims could lie, responses as in `fits`.

    Parameters
    ----------
    candidates
        Feasible settings (n, k). Places are no finer than these, so the ends of an interval are
        moved out by half the way to the next value that the candidates have.

    Notes
    -----
    Parametric bootstrap: β* = β + √(ν/χ²_ν)·V^½z, independent from response to response, so the
    scatter's own uncertainty counts too. The best of a draw is that of the joint optimum, with
    the draw's means, and the half widths of new runs as fitted. An interval holds the middle
    `level` of the draws.
    """
    rng = np.random.default_rng(seed)
    space = fits[0].model.space
    coded = space.code(candidates)
    means = [drawn_coefficients(fit, rng, draws) for fit in fits]
    designs = [fit.model.matrix(coded) for fit in fits]
    offsets = [_offset(fit, candidates, level) for fit in fits]
    missed = misses(fits, candidates) if len(fits) > 1 else 0.0
    best = []
    for first in range(0, draws, CHUNK):
        figures = [
            fit.scale.back(beta[first : first + CHUNK] @ X.T + offset)
            for fit, beta, X, offset in zip(fits, means, designs, offsets, strict=True)
        ]
        if len(fits) == 1:
            value = value_of_one_figure(fits[0], figures[0])
        else:
            value = value_of_figures(fits, figures, missed)
        best.append(np.argmax(value, axis=1))
    chosen = np.concatenate(best)
    places = candidates[chosen]
    pivots = [
        _pivots(fit, beta, X[chosen]) for fit, beta, X in zip(fits, means, designs, strict=True)
    ]
    return replace(location_among(space, candidates, places, level), pivots=np.array(pivots))


def location_among(
    space: FactorSpace, candidates: FloatArray, best: FloatArray, level: float = 0.95
) -> Location:
    """Return how the best settings (d, k) of draws spread; they are among candidates (n, k)."""
    spreads = tuple(_spread(space, candidates, best, i, level) for i in range(len(space)))
    return Location(best, spreads, level)


def _pivots(fit: FittedModel, drawn: FloatArray, rows: FloatArray) -> FloatArray:
    """Return by how many standard errors drawn means lie above fitted ones, a row (d, p) a draw."""
    above = np.einsum("dp,dp->d", rows, drawn - fit.coefficients)
    error = np.sqrt(np.einsum("dp,pq,dq->d", rows, fit.covariance, rows).clip(min=0.0))
    return np.asarray(np.divide(above, error, out=np.zeros_like(above), where=error > 0))


def drawn_coefficients(fit: FittedModel, rng: np.random.Generator, draws: int) -> FloatArray:
    """Return coefficients (d, p) that the results leave possible."""
    values, vectors = np.linalg.eigh(fit.covariance)
    root = vectors * np.sqrt(values.clip(min=0.0))
    df = float(np.min(fit.degrees_of_freedom(np.eye(len(fit.covariance)))))
    stretch = np.sqrt(df / rng.chisquare(df, (draws, 1))) if np.isfinite(df) else 1.0
    drawn = rng.normal(size=(draws, len(values))) @ root.T
    return np.asarray(fit.coefficients + stretch * drawn)


def _offset(fit: FittedModel, candidates: FloatArray, level: float) -> FloatArray:
    """Return what the judged figure lies from the mean (n,), on the scale of the model."""
    if fit.response.aim not in ("below", "above"):
        return np.zeros(len(candidates))
    predicted = fit.predict(candidates, level)
    bound = predicted.run_high if fit.response.aim == "below" else predicted.run_low
    return np.asarray(fit.scale.forward(bound) - fit.scale.forward(predicted.mean))


def _spread(
    space: FactorSpace, candidates: FloatArray, best: FloatArray, i: int, level: float
) -> Spread:
    factor, values = space.factors[i], best[:, i]
    if isinstance(factor, CategoricalFactor):
        shares = [float(np.mean(values == index)) for index in range(len(factor.levels))]
        return Spread(levels=tuple(shares))
    assert isinstance(factor, NumericFactor)
    known = np.unique(candidates[:, i])
    low, high = np.quantile(values, [(1 - level) / 2, (1 + level) / 2], method="nearest")
    below, above = known[known < low], known[known > high]
    slack = AT_END * factor.half_range
    return Spread(
        float((low + below[-1]) / 2) if len(below) else float(low),
        float((high + above[0]) / 2) if len(above) else float(high),
        float(np.mean(values <= factor.low + slack)),
        float(np.mean(values >= factor.high - slack)),
    )
