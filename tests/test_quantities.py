"""Quantities as people write them."""

from __future__ import annotations

from typing import Any

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe import quantities as q

PSI_BAR = 6.894757e-2
"""NIST SP 811 (2008), appendix B.8: psi in pascal, 6.894757 E+03."""


@pytest.fixture(scope="module")
def registry() -> pint.UnitRegistry[Any]:
    return pint.UnitRegistry()


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("120 degC", q.TEMPERATURE, 120.0),
        ("393.15 K", q.TEMPERATURE, 120.0),
        ("212 degF", q.TEMPERATURE, 100.0),  # boiling water, by definition of the scales
        ("9 degF", q.TEMPERATURE_DIFFERENCE, 5.0),
        ("5 °C", q.TEMPERATURE_DIFFERENCE, 5.0),
        ("3 degC/min", q.RATE, 3.0),
        ("1.2 L/h", q.FLOW, 20.0),
        ("1.5 h", q.MINUTES, 90.0),
        ("0.5 kg", q.MASS, 500.0),
        ("25 %", q.SHARE, 0.25),
    ],
)
def test_a_quantity_arrives_in_the_fixed_unit(text, kind, value):
    assert q.read_quantity(text, kind) == pytest.approx(value, rel=1e-12)


EVERYDAY = [(unit, fixed) for fixed, units in q._EVERYDAY.items() for unit in units]


@pytest.mark.parametrize(("unit", "fixed"), EVERYDAY)
@given(number=st.floats(-1e4, 1e4))
def test_everyday_units_are_worth_what_the_unit_library_says(
    registry: pint.UnitRegistry[Any], unit: str, fixed: str, number: float
) -> None:
    written = unit.replace("°C", "degC").replace("%", "percent")
    if fixed.startswith("K"):  # a difference of 1 °C is 1 K
        written = written.replace("degC", "delta_degC")
    quantity = registry.Quantity(number, registry.parse_units(written))
    expected = quantity.to(fixed or "dimensionless").magnitude
    assert q._convert(number, unit, fixed, "a number", "1") == pytest.approx(expected, rel=1e-14)


@pytest.mark.parametrize(
    ("text", "kind", "words"),
    [
        ("4,5 mL/min", q.FLOW, "decimal point"),
        ("120", q.TEMPERATURE, "no unit"),
        ("5 bar", q.TEMPERATURE, "another kind"),
        ("5 furlongz", q.FLOW, "not known"),
        ("-3 min", q.MINUTES, "negative"),
        ("0 g", q.MASS, "above zero"),
        ("130 %", q.SHARE, "more than the whole"),
        (True, q.MINUTES, "expected a time"),
        ("1e999 min", q.MINUTES, "not a finite number"),
        ("", q.FLOW, "not a flow"),
    ],
)
def test_what_is_not_the_quantity_is_refused_with_a_way_to_write_it(text, kind, words):
    with pytest.raises(q.QuantityError, match=words) as caught:
        q.read_quantity(text, kind)
    unit = kind.example.strip('"').split(" ")[1]  # a bare number gets its own back, with the unit
    assert (f'"{text} {unit}"' if words == "no unit" else kind.example) in caught.value.remedy


@pytest.mark.parametrize(
    ("text", "reference", "bar"),
    [
        ("50 bar", "shown", 50.0),
        ("50 barg", "gauge", 50.0),
        ("50 bara", "absolute", 50.0),
        ("50 bar(g)", "gauge", 50.0),
        ("50 bar abs", "absolute", 50.0),
        ("100 psig", "gauge", 100 * PSI_BAR),
        ("5 MPa", "shown", 50.0),
    ],
)
def test_a_pressure_remembers_what_it_is_measured_from(text, reference, bar):
    pressure = q.read_pressure(text)
    assert pressure.reference == reference
    assert pressure.bar == pytest.approx(bar, rel=1e-6)


@given(st.floats(0, 500), st.sampled_from(["gauge", "absolute"]), st.floats(0.6, 1.1))
def test_gauge_and_absolute_differ_by_the_atmosphere_and_never_mix(bar, reading, atmosphere):
    gauge, absolute = q.Pressure(bar, "gauge"), q.Pressure(bar, "absolute")
    assert gauge.absolute(reading, atmosphere) - absolute.absolute(reading, atmosphere) == (
        pytest.approx(atmosphere)
    )
    shown = q.Pressure(gauge.shown(reading, atmosphere))
    assert shown.absolute(reading, atmosphere) == pytest.approx(gauge.absolute(reading, atmosphere))
