"""Results that would lead astray: too few of the aim, beyond all there is, a note and no value."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from test_loop import Command, doe, fill, made_up_results

from tests.made_once import made_once

__all__ = ["doe"]


@pytest.fixture
def sheet(doe: Command, tmp_path: Path) -> Path:
    """The sheet of a planned campaign; extract is to be maximised, furfural to stay below 2."""

    def plan() -> None:
        doe("new", "mint")
        doe("plan", "mint")

    made_once(tmp_path, "the template, planned", plan)
    return tmp_path / "designs" / "mint" / "sheet-stage1.csv"


def with_cells(cells: dict[str, dict[str, str]]) -> Any:
    """Invented results with some cells of some runs otherwise; “*” is every run."""

    def values(row: dict[str, str]) -> dict[str, str]:
        return {**made_up_results(row), **cells.get("*", {}), **cells.get(row["run"], {})}

    return values


@pytest.mark.parametrize(
    ("cells", "advice"),
    [
        (
            {"*": {"extract_yield_mg_g": ""}, "1": {"extract_yield_mg_g": "55"}},
            r"Measure extract yield first: 1 of \d+ runs made have a value\.",
        ),
        (
            {"*": {"extract_yield_mg_g": "40"}},
            r"Check extract yield \(40 mg/g\) first: every run has that value\.",
        ),
    ],
    ids=["one value", "all alike"],
)
def test_settings_without_the_aim_are_said_to_be_that_and_confirmed_never(
    doe: Command, sheet: Path, tmp_path: Path, cells: dict[str, dict[str, str]], advice: str
) -> None:
    doe("record", "mint", str(fill(sheet, tmp_path / "back.csv", with_cells(cells))))
    said = doe("fit", "mint").said_out
    assert "The settings below do not allow for extract yield, which they are to maximise" in said
    assert said.index("do not allow for extract yield") < said.index("Best settings")
    found = doe("suggest", "mint", "--json")
    assert found["stop"]["verdict"] == "measure"
    assert re.fullmatch(advice, found["stop"]["advice"])
    assert doe("suggest", "mint").out.rstrip().endswith("Next: doe record mint FILE")
    assert all("judged by" not in run["reason"] for run in found["runs"])


def test_a_value_beyond_all_there_is_leads_and_nothing_is_planned_from_it_unasked(
    doe: Command, sheet: Path, tmp_path: Path
) -> None:
    cells = {"4": {"extract_yield_mg_g": "65700"}}
    back = fill(sheet, tmp_path / "back.csv", with_cells(cells))
    assert "--replace   (the corrected sheet)" in doe("record", "mint", str(back)).out
    told = "Run 4: extract yield is more than all of it"
    said = doe("fit", "mint").said_out
    assert said.index(told) < said.index("Best settings")
    found = doe("suggest", "mint", "--json")
    assert found["stop"]["verdict"] == "measure"
    assert found["stop"]["advice"].startswith(told)
    assert doe("suggest", "mint").out.rstrip().endswith("Next: doe record mint FILE")
    (refused,) = doe("suggest", "mint", "--accept", "--json", status=1)["errors"]
    assert refused["code"] == "values-to-correct"
    assert doe("suggest", "mint", "--runs", "2", "--accept", "--json")["accepted"]


def test_a_value_ten_times_too_large_is_asked_about_when_it_is_handed_in(
    doe: Command, sheet: Path, tmp_path: Path
) -> None:
    ten = {"4": {"extract_yield_mg_g": "657"}}
    told = doe(
        "record", "mint", str(fill(sheet, tmp_path / "back.csv", with_cells(ten))), "--json"
    )["warnings"]
    (asked,) = [n["what"] for n in told if n["code"] == "far-above-others"]
    assert asked.startswith("Run 4: extract yield is 657 mg/g")
    assert "hand it in again, with --replace" in asked


def test_before_anything_is_handed_in_a_slip_is_put_right_in_the_sheet(
    doe: Command, sheet: Path, tmp_path: Path
) -> None:
    cells = {"4": {"extract_yield_mg_g": "65700"}}
    back = fill(sheet, tmp_path / "back.csv", with_cells(cells))
    said = doe("record", "mint", str(back), "--dry-run")
    assert "--replace" not in said.said_out
    assert said.out.rstrip().endswith("(once what is asked above is put right in it)")


def test_limits_of_detection_alike_are_told_as_they_were_written(
    doe: Command, sheet: Path, tmp_path: Path
) -> None:
    cells = {"*": {"furfural_mg_g": "<2"}}
    doe("record", "mint", str(fill(sheet, tmp_path / "back.csv", with_cells(cells))))
    said = doe("status", "mint").said_out
    assert "nan" not in said.split()
    assert "Every value of furfural is <2" in said


@pytest.mark.parametrize("achieved", ["", "160.4"])
def test_a_run_that_came_back_with_a_note_only_is_asked_about(
    doe: Command, sheet: Path, tmp_path: Path, achieved: str
) -> None:
    blank = {"achieved_temperature_C": achieved, "extract_yield_mg_g": "", "furfural_mg_g": ""}
    cells = {"4": {**blank, "notes": "vial broken"}}
    told = doe(
        "record", "mint", str(fill(sheet, tmp_path / "back.csv", with_cells(cells))), "--json"
    )["warnings"]
    (asked,) = [n["what"] for n in told if n["code"] == "only-noted"]
    assert "Run 4 came back with a note and no result (“vial broken”)" in asked
    assert "left_out_because" in asked


def test_repeats_that_scatter_otherwise_than_the_file_says_are_told(
    doe: Command, sheet: Path, tmp_path: Path
) -> None:
    """Three runs at one setting, SD 6 beside 0.5 stated: χ² of 144 and more is beyond any table."""
    file = tmp_path / "designs" / "mint" / "campaign.toml"
    text = file.read_text(encoding="utf-8")
    stated = re.search(r'scatter = "[^"]+"', text[text.index("[responses.extract_yield]") :])
    assert stated is not None
    values = iter(("52", "58", "64"))
    doe("record", "mint", str(fill(sheet, tmp_path / "back.csv", made_up_results)))
    code = "scatter-not-as-stated"
    assert code not in [n["code"] for n in doe("fit", "mint", "--json")["warnings"]]
    doe("augment", "mint", "--by", "centres", "--runs", "3", "--accept")
    file.write_text(text.replace(stated[0], 'scatter = "0.5 mg/g"', 1), encoding="utf-8")

    def far_apart(row: dict[str, str]) -> dict[str, str]:
        return {**made_up_results(row), "extract_yield_mg_g": next(values)}

    added = sheet.with_name("sheet-stage2.csv")
    doe("record", "mint", str(fill(added, tmp_path / "more.csv", far_apart)))
    told = [n["what"] for n in doe("fit", "mint", "--json")["warnings"] if n["code"] == code]
    (asked,) = told
    assert asked.startswith("extract yield: Repeats scatter by ")
    assert "(SD, 4 degrees of freedom), and the file expects 0.5 mg/g" in asked
