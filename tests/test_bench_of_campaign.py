"""What a campaign's bench sheet tells the person at the rig."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from doe import rig, views, workflow
from doe.campaign import Campaign
from doe.sheet import read_sheet
from doe.stops import stop_limits


def campaign_of(tmp_path: Path, changes: Mapping[str, str] = {}) -> Campaign:
    """The campaign of `doe new` with some text changed."""
    file = workflow.new("mint", tmp_path).files[0]
    text = file.read_text()
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new)
    file.write_text(text)
    return workflow.load("mint", tmp_path)


def test_pressures_on_the_sheet_keep_every_limit_and_no_tenth_of_a_bar_is_given_away(
    tmp_path: Path,
) -> None:
    campaign = campaign_of(tmp_path)
    result = workflow.plan("mint", tmp_path)
    said = views.sheet_limits(campaign, result.rows)
    atmosphere = campaign.rig.atmospheric_pressure_bara
    for row in result.rows:
        (text,) = (t for t in said[row.run] if t.startswith("keep the set pressure"))
        low, high = map(float, re.findall(r"[0-9]+\.[0-9]", text))

        def kept(shown: float, settings: tuple[float, ...] = row.settings) -> bool:
            conditions = campaign.conditions(np.array([settings]))
            moved = replace(conditions, pressure_bara=np.array([shown + atmosphere]))
            return bool(rig.envelope(campaign.rig, moved).feasible[0])

        assert kept(low)
        assert kept(high)
        assert not kept(low - 0.1)
        assert not kept(high + 0.1)


def test_room_to_relief_is_told_with_the_pressure_that_it_starts_from(tmp_path: Path) -> None:
    """Heated at constant density by IAPWS-95 (CoolProp), the relief opens within 0.1 K of it."""
    campaign = campaign_of(tmp_path)
    settings = np.array([row.settings for row in workflow.plan("mint", tmp_path).rows])
    (said,) = views.closed_in_sentences(campaign, settings)
    kelvin = float(re.findall(r"bears ([\d.]+) K", said)[0])
    opening, start = (float(bar) for bar in re.findall(r"([\d.]+) bar gauge", said))
    atmosphere = campaign.rig.atmospheric_pressure_bara

    def highest_after(rise: float) -> float:
        after = []
        for T in 273.15 + campaign.conditions(settings).temperature_C:
            density = PropsSI("D", "T", T, "P", 1e5 * (start + atmosphere), "Water")
            after.append(PropsSI("P", "T", T + rise, "D", density, "Water") / 1e5 - atmosphere)
        return max(after)

    assert highest_after(kelvin - 0.05) < opening < highest_after(kelvin + 0.15)


def test_stop_limits_are_never_above_the_rigs_own(tmp_path: Path) -> None:
    campaign = campaign_of(
        tmp_path, {'temperature_max = "220 degC"': 'temperature_max = "206 degC"'}
    )
    rows = workflow.plan("mint", tmp_path).rows
    for run in views.bench_runs(campaign, rows).values():
        assert run.stop.temperature_above_C is not None
        assert run.stop.temperature_above_C.value <= 206


@pytest.mark.parametrize("least", ["0.5", "1.7"])
@pytest.mark.parametrize("largest", ["8", "8.005", "12"])
def test_no_flow_that_check_allows_is_stopped_by_the_sheet(
    least: str, largest: str, tmp_path: Path
) -> None:
    pump = {
        'flow_min = "0.5 mL/min"': f'flow_min = "{least} mL/min"',
        'flow_max = "12 mL/min"': f'flow_max = "{largest} mL/min"',
    }
    campaign = campaign_of(tmp_path, pump)
    names = [f"pump-flow-{end}" for end in ("low", "high")]
    at = campaign.conditions(np.array([[150.0, 5.0, 40.0]]))
    flows = np.arange(200, 24_001) / 2000  # 0.1 to 12 mL/min, finer than the sheet writes
    tried = rig.Conditions(
        "flow",
        np.full(len(flows), 150.0),
        np.full(len(flows), 40.0),
        np.full(len(flows), 51.0),
        flows,
        None,
    )
    envelope = rig.envelope(campaign.rig, tried)
    columns = [[limit.code for limit in envelope.limits].index(name) for name in names]
    allowed = flows[(envelope.margin[:, columns] >= 0).all(axis=1)]
    stop = stop_limits(campaign, at, 0)
    assert stop.flow_above_mL_min is not None
    assert stop.flow_below_mL_min is not None
    assert allowed.min() == pytest.approx(stop.flow_below_mL_min.value)  # and nothing is lost
    assert allowed.max() == pytest.approx(stop.flow_above_mL_min.value)
    assert allowed.min() >= stop.flow_below_mL_min.value
    assert allowed.max() <= stop.flow_above_mL_min.value


def test_a_flow_that_follows_from_the_ratio_is_printed(tmp_path: Path) -> None:
    ratio = '[factors.water_to_solid]\nlow = "15 mL/g"\nhigh = "25 mL/g"\nstep = "1 mL/g"\n'
    flow = '[factors.flow]\nlow = "3 mL/min"\nhigh = "8 mL/min"\nstep = "0.5 mL/min"\n'
    campaign = campaign_of(tmp_path, {flow: ratio, 'low = "20 min"': 'low = "40 min"'})
    result = workflow.plan("mint", tmp_path)
    said = views.sheet_limits(campaign, result.rows)
    for row in result.rows:
        _, by_mass, time = row.settings
        expected = by_mass * 12 / time  # mL/g × 12 g of bed over minutes
        assert f"set the flow to {expected:.4g} mL/min" in said[row.run]


def heating_by_iapws95(T: float, start_barg: float, opening_barg: float) -> float:
    """The heating at constant density between two pressures [K], by CoolProp (IAPWS-95)."""
    start, opening = (1e5 * (barg + 1.01325) for barg in (start_barg, opening_barg))
    density = PropsSI("D", "T", T + 273.15, "P", start, "Water")
    return float(PropsSI("T", "D", density, "P", opening, "Water")) - 273.15 - T


def test_heating_that_opens_the_relief_is_told_from_the_highest_pressure_allowed(
    tmp_path: Path,
) -> None:
    # On top of the highest set pressure: 1.5 bar swing, 1 pulsation, 1 bed, 1 gauge error; the
    # disc of 100 bar gauge, 5 % tolerance, may open at 95.
    campaign = campaign_of(tmp_path)
    result = workflow.plan("mint", tmp_path)
    said = views.sheet_limits(campaign, result.rows)
    hot = [row for row in result.rows if row.settings[0] >= 152]  # there the climb is steepest
    assert hot
    for row in hot:
        (kept,) = (t for t in said[row.run] if t.startswith("keep the set pressure"))
        (text,) = (t for t in said[row.run] if t.startswith("shut in"))
        highest = float(re.findall(r"[0-9]+[.][0-9]", kept)[1]) + 4.5
        assert f"hot at {highest:.1f} bar gauge" in text
        kelvin = float(re.findall(r", ([0-9.]+) K of heating", text)[0])
        least = heating_by_iapws95(row.settings[0], highest, 95.0)
        assert least - 0.11 < kelvin <= least
        assert text.endswith("; the declared overshoot of 3 K alone is more")


def test_the_plan_page_rounds_the_heating_of_a_shut_vessel_down(tmp_path: Path) -> None:
    campaign = campaign_of(tmp_path)
    rows = workflow.plan("mint", tmp_path).rows
    _, each = views.derived_tables(campaign, rows)
    heating = next(j for j, name in enumerate(each.headings) if "if shut in" in name)
    highest = next(j for j, name in enumerate(each.headings) if name.startswith("highest"))
    for row, cells in zip(rows, each.rows, strict=True):
        assert cells[highest] == "54.5"  # 50 bar gauge and the 4.5 on top
        # shut in anywhere from set to 5 K hotter (3 K overshoot, 2 K sensor error)
        starts = row.settings[0] + np.linspace(0, 5, 11)
        least = min(heating_by_iapws95(T, 54.5, 95.0) for T in starts)
        assert least - 0.11 < float(cells[heating]) <= least


def test_an_overshoot_that_a_shut_vessel_bears_is_not_called_more(tmp_path: Path) -> None:
    campaign = campaign_of(tmp_path, {'overshoot = "3 K"': 'overshoot = "0.5 K"'})
    rows = workflow.plan("mint", tmp_path).rows
    texts = [text for said in views.sheet_limits(campaign, rows).values() for text in said]
    texts += views.closed_in_sentences(campaign, np.array([row.settings for row in rows]))
    told = [text for text in texts if "hut in while" in text]
    assert len(told) == len(rows) + 1
    assert not any("overshoot" in text for text in told)


def test_the_filled_workbook_comes_back_through_record(tmp_path: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    campaign_of(tmp_path)
    result = workflow.plan("mint", tmp_path)
    book_file = next(file for file in result.files if file.suffix == ".xlsx")
    book = openpyxl.load_workbook(book_file)
    sheet = book["runs"]
    header = next(
        row for row in sheet.iter_rows() if any(cell.value == "extract_yield_mg_g" for cell in row)
    )
    columns = {cell.value: cell.column for cell in header}
    first = header[0].row + 1
    for i in range(len(result.rows)):
        sheet.cell(first + i, columns["extract_yield_mg_g"], 40.5 + i)
        sheet.cell(first + i, columns["furfural_mg_g"], "<0.05" if i == 0 else 0.2 + i / 10)
    filled = tmp_path / "filled.xlsx"
    book.save(filled)
    campaign = workflow.load("mint", tmp_path)
    assert len(read_sheet(filled, campaign.schema).rows) == len(result.rows)
    recorded = workflow.record("mint", tmp_path, filled)
    assert {change.column for change in recorded.changes} == {
        "status",
        "extract_yield_mg_g",
        "furfural_mg_g",
    }
    assert "<0.05" in (campaign.folder / "runs.csv").read_text()
