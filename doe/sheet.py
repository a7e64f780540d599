"""Bench sheets out, filled sheets in.

Out go a CSV and a page for print. In comes CSV as laboratories really send it (UTF-8 with or
without BOM, UTF-16, Windows-1252; comma, semicolon or tab; decimal point or comma; title lines
above the header; columns moved or added) or an XLSX workbook. Nothing is guessed: a cell that can
be read in two ways is refused with its address, and all such cells at once.

Formulas: text that a spreadsheet would take for one is written with an apostrophe before it
(`doe.ledger.plain_text`), and read without.
"""

from __future__ import annotations

import codecs
import csv
import difflib
import io
import math
import re
import warnings
import zipfile
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doe.errors import Notice, Problem, ResultsError, StateError, Where
from doe.factors import CategoricalFactor, Factor
from doe.ledger import (
    LedgerRow,
    LedgerSchema,
    Returned,
    ReturnedRow,
    cell_address,
    csv_text,
    from_plain_text,
    row_cells,
)
from doe.quantities import unit_slug
from doe.responses import Response

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = [
    "Returned",
    "ReturnedRow",
    "read_sheet",
    "read_sheet_text",
    "sheet_columns",
    "sheet_csv",
    "sheet_html",
]

BYTES_MAX = 20_000_000
UNPACKED_MAX = 200_000_000
CELLS_MAX = 2_000_000
HEADER_WITHIN = 60
"""Rows from the top among which the header is looked for."""
DELIMITERS = (",", ";", "\t")
NOT_MEASURED = {"", "-", "–", "—", "nd", "n.d.", "n.d", "n/d", "n. d.", "na", "n.a.", "n/a"}
IDENTITY = ("run", "stage", "day", "plot", "kind")
LIKENESS = 0.75
"""Above this likeness (0 to 1), an unknown heading is taken for a slip of the pen."""

_NUMBER = re.compile(r"[+-]?(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?")
_THREE_DECIMALS = re.compile(r"[+-]?[1-9][0-9]{0,2}([.,])[0-9]{3}")
_GROUPED = re.compile(r"[+-]?[0-9]{1,3}(?:[.,'’\s][0-9]{3})*(?:[.,'’\s][0-9]+)")
_MONTH = r"(?:jan|feb|m[aä]r|apr|ma[iy]|jun|jul|aug|sep|o[ck]t|nov|de[cz])[a-zéû]*\.?"
_DATE = re.compile(
    r"[0-9]{4}[-/.][0-9]{1,2}[-/.][0-9]{1,2}.*"
    r"|[0-9]{1,2}([./-])[0-9]{1,2}\1(?:[0-9]{2}|[0-9]{4})?(?:\s.*)?"
    r"|[0-9]{1,2}[-/][0-9]{1,2}"
    rf"|[0-9]{{1,2}}[-. /]*{_MONTH}(?:[-. /]*[0-9]{{2,4}})?|{_MONTH}[-. /]*[0-9]{{2,4}}",
    re.IGNORECASE,
)
_BELOW = re.compile(r"[<≤>≥].*|b[dl][lq]|(?:under |below )?lo[dq]\b.*", re.IGNORECASE)
_SHEET_ERROR = re.compile(r"#[A-ZÄÖÜ0-9/!?]+[!?]?|Err:[0-9]+", re.IGNORECASE)
_SPACES = re.compile(r"^[\s\u00a0\u2009\u202f]+|[\s\u00a0\u2009\u202f]+$")


# --- out


def sheet_columns(schema: LedgerSchema) -> tuple[str, ...]:
    """Return the columns of the CSV sheet, named as in the ledger."""
    measured = (*schema.achieved_columns, *schema.response_columns)
    return (*IDENTITY, *schema.space.columns, *measured, "left_out_because", "notes")


def sheet_csv(rows: Iterable[LedgerRow], schema: LedgerSchema) -> str:
    """Return the bench sheet of some runs as CSV; what is recorded already is filled in.

    Comma, decimal point, ``\\n``. Text that begins like a formula has an apostrophe before it.
    """
    columns = sheet_columns(schema)
    cells = (row_cells(schema, row) for row in rows)
    return csv_text([columns, *([row[column] for column in columns] for row in cells)])


@dataclass(frozen=True, slots=True)
class _Heading:
    words: str
    unit: str
    column: str


@dataclass(frozen=True, slots=True)
class _PrintedRun:
    run: str
    plot: str
    kind: str
    settings: tuple[str, ...]
    achieved: tuple[str, ...]
    responses: tuple[str, ...]
    left_out_because: str
    notes: str
    limits: tuple[str, ...]


def sheet_html(
    rows: Sequence[LedgerRow],
    schema: LedgerSchema,
    *,
    campaign: str,
    stage: int,
    fixed: Sequence[tuple[str, str]],
    limits: Mapping[int, Sequence[str]] | None = None,
    cautions: Sequence[str] = (),
    unconfirmed_limits: bool = False,
    provenance: Sequence[tuple[str, str]] = (),
    mode: str = "",
) -> str:
    """Return the bench sheet as one page for print on A4: no script, nothing fetched.

    Parameters
    ----------
    rows
        Runs of the stage, in the order they are to be run; each day gets its own table.
    fixed
        Name and value of what is set alike for every run, as ("pressure", "50 bar gauge"): no
        set value may be missing from the page that the rig is set by.
    limits
        Sentences for each run by its number, as "at least 31.6 bar gauge at this temperature".
    cautions
        Sentences about the rig and the material, printed before the first run.
    unconfirmed_limits
        Prints the banner that the sheet is for planning practice only.
    provenance
        Pairs of label and text for the foot: file, seed, versions.
    """
    template = _environment().get_template("sheet.html")
    headings = [_Heading(f.name.replace("_", " "), f.unit, f.column) for f in schema.space]
    measured = [_Heading(r.words, r.unit, r.column) for r in schema.responses]
    return template.render(
        campaign=_seen(campaign),
        stage=stage,
        mode=_seen(mode),
        factors=headings,
        fixed=[(_seen(name), _seen(value)) for name, value in fixed],
        responses=measured,
        days=_by_day(rows, schema, limits or {}),
        cautions=[_seen(text) for text in cautions],
        unconfirmed_limits=unconfirmed_limits,
        provenance=[(_seen(label), _seen(text)) for label, text in provenance],
        plots_shown=len({row.plot for row in rows}) < len(rows),
    )


@lru_cache(maxsize=1)
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    from doe.report.palette import LIGHT, css_variables

    environment = Environment(
        loader=PackageLoader("doe.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["palette"] = css_variables(LIGHT)
    return environment


def _seen(text: str) -> str:
    """Return text without characters that hide or reorder what stands next to it."""
    from doe.report.digits import shown

    return shown(text)


def _by_day(
    rows: Sequence[LedgerRow], schema: LedgerSchema, limits: Mapping[int, Sequence[str]]
) -> list[tuple[str, list[_PrintedRun]]]:
    """Return the runs under a heading for each day, days in the order they come."""
    days: dict[int | None, list[_PrintedRun]] = {}
    for row in rows:
        days.setdefault(row.day, []).append(_printed(row, schema, limits.get(row.run, ())))
    only = set(days) == {None}
    no_day = "Runs" if only else "Day not set"
    return [(no_day if day is None else f"Day {day}", runs) for day, runs in days.items()]


def _printed(row: LedgerRow, schema: LedgerSchema, limits: Sequence[str]) -> _PrintedRun:
    texts = row_cells(schema, row)
    cells = {column: _seen(from_plain_text(text)) for column, text in texts.items()}
    return _PrintedRun(
        run=cells["run"],
        plot=cells["plot"],
        kind=_seen(row.kind),
        settings=tuple(cells[column] for column in schema.space.columns),
        achieved=tuple(cells[column] for column in schema.achieved_columns),
        responses=tuple(cells[column] for column in schema.response_columns),
        left_out_because=_seen(row.left_out_because),
        notes=_seen(row.notes),
        limits=tuple(_seen(text) for text in limits),
    )


# --- in: from bytes to cells


@dataclass(frozen=True, slots=True)
class _Row:
    """One row of the file: spreadsheet row, line of the text file, cells as text.

    By position: `numbers`, cells of a workbook that hold a number, not text; `faults`, cells whose
    kind already rules them out as numbers, (what, remedy).
    """

    row: int
    line: int | None
    cells: list[str]
    numbers: Mapping[int, float] = field(default_factory=dict)
    faults: Mapping[int, tuple[str, str]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Grid:
    """All rows of a file, its delimiter (None for a workbook), and notices on how it was read."""

    rows: list[_Row]
    delimiter: str | None
    notices: tuple[Notice, ...] = ()
    sheet: str = ""


def read_sheet(path: Path, schema: LedgerSchema) -> Returned:
    """Return what a filled sheet says.

    Parameters
    ----------
    path
        A CSV or XLSX file. Columns may have moved; those that the campaign does not know come
        back as notes, ``column: value``.
    schema
        Factors and responses of the campaign.

    Raises
    ------
    StateError
        The file is not there or cannot be opened.
    ResultsError
        Everything in it that cannot be read without guessing, with the cells' addresses.
    """
    file = path.name
    data = _bytes(path)
    workbook = data.startswith(b"PK\x03\x04")
    grid = _workbook(data, file, schema) if workbook else _text_grid(data, file, schema)
    return _returned(grid, file, schema)


def read_sheet_text(text: str, name: str, schema: LedgerSchema) -> Returned:
    """Return what a sheet says that is held as CSV text; `name` stands for its file in messages.

    Raises
    ------
    ResultsError
        As `read_sheet`.
    """
    return _returned(_text_grid(text.encode("utf-8"), name, schema), name, schema)


def _returned(grid: _Grid, file: str, schema: LedgerSchema) -> Returned:
    header = _header_row(grid.rows, schema)
    if header is None:
        raise ResultsError(_no_header(grid, file))
    columns, problems = _columns(grid.rows[header], schema, file)
    if problems:
        raise ResultsError(*problems)
    body = [row for row in grid.rows[header + 1 :] if row.faults or any(map(_strip, row.cells))]
    sheet = _Sheet(file, schema, columns, grid, len(grid.rows[header].cells), problems, body)
    rows = [row for line in body if (row := sheet.returned(line)) is not None]
    sheet.check_twice(rows)
    if problems:
        raise ResultsError(*problems)
    return Returned(tuple(rows), file, (*grid.notices, *sheet.notices()))


def _bytes(path: Path) -> bytes:
    try:
        size = path.stat().st_size
        if size > BYTES_MAX:
            raise _refused(
                "sheet-too-large",
                f"the file has {size / 1e6:.0f} MB; a sheet has at most {BYTES_MAX / 1e6:.0f} MB.",
                "Send only the table of runs.",
                path.name,
            )
        return path.read_bytes()
    except FileNotFoundError:
        raise StateError.of("no-sheet", f"there is no {path}.", "Check the name.") from None
    except OSError as error:
        raise StateError.of(
            "sheet-unreadable", f"{path} cannot be read: {error.strerror}."
        ) from None


def _refused(code: str, what: str, remedy: str, file: str, line: int | None = None) -> ResultsError:
    return ResultsError(Problem(code, what, Where(file, line), remedy))


def _text_grid(data: bytes, file: str, schema: LedgerSchema) -> _Grid:
    text, notices = _decoded(data, file)
    if not text.strip():
        raise _refused("sheet-empty", "the file is empty.", "Send the filled sheet.", file)
    delimiter = max(DELIMITERS, key=lambda mark: _likeness_of(text, mark, schema))
    return _Grid(_strict_rows(text, delimiter, file), delimiter, notices)


def _decoded(data: bytes, file: str) -> tuple[str, tuple[Notice, ...]]:
    """Return the text of a file, and a notice where its encoding had to be inferred."""
    binary = _refused(
        "sheet-binary",
        "the file is neither text nor an XLSX workbook.",
        "Save the table as CSV or XLSX, without a password.",
        file,
    )
    if data.startswith((codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE)):
        raise binary
    notices: tuple[Notice, ...] = ()
    try:
        if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
            text = data.decode("utf-16")
        elif b"\0" in data:
            text = data.decode(_bare_utf16(data))
        else:
            try:
                text = data.decode("utf-8-sig")
            except UnicodeDecodeError:
                text = data.decode("cp1252")
                what = f"{file} is not UTF-8; it was read as Windows-1252. Check accents in notes."
                notices = (Notice("read-as-windows-1252", what),)
    except (UnicodeDecodeError, LookupError):
        raise binary from None
    if re.search(r"[\0-\x08\x0e-\x1f\x7f]", text):
        raise binary
    return text, notices


def _bare_utf16(data: bytes) -> str:
    """Return the byte order of UTF-16 without a mark, ``"binary"`` if it is not that.

    The header is ASCII, so in UTF-16 every other byte of the file's start is zero.
    """
    start = data[:40]
    if not any(start[0::2]):
        return "utf-16-be"
    return "binary" if any(start[1::2]) else "utf-16-le"


def _strict_rows(text: str, delimiter: str, file: str) -> list[_Row]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows: list[_Row] = []
    line = 1
    try:
        for number, cells in enumerate(reader, start=1):
            rows.append(_Row(number, line, cells))
            line = reader.line_num + 1
    except csv.Error as error:
        raise _refused(
            "broken-csv",
            f"a cell does not end where it should ({error}).",
            'Check the quotes: a quote inside a quoted cell is written twice, "".',
            file,
            line,
        ) from None
    return rows


def _likeness_of(text: str, delimiter: str, schema: LedgerSchema) -> int:
    """Return how many known columns the best row has when split at a delimiter."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    best = 0
    try:
        for number, cells in enumerate(reader):
            best = max(best, _known_in(cells, schema))
            if number >= HEADER_WITHIN:
                break
    except csv.Error:
        pass  # the strict reading says where
    return best


def _workbook(data: bytes, file: str, schema: LedgerSchema) -> _Grid:
    """Return the one sheet of a workbook that holds a table of runs."""
    values, formulas = _opened(data, file)
    grids = []
    for sheet in values.worksheets:
        if sheet.max_row * sheet.max_column > CELLS_MAX:
            raise _refused(
                "sheet-too-large",
                f"sheet {sheet.title} has {sheet.max_row} rows of {sheet.max_column} cells.",
                "Delete the empty rows and columns round the table.",
                file,
            )
        both = zip(sheet.iter_rows(), formulas[sheet.title].iter_rows(), strict=True)
        rows = [_workbook_row(*pair, number) for number, pair in enumerate(both, start=1)]
        grids.append(_Grid(rows, None, (), sheet.title))
    found = [grid for grid in grids if _header_row(grid.rows, schema) is not None]
    if len(found) > 1:
        raise _refused(
            "several-sheets",
            f"{len(found)} sheets hold a table of runs: {', '.join(g.sheet for g in found)}.",
            "Keep the filled one only.",
            file,
        )
    empty = _Grid([], None)
    return found[0] if found else max(grids, key=lambda grid: len(grid.rows), default=empty)


def _opened(data: bytes, file: str) -> tuple[Any, Any]:
    """Return the workbook twice: with values, and with formulas, which may have no value."""
    import openpyxl

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            if sum(entry.file_size for entry in archive.infolist()) > UNPACKED_MAX:
                raise _refused(
                    "sheet-too-large",
                    f"unpacked, the workbook has over {UNPACKED_MAX / 1e6:.0f} MB.",
                    "Send only the table of runs.",
                    file,
                )
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # on styles and extensions, which are not read
            return (
                openpyxl.load_workbook(io.BytesIO(data), data_only=True),
                openpyxl.load_workbook(io.BytesIO(data), data_only=False),
            )
    except ResultsError:
        raise
    except Exception:  # whatever the library meets in a file that only begins like a workbook
        raise _refused(
            "sheet-binary",
            "the file is not an XLSX workbook that can be read.",
            "Save the table as CSV or XLSX, without a password.",
            file,
        ) from None


def _workbook_row(cells: Sequence[Any], formulas: Sequence[Any], number: int) -> _Row:
    texts: list[str] = []
    numbers: dict[int, float] = {}
    faults: dict[int, tuple[str, str]] = {}
    for i, (cell, formula) in enumerate(zip(cells, formulas, strict=True)):
        found = _workbook_cell(cell, formula)
        texts.append(found.text)
        if found.number is not None:
            numbers[i] = found.number
        if found.fault is not None:
            faults[i] = found.fault
    return _Row(number, None, texts, numbers, faults)


@dataclass(frozen=True, slots=True)
class _Found:
    """A workbook's cell: as text, as a number if it is one, and what rules it out as one."""

    text: str
    number: float | None = None
    fault: tuple[str, str] | None = None


def _workbook_cell(cell: Any, formula: Any) -> _Found:
    value = cell.value
    if value is None and formula.data_type == "f":
        what = "a formula whose value is not in the file."
        return _Found("(formula without a value)", None, (what, "Paste its value instead."))
    if value is None:
        return _Found("")
    if isinstance(value, bool):
        return _Found(str(value), None, (f"{value} is not a number.", "Write the number."))
    if isinstance(value, (datetime, date, time, timedelta)):
        return _Found(str(value), None, (f"{value} is a date or time, not a number.", _AS_NUMBER))
    if isinstance(value, (int, float)):
        text = repr(value).removesuffix(".0")
        if "%" in (cell.number_format or ""):
            what = f"the share {text}, shown as percent, can be read as {text} or in percent."
            remedy = "Set the cell's format to a plain number and type it anew."
            return _Found(text, None, (what, remedy))
        return _Found(text, float(value))
    return _Found(str(value))


_AS_NUMBER = "Write the number itself, in a cell formatted as number or text."


# --- in: from cells to columns


def _strip(text: str) -> str:
    return _SPACES.sub("", text)


def _plain(name: str) -> str:
    """Return a heading without case, spaces and signs: ``Yield (%)`` is ``yield_pct``."""
    return unit_slug(name).replace("_", "").casefold()


@lru_cache(maxsize=32)
def _by_plain(columns: tuple[str, ...]) -> dict[str, str]:
    """Return the columns by their plain names, those that would collide left out."""
    counts = Counter(map(_plain, columns))
    return {_plain(column): column for column in columns if counts[_plain(column)] == 1}


def _column_of(heading: str, schema: LedgerSchema) -> str | None:
    """Return the column that a heading names: exactly, or but for case, spaces and signs."""
    name = _strip(from_plain_text(heading))
    if name in schema.columns:
        return name
    return _by_plain(schema.columns).get(_plain(name)) if _plain(name) else None


def _known_in(cells: Sequence[str], schema: LedgerSchema) -> int:
    return len({_column_of(cell, schema) for cell in cells} - {None})


def _header_row(rows: Sequence[_Row], schema: LedgerSchema) -> int | None:
    """Return the position of the first row that names `run` and another column."""
    for i, row in enumerate(rows[:HEADER_WITHIN]):
        names = {_column_of(cell, schema) for cell in row.cells} - {None}
        if "run" in names and len(names) >= 2:
            return i
    return None


def _no_header(grid: _Grid, file: str) -> Problem:
    """Return the problem of a file without a header, naming the heading most like `run`."""
    best, place = 0.0, ""
    for row in grid.rows[:HEADER_WITHIN]:
        for i, cell in enumerate(row.cells):
            likeness = difflib.SequenceMatcher(None, _plain(cell), "run").ratio()
            if likeness > best:
                best, place = likeness, f'"{_strip(cell)}" in {cell_address(i, row.row)}'
    hint = f" Most like it is {place}." if best >= 0.5 else ""
    return Problem(
        "no-header",
        f"no row has a column named run and at least one more of the sheet's columns.{hint}",
        Where(file),
        "Keep the heading row of the sheet as it was handed out.",
    )


@dataclass(frozen=True, slots=True)
class _Columns:
    """Positions of the known columns, and of the others with their headings."""

    known: Mapping[str, int]
    others: Mapping[int, str]


def _columns(row: _Row, schema: LedgerSchema, file: str) -> tuple[_Columns, list[Problem]]:
    known: dict[str, int] = {}
    others: dict[int, str] = {}
    problems: list[Problem] = []
    for i, cell in enumerate(row.cells):
        column = _column_of(cell, schema)
        if column is None:
            others[i] = _strip(from_plain_text(cell)) or f"column {cell_address(i, 1)[:-1]}"
        elif column in known:
            both = cell_address(known[column], row.row), cell_address(i, row.row)
            what = f"{both[0]} and {both[1]} both name the column {column}."
            where = Where(file, row.line, both[1])
            problems.append(Problem("column-twice", what, where, "Rename or remove one of them."))
        else:
            known[column] = i
    for i, name in others.items():
        problems += _slip(name, cell_address(i, row.row), row, known, schema, file)
    return _Columns(known, others), problems


def _slip(
    name: str, address: str, row: _Row, known: Mapping[str, int], schema: LedgerSchema, file: str
) -> list[Problem]:
    """Return the problem of a heading that is nearly that of a column which is missing."""
    absent = {_plain(c): c for c in sheet_columns(schema) if c not in known}
    measured = (*schema.space, *schema.responses)
    absent |= {_plain(m.name): m.column for m in measured if m.column not in known}
    near = difflib.get_close_matches(_plain(name), absent, 1, LIKENESS)
    if not near:
        return []
    return [
        Problem(
            "heading-unclear",
            f'the heading "{name}" is nearly {absent[near[0]]}, which is missing.',
            Where(file, row.line, address),
            f"Name it {absent[near[0]]}, or call it something else if it is another thing.",
        )
    ]


# --- in: from columns to values


@dataclass(frozen=True, slots=True)
class _Sheet:
    """A filled sheet with its columns known; readers note what is wrong and return None."""

    file: str
    schema: LedgerSchema
    columns: _Columns
    grid: _Grid
    width: int
    problems: list[Problem]
    body: list[_Row]
    marks: Counter[str] = field(default_factory=Counter)
    evidence: dict[str, bool] = field(default_factory=dict)

    def returned(self, row: _Row) -> ReturnedRow | None:
        """Return the run of a row, None where its number cannot be read."""
        before = len(self.problems)
        self._check_width(row)
        run = self._whole(row, "run")
        settings = self._factors(row, self.schema.space.columns)
        achieved = self._factors(row, self.schema.achieved_columns)
        responses = {
            response.column: value
            for response in self.schema.responses
            if (value := self._number(row, response.column, response)) is not None
        }
        if run is None and len(self.problems) == before:
            self._fault(row, "run", "the row has no run number.", "Write it, or empty the row.")
        if run is None:
            return None
        return ReturnedRow(
            run=run,
            settings=settings,
            achieved=achieved,
            responses=responses,
            left_out_because=self._text(row, "left_out_because"),
            notes=self._notes(row),
            line=row.line or row.row,
            stage=self._whole(row, "stage"),
            plot=self._whole(row, "plot"),
            day=self._whole(row, "day"),
            cells={c: cell_address(i, row.row) for c, i in self.columns.known.items()},
        )

    def check_twice(self, rows: Sequence[ReturnedRow]) -> None:
        first: dict[int, int | None] = {}
        for row in rows:
            if row.run in first:
                what = f"run {row.run} stands in line {first[row.run]} already."
                where = Where(self.file, row.line, f"{row.cells['run']} (run)")
                remedy = "Keep one row a run."
                self.problems.append(Problem("run-twice", what, where, remedy))
            first.setdefault(row.run, row.line)

    def notices(self) -> list[Notice]:
        """Return what was taken as not measured, and the columns that went into the notes."""
        notices = [
            Notice("taken-as-not-measured", f'{count} × "{mark}" was taken as not measured.')
            for mark, count in sorted(self.marks.items())
        ]
        others = self.columns.others.items()
        filled = [
            n for i, n in others if any(_strip(c) for r in self.body for c in r.cells[i : i + 1])
        ]
        if filled:
            what = f"Not in the campaign, so kept with the notes: {', '.join(filled)}."
            notices.append(Notice("kept-as-notes", what))
        return notices

    def _check_width(self, row: _Row) -> None:
        beyond = len(row.cells) - self.width
        comma = self.grid.delimiter == ","
        if beyond > 0 and (comma or any(map(_strip, row.cells[self.width :]))):
            what = f"the row has {len(row.cells)} cells, the header {self.width}."
            remedy = "Each cell needs a heading."
            if comma:
                remedy = "A number with a decimal comma splits in two: use the decimal point."
            self._fault(row, "run", what, remedy, "cells-beyond")

    def _raw(self, row: _Row, column: str) -> str:
        position = self.columns.known.get(column)
        if position is None or position >= len(row.cells):
            return ""
        return row.cells[position]

    def _text(self, row: _Row, column: str) -> str:
        text = _strip(from_plain_text(self._raw(row, column)))
        return "" if text.casefold() in NOT_MEASURED else text

    def _fault(
        self, row: _Row, column: str, what: str, remedy: str, code: str = "bad-cell"
    ) -> None:
        key = f"{cell_address(self.columns.known[column], row.row)} ({column})"
        if self.grid.sheet:
            key = f"sheet {self.grid.sheet}, {key}"
        self.problems.append(Problem(code, what, Where(self.file, row.line, key), remedy))

    def _ruled_out(self, row: _Row, column: str) -> bool:
        """Tell whether the kind of a workbook's cell already rules it out; note it."""
        fault = row.faults.get(self.columns.known.get(column, -1))
        if fault is not None:
            self._fault(row, column, *fault)
        return fault is not None

    def _whole(self, row: _Row, column: str) -> int | None:
        if self._ruled_out(row, column):
            return None
        text = _strip(self._raw(row, column))
        if re.fullmatch(r"[0-9]{1,9}", text):
            return int(text)
        if text:
            self._fault(row, column, f'"{text}" is not a whole number.', "Write it as 7.")
        return None

    def _factors(self, row: _Row, columns: Sequence[str]) -> dict[str, float]:
        """Return planned or achieved settings, keyed by factor column."""
        found = {}
        for factor, column in zip(self.schema.space, columns, strict=True):
            if isinstance(factor, CategoricalFactor):
                value = self._level(row, column, factor)
            else:
                value = self._number(row, column, factor)
            if value is not None:
                found[factor.column] = value
        return found

    def _level(self, row: _Row, column: str, factor: CategoricalFactor) -> float | None:
        if self._ruled_out(row, column):
            return None
        text = _strip(from_plain_text(self._raw(row, column)))
        if text in factor.levels:
            return float(factor.levels.index(text))
        if text.casefold() in NOT_MEASURED:
            return None
        near = [i for i, name in enumerate(factor.levels) if name.casefold() == text.casefold()]
        if len(near) == 1:
            return float(near[0])
        levels = ", ".join(factor.levels)
        self._fault(row, column, f'"{text}" is not a level.', f"Write one of: {levels}.")
        return None

    def _number(self, row: _Row, column: str, of: Factor | Response) -> float | None:
        position = self.columns.known.get(column)
        if position is None or self._ruled_out(row, column):
            return None
        if position in row.numbers:
            return row.numbers[position]
        text = _strip(from_plain_text(self._raw(row, column))).replace("−", "-")
        if text.casefold() in NOT_MEASURED:
            if text:
                self.marks[text] += 1
            return None
        bare = _without_unit(text, of)
        fault = _not_a_number(text, bare, of) or self._two_readings(bare)
        if fault is None:
            value = float(bare.replace(",", "."))
            if math.isfinite(value):
                return value
            fault = f'"{text}" is too large.', "Check the exponent."
        self._fault(row, column, *fault)
        return None

    def _two_readings(self, bare: str) -> tuple[str, str] | None:
        """Return the fault of a number that is one thing with and another without decimals.

        A comma with three figures after it always can be; a point with three can where the rest
        of the file uses decimal commas, or is split in the way that goes with them and has no
        number that settles it.
        """
        match = _THREE_DECIMALS.fullmatch(bare)
        if match is None or (match[1] == "." and self._points_are_decimal()):
            return None
        whole = re.sub(r"[.,]", "", bare)
        return (
            f'"{bare}" can be read as {bare.replace(",", ".")} or as {whole}.',
            f"Write {whole} or {bare}0 so that it has one meaning only.",
        )

    def _points_are_decimal(self) -> bool:
        if not self.evidence:
            plain = [_without_unit(_strip(c), of) for c, of in self._number_cells()]
            settled = [
                t for t in plain if _NUMBER.fullmatch(t) and not _THREE_DECIMALS.fullmatch(t)
            ]
            self.evidence["comma"] = any("," in text for text in settled)
            self.evidence["point"] = any("." in text for text in settled)
        if self.evidence["comma"]:
            return False
        return self.grid.delimiter == "," or self.evidence["point"]

    def _number_cells(self) -> Iterable[tuple[str, Factor | Response]]:
        factors = tuple(self.schema.space)
        pairs: list[tuple[str, Factor | Response]] = [
            *zip(self.schema.space.columns, factors, strict=True),
            *zip(self.schema.achieved_columns, factors, strict=True),
            *((response.column, response) for response in self.schema.responses),
        ]
        for column, of in pairs:
            for row in self.body:
                yield self._raw(row, column), of

    def _notes(self, row: _Row) -> str:
        """Return the notes, and after them the cells of columns that the campaign lacks."""
        parts = [self._text(row, "notes")]
        for i, name in self.columns.others.items():
            if i < len(row.cells) and (text := _strip(from_plain_text(row.cells[i]))):
                parts.append(f"{name}: {text}")
        return "; ".join(filter(None, parts))


def _without_unit(text: str, of: Factor | Response) -> str:
    """Return a number's text without the column's own unit behind it."""
    slug = of.column.removeprefix(of.name).removeprefix("_")
    for unit in filter(None, (of.unit, slug, "°C" if slug == "C" else "")):
        bare = text.removesuffix(unit)
        if bare != text:
            return _strip(bare)
    return text


def _not_a_number(text: str, bare: str, of: Factor | Response) -> tuple[str, str] | None:
    """Return what is wrong with a cell and what to do, None if it is one number."""
    if _NUMBER.fullmatch(bare):
        return None
    if _BELOW.fullmatch(bare):
        return (
            f'"{text}": values below detection or beyond a range cannot be used yet.',
            "Leave the cell blank and put it into notes.",
        )
    if _DATE.fullmatch(bare):
        return f'"{text}" is a date, not a number.', _AS_NUMBER
    if _SHEET_ERROR.fullmatch(bare):
        return f'"{text}" is a spreadsheet\'s error.', "Mend the formula, or leave the cell blank."
    if bare.startswith("="):
        return f'"{text}" is a formula, not its value.', "Paste its value instead."
    if _GROUPED.fullmatch(bare):
        return (
            f'"{text}" has marks or spaces between its figures.',
            "Write it without them, with one decimal point or one decimal comma.",
        )
    unit = f" or the unit {of.unit} behind it" if of.unit else ""
    return (
        f'"{text}" is not a number.',
        f"Write a number, with nothing{unit}; leave it blank if it was not measured.",
    )
