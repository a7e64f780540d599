"""Yield, closure and recovery from what was weighed, against hand-worked figures."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from doe.campaign_file import read_campaign
from doe.errors import CampaignFileError
from tests.made_once import made_once

Command = Callable[..., Any]

RESPONSES = """
[feed]
moisture = "8 %"
reference = { rutin = "2.5 mg/g" }

[responses.extract_yield]
unit = "%"
aim = "maximise"
scatter = "0.5"
from = "yield"

[responses.balance]
unit = "%"
aim = "above"
limit = "90"
scatter = "2"
from = "closure"

[responses.rutin]
unit = "%"
aim = "maximise"
scatter = "3"
from = "recovery of rutin"

[responses.furfural]
unit = "mg/g"
aim = "below"
limit = "2 mg/g"
scatter = "0.15 mg/g"
"""
HEADING = (
    "run,bottle,kind,volume (mL),solids (mg/mL),solids (mg/mL) 2,rutin_mg_L,rutin_dilution,comment"
)
PORTIONS = f"{HEADING}\n3,A1,drain,400,3.9,4.1,5,10,clear\n3,A2,flush,100,0.8,,10,,\n"
MASSES = "run,feed_g,residue_g,residue_moisture_pct\n3,12,9.5,5\n"
# by hand: dry feed 12 · 0.92 = 11.04 g; extract 400 · 4.0 + 100 · 0.8 = 1680 mg; dry residue
# 9.5 · 0.95 = 9.025 g; rutin 400 mL · 50 mg/L + 100 mL · 10 mg/L = 21 mg
YIELD, CLOSURE, RECOVERY = 15.21739, 96.96558, 76.08696


@pytest.fixture
def doe(command: Command, tmp_path: Path) -> Command:
    """The command in a workspace with a planned campaign whose responses are derived."""

    def plan() -> None:
        command("new", "mint")
        file = tmp_path / "designs" / "mint" / "campaign.toml"
        before, _, rest = file.read_text().partition("[responses.extract_yield]")
        rest = rest[rest.index("# --- The rig, from its documents") :]
        file.write_text(before + RESPONSES + rest)
        command("plan", "mint")

    made_once(tmp_path, f"derived responses, planned: {RESPONSES}", plan)
    return command


def given(name: str, text: str) -> str:
    Path(name).write_text(text)
    return name


def cells(run: int) -> dict[str, str]:
    with Path("designs/mint/runs.csv").open(newline="") as file:
        return next(row for row in csv.DictReader(file) if row["run"] == str(run))


def test_masses_and_portions_in_either_order_give_the_hand_worked_figures(doe: Command) -> None:
    first = doe("record", "mint", given("p.csv", PORTIONS), "--json")
    assert "feed-missing" in {warning["code"] for warning in first["warnings"]}
    assert cells(3)["extract_yield_pct"] == ""
    doe("record", "mint", given("m.csv", MASSES))
    row = cells(3)
    assert float(row["extract_yield_pct"]) == pytest.approx(YIELD, abs=5e-4)
    assert float(row["balance_pct"]) == pytest.approx(CLOSURE, abs=5e-4)
    assert float(row["rutin_pct"]) == pytest.approx(RECOVERY, abs=5e-4)
    assert row["status"] == "done"
    with Path("designs/mint/derived.csv").open(newline="") as file:
        (derived,) = csv.DictReader(file)
    # duplicates 3.9 and 4.1: sd 0.1414, of their mean 0.1 mg/mL: 40 mg of 11.04 g
    assert float(derived["yield_pct_sd"]) == pytest.approx(100 * 0.040 / 11.04, rel=1e-4)


def test_scatter_of_weighing_volume_and_moisture_reaches_the_yield(doe: Command) -> None:
    file = Path("designs/mint/campaign.toml")
    scatters = 'weighing_scatter = "0.05 g"\nvolume_scatter = "1 %"\nmoisture_scatter = "0.2 %"\n'
    file.write_text(file.read_text().replace("[feed]\n", f"[feed]\n{scatters}", 1))
    doe("record", "mint", given("m.csv", MASSES))
    doe("record", "mint", given("p.csv", PORTIONS))
    with Path("designs/mint/derived.csv").open(newline="") as lines:
        (derived,) = csv.DictReader(lines)
    # relative contributions, added as squares (JCGM 100:2008, 5.1.6): duplicates 40 of 1680 mg;
    # volumes 1 % of 1600 and of 80 mg; feed 0.05 of 12 g; its moisture 0.002 of 0.92
    parts = (40 / 1680, 16 / 1680, 0.8 / 1680, 0.05 / 12, 0.002 / 0.92)
    sd = YIELD * sum(part**2 for part in parts) ** 0.5
    assert float(derived["yield_pct_sd"]) == pytest.approx(sd, rel=1e-4)


def test_the_same_again_changes_nothing_and_dry_run_writes_nothing(doe: Command) -> None:
    doe("record", "mint", given("m.csv", MASSES))
    folder = Path("designs/mint")
    shown = doe("record", "mint", given("p.csv", PORTIONS), "--dry-run", "--json")
    assert not (folder / "portions.csv").exists()
    answer = doe("record", "mint", "p.csv", "--json")
    assert answer["changes"] == shown["changes"]
    kept = {name: (folder / name).read_bytes() for name in ("runs.csv", "portions.csv")}
    assert doe("record", "mint", "p.csv", "--json")["changes"] == []
    assert doe("record", "mint", "m.csv", "--json")["changes"] == []
    assert doe("record", "mint", str(folder / "portions.csv"), "--json")["changes"] == []
    assert {name: (folder / name).read_bytes() for name in kept} == kept


def test_a_late_bottle_changes_a_recorded_yield_only_when_told_to(doe: Command) -> None:
    doe("record", "mint", given("m.csv", MASSES))
    doe("record", "mint", given("p.csv", PORTIONS))
    late = given("late.csv", f"{HEADING}\n3,A3,flush,50,0.4,,1,,\n")
    said = doe("record", "mint", late, status=1).said_err
    assert "masses and portions now give 15.3986" in said
    assert "A3" not in Path("designs/mint/portions.csv").read_text()
    doe("record", "mint", late, "--replace")
    # 50 mL · 0.4 mg/mL = 20 mg more
    assert float(cells(3)["extract_yield_pct"]) == pytest.approx(100 * 1.7 / 11.04, abs=5e-4)


def test_dried_extract_stands_in_for_portions_but_not_beside_them(doe: Command) -> None:
    dried = given("d.csv", "run;feed_g;feed_moisture_pct;extract_dry_g\n4;12,5;10 %;1,8\n")
    doe("record", "mint", dried)
    assert float(cells(4)["extract_yield_pct"]) == pytest.approx(16.0)  # 1.8 of 11.25 g
    assert cells(4)["balance_pct"] == ""
    both = given("b.csv", PORTIONS.replace("\n3,", "\n4,"))
    assert "the extract would count twice" in doe("record", "mint", both, status=1).said_err


def test_a_portion_below_its_limit_leaves_a_limit_or_a_blank(doe: Command) -> None:
    doe("record", "mint", given("m.csv", "run,feed_g\n3,12\n4,12\n"))
    lines = "3,A1,drain,400,4,,<5,,\n3,A2,flush,100,1,,<1,,\n"
    lines += "4,B1,drain,400,4,,5,,\n4,B2,flush,100,1,,<1,,\n"
    answer = doe("record", "mint", given("p.csv", f"{HEADING}\n{lines}"), "--json")
    # 400 · 5 + 100 · 1 = 2.1 mg at most, of 11.04 g · 2.5 mg/g
    assert cells(3)["rutin_pct"] == "<7.6087"
    assert cells(4)["rutin_pct"] == ""
    assert "between-limits" in {warning["code"] for warning in answer["warnings"]}


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        ("3,A1,drain,400,400,,,,", "more solids|make"),
        ("3,A1,drain,,4,,,,", "neither volume nor mass"),
        ("3,A1,drained,400,4,,,,", "no kind of portion"),
        ("3,,drain,400,4,,,,", "no label"),
        ("3,A1,drain,400,4,,,,\n3,A1,flush,100,1,,,,", "already"),
        ("99,A1,drain,400,4,,,,", "no run 99"),
        ("3,A1,drain,<5,4,,,,", "is a limit"),
        ("3,A1,drain,400,>50,,,,", "above what was measured"),
        ('3,A1,drain,"1,234",4,,,,', "can be read as"),
    ],
)
def test_what_is_refused_with_its_place_and_nothing_written(
    doe: Command, lines: str, says: str
) -> None:
    doe("record", "mint", given("m.csv", MASSES))
    before = Path("designs/mint/runs.csv").read_bytes()
    said = doe("record", "mint", given("p.csv", f"{HEADING}\n{lines}\n"), status=1).said_err
    assert any(words in said for words in says.split("|"))
    assert Path("designs/mint/runs.csv").read_bytes() == before
    assert not Path("designs/mint/portions.csv").exists()


def test_a_low_closure_is_said(doe: Command) -> None:
    doe("record", "mint", given("m.csv", MASSES.replace("9.5", "7")))
    answer = doe("record", "mint", given("p.csv", PORTIONS), "--json")
    assert "closure-low" in {warning["code"] for warning in answer["warnings"]}


def test_the_sheets_ask_for_masses_and_not_for_what_follows_from_them(doe: Command) -> None:
    heading = Path("designs/mint/sheet-stage1.csv").read_text().splitlines()[0].split(",")
    assert {"feed_g", "feed_moisture_pct", "extract_dry_g", "residue_g"} < set(heading)
    assert {"extract_yield_pct", "balance_pct", "rutin_pct"}.isdisjoint(heading)
    assert "furfural_mg_g" in heading
    page = Path("designs/mint/sheet-stage1.html").read_text()
    assert "feed_g" in page
    assert "feed_loaded" not in page


def test_a_filled_workbook_comes_back_with_its_masses(doe: Command) -> None:
    import openpyxl

    book = openpyxl.load_workbook("designs/mint/sheet-stage1.xlsx")
    sheet = book["runs"]
    header = next(row for row in sheet.iter_rows() if row[0].value == "run")
    at = {cell.value: cell.column for cell in header}
    line = next(r[0].row for r in sheet.iter_rows(min_row=header[0].row + 1) if r[0].value == 3)
    for column, value in (("feed_g", 12), ("extract_dry_g", 1.656), ("feed_moisture_pct", 8)):
        sheet.cell(line, at[column]).value = value
    book.save("back.xlsx")
    doe("record", "mint", "back.xlsx")
    assert float(cells(3)["extract_yield_pct"]) == pytest.approx(15.0)  # 1.656 of 11.04 g


@pytest.mark.parametrize(
    ("old", "new", "code"),
    [
        ('from = "yield"', 'from = "yeild"', "wrong-word"),
        ('from = "yield"', 'from = "yield of rutin"', "wrong-word"),
        ('from = "recovery of rutin"', 'from = "recovery of quercetin"', "missing-key"),
        ('reference = { rutin = "2.5 mg/g" }', 'groups = ["phenolics"]', "unknown-compound"),
        ('reference = { rutin = "2.5 mg/g" }', 'reference = { rutin = "0 mg/g" }', "zero"),
        ('"2.5 mg/g"', '"2.5 mg"', "wrong-quantity"),
        ('moisture = "8 %"', 'moisture = "108 %"', "wrong-quantity"),
        (
            'unit = "%"\naim = "maximise"\nscatter = "0.5"',
            'unit = "mL"\naim = "maximise"\nscatter = "0.5"',
            "wrong-unit",
        ),
    ],
)
def test_mistakes_in_the_file_are_named(doe: Command, old: str, new: str, code: str) -> None:
    file = Path("designs/mint/campaign.toml")
    text = file.read_text()
    assert old in text
    file.write_text(text.replace(old, new, 1))
    with pytest.raises(CampaignFileError) as caught:
        read_campaign(file)
    assert code in {problem.code for problem in caught.value.problems}


def test_a_portion_that_the_sheet_plans_and_nobody_recorded_is_asked_about(
    doe: Command, tmp_path: Path
) -> None:
    file = tmp_path / "designs" / "mint" / "campaign.toml"
    file.write_text(file.read_text().replace('fill_share = "80 %"', 'fill_share = "24 %"'))
    doe("plan", "mint")
    page = file.with_name("sheet-stage1.html").read_text()
    run = page[page.index('aria-label="Run 3"') : page.index('aria-label="Run 4"')]
    count = run.count('data-column="drain_') // 2
    assert count >= 2
    assert "at the end" in run
    doe("record", "mint", given("m.csv", "run,feed_g\n3,12\n"))
    some = doe("record", "mint", given("p.csv", "run,drain_1_mL\n3,240\n"), "--json")
    (said,) = (w["what"] for w in some["warnings"] if w["code"] == "portions-missing")
    assert f"D{count}" in said
    every = ",".join(f"drain_{i}_mL" for i in range(1, count + 1))
    full = doe("record", "mint", given("q.csv", f"run,{every}\n3{',240' * count}\n"), "--json")
    assert "portions-missing" not in {w["code"] for w in full["warnings"]}


def test_portions_weighed_before_they_were_dried_are_no_second_extract(doe: Command) -> None:
    doe("record", "mint", given("m.csv", "run,feed_g,extract_dry_g,drain_1_g\n3,12,1.656,380\n"))
    assert float(cells(3)["extract_yield_pct"]) == pytest.approx(15.0)  # 1.656 of 11.04 g
    bottles = "run,bottle,kind,density_g_mL,solids_mg_mL\n3,D1,drain,1,4\n"
    refusal = doe("record", "mint", given("p.csv", bottles), status=1)
    assert "extract would count twice" in refusal.said_err


def test_nothing_is_derived_for_what_runs_before_the_first_and_feed_in_a_blank_is_asked_about(
    doe: Command,
) -> None:
    file = Path("designs/mint/campaign.toml")
    order = '[order]\nfirst_runs = ["blank", "sacrificial"]\n\n[fixed]\n'
    file.write_text(file.read_text().replace("[fixed]\n", order, 1))
    doe("plan", "mint")
    masses = "run,feed_g,feed_moisture_pct,extract_dry_g\n1,12,8,2\n2,12,8,2\n3,12,8,2\n"
    answer = doe("record", "mint", given("m.csv", masses), "--json")
    told = {warning["code"]: warning["what"] for warning in answer["warnings"]}
    assert "Run 1 is a blank" in told["feed-in-blank"]
    derived = Path("designs/mint/derived.csv").read_text().splitlines()
    assert [line.split(",")[0] for line in derived] == ["run", "3"]
    assert [cells(run)["extract_yield_pct"] != "" for run in (1, 2, 3)] == [False, False, True]


def test_a_blanks_sheet_has_no_boxes_for_feed(doe: Command) -> None:
    file = Path("designs/mint/campaign.toml")
    order = '[order]\nfirst_runs = ["blank"]\n\n[fixed]\n'
    file.write_text(file.read_text().replace("[fixed]\n", order, 1))
    doe("plan", "mint")
    page = Path("designs/mint/sheet-stage1.html").read_text()
    blank = page[page.index('aria-label="Run 1"') : page.index('aria-label="Run 2"')]
    loaded = page[page.index('aria-label="Run 2"') : page.index('aria-label="Run 3"')]
    of_feed = ("feed_g", "feed_moisture_pct", "residue_g", "residue_moisture_pct")
    assert [name in blank for name in (*of_feed, "extract_dry_g")] == [False] * 4 + [True]
    assert all(name in loaded for name in of_feed)
    import openpyxl

    runs = openpyxl.load_workbook("designs/mint/sheet-stage1.xlsx")["runs"]
    place = {cell.value: cell.column for row in runs.iter_rows(max_row=12) for cell in row}
    at = next(c.row for row in runs.iter_rows() for c in row if c.value == "blank")
    assert runs.cell(at, place["feed_g"]).protection.locked
    assert not runs.cell(at + 1, place["feed_g"]).protection.locked
    assert not runs.cell(at, place["water_pumped_g"]).protection.locked


@pytest.mark.parametrize(
    ("bottles", "said"),
    [
        ("3,A1,drain,400,,4\n4,A1,drain,400,,4\n", "Runs 3 and 4: no flush"),
        ("3,A1,drain,400,,4\n3,A2,flush,100,,0.8\n", ""),
        ("3,D1,drain,400,,4\n", ""),  # the only portion that the sheet plans: drained at the end
        ("3,A1,drain,400,500,4\n", ""),  # timed after the end
        ("3,A1,drain,400,5,4\n", "Run 3: no flush"),
        ("3,A1,drain,980,5,1\n", ""),  # 1000 g of water weighed: within 5 % all there
        ("3,A1,flush,400,,4\n", "Run 3: no drain"),
    ],
)
def test_a_flush_that_may_be_missing_is_said_once_for_all_runs(
    doe: Command, bottles: str, said: str
) -> None:
    file = Path("designs/mint/campaign.toml")
    file.write_text(file.read_text().replace('fill_share = "80 %"', 'fill_share = "95 %"'))
    masses = "run,feed_g,water_pumped_g\n3,12,1000\n4,12,1000\n"
    doe("record", "mint", given("m.csv", masses))
    heading = "run,bottle,kind,volume_mL,time_min,solids_mg_mL\n"
    answer = doe("record", "mint", given("p.csv", heading + bottles), "--json")
    told = [w["what"] for w in answer["warnings"] if w["code"] == "portion-missing"]
    assert len(told) == bool(said)
    assert all(one.startswith(said) for one in told)


def test_capitals_make_no_other_bottle(doe: Command) -> None:
    doe("record", "mint", given("m.csv", "run,feed_g,drain_1_mL\n3,12,400\n"))
    bottles = "run,bottle,kind,solids_mg_mL\n3,d1,drain,4\n"
    doe("record", "mint", given("p.csv", bottles))
    kept = Path("designs/mint/portions.csv").read_text().splitlines()
    assert len(kept) == 2
    assert kept[1].startswith("3,D1,drain,")
    assert float(cells(3)["extract_yield_pct"]) == pytest.approx(100 * 1.6 / 11.04, abs=1e-3)
    twice = "run,bottle,kind,volume_mL,solids_mg_mL\n4,x1,drain,100,4\n4,X1,drain,100,4\n"
    said = doe("record", "mint", given("q.csv", twice), status=1).said_err
    assert "X1 of run 4 stands in line 2 already, as x1" in said


def test_a_label_beside_the_planned_ones_is_asked_about(doe: Command) -> None:
    bottles = "run,bottle,kind,volume_mL,solids_mg_mL\n3,D1,drain,400,4\n3,D17,drain,100,4\n"
    answer = doe("record", "mint", given("p.csv", bottles), "--json")
    (said,) = (w["what"] for w in answer["warnings"] if w["code"] == "bottle-not-planned")
    assert said.startswith("Run 3: drain D17 is not among those that the sheet plans, D1")
    own = "run,bottle,kind,volume_mL,solids_mg_mL\n4,A1,drain,400,4\n4,A2,drain,100,4\n"
    answer = doe("record", "mint", given("q.csv", own), "--json")
    assert "bottle-not-planned" not in {w["code"] for w in answer["warnings"]}


def test_assays_of_bottles_that_came_with_the_sheet_need_no_kind_again(doe: Command) -> None:
    doe("record", "mint", given("p.csv", "run,bottle,kind,volume_mL\n3,D1,drain,400\n"))
    assays = given("assays.csv", "run,bottle,solids_mg_mL\n3,D1,4\n")
    changes = doe("record", "mint", assays, "--json")["changes"]
    assert {c["column"]: (c["old"], c["new"]) for c in changes} == {"D1 solids_mg_mL": ("", "4")}
    kept = Path("designs/mint/portions.csv").read_text()
    for bottle in ("4,D1,4", "3,S1,4", "3,flask,4"):
        new = given("new.csv", f"run,bottle,solids_mg_mL\n{bottle}\n")
        told = doe("record", "mint", new, "--json", status=1)["errors"]
        assert [(e["code"], e["where"]["file"]) for e in told] == [("portion-kind", "new.csv")]
    assert Path("designs/mint/portions.csv").read_text() == kept


@pytest.mark.parametrize(("dilution", "asked"), [("0.1", True), ("1", False), ("10", False)])
def test_a_dilution_below_1_is_asked_about(doe: Command, dilution: str, asked: bool) -> None:
    heading = "run,bottle,kind,volume_mL,solids_mg_mL,rutin_mg_L,rutin_dilution\n"
    bottles = given("p.csv", f"{heading}3,D1,drain,400,4,5,{dilution}\n")
    told = doe("record", "mint", bottles, "--json")["warnings"]
    said = [w["what"] for w in told if w["code"] == "dilution-below-1"]
    assert len(said) == asked
    assert all("If 1 part in 10 was meant, write 10" in one for one in said)


def test_what_bottles_give_is_refused_with_their_file(doe: Command) -> None:
    doe("record", "mint", given("m.csv", "run,feed_g\n3,12\n"))
    bottles = "run,bottle,kind,volume_mL,solids_mg_mL\n3,A1,drain,400,40\n"
    told = doe("record", "mint", given("p.csv", bottles), "--json", status=1)["errors"]
    assert [(e["code"], e["where"]["file"]) for e in told] == [("solids-above-feed", "p.csv")]
    masses = given("q.csv", "run,feed_g,extract_dry_g\n4,12,13\n")
    told = doe("record", "mint", masses, "--json", status=1)["errors"]
    assert [(e["code"], e["where"]["file"]) for e in told] == [("solids-above-feed", "runs.csv")]


def test_another_kind_than_planned_is_refused(doe: Command) -> None:
    planned = cells(3)["kind"]
    said = doe("record", "mint", given("k.csv", "run,kind,feed_g\n3,blank,12\n"), status=1)
    assert f"was planned with kind {planned}, the sheet says blank" in said.said_err
    doe("record", "mint", given("k.csv", f"run,kind,feed_g\n3,{planned.upper()},12\n"))
