"""How far each setting may stray alone from the recommended before it matters.

Shapes: k factors, m settings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from doe.analysis.recommendation import chance_of_all_aims
from doe.analysis.surrogate import Surrogate
from doe.factors import FactorSpace, Feasible, FloatArray, NumericFactor
from doe.responses import Response

__all__ = ["CHANCE_LOST", "leeway"]

CHANCE_LOST = 0.05
"""Of the chance to meet every limit, by how much it may fall."""
PLACES = 81
"""Settings looked at along a factor."""


def leeway(
    responses: Sequence[Response],
    surrogates: Mapping[str, Surrogate],
    at: FloatArray,
    feasible: Feasible,
) -> tuple[tuple[float, float] | None, ...]:
    """Return for each factor from where to where it may stray from settings (k,), others kept.

    As far as the rig can run, the chance to meet every limit and tolerance falls by no more than
    CHANCE_LOST, and no mean to be high or low gets worse by more than its standard error. None for
    a categorical factor.
    """
    space = next(iter(surrogates.values())).space
    return tuple(
        _along(space, i, responses, surrogates, at, feasible)
        if isinstance(factor, NumericFactor)
        else None
        for i, factor in enumerate(space)
    )


def _along(
    space: FactorSpace,
    i: int,
    responses: Sequence[Response],
    surrogates: Mapping[str, Surrogate],
    at: FloatArray,
    feasible: Feasible,
) -> tuple[float, float]:
    factor = space.factors[i]
    assert isinstance(factor, NumericFactor)
    values = np.unique(np.append(np.linspace(factor.low, factor.high, PLACES), at[i]))
    rows = np.repeat(at[None], len(values), axis=0)
    rows[:, i] = values
    here = int(np.searchsorted(values, at[i]))
    fine = feasible(rows) & _as_good(responses, surrogates, rows, here)
    bad = np.flatnonzero(~fine)
    first = int(bad[bad < here].max(initial=-1)) + 1
    last = int(bad[bad > here].min(initial=len(values))) - 1
    return _told(factor, values[first], values[last], float(at[i]))


def _told(factor: NumericFactor, low: float, high: float, at: float) -> tuple[float, float]:
    """Return the ends, inside the range, rounded inwards to what the places looked at tell."""
    fine = 10.0 ** np.ceil(np.log10((factor.high - factor.low) / (PLACES - 1)) - 1e-9)
    if low > factor.low:
        low = min(at, np.round(np.ceil(low / fine - 1e-9) * fine, 12))
    if high < factor.high:
        high = max(at, np.round(np.floor(high / fine + 1e-9) * fine, 12))
    return float(low), float(high)


def _as_good(
    responses: Sequence[Response],
    surrogates: Mapping[str, Surrogate],
    rows: FloatArray,
    here: int,
) -> npt.NDArray[np.bool_]:
    chance = chance_of_all_aims(responses, surrogates, rows)
    good = np.asarray(chance >= chance[here] - CHANCE_LOST)
    for response in responses:
        if response.aim in ("maximise", "minimise"):
            mean, sd = surrogates[response.name].mean_sd(rows)
            worse = mean[here] - mean if response.aim == "maximise" else mean - mean[here]
            good &= worse <= sd[here]
    return good
