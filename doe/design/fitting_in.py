"""A classical design where the rig cannot run all of it: in a smaller box, or with runs moved.

`shrunk_into` keeps the design as it is and gives it narrower ranges; `moved_into` keeps the ranges
and moves the runs that cannot be. Both name every run that changes and say what it costs.

Shapes: n runs, k factors, b boxes; a box is (k, 2), low and high end of each factor in real units.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from doe.design.coded import CodedRuns
from doe.design.evaluation import efficiencies, region_sample
from doe.errors import DesignError, InfeasibleError
from doe.factors import (
    FactorSpace,
    Feasible,
    FloatArray,
    NumericFactor,
    feasible_settings,
    sample_box,
)
from doe.terms import Model

__all__ = ["FittedIn", "Loss", "MovedRun", "moved_into", "shrunk_into"]

Interval = tuple[float, float]
Box = tuple[Interval, ...]

LEVELS = 9  # ends tried for each range at first
WINDOWS = (2.0, 0.2)  # then around the ends of the best box, in distances of those levels
STARTS = 8  # boxes grown from different places
FINALISTS = 2  # boxes worth refining
SHARES = np.linspace(0.95, 0.05, 19)  # of the way from a start to the ends of the ranges
SHIFTS = (1, 2, 4)  # how many levels an end is drawn in, for another range to gain more
CHUNK = 16
PROBES = 2
SMALLEST = 3  # narrow intervals a factor, tried around feasible places where no box grows
UNMOVED = 1e-9


@dataclass(frozen=True, slots=True)
class MovedRun:
    """A run (from 1) that does not stand where the design has it."""

    run: int
    wanted: tuple[float, ...]
    given: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Loss:
    """What fitting in costs, against the design on the whole ranges if the rig could run it.

    `d_before` and `d_after` are D-efficiencies (higher is better). `variance_ratio` is the average
    prediction variance over what the rig can run, after over before; None without such a region.
    """

    d_before: float
    d_after: float
    variance_ratio: float | None

    @property
    def d_kept(self) -> float:
        """Share of the D-efficiency that is kept."""
        return self.d_after / self.d_before

    def sentence(self) -> str:
        text = (
            f"D-efficiency goes from {self.d_before:.3f} to {self.d_after:.3f}"
            f" ({100 * self.d_kept:.0f} % of it)"
        )
        if self.variance_ratio is not None:
            text += (
                ", and the average prediction variance over what the rig can run becomes"
                f" {self.variance_ratio:.2f} times what it would be"
            )
        return text + "."


@dataclass(frozen=True)
class FittedIn:
    """A design on settings (n, k) that the rig can run: how, at what cost, and what moved.

    `box` (k, 2) holds the ranges that the design uses; for a categorical factor NaN. `merged`
    counts settings that the design had apart and that have come to stand on one.
    """

    space: FactorSpace
    way: Literal["as it stands", "shrunk", "moved"]
    settings: FloatArray
    box: FloatArray
    moved: tuple[MovedRun, ...]
    merged: int
    loss: Loss

    @property
    def volume(self) -> float:
        """Share of the ranges' volume that the box holds."""
        shares = [
            (self.box[i, 1] - self.box[i, 0]) / (2 * factor.half_range)
            for i, factor in enumerate(self.space)
            if isinstance(factor, NumericFactor)
        ]
        return float(np.prod(shares))

    def sentences(self) -> tuple[str, ...]:
        """Return what was done, what it costs, and, for moved runs, each of them from → to."""
        if self.way == "as it stands":
            return ("The rig can run every setting of the design as it stands.",)
        if self.way == "shrunk":
            return (self._shrinking(), self.loss.sentence())
        return (self._moving(), self.loss.sentence(), *(self.move_in_words(m) for m in self.moved))

    def move_in_words(self, moved: MovedRun) -> str:
        """Return where the design has a run, and what changes: ``at 200 °C, 8: time 60 → 40``."""
        parts = []
        for factor, a, b in zip(self.space, moved.wanted, moved.given, strict=True):
            if abs(a - b) <= UNMOVED:
                continue
            if isinstance(factor, NumericFactor):
                parts.append(
                    f"{factor.name} {_shown(factor, a)} → {_shown(factor, b)} {factor.unit}"
                )
            else:
                parts.append(f"{factor.name} {factor.levels[round(a)]} → {factor.levels[round(b)]}")
        wanted = ", ".join(
            f"{_shown(factor, a)} {factor.unit}".rstrip()
            if isinstance(factor, NumericFactor)
            else factor.levels[round(a)]
            for factor, a in zip(self.space, moved.wanted, strict=True)
        )
        return f"The run at {wanted}: " + ", ".join(part.rstrip() for part in parts) + "."

    def _shrinking(self) -> str:
        parts = []
        for i, factor in enumerate(self.space):
            if not isinstance(factor, NumericFactor):
                continue
            low, high = self.box[i]
            if low > factor.low + UNMOVED or high < factor.high - UNMOVED:
                ends = f"{_shown(factor, low)} to {_shown(factor, high)}"
                whole = f"{_shown(factor, factor.low)} to {_shown(factor, factor.high)}"
                parts.append(f"{factor.name} {ends} instead of {whole} {factor.unit}".rstrip())
        share = 100 * self.volume
        return (
            f"The ranges are narrowed until the rig can run every setting: {'; '.join(parts)}."
            f" That is {share:.0f} % of the volume of the ranges."
        )

    def _moving(self) -> str:
        n, count = len(self.settings), len(self.moved)
        one = count == 1
        text = f"{count} of {n} runs cannot be done where the design has {'it' if one else 'them'}"
        text += f" and {'moves' if one else 'move'} to the nearest setting that can"
        if not self.merged:
            return text + "."
        return text + f"; the design then has {self.merged} fewer different settings."


def shrunk_into(runs: CodedRuns, model: Model, feasible: Feasible) -> FittedIn:
    """Return the design in the largest box found on which the rig can run all of its settings.

    The box is parallel to the axes, its ends can be set, and it is the largest by its share of the
    ranges' volume that a search from several places finds. Only the settings of the design need be
    feasible, not everything between them.

    Raises
    ------
    DesignError
        No box with room for the design's levels, or the narrowed design cannot carry the model.
    """
    space = model.space
    wanted = space.settable(runs.settings(space))
    if feasible(wanted).all():
        return _fitted(model, feasible, "as it stands", wanted, wanted, _whole(space))
    search = _Search(space, runs, feasible)
    grown = search.grown() if space.numeric else []
    if not grown:
        raise DesignError.of(
            "no-box",
            "There is no box of settable ranges on which the rig can run every setting of the"
            " design.",
            "Move the runs that cannot be done, or use an optimal design.",
        )
    best = search.refined(grown)
    box = np.full((len(space), 2), np.nan)
    box[list(space.numeric)] = best
    return _fitted(model, feasible, "shrunk", wanted, search.settings([best])[0], box)


def moved_into(
    runs: CodedRuns,
    model: Model,
    feasible: Feasible,
    candidates: FloatArray | None = None,
) -> FittedIn:
    """Return the design with each run that cannot be done moved to the nearest setting that can.

    Nearest in coded units, every range from −1 to +1; a change of a categorical level counts as a
    whole range.

    Parameters
    ----------
    candidates
        Feasible settable settings (m, k) to start from, if they are known already.

    Raises
    ------
    InfeasibleError
        The rig can run no settable setting at all.
    DesignError
        The runs as moved cannot carry the model.
    """
    space = model.space
    wanted = space.settable(runs.settings(space))
    fails = ~feasible(wanted)
    if not fails.any():
        return _fitted(model, feasible, "as it stands", wanted, wanted, _whole(space))
    known = feasible_settings(space, feasible) if candidates is None else candidates
    if not len(known):
        raise InfeasibleError.of(
            "nothing-feasible",
            "The rig can run no settable setting within the ranges.",
            "Widen the ranges towards what the rig can run.",
        )
    settings = wanted.copy()
    places: dict[bytes, FloatArray] = {}
    for i in np.flatnonzero(fails):
        key = wanted[i].tobytes()
        if key not in places:
            places[key] = _nearest(space, feasible, known, wanted[i])
        settings[i] = places[key]
    return _fitted(model, feasible, "moved", wanted, settings, _whole(space))


def _fitted(
    model: Model,
    feasible: Feasible,
    way: Literal["as it stands", "shrunk", "moved"],
    wanted: FloatArray,
    settings: FloatArray,
    box: FloatArray,
) -> FittedIn:
    space = model.space
    if not feasible(settings).all():
        raise ValueError("the candidates to move to must be feasible and settable")
    before, after = space.code(wanted), space.code(settings)
    if np.linalg.matrix_rank(model.matrix(after)) < len(model):
        raise DesignError.of(
            "fitting-in-fails",
            f"Once its runs stand where the rig can run them, the design cannot carry the"
            f" {len(model)} terms of the model ({model.name}).",
            "Use an optimal design, or aim at a smaller model.",
        )
    region = region_sample(space, feasible)
    had, has = (efficiencies(model, coded, region) for coded in (before, after))
    ratio = None if had.i is None or has.i is None else has.i / had.i
    changed = np.flatnonzero(np.abs(after - before).max(axis=1) > UNMOVED)
    moved = tuple(MovedRun(int(i) + 1, tuple(wanted[i]), tuple(settings[i])) for i in changed)
    settings.setflags(write=False)
    box.setflags(write=False)
    merged = len(np.unique(wanted, axis=0)) - len(np.unique(settings, axis=0))
    loss = Loss(had.d, has.d, ratio)
    return FittedIn(space, way, settings, box, moved, merged, loss)


def _whole(space: FactorSpace) -> FloatArray:
    return np.array(
        [(f.low, f.high) if isinstance(f, NumericFactor) else (np.nan, np.nan) for f in space]
    )


class _Search:
    """The search for the largest box; remembers which settings the rig can run."""

    def __init__(self, space: FactorSpace, runs: CodedRuns, feasible: Feasible) -> None:
        self.space = space
        self.feasible = feasible
        self.factors = [f for f in space if isinstance(f, NumericFactor)]
        self.numeric = list(space.numeric)
        self.frame = np.unique(runs.points, axis=0)
        self.runs = runs
        self.failed = np.zeros(len(self.frame), dtype=np.int_)
        self.known: dict[bytes, bool] = {}
        self.needed = [
            len(np.unique(factor.settable(self._levels(j, (factor.low, factor.high)))))
            for j, factor in enumerate(self.factors)
        ]

    def settings(self, boxes: Sequence[Box], points: FloatArray | None = None) -> FloatArray:
        """Return the settable settings (b, n, k) of the design in each box."""
        frame = self.runs.points if points is None else points
        ends = np.array(boxes)[:, None, :, :]
        rows = np.empty((len(boxes), *frame.shape))
        rows[:] = (frame + 1) / 2
        shares = rows[..., self.numeric]
        rows[..., self.numeric] = ends[..., 0] + shares * (ends[..., 1] - ends[..., 0])
        return self.space.settable(rows.reshape(-1, frame.shape[1])).reshape(rows.shape)

    def can_run(self, boxes: Sequence[Box]) -> npt.NDArray[np.bool_]:
        """Return whether the rig can run every setting of the design in each box (b,).

        The points that failed most often so far are looked at first.
        """
        order = np.argsort(-self.failed, kind="stable")
        good = np.asarray(self._verdicts(boxes, order[:PROBES]).all(axis=1))
        left = np.flatnonzero(good).tolist()
        if len(left) and len(order) > PROBES:
            rest = self._verdicts([boxes[i] for i in left], order[PROBES:])
            good[left] = rest.all(axis=1)
        return good

    def _verdicts(self, boxes: Sequence[Box], which: npt.NDArray[np.intp]) -> npt.NDArray[np.bool_]:
        rows = self.settings(boxes, self.frame[which])
        flat = rows.reshape(-1, rows.shape[-1]) + 0.0
        keys = [row.tobytes() for row in flat]
        new = {key: i for i, key in enumerate(keys) if key not in self.known}
        if new:
            found = self.feasible(flat[list(new.values())])
            self.known.update(zip(new, found.tolist(), strict=True))
        verdicts = np.array([self.known[key] for key in keys], dtype=np.bool_)
        verdicts = verdicts.reshape(rows.shape[:2])
        self.failed[which] += (~verdicts).sum(axis=0)
        return verdicts

    def axes(self, around: Box | None = None, window: float = 1.0) -> list[list[Interval]]:
        """Return, for each numeric factor, the intervals that may be its range, longest first.

        Their ends are spread over the whole range, or over a window around the ends of a box.
        """
        axes = []
        for j, factor in enumerate(self.factors):
            coarse = factor.settable_values(LEVELS)
            lows = highs = coarse
            if around is not None:
                lows, highs = (self._near(factor, coarse, end, window) for end in around[j])
            pairs = {(float(a), float(b)) for a in lows for b in highs if a < b}
            roomy = [p for p in pairs if self._has_room(j, p)]
            axes.append(sorted(roomy, key=lambda p: (p[0] - p[1], p)))
        return axes

    def grown(self) -> list[Box]:
        """Return the boxes that grow from several feasible places, each once."""
        axes = self.axes()
        found: dict[Box, None] = {}
        for start in self._starts():
            boxes = [self._towards_ends(start, share, axes) for share in SHARES]
            box = self._first([box for box in boxes if box is not None])
            if box is not None:
                found[self._ascended(box, axes, range(len(axes)))] = None
        return list(found) or self._narrow()

    def refined(self, boxes: Sequence[Box]) -> Box:
        """Return the largest box that any of these become when improved, ever more finely."""
        axes = self.axes()
        improved = [self.improved(box, axes) for box in boxes]
        improved = sorted(improved, key=self.volume, reverse=True)[:FINALISTS]
        for window in WINDOWS:
            improved = [self.improved(b, self.axes(b, window)) for b in dict.fromkeys(improved)]
        return max(improved, key=self.volume)

    def improved(self, box: Box, axes: list[list[Interval]]) -> Box:
        """Return a box that no single range, nor one range at the cost of another, can better."""
        count = len(axes)
        box = self._ascended(box, axes, range(count))
        better = True
        while better:
            better = False
            for j in range(count):
                for narrow in self._drawn_in(box[j], axes[j]):
                    trial = (*box[:j], narrow, *box[j + 1 :])
                    if not self.can_run([trial])[0]:
                        continue
                    order = [*(i for i in range(count) if i != j), j]
                    trial = self._ascended(trial, axes, order)
                    if self.volume(trial) > self.volume(box) * (1 + UNMOVED):
                        box, better = trial, True
        return box

    def volume(self, box: Box) -> float:
        sides = [(b - a) / f.half_range for (a, b), f in zip(box, self.factors, strict=True)]
        return float(np.prod(sides))

    def _narrow(self) -> list[Box]:
        """Return boxes grown from the narrowest intervals that work; for small regions."""
        found: dict[Box, None] = {}
        for start, window in itertools.product(self._starts(4 * STARTS), WINDOWS):
            values = start.tolist()
            axes = self.axes(tuple((at, at) for at in values), window)
            choices = [_narrowest(axis, at) for axis, at in zip(axes, values, strict=True)]
            box = self._first(list(itertools.product(*choices)))
            if box is not None:
                found[self._ascended(box, self.axes(box, window), range(len(axes)))] = None
            if len(found) == STARTS:
                break
        return list(found)

    def _ascended(self, box: Box, axes: list[list[Interval]], order: Sequence[int]) -> Box:
        """Return the box after lengthening one range after another as far as it goes."""
        longer = True
        while longer:
            longer = False
            for j in order:
                length = box[j][1] - box[j][0] + UNMOVED * self.factors[j].half_range
                trials = [
                    (*box[:j], interval, *box[j + 1 :])
                    for interval in axes[j]
                    if interval[1] - interval[0] > length
                ]
                wider = self._first(trials)
                if wider is not None:
                    box, longer = wider, True
        return box

    def _first(self, boxes: Sequence[Box]) -> Box | None:
        """Return the first box on which the design can be run."""
        for start in range(0, len(boxes), CHUNK):
            part = boxes[start : start + CHUNK]
            good = np.flatnonzero(self.can_run(part))
            if len(good):
                return part[int(good[0])]
        return None

    def _drawn_in(self, interval: Interval, axis: list[Interval]) -> list[Interval]:
        """Return the interval with one end drawn in by one or a few levels."""
        low, high = interval
        highs = sorted({b for a, b in axis if a == low and b < high}, reverse=True)
        lows = sorted({a for a, b in axis if b == high and a > low})
        return [
            pair
            for shift in SHIFTS
            for pair in (
                *((low, b) for b in highs[shift - 1 : shift]),
                *((a, high) for a in lows[shift - 1 : shift]),
            )
        ]

    def _towards_ends(
        self, start: FloatArray, share: float, axes: list[list[Interval]]
    ) -> Box | None:
        """Return the longest intervals inside a share of the way from a start to the ends."""
        box = []
        for j, factor in enumerate(self.factors):
            slack = UNMOVED * factor.half_range
            low = start[j] - share * (start[j] - factor.low) - slack
            high = start[j] + share * (factor.high - start[j]) + slack
            inside = next((p for p in axes[j] if low <= p[0] and p[1] <= high), None)
            if inside is None:
                return None
            box.append(inside)
        return tuple(box)

    def _starts(self, most: int = STARTS) -> list[FloatArray]:
        """Return feasible places (numeric factors only), the middle first, then far apart."""
        sample = self.space.settable(sample_box(self.space, 512))
        inside = np.unique(sample[self.feasible(sample)][:, self.numeric], axis=0)
        if not len(inside):
            return []
        coded = (inside - inside.mean(axis=0)) / [f.half_range for f in self.factors]
        picked = [int((coded**2).sum(axis=1).argmin())]
        apart = ((coded - coded[picked[0]]) ** 2).sum(axis=1)
        while len(picked) < min(most, len(inside)):
            picked.append(int(apart.argmax()))
            apart = np.minimum(apart, ((coded - coded[picked[-1]]) ** 2).sum(axis=1))
        return [inside[i] for i in picked]

    def _has_room(self, j: int, interval: Interval) -> bool:
        """Whether the levels of the design stay apart once rounded to what can be set."""
        levels = self.factors[j].settable(self._levels(j, interval))
        return len(np.unique(levels)) == self.needed[j]

    def _levels(self, j: int, interval: Interval) -> FloatArray:
        low, high = interval
        levels = np.unique(self.runs.points[:, self.numeric[j]])
        return np.asarray(low + (levels + 1) / 2 * (high - low), dtype=np.float64)

    @staticmethod
    def _near(factor: NumericFactor, coarse: FloatArray, end: float, window: float) -> FloatArray:
        reach = window * (coarse[-1] - coarse[0]) / (LEVELS - 1)
        ends = np.linspace(end - reach, end + reach, 2 * LEVELS + 1)
        return np.unique(factor.settable(np.append(ends, end)))


def _narrowest(axis: list[Interval], at: float) -> list[Interval]:
    """Return the few intervals that are narrow and near a value."""
    return sorted(axis, key=lambda p: (p[1] - p[0] + abs(p[0] + p[1] - 2 * at), p))[:SMALLEST]


def _nearest(
    space: FactorSpace, feasible: Feasible, known: FloatArray, wanted: FloatArray
) -> FloatArray:
    """Return the nearest feasible settable setting (k,) to one that is not feasible."""
    place = known[int(_distances(space, known, wanted).argmin())]
    steps = np.array(
        [(f.step or f.half_range / 512) if isinstance(f, NumericFactor) else 0.0 for f in space]
    )
    directions = np.array(list(itertools.product((-1.0, 0.0, 1.0), repeat=len(space.numeric))))
    for scale in (32, 8, 4, 2, 1):
        moves = np.zeros((len(directions), len(space)))
        moves[:, list(space.numeric)] = directions
        while True:
            around = space.settable(place + moves * steps * scale)
            distance = _distances(space, around, wanted)
            closer = around[distance < _distances(space, place[None], wanted)[0] - UNMOVED]
            closer = closer[feasible(closer)] if len(closer) else closer
            if not len(closer):
                break
            place = closer[int(_distances(space, closer, wanted).argmin())]
    return np.asarray(place, dtype=np.float64)


def _distances(space: FactorSpace, settings: FloatArray, wanted: FloatArray) -> FloatArray:
    """Return squared distances (m,) in coded units, 2 for each categorical level that differs."""
    apart = np.abs(space.code(settings) - space.code(wanted))
    for i in space.categorical:
        apart[:, i] = 2.0 * (apart[:, i] > 0.5)
    return np.asarray((apart**2).sum(axis=1), dtype=np.float64)


def _shown(factor: NumericFactor, value: float) -> str:
    return f"{round(value, factor.decimals):g}"
