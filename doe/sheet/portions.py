"""The bottles of a campaign, one row each: drained, sampled or flushed out, and their assays.

Columns: ``run``, ``bottle``, ``kind`` (drain, sample or flush), ``time_min`` (when a draw began, or
when the vessel was drained, in minutes of the extraction), ``discard_mL`` (thrown away at a draw's
beginning), ``volume_mL``, ``mass_g``, ``density_g_mL``; for solids and each compound the readings
with their unit, as ``solids_mg_mL``, duplicates ``solids_mg_mL_2`` and ``_3``, and
``solids_dilution``. The same cells are refused as in a sheet. What the timed samples and drains of
a run hold is its extraction curve; a timed sample is no run.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from doe.errors import Notice, Problem, ResultsError, Where
from doe.factors import FactorSpace
from doe.ledger import (
    Censored,
    Change,
    LedgerSchema,
    ReturnedRow,
    cell_address,
    csv_text,
    from_plain_text,
    number_text,
    plain_text,
)
from doe.quantities import unit_slug
from doe.responses import Response, Weighing
from doe.samples import Samples, drain_label_of, label_of
from doe.sheet.files import Grid, Row, grid_of, header_row
from doe.sheet.headings import plain_name, strip
from doe.sheet.reading import Sheet, body_of, columns_of

__all__ = [
    "Bottle",
    "Bottles",
    "bottles_csv",
    "drained_bottles",
    "drawn_bottles",
    "read_bottles",
    "with_bottles",
]

PLANNED_LABEL = re.compile("[sd][0-9]+", re.IGNORECASE)
KINDS = ("drain", "sample", "flush")
READINGS = ("", "_2", "_3")
MEASURES = (
    Weighing("time", "min", ""),
    Weighing("discard", "mL", ""),
    Weighing("volume", "mL", ""),
    Weighing("mass", "g", ""),
    Weighing("density", "g/mL", ""),
)


@dataclass(frozen=True, slots=True)
class Bottle:
    """One bottle of a run: its cells by column, `Censored` where a reading is a limit."""

    run: int
    label: str
    kind: str
    cells: Mapping[str, float]
    where: Where = field(default_factory=Where, compare=False)


@dataclass(frozen=True, slots=True)
class Bottles:
    """A file of bottles, read."""

    rows: tuple[Bottle, ...] = ()
    notices: tuple[Notice, ...] = ()


def _schema(names: Sequence[str], units: Sequence[str]) -> LedgerSchema:
    """Return the columns that a file of bottles may have, as a sheet's."""
    slugs = [unit_slug(unit) for unit in units]
    readings = tuple(
        Response(f"{name}_{slug}{suffix}", "", "maximise")
        for name in names
        for slug in slugs
        for suffix in READINGS
    )
    dilutions = tuple(Weighing(f"{name}_dilution", "", "") for name in names)
    return LedgerSchema(FactorSpace(()), readings, (*MEASURES, *dilutions))


def read_bottles(
    path: Path, names: Sequence[str], units: Sequence[str], of_runs: Sequence[str]
) -> Bottles | None:
    """Return the bottles in a file; None where it has no heading ``bottle`` beside ``run``.

    Parameters
    ----------
    names
        What is assayed: solids, and the compounds.
    units
        Units of assays.
    of_runs
        Columns of settings and responses. Where one that no bottle has stands in the file, it is a
        sheet of runs, and ``bottle`` the person's own column.

    Raises
    ------
    StateError
        The file is not there or cannot be opened.
    ResultsError
        Everything in it that cannot be read without guessing, with the cells' addresses.
    """
    schema = _schema(names, units)
    grid = grid_of(path, schema)
    header = header_row(grid.rows, schema)
    if header is None:
        return None
    plain = [plain_name(from_plain_text(cell)) for cell in grid.rows[header].cells]
    of_bottles = set(map(plain_name, schema.columns))
    only_of_runs = {*map(plain_name, of_runs)} - of_bottles
    if "bottle" not in plain or only_of_runs & {*plain}:
        return None
    return _read(grid, header, plain.index("bottle"), path.name, schema)


def _read(grid: Grid, header: int, place: int, file: str, schema: LedgerSchema) -> Bottles:
    columns, problems = columns_of(grid.rows[header], schema, file)
    if problems:
        raise ResultsError(*problems)
    body = body_of(grid, header)
    sheet = Sheet(file, schema, columns, grid, len(grid.rows[header].cells), problems, body)
    if body and sheet.is_of_units(body[0]):
        sheet.check_units(body.pop(0))
    found = [bottle for row in body if (bottle := _bottle(sheet, row, place)) is not None]
    _check_twice(found, problems)
    sheet.check_percents()
    if problems:
        raise ResultsError(*problems)
    unread = [name for i, name in columns.others.items() if i != place]
    notices = [*grid.notices, *sheet.comma_notices(), *sheet.percent_notices()]
    if unread:
        notices.append(Notice("portions-not-read", f"Not read from {file}: {', '.join(unread)}."))
    return Bottles(tuple(found), tuple(notices))


def _bottle(sheet: Sheet, row: Row, place: int) -> Bottle | None:
    """Return the bottle of a row, None after noting what is wrong with it."""
    before = len(sheet.problems)
    back = sheet.returned(row)
    label = strip(from_plain_text(row.cells[place])) if place < len(row.cells) else ""
    if PLANNED_LABEL.fullmatch(label):
        label = label.upper()
    kind = sheet.text(row, "kind").casefold()
    where = Where(sheet.file, row.line or row.row, f"{cell_address(place, row.row)} (bottle)")
    if not label:
        what, remedy = "the bottle has no label.", "Write the label that is on it."
        sheet.problems.append(Problem("no-label", what, where, remedy))
    known_by_label = not kind and PLANNED_LABEL.fullmatch(label)
    if kind not in KINDS and not known_by_label:
        at = sheet.columns.known.get("kind", place)
        cell = Where(sheet.file, row.line or row.row, f"{cell_address(at, row.row)} (kind)")
        sheet.problems.append(_no_kind(kind, cell))
    if back is None or len(sheet.problems) > before:
        return None
    return Bottle(back.run, label, kind, {**back.weighed, **back.responses}, where)


def _no_kind(kind: str, cell: Where) -> Problem:
    what = f'"{kind}" is no kind of portion.' if kind else "the kind of portion is missing."
    return Problem("portion-kind", what, cell, f"Write one of: {', '.join(KINDS)}.")


def _check_twice(found: Sequence[Bottle], problems: list[Problem]) -> None:
    first: dict[tuple[int, str], Bottle] = {}
    for bottle in found:
        key = bottle.run, bottle.label.casefold()
        if key in first:
            line = first[key].where.line
            what = f"bottle {bottle.label} of run {bottle.run} stands in line {line} already."
            if bottle.label != first[key].label:
                what = f"{what[:-1]}, as {first[key].label}: capitals make no difference."
            problems.append(Problem("bottle-twice", what, bottle.where, "Give each its own label."))
        first.setdefault(key, bottle)


def drawn_bottles(
    back: Sequence[ReturnedRow],
    plan: Samples,
    minutes: Mapping[int, Sequence[float]],
    kept: Sequence[Bottle],
    file: str,
) -> Bottles:
    """Return the bottles of the samples that a filled sheet says were drawn.

    A sample is there once its volume or mass is; it was drawn at the planned minute unless the
    sheet or `kept` says otherwise, and its discard was the planned one.

    Parameters
    ----------
    minutes
        When the samples of each run were planned [min of the extraction].
    kept
        The bottles that are recorded already.
    """
    timed = {(b.run, b.label) for b in kept if "time_min" in b.cells}
    found: list[Bottle] = []
    assumed: list[str] = []
    without: list[str] = []
    for row in back:
        for place, own in _places(row, "sample"):
            label, planned = label_of(place), minutes.get(row.run, ())
            if "mL" not in own and "g" not in own:
                without.append(f"{label} of run {row.run}")
                continue
            cells = {_CELL_OF[key]: value for key, value in own.items()}
            if (row.run, label) not in timed and place < len(planned):
                cells["discard_mL"] = plan.discard
                if "min" not in own:
                    cells["time_min"] = float(planned[place])
                    assumed.append(f"{label} of run {row.run}")
            where = _where_drawn(row, "sample", place, file)
            found.append(Bottle(row.run, label, "sample", cells, where))
    notices = []
    if assumed:
        what = f"Taken as drawn at the planned minute, as no other is written: {_some(assumed)}."
        notices.append(Notice("sample-time-assumed", what))
    if without:
        what = f"Neither volume nor mass is written, so not taken in: {_some(without)}."
        notices.append(Notice("sample-without-volume", what))
    return Bottles(tuple(found), tuple(notices))


def drained_bottles(back: Sequence[ReturnedRow], file: str) -> tuple[Bottle, ...]:
    """Return the bottles of the portions that a filled sheet says were drained."""
    return tuple(
        Bottle(
            row.run,
            drain_label_of(place),
            "drain",
            {_CELL_OF[key]: value for key, value in own.items()},
            _where_drawn(row, "drain", place, file),
        )
        for row in back
        for place, own in _places(row, "drain")
    )


_CELL_OF = {"min": "time_min", "mL": "volume_mL", "g": "mass_g"}
"""Column of a bottle by the unit that a sheet's column ends with."""


def _places(row: ReturnedRow, of: str) -> Iterator[tuple[int, dict[str, float]]]:
    """Yield the place, from 0, of what a sheet says of samples or drains, and it by unit."""
    split = [(column.split("_"), value) for column, value in row.drawn.items()]
    for place in sorted({int(number) for (name, number, _), _ in split if name == of}):
        own = {
            unit: value
            for (name, number, unit), value in split
            if (name, number) == (of, str(place))
        }
        yield place - 1, own


def _where_drawn(row: ReturnedRow, of: str, place: int, file: str) -> Where:
    names = (f"{of}_{place + 1}_{unit}" for unit in ("mL", "g"))
    address = row.cells.get(next((name for name in names if name in row.drawn), ""), "")
    return Where(file, row.line, f"{address} ({of} {place + 1})")


def _some(names: Sequence[str]) -> str:
    """Return some names as text, the first six of them where there are more."""
    more = f" and {len(names) - 6} more" if len(names) > 6 else ""
    return ", ".join(names[:6]) + more


def with_bottles(
    old: Sequence[Bottle], new: Sequence[Bottle], overwrite: bool
) -> tuple[tuple[Bottle, ...], tuple[Change, ...]]:
    """Return old and new bottles together, and what changed; a blank cell changes nothing.

    A label is the same in capitals and small letters; it stays as it was written first. So does
    the kind of a bottle whose label the plan gave, where a file of assays names none.

    Raises
    ------
    ResultsError
        Cells that hold another value already, all of them, unless they may be overwritten; a new
        bottle of no kind.
    """
    merged = {(bottle.run, bottle.label.casefold()): bottle for bottle in old}
    changes: list[Change] = []
    problems: list[Problem] = []
    for written in new:
        key = written.run, written.label.casefold()
        former = merged.get(key)
        if former is None and not written.kind:
            problems.append(_no_kind("", written.where))
            continue
        bottle = written
        if former is not None:
            bottle = replace(written, label=former.label, kind=written.kind or former.kind)
        own = list(_changes(former, bottle))
        if not overwrite:
            problems += [_filled(bottle, change) for change in own if change.old]
        changes += own
        kept = {} if former is None else former.cells
        joined = replace(bottle, cells={**kept, **bottle.cells})
        merged[key] = joined
    if problems:
        raise ResultsError(*problems)
    return tuple(sorted(merged.values(), key=lambda b: b.run)), tuple(changes)


def _changes(former: Bottle | None, new: Bottle) -> Iterator[Change]:
    if former is None or former.kind != new.kind:
        old = "" if former is None else former.kind
        yield Change(new.run, f"{new.label} kind", old, new.kind)
    cells = {} if former is None else former.cells
    for column, value in new.cells.items():
        old, text = _text(cells.get(column)), _text(value)
        same = old and not old.startswith(("<", ">")) and not text.startswith(("<", ">"))
        if text != old and not (same and math.isclose(cells[column], value, rel_tol=1e-9)):
            yield Change(new.run, f"{new.label} {column}", old, text)


def _filled(bottle: Bottle, change: Change) -> Problem:
    what = f"run {bottle.run} has {change.column} {change.old} already, the file says {change.new}."
    return Problem("filled-cell", what, bottle.where, "Correct it, or record it with --replace.")


def _text(value: float | None) -> str:
    if value is None:
        return ""
    return value.text if isinstance(value, Censored) else number_text(value)


def bottles_csv(bottles: Sequence[Bottle]) -> str:
    """Return the bottles as the tool keeps them: every column that any of them fills."""
    filled = dict.fromkeys(column for bottle in bottles for column in bottle.cells)
    measures = [measure.column for measure in MEASURES if measure.column in filled]
    columns = list(dict.fromkeys((*measures, *filled)))
    records = [["run", "bottle", "kind", *columns]]
    for b in bottles:
        cells = (_text(b.cells.get(column)) for column in columns)
        records.append([str(b.run), plain_text(b.label), b.kind, *cells])
    return csv_text(records)
