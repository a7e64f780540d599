"""The pressure of a shut vessel: full of liquid, or with a gas space."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe import water
from doe.rig.boiling import above_set_bar, above_set_K, boils_bara, water_boils_C
from doe.rig.conditions import Conditions, column_of, use_of
from doe.rig.description import BoolArray, FloatArray, Headspace, Rig
from doe.rig.relief import lowest_opening

STEEPEST_C = 152.0
CLOSED_IN_SLOPE_MAX_BAR_K = 20.0
"""Above every (∂p/∂T) at constant density of liquid up to 350 °C and 1000 bara: largest 18.5."""


@dataclass(frozen=True, slots=True)
class ClosedIn:
    """What follows if a run is shut in while hot and full of liquid; arrays (n,).

    Attributes
    ----------
    from_bara
        Highest pressure that the run may have when shut in [bara]: set pressure, swing, pulsation,
        bed pressure drop and gauge error; NaN with a headspace.
    rise_K
        Least heating that takes it from there to the relief's lowest opening [K], wherever between
        set and hottest water it is shut in; 0 where the pressure is there already or the water
        boils, NaN with a headspace.
    opening_bara
        The relief's lowest opening [bara].
    after_1K_bara, after_2K_bara, after_3K_bara
        Pressure after that much heating if nothing opens [bara]; NaN where it is not known (not
        liquid, beyond 350 °C, above 1000 bara) or with a headspace.
    """

    from_bara: FloatArray
    rise_K: FloatArray
    opening_bara: float
    after_1K_bara: FloatArray
    after_2K_bara: FloatArray
    after_3K_bara: FloatArray


def closed_in(rig: Rig, conditions: Conditions) -> ClosedIn:
    """Return what heating a shut-in, liquid-full rig leads to, in flow and in batch mode.

    Integrated at constant density from the highest pressure that the run may have, with rigid
    walls: a real rig yields a little, so it rises less steeply. Shut in at the temperature between
    set and hottest water where the pressure climbs most. Pure water, whatever the co-solvent.
    """
    opening = lowest_opening(rig).lowest_bara
    T = column_of(conditions, "temperature_C")
    if use_of(conditions) == "headspace":
        nothing = np.full(T.shape, np.nan)
        return ClosedIn(nothing, nothing, opening, nothing, nothing, nothing)
    P = column_of(conditions, "pressure_bara") + above_set_bar(rig)
    start = _steepest_C(rig, T)
    boils = boils_bara(rig, start)
    one, two, three = (_heated(start, P, boils, rise) for rise in (1.0, 2.0, 3.0))
    return ClosedIn(P, _rise_to_K(start, P, boils, opening), opening, one, two, three)


def _liquid_place(T: FloatArray, P: FloatArray, boils: FloatArray) -> BoolArray:
    return np.asarray(
        (boils <= P) & (T <= water.WATER_TEMPERATURE_MAX_C) & (P <= water.WATER_PRESSURE_MAX_BARA)
    )


def _heated(T: FloatArray, P: FloatArray, boils: FloatArray, rise: float) -> FloatArray:
    """Return the pressure [bara] after heating by `rise` [K] when shut, NaN if not known."""
    after = np.full(T.shape, np.nan)
    known = _liquid_place(T, P, boils) & (T + rise <= water.WATER_TEMPERATURE_MAX_C)
    known &= P + rise * CLOSED_IN_SLOPE_MAX_BAR_K < water.WATER_PRESSURE_MAX_BARA
    if known.any():
        after[known] = water.pressure_after_heating_bara(T[known], P[known], T[known] + rise)
    return after


def _rise_to_K(T: FloatArray, P: FloatArray, boils: FloatArray, opening: float) -> FloatArray:
    """Return the heating [K] at constant density that takes P to `opening`; 0 if not liquid."""
    rise = np.zeros(T.shape)
    opening = min(opening, water.WATER_PRESSURE_MAX_BARA)
    place = np.flatnonzero(_liquid_place(T, P, boils) & (opening > P))
    if not len(place):
        return rise
    T, P = T[place], P[place]
    hottest = float(water_boils_C(np.asarray(opening)))
    reached = water.liquid_density_kg_m3(T, P) > water.liquid_density_kg_m3(hottest, opening)
    # Where 350 °C comes first the heating up to there is a safe lower bound.
    found = water.WATER_TEMPERATURE_MAX_C - T
    if reached.any():
        ends = water.temperature_at_pressure_C(T[reached], P[reached], opening)
        found[reached] = ends - T[reached]
    rise[place] = found
    return rise


def swung(rig: Rig, T: FloatArray, pumped: FloatArray) -> FloatArray:
    """Return the highest pressure [bara] of a shut vessel whose temperature swings.

    The outlet may be shut anywhere between the set temperature and the hottest water: taken is
    where the pressure climbs most.
    """
    swing = rig.temperature_swing or 0.0
    start = _steepest_C(rig, T)
    after = _heated(start, pumped, boils_bara(rig, start), swing)
    steepest = pumped + swing * CLOSED_IN_SLOPE_MAX_BAR_K
    return np.asarray(np.maximum(np.where(np.isnan(after), steepest, after), pumped))


def before_swing_bara(rig: Rig, T: FloatArray, highest: FloatArray) -> FloatArray:
    """Return from which pressure [bara] the temperature swing takes a shut vessel to `highest`.

    The inverse of `swung`; minus infinity where that is not surely above boiling or not known.
    """
    swing = rig.temperature_swing or 0.0
    if swing == 0:
        return highest
    start, most = np.broadcast_arrays(_steepest_C(rig, T), highest)
    known = (start >= 0) & (start + swing <= water.WATER_TEMPERATURE_MAX_C)
    known &= most <= water.WATER_PRESSURE_MAX_BARA
    known &= most - swing * CLOSED_IN_SLOPE_MAX_BAR_K > boils_bara(rig, start + swing)
    before = np.full(most.shape, -np.inf)
    before[known] = water.pressure_after_heating_bara(
        start[known] + swing, most[known], start[known]
    )
    return before


def least_rise_K(rig: Rig, T: FloatArray, P: FloatArray, opening: float) -> FloatArray:
    """Return the least heating [K] that takes P to `opening`, wherever the outlet was shut."""
    start = _steepest_C(rig, T)
    return _rise_to_K(start, P, boils_bara(rig, start), opening)


def _steepest_C(rig: Rig, T: FloatArray) -> FloatArray:
    """Return where from set to hottest water the climb at constant density is steepest [°C].

    It grows with temperature up to a flat top and falls from there: the top lies at 149 to 152 °C
    for 25 to 200 bara, and 152 °C is within 0.02 % of it.
    """
    hottest = T + rig.temperature_overshoot + rig.temperature_sensor_error
    return np.asarray(np.clip(STEEPEST_C, T, hottest))


def headspace_pressure_bara(rig: Rig, temperature_C: npt.ArrayLike) -> FloatArray:
    """Return the highest pressure [bara] of a batch with a gas space at a set temperature.

    Saturation at the hottest point plus the gas pad (air if none),
    P = Psat(T) + P₀ (T/T₀) V_gas,cold/V_gas,hot in kelvin. All water is taken as liquid, which
    leaves the gas the least room. The gauge error counts for the gas as it is closed in, and
    grows with it; the swing comes on top. Where water fills the vessel, 1000 bara stand for a
    pressure that nothing here bears. Gas given off by the material is not in it.

    Parameters
    ----------
    temperature_C : array_like
        Set temperature [°C].
    """
    headspace = rig.headspace
    assert headspace is not None
    hottest = np.asarray(temperature_C, dtype=np.float64) + above_set_K(rig)
    gas = (pad_bara(rig) + rig.pressure_gauge_error) * _gas_growth(rig, headspace, hottest)
    pressure = boils_bara(rig, hottest) + gas + rig.pressure_swing
    return np.asarray(np.minimum(pressure, water.WATER_PRESSURE_MAX_BARA))


def full_of_liquid(pressure_bara: FloatArray) -> BoolArray:
    """Return where `headspace_pressure_bara` is no pressure, but says that water leaves no gas."""
    return np.asarray(pressure_bara >= water.WATER_PRESSURE_MAX_BARA)


def headspace_lowest_bara(rig: Rig, temperature_C: FloatArray) -> FloatArray:
    """Return the lowest pressure [bara] of a batch with a gas pad at a set temperature.

    The water's surface is taken at the set temperature, the pad less the gauge error, and the
    swing comes off: what then holds water at the hottest point liquid is the pad alone. Its gas
    may be no warmer than when it was closed in; only the water that swells presses it together.
    """
    headspace = rig.headspace
    assert headspace is not None
    pad = max(pad_bara(rig) - rig.pressure_gauge_error, 0.0)
    gas = pad * _gas_pressed(rig, headspace, temperature_C)
    lowest = boils_bara(rig, temperature_C) + gas - rig.pressure_swing
    return np.asarray(np.minimum(lowest, water.WATER_PRESSURE_MAX_BARA))


def pad_needed_bara(rig: Rig, temperature_C: float, lowest_bara: float) -> float:
    """Return the gas pad's pressure when closed [bara] that gives a lowest pressure when hot."""
    headspace = rig.headspace
    assert headspace is not None
    T = np.asarray(temperature_C)
    gas = lowest_bara + rig.pressure_swing - boils_bara(rig, T)
    return float(gas / _gas_pressed(rig, headspace, T) + rig.pressure_gauge_error)


def pad_bara(rig: Rig) -> float:
    """Return the pressure of the gas when the vessel is closed [bara], the air's if no pad."""
    headspace = rig.headspace
    assert headspace is not None
    if headspace.pad_pressure is None:
        return rig.atmospheric_pressure_bara
    return rig.bara(headspace.pad_pressure)


def _gas_growth(rig: Rig, headspace: Headspace, temperature_C: FloatArray) -> FloatArray:
    """Return how many times its closing pressure the gas has when hot: (T/T₀) V_cold/V_hot."""
    warmer = (temperature_C + 273.15) / (headspace.closing_temperature + 273.15)
    return np.asarray(warmer * _gas_pressed(rig, headspace, temperature_C))


def _gas_pressed(rig: Rig, headspace: Headspace, temperature_C: FloatArray) -> FloatArray:
    """Return how many times its closing pressure the gas has by the water's swelling alone."""
    T = np.clip(temperature_C, 0.0, water.WATER_TEMPERATURE_MAX_C)
    free = rig.vessel.volume - headspace.solids_volume
    swollen = cold_water_g(headspace) / water.saturated_liquid_density_kg_m3(T) * 1000
    cold_gas = free - headspace.cold_water
    return np.asarray(cold_gas / np.maximum(free - swollen, 1e-9))


def cold_water_g(headspace: Headspace) -> float:
    density = water.liquid_density_kg_m3(
        headspace.closing_temperature, water.ATMOSPHERIC_PRESSURE_BARA
    )
    return float(density) * headspace.cold_water / 1000
