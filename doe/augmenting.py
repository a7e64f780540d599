"""From a campaign's runs to runs added in a way that the person names, and what each way buys.

Shapes: n runs that are there, m added runs, k factors.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, get_args

import numpy as np

from doe import as_recorded, standing
from doe.campaign import Campaign, shaping_parts
from doe.errors import DesignError, DoeError, Notice, chosen_from
from doe.factors import FloatArray
from doe.ledger import Ledger, LedgerRow, prepares
from doe.modelling import MODELS, ModelName, model_of, model_wanted
from doe.planning import scheduled_after
from doe.schedule import Schedule
from doe.stage import StageRecord
from doe.standing import LostRun
from doe.wording import runs_in_words

if TYPE_CHECKING:
    from doe.design.augment import Addition, Existing
    from doe.design.exchange import Criterion
    from doe.design.matrix import Design
    from doe.terms import Model

__all__ = [
    "WAYS",
    "AugmentWish",
    "Offer",
    "Way",
    "existing_runs",
    "lots_again",
    "nothing_run_yet",
    "offered",
    "way_asked",
    "with_all_runs",
    "with_reasons",
]

Way = Literal["fold-over", "axial", "centres", "block", "repair", "wider-region", "higher-order"]
WAYS: tuple[Way, ...] = get_args(Way)
KINDS: dict[Way, str] = {
    "fold-over": "mirror",
    "axial": "axial",
    "centres": "centre",
}
BLOCK = 4
SPARE = 2
"""Runs beyond those that a larger model needs: something has to judge it by."""


@dataclass(frozen=True, slots=True)
class AugmentWish:
    """In which way runs are to be added, and what the person names of it; None leaves it open.

    `factors` are those that a fold-over mirrors, `distance` (coded) is that of axial points.
    """

    way: Way | None = None
    runs: int | None = None
    factors: tuple[str, ...] = ()
    distance: float | None = None
    model: ModelName | None = None
    criterion: Criterion | None = None
    seed: int | None = None

    @property
    def as_typed(self) -> str:
        """The options by which the same is asked for again."""
        options = [
            ("by", self.way or "WAY"),
            ("runs", self.runs),
            *(("factor", name) for name in self.factors),
            ("distance", None if self.distance is None else f"{self.distance:g}"),
            ("model", self.model),
            ("criterion", None if self.criterion is None else self.criterion.lower()),
            ("seed", self.seed),
        ]
        return "".join(f" --{name} {value}" for name, value in options if value is not None)


@dataclass(frozen=True)
class Offer:
    """One way to add runs: what it adds and buys, as a stage of its own; or why it cannot."""

    way: Way
    addition: Addition | None
    design: Design | None
    days: Schedule | None
    why_not: str = ""


def way_asked(name: str | None) -> Way | None:
    """Return the way to add runs that goes by this name.

    Raises
    ------
    DesignError
        There is none.
    """
    remedy = f"Ask for one of: {', '.join(WAYS)}."
    unknown = DesignError.of("unknown-way", f"there is no way “{name}” to add runs.", remedy)
    return chosen_from(name, WAYS, unknown)


def offered(
    campaign: Campaign,
    ledger: Ledger,
    stage: int,
    record: StageRecord | None,
    wish: AugmentWish,
    say: Callable[[str], None],
) -> tuple[Offer, ...]:
    """Return the way asked for, worked out; all ways, each with what it buys, if none is.

    Runs count at their planned settings; those left out or boiled count as lost.

    Parameters
    ----------
    stage
        The stage that the added runs become.
    record
        How the first stage was made: its model, and the ranges that it was made for.

    Raises
    ------
    DesignError
        The way that is asked for cannot be gone; without a way the offers say why.
    """
    ground = _Ground.of(campaign, ledger, record, wish)
    if wish.way is not None:
        say(f"adding runs: {wish.way}")
        return (_offer(ground, wish.way, stage),)
    found = []
    for way in WAYS:
        say(f"weighing {way}")
        try:
            found.append(_offer(ground, way, stage))
        except DoeError as error:
            problem = error.problems[0]
            found.append(Offer(way, None, None, None, f"{problem.what} {problem.remedy}"))
    return tuple(found)


@dataclass(frozen=True)
class _Ground:
    """What is there to add to, and what was asked for."""

    campaign: Campaign
    every_row: tuple[LedgerRow, ...]
    next_run: int
    rows: tuple[LedgerRow, ...]
    kept: Existing
    lost: tuple[LostRun, ...]
    model: Model
    planned_model: Model
    next_model: Model | None
    ranges_changed: bool
    wish: AugmentWish

    @classmethod
    def of(
        cls, campaign: Campaign, ledger: Ledger, record: StageRecord | None, wish: AugmentWish
    ) -> _Ground:
        rows = _kept(campaign, ledger.rows)
        if not rows:
            raise DesignError.of(
                "no-runs-kept",
                f"every run of {campaign.name} is left out: there is nothing to add to.",
                f"Plan anew under another name: doe new NAME (runs.csv holds {len(ledger.rows)}).",
            )
        named = model_wanted(campaign)
        words = record.model if record is not None else ""
        for each in MODELS:
            named = each if model_of(campaign.space, each).name == words else named
        larger = MODELS[MODELS.index(named) + 1 :]
        asked = wish.model or (larger[0] if larger else None)
        return cls(
            campaign,
            ledger.rows,
            ledger.next_run,
            rows,
            existing_runs(campaign, rows),
            standing.lost_runs(campaign, ledger),
            model_of(campaign.space, wish.model or named),
            model_of(campaign.space, named),
            None if asked is None else model_of(campaign.space, asked),
            record is not None
            and record.shaping.get("factors") != shaping_parts(campaign).get("factors"),
            wish,
        )

    @property
    def criterion(self) -> Criterion:
        from doe.design.choose import criterion_for

        return self.wish.criterion or criterion_for(self.campaign.purpose)

    @property
    def seed(self) -> int:
        return self.campaign.seed if self.wish.seed is None else self.wish.seed

    def generator(self) -> np.random.Generator:
        return np.random.default_rng([self.seed, len(self.rows)])


def _kept(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[LedgerRow, ...]:
    """Return the runs of the designs that are not lost."""
    vapour = as_recorded.lost_to_vapour(campaign, rows)
    return tuple(
        row
        for row in rows
        if row.status != "left out" and not prepares(row) and row.run not in vapour
    )


def existing_runs(campaign: Campaign, rows: Sequence[LedgerRow]) -> Existing:
    """Return runs of the ledger with their whole plots, counted over all stages.

    Where a factor is hard to change and runs share a plot, added runs come in plots of that size.
    """
    from doe.design.augment import Existing
    from doe.design.split_plot import WholePlots
    from doe.design.strata import hard_factors

    labels = [(row.stage, row.plot) for row in rows]
    order = list(dict.fromkeys(labels))
    size = max(labels.count(label) for label in order)
    held = size > 1 and bool(hard_factors(campaign.space))
    return Existing(
        np.array([row.settings for row in rows], dtype=np.float64),
        tuple(order.index(label) + 1 for label in labels),
        tuple(row.stage for row in rows),
        tuple(row.block for row in rows),
        size if held else 1,
        WholePlots.of(len(order), size).variance_ratio if held else 0.0,
    )


def _settings_of(lost: Sequence[LostRun], k: int) -> FloatArray:
    """Return the settings (m, k) of lost runs."""
    return np.array([one.settings for one in lost], dtype=np.float64).reshape(-1, k)


def _made_up_for(
    settings: Sequence[tuple[float, ...]], lost: Sequence[LostRun]
) -> tuple[tuple[LostRun | None, ...], tuple[LostRun, ...]]:
    """Return for each added run (m,) the lost one that it makes again, None without one.

    With it come the lost runs that none makes again.
    """
    left = list(lost)
    found: list[LostRun | None] = []
    for setting in settings:
        one = next((each for each in left if each.settings == setting), None)
        found.append(one)
        if one is not None:
            left.remove(one)
    return tuple(found), tuple(left)


def lots_again(
    campaign: Campaign, ledger: Ledger, settings: Sequence[tuple[float, ...]]
) -> tuple[str, ...]:
    """Return for each added run (m,) the lot of the lost one that it makes again; empty if none."""
    found, _ = _made_up_for(settings, standing.lost_runs(campaign, ledger))
    return tuple("" if one is None else one.lot for one in found)


def with_reasons(
    campaign: Campaign, ledger: Ledger, rows: Sequence[LedgerRow]
) -> tuple[LedgerRow, ...]:
    """Return planned rows, those that make up for lost runs with a note that says for which."""
    designed = [row for row in rows if not prepares(row)]
    found, left = _made_up_for(
        [row.settings for row in designed], standing.lost_runs(campaign, ledger)
    )
    notes = {
        row.run: f"run {one.run} again: {one.why}"
        for row, one in zip(designed, found, strict=True)
        if one is not None
    }
    others = "; ".join(f"run {one.run}: {one.why}" for one in left)
    for row in designed:
        if row.kind == standing.STANDS_IN:
            notes[row.run] = f"in place of {others}"
    return tuple(replace(row, notes=notes.get(row.run, row.notes)) for row in rows)


def _offer(ground: _Ground, way: Way, stage: int) -> Offer:
    from doe.design.matrix import Design, randomised

    campaign, addition = ground.campaign, _added(ground, way)
    design = randomised(
        Design(
            space=campaign.space,
            settings=addition.settings,
            kinds=_kinds(ground, way, addition),
            plots=addition.plots,
            family="added",
            reason=f"Runs added by {way}. {addition.buys}",
            model=addition.model.name,
            seed=ground.seed,
            notices=addition.notices,
            variance_ratio=ground.kept.variance_ratio,
        ),
        np.random.default_rng([ground.seed, stage]),
    )
    if addition.block is not None:
        design = replace(design, blocks=(addition.block,) * len(design))
    days = scheduled_after(campaign, design, ground.next_run, ground.every_row)
    if way == "repair" and ground.wish.runs is None and days is not None:
        spare = _room_left(campaign, days, len(design))
        design = replace(design, notices=(*design.notices, *spare))
    return Offer(way, addition, design, days)


def _room_left(campaign: Campaign, days: Schedule, runs: int) -> tuple[Notice, ...]:
    """Return a notice where a day of the budget would be spent on few runs."""
    last, (longest, _) = days.days[-1], campaign.runs_per_day()
    room = int((days.minutes_per_day - last.minutes) / longest + 1e-9)
    if room < 1:
        return ()
    what = (
        f"Day {last.number} has room for {room} more, and counts as used all the same: --runs "
        f"{runs + room} fills it up with the best runs beside."
    )
    return (Notice("day-not-full", what),)


def _kinds(ground: _Ground, way: Way, addition: Addition) -> tuple[str, ...]:
    if way != "repair":
        return (KINDS.get(way, "chosen"),) * len(addition.settings)
    settings = [tuple(setting) for setting in addition.settings.tolist()]
    found, _ = _made_up_for(settings, ground.lost)
    return tuple(standing.STANDS_IN if one is None else standing.MADE_AGAIN for one in found)


def _added(ground: _Ground, way: Way) -> Addition:
    from doe.design import augment
    from doe.design.choose import CENTRES

    kept, model, feasible = ground.kept, ground.model, ground.campaign.feasible
    wish, generator, criterion = ground.wish, ground.generator(), ground.criterion
    if way == "fold-over":
        return augment.folded_over(model, kept, feasible, wish.factors or None)
    if way == "axial":
        larger = model_of(ground.campaign.space, "quadratic")
        return augment.axial_points_added(
            larger, kept, feasible, 1.0 if wish.distance is None else wish.distance
        )
    if way == "centres":
        return augment.centre_points_added(model, kept, feasible, wish.runs or CENTRES)
    if way == "block":
        runs = wish.runs or ground.campaign.runs_per_day()[1] or BLOCK
        return augment.block_added(model, kept, feasible, runs, generator, criterion)
    if way == "repair":
        return _repaired(ground)
    if way == "wider-region":
        _check_widened(ground)
        runs = wish.runs or BLOCK
        return augment.region_extended(model, kept, feasible, runs, generator, criterion)
    larger_model = _next_model(ground)
    _check_larger(larger_model, ground)
    runs = wish.runs or _runs_for(larger_model, kept)
    return augment.order_raised(larger_model, kept, feasible, runs, generator, criterion)


def _runs_for(model: Model, kept: Existing) -> int:
    """Return how many runs let a model be estimated, with something left to judge it by."""
    X = model.matrix(model.space.code(kept.settings))
    missing = len(model) - int(np.linalg.matrix_rank(X))
    least = max(missing, len(model) - len(X)) + SPARE
    return kept.plot_size * -(-least // kept.plot_size)


def _repaired(ground: _Ground) -> Addition:
    """Return the runs to be repeated at their settings, and the best in place of the other lost."""
    from doe.design import augment

    campaign, lost, wish = ground.campaign, ground.lost, ground.wish
    if not lost:
        raise DesignError.of(
            "nothing-lost",
            "no run is left out or boiled, or what was lost is planned again.",
            "Mark a lost run in runs.csv: status “left out”, with the reason; one that begins with "
            "“repeat” has it run again at its settings.",
        )
    k = len(campaign.space)
    possible = campaign.feasible(_settings_of(lost, k)).tolist()
    again = [one for one, fine in zip(lost, possible, strict=True) if one.repeat and fine]
    others = [one for one in lost if one not in again]
    if wish.runs is not None and wish.runs < len(again):
        raise DesignError.of(
            "repeats-left-out",
            f"{wish.runs} runs are asked for, and {len(again)} are to be repeated.",
            "Ask for as many at least, or for none: then as many as were lost are planned.",
        )
    added = augment.repaired(
        ground.model,
        ground.kept,
        _settings_of(again, k),
        _settings_of(others, k),
        campaign.feasible,
        wish.runs or len(lost),
        ground.generator(),
        ground.criterion,
    )
    what = "; ".join(f"run {one.run} ({one.why})" for one in lost)
    notices = [*added.notices, Notice("made-up-for", f"These runs make up for {what}.")]
    moved = [one.run for one in others if one.repeat]
    if moved:
        words = runs_in_words(moved)
        notices.append(
            Notice(
                "not-repeated",
                f"{words} cannot be repeated: the rig as described now cannot run the settings. "
                "Another is planned in place of each.",
            )
        )
    return replace(added, notices=tuple(notices))


def _check_widened(ground: _Ground) -> None:
    if not ground.ranges_changed:
        raise DesignError.of(
            "ranges-as-planned",
            "the factors in campaign.toml are as they were when stage 1 was planned.",
            "Widen a range there first; the runs made keep their settings.",
        )


def _next_model(ground: _Ground) -> Model:
    if ground.next_model is None:
        raise DesignError.of(
            "no-higher-order",
            f"the runs were planned for a {ground.model.name} model, the largest there is here.",
            "Add a block, centre points or a wider region.",
        )
    return ground.next_model


def _check_larger(larger: Model, ground: _Ground) -> None:
    if set(larger.terms) <= set(ground.planned_model.terms):
        raise DesignError.of(
            "no-higher-order",
            f"the runs were planned for {ground.planned_model.name}; {larger.name} is no larger.",
            "Name a larger model with --model, or add a block.",
        )


def with_all_runs(
    campaign: Campaign, rows: Sequence[LedgerRow], added: Design
) -> tuple[Design, tuple[int | None, ...] | None]:
    """Return the runs that are kept and those added as one design, to be judged together.

    With it come the groups of runs whose shifts a fit will take out, None where it takes out none.
    """
    kept = _kept(campaign, rows)
    existing = existing_runs(campaign, kept)
    whole = replace(
        added,
        settings=np.vstack([existing.settings, added.settings]),
        kinds=(*(row.kind for row in kept), *added.kinds),
        plots=existing.then(added.plots),
        blocks=(),
        notices=(),
    )
    block = added.blocks[0] if added.blocks else None
    return whole, existing.kept_apart(campaign.space, added.settings, block)


def nothing_run_yet(rows: Sequence[LedgerRow]) -> tuple[Notice, ...]:
    """Return a notice where no run was made yet: a plan of all runs at once may do better."""
    if any(row.status != "planned" for row in rows):
        return ()
    what = (
        "No run was made yet: a plan of all runs at once may do better than runs added to a plan "
        "(doe plan --runs N)."
    )
    return (Notice("nothing-run-yet", what),)
