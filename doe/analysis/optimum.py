"""The best settings that the rig can run: for one response, and for all aims together.

The search climbs the fitted models from many feasible starts. The rig comes in only as a
function that says whether a setting can be run, so a poll it refuses is a poll not taken, and
nothing infeasible is ever returned.

Shapes: n candidates, k factors, m settings.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from doe.analysis.fit import (
    FittedModel,
    Observations,
    Prediction,
    about,
    fit_response,
    largest_model,
)
from doe.analysis.transformation import NONE, log
from doe.errors import FitError, InfeasibleError, Notice, Problem
from doe.factors import FactorSpace, Feasible, FloatArray, NumericFactor, feasible_settings
from doe.responses import TRACE, Response, combined
from doe.terms import Model
from doe.wording import capital

if TYPE_CHECKING:
    from doe.analysis.decision import Decision
    from doe.analysis.location import Location
    from doe.analysis.surrogate import Surrogate

__all__ = [
    "Analysis",
    "Best",
    "JointOptimum",
    "analyse",
    "best_of_each",
    "best_of_one",
    "candidates_for_search",
    "fitted_largest",
    "joint_optimum",
    "judged",
    "misses",
    "value_of_figures",
    "value_of_one_figure",
]

Score = Callable[[FloatArray], FloatArray]
"""Gives m settings (m, k) in real units a value (m,) to be made as large as can be."""

PLAIN_MEAN = "plain mean"
CANDIDATES = 2_000
STARTS = 6
APART = 0.5
"""Coded distance that two starts keep."""
FIRST_STEP, DIALLED_STEP, ROUGH_STEP, LAST_STEP = 0.25, 5e-3, 1e-3, 1e-4
TURNS = 200
SHRINK = 0.6
SLANTED = 40
"""Slanted directions polled each turn, beside two a factor."""


@dataclass(frozen=True, slots=True, eq=False)
class Best:
    """Best feasible settings (k,) for one response, and what is predicted there."""

    settings: FloatArray
    prediction: Prediction


@dataclass(frozen=True, slots=True, eq=False)
class JointOptimum:
    """Feasible settings (k,) that satisfy all aims best.

    Attributes
    ----------
    predictions
        One a response, at these settings.
    worths
        How far each response is satisfied, 0 to 1; a limit counts as met only if the bound of a
        new run at `level` meets it.
    overall_worth
        Geometric mean of the worths.
    all_aims_probability
        At least this is the chance that one new run meets every limit and tolerance; None where
        no response has any.
    """

    settings: FloatArray
    predictions: Mapping[str, Prediction]
    worths: Mapping[str, float]
    overall_worth: float
    all_aims_probability: float | None
    level: float


@dataclass(frozen=True, slots=True, eq=False)
class Analysis:
    """All responses fitted, the best settings of each, and of all together.

    `optimum` is the polynomials' until `doe.analysis.recommendation` puts the recommended settings
    in its place; the polynomials' is then `by_polynomials`, `evidence` a sentence on both,
    `decision` what they were chosen by, `surrogates` by response what they rest on, and `location`
    where by those else the best could lie.
    `as_asked` tells that a person asked for the models; else the runs' count and places decided.
    Of responses without a model, `why_unfitted` says by name why each has none, and `kept_by_all`
    that every run kept its limit, where that is so.
    """

    fits: tuple[FittedModel, ...]
    best: Mapping[str, Best]
    optimum: JointOptimum
    notices: tuple[Notice, ...]
    unfitted: tuple[Response, ...] = ()
    by_polynomials: JointOptimum | None = None
    evidence: str = ""
    decision: Decision | None = None
    surrogates: Mapping[str, Surrogate] = field(default_factory=dict)
    location: Location | None = None
    as_asked: bool = False
    kept_by_all: Mapping[str, str] = field(default_factory=dict)
    why_unfitted: Mapping[str, str] = field(default_factory=dict)

    @property
    def limits_unknown(self) -> tuple[Response, ...]:
        """Responses without a model whose limit no run, or not every run, was seen to keep."""
        wanted = (r for r in self.unfitted if r.interval_wanted() is not None)
        return tuple(r for r in wanted if r.name not in self.kept_by_all)


def analyse(
    responses: Sequence[Response],
    model_wanted: Model,
    observations_by_response: Mapping[str, Observations],
    feasible: Feasible,
    *,
    settable: bool = False,
    as_asked: bool = False,
) -> Analysis:
    """Return every response fitted with the largest model it can carry, and the optima.

    A response that cannot be fitted is left out with a notice.

    Parameters
    ----------
    as_asked
        Fit the model wanted, and never a smaller one in its place.

    Raises
    ------
    FitError
        No response can be fitted.
    InfeasibleError
        The rig can run no setting at all.
    """
    fits: list[FittedModel] = []
    failed: list[Notice] = []
    unfitted: list[Response] = []
    why_unfitted: dict[str, str] = {}
    problems: list[Problem] = []
    for response in responses:
        observations = observations_by_response[response.name]
        try:
            if as_asked:
                fits.append(_fitted(response, model_wanted, observations))
            else:
                fits.append(fitted_largest(response, model_wanted, observations))
        except FitError as error:
            problems += [about(response, problem) for problem in error.problems]
            unfitted.append(response)
            name = f"{response.words}: "
            said = [f"{p.what.removeprefix(name).rstrip('.')}. {p.remedy}" for p in error.problems]
            why = capital(" ".join(said).strip())
            why_unfitted[response.name] = why
            what = f"{response.words} is left out of the analysis. {why}"
            failed.append(Notice("response-not-fitted", what))
    if not fits:
        raise FitError(*problems)
    optimum, best = _optima(fits, feasible, settable)
    if any(response.interval_wanted() is not None for response in unfitted):
        optimum = replace(optimum, all_aims_probability=None)
    kept = {
        r.name: sentence
        for r in unfitted
        if (sentence := _kept_by_all(r, observations_by_response[r.name])) is not None
    }
    failed += [Notice("limit-kept-by-all", sentence) for sentence in kept.values()]
    found = Analysis(
        tuple(fits),
        best,
        optimum,
        (),
        tuple(unfitted),
        as_asked=as_asked,
        kept_by_all=kept,
        why_unfitted=why_unfitted,
    )
    limited = [response.words for response in found.limits_unknown]
    if limited:
        what = f"No model tells of {', '.join(limited)}, so nobody can say where its limit is kept."
        failed.append(Notice("limit-unknown", what))
    return replace(found, notices=(*failed, *_unmet(fits, optimum)))


def _kept_by_all(response: Response, data: Observations) -> str | None:
    """Return that every run kept a response's limit; None where one did not, or may not have.

    A value known only to lie beyond another keeps a limit where all values beyond it do.
    """
    wanted, usable = response.interval_wanted(), data.usable()
    if wanted is None or response.aim == "target" or not len(usable.values):
        return None
    sides = usable.censored or (None,) * len(usable.values)
    lows = [-np.inf if side == "below" else v for v, side in zip(usable.values, sides, strict=True)]
    highs = [np.inf if side == "above" else v for v, side in zip(usable.values, sides, strict=True)]
    if not (wanted[0] <= min(lows) and max(highs) <= wanted[1]):
        return None
    low, high = float(usable.values.min()), float(usable.values.max())
    unit = f" {response.unit}".rstrip()
    values = f"{low:.4g}" if low == high else f"{low:.4g} to {high:.4g}"
    if any(sides):
        values = f"up to {high:.4g}" if response.aim == "below" else f"from {low:.4g}"
    return (
        f"{response.words}: every run kept the limit ({values}{unit}, limit "
        f"{response.limit:g}{unit}); no model tells it of other settings."
    )


def _optima(
    fits: Sequence[FittedModel], feasible: Feasible, settable: bool, level: float = 0.95
) -> tuple[JointOptimum, dict[str, Best]]:
    """Return the joint optimum and the best of each response, the rig asked about all together."""
    space = fits[0].model.space
    scores = [_joint_score(fits, level), *(_score_of_one(fit, level) for fit in fits)]
    together, *alone = _searches(space, feasible, scores, None, settable)
    best = {
        fit.response.name: Best(at, fit.predict(at, level))
        for fit, at in zip(fits, alone, strict=True)
    }
    return _joint_optimum_at(fits, together, level), best


def fitted_largest(
    response: Response, model_wanted: Model, observations: Observations
) -> FittedModel:
    """Return a response fitted with the largest model, up to the one wanted, it can carry.

    Where some values are only limits and the measured ones carry no effect, that is a plain mean:
    the surrogates, which count limits without a model, then tell of it all the same.

    Raises
    ------
    FitError
        Not even main effects can be fitted.
    """
    try:
        model, notices = largest_model(model_wanted.space, observations, model_wanted)
        fit = _fitted(response, model, observations)
    except FitError as error:
        if not any(observations.usable().censored):
            raise
        mean = Model(model_wanted.space, model_wanted.terms[:1], PLAIN_MEAN)
        fit = _fitted(response, mean, observations)
        why = " ".join(problem.what for problem in error.problems)
        what = (
            f"The measured values alone carry no effect of a factor ({why.rstrip('.')}), so its "
            "polynomial is a plain mean and tells nothing of settings. The surfaces that settings "
            "are chosen by count the limits as well, and do tell."
        )
        notices = (Notice("plain-mean", what),)
    return replace(fit, notices=(*notices, *fit.notices))


def _fitted(response: Response, model: Model, observations: Observations) -> FittedModel:
    scale = log() if response.scale == "log" else NONE
    return fit_response(response, model, observations, transformation=scale)


def _unmet(fits: Sequence[FittedModel], optimum: JointOptimum) -> tuple[Notice, ...]:
    """Notice of the aims that even the best settings do not meet."""
    named = [
        _figures(fit.response, optimum.predictions[fit.response.name])
        for fit in fits
        if optimum.worths[fit.response.name] == 0
    ]
    if not named:
        return ()
    return (
        Notice(
            "aims-not-met",
            f"No feasible settings were found that satisfy every aim. At the nearest ones these "
            f"are not satisfied: {'; '.join(named)}. A limit counts as kept only if the "
            f"{100 * optimum.level:.0f} % interval of a new run keeps it.",
        ),
    )


def _figures(response: Response, predicted: Prediction) -> str:
    """Return a response with its predicted mean, and for a limit with the bound beside it."""
    unit = f" {response.unit}" if response.unit else ""
    mean = f"{response.words}, predicted {float(predicted.mean[0]):.4g}{unit}"
    if response.limit is None:
        return mean
    bound = predicted.run_high if response.aim == "below" else predicted.run_low
    reach = "up" if response.aim == "below" else "down"
    return (
        f"{mean}, {reach} to {float(bound[0]):.4g}{unit} in a new run, limit "
        f"{response.limit:g}{unit}"
    )


def candidates_for_search(space: FactorSpace, feasible: Feasible) -> FloatArray:
    """Return feasible settings (n, k) to start from; ask once and hand them to each search.

    Raises
    ------
    InfeasibleError
        None of the settings looked at is feasible.
    """
    candidates = feasible_settings(space, feasible, CANDIDATES)
    if not len(candidates):
        raise InfeasibleError.of(
            "no-feasible-setting",
            "None of the settings looked at can be run on this rig.",
            "Check the ranges of the factors and the limits of the rig.",
        )
    return candidates


def best_of_one(
    fitted: FittedModel,
    feasible: Feasible,
    *,
    candidates: FloatArray | None = None,
    settable: bool = False,
    level: float = 0.95,
) -> Best:
    """Return the best feasible settings for one response's aim.

    Parameters
    ----------
    fitted
        The response's model.
    feasible
        What the rig can run.
    candidates
        From `candidates_for_search`; asked for where not given.
    settable
        Only settings that the steps of the factors allow.
    level
        Of the intervals.

    Notes
    -----
    Highest or lowest predicted mean; for a target the least expected squared distance of the
    mean from it, so that of the many settings on target the best known is taken; for a limit the
    settings whose bound for a new run keeps furthest on the right side.
    """
    (at,) = _searches(
        fitted.model.space, feasible, [_score_of_one(fitted, level)], candidates, settable
    )
    return Best(at, fitted.predict(at, level))


def _score_of_one(fit: FittedModel, level: float) -> Score:
    return lambda settings: _value_of_one(fit, settings, level)


def best_of_each(
    groups: Sequence[Sequence[FittedModel]],
    feasible: Feasible,
    near: Sequence[FloatArray],
    candidates: FloatArray,
    *,
    level: float = 0.95,
) -> tuple[FloatArray, ...]:
    """Return for each group of f models of a response the best feasible settings (f, k) by each.

    The models of a group have the same terms and scale.

    Each is climbed to from its best candidate and from the settings (k,) in `near` of its group,
    so the rig is asked about all of them together: fit for models that differ little. As
    `best_of_one`, to a thousandth of a half range.
    """
    scores, starts = [], []
    for fits, place in zip(groups, near, strict=True):
        tops = [candidates[int(np.argmax(_value_of_one(fit, candidates, level)))] for fit in fits]
        starts.append(np.vstack([*tops, *(place for _ in fits)]))
        scores.append(_score_of_each(fits, level))
    climbed = _climb(groups[0][0].model.space, feasible, scores, starts, ROUGH_STEP)
    found = []
    for score, ends in zip(scores, climbed, strict=True):
        first, second = np.split(score(ends), 2)
        half = len(first)
        found.append(np.where((first >= second)[:, None], ends[:half], ends[half:]))
    return tuple(found)


def _score_of_each(fits: Sequence[FittedModel], level: float) -> Score:
    """Return the score of settings in as many equal parts as twice the models, in their order."""
    owner = np.tile(np.arange(len(fits)), 2)
    coefficients = np.array([fit.coefficients for fit in fits])
    one = fits[0]

    def score(settings: FloatArray) -> FloatArray:
        whose = np.repeat(owner, len(settings) // len(owner))
        if one.response.aim in ("maximise", "minimise"):  # judged by means: one matrix for all
            X = one.model.matrix(one.model.space.code(settings))
            means = one.scale.back(np.einsum("ij,ij->i", X, coefficients[whose]))
            return value_of_one_figure(one, means)
        values = np.empty(len(settings))
        for i, fit in enumerate(fits):
            values[whose == i] = _value_of_one(fit, settings[whose == i], level)
        return values

    return score


def joint_optimum(
    fits: Sequence[FittedModel],
    feasible: Feasible,
    *,
    level: float = 0.95,
    candidates: FloatArray | None = None,
    settable: bool = False,
) -> JointOptimum:
    """Return the feasible settings of highest overall worth.

    Limits come first: where they cannot all be kept, the settings that overstep least are
    returned, with an overall worth of 0.

    Notes
    -----
    Overall worth is the geometric mean of the worths of the predicted means (NIST/SEMATECH
    e-Handbook, 5.5.3.2.2), of limits by the bound of a new run. The probability is Bonferroni's
    bound 1 − Σ(1 − pᵢ), which holds however the responses are correlated; each pᵢ comes from
    the t distribution of a new run and counts model uncertainty, not lack of fit.
    """
    space = fits[0].model.space
    (at,) = _searches(space, feasible, [_joint_score(fits, level)], candidates, settable)
    return _joint_optimum_at(fits, at, level)


def _joint_score(fits: Sequence[FittedModel], level: float) -> Score:
    return lambda settings: _joint_value(fits, settings, level)


def _joint_optimum_at(fits: Sequence[FittedModel], at: FloatArray, level: float) -> JointOptimum:
    worths = {fit.response.name: float(_worth(fit, at[None], level)[0]) for fit in fits}
    return JointOptimum(
        at,
        {fit.response.name: fit.predict(at, level) for fit in fits},
        worths,
        float(_geometric_mean(list(worths.values()))),
        _all_aims_probability(fits, at),
        level,
    )


def _all_aims_probability(fits: Sequence[FittedModel], at: FloatArray) -> float | None:
    if not any(fit.response.interval_wanted() for fit in fits):
        return None
    return max(0.0, 1 - float(misses(fits, at[None])[0]))


def misses(fits: Sequence[FittedModel], settings: FloatArray) -> FloatArray:
    """Return the sum (m,) of the chances that a new run misses each limit or tolerance."""
    misses = np.zeros(len(settings))
    for fit in fits:
        wanted = fit.response.interval_wanted()
        if wanted:
            misses += 1 - fit.chance_between(settings, *wanted)
    return misses


def _value_of_one(fit: FittedModel, settings: FloatArray, level: float) -> FloatArray:
    if fit.response.aim != "target":
        return value_of_one_figure(fit, judged(fit, settings, level))
    predicted = fit.predict(settings, level)
    off = predicted.mean - (fit.response.target or 0.0)
    return np.asarray(-np.hypot(off, predicted.standard_error), dtype=np.float64)


def value_of_one_figure(fit: FittedModel, figure: FloatArray) -> FloatArray:
    """Return figures (…) by which a response is judged turned so that more is better."""
    aim = fit.response.aim
    if aim == "target":
        return np.asarray(-np.abs(figure - (fit.response.target or 0.0)), dtype=np.float64)
    return figure if aim in ("maximise", "above") else -figure


def judged(fit: FittedModel, settings: FloatArray, level: float) -> FloatArray:
    """Return the figure (m,) by which a response is judged: its mean, or for limits its bound."""
    predicted = fit.predict(settings, level)
    by_bound = {"below": predicted.run_high, "above": predicted.run_low}
    figure: FloatArray = by_bound.get(fit.response.aim, predicted.mean)
    return figure


def _worth(fit: FittedModel, settings: FloatArray, level: float) -> FloatArray:
    return fit.response.worth(judged(fit, settings, level), fit.observed)


def _joint_value(fits: Sequence[FittedModel], settings: FloatArray, level: float) -> FloatArray:
    figures = [judged(fit, settings, level) for fit in fits]
    return value_of_figures(fits, figures, misses(fits, settings))


def value_of_figures(
    fits: Sequence[FittedModel], figures: Sequence[FloatArray], missed: FloatArray | float
) -> FloatArray:
    """Return what the joint search climbs, of the figures (…) by which each response is judged.

    The overall worth by `combined` where no worth is 0, and a trace of the chance to meet all aims
    (`missed`, from `misses`), so that of settings of equal worth the safest is taken. Elsewhere
    that is flat and shows no way, so: in [−1, 0] by how far the useless responses are off, and
    below −1 by how far limits are overstepped, each in units of the range observed.
    """
    overstepped, off = np.zeros(figures[0].shape), np.zeros(figures[0].shape)
    aimed, values = [], []
    for fit, figure in zip(fits, figures, strict=True):
        distance = _distance(fit, figure)
        if fit.response.aim in ("below", "above"):
            overstepped += distance.clip(min=0.0)
        else:
            useless = fit.response.share(figure, fit.observed) <= 0
            off += np.where(useless, np.logaddexp(0.0, distance), 0.0)
            aimed.append(fit)
            values.append(figure)
    overall = (
        combined([f.response for f in aimed], values, [f.observed for f in aimed])
        if aimed
        else np.ones(figures[0].shape)
    )
    value = np.where(off > 0, -off / (1 + off), overall - TRACE * missed)
    return np.where(overstepped > 0, -1 - overstepped, value)


def _distance(fit: FittedModel, figure: FloatArray) -> FloatArray:
    """Return how far figures (m,) are on the wrong side, in units of the range observed."""
    response, (low, high) = fit.response, fit.observed
    if response.aim == "target":
        off = np.abs(figure - (response.target or 0.0))
    elif response.aim in ("maximise", "above"):
        off = (high if response.limit is None else response.limit) - figure
    else:
        off = figure - (low if response.limit is None else response.limit)
    return np.asarray(off / (high - low), dtype=np.float64)


def _geometric_mean(worths: Sequence[FloatArray] | Sequence[float]) -> FloatArray:
    return np.asarray(np.prod(np.asarray(worths), axis=0) ** (1 / len(worths)), dtype=np.float64)


def _searches(
    space: FactorSpace,
    feasible: Feasible,
    scores: Sequence[Score],
    candidates: FloatArray | None,
    settable: bool,
) -> list[FloatArray]:
    """Return for each score the feasible setting (k,) where it is highest."""
    if candidates is None:
        candidates = candidates_for_search(space, feasible)
    starts = [_starts(space, candidates, score(candidates)) for score in scores]
    # Whoever dials in steps takes one of those around: no need to know the place finer.
    climbed = _climb(space, feasible, scores, starts, DIALLED_STEP if settable else LAST_STEP)
    found = [tops[int(np.argmax(score(tops)))] for score, tops in zip(scores, climbed, strict=True)]
    if settable:
        found = _settable_near(space, feasible, scores, found, candidates)
    for best in found:
        best.setflags(write=False)
    return found


def _starts(space: FactorSpace, candidates: FloatArray, values: FloatArray) -> FloatArray:
    """Return the best candidates that keep apart; other categorical levels always are apart."""
    places = space.code(candidates)
    open_values = values.copy()
    chosen: list[int] = []
    while len(chosen) < STARTS and np.isfinite(open_values).any():
        chosen.append(int(np.argmax(open_values)))
        far = np.linalg.norm(places - places[chosen[-1]], axis=1) > APART
        open_values[~far] = -np.inf
    return candidates[chosen]


def _climb(
    space: FactorSpace,
    feasible: Feasible,
    scores: Sequence[Score],
    starts: Sequence[FloatArray],
    last_step: float = LAST_STEP,
) -> list[FloatArray]:
    """Return for each score where its starts (s, k) end when they climb as far as the rig allows.

    Pattern search, all starts at once: poll along the factors and along slanted directions that
    change every turn (so that a start on a limit finds the way along it), clipped to the box; go
    to the best poll that the rig can run, else shorten the step. The rig is asked once a turn, and
    only about polls that would be better. Compare Audet, Dennis 2006, SIAM J. Optim. 17:188–217
    (from memory).
    """
    ends = np.cumsum([len(own) for own in starts])
    own = [slice(end - len(some), end) for some, end in zip(starts, ends, strict=True)]
    at = np.vstack(list(starts))
    value = np.concatenate([score(at[rows]) for score, rows in zip(scores, own, strict=True)])
    step = np.full(len(at), FIRST_STEP)
    for turn in range(TURNS if space.numeric else 0):
        climbing = [i for i, rows in enumerate(own) if step[rows].max() >= last_step]
        if not climbing:
            break
        on = np.concatenate([np.arange(len(at))[own[i]] for i in climbing])
        polls = _polls(space, at[on], step[on], turn)
        of_score = np.split(polls, np.cumsum([len(starts[i]) for i in climbing])[:-1])
        values = np.concatenate(
            [scores[i](p.reshape(-1, len(space))) for i, p in zip(climbing, of_score, strict=True)]
        ).reshape(polls.shape[:2])
        better = values > value[on, None] + 1e-12 * np.abs(value[on, None])
        better[better] = feasible(polls[better]) if better.any() else False
        values = np.where(better, values, -np.inf)
        pick, moved = np.argmax(values, axis=1), better.any(axis=1)
        at[on[moved]] = polls[moved, pick[moved]]
        value[on[moved]] = values[moved, pick[moved]]
        step[on] = np.where(moved, np.minimum(2 * step[on], FIRST_STEP), SHRINK * step[on])
    return [at[rows] for rows in own]


def _polls(space: FactorSpace, at: FloatArray, step: FloatArray, turn: int) -> FloatArray:
    """Return the settings (s, d, k) to try from each of s places."""
    factors = [f for f in space if isinstance(f, NumericFactor)]
    half_range = np.array([f.half_range for f in factors])
    ways = _directions(len(factors), turn) * half_range
    polls = np.repeat(at[:, None, :], len(ways), axis=1)
    polls[:, :, space.numeric] += step[:, None, None] * ways
    for i, factor in zip(space.numeric, factors, strict=True):
        polls[:, :, i] = polls[:, :, i].clip(factor.low, factor.high)
    return polls


def _directions(k: int, turn: int) -> FloatArray:
    """Return directions (d, k): both ways along each factor, and others that vary by turn.

    The slanted ones are an additive recurrence on the square roots of primes, dense over many
    turns.
    """
    along = np.vstack([np.eye(k), -np.eye(k)])
    if k == 1:
        return along
    counts = turn * SLANTED + np.arange(1.0, SLANTED + 1)
    slanted = 2 * (np.outer(counts, np.sqrt(_primes(k))) % 1.0) - 1
    return np.vstack([along, slanted / np.abs(slanted).max(axis=1, keepdims=True)])


@lru_cache
def _primes(count: int) -> tuple[int, ...]:
    return tuple([p for p in range(2, 200) if all(p % q for q in range(2, p))][:count])


def _settable_near(
    space: FactorSpace,
    feasible: Feasible,
    scores: Sequence[Score],
    found: Sequence[FloatArray],
    candidates: FloatArray,
) -> list[FloatArray]:
    """Return for each score the best that can be dialled in: around its place, or a candidate."""
    around = [_dialled_around(space, at) for at in found]
    others = space.settable(candidates)
    can = feasible(np.vstack([*around, others]))
    *near, far = np.split(can, np.cumsum([len(some) for some in around]))
    best = []
    for score, some, fine in zip(scores, around, near, strict=True):
        options = np.vstack([some[fine], others[far]])
        if not len(options):
            raise InfeasibleError.of(
                "no-settable-setting",
                "No setting that the steps of the factors allow can be run on this rig.",
                "Use finer steps or wider limits.",
            )
        best.append(np.array(options[int(np.argmax(score(options)))]))
    return best


def _dialled_around(space: FactorSpace, at: FloatArray) -> FloatArray:
    """Return the settings next to a place (k,) that the steps of the factors allow."""
    axes = []
    for factor, value in zip(space, at, strict=True):
        if isinstance(factor, NumericFactor):
            reach = factor.step or 10.0**-factor.decimals
            sides = np.array([value - reach, value, value + reach])
            axes.append(np.unique(factor.settable(sides)))
        else:
            axes.append(np.array([value]))
    return np.array(list(itertools.product(*axes)))
