"""Limits, the table run × limit, and the words of its cells."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

import numpy as np

from doe.errors import Notice
from doe.rig.boiling import above_set_bar, minimum_pressure_bara
from doe.rig.description import BoolArray, FloatArray, IntArray, Rig
from doe.rig.shut import before_swing_bara, full_of_liquid, least_rise_K
from doe.rig.state import State
from doe.wording import capital


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit: short stable code, title, unit, which way it holds, common practice or not."""

    code: str
    title: str
    unit: str
    sense: Literal["at least", "at most"]
    practice: bool = False


@dataclass(frozen=True)
class Envelope:
    """The table run × limit: value, allowed and margin (n, L).

    A margin is at least 0 inside the limit, negative outside, and NaN where the limit does not
    apply to a run. Pressures stand as the rig shows them. `explain` writes the sentence of one
    cell, `lapses` why a limit does not apply. `boiling` (n,) tells how the water stands: 0 stays
    liquid, 1 too close to boiling, 2 may boil, 3 boils; None where nothing but boiling sets the
    pressure.
    """

    limits: tuple[Limit, ...]
    value: FloatArray
    allowed: FloatArray
    margin: FloatArray
    notices: tuple[Notice, ...] = ()
    explain: Callable[[int, int], str] | None = field(default=None, repr=False, compare=False)
    boiling: IntArray | None = field(default=None, repr=False, compare=False)
    lapses: Callable[[int], str] | None = field(default=None, repr=False, compare=False)

    @cached_property
    def feasible(self) -> BoolArray:
        """Whether each run keeps all limits that apply to it (n,)."""
        return np.asarray(~(self.margin < 0).any(axis=1))

    def failing(self, i: int) -> tuple[Limit, ...]:
        """Return the limits that run `i` does not keep."""
        return tuple(limit for j, limit in enumerate(self.limits) if self.margin[i, j] < 0)

    def sentence(self, i: int, j: int) -> str:
        """Return what limit `j` finds of run `i`, what is allowed, and what to do."""
        limit = self.limits[j]
        if math.isnan(self.margin[i, j]):
            why = "does not apply to this run" if self.lapses is None else self.lapses(j)
            return f"{limit.title}: {why}."
        if self.explain is not None:
            return self.explain(i, j)
        value, allowed = _pair(self.value[i, j], self.allowed[i, j], limit, 2)
        return f"{limit.title}: {value}, {limit.sense} {allowed}."


_LIMITS: dict[str, tuple[str, str, Literal["at least", "at most"], bool]] = {
    "temperature-max": ("Hottest water within the rig's limit", "°C", "at most", False),
    "heated": ("Not colder than the rig starts", "°C", "at least", False),
    "boiling-known": ("Hottest point where boiling is known", "°C", "at most", False),
    "metal-temperature": ("Hottest metal within the vessel's rating", "°C", "at most", False),
    "liquid-margin": ("Stays liquid: pressure above boiling", "bar", "at least", True),
    "liquid-subcooling": ("Stays liquid: degrees below boiling", "K", "at least", True),
    "vessel-pressure": ("Highest pressure within the vessel's rating", "shown", "at most", False),
    "vessel-share": ("Distance from the vessel's rating", "shown", "at most", True),
    "relief-opening": ("Highest pressure below relief", "shown", "at most", False),
    "disc-operating-ratio": ("Operating ratio of the rupture disc", "shown", "at most", True),
    "disc-temperature": ("Temperature of the rupture disc", "°C", "at most", False),
    "valve-operating-ratio": ("Operating ratio of the relief valve", "shown", "at most", True),
    "valve-temperature": ("Temperature of the relief valve", "°C", "at most", False),
    "relief-set": ("Relief set within the vessel's rating", "shown", "at most", False),
    "closed-in-rise": ("Heating that a shut vessel bears", "K", "at least", False),
    "cold-fill": ("Gas space left when the water has swollen", "%", "at most", True),
    "pump-pressure": ("Pressure the pump may work against", "shown", "at most", False),
    "pump-flow-low": ("Flow above the pump's low end", "mL/min", "at least", True),
    "pump-flow-high": ("Flow below the pump's high end", "mL/min", "at most", True),
    "regulator-pressure": ("Highest pressure the regulator may see", "shown", "at most", False),
    "regulator-low": ("Pressure above the regulator's low end", "shown", "at least", True),
    "regulator-high": ("Pressure below the regulator's high end", "shown", "at most", True),
    "regulator-flow": ("Flow the regulator can pass", "mL/min", "at most", False),
    "let-down": ("Below boiling where its pressure is let down", "°C", "at most", False),
    "heater-power": ("Heater duty", "W", "at most", True),
    "heater-heat-up": ("Heater duty while heating up", "W", "at most", True),
    "cooler-power": ("Cooler duty", "W", "at most", True),
    "bed-mass": ("Bed that the vessel takes", "g", "at most", False),
    "bed-pressure-drop": ("Pressure drop of a clean bed", "bar", "at most", False),
    "feed-bottle": ("Feed bottle lasts, so the pump draws no air", "mL", "at most", True),
    "collector-fill": ("Collection vessel takes the batch", "mL", "at most", True),
    "drains": ("Drains during the run", "drains", "at most", False),
    "missed-drain": ("Overflow is caught if a drain is missed", "mL", "at most", True),
}
"""Every limit: title, unit ("shown" is a pressure as the rig shows it), sense, common practice."""


_HIGHEST = (
    "vessel-pressure",
    "vessel-share",
    "relief-opening",
    "disc-operating-ratio",
    "valve-operating-ratio",
)
"""Limits on the highest pressure that results with a headspace."""


@dataclass(frozen=True, slots=True)
class Check:
    """A limit worked out for n runs, with the words for it.

    `finding` and `rule` hold ``{value}`` and ``{allowed}``; `cure` and `words` are asked for one
    run at a time, and only when somebody reads them.
    """

    code: str
    value: FloatArray | float
    allowed: FloatArray | float
    finding: str
    rule: str
    cure: Callable[[int], str]
    decimals: int = 1
    applies: BoolArray | None = None
    words: Callable[[int, bool], str] | None = None
    lapses: str = "does not apply to this run"

    def limit(self, rig: Rig) -> Limit:
        title, unit, sense, practice = _LIMITS[self.code]
        return Limit(self.code, title, rig.shown_unit if unit == "shown" else unit, sense, practice)


def cell_sentence(
    state: State,
    check: Check,
    limit: Limit,
    i: int,
    value: float,
    allowed: float,
    margin: float,
) -> str:
    """Return the sentence of one cell."""
    kept = margin >= 0
    if check.words is not None and (text := check.words(i, kept)):
        return text
    shown, bound = _pair(value, allowed, limit, check.decimals)
    finding = check.finding.format(value=shown)
    if state.use == "headspace" and check.code in _HIGHEST and full_of_liquid(state.high)[i]:
        finding = (
            "hot, the swollen water leaves no room for gas: the vessel is full of liquid, and its "
            "pressure rises beyond any that is worked out here"
        )
    with_flow = state.flow is not None and limit.unit in ("mL/min", "mL", "W", "drains")
    here = state.here_with_flow(i) if with_flow else state.here(i)
    text = f"{here}: {finding}; {check.rule.format(allowed=bound)}"
    if kept:
        unit = limit.unit.removesuffix(" gauge").removesuffix(" absolute")
        return f"{text}. Kept, with {rounded_down(margin, check.decimals)} {unit} in hand."
    return f"{text}. {check.cure(i)}".rstrip()


def _pair(value: float, allowed: float, limit: Limit, decimals: int) -> tuple[str, str]:
    """Return value and allowed as text, each rounded to the strict side."""
    if limit.sense == "at least":
        texts = rounded_down(value, decimals), rounded_up(allowed, decimals)
    else:
        texts = rounded_up(value, decimals), rounded_down(allowed, decimals)
    unit = "" if limit.unit == "drains" else f" {limit.unit}"
    return texts[0] + unit, texts[1] + unit


def rounded_up(value: float, decimals: int = 1) -> str:
    """Return a requirement, rounded up.

    >>> rounded_up(31.41), rounded_up(31.4), rounded_down(190.9, 0)
    ('31.5', '31.4', '190')
    """
    return _rounded(value, decimals, math.ceil)


def rounded_down(value: float, decimals: int = 1) -> str:
    """Return a permission, rounded down."""
    return _rounded(value, decimals, math.floor)


def _rounded(value: float, decimals: int, way: Callable[[float], int]) -> str:
    scaled = value * 10**decimals
    nearest = round(scaled)
    whole = nearest if abs(scaled - nearest) < 1e-6 else way(scaled)
    text = f"{whole / 10**decimals:.{decimals}f}".replace("-", "−")
    return text.rstrip("0").rstrip(".") if decimals else text


def allowance_list(*allowances: tuple[float, str]) -> str:
    """Return the allowances that are not zero: ``"5 K overshoot, 2 bar swing"``."""
    return ", ".join(f"{amount:g} {words}" for amount, words in allowances if amount)


def allowance_words(*allowances: tuple[float, str]) -> str:
    listed = allowance_list(*allowances)
    return f" ({listed} included)" if listed else ""


def pressure_words(state: State, thermal: bool = True) -> str:
    rig = state.rig
    if state.use == "headspace":
        return " (vapour and gas at the hottest point" + (
            f", {rig.pressure_gauge_error:g} bar gauge error of the gas when closed in included)"
            if rig.pressure_gauge_error
            else ")"
        )
    swing = rig.temperature_swing or 0.0
    return allowance_words(
        (rig.pressure_swing, "bar swing"),
        (rig.pressure_pulsation or 0.0, "bar pulsation"),
        (rig.bed_pressure_drop or 0.0, "bar over the bed"),
        (rig.pressure_gauge_error, "bar gauge error"),
        (swing if thermal and state.use == "liquid-full" else 0.0, "K temperature swing"),
    )


def pressure_cure(state: State, ceiling_bara: FloatArray | float) -> Callable[[int], str]:
    """Return the cure of a pressure too high, in the words of the mode."""
    if state.use == "headspace":
        return always("Lower the temperature, the water filled in, or the gas pad.")
    ceilings = np.broadcast_to(np.asarray(ceiling_bara), state.pressure.shape)
    if state.use == "liquid-full":
        return lambda i: swing_cure(state, i, float(ceilings[i]))
    return lambda i: f"Set at most {set_at_most(state.rig, float(ceilings[i]))}."


def swing_cure(state: State, i: int, ceiling_bara: float) -> str:
    """Return what brings a shut vessel's highest pressure down: pressure, swing, or neither."""
    rig, T = state.rig, state.temperature[i : i + 1]
    swing, ceiling = rig.temperature_swing or 0.0, np.array([ceiling_bara])
    lower = float(before_swing_bara(rig, T, ceiling)[0])
    ways = []
    if lower - above_set_bar(rig) >= float(minimum_pressure_bara(rig, T)[0]):
        ways.append(f"set at most {set_at_most(rig, lower)}")
    if state.pumped[i] > ceiling_bara:  # too high with no swing at all
        return f"{capital(ways[0])}." if ways else "Lower the temperature."
    bears = float(least_rise_K(rig, T, state.pumped[i : i + 1], ceiling_bara)[0])
    if bears >= 0.1:
        ways.append(f"hold the swing within {rounded_down(bears)} K")
    cause = f"The temperature swing of {swing:g} K is the cause: while the vessel is shut it adds "
    added = rounded_up(float(state.high[i] - state.pumped[i]))
    cure = capital(" or ".join(ways)) if ways else "Neither pressure nor swing alone cures it"
    return f"{cause}{added} bar. {cure}."


def set_at_most(rig: Rig, ceiling_bara: float) -> str:
    shown = float(rig.shown(np.asarray(ceiling_bara - above_set_bar(rig))))
    return f"{rounded_down(shown)} {rig.shown_unit}"


def always(text: str) -> Callable[[int], str]:
    return lambda i: text
