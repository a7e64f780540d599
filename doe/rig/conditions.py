"""What runs ask of the rig."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from doe.rig.description import BatchKind, FloatArray, Mode


@dataclass(frozen=True, slots=True)
class Conditions:
    """What n runs ask of the rig; arrays are (n,), pressures absolute.

    `pressure_bara` is None in headspace batch mode, where pressure is a result. `bed_mass_g` may
    be None where it is not known; ratios to it are then left out.
    """

    mode: Mode
    temperature_C: FloatArray
    time_min: FloatArray
    pressure_bara: FloatArray | None = None
    flow_mL_min: FloatArray | None = None
    bed_mass_g: FloatArray | None = None
    batch_kind: BatchKind | None = None


def use_of(conditions: Conditions) -> Literal["flow", "liquid-full", "headspace"]:
    if conditions.mode == "flow":
        return "flow"
    if conditions.batch_kind is None:
        raise ValueError("batch mode needs batch_kind: liquid-full or headspace")
    if conditions.batch_kind == "headspace" and conditions.pressure_bara is not None:
        raise ValueError("with a headspace pressure is a result: leave pressure_bara out")
    return conditions.batch_kind


def column_of(conditions: Conditions, name: str) -> FloatArray:
    """Return a setting as (n,) finite floats."""
    values = getattr(conditions, name)
    if values is None:
        raise ValueError(f"{name} is missing from the conditions")
    n = len(np.atleast_1d(conditions.temperature_C))
    array = np.broadcast_to(np.asarray(values, dtype=np.float64), (n,))
    if not np.isfinite(array).all():
        raise ValueError(f"{name} holds values that are not finite numbers")
    return array
