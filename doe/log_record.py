"""What a logger's file said of a run, and what was decided: `logs/run-N.toml`.

It stands beside the ledger, not in it: two dozen figures a run would push the settings and the
responses apart, and the ledger's columns are the campaign's.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from doe.errors import ResultsError, StateError
from doe.whole_file import toml_text, write_page

LISTS = ("noticed", "limits_passed", "besides")

__all__ = ["LogRecord", "log_file", "read_log_record", "read_log_records", "settled", "write_log"]


@dataclass(frozen=True, slots=True)
class LogRecord:
    """One run's log and the decision that followed.

    Attributes
    ----------
    log, sha256
        The logger's file and its hash, by which it is known again.
    decision, rule, because, doubtful
        What becomes of the run, by which rule, in words; see `doe.run_log.classify`.
    decided_by
        Initials; blank where a run is kept and nobody signed.
    responses_known
        Whether the ledger held responses of the run when it was decided.
    besides
        What other rules found, which did not decide.
    found
        Figures by name with unit.
    limits_passed
        Limits of the rig or of the run's sheet that the log went beyond, in words.
    """

    run: int
    log: str
    sha256: str
    decision: Literal["keep", "exclude response", "repeat"]
    rule: str
    because: str
    doubtful: bool
    decided_by: str
    responses_known: bool
    extraction: str
    noticed: tuple[str, ...]
    found: Mapping[str, float]
    limits_passed: tuple[str, ...] = ()
    besides: tuple[str, ...] = ()


def log_file(folder: Path, run: int) -> Path:
    """Return where the record of a run's log stands in a campaign's folder."""
    return folder / "logs" / f"run-{run}.toml"


def read_log_record(folder: Path, run: int) -> LogRecord | None:
    """Return the record of a run's log; None where there is none.

    Raises
    ------
    StateError
        It cannot be read.
    """
    path = log_file(folder, run)
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
        lists = {name: tuple(table.get(name, ())) for name in LISTS}
        return LogRecord(**(table | lists))
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, TypeError, KeyError) as error:
        raise StateError.of(
            "log-record",
            f"the record of run {run}'s log cannot be read: {error}.",
            "Take the last good one from logs/history, or delete it and record the log again.",
            file=str(path),
        ) from error


def read_log_records(folder: Path) -> dict[int, LogRecord]:
    """Return the records of all logs by run."""
    runs = [
        int(digits)
        for path in (folder / "logs").glob("run-*.toml")
        if (digits := path.stem.removeprefix("run-")).isdecimal()
    ]
    records = ((run, read_log_record(folder, run)) for run in sorted(runs))
    return {run: record for run, record in records if record is not None}


def settled(new: LogRecord, former: LogRecord | None, overwrite: bool) -> LogRecord:
    """Return the record to keep: the former's history, refusing another log or decision.

    Raises
    ------
    ResultsError
        The former says otherwise, and it is not to be overwritten.
    """
    if former is None:
        return new
    same = replace(new, responses_known=former.responses_known)
    same = replace(same, decided_by=new.decided_by or former.decided_by)
    unsigned = replace(former, decided_by=former.decided_by or same.decided_by)
    if same == unsigned:
        return same
    if overwrite:
        return new
    names = [k for k in LogRecord.__slots__ if getattr(same, k) != getattr(unsigned, k)]
    raise ResultsError.of(
        "log-recorded",
        f"run {new.run} has a log on record, {former.log} ({former.decision}, by the rule "
        f"{former.rule}); this one differs in {', '.join(names)}.",
        "Check that it is this run's log, or record it with --replace.",
        file=new.log,
    )


def write_log(folder: Path, record: LogRecord) -> Path:
    """Write the record whole or not at all; a former one that differs stays in `logs/history`.

    Raises
    ------
    StateError
        The folder cannot be written to.
    """
    comment = f"What the log of run {record.run} said. Written by the tool, for the file."
    values = {key: getattr(record, key) for key in LogRecord.__slots__}
    return write_page(log_file(folder, record.run), toml_text(comment, values), keep=True)
