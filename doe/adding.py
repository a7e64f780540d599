"""Runs that are added to a campaign as a stage: their rows, and what they may take the place of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from doe import standing
from doe.campaign import Campaign
from doe.errors import DoeError, Notice, StateError
from doe.ledger import Ledger, LedgerRow, prepares
from doe.planning import lots_of, rows_of
from doe.schedule import Schedule
from doe.wording import runs_in_words

if TYPE_CHECKING:
    from doe.design.matrix import Design

__all__ = ["accepted_runs_wait", "added_rows", "replaced", "same_runs", "without_open_additions"]


def without_open_additions(
    campaign: Campaign, ledger: Ledger, repairs: bool = False
) -> tuple[Ledger, int]:
    """Return the ledger less added runs that nobody started, and the number of the next stage.

    Runs that make up for lost ones stand apart from all others that are added: neither takes the
    place of the other.
    """
    last = max(row.stage for row in ledger.rows)
    gone = {
        stage
        for stage in {row.stage for row in ledger.rows}
        if standing.is_open_addition(campaign, ledger, stage, repairs)
    }
    if not gone:
        return ledger, last + 1
    kept = tuple(row for row in ledger.rows if row.stage not in gone)
    less = Ledger(ledger.schema, kept, ledger.extra_columns, ledger.notices)
    return less, last if last in gone else last + 1


def same_runs(former: Sequence[LedgerRow], rows: Sequence[LedgerRow]) -> bool:
    """Return whether rows plan the same; a ledger that was read has empty cells for weighings."""
    return [replace(row, weighed=()) for row in former] == [replace(r, weighed=()) for r in rows]


def replaced(
    campaign: Campaign,
    before: Ledger,
    kept: Ledger,
    rows: Sequence[LedgerRow],
    accept: bool,
) -> tuple[Notice, ...]:
    """Return a notice where accepted runs differ from those accepted before."""
    former = [row for row in before.rows if row not in kept.rows]
    if not former or not accept or same_runs(former, rows):
        return ()
    return (
        Notice(
            "additions-replaced",
            f"{runs_in_words([row.run for row in former])} had been accepted and not been "
            f"started; {_in_place(len(former), len(rows))}. A sheet printed before is void. "
            f"The former ledger is in {campaign.name}/history.",
        ),
    )


def _in_place(former: int, now: int) -> str:
    """Return what stands instead of former runs, in the numbers that both have."""
    place = "its place" if former == 1 else "their place"
    return f"this one stands in {place}" if now == 1 else f"these {now} stand in {place}"


def accepted_runs_wait(campaign: Campaign, added: Sequence[LedgerRow], accepting: str) -> DoeError:
    """Return that runs accepted before stay as they are; others can be had in their place."""
    runs = runs_in_words([row.run for row in added if not prepares(row)])
    forbidden = standing.barred(campaign, Ledger(campaign.schema, tuple(added)))
    make = f"Make them and hand in the sheet: doe record {campaign.name} FILE."
    return StateError.of(
        "accepted-runs-wait",
        f"{runs} {'are' if len(added) > 1 else 'is'} accepted and not started, and these would be "
        "others: nothing was changed.",
        f"{make if forbidden is None else forbidden.danger} To throw them away and plan these in "
        f"their place: {accepting} --replace",
        file=str(campaign.folder / standing.LEDGER_FILE),
    )


def added_rows(
    campaign: Campaign,
    kept: Ledger,
    stage: int,
    design: Design,
    days: Schedule | None,
    again: Sequence[str] = (),
) -> tuple[tuple[LedgerRow, ...], tuple[Notice, ...]]:
    """Return the planned rows of runs added as a stage, and what to mind of lots.

    `again` is the lot of the run that each makes again, empty where it makes none.
    """
    lots = lots_of(campaign, design, days, kept.rows, again)
    first = kept.next_run
    rows = rows_of(campaign, design, days, stage=stage, first_run=first, lots=lots)
    return rows, lots.notices
