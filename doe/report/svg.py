"""Pictures as inline SVG: readable without scripts, in light, dark and print.

Colours are CSS classes of the page (`templates/report.css`), so a drawing follows its page. The
same picture always gives the same bytes. Labels stand beside what they name; where there is no
room for the label of a hatch, a letter stands in the hatch and its meaning below the plot.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from html import escape

import numpy as np

from doe.digits import plain, shown, with_unit
from doe.factors import FloatArray
from doe.report.palette import RAMP
from doe.report.pictures import (
    Axis,
    Band,
    Bars,
    Cells,
    Crosses,
    Curve,
    Estimates,
    Infeasible,
    Picture,
    Points,
    Shape,
    Shapes,
    StandardErrors,
    Surface,
    nice_levels,
)

__all__ = ["NARROW", "WIDE", "draw"]

WIDE = 700
NARROW = 330
TEXT = 14.0
SMALL = 12.5
LINE = 1.25
CHARACTER = 0.6
"""Width of a character over the size of the type, in DejaVu Sans: the widest plain face that a
reader is likely to have."""
BOLD = 0.66
"""The same in bold."""
SLIM, SLIM_WIDTH = frozenset("iljtfrI.,:;'’|!()[] ·/-"), 0.39
BROAD, BROAD_WIDTH = frozenset("mwMW%@"), 0.95
ANGLES = (45, -45, 0, 90, 20, -20, 65, -65)
ROW = 34.0
ROW_OF_MANY, MANY = 24.0, 12
"""Of more names than that, each on one line."""
ROW_NAMED = 48.0
ROW_BARS = 66.0
"""A row with its name above its bar and the bar's text below it."""
NAMED_MOST = 60
"""Runs of one kind up to which each is a mark with its name; beyond, dots, named in the table."""
INSET = 11.0
"""Pixels between the ends of axes and the frame where there are runs, so that no run lies on it."""
ROW_OF_SHAPES = 72.0
COLUMN_NAME = 150.0
"""Pixels that the name of a column may be long."""


@dataclass(frozen=True, slots=True)
class _Box:
    left: float
    top: float
    right: float
    bottom: float

    def meets(self, other: _Box) -> bool:
        return (
            self.left < other.right
            and other.left < self.right
            and self.top < other.bottom
            and other.top < self.bottom
        )

    def within(self, other: _Box) -> bool:
        return (
            self.left >= other.left
            and self.right <= other.right
            and self.top >= other.top
            and self.bottom <= other.bottom
        )


@dataclass(slots=True)
class _Canvas:
    """The frame of one drawing: where the plot lies, and which places labels have taken."""

    picture: Picture
    name: str
    plot: _Box
    width: float
    inset: float = 0.0
    taken: list[_Box] = field(default_factory=list)
    key: list[str] = field(default_factory=list)
    letters: int = 0

    def x(self, value: float) -> float:
        axis = self.picture.x
        share = (value - axis.low) / (axis.high - axis.low)
        wide = self.plot.right - self.plot.left - 2 * self.inset
        return self.plot.left + self.inset + share * wide

    def y(self, value: float) -> float:
        """Pixels down; categories run from the top, quantities from the bottom."""
        axis = self.picture.y
        share = (value - axis.low) / (axis.high - axis.low)
        height = self.plot.bottom - self.plot.top
        if axis.categories:
            return self.plot.top + share * height
        return self.plot.bottom - self.inset - share * (height - 2 * self.inset)

    def free(self, box: _Box) -> bool:
        return box.within(self.plot) and not any(map(box.meets, self.taken))

    def path(self, ring: FloatArray, close: bool = False) -> str:
        """Return path data of a line (m, 2) in the units of the axes."""
        pixels = [(self.x(x), self.y(y)) for x, y in ring.tolist()]
        steps = [f"{_n(x)} {_n(y)}" for x, y in _thinned(pixels)]
        return "M" + "L".join(steps) + ("Z" if close else "")


@dataclass(frozen=True, slots=True)
class _Faded:
    """The ground under a hatch, paled before any hatch is drawn."""

    layer: Infeasible


def draw(picture: Picture, width: int = WIDE, suffix: str = "") -> str:
    """Return the picture as an SVG element, `width` CSS pixels wide.

    `suffix` keeps the ids of two drawings of one picture on a page apart.
    """
    shapes = any(isinstance(layer, Shapes) for layer in picture.layers)
    named_above = bool(picture.y.categories) and width < 500 and not shapes
    canvas = _canvas(picture, width, picture.key + suffix, named_above)
    grid = list(_category_rows(canvas, named_above)) if picture.y.categories else []
    grid += _axes(canvas)
    ground = [layer for layer in picture.layers if not isinstance(layer, Points)]
    marks = [part for layer in _by_depth(ground) for part in _marks(canvas, layer)]
    runs = [
        part
        for layer in picture.layers
        if isinstance(layer, Points)
        for part in _marks(canvas, layer)
    ]
    canvas.taken += _curve_boxes(canvas)
    labels = [part for layer in _by_rank(picture.layers) for part in _labels(canvas, layer)]
    below, height = _below(canvas)
    name = _safe(canvas.name)
    return "\n".join(
        [
            f'<svg class="picture" xmlns="http://www.w3.org/2000/svg" role="img" '
            f'viewBox="0 0 {width} {_n(height)}" width="{width}" height="{_n(height)}" '
            f'aria-labelledby="{name}-title {name}-desc">',
            f'<title id="{name}-title">{_safe(picture.finding)}</title>',
            f'<desc id="{name}-desc">{_safe(_description(picture))}</desc>',
            *_definitions(canvas),
            *grid,
            f'<g clip-path="url(#{name}-plot)">',
            *marks,
            "</g>",
            *runs,
            *labels,
            *below,
            "</svg>",
        ]
    )


def _description(picture: Picture) -> str:
    across, up = picture.x.label, picture.y.label
    return f"{picture.how_to_read} Across: {across}. Up: {up}. The numbers are in the table below."


def _canvas(picture: Picture, width: int, name: str, named_above: bool) -> _Canvas:
    axis = picture.y
    if axis.categories:
        longest = max(_width(text, TEXT) for text in axis.categories)
        left = 10.0 if named_above else min(longest + 16, 0.42 * width)
        shapes = any(isinstance(layer, Shapes) for layer in picture.layers)
        bars = any(isinstance(layer, Bars) for layer in picture.layers)
        named = ROW_BARS if bars else ROW_NAMED
        plain = ROW_OF_MANY if len(axis.categories) > MANY and _on_one_line(axis, left) else ROW
        row = ROW_OF_SHAPES if shapes else named if named_above else plain
        top = 8.0
        if picture.x.categories:
            row = 0.8 * row if named_above else row
            top += 10 + max(min(_width(t, SMALL), COLUMN_NAME) for t in picture.x.categories)
        height = row * len(axis.categories)
        return _Canvas(picture, name, _Box(left, top, width - 12, top + height), width)
    ticks = max((_width(_tick(v), SMALL) for v in _ticks(axis, 6)), default=20)
    left = ticks + 14
    height = min(0.8 * width, 400.0)
    inset = INSET if any(isinstance(layer, Points) for layer in picture.layers) else 0.0
    return _Canvas(picture, name, _Box(left, 30, width - 12, 30 + height), width, inset)


def _on_one_line(axis: Axis, left: float) -> bool:
    return all(len(_two_lines(name, left - 12)) == 1 for name in axis.categories)


def _definitions(canvas: _Canvas) -> Iterator[str]:
    plot, name = canvas.plot, _safe(canvas.name)
    size = (
        f'x="{_n(plot.left)}" y="{_n(plot.top)}" width="{_n(plot.right - plot.left)}" '
        f'height="{_n(plot.bottom - plot.top)}"'
    )
    yield f'<defs><clipPath id="{name}-plot"><rect {size}/></clipPath>'
    for layer in canvas.picture.layers:
        if isinstance(layer, Infeasible):
            angle = ANGLES[layer.hatch % len(ANGLES)]
            gap = 8 + 3 * (layer.hatch // len(ANGLES))
            yield (
                f'<pattern id="{name}-hatch{layer.hatch}" patternUnits="userSpaceOnUse" '
                f'width="{gap}" height="{gap}" patternTransform="rotate({angle})">'
                f'<line class="hatch" x1="0" y1="{gap / 2:g}" x2="{gap}" y2="{gap / 2:g}"/>'
                "</pattern>"
            )
    yield "</defs>"


def _axes(canvas: _Canvas) -> list[str]:
    plot, x, y = canvas.plot, canvas.picture.x, canvas.picture.y
    parts = []
    step = max(3, int((plot.right - plot.left) / 80))
    if x.categories:
        return list(_column_names(canvas))
    for value in _ticks(x, step):
        at = canvas.x(value)
        parts.append(_line(at, plot.top, at, plot.bottom, "grid"))
        parts.append(_text(at, plot.bottom + 18, _tick(value), "tick middle"))
    if not y.categories:
        for value in _ticks(y, 6):
            at = canvas.y(value)
            parts.append(_line(plot.left, at, plot.right, at, "grid"))
            parts.append(_text(plot.left - 7, at + 4, _tick(value), "tick end"))
        parts.append(_text(0, 15, _axis_label(y, canvas.width), "axis"))
    return parts


def _column_names(canvas: _Canvas) -> Iterator[str]:
    """Return the names of columns, upright over them, and a hair line down each and each row."""
    plot = canvas.plot
    for i, name in enumerate(canvas.picture.x.categories):
        at = canvas.x(i)
        yield _line(at, plot.top, at, plot.bottom, "grid")
        text = _safe(_shortened(name, COLUMN_NAME, SMALL))
        place = f'x="{_n(at + 4)}" y="{_n(plot.top - 6)}"'
        turn = f'transform="rotate(-90 {_n(at + 4)} {_n(plot.top - 6)})"'
        yield f'<text class="bar-name" {place} {turn}>{text}</text>'
    for row in range(len(canvas.picture.y.categories)):
        yield _line(plot.left, canvas.y(row), plot.right, canvas.y(row), "grid")


def _axis_label(axis: Axis, room: float) -> str:
    """Return quantity and unit; where they are too long the quantity gives way first."""
    if _width(axis.label, TEXT) <= room:
        return axis.label
    unit = _shortened(axis.unit, room / 2, TEXT)
    rest = f", {unit}" if unit else ""
    return _shortened(axis.quantity, room - _width(rest, TEXT), TEXT) + rest


def _category_rows(canvas: _Canvas, named_above: bool) -> Iterator[str]:
    plot = canvas.plot
    for i, text in enumerate(canvas.picture.y.categories):
        at = canvas.y(i)
        if named_above:
            line = _shortened(text, plot.right - plot.left, TEXT)
            bars = any(isinstance(layer, Bars) for layer in canvas.picture.layers)
            yield _text(plot.left, at - (12 if bars else 6), line, "name")
        else:
            for j, line in enumerate(lines := _two_lines(text, plot.left - 12)):
                base = at + 5 + (j - (len(lines) - 1) / 2) * TEXT * 1.15
                yield _text(plot.left - 10, base, line, "name end")


def _two_lines(text: str, room: float) -> list[str]:
    """Return a name in at most two lines; what is longer ends in dots and stands in the table."""
    if _width(text, TEXT) <= room:
        return [text]
    most = max(4, int(room / (TEXT * CHARACTER)))
    lines = _wrapped(text, most)
    if len(lines) <= 2:
        return lines
    first, *rest = _filled(text, most)
    return [first, _shortened(" ".join(rest), room, TEXT)]


def _below(canvas: _Canvas) -> tuple[list[str], float]:
    """Return the x label and the meanings of letters under the plot, and the whole height."""
    plot = canvas.plot
    at = plot.bottom + (22 if canvas.picture.x.categories else 40)
    label = _text(plot.right, at, _axis_label(canvas.picture.x, plot.right), "axis end")
    parts = [label]
    for entry in canvas.key:
        for line in _wrapped(entry, int(canvas.width / (TEXT * BOLD))):
            at += TEXT * 1.35
            parts.append(_text(0, at, line, "key"))
    return parts, at + 10


def _marks(canvas: _Canvas, layer: object) -> Iterator[str]:
    """Return what a layer draws inside the plot."""
    match layer:
        case Surface():
            yield from _surface_marks(canvas, layer)
        case StandardErrors():
            for _, lines in _level_lines(layer.x, layer.y, layer.values, layer.levels):
                data = "".join(canvas.path(line) for line in lines)
                yield _path(data, "error-ground")
                yield _path(data, "error-line")
        case _Faded():
            yield _path(_rings(canvas, layer.layer), "faded", 'fill-rule="evenodd"')
        case Infeasible():
            rings = _rings(canvas, layer)
            hatch = f'fill="url(#{_safe(canvas.name)}-hatch{layer.hatch})" fill-rule="evenodd"'
            yield _path(rings, "hatched", hatch)
        case Points():
            places = _places(canvas, layer)
            if layer.kind == "done" and len(places) > NAMED_MOST:
                dots = "".join(f"M{_n(x)} {_n(y)}h0" for x, y, _ in places)
                yield _path(dots, "run-rims")
                yield _path(dots, "run-dots")
                return
            if layer.kind in ("choice", "doubtful"):
                yield from (_choice(x, y, name, layer.kind) for x, y, name in places)
                return
            for x, y, _ in places:
                yield from _point(x, y, layer.kind)
        case Curve():
            kind = f"curve {layer.role}{' dashed' if layer.dashed else ''}"
            yield _path(canvas.path(np.column_stack([layer.x, layer.y])), kind)
        case Band():
            edge = np.concatenate(
                [
                    np.column_stack([layer.x, layer.low]),
                    np.column_stack([layer.x, layer.high])[::-1],
                ]
            )
            yield _path(canvas.path(edge, close=True), "band")
        case Bars():
            yield from _bar_marks(canvas, layer)
        case Estimates():
            yield from _estimate_marks(canvas, layer)
        case Crosses():
            yield _path(_cross_lines(canvas, layer), "whisker")
        case Cells():
            yield from _cell_marks(canvas, layer)
        case Shapes():
            for shape in layer.shapes:
                yield _path(_shape_path(canvas, shape), f"shape-{shape.look}")


def _thinned(points: list[tuple[float, float]], most: float = 0.1) -> list[tuple[float, float]]:
    """Return a line without the points that lie within `most` pixels of what is left."""
    kept = points[:1]
    skipped: list[tuple[float, float]] = []
    for point, following in itertools.pairwise(points[1:]):
        skipped.append(point)
        if any(_off(p, kept[-1], following) > most for p in skipped):
            kept.append(point)
            skipped = []
    return [*kept, *points[1:][-1:]]


def _off(point: tuple[float, float], start: tuple[float, float], end: tuple[float, float]) -> float:
    """Return the distance of a point from the stretch between two others."""
    (x, y), (a, b), (c, d) = point, start, end
    length = math.hypot(c - a, d - b)
    if length < 1e-9:
        return math.hypot(x - a, y - b)
    along = ((x - a) * (c - a) + (y - b) * (d - b)) / length**2
    share = min(1.0, max(0.0, along))
    return math.hypot(x - a - share * (c - a), y - b - share * (d - b))


def _by_depth(layers: Iterable[object]) -> Iterator[object]:
    """Return layers in drawing order: all ground under hatches is paled before the first hatch."""
    pending = [layer for layer in layers if isinstance(layer, Infeasible)]
    for layer in layers:
        if isinstance(layer, Infeasible) and pending:
            yield from map(_Faded, pending)
            pending = []
        yield layer


def _rings(canvas: _Canvas, layer: Infeasible) -> str:
    return "".join(canvas.path(ring, close=True) for rings in layer.polygons for ring in rings)


def _curve_boxes(canvas: _Canvas) -> list[_Box]:
    """Return small boxes along every curve, so that no label is put across one."""
    boxes = []
    for layer in canvas.picture.layers:
        if isinstance(layer, Curve):
            boxes += [_Box(x - 2, y - 2, x + 2, y + 2) for x, y in _along(canvas, layer)]
    return boxes


def _along(canvas: _Canvas, layer: Curve) -> list[tuple[float, float]]:
    """Return pixels every 6 or so along the part of a curve that lies in the plot."""
    xs = np.array([canvas.x(x) for x in layer.x.tolist()])
    ys = np.array([canvas.y(y) for y in layer.y.tolist()])
    far = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(xs), np.diff(ys)))])
    at = np.linspace(0.0, far[-1], max(2, int(far[-1] / 6)))
    inside = canvas.plot
    return [
        (x, y)
        for x, y in np.column_stack([np.interp(at, far, xs), np.interp(at, far, ys)]).tolist()
        if inside.left <= x <= inside.right and inside.top <= y <= inside.bottom
    ]


def _surface_marks(canvas: _Canvas, layer: Surface) -> Iterator[str]:
    from contourpy import FillType, contour_generator

    generator = contour_generator(
        layer.x, layer.y, layer.values, name="serial", fill_type=FillType.OuterOffset
    )
    low, high = float(np.nanmin(layer.values)), float(np.nanmax(layer.values))
    span = (high - low) or 1.0
    edges = [low - span, *layer.levels, high + span]
    for i in range(len(edges) - 1):
        points, offsets = generator.filled(edges[i], edges[i + 1])
        data = "".join(
            canvas.path(ring[a:b], close=True)
            for ring, cuts in zip(points, offsets, strict=True)
            for a, b in itertools.pairwise(cuts)
        )
        if data:
            shade = RAMP[round(i * (len(RAMP) - 1) / max(1, len(edges) - 2))]
            yield _path(data, f"fill-{shade}", 'fill-rule="evenodd"')
    for level, lines in _level_lines(layer.x, layer.y, layer.values, layer.levels):
        kind = "level-line strong" if level == layer.strong else "level-line"
        yield _path("".join(canvas.path(line) for line in lines), kind)


def _level_lines(
    x: FloatArray, y: FloatArray, values: FloatArray, levels: Sequence[float]
) -> Iterator[tuple[float, list[FloatArray]]]:
    from contourpy import LineType, contour_generator

    generator = contour_generator(x, y, values, name="serial", line_type=LineType.Separate)
    for level in levels:
        lines = [line for line in generator.lines(level) if len(line) > 1]
        if lines:
            yield level, lines


def _choice(x: float, y: float, name: str, kind: str) -> str:
    """Return a square to pick, with room round it for a finger."""
    square = f'x="{_n(x - 6)}" y="{_n(y - 6)}" width="12" height="12"'
    return (
        f'<g data-choice="{_safe(name)}"><circle class="reach" cx="{_n(x)}" cy="{_n(y)}" r="16"/>'
        f'<rect class="run-choice {kind}" {square}/></g>'
    )


def _point(x: float, y: float, kind: str) -> Iterator[str]:
    if kind == "left out":
        a, b, c, d = _n(x - 5), _n(x + 5), _n(y - 5), _n(y + 5)
        cross = f"M{a} {c}L{b} {d}M{a} {d}L{b} {c}"
        yield _path(cross, "halo")
        yield _path(cross, "run-cross")
        return
    if kind == "recommended":
        edge = f"M{_n(x)} {_n(y - 8)}L{_n(x + 8)} {_n(y)}L{_n(x)} {_n(y + 8)}L{_n(x - 8)} {_n(y)}Z"
        yield _path(edge, "run-recommended")
        return
    yield f'<circle class="run-{kind}" cx="{_n(x)}" cy="{_n(y)}" r="6"/>'
    if kind == "suggested":
        yield f'<circle class="run-core" cx="{_n(x)}" cy="{_n(y)}" r="2.4"/>'


def _bar_marks(canvas: _Canvas, layer: Bars) -> Iterator[str]:
    thickness, zero = 12.0, canvas.x(0.0)
    for i, (length, inner) in enumerate(
        zip(layer.lengths.tolist(), layer.inner.tolist(), strict=True)
    ):
        top = canvas.y(i) - thickness / 2
        for value, kind in ((length, "bar"), (inner, "bar-inner")):
            wide = max(0.0, canvas.x(value) - zero)
            yield (
                f'<rect class="{kind}" x="{_n(zero)}" y="{_n(top)}" width="{_n(wide)}" '
                f'height="{_n(thickness)}"/>'
            )


def _cross_lines(canvas: _Canvas, layer: Crosses) -> str:
    middle = [(canvas.x(x), canvas.y(y)) for x, y in zip(layer.x, layer.y, strict=True)]
    across = zip(middle, layer.x_low, layer.x_high, strict=True)
    up = zip(middle, layer.y_low, layer.y_high, strict=True)
    return "".join(
        [f"M{_n(canvas.x(a))} {_n(y)}H{_n(canvas.x(b))}" for (_, y), a, b in across]
        + [f"M{_n(x)} {_n(canvas.y(a))}V{_n(canvas.y(b))}" for (x, _), a, b in up]
    )


def _cell_marks(canvas: _Canvas, layer: Cells) -> Iterator[str]:
    rows, columns = layer.shares.shape
    plot = canvas.plot
    room = min((plot.bottom - plot.top) / rows, (plot.right - plot.left) / columns)
    full = max(1.0, float(np.abs(layer.shares).max()))
    for row, column in itertools.product(range(rows), range(columns)):
        share = float(layer.shares[row, column])
        if share:
            radius = max(1.8, 0.42 * min(room, 26.0) * math.sqrt(abs(share) / full))
            kind = "cell-plus" if share > 0 else "cell-minus"
            x, y = _n(canvas.x(column)), _n(canvas.y(row))
            yield f'<circle class="{kind}" cx="{x}" cy="{y}" r="{_n(radius)}"/>'


def _estimate_marks(canvas: _Canvas, layer: Estimates) -> Iterator[str]:
    zero = canvas.x(0.0)
    yield _line(zero, canvas.plot.top, zero, canvas.plot.bottom, "zero")
    drop = 8.0 if canvas.width < 500 else 0.0
    for i, clear in enumerate(layer.clear):
        y = canvas.y(i) + drop
        low, high = canvas.x(float(layer.low[i])), canvas.x(float(layer.high[i]))
        yield _line(low, y, high, y, "interval")
        kind = "estimate-clear" if clear else "estimate-open"
        x = canvas.x(float(layer.values[i]))
        yield f'<circle class="{kind}" cx="{_n(x)}" cy="{_n(y)}" r="5"/>'


def _shape_path(canvas: _Canvas, shape: Shape) -> str:
    """Return the outline of a shape, closed along the foot of its row unless it is a mark."""
    foot = shape.row + 0.5
    ring = np.column_stack([shape.x, foot - shape.height])
    if shape.look == "mark":
        return canvas.path(ring)
    ends = np.array([[shape.x[-1], foot], [shape.x[0], foot]])
    return canvas.path(np.concatenate([ring, ends]), close=True)


def _shape_labels(canvas: _Canvas, shape: Shape) -> Iterator[str]:
    """Return what is written in a shape and above it; left out where there is no room."""
    left, right = (canvas.x(x) for x in shape.room)
    middle = canvas.x(float(shape.x.min() + shape.x.max()) / 2)
    over = canvas.y(shape.row + 0.5 - float(shape.height.max())) - 4
    foot = canvas.y(shape.row + 0.5) - 6
    ends = canvas.x(float(shape.x.min())), canvas.x(float(shape.x.max()))
    canvas.taken.append(_Box(ends[0], over, ends[1], foot + 6))
    for text, base, kind in ((shape.foot, foot, "run-name"), (shape.top, over, "tick")):
        wide = _width(text, SMALL)
        if text and wide <= right - left:
            at = min(max(middle, left + wide / 2), right - wide / 2)
            canvas.taken.append(_Box(at - wide / 2, base - SMALL, at + wide / 2, base + 3))
            yield _text(at, base, text, f"{kind} middle")


def _by_rank(layers: Iterable[object]) -> list[object]:
    """Order in which layers claim room for labels: runs first, dashed lines last."""
    ranks = {Points: 0, Shapes: 0, Curve: 1, Infeasible: 2, Surface: 3, StandardErrors: 4}
    return sorted(layers, key=lambda layer: ranks.get(type(layer), 5))


def _labels(canvas: _Canvas, layer: object) -> Iterator[str]:
    """Return the labels of a layer, each where there is room for it."""
    match layer:
        case Points():
            yield from _point_labels(canvas, layer)
        case Curve():
            yield from _curve_label(canvas, layer)
        case Infeasible():
            yield from _hatch_label(canvas, layer)
        case Surface():
            yield from _level_labels(canvas, layer, layer.levels, layer.unit, "", "level")
        case StandardErrors():
            yield from _level_labels(canvas, layer, layer.levels, layer.unit, "± ", "error")
        case Bars():
            for i, text in enumerate(layer.texts):
                yield from _bar_label(canvas, i, float(layer.lengths[i]), text)
        case Shapes():
            for shape in layer.shapes:
                yield from _shape_labels(canvas, shape)


def _places(canvas: _Canvas, layer: Points) -> list[tuple[float, float, str]]:
    """Return pixels and names of the points that lie in the picture."""
    places = [
        (canvas.x(x), canvas.y(y), name)
        for x, y, name in zip(layer.x.tolist(), layer.y.tolist(), layer.names, strict=True)
    ]
    plot = canvas.plot
    return [
        (x, y, name)
        for x, y, name in places
        if plot.left - 2 <= x <= plot.right + 2 and plot.top - 2 <= y <= plot.bottom + 2
    ]


def _point_labels(canvas: _Canvas, layer: Points) -> Iterator[str]:
    places = _places(canvas, layer)
    canvas.taken += [_Box(x - 6, y - 6, x + 6, y + 6) for x, y, _ in places]
    if len(places) > NAMED_MOST:
        return
    for x, y, name in (place for place in places if place[2]):
        wide = _width(name, SMALL)
        for left, base in (
            (x + 9, y + 4),
            (x - 9 - wide, y + 4),
            (x - wide / 2, y - 10),
            (x - wide / 2, y + 20),
        ):
            box = _Box(left, base - SMALL, left + wide, base + 2)
            if canvas.free(box):
                canvas.taken.append(box)
                yield _text(left, base, name, "run-name")
                break


def _curve_label(canvas: _Canvas, layer: Curve) -> Iterator[str]:
    inside = _along(canvas, layer)
    wide = _width(layer.label, SMALL)
    if not layer.label:
        return
    for share in (0.75, 0.6, 0.45, 0.85, 0.3, 0.15):
        if not inside:
            return
        x, y = inside[int(share * (len(inside) - 1))]
        for left, base in (
            (x - wide - 6, y - 5),
            (x + 7, y + 14),
            (x - wide / 2, y - 8),
            (x - wide / 2, y + 17),
        ):
            box = _Box(left, base - SMALL, left + wide, base + 3)
            if canvas.free(box):
                canvas.taken.append(box)
                yield _text(left, base, layer.label, f"curve-name {layer.role}")
                return
    canvas.key.append(f"{'Dashed' if layer.dashed else 'Solid'} line: {layer.label}")


def _hatch_label(canvas: _Canvas, layer: Infeasible) -> Iterator[str]:
    for most in (24, 12):
        lines = _wrapped(layer.label, most)
        box = _hatch_place(canvas, layer, lines)
        if box is not None:
            canvas.taken.append(box)
            for i, line in enumerate(lines):
                base = box.top + TEXT * (1 + LINE * i)
                yield _text((box.left + box.right) / 2, base, line, "limit middle")
            return
    letter = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"[canvas.letters % 26]
    canvas.letters += 1
    canvas.key.append(f"{letter}: {layer.label}")
    yield from _letter(canvas, layer, letter)


def _hatch_place(canvas: _Canvas, layer: Infeasible, lines: Sequence[str]) -> _Box | None:
    """Return where the lines of a label fit on their hatch, deepest inside first."""
    wide = max(map(len, lines)) * TEXT * BOLD
    tall = len(lines) * TEXT * LINE
    plot = canvas.plot
    for x, y in layer.places.tolist():
        middle = min(max(canvas.x(x), plot.left + wide / 2 + 5), plot.right - wide / 2 - 5)
        top = min(max(canvas.y(y) - tall / 2, plot.top + 4), plot.bottom - tall - 4)
        box = _Box(middle - wide / 2, top, middle + wide / 2, top + tall)
        if canvas.free(box) and _inside(canvas, layer, box):
            return box
    return None


def _letter(canvas: _Canvas, layer: Infeasible, letter: str) -> Iterator[str]:
    half = TEXT * 0.45
    boxes = []
    for x, y in layer.places.tolist():
        middle = min(max(canvas.x(x), canvas.plot.left + half), canvas.plot.right - half)
        base = min(max(canvas.y(y) + half, canvas.plot.top + TEXT), canvas.plot.bottom - 2)
        boxes.append(_Box(middle - half, base - TEXT, middle + half, base + 2))
    box = next((b for b in boxes if canvas.free(b)), boxes[0])
    canvas.taken.append(box)
    yield _text((box.left + box.right) / 2, box.bottom - 2, letter, "limit middle")


def _inside(canvas: _Canvas, layer: Infeasible, box: _Box) -> bool:
    """Whether the middle line of a label lies on its hatch."""
    y = (box.top + box.bottom) / 2
    at = [box.left + (box.right - box.left) * share for share in (0.04, 0.27, 0.5, 0.73, 0.96)]
    return all(_holds(canvas, layer, x, y) for x in at)


def _holds(canvas: _Canvas, layer: Infeasible, x: float, y: float) -> bool:
    """Whether a pixel lies on a hatch, by the even-odd rule."""
    crossings = 0
    for polygon in layer.polygons:
        for ring in polygon:
            xs = np.array([canvas.x(v) for v in ring[:, 0]])
            ys = np.array([canvas.y(v) for v in ring[:, 1]])
            spans = (ys[:-1] > y) != (ys[1:] > y)
            slope = np.diff(xs)[spans] / np.diff(ys)[spans]
            crossings += int((xs[:-1][spans] + slope * (y - ys[:-1][spans]) > x).sum())
    return crossings % 2 == 1


def _level_labels(
    canvas: _Canvas,
    layer: Surface | StandardErrors,
    levels: Sequence[float],
    unit: str,
    before: str,
    kind: str,
) -> Iterator[str]:
    for level, lines in _level_lines(layer.x, layer.y, layer.values, levels):
        text = before + with_unit(plain(level), unit)
        wide = _width(text, SMALL)
        line = max(lines, key=lambda ring: _length(canvas, ring))
        for share in (0.5, 0.35, 0.65, 0.2, 0.8, 0.1, 0.9):
            x, y = line[int(share * (len(line) - 1))].tolist()
            middle, base = canvas.x(x), canvas.y(y) + 4
            box = _Box(middle - wide / 2, base - SMALL, middle + wide / 2, base + 3)
            if canvas.free(box) and not _hidden(canvas, middle, base - 4):
                canvas.taken.append(box)
                yield _text(middle, base, text, f"{kind}-name middle")
                break


def _hidden(canvas: _Canvas, x: float, y: float) -> bool:
    return any(
        _holds(canvas, layer, x, y)
        for layer in canvas.picture.layers
        if isinstance(layer, Infeasible)
    )


def _length(canvas: _Canvas, line: FloatArray) -> float:
    xs, ys = [canvas.x(v) for v in line[:, 0]], [canvas.y(v) for v in line[:, 1]]
    return float(np.hypot(np.diff(xs), np.diff(ys)).sum())


def _bar_label(canvas: _Canvas, row: int, length: float, text: str) -> Iterator[str]:
    """Return the text of a bar: beside its end, or below it on a narrow screen."""
    if canvas.width < 500:
        yield _text(canvas.x(0.0), canvas.y(row) + 21, text, "bar-name")
        return
    end, wide = canvas.x(length), _width(text, SMALL)
    base = canvas.y(row) + 5
    if end + 8 + wide <= canvas.plot.right:
        yield _text(end + 8, base, text, "bar-name")
    else:
        yield _text(end - 6, base, text, "bar-name halo-text end")


def _ticks(axis: Axis, most: int) -> tuple[float, ...]:
    levels = nice_levels(np.array([axis.low, axis.high]), most)
    step = levels[1] - levels[0] if len(levels) > 1 else None
    ends: list[float] = []
    for value in (axis.low, axis.high):  # round ends of the range are ticks too
        if step and abs(value / step - round(value / step)) < 1e-9:
            ends.append(round(value, 12))
    return tuple(sorted({*levels, *ends}))


def _tick(value: float) -> str:
    return plain(value, 6)


def _width(text: str, size: float) -> float:
    slim = sum(c in SLIM for c in text)
    broad = sum(c in BROAD for c in text)
    rest = len(text) - slim - broad
    return size * (slim * SLIM_WIDTH + broad * BROAD_WIDTH + rest * CHARACTER)


def _shortened(text: str, room: float, size: float) -> str:
    if _width(text, size) <= room:
        return text
    kept = next((n for n in range(len(text), 3, -1) if _width(text[:n] + "…", size) <= room), 3)
    return text[:kept].rstrip() + "…"


def _wrapped(text: str, most: int) -> list[str]:
    """Return text in lines of at most `most` characters, as even as can be."""
    lines = _filled(text, most)
    longest = max(map(len, text.split()), default=0)
    while most > max(4, longest) and len(_filled(text, most - 1)) == len(lines):
        most -= 1
    return _filled(text, most)


def _filled(text: str, most: int) -> list[str]:
    """Return text in lines of at most `most` characters; a longer word is cut."""
    lines = [""]
    for word in text.split() or [""]:
        while len(word) > most:
            lines.append(word[:most])
            word = word[most:]
        if len(lines[-1]) + len(word) + 1 > most:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return [line for line in lines if line] or [""]


def _n(value: float) -> str:
    """Return pixels as text to one decimal; anything else is not a place."""
    if not math.isfinite(value):
        raise ValueError("a drawing needs finite coordinates")
    text = f"{value:.1f}"
    return "0" if text == "-0.0" else text.removesuffix(".0")


def _line(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    return f'<line class="{kind}" x1="{_n(x1)}" y1="{_n(y1)}" x2="{_n(x2)}" y2="{_n(y2)}"/>'


def _path(data: str, kind: str, more: str = "") -> str:
    return f'<path class="{kind}" d="{data}"{" " + more if more else ""}/>'


def _safe(text: str) -> str:
    return escape(shown(text), quote=False).replace('"', "&quot;")


def _text(x: float, y: float, text: str, kind: str) -> str:
    return f'<text class="{kind}" x="{_n(x)}" y="{_n(y)}">{_safe(text)}</text>'
