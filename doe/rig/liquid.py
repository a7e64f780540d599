"""Does the water stay liquid: the two limits, the three words, and both cures."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from doe.rig.boiling import (
    boiling_known_C,
    boils_bara,
    boils_C,
    maximum_temperature_C,
    minimum_pressure_bara,
)
from doe.rig.ceilings import pressure_ceiling_bara
from doe.rig.description import BoolArray, IntArray
from doe.rig.shut import pad_needed_bara
from doe.rig.state import State
from doe.rig.verdicts import Check, allowance_list, rounded_down, rounded_up

WORDS = ("liquid", "too close", "may boil", "boils")
"""How the water of a run stands, by code 0 to 3."""


_UNKNOWN = (
    "where this run boils is not known, which is refused as “Hottest point where boiling is known”"
)


def boiling_codes(state: State, too_close: BoolArray) -> IntArray:
    """Return for each run the place in `WORDS` (n,), given which runs are inside the margin."""
    known = boiling_known_C(state.rig)
    may = (state.low < state.boils_wall) | (state.wall > known)
    boils = (state.pressure < state.boils_set) | (state.temperature > known)
    return np.asarray(np.where(boils, 3, np.where(may, 2, np.where(too_close, 1, 0))), np.int8)


def liquid_checks(state: State) -> Iterator[Check]:
    """Yield the margin in bar and in K of every run that something but boiling holds liquid."""
    rig = state.rig
    say = _pad_words if state.use == "headspace" else _boiling_words
    known = np.asarray(state.temperature <= boiling_known_C(rig))
    yield Check(
        "liquid-margin",
        state.low - state.boils_wall,
        rig.liquid_margin,
        "the lowest pressure clears boiling at the hottest point by {value}",
        "the margin is {allowed}",
        lambda i: "",
        applies=known,
        lapses=_UNKNOWN,
        words=lambda i, kept: "" if kept else say(state, i),
    )
    yield Check(
        "liquid-subcooling",
        boils_C(rig, state.low) - state.wall,
        rig.liquid_subcooling,
        "the hottest point stays below boiling at the lowest pressure by {value}",
        "the subcooling is {allowed}",
        lambda i: "",
        applies=known,
        lapses=_UNKNOWN,
        words=lambda i, kept: "" if kept else say(state, i),
    )


_VERDICTS = {
    "boils": "boils",
    "may boil": "may boil",
    "too close": "is too close to boiling",
}


def _boiling_words(state: State, i: int) -> str:
    """Return what is wrong, what it takes, and both cures: pressures up, temperatures down."""
    rig, unit = state.rig, state.rig.shown_unit
    word = _verdict(state, i)
    needed = minimum_pressure_bara(rig, state.temperature[i])
    boils = float(rig.shown(state.boils_set[i]))
    allowances = allowance_list(
        (rig.temperature_overshoot, "K overshoot"),
        (rig.temperature_sensor_error, "K sensor error"),
        (rig.heater.wall_excess, "K at the heater's wall"),
        (rig.pressure_swing, "bar swing"),
        (rig.pressure_pulsation or 0.0, "bar pulsation"),
        (rig.pressure_gauge_error, "bar gauge error"),
    )
    margin = f"a margin of {rig.liquid_margin:g} bar and {rig.liquid_subcooling:g} K"
    takes = "no pressure is known to do"
    if np.isfinite(needed):
        takes = f"it takes {rounded_up(float(rig.shown(needed)))} {unit}"
    return (
        f"{state.here(i)} {word}: saturation there is "
        f"{rounded_up(boils)} {unit}, "
        f"and with {allowances + ' and ' if allowances else ''}{margin} {takes}. "
        f"{_boiling_cure(state, i, float(needed))}"
    )


def _verdict(state: State, i: int) -> str:
    """Return the word for a run that fails: inside the margin if it does not boil outright."""
    return _VERDICTS[WORDS[int(boiling_codes(state, np.ones(len(state), np.bool_))[i])]]


def _pad_words(state: State, i: int) -> str:
    """Return what a batch under a gas pad lacks, and the pad it takes."""
    rig, unit = state.rig, state.rig.shown_unit
    T = float(state.temperature[i])
    boils = float(state.boils_wall[i])
    cooled = np.asarray(state.wall[i] + rig.liquid_subcooling)
    lowest = max(boils + rig.liquid_margin, float(boils_bara(rig, cooled)))
    text = (
        f"{state.here(i)} under the gas pad {_verdict(state, i)}: the hottest point boils at "
        f"{rounded_up(float(rig.shown(np.asarray(boils))))} {unit}, and vapour and pad hold at "
        f"least {rounded_down(float(rig.shown(state.low[i])))} {unit}; the margin is "
        f"{rig.liquid_margin:g} bar and {rig.liquid_subcooling:g} K."
    )
    if float(cooled) > boiling_known_C(rig):
        return f"{text} Lower the temperature."
    pad = float(rig.shown(np.asarray(pad_needed_bara(rig, T, lowest))))
    cure = f"Close it with a pad of at least {rounded_up(pad)} {unit}, or lower the temperature."
    return f"{text} {cure}"


def _boiling_cure(state: State, i: int, needed: float) -> str:
    rig, T = state.rig, state.temperature[i]
    highest = float(maximum_temperature_C(rig, state.pressure[i]))
    stay = f"stay at or below {rounded_down(highest, 0)} °C" if math.isfinite(highest) else ""
    if needed <= pressure_ceiling_bara(rig, T):
        return f"Raise the pressure, or {stay}." if stay else "Raise the pressure."
    refused = f"The rig does not allow that pressure at {T:.5g} °C"
    if math.isinf(needed):
        refused = f"Boiling is known up to {boiling_known_C(rig):g} °C"
    return f"{refused}: {stay}." if stay else f"{refused}: lower the temperature."
