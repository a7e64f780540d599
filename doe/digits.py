"""Numbers as text, with the digits they can bear.

An estimate is written to the second significant digit of its standard error, which is as far as
the data speak: GUM (JCGM 100:2008), 7.2.6.
"""

from __future__ import annotations

import math
import re

__all__ = [
    "amount_between",
    "bearing",
    "between",
    "p_text",
    "percent",
    "plain",
    "r2_text",
    "roughly",
    "shown",
    "with_minus",
    "with_unit",
]

MINUS = "−"
_SPACING = re.compile(r"[\t\r\n]")
_UNSEEN = re.compile(
    "[\x00-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]"
)
"""Control characters, marks of writing direction, halves of pairs and what is no character."""


def bearing(value: float, standard_error: float | None, most: int = 6) -> str:
    """Return a value written to the second significant digit of its standard error.

    >>> bearing(52.31874, 0.4321), bearing(-1234.4, 87.0)
    ('52.32', '−1234')
    """
    if not math.isfinite(value):
        return "not known"
    if not standard_error or not math.isfinite(standard_error):
        return plain(value)
    decimals = min(most, max(0, 1 - math.floor(math.log10(abs(standard_error)))))
    return _signed(f"{value:.{decimals}f}")


def plain(value: float, significant: int = 4) -> str:
    """Return a value with at most so many significant digits, never in powers of ten.

    >>> plain(0.000123456), plain(152.0), plain(1234567.0)
    ('0.0001235', '152', '1234567')
    """
    if not math.isfinite(value):
        return "not known"
    if value == 0:
        return "0"
    decimals = max(0, significant - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{min(decimals, 12)}f}"
    return _signed(text.rstrip("0").rstrip(".") if "." in text else text)


def roughly(value: float, digits: int = 2) -> str:
    """Return a value to so many significant digits, never in powers of ten: ``0.035``, ``120``."""
    text = f"{float(f'{value:.{digits}g}'):.12f}".rstrip("0").rstrip(".")
    return _signed(text)


def between(low: float, high: float, standard_error: float | None = None) -> str:
    """Return an interval in words, to the second digit of a standard error or its half width.

    >>> between(41.234, 45.812)
    '41.2 to 45.8'
    """
    half = standard_error or (high - low) / 2
    return f"{bearing(low, half)} to {bearing(high, half)}"


def amount_between(low: float, high: float, standard_error: float | None = None) -> str:
    """Return the interval of an amount, which begins at nothing where a model goes below zero.

    >>> amount_between(-0.42, 3.09), amount_between(-0.42, -0.1)
    ('0 to 3.1', '0')
    """
    half = standard_error or (high - low) / 2
    if low >= 0:
        return between(low, high, half)
    return f"0 to {bearing(high, half)}" if high > 0 else "0"


def with_unit(text: str, unit: str) -> str:
    """Return a number with its unit, never parted at the end of a line."""
    return f"{text}\N{NO-BREAK SPACE}{unit}" if unit else text


def p_text(p_value: float | None) -> str:
    """Return a p-value as text.

    >>> p_text(0.0002), p_text(0.0341), p_text(None)
    ('below 0.001', '0.034', 'not testable')
    """
    if p_value is None or not math.isfinite(p_value):
        return "not testable"
    if p_value < 0.001:
        return "below 0.001"
    return f"{p_value:.2f}" if p_value >= 0.1 else f"{p_value:.3f}"


def percent(share: float) -> str:
    r"""Return a share as a percentage; a small or a nearly whole share is not rounded away.

    >>> percent(0.004), percent(0.623), percent(0.998)
    ('under 1\xa0%', '62\xa0%', 'over 99\xa0%')
    """
    space = "\N{NO-BREAK SPACE}"
    if 0 < share < 0.01:
        return f"under 1{space}%"
    if 0.99 < share < 1:
        return f"over 99{space}%"
    return f"{100 * share:.0f}{space}%"


def r2_text(r2: float, decimals: int = 2) -> str:
    """Return an R², never rounded up to the 1 that only a model through every value has.

    >>> r2_text(0.99961), r2_text(0.99961, 3), r2_text(-0.32), r2_text(1.0)
    ('0.99', '0.999', '−0.32', '1.00')
    """
    below_1 = 1 - 10**-decimals
    return _signed(f"{r2 if r2 >= 1 else min(r2, below_1):.{decimals}f}")


def with_minus(text: str) -> str:
    """Return numbers in words with a minus sign that is one."""
    return text.replace("-", MINUS)


def _signed(text: str) -> str:
    if text.startswith("-"):
        return text[1:] if float(text) == 0 else MINUS + text[1:]
    return text


def shown(text: str) -> str:
    """Return text fit to be shown: without control characters and changes of writing direction.

    Such characters in a name could reorder or hide what stands next to it.
    """
    return _UNSEEN.sub("", _SPACING.sub(" ", text))
