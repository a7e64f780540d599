"""The bench sheet as an XLSX workbook: planned cells locked, entry cells checked on filling.

The first sheet is the table of runs, so that it is also what a spreadsheet saves as CSV. Text is
never a formula, and the same plan gives the same bytes.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from doe.factors import CategoricalFactor, Factor, NumericFactor
from doe.ledger import SHEET_OF, LedgerRow, LedgerSchema, cell_address, number_text, plain_text
from doe.responses import Response, Weighing
from doe.samples import drain_label_of, label_of
from doe.sheet.bench import (
    NOT_CONFIRMED,
    RIG_FIRST,
    BenchRun,
    Entry,
    SamplePoint,
    SheetWords,
    entries_for,
)
from doe.sheet.headings import IDENTITY, sheet_cells, sheet_columns

if TYPE_CHECKING:
    from openpyxl.worksheet.datavalidation import DataValidation

__all__ = ["sheet_xlsx"]

HEADER = 4
"""Row of the column names; above it stand title, banner and what each column is."""
EPOCH = (1980, 1, 1, 0, 0, 0)
A4 = 9
"""Code of the paper size: ECMA-376 part 1, 18.3.1.63."""
PAGE_WIDTH = 190
"""Characters beside each other that can still be read on A4 landscape."""
LIMIT_WIDTH, EACH_RUN = 11, (36, 20, 34, 38)
"""Widths of the sheet `each run` in characters: number or limit; the texts beside them."""
_ILLEGAL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
INK, SOFT_INK, EMBER, RAISED, RULE = "1C2A30", "55666D", "B4481E", "F1EEE6", "D9D4C7"


@dataclass(frozen=True, slots=True)
class _Column:
    """A column: its name, what it is, and the factor or response it belongs to, if any."""

    name: str
    words: str
    locked: bool
    of: Factor | Response | Weighing | None = None


def sheet_xlsx(rows: Sequence[LedgerRow], schema: LedgerSchema, told: SheetWords) -> bytes:
    """Return the bench sheet as a workbook.

    Sheets: ``runs`` (the columns of the CSV, then the entries), ``read first``, ``each run`` (stop
    limits, drains, samples, totals), and a hidden ``levels`` for the lists. Locked without a
    password: against slips, not against people.
    """
    import openpyxl

    extra = entries_for(told.entries, schema)
    book = openpyxl.Workbook()
    title = f"{told.campaign}, stage {told.stage}" + (f", {told.mode}" if told.mode else "")
    banner = f"{NOT_CONFIRMED}." if told.unconfirmed_limits else ""
    runs = book.active
    runs.title = "runs"
    columns = _columns(schema, extra)
    _levels(book, schema)
    _fill_runs(runs, rows, schema, columns, title, banner)
    _read_first(
        book,
        title,
        banner,
        told.fixed,
        (*told.cautions, *_checks(told.bench), *_why_limits(told.bench)),
        told.provenance,
    )
    _each_run(book, rows, title, banner, told.limits, told.bench)
    book.move_sheet("levels", offset=2)
    for sheet in book.worksheets:
        _for_print(sheet, title, banner)
    for sheet in (runs, book["each run"]):  # the page's own header stands in for title and banner
        sheet.print_area = f"A{HEADER - 1}:{sheet.cell(sheet.max_row, sheet.max_column).coordinate}"
    runs.page_setup.fitToWidth = 1 + sum(map(_width, columns)) // PAGE_WIDTH
    book["read first"].page_setup.orientation = "portrait"
    book["read first"].page_setup.fitToHeight = 1
    return _packed(book)


def _columns(schema: LedgerSchema, extra: Sequence[Entry]) -> list[_Column]:
    words = {
        "run": "number of the run", "stage": "of the campaign", "day": "of the plan",
        "plot": "set-up together", "kind": "of run", "lot": "feedstock lot used",
        "left_out_because": "left out? say why, before you see the results",
        "notes": "deviations and notes", SHEET_OF: "whose sheet this is",
    }  # fmt: skip
    owners: dict[str, Factor | Response | Weighing] = {f.column: f for f in schema.space}
    owners |= dict(zip(schema.achieved_columns, schema.space, strict=True))
    owners |= {w.column: w for w in (*schema.weighed, *schema.drawn)}
    owners |= {r.column: r for r in schema.responses}
    planned = {*IDENTITY, *schema.space.columns, SHEET_OF}
    for column, of in owners.items():
        what = of.words if isinstance(of, (Response, Weighing)) else of.name.replace("_", " ")
        reached = column in schema.achieved_columns
        said = f"{what} achieved, mean" if reached else f"{what} set" if column in planned else what
        words[column] = f"{said}, {of.unit}" if of.unit else said
    found = [_Column(c, words[c], c in planned, owners.get(c)) for c in sheet_columns(schema)]
    return found + [
        _Column(e.column, f"{e.words}, {e.unit}" if e.unit else e.words, False) for e in extra
    ]


def _text(cell: Any, text: str) -> None:
    """Put text into a cell so that no program takes it for a formula."""
    cell.value = _ILLEGAL.sub("", plain_text(text)) or None
    if cell.value is not None:
        cell.data_type = "s"
        cell.quotePrefix = True


def _fill_runs(
    sheet: Any,
    rows: Sequence[LedgerRow],
    schema: LedgerSchema,
    columns: Sequence[_Column],
    title: str,
    banner: str,
) -> None:
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side

    _heading(sheet, title, banner)
    grey, line = PatternFill("solid", fgColor=RAISED), Side(style="thin", color=RULE)
    edge = Border(left=line, right=line, top=line, bottom=line)
    for i, column in enumerate(columns, 1):
        _text(sheet.cell(HEADER - 1, i), column.words)
        _text(sheet.cell(HEADER, i), column.name)
        sheet.cell(HEADER - 1, i).font = Font(name="Arial", color=SOFT_INK, size=9)
        sheet.cell(HEADER, i).font = Font(name="Arial", bold=True, color=INK)
        for above in (HEADER - 1, HEADER):
            sheet.cell(above, i).alignment = Alignment(wrap_text=True, vertical="bottom")
        letters = cell_address(i - 1, 1)[:-1]
        sheet.column_dimensions[letters].width = _width(column)
    sheet.row_dimensions[2].height = 16
    sheet.row_dimensions[HEADER - 1].height = 38
    sheet.row_dimensions[HEADER].height = 32
    for number, row in enumerate(rows, HEADER + 1):
        cells = sheet_cells(schema, row)
        for i, column in enumerate(columns, 1):
            cell = sheet.cell(number, i)
            _value(cell, cells.get(column.name, ""), column)
            cell.border = edge
            across = "center" if column.name in IDENTITY else None
            cell.alignment = Alignment(wrap_text=True, vertical="top", horizontal=across)
            of = column.of
            none_of_it = row.kind == "blank" and isinstance(of, Weighing) and of.of_feed
            cell.protection = Protection(locked=column.locked or none_of_it)
            if column.locked or none_of_it:
                cell.fill = grey
        sheet.row_dimensions[number].height = 30
    for i, column in enumerate(columns):
        check = _validation(column, i, schema)
        if check is not None and rows:
            sheet.add_data_validation(check)
            first, last = cell_address(i, HEADER + 1), cell_address(i, HEADER + len(rows))
            check.add(f"{first}:{last}")
    sheet.freeze_panes = cell_address(1, HEADER + 1)
    sheet.print_title_rows = f"{HEADER - 1}:{HEADER}"
    sheet.print_title_cols = "A:A"


def _width(column: _Column) -> int:
    """Return the width of a column in characters."""
    if column.name in IDENTITY:
        return 10 if column.name == "kind" else 6
    return 26 if column.name in ("notes", "left_out_because") else max(13, len(column.name) + 1)


def _value(cell: Any, text: str, column: _Column) -> None:
    """Write a cell of the ledger: numbers as numbers, all else as text that is no formula."""
    whole = column.name in ("run", "stage", "day", "plot")
    number = column.of is not None and not isinstance(column.of, CategoricalFactor)
    if text and (whole or (number and text[0] not in "<>")):
        cell.value = int(text) if whole else float(text)
        if isinstance(column.of, NumericFactor) and column.locked:
            decimals = len(text.partition(".")[2]) if "e" not in text else 0
            cell.number_format = f"0.{'0' * decimals}" if decimals else "General"
    else:
        cell.value = _ILLEGAL.sub("", text) or None  # shielded by `row_cells` already
        if cell.value is not None:
            cell.data_type = "s"
            cell.quotePrefix = True


def _validation(column: _Column, index: int, schema: LedgerSchema) -> DataValidation | None:
    """Return what is checked while an entry cell is filled, with the message shown beside it."""
    from openpyxl.worksheet.datavalidation import DataValidation

    if column.locked:
        return None
    made: DataValidation
    of, at = column.of, cell_address(index, HEADER + 1)
    if isinstance(of, CategoricalFactor):
        column_of_list = cell_address(list(schema.space).index(of), 1)[:-1]
        made = DataValidation(
            "list", f"levels!${column_of_list}$1:${column_of_list}${len(of.levels)}"
        )
        made.error, made.prompt = "Choose a level from the list.", "Choose what was really used."
    elif isinstance(of, NumericFactor):
        low, high = _believable(of)
        made = DataValidation("decimal", number_text(low), number_text(high), operator="between")
        made.errorStyle = "warning"
        made.error = f"Outside {low:g} to {high:g} {of.unit}. Is that what was reached?"
        made.prompt = (
            f"Mean that was reached, {of.unit}. Planned between {of.low:g} and {of.high:g}."
        )
    elif isinstance(of, Response):
        share = f"AND({at}>=0,{at}<=100)" if of.unit == "%" else "TRUE"
        made = DataValidation(
            "custom",
            f'IF(ISNUMBER({at}),{share},OR(LEFT({at},1)="<",LEFT({at},1)=">"))',
        )
        made.errorStyle = "warning"
        made.error = "Not a number one would expect here. Leave it empty if it was not measured."
        made.prompt = (
            f"Number in {of.unit or 'units of the response'}; <0.05 below a limit; or blank."
        )
    elif column.name in ("lot", "left_out_because", "notes"):
        made = DataValidation("textLength", "2000", operator="lessThanOrEqual")
        made.error, made.prompt = "At most 2000 characters.", column.words
    else:
        made = DataValidation(
            "custom", f"OR(ISTEXT({at}),AND(ISNUMBER({at}),{at}>=0))", errorStyle="warning"
        )
        made.error, made.prompt = "A mass or a count is not negative.", column.words
    made.prompt = plain_text(made.prompt)[:250]
    made.promptTitle, made.errorTitle = column.name[:32], column.name[:32]
    made.showInputMessage = made.showErrorMessage = True
    made.allow_blank = True
    return made


def _believable(factor: NumericFactor) -> tuple[float, float]:
    """Return the range half as wide again on either side; not below zero if planned above it."""
    half = (factor.high - factor.low) / 2
    low = factor.low - half
    return (max(0.0, low) if factor.low >= 0 else low), factor.high + half


def _levels(book: Any, schema: LedgerSchema) -> None:
    sheet = book.create_sheet("levels")
    sheet.sheet_state = "hidden"
    for i, factor in enumerate(schema.space, 1):
        for row, level in enumerate(getattr(factor, "levels", ()), 1):
            _text(sheet.cell(row, i), level)


def _heading(sheet: Any, title: str, banner: str) -> None:
    from openpyxl.styles import Font

    _text(sheet["A1"], f"Bench sheet: {title}")
    sheet["A1"].font = Font(name="Arial", bold=True, size=14, color=INK)
    _text(sheet["A2"], f"{banner} {RIG_FIRST}".strip())
    sheet["A2"].font = Font(name="Arial", bold=bool(banner), color=EMBER if banner else SOFT_INK)


def _read_first(
    book: Any,
    title: str,
    banner: str,
    fixed: Sequence[tuple[str, str]],
    cautions: Sequence[str],
    provenance: Sequence[tuple[str, str]],
) -> None:
    from openpyxl.styles import Alignment, Font

    sheet = book.create_sheet("read first")
    sheet.column_dimensions["A"].width = 110
    warning = (
        f"{banner} Nobody has yet checked the limits in the campaign file against the rig's own "
        "documents. Don't run anything from this sheet before that is done."
    )
    lines = [
        *([warning] if banner else []),
        f"Bench sheet: {title}",
        RIG_FIRST,
        *cautions,
        "Keep the order: it is part of the design. Grey cells are the plan and locked; what was "
        "really set goes into the columns that begin with achieved_.",
        "Leave blank what was not measured, write <0.05 where a result lies below that limit of "
        "detection. If a run has to be left out, write why, before you see its results; begin with "
        "“repeat” to have it made again.",
        *(f"Set alike for every run: {name} {value}" for name, value in fixed),
        *(f"{label}: {text}" for label, text in provenance),
    ]
    for number, line in enumerate(lines, 1):
        cell = sheet.cell(number, 1)
        _text(cell, line)
        cell.alignment = Alignment(wrap_text=True, vertical="top")
        cell.font = Font(
            name="Arial", bold=number <= 2 + bool(banner), color=EMBER if line is warning else INK
        )
        sheet.row_dimensions[number].height = 16 * (1 + len(line) // 105)


def _checks(bench: Mapping[int, BenchRun]) -> list[str]:
    """Return what to verify before heat, and for which runs where it is not for all."""
    return [
        f"Verify before heat{f' of run {runs}' if runs else ''}: {check}"
        for check, runs in _by_runs(bench, lambda one: one.checks)
    ]


def _why_limits(bench: Mapping[int, BenchRun]) -> list[str]:
    """Return what each stop limit comes from, and of which runs where it is not of all."""

    def reasons(one: BenchRun) -> list[str]:
        return [f"{words}: {at.because}" for words, _, at in one.stop.lines() if at is not None]

    return [
        f"Stop limit{f' of run {runs}' if runs else ''}, {reason}"
        for reason, runs in _by_runs(bench, reasons)
    ]


def _by_runs(
    bench: Mapping[int, BenchRun], said: Callable[[BenchRun], Sequence[str]]
) -> Iterator[tuple[str, str]]:
    """Yield each text once with the numbers of its runs; no numbers where it is said of all."""
    runs: dict[str, list[int]] = {}
    for number, one in bench.items():
        for text in said(one):
            runs.setdefault(text, []).append(number)
    for text, numbers in runs.items():
        yield text, "" if len(numbers) == len(bench) else ", ".join(map(str, numbers))


def _each_run(
    book: Any,
    rows: Sequence[LedgerRow],
    title: str,
    banner: str,
    limits: Mapping[int, Sequence[str]],
    bench: Mapping[int, BenchRun],
) -> None:
    """Write stop limits and the rest of each run; no heading there is one of the table of runs."""
    from openpyxl.styles import Alignment, Font

    sheet = book.create_sheet("each run")
    _heading(sheet, title, banner)
    stops = [f"stop at {words}, {unit}" for words, unit, _ in _any_stop(bench)]
    names = [
        "run no.",
        *stops,
        "mind",
        "portions drained, by the minutes after flow starts",
        "samples, by the minutes of the extraction",
        "to expect",
    ]
    widths = (*[LIMIT_WIDTH] * (len(names) - len(EACH_RUN)), *EACH_RUN)
    left = Alignment(wrap_text=True, vertical="top", horizontal="left")
    for i, (name, width) in enumerate(zip(names, widths, strict=True), 1):
        cell = sheet.cell(HEADER, i)
        _text(cell, name)
        cell.font = Font(name="Arial", bold=True, color=INK)
        cell.alignment = Alignment(wrap_text=True, vertical="bottom", horizontal="left")
        sheet.column_dimensions[cell_address(i - 1, 1)[:-1]].width = width
    for number, row in enumerate(rows, HEADER + 1):
        one = bench.get(row.run, BenchRun())
        sheet.cell(number, 1).value = row.run
        for i, (_, _, limit) in enumerate(one.stop.lines(), 2):
            if limit is None:
                _text(sheet.cell(number, i), "not known: the rig's own")
            else:
                sheet.cell(number, i).value = limit.value
        texts = (
            "; ".join(limits.get(row.run, ())),
            "; ".join(_drain_words(one)),
            "; ".join(_sample_words(i, s) for i, s in enumerate(one.samples)),
            "; ".join(f"{label} {text}" for label, text in one.totals),
        )
        lines = (1 + len(t) // (width - 4) for t, width in zip(texts, EACH_RUN, strict=True))
        sheet.row_dimensions[number].height = 14 * max(2, *lines)
        for i, text in enumerate(texts, 1 + len(names) - len(EACH_RUN)):
            _text(sheet.cell(number, i), text)
        for i in range(1, len(names) + 1):
            sheet.cell(number, i).alignment = left
    sheet.freeze_panes = cell_address(1, HEADER + 1)
    sheet.print_title_rows = f"{HEADER}:{HEADER}"
    sheet.row_dimensions[HEADER].height = 60


def _sample_words(place: int, sample: SamplePoint) -> str:
    take = "" if sample.volume_mL is None else f", take {sample.volume_mL:g} mL"
    return f"{label_of(place)} at {sample.time_min:g} min: discard {sample.discard_mL:g} mL{take}"


def _drain_words(bench: BenchRun) -> Iterator[str]:
    for i, minutes in enumerate(bench.drains_min):
        yield f"{drain_label_of(i)} at {minutes:g} min"
    yield f"{drain_label_of(len(bench.drains_min))} at the end"


def _any_stop(bench: Mapping[int, BenchRun]) -> Sequence[tuple[str, str, Any]]:
    return next(iter(bench.values()), BenchRun()).stop.lines()


def _for_print(sheet: Any, title: str, banner: str) -> None:
    sheet.protection.sheet = True
    sheet.protection.formatColumns = sheet.protection.formatRows = False
    sheet.page_setup.paperSize = A4
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.page_margins.left = sheet.page_margins.right = 0.5
    sheet.oddHeader.left.text = f"{title}. {banner}".strip().replace("&", "&&")[:120]
    sheet.oddFooter.right.text = "&P of &N"


def _packed(book: Any) -> bytes:
    """Return the workbook's bytes with times fixed, so that the same plan gives the same file."""
    book.properties.creator = "doe"
    book.properties.created = datetime(*EPOCH)
    first, last = io.BytesIO(), io.BytesIO()
    book.save(first)
    with zipfile.ZipFile(first) as made, zipfile.ZipFile(last, "w") as fixed:
        for entry in made.infolist():
            data = made.read(entry)
            if entry.filename == "docProps/core.xml":
                data = re.sub(
                    rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>1980-01-01T00:00:00Z", data
                )
            plain = zipfile.ZipInfo(entry.filename, EPOCH)
            plain.compress_type = zipfile.ZIP_DEFLATED
            fixed.writestr(plain, data)
    return last.getvalue()
