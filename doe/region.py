"""The feasible region: how much of the box the rig can run, what cuts it, and how to cure that.

The rig comes in as a function from settings to an `Envelope`, so this room knows limits and
factors but no campaign.

Shapes: n settings, k factors, L limits.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.factors import FactorSpace, FloatArray, NumericFactor, levels_without, sample_box
from doe.rig import Envelope, Limit

__all__ = [
    "Corner",
    "EnvelopeOf",
    "HeldSetting",
    "LimitShare",
    "MapLine",
    "RegionMap",
    "Survey",
    "map_region",
    "survey",
]

BoolArray = npt.NDArray[np.bool_]
EnvelopeOf = Callable[[FloatArray], Envelope]
SAMPLE = 4096
CURE_SAMPLE = 512


@dataclass(frozen=True, slots=True)
class LimitShare:
    """Share of the box that fails a limit, and the share that fails this limit and no other."""

    limit: Limit
    fails_fraction: float
    fails_alone_fraction: float


@dataclass(frozen=True, slots=True)
class Corner:
    """A corner of the box (k,) and the limits it fails, each with its sentence."""

    settings: FloatArray
    fails: tuple[tuple[Limit, str], ...]


@dataclass(frozen=True, slots=True)
class HeldSetting:
    """A setting that every run shares, and the rig's verdict if it were another.

    `values` are those it might be given instead, rising; `envelope_at` takes one of them.
    """

    name: str
    unit: str
    value: float
    values: FloatArray
    envelope_at: Callable[[float], EnvelopeOf]


@dataclass(frozen=True, slots=True)
class Survey:
    """What `check` finds: the feasible share of the box, the limits that cut it, the cures.

    `boiling` holds the shares of the box that are too close to boiling, may boil, and boil (no
    share counts twice); None where nothing but boiling sets the pressure. `levels_out` says which
    levels can be run nowhere, each in a sentence that is among the cures too.
    """

    feasible_fraction: float
    limits: tuple[LimitShare, ...]
    corners: tuple[Corner, ...]
    cures: tuple[str, ...]
    boiling: tuple[float, float, float] | None = None
    levels_out: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class MapLine:
    """A named curve on a map, e.g. the saturation curve."""

    label: str
    x: FloatArray
    y: FloatArray


@dataclass(frozen=True, slots=True)
class RegionMap:
    """Margins over two numeric factors, the others held at `at`.

    `margin` is (L, len(y), len(x)); a limit is kept where it is at least 0; NaN where it does
    not apply.
    """

    x_factor: int
    y_factor: int
    x: FloatArray
    y: FloatArray
    at: FloatArray
    limits: tuple[Limit, ...]
    margin: FloatArray
    lines: tuple[MapLine, ...] = ()
    space: FactorSpace | None = None
    """The factors of the map where they are not the campaign's: a wider range, one more."""

    @property
    def feasible(self) -> FloatArray:
        """1.0 where all limits are kept, 0.0 elsewhere, (len(y), len(x))."""
        return np.asarray(~(self.margin < 0).any(axis=0), dtype=np.float64)


def survey(space: FactorSpace, envelope_of: EnvelopeOf, held: Sequence[HeldSetting] = ()) -> Survey:
    """Return what limits the box: shares, failing corners and the smallest cures.

    Parameters
    ----------
    space, envelope_of
        The factors, and the rig's verdict on settings (n, k).
    held
        Settings that every run shares; moving one may cure what no range end does.
    """
    sampled, corners = sample_box(space, SAMPLE), space.corners()
    envelope, at_corners = envelope_of(sampled), envelope_of(corners)
    fails = np.vstack([envelope.margin < 0, at_corners.margin < 0])
    alone = fails & (fails.sum(axis=1) == 1)[:, None]
    # All corners together weigh as one sampled setting: enough that none fails unseen.
    weights = np.append(np.ones(SAMPLE), np.full(len(corners), 1 / len(corners))) / (SAMPLE + 1)
    shares = tuple(
        LimitShare(limit, _weighed(weights, fails[:, j]), _weighed(weights, alone[:, j]))
        for j, limit in enumerate(envelope.limits)
    )
    kept = np.asarray(~fails.any(axis=1))
    levels_out = tuple(
        f"Nothing can be run with {level}: take it out of the levels, or change what rules it out."
        for level in levels_without(space, np.vstack([sampled, corners])[kept])
        if kept.any()
    )
    return Survey(
        _weighed(weights, kept),
        shares,
        _corners(corners, at_corners),
        (*levels_out, *_cures(space, envelope_of, envelope, held)),
        _boiling_shares(envelope),
        levels_out,
    )


def _weighed(weights: FloatArray, which: BoolArray) -> float:
    """Return the weight of some settings, exactly 1 for all of them."""
    return 1.0 if which.all() else float(weights[which].sum())


def _corners(corners: FloatArray, found: Envelope) -> tuple[Corner, ...]:
    fails = np.asarray(found.margin < 0)

    def failing(i: int) -> tuple[tuple[Limit, str], ...]:
        said: dict[str, Limit] = {}
        for j in np.flatnonzero(fails[i]).tolist():
            said.setdefault(found.sentence(i, j), found.limits[j])  # both on boiling say the same
        return tuple((limit, sentence) for sentence, limit in said.items())

    return tuple(Corner(corners[i], failing(i)) for i in range(len(corners)))


def _boiling_shares(envelope: Envelope) -> tuple[float, float, float] | None:
    if envelope.boiling is None:
        return None
    too_close, may_boil, boils = (float((envelope.boiling == code).mean()) for code in (1, 2, 3))
    return too_close, may_boil, boils


def map_region(
    space: FactorSpace,
    envelope_of: EnvelopeOf,
    x_factor: int,
    y_factor: int,
    at: FloatArray,
    size: int = 61,
    lines: Sequence[MapLine] = (),
) -> RegionMap:
    """Return the margins over two numeric factors, the others at the setting `at` (k,)."""
    fx, fy = space.factors[x_factor], space.factors[y_factor]
    assert isinstance(fx, NumericFactor)
    assert isinstance(fy, NumericFactor)
    x, y = np.linspace(fx.low, fx.high, size), np.linspace(fy.low, fy.high, size)
    settings = np.tile(at, (size * size, 1))
    settings[:, x_factor] = np.tile(x, size)
    settings[:, y_factor] = np.repeat(y, size)
    envelope = envelope_of(settings)
    margin = envelope.margin.T.reshape(len(envelope.limits), size, size)
    return RegionMap(x_factor, y_factor, x, y, at, envelope.limits, margin, tuple(lines))


# ------------------------------------------------------------------------------------- cures


HAIR = 0.01
"""A cure has to gain this share of what a limit allows: less cures by chance, not by reason."""


@dataclass(frozen=True, slots=True)
class _Search:
    """What a cure is looked for on: settings (n, k) of the box, and the limits to clear.

    It is applied to `many` settings before it is offered. `enough` is the margin (limits,) that
    the worst setting has to have then.
    """

    space: FactorSpace
    envelope_of: EnvelopeOf
    settings: FloatArray
    many: FloatArray
    limits: tuple[int, ...]
    enough: FloatArray

    def fails(self, envelope: Envelope) -> bool:
        margins = envelope.margin[:, list(self.limits)]
        return bool((margins < self.enough).any())

    def applied(
        self, values: FloatArray, first: float, at: Callable[[float, FloatArray], Envelope]
    ) -> tuple[float, Envelope] | None:
        """Return the first value from `first` on that cures many settings, if one of a few does."""
        place = int(np.flatnonzero(values == first)[0])
        for value in values[place : place + 5].tolist():
            if not self.fails(found := at(value, self.many)):
                return value, found
        return None

    def left(self, envelope: Envelope) -> frozenset[int]:
        """Return the other limits that still fail."""
        failing = np.flatnonzero((envelope.margin < 0).any(axis=0)).tolist()
        return frozenset(failing) - frozenset(self.limits)


@dataclass(frozen=True, slots=True)
class _Move:
    """A move that clears a cause: share of the range or value, words, what fails even then."""

    share: float
    words: str
    left: frozenset[int]


def _enough(found: Envelope, group: tuple[int, ...]) -> FloatArray:
    """Return the margin that a cure has to reach at the worst setting of each limit (limits,)."""
    margins = np.where(np.isnan(found.margin), np.inf, found.margin)[:, list(group)]
    worst = margins.min(axis=0)
    allowed = np.abs(found.allowed[margins.argmin(axis=0), list(group)])
    return np.asarray(np.where(worst < 0, np.maximum(worst + HAIR * allowed, 0.0), 0.0))


def _cures(
    space: FactorSpace, envelope_of: EnvelopeOf, sampled: Envelope, held: Sequence[HeldSetting]
) -> tuple[str, ...]:
    """Return, for each cause that cuts the box, the single moves that would cure it.

    For every range end and held setting the smallest move that leaves no corner or sampled
    setting failing; it is looked for on a small sample and then applied to a large one. A cause
    whose failures all lie within another's is left out if each of the other's cures cures it too.
    """
    settings = np.vstack([space.corners(), sample_box(space, CURE_SAMPLE)])
    many = np.vstack([space.corners(), sample_box(space, SAMPLE)])
    found = envelope_of(settings)
    causes = [group for group in _causes(found) if (found.margin[:, list(group)] < 0).any()]
    failing = [np.asarray((found.margin[:, list(group)] < 0).any(axis=1)) for group in causes]
    moves = []
    for group in causes:
        search = _Search(space, envelope_of, settings, many, group, _enough(found, group))
        both = _end_moves(search) + _held_moves(search, held, found)
        moves.append(sorted(both, key=lambda move: (move.share, move.words)))

    def cured_with(i: int, j: int) -> bool:
        inside = _within(failing[i], failing[j], i > j)
        return inside and not any(move.left & set(causes[i]) for move in moves[j])

    return tuple(
        _cure_words(found, causes, i, _finding(sampled, group), moves[i])
        for i, group in enumerate(causes)
        if not any(cured_with(i, j) for j in range(len(causes)) if j != i)
    )


def _cure_words(
    found: Envelope,
    causes: Sequence[tuple[int, ...]],
    i: int,
    finding: str,
    moves: Sequence[_Move],
) -> str:
    """Return the sentence of one cause: what fails, and each move with what it takes besides."""
    if not moves:
        return f"{finding}; no single range end or setting cures it."

    def besides(move: _Move) -> tuple[str, ...]:
        groups = [group for group in causes if move.left & set(group)]
        return tuple(f"“{found.limits[group[0]].title}”" for group in groups)

    told = [besides(move) for move in moves]
    if len(set(told)) == 1:
        words = " or ".join(move.words for move in moves)
        return f"{finding}: {words}{_together(told[0])}."
    each = (move.words + _together(others) for move, others in zip(moves, told, strict=True))
    return f"{finding}: {'; or '.join(each)}."


def _together(others: Sequence[str]) -> str:
    return (
        f", once {_and(list(others))} {'is' if len(others) == 1 else 'are'} mended too"
        if others
        else ""
    )


def _causes(envelope: Envelope) -> list[tuple[int, ...]]:
    """Return the limits by their places, the two on boiling as one cause."""
    liquid = [j for j, limit in enumerate(envelope.limits) if limit.code.startswith("liquid-")]
    others = [(j,) for j in range(len(envelope.limits)) if j not in liquid]
    return [tuple(liquid), *others] if liquid else list(others)


def _within(fails: BoolArray, other: BoolArray, later: bool) -> bool:
    """Return whether all that fails here fails there too; of equals the first one counts."""
    inside = not (fails & ~other).any()
    return inside and (later or bool((other & ~fails).any()))


def _finding(sampled: Envelope, group: tuple[int, ...]) -> str:
    """Return how much of the box fails a cause, boiling in its three words."""
    if len(group) > 1 and (shares := _boiling_shares(sampled)) is not None:
        words = ("is too close to boiling", "may boil", "boils")
        told = [(share, word) for share, word in zip(shares, words, strict=True) if share > 0]
        if told:
            first = f"{_percent(told[0][0])} of the box {told[0][1]}"
            rest = [f"{_percent(share)} {word}" for share, word in told[1:]]
            return _and([first, *rest])
        return "A corner of the box is too close to boiling"
    share = float((sampled.margin[:, list(group)] < 0).any(axis=1).mean())
    title = sampled.limits[group[0]].title
    return f"{_percent(share)} of the box fails “{title}”"


def _and(parts: list[str]) -> str:
    return " and ".join(filter(None, (", ".join(parts[:-1]), parts[-1])))


def _end_moves(search: _Search) -> list[_Move]:
    """Return the moves of one range end that clear a cause, each with its share of the range."""
    moves = []
    for i in search.space.numeric:
        factor = search.space.factors[i]
        assert isinstance(factor, NumericFactor)
        inner = factor.settable_values(201)[1:-1]
        for end in ("low", "high"):

            def at(value: float, settings: FloatArray, i: int = i, end: str = end) -> Envelope:
                return search.envelope_of(_squeezed(search.space, settings, i, end, value))

            values = inner if end == "low" else inner[::-1]
            if (found := _smallest(search, values, at)) is not None:
                kept, verdict = found
                shrink = abs(kept - (factor.low if end == "low" else factor.high))
                share = shrink / (factor.high - factor.low)
                moves.append(_Move(share, _end_words(factor, end, kept), search.left(verdict)))
    return moves


def _smallest(
    search: _Search, values: FloatArray, at: Callable[[float, FloatArray], Envelope]
) -> tuple[float, Envelope] | None:
    """Return the first of the values that cures, and the verdict on many settings then."""
    kept = _first_kept(values, lambda value: not search.fails(at(value, search.settings)))
    return None if kept is None else search.applied(values, kept, at)


def _squeezed(
    space: FactorSpace, settings: FloatArray, position: int, end: str, value: float
) -> FloatArray:
    """Return the settings if one range ended at `value` instead."""
    factor = space.factors[position]
    assert isinstance(factor, NumericFactor)
    low, high = (value, factor.high) if end == "low" else (factor.low, value)
    moved = settings.copy()
    share = (moved[:, position] - factor.low) / (factor.high - factor.low)
    moved[:, position] = low + share * (high - low)
    return moved


def _end_words(factor: NumericFactor, end: str, value: float) -> str:
    name = factor.name.replace("_", " ")
    at = f"{value:.{factor.decimals}f} {factor.unit}".rstrip()
    if factor.name.startswith("pressure"):
        return f"raise the {name} floor to {at}" if end == "low" else f"cap the {name} at {at}"
    if factor.name == "temperature":
        return f"start at {at}" if end == "low" else f"stop at {at}"
    words = "raise the low end of" if end == "low" else "lower the high end of"
    return f"{words} {name} to {at}"


def _held_moves(search: _Search, held: Sequence[HeldSetting], today: Envelope) -> list[_Move]:
    """Return the moves of one held setting that clear a cause and break no other limit."""
    moves = []
    broken = (today.margin < 0).sum(axis=0)
    for setting in held:

        def at(value: float, settings: FloatArray, setting: HeldSetting = setting) -> Envelope:
            return setting.envelope_at(value)(settings)

        above = setting.values[setting.values > setting.value]
        below = setting.values[setting.values < setting.value][::-1]
        for values in (above, below):
            if (cured := _smallest(search, values, at)) is None:
                continue
            kept, verdict = cured
            if _breaks(broken, (at(kept, search.settings).margin < 0).sum(axis=0)):
                continue
            share = abs(kept - setting.value) / max(abs(setting.value), 1e-9)
            moves.append(_Move(share, _held_words(setting, kept), search.left(verdict)))
    return moves


def _held_words(setting: HeldSetting, value: float) -> str:
    name, to = setting.name.replace("_", " "), f"{value:.6g} {setting.unit}".rstrip()
    if setting.name == "temperature_swing":
        return f"hold the temperature steadier, its swing within {to}"
    return f"set the {name} to {to}"


def _breaks(before: npt.NDArray[np.intp], after: npt.NDArray[np.intp]) -> bool:
    """Return whether a limit kept before fails now, or one that failed does so clearly more."""
    return bool((after > np.where(before > 0, 1.02 * before + 2, 0)).any())


def _first_kept(values: FloatArray, clears: Callable[[float], bool]) -> float | None:
    """Return the first value from which on nothing fails, None if not even the last will do."""
    if not len(values) or not clears(float(values[-1])):
        return None
    first, last = 0, len(values) - 1
    while first < last:
        middle = (first + last) // 2
        if clears(float(values[middle])):
            last = middle
        else:
            first = middle + 1
    return float(values[first])


def _percent(share: float) -> str:
    if share == 0:
        return "A corner"
    return "under 1 %" if share < 0.01 else f"{100 * share:.0f} %"
