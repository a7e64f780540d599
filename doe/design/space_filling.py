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

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.design.exchange import MULTIPLES, check_levels, nothing_feasible, plain_values
from doe.errors import DesignError
from doe.factors import (
    CategoricalFactor,
    FactorSpace,
    Feasible,
    FloatArray,
    NumericFactor,
    feasible_settings,
)

__all__ = ["space_filling_runs"]

CANDIDATES = 4000
A_CHOICE = 20  # candidates a run, below which more are looked for
MORE = 5  # times that so many more are drawn, at random and near those found
NEAR = 0.2  # half-ranges: standard deviation of those near
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
        It can run fewer settings than runs are asked for, or none of some level.

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
            f"{runs} different settings are wanted, and only {len(settings)} that the rig can run "
            "were found.",
            "Ask for fewer runs, widen a range or give a finer step.",
        )
    check_levels(space, settings)
    pairs = _Pairs.of(space, settings, runs)
    found = [_exchanged(pairs, runs, generator) for _ in range(STARTS)]
    return settings[min(found, key=lambda each: each[1])[0]]


def _candidates(
    space: FactorSpace, feasible: Feasible, runs: int, generator: np.random.Generator
) -> FloatArray:
    """Return settings (m, k) to choose from: at random, and where few are found also near those."""
    settings = _that_can_be_run(_anywhere(space, generator), space, feasible)
    if len(settings) >= A_CHOICE * runs:
        return settings
    grid = feasible_settings(space, feasible, CANDIDATES)
    if not len(settings) and not len(grid):
        raise nothing_feasible()
    more = [_anywhere(space, generator) for _ in range(MORE)]
    settings = _that_can_be_run(np.vstack([settings, grid, *more]), space, feasible)
    for _ in range(MORE if len(settings) else 0):
        if len(settings) >= A_CHOICE * runs:
            break
        near = settings[generator.integers(len(settings), size=CANDIDATES)]
        for i in space.numeric:
            factor = space.factors[i]
            assert isinstance(factor, NumericFactor)
            near[:, i] += NEAR * factor.half_range * generator.standard_normal(CANDIDATES)
        settings = _that_can_be_run(np.vstack([settings, near]), space, feasible)
    return settings


def _that_can_be_run(settings: FloatArray, space: FactorSpace, feasible: Feasible) -> FloatArray:
    """Return the settings (m, k) in numbers plain to set, as far as the rig can run them so."""
    plain = space.settable(settings)
    for i in space.numeric:
        factor = space.factors[i]
        assert isinstance(factor, NumericFactor)
        turns = plain_values(factor, plain[:, i])
        if turns:
            plain[:, i] = turns[1 + MULTIPLES.index(1.0)]
    plain = np.unique(plain, axis=0)
    return np.asarray(plain[feasible(plain)])


def _anywhere(space: FactorSpace, generator: np.random.Generator) -> FloatArray:
    """Return settings (m, k) at random."""
    columns = []
    for factor in space:
        if isinstance(factor, CategoricalFactor):
            values = np.arange(float(len(factor.levels)))
        elif factor.step is not None:
            values = factor.settable_values(CANDIDATES)
        else:
            columns.append(generator.uniform(factor.low, factor.high, CANDIDATES))
            continue
        columns.append(generator.choice(values, CANDIDATES))
    return np.column_stack(columns)


@dataclass(frozen=True, slots=True, eq=False)
class _Pairs:
    """How much pairs of candidates add to the criterion.

    Places (m, k) are in shares of the ranges; `least` (k,) is 1/m of each factor.
    """

    _places: FloatArray
    _categorical: npt.NDArray[np.bool_]
    _least: FloatArray

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
        moved, total = False, added.sum(axis=0)
        for i in range(runs):
            with_others = total - added[i]
            free = with_others.copy()
            free[np.delete(chosen, i)] = np.inf  # no setting is taken twice
            best = int(free.argmin())
            if free[best] < free[chosen[i]] * (1 - CLOSER):
                chosen[i], added[i], moved = best, pairs.with_all(best), True
                total = with_others + added[i]
        if not moved:
            break
    among = added[:, chosen]
    return chosen, float(among.sum() - np.trace(among))
