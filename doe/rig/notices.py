"""What is said of all runs alike: what is not checked, and what is assumed."""

from __future__ import annotations

from collections.abc import Iterator

from doe.errors import Notice
from doe.rig.boiling import bubble_points_reach
from doe.rig.description import Rig, looser_than_practice
from doe.rig.mistakes import NEEDED_OR_NONE, UNCHECKED
from doe.rig.relief import reliefs
from doe.rig.state import State


def notices_of(state: State) -> tuple[Notice, ...]:
    rig = state.rig
    found = [
        Notice("part-none", f'{part} = "none": {UNCHECKED[part]}.')
        for part in NEEDED_OR_NONE[state.use]
        if getattr(rig, part) is None
    ]
    if state.use != "headspace":
        found.append(
            Notice(
                "closed-in",
                "Shut in while hot and full of water, the pressure climbs by about 5 to 17 bar "
                "per °C: a few degrees open the relief. How many is worked out for each run.",
            )
        )
    if state.use == "liquid-full":
        found.append(
            Notice(
                "outlet-open",
                "Overshoot is taken to happen with the outlet open: shut it only when the "
                f"temperature stays within {rig.temperature_swing or 0:g} K. The pump can add "
                "water to a shut vessel, but not take it out.",
            )
        )
    if state.use == "headspace":
        found += _headspace_notices(rig)
    found += [*_relief_notices(rig), *_bed_notices(state), *_heat_up_notices(state)]
    found += _margin_notices(state)
    if rig.co_solvent is not None:
        found.append(
            Notice(
                "co-solvent",
                f"With {rig.co_solvent.name}, boiling follows the bubble points given "
                f"({rig.co_solvent.source}); heat, density and the climb of a shut-in rig are "
                "those of pure water and were not checked for the mixture.",
            )
        )
        if rig.cooler is not None and not bubble_points_reach(rig, rig.atmospheric_pressure_bara):
            found.append(
                Notice(
                    "co-solvent-let-down",
                    "The bubble points do not reach down to the atmosphere's pressure: nothing "
                    f"shows that the extract at {rig.cooler.outlet_max:g} °C is below boiling "
                    "where its pressure is let down.",
                )
            )
    return tuple(found)


def _headspace_notices(rig: Rig) -> tuple[Notice, ...]:
    headspace = rig.headspace
    assert headspace is not None
    padded = headspace.pad_pressure is not None
    pad = "the gas pad" if padded else "air at the atmosphere's pressure"
    held = (
        "Only the gas pad holds the water below boiling: any leak or venting makes it boil."
        if padded
        else "With a headspace the water is at its boiling point, held only by what gas lies above "
        "it: without a gas pad there is no liquid margin, and any leak or venting makes it boil."
    )
    return (
        Notice(
            "gas-evolved",
            f"The pressure counts vapour and {pad}. Gas given off by the material comes on top "
            "and is not counted: watch the gauge on heating up.",
        ),
        Notice("pad-holds-liquid" if padded else "no-liquid-margin", held),
    )


_NEVER_ZERO = {
    "temperature_overshoot": "no controller stops dead at its set value",
    "temperature_sensor_error": "no sensor is exact",
    "pressure_swing": "no regulator holds a pressure exactly",
    "pressure_gauge_error": "no gauge is exact",
}


def _margin_notices(state: State) -> Iterator[Notice]:
    """Yield what is less careful than common practice, and allowances of nothing."""
    rig = state.rig
    for key, value, usual in looser_than_practice(rig):
        nothing = key in ("liquid_margin", "liquid_subcooling") and getattr(rig, key) == 0
        strongly = " Nothing is left of this margin: only the other one keeps off boiling."
        yield Notice(
            "looser-than-practice",
            f"Looser than common practice: {key} is {value}, customary is {usual}."
            f"{strongly if nothing else ''} Whoever answers for the rig has to agree to it.",
        )
    zero = [key for key in _NEVER_ZERO if getattr(rig, key) == 0]
    if state.use == "headspace" and "pressure_swing" in zero:
        zero.remove("pressure_swing")  # nothing regulates the pressure of a shut vessel
    for key in zero:
        yield Notice(
            "zero-allowance",
            f"{key} is 0: {_NEVER_ZERO[key]}. Give what was seen, or what its document states.",
        )


def _relief_notices(rig: Rig) -> Iterator[Notice]:
    """Yield what a certificate would have to say and is not told, or cannot be worked out."""
    names = " and ".join(device.name for device in reliefs(rig))
    yield Notice(
        "relief-capacity",
        f"Whether the {names} can pass enough is not checked: only where it opens is. Its sizing "
        "belongs to the rig's documents.",
    )
    for device in reliefs(rig):
        if not device.certificate:
            yield Notice(
                "certificate-not-named",
                f"The {device.name}'s certificate is not named. Its figures count as they are "
                f"written: compare them with it and write certificate under [rig.{device.part}].",
            )
    if (disc := rig.disc) is not None:
        kind = "" if disc.type else " Its type is not stated, and the operating ratio goes by type."
        yield Notice(
            "disc-when-cool",
            f"Cooler than {disc.burst_temperature:g} °C the rupture disc bursts higher than "
            f"marked; how much is in its documents and is not estimated here.{kind}",
        )


def _bed_notices(state: State) -> Iterator[Notice]:
    """Yield what is not checked of the bed."""
    vessel, unchecked = state.rig.vessel, []
    if vessel.bed_mass_max is None:
        unchecked.append("whether it fits the vessel (bed_mass_max)")
    elif state.bed_mass is None:
        unchecked.append("whether it fits the vessel (its mass is not given)")
    if state.use == "flow" and (vessel.particle_size is None or vessel.inner_diameter is None):
        unchecked.append("its pressure drop when clean (particle_size and inner_diameter)")
    if unchecked:
        yield Notice("bed-unchecked", f"Not checked of the bed: {'; '.join(unchecked)}.")


def _heat_up_notices(state: State) -> Iterator[Notice]:
    rig = state.rig
    if rig.heat_up_rate is None:
        yield Notice(
            "heat-up-worked-out",
            "The time to heat up is worked out from the heater's power and heat_capacity, solids "
            "counted as water and losses left out: measure it and write heat_up_rate.",
        )
    elif rig.vessel.heat_capacity is None:
        yield Notice(
            "metal-not-counted",
            "heat_capacity is not given: the heater was checked for water and solids alone, though "
            "the metal often takes more.",
        )
