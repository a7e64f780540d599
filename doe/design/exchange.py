"""Coordinate exchange: what optimal designs and split plots on any region have in common.

The gain of moving a run, the coarse grid of settable settings that searches start on, the state
that many starts searched side by side keep, and the moves that polish the best of them.

References: Fedorov 1972, Theory of Optimal Experiments (exchange and its gain); Meyer and
Nachtsheim 1995, Technometrics 37, 60–69 (coordinate exchange); DuMouchel and Jones 1994,
Technometrics 36, 37–47 (terms that are wanted but not required); all from memory.

Shapes: n runs, k factors, p columns, s starts, c candidate values of one coordinate.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
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
    levels_without,
)
from doe.terms import Model, Term
from doe.wording import either

__all__ = [
    "Criterion",
    "Current",
    "Grid",
    "Search",
    "across",
    "along",
    "best_different",
    "check_estimable",
    "check_levels",
    "criterion_weights",
    "estimable",
    "exchange_gains",
    "exchanged",
    "moment_matrix",
    "nothing_feasible",
    "plainer",
    "spread_of",
    "values_to_try",
    "wanted_precision",
]

Criterion = Literal["D", "A", "I"]
IntArray = npt.NDArray[np.int_]

GRID_MAX = 20_000
FACTORS_MAX = 10
RIDGE = 1e-5  # keeps the first matrices invertible, and d² far enough from rounding error
GAIN_LEAST = 1e-7
RATIO_LEAST = 1e-4
CONDITION_MAX = 1e10
ILL = 1e3  # trace of M⁻¹ in the basis of the region, beyond which M is inverted afresh
PLAIN_LOSS = 5e-4
"""Share of the efficiency that plain numbers may cost."""
MULTIPLES = (0.1, 0.2, 0.5, 1, 2, 5)
TWINS = 0.05
"""Coded distance below which two runs are taken for repeats that an exchange left unlike."""
ZOOM = 0.3 / 2.0 ** np.arange(8)


def moment_matrix(model: Model, region_coded: FloatArray) -> FloatArray:
    """Return the average of xx' (p, p) over points (m, k): tr(M⁻¹W) is the average variance."""
    X = model.matrix(region_coded)
    return np.asarray(X.T @ X / len(X), dtype=np.float64)


@dataclass(frozen=True)
class Search:
    """What is searched for: the model in a basis that suits the region, X'X of the held runs.

    The columns of the model are turned into `basis` (p, p), in which they are orthonormal over
    the region, so that a region far from the middle of the box does no numerical harm. `tags`
    (n, q) are further columns that belong to the places of the runs and not to their settings:
    block contrasts. `base` (p + q, p + q) is what the held runs, and a prior on terms that are
    only wanted, tell. Lower `values` are better: −log det M when `weights` is None, else
    tr(M⁻¹·weights).
    """

    model: Model
    basis: FloatArray
    base: FloatArray
    tags: FloatArray | None = None
    weights: FloatArray | None = None

    @classmethod
    def over(
        cls, model: Model, grid: Grid, held: FloatArray, wanted: Sequence[Term] = ()
    ) -> Search:
        H = model.matrix(model.space.code(held))
        inside = grid.rows[grid.inside]
        F = np.vstack([H, inside])
        basis = np.linalg.inv(np.linalg.cholesky(F.T @ F / len(F))).T
        base = (H @ basis).T @ (H @ basis)
        if wanted:
            base = base + basis.T @ np.diag(wanted_precision(model, inside, wanted)) @ basis
        return cls(model, basis, base)

    def tagged(self, held: FloatArray, tags: FloatArray) -> Search:
        """Return the search with block contrasts of the held (m, q) and the new runs (n, q)."""
        p, q = len(self.basis), tags.shape[1]
        own = tags[: len(held)]
        cross = (self.model.matrix(self.model.space.code(held)) @ self.basis).T @ own
        base = np.block([[self.base, cross], [cross.T, own.T @ own]])
        weights = self.weights
        if weights is not None:
            weights = np.pad(weights, ((0, q), (0, q)))
        assert base.shape == (p + q, p + q)
        return replace(self, base=base, tags=tags[len(held) :], weights=weights)

    def weighed(self, weights: FloatArray | None) -> Search:
        """Return the search with weights for the columns of the model."""
        return (
            self if weights is None else replace(self, weights=self.basis.T @ weights @ self.basis)
        )

    def rows(self, settings: FloatArray) -> FloatArray:
        """Return model rows (…, p) in the basis at settings (…, k), without blocks."""
        flat = settings.reshape(-1, settings.shape[-1])
        rows = self.model.matrix(self.model.space.code(flat)) @ self.basis
        return rows.reshape(*settings.shape[:-1], -1)

    def at_run(self, rows: FloatArray, run: int) -> FloatArray:
        """Return rows (…, p + q) of one run: the model's (…, p) and the block's of its place."""
        return rows if self.tags is None else self._with(rows, self.tags[run])

    def at_all(self, rows: FloatArray) -> FloatArray:
        """Return rows (s, n, p + q) of all runs from the model's (s, n, p)."""
        return rows if self.tags is None else self._with(rows, self.tags)

    @staticmethod
    def _with(rows: FloatArray, tags: FloatArray) -> FloatArray:
        spread = np.broadcast_to(tags, (*rows.shape[:-1], tags.shape[-1]))
        return np.concatenate([rows, spread], axis=-1)

    def information(self, X: FloatArray) -> FloatArray:
        """Return X'X + base (s, p + q, p + q) for moving runs (s, n, p + q)."""
        return np.asarray(self.base + X.swapaxes(1, 2) @ X)

    def values(self, M: FloatArray) -> FloatArray:
        """Return how good information matrices (s, p + q, p + q) are: lower is better."""
        if self.weights is None:
            sign, logdet = np.linalg.slogdet(M)
            return np.where(sign > 0, -logdet, np.inf)
        sound = np.linalg.cond(M) < CONDITION_MAX
        M = np.where(sound[:, None, None], M, np.eye(M.shape[-1]))
        traces = np.trace(np.linalg.inv(M) @ self.weights, axis1=1, axis2=2)
        return np.where(sound, traces, np.inf)


def wanted_precision(model: Model, rows: FloatArray, wanted: Sequence[Term]) -> FloatArray:
    """Return the prior precision (p,) of each column: zero if required, positive if only wanted.

    Notes
    -----
    DuMouchel and Jones 1994: what the required columns leave of a wanted one over the region is
    scaled to a range of one, and its coefficient has a prior standard deviation of one run's. In
    the columns as they are that is a precision of range², since the required ones are left free.
    """
    only = np.array([term in set(wanted) for term, _ in model.columns])
    required, extra = rows[:, ~only], rows[:, only]
    left = extra - required @ np.linalg.lstsq(required, extra, rcond=None)[0]
    precision = np.zeros(len(only))
    precision[only] = np.ptp(left, axis=0) ** 2
    return precision


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

    No number, or one without bound, is no gain: −∞. For D the growth of the
    determinant; else the share taken off the trace (s,).

    Notes
    -----
    With d(u, v) = u'M⁻¹v, a(u, v) = u'M⁻¹WM⁻¹v, i the old and x the new run:
    det ratio = (1 + d(x, x))(1 − d(i, i)) + d(x, i)², and the trace falls by
    [(1 − d(i, i))·a(x, x) + 2·d(x, i)·a(x, i) − (1 + d(x, x))·a(i, i)] / det ratio
    (Woodbury, rank two).
    """
    d_new, d_mix, d_old = _forms(inverse, new, old)
    with np.errstate(over="ignore", invalid="ignore"):
        ratio = (1 + d_new) * (1 - d_old) + d_mix**2
        if spread is None or trace is None:
            gain, sound = ratio - 1, np.isfinite(ratio)
        else:
            a_new, a_mix, a_old = _forms(spread, new, old)
            fall = (1 - d_old) * a_new + 2 * d_mix * a_mix - (1 + d_new) * a_old
            sound = ratio > RATIO_LEAST
            gain = fall / np.where(sound, ratio, 1.0) / trace[:, None]
    return np.where(sound & np.isfinite(gain), gain, -np.inf)


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
class Grid:
    """A coarse grid of settable settings, its model matrix, and which of it the rig can run."""

    settings: FloatArray
    rows: FloatArray
    inside: npt.NDArray[np.bool_]
    counts: tuple[int, ...]

    @classmethod
    def of(cls, model: Model, feasible: Feasible, most: int = GRID_MAX) -> Grid:
        """Return the finest grid of at most `most` points.

        Raises
        ------
        InfeasibleError
            The rig can run no settable setting at all.
        DesignError
            Too many factors, or a region that the grid misses.
        """
        space = model.space
        if len(space) > FACTORS_MAX:
            raise DesignError.of(
                "too-many-factors",
                f"{len(space)} factors are more than an optimal design can search"
                f" (at most {FACTORS_MAX}).",
                "Screen with a fractional factorial first, or hold some factors constant.",
            )
        levels = _levels_within(space, most)
        settings = space.grid(levels)
        counts = tuple(len(np.unique(settings[:, i])) for i in range(len(space)))
        inside = np.asarray(feasible(settings), dtype=np.bool_)
        if not inside.any():
            extra = feasible_settings(space, feasible)
            raise nothing_feasible() if not len(extra) else _too_narrow()
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


class Current:
    """M⁻¹ of every start, kept up to date through the exchanges of one pass."""

    def __init__(self, search: Search, information: FloatArray) -> None:
        self.M = information + RIDGE * np.eye(information.shape[-1])
        self.inverse: FloatArray = np.asarray(np.linalg.inv(self.M), dtype=np.float64)
        self.weights = search.weights
        self.spread = spread_of(self.inverse, self.weights)
        self.trace = self._traces(self.inverse)

    def gains(self, new: FloatArray, old: FloatArray) -> FloatArray:
        return exchange_gains(self.inverse, self.spread, self.trace, new, old)

    def exchange(self, starts: IntArray, new: FloatArray, old: FloatArray) -> None:
        """Let runs `old` (t, p) of some starts (t,) give way to `new` (t, p)."""
        self.M[starts] += new[:, :, None] * new[:, None, :] - old[:, :, None] * old[:, None, :]
        self.renew(starts, exchanged(self.inverse[starts], new, old))

    def renew(self, starts: IntArray, updated: FloatArray | None = None) -> None:
        """Take M⁻¹ (t, p, p) of some starts as updated; invert M where rounding would grow."""
        if updated is None:
            updated = np.asarray(np.linalg.inv(self.M[starts]), dtype=np.float64)
        else:
            ill = np.trace(self.inverse[starts], axis1=1, axis2=2) > ILL
            if ill.any():
                updated[ill] = np.linalg.inv(self.M[starts[ill]])
        self.inverse[starts] = updated
        if self.spread is None or self.trace is None:
            return
        self.spread[starts] = spread_of(updated, self.weights)
        self.trace[starts] = self._traces(updated)

    def _traces(self, inverse: FloatArray) -> FloatArray | None:
        return None if self.weights is None else np.einsum("spq,qp->s", inverse, self.weights)


def best_different(values: FloatArray, most: int) -> IntArray:
    """Return the starts with the best values (s,), at most `most`, no value twice."""
    order = np.argsort(values, kind="stable")
    _, first = np.unique(np.round(values[order], 6), return_index=True)
    return np.asarray(order[np.sort(first)[:most]])


def along(space: FactorSpace, now: FloatArray, i: int) -> FloatArray:
    """Return settings (s, c, k) that differ from `now` (s, k) in one factor."""
    values = values_to_try(space.factors[i], now[:, i])
    options = np.repeat(now[:, None, :], values.shape[1], axis=1)
    options[:, :, i] = values
    return options


def across(space: FactorSpace, now: FloatArray, i: int, j: int) -> FloatArray:
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


def values_to_try(factor: Factor, now: FloatArray) -> FloatArray:
    """Return settable values (s, c): spread over the range, and ever closer around `now` (s,)."""
    if not isinstance(factor, NumericFactor):
        return np.tile(np.arange(len(factor.levels), dtype=np.float64), (len(now), 1))
    spread = factor.settable_values(41 if factor.step is not None else 11)
    if factor.step is not None and len(factor.settable_values(42)) <= 41:
        return np.tile(spread, (len(now), 1))
    reach = np.concatenate([-ZOOM, ZOOM]) * factor.half_range
    near = factor.settable(now[:, None] + reach[None, :])
    return np.hstack([np.tile(spread, (len(now), 1)), near])


def plain_values(factor: NumericFactor, values: FloatArray) -> tuple[FloatArray, ...]:
    """Return values near given ones (g,) that are plainer to set, in turns to be tried.

    First ends and middle of the range, then multiples of ⅒, ⅕, ½, 1, 2 and 5 of the decimal unit
    that is at most a twentieth of it; none where the factor has steps, which are plain as they are.
    """
    if factor.step is not None:
        return ()
    unit = 10.0 ** np.floor(np.log10((factor.high - factor.low) / 20))
    landmarks = np.array([factor.low, factor.high, factor.centre])
    gap = np.abs(values[:, None] - landmarks)
    near = np.where(gap.min(axis=1) < unit, landmarks[gap.argmin(axis=1)], values)
    rounded = [size * unit * np.round(values / (size * unit)) for size in MULTIPLES]
    return tuple(factor.settable(turn) for turn in (near, *rounded))


def plainer(
    search: Search,
    feasible: Feasible,
    settings: FloatArray,
    together: Callable[[int], Sequence[IntArray]],
    value: Callable[[FloatArray], float],
) -> FloatArray:
    """Return settings (n, k) in plainer numbers, as far as they cost next to nothing.

    Where a factor has no step an exchange ends on settings such as 160.02 °C, and on repeats that
    differ in the last figure and so show no pure error.

    Parameters
    ----------
    together
        For a factor the runs that can only change together.
    value
        The criterion of settings: lower is better.
    """
    space, settings = search.model.space, settings.copy()
    before = value(settings)
    slack = len(search.model) if search.weights is None else abs(before)
    most = before + PLAIN_LOSS * slack
    for turn in range(1 + len(MULTIPLES)):
        for i in space.numeric:
            factor = space.factors[i]
            assert isinstance(factor, NumericFactor)
            groups = together(i)
            turns = plain_values(factor, np.array([settings[runs[0], i] for runs in groups]))
            if turns:
                settings = _set_where_free(
                    feasible, settings, i, groups, turns[turn], lambda s: value(s) <= most
                )
    return _twins_joined(space, settings, together, value, most)


def _set_where_free(
    feasible: Feasible,
    settings: FloatArray,
    factor: int,
    groups: Sequence[IntArray],
    to: FloatArray,
    good: Callable[[FloatArray], bool],
) -> FloatArray:
    """Return settings with a factor set `to` (g,) in those groups of runs where all stays well."""
    moved = settings.copy()
    for runs, value in zip(groups, to, strict=True):
        moved[runs, factor] = value
    fine = feasible(moved)
    for runs in groups:
        if (moved[runs, factor] == settings[runs, factor]).all() or not fine[runs].all():
            continue
        tried = settings.copy()
        tried[runs, factor] = moved[runs, factor]
        if good(tried):
            settings = tried
    return settings


def _twins_joined(
    space: FactorSpace,
    settings: FloatArray,
    together: Callable[[int], Sequence[IntArray]],
    value: Callable[[FloatArray], float],
    most: float,
) -> FloatArray:
    """Return settings (n, k) with runs that nearly repeat another made to repeat it."""
    free = [i for i in space.numeric if all(len(runs) == 1 for runs in together(i))]
    stepless = [i for i in free if getattr(space.factors[i], "step", None) is None]
    for one, other in itertools.combinations(range(len(settings)), 2):
        apart = np.abs(space.code(settings[[one]]) - space.code(settings[[other]]))[0]
        moving = np.flatnonzero(apart)
        if not len(moving) or apart.max() > TWINS or not set(moving) <= set(stepless):
            continue
        for kept, changed in ((one, other), (other, one)):
            moved = settings.copy()
            moved[changed] = moved[kept]
            if value(moved) <= most:
                settings = moved
                break
    return settings


def criterion_weights(
    model: Model,
    criterion: Criterion,
    grid: Grid,
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


def check_estimable(model: Model, settings: FloatArray, runs: int) -> None:
    X = model.matrix(model.space.code(settings))
    if not estimable(X):
        check_levels(model.space, settings)
        raise DesignError.of(
            "region-too-small",
            f"On the settings the rig can run, {runs} runs cannot tell the"
            f" {len(model)} terms of the model ({model.name}) apart.",
            "Widen a range, relax what limits it, or aim at a smaller model.",
        )


def check_levels(space: FactorSpace, settings: FloatArray) -> None:
    """Raise DesignError where none of the settings (n, k) that can be run has some level."""
    never = levels_without(space, settings)
    if never:
        raise DesignError.of(
            "level-never-run",
            f"Among the settings found that can be run none has {either(never)}.",
            f"Take {'it' if len(never) == 1 else 'them'} out of the levels, or change what rules "
            f"{'it' if len(never) == 1 else 'them'} out: `check` shows which limits do.",
        )


def estimable(X: FloatArray) -> bool:
    """Tell whether the columns of a matrix (n, p) can be told apart."""
    scaled = X / np.linalg.norm(X, axis=0).clip(1e-12)
    return bool(np.linalg.cond(scaled.T @ scaled) <= CONDITION_MAX)


def nothing_feasible() -> DoeError:
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
