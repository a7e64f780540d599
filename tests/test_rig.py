"""The rig's limits against hand-worked figures, handbook tables and properties they must have.

Tables: tests/reference/water (IF97, with its sources). Rigs: tests/reference/rig (invented).
"""

from __future__ import annotations

import copy
import csv
import math
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from doe import rig as rig_room
from doe import water
from doe.errors import InfeasibleError
from doe.rig import Conditions, Envelope, Limit, Rig

REFERENCE = Path(__file__).parent / "reference"
ATMOSPHERE = 1.01325  # bar, the standard atmosphere


def keys(name: str) -> dict[str, Any]:
    return tomllib.loads((REFERENCE / "rig" / f"{name}.toml").read_text(encoding="utf-8"))


def rig(name: str = "flow", **changes: Any) -> Rig:
    """Return a reference rig with some keys changed; ``disc__burst_pressure`` reaches into one."""
    return Rig.model_validate(changed(keys(name), changes))


def changed(table: dict[str, Any], changes: dict[str, Any]) -> dict[str, Any]:
    table = copy.deepcopy(table)
    for place, value in changes.items():
        *parents, key = place.split("__")
        inner = table
        for parent in parents:
            inner = inner[parent]
        if value is None:
            inner.pop(key)
        else:
            inner[key] = value
    return table


def exact(name: str = "flow", **changes: Any) -> Rig:
    """Return a rig without any allowance, so that a check shows its bare figure."""
    zeros: dict[str, Any] = dict.fromkeys(
        ("temperature_overshoot", "temperature_sensor_error"), "0 K"
    )
    zeros |= dict.fromkeys(("pressure_swing", "pressure_gauge_error"), "0 bar")
    if name != "headspace":
        zeros["pressure_pulsation"] = "0 bar"
    if name == "flow":
        zeros["bed_pressure_drop"] = "0 bar"
    return rig(name, **(zeros | {"heater__wall_excess": "0 K"} | changes))


def flow(
    T: Any, barg: Any, mL_min: Any = 10.0, minutes: Any = 60.0, grams: float = 12.0
) -> Conditions:
    T, barg, mL_min, minutes = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(x, float)) for x in (T, barg, mL_min, minutes))
    )
    return Conditions("flow", T, minutes, barg + ATMOSPHERE, mL_min, np.full(T.shape, grams))


def batch(kind: Any, T: Any, barg: Any = None, minutes: float = 60.0) -> Conditions:
    T = np.atleast_1d(np.asarray(T, float))
    P = None if barg is None else np.broadcast_to(np.asarray(barg, float), T.shape) + ATMOSPHERE
    return Conditions("batch", T, np.full(T.shape, minutes), P, None, None, kind)


def column(envelope: Envelope, code: str) -> int:
    return [limit.code for limit in envelope.limits].index(code)


def failing(envelope: Envelope, i: int = 0) -> set[str]:
    return {limit.code for limit in envelope.failing(i)}


def sentence(envelope: Envelope, code: str, i: int = 0) -> str:
    return envelope.sentence(i, column(envelope, code))


def table(name: str, temperature: str = "") -> list[dict[str, str]]:
    """Return a table's rows; with a temperature column, those up to the tool's 350 °C."""
    with (REFERENCE / "water" / name).open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return [row for row in rows if not temperature or float(row[temperature]) <= 350]


def to_digits(value: Any) -> Any:
    return pytest.approx(value, rel=6e-7)  # the tables print seven digits


# ------------------------------------------------------------------------------ stays liquid


@pytest.mark.parametrize(
    "row", table("min_pressure.csv", "T_set_degC"), ids=lambda row: row["T_set_degC"]
)
@pytest.mark.parametrize("amount", [5, 10, 20])
def test_lowest_pressure_against_table(row: dict[str, str], amount: int) -> None:
    T = float(row["T_set_degC"])
    overshoot = {"temperature_overshoot": "3 K"}
    margin = exact(liquid_margin=f"{amount} bar", liquid_subcooling="0 K", **overshoot)
    assert rig_room.minimum_pressure_bara(margin, T) == to_digits(
        float(row[f"Pmin_bar_margin{amount}bar_at_T+3K"])
    )
    cooled = exact(liquid_margin="0 bar", liquid_subcooling=f"{amount} K", **overshoot)
    if T + 3 + amount <= 350:
        assert rig_room.minimum_pressure_bara(cooled, T) == to_digits(
            float(row[f"Pmin_bar_subcool{amount}K_at_T+3K"])
        )


def test_lowest_pressure_takes_the_stricter_of_margin_and_subcooling() -> None:
    # min_pressure.csv at 3 K overshoot: 120 °C 7.18 (5 bar) against 2.95 (10 K);
    # 280 °C 72.119 (5 bar) against 77.723 (10 K).
    both = exact(temperature_overshoot="3 K")
    assert rig_room.minimum_pressure_bara(both, [120.0, 280.0]) == to_digits(
        np.array([7.182867, 77.72327])
    )


def test_every_allowance_raises_the_lowest_pressure_by_what_it_is() -> None:
    # Saturation at set + 10 K (3 overshoot, 2 sensor, 5 wall), to one decimal from IAPWS tables:
    # 6.2, 12.6, 19.1, 28.0 bara for 150, 180, 200, 220 °C. Then 5 margin, 1.5 swing, 1 pulsation,
    # 1 gauge error.
    found = rig_room.minimum_pressure_bara(rig(liquid_subcooling="0 K"), [150, 180, 200, 220])
    assert list(np.round(found - 8.5, 1)) == [6.2, 12.6, 19.1, 28.0]


def test_no_pressure_is_known_to_do_near_350_C() -> None:
    # Hottest point set + 10 K, and 10 K of subcooling: known up to a set temperature of 330 °C.
    found = rig_room.minimum_pressure_bara(rig(), [330.0, 330.1])
    assert list(np.isfinite(found)) == [True, False]
    assert rig_room.maximum_temperature_C(rig(), 900.0) == pytest.approx(330.0)
    assert rig_room.maximum_temperature_C(rig(), 1.0) == -math.inf


def test_sentence_of_a_boiling_run_gives_the_worked_figures_and_both_cures() -> None:
    # Worked by hand: 220 °C boils at 23.193 bara = 22.18 barg; 225 °C at 25.494 bara = 24.48 barg,
    # + 2 + 5 = 31.48; 20 − 2 − 5 = 13 barg = 14.013 bara boils at 195.1 °C, less 5 K is 190.1.
    looked = exact(temperature_overshoot="5 K", pressure_swing="2 bar", liquid_subcooling="0 K")
    text = sentence(rig_room.envelope(looked, flow(220, 20)), "liquid-margin")
    assert text == (
        "220 °C at 20 bar gauge boils: saturation there is 22.2 bar gauge, and with 5 K overshoot, "
        "2 bar swing and a margin of 5 bar and 0 K it takes 31.5 bar gauge. "
        "Raise the pressure, or stay at or below 190 °C."
    )


def test_cures_cure() -> None:
    looked = rig()
    # 20 barg less 3.5 and 5 is 12.51 bara, boiling at 189.9 °C, 10 K above set; 210 °C takes
    # 23.19 bara (220 °C) and 8.5: 30.7 barg.
    for T, P, cured in ((220.0, 20.0, (179.0, 20.0)), (210.0, 20.0, (210.0, 30.7))):
        before = rig_room.envelope(looked, flow(T, P))
        assert "liquid-margin" in failing(before) or "liquid-subcooling" in failing(before)
        after = rig_room.envelope(looked, flow(*cured))
        assert not {"liquid-margin", "liquid-subcooling"} & failing(after)
    # and a degree more, or a tenth of a bar less than asked for, does not
    asked = float(rig_room.minimum_pressure_bara(looked, 210.0)) - ATMOSPHERE
    assert not rig_room.envelope(looked, flow(210, asked - 0.1)).feasible[0]
    assert "liquid-margin" in failing(rig_room.envelope(looked, flow(181, 20)))


def test_three_words_for_not_safely_liquid() -> None:
    # 180 °C boils at 9.01 barg. Hottest point 190 °C (11.54 barg); swing, pulsation and gauge error
    # 3.5 bar: may boil below 15.04; with 5 bar margin 20.04 (200 °C for 10 K: 14.53 + 3.5 = 18.03).
    looked = rig()
    runs = flow(180, [9.0, 9.1, 15.0, 15.1, 20.0, 20.1])
    assert rig_room.liquid_state(looked, runs) == (
        "boils",
        "may boil",
        "may boil",
        "too close",
        "too close",
        "liquid",
    )
    envelope = rig_room.envelope(looked, runs)
    assert list(envelope.margin[:, column(envelope, "liquid-margin")] >= 0) == [False] * 5 + [True]
    assert "may boil" in sentence(envelope, "liquid-margin", 1)
    assert "too close to boiling" in sentence(envelope, "liquid-margin", 3)


def test_no_pressure_helps_where_the_rig_cannot_hold_it() -> None:
    # 250 °C boils at 38.8 barg; with a disc of 50 barg (33.2 by its ratio) nothing can be set.
    low = rig(disc__burst_pressure="50 barg", disc__burst_temperature="300 degC")
    text = sentence(rig_room.envelope(low, flow(225, 25)), "liquid-margin")
    assert "The rig does not allow that pressure" in text
    assert "Raise" not in text


@given(st.floats(100, 330), st.floats(0, 8), st.floats(0, 8))
def test_highest_temperature_undoes_lowest_pressure(T: float, swing: float, over: float) -> None:
    looked = rig(temperature_overshoot=f"{over} K", pressure_swing=f"{swing} bar")
    P = rig_room.minimum_pressure_bara(looked, T)
    if math.isfinite(P):
        assert rig_room.maximum_temperature_C(looked, P) == pytest.approx(T, abs=1e-5)


def test_a_higher_atmosphere_absolute_counts_for_boiling() -> None:
    # 2000 m up the air is about 0.79 bar: 20.1 barg is then 0.22 bar less absolute.
    high_up = rig(atmospheric_pressure="0.79 bara")
    P = np.array([20.1 + 0.79])
    runs = Conditions("flow", np.array([180.0]), np.array([60.0]), P, np.array([10.0]))
    assert "liquid-margin" in failing(rig_room.envelope(high_up, runs))
    assert rig_room.envelope(rig(), flow(180, 20.1)).feasible[0]


# ------------------------------------------------------------------------ pressure ceilings


def test_disc_allows_its_ratio_of_the_lowest_burst_less_what_comes_on_top() -> None:
    # 100 barg marked, −5 %, × 70 % = 66.5 barg; swing 1.5, pulsation 1, bed 1, gauge error 1.
    envelope = rig_room.envelope(rig(), flow(180, [62.0, 62.01]))
    j = column(envelope, "disc-operating-ratio")
    assert envelope.allowed[0, j] == pytest.approx(66.5)
    assert envelope.value[0, j] == pytest.approx(66.5)
    assert list(envelope.feasible) == [True, False]
    assert "Set at most 62 bar gauge." in envelope.sentence(1, j)
    assert rig_room.pressure_ceiling_bara(rig(), 180.0) - ATMOSPHERE == pytest.approx(62.0)


def test_vessel_rating_is_read_between_its_pairs_and_never_beyond() -> None:
    # Pairs (200 °C, 110 barg) and (250 °C, 100 barg): 105 at 225 °C, metal at set + 10 K.
    hot = {"temperature_max": "300 degC", "disc__burst_temperature": "300 degC"}
    envelope = rig_room.envelope(rig(**hot), flow([215, 240, 240.1], 50))
    j = column(envelope, "vessel-pressure")
    assert envelope.allowed[0, j] == pytest.approx(105.0)
    assert envelope.allowed[1, j] == pytest.approx(100.0)
    assert failing(envelope, 1) == set()
    assert failing(envelope, 2) == {"metal-temperature"}
    assert np.isnan(envelope.margin[2, j])
    assert "no rating at this run's hottest metal" in envelope.sentence(2, j)
    assert "not extrapolated" in sentence(envelope, "metal-temperature", 2)


def test_vessel_share_is_common_practice_and_the_rating_is_not() -> None:
    envelope = rig_room.envelope(
        rig(disc__operating_ratio="100 %", disc__burst_pressure="108 barg"), flow(190, 95.6)
    )  # 100.1 barg at most; 90 % of 110 is 99
    assert failing(envelope) >= {"vessel-share"}
    assert "vessel-pressure" not in failing(envelope)
    assert envelope.limits[column(envelope, "vessel-share")].practice
    assert not envelope.limits[column(envelope, "vessel-pressure")].practice


def test_relief_marked_above_the_rating_at_the_hottest_metal_fails() -> None:
    envelope = rig_room.envelope(rig(disc__burst_pressure="108 barg"), flow([180, 205], 50))
    assert "relief-set" not in failing(envelope, 0)  # rated 110.5 → 108 is inside
    assert "relief-set" in failing(envelope, 1)  # 215 °C: rated 107


def test_a_disc_hotter_than_its_certificate_is_refused_and_never_derated() -> None:
    envelope = rig_room.envelope(rig(disc__burst_temperature="150 degC"), flow([140, 141], 50))
    assert list(envelope.feasible) == [True, False]
    assert failing(envelope, 1) == {"disc-temperature"}
    cooler = rig(disc__burst_temperature="150 degC", disc__service_temperature="90 degC")
    assert rig_room.envelope(cooler, flow(180, 50)).feasible[0]


def test_disc_and_valve_together_open_at_the_lower() -> None:
    both = keys("flow") | {
        "valve": {"set_pressure": "80 barg", "set_tolerance": "3 %", "temperature_max": "250 degC"}
    }
    envelope = rig_room.envelope(Rig.model_validate(both), flow(180, 50))
    assert envelope.allowed[0, column(envelope, "relief-opening")] == pytest.approx(77.6)
    assert envelope.allowed[0, column(envelope, "valve-operating-ratio")] == pytest.approx(69.84)
    assert rig_room.closed_in(Rig.model_validate(both), flow(180, 50)).opening_bara == (
        pytest.approx(77.6 + ATMOSPHERE)
    )


def test_regulator_and_pump_are_used_within_their_ranges() -> None:
    # Regulator 5 to 100 barg: 10 % is 14.5, 90 % is 90.5. Pump up to 25 mL/min: 10 % of its largest
    # flow is 2.5, 90 % is 22.5.
    envelope = rig_room.envelope(
        rig(), flow(100, [14.4, 14.5, 50, 50, 50], [5, 5, 2.49, 2.5, 22.51])
    )
    assert "regulator-low" in failing(envelope, 0)
    assert "regulator-low" not in failing(envelope, 1)
    assert failing(envelope, 2) == {"pump-flow-low"}
    assert failing(envelope, 3) == set()
    assert "pump-flow-high" in failing(envelope, 4)


@pytest.mark.parametrize(
    ("least", "low"),
    [("0.5 mL/min", 1.25), ("2 mL/min", 2.0)],  # 10 % of 12.5, or the pump's own least
)
def test_the_pump_is_used_by_shares_of_its_largest_flow(least: str, low: float) -> None:
    looked = rig(pump__flow_min=least, pump__flow_max="12.5 mL/min")
    envelope = rig_room.envelope(looked, flow(100, 50, [low - 0.01, low, 11.25, 11.26]))
    ends = [failing(envelope, i) for i in range(4)]
    assert ends == [{"pump-flow-low"}, set(), set(), {"pump-flow-high"}]
    assert f"Set the flow to at least {low:g} mL/min." in sentence(envelope, "pump-flow-low")


def test_a_pump_of_which_nothing_is_usable_is_refused() -> None:
    looked = rig(pump__flow_min="5 mL/min", pump__flow_max="5.5 mL/min")  # 90 % of it is 4.95
    (problem,) = rig_room.problems(looked, "flow", None)
    assert (problem.code, problem.where.key) == ("empty-range", "rig.pump.flow_min")
    assert "4.95 mL/min" in problem.what


# --------------------------------------------------------------------------- shut and full


def test_blocked_in_at_180_C_and_50_barg_reaches_66_83_99_barg() -> None:
    # Constant density from 180 °C, 50 bar gauge: "about 66, 83, 99 bar gauge" for 1, 2, 3 K.
    found = rig_room.closed_in(exact(), flow(180, 50))
    after = np.array([found.after_1K_bara, found.after_2K_bara, found.after_3K_bara]).ravel()
    assert list(np.round(after - ATMOSPHERE)) == [66, 83, 99]
    # The disc may open at 95 barg, so between 2 and 3 K.
    assert 2.7 < found.rise_K[0] < 2.8


def warmed_by(kelvin: int) -> list[dict[str, str]]:
    rows = table("closed_vessel_heating.csv", "T0_degC")
    return [row for row in rows if float(row["dT_K"]) == kelvin]


@pytest.mark.parametrize("row", warmed_by(1), ids=lambda row: f"{row['T0_degC']} {row['P0_bar']}")
def test_blocked_in_against_table(row: dict[str, str]) -> None:
    found = rig_room.closed_in(
        exact(), flow(float(row["T0_degC"]), float(row["P0_bar"]) - ATMOSPHERE)
    )
    assert found.after_1K_bara[0] == to_digits(float(row["P1_bar_IF97"]))


@pytest.mark.parametrize("kelvin", [1, 5, 10])
def test_heating_that_opens_the_relief_against_table(kelvin: int) -> None:
    # A disc that surely opens at the pressure tabled leaves just the heating tabled.
    for row in warmed_by(kelvin):
        opening = f"{row['P1_bar_IF97']} bara"
        looked = exact(disc__burst_pressure=opening, disc__burst_tolerance="0 %")
        runs = flow(float(row["T0_degC"]), float(row["P0_bar"]) - ATMOSPHERE)
        assert rig_room.closed_in(looked, runs).rise_K[0] == pytest.approx(kelvin, rel=1e-5)


def heating_by_iapws95(T: float, start_barg: float, opening_barg: float) -> float:
    """The heating at constant density between two pressures [K], by CoolProp (IAPWS-95)."""
    from CoolProp.CoolProp import PropsSI

    pascal = [1e5 * (barg + ATMOSPHERE) for barg in (start_barg, opening_barg)]
    density = PropsSI("D", "T", T + 273.15, "P", pascal[0], "Water")
    return float(PropsSI("T", "D", density, "P", pascal[1], "Water")) - 273.15 - T


@pytest.mark.parametrize("T", [110.0, 145.0, 150.0, 180.0, 200.0])
def test_heating_of_a_shut_rig_counts_from_the_highest_pressure(T: float) -> None:
    # 50 bar gauge, + 1.5 swing + 1 pulsation + 1 bed + 1 gauge error = 54.5; the disc may open at
    # 95. Shut in anywhere from set to 5 K hotter (overshoot and sensor error): the least counts.
    least = min(heating_by_iapws95(T + above, 54.5, 95.0) for above in np.linspace(0, 5, 21))
    found = rig_room.closed_in(rig(), flow(T, 50))
    assert found.from_bara[0] - ATMOSPHERE == pytest.approx(54.5)
    # IF97 against IAPWS-95: the climb agrees within 0.35 % (see test_water)
    assert found.rise_K[0] == pytest.approx(least, rel=3.5e-3)
    assert rig_room.derived(rig(), flow(T, 50))["closed_in_rise_K"][0] == found.rise_K[0]


def test_flow_and_batch_count_the_heating_of_a_shut_vessel_alike() -> None:
    looked, runs = rig("liquid_full"), batch("liquid-full", [120, 150, 180], 60)
    envelope = rig_room.envelope(looked, runs)
    limit = envelope.value[:, column(envelope, "closed-in-rise")]
    assert rig_room.closed_in(looked, runs).rise_K == pytest.approx(limit)
    # 60 bar gauge + 2.5 of allowances (by hand, as below); the disc may open at 123.5
    assert limit[2] == pytest.approx(heating_by_iapws95(180, 62.5, 123.5), rel=3.5e-3)


def test_liquid_full_batch_stays_below_relief_over_its_temperature_swing() -> None:
    # 180 °C, 60 barg, 2.5 bar of allowances: 62.5 barg; slope about 16.3 bar/K (trade figure
    # 66 → 83 → 99), so 0.6 K adds 9.8 bar: 72.3. Disc 130 − 5 % = 123.5, × 70 % = 86.45.
    envelope = rig_room.envelope(rig("liquid_full"), batch("liquid-full", 180, 60))
    assert envelope.value[0, column(envelope, "vessel-pressure")] == pytest.approx(72.3, abs=0.1)
    assert envelope.feasible[0]
    wide = rig("liquid_full", temperature_swing="4 K")  # 65 bar: beyond the disc
    assert failing(rig_room.envelope(wide, batch("liquid-full", 180, 60))) >= {
        "closed-in-rise",
        "relief-opening",
        "disc-operating-ratio",
    }


def test_a_swing_counts_where_it_climbs_most() -> None:
    # Below 150 °C the climb is steepest at the hottest water: shut at 60 + 5 °C and warmed 0.6 K.
    # IAPWS-95 at constant density; the formulations differ by 0.25 % of the rise (agreement.csv).
    from CoolProp.CoolProp import PropsSI

    envelope = rig_room.envelope(rig("liquid_full"), batch("liquid-full", 60, 60))
    start = 60 + 2.5 + ATMOSPHERE
    density = PropsSI("D", "T", 338.15, "P", start * 1e5, "Water")
    hot = PropsSI("P", "T", 338.75, "D", density, "Water") / 1e5
    found = envelope.value[0, column(envelope, "vessel-pressure")] + ATMOSPHERE
    assert found - start == pytest.approx(hot - start, rel=3e-3)
    # and it takes that much less heating to reach the disc
    shut_cold = rig("liquid_full", temperature_overshoot="0 K", temperature_sensor_error="0 K")
    cold = rig_room.envelope(shut_cold, batch("liquid-full", 60, 60))
    j = column(envelope, "closed-in-rise")
    assert envelope.value[0, j] < 0.97 * cold.value[0, j]


def test_a_swing_too_wide_is_named_as_the_cause_and_its_cures_cure() -> None:
    # 62.5 barg as above; the disc's 86.45 barg leave 23.9 bar, at about 16.3 bar/K 1.4 K.
    runs = batch("liquid-full", 180, 60)
    text = sentence(
        rig_room.envelope(rig("liquid_full", temperature_swing="2 K"), runs), "disc-operating-ratio"
    )
    assert "The temperature swing of 2 K is the cause" in text
    assert "hold the swing within 1.4 K." in text
    steadier = rig("liquid_full", temperature_swing="1.4 K")
    assert rig_room.envelope(steadier, runs).feasible[0]
    lowered = float(text.split("Set at most ")[1].split(" ")[0])
    wide = rig("liquid_full", temperature_swing="2 K")
    assert rig_room.envelope(wide, batch("liquid-full", 180, lowered)).feasible[0]
    # 6 K add about 95 bar: more than the disc bears above boiling, whatever the pressure
    far = rig_room.envelope(rig("liquid_full", temperature_swing="6 K"), runs)
    assert "Set at most" not in sentence(far, "disc-operating-ratio")


@pytest.mark.parametrize("T", [60.0, 120.0, 180.0, 210.0])
def test_the_ceiling_of_a_shut_vessel_leaves_room_for_its_swing(T: float) -> None:
    looked = rig("liquid_full")
    ceiling = float(rig_room.pressure_ceiling_bara(looked, T)) - ATMOSPHERE
    envelope = rig_room.envelope(looked, batch("liquid-full", [T, T], [ceiling - 0.01, 0.0]))
    assert "disc-operating-ratio" not in failing(envelope, 0)
    above = rig_room.envelope(looked, batch("liquid-full", T, ceiling + 0.01))
    assert "disc-operating-ratio" in failing(above)


def test_heating_up_shut_is_refused() -> None:
    found = rig_room.problems(rig("liquid_full", heat_up_outlet="shut"), "batch", "liquid-full")
    assert [problem.code for problem in found] == ["heated-shut"]
    assert "outlet open" in found[0].remedy


# ----------------------------------------------------------------------------- gas space


@pytest.mark.parametrize("row", table("max_cold_fill.csv", "T_degC"), ids=lambda row: row["T_degC"])
def test_cold_fill_against_table(row: dict[str, str]) -> None:
    looked = exact("headspace")
    envelope = rig_room.envelope(looked, batch("headspace", float(row["T_degC"])))
    assert envelope.allowed[0, column(envelope, "cold-fill")] == to_digits(
        100 * float(row["max_fill_20C_leaving_10pct_vapour_IF97"])
    )


def test_cold_fill_and_pressure_are_taken_at_the_hottest_point() -> None:
    # Set 190 °C with 5 K overshoot, 2 K sensor error and 3 K at the wall is 200 °C in the table:
    # 0.7803867, and saturation alone is 15.547 bara there.
    envelope = rig_room.envelope(rig("headspace"), batch("headspace", 190))
    assert envelope.allowed[0, column(envelope, "cold-fill")] == to_digits(78.03867)
    assert envelope.value[0, column(envelope, "vessel-pressure")] > 15.547 - ATMOSPHERE


def test_headspace_pressure_worked_by_hand() -> None:
    # 500 mL free, 300 mL water at 20 °C (998.21 kg/m³): 299.46 g. At 180 °C 887.005 kg/m³:
    # 337.61 mL, so the gas goes from 200 to 162.39 mL; air 1.01325 × 453.15/293.15 × 1.2316 =
    # 1.9290; saturation 10.0264; together 11.955 bara. With a pad of 5 barg: 6.01325 instead of
    # 1.01325 gives 11.448, together 21.474.
    fill = {"vessel__volume": "520 mL", "headspace__cold_water": "300 mL"}
    fill["headspace__solids_volume"] = "20 mL"
    air = exact("headspace", **fill)
    assert rig_room.headspace_pressure_bara(air, 180.0) == pytest.approx(11.955, abs=2e-3)
    pad = exact("headspace", headspace__pad_pressure="5 barg", **fill)
    assert rig_room.headspace_pressure_bara(pad, 180.0) == pytest.approx(21.474, abs=4e-3)


def test_the_gauge_error_of_the_pad_grows_with_it() -> None:
    # As above, a pad of 5 barg read 1 bar low: 7.01325 × 1.5458 × 1.2316 = 13.352; + 10.026.
    fill = {"vessel__volume": "520 mL", "headspace__cold_water": "300 mL"}
    fill |= {"headspace__solids_volume": "20 mL", "headspace__pad_pressure": "5 barg"}
    looked = exact("headspace", pressure_gauge_error="1 bar", **fill)
    assert rig_room.headspace_pressure_bara(looked, 180.0) == pytest.approx(23.378, abs=5e-3)


def test_a_gas_pad_has_to_keep_the_margin_for_liquid() -> None:
    # Same fill, the gas no warmer than when closed in: pressed by the water, × 1.2316.
    # Pad 7 barg read 1 bar high: 7.01325 × 1.2316 = 8.638 above saturation at 180 °C, together
    # 18.664; the hottest point is 190 °C (12.552 bara): 6.11 bar in hand, and at 4 barg (4.01325:
    # 4.943, together 14.969) only 2.42.
    fill = {"vessel__volume": "520 mL", "headspace__cold_water": "300 mL"}
    fill |= {"headspace__solids_volume": "20 mL", "pressure_gauge_error": "1 bar"}
    fill |= {"temperature_overshoot": "5 K", "temperature_sensor_error": "2 K"}
    fill |= {"heater__wall_excess": "3 K", "liquid_subcooling": "0 K"}
    runs = batch("headspace", 180)
    kept = rig_room.envelope(exact("headspace", headspace__pad_pressure="7 barg", **fill), runs)
    assert kept.value[0, column(kept, "liquid-margin")] == pytest.approx(6.11, abs=0.01)
    low = exact("headspace", headspace__pad_pressure="4 barg", **fill)
    envelope = rig_room.envelope(low, runs)
    assert envelope.value[0, column(envelope, "liquid-margin")] == pytest.approx(2.42, abs=0.01)
    assert rig_room.liquid_state(low, runs) == ("too close",)
    # 12.552 + 5 − 10.026 = 7.526 over 1.2316, + 1 of gauge error: 7.111 bara = 6.10 barg
    assert "pad of at least 6.1 bar gauge" in sentence(envelope, "liquid-margin")
    cured = exact("headspace", headspace__pad_pressure="6.1 barg", **fill)
    assert "liquid-margin" not in failing(rig_room.envelope(cured, runs))
    assert "pad-holds-liquid" in {notice.code for notice in envelope.notices}


def test_a_vessel_filled_too_far_fails_with_the_fill_that_would_do() -> None:
    # 575 mL beside the solids; 0.7587 at 220 °C leaves 10 %: 436 mL. Without allowances.
    full = exact("headspace", headspace__cold_water="560 mL")
    envelope = rig_room.envelope(full, batch("headspace", 220))
    assert {"cold-fill", "vessel-pressure", "relief-opening"} <= failing(envelope)
    assert np.isfinite(envelope.margin).all()
    assert "Fill in at most 436 mL." in sentence(envelope, "cold-fill")
    # No pressure is told where water leaves no gas: 560 mL would need 665 mL at 220 °C (998.2 and
    # 840.2 kg/m³, steam tables), and there are 575.
    for code in ("vessel-pressure", "vessel-share", "relief-opening", "valve-operating-ratio"):
        text = sentence(envelope, code)
        assert "full of liquid" in text
        assert "998" not in text
        assert "999" not in text
        assert "Lower the temperature, the water filled in, or the gas pad." in text

    kept = rig_room.envelope(exact("headspace"), batch("headspace", 220))
    assert "the highest pressure is" in sentence(kept, "vessel-pressure")


def test_headspace_says_that_there_is_no_liquid_margin_and_warns_of_gas() -> None:
    envelope = rig_room.envelope(rig("headspace"), batch("headspace", 180))
    assert {"no-liquid-margin", "gas-evolved"} <= {notice.code for notice in envelope.notices}
    with pytest.raises(ValueError, match="pressure is a result"):
        rig_room.envelope(rig("headspace"), batch("headspace", 180, 20))


# ------------------------------------------------------------------- heat, water and time


@pytest.mark.parametrize("row", table("heater_cooler.csv", "T_degC"))
def test_heater_and_cooler_duty_against_table(row: dict[str, str]) -> None:
    looked = exact(
        heater__efficiency="100 %",
        cooler__outlet_max="30 degC",
        cooler__coolant_temperature="10 degC",
    )
    T, P = float(row["T_degC"]), float(row["P_bar"]) - ATMOSPHERE
    found = rig_room.derived(looked, flow(T, P, float(row["pump_mL_min_at_20C_1atm"])))
    assert found["heater_W"][0] == to_digits(float(row["heater_W_IF97"]))
    assert found["cooler_W"][0] == pytest.approx(float(row["cooler_to_30C_W_IF97"]), rel=6e-7)


def test_heater_and_cooler_are_held_to_what_they_can_do() -> None:
    # 100 mL/min to 200 °C and back to 40 °C: 1.3 kW and 1.1 kW (trade figures).
    big = {"pump__flow_max": "200 mL/min", "regulator__flow_max": "200 mL/min"}
    envelope = rig_room.envelope(exact(heater__efficiency="100 %", **big), flow(200, 50, 100, 10))
    assert round(envelope.value[0, column(envelope, "heater-power")], -2) == 1300
    assert round(envelope.value[0, column(envelope, "cooler-power")], -2) == 1100
    assert {"heater-power", "cooler-power"} <= failing(envelope)
    # 5 K of overshoot and sensor error are 22.4 kJ/kg more at 1.66 g/s (c_p 4.49 at 200 °C)
    hotter = rig_room.envelope(rig(heater__efficiency="100 %", **big), flow(200, 50, 100, 10))
    j = column(envelope, "cooler-power")
    assert hotter.value[0, j] - envelope.value[0, j] == pytest.approx(37.4, abs=0.5)


def test_the_heater_of_a_batch_has_to_keep_up_with_its_rate() -> None:
    # 400 mL of water at 20 °C are 399.3 g, and 25 mL of solids count as 24.96 g more; c_p at 180 °C
    # and about 12 bara 4.405 kJ/(kg K) (steam tables); with 2 kJ/K of metal 3.869 kJ/K, at 4 K/min
    # 257.9 W, at 80 % efficiency 322.4 W.
    looked = rig("headspace", vessel__heat_capacity="2 kJ/K")
    envelope = rig_room.envelope(looked, batch("headspace", 180))
    j = column(envelope, "heater-power")
    assert envelope.value[0, j] == pytest.approx(322.4, rel=0.002)
    assert envelope.allowed[0, j] == pytest.approx(800)
    fast = rig("headspace", vessel__heat_capacity="2 kJ/K", heat_up_rate="12 K/min")
    text = sentence(rig_room.envelope(fast, batch("headspace", 180)), "heater-power")
    assert "Heat up at no more than 9.9 K/min." in text
    notices = rig_room.envelope(rig("headspace"), batch("headspace", 180)).notices
    assert "metal-not-counted" in {notice.code for notice in notices}


def test_heat_up_time_from_heater_and_heat_capacity() -> None:
    # The batch above: 3.869 kJ/K over 160 K are 619 kJ; 80 % of 1 kW at 80 % are 640 W: 16.1 min.
    slow = rig("headspace", vessel__heat_capacity="2 kJ/K", heat_up_rate=None)
    envelope = rig_room.envelope(slow, batch("headspace", 180))
    assert "heater-power" not in {limit.code for limit in envelope.limits}
    assert "heat-up-worked-out" in {notice.code for notice in envelope.notices}
    found = rig_room.derived(slow, batch("headspace", 180))["heat_up_min"]
    assert found[0] == pytest.approx(16.12, rel=0.002)
    neither = rig("headspace", heat_up_rate=None)
    (problem,) = rig_room.problems(neither, "batch", "headspace")
    assert (problem.code, problem.where.key) == ("missing-key", "rig.heat_up_rate")


@pytest.mark.parametrize("mL_min", [1.0, 10.0, 20.0])
def test_heat_up_time_under_flow_against_stepping(mL_min: float) -> None:
    # Flow carries heat off, in proportion to the temperature reached; 2.5 kJ/K of metal and
    # the whole 250 mL taken as cold water, which takes more than hot (998.2 kg/m³, c_p 4.184).
    looked = rig(heat_up_rate=None)
    runs = flow(180, 50, mL_min)
    capacity = 2500 + 0.250 * 998.2 * 4.184  # J/K
    carried = rig_room.derived(looked, runs)["heater_W"][0] * 0.85 / 160  # W/K
    T = seconds = 0.0
    while T < 160:
        T += (0.8 * 760 * 0.85 - carried * T) / capacity * 0.5
        seconds += 0.5
    found = rig_room.derived(looked, runs)
    assert found["heat_up_min"][0] == pytest.approx(seconds / 60, rel=0.01)
    assert rig_room.run_minutes(looked, runs)[0] == pytest.approx(
        found["heat_up_min"][0] + 60 + 26 + 10 + 30
    )


def test_clean_bed_pressure_drop_by_hand() -> None:
    # 1 L in 60 mm bore: 0.3537 m of 2.827e-3 m²; 200 mL/min is 1.179e-3 m/s; 0.1 mm, 30 % gaps,
    # 1.002e-3 Pa s at 20 °C: 150 × 1.002e-3 × 0.49 × 1.179e-3/(0.027 × 1e-8) = 3.216e5 Pa/m, so
    # 1.137 bar; the inertial term at most 1.75 × 0.7 × 998² × 1.179e-3²/(850 × 0.027 × 1e-4) Pa/m
    # × 0.3537 = 0.003 bar. (Hot, at an eighth of the viscosity, it is below 0.25 bar.)
    bed = {"vessel__volume": "1 L", "vessel__inner_diameter": "60 mm"}
    bed |= {"vessel__particle_size": "0.1 mm", "pump__flow_max": "250 mL/min"}
    envelope = rig_room.envelope(rig(**bed), flow(180, 50, [200, 100]))
    j = column(envelope, "bed-pressure-drop")
    assert envelope.value[:, j] == pytest.approx([1.140, 0.569], abs=0.004)
    assert "bed-pressure-drop" in failing(envelope, 0)
    assert "bed-pressure-drop" not in failing(envelope, 1)
    assert "coarser cut" in envelope.sentence(0, j)


def test_a_bed_too_heavy_for_the_vessel_fails_and_an_unknown_one_is_said() -> None:
    envelope = rig_room.envelope(rig(vessel__bed_mass_max="60 g"), flow(150, 50, 10, 60, 61.0))
    assert failing(envelope) == {"bed-mass"}
    assert "Load at most 60 g." in sentence(envelope, "bed-mass")
    notices = {n.code: n.what for n in rig_room.envelope(rig(), flow(150, 50)).notices}
    assert "bed_mass_max" in notices["bed-unchecked"]
    assert "particle_size" in notices["bed-unchecked"]


def test_cooler_outlet_follows_from_its_heat() -> None:
    # A cooler that takes away exactly the duty to 40 °C lets the extract leave at 40 °C.
    duty = rig_room.derived(rig(), flow(180, 50, 20))["cooler_W"][0]
    just = rig(cooler__power=f"{duty} W")
    found = rig_room.derived(just, flow(180, 50, 20))
    assert found["cooler_outlet_C"][0] == pytest.approx(40.0, abs=1e-4)


@pytest.mark.parametrize("row", table("residence_time.csv", "T_degC"))
def test_residence_time_against_table(row: dict[str, str]) -> None:
    # The table's 300 mL of void: 60 min at 5 mL/min without expansion.
    looked = rig(vessel__volume="600 mL", vessel__void_fraction="50 %")
    runs = flow(float(row["T_degC"]), float(row["P_bar"]) - ATMOSPHERE, float(row["pump_mL_min"]))
    assert rig_room.derived(looked, runs)["residence_time_min"][0] == to_digits(
        float(row["tau_min_cold_1atm_IF97"])
    )


@pytest.mark.parametrize(
    ("T", "minutes", "expected"),
    [(120, 30, 2.07), (150, 30, 2.95), (180, 15, 3.53), (200, 15, 4.12), (220, 30, 5.01)],
)
def test_severity_of_a_hold_against_published_definition(
    T: float, minutes: float, expected: float
) -> None:
    # log₁₀ of t exp((T − 100)/14.75), Overend and Chornet 1987; ramps too steep to count.
    steep = rig(heat_up_rate="1e9 K/min", cool_down_rate="1e9 K/min")
    found = rig_room.derived(steep, flow(T, 50, minutes=minutes))["severity_log10"]
    assert found[0] == pytest.approx(expected, abs=0.005)


@given(st.floats(60, 300), st.floats(1, 10), st.floats(1, 10), st.floats(1, 90))
@settings(max_examples=30)
def test_severity_of_ramps_against_quadrature(T: float, up: float, down: float, t: float) -> None:
    looked = rig(heat_up_rate=f"{up} K/min", cool_down_rate=f"{down} K/min")
    found = 10 ** rig_room.derived(looked, flow(T, 90, minutes=t))["severity_log10"][0]
    dose: Any = t * math.exp((T - 100) / 14.75)
    for rate in (up, down) if T > 100 else ():
        ramp = np.linspace(100, T, 20_001)
        dose += np.trapezoid(np.exp((ramp - 100) / 14.75), ramp) / rate
    assert found == pytest.approx(dose, rel=1e-6)


def test_a_ramp_of_2_K_per_min_is_worth_7_4_minutes() -> None:
    # 14.75/2 = 7.4 min from far below (trade figure): at 200 °C only 0.1 % short of it.
    slow = rig(heat_up_rate="2 K/min", cool_down_rate="1e9 K/min")
    found = rig_room.derived(slow, flow(200, 50, minutes=0))["severity_log10"][0]
    assert 10**found / math.exp(100 / 14.75) == pytest.approx(7.4, abs=0.05)


def test_time_water_and_drains_worked_by_hand() -> None:
    # 180 °C: 160 K up and 130 K down at 5 K/min are 32 and 26 min; + 60 + 10 flush = 128 min of
    # pumping, + 30 turnaround = 158. At 20 mL/min 2560 mL; drained every 800 mL = 40 min: 3 times.
    # Feed: 2560 × 1.2 + 200 = 3272 mL. If one is missed 112.5 + 800 = 912.5 mL come on 200 + 1500.
    looked, runs = rig(), flow(180, 50, 20)
    found = rig_room.derived(looked, runs)
    assert rig_room.run_minutes(looked, runs)[0] == pytest.approx(158)
    assert found["water_mL"][0] == pytest.approx(2560)
    assert found["drains"][0] == 3
    assert list(rig_room.drain_minutes(looked, runs)[0]) == pytest.approx([40, 80, 120])
    envelope = rig_room.envelope(looked, runs)
    assert envelope.value[0, column(envelope, "feed-bottle")] == pytest.approx(3272)
    j = column(envelope, "missed-drain")
    assert (envelope.value[0, j], envelope.allowed[0, j]) == pytest.approx((912.5, 1700))
    # 60 min × 20 mL/min × 0.99821 g/mL over 12 g
    assert found["water_to_solid_g_g"][0] == pytest.approx(99.82, abs=0.01)


def test_without_a_drain_the_vessel_may_still_empty_into_the_collector() -> None:
    # 20 min up, 20 run, 14 down, 10 flush at 5 mL/min: 320 mL; then 112.5 mL on 680 + 1500 free.
    envelope = rig_room.envelope(rig(), flow(120, 50, 5, 20))
    j = column(envelope, "missed-drain")
    assert (envelope.value[0, j], envelope.allowed[0, j]) == pytest.approx((112.5, 2180))
    small = rig(collector__volume="400 mL", collector__catch_volume="0 mL")
    assert failing(rig_room.envelope(small, flow(120, 50, 5, 20))) == {"missed-drain"}


def test_an_empty_bottle_and_a_full_collector_are_found() -> None:
    envelope = rig_room.envelope(rig(heater__power="900 W"), flow(180, 50, [20, 20], [140, 141]))
    # 208 min × 20 = 4160 mL: 5 drains of 3; × 1.2 + 200 = 5192 of 5000 mL
    assert failing(envelope) == {"feed-bottle", "drains"}
    assert "Run for at most" in sentence(envelope, "feed-bottle")


def test_superficial_velocity_and_permittivity() -> None:
    # 10 mL/min of 998.2 kg/m³ at 180 °C and 50 bara (889.65 kg/m³, solvent_properties.csv):
    # 11.22 mL/min through 40 mm bore (1256.6 mm²) is 8.93 mm/min; permittivity 38.398.
    found = rig_room.derived(rig(), flow(180, 50 - ATMOSPHERE))
    assert found["superficial_velocity_mm_min"][0] == pytest.approx(8.93, abs=0.005)
    assert found["relative_permittivity"][0] == pytest.approx(38.398, abs=0.001)


# --------------------------------------------------------------------------- co-solvents


def mixture(**more: Any) -> dict[str, Any]:
    # Invented bubble points, above pure water's curve.
    pairs = [["80 degC", "0.8 bara"], ["150 degC", "7.5 bara"], ["200 degC", "22 bara"]]
    told = {"name": "ethanol", "share": "20 %", "bubble_points": pairs, "source": "invented"}
    return keys("flow") | {"co_solvent": told | more}


def test_a_co_solvent_without_bubble_points_is_refused_with_the_reason() -> None:
    found = rig_room.problems(Rig.model_validate(mixture(bubble_points=[])), "flow", None)
    assert [problem.code for problem in found] == ["no-bubble-points"]
    assert "not safe" in found[0].what
    found = rig_room.problems(Rig.model_validate(mixture(source="")), "flow", None)
    assert [problem.code for problem in found] == ["bubble-points-source"]


def test_a_co_solvent_boils_by_its_bubble_points() -> None:
    looked = Rig.model_validate(mixture())
    assert rig_room.problems(looked, "flow", None) == ()
    # Hottest point 140 + 10 = 150 °C: 7.5 + 5 + 3.5; pure water would take 13.27.
    assert rig_room.minimum_pressure_bara(looked, 140.0) == pytest.approx(16.0)
    assert rig_room.boiling_pressure_bara(looked, 150.0) == pytest.approx(7.5)
    envelope = rig_room.envelope(looked, flow([190, 191], 60))
    assert "boiling-known" not in failing(envelope, 0)
    assert "boiling-known" in failing(envelope, 1)
    assert "co-solvent" in {notice.code for notice in envelope.notices}


def test_a_co_solvent_in_batch_is_refused() -> None:
    told = keys("headspace") | {"co_solvent": mixture()["co_solvent"]}
    found = rig_room.problems(Rig.model_validate(told), "batch", "headspace")
    assert [problem.code for problem in found] == ["co-solvent-in-batch"]


# ------------------------------------------------------------------------------ bad input


@pytest.mark.parametrize(
    ("changes", "code", "key"),
    [
        ({"disc": None}, "no-relief", "rig.disc"),
        ({"disc__burst_pressure": "8 barg"}, "burst-too-low", "rig.disc.burst_pressure"),
        ({"disc__burst_pressure": "1 bara"}, "relief-below-atmosphere", "rig.disc.burst_pressure"),
        ({"disc__service_temperature": "230 degC"}, "relief-too-hot", "rig.disc.burst_pressure"),
        ({"disc__burst_tolerance": "100 %"}, "relief-shares", "rig.disc.burst_pressure"),
        ({"vessel__rating": []}, "no-rating", "rig.vessel.rating"),
        (
            {"vessel__rating": [["250 degC", "90 bar"], ["20 degC", "100 bar"]]},
            "rating-order",
            "rig.vessel.rating",
        ),
        (
            {"vessel__rating": [["20 degC", "90 bar"], ["250 degC", "100 bar"]]},
            "rating-rises",
            "rig.vessel.rating",
        ),
        (
            {"vessel__rating": [["250 degC", "1 bara"]]},
            "rating-below-atmosphere",
            "rig.vessel.rating",
        ),
        (
            {"disc__burst_pressure": "121 barg"},
            "relief-above-rating",
            "rig.disc.burst_pressure",
        ),
        ({"vessel__bed_voidage": "100 %"}, "empty-range", "rig.vessel.bed_voidage"),
        ({"vessel__bed_voidage": "0 %"}, "zero", "rig.vessel.bed_voidage"),
        ({"vessel__void_fraction": None}, "missing-key", "rig.vessel.void_fraction"),
        ({"collector__volume": "0 mL"}, "zero", "rig.collector.volume"),
        ({"vessel__volume": "0 mL"}, "zero", "rig.vessel.volume"),
        ({"pump": None}, "missing-key", "rig.pump"),
        ({"bed_pressure_drop": None}, "missing-key", "rig.bed_pressure_drop"),
        ({"cooler": None}, "missing-part", "rig.cooler"),
        ({"feed_bottle": None}, "missing-part", "rig.feed_bottle"),
        ({"feed_bottle__heel": "5 L"}, "empty-range", "rig.feed_bottle.heel"),
        ({"pump__flow_min": "25 mL/min"}, "empty-range", "rig.pump.flow_min"),
        ({"cooler__outlet_max": "105 degC"}, "empty-range", "rig.cooler.outlet_max"),
        ({"feed_bottle__temperature": "150 degC"}, "cold-water", "rig.feed_bottle.temperature"),
        ({"atmospheric_pressure": "1.2 bara"}, "atmosphere", "rig.atmospheric_pressure"),
        *(
            ({key: "275.15 K"}, "no-difference", f"rig.{key.replace('__', '.')}")
            for key in (
                "temperature_sensor_error",
                "temperature_overshoot",
                "liquid_subcooling",
                "heater__wall_excess",
            )
        ),
        (
            {
                "temperature_sensor_error": "95 K",
                "temperature_overshoot": "99 K",
                "liquid_subcooling": "95 K",
            },
            "allowances-too-large",
            "rig.temperature_overshoot",
        ),
    ],
)
def test_one_mistake_one_sentence(changes: dict[str, Any], code: str, key: str) -> None:
    found = rig_room.problems(rig(**changes), "flow", None)
    assert [(problem.code, problem.where.key) for problem in found] == [(code, key)]
    assert found[0].what[-1] == "."
    assert found[0].remedy


def test_the_reference_rigs_have_no_mistakes() -> None:
    assert rig_room.problems(rig("flow"), "flow", None) == ()
    assert rig_room.problems(rig("liquid_full"), "batch", "liquid-full") == ()
    assert rig_room.problems(rig("headspace"), "batch", "headspace") == ()


def test_batch_without_its_kind_is_refused() -> None:
    found = rig_room.problems(rig("headspace"), "batch", None)
    assert [problem.code for problem in found] == ["no-batch-kind"]
    with pytest.raises(ValueError, match="batch_kind"):
        rig_room.envelope(rig("headspace"), batch(None, 180))


@pytest.mark.parametrize(
    ("changes", "place", "words"),
    [
        ({"pressure_reading": None}, ("pressure_reading",), "required"),
        ({"pressure_reading": "bar"}, ("pressure_reading",), "gauge"),
        ({"temperature_overshoot": "5 bar"}, ("temperature_overshoot",), "another kind"),
        ({"temperature_overshoot": None}, ("temperature_overshoot",), "required"),
        ({"pressure_swing": "2"}, ("pressure_swing",), "no unit"),
        ({"vessel__rating": "100 bar"}, ("vessel", "rating"), "without its temperature"),
        ({"vessel__rating": [["100 bar"]]}, ("vessel", "rating"), "belong together"),
        ({"disc__burst_tolerance": None}, ("disc", "burst_tolerance"), "required"),
        ({"disc__burst_temperature": None}, ("disc", "burst_temperature"), "required"),
        ({"cooler": "no"}, ("cooler",), 'write "none"'),
        ({"atmospheric_pressure": "1 barg"}, ("atmospheric_pressure",), "from vacuum"),
        ({"disc__rating": "1 bar"}, ("disc", "rating"), "not permitted"),
    ],
)
def test_an_unreadable_key_is_named(
    changes: dict[str, Any], place: tuple[str, ...], words: str
) -> None:
    with pytest.raises(ValidationError) as caught:
        rig(**changes)
    (found,) = caught.value.errors()
    assert found["loc"] == place
    assert words in found["msg"]


def test_beyond_350_C_and_below_0_C() -> None:
    hot = rig(temperature_max="400 degC", vessel__rating=[["400 degC", "300 barg"]])
    envelope = rig_room.envelope(hot, flow([340, 340.1, 360], 200))
    assert "boiling-known" not in failing(envelope, 0)
    assert "boiling-known" in failing(envelope, 1)
    assert "Set at most 340 °C." in sentence(envelope, "boiling-known", 2)
    with pytest.raises(InfeasibleError, match="ice"):
        rig_room.envelope(rig(), flow(-1, 50))
    with pytest.raises(ValueError, match="finite"):
        rig_room.envelope(rig(), flow(math.nan, 50))


def test_what_the_certificate_would_say_is_asked_for() -> None:
    told = {n.code: n.what for n in rig_room.envelope(rig(), flow(180, 50)).notices}
    assert "certificate-not-named" not in told
    assert "Cooler than 220 °C" in told["disc-when-cool"]
    unnamed = rig(disc__certificate=None, disc__type=None)
    told = {n.code: n.what for n in rig_room.envelope(unnamed, flow(180, 50)).notices}
    assert "[rig.disc]" in told["certificate-not-named"]
    assert "type is not stated" in told["disc-when-cool"]


def test_bubble_points_have_to_cover_what_the_cooler_lets_out() -> None:
    looked = Rig.model_validate(
        mixture() | {"cooler": keys("flow")["cooler"] | {"outlet_max": "85 degC"}}
    )
    # 0.8 bara at 80 °C and 7.5 at 150 °C: the straight line has 1.013 at 82.2 °C
    (problem,) = rig_room.problems(looked, "flow", None)
    assert (problem.code, problem.where.key) == ("empty-range", "rig.cooler.outlet_max")
    assert "82 °C" in problem.what
    high = Rig.model_validate(
        mixture(bubble_points=[["120 degC", "3 bara"], ["200 degC", "22 bara"]])
    )
    codes = {notice.code for notice in rig_room.envelope(high, flow(150, 50)).notices}
    assert "co-solvent-let-down" in codes


@pytest.mark.parametrize("part", ["regulator", "cooler", "collector", "feed_bottle"])
def test_a_part_that_is_not_there_leaves_a_notice(part: str) -> None:
    without = rig(**{part: "none"})
    assert rig_room.problems(without, "flow", None) == ()
    notices = rig_room.envelope(without, flow(180, 50)).notices
    assert [part in notice.what for notice in notices if notice.code == "part-none"] == [True]


def test_common_practice_lists_what_may_be_edited() -> None:
    own = {"disc__operating_ratio": "80 %", "collector__fill_share": "50 %"}
    found = dict(rig_room.common_practice(rig(**own)))
    assert found["liquid_margin"] == "5 bar"
    assert found["liquid_subcooling"] == "10 K"
    assert found["vessel.pressure_share"] == "90 %"
    assert not {"temperature_overshoot", "disc.operating_ratio", "collector.fill_share"} & set(
        found
    )


@pytest.mark.parametrize(
    ("key", "looser", "stricter"),  # customary: 5 bar, 10 K, 70 %, 80 %, 80 % (trade figures)
    [
        ("liquid_margin", "3 bar", "8 bar"),
        ("liquid_subcooling", "5 K", "15 K"),
        ("disc__operating_ratio", "80 %", "60 %"),
        ("heater__use_share", "95 %", "70 %"),
        ("collector__fill_share", "90 %", "70 %"),
    ],
)
def test_what_is_looser_than_common_practice_is_said(key: str, looser: str, stricter: str) -> None:
    def said(value: str) -> list[str]:
        notices = rig_room.envelope(rig(**{key: value}), flow(150, 50)).notices
        return [n.what for n in notices if n.code == "looser-than-practice"]

    (what,) = said(looser)
    assert f"{key.replace('__', '.')} is {looser}" in what
    assert said(stricter) == []


def test_margins_of_nothing_are_refused_and_allowances_of_nothing_are_said() -> None:
    none = rig(liquid_margin="0 bar", liquid_subcooling="0 K")
    assert [p.code for p in rig_room.problems(none, "flow", None)] == ["no-margin"]
    one = rig_room.envelope(rig(liquid_margin="0 bar"), flow(150, 50)).notices
    assert any("Nothing is left of this margin" in notice.what for notice in one)
    notices = rig_room.envelope(rig(pressure_gauge_error="0 bar"), flow(150, 50)).notices
    (zero,) = [n.what for n in notices if n.code == "zero-allowance"]
    assert zero.startswith("pressure_gauge_error is 0: no gauge is exact.")


# ---------------------------------------------------------------------------------- the way out


@pytest.mark.parametrize("part", ["cooler", "regulator"])
def test_hot_water_let_down_uncooled_or_unheld_fails_and_says_how_much_flashes(part: str) -> None:
    # Set 175 °C, 5 K overshoot and sensor error: 180 °C. Flash to 1 atm of water of 180 °C: 15 %
    # (trade figure); (763.1 − 419.1)/2256.5 = 0.1525 by steam tables, 16 % rounded up. Water boils
    # at 99.97 °C: 94 °C may be set.
    without = rig(**{part: "none"})
    assert rig_room.problems(without, "flow", None) == ()
    envelope = rig_room.envelope(without, flow([94, 96, 175], 50))
    assert [("let-down" in failing(envelope, i)) for i in range(3)] == [False, True, True]
    text = sentence(envelope, "let-down", 2)
    assert "16 % of such water flashes" in text
    assert f"Describe the {part} that the rig has, or set at most 94 °C." in text
    assert "let-down" not in {
        limit.code for limit in rig_room.envelope(rig(), flow(150, 50)).limits
    }


def test_a_full_batch_needs_what_holds_its_pressure_while_it_heats_up() -> None:
    told = keys("liquid_full")
    for part in ("regulator", "cooler"):
        bare = {name: value for name, value in told.items() if name != part}
        (problem,) = rig_room.problems(Rig.model_validate(bare), "batch", "liquid-full")
        assert (problem.code, problem.where.key) == ("missing-part", f"rig.{part}")
        assert "heating up" in problem.remedy
        none = Rig.model_validate(bare | {part: "none"})
        assert rig_room.problems(none, "batch", "liquid-full") == ()
        envelope = rig_room.envelope(none, batch("liquid-full", [90, 120], 60))
        assert "let-down" not in failing(envelope, 0)
        assert "let-down" in failing(envelope, 1)


def test_what_swells_out_on_heating_up_passes_regulator_and_cooler() -> None:
    # 180 mL at 60 barg, hottest water 185 °C: ρ by IAPWS-95; 4 K/min.
    from CoolProp.CoolProp import PropsSI

    def density(T: float) -> float:
        return float(PropsSI("D", "T", T + 273.15, "P", (60 + ATMOSPHERE) * 1e5, "Water"))

    slope = density(184.5) - density(185.5)
    out = 180 * slope * 4 / 998.2  # mL/min, cold
    runs = batch("liquid-full", 180, 60)
    envelope = rig_room.envelope(rig("liquid_full"), runs)
    j = column(envelope, "regulator-flow")
    assert envelope.value[0, j] == pytest.approx(out, rel=0.01)
    # and cooled from 185 to 40 °C, 787.8 − 172.8 = 615 kJ/kg (steam tables, 60 bar)
    heat = out * 0.9982 / 60 * 615
    assert envelope.value[0, column(envelope, "cooler-power")] == pytest.approx(heat, rel=0.02)
    # water of the run: 180 mL, and what swelled out and is put back on cooling
    swollen = 180 * (1 - density(185) / 998.2)
    found = rig_room.derived(rig("liquid_full"), runs)["water_mL"][0]
    assert found == pytest.approx(180 + swollen, rel=1e-3)
    j = column(envelope, "collector-fill")
    assert envelope.value[0, j] == pytest.approx(180 + swollen, rel=1e-3)
    narrow = rig("liquid_full", regulator__flow_max="0.5 mL/min", cooler__power="5 W")
    assert failing(rig_room.envelope(narrow, runs)) == {"regulator-flow", "cooler-power"}
    low = rig_room.envelope(rig("liquid_full"), batch("liquid-full", 110, 15.8))
    assert "regulator-low" in failing(low)  # 10 % of 1 to 150 barg is 15.9


def test_the_heater_of_a_flow_rig_has_to_keep_up_with_its_rate() -> None:
    # 10 mL/min from 20 to 180 °C at 50 barg: 0.16637 g/s × (764.9 − 88.6) kJ/kg = 112.5 W. Metal
    # 2.5 kJ/K and the whole 250 mL as cold water, 998.2 kg/m³ × 4.184 kJ/(kg K): 1.0441 kJ/K, at
    # 5 K/min 295.3 W. Together 407.8 W, at 85 % efficiency 479.8 W.
    envelope = rig_room.envelope(rig(heater__power="500 W"), flow(180, 50))
    j = column(envelope, "heater-heat-up")
    assert envelope.value[0, j] == pytest.approx(479.8, rel=0.003)
    assert failing(envelope) == {"heater-heat-up"}  # 80 % of 500 W is 400 W
    assert "solids counted as water" in envelope.sentence(0, j)
    # 400 less 132.4 W over 347.5 W for 5 K/min: 3.85
    assert "Heat up at no more than 3.8 K/min" in envelope.sentence(0, j)
    slower = rig(heater__power="500 W", heat_up_rate="3.8 K/min")
    assert rig_room.envelope(slower, flow(180, 50)).feasible[0]
    worked_out = rig_room.envelope(rig(heat_up_rate=None), flow(180, 50))
    assert "heater-heat-up" not in {limit.code for limit in worked_out.limits}


@pytest.mark.parametrize("solids", [1.5 * 1.4, 1.5 * 1.7, 2.65 * 1.0])
@pytest.mark.parametrize("T", [60.0, 120.0, 180.0, 210.0])
def test_the_heat_of_what_a_vessel_holds_is_never_undercut(solids: float, T: float) -> None:
    # 45 % water and 55 % solids, from dry cell wall, 1.5 g/mL × 1.4 J/(g K), or 1.7 when hot, to
    # quartz, 2.65 × 1.0 (handbook figures from memory), in 250 mL with 2.5 kJ/K of metal, at
    # 5 K/min and at every temperature of the way up; the water by IAPWS-95 (CoolProp).
    from CoolProp.CoolProp import PropsSI

    def held_W(at: float) -> float:
        density, heat = (
            PropsSI(what, "T", at + 273.15, "P", 51.01325e5, "Water") / 1000 for what in "DC"
        )
        feed = PropsSI("H", "T", at + 273.15, "P", 51.01325e5, "Water")
        cold = PropsSI("H", "T", 293.15, "P", 51.01325e5, "Water")
        flowing = 10 * 0.9982 / 60 * (feed - cold) / 1000
        capacity = 2500 + 250 * (0.45 * density * heat + 0.55 * solids)
        return float(capacity * 5 / 60 + flowing) / 0.85

    envelope = rig_room.envelope(rig(), flow(T, 50))
    needed = max(held_W(at) for at in np.linspace(20, T, 20))
    assert envelope.value[0, column(envelope, "heater-heat-up")] >= needed


def test_solids_do_not_slow_what_swells_out_where_the_heat_up_is_worked_out() -> None:
    # All that the heater may give warms the 180 mL of water in the bed and 2 kJ/K of metal.
    from CoolProp.CoolProp import PropsSI

    def water_at(what: str, T: float) -> float:
        return float(PropsSI(what, "T", T + 273.15, "P", (60 + ATMOSPHERE) * 1e5, "Water"))

    looked = rig("liquid_full", heat_up_rate=None, vessel__heat_capacity="2 kJ/K")
    heater = looked.heater
    capacity = 2000 + 0.180 * water_at("D", 180) * water_at("C", 180) / 1000  # J/K
    rate = heater.use_share * heater.power * heater.efficiency / capacity * 60  # K/min
    out = 180 * (water_at("D", 184.5) - water_at("D", 185.5)) * rate / 998.2
    envelope = rig_room.envelope(looked, batch("liquid-full", 180, 60))
    found = envelope.value[0, column(envelope, "regulator-flow")]
    assert found == pytest.approx(out, rel=0.01)


def test_disc_and_valve_say_how_they_stand_and_the_one_that_protects_is_rated() -> None:
    # Rated 110 barg at 200 °C; disc marked 100 barg, valve 115.
    valve = {"set_pressure": "115 barg", "set_tolerance": "3 %", "temperature_max": "250 degC"}
    both = keys("flow") | {"valve": valve}
    (problem,) = rig_room.problems(Rig.model_validate(both), "flow", None)
    assert problem.code == "relief-arrangement"
    runs = flow(190, 50)
    for way, kept in (("parallel", True), ("series", False)):
        looked = Rig.model_validate(both | {"relief_arrangement": way})
        assert rig_room.problems(looked, "flow", None) == ()
        envelope = rig_room.envelope(looked, runs)
        assert ("relief-set" not in failing(envelope)) is kept
        assert envelope.allowed[0, column(envelope, "relief-opening")] == pytest.approx(95.0)
        assert [n.code for n in envelope.notices].count("relief-capacity") == 1
    strong = both | {"relief_arrangement": "series", "valve": valve | {"set_pressure": "125 barg"}}
    (problem,) = rig_room.problems(Rig.model_validate(strong), "flow", None)
    assert problem.code == "relief-above-rating"


def test_rig_that_only_heats_takes_nothing_below_its_start() -> None:
    # No reference: that a heater controls only what it heats is common practice.
    envelope = rig_room.envelope(rig(), flow([0.5, 20.0, 21.0, 60.0], 30.0))
    assert ["heated" in failing(envelope, i) for i in range(4)] == [True, False, False, False]
    assert "starts at 20 °C and only heats" in sentence(envelope, "heated", 0)
    assert "Set at least 20 °C." in sentence(envelope, "heated", 0)


def test_an_envelope_of_bare_numbers_has_sentences_too() -> None:
    limit = Limit("any", "Any limit", "bar", "at most")
    bare = Envelope((limit,), np.array([[2.006]]), np.array([[2.004]]), np.array([[-0.002]]))
    assert bare.sentence(0, 0) == "Any limit: 2.01 bar, at most 2 bar."
    assert not bare.feasible[0]


# --------------------------------------------------------------------------- properties

TEMPERATURES = st.floats(20, 345)
PRESSURES = st.floats(0, 110)
FLOWS = st.floats(0.1, 30)
MINUTES = st.floats(1, 200)
FALLS_WITH_TEMPERATURE = (
    "temperature-max",
    "boiling-known",
    "metal-temperature",
    "liquid-margin",
    "liquid-subcooling",
    "vessel-pressure",
    "heater-power",
    "cooler-power",
    "feed-bottle",
)


@given(TEMPERATURES, st.floats(0.01, 60), PRESSURES, FLOWS)
@settings(max_examples=60, deadline=None)
def test_margins_fall_as_temperature_rises(T: float, more: float, P: float, q: float) -> None:
    envelope = rig_room.envelope(rig(), flow([T, min(T + more, 350)], P, q))
    for code in FALLS_WITH_TEMPERATURE:
        first, second = envelope.margin[:, column(envelope, code)]
        assert np.isnan(second) or second <= first + 1e-6 * (1 + abs(first))


@given(TEMPERATURES, PRESSURES, FLOWS, MINUTES)
@settings(max_examples=60, deadline=None)
def test_never_feasible_when_boiling_at_set_values(T: float, P: float, q: float, t: float) -> None:
    bold = exact(
        liquid_margin="0 bar",
        liquid_subcooling="0 K",
        temperature_max="350 degC",
        disc__burst_temperature="350 degC",
        vessel__rating=[["350 degC", "500 barg"]],
    )
    below = min(P, float(water.saturation_pressure_bara(T)) - ATMOSPHERE - 1e-6)
    assert not rig_room.envelope(bold, flow(T, below, q, t)).feasible[0]
    assert not rig_room.envelope(rig("liquid_full"), batch("liquid-full", T, below)).feasible[0]


# A larger collection vessel holds more back until the missed drain, a higher burst pressure may lie
# above the vessel's rating, and a faster heat-up takes more power: none of them is in the list, as
# none only relaxes.
LOOSER: dict[str, Any] = {
    "temperature_max": "300 degC",
    "temperature_overshoot": "1 K",
    "temperature_sensor_error": "0.5 K",
    "pressure_swing": "0.2 bar",
    "pressure_gauge_error": "0 bar",
    "pressure_pulsation": "0 bar",
    "bed_pressure_drop": "0 bar",
    "liquid_margin": "1 bar",
    "liquid_subcooling": "2 K",
    "cool_down_rate": "20 K/min",
    "flush_time": "0 min",
    "vessel__rating": [["300 degC", "150 barg"]],
    "vessel__pressure_share": "100 %",
    "disc__operating_ratio": "90 %",
    "disc__burst_temperature": "300 degC",
    "disc__burst_tolerance": "2 %",
    "pump__flow_min": "0.1 mL/min",
    "pump__usable_low": "5 %",
    "pump__usable_high": "100 %",
    "pump__pressure_max": "200 barg",
    "regulator__pressure_max": "150 barg",
    "regulator__usable_high": "100 %",
    "regulator__usable_low": "0 %",
    "heater__power": "1 kW",
    "heater__efficiency": "95 %",
    "heater__wall_excess": "1 K",
    "heater__use_share": "100 %",
    "cooler__power": "900 W",
    "cooler__outlet_max": "60 degC",
    "collector__catch_volume": "5 L",
    "collector__drains_max": 9,
    "feed_bottle__volume": "20 L",
    "feed_bottle__heel": "50 mL",
    "feed_bottle__reserve": "0 %",
    "vessel__bed_mass_max": "40 g",
    "vessel__bed_voidage": "40 %",
    "vessel__particle_size": "0.5 mm",
}
TIGHT_BED = {
    "vessel__bed_mass_max": "12 g",
    "vessel__bed_voidage": "30 %",
    "vessel__particle_size": "0.05 mm",
}
RNG_SPREAD = np.random.default_rng(4).uniform(size=(4, 400))


@pytest.mark.parametrize("key", LOOSER)
def test_a_looser_rig_never_makes_a_run_infeasible(key: str) -> None:
    u = RNG_SPREAD
    runs = flow(100 + 120 * u[0], 10 + 60 * u[1], 1 + 25 * u[2], 10 + 120 * u[3])
    loosened: dict[str, Any] = {key: LOOSER[key]}
    if key == "regulator__pressure_max":  # a wider range moves its usable low end up as well
        loosened["regulator__usable_low"] = "5 %"
    bed = dict(TIGHT_BED)
    if key == "bed_pressure_drop":  # an allowance less on top of the set pressure, but a limit too
        bed.pop("vessel__particle_size")
    runs = replace(runs, bed_mass_g=np.linspace(8, 16, 400))
    before = rig_room.envelope(rig(**bed), runs).feasible
    after = rig_room.envelope(rig(**(bed | loosened)), runs).feasible
    assert before.any()
    assert not before.all()
    assert not (before & ~after).any()


@given(TEMPERATURES, PRESSURES, FLOWS, MINUTES, st.floats(20, 120), st.floats(0.6, 1.05))
@settings(max_examples=40, deadline=None)
def test_gauge_and_absolute_rigs_get_the_same_verdict(
    T: float, P: float, q: float, t: float, burst: float, air: float
) -> None:
    def described(reading: str, zero: float) -> Rig:
        return rig(
            pressure_reading=reading,
            atmospheric_pressure=f"{air} bara",
            vessel__rating=[["20 degC", f"{120 + zero} bar"], ["250 degC", f"{100 + zero} bar"]],
            disc__burst_pressure=f"{burst + zero} bar",
            pump__pressure_max=f"{100 + zero} bar",
            regulator__pressure_min=f"{5 + zero} bar",
            regulator__pressure_max=f"{100 + zero} bar",
        )

    gauge = rig_room.envelope(described("gauge", 0.0), flow(T, P, q, t))
    absolute = rig_room.envelope(described("absolute", air), flow(T, P, q, t))
    np.testing.assert_allclose(absolute.margin, gauge.margin, atol=1e-9, rtol=1e-9)
    assert list(absolute.feasible) == list(gauge.feasible)
    assert gauge.limits[column(gauge, "vessel-pressure")].unit == "bar gauge"
    assert absolute.limits[column(absolute, "vessel-pressure")].unit == "bar absolute"


@given(TEMPERATURES, PRESSURES, FLOWS, MINUTES)
@settings(max_examples=40, deadline=None)
def test_every_cell_has_a_sentence(T: float, P: float, q: float, t: float) -> None:
    for name, runs in (
        ("flow", flow(T, P, q, t)),
        ("liquid_full", batch("liquid-full", T, P)),
        ("headspace", batch("headspace", T)),
    ):
        envelope = rig_room.envelope(rig(name), runs)
        for j in range(len(envelope.limits)):
            text = envelope.sentence(0, j)
            assert text.endswith(".")
            assert "nan" not in text
            assert "{" not in text


# --- what a log showed


@pytest.mark.parametrize(
    ("T", "limits"),
    [
        (213.0, []),  # 213 + 2 + 5 = 220 °C, where the disc's certificate ends
        (213.1, ["disc"]),
        (218.0, ["disc"]),
        (218.1, ["temperature_max", "disc"]),
        (243.1, ["temperature_max", "last rated", "disc"]),  # 250.1 °C of metal
    ],
)
def test_seen_temperatures_against_limits_by_hand(T: float, limits: list[str]) -> None:
    found = rig_room.beyond_limits(rig(), np.array([20.0, T, 30.0]), None)
    assert len(found) == len(limits)
    assert all(word in one.limit for word, one in zip(limits, found, strict=True))


@pytest.mark.parametrize(
    ("T", "barg", "limits"),
    [
        (100.0, 63.5, []),  # with gauge error, pulsation and bed 66.5: 0.7 of 0.95 × 100 barg
        (100.0, 63.6, ["70 %"]),
        (100.0, 92.1, ["may open"]),  # 95.1 above 95
        (100.0, 97.1, ["may open", "pump", "regulator"]),
        (213.0, 93.0, ["90 % of the vessel", "may open"]),  # at 220 °C rated 106: 0.9 of it 95.4
        (213.0, 103.1, ["the vessel's rating", "may open", "pump", "regulator"]),
    ],
)
def test_seen_pressures_against_limits_by_hand(T: float, barg: float, limits: list[str]) -> None:
    shown = np.array([10.0, barg]) + ATMOSPHERE
    found = rig_room.beyond_limits(rig(), np.array([20.0, T]), shown)
    assert len(found) == len(limits), found
    assert all(word in one.limit for word, one in zip(limits, found, strict=True))


OF_LOGS = {
    "temperature-max",
    "metal-temperature",
    "vessel-pressure",
    "vessel-share",
    "relief-opening",
    "disc-operating-ratio",
    "disc-temperature",
    "pump-pressure",
}


@given(st.integers(110, 245), st.integers(10, 110))
def test_seen_as_declared_passes_a_limit_just_where_the_plan_would(T: int, barg: int) -> None:
    """Peaks of set + overshoot and set + swing: the planned run's hottest and highest point."""
    own = rig()
    planned = rig_room.envelope(own, flow(T + 0.05, barg + 0.05))
    broken = {limit.code for limit in planned.failing(0)} & OF_LOGS
    P = np.array([barg + 0.05 + 1.5 + ATMOSPHERE])
    assert bool(rig_room.beyond_limits(own, np.array([T + 3.05]), P)) == bool(broken)
