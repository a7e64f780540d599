"""Linear mixed models: runs in whole plots and blocks, fitted by residual maximum likelihood.

y = Xβ + Σ Zᵢuᵢ + e with independent normal effects: V = σ²(I + Σ γᵢZᵢZᵢ'), Zᵢ the indicator of
the i-th grouping (plots, days, lots; crossed or nested). The likelihood is profiled over β and
σ², which leaves the variance ratios γ ≥ 0; zero is an ordinary value of them, met exactly.

Shapes: n runs, p fixed columns, c groupings, q levels of all groupings together. Variances are
ordered as the groupings are, that of single runs last (c + 1 of them).

References
----------
Patterson, Thompson 1971, Biometrika 58:545–554 (residual likelihood; from memory).
Kenward, Roger 1997, Biometrics 53:983–997 (small-sample covariance and F test; formulas from
memory, checked against pbkrtest in the tests).
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from doe.factors import FloatArray

__all__ = [
    "ContrastTest",
    "Grouping",
    "MixedFit",
    "can_be_judged",
    "fit_mixed",
    "indicator",
    "mixed_at_variances",
]

Method = Literal["REML", "ML"]
Grouping = tuple[str, npt.ArrayLike]
"""Name of a grouping, and the group of each run (n,)."""

GRID_POINTS = (0, 24, 9, 6, 4, 3)
"""Positive ratios a grouping in the first look, by number of groupings."""
SMALLEST_RATIO, LARGEST_RATIO = 1e-9, 1e9
NEWTON_STEPS = 60
LONGEST_STEP = 2.0  # in the logarithm of a ratio
SAME = 1e-8


@dataclass(frozen=True, slots=True)
class ContrastTest:
    """Kenward–Roger F test; `df_error` and the scaling of F are approximations."""

    f: float
    df: int
    df_error: float
    p_value: float


@dataclass(frozen=True, slots=True, eq=False)
class MixedFit:
    """A fitted mixed model.

    Attributes
    ----------
    names, variances
        Of the groupings and of single runs, (c + 1,).
    criterion
        −2 log likelihood (ML) or −2 log residual likelihood (REML), all constants included; the
        latter can be compared between fits of the same X only.
    coefficients, covariance
        β (p,) and its Kenward–Roger covariance (p, p).
    plain_covariance
        (X'V⁻¹X)⁻¹ (p, p), which takes the variances as known.
    slopes
        Its derivatives by the variances (c + 1, p, p).
    variance_covariance
        Of the variances (c + 1, c + 1), from the expected information.
    projection
        P = V⁻¹ − V⁻¹X(X'V⁻¹X)⁻¹X'V⁻¹ (n, n).
    """

    method: Method
    names: tuple[str, ...]
    variances: FloatArray
    criterion: float
    coefficients: FloatArray
    covariance: FloatArray
    plain_covariance: FloatArray
    slopes: FloatArray
    variance_covariance: FloatArray
    projection: FloatArray

    @property
    def total_variance(self) -> float:
        """Variance of one run in new groups."""
        return float(self.variances.sum())

    def degrees_of_freedom(self, rows: FloatArray, extra: float = 0.0) -> FloatArray:
        """Return the degrees of freedom (m,) of r'Cr, the variance at each row of rows (m, p).

        With `extra` 1 they are those of the variance of a new run, r'Cr + all variances.

        Notes
        -----
        2v²/var(v), var(v) by the delta method from the expected information: for one contrast
        this is what Kenward and Roger's procedure comes to.
        """
        rows = np.atleast_2d(rows)
        slopes = np.einsum("mi,vij,mj->mv", rows, self.slopes, rows) + extra
        value = np.einsum("mi,ij,mj->m", rows, self.plain_covariance, rows)
        value = value + extra * self.total_variance
        spread = np.einsum("mv,vw,mw->m", slopes, self.variance_covariance, slopes)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.where(spread > 0, 2 * value**2 / spread, np.inf))

    def test(self, L: FloatArray) -> ContrastTest:
        """Return the test of Lβ = 0, L (d, p) of full row rank."""
        from scipy.special import fdtrc

        L = np.atleast_2d(np.asarray(L, dtype=np.float64))
        d = len(L)
        effect = L @ self.coefficients
        wald = float(effect @ np.linalg.solve(L @ self.covariance @ L.T, effect)) / d
        scale, df_error = self._scaled(L)
        f = scale * wald
        return ContrastTest(f, d, df_error, float(fdtrc(d, df_error, max(f, 0.0))))

    def _scaled(self, L: FloatArray) -> tuple[float, float]:
        """Return the factor on Wald's F and its denominator degrees of freedom.

        A1, A2, B, g, c1 to c3, E*, V*, ρ, λ and m of Kenward and Roger 1997, section 3. With the
        variance of runs alone, and with one contrast, they are those of the exact test, which the
        formulas reach as a limit that divides by zero at two and four degrees of freedom.
        """
        d = len(L)
        inner = np.linalg.inv(L @ self.plain_covariance @ L.T)
        parts = inner @ (L @ self.slopes @ L.T)
        traces = np.einsum("vaa->v", parts)
        W = self.variance_covariance
        a1 = float(traces @ W @ traces)
        a2 = float(np.einsum("vw,vab,wba->", W, parts, parts))
        if a2 <= 0:
            return 1.0, float("inf")
        if d == 1 or len(W) == 1:
            return 1.0, 2 * d / a2
        b = (a1 + 6 * a2) / (2 * d)
        g = ((d + 1) * a1 - (d + 4) * a2) / ((d + 2) * a2)
        below = 3 * d + 2 * (1 - g)
        c1, c2, c3 = g / below, (d - g) / below, (d + 2 - g) / below
        with np.errstate(divide="ignore", invalid="ignore"):
            mean = float(1 / np.float64(1 - a2 / d))
            below = np.float64((1 - c2 * b) ** 2 * (1 - c3 * b))
            rho = (1 + c1 * b) / below / (d * mean**2)
            m = float(4 + (d + 2) / (d * rho - 1))
        if not m > 2:  # so few groups that the moments do not exist: the safest that is defined
            return min(1.0, 1 / abs(mean)), max(min(m, 2.0), 1.0) if np.isfinite(m) else 1.0
        return m / (mean * (m - 2)), m


def indicator(groups: npt.ArrayLike) -> FloatArray:
    """Return the indicator matrix (n, levels) of a grouping."""
    levels = np.unique(np.asarray(groups), return_inverse=True)[1].ravel()
    return np.asarray(np.eye(levels.max(initial=-1) + 1)[levels], dtype=np.float64)


def can_be_judged(X: FloatArray, groupings: Sequence[Grouping]) -> tuple[bool, ...]:
    """Return for each grouping, and last for single runs, whether X leaves its variance any trace.

    A grouping is judged by what X and the groupings not nested in it leave of its indicator.
    """
    indicators = [indicator(groups) for _, groups in groupings]
    told = []
    for i, Z in enumerate(indicators):
        others = [A for j, A in enumerate(indicators) if j != i and not _nested(A, Z)]
        known = np.hstack([X, *others])
        told.append(_rank(np.hstack([known, Z])) > _rank(known))
    told.append(_rank(np.hstack([X, *indicators])) < len(X))
    return tuple(told)


def _nested(fine: FloatArray, coarse: FloatArray) -> bool:
    """Whether every group of the fine indicator lies within one group of the coarse."""
    return bool(((fine.T @ coarse > 0).sum(axis=1) == 1).all())


def _rank(A: FloatArray) -> int:
    return int(np.linalg.matrix_rank(A, tol=1e-7 * max(1.0, float(np.abs(A).max(initial=0.0)))))


def fit_mixed(
    X: FloatArray, y: FloatArray, groupings: Sequence[Grouping], method: Method = "REML"
) -> MixedFit:
    """Return the fit of largest (residual) likelihood.

    Parameters
    ----------
    X, y
        Model matrix (n, p) of full column rank, n > p; values (n,).
    groupings
        Random effects; none gives ordinary least squares.

    Raises
    ------
    ValueError
        X has not full column rank, or no residual is left.
    """
    X, y = np.asarray(X, dtype=np.float64), np.asarray(y, dtype=np.float64)
    n, p = X.shape
    if n <= p or _rank(X) < p:
        raise ValueError("the model matrix needs full column rank and more rows than columns")
    indicators = [indicator(groups) for _, groups in groupings]
    profile = _Profile.of(np.linalg.qr(X)[0], y, indicators, method)
    ratios, least = _best_ratios(profile)
    variance = profile.quadratic(ratios) / profile.df
    log_X = float(np.linalg.slogdet(X.T @ X)[1]) if method == "REML" else 0.0
    criterion = least + log_X + profile.constant
    names = (*(name for name, _ in groupings), "run")
    variances = profile.scale**2 * variance * np.append(ratios, 1.0)
    return _assembled(X, y, indicators, variances, names, float(criterion), method)


def likelihood_criterion(
    X: FloatArray, groupings: Sequence[Grouping]
) -> Callable[[FloatArray], float]:
    """Return −2 log likelihood as a function of the values (n,), each at its own best variances.

    What `fit_mixed` finds by maximum likelihood, for many sets of values at the same runs.
    """
    Q = np.linalg.qr(X)[0]
    indicators = [indicator(groups) for _, groups in groupings]

    def of_strata(y: FloatArray) -> float:
        profile = _Profile.of(Q, y, indicators, "ML")
        return _best_ratios(profile)[1] + profile.constant

    def of_runs(y: FloatArray) -> float:
        residuals = y - Q @ (Q.T @ y)
        residuals -= Q @ (Q.T @ residuals)
        return float(len(y) * (1 + np.log(2 * np.pi * (residuals @ residuals) / len(y))))

    return of_strata if indicators else of_runs


def mixed_at_variances(
    X: FloatArray, y: FloatArray, groupings: Sequence[Grouping], variances: FloatArray
) -> MixedFit:
    """Return the fit with all variances given, its residual likelihood not worked out (NaN)."""
    indicators = [indicator(groups) for _, groups in groupings]
    names = (*(name for name, _ in groupings), "run")
    return _assembled(X, y, indicators, variances, names, np.nan, "REML")


@dataclass(frozen=True, slots=True, eq=False)
class _Profile:
    """What the profiled criterion needs: products of the q indicators, freed of X or not.

    With S = I − X(X'X)⁻¹X': log|V| + log|X'V⁻¹X| = log|I + Γ½Z'SZΓ½| + log|X'X| (V in units of
    σ²), and y'Py = y'Sy − y'SZΓ½(I + Γ½Z'SZΓ½)⁻¹Γ½Z'Sy, so that no matrix is larger than q.
    """

    freed: FloatArray
    plain: FloatArray
    products: FloatArray
    rest: float
    member: npt.NDArray[np.intp]
    count: int
    df: int
    scale: float

    @classmethod
    def of(
        cls, Q: FloatArray, y: FloatArray, indicators: Sequence[FloatArray], method: Method
    ) -> _Profile:
        """Return the products, given an orthonormal basis Q (n, p) of the columns of X."""
        n, p = Q.shape
        e = y - Q @ (Q.T @ y)
        e -= Q @ (Q.T @ e)
        scale = float(np.sqrt(e @ e / (n - p))) or 1.0
        e = e / scale
        Z = np.hstack([np.empty((n, 0)), *indicators])
        SZ = Z - Q @ (Q.T @ Z)
        freed = SZ.T @ SZ
        member = np.repeat(np.arange(len(indicators)), [A.shape[1] for A in indicators])
        plain = freed if method == "REML" else Z.T @ Z
        df = n - p if method == "REML" else n
        return cls(freed, plain, SZ.T @ e, float(e @ e), member, len(indicators), df, scale)

    @property
    def constant(self) -> float:
        """What the criterion holds beside `values`, by maximum likelihood."""
        return float(self.df * (1 + np.log(2 * np.pi * self.scale**2 / self.df)))

    def quadratic(self, ratios: FloatArray) -> float:
        return float(self._quadratics(ratios[None])[0])

    def _quadratics(self, ratios: FloatArray) -> FloatArray:
        root = np.sqrt(ratios[:, self.member])
        M = np.eye(len(self.member)) + root[:, :, None] * self.freed * root[:, None, :]
        g = root * self.products
        quadratic = self.rest - np.einsum("mi,mi->m", g, np.linalg.solve(M, g[..., None])[..., 0])
        return np.asarray(quadratic.clip(min=1e-14 * (self.rest or 1.0)))

    def values(self, ratios: FloatArray) -> FloatArray:
        """Return the criterion (m,) at ratios (m, c), less its constants."""
        root = np.sqrt(ratios[:, self.member])
        M = np.eye(len(self.member)) + root[:, :, None] * self.plain * root[:, None, :]
        quadratic = self._quadratics(ratios)
        return np.asarray(np.linalg.slogdet(M)[1] + self.df * np.log(quadratic))

    def derivatives(self, ratios: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return gradient (c,) and matrix of second derivatives (c, c) by the ratios."""
        weights, identity = ratios[self.member], np.eye(len(self.member))
        H = np.linalg.solve(identity + self.freed * weights, self.freed)
        h = np.linalg.solve(identity + self.freed * weights, self.products)
        K = H
        if self.plain is not self.freed:
            K = np.linalg.solve(identity + self.plain * weights, self.plain)
        quadratic = self.quadratic(ratios)
        squares = self._summed(h**2) / quadratic
        gradient = self._summed(np.diag(K)) - self.df * squares
        crossed = self._summed(self._summed(H * np.outer(h, h)).T) / quadratic
        curvature = self.df * (2 * crossed - np.outer(squares, squares))
        return gradient, curvature - self._summed(self._summed(K * K.T).T)

    def _summed(self, values: npt.NDArray[np.floating]) -> FloatArray:
        """Return sums over the levels of each grouping, along the first axis."""
        sums = np.zeros((self.count, *values.shape[1:]))
        np.add.at(sums, self.member, values)
        return sums


def _best_ratios(profile: _Profile) -> tuple[FloatArray, float]:
    """Return the ratios (c,) of the least criterion, and that.

    A grid that holds zero finds the valleys; Newton's method in the logarithms of the positive
    ratios goes down from the best start of every pattern of zeros.
    """
    c = profile.count
    if not c:
        return np.zeros(0), float(profile.values(np.zeros((1, 0)))[0])
    positive = np.logspace(-2, 3, GRID_POINTS[min(c, len(GRID_POINTS) - 1)])
    grid = np.array(list(itertools.product([0.0, *positive], repeat=c)))
    values = profile.values(grid)
    pattern = (grid > 0) @ (2 ** np.arange(c))
    starts = [
        np.flatnonzero(pattern == which)[np.argmin(values[pattern == which])]
        for which in range(1, 2**c)
    ]
    starts += [i for i in _valleys(values.reshape((len(positive) + 1,) * c)) if i not in starts]
    found = [(grid[0], float(values[0]))]
    found += [_descended(profile, grid[i], float(values[i])) for i in starts if i]
    return min(found, key=lambda one: one[1])


def _valleys(values: FloatArray) -> list[int]:
    """Return the places in the grid that are lower than all their neighbours along the axes."""
    low = np.ones(values.shape, dtype=bool)
    for axis in range(values.ndim):
        padded = np.moveaxis(np.pad(values, 1, constant_values=np.inf), axis + 0, 0)
        inner = tuple([slice(1, -1)] * (values.ndim - 1))
        before, after = padded[:-2][(slice(None), *inner)], padded[2:][(slice(None), *inner)]
        here = np.moveaxis(values, axis, 0)
        low &= np.moveaxis((here <= before) & (here <= after), 0, axis)
    return [int(i) for i in np.flatnonzero(low.ravel())]


def _descended(profile: _Profile, start: FloatArray, value: float) -> tuple[FloatArray, float]:
    """Return where Newton's method leads from a start, and the criterion there."""
    ratios = start.copy()
    for _ in range(NEWTON_STEPS):
        gradient, curvature = profile.derivatives(ratios)
        released = (ratios == 0) & (gradient < -1e-9)
        ratios = np.where(released, 1e-6, ratios)
        active = np.flatnonzero(ratios > 0)
        if not len(active):
            break
        if released.any():
            value = float(profile.values(ratios[None])[0])
            gradient, curvature = profile.derivatives(ratios)
        at = ratios[active]
        slope = at * gradient[active]
        if np.abs(slope).max() < 1e-10 * profile.df:
            break
        bend = np.outer(at, at) * curvature[np.ix_(active, active)] + np.diag(slope)
        ratios_next, value_next = _stepped(profile, ratios, value, active, slope, bend)
        if value_next > value - 1e-13 * abs(value):
            break
        ratios, value = ratios_next, value_next
    return ratios, value


def _stepped(
    profile: _Profile,
    ratios: FloatArray,
    value: float,
    active: npt.NDArray[np.intp],
    slope: FloatArray,
    bend: FloatArray,
) -> tuple[FloatArray, float]:
    """Return the best of a few lengths of one Newton step; ratios that vanish become zero."""
    sizes, axes = np.linalg.eigh(bend)
    step = -axes @ ((axes.T @ slope) / np.maximum(np.abs(sizes), 1e-8))
    step /= max(1.0, float(np.abs(step).max()) / LONGEST_STEP)
    tries = np.repeat(ratios[None], 6, axis=0)
    lengths = np.array([1.0, 0.5, 0.25, 0.1, 0.01, 1e-3])
    tries[:, active] = np.exp(np.log(ratios[active]) + lengths[:, None] * step)
    tries = np.where(tries < SMALLEST_RATIO, 0.0, tries.clip(max=LARGEST_RATIO))
    values = profile.values(tries)
    best = 0 if values[0] < value else int(np.argmin(values))
    return tries[best], float(values[best])


def _assembled(
    X: FloatArray,
    y: FloatArray,
    indicators: Sequence[FloatArray],
    variances: FloatArray,
    names: tuple[str, ...],
    criterion: float,
    method: Method,
) -> MixedFit:
    inverse = _inverse(indicators, variances, len(y))
    VX = inverse @ X
    plain = np.linalg.inv(X.T @ VX)
    plain = (plain + plain.T) / 2
    projection = inverse - VX @ plain @ VX.T
    halves = [Z.T @ VX for Z in indicators] + [VX]
    slopes = np.array([plain @ (half.T @ half) @ plain for half in halves])
    W = _variance_covariance(projection, indicators)
    covariance = _adjusted(plain, slopes, W, halves, indicators, inverse)
    coefficients = plain @ (VX.T @ y)
    return MixedFit(
        method, names, variances, criterion, coefficients, covariance, plain, slopes, W, projection
    )


def _inverse(indicators: Sequence[FloatArray], variances: FloatArray, n: int) -> FloatArray:
    """Return V⁻¹ (n, n) by Woodbury's formula, which holds at zero variances too."""
    run = variances[-1]
    if not indicators:
        return np.asarray(np.eye(n) / run)
    sizes = [Z.shape[1] for Z in indicators]
    root = np.sqrt(np.repeat(variances[:-1] / run, sizes))
    ZR = np.hstack(list(indicators)) * root
    inner = np.linalg.solve(np.eye(len(root)) + ZR.T @ ZR, ZR.T)
    inverse = (np.eye(n) - ZR @ inner) / run
    return np.asarray((inverse + inverse.T) / 2)


def _variance_covariance(P: FloatArray, indicators: Sequence[FloatArray]) -> FloatArray:
    """Return the inverse of the expected information ½ tr(PKᵢPKⱼ), Kᵢ = ZᵢZᵢ'."""
    c = len(indicators)
    information = np.empty((c + 1, c + 1))
    PZ = [P @ Z for Z in indicators] + [P]
    for i, j in itertools.combinations_with_replacement(range(c + 1), 2):
        between = indicators[i].T @ PZ[j] if i < c else P
        information[i, j] = information[j, i] = float(np.sum(between**2)) / 2
    size = np.sqrt(np.diag(information))
    size[size == 0] = 1.0
    inverse = np.linalg.pinv(information / np.outer(size, size), rcond=1e-12, hermitian=True)
    return np.asarray(inverse / np.outer(size, size))


def _adjusted(
    plain: FloatArray,
    slopes: FloatArray,
    W: FloatArray,
    halves: Sequence[FloatArray],
    indicators: Sequence[FloatArray],
    inverse: FloatArray,
) -> FloatArray:
    """Return Φ + 2Φ(ΣΣ Wᵢⱼ(Qᵢⱼ − PᵢΦPⱼ))Φ, the second derivatives of V being zero."""
    c = len(indicators)
    shift = np.zeros_like(plain)
    for i, j in itertools.product(range(c + 1), repeat=2):
        left = inverse if i == c else indicators[i].T @ inverse
        middle = left if j == c else left @ indicators[j]
        Q = halves[i].T @ middle @ halves[j]
        shift += W[i, j] * (plain @ Q @ plain - slopes[i] @ np.linalg.solve(plain, slopes[j]))
    adjusted = plain + 2 * shift
    return np.asarray((adjusted + adjusted.T) / 2)
