"""What a filled sheet says: from rows of cells to the values of each run.

A cell that can be read in two ways is refused with its address, and all such cells at once.
"""

from __future__ import annotations

import difflib
import math
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from doe.errors import Notice, Problem, ResultsError, Where
from doe.factors import CategoricalFactor, level_key
from doe.ledger import (
    SHEET_OF,
    Censored,
    LedgerSchema,
    Returned,
    ReturnedRow,
    cell_address,
    from_plain_text,
)
from doe.responses import Response, Weighing
from doe.sheet.files import (
    AS_NUMBER,
    HEADER_WITHIN,
    Grid,
    Row,
    grid_of,
    header_row,
    text_grid,
)
from doe.sheet.headings import (
    Measured,
    column_of,
    plain_name,
    sheet_columns,
    strip,
    units_behind,
)

__all__ = ["read_sheet", "read_sheet_text"]

NOT_MEASURED = {"", "-", "–", "—", "nd", "n.d.", "n.d", "n/d", "n. d.", "na", "n.a.", "n/a"}
TWO_MEANINGS = {"nd", "n.d.", "n.d", "n/d", "n. d.", "nd.", "n d"}
"""Not detected, which is a limit, or not determined: in a result it is the lab's to say which."""
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
_BEYOND = re.compile(r"([<≤>≥])[\s\u00a0\u2009\u202f]*(.*)")
_BELOW = re.compile(r"[<≤>≥].*|b[dl][lq]|(?:under |below )?lo[dq]\b.*", re.IGNORECASE)
_SHEET_OF = re.compile(r"stage\s+[0-9]+\s+of\s+(.+)", re.IGNORECASE)
_SHEET_ERROR = re.compile(r"#[A-ZÄÖÜ0-9/!?]+[!?]?|Err:[0-9]+", re.IGNORECASE)


def read_sheet(path: Path, schema: LedgerSchema) -> Returned:
    """Return what a filled sheet says.

    Parameters
    ----------
    path
        A CSV, XLSX or ODS file. Columns may have moved; those that the campaign does not know come
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
    return _returned(grid_of(path, schema), path.name, schema)


def read_sheet_text(text: str, name: str, schema: LedgerSchema) -> Returned:
    """Return what a sheet says that is held as CSV text; `name` stands for its file in messages.

    Raises
    ------
    ResultsError
        As `read_sheet`.
    """
    return _returned(text_grid(text.encode("utf-8"), name, schema), name, schema)


def _returned(grid: Grid, file: str, schema: LedgerSchema) -> Returned:
    header = header_row(grid.rows, schema)
    if header is None:
        raise ResultsError(_no_header(grid, file))
    columns, problems = columns_of(grid.rows[header], schema, file)
    if problems:
        raise ResultsError(*problems)
    body = body_of(grid, header)
    sheet = Sheet(file, schema, columns, grid, len(grid.rows[header].cells), problems, body)
    sheet.check_campaign()
    if body and sheet.is_of_units(body[0]):
        sheet.check_units(body.pop(0))
    rows = [row for line in body if (row := sheet.returned(line)) is not None]
    sheet.check_twice(rows)
    sheet.check_percents()
    if problems:
        raise ResultsError(*problems)
    return Returned(tuple(rows), file, (*grid.notices, *sheet.notices()))


def body_of(grid: Grid, header: int) -> list[Row]:
    """Return the rows below the header that say something; where it stands again is none."""
    names = list(map(strip, grid.rows[header].cells))
    return [
        row
        for row in grid.rows[header + 1 :]
        if (row.faults or any(map(strip, row.cells))) and list(map(strip, row.cells)) != names
    ]


def _no_header(grid: Grid, file: str) -> Problem:
    """Return the problem of a file without a header, naming the heading most like `run`."""
    best, place = 0.0, ""
    for row in grid.rows[:HEADER_WITHIN]:
        for i, cell in enumerate(row.cells):
            likeness = difflib.SequenceMatcher(None, plain_name(cell), "run").ratio()
            if likeness > best:
                best, place = likeness, f'"{strip(cell)}" in {cell_address(i, row.row)}'
    hint = f" Most like it is {place}." if best >= 0.5 else ""
    return Problem(
        "no-header",
        f"no row has a column named run and at least one more of the sheet's columns.{hint}",
        Where(file),
        "Keep the heading row of the sheet as it was handed out.",
    )


@dataclass(frozen=True, slots=True)
class Columns:
    """Positions of the known columns, and of the others with their headings."""

    known: Mapping[str, int]
    others: Mapping[int, str]


def columns_of(row: Row, schema: LedgerSchema, file: str) -> tuple[Columns, list[Problem]]:
    known: dict[str, int] = {}
    others: dict[int, str] = {}
    problems: list[Problem] = []
    for i, cell in enumerate(row.cells):
        column = column_of(cell, schema)
        if column is None:
            others[i] = strip(from_plain_text(cell)) or f"column {cell_address(i, 1)[:-1]}"
        elif column in known:
            both = cell_address(known[column], row.row), cell_address(i, row.row)
            what = f"{both[0]} and {both[1]} both name the column {column}."
            where = Where(file, row.line, both[1])
            problems.append(Problem("column-twice", what, where, "Rename or remove one of them."))
        else:
            known[column] = i
    for i, name in others.items():
        problems += _slip(name, cell_address(i, row.row), row, known, schema, file)
    return Columns(known, others), problems


def _slip(
    name: str, address: str, row: Row, known: Mapping[str, int], schema: LedgerSchema, file: str
) -> list[Problem]:
    """Return the problem of a heading that is nearly that of a column which is missing."""
    absent = {plain_name(c): c for c in sheet_columns(schema) if c not in known and c != SHEET_OF}
    measured = (*schema.space, *schema.weighed, *schema.responses)
    absent |= {plain_name(m.name): m.column for m in measured if m.column not in known}
    near = difflib.get_close_matches(plain_name(name), absent, 1, LIKENESS)
    if not near:
        return []
    column = absent[near[0]]
    of = dict(measured_columns(schema)).get(column)
    what = f'the heading "{name}" is nearly {column}, which is missing.'
    remedy = f"Name it {column}, or call it something else if it is another thing."
    if of is not None and of.unit and not plain_name(name).endswith(_plain_unit(of)):
        told = _told_unit(name, column, of)
        found = f'says "{told}"' if told else "does not say its unit"
        what = f"{what} The column is in {of.unit}; this heading {found}."
        remedy = (
            f"If the values are in another unit than {of.unit}, convert them; then name it "
            f"{column}. Call it something else if it is another thing."
        )
    return [Problem("heading-unclear", what, Where(file, row.line, address), remedy)]


def _plain_unit(of: Measured) -> str:
    return plain_name(of.column.removeprefix(of.name))


def _told_unit(name: str, column: str, of: Measured) -> str:
    """Return what a heading has behind the name of a column, where its unit should stand."""
    stem = plain_name(column).removesuffix(_plain_unit(of))
    ends = [i for i in range(len(name)) if plain_name(name[:i]) == stem]
    return name[ends[-1] :].strip(" _()[],/") if ends else ""


def measured_columns(schema: LedgerSchema) -> Iterator[tuple[str, Measured]]:
    """Yield every column of settings and of what is measured, and what it belongs to."""
    factors = tuple(schema.space)
    yield from zip(schema.space.columns, factors, strict=True)
    yield from zip(schema.achieved_columns, factors, strict=True)
    yield from ((weighing.column, weighing) for weighing in (*schema.weighed, *schema.drawn))
    yield from ((response.column, response) for response in schema.responses)


@dataclass(frozen=True, slots=True)
class Sheet:
    """A filled sheet with its columns known; readers note what is wrong and return None."""

    file: str
    schema: LedgerSchema
    columns: Columns
    grid: Grid
    width: int
    problems: list[Problem]
    body: list[Row]
    marks: Counter[str] = field(default_factory=Counter)
    evidence: dict[str, bool] = field(default_factory=dict)
    taken: Counter[str] = field(default_factory=Counter)
    percents: dict[str, str] = field(default_factory=dict)
    """Cells shown as percent in columns in %, each with what was read."""
    misplaced: dict[str, str] = field(default_factory=dict)
    """Cells shown as percent that cannot be meant so, each with what it shows."""

    def check_campaign(self) -> None:
        """Refuse a sheet that says that it is of another campaign, before anything else is said.

        Raises
        ------
        ResultsError
            So it says, by its first row of that kind.
        """
        campaign = self.schema.campaign
        for row in self.body if SHEET_OF in self.columns.known else ():
            told = self.text(row, SHEET_OF)
            of = _SHEET_OF.fullmatch(told)
            if not told or (of is not None and of[1].casefold() == campaign.casefold()):
                continue
            address = cell_address(self.columns.known[SHEET_OF], row.row)
            what = f'the sheet says "{told}"; this is {campaign}. Nothing was taken from it.'
            remedy = (
                "Hand it in to its own campaign; if that is this one under a new name, empty the "
                f"column {SHEET_OF}."
            )
            where = Where(self.file, row.line, f"{address} ({SHEET_OF})")
            raise ResultsError(Problem("sheet-of-another", what, where, remedy))

    def is_of_units(self, row: Row) -> bool:
        """Tell whether a row has units below headings: no run, no figure, a measured column's."""
        cells = [strip(self._raw(row, column)) for column, _ in measured_columns(self.schema)]
        words = [strip(cell) for cell in row.cells]
        return (
            not strip(self._raw(row, "run"))
            and any(cells)
            and not re.search(r"[0-9]", "".join(words))
        )

    def check_units(self, row: Row) -> None:
        """Note each unit of a row of units that is not its column's."""
        for column, of in measured_columns(self.schema):
            text = strip(self._raw(row, column))
            known = set(map(plain_name, units_behind(of)))
            if text and text not in units_behind(of) and plain_name(text) not in known:
                what = f'"{text}" stands below the heading of a column in {of.unit or "no unit"}.'
                remedy = "Convert the column, or correct or remove the row of units."
                self._fault(row, column, what, remedy, "unit-differs")

    def returned(self, row: Row) -> ReturnedRow | None:
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
        weighed = {
            weighing.column: value
            for weighing in self.schema.weighed
            if (value := self._number(row, weighing.column, weighing)) is not None
        }
        drawn = {
            measured.column: value
            for measured in self.schema.drawn
            if (value := self._number(row, measured.column, measured)) is not None
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
            left_out_because=self.text(row, "left_out_because"),
            notes=self._notes(row),
            line=row.line or row.row,
            stage=self._whole(row, "stage"),
            plot=self._whole(row, "plot"),
            day=self._whole(row, "day"),
            block=self._whole(row, "block"),
            lot=self._lot(row),
            cells={c: cell_address(i, row.row) for c, i in self.columns.known.items()},
            weighed=weighed,
            drawn=drawn,
            kind=self.text(row, "kind"),
            sheet_of=self.text(row, SHEET_OF),
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

    def check_percents(self) -> None:
        """Note, in one problem, all cells shown as percent that cannot be meant so."""
        if not self.misplaced:
            return
        cells = _listed(f"{cell} shows {shown}" for cell, shown in self.misplaced.items())
        what = (
            "cells are formatted as percent where their column is in another unit, or show more "
            f"than 100 %: {cells}."
        )
        remedy = "Set their format to a plain number, and type the values anew."
        where = Where(self.file, None, f"sheet {self.grid.sheet}" if self.grid.sheet else None)
        self.problems.append(Problem("percent-format", what, where, remedy))

    def notices(self) -> list[Notice]:
        """Return what was taken as not measured, and the columns that went into the notes."""
        notices = [
            Notice("taken-as-not-measured", f'{count} × "{mark}" was taken as not measured.')
            for mark, count in sorted(self.marks.items())
        ]
        notices += [*self.comma_notices(), *self.percent_notices()]
        others = self.columns.others.items()
        filled = [
            n for i, n in others if any(strip(c) for r in self.body for c in r.cells[i : i + 1])
        ]
        if filled:
            what = f"Not in the campaign, so kept with the notes: {', '.join(filled)}."
            notices.append(Notice("kept-as-notes", what))
        return notices

    def comma_notices(self) -> list[Notice]:
        """Return the numbers that were read by the file's other decimal commas."""
        if not self.taken:
            return []
        read = ", ".join(f'"{text}" as {text.replace(",", ".")}' for text in self.taken)
        what = f"Read with decimal commas, as the other numbers of {self.file} have: {read}."
        return [Notice("decimal-comma-taken", what)]

    def percent_notices(self) -> list[Notice]:
        """Return the cells that their format says are in percent, as is their column."""
        if not self.percents:
            return []
        cells = _listed(f"{cell} as {shown}" for cell, shown in self.percents.items())
        what = f"Cells formatted as percent were read as they show, in %: {cells}."
        return [Notice("percent-format-taken", what)]

    def _check_width(self, row: Row) -> None:
        beyond = len(row.cells) - self.width
        comma = self.grid.delimiter == ","
        if beyond > 0 and (comma or any(map(strip, row.cells[self.width :]))):
            what = f"the row has {len(row.cells)} cells, the header {self.width}."
            remedy = "Each cell needs a heading."
            if comma:
                remedy = "A number with a decimal comma splits in two: use the decimal point."
            self._fault(row, "run", what, remedy, "cells-beyond")

    def _raw(self, row: Row, column: str) -> str:
        position = self.columns.known.get(column)
        if position is None or position >= len(row.cells):
            return ""
        return row.cells[position]

    def text(self, row: Row, column: str) -> str:
        text = strip(from_plain_text(self._raw(row, column)))
        return "" if text.casefold() in NOT_MEASURED else text

    def _fault(self, row: Row, column: str, what: str, remedy: str, code: str = "bad-cell") -> None:
        key = f"{cell_address(self.columns.known[column], row.row)} ({column})"
        if self.grid.sheet:
            key = f"sheet {self.grid.sheet}, {key}"
        self.problems.append(Problem(code, what, Where(self.file, row.line, key), remedy))

    def _ruled_out(self, row: Row, column: str) -> bool:
        """Tell whether the kind of a workbook's cell already rules it out; note it."""
        fault = row.faults.get(self.columns.known.get(column, -1))
        if fault is not None:
            self._fault(row, column, *fault)
        return fault is not None

    def _doubtful(self, row: Row, column: str) -> bool:
        """Tell whether a cell that is measured may not be meant to count; note it."""
        doubt = row.doubts.get(self.columns.known.get(column, -1))
        if doubt is not None:
            self._fault(row, column, *doubt)
        return doubt is not None

    def _whole(self, row: Row, column: str) -> int | None:
        if self._ruled_out(row, column):
            return None
        text = strip(self._raw(row, column))
        if match := re.fullmatch(r"([0-9]{1,9})(?:[.,]0)?", text):
            return int(match[1])
        if text:
            remedy = "Write it as 7."
            if column == "run":
                remedy = "Write it as 7; take the row out if it is no run, as a mean or a legend."
            self._fault(row, column, f'"{text}" is not a whole number.', remedy)
        return None

    def _factors(self, row: Row, columns: Sequence[str]) -> dict[str, float]:
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

    def _level(self, row: Row, column: str, factor: CategoricalFactor) -> float | None:
        if self._ruled_out(row, column) or self._doubtful(row, column):
            return None
        text = strip(from_plain_text(self._raw(row, column)))
        if text in factor.levels:
            return float(factor.levels.index(text))
        if text.casefold() in NOT_MEASURED:
            return None
        near = [i for i, name in enumerate(factor.levels) if level_key(name) == level_key(text)]
        if len(near) == 1:
            return float(near[0])
        levels = ", ".join(factor.levels)
        self._fault(row, column, f'"{text}" is not a level.', f"Write one of: {levels}.")
        return None

    def _lot(self, row: Row) -> str:
        text = self.text(row, "lot")
        near = [lot for lot in self.schema.lots if lot.casefold() == text.casefold()]
        if text and len(near) != 1:
            what, lots = f'"{text}" is no feedstock lot.', ", ".join(self.schema.lots)
            self._fault(row, "lot", what, f"Write one of: {lots}.")
        return near[0] if len(near) == 1 else ""

    def _number(self, row: Row, column: str, of: Measured) -> float | None:
        position = self.columns.known.get(column)
        if position is None or self._ruled_out(row, column) or self._doubtful(row, column):
            return None
        if position in row.numbers:
            return row.numbers[position]
        if position in row.shares:
            return self._share(row, column, of)
        text = strip(from_plain_text(self._raw(row, column))).replace("−", "-")
        if isinstance(of, Response) and text.casefold() in TWO_MEANINGS:
            what = f'"{text}" may mean not detected, or not determined.'
            remedy = (
                "Write < and the limit, as <0.05, where it lay below detection; leave the cell "
                "empty where it was not measured."
            )
            self._fault(row, column, what, remedy)
            return None
        if text.casefold() in NOT_MEASURED:
            if text:
                self.marks[text] += 1
            return None
        sign, bare = _sign_and_number(text, of)
        fault = _not_a_number(text, bare, of) or self._two_readings(bare)
        if fault is None:
            value = float(bare.replace(",", "."))
            if math.isfinite(value):
                return Censored(value, above=sign in ">≥") if sign else value
            fault = f'"{text}" is too large.', "Check the exponent."
        self._fault(row, column, *fault)
        return None

    def _share(self, row: Row, column: str, of: Measured) -> float | None:
        """Return what a cell formatted as percent shows, if its column is in %.

        The file itself says percent, so nothing is guessed; more than 100 % is what a cell shows
        that was given the format after 9 had been typed for 9 %.
        """
        position = self.columns.known[column]
        cell, shown = cell_address(position, row.row), row.cells[position]
        share = row.shares[position]
        if of.unit != "%" or not abs(share) <= 1:
            self.misplaced[f"{cell} ({column})"] = shown
            return None
        self.percents[cell] = shown
        return float(f"{100 * share:.12g}")

    def _two_readings(self, bare: str) -> tuple[str, str] | None:
        """Return the fault of a number that is one thing with and another without decimals.

        A mark with three figures after it can be either, unless the other numbers of the file
        settle which mark is the decimal one.
        """
        match = _THREE_DECIMALS.fullmatch(bare)
        if match is None or (match[1] == "." and self._points_are_decimal()):
            return None
        if match[1] == "," and self._commas_are_decimal():
            self.taken[bare] += 1
            return None
        whole = re.sub(r"[.,]", "", bare)
        what = f'"{bare}" can be read as {bare.replace(",", ".")} or as {whole}.'
        remedy = f"Write {whole} or {bare}0 so that it has one meaning only."
        odd = self._other_mark(match[1])
        if odd is not None:
            name = "comma" if match[1] == "." else "point"
            what = f"{what[:-1]}, as {odd} has a decimal {name}."
            remedy = f"Write {odd} as the other numbers are, or: {remedy[0].lower()}{remedy[1:]}"
        return what, remedy

    def _other_mark(self, mark: str) -> str | None:
        """Return cell and text of the only number with the other mark, where others have this one.

        It is then likely the slip that leaves numbers with three figures after the mark open.
        """
        marked: dict[str, list[str]] = {".": [], ",": []}
        for cell, text, of in self._number_cells():
            number = _sign_and_number(strip(text), of)[1]
            if _NUMBER.fullmatch(number) and not _THREE_DECIMALS.fullmatch(number):
                for found in marked.keys() & set(number):
                    marked[found].append(f'{cell} "{strip(text)}"')
        other = marked["," if mark == "." else "."]
        return other[0] if len(other) == 1 and len(marked[mark]) > 1 else None

    def _points_are_decimal(self) -> bool:
        """Whether points are decimal: by other numbers, or by commas between cells."""
        comma, point = self._marks_settled()
        return not comma and (self.grid.delimiter == "," or point)

    def _commas_are_decimal(self) -> bool:
        """Whether other numbers of a file split at semicolons have decimal commas and none a point.

        A point anywhere, also one that could group thousands, leaves it open.
        """
        comma, point = self._marks_settled()
        return self.grid.delimiter == ";" and comma and not point and not self.evidence["doubtful"]

    def _marks_settled(self) -> tuple[bool, bool]:
        """Return whether numbers with one meaning only have decimal commas, and points."""
        if not self.evidence:
            plain = [_sign_and_number(strip(c), of)[1] for _, c, of in self._number_cells()]
            numbers = [text for text in plain if _NUMBER.fullmatch(text)]
            settled = [text for text in numbers if not _THREE_DECIMALS.fullmatch(text)]
            self.evidence["comma"] = any("," in text for text in settled)
            self.evidence["point"] = any("." in text for text in settled)
            self.evidence["doubtful"] = any("." in text for text in numbers)
        return self.evidence["comma"], self.evidence["point"]

    def _number_cells(self) -> Iterable[tuple[str, str, Measured]]:
        """Yield the address and the text of each cell with a number, and what it belongs to."""
        for column, of in measured_columns(self.schema):
            position = self.columns.known.get(column, -1)
            for row in self.body:
                if position not in row.numbers and position not in row.shares:
                    address = cell_address(position, row.row) if position >= 0 else ""
                    yield address, self._raw(row, column), of

    def _notes(self, row: Row) -> str:
        """Return the notes, then the cells of columns that the campaign lacks, then comments."""
        parts = [self.text(row, "notes")]
        for i, name in self.columns.others.items():
            if i < len(row.cells) and (text := strip(from_plain_text(row.cells[i]))):
                parts.append(f"{name}: {text}")
        headings = {i: column for column, i in self.columns.known.items()}
        headings |= self.columns.others
        parts += [
            f"comment on {headings.get(i, cell_address(i, row.row))}: {text}"
            for i, text in row.comments.items()
        ]
        return "; ".join(filter(None, parts))


def _listed(parts: Iterable[str]) -> str:
    """Return parts as text, the first twelve of them where there are more."""
    every = list(parts)
    more = f" and {len(every) - 12} more" if len(every) > 12 else ""
    return ", ".join(every[:12]) + more


def _sign_and_number(text: str, of: Measured) -> tuple[str, str]:
    """Return the sign of a censored response, "" where there is none, and the bare number."""
    beyond = _BEYOND.fullmatch(text) if isinstance(of, Response) else None
    if beyond is None:
        return "", _without_unit(text, of)
    return beyond[1], _without_unit(beyond[2], of)


def _without_unit(text: str, of: Measured) -> str:
    """Return a number's text without the column's own unit behind it."""
    for unit in units_behind(of):
        bare = text.removesuffix(unit)
        if bare != text:
            return strip(bare)
    return text


def _not_a_number(text: str, bare: str, of: Measured) -> tuple[str, str] | None:
    """Return what is wrong with a cell and what to do, None if it is one number."""
    if _NUMBER.fullmatch(bare):
        return None
    if _BELOW.fullmatch(bare):
        if not isinstance(of, Response):
            reached = "weighed" if isinstance(of, Weighing) else "reached"
            remedy = f"Write the {'mass' if reached == 'weighed' else 'mean'} that was {reached}."
            return f'"{text}" is a limit, not what was {reached}.', remedy
        return (
            f'"{text}": below or beyond which value is not said.',
            "Write the limit, as <0.05 or >250; or leave the cell blank.",
        )
    if _DATE.fullmatch(bare):
        return f'"{text}" is a date, not a number.', AS_NUMBER
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
    limit = (
        "; write < and the limit, as <0.05, where it lay below detection"
        if isinstance(of, Response)
        else ""
    )
    return (
        f'"{text}" is not a number.',
        f"Write a number, with nothing{unit}{limit}; leave it blank if it was not measured.",
    )
