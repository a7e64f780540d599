"""The highest pressures that vessel, relief, pump and regulator bear together."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from doe.rig.boiling import above_set_bar, above_set_K
from doe.rig.description import FloatArray, Regulator, Rig
from doe.rig.relief import ratio_bara, reliefs
from doe.rig.shut import before_swing_bara


def pressure_ceiling_bara(rig: Rig, temperature_C: npt.ArrayLike) -> FloatArray:
    """Return the highest set pressure [bara] that every part allows at a set temperature.

    Vessel (with its share), relief (with its operating ratio), pump and regulator, less all that
    may come on top of the set pressure, the climb by `temperature_swing` included where it is
    given; minus infinity beyond the vessel's rated temperatures.

    Parameters
    ----------
    temperature_C : array_like
        Set temperature [°C].
    """
    T = np.asarray(temperature_C, dtype=np.float64)
    metal = T + above_set_K(rig)
    most = rig.vessel.pressure_share * (rating_bara(rig, metal) - rig.atmospheric_pressure_bara) + (
        rig.atmospheric_pressure_bara
    )
    most = np.minimum(most, min(ratio_bara(rig, device) for device in reliefs(rig)))
    held = [rig.bara(part.pressure_max) for part in (rig.pump, rig.regulator) if part]
    ceiling = np.minimum(before_swing_bara(rig, T, most), min(held, default=np.inf))
    ceiling = ceiling - above_set_bar(rig)
    if rig.regulator is not None:
        ceiling = np.minimum(ceiling, regulator_bara(rig, rig.regulator)[1])
    return np.asarray(np.where(metal > rig.vessel.rating[-1][0], -np.inf, ceiling))


def rating_bara(rig: Rig, metal: FloatArray) -> FloatArray:
    """Return the vessel's rating [bara]; beyond the last temperature that of the last."""
    pairs = rig.vessel.rating
    return np.asarray(np.interp(metal, [T for T, _ in pairs], [rig.bara(P) for _, P in pairs]))


def regulator_bara(rig: Rig, regulator: Regulator) -> tuple[float, float]:
    """Return the ends of the regulator's usable range [bara]."""
    low, high = rig.bara(regulator.pressure_min), rig.bara(regulator.pressure_max)
    return low + regulator.usable_low * (high - low), low + regulator.usable_high * (high - low)
