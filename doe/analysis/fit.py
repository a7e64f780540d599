"""One response fitted to the runs that were really made, with what is needed to judge the fit.

The model matrix is built at achieved settings in coded units. Repeats, from which pure error is
taken, are runs planned at equal settings, because achieved settings are never quite equal.
Nothing is dropped silently: a run is in `runs_used`, or in `runs_left_out` with its reason.

Shapes: n runs, k factors, p columns of the model matrix, m settings to predict at.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from doe.analysis.censored import fit_censored
from doe.analysis.diagnostics import (
    EXACT,
    SAME,
    LackOfFit,
    confounded,
    f_test,
    influence,
    lack_of_fit,
    lack_of_fit_within,
    mixed_influence,
    prediction_errors,
)
from doe.analysis.mixed import ContrastTest, MixedFit, can_be_judged, fit_mixed, indicator
from doe.analysis.observations import Censored, Observations
from doe.analysis.strata import Strata, hard_factors, strata_of
from doe.analysis.transformation import NONE, Transformation
from doe.errors import DoeError, FitError, Notice, Problem
from doe.factors import CategoricalFactor, FactorSpace, FloatArray
from doe.responses import Response
from doe.terms import Model, Term, interaction_model, linear_model

__all__ = [
    "BlockEffect",
    "FittedModel",
    "LackOfFit",
    "Observations",
    "Prediction",
    "TermEstimate",
    "TermTest",
    "about",
    "confounded_terms",
    "fit_response",
    "largest_model",
]

DF_WANTED = 3
DF_FEW = 4
OUTSIDE = 0.02
"""Coded distance beyond the range from which a run is reported: 1 % of the whole range."""
REPEATS_APART = 0.1
"""Coded distance between achieved settings of repeats from which pure error is only rough."""


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
    """How far one level of a fixed block lies from the average of its levels."""

    block: str
    level: str
    shift: float
    standard_error: float
    p_value: float | None


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
        1 − PRESS/total; None where some run alone fixes a coefficient.
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
        Of the fixed blocks; predictions are for the average of their levels.
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

    @property
    def coefficients(self) -> FloatArray:
        """Coefficients (p,) in coded units."""
        return np.array([estimate.coefficient for estimate in self.estimates])

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


def fit_response(
    response: Response,
    model: Model,
    observations: Observations,
    *,
    transformation: Transformation = NONE,
) -> FittedModel:
    """Return the model as asked; no term is left out.

    Completely randomised runs are fitted by ordinary least squares; runs in whole plots or random
    blocks by REML with Kenward and Roger's standard errors and degrees of freedom.

    Raises
    ------
    FitError
        Nothing measured, all values equal, fewer runs than terms, no run or no plot left to judge
        the error by, or terms that the runs cannot tell apart.

    Notes
    -----
    Sums of squares of terms are partial (type III). PRESS sums (e/(1 − h))²:
    Allen 1974 (from memory).
    """
    if all(term.order for term in model.terms):
        raise ValueError("the model needs an intercept")
    data = observations.usable()
    seen = data.measured()
    _refuse_censored(response, data)
    _refuse_values(response, seen)
    _refuse_not_above_zero(response, seen, transformation)
    _refuse_too_few(response, model, len(seen.values))
    if unrun := _unrun_levels(model, seen):
        raise FitError(about(response, unrun))
    _refuse_confounded(response, model, model.matrix(seen.coded()))
    strata = strata_of(model, data)
    if strata.problem:
        raise FitError(about(response, strata.problem))
    left_out = tuple(
        (run, reason)
        for run, reason in zip(observations.runs, observations.reasons(), strict=True)
        if reason is not None
    )
    kernel = _mixed if strata.random else _fitted
    if any(data.censored):
        kernel = _censored
    fit = kernel(response, model, data, left_out, strata, transformation)
    notices = (*_data_notices(model, data, strata), *_strata_notices(fit, data, strata))
    return replace(fit, notices=(*notices, *strata.notices, *_fit_notices(fit)))


def about(response: Response, problem: Problem) -> Problem:
    """Return a problem that names its response."""
    named = problem.what.startswith(response.words)
    what = problem.what if named else f"{response.words}: {problem.what}"
    where = replace(problem.where, key=response.name)
    return replace(problem, what=f"{what.rstrip('.')}.", where=where)


def _fitted(
    response: Response,
    model: Model,
    data: Observations,
    left_out: tuple[tuple[int, str], ...],
    strata: Strata,
    scale: Transformation,
) -> FittedModel:
    """Return the fit by ordinary least squares, fixed blocks allowed for."""
    coded, y, p = data.coded(), scale.forward(data.values.copy()), len(model)
    X = np.hstack([model.matrix(coded), strata.fixed])
    df = len(y) - X.shape[1]
    coefficients, unscaled = _least_squares(X, y)
    fitted = X @ coefficients
    residuals = y - fitted
    ss_total, ss_residual = float(np.sum((y - y.mean()) ** 2)), float(residuals @ residuals)
    variance = ss_residual / df
    testable = variance if ss_residual > EXACT * ss_total else None
    runs = influence(X, residuals, testable or 0.0, df)
    effects, own = coefficients[:p], unscaled[:p, :p]
    ss_model = ss_total - ss_residual
    if strata.fixed.size:
        ss_model = float(effects[1:] @ np.linalg.solve(own[1:, 1:], effects[1:])) if p > 1 else 0.0
    f_model, p_model = f_test(ss_model, p - 1, testable, df)
    r2_predicted = _r2_predicted(residuals, runs.leverage, ss_total)
    repeats = data.repeats()
    lack = lack_of_fit(residuals, repeats, df, ss_total)
    if strata.fixed.size:
        lack = lack_of_fit_within(X, strata.fixed, y, repeats, ss_total)
    return FittedModel(
        response=response,
        model=model,
        method="least squares",
        transformation=scale.words,
        runs_used=data.runs,
        runs_left_out=left_out,
        estimates=_estimates(model, effects, own, testable, df),
        tests=_term_tests(model, effects, own, testable, df),
        covariance=_frozen(variance * own),
        df_residual=df,
        residual_sd=float(np.sqrt(variance)),
        r2=1 - ss_residual / ss_total,
        r2_adjusted=1 - variance / (ss_total / (len(y) - 1)),
        r2_predicted=r2_predicted,
        lack_of_fit=lack,
        ss_model=ss_model,
        ss_residual=ss_residual,
        ss_total=ss_total,
        f_model=f_model,
        p_model=p_model,
        coded=_frozen(coded),
        values=_frozen(data.values.copy()),
        fitted=_frozen(scale.back(fitted)),
        residuals=_frozen(residuals),
        leverage=_frozen(runs.leverage),
        studentised=_frozen(runs.studentised),
        cook=_frozen(runs.cook),
        variance_components=(("run", float(np.sqrt(variance))),),
        block_effects=_block_effects(strata, coefficients[p:], variance * unscaled[p:, p:], df),
        scale=scale,
    )


def _mixed(
    response: Response,
    model: Model,
    data: Observations,
    left_out: tuple[tuple[int, str], ...],
    strata: Strata,
    scale: Transformation,
) -> FittedModel:
    """Return the fit by REML with the groupings of the strata as random."""
    coded, y, p = data.coded(), scale.forward(data.values.copy()), len(model)
    X = np.hstack([model.matrix(coded), strata.fixed])
    fit = fit_mixed(X, y, strata.random)
    variance = float(fit.variances[-1])
    fitted = X @ fit.coefficients
    residuals = y - fitted
    ss_total, ss_residual = float(np.sum((y - y.mean()) ** 2)), float(residuals @ residuals)
    indicators = [indicator(groups) for _, groups in strata.random]
    blocks = np.hstack([strata.fixed, *indicators])
    runs = mixed_influence(X, y, _covariance_of_values(fit, indicators), fit.projection)
    whole = fit.test(np.eye(X.shape[1])[1:p]) if p > 1 else None
    groups = strata.random[0][1] if strata.plots is not None else np.arange(len(y))
    errors = prediction_errors(fit.projection, y, groups)
    return FittedModel(
        response=response,
        model=model,
        method="REML, Kenward–Roger",
        transformation=scale.words,
        runs_used=data.runs,
        runs_left_out=left_out,
        estimates=_mixed_estimates(model, fit),
        tests=_mixed_tests(model, fit),
        covariance=_frozen(fit.covariance[:p, :p].copy()),
        df_residual=strata.df_runs,
        residual_sd=float(np.sqrt(variance)),
        r2=1 - ss_residual / ss_total,
        r2_adjusted=1 - ss_residual / (len(y) - X.shape[1]) / (ss_total / (len(y) - 1)),
        r2_predicted=None if errors is None else float(1 - errors @ errors / ss_total),
        lack_of_fit=lack_of_fit_within(X, blocks, y, data.repeats(), ss_total),
        ss_model=ss_total - ss_residual,
        ss_residual=ss_residual,
        ss_total=ss_total,
        f_model=whole.f if whole else None,
        p_model=whole.p_value if whole else None,
        coded=_frozen(coded),
        values=_frozen(data.values.copy()),
        fitted=_frozen(scale.back(fitted)),
        residuals=_frozen(residuals),
        leverage=_frozen(runs.leverage),
        studentised=_frozen(runs.studentised),
        cook=_frozen(runs.cook),
        variance_components=tuple(
            (name, float(np.sqrt(v))) for name, v in zip(fit.names, fit.variances, strict=True)
        ),
        block_effects=_mixed_block_effects(strata, fit, p),
        lack_of_fit_plots=_lack_of_plots(X, y, data, strata),
        scale=scale,
        mixed=fit,
    )


def _censored(
    response: Response,
    model: Model,
    data: Observations,
    left_out: tuple[tuple[int, str], ...],
    strata: Strata,
    scale: Transformation,
) -> FittedModel:
    """Return the fit by maximum likelihood with values beyond a limit as such.

    Variances are widened by n/(n − p), and t has the degrees of freedom of the measured values:
    without censoring that is least squares; with it an approximation (common practice).
    """
    coded, y, p = data.coded(), scale.forward(data.values.copy()), len(model)
    X = np.hstack([model.matrix(coded), strata.fixed])
    if strata.random:
        raise FitError.of(
            "censored-in-plots",
            f"{response.words}: values beyond a limit cannot be fitted together with whole plots "
            "or random blocks yet, and no number is made up for them.",
            "Leave this response out, or measure these runs again with a finer method.",
            key=response.name,
        )
    try:
        best = fit_censored(X, y, data.censored)
    except ValueError:
        raise FitError.of(
            "too-few-measured",
            f"{response.words}: the measured values alone do not fix the terms of the model.",
            "Fit a model with fewer terms, or measure with a finer method.",
            key=response.name,
        ) from None
    n, hidden = len(y), np.array([side is not None for side in data.censored])
    df = int((~hidden).sum()) - X.shape[1]
    widened = n / (n - X.shape[1])
    covariance, sd = widened * best.covariance, best.sd * float(np.sqrt(widened))
    effects, own = best.coefficients[:p], covariance[:p, :p]
    fitted = X @ best.coefficients
    residuals = best.expected - fitted
    ss_total = float(np.sum((best.expected - best.expected.mean()) ** 2))
    ss_residual = float(residuals @ residuals)
    wald = float(effects[1:] @ np.linalg.solve(own[1:, 1:], effects[1:])) if p > 1 else 0.0
    f_model, p_model = f_test(wald * sd**2, p - 1, sd**2, df)
    runs = influence(X, residuals, sd**2, n - X.shape[1])
    studentised = np.where(hidden, np.nan, residuals / (sd * np.sqrt(1 - runs.leverage)))
    unscaled = own / sd**2
    return FittedModel(
        response=response,
        model=model,
        method="maximum likelihood, censored",
        transformation=scale.words,
        runs_used=data.runs,
        runs_left_out=left_out,
        estimates=_estimates(model, effects, unscaled, sd**2, df),
        tests=_term_tests(model, effects, unscaled, sd**2, df),
        covariance=_frozen(own.copy()),
        df_residual=df,
        residual_sd=sd,
        r2=1 - ss_residual / ss_total,
        r2_adjusted=1 - sd**2 / (ss_total / (n - 1)),
        r2_predicted=None,
        lack_of_fit=None,
        ss_model=ss_total - ss_residual,
        ss_residual=ss_residual,
        ss_total=ss_total,
        f_model=f_model,
        p_model=p_model,
        coded=_frozen(coded),
        values=_frozen(data.values.copy()),
        fitted=_frozen(scale.back(fitted)),
        residuals=_frozen(residuals),
        leverage=_frozen(runs.leverage),
        studentised=_frozen(studentised),
        cook=_frozen(np.where(hidden, np.nan, runs.cook)),
        variance_components=(("run", sd),),
        block_effects=_block_effects(strata, best.coefficients[p:], covariance[p:, p:], df),
        scale=scale,
        censored=data.censored,
    )


def _frozen(values: FloatArray) -> FloatArray:
    values.setflags(write=False)
    return values


def _covariance_of_values(fit: MixedFit, indicators: Sequence[FloatArray]) -> FloatArray:
    V = float(fit.variances[-1]) * np.eye(len(fit.projection))
    for variance, Z in zip(fit.variances, indicators, strict=False):
        V += variance * (Z @ Z.T)
    return V


def _mixed_estimates(model: Model, fit: MixedFit) -> tuple[TermEstimate, ...]:
    from scipy.special import stdtr

    rows = np.eye(len(fit.coefficients))
    freedom, errors = fit.degrees_of_freedom(rows), np.sqrt(np.diag(fit.covariance))
    return tuple(
        TermEstimate(
            label,
            term,
            levels,
            float(fit.coefficients[j]),
            float(errors[j]),
            float(freedom[j]),
            float(2 * stdtr(freedom[j], -abs(fit.coefficients[j] / errors[j]))),
            None,
        )
        for j, ((term, levels), label) in enumerate(zip(model.columns, model.labels, strict=True))
    )


def _mixed_tests(model: Model, fit: MixedFit) -> tuple[TermTest, ...]:
    rows, tests = np.eye(len(fit.coefficients)), []
    for term in model.terms:
        if not term.order:
            continue
        at = [j for j, (of, _) in enumerate(model.columns) if of == term]
        one = fit.test(rows[at])
        label, squares = term.label(model.space.names), one.f * one.df * float(fit.variances[-1])
        tests.append(TermTest(label, term, one.df, squares, one.f, one.p_value, one.df_error))
    return tuple(tests)


def _block_effects(
    strata: Strata, shifts: FloatArray, covariance: FloatArray, df: float
) -> tuple[BlockEffect, ...]:
    from scipy.special import stdtr

    effects = []
    for (block, level), shift, variance in zip(
        strata.fixed_names, shifts, np.diag(covariance), strict=True
    ):
        error = float(np.sqrt(variance))
        p_value = float(2 * stdtr(df, -abs(shift / error))) if error else None
        effects.append(BlockEffect(block, level, float(shift), error, p_value))
    return tuple(effects)


def _mixed_block_effects(strata: Strata, fit: MixedFit, p: int) -> tuple[BlockEffect, ...]:
    rows = np.eye(len(fit.coefficients))[p:]
    freedom = fit.degrees_of_freedom(rows) if len(rows) else ()
    return tuple(
        replace(effect, p_value=fit.test(row).p_value) if df else effect
        for effect, row, df in zip(
            _block_effects(strata, fit.coefficients[p:], fit.covariance[p:, p:], 1.0),
            rows,
            freedom,
            strict=True,
        )
    )


def _lack_of_plots(
    X: FloatArray, y: FloatArray, data: Observations, strata: Strata
) -> ContrastTest | None:
    """Return the test of what distinct plot settings explain beside the model.

    Plots planned at the same settings of the factors that are set once a plot tell their scatter.
    """
    if strata.plots is None:
        return None
    settings = np.round(data.coded_as_planned()[:, list(hard_factors(data))], 9)
    cells = indicator(np.unique(settings, axis=0, return_inverse=True)[1].ravel())
    extra = np.empty((len(y), 0))
    for column in cells.T:
        wider = np.column_stack([X, extra, column])
        if not any(j == wider.shape[1] - 1 for j, _ in confounded(wider)):
            extra = np.column_stack([extra, column])
    full = np.hstack([X, extra])
    if not extra.shape[1] or not all(can_be_judged(full, strata.random)):
        return None
    fit = fit_mixed(full, y, strata.random)
    return fit.test(np.eye(full.shape[1])[X.shape[1] :])


def largest_model(
    space: FactorSpace, observations: Observations, wanted: Model
) -> tuple[Model, tuple[Notice, ...]]:
    """Return the model wanted, or the largest simpler one that the measured runs can carry.

    Full quadratic, then main effects with two-factor interactions, then main effects: the first
    that leaves three residual degrees of freedom, failing that one. Terms that the planned
    settings cannot tell apart are not estimated from the scatter of the achieved ones.

    Raises
    ------
    FitError
        Not even the main effects can be fitted.
    """
    data = observations.usable().measured()
    simpler = (interaction_model(space), linear_model(space))
    models = [wanted, *(m for m in simpler if set(m.terms) < set(wanted.terms))]
    separable = [m for m in models if len(data.runs) > len(m) and not confounded_terms(m, data)]
    strata = {model: strata_of(model, data) for model in separable}
    for least in (DF_WANTED, 1):
        for model in separable:
            if strata[model].df_runs >= least and not strata[model].problem:
                return model, () if model is wanted else (_fallback_notice(model, wanted, data),)
    raise _no_model(models[-1], data)


def confounded_terms(model: Model, data: Observations) -> tuple[str, ...]:
    """Return a sentence for each column that planned or achieved settings cannot tell apart."""
    matrices = (model.matrix(data.coded_as_planned()), model.matrix(data.coded()))
    return tuple(next(filter(None, (_tangled(X, model) for X in matrices)), []))


def _fallback_notice(model: Model, wanted: Model, data: Observations) -> Notice:
    n, left = len(data.runs), len(data.runs) - len(wanted)
    tangled = _tangled(wanted.matrix(data.coded_as_planned()), wanted)
    problem = strata_of(wanted, data).problem if left >= 1 and not tangled else None
    if left < 1:
        why = f"{_count(n, 'measured run')} cannot carry the {len(wanted)} terms"
    elif tangled:
        why = f"the runs cannot carry the terms: {tangled[0]}"
    elif problem:
        why = problem.what
    else:
        why = f"{n} measured runs for {len(wanted)} terms leave only {left} to judge the error by"
    curved = any(power > 1 for term in wanted.terms for power in term.powers)
    loss = " It has no squares, so an optimum inside the region cannot show." if curved else ""
    return Notice(
        "simpler-model",
        f"Instead of the {wanted.name}, {model.name} were fitted: {why}.{loss}",
    )


def _no_model(smallest: Model, data: Observations) -> DoeError:
    n = len(data.runs)
    if n <= len(smallest):
        return FitError.of(
            "too-few-runs",
            f"{_count(n, 'run')} measured; even {smallest.name} ({len(smallest)} terms) need at "
            f"least {len(smallest) + 1}.",
            f"Measure {len(smallest) + 1 - n} more, better {len(smallest) + DF_WANTED - n}.",
        )
    if unrun := _unrun_levels(smallest, data):
        return FitError(replace(unrun, what=f"{unrun.what}."))
    tangled = _tangled(smallest.matrix(data.coded_as_planned()), smallest)
    tangled = tangled or _tangled(smallest.matrix(data.coded()), smallest)
    problem = strata_of(smallest, data).problem
    if not tangled and problem:
        return FitError(replace(problem, what=f"Even {smallest.name}: {problem.what}."))
    return FitError.of(
        "confounded", "; ".join(tangled) + ".", "Add runs that change these factors separately."
    )


def _refuse_censored(response: Response, data: Observations) -> None:
    if data.runs and not data.measured().runs:
        raise FitError.of(
            "all-censored",
            f"{response.words}: every value lies beyond a limit of measurement.",
            "Measure with a finer method; nothing can be fitted to limits alone.",
            key=response.name,
        )


def _refuse_not_above_zero(
    response: Response, data: Observations, transformation: Transformation
) -> None:
    """Refuse values that have no logarithm or power, each by its run."""
    if transformation.exponent == 1:
        return
    low = [run for run, value in zip(data.runs, data.values, strict=True) if value <= 0]
    if low:
        raise FitError.of(
            "not-above-zero",
            f"{response.words}: {_runs(low, 'run')} {'is' if len(low) == 1 else 'are'} not above "
            "zero, and there is no logarithm of that.",
            "If nothing was found, hand the limit of detection in instead, as <0.05; or leave out "
            'scale = "log".',
            key=response.name,
        )


def _refuse_values(response: Response, data: Observations) -> None:
    if not data.runs:
        raise FitError.of(
            "nothing-measured",
            f"{response.words}: no run has a value to fit.",
            "Record results first.",
            key=response.name,
        )
    low, high = float(data.values.min()), float(data.values.max())
    if low == high:
        raise FitError.of(
            "all-equal",
            f"{response.words}: every value is {low:g}, so there is nothing to explain.",
            "Check the column; a response that never changes needs no model.",
            key=response.name,
        )


def _refuse_too_few(response: Response, model: Model, n: int) -> None:
    p = len(model)
    if n > p:
        return
    what = (
        f"{_count(n, 'measured run')} cannot carry a model of {p} terms"
        if n < p
        else f"{n} measured runs fix the {p} terms exactly, and none is left to judge the error by"
    )
    raise FitError.of(
        "too-few-runs",
        f"{response.words}: {what}; at least {p + 1} are needed.",
        f"Measure {p + 1 - n} more, better {p + DF_WANTED - n}, or fit a model with fewer terms.",
        key=response.name,
    )


def _refuse_confounded(response: Response, model: Model, X: FloatArray) -> None:
    tangled = _tangled(X, model)
    if tangled:
        raise FitError.of(
            "confounded",
            f"{response.words}: {'; '.join(tangled)}.",
            "Add runs that change them separately, or leave these terms out of the model.",
            key=response.name,
        )


def _unrun_levels(model: Model, data: Observations) -> Problem | None:
    """Return what is wrong if the model has levels of which no run was measured."""
    achieved = np.asarray(data.achieved)
    found = []
    for i, factor in enumerate(model.space.factors):
        if isinstance(factor, CategoricalFactor) and any(term.powers[i] for term in model.terms):
            seen = set(achieved[:, i].round().astype(int).tolist())
            unrun = [level for j, level in enumerate(factor.levels) if j not in seen]
            if unrun:
                words = "level" if len(unrun) == 1 else "levels"
                found.append(f"no measured run has {factor.name} at its {words} {_listed(unrun)}")
    if not found:
        return None
    return Problem(
        "level-without-runs",
        "; ".join(found),
        remedy="Run what was added, as with doe suggest; until then take the level out of "
        "campaign.toml.",
    )


def _tangled(X: FloatArray, model: Model) -> list[str]:
    """Return a sentence for each column that the columns before it reproduce."""
    sentences = []
    for j, others in confounded(X):
        names = [model.labels[i] for i in others if model.columns[i][0].order]
        sentences.append(
            f"{model.labels[j]} cannot be told apart from {_listed(names)}"
            if names
            else f"{model.labels[j]} is the same in every run"
        )
    return sentences


def _least_squares(X: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return coefficients (p,) and (X'X)⁻¹ (p, p)."""
    from statsmodels.regression.linear_model import OLS

    result = OLS(y, X).fit(method="qr")
    return np.asarray(result.params), np.asarray(result.normalized_cov_params)


def _estimates(
    model: Model,
    coefficients: FloatArray,
    unscaled: FloatArray,
    variance: float | None,
    df: int,
) -> tuple[TermEstimate, ...]:
    from scipy.special import stdtr

    rows = []
    for (term, levels), label, b, c in zip(
        model.columns, model.labels, coefficients, np.diag(unscaled), strict=True
    ):
        error = float(np.sqrt((variance or 0.0) * c))
        p_value = float(2 * stdtr(df, -abs(b / error))) if error else None
        squares = float(b * b / c) if term.order else None
        rows.append(TermEstimate(label, term, levels, float(b), error, float(df), p_value, squares))
    return tuple(rows)


def _term_tests(
    model: Model, coefficients: FloatArray, unscaled: FloatArray, variance: float | None, df: int
) -> tuple[TermTest, ...]:
    """Return the partial F tests; the sum of squares is b'C⁻¹b over the columns of a term."""
    tests = []
    for term in model.terms:
        at = [j for j, (of, _) in enumerate(model.columns) if of == term]
        if not term.order:
            continue
        b = coefficients[at]
        squares = float(b @ np.linalg.solve(unscaled[np.ix_(at, at)], b))
        f, p_value = f_test(squares, len(at), variance, df)
        tests.append(TermTest(term.label(model.space.names), term, len(at), squares, f, p_value))
    return tuple(tests)


def _r2_predicted(residuals: FloatArray, leverage: FloatArray, ss_total: float) -> float | None:
    if (1 - leverage <= SAME).any():
        return None
    return float(1 - np.sum((residuals / (1 - leverage)) ** 2) / ss_total)


def _data_notices(model: Model, data: Observations, strata: Strata) -> Iterator[Notice]:
    """Notices that the settings and the order of the runs give rise to."""
    tangled = _tangled(model.matrix(data.coded_as_planned()), model)
    if tangled:
        yield Notice(
            "confounded-as-planned",
            f"As planned, {'; '.join(tangled)}: only the scatter of the achieved settings "
            "separates them, so their coefficients say little.",
        )
    coded, planned = data.coded(), data.coded_as_planned()
    numeric = list(data.space.numeric)
    beyond = (np.abs(coded[:, numeric]) > 1 + OUTSIDE) & (np.abs(planned[:, numeric]) <= 1 + 1e-9)
    outside = [data.runs[i] for i in np.flatnonzero(beyond.any(axis=1))]
    if outside:
        yield Notice(
            "outside-region",
            f"{_runs(outside)} ended outside the ranges of the factors; used as achieved.",
        )
    apart = _repeats_apart(data, coded)
    if apart:
        yield Notice(
            "repeats-apart",
            f"{_runs(apart)} were planned as repeats, yet their achieved settings differ by more "
            f"than {50 * REPEATS_APART:.0f} % of a range: pure error and lack of fit are rough.",
        )
    count = len(set(zip(data.stages, data.plots, strict=True)))
    if count < len(data.runs) and strata.plots is None:
        yield Notice(
            "shared-settings",
            f"The {len(data.runs)} runs were made in {count} plots, yet no factor stays the same "
            "within all of them. Least squares takes runs as independent, so effects of factors "
            "that were not set anew between runs look surer than they are.",
        )


def _strata_notices(fit: FittedModel, data: Observations, strata: Strata) -> Iterator[Notice]:
    """Notices about whole plots, stages and blocks."""
    if strata.plots is not None:
        hard = [data.space.names[i] for i in hard_factors(data)]
        sds = dict(fit.variance_components)
        least = min(e.df for e in fit.estimates if e.term.order) if fit.tests else np.inf
        yield Notice(
            "whole-plots",
            f"{_capital(_listed(hard))} {'was' if len(hard) == 1 else 'were'} set anew only "
            f"{int(strata.plots.max()) + 1} times, so effects of "
            f"{'it' if len(hard) == 1 else 'them'} are judged against the scatter of those plots "
            f"(standard deviation {sds['plot']:.3g} between plots, {sds['run']:.3g} between runs "
            f"of a plot); the least known effect has {least:.1f} degrees of freedom.",
        )
    stages = _listed([str(s) for s in sorted(set(data.stages))])
    unbridged = any(notice.code == "stage-not-allowed-for" for notice in strata.notices)
    if len(set(data.stages)) > 1 and not unbridged:
        how = "a shift from one stage to the next is not looked for"
        if any(name == "stage" for name, _ in strata.fixed_names):
            how = "repeated settings bridge them, and the shift between them is taken out"
        if any(name == "stage" for name, _ in strata.random):
            how = "stages are taken as random, because no repeated settings bridge them"
        yield Notice("several-stages", f"Stages {stages} are fitted together; {how}.")
    for effect in fit.block_effects:
        if effect.p_value is not None and effect.p_value < 0.05:
            yield Notice(
                "block-shift",
                f"{_capital(effect.block)} {effect.level} lies {effect.shift:+.3g} off the average "
                f"of its kind (p = {effect.p_value:.2g}). Predictions are for that average; a new "
                f"{effect.block} may lie elsewhere, which their intervals do not count.",
            )


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _repeats_apart(data: Observations, coded: FloatArray) -> list[int]:
    groups = data.repeats()
    apart: list[int] = []
    for group in np.unique(groups):
        members = np.flatnonzero(groups == group)
        if np.ptp(coded[members], axis=0).max(initial=0.0) > REPEATS_APART:
            apart.extend(data.runs[i] for i in members)
    return apart


def _fit_notices(fit: FittedModel) -> Iterator[Notice]:
    """Notices about how far the fit can be trusted."""
    from scipy.special import stdtrit

    hidden = [run for run, side in zip(fit.runs_used, fit.censored, strict=False) if side]
    if hidden:
        yield Notice(
            "censored-values",
            f"{_runs(hidden)} {'has' if len(hidden) == 1 else 'have'} a value known only to lie "
            "beyond a limit, and counted as that by maximum likelihood; lack of fit and predicted "
            "R² are not worked out.",
        )
    n, p, df = len(fit.runs_used), len(fit.model), fit.df_residual
    if fit.ss_residual <= EXACT * fit.ss_total:
        yield Notice(
            "exact-fit",
            "The model passes through every value: nothing can be tested. Were the values "
            "measured, or computed?",
        )
    if df < DF_FEW:
        yield Notice(
            "few-degrees-of-freedom",
            f"Only {_count(df, 'degree')} of freedom to judge the error by: a 95 % interval is "
            f"{float(stdtrit(df, 0.975)):.1f} standard errors to each side.",
        )
    if not hidden:
        yield from _lack_notices(fit.lack_of_fit)
    limit = min(2 * p / n, 0.95)  # 2p/n: Hoaglin, Welsch 1978 (from memory)
    heavy = [run for run, h in zip(fit.runs_used, fit.leverage, strict=True) if h > limit]
    if heavy:
        yield Notice(
            "high-leverage",
            f"The fit follows {_runs(heavy, 'run')} almost alone there; repeat before trusting.",
        )
    if fit.r2_predicted is not None and fit.r2_predicted < 0:
        yield Notice(
            "poor-prediction",
            f"Predicted R² is {fit.r2_predicted:.2f}: for a new run the plain average would do "
            "better than this model.",
        )
    yield from _residual_notices(fit)


def _lack_notices(lack: LackOfFit | None) -> Iterator[Notice]:
    if lack is None:
        yield Notice(
            "no-repeats",
            "No run was repeated, so lack of fit cannot be told from scatter.",
        )
    elif lack.df_lack and lack.f is None:
        yield Notice(
            "repeats-identical",
            "All repeats gave the same value, so scatter cannot be judged from them. Were they "
            "separate runs, reported finely enough?",
        )
    elif lack.p_value is not None and lack.p_value < 0.05:
        yield Notice(
            "lack-of-fit",
            f"The model misses the values by more than repeats scatter (F = {lack.f:.1f}, "
            f"p = {lack.p_value:.2g}); its predictions may be off.",
        )


def _residual_notices(fit: FittedModel) -> Iterator[Notice]:
    """Runs whose residual is larger than chance allows the largest of n.

    t test of the externally studentised residual with Bonferroni's correction for n runs:
    Cook, Weisberg 1982, section 2.2.2 (from memory).
    """
    from scipy.special import stdtrit

    if fit.df_residual < 2:
        return
    limit = float(stdtrit(fit.df_residual - 1, 1 - 0.025 / len(fit.runs_used)))
    for run, t, value, fitted in zip(
        fit.runs_used, fit.studentised, fit.values, fit.fitted, strict=True
    ):
        if abs(t) > limit:
            yield Notice(
                "large-residual",
                f"Run {run}: measured {value:.4g}, fitted {fitted:.4g}; its studentised residual "
                f"{t:.1f} is beyond ±{limit:.1f}. It was used; check the record of the run.",
            )


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _runs(runs: Sequence[int], word: str = "Run") -> str:
    return f"{word if len(runs) == 1 else word + 's'} {_listed([str(run) for run in runs])}"


def _listed(words: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(words[:-1]), *words[-1:])))
