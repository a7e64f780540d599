"""Numbers as text."""

from __future__ import annotations

import doctest
import math

import pytest

from doe import digits


def test_bearing_against_gum_7_2_2_mass_example() -> None:
    """GUM (JCGM 100:2008), 7.2.2: m = 100,021 47 g with u = 0,35 mg (quoted from memory)."""
    assert digits.bearing(100.02147, 0.00035) == "100.02147"


@pytest.mark.parametrize(
    ("value", "error", "text"),
    [
        (10.05762, 0.027, "10.058"),  # GUM 7.2.6: 10,057 62 Ω with u = 27 mΩ becomes 10,058 Ω
        (-0.0004, 0.1, "0.00"),
        (123456.0, 4321.0, "123456"),
        (math.nan, 1.0, "not known"),
        (2.5, 0.0, "2.5"),
        (-3.2, None, "−3.2"),
    ],
)
def test_bearing_keeps_what_the_error_bears(value: float, error: float | None, text: str) -> None:
    assert digits.bearing(value, error) == text


def test_small_and_nearly_whole_shares_are_not_rounded_away() -> None:
    assert digits.percent(1e-9).startswith("under 1")
    assert digits.percent(0.9999).startswith("over 99")
    assert digits.percent(0.0).startswith("0")
    assert digits.percent(1.0).startswith("100")


def test_shown_drops_characters_that_reorder_text_and_keeps_the_rest() -> None:
    assert digits.shown("a\u202eb\x00c\nd 🌾 שלום") == "abc d 🌾 שלום"


def test_examples_in_docstrings() -> None:
    tried = doctest.testmod(digits)
    assert tried.attempted >= 5
    assert tried.failed == 0
