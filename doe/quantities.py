"""Quantities as people write them, read into the one fixed set of units used inside.

Text with a unit comes in (``"250 mL"``, ``"80 barg"``, ``"180 degC"``); a float in the fixed unit
(°C, K, bar, mL/min, min, g, mL, W, mm) goes on. The units that labs write every day stand in a
table here, since pint's registry takes longer to load than a campaign file to read; pint does the
algebra of all others. The number itself is read here, because pint takes ``"4,5 bar"`` for 45 bar.
The annotated types below are what the models of the campaign file are made of, so reading happens
once, at that boundary.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BeforeValidator

if TYPE_CHECKING:
    import pint

__all__ = [
    "BARG_AND_BARA",
    "FLOW",
    "IN_CELSIUS",
    "MASS",
    "MINUTES",
    "PRESSURE_DIFFERENCE",
    "TEMPERATURE",
    "TEMPERATURE_DIFFERENCE",
    "WATER_TO_SOLID",
    "Count",
    "Diameter",
    "FlowRate",
    "HeatCapacity",
    "Kind",
    "Mass",
    "Minutes",
    "Power",
    "Pressure",
    "PressureDifference",
    "QuantityError",
    "Share",
    "Temperature",
    "TemperatureDifference",
    "TemperatureRate",
    "Volume",
    "read_as_written",
    "read_number",
    "read_pressure",
    "read_quantity",
    "unit_slug",
]

IN_CELSIUS: Mapping[str, Callable[[float], float]] = {
    "kelvin": lambda kelvin: kelvin - 273.15,
    "°F": lambda fahrenheit: (fahrenheit - 32.0) / 1.8,
}
"""Units in which a bare number may stand for a temperature in place of °C, with what it is then."""

Reference = Literal["shown", "gauge", "absolute"]
BARG_AND_BARA: dict[str, Reference] = {"g": "gauge", "a": "absolute"}

_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)(?![\d.,])\s*(.*)", re.DOTALL)
_PRESSURE_UNIT = re.compile(r"(bar|psi|kPa|MPa)\s*(?:\(?(g|a)\)?|(gauge|absolute|abs))$")
_SLUGS = {"%": "pct", "°C": "C", "degC": "C", "µ": "u", "μ": "u", "°": "deg"}


class QuantityError(ValueError):
    """A quantity that cannot be read: what was found, and what to write instead."""

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(f"{what} {remedy}")
        self.what = what
        self.remedy = remedy


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of quantity: its fixed unit, what it is called, and how one is written."""

    unit: str
    noun: str
    example: str
    minimum: float = 0.0
    above_minimum: bool = False
    maximum: float = math.inf


TEMPERATURE = Kind("degC", "a temperature", '"180 degC"', minimum=-math.inf)
TEMPERATURE_DIFFERENCE = Kind("K", "a temperature difference", '"5 K"')
RATE = Kind("K/min", "a heating or cooling rate", '"4 K/min"', above_minimum=True)
PRESSURE_DIFFERENCE = Kind("bar", "a pressure difference", '"5 bar"')
FLOW = Kind("mL/min", "a flow", '"4 mL/min"')
MINUTES = Kind("min", "a time", '"30 min"')
MASS = Kind("g", "a mass", '"12 g"', above_minimum=True)
VOLUME = Kind("mL", "a volume", '"250 mL"')
POWER = Kind("W", "a power", '"800 W"', above_minimum=True)
DIAMETER = Kind("mm", "a length", '"25 mm"', above_minimum=True)
HEAT_CAPACITY = Kind("kJ/K", "a heat capacity", '"1.2 kJ/K"', above_minimum=True)
WATER_TO_SOLID = Kind("mL/g", "a water-to-solid ratio", '"30 mL/g"', above_minimum=True)
SHARE = Kind("", "a share", '"25 %"', maximum=1.0)


_EVERYDAY: dict[str, dict[str, float]] = {
    "degC": {"degC": 1.0, "°C": 1.0},
    "K": {"K": 1.0, "degC": 1.0, "°C": 1.0},
    "K/min": {"K/min": 1.0, "degC/min": 1.0, "°C/min": 1.0},
    "bar": {"bar": 1.0, "MPa": 10.0, "kPa": 0.01},
    "mL/min": {"mL/min": 1.0, "ml/min": 1.0, "L/min": 1000.0},
    "min": {"min": 1.0, "h": 60.0, "s": 1 / 60},
    "g": {"g": 1.0, "kg": 1000.0, "mg": 0.001},
    "mL": {"mL": 1.0, "ml": 1.0, "L": 1000.0},
    "W": {"W": 1.0, "kW": 1000.0},
    "mm": {"mm": 1.0, "cm": 10.0, "m": 1000.0},
    "kJ/K": {"kJ/K": 1.0, "J/K": 0.001},
    "mL/g": {"mL/g": 1.0, "ml/g": 1.0},
    "": {"%": 0.01},
}
"""Fixed unit: how many of it one of each everyday unit is."""

_DEGREES = {("C", "degC"): '"{:g} degC"', ("F", "degC"): '"{:g} degF"'}
"""How a number is written whose unit, as it stands, is of electric charge or capacitance."""


@cache
def _registry() -> pint.UnitRegistry[Any]:
    import pint

    return pint.UnitRegistry()


def _split(text: object, noun: str, example: str) -> tuple[float, str]:
    """Return number and unit text of ``"4.5 mL/min"``."""
    if isinstance(text, bool) or not isinstance(text, (str, int, float)):
        raise QuantityError(f"found {text!r}, expected {noun}.", f"Write it as {example}.")
    if isinstance(text, (int, float)):
        number, unit = float(text), ""
    else:
        match = _NUMBER.fullmatch(text.strip())
        if match is None:
            hint = " with a decimal point, not a comma," if "," in text else ""
            raise QuantityError(
                f'"{text}" is not {noun}.', f"Write a number{hint} and a unit, as {example}."
            )
        number, unit = float(match[1]), match[2].strip()
    if not math.isfinite(number):
        raise QuantityError(f"{text!r} is not a finite number.", f"Write it as {example}.")
    return number, unit


def _convert(number: float, unit: str, target: str, noun: str, example: str) -> float:
    """Return `number` in `target`, refusing a unit of another dimension."""
    if unit in _EVERYDAY.get(target, {}):
        return number * _EVERYDAY[target][unit]
    if unit == target == "%":
        return number
    import pint

    registry = _registry()
    asked = unit.replace("°C", "degC").replace("°F", "degF").replace("%", "percent")
    if target in ("K", "K/min"):  # a difference of 1 °C is 1 K
        asked = re.sub(r"\bdegC\b|\bC\b", "K", asked)
        asked = re.sub(r"\bdegF\b|\bF\b", "delta_degF", asked)
    try:
        # autoconvert_to_preferred is off: what is written is what is converted
        quantity = registry.Quantity(number, registry.parse_units(asked))
        return float(quantity.to(target or "dimensionless").magnitude)
    except pint.DimensionalityError:
        raise QuantityError(
            f'"{number:g} {unit}" is not {noun}: the unit is of another kind.',
            f"Write it as {_DEGREES.get((unit, target), example).format(number)}.",
        ) from None
    except (
        pint.UndefinedUnitError,
        pint.DefinitionSyntaxError,
        AttributeError,
        ValueError,
        TypeError,
        AssertionError,
    ):
        raise QuantityError(
            f'the unit "{unit}" is not known.', f"Write {noun} as {example}."
        ) from None


def read_quantity(text: object, kind: Kind) -> float:
    """Return a quantity in the fixed unit of its kind.

    Parameters
    ----------
    text
        What the file holds, e.g. ``"250 mL"``. Bare numbers are taken for shares and counts only.
    kind
        The kind that is wanted.

    Raises
    ------
    QuantityError
        No number, no unit, a unit of another dimension, or a value outside the kind's bounds.
    """
    number, unit = _split(text, kind.noun, kind.example)
    if not unit and kind.unit:
        raise QuantityError(
            f'"{text}" has no unit, expected {kind.noun}.',
            f"Write the unit too: {_with_unit(number, kind)}, if that is meant.",
        )
    value = _convert(number, unit, kind.unit, kind.noun, kind.example) if unit else number
    if kind.above_minimum and value <= kind.minimum:
        raise QuantityError(f"{text!r} must be above zero.", f"Write it as {kind.example}.")
    if value < kind.minimum:
        raise QuantityError(f"{text!r} is negative.", f"Write it as {kind.example}.")
    if value > kind.maximum:
        raise QuantityError(f"{text!r} is more than the whole.", f"Write it as {kind.example}.")
    return value


def _with_unit(number: float, kind: Kind) -> str:
    """Return how a number that stands alone may be meant, in the units people use for its kind."""
    usual = kind.example.strip('"').split(" ", 1)[1]
    units = ("min", "h") if kind.unit == "min" else (usual,)
    return " or ".join(f'"{number:g} {unit}"' for unit in units)


def read_as_written(text: object, unit: str | None = None) -> tuple[float, str]:
    """Return number and unit of a quantity of any dimension, converted to `unit` when given.

    For factors that the tool has no fixed unit for: the unit of the range's low end is kept and
    the other keys follow it. A plain number has the unit ``""``.
    """
    example = f'"0.5 {unit}"' if unit else "0.5"
    number, found = _split(text, "a number", example)
    if unit is None:
        if found:
            _convert(number, found, found, "a number with a unit", '"0.5 mm"')
        return number, found
    if found == unit:
        return number, unit
    if not found:
        raise QuantityError(f'"{text}" has no unit.', f"Write it as {example}, like `low`.")
    return _convert(number, found, unit, f"a quantity in {unit}", example), unit


def read_number(text: object) -> float:
    """Return a plain number; text in the file's notation is taken too."""
    number, unit = _split(text, "a number", "0.5")
    if unit:
        raise QuantityError(f'"{text}" has a unit, expected a plain number.', "Leave the unit out.")
    return number


@dataclass(frozen=True, slots=True)
class Pressure:
    """A pressure in bar and what it is measured from: vacuum, air, or what the rig shows."""

    bar: float
    reference: Reference = "shown"

    def absolute(self, reading: str, atmospheric_bar: float) -> float:
        """Return bar absolute, given what the rig's reading means and the site's atmosphere."""
        reference = reading if self.reference == "shown" else self.reference
        return self.bar + atmospheric_bar if reference == "gauge" else self.bar

    def shown(self, reading: str, atmospheric_bar: float) -> float:
        """Return bar as the rig shows it."""
        if self.reference in ("shown", reading):
            return self.bar
        return self.bar + (atmospheric_bar if reading == "absolute" else -atmospheric_bar)


def read_pressure(text: object) -> Pressure:
    """Return a pressure; ``barg`` and ``bara`` (psig, psia, …) say what it is measured from.

    Raises
    ------
    QuantityError
        No number, no unit, another dimension, or below zero.
    """
    if isinstance(text, Pressure):
        return text
    noun, example = "a pressure", '"50 bar", "50 barg" or "50 bara"'
    number, unit = _split(text, noun, example)
    if not unit:
        raise QuantityError(
            f'"{text}" has no unit, expected a pressure.',
            f'If it is in bar, write "{number:g} bar" for what the rig shows, or "{number:g} barg" '
            f'or "{number:g} bara".',
        )
    match = _PRESSURE_UNIT.fullmatch(unit)
    reference: Reference = "shown"
    if match is not None:
        unit = match[1]
        reference = BARG_AND_BARA[(match[2] or match[3])[0]]
    value = _convert(number, unit, "bar", noun, example)
    if value < 0:
        raise QuantityError(f"{text!r} is below zero.", f"Write it as {example}.")
    return Pressure(value, reference)


def unit_slug(unit: str) -> str:
    """Return a unit as it stands in column and key names: ``"mg GAE/g"`` → ``"mg_GAE_g"``.

    >>> unit_slug("degC"), unit_slug("mL/min"), unit_slug("%")
    ('C', 'mL_min', 'pct')
    """
    for sign, letters in _SLUGS.items():
        unit = unit.replace(sign, letters)
    return re.sub(r"[^A-Za-z0-9]+", "_", unit).strip("_")


def _reader(kind: Kind) -> BeforeValidator:
    """Return the validator of an annotated type; a float from Python code is in the fixed unit."""

    def read(value: object) -> float:
        if isinstance(value, float) and math.isfinite(value):
            return read_quantity(f"{value!r} {kind.unit}".strip(), kind)
        return read_quantity(value, kind)

    return BeforeValidator(read)


Temperature = Annotated[float, _reader(TEMPERATURE)]
TemperatureDifference = Annotated[float, _reader(TEMPERATURE_DIFFERENCE)]
TemperatureRate = Annotated[float, _reader(RATE)]
PressureDifference = Annotated[float, _reader(PRESSURE_DIFFERENCE)]
FlowRate = Annotated[float, _reader(FLOW)]
Minutes = Annotated[float, _reader(MINUTES)]
Mass = Annotated[float, _reader(MASS)]
Volume = Annotated[float, _reader(VOLUME)]
Power = Annotated[float, _reader(POWER)]
Diameter = Annotated[float, _reader(DIAMETER)]
HeatCapacity = Annotated[float, _reader(HEAT_CAPACITY)]
Share = Annotated[float, _reader(SHARE)]
Count = Annotated[int, BeforeValidator(lambda value: _whole(value))]


def _whole(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        number = value if isinstance(value, str) and value.strip().isdecimal() else "12"
        raise QuantityError(f"found {value!r}, expected a whole number.", f"Write it as {number}.")
    return value
