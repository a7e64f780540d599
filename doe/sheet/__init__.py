"""Bench sheets out, filled sheets in.

Out go a CSV, a workbook, and a page that is printed on A4 or filled in on a tablet. In comes CSV as
laboratories really send it (UTF-8 with or without BOM, UTF-16, Windows-1252; comma, semicolon or
tab; decimal point or comma; title lines above the header; columns moved or added), or an XLSX or
ODS workbook. Nothing is guessed: a cell that can be read in two ways is refused with its address,
and all such cells at once.

Formulas: text that a spreadsheet would take for one is written with an apostrophe before it
(`doe.ledger.plain_text`), and read without.
"""

from __future__ import annotations

from doe.ledger import Returned, ReturnedRow
from doe.sheet.bench import (
    USUAL_CHECKS,
    BenchRun,
    Entry,
    SamplePoint,
    SheetWords,
    StopLimit,
    StopLimits,
    strictest_above,
    strictest_below,
)
from doe.sheet.headings import sheet_columns, sheet_csv
from doe.sheet.page import sheet_html
from doe.sheet.reading import read_sheet, read_sheet_text
from doe.sheet.workbook import sheet_xlsx

__all__ = [
    "USUAL_CHECKS",
    "BenchRun",
    "Entry",
    "Returned",
    "ReturnedRow",
    "SamplePoint",
    "SheetWords",
    "StopLimit",
    "StopLimits",
    "read_sheet",
    "read_sheet_text",
    "sheet_columns",
    "sheet_csv",
    "sheet_html",
    "sheet_xlsx",
    "strictest_above",
    "strictest_below",
]
