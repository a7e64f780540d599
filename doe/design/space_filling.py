"""Runs that fill what the rig can run: many levels of every factor, and no two runs near.

For a first look at a response of unknown shape, where later runs follow what it shows. The runs
keep apart in all factors together and in each few of them, so that they tell as much when only
some factors turn out to matter.

Shapes: n runs, m candidates, k factors.

References
----------
.. [1] Joseph, Gul, Ba 2015, Biometrika 102:371-380, eq. 6: maximum projection designs.
.. [2] Joseph, Gul, Ba 2020, J Qual Technol 52:343-354: the same with levels (both from memory).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from doe.design.exchange import MULTIPLES, nothing_feasible, plain_values
from doe.errors import DesignError
from doe.factors import (
    CategoricalFactor,
    Factor,
    FactorSpace,
    Feasible,
    FloatArray,
    feasible_settings,
)

__all__ = ["space_filling_runs"]

CANDIDATES = 4000
A_CHOICE = 20  # candidates a run, below which a grid is added to those at random
STARTS = 12
PASSES = 20
CLOSER = 1e-9
"""Least fall of the criterion, as a share, for which a run is moved."""


def space_filling_runs(
    space: FactorSpace, feasible: Feasible, runs: int, generator: np.random.Generator
) -> FloatArray:
    """Return settable settings (n, k) that fill what the rig can run, no two of them alike.

    Raises
    ------
    InfeasibleError
        The rig can run no settable setting at all.
    DesignError
        It can run fewer settings than runs are asked for.

    Notes
    -----
    The sum over pairs of runs of 1 / ∏ (d + 1/m)² is made small by exchange from random starts,
    with d the distance in a factor as a share of its range (0 or 1 between levels), and m how many
    values it can take among the runs [1]_, [2]_.
    """
    settings = _candidates(space, feasible, runs, generator)
    if len(settings) < runs:
        raise DesignError.of(
            "too-few-settings",
            f"{runs} different settings were asked for, and the rig can run {len(settings)}.",
            "Ask for fewer runs, widen a range or give a finer step.",
        )
    pairs = _Pairs.of(space, settings, runs)
    found = [_exchanged(pairs, runs, generator) for _ in range(STARTS)]
    return settings[min(found, key=lambda each: each[1])[0]]


def _candidates(
    space: FactorSpace, feasible: Feasible, runs: int, generator: np.random.Generator
) -> FloatArray:
    """Return settings (m, k) to choose from."""
    columns = [_anywhere(factor, generator) for factor in space]
    anywhere = space.settable(np.column_stack(columns))
    settings = np.unique(anywhere[feasible(anywhere)], axis=0)
    if len(settings) < A_CHOICE * runs:  # a thin region, which chance hardly hits
        grid = feasible_settings(space, feasible, CANDIDATES)
        settings = np.unique(np.vstack([settings, grid]), axis=0)
    if not len(settings):
        raise nothing_feasible()
    return settings


def _anywhere(factor: Factor, generator: np.random.Generator) -> FloatArray:
    """Return values (m,) of a factor at random; where it has no step, numbers plain to set."""
    if isinstance(factor, CategoricalFactor):
        return generator.integers(len(factor.levels), size=CANDIDATES).astype(np.float64)
    if factor.step is not None:
        return generator.choice(factor.settable_values(CANDIDATES), CANDIDATES)
    values = generator.uniform(factor.low, factor.high, CANDIDATES)
    return plain_values(factor, values)[1 + MULTIPLES.index(1.0)]


class _Pairs:
    """How much pairs of candidates add to the criterion."""

    def __init__(self, places: FloatArray, categorical: npt.NDArray[np.bool_], least: FloatArray):
        self._places, self._categorical, self._least = places, categorical, least

    @classmethod
    def of(cls, space: FactorSpace, settings: FloatArray, runs: int) -> _Pairs:
        categorical = np.array([isinstance(factor, CategoricalFactor) for factor in space])
        values = np.array([len(np.unique(settings[:, i])) for i in range(len(space))])
        halved = np.where(categorical, 1.0, 0.5)
        return cls(space.code(settings) * halved, categorical, 1 / np.minimum(values, runs))

    def __len__(self) -> int:
        return len(self._places)

    def with_all(self, one: int) -> FloatArray:
        """Return what one candidate adds with each (m,)."""
        apart = np.abs(self._places - self._places[one])
        apart[:, self._categorical] = apart[:, self._categorical] > 0
        return np.asarray(1 / ((apart + self._least) ** 2).prod(axis=1))


def _exchanged(
    pairs: _Pairs, runs: int, generator: np.random.Generator
) -> tuple[npt.NDArray[np.intp], float]:
    """Return candidates (n,) of which none is better exchanged alone, and their criterion."""
    chosen = generator.choice(len(pairs), runs, replace=False)
    added = np.array([pairs.with_all(one) for one in chosen])
    for _ in range(PASSES):
        moved = False
        for i in range(runs):
            with_others = np.delete(added, i, axis=0).sum(axis=0)
            with_others[np.delete(chosen, i)] = np.inf  # no setting is taken twice
            best = int(with_others.argmin())
            if with_others[best] < with_others[chosen[i]] * (1 - CLOSER):
                chosen[i], added[i], moved = best, pairs.with_all(best), True
        if not moved:
            break
    among = added[:, chosen]
    return chosen, float(among.sum() - np.trace(among))
