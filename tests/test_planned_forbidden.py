"""Planned runs that the file no longer allows: named first, with the limit, and never sent to.

The template's plan sets 120 to 200 °C. Limits are lowered so far from any of its levels that which
runs they forbid can be read off the ledger; no arithmetic of the rig is repeated here.
"""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest
from test_loop import Command, doe, fill, made_up_results

__all__ = ["doe"]

FOLDER = Path("designs/mint")
COLDER_RIG = (
    ('temperature_max = "220 degC"', 'temperature_max = "185 degC"'),
    ('high = "200 degC"', 'high = "180 degC"'),
)
WEAK_DISC = (('burst_pressure = "100 barg"', 'burst_pressure = "60 barg"'),)


def ledger() -> list[dict[str, str]]:
    with (FOLDER / "runs.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def edit(*changes: tuple[str, str]) -> None:
    file = FOLDER / "campaign.toml"
    text = file.read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) == 1
        text = text.replace(old, new)
    file.write_text(text, encoding="utf-8")


def forbid_above(celsius: float) -> None:
    rule = f'[forbidden.charring]\ntemperature = "above {celsius:g} degC"\nbecause = "it chars"\n'
    edit(("[responses.furfural]", f"{rule}\n[responses.furfural]"))


def waiting(low: float, high: float) -> list[str]:
    """The runs that wait, between two temperatures."""
    return [
        row["run"]
        for row in ledger()
        if row["status"] == "planned" and low < float(row["temperature_C"]) < high
    ]


def leave_out(runs: list[str], because: str) -> None:
    """Do by hand what the remedy says."""
    rows = ledger()
    for row in rows:
        if row["run"] in runs:
            row |= {"status": "left out", "left_out_because": because}
    with (FOLDER / "runs.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def runs_in(text: str) -> list[str]:
    """Run numbers of a text, spans written out."""
    spans = re.findall(r"(\d+)(?: to (\d+))?", text)
    return [str(run) for low, high in spans for run in range(int(low), int(high or low) + 1)]


@pytest.fixture
def planned(doe: Command) -> Command:
    doe("new", "mint")
    doe("plan", "mint")
    return doe


def hand_in(doe: Command, tmp_path: Path, last: int) -> None:
    """Record the first runs."""

    def made(row: dict[str, str]) -> dict[str, str]:
        return made_up_results(row) if int(row["run"]) <= last else {}

    doe("record", "mint", str(fill(FOLDER / "sheet-stage1.csv", tmp_path / "back.csv", made)))


def test_before_the_first_run_forbidden_runs_come_first_and_planning_again_ends_it(
    planned: Command,
) -> None:
    doe, hot = planned, waiting(185, 999)
    assert 0 < len(hot) < len(ledger())
    edit(*COLDER_RIG)
    said = doe("status", "mint")
    lines = said.out.rstrip().splitlines()
    danger = re.search(r"! DANGER, not to be run: (runs .*?) break a limit", said.said_out)
    assert danger is not None
    assert runs_in(danger[1]) == hot
    assert next(line for line in lines if line.startswith("!")).startswith("! DANGER")
    assert "185 °C" in said.said_out
    assert "void" in said.said_out
    assert "Next on the rig" not in said.out
    assert lines[-1] == "Next: doe plan mint"
    for words in (("suggest", "mint"), ("suggest", "mint", "--accept")):
        (refused,) = doe(*words, "--json", status=1)["errors"]
        assert refused["code"] == "planned-forbidden"
    assert doe("status", "mint", "--json")["next_command"] == "doe plan mint"
    doe("plan", "mint")
    again = doe("status", "mint")
    assert "DANGER" not in again.out
    assert "Next on the rig" in again.out
    assert waiting(186, 999) == []


def test_under_way_nothing_sends_to_forbidden_runs_and_the_remedy_told_plans_all_anew(
    planned: Command, tmp_path: Path
) -> None:
    doe = planned
    hand_in(doe, tmp_path, 8)
    hot, others = waiting(185, 999), waiting(0, 185)
    assert hot
    assert others
    forbid_above(185)
    said = doe("status", "mint")
    assert "it chars" in said.said_out
    assert "None is next on the rig" in said.said_out
    told = doe("status", "mint", "--json")
    (danger,) = (w["what"] for w in told["warnings"] if w["code"] == "planned-forbidden")
    assert told["next_command"] == "doe augment mint --by repair"
    for command in ("fit", "suggest"):
        page = doe(command, "mint")
        assert danger in page.said_out.replace("! ", "")
        assert "Make the planned runs first" not in page.said_out
        assert "Next on the rig:" not in page.said_out
    stop = doe("suggest", "mint", "--json")["stop"]
    assert (stop["verdict"], stop["advice"][:6]) == ("planned-first", "DANGER")
    (refused,) = doe("suggest", "mint", "--accept", "--json", status=1)["errors"]
    assert refused["code"] == "planned-forbidden"
    remedy = re.search(
        r"because “limit” for (runs? .*?) and “repeat” for (runs? .*?), then", danger
    )
    assert remedy is not None
    assert [runs_in(part) for part in remedy.groups()] == [hot, others]
    leave_out(hot, "limit")
    leave_out(others, "repeat")
    doe("augment", "mint", "--by", "repair", "--accept")
    again = doe("status", "mint")
    assert "DANGER" not in again.out
    assert "Next on the rig" in again.out
    assert len(waiting(0, 186)) == len(hot) + len(others)
    assert waiting(186, 999) == []


def test_accepted_runs_that_are_forbidden_are_not_sent_to_when_others_are_wanted(
    planned: Command, tmp_path: Path
) -> None:
    doe = planned
    hand_in(doe, tmp_path, 99)
    added = doe("suggest", "mint", "--runs", "2", "--accept", "--json")["runs"]
    hottest = min(run["settings"]["temperature_C"] for run in added)
    forbid_above(hottest - 5)
    (refused,) = doe("suggest", "mint", "--accept", "--json", status=1)["errors"]
    assert refused["code"] == "accepted-runs-wait"
    assert refused["remedy"].startswith("DANGER, not to be run: runs 16 and 17")
    assert "Make them" not in refused["remedy"]
    told = doe("status", "mint", "--json")["next_command"]
    assert told == "doe suggest mint --runs 2 --accept --replace"
    doe(*told.split()[1:])
    assert "DANGER" not in doe("status", "mint").out


def test_runs_planned_anew_for_other_fixed_settings_are_next_on_the_rig(
    planned: Command, tmp_path: Path
) -> None:
    doe = planned
    hand_in(doe, tmp_path, 99)
    doe("suggest", "mint", "--kind", "confirm", "--runs", "2", "--accept")
    edit(('[fixed]\npressure = "50 bar"', '[fixed]\npressure = "45 bar"'))
    told = doe("status", "mint", "--json")["next_command"]
    assert told == "doe suggest mint --runs 2 --kind confirm --accept --replace"
    said = doe(*told.split()[1:])
    assert said.out.rstrip().splitlines()[-1].startswith("Next: doe record mint FILE")
    assert "DANGER" not in doe("status", "mint").out


def test_where_the_rig_can_run_nothing_any_more_the_remedy_is_to_see_why(planned: Command) -> None:
    doe = planned
    edit(*WEAK_DISC)
    said = doe("status", "mint")
    assert "not to be run: runs 1 to 15" in said.said_out
    assert said.out.rstrip().endswith("Next: doe check mint")
    doe("plan", "mint", status=1)
    assert "Operating ratio of the rupture disc" in doe("check", "mint").said_out


def test_under_way_runs_that_wait_are_named_though_the_rig_can_run_nothing_any_more(
    planned: Command, tmp_path: Path
) -> None:
    hand_in(planned, tmp_path, 12)
    edit(*WEAK_DISC)
    for command in ("fit", "suggest"):
        first, second = planned(command, "mint", "--json", status=1)["errors"]
        assert first["code"] == "planned-forbidden"
        assert "not to be run: runs 13 to 15" in first["what"]
        assert second["code"] == "no-feasible-setting"
        assert "DANGER" in planned(command, "mint", status=1).err


def test_a_changed_rig_that_forbids_no_planned_run_still_voids_the_sheets_stop_limits(
    planned: Command,
) -> None:
    doe = planned
    edit(('burst_pressure = "100 barg"', 'burst_pressure = "95 barg"'))
    (what,) = (
        w["what"]
        for w in doe("status", "mint", "--json")["warnings"]
        if w["code"] == "sheet-outdated"
    )
    assert "sheet prints the former stop limits. Take none from it" in what
    assert "! CAUTION, campaign.toml changed since stage 1 was planned, in rig" in (
        doe("status", "mint").said_out
    )
    assert what.endswith("doe plan mint")
    former = (FOLDER / "sheet-stage1.html").read_text(encoding="utf-8")
    doe("plan", "mint")
    assert (FOLDER / "sheet-stage1.html").read_text(encoding="utf-8") != former
    assert "former stop limits" not in doe("status", "mint").said_out


def test_runs_whose_sheet_orders_another_pressure_than_the_file_are_not_sent_to(
    planned: Command,
) -> None:
    doe = planned
    edit(('[fixed]\npressure = "50 bar"', '[fixed]\npressure = "40 bar"'))
    said = doe("status", "mint")
    assert "DANGER, not to be run: runs 1 to 15 were planned with other fixed" in said.said_out
    assert "orders pressure 50 bar gauge and bed mass 12 g; campaign.toml now says" in said.said_out
    assert "The sheet with them is void" in said.said_out
    assert "Next on the rig" not in said.out
    assert said.out.rstrip().endswith("Next: doe plan mint")
    (refused,) = doe("suggest", "mint", "--accept", "--json", status=1)["errors"]
    assert refused["code"] == "planned-forbidden"
    doe("plan", "mint")
    assert "DANGER" not in doe("status", "mint").out


def test_a_fit_before_any_result_does_not_send_to_a_void_sheet(planned: Command) -> None:
    doe = planned
    edit(*COLDER_RIG)
    (error,) = doe("fit", "mint", "--json", status=1)["errors"]
    assert error["code"] == "no-results"
    assert "DANGER" in error["remedy"]
    assert "doe record" not in error["remedy"]
