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
* The lowest pressure is set − swing − gauge error; the highest is set + swing + pulsation + bed
  pressure drop + gauge error, and with the outlet shut also what the temperature swing adds.
* A rating between two stated temperatures is read off the straight line, below the lowest it is
  the lowest's, above the highest there is none.
* Where the water would boil or leaves 350 °C, liquid properties are those of saturated liquid at
  the nearest state; such a run fails the limits on boiling anyway.

Shapes: n runs, L limits.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Annotated, Any, Literal, TypeAlias

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from doe import water
from doe.errors import InfeasibleError, Notice, Problem, Where
from doe.quantities import (
    Count,
    Diameter,
    FlowRate,
    HeatCapacity,
    Minutes,
    Power,
    Pressure,
    PressureDifference,
    QuantityError,
    Share,
    Temperature,
    TemperatureDifference,
    TemperatureRate,
    Volume,
    read_pressure,
)

__all__ = [
    "CAUTIONS",
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
    "closed_in",
    "common_practice",
    "derived",
    "drain_minutes",
    "envelope",
    "headspace_pressure_bara",
    "liquid_state",
    "maximum_temperature_C",
    "minimum_pressure_bara",
    "pressure_ceiling_bara",
    "problems",
    "run_minutes",
]

FloatArray: TypeAlias = npt.NDArray[np.float64]
BoolArray: TypeAlias = npt.NDArray[np.bool_]
Mode = Literal["flow", "batch"]
BatchKind = Literal["liquid-full", "headspace"]
Table: TypeAlias = tuple[tuple[Temperature, Pressure], ...]

SEVERITY_STEP_K = 14.75
"""Overend and Chornet 1987, Phil Trans R Soc A 321:523 (constant from memory)."""
SEVERITY_BASE_C = 100.0
CLOSED_IN_SLOPE_MAX_BAR_K = 20.0
"""Above every (∂p/∂T) at constant density of liquid up to 350 °C and 1000 bara: largest 18.5."""
_ROUNDING = 1e-9

CAUTIONS: tuple[str, ...] = (
    "Hot water under pressure turns to steam where it leaks, and scalds. Stay behind the shield; "
    "wear face protection and gloves that stand heat.",
    "A rupture disc or relief valve can throw out hot water and solids without warning. Lead its "
    "outlet to a safe place, keep clear of it, and never block or isolate it.",
    "Neither tighten nor loosen a fitting under pressure. Open only what is cool and shown by a "
    "second means to be without pressure: a blocked frit can hold pressure behind it.",
    "Never heat a part that is full of water and shut at both ends: one degree raises its pressure "
    "by about 5 to 17 bar.",
    "Before work on the rig, isolate and lock heaters, pump and water supply. Heaters must switch "
    "off when the flow stops.",
    "Write down the temperature, pressure and flow at which the run is stopped before it starts. "
    "Do not leave a hot run alone unless that has been assessed.",
    "Alcohol, acid or any other addition needs its own assessment of fire, vapour and corrosion "
    "before it goes in.",
    "Pressure equipment law applies to water above about 110 °C as it does to gases: in the EU "
    "directive 2014/68/EU, in Great Britain PSSR 2000, elsewhere local codes. A competent person "
    "decides what it asks of this rig.",
    "These figures help to plan. The rig's own documents, the competent person and local codes "
    "come first.",
)
"""What anyone at the rig should read first, in every report and on every sheet."""


# --------------------------------------------------------------------- what the person writes


def _practice(default: Any, meaning: str, unit: str = "") -> Any:
    """Return a field whose default is common practice: editable, and labelled as such."""
    return Field(
        default, description=meaning, json_schema_extra={"common_practice": True, "unit": unit}
    )


def _key(meaning: str, **default: Any) -> Any:
    return Field(description=meaning, **default)


def _read_atmosphere(text: object) -> Pressure:
    found = read_pressure(text)
    if found.reference == "gauge":
        raise QuantityError(
            f"{text!r} is a gauge pressure; the atmosphere is measured from vacuum.",
            'Write it as "1.013 bara".',
        )
    return Pressure(found.bar, "absolute")


def _read_pairs(pairs: object) -> object:
    """Return pairs of temperature and pressure, refusing a pressure that stands alone."""
    example = '[["20 degC", "120 bar"], ["250 degC", "100 bar"]]'
    if not isinstance(pairs, (list, tuple)):
        raise QuantityError(
            f"found {pairs!r}, a pressure without its temperature.", f"Write pairs, as {example}."
        )
    for pair in pairs:
        if not isinstance(pair, (list, tuple)) or len(pair) != 2:
            raise QuantityError(
                f"found {pair!r}, where a temperature and its pressure belong together.",
                f"Write pairs, as {example}.",
            )
    return pairs


def _read_part(part: object) -> object:
    """Return a part's table, or None where the person wrote that the rig has none."""
    if isinstance(part, str):
        if part != "none":
            raise QuantityError(
                f'found "{part}".', 'Describe the part in its own table, or write "none".'
            )
        return None
    return part


def _read_pad(text: object) -> Pressure | None:
    """Return the gas pad's pressure, or None where the person wrote that there is none."""
    return None if text is None or text == "none" else read_pressure(text)


PressureText = Annotated[Pressure, BeforeValidator(read_pressure)]
Atmosphere = Annotated[Pressure, BeforeValidator(_read_atmosphere)]
TemperaturePressurePairs = Annotated[
    tuple[tuple[Temperature, PressureText], ...], BeforeValidator(_read_pairs)
]
_Part = BeforeValidator(_read_part)


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Vessel(_Section):
    """`[rig.vessel]`: the heated pressure vessel that holds the bed."""

    volume: Volume = _key("inside volume, empty")
    rating: TemperaturePressurePairs = _key(
        "maximum allowable pressure at stated temperatures, rising, from the vessel's documents"
    )
    pressure_share: Share = _practice(0.9, "share of the rating that a run may use", "%")
    void_fraction: Share | None = _key(
        "share of the volume that water fills when the bed is loaded; for flow and liquid-full",
        default=None,
    )
    inner_diameter: Diameter | None = _key("inside diameter of the bed", default=None)
    heat_capacity: HeatCapacity | None = _key(
        "of the metal that is heated with it, for the energy of a run", default=None
    )


class Disc(_Section):
    """`[rig.disc]`: a rupture disc, with the figures of its certificate."""

    burst_pressure: PressureText = _key("marked burst pressure")
    burst_temperature: Temperature = _key("temperature at which the burst pressure is stated")
    burst_tolerance: Share = _key("scatter about the marked pressure, as a share of it")
    operating_ratio: Share = _practice(
        0.7, "highest working pressure over lowest burst pressure, by type of disc", "%"
    )
    service_temperature: Temperature | None = _key(
        "hottest the disc itself gets, if shown to be cooler than the water", default=None
    )
    type: str = _key("as the certificate names it", default="")
    certificate: str = _key("number of the certificate", default="")


class Valve(_Section):
    """`[rig.valve]`: a spring-loaded relief valve, with the figures of its certificate."""

    set_pressure: PressureText = _key("stamped set pressure")
    set_tolerance: Share = _key("scatter about the set pressure, as a share of it")
    temperature_max: Temperature = _key("highest temperature the certificate holds for")
    operating_ratio: Share = _practice(
        0.9, "highest working pressure over lowest opening pressure", "%"
    )
    service_temperature: Temperature | None = _key(
        "hottest the valve itself gets, if shown to be cooler than the water", default=None
    )
    certificate: str = _key("number of the certificate", default="")


class Pump(_Section):
    """`[rig.pump]`: the pump that feeds cold water."""

    flow_min: FlowRate = _key("low end of its range")
    flow_max: FlowRate = _key("high end of its range")
    pressure_max: PressureText = _key("highest pressure it may work against")
    usable_low: Share = _practice(0.1, "share of the range below which flow is not trusted", "%")
    usable_high: Share = _practice(0.9, "share of the range above which flow is not trusted", "%")


class Regulator(_Section):
    """`[rig.regulator]`: the back-pressure regulator behind the cooler."""

    pressure_min: PressureText = _key("low end of its range")
    pressure_max: PressureText = _key("high end of its range")
    flow_max: FlowRate = _key("highest flow it can pass")
    usable_low: Share = _practice(0.1, "share of the range below which it does not hold well", "%")
    usable_high: Share = _practice(0.9, "share of the range above which it does not hold well", "%")


class Heater(_Section):
    """`[rig.heater]`: what heats the water: preheater in flow mode, jacket or band in batch."""

    power: Power = _key("rated power")
    efficiency: Share = _key("share of the power that reaches the water")
    wall_excess: TemperatureDifference = _key("how much hotter its wall is than the hottest water")
    use_share: Share = _practice(0.8, "share of the rated power that a run may ask for", "%")


class Cooler(_Section):
    """`[rig.cooler]`: what cools the extract before the pressure is let down."""

    power: Power = _key("heat it takes away at its rated coolant flow")
    outlet_max: Temperature = _practice(40.0, "highest temperature of the cooled extract", "°C")
    coolant_temperature: Temperature = _practice(20.0, "of the coolant that comes in", "°C")


class Collector(_Section):
    """`[rig.collector]`: the cold vessel that the extract runs into."""

    volume: Volume = _key("volume of the collection vessel")
    catch_volume: Volume = _key('free volume that catches an overflow; "0 mL" if there is none')
    drains_max: Count = _key("how often it can be drained during a run")
    fill_share: Share = _practice(0.8, "share of the volume at which it is drained", "%")


class FeedBottle(_Section):
    """`[rig.feed_bottle]`: the bottle that the pump draws from."""

    volume: Volume = _key("volume when full")
    heel: Volume = _key("what the pump cannot draw without air")
    reserve: Share = _practice(0.2, "water held ready beyond what the run needs", "%")
    temperature: Temperature = _practice(20.0, "of the feed water", "°C")


class Headspace(_Section):
    """`[rig.headspace]`: batch mode with a gas space above the water."""

    cold_water: Volume = _key("water put in cold")
    solids_volume: Volume = _key("volume of the solid matter itself in the fullest loading")
    pad_pressure: Annotated[Pressure | None, BeforeValidator(_read_pad)] = _key(
        'pressure of the gas when the vessel is closed; "none" is air at the atmosphere\'s'
    )
    closing_temperature: Temperature = _practice(20.0, "at which the vessel is closed", "°C")
    vapour_share: Share = _practice(
        0.1, "share of the free volume that must stay gas when the water has swollen", "%"
    )


class CoSolvent(_Section):
    """`[rig.co_solvent]`: what is mixed with the water, and where the mixture boils."""

    name: str = _key("e.g. ethanol")
    share: Share = _key("share of the mixture")
    bubble_points: TemperaturePressurePairs = _key(
        "temperatures and pressures, both rising, at which this mixture begins to boil", default=()
    )
    source: str = _key("where the bubble points come from", default="")


class Rig(_Section):
    """The `[rig]` section of a campaign file.

    A bare ``"bar"`` means what the rig shows (`pressure_reading`); ``"barg"`` and ``"bara"`` say
    it themselves. A part the rig truly lacks is written ``"none"``; the checks that need it are
    then not made, and a notice says so.
    """

    name: str = _key("what the rig is called", default="")
    limits_confirmed_by: str = _key("who compared this section with the documents", default="")
    limits_confirmed_on: str = _key("and when", default="")
    pressure_reading: Literal["gauge", "absolute"] = _key("what the rig's pressures mean")
    atmospheric_pressure: Atmosphere = _practice(
        Pressure(1.01325, "absolute"), "of the site, from vacuum", "bar absolute"
    )
    temperature_max: Temperature = _key("highest temperature the water may reach in this rig")
    temperature_overshoot: TemperatureDifference = _key("peak above set on heating up")
    temperature_sensor_error: TemperatureDifference = _key("of the temperature shown")
    temperature_swing: TemperatureDifference | None = _key(
        "from lowest to highest while the outlet is shut; liquid-full batch", default=None
    )
    heat_up_outlet: Literal["open", "shut"] | None = _key(
        "where the outlet stands while heating up; liquid-full batch", default=None
    )
    pressure_swing: PressureDifference = _key("of the held pressure, either way from set")
    pressure_gauge_error: PressureDifference = _key("of the pressure shown")
    pressure_pulsation: PressureDifference | None = _key(
        "of the pump's strokes, above the mean; flow and liquid-full", default=None
    )
    bed_pressure_drop: PressureDifference | None = _key(
        "highest allowed over the bed; flow", default=None
    )
    liquid_margin: PressureDifference = _practice(
        5.0, "lowest pressure above saturation at the hottest point", "bar"
    )
    liquid_subcooling: TemperatureDifference = _practice(
        10.0, "hottest point below boiling at the lowest pressure", "K"
    )
    heat_up_rate: TemperatureRate = _key("as measured, over the whole way up")
    cool_down_rate: TemperatureRate = _key("as measured, down to unloading")
    start_temperature: Temperature = _practice(20.0, "from which it is heated up", "°C")
    unload_temperature: Temperature = _practice(50.0, "below which it is opened", "°C")
    flush_time: Minutes | None = _key(
        "water pumped through after the run, at its flow; flow", default=None
    )
    turnaround_time: Minutes = _key("to unload, clean and load again")
    vessel: Vessel
    disc: Annotated[Disc | None, _Part] = None
    valve: Annotated[Valve | None, _Part] = None
    pump: Annotated[Pump | None, _Part] = None
    regulator: Annotated[Regulator | None, _Part] = None
    heater: Heater
    cooler: Annotated[Cooler | None, _Part] = None
    collector: Annotated[Collector | None, _Part] = None
    feed_bottle: Annotated[FeedBottle | None, _Part] = None
    headspace: Annotated[Headspace | None, _Part] = None
    co_solvent: Annotated[CoSolvent | None, _Part] = None

    @property
    def vessel_rating(self) -> Table:
        """Pairs of temperature [°C] and the vessel's maximum allowable pressure there."""
        return self.vessel.rating

    @property
    def atmospheric_pressure_bara(self) -> float:
        return self.atmospheric_pressure.bar

    @property
    def feed_temperature(self) -> float:
        return self.feed_bottle.temperature if self.feed_bottle else self.start_temperature

    @property
    def shown_unit(self) -> str:
        return f"bar {self.pressure_reading}"

    def bara(self, pressure: Pressure) -> float:
        """Return a pressure of this section in bar absolute."""
        return pressure.absolute(self.pressure_reading, self.atmospheric_pressure_bara)

    def gauge(self, pressure: Pressure) -> float:
        """Return a pressure of this section in bar above the atmosphere."""
        return self.bara(pressure) - self.atmospheric_pressure_bara

    def shown(self, bara: FloatArray) -> FloatArray:
        """Return absolute pressures [bara] as this rig shows them."""
        return bara - (self.atmospheric_pressure_bara if self.pressure_reading == "gauge" else 0.0)

    def share_of(self, share: float, pressure: Pressure) -> float:
        """Return a share of a pressure, taken above the atmosphere, in bar absolute."""
        return share * self.gauge(pressure) + self.atmospheric_pressure_bara


def common_practice(rig: Rig) -> tuple[tuple[str, str], ...]:
    """Return the keys whose default is common practice, with the value that holds now, as text."""
    return tuple(_practice_of(rig, ""))


def _practice_of(section: BaseModel, prefix: str) -> Iterator[tuple[str, str]]:
    for name, info in type(section).model_fields.items():
        value = getattr(section, name)
        extra = info.json_schema_extra
        if isinstance(value, BaseModel):
            yield from _practice_of(value, f"{prefix}{name}.")
        elif isinstance(extra, dict) and extra.get("common_practice"):
            unit = str(extra["unit"])
            number = value.bar if isinstance(value, Pressure) else value
            yield f"{prefix}{name}", f"{100 * number if unit == '%' else number:.6g} {unit}"


# ----------------------------------------------------------- mistakes that span several keys


def problems(rig: Rig, mode: Mode, batch_kind: BatchKind | None) -> tuple[Problem, ...]:
    """Return all that is wrong with a rig for the mode it is to run in; keys start with ``rig.``.

    Parameters
    ----------
    rig
        A section of which each key is readable by itself.
    mode, batch_kind
        What the campaign asks of it.
    """
    if mode == "batch" and batch_kind is None:
        return (
            _problem(
                "no-batch-kind",
                "batch_kind",
                "batch mode needs batch_kind: the two kinds build up pressure in different ways.",
                'Write batch_kind = "liquid-full" or batch_kind = "headspace".',
            ),
        )
    found = [
        *_missing_parts(rig, mode, batch_kind),
        *_pairs_problems(rig),
        *_range_problems(rig),
        *_relief_problems(rig),
        *_co_solvent_problems(rig, mode),
    ]
    if batch_kind == "liquid-full":
        found += _liquid_full_problems(rig)
    if batch_kind == "headspace" and rig.headspace is not None:
        found += _headspace_problems(rig, rig.headspace)
    if not found and batch_kind != "headspace":
        found += _burst_problems(rig)
    return tuple(found)


def _problem(code: str, key: str, what: str, remedy: str = "") -> Problem:
    return Problem(code, what, Where(key=f"rig.{key}"), remedy)


_NEEDED: dict[str, tuple[str, ...]] = {
    "flow": ("pump", "pressure_pulsation", "bed_pressure_drop", "flush_time"),
    "liquid-full": ("pump", "pressure_pulsation", "temperature_swing", "heat_up_outlet"),
    "headspace": ("headspace",),
}
_NEEDED_OR_NONE: dict[str, tuple[str, ...]] = {
    "flow": ("regulator", "cooler", "collector", "feed_bottle"),
    "liquid-full": ("collector", "feed_bottle"),
    "headspace": ("collector",),
}
_UNCHECKED = {
    "regulator": "its range and flow were not checked",
    "cooler": "nothing shows that the extract is below boiling where its pressure is let down",
    "collector": "filling, drains and overflow were not checked",
    "feed_bottle": "nothing shows that the pump never draws air",
}


def _missing_parts(rig: Rig, mode: Mode, kind: BatchKind | None) -> Iterator[Problem]:
    use = kind or mode
    for key in _NEEDED[use]:
        if getattr(rig, key) is None:
            yield _problem("missing-key", key, f"{key} is missing: {use} mode needs it.", "Add it.")
    for key in _NEEDED_OR_NONE[use]:
        if key not in rig.model_fields_set:
            yield _problem(
                "missing-part",
                key,
                f"[rig.{key}] is missing: {use} mode needs it.",
                f'Describe it, or write {key} = "none" under [rig] if there is truly none.',
            )
    if use != "headspace" and rig.vessel.void_fraction is None:
        yield _problem(
            "missing-key",
            "vessel.void_fraction",
            "void_fraction is missing: without it the water in the vessel is not known.",
            'Write it as void_fraction = "45 %".',
        )
    if rig.disc is None and rig.valve is None:
        yield _problem(
            "no-relief",
            "disc",
            "neither a rupture disc nor a relief valve is described.",
            "Add [rig.disc] or [rig.valve] with the figures of its certificate: "
            "a rig without relief is not planned for.",
        )


def _pairs_problems(rig: Rig) -> Iterator[Problem]:
    rating = rig.vessel.rating
    if not rating:
        yield _problem(
            "no-rating",
            "vessel.rating",
            "rating is empty.",
            "Copy the pairs of temperature and pressure from the vessel's documents.",
        )
    for (cooler, at_cooler), (hotter, at_hotter) in itertools.pairwise(rating):
        if hotter <= cooler:
            yield _problem(
                "rating-order",
                "vessel.rating",
                f"{hotter:g} °C comes after {cooler:g} °C.",
                "List each temperature once, from low to high.",
            )
        elif rig.bara(at_hotter) > rig.bara(at_cooler) + _ROUNDING:
            yield _problem(
                "rating-rises",
                "vessel.rating",
                f"the rated pressure rises from {cooler:g} to {hotter:g} °C.",
                "Metal does not grow stronger with heat: compare with the vessel's documents.",
            )
    if rating and min(rig.gauge(pressure) for _, pressure in rating) <= 0:
        yield _problem(
            "rating-below-atmosphere",
            "vessel.rating",
            "a rated pressure is not above the atmosphere's.",
            'Check whether it is gauge or absolute: write "barg" or "bara".',
        )


def _range_problems(rig: Rig) -> Iterator[Problem]:
    """Yield what makes a single part impossible."""
    if not 0.5 <= rig.atmospheric_pressure_bara <= 1.1:
        yield _problem(
            "atmosphere",
            "atmospheric_pressure",
            f"{rig.atmospheric_pressure_bara:g} bar absolute is no atmosphere; "
            "expected is 0.5 to 1.1.",
            "Give the site's pressure as measured there, not corrected to sea level.",
        )
    empty = {
        "vessel": ("volume", "pressure_share", "void_fraction"),
        "collector": ("volume", "fill_share"),
        "feed_bottle": ("volume",),
        "heater": ("efficiency", "use_share"),
        "headspace": ("cold_water",),
        "pump": ("flow_max",),
        "regulator": ("flow_max",),
    }
    for part, keys in empty.items():
        for key in keys:
            if getattr(getattr(rig, part), key, None) == 0:
                yield _problem("zero", f"{part}.{key}", f"{key} is zero.", "Give its true value.")
    cold = {"start_temperature": rig.start_temperature}
    if rig.feed_bottle is not None:
        cold["feed_bottle.temperature"] = rig.feed_bottle.temperature
    if rig.cooler is not None:
        cold["cooler.coolant_temperature"] = rig.cooler.coolant_temperature
    for key, temperature in cold.items():
        if not 0 <= temperature < 95:
            yield _problem(
                "cold-water",
                key,
                f"{temperature:g} °C is not a temperature of cold water.",
                "It must lie between 0 and 95 °C.",
            )
    if rig.pump is not None and rig.pump.flow_min >= rig.pump.flow_max:
        yield _empty_range("pump.flow_min", "flow_min is not below flow_max")
    regulator = rig.regulator
    if regulator and rig.bara(regulator.pressure_min) >= rig.bara(regulator.pressure_max):
        yield _empty_range("regulator.pressure_min", "pressure_min is not below pressure_max")
    for name, part_ in (("pump", rig.pump), ("regulator", regulator)):
        if part_ is not None and part_.usable_low >= part_.usable_high:
            yield _empty_range(f"{name}.usable_low", "usable_low is not below usable_high")
    if rig.feed_bottle is not None and rig.feed_bottle.heel >= rig.feed_bottle.volume:
        yield _empty_range("feed_bottle.heel", "heel leaves nothing of volume to pump")
    if rig.cooler is not None:
        boiling = float(_water_boils_C(np.asarray(rig.atmospheric_pressure_bara)))
        if not rig.cooler.coolant_temperature < rig.cooler.outlet_max < boiling:
            yield _empty_range(
                "cooler.outlet_max",
                f"outlet_max {rig.cooler.outlet_max:g} °C must lie between the coolant's "
                f"{rig.cooler.coolant_temperature:g} °C and boiling at {boiling:.0f} °C",
            )


def _empty_range(key: str, what: str) -> Problem:
    return _problem("empty-range", key, f"{what}.", "Correct one of them.")


def _relief_problems(rig: Rig) -> Iterator[Problem]:
    for device in _reliefs(rig):
        if device.marked_bara <= rig.atmospheric_pressure_bara:
            yield _problem(
                "relief-below-atmosphere",
                device.key,
                f"the {device.name} would open at the atmosphere's pressure.",
                'Check whether it is gauge or absolute: write "barg" or "bara".',
            )
        if device.tolerance >= 1 or device.ratio <= 0:
            yield _problem(
                "relief-shares",
                device.key,
                f"the {device.name}'s tolerance must be below 100 % and its operating ratio "
                "above 0 %.",
                "Copy them from its certificate.",
            )
        service = device.service_temperature
        if service is not None and service > device.temperature:
            yield _problem(
                "relief-too-hot",
                device.key,
                f"the {device.name} gets up to {service:g} °C, and its certificate holds at "
                f"{device.temperature:g} °C.",
                "Ask its maker for the figures at the higher temperature; they are never "
                "estimated here.",
            )


def _co_solvent_problems(rig: Rig, mode: Mode) -> Iterator[Problem]:
    mixture = rig.co_solvent
    if mixture is None:
        return
    points = mixture.bubble_points
    key = "co_solvent.bubble_points"
    if len(points) < 2:
        yield _problem(
            "no-bubble-points",
            key,
            f"with {mixture.name} in the water the boiling curve of pure water is not safe: the "
            "mixture boils at a higher pressure.",
            "Give bubble points of this mixture (temperature and pressure) over the whole range "
            "up to the hottest point, and their source.",
        )
    for (cooler, low), (hotter, high) in itertools.pairwise(points):
        if hotter <= cooler or rig.bara(high) <= rig.bara(low):
            yield _problem(
                "bubble-points-order",
                key,
                f"from {cooler:g} to {hotter:g} °C the bubble points do not rise.",
                "List them from low to high.",
            )
    if points and not mixture.source:
        yield _problem(
            "bubble-points-source",
            "co_solvent.source",
            "the source of the bubble points is missing.",
            "Name the document, or who measured them.",
        )
    if mode == "batch":
        yield _problem(
            "co-solvent-in-batch",
            "co_solvent",
            f"how far water with {mixture.name} swells on heating is not known here, so neither "
            "cold fill nor the pressure of a shut vessel can be checked.",
            "Run batches in water alone, or have the mixture assessed apart from this tool.",
        )


def _liquid_full_problems(rig: Rig) -> Iterator[Problem]:
    if rig.heat_up_outlet == "shut":
        yield _problem(
            "heated-shut",
            "heat_up_outlet",
            "a vessel full of water must not be heated with its outlet shut: one degree raises "
            "the pressure by about 5 to 17 bar, and the pump cannot take water out.",
            "Heat up with the outlet open and shut it once the temperature is steady.",
        )


def _headspace_problems(rig: Rig, headspace: Headspace) -> Iterator[Problem]:
    free = rig.vessel.volume - headspace.solids_volume
    if headspace.cold_water >= free:
        yield _problem(
            "no-headspace",
            "headspace.cold_water",
            f"{headspace.cold_water:g} mL of water and {headspace.solids_volume:g} mL of solids "
            f"leave no gas space in {rig.vessel.volume:g} mL.",
            "Fill in less water.",
        )
    if headspace.vapour_share <= 0 or headspace.vapour_share >= 1:
        yield _problem(
            "vapour-share",
            "headspace.vapour_share",
            "vapour_share must lie between 0 and 100 %: at 0 the vessel is full of water.",
            'Write vapour_share = "10 %".',
        )
    if not 0 <= headspace.closing_temperature < 95:
        yield _problem(
            "closing-temperature",
            "headspace.closing_temperature",
            f"{headspace.closing_temperature:g} °C is not a temperature to fill and close at.",
            "It must lie between 0 and 95 °C.",
        )


def _burst_problems(rig: Rig) -> Iterator[Problem]:
    """Yield a problem if relief leaves no pressure that keeps water of 100 °C liquid."""
    lowest = float(minimum_pressure_bara(rig, 100.0))
    for device in _reliefs(rig):
        most = _ratio_bara(rig, device) - _above_set_bar(rig)
        if most < lowest:
            opening, most_, lowest_ = (
                float(rig.shown(np.asarray(p))) for p in (device.lowest_bara, most, lowest)
            )
            yield _problem(
                "burst-too-low",
                device.key,
                f"the {device.name} may open from {_down(opening)} {rig.shown_unit}, which with "
                f"its operating ratio and the allowances lets the rig be set to at most "
                f"{_down(most_)} {rig.shown_unit}; keeping water of 100 °C liquid takes "
                f"{_up(lowest_)}.",
                "Compare it with the certificate: it is below, or too near, any working pressure.",
            )


# --------------------------------------------------------------------------- runs and verdicts


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
    cell.
    """

    limits: tuple[Limit, ...]
    value: FloatArray
    allowed: FloatArray
    margin: FloatArray
    notices: tuple[Notice, ...] = ()
    explain: Callable[[int, int], str] | None = field(default=None, repr=False, compare=False)

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
            return f"{limit.title}: does not apply to this run."
        if self.explain is not None:
            return self.explain(i, j)
        value, allowed = _pair(self.value[i, j], self.allowed[i, j], limit, 2)
        return f"{limit.title}: {value}, {limit.sense} {allowed}."


_LIMITS: dict[str, tuple[str, str, Literal["at least", "at most"], bool]] = {
    "temperature-max": ("Hottest water within the rig's limit", "°C", "at most", False),
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
    "heater-power": ("Heater duty", "W", "at most", True),
    "cooler-power": ("Cooler duty", "W", "at most", True),
    "feed-bottle": ("Feed bottle lasts, so the pump draws no air", "mL", "at most", True),
    "collector-fill": ("Collection vessel takes the batch", "mL", "at most", True),
    "drains": ("Drains during the run", "drains", "at most", False),
    "missed-drain": ("Overflow is caught if a drain is missed", "mL", "at most", True),
}
"""Every limit: title, unit ("shown" is a pressure as the rig shows it), sense, common practice."""


@dataclass(frozen=True, slots=True)
class _Check:
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

    def limit(self, rig: Rig) -> Limit:
        title, unit, sense, practice = _LIMITS[self.code]
        return Limit(self.code, title, rig.shown_unit if unit == "shown" else unit, sense, practice)


@dataclass(frozen=True, slots=True)
class _State:
    """What every check needs of n runs, each property worked out once; pressures absolute.

    In headspace mode `pressure`, `low` and `high` are the pressure that results.
    """

    rig: Rig
    use: Literal["flow", "liquid-full", "headspace"]
    temperature: FloatArray
    hot: FloatArray
    wall: FloatArray
    time: FloatArray
    flow: FloatArray | None
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


def envelope(rig: Rig, conditions: Conditions) -> Envelope:
    """Return the verdict of every limit on n runs.

    Parameters
    ----------
    rig
        A rig for which `problems` finds nothing in this mode.
    conditions
        The n runs.

    Returns
    -------
    Envelope
        Each property of water is worked out once for all runs; sentences only when asked for.

    Raises
    ------
    InfeasibleError
        A temperature below 0 °C.
    ValueError
        Conditions that do not fit the mode, or are not finite.
    """
    state = _state(rig, conditions)
    checks = tuple(_checks(state))
    limits = tuple(check.limit(rig) for check in checks)
    shape = (len(state), len(checks))
    value, allowed = np.empty(shape), np.empty(shape)
    margin = np.empty(shape)
    for j, check in enumerate(checks):
        value[:, j], allowed[:, j] = check.value, check.allowed
        room = value[:, j] - allowed[:, j]
        room = room if limits[j].sense == "at least" else -room
        room[np.abs(room) <= _ROUNDING * (1 + np.abs(allowed[:, j]))] = 0.0
        applies = np.ones(len(state), np.bool_) if check.applies is None else check.applies
        if not np.isfinite(room[applies]).all():
            raise RuntimeError(f"{check.code} has no finite margin")  # pragma: no cover
        margin[:, j] = np.where(applies, room, np.nan)

    def explain(i: int, j: int) -> str:
        cell = value[i, j], allowed[i, j], margin[i, j]
        return _explain(state, checks[j], limits[j], i, *cell)

    for table in (value, allowed, margin):
        table.flags.writeable = False
    return Envelope(limits, value, allowed, margin, _notices(state), explain)


def liquid_state(rig: Rig, conditions: Conditions) -> tuple[str, ...]:
    """Return for each run how its water stands: liquid, too close, may boil, or boils.

    It *boils* below saturation at set values, *may boil* within overshoot and swing, and is *too
    close* inside the margin. With a headspace there is no margin: ``"saturated"``.
    """
    state = _state(rig, conditions)
    if state.use == "headspace":
        return ("saturated",) * len(state)
    return tuple(_word(state, i) or "liquid" for i in range(len(state)))


def _state(rig: Rig, conditions: Conditions) -> _State:
    use = _use(conditions)
    T, time = _runs(conditions, "temperature_C"), _runs(conditions, "time_min")
    if (T < 0).any():
        raise InfeasibleError.of(
            "frozen", f"{T.min():g} °C is below 0 °C: water is ice.", "Raise the temperature."
        )
    hot = T + rig.temperature_overshoot + rig.temperature_sensor_error
    wall = hot + rig.heater.wall_excess
    boils_set, boils_wall = _boils_bara(rig, T), _boils_bara(rig, wall)
    if use == "headspace":
        P = pumped = high = low = headspace_pressure_bara(rig, T)
    else:
        P = _runs(conditions, "pressure_bara")
        low = P - rig.pressure_swing - rig.pressure_gauge_error
        pumped = P + _above_set_bar(rig)
        high = _swung(rig, T, pumped, boils_set) if use == "liquid-full" else pumped
    flow = _runs(conditions, "flow_mL_min") if use == "flow" else None
    return _State(rig, use, T, hot, wall, time, flow, P, low, pumped, high, boils_set, boils_wall)


def _use(conditions: Conditions) -> Literal["flow", "liquid-full", "headspace"]:
    if conditions.mode == "flow":
        return "flow"
    if conditions.batch_kind is None:
        raise ValueError("batch mode needs batch_kind: liquid-full or headspace")
    if conditions.batch_kind == "headspace" and conditions.pressure_bara is not None:
        raise ValueError("with a headspace pressure is a result: leave pressure_bara out")
    return conditions.batch_kind


def _runs(conditions: Conditions, name: str) -> FloatArray:
    """Return a setting as (n,) finite floats."""
    values = getattr(conditions, name)
    if values is None:
        raise ValueError(f"{name} is missing from the conditions")
    n = len(np.atleast_1d(conditions.temperature_C))
    array = np.broadcast_to(np.asarray(values, dtype=np.float64), (n,))
    if not np.isfinite(array).all():
        raise ValueError(f"{name} holds values that are not finite numbers")
    return array


# ------------------------------------------------------------------------------- boiling


def _boils_bara(rig: Rig, T: FloatArray) -> FloatArray:
    """Return the pressure [bara] at which water, or the mixture, boils; at 350 °C beyond that.

    Between bubble points the straight line is taken: it lies above the true, hollow curve. Pure
    water's pressure is never undercut.
    """
    pure = water.saturation_pressure_bara(np.clip(T, 0.0, water.WATER_TEMPERATURE_MAX_C))
    if rig.co_solvent is None:
        return pure
    temperatures, pressures = _bubble_points(rig)
    return np.maximum(pure, np.interp(T, temperatures, pressures))


def _boils_C(rig: Rig, P: FloatArray) -> FloatArray:
    """Return the temperature [°C] at which water, or the mixture, boils; at most 350 °C."""
    pure = _water_boils_C(P)
    if rig.co_solvent is None:
        return pure
    temperatures, pressures = _bubble_points(rig)
    return np.minimum(pure, np.interp(P, pressures, temperatures, left=0.0))


def _water_boils_C(P: FloatArray) -> FloatArray:
    ends = water.saturation_pressure_bara([0.0, water.WATER_TEMPERATURE_MAX_C])
    return water.saturation_temperature_C(np.clip(P, ends[0], ends[1]))


def _bubble_points(rig: Rig) -> tuple[list[float], list[float]]:
    assert rig.co_solvent is not None
    points = rig.co_solvent.bubble_points
    return [T for T, _ in points], [rig.bara(P) for _, P in points]


def _boiling_known_C(rig: Rig) -> float:
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
    wall = np.asarray(temperature_C, dtype=np.float64) + _above_set_K(rig)
    cooled = wall + rig.liquid_subcooling
    needed = np.maximum(_boils_bara(rig, wall) + rig.liquid_margin, _boils_bara(rig, cooled))
    lowest = needed + rig.pressure_swing + rig.pressure_gauge_error
    return np.asarray(np.where(cooled > _boiling_known_C(rig), np.inf, lowest))


def maximum_temperature_C(rig: Rig, pressure_bara: npt.ArrayLike) -> FloatArray:
    """Return the highest set temperature [°C] that surely leaves water of a set pressure liquid.

    The inverse of `minimum_pressure_bara`; minus infinity where no temperature will do.

    Parameters
    ----------
    pressure_bara : array_like
        Set pressure [bara].
    """
    low = np.asarray(pressure_bara, dtype=np.float64) - (
        rig.pressure_swing + rig.pressure_gauge_error
    )
    under_margin = _boils_C(rig, low - rig.liquid_margin)
    hottest = np.minimum(under_margin, _boils_C(rig, low) - rig.liquid_subcooling)
    highest = np.minimum(hottest, _boiling_known_C(rig) - rig.liquid_subcooling)
    highest = highest - _above_set_K(rig)
    coldest = _boils_bara(rig, np.asarray(0.0))
    none = (highest < 0) | (low - rig.liquid_margin < coldest)
    return np.asarray(np.where(none, -np.inf, highest))


def pressure_ceiling_bara(rig: Rig, temperature_C: npt.ArrayLike) -> FloatArray:
    """Return the highest set pressure [bara] that every part allows at a set temperature.

    Vessel (with its share), relief (with its operating ratio), pump and regulator, less all that
    may come on top of the set pressure; minus infinity beyond the vessel's rated temperatures.
    What a temperature swing adds with the outlet shut is not in it: see `envelope`.

    Parameters
    ----------
    temperature_C : array_like
        Set temperature [°C].
    """
    metal = np.asarray(temperature_C, dtype=np.float64) + _above_set_K(rig)
    most = rig.vessel.pressure_share * (
        _rating_bara(rig, metal) - rig.atmospheric_pressure_bara
    ) + (rig.atmospheric_pressure_bara)
    fixed = [_ratio_bara(rig, device) for device in _reliefs(rig)]
    fixed += [rig.bara(part.pressure_max) for part in (rig.pump, rig.regulator) if part]
    ceiling = np.minimum(most, min(fixed, default=np.inf)) - _above_set_bar(rig)
    if rig.regulator is not None:
        ceiling = np.minimum(ceiling, _regulator_bara(rig, rig.regulator)[1])
    return np.asarray(np.where(metal > rig.vessel.rating[-1][0], -np.inf, ceiling))


def _above_set_K(rig: Rig) -> float:
    """Return how much hotter than set the hottest wall may be [K]."""
    return rig.temperature_overshoot + rig.temperature_sensor_error + rig.heater.wall_excess


def _above_set_bar(rig: Rig) -> float:
    """Return how much higher than set the pumped pressure may be [bar]."""
    return (
        rig.pressure_swing
        + rig.pressure_gauge_error
        + (rig.pressure_pulsation or 0.0)
        + (rig.bed_pressure_drop or 0.0)
    )


def _rating_bara(rig: Rig, metal: FloatArray) -> FloatArray:
    """Return the vessel's rating [bara]; beyond the last temperature that of the last."""
    pairs = rig.vessel.rating
    return np.asarray(np.interp(metal, [T for T, _ in pairs], [rig.bara(P) for _, P in pairs]))


# ------------------------------------------------------------------------------ relief


@dataclass(frozen=True, slots=True)
class _Relief:
    """A disc or a valve, in the same words; pressures absolute."""

    name: str
    key: str
    part: str
    marked_bara: float
    lowest_bara: float
    tolerance: float
    ratio: float
    temperature: float
    service_temperature: float | None


def _reliefs(rig: Rig) -> tuple[_Relief, ...]:
    found = []
    if (disc := rig.disc) is not None:
        found.append(
            _Relief(
                "rupture disc",
                "disc.burst_pressure",
                "disc",
                rig.bara(disc.burst_pressure),
                rig.share_of(1 - disc.burst_tolerance, disc.burst_pressure),
                disc.burst_tolerance,
                disc.operating_ratio,
                disc.burst_temperature,
                disc.service_temperature,
            )
        )
    if (valve := rig.valve) is not None:
        found.append(
            _Relief(
                "relief valve",
                "valve.set_pressure",
                "valve",
                rig.bara(valve.set_pressure),
                rig.share_of(1 - valve.set_tolerance, valve.set_pressure),
                valve.set_tolerance,
                valve.operating_ratio,
                valve.temperature_max,
                valve.service_temperature,
            )
        )
    return tuple(found)


def _lowest_opening(rig: Rig) -> _Relief:
    return min(_reliefs(rig), key=lambda device: device.lowest_bara)


def _ratio_bara(rig: Rig, device: _Relief) -> float:
    """Return the highest working pressure [bara] by the device's operating ratio."""
    atmosphere = rig.atmospheric_pressure_bara
    return device.ratio * (device.lowest_bara - atmosphere) + atmosphere


# ------------------------------------------------------------------------ shut and full


@dataclass(frozen=True, slots=True)
class ClosedIn:
    """What follows if a run is shut in while hot and full of liquid; arrays (n,).

    Attributes
    ----------
    rise_K
        Heating that takes the set pressure to the relief's lowest opening [K]; 0 where the
        pressure is there already or the water boils at set values, NaN with a headspace.
    opening_bara
        The relief's lowest opening [bara].
    after_1K_bara, after_2K_bara, after_3K_bara
        Pressure after that much heating if nothing opens [bara]; NaN where it is not known (not
        liquid, beyond 350 °C, above 1000 bara) or with a headspace.
    """

    rise_K: FloatArray
    opening_bara: float
    after_1K_bara: FloatArray
    after_2K_bara: FloatArray
    after_3K_bara: FloatArray


def closed_in(rig: Rig, conditions: Conditions) -> ClosedIn:
    """Return what heating a shut-in, liquid-full rig leads to, in flow and in batch mode.

    Integrated at constant density from the set pressure, with rigid walls: a real rig yields a
    little, so it rises less steeply. Pure water, whatever the co-solvent.
    """
    opening = _lowest_opening(rig).lowest_bara
    T = _runs(conditions, "temperature_C")
    if _use(conditions) == "headspace":
        nothing = np.full(T.shape, np.nan)
        return ClosedIn(nothing, opening, nothing, nothing, nothing)
    P = _runs(conditions, "pressure_bara")
    boils = _boils_bara(rig, T)
    one, two, three = (_heated(T, P, boils, rise) for rise in (1.0, 2.0, 3.0))
    return ClosedIn(_rise_to_K(T, P, boils, opening), opening, one, two, three)


def _liquid_place(T: FloatArray, P: FloatArray, boils: FloatArray) -> BoolArray:
    return np.asarray(
        (boils <= P) & (T <= water.WATER_TEMPERATURE_MAX_C) & (P <= water.WATER_PRESSURE_MAX_BARA)
    )


def _heated(T: FloatArray, P: FloatArray, boils: FloatArray, rise: float) -> FloatArray:
    """Return the pressure [bara] after heating by `rise` [K] when shut, NaN if not known."""
    after = np.full(T.shape, np.nan)
    known = _liquid_place(T, P, boils) & (T + rise <= water.WATER_TEMPERATURE_MAX_C)
    known &= P + rise * CLOSED_IN_SLOPE_MAX_BAR_K < water.WATER_PRESSURE_MAX_BARA
    if known.any():
        after[known] = water.pressure_after_heating_bara(T[known], P[known], T[known] + rise)
    return after


def _rise_to_K(T: FloatArray, P: FloatArray, boils: FloatArray, opening: float) -> FloatArray:
    """Return the heating [K] at constant density that takes P to `opening`; 0 if not liquid."""
    rise = np.zeros(T.shape)
    opening = min(opening, water.WATER_PRESSURE_MAX_BARA)
    place = np.flatnonzero(_liquid_place(T, P, boils) & (opening > P))
    if not len(place):
        return rise
    T, P = T[place], P[place]
    hottest = float(_water_boils_C(np.asarray(opening)))
    reached = water.liquid_density_kg_m3(T, P) > water.liquid_density_kg_m3(hottest, opening)
    # Where 350 °C comes first the heating up to there is a safe lower bound.
    found = water.WATER_TEMPERATURE_MAX_C - T
    if reached.any():
        ends = water.temperature_at_pressure_C(T[reached], P[reached], opening)
        found[reached] = ends - T[reached]
    rise[place] = found
    return rise


def _swung(rig: Rig, T: FloatArray, pumped: FloatArray, boils: FloatArray) -> FloatArray:
    """Return the highest pressure [bara] of a shut vessel whose temperature swings."""
    swing = rig.temperature_swing or 0.0
    after = _heated(T, pumped, boils, swing)
    steepest = pumped + swing * CLOSED_IN_SLOPE_MAX_BAR_K
    return np.asarray(np.maximum(np.where(np.isnan(after), steepest, after), pumped))


def headspace_pressure_bara(rig: Rig, temperature_C: npt.ArrayLike) -> FloatArray:
    """Return the highest pressure [bara] of a batch with a gas space at a set temperature.

    Saturation at the hottest point plus the gas pad (air if none),
    P = Psat(T) + P₀ (T/T₀) V_gas,cold/V_gas,hot in kelvin. All water is taken as liquid, which
    leaves the gas the least room. Where it fills the vessel, 1000 bara stand for a pressure that
    nothing here bears. Gas given off by the material is not in it.

    Parameters
    ----------
    temperature_C : array_like
        Set temperature [°C].
    """
    headspace = rig.headspace
    assert headspace is not None
    hottest = np.asarray(temperature_C, dtype=np.float64) + _above_set_K(rig)
    T = np.clip(hottest, 0.0, water.WATER_TEMPERATURE_MAX_C)
    free = rig.vessel.volume - headspace.solids_volume
    cold_gas = free - headspace.cold_water
    swollen = _cold_water_g(headspace) / water.saturated_liquid_density_kg_m3(T) * 1000
    hot_gas = free - swollen
    closed = rig.atmospheric_pressure_bara
    if headspace.pad_pressure is not None:
        closed = rig.bara(headspace.pad_pressure)
    warmer = (hottest + 273.15) / (headspace.closing_temperature + 273.15)
    pressure = _boils_bara(rig, hottest) + closed * warmer * cold_gas / np.maximum(hot_gas, 1e-9)
    return np.asarray(np.minimum(pressure, water.WATER_PRESSURE_MAX_BARA))


def _cold_water_g(headspace: Headspace) -> float:
    density = water.liquid_density_kg_m3(
        headspace.closing_temperature, water.ATMOSPHERIC_PRESSURE_BARA
    )
    return float(density) * headspace.cold_water / 1000


# ------------------------------------------------------------------------------- checks


def _checks(state: _State) -> Iterator[_Check]:
    """Yield every check of the mode, those that can hurt somebody first."""
    yield from _temperature_checks(state)
    if state.use != "headspace":
        yield from _liquid_checks(state)
    yield from _vessel_checks(state)
    yield from _relief_checks(state)
    if state.use == "liquid-full":
        yield _closed_in_check(state)
    if state.use == "headspace":
        yield _cold_fill_check(state)
    yield from _pump_checks(state)
    if state.use == "flow":
        if state.rig.regulator is not None:
            yield from _regulator_checks(state, state.rig.regulator)
        yield from _heat_checks(state)
    yield from _water_checks(state)


def _temperature_checks(state: _State) -> Iterator[_Check]:
    rig = state.rig
    over = _allowances(
        (rig.temperature_overshoot, "K overshoot"), (rig.temperature_sensor_error, "K sensor error")
    )
    walls = _allowances(
        (rig.temperature_overshoot, "K overshoot"),
        (rig.temperature_sensor_error, "K sensor error"),
        (rig.heater.wall_excess, "K at the heater's wall"),
    )

    def at_most(allowed: float, above: float) -> Callable[[int], str]:
        return lambda i: f"Set at most {_down(allowed - above, 0)} °C."

    yield _Check(
        "temperature-max",
        state.hot,
        rig.temperature_max,
        f"the water may reach {{value}}{over}",
        "the rig's temperature_max is {allowed}",
        at_most(rig.temperature_max, rig.temperature_overshoot + rig.temperature_sensor_error),
    )
    known = _boiling_known_C(rig)
    reason = "the tool's limit" if rig.co_solvent is None else "the last bubble point given"
    yield _Check(
        "boiling-known",
        state.wall,
        known,
        f"the hottest point may reach {{value}}{walls}",
        f"{reason} is {{allowed}}",
        at_most(known, _above_set_K(rig)),
    )
    rated = rig.vessel.rating[-1][0]
    yield _Check(
        "metal-temperature",
        state.wall,
        rated,
        f"the hottest metal may reach {{value}}{walls}",
        "the vessel's rating ends at {allowed} and is not extrapolated",
        at_most(rated, _above_set_K(rig)),
    )


def _liquid_checks(state: _State) -> Iterator[_Check]:
    rig = state.rig
    known = np.asarray(state.temperature <= _boiling_known_C(rig))
    yield _Check(
        "liquid-margin",
        state.low - state.boils_wall,
        rig.liquid_margin,
        "the lowest pressure clears boiling at the hottest point by {value}",
        "the margin is {allowed}",
        lambda i: "",
        applies=known,
        words=lambda i, kept: "" if kept else _boiling_words(state, i),
    )
    yield _Check(
        "liquid-subcooling",
        _boils_C(rig, state.low) - state.wall,
        rig.liquid_subcooling,
        "the hottest point stays below boiling at the lowest pressure by {value}",
        "the subcooling is {allowed}",
        lambda i: "",
        applies=known,
        words=lambda i, kept: "" if kept else _boiling_words(state, i),
    )


def _word(state: _State, i: int) -> str:
    """Return in which of three ways run `i` is not safely liquid, or nothing."""
    if state.pressure[i] < state.boils_set[i] or state.temperature[i] > _boiling_known_C(state.rig):
        return "boils"
    if state.low[i] < state.boils_wall[i] or state.wall[i] > _boiling_known_C(state.rig):
        return "may boil"
    lowest = minimum_pressure_bara(state.rig, state.temperature[i])
    return "too close" if state.pressure[i] < lowest - _ROUNDING * (1 + lowest) else ""


_VERDICTS = {
    "boils": "boils",
    "may boil": "may boil",
    "too close": "is too close to boiling",
    "": "stays liquid",
}


def _boiling_words(state: _State, i: int) -> str:
    """Return what is wrong, what it takes, and both cures: pressures up, temperatures down."""
    rig, unit = state.rig, state.rig.shown_unit
    needed = minimum_pressure_bara(rig, state.temperature[i])
    boils = float(rig.shown(state.boils_set[i]))
    allowances = _listed(
        (rig.temperature_overshoot, "K overshoot"),
        (rig.temperature_sensor_error, "K sensor error"),
        (rig.heater.wall_excess, "K at the heater's wall"),
        (rig.pressure_swing, "bar swing"),
        (rig.pressure_gauge_error, "bar gauge error"),
    )
    margin = f"a margin of {rig.liquid_margin:g} bar and {rig.liquid_subcooling:g} K"
    takes = "no pressure is known to do"
    if np.isfinite(needed):
        takes = f"it takes {_up(float(rig.shown(needed)))} {unit}"
    return (
        f"{state.here(i)} {_VERDICTS[_word(state, i)]}: saturation there is {_up(boils)} {unit}, "
        f"and with {allowances + ' and ' if allowances else ''}{margin} {takes}. "
        f"{_boiling_cure(state, i, float(needed))}"
    )


def _boiling_cure(state: _State, i: int, needed: float) -> str:
    rig, T = state.rig, state.temperature[i]
    highest = float(maximum_temperature_C(rig, state.pressure[i]))
    stay = f"stay at or below {_down(highest, 0)} °C" if math.isfinite(highest) else ""
    if needed <= pressure_ceiling_bara(rig, T):
        return f"Raise the pressure, or {stay}." if stay else "Raise the pressure."
    refused = f"The rig does not allow that pressure at {T:.5g} °C"
    if math.isinf(needed):
        refused = f"Boiling is known up to {_boiling_known_C(rig):g} °C"
    return f"{refused}: {stay}." if stay else f"{refused}: lower the temperature."


def _vessel_checks(state: _State) -> Iterator[_Check]:
    rig = state.rig
    rating = _rating_bara(rig, state.wall)
    atmosphere = rig.atmospheric_pressure_bara
    high = rig.shown(state.high)
    rated = _rated(state)
    finding = f"the highest pressure is {{value}}{_pressure_allowances(state)}"
    yield _Check(
        "vessel-pressure",
        high,
        rig.shown(rating),
        finding,
        "the vessel is rated for {allowed} at its hottest metal",
        _pressure_cure(state, rating),
        applies=rated,
    )
    share = rig.vessel.pressure_share
    used = share * (rating - atmosphere) + atmosphere
    yield _Check(
        "vessel-share",
        high,
        rig.shown(used),
        finding,
        f"{100 * share:g} % of the vessel's rating at its hottest metal is {{allowed}}",
        _pressure_cure(state, used),
        applies=rated,
    )


def _rated(state: _State) -> BoolArray:
    """Return where the vessel has a rating at all; elsewhere its metal temperature fails."""
    return np.asarray(state.wall <= state.rig.vessel.rating[-1][0] + _ROUNDING)


def _relief_checks(state: _State) -> Iterator[_Check]:
    rig = state.rig
    high = rig.shown(state.high)
    finding = f"the highest pressure is {{value}}{_pressure_allowances(state)}"
    first = _lowest_opening(rig)
    yield _Check(
        "relief-opening",
        high,
        float(rig.shown(np.asarray(first.lowest_bara))),
        finding,
        f"the {first.name} may open from {{allowed}}",
        _pressure_cure(state, first.lowest_bara),
    )
    for device in _reliefs(rig):
        most = _ratio_bara(rig, device)
        yield _Check(
            f"{device.part}-operating-ratio",
            high,
            float(rig.shown(np.asarray(most))),
            finding,
            f"{100 * device.ratio:g} % of the {device.name}'s lowest opening is {{allowed}}",
            _pressure_cure(state, most),
        )
        service = device.service_temperature
        yield _Check(
            f"{device.part}-temperature",
            state.wall if service is None else service,
            device.temperature,
            f"the {device.name} may reach {{value}}"
            + (
                " (no service_temperature given: taken as the hottest metal)"
                if service is None
                else ""
            ),
            "its certificate holds up to {allowed} and is not derated here",
            lambda i: "Lower the temperature, or get its figures for the higher temperature.",
        )
    lowest_marked = min(device.marked_bara for device in _reliefs(rig))
    yield _Check(
        "relief-set",
        float(rig.shown(np.asarray(lowest_marked))),
        rig.shown(_rating_bara(rig, state.wall)),
        "the lowest relief is marked {value}",
        "the vessel is rated for {allowed} at its hottest metal",
        lambda i: "Lower the temperature, or fit a relief with a lower marked pressure.",
        applies=_rated(state),
    )


def _closed_in_check(state: _State) -> _Check:
    rig = state.rig
    first = _lowest_opening(rig)
    swing = rig.temperature_swing or 0.0
    return _Check(
        "closed-in-rise",
        _rise_to_K(state.temperature, state.pumped, state.boils_set, first.lowest_bara),
        swing,
        f"with the outlet shut, {{value}} of heating opens the {first.name}"
        f"{_pressure_allowances(state, thermal=False)}",
        "the temperature swings by {allowed}",
        lambda i: "Lower the pressure, or hold the temperature more steadily.",
    )


def _cold_fill_check(state: _State) -> _Check:
    rig, headspace = state.rig, state.rig.headspace
    assert headspace is not None
    free = rig.vessel.volume - headspace.solids_volume
    hottest = np.clip(state.wall, headspace.closing_temperature, water.WATER_TEMPERATURE_MAX_C)
    most = 100 * water.max_cold_fill_fraction(
        hottest, headspace.vapour_share, headspace.closing_temperature
    )
    return _Check(
        "cold-fill",
        100 * headspace.cold_water / free,
        most,
        f"{headspace.cold_water:g} mL of cold water fill {{value}} of the {free:g} mL beside the "
        "solids",
        f"{{allowed}} leaves {100 * headspace.vapour_share:g} % gas space at the hottest point",
        lambda i: f"Fill in at most {_down(float(most[i]) * free / 100, 0)} mL.",
    )


def _pump_checks(state: _State) -> Iterator[_Check]:
    rig, pump = state.rig, state.rig.pump
    if pump is None or state.use == "headspace":
        return
    most = rig.bara(pump.pressure_max)
    yield _Check(
        "pump-pressure",
        rig.shown(state.pumped),
        float(rig.shown(np.asarray(most))),
        f"the pump may have to work against {{value}}{_pressure_allowances(state, thermal=False)}",
        "its highest pressure is {allowed}",
        lambda i: f"Set at most {_set_at_most(rig, most)}.",
    )
    if state.flow is None:
        return
    span = pump.flow_max - pump.flow_min
    low, high = pump.flow_min + pump.usable_low * span, pump.flow_min + pump.usable_high * span
    for code, sense, allowed, share in (
        ("pump-flow-low", "at least", low, pump.usable_low),
        ("pump-flow-high", "at most", high, pump.usable_high),
    ):
        end = _up(allowed, 2) if sense == "at least" else _down(allowed, 2)
        yield _Check(
            code,
            state.flow,
            allowed,
            "the flow is {value}",
            f"the pump is used from {100 * pump.usable_low:g} to {100 * pump.usable_high:g} % of "
            f"its range; {100 * share:g} % is {{allowed}}",
            _constant(f"Set the flow to {sense} {end} mL/min."),
            decimals=2,
        )


def _regulator_checks(state: _State, regulator: Regulator) -> Iterator[_Check]:
    rig, unit = state.rig, state.rig.shown_unit
    assert state.flow is not None
    most = rig.bara(regulator.pressure_max)
    yield _Check(
        "regulator-pressure",
        rig.shown(state.high),
        float(rig.shown(np.asarray(most))),
        f"the highest pressure is {{value}}{_pressure_allowances(state)}",
        "the regulator's range ends at {allowed}",
        _pressure_cure(state, most),
    )
    low, high = _regulator_bara(rig, regulator)
    for code, sense, bara in (
        ("regulator-low", "at least", low),
        ("regulator-high", "at most", high),
    ):
        allowed = float(rig.shown(np.asarray(bara)))
        end = _up(allowed) if sense == "at least" else _down(allowed)
        yield _Check(
            code,
            rig.shown(state.pressure),
            allowed,
            "the regulator is set to {value}",
            f"it is used from {100 * regulator.usable_low:g} to {100 * regulator.usable_high:g} % "
            f"of its range, here {sense} {{allowed}}",
            _constant(f"Set {sense} {end} {unit}."),
        )
    yield _Check(
        "regulator-flow",
        state.flow,
        regulator.flow_max,
        "the flow is {value}",
        "the regulator passes {allowed}",
        _constant(f"Set the flow to at most {_down(regulator.flow_max, 2)} mL/min."),
        decimals=2,
    )


def _regulator_bara(rig: Rig, regulator: Regulator) -> tuple[float, float]:
    """Return the ends of the regulator's usable range [bara]."""
    low, high = rig.bara(regulator.pressure_min), rig.bara(regulator.pressure_max)
    return low + regulator.usable_low * (high - low), low + regulator.usable_high * (high - low)


def _heat_checks(state: _State) -> Iterator[_Check]:
    rig, flow = state.rig, state.flow
    assert flow is not None
    enthalpy = water.liquid_enthalpy_kJ_kg(*_as_liquid(state))
    heat = _heater_W(state, enthalpy)
    allowed = rig.heater.use_share * rig.heater.power

    def slower(needed: FloatArray, most: float) -> Callable[[int], str]:
        return lambda i: (
            "Lower the temperature, or the flow to at most "
            f"{_down(float(flow[i] * most / needed[i]), 2)} mL/min."
        )

    yield _Check(
        "heater-power",
        heat,
        allowed,
        f"heating the water takes {{value}} at {100 * rig.heater.efficiency:g} % efficiency",
        f"{100 * rig.heater.use_share:g} % of the heater's {rig.heater.power:g} W is {{allowed}}",
        slower(heat, allowed),
        decimals=0,
    )
    if (cooler := rig.cooler) is None:
        return
    cold = water.liquid_enthalpy_kJ_kg(cooler.outlet_max, _as_liquid(state)[1])
    taken = np.maximum(_feed_g_s(rig, flow) * (enthalpy - cold), 0.0)
    yield _Check(
        "cooler-power",
        taken,
        cooler.power,
        f"cooling the extract to {cooler.outlet_max:g} °C takes {{value}}",
        "the cooler takes away {allowed}",
        slower(taken, cooler.power),
        decimals=0,
    )


def _water_checks(state: _State) -> Iterator[_Check]:
    """Yield the checks of feed bottle and collection vessel."""
    rig, collector = state.rig, state.rig.collector
    used = _water_mL(state)
    if rig.feed_bottle is not None and state.use != "headspace":
        yield _feed_check(state, rig.feed_bottle, used)
    if collector is None:
        return
    drained_at = collector.fill_share * collector.volume
    if state.use != "flow":
        yield _Check(
            "collector-fill",
            used,
            drained_at,
            "{value} of water leave the vessel",
            f"{100 * collector.fill_share:g} % of the collection vessel is {{allowed}}",
            lambda i: "Use a larger collection vessel or less water.",
            decimals=0,
        )
        return
    drains = _drains(used, drained_at)
    yield _Check(
        "drains",
        drains,
        float(collector.drains_max),
        "drains of the collection vessel: {value}",
        "possible: {allowed}",
        lambda i: _shorter(state, i, (collector.drains_max + 1) * drained_at),
        decimals=0,
    )
    flow_left = np.minimum(drained_at, np.maximum(used - drained_at, 0.0))
    contents = rig.vessel.volume * (rig.vessel.void_fraction or 1.0)
    needed = contents + flow_left
    yield _Check(
        "missed-drain",
        needed,
        collector.volume - drained_at + collector.catch_volume,
        "if a drain is missed, {value} more arrive (the vessel's contents and the next interval)",
        "collection vessel and catch have {allowed} left then",
        lambda i: "Fit a larger catch, or shorten the run so that no drain is needed.",
        decimals=0,
        applies=np.asarray(drains > 0),
    )


def _feed_check(state: _State, bottle: FeedBottle, used: FloatArray) -> _Check:
    parts = "heat-up, run, cool-down and flush" if state.use == "flow" else "filling"

    def cure(i: int) -> str:
        if state.use != "flow":
            return "Use a larger bottle."
        return _shorter(state, i, (bottle.volume - bottle.heel) / (1 + bottle.reserve))

    return _Check(
        "feed-bottle",
        used * (1 + bottle.reserve) + bottle.heel,
        bottle.volume,
        f"{parts} take {{value}} with {100 * bottle.reserve:g} % reserve and a heel of "
        f"{bottle.heel:g} mL",
        "the bottle holds {allowed}",
        cure,
        decimals=0,
    )


def _shorter(state: _State, i: int, water_mL: float) -> str:
    """Return the cure of a run that needs too much water."""
    assert state.flow is not None
    others = float(_pumping_min(state)[i] - state.time[i])
    longest = water_mL / float(state.flow[i]) - others
    if longest <= 0:
        return "Lower the flow: heat-up, cool-down and flush alone are too much."
    return f"Run for at most {_down(longest)} min at this flow, or lower the flow."


# -------------------------------------------------------------------------------- words


def _explain(
    state: _State,
    check: _Check,
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
    with_flow = state.flow is not None and limit.unit in ("mL/min", "mL", "W", "drains")
    here = state.here_with_flow(i) if with_flow else state.here(i)
    text = f"{here}: {check.finding.format(value=shown)}; {check.rule.format(allowed=bound)}"
    if kept:
        unit = limit.unit.removesuffix(" gauge").removesuffix(" absolute")
        return f"{text}. Kept, with {_down(margin, check.decimals)} {unit} in hand."
    return f"{text}. {check.cure(i)}".rstrip()


def _pair(value: float, allowed: float, limit: Limit, decimals: int) -> tuple[str, str]:
    """Return value and allowed as text, each rounded to the strict side."""
    if limit.sense == "at least":
        texts = _down(value, decimals), _up(allowed, decimals)
    else:
        texts = _up(value, decimals), _down(allowed, decimals)
    unit = "" if limit.unit == "drains" else f" {limit.unit}"
    return texts[0] + unit, texts[1] + unit


def _up(value: float, decimals: int = 1) -> str:
    """Return a requirement, rounded up.

    >>> _up(31.41), _up(31.4), _down(190.9, 0)
    ('31.5', '31.4', '190')
    """
    return _rounded(value, decimals, math.ceil)


def _down(value: float, decimals: int = 1) -> str:
    """Return a permission, rounded down."""
    return _rounded(value, decimals, math.floor)


def _rounded(value: float, decimals: int, way: Callable[[float], int]) -> str:
    scaled = value * 10**decimals
    nearest = round(scaled)
    whole = nearest if abs(scaled - nearest) < 1e-6 else way(scaled)
    text = f"{whole / 10**decimals:.{decimals}f}".replace("-", "−")
    return text.rstrip("0").rstrip(".") if decimals else text


def _listed(*allowances: tuple[float, str]) -> str:
    """Return the allowances that are not zero: ``"5 K overshoot, 2 bar swing"``."""
    return ", ".join(f"{amount:g} {words}" for amount, words in allowances if amount)


def _allowances(*allowances: tuple[float, str]) -> str:
    listed = _listed(*allowances)
    return f" ({listed} included)" if listed else ""


def _pressure_allowances(state: _State, thermal: bool = True) -> str:
    rig = state.rig
    if state.use == "headspace":
        return " (vapour and gas pad at the hottest point)"
    swing = rig.temperature_swing or 0.0
    return _allowances(
        (rig.pressure_swing, "bar swing"),
        (rig.pressure_pulsation or 0.0, "bar pulsation"),
        (rig.bed_pressure_drop or 0.0, "bar over the bed"),
        (rig.pressure_gauge_error, "bar gauge error"),
        (swing if thermal and state.use == "liquid-full" else 0.0, "K temperature swing"),
    )


def _pressure_cure(state: _State, ceiling_bara: FloatArray | float) -> Callable[[int], str]:
    """Return the cure of a pressure too high, in the words of the mode."""
    if state.use == "headspace":
        return _constant("Lower the temperature, the water filled in, or the gas pad.")
    if state.use == "liquid-full":
        return _constant("Lower the pressure, or hold the temperature more steadily.")
    ceilings = np.broadcast_to(np.asarray(ceiling_bara), state.pressure.shape)
    return lambda i: f"Set at most {_set_at_most(state.rig, float(ceilings[i]))}."


def _set_at_most(rig: Rig, ceiling_bara: float) -> str:
    shown = float(rig.shown(np.asarray(ceiling_bara - _above_set_bar(rig))))
    return f"{_down(shown)} {rig.shown_unit}"


def _constant(text: str) -> Callable[[int], str]:
    return lambda i: text


# ------------------------------------------------------------------------------ notices


def _notices(state: _State) -> tuple[Notice, ...]:
    rig = state.rig
    found = [
        Notice("part-none", f'{part} = "none": {_UNCHECKED[part]}.')
        for part in _NEEDED_OR_NONE[state.use]
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
    if rig.co_solvent is not None:
        found.append(
            Notice(
                "co-solvent",
                f"With {rig.co_solvent.name}, boiling follows the bubble points given "
                f"({rig.co_solvent.source}); heat, density and the climb of a shut-in rig are "
                "those of pure water and were not checked for the mixture.",
            )
        )
    return tuple(found)


def _headspace_notices(rig: Rig) -> tuple[Notice, ...]:
    headspace = rig.headspace
    assert headspace is not None
    pad = "air at the atmosphere's pressure" if headspace.pad_pressure is None else "the gas pad"
    return (
        Notice(
            "gas-evolved",
            f"The pressure counts vapour and {pad}. Gas given off by the material comes on top "
            "and is not counted: watch the gauge on heating up.",
        ),
        Notice(
            "no-liquid-margin",
            "With a headspace the water is at its boiling point, held only by what gas lies above "
            "it: without a gas pad there is no liquid margin, and any leak or venting makes it "
            "boil.",
        ),
    )


# --------------------------------------------------------------------- derived quantities


def run_minutes(rig: Rig, conditions: Conditions) -> FloatArray:
    """Return the length of each run [min], from loading to the next loading (n,)."""
    T, time = _runs(conditions, "temperature_C"), _runs(conditions, "time_min")
    ramps = _heat_up_min(rig, T) + _cool_down_min(rig, T)
    return np.asarray(ramps + time + (rig.flush_time or 0.0) + rig.turnaround_time)


def drain_minutes(rig: Rig, conditions: Conditions) -> tuple[FloatArray, ...]:
    """Return for each run when the collection vessel has to be drained [min].

    Counted from the start of heat-up, when the water begins to flow; none without a collection
    vessel or in batch mode.
    """
    state = _state(rig, conditions)
    if rig.collector is None or state.flow is None:
        return (np.zeros(0),) * len(state)
    drained_at = rig.collector.fill_share * rig.collector.volume
    counts = _drains(_water_mL(state), drained_at)
    return tuple(
        np.asarray(np.arange(1.0, count + 0.5) * drained_at / flow, dtype=np.float64)
        for count, flow in zip(counts.tolist(), state.flow.tolist(), strict=True)
    )


def derived(rig: Rig, conditions: Conditions) -> Mapping[str, FloatArray]:
    """Return what follows from each run's settings, as columns (n,) with their unit in the name.

    ``heat_up_min``, ``cool_down_min``, ``run_minutes``, ``water_mL`` (drawn cold, ramps and flush
    included), ``severity_log10`` (ramps included), ``relative_permittivity``, ``energy_kWh``,
    ``closed_in_rise_K`` (not with a headspace), the highest pressure as the rig shows it; in flow
    mode also ``residence_time_min``, ``heater_W``, ``cooler_W`` and ``cooler_outlet_C`` (with a
    cooler), ``superficial_velocity_mm_min`` (with the bed's diameter), ``drains`` and
    ``drain_every_min`` (with a collection vessel). ``water_to_solid_g_g`` (run only, dry mass)
    needs the bed's mass.

    Notes
    -----
    Properties are pure water's, at set values; where water would boil they are those of saturated
    liquid. The energy counts what the heater draws for the water, half of it while heating up,
    and for the metal if the vessel's heat capacity is given; pumping and losses are left out.
    """
    state = _state(rig, conditions)
    T, P = _as_liquid(state)
    suffix = "barg" if rig.pressure_reading == "gauge" else "bara"
    columns: dict[str, FloatArray] = {
        "heat_up_min": _heat_up_min(rig, state.temperature),
        "cool_down_min": _cool_down_min(rig, state.temperature),
        "run_minutes": run_minutes(rig, conditions),
        "water_mL": _water_mL(state),
        "severity_log10": _severity_log10(rig, state.temperature, state.time),
        "relative_permittivity": water.relative_permittivity(T, P),
        f"highest_pressure_{suffix}": rig.shown(state.high),
    }
    if state.use != "headspace":
        opening = _lowest_opening(rig).lowest_bara
        columns["closed_in_rise_K"] = _rise_to_K(
            state.temperature, state.pressure, state.boils_set, opening
        )
    enthalpy = water.liquid_enthalpy_kJ_kg(T, P)
    columns |= _flow_columns(state, enthalpy) if state.use == "flow" else {}
    columns["energy_kWh"] = _energy_kWh(state, enthalpy)
    if conditions.bed_mass_g is not None:
        columns["water_to_solid_g_g"] = _run_water_g(state) / _runs(conditions, "bed_mass_g")
    return columns


def _flow_columns(state: _State, enthalpy: FloatArray) -> dict[str, FloatArray]:
    rig, flow = state.rig, state.flow
    assert flow is not None
    T, P = _as_liquid(state)
    density = water.liquid_density_kg_m3(T, P)
    feed = _feed_g_s(rig, flow)
    with np.errstate(divide="ignore", invalid="ignore"):
        hot_flow = feed * 60 / density * 1000  # mL/min
        columns = {
            "residence_time_min": rig.vessel.volume
            * (rig.vessel.void_fraction or np.nan)
            / hot_flow,
            "heater_W": _heater_W(state, enthalpy),
        }
        if rig.vessel.inner_diameter is not None:
            area = math.pi / 4 * rig.vessel.inner_diameter**2  # mm²
            columns["superficial_velocity_mm_min"] = hot_flow * 1000 / area
        if rig.cooler is not None:
            cold = water.liquid_enthalpy_kJ_kg(rig.cooler.outlet_max, P)
            columns["cooler_W"] = np.maximum(feed * (enthalpy - cold), 0.0)
            columns["cooler_outlet_C"] = _outlet_C(
                rig.cooler, enthalpy - rig.cooler.power / feed, P
            )
        if rig.collector is not None:
            drained_at = rig.collector.fill_share * rig.collector.volume
            columns["drains"] = _drains(_water_mL(state), drained_at)
            columns["drain_every_min"] = drained_at / flow
    return columns


def _as_liquid(state: _State) -> tuple[FloatArray, FloatArray]:
    """Return temperature and pressure moved to the nearest liquid state that the tables know."""
    T = np.minimum(state.temperature, water.WATER_TEMPERATURE_MAX_C)
    boils = state.boils_set if state.rig.co_solvent is None else water.saturation_pressure_bara(T)
    lowest = np.maximum(boils, water.ATMOSPHERIC_PRESSURE_BARA)  # feed and cold extract are liquid
    return T, np.clip(state.pressure, lowest, water.WATER_PRESSURE_MAX_BARA)


def _feed_g_s(rig: Rig, flow: FloatArray) -> FloatArray:
    """Return the mass flow [g/s] of cold water metered by the pump [mL/min]."""
    density = water.liquid_density_kg_m3(rig.feed_temperature, water.ATMOSPHERIC_PRESSURE_BARA)
    return np.asarray(float(density) / 1000 * flow / 60)


def _heater_W(state: _State, enthalpy: FloatArray) -> FloatArray:
    """Return the heater's duty at set values [W]: ṁ (h(T, P) − h(T_in, P))/η."""
    assert state.flow is not None
    fed = water.liquid_enthalpy_kJ_kg(state.rig.feed_temperature, _as_liquid(state)[1])
    rise = np.maximum(enthalpy - fed, 0.0)
    return np.asarray(_feed_g_s(state.rig, state.flow) * rise / state.rig.heater.efficiency)


def _outlet_C(cooler: Cooler, enthalpy: FloatArray, P: FloatArray) -> FloatArray:
    """Return the temperature [°C] of liquid of an enthalpy [kJ/kg], not below the coolant's."""
    coldest = water.liquid_enthalpy_kJ_kg(cooler.coolant_temperature, P)
    wanted = np.maximum(enthalpy, coldest)
    low = np.full(P.shape, cooler.coolant_temperature)
    high = _water_boils_C(P)
    for _ in range(30):  # halves 350 K down to a millionth
        middle = (low + high) / 2
        above = water.liquid_enthalpy_kJ_kg(middle, P) > wanted
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return np.asarray(high)


def _pumping_min(state: _State) -> FloatArray:
    """Return how long water is pumped in flow mode [min]: heat-up, run, cool-down and flush."""
    rig, T = state.rig, state.temperature
    ramps = _heat_up_min(rig, T) + _cool_down_min(rig, T)
    return np.asarray(ramps + state.time + (rig.flush_time or 0.0))


def _water_mL(state: _State) -> FloatArray:
    """Return the cold water that a run takes [mL]."""
    if state.flow is not None:
        return np.asarray(state.flow * _pumping_min(state))
    return np.full(len(state), _batch_water_mL(state.rig, state.use))


def _batch_water_mL(rig: Rig, use: str) -> float:
    """Return the water of one batch [mL]; a liquid-full vessel holds most of it when cold."""
    if use == "headspace":
        assert rig.headspace is not None
        return rig.headspace.cold_water
    return rig.vessel.volume * (rig.vessel.void_fraction or 1.0)


def _run_water_g(state: _State) -> FloatArray:
    """Return the water that meets the solids during the run itself [g]."""
    rig = state.rig
    if state.flow is not None:
        return np.asarray(_feed_g_s(rig, state.flow) * 60 * state.time)
    if state.use == "headspace":
        assert rig.headspace is not None
        return np.full(len(state), _cold_water_g(rig.headspace))
    density = water.liquid_density_kg_m3(*_as_liquid(state))
    return np.asarray(density / 1000 * _batch_water_mL(rig, state.use))


def _drains(used: FloatArray, drained_at: float) -> FloatArray:
    """Return ⌈water / interval⌉ − 1: the vessel is emptied after the run anyway."""
    return np.asarray(np.maximum(np.ceil(used / drained_at - _ROUNDING) - 1, 0.0))


def _heat_up_min(rig: Rig, T: FloatArray) -> FloatArray:
    return np.asarray(np.maximum(T - rig.start_temperature, 0.0) / rig.heat_up_rate)


def _cool_down_min(rig: Rig, T: FloatArray) -> FloatArray:
    return np.asarray(np.maximum(T - rig.unload_temperature, 0.0) / rig.cool_down_rate)


def _severity_log10(rig: Rig, T: FloatArray, time: FloatArray) -> FloatArray:
    """Return log₁₀ of ∫exp((T − 100)/14.75) dt [min] over heat-up, run and cool-down.

    Overend and Chornet 1987. A linear ramp of r K/min from T₀ adds (14.75/r)(1 − exp(−(T −
    T₀)/14.75)) minutes at the set temperature; by convention only what lies above 100 °C counts.
    """
    step = SEVERITY_STEP_K
    minutes = time.astype(np.float64)
    for rate, end in (
        (rig.heat_up_rate, rig.start_temperature),
        (rig.cool_down_rate, rig.unload_temperature),
    ):
        above = np.maximum(T - max(end, SEVERITY_BASE_C), 0.0)
        minutes = minutes + step / rate * -np.expm1(-above / step)
    with np.errstate(divide="ignore"):
        severity = (T - SEVERITY_BASE_C) / (step * math.log(10)) + np.log10(minutes)
    return np.asarray(np.where(minutes > 0, severity, np.nan))


def _energy_kWh(state: _State, enthalpy: FloatArray) -> FloatArray:
    """Return what the heater draws in a run [kWh], for the water and the metal it is told of."""
    rig, T = state.rig, state.temperature
    if state.flow is not None:
        hot = state.time + _heat_up_min(rig, T) / 2
        drawn = _heater_W(state, enthalpy) * hot * 60 / 1000  # kJ
    else:
        fed = water.liquid_enthalpy_kJ_kg(rig.start_temperature, _as_liquid(state)[1])
        rise = np.maximum(enthalpy - fed, 0.0)
        drawn = _run_water_g(state) / 1000 * rise / rig.heater.efficiency
    metal = (rig.vessel.heat_capacity or 0.0) * np.maximum(T - rig.start_temperature, 0.0)
    return np.asarray((drawn + metal / rig.heater.efficiency) / 3600)
