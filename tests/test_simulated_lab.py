"""The invented lab against closed forms, an independent integration, and what the trade knows.

Closed forms: textbook reaction engineering (tanks in series, A → B → C) from memory; two-site and
partition models as Kubátová et al. 2002, J Chromatogr A 975:175-188 (from memory), in the
fine-slice limit of the latter.
"""

from __future__ import annotations

import datetime
import math
import time
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.special import gammainc

from doe import simulated_lab as lab
from doe.rig import Conditions
from doe.simulated_lab import Bed, Control, Material, Noise, Partition, Rate, Solute
from doe.water import WaterError, liquid_density_kg_m3

AT_ONCE = Rate(3000.0)
IN_THE_HEAT = Rate(0.2, 200.0)  # 0.2/min at 150 °C, nothing in a cold receiver
TIGHT = Bed(water_mL_g=1e-3, tanks=1)  # so little water that what is freed is out at once


def runs(temperature_C=150.0, flow_mL_min=3.0, time_min=30.0, mass_g=5.0, pressure_bara=50.0):
    columns = np.broadcast_arrays(temperature_C, flow_mL_min, time_min, mass_g, pressure_bara)
    T, flow, minutes, mass, pressure = (np.atleast_1d(c).astype(float) for c in columns)
    return Conditions(
        "flow",
        temperature_C=T,
        time_min=minutes,
        pressure_bara=pressure,
        flow_mL_min=flow,
        bed_mass_g=mass,
    )


def box(temperature=9, flow=9, minutes=11):
    """Return the usual range of settings as a grid: 120-200 °C, 1-5 mL/min, 10-60 min."""
    axes = np.linspace(120, 200, temperature), np.linspace(1, 5, flow), np.linspace(10, 60, minutes)
    return runs(*(axis.ravel() for axis in np.meshgrid(*axes, indexing="ij")))


def balance(bed, conditions, **solute):
    material = Material("test", "Invented.", bed, (Solute("target", 10.0, **solute),))
    return lab.mass_balance(material, conditions)["target"]


def hot_flow(conditions):
    """Return the flow at the bed's temperature, the pump metering water of 20 °C [mL/min]."""
    P, T = conditions.pressure_bara, conditions.temperature_C
    return conditions.flow_mL_min * liquid_density_kg_m3(20.0, P) / liquid_density_kg_m3(T, P)


# --------------------------------------------------------------------------- closed forms


def test_desorption_alone_is_first_order():
    minutes = np.array([0.0, 1.0, 10.0, 30.0, 60.0])
    found = balance(TIGHT, runs(time_min=minutes), fast=Rate(0.05))
    np.testing.assert_allclose(found.released, 1 - np.exp(-0.05 * minutes), rtol=0, atol=1e-9)
    np.testing.assert_allclose(found.collected, 1 - np.exp(-0.05 * minutes), rtol=0, atol=1e-4)


def test_desorption_from_two_sites_against_kubatova_2002():
    minutes = np.linspace(0, 60, 7)
    found = balance(TIGHT, runs(time_min=minutes), fast=Rate(0.3), slow=Rate(0.01), fast_share=0.65)
    remaining = 0.65 * np.exp(-0.3 * minutes) + 0.35 * np.exp(-0.01 * minutes)
    np.testing.assert_allclose(found.collected, 1 - remaining, rtol=0, atol=1e-4)


def test_partition_alone_is_the_wash_out_of_a_stirred_tank():
    conditions = runs(temperature_C=[120, 150, 180], time_min=[5, 20, 60])
    found = balance(Bed(2.5, tanks=1), conditions, fast=AT_ONCE, partition=Partition(6.0))
    washes = hot_flow(conditions) * conditions.time_min / (5.0 * (2.5 + 6.0))
    np.testing.assert_allclose(found.collected, 1 - np.exp(-washes), rtol=0, atol=1e-3)


def test_partition_alone_against_kubatova_2002_cut_into_fine_slices():
    """With little water between the grains the yield depends on water per solid alone."""
    conditions = runs(flow_mL_min=[1, 2, 4], time_min=[40, 20, 10])
    found = balance(Bed(1e-3, tanks=1), conditions, fast=AT_ONCE, partition=Partition(20.0))
    volume_mL = hot_flow(conditions) * conditions.time_min
    remaining = np.ones(3)
    for _ in range(2000):  # S_b/S_0 of each slice: what is left shares itself with fresh water
        remaining *= 1 - 1 / (1 + 20.0 * 5.0 / (volume_mL / 2000))
    np.testing.assert_allclose(found.collected, 1 - remaining, rtol=0, atol=1e-3)


def test_wash_out_of_tanks_in_series_is_the_erlang_distribution():
    """Solute spread over N tanks: the mean over tanks of how far it still has to go."""
    tanks, minutes = 4, np.array([1.0, 4.0, 10.0, 25.0])
    conditions = runs(time_min=minutes)
    found = balance(Bed(2.5, tanks=tanks), conditions, fast=AT_ONCE)
    onward = tanks * hot_flow(conditions) * minutes / (5.0 * 2.5)
    expected = np.mean([gammainc(left, onward) for left in range(1, tanks + 1)], axis=0)
    np.testing.assert_allclose(found.collected, expected, rtol=0, atol=1e-3)


def test_loss_in_the_bed_comes_to_plug_flow_with_many_tanks():
    """Plug flow from depth z survives by e^(−k τ z): over the bed (1 − e^(−kτ))/(kτ).

    The gap closes as 1/N, so that two numbers of tanks extrapolate to none.
    """
    conditions = runs(time_min=200.0)
    losing = (0.2 * 5.0 * 2.5 / hot_flow(conditions)).item()  # k τ
    plug = -math.expm1(-losing) / losing
    few, some, many = (
        balance(Bed(2.5, n), conditions, fast=AT_ONCE, loss=IN_THE_HEAT).collected.item()
        for n in (10, 40, 80)
    )
    assert abs(few - plug) > 3 * abs(some - plug) > 5 * abs(many - plug)
    assert 2 * many - some == pytest.approx(plug, abs=1e-4)


def test_loss_in_the_tanks_against_the_closed_form():
    conditions = runs(time_min=500.0)
    pass_on = 1 / (1 + 0.2 * 5.0 * 2.5 / hot_flow(conditions) / 5)
    found = balance(Bed(2.5, tanks=5), conditions, fast=AT_ONCE, loss=IN_THE_HEAT)
    expected = np.mean([pass_on**n for n in range(1, 6)])
    np.testing.assert_allclose(found.collected, expected, rtol=0, atol=1e-3)


@pytest.mark.parametrize(("frees", "loses"), [(0.1, 0.03), (0.03, 0.1), (0.05, 0.05)])
def test_freed_and_lost_is_a_to_b_to_c(frees, loses):
    """Without partition, all that is not yet lost is B, wherever it is; equal rates included."""
    minutes = np.linspace(0, 60, 13)
    found = balance(
        Bed(2.5, tanks=3),
        runs(time_min=minutes),
        fast=Rate(frees),
        loss=Rate(loses),
        receiver_C=None,
    )
    if frees == loses:
        expected = frees * minutes * np.exp(-frees * minutes)
    else:
        expected = frees / (loses - frees) * (np.exp(-frees * minutes) - np.exp(-loses * minutes))
    np.testing.assert_allclose(found.collected + found.left_in_bed, expected, rtol=0, atol=1e-10)


def test_whole_mechanism_against_an_ode_solver_with_every_tank_written_out():
    """Each tank has its own sites here; scipy's LSODA integrates what the room exponentiates."""
    solute = lab.INTERIOR.solutes[0]
    bed = replace(lab.INTERIOR.bed, tanks=3)
    conditions = runs(140.0, 4.0, 45.0)

    def arrhenius(rate, T):
        scaled = rate.activation_kJ_mol / 8.314462618e-3 * (1 / (T + 273.15) - 1 / 423.15)
        return rate.at_150C_per_min * math.exp(-scaled)

    loss, cold = arrhenius(solute.loss, 140.0), arrhenius(solute.loss, solute.receiver_C)
    frees = np.array([[arrhenius(solute.fast, 140.0)], [arrhenius(solute.slow, 140.0)]])
    held = 1.5 * math.exp(25.0 / 8.314462618e-3 * (1 / 413.15 - 1 / 423.15))
    standing = 1 - math.exp(-((4.0 / 5.0 / 1.2) ** 2))
    swept_mL = (1 - standing) * 5.0 * (2.5 + held)
    drain = hot_flow(conditions).item() * 3 / swept_mL

    def slope(_, x):
        moving, still = x[:6].reshape(2, 3), x[6:8].reshape(2, 1)
        tanks, kept, out = x[8:11], x[11], x[12]
        entering = np.concatenate([[0.0], drain * tanks[:-1]])
        return np.concatenate(
            [
                (-(frees + 0.3 * loss) * moving).ravel(),
                (-(frees + 0.3 * loss) * still).ravel(),
                (frees * moving).sum(axis=0) + entering - (drain + loss) * tanks,
                [(frees * still).sum() - loss * kept, drain * tanks[-1] - cold * out],
            ]
        )

    shares = np.array([0.75, 0.25])
    start = np.concatenate(
        [np.repeat(shares * (1 - standing) / 3, 3), shares * standing, np.zeros(5)]
    )
    end = solve_ivp(slope, (0, 45), start, method="LSODA", rtol=1e-10, atol=1e-13).y[:, -1]
    found = lab.mass_balance(replace(lab.INTERIOR, bed=bed), conditions)["target"]
    np.testing.assert_allclose(found.collected, end[12], rtol=1e-7)
    np.testing.assert_allclose(found.left_in_bed, end[8:12].sum(), rtol=1e-7)
    np.testing.assert_allclose(found.left_bound, end[:8].sum(), rtol=1e-7)


# --------------------------------------------------------------------------- temperature


def test_arrhenius_ratio_against_the_doubling_over_ten_kelvin():
    """53 kJ/mol doubles a rate from 25 to 35 °C: textbook rule, from memory."""
    slow, quick = Rate(1.0, 53.0).per_min([25.0, 35.0])
    assert quick / slow == pytest.approx(2.0, abs=0.01)


def test_severity_ridge_rises_e_fold_over_the_step_of_the_severity_factor():
    """14.75 K: Overend, Chornet 1987, Phil Trans R Soc A 321:523, about 160 °C."""
    low, high = runs(160.0 - 14.75 / 2, time_min=0.5), runs(160.0 + 14.75 / 2, time_min=0.5)
    solute = lab.SEVERITY_RIDGE.solutes[0]
    freed = [
        -math.log(balance(TIGHT, conditions, fast=solute.fast).left_bound.item())
        for conditions in (low, high)
    ]
    assert freed[1] / freed[0] == pytest.approx(math.e, rel=0.01)


def test_heat_helps_dissolving_by_van_t_hoff():
    K = Partition(4.0, 30.0).mL_g([120.0, 150.0, 180.0])
    assert K[1] == 4.0
    inverse_K = 1 / (np.array([120.0, 150.0, 180.0]) + 273.15)
    slope = np.polyfit(inverse_K, np.log(K), 1)[0]
    assert slope * 8.314462618e-3 == pytest.approx(30.0)


def test_by_product_rises_with_temperature_as_published_for_hmf():
    """From 160 to 180 °C in 5 min: ×7 (artichoke leaf), ×26 (lemon peel).

    HMF in subcritical water extraction, 2018, Food Sci Biotechnol 27:981-986,
    10.1007/s10068-018-0328-y.
    """
    made = lab.true_responses(lab.INTERIOR, runs([160.0, 180.0], time_min=5.0))["by_product_mg_g"]
    assert 7 <= made[1] / made[0] <= 26


# --------------------------------------------------------------------------- conservation


@pytest.mark.parametrize("material", lab.MATERIALS.values(), ids=str)
def test_mass_balance_closes(material):
    for name, found in lab.mass_balance(material, box()).items():
        gone = found.lost_bound + found.lost_in_bed + found.lost_in_receiver
        total = found.collected + found.left_bound + found.left_in_bed + gone
        np.testing.assert_allclose(total, 1.0, rtol=0, atol=1e-9, err_msg=name)
        for part in (found.collected, found.left_bound, found.left_in_bed, gone):
            assert (part >= 0).all()


def test_released_follows_from_the_sites_alone():
    conditions = box()
    solute = lab.CONFLICT.solutes[0]
    T, minutes = conditions.temperature_C, conditions.time_min
    expected = np.zeros_like(T)
    for share, rate in ((solute.fast_share, solute.fast), (1 - solute.fast_share, solute.slow)):
        frees = rate.per_min(T)
        both = frees + solute.bound_loss_share * solute.loss.per_min(T)
        expected += share * frees / both * -np.expm1(-both * minutes)
    released = lab.mass_balance(lab.CONFLICT, conditions)["target"].released
    np.testing.assert_allclose(released, expected, rtol=0, atol=1e-9)


@given(
    temperature_C=st.floats(100, 230),
    flow=st.floats(0.1, 20),
    minutes=st.floats(0, 200),
    name=st.sampled_from(sorted(lab.MATERIALS)),
)
def test_many_small_steps_end_where_one_does(temperature_C, flow, minutes, name):
    conditions = runs(temperature_C, flow, minutes)
    curve = lab.extraction_curve(lab.MATERIALS[name], conditions, 16)
    for column, value in lab.true_responses(lab.MATERIALS[name], conditions).items():
        np.testing.assert_allclose(curve[column][:, -1], value, rtol=1e-9, atol=1e-12)


def test_curve_passes_through_shorter_runs():
    curve = lab.extraction_curve(lab.INTERIOR, runs(time_min=60.0), 3)["target_mg_g"]
    alone = lab.true_responses(lab.INTERIOR, runs(time_min=[20.0, 40.0, 60.0]))["target_mg_g"]
    np.testing.assert_allclose(curve[0], alone, rtol=1e-10)


def test_many_runs_are_solved_as_each_alone():
    """More runs than are solved at once, of very different length."""
    many = runs(150.0, 3.0, np.linspace(0.01, 600, 10_003))
    together = lab.true_responses(lab.CONFLICT, many)["target_mg_g"]
    for i in (0, 9_999, 10_000, 10_002):
        alone = lab.true_responses(lab.CONFLICT, runs(time_min=many.time_min[i]))
        assert together[i] == pytest.approx(alone["target_mg_g"].item(), rel=1e-9)


# --------------------------------------------------------------------------- directions


def test_yield_rises_with_time_into_a_cold_receiver():
    for material in (lab.BOUNDARY, lab.PLATEAU, lab.CONFLICT):
        curve = lab.extraction_curve(material, box(5, 3, 2), 20)["target_mg_g"]
        assert (np.diff(curve, axis=1) > -1e-4).all(), material.name
    lossless = lab.extraction_curve(lab.BOUNDARY, box(5, 3, 2), 20)["target_mg_g"]
    assert (np.diff(lossless, axis=1) > 0).all()


def test_two_flows_tell_partition_from_desorption():
    """Curves fall together against water per solid, or against time (trade's mechanism test)."""
    same_water = runs(flow_mL_min=[1.0, 4.0], time_min=[40.0, 10.0])
    same_time = runs(flow_mL_min=[1.0, 4.0], time_min=20.0)
    partition = {"fast": AT_ONCE, "partition": Partition(20.0)}
    by_water = balance(TIGHT, same_water, **partition).collected
    by_time = balance(TIGHT, same_time, fast=Rate(0.05)).collected
    assert by_water[0] == pytest.approx(by_water[1], rel=1e-3)
    assert by_time[0] == pytest.approx(by_time[1], rel=1e-3)
    assert np.ptp(balance(TIGHT, same_time, **partition).collected) > 0.1
    assert np.ptp(balance(TIGHT, same_water, fast=Rate(0.05)).collected) > 0.1


def test_pressure_has_next_to_no_effect():
    """None was significant for noni anthraquinones: Shotipruk et al. 2004 (from memory)."""
    low, high = lab.true_responses(lab.CONFLICT, runs(pressure_bara=[20.0, 100.0]))["target_mg_g"]
    assert low != high
    assert low == pytest.approx(high, rel=5e-3)


def test_without_flow_nothing_is_collected_and_without_time_nothing_happens():
    found = lab.mass_balance(lab.INTERIOR, runs(flow_mL_min=[0.0, 3.0], time_min=[30.0, 0.0]))
    assert (found["target"].collected == 0).all()
    assert found["target"].left_bound[1] == 1.0


def test_channels_keep_their_share_of_the_bed():
    bed = Bed(1e-3, tanks=1, channelling_mL_min_g=0.6)
    found = balance(bed, runs(flow_mL_min=[1.0, 3.0, 50.0], time_min=60.0), fast=AT_ONCE)
    np.testing.assert_allclose(
        found.left_in_bed, [1 - math.exp(-1 / 9), 1 - math.exp(-1), 0.95], atol=1e-6
    )


# --------------------------------------------------------------------------- characters


def best(material):
    conditions = box(17, 17, 11)
    values = lab.true_responses(material, conditions)["target_mg_g"]
    i = int(values.argmax())
    settings = conditions.temperature_C, conditions.flow_mL_min, conditions.time_min
    return tuple(float(s[i]) for s in settings), values


def test_interior_optimum_lies_inside_the_box_and_above_all_its_faces():
    (T, flow, minutes), values = best(lab.INTERIOR)
    assert 125 < T < 190
    assert 1.25 < flow < 4.5
    assert 20 <= minutes <= 50
    grid = values.reshape(17, 17, 11)
    faces = [grid[0], grid[-1], grid[:, 0], grid[:, -1], grid[:, :, 0], grid[:, :, -1]]
    assert all(face.max() < 0.985 * grid.max() for face in faces)


def test_boundary_is_best_hottest_fastest_and_longest():
    assert best(lab.BOUNDARY)[0] == (200.0, 5.0, 60.0)


def test_plateau_is_flat_over_most_of_the_box():
    values = best(lab.PLATEAU)[1]
    assert np.mean(values > 0.95 * values.max()) > 0.85
    assert values.min() < 0.5 * values.max()


def test_severity_ridge_has_one_height_at_one_severity():
    """R₀ = t exp[(T − 100)/14.75] held at its best value: 7.4 to 60 min give the same yield."""
    T = np.array([143.0, 150.0, 160.0, 170.0, 174.0])
    minutes = 19.0 * np.exp(-(T - 160.0) / 14.75)
    along = lab.true_responses(lab.SEVERITY_RIDGE, runs(T, 5.0, minutes))["target_mg_g"]
    across = lab.true_responses(lab.SEVERITY_RIDGE, runs(T, 5.0, 19.0))["target_mg_g"]
    assert np.ptp(along) < 0.06 * along.max()
    assert np.ptp(across) > 0.3 * along.max()


def test_conflict_pays_for_target_with_by_product():
    T = np.linspace(120, 180, 7)
    found = lab.true_responses(lab.CONFLICT, runs(T, 3.0, 40.0))
    assert (np.diff(found["target_mg_g"]) > 0).all()
    gain = found["target_mg_g"][-1] / found["target_mg_g"][2]
    price = found["by_product_mg_g"][-1] / found["by_product_mg_g"][2]
    assert price > 5 * gain


def test_every_material_says_that_it_is_invented():
    assert all(m.character.startswith("Invented.") for m in lab.MATERIALS.values())
    assert "invented" in lab.__doc__


# --------------------------------------------------------------------------- scatter


def test_same_seed_plays_the_same_and_another_does_not():
    def played(seed):
        generator = np.random.default_rng(seed)
        did = lab.achieved(box(3, 2, 2), generator)
        days = np.arange(12) // 4
        return lab.play(lab.INTERIOR, did, days, Noise(), generator)["target_mg_g"]

    np.testing.assert_array_equal(played(7), played(7))
    assert (played(7) != played(8)).all()


def test_scatter_has_the_spread_asked_for():
    """400 days of 25 runs; bounds are 4 standard errors of a standard deviation."""
    days = np.repeat(np.arange(400), 25)
    noise = Noise(run_relative_sd=0.05, floor_sd_mg_g=0.0, day_relative_sd=0.03)
    conditions = runs(150.0, time_min=np.full(10_000, 30.0))
    truth = lab.true_responses(lab.CONFLICT, conditions)["target_mg_g"][0]
    played = lab.play(lab.CONFLICT, conditions, days, noise, np.random.default_rng(1))
    table = played["target_mg_g"].reshape(400, 25) / truth
    within = math.sqrt(table.var(axis=1, ddof=1).mean())
    between = math.sqrt(table.mean(axis=1).var(ddof=1) - within**2 / 25)
    assert within == pytest.approx(0.05, abs=4 * 0.05 / math.sqrt(2 * 9600))
    assert between == pytest.approx(0.03, abs=4 * 0.032 / math.sqrt(2 * 399))
    assert table.mean() == pytest.approx(1.0, abs=4 * 0.032 / math.sqrt(400))


def test_floor_shows_where_nothing_is_there_and_no_value_is_negative():
    noise = {
        "target_mg_g": Noise(0.0, 0.0, 0.0),
        "by_product_mg_g": Noise(0.0, 0.5, 0.0),
    }
    conditions = runs(150.0, time_min=np.zeros(4000))
    played = lab.play(lab.INTERIOR, conditions, np.zeros(4000), noise, np.random.default_rng(2))
    assert (played["target_mg_g"] == 0).all()
    floor = played["by_product_mg_g"]
    assert floor.min() == 0
    # Half of a normal cut at zero, mean of the whole sd/√(2π).
    assert floor.mean() == pytest.approx(0.5 / math.sqrt(2 * math.pi), rel=0.08)


def test_days_may_be_dates_and_each_run_needs_one():
    dates = [datetime.date(2031, 3, 4), datetime.date(2031, 3, 5)]
    generator = np.random.default_rng(3)
    conditions = runs(150.0, time_min=[30.0, 30.0])
    still = Noise(0.0, 0.0, 0.1)
    one, other = lab.play(lab.PLATEAU, conditions, dates, still, generator)["target_mg_g"]
    assert one != other
    same = lab.play(lab.PLATEAU, conditions, [dates[0]] * 2, still, generator)["target_mg_g"]
    assert same[0] == same[1]
    with pytest.raises(ValueError, match="1 days for 2 runs"):
        lab.play(lab.PLATEAU, conditions, dates[:1], still, generator)


def test_achieved_settings_stay_near_the_plan_and_never_negative():
    plan = runs(150.0, 3.0, np.append(np.full(4000, 30.0), 0.0))
    did = lab.achieved(plan, np.random.default_rng(4))
    assert np.abs(did.temperature_C - 150).max() <= 2.0
    assert np.std(did.temperature_C) == pytest.approx(0.8, rel=0.06)
    assert np.abs(did.pressure_bara - 50).max() <= 1.5
    assert np.std(did.flow_mL_min / 3.0) == pytest.approx(0.015, rel=0.06)
    assert did.time_min.min() >= 0
    wild = Control(flow_relative_sd=2.0, bed_mass_relative_sd=2.0, time_sd_min=100.0)
    far = lab.achieved(plan, np.random.default_rng(5), wild)
    assert min(far.flow_mL_min.min(), far.bed_mass_g.min(), far.time_min.min()) == 0


def test_settings_that_are_not_given_are_not_made_up():
    bare = replace(runs(), pressure_bara=None, flow_mL_min=None, bed_mass_g=None)
    did = lab.achieved(bare, np.random.default_rng(6))
    assert did.pressure_bara is did.flow_mL_min is did.bed_mass_g is None


# --------------------------------------------------------------------------- refusals


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"mode": "batch"}, "flow mode only"),
        ({"bed_mass_g": None}, "bed_mass_g is missing"),
        ({"bed_mass_g": np.array([0.0])}, r"bed_mass_g\[0\] is 0"),
        ({"flow_mL_min": np.array([-1.0])}, r"flow_mL_min\[0\] is -1"),
        ({"time_min": np.array([np.nan])}, r"time_min\[0\] is nan"),
        ({"time_min": np.array([1.0, 2.0])}, "time_min has shape"),
    ],
)
def test_conditions_it_cannot_play_are_refused(change, words):
    with pytest.raises(ValueError, match=words):
        lab.true_responses(lab.INTERIOR, replace(runs(), **change))


def test_boiling_water_is_refused():
    with pytest.raises(WaterError, match="boils"):
        lab.true_responses(lab.INTERIOR, runs(200.0, pressure_bara=10.0))


def test_materials_and_rates_that_cannot_be_are_refused():
    with pytest.raises(ValueError, match="at_150C_per_min is -1"):
        Rate(-1.0)
    with pytest.raises(ValueError, match=r"fast_share is 1\.2"):
        Solute("target", 1.0, fast=Rate(1.0), fast_share=1.2)
    with pytest.raises(ValueError, match="water_mL_g is 0"):
        Bed(0.0)
    with pytest.raises(ValueError, match="rate × time"):
        balance(TIGHT, runs(), fast=Rate(1e9))


@pytest.mark.bench
def test_speed():
    for count in (20, 10_000):
        conditions = runs(150.0, 3.0, np.linspace(10, 60, count))
        lab.true_responses(lab.INTERIOR, runs())
        start = time.perf_counter()
        lab.true_responses(lab.INTERIOR, conditions)
        print(f"{count} runs, two responses: {time.perf_counter() - start:.4f} s")


# ----------------------------------------------------------------------------- timed portions


def test_portions_of_a_whole_run_add_up_to_what_it_collected() -> None:
    conditions = box(3, 2, 2)
    n = len(conditions.temperature_C)
    cuts = np.array([0.0, 0.1, 0.15, 0.5, 1.0]) * conditions.time_min[:, None]
    held = lab.timed_portions(lab.BOUNDARY, conditions, cuts[:, :-1], cuts[:, 1:])
    truth = lab.true_responses(lab.BOUNDARY, conditions)
    assert held["target_mg_g"].shape == (n, 4)
    assert held["target_mg_g"].sum(axis=1) == pytest.approx(truth["target_mg_g"], rel=1e-9)
    # the receiver of this one is warm: what is caught cold in portions is more
    warm = lab.timed_portions(lab.INTERIOR, conditions, cuts[:, :-1], cuts[:, 1:])
    collected = lab.true_responses(lab.INTERIOR, conditions)["target_mg_g"]
    assert (warm["target_mg_g"].sum(axis=1) > collected).all()


def test_portions_in_any_order_hold_what_a_closed_form_gives() -> None:
    """One tank, all freed at once: dx/dt = −q/(m (w + K)) x, hot flow and all, solved by hand."""
    bed = lab.Bed(water_mL_g=0.5, tanks=1)
    solute = lab.Solute("target", 10.0, fast=lab.Rate(1e4), partition=lab.Partition(5.0))
    conditions = runs(time_min=60.0)
    start, end = np.array([[20.0, 0.0, 7.0]]), np.array([[21.0, 30.0, 8.5]])
    held = lab.timed_portions(lab.Material("", "", bed, (solute,)), conditions, start, end)
    T, P = conditions.temperature_C, conditions.pressure_bara
    hot = conditions.flow_mL_min * liquid_density_kg_m3(20.0, P) / liquid_density_kg_m3(T, P)
    k = hot / (conditions.bed_mass_g * 5.5)
    expected = 10 * (np.exp(-k * start) - np.exp(-k * end))
    assert held["target_mg_g"] == pytest.approx(expected, rel=1e-3)


def test_portions_that_cannot_be_are_a_caller_bug() -> None:
    with pytest.raises(ValueError, match="ends after it begins"):
        lab.timed_portions(lab.BOUNDARY, runs(), np.array([[5.0]]), np.array([[4.0]]))
    with pytest.raises(ValueError, match="a row for each run"):
        lab.timed_portions(lab.BOUNDARY, runs(), np.zeros((2, 1)), np.ones((2, 1)))
