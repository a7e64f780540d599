"""Where a campaign stands: what its ledger still waits for, and what in it should be looked at.

Shapes: n runs, k factors.
"""

from __future__ import annotations

import hashlib
import itertools
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from doe import rig as rig_room
from doe.campaign import Campaign, shaping_parts
from doe.errors import Notice, StateError
from doe.factors import CategoricalFactor, FactorSpace, FloatArray, NumericFactor, sample_box
from doe.ledger import (
    Ledger,
    LedgerRow,
    prepares,
    read_ledger,
    row_cells,
    setting_text,
    started,
)
from doe.log_record import LogRecord, read_log_records
from doe.samples import drain_label_of, label_of
from doe.stage import StageRecord, read_stage
from doe.wording import capital, lowered

if TYPE_CHECKING:
    from doe.responses import Response
    from doe.sheet.portions import Bottle

__all__ = [
    "LEDGER_FILE",
    "MADE_AGAIN",
    "STANDS_IN",
    "Barred",
    "BegunDay",
    "Left",
    "LostRun",
    "NextStep",
    "achieved_settings",
    "alike",
    "assumed_settings",
    "barred",
    "begun_day",
    "beyond",
    "beyond_as_achieved",
    "beyond_by_logs",
    "boiled",
    "bottled_oddly",
    "counted",
    "doubtful",
    "has_results",
    "in_another_unit",
    "inputs_read",
    "ledger_or_empty",
    "left_to_plan",
    "limits_passed",
    "looked_over",
    "lost_runs",
    "made_of_this",
    "missing",
    "next_day",
    "next_step",
    "open_runs",
    "over_budget",
    "planned_hash",
    "planned_ledger",
    "recorded_oddly",
    "repeats_due",
    "runs_in_words",
    "setting_words",
    "waiting_words",
]

LEDGER_FILE = "runs.csv"
MADE_AGAIN, STANDS_IN = "again", "repair"
"""Kinds of run that make up for lost ones: at the same settings, and at others."""
FIRST_TOLD = 3
"""Runs, or groups of like ones, that a sentence names with their settings."""
TRIED = 512
"""Settings by which it is seen whether the rig can run anything at all."""
PUT_RIGHT_BY = {"plan": "Plan anew", "check": "The rig can run next to nothing now; see why"}
SLIP = 0.5
"""Share of a range by which an achieved setting may miss the planned one before it is asked
about."""
OTHER_UNITS: tuple[tuple[str, Callable[[float], float], float], ...] = (
    ("kelvin", lambda kelvin: kelvin - 273.15, 25.0),
    ("°F", lambda fahrenheit: (fahrenheit - 32.0) / 1.8, 10.0),
)
"""Units in which a temperature may have been written in place of °C, each with how it becomes °C
and how far from the plan [K] it may lie then to be asked about (our rule)."""
ALL_PCT = 105.0
"""What an assay may err above the whole before it is asked about (common practice)."""
WATER_SLIP = 0.2
"""Share by which water weighed may differ from water expected before it is asked about."""
WATER_CLOSES = 0.05
"""Share of the water that may be in no bottle and all of it still be taken as there."""
FAR = 3.0
"""How many times more or less than planned a sample may be before it is asked about."""
DECLARED_SLACK = 1e-4
"""What figures of a record may exceed a declared value by, K or bar: they keep six digits."""
PRESSURES = ("pressure", "pressure_above_saturation")
ASK_BEFORE_HEAT = "Ask the competent person for this rig before the next hot run."
OVERSHOT = "the temperature peaked above its set value by up to"
STRAYED = "the pressure strayed during the extraction from its set value by up to"
ANOTHER_RUN = (
    "Ask first whether the log is of that run: for half of the extraction or more it lies beyond "
    "what is declared, as where a log of another run was taken, or another value was set. If it is "
    "another run's, record the right one with --replace; if it is of that run, "
)
BOILS = 3  # `Envelope.boiling`: below saturation at the values themselves


def ledger_or_empty(campaign: Campaign) -> Ledger:
    """Return the ledger of a campaign; one without runs where there is none."""
    path = campaign.folder / LEDGER_FILE
    return read_ledger(path, campaign.schema) if path.exists() else Ledger(campaign.schema, ())


def planned_ledger(campaign: Campaign) -> Ledger:
    """Return the ledger with at least one run.

    Raises
    ------
    StateError
        There is no plan yet.
    """
    ledger = ledger_or_empty(campaign)
    if not ledger.rows:
        raise StateError.of(
            "no-plan",
            f"{campaign.name} has no plan yet.",
            f"Make one: doe plan {campaign.name}",
            file=str(campaign.folder / LEDGER_FILE),
        )
    return ledger


def has_results(ledger: Ledger) -> bool:
    """Tell whether any response of any run of the design is recorded."""
    rows = (row for row in ledger.rows if not prepares(row))
    return any(value is not None for row in rows for value in row.responses)


def counted(campaign: Campaign, rows: Sequence[LedgerRow]) -> int:
    """Return how many runs count against what the budget buys.

    What is run before the first run is taken off it once; more of it, in later stages, counts.
    """
    early = sum(map(prepares, rows))
    return len(rows) - early + max(0, early - len(campaign.order.first_runs))


@dataclass(frozen=True, slots=True)
class Left:
    """How many runs the budget still carries, below 0 where it is passed; which part decides.

    `sentence` says it in words, in `plan` as in `status`: the days really taken where they decide.
    """

    runs: int
    binds: str
    sentence: str


def left_to_plan(campaign: Campaign, rows: Sequence[LedgerRow]) -> Left:
    """Return what the budget still carries beside runs that are planned or made.

    A day with a run on it is used up, but for the room on the last one while its runs wait.
    """
    count = counted(campaign, rows)
    parts = [
        (what, _left_by_days(campaign, rows) if what == "days" and rows else most - count)
        for what, most, _ in campaign.affordable().parts
    ]
    binds, left = min(parts, key=lambda part: part[1])
    return Left(left, binds, _left_words(campaign, rows, left, binds))


def _left_words(campaign: Campaign, rows: Sequence[LedgerRow], left: int, binds: str) -> str:
    """Return in one sentence what the budget has, what is taken of it, and what is left."""
    affordable, last = campaign.affordable(), next_day(rows) - 1
    if not rows:
        return f"The budget buys {_runs_counted(affordable.runs)}."
    told = f"{_runs_counted(-left)} over it" if left < 0 else f"{left or 'none'} left to plan"
    made = sum(not prepares(row) for row in rows)
    early = counted(campaign, rows) - made
    if early:
        many = "" if early == 1 else "s"
        told += f"; {early} blank or sacrificial run{many} of later stages counted"
    if binds != "days" or not last:
        return (
            f"The budget buys {_runs_counted(made + early + left)} (what decides: {binds}), "
            f"{made} {'is' if made == 1 else 'are'} planned or made: {told}."
        )
    taken, be = ("Day 1", "is") if last == 1 else (f"Days 1 to {last}", "are")
    a_day = f" ({campaign.runs_per_day()[1]} a day, the longest)" if left > 0 else ""
    return (
        f"{taken} of {campaign.budget.days} in the budget {be} taken by {_runs_counted(made)}: "
        f"{told}{a_day}."
    )


def _left_by_days(campaign: Campaign, rows: Sequence[LedgerRow]) -> int:
    """Return how many of the longest runs fit into the days left; those beyond, negative."""
    days, (longest, a_day) = campaign.budget.days or 0, campaign.runs_per_day()
    last = next_day(rows) - 1
    if last > days:
        return -sum((row.day or 0) > days and not prepares(row) for row in rows)
    begun = begun_day(campaign, rows)
    changes = campaign.budget.hard_changes_per_day
    if begun is None or (changes is not None and begun.plots >= changes):
        return (days - last) * a_day
    most = campaign.budget.hours_per_day or 0.0
    return (days - last) * a_day + int((most - begun.minutes) / longest + 1e-9)


@dataclass(frozen=True, slots=True)
class BegunDay:
    """The last planned day while runs on it wait: its minutes taken, plots, and last settings."""

    day: int
    minutes: float
    plots: int
    settings: tuple[float, ...]


def begun_day(campaign: Campaign, rows: Sequence[LedgerRow]) -> BegunDay | None:
    """Return the last planned day, which runs may be added to; None where it is over.

    A day of which all runs are recorded is taken as over: what is added is made on a later one.
    """
    last = next_day(rows) - 1
    on_it = [row for row in rows if row.day == last]
    if not on_it or all(row.status != "planned" for row in on_it):
        return None
    conditions = campaign.conditions(np.array([row.settings for row in on_it]))
    minutes = float(np.sum(rig_room.derived(campaign.rig, conditions)["run_minutes"]))
    plots = len({(row.stage, row.plot) for row in on_it})
    return BegunDay(last, minutes, plots, on_it[-1].settings)


def next_day(rows: Sequence[LedgerRow]) -> int:
    """Return the first day that no run is planned on yet."""
    return max((row.day or 0 for row in rows), default=0) + 1


def achieved_settings(rows: Sequence[LedgerRow]) -> FloatArray:
    """Return the settings (n, k) that runs had; planned ones where no others were recorded."""
    return np.array(
        [
            [p if got is None else got for p, got in zip(row.settings, row.achieved, strict=True)]
            for row in rows
        ],
        dtype=np.float64,
    )


def planned_hash(rows: Iterable[LedgerRow], ledger: Ledger) -> str:
    """Return a hash of the planned settings of some runs, as the ledger writes them."""
    columns = ledger.schema.space.columns
    cells = [row_cells(ledger.schema, row) for row in rows]
    text = ";".join(",".join([c["run"], *(c[column] for column in columns)]) for c in cells)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def inputs_read(campaign: Campaign) -> Iterator[tuple[str, str]]:
    """Yield what was read beside the campaign file, with its hash: ledger, bottles, logs."""
    for name in (LEDGER_FILE, "portions.csv"):
        path = campaign.folder / name
        if path.exists():
            yield name, f"sha256 {hashlib.sha256(path.read_bytes()).hexdigest()[:16]}"
    for path in sorted((campaign.folder / "logs").glob("run-*.toml"), key=lambda p: p.stem):
        yield f"logs/{path.name}", f"sha256 {hashlib.sha256(path.read_bytes()).hexdigest()[:16]}"


def made_of_this(campaign: Campaign, page: Path) -> bool:
    """Tell whether a page that read results was made of the files as they are now."""
    if not page.is_file():
        return False
    text = page.read_text(encoding="utf-8")
    read = (("campaign.toml", f"sha256 {campaign.file_hash[:16]}"), *inputs_read(campaign))
    return all(f"<dt>{name}</dt><dd>{what}</dd>" in text for name, what in read)


def missing(campaign: Campaign, ledger: Ledger) -> tuple[str, ...]:
    """Return sentences on what the campaign still waits for, repeats that a log asked for too."""
    by_reason: dict[str, list[int]] = {}
    for lost in lost_runs(campaign, ledger):
        if lost.repeat:
            by_reason.setdefault(lost.asked_by, []).append(lost.run)
    sentences = [
        f"{runs_in_words(runs)} to be repeated ({reason})." for reason, runs in by_reason.items()
    ]
    waiting = waiting_words(campaign, ledger)
    sentences += [waiting] if waiting else []
    for j, response in enumerate(ledger.schema.responses):
        blank = [r.run for r in done_runs(ledger.rows) if r.responses[j] is None]
        if blank:
            sentences.append(f"{response.words} is missing for {runs_in_words(blank).lower()}.")
    sentences += [
        f"Every value of {response.words} is {value:g}, so nothing can be fitted: check {column}."
        for response, column, value in alike(ledger)
    ]
    return (*sentences, *_unweighed(ledger))


def alike(ledger: Ledger) -> tuple[tuple[Response, str, float], ...]:
    """Return the responses of which all recorded values are one, each with its column and value."""
    found = []
    schema = ledger.schema
    for j, (response, column) in enumerate(
        zip(schema.responses, schema.response_columns, strict=True)
    ):
        values = [
            row.responses[j] for row in done_runs(ledger.rows) if row.responses[j] is not None
        ]
        first = values[0] if values else None
        if isinstance(first, float) and len(values) > 1 and all(v == first for v in values):
            found.append((response, column, first))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class LostRun:
    """A run whose results are missing, and nothing is planned in its place yet.

    `repeat` says that its log, or the person's reason, asks for it again at its settings (k,);
    `asked_by` names the rule, or the reason; `lot` is that of its feedstock, empty without lots.
    """

    run: int
    settings: tuple[float, ...]
    why: str
    repeat: bool
    asked_by: str
    lot: str = ""


def lost_runs(campaign: Campaign, ledger: Ledger) -> tuple[LostRun, ...]:
    """Return the runs left out, boiled or to be repeated by their log, not made up for yet.

    One whose temperature may stand in another unit counts as boiled only once that is settled.
    Each later run at the same settings makes up for one, and so does each of the kind `repair`
    where no repeat was asked for. A person asks for one by a reason that begins with ``repeat``.
    """
    records = read_log_records(campaign.folder)
    found: list[tuple[int, LostRun]] = []
    again: set[int] = set()
    vapour = lost_to_vapour(campaign, ledger.rows)
    for row in ledger.rows:
        record = records.get(row.run)
        by_log = record is not None and record.decision == "repeat"
        if prepares(row) or not (row.status == "left out" or by_log or row.run in vapour):
            continue
        later = (r for r in ledger.rows if r.stage > row.stage and r.run not in again)
        same = next((r.run for r in later if r.settings == row.settings), None)
        if same is not None:
            again.add(same)
            continue
        why = row.left_out_because or (record.because if record is not None else "")
        if row.run in vapour and not by_log:
            why = "it boiled as achieved"
        asked_by = f"rule {record.rule}" if by_log and record is not None else why
        repeat = by_log or why.casefold().startswith("repeat")
        found.append((row.stage, LostRun(row.run, row.settings, why, repeat, asked_by, row.lot)))
    for spare in ledger.rows:
        if spare.kind == STANDS_IN and spare.run not in again:
            made_up = (f for f in found if f[0] < spare.stage and not f[1].repeat)
            one = next(made_up, None)
            if one is not None:
                found.remove(one)
    return tuple(lost for _, lost in found)


def done_runs(rows: Sequence[LedgerRow]) -> list[LedgerRow]:
    """Return the runs of the design that are done."""
    return [row for row in rows if row.status == "done" and not prepares(row)]


def _unweighed(ledger: Ledger) -> list[str]:
    """Return the runs that are done without their feed, where responses follow from it."""
    columns = ledger.schema.weighed_columns
    done = done_runs(ledger.rows)
    if not ledger.schema.derives:
        return []
    place = columns.index("feed_g")
    blank = [row.run for row in done if not row.weighed or row.weighed[place] is None]
    return [f"feed_g is missing for {runs_in_words(blank).lower()}."] if blank else []


def doubtful(campaign: Campaign) -> tuple[Notice, ...]:
    """Return a notice on runs that are kept, but by their logs want a fit without them too."""
    records = read_log_records(campaign.folder)
    runs = [run for run, record in records.items() if record.doubtful]
    if not runs:
        return ()
    rules = ", ".join(dict.fromkeys(records[run].rule for run in runs))
    what = (
        f"{runs_in_words(runs)} kept, but doubtful by the log ({rules}): see whether the fit is "
        "the same without."
    )
    return (Notice("doubtful-runs", what),)


def beyond_by_logs(campaign: Campaign) -> tuple[Notice, ...]:
    """Return the notices of `beyond` for all logs on record."""
    return beyond(campaign, tuple(read_log_records(campaign.folder).values()))


def beyond(campaign: Campaign, records: Sequence[LogRecord]) -> tuple[Notice, ...]:
    """Return loud notices where logs passed limits, or what the file declares of the controllers.

    What was declared is what `campaign.toml` says now: raised to what was seen, it is covered.
    """
    rig = campaign.rig
    limits = [r for r in records if r.limits_passed]
    notices = []
    if limits:
        told = ". ".join(
            f"Run {record.run} ({record.log}): {'. '.join(record.limits_passed)}"
            for record in limits
        )
        what = f"DANGER, limits were passed. {told}. {ASK_BEFORE_HEAT}"
        notices.append(Notice("log-limits-passed", what))
    for figure, said, key, unit, words in (
        ("overshoot_K", rig.temperature_overshoot, "temperature_overshoot", "K", OVERSHOT),
        ("pressure_strayed_bar", rig.pressure_swing, "pressure_swing", "bar", STRAYED),
    ):
        seen = {r.run: r.found.get(figure, 0.0) for r in records}
        runs = [run for run, value in seen.items() if value > said + DECLARED_SLACK]
        elsewhere = [r.run for r in records if r.run in runs and _held_off(r, figure) > said]
        for some in ([run for run in runs if run not in elsewhere], elsewhere):
            if not some:
                continue
            most = max(seen[run] for run in some)
            needed = math.ceil(10 * most - 1e-3) / 10
            ask, write = (ANOTHER_RUN, "write") if some is elsewhere else ("", "Write")
            what = (
                f"DANGER, {runs_in_words(some).lower()}: by the log {words} {most:.3g} {unit}. "
                f"{key} declares {said:g} {unit}, and every margin to boiling and every limit of "
                f'the plan rests on it. {ask}{write} at least "{needed:g} {unit}" for it in '
                f"campaign.toml, run doe check {campaign.name}, and plan again what is no longer "
                f"allowed. {ASK_BEFORE_HEAT}"
            )
            notices.append(Notice("log-beyond-declared", what))
    return tuple(notices)


def limits_passed(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[Notice, ...]:
    """Return loud notices on limits that runs went beyond, by their logs and as achieved."""
    return (*beyond_as_achieved(campaign, rows), *beyond_by_logs(campaign))


def beyond_as_achieved(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[Notice, ...]:
    """Return a loud notice where runs as achieved went beyond limits of the rig.

    Judged as a log is, by what was seen, runs left out too; of runs with a log that one tells, and
    those that may stand in another unit are asked about. What was not written down counts as set.
    """
    known = [row for row in rows if any(value is not None for value in row.achieved)]
    elsewhere = {*read_log_records(campaign.folder), *_meant_in_C(campaign, known)[1]}
    seen = [row for row in known if row.run not in elsewhere]
    if not seen:
        return ()
    temperatures = campaign.conditions(achieved_settings(seen)).temperature_C
    alike: dict[tuple[str, str], list[tuple[float, int]]] = {}
    for row, celsius, bara in zip(seen, temperatures, _pressures_held(campaign, seen), strict=True):
        pressure = None if bara is None else np.array([bara])
        passed = rig_room.beyond_limits(campaign.rig, np.array([celsius]), pressure)
        shown = {"temperature": float(celsius)}
        if pressure is not None:
            shown["pressure"] = float(campaign.rig.shown(pressure)[0])
        for of in dict.fromkeys(one.quantity for one in passed):
            limits = "; ".join(one.limit for one in passed if one.quantity == of)
            alike.setdefault((of, limits), []).append((shown[of], row.run))
    if not alike:
        return ()
    units = {"temperature": "°C", "pressure": campaign.rig.shown_unit}
    told = [
        f"{runs_in_words([run for _, run in runs])}: {'up to ' if len(runs) > 1 else ''}"
        f"{max(runs)[0]:.5g} {units[of]} as shown is beyond {limits}"
        for (of, limits), runs in alike.items()
    ]
    what = (
        f"DANGER, limits were passed by the achieved settings. {'. '.join(told)}. If that "
        f"is a slip, hand the cell in again, with --replace. If not: {lowered(ASK_BEFORE_HEAT)}"
    )
    return (Notice("achieved-limits-passed", what),)


def _pressures_held(campaign: Campaign, rows: Sequence[LedgerRow]) -> list[float | None]:
    """Return the pressure [bara] that each run held: as achieved, else as it was set.

    Where its height above boiling is set, the sheet orders a pressure for the planned temperature:
    a hotter run held that, unless another was written down. With a headspace pressure is a result
    of the temperature reached.
    """
    if not rows:
        return []
    as_set = campaign.conditions([row.settings for row in rows]).pressure_bara
    achieved = campaign.conditions(achieved_settings(rows)).pressure_bara
    if as_set is None or achieved is None:
        return [None] * len(rows)
    names = campaign.space.names
    told = [i for i, name in enumerate(names) if name in PRESSURES]
    by_result = campaign.batch_kind == "headspace"
    return [
        float(
            achieved[n]
            if by_result or any(row.achieved[i] is not None for i in told)
            else as_set[n]
        )
        for n, row in enumerate(rows)
    ]


def _held_off(record: LogRecord, figure: str) -> float:
    """Return how far off its set value a run was held, by the median of its extraction."""
    found = record.found
    if figure == "overshoot_K" and {"usual_C", "set_temperature_C"} <= found.keys():
        return found["usual_C"] - found["set_temperature_C"]
    return found.get("pressure_held_off_bar", 0.0) if figure == "pressure_strayed_bar" else 0.0


def open_runs(ledger: Ledger) -> tuple[int, ...]:
    """Return the runs that are planned and not recorded."""
    return tuple(row.run for row in ledger.rows if row.status == "planned")


@dataclass(frozen=True, slots=True)
class NextStep:
    """The next command to type, and why it is that one; no reason where none needs saying.

    Where `leads` holds, the reason comes before all else that a command or page says. `by_hand` is
    what is done before the command, or without any: then `command` is empty.
    """

    command: str
    because: str = ""
    leads: bool = False
    by_hand: str = ""

    @property
    def words(self) -> str:
        """What to do next, as a person reads it."""
        if not self.by_hand or not self.command:
            return self.by_hand or self.command
        return f"{self.by_hand}, then: {self.command}"


def next_step(campaign: Campaign, ledger: Ledger, otherwise: NextStep) -> NextStep:
    """Return what comes next, by the one rule that every command and page goes by.

    Runs that the file no longer allows come first: nothing planned with them is made before it is
    planned anew. Then runs to be repeated are planned, since that takes no time on the rig and they
    may be made with the others; then planned runs are made and recorded; `otherwise` follows where
    none of this waits.
    """
    if not ledger.rows:
        return NextStep(f"doe plan {campaign.name}")
    forbidden = barred(campaign, ledger)
    if forbidden is not None:
        by_hand, command = _planning_anew(campaign, ledger, forbidden.runs)
        told = waiting_words(campaign, ledger)
        return NextStep(command, told, leads=True, by_hand=by_hand)
    repeats = repeats_due(campaign, ledger)
    if repeats:
        return NextStep(f"doe augment {campaign.name} --by repair", repeats, leads=True)
    waiting = waiting_words(campaign, ledger)
    if waiting:
        told = f"{waiting} What stands here may change with them."
        return NextStep(f"doe record {campaign.name} FILE", told, leads=True)
    return otherwise


def repeats_due(campaign: Campaign, ledger: Ledger) -> str:
    """Return which runs are to be made again and how they are set; empty where none are."""
    again = [lost for lost in lost_runs(campaign, ledger) if lost.repeat]
    if not again:
        return ""
    few = len(again) == 1
    each = [
        f"{'' if few else f'run {lost.run} '}at {setting_words(campaign.space, lost.settings)}"
        for lost in again
    ]
    at = f" {each[0]}" if few else f" ({_first_few(each)})"
    return (
        f"{runs_in_words([lost.run for lost in again])} {'is' if few else 'are'} to be made "
        f"again{at}, as {'its' if few else 'their'} log or the reason for leaving "
        f"{'it' if few else 'them'} out asks: that comes before other runs."
    )


def waiting_words(campaign: Campaign, ledger: Ledger) -> str:
    """Return which runs wait to be made, and how the first of them are set; empty without any.

    Runs that were added and accepted are told as that.
    """
    waiting = [row for row in ledger.rows if row.status == "planned"]
    if not waiting:
        return ""
    made_by = {row.stage: read_stage(campaign.folder, row.stage) for row in waiting}
    added = all(record and record.made_by != "plan" for record in made_by.values())
    be = "is" if len(waiting) == 1 else "are"
    wait = "waits" if len(waiting) == 1 else "wait"
    what = f"{be} accepted and {wait}" if added else f"{be} planned and not recorded yet"
    told = f"{runs_in_words([row.run for row in waiting])} {what}."
    forbidden = barred(campaign, ledger)
    if forbidden is not None:
        return (
            f"{told} None is next on the rig before planning anew: {forbidden.named} "
            f"{forbidden.because}, and the sheet is void."
        )
    alike: dict[tuple[float, ...], list[LedgerRow]] = {}
    for row in waiting:
        alike.setdefault((*row.settings, row.day or 0), []).append(row)
    each = [
        f"{runs_in_words([row.run for row in rows]).lower()}, "
        f"{setting_words(campaign.space, rows[0].settings)} "
        f"({rows[0].kind}{'' if rows[0].day is None else f', day {rows[0].day}'})"
        for rows in alike.values()
    ]
    return f"{told} Next on the rig: {_first_few(each)}."


@dataclass(frozen=True, slots=True)
class Barred:
    """Planned runs that limits of `campaign.toml`, as it is now, forbid, or whose sheet is void.

    `because` says which in a few words, `danger` all of it, `remedy` what is done instead.
    """

    runs: tuple[int, ...]
    because: str
    danger: str
    remedy: str

    @property
    def words(self) -> str:
        """All of it."""
        return f"{self.danger} {self.remedy}"

    @property
    def named(self) -> str:
        """The runs inside a sentence: ``runs 1, 2``."""
        return runs_in_words(self.runs).lower()


def barred(campaign: Campaign, ledger: Ledger) -> Barred | None:
    """Return the waiting runs that the file as it is now forbids; None where it allows them all.

    Runs that cannot be held against the limits count as forbidden, and those planned with other
    fixed settings than the file has now: their sheet orders what was not held against the limits.
    """
    waiting = [row for row in ledger.rows if row.status == "planned"]
    if not waiting:
        return None
    by_limit = _limits_in_the_way(campaign, waiting)
    breaks = bool(by_limit)
    by_limit += _ordered_otherwise(campaign, waiting)
    runs = tuple(sorted({run for members, _ in by_limit for run in members}))
    if not runs:
        return None
    many, several = len(runs) > 1, any(set(members) != set(runs) for members, _ in by_limit)
    why = " ".join(
        f"{runs_in_words(members)}: {sentence}" if several else sentence
        for members, sentence in by_limit
    )
    by_hand, command = _planning_anew(campaign, ledger, runs)
    then = f"{capital(by_hand)}, then" if by_hand else PUT_RIGHT_BY[command.split()[1]]
    if breaks:
        because = f"{'break' if many else 'breaks'} a limit"
        told = f"{because} of campaign.toml as it is now"
    else:
        because = f"{'were' if many else 'was'} planned with other fixed settings"
        told = f"{because} than campaign.toml has now"
    danger = (
        f"DANGER, not to be run: {runs_in_words(runs).lower()} {told}. {why} The sheet with "
        f"{'them' if many else 'it'} is void, its stop limits too."
    )
    return Barred(runs, because, danger, f"{then}: {command}")


def _ordered_otherwise(
    campaign: Campaign, rows: Sequence[LedgerRow]
) -> list[tuple[tuple[int, ...], str]]:
    """Return by stage the waiting runs whose sheet orders other fixed settings than the file."""
    now = _fixed_in_words(campaign)
    found = []
    for stage in sorted({row.stage for row in rows}):
        record = read_stage(campaign.folder, stage)
        if record is None or record.fixed == now:
            continue
        what = (
            f"The sheet of stage {stage} orders {_listed(record.fixed)}; campaign.toml now says "
            f"{_listed(now)}, and only that is held against the limits."
        )
        found.append((tuple(row.run for row in rows if row.stage == stage), what))
    return found


def _fixed_in_words(campaign: Campaign) -> tuple[str, ...]:
    return tuple(f"{name} {value}" for name, value in campaign.fixed_settings())


def _limits_in_the_way(
    campaign: Campaign, rows: Sequence[LedgerRow]
) -> list[tuple[tuple[int, ...], str]]:
    """Return for each limit that planned runs break which do, and what it says of the worst."""
    try:
        envelope = campaign.envelope([row.settings for row in rows])
    except (ValueError, ArithmeticError):
        what = "The planned settings could not be held against the rig's limits."
        return [(tuple(row.run for row in rows), what)]
    found: dict[str, set[int]] = {}
    for j in range(len(envelope.limits)):
        failing = np.flatnonzero(envelope.margin[:, j] < 0)
        if len(failing):
            worst = int(failing[np.argmin(envelope.margin[failing, j])])
            runs = found.setdefault(envelope.sentence(worst, j), set())
            runs.update(rows[i].run for i in failing.tolist())
    return [(tuple(sorted(runs)), sentence) for sentence, runs in found.items()]


def _planning_anew(campaign: Campaign, ledger: Ledger, runs: Sequence[int]) -> tuple[str, str]:
    """Return what to do by hand, and the command, so that waiting runs get a new plan and sheet.

    Before the first run is started the whole plan is made anew. Later, `runs` are left out, others
    that wait too, to be repeated, and both are made up for. Where the rig can run next to nothing
    no plan can be made: what is in the way is found first.
    """
    if not campaign.feasible(sample_box(campaign.space, TRIED)).any():
        return "", f"doe check {campaign.name}"
    if not any(map(started, ledger.rows)):
        return "", f"doe plan {campaign.name}"
    others = sorted(set(open_runs(ledger)) - set(runs))
    why = [(runs, "limit"), (others, "repeat")]
    parts = [f"“{reason}” for {runs_in_words(which).lower()}" for which, reason in why if which]
    by_hand = f"in runs.csv set status “left out” and left_out_because {' and '.join(parts)}"
    return by_hand, f"doe augment {campaign.name} --by repair"


def _first_few(each: Sequence[str]) -> str:
    """Return the first of several, and how many more there are."""
    more = f"; and {len(each) - FIRST_TOLD} more" if len(each) > FIRST_TOLD else ""
    return f"{'; '.join(each[:FIRST_TOLD])}{more}"


def setting_words(space: FactorSpace, settings: Sequence[float] | FloatArray) -> str:
    """Return one setting (k,) as people say it: 160 °C, 5.5 mL/min, 40 min."""
    return ", ".join(
        setting_text(factor, float(value))
        if isinstance(factor, CategoricalFactor)
        else f"{float(f'{value:.6g}'):g} {factor.unit}".rstrip()
        for factor, value in zip(space, settings, strict=True)
    )


def over_budget(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[Notice, ...]:
    """Return a notice where there are more runs, or days, than the budget carries."""
    left = left_to_plan(campaign, rows)
    if left.runs >= 0:
        return ()
    last, days = next_day(rows) - 1, campaign.budget.days
    if left.binds == "days" and days is not None and last > days:
        what = f"With these the runs go on to day {last}, and the budget has {days} days."
    else:
        what = (
            f"With these there are {counted(campaign, rows)} runs; the budget carries "
            f"{campaign.affordable().runs} (what decides: {left.binds})."
        )
    return (Notice("over-budget", what),)


def assumed_settings(rows: Sequence[LedgerRow]) -> tuple[Notice, ...]:
    """Return a notice where runs count at their planned settings for want of others."""
    done = [row for row in rows if row.status == "done" and not prepares(row)]
    assumed = [row.run for row in done if any(value is None for value in row.achieved)]
    if not assumed:
        return ()
    which = "every run" if len(assumed) == len(done) else f"{len(assumed)} of {len(done)} runs"
    return (
        Notice(
            "achieved-not-recorded",
            f"For {which} some achieved settings were not recorded; the planned ones were taken.",
        ),
    )


# ------------------------------------------------------------------------- what was recorded


def recorded_oddly(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[Notice, ...]:
    """Return notices on values that look like slips, and on runs that broke a limit as achieved.

    Temperatures that look like another unit are asked about once; what else there is to say of
    these runs is said of the temperatures that were then meant.
    """
    unit, meant = _meant_in_C(campaign, rows)
    likely = [_at_temperature(campaign, row, meant.get(row.run)) for row in rows]
    return (
        *in_another_unit(campaign, rows),
        *_far_from_planned(campaign, likely),
        *_impossible_values(campaign, rows),
        *_odd_weighings(campaign, rows),
        *_water_far_off(campaign, likely),
        *beyond_as_achieved(campaign, rows),
        *_just_boiled(campaign, rows),
        *_limits_broken(campaign, likely, dict.fromkeys(meant, unit)),
    )


def in_another_unit(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[Notice, ...]:
    """Return the question whether achieved temperatures of runs were written in another unit.

    It says what becomes of these runs until they are corrected, and, for the case that the figures
    are right, that they passed limits.
    """
    unit, meant = _meant_in_C(campaign, rows)
    if not meant:
        return ()
    own = [row for row in rows if row.run in meant]
    place = campaign.space.names.index("temperature")
    got, few = own[0].achieved[place], len(own) == 1
    vapour = boiled(campaign, own)
    if len(vapour) == len(own):
        until = f"{'it is' if few else 'they are'} left out of every fit, as having boiled"
    elif vapour:
        until = (
            f"{runs_in_words(vapour).lower()} {'is' if len(vapour) == 1 else 'are'} left out of "
            "every fit, as having boiled, and the others count as they stand"
        )
    else:
        until = f"{'it counts' if few else 'they count'} as {'it stands' if few else 'they stand'}"
    what = (
        f"{runs_in_words(sorted(meant))}: achieved_temperature_C looks like {unit}, not °C "
        f"({'' if few else f'run {own[0].run}: '}{got:g} where {own[0].settings[place]:g} °C was "
        f"planned; from {unit} that is {meant[own[0].run]:.1f} °C). In which unit was it read? "
        "Unless it was °C, convert the column and hand it in again, with --replace; until then "
        f"{until}."
    )
    if _limits_broken(campaign, own):
        what += f" If it was °C, limits of the rig were passed. {ASK_BEFORE_HEAT}"
    return (Notice("temperature-in-another-unit", what),)


def _meant_in_C(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[str, Mapping[int, float]]:
    """Return the unit that explains most achieved temperatures far from the plan, and these in °C.

    Keyed by run; the unit is empty where none explains any.
    """
    if "temperature" not in campaign.space.names:
        return "", {}
    place = campaign.space.names.index("temperature")
    pairs = {row.run: (row.settings[place], row.achieved[place]) for row in rows}
    best: tuple[str, dict[int, float]] = ("", {})
    least = math.inf
    for unit, in_C, near in OTHER_UNITS:
        meant = {
            run: in_C(got)
            for run, (planned, got) in pairs.items()
            if got is not None and abs(in_C(got) - planned) <= near < abs(got - planned)
        }
        off = sum(abs(value - pairs[run][0]) for run, value in meant.items())
        if meant and (-len(meant), off) < (-len(best[1]), least):
            best, least = (unit, meant), off
    return best


def _at_temperature(campaign: Campaign, row: LedgerRow, temperature_C: float | None) -> LedgerRow:
    """Return a run with this achieved temperature; as it is where that is None."""
    if temperature_C is None:
        return row
    pairs = zip(campaign.space.names, row.achieved, strict=True)
    return replace(
        row, achieved=tuple(temperature_C if n == "temperature" else got for n, got in pairs)
    )


def _far_from_planned(campaign: Campaign, rows: Sequence[LedgerRow]) -> list[Notice]:
    found = []
    for row in rows:
        for factor, planned, got in zip(campaign.space, row.settings, row.achieved, strict=True):
            if got is None or not isinstance(factor, NumericFactor):
                continue
            if abs(got - planned) > SLIP * (factor.high - factor.low):
                what = (
                    f"Run {row.run}: {factor.name} {got:g} {factor.unit} was achieved where "
                    f"{planned:g} was planned. If that is a slip, hand the cell in again, with "
                    "--replace."
                )
                found.append(Notice("achieved-far-off", what))
    return found


def _impossible_values(campaign: Campaign, rows: Sequence[LedgerRow]) -> list[Notice]:
    found = []
    for row in rows:
        for response, value in zip(campaign.responses, row.responses, strict=True):
            if value is not None and response.never_negative and value < 0:
                what = f"Run {row.run}: {response.words} is {value:g} {response.unit}, below zero."
                found.append(Notice("below-zero", f"{what} Is that a slip?"))
            if value is not None and response.unit == "%" and value > ALL_PCT:
                what = f"Run {row.run}: {response.words} is {value:g} %, more than all of it."
                found.append(Notice("above-100", f"{what} Is that a slip?"))
    return found


def _odd_weighings(campaign: Campaign, rows: Sequence[LedgerRow]) -> list[Notice]:
    """Return notices on feed far from the planned mass, and on moistures that look like shares."""
    columns = campaign.schema.weighed_columns
    found = []
    weighed = [row for row in rows if row.weighed]
    planned_g: FloatArray | None = None
    if weighed:
        planned_g = campaign.conditions(np.array([row.settings for row in weighed])).bed_mass_g
    for i, row in enumerate(weighed):
        told = {c: v for c, v in zip(columns, row.weighed, strict=True) if isinstance(v, float)}
        feed = told.get("feed_g")
        planned = None if planned_g is None else float(np.broadcast_to(planned_g, len(weighed))[i])
        if feed is not None and planned and abs(feed / planned - 1) > SLIP and not prepares(row):
            what = (
                f"Run {row.run}: feed_g {feed:g} g where {planned:g} g was planned. Is it a slip?"
            )
            found.append(Notice("feed-far-off", what))
        if feed and row.kind == "blank":
            what = (
                f"Run {row.run} is a blank and takes no feedstock, but feed_g is {feed:g} g. Is it "
                "of another run? Then empty the cell in runs.csv. If feed was in, it is no blank: "
                "say so in the notes."
            )
            found.append(Notice("feed-in-blank", what))
        for column, value in told.items():
            if column.endswith("moisture_pct") and 0 < value < 1:
                what = (
                    f"Run {row.run}: {column} is {value:g} %. If the share was meant, write "
                    f"{100 * value:g}."
                )
                found.append(Notice("moisture-as-share", what))
    return found


def _water_far_off(campaign: Campaign, rows: Sequence[LedgerRow]) -> list[Notice]:
    """Return notices on water weighed that is far from what flow and minutes give."""
    weighed = [(row, value) for row in rows if (value := _weighed(campaign, row, "water_pumped_g"))]
    expected = _water_expected_g(campaign, [row for row, _ in weighed])
    found = []
    for (row, value), wanted in zip(weighed, expected, strict=True):
        off = value / wanted - 1 if wanted else 0.0
        if abs(off) > WATER_SLIP:
            what = (
                f"Run {row.run}: {value:g} g of water were weighed, and flow and minutes give "
                f"{wanted:.0f} g (ramps and flush included): {100 * abs(off):.0f} % "
                f"{'more' if off > 0 else 'less'}. Is it a slip, or did the pump deliver otherwise "
                "than it showed?"
            )
            found.append(Notice("water-far-off", what))
    return found


def _weighed(campaign: Campaign, row: LedgerRow, column: str) -> float | None:
    columns = campaign.schema.weighed_columns
    if column not in columns or not row.weighed:
        return None
    return row.weighed[columns.index(column)]


def _water_expected_g(campaign: Campaign, rows: Sequence[LedgerRow]) -> list[float | None]:
    """Return the water that runs take by their achieved settings [g], None where not known.

    A liquid-full vessel takes what its bed leaves free, which is seldom known well.
    """
    if not rows or campaign.batch_kind == "liquid-full":
        return [None] * len(rows)
    try:
        at = campaign.conditions(achieved_settings(rows))
        drawn = rig_room.water_drawn_g(campaign.rig, at)
    except (ValueError, ArithmeticError):
        return [None] * len(rows)
    return [None] * len(rows) if drawn is None else drawn.tolist()


def bottled_oddly(
    campaign: Campaign, rows: Sequence[LedgerRow], bottles: Sequence[Bottle], runs: set[int]
) -> tuple[Notice, ...]:
    """Return notices on bottles of some runs that look like slips: when, and how much."""
    found: list[Notice] = []
    own = [bottle for bottle in bottles if bottle.run in runs]
    untimed = [
        f"{b.label} of run {b.run}" for b in own if b.kind == "sample" and "time_min" not in b.cells
    ]
    if untimed:
        what = f"Without time_min, so on no extraction curve: {', '.join(untimed)}."
        found.append(Notice("sample-without-time", what))
    found += _thinned_the_wrong_way(own)
    for row in rows:
        of_run = [bottle for bottle in own if bottle.run == row.run]
        if of_run:
            samples = [bottle for bottle in of_run if bottle.kind == "sample"]
            found += _odd_times(campaign, row, samples)
            found += _odd_amounts(campaign, row, of_run)
            found += _odd_total(campaign, row, of_run)
            found += _portions_missing(campaign, row, of_run)
            found += _not_planned(campaign, row, of_run)
    return (*found, *_kinds_missing(campaign, rows, own))


def _thinned_the_wrong_way(bottles: Sequence[Bottle]) -> Iterator[Notice]:
    """Yield a notice on each dilution below 1: the share may be meant, or a concentrate."""
    for bottle in bottles:
        for column, value in bottle.cells.items():
            if column.endswith("_dilution") and 0 < value < 1:
                what = (
                    f"Run {bottle.run}, {bottle.label}: {column} is {value:g}; what was diluted "
                    f"has more than 1. If 1 part in {1 / value:.4g} was meant, write "
                    f"{1 / value:.4g}; {value:g} stands for a bottle that was concentrated."
                )
                yield Notice("dilution-below-1", what)


def _odd_times(campaign: Campaign, row: LedgerRow, samples: Sequence[Bottle]) -> Iterator[Notice]:
    """Yield notices on samples drawn outside their run, out of order, or far from the plan."""
    timed = [(b, b.cells["time_min"]) for b in samples if "time_min" in b.cells]
    lasting = campaign.conditions(achieved_settings([row])).time_min
    end = None if lasting is None else float(np.broadcast_to(lasting, (1,))[0])
    minutes = campaign.sample_minutes([row.settings])[0].tolist()
    planned = {label_of(place): minute for place, minute in enumerate(minutes)}
    for bottle, at in timed:
        who = f"Run {row.run}: sample {bottle.label} was drawn at {at:g} min"
        wanted = planned.get(bottle.label)
        if at < 0:
            what = f"{who}, before the extraction began. Is that a slip?"
            yield Notice("sample-before-start", what)
        elif end is not None and at > end:
            what = f"{who}, but the extraction took {end:g} min. Is that a slip?"
            yield Notice("sample-after-end", what)
        elif end is not None and wanted is not None and abs(at - wanted) > SLIP * end:
            what = f"{who}, where {wanted:g} min was planned. Is that a slip?"
            yield Notice("sample-time-far-off", what)
    by_label = {bottle.label: (bottle, at) for bottle, at in timed}
    in_order = [by_label[label] for label in planned if label in by_label]
    for (before, first), (after, second) in itertools.pairwise(in_order):
        if second <= first:
            what = (
                f"Run {row.run}: sample {after.label} was drawn at {second:g} min, not after "
                f"{before.label} at {first:g} min. Were times or bottles exchanged?"
            )
            yield Notice("sample-times-fall", what)


def _odd_amounts(campaign: Campaign, row: LedgerRow, bottles: Sequence[Bottle]) -> Iterator[Notice]:
    """Yield notices on samples far from the planned volume, and volumes that weigh oddly."""
    plan = campaign.samples
    for bottle in bottles:
        volume, mass = bottle.cells.get("volume_mL"), bottle.cells.get("mass_g")
        who = f"Run {row.run}: {bottle.kind} {bottle.label}"
        if volume and mass and not 0.5 <= mass / volume <= 2:
            what = (
                f"{who} has {volume:g} mL that weigh {mass:g} g, {mass / volume:.2g} g/mL. Is one "
                "of them a slip?"
            )
            yield Notice("density-odd", what)
        if bottle.kind != "sample" or plan is None:
            continue
        for value, unit, wanted in (
            (volume, "mL", plan.volume),
            (mass, "g", plan.volume),
            (bottle.cells.get("discard_mL"), "mL discarded", plan.discard),
        ):
            if value is not None and wanted > 0 and not 1 / FAR <= value / wanted <= FAR:
                what = f"{who} has {value:g} {unit} where {wanted:g} mL was planned. Is it a slip?"
                yield Notice("sample-amount-far-off", what)


def _portions_missing(
    campaign: Campaign, row: LedgerRow, bottles: Sequence[Bottle]
) -> Iterator[Notice]:
    """Yield a notice where only some of the portions that the sheet plans are recorded."""
    drains = rig_room.drain_minutes(campaign.rig, campaign.conditions([row.settings]))[0]
    planned = [drain_label_of(place) for place in range(len(drains) + 1)]
    there = {bottle.label for bottle in bottles if bottle.kind == "drain"}
    missing = [label for label in planned if label not in there]
    if campaign.schema.derives and missing and len(missing) < len(planned):
        what = (
            f"Run {row.run}: {', '.join(missing)} of the portions {planned[0]} to {planned[-1]} "
            f"{'are' if len(missing) > 1 else 'is'} not recorded: if there was extract in them, "
            "the yield is too low by that."
        )
        yield Notice("portions-missing", what)


def _not_planned(campaign: Campaign, row: LedgerRow, bottles: Sequence[Bottle]) -> Iterator[Notice]:
    """Yield a notice on bottles that the sheet does not plan beside those that it does.

    Drains under the person's own labels throughout are none beside the planned ones.
    """
    drains = rig_room.drain_minutes(campaign.rig, campaign.conditions([row.settings]))[0]
    draws = campaign.sample_minutes([row.settings])[0]
    planned = {
        "drain": [drain_label_of(place) for place in range(len(drains) + 1)],
        "sample": [label_of(place) for place in range(len(draws))],
    }
    for kind, labels in planned.items():
        there = [bottle.label for bottle in bottles if bottle.kind == kind]
        others = [label for label in there if label not in labels]
        if others and labels and (kind == "sample" or len(others) < len(there)):
            span = labels[0] if len(labels) == 1 else f"{labels[0]} to {labels[-1]}"
            what = (
                f"Run {row.run}: {kind} {', '.join(others)} is not among those that the sheet "
                f"plans, {span}. Is it one more, or one of these under another name? Then it "
                "counts twice."
            )
            yield Notice("bottle-not-planned", what)


def _kinds_missing(
    campaign: Campaign, rows: Sequence[LedgerRow], bottles: Sequence[Bottle]
) -> Iterator[Notice]:
    """Yield a notice on runs without a drained portion, and on those whose flush is nowhere."""
    no_drain, no_flush = [], []
    for row in rows:
        own = [bottle for bottle in bottles if bottle.run == row.run]
        dried = _weighed(campaign, row, "extract_dry_g") is not None
        if not own or dried or prepares(row) or not campaign.schema.derives:
            continue
        kinds = {bottle.kind for bottle in own}
        if "drain" not in kinds:
            no_drain.append(row.run)
        elif "flush" not in kinds and not _flush_is_in(campaign, row, own):
            no_flush.append(row.run)
    if no_drain:
        what = (
            f"{runs_in_words(no_drain)}: no drain is among the portions; the yield is too low by "
            "what was drained."
        )
        yield Notice("portion-missing", what)
    if no_flush:
        what = (
            f"{runs_in_words(no_flush)}: no flush is among the portions, nor does a drain at the "
            "end take it in. If it was thrown away, the yield is too low by what it held."
        )
        yield Notice("portion-missing", what)


def _flush_is_in(campaign: Campaign, row: LedgerRow, bottles: Sequence[Bottle]) -> bool:
    """Tell whether no flush is planned, a drain at the end takes it in, or the water is all there.

    Drained at the end is the last portion that the sheet plans, or what was timed so.
    """
    if not campaign.rig.flush_time:
        return True
    drains = [bottle for bottle in bottles if bottle.kind == "drain"]
    at = campaign.conditions(achieved_settings([row]))
    end = float(np.broadcast_to(at.time_min, (1,))[0])
    planned = rig_room.drain_minutes(campaign.rig, campaign.conditions([row.settings]))[0]
    last = drain_label_of(len(planned))
    if any(b.cells.get("time_min", end if b.label == last else -1.0) >= end for b in drains):
        return True
    went_in, _ = _went_in(campaign, row)
    return bool(went_in) and _liquid_g(bottles, discarded=True) > (1 - WATER_CLOSES) * went_in


def _liquid_g(bottles: Sequence[Bottle], discarded: bool = False) -> float:
    """Return what bottles hold [g], 1 mL taken as 1 g where it was not weighed."""
    return sum(
        (b.cells.get("mass_g") or b.cells.get("volume_mL", 0.0) * b.cells.get("density_g_mL", 1.0))
        + (b.cells.get("discard_mL", 0.0) if discarded else 0.0)
        for b in bottles
    )


def _went_in(campaign: Campaign, row: LedgerRow) -> tuple[float, str]:
    """Return the water that went in [g], 0 where not known, and how it is known."""
    weighed = _weighed(campaign, row, "water_pumped_g")
    by = "were weighed in" if weighed else "went in by flow and minutes"
    return weighed or _water_expected_g(campaign, [row])[0] or 0.0, by


def _odd_total(campaign: Campaign, row: LedgerRow, bottles: Sequence[Bottle]) -> Iterator[Notice]:
    """Yield a notice where much more liquid came out than water went in."""
    out, (went_in, by) = _liquid_g(bottles), _went_in(campaign, row)
    if went_in and out > (1 + WATER_SLIP) * went_in:
        what = (
            f"Run {row.run}: its bottles hold {out:.4g} g (1 mL taken as 1 g where not weighed), "
            f"and {went_in:.4g} g of water {by}. Does a bottle stand twice, or is a unit wrong?"
        )
        yield Notice("more-out-than-in", what)


def _limits_broken(
    campaign: Campaign, rows: Sequence[LedgerRow], units: Mapping[int, str] | None = None
) -> list[Notice]:
    """Return a notice for each run that broke limits as achieved, as if that had been planned.

    `units` holds, by run, the unit from which its temperature was converted, where it was.
    """
    known = [row for row in rows if any(value is not None for value in row.achieved)]
    if not known:
        return []
    try:
        envelope = campaign.envelope(achieved_settings(known))
    except (ValueError, ArithmeticError):
        what = "The achieved settings could not be held against the rig's limits."
        return [Notice("achieved-not-checked", what)]
    notices = []
    for i, row in enumerate(known):
        broken = [envelope.limits[int(j)].title for j in np.flatnonzero(envelope.margin[i] < 0)]
        if broken:
            what = (
                f"Run {row.run} as achieved{_if_in((units or {}).get(row.run))} breaks "
                f"{'a limit' if len(broken) == 1 else 'limits'} that plans keep, swings counted: "
                f"{'; '.join(broken)}."
            )
            notices.append(Notice("achieved-breaks-limit", what))
    return notices


def _if_in(unit: str | None) -> str:
    return f", if its temperature is in {unit}" if unit else ""


def boiled(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[int, ...]:
    """Return the runs whose achieved settings lie in the vapour: what came out is no extract.

    Where the height above boiling is set, a run hotter than planned held the pressure ordered for
    the planned temperature, unless another was written down.
    """
    known = [row for row in rows if any(value is not None for value in row.achieved)]
    if not known:
        return ()
    try:
        codes = campaign.envelope(achieved_settings(known)).boiling
    except (ValueError, ArithmeticError):
        return ()
    if codes is None:
        return ()
    found = {row.run for row, code in zip(known, codes, strict=True) if code == BOILS}
    temperatures = campaign.conditions(achieved_settings(known)).temperature_C
    boiling = rig_room.boiling_pressure_bara(campaign.rig, temperatures)
    held = _pressures_held(campaign, known)
    found |= {
        row.run
        for row, bara, least in zip(known, held, boiling, strict=True)
        if bara is not None and bara < least
    }
    return tuple(sorted(found))


def lost_to_vapour(campaign: Campaign, rows: Sequence[LedgerRow]) -> frozenset[int]:
    """Return the runs of the design that boiled, but for those that may stand in another unit."""
    done = done_runs(rows)
    vapour = boiled(campaign, done)
    return frozenset(vapour) - set(_meant_in_C(campaign, done)[1] if vapour else ())


def _just_boiled(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[Notice, ...]:
    """Return a notice on runs, just recorded, that boiled."""
    vapour = lost_to_vapour(campaign, rows)
    return (Notice("boiled", _boiled_words(vapour)),) if vapour else ()


def _boiled_words(vapour: Iterable[int]) -> str:
    runs = sorted(vapour)
    be = "is" if len(runs) == 1 else "are"
    return f"{runs_in_words(runs)} boiled as achieved and {be} left out of the fits."


def boiled_runs(campaign: Campaign, ledger: Ledger) -> tuple[Notice, ...]:
    """Return a notice on the runs that boiled: what becomes of them, and what makes up for them."""
    vapour = boiled(campaign, done_runs(ledger.rows))
    if not vapour:
        return ()
    what = _boiled_words(vapour)
    open_ones = {lost.run for lost in lost_runs(campaign, ledger)}
    missed = [run for run in vapour if run in open_ones]
    if missed:
        place = f"{runs_in_words(missed).lower()}" if len(missed) < len(vapour) else "them"
        place = "it" if len(vapour) == 1 else place
        what += (
            f" If the achieved settings are right, see what making up for {place} would buy: "
            f"doe augment {campaign.name} --by repair"
        )
    return (Notice("boiled", what),)


# ------------------------------------------------------------------- ledger against its stages


def looked_over(campaign: Campaign, ledger: Ledger) -> tuple[Notice, ...]:
    """Return notices on what differs from how the stages were planned: file, runs, settings.

    Runs that the file no longer allows come first.
    """
    forbidden = barred(campaign, ledger)
    found = [] if forbidden is None else [Notice("planned-forbidden", forbidden.words)]
    for stage in sorted({row.stage for row in ledger.rows}):
        record = read_stage(campaign.folder, stage)
        if record is None:
            what = (
                f"stages/{stage}.toml is gone: whether stage {stage} is still as it was planned "
                "cannot be told."
            )
            found.append(Notice("stage-record-gone", what))
            continue
        found += _ledger_changed(ledger, record)
        found += _file_changed(campaign, ledger, record, forbidden)
    return tuple(dict.fromkeys(found))


def _ledger_changed(ledger: Ledger, record: StageRecord) -> list[Notice]:
    rows = ledger.of_stage(record.stage)
    gone = sorted(set(record.runs) - {row.run for row in rows})
    if gone:
        what = (
            f"{runs_in_words(gone)} of stage {record.stage} stood in the ledger and stand there no "
            "more. The former ledgers are in history/."
        )
        return [Notice("runs-gone", what)]
    if planned_hash(rows, ledger) != record.planned:
        what = (
            f"Planned settings of stage {record.stage} were changed in the ledger after planning; "
            "the design is no longer the one that was judged."
        )
        return [Notice("plan-changed", what)]
    return []


def _file_changed(
    campaign: Campaign, ledger: Ledger, record: StageRecord, forbidden: Barred | None
) -> list[Notice]:
    now = _fixed_in_words(campaign)
    if now != record.fixed:
        what = (
            f"Stage {record.stage} was planned with {_listed(record.fixed)}; campaign.toml now "
            f"says {_listed(now)}. Results so far stand for the former: they say nothing of the "
            "latter."
        )
        return [Notice("fixed-settings-changed", what)]
    parts = shaping_parts(campaign)
    names = dict.fromkeys((*parts, *record.shaping))
    changed = [name for name in names if record.shaping.get(name) != parts.get(name)]
    if not changed:
        return []
    what = f"campaign.toml changed since stage {record.stage} was planned, in {_listed(changed)}"
    if all(row.status != "planned" for row in ledger.of_stage(record.stage)):
        what += "; its runs were planned by what stood there then."
    elif "rig" in changed and forbidden is None:
        by_hand, command = _planning_anew(campaign, ledger, ())
        then = f"{by_hand}, then {command}" if by_hand else command
        what += (
            ": the runs that wait keep every limit as it is now, but their sheet prints the former "
            f"stop limits. Take none from it; for a new sheet: {then}"
        )
        return [Notice("sheet-outdated", f"CAUTION, {what}")]
    else:
        what += ": the planned runs may no longer suit it."
        if all(row.status == "planned" for row in ledger.rows):
            what += f" To plan anew: doe plan {campaign.name}"
    return [Notice("file-changed", what)]


def _runs_counted(count: int) -> str:
    return f"{count} run" if count == 1 else f"{count} runs"


def runs_in_words(numbers: Sequence[int]) -> str:
    """Return runs as people say them: ``Run 3``, ``Runs 3, 5 to 9``."""
    spans: list[list[int]] = []
    for number in sorted(numbers):
        if spans and number == spans[-1][1] + 1:
            spans[-1][1] = number
        else:
            spans.append([number, number])
    parts = [
        str(low) if low == high else f"{low}, {high}" if high == low + 1 else f"{low} to {high}"
        for low, high in spans
    ]
    return f"{'Run' if len(numbers) == 1 else 'Runs'} {', '.join(parts)}"


def _listed(words: Sequence[str]) -> str:
    if not words:
        return "nothing fixed"
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else words[0]
