"""Powers and logarithms of a response, and the power that the data ask for.

The power form is scaled by the geometric mean of the values, so that coefficients, residuals and
likelihoods of different powers can be compared and stay near the unit of the response.

Shapes: n runs, p columns, m settings.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.errors import FitError
from doe.factors import FloatArray

__all__ = ["NONE", "BoxCox", "Transformation", "box_cox", "log", "power"]

WIDEST = 3.0
"""Powers looked at: −3 to 3."""
NODES = 40


@dataclass(frozen=True, slots=True)
class Transformation:
    """z = (y^λ − 1)/(λ·g^(λ−1)), g the geometric mean; z = ln y for the logarithm.

    `exponent` is λ; 0 with `scale` 1 is the plain logarithm, 1 leaves the values as they are.
    """

    exponent: float = 1.0
    scale: float = 1.0

    @property
    def words(self) -> str:
        if self.exponent == 1:
            return "none"
        return "log" if self.exponent == 0 else f"power {self.exponent:g}"

    def forward(self, values: npt.ArrayLike) -> FloatArray:
        """Return z of values above zero."""
        y = np.asarray(values, dtype=np.float64)
        if self.exponent == 1:
            return y
        with np.errstate(divide="ignore", invalid="ignore"):
            if self.exponent == 0:
                return np.asarray(self.scale * np.log(np.maximum(y, 0.0)))
            lam = self.exponent
            return np.asarray((np.maximum(y, 0.0) ** lam - 1) / self._divisor)

    def centred(self, values: npt.ArrayLike) -> FloatArray:
        """Return z less a constant, g·((y/g)^λ − 1)/λ: of large values no digits cancel.

        For models with an intercept, where a constant makes no difference to the likelihood.
        """
        y = np.asarray(values, dtype=np.float64)
        share = np.log(y / self.scale)
        if self.exponent == 0:
            return np.asarray(self.scale * share)
        return np.asarray(self.scale * np.expm1(self.exponent * share) / self.exponent)

    def back(self, z: npt.ArrayLike) -> FloatArray:
        """Return y of z; where no y has that z, the end of the values possible: 0 or infinity."""
        z = np.asarray(z, dtype=np.float64)
        if self.exponent == 1:
            return z
        with np.errstate(divide="ignore", over="ignore"):
            if self.exponent == 0:
                return np.asarray(np.exp(z / self.scale))
            return np.asarray(np.maximum(self._divisor * z + 1, 0.0) ** (1 / self.exponent))

    def slope_back(self, z: npt.ArrayLike) -> FloatArray:
        """Return dy/dz."""
        y = self.back(z)
        if self.exponent == 1:
            return np.ones_like(y)
        with np.errstate(divide="ignore", invalid="ignore"):
            if self.exponent == 0:
                return np.asarray(y / self.scale)
            return np.asarray(self._divisor / self.exponent * y ** (1 - self.exponent))

    def mean_back(self, z: FloatArray, sd: FloatArray | float) -> FloatArray:
        """Return the mean of y where z is normal with the given means (m,) and deviation.

        For the logarithm exp(z + sd²/2); else by Gauss–Hermite quadrature.
        """
        z, sd = np.asarray(z, dtype=np.float64), np.broadcast_to(sd, np.shape(z))
        if self.exponent == 1:
            return z
        if self.exponent == 0:
            return np.asarray(np.exp(z / self.scale + (sd / self.scale) ** 2 / 2))
        at, weights = np.polynomial.hermite_e.hermegauss(NODES)
        y = self.back(z[..., None] + sd[..., None] * at)
        return np.asarray(y @ (weights / weights.sum()))

    @property
    def _divisor(self) -> float:
        return float(self.exponent * self.scale ** (self.exponent - 1))


NONE = Transformation()


def log() -> Transformation:
    """Return the natural logarithm."""
    return Transformation(0.0)


def power(exponent: float, values: FloatArray) -> Transformation:
    """Return a power of values above zero, scaled by their geometric mean.

    Raises
    ------
    FitError
        A value is zero or negative.
    """
    if exponent == 1:
        return NONE
    return Transformation(exponent, _geometric_mean(values))


@dataclass(frozen=True, slots=True, eq=False)
class BoxCox:
    """Profile likelihood of the power.

    Attributes
    ----------
    best, low, high
        The most likely power and its interval; an end at ±3 means "or beyond".
    suggested
        1 (leave as it is) where the interval holds it, else the simplest of 0, ½, −1, −½ and 2
        that it holds, else `best` to one decimal.
    powers, log_likelihood
        The profile.
    """

    best: float
    low: float
    high: float
    suggested: float
    level: float
    powers: FloatArray
    log_likelihood: FloatArray

    @property
    def why(self) -> str:
        """The advice in one line."""
        interval = f"the {100 * self.level:.0f} % interval of the power is {self.interval}"
        if self.suggested == 1:
            return f"No transformation: {interval}, which holds 1."
        name = {0.0: "the logarithm", 0.5: "the square root", -1.0: "the reciprocal"}
        word = name.get(self.suggested, f"the power {self.suggested:g}")
        return f"Take {word}: {interval}, without 1."

    @property
    def best_in_words(self) -> str:
        """The most likely power; at an end of the powers looked at, that it may lie beyond."""
        if abs(self.best) > WIDEST - 0.05:  # the search comes near its end, not onto it
            return "−3 or below" if self.best < 0 else "3 or above"
        return f"{self.best:.1f}".replace("-", "−")

    @property
    def interval(self) -> str:
        """The interval of the power in words."""
        low = "below −3" if self.low <= -WIDEST else f"{self.low:.2f}"
        high = "above 3" if self.high >= WIDEST else f"{self.high:.2f}"
        return f"{low} to {high}".replace("-", "−")


def box_cox(
    values: FloatArray,
    criterion: Callable[[FloatArray], float],
    freedom: int,
    level: float = 0.95,
) -> BoxCox:
    """Return the profile of the power.

    Parameters
    ----------
    values
        Of the response (n,), all above zero.
    criterion
        −2 log likelihood of transformed values (n,) under the model, by maximum likelihood.
    freedom
        Degrees of freedom left to the scatter of runs, the power not counted. Where it uses up the
        last of them every power is possible.

    Raises
    ------
    FitError
        A value is zero or negative.

    Notes
    -----
    Box, Cox 1964, J. R. Stat. Soc. B 26:211–252 (from memory). The scaled form carries the
    Jacobian. The interval holds the powers of which −2 log L lies less than n·ln(1 + t²/ν) above
    the least, ν = `freedom` − 1: the power costs one more coefficient, as the added variable does
    by which it can be tested exactly (Andrews 1971, Biometrika 58:249–254, from memory). For many
    runs that is χ² with one degree of freedom, which few runs with many terms exceed by far too
    often.
    """
    scale = _geometric_mean(values)

    def loss(exponent: float) -> float:
        return criterion(Transformation(exponent, scale).centred(values))

    powers = np.linspace(-WIDEST, WIDEST, 61)
    losses = np.array([loss(float(lam)) for lam in powers])
    least = int(np.argmin(losses))
    best = _least(loss, float(powers[max(least - 1, 0)]), float(powers[min(least + 1, 60)]))
    limit = loss(best) + _allowed(len(values), freedom - 1, level)
    low, high = _crossing(loss, limit, best, -WIDEST), _crossing(loss, limit, best, WIDEST)
    simple = next((lam for lam in (1.0, 0.0, 0.5, -1.0, -0.5, 2.0) if low <= lam <= high), None)
    suggested = round(best, 1) if simple is None else simple
    return BoxCox(best, low, high, suggested, level, powers, -losses / 2)


def _allowed(n: int, freedom: int, level: float) -> float:
    """Return by how much −2 log L of n runs may lie above its least within the interval."""
    from scipy.special import stdtrit

    if freedom < 1:
        return float("inf")
    t = float(stdtrit(freedom, (1 + level) / 2))
    return float(n * np.log1p(t**2 / freedom))


def _least(loss: Callable[[float], float], low: float, high: float, apart: float = 1e-6) -> float:
    """Return where the loss is least between two powers, by golden sections."""
    golden = (np.sqrt(5) - 1) / 2
    left, right = high - golden * (high - low), low + golden * (high - low)
    at_left, at_right = loss(left), loss(right)
    while high - low > apart:
        if at_left <= at_right:
            high, right, at_right = right, left, at_left
            left = high - golden * (high - low)
            at_left = loss(left)
        else:
            low, left, at_left = left, right, at_right
            right = low + golden * (high - low)
            at_right = loss(right)
    return float((low + high) / 2)


def _crossing(loss: Callable[[float], float], limit: float, inside: float, end: float) -> float:
    """Return where the loss crosses the limit between a power inside and an end; or the end."""
    if loss(end) <= limit:
        return end
    outside = end
    for _ in range(40):
        middle = (inside + outside) / 2
        inside, outside = (middle, outside) if loss(middle) <= limit else (inside, middle)
    return (inside + outside) / 2


def _geometric_mean(values: FloatArray) -> float:
    values = np.asarray(values, dtype=np.float64)
    if (values <= 0).any():
        raise FitError.of(
            "not-positive",
            f"The lowest value is {values.min():g}; powers and logarithms need values above zero.",
            "Fit the values as they are.",
        )
    return float(np.exp(np.log(values).mean()))
