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

from doe.analysis.diagnostics import (
    EXACT,
    SAME,
    LackOfFit,
    confounded,
    f_test,
    influence,
    lack_of_fit,
)
from doe.analysis.observations import Observations
from doe.errors import DoeError, FitError, Notice
from doe.factors import FactorSpace, FloatArray
from doe.responses import Response
from doe.terms import Model, Term, interaction_model, linear_model

__all__ = [
    "FittedModel",
    "LackOfFit",
    "Observations",
    "Prediction",
    "TermEstimate",
    "TermTest",
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


@dataclass(frozen=True, slots=True)
class TermTest:
    """Partial F test of one term, all its columns together; `df` is their number."""

    label: str
    term: Term
    df: int
    sum_of_squares: float
    f: float | None
    p_value: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Prediction:
    """Predicted mean with its interval, and the interval of one new run, at m settings (m,)."""

    mean: FloatArray
    standard_error: FloatArray
    mean_low: FloatArray
    mean_high: FloatArray
    run_low: FloatArray
    run_high: FloatArray
    level: float


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
        degrees of freedom: NIST/SEMATECH e-Handbook, 4.5.1.
        """
        from scipy.special import stdtrit

        mean, error, run_error = self._mean_and_errors(settings)
        t = float(stdtrit(self.df_residual, (1 + level) / 2))
        return Prediction(
            mean,
            error,
            mean - t * error,
            mean + t * error,
            mean - t * run_error,
            mean + t * run_error,
            level,
        )

    def chance_between(self, settings: npt.ArrayLike, low: float, high: float) -> FloatArray:
        """Return the chance (m,) that one new run at settings (m, k) falls in [low, high]."""
        from scipy.special import stdtr

        mean, _, run_error = self._mean_and_errors(settings)
        scale = np.maximum(run_error, 1e-12 * (1 + np.abs(mean)))
        below_high = stdtr(self.df_residual, (high - mean) / scale)
        below_low = stdtr(self.df_residual, (low - mean) / scale)
        return np.asarray(below_high - below_low, dtype=np.float64)

    def _mean_and_errors(
        self, settings: npt.ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        at = self.model.matrix(self.model.space.code(settings))
        variance = np.einsum("ij,jk,ik->i", at, self.covariance, at).clip(min=0.0)
        return at @ self.coefficients, np.sqrt(variance), np.sqrt(variance + self.residual_sd**2)


def fit_response(response: Response, model: Model, observations: Observations) -> FittedModel:
    """Return the model as asked, fitted by ordinary least squares; no term is left out.

    Raises
    ------
    FitError
        Nothing measured, all values equal, fewer runs than terms, no run left to judge the
        error by, or terms that the runs cannot tell apart.

    Notes
    -----
    Sums of squares of terms are partial (type III). PRESS sums (e/(1 − h))²:
    Allen 1974 (from memory).
    """
    if all(term.order for term in model.terms):
        raise ValueError("the model needs an intercept")
    data = observations.usable()
    _refuse_values(response, data)
    _refuse_too_few(response, model, len(data.values))
    _refuse_confounded(response, model, model.matrix(data.coded()))
    left_out = tuple(
        (run, reason)
        for run, reason in zip(observations.runs, observations.reasons(), strict=True)
        if reason is not None
    )
    fit = _fitted(response, model, data, left_out)
    return replace(fit, notices=(*_data_notices(model, data), *_fit_notices(fit)))


def _fitted(
    response: Response,
    model: Model,
    data: Observations,
    left_out: tuple[tuple[int, str], ...],
) -> FittedModel:
    coded, y = data.coded(), data.values.copy()
    X, df = model.matrix(coded), len(y) - len(model)
    coefficients, unscaled = _least_squares(X, y)
    fitted = X @ coefficients
    residuals = y - fitted
    ss_total, ss_residual = float(np.sum((y - y.mean()) ** 2)), float(residuals @ residuals)
    ss_model = ss_total - ss_residual
    variance = ss_residual / df
    testable = variance if ss_residual > EXACT * ss_total else None
    runs = influence(X, residuals, testable or 0.0, df)
    f_model, p_model = f_test(ss_model, len(model) - 1, testable, df)
    covariance = variance * unscaled
    arrays = (covariance, coded, y, fitted, residuals, runs.leverage, runs.studentised, runs.cook)
    for array in arrays:
        array.setflags(write=False)
    return FittedModel(
        response=response,
        model=model,
        method="least squares",
        transformation="none",
        runs_used=data.runs,
        runs_left_out=left_out,
        estimates=_estimates(model, coefficients, unscaled, testable, df),
        tests=_term_tests(model, coefficients, unscaled, testable, df),
        covariance=covariance,
        df_residual=df,
        residual_sd=float(np.sqrt(variance)),
        r2=1 - ss_residual / ss_total,
        r2_adjusted=1 - variance / (ss_total / (len(y) - 1)),
        r2_predicted=_r2_predicted(residuals, runs.leverage, ss_total),
        lack_of_fit=lack_of_fit(residuals, data.repeats(), df, ss_total),
        ss_model=ss_model,
        ss_residual=ss_residual,
        ss_total=ss_total,
        f_model=f_model,
        p_model=p_model,
        coded=coded,
        values=y,
        fitted=fitted,
        residuals=residuals,
        leverage=runs.leverage,
        studentised=runs.studentised,
        cook=runs.cook,
    )


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
    data = observations.usable()
    simpler = (interaction_model(space), linear_model(space))
    models = [wanted, *(m for m in simpler if set(m.terms) < set(wanted.terms))]
    separable = [m for m in models if len(data.runs) > len(m) and _separable(m, data)]
    for least in (DF_WANTED, 1):
        for model in separable:
            if len(data.runs) - len(model) >= least:
                return model, () if model is wanted else (_fallback_notice(model, wanted, data),)
    raise _no_model(models[-1], data)


def _separable(model: Model, data: Observations) -> bool:
    matrices = (model.matrix(data.coded_as_planned()), model.matrix(data.coded()))
    return not any(_tangled(X, model) for X in matrices)


def _fallback_notice(model: Model, wanted: Model, data: Observations) -> Notice:
    n, left = len(data.runs), len(data.runs) - len(wanted)
    tangled = _tangled(wanted.matrix(data.coded_as_planned()), wanted)
    if left < 1:
        why = f"{_count(n, 'measured run')} cannot carry the {len(wanted)} terms"
    elif tangled:
        why = f"the runs cannot carry the terms: {tangled[0]}"
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
    tangled = _tangled(smallest.matrix(data.coded_as_planned()), smallest)
    tangled = tangled or _tangled(smallest.matrix(data.coded()), smallest)
    return FitError.of(
        "confounded", "; ".join(tangled) + ".", "Add runs that change these factors separately."
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


def _data_notices(model: Model, data: Observations) -> Iterator[Notice]:
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
    whole_plots = set(zip(data.stages, data.plots, strict=True))
    if len(whole_plots) < len(data.runs):
        yield Notice(
            "shared-settings",
            f"The {len(data.runs)} runs were made in {len(whole_plots)} plots, without setting "
            "the hard-to-change factors anew between runs of a plot. Least squares takes runs as "
            "independent, so effects of those factors look surer than they are.",
        )
    if len(set(data.stages)) > 1:
        yield Notice(
            "several-stages",
            f"Stages {_listed([str(s) for s in sorted(set(data.stages))])} are fitted together; "
            "a shift from one stage to the next is not looked for.",
        )


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
