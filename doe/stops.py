"""Where a run is stopped: the strictest of the rig's own limits and the run's margins."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from doe import rig as rig_room
from doe.campaign import Campaign
from doe.factors import FloatArray
from doe.ledger import LedgerRow
from doe.sheet import StopLimit, StopLimits, strictest_above, strictest_below

__all__ = ["pressures_kept", "printed_stops", "stop_limits"]

PRESSURE_SPAN_BAR = 150
"""How far from the planned pressure others are tried."""


def stop_limits(campaign: Campaign, conditions: rig_room.Conditions, i: int) -> StopLimits:
    """Return where to stop a run: the strictest of the rig's own limits and the run's margins."""
    rig = campaign.rig
    T = float(conditions.temperature_C[i])
    hottest = {
        "the rig's own limit": rig.temperature_max,
        "the last rated temperature of the vessel": max(t for t, _ in rig.vessel_rating),
        "set value, overshoot and sensor error": T
        + rig.temperature_overshoot
        + rig.temperature_sensor_error,
    }
    limits = StopLimits(
        rig.shown_unit,
        temperature_above_C=strictest_above(hottest),
        flow_above_mL_min=_flow_above(rig, conditions),
        flow_below_mL_min=_flow_below(rig, conditions),
    )
    if conditions.pressure_bara is None:
        bara = rig_room.pressure_ceiling_bara(rig, conditions.temperature_C[i : i + 1])
        ceiling = float(campaign.shown_pressure(bara)[0])
        if not math.isfinite(ceiling):
            return limits
        above = strictest_above({"highest pressure that vessel and relief allow": ceiling})
        return replace(limits, pressure_above=above)
    set_at = float(campaign.shown_pressure(conditions.pressure_bara[i : i + 1])[0])
    lowest, highest = pressures_kept(campaign, conditions, i, set_at)
    return replace(
        limits,
        pressure_above=strictest_above({"highest pressure at which every limit holds": highest}),
        pressure_below=strictest_below({"lowest pressure at which every limit holds": lowest}),
    )


def printed_stops(campaign: Campaign, rows: Sequence[LedgerRow]) -> dict[int, StopLimits]:
    """Return by run where its sheet stops it."""
    conditions = campaign.conditions(np.array([row.settings for row in rows]))
    return {row.run: stop_limits(campaign, conditions, i) for i, row in enumerate(rows)}


def _flow_above(rig: rig_room.Rig, conditions: rig_room.Conditions) -> StopLimit | None:
    if rig.pump is None or conditions.flow_mL_min is None:
        return None
    _, most = rig.pump.usable_mL_min()
    return strictest_above({"high end of the pump's usable range": most}, 2)


def _flow_below(rig: rig_room.Rig, conditions: rig_room.Conditions) -> StopLimit | None:
    if rig.pump is None or conditions.flow_mL_min is None:
        return None
    least, _ = rig.pump.usable_mL_min()
    return strictest_below({"low end of the pump's usable range": least}, 2)


def pressures_kept(
    campaign: Campaign, conditions: rig_room.Conditions, i: int, set_at: float
) -> tuple[float, float]:
    """Return the lowest and highest set pressure, as shown, at which run `i` keeps every limit.

    All limits at once, to 0.1 bar on the safe side, going outwards from the planned pressure.
    """
    steps = np.arange(0.0, 10 * PRESSURE_SPAN_BAR) / 10
    shown = np.concatenate([set_at - steps[::-1], set_at + steps[1:]])
    shown = shown[shown >= 0]
    atmosphere = campaign.rig.atmospheric_pressure_bara
    bara = shown + (atmosphere if campaign.rig.pressure_reading == "gauge" else 0.0)

    def everywhere(values: FloatArray | None) -> FloatArray | None:
        return None if values is None else np.full(len(shown), values[i])

    tried = replace(
        conditions,
        temperature_C=np.full(len(shown), conditions.temperature_C[i]),
        pressure_bara=bara,
        time_min=np.full(len(shown), conditions.time_min[i]),
        flow_mL_min=everywhere(conditions.flow_mL_min),
        bed_mass_g=everywhere(conditions.bed_mass_g),
    )
    kept = np.asarray(rig_room.envelope(campaign.rig, tried).feasible)
    at = int(np.argmin(np.abs(shown - set_at)))
    below = np.flatnonzero(~kept[: at + 1])
    above = np.flatnonzero(~kept[at:])
    first = shown[below[-1] + 1] if len(below) else shown[0]
    last = shown[at + above[0] - 1] if len(above) else shown[-1]
    return math.ceil(10 * min(first, set_at) - 1e-6) / 10, math.floor(10 * last + 1e-6) / 10
