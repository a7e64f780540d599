"""`doe augment` at work: each way against a textbook, and what it leaves as it was."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pyDOE3 import ccdesign
from test_loop import fill, made_up_results

from doe.augmenting import WAYS

SEVEN = "".join(
    f'[factors.x{i}]\nlow = "0 rpm"\nhigh = "10 rpm"\nchanges_boiling = false\n' for i in range(4)
)


@pytest.fixture
def edited(command: Callable[..., Any], tmp_path: Path) -> Callable[..., Any]:
    """Make the campaign mint with words of its file replaced."""

    def make(*changes: tuple[str, str], added: str = "") -> Callable[..., Any]:
        command("new", "mint")
        edit(tmp_path, *changes, added=added)
        return command

    return make


def edit(tmp_path: Path, *changes: tuple[str, str], added: str = "") -> None:
    path = tmp_path / "designs" / "mint" / "campaign.toml"
    text = path.read_text()
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path.write_text(text + added)


def coded(tmp_path: Path, ranges: dict[str, tuple[float, float]]) -> np.ndarray:
    with (tmp_path / "designs" / "mint" / "runs.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    ends = np.array(list(ranges.values()))
    values = np.array([[float(row[column]) for column in ranges] for row in rows])
    return (values - ends.mean(axis=1)) / (np.diff(ends, axis=1)[:, 0] / 2)


RANGES = {"temperature_C": (120.0, 200.0), "flow_mL_min": (3.0, 8.0), "time_min": (20.0, 60.0)}
SCREENING = ('purpose = "surface"', 'purpose = "screening"')


def test_fold_over_frees_main_effects_of_a_saturated_fraction(edited, tmp_path: Path) -> None:
    """A 2^(7−4) of resolution III folded over is a 2^(7−3) of resolution IV: every main effect is
    orthogonal to every two-factor interaction (Montgomery, Design and Analysis of Experiments,
    section 8-6)."""
    doe = edited(SCREENING, added=SEVEN)
    doe("plan", "mint", "--family", "factorial", "--runs", "8", "--centres", "0")
    ranges = RANGES | {f"x{i}_rpm": (0.0, 10.0) for i in range(4)}
    before = coded(tmp_path, ranges)
    assert before.shape == (8, 7)
    folded = doe("augment", "mint", "--by", "fold-over", "--accept", "--json")
    assert len(folded["runs"]) == 8
    runs = coded(tmp_path, ranges)
    assert runs.shape == (16, 7)
    pairs = np.array([runs[:, i] * runs[:, j] for i in range(7) for j in range(i)]).T
    assert np.abs(before.T @ pairs[:8]).max() == pytest.approx(8)
    assert np.abs(runs.T @ pairs).max() == pytest.approx(0)
    assert np.allclose(runs.T @ runs, 16 * np.eye(7))
    assert "become clear" in folded["ways"][0]["buys"]


def test_axial_points_make_a_face_centred_composite(edited, tmp_path: Path) -> None:
    doe = edited(SCREENING)
    doe("plan", "mint", "--family", "factorial", "--runs", "8", "--centres", "0")
    doe("augment", "mint", "--by", "axial", "--accept")
    runs = coded(tmp_path, RANGES)
    textbook = ccdesign(3, center=(0, 0), face="faced")
    assert {tuple(run) for run in runs.round(9)} == {tuple(run) for run in textbook}


def test_all_ways_are_told_and_nothing_is_written(edited, tmp_path: Path) -> None:
    doe = edited()
    doe("plan", "mint")
    ledger = tmp_path / "designs" / "mint" / "runs.csv"
    before = ledger.read_bytes()
    told = doe("augment", "mint", "--json")
    assert [each["way"] for each in told["ways"]] == list(WAYS)
    assert all((each["buys"] is None) != (each["why_not"] is None) for each in told["ways"])
    assert told["runs"] == []
    assert ledger.read_bytes() == before
    lines = doe("augment", "mint").said_out
    assert "axial: With 6 runs more" in lines
    assert "repair: not here" in lines


def test_accepted_twice_is_planned_once_and_results_stay(edited, tmp_path: Path) -> None:
    doe = edited()
    doe("plan", "mint")
    folder = tmp_path / "designs" / "mint"
    doe(
        "record",
        "mint",
        str(fill(folder / "sheet-stage1.csv", tmp_path / "b.csv", made_up_results)),
    )
    recorded = (folder / "runs.csv").read_text().splitlines()
    first = doe("augment", "mint", "--by", "centres", "--runs", "2", "--accept", "--json")
    waiting = (folder / "runs.csv").read_bytes()
    others = ("augment", "mint", "--by", "block", "--runs", "4", "--accept")
    refused = doe(*others, "--json", status=1)["errors"][0]
    assert refused["code"] == "accepted-runs-wait"
    assert refused["remedy"].endswith(f"doe {' '.join(others)} --replace")
    assert (folder / "runs.csv").read_bytes() == waiting
    again = doe("augment", "mint", "--by", "centres", "--runs", "2", "--accept", "--json")
    assert again["runs"] == first["runs"]
    assert (folder / "runs.csv").read_bytes() == waiting
    second = doe(*others, "--replace", "--json")
    assert [run["run"] for run in second["runs"]] == [16, 17, 18, 19]
    assert first["stage"] == second["stage"] == 2
    assert "additions-replaced" in {each["code"] for each in second["warnings"]}
    ledger = (folder / "runs.csv").read_text().splitlines()
    assert ledger[: len(recorded)] == recorded
    assert len(ledger) == len(recorded) + 4
    assert (folder / "sheet-stage2.csv").exists()
    back = fill(folder / "sheet-stage2.csv", tmp_path / "c.csv", made_up_results)
    doe("record", "mint", str(back))
    assert doe("fit", "mint", "--json")["stage"] == 2


def test_lost_runs_are_replaced_no_worse_than_by_running_them_again(edited, tmp_path: Path) -> None:
    doe = edited()
    doe("plan", "mint")
    path = tmp_path / "designs" / "mint" / "runs.csv"
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    for row in rows[:2]:
        row |= {"status": "left out", "left_out_because": "valve stuck"}
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    doe("augment", "mint", "--by", "repair", "--accept")
    runs = coded(tmp_path, RANGES)
    assert len(runs) == 17
    assert mean_variance(runs[2:]) <= mean_variance(runs[:15]) * (1 + 1e-3)


def mean_variance(runs: np.ndarray) -> float:
    """Return the mean of x'(X'X)⁻¹x of the full quadratic over a grid of the whole box."""

    def model(x: np.ndarray) -> np.ndarray:
        pairs = [x[:, i] * x[:, j] for i in range(3) for j in range(i + 1)]
        return np.column_stack([np.ones(len(x)), x, *pairs])

    axis = np.linspace(-1, 1, 21)
    X, grid = model(runs), model(np.array(np.meshgrid(axis, axis, axis)).reshape(3, -1).T)
    return float(np.einsum("ij,jk,ik->i", grid, np.linalg.inv(X.T @ X), grid).mean())


def test_ranges_widened_in_the_file_are_filled(edited, tmp_path: Path) -> None:
    doe = edited()
    doe("plan", "mint")
    refused = doe("augment", "mint", "--by", "wider-region", "--json", status=1)["errors"][0]
    assert refused["code"] == "ranges-as-planned"
    edit(tmp_path, ('high = "200 degC"', 'high = "210 degC"'))
    added = doe("augment", "mint", "--by", "wider-region", "--runs", "4", "--json")
    assert max(run["settings"]["temperature_C"] for run in added["runs"]) == 210


def test_added_runs_keep_to_whole_plots(edited, tmp_path: Path) -> None:
    doe = edited(("# hard_changes_per_day = 1", "hard_changes_per_day = 1"))
    doe("plan", "mint")
    for way in ("block", "axial"):
        runs = doe("augment", "mint", "--by", way, "--json")["runs"]
        by_plot: dict[int, set[float]] = {}
        for run in runs:
            by_plot.setdefault(run["plot"], set()).add(run["settings"]["temperature_C"])
        assert all(len(held) == 1 for held in by_plot.values())
        assert len(by_plot) < len(runs)


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("--by", "luck"), "unknown-way"),
        (("--accept",), "no-way"),
        (("--by", "fold-over", "--factor", "stirring"), "unknown-factor"),
        (("--by", "axial", "--distance", "-1"), "no-distance"),
        (("--by", "repair"), "nothing-lost"),
        (("--by", "higher-order"), "no-higher-order"),
    ],
)
def test_what_cannot_be_added_is_said(edited, words: tuple[str, ...], code: str) -> None:
    doe = edited()
    nothing = doe("augment", "mint", "--json", status=1)["errors"][0]
    assert nothing["code"] == "no-plan"
    doe("plan", "mint")
    error = doe("augment", "mint", *words, "--json", status=1)["errors"][0]
    assert error["code"] == code
    assert error["remedy"]


def test_the_next_command_accepts_what_was_shown(edited) -> None:
    doe = edited()
    doe("plan", "mint")
    said = doe("augment", "mint", "--by", "centres", "--runs", "2", "--seed", "5").said_out
    assert said.endswith("doe augment mint --by centres --runs 2 --seed 5 --accept")


def test_an_option_of_another_way_is_wrong_usage(edited) -> None:
    doe = edited()
    doe("plan", "mint")
    assert "fold-over" in doe("augment", "mint", "--factor", "flow", status=2).said_err


def left_out(tmp_path: Path, reasons: dict[int, str]) -> None:
    """Hand in invented results for all runs, some left out with a reason."""
    folder = tmp_path / "designs" / "mint"
    with fill(folder / "sheet-stage1.csv", tmp_path / "b.csv", made_up_results).open(
        newline=""
    ) as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        row["left_out_because"] = reasons.get(int(row["run"]), "")
    with (tmp_path / "b.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)


def ledger_rows(tmp_path: Path) -> dict[int, dict[str, str]]:
    with (tmp_path / "designs" / "mint" / "runs.csv").open(newline="") as file:
        return {int(row["run"]): row for row in csv.DictReader(file)}


SETTINGS = ("temperature_C", "flow_mL_min", "time_min")


def test_a_repeat_that_a_person_asks_for_and_a_run_lost_are_both_made_up_for(
    edited, tmp_path: Path
) -> None:
    doe = edited()
    doe("plan", "mint")
    left_out(tmp_path, {3: "Repeat: valve stuck", 5: "bottle broken"})
    recorded = doe("record", "mint", "b.csv")
    assert "Next: doe augment mint --by repair" in recorded.said_out
    status = doe("status", "mint", "--json")
    assert "Run 3 to be repeated (Repeat: valve stuck)." in status["missing"]
    assert status["next_command"] == "doe augment mint --by repair"
    too_few = doe("augment", "mint", "--by", "repair", "--runs", "2", "--json")
    assert len(too_few["runs"]) == 2
    answer = doe("augment", "mint", "--by", "repair", "--accept", "--json")
    said = next(w["what"] for w in answer["warnings"] if w["code"] == "made-up-for")
    assert "run 3 (Repeat: valve stuck)" in said
    assert "run 5 (bottle broken)" in said
    rows = ledger_rows(tmp_path)
    added = [rows[run] for run in (16, 17)]
    again = [row for row in added if row["kind"] == "again"]
    assert tuple(rows[3][c] for c in SETTINGS) in [tuple(r[c] for c in SETTINGS) for r in again]
    notes = " | ".join(row["notes"] for row in added)
    assert "run 3 again: Repeat: valve stuck" in notes
    assert "run 5" in notes
    assert "bottle broken" in notes
    # nothing is left to make up for, and the runs that were added are next
    assert doe("status", "mint", "--json")["next_command"] == "doe record mint FILE"
    doe("record", "mint", str(fill(Path("designs/mint/sheet-stage2.csv"), tmp_path / "c.csv",
                                   made_up_results)))  # fmt: skip
    refusal = doe("augment", "mint", "--by", "repair", "--json", status=1)
    assert refusal["errors"][0]["code"] == "nothing-lost"
    assert doe("status", "mint", "--json")["next_command"] == "doe fit mint"


def test_repeats_and_suggested_runs_do_not_take_each_others_place(edited, tmp_path: Path) -> None:
    doe = edited()
    doe("plan", "mint")
    left_out(tmp_path, {3: "repeat: valve stuck"})
    doe("record", "mint", "b.csv")
    doe("augment", "mint", "--by", "centres", "--runs", "2", "--accept")
    doe("augment", "mint", "--by", "repair", "--accept")
    kinds = [row["kind"] for row in ledger_rows(tmp_path).values()][15:]
    assert kinds == ["centre", "centre", "again"]
    others = ("augment", "mint", "--by", "centres", "--runs", "3", "--accept", "--json")
    assert doe(*others, status=1)["errors"][0]["code"] == "accepted-runs-wait"
    answer = doe(*others, "--replace")
    rows = ledger_rows(tmp_path)
    assert [row["kind"] for row in rows.values()][15:] == ["again", "centre", "centre", "centre"]
    assert answer["stage"] == 4
    assert len({row["run"] for row in rows.values()}) == len(rows)
    assert not any(w["code"] in ("runs-gone", "plan-changed") for w in answer["warnings"])


def test_fewer_runs_than_are_to_be_repeated_are_refused(edited, tmp_path: Path) -> None:
    doe = edited()
    doe("plan", "mint")
    left_out(tmp_path, {3: "repeat", 4: "repeat"})
    doe("record", "mint", "b.csv")
    refusal = doe("augment", "mint", "--by", "repair", "--runs", "1", "--json", status=1)
    assert refusal["errors"][0]["code"] == "repeats-left-out"


def test_fit_suggest_and_status_name_the_same_next_command(edited, tmp_path: Path) -> None:
    """A repeat waits, then added runs: every command says the same of what comes first."""
    doe = edited()
    doe("plan", "mint")
    left_out(tmp_path, {3: "repeat: valve stuck"})
    doe("record", "mint", "b.csv")
    reason = "Run 3 is to be made again"
    for words in (("fit", "mint"), ("suggest", "mint")):
        said = doe(*words).said_out
        assert said.rstrip().endswith("Next: doe augment mint --by repair")
        assert reason in said
    doe("augment", "mint", "--by", "repair", "--accept")
    for words in (("fit", "mint"), ("suggest", "mint"), ("status", "mint")):
        said = doe(*words).said_out
        assert said.rstrip().endswith("Next: doe record mint FILE")
        assert "Run 16 is accepted and waits" in said
    page = (tmp_path / "reports" / "mint-stage1-fit.html").read_text(encoding="utf-8")
    assert "Run 16 is accepted and waits" in page
