"""The `[rig]` section as a person writes it: parts, their keys, and which defaults are practice."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Annotated, Any, Literal, TypeAlias

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from doe.quantities import (
    Count,
    Diameter,
    FlowRate,
    HeatCapacity,
    Mass,
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

FloatArray: TypeAlias = npt.NDArray[np.float64]
BoolArray: TypeAlias = npt.NDArray[np.bool_]
IntArray: TypeAlias = npt.NDArray[np.int8]
Mode = Literal["flow", "batch"]
BatchKind = Literal["liquid-full", "headspace"]
Table: TypeAlias = tuple[tuple[Temperature, Pressure], ...]


def _practice(default: Any, meaning: str, unit: str = "", safer: str = "") -> Any:
    """Return a field whose default is common practice: editable, and labelled as such.

    `safer` tells on which side of the default a value is the more careful one, "more" or "less".
    """
    extra: dict[str, Any] = {"common_practice": True, "unit": unit, "safer": safer}
    return Field(default, description=meaning, json_schema_extra=extra)


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
    pressure_share: Share = _practice(0.9, "share of the rating that a run may use", "%", "less")
    void_fraction: Share | None = _key(
        "share of the volume that water fills when the bed is loaded; for flow and liquid-full",
        default=None,
    )
    inner_diameter: Diameter | None = _key("inside diameter of the bed", default=None)
    heat_capacity: HeatCapacity | None = _key(
        "of the metal that is heated with it: energy of a run, heater in batch, heat-up time",
        default=None,
    )
    bed_mass_max: Mass | None = _key(
        "most dry material that it takes, with room to swell", default=None
    )
    particle_size: Diameter | None = _key(
        "finest particles of the cut, for the pressure drop of a clean bed; flow", default=None
    )
    bed_voidage: Share = _practice(
        0.3, "share of the bed between its particles, for its pressure drop", "%", "less"
    )


class Disc(_Section):
    """`[rig.disc]`: a rupture disc, with the figures of its certificate."""

    burst_pressure: PressureText = _key("marked burst pressure")
    burst_temperature: Temperature = _key("temperature at which the burst pressure is stated")
    burst_tolerance: Share = _key("scatter about the marked pressure, as a share of it")
    operating_ratio: Share = _practice(
        0.7, "highest working pressure over lowest burst pressure, by type of disc", "%", "less"
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
        0.9, "highest working pressure over lowest opening pressure", "%", "less"
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
    usable_low: Share = _practice(
        0.1, "share of flow_max below which flow is not trusted", "%", "more"
    )
    usable_high: Share = _practice(
        0.9, "share of flow_max above which flow is not trusted", "%", "less"
    )

    def usable_mL_min(self) -> tuple[float, float]:
        """Return the least and the highest flow that a run may use [mL/min].

        Shares of the largest flow, never below the pump's own least, to 0.01 mL/min on the strict
        side: what a person reads is what is held.
        """
        least = max(self.flow_min, self.usable_low * self.flow_max)
        most = self.usable_high * self.flow_max
        return math.ceil(100 * least - 1e-6) / 100, math.floor(100 * most + 1e-6) / 100


class Regulator(_Section):
    """`[rig.regulator]`: the back-pressure regulator behind the cooler."""

    pressure_min: PressureText = _key("low end of its range")
    pressure_max: PressureText = _key("high end of its range")
    flow_max: FlowRate = _key("highest flow it can pass")
    usable_low: Share = _practice(
        0.1, "share of the range below which it does not hold well", "%", "more"
    )
    usable_high: Share = _practice(
        0.9, "share of the range above which it does not hold well", "%", "less"
    )


class Heater(_Section):
    """`[rig.heater]`: what heats the water: preheater in flow mode, jacket or band in batch."""

    power: Power = _key("rated power")
    efficiency: Share = _key("share of the power that reaches the water")
    wall_excess: TemperatureDifference = _key("how much hotter its wall is than the hottest water")
    use_share: Share = _practice(
        0.8, "share of the rated power that a run may ask for", "%", "less"
    )


class Cooler(_Section):
    """`[rig.cooler]`: what cools the extract before the pressure is let down."""

    power: Power = _key("heat it takes away at its rated coolant flow")
    outlet_max: Temperature = _practice(
        40.0, "highest temperature of the cooled extract", "°C", "less"
    )
    coolant_temperature: Temperature = _practice(20.0, "of the coolant that comes in", "°C")


class Collector(_Section):
    """`[rig.collector]`: the cold vessel that the extract runs into."""

    volume: Volume = _key("volume of the collection vessel")
    catch_volume: Volume = _key('free volume that catches an overflow; "0 mL" if there is none')
    drains_max: Count = _key("how often it can be drained during a run")
    fill_share: Share = _practice(0.8, "share of the volume at which it is drained", "%", "less")


class FeedBottle(_Section):
    """`[rig.feed_bottle]`: the bottle that the pump draws from."""

    volume: Volume = _key("volume when full")
    heel: Volume = _key("what the pump cannot draw without air")
    reserve: Share = _practice(0.2, "water held ready beyond what the run needs", "%", "more")
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
        0.1, "share of the free volume that must stay gas when the water has swollen", "%", "more"
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
        "of the pump's strokes, either way from the mean; flow and liquid-full", default=None
    )
    bed_pressure_drop: PressureDifference | None = _key(
        "highest allowed over the bed; flow", default=None
    )
    liquid_margin: PressureDifference = _practice(
        5.0, "lowest pressure above saturation at the hottest point", "bar", "more"
    )
    liquid_subcooling: TemperatureDifference = _practice(
        10.0, "hottest point below boiling at the lowest pressure", "K", "more"
    )
    heat_up_rate: TemperatureRate | None = _key(
        "as measured, over the whole way up; else worked out from heater and heat_capacity",
        default=None,
    )
    cool_down_rate: TemperatureRate = _key("as measured, down to unloading")
    start_temperature: Temperature = _practice(20.0, "from which it is heated up", "°C")
    unload_temperature: Temperature = _practice(50.0, "below which it is opened", "°C", "less")
    flush_time: Minutes | None = _key(
        "water pumped through after the run, at its flow; flow", default=None
    )
    turnaround_time: Minutes = _key("to unload, clean and load again")
    relief_arrangement: Literal["parallel", "series"] | None = _key(
        "how disc and valve stand to each other, if there are both", default=None
    )
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
    """Return the keys that stand at common practice, written so or left out, with their value."""
    return tuple(
        (key, _with_unit(value, unit))
        for key, value, usual, unit, _ in _practice_of(rig, "")
        if math.isclose(value, usual)
    )


def looser_than_practice(rig: Rig) -> tuple[tuple[str, str, str], ...]:
    """Return key, value and customary value of what is less careful than common practice."""
    return tuple(
        (key, _with_unit(value, unit), _with_unit(usual, unit))
        for key, value, usual, unit, safer in _practice_of(rig, "")
        if not math.isclose(value, usual) and safer == ("more" if value < usual else "less")
    )


def _practice_of(section: BaseModel, prefix: str) -> Iterator[tuple[str, float, float, str, str]]:
    """Yield key, value, customary value, unit and safer side of what has a customary value."""
    for name, info in type(section).model_fields.items():
        value = getattr(section, name)
        extra = info.json_schema_extra
        if isinstance(value, BaseModel):
            yield from _practice_of(value, f"{prefix}{name}.")
        elif isinstance(extra, dict) and extra.get("common_practice"):
            numbers = [v.bar if isinstance(v, Pressure) else v for v in (value, info.default)]
            yield f"{prefix}{name}", numbers[0], numbers[1], str(extra["unit"]), str(extra["safer"])


def _with_unit(number: float, unit: str) -> str:
    return f"{100 * number if unit == '%' else number:.6g} {unit}"


ROUNDING = 1e-9
"""Relative and absolute [bar, K, mL] slack for sums of decimals."""
