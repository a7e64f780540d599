"""Exact optimal designs on whatever region the rig can run.

Coordinate exchange from many random starts at once: first on a coarse grid of settable values
whose feasibility is known beforehand, then, for the best few, over all settable values of one
factor and small moves of two (along slanted limits), with the feasibility of every improving move
asked for. A run therefore only ever stands on a settable, feasible setting.

Shapes: n runs, k factors, p columns, s starts, c candidate values of one coordinate.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from doe.design.exchange import (
    GAIN_LEAST,
    Criterion,
    Current,
    Grid,
    IntArray,
    Search,
    across,
    along,
    best_different,
    check_estimable,
    criterion_weights,
    estimable,
    exchange_gains,
    exchanged,
    moment_matrix,
    nothing_feasible,
    plainer,
    spread_of,
)
from doe.design.strata import block_contrasts
from doe.errors import DesignError
from doe.factors import FactorSpace, Feasible, FloatArray, feasible_settings
from doe.terms import Model, Term

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

STARTS = 200
TRIED = 12  # starts polished for one pass: the coarse grid alone ranks them badly on a cut region
POLISHED = 4  # of these, polished to the end
PROMISING = 0.5  # share of the starts that is searched to the end
PASSES = 12
REACHES = (0.3, 0.1, 0.03, 0.01)
"""Coded lengths of steps along a curved limit, in turn."""
SLIDES = 8
DIRECTIONS = 24
HALVINGS = 10


@dataclass(frozen=True)
class Optimum:
    """New runs (n, k) in real units, how good they are, and how many starts agreed.

    `value` counts the fixed runs in: det(M)^(1/p)/n for D (higher is better), the trace of M⁻¹ for
    A and the average prediction variance over the region for I (lower is better). M is X'X of the
    model; with blocks, what X'X leaves when the block effects are estimated too; for D with terms
    that are only wanted, of the required terms alone, and for A and I with their prior added.
    """

    settings: FloatArray
    value: float
    agreeing: int
    polished: int


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
        raise nothing_feasible()
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
    blocks: Sequence[int] | None = None,
    wanted: Sequence[Term] = (),
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
    blocks
        Block (day, lot) of each run, the fixed runs first, then the new ones, centres last. The
        blocks' effects are estimated beside the model, so that they bias nothing.
    wanted
        Terms of the model that are wanted but not required: there may be more terms than runs
        (DuMouchel and Jones 1994).

    Raises
    ------
    InfeasibleError
        The rig can run no settable setting at all.
    DesignError
        Fewer runs than terms, or a region on which the terms cannot be told apart.
    """
    space = model.space
    grid = Grid.of(model, feasible)
    held = np.empty((0, len(space))) if fixed is None else np.atleast_2d(fixed)
    centre = np.tile(central_setting(space, feasible), (centres, 1)) if centres else held[:0]
    free = runs - centres
    tags = _block_columns(blocks, len(held), free, centres)
    held = np.vstack([held, centre])
    required = _required(model, wanted)
    _check_size(required, len(held) + free, free, tags.shape[1])
    check_estimable(model, np.vstack([held, grid.settings[grid.inside]]), runs)
    search = Search.over(model, grid, held, wanted)
    search = search.weighed(criterion_weights(model, criterion, grid, region_coded, feasible))
    if tags.shape[1]:
        search = search.tagged(held, tags)
    if starts is None:
        starts = STARTS if free * len(space) <= 80 else STARTS // 2
    grid = replace(grid, rows=grid.rows @ search.basis)
    at = _search_grid(grid, search, grid.random_starts(generator, starts, free))
    best = best_different(_values(search, grid.rows[at]), TRIED)
    settings = _polish(feasible, search, grid.settings[at[best]], 1)
    ahead = best_different(_values(search, search.rows(settings)), POLISHED)
    settings = _polish(feasible, search, settings[ahead], PASSES)
    values = _values(search, search.rows(settings))
    winner = int(np.argmin(values))
    slid = _slid(feasible, search, grid, settings[winner], generator)
    near = values <= values[winner] + 1e-4 * (1 if criterion == "D" else abs(values[winner]))
    best_found = plainer(
        search,
        feasible,
        slid,
        lambda _: [np.array([run]) for run in range(free)],
        lambda tried: float(_values(search, search.rows(tried[None]))[0]),
    )
    whole = np.vstack([held, best_found])
    _check_found(required, whole, tags, runs)
    value = _values(search, search.rows(best_found[None]))[0]
    if criterion == "D":
        value = _d_efficiency(required, whole, tags)
    chosen = np.vstack([best_found, centre])
    return Optimum(chosen, float(value), int(near.sum()), len(values))


def _values(search: Search, rows: FloatArray) -> FloatArray:
    return search.values(search.information(search.at_all(rows)))


def _d_efficiency(model: Model, settings: FloatArray, tags: FloatArray) -> float:
    """Return det(M)^(1/p)/n, M what X'X leaves when block contrasts (n, q) are estimated too."""
    X = model.matrix(model.space.code(settings))
    M = X.T @ X
    if tags.shape[1]:
        cross = X.T @ tags
        M = M - cross @ np.linalg.solve(tags.T @ tags, cross.T)
    return float(np.exp(np.linalg.slogdet(M)[1] / len(model)) / len(X))


def _required(model: Model, wanted: Sequence[Term]) -> Model:
    """Return the model less the terms that are only wanted."""
    unknown = set(wanted) - set(model.terms)
    if unknown:
        raise ValueError("only terms of the model can be wanted")
    return replace(model, terms=tuple(t for t in model.terms if t not in set(wanted)))


def _block_columns(blocks: Sequence[int] | None, held: int, free: int, centres: int) -> FloatArray:
    """Return sum-to-zero block contrasts (n, b − 1): held runs, centre runs, then free ones."""
    n = held + free + centres
    if blocks is None:
        return np.empty((n, 0))
    if len(blocks) != n:
        raise ValueError("blocks must have one entry a run, fixed runs first")
    order = [*range(held), *range(n - centres, n), *range(held, n - centres)]
    return block_contrasts(blocks)[order]


def _search_grid(grid: Grid, search: Search, at: IntArray) -> IntArray:
    """Return the positions (s, n) of the promising starts after coordinate exchange on the grid.

    After two passes the values hardly change, so only the better starts go on.
    """
    at = at.copy()
    active = np.arange(len(at))
    for number in range(PASSES):
        moved = _pass_over_grid(grid, search, at, active)
        active = active[moved]
        if number == 1:
            values = _values(search, grid.rows[at])
            ahead = np.argsort(values, kind="stable")[: max(1, round(PROMISING * len(at)))]
            active = np.intersect1d(active, ahead)
        if not len(active):
            break
    return at


def _pass_over_grid(
    grid: Grid, search: Search, at: IntArray, active: IntArray
) -> npt.NDArray[np.bool_]:
    """Try every coordinate of every run once, in place; tell which active starts improved."""
    here = at[active]
    current = Current(search, search.information(search.at_all(grid.rows[here])))
    moved = np.zeros(len(active), dtype=np.bool_)
    for run in range(here.shape[1]):
        for factor in range(len(grid.counts)):
            options = grid.along(here[:, run], factor)
            old = search.at_run(grid.rows[here[:, run]], run)
            gains = current.gains(search.at_run(grid.rows[options], run), old)
            gains[~grid.inside[options]] = -np.inf
            pick = np.argmax(gains, axis=1)
            take = np.flatnonzero(gains[np.arange(len(pick)), pick] > GAIN_LEAST)
            if len(take):
                here[take, run] = options[take, pick[take]]
                new = search.at_run(grid.rows[here[take, run]], run)
                current.exchange(take, new, old[take])
                moved[take] = True
    at[active] = here
    return moved


def _polish(feasible: Feasible, search: Search, settings: FloatArray, passes: int) -> FloatArray:
    """Return the settings (s, n, k) after coordinate exchange over all settable values."""
    settings = settings.copy()
    space = search.model.space
    for _ in range(passes):
        X = search.at_all(search.rows(settings))
        current = Current(search, search.information(X))
        moves = 0
        for run in range(settings.shape[1]):
            for i in range(len(space)):
                options = along(space, settings[:, run], i)
                moves += _improve(search, feasible, current, settings, X, run, options)
            for i, j in itertools.combinations(space.numeric, 2):
                options = across(space, settings[:, run], i, j)
                moves += _improve(search, feasible, current, settings, X, run, options)
        if not moves:
            break
    return settings


def _slid(
    feasible: Feasible,
    search: Search,
    grid: Grid,
    settings: FloatArray,
    generator: np.random.Generator,
) -> FloatArray:
    """Return settings (n, k) after steps in random directions, also along a curved limit.

    Along an axis, or at equal shares of two, a run on a curved limit cannot move. Only where
    factors have no step, and the rig cannot run the whole box.
    """
    space = search.model.space
    free = [i for i in space.numeric if getattr(space.factors[i], "step", None) is None]
    if len(free) < 2 or grid.inside.all():
        return settings
    middle = space.code(grid.settings[grid.inside]).mean(axis=0)
    moved = settings[None].copy()
    for reach in REACHES:
        for _ in range(SLIDES):
            options = _around(space, feasible, moved[0], free, middle, reach, generator)
            X = search.at_all(search.rows(moved))
            current = Current(search, search.information(X))
            moves = sum(
                _improve(search, feasible, current, moved, X, run, options[None, run])
                for run in range(len(settings))
            )
            if not moves:
                break
    return np.asarray(moved[0])


def _around(
    space: FactorSpace,
    feasible: Feasible,
    settings: FloatArray,
    free: Sequence[int],
    middle: FloatArray,
    reach: float,
    generator: np.random.Generator,
) -> FloatArray:
    """Return settings (n, c, k) a step away from each run, drawn in to where the rig can run them.

    A step out of the region ends where the way from its middle to there leaves it.
    """
    away = generator.standard_normal((len(settings), DIRECTIONS, len(free)))
    away *= reach / np.linalg.norm(away, axis=2, keepdims=True)
    at = np.repeat(space.code(settings)[:, None], DIRECTIONS, axis=1)
    at[..., free] = np.clip(at[..., free] + away, -1.0, 1.0)
    flat = at.reshape(-1, len(space))
    inner = flat.copy()
    inner[:, free] = middle[list(free)]
    low, high = np.zeros((2, len(flat), 1))
    fine = feasible(space.settable(space.decode(flat)))
    high[:] = 1.0
    low[fine] = 1.0
    for _ in range(HALVINGS):
        share = (low + high) / 2
        fine = feasible(space.settable(space.decode(inner + share * (flat - inner))))[:, None]
        low, high = np.where(fine, share, low), np.where(fine, high, share)
    reached = space.settable(space.decode(inner + low * (flat - inner)))
    return reached.reshape(at.shape)


def _improve(
    search: Search,
    feasible: Feasible,
    current: Current,
    settings: FloatArray,
    X: FloatArray,
    run: int,
    options: FloatArray,
) -> int:
    """Move one run of each start to the best feasible of its options (s, c, k), in place."""
    new = search.at_run(search.rows(options), run)
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


def _check_size(required: Model, total: int, new: int, blocks: int) -> None:
    if new < 1:
        raise ValueError("at least one run must be free to be chosen")
    needed = len(required) + blocks
    if total < needed:
        effects = "block effect" if blocks == 1 else "block effects"
        beside = f" and {blocks} {effects} beside them" if blocks else ""
        raise DesignError.of(
            "too-few-runs",
            f"The model ({required.name}) has {len(required)} terms{beside}, more than the {total}"
            " runs.",
            f"Allow at least {needed} runs, or aim at a smaller model.",
        )


def _check_found(required: Model, settings: FloatArray, tags: FloatArray, runs: int) -> None:
    check_estimable(required, settings, runs)
    X = np.hstack([required.matrix(required.space.code(settings)), tags])
    if not estimable(X):
        raise DesignError.of(
            "blocks-confounded",
            f"{runs} runs in these blocks cannot tell the blocks from the terms of the model"
            f" ({required.name}).",
            "Use fewer, larger blocks, or aim at a smaller model.",
        )
