"""Kernels that judge a fit: confounded columns, influence of single runs, lack of fit.

Shapes: n runs, p columns of the model matrix.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.factors import FloatArray

__all__ = [
    "EXACT",
    "Influence",
    "LackOfFit",
    "confounded",
    "f_test",
    "holm",
    "influence",
    "lack_of_fit",
    "lack_of_fit_within",
    "mixed_influence",
    "needed_groups",
    "prediction_errors",
]

SAME = 1e-7
"""A column that others reproduce to this share of its length is the same information."""
EXACT = 1e-16
"""Residual over total sum of squares below which nothing but rounding is left."""

F_MOST = 1e6
"""F above which repeats scatter by less than a thousandth of the misfit: no laboratory's do, so
what they differ by is rounding (our rule)."""


def holm(p_values: Sequence[float | None]) -> list[float | None]:
    """Return p-values that count how many tests were made together; None where none was.

    Valid however the tests hang together: Holm 1979, Scandinavian Journal of Statistics 6:65–70
    (from memory).
    """
    made = sorted((p, i) for i, p in enumerate(p_values) if p is not None)
    corrected: list[float | None] = [None] * len(p_values)
    least = 0.0
    for place, (p, i) in enumerate(made):
        least = max(least, min(1.0, (len(made) - place) * p))
        corrected[i] = least
    return corrected


@dataclass(frozen=True, slots=True)
class LackOfFit:
    """Misfit of the model against the scatter of repeats; f and p None where not testable."""

    f: float | None
    df_lack: int
    df_pure: int
    p_value: float | None
    ss_lack: float
    ss_pure: float

    @property
    def repeats_agree(self) -> bool:
        """Whether repeats agree so well that nothing can be tested against their scatter."""
        return self.df_lack > 0 and (self.f is None or self.f > F_MOST)


@dataclass(frozen=True, slots=True, eq=False)
class Influence:
    """Leverage, externally studentised residual and Cook's distance of each run (n,)."""

    leverage: FloatArray
    studentised: FloatArray
    cook: FloatArray


def confounded(X: FloatArray) -> tuple[tuple[int, tuple[int, ...]], ...]:
    """Return each column that the columns before it reproduce, with the columns that do."""
    if X.shape[0] >= X.shape[1]:  # a column's distance from those before it stands on R's diagonal
        apart = np.abs(np.diag(np.linalg.qr(X, mode="r")))
        if (apart > SAME * np.maximum(np.linalg.norm(X, axis=0), 1e-12)).all():
            return ()
    found: list[tuple[int, tuple[int, ...]]] = []
    kept: list[int] = []
    for j in range(X.shape[1]):
        length = float(np.linalg.norm(X[:, j]))
        weights = np.linalg.lstsq(X[:, kept], X[:, j], rcond=None)[0]
        rest = float(np.linalg.norm(X[:, j] - X[:, kept] @ weights))
        if rest > SAME * max(length, 1e-12):
            kept.append(j)
            continue
        shares = np.abs(weights) * np.linalg.norm(X[:, kept], axis=0)
        found.append(
            (j, tuple(i for i, share in zip(kept, shares, strict=True) if share > 1e-3 * length))
        )
    return tuple(found)


def f_test(
    squares: float, df_effect: int, variance: float | None, df_error: int
) -> tuple[float | None, float | None]:
    """Return F and its p-value; both None where there is no error or no effect to test."""
    from scipy.special import fdtrc

    if not variance or df_effect < 1:
        return None, None
    f = squares / df_effect / variance
    return f, float(fdtrc(df_effect, df_error, max(f, 0.0)))


def influence(X: FloatArray, residuals: FloatArray, variance: float, df: int) -> Influence:
    """Return how much each run decides the fit, and how far it lies from the fit without it.

    Residual and Cook's distance are NaN where a run alone fixes a coefficient (leverage 1), the
    residual also where nothing is left to judge it by without the run.

    Notes
    -----
    Cook, Weisberg 1982, Residuals and Influence in Regression, ch. 2 and 3 (from memory).
    """
    n, p = X.shape
    leverage = np.sum(np.linalg.qr(X)[0] ** 2, axis=1).clip(0.0, 1.0)
    studentised, cook = np.full(n, np.nan), np.full(n, np.nan)
    if variance > 0:
        free = np.flatnonzero(1 - leverage > SAME)
        e, h = residuals[free], leverage[free]
        cook[free] = e**2 * h / (p * variance * (1 - h) ** 2)
        without = (df * variance - e**2 / (1 - h)) / max(df - 1, 1)
        left = (without > EXACT * variance) & (df > 1)
        studentised[free[left]] = e[left] / np.sqrt(without[left] * (1 - h[left]))
    return Influence(leverage, studentised, cook)


def lack_of_fit(
    residuals: FloatArray, groups: npt.NDArray[np.intp], df: int, ss_total: float
) -> LackOfFit | None:
    """Return misfit against the scatter within groups of repeats; None without repeats.

    Parameters
    ----------
    residuals
        Of the fit (n,), with `df` degrees of freedom.
    groups
        Number of each run's group of repeats (n,).
    ss_total
        About the mean; a scatter that is nothing beside it is rounding.

    Notes
    -----
    Repeats are compared by their residuals, so that what the model makes of differing achieved
    settings is taken off first. For exact repeats that is the textbook pure error (NIST/SEMATECH
    e-Handbook, 4.4.4.6); for near ones it is an approximation, good while they are near.
    """
    sizes = np.bincount(groups)
    df_pure = len(residuals) - len(sizes)
    if not df_pure:
        return None
    means = np.bincount(groups, residuals) / sizes
    ss_lack = float(np.sum(sizes * means**2))
    ss_pure = float(np.sum((residuals - means[groups]) ** 2))
    variance = ss_pure / df_pure if ss_pure > EXACT * ss_total else None
    df_lack = max(df - df_pure, 0)
    f, p_value = f_test(ss_lack, df_lack, variance, df_pure)
    return LackOfFit(f, df_lack, df_pure, p_value, ss_lack, ss_pure)


def lack_of_fit_within(
    X: FloatArray,
    blocks: FloatArray,
    y: FloatArray,
    groups: npt.NDArray[np.intp],
    ss_total: float,
    meant: FloatArray | None = None,
) -> LackOfFit | None:
    """Return misfit against the scatter of repeats inside whole plots; None without such.

    Parameters
    ----------
    X
        Model matrix (n, p) at achieved settings.
    blocks
        Columns or indicators of all plots and blocks (n, b), of any rank.
    y
        Values (n,).
    groups
        Number of each run's group of repeats (n,).
    ss_total
        About the mean; a scatter that is nothing beside it is rounding.
    meant
        Model matrix (n, p) at settings without jitter, `X` where not given: its columns that the
        blocks reproduce stand for nothing inside them.

    Notes
    -----
    Taking plots as fixed leaves what happens inside them, where the F test is exact. Repeats in
    different plots tell of plots as well as of runs, so they enter only by what the plots do not
    explain, and centre runs inside one plot say nothing of a factor that is set once a plot.
    Repeats are runs planned alike: what little their achieved settings differ by is in the model,
    and is no reason to call their scatter anything else.
    """
    n = len(y)
    cells = np.eye(groups.max() + 1)[groups]
    around = np.hstack([blocks, X[:, _beside(blocks, X if meant is None else meant)]])
    e = y - around @ np.linalg.lstsq(around, y, rcond=None)[0]
    full = np.hstack([blocks, cells])
    df, df_pure = n - _rank(around), n - _rank(full)
    if not df_pure:
        return None
    rest = e - full @ np.linalg.lstsq(full, e, rcond=None)[0]
    ss_pure = float(rest @ rest)
    ss_lack = max(float(e @ e) - ss_pure, 0.0)
    variance = ss_pure / df_pure if ss_pure > EXACT * ss_total else None
    f, p_value = f_test(ss_lack, df - df_pure, variance, df_pure)
    return LackOfFit(f, df - df_pure, df_pure, p_value, ss_lack, ss_pure)


def _beside(blocks: FloatArray, X: FloatArray) -> list[int]:
    """Return the columns of X that neither the blocks nor the columns before them reproduce."""
    known = np.hstack([blocks, X])
    same = {j for j, _ in confounded(known)}
    return [j for j in range(X.shape[1]) if j + blocks.shape[1] not in same]


def needed_groups(X: FloatArray, groups: npt.NDArray[np.intp]) -> tuple[int, ...]:
    """Return the groups of runs without which the columns of X (n, p) have less rank.

    Those are the groups of which some contrast has leverage 1.
    """
    basis, sizes, _ = np.linalg.svd(X, full_matrices=False)
    basis = basis[:, sizes > SAME * sizes.max(initial=0.0)]
    return tuple(
        int(group)
        for group in np.unique(groups)
        if np.linalg.norm(basis[groups == group], 2) ** 2 > 1 - SAME
    )


def _rank(A: FloatArray) -> int:
    return int(np.linalg.matrix_rank(A, tol=SAME * max(1.0, float(np.abs(A).max(initial=0.0)))))


def mixed_influence(
    X: FloatArray, y: FloatArray, covariance: FloatArray, projection: FloatArray
) -> Influence:
    """Return the influence of each run on a mixed model, its variance ratios held.

    Parameters
    ----------
    X, y
        Model matrix (n, p) and values (n,).
    covariance
        V (n, n) of the values.
    projection
        P = V⁻¹ − V⁻¹X(X'V⁻¹X)⁻¹X'V⁻¹ (n, n).

    Notes
    -----
    (Py)ᵢ/Pᵢᵢ is what run i differs from its prediction by all other runs, those of its plot
    included. Its variance is judged without run i. With V = σ²I all three are those of least
    squares. Christensen, Pearson, Johnson 1992, Technometrics 34:38–45 (from memory).
    """
    n, p = X.shape
    leverage = (1 - np.einsum("ij,ji->i", covariance, projection)).clip(0.0, 1.0)
    Py, own = projection @ y, np.diag(projection)
    studentised, cook = np.full(n, np.nan), np.full(n, np.nan)
    free = np.flatnonzero(own * np.diag(covariance) > SAME)
    VX = np.linalg.solve(covariance, X)
    shift = VX[free] * (Py[free] / own[free])[:, None]
    cook[free] = np.einsum("ij,ij->i", shift, np.linalg.solve(X.T @ VX, shift.T).T) / p
    squares = float(y @ Py)
    without = (squares - Py[free] ** 2 / own[free]) / max(n - p - 1, 1)
    left = (without > EXACT * squares) & (n - p > 1)
    at = free[left]
    studentised[at] = Py[at] / np.sqrt(own[at] * without[left])
    return Influence(leverage, studentised, cook)


def prediction_errors(
    projection: FloatArray, y: FloatArray, groups: npt.NDArray[np.intp]
) -> FloatArray | None:
    """Return how far each value (n,) is from its prediction by the other groups alone.

    The variances are held. None where a group alone fixes a coefficient. For groups of one run
    and V = σ²I these are the residuals of PRESS, e/(1 − h).
    """
    errors, Py = np.empty(len(y)), projection @ y
    for group in np.unique(groups):
        at = np.flatnonzero(groups == group)
        own = projection[np.ix_(at, at)]
        if _rank(own / max(float(np.abs(projection).max()), 1e-300)) < len(at):
            return None
        errors[at] = np.linalg.solve(own, Py[at])
    return errors
