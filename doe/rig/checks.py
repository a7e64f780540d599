"""Every limit laid against every run."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from doe import water
from doe.rig.boiling import above_set_K, boiling_known_C, boils_C
from doe.rig.ceilings import rating_bara, regulator_bara
from doe.rig.conditions import Conditions, column_of
from doe.rig.description import (
    ROUNDING,
    BoolArray,
    Cooler,
    FeedBottle,
    FloatArray,
    IntArray,
    Regulator,
    Rig,
)
from doe.rig.liquid import WORDS, boiling_codes, liquid_checks
from doe.rig.notices import notices_of
from doe.rig.relief import lowest_opening, protecting, ratio_bara, reliefs
from doe.rig.shut import least_rise_K
from doe.rig.state import State, as_liquid, state_of
from doe.rig.timeline import (
    clean_bed_bar,
    drains_of,
    feed_g_s,
    heat_up_W,
    heater_duty_W,
    pumping_min,
    run_water_mL,
    swelling_mL_min,
)
from doe.rig.verdicts import (
    Check,
    Envelope,
    Limit,
    allowance_words,
    always,
    cell_sentence,
    pressure_cure,
    pressure_words,
    rounded_down,
    rounded_up,
    set_at_most,
    swing_cure,
)


def envelope(rig: Rig, conditions: Conditions) -> Envelope:
    """Return the verdict of every limit on n runs.

    Parameters
    ----------
    rig
        A rig for which `problems` finds nothing in this mode.
    conditions
        The n runs.

    Returns
    -------
    Envelope
        Each property of water is worked out once for all runs; sentences only when asked for.

    Raises
    ------
    InfeasibleError
        A temperature below 0 °C.
    ValueError
        Conditions that do not fit the mode, or are not finite.
    """
    state = state_of(rig, conditions)
    checks = tuple(_checks(state))
    limits = tuple(check.limit(rig) for check in checks)
    tables = np.empty((3, len(checks), len(state)))  # one row a limit: written in one go
    for j, check in enumerate(checks):
        tables[0, j], tables[1, j] = check.value, check.allowed
        _write_margin(tables[0, j], tables[1, j], tables[2, j], check, limits[j])
    tables.flags.writeable = False
    value, allowed, margin = tables.transpose(0, 2, 1)

    def explain(i: int, j: int) -> str:
        cell = value[i, j], allowed[i, j], margin[i, j]
        return cell_sentence(state, checks[j], limits[j], i, *cell)

    codes = _codes(state, limits, margin)
    return Envelope(
        limits,
        value,
        allowed,
        margin,
        notices_of(state),
        explain,
        codes,
        lambda j: checks[j].lapses,
    )


def _write_margin(
    value: FloatArray, allowed: FloatArray, margin: FloatArray, check: Check, limit: Limit
) -> None:
    """Write the margins of one limit (n,): what rounding leaves of nothing is nothing."""
    if limit.sense == "at least":
        np.subtract(value, allowed, out=margin)
    else:
        np.subtract(allowed, value, out=margin)
    margin[np.abs(margin) <= ROUNDING * (1 + np.abs(allowed))] = 0.0
    if not np.isfinite(margin if check.applies is None else margin[check.applies]).all():
        raise RuntimeError(f"{check.code} has no finite margin")  # pragma: no cover
    if check.applies is not None:
        margin[~check.applies] = np.nan


def _codes(state: State, limits: tuple[Limit, ...], margin: FloatArray) -> IntArray | None:
    columns = [j for j, limit in enumerate(limits) if limit.code.startswith("liquid-")]
    if not columns:
        return None
    return boiling_codes(state, np.asarray((margin[:, columns] < 0).any(axis=1)))


def liquid_state(rig: Rig, conditions: Conditions) -> tuple[str, ...]:
    """Return for each run how its water stands: liquid, too close, may boil, or boils.

    It *boils* below saturation at set values, *may boil* within overshoot and swing, and is *too
    close* inside the margin. With a headspace and no gas pad there is no margin: ``"saturated"``.
    """
    codes = envelope(rig, conditions).boiling
    if codes is None:
        return ("saturated",) * len(column_of(conditions, "temperature_C"))
    return tuple(WORDS[code] for code in codes.tolist())


def _checks(state: State) -> Iterator[Check]:
    """Yield every check of the mode, those that can hurt somebody first."""
    yield from _temperature_checks(state)
    if state.use != "headspace" or _padded(state.rig):
        yield from liquid_checks(state)
    yield from _vessel_checks(state)
    yield from _relief_checks(state)
    if state.use == "liquid-full":
        yield _closed_in_check(state)
    if state.use == "headspace":
        yield _cold_fill_check(state)
    yield from _pump_checks(state)
    if state.use != "headspace":
        yield from _let_down_checks(state)
    if state.use == "flow":
        yield from _heat_checks(state)
    elif state.rig.heat_up_rate is not None:
        yield _batch_heat_check(state)
    yield from _bed_checks(state)
    yield from _water_checks(state)


def _padded(rig: Rig) -> bool:
    return rig.headspace is not None and rig.headspace.pad_pressure is not None


def _temperature_checks(state: State) -> Iterator[Check]:
    rig = state.rig
    over = allowance_words(
        (rig.temperature_overshoot, "K overshoot"), (rig.temperature_sensor_error, "K sensor error")
    )
    walls = allowance_words(
        (rig.temperature_overshoot, "K overshoot"),
        (rig.temperature_sensor_error, "K sensor error"),
        (rig.heater.wall_excess, "K at the heater's wall"),
    )

    def at_most(allowed: float, above: float) -> Callable[[int], str]:
        return lambda i: f"Set at most {rounded_down(allowed - above, 0)} °C."

    yield Check(
        "temperature-max",
        state.hot,
        rig.temperature_max,
        f"the water may reach {{value}}{over}",
        "the rig's temperature_max is {allowed}",
        at_most(rig.temperature_max, rig.temperature_overshoot + rig.temperature_sensor_error),
    )
    yield Check(
        "heated",
        state.temperature,
        rig.start_temperature,
        "the water is set to {value}",
        "the rig starts at {allowed} and only heats",
        always(f"Set at least {rounded_up(rig.start_temperature, 0)} °C."),
    )
    known = boiling_known_C(rig)
    reason = "the tool's limit" if rig.co_solvent is None else "the last bubble point given"
    yield Check(
        "boiling-known",
        state.wall,
        known,
        f"the hottest point may reach {{value}}{walls}",
        f"{reason} is {{allowed}}",
        at_most(known, above_set_K(rig)),
    )
    rated = rig.vessel.rating[-1][0]
    yield Check(
        "metal-temperature",
        state.wall,
        rated,
        f"the hottest metal may reach {{value}}{walls}",
        "the vessel's rating ends at {allowed} and is not extrapolated",
        at_most(rated, above_set_K(rig)),
    )


_UNRATED = (
    "the vessel has no rating at this run's hottest metal, which is refused as “Hottest metal "
    "within the vessel's rating”"
)


def _vessel_checks(state: State) -> Iterator[Check]:
    rig = state.rig
    rating = rating_bara(rig, state.wall)
    atmosphere = rig.atmospheric_pressure_bara
    high = rig.shown(state.high)
    rated = _rated(state)
    finding = f"the highest pressure is {{value}}{pressure_words(state)}"
    yield Check(
        "vessel-pressure",
        high,
        rig.shown(rating),
        finding,
        "the vessel is rated for {allowed} at its hottest metal",
        pressure_cure(state, rating),
        applies=rated,
        lapses=_UNRATED,
    )
    share = rig.vessel.pressure_share
    used = share * (rating - atmosphere) + atmosphere
    yield Check(
        "vessel-share",
        high,
        rig.shown(used),
        finding,
        f"{100 * share:g} % of the vessel's rating at its hottest metal is {{allowed}}",
        pressure_cure(state, used),
        applies=rated,
        lapses=_UNRATED,
    )


def _rated(state: State) -> BoolArray:
    """Return where the vessel has a rating at all; elsewhere its metal temperature fails."""
    return np.asarray(state.wall <= state.rig.vessel.rating[-1][0] + ROUNDING)


def _relief_checks(state: State) -> Iterator[Check]:
    rig = state.rig
    high = rig.shown(state.high)
    finding = f"the highest pressure is {{value}}{pressure_words(state)}"
    first = lowest_opening(rig)
    yield Check(
        "relief-opening",
        high,
        float(rig.shown(np.asarray(first.lowest_bara))),
        finding,
        f"the {first.name} may open from {{allowed}}",
        pressure_cure(state, first.lowest_bara),
    )
    for device in reliefs(rig):
        most = ratio_bara(rig, device)
        yield Check(
            f"{device.part}-operating-ratio",
            high,
            float(rig.shown(np.asarray(most))),
            finding,
            f"{100 * device.ratio:g} % of the {device.name}'s lowest opening is {{allowed}}",
            pressure_cure(state, most),
        )
        service = device.service_temperature
        yield Check(
            f"{device.part}-temperature",
            state.wall if service is None else service,
            device.temperature,
            f"the {device.name} may reach {{value}}"
            + (
                " (no service_temperature given: taken as the hottest metal)"
                if service is None
                else ""
            ),
            "its certificate holds up to {allowed} and is not derated here",
            lambda i: "Lower the temperature, or get its figures for the higher temperature.",
        )
    last = protecting(rig)
    assert last is not None
    series = rig.relief_arrangement == "series"
    both = ", the last in series to open," if len(reliefs(rig)) > 1 and series else ""
    yield Check(
        "relief-set",
        float(rig.shown(np.asarray(last.marked_bara))),
        rig.shown(rating_bara(rig, state.wall)),
        f"the {last.name}{both} is marked {{value}}",
        "the vessel is rated for {allowed} at its hottest metal",
        lambda i: "Lower the temperature, or fit a relief with a lower marked pressure.",
        applies=_rated(state),
        lapses=_UNRATED,
    )


def _closed_in_check(state: State) -> Check:
    rig = state.rig
    first = lowest_opening(rig)
    swing = rig.temperature_swing or 0.0
    return Check(
        "closed-in-rise",
        least_rise_K(rig, state.temperature, state.pumped, first.lowest_bara),
        swing,
        f"with the outlet shut anywhere up to the hottest water, {{value}} of heating opens the "
        f"{first.name}"
        f"{pressure_words(state, thermal=False)}",
        "the temperature swings by {allowed}",
        lambda i: swing_cure(state, i, first.lowest_bara),
    )


def _cold_fill_check(state: State) -> Check:
    rig, headspace = state.rig, state.rig.headspace
    assert headspace is not None
    free = rig.vessel.volume - headspace.solids_volume
    hottest = np.clip(state.wall, headspace.closing_temperature, water.WATER_TEMPERATURE_MAX_C)
    most = 100 * water.max_cold_fill_fraction(
        hottest, headspace.vapour_share, headspace.closing_temperature
    )
    return Check(
        "cold-fill",
        100 * headspace.cold_water / free,
        most,
        f"{headspace.cold_water:g} mL of cold water fill {{value}} of the {free:g} mL beside the "
        "solids",
        f"{{allowed}} leaves {100 * headspace.vapour_share:g} % gas space at the hottest point",
        lambda i: f"Fill in at most {rounded_down(float(most[i]) * free / 100, 0)} mL.",
    )


def _pump_checks(state: State) -> Iterator[Check]:
    rig, pump = state.rig, state.rig.pump
    if pump is None or state.use == "headspace":
        return
    most = rig.bara(pump.pressure_max)
    yield Check(
        "pump-pressure",
        rig.shown(state.pumped),
        float(rig.shown(np.asarray(most))),
        f"the pump may have to work against {{value}}{pressure_words(state, thermal=False)}",
        "its highest pressure is {allowed}",
        lambda i: f"Set at most {set_at_most(rig, most)}.",
    )
    if state.flow is None:
        return
    low, high = pump.usable_mL_min()
    for code, sense, allowed in (
        ("pump-flow-low", "at least", low),
        ("pump-flow-high", "at most", high),
    ):
        yield Check(
            code,
            state.flow,
            allowed,
            "the flow is {value}",
            f"the pump is used from {100 * pump.usable_low:g} to {100 * pump.usable_high:g} % of "
            f"its largest flow, {pump.flow_max:g} mL/min, and not below its least, "
            f"{pump.flow_min:g}; here {sense} {{allowed}}",
            always(f"Set the flow to {sense} {allowed:g} mL/min."),
            decimals=2,
        )


def _let_down_checks(state: State) -> Iterator[Check]:
    """Yield what the way out has to do: in flow all the time, in liquid-full batch on heating up.

    What leaves in batch is what swells out of the vessel.
    """
    rig = state.rig
    if rig.cooler is None or rig.regulator is None:
        yield _flash_check(state)
    leaving = swelling_mL_min(state) if state.flow is None else state.flow
    if rig.regulator is not None:
        yield from _regulator_checks(state, rig.regulator, leaving)
    if rig.cooler is not None:
        yield _cooler_check(state, rig.cooler, leaving)


def _flash_check(state: State) -> Check:
    """Return whether water that is let down uncooled, or held by nothing, stays below boiling."""
    rig = state.rig
    boils = float(boils_C(rig, np.asarray(rig.atmospheric_pressure_bara)))
    lacking = [part for part in ("cooler", "regulator") if getattr(rig, part) is None]
    held = {
        "cooler": "nothing cools the extract before its pressure is let down",
        "regulator": "nothing holds the pressure while water leaves",
    }

    def cure(i: int) -> str:
        T = min(float(state.hot[i]), water.WATER_TEMPERATURE_MAX_C)
        P = float(water.saturation_pressure_bara(T))
        steam = 100 * float(water.flash_fraction(T, P, min(rig.atmospheric_pressure_bara, P)))
        most = rounded_down(boils - rig.temperature_overshoot - rig.temperature_sensor_error, 0)
        what = "water" if rig.co_solvent is None else "pure water"
        return (
            f"{rounded_up(steam, 0)} % of such {what} flashes to steam, some hundred times its "
            f"volume. Describe the {' and the '.join(lacking)} that the rig has, or set at most "
            f"{most} °C."
        )

    return Check(
        "let-down",
        state.hot,
        boils,
        f"{' and '.join(held[part] for part in lacking)}, and the water may reach {{value}}",
        "at the atmosphere's pressure it boils at {allowed}",
        cure,
    )


def _regulator_checks(state: State, regulator: Regulator, leaving: FloatArray) -> Iterator[Check]:
    rig, unit = state.rig, state.rig.shown_unit
    most = rig.bara(regulator.pressure_max)
    yield Check(
        "regulator-pressure",
        rig.shown(state.pumped),
        float(rig.shown(np.asarray(most))),
        f"the highest pressure is {{value}}{pressure_words(state, thermal=False)}",
        "the regulator's range ends at {allowed}",
        pressure_cure(state, most),
    )
    low, high = regulator_bara(rig, regulator)
    for code, sense, bara in (
        ("regulator-low", "at least", low),
        ("regulator-high", "at most", high),
    ):
        allowed = float(rig.shown(np.asarray(bara)))
        end = rounded_up(allowed) if sense == "at least" else rounded_down(allowed)
        yield Check(
            code,
            rig.shown(state.pressure),
            allowed,
            "the regulator is set to {value}",
            f"it is used from {100 * regulator.usable_low:g} to {100 * regulator.usable_high:g} % "
            f"of its range, here {sense} {{allowed}}",
            always(f"Set {sense} {end} {unit}."),
        )
    most_flow = rounded_down(regulator.flow_max, 2)
    yield Check(
        "regulator-flow",
        leaving,
        regulator.flow_max,
        "the flow is {value}" if state.flow is not None else "heating up drives out {value}",
        "the regulator passes {allowed}",
        always(
            "Heat up more slowly."
            if state.flow is None
            else f"Set the flow to at most {most_flow} mL/min."
        ),
        decimals=2,
    )


def _heat_checks(state: State) -> Iterator[Check]:
    rig, flow = state.rig, state.flow
    assert flow is not None
    T, P = as_liquid(state)
    heat = heater_duty_W(state, water.liquid_enthalpy_kJ_kg(T, P))
    allowed = rig.heater.use_share * rig.heater.power
    yield Check(
        "heater-power",
        heat,
        allowed,
        f"heating the water takes {{value}} at {100 * rig.heater.efficiency:g} % efficiency",
        _heater_rule(rig),
        lambda i: _slower(flow, i, allowed / heat[i]),
        decimals=0,
    )
    if (rate := rig.heat_up_rate) is not None:
        yield _flow_heat_up_check(state, heat, rate)


def _slower(flow: FloatArray, i: int, share: float) -> str:
    most = rounded_down(float(flow[i] * share), 2)
    return f"Lower the temperature, or the flow to at most {most} mL/min."


def _flow_heat_up_check(state: State, carried: FloatArray, rate: float) -> Check:
    """Return the heater's power at the end of a ramp, where flowing water carries off most."""
    rig = state.rig
    allowed = rig.heater.use_share * rig.heater.power
    stored = heat_up_W(state, rate)

    def cure(i: int) -> str:
        if (left := allowed - carried[i]) <= 0:
            return "The flowing water alone takes more: lower the temperature or the flow."
        slower = rounded_down(float(rate * left / stored[i]))
        return f"Heat up at no more than {slower} K/min (heat_up_rate), or lower the flow."

    return Check(
        "heater-heat-up",
        carried + stored,
        allowed,
        f"at the end of heating up at {rate:g} K/min, flowing water and {_warmed(rig)} take "
        f"{{value}} at {100 * rig.heater.efficiency:g} % efficiency (solids counted as water, "
        "which takes more heat by volume)",
        _heater_rule(rig),
        cure,
        decimals=0,
    )


def _cooler_check(state: State, cooler: Cooler, leaving: FloatArray) -> Check:
    rig, (_, P) = state.rig, as_liquid(state)
    # Liquid at the hottest water as well: the wall is hotter, and enthalpy hardly knows pressure.
    P = np.clip(P, state.boils_wall, water.WATER_PRESSURE_MAX_BARA)
    hottest = water.liquid_enthalpy_kJ_kg(np.minimum(state.hot, water.WATER_TEMPERATURE_MAX_C), P)
    cold = water.liquid_enthalpy_kJ_kg(cooler.outlet_max, P)
    taken = np.maximum(feed_g_s(rig, leaving) * (hottest - cold), 0.0)
    what = "the hottest water" if state.flow is not None else "what swells out on heating up"
    return Check(
        "cooler-power",
        taken,
        cooler.power,
        f"cooling {what} to {cooler.outlet_max:g} °C takes {{value}}",
        "the cooler takes away {allowed}",
        lambda i: (
            "Heat up more slowly."
            if state.flow is None
            else _slower(leaving, i, cooler.power / taken[i])
        ),
        decimals=0,
    )


def _warmed(rig: Rig) -> str:
    metal = "without its metal" if rig.vessel.heat_capacity is None else "with its metal"
    return f"the loaded vessel {metal}"


def _heater_rule(rig: Rig) -> str:
    share, power = rig.heater.use_share, rig.heater.power
    return f"{100 * share:g} % of the heater's {power:g} W is {{allowed}}"


def _batch_heat_check(state: State) -> Check:
    """Return the heater's power at the end of a batch's heat-up, where it takes most."""
    rig, rate = state.rig, state.rig.heat_up_rate
    assert rate is not None
    allowed = rig.heater.use_share * rig.heater.power
    needed = heat_up_W(state, rate)
    return Check(
        "heater-power",
        needed,
        allowed,
        f"heating {_warmed(rig)} at {rate:g} K/min takes {{value}} at "
        f"{100 * rig.heater.efficiency:g} % efficiency (solids counted as water, which takes more "
        "heat by volume)",
        _heater_rule(rig),
        lambda i: f"Heat up at no more than {rounded_down(rate * allowed / needed[i])} K/min.",
        decimals=0,
    )


def _bed_checks(state: State) -> Iterator[Check]:
    """Yield whether the bed fits the vessel, and whether a clean one keeps to its pressure drop."""
    rig = state.rig
    if state.bed_mass is not None and (most := rig.vessel.bed_mass_max) is not None:
        yield Check(
            "bed-mass",
            state.bed_mass,
            most,
            "the bed weighs {value}",
            "the vessel takes {allowed} of dry material",
            always(f"Load at most {rounded_down(most)} g."),
        )
    drop = clean_bed_bar(state)
    if drop is not None and rig.bed_pressure_drop is not None:
        yield Check(
            "bed-pressure-drop",
            drop,
            rig.bed_pressure_drop,
            "a clean bed of the finest particles takes {value} while the water is cold",
            "bed_pressure_drop allows {allowed}",
            always("Lower the flow, take a coarser cut, or allow more."),
            decimals=2,
        )


def _water_checks(state: State) -> Iterator[Check]:
    """Yield the checks of feed bottle and collection vessel."""
    rig, collector = state.rig, state.rig.collector
    used = run_water_mL(state)
    if rig.feed_bottle is not None and state.use != "headspace":
        yield _feed_check(state, rig.feed_bottle, used)
    if collector is None:
        return
    drained_at = collector.fill_share * collector.volume
    if state.use != "flow":
        yield Check(
            "collector-fill",
            used,
            drained_at,
            "{value} of water leave the vessel",
            f"{100 * collector.fill_share:g} % of the collection vessel is {{allowed}}",
            lambda i: "Use a larger collection vessel or less water.",
            decimals=0,
        )
        return
    drains = drains_of(used, drained_at)
    yield Check(
        "drains",
        drains,
        float(collector.drains_max),
        "drains of the collection vessel: {value}",
        "possible: {allowed}",
        lambda i: _shorter(state, i, (collector.drains_max + 1) * drained_at),
        decimals=0,
    )
    next_interval = np.minimum(drained_at, np.maximum(used - drained_at, 0.0))
    contents = rig.vessel.volume * (rig.vessel.void_fraction or 1.0)
    yield Check(
        "missed-drain",
        contents + next_interval,
        collector.volume - np.minimum(used, drained_at) + collector.catch_volume,
        "if the vessel empties into it and a drain that is due is missed, {value} more arrive",
        "collection vessel and catch have {allowed} left then",
        lambda i: "Fit a larger catch, or shorten the run so that no drain is needed.",
        decimals=0,
    )


def _feed_check(state: State, bottle: FeedBottle, used: FloatArray) -> Check:
    parts = "heat-up, run, cool-down and flush" if state.use == "flow" else "filling"

    def cure(i: int) -> str:
        if state.use != "flow":
            return "Use a larger bottle."
        return _shorter(state, i, (bottle.volume - bottle.heel) / (1 + bottle.reserve))

    return Check(
        "feed-bottle",
        used * (1 + bottle.reserve) + bottle.heel,
        bottle.volume,
        f"{parts} take {{value}} with {100 * bottle.reserve:g} % reserve and a heel of "
        f"{bottle.heel:g} mL",
        "the bottle holds {allowed}",
        cure,
        decimals=0,
    )


def _shorter(state: State, i: int, water_mL: float) -> str:
    """Return the cure of a run that needs too much water."""
    assert state.flow is not None
    others = float(pumping_min(state)[i] - state.time[i])
    longest = water_mL / float(state.flow[i]) - others
    if longest <= 0:
        return "Lower the flow: heat-up, cool-down and flush alone are too much."
    return f"Run for at most {rounded_down(longest)} min at this flow, or lower the flow."
