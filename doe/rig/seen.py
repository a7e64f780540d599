"""What a log shows of temperature and pressure, laid against the rig's own limits."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from doe.rig.boiling import above_set_bar
from doe.rig.ceilings import rating_bara
from doe.rig.description import ROUNDING, FloatArray, Rig
from doe.rig.relief import ratio_bara, reliefs

SENSOR = "sensor error counted"
WALL = "sensor error and wall excess counted"
GAUGE = "gauge error, pulsation and bed counted"


@dataclass(frozen=True, slots=True)
class BeyondLimit:
    """A limit that what was seen lies beyond: which quantity, and the limit in words."""

    quantity: str
    limit: str


def beyond_limits(
    rig: Rig, temperature_C: FloatArray, pressure_bara: FloatArray | None
) -> tuple[BeyondLimit, ...]:
    """Return the rig's limits that a course of temperature and pressure went beyond.

    Judged as planned runs are (`envelope`), with what was seen in place of set value, overshoot
    and swing: the sensor's error and the wall's excess on top of a temperature; gauge error,
    pulsation and bed pressure drop on top of a pressure. So a run that kept to what is declared
    passes none that its plan kept.

    Parameters
    ----------
    temperature_C, pressure_bara : array_like
        As shown (n,) [°C], [bara].
    """
    water = np.asarray(temperature_C, dtype=np.float64) + rig.temperature_sensor_error
    metal = water + rig.heater.wall_excess
    found = [*_too_hot(rig, float(water.max()), float(metal.max()))]
    if pressure_bara is not None:
        highest = np.asarray(pressure_bara) + above_set_bar(rig) - rig.pressure_swing
        found += _too_high(rig, metal, highest)
    return tuple(found)


def _too_hot(rig: Rig, water: float, metal: float) -> Iterator[BeyondLimit]:
    limits = [
        (water, rig.temperature_max, "the rig's temperature_max", SENSOR),
        (metal, rig.vessel.rating[-1][0], "the vessel's last rated temperature", WALL),
    ]
    limits += [
        (metal, device.temperature, f"the {device.name}'s certificate temperature", WALL)
        for device in reliefs(rig)
        if device.service_temperature is None
    ]
    for seen, allowed, words, counted in limits:
        if seen > allowed + ROUNDING:
            yield BeyondLimit("temperature", f"{words}, {allowed:g} °C ({counted})")


def _too_high(rig: Rig, metal: FloatArray, highest: FloatArray) -> Iterator[BeyondLimit]:
    most = float(highest.max())
    limits = [_vessel_limit(rig, metal, highest)]
    for device in reliefs(rig):
        if most > device.lowest_bara:
            limits.append((most, device.lowest_bara, f"where the {device.name} may open"))
        else:
            words = f"{100 * device.ratio:g} % of the {device.name}'s lowest opening pressure"
            limits.append((most, ratio_bara(rig, device), words))
    limits += [
        (most, rig.bara(part.pressure_max), f"the {name}'s pressure_max")
        for name, part in (("pump", rig.pump), ("regulator", rig.regulator))
        if part is not None
    ]
    for seen, allowed, words in limits:
        if seen > allowed + ROUNDING:
            shown = float(rig.shown(np.asarray(allowed)))
            yield BeyondLimit("pressure", f"{words}, {shown:.4g} {rig.shown_unit} ({GAUGE})")


def _vessel_limit(rig: Rig, metal: FloatArray, highest: FloatArray) -> tuple[float, float, str]:
    """Return the pressure seen where the vessel allows it least, what it allows, and in words."""
    rating = rating_bara(rig, metal)
    atmosphere = rig.atmospheric_pressure_bara
    share = rig.vessel.pressure_share * (rating - atmosphere) + atmosphere
    i = int(np.argmax(highest - rating))
    if highest[i] > rating[i]:
        return float(highest[i]), float(rating[i]), "the vessel's rating"
    i = int(np.argmax(highest - share))
    words = f"{100 * rig.vessel.pressure_share:g} % of the vessel's rating"
    return float(highest[i]), float(share[i]), words
