"""Where a campaign stands: what its ledger still waits for, and what in it should be looked at.

Shapes: n runs, k factors.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence

import numpy as np

from doe.campaign import Campaign, shaping_parts
from doe.errors import Notice, StateError
from doe.factors import FloatArray, NumericFactor
from doe.ledger import Ledger, LedgerRow, prepares, read_ledger, row_cells
from doe.log_record import read_log_records
from doe.stage import StageRecord, read_stage

__all__ = [
    "LEDGER_FILE",
    "achieved_settings",
    "assumed_settings",
    "boiled",
    "counted",
    "doubtful",
    "has_results",
    "ledger_or_empty",
    "looked_over",
    "missing",
    "next_day",
    "open_runs",
    "over_budget",
    "planned_hash",
    "planned_ledger",
    "recorded_oddly",
    "runs_in_words",
    "what_to_do",
]

LEDGER_FILE = "runs.csv"
SLIP = 0.5
"""Share of a range by which an achieved setting may miss the planned one before it is asked
about."""
BOILS = 3  # `Envelope.boiling`: below saturation at the values themselves
NEVER_NEGATIVE = ("%", "g", "mg", "ug", "µg", "mol", "mmol", "mL")
"""Units, or their numerators, of amounts that cannot be below zero."""


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


def missing(campaign: Campaign, ledger: Ledger) -> tuple[str, ...]:
    """Return sentences on what the campaign still waits for, repeats that a log asked for too."""
    waiting = open_runs(ledger)
    sentences = []
    if waiting:
        sentences.append(f"{runs_in_words(waiting)} still to be made and recorded.")
    for j, response in enumerate(ledger.schema.responses):
        blank = [r.run for r in _done(ledger) if r.responses[j] is None]
        if blank:
            sentences.append(f"{response.words} is missing for {runs_in_words(blank).lower()}.")
    sentences += _unweighed(ledger)
    by_rule: dict[str, list[int]] = {}
    for run, record in read_log_records(campaign.folder).items():
        if record.decision == "repeat":
            by_rule.setdefault(record.rule, []).append(run)
    sentences += [
        f"{runs_in_words(runs)} to be repeated (rule {rule})." for rule, runs in by_rule.items()
    ]
    return tuple(sentences)


def _done(ledger: Ledger) -> list[LedgerRow]:
    """Return the runs of the design that are done."""
    return [row for row in ledger.rows if row.status == "done" and not prepares(row)]


def _unweighed(ledger: Ledger) -> list[str]:
    """Return the runs that are done without their feed, where responses follow from it."""
    columns = ledger.schema.weighed_columns
    done = _done(ledger)
    if "feed_g" not in columns:
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


def open_runs(ledger: Ledger) -> tuple[int, ...]:
    """Return the runs that are planned and not recorded."""
    return tuple(row.run for row in ledger.rows if row.status == "planned")


def what_to_do(campaign: Campaign, ledger: Ledger | None) -> str:
    """Return the next command to type."""
    if ledger is None or not ledger.rows:
        return f"doe plan {campaign.name}"
    if open_runs(ledger):
        return f"doe record {campaign.name} FILE"
    return f"doe fit {campaign.name}"


def over_budget(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[Notice, ...]:
    """Return a notice where there are more runs than the budget carries."""
    affordable, count = campaign.affordable(), counted(campaign, rows)
    if count <= affordable.runs:
        return ()
    return (
        Notice(
            "over-budget",
            f"With these there are {count} runs; the budget carries {affordable.runs} "
            f"(what decides: {affordable.binds}).",
        ),
    )


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
    """Return notices on values that look like slips, and on runs that broke a limit as achieved."""
    return (
        *_far_from_planned(campaign, rows),
        *_impossible_values(campaign, rows),
        *_odd_weighings(campaign, rows),
        *_limits_broken(campaign, rows),
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
            amount = response.unit.split("/")[0].strip() in NEVER_NEGATIVE
            if value is not None and amount and value < 0:
                what = f"Run {row.run}: {response.words} is {value:g} {response.unit}, below zero."
                found.append(Notice("below-zero", f"{what} Is that a slip?"))
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
        for column, value in told.items():
            if column.endswith("moisture_pct") and 0 < value < 1:
                what = (
                    f"Run {row.run}: {column} is {value:g} %. If the share was meant, write "
                    f"{100 * value:g}."
                )
                found.append(Notice("moisture-as-share", what))
    return found


def _limits_broken(campaign: Campaign, rows: Sequence[LedgerRow]) -> list[Notice]:
    known = [row for row in rows if any(value is not None for value in row.achieved)]
    if not known:
        return []
    try:
        envelope = campaign.envelope(achieved_settings(known))
    except (ValueError, ArithmeticError):
        what = "The achieved settings could not be held against the rig's limits."
        return [Notice("achieved-not-checked", what)]
    return [
        Notice(
            "achieved-breaks-limit", f"Run {row.run} as achieved: {envelope.sentence(i, int(j))}"
        )
        for i, row in enumerate(known)
        for j in np.flatnonzero(envelope.margin[i] < 0)
    ]


def boiled(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[int, ...]:
    """Return the runs whose achieved settings lie in the vapour: what came out is no extract."""
    known = [row for row in rows if any(value is not None for value in row.achieved)]
    if not known:
        return ()
    try:
        codes = campaign.envelope(achieved_settings(known)).boiling
    except (ValueError, ArithmeticError):
        return ()
    if codes is None:
        return ()
    return tuple(row.run for row, code in zip(known, codes, strict=True) if code == BOILS)


# ------------------------------------------------------------------- ledger against its stages


def looked_over(campaign: Campaign, ledger: Ledger) -> tuple[Notice, ...]:
    """Return notices on what differs from how the stages were planned: file, runs, settings."""
    found: list[Notice] = []
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
        found += _file_changed(campaign, record)
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


def _file_changed(campaign: Campaign, record: StageRecord) -> list[Notice]:
    now = tuple(f"{name} {value}" for name, value in campaign.fixed_settings())
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
    what = (
        f"campaign.toml changed since stage {record.stage} was planned, in {_listed(changed)}: "
        "the planned runs may no longer suit it."
    )
    return [Notice("file-changed", what)]


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
