"""A log's rows below its header, from text to columns of numbers and times."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np

from doe.errors import Notice, Problem, ResultsError, Where
from doe.quantities import MINUTES, read_quantity
from doe.rig.description import FloatArray
from doe.run_log.headings import (
    HEADER_WITHIN,
    Channel,
    Heading,
    best_header,
    chosen_headings,
    not_read,
    split,
    units_row,
)

SHOWN_MAX = 10
"""Rows named one by one in a message; the rest are counted."""
DELIMITERS = (",", ";", "\t")
MISSING = frozenset(
    {"", "nan", "-", "--", "---", "n.a.", "na", "n/a", "null", "none", "nd", "n.d."}
)
_NUMBER = re.compile(r"[+-]?(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?")
_THREE_DECIMALS = re.compile(r"[+-]?[1-9][0-9]{0,2}([.,])[0-9]{3}")
_CLOCK = re.compile(r"[0-9]{1,4}:[0-5]?[0-9]:[0-5]?[0-9](?:[.,][0-9]+)?")
_TWO_PARTS = re.compile(r"[0-9]{1,4}:[0-5]?[0-9](?:[.,][0-9]+)?")
_ISO = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:[.,][0-9]{1,9})?)?"
    r"(?:Z|[+-][0-9]{2}:?[0-9]{2})?"
)
_DOTTED_DAY = re.compile(r"([0-9]{1,2})\.([0-9]{1,2})\.([0-9]{4})")
_DOTTED = re.compile(_DOTTED_DAY.pattern + r"[ T]+[0-9]{1,2}:[0-9]{2}(?::[0-9]{2}(?:[.,][0-9]+)?)?")
_SLASHED = re.compile(r"[0-9]{1,4}/[0-9]{1,2}/[0-9]{1,4}.*")


@dataclass(frozen=True)
class Table:
    """The rows of a log below its header, split but not yet read."""

    file: str
    lines: list[str]
    first_row: int
    delimiter: str
    headings: Mapping[Channel, Heading]
    width: int
    notices: tuple[Notice, ...] = ()

    def fault(
        self, row: int, channel: Channel | None, what: str, remedy: str, code: str
    ) -> Problem:
        key = self.headings[channel].text if channel and channel in self.headings else None
        return Problem(code, what, Where(self.file, row, key), remedy)

    def texts(self, channel: Channel) -> list[str]:
        """Return the cells of a column, stripped."""
        position = self.headings[channel].position
        if any('"' in line for line in self.lines):
            return list(self.each_text(channel))
        cut = (line.split(self.delimiter, position + 1) for line in self.lines)
        return [cells[position].strip() if position < len(cells) else "" for cells in cut]

    def each_text(self, channel: Channel) -> Iterator[str]:
        """Yield the cells of a column, stripped, so that the first costs no more than itself."""
        position = self.headings[channel].position
        for cells in csv.reader(self.lines, delimiter=self.delimiter):
            yield cells[position].strip() if position < len(cells) else ""

    def numbers(self) -> dict[Channel, FloatArray]:
        """Return the columns of numbers; time only where it is a number."""
        first = next(filter(None, self.each_text("time")), "")
        wanted = [c for c in self.headings if c not in ("time", "date")]
        if _NUMBER.fullmatch(first) and "date" not in self.headings:
            wanted.insert(0, "time")
        decimal = _decimal_mark(self, wanted)
        return _numbers(self, wanted, decimal)

    def minutes(self, numbers: FloatArray | None) -> FloatArray:
        """Return the time of each row [min]; NaN where the row is empty."""
        unit = self.headings["time"].unit
        if numbers is None:
            return _minutes_of_text(self, unit)
        if unit in ("", "h:m:s", "h:m", "m:s"):
            raise ResultsError(
                self.fault(
                    self.first_row,
                    "time",
                    "the time is a bare number; it could be seconds or minutes.",
                    "Name the column time_s or time_min.",
                    "time-unit",
                )
            )
        return np.asarray(numbers * read_quantity(f"1 {unit}", MINUTES))


def table_of(text: str, file: str, chosen: Mapping[Channel, str]) -> Table:
    lines = text.replace("\r\n", "\n").replace("\r", "\n").rstrip("\n").split("\n")
    if not text.strip():
        raise ResultsError.of("log-empty", "the file is empty.", "Send the log.", file=file)
    delimiter = max(DELIMITERS, key=lambda mark: best_header(lines, mark)[1])
    at, known = best_header(lines, delimiter)
    if known == 0:
        raise ResultsError.of(
            "log-no-header",
            f"no heading for time and temperature was found in the first {HEADER_WITHIN} rows.",
            "Put headings above the columns, e.g. time_s, temperature_C, pressure_barg, "
            "flow_mL_min.",
            file=file,
        )
    cells = split(lines[at], delimiter)
    units = units_row(lines, at, delimiter, len(cells))
    headings = chosen_headings(cells, units, chosen, file, at + 1)
    body = at + (2 if units else 1)
    table = Table(
        file,
        ["" if line.startswith("#") else line for line in lines[body:]],
        body + 1,
        delimiter,
        headings,
        len(cells),
        tuple(not_read(cells, headings)),
    )
    return _even(table, ends_whole=text.endswith(("\n", "\r")))


def _even(table: Table, *, ends_whole: bool) -> Table:
    """Return the table with rows of the header's width; a last row cut short is left out."""
    lines, marks = list(table.lines), table.width - 1
    notices = list(table.notices)
    quoted = any('"' in line for line in lines)
    problems = []
    for i, line in enumerate(lines):
        if line.count(table.delimiter) <= marks and not quoted:
            continue
        row = table.first_row + i
        if line.count('"') % 2:
            what, remedy = "a quoted cell does not end in its row.", "Check the quotes."
            problems.append(table.fault(row, None, what, remedy, "broken-csv"))
            continue
        beyond = split(line, table.delimiter)[table.width :]
        if any(beyond) or (beyond and table.delimiter == ","):
            what = f"the row has {table.width + len(beyond)} cells, the header {table.width}."
            remedy = "Each cell needs a heading; with decimal commas, separate by semicolons."
            problems.append(table.fault(row, None, what, remedy, "cells-beyond"))
    if problems:
        raise ResultsError(*some(problems, table.file))
    needed = max(heading.position for heading in table.headings.values())
    if lines and not ends_whole and len(split(lines[-1], table.delimiter)) <= needed:
        row = table.first_row + len(lines) - 1
        what = f"Row {row}, the last of {table.file}, is cut short and was left out."
        notices.append(Notice("log-cut-short", what))
        lines.pop()
    if not any(line.strip() for line in lines):
        raise ResultsError.of(
            "log-empty", "there is no row below the header.", "Send the log.", file=table.file
        )
    return replace(table, lines=lines, notices=tuple(notices))


def some(problems: Sequence[Problem], file: str) -> list[Problem]:
    """Return the first problems, and one that counts the rest."""
    shown = list(problems[:SHOWN_MAX])
    if len(problems) > SHOWN_MAX:
        what = f"{len(problems) - SHOWN_MAX} more rows have faults of this kind."
        shown.append(Problem("more-rows", what, Where(file)))
    return shown


def _decimal_mark(table: Table, wanted: Sequence[Channel]) -> str:
    """Return the decimal mark, from the first number that settles it.

    One machine writes all its columns alike, so one number that has a single reading settles the
    file; a number that goes against it later is refused where it stands.
    """
    positions = [(c, table.headings[c].position) for c in wanted]
    unsettled: tuple[int, Channel, str] | None = None
    reader = csv.reader(table.lines, delimiter=table.delimiter)
    for i, cells in enumerate(reader):
        for channel, position in positions:
            text = cells[position].strip() if position < len(cells) else ""
            if not _NUMBER.fullmatch(text) or not ("," in text or "." in text):
                continue
            mark = "," if "," in text else "."
            if not _THREE_DECIMALS.fullmatch(text):
                return mark
            unsettled = unsettled or (table.first_row + i, channel, text)
    if unsettled is None:
        return "."
    row, channel, text = unsettled
    if "." in text and table.delimiter == ",":
        return "."
    whole = re.sub(r"[.,]", "", text)
    raise ResultsError(
        table.fault(
            row,
            channel,
            f'"{text}" can be read as {text.replace(",", ".")} or as {whole}, and no number of '
            "the log settles which.",
            "Export it with a decimal point and commas between cells, or with another number "
            "of decimals.",
            "two-readings",
        )
    )


def _numbers(table: Table, wanted: Sequence[Channel], decimal: str) -> dict[Channel, FloatArray]:
    """Return columns as floats (n,), NaN where a cell is blank, refusing what is no number."""
    frame = _frame(table, [table.headings[c].position for c in wanted], decimal)
    problems: list[Problem] = []
    columns: dict[Channel, FloatArray] = {}
    for channel in wanted:
        series = frame[table.headings[channel].position]
        if series.dtype.kind in "fiu":
            columns[channel] = series.to_numpy(dtype=np.float64)
        else:
            columns[channel], faults = _cell_by_cell(table, channel, series.tolist(), decimal)
            problems += faults
        for i in np.flatnonzero(np.isinf(columns[channel])).tolist():
            what, remedy = "the number is not finite.", "Blank the cell."
            problems.append(table.fault(table.first_row + i, channel, what, remedy, "bad-cell"))
    if problems:
        raise ResultsError(*some(problems, table.file))
    return columns


def _frame(table: Table, positions: Sequence[int], decimal: str) -> Any:
    import pandas as pd

    # The first line, of blank cells, makes every row as wide as the widest; it is cut off again.
    marks = max(table.width - 1, max(line.count(table.delimiter) for line in table.lines))
    text = "\n".join([table.delimiter * marks, *table.lines, ""])
    frame = pd.read_csv(
        io.StringIO(text),
        sep=table.delimiter,
        header=None,
        names=range(marks + 1),
        usecols=sorted(positions),
        decimal=decimal,
        na_values=sorted({*MISSING, *map(str.upper, MISSING), "NaN", "Null", "None"}),
        keep_default_na=False,
        skip_blank_lines=False,
        skipinitialspace=True,
        index_col=False,
        low_memory=False,
    )
    return frame.iloc[1:]


def _cell_by_cell(
    table: Table, channel: Channel, cells: Sequence[object], decimal: str
) -> tuple[FloatArray, list[Problem]]:
    """Return a column in which not every cell is plainly a number, and what is wrong with it."""
    other = "." if decimal == "," else ","
    values = np.full(len(cells), np.nan)
    problems = []
    for i, cell in enumerate(cells):
        text = "" if cell is None or cell != cell else str(cell).strip()
        if text.casefold() in MISSING:
            continue
        what, remedy = f'"{text}" is not a number.', "Blank the cell, or export the log again."
        if _NUMBER.fullmatch(text):
            if other not in text:
                values[i] = float(text.replace(",", "."))
                continue
            what = f'"{text}" has another decimal mark than the rest of the log, "{decimal}".'
        problems.append(table.fault(table.first_row + i, channel, what, remedy, "bad-cell"))
    return values, problems


def _minutes_of_text(table: Table, unit: str) -> FloatArray:
    """Return clock times and date-times as minutes (n,), NaN for blank rows."""
    texts = table.texts("time")
    if "date" in table.headings:
        days = table.texts("date")
        texts = [f"{day} {text}".strip() for day, text in zip(days, texts, strict=True)]
    first = next(filter(None, texts), "")
    for pattern, read in (
        (_CLOCK, _clock_minutes),
        (_ISO, _stamp_minutes),
        (_DOTTED, lambda found: _stamp_minutes([_dotted_to_iso(text) for text in found])),
    ):
        if pattern.fullmatch(first):
            _refuse_others(table, texts, pattern, first)
            return _filled(texts, read, table)
    if _TWO_PARTS.fullmatch(first) and unit in ("h:m", "m:s"):
        _refuse_others(table, texts, _TWO_PARTS, first)
        clock = (lambda text: f"{text}:0") if unit == "h:m" else (lambda text: f"0:{text}")
        return _filled(texts, lambda found: _clock_minutes(list(map(clock, found))), table)
    raise ResultsError(_time_unclear(table, first))


def _time_unclear(table: Table, first: str) -> Problem:
    what = f'"{first}" is not a time that has one reading.'
    remedy = "Write seconds, minutes, hh:mm:ss or 2024-03-18T14:05:00."
    if _TWO_PARTS.fullmatch(first):
        what = f'"{first}" can be hours and minutes, or minutes and seconds.'
        remedy = "Write hh:mm:ss, or put [hh:mm] or [mm:ss] into the heading."
    elif _SLASHED.fullmatch(first):
        what = f'"{first}": which number is the month depends on the country.'
        remedy = "Write dates as 2024-03-18."
    elif not first:
        what = "no row has a time."
    return table.fault(table.first_row, "time", what, remedy, "time-unclear")


def _refuse_others(
    table: Table, texts: Sequence[str], pattern: re.Pattern[str], first: str
) -> None:
    matches = pattern.fullmatch
    problems = [
        table.fault(
            table.first_row + i,
            "time",
            f'"{text}" is not a time like the first one, "{first}".',
            "Write every time in the same way.",
            "time-unclear",
        )
        for i, text in enumerate(texts)
        if text and not matches(text)
    ]
    if problems:
        raise ResultsError(*some(problems, table.file))


def _filled(
    texts: Sequence[str], read: Callable[[list[str]], FloatArray], table: Table
) -> FloatArray:
    """Return minutes of the texts that are there, NaN for the others."""
    minutes = np.full(len(texts), np.nan)
    there = [i for i, text in enumerate(texts) if text]
    try:
        minutes[there] = read([texts[i] for i in there])
    except ValueError as error:
        raise ResultsError.of(
            "time-unclear",
            f"a time does not exist in the calendar ({error}).",
            "Write dates as 2024-03-18T14:05:00.",
            file=table.file,
        ) from None
    return minutes


def _clock_minutes(texts: list[str]) -> FloatArray:
    """Return h:mm:ss as minutes."""
    parts = " ".join(texts).replace(":", " ").replace(",", ".").split(" ")
    h, m, s = np.asarray(parts, dtype=np.float64).reshape(-1, 3).T
    return np.asarray(h * 60 + m + s / 60)


def _stamp_minutes(texts: list[str]) -> FloatArray:
    """Return ISO date-times as minutes from the first; all or none with an offset from UTC."""
    zoned = [text[-1] == "Z" or text[-6:-5] in "+-" or text[-5:-4] in "+-" for text in texts]
    zoned = [flag and len(text) > 16 for flag, text in zip(zoned, texts, strict=True)]
    if any(zoned) and not all(zoned):
        raise ValueError("some times have an offset from UTC and some have none")
    if any(zoned):
        stamps = [datetime.fromisoformat(text.replace(",", ".")) for text in texts]
        seconds = np.array([stamp.astimezone(UTC).timestamp() for stamp in stamps])
        return np.asarray((seconds - seconds[0]) / 60)
    plain = np.array([text.replace(",", ".") for text in texts], dtype="datetime64[us]")
    return np.asarray((plain - plain[0]) / np.timedelta64(60_000_000, "us"), dtype=np.float64)


def _dotted_to_iso(text: str) -> str:
    """Return 18.3.2024 9:05 as 2024-03-18T09:05: points stand between day, month, year only."""
    match = _DOTTED_DAY.match(text)
    assert match is not None
    clock = text[match.end() :].strip(" T")
    hour, rest = clock.split(":", 1)
    return f"{match[3]}-{int(match[2]):02d}-{int(match[1]):02d}T{int(hour):02d}:{rest}"
