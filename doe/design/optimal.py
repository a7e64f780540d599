"""Exact optimal designs on whatever region the rig can run.

Coordinate exchange from many random starts at once: first on a coarse grid of settable values
whose feasibility is known beforehand, then, for the best few, over all settable values of one
factor and small moves of two (along slanted limits), with the feasibility of every improving move
asked for. A run therefore only ever stands on a settable, feasible setting.

References: Fedorov 1972, Theory of Optimal Experiments (exchange and its gain); Meyer and
Nachtsheim 1995, Technometrics 37, 60–69 (coordinate exchange); both from memory.

Shapes: n runs, k factors, p columns, s starts, c candidate values of one coordinate.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from doe.design.evaluation import region_sample
from doe.errors import DesignError, DoeError, InfeasibleError
from doe.factors import (
    CategoricalFactor,
    Factor,
    FactorSpace,
    Feasible,
    FloatArray,
    NumericFactor,
    feasible_settings,
)
from doe.terms import Model

__all__ = [
    "Criterion",
    "Optimum",
    "central_setting",
    "exchange_gains",
    "exchanged",
    "moment_matrix",
    "optimal_runs",
    "spread_of",
]

Criterion = Literal["D", "A", "I"]
IntArray = npt.NDArray[np.int_]

GRID_MAX = 20_000
FACTORS_MAX = 10
STARTS = 200
POLISHED = 4
PROMISING = 0.5  # share of the starts that is searched to the end
PASSES = 12
RIDGE = 1e-5  # keeps the first matrices invertible, and d² far enough from rounding error
GAIN_LEAST = 1e-7
RATIO_LEAST = 1e-4
CONDITION_MAX = 1e10
ILL = 1e3  # trace of M⁻¹ in the basis of the region, beyond which M is inverted afresh
ZOOM = 0.3 / 2.0 ** np.arange(8)


@dataclass(frozen=True)
class Optimum:
    """New runs (n, k) in real units, how good they are, and how many starts agreed.

    `value` counts the fixed runs in: det(X'X)^(1/p)/n for D (higher is better), the trace of
    (X'X)⁻¹ for A and the average prediction variance over the region for I (lower is better).
    """

    settings: FloatArray
    value: float
    agreeing: int
    polished: int


def moment_matrix(model: Model, region_coded: FloatArray) -> FloatArray:
    """Return the average of xx' (p, p) over points (m, k): tr(M⁻¹W) is the average variance."""
    X = model.matrix(region_coded)
    return np.asarray(X.T @ X / len(X), dtype=np.float64)


def central_setting(space: FactorSpace, feasible: Feasible) -> FloatArray:
    """Return the most central setting (k,) that is settable and feasible.

    The middle of the box where the rig can run it (categorical factors at their first level that
    allows it), else the feasible setting nearest to the middle of the feasible region.

    Raises
    ------
    InfeasibleError
        The rig can run no settable setting at all.
    """
    corners = space.corners()
    middle = corners.copy()
    for i in space.numeric:
        middle[:, i] = (corners[:, i].min() + corners[:, i].max()) / 2
    middle = space.settable(np.unique(middle, axis=0))
    possible = middle[feasible(middle)]
    if len(possible):
        return np.asarray(possible[0], dtype=np.float64)
    settings = feasible_settings(space, feasible)
    if not len(settings):
        raise _nothing_feasible()
    settings = settings[(settings[:, space.categorical] == settings[0, space.categorical]).all(1)]
    coded = space.code(settings)[:, space.numeric]
    away = ((coded - coded.mean(axis=0)) ** 2).sum(axis=1)
    return np.asarray(settings[int(np.argmin(away))], dtype=np.float64)


def optimal_runs(
    model: Model,
    feasible: Feasible,
    runs: int,
    criterion: Criterion,
    generator: np.random.Generator,
    *,
    fixed: FloatArray | None = None,
    centres: int = 0,
    starts: int | None = None,
    region_coded: FloatArray | None = None,
) -> Optimum:
    """Return the best `runs` new runs found, settable and feasible; repeats are allowed.

    Parameters
    ----------
    runs
        New runs, centre runs included.
    criterion
        ``D`` for sharp estimates of the terms, ``A`` for a low average variance of the estimates,
        ``I`` for a low average prediction variance over the region.
    fixed
        Runs (m, k) in real units that are already there and are kept.
    centres
        How many of the new runs, the last ones, stand on `central_setting`.
    starts
        Random starts; 200, or 100 where more than 80 coordinates are to be chosen.
    region_coded
        Points that stand for the region (criterion I); `region_sample` if not given.

    Raises
    ------
    InfeasibleError
        The rig can run no settable setting at all.
    DesignError
        Fewer runs than terms, or a region on which the terms cannot be told apart.
    """
    space = model.space
    grid = _Grid.of(model, feasible)
    held = np.empty((0, len(space))) if fixed is None else np.atleast_2d(fixed)
    centre = np.tile(central_setting(space, feasible), (centres, 1)) if centres else held[:0]
    held = np.vstack([held, centre])
    _check_size(model, runs + len(held) - centres, runs - centres)
    _check_estimable(model, np.vstack([held, grid.settings[grid.inside]]), runs)
    search = _Search.over(model, grid, held)
    search = search.weighed(_weights(model, criterion, grid, region_coded, feasible))
    if starts is None:
        starts = STARTS if (runs - centres) * len(space) <= 80 else STARTS // 2
    grid = replace(grid, rows=grid.rows @ search.basis)
    at = _search_grid(grid, search, grid.random_starts(generator, starts, runs - centres))
    best = _best_different(search, grid.rows[at], POLISHED)
    settings = _polish(feasible, search, grid.settings[at[best]])
    values = search.values(search.rows(settings))
    winner = int(np.argmin(values))
    whole = np.vstack([held, settings[winner]])
    _check_estimable(model, whole, runs)
    near = values <= values[winner] + 1e-4 * (1 if criterion == "D" else abs(values[winner]))
    value = values[winner] if criterion != "D" else _d_efficiency(model, whole)
    chosen = np.vstack([settings[winner], centre])
    return Optimum(chosen, float(value), int(near.sum()), len(values))


def _d_efficiency(model: Model, settings: FloatArray) -> float:
    X = model.matrix(model.space.code(settings))
    return float(np.exp(np.linalg.slogdet(X.T @ X)[1] / len(model)) / len(X))


@dataclass(frozen=True)
class _Search:
    """What is searched for: the model in a basis that suits the region, X'X of the held runs.

    The columns are turned into `basis` (p, p), in which they are orthonormal over the region, so
    that a region far from the middle of the box does no numerical harm. Lower `values` are
    better: −log det(X'X) when `weights` is None, else tr((X'X)⁻¹·weights).
    """

    model: Model
    basis: FloatArray
    base: FloatArray
    weights: FloatArray | None = None

    @classmethod
    def over(cls, model: Model, grid: _Grid, held: FloatArray) -> _Search:
        H = model.matrix(model.space.code(held))
        F = np.vstack([H, grid.rows[grid.inside]])
        basis = np.linalg.inv(np.linalg.cholesky(F.T @ F / len(F))).T
        return cls(model, basis, (H @ basis).T @ (H @ basis))

    def weighed(self, weights: FloatArray | None) -> _Search:
        """Return the search with weights for the columns of the model."""
        return (
            self if weights is None else replace(self, weights=self.basis.T @ weights @ self.basis)
        )

    def rows(self, settings: FloatArray) -> FloatArray:
        """Return model rows (…, p) in the basis at settings (…, k)."""
        flat = settings.reshape(-1, settings.shape[-1])
        rows = self.model.matrix(self.model.space.code(flat)) @ self.basis
        return rows.reshape(*settings.shape[:-1], -1)

    def information(self, X: FloatArray) -> FloatArray:
        """Return X'X + held (s, p, p) for moving runs (s, n, p)."""
        return np.asarray(self.base + X.swapaxes(1, 2) @ X)

    def values(self, X: FloatArray) -> FloatArray:
        M = self.information(X)
        if self.weights is None:
            sign, logdet = np.linalg.slogdet(M)
            return np.where(sign > 0, -logdet, np.inf)
        sound = np.linalg.cond(M) < CONDITION_MAX
        M[~sound] = np.eye(M.shape[-1])
        traces = np.trace(np.linalg.inv(M) @ self.weights, axis1=1, axis2=2)
        return np.where(sound, traces, np.inf)


def spread_of(inverse: FloatArray, weights: FloatArray | None) -> FloatArray | None:
    """Return M⁻¹WM⁻¹ (s, p, p), which tells what a run takes off tr(M⁻¹W); None for D."""
    return None if weights is None else inverse @ weights @ inverse


def exchange_gains(
    inverse: FloatArray,
    spread: FloatArray | None,
    trace: FloatArray | None,
    new: FloatArray,
    old: FloatArray,
) -> FloatArray:
    """Return the relative gain (s, c) of replacing a run `old` (s, p) by each `new` (s, c, p).

    For D the growth of the determinant; else the share taken off the trace (s,).

    Notes
    -----
    With d(u, v) = u'M⁻¹v, a(u, v) = u'M⁻¹WM⁻¹v, i the old and x the new run:
    det ratio = (1 + d(x, x))(1 − d(i, i)) + d(x, i)², and the trace falls by
    [(1 − d(i, i))·a(x, x) + 2·d(x, i)·a(x, i) − (1 + d(x, x))·a(i, i)] / det ratio
    (Woodbury, rank two).
    """
    d_new, d_mix, d_old = _forms(inverse, new, old)
    ratio = (1 + d_new) * (1 - d_old) + d_mix**2
    if spread is None or trace is None:
        return ratio - 1
    a_new, a_mix, a_old = _forms(spread, new, old)
    fall = (1 - d_old) * a_new + 2 * d_mix * a_mix - (1 + d_new) * a_old
    sound = ratio > RATIO_LEAST
    return np.where(sound, fall / np.where(sound, ratio, 1.0) / trace[:, None], -np.inf)


def exchanged(inverse: FloatArray, new: FloatArray, old: FloatArray) -> FloatArray:
    """Return M⁻¹ (s, p, p) after each run `old` (s, p) has given way to `new` (s, p).

    Woodbury with U = [new, old]; the 2 × 2 inverse is written out, its determinant being minus
    the determinant ratio of `exchange_gains`.
    """
    U = np.stack([new, old], axis=2)
    DU = inverse @ U
    K = np.diag([1.0, -1.0]) + U.swapaxes(1, 2) @ DU
    ratio = np.maximum(K[:, 0, 1] ** 2 - K[:, 0, 0] * K[:, 1, 1], RATIO_LEAST)
    turned = np.stack(
        [np.stack([-K[:, 1, 1], K[:, 0, 1]], -1), np.stack([K[:, 1, 0], -K[:, 0, 0]], -1)], -2
    )
    return np.asarray(inverse - DU @ (turned / ratio[:, None, None]) @ DU.swapaxes(1, 2))


def _forms(
    matrix: FloatArray, new: FloatArray, old: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return x'Mx (s, c), x'Mi (s, c) and i'Mi (s, 1)."""
    product = new @ matrix
    at_old = (matrix @ old[:, :, None])[:, :, 0]
    return (
        np.einsum("scp,scp->sc", product, new),
        np.einsum("scp,sp->sc", new, at_old),
        np.einsum("sp,sp->s", old, at_old)[:, None],
    )


@dataclass(frozen=True)
class _Grid:
    """A coarse grid of settable settings, its model matrix, and which of it the rig can run."""

    settings: FloatArray
    rows: FloatArray
    inside: npt.NDArray[np.bool_]
    counts: tuple[int, ...]

    @classmethod
    def of(cls, model: Model, feasible: Feasible) -> _Grid:
        space = model.space
        if len(space) > FACTORS_MAX:
            raise DesignError.of(
                "too-many-factors",
                f"{len(space)} factors are more than an optimal design can search"
                f" (at most {FACTORS_MAX}).",
                "Screen with a fractional factorial first, or hold some factors constant.",
            )
        levels = _levels_within(space, GRID_MAX)
        settings = space.grid(levels)
        counts = tuple(len(np.unique(settings[:, i])) for i in range(len(space)))
        inside = np.asarray(feasible(settings), dtype=np.bool_)
        if not inside.any():
            extra = feasible_settings(space, feasible)
            raise _nothing_feasible() if not len(extra) else _too_narrow()
        return cls(settings, model.matrix(space.code(settings)), inside, counts)

    def random_starts(self, generator: np.random.Generator, starts: int, runs: int) -> IntArray:
        """Return grid positions (s, n) of random feasible settings."""
        return generator.choice(np.flatnonzero(self.inside), size=(starts, runs))

    def along(self, at: IntArray, factor: int) -> IntArray:
        """Return the positions (s, c) on the grid lines through `at` (s,) along a factor."""
        stride = int(np.prod(self.counts[factor + 1 :], initial=1))
        level = at // stride % self.counts[factor]
        steps = np.arange(self.counts[factor])
        return np.asarray(at[:, None] + (steps[None, :] - level[:, None]) * stride)


def _levels_within(space: FactorSpace, most: int) -> int:
    """Return the largest odd number of levels whose grid has at most `most` points (3 to 21)."""
    combinations = np.prod(
        [len(f.levels) for f in space if isinstance(f, CategoricalFactor)], initial=1
    )
    fitting = [
        levels for levels in range(3, 22, 2) if levels ** len(space.numeric) * combinations <= most
    ]
    return max(fitting, default=3)


def _search_grid(grid: _Grid, search: _Search, at: IntArray) -> IntArray:
    """Return the positions (s, n) of the promising starts after coordinate exchange on the grid.

    After two passes the values hardly change, so only the better starts go on.
    """
    at = at.copy()
    active = np.arange(len(at))
    for number in range(PASSES):
        moved = _pass_over_grid(grid, search, at, active)
        active = active[moved]
        if number == 1:
            values = search.values(grid.rows[at])
            ahead = np.argsort(values, kind="stable")[: max(1, round(PROMISING * len(at)))]
            active = np.intersect1d(active, ahead)
        if not len(active):
            break
    return at


def _pass_over_grid(
    grid: _Grid, search: _Search, at: IntArray, active: IntArray
) -> npt.NDArray[np.bool_]:
    """Try every coordinate of every run once, in place; tell which active starts improved."""
    here = at[active]
    current = _Current(search, grid.rows[here])
    moved = np.zeros(len(active), dtype=np.bool_)
    for run in range(here.shape[1]):
        for factor in range(len(grid.counts)):
            options = grid.along(here[:, run], factor)
            old = grid.rows[here[:, run]]
            gains = current.gains(grid.rows[options], old)
            gains[~grid.inside[options]] = -np.inf
            pick = np.argmax(gains, axis=1)
            take = np.flatnonzero(gains[np.arange(len(pick)), pick] > GAIN_LEAST)
            if len(take):
                here[take, run] = options[take, pick[take]]
                current.exchange(take, grid.rows[here[take, run]], old[take])
                moved[take] = True
    at[active] = here
    return moved


class _Current:
    """M⁻¹ of every start, kept up to date through the exchanges of one pass."""

    def __init__(self, search: _Search, X: FloatArray) -> None:
        self.M = search.information(X) + RIDGE * np.eye(X.shape[-1])
        self.inverse: FloatArray = np.asarray(np.linalg.inv(self.M), dtype=np.float64)
        self.weights = search.weights
        self.spread = spread_of(self.inverse, self.weights)
        self.trace = self._traces(self.inverse)

    def gains(self, new: FloatArray, old: FloatArray) -> FloatArray:
        return exchange_gains(self.inverse, self.spread, self.trace, new, old)

    def exchange(self, starts: IntArray, new: FloatArray, old: FloatArray) -> None:
        self.M[starts] += new[:, :, None] * new[:, None, :] - old[:, :, None] * old[:, None, :]
        ill = np.trace(self.inverse[starts], axis1=1, axis2=2) > ILL
        inverse = exchanged(self.inverse[starts], new, old)
        if ill.any():  # rounding would grow in the update
            inverse[ill] = np.linalg.inv(self.M[starts[ill]])
        self.inverse[starts] = inverse
        if self.spread is None or self.trace is None:
            return
        self.spread[starts] = spread_of(inverse, self.weights)
        self.trace[starts] = self._traces(inverse)

    def _traces(self, inverse: FloatArray) -> FloatArray | None:
        return None if self.weights is None else np.einsum("spq,qp->s", inverse, self.weights)


def _best_different(search: _Search, rows: FloatArray, most: int) -> IntArray:
    """Return the starts with the best values, at most `most`, no value twice."""
    values = search.values(rows)
    order = np.argsort(values, kind="stable")
    _, first = np.unique(np.round(values[order], 6), return_index=True)
    return np.asarray(order[np.sort(first)[:most]])


def _polish(feasible: Feasible, search: _Search, settings: FloatArray) -> FloatArray:
    """Return the settings (s, n, k) after coordinate exchange over all settable values."""
    settings = settings.copy()
    space = search.model.space
    for _ in range(PASSES):
        X = search.rows(settings)
        current = _Current(search, X)
        moves = 0
        for run in range(settings.shape[1]):
            for i in range(len(space)):
                options = _along(space, settings[:, run], i)
                moves += _improve(search, feasible, current, settings, X, run, options)
            for i, j in itertools.combinations(space.numeric, 2):
                options = _across(space, settings[:, run], i, j)
                moves += _improve(search, feasible, current, settings, X, run, options)
        if not moves:
            break
    return settings


def _improve(
    search: _Search,
    feasible: Feasible,
    current: _Current,
    settings: FloatArray,
    X: FloatArray,
    run: int,
    options: FloatArray,
) -> int:
    """Move one run of each start to the best feasible of its options (s, c, k), in place."""
    new = search.rows(options)
    gains = current.gains(new, X[:, run])
    better = gains > GAIN_LEAST
    if not better.any():
        return 0
    allowed = np.zeros(gains.shape, dtype=np.bool_)
    allowed[better] = feasible(options[better])
    gains[~allowed] = -np.inf
    pick = np.argmax(gains, axis=1)
    take = np.flatnonzero(allowed.any(axis=1))
    if len(take):
        current.exchange(take, new[take, pick[take]], X[take, run])
        settings[take, run] = options[take, pick[take]]
        X[take, run] = new[take, pick[take]]
    return len(take)


def _along(space: FactorSpace, now: FloatArray, i: int) -> FloatArray:
    """Return settings (s, c, k) that differ from `now` (s, k) in one factor."""
    values = _values_to_try(space.factors[i], now[:, i])
    options = np.repeat(now[:, None, :], values.shape[1], axis=1)
    options[:, :, i] = values
    return options


def _across(space: FactorSpace, now: FloatArray, i: int, j: int) -> FloatArray:
    """Return settings (s, c, k) with two numeric factors moved at once: along a slanted limit."""
    first, second = _moves(space.factors[i]), _moves(space.factors[j])
    shifts = np.array(
        [
            (a * u, b * v)
            for a, b in zip(first, second, strict=True)
            for u in (-1, 1)
            for v in (-1, 1)
        ]
    )
    options = np.repeat(now[:, None, :], len(shifts), axis=1)
    options[:, :, i] += shifts[:, 0]
    options[:, :, j] += shifts[:, 1]
    return space.settable(options.reshape(-1, len(space))).reshape(options.shape)


def _moves(factor: Factor) -> FloatArray:
    """Return distances to move, in real units: whole steps, or ever finer where continuous."""
    assert isinstance(factor, NumericFactor)
    if factor.step is None:
        return np.asarray(ZOOM * factor.half_range, dtype=np.float64)
    return factor.step * np.maximum(1.0, np.round(ZOOM * factor.half_range / factor.step))


def _values_to_try(factor: Factor, now: FloatArray) -> FloatArray:
    """Return settable values (s, c): spread over the range, and ever closer around `now` (s,)."""
    if not isinstance(factor, NumericFactor):
        return np.tile(np.arange(len(factor.levels), dtype=np.float64), (len(now), 1))
    spread = factor.settable_values(41 if factor.step is not None else 11)
    if factor.step is not None and len(factor.settable_values(42)) <= 41:
        return np.tile(spread, (len(now), 1))
    reach = np.concatenate([-ZOOM, ZOOM]) * factor.half_range
    near = factor.settable(now[:, None] + reach[None, :])
    return np.hstack([np.tile(spread, (len(now), 1)), near])


def _weights(
    model: Model,
    criterion: Criterion,
    grid: _Grid,
    region_coded: FloatArray | None,
    feasible: Feasible,
) -> FloatArray | None:
    if criterion == "D":
        return None
    if criterion == "A":
        return np.eye(len(model))
    region = region_sample(model.space, feasible) if region_coded is None else region_coded
    if len(region) < len(model):
        region = model.space.code(grid.settings[grid.inside])
    return moment_matrix(model, region)


def _check_size(model: Model, total: int, new: int) -> None:
    if new < 1:
        raise ValueError("at least one run must be free to be chosen")
    if total < len(model):
        raise DesignError.of(
            "too-few-runs",
            f"The model ({model.name}) has {len(model)} terms, more than the {total} runs.",
            f"Allow at least {len(model)} runs, or aim at a smaller model.",
        )


def _check_estimable(model: Model, settings: FloatArray, runs: int) -> None:
    X = model.matrix(model.space.code(settings))
    scaled = X / np.linalg.norm(X, axis=0).clip(1e-12)
    if np.linalg.cond(scaled.T @ scaled) > CONDITION_MAX:
        raise DesignError.of(
            "region-too-small",
            f"On the settings the rig can run, {runs} runs cannot tell the"
            f" {len(model)} terms of the model ({model.name}) apart.",
            "Widen a range, relax what limits it, or aim at a smaller model.",
        )


def _nothing_feasible() -> DoeError:
    return InfeasibleError.of(
        "nothing-feasible",
        "The rig can run no settable setting in the ranges of the factors.",
        "Look at what `check` says about the limits, and change a range or the rig.",
    )


def _too_narrow() -> DoeError:
    return DesignError.of(
        "region-too-narrow",
        "What the rig can run is too narrow a part of the ranges to choose a design on.",
        "Narrow the ranges of the factors to where the rig can run.",
    )
