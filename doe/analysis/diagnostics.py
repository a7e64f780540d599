"""Kernels that judge a fit: confounded columns, influence of single runs, lack of fit.

Shapes: n runs, p columns of the model matrix.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.factors import FloatArray

__all__ = ["Influence", "LackOfFit", "confounded", "f_test", "influence", "lack_of_fit"]

SAME = 1e-7
"""A column that others reproduce to this share of its length is the same information."""
EXACT = 1e-16
"""Residual over total sum of squares below which nothing but rounding is left."""


@dataclass(frozen=True, slots=True)
class LackOfFit:
    """Misfit of the model against the scatter of repeats; f and p None where not testable."""

    f: float | None
    df_lack: int
    df_pure: int
    p_value: float | None
    ss_lack: float
    ss_pure: float


@dataclass(frozen=True, slots=True, eq=False)
class Influence:
    """Leverage, externally studentised residual and Cook's distance of each run (n,)."""

    leverage: FloatArray
    studentised: FloatArray
    cook: FloatArray


def confounded(X: FloatArray) -> tuple[tuple[int, tuple[int, ...]], ...]:
    """Return each column that the columns before it reproduce, with the columns that do."""
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
