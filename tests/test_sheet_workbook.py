"""The bench sheet as a workbook: in its XML, read back, and through a spreadsheet program."""

from __future__ import annotations

import io
import re
import zipfile
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from made_up_sheet import ROWS, SCHEMA, given, saved_as

from doe.errors import ResultsError
from doe.ledger import Censored, Ledger, Returned, from_plain_text, with_results
from doe.sheet import read_sheet, sheet_columns, sheet_xlsx

LEDGER = Ledger(SCHEMA, ROWS)
FIRST = 5
"""Row of the first run."""


def made(**changes: Any) -> bytes:
    return sheet_xlsx(ROWS, SCHEMA, given(**changes))


def opened(data: bytes) -> Any:
    return openpyxl.load_workbook(io.BytesIO(data))


def test_it_comes_back_unfilled_and_changes_nothing(tmp_path: Path) -> None:
    (tmp_path / "sheet.xlsx").write_bytes(made())
    returned = read_sheet(tmp_path / "sheet.xlsx", SCHEMA)
    assert [row.run for row in returned.rows] == [1, 2, 3, 4, 5, 6]
    assert returned.rows[2].notes == "+1 said =2"
    assert with_results(LEDGER, returned) == (LEDGER, ())


def test_the_same_plan_gives_the_same_bytes() -> None:
    first = made()
    assert first == made()
    with zipfile.ZipFile(io.BytesIO(first)) as archive:
        assert {entry.date_time for entry in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}


def test_no_text_is_a_formula_in_the_xml() -> None:
    """A formula is an element ``f`` in a cell: ECMA-376 part 1, 18.3.1.40."""
    evil = "=HYPERLINK(1)"
    data = made(
        campaign=evil,
        mode="@x",
        fixed=((evil, evil),),
        limits={1: ("+1", "-1")},
        cautions=(evil, "-x"),
        provenance=((evil, evil),),
        unconfirmed_limits=True,
    )
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        sheets = [n for n in archive.namelist() if n.startswith("xl/worksheets/sheet")]
        assert len(sheets) == 4
        for name in sheets:
            assert not re.search(r"<f[ >/]", archive.read(name).decode()), name
        parts = "".join(archive.read(n).decode() for n in archive.namelist() if n[-4:] == ".xml")
        texts = re.findall(r"<t(?: [^>]*)?>([^<]*)</t>", parts)
    assert any("HYPERLINK" in text for text in texts)
    assert not [text for text in texts if re.match(r"\s*[=+\-@]", text)]


def test_planned_cells_are_locked_entry_cells_are_free_and_checked() -> None:
    book = opened(made())
    sheet = book["runs"]
    names = [cell.value for cell in sheet[FIRST - 1]]
    assert tuple(names[: len(sheet_columns(SCHEMA))]) == sheet_columns(SCHEMA)
    assert sheet.protection.sheet is True
    assert sheet.protection.password is None
    checked = {
        str(area).split(":")[0][:-1]: rule
        for rule in sheet.data_validations.dataValidation
        for area in rule.sqref.ranges
    }
    planned = {"run", "stage", "day", "plot", "kind", *SCHEMA.space.columns}
    for cell in sheet[FIRST]:
        name = names[cell.column - 1]
        assert cell.protection.locked is (name in planned), name
        rule = checked.get(cell.column_letter)
        assert (rule is not None) is (name not in planned), name
        if rule is not None:
            assert rule.error
            assert rule.prompt
    temperature = checked[sheet.cell(1, 1 + names.index("achieved_temperature_C")).column_letter]
    # planned 120 to 200 °C: half the range wider on either side
    assert (temperature.type, temperature.formula1, temperature.formula2) == (
        "decimal",
        "80",
        "240",
    )
    packing = checked[sheet.cell(1, 1 + names.index("achieved_packing")).column_letter]
    levels = [cell.value for cell in book["levels"]["C"]]
    assert packing.formula1 == "levels!$C$1:$C$3"
    assert [from_plain_text(text) for text in levels] == ["sand", "glass beads", "=cmd|x"]


def test_headers_say_the_unit_stay_in_sight_and_print_on_a4() -> None:
    book = opened(made())
    sheet = book["runs"]
    words = {sheet.cell(FIRST - 1, i).value: sheet.cell(FIRST - 2, i).value for i in range(1, 36)}
    assert words["temperature_C"] == "temperature set, °C"
    assert words["achieved_flow_mL_min"] == "flow achieved, mean, mL/min"
    assert words["yield_pct"] == "yield, %"
    assert words["hmf_mg_g"] == "hmf, mg/g"
    assert words["residue_dry_g"] == "residue, dried, g"
    assert sheet.freeze_panes == f"B{FIRST}"
    for one in (sheet, book["read first"], book["each run"]):
        assert one.page_setup.paperSize == 9  # A4: ECMA-376 part 1, 18.3.1.63


def test_cautions_banner_and_stop_limits_are_in_it() -> None:
    book = opened(made(unconfirmed_limits=True))
    lines = [cell.value for cell in book["read first"]["A"]]
    assert lines[0].startswith("Limits not confirmed: for planning practice only.")
    assert any("Stay behind the shield" in line for line in lines)
    assert any(line.startswith("Verify before heat: Relief device fitted") for line in lines)
    for name in ("runs", "each run"):
        assert "Limits not confirmed" in book[name]["A2"].value
        assert "competent persons" in book[name]["A2"].value
    limits = [cell.value for cell in book["each run"][FIRST + 1]]
    assert limits[:6] == [2, 132.2, 88.2, 31.6, 4.5, "not known: the rig's own"]
    assert "Limits not confirmed" not in opened(made())["runs"]["A2"].value


# --- filled in, and through LibreOffice

ENTRIES = {
    (1, "achieved_temperature_C"): 121.4,
    (1, "achieved_flow_mL_min"): 2.55,
    (1, "achieved_packing"): "sand",
    (1, "yield_pct"): 12.345,
    (1, "hmf_mg_g"): "<0.05",
    (1, "notes"): "foamed,  twice; 20 °C\nin the room",
    (1, "initials"): "AB",
    (2, "left_out_because"): "boiled",
    (3, "achieved_packing"): "'=cmd|x",
    (3, "yield_pct"): 0.1,
    (4, "hmf_mg_g"): "n.a.",
    (5, "residue_dry_g"): 8.25,
    (5, "drain_2_g"): 212.5,
}


def filled(tmp_path: Path) -> Path:
    book = opened(made())
    sheet = book["runs"]
    names = [cell.value for cell in sheet[FIRST - 1]]
    for (run, column), value in ENTRIES.items():
        sheet.cell(FIRST - 1 + run, 1 + names.index(column)).value = value
    path = tmp_path / "filled.xlsx"
    book.save(path)
    return path


def check_returned(returned: Returned) -> None:
    first, second, third, fourth, fifth, _ = returned.rows
    assert first.achieved == {"temperature_C": 121.4, "flow_mL_min": 2.55, "packing": 0.0}
    assert first.responses == {"yield_pct": 12.345, "hmf_mg_g": Censored(0.05)}
    assert first.notes == "foamed,  twice; 20 °C\nin the room; initials: AB"
    assert second.left_out_because == "boiled"
    assert (third.achieved, third.responses) == ({"packing": 2.0}, {"yield_pct": 0.1})
    assert third.notes == "+1 said =2"
    assert fourth.responses == {}
    assert (fifth.notes, fifth.weighed) == ("", {"residue_dry_g": 8.25})
    assert fifth.drawn == {"drain_2_g": 212.5}
    ledger, changes = with_results(LEDGER, returned)
    assert len(changes) == 13  # 10 cells, and the status of runs 1, 2 and 3
    assert [row.kind for row in ledger.rows] == [row.kind for row in ROWS]


def test_a_filled_workbook_is_recorded(tmp_path: Path) -> None:
    check_returned(read_sheet(filled(tmp_path), SCHEMA))


CSV = "csv:Text - txt - csv (StarCalc)"
"""Filter of LibreOffice; its tokens: field, quote, character set (76 UTF-8, 1 Windows-1252)."""


@pytest.mark.libreoffice
@pytest.mark.parametrize("kind", ["xlsx", "ods", f"{CSV}:44,34,76", f"{CSV}:59,34,1", "tsv"])
def test_nothing_is_lost_through_a_spreadsheet_program(tmp_path: Path, kind: str) -> None:
    if kind == "tsv":
        kind = f"{CSV}:9,34,76"
    check_returned(read_sheet(saved_as(kind, filled(tmp_path), tmp_path), SCHEMA))


@pytest.mark.libreoffice
def test_locks_and_checks_survive_a_spreadsheet_program(tmp_path: Path) -> None:
    path = tmp_path / "sheet.xlsx"
    path.write_bytes(made())
    sheet = openpyxl.load_workbook(saved_as("xlsx", path, tmp_path))["runs"]
    names = [cell.value for cell in sheet[FIRST - 1]]
    assert sheet.protection.sheet is True
    assert sheet.cell(FIRST, 1 + names.index("temperature_C")).protection.locked is True
    assert sheet.cell(FIRST, 1 + names.index("yield_pct")).protection.locked is False
    kinds = {rule.type for rule in sheet.data_validations.dataValidation}
    assert {"list", "decimal", "custom"} <= kinds


@pytest.mark.libreoffice
def test_on_paper_it_takes_few_pages(tmp_path: Path) -> None:
    """Those of the table of runs beside each other, one to read first, one or two for each run."""
    path = tmp_path / "sheet.xlsx"
    path.write_bytes(made())
    printed = saved_as("pdf", path, tmp_path).read_bytes()
    assert 3 <= len(re.findall(rb"/Type\s*/Page\b", printed)) <= 6


@pytest.mark.libreoffice
def test_an_ods_with_a_date_a_percent_and_a_truth_is_refused_with_addresses(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(("run", "achieved_temperature_C", "yield_pct", "hmf_mg_g"))
    book.active.append((1, 0.5, 1.23, True))
    book.active.append((2, None, 0.09, None))
    book.active["B2"].number_format = "yyyy-mm-dd"
    book.active["C2"].number_format = book.active["C3"].number_format = "0.0%"
    book.save(tmp_path / "odd.xlsx")
    with pytest.raises(ResultsError) as caught:
        read_sheet(saved_as("ods", tmp_path / "odd.xlsx", tmp_path), SCHEMA)
    said = [str(problem) for problem in caught.value.problems]
    assert [re.search(r"sheet Sheet[,:] .*?\b([A-D][0-9])\b", text)[1] for text in said] == [
        "B2",
        "D2",
        "C2",
    ]  # type: ignore[index]
    assert "date" in said[0]
    assert "C2 (yield_pct) shows 123 %" in said[2]
    assert "C3" not in said[2]
