"""What every check needs of n runs, each property of water worked out once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from doe import water
from doe.errors import InfeasibleError
from doe.rig.boiling import above_set_bar, below_set_bar, boils_bara
from doe.rig.conditions import Conditions, column_of, use_of
from doe.rig.description import FloatArray, Rig
from doe.rig.shut import headspace_lowest_bara, headspace_pressure_bara, swung


@dataclass(frozen=True, slots=True)
class State:
    """What every check needs of n runs, each property worked out once; pressures absolute.

    In headspace mode `pressure` and `high` are the highest pressure that results, and so is `low`
    without a gas pad; with one it is the lowest.
    """

    rig: Rig
    use: Literal["flow", "liquid-full", "headspace"]
    temperature: FloatArray
    hot: FloatArray
    wall: FloatArray
    time: FloatArray
    flow: FloatArray | None
    bed_mass: FloatArray | None
    pressure: FloatArray
    low: FloatArray
    pumped: FloatArray
    high: FloatArray
    boils_set: FloatArray
    boils_wall: FloatArray

    def __len__(self) -> int:
        return len(self.temperature)

    def here(self, i: int) -> str:
        text = f"{self.temperature[i]:.5g} °C"
        if self.use != "headspace":
            text += f" at {self.shown(self.pressure[i])} {self.rig.shown_unit}"
        return text

    def here_with_flow(self, i: int) -> str:
        assert self.flow is not None
        return f"{self.here(i)}, {self.flow[i]:.4g} mL/min for {self.time[i]:.4g} min"

    def shown(self, bara: float) -> str:
        return f"{float(self.rig.shown(np.asarray(bara))):.5g}".replace("-", "−")


def state_of(rig: Rig, conditions: Conditions) -> State:
    use = use_of(conditions)
    T, time = column_of(conditions, "temperature_C"), column_of(conditions, "time_min")
    if (T < 0).any():
        raise InfeasibleError.of(
            "frozen", f"{T.min():g} °C is below 0 °C: water is ice.", "Raise the temperature."
        )
    hot = T + rig.temperature_overshoot + rig.temperature_sensor_error
    wall = hot + rig.heater.wall_excess
    boils_set, boils_wall = boils_bara(rig, T), boils_bara(rig, wall)
    if use == "headspace":
        P = pumped = high = low = headspace_pressure_bara(rig, T)
        if rig.headspace is not None and rig.headspace.pad_pressure is not None:
            low = headspace_lowest_bara(rig, T)
    else:
        P = column_of(conditions, "pressure_bara")
        low = P - below_set_bar(rig)
        pumped = P + above_set_bar(rig)
        high = swung(rig, T, pumped) if use == "liquid-full" else pumped
    flow = column_of(conditions, "flow_mL_min") if use == "flow" else None
    mass = None if conditions.bed_mass_g is None else column_of(conditions, "bed_mass_g")
    return State(
        rig, use, T, hot, wall, time, flow, mass, P, low, pumped, high, boils_set, boils_wall
    )


def as_liquid(state: State) -> tuple[FloatArray, FloatArray]:
    """Return temperature and pressure moved to the nearest liquid state that the tables know."""
    T = np.minimum(state.temperature, water.WATER_TEMPERATURE_MAX_C)
    boils = state.boils_set if state.rig.co_solvent is None else water.saturation_pressure_bara(T)
    lowest = np.maximum(boils, water.ATMOSPHERIC_PRESSURE_BARA)  # feed and cold extract are liquid
    return T, np.clip(state.pressure, lowest, water.WATER_PRESSURE_MAX_BARA)
