"""`doe suggest` at work: kinds, recommended settings, the verdict on confirming runs."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest
from CoolProp.CoolProp import PropsSI
from test_loop import Command, doe, fill, made_up_results
from typer.testing import CliRunner

from doe.cli import app
from doe.suggest import KINDS, PURPOSES
from tests.made_once import made_once

__all__ = ["doe"]


def test_help_says_what_each_kind_of_run_is_for(doe: Command) -> None:
    said = " ".join(CliRunner().invoke(app, ["suggest", "--help"]).output.split())
    assert all(f"{kind} ({PURPOSES[kind]})" in said for kind in KINDS)


def test_kinds_and_the_verdict_on_confirming_runs(doe: Command, tmp_path: Path) -> None:
    doe("new", "mint")
    doe("plan", "mint")
    folder = tmp_path / "designs" / "mint"
    early = doe("suggest", "mint", "--json", status=1)["errors"][0]
    assert early["code"] == "no-results"
    assert "doe record mint" in early["remedy"]
    back = fill(folder / "sheet-stage1.csv", tmp_path / "back.csv", made_up_results)
    doe("record", "mint", str(back))
    unknown = doe("suggest", "mint", "--kind", "guess", "--json", status=1)["errors"][0]
    assert unknown["code"] == "unknown-kind"
    without = doe("suggest", "mint", "--no-kind", "sharpen", "--no-kind", "seek", "--json")
    assert not {"sharpen", "seek"} & {run["kind"] for run in without["runs"]}
    one = doe("suggest", "mint", "--kind", "confirm", "--runs", "1", "--accept", "--json")
    assert one["runs"][0]["kind"] == "confirm"
    assert one["runs"][0]["settings"] == one["recommended"]["settings"]
    back = fill(folder / "sheet-stage2.csv", tmp_path / "back2.csv", made_up_results)
    doe("record", "mint", str(back))
    verdicts = [n for n in doe("fit", "mint", "--json")["warnings"] if n["code"] == "confirmation"]
    assert len(verdicts) == 1
    said = one["runs"][0]["reason"]
    promised = re.findall(r"[\d.]+ to [\d.]+ mg/g", said)
    assert len(promised) == 2
    for interval in promised:
        assert f"within the {interval} promised for it" in verdicts[0]["what"]
    # the record decides, not a model fitted since
    path = folder / "stages" / "2.toml"
    text = path.read_text(encoding="utf-8")
    low = re.search(r'"extract_yield" = \[([\d.]+)', text)
    assert low is not None
    path.write_text(text.replace(low[1], "90"), encoding="utf-8")
    told = [n for n in doe("fit", "mint", "--json")["warnings"] if n["code"] == "confirmation"]
    assert re.search(r"outside the 90(\.0+)? to", told[0]["what"])
    path.write_text(text, encoding="utf-8")
    assert "it held" in verdicts[0]["what"]
    assert "found again" not in verdicts[0]["what"]
    run = one["runs"][0]["run"]
    (folder / "derived.csv").write_text(f"run,closure_pct\n{run},82.5\n", encoding="utf-8")
    lossy = [n for n in doe("fit", "mint", "--json")["warnings"] if n["code"] == "confirmation"]
    assert "it did not hold" in lossy[0]["what"]
    assert "82.5 % was found again, outside the 90 to 105 %" in lossy[0]["what"]


@pytest.fixture
def recorded(doe: Command, tmp_path: Path) -> Path:
    """The folder of a campaign whose first stage is recorded whole."""
    folder = tmp_path / "designs" / "mint"

    def record() -> None:
        doe("new", "mint")
        doe("plan", "mint")
        back = fill(folder / "sheet-stage1.csv", tmp_path / "back.csv", made_up_results)
        doe("record", "mint", str(back))

    made_once(tmp_path, "the template, its first stage recorded", record)
    return folder


@pytest.mark.usefixtures("recorded")
def test_fit_and_suggest_recommend_the_same_settings_and_say_by_which_evidence(
    doe: Command,
) -> None:
    fitted = doe("fit", "mint", "--json")["optimum"]
    suggested = doe("suggest", "mint", "--json")["recommended"]
    assert fitted["settings"] == suggested["settings"]
    assert fitted["predictions"] == suggested["predictions"]
    assert fitted["evidence"] == suggested["evidence"]
    agree = fitted["by_polynomials"]["settings"] == fitted["settings"]
    assert ("agree" in fitted["evidence"]) == agree
    assert ("predicted R²" in fitted["evidence"]) != agree
    # accepted suggestions that nobody has run change nothing of it
    doe("suggest", "mint", "--accept")
    assert doe("fit", "mint", "--json")["optimum"]["settings"] == fitted["settings"]


def test_suggesting_from_fewer_runs_than_terms_says_how_many_are_missing(
    doe: Command, tmp_path: Path
) -> None:
    doe("new", "mint")
    doe("plan", "mint")

    def only_two(row: dict[str, str]) -> dict[str, str]:
        return made_up_results(row) if int(row["run"]) <= 2 else {}

    sheet = tmp_path / "designs" / "mint" / "sheet-stage1.csv"
    doe("record", "mint", str(fill(sheet, tmp_path / "back.csv", only_two)))
    refused = doe("suggest", "mint", "--json", status=1)["errors"]
    (error,) = refused
    assert error["code"] == "too-few-runs"
    assert "extract yield and furfural: 2 runs measured" in error["what"]
    assert error["what"].count("extract yield") == 1
    assert "Runs 3 to 15 are planned and not recorded yet." in error["what"]
    assert error["remedy"].startswith("Make these first")
    assert error["remedy"].endswith("doe record mint FILE")


def test_suggesting_on_a_rig_that_can_run_nothing_any_more_names_the_file_and_writes_nothing(
    doe: Command, recorded: Path
) -> None:
    path = recorded / "campaign.toml"
    text = path.read_text(encoding="utf-8")
    heater = 'power = "400 W"\nefficiency'
    assert heater in text
    path.write_text(text.replace(heater, 'power = "20 W"\nefficiency'), encoding="utf-8")
    ledger = (recorded / "runs.csv").read_bytes()
    refused = doe("suggest", "mint", "--accept", "--json", status=1)["errors"]
    assert refused[0]["code"] == "no-feasible-setting"
    assert refused[0]["where"]["file"].endswith("campaign.toml")
    assert "limits of the rig" in refused[0]["remedy"]
    assert refused[0]["remedy"].endswith("doe check mint")
    assert (recorded / "runs.csv").read_bytes() == ledger
    assert not (recorded / "sheet-stage2.csv").exists()


def test_a_response_never_measured_is_named_and_the_others_go_on(
    doe: Command, tmp_path: Path
) -> None:
    doe("new", "mint")
    doe("plan", "mint")

    def no_furfural(row: dict[str, str]) -> dict[str, str]:
        return {**made_up_results(row), "furfural_mg_g": ""}

    sheet = tmp_path / "designs" / "mint" / "sheet-stage1.csv"
    doe("record", "mint", str(fill(sheet, tmp_path / "back.csv", no_furfural)))
    found = doe("suggest", "mint", "--json")
    assert found["runs"]
    assert found["stop"]["verdict"] == "measure"
    assert found["stop"]["advice"] == "Measure furfural first: no run has a value."
    assert doe("suggest", "mint").out.rstrip().endswith("Next: doe record mint FILE")
    assert {"response-not-fitted", "limit-unknown"} <= {n["code"] for n in found["warnings"]}
    assert set(found["runs"][0]["predictions"]) == {"extract_yield"}


def test_nothing_is_accepted_while_planned_runs_wait(doe: Command, tmp_path: Path) -> None:
    doe("new", "mint")
    doe("plan", "mint")
    folder = tmp_path / "designs" / "mint"

    def first_twelve(row: dict[str, str]) -> dict[str, str]:
        return made_up_results(row) if int(row["run"]) <= 12 else {}

    back = fill(folder / "sheet-stage1.csv", tmp_path / "back.csv", first_twelve)
    doe("record", "mint", str(back))
    ledger = (folder / "runs.csv").read_bytes()
    assert doe("suggest", "mint", "--json")["stop"]["advice"] == "Make the planned runs first."
    refused = doe("suggest", "mint", "--accept", "--json", status=1)["errors"][0]
    assert refused["code"] == "planned-runs-wait"
    assert "Runs 13 to 15 are planned" in refused["what"]
    assert "doe record mint FILE" in refused["remedy"]
    assert (folder / "runs.csv").read_bytes() == ledger


def test_a_spent_budget_is_said_first_and_takes_no_runs_unless_they_are_asked_for(
    doe: Command, recorded: Path
) -> None:
    path = recorded / "campaign.toml"
    text = path.read_text(encoding="utf-8")
    fewer, changed = re.subn(r"(?m)^# runs = \d+", "runs = 15", text)
    assert changed == 1
    path.write_text(fewer, encoding="utf-8")
    stop = doe("suggest", "mint", "--json")["stop"]
    assert stop["advice"].startswith("The budget is spent")
    assert "15 are made" in stop["advice"]
    assert "doe suggest mint --kind confirm --runs 3. One more day, " in stop["why"]
    ledger = (recorded / "runs.csv").read_bytes()
    refused = doe("suggest", "mint", "--accept", "--json", status=1)["errors"][0]
    assert refused["code"] == "budget-spent"
    assert (recorded / "runs.csv").read_bytes() == ledger
    # 400 g less a quarter, 12 g a run: 25 runs; 6 days of 3 runs
    many = doe("suggest", "mint", "--runs", "20", "--json")["stop"]["advice"]
    assert "there are 35 runs; the budget carries 15 (what decides: runs)" in many
    assert "Beyond what they carry too: days (they go on to day " in many
    assert "of 6) and feedstock (25)." in many
    assert doe("suggest", "mint", "--runs", "2", "--accept", "--json")["accepted"]


def test_an_aim_never_measured_confirms_nothing(doe: Command, tmp_path: Path) -> None:
    doe("new", "mint")
    doe("plan", "mint")

    def no_yield(row: dict[str, str]) -> dict[str, str]:
        return {**made_up_results(row), "extract_yield_mg_g": ""}

    sheet = tmp_path / "designs" / "mint" / "sheet-stage1.csv"
    doe("record", "mint", str(fill(sheet, tmp_path / "back.csv", no_yield)))
    found = doe("suggest", "mint", "--json")
    assert found["stop"]["verdict"] == "measure"
    assert "extract yield" in found["stop"]["advice"]
    assert all("judged by" not in run["reason"] for run in found["runs"])


@pytest.mark.usefixtures("recorded")
def test_runs_have_the_keys_of_a_plan_and_are_those_that_accepting_plans(
    doe: Command, tmp_path: Path
) -> None:
    shown = doe("suggest", "mint", "--runs", "3", "--json")
    assert {"run", "stage", "plot", "block", "lot", "day", "kind", "settings"} <= set(
        shown["runs"][0]
    )
    accepted = doe("suggest", "mint", "--runs", "3", "--accept", "--json")
    assert accepted["runs"] == shown["runs"]
    ledger = (tmp_path / "designs" / "mint" / "runs.csv").read_bytes()
    for _ in range(2):
        assert doe("suggest", "mint", "--runs", "3", "--accept", "--json")["runs"] == shown["runs"]
        assert (tmp_path / "designs" / "mint" / "runs.csv").read_bytes() == ledger


def test_lot_plot_day_and_the_pressure_to_set_stand_wherever_runs_are_listed(
    doe: Command, tmp_path: Path
) -> None:
    doe("new", "mint")
    folder = tmp_path / "designs" / "mint"
    text = (folder / "campaign.toml").read_text(encoding="utf-8")
    for was, now in (
        ('pressure = "50 bar"', 'pressure_above_saturation = "12 bar"'),
        ('# change = "hard"', 'change = "hard"'),
        ("# hard_changes_per_day = 1", "hard_changes_per_day = 2"),
        ("# [feed.lots]", "[feed.lots]"),
        ("# spring =", "spring ="),
        ("# autumn =", "autumn ="),
        ("days = 6", "days = 8"),
    ):
        assert was in text
        text = text.replace(was, now, 1)
    (folder / "campaign.toml").write_text(text, encoding="utf-8")
    planned = doe("plan", "mint", "--runs", "18", "--json")["runs"]
    back = fill(folder / "sheet-stage1.csv", tmp_path / "back.csv", made_up_results)
    doe("record", "mint", str(back))
    said = doe("suggest", "mint", "--runs", "4")
    runs = doe("suggest", "mint", "--runs", "4", "--json")["runs"]
    page = (tmp_path / "reports" / "mint-stage2-suggest.html").read_text(encoding="utf-8")
    for run in (*planned, *runs):
        # IAPWS-95 by CoolProp: saturation, and 12 bar above it, shown as gauge
        kelvin = run["settings"]["temperature_C"] + 273.15
        boiling = PropsSI("P", "T", kelvin, "Q", 0, "Water") / 1e5
        pressure = run["also_set"]["pressure_barg"]
        assert 0 <= pressure - (boiling + 12 - 1.01325) < 0.11
        assert run["lot"] in ("spring", "autumn")
    for run in runs:
        row = rf"\s+{run['run']}\s+{run['day']}\s+{run['plot']}\s+{run['lot']}\s+{run['kind']}\s"
        assert re.search(row + rf".*{run['also_set']['pressure_barg']:.1f}\n", said.out)
        assert f"{run['also_set']['pressure_barg']:.1f} bar gauge" in page
    for heading in ("day", "whole plot", "lot", "pressure to set"):
        assert f">{heading}</th>" in page
        assert f">{heading}</th>" in (tmp_path / "reports" / "mint-stage1-plan.html").read_text(
            encoding="utf-8"
        )


def test_no_day_has_more_settings_of_what_is_hard_to_change_than_the_file_allows(
    doe: Command, tmp_path: Path
) -> None:
    doe("new", "mint")
    path = tmp_path / "designs" / "mint" / "campaign.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("# hard_changes_per_day", "hard_changes_per_day"), "utf-8")
    doe("plan", "mint")
    back = fill(path.parent / "sheet-stage1.csv", tmp_path / "back.csv", made_up_results)
    doe("record", "mint", str(back))
    doe("suggest", "mint", "--runs", "5", "--accept")
    with (path.parent / "runs.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    for day in {row["day"] for row in rows}:
        assert len({row["temperature_C"] for row in rows if row["day"] == day}) == 1
    assert len({row["temperature_C"] for row in rows if row["stage"] == "2"}) > 1


@pytest.mark.parametrize(("runs", "done"), [(1, False), (2, True)])
def test_one_fresh_run_that_held_confirms_nothing(
    doe: Command, recorded: Path, runs: int, done: bool
) -> None:
    doe("suggest", "mint", "--kind", "confirm", "--runs", str(runs), "--accept")
    back = fill(recorded / "sheet-stage2.csv", recorded / "back2.csv", made_up_results)
    doe("record", "mint", str(back))
    for words in ("fit", "suggest", "status"):
        told = doe(words, "mint").out
        assert ("Confirmed, done: " in told) == done
    assert "it held" in doe("fit", "mint").out


def test_a_confirmation_that_failed_leads_and_an_earlier_setting_is_run_again(
    doe: Command, recorded: Path
) -> None:
    def far_below(row: dict[str, str]) -> dict[str, str]:
        row = made_up_results(row)
        return row | {"extract_yield_mg_g": str(0.5 * float(row["extract_yield_mg_g"]))}

    doe("suggest", "mint", "--kind", "confirm", "--runs", "2", "--accept")
    doe("record", "mint", str(fill(recorded / "sheet-stage2.csv", recorded / "b.csv", far_below)))
    found = doe("suggest", "mint", "--runs", "3", "--json")
    assert found["stop"]["verdict"] == "go-on"
    assert found["stop"]["advice"].startswith("Go on: runs 16 and 17 did not confirm")
    assert "it did not hold" in found["stop"]["why"]
    kinds = [run["kind"] for run in found["runs"]]
    assert "confirm" not in kinds
    (one,) = doe("suggest", "mint", "--runs", "1", "--json")["runs"]
    assert "runs 16 and 17 was unlike" in one["reason"]
    (again,) = (run for run in found["runs"] if "runs 16 and 17 was unlike" in run["reason"])
    with (recorded / "runs.csv").open(encoding="utf-8", newline="") as file:
        confirming = list(csv.DictReader(file))[-1]
    assert all(float(confirming[key]) == value for key, value in again["settings"].items())
    for words in ("fit", "status"):
        told = " ".join(doe(words, "mint").out.split())
        assert "did not confirm" in told or "it did not hold" in told.partition("Workspace")[0]
    assert "did not confirm" in "".join(doe("fit", "mint").out.splitlines()[:5])
    assert doe("status", "mint", "--json")["warnings"][0]["code"] == "confirmation"
    path = recorded / "campaign.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("# runs = 20", "runs = 17"), "utf-8")
    spent = doe("suggest", "mint", "--json")["stop"]
    failed = "Runs 16 and 17 did not confirm what was recommended. The budget is spent"
    assert spent["advice"].startswith(failed)
    assert "--kind confirm" not in spent["why"]
    assert spent["why"].endswith("doe suggest mint --runs 1")


@pytest.mark.parametrize(
    ("value", "verdict"),
    [("<0.05", "it held"), (">2.4", "misses its limit"), (">0.5", "cannot be told")],
)
def test_values_beyond_detection_confirm_only_what_they_leave_no_doubt_of(
    doe: Command, recorded: Path, value: str, verdict: str
) -> None:
    """The template's limit is 2 mg/g of furfural."""

    def limited(row: dict[str, str]) -> dict[str, str]:
        return made_up_results(row) | {"furfural_mg_g": value}

    doe("suggest", "mint", "--kind", "confirm", "--runs", "2", "--accept")
    doe("record", "mint", str(fill(recorded / "sheet-stage2.csv", recorded / "b.csv", limited)))
    warnings = doe("fit", "mint", "--json")["warnings"]
    (what,) = (w["what"] for w in warnings if w["code"] == "confirmation")
    assert verdict in what
    assert ("Confirmed, done" in doe("status", "mint").out) == (value == "<0.05")


def test_runs_made_elsewhere_neither_confirm_nor_refute(doe: Command, recorded: Path) -> None:
    def colder(row: dict[str, str]) -> dict[str, str]:
        cells = made_up_results(row)
        return cells | {"achieved_temperature_C": str(float(row["temperature_C"]) - 15)}

    doe("suggest", "mint", "--kind", "confirm", "--runs", "2", "--accept")
    doe("record", "mint", str(fill(recorded / "sheet-stage2.csv", recorded / "b.csv", colder)))
    why = doe("suggest", "mint", "--json")["stop"]["why"]
    assert "it did not hold. Run 16 at " in why
    assert "tell nothing of it." in why
    assert "Run the settings to be confirmed themselves." in why
    assert "unlike the others" not in why


def test_a_limit_that_was_missed_within_the_interval_asks_for_no_run_again(
    doe: Command, recorded: Path
) -> None:
    doe("suggest", "mint", "--kind", "confirm", "--runs", "2", "--accept")
    path = recorded / "campaign.toml"
    text = path.read_text(encoding="utf-8")
    assert text.count('limit = "2 mg/g"') == 1
    path.write_text(text.replace('limit = "2 mg/g"', 'limit = "0.01 mg/g"'), encoding="utf-8")
    back = fill(recorded / "sheet-stage2.csv", recorded / "b.csv", made_up_results)
    doe("record", "mint", str(back))
    found = doe("suggest", "mint", "--runs", "3", "--json")
    assert "misses its limit" in found["stop"]["why"]
    assert "No interval failed, but a limit was missed" in found["stop"]["why"]
    assert "unlike the others" not in found["stop"]["why"]
    assert not any("was unlike the others" in run["reason"] for run in found["runs"])


@pytest.mark.parametrize(
    ("share", "told"),
    [(1.0, "their day was probably low"), (0.5, "the models missed there")],
    ids=["the day", "the models"],
)
def test_what_the_settings_of_a_failed_confirmation_gave_on_another_day_tells_why_it_failed(
    doe: Command, recorded: Path, share: float, told: str
) -> None:
    def at(of_yield: float):
        def changed(row: dict[str, str]) -> dict[str, str]:
            row = made_up_results(row)
            return row | {
                "extract_yield_mg_g": str(of_yield * float(row["extract_yield_mg_g"])),
            }

        return changed

    doe("suggest", "mint", "--kind", "confirm", "--runs", "2", "--accept")
    doe("record", "mint", str(fill(recorded / "sheet-stage2.csv", recorded / "b.csv", at(0.5))))
    doe("suggest", "mint", "--runs", "3", "--accept")
    doe("record", "mint", str(fill(recorded / "sheet-stage3.csv", recorded / "c.csv", at(share))))
    found = doe("fit", "mint", "--json")
    (what,) = (w["what"] for w in found["warnings"] if w["code"] == "confirmation")
    assert told in what
    assert "on another day" in what
    assert told in doe("suggest", "mint", "--json")["stop"]["why"]
    assert told in doe("status", "mint").said_out
    # on the day of the confirming runs, or on none that is known, it tells nothing and stays open
    with (recorded / "runs.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    for day in (rows[15]["day"], ""):
        for row in rows[17:]:
            row["day"] = day
        with (recorded / "runs.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
        stop = doe("suggest", "mint", "--json")["stop"]
        assert stop["advice"].startswith("Go on: runs 16 and 17 did not confirm")
        assert "tells nothing of why" in stop["why"]
        assert told not in stop["why"]


def test_a_confirmation_that_held_is_no_warning_and_ends_with_the_report(
    doe: Command, recorded: Path
) -> None:
    doe("suggest", "mint", "--kind", "confirm", "--runs", "3", "--accept")
    back = fill(recorded / "sheet-stage2.csv", recorded / "back2.csv", made_up_results)
    doe("record", "mint", str(back))
    said = doe("suggest", "mint").out
    assert said.splitlines()[2].startswith("Confirmed, done: ")
    assert "\nConfirmation, runs 16 to 18: it held." in said
    assert "! Confirmation" not in said
    assert said.rstrip().endswith("Next: doe fit mint")
    found = doe("suggest", "mint", "--json")
    assert found["stop"]["verdict"] == "stop"
    assert found["runs"] == []
    # what more runs buy is told so that it does not gainsay the end
    least, each = (
        float(re.search(pattern, found["stop"]["why"])[1])
        for pattern in (
            r"More runs pay from ([\d.]+)",
            r"these bring (?:about |less than )?([\d.]+)",
        )
    )
    told = "better ones may be found" if each > least else "Whoever wants more runs all the same"
    assert told in found["stop"]["why"]
    ledger = (recorded / "runs.csv").read_bytes()
    assert (
        doe("suggest", "mint", "--accept", "--json", status=1)["errors"][0]["code"] == "confirmed"
    )
    assert (recorded / "runs.csv").read_bytes() == ledger
    # every command leads with it, and the last word is the report, not a round of commands
    report = "Next: read reports/mint-stage2-fit.html"
    for words in ("fit", "suggest", "status"):
        told = doe(words, "mint").out
        assert "Confirmed, done: " in "\n".join(told.splitlines()[:6])
        assert told.rstrip().endswith(report)
    page = (recorded.parent.parent / "reports" / "mint-stage2-fit.html").read_text(encoding="utf-8")
    assert 0 < page.index("Confirmed, done: ") < page.index("°C", page.index("<h1"))
    assert "What to run next" not in page
    # whoever asks for runs gets them
    asked = doe("suggest", "mint", "--runs", "2", "--json")
    assert len(asked["runs"]) == 2
    assert asked["stop"]["advice"].startswith("Confirmed, done: ")
    assert doe("status", "mint", "--json")["next_command"] is None  # a page is read, nothing typed
    assert doe("status", "mint").out.rstrip().splitlines()[-1].startswith("Next: read reports/")
    assert doe("suggest", "mint", "--runs", "2", "--accept", "--json")["accepted"]
    assert "Confirmed, done" not in doe("status", "mint").out


def test_accepted_runs_that_wait_are_said_first_and_thrown_away_only_when_asked(
    doe: Command, recorded: Path
) -> None:
    first = doe("suggest", "mint", "--kind", "confirm", "--runs", "2", "--accept", "--json")
    ledger, sheet = (recorded / name for name in ("runs.csv", "sheet-stage2.csv"))
    waiting, promised = ledger.read_bytes(), sheet.read_bytes()
    shown = doe("suggest", "mint", "--runs", "3", "--json")
    assert shown["stop"]["verdict"] == "planned-first"
    assert shown["stop"]["advice"].startswith("Runs 16 and 17 are accepted and wait")
    at = first["runs"][0]["settings"]
    assert f"{at['temperature_C']:g} °C, {at['flow_mL_min']:g} mL/min" in shown["stop"]["why"]
    assert [run["run"] for run in shown["runs"]] == [18, 19, 20]
    page = (recorded.parent.parent / "reports" / "mint-stage3-suggest.html").read_text(
        encoding="utf-8"
    )
    assert page.index("Next on the rig: runs 16 and 17") < page.index(">18</td>")
    assert {run["stage"] for run in shown["runs"]} == {3}
    refused = doe("suggest", "mint", "--runs", "3", "--accept", "--json", status=1)["errors"]
    assert [error["code"] for error in refused] == ["accepted-runs-wait"]
    assert refused[0]["remedy"].endswith("doe suggest mint --runs 3 --accept --replace")
    assert (ledger.read_bytes(), sheet.read_bytes()) == (waiting, promised)
    again = doe("suggest", "mint", "--kind", "confirm", "--runs", "2", "--accept", "--json")
    assert again["runs"] == first["runs"]
    assert (ledger.read_bytes(), sheet.read_bytes()) == (waiting, promised)
    assert "--accept" in doe("suggest", "mint", "--replace", status=2).err
    instead = doe("suggest", "mint", "--runs", "3", "--accept", "--replace", "--json")
    assert [run["run"] for run in instead["runs"]] == [16, 17, 18]
    kept = [file.read_bytes() for file in (recorded / "history").iterdir()]
    assert waiting in kept
    assert promised in kept


def test_days_begun_are_used_up_and_beyond_the_last_one_is_said_first(
    doe: Command, recorded: Path
) -> None:
    """One run alone takes its day: the days decide, not how many runs a full day would hold."""
    path = recorded / "campaign.toml"
    text = path.read_text(encoding="utf-8")
    with (recorded / "runs.csv").open(newline="") as file:
        last = max(int(row["day"]) for row in csv.DictReader(file))
    changed, times = re.subn(r"(?m)^days = \d+", f"days = {last + 1}", text)
    assert times == 1
    path.write_text(re.sub(r"(?m)^feedstock = .*", 'feedstock = "5 kg"', changed), encoding="utf-8")
    before = doe("status", "mint", "--json")["left_to_plan"]
    assert before > 1
    one = doe("suggest", "mint", "--kind", "repeat", "--runs", "1", "--accept", "--json")
    assert one["runs"][0]["day"] == last + 1
    back = fill(recorded / "sheet-stage2.csv", recorded / "back2.csv", made_up_results)
    doe("record", "mint", str(back))
    assert doe("status", "mint", "--json")["left_to_plan"] == 0
    said = doe("status", "mint").said_out
    assert f"Days 1 to {last + 1} of {last + 1} in the budget are taken by " in said
    assert "none left to plan." in said
    assert doe("suggest", "mint", "--json")["stop"]["advice"].startswith("No day of the budget")
    refused = doe("suggest", "mint", "--accept", "--json", status=1)["errors"][0]
    assert refused["code"] == "budget-spent"
    assert f"up to day {last + 1}" in refused["what"]
    beyond = doe("suggest", "mint", "--runs", "1", "--json")
    said = f"Beyond the budget: with these the runs go on to day {last + 2}"
    assert beyond["stop"]["advice"].startswith(said)
    assert "over-budget" in {notice["code"] for notice in beyond["warnings"]}
