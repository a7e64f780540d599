"""Whether fresh runs at the recommended settings confirm what was predicted for them.

Shapes: n confirming runs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from doe.analysis.surrogate import Surrogate
from doe.factors import FloatArray
from doe.responses import Response

__all__ = ["Confirmation", "confirmation", "days_unknown"]


@dataclass(frozen=True, slots=True)
class Confirmation:
    """The mean of n fresh runs beside the interval in which it had to fall."""

    response: str
    runs: int
    mean: float
    low: float
    high: float
    held: bool
    limit_kept: bool | None
    words: str


def days_unknown(response: Response, own: Surrogate, group: str) -> str | None:
    """Return what to mind of an interval for a new day where all runs known are of one day.

    Parameters
    ----------
    group
        What the surrogate counts as shifting runs together: "day" or "stage".
    """
    if own.groups_seen > 1:
        return None
    if own.logarithmic:
        size = f"{100 * np.expm1(own.group_sd):.2g} %"
    else:
        size = f"{own.group_sd:.2g} {response.unit}".rstrip()
    return (
        f"All runs that {response.words} is predicted from are of one {group}, so how much "
        f"{group}s differ is not known: that they do by about {size} (standard deviation) is a "
        "guess that the interval rests on."
    )


def confirmation(
    response: Response,
    own: Surrogate,
    settings: FloatArray,
    values: FloatArray,
    group: str = "day",
) -> Confirmation:
    """Return the verdict on values (n,) of one day at settings (k,), by a surrogate without them.

    The limit is judged by the mean. `group` as in `days_unknown`.
    """
    n = len(values)
    low, high = own.interval_of_mean(settings, n)
    mean = float(own.back(np.array([np.mean([own.forward(value) for value in values])]))[0])
    held = low <= mean <= high
    wanted = response.interval_wanted()
    kept = None if wanted is None else bool(wanted[0] <= mean <= wanted[1])
    unit = f" {response.unit}".rstrip()
    runs = "1 confirming run" if n == 1 else f"{n} confirming runs"
    words = (
        f"{response.words}: the mean of {runs}, {mean:.4g}{unit}, is "
        f"{'within' if held else 'outside'} the {low:.4g} to {high:.4g}{unit} predicted for it"
    )
    if kept is not None:
        words += f", and {'keeps' if kept else 'misses'} its limit"
    guessed = days_unknown(response, own, group)
    words = f"{words}." if guessed is None else f"{words}. {guessed}"
    return Confirmation(response.name, n, mean, low, high, held, kept, words)
