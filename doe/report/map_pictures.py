"""Maps: what the rig can run, a response, its variance or a chance over two factors.

Shapes: mx and my grid lines along x and y.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from doe.digits import bearing, percent, plain, with_unit
from doe.factors import FactorSpace, FloatArray
from doe.report.pictures import (
    Curve,
    Picture,
    RunPoints,
    StandardErrors,
    Surface,
    Table,
    factor_axis,
    factor_column,
    hatch_sentence,
    held_text,
    infeasible_layers,
    marks_sentence,
    nice_levels,
    one_setting,
    point_layers,
    stops,
)
from doe.wording import capital

if TYPE_CHECKING:
    from doe.region import RegionMap
    from doe.responses import Response

__all__ = [
    "ChanceView",
    "SurfaceView",
    "VarianceView",
    "chance_picture",
    "region_picture",
    "surface_picture",
    "variance_picture",
]

CHANCES = (10.0, 50.0, 90.0, 99.0)
"""Chances, in per cent, at which lines are drawn."""
BY_FREER = "Drawn by the averages over smooth surfaces that the recommended settings rest on."
BY_POLYNOMIAL = "Drawn by the fitted polynomial."

CLEAR = 1.96
"""Standard errors by which two means must lie apart for a picture's title to say which is higher
(95 %, taken as independent, which surfaces seldom are: so it is said rather too seldom)."""


@dataclass(frozen=True, slots=True, eq=False)
class SurfaceView:
    """A predicted response over two factors, with standard errors (my, mx), the others held.

    `region` covers the same two factors, its grid may be finer; `region.at` are the settings
    held. `freer`: predicted by what the recommended settings rest on, not by the fitted polynomial.
    """

    response: Response
    x_factor: int
    y_factor: int
    x: FloatArray
    y: FloatArray
    mean: FloatArray
    standard_error: FloatArray
    region: RegionMap
    points: tuple[RunPoints, ...] = ()
    freer: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class VarianceView:
    """Prediction variance (my, mx), in units of the variance of a run, before any run is made."""

    x_factor: int
    y_factor: int
    x: FloatArray
    y: FloatArray
    variance: FloatArray
    region: RegionMap
    points: tuple[RunPoints, ...] = ()
    spread: tuple[FloatArray, FloatArray] | None = None
    """Fractions of what the rig can run, and the variance that each stays at or below."""


@dataclass(frozen=True, slots=True, eq=False)
class ChanceView:
    """The chance (my, mx) that one new run meets every limit over two factors, the others held.

    `level` is the chance that counts as enough. `freer`: by what the recommended settings rest on,
    not by the fitted polynomials.
    """

    x_factor: int
    y_factor: int
    x: FloatArray
    y: FloatArray
    chance: FloatArray
    level: float
    region: RegionMap
    points: tuple[RunPoints, ...] = ()
    freer: bool = False


def region_picture(
    space: FactorSpace, region: RegionMap, points: Sequence[RunPoints] = (), key: str = "map"
) -> Picture:
    """Return the map of what the rig can run over two factors, with runs on it."""
    x = factor_axis(space, region.x_factor, points)
    y = factor_axis(space, region.y_factor, points)
    infeasible = infeasible_layers(region)
    curves = tuple(
        Curve(
            line.x[known],
            line.y[known],
            line.label,
            "ember" if i else "water",
            dashed=bool(i),
        )
        for i, line in enumerate(region.lines)
        if (known := np.isfinite(line.x) & np.isfinite(line.y)).any()
    )
    return Picture(
        key,
        _region_finding(region),
        _region_reading(space, region, points, bool(curves)),
        x,
        y,
        (*infeasible, *curves, *point_layers(region.x_factor, region.y_factor, points)),
        _region_table(space, region, points),
    )


def surface_picture(space: FactorSpace, view: SurfaceView, key: str = "surface") -> Picture:
    """Return a fitted response as contours, with standard errors, limits and runs."""
    response, held = view.response, held_text(space, view.region)
    surface = Surface(
        view.x, view.y, view.mean, nice_levels(view.mean, 6), response.words, response.unit
    )
    errors = StandardErrors(
        view.x, view.y, view.standard_error, nice_levels(view.standard_error, 3), response.unit
    )
    infeasible = infeasible_layers(view.region)
    reading = (
        f"Solid lines join equal {response.words}, a stronger colour is more; dashed lines join "
        f"equal standard error of it (±). {BY_FREER if view.freer else BY_POLYNOMIAL}"
    )
    return Picture(
        key,
        _surface_finding(space, view),
        " ".join(
            filter(None, (reading, hatch_sentence(infeasible), marks_sentence(view.points), held))
        ),
        factor_axis(space, view.x_factor, view.points),
        factor_axis(space, view.y_factor, view.points),
        (
            surface,
            errors,
            *infeasible,
            *point_layers(view.x_factor, view.y_factor, view.points),
        ),
        _surface_table(space, view),
    )


def chance_picture(space: FactorSpace, view: ChanceView, key: str = "chance") -> Picture:
    """Return where one new run is likely to meet every limit."""
    possible = _feasible_at(view.region, view.x, view.y)
    enough, level = possible & (view.chance >= view.level), percent(view.level)
    if not possible.any():
        finding = "The rig can run nothing on this map"
    elif not enough.any():
        finding = f"Nowhere here does one run meet every limit with {level} chance"
    elif enough.sum() == possible.sum():
        finding = (
            f"One run meets every limit with at least {level} chance wherever the rig can run here"
        )
    else:
        share = percent(float(enough.sum() / possible.sum()))
        finding = (
            f"One run meets every limit with at least {level} chance in {share} of what the rig "
            "can run here"
        )
    infeasible = infeasible_layers(view.region)
    parts = (
        "Lines join equal chance that one new run meets every limit and tolerance, a stronger "
        f"colour is more; the strong line is {level}. The rig’s swings are counted.",
        BY_FREER if view.freer else BY_POLYNOMIAL,
        hatch_sentence(infeasible),
        marks_sentence(view.points),
        held_text(space, view.region),
    )
    levels = tuple(c for c in CHANCES if view.chance.min() < c / 100 < view.chance.max())
    return Picture(
        key,
        finding,
        " ".join(part for part in parts if part),
        factor_axis(space, view.x_factor, view.points),
        factor_axis(space, view.y_factor, view.points),
        (
            Surface(view.x, view.y, 100 * view.chance, levels, "chance", "%", 100 * view.level),
            *infeasible,
            *point_layers(view.x_factor, view.y_factor, view.points),
        ),
        _grid_table(
            space, view, ("chance to meet all",), lambda i, j: (percent(float(view.chance[i, j])),)
        ),
    )


def variance_picture(space: FactorSpace, view: VarianceView, key: str = "variance") -> Picture:
    """Return where the planned runs will let a response be predicted well or badly."""
    inside = np.where(_feasible_at(view.region, view.x, view.y), view.variance, np.nan)
    shown = inside if np.isfinite(inside).any() else view.variance
    low, high = plain(float(np.nanmin(shown)), 2), plain(float(np.nanmax(shown)), 2)
    infeasible = infeasible_layers(view.region)
    reading = (
        "Lines join equal variance of a predicted mean, as a multiple of the variance of one "
        "run: below 1, the model knows the mean better than a single run would."
    )
    return Picture(
        key,
        f"Prediction variance will run from {low} to {high} of one run's",
        " ".join(
            filter(
                None,
                (
                    reading,
                    hatch_sentence(infeasible),
                    marks_sentence(view.points),
                    held_text(space, view.region),
                ),
            )
        ),
        factor_axis(space, view.x_factor, view.points),
        factor_axis(space, view.y_factor, view.points),
        (
            Surface(
                view.x,
                view.y,
                view.variance,
                nice_levels(view.variance, 6),
                "prediction variance",
                "",
            ),
            *infeasible,
            *point_layers(view.x_factor, view.y_factor, view.points),
        ),
        _grid_table(
            space,
            view,
            ("prediction variance, run variances",),
            lambda i, j: (plain(float(view.variance[i, j]), 3),),
        ),
    )


def _region_finding(region: RegionMap) -> str:
    failing = np.asarray(region.margin < 0)
    share = percent(float(region.feasible.mean()))
    if not failing.any():
        return "The rig can run all of this map"
    most = int(np.argmax(failing.mean(axis=(1, 2))))
    start = (
        "The rig can run none of this map"
        if not region.feasible.any()
        else f"The rig can run {share} of this map"
    )
    if region.space is not None:
        start += ", which reaches beyond the ranges"
    return f"{start}; most is lost to “{region.limits[most].title}”"


def _region_reading(
    space: FactorSpace, region: RegionMap, points: Sequence[RunPoints], curves: bool
) -> str:
    parts = [
        "Open ground is what the rig can run; hatched ground it cannot, and each hatch is named "
        "by the limit in the way."
        if (region.margin < 0).any()
        else "All ground is open: no limit is in the way here.",
        "Lines are named beside them." if curves else "",
        marks_sentence(points),
        held_text(space, region),
    ]
    return " ".join(part for part in parts if part)


def _surface_finding(space: FactorSpace, view: SurfaceView) -> str:
    response = view.response
    inside = np.where(_feasible_at(view.region, view.x, view.y), view.mean, np.nan)
    if not np.isfinite(inside).any():
        return f"{capital(response.words)}: the rig can run nothing on this map"
    lowest = response.aim in ("minimise", "below")
    pick = int(np.nanargmin(inside) if lowest else np.nanargmax(inside))
    i, j = np.unravel_index(pick, inside.shape)
    value = bearing(float(view.mean[i, j]), float(view.standard_error[i, j]))
    other = int(np.nanargmax(inside) if lowest else np.nanargmin(inside))
    apart = CLEAR * float(np.hypot(*view.standard_error.ravel()[[pick, other]]))
    if float(np.ptp(view.mean.ravel()[[pick, other]])) <= apart:
        return f"Whether {response.words} changes over this map the results do not tell"
    return (
        f"{capital(response.words)} is {'lowest' if lowest else 'highest'}, "
        f"{with_unit(value, response.unit)}, near "
        f"{one_setting(space, view.x_factor, float(view.x[j]))} and "
        f"{one_setting(space, view.y_factor, float(view.y[i]))}"
    )


def _feasible_at(region: RegionMap, x: FloatArray, y: FloatArray) -> npt.NDArray[np.bool_]:
    """Return feasibility (my, mx) at the points of the region's grid nearest to another grid."""
    rows = np.abs(region.y[:, None] - y).argmin(axis=0)
    columns = np.abs(region.x[:, None] - x).argmin(axis=0)
    return np.asarray(region.feasible[np.ix_(rows, columns)] > 0)


def _region_table(space: FactorSpace, region: RegionMap, points: Sequence[RunPoints]) -> Table:
    """Return, for stops along x and y, which limits fail there; runs stand below."""
    rows = []
    for j in stops(len(region.x), 5):
        for i in stops(len(region.y), 5):
            fails = [
                limit.title
                for limit, margin in zip(region.limits, region.margin[:, i, j], strict=True)
                if margin < 0
            ]
            rows.append(
                (
                    one_setting(space, region.x_factor, float(region.x[j])),
                    one_setting(space, region.y_factor, float(region.y[i])),
                    "; ".join(fails) or "the rig can run it",
                )
            )
    for group in points:
        rows.extend(
            (
                one_setting(space, region.x_factor, float(row[region.x_factor])),
                one_setting(space, region.y_factor, float(row[region.y_factor])),
                f"run {name}, {group.kind}",
            )
            for row, name in zip(group.settings, group.names, strict=True)
        )
    headings = (
        factor_column(space, region.x_factor),
        factor_column(space, region.y_factor),
        "found there",
    )
    return Table(headings, tuple(rows), frozenset({0, 1}))


def _grid_table(
    space: FactorSpace,
    view: SurfaceView | VarianceView | ChanceView,
    headings: tuple[str, ...],
    cells: Callable[[int, int], tuple[str, ...]],
) -> Table:
    """Return values at stops along x and y, and whether the rig can run there."""
    feasible = _feasible_at(view.region, view.x, view.y)
    rows = tuple(
        (
            one_setting(space, view.x_factor, float(view.x[j])),
            one_setting(space, view.y_factor, float(view.y[i])),
            *cells(i, j),
            "yes" if feasible[i, j] else "no",
        )
        for j in stops(len(view.x), 5)
        for i in stops(len(view.y), 5)
    )
    names = (factor_column(space, view.x_factor), factor_column(space, view.y_factor))
    return Table(
        (*names, *headings, "the rig can run it"), rows, frozenset(range(2 + len(headings)))
    )


def _surface_table(space: FactorSpace, view: SurfaceView) -> Table:
    named = f"{view.response.words}, {view.response.unit}".rstrip(", ")

    def cells(i: int, j: int) -> tuple[str, str]:
        error = float(view.standard_error[i, j])
        return bearing(float(view.mean[i, j]), error), bearing(error, error)

    return _grid_table(space, view, (named, "standard error"), cells)
