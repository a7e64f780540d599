"""What the runs can carry: the largest model, and what no model can be fitted to, in words.

Shapes: n runs, p columns of the model matrix.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from doe.analysis.diagnostics import confounded
from doe.analysis.observations import Observations
from doe.analysis.strata import Strata, strata_of
from doe.analysis.transformation import Transformation
from doe.errors import DoeError, FitError, Notice, Problem
from doe.factors import CategoricalFactor, FactorSpace, FloatArray
from doe.responses import Response
from doe.terms import Model, interaction_model, linear_model
from doe.wording import counted, listed, runs_in_words

__all__ = [
    "about",
    "confounded_terms",
    "largest_model",
    "refuse",
    "tangled_columns",
    "too_much_planned",
]

DF_WANTED = 3


def refuse(
    response: Response, model: Model, data: Observations, transformation: Transformation
) -> None:
    """Refuse what no fit can be made of; values beyond limits count as runs, not as values.

    Raises
    ------
    FitError
        Nothing measured, all values equal or beyond limits, fewer runs than terms, a level that
        nobody ran, or terms that the runs cannot tell apart.
    """
    seen = data.measured()
    _refuse_censored(response, data)
    _refuse_values(response, seen)
    _refuse_not_above_zero(response, seen, transformation)
    _refuse_too_few(response, model, len(seen.values))
    if unrun := _unrun_levels(model, seen):
        raise FitError(about(response, unrun))
    _refuse_confounded(response, model, model.matrix(seen.coded()))


def about(response: Response, problem: Problem) -> Problem:
    """Return a problem that names its response."""
    named = problem.what.startswith(response.words)
    what = problem.what if named else f"{response.words}: {problem.what}"
    where = replace(problem.where, key=response.name)
    return replace(problem, what=f"{what.rstrip('.')}.", where=where)


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
    usable = observations.usable()
    data = usable.measured()
    if usable.runs and not data.runs:
        raise FitError(_all_beyond(len(usable.runs), space))
    simpler = (interaction_model(space), linear_model(space))
    models = [wanted, *(m for m in simpler if set(m.terms) < set(wanted.terms))]
    separable = [m for m in models if len(data.runs) > len(m) and not confounded_terms(m, data)]
    strata = {model: strata_of(model, data) for model in separable}
    for least in (DF_WANTED, 1):
        for model in separable:
            if strata[model].df_runs >= least and not strata[model].problem:
                return model, () if model is wanted else (_fallback_notice(model, wanted, data),)
    raise _no_model(models[-1], data, observations)


def confounded_terms(model: Model, data: Observations) -> tuple[str, ...]:
    """Return a sentence for each column that planned or achieved settings cannot tell apart."""
    matrices = (model.matrix(data.coded_as_planned()), model.matrix(data.coded()))
    return tuple(next(filter(None, (tangled_columns(X, model) for X in matrices)), []))


def too_much_planned(planned: Observations, wanted: Model) -> tuple[Notice, ...]:
    """Return a notice if a fit will not carry the model of a plan though every run is made.

    Parameters
    ----------
    planned
        The runs at their planned settings, with their plots, blocks and lots; values of any kind.
    """
    remedy = "Plan more runs or plots, or plan for the smaller model."
    try:
        model, _ = largest_model(wanted.space, planned, wanted)
    except FitError as error:
        what = (
            f"Even with every run made, no model can be fitted: {error.problems[0].what} {remedy}"
        )
        return (Notice("model-not-carried", what),)
    if model is wanted:
        return ()
    what = (
        f"With every run made, {model.name} will be fitted instead of the {wanted.name} planned: "
        f"{_why_simpler(wanted, planned)}. {remedy}"
    )
    return (Notice("model-not-carried", what),)


def _fallback_notice(model: Model, wanted: Model, data: Observations) -> Notice:
    curved = any(power > 1 for term in wanted.terms for power in term.powers)
    loss = " It has no squares, so an optimum inside the region cannot show." if curved else ""
    return Notice(
        "simpler-model",
        f"Instead of the {wanted.name}, {model.name} were fitted: {_why_simpler(wanted, data)}."
        f"{loss}",
    )


def _why_simpler(wanted: Model, data: Observations) -> str:
    n, left = len(data.runs), len(data.runs) - len(wanted)
    tangled = tangled_columns(wanted.matrix(data.coded_as_planned()), wanted)
    problem = strata_of(wanted, data).problem if left >= 1 and not tangled else None
    if left < 1:
        least = f"at least {len(wanted) + 1} of them"
        return (
            f"{counted(n, 'measured run')} cannot carry the {len(wanted)} terms, which take {least}"
        )
    if tangled:
        return f"the runs cannot carry the terms: {tangled[0]}"
    return problem.what if problem else _too_little_left(n, wanted, strata_of(wanted, data))


def _too_little_left(n: int, wanted: Model, strata: Strata) -> str:
    """Return how little the terms leave, of what differs inside plots and blocks."""
    names = [name for name, _ in strata.random]
    names += [name for name, _ in strata.fixed_names if name not in names]
    unit = f" within {listed([f'{name}s' for name in dict.fromkeys(names)])}" if names else ""
    return (
        f"{n} runs for {len(wanted)} terms leave{unit} only {strata.df_runs} to judge "
        "the scatter of runs by"
    )


def _no_model(smallest: Model, data: Observations, every: Observations) -> DoeError:
    n = len(data.runs)
    if n <= len(smallest):
        lost = _not_counted(every)
        if not n and not lost:
            return FitError.of(
                "nothing-measured",
                "no run has a value.",
                "Measure what the runs made have left, and hand the values in.",
            )
        what = (
            f"{counted(n, 'run')} measured; even {smallest.name} ({len(smallest)} terms) need at "
            f"least {len(smallest) + 1}."
        )
        if lost:
            what = f"{what[:-1]}. Measured too, but left out: {lost}."
        more = f"easure {len(smallest) + 1 - n} more, better {len(smallest) + DF_WANTED - n}."
        remedy = "Correct what is wrong with the runs left out, figures or their unit, or m"
        return FitError.of("too-few-runs", what, f"{remedy if lost else 'M'}{more}")
    if unrun := _unrun_levels(smallest, data):
        return FitError(replace(unrun, what=f"{unrun.what}."))
    tangled = tangled_columns(smallest.matrix(data.coded_as_planned()), smallest)
    tangled = tangled or tangled_columns(smallest.matrix(data.coded()), smallest)
    problem = strata_of(smallest, data).problem
    if not tangled and problem:
        return FitError(replace(problem, what=f"Even {smallest.name}: {problem.what}."))
    return FitError.of(
        "confounded", "; ".join(tangled) + ".", "Add runs that change these factors separately."
    )


def _not_counted(every: Observations) -> str:
    """Return the runs that have a value and are left out, by reason; empty where there are none."""
    by_reason: dict[str, list[int]] = {}
    for run, value, reason in zip(every.runs, every.values, every.left_out, strict=True):
        if reason and np.isfinite(value):
            by_reason.setdefault(reason, []).append(run)
    told = [f"{runs_in_words(runs).lower()} ({reason})" for reason, runs in by_reason.items()]
    return "; ".join(told)


def _refuse_censored(response: Response, data: Observations) -> None:
    if data.runs and not data.measured().runs:
        raise FitError(about(response, _all_beyond(len(data.runs), data.space)))


def _all_beyond(values: int, space: FactorSpace) -> Problem:
    """Return the problem of limits alone; few of them are no reason to change the method."""
    if values <= len(linear_model(space)):
        found = "the one value lies" if values == 1 else f"all {values} values lie"
        return Problem(
            "all-censored",
            f"{found} beyond a limit of measurement",
            remedy="Wait for more runs: so few say nothing against the method.",
        )
    return Problem(
        "all-censored",
        "every value lies beyond a limit of measurement",
        remedy="Measure with a finer method; nothing can be fitted to limits alone.",
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
            f"{response.words}: {runs_in_words(low).lower()} {'is' if len(low) == 1 else 'are'} "
            "not above zero, and there is no logarithm of that.",
            "Where nothing was found, hand in < and the limit of detection instead, as <0.05, with "
            '--replace; or leave out scale = "log".',
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
        f"{counted(n, 'measured run')} cannot carry a model of {p} terms"
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
    tangled = tangled_columns(X, model)
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
                found.append(f"no measured run has {factor.name} at its {words} {listed(unrun)}")
    if not found:
        return None
    return Problem(
        "level-without-runs",
        "; ".join(found),
        remedy="Run what was added, as with doe suggest; until then take the level out of "
        "campaign.toml.",
    )


def tangled_columns(X: FloatArray, model: Model) -> list[str]:
    """Return a sentence for each column that the columns before it reproduce."""
    sentences = []
    for j, others in confounded(X):
        names = [model.labels[i] for i in others if model.columns[i][0].order]
        sentences.append(
            f"{model.labels[j]} cannot be told apart from {listed(names)}"
            if names
            else f"{model.labels[j]} is the same in every run"
        )
    return sentences
