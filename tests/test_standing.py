"""Files that somebody changed by hand, and values that look like slips."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from purpose import for_a_surface

from doe import workflow
from doe.augmenting import AugmentWish
from doe.errors import CampaignFileError, Notice, ResultsError
from doe.modelling import observations
from doe.recording import take_in
from doe.sheet import read_sheet_text
from doe.standing import ledger_or_empty
from doe.wording import runs_in_words


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A planned campaign."""
    for_a_surface(workflow.new("mint", tmp_path).files[0])
    workflow.plan("mint", tmp_path)
    return tmp_path / "designs" / "mint"


def told(folder: Path) -> dict[str, str]:
    """What `status` warns of, by code."""
    return {n.code: n.what for n in workflow.status(str(folder), folder).notices}


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


def change_ledger(folder: Path, change: Callable[[list[dict[str, str]]], None]) -> None:
    """Change the rows of the ledger as somebody with an editor would."""
    path = folder / "runs.csv"
    rows = list(csv.DictReader(io.StringIO(path.read_text())))
    change(rows)
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    path.write_text(text.getvalue())


def recorded(folder: Path, run: int, cells: dict[str, str]) -> tuple[Notice, ...]:
    """Hand in a sheet that fills some cells of one run, and return what is said of it."""
    campaign = workflow.load(str(folder), folder)
    text = ",".join(["run", *cells]) + "\n" + ",".join([str(run), *cells.values()]) + "\n"
    return take_in(campaign, read_sheet_text(text, "sheet", campaign.schema)).notices


def test_an_untouched_campaign_is_warned_of_nothing_but_its_unconfirmed_limits(
    folder: Path,
) -> None:
    assert set(told(folder)) == {"limits-not-confirmed"}


def test_a_lost_row_a_changed_plan_and_a_lost_record_are_noticed(folder: Path) -> None:
    whole = (folder / "runs.csv").read_text()
    change_ledger(folder, lambda rows: rows.pop(4))
    assert "Run 5 " in told(folder)["runs-gone"]
    (folder / "runs.csv").write_text(whole)

    def warmer(rows: list[dict[str, str]]) -> None:
        rows[3]["time_min"] = "45" if rows[3]["time_min"] != "45" else "50"

    change_ledger(folder, warmer)
    assert "plan-changed" in told(folder)
    (folder / "runs.csv").write_text(whole)
    (folder / "stages" / "1.toml").unlink()
    assert "stage-record-gone" in told(folder)


def test_a_changed_file_is_named_by_its_sections(folder: Path) -> None:
    edit(folder / "campaign.toml", 'power = "150 W"', 'power = "200 W"')
    assert "in rig:" in told(folder)["sheet-outdated"]


def test_another_fixed_pressure_says_that_results_stand_for_the_former(folder: Path) -> None:
    edit(folder / "campaign.toml", 'pressure = "50 bar"', 'pressure = "40 bar"')
    what = told(folder)["fixed-settings-changed"]
    assert "pressure 50 bar gauge" in what
    assert "pressure 40 bar gauge" in what


def test_values_that_look_like_slips_are_asked_about(folder: Path) -> None:
    notices = recorded(folder, 1, {"achieved_temperature_C": "1600", "furfural_mg_g": "-0.2"})
    assert {"achieved-far-off", "below-zero"} <= {notice.code for notice in notices}
    assert not {"achieved-far-off", "below-zero"} & {
        notice.code for notice in recorded(folder, 2, {"furfural_mg_g": "0.2"})
    }


@pytest.fixture
def with_modifier(tmp_path: Path) -> Path:
    """A planned campaign with a factor of two levels."""
    path = workflow.new("mint", tmp_path).files[0]
    levels = 'levels = ["none", "0.5 % citric acid"]\nchanges_boiling = false'
    edit(path, "[responses.extract", f"[factors.modifier]\n{levels}\n\n[responses.extract")
    workflow.plan("mint", tmp_path)
    return tmp_path / "designs" / "mint"


def planned_with_acid(folder: Path) -> int:
    rows = csv.DictReader(io.StringIO((folder / "runs.csv").read_text()))
    return next(int(row["run"]) for row in rows if row["modifier"] == "0.5 % citric acid")


def test_an_achieved_level_that_is_not_the_planned_one_is_asked_about(with_modifier: Path) -> None:
    run = planned_with_acid(with_modifier)
    found = recorded(with_modifier, run, {"achieved_modifier": "none"})
    (asked,) = [notice for notice in found if notice.code == "achieved-other-level"]
    assert asked.what == (
        f"Run {run}: modifier none was achieved where 0.5 % citric acid was planned. If that is a "
        "slip, hand the cell in again, with --replace."
    )


@pytest.mark.parametrize(
    "written",
    ["0.5 % citric acid", "0.5% citric acid", "0.5 %  CITRIC acid", "0.5\u00a0% citric acid"],
)
def test_a_level_is_known_without_the_space_before_its_percent_sign(
    with_modifier: Path, written: str
) -> None:
    run = planned_with_acid(with_modifier)
    found = recorded(with_modifier, run, {"achieved_modifier": written})
    assert "achieved-other-level" not in {notice.code for notice in found}


def test_a_value_far_above_all_others_is_asked_about_and_a_steep_response_is_not(
    folder: Path,
) -> None:
    for run, furfural in enumerate(("0.05", "0.4", "3"), start=1):
        found = recorded(folder, run, {"furfural_mg_g": furfural, "extract_yield_mg_g": "40"})
        assert "far-above-others" not in {notice.code for notice in found}
    told = {n.code: n.what for n in recorded(folder, 4, {"furfural_mg_g": "250"})}
    assert (
        "furfural is 250 mg/g, 83 times the highest of the others (3, run 3)"
        in (told["far-above-others"])
    )
    # it is asked until it is corrected
    campaign = workflow.load(str(folder), folder)
    found = (
        workflow.status(str(folder), folder).notices,
        observations(campaign, ledger_or_empty(campaign))[1],
        recorded(folder, 5, {"furfural_mg_g": "2"}),
    )
    for notices in found:
        assert "far-above-others" in {notice.code for notice in notices}
    all_of_it = {n.code: n.what for n in recorded(folder, 6, {"extract_yield_mg_g": "4150"})}
    assert (
        "extract yield is more than all of it (1000 mg/g), 4150 mg/g."
        in (all_of_it["more-than-all"])
    )
    assert "far-above-others" not in all_of_it


def test_status_says_what_may_be_a_slip_before_what_is_missing(command: Callable[..., Any]) -> None:
    command("new", "mint")
    command("plan", "mint")
    rows = list(csv.DictReader(io.StringIO(Path("designs/mint/runs.csv").read_text())))
    told = [f"{row['run']},4{i % 10},{0.2 + i / 50:.2f}" for i, row in enumerate(rows)]
    told[3] = "4,4150,0.3"
    head = "run,extract_yield_mg_g,furfural_mg_g"
    Path("back.csv").write_text("\n".join([head, *told]))
    command("record", "mint", "back.csv")
    said = command("status", "mint").said_out
    assert "Run 4: extract yield is more than all of it (1000 mg/g), 4150 mg/g." in said


def test_a_first_value_far_above_is_asked_about_once_others_show_it(folder: Path) -> None:
    said = [
        "far-above-others" in {n.code for n in recorded(folder, run, {"furfural_mg_g": value})}
        for run, value in enumerate(("850", "0.9", "1.1", "1.0"), start=1)
    ]
    assert said == [False, False, True, True]


def all_recorded(command: Callable[..., Any], in_unit: Callable[[float], float]) -> Any:
    """What `record` says of a sheet whose temperatures are as planned, in some unit."""
    command("new", "mint")
    command("plan", "mint")
    rows = list(csv.DictReader(io.StringIO(Path("designs/mint/runs.csv").read_text())))
    lines = ["run,achieved_temperature_C,extract_yield_mg_g,furfural_mg_g"]
    for i, row in enumerate(rows):
        lines.append(f"{row['run']},{in_unit(float(row['temperature_C'])):.2f},{40 + i},0.{i + 1}")
    Path("back.csv").write_text("\n".join(lines))
    return command("record", "mint", "back.csv", "--json")["warnings"]


def test_temperatures_in_kelvin_are_one_question_and_fit_says_which_runs_boiled(
    command: Callable[..., Any],
) -> None:
    """0 °C is 273.15 K, by the definition of the Celsius temperature (SI Brochure, 2.3.1)."""
    notices = all_recorded(command, lambda celsius: celsius + 273.15)
    asked = [n["what"] for n in notices if n["code"] == "temperature-in-another-unit"]
    assert len(asked) == 1
    assert "looks like kelvin, not °C" in asked[0]
    assert "until then they are left out of every fit, as having boiled" in asked[0]
    assert "If it was °C, limits of the rig were passed." in asked[0]
    codes = {n["code"] for n in notices}
    assert not codes & {"achieved-far-off", "achieved-breaks-limit"}
    wanted = "Next: convert achieved_temperature_C of the sheet to °C, then: doe record mint FILE"
    for words in (("status", "mint"), ("record", "mint", "back.csv", "--dry-run")):
        assert wanted in command(*words).said_out
    said = command("fit", "mint", status=1).said_err
    runs = len(list(csv.DictReader(io.StringIO(Path("designs/mint/runs.csv").read_text()))))
    boiled = "(boiled: the achieved settings lie below saturation)"
    assert f"Measured too, but left out: runs 1 to {runs} {boiled}" in said
    for name in ("fit", "suggest"):
        said = command(name, "mint", status=1).said_err
        assert "runs.csv: Runs 1 to" in said
        assert "achieved_temperature_C looks like kelvin, not °C" in said
        assert "Then: doe record mint FILE --replace" in said


def test_temperatures_in_fahrenheit_are_asked_about_by_that_name(
    command: Callable[..., Any],
) -> None:
    """100 °C is 212 °F, as any table of units has it."""
    notices = all_recorded(command, lambda celsius: 32 + celsius * (212 - 32) / 100)
    asked = [n["what"] for n in notices if n["code"] == "temperature-in-another-unit"]
    assert len(asked) == 1
    assert "looks like °F, not °C" in asked[0]


def test_beside_a_run_in_kelvin_limits_are_told_of_it_as_meant_and_of_others_as_they_stand(
    folder: Path,
) -> None:
    campaign = workflow.load(str(folder), folder)
    planned = campaign.space.names.index("temperature")
    at = {row.run: row.settings[planned] for row in ledger_or_empty(campaign).rows}
    hot = campaign.rig.temperature_max + 20
    text = f"run,achieved_temperature_C,achieved_flow_mL_min\n1,{at[1] + 273.15},900\n2,{hot},\n"
    notices = take_in(campaign, read_sheet_text(text, "sheet", campaign.schema)).notices
    broken = [n.what for n in notices if n.code == "achieved-breaks-limit"]
    assert any(w.startswith("Run 2 as achieved breaks ") for w in broken)
    (of_1,) = (w for w in broken if w.startswith("Run 1 as achieved, if its temperature is in kel"))
    assert "Flow" in of_1
    assert "Hottest" not in of_1
    (danger,) = (n.what for n in notices if n.code == "achieved-limits-passed")
    assert f"Run 2: {hot:g} °C as shown is beyond the rig's temperature_max" in danger
    assert "run 1:" not in danger.lower()


def test_a_limit_passed_as_achieved_is_a_danger_until_the_cell_is_put_right(
    command: Callable[..., Any],
) -> None:
    """The template's rig and disc bear 220 °C; 225 °C at 50 bar gauge is far from boiling."""
    all_recorded(command, lambda celsius: celsius + 0.2)
    assert "achieved-limits-passed" not in {
        n["code"] for n in command("status", "mint", "--json")["warnings"]
    }
    hot = Path("hot.csv")
    hot.write_text("run,achieved_temperature_C\n3,225\n")
    command("record", "mint", str(hot), "--replace")
    for words in ("status", "fit", "suggest"):
        told = command(words, "mint").said_out
        assert "! DANGER, limits were passed by the achieved settings. Run 3: 225 °C" in told
        assert "Ask the competent person for this rig before the next hot run." in told.replace(
            "ask the", "Ask the"
        )
    for page in ("fit", "suggest"):
        stage = 1 if page == "fit" else 2
        text = Path(f"reports/mint-stage{stage}-{page}.html").read_text(encoding="utf-8")
        assert text.count("DANGER, limits were passed") == 1
        assert text.index("DANGER, limits were passed") < text.index("<h1>")
    cured = Path("cured.csv")
    cured.write_text("run,achieved_temperature_C\n3,180\n")
    command("record", "mint", str(cured), "--replace")
    assert "DANGER" not in command("status", "mint").said_out


PRESSED = '[factors.pressure]\nlow = "45 bar"\nhigh = "60 bar"\n\n[responses.extract_yield]'
ABOVE = (
    '[factors.pressure_above_saturation]\nlow = "12 bar"\nhigh = "30 bar"\n\n'
    "[responses.extract_yield]"
)


@pytest.mark.parametrize(
    ("factor", "cells", "told"),
    [
        (PRESSED, {"achieved_pressure_barg": "99"}, "where the rupture disc may open"),
        (ABOVE, {"achieved_pressure_above_saturation_bar": "150"}, "the vessel's rating"),
    ],
    ids=["pressure", "above saturation"],
)
def test_a_pressure_passed_is_a_danger_though_no_temperature_was_written_down(
    command: Callable[..., Any], factor: str, cells: dict[str, str], told: str
) -> None:
    """The template's disc is marked 100 bar gauge, and its vessel rated 110."""
    command("new", "mint")
    path = Path("designs/mint/campaign.toml")
    text = path.read_text().replace('\npressure = "50 bar"', "")
    path.write_text(text.replace("[responses.extract_yield]", factor, 1))
    command("plan", "mint")
    names, values = zip(*{"run": "2", "extract_yield_mg_g": "40", **cells}.items(), strict=True)
    Path("back.csv").write_text(",".join(names) + "\n" + ",".join(values) + "\n")
    command("record", "mint", "back.csv")
    for words in (("status", "mint"), ("augment", "mint")):
        said = command(*words).said_out
        assert "DANGER, limits were passed by the achieved settings. Run 2:" in said
        assert told in said


def test_a_run_hotter_than_the_pressure_set_for_it_bears_boiled(
    command: Callable[..., Any],
) -> None:
    """By IAPWS-IF97 water boils at 19.1 bara at 210 °C, and at 4.8 at 150 °C: 12 above is 16.8."""
    command("new", "mint")
    path = Path("designs/mint/campaign.toml")
    path.write_text(
        path.read_text().replace('\npressure = "50 bar"', '\npressure_above_saturation = "12 bar"')
    )
    command("plan", "mint")
    rows = list(csv.DictReader(io.StringIO(Path("designs/mint/runs.csv").read_text())))
    celsius, run = min((float(row["temperature_C"]), row["run"]) for row in rows)
    assert celsius <= 150
    Path("back.csv").write_text(f"run,achieved_temperature_C,extract_yield_mg_g\n{run},210,40\n")
    noticed = command("record", "mint", "back.csv", "--json")["warnings"]
    assert any(n["code"] == "boiled" and f"Run {run} boiled" in n["what"] for n in noticed)
    assert f"Run {run} boiled as achieved" in command("status", "mint").said_out


def test_a_blank_under_replace_says_that_it_withdraws_nothing(folder: Path) -> None:
    recorded(folder, 1, {"furfural_mg_g": "0.2", "extract_yield_mg_g": "40"})
    campaign = workflow.load(str(folder), folder)
    sheet = read_sheet_text("run,furfural_mg_g,extract_yield_mg_g\n1,,41\n", "s", campaign.schema)
    result = take_in(campaign, sheet, replace_filled=True)
    assert "blank-changes-nothing" in {notice.code for notice in result.notices}
    assert [change.new for change in result.changes] == ["41"]


@pytest.mark.parametrize(
    ("by", "on", "code"),
    [
        ("AB", "banana", "bad-date"),
        ("AB", "31.01.2026", "bad-date"),
        ("AB", "2999-01-01", "future-date"),
        ("AB", "", "half-confirmed"),
        ("", "2026-01-31", "half-confirmed"),
    ],
)
def test_only_a_name_and_a_day_confirm_the_limits(
    folder: Path, by: str, on: str, code: str
) -> None:
    file = folder / "campaign.toml"
    edit(file, 'limits_confirmed_by = ""', f'limits_confirmed_by = "{by}"')
    edit(file, 'limits_confirmed_on = ""', f'limits_confirmed_on = "{on}"')
    with pytest.raises(CampaignFileError) as caught:
        workflow.load(str(folder), folder)
    assert [problem.code for problem in caught.value.problems] == [code]


def test_a_name_and_a_day_end_the_warning(folder: Path) -> None:
    file = folder / "campaign.toml"
    edit(file, 'limits_confirmed_by = ""', 'limits_confirmed_by = "AB"')
    edit(file, 'limits_confirmed_on = ""', 'limits_confirmed_on = "2026-01-31"')
    assert told(folder) == {}


def test_another_number_of_suggestions_says_that_it_takes_the_place_of_the_former(
    folder: Path,
) -> None:
    campaign = workflow.load(str(folder), folder)
    rows = workflow.status(str(folder), folder).ledger
    assert rows is not None
    lines = ["run,extract_yield_mg_g,furfural_mg_g"]
    for row in rows.rows:
        T, flow, time = row.settings
        lines.append(f"{row.run},{40 + T / 10 + flow + time / 9 + row.run % 3},{T / 200}")
    take_in(campaign, read_sheet_text("\n".join(lines), "s", campaign.schema))
    first = workflow.suggest(str(folder), folder, runs=3, accept=True)
    assert "additions-replaced" not in {notice.code for notice in first.notices}
    second = workflow.suggest(str(folder), folder, runs=2, accept=True, instead=True)
    what = {notice.code: notice.what for notice in second.notices}["additions-replaced"]
    assert what.startswith("Runs 16 to 18 ")
    assert "these 2 stand in their place" in what
    third = workflow.suggest(str(folder), folder, runs=1, accept=True, instead=True)
    what = {notice.code: notice.what for notice in third.notices}["additions-replaced"]
    assert "this one stands in their place" in what


def test_runs_in_words() -> None:
    assert runs_in_words([3]) == "Run 3"
    assert runs_in_words([9, 1, 2, 5, 6, 7]) == "Runs 1, 2, 5 to 7 and 9"


def test_a_run_that_boiled_as_achieved_is_left_out_of_the_fits(folder: Path) -> None:
    # water boils at 264 °C under 50 bar gauge (51.01 bara): IAPWS-IF97, 264.1 °C at 51 bara
    from doe.modelling import observations

    ledger = workflow.status(str(folder), folder).ledger
    assert ledger is not None
    for row in ledger.rows:
        hot = {"achieved_temperature_C": "270"} if row.run == 3 else {}
        recorded(folder, row.run, {"extract_yield_mg_g": str(40 + row.run), **hot})
    campaign = workflow.load(str(folder), folder)
    ledger = workflow.status(str(folder), folder).ledger
    assert ledger is not None
    observed, notices = observations(campaign, ledger)
    reasons = observed["extract_yield"].reasons()
    assert reasons[2] is not None
    assert reasons[2].startswith("boiled")
    assert [reason for i, reason in enumerate(reasons) if i != 2] == [None] * 14
    assert any(notice.code == "boiled" and "Run 3 " in notice.what for notice in notices)
    # status, which counts it as done, says so too, and a run in its place is offered
    said = {notice.code: notice.what for notice in workflow.status(str(folder), folder).notices}
    assert said["boiled"].endswith("making up for it would buy: doe augment mint --by repair")
    added = workflow.augment(str(folder), folder, wish=AugmentWish("repair"))
    assert added.planned is not None
    assert [row.run for row in added.planned.rows if row.notes] == [16]
    assert added.planned.rows[-1].notes == "run 3 again: it boiled as achieved"


def test_runs_are_judged_by_the_pressure_of_their_stage_not_by_one_written_later(
    folder: Path,
) -> None:
    # IAPWS-IF97: at 11 bara (10 bar gauge) water boils at 184 °C, at 51 bara at 264 °C, and at
    # 61 bara at 277 °C
    from doe.modelling import observations

    for run, celsius in ((3, "200"), (5, "270")):
        recorded(folder, run, {"extract_yield_mg_g": "40", "achieved_temperature_C": celsius})
    assert "Run 5 boiled as achieved" in told(folder)["boiled"]
    assert "achieved-limits-passed" in told(folder)

    file = folder / "campaign.toml"
    edit(file, 'pressure = "50 bar"', 'pressure = "10 bar"')
    said = told(folder)
    assert "Run 5 boiled as achieved" in said["boiled"]
    changed = said["fixed-settings-changed"]
    assert "Whether they boiled or passed limits is judged by the former." in changed
    assert said["boiled-if-held"].startswith("Run 3 counts as held at pressure 50 bar gauge")
    assert "as campaign.toml says now, it boiled: then, in runs.csv, set" in said["boiled-if-held"]
    campaign = workflow.load(str(folder), folder)
    observed, _ = observations(campaign, ledger_or_empty(campaign))
    reasons = observed["extract_yield"].reasons()
    assert "boiled" not in (reasons[2] or "")
    assert "boiled" in (reasons[4] or "")
    noticed = recorded(folder, 6, {"extract_yield_mg_g": "41", "achieved_temperature_C": "195"})
    assert not {"boiled", "achieved-breaks-limit"} & {notice.code for notice in noticed}

    edit(file, 'pressure = "10 bar"', 'pressure = "60 bar"')
    said = told(folder)
    assert "Run 5 boiled as achieved" in said["boiled"]
    assert "boiled-if-held" not in said

    edit(file, 'pressure = "60 bar"', 'pressure = "10 bar"')
    (folder / "stages" / "1.toml").unlink()
    said = told(folder)
    assert "Runs 3, 5 and 6 boiled as achieved" in said["boiled"]
    assert "by the fixed settings that campaign.toml has now" in said["stage-record-gone"]


def test_a_pressure_that_the_record_does_not_have_is_taken_from_the_file_and_that_is_said(
    folder: Path,
) -> None:
    recorded(folder, 3, {"extract_yield_mg_g": "40", "achieved_temperature_C": "270"})
    record = folder / "stages" / "1.toml"
    edit(record, '"pressure 50 bar gauge", ', "")
    said = told(folder)
    assert "Run 3 boiled as achieved" in said["boiled"]
    assert (
        "and by pressure 50 bar gauge, of which the former says nothing."
        in (said["fixed-settings-changed"])
    )


@pytest.mark.parametrize(
    "other",
    [
        'pressure = "35.5 bara"',
        'pressure_above_saturation = "12 bar"',
        'pressure = "20 bar"\nwater_to_solid = "30 mL/g"',
    ],
)
def test_fixed_settings_in_words_give_the_same_conditions_again(tmp_path: Path, other: str) -> None:
    """Words keep six digits."""
    campaigns = []
    for name, fixed in (("now", 'pressure = "50 bar"'), ("then", other)):
        file = workflow.new(name, tmp_path).files[0]
        edit(file, 'pressure = "50 bar"', fixed)
        if "water_to_solid" in fixed:
            edit(file, '\nbed_mass = "12 g"', "")
        campaigns.append(workflow.load(str(file), tmp_path))
    now, then = campaigns
    again = now.with_fixed(then.fixed_in_words())
    assert again.fixed_in_words() == then.fixed_in_words()
    rows = then.space.corners()
    got, wanted = again.conditions(rows), then.conditions(rows)
    assert got.temperature_C == pytest.approx(wanted.temperature_C, rel=1e-5)
    assert got.pressure_bara == pytest.approx(wanted.pressure_bara, rel=1e-5)
    assert got.bed_mass_g == pytest.approx(wanted.bed_mass_g, rel=1e-5)


def test_a_danger_says_that_a_limit_may_be_newer_than_the_runs(folder: Path) -> None:
    """The template's rig bears 220 °C; a run at 210 °C kept that."""
    recorded(folder, 3, {"achieved_temperature_C": "210"})
    assert "achieved-limits-passed" not in told(folder)
    edit(folder / "campaign.toml", 'temperature_max = "220 degC"', 'temperature_max = "205 degC"')
    said = told(folder)["achieved-limits-passed"]
    assert said.startswith("DANGER, limits were passed by the achieved settings. Run 3: 210 °C")
    assert "[rig] in campaign.toml changed since stage 1 was planned, so a limit may be newer" in (
        said
    )
    assert "ask the competent person" in said
    (folder / "stages" / "1.toml").unlink()
    said = told(folder)["achieved-limits-passed"]
    assert said.startswith("DANGER, limits were passed by the achieved settings. Run 3: 210 °C")
    assert "Without stages/1.toml it cannot be told whether the limits are older" in said


def test_feed_far_from_planned_and_moisture_written_as_a_share_are_asked_about(
    command, tmp_path
) -> None:
    command("new", "mint")
    path = tmp_path / "designs" / "mint" / "campaign.toml"
    path.write_text(
        path.read_text().replace(
            'unit = "mg/g"\naim = "maximise"',
            'unit = "mg/g"\nfrom = "amount of rutin"\naim = "maximise"',
            1,
        )
    )
    command("plan", "mint")
    sheet = tmp_path / "designs" / "mint" / "sheet-stage1.csv"
    with sheet.open(newline="") as file:
        rows = list(csv.DictReader(file))
    rows[0] |= {"feed_g": "120.1", "feed_moisture_pct": "9"}
    rows[1] |= {"feed_g": "12.1", "feed_moisture_pct": "0.09"}
    with sheet.open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    said = {
        w["code"]: w["what"] for w in command("record", "mint", str(sheet), "--json")["warnings"]
    }
    assert "Run 1: feed_g 120.1 g where 12 g was planned" in said["feed-far-off"]
    assert "write 9" in said["moisture-as-share"]


def test_results_beyond_a_lowered_range_are_kept_and_fitted(folder: Path) -> None:
    campaign = workflow.load(str(folder), folder)
    text = (folder / "sheet-stage1.csv").read_text()
    rows = list(csv.DictReader(io.StringIO(text)))
    hot = [row["run"] for row in rows if float(row["temperature_C"]) > 190]
    assert hot
    lines = [f"{r['run']},{20 + float(r['temperature_C']) / 10 + int(r['run']) % 3}" for r in rows]
    sheet = "\n".join(["run,extract_yield_mg_g", *lines])
    take_in(campaign, read_sheet_text(sheet, "s", campaign.schema))
    edit(folder / "campaign.toml", 'high = "200 degC"', 'high = "190 degC"')
    edit(folder / "campaign.toml", 'temperature_max = "220 degC"', 'temperature_max = "190 degC"')
    fitted = workflow.fit(str(folder), folder).analysis.fits[0]
    assert {int(run) for run in hot} <= set(fitted.runs_used)


def cut_short(notices: tuple[Notice, ...]) -> list[str]:
    return [notice.what for notice in notices if notice.code == "cut-short"]


def test_a_run_that_ended_early_is_asked_about_before_anything_else(folder: Path) -> None:
    row = next(csv.DictReader(io.StringIO((folder / "runs.csv").read_text())))
    minutes = 0.5 * float(row["time_min"])
    cells = {"achieved_time_min": f"{minutes:g}", "furfural_mg_g": "0.2", "left_out_because": ""}
    notices = recorded(folder, 1, cells)
    assert notices[0].code == "cut-short"
    (said,) = cut_short(notices)
    assert f"time {minutes:g} of {float(row['time_min']):g} min planned" in said
    assert "write “repeat: cut short” into left_out_because, cell D2 (run 1)" in said
    assert "doe augment mint --by repair" in said
    assert not any(n.code == "achieved-far-off" and "time" in n.what for n in notices)


@pytest.mark.parametrize(
    ("note", "word"),
    [
        ("pump trip at 31 min", "trip"),
        ("Stopped for the night", "Stopped"),
        ("stripped the lid", ""),
        ("bottle stoppered", ""),
    ],
)
def test_a_note_that_speaks_of_a_stop_is_asked_about(folder: Path, note: str, word: str) -> None:
    said = cut_short(recorded(folder, 1, {"furfural_mg_g": "0.2", "notes": note}))
    assert bool(said) == bool(word)
    assert all(f"speaks of “{word}”" in one for one in said)


def test_what_the_question_offers_does_what_it_says(folder: Path) -> None:
    """The cell, handed in again, leaves the run out, and repair then plans it again."""
    cells = {"furfural_mg_g": "0.2", "notes": "pump trip"}
    assert cut_short(recorded(folder, 1, cells))
    assert not cut_short(recorded(folder, 1, {**cells, "left_out_because": "repeat: trip"}))
    result = workflow.status(str(folder), folder)
    assert result.next_step.command == "doe augment mint --by repair"


@pytest.mark.parametrize(
    ("unit", "in_unit"),
    [("kelvin", lambda celsius: celsius + 273), ("°F", lambda celsius: 32 + celsius * 1.8)],
)
def test_planned_temperatures_that_came_back_in_another_unit_are_named_by_it(
    folder: Path, unit: str, in_unit: Callable[[float], float]
) -> None:
    campaign = workflow.load(str(folder), folder)
    at = ledger_or_empty(campaign).rows[0].settings[campaign.space.names.index("temperature")]
    text = f"run,temperature_C\n1,{in_unit(at):g}\n"
    with pytest.raises(ResultsError) as refused:
        take_in(campaign, read_sheet_text(text, "sheet", campaign.schema))
    said = str(refused.value)
    assert f"that is {at:g} °C in {unit}" in said
    assert "planned settings stay as they were printed, in °C" in said
