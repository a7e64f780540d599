"""Blank and sacrificial first runs: planned, counted, printed, recorded, never fitted."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from doe.campaign_file import read_campaign
from doe.errors import CampaignFileError

Command = Callable[..., Any]
ORDER = '[order]\nfirst_runs = ["blank", "sacrificial"]\n\n'


def with_order(text: str = ORDER) -> Path:
    file = Path("designs/mint/campaign.toml")
    file.write_text(file.read_text().replace("[fixed]\n", f"{text}[fixed]\n", 1))
    return file


@pytest.fixture
def doe(command: Command) -> Command:
    """The command in a workspace with a planned campaign that begins with both."""
    command("new", "mint")
    with_order()
    command("plan", "mint")
    return command


def ledger() -> list[dict[str, str]]:
    with Path("designs/mint/runs.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def results(rows: list[dict[str, str]], **others: float) -> str:
    """A filled sheet; an invented yield that rises with temperature, but where `others` says."""
    lines = ["run,extract_yield_mg_g,furfural_mg_g"]
    for row in rows:
        gain = float(row["temperature_C"]) / 4 + float(row["time_min"]) / 10 + int(row["run"]) % 3
        lines.append(
            f"{row['run']},{others.get(row['kind'], gain)},{0.2 + int(row['run']) % 2 / 9}"
        )
    Path("back.csv").write_text("\n".join(lines) + "\n")
    return "back.csv"


def test_they_come_first_at_the_first_runs_settings_on_its_day(doe: Command) -> None:
    rows = ledger()
    assert [row["kind"] for row in rows[:2]] == ["blank", "sacrificial"]
    assert [row["run"] for row in rows] == [str(i) for i in range(1, len(rows) + 1)]
    settings = ("temperature_C", "flow_mL_min", "time_min", "day", "stage")
    first = [rows[2][name] for name in settings]
    assert all([row[name] for name in settings] == first for row in rows[:2])
    assert len({row["plot"] for row in rows}) == len(rows)  # each set up on its own


def test_they_take_days_and_water_and_a_blank_takes_no_feedstock(command: Command) -> None:
    command("new", "mint")
    plain = command("check", "mint", "--json")["affordable"]
    with_order()
    asked = command("check", "mint", "--json")["affordable"]
    bought, now = (
        {part["what"]: part["runs"] for part in each["parts"]} for each in (plain, asked)
    )
    assert now == {"days": bought["days"] - 2, "feedstock": bought["feedstock"] - 1}
    answer = command("plan", "mint", "--json")
    design = len(answer["runs"]) - 2
    page = " ".join(Path("reports/mint-stage1-plan.html").read_text().split())
    assert f"{12 * (design + 1):.1f}" in page  # 12 g a bed, the blank without
    assert "carry-over" in {warning["code"] for warning in answer["warnings"]}
    assert "first_runs" not in {w["code"]: w["what"] for w in answer["warnings"]}["carry-over"]


def test_the_sheet_says_what_they_are(doe: Command) -> None:
    page = Path("designs/mint/sheet-stage1.html").read_text()
    blank = page[page.index('aria-label="Run 1"') : page.index('aria-label="Run 2"')]
    assert "a blank: no feedstock in the vessel" in blank
    assert "Vessel clean and without feedstock" in blank
    assert "Bed weighed and loaded" not in blank
    sacrificial = page[page.index('aria-label="Run 2"') : page.index('aria-label="Run 3"')]
    assert "its extract thrown away" in sacrificial
    assert "Bed weighed and loaded" in sacrificial


def test_whatever_came_out_of_them_changes_no_fit_and_no_suggestion(
    doe: Command, tmp_path: Path
) -> None:
    doe("record", "mint", results(ledger(), blank=0.1, sacrificial=25.0))
    one = doe("fit", "mint", "--json")["responses"]["extract_yield"]
    assert one["runs_used"] == [int(row["run"]) for row in ledger()[2:]]
    left = {item["run"]: item["why"] for item in one["runs_left_out"]}
    assert set(left) == {1, 2}
    assert left[1].startswith("blank")
    first = doe("suggest", "mint", "--runs", "3", "--json")
    doe("record", "mint", results(ledger(), blank=900.0, sacrificial=0.001), "--replace")
    other = doe("fit", "mint", "--json")["responses"]["extract_yield"]
    assert other["terms"] == one["terms"]
    second = doe("suggest", "mint", "--runs", "3", "--json")
    assert second["runs"] == first["runs"]
    doe("suggest", "mint", "--runs", "3", "--accept")
    added = [row for row in ledger() if row["stage"] == "2"]
    assert [row["kind"] for row in added[:2]] == ["blank", "sacrificial"]
    assert [row["run"] for row in added[2:]] == [str(run["run"]) for run in first["runs"]]


def test_a_blank_of_which_only_water_was_weighed_has_been_made(doe: Command) -> None:
    Path("w.csv").write_text("run,water_pumped_g\n1,210\n3,300\n")
    doe("record", "mint", "w.csv")
    status = {row["run"]: row["status"] for row in ledger()}
    assert (status["1"], status["3"]) == ("done", "planned")  # run 3 still owes its results


def test_results_of_them_alone_are_no_results(doe: Command) -> None:
    Path("b.csv").write_text("run,extract_yield_mg_g\n1,0.2\n2,30\n")
    doe("record", "mint", "b.csv")
    assert "no results yet" in doe("fit", "mint", status=1).said_err
    missing = doe("status", "mint", "--json")["missing"]
    assert not any("furfural" in sentence for sentence in missing)


def test_other_words_are_refused(command: Command) -> None:
    command("new", "mint")
    with pytest.raises(CampaignFileError) as caught:
        read_campaign(with_order('[order]\nfirst_runs = ["rinse"]\n'))
    (problem,) = caught.value.problems
    assert (problem.code, problem.where.key) == ("wrong-word", "order.first_runs.0")


def test_a_plan_made_before_the_key_was_written_is_said_to_be_older(command: Command) -> None:
    command("new", "mint")
    command("plan", "mint")
    assert not {"blank", "sacrificial"} & {row["kind"] for row in ledger()}
    said = {w["code"] for w in command("status", "mint", "--json")["warnings"]}
    assert "file-changed" not in said
    with_order()
    (told,) = (
        warning["what"]
        for warning in command("status", "mint", "--json")["warnings"]
        if warning["code"] == "file-changed"
    )
    assert "in order:" in told


def test_status_says_that_a_later_stages_first_runs_count(doe: Command) -> None:
    doe("record", "mint", results(ledger()))
    assert "of later stages counted" not in doe("status", "mint").said_out
    doe("suggest", "mint", "--runs", "1", "--accept")
    last = max(int(row["day"]) for row in ledger())
    said = doe("status", "mint").said_out
    assert f"Days 1 to {last} of {last} in the budget are taken by " in said
    assert "none left to plan; 2 blank or sacrificial runs of later stages counted." in said
