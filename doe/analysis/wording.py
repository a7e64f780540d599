"""Counts and lists in sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence

__all__ = [
    "as_fine_as",
    "capital",
    "chance_words",
    "counted",
    "either",
    "listed",
    "roughly",
    "runs_named",
    "signed",
    "span",
]


def counted(number: float, noun: str) -> str:
    """Return ``1 run``, ``2 runs``."""
    return f"{number:g} {noun}" if number == 1 else f"{number:g} {noun}s"


def runs_named(runs: Sequence[int], word: str = "Run") -> str:
    """Return ``Run 3``, ``Runs 3 and 5``."""
    return f"{word if len(runs) == 1 else word + 's'} {listed([str(run) for run in runs])}"


def listed(words: Sequence[str]) -> str:
    """Return ``a, b and c``."""
    return " and ".join(filter(None, (", ".join(words[:-1]), *words[-1:])))


def either(words: Sequence[str]) -> str:
    """Return ``a, b or c``."""
    return " or ".join(filter(None, (", ".join(words[:-1]), *words[-1:])))


def chance_words(chance: float) -> str:
    """Return a chance in percent, never rounded up and never certain: ``94 %``.

    What is told is a lower bound, or rests on models that chose the settings themselves.
    """
    return f"{max(0, min(99, math.floor(100 * chance + 1e-9)))}\N{NO-BREAK SPACE}%"


def roughly(value: float, digits: int = 2) -> str:
    """Return a value to so many significant digits, never in powers of ten: ``0.035``, ``120``."""
    text = f"{float(f'{value:.{digits}g}'):.12f}".rstrip("0").rstrip(".")
    return signed("0" if text == "-0" else text)


def span(low: float, high: float) -> str:
    """Return an interval to the second significant digit of half its width: ``41.2 to 45.8``."""
    decimals = _decimals(low, high)
    return signed(f"{low:.{decimals}f} to {high:.{decimals}f}")


def as_fine_as(low: float, high: float, value: float) -> str:
    """Return a value with the digits that `span` gives the ends of its interval."""
    return signed(f"{value:.{_decimals(low, high)}f}")


def _decimals(low: float, high: float) -> int:
    half = (high - low) / 2
    return max(0, 1 - math.floor(math.log10(half))) if half > 0 else 4


def signed(text: str) -> str:
    """Return numbers in words with a minus sign that is one."""
    return text.replace("-", "\N{MINUS SIGN}")


def capital(words: str) -> str:
    """Return words with a capital first letter."""
    return words[:1].upper() + words[1:]
