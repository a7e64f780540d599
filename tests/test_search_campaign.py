"""A campaign whose purpose is the best settings in few runs, from `doe new` to what follows."""

import csv
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

Command = Callable[..., Any]
FILE = Path("designs/mint/campaign.toml")


@pytest.fixture
def planned(command: Command) -> Any:
    command("new", "mint", as_written=True)
    return command("plan", "mint", "--json")


def changed(old: str, new: str) -> None:
    text = FILE.read_text(encoding="utf-8")
    assert old in text
    FILE.write_text(text.replace(old, new, 1), encoding="utf-8")


def test_the_first_plan_looks_everywhere_and_leaves_the_rest_of_the_budget(planned: Any) -> None:
    assert planned["design"]["family"] == "space-filling"
    assert planned["affordable"]["runs"] == 18
    runs = [run for run in planned["runs"] if run["kind"] == "filling"]
    assert len(runs) == 12
    assert "the rest of the budget follows" in planned["design"]["reason"]
    for factor, least in {"temperature_C": 8, "flow_mL_min": 8, "time_min": 8}.items():
        assert len({run["settings"][factor] for run in runs}) >= least


def test_page_and_terminal_say_by_what_it_is_judged(command: Command) -> None:
    command("new", "mint", as_written=True)
    said = command("plan", "mint").said_out
    assert "12 runs, space-filling, judged by this model: main effects" in said
    assert "runs at many levels tell more of other shapes" in said
    page = Path("reports/mint-stage1-plan.html").read_text(encoding="utf-8")
    assert "a space-filling design judged by this model:" in page


def test_another_purpose_before_the_first_run_says_how_to_plan_anew(
    command: Command, planned: Any
) -> None:
    changed('purpose = "optimum"', 'purpose = "surface"')
    warnings = command("status", "mint", "--json")["warnings"]
    (said,) = [w["what"] for w in warnings if w["code"] == "file-changed"]
    assert "in purpose: the planned runs may no longer suit it. To plan anew: doe plan mint" in said
    assert command("plan", "mint", "--json")["design"]["family"] != "space-filling"


def hill(hot: float, long: float) -> float:
    """Its top is at 165 °C and 45 min."""
    return 60 - 12 * (hot - 0.125) ** 2 - 6 * (long - 0.5) ** 2 + 2 * (hot - 0.125) * (long - 0.5)


def slant(hot: float, long: float) -> float:
    return 40 + 8 * hot + 6 * long - 3 * hot**2


def record_invented_values(
    command: Command, scatter: float = 0.0, surface: Callable[[float, float], float] = hill
) -> None:
    """Fill the sheet in, whatever the flow; coded temperature and time are about 160 °C, 35 min."""
    generator = np.random.default_rng(1)
    sheet = Path("designs/mint/sheet-stage1.csv")
    rows = list(csv.DictReader(sheet.read_text(encoding="utf-8").splitlines()))
    for row in rows:
        hot, long = (float(row["temperature_C"]) - 160) / 40, (float(row["time_min"]) - 35) / 20
        scattered = surface(hot, long) + scatter * generator.standard_normal()
        row["extract_yield_mg_g"] = f"{scattered:.1f}"
        row["furfural_mg_g"] = f"{0.4 + 0.1 * (hot + 1) ** 2:.2f}"
    with Path("back.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    command("record", "mint", "back.csv")


def test_results_are_fitted_and_the_runs_that_follow_keep_to_the_budget(
    command: Command, planned: Any
) -> None:
    record_invented_values(command)
    best = command("fit", "mint", "--json")["optimum"]["settings"]
    assert abs(best["temperature_C"] - 165) <= 15
    assert abs(best["time_min"] - 45) <= 10
    told = command("suggest", "mint", "--accept", "--json")
    assert 1 <= len(told["runs"]) <= 6
    assert "none-left-to-confirm" not in {warning["code"] for warning in told["warnings"]}
    assert len(command("status", "mint", "--json")["stages"]) == 2


def test_what_confirming_takes_is_kept_back_unless_days_decide(command: Command) -> None:
    command("new", "mint", as_written=True)
    changed("# runs = 20", "runs = 17")
    changed("\ndays = 6", "\ndays = 10")
    assert len(command("plan", "mint", "--json")["runs"]) == 12
    record_invented_values(command, scatter=4.0)
    assert len(command("suggest", "mint", "--json")["runs"]) == 2
    changed("runs = 17", "runs = 30")
    changed("\ndays = 10", "\ndays = 5")
    assert len(command("suggest", "mint", "--json")["runs"]) == 3


def test_the_last_runs_of_a_budget_confirm_unless_runs_are_asked_for(command: Command) -> None:
    command("new", "mint", as_written=True)
    changed("# runs = 20", "runs = 15")
    command("plan", "mint")
    record_invented_values(command, scatter=1.5, surface=slant)
    told = command("suggest", "mint", "--json")
    assert told["stop"]["verdict"] == "confirm"
    assert "The last 3 runs that the budget carries are kept back to confirm" in told["stop"]["why"]
    assert "To look on instead: 3 more runs" in told["stop"]["why"]
    assert [run["kind"] for run in told["runs"]] == ["confirm"] * 3
    assert command("suggest", "mint", "--runs", "3", "--json")["stop"]["verdict"] == "go-on"


def test_models_that_cannot_be_relied_on_take_the_last_runs_and_it_is_said(
    command: Command,
) -> None:
    command("new", "mint", as_written=True)
    changed("# runs = 20", "runs = 15")
    command("plan", "mint")
    record_invented_values(command, scatter=4.0)
    told = command("suggest", "mint", "--json")
    assert told["stop"]["verdict"] == "go-on"
    (said,) = [w["what"] for w in told["warnings"] if w["code"] == "none-left-to-confirm"]
    assert said.startswith("After these runs the budget carries none more, and confirming")
    assert "doe suggest mint --kind confirm" in said


def test_runs_that_are_named_are_filled_and_families_that_are_named_are_taken(
    command: Command,
) -> None:
    command("new", "mint", as_written=True)
    ten = command("plan", "mint", "--runs", "10", "--json")
    assert (ten["design"]["family"], len(ten["runs"])) == ("space-filling", 10)
    named = command("plan", "mint", "--family", "optimal-i", "--json")
    assert named["design"]["family"] == "optimal-i"
    assert "not searched in steps here: the design was named" in named["design"]["reason"]
    centred = command("plan", "mint", "--centres", "3", "--json")
    assert [run["kind"] for run in centred["runs"]].count("centre") == 3
    assert centred["design"]["family"] == "space-filling"
    many = command("plan", "mint", "--runs", "16", "--json")
    assert "16 first runs would leave fewer than 3 of the 18" in many["design"]["reason"]


def test_whole_plots_are_planned_as_for_a_surface(command: Command) -> None:
    command("new", "mint", as_written=True)
    changed("# hard_changes_per_day = 1 ", "hard_changes_per_day = 1 ")
    design = command("plan", "mint", "--json")["design"]
    assert design["family"] == "split-plot"
    assert "not searched in steps here: what is hard to change" in design["reason"]


def test_each_level_has_its_share_of_the_runs_that_look_everywhere(command: Command) -> None:
    command("new", "mint", as_written=True)
    levels = '[factors.grind]\n# levels = ["coarse", "fine"]'
    changed(f"# {levels}", levels.replace("# ", ""))
    planned = command("plan", "mint", "--json")
    assert planned["design"]["family"] == "space-filling"
    of_level = Counter(run["settings"]["grind"] for run in planned["runs"])
    assert set(of_level) == {"coarse", "fine"}
    assert max(of_level.values()) - min(of_level.values()) <= 1


def test_a_budget_that_leaves_none_to_follow_is_planned_at_once(command: Command) -> None:
    command("new", "mint", as_written=True)
    changed("# runs = 20", "runs = 13")
    planned = command("plan", "mint", "--json")
    assert planned["design"]["family"] == "optimal-i"
    assert "12 first runs would leave fewer than 3 of the 13" in planned["design"]["reason"]
