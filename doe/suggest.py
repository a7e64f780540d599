"""Which runs next, each with its reason, and whether more runs are worth while.

Proposals of every kind stand in one pool; a batch takes from it, one after another, the run that
together with those taken before raises the worth of what can then be recommended most. So the mix
of kinds follows from the aim and from what the runs leave open.

Shapes: m candidates, k factors.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

from doe.analysis.confirmation import (
    CONFIRMED_BY,
    Confirmed,
    Promise,
    days_unknown,
    unanswered,
)
from doe.analysis.decision import SURE, Decision
from doe.analysis.fit import FittedModel, Observations, Prediction, confounded_terms
from doe.analysis.gain import Lookahead, bought, lookahead
from doe.analysis.observations import NOT_RUN_YET
from doe.analysis.optimum import Analysis
from doe.analysis.recommendation import decision_of, recommended
from doe.analysis.selection import Recommendation
from doe.analysis.shown import FORETELLS, Shown, shown
from doe.analysis.strata import hard_factors, whole_plots
from doe.analysis.surrogate import Surrogate
from doe.design.augment import sharpening_points
from doe.digits import between, roughly, with_minus
from doe.errors import DesignError, Notice
from doe.factors import FactorSpace, Feasible, FloatArray, NumericFactor
from doe.responses import Response
from doe.terms import Model, Term, interaction_model, quadratic_model
from doe.wording import capital, chance_words, listed, runs_in_words

__all__ = [
    "CONFIRMING",
    "KINDS",
    "PURPOSES",
    "RUNS_ADVISED",
    "Kind",
    "SuggestedRun",
    "Suggestion",
    "Verdict",
    "kinds_asked",
    "suggest",
    "what_to_expect",
]

Kind = Literal["untangle", "move", "bend", "sharpen", "seek", "repeat", "confirm"]
KINDS: tuple[Kind, ...] = get_args(Kind)
Verdict = Literal["planned-first", "measure", "go-on", "change", "confirm", "stop"]
"""What to do: make the planned runs; measure what is missing; run what is suggested; change a range
or a limit; run the recommended settings afresh; no more runs."""
RUNS_ADVISED: tuple[Verdict, ...] = ("go-on", "confirm")
"""Verdicts by which the runs suggested are to be made; by others they could be all the same."""
PURPOSES: Mapping[str, str] = {
    "confirm": "confirm the recommended settings",
    "seek": "look for better settings",
    "sharpen": "tell where the best lies",
    "repeat": "repeat a run",
    "untangle": "tell effects apart",
    "bend": "see bends",
    "move": "climb towards better",
}
"""What a run of each kind is made to do."""

SAME_SETTING = 1e-6  # coded units
APART, STEPS_APART, FAR = 0.15, 1.5, 0.4
"""Runs of a batch keep so far from one another and from other runs, unless they repeat them: in one
factor at least the coded distance, and so many of its settable steps as long as these are not
`FAR`, where one step is a difference to learn from."""
ALIKE = 0.1
"""Coded distance in all other factors below which two settings tell of one factor alone."""
SPREAD = 120
SOUGHT = 120
MOSTLY = 0.5
"""Share of a chance from which what makes it up is named."""
MAY_WIN = 0.2
"""Share of open truths in which a setting beats the recommended one, from which it is sought."""
WORTH_A_RUN = 0.05
"""Expected gain per run, as a share of the scatter of runs of one day (or stage), below which more
runs don't pay."""
WORTH_ALONE = 0.01
"""The same as a share of the worth, where all aims are limits and no worth scatters."""
LACKS = 0.05
"""p of lack of fit below which a higher order is looked at (common practice)."""
GROUPS_TO_FEAR = 0.8
"""Chance that days or stages differ by more than runs scatter, from which a stage is tied."""
LEAST_TO_TIE = 3
"""Runs of a batch from which one may be spent on tying it to earlier stages."""
ASCENT_STEP, LEAST_MOVE = 0.25, 0.02
"""Coded length of a step uphill in the factor that moves most; moves below the other go unsaid."""
CLOSE = 0.2
"""Coded distance from a step uphill within which a setting stands for it."""
FURTHER = 0.05
"""Coded length of a step beyond the range, looked at up to one whole range."""
NEAR_EDGE = 0.25
"""Share of the range from an edge, within which all places where the best may lie tell the edge."""
WIDER = 0.5
"""Coded length beyond an edge, for which what rises inside is taken to go on."""
TO_WIDEN = 4
"""Runs that a wider range takes at least."""
CONFIRMING = 3
NOTHING_KNOWN = Shown()
MOST = 0.95
"""Quantile up to which gains are told."""
HOPELESS = 0.05
"""Share of open truths with settings that keep all limits, below which more runs are no help."""


@dataclass(frozen=True, slots=True)
class SuggestedRun:
    """A run worth doing: its kind, why in plain words, settings (k,), and what it should give.

    `plot` counts the whole plots of the batch from 1; None where every run may be set anew.
    """

    kind: str
    reason: str
    settings: FloatArray
    predictions: Mapping[str, Prediction]
    plot: int | None = None


@dataclass(frozen=True, slots=True)
class Suggestion:
    """The next runs, and what to do: a word for it, in a sentence, and why.

    `recommended` are the settings to work at if no more runs are made; its reason tells by which
    models, `shown` whether they are more than a guess. `promise` is what judges the confirming runs
    among them; `buys` says what the runs are expected to buy, `pay` whether that is worth them.
    """

    runs: tuple[SuggestedRun, ...]
    verdict: Verdict
    advice: str
    why: str
    recommended: SuggestedRun
    notices: tuple[Notice, ...] = ()
    promise: Promise | None = None
    buys: str = ""
    shown: Shown = NOTHING_KNOWN
    pay: bool = False


def what_to_expect(
    suggestion: Suggestion, responses: Sequence[Response], numbers: Sequence[int]
) -> list[str]:
    """Return sentences on runs, by their numbers, whose predictions want a word.

    Those expected beyond a limit are made to learn; an amount foretold below zero is next to none.
    """
    told = []
    for r in responses:
        means = {
            number: float(run.predictions[r.name].mean[0])
            for number, run in zip(numbers, suggestion.runs, strict=True)
            if r.name in run.predictions
        }
        low, high = (r.aim != "target" and r.interval_wanted()) or (-np.inf, np.inf)
        beyond = [number for number, mean in means.items() if not low <= mean <= high]
        if beyond:
            told.append(
                f"{runs_in_words(beyond)} will probably break the limit of {r.words}: made to "
                "learn from, not as settings to use."
            )
        none = [number for number, mean in means.items() if r.never_negative and mean < 0]
        if none:
            told.append(
                f"{runs_in_words(none)}: {r.words} is foretold below zero, which no amount can be. "
                "Take it as next to none, how much is not known."
            )
    return told


def kinds_asked(only: str | None, without: Sequence[str] = ()) -> tuple[Kind, ...]:
    """Return the kinds of run that may be suggested.

    Raises
    ------
    DesignError
        There is no such kind, or none is left.
    """
    unknown = [name for name in ([only] if only else []) + list(without) if name not in KINDS]
    if unknown:
        raise DesignError.of(
            "unknown-kind",
            f"there is no kind of run “{unknown[0]}”.",
            f"Ask for one of: {', '.join(KINDS)}.",
        )
    left = tuple(k for k in KINDS if k not in without and only in (None, k))
    if not left:
        raise DesignError.of(
            "no-kind-left", "every kind of run is forbidden.", "Forbid fewer kinds with --no-kind."
        )
    return left


def suggest(
    analysis: Analysis,
    feasible: Feasible,
    count: int,
    *,
    waiting: Sequence[int] = (),
    confirmed: Sequence[Confirmed] = (),
    observations: Mapping[str, Observations] | None = None,
    days: Sequence[object] | None = None,
    seed: int = 0,
    kinds: Collection[Kind] = KINDS,
    weighed: Mapping[str, Recommendation | None] | None = None,
    carried: int | None = None,
    settled: Sequence[float] | None = None,
    kept_back: bool = False,
    fewer_do: bool = False,
    acting: Mapping[str, frozenset[str] | None] | None = None,
) -> Suggestion:
    """Return `count` next runs, those whose outcomes are expected to buy most for the aims.

    Parameters
    ----------
    analysis
        What the results so far say.
    feasible
        Tells which settings (n, k) the rig can run; asked beyond the ranges too.
    count
        Number of runs, at least 1.
    waiting
        Numbers of the planned runs that are not made yet.
    confirmed
        What confirming runs came to, in the order they were made.
    observations
        The runs by response; those of the fits, as one stage, where not given.
    days
        Day of each run of the observations.
    seed
        The same results and seed give the same runs.
    kinds
        Kinds of run that may be suggested.
    weighed
        By response the polynomial that its runs speak for, to hold the surfaces against.
    carried
        How many runs the budget still carries: a wider range is advised only where it carries
        runs in it. None where that is not known.
    settled
        Settings (k,) that were confirmed, and are recommended whatever looks better by now.
    fewer_do
        Whether fewer runs do where there are no more of the kinds asked for.
    kept_back
        Whether these are the last runs of the budget, kept back to confirm.
    acting
        By response the factors shown to act on it, from `acting_factors`; unknown where None.

    Raises
    ------
    DesignError
        `count` is below 1, or the rig can run too few settings of the kinds asked for.
    InfeasibleError
        The rig can run no setting at all.
    """
    if count < 1:
        raise DesignError.of("no-runs-asked", f"{count} runs were asked for.", "Ask for 1 or more.")
    observed = _of_fits(analysis) if observations is None else dict(observations)
    responses = [fit.response for fit in analysis.fits]
    data = observed[responses[0].name]
    decision = decision_of(analysis, observed, feasible, days, seed, settled)
    decision = decision.with_settings(_asked_before(data, feasible))
    analysis = recommended(analysis, decision, weighed)
    group = "stage" if days is None else "day"
    only_confirm = set(kinds) == {"confirm"}
    offered = set(KINDS) if only_confirm else set(kinds)
    batch = _Batch.of(analysis, decision, observed, offered, count, seed, _made_a_day(days))
    runs = batch.filled(count, fewer_do)
    count = len(runs)
    widened = not only_confirm and (carried is None or carried >= TO_WIDEN)
    edges = tuple(_edges(analysis, decision, feasible)) if widened else ()
    each = zip(data.runs, data.stages, data.reasons(), strict=True)
    failed = unanswered(confirmed, {run: stage for run, stage, why in each if why is None})
    told = _advised(
        analysis,
        decision,
        batch,
        edges,
        waiting,
        count,
        group,
        confirmed,
        failed,
        observed,
        kept_back,
    )
    tied = _groups_that_differ(decision, group)
    if only_confirm:
        runs = _with_confirmation(analysis, decision, batch, runs, count, group)
    elif told[0] == "confirm" and "confirm" in kinds:
        runs = _with_confirmation(analysis, decision, batch, runs, min(CONFIRMING, count), group)
    else:
        runs, more = batch.tied(
            runs, "repeat" in kinds, group, failed if failed and failed.asks else None
        )
        tied = (*tied, *more)
    chosen = SuggestedRun(
        "confirm", analysis.evidence, decision.settings, analysis.optimum.predictions
    )
    many = sum(run.kind == "confirm" for run in runs)
    promise = _promise(decision, many) if many else None
    pay, buys = _what_runs_buy(decision, batch, count, group, instead=bool(many))
    known = NOTHING_KNOWN if acting is None else shown(analysis, acting, ())
    notices = (*analysis.notices, *tied)
    return Suggestion(tuple(runs), *told, chosen, notices, promise, buys, known, pay)


def _asked_before(data: Observations, feasible: Feasible) -> FloatArray:
    """Return the settings (n, k) of runs made, or planned and waiting, that can still be run."""
    may = [i for i, why in enumerate(data.reasons()) if why is None or why == NOT_RUN_YET]
    at = data.planned[may]
    return np.asarray(at[feasible(at)] if len(at) else at)


def _made_a_day(days: Sequence[object] | None) -> int | None:
    """Return how many runs a day had mostly; None where days are not told."""
    if not days:
        return None
    return int(np.median(list(Counter(days).values())))


def _of_fits(analysis: Analysis) -> dict[str, Observations]:
    found = {}
    for fit in analysis.fits:
        settings, n = fit.model.space.decode(fit.coded), len(fit.values)
        found[fit.response.name] = Observations(
            fit.model.space,
            settings,
            settings,
            fit.values,
            fit.runs_used,
            (1,) * n,
            tuple(range(1, n + 1)),
            (None,) * n,
        )
    return found


# ------------------------------------------------------------------------------------- the batch


@dataclass(slots=True)
class _Batch:
    """The pool of proposals, with the kind of each, and the runs taken from it.

    No run buys more than knowing all would: `gains` are cut off there. Planned runs that wait
    (`coming`) are taken before any of the batch, so that a run is worth what it adds to theirs.
    `by_outcome` is what the whole batch buys with each outcome.
    """

    analysis: Analysis
    decision: Decision
    ahead: Lookahead
    proposals: list[_Proposal]
    done: FloatArray
    hard: tuple[int, ...]
    plot_size: int
    coming: list[int]
    a_day: int | None
    gains: list[float]
    plots: list[int]
    by_outcome: FloatArray

    @classmethod
    def of(
        cls,
        analysis: Analysis,
        decision: Decision,
        observed: Mapping[str, Observations],
        kinds: set[Kind],
        count: int,
        seed: int,
        a_day: int | None,
    ) -> _Batch:
        data = observed[decision.responses[0].name]
        generator = np.random.default_rng([seed, len(data.runs), 1])
        # A lost run taught nothing: its setting is open again, for whatever it would be good for.
        # One that waits will have taught something by then, and is no run to repeat yet.
        reasons, planned = data.reasons(), data.coded_as_planned()
        done = planned[[i for i, why in enumerate(reasons) if why is None]]
        waiting = planned[[i for i, why in enumerate(reasons) if why == NOT_RUN_YET]]
        hidden = _hidden(decision, observed)
        telling = done[[not hidden[i] for i, why in enumerate(reasons) if why is None]]
        pool = _pool(analysis, decision, data, done, telling, waiting, count, generator)
        kept = {place: proposal for place, proposal in pool.items() if proposal.kind in kinds}
        if not kept:
            raise DesignError.of(
                "nothing-of-that-kind",
                f"these results call for no run of this kind ({', '.join(sorted(kinds))}).",
                "Ask without --kind.",
            )
        places = {tuple(np.round(row, 6)): i for i, row in enumerate(decision.coded)}
        coming = [places[at] for row in waiting if (at := tuple(np.round(row, 6))) in places]
        ahead = lookahead(decision, [*kept, *coming], count + len(coming), generator, a_day)
        for turn in range(len(coming)):
            ahead.take(len(kept) + turn)
        hard = hard_factors(data)
        size = 1
        if hard:
            size = int(np.ceil(np.median(np.bincount(whole_plots(data)))))
        proposals = list(kept.values())
        none = np.zeros(0)
        return cls(
            analysis, decision, ahead, proposals, done, hard, size, coming, a_day, [], [], none
        )

    def filled(self, count: int, fewer_do: bool) -> list[SuggestedRun]:
        """Return so many runs; where there are fewer, those if they do.

        Raises
        ------
        DesignError
            There are none, or fewer than do.
        """
        coded, needs = self.decision.coded[self.ahead.pool], _needs(self.decision.space)
        free = np.arange(len(coded)) < len(self.proposals)
        taken: list[int] = []
        for turn in range(count):
            may = free & self._of_plot(coded, taken)
            began = not taken or not may.any() or self.plots.count(self.plots[-1]) == self.plot_size
            if began:
                may = free
            if not may.any() and turn and fewer_do:
                break
            if not may.any():
                raise DesignError.of(
                    "too-few-candidates",
                    f"{count} runs are asked for, and of the kinds that may be suggested there are "
                    f"only {turn} that the rig can run.",
                    "Ask for fewer runs, or for more kinds of them.",
                )
            gains = np.where(may, self.ahead.gains(), -np.inf)
            place = int(np.argmax(gains))
            before = self.ahead.gain
            self.ahead.take(place)
            self.gains.append(self.ahead.gain - before)
            taken.append(place)
            self.plots.append((self.plots[-1] if self.plots else 0) + int(began))
            apart = _apart(coded, coded[place], needs)
            free &= apart > 1 if (apart[free] > 1).any() else apart > SAME_SETTING
        self._judge(taken)
        return [self._run(place, turn) for turn, place in enumerate(taken)]

    def _judge(self, taken: Sequence[int]) -> None:
        """Work out what the runs of the pool that were taken buy, in shares as they were chosen."""
        own = [int(self.ahead.pool[place]) for place in taken]
        before, after = (
            bought(self.decision, places, np.random.default_rng(1), self.a_day)
            for places in (self.coming, [*self.coming, *own])
        )
        self.by_outcome = after - float(before.mean())
        gain = min(max(float(self.by_outcome.mean()), 0.0), self.decision.open_gain)
        chosen_for = sum(self.gains)
        self.gains = [gain * one / chosen_for if chosen_for else 0.0 for one in self.gains]

    def _of_plot(self, coded: FloatArray, taken: list[int]) -> npt.NDArray[np.bool_]:
        """Tell which settings share the hard factors with the run taken last (p,)."""
        if not self.hard or not taken:
            return np.ones(len(coded), dtype=np.bool_)
        first = coded[taken[-1], list(self.hard)]
        return np.asarray(np.abs(coded[:, list(self.hard)] - first).max(axis=1) < SAME_SETTING)

    def _run(self, place: int, turn: int) -> SuggestedRun:
        at, proposal = int(self.ahead.pool[place]), self.proposals[place]
        settings = self.decision.candidates[at].copy()
        settings.setflags(write=False)
        return SuggestedRun(
            proposal.kind,
            _reason(proposal, self.decision, at, self.gains[turn]),
            settings,
            _predictions(self.decision, settings),
            self.plots[turn] if self.hard else None,
        )

    def tied(
        self, runs: list[SuggestedRun], allowed: bool, group: str, failed: Confirmed | None
    ) -> tuple[list[SuggestedRun], tuple[Notice, ...]]:
        """Return the runs with one that ties this stage to earlier ones, where that is needed.

        Days and stages shift their runs at random in every model here, which costs no run. Where
        they are found to differ more than runs scatter, what a stage does is not told well enough
        from what its new settings do: then a setting run before, the best of them, is run again in
        place of the run that buys least, unless the batch repeats one anyway. After a `failed`
        confirmation it is the setting of that one: on another day it tells whether the models
        missed there or the day was unlike the others.
        """
        share = max(own.groups_differ for own in self.decision.surrogates.values())
        if share < GROUPS_TO_FEAR and failed is None:
            return runs, ()
        feared = (
            f"The {group}s seem to differ by more than runs scatter"
            if share >= GROUPS_TO_FEAR
            else f"Whether the {group} of the confirming runs or the models were off is not known"
        )
        reason = "Run before: once more, it ties the runs of this stage to the earlier ones."
        wanted = self.done
        if failed is not None:
            another = "on another day" if group == "day" else "in another stage"
            reason = (
                f"Run before, to confirm: once more, {another}, it tells whether the {group} of "
                f"{runs_in_words(failed.runs).lower()} was unlike the others or the models miss "
                "there."
            )
            wanted = self.decision.space.code(np.array(failed.settings))
        for i, run in enumerate(runs):
            if self._among(self.decision.space.code(run.settings), wanted):
                told = runs if failed is None else [*runs[:i], _for(run, reason), *runs[i + 1 :]]
                what = f"{feared}; the repeat among these runs ties them to the earlier ones."
                return told, (Notice("stage-tied", what),)
        coded = self.decision.coded[self.ahead.pool]
        last = self.decision.space.code(runs[-1].settings)[0][list(self.hard)]
        places = [
            i
            for i, proposal in enumerate(self.proposals)
            if proposal.kind in ("repeat", "confirm") and self._among(coded[[i]], wanted)
        ]
        of_plot = [
            i
            for i in places
            if np.abs(coded[i][list(self.hard)] - last).max(initial=0.0) < SAME_SETTING
        ]
        if failed is None:
            places = of_plot if len(runs) >= LEAST_TO_TIE else []
        if not allowed or not places:
            what = (
                f"{feared}, and none of these runs repeats an earlier one: what this stage does is "
                "told from what its settings do by the models' random shift of each alone."
                if failed is None
                else f"{feared}, and none of these runs is at the settings of "
                f"{runs_in_words(failed.runs).lower()}: they will not tell."
            )
            return runs, (Notice("stage-not-tied", what),)
        worth = self.decision.worth[self.ahead.pool]
        place = max(places, key=lambda i: float(worth[i]))
        cost = f"{self.decision.about(self.gains[-1])} to the {self.decision.gained}"
        tie = _for(self._run(place, len(runs) - 1), reason)
        if tie.plot is not None and place not in of_plot:  # a plot of its own
            tie = replace(tie, plot=max((run.plot or 0 for run in runs[:-1]), default=0) + 1)
        what = (
            f"{feared}: one run repeats an earlier setting, to tie this stage to the earlier ones. "
            f"It stands in place of a run that was expected to add {cost}."
        )
        return [*runs[:-1], tie], (Notice("stage-tied", what),)

    @staticmethod
    def _among(coded: FloatArray, some: FloatArray) -> bool:
        """Tell whether one coded setting (1, k) is among some (r, k)."""
        return bool(np.abs(some - coded).max(axis=1).min() < SAME_SETTING)


def _for(run: SuggestedRun, reason: str) -> SuggestedRun:
    return replace(run, kind="repeat", reason=reason)


@dataclass(frozen=True, slots=True)
class _Proposal:
    """What a setting may be run for; `why` where the kind alone does not say it."""

    kind: Kind
    why: str = ""


def _hidden(decision: Decision, observed: Mapping[str, Observations]) -> npt.NDArray[np.bool_]:
    """Tell of which runs (n,) only limits are known: run again, they would tell no scatter."""
    seen = np.zeros(len(observed[decision.responses[0].name].runs), dtype=np.bool_)
    for response in decision.responses:
        data = observed[response.name]
        sides = data.censored or (None,) * len(seen)
        seen |= ~np.isnan(data.values) & np.array([side is None for side in sides])
    return ~seen


def _pool(
    analysis: Analysis,
    decision: Decision,
    data: Observations,
    done: FloatArray,
    telling: FloatArray,
    waiting: FloatArray,
    count: int,
    generator: np.random.Generator,
) -> dict[int, _Proposal]:
    """Return the settings that may be run, by their places, each with what for.

    A setting that serves several purposes is called by the first of: repeat, untangle, bend,
    move, seek, sharpen. Only runs that are `telling` of scatter are repeated.
    """
    coded, truths = decision.coded, decision.truths
    needs = _needs(decision.space)
    again = np.zeros(len(coded), dtype=np.bool_)
    for run in telling:
        again |= _apart(coded, run, needs) < SAME_SETTING
    known = np.vstack([done, waiting])
    apart = np.min([_apart(coded, run, needs) for run in known], axis=0)
    new = apart > 1
    found = {int(i): _Proposal("repeat") for i in np.flatnonzero(again)}
    if apart[decision.best] >= SAME_SETTING:
        found[decision.best] = _Proposal("confirm")
    for place, proposal in _model_runs(analysis, data, done, coded, new, count):
        found.setdefault(place, proposal)
    wins = (truths > truths[:, [decision.best]]).mean(axis=0)
    middle, spread = truths.mean(axis=0), truths.std(axis=0)
    order = [int(i) for i in np.argsort(-(middle + spread), kind="stable") if new[i]]
    for i in order[:SOUGHT]:
        found.setdefault(i, _Proposal("seek" if wins[i] >= MAY_WIN else "sharpen"))
    rest = np.array([i for i in order[SOUGHT:] if i not in found], dtype=np.intp)
    for i in generator.permutation(rest)[:SPREAD]:
        found[int(i)] = _Proposal("seek" if wins[i] >= MAY_WIN else "sharpen")
    return found


def _needs(space: FactorSpace) -> FloatArray:
    """Return how far (k,), coded, each factor alone would set two runs apart."""
    needs = np.full(len(space), APART)
    for i in space.numeric:
        factor = space.factors[i]
        assert isinstance(factor, NumericFactor)
        steps = STEPS_APART * (factor.step or 0.0) / factor.half_range
        needs[i] = max(APART, min(steps, FAR))
    return needs


def _apart(coded: FloatArray, run: FloatArray, needs: FloatArray) -> FloatArray:
    """Return how far settings (m, k) are from a run (k,); beyond 1 they are apart."""
    return np.asarray((np.abs(coded - run) / needs).max(axis=1))


def _model_runs(
    analysis: Analysis,
    data: Observations,
    done: FloatArray,
    coded: FloatArray,
    new: npt.NDArray[np.bool_],
    count: int,
) -> Iterator[tuple[int, _Proposal]]:
    """Yield the places of runs that the polynomial models ask for."""
    largest = max(analysis.fits, key=lambda fit: len(fit.model))
    space = largest.model.space
    usable = data.usable()
    made = usable.coded_as_planned()
    open_places = np.flatnonzero(new)

    def added(model: Model) -> list[int]:
        try:
            picked = sharpening_points(model, made, coded[open_places], count)
        except DesignError:
            return []
        return [int(open_places[i]) for i in picked]

    tangled = confounded_terms(interaction_model(space), usable)
    if tangled:
        untangle = _Proposal("untangle", f"It helps to tell effects apart: {tangled[0]}.")
        yield from ((place, untangle) for place in added(interaction_model(space)))
    bent = {t for t in quadratic_model(space).terms if max(t.powers, default=0) > 1}
    if not bent <= set(largest.model.terms):
        why = (
            f"The model of {largest.response.words} has no bends yet ({largest.model.name}); this "
            "run helps to see them."
        )
        yield from ((place, _Proposal("bend", why)) for place in added(quadratic_model(space)))
        yield from _uphill(analysis, coded, done, new)
        return
    misfit = [fit for fit in analysis.fits if _misses(fit)]
    if misfit:
        lack = misfit[0].lack_of_fit
        assert lack is not None
        why = (
            f"The model of {misfit[0].response.words} misses its runs by more than repeats scatter "
            f"(lack of fit, p = {lack.p_value:.2g}): this run helps to see how it bends beyond "
            "second order."
        )
        yield from ((place, _Proposal("bend", why)) for place in added(_third_order(space)))


def _misses(fit: FittedModel) -> bool:
    lack = fit.lack_of_fit
    return lack is not None and lack.p_value is not None and lack.p_value < LACKS


def _third_order(space: FactorSpace) -> Model:
    """Return the quadratic model with the cubes of the factors that have four settings or more."""
    cubes = []
    for i in space.numeric:
        factor = space.factors[i]
        assert isinstance(factor, NumericFactor)
        if len(factor.settable_values(4)) == 4:
            cubes.append(Term(tuple(3 if j == i else 0 for j in range(len(space)))))
    return Model(space, (*quadratic_model(space).terms, *cubes), "quadratic with cubes")


def _uphill(
    analysis: Analysis, coded: FloatArray, done: FloatArray, new: npt.NDArray[np.bool_]
) -> Iterator[tuple[int, _Proposal]]:
    """Yield the places nearest to steps up the steepest ascent, from the middle of the runs.

    None where the model foretells runs left out worse than their mean does: its slopes are noise.
    """
    first = analysis.fits[0]
    space, centre = first.model.space, done.mean(axis=0)
    if first.response.aim == "target" or first.worse_than_mean:
        return
    up = np.zeros(len(space))
    for i in space.numeric:
        slope = first.model.gradient(centre[None], i) @ first.coefficients
        up[i] = float(slope[0])
    if first.response.aim in ("minimise", "below"):
        up = -up
    size = float(np.abs(up).max())
    if not size:
        return
    a_step = ASCENT_STEP * up / size
    moves = ", ".join(
        f"{factor.name} {'+' if a_step[i] > 0 else '−'}"
        f"{abs(a_step[i]) * factor.half_range:.3g} {factor.unit}"
        for i, factor in enumerate(space)
        if isinstance(factor, NumericFactor) and abs(a_step[i]) >= LEAST_MOVE
    )
    for number in range(2, int(2 / ASCENT_STEP) + 1):
        exactly = centre + number * a_step
        if np.abs(exactly[list(space.numeric)]).max() > 1 + SAME_SETTING:
            return
        step = space.code(space.settable(space.decode(exactly)))
        apart = np.abs(coded - step).max(axis=1)
        place = int(np.argmin(np.where(new, apart, np.inf)))
        if apart[place] <= CLOSE:
            yield (
                place,
                _Proposal(
                    "move",
                    f"Step {number} up the steepest ascent of {first.response.words} from the "
                    f"middle of the runs, a step being {moves}. Look after it: go on while steps "
                    "bring more, and plan for bends where two in a row bring less.",
                ),
            )


def _reason(proposal: _Proposal, decision: Decision, at: int, gain: float) -> str:
    truths = decision.truths
    wins = truths[:, at] > truths[:, decision.best]
    chance = chance_words(float(wins.mean()))
    limited = any(response.aim in ("below", "above") for response in decision.responses)
    counting = ", limits counted" if limited else ""
    useless = float((truths[wins, decision.best] == 0).mean()) if wins.any() else 0.0
    if limited and useless >= MOSTLY:
        counting = (
            ", mostly for the case that those break a limit more often than 1 run in 10 and so "
            "count as useless"
        )
    buys = (
        f"It is expected to add {decision.about(gain)} to the {decision.gained} at the settings "
        "then recommended."
    )
    words = {
        "seek": f"Better than the settings recommended so far with a chance of {chance}{counting}.",
        "sharpen": f"Better itself than the settings recommended so far with a chance of {chance} "
        f"only{counting}, but what it gives tells where the best lies.",
        "repeat": "Run before: once more shows how much runs scatter, at settings that matter for "
        "what to recommend.",
        "confirm": "The settings recommended so far, not run yet: it tests what is predicted for "
        "them.",
    }
    return f"{proposal.why or words[proposal.kind]} {buys}"


def _promise(decision: Decision, many: int) -> Promise:
    """Return in which intervals the mean of so many runs at the recommended settings will lie."""
    at = decision.settings
    return Promise(
        many, {name: own.interval_of_mean(at, many) for name, own in decision.surrogates.items()}
    )


def _with_confirmation(
    analysis: Analysis,
    decision: Decision,
    batch: _Batch,
    runs: list[SuggestedRun],
    many: int,
    group: str,
) -> list[SuggestedRun]:
    """Return runs of which `many` are at the recommended settings, to be judged together."""
    settings, plots = decision.settings, bool(batch.hard)
    parts, guesses = [], []
    promised = _promise(decision, many).intervals
    for fit in analysis.fits:
        low, high = promised[fit.response.name]
        unit = f" {fit.response.unit}" if fit.response.unit else ""
        parts.append(f"{fit.response.words} {between(low, high)}{unit}")
        guess = days_unknown(fit.response, decision.surrogates[fit.response.name], group)
        guesses += [] if guess is None else [guess]
    runs_said = "One fresh run" if many == 1 else f"{many} fresh runs"
    reason = (
        f"{runs_said} at the recommended settings, on a new day, judged by "
        f"{'its value' if many == 1 else 'their mean'}. It should fall within (95 %): "
        f"{'; '.join(parts)}. If not, or if a limit is missed, the prediction did not hold."
    )
    reason = " ".join([reason, *guesses, *_hardly_a_test(decision, promised)])
    fresh = SuggestedRun(
        "confirm", reason, settings, analysis.optimum.predictions, 1 if plots else None
    )
    others = [run for run in runs if (run.settings != settings).any()][: len(runs) - many]
    later = [replace(run, plot=None if run.plot is None else run.plot + 1) for run in others]
    return [fresh] * many + later


def _hardly_a_test(
    decision: Decision, promised: Mapping[str, tuple[float, float]]
) -> tuple[str, ...]:
    """Return that hardly any outcome would fail a promise as wide as all values measured."""
    wide = [
        response.words
        for response in decision.responses
        if np.ptp(promised[response.name]) > np.ptp(decision.ranges[response.name])
    ]
    if not wide:
        return ()
    return (
        f"For {listed(wide)} that is wider than all values measured so far lie apart: hardly any "
        "outcome would fail it, so it confirms little.",
    )


def _groups_that_differ(decision: Decision, group: str) -> tuple[Notice, ...]:
    """Return a notice of each response that days (or stages) shift by more than runs scatter."""
    notices = []
    for response in decision.responses:
        own = decision.surrogates[response.name]
        if own.groups_differ < GROUPS_TO_FEAR:
            continue
        shift, runs = (_sd_in_words(response, own, sd) for sd in own.usual_scatter)
        what = (
            f"{capital(response.words)} seems to shift from {group} to {group} by about {shift} "
            f"(standard deviation), where runs of one {group} scatter by about {runs}: see what "
            f"differed between the {group}s on the rig. The settings allow for it, and the "
            "intervals of new runs are as wide as it takes."
        )
        if group == "day":
            what += " The fit with --by-day tells how far each day lies from the others."
        notices.append(Notice("groups-differ", what))
    return tuple(notices)


def _sd_in_words(response: Response, own: Surrogate, sd: float) -> str:
    if own.logarithmic:
        return f"{roughly(100 * float(np.expm1(sd)))} %"
    return f"{roughly(sd)} {response.unit}".rstrip()


def _predictions(decision: Decision, settings: FloatArray) -> dict[str, Prediction]:
    return {name: own.predict(settings[None]) for name, own in decision.surrogates.items()}


# ---------------------------------------------------------------------------------- when to stop


_Told = tuple[Verdict, str, str]
"""A verdict, the advice, and its reason."""


def _advised(
    analysis: Analysis,
    decision: Decision,
    batch: _Batch,
    edges: Sequence[str],
    waiting: Sequence[int],
    count: int,
    group: str,
    confirmed: Sequence[Confirmed],
    failed: Confirmed | None,
    observed: Mapping[str, Observations],
    kept_back: bool,
) -> _Told:
    """Return what to do.

    Planned runs come first, then what was never measured, then a confirmation that did not hold;
    a model that misses its runs confirms nothing; then the chance that limits are kept, what more
    runs are expected to buy, and whether the best lies on an edge.
    """
    if waiting:
        return (
            "planned-first",
            "Make the planned runs first.",
            f"{runs_in_words(waiting)} {'are' if len(waiting) > 1 else 'is'} planned and not "
            "recorded yet. What is shown here does not know what they will say: ask again when "
            "they are in.",
        )
    lacking = _lacking(analysis, observed)
    if lacking is not None:
        return lacking
    if failed is not None:
        return (
            "go-on",
            f"Go on: {runs_in_words(failed.runs).lower()} did not confirm what was recommended.",
            f"{failed.notice.what} {_left_open(failed)} "
            f"{_what_runs_buy(decision, batch, count, group)[1]}",
        )
    held = _what_held(decision, confirmed)
    enough = bool(held) and confirmed[-1].held and len(confirmed[-1].runs) >= CONFIRMED_BY
    verdict, advice, why = _weighed(
        analysis, decision, batch, edges, count, group, enough, kept_back
    )
    return verdict, advice, " ".join([*held, why])


def _left_open(failed: Confirmed) -> str:
    """Return what a confirmation that failed leaves open, and what would tell."""
    other = {
        "elsewhere": "Run the settings to be confirmed themselves.",
        "limit": "No interval failed, but a limit was missed: what is recommended now has learned "
        "from these runs.",
        "unknown": "Measure these runs so that values are known, and hand them in with --replace.",
        "closure": "No interval failed: check the weighings of these runs.",
    }
    if failed.missed in other:
        return other[failed.missed]
    either = "Either the models miss there, or the day of these runs was unlike the others"
    if not failed.can_be_run:
        return f"{either}; the rig can no longer run these settings to tell which."
    return (
        f"{either}: these settings run again on another day tell which. Whatever is confirmed "
        "before that is judged by models that have learned from these runs."
    )


def _lacking(analysis: Analysis, observed: Mapping[str, Observations]) -> _Told | None:
    """Return what to do about a response of which nothing, or no model, is known; None if none is.

    One of which nothing was ever found is no reason to wait where little is wanted of it, nor one
    of which all values are alike and keep its limit.
    """
    values = {
        r.name: np.asarray(observed[r.name].usable().values)
        for r in analysis.unfitted
        if r.name in observed
    }
    made = max((len(data.usable().values) for data in observed.values()), default=0)
    aims = [r for r in analysis.unfitted if r.interval_wanted() is None and r.name in values]
    open_aims = [r for r in aims if not _found_nowhere(r, values[r.name])]
    told = _to_measure(analysis.unfitted, aims, values, made) or _to_check(open_aims, values)
    if told is not None:
        return told
    unknown = [r.words for r in analysis.unfitted if r in (*analysis.limits_unknown, *open_aims)]
    if not unknown:
        return None
    return (
        "go-on",
        f"Go on: too little is known of {listed(unknown)}.",
        "Its values so far carry no model, so no settings can be recommended for it, nor a limit "
        "be said to be kept.",
    )


def _found_nowhere(response: Response, values: FloatArray) -> bool:
    """Tell whether as little as can be was found in all runs, where little is wanted."""
    return response.aim == "minimise" and len(values) > 1 and not values.any()


def _to_measure(
    unfitted: Sequence[Response],
    aims: Sequence[Response],
    values: Mapping[str, FloatArray],
    made: int,
) -> _Told | None:
    """Return what to measure in the `made` runs before others: what has no value, or an aim few."""
    wanting = [r for r in unfitted if len(values.get(r.name, (0.0,))) == 0]
    have, why = "no run has a value", "Nothing here allows"
    if not wanting:
        wanting = [r for r in aims if len(values[r.name]) < made]
        counts = listed([f"{len(values[r.name])} of {made}" for r in wanting])
        have, why = f"{counts} runs made have a value", "Too few to carry a model: nothing allows"
    if not wanting:
        return None
    it = "it" if len(wanting) == 1 else "them"
    return (
        "measure",
        f"Measure {listed([r.words for r in wanting])} first: {have}.",
        f"{why} for {it}: no settings can be recommended for {it}, nor a limit be said to be kept. "
        "Measure what the runs made have left, and hand the values in; only if nothing is left, "
        "the runs shown here are the next ones.",
    )


def _to_check(aims: Sequence[Response], values: Mapping[str, FloatArray]) -> _Told | None:
    """Return which aims to check, having the same value in every run."""
    alike = [
        f"{r.words} ({values[r.name][0]:g} {r.unit}".rstrip() + ")"
        for r in aims
        if len(values[r.name]) > 1 and np.ptp(values[r.name]) == 0
    ]
    if not alike:
        return None
    return (
        "measure",
        f"Check {listed(alike)} first: every run has that value.",
        "If it is right, no setting moves it and it needs no aim; if not, correct it and hand "
        "it in again, with --replace.",
    )


def _weighed(
    analysis: Analysis,
    decision: Decision,
    batch: _Batch,
    edges: Sequence[str],
    count: int,
    group: str,
    held: bool,
    kept_back: bool,
) -> _Told:
    """Return what to do where no run waits and something is known of every response."""
    doubts = [text for r in decision.responses if (text := _doubt(decision, r)) is not None]
    limited = any(fit.response.aim in ("below", "above") for fit in analysis.fits)
    sure = float(decision.sure[decision.best])
    pays, figures = _what_runs_buy(decision, batch, count, group)
    if doubts and pays:
        advice = "Go on: what is known can't be relied on yet."
        return "go-on", advice, " ".join([*doubts, figures])
    if limited and sure < SURE and _can_be_kept(decision) < HOPELESS:
        return (
            "change",
            "Change a limit or a range: as far as the runs tell, no settings keep all limits.",
            "At the settings nearest to keeping them the chance that a run does is "
            f"{chance_words(sure)}. More runs there would show the same.",
        )
    if limited and sure < SURE:
        keeps = (
            "The chance that a run at the recommended settings keeps all limits is only "
            f"{chance_words(sure)}; {100 * SURE:.0f} % is asked for."
        )
        return "go-on", "Go on.", " ".join([keeps, *doubts, figures])
    if doubts:
        seen = "The limits are kept as far as seen, but the aim is not told from scatter."
        told = [*([seen] if limited else []), *doubts, figures]
        told += ["Wider ranges, or repeats that scatter less, may show more."]
        return "stop", "Stop: nothing stands out of the scatter.", " ".join(told)
    chance = analysis.optimum.all_aims_probability
    kept = ""
    if chance is not None:
        kept = (
            "A run at the recommended settings meets every limit and tolerance with a chance of "
            f"about {chance_words(chance)}. "
        )
    if pays and not kept_back:
        return "go-on", "Go on.", " ".join([f"{kept}{figures}", *edges])
    if held:
        return "stop", "Stop.", " ".join([f"{kept}{figures}", *edges])
    if edges:
        return "change", f"Change the range. {' '.join(edges)}", f"{kept}{figures}"
    if _confirmed(decision, batch):
        often = "The recommended settings were run three times or more."
        return "stop", "Stop.", f"{kept}{figures} {often}"
    fresh = "Fresh runs on a new day show whether the prediction holds."
    if pays:
        last = (
            "The last run that the budget carries is"
            if count == 1
            else (f"The last {count} runs that the budget carries are")
        )
        _, instead = _what_runs_buy(decision, batch, count, group, instead=True)
        why = f"{kept}{last} kept back to confirm what is recommended. {fresh} {instead}"
        return "confirm", "Confirm now.", why
    _, instead = _what_runs_buy(decision, batch, count, group, instead=True)
    return "confirm", "Confirm now.", f"{kept}{fresh} {instead}"


def _can_be_kept(decision: Decision) -> float:
    """Return in which share of the open truths some settings keep all limits."""
    return float((decision.truths != 0).any(axis=1).mean())


def _what_runs_buy(
    decision: Decision, batch: _Batch, count: int, group: str, *, instead: bool = False
) -> tuple[bool, str]:
    """Return whether the runs are worth while, and in words what they are expected to buy.

    They may be told of `instead` of runs that confirm.
    """
    scatter = decision.scatter
    least = WORTH_A_RUN * scatter if scatter else WORTH_ALONE * abs(decision.worth[decision.best])
    gain = sum(batch.gains)
    each = gain / count
    runs = "One more run" if count == 1 else f"{count} more runs"
    useless = decision.truths[:, decision.best] == 0
    broken = float(useless.mean())
    limited = any(r.aim in ("below", "above") for r in decision.responses)
    split = bool(scatter) and broken >= 0.01 and limited
    placed = f"{runs}, placed where {'it tells' if count == 1 else 'they tell'} most,"
    if instead:
        placed = f"To look on instead: {placed}"
    # By outcomes the gain is that of straight lines, which may go beyond all that is open.
    by_outcome = batch.by_outcome.clip(0.0, float(np.quantile(decision.open_gains, MOST)))
    words = (
        f"{placed} {'is' if count == 1 else 'are'} expected to better the {decision.gained}"
        f"{decision.gained_from}{', limits counted,' if split else ''} at the settings then "
        "recommended by "
        f"{_ranged(decision, gain, by_outcome)}; knowing every response everywhere "
        f"would better it by {_ranged(decision, decision.open_gain, decision.open_gains)}. More "
        f"runs pay from {decision.amount(least)} a run"
    )
    if scatter:
        share = f"{100 * WORTH_A_RUN:.0f}\N{NO-BREAK SPACE}%"
        words += f", {share} of what runs of one {group} scatter by ({decision.amount(scatter)})"
    words += f"; {'they would' if instead else 'these'} bring {decision.about(each)} each."
    if split:
        words += (
            " Settings at which more than 1 run in 10 breaks a limit count as useless in this, and "
            f"the recommended ones may be such, with a chance of {chance_words(broken)}: of what "
            "knowing everything would bring only "
            f"{decision.about(float(np.where(useless, 0.0, decision.open_gains).mean()))} is a "
            f"better {decision.gained}, the rest limits kept more surely."
        )
    return bool(each >= least), words


def _ranged(decision: Decision, gain: float, gains: FloatArray) -> str:
    """Return an expected gain in words, and how far it goes in 9 of 10 cases."""
    about = decision.about(gain)
    if not about.startswith("about"):
        return about
    low, high = np.quantile(gains, [1 - MOST, MOST])
    return f"{about} ({decision.between(float(low), float(high))} in 9 of 10 cases)"


def _what_held(decision: Decision, confirmed: Sequence[Confirmed]) -> tuple[str, ...]:
    """Return what the last confirming runs showed, or why they failed; nothing where none tell."""
    if not confirmed:
        return ()
    last = confirmed[-1]
    if not last.held:
        return (f"{runs_in_words(last.runs)} did not confirm. {last.why}",) if last.why else ()
    moved = np.abs(decision.space.code(np.array(last.settings)) - decision.coded[decision.best])
    where = "these settings" if float(moved.max()) < SAME_SETTING else "other settings than these"
    return (f"The confirmation of {where} held ({runs_in_words(last.runs).lower()}).",)


def _confirmed(decision: Decision, batch: _Batch) -> bool:
    at = decision.coded[decision.best]
    return int((np.abs(batch.done - at).max(axis=1) < SAME_SETTING).sum()) >= CONFIRMING


def _edges(analysis: Analysis, decision: Decision, feasible: Feasible) -> Iterator[str]:
    """Yield on which edges of the ranges the best lies, and how far the rig would go beyond them.

    An edge counts where the interval in which the best may lie stays near it, in four of five open
    truths a step back from it is worse, and what rises inside, going on beyond it, would bring
    more than one run scatters by.
    """
    assert analysis.location is not None
    space, coded, best = decision.space, decision.coded, decision.coded[decision.best]
    for i in space.numeric:
        factor = space.factors[i]
        assert isinstance(factor, NumericFactor)
        if abs(best[i]) < 1 - SAME_SETTING:
            continue
        others = [j for j in range(len(space)) if j != i]
        same = np.abs(coded[:, others] - best[others]).max(axis=1, initial=0.0) < ALIKE
        back = np.flatnonzero(same & (np.abs(coded[:, i] - best[i]) > 0.15))
        if not len(back):
            continue
        near = int(back[np.argmin(np.abs(coded[back, i] - best[i]))])
        truths = decision.truths
        if float((truths[:, decision.best] > truths[:, near]).mean()) < 0.8:
            continue
        upper = bool(best[i] > 0)
        spread = analysis.location.spreads[i]
        inner, edge = (spread.low, factor.high) if upper else (spread.high, factor.low)
        if inner is None or abs(edge - inner) > NEAR_EDGE * (factor.high - factor.low):
            continue
        further = _furthest(decision, feasible, i, factor, float(np.sign(best[i])))
        if further is None:
            continue
        rise = float((truths[:, decision.best] - truths[:, near]).mean())
        step = min(abs(further - edge) / factor.half_range, WIDER)
        gain = rise * step / abs(float(coded[near, i] - best[i]))
        if gain > decision.scatter:
            yield (
                f"The best lies on the {'upper' if upper else 'lower'} edge of "
                f"{factor.name.replace('_', ' ')} ({edge:g} {factor.unit}), and the rig would "
                f"allow {further:g} {factor.unit}. If what rises inside goes on, "
                f"{step * factor.half_range:.3g} {factor.unit} beyond the edge would add "
                f"{decision.about(gain)} to the {decision.gained}."
            )


def _furthest(
    decision: Decision, feasible: Feasible, i: int, factor: NumericFactor, sign: float
) -> float | None:
    steps = np.arange(1, int(2 / FURTHER) + 1) * FURTHER * factor.half_range
    rows = np.tile(decision.settings, (len(steps), 1))
    rows[:, i] += sign * steps
    fine = feasible(rows) & (rows[:, i] > 0)
    many = int(np.argmin(fine)) if not fine.all() else len(fine)
    return _back_to_three_digits(float(rows[many - 1, i]), sign) if many else None


def _back_to_three_digits(value: float, sign: float) -> float:
    """Return a value beyond an edge with three significant digits, never further out."""
    step = 10.0 ** (int(np.floor(np.log10(abs(value)))) - 2)
    whole = np.floor(value / step + 1e-9) if sign > 0 else np.ceil(value / step - 1e-9)
    return float(whole * step)


def _doubt(decision: Decision, response: Response) -> str | None:
    """Return why a response's surfaces should not be relied on; None if nothing says so.

    A limit that every run kept needs no surface: scatter alone tells how surely a run keeps it.
    """
    wanted, (low, high) = response.interval_wanted(), decision.ranges[response.name]
    if response.aim != "target" and wanted and wanted[0] <= low <= high <= wanted[1]:
        return None
    foretold = decision.surrogates[response.name].r2_left_out()
    if foretold >= FORETELLS:
        return None
    return (
        f"What is known of {response.words} foretells runs left out poorly: predicted R² "
        f"{with_minus(f'{foretold:.2f}')}, where 1 is all of how runs differ and {FORETELLS:g} is "
        "asked for."
    )
