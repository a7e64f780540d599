"""Values beyond a limit in runs that share a plot, a day or a lot: one random grouping.

yᵢ = xᵢ'β + τu + σe with one standard normal u a group. A measured value counts by its density, a
censored one by the probability of lying beyond its limit, both given u, which is then integrated
out: a group whose values are all measured counts exactly as in a linear mixed model.

Shapes: n runs, p columns of the model matrix, g groups, q nodes of the quadrature.

References
----------
Louis 1982, J. R. Stat. Soc. B 44:226–233 (information with something unseen); Liu, Pierce 1994,
Biometrika 81:624–629 (nodes placed where the integrand lies); both from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import numpy.typing as npt

from doe.analysis.censored import fit_censored, normal_tail, side_signs
from doe.analysis.mixed import Grouping, MixedFit, indicator, mixed_at_variances
from doe.analysis.observations import Censored
from doe.factors import FloatArray

__all__ = ["CensoredGroupsFit", "fit_censored_groups", "widened"]

NODES = 24
"""On either side of a mode."""
DROP = 40.0
MODE_STEPS, REACH_STEPS = 60, 7
CLIMB_STEPS, DESCENT_STEPS = 50, 30
CLIMBED = 1e-6
"""Gain in log likelihood of a step of Newton's after which the next gains some 1e-13."""
RISEN = 1e-9
"""Share of the log likelihood below which what a step gains is the quadrature's error."""
SETTLED = 1e-3
"""Last step of Newton's by log σ and log(1 + ratio); the next would be some 1e-6."""
FIRST_RATIOS = (0.1, 0.5, 2.0, 10.0, 100.0)
"""Variance ratios τ²/σ² from which the search starts, besides zero."""
LARGEST = float(np.log1p(1e4))
LOG_SIGMA = (-8.0, 3.0)  # in units of the scatter that takes all runs as alone
NONE_BELOW = 1e-5
"""A ratio this small that gains no likelihood is zero."""
STEP = 1e-3
"""Of the central differences by log σ and log(1 + ratio)."""
UNSURE_MOST = 9.0
"""Variance of log σ or log(1 + ratio) beyond which nothing is known of it anyhow."""


@cache
def _standard_normal() -> tuple[FloatArray, FloatArray]:
    """Return nodes and log weights by which ∫f(t)dt of a normal f of unit width is exact."""
    t, weight = np.polynomial.hermite.hermgauss(2 * NODES)
    return np.sqrt(2) * t, np.log(np.sqrt(2) * weight) + t**2


@cache
def _unit_interval() -> tuple[FloatArray, FloatArray]:
    t, weight = np.polynomial.legendre.leggauss(NODES)
    return (t + 1) / 2, np.log(weight / 2)


@dataclass(frozen=True, slots=True, eq=False)
class CensoredGroupsFit:
    """The fit of largest likelihood.

    Attributes
    ----------
    coefficients, covariance
        β (p,) and its covariance (p, p) from the observed information on β, σ and τ.
    variances
        τ² and σ², of groups and of single runs, by maximum likelihood, which is on the low side;
        the first may be zero.
    group_slope
        Of the log likelihood by τ²: zero, or below it where τ² is zero.
    criterion
        −2 log likelihood.
    expected
        Values (n,) with those censored replaced by their expectation beyond the limit.
    """

    coefficients: FloatArray
    covariance: FloatArray
    variances: FloatArray
    group_slope: float
    criterion: float
    expected: FloatArray


def fit_censored_groups(
    X: FloatArray, y: FloatArray, sides: Sequence[Censored | None], groups: npt.ArrayLike
) -> CensoredGroupsFit:
    """Return the fit; `y` (n,) holds the limit where `sides` says "below" or "above".

    Raises
    ------
    ValueError
        The measured values alone do not fix the coefficients and the scatter.
    """
    plain = fit_censored(X, y, sides)
    scale = plain.sd
    likelihood = _Likelihood(X, y / scale, side_signs(sides), indicator(groups))
    best = _Search(likelihood, plain.coefficients / scale).best()
    sigma, tau = _scatter(best.at)
    information = likelihood.at(best.beta, sigma, tau).information
    unbounded = best.at[0] <= LOG_SIGMA[0] or (len(best.at) > 1 and best.at[1] >= LARGEST)
    if unbounded or np.linalg.eigvalsh(information)[0] <= 0:
        raise ValueError("the likelihood has no maximum within sensible scatters")
    covariance = np.linalg.inv(information) + best.added_covariance()
    seen = sum(side is None for side in sides)
    return CensoredGroupsFit(
        best.beta * scale,
        (covariance + covariance.T) / 2 * scale**2,
        np.array([tau**2, sigma**2]) * scale**2,
        0.0 if tau else likelihood.slope_at_zero(best.beta, sigma) / scale**2,
        float(best.value + 2 * seen * np.log(scale)),
        likelihood.expected(best.beta, sigma, tau) * scale,
    )


def widened(X: FloatArray, fit: CensoredGroupsFit, measured: int, grouping: Grouping) -> MixedFit:
    """Return the fit with each scatter widened by what maximum likelihood forgets.

    Parameters
    ----------
    measured
        Number of runs whose value is not beyond a limit.

    Notes
    -----
    One step of scoring from the likelihood to the residual likelihood, as if all values were
    measured: for runs alone that multiplies σ² by n/(n − p); in balanced groups it is exact.
    Contrasts of β are widened as they would be then: the covariance is ACA, A the symmetric
    matrix that takes (X'V⁻¹X)⁻¹ from the former variances to the latter. Degrees of freedom are
    what they would be then, times (measured − p)/(n − p): the share that is right for runs alone.
    """
    before = mixed_at_variances(X, fit.expected, [grouping], fit.variances)
    forgotten = np.einsum("vij,ji->v", before.slopes, np.linalg.inv(before.plain_covariance)) / 2
    slope = forgotten + np.array([fit.group_slope, 0.0])
    variances = fit.variances + before.variance_covariance @ slope
    if variances[0] <= 0:
        variances = np.array([0.0, fit.variances[1] * len(X) / (len(X) - X.shape[1])])
    after = mixed_at_variances(X, fit.expected, [grouping], variances)
    A = _between(before.plain_covariance, after.plain_covariance)
    n, p = X.shape
    return replace(
        after,
        method="ML",
        criterion=fit.criterion,
        coefficients=fit.coefficients,
        covariance=A @ fit.covariance @ A.T,
        variance_covariance=after.variance_covariance * (n - p) / (measured - p),
    )


def _between(before: FloatArray, after: FloatArray) -> FloatArray:
    """Return the symmetric A (p, p) with A·before·A = after, both positive definite."""
    sizes, axes = np.linalg.eigh(before)
    root, inverse = (axes * sizes**half @ axes.T for half in (0.5, -0.5))
    sizes, axes = np.linalg.eigh(root @ after @ root)
    return np.asarray(inverse @ (axes * np.sqrt(sizes.clip(min=0.0))) @ axes.T @ inverse)


def _scatter(at: FloatArray) -> tuple[float, float]:
    """Return σ and τ of log σ and log(1 + τ²/σ²), τ zero where the latter is left out."""
    sigma = float(np.exp(at[0]))
    return sigma, sigma * float(np.sqrt(np.expm1(at[1]))) if len(at) > 1 else 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Point:
    """Log likelihood at one β, its slope (p,), and the information (p, p) on β."""

    value: float
    slope: FloatArray
    information: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Likelihood:
    """The likelihood of values z (n,) in groups told by an indicator (n, g)."""

    X: FloatArray
    z: FloatArray
    sign: FloatArray
    member: FloatArray

    def at(self, beta: FloatArray, sigma: float, tau: float) -> _Point:
        """Return the likelihood: slope and information are means over u of those given u.

        The information is that given u less the covariance of the slope given u (Louis 1982).
        """
        u, log_weight = self._nodes(beta, sigma, tau)
        slope, bend, value = self._given(beta, sigma, tau, u)
        weight, log_mass = _normalised(self.member.T @ value - u**2 / 2 + log_weight)
        over = self.member @ weight
        mean_slope, mean_bend = (slope * over).sum(axis=1), (bend * over).sum(axis=1)
        (n, p), q = self.X.shape, u.shape[1]
        products = (slope[:, :, None] * self.X[:, None, :]).reshape(n, q * p)
        sums = (self.member.T @ products).reshape(-1, q, p)
        spread = sums - (weight[..., None] * sums).sum(axis=1, keepdims=True)
        spread = (spread * np.sqrt(weight)[..., None]).reshape(-1, p)
        information = -(self.X * mean_bend[:, None]).T @ self.X - spread.T @ spread
        return _Point(float(log_mass.sum()), self.X.T @ mean_slope, np.asarray(information))

    def slope_at_zero(self, beta: FloatArray, sigma: float) -> float:
        """Return the slope of the log likelihood by τ² at τ = 0, where that by τ vanishes."""
        slope, bend, _ = self._given(beta, sigma, 0.0, np.zeros((self.member.shape[1], 1)))
        return float(np.sum((self.member.T @ slope) ** 2) + bend.sum()) / 2

    def expected(self, beta: FloatArray, sigma: float, tau: float) -> FloatArray:
        """Return the values (n,), a censored one as its expectation given all values."""
        u, log_weight = self._nodes(beta, sigma, tau)
        value = self._given(beta, sigma, tau, u)[2]
        over = self.member @ _normalised(self.member.T @ value - u**2 / 2 + log_weight)[0]
        own = self.member @ u
        centre = (self.X @ beta)[:, None] + tau * own
        ratio = normal_tail(self.sign[:, None] * (self.z[:, None] - centre) / sigma)[1]
        hidden = ((centre - self.sign[:, None] * sigma * ratio) * over).sum(axis=1)
        return np.where(self.sign == 0, self.z, hidden)

    def _given(
        self, beta: FloatArray, sigma: float, tau: float, u: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return first and second derivative by xᵢ'β, and the log likelihood itself, of each run
        (n, q) given u (g, q)."""
        a = ((self.z - self.X @ beta)[:, None] - tau * (self.member @ u)) / sigma
        slope, bend = a / sigma, np.full_like(a, -1 / sigma**2)
        value = -(a**2) / 2 - np.log(sigma) - np.log(2 * np.pi) / 2
        hidden = np.flatnonzero(self.sign)
        sign = self.sign[hidden, None]
        sided = sign * a[hidden]
        value[hidden], ratio = normal_tail(sided)
        slope[hidden] = -sign * ratio / sigma
        bend[hidden] *= (ratio * (ratio + sided)).clip(0.0, 1.0)
        return slope, bend, value

    def _nodes(self, beta: FloatArray, sigma: float, tau: float) -> tuple[FloatArray, FloatArray]:
        """Return nodes (g, 2q) where each group's integrand lies, and their log weights.

        Gauss–Hermite where all values are measured: the integrand is a normal density, and that
        is exact. A censored one falls steeply on one side where τ is much larger than σ, hence
        Gauss–Legendre on either side of its mode, out to where nothing is left.
        """
        if tau == 0:
            g = self.member.shape[1]
            return np.zeros((g, 1)), np.full((g, 1), np.log(2 * np.pi) / 2)
        mode, height, precision = self._modes(beta, sigma, tau)
        reach = self._reach(beta, sigma, tau, mode, height)
        width = np.sqrt(1 / precision)
        normal, half = _standard_normal(), _unit_interval()
        measured_at = width * normal[0], np.log(width) + normal[1]
        low, high = reach[:, :1], reach[:, 1:]
        hidden_at = (
            np.hstack([-low * half[0], high * half[0]]),
            np.hstack([np.log(low) + half[1], np.log(high) + half[1]]),
        )
        measured = ~(self.member.T @ (self.sign != 0)).astype(bool)[:, None]
        offset, log_weight = (
            np.where(measured, *pair) for pair in zip(measured_at, hidden_at, strict=True)
        )
        return mode + offset, log_weight

    def _integrand(
        self, beta: FloatArray, sigma: float, tau: float, u: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the log integrand of each group at u (g, m), its slope and second derivative."""
        slope, bend, value = self._given(beta, sigma, tau, u)
        sums = self.member.T
        return sums @ value - u**2 / 2, tau * (sums @ slope) - u, tau**2 * (sums @ bend) - 1

    def _modes(
        self, beta: FloatArray, sigma: float, tau: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return where each group's integrand is largest (g, 1), its logarithm and curvature there.

        Newton's method: the logarithm is concave, and no step is let lower it.
        """
        u = np.zeros((self.member.shape[1], 1))
        height, slope, bend = self._integrand(beta, sigma, tau, u)
        for _ in range(MODE_STEPS):
            step = -slope / bend
            if np.abs(slope * step).max() < 1e-8:
                break
            while True:
                new, slope, bend = self._integrand(beta, sigma, tau, u + step)
                worse = new < height - 1e-9 * (1 + np.abs(height))
                if not worse.any():
                    break
                step = np.where(worse, step / 2, step)
            u, height = u + step, new
        return u, height, -bend

    def _reach(
        self, beta: FloatArray, sigma: float, tau: float, mode: FloatArray, height: FloatArray
    ) -> FloatArray:
        """Return how far below and above the mode the integrand goes (g, 2), to e^−DROP of it.

        Newton's method from outside, which comes monotonely nearer, the logarithm being concave.
        """
        side = np.array([-1.0, 1.0])
        far = np.full((len(mode), 2), np.sqrt(2 * DROP))
        for _ in range(REACH_STEPS):
            value, slope, _ = self._integrand(beta, sigma, tau, mode + side * far)
            far = far - (height - DROP - value) / (-side * slope)
        return far


def _normalised(log_terms: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return weights (g, q) that sum to 1 a group, and the log of each sum (g,)."""
    top = log_terms.max(axis=1, keepdims=True)
    weight = np.exp(log_terms - top)
    mass = weight.sum(axis=1, keepdims=True)
    return weight / mass, (top + np.log(mass) - np.log(2 * np.pi) / 2)[:, 0]


@dataclass(slots=True)
class _Search:
    """The best scatter, and at each scatter the best β, climbed to from the last one found."""

    likelihood: _Likelihood
    beta: FloatArray

    def found(self, at: FloatArray) -> tuple[FloatArray, float]:
        """Return the best β at log σ and log(1 + τ²/σ²), and the criterion there."""
        sigma, tau = _scatter(at)
        beta = self.beta
        here = self.likelihood.at(beta, sigma, tau)
        for _ in range(CLIMB_STEPS):
            step = np.linalg.solve(here.information, here.slope)
            gain = float(step @ here.slope)
            there = self.likelihood.at(beta + step, sigma, tau)
            while there.value < here.value - 1e-10 * (1 + abs(here.value)):
                step = step / 2
                there = self.likelihood.at(beta + step, sigma, tau)
            risen = there.value - here.value
            beta, here = beta + step, there
            if gain < CLIMBED or risen < RISEN * (1 + abs(here.value)):
                break
        self.beta = beta
        return beta, -2 * here.value

    def best(self) -> _Local:
        """Return the scatter of the least criterion; no group scatter where that gains nothing."""
        alone = self._descended(np.zeros(1))
        starts = [
            np.array([alone.at[0] - np.log1p(ratio) / 4, np.log1p(ratio)]) for ratio in FIRST_RATIOS
        ]
        least, start = min(((self.found(at)[1], at) for at in starts), key=lambda pair: pair[0])
        sigma = float(np.exp(alone.at[0]))
        if least > alone.value and self.likelihood.slope_at_zero(alone.beta, sigma) <= 0:
            return alone
        both = self._descended(start)
        gains = both.value < alone.value - 1e-9 and both.at[1] > NONE_BELOW
        return both if gains else alone

    def _descended(self, at: FloatArray) -> _Local:
        """Return where Newton's method leads from a start, its derivatives by differences."""
        here = self._local(at)
        for _ in range(DESCENT_STEPS):
            step = here.step()
            while True:
                tried = self._inside(here.at + step)
                value = self.found(tried)[1]
                if value <= here.value or np.abs(step).max() < 1e-6:
                    break
                step = step / 2
            here = self._local(tried)
            if np.abs(step).max() < SETTLED:
                break
        return here

    def _local(self, at: FloatArray) -> _Local:
        """Return the criterion about a scatter by central differences, and how β moves with it."""
        at, d = at.copy(), len(at)
        if d == 2:
            at[1] = max(at[1], STEP)
        steps = STEP * np.eye(d)
        beta, value = self.found(at)
        sides = [(self.found(at + step), self.found(at - step)) for step in steps]
        moved = np.array([(up[0] - down[0]) / (2 * STEP) for up, down in sides])
        slope = np.array([(up[1] - down[1]) / (2 * STEP) for up, down in sides])
        bends = [(up[1] + down[1] - 2 * value) / STEP**2 for up, down in sides]
        curvature = np.diag(bends)
        if d == 2:
            diagonal = self.found(at + STEP)[1] + self.found(at - STEP)[1]
            crossed = diagonal - 2 * value - STEP**2 * np.trace(curvature)
            curvature[0, 1] = curvature[1, 0] = crossed / (2 * STEP**2)
        return _Local(at, beta, value, slope, curvature, moved)

    @staticmethod
    def _inside(at: FloatArray) -> FloatArray:
        low, high = ([LOG_SIGMA[i], (0.0, LARGEST)[i]][: len(at)] for i in (0, 1))
        return np.clip(at, low, high)


@dataclass(frozen=True, slots=True, eq=False)
class _Local:
    """The criterion about log σ and log(1 + τ²/σ²), the latter left out where τ is zero (d,).

    `moved` (d, p) is how the best β moves with them.
    """

    at: FloatArray
    beta: FloatArray
    value: float
    slope: FloatArray
    curvature: FloatArray
    moved: FloatArray

    def step(self) -> FloatArray:
        """Return Newton's step, downhill and not too long."""
        sizes, axes = np.linalg.eigh(self.curvature)
        step = -axes @ ((axes.T @ self.slope) / np.maximum(np.abs(sizes), 1e-3))
        return np.asarray(step / max(1.0, float(np.abs(step).max())))

    def added_covariance(self) -> FloatArray:
        """Return what not knowing the scatter adds to the covariance (p, p) of β."""
        sizes, axes = np.linalg.eigh(self.curvature / 2)
        ways = self.moved.T @ axes
        return np.asarray((ways / np.maximum(sizes, 1 / UNSURE_MOST)) @ ways.T)
