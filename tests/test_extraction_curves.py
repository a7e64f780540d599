"""Timed portions of runs, from plan to report by commands; an invented lab fills sheet and bottles.

What is true there: `RELEASE` lets 14 mg/g go at 0.07/min at 150 °C (45 kJ/mol) whatever the flow;
`ELUTION` lets go at once and holds on with 6 mL/g, so that water sets the pace.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from doe import workflow
from doe.analysis.extraction import ExtractionCurves
from doe.contract import fit_object
from doe.report.curve_section import campaign_sentences
from doe.simulated_lab import Material
from doe.terminal import fit_lines
from doe.timed import extraction_curves
from tests.timed_lab import BED_G, ELUTION, FROM_DRAINS, RELEASE, SAMPLES, TimedLab

Command = Callable[..., Any]
RUNS = range(1, 16)


def rate_per_min(temperature_C: float) -> float:
    """Arrhenius at 45 kJ/mol from 0.07/min at 150 °C, gas constant 8.314 J/(mol K)."""
    kelvin = 1 / (temperature_C + 273.15) - 1 / 423.15
    return 0.07 * math.exp(-45_000 / 8.314462618 * kelvin)


def lab_of(
    command: Command, folder: Path, material: Material = RELEASE, scatter: float = 0.03
) -> TimedLab:
    return TimedLab(command, folder, material, scatter)


def curves_now(folder: Path) -> ExtractionCurves:
    status = workflow.status("husks", folder)
    assert status.ledger is not None
    return extraction_curves(status.campaign, status.ledger)


@pytest.fixture
def planned(command: Command, tmp_path: Path) -> TimedLab:
    lab = lab_of(command, tmp_path)
    lab.plan()
    command("record", "husks", str(lab.results()))
    return lab


def edited(path: Path, *changes: tuple[str, str]) -> str:
    text = path.read_text()
    for pattern, new in changes:
        text, count = re.subn(pattern, new, text, flags=re.MULTILINE)
        assert count, pattern
    path.write_text(text)
    return str(path)


# --------------------------------------------------------------------------------- the whole loop


def test_samples_make_curves_that_find_the_rates_put_in(planned: TimedLab) -> None:
    planned.doe("record", "husks", str(planned.samples(RUNS)))
    answer = planned.doe("fit", "husks", "--json")
    curves = {one["run"]: one for one in answer["extraction_curves"]}
    temperatures = {
        row.run: row.settings[0]
        for row in workflow.status("husks", planned.folder).ledger.rows  # type: ignore[union-attr]
    }
    fitted = {run: one for run, one in curves.items() if one["chosen"] == "first order"}
    assert len(fitted) >= 10
    held = []
    for run, one in fitted.items():
        (model,) = (m for m in one["models"] if m["model"] == "first order")
        k = model["parameters"]["k"]
        truth = rate_per_min(temperatures[run])
        assert k["value"] == pytest.approx(truth, rel=0.2)
        held.append(k["low"] <= truth <= k["high"])
        assert one["reached_90_pct_min"]["value"] == pytest.approx(math.log(10) / k["value"])
        assert one["elution_K_mL_g"]["value"] == pytest.approx(one["water_mL_g_min"] / k["value"])
        assert len(one["portions"]) == model["df"] + 2
    assert sum(held) >= 0.8 * len(held)
    # 20 min at 3 mL/min: two draws only
    assert curves[2]["chosen"] is None
    assert curves[2]["not_fitted"][0]["why"] == "2 parameters need 3 measured portions, there are 2"
    said = [w["what"] for w in answer["warnings"] if w["code"] == "curve-not-fitted"]
    assert "pigment of run 2" in said[0]


def test_what_is_said_of_a_runs_length_is_true(planned: TimedLab) -> None:
    """By the rates put in: how much ten minutes more bring, and when 90 % is out."""
    planned.doe("record", "husks", str(planned.samples(RUNS)))
    ledger = workflow.status("husks", planned.folder).ledger
    assert ledger is not None
    settings = {row.run: row.settings for row in ledger.rows}
    said: dict[str, list[int]] = {}
    for curve in curves_now(planned.folder).curves:
        run = curve.timed.run
        temperature, _, minutes = settings[run]
        k = rate_per_min(temperature)
        rise = -math.expm1(-k * (minutes + 10)) / -math.expm1(-k * minutes) - 1
        said.setdefault(curve.verdict, []).append(run)
        if curve.verdict == "ended early":
            assert rise > 0.05
        elif curve.verdict == "ran on":
            assert math.log(10) / k < minutes / 2
        elif curve.verdict == "well ended":
            assert rise < 0.05
            assert math.log(10) / k > 0.45 * minutes
    assert set(said["ended early"]) >= {7, 11}  # 125 °C, 40 min
    assert set(said["ran on"]) == {6, 9}  # 175 °C, 60 min
    assert 2 in said["open"]  # two samples


def test_rates_of_all_runs_find_the_activation_energy_put_in(planned: TimedLab) -> None:
    planned.doe("record", "husks", str(planned.samples(RUNS)))
    (found,) = planned.doe("fit", "husks", "--json")["rates"]
    energy, power = found["activation_kJ_mol"], found["flow_exponent"]
    assert energy["low"] <= 45 <= energy["high"]
    assert energy["high"] - energy["low"] < 6
    assert abs(power["value"]) < 0.05
    assert found["df"] == len(found["runs"]) - 3
    page = (planned.folder / "reports" / "husks-stage1-fit.html").read_text()
    assert "Time to 90 % of the pigment falls with temperature" in page


@pytest.mark.parametrize(("material", "speaks"), [(RELEASE, "time"), (ELUTION, "water")])
def test_runs_of_different_flow_tell_what_sets_the_pace(
    command: Command, tmp_path: Path, material: Material, speaks: str
) -> None:
    lab = lab_of(command, tmp_path, material)
    lab.plan()
    command("record", "husks", str(lab.results()))
    command("record", "husks", str(lab.samples(RUNS)))
    fitted = workflow.fit("husks", tmp_path)
    tests = fit_object(fitted)["flow_tests"]
    assert len(tests) >= 2
    truth = 0.0 if speaks == "time" else 1.0
    for test in tests:
        assert test["speaks_for"] == speaks
        low, high = test["exponent_if_pace_off"]
        assert low <= truth <= high
        # a pace off by 10 % is a power of ln 1.1 over ln of the ratio of flows, 3 to 9 mL/min
        wider = math.log(1.1) / math.log(3)
        assert test["exponent"]["low"] - low == pytest.approx(wider)
        assert high - test["exponent"]["high"] == pytest.approx(wider)
        sums = test["weighted_rss"]
        other = "water" if speaks == "time" else "time"
        assert sums["best"] <= sums[speaks] < 0.1 * sums[other]
    words = " ".join(" ".join(fit_lines(fitted)).split())
    against = "against time, not" if speaks == "time" else "against water per solid, not"
    assert f"coincide {against}" in words


def test_timed_samples_are_no_runs_and_change_no_fitted_surface(planned: TimedLab) -> None:
    """The same campaign without and with 80 bottles: every figure of the models is the same."""
    before = planned.doe("fit", "husks", "--json")
    planned.doe("record", "husks", str(planned.samples(RUNS)))
    after = planned.doe("fit", "husks", "--json")
    assert before["extraction_curves"] == []
    assert sum(len(one["portions"]) for one in after["extraction_curves"]) > 60
    for key in ("responses", "optimum", "pareto", "probable_region", "screening"):
        assert after[key] == before[key]
    for fit in after["responses"].values():
        assert len(fit["runs_used"]) == 15
        assert fit["residual_df"] == 15 - len(fit["terms"])
    assert planned.doe("status", "husks", "--json")["stages"][0]["done"] == 15


# -------------------------------------------------------------------------------------- the page


def test_the_page_shows_curves_tables_and_what_is_assumed(planned: TimedLab) -> None:
    planned.doe("record", "husks", str(planned.samples(RUNS)))
    planned.doe("fit", "husks")
    page = (planned.folder / "reports" / "husks-stage1-fit.html").read_text()
    section = page[page.index("Extraction curves</h2>") : page.index("Methods, to paste")]
    assert section.count('<svg class="picture"') >= 13
    assert "90 % of the fitted end value is out after" in section
    assert "Where the curves lie on each other is what sets the pace" in section
    assert "so nothing is taken off" in section  # no line in the file
    assert "Water stays in the bed for" in section
    assert "never their running sum" in section
    assert section.count("Save this table (CSV)") >= 4
    assert "<script" not in section
    ids = re.findall(r'id="([^"]+)"', page)
    assert len(ids) == len(set(ids))


def test_the_terminal_says_the_curves_of_all_assays_in_three_sentences(planned: TimedLab) -> None:
    planned.doe("record", "husks", str(planned.samples(RUNS)))
    answer = planned.doe("fit", "husks", "--json")
    beyond = [one for one in answer["extraction_curves"] if one["beyond_last_portion"]]
    fitted = [one for one in answer["extraction_curves"] if one["chosen"]]
    assert 0 < len(beyond) < len(fitted)
    assert all(one["end_value_mg_g"]["high"] is None for one in beyond)
    said = list(campaign_sentences(curves_now(planned.folder)))
    assert len(said) <= 3
    assert f"model’s word of {len(beyond)} of {len(fitted)} runs" in said[0]
    page = (planned.folder / "reports" / "husks-stage1-fit.html").read_text()
    table = page[page.index("90 % of it after, min</th>") :].split("</table>")[0]
    words = {
        row.split("</td>")[0].rpartition(">")[2]: row.count(", model’s word</bdi>")
        for row in re.split("<tr[^>]*>", table)[1:]
    }
    # beside end value, 90 % and rise of each such run, and nowhere else
    assert {run for run, count in words.items() if count >= 3} == {str(c["run"]) for c in beyond}
    assert all(words[str(c["run"])] == 0 for c in fitted if not c["beyond_last_portion"])


def test_one_flow_is_said_not_to_tell(planned: TimedLab) -> None:
    planned.doe("record", "husks", str(planned.samples([3, 8, 13])))  # three centre runs
    answer = planned.doe("fit", "husks", "--json")
    assert answer["flow_tests"] == []
    page = (planned.folder / "reports" / "husks-stage1-fit.html").read_text()
    assert "first order and elution in equilibrium with the solid give the same curve" in page


def test_without_timed_portions_nothing_is_said(planned: TimedLab) -> None:
    planned.doe("fit", "husks")
    page = (planned.folder / "reports" / "husks-stage1-fit.html").read_text()
    assert "Extraction curves" not in page


# ---------------------------------------------------------------------------- what was caught when


def test_a_sample_holds_what_left_after_its_discard_and_for_as_long_as_it_took(
    planned: TimedLab,
) -> None:
    planned.doe("record", "husks", str(planned.samples([3])))
    (curve,) = curves_now(planned.folder).curves
    timed = curve.timed.timed
    # run 3: 6 mL/min; draws at 6, 12 …; 3 mL discarded for 0.5 min, 6 mL of sample for 1 min
    assert list(timed.start[:2]) == pytest.approx([6.5, 12.5])
    assert list(timed.end[:2]) == pytest.approx([7.5, 13.5])
    assert not curve.timed.summed
    with (planned.folder / "designs/husks/portions.csv").open() as file:
        first = dict(zip(next(file).strip().split(","), next(file).strip().split(","), strict=True))
    mg_L = (float(first["pigment_mg_L"]) + float(first["pigment_mg_L_2"])) / 2
    assert timed.low[0] == pytest.approx(mg_L * 6e-3 / BED_G)
    apart = abs(float(first["pigment_mg_L"]) - float(first["pigment_mg_L_2"]))
    # two readings a apart: standard deviation a/√2, of their mean a/2
    assert curve.timed.sd[0] == pytest.approx(apart / 2 * 6e-3 / BED_G)


def test_the_line_is_taken_off_where_the_file_gives_it(command: Command, tmp_path: Path) -> None:
    lab = lab_of(command, tmp_path)
    lab.plan(SAMPLES.replace('volume = "6 mL"', 'volume = "6 mL"\nline = "12 mL"'))
    command("record", "husks", str(lab.samples([3])))
    found = curves_now(tmp_path)
    assert found.curves[0].timed.timed.start[0] == pytest.approx(6.5 - 2)  # 12 mL at 6 mL/min
    assert any("12 mL of line are taken off" in text for text in found.assumed)


@pytest.fixture
def drained(command: Command, tmp_path: Path) -> TimedLab:
    lab = lab_of(command, tmp_path)
    lab.plan("", FROM_DRAINS)
    command("record", "husks", str(lab.feed()))
    return lab


def test_drains_follow_each_other_and_their_sum_is_the_curve(drained: TimedLab) -> None:
    drained.doe("record", "husks", str(drained.drains(RUNS, 5.0)))
    found = curves_now(drained.folder)
    assert len(found.curves) == 15
    for curve in found.curves:
        timed = curve.timed.timed
        assert curve.timed.summed
        assert timed.start[0] == 0
        assert list(timed.start[1:]) == list(timed.end[:-1])
        assert timed.last_min == pytest.approx(curve.timed.end_min)
        assert "D0" not in curve.timed.labels  # what heating up brought
    ends = [c.models.chosen.end for c in found.curves if c.models.chosen is not None]
    assert sum(end.low <= 14 <= end.high for end in ends) >= 13
    answer = drained.doe("fit", "husks", "--json")
    assert [test["speaks_for"] for test in answer["flow_tests"]] == ["time"] * 3
    assert "as weighed" in (drained.folder / "reports" / "husks-stage1-fit.html").read_text()


def test_the_first_drain_of_a_run_holds_what_heating_up_brought_and_only_begins_the_sum(
    drained: TimedLab,
) -> None:
    path = drained.drains([3], 8.0)
    drained.doe("record", "husks", edited(path, (r"^3,D0.*\n", "")))
    (curve,) = curves_now(drained.folder).curves
    assert curve.timed.labels == ("D2", "D3", "D4", "D5")
    assert curve.timed.timed.start[0] == 8
    assert curve.timed.since_min == 8


def test_a_drain_without_a_time_keeps_drains_off_the_curve(drained: TimedLab) -> None:
    path = drained.drains([3], 8.0)
    drained.doe("record", "husks", edited(path, (r"^3,D2,drain,16,", "3,D2,drain,,")))
    found = curves_now(drained.folder)
    assert found.curves == ()
    (said,) = (n.what for n in found.notices if n.code == "drain-without-time")
    assert "D2 has no time_min" in said


def test_a_drain_that_the_pump_cannot_have_filled_is_asked_about(drained: TimedLab) -> None:
    path = drained.drains([3], 8.0)
    drained.doe("record", "husks", edited(path, (r"^3,D2,drain,16,48,", "3,D2,drain,16,80,")))
    (said,) = (n.what for n in curves_now(drained.folder).notices if n.code == "drain-volume")
    assert "D2 holds 80 mL where the pump delivered 48 mL" in said


def test_a_drain_holds_all_but_the_samples_taken_meanwhile(drained: TimedLab) -> None:
    path = drained.drains([3], 8.0)
    with path.open("a") as file:
        file.write("3,S1,sample,10,6,900\n")
    drained.doe("record", "husks", str(path))
    (curve,) = curves_now(drained.folder).curves
    timed = curve.timed.timed
    i = curve.timed.labels.index("D2")  # 8 to 16 min, less 6 mL at 6 mL/min from 10 min on
    own = timed.portion == i
    assert list(zip(timed.start[own], timed.end[own], strict=True)) == [(8, 10), (11, 16)]


def test_solids_and_compound_of_the_same_bottles_have_curves_of_their_own(
    drained: TimedLab,
) -> None:
    """Solids five times the pigment in every bottle: the same shape, five times the amount."""
    path = drained.drains([1, 3, 7], 5.0)
    head, *rows = path.read_text().splitlines()
    both = [f"{row},{5e-3 * float(row.split(',')[-1]):.6g}" for row in rows]
    path.write_text("\n".join([f"{head},solids_mg_mL", *both]) + "\n")
    drained.doe("record", "husks", str(path))
    found = curves_now(drained.folder)
    of = {(c.timed.run, c.timed.of): c.models.chosen for c in found.curves}
    assert set(of) == {(run, name) for run in (1, 3, 7) for name in ("solids", "pigment")}
    for run in (1, 3, 7):
        solids, pigment = of[run, "solids"], of[run, "pigment"]
        assert solids is not None
        assert pigment is not None
        assert solids.end_value == pytest.approx(5 * pigment.end_value, rel=1e-4)
        assert solids.shape == pytest.approx(pigment.shape, rel=1e-4)
    # runs 1 and 7: 125 °C at 6 and 9 mL/min
    assert [test.curves[0].timed.of for test in found.tests] == ["solids", "pigment"]


def test_below_detection_is_a_limit_and_after_the_end_is_left_out(drained: TimedLab) -> None:
    path = drained.drains([6], 10.0)  # 175 °C, 60 min: nothing is left by then
    last = (r"^6,D6,drain,60,30,.*", "6,D6,drain,75,75,3")
    limit = (r"^6,D5,drain,50,30,.*", "6,D5,drain,50,30,<40")
    drained.doe("record", "husks", edited(path, last, limit))
    found = curves_now(drained.folder)
    (curve,) = found.curves
    timed = curve.timed.timed
    assert curve.timed.labels == ("D1", "D2", "D3", "D4", "D5")
    assert (timed.low[4], timed.high[4]) == (0, pytest.approx(40 * 30e-3 / BED_G))
    assert not curve.timed.summed  # no running sum over a limit
    assert curve.models.chosen is not None
    assert curve.models.chosen.df == 2
    (said,) = (n.what for n in found.notices if n.code == "portion-outside")
    assert "D6 of run 6" in said


def test_without_feed_there_is_no_curve_and_the_reason_is_said(
    command: Command, tmp_path: Path
) -> None:
    lab = lab_of(command, tmp_path)
    lab.plan("", FROM_DRAINS)
    command("record", "husks", str(lab.drains([3], 8.0)))
    found = curves_now(tmp_path)
    assert found.curves == ()
    assert "feed_g is not recorded" in found.notices[0].what


def test_feed_that_was_weighed_counts_even_where_nothing_is_derived(planned: TimedLab) -> None:
    planned.doe("record", "husks", str(planned.samples([3])))
    (before,) = curves_now(planned.folder).curves
    sheet = planned.folder / "feed.csv"
    sheet.write_text("run,feed_g\n3,10\n")
    planned.doe("record", "husks", str(sheet))
    found = curves_now(planned.folder)
    (after,) = found.curves
    assert after.timed.timed.low == pytest.approx(before.timed.timed.low * BED_G / 10)
    assert any("or where it was not of the bed's planned mass" in text for text in found.assumed)


def test_left_out_runs_have_no_curve(planned: TimedLab) -> None:
    planned.doe("record", "husks", str(planned.samples([3, 8])))
    sheet = planned.folder / "out.csv"
    sheet.write_text("run,left_out_because\n3,the regulator blocked\n")
    planned.doe("record", "husks", str(sheet))
    assert {curve.timed.run for curve in curves_now(planned.folder).curves} == {8}


def test_the_contract_has_no_number_that_is_none(planned: TimedLab) -> None:
    """JSON knows no infinity: what nothing bounds is null."""
    planned.doe("record", "husks", str(planned.samples([15])))  # 20 min at 125 °C: nearly straight
    answer = planned.doe("fit", "husks", "--json")
    text = json.dumps(answer, allow_nan=False)
    assert "extraction_curves" in text
    (curve,) = answer["extraction_curves"]
    peleg = next(m for m in curve["models"] if m["model"] == "Peleg")
    assert peleg["end_value_mg_g"]["low"] > 0
    assert np.isfinite(curve["water_mL_g_min"])
