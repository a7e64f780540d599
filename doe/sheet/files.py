"""Files as laboratories send them, as rows of cells: CSV, XLSX and ODS.

Nothing is guessed in silence: an encoding that had to be inferred is noticed, and what is no sheet
is refused.
"""

from __future__ import annotations

import csv
import io
import warnings
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from xml.etree import ElementTree
from xml.etree.ElementTree import Element

from doe.errors import Notice, Problem, ResultsError, StateError, Where
from doe.lab_text import NotTextError, decoded
from doe.ledger import LedgerSchema, cell_address, number_text
from doe.sheet.headings import column_of, known_in

__all__ = ["AS_NUMBER", "Grid", "Row", "grid_of", "header_row", "text_grid"]


BYTES_MAX = 20_000_000
UNPACKED_MAX = 200_000_000
CELLS_MAX = 2_000_000
HEADER_WITHIN = 60
"""Rows from the top among which the header is looked for."""
DELIMITERS = (",", ";", "\t")
ODS_KIND = b"application/vnd.oasis.opendocument.spreadsheet"
AS_NUMBER = "Write the number itself, in a cell formatted as number or text."


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the file: spreadsheet row, line of the text file, cells as text.

    By position: `numbers`, cells of a workbook that hold a number, not text; `shares`, those shown
    as percent, 1 for 100 %; `faults`, cells whose kind already rules them out as numbers, (what,
    remedy); `doubts`, those that may not be meant to count, alike; `comments`, what was noted on
    cells.
    """

    row: int
    line: int | None
    cells: list[str]
    numbers: Mapping[int, float] = field(default_factory=dict)
    faults: Mapping[int, tuple[str, str]] = field(default_factory=dict)
    shares: Mapping[int, float] = field(default_factory=dict)
    doubts: Mapping[int, tuple[str, str]] = field(default_factory=dict)
    comments: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Grid:
    """All rows of a file, its delimiter (None for a workbook), and notices on how it was read."""

    rows: list[Row]
    delimiter: str | None
    notices: tuple[Notice, ...] = ()
    sheet: str = ""


def grid_of(path: Path, schema: LedgerSchema) -> Grid:
    """Return the rows of the table of runs in a CSV, XLSX or ODS file.

    Raises
    ------
    StateError
        The file is not there or cannot be opened.
    ResultsError
        It is too large, neither text nor a workbook, or holds several tables of runs.
    """
    data = _bytes(path)
    if not data.startswith(b"PK\x03\x04"):
        return text_grid(data, path.name, schema)
    return _with_runs(_workbook_grids(data, path.name), path.name, schema)


def _bytes(path: Path) -> bytes:
    try:
        size = path.stat().st_size
        if size > BYTES_MAX:
            raise refused(
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


def refused(code: str, what: str, remedy: str, file: str, line: int | None = None) -> ResultsError:
    return ResultsError(Problem(code, what, Where(file, line), remedy))


def text_grid(data: bytes, file: str, schema: LedgerSchema) -> Grid:
    try:
        text, notices = decoded(data, file)
    except NotTextError:
        raise refused(
            "sheet-binary",
            "the file is neither text nor an XLSX or ODS workbook.",
            "Save the table as CSV or XLSX, without a password.",
            file,
        ) from None
    if not text.strip():
        raise refused("sheet-empty", "the file is empty.", "Send the filled sheet.", file)
    if text.lstrip("\ufeff \t\r\n")[:15].casefold().startswith(("<!doctype html", "<html")):
        raise refused(
            "sheet-is-page",
            "the file is a page for a browser (HTML), not a table.",
            "What was typed into the sheet's page is not in the page's own file: open it in the "
            "browser in which it was filled in, press “Save as file”, and hand in what that saves. "
            "Save any other table as CSV or XLSX.",
            file,
        )
    delimiter = max(DELIMITERS, key=lambda mark: _likeness_of(text, mark, schema))
    return Grid(_strict_rows(text, delimiter, file), delimiter, notices)


def _strict_rows(text: str, delimiter: str, file: str) -> list[Row]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows: list[Row] = []
    line = 1
    try:
        for number, cells in enumerate(reader, start=1):
            rows.append(Row(number, line, cells))
            line = reader.line_num + 1
    except csv.Error as error:
        raise refused(
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
            best = max(best, known_in(cells, schema))
            if number >= HEADER_WITHIN:
                break
    except csv.Error:
        pass  # the strict reading says where
    return best


def _with_runs(grids: Sequence[Grid], file: str, schema: LedgerSchema) -> Grid:
    """Return the one sheet of a workbook that holds a table of runs."""
    found = [grid for grid in grids if header_row(grid.rows, schema) is not None]
    if len(found) > 1:
        raise refused(
            "several-sheets",
            f"{len(found)} sheets hold a table of runs: {', '.join(g.sheet for g in found)}.",
            "Keep the filled one only.",
            file,
        )
    empty = Grid([], None)
    return found[0] if found else max(grids, key=lambda grid: len(grid.rows), default=empty)


def _workbook_grids(data: bytes, file: str) -> list[Grid]:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            if sum(entry.file_size for entry in archive.infolist()) > UNPACKED_MAX:
                raise refused(
                    "sheet-too-large",
                    f"unpacked, the workbook has over {UNPACKED_MAX / 1e6:.0f} MB.",
                    "Send only the table of runs.",
                    file,
                )
            names = archive.namelist()
            kind = archive.read("mimetype") if "mimetype" in names else b""
            if kind == ODS_KIND:
                return _ods_grids(archive.read("content.xml"), file)
        return _xlsx_grids(data, file)
    except ResultsError:
        raise
    except Exception:  # whatever the libraries meet in a file that only begins like a workbook
        raise refused(
            "sheet-binary",
            "the file is not an XLSX or ODS workbook that can be read.",
            "Save the table as CSV or XLSX, without a password.",
            file,
        ) from None


def _check_size(title: str, rows: int, columns: int, file: str) -> None:
    if rows * columns > CELLS_MAX:
        raise refused(
            "sheet-too-large",
            f"sheet {title} has {rows} rows of {columns} cells.",
            "Delete the empty rows and columns round the table.",
            file,
        )


def _xlsx_grids(data: bytes, file: str) -> list[Grid]:
    """Return all sheets; the workbook is read twice: with values, and with formulas."""
    import openpyxl

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # on styles and extensions, which are not read
        values = openpyxl.load_workbook(io.BytesIO(data), data_only=True)
        formulas = openpyxl.load_workbook(io.BytesIO(data), data_only=False)
    grids = []
    for sheet in values.worksheets:
        _check_size(sheet.title, sheet.max_row, sheet.max_column, file)
        over_rows = {
            (area.min_row, area.min_col)
            for area in sheet.merged_cells.ranges
            if area.max_row > area.min_row
        }
        both = zip(sheet.iter_rows(), formulas[sheet.title].iter_rows(), strict=True)
        rows = [
            _row_of(
                [
                    _with_marks(_workbook_cell(cell, formula), cell, over_rows)
                    for cell, formula in zip(*pair, strict=True)
                ],
                number,
            )
            for number, pair in enumerate(both, start=1)
        ]
        columns = {
            column - 1
            for one in sheet.column_dimensions.values()
            if one.hidden
            for column in range(one.min or 1, (one.max or one.min or 1) + 1)
        }
        hidden = {number for number, one in sheet.row_dimensions.items() if one.hidden}
        grids.append(Grid(rows, None, _of_hidden(rows, columns, hidden), sheet.title))
    return grids


def _with_marks(found: _Found, cell: Any, over_rows: set[tuple[int, int]]) -> _Found:
    """Return a cell with what is noted on it, and why it may not be meant to count."""
    comment = " ".join(cell.comment.text.split()) if cell.comment else ""
    doubt = _MERGED if (cell.row, cell.column) in over_rows else None
    if found.text and cell.has_style and cell.font.strike:
        doubt = _STRUCK
    return replace(found, comment=comment, doubt=doubt) if comment or doubt else found


_MERGED = (
    "the cell is merged with those below it: which runs it is for is not said.",
    "Unmerge it, and write each run's own value.",
)
_STRUCK = (
    "the value is struck through: whether it counts is not said.",
    "Empty the cell, or take the line off; the reason belongs into notes.",
)


def _of_hidden(rows: Sequence[Row], columns: set[int], numbers: set[int]) -> tuple[Notice, ...]:
    """Return a notice on hidden columns (from 0) and rows (from 1) with something in them."""
    filled = {i for row in rows for i, cell in enumerate(row.cells) if cell.strip()}
    parts = [f"column {cell_address(i, 1)[:-1]}" for i in sorted(columns & filled)]
    parts += [f"row {r.row}" for r in rows if r.row in numbers and any(map(str.strip, r.cells))]
    if not parts:
        return ()
    more = f" and {len(parts) - 12} more" if len(parts) > 12 else ""
    what = f"Hidden cells were read like the others: {', '.join(parts[:12])}{more}."
    return (Notice("hidden-read", what),)


def _row_of(found: Sequence[_Found], number: int) -> Row:
    numbers = {i: cell.number for i, cell in enumerate(found) if cell.number is not None}
    faults = {i: cell.fault for i, cell in enumerate(found) if cell.fault is not None}
    shares = {i: cell.share for i, cell in enumerate(found) if cell.share is not None}
    doubts = {i: cell.doubt for i, cell in enumerate(found) if cell.doubt is not None}
    comments = {i: cell.comment for i, cell in enumerate(found) if cell.comment}
    texts = [cell.text for cell in found]
    return Row(number, None, texts, numbers, faults, shares, doubts, comments)


@dataclass(frozen=True, slots=True)
class _Found:
    """A workbook's cell: as text, and as a number, as a share, or what rules it out as either.

    See `Row` for what else is told of it.
    """

    text: str
    number: float | None = None
    fault: tuple[str, str] | None = None
    share: float | None = None
    doubt: tuple[str, str] | None = None
    comment: str = ""


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
        return _dated(str(value))
    if isinstance(value, (int, float)):
        share = "%" in (cell.number_format or "")
        return _share(float(value)) if share else _Found(number_text(value), float(value))
    return _Found(str(value))


def _dated(text: str) -> _Found:
    return _Found(text, None, (f"{text} is a date or time, not a number.", AS_NUMBER))


def _share(value: float) -> _Found:
    return _Found(f"{number_text(float(f'{100 * value:.12g}'))} %", share=value)


# --- OpenDocument (ISO/IEC 26300): content.xml, cells repeated by count


_OFFICE = "{urn:oasis:names:tc:opendocument:xmlns:office:1.0}"
_TABLE = "{urn:oasis:names:tc:opendocument:xmlns:table:1.0}"
_TEXT = "{urn:oasis:names:tc:opendocument:xmlns:text:1.0}"


_TRUTHS = ("of:=TRUE()", "of:=FALSE()")
"""How LibreOffice writes a truth that came from an XLSX workbook, beside its number 1 or 0."""


def _ods_grids(content: bytes, file: str) -> list[Grid]:
    if b"<!DOCTYPE" in content or b"<!ENTITY" in content:
        raise ValueError("spreadsheet programs write no document type")
    grids = []
    for table in ElementTree.fromstring(content).iter(f"{_TABLE}table"):
        title = table.get(f"{_TABLE}name", "")
        rows = _ods_rows(table, title, file)
        columns = _ods_hidden(table, "table-column", "number-columns-repeated")
        hidden = {1 + place for place in _ods_hidden(table, "table-row", "number-rows-repeated")}
        grids.append(Grid(rows, None, _of_hidden(rows, columns, hidden), title))
    return grids


def _ods_hidden(table: Element, tag: str, repeated: str) -> set[int]:
    """Return the places (from 0) of hidden columns or rows; repeats at the end may be a million."""
    found: set[int] = set()
    place = 0
    for one in table.iter(f"{_TABLE}{tag}"):
        times = int(one.get(f"{_TABLE}{repeated}", "1"))
        if one.get(f"{_TABLE}visibility", "visible") != "visible":
            found.update(range(place, place + min(times, CELLS_MAX)))
        place += times
    return found


def _ods_rows(table: Element, title: str, file: str) -> list[Row]:
    """Return the rows of a sheet; runs of empty rows and cells at the end are left out."""
    rows: list[Row] = []
    number, widest = 1, 0
    for line in table.iter(f"{_TABLE}table-row"):
        times = int(line.get(f"{_TABLE}number-rows-repeated", "1"))
        found = _ods_cells(line, title, file)
        widest = max(widest, len(found))
        if found:
            _check_size(title, len(rows) + times, widest, file)
            rows += [_row_of(found, number + i) for i in range(times)]
        number += times
    return rows


def _ods_cells(line: Element, title: str, file: str) -> list[_Found]:
    cells: list[_Found] = []
    empty = 0
    for cell in line:
        if cell.tag not in (f"{_TABLE}table-cell", f"{_TABLE}covered-table-cell"):
            continue
        times = int(cell.get(f"{_TABLE}number-columns-repeated", "1"))
        found = _ods_cell(cell)
        if found == _Found(""):
            empty += times
            continue
        _check_size(title, 1, len(cells) + empty + times, file)
        cells += [_Found("")] * empty + [found] * times
        empty = 0
    return cells


def _ods_cell(cell: Element) -> _Found:
    notes = cell.findall(f"{_OFFICE}annotation")
    comment = " ".join(_ods_text(p) for note in notes for p in note.findall(f"{_TEXT}p"))
    merged = int(cell.get(f"{_TABLE}number-rows-spanned", "1")) > 1
    found = _ods_value(cell)
    return replace(found, comment=comment, doubt=_MERGED if merged else None)


def _ods_value(cell: Element) -> _Found:
    kind = cell.get(f"{_OFFICE}value-type", "")
    text = "\n".join(_ods_text(part) for part in cell.findall(f"{_TEXT}p"))
    if kind == "boolean" or cell.get(f"{_TABLE}formula", "") in _TRUTHS:
        return _Found(text, None, (f"{text} is not a number.", "Write the number."))
    if kind in ("float", "currency"):
        value = float(cell.get(f"{_OFFICE}value", "nan"))
        return _Found(number_text(value), value)
    if kind == "percentage":
        return _share(float(cell.get(f"{_OFFICE}value", "nan")))
    if kind in ("date", "time"):
        return _dated(cell.get(f"{_OFFICE}{kind}-value", text))
    return _Found(text)


def _ods_text(part: Element) -> str:
    """Return the text of a paragraph; spaces after the first, tabs and breaks are elements."""
    text = part.text or ""
    for inner in part:
        if inner.tag == f"{_TEXT}s":
            text += " " * int(inner.get(f"{_TEXT}c", "1"))
        elif inner.tag == f"{_TEXT}tab":
            text += "\t"
        elif inner.tag == f"{_TEXT}line-break":
            text += "\n"
        else:
            text += _ods_text(inner)
        text += inner.tail or ""
    return text


# --- where the table begins


def header_row(rows: Sequence[Row], schema: LedgerSchema) -> int | None:
    """Return the position of the first row that names `run` and another column."""
    for i, row in enumerate(rows[:HEADER_WITHIN]):
        names = {column_of(cell, schema) for cell in row.cells} - {None}
        if "run" in names and len(names) >= 2:
            return i
    return None
