"""Gaussian values of which some are only known to lie beyond a limit.

What a limit tells is not Gaussian. Expectation propagation puts in its place the value and the
variance of a measurement that would tell as much: the mean and the variance of what the others
leave of the value, cut off at the limit, then are right for each limit in turn. So zero, half the
limit or the limit itself need not be made up.

Shapes: s sets of covariances, c values of which only a limit is known.

References
----------
Minka 2001, UAI 17:362–369; Rasmussen, Williams 2006, Gaussian Processes for Machine Learning,
section 3.6 and eqs. 3.54–3.65, whose step function stands here at the limit; how near such
probabilities come: Cunningham, Hennig, Lacoste-Julien 2011, arXiv:1111.6832 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from doe.analysis.censored import normal_tail
from doe.factors import FloatArray

__all__ = ["AsMeasured", "as_measured"]

SWEEPS, STILL = 30, 1e-6
LEAST = 1e-8
"""Precision of a limit that tells nothing, where the value's own variance is about 1."""


@dataclass(frozen=True, slots=True, eq=False)
class AsMeasured:
    """Measurements that would tell what the limits tell.

    Attributes
    ----------
    values, variances
        (s, c) each; the variance adds to that of the value.
    log_scale
        (s,) what is to be added to the logarithm of the density of all values, these among them,
        to have that of the measured ones and of the chance of the limits.
    """

    values: FloatArray
    variances: FloatArray
    log_scale: FloatArray


def as_measured(
    mean: FloatArray, covariance: FloatArray, limits: FloatArray, signs: FloatArray
) -> AsMeasured:
    """Return what limits (c,) tell of values with a mean (s, c) and a covariance (s, c, c).

    Parameters
    ----------
    signs
        (c,) +1 where the value lies below its limit, −1 where above: see `side_signs`.
    """
    precision, shift = np.zeros(mean.shape), np.zeros(mean.shape)
    now, spread = mean.copy(), covariance.copy()
    for _ in range(SWEEPS):
        before = precision.copy()
        for i, (limit, sign) in enumerate(zip(limits, signs, strict=True)):
            rest_precision, rest_shift = _rest(precision, shift, now, spread, i)
            middle, variance = rest_shift / rest_precision, 1 / rest_precision
            cut_mean, cut_variance, _ = _cut_off(middle, variance, limit, sign)
            new = np.maximum(1 / cut_variance - rest_precision, LEAST)
            new_shift = cut_mean * (rest_precision + new) - rest_shift
            more, further = new - precision[:, i], new_shift - shift[:, i]
            column = spread[:, :, i].copy()
            share = 1 / (1 + more * column[:, i])
            now += (share * (further - more * now[:, i]))[:, None] * column
            spread -= (share * more)[:, None, None] * (column[:, :, None] * column[:, None, :])
            precision[:, i], shift[:, i] = new, new_shift
        if np.abs(precision - before).max(initial=0.0) <= STILL * (1 + precision.max(initial=0.0)):
            break
    log_scale = np.zeros(len(mean))
    for i, (limit, sign) in enumerate(zip(limits, signs, strict=True)):
        rest_precision, rest_shift = _rest(precision, shift, now, spread, i)
        middle, variance = rest_shift / rest_precision, 1 / rest_precision
        total = variance + 1 / precision[:, i]
        off = shift[:, i] / precision[:, i] - middle
        log_scale += _cut_off(middle, variance, limit, sign)[2]
        log_scale += 0.5 * (np.log(2 * np.pi * total) + off**2 / total)
    return AsMeasured(shift / precision, 1 / precision, log_scale)


def _rest(
    precision: FloatArray, shift: FloatArray, now: FloatArray, spread: FloatArray, i: int
) -> tuple[FloatArray, FloatArray]:
    """Return precision and precision × mean (s,) of value i by all that is known but its limit."""
    own = 1 / spread[:, i, i]
    rest = np.maximum(own - precision[:, i], LEAST)
    return rest, now[:, i] * own - shift[:, i]


def _cut_off(
    middle: FloatArray, variance: FloatArray, limit: float, sign: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return mean, variance and log mass (s,) of a normal density cut off at a limit.

    Rasmussen, Williams, eqs. 3.82–3.85, of a step instead of a cumulative normal.
    """
    sd = np.sqrt(variance)
    at = sign * (limit - middle) / sd
    log_mass, ratio = normal_tail(at)
    left = 1 - ratio * (ratio + at)
    return middle - sign * sd * ratio, variance * np.clip(left, 1e-6, 1.0), log_mass
