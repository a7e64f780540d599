"""Least squares when some values are only known to lie below or above a limit.

Maximum likelihood of a normal model: a measured value counts by its density, a censored one by
the probability of lying beyond its limit, so that neither zero nor half the limit is made up.

Shapes: n runs, p columns of the model matrix.

References
----------
Tobin 1958, Econometrica 26:24–36; Olsen 1978, Econometrica 46:1211–1215, in whose parameters
δ = β/σ and τ = 1/σ the log likelihood is concave (both from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from doe.analysis.observations import Censored
from doe.factors import FloatArray

__all__ = ["CensoredFit", "fit_censored", "normal_tail", "side_signs"]

STEPS = 200


@dataclass(frozen=True, slots=True, eq=False)
class CensoredFit:
    """The fit of largest likelihood.

    Attributes
    ----------
    coefficients, covariance
        β (p,) and its covariance (p, p) from the observed information.
    sd
        Standard deviation of runs by maximum likelihood, which is on the low side.
    criterion
        −2 log likelihood.
    expected
        Values (n,) with those censored replaced by their expectation beyond the limit.
    information
        Share (n,) of what a measured value tells of the mean: 1 where measured, near 0 where the
        model lies so far beyond the limit that nothing else was to be expected.
    """

    coefficients: FloatArray
    covariance: FloatArray
    sd: float
    criterion: float
    expected: FloatArray
    information: FloatArray


def fit_censored(X: FloatArray, y: FloatArray, sides: Sequence[Censored | None]) -> CensoredFit:
    """Return the fit; `y` (n,) holds the limit where `sides` says "below" or "above".

    Raises
    ------
    ValueError
        The measured values alone do not fix the coefficients and the scatter.
    """
    sign = side_signs(sides)
    seen = sign == 0
    p = X.shape[1]
    if seen.sum() <= p or np.linalg.matrix_rank(X[seen]) < p:
        raise ValueError("too few measured values")
    scale = float(y[seen].std()) or 1.0
    z = y / scale
    start = np.linalg.lstsq(X[seen], z[seen], rcond=None)[0]
    spread = float(np.sqrt(np.mean((z[seen] - X[seen] @ start) ** 2))) or 1e-8
    at = np.append(start, 1.0) / spread
    at = _climbed(X, z, sign, at)
    beta, sigma = at[:p] / at[p], 1 / float(at[p])
    value, _, curvature = _likelihood(X, z, sign, at)
    covariance = _covariance(curvature, beta, sigma)
    a = (z - X @ beta) / sigma
    ratio = normal_tail(sign * a)[1]
    expected = X @ beta - sign * sigma * ratio
    expected[seen] = z[seen]
    information = np.where(seen, 1.0, (ratio * (ratio + sign * a)).clip(0.0, 1.0))
    criterion = -2 * (value - seen.sum() * (np.log(scale) + np.log(2 * np.pi) / 2))
    return CensoredFit(
        beta * scale,
        covariance * scale**2,
        sigma * scale,
        float(criterion),
        expected * scale,
        information,
    )


def side_signs(sides: Sequence[Censored | None]) -> FloatArray:
    """Return +1 for a value below its limit, −1 for one above, 0 for one measured (n,)."""
    return np.array([{"below": 1.0, "above": -1.0}.get(side or "", 0.0) for side in sides])


def _likelihood(
    X: FloatArray, z: FloatArray, sign: FloatArray, at: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    """Return log likelihood (constants apart), gradient and second derivatives in (δ, τ)."""
    seen = sign == 0
    A = np.column_stack([-X, z])  # u = A·(δ, τ), the standardised residual or limit
    u = A @ at
    chance, ratio = (np.where(seen, 0.0, part) for part in normal_tail(sign * u))
    value = seen.sum() * np.log(at[-1]) - np.sum(u[seen] ** 2) / 2
    value += float(np.sum(chance))
    slope = np.where(seen, -u, sign * ratio)
    bend = np.where(seen, -1.0, -ratio * (ratio + sign * u))
    gradient = A.T @ slope
    gradient[-1] += seen.sum() / at[-1]
    curvature = (A * bend[:, None]).T @ A
    curvature[-1, -1] -= seen.sum() / at[-1] ** 2
    return float(value), gradient, curvature


def _climbed(X: FloatArray, z: FloatArray, sign: FloatArray, at: FloatArray) -> FloatArray:
    """Return the maximum: Newton's method with halved steps, the function being concave."""
    value, gradient, curvature = _likelihood(X, z, sign, at)
    for _ in range(STEPS):
        step = np.linalg.lstsq(-curvature, gradient, rcond=None)[0]
        if gradient @ step < 1e-14 * (1 + abs(value)):
            break
        length = 1.0 if at[-1] + step[-1] > 0 else -0.9 * at[-1] / step[-1]
        while length > 1e-10:
            tried = at + length * step
            new = _likelihood(X, z, sign, tried)
            if new[0] >= value:
                break
            length /= 2
        else:
            break
        at, (value, gradient, curvature) = tried, new
    return at


def _covariance(curvature: FloatArray, beta: FloatArray, sigma: float) -> FloatArray:
    """Return the covariance (p, p) of β = δ/τ from the information on (δ, τ)."""
    p = len(beta)
    jacobian = np.hstack([sigma * np.eye(p), (-sigma * beta)[:, None]])
    covariance = jacobian @ np.linalg.inv(-curvature) @ jacobian.T
    return np.asarray((covariance + covariance.T) / 2)


def normal_tail(u: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return log Φ(u) and φ(u)/Φ(u), also far out where both vanish."""
    from scipy.special import log_ndtr

    below = log_ndtr(u)
    return below, np.asarray(np.exp(-(u**2) / 2 - np.log(2 * np.pi) / 2 - below))
