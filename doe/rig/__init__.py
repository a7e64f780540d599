"""The rig as its `[rig]` section describes it, and every limit a run has to keep on it.

`Rig` is what a person writes. `envelope` lays n settings against all limits at once and gives a
table run × limit; a run the rig cannot do is a row with a negative margin there, not an error.
`derived` gives what follows from a run's settings without limiting it.

Units: °C, K, K/min, bar, mL/min, mL, min, g, W, kJ/K, mm, shares 0 to 1. A `Pressure` knows what
it was measured from; inside this room all pressures are bar absolute (`_bara`), and ratios of
pressures (operating ratio, share of a rating or range) are taken of gauge pressures, because that
is what walls, discs and regulators feel. So a rig gets the same verdict whether it shows gauge or
absolute pressure.

What is assumed, always to the safe side:

* The hottest water is set + overshoot + sensor error; the hottest metal, and the water that
  touches it, is hotter by the heater's wall excess.
* The lowest pressure is set − swing − pulsation − gauge error; the highest is set + swing +
  pulsation + bed pressure drop + gauge error, and with the outlet shut also what the temperature
  swing adds, taken where between set and hottest water it adds most.
* With a gas space the pressure is a result: highest with the hottest point's vapour and the gas
  as hot and read low by the gauge error, lowest with the vapour of the set temperature and the gas
  as cool as it was closed in and read high. Water under a pad keeps the margins for liquid; without
  one there are none.
* Duties are those of steady running at set values; the share of its power that the heater may not
  use covers scatter of flow and temperature. The cooler must cool the hottest water. Where a
  heat-up rate is given, the heater must keep it up to the end, water flowing; the solids count
  as water there, which takes more heat by volume than they do.
* Where nothing cools the extract, or nothing holds the pressure, all that is hotter than boiling at
  the atmosphere's pressure flashes: such a run fails.
* A liquid-full batch heats up with its outlet open: the regulator holds the pressure and passes
  what swells out, fastest at the end. The pump puts it back when the vessel cools.
* In parallel, of disc and valve the one marked lower protects the vessel, in series the one marked
  higher; what may open first counts in both. Relief capacity is not checked.
* A flow rig shut in while hot is a fault, no state of a run: how much heating then opens the
  relief is worked out for each run (`closed_in`) from the highest pressure, where the pressure
  climbs most, and nothing is refused for it. A liquid-full
  batch is run shut: there it is a limit.
* A rating between two stated temperatures is read off the straight line, below the lowest it is
  the lowest's, above the highest there is none.
* Where the water would boil or leaves 350 °C, liquid properties are those of saturated liquid at
  the nearest state; such a run fails the limits on boiling anyway.

Shapes: n runs, L limits.
"""

from __future__ import annotations

from doe.rig.boiling import boiling_pressure_bara, maximum_temperature_C, minimum_pressure_bara
from doe.rig.cautions import CAUTIONS
from doe.rig.ceilings import pressure_ceiling_bara
from doe.rig.checks import envelope, liquid_state
from doe.rig.conditions import Conditions
from doe.rig.description import (
    Collector,
    Cooler,
    CoSolvent,
    Disc,
    FeedBottle,
    Headspace,
    Heater,
    Pump,
    Regulator,
    Rig,
    Valve,
    Vessel,
    common_practice,
    looser_than_practice,
)
from doe.rig.mistakes import problems
from doe.rig.relief import relief_opening_bara
from doe.rig.seen import BeyondLimit, beyond_limits
from doe.rig.shut import ClosedIn, closed_in, headspace_pressure_bara
from doe.rig.timeline import derived, drain_minutes, run_minutes, water_drawn_g
from doe.rig.verdicts import Envelope, Limit

__all__ = [
    "CAUTIONS",
    "BeyondLimit",
    "ClosedIn",
    "CoSolvent",
    "Collector",
    "Conditions",
    "Cooler",
    "Disc",
    "Envelope",
    "FeedBottle",
    "Headspace",
    "Heater",
    "Limit",
    "Pump",
    "Regulator",
    "Rig",
    "Valve",
    "Vessel",
    "beyond_limits",
    "boiling_pressure_bara",
    "closed_in",
    "common_practice",
    "derived",
    "drain_minutes",
    "envelope",
    "headspace_pressure_bara",
    "liquid_state",
    "looser_than_practice",
    "maximum_temperature_C",
    "minimum_pressure_bara",
    "pressure_ceiling_bara",
    "problems",
    "relief_opening_bara",
    "run_minutes",
    "water_drawn_g",
]
