"""From what has come back of a campaign to the runs that are suggested, and what is said first.

What the budget still carries, runs that wait, and settings confirmed before go before what the
models advise.

Shapes: n runs, k factors.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from doe import as_recorded, standing
from doe.campaign import Campaign
from doe.confirming import confirmations, done_words, not_confirmed, settled
from doe.derived import closures
from doe.errors import DoeError, FitError, InfeasibleError, Notice, Problem, StateError, Where
from doe.ledger import Ledger, LedgerRow, prepares
from doe.modelling import analysis_of, days_told, models_weighed, observations, screenings
from doe.wording import listed, runs_in_words

if TYPE_CHECKING:
    from doe.analysis.confirmation import Confirmed
    from doe.analysis.optimum import Analysis
    from doe.design.matrix import Design
    from doe.suggest import Suggestion

__all__ = [
    "Advised",
    "SuggestWish",
    "advised",
    "after_forbidden",
    "after_unit",
    "beyond_said",
    "design_of",
    "in_random_order",
    "in_the_ledger",
    "lost_runs_told",
    "none_left_to_confirm",
]

Say = Callable[[str], None]
SUGGESTED_RUNS = 4


@dataclass(frozen=True, slots=True)
class SuggestWish:
    """What is asked of `suggest`."""

    runs: int | None
    kind: str | None
    without: tuple[str, ...]

    @property
    def named(self) -> bool:
        """Whether runs were asked for, not only advice."""
        return bool(self.runs is not None or self.kind or self.without)

    def command(self, campaign: Campaign, count: int) -> str:
        """Return the command that accepts so many runs of these kinds."""
        kinds = [f" --kind {self.kind}" if self.kind else ""]
        kinds += [f" --no-kind {kind}" for kind in self.without]
        return f"doe suggest {campaign.name} --runs {count}{''.join(kinds)} --accept"


@dataclass(frozen=True, slots=True)
class Advised:
    """What `suggest` found: `count` runs, and the notices on the observations."""

    analysis: Analysis
    found: Suggestion
    confirmed: tuple[Confirmed, ...]
    count: int
    notices: tuple[Notice, ...]


def advised(campaign: Campaign, kept: Ledger, wish: SuggestWish, accept: bool, say: Say) -> Advised:
    """Return which runs are next by what has come back, and what is said first.

    Raises
    ------
    FitError, DesignError, InfeasibleError, StateError
        As `suggest`.
    """
    from doe.analysis.shown import acting_factors
    from doe.suggest import kinds_asked
    from doe.suggest import suggest as next_runs

    say("fitting what has come back")
    _refuse_before_results(campaign, kept)
    observed, notices = observations(campaign, kept)
    waiting = _waiting(kept)
    try:
        analysis = analysis_of(campaign, observed, None)
    except FitError as error:
        raise after_unit(campaign, kept, _too_little(campaign, kept, error)) from error
    except InfeasibleError as error:
        raise after_forbidden(campaign, kept, error) from error
    say("weighing the next runs")
    count = _count_to_suggest(campaign, kept) if wish.runs is None else wish.runs
    if accept and waiting:
        _refuse_forbidden(campaign, kept)
        raise _planned_runs_first(campaign, waiting)
    confirmed = confirmations(campaign, kept, observed, closures(campaign))
    left = _runs_left(campaign, kept)
    screened = screenings(campaign, analysis, observed)
    weighed = models_weighed(campaign, analysis, observed, screened)
    found = next_runs(
        analysis,
        campaign.feasible,
        count,
        confirmed=confirmed,
        waiting=waiting,
        observations=observed,
        days=days_told(kept),
        seed=campaign.seed,
        kinds=kinds_asked(wish.kind, wish.without),
        weighed=weighed,
        acting={name: acting_factors(one, screened.get(name)) for name, one in weighed.items()},
        carried=left,
        settled=settled(kept, confirmed),
        kept_back=not wish.named and _kept_back_to_confirm(campaign, kept),
        fewer_do=wish.runs is None,
    )
    done = done_words(campaign, kept, confirmed)
    if accept and not wish.named and (done or left <= 0):
        raise _nothing_to_add(campaign, kept, done)
    slips = tuple(as_recorded.impossible_values(campaign, as_recorded.done_runs(kept.rows)))
    if accept and not wish.named and slips:
        raise _to_be_corrected(campaign, slips)
    if done:
        found = _confirmed_before(found, done, wish.named, left)
    elif left <= 0 and not wish.named and found.verdict not in ("planned-first", "measure"):
        found = _beyond_budget(campaign, kept, found, not_confirmed(kept, confirmed))
    found = _what_comes_first(campaign, kept, found, slips)
    return Advised(analysis, found, tuple(confirmed), count, tuple(notices))


def _count_to_suggest(campaign: Campaign, kept: Ledger) -> int:
    """Return how many runs to suggest where nobody says: a day's, or what the budget carries.

    What the budget carries counts days and feedstock; where no day's hours are told, four. So many
    are kept back as confirming takes, unless days decide: what is left of a day is no day later.
    """
    from doe.suggest import CONFIRMING

    a_day = campaign.runs_per_day()[1] or SUGGESTED_RUNS
    left = _runs_left(campaign, kept)
    if left <= 0:
        return a_day
    count = min(a_day, left)
    keep_back = not _days_decide(campaign, kept) and left - count < CONFIRMING < left
    return left - CONFIRMING if keep_back else count


def _kept_back_to_confirm(campaign: Campaign, kept: Ledger) -> bool:
    """Return whether the budget carries no more runs than confirming takes, and some."""
    from doe.suggest import CONFIRMING

    return 0 < _runs_left(campaign, kept) <= CONFIRMING and not _days_decide(campaign, kept)


def _days_decide(campaign: Campaign, kept: Ledger) -> bool:
    return standing.left_to_plan(campaign, kept.rows).binds == "days"


def _runs_left(campaign: Campaign, kept: Ledger) -> int:
    """Return how many runs of the design the budget still carries; 0 or less where it is spent."""
    return standing.left_to_plan(campaign, kept.rows).runs - len(campaign.order.first_runs)


def _spent_words(campaign: Campaign, kept: Ledger) -> str:
    carried, made = campaign.affordable().runs, standing.runs_spent(campaign, kept.rows)
    first, days = campaign.order.first_runs, campaign.budget.days
    last = standing.next_day(kept.rows) - 1
    if standing.left_to_plan(campaign, kept.rows).binds == "days" and days is not None and last:
        return (
            f"No day of the budget is left: it has {days}, and runs are planned or made up to day "
            f"{last}"
        )
    told = f", and a stage begins with {' and '.join(first)}" if first else ""
    return f"The budget is spent: it carries {carried} runs, and {made} are made or planned{told}"


def _beyond_budget(
    campaign: Campaign, kept: Ledger, found: Suggestion, not_confirmed: str
) -> Suggestion:
    """Return the suggestion as what one more day would buy, for the budget carries no more runs.

    A confirmation that did not hold comes first: nothing else is to be confirmed before its
    settings are run again.
    """
    from doe.suggest import CONFIRMING

    spent = _spent_words(campaign, kept)
    if not_confirmed:
        return replace(
            found,
            verdict="stop",
            advice=f"{not_confirmed}{spent}.",
            why=f"{found.why} To run beyond the budget only the settings that failed: doe suggest "
            f"{campaign.name} --runs 1",
        )
    many = len(found.runs)
    more = f"One more day, {many} run{'s' if many > 1 else ''} as shown, is beyond it"
    confirming = (
        "The recommended settings are not confirmed by fresh runs; if that is to be done beyond "
        f"the budget: doe suggest {campaign.name} --kind confirm --runs {CONFIRMING}."
    )
    return replace(
        found,
        verdict="stop",
        advice=f"{spent}.",
        why=f"{confirming} {more}. If there were one: {found.advice} {found.why}",
    )


def _confirmed_before(found: Suggestion, done: str, wished: bool, left: int) -> Suggestion:
    """Return the suggestion where settings are confirmed: runs only if somebody asks for them."""
    if wished:
        return replace(found, verdict="stop", advice=done, why=found.buys)
    beyond = ", beyond the budget, which is spent" if left <= 0 else ""
    asked = f"--runs N, or --kind KIND{beyond}."
    why = (
        f"These settings do what was promised; better ones may be found. {found.buys} To look on, "
        f"ask for runs: {asked}"
        if found.pay
        else f"{found.buys} Whoever wants more runs all the same asks for them: {asked}"
    )
    return replace(found, verdict="stop", advice=done, why=why, runs=(), promise=None)


def _to_be_corrected(campaign: Campaign, slips: Sequence[Notice]) -> DoeError:
    """Return that no runs are planned from values that cannot be, unless somebody says so."""
    remedy = (
        f"Correct it and hand it in: doe record {campaign.name} FILE --replace. If it is right, "
        f"say how many runs are wanted: doe suggest {campaign.name} --runs N --accept"
    )
    file = str(campaign.folder / standing.LEDGER_FILE)
    what = f"{' '.join(slip.what for slip in slips)} No runs were added."
    return StateError.of("values-to-correct", what, remedy, file=file)


def _what_comes_first(
    campaign: Campaign, kept: Ledger, found: Suggestion, slips: Sequence[Notice]
) -> Suggestion:
    """Return the suggestion led by repeats that are due, runs that wait, values that cannot be."""
    repeats, waiting = standing.repeats_due(campaign, kept), standing.waiting_words(campaign, kept)
    forbidden = standing.barred(campaign, kept)
    if forbidden is not None:
        return replace(found, verdict="planned-first", advice=forbidden.danger, why=waiting)
    if repeats:
        why = waiting or f"{found.advice} {found.why}"
        return replace(found, verdict="planned-first", advice=repeats, why=why)
    if slips and not waiting:
        told = " ".join(slip.what for slip in slips)
        why = f"All that is shown here rests on such values too. {found.advice} {found.why}"
        return replace(found, verdict="measure", advice=told, why=why)
    if not waiting:
        return found
    told, _, settings = waiting.partition(". ")
    if not told.endswith(("wait", "waits")):
        return replace(found, why=f"{settings} {found.why}")
    them, they, are = ("it", "it", "is") if told.endswith("waits") else ("them", "they", "are")
    unknown = (
        f"What is shown below does not know what {they} will say: ask again when {they} {are} in."
    )
    return replace(found, advice=f"{told}: make {them} first.", why=f"{settings} {unknown}")


def beyond_said(suggestion: Suggestion, over: Sequence[Notice]) -> Suggestion:
    """Return a suggestion that says before its reasons that its runs are beyond the budget."""
    if not over or not suggestion.runs:
        return suggestion
    told = f"Beyond the budget: {over[0].what[0].lower()}{over[0].what[1:]}"
    parts = [told, suggestion.advice]
    if suggestion.verdict in ("planned-first", "stop"):
        parts.reverse()
    return replace(suggestion, advice=" ".join(parts))


def _nothing_to_add(campaign: Campaign, kept: Ledger, done: str) -> DoeError:
    wanted = f"say how many runs are wanted all the same: doe suggest {campaign.name} --runs N"
    file = str(campaign.folder / standing.LEDGER_FILE)
    if done:
        what, remedy = f"{done} No runs were added.", f"Stop here, or {wanted} --accept"
        return StateError.of("confirmed", what, remedy, file=file)
    return StateError.of(
        "budget-spent",
        f"{_spent_words(campaign, kept)}: no runs were added.",
        f"Raise [budget], or {wanted} --accept",
        file=file,
    )


def none_left_to_confirm(
    campaign: Campaign, rows: Sequence[LedgerRow], found: Suggestion
) -> tuple[Notice, ...]:
    """Return a notice where these runs take what confirming would need of the budget."""
    from doe.suggest import CONFIRMING

    left = standing.left_to_plan(campaign, rows).runs
    if found.verdict != "go-on" or not 0 <= left < CONFIRMING:
        return ()
    if any(run.kind == "confirm" for run in found.runs):
        return ()
    what = (
        f"After these runs the budget carries {left or 'none'} more, and confirming what is then "
        f"recommended takes {CONFIRMING}. To confirm what is recommended now instead: doe suggest "
        f"{campaign.name} --kind confirm"
    )
    return (Notice("none-left-to-confirm", what),)


def lost_runs_told(campaign: Campaign, kept: Ledger) -> tuple[Notice, ...]:
    """Return a notice where runs were lost, and nothing was asked for in their place."""
    lost = [run for run in standing.lost_runs(campaign, kept) if not run.repeat]
    if not lost:
        return ()
    runs, reasons = [run.run for run in lost], listed(list(dict.fromkeys(r.why for r in lost)))
    what = (
        f"{runs_in_words(runs)} gave no result ({reasons}); what is shown here takes that "
        f"as not known. doe augment {campaign.name} --by repair shows what making up for "
        f"{'it' if len(runs) == 1 else 'them'} would buy."
    )
    return (Notice("runs-lost", what),)


def design_of(campaign: Campaign, suggestion: Suggestion) -> Design:
    """Return the suggested runs as a design, in their order."""
    from doe.design.matrix import Design

    runs = suggestion.runs
    return Design(
        space=campaign.space,
        settings=np.array([run.settings for run in runs]).reshape(-1, len(campaign.space)),
        kinds=tuple(run.kind for run in runs),
        plots=_plots(suggestion),
        family="suggested",
        reason=suggestion.why,
        model="",
        seed=campaign.seed,
    )


def in_random_order(suggestion: Suggestion, seed: list[int]) -> Suggestion:
    """Return the runs in random order, those of a plot together."""
    order = np.random.default_rng(seed).permutation(len(suggestion.runs))
    first = {suggestion.runs[i].plot: place for place, i in reversed(list(enumerate(order)))}
    if None not in first:
        order = np.array(sorted(order, key=lambda i: first[suggestion.runs[i].plot]))
    return replace(suggestion, runs=tuple(suggestion.runs[i] for i in order))


def _plots(suggestion: Suggestion) -> tuple[int, ...]:
    """Return the plot of each run, counted in run order; each its own where none are told."""
    told = [run.plot for run in suggestion.runs]
    if None in told:
        return tuple(range(1, len(told) + 1))
    order = list(dict.fromkeys(told))
    return tuple(order.index(plot) + 1 for plot in told)


def _refuse_before_results(campaign: Campaign, kept: Ledger) -> None:
    if standing.has_results(kept):
        return
    _refuse_forbidden(campaign, kept)
    raise StateError.of(
        "no-results",
        f"{campaign.name} has no results yet, and what to run next follows from results: its "
        f"{len(kept.rows)} planned runs come first. What the plan can see before any run stands "
        "in the plan's report.",
        f"Make the runs, fill in the sheet and hand it in: doe record {campaign.name} FILE. For "
        f"another plan: doe plan {campaign.name} --runs N",
        file=str(campaign.folder / standing.LEDGER_FILE),
    )


def _refuse_forbidden(campaign: Campaign, ledger: Ledger) -> None:
    """Refuse to send anybody to planned runs that the file no longer allows."""
    forbidden = standing.barred(campaign, ledger)
    if forbidden is not None:
        file = str(campaign.folder / standing.LEDGER_FILE)
        raise StateError.of("planned-forbidden", forbidden.words, file=file)


def _too_little(campaign: Campaign, kept: Ledger, error: FitError) -> FitError:
    """Return why no run can be suggested from so few results, and which runs come first.

    Raises
    ------
    StateError
        Some of these runs are forbidden.
    """
    _refuse_forbidden(campaign, kept)
    file = str(campaign.folder / standing.LEDGER_FILE)
    if any(problem.code != "too-few-runs" for problem in error.problems):
        return in_the_ledger(campaign, error)
    made = sum(row.status == "done" and not prepares(row) for row in kept.rows)
    planned = sum(not prepares(row) for row in kept.rows)
    told = [
        f"{made} of {planned} planned runs {'is' if made == 1 else 'are'} recorded, too few to "
        "suggest others from.",
        *_of_responses_alike(campaign, error.problems),
    ]
    waiting = _waiting(kept)
    if waiting:
        are = "is" if len(waiting) == 1 else "are"
        told.append(f"{runs_in_words(waiting)} {are} planned and not recorded yet.")
        remedy = f"Make these first, and hand the sheet in: doe record {campaign.name} FILE"
    else:
        remedy = f"See how to add runs, or make lost ones again: doe augment {campaign.name}"
    return FitError(Problem("too-few-runs", " ".join(told), Where(file), remedy))


def after_forbidden(campaign: Campaign, ledger: Ledger, error: InfeasibleError) -> InfeasibleError:
    """Return that the rig can run nothing, after the runs that wait and are not to be made."""
    forbidden = standing.barred(campaign, ledger)
    if forbidden is None:
        return error
    file = str(campaign.folder / standing.LEDGER_FILE)
    first = Problem("planned-forbidden", forbidden.danger, Where(file), forbidden.remedy)
    return InfeasibleError(first, *error.problems)


def after_unit(campaign: Campaign, ledger: Ledger, error: FitError) -> FitError:
    """Return why nothing can be fitted, after the question of a unit that costs runs."""
    done = as_recorded.done_runs(ledger.rows)
    if not as_recorded.unit_costs_runs(campaign, done):
        return error
    file = str(campaign.folder / standing.LEDGER_FILE)
    hand_in = f"Then: doe record {campaign.name} FILE --replace"
    first = [
        Problem(notice.code, notice.what, Where(file), hand_in)
        for notice in as_recorded.in_another_unit(campaign, done)
    ]
    return FitError(*first, *error.problems)


def in_the_ledger(campaign: Campaign, error: FitError) -> FitError:
    """Return why nothing can be fitted, with the ledger and the response's column in it."""
    file = str(campaign.folder / standing.LEDGER_FILE)
    columns = dict(
        zip((r.name for r in campaign.responses), campaign.schema.response_columns, strict=True)
    )
    return FitError(
        *(
            replace(p, where=Where(file, None, columns.get(p.where.key or "", p.where.key)))
            for p in error.problems
        )
    )


def _of_responses_alike(campaign: Campaign, problems: Sequence[Problem]) -> list[str]:
    """Return what is wrong with responses, what is the same of several once with all names."""
    names: dict[str, list[str]] = {}
    for problem in problems:
        words = next(r.words for r in campaign.responses if r.name == problem.where.key)
        names.setdefault(problem.what.removeprefix(f"{words}: "), []).append(words)
    return [f"{listed(words)}: {what}" for what, words in names.items()]


def _waiting(kept: Ledger) -> tuple[int, ...]:
    """Return the planned runs that are not recorded yet, less those that prepare the rig."""
    open_runs = standing.open_runs(kept)
    return tuple(row.run for row in kept.rows if row.run in open_runs and not prepares(row))


def _planned_runs_first(campaign: Campaign, waiting: Sequence[int]) -> DoeError:
    runs = runs_in_words(waiting)
    return StateError.of(
        "planned-runs-wait",
        f"{runs} {'is' if len(waiting) == 1 else 'are'} planned and not recorded yet, and what to "
        "run after them follows from what they say: no runs were added.",
        f"Make them and hand in the sheet: doe record {campaign.name} FILE. A run that will not be "
        "made is handed in as left out, with why.",
        file=str(campaign.folder / standing.LEDGER_FILE),
    )
