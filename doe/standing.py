"""Where a campaign stands: what its ledger still waits for, and what in it should be looked at.

Shapes: n runs, k factors.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from doe import rig as rig_room
from doe.as_recorded import (
    boiled,
    boiled_if_held,
    boiled_words,
    done_runs,
    lost_to_vapour,
    unit_costs_runs,
)
from doe.campaign import Campaign, shaping_parts
from doe.errors import Notice, StateError
from doe.factors import CategoricalFactor, FactorSpace, FloatArray, sample_box
from doe.ledger import (
    Censored,
    Ledger,
    LedgerRow,
    prepares,
    read_ledger,
    row_cells,
    setting_text,
    started,
)
from doe.log_record import read_log_records
from doe.stage import StageRecord, read_stage
from doe.wording import capital, counted, listed, runs_in_words

if TYPE_CHECKING:
    from doe.responses import Response

__all__ = [
    "LEDGER_FILE",
    "MADE_AGAIN",
    "STANDS_IN",
    "Barred",
    "BegunDay",
    "Left",
    "LostRun",
    "NextStep",
    "alike",
    "barred",
    "begun_day",
    "has_results",
    "inputs_read",
    "is_open_addition",
    "ledger_or_empty",
    "left_to_plan",
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
    "repeats_due",
    "runs_spent",
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
NOTHING_FIXED = "nothing fixed"
PUT_RIGHT_BY = {
    "plan": "Plan anew",
    "suggest": "Have others suggested in their place",
    "check": "The rig can run next to nothing now; see why",
}


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


def runs_spent(campaign: Campaign, rows: Sequence[LedgerRow]) -> int:
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
    count = runs_spent(campaign, rows)
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
        return f"The budget buys {counted(affordable.runs, 'run')}."
    told = f"{counted(-left, 'run')} over it" if left < 0 else f"{left or 'none'} left to plan"
    made = sum(not prepares(row) for row in rows)
    early = runs_spent(campaign, rows) - made
    if early:
        many = "" if early == 1 else "s"
        told += f"; {early} blank or sacrificial run{many} of later stages counted"
    if binds != "days" or not last:
        return (
            f"The budget buys {counted(made + early + left, 'run')} (what decides: {binds}), "
            f"{made} {'is' if made == 1 else 'are'} planned or made: {told}."
        )
    taken, be = ("Day 1", "is") if last == 1 else (f"Days 1 to {last}", "are")
    a_day = f" ({campaign.runs_per_day()[1]} a day, the longest)" if left > 0 else ""
    return (
        f"{taken} of {campaign.budget.days} in the budget {be} taken by {counted(made, 'run')}: "
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
        f"Every value of {response.words} is {value}, so nothing can be fitted: check {column}."
        for response, column, value in alike(ledger)
    ]
    return (*sentences, *_unweighed(ledger))


def alike(ledger: Ledger) -> tuple[tuple[Response, str, str], ...]:
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
            text = first.text if isinstance(first, Censored) else f"{first:g}"
            found.append((response, column, text))
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


def _unweighed(ledger: Ledger) -> list[str]:
    """Return the runs that are done without their feed, where responses follow from it."""
    columns = ledger.schema.weighed_columns
    done = done_runs(ledger.rows)
    if not ledger.schema.derives:
        return []
    place = columns.index("feed_g")
    blank = [row.run for row in done if not row.weighed or row.weighed[place] is None]
    return [f"feed_g is missing for {runs_in_words(blank).lower()}."] if blank else []


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
    planned anew. Then temperatures are put right that cost runs as they stand; then runs to be
    repeated are planned, since that takes no time on the rig and they may be made with the others;
    then planned runs are made and recorded; `otherwise` follows where none of this waits.
    """
    if not ledger.rows:
        return NextStep(f"doe plan {campaign.name}")
    forbidden = barred(campaign, ledger)
    if forbidden is not None:
        by_hand, command = _planning_anew(campaign, ledger, forbidden.runs)
        told = waiting_words(campaign, ledger)
        return NextStep(command, told, leads=True, by_hand=by_hand)
    if unit_costs_runs(campaign, done_runs(ledger.rows)):
        by_hand = "convert achieved_temperature_C of the sheet to °C"
        return NextStep(f"doe record {campaign.name} FILE --replace", by_hand=by_hand)
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
    now = campaign.fixed_in_words()
    found = []
    for stage in sorted({row.stage for row in rows}):
        record = read_stage(campaign.folder, stage)
        if record is None or record.fixed == now:
            continue
        what = (
            f"The sheet of stage {stage} orders {listed(record.fixed) or NOTHING_FIXED}; "
            f"campaign.toml now says {listed(now) or NOTHING_FIXED}, and only that is held against "
            "the limits."
        )
        found.append((tuple(row.run for row in rows if row.stage == stage), what))
    return found


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

    Before the first run is started the whole plan is made anew. Later, suggested runs of which none
    is started give way to others; of any else `runs` are left out, others that wait too, to be
    repeated, and both are made up for. Where the rig can run next to nothing
    no plan can be made: what is in the way is found first.
    """
    if not campaign.feasible(sample_box(campaign.space, TRIED)).any():
        return "", f"doe check {campaign.name}"
    if not any(map(started, ledger.rows)):
        return "", f"doe plan {campaign.name}"
    if _all_suggested(campaign, ledger):
        waiting = [r for r in ledger.rows if r.status == "planned" and not prepares(r)]
        kind = " --kind confirm" if all(row.kind == "confirm" for row in waiting) else ""
        return "", f"doe suggest {campaign.name} --runs {len(waiting)}{kind} --accept --replace"
    others = sorted(set(open_runs(ledger)) - set(runs))
    why = [(runs, "limit"), (others, "repeat")]
    parts = [f"“{reason}” for {runs_in_words(which).lower()}" for which, reason in why if which]
    by_hand = f"in runs.csv set status “left out” and left_out_because {' and '.join(parts)}"
    return by_hand, f"doe augment {campaign.name} --by repair"


def _all_suggested(campaign: Campaign, ledger: Ledger) -> bool:
    """Return whether all runs that wait are of suggested stages of which none is started."""
    waiting = {row.stage for row in ledger.rows if row.status == "planned"}
    records = [read_stage(campaign.folder, stage) for stage in waiting]
    by_suggest = all(record is not None and record.made_by == "suggest" for record in records)
    return by_suggest and all(is_open_addition(campaign, ledger, stage) for stage in waiting)


def is_open_addition(campaign: Campaign, ledger: Ledger, stage: int, repairs: bool = False) -> bool:
    """Return whether a stage was added, to make up for lost runs or not, and none of it started."""
    rows = [row for row in ledger.of_stage(stage) if not prepares(row)]
    record = read_stage(campaign.folder, stage)
    if record is None or record.made_by == "plan" or any(map(started, ledger.of_stage(stage))):
        return False
    return all(row.kind in (MADE_AGAIN, STANDS_IN) for row in rows) == repairs


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
    made, too_late = runs_spent(campaign, rows), days is not None and last > days
    if left.binds == "days" and too_late:
        what = f"With these the runs go on to day {last}, and the budget has {days} days."
    else:
        what = (
            f"With these there are {made} runs; the budget carries {campaign.affordable().runs} "
            f"(what decides: {left.binds})."
        )
    others = [
        f"days (they go on to day {last} of {days})" if part == "days" else f"{part} ({most})"
        for part, most, _ in campaign.affordable().parts
        if part != left.binds and (too_late if part == "days" else made > most)
    ]
    if others:
        what += f" Beyond what they carry too: {listed(others)}."
    return (Notice("over-budget", what),)


def boiled_runs(campaign: Campaign, ledger: Ledger) -> tuple[Notice, ...]:
    """Return a notice on the runs that boiled: what becomes of them, and what makes up for them."""
    vapour = boiled(campaign, done_runs(ledger.rows))
    if not vapour:
        return ()
    what = boiled_words(vapour)
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
                "cannot be told. Whether its runs boiled or passed limits is judged by the fixed "
                "settings that campaign.toml has now."
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
    now = campaign.fixed_in_words()
    if now != record.fixed:
        what = (
            f"Stage {record.stage} was planned with {listed(record.fixed) or NOTHING_FIXED}; "
            f"campaign.toml now says {listed(now) or NOTHING_FIXED}. Results so far stand for the "
            f"former: they say nothing of the latter.{_judged_by(campaign, ledger, record)}"
        )
        return [*_boiled_if_held(campaign, ledger, record), Notice("fixed-settings-changed", what)]
    parts = shaping_parts(campaign)
    names = dict.fromkeys((*parts, *record.shaping))
    changed = [name for name in names if record.shaping.get(name) != parts.get(name)]
    if not changed:
        return []
    what = f"campaign.toml changed since stage {record.stage} was planned, in {listed(changed)}"
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


def _judged_by(campaign: Campaign, ledger: Ledger, record: StageRecord) -> str:
    """Say by which fixed settings the runs of a stage are judged, once any is done."""
    if not done_runs(ledger.of_stage(record.stage)):
        return ""
    stays = sorted(set(campaign.with_fixed(record.fixed).fixed_in_words()) - set(record.fixed))
    more = f", and by {listed(stays)}, of which the former says nothing" if stays else ""
    return f" Whether they boiled or passed limits is judged by the former{more}."


def _boiled_if_held(campaign: Campaign, ledger: Ledger, record: StageRecord) -> list[Notice]:
    """Return a notice on runs that boiled if they were held at what the file says now.

    The file may have been put right, where the plan named a setting that no run was held at.
    """
    own = done_runs(ledger.of_stage(record.stage))
    runs = sorted(set(boiled_if_held(campaign, own)) - set(boiled(campaign, own)))
    if not runs:
        return []
    they, them = ("it", "it") if len(runs) == 1 else ("they", "them")
    what = (
        f"{runs_in_words(runs)} count{'s' if len(runs) == 1 else ''} as held at "
        f"{listed(record.fixed) or NOTHING_FIXED}, as planned. If the rig held "
        f"{listed(campaign.fixed_in_words())}, as campaign.toml says now, {they} boiled: then, in "
        f"runs.csv, set status “left out” and left_out_because “boiled” for {them}."
    )
    return [Notice("boiled-if-held", what)]
