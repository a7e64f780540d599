"""From a campaign to the runs of its first stage: which design, on which days, what it can see.

Shapes: n runs, k factors.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from doe import standing
from doe.campaign import Affordable, Campaign
from doe.errors import DesignError, Notice, chosen_from
from doe.factors import FloatArray
from doe.ledger import LedgerRow, prepares
from doe.modelling import ModelName, model_called, model_of, model_wanted
from doe.responses import Response
from doe.samples import label_of
from doe.schedule import Schedule, Totals, schedule, totals
from doe.standing import BegunDay

if TYPE_CHECKING:
    from doe.design.evaluation import DegreesOfFreedom, Efficiencies
    from doe.design.exchange import Criterion
    from doe.design.matrix import Design
    from doe.design.split_plot import WholePlots
    from doe.design.strata import Blocks, PlotDegreesOfFreedom
    from doe.design.verdict import Sight
    from doe.terms import Model

__all__ = [
    "Judgement",
    "LotPlan",
    "PlanWish",
    "chosen",
    "criterion_asked",
    "judged",
    "lots_of",
    "needs_of",
    "rows_of",
    "sample_notices",
    "scheduled",
    "scheduled_after",
]

CRITERIA: tuple[Criterion, ...] = ("D", "A", "I")
SCATTERS = 3.0
"""The change of a response that a design is asked to see, in standard deviations of a run."""
TO_JUDGE = 3
"""Degrees of freedom wanted for the scatter between whole plots, and for that within them."""


OTHER_RATIOS = (0.1, 10.0)
"""Variance between plots over that within them, for which a split plot is tried too."""
ORDERS = 8
"""Random orders whose cost is averaged."""


@dataclass(frozen=True, slots=True)
class PlanWish:
    """What the person names of a design; None leaves it to the tool.

    `plots` is the number of whole plots, `plot_size` their runs. Terms of the model `also` are
    wanted, those of `model` required. `fit_in` shrinks a classical
    design into what the rig can run, or moves its runs there.
    """

    runs: int | None = None
    family: str | None = None
    centres: int | None = None
    model: ModelName | None = None
    criterion: Criterion | None = None
    blocks: int | None = None
    plots: int | None = None
    plot_size: int | None = None
    also: ModelName | None = None
    seed: int | None = None
    fit_in: Literal["shrink", "move"] | None = None


@dataclass(frozen=True)
class Judgement:
    """What a design is worth for its model before any run is made, and what it can see."""

    model: Model
    efficiencies: Efficiencies
    degrees: DegreesOfFreedom
    plot_degrees: PlotDegreesOfFreedom | None
    can_do: tuple[str, ...]


def criterion_asked(name: str | None) -> Criterion | None:
    """Return the criterion that goes by this letter.

    Raises
    ------
    DesignError
        There is none.
    """
    unknown = DesignError.of(
        "unknown-criterion",
        f"there is no criterion “{name}”.",
        "Ask for d (sharp estimates), a (their average variance) or i (sharp predictions).",
    )
    return chosen_from(None if name is None else name.upper(), CRITERIA, unknown)


def chosen(campaign: Campaign, affordable: Affordable, wish: PlanWish) -> Design:
    """Return the design: as many runs as it needs, and no more than can be afforded.

    Raises
    ------
    DesignError, InfeasibleError
        What was asked for cannot be made.
    """
    from doe.design.choose import choose_design

    space, feasible = campaign.space, campaign.feasible
    named = None if wish.model is None else model_of(space, wish.model)
    seed = campaign.seed if wish.seed is None else wish.seed

    def choose(most: int | None, plots: WholePlots | None) -> Design:
        return choose_design(
            space,
            feasible,
            campaign.purpose,
            most,
            seed,
            wish.family,
            wish.centres,
            plots=plots,
            criterion=wish.criterion,
            model=named,
            blocks=wish.blocks,
            fit_in=wish.fit_in,
            also=None if wish.also is None else model_of(space, wish.also),
        )

    if affordable.runs < 1 and wish.runs is None:
        how = next(how for name, _, how in affordable.parts if name == affordable.binds)
        raise DesignError.of(
            "nothing-affordable",
            f"the budget buys no run. What decides: {affordable.binds} ({how}).",
            "Allow more of it under [budget], or shorten the longest run.",
            key=f"budget.{affordable.binds}",
        )
    plots = _whole_plots(campaign, affordable, wish)
    if plots is not None:
        whole = _with_rest_told(choose(plots.runs, plots), affordable, wish)
        held = "what is hard to change is held in whole plots"
        return _not_searched(whole, held if campaign.purpose == "optimum" else "")
    found = _searching(campaign, affordable.runs, seed, wish)
    if isinstance(found, str):
        found = _not_searched(_at_once(campaign, affordable, wish, seed, choose), found)
    return _with_changes_told(campaign, found)


def _at_once(
    campaign: Campaign,
    affordable: Affordable,
    wish: PlanWish,
    seed: int,
    choose: Callable[[int | None, WholePlots | None], Design],
) -> Design:
    """Return a design for a model: what it needs, or what can be afforded of it."""
    if wish.runs is not None:
        return choose(wish.runs, None)
    needed = choose(None, None)
    if len(needed) <= affordable.runs:
        return needed
    first = _leaving_room(campaign, affordable.runs, len(needed), seed, wish)
    return first or choose(affordable.runs, None)


def _not_searched(design: Design, why: str) -> Design:
    """Return a design that says why it does not search the best in steps, where that was wanted."""
    if not why:
        return design
    told = f"The best is not searched in steps here: {why}."
    return replace(design, reason=f"{design.reason} {told}")


def _with_rest_told(design: Design, affordable: Affordable, wish: PlanWish) -> Design:
    """Return a design in whole plots that says why the tool planned fewer runs than it might."""
    left = affordable.runs - len(design)
    if left <= 0 or wish.runs is not None or wish.plots is not None:
        return design
    plots = len(set(design.plots))
    size = len(design) // plots
    why = (
        f"{plots} plots of {size} are what the model and the scatter between and within plots need."
        if left >= size
        else f"No further plot of {size} fits in."
    )
    return replace(design, reason=f"{design.reason} {why}")


def _searching(campaign: Campaign, budget: int, seed: int, wish: PlanWish) -> Design | str:
    """Return a first plan that fills the space, or why there is none; "" if none is wanted."""
    from doe.design.choose import choose_to_search

    if campaign.purpose != "optimum":
        return ""
    if wish != PlanWish(seed=wish.seed, runs=wish.runs, centres=wish.centres):
        return "" if wish.family == "space-filling" else "the design was named"
    return choose_to_search(
        campaign.space, campaign.feasible, budget, seed, wish.runs, wish.centres
    )


def _leaving_room(
    campaign: Campaign, budget: int, needed: int, seed: int, wish: PlanWish
) -> Design | None:
    """Return a first plan that leaves part of the budget, where the person lets the tool choose."""
    from doe.design.choose import choose_within

    named = any((wish.family, wish.model, wish.also, wish.fit_in))
    if campaign.purpose == "screening" or named:
        return None
    return choose_within(
        campaign.space,
        campaign.feasible,
        budget,
        needed,
        seed,
        wish.centres,
        criterion=wish.criterion,
        blocks=wish.blocks,
    )


def _with_changes_told(campaign: Campaign, design: Design) -> Design:
    """Return the design with a notice where it lets a hard factor change more often than it may."""
    from doe.design.split_plot import changes_at_random
    from doe.design.strata import hard_factors

    allowed = campaign.budget.hard_changes_per_day
    hard = [campaign.space.names[i] for i in hard_factors(campaign.space)]
    if allowed is None or not hard:
        return design
    _, a_day = campaign.runs_per_day()
    often = changes_at_random(campaign.space, design.settings)
    days = math.ceil(len(design) / max(a_day, 1))
    if often <= allowed * days:
        return design
    what = (
        f"In this design {' and '.join(hard)} changes about {often:.0f} times in {days} days, more "
        f"often than hard_changes_per_day = {allowed} allows. A split plot (no family, or --family "
        "split-plot) keeps to it."
    )
    return replace(design, notices=(*design.notices, Notice("too-many-changes", what)))


def _whole_plots(campaign: Campaign, affordable: Affordable, wish: PlanWish) -> WholePlots | None:
    """Return the whole plots that the person names or the budget's changes a day allow."""
    from doe.design.split_plot import WholePlots

    if (wish.plots is None) != (wish.plot_size is None):
        raise DesignError.of(
            "half-plots",
            "whole plots are given by half.",
            "Give both their number and their size: --plots 6 --plot-size 3.",
        )
    if wish.plots is not None and wish.plot_size is not None:
        asked = wish.plots * wish.plot_size
        if wish.runs is not None and wish.runs != asked:
            raise DesignError.of(
                "plots-contradict-runs",
                f"{wish.plots} whole plots of {wish.plot_size} are {asked} runs, and "
                f"{wish.runs} were asked for.",
                "Give the plots, or the runs, and not both.",
            )
        return WholePlots.of(wish.plots, wish.plot_size)
    changes = campaign.budget.hard_changes_per_day
    if changes is None or wish.family not in (None, "split-plot"):
        return None
    _, a_day = campaign.runs_per_day()
    size = max(1, math.ceil(a_day / changes))
    if size == 1:
        return None
    most = affordable.runs if wish.runs is None else min(wish.runs, affordable.runs)
    return _balanced_plots(campaign, wish, size, a_day, max(most, size))


def _balanced_plots(
    campaign: Campaign, wish: PlanWish, least: int, a_day: int, most: int
) -> WholePlots:
    """Return plots of at least `least` runs, `most` in all, that can judge both kinds of scatter.

    No plot is longer than a day, and blocks cost degrees of freedom between plots.

    What changes with the plots is judged by the plots beyond its terms, what changes within them
    by the runs beyond plots and terms; larger plots trade the former for the latter. As many runs
    are spent as both need, or all where the person says how many.
    """
    from doe.design.split_plot import WholePlots
    from doe.design.strata import whole_plot_columns

    model = model_of(campaign.space, wish.model or model_wanted(campaign))
    held = whole_plot_columns(model)
    within_terms = len(model) - held
    found: list[tuple[int, WholePlots]] = []
    held += (wish.blocks or 1) - 1
    for size in range(least, max(least, min(most, a_day)) + 1):
        wanted = max(
            held + TO_JUDGE,
            math.ceil((within_terms + TO_JUDGE) / (size - 1)),
        )
        number = most // size if wish.runs is not None else min(wanted, most // size)
        between = number - held
        within = number * (size - 1) - within_terms
        found.append((min(between, within, TO_JUDGE), WholePlots.of(number, size)))
    return max(found, key=lambda each: each[0])[1]


def scheduled_after(
    campaign: Campaign, design: Design, first_run: int, rows: Sequence[LedgerRow]
) -> Schedule | None:
    """Return the days of runs added to those planned or made; None where no hours are given.

    A day whose runs wait is filled up before a new one begins, where the rig may be set anew so
    often on it and no block wants a day of its own.
    """
    begun = standing.begun_day(campaign, rows)
    held = len({(row.stage, row.plot) for row in rows}) < len(rows)
    if begun is None or design.blocks or not _may_follow(campaign, design, begun):
        return scheduled(campaign, design, first_run, standing.next_day(rows), in_plots=held)
    return scheduled(campaign, design, first_run, begun.day, begun_min=begun.minutes, in_plots=held)


def _may_follow(campaign: Campaign, design: Design, begun: BegunDay) -> bool:
    """Tell whether what is hard to change is changed no more often in the day than it may be."""
    from doe.design.strata import hard_factors

    changes = campaign.budget.hard_changes_per_day
    if changes is None or begun.plots + len(set(design.plots)) <= changes:
        return True
    hard = list(hard_factors(campaign.space))
    same = np.isclose(design.settings[:, hard], np.array(begun.settings)[hard])
    return bool(same.all())


def scheduled(
    campaign: Campaign,
    design: Design,
    first_run: int,
    first_day: int,
    lots: Sequence[str] = (),
    begun_min: float = 0.0,
    in_plots: bool = False,
) -> Schedule | None:
    """Return the days of a design's runs; None where no hours a day are given.

    `first_run` is the number of what is run first, be it of the design or not; `begun_min` of the
    first day are taken by other runs. Where runs share whole plots, or those before them did
    (`in_plots`), a day holds no more plots than what is hard to change may be set.
    """
    minutes = campaign.budget.hours_per_day
    if minutes is None or not len(design):
        return None
    early = len(campaign.order.first_runs)
    return schedule(
        campaign.rig,
        campaign.conditions(design.settings),
        [plot + early for plot in design.plots],  # as the ledger counts them
        minutes,
        first_day=first_day,
        first_run=first_run + early,
        blocks=design.blocks,
        lots=lots,
        kinds=design.kinds,
        before=campaign.order.first_runs,
        begun_min=begun_min,
        plots_per_day=campaign.budget.hard_changes_per_day
        if in_plots or len(set(design.plots)) < len(design)
        else None,
    )


@dataclass(frozen=True, slots=True)
class LotPlan:
    """The feedstock lot of each run of a design, and of what is run before; empty without lots."""

    runs: tuple[str, ...] = ()
    before: tuple[str, ...] = ()
    notices: tuple[Notice, ...] = ()


def lots_of(
    campaign: Campaign,
    design: Design,
    days: Schedule | None,
    former: Sequence[LedgerRow] = (),
    again: Sequence[str] = (),
) -> LotPlan:
    """Return which lot each run takes, spread over blocks, days and plots.

    Parameters
    ----------
    former
        Runs planned before, whose feedstock is gone or spoken for. The reserve is kept back from
        the first stage only: it is for repeats.
    again
        Lot (n,) that a run had of which each is the repeat, empty where it is none: it keeps it
        as long as there is enough of it.
    """
    from doe.design.lots import shared_out

    lots = campaign.feed.lots
    masses = campaign.conditions(design.settings).bed_mass_g if len(design) else None
    if not lots or masses is None:
        return LotPlan()
    masses = np.broadcast_to(np.asarray(masses, dtype=np.float64), (len(design),))
    kept = 0.0 if former else campaign.budget.reserve
    gone = _used_g(campaign, former)
    names = list(lots)
    left = np.array([lot.amount * (1 - kept) - gone[name] for name, lot in lots.items()])
    early = campaign.order.first_runs
    for_runs = left.copy()
    before = []
    for kind in early:
        most = int(for_runs.argmax())
        before.append("" if kind == "blank" else names[most])
        for_runs[most] -= 0.0 if kind == "blank" else masses[0]
    chosen_lots, changed = _lots_kept(names, for_runs, masses, again)
    free = np.flatnonzero(chosen_lots < 0)
    if len(free):
        day_of = (0,) * len(design) if days is None else days.day_of
        whole = len(set(design.plots)) < len(design)
        groups = [
            (design.blocks[i] if design.blocks else 0, day_of[i], design.plots[i] if whole else 0)
            for i in free
        ]
        model = model_called(campaign.space, design.model) if design.model else None
        X = (model or model_of(campaign.space, "main-effects")).matrix(design.coded)
        generator = np.random.default_rng([design.seed, 2, len(former)])
        there = np.maximum(for_runs - _taken(chosen_lots, masses, len(names)), 0.0)
        chosen_lots[free] = shared_out(there.tolist(), masses[free], groups, X[free], generator)
    used = _taken(chosen_lots, masses, len(names)) + left - for_runs
    short = [
        f"lot {name}: {needs:g} g, with {there:g} g left"
        for name, needs, there in zip(names, used.tolist(), left.tolist(), strict=True)
        if needs > there + 1e-6
    ]
    kept_back = f" after {100 * kept:g} % reserve" if kept else ""
    what = f"The lots do not hold what these runs need{kept_back}: {'; '.join(short)}."
    notices = [Notice("lots-short", what)] if short else []
    for i, lot, there_g in changed:
        told = (
            f"A repeat is made of lot {names[chosen_lots[i]]} and not of lot {lot} as the run that "
            f"it repeats: of that lot {there_g:g} g are left, and it takes {masses[i]:g} g."
        )
        notices.append(Notice("lot-changed", told))
    return LotPlan(tuple(names[lot] for lot in chosen_lots), tuple(before), tuple(notices))


def _lots_kept(
    names: Sequence[str], left: FloatArray, masses: FloatArray, again: Sequence[str]
) -> tuple[npt.NDArray[np.intp], list[tuple[int, str, float]]]:
    """Return the place of the lot (n,) that each repeat keeps, -1 where none is kept.

    With it come the repeats of whose lot too little is left: which, lot, and how much [g].
    """
    found, left = np.full(len(masses), -1, dtype=np.intp), left.copy()
    changed = []
    for i, lot in enumerate(again):
        if lot not in names:
            continue
        place = names.index(lot)
        if left[place] + 1e-6 >= masses[i]:
            found[i] = place
            left[place] -= masses[i]
        else:
            changed.append((i, lot, max(float(left[place]), 0.0)))
    return found, changed


def _taken(lots: npt.NDArray[np.intp], masses: FloatArray, count: int) -> FloatArray:
    """Return how much of each lot the runs take that have one [g]."""
    has = lots >= 0
    return np.asarray(np.bincount(lots[has], masses[has], count), dtype=np.float64)


def _used_g(campaign: Campaign, rows: Sequence[LedgerRow]) -> dict[str, float]:
    """Return how much of each lot runs take as planned [g]."""
    used = dict.fromkeys(campaign.feed.lots, 0.0)
    loaded = [row for row in rows if row.lot in used and row.kind != "blank"]
    if not loaded:
        return used
    masses = campaign.conditions(np.array([row.settings for row in loaded])).bed_mass_g
    assert masses is not None
    for row, mass in zip(loaded, np.broadcast_to(masses, (len(loaded),)).tolist(), strict=True):
        used[row.lot] += mass
    return used


def needs_of(campaign: Campaign, design: Design, planned: Schedule) -> Totals:
    """Return what all runs of a schedule need together."""
    conditions = campaign.conditions(design.settings)
    return totals(
        campaign.rig,
        conditions,
        planned,
        reserve=campaign.budget.reserve,
        samples=[len(minutes) for minutes in campaign.sample_minutes(design.settings)],
    )


def sample_notices(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[Notice, ...]:
    """Return a notice of the drains that fall due while a sample is drawn."""
    rows = [row for row in rows if not prepares(row)]
    clashes = campaign.sample_clashes(np.array([row.settings for row in rows])) if rows else ()
    if not clashes:
        return ()
    each = (
        f"run {rows[clash.row].run}, {label_of(clash.sample)} at {clash.minute:g} min"
        for clash in clashes
    )
    what = (
        f"A drain falls due while a sample is drawn ({'; '.join(each)} of the extraction). Drain "
        "before the draw begins, as the sheet says, or move the sample."
    )
    return (Notice("sample-meets-drain", what),)


def rows_of(
    campaign: Campaign,
    design: Design,
    planned: Schedule | None,
    *,
    stage: int,
    first_run: int,
    lots: LotPlan | None = None,
) -> tuple[LedgerRow, ...]:
    """Return the planned rows of a stage in run order, what is run before its first run too.

    That has the first run's settings, and a plot of its own ahead of the others.
    """
    before = campaign.order.first_runs if len(design) else ()
    days: list[int | None] = [None] * (len(before) + len(design))
    if planned is not None:
        early = [slot.day for slot in planned.slots if slot.kind != "run"]
        days = [*early, *planned.day_of]
    kinds = (*before, *design.kinds)
    blocks = (*(None,) * len(before), *(design.blocks or (None,) * len(design)))
    lot = (*lots.before, *lots.runs) if lots is not None and lots.runs else ("",) * len(kinds)
    plots = (*range(1, len(before) + 1), *(plot + len(before) for plot in design.plots))
    settings = [*([*design.settings[:1]] * len(before)), *design.settings]
    return tuple(
        LedgerRow(
            first_run + i,
            stage,
            plots[i],
            days[i],
            kinds[i],
            "planned",
            tuple(float(value) for value in settings[i]),
            (None,) * len(campaign.space),
            (None,) * len(campaign.responses),
            block=blocks[i],
            lot=lot[i],
        )
        for i in range(len(kinds))
    )


def judged(campaign: Campaign, design: Design, apart: Blocks | None) -> Judgement:
    """Return what a design is worth before any run is made.

    Parameters
    ----------
    apart
        Groups of runs (n,) whose shifts a fit will take out: blocks, or stages that are linked.
    """
    from doe.design.evaluation import degrees_of_freedom, efficiencies, region_sample
    from doe.factors import feasible_settings

    space = campaign.space
    model = model_called(space, design.model)
    region = region_sample(space, campaign.feasible)
    extremes = space.code(feasible_settings(space, campaign.feasible, most=4000))
    measure = efficiencies(
        model,
        design.coded,
        region,
        extremes_coded=extremes,
        plots=design.plots,
        variance_ratio=design.variance_ratio,
        blocks=apart,
    )
    degrees = degrees_of_freedom(model, design.coded, apart)
    sight = _sight(campaign, design, model, region, apart)
    told = _what_it_sees(campaign, design, model, sight)
    return Judgement(model, measure, degrees, sight.plot_degrees, told)


def _sight(
    campaign: Campaign, design: Design, model: Model, region: FloatArray, apart: Blocks | None
) -> Sight:
    """Return what the design can see of the first response."""
    from doe.design.verdict import what_it_sees

    scatter, unit = _scatter(campaign.responses[0])
    return what_it_sees(
        model,
        design.coded,
        SCATTERS * scatter,
        scatter,
        unit,
        plots=design.plots,
        variance_ratio=design.variance_ratio,
        region_coded=region,
        blocks=apart,
    )


def _what_it_sees(
    campaign: Campaign, design: Design, model: Model, sight: Sight
) -> tuple[str, ...]:
    """Return sentences on what the design can detect, cannot separate, and loses with a run."""
    first, *others = campaign.responses
    sentences = list(sight.sentences)
    if others and sight.powers:
        sizes = [_size(response) for response in others]
        sentences.insert(1, f"The same chances hold for {', '.join(sizes)}.")
    if len(set(design.plots)) < len(design):
        sentences.insert(
            1,
            "These chances take it that plots scatter as much as the runs of a plot do "
            f"(variance ratio {design.variance_ratio:g}); if plots scatter more, those of what is "
            "set with the plots are less.",
        )
    if design.family == "split-plot":
        sentences += [_robustness(campaign, design, model), _cost_of_plots(campaign, design)]
    sentences[0] = f"{first.words[0].upper()}{first.words[1:]}: {_small(sentences[0])}"
    return tuple(sentences)


def _robustness(campaign: Campaign, design: Design, model: Model) -> str:
    """Return how much of the best design's efficiency is kept if plots scatter otherwise."""
    from doe.design.split_plot import efficiency_at_ratios

    assert design.criterion is not None
    criterion = design.criterion
    kept = efficiency_at_ratios(
        model,
        campaign.feasible,
        design.settings,
        design.plots,
        criterion,
        np.random.default_rng([design.seed, 2]),
        OTHER_RATIOS,
    )
    worst = min(one.efficiency for one in kept)
    return (
        f"If the variance between plots is {' or '.join(f'{r:g}' for r in OTHER_RATIOS)} times "
        f"that within them, this design keeps {math.floor(100 * worst)} % or more of the "
        f"{criterion}-efficiency of the best one found for that."
    )


def _cost_of_plots(campaign: Campaign, design: Design) -> str:
    """Return what whole plots cost, and what the same runs completely at random would."""
    from doe.design.split_plot import changes_at_random, hard_changes
    from doe.design.strata import hard_factors

    space, n = campaign.space, len(design)
    names = " and ".join(space.names[i] for i in hard_factors(space))
    number, changes = len(set(design.plots)), hard_changes(space, design.settings)
    alike = ", as neighbouring plots share a setting" if changes < number - 1 else ""
    text = (
        f"From the first of {number} whole plots to the last {names} changes {changes} times"
        f"{alike}; with the same runs in an order completely at random it would about "
        f"{changes_at_random(space, design.settings):.0f} times."
    )
    generator = np.random.default_rng([design.seed, 3])
    orders = [design.settings[generator.permutation(n)] for _ in range(ORDERS)]
    free = tuple(range(1, n + 1))
    at_random = [
        scheduled(campaign, replace(design, settings=order, plots=free), 1, 1) for order in orders
    ]
    own = scheduled(campaign, design, 1, 1)
    hot = [None if one is None else one.thermal.planned.kept_hot_hours for one in (own, *at_random)]
    hours = [each for each in hot if each is not None]
    if own is None or len(hours) <= ORDERS:
        return text
    days = np.mean([len(one.days) for one in at_random if one is not None])
    return (
        f"{text} If the rig stays hot between the runs of a day, heating and cooling then take "
        f"{hours[0]:.1f} h against {np.mean(hours[1:]):.1f} h, and the runs {len(own.days)} days "
        f"against {days:.0f}, as the runs of a plot are kept within a day."
    )


def _scatter(response: Response) -> tuple[float, str]:
    """Return the expected scatter of a run and its unit; in per cent of the value if relative."""
    if response.scatter is None:
        return 1.0, "times the scatter of a run"
    if response.scatter_relative:
        return 100 * response.scatter, "% of its value"
    return response.scatter, response.unit


def _size(response: Response) -> str:
    scatter, unit = _scatter(response)
    return f"{response.words} ({SCATTERS * scatter:.3g} {unit})"


def _small(sentence: str) -> str:
    return sentence[0].lower() + sentence[1:]
