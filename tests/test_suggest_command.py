"""`doe suggest` at work: kinds, recommended settings, the verdict on confirming runs."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from test_loop import Command, doe, fill, made_up_results

__all__ = ["doe"]


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
    assert "outside the 90 to" in told[0]["what"]
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
    doe("new", "mint")
    doe("plan", "mint")
    folder = tmp_path / "designs" / "mint"
    back = fill(folder / "sheet-stage1.csv", tmp_path / "back.csv", made_up_results)
    doe("record", "mint", str(back))
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
    assert {error["code"] for error in refused} == {"too-few-runs"}
    assert "extract yield" in refused[0]["what"]
    assert "2 " in refused[0]["what"]
    assert refused[0]["remedy"]


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
    assert "limits of the rig" in refused[0]["remedy"]
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
    assert found["stop"]["advice"] == "Go on: nothing is known of furfural."
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
    assert stop["why"].startswith("One more day, ")
    ledger = (recorded / "runs.csv").read_bytes()
    refused = doe("suggest", "mint", "--accept", "--json", status=1)["errors"][0]
    assert refused["code"] == "budget-spent"
    assert (recorded / "runs.csv").read_bytes() == ledger
    assert doe("suggest", "mint", "--runs", "2", "--accept", "--json")["accepted"]
