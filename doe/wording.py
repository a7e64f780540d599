"""Words that many sentences share: counts, lists, capitals, what settings are called."""

from __future__ import annotations

import math
from collections.abc import Sequence

__all__ = [
    "best_called",
    "capital",
    "chance_words",
    "counted",
    "either",
    "listed",
    "lowered",
    "runs_in_words",
]


def counted(number: float, noun: str) -> str:
    """Return ``1 run``, ``2 runs``."""
    return f"{number:g} {noun}" if number == 1 else f"{number:g} {noun}s"


def runs_in_words(numbers: Sequence[int]) -> str:
    """Return runs as people say them: ``Run 3``, ``Runs 3 and 5``, ``Runs 3, 5 and 7 to 9``."""
    spans: list[list[int]] = []
    for number in sorted(numbers):
        if spans and number == spans[-1][1] + 1:
            spans[-1][1] = number
        else:
            spans.append([number, number])
    parts = [
        part
        for low, high in spans
        for part in ([f"{low} to {high}"] if high > low + 1 else map(str, range(low, high + 1)))
    ]
    return f"{'Run' if len(numbers) == 1 else 'Runs'} {listed(parts)}"


def best_called(guess: bool) -> str:
    """Return what the recommended settings are called, where no factor was shown to act too."""
    return "A guess at the best settings" if guess else "Best settings so far"


def listed(words: Sequence[str]) -> str:
    """Return ``a, b and c``."""
    return " and ".join(filter(None, (", ".join(words[:-1]), *words[-1:])))


def either(words: Sequence[str]) -> str:
    """Return ``a, b or c``."""
    return " or ".join(filter(None, (", ".join(words[:-1]), *words[-1:])))


def chance_words(chance: float) -> str:
    """Return a chance in percent, never rounded up and never certain: ``94 %``, ``under 1 %``.

    What is told is a lower bound, or rests on models that chose the settings themselves.
    """
    space = "\N{NO-BREAK SPACE}"
    if chance < 0.01:
        return f"under 1{space}%"
    return f"{min(99, math.floor(100 * chance + 1e-9))}{space}%"


def capital(words: str) -> str:
    """Return words with a capital first letter."""
    return words[:1].upper() + words[1:]


def lowered(words: str) -> str:
    """Return words with a small first letter."""
    return words[:1].lower() + words[1:]
