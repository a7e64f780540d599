"""A logger's file of a run, handed in with the command: what the ledger and the record then say."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from doe.campaign_file import read_campaign
from doe.ledger import read_ledger
from tests.made_once import made_once

Command = Callable[..., Any]


@pytest.fixture
def doe(command: Command, tmp_path: Path) -> Command:
    """The command in a workspace with a planned campaign, 50 bar gauge."""

    def plan() -> None:
        command("new", "mint")
        command("plan", "mint")

    made_once(tmp_path, "the template, planned", plan)
    return command


def row_of(run: int) -> Any:
    campaign = read_campaign(Path("designs/mint/campaign.toml"))
    ledger = read_ledger(Path("designs/mint/runs.csv"), campaign.schema)
    return next(row for row in ledger.rows if row.run == run)


def log_of(run: int, name: str = "log.csv", *, hold_bar: float = 50.0, dip: float = 0.0) -> Path:
    """A log of a run as planned: 5 K/min up, 0.4 K above set, 5 K/min down, a row a minute.

    `dip` minutes in the middle of the hold are at `hold_bar`, all else at 50 bar gauge.
    """
    T, flow, time = row_of(run).settings
    up = (T + 0.4 - 25) / 5
    whole = 2 * up + time
    lines = ["time_min,temperature_C,pressure_barg,flow_mL_min"]
    minutes = [m * whole / round(whole * 2) for m in range(round(whole * 2) + 1)]
    for t in minutes:
        hot = min(25 + 5 * t, T + 0.4, 25 + 5 * (whole - t))
        held = hold_bar if abs(t - whole / 2) < dip / 2 else 50.0
        lines.append(f"{t:.6f},{hot:.6f},{held},{flow}")
    path = Path(name)
    path.write_text("\n".join(lines) + "\n")
    return path


def test_a_log_gives_the_achieved_settings_once(doe: Command) -> None:
    T, flow, time = row_of(3).settings
    log = log_of(3)
    shown = doe("record", "mint", str(log), "--run", "3", "--dry-run", "--json")
    assert row_of(3).status == "planned"
    assert not Path("designs/mint/logs").exists()
    answer = doe("record", "mint", str(log), "--run", "3", "--json")
    assert answer["changes"] == shown["changes"]
    row = row_of(3)
    assert row.status == "done"
    # within 2 K of set the ramps add (2.4 K at 5 K/min) either side, by hand
    assert row.achieved[2] == pytest.approx(time + 2 * 2.4 / 5, abs=0.01)
    assert row.achieved[1] == pytest.approx(flow, rel=1e-5)
    assert T - 0.1 < row.achieved[0] < T + 0.4
    assert answer["log"]["decision"] == "keep"
    again = doe("record", "mint", str(log), "--run", "3", "--json")
    assert again["changes"] == []


def test_the_record_keeps_severity_margin_and_water(doe: Command) -> None:
    T, flow, time = row_of(3).settings
    doe("record", "mint", str(log_of(3)), "--run", "3")
    record = tomllib.loads(Path("designs/mint/logs/run-3.toml").read_text())
    found = record["found"]
    # a ramp of r °C/min from T₀ = 100 °C adds (14.75/r)(1 − e^(−(T−T₀)/14.75)) times the hold's
    # severity a side, what is colder nothing (closed form of the severity integral)
    hold = math.exp((T + 0.4 - 100) / 14.75)
    ramp = 14.75 / 5 * (1 - math.exp(-(T + 0.4 - 100) / 14.75)) * hold
    assert found["severity_log10"] == pytest.approx(math.log10(time * hold + 2 * ramp), abs=2e-3)
    whole = time + 2 * (T + 0.4 - 25) / 5
    assert found["water_mL"] == pytest.approx(flow * whole, rel=1e-5)
    assert found["minutes_below_margin"] == 0
    assert len(record["sha256"]) == 64


def test_a_run_that_boiled_is_left_out_by_the_rule_and_by_a_person(doe: Command) -> None:
    run = hot_run()
    log = log_of(run, hold_bar=2.0, dip=4)
    told = doe("record", "mint", str(log), "--run", str(run), "--json", status=1)
    assert told["errors"][0]["code"] == "nobody-decided"
    assert row_of(run).status == "planned"
    answer = doe("record", "mint", str(log), "--run", str(run), "--by", "AB", "--json")
    assert "log-boiled" in {warning["code"] for warning in answer["warnings"]}
    assert answer["log"]["decision"] == "repeat"
    row = row_of(run)
    assert row.status == "left out"
    assert "rule boiled" in row.left_out_because
    assert "before any response by AB" in row.left_out_because
    status = doe("status", "mint", "--json")
    assert f"Run {run} to be repeated (rule boiled)." in status["missing"]


def hot_run() -> int:
    campaign = read_campaign(Path("designs/mint/campaign.toml"))
    ledger = read_ledger(Path("designs/mint/runs.csv"), campaign.schema)
    return max(ledger.rows, key=lambda row: row.settings[0]).run


def test_a_run_inside_the_margin_is_kept_and_said_to_be_doubtful(doe: Command) -> None:
    run = hot_run()
    # 200 °C boils at 15.55 bara (IF97); with 2 K, 5 K and 2 bar allowed for it stays liquid at 22
    # bar gauge, but 5 bar and 10 K away it is not
    log = log_of(run, hold_bar=22.0, dip=4)
    answer = doe("record", "mint", str(log), "--run", str(run), "--json")
    assert "log-below-margin" in {warning["code"] for warning in answer["warnings"]}
    assert (answer["log"]["rule"], answer["log"]["doubtful"]) == ("below-margin", True)
    assert 3 < answer["log"]["found"]["minutes_below_margin"] < 6
    assert row_of(run).status == "done"


def test_another_log_of_the_same_run_wants_replace(doe: Command) -> None:
    doe("record", "mint", str(log_of(3)), "--run", "3")
    before = Path("designs/mint/logs/run-3.toml").read_text()
    other = Path("other.csv")
    other.write_text(log_of(3).read_text() + "\n")
    doe("record", "mint", "other.csv", "--run", "3", status=1)
    assert Path("designs/mint/logs/run-3.toml").read_text() == before
    doe("record", "mint", "other.csv", "--run", "3", "--replace")
    assert Path("designs/mint/logs/run-3.toml").read_text() != before
    assert Path("designs/mint/logs/history/run-3-1.toml").read_text() == before


def test_responses_known_before_are_said_and_do_not_sway(doe: Command) -> None:
    Path("sheet.csv").write_text("run,furfural_mg_g\n3,0.4\n")
    doe("record", "mint", "sheet.csv")
    answer = doe("record", "mint", str(log_of(3)), "--run", "3", "--json")
    assert answer["log"]["responses_known"] is True
    assert "judged-late" in {warning["code"] for warning in answer["warnings"]}


@pytest.mark.parametrize(
    ("words", "status", "says"),
    [
        (("log.csv",), 1, "--run N"),
        (("log.csv", "--run", "99"), 1, "no run 99"),
        (("log.csv", "--run", "3", "--column", "temperature=T9"), 1, "T9"),
        (("log.csv", "--run", "3", "--column", "pH=x"), 1, "temperature"),
        (("log.csv", "--by", "AB"), 2, "--run"),
        (("log.csv", "--run", "3", "--start", "900", "--end", "950"), 1, "does not lie in the log"),
    ],
)
def test_what_is_refused(doe: Command, words: tuple[str, ...], status: int, says: str) -> None:
    log_of(3)
    before = Path("designs/mint/runs.csv").read_bytes()
    assert says in doe("record", "mint", *words, status=status).err
    assert Path("designs/mint/runs.csv").read_bytes() == before
    assert not Path("designs/mint/logs").exists()


def test_two_temperatures_are_told_apart_by_their_heading(doe: Command) -> None:
    lines = log_of(3).read_text().splitlines()
    cells = [line.split(",") for line in lines]
    body = [",".join([t, "21", T, P, q]) for t, T, P, q in cells[1:]]
    heading = "time_min,T1 (C),T2 (C),pressure_barg,flow_mL_min"
    Path("two.csv").write_text("\n".join([heading, *body]) + "\n")
    assert "T1 (C)" in doe("record", "mint", "two.csv", "--run", "3", status=1).err
    doe("record", "mint", "two.csv", "--run", "3", "--column", "temperature=T2 (C)")
    assert row_of(3).achieved[0] == pytest.approx(row_of(3).settings[0], abs=0.5)


def test_a_gap_while_hot_is_refused_until_it_is_allowed(doe: Command) -> None:
    lines = log_of(3).read_text().splitlines()
    middle = len(lines) // 2
    Path("gap.csv").write_text("\n".join(lines[: middle - 4] + lines[middle + 4 :]) + "\n")
    assert "without a whole row" in doe("record", "mint", "gap.csv", "--run", "3", status=1).err
    answer = doe("record", "mint", "gap.csv", "--run", "3", "--allow-gap", "6", "--json")
    assert "gap-allowed" in {warning["code"] for warning in answer["warnings"]}
    assert row_of(3).status == "done"


def test_thresholds_of_the_file_decide(doe: Command) -> None:
    file = Path("designs/mint/campaign.toml")
    text = file.read_text()
    log = log_of(3)  # 0.4 K above set all through
    shown = doe("record", "mint", str(log), "--run", "3", "--dry-run", "--json")["log"]
    assert (shown["decision"], shown["rule"]) == ("keep", "temperature-minor")
    strict = '[deviations]\ntemperature_minor = "0.1 K"\ntemperature_major = "0.3 K"\n\n[rig]\n'
    file.write_text(text.replace("[rig]\n", strict, 1))
    shown = doe("record", "mint", str(log), "--run", "3", "--dry-run", "--json")["log"]
    assert (shown["decision"], shown["rule"]) == ("repeat", "temperature-far-off")
    wide = strict.replace("0.3 K", "5 K")
    file.write_text(text.replace("[rig]\n", wide, 1))
    shown = doe("record", "mint", str(log), "--run", "3", "--dry-run", "--json")["log"]
    assert (shown["decision"], shown["rule"]) == (
        "keep",
        "temperature-off",
    )  # a steady offset has a mean


def test_thresholds_the_wrong_way_round_are_refused(doe: Command) -> None:
    file = Path("designs/mint/campaign.toml")
    wrong = '[deviations]\nshare_minor = "60 %"\n\n[rig]\n'
    file.write_text(file.read_text().replace("[rig]\n", wrong, 1))
    said = doe("check", "mint", status=1).said_err
    assert "share_minor is not above zero and below share_major" in said


def test_a_repeat_that_a_log_asks_for_is_planned_with_its_reason(doe: Command) -> None:
    run = hot_run()
    log = log_of(run, hold_bar=2.0, dip=4)
    told = doe("record", "mint", str(log), "--run", str(run), "--by", "AB")
    assert "Next: doe augment mint --by repair" in told.said_out
    shown = doe("augment", "mint", "--by", "repair", "--json")
    assert [one["kind"] for one in shown["runs"]] == ["again"]
    assert any(f"run {run} (repeat, rule boiled" in w["what"] for w in shown["warnings"])
    assert len(Path("designs/mint/runs.csv").read_text().splitlines()) == 16
    doe("augment", "mint", "--by", "repair", "--accept")
    again = row_of(16)
    assert (again.settings, again.kind) == (row_of(run).settings, "again")
    assert again.notes.startswith(f"run {run} again: repeat, rule boiled, from log.csv")
    assert f"run {run} again: repeat" in Path("designs/mint/sheet-stage2.html").read_text()
    status = doe("status", "mint", "--json")
    assert not any("to be repeated" in sentence for sentence in status["missing"])
    answer = doe("augment", "mint", "--by", "repair", "--accept", "--json")  # planned once
    assert [one["run"] for one in answer["runs"]] == [16]


def test_a_repeat_lost_again_is_asked_for_once(doe: Command) -> None:
    run = hot_run()
    log = str(log_of(run, hold_bar=2.0, dip=4))
    doe("record", "mint", log, "--run", str(run), "--by", "AB")
    doe("augment", "mint", "--by", "repair", "--accept")
    second = log_of(16, "second.csv", hold_bar=2.1, dip=4)
    doe("record", "mint", str(second), "--run", "16", "--by", "AB")
    assert "Run 16 to be repeated (rule boiled)." in doe("status", "mint", "--json")["missing"]
    answer = doe("augment", "mint", "--by", "repair", "--accept", "--json")
    assert [(one["run"], one["kind"]) for one in answer["runs"]] == [(17, "again")]
    assert answer["stage"] == 3


# --- limits that a log passed (the template's rig: temperature_max and disc 220 °C, overshoot 3 K,
# sensor 2 K, wall 5 K; disc 100 barg ± 5 %, 70 % of it; swing 1.5 bar, gauge, pulsation, bed 1 bar)


def peaked(run: int, **peaks: float) -> Path:
    """A log of a run as planned with one row, in the middle of the hold, at other values."""
    path = log_of(run, "peak.csv")
    lines = path.read_text().splitlines()
    cells = lines[len(lines) // 2].split(",")
    for name, value in peaks.items():
        cells[{"temperature": 1, "pressure": 2}[name]] = f"{value}"
    lines[len(lines) // 2] = ",".join(cells)
    path.write_text("\n".join(lines) + "\n")
    return path


def dangers(answer: Any) -> dict[str, str]:
    told = {warning["code"]: warning["what"] for warning in answer["warnings"]}
    return {code: text for code, text in told.items() if text.startswith("DANGER")}


def test_a_peak_beyond_the_rigs_limits_is_loud_and_stays_loud(doe: Command) -> None:
    run = hot_run()  # 200 °C: the sheet stops it at 200 + 3 + 2
    answer = doe("record", "mint", str(peaked(run, temperature=224.0)), "--run", str(run), "--json")
    told = dangers(answer)["log-limits-passed"]
    assert "the rig's temperature_max, 220 °C" in told
    assert "the rupture disc's certificate temperature, 220 °C" in told
    assert "the sheet's stop limit, 205 °C" in told
    assert "224 °C at row" in told
    kept = tomllib.loads(Path(f"designs/mint/logs/run-{run}.toml").read_text())
    assert kept["limits_passed"] == answer["log"]["limits_passed"] != []
    assert dangers(doe("status", "mint", "--json")) == dangers(answer)
    said = doe("status", "mint").said_out
    assert "DANGER, limits were passed" in said
    assert "temperature_overshoot declares 3 K" in said


def test_a_fit_says_that_limits_were_passed(doe: Command) -> None:
    run = hot_run()
    doe("record", "mint", str(peaked(run, temperature=224.0)), "--run", str(run))
    sheet = ["run,pigment_mg_g,furfural_mg_g"]
    sheet += [f"{r},{10 + r % 4},{0.1 + r % 3}" for r in range(1, 16)]
    Path("sheet.csv").write_text("\n".join(sheet) + "\n")
    doe("record", "mint", "sheet.csv")
    assert set(dangers(doe("fit", "mint", "--json"))) == {
        "log-limits-passed",
        "log-beyond-declared",
    }


def test_an_overshoot_beyond_what_is_declared_is_covered_once_the_file_says_so(
    doe: Command,
) -> None:
    run = hot_run()
    log = str(peaked(run, temperature=204.5))
    told = dangers(doe("record", "mint", log, "--run", str(run), "--json"))
    assert set(told) == {"log-beyond-declared"}
    assert "by up to 4.5 K. temperature_overshoot declares 3 K" in told["log-beyond-declared"]
    assert "competent person" in told["log-beyond-declared"]
    file = Path("designs/mint/campaign.toml")
    raised = file.read_text().replace('overshoot = "3 K"', 'overshoot = "4.5 K"')
    file.write_text(raised)
    assert dangers(doe("status", "mint", "--json")) == {}


def test_a_log_of_a_hotter_run_is_asked_about_before_the_file_is_to_declare_it(
    doe: Command,
) -> None:
    campaign = read_campaign(Path("designs/mint/campaign.toml"))
    rows = read_ledger(Path("designs/mint/runs.csv"), campaign.schema).rows
    cold, hot = min(rows, key=lambda row: row.settings[0]), row_of(hot_run())
    log = str(log_of(hot.run))
    answer = doe("record", "mint", log, "--run", str(cold.run), "--by", "AB", "--json")
    told = dangers(answer)["log-beyond-declared"]
    seen = hot.settings[0] + 0.4 - cold.settings[0]
    assert f"by up to {seen:.3g} K. temperature_overshoot declares 3 K" in told
    assert told.index("Ask first whether the log is of that run") < told.index("write at least")
    assert "--replace" in told
    assert "competent person" in told
    # a short peak of the right run is not asked about
    log = str(peaked(hot.run, temperature=204.5))
    doe("record", "mint", log, "--run", str(hot.run))
    both = [
        warning["what"]
        for warning in doe("status", "mint", "--json")["warnings"]
        if warning["code"] == "log-beyond-declared"
    ]
    peak = next(what for what in both if "4.5 K" in what)
    assert len(both) == 2
    assert "another run" not in peak
    assert 'Write at least "4.5 K"' in peak


def test_a_log_at_another_pressure_is_asked_about(doe: Command) -> None:
    path = log_of(3)
    path.write_text(path.read_text().replace(",50.0,", ",58.0,"))
    answer = doe("record", "mint", str(path), "--run", "3", "--by", "AB", "--json")
    told = dangers(answer)["log-beyond-declared"]
    assert "by up to 8 bar. pressure_swing declares 1.5 bar" in told
    assert "Ask first whether the log is of that run" in told


def test_a_log_is_held_against_what_its_stage_was_planned_with(doe: Command) -> None:
    file = Path("designs/mint/campaign.toml")
    assert 'pressure = "50 bar"' in file.read_text()
    file.write_text(file.read_text().replace('pressure = "50 bar"', 'pressure = "40 bar"'))
    answer = doe("record", "mint", str(log_of(3)), "--run", "3", "--json")
    assert answer["log"]["decision"] == "keep"
    assert set(dangers(answer)) == {"planned-forbidden"}  # of the runs that wait


def test_a_log_is_held_against_the_stop_limits_that_its_sheet_printed(doe: Command) -> None:
    """200 °C are stopped above 200 + 3 + 2; more overshoot declared later changes no sheet."""
    file, run = Path("designs/mint/campaign.toml"), hot_run()
    before = 'temperature_overshoot = "3 K"'
    assert before in file.read_text()
    file.write_text(file.read_text().replace(before, 'temperature_overshoot = "8 K"'))
    log = str(peaked(run, temperature=207.0))
    told = dangers(doe("record", "mint", log, "--run", str(run), "--json"))["log-limits-passed"]
    assert "the sheet's stop limit, 205 °C (as printed" in told


def test_what_was_declared_is_no_danger(doe: Command) -> None:
    run = hot_run()
    log = str(peaked(run, temperature=203.0, pressure=51.5))
    assert dangers(doe("record", "mint", log, "--run", str(run), "--json")) == {}


@pytest.mark.parametrize(
    ("pressure", "says"),
    [
        (64.0, "70 % of the rupture disc's lowest opening pressure, 66.5 bar gauge"),  # 64 + 3
        (93.0, "where the rupture disc may open, 95 bar gauge"),
        (44.0, ""),
    ],
)
def test_a_pressure_beyond_limits(doe: Command, pressure: float, says: str) -> None:
    log = str(peaked(3, pressure=pressure))
    told = dangers(doe("record", "mint", log, "--run", "3", "--json"))
    assert says in told.get("log-limits-passed", "")
    strayed = abs(pressure - 50)
    assert f"by up to {strayed:g} bar. pressure_swing declares 1.5" in told["log-beyond-declared"]


def test_a_refused_decision_says_that_limits_were_passed(doe: Command) -> None:
    run = hot_run()
    path = log_of(run, hold_bar=2.0, dip=4)
    path.write_text(path.read_text().replace("200.4", "222.0", 1))
    said = doe("record", "mint", str(path), "--run", str(run), status=1).said_err
    assert "--by INITIALS" in said
    assert "DANGER, limits were passed" in said


def test_one_file_is_refused_for_a_second_run(doe: Command) -> None:
    log = str(log_of(3))
    doe("record", "mint", log, "--run", "3")
    before = Path("designs/mint/runs.csv").read_bytes()
    for more in ((), ("--dry-run",)):
        said = doe("record", "mint", log, "--run", "4", "--by", "AB", *more, status=1).said_err
        assert "is on record for run 3" in said
    assert Path("designs/mint/runs.csv").read_bytes() == before
    assert not Path("designs/mint/logs/run-4.toml").exists()
    words = ("--run", "4", "--by", "AB", "--replace", "--start", "20", "--end", "25", "--json")
    answer = doe("record", "mint", log, *words)
    assert "log-of-another-run" in {warning["code"] for warning in answer["warnings"]}


def test_a_dry_run_that_wants_a_decision_ends_in_a_command_with_by(doe: Command) -> None:
    run = str(hot_run())
    log = str(log_of(int(run), hold_bar=2.0, dip=4))
    told = doe("record", "mint", log, "--run", run, "--dry-run").said_out
    assert told.endswith(f"Next: doe record mint log.csv --run {run} --by INITIALS")
    told = doe("record", "mint", log, "--run", run, "--dry-run", "--by", "AB").said_out
    assert told.endswith("--by AB")
    assert "Severity from 100 °C up" in told


def test_a_flush_done_hot_is_asked_about_with_the_options_to_give(doe: Command) -> None:
    T, _, time = row_of(3).settings
    up = (T + 0.4 - 25) / 5
    lines = log_of(3).read_text().splitlines()
    held = [line for line in lines[1:] if float(line.split(",")[0]) < up + time - 1]
    after = [line.split(",") for line in lines[1:] if float(line.split(",")[0]) >= up + time - 1]
    flushed = [",".join([str(up + time - 1 + m / 2), str(T), "50", "5"]) for m in range(21)]
    late = [",".join([str(float(t) + 10.5), *rest]) for t, *rest in after]
    Path("hot.csv").write_text("\n".join([lines[0], *held, *flushed, *late]) + "\n")
    answer = doe("record", "mint", "hot.csv", "--run", "3", "--dry-run", "--json")
    (said,) = (w["what"] for w in answer["warnings"] if w["code"] == "held-longer")
    start = up - 2.4 / 5  # within 2 K of set, on a ramp of 5 K/min to 0.4 K above it
    assert f"--start {start:.4g} --end {start + time:.4g}" in said
    words = ("--start", f"{start:.4f}", "--end", f"{start + time:.4f}", "--dry-run", "--json")
    answer = doe("record", "mint", "hot.csv", "--run", "3", *words)
    assert "held-longer" not in {w["code"] for w in answer["warnings"]}


def test_no_pressure_left_has_no_boiling_point(doe: Command) -> None:
    run = hot_run()
    log = str(log_of(run, hold_bar=-0.5, dip=4))  # less gauge error and pulsation: below zero
    answer = doe("record", "mint", log, "--run", str(run), "--by", "AB")
    assert "no pressure is left, and so no boiling point" in answer.said_out
    assert " K (row" not in answer.said_out
    found = tomllib.loads(Path(f"designs/mint/logs/run-{run}.toml").read_text())["found"]
    assert "margin_K" not in found
    assert found["minutes_boiled"] > 3
