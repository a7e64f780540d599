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

from doe.factors import FactorSpace, FloatArray, NumericFactor, sample_box
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
    share counts twice); None where nothing but boiling sets the pressure.
    """

    feasible_fraction: float
    limits: tuple[LimitShare, ...]
    corners: tuple[Corner, ...]
    cures: tuple[str, ...]
    boiling: tuple[float, float, float] | None = None


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
    envelope = envelope_of(sample_box(space, SAMPLE))
    fails = np.asarray(envelope.margin < 0)
    alone = fails & (fails.sum(axis=1) == 1)[:, None]
    shares = tuple(
        LimitShare(limit, float(fails[:, j].mean()), float(alone[:, j].mean()))
        for j, limit in enumerate(envelope.limits)
    )
    return Survey(
        float(envelope.feasible.mean()),
        shares,
        _corners(space, envelope_of),
        _cures(space, envelope_of, envelope, held),
        _boiling_shares(envelope),
    )


def _corners(space: FactorSpace, envelope_of: EnvelopeOf) -> tuple[Corner, ...]:
    corners = space.corners()
    found = envelope_of(corners)
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


@dataclass(frozen=True, slots=True)
class _Search:
    """What a cure is looked for on: settings (n, k) of the box, and the limits to clear."""

    space: FactorSpace
    envelope_of: EnvelopeOf
    settings: FloatArray
    limits: tuple[int, ...]

    def fails(self, envelope: Envelope) -> bool:
        return bool((envelope.margin[:, list(self.limits)] < 0).any())


def _cures(
    space: FactorSpace, envelope_of: EnvelopeOf, sampled: Envelope, held: Sequence[HeldSetting]
) -> tuple[str, ...]:
    """Return, for each cause that cuts the box, the single moves that would cure it.

    For every range end and held setting the smallest move that leaves no corner or sampled
    setting failing; limits are monotone in each setting, so the sample and corners suffice. A
    cause whose failures all lie within another's is left out: the other's cure cures it.
    """
    settings = np.vstack([space.corners(), sample_box(space, CURE_SAMPLE)])
    found = envelope_of(settings)
    causes = [group for group in _causes(found) if (found.margin[:, list(group)] < 0).any()]
    failing = [np.asarray((found.margin[:, list(group)] < 0).any(axis=1)) for group in causes]
    cures = []
    for i, group in enumerate(causes):
        if any(_within(failing[i], failing[j], i > j) for j in range(len(causes)) if j != i):
            continue
        search = _Search(space, envelope_of, settings, group)
        moves = [text for _, text in sorted(_end_moves(search) + _held_moves(search, held, found))]
        finding = _finding(sampled, group)
        if moves:
            cures.append(f"{finding}: {' or '.join(moves)}.")
        else:
            cures.append(f"{finding}; no single range end or setting cures it.")
    return tuple(cures)


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


def _end_moves(search: _Search) -> list[tuple[float, str]]:
    """Return the moves of one range end that clear a cause, each with its share of the range."""
    moves = []
    for i in search.space.numeric:
        factor = search.space.factors[i]
        assert isinstance(factor, NumericFactor)
        inner = factor.settable_values(201)[1:-1]
        for end in ("low", "high"):

            def clears(value: float, position: int = i, end: str = end) -> bool:
                return not search.fails(_squeezed(search, position, end, value))

            kept = _first_kept(inner if end == "low" else inner[::-1], clears)
            if kept is not None:
                shrink = abs(kept - (factor.low if end == "low" else factor.high))
                share = shrink / (factor.high - factor.low)
                moves.append((share, _end_words(factor, end, kept)))
    return moves


def _squeezed(search: _Search, position: int, end: str, value: float) -> Envelope:
    """Return the verdict on the settings if one range ended at `value` instead."""
    factor = search.space.factors[position]
    assert isinstance(factor, NumericFactor)
    low, high = (value, factor.high) if end == "low" else (factor.low, value)
    moved = search.settings.copy()
    share = (moved[:, position] - factor.low) / (factor.high - factor.low)
    moved[:, position] = low + share * (high - low)
    return search.envelope_of(moved)


def _end_words(factor: NumericFactor, end: str, value: float) -> str:
    name = factor.name.replace("_", " ")
    at = f"{value:.{factor.decimals}f} {factor.unit}".rstrip()
    if factor.name.startswith("pressure"):
        return f"raise the {name} floor to {at}" if end == "low" else f"cap the {name} at {at}"
    if factor.name == "temperature":
        return f"start at {at}" if end == "low" else f"stop at {at}"
    words = "raise the low end of" if end == "low" else "lower the high end of"
    return f"{words} {name} to {at}"


def _held_moves(
    search: _Search, held: Sequence[HeldSetting], today: Envelope
) -> list[tuple[float, str]]:
    """Return the moves of one held setting that clear a cause and break no other limit."""
    moves = []
    broken = (today.margin < 0).sum(axis=0)
    for setting in held:

        def at(value: float, setting: HeldSetting = setting) -> Envelope:
            return setting.envelope_at(value)(search.settings)

        def clears(value: float, at: Callable[[float], Envelope] = at) -> bool:
            return not search.fails(at(value))

        above = setting.values[setting.values > setting.value]
        below = setting.values[setting.values < setting.value][::-1]
        for values in (above, below):
            kept = _first_kept(values, clears)
            if kept is None or _breaks(broken, (at(kept).margin < 0).sum(axis=0)):
                continue
            name = setting.name.replace("_", " ")
            share = abs(kept - setting.value) / max(abs(setting.value), 1e-9)
            moves.append((share, f"set the {name} to {kept:.6g} {setting.unit}".rstrip()))
    return moves


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
