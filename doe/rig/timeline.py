"""How long a run takes, what water, heat and metal it moves, and what else follows from it."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from doe import water
from doe.rig.boiling import water_boils_C
from doe.rig.conditions import Conditions, column_of
from doe.rig.description import ROUNDING, Cooler, FloatArray, Rig
from doe.rig.shut import closed_in, cold_water_g
from doe.rig.state import State, as_liquid, state_of

SEVERITY_STEP_K = 14.75
"""Overend and Chornet 1987, Phil Trans R Soc A 321:523 (constant from memory)."""
SEVERITY_BASE_C = 100.0


def run_minutes(rig: Rig, conditions: Conditions) -> FloatArray:
    """Return the length of each run [min], from loading to the next loading (n,)."""
    state = state_of(rig, conditions)
    ramps = heat_up_min(state) + _cool_down_min(rig, state.temperature)
    return np.asarray(ramps + state.time + (rig.flush_time or 0.0) + rig.turnaround_time)


def drain_minutes(rig: Rig, conditions: Conditions) -> tuple[FloatArray, ...]:
    """Return for each run when the collection vessel has to be drained [min].

    Counted from the start of heat-up, when the water begins to flow; none without a collection
    vessel or in batch mode.
    """
    state = state_of(rig, conditions)
    if rig.collector is None or state.flow is None:
        return (np.zeros(0),) * len(state)
    drained_at = rig.collector.fill_share * rig.collector.volume
    counts = drains_of(run_water_mL(state), drained_at)
    return tuple(
        np.asarray(np.arange(1.0, count + 0.5) * drained_at / flow, dtype=np.float64)
        for count, flow in zip(counts.tolist(), state.flow.tolist(), strict=True)
    )


def derived(rig: Rig, conditions: Conditions) -> Mapping[str, FloatArray]:
    """Return what follows from each run's settings, as columns (n,) with their unit in the name.

    ``heat_up_min``, ``cool_down_min``, ``run_minutes``, ``water_mL`` (drawn cold, ramps and flush
    included, or what a full vessel loses by swelling), ``severity_log10`` (ramps included),
    ``relative_permittivity``, ``energy_kWh``, ``closed_in_rise_K`` (from the highest pressure;
    not with a headspace), the highest pressure as the rig shows it; in flow mode also
    ``residence_time_min``, ``heater_W``, ``cooler_W`` and ``cooler_outlet_C`` (with a cooler),
    ``superficial_velocity_mm_min`` (with the bed's diameter), ``drains`` and ``drain_every_min``
    (with a collection vessel).
    ``water_to_solid_g_g`` (run only, dry mass) needs the bed's mass.

    Notes
    -----
    Properties are pure water's, at set values; where water would boil they are those of saturated
    liquid. The energy counts what the heater draws for the water, half of it while heating up,
    and for the metal if the vessel's heat capacity is given; pumping and losses are left out.
    """
    state = state_of(rig, conditions)
    T, P = as_liquid(state)
    suffix = "barg" if rig.pressure_reading == "gauge" else "bara"
    columns: dict[str, FloatArray] = {
        "heat_up_min": heat_up_min(state),
        "cool_down_min": _cool_down_min(rig, state.temperature),
        "run_minutes": run_minutes(rig, conditions),
        "water_mL": run_water_mL(state),
        "severity_log10": _severity_log10(state),
        "relative_permittivity": water.relative_permittivity(T, P),
        f"highest_pressure_{suffix}": rig.shown(state.high),
    }
    if state.use != "headspace":
        columns["closed_in_rise_K"] = closed_in(rig, conditions).rise_K
    enthalpy = water.liquid_enthalpy_kJ_kg(T, P)
    columns |= _flow_columns(state, enthalpy) if state.use == "flow" else {}
    columns["energy_kWh"] = _energy_kWh(state, enthalpy)
    if conditions.bed_mass_g is not None:
        columns["water_to_solid_g_g"] = _run_water_g(state) / column_of(conditions, "bed_mass_g")
    return columns


def _flow_columns(state: State, enthalpy: FloatArray) -> dict[str, FloatArray]:
    rig, flow = state.rig, state.flow
    assert flow is not None
    T, P = as_liquid(state)
    density = water.liquid_density_kg_m3(T, P)
    feed = feed_g_s(rig, flow)
    with np.errstate(divide="ignore", invalid="ignore"):
        hot_flow = feed * 60 / density * 1000  # mL/min
        columns = {
            "residence_time_min": rig.vessel.volume
            * (rig.vessel.void_fraction or np.nan)
            / hot_flow,
            "heater_W": heater_duty_W(state, enthalpy),
        }
        if rig.vessel.inner_diameter is not None:
            area = math.pi / 4 * rig.vessel.inner_diameter**2  # mm²
            columns["superficial_velocity_mm_min"] = hot_flow * 1000 / area
        if rig.cooler is not None:
            cold = water.liquid_enthalpy_kJ_kg(rig.cooler.outlet_max, P)
            columns["cooler_W"] = np.maximum(feed * (enthalpy - cold), 0.0)
            columns["cooler_outlet_C"] = _outlet_C(
                rig.cooler, enthalpy - rig.cooler.power / feed, P
            )
        if rig.collector is not None:
            drained_at = rig.collector.fill_share * rig.collector.volume
            columns["drains"] = drains_of(run_water_mL(state), drained_at)
            columns["drain_every_min"] = drained_at / flow
    return columns


def feed_g_s(rig: Rig, flow: FloatArray) -> FloatArray:
    """Return the mass flow [g/s] of cold water metered by the pump [mL/min]."""
    density = water.liquid_density_kg_m3(rig.feed_temperature, water.ATMOSPHERIC_PRESSURE_BARA)
    return np.asarray(float(density) / 1000 * flow / 60)


def heater_duty_W(state: State, enthalpy: FloatArray) -> FloatArray:
    """Return the heater's duty at set values [W]: ṁ (h(T, P) − h(T_in, P))/η."""
    assert state.flow is not None
    fed = water.liquid_enthalpy_kJ_kg(state.rig.feed_temperature, as_liquid(state)[1])
    rise = np.maximum(enthalpy - fed, 0.0)
    return np.asarray(feed_g_s(state.rig, state.flow) * rise / state.rig.heater.efficiency)


def _outlet_C(cooler: Cooler, enthalpy: FloatArray, P: FloatArray) -> FloatArray:
    """Return the temperature [°C] of liquid of an enthalpy [kJ/kg], not below the coolant's."""
    coldest = water.liquid_enthalpy_kJ_kg(cooler.coolant_temperature, P)
    wanted = np.maximum(enthalpy, coldest)
    low = np.full(P.shape, cooler.coolant_temperature)
    high = water_boils_C(P)
    for _ in range(30):  # halves 350 K down to a millionth
        middle = (low + high) / 2
        above = water.liquid_enthalpy_kJ_kg(middle, P) > wanted
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return np.asarray(high)


def pumping_min(state: State) -> FloatArray:
    """Return how long water is pumped in flow mode [min]: heat-up, run, cool-down and flush."""
    rig, T = state.rig, state.temperature
    ramps = heat_up_min(state) + _cool_down_min(rig, T)
    return np.asarray(ramps + state.time + (rig.flush_time or 0.0))


def run_water_mL(state: State) -> FloatArray:
    """Return the cold water that a run takes [mL]."""
    if state.flow is not None:
        return np.asarray(state.flow * pumping_min(state))
    filled = np.full(len(state), _batch_water_mL(state.rig, state.use))
    return filled + swelling_mL(state) if state.use == "liquid-full" else filled


def water_drawn_g(rig: Rig, conditions: Conditions) -> FloatArray | None:
    """Return the cold water that a run takes [g] (n,); None for a mixture of unknown density."""
    if rig.co_solvent is not None:
        return None
    return np.asarray(run_water_mL(state_of(rig, conditions)) * _cold_density(rig) / 1000)


def swelling_mL(state: State) -> FloatArray:
    """Return what swells out of a liquid-full vessel up to its hottest water [mL, cold].

    The pump puts as much back when the vessel cools.
    """
    filled = _batch_water_mL(state.rig, state.use)
    return np.asarray(filled * np.maximum(1 - _hot_density(state) / _cold_density(state.rig), 0.0))


def swelling_mL_min(state: State) -> FloatArray:
    """Return how fast water swells out of a liquid-full vessel [mL/min, cold], at the end.

    Density falls faster the hotter the water is, so the last kelvin of the overshoot counts.
    """
    rig = state.rig
    above = np.maximum(state.temperature - rig.start_temperature, 0.0)
    # Fast is the strict side here: the heater warms water and metal, not what the solids take.
    inside = _inside_g(state) * water.liquid_heat_capacity_kJ_kgK(*as_liquid(state))
    power = rig.heater.use_share * rig.heater.power
    rate = np.where(above > 0, power / _warming_W(state, inside, 1.0), 0.0)
    if rig.heat_up_rate is not None:
        rate = np.full(len(state), rig.heat_up_rate)
    falls = np.maximum(_hot_density(state, cooler=1.0) - _hot_density(state), 0.0)  # kg/m³ per K
    return np.asarray(_batch_water_mL(rig, state.use) * falls / _cold_density(rig) * rate)


def _hot_density(state: State, cooler: float = 0.0) -> FloatArray:
    """Return the density [kg/m³] of the hottest water, or so much cooler [K], at set pressure."""
    T = np.minimum(state.hot, water.WATER_TEMPERATURE_MAX_C)
    _, P = as_liquid(state)
    P = np.maximum(P, water.saturation_pressure_bara(T))
    return water.liquid_density_kg_m3(np.maximum(T - cooler, 0.0), P)


def _cold_density(rig: Rig) -> float:
    at = rig.feed_temperature, water.ATMOSPHERIC_PRESSURE_BARA
    return float(water.liquid_density_kg_m3(*at))


def _batch_water_mL(rig: Rig, use: str) -> float:
    """Return the water of one batch [mL]; a liquid-full vessel holds most of it when cold."""
    if use == "headspace":
        assert rig.headspace is not None
        return rig.headspace.cold_water
    return rig.vessel.volume * (rig.vessel.void_fraction or 1.0)


def _run_water_g(state: State) -> FloatArray:
    """Return the water that meets the solids during the run itself [g]."""
    rig = state.rig
    if state.flow is not None:
        return np.asarray(feed_g_s(rig, state.flow) * 60 * state.time)
    if state.use == "headspace":
        assert rig.headspace is not None
        return np.full(len(state), cold_water_g(rig.headspace))
    return _inside_g(state)


def drains_of(used: FloatArray, drained_at: float) -> FloatArray:
    """Return ⌈water / interval⌉ − 1: the vessel is emptied after the run anyway."""
    return np.asarray(np.maximum(np.ceil(used / drained_at - ROUNDING) - 1, 0.0))


def heat_up_min(state: State) -> FloatArray:
    """Return how long heating up takes [min]: by the rate measured, else by the heater's power.

    The power a run may ask for, less what flowing water carries off at the end of the way (more
    than before), heats metal and the water inside: C dT/dt = P − D (T − T₀)/ΔT, solved exactly.
    Where the flow takes all of it, a thousandth is left: such a run fails the heater's limit.
    """
    rig = state.rig
    above = np.maximum(state.temperature - rig.start_temperature, 0.0)
    if rig.heat_up_rate is not None:
        return np.asarray(above / rig.heat_up_rate)
    power = rig.heater.use_share * rig.heater.power * rig.heater.efficiency  # W
    stored = heat_up_W(state, 60.0) * rig.heater.efficiency * above  # J: at 1 K/s, times K
    if state.flow is None:
        return np.asarray(stored / power / 60)
    carried = heater_duty_W(state, water.liquid_enthalpy_kJ_kg(*as_liquid(state)))
    share = np.clip(carried * rig.heater.efficiency / power, 1e-6, 1 - 1e-3)
    return np.asarray(stored / power / 60 * -np.log1p(-share) / share)


def heat_up_W(state: State, rate: float) -> FloatArray:
    """Return the most that the heater draws to warm vessel and contents at a rate [K/min] [W].

    The solids count as the water that their volume would hold, so a bed and its water as the whole
    vessel full of water. Water takes most heat by volume: 4.18 J/(mL K) cold, at least 3.8 hot
    (steam tables); plant matter takes 2 to 2.5, minerals to 2.8 (common practice). Metal counts as
    far as it is told.
    """
    return _warming_W(state, _full_J_K(state), rate)


def _warming_W(state: State, inside_J_K: FloatArray, rate: float) -> FloatArray:
    """Return what the heater draws to warm contents and metal at a rate [K/min] [W]."""
    metal = 1000 * (state.rig.vessel.heat_capacity or 0.0)
    return np.asarray((inside_J_K + metal) * rate / 60 / state.rig.heater.efficiency)


def _full_J_K(state: State) -> FloatArray:
    """Return the largest heat capacity of the contents on the way up, solids taken as water [J/K].

    A full vessel loses water as it swells, so it takes most at one end of the way or the other.
    """
    rig = state.rig
    hot = water.liquid_heat_capacity_kJ_kgK(*as_liquid(state))
    if state.use == "headspace":
        assert rig.headspace is not None
        solids = rig.headspace.solids_volume * _cold_density(rig) / 1000
        return np.asarray((cold_water_g(rig.headspace) + solids) * hot)
    at_start = rig.start_temperature, water.ATMOSPHERIC_PRESSURE_BARA
    cold = water.liquid_density_kg_m3(*at_start) * water.liquid_heat_capacity_kJ_kgK(*at_start)
    end = water.liquid_density_kg_m3(*as_liquid(state)) * hot
    return np.asarray(rig.vessel.volume / 1000 * np.maximum(cold, end))


def _inside_g(state: State) -> FloatArray:
    """Return the water in the vessel when hot [g]."""
    density = water.liquid_density_kg_m3(*as_liquid(state))
    return np.asarray(density / 1000 * _batch_water_mL(state.rig, state.use))


def clean_bed_bar(state: State) -> FloatArray | None:
    """Return the pressure drop of a clean bed [bar], None where it is not told enough of the bed.

    Ergun 1952, Chem Eng Prog 48:89 (coefficients from memory): per length
    150 µ (1 − ε)² u/(ε³ d²) + 1.75 (1 − ε) ρ u²/(ε³ d). The bed fills the vessel. The first term
    is taken for cold feed water, which is thickest; the second, which grows as water thins out,
    at the rig's highest temperature.
    """
    vessel, flow = state.rig.vessel, state.flow
    if flow is None or vessel.particle_size is None or vessel.inner_diameter is None:
        return None
    area = math.pi / 4 * (vessel.inner_diameter / 1000) ** 2  # m²
    length = vessel.volume * 1e-6 / area  # m
    size, gap = vessel.particle_size / 1000, vessel.bed_voidage
    at = state.rig.feed_temperature, water.ATMOSPHERIC_PRESSURE_BARA
    viscosity = float(water.liquid_viscosity_mPas(*at)) / 1000  # Pa s
    cold = float(water.liquid_density_kg_m3(*at))
    hottest = min(state.rig.temperature_max, water.WATER_TEMPERATURE_MAX_C)
    thin = float(water.saturated_liquid_density_kg_m3(hottest))
    flux = feed_g_s(state.rig, flow) / 1000 / area  # kg/(m² s)
    viscous = 150 * viscosity * (1 - gap) ** 2 / (gap**3 * size**2) * flux / cold
    inertial = 1.75 * (1 - gap) / (gap**3 * size) * flux**2 / thin
    return np.asarray((viscous + inertial) * length / 1e5)


def _cool_down_min(rig: Rig, T: FloatArray) -> FloatArray:
    return np.asarray(np.maximum(T - rig.unload_temperature, 0.0) / rig.cool_down_rate)


def _severity_log10(state: State) -> FloatArray:
    """Return log₁₀ of ∫exp((T − 100)/14.75) dt [min] over heat-up, run and cool-down.

    Overend and Chornet 1987. A linear ramp of r K/min from T₀ adds (14.75/r)(1 − exp(−(T −
    T₀)/14.75)) minutes at the set temperature; by convention only what lies above 100 °C counts.
    """
    rig, T, step = state.rig, state.temperature, SEVERITY_STEP_K
    minutes = state.time.astype(np.float64)
    up = np.maximum(T - rig.start_temperature, 0.0), heat_up_min(state), rig.start_temperature
    down = np.maximum(T - rig.unload_temperature, 0.0), _cool_down_min(rig, T)
    for way, taken, end in (up, (*down, rig.unload_temperature)):
        minutes_per_K = taken / np.maximum(way, 1e-12)
        above = np.maximum(T - max(end, SEVERITY_BASE_C), 0.0)
        minutes = minutes + step * minutes_per_K * -np.expm1(-above / step)
    with np.errstate(divide="ignore"):
        severity = (T - SEVERITY_BASE_C) / (step * math.log(10)) + np.log10(minutes)
    return np.asarray(np.where(minutes > 0, severity, np.nan))


def _energy_kWh(state: State, enthalpy: FloatArray) -> FloatArray:
    """Return what the heater draws in a run [kWh], for the water and the metal it is told of."""
    rig, T = state.rig, state.temperature
    if state.flow is not None:
        hot = state.time + heat_up_min(state) / 2
        drawn = heater_duty_W(state, enthalpy) * hot * 60 / 1000  # kJ
    else:
        fed = water.liquid_enthalpy_kJ_kg(rig.start_temperature, as_liquid(state)[1])
        rise = np.maximum(enthalpy - fed, 0.0)
        drawn = _run_water_g(state) / 1000 * rise / rig.heater.efficiency
    metal = (rig.vessel.heat_capacity or 0.0) * np.maximum(T - rig.start_temperature, 0.0)
    return np.asarray((drawn + metal / rig.heater.efficiency) / 3600)
