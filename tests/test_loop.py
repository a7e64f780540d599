"""The whole loop through the command, as a person types it: files, answers, refusals."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from doe.campaign_file import read_campaign

REPOSITORY = Path(__file__).parent.parent
PUBLISHED = REPOSITORY / "designs" / "cinnamon-published"

Command = Callable[..., Any]


@pytest.fixture
def doe(command: Command) -> Command:
    """Run a command in an empty folder; `--json` answers come back parsed."""
    return command


def fill(sheet: Path, filled: Path, values: Callable[[dict[str, str]], dict[str, str]]) -> Path:
    """Fill a CSV sheet as a lab would: `values` gives the cells of each run."""
    with sheet.open(newline="") as file:
        rows = list(csv.DictReader(file))
    with filled.open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        for row in rows:
            writer.writerow({**row, **values(row)})
    return filled


def made_up_results(row: dict[str, str]) -> dict[str, str]:
    """Results of an invented lab for the campaign that `doe new` makes; the run is its scatter."""
    x = (float(row["temperature_C"]) - 160) / 40
    y = (float(row["flow_mL_min"]) - 5.5) / 2.5
    z = (float(row["time_min"]) - 40) / 20
    scatter = np.random.default_rng(int(row["run"])).normal(0, 1, 2)
    extract = 60 + 12 * x + 5 * y + 8 * z - 10 * x * x + 2 * scatter[0]
    furfural = 1.2 + 0.9 * x + 0.4 * z + 0.4 * x * x + 0.1 * scatter[1]
    return {
        "achieved_temperature_C": str(float(row["temperature_C"]) + 0.4),
        "extract_yield_mg_g": f"{extract:.1f}",
        "furfural_mg_g": f"{furfural:.2f}",
    }


def test_new_check_plan_record_fit_suggest_and_fit_again(doe: Command, tmp_path: Path) -> None:
    assert doe("new", "mint", "--json")["campaign"] == "mint"
    checked = doe("check", "mint", "--json")
    assert checked["feasible_fraction"] == 1.0
    assert len(checked["corners"]) == 8
    planned = doe("plan", "mint", "--json")
    runs = planned["runs"]
    assert planned["stage"] == 1
    assert {run["stage"] for run in runs} == {1}
    assert set(runs[0]["settings"]) == {"temperature_C", "flow_mL_min", "time_min"}
    assert planned["design"]["coding"]["flow"]["centre"] == 5.5
    folder = tmp_path / "designs" / "mint"
    filled = fill(folder / "sheet-stage1.csv", tmp_path / "back.csv", made_up_results)
    recorded = doe("record", "mint", str(filled), "--json")
    assert recorded["runs"]["done"] == len(runs)
    fitted = doe("fit", "mint", "--json")
    assert set(fitted["responses"]) == {"extract_yield", "furfural"}
    best = fitted["optimum"]["predictions"]["furfural"]
    assert best["run_low"] < best["mean_low"] < best["mean"] < best["mean_high"] < best["run_high"]
    accepted = doe("suggest", "mint", "--runs", "3", "--accept", "--json")
    assert [run["run"] for run in accepted["runs"]] == [16, 17, 18]
    assert accepted["stop"]["advice"]
    filled = fill(folder / "sheet-stage2.csv", tmp_path / "back2.csv", made_up_results)
    doe("record", "mint", str(filled))
    again = doe("fit", "mint", "--json")
    assert len(again["responses"]["extract_yield"]["runs_used"]) == 18
    assert again["stage"] == 2
    assert again["responses"]["extract_yield"]["r2"] > 0.9
    names = {file.name for file in (tmp_path / "reports").iterdir()}
    assert names == {
        "mint-check.html",
        "mint-stage1-plan.html",
        "mint-stage1-fit.html",
        "mint-stage2-suggest.html",
        "mint-stage2-fit.html",
    }


def test_a_fit_page_says_what_it_was_made_of_and_not_where(doe: Command, tmp_path: Path) -> None:
    doe("new", "mint")
    folder = tmp_path / "designs" / "mint"
    doe("plan", "mint")
    filled = fill(folder / "sheet-stage1.csv", tmp_path / "b.csv", made_up_results)
    doe("record", "mint", str(filled))
    doe("fit", "mint")
    file = tmp_path / "reports" / "mint-stage1-fit.html"
    page = file.read_text(encoding="utf-8")
    foot = page[page.index('<footer class="foot">') :]
    for name in ("campaign.toml", "runs.csv"):
        digest = hashlib.sha256((folder / name).read_bytes()).hexdigest()[:16]
        assert f"<dt>{name}</dt><dd>sha256 {digest}</dd>" in foot
    assert "confirmed by nobody" in foot
    assert str(tmp_path) not in page
    doe("fit", "mint")
    assert file.read_text(encoding="utf-8") == page


def test_check_ends_with_the_command_that_status_names(doe: Command, tmp_path: Path) -> None:
    """Planning again is refused once a run is recorded, so `check` is not to send there."""

    def same(command: str) -> None:
        last = [doe(words, "mint").out.rstrip().splitlines()[-1] for words in ("check", "status")]
        assert last == [f"Next: {command}"] * 2

    doe("new", "mint")
    same("doe plan mint")
    doe("plan", "mint")
    same("doe record mint FILE")
    folder = tmp_path / "designs" / "mint"
    filled = fill(folder / "sheet-stage1.csv", tmp_path / "back.csv", made_up_results)
    doe("record", "mint", str(filled))
    same("doe fit mint")
    ledger = folder / "runs.csv"
    text = ledger.read_text(encoding="utf-8")
    ledger.write_text(text.replace("temperature_C", "heat_C"), encoding="utf-8")
    assert doe("check", "mint").out.rstrip().endswith("Next: doe status mint")
    assert "runs.csv" in doe("status", "mint", status=1).err


def test_values_that_are_all_one_are_said_with_file_and_column_and_not_sent_to_a_fit(
    doe: Command, tmp_path: Path
) -> None:
    doe("new", "mint")
    doe("plan", "mint")

    def same(_: dict[str, str]) -> dict[str, str]:
        return {"extract_yield_mg_g": "3", "furfural_mg_g": "0.3"}

    sheet = tmp_path / "designs" / "mint" / "sheet-stage1.csv"
    doe("record", "mint", str(fill(sheet, tmp_path / "back.csv", same)))
    refused = doe("fit", "mint", "--json", status=1)
    assert refused["campaign"] == "mint"
    assert [error["where"]["key"] for error in refused["errors"]] == [
        "extract_yield_mg_g",
        "furfural_mg_g",
    ]
    assert all(error["where"]["file"].endswith("runs.csv") for error in refused["errors"])
    said = doe("status", "mint")
    assert "Every value of furfural is 0.3" in said.said_out
    assert "Next: doe fit" not in said.out
    assert doe("status", "mint", "--json")["next_command"] == "doe record mint FILE --replace"


def test_the_page_of_a_plan_writes_names_of_designs_as_names(doe: Command, tmp_path: Path) -> None:
    doe("new", "mint")
    doe("plan", "mint", "--family", "box-behnken")
    page = (tmp_path / "reports" / "mint-stage1-plan.html").read_text(encoding="utf-8")
    assert "Box–Behnken design for" in page
    assert "box behnken" not in page


def test_a_failure_names_the_campaign_asked_for_where_there_is_one(doe: Command) -> None:
    doe("new", "mint")
    assert doe("fit", "designs/mint", "--json", status=1)["campaign"] == "mint"
    assert doe("fit", "thyme", "--json", status=1)["campaign"] is None


def test_every_command_ends_with_the_next_one_and_says_where_it_wrote(
    doe: Command, tmp_path: Path
) -> None:
    for words, following in (
        (("new", "mint"), "doe check mint"),
        (("check", "mint"), "doe plan mint"),
        (("plan", "mint"), "doe record mint FILE"),
        (("status", "mint"), "doe record mint FILE"),
    ):
        said = doe(*words).out
        assert said.rstrip().splitlines()[-1].startswith(f"Next: {following}")
        assert f"Workspace {tmp_path}" in said
        assert "Limits not confirmed: for planning practice only" in said


def test_a_campaign_is_found_by_name_folder_and_file(doe: Command, tmp_path: Path) -> None:
    doe("new", "mint")
    for word in ("mint", "designs/mint", "designs/mint/campaign.toml"):
        assert doe("check", word, "--json")["campaign"] == "mint"
        assert doe("check", str(tmp_path / "designs" / "mint"), "--json")["campaign"] == "mint"
    os.chdir(tmp_path / "designs" / "mint")
    assert doe("check", "mint", "--json")["workspace"] == str(tmp_path)


def test_the_same_file_and_seed_give_the_same_ledger_byte_for_byte(
    doe: Command, tmp_path: Path
) -> None:
    doe("new", "mint")
    file = tmp_path / "designs" / "mint" / "campaign.toml"
    cut = file.read_text().replace('pressure = "50 bar"', 'pressure = "22 bar"')
    ledgers = []
    for name, text in (
        ("a", cut),
        ("b", cut),
        ("c", cut.replace("seed = 1 ", "seed = 2 ")),
    ):
        folder = tmp_path / "designs" / name
        folder.mkdir()
        (folder / "campaign.toml").write_text(text)
        answer = doe("plan", name, "--json")
        assert answer["design"]["family"] == "optimal-i"
        ledgers.append((folder / "runs.csv").read_bytes())
    assert ledgers[0] == ledgers[1]
    assert ledgers[0] != ledgers[2]


def test_a_box_beyond_the_liquid_region_gets_a_plan_of_feasible_runs_and_a_page_that_says_why(
    doe: Command, tmp_path: Path
) -> None:
    doe("new", "mint")
    file = tmp_path / "designs" / "mint" / "campaign.toml"
    file.write_text(file.read_text().replace('pressure = "50 bar"', 'pressure = "20 bar"'))
    checked = doe("check", "mint", "--json")
    assert 0 < checked["feasible_fraction"] < 0.9
    hot = [c for c in checked["corners"] if c["settings"]["temperature_C"] == 200.0]
    assert all("liquid-margin" in corner["fails"] for corner in hot)
    settings = [run["settings"] for run in doe("plan", "mint", "--json")["runs"]]
    campaign = read_campaign(file)
    rows = np.array([campaign.space.from_mapping(each) for each in settings])
    assert campaign.feasible(rows).all()
    # 200 °C boils at 15.55 bar absolute (IAPWS-IF97), 14.5 bar gauge: 20 bar gauge leaves 5.5,
    # which overshoot, swing and errors eat up
    assert rows[:, 0].max() < 195
    page = (tmp_path / "reports" / "mint-check.html").read_text()
    assert "Stays liquid" in page


def test_planning_again_replaces_a_plan_that_nobody_started_and_keeps_it(
    doe: Command, tmp_path: Path
) -> None:
    doe("new", "mint")
    doe("plan", "mint")
    folder = tmp_path / "designs" / "mint"
    first = (folder / "runs.csv").read_bytes()
    answer = doe("plan", "mint", "--family", "central-composite", "--json")
    assert answer["design"]["family"] == "central-composite"
    assert (folder / "history" / "runs-1.csv").read_bytes() == first
    assert len(answer["runs"]) == 17


def test_a_plan_that_was_started_stays(doe: Command, tmp_path: Path) -> None:
    doe("new", "mint")
    doe("plan", "mint")
    folder = tmp_path / "designs" / "mint"
    back = fill(
        folder / "sheet-stage1.csv",
        tmp_path / "back.csv",
        lambda row: {"extract_yield_mg_g": "31"} if row["run"] == "1" else {},
    )
    doe("record", "mint", str(back))
    before = (folder / "runs.csv").read_bytes()
    failure = doe("plan", "mint", "--json", status=1)
    assert failure["errors"][0]["code"] == "stage-started"
    assert "doe suggest mint --accept" in failure["errors"][0]["remedy"]
    assert (folder / "runs.csv").read_bytes() == before


def test_a_sheet_filled_in_place_is_not_lost_when_the_plan_is_made_again(
    doe: Command, tmp_path: Path
) -> None:
    doe("new", "mint")
    doe("plan", "mint")
    folder = tmp_path / "designs" / "mint"
    sheet = folder / "sheet-stage1.csv"
    mine = fill(sheet, tmp_path / "mine.csv", made_up_results).read_bytes()
    sheet.write_bytes(mine)
    doe("plan", "mint", "--runs", "16")
    assert mine in [kept.read_bytes() for kept in (folder / "history").iterdir()]


def test_suggestions_accepted_three_times_are_planned_once(doe: Command, tmp_path: Path) -> None:
    doe("new", "mint")
    doe("plan", "mint")
    folder = tmp_path / "designs" / "mint"
    doe(
        "record",
        "mint",
        str(fill(folder / "sheet-stage1.csv", tmp_path / "b.csv", made_up_results)),
    )
    shown = doe("suggest", "mint", "--json")
    assert not shown["accepted"]
    assert len((folder / "runs.csv").read_text().splitlines()) == 16
    answers = [doe("suggest", "mint", "--accept", "--json") for _ in range(3)]
    assert [a["runs"] for a in answers] == [shown["runs"]] * 3
    assert not any(w["code"] == "additions-replaced" for a in answers for w in a["warnings"])
    assert len((folder / "runs.csv").read_text().splitlines()) == 19


def test_dry_run_shows_the_changes_and_makes_none(doe: Command, tmp_path: Path) -> None:
    doe("new", "mint")
    doe("plan", "mint")
    folder = tmp_path / "designs" / "mint"
    before = (folder / "runs.csv").read_bytes()
    back = fill(folder / "sheet-stage1.csv", tmp_path / "b.csv", made_up_results)
    shown = doe("record", "mint", str(back), "--dry-run", "--json")
    assert shown["dry_run"]
    assert {c["column"] for c in shown["changes"]} == {
        "status",
        "achieved_temperature_C",
        "extract_yield_mg_g",
        "furfural_mg_g",
    }
    assert (folder / "runs.csv").read_bytes() == before
    doe("record", "mint", str(back))
    assert doe("record", "mint", str(back), "--json")["changes"] == []


def test_achieved_settings_that_break_a_limit_are_named(doe: Command, tmp_path: Path) -> None:
    doe("new", "mint")
    doe("plan", "mint")
    folder = tmp_path / "designs" / "mint"

    def too_hot(row: dict[str, str]) -> dict[str, str]:
        cells = made_up_results(row)
        if row["run"] == "2":
            cells["achieved_temperature_C"] = "262"
        return cells

    back = fill(folder / "sheet-stage1.csv", tmp_path / "b.csv", too_hot)
    answer = doe("record", "mint", str(back), "--json")
    broken = [w["what"] for w in answer["warnings"] if w["code"] == "achieved-breaks-limit"]
    assert any(what.startswith("Run 2 as achieved") and "Stays liquid" in what for what in broken)
    (danger,) = (w["what"] for w in answer["warnings"] if w["code"] == "achieved-limits-passed")
    assert danger.startswith("DANGER")
    assert "Run 2: 262 °C as shown is beyond the rig's temperature_max, 220 °C" in danger


def test_all_that_is_wrong_in_a_file_comes_at_once_with_line_and_key(
    doe: Command, tmp_path: Path
) -> None:
    doe("new", "mint")
    file = tmp_path / "designs" / "mint" / "campaign.toml"
    text = file.read_text()
    for right, wrong in (
        ('high = "200 degC"', 'high = "360 degC"'),
        ('pressure_swing = "1.5 bar"', 'pressure_swings = "1.5 bar"'),
        ('unit = "mg/g"\naim = "below"', 'unit = "mg/g"\naim = "lowest"'),
        ('low = "3 mL/min"', 'low = "3 bar"'),
    ):
        assert right in text
        text = text.replace(right, wrong)
    file.write_text(text)
    errors = doe("check", "mint", "--json", status=1)["errors"]
    keys = {error["where"]["key"]: error for error in errors}
    assert {"factors.flow.low", "rig.pressure_swings", "responses.furfural.aim"} <= set(keys)
    assert any("360" in error["what"] for error in errors)
    assert "pressure_swing" in keys["rig.pressure_swings"]["remedy"]
    for error in errors:
        assert error["remedy"]
        if error["where"]["line"] is not None and "." in error["where"]["key"]:
            line = text.splitlines()[error["where"]["line"] - 1]
            assert error["where"]["key"].rsplit(".", 1)[1] in line or line.startswith("[")
    assert not (tmp_path / "reports" / "mint-check.html").exists()


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("check", "mitn"), "no-such-campaign"),
        (("record", "mint", "nowhere.csv"), "no-sheet"),
        (("fit", "mint"), "no-plan"),
        (("suggest", "mint"), "no-plan"),
        (("record", "mint", "designs/mint/campaign.toml"), "no-header"),
        (("new", "mint"), "name-taken"),
        (("new", "../out"), "bad-name"),
        (("plan", "mint", "--family", "star"), "unknown-family"),
        (("plan", "mint", "--runs", "5"), "too-few-runs"),
    ],
)
def test_what_cannot_be_done_is_said_with_its_cure(
    doe: Command, words: tuple[str, ...], code: str
) -> None:
    doe("new", "mint")
    failure = doe(*words, "--json", status=1)
    assert [error["code"] for error in failure["errors"]] == [code]
    assert failure["errors"][0]["remedy"]
    told = doe(*words, status=1)
    assert told.out == ""
    assert told.err.startswith("✗ ")


def test_fit_before_any_result_says_what_to_do(doe: Command) -> None:
    doe("new", "mint")
    doe("plan", "mint")
    failure = doe("fit", "mint", "--json", status=1)["errors"][0]
    assert failure["code"] == "no-results"
    assert "doe record mint" in failure["remedy"]


def test_wrong_usage_exits_with_two(doe: Command) -> None:
    assert "Usage" in doe("plan", status=2).err
    assert "--family" in doe("plan", "--help").out


def test_without_words_it_says_what_it_is_for(doe: Command) -> None:
    assert "doe demo" in doe().out


# ------------------------------------------------------------------------------ published data


def test_the_published_campaign_gives_its_published_fit(doe: Command, tmp_path: Path) -> None:
    # Cha et al. 2019, Food Sci Biotechnol 28:1703, Table 1; coefficients and sums of squares of a
    # careful refit, tests/reference/extraction/cinnamon_swe_bbd.json
    folder = tmp_path / "designs" / "cinnamon-published"
    folder.mkdir(parents=True)
    shutil.copy(PUBLISHED / "campaign.toml", folder)
    shutil.copy(PUBLISHED / "published-results.csv", folder)
    doe("plan", "cinnamon-published")
    doe("record", "cinnamon-published", str(folder / "published-results.csv"))
    assert (folder / "runs.csv").read_bytes() == (PUBLISHED / "runs.csv").read_bytes()
    fitted = doe("fit", "cinnamon-published", "--full", "--json")
    source = REPOSITORY / "tests" / "reference" / "extraction" / "cinnamon_swe_bbd.json"
    refit = json.loads(source.read_text())["our_refit"]
    columns = {
        "extraction_yield": "extraction_yield_pct",
        "coumarin": "coumarin_pct_as_printed",
        "cinnamic_acid": "cinnamic_acid_pct_as_printed",
        "cinnamaldehyde": "cinnamaldehyde_pct_as_printed",
        "cinnamyl_alcohol": "cinnamyl_alcohol_pct_as_printed",
    }
    for name, column in columns.items():
        ours, theirs = fitted["responses"][name], refit[column]
        got = [term["coefficient"] for term in ours["terms"]]
        assert got == pytest.approx(list(theirs["coefficients_coded"].values()), abs=6e-5)
        assert ours["r2"] == pytest.approx(theirs["R2"], abs=6e-5)
        assert ours["r2_predicted"] == pytest.approx(theirs["pred_R2"], abs=6e-5)
        assert ours["lack_of_fit"]["f"] == pytest.approx(theirs["F_LOF"], abs=6e-5)
    best = fitted["responses"]["extraction_yield"]["best"]["settings"]
    assert best == {"temperature_C": 130.0, "time_min": 60.0, "pressure_barg": 27.0}


# ------------------------------------------------------------------------------ what is imported


def imported_by(tmp_path: Path, *words: str) -> set[str]:
    """Return the libraries that a command has imported when it ends."""
    script = (
        "import sys\nfrom doe.cli import main\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "sys.stderr.write(' '.join(m for m in sys.modules if '.' not in m))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, *words],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    return set(done.stderr.split())


def test_heavy_libraries_are_imported_only_by_commands_that_need_them(tmp_path: Path) -> None:
    heavy = {"statsmodels", "pandas", "plotly", "sklearn", "pyDOE3"}
    assert not imported_by(tmp_path, "--help") & (heavy | {"numpy", "pydantic", "jinja2", "pint"})
    imported_by(tmp_path, "new", "mint")
    for words in (("check", "mint"), ("plan", "mint"), ("status", "mint")):
        assert not imported_by(tmp_path, *words) & (heavy - {"pyDOE3"})
    sheet = tmp_path / "designs" / "mint" / "sheet-stage1.csv"
    imported_by(tmp_path, "record", "mint", str(fill(sheet, tmp_path / "a.csv", made_up_results)))
    assert not imported_by(tmp_path, "fit", "mint") & heavy


def test_a_day_shorter_than_the_longest_run_is_said_as_that(doe: Command, tmp_path: Path) -> None:
    doe("new", "mint")
    path = tmp_path / "designs" / "mint" / "campaign.toml"
    path.write_text(path.read_text().replace('hours_per_day = "9 h"', 'hours_per_day = "2 h"'))
    (error,) = doe("plan", "mint", "--json", status=1)["errors"]
    assert error["code"] == "nothing-affordable"
    assert "the longest run takes" in error["what"]
    assert error["where"]["key"] == "budget.days"
