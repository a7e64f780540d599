"""Split-plot designs: factors that are hard to change are held through a whole plot of runs.

Coordinate exchange for the generalised-least-squares information X'V⁻¹X from many random starts
at once. An easy factor moves one run; a hard factor moves every run of its whole plot together,
and, where plots are tied to repeat a setting, of all tied plots, so that the error between plots
can be judged by plots that were meant to be alike. Very hard and hard factors are held in the
same whole plots: there is no third stratum.

References: Goos and Vandebroek 2003, Technometrics 45, 235–245 (D-optimal split plots); Jones and
Nachtsheim 2009, Journal of Quality Technology 41, 340–361; both from memory.

Shapes: n runs, k factors, p columns, s starts, c candidate values, b whole plots.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from doe.design.exchange import (
    GAIN_LEAST,
    RATIO_LEAST,
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
    plainer,
    values_to_try,
)
from doe.design.strata import block_contrasts, hard_factors, whole_plot_columns
from doe.errors import DesignError
from doe.factors import CategoricalFactor, FactorSpace, Feasible, FloatArray
from doe.terms import Model, information_matrix

__all__ = [
    "RatioEfficiency",
    "SplitPlot",
    "WholePlots",
    "changes_at_random",
    "efficiency_at_ratios",
    "hard_changes",
    "hard_factors",
    "plots_in_blocks",
    "split_plot_runs",
]

GRID_MOST = 5_000
STARTS = 60
POLISHED = 3
PROMISING = 0.3
PASSES = 12
BLOCK_STARTS = 10
RATIOS = (0.1, 1.0, 10.0)


@dataclass(frozen=True, slots=True)
class WholePlots:
    """Whole plots that the schedule allows: how many runs each, and the expected variance ratio.

    `variance_ratio` is the variance between plots over that between runs of a plot.
    """

    sizes: tuple[int, ...]
    variance_ratio: float = 1.0

    @classmethod
    def of(cls, number: int, size: int, variance_ratio: float = 1.0) -> WholePlots:
        """Return `number` plots of `size` runs each."""
        return cls((size,) * number, variance_ratio)

    @property
    def runs(self) -> int:
        return sum(self.sizes)

    def within(self, runs: int) -> WholePlots:
        """Return these plots with at most `runs` runs, as even as they can be."""
        if self.runs <= runs:
            return self
        number = min(len(self.sizes), runs)
        sizes = tuple(runs // number + (i < runs % number) for i in range(number))
        return replace(self, sizes=sizes)


@dataclass(frozen=True)
class SplitPlot:
    """New runs (n, k) in real units, the whole plot of each (n,), and how good they are.

    `value` counts fixed runs in and is that of `optimal.Optimum` with M = X'V⁻¹X. `repeated`
    tells whether every setting of the hard factors was made to come in two plots at least.
    """

    settings: FloatArray
    plots: tuple[int, ...]
    variance_ratio: float
    criterion: Criterion
    value: float
    repeated: bool
    agreeing: int
    polished: int

    @property
    def sizes(self) -> tuple[int, ...]:
        """Number of runs of each whole plot (b,)."""
        return tuple(np.unique(self.plots, return_counts=True)[1].tolist())


@dataclass(frozen=True, slots=True)
class RatioEfficiency:
    """Efficiency of a design at a variance ratio, relative to the best found for that ratio."""

    variance_ratio: float
    efficiency: float


def hard_changes(space: FactorSpace, settings: FloatArray) -> int:
    """Return how often a hard factor changes from one run to the next, in the order given."""
    held = settings[:, list(hard_factors(space))]
    return int((np.abs(np.diff(held, axis=0)) > 1e-9).any(axis=1).sum())


def changes_at_random(space: FactorSpace, settings: FloatArray) -> float:
    """Return how often a hard factor changes on average if runs (n, k) come in random order.

    Each of n − 1 neighbours is a pair drawn at random; of cᵢ runs on each of the hard settings,
    Σ cᵢ(cᵢ − 1) of n(n − 1) ordered pairs are alike.
    """
    held = settings[:, list(hard_factors(space))]
    n = len(held)
    count = np.unique(held, axis=0, return_counts=True)[1]
    return float((n * (n - 1) - (count * (count - 1)).sum()) / n) if n else 0.0


def split_plot_runs(
    model: Model,
    feasible: Feasible,
    plots: int,
    plot_size: int | Sequence[int],
    generator: np.random.Generator,
    variance_ratio: float = 1.0,
    criterion: Criterion = "D",
    *,
    starts: int | None = None,
    region_coded: FloatArray | None = None,
    repeat_levels: bool = True,
    fixed: FloatArray | None = None,
    fixed_plots: Sequence[int] | None = None,
) -> SplitPlot:
    """Return the best split plot found, settable and feasible; hard factors constant in a plot.

    Parameters
    ----------
    plots, plot_size
        Number of new whole plots, and runs of each (one number for all, or one a plot).
    variance_ratio
        Variance between plots over variance between runs of a plot.
    repeat_levels
        Whether every setting of the hard factors comes in two new plots at least, if there are
        twice as many plots as the terms of the hard factors need.
    fixed, fixed_plots
        Runs (m, k) in real units that are there and are kept, and their whole plots.

    Raises
    ------
    InfeasibleError
        The rig can run no settable setting at all.
    DesignError
        No hard factor, too few plots or runs for the terms, or a region on which they cannot be
        told apart.
    """
    space = model.space
    sizes = (plot_size,) * plots if isinstance(plot_size, int) else tuple(plot_size)
    held = np.empty((0, len(space))) if fixed is None else np.atleast_2d(fixed)
    held_plots = tuple(range(len(held))) if fixed_plots is None else tuple(fixed_plots)
    _check(model, plots, sizes, variance_ratio, len(held), len(set(held_plots)))
    grid = Grid.of(model, feasible, GRID_MOST)
    check_estimable(model, np.vstack([held, grid.settings[grid.inside]]), sum(sizes))
    ties = _tied_plots(len(sizes), whole_plot_columns(model), repeat_levels)
    layouts = [_Layout.of(model, sizes, variance_ratio, tied) for tied in ties]
    search = Search.over(model, grid, held)
    if len(held):
        H = search.rows(held)
        search = replace(search, base=information_matrix(H, held_plots, variance_ratio))
    search = search.weighed(criterion_weights(model, criterion, grid, region_coded, feasible))
    grid = replace(grid, rows=grid.rows @ search.basis)
    count = STARTS if starts is None else starts
    others = generator.spawn(len(layouts) - 1)  # what is drawn later stays as it was
    found = [
        _best_of_layout(feasible, grid, search, layout, criterion, own, count)
        for layout, own in zip(layouts, (generator, *others), strict=True)
    ]
    values = np.array([_values(search, f.layout, search.rows(f.settings[None]))[0] for f in found])
    good = values <= values.min() + 1e-4 * (1 if criterion == "D" else abs(values.min()))
    best = found[int(np.argmax(good))]
    layout = best.layout
    whole = np.vstack([held, best.settings])
    check_estimable(model, whole, sum(sizes))
    value = float(values[int(np.argmax(good))])
    if criterion == "D":
        after = [len(set(held_plots)) + len(held) + j for j in layout.plot_of_run]
        value = _d_efficiency(model, whole, [*held_plots, *after], variance_ratio)
    return SplitPlot(
        best.settings,
        tuple(int(j) + 1 for j in layout.plot_of_run),
        variance_ratio,
        criterion,
        value,
        len(layout.tied) < len(sizes),
        best.near,
        best.searched,
    )


@dataclass(frozen=True)
class _Found:
    """The best settings (n, k) of a layout, and how many of the polished searches came near."""

    layout: _Layout
    settings: FloatArray
    near: int
    searched: int


def _best_of_layout(
    feasible: Feasible,
    grid: Grid,
    search: Search,
    layout: _Layout,
    criterion: Criterion,
    generator: np.random.Generator,
    starts: int,
) -> _Found:
    """Return the best settings found whose plots are tied as in the layout."""
    lines = _Lines.of(grid, layout.hard)
    at = lines.random_starts(generator, starts, layout)
    at = _search_grid(grid, lines, search, layout, at)
    best = best_different(_values(search, layout, grid.rows[at]), POLISHED)
    settings = _polish(feasible, search, layout, grid.settings[at[best]])
    values = _values(search, layout, search.rows(settings))
    winner = int(np.argmin(values))
    near = values <= values[winner] + 1e-4 * (1 if criterion == "D" else abs(values[winner]))
    plain = plainer(
        search,
        feasible,
        settings[winner],
        layout.moving_together,
        lambda tried: float(_values(search, layout, search.rows(tried[None]))[0]),
    )
    return _Found(layout, plain, int(near.sum()), len(values))


def plots_in_blocks(
    model: Model,
    settings: FloatArray,
    plots: Sequence[int],
    variance_ratio: float,
    blocks: int,
    generator: np.random.Generator,
) -> tuple[int, ...]:
    """Return the block (from 1) of each run: whole plots shared out so that terms stay clear.

    Blocks get as many plots each, or one more. Plots change places while the information on the
    model, block effects estimated beside it, grows; the best of several random starts is taken.

    Raises
    ------
    DesignError
        The blocks cannot be told from the terms, however the plots are shared out.
    """
    X = model.matrix(model.space.code(settings))
    of_run = np.unique(np.asarray(plots), return_inverse=True)[1].ravel()
    number, p = int(of_run.max()) + 1, X.shape[1]

    def information(of_plot: IntArray) -> float:
        whole = np.hstack([X, block_contrasts(of_plot[of_run].tolist())])
        if not estimable(whole):
            return -np.inf
        M = information_matrix(whole, plots, variance_ratio)
        left = M[:p, :p] - M[:p, p:] @ np.linalg.solve(M[p:, p:], M[p:, :p])
        return float(np.linalg.slogdet(left)[1])

    best, best_value = np.zeros(number, dtype=np.int_), -np.inf
    for _ in range(BLOCK_STARTS):
        now = generator.permutation(np.arange(number) % blocks)
        value, moved = information(now), True
        while moved:
            moved = False
            for one, other in itertools.combinations(range(number), 2):
                if now[one] == now[other]:
                    continue
                now[[one, other]] = now[[other, one]]
                tried = information(now)
                if tried > value + GAIN_LEAST:
                    value, moved = tried, True
                else:
                    now[[one, other]] = now[[other, one]]
        if value > best_value:
            best, best_value = now, value
    if not np.isfinite(best_value):
        raise DesignError.of(
            "blocks-confounded",
            f"{number} whole plots in {blocks} blocks cannot tell the blocks from the terms of the"
            f" model ({model.name}).",
            "Use fewer blocks or more whole plots, or aim at a smaller model.",
        )
    return tuple(int(best[j]) + 1 for j in of_run)


def efficiency_at_ratios(
    model: Model,
    feasible: Feasible,
    settings: FloatArray,
    plots: Sequence[int],
    criterion: Criterion,
    generator: np.random.Generator,
    ratios: Sequence[float] = RATIOS,
) -> tuple[RatioEfficiency, ...]:
    """Return how good a split plot (n, k) stays if the variance ratio is another than its own.

    The best design at each ratio is searched for, with settings of the hard factors that come
    twice and without; the design itself counts as found.
    """
    sizes = np.unique(np.asarray(plots), return_counts=True)[1].tolist()
    results = []
    for ratio in ratios:
        own = _criterion_value(model, feasible, settings, plots, ratio, criterion)
        shares = [1.0]
        for repeat in (True, False):
            best = split_plot_runs(
                model,
                feasible,
                len(sizes),
                sizes,
                generator,
                ratio,
                criterion,
                repeat_levels=repeat,
            )
            other = _criterion_value(model, feasible, best.settings, best.plots, ratio, criterion)
            shares.append(own / other if criterion == "D" else other / own)
        results.append(RatioEfficiency(ratio, float(min(shares))))
    return tuple(results)


def _criterion_value(
    model: Model,
    feasible: Feasible,
    settings: FloatArray,
    plots: Sequence[int],
    ratio: float,
    criterion: Criterion,
) -> float:
    if criterion == "D":
        return _d_efficiency(model, settings, plots, ratio)
    grid = Grid.of(model, feasible, GRID_MOST)
    weights = criterion_weights(model, criterion, grid, None, feasible)
    assert weights is not None
    X = model.matrix(model.space.code(settings))
    return float(np.trace(np.linalg.inv(information_matrix(X, plots, ratio)) @ weights))


def _d_efficiency(
    model: Model, settings: FloatArray, plots: Sequence[int], variance_ratio: float
) -> float:
    X = model.matrix(model.space.code(settings))
    M = information_matrix(X, plots, variance_ratio)
    return float(np.exp(np.linalg.slogdet(M)[1] / len(model)) / len(X))


@dataclass(frozen=True)
class _Layout:
    """Which runs share a plot, which plots share a setting of the hard factors."""

    hard: tuple[int, ...]
    easy: tuple[int, ...]
    plot_of_run: IntArray
    runs_of: tuple[IntArray, ...]
    shrink: FloatArray
    tied: tuple[tuple[int, ...], ...]

    @classmethod
    def of(
        cls,
        model: Model,
        sizes: Sequence[int],
        variance_ratio: float,
        tied: tuple[tuple[int, ...], ...],
    ) -> _Layout:
        space = model.space
        hard = hard_factors(space)
        plot_of_run = np.repeat(np.arange(len(sizes)), sizes)
        size = np.array(sizes, dtype=np.float64)
        return cls(
            hard,
            tuple(i for i in range(len(space)) if i not in hard),
            plot_of_run,
            tuple(np.flatnonzero(plot_of_run == j) for j in range(len(sizes))),
            variance_ratio / (1 + variance_ratio * size),
            tied,
        )

    def runs_together(self, group: int) -> IntArray:
        """Return the runs whose hard factors move together."""
        return np.concatenate([self.runs_of[j] for j in self.tied[group]])

    def moving_together(self, factor: int) -> list[IntArray]:
        """Return the runs in which a factor can only change together."""
        if factor in self.hard:
            return [self.runs_together(group) for group in range(len(self.tied))]
        return [np.array([run]) for run in range(len(self.plot_of_run))]

    def sums(self, X: FloatArray) -> FloatArray:
        """Return the sum of the rows of each plot (s, b, p)."""
        return np.stack([X[:, runs].sum(axis=1) for runs in self.runs_of], axis=1)

    def whitened(self, X: FloatArray, group: int) -> FloatArray:
        """Return rows (…, m, p) of tied plots, so turned that X̃'X̃ is their X'V⁻¹X.

        V^(−1/2) of a plot of m runs is I − t·11' with m·t = 1 − √(1 − m·shrink).
        """
        parts, first = [], 0
        for j in self.tied[group]:
            m = len(self.runs_of[j])
            rows = X[..., first : first + m, :]
            share = (1 - np.sqrt(1 - m * self.shrink[j])) / m
            parts.append(rows - share * rows.sum(axis=-2, keepdims=True))
            first += m
        return np.concatenate(parts, axis=-2)


def _tied_plots(plots: int, needed: int, repeat: bool) -> list[tuple[tuple[int, ...], ...]]:
    """Return ways to tie plots in groups that share a setting; every plot alone without repeats.

    As many groups as there are pairs, and one group fewer: three pairs cannot stand evenly at two
    settings, two groups of three can.
    """
    most = plots // 2
    if not repeat or most < needed:
        return [tuple((j,) for j in range(plots))]
    ways = []
    for groups in (most, most - 1):
        if groups >= needed:
            larger = groups - plots % groups  # from this one on they hold one plot more
            ends = np.cumsum([plots // groups + (g >= larger) for g in range(groups)])
            ways.append(tuple(tuple(map(int, g)) for g in np.split(np.arange(plots), ends[:-1])))
    return ways


@dataclass(frozen=True)
class _Lines:
    """The grid by settings of the hard factors: where a run goes when its plot changes.

    `nearest` holds, for every grid position, the nearest feasible one with the same setting of the
    hard factors (itself if feasible), −1 where there is none.
    """

    nearest: IntArray
    members: IntArray
    first: IntArray
    count: IntArray

    @classmethod
    def of(cls, grid: Grid, hard: tuple[int, ...]) -> _Lines:
        _, cell = np.unique(grid.settings[:, hard], axis=0, return_inverse=True)
        cell = cell.ravel()
        spread = np.ptp(grid.settings, axis=0)
        scaled = grid.settings / np.where(spread > 0, spread, 1.0)
        nearest = np.where(grid.inside, np.arange(len(cell)), -1)
        for number in np.unique(cell[grid.inside]):
            inside = np.flatnonzero((cell == number) & grid.inside)
            outside = np.flatnonzero((cell == number) & ~grid.inside)
            if len(outside):
                a, b = scaled[outside], scaled[inside]
                away = (b**2).sum(axis=1)[None, :] - 2 * a @ b.T
                nearest[outside] = inside[np.argmin(away, axis=1)]
        feasible = np.flatnonzero(grid.inside)
        members = feasible[np.argsort(cell[feasible], kind="stable")]
        _, first, count = np.unique(cell[members], return_index=True, return_counts=True)
        return cls(nearest, members, first, count)

    def random_starts(
        self, generator: np.random.Generator, starts: int, layout: _Layout
    ) -> IntArray:
        """Return grid positions (s, n): a random hard setting a group, then random easy ones."""
        at = np.zeros((starts, len(layout.plot_of_run)), dtype=np.int_)
        for group in range(len(layout.tied)):
            runs = layout.runs_together(group)
            cells = generator.integers(len(self.first), size=starts)[:, None]
            pick = generator.random((starts, len(runs))) * self.count[cells]
            at[:, runs] = self.members[self.first[cells] + pick.astype(np.int_)]
        return at


def _information(search: Search, layout: _Layout, X: FloatArray) -> FloatArray:
    """Return X'V⁻¹X + base (s, p, p)."""
    sums = layout.sums(X)
    shrunk = (sums * layout.shrink[None, :, None]).swapaxes(1, 2) @ sums
    return np.asarray(search.information(X) - shrunk)


def _values(search: Search, layout: _Layout, X: FloatArray) -> FloatArray:
    return search.values(_information(search, layout, X))


def _quick_values(current: Current, M: FloatArray) -> FloatArray:
    """Return the criterion of matrices (…, p, p) that a ridge keeps invertible: lower is better."""
    if current.weights is None:
        return np.asarray(-np.linalg.slogdet(M)[1])
    return np.asarray(np.einsum("...pq,qp->...", np.linalg.inv(M), current.weights))


def _search_grid(
    grid: Grid, lines: _Lines, search: Search, layout: _Layout, at: IntArray
) -> IntArray:
    """Return the positions (s, n) of the promising starts after exchange on the grid."""
    at = at.copy()
    active = np.arange(len(at))
    for number in range(PASSES):
        here = at[active]
        state = _State(search, layout, grid.rows[here])
        moved = _move_plots(grid, lines, state, here) | _move_runs(grid, state, here)
        at[active] = here
        active = active[moved]
        if number == 1:
            values = _values(search, layout, grid.rows[at])
            ahead = np.argsort(values, kind="stable")[: max(1, round(PROMISING * len(at)))]
            active = np.intersect1d(active, ahead)
        if not len(active):
            break
    return at


class _State:
    """Rows, plot sums and M⁻¹ of every start, kept up to date through the moves of one pass."""

    def __init__(self, search: Search, layout: _Layout, X: FloatArray) -> None:
        self.layout = layout
        self.X = X.copy()
        self.sums = layout.sums(X)
        self.current = Current(search, _information(search, layout, X))

    def gains(self, new: FloatArray, run: int) -> FloatArray:
        """Return the relative gain (s, c) of replacing one run of each start by `new` (s, c, p)."""
        plot = self.layout.plot_of_run[run]
        return plot_gains(
            self.current.inverse,
            self.current.spread,
            self.current.trace,
            new,
            self.X[:, run],
            self.sums[:, plot],
            float(self.layout.shrink[plot]),
        )

    def replace_run(self, starts: IntArray, run: int, new: FloatArray) -> None:
        plot = self.layout.plot_of_run[run]
        share = float(self.layout.shrink[plot])
        change = new - self.X[starts, run]
        pull = self.X[starts, run] - share * self.sums[starts, plot]
        cross = change[:, :, None] * pull[:, None, :]
        own = change[:, :, None] * change[:, None, :]
        self.current.M[starts] += (1 - share) * own + cross + cross.swapaxes(1, 2)
        self.current.renew(starts, _shifted(self.current.inverse[starts], change, pull, share))
        self.sums[starts, plot] += change
        self.X[starts, run] = new

    def group_values(self, new: FloatArray, group: int) -> tuple[FloatArray, FloatArray]:
        """Return criterion (s, c) and M (s, c, p, p) with tied plots replaced by `new` rows."""
        runs = self.layout.runs_together(group)
        old = self.layout.whitened(self.X[:, runs], group)
        rest = self.current.M - old.swapaxes(1, 2) @ old
        turned = self.layout.whitened(new, group)
        M = rest[:, None] + turned.swapaxes(-1, -2) @ turned
        return _quick_values(self.current, M), M

    def replace_group(self, starts: IntArray, group: int, new: FloatArray, M: FloatArray) -> None:
        runs = self.layout.runs_together(group)
        self.X[np.ix_(starts, runs)] = new
        for j in self.layout.tied[group]:
            self.sums[starts, j] = self.X[np.ix_(starts, self.layout.runs_of[j])].sum(axis=1)
        self.current.M[starts] = M
        self.current.renew(starts)

    def better(self, values: FloatArray) -> npt.NDArray[np.bool_]:
        """Tell which values (s, c) improve on the state enough to be taken."""
        now = _quick_values(self.current, self.current.M)
        least = GAIN_LEAST * (1.0 if self.current.weights is None else np.abs(now))
        return np.asarray(values < (now - least)[:, None])


def plot_gains(
    inverse: FloatArray,
    spread: FloatArray | None,
    trace: FloatArray | None,
    new: FloatArray,
    old: FloatArray,
    sums: FloatArray,
    share: float,
) -> FloatArray:
    """Return the relative gain (s, c) of replacing a run `old` (s, p) of a plot by `new` (s, c, p).

    Notes
    -----
    A plot of m runs with sum s (`sums`) has information X'X − f·ss', f = r/(1 + r·m) (`share`).
    With δ = new − old and w = old − f·s it changes by (1 − f)δδ' + δw' + wδ', of rank two. With
    d(u, v) = u'M⁻¹v and a(u, v) = u'M⁻¹WM⁻¹v: det ratio = (1 + d(δ, w))² + d(δ, δ)(1 − f −
    d(w, w)), and the trace falls by [(1 − f − d(w, w))·a(δ, δ) + 2(1 + d(δ, w))·a(δ, w) −
    d(δ, δ)·a(w, w)] / det ratio. Without plots (f = 0) that is `exchange.exchange_gains`.
    """
    change, pull = new - old[:, None, :], old - share * sums
    d_cc, d_cw, d_ww = _forms(inverse, change, pull)
    ratio = (1 + d_cw) ** 2 + d_cc * (1 - share - d_ww)
    if spread is None or trace is None:
        return ratio - 1
    a_cc, a_cw, a_ww = _forms(spread, change, pull)
    fall = (1 - share - d_ww) * a_cc + 2 * (1 + d_cw) * a_cw - d_cc * a_ww
    sound = ratio > RATIO_LEAST
    return np.where(sound, fall / np.where(sound, ratio, 1.0) / trace[:, None], -np.inf)


def _forms(
    matrix: FloatArray, change: FloatArray, pull: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return δ'Mδ (s, c), δ'Mw (s, c) and w'Mw (s, 1)."""
    at_pull = (matrix @ pull[:, :, None])[:, :, 0]
    return (
        np.einsum("scp,scp->sc", change @ matrix, change),
        np.einsum("scp,sp->sc", change, at_pull),
        np.einsum("sp,sp->s", pull, at_pull)[:, None],
    )


def _shifted(inverse: FloatArray, change: FloatArray, pull: FloatArray, share: float) -> FloatArray:
    """Return M⁻¹ (s, p, p) after M has changed by (1 − f)δδ' + δw' + wδ' (Woodbury)."""
    U = np.stack([change, pull], axis=2)
    DU = inverse @ U
    G = U.swapaxes(1, 2) @ DU
    a, b, g = G[:, 0, 0], 1 + G[:, 0, 1], G[:, 1, 1] - 1 + share
    ratio = np.maximum(b**2 - a * g, RATIO_LEAST)
    turned = np.stack([np.stack([-g, b], -1), np.stack([b, -a], -1)], -2)
    return np.asarray(inverse - DU @ (turned / ratio[:, None, None]) @ DU.swapaxes(1, 2))


def _move_plots(grid: Grid, lines: _Lines, state: _State, here: IntArray) -> npt.NDArray[np.bool_]:
    """Try every hard factor of every group of plots once, in place; tell which starts moved."""
    moved = np.zeros(len(here), dtype=np.bool_)
    for group in range(len(state.layout.tied)):
        runs = state.layout.runs_together(group)
        for factor in state.layout.hard:
            flat = grid.along(here[:, runs].ravel(), factor)
            options = lines.nearest[flat].reshape(len(here), len(runs), -1).swapaxes(1, 2)
            rows = grid.rows[options]
            values, M = state.group_values(rows, group)
            allowed = state.better(values) & (options >= 0).all(axis=2)
            values[~allowed] = np.inf
            pick = np.argmin(values, axis=1)
            take = np.flatnonzero(allowed.any(axis=1))
            if len(take):
                here[np.ix_(take, runs)] = options[take, pick[take]]
                state.replace_group(take, group, rows[take, pick[take]], M[take, pick[take]])
                moved[take] = True
    return moved


def _move_runs(grid: Grid, state: _State, here: IntArray) -> npt.NDArray[np.bool_]:
    """Try every easy factor of every run once, in place; tell which starts moved."""
    moved = np.zeros(len(here), dtype=np.bool_)
    for run in range(here.shape[1]):
        for factor in state.layout.easy:
            options = grid.along(here[:, run], factor)
            gains = state.gains(grid.rows[options], run)
            gains[~grid.inside[options]] = -np.inf
            pick = np.argmax(gains, axis=1)
            take = np.flatnonzero(gains[np.arange(len(pick)), pick] > GAIN_LEAST)
            if len(take):
                here[take, run] = options[take, pick[take]]
                state.replace_run(take, run, grid.rows[here[take, run]])
                moved[take] = True
    return moved


def _polish(
    feasible: Feasible, search: Search, layout: _Layout, settings: FloatArray
) -> FloatArray:
    """Return the settings (s, n, k) after exchange over all settable values."""
    settings = settings.copy()
    space = search.model.space
    numeric = [i for i in layout.easy if not isinstance(space.factors[i], CategoricalFactor)]
    for _ in range(PASSES):
        state = _State(search, layout, search.rows(settings))
        moves = 0
        for group in range(len(layout.tied)):
            for i in layout.hard:
                moves += _improve_group(feasible, search, state, settings, group, i)
        for run in range(settings.shape[1]):
            for i in layout.easy:
                options = along(space, settings[:, run], i)
                moves += _improve_run(feasible, search, state, settings, run, options)
            for i, j in itertools.combinations(numeric, 2):
                options = across(space, settings[:, run], i, j)
                moves += _improve_run(feasible, search, state, settings, run, options)
        if not moves:
            break
    return settings


def _improve_run(
    feasible: Feasible,
    search: Search,
    state: _State,
    settings: FloatArray,
    run: int,
    options: FloatArray,
) -> int:
    """Move one run of each start to the best feasible of its options (s, c, k), in place."""
    new = search.rows(options)
    gains = state.gains(new, run)
    allowed = _allowed(feasible, options, gains > GAIN_LEAST)
    gains[~allowed] = -np.inf
    pick = np.argmax(gains, axis=1)
    take = np.flatnonzero(allowed.any(axis=1))
    if len(take):
        state.replace_run(take, run, new[take, pick[take]])
        settings[take, run] = options[take, pick[take]]
    return len(take)


def _improve_group(
    feasible: Feasible,
    search: Search,
    state: _State,
    settings: FloatArray,
    group: int,
    factor: int,
) -> int:
    """Move one hard factor of tied plots of each start to its best feasible value, in place."""
    runs = state.layout.runs_together(group)
    values_now = settings[:, runs[0], factor]
    values = values_to_try(search.model.space.factors[factor], values_now)
    options = np.repeat(settings[:, None, runs], values.shape[1], axis=1)
    options[..., factor] = values[:, :, None]
    rows = search.rows(options)
    criterion, M = state.group_values(rows, group)
    allowed = _allowed(feasible, options, state.better(criterion))
    criterion[~allowed] = np.inf
    pick = np.argmin(criterion, axis=1)
    take = np.flatnonzero(allowed.any(axis=1))
    if len(take):
        state.replace_group(take, group, rows[take, pick[take]], M[take, pick[take]])
        settings[np.ix_(take, runs)] = options[take, pick[take]]
    return len(take)


def _allowed(
    feasible: Feasible, options: FloatArray, better: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    """Tell which of the better options (s, c, …, k) the rig can run, all runs of each."""
    allowed = np.zeros(better.shape, dtype=np.bool_)
    if better.any():
        asked = options[better]
        fine = feasible(asked.reshape(-1, asked.shape[-1]))
        allowed[better] = fine.reshape(len(asked), -1).all(axis=1)
    return allowed


def _check(
    model: Model,
    plots: int,
    sizes: tuple[int, ...],
    variance_ratio: float,
    held: int,
    held_plots: int,
) -> None:
    if plots < 1 or len(sizes) != plots or min(sizes) < 1 or variance_ratio < 0:
        raise ValueError("each whole plot needs a size of at least one, the ratio at least zero")
    if not hard_factors(model.space):
        raise DesignError.of(
            "no-hard-factor",
            "No factor is hard to change, so there is nothing to hold in whole plots.",
            "Declare the factor that is slow to change as hard, or plan without whole plots.",
        )
    runs = held + sum(sizes)
    if runs < len(model):
        raise DesignError.of(
            "too-few-runs",
            f"The model ({model.name}) has {len(model)} terms, more than the {runs} runs of the"
            " whole plots.",
            f"Allow at least {len(model)} runs, or aim at a smaller model.",
        )
    needed = whole_plot_columns(model)
    if held_plots + plots < needed:
        names = " and ".join(model.space.names[i] for i in hard_factors(model.space))
        raise DesignError.of(
            "too-few-plots",
            f"The model ({model.name}) has {needed} terms of {names} alone (the mean among them),"
            f" and there are {held_plots + plots} whole plots.",
            f"Allow at least {needed} whole plots; {2 * needed} let every setting come twice, so"
            " that the error between plots can be judged.",
        )
