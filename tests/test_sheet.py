"""Bench sheets: what goes out, and a table of files as laboratories really send them."""

from __future__ import annotations

import csv
import datetime
import io
import math
import re
from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest
from made_up_sheet import saved_as

from doe.errors import ResultsError, StateError
from doe.factors import CategoricalFactor, FactorSpace, NumericFactor
from doe.ledger import Censored, Ledger, LedgerRow, LedgerSchema, Returned, with_results
from doe.responses import Response
from doe.sheet import read_sheet, sheet_columns, sheet_csv

SCHEMA = LedgerSchema(
    FactorSpace(
        (
            NumericFactor("temperature", "°C", 120.0, 200.0, step=5.0, suffix="C"),
            NumericFactor("flow", "mL/min", 1.0, 5.0, step=0.1),
            CategoricalFactor("packing", ("sand", "glass beads")),
        )
    ),
    (Response("yield", "%", "maximise"), Response("hmf", "mg/g", "minimise")),
)


def planned(run: int, temperature: float = 150.0, **changes: object) -> LedgerRow:
    none3, none2 = (None, None, None), (None, None)
    row = LedgerRow(run, 1, run, 1, "corner", "planned", (temperature, 2.5, 1.0), none3, none2)
    return replace(row, **changes)  # type: ignore[arg-type]


LEDGER = Ledger(SCHEMA, (planned(1), planned(2, 165.0)))

# --- what is accepted: bytes of the file → (run, yield, hmf, achieved temperature, notes) a row

HEAD = "run,temperature_C,achieved_temperature_C,yield_pct,hmf_mg_g,notes\n"
SEMI = HEAD.replace(",", ";")
ONE = (1, 12.3, 0.5, 151.2, "ok")
ACCEPTED: dict[str, tuple[bytes, list[tuple[object, ...]]]] = {
    "plain": ((HEAD + "1,150,151.2,12.3,0.5,ok\n").encode(), [ONE]),
    "byte order mark": ((HEAD + "1,150,151.2,12.3,0.5,ok\n").encode("utf-8-sig"), [ONE]),
    "utf-16 with mark": (
        (HEAD + "1,150,151.2,12.3,0.5,trüb\n").encode("utf-16"),
        [(*ONE[:4], "trüb")],
    ),
    "utf-16 little, no mark": ((HEAD + "1,150,151.2,12.3,0.5,ok\n").encode("utf-16-le"), [ONE]),
    "utf-16 big, no mark": ((HEAD + "1,150,151.2,12.3,0.5,ok\n").encode("utf-16-be"), [ONE]),
    "windows-1252": (
        (HEAD + "1,150,151.2,12.3,0.5,trüb bei 20 °C\n").encode("cp1252"),
        [(*ONE[:4], "trüb bei 20 °C")],
    ),
    "semicolons, decimal commas": ((SEMI + "1;150;151,2;12,3;0,5;ok\n").encode(), [ONE]),
    "semicolons, decimal points": ((SEMI + "1;150;151.2;12.3;0.5;ok\n").encode(), [ONE]),
    "tabs": (
        (HEAD + "1,150,151.2,12.3,0.5,ok\n").replace(",", "\t").encode(),
        [ONE],
    ),
    "commas, quoted decimal commas": ((HEAD + '1,150,"151,2","12,3","0,5",ok\n').encode(), [ONE]),
    "windows line ends": (
        (HEAD + "1,150,151.2,12.3,0.5,ok\n").replace("\n", "\r\n").encode(),
        [ONE],
    ),
    "old Mac line ends": ((HEAD + "1,150,151.2,12.3,0.5,ok\n").replace("\n", "\r").encode(), [ONE]),
    "title rows above": (
        ("sep=;\nBench sheet; stage 1\n\n" + SEMI + "1;150;151,2;12,3;0,5;ok\n").encode(),
        [ONE],
    ),
    "columns moved": (
        b"notes,hmf_mg_g,yield_pct,run\nok,0.5,12.3,1\n",
        [(1, 12.3, 0.5, None, "ok")],
    ),
    "headings without case and signs": (
        "Run ;Yield (%); HMF (mg/g) ;Achieved temperature °C\n1;12,3;0,5;151,2\n".encode(),
        [(1, 12.3, 0.5, 151.2, "")],
    ),
    "own column": (
        b"run,yield_pct,initials,vial,notes\n1,12.3,AB,17,ok\n",
        [(1, 12.3, None, None, "ok; initials: AB; vial: 17")],
    ),
    "own column without heading": (
        b"run,yield_pct,\n1,12.3,foamed\n",
        [(1, 12.3, None, None, "column C: foamed")],
    ),
    "not measured": (
        (HEAD + "1,150,-,n.a.,na,\n2,165,n.d.,N/A,–,-\n").encode(),
        [(1, None, None, None, ""), (2, None, None, None, "")],
    ),
    "units repeated": (
        (HEAD + "1,150 °C,151.2 C,12.3 %,0.5 mg/g,ok\n").encode(),
        [ONE],
    ),
    "percent with no space": ((SEMI + "1;150;151,2;12,3%;0,5;ok\n").encode(), [ONE]),
    "no-break spaces": ((HEAD + "1,150,151.2\u00a0,\u202f12.3\u00a0%,0.5,ok\n").encode(), [ONE]),
    "powers of ten, bare point": (
        (HEAD + "1,150,1.512e2,1.23E+1,.5,ok\n").encode(),
        [ONE],
    ),
    "typographic minus": (
        (HEAD + "1,150,151.2,12.3,−0.5,ok\n").encode(),
        [(1, 12.3, -0.5, 151.2, "ok")],
    ),
    "three decimals, points in a comma file": (
        (HEAD + "1,150,151.2,1.234,0.5,ok\n").encode(),
        [(1, 1.234, 0.5, 151.2, "ok")],
    ),
    "three decimals, points settled by another cell": (
        (SEMI + "1;150;151.2;1.234;0.5;ok\n").encode(),
        [(1, 1.234, 0.5, 151.2, "ok")],
    ),
    "comma, three decimals after a zero": (
        (SEMI + "1;150;151,2;12,3;0,512;ok\n").encode(),
        [(1, 12.3, 0.512, 151.2, "ok")],
    ),
    "three decimals after a comma, settled by other cells": (
        (SEMI + "1;150;151,2;1,573;0,45;ok\n2;165;;<1,234;2,5;\n").encode(),
        [(1, 1.573, 0.45, 151.2, "ok"), (2, Censored(1.234), 2.5, None, "")],
    ),
    "blank lines and short rows": (
        (HEAD + "\n1,150,151.2,12.3\n,,,,,\n").encode(),
        [(1, 12.3, None, 151.2, "")],
    ),
    "notes of two lines": (
        (HEAD + '1,150,151.2,12.3,0.5,"foamed\nat start"\n').encode(),
        [(*ONE[:4], "foamed\nat start")],
    ),
    "below and above limits": (
        (HEAD + "1,150,151.2,> 60 %,<0.05,ok\n2,165,,12.3,≤ 0.05 mg/g,\n").encode(),
        [
            (1, Censored(60.0, above=True), Censored(0.05), 151.2, "ok"),
            (2, 12.3, Censored(0.05), None, ""),
        ],
    ),
    "below a limit, decimal comma": (
        (SEMI + "1;150;151,2;12,3;<0,05;ok\n").encode(),
        [(1, 12.3, Censored(0.05), 151.2, "ok")],
    ),
    "utf-16 split at semicolons, with windows line ends": (
        (SEMI + "1;150;151,2;12,3;0,5;trüb\n").replace("\n", "\r\n").encode("utf-16"),
        [(*ONE[:4], "trüb")],
    ),
    "whole numbers as a program of statistics writes them": (
        (HEAD + "1.0,150.0,151.2,12.3,0.5,ok\n").encode(),
        [ONE],
    ),
    "a row of units below the headings": (
        (SEMI + ";°C;°C;%;mg/g;\n1;150;151,2;12,3;0,5;ok\n").encode(),
        [ONE],
    ),
    "the headings again where a page began": (
        (SEMI + "1;150;151,2;12,3;0,5;ok\n" + SEMI + "2;165;;7,5;;\n").encode(),
        [ONE, (2, 7.5, None, None, "")],
    ),
    "marks without a width": (
        (SEMI + "\u200b1;150;151,2;12,3\u200b;\u200e0,5;ok\n").encode(),
        [ONE],
    ),
    "two byte order marks": (
        ("\ufeff" + HEAD + "1,150,151.2,12.3,0.5,ok\n").encode("utf-8-sig"),
        [ONE],
    ),
    "headings with line breaks, no-break spaces and footnote marks": (
        (
            'Run;"Yield\n(%)";HMF\u00a0(mg/g)¹;Achieved\u00a0temperature °C*\n1;12,3;0,5;151,2\n'
        ).encode(),
        [(1, 12.3, 0.5, 151.2, "")],
    ),
    "empty columns behind the last heading": (
        (SEMI.replace("\n", ";;\n") + "1;150;151,2;12,3;0,5;ok;;\n").encode(),
        [ONE],
    ),
    "every cell quoted": (
        "".join(
            ";".join(f'"{cell}"' for cell in line.split(";")) + "\n"
            for line in (SEMI + "1;150;151,2;12,3;0,5;ok").splitlines()
        ).encode(),
        [ONE],
    ),
    "separator said and not kept": (
        ("sep=,\n" + SEMI + "1;150;151,2;12,3;0,5;ok\n").encode(),
        [ONE],
    ),
    "formula kept as text": (
        (HEAD + "1,150,151.2,12.3,0.5,=1+1\n").encode(),
        [(*ONE[:4], "=1+1")],
    ),
}


def read(tmp_path: Path, data: bytes, name: str = "filled.csv"):  # type: ignore[no-untyped-def]
    path = tmp_path / name
    path.write_bytes(data)
    return read_sheet(path, SCHEMA)


@pytest.mark.parametrize("case", ACCEPTED)
def test_accepted_files(tmp_path: Path, case: str) -> None:
    data, expected = ACCEPTED[case]
    found = [
        (
            row.run,
            row.responses.get("yield_pct"),
            row.responses.get("hmf_mg_g"),
            row.achieved.get("temperature_C"),
            row.notes,
        )
        for row in read(tmp_path, data).rows
    ]
    assert found == expected


# --- what is refused: bytes of the file → parts of what is said, one group a problem

REFUSED: dict[str, tuple[bytes, list[tuple[str, ...]]]] = {
    "comma as thousands or decimal": (
        (HEAD + '1,150,,"1,234",,\n').encode(),
        [("line 2, D2 (yield_pct)", "1.234", "1234")],
    ),
    "the same with semicolons": ((SEMI + "1;150;;1,234;;\n").encode(), [("D2 (yield_pct)",)]),
    "the same beside a number with a point": (
        (SEMI + "1;150;151.2;1,234;0,5;\n").encode(),
        [("D2 (yield_pct)", "1.234", "1234")],
    ),
    "the same beside a point that may group": (
        (SEMI + "1;150;151,2;1,234;2.345;\n").encode(),
        [("D2 (yield_pct)",), ("E2 (hmf_mg_g)", "2345")],
    ),
    "the same in a file split at commas": (
        (HEAD + '1,150,"151,2","1,234","0,5",\n').encode(),
        [("D2 (yield_pct)", "1.234", "1234")],
    ),
    "the same split at tabs": (
        (HEAD.replace(",", "\t") + "1\t150\t151,2\t1,234\t0,5\t\n").encode(),
        [("D2 (yield_pct)", "1.234", "1234")],
    ),
    "both marks": ((SEMI + "1;150;;1.234,5;1,234.5;\n").encode(), [("D2",), ("E2",)]),
    "point with three in a decimal-comma file": (
        (SEMI + "1;150;151,2;1.234;0,5;\n").encode(),
        [("D2 (yield_pct)", "1.234", "1234")],
    ),
    "point with three in a semicolon file that settles nothing": (
        (SEMI + "1;150;;1.234;;\n").encode(),
        [("D2 (yield_pct)",)],
    ),
    "point with three, comma elsewhere quoted": (
        (HEAD + '1,150,"151,2",1.234,,\n').encode(),
        [("D2 (yield_pct)",)],
    ),
    "unquoted decimal comma": (
        (HEAD + "1,150,151,2,12,3,0,5,ok\n").encode(),
        [("A2 (run)", "9 cells", "decimal point")],
    ),
    "thousands by space and apostrophe": (
        (SEMI + "1;150;;1 234,5;1'234;\n").encode(),
        [("D2", "spaces"), ("E2", "marks")],
    ),
    "below a limit that is not said": (
        (HEAD + "2,165,,<LOQ,bdl,\n").encode(),
        [("D2 (yield_pct)", "not said", "<0.05"), ("E2", "not said")],
    ),
    "limit in two readings": ((SEMI + "1;150;;<1,234;;\n").encode(), [("D2", "1.234", "1234")]),
    "limit for a setting": ((HEAD + "1,150,<151,,,\n").encode(), [("C2", "what was reached")]),
    "dates": (
        (HEAD + "1,150,,2026-03-01,01.03.2026,\n2,165,01-May,3/1/26,1. Mai,\n").encode(),
        [("D2", "date"), ("E2", "date"), ("C3", "date"), ("D3", "date"), ("E3", "date")],
    ),
    "percent where it is mg/g": ((HEAD + "1,150,,,5 %,\n").encode(), [("E2", "mg/g")]),
    "another unit": ((HEAD + "1,150,424 K,,,\n").encode(), [("C2 (achieved_temperature_C)",)]),
    "words": ((HEAD + "1,150,,lost,ca. 5,\n").encode(), [("D2", "lost"), ("E2", "ca. 5")]),
    "not detected or not determined": (
        (HEAD + "1,150,,n.d.,ND,\n").encode(),
        [("D2 (yield_pct)", "not detected, or not determined", "<0.05", "empty"), ("E2",)],
    ),
    "one decimal comma beside decimal points": (
        (HEAD + '1,150,151.2,12.31,"<0,05",\n2,165,166.2,1.234,0.5,\n').encode(),
        [("D3", 'as E2 "<0,05" has a decimal comma', 'Write E2 "<0,05" as the other')],
    ),
    "infinite and nan": ((HEAD + "1,150,,1e999,nan,\n").encode(), [("D2", "large"), ("E2", "nan")]),
    "letters for figures": ((HEAD + "1,150,,1O.5,1_0,\n").encode(), [("D2",), ("E2",)]),
    "Arabic-Indic figures": ((HEAD + "1,150,,١٢,,\n").encode(), [("D2",)]),
    "a row of means at the end": (
        (SEMI + "1;150;151,2;12,3;0,5;ok\nmean;;;12,3;0,5;\n").encode(),
        [("A3 (run)", "mean", "take the row out")],
    ),
    "means without a word at the end": (
        (SEMI + "1;150;151,2;12,3;0,5;ok\n;;;12,3;0,5;\n").encode(),
        [("A3 (run)", "no run number")],
    ),
    "a legend below": (
        (SEMI + "1;150;;12,3;;\n\nn.d. = not determined;;;;;\n").encode(),
        [("A4 (run)", "legend")],
    ),
    "a row of units with another unit": (
        (SEMI + ";°C;°C;%;mg/L;\n1;150;151,2;12,3;0,5;ok\n").encode(),
        [("E2 (hmf_mg_g)", '"mg/L"', "in mg/g")],
    ),
    "heading with another unit": (
        (SEMI.replace("hmf_mg_g", "HMF (mg/L)") + "1;150;;12,3;0,5;\n").encode(),
        [("E1", "nearly hmf_mg_g")],
    ),
    "scatter, footnotes, about, ranges, two in one": (
        (SEMI + "1;150;150-152;12,3 ± 0,4;12,3*;\n2;165;~150;12,3/12,5;5x10-1;\n").encode(),
        [("C2",), ("D2", "± 0,4"), ("E2",), ("C3",), ("D3",), ("E3",)],
    ),
    "thousands by a thin and a no-break space": (
        (SEMI + "1;150;;1\u2009234;1\u00a0234,5;\n").encode(),
        [("D2", "spaces"), ("E2", "spaces")],
    ),
    "a dash for a minus": ((SEMI + "1;150;;–0,5;;\n").encode(), [("D2", "–0,5")]),
    "full-width figures": ((SEMI + "1;150;;１２,３;;\n").encode(), [("D2",)]),
    "words for what was not found": (
        (SEMI + "1;150;;not detected;traces;\n").encode(),
        [("D2", "not detected"), ("E2", "traces")],
    ),
    "a label for a run": ((SEMI + "Run 1;150;;12,3;;\n").encode(), [("A2 (run)", "Run 1")]),
    "a run below zero": ((SEMI + "-1;150;;12,3;;\n").encode(), [("A2 (run)", "-1")]),
    "a page saved as a table": (
        b"<html><table><tr><td>run</td><td>yield_pct</td></tr></table></html>",
        [("a page for a browser",)],
    ),
    "each line in one pair of quotes": (
        ('"' + HEAD.strip() + '"\n"1,150,151.2,12.3,0.5,ok"\n').encode(),
        [("no row has",)],
    ),
    "bars between cells": (
        (HEAD + "1,150,151.2,12.3,0.5,ok\n").replace(",", "|").encode(),
        [("no row has",)],
    ),
    "spreadsheet errors": (
        (HEAD + "1,150,,#DIV/0!,#N/A,\n").encode(),
        [("D2", "error"), ("E2", "error")],
    ),
    "formula without value": ((HEAD + "1,150,,=A1*2,,\n").encode(), [("D2", "formula")]),
    "run in words": ((HEAD + "one,150,,12.3,,\n").encode(), [("A2 (run)", "whole number")]),
    "run with decimals": ((HEAD + "1.5,150,,12.3,,\n").encode(), [("A2 (run)",)]),
    "no run number": ((HEAD + ",150,,12.3,,\n").encode(), [("A2 (run)", "no run number")]),
    "a line below the table": ((HEAD + "1,150,,,,\nchecked by AB\n").encode(), [("A3 (run)",)]),
    "the same run twice": ((HEAD + "1,150,,,,\n1,150,,,,\n").encode(), [("line 3", "line 2")]),
    "unknown level": (b"run,achieved_packing\n1,gravel\n", [("B2 (achieved_packing)", "sand")]),
    "no run column": (
        b"Ran,yield_pct,hmf_mg_g\n1,12.3,0.5\n",
        [("no row has a column named run", '"Ran" in A1')],
    ),
    "run alone": (b"run\n1\n", [("no row has a column named run and at least one more",)]),
    "two run columns": (b"run,Run,yield_pct\n1,1,12.3\n", [("A1 and B1", "column run")]),
    "response column twice": (b"run,yield_pct,Yield %\n1,2,3\n", [("B1 and C1", "yield_pct")]),
    "misspelt heading": (
        b"run,yeild_pct,notes\n1,12.3,\n",
        [("B1", '"yeild_pct" is nearly yield_pct')],
    ),
    "heading without unit": (b"run,Yield,notes\n1,12.3,\n", [('"Yield" is nearly yield_pct',)]),
    "cell beyond the headings": ((SEMI + "1;150;;;;;late\n").encode(), [("A2", "7 cells")]),
    "quote left open": ((HEAD + '1,150,,12.3,,"abc\n').encode(), [("line 2", "quote")]),
    "empty": (b"", [("empty",)]),
    "blank": (b" \r\n\r\n", [("empty",)]),
    "another text": (b"Dear all,\nplease find the results attached.\n", [("no row has",)]),
    "a picture": (b"\x89PNG\r\n\x1a\n" + bytes(range(256)), [("neither text nor",)]),
    "old or locked workbook": (bytes.fromhex("d0cf11e0a1b11ae1") + bytes(512), [("password",)]),
    "something zipped": (b"PK\x03\x04" + bytes(64), [("not an XLSX or ODS workbook",)]),
    "utf-32": ((HEAD + "1,150,,,,\n").encode("utf-32"), [("neither text nor",)]),
    "cut in the middle of a utf-16 character": (HEAD.encode("utf-16")[:-1], [("neither",)]),
    "control characters": ((HEAD + "1,150,,,,\x1b[31m\n").encode(), [("neither text nor",)]),
}


@pytest.mark.parametrize("case", REFUSED)
def test_refused_files_with_every_bad_cell_named(tmp_path: Path, case: str) -> None:
    data, expected = REFUSED[case]
    with pytest.raises(ResultsError) as caught:
        read(tmp_path, data)
    problems = [str(problem) for problem in caught.value.problems]
    assert len(problems) == len(expected), problems
    for problem, parts in zip(problems, expected, strict=True):
        assert problem.startswith("filled.csv")
        for part in parts:
            assert part in problem


def test_a_file_too_large_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "filled.csv"
    with path.open("wb") as file:
        file.truncate(20_000_001)
    with pytest.raises(ResultsError, match="20 MB"):
        read_sheet(path, SCHEMA)


def test_a_file_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(StateError, match=r"no .*filled\.csv"):
        read_sheet(tmp_path / "filled.csv", SCHEMA)


def test_what_was_inferred_is_noticed(tmp_path: Path) -> None:
    text = "run,yield_pct,hmf_mg_g,vial\n1,n.a.,-,é\n2,n.a.,1.5,\n"
    returned = read(tmp_path, text.encode("cp1252"))
    assert [(n.code, n.what) for n in returned.notices] == [
        (
            "read-as-windows-1252",
            "filled.csv is not UTF-8; it was read as Windows-1252. Check accents in it.",
        ),
        ("taken-as-not-measured", '1 × "-" was taken as not measured.'),
        ("taken-as-not-measured", '2 × "n.a." was taken as not measured.'),
        ("kept-as-notes", "Not in the campaign, so kept with the notes: vial."),
    ]


def test_what_was_read_by_the_other_decimal_commas_is_said(tmp_path: Path) -> None:
    returned = read(tmp_path, (SEMI + "1;150;151,2;1,573;0,45;\n").encode())
    (notice,) = (n for n in returned.notices if n.code == "decimal-comma-taken")
    assert '"1,573" as 1.573' in notice.what


# --- workbooks


def workbook(tmp_path: Path, *rows: tuple[object, ...], title: str = "runs") -> Path:
    book = openpyxl.Workbook()
    book.active.title = title
    for row in rows:
        book.active.append(row)
    path = tmp_path / "filled.xlsx"
    book.save(path)
    return path


NAMES = ("run", "achieved_temperature_C", "yield_pct", "hmf_mg_g", "achieved_packing", "notes")


def test_a_workbook_is_read_numbers_as_they_are_and_text_by_the_same_rules(tmp_path: Path) -> None:
    path = workbook(
        tmp_path,
        ("Bench sheet",),
        NAMES,
        (1, 151.25, 1.234, "0,5 mg/g", "Sand", "ok"),
        (2.0, None, "n.a.", 12.345, None, None),
    )
    first, second = read_sheet(path, SCHEMA).rows
    assert (first.run, first.achieved) == (1, {"temperature_C": 151.25, "packing": 0.0})
    assert first.responses == {"yield_pct": 1.234, "hmf_mg_g": 0.5}
    assert (second.run, second.responses) == (2, {"hmf_mg_g": 12.345})


def test_a_workbook_with_dates_formulas_and_truths_is_refused(tmp_path: Path) -> None:
    path = workbook(
        tmp_path,
        NAMES,
        (1, datetime.datetime(2026, 5, 1), "=A2*2", True, None, None),
        (2, None, None, "1,234", None, None),
    )
    with pytest.raises(ResultsError) as caught:
        read_sheet(path, SCHEMA)
    said = [str(problem) for problem in caught.value.problems]
    keys = ["B2", "C2", "D2", "D3"]
    assert [re.search(r"sheet runs, (\w+)", text)[1] for text in said] == keys  # type: ignore[index]
    assert ["date" in said[0], "formula" in said[1], "True" in said[2]] == [True] * 3


def odd_workbook(tmp_path: Path) -> Path:
    """A title over merged cells, comments, a hidden column and row, as laboratories leave them."""
    path = workbook(
        tmp_path,
        ("Results of the week",),
        (),
        NAMES,
        (1, 151.25, 12.3, 0.5, "sand", "ok"),
        (2, None, 7.5, None, None, None),
    )
    book = openpyxl.load_workbook(path)
    sheet = book.active
    sheet.merge_cells("A1:F1")
    sheet["C4"].comment = openpyxl.comments.Comment("bubbles\nseen", "AB")
    sheet.column_dimensions["D"].hidden = True
    sheet.row_dimensions[5].hidden = True
    book.save(path)
    return path


def check_odd(returned: Returned) -> None:
    first, second = returned.rows
    assert first.responses == {"yield_pct": 12.3, "hmf_mg_g": 0.5}
    assert first.notes == "ok; comment on yield_pct: bubbles seen"
    assert second.responses == {"yield_pct": 7.5}
    (said,) = (notice.what for notice in returned.notices if notice.code == "hidden-read")
    assert "column D, row 5" in said


def test_comments_are_kept_and_hidden_cells_are_said(tmp_path: Path) -> None:
    check_odd(read_sheet(odd_workbook(tmp_path), SCHEMA))


@pytest.mark.libreoffice
def test_comments_and_hidden_cells_of_an_ods(tmp_path: Path) -> None:
    check_odd(read_sheet(saved_as("ods", odd_workbook(tmp_path), tmp_path), SCHEMA))


def merged_workbook(tmp_path: Path) -> Path:
    path = workbook(tmp_path, NAMES, (1, 151.25, 12.3, 0.5), (2, None, None, 7.5), (3,))
    book = openpyxl.load_workbook(path)
    book.active.merge_cells("C2:C3")
    book.active["D3"].font = openpyxl.styles.Font(strike=True)
    book.save(path)
    return path


def test_a_value_merged_over_runs_or_struck_through_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ResultsError) as caught:
        read_sheet(merged_workbook(tmp_path), SCHEMA)
    merged, struck = map(str, caught.value.problems)
    assert "C2 (yield_pct)" in merged
    assert "merged" in merged
    assert "D3 (hmf_mg_g)" in struck
    assert "struck through" in struck


@pytest.mark.libreoffice
def test_a_value_merged_over_runs_of_an_ods_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ResultsError, match=r"C2 \(yield_pct\): the cell is merged"):
        read_sheet(saved_as("ods", merged_workbook(tmp_path), tmp_path), SCHEMA)


def test_marks_of_numbers_in_a_workbook_are_ours_and_settle_nothing(tmp_path: Path) -> None:
    """151.25 is a number in the file and no text with a point: what 1.234 is stays open."""
    path = workbook(tmp_path, NAMES, (1, 151.25, "1.234"))
    with pytest.raises(ResultsError, match=r"C2 \(yield_pct\).*can be read as 1\.234 or as 1234"):
        read_sheet(path, SCHEMA)


def shares(tmp_path: Path, *cells: tuple[str, float], kind: str = "0.0%") -> Path:
    path = workbook(tmp_path, NAMES, (1,), (2,), (3,))
    book = openpyxl.load_workbook(path)
    for address, value in cells:
        book.active[address] = value
        book.active[address].number_format = kind
    book.save(path)
    return path


def test_cells_shown_as_percent_are_read_as_they_show_where_the_column_is_in_percent(
    tmp_path: Path,
) -> None:
    """A percent format multiplies by 100 for display: ECMA-376 part 1, 18.8.31."""
    returned = read_sheet(shares(tmp_path, ("C2", 0.09), ("C3", 0.1234567), ("C4", 1)), SCHEMA)
    assert [row.responses["yield_pct"] for row in returned.rows] == [9.0, 12.34567, 100.0]
    (notice,) = (n for n in returned.notices if n.code == "percent-format-taken")
    assert "C2 as 9 %, C3 as 12.34567 %, C4 as 100 %" in notice.what


def test_other_cells_shown_as_percent_are_refused_in_one_sentence_with_the_remedy(
    tmp_path: Path,
) -> None:
    # 9 typed before the format was set shows 900 %; hmf is in mg/g, the temperature in °C
    path = shares(tmp_path, ("C2", 9.0), ("D2", 0.5), ("D3", 0.25), ("B4", 1.5), kind="0%")
    with pytest.raises(ResultsError) as caught:
        read_sheet(path, SCHEMA)
    (said,) = map(str, caught.value.problems)
    for part in (
        "C2 (yield_pct) shows 900 %",
        "D2 (hmf_mg_g) shows 50 %",
        "D3 (hmf_mg_g) shows 25 %",
        "B4 (achieved_temperature_C) shows 150 %",
        "plain number",
    ):
        assert part in said


def test_a_run_number_shown_as_percent_is_no_run_number(tmp_path: Path) -> None:
    path = shares(tmp_path, ("A2", 0.01), ("C2", 0.5))
    with pytest.raises(ResultsError, match=r"A2 \(run\).*whole number"):
        read_sheet(path, SCHEMA)


def test_a_workbook_with_two_tables_of_runs_is_refused(tmp_path: Path) -> None:
    path = workbook(tmp_path, NAMES, (1,))
    book = openpyxl.load_workbook(path)
    book.copy_worksheet(book.active)
    book.save(path)
    with pytest.raises(ResultsError, match="2 sheets hold a table of runs"):
        read_sheet(path, SCHEMA)


# --- out


def test_a_value_below_a_limit_is_recorded_as_that_and_never_as_the_limit(tmp_path: Path) -> None:
    returned = read(tmp_path, (HEAD + "1,150,,12.3,<0.05,\n").encode())
    ledger, changes = with_results(LEDGER, returned)
    assert ("hmf_mg_g", "<0.05") in [(c.column, c.new) for c in changes]
    assert with_results(ledger, returned) == (ledger, ())
    assert math.isnan(float(ledger.rows[0].responses[1] or 0.0))
    other = read(tmp_path, (HEAD + "1,150,,12.3,0.05,\n").encode())
    with pytest.raises(ResultsError, match=r"<0\.05 in the ledger, the sheet says 0\.05"):
        with_results(ledger, other)


def test_the_sheet_that_goes_out_comes_back_and_changes_nothing(tmp_path: Path) -> None:
    text = sheet_csv(LEDGER.rows, SCHEMA)
    assert text.splitlines()[0].split(",") == list(sheet_columns(SCHEMA))
    returned = read(tmp_path, text.encode())
    assert len(returned.rows) == 2
    assert with_results(LEDGER, returned) == (LEDGER, ())


def test_a_filled_sheet_fills_the_ledger_and_a_second_reading_nothing(tmp_path: Path) -> None:
    cells = [line.split(",") for line in sheet_csv(LEDGER.rows, SCHEMA).splitlines()]
    cells[1][cells[0].index("yield_pct")] = "12,3 %"
    cells[2][cells[0].index("left_out_because")] = "boiled"
    text = "\n".join(";".join(row) for row in cells)
    returned = read(tmp_path, text.encode("utf-16"))
    ledger, changes = with_results(LEDGER, returned)
    assert [(c.run, c.column, c.new) for c in changes] == [
        (1, "status", "done"),
        (1, "yield_pct", "12.3"),
        (2, "status", "left out"),
        (2, "left_out_because", "boiled"),
    ]
    assert with_results(ledger, returned) == (ledger, ())


def test_a_planned_cell_changed_on_the_sheet_is_said_with_its_address(tmp_path: Path) -> None:
    returned = read(tmp_path, (HEAD + "2,160,,,,\n").encode())
    with pytest.raises(ResultsError, match=r"line 2, B2 \(temperature_C\).*165.*says 160"):
        with_results(LEDGER, returned)


@pytest.mark.parametrize("nasty", ["=HYPERLINK(1)", "+1", "-1", "@x", " =1", "＝1", "a;=1"])
def test_no_text_of_the_csv_sheet_is_a_formula(tmp_path: Path, nasty: str) -> None:
    row = planned(1, kind=nasty, notes=nasty)
    text = sheet_csv((row,), SCHEMA)
    for delimiter in ",;\t":
        for cells in csv.reader(io.StringIO(text), delimiter=delimiter):
            assert not [cell for cell in cells if re.match(r"\s*[=+\-@＝]", cell)]
    assert read(tmp_path, text.encode()).rows[0].notes == nasty.strip()
