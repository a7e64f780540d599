"""What a figure says, free of how it is drawn: `Picture` and the layers it is made of.

A picture has a finding as its title, a sentence on how to read it, axes with quantity and unit,
layers, and the table behind it. `svg` and `interactive` draw it; `map_pictures`, `fit_pictures` and
`design_pictures` make it from results. Nothing is computed there but the geometry of drawings and
the position of what is highest, lowest or furthest in what is shown.

Shapes: n points, mx and my grid lines along x and y.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from doe.digits import with_unit
from doe.factors import CategoricalFactor, FactorSpace, FloatArray, NumericFactor

if TYPE_CHECKING:
    from doe.region import RegionMap

__all__ = [
    "Axis",
    "Band",
    "Bars",
    "Cells",
    "Crosses",
    "Curve",
    "Estimates",
    "Infeasible",
    "Panels",
    "Picture",
    "PointKind",
    "Points",
    "RunPoints",
    "Shape",
    "Shapes",
    "StandardErrors",
    "Surface",
    "Table",
    "factor_axis",
    "factor_column",
    "hatch_sentence",
    "held_sentence",
    "held_text",
    "in_words",
    "infeasible_layers",
    "marks_sentence",
    "nice_levels",
    "one_setting",
    "padded_axis",
    "point_layers",
    "setting_text",
    "stops",
    "two_decimals",
]

BEYOND = 0.08
"""Share of a range by which an axis grows to show runs that ended outside it."""
PointKind = Literal["done", "planned", "suggested", "left out", "recommended", "choice", "doubtful"]
MARKS: dict[str, str] = {
    "done": "filled dot",
    "planned": "ring",
    "suggested": "ring with a dot",
    "left out": "small cross",
    "recommended": "diamond",
    "choice": "square",
    "doubtful": "dashed square",
}


@dataclass(frozen=True, slots=True)
class Axis:
    """Quantity and unit of an axis, its range, and names at 0, 1, 2 … if it has categories."""

    quantity: str
    unit: str
    low: float
    high: float
    categories: tuple[str, ...] = ()

    @property
    def label(self) -> str:
        return f"{self.quantity}, {self.unit}" if self.unit else self.quantity


@dataclass(frozen=True, slots=True)
class Table:
    """Headings and rows of text; `figures` names the columns that hold numbers."""

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    figures: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """Values (my, mx) over a grid, drawn in bands with a labelled line at each level."""

    x: FloatArray
    y: FloatArray
    values: FloatArray
    levels: tuple[float, ...]
    quantity: str
    unit: str
    strong: float | None = None
    """The level whose line stands out, if any."""


@dataclass(frozen=True, slots=True, eq=False)
class StandardErrors:
    """Standard errors (my, mx) over the same grid, drawn as dashed lines."""

    x: FloatArray
    y: FloatArray
    values: FloatArray
    levels: tuple[float, ...]
    unit: str


@dataclass(frozen=True, slots=True, eq=False)
class Infeasible:
    """Where one limit is not kept: polygons of rings (outer first, then holes).

    `places` (m, 2) are points to put the label at, best first; `hatch` tells limits apart.
    """

    label: str
    hatch: int
    polygons: tuple[tuple[FloatArray, ...], ...]
    places: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Runs of one kind (n,), with a name each."""

    kind: PointKind
    x: FloatArray
    y: FloatArray
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """A line with its label written beside it."""

    x: FloatArray
    y: FloatArray
    label: str
    role: Literal["water", "ember", "soft-ink"] = "water"
    dashed: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """An interval along a curve."""

    x: FloatArray
    low: FloatArray
    high: FloatArray
    label: str


@dataclass(frozen=True, slots=True, eq=False)
class Bars:
    """Bars (n,) from zero along x, one a category; `inner` (n,) is the part drawn solid."""

    lengths: FloatArray
    inner: FloatArray
    texts: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Estimates:
    """Values (n,) with intervals along x, one a category; `clear` if zero lies outside."""

    values: FloatArray
    low: FloatArray
    high: FloatArray
    clear: tuple[bool, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """A shape on a row of a category axis: its outline (m,) along x, in shares of the row's height.

    `foot` is written inside it, `top` above it, where the stretch `room` of x is wide enough.
    """

    row: int
    x: FloatArray
    height: FloatArray
    look: Literal["full", "slope", "low", "dashed", "mark"]
    foot: str = ""
    top: str = ""
    room: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class Shapes:
    """Shapes that stand on the rows of a category axis."""

    shapes: tuple[Shape, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Crosses:
    """Points (n,) with an interval along x and one along y."""

    x: FloatArray
    x_low: FloatArray
    x_high: FloatArray
    y: FloatArray
    y_low: FloatArray
    y_high: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Shares (rows, columns) at the crossings of two category axes, a dot of that area each.

    Filled where the share is positive, a ring where it is negative, nothing at 0.
    """

    shares: FloatArray


Layer = (
    Surface
    | StandardErrors
    | Infeasible
    | Points
    | Curve
    | Band
    | Bars
    | Estimates
    | Shapes
    | Cells
    | Crosses
)


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """A figure: `key` is its name within a page, `finding` its title."""

    key: str
    finding: str
    how_to_read: str
    x: Axis
    y: Axis
    layers: tuple[Layer, ...]
    table: Table


@dataclass(frozen=True, slots=True, eq=False)
class Panels:
    """Several small pictures under one finding; their own findings are the names of the panels."""

    key: str
    finding: str
    how_to_read: str
    pictures: tuple[Picture, ...]
    table: Table


@dataclass(frozen=True, slots=True, eq=False)
class RunPoints:
    """Runs of one kind: their settings (n, k) in real units and their names."""

    kind: PointKind
    settings: FloatArray
    names: tuple[str, ...]


def infeasible_layers(region: RegionMap) -> tuple[Infeasible, ...]:
    """Return where each limit fails (margin below 0), the limits in the order of the map.

    Where a limit does not apply (NaN) it forbids nothing.
    """
    failing = np.asarray(region.margin < 0)
    layers = []
    for j, limit in enumerate(region.limits):
        if failing[j].any():
            alone = failing[j] & (failing.sum(axis=0) == 1)
            places = _deep_places(region.x, region.y, alone if alone.any() else failing[j])
            polygons = _below_zero(region.x, region.y, region.margin[j])
            layers.append(Infeasible(limit.title, j, polygons, places))
    return tuple(layers)


def nice_levels(values: FloatArray, most: int) -> tuple[float, ...]:
    """Return at most `most` round values inside the range of `values`."""
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    if not high - low > 1e-12 * max(abs(low), abs(high)):
        return ()
    for step in _round_steps((high - low) / (most + 1)):
        first = math.floor(low / step) + 1
        found = tuple(
            float(f"{i * step:.12g}") for i in range(first, first + most + 1) if i * step < high
        )
        if len(found) <= most:
            return found
    return ()


def setting_text(space: FactorSpace, settings: FloatArray) -> tuple[str, ...]:
    """Return one setting (k,) as text, value and unit of each factor."""
    return tuple(one_setting(space, i, float(value)) for i, value in enumerate(settings))


def held_text(space: FactorSpace, region: RegionMap) -> str:
    """Return the sentence on the factors that a map holds still; empty if it holds none."""
    return held_sentence(space, region.at, {region.x_factor, region.y_factor})


def _round_steps(least: float) -> list[float]:
    exponent = math.floor(math.log10(least))
    steps = [m * 10.0**e for e in (exponent, exponent + 1) for m in (1.0, 2.0, 2.5, 5.0)]
    return [step for step in steps if step >= least * 0.999] + [10.0 ** (exponent + 2)]


def _below_zero(
    x: FloatArray, y: FloatArray, margin: FloatArray
) -> tuple[tuple[FloatArray, ...], ...]:
    """Return the polygons of rings that hold the grid points whose margin is below 0."""
    from contourpy import FillType, contour_generator

    known = np.where(np.isfinite(margin), margin, 1.0 + np.abs(_finite(margin)).max(initial=0.0))
    generator = contour_generator(x, y, known, name="serial", fill_type=FillType.OuterOffset)
    upper = -float(np.finfo(np.float64).tiny)  # a margin of exactly 0 keeps the limit
    points, offsets = generator.filled(float(known.min()) - 1.0, upper)
    return tuple(
        tuple(np.asarray(ring[a:b]) for a, b in itertools.pairwise(cuts))
        for ring, cuts in zip(points, offsets, strict=True)
    )


def _finite(values: FloatArray) -> FloatArray:
    return np.asarray(values[np.isfinite(values)], dtype=np.float64)


def _deep_places(x: FloatArray, y: FloatArray, member: npt.NDArray[np.bool_]) -> FloatArray:
    """Return up to 24 grid points (m, 2) deep inside a region, the deepest first.

    Depth counts erosions, twice as fast along x because a label is wider than high.
    """
    depth = np.zeros(member.shape, dtype=int)
    left = member.copy()
    while left.any():
        depth += left
        padded = np.pad(left, 2)
        left = (
            padded[2:-2, 2:-2]
            & padded[1:-3, 2:-2]
            & padded[3:-1, 2:-2]
            & padded[2:-2, :-4]
            & padded[2:-2, 4:]
            & padded[2:-2, 1:-3]
            & padded[2:-2, 3:-1]
        )
    order = np.argsort(-depth.ravel(), kind="stable")[: int(member.sum())]
    best = order[depth.ravel()[order] == depth.max()]
    centre = best[len(best) // 2]
    spread = order[:: max(1, len(order) // 23)][:23]
    rows, columns = np.unravel_index(np.concatenate([[centre], spread]), member.shape)
    return np.column_stack([x[columns], y[rows]])


def factor_axis(space: FactorSpace, position: int, points: Sequence[RunPoints] = ()) -> Axis:
    """Return the axis of a factor, a little longer where runs came to lie outside its range."""
    factor = space.factors[position]
    assert isinstance(factor, NumericFactor)
    reach = BEYOND * (factor.high - factor.low)
    at = [float(row[position]) for group in points for row in group.settings]
    near = [v for v in at if factor.low - reach <= v <= factor.high + reach]
    low, high = min([factor.low, *near]), max([factor.high, *near])
    return Axis(in_words(factor.name), factor.unit, low, high)


def padded_axis(
    quantity: str, unit: str, low: FloatArray, high: FloatArray, zero: bool = False
) -> Axis:
    """Return an axis a little longer than its values, from or to zero where asked."""
    ends = [float(np.min(low, initial=np.inf)), float(np.max(high, initial=-np.inf))]
    if zero or not np.isfinite(ends).all():
        ends = [min(ends[0], 0.0), max(ends[1], 0.0)]
    width = ends[1] - ends[0] or 1.0
    return Axis(quantity, unit, ends[0] - 0.06 * width, ends[1] + 0.06 * width)


def in_words(name: str) -> str:
    return name.replace("_", " ")


def one_setting(space: FactorSpace, position: int, value: float) -> str:
    factor = space.factors[position]
    if isinstance(factor, CategoricalFactor):
        return factor.levels[round(value)]
    return with_unit(f"{value:.{factor.decimals}f}".replace("-", "−"), factor.unit)


def held_sentence(space: FactorSpace, at: FloatArray, shown: set[int]) -> str:
    parts = [
        f"{in_words(factor.name)} {one_setting(space, i, float(at[i]))}"
        for i, factor in enumerate(space)
        if i not in shown
    ]
    return f"Held at {', '.join(parts)}." if parts else ""


def point_layers(x_factor: int, y_factor: int, points: Sequence[RunPoints]) -> tuple[Points, ...]:
    """Return runs as points on a map; runs that fall on one point share it.

    Runs that lie far outside the ranges are in the table only: `svg` leaves them out.
    """
    layers = []
    for group in points:
        together: dict[tuple[float, float], list[str]] = {}
        for row, name in zip(group.settings, group.names, strict=True):
            together.setdefault((float(row[x_factor]), float(row[y_factor])), []).append(name)
        if together:
            xy = np.array(list(together))
            layers.append(
                Points(group.kind, xy[:, 0], xy[:, 1], tuple(map(_names, together.values())))
            )
    return tuple(layers)


def _names(names: Sequence[str]) -> str:
    return ", ".join(names) if len(names) <= 3 else f"{len(names)} runs"


def hatch_sentence(layers: Sequence[Infeasible]) -> str:
    return "Hatched: what the rig cannot do, named by the limit in the way." if layers else ""


def marks_sentence(points: Sequence[RunPoints]) -> str:
    kinds = [group.kind for group in points if len(group.settings)]
    if not kinds:
        return ""
    listed = ", ".join(f"{MARKS[kind]} {kind}" for kind in dict.fromkeys(kinds))
    drawn = any(kind != "recommended" for kind in kinds)
    rest = "; runs are drawn whatever their other settings" if drawn else ""
    return f"Marks: {listed}{rest}."


def factor_column(space: FactorSpace, position: int) -> str:
    factor = space.factors[position]
    return f"{in_words(factor.name)}, {factor.unit}" if factor.unit else in_words(factor.name)


def stops(count: int, most: int) -> list[int]:
    return sorted({round(i) for i in np.linspace(0, count - 1, min(count, most))})


def two_decimals(value: float) -> str:
    return f"{value:.2f}".replace("-", "−") if math.isfinite(value) else "not known"
