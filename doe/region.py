"""The feasible region: how much of the box the rig can run, what cuts it, and how to cure that.

The rig comes in as a function from settings to an `Envelope`, so this room knows limits and
factors but no campaign.

Shapes: n settings, k factors, L limits.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from doe.factors import FactorSpace, FloatArray, NumericFactor, sample_box
from doe.rig import Envelope, Limit

__all__ = [
    "Corner",
    "EnvelopeOf",
    "LimitShare",
    "MapLine",
    "RegionMap",
    "Survey",
    "map_region",
    "survey",
]

EnvelopeOf = Callable[[FloatArray], Envelope]
SAMPLE = 4096


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
class Survey:
    """What `check` finds: the feasible share of the box, the limits that cut it, the cures."""

    feasible_fraction: float
    limits: tuple[LimitShare, ...]
    corners: tuple[Corner, ...]
    cures: tuple[str, ...]


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


def survey(space: FactorSpace, envelope_of: EnvelopeOf) -> Survey:
    """Return what limits the box: shares, failing corners and the smallest cures."""
    settings = sample_box(space, SAMPLE)
    envelope = envelope_of(settings)
    fails = np.asarray(envelope.margin < 0)
    alone = fails & (fails.sum(axis=1) == 1)[:, None]
    shares = [
        LimitShare(limit, float(fails[:, j].mean()), float(alone[:, j].mean()))
        for j, limit in enumerate(envelope.limits)
    ]
    corners = space.corners()
    at_corners = envelope_of(corners)
    found = tuple(
        Corner(
            corners[i],
            tuple(
                (limit, at_corners.sentence(i, j))
                for j, limit in enumerate(at_corners.limits)
                if at_corners.margin[i, j] < 0
            ),
        )
        for i in range(len(corners))
    )
    return Survey(
        float(envelope.feasible.mean()), tuple(shares), found, _cures(space, envelope_of, shares)
    )


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


def _cures(
    space: FactorSpace, envelope_of: EnvelopeOf, shares: Sequence[LimitShare]
) -> tuple[str, ...]:
    """Return, for each limit that cuts the box, the single range ends that would cure it.

    For every factor and end the smallest settable move that leaves no corner or sampled setting
    failing the limit; limits are monotone in each setting, so the sample and corners suffice.
    """
    settings = np.vstack([space.corners(), sample_box(space, 512)])
    cures = []
    for j, share in enumerate(shares):
        if share.fails_fraction == 0 and not (envelope_of(space.corners()).margin[:, j] < 0).any():
            continue
        moves = _end_moves(space, envelope_of, settings, j)
        if moves:
            cures.append(
                f"{_percent(share.fails_fraction)} of the box fails “{share.limit.title}”: "
                + " or ".join(moves)
                + "."
            )
        else:
            cures.append(
                f"{_percent(share.fails_fraction)} of the box fails “{share.limit.title}”; "
                "no single range end cures it."
            )
    return tuple(cures)


def _end_moves(
    space: FactorSpace, envelope_of: EnvelopeOf, settings: FloatArray, limit: int
) -> list[str]:
    """Return the moves of one range end that clear a limit, in words, gentlest first."""
    moves: list[tuple[float, str]] = []
    for i in space.numeric:
        factor = space.factors[i]
        assert isinstance(factor, NumericFactor)
        values = factor.settable_values(201)
        for end in ("low", "high"):
            kept = _furthest_kept(envelope_of, settings, limit, i, values, factor, end)
            if kept is None:
                continue
            words = "raise the low end of" if end == "low" else "lower the high end of"
            shrink = abs(kept - (factor.low if end == "low" else factor.high))
            text = f"{words} {factor.name} to {kept:.{factor.decimals}f} {factor.unit}".rstrip()
            moves.append((shrink / (factor.high - factor.low), text))
    return [text for _, text in sorted(moves)]


def _furthest_kept(
    envelope_of: EnvelopeOf,
    settings: FloatArray,
    limit: int,
    position: int,
    values: FloatArray,
    factor: NumericFactor,
    end: str,
) -> float | None:
    """Return the range end nearest to today's from which on the limit never fails, or None."""
    share = (settings[:, position] - factor.low) / (factor.high - factor.low)
    order = values[1:-1] if end == "low" else values[1:-1][::-1]

    def clears(value: float) -> bool:
        low, high = (value, factor.high) if end == "low" else (factor.low, value)
        moved = settings.copy()
        moved[:, position] = low + share * (high - low)
        return not (envelope_of(moved).margin[:, limit] < 0).any()

    if not len(order) or not clears(float(order[-1])):
        return None
    first, last = 0, len(order) - 1
    while first < last:
        middle = (first + last) // 2
        if clears(float(order[middle])):
            last = middle
        else:
            first = middle + 1
    return float(order[first])


def _percent(share: float) -> str:
    return "under 1 %" if 0 < share < 0.01 else f"{100 * share:.0f} %"
