"""Where the water boils, and between which pressures and temperatures it surely does not."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from doe import water
from doe.rig.description import FloatArray, Rig


def boils_bara(rig: Rig, T: FloatArray) -> FloatArray:
    """Return the pressure [bara] at which water, or the mixture, boils; at 350 °C beyond that.

    Between bubble points the straight line is taken: it lies above the true, hollow curve. Pure
    water's pressure is never undercut.
    """
    pure = water.saturation_pressure_bara(np.clip(T, 0.0, water.WATER_TEMPERATURE_MAX_C))
    if rig.co_solvent is None:
        return pure
    temperatures, pressures = _bubble_points(rig)
    return np.maximum(pure, np.interp(T, temperatures, pressures))


def boils_C(rig: Rig, P: FloatArray) -> FloatArray:
    """Return the temperature [°C] at which water, or the mixture, boils; at most 350 °C."""
    pure = water_boils_C(P)
    if rig.co_solvent is None:
        return pure
    temperatures, pressures = _bubble_points(rig)
    return np.minimum(pure, np.interp(P, pressures, temperatures, left=0.0))


def water_boils_C(P: FloatArray) -> FloatArray:
    ends = water.saturation_pressure_bara([0.0, water.WATER_TEMPERATURE_MAX_C])
    return water.saturation_temperature_C(np.clip(P, ends[0], ends[1]))


def _bubble_points(rig: Rig) -> tuple[list[float], list[float]]:
    assert rig.co_solvent is not None
    points = rig.co_solvent.bubble_points
    return [T for T, _ in points], [rig.bara(P) for _, P in points]


def bubble_points_reach(rig: Rig, pressure_bara: float) -> bool:
    """Return whether the mixture's bubble points reach down to a pressure [bara]."""
    _, pressures = _bubble_points(rig)
    return bool(pressures) and pressures[0] <= pressure_bara <= pressures[-1]


def boiling_pressure_bara(rig: Rig, temperature_C: npt.ArrayLike) -> FloatArray:
    """Return the pressure [bara] at which this rig's water, or its mixture, boils.

    Parameters
    ----------
    temperature_C : array_like
        Temperature [°C]; beyond 350 °C, or the last bubble point, the pressure there.
    """
    return boils_bara(rig, np.asarray(temperature_C, dtype=np.float64))


def boiling_known_C(rig: Rig) -> float:
    """Return the temperature [°C] up to which boiling pressures are known."""
    if rig.co_solvent is None:
        return water.WATER_TEMPERATURE_MAX_C
    return min(water.WATER_TEMPERATURE_MAX_C, _bubble_points(rig)[0][-1])


def minimum_pressure_bara(rig: Rig, temperature_C: npt.ArrayLike) -> FloatArray:
    """Return the lowest set pressure [bara] that surely keeps water of a set temperature liquid.

    The stricter of the margin in bar and the subcooling in K, with all allowances; infinite where
    no pressure is known to do. It has no meaning with a headspace.

    Parameters
    ----------
    temperature_C : array_like
        Set temperature [°C], not below 0.
    """
    wall = np.asarray(temperature_C, dtype=np.float64) + above_set_K(rig)
    cooled = wall + rig.liquid_subcooling
    needed = np.maximum(boils_bara(rig, wall) + rig.liquid_margin, boils_bara(rig, cooled))
    lowest = needed + below_set_bar(rig)
    return np.asarray(np.where(cooled > boiling_known_C(rig), np.inf, lowest))


def maximum_temperature_C(rig: Rig, pressure_bara: npt.ArrayLike) -> FloatArray:
    """Return the highest set temperature [°C] that surely leaves water of a set pressure liquid.

    The inverse of `minimum_pressure_bara`; minus infinity where no temperature will do.

    Parameters
    ----------
    pressure_bara : array_like
        Set pressure [bara].
    """
    low = np.asarray(pressure_bara, dtype=np.float64) - below_set_bar(rig)
    under_margin = boils_C(rig, low - rig.liquid_margin)
    hottest = np.minimum(under_margin, boils_C(rig, low) - rig.liquid_subcooling)
    highest = np.minimum(hottest, boiling_known_C(rig) - rig.liquid_subcooling)
    highest = highest - above_set_K(rig)
    coldest = boils_bara(rig, np.asarray(0.0))
    none = (highest < 0) | (low - rig.liquid_margin < coldest)
    return np.asarray(np.where(none, -np.inf, highest))


def above_set_K(rig: Rig) -> float:
    """Return how much hotter than set the hottest wall may be [K]."""
    return rig.temperature_overshoot + rig.temperature_sensor_error + rig.heater.wall_excess


def below_set_bar(rig: Rig) -> float:
    """Return how much lower than set the held pressure may be [bar]: the strokes' trough counts."""
    return rig.pressure_swing + rig.pressure_gauge_error + (rig.pressure_pulsation or 0.0)


def above_set_bar(rig: Rig) -> float:
    """Return how much higher than set the pumped pressure may be [bar]."""
    return (
        rig.pressure_swing
        + rig.pressure_gauge_error
        + (rig.pressure_pulsation or 0.0)
        + (rig.bed_pressure_drop or 0.0)
    )
