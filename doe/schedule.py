"""The days at the rig: what each run takes, on which day it falls, and what must stand ready.

`timeline` lays each run out in phases from the rig's own figures; they add up to
`rig.run_minutes`, the length that the budget counts. `schedule` puts runs into days in the order
they are given, `totals` says what the days need. Nothing here changes an order or refuses a run:
what is awkward becomes a notice.

Every run is taken to start cold and to be cooled for unloading, as `rig.run_minutes` counts it.

Shapes: n runs.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from doe.errors import Notice
from doe.factors import FloatArray
from doe.rig import Conditions, Rig, derived, drain_minutes

__all__ = [
    "BENCH_STEPS",
    "CentrePoints",
    "Day",
    "OrderCost",
    "Phase",
    "PhaseName",
    "Schedule",
    "Slot",
    "SlotKind",
    "ThermalCost",
    "Timeline",
    "Totals",
    "carry_over",
    "centre_points",
    "clock",
    "schedule",
    "timeline",
    "totals",
]

PhaseName = Literal["load", "heat up", "extract", "cool", "flush", "unload"]
SlotKind = Literal["run", "blank", "sacrificial"]

BENCH_STEPS = (
    "load",
    "fill and prime",
    "pressurise",
    "heat up",
    "equilibrate",
    "extract",
    "cool",
    "flush",
    "drain",
    "unload",
)
"""What is done at the bench in a run, in order; each step lies in exactly one phase."""

TURNAROUND_RULE = "half of turnaround_time, the rig's one figure for unloading and loading"
CARRIED_OVER_MOST = 0.05
"""Share of the last liquid left by three free volumes of flush, if mixed (common practice)."""
SEVERITY_STEP_K = 14.75
"""Overend and Chornet 1987, Phil Trans R Soc A 321:523 (constant from memory)."""
SLACK_MIN = 1e-6
SAME_K = 1e-6


# ------------------------------------------------------------------------------ one run's time


@dataclass(frozen=True, slots=True, eq=False)
class Phase:
    """A stretch of each run: the bench steps within it, its minutes (n,), and by which rule."""

    name: PhaseName
    steps: tuple[str, ...]
    minutes: FloatArray
    rule: str


@dataclass(frozen=True, slots=True, eq=False)
class Timeline:
    """The phases of n runs.

    Attributes
    ----------
    total_min
        Sum of the phases [min] (n,); the same as `rig.run_minutes`.
    temperature_C
        Set temperature (n,).
    start_C, end_C
        Where heating up begins and cooling ends (n,).
    drains_min
        For each run, when the collection vessel has to be drained [min from its start].
    ramps_worth_min
        Minutes at the set temperature that add as much severity as heating up and cooling (n,):
        (14.75/r)(1 − exp(−(T − T₀)/14.75)) a side at r K/min, from T₀ or 100 °C, whichever is
        higher. Not a number where the run stays below 100 °C all through.
    """

    phases: tuple[Phase, ...]
    total_min: FloatArray
    temperature_C: FloatArray
    start_C: FloatArray
    end_C: FloatArray
    drains_min: tuple[FloatArray, ...]
    ramps_worth_min: FloatArray

    def __len__(self) -> int:
        return len(self.total_min)

    def stretches(self, i: int) -> tuple[tuple[PhaseName, float, float], ...]:
        """Return name, start and end [min from the run's start] of a run's phases that last."""
        ends = list(itertools.accumulate(float(phase.minutes[i]) for phase in self.phases))
        starts = [0.0, *ends[:-1]]
        return tuple(
            (phase.name, start, end)
            for phase, start, end in zip(self.phases, starts, ends, strict=True)
            if end - start > SLACK_MIN
        )

    def course(self, i: int) -> tuple[FloatArray, FloatArray]:
        """Return minutes from the run's start and temperature [°C] from heat-up to cooled.

        Both ramps are straight; where the heater's power sets the time, heating really slows
        down towards the end. What the rig does at other times is not known, so it is left out.
        """
        load, heat, hold, cool = (float(phase.minutes[i]) for phase in self.phases[:4])
        minutes = np.cumsum([load, heat, hold, cool])
        T = float(self.temperature_C[i])
        return minutes, np.array([float(self.start_C[i]), T, T, float(self.end_C[i])])


def timeline(rig: Rig, conditions: Conditions) -> Timeline:
    """Return the phases of each run, from the rig's figures alone.

    Notes
    -----
    The rig gives one figure for unloading, cleaning, packing, closing and whatever else lies
    between two runs (`turnaround_time`): half of it stands before the run, half after. No time
    of its own is given for equilibrating, so it counts within the extraction, which begins when
    the set temperature is reached.
    """
    return _timeline(rig, conditions, derived(rig, conditions))


def _timeline(rig: Rig, conditions: Conditions, known: Mapping[str, FloatArray]) -> Timeline:
    phases = _phases(rig, conditions, known)
    T = _column(conditions.temperature_C, len(known["run_minutes"]))
    drains = drain_minutes(rig, conditions)
    load = phases[0].minutes
    return Timeline(
        phases=phases,
        total_min=np.sum([phase.minutes for phase in phases], axis=0),
        temperature_C=T,
        start_C=np.minimum(rig.start_temperature, T),
        end_C=np.minimum(rig.unload_temperature, T),
        drains_min=tuple(load[i] + at for i, at in enumerate(drains)),
        ramps_worth_min=_ramps_worth_min(conditions, known, T),
    )


def _phases(rig: Rig, conditions: Conditions, known: Mapping[str, FloatArray]) -> tuple[Phase, ...]:
    n = len(known["run_minutes"])
    half = np.full(n, rig.turnaround_time / 2)
    up = "heat_up_rate" if rig.heat_up_rate is not None else "worked out from the heater's power"
    return (
        Phase("load", ("load", "fill and prime", "pressurise"), half, TURNAROUND_RULE),
        Phase("heat up", ("heat up",), known["heat_up_min"], up),
        Phase("extract", ("equilibrate", "extract"), _column(conditions.time_min, n), "run time"),
        Phase("cool", ("cool",), known["cool_down_min"], "cool_down_rate"),
        Phase("flush", ("flush",), np.full(n, rig.flush_time or 0.0), "flush_time"),
        Phase("unload", ("drain", "unload"), half, TURNAROUND_RULE),
    )


def _ramps_worth_min(
    conditions: Conditions, known: Mapping[str, FloatArray], T: FloatArray
) -> FloatArray:
    """Return R₀ of the whole run over the rate at set temperature, less the run itself [min]."""
    at_set = known["severity_log10"] - (T - 100) / (SEVERITY_STEP_K * math.log(10))
    return np.asarray(10.0**at_set - _column(conditions.time_min, len(T)))


def _column(values: FloatArray | None, n: int) -> FloatArray:
    return np.broadcast_to(np.asarray(values, dtype=np.float64), (n,))


# ------------------------------------------------------------------------------------- the days


@dataclass(frozen=True, slots=True)
class Slot:
    """A stretch of one day: a planned run, or a blank or sacrificial run before them.

    `row` is the row of the conditions whose settings it has; `start_min` and `end_min` count from
    the day's beginning. A blank has no material in it; a sacrificial run has, and is thrown away.
    """

    kind: SlotKind
    run: int | None
    row: int
    plot: int
    day: int
    start_min: float
    end_min: float


@dataclass(frozen=True, slots=True)
class Day:
    """What is done in one day."""

    number: int
    slots: tuple[Slot, ...]

    @property
    def minutes(self) -> float:
        return self.slots[-1].end_min


@dataclass(frozen=True, slots=True)
class CentrePoints:
    """Where the centre points stand among n runs: their numbers, days, and the longest gap.

    `spread` holds if no more than half of the runs follow each other without one and, with two
    or more centre points and days, they stand on two days at least (a rule of this tool).
    """

    runs: tuple[int, ...]
    days: tuple[int, ...]
    longest_gap: int
    spread: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class OrderCost:
    """What one order asks of the rig's heat.

    `days` counts those of what goes before the first run too. `steps_K` is the sum of |ΔT| between
    the set temperatures of runs that follow each other.
    `kept_hot_hours` and `kept_hot_kWh` are heating and cooling if the rig went straight from one
    set temperature to the next within a day; None in batch, where every filling is cold.
    """

    runs: tuple[int, ...]
    days: int
    steps_K: float
    kept_hot_hours: float | None
    kept_hot_kWh: float | None


@dataclass(frozen=True, slots=True)
class ThermalCost:
    """The planned order beside the cheapest one.

    `hours` and `kWh` are what heating up and cooling take as the runs are planned, each from
    cold: the same in any order; in batch `kWh` is the metal's alone.

    The cheapest order is sorted by temperature: its sum of steps, highest less lowest, is exactly
    the least there is; its kept-hot hours are the least if the runs take equally long, else a
    good order's.
    """

    hours: float
    kWh: float
    planned: OrderCost
    cheapest: OrderCost
    sentence: str


@dataclass(frozen=True, slots=True, eq=False)
class Schedule:
    """Runs in days.

    Attributes
    ----------
    days
        In order, numbered from `first_day`.
    day_of, start_min
        Day of each run (n,), and when in it the run starts [min from the day's beginning].
    minutes_per_day
        How long a day may be.
    """

    days: tuple[Day, ...]
    day_of: tuple[int, ...]
    start_min: FloatArray
    minutes_per_day: float
    timeline: Timeline
    thermal: ThermalCost
    centres: CentrePoints | None
    notices: tuple[Notice, ...]

    @property
    def slots(self) -> tuple[Slot, ...]:
        return tuple(slot for day in self.days for slot in day.slots)

    @property
    def hours(self) -> float:
        """Hours at the rig, all days together."""
        return sum(day.minutes - day.slots[0].start_min for day in self.days) / 60

    @property
    def sentence(self) -> str:
        """How many days, and how full the fullest is."""
        longest = max(self.days, key=lambda day: day.minutes)
        early = [slot.kind for slot in self.slots if slot.kind != "run"]
        with_early = f", {' and '.join(early)} before them," if early else ""
        runs = f"{_counted(len(self.day_of), 'run')}{with_early}"
        fullest = f"takes {clock(longest.minutes)} of {clock(self.minutes_per_day)}"
        if len(self.days) == 1:
            fit = "fits" if len(self.slots) == 1 else "fit"
            one = "one day" if not longest.slots[0].start_min else f"day {longest.number}"
            return f"{runs} {fit} into {one}, which {fullest}."
        return f"{runs} take {len(self.days)} days; the longest, day {longest.number}, {fullest}."


def schedule(
    rig: Rig,
    conditions: Conditions,
    plots: Sequence[int],
    minutes_per_day: float,
    *,
    first_day: int = 1,
    first_run: int = 1,
    blocks: Sequence[int] = (),
    lots: Sequence[str] = (),
    kinds: Sequence[str] = (),
    before: Sequence[Literal["blank", "sacrificial"]] = (),
    begun_min: float = 0.0,
    plots_per_day: int | None = None,
) -> Schedule:
    """Return the days of runs in the order given, a run never split over two.

    Parameters
    ----------
    conditions
        What the runs ask of the rig, in the order they are to be run (n,).
    plots
        Whole plot of each run (n,); runs of one plot follow each other.
    minutes_per_day
        Working time of a day [min].
    first_day, first_run
        Numbers of the first day and the first run.
    blocks
        Block of each run (n,), if the design has any; a block begins on a new day.
    lots
        Feedstock lot of each run (n,), if told; only checked.
    kinds
        What each run is for (n,); ``centre`` marks centre points.
    before
        Runs to make before the first one, at its settings, where carry-over matters.
    begun_min
        Minutes of the first day that other runs take before these; without blocks only.
    plots_per_day
        How many whole plots a day may hold, where that is limited.

    Raises
    ------
    ValueError
        Labels do not have one entry a run, there is no run, or a day has no minutes.

    Notes
    -----
    As few days as the order allows, and over those the runs are shared out as evenly as can be
    (least sum of squared lengths), so that every day keeps some slack. Runs of one whole plot
    stay within a day if they fit into one.
    """
    known = derived(rig, conditions)
    lines = _timeline(rig, conditions, known)
    _check_labels(len(lines), plots, blocks, lots, kinds, minutes_per_day)
    items = _items(lines, plots, blocks, before, minutes_per_day)
    with_runs = sum(any(kind == "run" for kind, _ in item.pieces) for item in items)
    if with_runs > len(set(plots)):  # plots longer than a day
        plots_per_day = None
    parted = _in_days(items, minutes_per_day, begun_min, plots_per_day)
    days = tuple(
        _day(first_day + d, first_run, part, lines, plots, 0.0 if d else begun_min)
        for d, part in enumerate(parted)
        if part
    )
    of_run = {slot.row: slot for day in days for slot in day.slots if slot.kind == "run"}
    day_of = tuple(of_run[i].day for i in range(len(lines)))
    centres = centre_points(kinds, day_of, first_run) if kinds else None

    def in_order(order: Sequence[int]) -> tuple[list[int], int]:
        most = (minutes_per_day, begun_min, plots_per_day)
        return _days_in_order(order, lines, plots, before, *most)

    planned = Schedule(
        days=days,
        day_of=day_of,
        start_min=np.array([of_run[i].start_min for i in range(len(lines))]),
        minutes_per_day=minutes_per_day,
        timeline=lines,
        thermal=_thermal_cost(rig, known, lines, plots, (day_of, len(days)), first_run, in_order),
        centres=centres,
        notices=(),
    )
    found = _notices(rig, conditions, planned, plots, blocks, lots, before)
    return replace(planned, notices=tuple(found))


def clock(minutes: float) -> str:
    """Return a length of time as people say it.

    >>> clock(520.2), clock(540.0), clock(45.0)
    ('8 h 40 min', '9 h', '45 min')
    """
    hours, rest = divmod(round(minutes), 60)
    parts = ([f"{hours} h"] if hours else []) + ([f"{rest} min"] if rest or not hours else [])
    return " ".join(parts)


def _check_labels(
    n: int,
    plots: Sequence[int],
    blocks: Sequence[int],
    lots: Sequence[str],
    kinds: Sequence[str],
    minutes_per_day: float,
) -> None:
    if n == 0 or not minutes_per_day > 0:
        raise ValueError("a schedule needs runs, and days with minutes")
    if len(plots) != n or any(len(labels) not in (0, n) for labels in (blocks, lots, kinds)):
        raise ValueError("plots, blocks, lots and kinds must have one entry a run")


@dataclass(frozen=True, slots=True)
class _Item:
    """What stays together in a day: kinds and rows in order, and whether a new day begins."""

    pieces: tuple[tuple[SlotKind, int], ...]
    minutes: float
    new_day: bool


def _items(
    lines: Timeline,
    plots: Sequence[int],
    blocks: Sequence[int],
    before: Sequence[SlotKind],
    most: float,
) -> list[_Item]:
    """Return the pieces that stay together: whole plots, or their runs where a day is too short.

    What goes before the first run stays with it, unless its whole plot would not fit into a day
    then.
    """
    block = list(blocks) if blocks else [0] * len(plots)
    labels = list(zip(block, plots, strict=True))
    items: list[_Item] = []
    for (_, _), rows in itertools.groupby(range(len(plots)), key=lambda i: labels[i]):
        pieces: list[tuple[SlotKind, int]] = [("run", i) for i in rows]
        first = pieces[0][1]
        new_day = first == 0 or block[first] != block[first - 1]
        if first == 0 and before:
            early: list[tuple[SlotKind, int]] = [(kind, 0) for kind in before]
            if _minutes(early + pieces, lines) > most + SLACK_MIN >= _minutes(pieces, lines):
                items += _kept_together(early, lines.total_min, most, True)
                new_day = False
            else:
                pieces = early + pieces
        items += _kept_together(pieces, lines.total_min, most, new_day)
    return items


def _minutes(pieces: Sequence[tuple[SlotKind, int]], lines: Timeline) -> float:
    return sum(float(lines.total_min[row]) for _, row in pieces)


def _kept_together(
    pieces: Sequence[tuple[SlotKind, int]], minutes: FloatArray, most: float, new_day: bool
) -> Iterator[_Item]:
    whole = sum(float(minutes[row]) for _, row in pieces)
    if whole <= most + SLACK_MIN:
        yield _Item(tuple(pieces), whole, new_day)
        return
    for i, piece in enumerate(pieces):
        yield _Item((piece,), float(minutes[piece[1]]), new_day and i == 0)


def _in_days(
    items: Sequence[_Item], most: float, begun_min: float = 0.0, plots: int | None = None
) -> list[list[_Item]]:
    """Return items in days; each stretch that must begin a day is shared out on its own.

    No day gets more than so many `plots`, an item each; where a plot is longer than a day its runs
    are items, and days are filled by the hour.

    Of a day that is begun, what is left is filled up first; where nothing fits its part is empty.
    """
    if begun_min:
        ends = itertools.accumulate((item.minutes for item in items), initial=begun_min)
        fit = sum(end <= most + SLACK_MIN for end in ends) - 1
        rest = [replace(item, new_day=i == 0) for i, item in enumerate(items[fit:])]
        return [list(items[:fit]), *(_in_days(rest, most, plots=plots) if rest else [])]
    starts = [i for i, item in enumerate(items) if item.new_day] + [len(items)]
    days: list[list[_Item]] = []
    for start, end in itertools.pairwise(starts):
        part = list(items[start:end])
        cuts = _shared_out([item.minutes for item in part], most, plots or len(part))
        days += [part[a:b] for a, b in itertools.pairwise(cuts)]
    return days


def _shared_out(minutes: Sequence[float], most: float, at_most: int) -> list[int]:
    """Return where to cut a row of lengths into the fewest days, then as evenly as can be.

    No day gets more than `at_most` of them.

    Filling day after day gives the fewest; a dynamic programme over cuts then finds the least
    sum of squared lengths with so many days. A length above `most` has a day to itself.
    """
    n, days = len(minutes), _days_filled(minutes, most, at_most)
    total = [0.0, *itertools.accumulate(minutes)]
    best = [0.0] + [math.inf] * n
    before: list[list[int]] = []
    for _ in range(days):
        reached, cut = [math.inf] * (n + 1), [0] * (n + 1)
        for end in range(1, n + 1):
            for start in range(end - 1, -1, -1):
                length = total[end] - total[start]
                if end - start > at_most or (length > most + SLACK_MIN and start < end - 1):
                    break
                if best[start] + length**2 < reached[end] - SLACK_MIN:
                    reached[end], cut[end] = best[start] + length**2, start
        best, before = reached, [*before, cut]
    cuts = [n]
    for cut in reversed(before):
        cuts.append(cut[cuts[-1]])
    return cuts[::-1]


def _days_filled(minutes: Sequence[float], most: float, at_most: int) -> int:
    days, used, held = 1, 0.0, 0
    for length in minutes:
        if held and (held == at_most or used + length > most + SLACK_MIN):
            days, used, held = days + 1, 0.0, 0
        used, held = used + length, held + 1
    return days


def _day(
    number: int,
    first_run: int,
    items: Sequence[_Item],
    lines: Timeline,
    plots: Sequence[int],
    at: float,
) -> Day:
    slots = []
    for kind, row in (piece for item in items for piece in item.pieces):
        end = at + float(lines.total_min[row])
        run = first_run + row if kind == "run" else None
        slots.append(Slot(kind, run, row, plots[row], number, at, end))
        at = end
    return Day(number, tuple(slots))


# --------------------------------------------------------------------------- what to mind in it


def centre_points(
    kinds: Sequence[str], day_of: Sequence[int], first_run: int = 1
) -> CentrePoints | None:
    """Return where the centre points stand among the runs, and whether they are spread."""
    rows = [i for i, kind in enumerate(kinds) if kind == "centre"]
    if not rows:
        return None
    n = len(kinds)
    gap = max(b - a - 1 for a, b in itertools.pairwise([-1, *rows, n]))
    days = tuple(sorted({day_of[i] for i in rows}))
    one_day = len(rows) > 1 and len(set(day_of)) > 1 and len(days) == 1
    spread = gap <= n / 2 and not one_day
    runs = tuple(first_run + i for i in rows)
    where = f"{'Centre points' if len(runs) > 1 else 'The centre point'}: {_listed('run', runs)}"
    if one_day:
        said = f"{where}, all on day {days[0]}: they say nothing of how days differ."
    elif not spread:
        said = (
            f"{where}; {gap} of {n} runs follow each other without one, so drift there stays "
            "unseen."
        )
    else:
        said = f"{where}, spread: at most {gap} of {n} runs follow each other without one."
    return CentrePoints(runs, days, gap, spread, said)


def carry_over(rig: Rig, conditions: Conditions) -> FloatArray | None:
    """Return the share of a run's last liquid that its flush leaves in the vessel (n,).

    e^(−N) for N free volumes of flush, if they mix (trade's rule: 3 leave 5 %, 5 leave 0.7 %).
    What clings to walls or solids is not counted. None in batch, where the vessel is emptied;
    not a number where the vessel's void fraction is not told.
    """
    if conditions.mode != "flow" or conditions.flow_mL_min is None:
        return None
    flow = _column(conditions.flow_mL_min, len(np.atleast_1d(conditions.temperature_C)))
    free = rig.vessel.volume * (rig.vessel.void_fraction or math.nan)
    return np.asarray(np.exp(-flow * (rig.flush_time or 0.0) / free))


def _block_notices(planned: Schedule, plots: Sequence[int], most: float) -> Iterator[Notice]:
    before = [slot.kind for slot in planned.days[0].slots if slot.kind != "run"]
    fewest = len(_in_days(_items(planned.timeline, plots, (), before, most), most))
    if fewest < len(planned.days):
        yield Notice(
            "block-days",
            f"Each block begins on a new day: that takes {_counted(len(planned.days), 'day')}, "
            f"where the runs alone would take {fewest}.",
        )


def _notices(
    rig: Rig,
    conditions: Conditions,
    planned: Schedule,
    plots: Sequence[int],
    blocks: Sequence[int],
    lots: Sequence[str],
    before: Sequence[SlotKind],
) -> Iterator[Notice]:
    yield from _length_notices(planned, plots)
    if blocks:
        yield from _block_notices(planned, plots, planned.minutes_per_day)
    if planned.centres is not None and not planned.centres.spread:
        yield Notice("centres-not-spread", planned.centres.sentence)
    for what, labels in (("day", planned.day_of), ("feedstock lot", lots)):
        if labels and not _told_apart(planned.timeline.temperature_C, labels):
            yield Notice(
                f"temperature-is-{what.split()[-1]}",
                f"Each {what} has one temperature of its own, so what differs between {what}s "
                "cannot be told from temperature. Give each temperature a second "
                f"{what}, in another whole plot.",
            )
    if blocks and lots and not _balanced(blocks, lots):
        yield Notice(
            "lots-unbalanced",
            "The feedstock lots are not shared evenly over the blocks. Give each block one lot, "
            "or every block as many runs of each.",
        )
    yield from _carry_over_notices(rig, conditions, before)


def _length_notices(planned: Schedule, plots: Sequence[int]) -> Iterator[Notice]:
    most = planned.minutes_per_day
    long = [
        slot.run
        for slot in planned.slots
        if slot.run is not None and slot.end_min - slot.start_min > most + SLACK_MIN
    ]
    if long:
        yield Notice(
            "run-longer-than-day",
            f"{_listed('run', long).capitalize()}: longer than a day of {clock(most)}, from "
            "loading to unloading. Lengthen the day or shorten the run.",
        )
    for plot in dict.fromkeys(plots):
        days = sorted({d for d, p in zip(planned.day_of, plots, strict=True) if p == plot})
        if len(days) > 1:
            yield Notice(
                "plot-over-days",
                f"Whole plot {plot} does not fit into one day of {clock(most)} and goes over "
                f"{_listed('day', days)}: what differs between those days counts as scatter "
                "within the plot. Make plots smaller or days longer.",
            )


def _told_apart(T: FloatArray, labels: Sequence[object]) -> bool:
    """Whether temperature and a grouping can be told apart.

    They cannot if every group holds one temperature, some group more than one run, and every
    temperature stands in one group alone.
    """
    pairs = {(label, round(t / SAME_K)) for label, t in zip(labels, T.tolist(), strict=True)}
    groups, temperatures = len({pair[0] for pair in pairs}), len({pair[1] for pair in pairs})
    return len(pairs) > groups or len(pairs) > temperatures or groups in (1, len(T))


def _balanced(blocks: Sequence[int], lots: Sequence[str]) -> bool:
    """Whether each block has one lot, or each lot as many runs (to one) in every block."""
    pairs = list(zip(blocks, lots, strict=True))
    if len(set(pairs)) == len(set(blocks)):
        return True
    counts = [[pairs.count((block, lot)) for block in set(blocks)] for lot in set(lots)]
    return all(max(row) - min(row) <= 1 for row in counts)


def _carry_over_notices(
    rig: Rig, conditions: Conditions, before: Sequence[SlotKind]
) -> Iterator[Notice]:
    left = carry_over(rig, conditions)
    if left is None:
        return
    cure = "Flush for longer" + (
        "; what is run before the first run helps that run alone."
        if before
        else ', or plan a blank and a sacrificial first run (first_runs = ["blank", '
        '"sacrificial"] under [order]).'
    )
    if np.isnan(left).any():
        yield Notice(
            "carry-over-unknown",
            "How much of a run is carried over into the next is not known: void_fraction of the "
            f"vessel is missing. {cure}",
        )
    elif left.max() > CARRIED_OVER_MOST:
        yield Notice(
            "carry-over",
            f"The flush leaves up to {100 * left.max():.0f} % of a run's last liquid in the "
            f"vessel, if it mixes; common practice is at most {100 * CARRIED_OVER_MOST:.0f} % "
            f"(three free volumes). {cure}",
        )


# ------------------------------------------------------------------------- what the order costs


def _thermal_cost(
    rig: Rig,
    known: Mapping[str, FloatArray],
    lines: Timeline,
    plots: Sequence[int],
    days_planned: tuple[Sequence[int], int],
    first_run: int,
    days_in_order: Callable[[Sequence[int]], tuple[list[int], int]],
) -> ThermalCost:
    T = lines.temperature_C

    def cost(order: Sequence[int], days: tuple[Sequence[int], int]) -> OrderCost:
        hot = _kept_hot(rig, known, T, order, days[0]) if "heater_W" in known else (None, None)
        steps = float(np.abs(np.diff(T[list(order)])).sum())
        return OrderCost(tuple(first_run + i for i in order), days[1], steps, *hot)

    planned = cost(range(len(T)), days_planned)
    ways = [np.argsort(sign * T, kind="stable").tolist() for sign in (1, -1)]
    cheapest = min(
        (cost(order, days_in_order(order)) for order in ways),
        key=lambda one: (one.steps_K, one.kept_hot_hours or 0.0, one.days),
    )
    hours = float((known["heat_up_min"] + known["cool_down_min"]).sum()) / 60
    energy = sum(_ramp_kWh(rig, known, T, i, float(lines.start_C[i])) for i in range(len(T)))
    in_plots = len(set(plots)) < len(plots)
    told = _thermal_sentence(rig, hours, energy, planned, cheapest, in_plots)
    return ThermalCost(hours, energy, planned, cheapest, told)


def _days_in_order(
    order: Sequence[int],
    lines: Timeline,
    plots: Sequence[int],
    before: Sequence[SlotKind],
    most: float,
    begun_min: float,
    plots_per_day: int | None,
) -> tuple[list[int], int]:
    """Return the day (counted from 0) of each run of an order without blocks, and all days.

    A whole plot stays within a day, and what goes before the first run counts, as in the plan.
    """
    reordered = replace(lines, total_min=lines.total_min[list(order)])
    items = _items(reordered, [plots[i] for i in order], (), before, most)
    parted = [part for part in _in_days(items, most, begun_min, plots_per_day) if part]
    day_of = [
        day
        for day, part in enumerate(parted)
        for item in part
        for kind, _ in item.pieces
        if kind == "run"
    ]
    return day_of, len(parted)


def _kept_hot(
    rig: Rig,
    known: Mapping[str, FloatArray],
    T: FloatArray,
    order: Sequence[int],
    days: Sequence[int],
) -> tuple[float, float]:
    """Return hours and kWh of heating and cooling if the rig stayed hot between a day's runs."""
    minutes = energy = 0.0
    for _, part in itertools.groupby(zip(days, order, strict=True), key=lambda pair: pair[0]):
        at = rig.start_temperature
        for _, i in part:
            rise = max(float(T[i]) - at, 0.0)
            minutes += rise * _minutes_per_K(rig, known, T, i)
            minutes += max(at - float(T[i]), 0.0) / rig.cool_down_rate
            energy += _ramp_kWh(rig, known, T, i, at)
            at = float(T[i])
        minutes += max(at - rig.unload_temperature, 0.0) / rig.cool_down_rate
    return minutes / 60, energy


def _minutes_per_K(rig: Rig, known: Mapping[str, FloatArray], T: FloatArray, i: int) -> float:
    above = float(T[i]) - rig.start_temperature
    return float(known["heat_up_min"][i]) / above if above > 0 else 0.0


def _ramp_kWh(rig: Rig, known: Mapping[str, FloatArray], T: FloatArray, i: int, at: float) -> float:
    """Return what the heater draws on the way from a temperature up to a run's [kWh].

    Water in flow asks for the duty of the mean height of the way, as `rig.derived` counts it;
    in batch the filling is left out, because every order heats it from cold.
    """
    start, top = rig.start_temperature, float(T[i])
    rise = max(top - at, 0.0)
    if not rise or top <= start:
        return 0.0
    metal = (rig.vessel.heat_capacity or 0.0) * rise / rig.heater.efficiency  # kJ
    water = 0.0
    if "heater_W" in known:
        share = ((at - start) + (top - start)) / (2 * (top - start))
        minutes = rise * _minutes_per_K(rig, known, T, i)
        water = float(known["heater_W"][i]) / 1000 * share * minutes * 60  # kJ
    return (metal + water) / 3600


def _thermal_sentence(
    rig: Rig,
    hours: float,
    energy: float,
    planned: OrderCost,
    cheapest: OrderCost,
    in_plots: bool,
) -> str:
    moved = (
        f"From run to run the set temperature moves by {planned.steps_K:.0f} K in all; sorted by "
        f"temperature it would move by {cheapest.steps_K:.0f} K. Each run is heated from "
        f"{rig.start_temperature:g} °C and cooled to {rig.unload_temperature:g} °C, so the order "
        f"changes no hours and no energy: heating and cooling take {hours:.1f} h, and "
        f"{'heating the metal' if planned.kept_hot_hours is None else 'heating up'} "
        f"{energy:.1f} kWh."
    )
    if cheapest.days != planned.days:
        fit = "fit into" if cheapest.days < planned.days else "take"
        kept = ", each whole plot kept within a day" if in_plots else ""
        moved += f" Sorted, the runs would {fit} {_counted(cheapest.days, 'day')}{kept}."
    if planned.kept_hot_hours is None or cheapest.kept_hot_hours is None:
        return moved
    return (
        f"{moved} Were the rig kept hot between the runs of a day, they would take "
        f"{planned.kept_hot_hours:.1f} h in this order and {cheapest.kept_hot_hours:.1f} h "
        "sorted. A sorted order mixes drift with temperature; keep the random one unless the "
        "hours are truly lacking."
    )


# ------------------------------------------------------------------------- what must stand ready


@dataclass(frozen=True, slots=True)
class Totals:
    """What the days of a schedule need, blank and sacrificial runs included.

    Attributes
    ----------
    water_mL
        Cold water drawn, ramps and flush included.
    feed_bottles
        Fillings of the feed bottle; a run starts only with its water and the bottle's reserve
        above the heel. None without a bottle.
    feedstock_g, feedstock_with_reserve_g
        Material, and what to have so that `reserve` of it is left over; None where the bed's
        mass is not known.
    energy_kWh
        What the heater draws; pumping and losses are left out.
    drains, emptied
        Drains of the collection vessel while runs go on, and all emptyings with the one after
        each run; None without a vessel, and in batch.
    samples
        Samples to draw, each with a bottle of its own.
    """

    runs: int
    days: int
    hours: float
    water_mL: float
    feed_bottles: int | None
    feedstock_g: float | None
    feedstock_with_reserve_g: float | None
    reserve: float
    energy_kWh: float
    drains: int | None
    emptied: int | None
    samples: int = 0

    def rows(self) -> tuple[tuple[str, str, str], ...]:
        """Return what, how much and unit of each total that is known, as text."""
        rows = [
            ("runs", f"{self.runs}", ""),
            ("days", f"{self.days}", ""),
            ("hours at the rig", f"{self.hours:.1f}", "h"),
            ("water drawn", f"{self.water_mL / 1000:.2f}", "L"),
        ]
        if self.feed_bottles is not None:
            rows.append(("fillings of the feed bottle", f"{self.feed_bottles}", ""))
        if self.feedstock_g is not None and self.feedstock_with_reserve_g is not None:
            rows.append(("feedstock in the runs", f"{self.feedstock_g:.1f}", "g"))
            kept = f"feedstock with {100 * self.reserve:.0f} % kept in reserve"
            rows.append((kept, f"{self.feedstock_with_reserve_g:.1f}", "g"))
        rows.append(("energy of the heater", f"{self.energy_kWh:.1f}", "kWh"))
        if self.drains is not None:
            rows.append(("drains during runs", f"{self.drains}", ""))
            rows.append(("collection vessel emptied", f"{self.emptied}", "times"))
        if self.samples:
            rows.append(("samples, a bottle each", f"{self.samples}", ""))
        return tuple(rows)


def totals(
    rig: Rig,
    conditions: Conditions,
    planned: Schedule,
    *,
    reserve: float,
    samples: Sequence[int] = (),
) -> Totals:
    """Return what a schedule needs before anyone starts.

    Parameters
    ----------
    reserve
        Share of the feedstock that is to be left over for repeats and confirmation.
    samples
        How many samples each run is drawn (n,), if any; none of blank and sacrificial runs.

    Raises
    ------
    ValueError
        The reserve is all of it, or the schedule is of other runs.
    """
    known = derived(rig, conditions)
    if not 0 <= reserve < 1 or len(planned.timeline) != len(known["run_minutes"]):
        raise ValueError("the reserve is a share below 1, and the schedule that of these runs")
    rows = np.array([slot.row for slot in planned.slots])
    used = float(known["water_mL"][rows].sum())
    feedstock = _feedstock_g(conditions, planned, len(known["run_minutes"]))
    drains = int(known["drains"][rows].sum()) if "drains" in known else None
    return Totals(
        runs=len(rows),
        days=len(planned.days),
        hours=planned.hours,
        water_mL=used,
        feed_bottles=_bottles(rig, known["water_mL"][rows]),
        feedstock_g=feedstock,
        feedstock_with_reserve_g=None if feedstock is None else feedstock / (1 - reserve),
        reserve=reserve,
        energy_kWh=float(known["energy_kWh"][rows].sum()),
        drains=drains,
        emptied=None if drains is None else drains + len(rows),
        samples=sum(samples),
    )


def _feedstock_g(conditions: Conditions, planned: Schedule, n: int) -> float | None:
    if conditions.bed_mass_g is None:
        return None
    mass = _column(conditions.bed_mass_g, n)
    return float(sum(mass[slot.row] for slot in planned.slots if slot.kind != "blank"))


def _bottles(rig: Rig, water_mL: FloatArray) -> int | None:
    """Return how often the feed bottle is filled; what is left is used for the next run."""
    bottle = rig.feed_bottle
    if bottle is None:
        return None
    usable, left, fillings = bottle.volume - bottle.heel, 0.0, 0
    for used in water_mL.tolist():
        if left < used * (1 + bottle.reserve) - 1e-9:
            fillings, left = fillings + 1, usable
        while left < used:  # more than a bottle holds: such a run fails the rig's own check
            fillings, left = fillings + 1, left + usable
        left -= used
    return fillings


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _listed(noun: str, numbers: Sequence[int]) -> str:
    """Return numbers as text.

    >>> _listed("run", [3]), _listed("day", [3, 4, 8])
    ('run 3', 'days 3, 4 and 8')
    """
    *first, last = map(str, numbers)
    return f"{noun}s {', '.join(first)} and {last}" if first else f"{noun} {last}"
