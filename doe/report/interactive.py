"""Pictures as plotly figures, for notebooks. Pages draw their own: see `svg` and `explorer`."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from doe.digits import shown
from doe.factors import FloatArray
from doe.report.palette import LIGHT, RAMP
from doe.report.pictures import (
    Axis,
    Band,
    Bars,
    Curve,
    Estimates,
    Infeasible,
    Picture,
    Points,
    StandardErrors,
    Surface,
)

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["figure", "specification"]

Spec = dict[str, Any]
HATCHES = ("/", "\\", "-", "|", "x", "+", ".", "/")


def figure(picture: Picture) -> go.Figure:
    """Return the picture as a plotly figure in light colours, for a notebook."""
    import plotly.graph_objects as go

    spec = specification(picture)
    spec["layout"]["title"] = {"text": _plain_text(picture.finding)}
    return go.Figure(spec)


def specification(picture: Picture, colours: Mapping[str, str] = LIGHT) -> Spec:
    """Return the picture as plotly's dictionary of `data` and `layout`."""
    data: list[Spec] = []
    notes: list[Spec] = []
    errors = next((layer for layer in picture.layers if isinstance(layer, StandardErrors)), None)
    for layer in picture.layers:
        if isinstance(layer, Surface):
            data.append(_surface(picture, layer, errors, colours))
        elif isinstance(layer, StandardErrors):
            data.append(_errors(layer, colours))
        elif isinstance(layer, Infeasible):
            data.append(_infeasible(layer, colours))
            notes.append(_note(picture.x, layer, colours))
        elif isinstance(layer, Points):
            data.extend(_points(picture, layer, colours))
        elif isinstance(layer, Curve):
            data.append(_curve(layer, colours))
        elif isinstance(layer, Band):
            data.append(_band(layer, colours))
        elif isinstance(layer, Bars):
            data.extend(_bars(picture.y, layer, colours))
        elif isinstance(layer, Estimates):
            data.extend(_estimates(picture.y, layer, colours))
    return {"data": data, "layout": _layout(picture, notes, colours)}


def _surface(
    picture: Picture, layer: Surface, errors: StandardErrors | None, colours: Mapping[str, str]
) -> Spec:
    x, y = picture.x, picture.y
    hover = (
        f"{_plain_text(x.quantity)} %{{x}} {_plain_text(x.unit)}<br>"
        f"{_plain_text(y.quantity)} %{{y}} {_plain_text(y.unit)}<br>"
        f"<b>{_plain_text(layer.quantity)} %{{z}} {_plain_text(layer.unit)}</b>"
    )
    spec = {
        "type": "contour",
        "x": _rounded(layer.x),
        "y": _rounded(layer.y),
        "z": [_rounded(row, 4) for row in layer.values],
        "colorscale": [[i / (len(RAMP) - 1), colours[role]] for i, role in enumerate(RAMP)],
        "showscale": False,
        "line": {"width": 1, "color": colours["ink"]},
        "hovertemplate": hover + "<extra></extra>",
        "name": "",
        **_contours(layer.levels, {"showlabels": True, "labelfont": {"color": colours["ink"]}}),
    }
    if errors is not None and errors.values.shape == layer.values.shape:
        spec["customdata"] = [_rounded(row, 3) for row in errors.values]
        spec["hovertemplate"] = (
            f"{hover}<br>standard error %{{customdata}} {_plain_text(errors.unit)}<extra></extra>"
        )
    return spec


def _errors(layer: StandardErrors, colours: Mapping[str, str]) -> Spec:
    return {
        "type": "contour",
        "x": _rounded(layer.x),
        "y": _rounded(layer.y),
        "z": [_rounded(row, 3) for row in layer.values],
        "showscale": False,
        "hoverinfo": "skip",
        "line": {"width": 1, "dash": "dot", "color": colours["ink"]},
        **_contours(
            layer.levels,
            {
                "coloring": "none",
                "showlabels": True,
                "labelformat": ".3~g",
                "labelfont": {"color": colours["soft-ink"], "size": 11},
            },
        ),
    }


def _contours(levels: tuple[float, ...], more: Spec) -> Spec:
    """Return plotly's even steps for our levels, which are even."""
    if not levels:
        return {"contours": {**more}, "ncontours": 1}
    size = levels[1] - levels[0] if len(levels) > 1 else 1.0
    even = {"start": levels[0], "end": levels[-1], "size": size}
    return {"autocontour": False, "contours": {**even, **more}}


def _infeasible(layer: Infeasible, colours: Mapping[str, str]) -> Spec:
    xs: list[float | None] = []
    ys: list[float | None] = []
    for polygon in layer.polygons:
        for ring in polygon:
            xs += [*_rounded(ring[:, 0]), None]
            ys += [*_rounded(ring[:, 1]), None]
    return {
        "type": "scatter",
        "mode": "lines",
        "x": xs[:-1],
        "y": ys[:-1],
        "fill": "toself",
        "line": {"color": colours["ember"], "width": 1.6},
        "fillcolor": colours["paper"],
        "fillpattern": {
            "shape": HATCHES[layer.hatch % len(HATCHES)],
            "fgcolor": colours["ember"],
            "bgcolor": "rgba(0,0,0,0)",
            "size": 8,
            "solidity": 0.15,
        },
        "hoverinfo": "skip",
        "showlegend": False,
    }


def _note(axis: Axis, layer: Infeasible, colours: Mapping[str, str]) -> Spec:
    x, y = layer.places[0].tolist()
    share = (x - axis.low) / (axis.high - axis.low)
    lines = textwrap.wrap(shown(layer.label), 18)
    return {
        "x": x,
        "y": y,
        "xanchor": "right" if share > 0.85 else "left" if share < 0.15 else "center",
        "text": f"<b>{'<br>'.join(map(_plain_text, lines))}</b>",
        "showarrow": False,
        "font": {"color": colours["ember"], "size": 13},
        "bgcolor": colours["paper"],
        "borderpad": 2,
    }


def _points(picture: Picture, layer: Points, colours: Mapping[str, str]) -> Iterator[Spec]:
    symbols = {
        "done": ("circle", "straw"),
        "planned": ("circle-open", "ink"),
        "suggested": ("circle-open-dot", "ember"),
        "recommended": ("diamond-open", "ember"),
        "left out": ("x-thin-open", "ink"),
        "choice": ("square-open", "water"),
        "doubtful": ("square-open-dot", "ember"),
    }
    symbol, role = symbols[layer.kind]
    x, y = picture.x, picture.y
    yield {
        "type": "scatter",
        "mode": "markers",
        "x": _rounded(layer.x),
        "y": _rounded(layer.y),
        "text": [f"run {_plain_text(name)}, {layer.kind}" for name in layer.names],
        "hovertemplate": f"%{{text}}<br>%{{x}} {_plain_text(x.unit)}<br>"
        f"%{{y}} {_plain_text(y.unit)}<extra></extra>",
        "marker": {
            "symbol": symbol,
            "size": 12,
            "color": colours[role],
            "line": {
                "width": 1.5 if layer.kind == "done" else 2.2,
                "color": colours["paper" if layer.kind == "done" else role],
            },
        },
        "showlegend": False,
    }


def _curve(layer: Curve, colours: Mapping[str, str]) -> Spec:
    return {
        "type": "scatter",
        "mode": "lines",
        "x": _rounded(layer.x),
        "y": _rounded(layer.y),
        "name": _plain_text(layer.label),
        "line": {
            "color": colours[layer.role],
            "width": 2.2,
            "dash": "dash" if layer.dashed else "solid",
        },
        "showlegend": False,
    }


def _band(layer: Band, colours: Mapping[str, str]) -> Spec:
    return {
        "type": "scatter",
        "mode": "lines",
        "x": [*_rounded(layer.x), *_rounded(layer.x[::-1])],
        "y": [*_rounded(layer.low), *_rounded(layer.high[::-1])],
        "fill": "toself",
        "fillcolor": colours["ramp-2"],
        "line": {"width": 0},
        "hoverinfo": "skip",
        "showlegend": False,
    }


def _bars(axis: Axis, layer: Bars, colours: Mapping[str, str]) -> Iterator[Spec]:
    names = [_plain_text(name) for name in axis.categories]
    for lengths, colour in ((layer.lengths, "raised"), (layer.inner, "ember")):
        yield {
            "type": "bar",
            "orientation": "h",
            "x": _rounded(lengths),
            "y": names,
            "text": [_plain_text(text) for text in layer.texts] if colour == "raised" else [],
            "textposition": "outside",
            "marker": {"color": colours[colour], "line": {"color": colours["ember"], "width": 1}},
            "showlegend": False,
        }


def _estimates(axis: Axis, layer: Estimates, colours: Mapping[str, str]) -> Iterator[Spec]:
    yield {
        "type": "scatter",
        "mode": "markers",
        "x": _rounded(layer.values),
        "y": [_plain_text(name) for name in axis.categories],
        "error_x": {
            "type": "data",
            "symmetric": False,
            "array": _rounded(layer.high - layer.values),
            "arrayminus": _rounded(layer.values - layer.low),
            "color": colours["water"],
        },
        "marker": {
            "symbol": ["circle" if clear else "circle-open" for clear in layer.clear],
            "size": 10,
            "color": colours["water"],
        },
        "showlegend": False,
    }


def _layout(picture: Picture, notes: list[Spec], colours: Mapping[str, str]) -> Spec:
    return {
        "template": "none",
        "paper_bgcolor": colours["paper"],
        "plot_bgcolor": colours["paper"],
        "font": {"color": colours["ink"], "size": 13},
        "margin": {"l": 64, "r": 16, "t": 12, "b": 56},
        "height": 460,
        "annotations": notes,
        "barmode": "overlay",
        "showlegend": False,
        "hoverlabel": {
            "bgcolor": colours["paper"],
            "bordercolor": colours["water"],
            "font": {"color": colours["ink"]},
        },
        "xaxis": _axis(picture.x, colours),
        "yaxis": _axis(picture.y, colours),
    }


def _axis(axis: Axis, colours: Mapping[str, str]) -> Spec:
    spec: Spec = {
        "title": {"text": _plain_text(axis.label)},
        "zeroline": False,
        "gridcolor": colours["rule"],
        "automargin": True,
    }
    if axis.categories:
        return {**spec, "type": "category", "autorange": "reversed"}
    return {**spec, "range": [axis.low, axis.high]}


def _rounded(values: FloatArray, digits: int = 5) -> list[float]:
    """Return values to so many significant digits; five are finer than a screen."""
    return [float(f"{value:.{digits}g}") for value in np.asarray(values, dtype=np.float64).tolist()]


def _plain_text(text: str) -> str:
    """Return text that plotly shows as it is: it reads a few tags and %{…} in labels."""
    kept = shown(text).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return kept.replace("%{", "%\N{ZERO WIDTH SPACE}{")
