"""The columns of a sheet, and headings as people write them."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import TypeAlias

from doe.factors import Factor
from doe.ledger import (
    SHEET_OF,
    LedgerRow,
    LedgerSchema,
    csv_text,
    from_plain_text,
    plain_text,
    row_cells,
    sheet_mark,
)
from doe.quantities import unit_slug
from doe.responses import Response, Weighing

__all__ = [
    "IDENTITY",
    "Measured",
    "column_of",
    "known_in",
    "plain_name",
    "sheet_cells",
    "sheet_columns",
    "sheet_csv",
    "strip",
    "units_behind",
]

Measured: TypeAlias = Factor | Response | Weighing

IDENTITY = ("run", "stage", "day", "plot", "kind")

_UNSEEN = r"\s\u00a0\u2009\u202f\u200b-\u200f\u2060\ufeff"
"""Spaces, and the marks without a width that texts bring along when they are pasted."""
_SPACES = re.compile(rf"^[{_UNSEEN}]+|[{_UNSEEN}]+$")


def sheet_columns(schema: LedgerSchema) -> tuple[str, ...]:
    """Return the columns of the CSV sheet, named as in the ledger; derived responses have none.

    The last says whose sheet it is, where the campaign has a name.
    """
    asked = (response.column for response in schema.responses if response.source is None)
    measured = (*schema.achieved_columns, *schema.weighed_columns, *schema.drawn_columns, *asked)
    lot = ("lot",) if schema.lots else ()
    last = ("left_out_because", "notes", *([SHEET_OF] if schema.campaign else []))
    return (*IDENTITY, *lot, *schema.space.columns, *measured, *last)


def sheet_cells(schema: LedgerSchema, row: LedgerRow) -> dict[str, str]:
    """Return the cells of a run by the columns of the sheet: the ledger's, and whose it is."""
    mark = plain_text(sheet_mark(schema.campaign, row.stage))
    return {**row_cells(schema, row), **({SHEET_OF: mark} if schema.campaign else {})}


def sheet_csv(rows: Iterable[LedgerRow], schema: LedgerSchema) -> str:
    """Return the bench sheet of some runs as CSV; what is recorded already is filled in.

    Comma, decimal point, ``\\n``. Text that begins like a formula has an apostrophe before it.
    """
    columns = sheet_columns(schema)
    cells = (sheet_cells(schema, row) for row in rows)
    return csv_text([columns, *([row.get(column, "") for column in columns] for row in cells)])


def strip(text: str) -> str:
    return _SPACES.sub("", text)


def units_behind(of: Measured) -> tuple[str, ...]:
    """Return what may stand behind a number of a column: its unit, as written or in the heading."""
    slug = of.column.removeprefix(of.name).removeprefix("_")
    return tuple(filter(None, (of.unit, slug, "°C" if slug == "C" else "")))


def plain_name(name: str) -> str:
    """Return a heading without case, spaces and signs: ``Yield (%)`` is ``yield_pct``."""
    return unit_slug(name).replace("_", "").casefold()


@lru_cache(maxsize=32)
def _by_plain(columns: tuple[str, ...]) -> dict[str, str]:
    """Return the columns by their plain names, those that would collide left out."""
    counts = Counter(map(plain_name, columns))
    return {plain_name(column): column for column in columns if counts[plain_name(column)] == 1}


def column_of(heading: str, schema: LedgerSchema) -> str | None:
    """Return the column that a heading names: exactly, or but for case, spaces and signs."""
    name = strip(from_plain_text(heading))
    known = (*schema.columns, *schema.drawn_columns, *([SHEET_OF] if schema.campaign else []))
    if name in known:
        return name
    return _by_plain(known).get(plain_name(name)) if plain_name(name) else None


def known_in(cells: Sequence[str], schema: LedgerSchema) -> int:
    return len({column_of(cell, schema) for cell in cells} - {None})
