"""The ledger of a campaign, `runs.csv`: one row a run, planned, done and left out.

The tool appends and updates it and a person may edit it: UTF-8, comma, decimal point, ``\\n``.
Every write is whole or not at all, the former file stays in `history/`, and a filled cell is never
overwritten without being asked.

Text that a spreadsheet would take for a formula is written with an apostrophe before it, and read
without; `plain_text` and `from_plain_text` are exact inverses for whatever the tool has written.

Shapes: k factors, r responses.
"""

from __future__ import annotations

import contextlib
import csv
import difflib
import io
import math
import os
import re
import sys
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Literal

from doe.errors import Notice, Problem, ResultsError, StateError, Where
from doe.factors import CategoricalFactor, Factor, FactorSpace, NumericFactor
from doe.quantities import IN_CELSIUS
from doe.responses import Response, Weighing
from doe.whole_file import keep_former, put

__all__ = [
    "SHEET_OF",
    "Censored",
    "Change",
    "Ledger",
    "LedgerRow",
    "LedgerSchema",
    "Preparing",
    "Returned",
    "ReturnedRow",
    "Status",
    "cell_address",
    "csv_text",
    "from_plain_text",
    "locked",
    "number_text",
    "plain_text",
    "prepares",
    "read_ledger",
    "row_cells",
    "same_setting",
    "setting_text",
    "sheet_mark",
    "started",
    "with_results",
    "write_ledger",
]

Preparing = Literal["blank", "sacrificial"]
"""Kinds of run that only prepare the rig: one without feedstock, one whose extract is thrown
away. They are planned and recorded as runs, and never fitted."""
PREPARING: tuple[Preparing, ...] = ("blank", "sacrificial")
Status = Literal["planned", "done", "left out"]
STATUSES: tuple[Status, ...] = ("planned", "done", "left out")
FIRST_COLUMNS = ("run", "stage", "block", "plot", "lot", "day", "kind", "status")
"""Of these `lot` is there with a campaign that has lots, `block` with a run that has one."""
LAST_COLUMNS = ("left_out_because", "notes")
SHEET_OF = "sheet_of"
"""Column of a sheet, not of the ledger: whose runs they are (`sheet_mark`)."""
ROWS_OF_ANOTHER = 3
"""Fewer rows than these that contradict the plan are slips, each told with its cell."""
LOCK_WAIT_S = 5.0

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_CENSORED = re.compile(rf"([<>])\s*({_NUMBER.pattern})")
_WHOLE = re.compile(r"[0-9]{1,9}")
_FORMULA = "=+\\-@\uff0b\uff0d\uff1d\uff20"
"""Characters that make a formula of a cell, the full-width forms too (common practice)."""
_AT_RISK = re.compile(rf"(^|[;\t\r\n])('*)(?=[ \u00a0]*[{_FORMULA}])")
_SHIELDED = re.compile(rf"(^|[;\t\r\n])'('*)(?=[ \u00a0]*[{_FORMULA}])")


class Censored(float):
    """A response of which only a limit is known: below it (``<0.05``), or above it (``>250``).

    As a number it is NaN, so that no arithmetic takes the limit for a measurement.

    >>> Censored(0.05), Censored(0.05) == Censored(0.05, above=True), Censored(0.05) > 0
    (Censored('<0.05'), False, False)
    """

    __slots__ = ("above", "limit")
    limit: float
    above: bool

    def __new__(cls, limit: float, above: bool = False) -> Censored:
        if not math.isfinite(limit):
            raise ValueError(f"a limit must be a finite number, not {limit}")
        made = super().__new__(cls, math.nan)
        made.limit, made.above = float(limit), above
        return made

    @property
    def text(self) -> str:
        """How it stands in files: ``<0.05``."""
        return f"{'>' if self.above else '<'}{number_text(self.limit)}"

    @classmethod
    def read(cls, text: str) -> Censored | None:
        """Return what ``<0.05`` or ``> 250`` says, None if the text is not of that kind."""
        match = _CENSORED.fullmatch(text.strip())
        if match is None or not math.isfinite(float(match[2])):
            return None
        return cls(float(match[2]), above=match[1] == ">")

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Censored):
            return False
        return (self.limit, self.above) == (other.limit, other.above)

    def __ne__(self, other: object) -> bool:  # float has its own, by which NaN differs from NaN
        return not self == other

    def __hash__(self) -> int:
        return hash((self.limit, self.above))

    def __repr__(self) -> str:
        return f"Censored({self.text!r})"

    def __reduce__(self) -> tuple[type[Censored], tuple[float, bool]]:
        return Censored, (self.limit, self.above)


@dataclass(frozen=True)
class LedgerSchema:
    """The columns of a campaign's ledger: its factors, its responses, and what is weighed.

    `drawn` is what sheets ask of samples and drains: it becomes portions and has no column in the
    ledger.
    `lots` are the names of the feedstock lots, where the campaign tells them apart.
    `campaign` is the name that sheets carry, so that none is taken for another campaign's.
    """

    space: FactorSpace
    responses: tuple[Response, ...]
    weighed: tuple[Weighing, ...] = ()
    drawn: tuple[Weighing, ...] = ()
    lots: tuple[str, ...] = ()
    campaign: str = ""

    @cached_property
    def achieved_columns(self) -> tuple[str, ...]:
        return tuple(f"achieved_{column}" for column in self.space.columns)

    @cached_property
    def response_columns(self) -> tuple[str, ...]:
        return tuple(response.column for response in self.responses)

    @cached_property
    def weighed_columns(self) -> tuple[str, ...]:
        return tuple(weighing.column for weighing in self.weighed)

    @property
    def derives(self) -> bool:
        """Whether any response is worked out from masses."""
        return any(response.source is not None for response in self.responses)

    @cached_property
    def drawn_columns(self) -> tuple[str, ...]:
        return tuple(drawn.column for drawn in self.drawn)

    @cached_property
    def columns(self) -> tuple[str, ...]:
        """All columns, in the order of the file."""
        measured = (*self.achieved_columns, *self.weighed_columns, *self.response_columns)
        first = (name for name in FIRST_COLUMNS if name != "lot" or self.lots)
        return (*first, *self.space.columns, *measured, *LAST_COLUMNS)

    def columns_of(self, rows: Iterable[LedgerRow]) -> tuple[str, ...]:
        """Return the columns that these rows need: blocks and what is optional only if filled."""
        rows = tuple(rows)
        spare = set() if any(row.block is not None for row in rows) else {"block"}
        for i, weighing in enumerate(self.weighed):
            if weighing.optional and not any(r.weighed and r.weighed[i] is not None for r in rows):
                spare.add(weighing.column)
        return tuple(name for name in self.columns if name not in spare)


@dataclass(frozen=True, slots=True)
class LedgerRow:
    """One run: `settings` and `achieved` (k,), level index for categorical factors.

    `responses` (r,) and `achieved` hold None where nothing was measured; a response may be
    `Censored`. `extra` holds the cells
    of columns that the tool does not know; `weighed` what the schema has weighed, or is empty.
    `block` is that of the design, counted within the stage, `lot` the feedstock's.
    """

    run: int
    stage: int
    plot: int
    day: int | None
    kind: str
    status: Status
    settings: tuple[float, ...]
    achieved: tuple[float | None, ...]
    responses: tuple[float | None, ...]
    left_out_because: str = ""
    notes: str = ""
    extra: tuple[str, ...] = ()
    weighed: tuple[float | None, ...] = ()
    block: int | None = None
    lot: str = ""


@dataclass(frozen=True)
class Ledger:
    """All runs of a campaign. `extra_columns` are columns of the person's own, kept as they are."""

    schema: LedgerSchema
    rows: tuple[LedgerRow, ...]
    extra_columns: tuple[str, ...] = ()
    notices: tuple[Notice, ...] = field(default=(), compare=False)

    def __post_init__(self) -> None:
        k, r, e = len(self.schema.space), len(self.schema.responses), len(self.extra_columns)
        for row in self.rows:
            sizes = (len(row.settings), len(row.achieved), len(row.responses))
            others = len(row.extra) in (0, e) and len(row.weighed) in (0, len(self.schema.weighed))
            if sizes != (k, k, r) or not others:
                raise ValueError(f"run {row.run}: its cells do not fit the columns")
        if len({row.run for row in self.rows}) != len(self.rows):
            raise ValueError("a run number stands twice")

    @property
    def next_run(self) -> int:
        """The lowest number above every run's."""
        return max((row.run for row in self.rows), default=0) + 1

    def of_stage(self, stage: int) -> tuple[LedgerRow, ...]:
        return tuple(row for row in self.rows if row.stage == stage)


@dataclass(frozen=True, slots=True)
class ReturnedRow:
    """What a filled sheet says of one run; what is not there was left blank.

    `settings` and `achieved` are keyed by factor column, `responses` by response column; a
    categorical factor has its level index. `cells` gives the address of each sheet column's cell,
    `sheet_of` whose sheet the row says that it is of, as `sheet_mark` writes it.
    """

    run: int
    settings: Mapping[str, float]
    achieved: Mapping[str, float]
    responses: Mapping[str, float]
    left_out_because: str = ""
    notes: str = ""
    line: int | None = None
    stage: int | None = None
    plot: int | None = None
    day: int | None = None
    cells: Mapping[str, str] = field(default_factory=dict)
    weighed: Mapping[str, float] = field(default_factory=dict)
    drawn: Mapping[str, float] = field(default_factory=dict)
    block: int | None = None
    lot: str = ""
    kind: str = ""
    sheet_of: str = ""


@dataclass(frozen=True, slots=True)
class Returned:
    """A filled sheet, read."""

    rows: tuple[ReturnedRow, ...]
    file: str = ""
    notices: tuple[Notice, ...] = ()


@dataclass(frozen=True, slots=True)
class Change:
    """One cell of the ledger that changed, as it stands in the file."""

    run: int
    column: str
    old: str
    new: str


def sheet_mark(campaign: str, stage: int) -> str:
    """Return what each row of a sheet says of whose it is; no spreadsheet makes a date of it."""
    return f"stage {stage} of {campaign}"


def prepares(row: LedgerRow) -> bool:
    """Tell whether a run only prepares the rig and is none of the design."""
    return row.kind in PREPARING


def started(row: LedgerRow) -> bool:
    """Tell whether anything has been recorded of a run."""
    measured = any(value is not None for value in (*row.achieved, *row.responses, *row.weighed))
    return measured or row.status != "planned"


# --- cells as text


def number_text(value: float) -> str:
    """Return the shortest text that reads back as the same number.

    >>> number_text(12.0), number_text(0.1), number_text(-3.25e-7)
    ('12', '0.1', '-3.25e-07')
    """
    text = repr(float(value))
    return text.removesuffix(".0")


def setting_text(factor: Factor, value: float) -> str:
    """Return a planned setting with the factor's decimals, or with more where it has more."""
    if isinstance(factor, CategoricalFactor):
        return plain_text(factor.levels[round(value)])
    text = f"{value:.{factor.decimals}f}"
    return text if float(text) == value else number_text(value)


def plain_text(text: str) -> str:
    """Return text that no spreadsheet takes for a formula: an apostrophe before ``= + - @``.

    Also inside the text, after a semicolon, tab or line break, where a spreadsheet that splits
    the line there would start a cell.

    >>> plain_text("=1+1"), plain_text("'=x"), plain_text("ok;@x"), plain_text("a-b")
    ("'=1+1", "''=x", "ok;'@x", 'a-b')
    """
    return _AT_RISK.sub(r"\1'\2", text)


def from_plain_text(text: str) -> str:
    """Return the text that `plain_text` was given."""
    return _SHIELDED.sub(r"\1\2", text)


def cell_address(column: int, row: int) -> str:
    """Return the spreadsheet address of a cell; `column` counts from 0, `row` from 1.

    >>> cell_address(0, 1), cell_address(25, 7), cell_address(26, 7), cell_address(702, 2)
    ('A1', 'Z7', 'AA7', 'AAA2')
    """
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return f"{letters}{row}"


def csv_text(records: Iterable[Sequence[str]]) -> str:
    """Return records as CSV: comma, ``\\n``, quotes only where needed.

    The standard writer leaves a lone carriage return unquoted, which readers take for a new line.
    """
    return "".join(",".join(map(_quoted, record)) + "\n" for record in records)


def _quoted(cell: str) -> str:
    if cell.strip() == cell and not any(mark in cell for mark in ',;"\r\n\t'):
        return cell
    return '"' + cell.replace('"', '""') + '"'


def row_cells(schema: LedgerSchema, row: LedgerRow) -> dict[str, str]:
    """Return the cells of a run by column, as they stand in the file."""
    cells = {
        "run": str(row.run),
        "stage": str(row.stage),
        "block": "" if row.block is None else str(row.block),
        "plot": str(row.plot),
        "lot": plain_text(row.lot),
        "day": "" if row.day is None else str(row.day),
        "kind": plain_text(row.kind),
        "status": row.status,
    }
    for factor, value in zip(schema.space, row.settings, strict=True):
        cells[factor.column] = setting_text(factor, value)
    for factor, column, got in zip(
        schema.space, schema.achieved_columns, row.achieved, strict=True
    ):
        cells[column] = _measured_text(got, factor)
    for column, got in zip(schema.response_columns, row.responses, strict=True):
        cells[column] = _measured_text(got)
    for column, got in zip(schema.weighed_columns, _weighed(schema, row), strict=True):
        cells[column] = _measured_text(got)
    cells["left_out_because"] = plain_text(row.left_out_because)
    cells["notes"] = plain_text(row.notes)
    return cells


def _weighed(schema: LedgerSchema, row: LedgerRow) -> tuple[float | None, ...]:
    return row.weighed or (None,) * len(schema.weighed)


def _measured_text(value: float | None, factor: Factor | None = None) -> str:
    if value is None:
        return ""
    if isinstance(value, Censored):
        return value.text
    if isinstance(factor, CategoricalFactor):
        return setting_text(factor, value)
    return number_text(value)


# --- reading


def read_ledger(path: Path, schema: LedgerSchema) -> Ledger:
    """Return the ledger in a file.

    Parameters
    ----------
    path
        The file `runs.csv`.
    schema
        Factors and responses of the campaign file. A column of neither is kept as it is, with a
        notice; a column of a response that the file has not got yet counts as blank.

    Raises
    ------
    StateError
        The file is not there or cannot be opened.
    ResultsError
        Cells that cannot be read, all of them at once, each with line, address and column.
    """
    records = _records(path)
    if not records:
        raise ResultsError.of(
            "ledger-empty", "the file is empty.", _FROM_HISTORY, file=path.name, line=1
        )
    (header_line, header), body = records[0], records[1:]
    names = [name.strip() for name in header]
    positions, problems = _positions(names, schema, path.name, header_line)
    if problems:
        raise ResultsError(*problems)
    known = set(positions.values())
    extra = [
        i
        for i, name in enumerate(names)
        if i not in known and (name or any(cells[i : i + 1] not in ([], [""]) for _, cells in body))
    ]
    lines = [
        _Line(path.name, number, index, cells, positions, problems)
        for index, (number, cells) in enumerate(body, start=2)
        if any(cell.strip() for cell in cells)
    ]
    rows = [_read_row(line, schema, extra, len(names)) for line in lines]
    _check_twice(lines, rows, problems)
    if problems:
        raise ResultsError(*problems)
    whole = tuple(row for row in rows if row is not None)
    columns = tuple(names[i] for i in extra)
    return Ledger(schema, whole, columns, _notices(columns, schema, positions, whole))


_FROM_HISTORY = "Take the last good one from the folder history."


def _records(path: Path) -> list[tuple[int, list[str]]]:
    """Return line number and cells of every record of the file."""
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise StateError.of(
            "no-ledger", f"there is no {path}.", "Plan the first runs: doe plan."
        ) from None
    except OSError as error:
        raise StateError.of(
            "ledger-unreadable", f"{path} cannot be read: {error.strerror}."
        ) from None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise ResultsError.of(
            "not-utf-8",
            "the file is not UTF-8 text.",
            "Save it as CSV UTF-8, or take the last good one from the folder history.",
            file=path.name,
            line=line,
        ) from None
    return _parsed(text, path.name)


def _parsed(text: str, file: str) -> list[tuple[int, list[str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    records: list[tuple[int, list[str]]] = []
    line = 1
    try:
        for cells in reader:
            records.append((line, cells))
            line = reader.line_num + 1
    except csv.Error as error:
        raise ResultsError.of(
            "broken-csv",
            f"a cell does not end where it should ({error}).",
            'Check the quotes: a quote inside a quoted cell is written twice, "".',
            file=file,
            line=line,
        ) from None
    return records


def _positions(
    names: list[str], schema: LedgerSchema, file: str, line: int
) -> tuple[dict[str, int], list[Problem]]:
    """Return the position of each known column, and what is wrong with the header."""
    where = Where(file, line)
    if "run" not in names and len(names) == 1 and re.match(r"\W*run\W*[;\t]", names[0]):
        what = "the cells are not separated by commas."
        return {}, [Problem("not-commas", what, where, f"Save it with commas. {_FROM_HISTORY}")]
    positions: dict[str, int] = {}
    problems: list[Problem] = []
    for i, name in enumerate(names):
        if name not in schema.columns:
            continue
        if name in positions:
            place = Where(file, line, cell_address(i, 1))
            what = f"the column {name} stands twice."
            problems.append(Problem("column-twice", what, place, "Remove one of them."))
        positions.setdefault(name, i)
    wanted = ("run", "stage", "plot", "kind", *schema.space.columns)
    unknown = [name for name in names if name and name not in schema.columns]
    for name in wanted:
        if name not in positions:
            problems.append(_missing(name, unknown, where))
    for name in unknown:
        if name.startswith("achieved_") and name.removeprefix("achieved_") in unknown:
            problems.append(_gone(name.removeprefix("achieved_"), where))
    return positions, problems


def _missing(name: str, unknown: list[str], where: Where) -> Problem:
    near = difflib.get_close_matches(name, unknown, 1)
    hint = f' "{near[0]}" looks like it.' if near else ""
    remedy = "Name the column so, or give the campaign file the factors that were planned."
    return Problem("column-missing", f"there is no column {name}.{hint}", where, remedy)


def _gone(column: str, where: Where) -> Problem:
    return Problem(
        "factor-gone",
        f"the runs were planned with a factor {column}, which the campaign file no longer has.",
        where,
        "Put the factor back, or start a new campaign: runs without it cannot be compared.",
    )


@dataclass(frozen=True, slots=True)
class _Line:
    """One line of the file; its readers note what is wrong and return None."""

    file: str
    number: int
    row: int
    cells: list[str]
    positions: Mapping[str, int]
    problems: list[Problem]

    def text(self, column: str) -> str:
        position = self.positions.get(column)
        if position is None or position >= len(self.cells):
            return ""
        return from_plain_text(self.cells[position])

    def fault(self, column: str, what: str, remedy: str, code: str = "bad-cell") -> None:
        key = f"{cell_address(self.positions.get(column, 0), self.row)} ({column})"
        self.problems.append(Problem(code, what, Where(self.file, self.number, key), remedy))

    def number_in(self, column: str, needed: bool = False) -> float | None:
        text = self.text(column).strip()
        if not text and not needed:
            return None
        if _NUMBER.fullmatch(text) and math.isfinite(float(text)):
            return float(text)
        what = f"{text!r} is not a number." if text else "a number is missing."
        self.fault(column, what, "Write it with a decimal point, as 12.5.")
        return None

    def response_in(self, column: str) -> float | None:
        """Return a response: a number, or `Censored` where only a limit is known."""
        return Censored.read(self.text(column)) or self.number_in(column)

    def whole_in(self, column: str, needed: bool = False) -> int | None:
        text = self.text(column).strip()
        if not text and not needed:
            return None
        if _WHOLE.fullmatch(text):
            return int(text)
        what = f"{text!r} is not a whole number." if text else "a whole number is missing."
        self.fault(column, what, "Write it as 7.")
        return None

    def level_in(self, column: str, factor: CategoricalFactor, needed: bool) -> float | None:
        text = self.text(column)
        for name in (text, text.strip()):
            if name in factor.levels:
                return float(factor.levels.index(name))
        if text.strip() or needed:
            what = f"{text!r} is not a level of {factor.name}."
            self.fault(column, what, f"Write one of: {', '.join(factor.levels)}.")
        return None

    def lot_in(self, lots: Sequence[str]) -> str:
        text = self.text("lot").strip() if lots else ""
        if text and text not in lots:
            what = f"{text!r} is no feedstock lot of the campaign file."
            self.fault("lot", what, f"Write one of: {', '.join(lots)}; or leave it blank.")
        return text

    def setting_in(self, column: str, factor: Factor, needed: bool) -> float | None:
        if isinstance(factor, CategoricalFactor):
            return self.level_in(column, factor, needed)
        return self.number_in(column, needed)

    def status(self, measured: bool) -> Status:
        """Return the status; a blank one follows from what else the line holds."""
        text = self.text("status").strip()
        because = bool(self.text("left_out_because").strip())
        if not text:
            return "left out" if because else "done" if measured else "planned"
        if text not in STATUSES:
            what = f"{text!r} is not a status."
            self.fault("status", what, "Write planned, done or left out.")
            return "planned"
        if text == "left out" and not because:
            what = "the run is left out without a reason."
            self.fault("status", what, "Write the reason into left_out_because.")
        if text != "left out" and because:
            what = f"there is a reason to leave the run out, but its status is {text}."
            self.fault("status", what, "Write left out, or clear left_out_because.")
        return next(status for status in STATUSES if status == text)


def _read_row(line: _Line, schema: LedgerSchema, extra: list[int], width: int) -> LedgerRow | None:
    """Return the run of a line, None where a cell of it cannot be read."""
    before = len(line.problems)
    if any(cell.strip() for cell in line.cells[width:]):
        what = f"the line has {len(line.cells)} cells, the header {width}."
        line.fault("run", what, 'A cell with a comma in it needs quotes: "a, b".', "cells-beyond")
    run, stage = line.whole_in("run", True), line.whole_in("stage", True)
    plot, day = line.whole_in("plot", True), line.whole_in("day")
    block, lot = line.whole_in("block"), line.lot_in(schema.lots)
    factors = tuple(schema.space)
    settings = [line.setting_in(f.column, f, True) for f in factors]
    pairs = zip(schema.achieved_columns, factors, strict=True)
    achieved = tuple(line.setting_in(column, f, False) for column, f in pairs)
    responses = tuple(line.response_in(column) for column in schema.response_columns)
    weighed = tuple(line.number_in(column) for column in schema.weighed_columns)
    status = line.status(any(value is not None for value in responses))
    if len(line.problems) > before or run is None or stage is None or plot is None:
        return None
    return LedgerRow(
        run,
        stage,
        plot,
        day,
        line.text("kind"),
        status,
        tuple(value for value in settings if value is not None),
        achieved,
        responses,
        line.text("left_out_because"),
        line.text("notes"),
        tuple(line.cells[i] if i < len(line.cells) else "" for i in extra),
        weighed,
        block,
        lot,
    )


def _check_twice(lines: list[_Line], rows: list[LedgerRow | None], problems: list[Problem]) -> None:
    first: dict[int, int] = {}
    for line, row in zip(lines, rows, strict=True):
        if row is None:
            continue
        if row.run in first:
            what = f"run {row.run} stands in line {first[row.run]} already."
            line.fault("run", what, "Give every run its own number.", "run-twice")
        first.setdefault(row.run, line.number)


def _notices(
    extra: tuple[str, ...],
    schema: LedgerSchema,
    positions: Mapping[str, int],
    rows: tuple[LedgerRow, ...],
) -> tuple[Notice, ...]:
    notices = []
    absent = [column for column in schema.response_columns if column not in positions]
    for name in filter(None, extra):
        near = difflib.get_close_matches(name, absent, 1, 0.7)
        near += [r.column for r in schema.responses if r.column in absent and r.name in name]
        hint = f" If it is meant to be {near[0]}, rename it." if near else ""
        what = (
            f"Column {name} of the ledger belongs to no factor or response of the campaign file: "
            f"it is kept as it is and not used.{hint}"
        )
        notices.append(Notice("column-unknown", what))
    for row in rows:
        if row.status == "planned" and started(row):
            what = f"Run {row.run} holds measured values, but its status is planned."
            notices.append(Notice("status-behind", what))
    return tuple(notices)


# --- writing


def write_ledger(path: Path, ledger: Ledger) -> bool:
    """Write the ledger whole or not at all, and keep the former file in `history/`.

    Returns False, and touches nothing, where the file holds these bytes already. A caller that
    read the ledger before must hold `locked` from the reading on.

    Raises
    ------
    StateError
        The folder cannot be written to; the former file is still there.
    """
    path = Path(os.path.realpath(path))
    data = _ledger_text(ledger).encode("utf-8")
    try:
        former = path.read_bytes() if path.exists() else None
        if former == data:
            return False
        if former is not None:
            keep_former(path, former)
        put(path, data)
    except OSError as error:
        raise StateError.of(
            "ledger-unwritable",
            f"{path} cannot be written: {error.strerror}. The ledger is as it was.",
            "Check the folder's rights and the space on the disk.",
        ) from error
    return True


def _ledger_text(ledger: Ledger) -> str:
    columns = ledger.schema.columns_of(ledger.rows)
    records = [(*columns, *ledger.extra_columns)]
    blank = ("",) * len(ledger.extra_columns)
    for row in ledger.rows:
        cells = row_cells(ledger.schema, row)
        known = (cells[column] for column in columns)
        records.append((*known, *(row.extra or blank)))
    return csv_text(records)


@contextlib.contextmanager
def locked(folder: Path, wait_s: float = LOCK_WAIT_S) -> Iterator[None]:
    """Hold the campaign folder for a read-change-write; released on leaving, or on a crash.

    Not to be nested: the lock belongs to the opened file, so the same process waits for itself.

    Raises
    ------
    StateError
        Another process holds it longer than `wait_s` [s], or the folder cannot be written to.
    """
    try:
        file = open(folder / ".lock", "a+b")  # noqa: SIM115  # held open for the whole block
    except OSError as error:
        raise StateError.of(
            "folder-unwritable", f"{folder} cannot be written to: {error.strerror}."
        ) from None
    with file:
        _wait_for(file.fileno(), folder, wait_s)
        for part in (".*.part", "*/.*.part"):  # of a process that was stopped while writing
            for leftover in folder.glob(part):
                leftover.unlink(missing_ok=True)
        try:
            yield
        finally:
            _release(file.fileno())


def _wait_for(handle: int, folder: Path, wait_s: float) -> None:
    until = time.monotonic() + wait_s
    while not _try_lock(handle):
        if time.monotonic() > until:
            raise StateError.of(
                "campaign-busy",
                f"another doe command has been working on {folder} for over {wait_s:g} s.",
                "Wait until it has ended, then try again.",
            )
        time.sleep(0.02)


if sys.platform == "win32":
    import msvcrt

    def _try_lock(handle: int) -> bool:
        os.lseek(handle, 0, os.SEEK_SET)
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

    def _release(handle: int) -> None:
        os.lseek(handle, 0, os.SEEK_SET)
        msvcrt.locking(handle, msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    def _try_lock(handle: int) -> bool:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True

    def _release(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_UN)


# --- results coming in


def with_results(
    ledger: Ledger, returned: Returned, replace: bool = False
) -> tuple[Ledger, tuple[Change, ...]]:
    """Return the ledger with what a filled sheet says, and the cells that changed.

    A blank cell of the sheet changes nothing, and the same sheet twice changes nothing the second
    time. Notes are added to those there are. A run is done once it has a response, or all its
    achieved settings; with a reason in `left_out_because` it is left out.

    Parameters
    ----------
    replace
        Overwrite filled cells that differ. Planned settings are never overwritten.

    Raises
    ------
    ResultsError
        The sheet is of another stage or plan, which is said alone; or unknown runs, changed
        plans, and filled cells that differ: all at once.
    """
    _check_stage(ledger, returned)
    problems: list[Problem] = []
    rows = {row.run: row for row in ledger.rows}
    for back in returned.rows:
        row = rows.get(back.run)
        if row is None:
            problems.append(_unknown_run(back, returned.file, rows))
            continue
        merge = _Merge(ledger.schema, row, back, returned.file, replace, problems)
        merge.check_plan()
        rows[back.run] = merge.merged()
    if problems:
        raise ResultsError(*_of_another_plan(ledger, returned, problems) or problems)
    merged = tuple(rows[row.run] for row in ledger.rows)
    changes = tuple(
        Change(old.run, column, before[column], after[column])
        for old, new in zip(ledger.rows, merged, strict=True)
        if old != new
        for before, after in [(row_cells(ledger.schema, old), row_cells(ledger.schema, new))]
        for column in ledger.schema.columns
        if before[column] != after[column]
    )
    return Ledger(ledger.schema, merged, ledger.extra_columns, ledger.notices), changes


def _check_stage(ledger: Ledger, returned: Returned) -> None:
    """Refuse, by its first row of that kind, a sheet that says that it is of another stage."""
    stages = {row.run: row.stage for row in ledger.rows}
    for back in returned.rows:
        stage = stages.get(back.run)
        mark = "" if stage is None else sheet_mark(ledger.schema.campaign, stage)
        if not back.sheet_of or back.sheet_of.casefold() == mark.casefold():
            continue
        found = "is none of its runs" if stage is None else f"is of stage {stage}"
        what = (
            f'the sheet says "{back.sheet_of}", and run {back.run} {found}. Nothing was taken '
            "from it."
        )
        remedy = f"Fill in the sheet of the stage that has the run, or correct run or {SHEET_OF}."
        where = _place(back, returned.file, SHEET_OF)
        raise ResultsError(Problem("sheet-of-another", what, where, remedy))


def _of_another_plan(
    ledger: Ledger, returned: Returned, problems: Sequence[Problem]
) -> list[Problem]:
    """Return the one problem of a sheet whose rows mostly contradict the plan; else none."""
    against = [p for p in problems if p.code in ("unknown-run", "plan-changed")]
    rows = len({problem.where.line for problem in against})
    if rows < ROWS_OF_ANOTHER or 2 * rows <= len(returned.rows):
        return []
    first = against[0].what.rstrip(".")
    whose = f"the plan of {ledger.schema.campaign}" if ledger.schema.campaign else "the plan"
    what = (
        f"{rows} of {len(returned.rows)} rows contradict {whose}; the first: {first}. The sheet is "
        "of another campaign, or of a plan that was replaced. Nothing was taken from it."
    )
    remedy = (
        "Hand it in where it belongs. If it is this campaign's, and what was really set was "
        "written over the plan, put that into the columns that begin with achieved_."
    )
    return [Problem("sheet-of-another", what, Where(returned.file or None), remedy)]


def _unknown_run(back: ReturnedRow, file: str, rows: Mapping[int, LedgerRow]) -> Problem:
    runs = sorted(rows)
    known = f"it has runs {runs[0]} to {runs[-1]}" if runs else "it has no runs yet"
    return Problem(
        "unknown-run",
        f"the ledger has no run {back.run}: {known}.",
        _place(back, file, "run"),
        "Correct the number, or check that the sheet belongs to this campaign.",
    )


def _place(back: ReturnedRow, file: str, column: str) -> Where:
    address = back.cells.get(column)
    return Where(file or None, back.line, f"{address} ({column})" if address else column)


def _unit_meant(factor: Factor, planned: float, said: float) -> str:
    """Return the unit in which what the sheet says is the planned temperature; empty if in none."""
    if not isinstance(factor, NumericFactor) or factor.unit != "°C":
        return ""
    near = 0.6  # of a number written without decimals
    return next((u for u, in_C in IN_CELSIUS.items() if abs(in_C(said) - planned) < near), "")


@dataclass(frozen=True, slots=True)
class _Merge:
    """One run of the ledger and what the sheet says of it."""

    schema: LedgerSchema
    row: LedgerRow
    back: ReturnedRow
    file: str
    replace: bool
    problems: list[Problem]

    def check_plan(self) -> None:
        """Note what the sheet says otherwise than planned."""
        for name, old, new in (
            ("stage", self.row.stage, self.back.stage),
            ("block", self.row.block, self.back.block),
            ("plot", self.row.plot, self.back.plot),
        ):
            if new is not None and new != old:
                self._plan_changed(name, "none" if old is None else str(old), str(new))
        if self.back.kind and self.back.kind.casefold() != self.row.kind.casefold():
            self._plan_changed("kind", self.row.kind or "none", self.back.kind)
        for factor, old_value in zip(self.schema.space, self.row.settings, strict=True):
            value = self.back.settings.get(factor.column)
            if value is not None and not same_setting(factor, old_value, value):
                texts = setting_text(factor, old_value), setting_text(factor, value)
                self._plan_changed(factor.column, *texts, _unit_meant(factor, old_value, value))

    def _plan_changed(self, column: str, old: str, new: str, unit: str = "") -> None:
        what = f"run {self.row.run} was planned with {column} {old}, the sheet says {new}."
        remedy = f"Put {old} back; what was really set goes into achieved_{column}."
        if unit:
            what = f"{what[:-1]}: that is {old} °C in {unit}."
            remedy = f"Put {old} back: planned settings stay as they were printed, in °C."
        if column == "kind":
            remedy = f"Put {old} back; if the run was made as something else, say so in the notes."
        elif column in ("stage", "block", "plot"):
            remedy = "Check that the sheet belongs to this campaign and stage."
        where = _place(self.back, self.file, column)
        self.problems.append(Problem("plan-changed", what, where, remedy))

    def merged(self) -> LedgerRow:
        columns = zip(
            self.schema.space, self.schema.achieved_columns, self.row.achieved, strict=True
        )
        achieved = tuple(
            self._value(column, old, self.back.achieved.get(factor.column), factor)
            for factor, column, old in columns
        )
        pairs = zip(self.schema.response_columns, self.row.responses, strict=True)
        responses = tuple(
            self._value(column, old, self.back.responses.get(column)) for column, old in pairs
        )
        weighings = zip(self.schema.weighed_columns, _weighed(self.schema, self.row), strict=True)
        weighed = tuple(
            self._value(column, old, self.back.weighed.get(column)) for column, old in weighings
        )
        because = self._reason()
        return replace(
            self.row,
            day=self._day(),
            achieved=achieved,
            responses=responses,
            left_out_because=because,
            notes=self._notes(),
            weighed=weighed if any(v is not None for v in weighed) else self.row.weighed,
            lot=self._lot(),
            status=self._status(because, achieved, responses, weighed),
        )

    def _status(
        self,
        because: str,
        achieved: tuple[float | None, ...],
        responses: tuple[float | None, ...],
        weighed: tuple[float | None, ...],
    ) -> Status:
        if because:
            return "left out"
        complete = bool(achieved) and None not in achieved
        tells = (*responses, *weighed) if prepares(self.row) else responses
        if complete or any(value is not None for value in tells):
            return "done"
        return self.row.status

    def _value(
        self, column: str, old: float | None, new: float | None, factor: Factor | None = None
    ) -> float | None:
        if new is None or (old is not None and _same_value(old, new)):
            return old
        if old is not None:
            self._overwrite(column, _measured_text(old, factor), _measured_text(new, factor))
        return new

    def _day(self) -> int | None:
        old, new = self.row.day, self.back.day
        if new is None or new == old:
            return old
        if old is not None:
            self._overwrite("day", str(old), str(new))
        return new

    def _lot(self) -> str:
        old, new = self.row.lot, self.back.lot
        if not new or new == old:
            return old
        if old and started(self.row):
            self._overwrite("lot", old, new)
        return new

    def _reason(self) -> str:
        old, new = self.row.left_out_because, self.back.left_out_because
        if not new or new == old:
            return old
        if old:
            self._overwrite("left_out_because", old, new)
        return new

    def _notes(self) -> str:
        old, new = self.row.notes, self.back.notes
        if not new or new in old:
            return new if self.replace and new else old
        if not old or self.replace or old in new:
            return new
        return f"{old}; {new}"

    def _overwrite(self, column: str, old: str, new: str) -> None:
        if self.replace:
            return
        what = f"run {self.row.run} has {column} {old} in the ledger, the sheet says {new}."
        remedy = "Correct the sheet, or record it with --replace to overwrite."
        where = _place(self.back, self.file, column)
        self.problems.append(Problem("filled-cell", what, where, remedy))


def _same_value(old: float, new: float) -> bool:
    if isinstance(old, Censored) or isinstance(new, Censored):
        return old == new
    return math.isclose(old, new, rel_tol=1e-9)


def same_setting(factor: Factor, old: float, new: float) -> bool:
    """Tell whether a setting came back as planned; a spreadsheet may have rounded what it shows.

    Only where the factor has no step: half the last decimal shown. Otherwise steps tell apart.
    """
    if math.isclose(old, new, rel_tol=1e-9, abs_tol=1e-12):
        return True
    if isinstance(factor, NumericFactor) and factor.step is None:
        return abs(old - new) <= 0.500001 * 10.0**-factor.decimals
    return False
