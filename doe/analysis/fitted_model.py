"""A fitted response: its coefficients, how sure they are, and what it predicts.

Shapes: n runs, k factors, p columns of the model matrix, m settings to predict at.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.analysis.diagnostics import EXACT, LackOfFit
from doe.analysis.mixed import ContrastTest, MixedFit
from doe.analysis.observations import Censored
from doe.analysis.transformation import NONE, Transformation
from doe.errors import Notice
from doe.factors import FloatArray
from doe.responses import Response
from doe.terms import Model, Term

__all__ = ["BlockEffect", "FittedModel", "Prediction", "TermEstimate", "TermTest"]


@dataclass(frozen=True, slots=True)
class TermEstimate:
    """One column of the model: its coefficient in coded units and how sure it is.

    `df` are those of the t test; `sum_of_squares` is partial (type III: what leaving out this
    column alone would add to the residual), None for the intercept.
    """

    label: str
    term: Term
    levels: tuple[str, ...]
    coefficient: float
    standard_error: float
    df: float
    p_value: float | None
    sum_of_squares: float | None

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Return coefficient ± t·se, t the (1 + level)/2 quantile at the degrees of freedom."""
        from scipy.special import stdtrit

        half = float(stdtrit(self.df, (1 + level) / 2)) * self.standard_error
        return self.coefficient - half, self.coefficient + half


@dataclass(frozen=True, slots=True)
class TermTest:
    """Partial F test of one term, all its columns together; `df` is their number.

    In a fit by REML the terms are judged by different scatters: `df_error` tells how well each is
    known, and `sum_of_squares` is F·df·(run variance), not a part of the total.
    """

    label: str
    term: Term
    df: int
    sum_of_squares: float
    f: float | None
    p_value: float | None
    df_error: float | None = None


@dataclass(frozen=True, slots=True)
class BlockEffect:
    """How far one level of a fixed block lies from the average of its levels.

    `p_corrected` counts that each level of the block is looked at (Holm 1979, from memory); of two
    levels, which lie equally far from their average, it is the p-value itself.
    """

    block: str
    level: str
    shift: float
    standard_error: float
    p_value: float | None
    p_corrected: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Prediction:
    """Predicted mean with its interval, and the interval of one new run, at m settings (m,).

    A new run is one in a new plot. Of a transformed response, `mean` is the median of new runs
    with its interval, and `expected` their mean, which is higher where large values scatter more.
    """

    mean: FloatArray
    standard_error: FloatArray
    mean_low: FloatArray
    mean_high: FloatArray
    run_low: FloatArray
    run_high: FloatArray
    level: float
    expected: FloatArray | None = None

    def at(self, i: int) -> Prediction:
        """Return what is predicted at the i-th setting alone."""
        one = slice(i, i + 1)
        return Prediction(
            self.mean[one],
            self.standard_error[one],
            self.mean_low[one],
            self.mean_high[one],
            self.run_low[one],
            self.run_high[one],
            self.level,
            None if self.expected is None else self.expected[one],
        )


@dataclass(frozen=True, slots=True, eq=False)
class FittedModel:
    """A fitted response. Scalars that do not exist are None, entries of arrays NaN.

    Attributes
    ----------
    estimates, tests
        One entry a column; one a term other than the intercept.
    covariance
        Of the coefficients (p, p).
    r2_predicted
        1 − PRESS/total; None where some run, or plot, alone fixes a coefficient.
    needed_alone
        The runs of each such group: as planned, the others cannot tell all terms apart.
    coded, values, fitted, residuals
        Of the runs used, in the order of `runs_used`.
    leverage, studentised, cook
        Diagonal of the hat matrix; externally studentised residuals (each judged by the fit
        without its run); Cook's distances. NaN where a run alone fixes a coefficient, and where
        no residual is left without the run.
    df_residual, residual_sd
        Of single runs; in a fit by REML, of runs of the same plot.
    variance_components
        Standard deviations by name, from the largest grouping to "run".
    block_effects
        Of all levels of the fixed blocks; predictions are for the average of their levels.
    lack_of_fit_plots
        Misfit in the factors set once a plot, against the scatter of plots; None where no plot
        was repeated. `lack_of_fit` is then about what happens inside plots.
    scale
        The transformation, by which `transformation` is in words. Coefficients, covariance, sums
        of squares, residuals and standard deviations are of transformed values; `values`,
        `fitted` (medians) and predictions are in the unit of the response.
    censored
        As in `Observations`; `values` then holds limits, `residuals` are expected ones, and R² is
        that of expected values.
    """

    response: Response
    model: Model
    method: str
    transformation: str
    runs_used: tuple[int, ...]
    runs_left_out: tuple[tuple[int, str], ...]
    estimates: tuple[TermEstimate, ...]
    tests: tuple[TermTest, ...]
    covariance: FloatArray
    df_residual: int
    residual_sd: float
    r2: float
    r2_adjusted: float
    r2_predicted: float | None
    lack_of_fit: LackOfFit | None
    ss_model: float
    ss_residual: float
    ss_total: float
    f_model: float | None
    p_model: float | None
    coded: FloatArray
    values: FloatArray
    fitted: FloatArray
    residuals: FloatArray
    leverage: FloatArray
    studentised: FloatArray
    cook: FloatArray
    notices: tuple[Notice, ...] = ()
    variance_components: tuple[tuple[str, float], ...] = ()
    block_effects: tuple[BlockEffect, ...] = ()
    lack_of_fit_plots: ContrastTest | None = None
    scale: Transformation = NONE
    mixed: MixedFit | None = None
    censored: tuple[Censored | None, ...] = ()
    needed_alone: tuple[tuple[int, ...], ...] = ()

    @property
    def coefficients(self) -> FloatArray:
        """Coefficients (p,) in coded units."""
        return np.array([estimate.coefficient for estimate in self.estimates])

    @property
    def fixed_blocks(self) -> tuple[tuple[str, int, float], ...]:
        """Name, number of levels, and distance of the two farthest apart, of each fixed block."""
        shifts: dict[str, list[float]] = {}
        for effect in self.block_effects:
            shifts.setdefault(effect.block, []).append(effect.shift)
        return tuple((name, len(told), max(told) - min(told)) for name, told in shifts.items())

    @property
    def exact(self) -> bool:
        """Whether it passes through every value, so that what it leaves is rounding."""
        return self.ss_residual <= EXACT * self.ss_total

    @property
    def worse_than_mean(self) -> bool:
        """Whether it foretells runs left out worse than their mean does, where that is known."""
        return self.r2_predicted is not None and self.r2_predicted < 0

    @property
    def observed(self) -> tuple[float, float]:
        """Lowest and highest value used."""
        return float(self.values.min()), float(self.values.max())

    def predict(self, settings: npt.ArrayLike, level: float = 0.95) -> Prediction:
        """Return means and intervals at settings (m, k) in real units.

        Notes
        -----
        mean ± t·se and mean ± t·√(se² + s²), t the (1 + level)/2 quantile with the residual
        degrees of freedom: NIST/SEMATECH e-Handbook, 4.5.1. In a fit by REML s² is the sum of all
        variances, and each interval has degrees of freedom of its own (see `mixed`).
        """
        from scipy.special import stdtrit

        at = self._at(settings)
        mean = at @ self.coefficients
        error, run_error = self._errors(at)
        df_mean, df_run = self._degrees(at)
        t_mean = stdtrit(df_mean, (1 + level) / 2) * error
        t_run = stdtrit(df_run, (1 + level) / 2) * run_error
        back, transformed = self.scale.back, self.scale != NONE
        return Prediction(
            mean=back(mean),
            standard_error=error * np.abs(self.scale.slope_back(mean)) if transformed else error,
            mean_low=back(mean - t_mean),
            mean_high=back(mean + t_mean),
            run_low=back(mean - t_run),
            run_high=back(mean + t_run),
            level=level,
            expected=self.scale.mean_back(mean, self._run_sd) if transformed else None,
        )

    def change_told(self, start: FloatArray, end: FloatArray, level: float = 0.95) -> bool:
        """Whether the interval of the change between two settings (k,) leaves out no change."""
        from scipy.special import stdtrit

        row = self._at(end[None]) - self._at(start[None])
        error = self._errors(row)[0]
        t = stdtrit(self._degrees(row)[0], (1 + level) / 2)
        return bool(np.abs(row @ self.coefficients)[0] > (t * error)[0])

    def chance_between(self, settings: npt.ArrayLike, low: float, high: float) -> FloatArray:
        """Return the chance (m,) that one new run at settings (m, k) falls in [low, high]."""
        from scipy.special import stdtr

        at = self._at(settings)
        mean, df = at @ self.coefficients, self._degrees(at)[1]
        scale = np.maximum(self._errors(at)[1], 1e-12 * (1 + np.abs(mean)))
        low, high = (float(self.scale.forward(bound)) for bound in (low, high))
        below_high = stdtr(df, (high - mean) / scale)
        below_low = stdtr(df, (low - mean) / scale)
        return np.asarray(below_high - below_low, dtype=np.float64)

    def new_run(self, settings: npt.ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return mean, standard error and degrees of freedom of a new run, each (m,).

        On the scale of the model: of a transformed response, of its transformed values.
        """
        at = self._at(settings)
        return at @ self.coefficients, self._errors(at)[1], self._degrees(at)[1]

    def degrees_of_freedom(self, rows: FloatArray) -> FloatArray:
        """Return the degrees of freedom (m,) by which rows (m, p) of coefficients are judged."""
        return self._degrees(np.atleast_2d(rows))[0]

    @property
    def _run_sd(self) -> float:
        """Standard deviation of one new run, all groupings new."""
        return self.residual_sd if self.mixed is None else float(self.mixed.total_variance**0.5)

    def _at(self, settings: npt.ArrayLike) -> FloatArray:
        return self.model.matrix(self.model.space.code(settings))

    def _errors(self, at: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the standard errors (m,) of the mean and of a new run at rows (m, p)."""
        variance = np.einsum("ij,jk,ik->i", at, self.covariance, at).clip(min=0.0)
        return np.sqrt(variance), np.sqrt(variance + self._run_sd**2)

    def _degrees(self, at: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the degrees of freedom (m,) of the mean and of a new run at rows (m, p)."""
        if self.mixed is None:
            both = np.full(len(at), float(self.df_residual))
            return both, both
        rows = np.zeros((len(at), len(self.mixed.coefficients)))
        rows[:, : at.shape[1]] = at
        freedom = self.mixed.degrees_of_freedom
        return freedom(rows), freedom(rows, extra=1.0)
