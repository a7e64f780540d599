"""The command takes what comes back from bench and laboratory, and says where a campaign stands."""

from __future__ import annotations

import csv
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from made_up_sheet import saved_as
from test_sheet import ACCEPTED, REFUSED
from typer.testing import CliRunner

from doe.cli import app
from tests.made_once import made_once

Command = Callable[..., Any]
RESULTS = {"extract_yield_mg_g": 41.5, "furfural_mg_g": 0.25}


@pytest.fixture
def doe(command: Command, tmp_path: Path) -> Command:
    """The command in a workspace with a planned campaign."""

    def plan() -> None:
        command("new", "mint")
        command("plan", "mint")

    made_once(tmp_path, "the template, planned", plan)
    return command


def ledger() -> list[dict[str, str]]:
    with Path("designs/mint/runs.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def filled_workbook() -> Path:
    """The workbook that was handed out, every run filled in."""
    book = openpyxl.load_workbook("designs/mint/sheet-stage1.xlsx")
    sheet = book["runs"]
    header = next(row for row in sheet.iter_rows() if row[0].value == "run")
    at = {cell.value: cell.column for cell in header}
    for row in sheet.iter_rows(min_row=header[0].row + 1):
        if row[0].value is not None:
            for column, value in RESULTS.items():
                sheet.cell(row[0].row, at[column]).value = value + row[0].value / 8
            sheet.cell(row[0].row, at["initials"]).value = "AB"
    book.save("back.xlsx")
    return Path("back.xlsx")


def check_recorded() -> None:
    rows = ledger()
    assert {row["status"] for row in rows} == {"done"}
    for row in rows:
        assert float(row["furfural_mg_g"]) == 0.25 + int(row["run"]) / 8
        assert float(row["extract_yield_mg_g"]) == 41.5 + int(row["run"]) / 8
        assert "initials: AB" in row["notes"]


def test_the_filled_workbook(doe: Command) -> None:
    doe("record", "mint", str(filled_workbook()))
    check_recorded()


@pytest.mark.libreoffice
@pytest.mark.parametrize("kind", ["xlsx", "ods"])
def test_the_workbook_as_a_spreadsheet_program_saves_it(
    doe: Command, tmp_path: Path, kind: str
) -> None:
    doe("record", "mint", str(saved_as(kind, filled_workbook(), tmp_path)))
    check_recorded()


@pytest.mark.browser
def test_the_page_filled_in_at_the_bench(doe: Command, browser: Any, tmp_path: Path) -> None:
    tab = browser.new_context().new_page()
    tab.goto((tmp_path / "designs" / "mint" / "sheet-stage1.html").as_uri())
    for column, text in (("furfural_mg_g", "<0,05"), ("extract_yield_mg_g", "41,5")):
        tab.locator(f'[data-run="2"][data-column="{column}"]').fill(text)
    with tab.expect_download() as download:
        tab.locator("#save").click()
    download.value.save_as("tablet.csv")
    tab.context.close()
    doe("record", "mint", "tablet.csv")
    row = next(row for row in ledger() if row["run"] == "2")
    assert (row["furfural_mg_g"], row["extract_yield_mg_g"]) == ("<0.05", "41.5")
    assert [other["run"] for other in ledger() if other["status"] == "done"] == ["2"]


def test_values_below_detection_are_fitted_as_limits_and_named(doe: Command) -> None:
    lines = ["run;extract_yield_mg_g;furfural_mg_g"]
    for row in ledger():
        T, q, t = (float(row[c]) for c in ("temperature_C", "flow_mL_min", "time_min"))
        extract = 40 + 0.1 * (T - 160) + q + t / 10 + int(row["run"]) % 3
        furfural = 0.9 + 0.02 * (T - 160) + 0.01 * (t - 40) + 0.02 * (int(row["run"]) % 4)
        shown = f"{furfural:.3f}".replace(".", ",") + "0" if furfural > 0.2 else "<0,2"
        lines.append(f"{row['run']};{extract:.2f};{shown}".replace(".", ","))
    Path("lab.csv").write_text("\n".join(lines) + "\n")
    doe("record", "mint", "lab.csv")
    hidden = [row["run"] for row in ledger() if row["furfural_mg_g"].startswith("<")]
    assert 0 < len(hidden) < 8
    fitted = doe("fit", "mint", "--json")
    assert fitted["responses"]["furfural"]["method"] == "maximum likelihood, censored"
    assert fitted["responses"]["extract_yield"]["method"] == "least squares"
    (said,) = (w["what"] for w in fitted["warnings"] if w["code"] == "limits-only")
    assert "<0.2 mg/g" in said
    assert said.startswith("furfural: of run")


def test_a_first_value_below_detection_is_no_reason_for_another_method(doe: Command) -> None:
    Path("lab.csv").write_text("run,furfural_mg_g\n1,<0.05\n", encoding="utf-8")
    doe("record", "mint", "lab.csv")
    said = doe("fit", "mint", status=1).said_err
    assert "the one value lies beyond a limit of measurement. Wait for more runs" in said
    assert "finer method" not in said


def test_a_plan_says_why_it_leaves_part_of_the_budget(command: Command) -> None:
    command("new", "mint")
    file = Path("designs/mint/campaign.toml")
    text = file.read_text(encoding="utf-8")
    assert "# hard_changes_per_day = 1" in text
    text = text.replace("# hard_changes_per_day = 1", "hard_changes_per_day = 1")
    text = text.replace("days = 6", "days = 9")
    file.write_text(text.replace("400 g", "500 g"), encoding="utf-8")
    buys = command("check", "mint", "--json")["affordable"]["runs"]
    said = command("plan", "mint").said_out
    planned = len(ledger())
    assert planned < buys
    assert re.search(r"\d+ plots of \d+ are what the model and the scatter", said)
    assert "left to plan" in said


def test_plan_and_status_say_in_one_sentence_what_the_budget_still_has(command: Command) -> None:
    """Six days of 9 h, three of the longest runs a day: what is left is days that no run is on."""
    command("new", "mint")
    (days,) = (
        part
        for part in command("check", "mint", "--json")["affordable"]["parts"]
        if part["what"] == "days"
    )
    assert "3 runs a day" in days["how"]
    planned = command("plan", "mint").said_out
    taken = max(int(row["day"]) for row in ledger())
    runs = len(ledger())
    assert runs < days["runs"]
    left = command("status", "mint", "--json")["left_to_plan"]
    said = f"Days 1 to {taken} of 6 in the budget are taken by {runs} runs: {left} left to plan"
    assert said in planned
    assert said in command("status", "mint").said_out
    assert 3 * (6 - taken) <= left < 3 * (6 - taken + 1)  # a run more where the last day has room


def test_status_says_what_is_missing_and_what_is_next_in_ten_lines(doe: Command) -> None:
    empty = doe("status", "mint").out.rstrip().splitlines()
    assert len(empty) <= 10
    assert "15 planned" in " ".join(empty)
    # as much to mind as can be: half of the runs, slips, a changed plan, a lost record
    text = "run,achieved_flow_mL_min,furfural_mg_g\n"
    text += "".join(f"{run},900,-1\n" for run in range(1, 15, 2))
    Path("odd.csv").write_text(text)
    doe("record", "mint", "odd.csv")
    (Path("designs/mint/stages/1.toml")).unlink()
    file = Path("designs/mint/runs.csv")
    file.write_text(file.read_text().replace("notes\n", "notes,own,other,third,fourth\n", 1))
    lines = doe("status", "mint").out.rstrip().splitlines()
    assert len(lines) <= 10
    assert lines[-1] == "Next: doe record mint FILE"
    whole = " ".join(lines)
    assert "imits not confirmed" in whole
    assert "7 done" in whole
    assert "extract yield is missing for runs 1, 3, 5, 7, 9, 11 and 13." in whole
    assert "more to mind: doe status mint --json" in whole


@pytest.mark.parametrize("replacing", [False, True])
def test_no_nasty_file_harms_the_ledger(command: Command, tmp_path: Path, replacing: bool) -> None:
    """Every file of the tables in `test_sheet`, handed in after results are there: what is refused
    changes no byte, and what is taken keeps every run with its plan."""
    command("new", "mint")
    file = tmp_path / "designs" / "mint" / "campaign.toml"
    text = file.read_text()
    for old, new in (
        (
            '[responses.extract_yield]\ntitle = "extract yield"\nunit = "mg/g"',
            '[responses.yield]\nunit = "%"',
        ),
        ('scatter = "4 mg/g"', 'scatter = "0.4"'),
        ("[responses.furfural]", "[responses.hmf]"),
    ):
        assert old in text
        text = text.replace(old, new, 1)
    file.write_text(text)
    command("plan", "mint")
    first = "1,11,first\n" if replacing else ""
    (tmp_path / "first.csv").write_text(f"run,yield_pct,notes\n{first}3,9,\n")
    command("record", "mint", "first.csv")
    ledger = file.with_name("runs.csv")
    planned = plan_of(ledger)
    taken = 0
    for name, (data, _) in {**ACCEPTED, **REFUSED}.items():
        before = ledger.read_bytes()
        (tmp_path / "nasty.csv").write_bytes(data)
        words = ["record", "mint", "nasty.csv", *(["--replace"] if replacing else [])]
        done = CliRunner().invoke(app, words, catch_exceptions=False)
        assert done.exit_code in (0, 1), name
        assert plan_of(ledger) == planned, name
        if done.exit_code == 1 or name in REFUSED:
            assert ledger.read_bytes() == before, name
        else:
            taken += 1
    assert taken >= 3
    assert not list(file.parent.glob(".*.part"))


def plan_of(ledger: Path) -> list[tuple[str, ...]]:
    with ledger.open(newline="", encoding="utf-8") as opened:
        rows = list(csv.DictReader(opened))
    columns = ("run", "stage", "plot", "day", "kind", "temperature_C", "flow_mL_min", "time_min")
    return [tuple(row[column] for column in columns) for row in rows]


def test_a_column_of_ones_own_called_bottle_makes_no_file_of_bottles(doe: Command) -> None:
    Path("back.csv").write_text("run,furfural_mg_g,bottle\n3,0.5,A17\n")
    doe("record", "mint", "back.csv")
    row = next(row for row in ledger() if row["run"] == "3")
    assert (row["furfural_mg_g"], row["notes"]) == ("0.5", "bottle: A17")
    assert not Path("designs/mint/portions.csv").exists()


def refused_by(doe: Command, campaign: str, sheet: str) -> str:
    """What the command says to a sheet that it refuses; the ledger stays as it was."""
    before = Path(f"designs/{campaign}/runs.csv").read_bytes()
    said = doe("record", campaign, sheet, status=1).said_err
    assert Path(f"designs/{campaign}/runs.csv").read_bytes() == before
    return str(said)


def test_a_copied_campaign_does_not_take_the_others_sheet(doe: Command) -> None:
    """Every planned cell is alike: only what the sheet says of itself tells them apart."""
    shutil.copytree("designs/mint", "designs/basil")
    said = refused_by(doe, "basil", "designs/mint/sheet-stage1.csv")
    assert said.count("✗") == 1
    assert '"stage 1 of mint"; this is basil.' in said


def test_looking_at_what_is_there_already_does_not_ask_for_it_again(doe: Command) -> None:
    Path("one.csv").write_text("run,furfural_mg_g\n1,0.25\n", encoding="utf-8")
    assert "Next: doe record mint one.csv" in doe("record", "mint", "one.csv", "--dry-run").out
    doe("record", "mint", "one.csv")
    again = doe("record", "mint", "one.csv", "--dry-run")
    assert "nothing changed" in again.out
    assert "Next: doe record mint FILE" in again.out  # other runs are still to come


def test_a_sheet_without_a_mark_is_read_as_before(doe: Command) -> None:
    run = ledger()[0]["run"]
    Path("bare.csv").write_text(f"run,furfural_mg_g\n{run},0.25\n", encoding="utf-8")
    doe("record", "mint", "bare.csv")
    assert ledger()[0]["furfural_mg_g"] == "0.25"


def test_a_row_copied_into_the_sheet_of_another_stage_is_told_by_its_cell(doe: Command) -> None:
    text = "run,furfural_mg_g,sheet_of\n1,0.25,stage 2 of mint\n"
    Path("other.csv").write_text(text, encoding="utf-8")
    said = refused_by(doe, "mint", "other.csv")
    assert "line 2, C2 (sheet_of)" in said
    assert "run 1 is of stage 1" in said


def test_a_sheet_that_mostly_contradicts_the_plan_is_refused_once(doe: Command) -> None:
    rows = ledger()
    lines = [f"{row['run']},{float(row['temperature_C']) + 0.5}" for row in rows[:-1]]
    lines.append(f"{rows[-1]['run']},{rows[-1]['temperature_C']}")
    Path("odd.csv").write_text("\n".join(["run,temperature_C", *lines]), encoding="utf-8")
    said = refused_by(doe, "mint", "odd.csv")
    assert said.count("✗") == 1
    assert f"{len(rows) - 1} of {len(rows)} rows contradict the plan of mint" in said


@pytest.mark.libreoffice
@pytest.mark.parametrize("name", ["2024-05", "007", "mar-1"])
@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_a_spreadsheet_program_leaves_whose_sheet_it_is(
    command: Command, tmp_path: Path, name: str, kind: str
) -> None:
    """Names that such a program would turn into a date or a number if they stood alone."""
    command("new", name)
    command("plan", name)
    sheet = Path(f"designs/{name}/sheet-stage1.{kind}").resolve()
    saved = saved_as("ods", sheet, tmp_path)
    assert "nothing changed" in command("record", name, str(saved), "--dry-run").said_out
    shutil.copytree(f"designs/{name}", "designs/basil")
    assert "this is basil" in refused_by(command, "basil", str(saved))


@pytest.mark.parametrize(
    ("heading", "unit", "told"),
    [("achieved_temperature_F", "°C", '"F"'), ("furfural_mg_L", "mg/g", '"mg_L"')],
)
def test_a_heading_with_another_unit_asks_for_values_to_be_converted_before_it_is_renamed(
    doe: Command, heading: str, unit: str, told: str
) -> None:
    Path("back.csv").write_text(f"run,extract_yield_mg_g,{heading}\n1,41,4\n")
    said = refused_by(doe, "mint", "back.csv")
    assert f"this heading says {told}" in said
    assert f"If the values are in another unit than {unit}, convert them; then name it" in said
    assert "Name it" not in said


def test_a_trace_may_be_handed_in_as_a_limit(doe: Command) -> None:
    Path("back.csv").write_text("run,furfural_mg_g\n1,trace\n")
    said = refused_by(doe, "mint", "back.csv")
    assert "line 2, B2 (furfural_mg_g)" in said
    assert "write < and the limit, as <0.05, where it lay below detection" in said


def test_the_sheets_page_handed_in_is_told_from_the_file_that_it_saves(doe: Command) -> None:
    said = refused_by(doe, "mint", "designs/mint/sheet-stage1.html")
    assert "press “Save as file”" in said
    assert "quotes" not in said


def test_the_sheet_of_a_plan_that_was_replaced_is_refused_as_that(doe: Command) -> None:
    """The second plan has the same runs in another order, and some of the first not at all."""
    old = Path("designs/mint/sheet-stage1.csv").read_text()
    before = {row["run"]: row for row in csv.DictReader(old.splitlines())}
    file = Path("designs/mint/campaign.toml")
    file.write_text(file.read_text().replace("seed = 1 ", "seed = 7 ", 1))
    doe("plan", "mint")
    lines = old.splitlines()
    place = lines[0].split(",").index("furfural_mg_g")
    filled = [line.split(",") for line in lines[1:]]
    rows = [",".join([*row[:place], "0.3", *row[place + 1 :]]) for row in filled]
    Path("old.csv").write_text("\n".join([lines[0], *rows]))
    said = refused_by(doe, "mint", "old.csv")
    assert said.count("✗") == 1
    assert "old.csv: this sheet was replaced (history/sheet-stage1-1.csv is its copy)" in said
    assert "Put " not in said
    settings = [c for c in before["1"] if c in ("temperature_C", "flow_mL_min", "time_min")]
    now = {row["run"]: [float(row[c]) for c in settings] for row in ledger()}
    told = re.findall(r"(\d+) is (?:now|still) run (\d+)", said)
    assert told
    for was, is_now in told:
        assert [float(before[was][c]) for c in settings] == now[is_now]


def handed_in(doe: Command, furfural: Callable[[int], str | None], *words: str) -> Any:
    """A sheet of all runs with yields on a slope, and furfural as told; None is no column."""
    lines = []
    for row in ledger():
        value = furfural(int(row["run"]))
        grown = 10 + float(row["temperature_C"]) / 5 + int(row["run"]) % 3
        lines.append(f"{row['run']},{grown}" + ("" if value is None else f",{value}"))
    head = "run,extract_yield_mg_g" + ("" if furfural(1) is None else ",furfural_mg_g")
    Path("back.csv").write_text("\n".join([head, *lines]))
    return doe("record", "mint", "back.csv", *words)


@pytest.mark.parametrize(("cell", "how"), [(None, "not there"), ("", "empty in every row")])
def test_a_response_that_a_sheet_has_nothing_of_is_said_at_once(
    doe: Command, cell: str | None, how: str
) -> None:
    runs = len(ledger())
    said = handed_in(doe, lambda run: cell).said_out
    assert f"Furfural: its column furfural_mg_g is {how}, and runs 1 to {runs} have no" in said
    assert "Extract yield: its column" not in said


def test_a_sheet_of_one_response_says_nothing_of_one_that_is_recorded(doe: Command) -> None:
    handed_in(doe, lambda run: f"0.{run}")
    assert "its column" not in handed_in(doe, lambda run: None).said_out


def test_a_limit_that_was_never_measured_comes_before_any_setting(doe: Command) -> None:
    handed_in(doe, lambda run: None)
    said = doe("fit", "mint").said_out
    begins = "The settings below do not allow for furfural, and may miss what is wanted of it"
    assert said.index(begins) < said.index("est settings")
    assert "No run has a value. Measure what the runs made have left" in said
    assert "weighed together" not in said
    assert "furfural is left out" in said.split("How often the 95 % intervals")[1]
    page = Path("reports/mint-stage1-fit.html").read_text(encoding="utf-8")
    text = " ".join(re.sub(r"<[^>]+>", " ", page.split("<main", 1)[1]).split())
    assert text.index(begins) < text.index("est settings")


def test_a_sheet_without_results_is_told_from_one_that_is_recorded(doe: Command) -> None:
    said = doe("record", "mint", "designs/mint/sheet-stage1.csv").said_out
    assert "There are no results in sheet-stage1.csv." in said
    assert "holds all of this already" not in said
    handed_in(doe, lambda run: f"0.{run}")
    again = handed_in(doe, lambda run: f"0.{run}").said_out
    assert "The ledger holds all of this already" in again
    assert "no results in" not in again


def test_a_zero_of_which_the_logarithm_is_wanted_is_asked_about_by_its_cell(doe: Command) -> None:
    file = Path("designs/mint/campaign.toml")
    text = file.read_text()
    assert "[responses.furfural]\n" in text
    file.write_text(text.replace("[responses.furfural]\n", '[responses.furfural]\nscale = "log"\n'))
    said = handed_in(doe, lambda run: "0" if run == 6 else str(run / 4)).said_out
    assert "Run 6: furfural is 0 mg/g (back.csv, line 7, C7 (furfural_mg_g))" in said
    assert said.count("Its logarithm is what fit models") == 1
    fitted = doe("fit", "mint").said_out
    assert "Run 6 is not above zero" in fitted.split("est settings")[0]
    assert "as <0.05, with --replace" in fitted.split("est settings")[0]
    limit = handed_in(doe, lambda run: "<0.05" if run == 6 else str(run / 4), "--replace").said_out
    assert "Its logarithm is what fit models" not in limit
    assert "Run 6 is not above zero" not in doe("fit", "mint").said_out
