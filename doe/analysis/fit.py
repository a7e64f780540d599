"""One response fitted to the runs that were really made, with what is needed to judge the fit.

The model matrix is built at achieved settings in coded units. Repeats, from which pure error is
taken, are runs planned at equal settings, because achieved settings are never quite equal.
Nothing is dropped silently: a run is in `runs_used`, or in `runs_left_out` with its reason.

Shapes: n runs, k factors, p columns of the model matrix, m settings to predict at.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from doe.analysis.carried import about, confounded_terms, largest_model, refuse
from doe.analysis.censored import fit_censored
from doe.analysis.censored_groups import CensoredGroupsFit, fit_censored_groups, widened
from doe.analysis.diagnostics import (
    EXACT,
    SAME,
    LackOfFit,
    confounded,
    f_test,
    holm,
    influence,
    lack_of_fit,
    lack_of_fit_within,
    mixed_influence,
    needed_groups,
    prediction_errors,
)
from doe.analysis.fit_notices import data_notices, fit_notices, strata_notices
from doe.analysis.fitted_model import (
    BlockEffect,
    FittedModel,
    Prediction,
    TermEstimate,
    TermTest,
)
from doe.analysis.mixed import ContrastTest, MixedFit, can_be_judged, fit_mixed, indicator
from doe.analysis.observations import Observations
from doe.analysis.strata import Groups, Strata, hard_factors, strata_of
from doe.analysis.transformation import NONE, Transformation
from doe.errors import DoeError, FitError, Notice
from doe.factors import FloatArray
from doe.responses import Response
from doe.terms import Model
from doe.wording import listed

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
    refuse(response, model, data, transformation)
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
        kernel = _censored_in_groups if strata.random else _censored
    fit = kernel(response, model, data, left_out, strata, transformation)
    notices = (
        *fit.notices,
        *data_notices(model, data, strata),
        *strata_notices(fit, data, strata),
    )
    return replace(fit, notices=(*notices, *strata.notices, *fit_notices(fit, _repeated(data))))


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
    meant, repeats = _as_meant(model, data, strata), data.repeats()
    needed = _needed(meant, data, np.arange(len(y)))
    lack = lack_of_fit(residuals, repeats, df, ss_total)
    if strata.fixed.size:
        lack = lack_of_fit_within(X, strata.fixed, y, repeats, ss_total, meant)
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
        r2_predicted=None if needed else _r2_predicted(residuals, runs.leverage, ss_total),
        needed_alone=needed,
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
    y = scale.forward(data.values.copy())
    X = np.hstack([model.matrix(data.coded()), strata.fixed])
    fit = fit_mixed(X, y, strata.random)
    found = _of_mixed(response, model, data, left_out, strata, scale, X, y, fit)
    indicators = [indicator(groups) for _, groups in strata.random]
    blocks = np.hstack([strata.fixed, *indicators])
    groups = strata.random[0][1] if strata.plots is not None else np.arange(len(y))
    meant = _as_meant(model, data, strata)
    needed = _needed(meant, data, groups)
    errors = None if needed else prediction_errors(fit.projection, y, groups)
    return replace(
        found,
        r2_predicted=None if errors is None else float(1 - errors @ errors / found.ss_total),
        needed_alone=needed,
        lack_of_fit=lack_of_fit_within(X, blocks, y, data.repeats(), found.ss_total, meant),
        lack_of_fit_plots=_lack_of_plots(X, meant, y, data, strata),
    )


def _of_mixed(
    response: Response,
    model: Model,
    data: Observations,
    left_out: tuple[tuple[int, str], ...],
    strata: Strata,
    scale: Transformation,
    X: FloatArray,
    y: FloatArray,
    fit: MixedFit,
) -> FittedModel:
    """Return what follows from a mixed fit alone, of values y (n,) on X (n, p and blocks)."""
    p = len(model)
    fitted = X @ fit.coefficients
    residuals = y - fitted
    ss_total, ss_residual = float(np.sum((y - y.mean()) ** 2)), float(residuals @ residuals)
    indicators = [indicator(groups) for _, groups in strata.random]
    runs = mixed_influence(X, y, _covariance_of_values(fit, indicators), fit.projection)
    whole = fit.test(np.eye(X.shape[1])[1:p]) if p > 1 else None
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
        residual_sd=float(np.sqrt(fit.variances[-1])),
        r2=1 - ss_residual / ss_total,
        r2_adjusted=1 - ss_residual / (len(y) - X.shape[1]) / (ss_total / (len(y) - 1)),
        r2_predicted=None,
        lack_of_fit=None,
        ss_model=ss_total - ss_residual,
        ss_residual=ss_residual,
        ss_total=ss_total,
        f_model=whole.f if whole else None,
        p_model=whole.p_value if whole else None,
        coded=_frozen(data.coded()),
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

    Variances are widened by n/(n − p), n counting each run by the information that it carries, and
    t has the degrees of freedom of the measured values: without censoring that is least squares;
    with it an approximation (ours). Leverage goes by the same information.
    """
    coded, y, p = data.coded(), scale.forward(data.values.copy()), len(model)
    X = np.hstack([model.matrix(coded), strata.fixed])
    try:
        best = fit_censored(X, y, data.censored)
    except ValueError:
        raise _too_few_measured(response) from None
    n, hidden = len(y), np.array([side is not None for side in data.censored])
    df = int((~hidden).sum()) - X.shape[1]
    informed = float(best.information.sum())
    widened = informed / (informed - X.shape[1])
    covariance, sd = widened * best.covariance, best.sd * float(np.sqrt(widened))
    effects, own = best.coefficients[:p], covariance[:p, :p]
    fitted = X @ best.coefficients
    residuals = best.expected - fitted
    ss_total = float(np.sum((best.expected - best.expected.mean()) ** 2))
    ss_residual = float(residuals @ residuals)
    wald = float(effects[1:] @ np.linalg.solve(own[1:, 1:], effects[1:])) if p > 1 else 0.0
    f_model, p_model = f_test(wald * sd**2, p - 1, sd**2, df)
    seen = X * np.sqrt(best.information)[:, None]
    runs = influence(seen, residuals, sd**2, df)
    free = ~hidden & (1 - runs.leverage > SAME)
    studentised = np.full(n, np.nan)
    studentised[free] = residuals[free] / (sd * np.sqrt(1 - runs.leverage[free]))
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


def _censored_in_groups(
    response: Response,
    model: Model,
    data: Observations,
    left_out: tuple[tuple[int, str], ...],
    strata: Strata,
    scale: Transformation,
) -> FittedModel:
    """Return the fit by maximum likelihood with values beyond a limit as such, and one grouping.

    Each scatter is widened by what maximum likelihood forgets, and standard errors with it, as
    they would be if all values were measured; degrees of freedom are lowered by the share that is
    not. Without censoring in balanced plots that is REML; with it an approximation (ours). Where
    several groupings are random, the one counts under which the values are likeliest.
    """
    y = scale.forward(data.values.copy())
    X = np.hstack([model.matrix(data.coded()), strata.fixed])
    hidden = np.array([side is not None for side in data.censored])
    meant = _as_meant(model, data, strata)
    fits = [
        (_fitted_in(response, X, y, data, grouping), grouping)
        for grouping in strata.random
        if all(can_be_judged(meant[~hidden], [(grouping[0], grouping[1][~hidden])]))
    ]
    if not fits:
        named = listed([name for name, _ in strata.random])
        raise FitError.of(
            "too-few-measured",
            f"{response.words}: the measured runs alone are too few to judge "
            f"the scatter from one {named} to the next, or of runs inside one.",
            "Fit a model with fewer terms, or wait for more runs.",
            key=response.name,
        )
    best, one = min(fits, key=lambda pair: pair[0].criterion)
    measured, seen = meant[~hidden], one[1][~hidden]
    df = len(measured) - int(np.linalg.matrix_rank(np.hstack([measured, indicator(seen)])))
    fit = widened(X, best, int((~hidden).sum()), one)
    counted = replace(strata, random=(one,))
    found = _of_mixed(response, model, data, left_out, counted, scale, X, best.expected, fit)
    return replace(
        found,
        method="maximum likelihood, censored, in groups",
        df_residual=df,
        studentised=_frozen(np.where(hidden, np.nan, found.studentised)),
        cook=_frozen(np.where(hidden, np.nan, found.cook)),
        censored=data.censored,
        notices=(*found.notices, *_one_of_groupings(strata, one[0])),
    )


def _fitted_in(
    response: Response,
    X: FloatArray,
    y: FloatArray,
    data: Observations,
    grouping: tuple[str, Groups],
) -> CensoredGroupsFit:
    try:
        return fit_censored_groups(X, y, data.censored, grouping[1])
    except ValueError:
        raise _too_few_measured(response) from None


def _one_of_groupings(strata: Strata, chosen: str) -> tuple[Notice, ...]:
    """Notice that other random groupings do not count."""
    others = [name for name, _ in strata.random if name != chosen]
    if not others:
        return ()
    what = (
        f"With values known only to lie beyond a limit one random grouping can be fitted: runs of "
        f"one {chosen} count as alike, under which the values are likeliest. What a "
        f"{listed(others)} shifts together is not counted in the polynomial’s intervals; in those "
        "of the surfaces it is."
    )
    return (Notice("censored-in-one-grouping", what),)


def _too_few_measured(response: Response) -> DoeError:
    return FitError.of(
        "too-few-measured",
        f"{response.words}: the measured values alone do not fix the terms of the model.",
        "Fit a model with fewer terms, or measure with a finer method.",
        key=response.name,
    )


def _repeated(data: Observations) -> bool:
    return len(set(data.repeats().tolist())) < len(data.runs)


def _as_meant(model: Model, data: Observations, strata: Strata) -> FloatArray:
    """Return the columns of a fit (n, p + b) by which ranks are counted, free of jitter."""
    return np.hstack([model.matrix(data.coded_as_meant()), strata.fixed])


def _needed(
    meant: FloatArray, data: Observations, groups: npt.NDArray[np.intp]
) -> tuple[tuple[int, ...], ...]:
    """Return the runs of each group without which the others cannot tell all terms apart."""
    return tuple(
        tuple(data.runs[i] for i in np.flatnonzero(groups == group))
        for group in needed_groups(meant, groups)
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
    strata: Strata, coefficients: FloatArray, covariance: FloatArray, df: float
) -> tuple[BlockEffect, ...]:
    """Return the shift of every level, given those of the columns (b,) and their covariance."""
    from scipy.special import stdtr

    rows = strata.rows_of_levels()
    shifts, errors = rows @ coefficients, np.sqrt(np.einsum("lb,bc,lc->l", rows, covariance, rows))
    p_values = [
        float(2 * stdtr(df, -abs(shift / error))) if error else None
        for shift, error in zip(shifts, errors, strict=True)
    ]
    return _levels_told(strata, shifts, errors, p_values)


def _mixed_block_effects(strata: Strata, fit: MixedFit, p: int) -> tuple[BlockEffect, ...]:
    own = strata.rows_of_levels()
    rows = np.hstack([np.zeros((len(own), p)), own])
    errors = np.sqrt(np.einsum("lp,pq,lq->l", rows, fit.covariance, rows))
    p_values = [fit.test(row).p_value for row in rows]
    return _levels_told(strata, rows @ fit.coefficients, errors, p_values)


def _levels_told(
    strata: Strata, shifts: FloatArray, errors: FloatArray, p_values: Sequence[float | None]
) -> tuple[BlockEffect, ...]:
    effects: list[BlockEffect] = []
    for block in dict.fromkeys(name for name, _ in strata.fixed_names):
        at = [i for i, (name, _) in enumerate(strata.fixed_names) if name == block]
        own = [p_values[i] for i in at]
        corrected = holm(own) if len(at) > 2 else own
        effects += [
            BlockEffect(*strata.fixed_names[i], float(shifts[i]), float(errors[i]), p_values[i], p)
            for i, p in zip(at, corrected, strict=True)
        ]
    return tuple(effects)


def _lack_of_plots(
    X: FloatArray, meant: FloatArray, y: FloatArray, data: Observations, strata: Strata
) -> ContrastTest | None:
    """Return the test of what distinct plot settings explain beside the model.

    Plots planned at the same settings of the factors that are set once a plot tell their scatter.
    """
    hard = list(hard_factors(data))
    if not hard:
        return None
    settings = np.round(data.coded_as_planned()[:, hard], 9)
    cells = indicator(np.unique(settings, axis=0, return_inverse=True)[1].ravel())
    extra = np.empty((len(y), 0))
    for column in cells.T:
        wider = np.column_stack([meant, extra, column])
        if not any(j == wider.shape[1] - 1 for j, _ in confounded(wider)):
            extra = np.column_stack([extra, column])
    full = np.hstack([X, extra])
    judged = can_be_judged(np.hstack([meant, extra]), strata.random)
    if not extra.shape[1] or not all(judged):
        return None
    fit = fit_mixed(full, y, strata.random)
    return fit.test(np.eye(full.shape[1])[X.shape[1] :])


def _least_squares(X: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return coefficients (p,) and (X'X)⁻¹ (p, p), by QR: as exact as the columns allow."""
    Q, R = np.linalg.qr(X)
    inverse = np.linalg.inv(R)
    return np.asarray(inverse @ (Q.T @ y)), np.asarray(inverse @ inverse.T)


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
