"""Timelines, days and totals against hand-worked figures, closed forms, tables and brute force.

Rigs: tests/reference/rig (invented). Table: tests/reference/water/heater_cooler.csv (IF97).
"""

from __future__ import annotations

import csv
import itertools
import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.rig import Conditions, Rig, run_minutes
from doe.schedule import (
    BENCH_STEPS,
    _shared_out,
    carry_over,
    centre_points,
    clock,
    schedule,
    timeline,
    totals,
)

REFERENCE = Path(__file__).parent / "reference"
DAY = 9 * 60.0


def rig(name: str = "flow", **changes: Any) -> Rig:
    """Return a reference rig with keys changed; ``vessel__volume`` reaches into a part."""
    keys = tomllib.loads((REFERENCE / "rig" / f"{name}.toml").read_text(encoding="utf-8"))
    for place, value in changes.items():
        part, _, key = place.rpartition("__")
        table = keys[part] if part else keys
        if value is None:
            del table[key]
        else:
            table[key] = value
    return Rig.model_validate(keys)


def flow(T: Any, minutes: Any = 60.0, mL_min: Any = 10.0, grams: Any = 12.0) -> Conditions:
    T, minutes, mL_min, grams = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(x, float)) for x in (T, minutes, mL_min, grams))
    )
    return Conditions("flow", T, minutes, np.full(T.shape, 51.0), mL_min, grams)


def lasting(*minutes: float) -> Conditions:
    """Return runs at 70 °C that last so long in all: 10 + 4 + 10 + 30 min beside extracting."""
    return flow([70.0] * len(minutes), np.array(minutes) - 54.0)


def codes(planned: Any) -> set[str]:
    return {notice.code for notice in planned.notices}


def numbers(planned: Any) -> list[list[int | None]]:
    return [[slot.run for slot in day.slots] for day in planned.days]


# ---------------------------------------------------------------------------------- timelines


def test_phases_of_a_run_by_hand() -> None:
    # 180 °C from 20 °C at 5 K/min: 32 min; down to 50 °C at 5 K/min: 26 min; half of 30 min each
    lines = timeline(rig(), flow(180))
    assert lines.stretches(0) == (
        ("load", 0.0, 15.0),
        ("heat up", 15.0, 47.0),
        ("extract", 47.0, 107.0),
        ("cool", 107.0, 133.0),
        ("flush", 133.0, 143.0),
        ("unload", 143.0, 158.0),
    )
    assert lines.total_min.tolist() == [158.0]
    # 10 mL/min fill 80 % of 1 L in 80 min from the start of heat-up; 1280 mL in all: one drain
    assert [at.tolist() for at in lines.drains_min] == [[95.0]]


def test_phases_of_a_batch_by_hand() -> None:
    # 200 °C: 180 K at 4 K/min = 45 min; 150 K at 2 K/min = 75 min; half of 40 min each; no flush
    batch = Conditions("batch", np.array([200.0]), np.array([30.0]), batch_kind="headspace")
    stretches = timeline(rig("headspace"), batch).stretches(0)
    assert [(name, end - start) for name, start, end in stretches] == [
        ("load", 20.0),
        ("heat up", 45.0),
        ("extract", 30.0),
        ("cool", 75.0),
        ("unload", 20.0),
    ]


def test_each_step_at_the_bench_lies_in_one_phase() -> None:
    steps = [step for phase in timeline(rig(), flow(180)).phases for step in phase.steps]
    assert tuple(steps) == BENCH_STEPS


@given(st.lists(st.tuples(st.floats(10, 220), st.floats(0, 300)), min_size=1, max_size=6))
@settings(max_examples=25, deadline=None)
def test_phases_add_up_to_the_length_that_the_budget_counts(runs: list[Any]) -> None:
    T, minutes = np.array(runs).T
    for changes in ({}, {"heat_up_rate": None}):
        described = rig(**changes)
        lines = timeline(described, flow(T, minutes))
        expected = run_minutes(described, flow(T, minutes))
        np.testing.assert_allclose(lines.total_min, expected, rtol=1e-12)


@pytest.mark.parametrize(("up", "down"), [(2.0, 2.0), (5.0, 1.0), (10.0, 3.0)])
@pytest.mark.parametrize("T", [120.0, 180.0, 215.0])
def test_severity_of_ramps_against_the_closed_form(T: float, up: float, down: float) -> None:
    # Overend and Chornet 1987: a linear ramp of r K/min adds (14.75/r)(1 − exp(−(T − T₀)/14.75))
    # minutes at T a side, T₀ = 100 °C by convention
    described = rig(heat_up_rate=f"{up} K/min", cool_down_rate=f"{down} K/min")
    expected = sum(14.75 / r * (1 - math.exp(-(T - 100) / 14.75)) for r in (up, down))
    lines = timeline(described, flow(T, 5.0))
    assert lines.ramps_worth_min[0] == pytest.approx(expected, rel=1e-9)


def test_severity_of_ramps_from_above_100_C_begins_where_they_begin() -> None:
    described = rig(start_temperature="120 degC", unload_temperature="110 degC")
    expected = sum(14.75 / 5 * (1 - math.exp(-(160 - T0) / 14.75)) for T0 in (120, 110))
    assert timeline(described, flow(160, 5.0)).ramps_worth_min[0] == pytest.approx(expected)


def test_severity_integral_over_the_course_that_is_drawn() -> None:
    lines = timeline(rig(), flow(180, 15.0))
    minutes, T = lines.course(0)
    t = np.linspace(minutes[0], minutes[-1], 200_001)
    at = np.interp(t, minutes, T)
    rate = np.where(at >= 100, np.exp((at - 180) / 14.75), 0.0)
    area = float(((rate[1:] + rate[:-1]) / 2 * np.diff(t)).sum())
    assert area - 15 == pytest.approx(lines.ramps_worth_min[0], rel=1e-5)


def test_a_ramp_of_2_K_min_from_far_below_is_worth_7_4_minutes() -> None:
    # 14.75/2 = 7.4 min (worked out by hand); both sides here
    described = rig(heat_up_rate="2 K/min", cool_down_rate="2 K/min")
    assert timeline(described, flow(220, 5.0)).ramps_worth_min[0] / 2 == pytest.approx(
        7.4, abs=0.05
    )


# ---------------------------------------------------------------------------------------- days


def test_days_by_hand() -> None:
    planned = schedule(rig(), lasting(120, 200, 160, 90), range(1, 5), 300.0, first_day=4)
    # 120 + 200 > 300, 200 + 160 > 300, 160 + 90 fit: three days
    assert planned.timeline.total_min.tolist() == pytest.approx([120, 200, 160, 90])
    assert planned.day_of == (4, 5, 6, 6)
    assert planned.start_min.tolist() == pytest.approx([0, 0, 0, 160])
    assert planned.hours == pytest.approx((120 + 200 + 160 + 90) / 60)
    assert planned.sentence == ("4 runs take 3 days; the longest, day 6, takes 4 h 10 min of 5 h.")


def test_runs_are_shared_out_evenly_over_the_fewest_days() -> None:
    planned = schedule(rig(), lasting(*[100.0] * 10), range(10), 400.0)
    assert [len(day.slots) for day in planned.days] == [4, 3, 3]


def test_a_whole_plot_stays_in_a_day_where_it_fits() -> None:
    conditions = lasting(*[100.0] * 6)
    planned = schedule(rig(), conditions, (1, 1, 2, 2, 3, 3), 310.0)
    assert numbers(planned) == [[1, 2], [3, 4], [5, 6]]
    assert numbers(schedule(rig(), conditions, range(6), 310.0)) == [[1, 2, 3], [4, 5, 6]]
    assert "plot-over-days" not in codes(planned)


def test_a_day_holds_no_more_plots_than_the_rig_is_set_anew() -> None:
    conditions = lasting(*[100.0] * 6)
    plots = (1, 1, 2, 2, 3, 3)
    assert len(schedule(rig(), conditions, plots, 620.0).days) == 1
    assert numbers(schedule(rig(), conditions, plots, 620.0, plots_per_day=2)) in (
        [[1, 2, 3, 4], [5, 6]],
        [[1, 2], [3, 4, 5, 6]],
    )
    one = schedule(rig(), conditions, plots, 620.0, plots_per_day=1)
    assert numbers(one) == [[1, 2], [3, 4], [5, 6]]
    # a plot that no day holds is cut by the hour, as it has to be
    long = schedule(rig(), lasting(*[100.0] * 4), (1, 1, 1, 2), 210.0, plots_per_day=1)
    assert [len(day) for day in numbers(long)] == [2, 2]


def test_a_plot_longer_than_a_day_is_told() -> None:
    planned = schedule(rig(), lasting(*[100.0] * 4), (1, 1, 1, 2), 210.0)
    assert "plot-over-days" in codes(planned)
    assert (
        len({day for day, plot in zip(planned.day_of, (1, 1, 1, 2), strict=True) if plot == 1}) > 1
    )


def test_a_run_longer_than_a_day_has_it_to_itself_and_is_told() -> None:
    planned = schedule(rig(), lasting(100, 400, 100), (1, 2, 3), 300.0)
    assert numbers(planned) == [[1], [2], [3]]
    (notice,) = (n for n in planned.notices if n.code == "run-longer-than-day")
    assert notice.what.startswith("Run 2: longer than a day of 5 h")


def test_a_block_begins_on_a_new_day_and_the_price_is_told() -> None:
    conditions = lasting(*[100.0] * 6)
    planned = schedule(rig(), conditions, range(6), 410.0, blocks=(1, 1, 2, 2, 3, 3))
    assert numbers(planned) == [[1, 2], [3, 4], [5, 6]]
    (notice,) = (n for n in planned.notices if n.code == "block-days")
    assert "takes 3 days, where the runs alone would take 2" in notice.what
    even = schedule(rig(), conditions, range(6), 310.0, blocks=(1, 1, 1, 2, 2, 2))
    assert "block-days" not in codes(even)


def test_blank_and_sacrificial_runs_come_first_and_only_if_asked() -> None:
    conditions = lasting(*[100.0] * 5)
    planned = schedule(
        rig(), conditions, range(5), 410.0, first_run=9, before=("blank", "sacrificial")
    )
    assert [slot.kind for slot in planned.days[0].slots[:3]] == ["blank", "sacrificial", "run"]
    assert planned.day_of[0] == 1
    assert planned.start_min[0] == pytest.approx(200)
    asked = totals(rig(), conditions, planned, reserve=0.25)
    plain = totals(rig(), conditions, schedule(rig(), conditions, range(5), 410.0), reserve=0.25)
    assert (asked.runs, plain.runs) == (7, 5)
    assert asked.feedstock_g == 6 * 12  # a blank holds no material
    assert plain.feedstock_g == 5 * 12


def test_first_runs_do_not_push_a_whole_plot_over_two_days() -> None:
    conditions, plots = lasting(*[100.0] * 8), (1, 1, 1, 1, 2, 2, 2, 2)
    planned = schedule(rig(), conditions, plots, 410.0, before=("blank", "sacrificial"))
    assert "plot-over-days" not in codes(planned)
    assert [slot.kind for slot in planned.days[0].slots] == ["blank", "sacrificial"]
    assert numbers(planned) == [[None, None], [1, 2, 3, 4], [5, 6, 7, 8]]
    together = schedule(rig(), conditions, plots, 610.0, before=("blank", "sacrificial"))
    assert numbers(together) == [[None, None, 1, 2, 3, 4], [5, 6, 7, 8]]


@given(
    st.lists(st.integers(1, 12), min_size=1, max_size=8),
    st.integers(6, 20),
    st.integers(1, 8),
)
@settings(max_examples=150, deadline=None)
def test_days_are_the_fewest_and_the_most_even_of_all_ways_to_cut(
    lengths: list[int], most: int, at_most: int
) -> None:
    def fits(day: list[int]) -> bool:
        return len(day) <= at_most and (sum(day) <= most or len(day) == 1)

    n = len(lengths)
    ways = []
    for marks in itertools.product((False, True), repeat=n - 1):
        cuts = [0, *(i + 1 for i, mark in enumerate(marks) if mark), n]
        days = [lengths[a:b] for a, b in itertools.pairwise(cuts)]
        if all(fits(day) for day in days):
            ways.append((len(days), sum(sum(day) ** 2 for day in days)))
    found = [lengths[a:b] for a, b in itertools.pairwise(_shared_out(lengths, most, at_most))]
    assert [length for day in found for length in day] == lengths
    assert all(fits(day) for day in found)
    assert (len(found), sum(sum(day) ** 2 for day in found)) == min(ways)


def test_labels_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ValueError, match="one entry a run"):
        schedule(rig(), lasting(100, 100), (1,), DAY)
    with pytest.raises(ValueError, match="days with minutes"):
        schedule(rig(), lasting(100), (1,), 0.0)


def test_lengths_of_time_in_words() -> None:
    assert [clock(m) for m in (520.2, 540.0, 45.0, 0.0, 59.7)] == [
        "8 h 40 min",
        "9 h",
        "45 min",
        "0 min",
        "1 h",
    ]


# ------------------------------------------------------------------------------ what to mind


def centres_at(n: int, rows: tuple[int, ...], per_day: int) -> Any:
    kinds = ["centre" if i in rows else "corner" for i in range(n)]
    return centre_points(kinds, [1 + i // per_day for i in range(n)])


def test_centre_points_spread_or_not() -> None:
    spread = centres_at(12, (1, 6, 11), 4)
    assert spread.spread
    assert (spread.runs, spread.days, spread.longest_gap) == ((2, 7, 12), (1, 2, 3), 4)
    late = centres_at(12, (8, 9, 10), 3)
    assert late.days == (3, 4)
    assert not late.spread
    assert late.longest_gap == 8
    assert centres_at(12, (0, 7), 6).spread  # six of twelve is the most
    one_day = centres_at(6, (2, 3), 4)
    assert not centres_at(6, (0, 3), 4).spread
    assert one_day.longest_gap == 2
    assert not one_day.spread
    assert "all on day 1" in one_day.sentence
    assert centre_points(["corner", "corner"], [1, 1]) is None


def test_temperature_that_cannot_be_told_from_the_day_is_noticed() -> None:
    def noticed(T: list[float], **more: Any) -> set[str]:
        conditions = flow(T, 150.0 - 0.4 * np.array(T))  # every run equally long
        return codes(schedule(rig(), conditions, range(len(T)), DAY, **more))

    assert "temperature-is-day" in noticed([120, 120, 120, 160, 160, 160])
    assert "temperature-is-day" not in noticed([120, 160, 120, 160, 120, 160])
    assert "temperature-is-lot" in noticed([120, 160, 120, 160], lots=("A", "B", "A", "B"))
    assert "temperature-is-lot" not in noticed([120, 160, 120, 160], lots=("A", "A", "B", "B"))


def test_lots_are_shared_over_blocks_or_it_is_noticed() -> None:
    def noticed(lots: str) -> bool:
        planned = schedule(
            rig(), lasting(*[100.0] * 6), range(6), DAY, blocks=(1, 1, 1, 2, 2, 2), lots=tuple(lots)
        )
        return "lots-unbalanced" in codes(planned)

    assert not noticed("AAABBB")
    assert not noticed("AABABB")
    assert noticed("AAAABB")


def test_carry_over_by_the_rule_for_mixed_volumes() -> None:
    # trade's rule: three volumes leave 5 %, five leave 0.7 %; 250 mL at 45 % = 112.5 mL free
    described = rig(flush_time="11.25 min")
    left = carry_over(described, flow([150, 150], mL_min=[30, 50]))
    assert left is not None
    assert np.round(left, 3).tolist() == [0.050, 0.007]
    slow = schedule(described, flow([150, 180], mL_min=10), (1, 2), DAY)
    assert any("37 %" in n.what for n in slow.notices if n.code == "carry-over")
    assert "carry-over" not in codes(schedule(described, flow([150, 180], mL_min=50), (1, 2), DAY))
    batch = Conditions("batch", np.array([200.0]), np.array([30.0]), batch_kind="headspace")
    assert carry_over(rig("headspace"), batch) is None


# ----------------------------------------------------------------------- what the order costs


def test_cost_of_an_order_by_hand() -> None:
    # 120, 180, 130 °C in one day, 5 K/min either way. Steps: 60 + 50 K, sorted 60 K. From cold:
    # up 100 + 160 + 110, down 70 + 130 + 80 K = 650 K, 130 min. Kept hot: up 100 + 60 K, down
    # 50 + 80 K = 290 K, 58 min; sorted, up 100 + 10 + 50 K, down 130 K: the same 290 K
    cost = schedule(rig(), flow([120, 180, 130], 20.0), (1, 2, 3), DAY).thermal
    assert (cost.planned.steps_K, cost.cheapest.steps_K) == (110, 60)
    assert cost.hours == pytest.approx(130 / 60)
    assert cost.planned.kept_hot_hours == pytest.approx(58 / 60)
    assert cost.cheapest.kept_hot_hours == pytest.approx(58 / 60)
    assert cost.cheapest.runs in ((1, 3, 2), (2, 3, 1))


def test_the_order_costs_the_days_of_the_schedule_with_plots_and_what_goes_before() -> None:
    # four runs of 100 min a day; two of early runs have a day of their own, as a plot of four
    # would not fit beside them: 1 + 2 days, and sorted by temperature as many
    plots = (1, 1, 1, 1, 2, 2, 2, 2)
    planned = schedule(rig(), lasting(*[100.0] * 8), plots, 410.0, before=("blank", "sacrificial"))
    assert len(planned.days) == 3
    assert (planned.thermal.planned.days, planned.thermal.cheapest.days) == (3, 3)
    assert "Sorted, the runs would" not in planned.thermal.sentence


@given(
    st.lists(st.integers(1, 3), min_size=1, max_size=6),
    st.integers(200, 700),
    st.sampled_from([(), ("blank",), ("blank", "sacrificial")]),
)
@settings(max_examples=40, deadline=None)
def test_days_of_the_order_as_planned_are_the_days_of_the_plan(
    sizes: list[int], most: int, before: tuple[Any, ...]
) -> None:
    plots = [plot for plot, size in enumerate(sizes) for _ in range(size)]
    planned = schedule(rig(), lasting(*[100.0] * len(plots)), plots, float(most), before=before)
    assert planned.thermal.planned.days == len(planned.days)


def test_energy_of_ramps_by_hand() -> None:
    # no flow of heat but into 2.5 kJ/K of metal at 85 %: 160 K from cold, twice; kept hot, once
    almost_still = flow([180, 180], 20.0, mL_min=1e-9)
    cost = schedule(rig(), almost_still, (1, 2), DAY).thermal
    once = 2.5 * 160 / 0.85 / 3600
    assert cost.kWh == pytest.approx(2 * once)
    assert cost.planned.kept_hot_kWh == pytest.approx(once)


def test_energy_of_ramps_of_the_water_by_hand() -> None:
    # heater_cooler.csv, 180 °C, 50 bar, 100 mL/min: 1125.654 W. From 20 °C 32 min at half of it;
    # from 130 °C 10 min at (110 + 160)/(2 × 160) of it
    bare = rig(vessel__heat_capacity=None, heater__efficiency="100 %", temperature_max="300 degC")
    T = np.array([130.0, 180.0])
    runs = Conditions("flow", T, np.full(2, 20.0), np.full(2, 50.0), np.array([1e-9, 100.0]))
    cost = schedule(bare, runs, (1, 2), DAY).thermal
    assert cost.kWh == pytest.approx(1.125654 / 2 * 32 / 60, rel=1e-6)
    assert cost.planned.kept_hot_kWh == pytest.approx(1.125654 * 270 / 320 * 10 / 60, rel=1e-6)


def hot_minutes(days: list[list[float]]) -> float:
    """Heating and cooling at 5 K/min, from 20 °C, to 50 °C at the end of each day."""
    ways = 0.0
    for day in days:
        ways += sum(abs(b - a) for a, b in itertools.pairwise([20.0, *day, 50.0]))
    return ways / 5


def test_no_order_is_cheaper_than_the_cheapest_by_trying_them_all() -> None:
    generator = np.random.default_rng(8)
    for n, per_day in ((5, 5), (6, 3), (7, 3)):
        T = generator.permutation(np.linspace(110, 200, n).round())
        conditions = flow(T, 120 - 0.4 * T)  # all equally long: 0.4 min/K are the ramps
        length = float(run_minutes(rig(), conditions)[0])
        cost = schedule(rig(), conditions, range(n), per_day * length + 1).thermal.cheapest
        assert cost.days == math.ceil(n / per_day)
        # the fewest days, shared out evenly: the longer ones first
        sizes = [len(part) for part in np.array_split(np.arange(n), cost.days)]
        cuts = [0, *itertools.accumulate(sizes)]
        orders = [list(order) for order in itertools.permutations(T.tolist())]
        steps = min(sum(abs(b - a) for a, b in itertools.pairwise(order)) for order in orders)
        hot = min(
            hot_minutes([order[a:b] for a, b in itertools.pairwise(cuts)]) for order in orders
        )
        assert cost.steps_K == pytest.approx(steps)
        assert cost.kept_hot_hours == pytest.approx(hot / 60)


def test_a_batch_is_never_taken_to_stay_hot() -> None:
    batch = Conditions(
        "batch", np.array([200.0, 150.0]), np.array([30.0, 30.0]), batch_kind="headspace"
    )
    cost = schedule(rig("headspace"), batch, (1, 2), DAY).thermal
    assert cost.planned.kept_hot_hours is None
    assert cost.hours == pytest.approx((180 / 4 + 150 / 2 + 130 / 4 + 100 / 2) / 60)
    assert "kept hot" not in cost.sentence


# ------------------------------------------------------------------------------------- totals


def heater_table() -> list[dict[str, str]]:
    with (REFERENCE / "water" / "heater_cooler.csv").open(encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if 100 < float(row["T_degC"]) <= 350]


def test_energy_and_water_against_the_table_of_heater_duties() -> None:
    rows = heater_table()
    T, P, q, W, kg_s = (
        np.array([float(row[name]) for row in rows])
        for name in (
            "T_degC",
            "P_bar",
            "pump_mL_min_at_20C_1atm",
            "heater_W_IF97",
            "mass_flow_kg_s",
        )
    )
    bare = rig(vessel__heat_capacity=None, heater__efficiency="100 %")
    conditions = Conditions("flow", T, np.full(T.shape, 60.0), P, q)
    planned = schedule(bare, conditions, range(len(T)), 24 * 60.0)
    needed = totals(bare, conditions, planned, reserve=0.0)
    up, down = (T - 20) / 5, (T - 50) / 5
    # half the duty while heating up, all of it during the run
    expected = (W * (60 + up / 2) / 60).sum() / 1000
    assert needed.energy_kWh == pytest.approx(expected, rel=6e-7)
    kg = (kg_s * 60 * (up + 60 + down + 10)).sum()
    # density of water at 20 °C and one atmosphere: 0.99821 g/mL (handbook value)
    assert needed.water_mL * 0.99821 / 1000 == pytest.approx(kg, rel=1e-5)
    assert needed.feedstock_g is None


def test_totals_by_hand() -> None:
    # 10 mL/min: 180 °C for 60 min takes 128 min of water, 1280 mL, one drain; 130 °C takes
    # 22 + 60 + 16 + 10 = 108 min, 1080 mL, one drain
    conditions = flow([180, 130, 180, 130])
    planned = schedule(rig(), conditions, range(4), DAY)
    needed = totals(rig(), conditions, planned, reserve=0.25)
    assert needed.water_mL == pytest.approx(2 * 1280 + 2 * 1080)
    assert needed.hours == pytest.approx((2 * 158 + 2 * 138) / 60)
    assert (needed.days, needed.drains, needed.emptied) == (2, 4, 8)
    assert needed.feedstock_g == pytest.approx(48)
    assert needed.feedstock_with_reserve_g == pytest.approx(64)  # a quarter of it is left over
    # 4800 mL above the heel; before run 4, 1160 mL are left and 1080 × 1.2 = 1296 are asked for
    assert needed.feed_bottles == 2
    three = schedule(rig(), flow([180, 130, 180]), range(3), DAY)
    assert totals(rig(), flow([180, 130, 180]), three, reserve=0.0).feed_bottles == 1


def test_totals_in_batch_leave_out_what_is_not_there() -> None:
    batch = Conditions("batch", np.array([200.0]), np.array([30.0]), batch_kind="headspace")
    described = rig("headspace")
    needed = totals(described, batch, schedule(described, batch, (1,), DAY), reserve=0.25)
    assert needed.water_mL == 400
    assert (needed.drains, needed.feed_bottles, needed.feedstock_g) == (None, None, None)
    assert not any("bottle" in what or "feedstock" in what for what, _, _ in needed.rows())


def test_a_day_that_others_began_is_filled_up_before_a_new_one() -> None:
    # 140 of 300 min are taken: one run of 120 min fits behind them, the second does not
    planned = schedule(rig(), lasting(120, 120), range(1, 3), 300.0, first_day=4, begun_min=140.0)
    assert planned.day_of == (4, 5)
    assert planned.start_min.tolist() == pytest.approx([140, 0])
    assert planned.hours == pytest.approx(4.0)
    alone = schedule(rig(), lasting(120), [1], 300.0, first_day=4, begun_min=140.0)
    assert alone.sentence == "1 run fits into day 4, which takes 4 h 20 min of 5 h."
    # no room behind 200 min: the begun day stays as it is
    later = schedule(rig(), lasting(120), [1], 300.0, first_day=4, begun_min=200.0)
    assert later.day_of == (5,)
    assert later.start_min.tolist() == pytest.approx([0])
