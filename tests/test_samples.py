"""Samples drawn during the extraction: planned, printed, brought back as portions.

The campaign is that of `doe new`: heating from 20 °C at 5 K/min, a collection vessel of 1 L drained
at 80 %, runs of 20 to 60 min at 3 to 8 mL/min. Figures beside the tests are worked by hand.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
from purpose import for_a_surface

from doe import rig as rig_room
from doe import views, workflow
from doe.campaign import Campaign
from doe.campaign_file import read_campaign
from doe.errors import CampaignFileError
from doe.samples import Samples, clashes, sample_minutes

Command = Callable[..., Any]
PLAN = """
[samples]
at = ["5 min", "10 min", "15 min"]
discard = "3 mL"
volume = "6 mL"
compounds = ["rutin"]
"""


def campaign_with(folder: Path, samples: str, *changes: tuple[str, str]) -> Campaign:
    """The campaign of `doe new` with a sample plan and some text changed."""
    file = folder / "designs" / "mint" / "campaign.toml"
    if not file.exists():
        for_a_surface(workflow.new("mint", folder).files[0])
    text = file.read_text()
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    file.write_text(text.replace("[rig]\n", f"{samples}\n[rig]\n", 1))
    return read_campaign(file)


def refused(folder: Path, samples: str, *changes: tuple[str, str]) -> dict[str, str]:
    with pytest.raises(CampaignFileError) as caught:
        campaign_with(folder, samples, *changes)
    problems = caught.value.problems
    assert all(p.remedy and p.where.line for p in problems)
    return {p.code: f"{p.where.key}: {p.what}" for p in problems}


# ------------------------------------------------------------------------------ planned or not


def test_times_are_those_given_or_an_interval_that_ends_within_each_run(tmp_path: Path) -> None:
    settings = np.array([[150.0, 3.0, 20.0], [150.0, 8.0, 60.0]])
    given = campaign_with(tmp_path, PLAN)
    assert [list(m) for m in given.sample_minutes(settings)] == [[5, 10, 15]] * 2
    plan = Samples.model_validate({"every": "6 min", "discard": "3 mL", "volume": "6 mL"})
    spaced = replace(given, samples=plan)
    # 9 mL take 3 min at 3 mL/min and 1.125 min at 8: the last begin at 12 of 20 and 54 of 60 min
    first, second = spaced.sample_minutes(settings)
    assert list(first) == [6, 12]
    assert list(second) == [6, 12, 18, 24, 30, 36, 42, 48, 54]


@pytest.mark.parametrize(
    ("samples", "code", "says"),
    [
        # 9 mL at the lowest flow, 3 mL/min: 3 min
        (PLAN.replace('"15 min"', '"18 min"'), "sample-after-end", "ends at 21.0 min"),
        (PLAN.replace('"15 min"', '"12 min"'), "samples-overlap", "take 3.0 min at 3 mL/min"),
        (PLAN.replace('"15 min"', '"10 min"'), "samples-order", "10 min comes after 10 min"),
        (PLAN.replace('at = ["5 min", "10 min", "15 min"]', ""), "samples-when", "neither"),
        (PLAN + 'every = "5 min"\n', "samples-when", "both"),
        (PLAN.replace('at = ["5 min", "10 min", "15 min"]', 'every = "2 min"'),
         "samples-overlap", "after 2 min"),
        (PLAN.replace('at = ["5 min", "10 min", "15 min"]', 'every = "18 min"'),
         "sample-after-end", "extracts for 20 min"),
        (PLAN.replace('"6 mL"', '"0 mL"'), "zero", "0 mL"),
        (PLAN.replace('discard = "3 mL"', ""), "missing-key", "discard"),
        (PLAN.replace('"3 mL"', '"3 min"'), "wrong-quantity", "discard"),
        (PLAN.replace("rutin", "my rutin"), "wrong-name", "my rutin"),
        ("[samples]\n", "missing-key", "volume"),
    ],
)  # fmt: skip
def test_what_cannot_be_drawn_is_refused_in_the_file(
    tmp_path: Path, samples: str, code: str, says: str
) -> None:
    found = refused(tmp_path, samples)
    assert says in found[code]
    assert found[code].startswith("samples")


def test_a_draw_that_just_fits_is_taken(tmp_path: Path) -> None:
    campaign_with(tmp_path, PLAN.replace('"10 min", "15 min"', '"8 min", "17 min"'))


def test_no_samples_from_a_shut_vessel(tmp_path: Path) -> None:
    flow = '[factors.flow]\nlow = "3 mL/min"\nhigh = "8 mL/min"\nstep = "0.5 mL/min"\n'
    swing = '[rig]\ntemperature_swing = "0.6 K"\nheat_up_outlet = "open"\nfeed_bottle = "none"\n'
    file = workflow.new("mint", tmp_path).files[0]
    text = file.read_text()
    file.write_text(text[: text.index("[rig.feed_bottle]")])
    found = refused(
        tmp_path,
        PLAN,
        ('mode = "flow"', 'mode = "batch"\nbatch_kind = "liquid-full"'),
        (flow, ""),
        ("[rig]\n", swing),
    )
    assert list(found) == ["samples-in-batch"]
    assert "lets the pressure of a shut vessel down" in found["samples-in-batch"]


def test_a_drain_during_a_draw_is_said_with_run_and_minute(tmp_path: Path) -> None:
    # 150 °C: 26 min of heating up; 240 mL at 8 mL/min: drains 30, 60 and 90 min after the flow
    # starts, so 4, 34 and 64 min into the extraction; a draw of 9 mL lasts 1.125 min
    plan = PLAN.replace('"5 min", "10 min"', '"4 min", "10 min"')
    campaign = campaign_with(tmp_path, plan, ('fill_share = "80 %"', 'fill_share = "24 %"'))
    settings = np.array([[150.0, 8.0, 60.0], [150.0, 3.0, 20.0]])
    found = campaign.sample_clashes(settings)
    assert [(c.row, c.sample, c.minute, c.drain, c.drain_min) for c in found] == [(0, 0, 4, 0, 30)]
    conditions = campaign.conditions(settings)
    assert rig_room.drain_minutes(campaign.rig, conditions)[0][0] == pytest.approx(30)
    # a minute and a half earlier it is over before the drain
    assert campaign.samples is not None
    earlier = campaign.samples.model_copy(update={"at": (2.5, 10.0, 15.0)})
    assert clashes(campaign.rig, earlier, conditions) == ()
    assert list(sample_minutes(earlier, conditions)[0]) == [2.5, 10, 15]


def test_the_plan_and_its_sheet_say_when_to_drain_first(command: Command, tmp_path: Path) -> None:
    campaign_with(tmp_path, PLAN, ('fill_share = "80 %"', 'fill_share = "16 %"'))
    answer = command("plan", "mint", "--json")
    (said,) = (w["what"] for w in answer["warnings"] if w["code"] == "sample-meets-drain")
    campaign = workflow.load("mint", tmp_path)
    rows = answer["runs"]
    settings = np.array([list(row["settings"].values()) for row in rows])
    found = campaign.sample_clashes(settings)
    assert found
    ledger = workflow.status("mint", tmp_path).ledger
    assert ledger is not None
    limits = views.sheet_limits(campaign, ledger.rows)
    for clash in found:
        run = rows[clash.row]["run"]
        assert f"run {run}, S{clash.sample + 1} at {clash.minute:g} min" in said
        assert any("drain before that draw begins" in text for text in limits[run])


# --------------------------------------------------------------------------- out and in again


@pytest.fixture
def doe(command: Command, tmp_path: Path) -> Command:
    """The command in a workspace with a planned campaign that draws samples."""
    campaign_with(tmp_path, PLAN)
    command("plan", "mint")
    return command


def portions() -> list[dict[str, str]]:
    with Path("designs/mint/portions.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def given(name: str, text: str) -> str:
    Path(name).write_text(text)
    return name


def test_every_sheet_has_times_discards_and_places_for_what_was_drawn(doe: Command) -> None:
    heading = Path("designs/mint/sheet-stage1.csv").read_text().splitlines()[0].split(",")
    places = [f"sample_{i}_{unit}" for i in (1, 2, 3) for unit in ("min", "mL", "g")]
    assert [name for name in heading if name.startswith("sample")] == places
    page = Path("designs/mint/sheet-stage1.html").read_text()
    assert "behind cooler and regulator" in page
    assert all(f'data-run="1" data-column="{place}"' in page for place in places)
    book = openpyxl.load_workbook("designs/mint/sheet-stage1.xlsx")
    texts = [cell.value for row in book["each run"].iter_rows() for cell in row]
    assert any(str(text).startswith("S1 at 5 min: discard 3 mL, take 6 mL; S2") for text in texts)
    header = {cell.value for row in book["runs"].iter_rows() for cell in row}
    assert set(places) < header


def test_samples_come_back_as_timed_portions_and_no_run_is_done_by_them(doe: Command) -> None:
    sheet = given(
        "s.csv",
        "run;sample_1_min;sample_1_mL;sample_2_mL;sample_2_g;sample_3_min\n3;5,5;6,2;;5,9;15\n4;;6;;;\n",
    )
    answer = doe("record", "mint", sheet, "--json")
    kept = {(row["run"], row["bottle"]): row for row in portions()}
    assert set(kept) == {("3", "S1"), ("3", "S2"), ("4", "S1")}
    first, second = kept["3", "S1"], kept["3", "S2"]
    assert (first["kind"], first["time_min"], first["discard_mL"]) == ("sample", "5.5", "3")
    assert (first["volume_mL"], first["mass_g"]) == ("6.2", "")
    assert (second["time_min"], second["mass_g"]) == ("10", "5.9")  # the planned minute
    said = {warning["code"]: warning["what"] for warning in answer["warnings"]}
    assert "S2 of run 3, S1 of run 4" in said["sample-time-assumed"]
    assert "S3 of run 3" in said["sample-without-volume"]
    assert answer["runs"]["done"] == 0
    assert "sample" not in Path("designs/mint/runs.csv").read_text()
    assert doe("record", "mint", sheet, "--json")["changes"] == []


def test_assays_join_the_samples_and_make_a_curve(doe: Command) -> None:
    doe("record", "mint", given("s.csv", "run,sample_1_mL,sample_2_mL\n3,6,6\n"))
    lab = "run,bottle,kind,rutin (mg/L),rutin mg/L 2\n3,S1,sample,80,84\n3,S2,sample,<5,\n"
    doe("record", "mint", given("lab.csv", lab))
    curve = [
        (r["time_min"], r["volume_mL"], r["rutin_mg_L"], r["rutin_mg_L_2"]) for r in portions()
    ]
    assert curve == [("5", "6", "80", "84"), ("10", "6", "<5", "")]
    late = given("late.csv", "run,sample_1_min,sample_1_mL\n3,7,6\n")
    assert "time_min 5 already" in doe("record", "mint", late, status=1).said_err
    doe("record", "mint", late, "--replace")
    assert portions()[0]["time_min"] == "7"
    doe("record", "mint", "s.csv")  # its blank time does not bring the planned one back
    assert portions()[0]["time_min"] == "7"


def test_a_sample_after_the_end_or_without_a_time_is_asked_about(doe: Command) -> None:
    lab = "run,bottle,kind,time_min,volume_mL\n3,S1,sample,500,6\n3,X,sample,,6\n"
    answer = doe("record", "mint", given("lab.csv", lab), "--json")
    said = {warning["code"]: warning["what"] for warning in answer["warnings"]}
    assert "S1 was drawn at 500 min" in said["sample-after-end"]
    assert "X of run 3" in said["sample-without-time"]


def warned(answer: Any) -> dict[str, str]:
    return {warning["code"]: warning["what"] for warning in answer["warnings"]}


def settings_of(run: int) -> tuple[float, ...]:
    with Path("designs/mint/runs.csv").open(newline="") as file:
        row = next(row for row in csv.DictReader(file) if row["run"] == str(run))
    return tuple(float(row[name]) for name in ("temperature_C", "flow_mL_min", "time_min"))


@pytest.mark.parametrize(
    ("cells", "code", "says"),
    [
        ({1: (-2, 6)}, "sample-before-start", "S1 was drawn at -2 min, before"),
        ({3: (500, 6)}, "sample-after-end", "S3 was drawn at 500 min, but the extraction took"),
        # exchanged, as the later one stands at the earlier minute
        ({1: (10, 6), 2: (5, 6)}, "sample-times-fall", "S2 was drawn at 5 min, not after S1 at 10"),
        ({2: (10, 60)}, "sample-amount-far-off", "S2 has 60 mL where 6 mL was planned"),
        ({2: (10, 0.6)}, "sample-amount-far-off", "S2 has 0.6 mL where 6 mL was planned"),
    ],
)  # fmt: skip
def test_odd_times_and_volumes_of_samples_are_asked_about_and_kept(
    doe: Command, cells: dict[int, tuple[float, float]], code: str, says: str
) -> None:
    heads = ["run", *(f"sample_{i}_{unit}" for i in cells for unit in ("min", "mL"))]
    values = ["3", *(f"{value:g}" for pair in cells.values() for value in pair)]
    sheet = given("s.csv", f"{','.join(heads)}\n{','.join(values)}\n")
    assert says in warned(doe("record", "mint", sheet, "--json"))[code]
    assert len(portions()) == len(cells)


def test_samples_as_planned_are_asked_nothing(doe: Command) -> None:
    doe("record", "mint", given("s.csv", "run,sample_1_min,sample_1_mL,sample_2_g\n3,5.5,5,7\n"))
    lab = given("lab.csv", "run,bottle,kind,rutin_mg_L\n3,S1,sample,80\n")
    found = warned(doe("record", "mint", lab, "--json"))
    assert not {code for code in found if code.startswith(("sample-", "more-", "density"))}


def test_a_late_sample_far_from_its_minute_is_asked_about(doe: Command) -> None:
    run = next(run for run in range(1, 16) if settings_of(run)[2] == 60)
    sheet = given("s.csv", f"run,sample_3_min,sample_3_mL\n{run},50,6\n")
    said = warned(doe("record", "mint", sheet, "--json"))["sample-time-far-off"]
    assert "S3 was drawn at 50 min, where 15 min was planned" in said


# ------------------------------------------------------------- drained portions and water weighed


def test_drained_portions_come_back_as_bottles_that_assays_join(doe: Command) -> None:
    heading = Path("designs/mint/sheet-stage1.csv").read_text().splitlines()[0].split(",")
    assert {"drain_1_mL", "drain_1_g", "water_pumped_g", "feed_g"} < set(heading)
    sheet = given("s.csv", "run;drain_1_mL;drain_1_g;sample_1_mL\n3;230 mL;;6\n4;;228,5 g;\n")
    doe("record", "mint", sheet)
    kept = {(row["run"], row["bottle"]): row for row in portions()}
    assert set(kept) == {("3", "D1"), ("3", "S1"), ("4", "D1")}
    assert (kept["3", "D1"]["kind"], kept["3", "D1"]["volume_mL"]) == ("drain", "230")
    assert (kept["4", "D1"]["mass_g"], kept["4", "D1"]["time_min"]) == ("228.5", "")
    assert "drain" not in Path("designs/mint/runs.csv").read_text()
    doe("record", "mint", given("lab.csv", "run,bottle,kind,rutin_mg_L\n3,D1,drain,12\n"))
    assert next(row for row in portions() if row["bottle"] == "D1")["rutin_mg_L"] == "12"
    assert doe("record", "mint", sheet, "--json")["changes"] == []


@pytest.mark.parametrize(
    ("heading", "cell", "says"),
    [
        ("drain_1_g", "230 mL", "B2 (drain_1_g)"),
        ("drain_1_kg", "0.23", "nearly drain_1_g"),
        ("water_pumped_g", "450 mL", "B2 (water_pumped_g)"),
        ("water_pumped_mL", "450", "nearly water_pumped_g"),
        ("drain_1_g", "-230", "allowed is 0 or more"),
    ],
)
def test_another_unit_or_an_impossible_amount_is_refused_and_nothing_written(
    doe: Command, heading: str, cell: str, says: str
) -> None:
    before = Path("designs/mint/runs.csv").read_bytes()
    refusal = doe("record", "mint", given("s.csv", f"run,{heading},notes\n3,{cell},\n"), status=1)
    assert says in refusal.said_err
    assert Path("designs/mint/runs.csv").read_bytes() == before
    assert not Path("designs/mint/portions.csv").exists()


def test_water_weighed_is_kept_and_asked_about_where_it_is_far_from_flow_and_minutes(
    doe: Command, tmp_path: Path
) -> None:
    # by hand: 5 K/min up from 20 °C and down to the rig's temperature of unloading, then flush;
    # 1 mL of cold water is 0.998 g at 20 °C (IAPWS-95, as rounded in tables)
    T, flow, time = settings_of(3)
    rig = workflow.load("mint", tmp_path).rig
    assert rig.heat_up_rate == 5
    minutes = (T - 20) / 5 + time + (T - rig.unload_temperature) / rig.cool_down_rate
    minutes += rig.flush_time or 0.0
    expected = 0.998 * flow * minutes
    sheet = given("s.csv", f"run,water_pumped_g\n3,{1.1 * expected:.1f}\n4,\n")
    assert "water-far-off" not in warned(doe("record", "mint", sheet, "--json"))
    with Path("designs/mint/runs.csv").open(newline="") as file:
        row = next(row for row in csv.DictReader(file) if row["run"] == "3")
    assert (row["water_pumped_g"], row["status"]) == (f"{1.1 * expected:.1f}", "planned")
    sheet = given("s.csv", f"run,water_pumped_g\n4,{1.1 * expected:.1f}\n3,{0.5 * expected:.1f}\n")
    doe("record", "mint", sheet, status=1)
    said = warned(doe("record", "mint", sheet, "--replace", "--json"))["water-far-off"]
    assert f"flow and minutes give {expected:.0f} g" in said
    assert "50 % less" in said
    page = Path("designs/mint/sheet-stage1.html").read_text()
    run = page[page.index('aria-label="Run 3"') : page.index('aria-label="Run 4"')]
    assert f"(expect {expected:.0f})" in run


def test_a_ledger_without_weighings_has_no_columns_for_them(doe: Command) -> None:
    doe("record", "mint", given("s.csv", "run,furfural_mg_g\n3,0.5\n"))
    heading = Path("designs/mint/runs.csv").read_text().splitlines()[0]
    assert "water" not in heading
    assert "feed_g" not in heading


def test_more_out_than_in_is_asked_about(doe: Command) -> None:
    sheet = given("s.csv", "run,water_pumped_g,drain_1_g,sample_1_mL\n3,240,300,6\n")
    said = warned(doe("record", "mint", sheet, "--json"))["more-out-than-in"]
    assert "its bottles hold 306 g" in said
    assert "240 g of water were weighed in" in said


def test_the_workbook_brings_samples_back(doe: Command) -> None:
    book = openpyxl.load_workbook("designs/mint/sheet-stage1.xlsx")
    sheet = book["runs"]
    header = next(row for row in sheet.iter_rows() if row[0].value == "run")
    at = {cell.value: cell.column for cell in header}
    line = next(r[0].row for r in sheet.iter_rows(min_row=header[0].row + 1) if r[0].value == 2)
    sheet.cell(line, at["sample_3_min"]).value = 15.5
    sheet.cell(line, at["sample_3_g"]).value = 6.1
    book.save("back.xlsx")
    doe("record", "mint", "back.xlsx")
    (row,) = portions()
    assert (row["run"], row["bottle"], row["time_min"], row["mass_g"]) == ("2", "S3", "15.5", "6.1")


def test_bottles_to_draw_stand_in_the_totals(doe: Command, tmp_path: Path) -> None:
    page = (tmp_path / "reports" / "mint-stage1-plan.html").read_text()
    runs = len(Path("designs/mint/runs.csv").read_text().splitlines()) - 1
    assert "samples, a bottle each" in page
    assert f">{3 * runs}<" in page.replace(" ", "").replace("\n", "")


def test_the_extract_counts_samples_beside_what_was_dried_whole(
    command: Command, tmp_path: Path
) -> None:
    derived = (
        '[responses.extract_yield]\ntitle = "extract yield"\nunit = "mg/g"\n',
        '[responses.extract_yield]\nfrom = "yield"\nunit = "%"\n',
    )
    campaign_with(
        tmp_path, PLAN, derived, ('scatter = "4 mg/g"', 'scatter = "0.4"'),
        ("[responses.furfural]", '[feed]\nmoisture = "8 %"\n[responses.furfural]'),
    )  # fmt: skip
    command("plan", "mint")
    sheet = "run,feed_g,extract_dry_g,sample_1_mL,sample_2_mL\n3,12,1.6,6,6\n"
    said = command("record", "mint", given("s.csv", sheet), "--json")
    assert "extract-not-known" in {warning["code"] for warning in said["warnings"]}
    lab = "run,bottle,kind,solids_mg_mL\n3,S1,sample,8\n3,S2,sample,4\n"
    said = command("record", "mint", given("lab.csv", lab), "--json")
    # dry feed 11.04 g; 1600 mg dried, 6 · 8 + 6 · 4 = 72 mg in samples: 15.145 %; discards of 3 mL
    # each at their samples' content: 24 + 12 = 36 mg, 2.2 % of 1672 mg
    with Path("designs/mint/runs.csv").open(newline="") as file:
        row = next(row for row in csv.DictReader(file) if row["run"] == "3")
    assert float(row["extract_yield_pct"]) == pytest.approx(100 * 1.672 / 11.04, abs=5e-4)
    (thrown,) = (w["what"] for w in said["warnings"] if w["code"] == "discard-not-counted")
    assert "6 mL was discarded" in thrown
    assert "0.036 g, 2.2 % of the extract" in thrown


@pytest.mark.parametrize(("discard", "said"), [("3 mL", True), ("4 mL", False)])
def test_a_discard_below_the_line_is_said(command: Command, discard: str, said: bool) -> None:
    command("new", "mint")
    file = Path("designs/mint/campaign.toml")
    plan = f'[samples]\nat = ["10 min"]\ndiscard = "{discard}"\nvolume = "5 mL"\nline = "4 mL"\n'
    file.write_text(file.read_text().replace("[rig]\n", f"{plan}\n[rig]\n", 1))
    codes = {w["code"] for w in command("check", "mint", "--json")["warnings"]}
    assert ("discard-below-line" in codes) == said
