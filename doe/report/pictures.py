"""What a figure says, free of how it is drawn: results in, `Picture` out.

A picture has a finding as its title, a sentence on how to read it, axes with quantity and unit,
layers, and the table behind it. `svg` and `interactive` draw it. Nothing is computed here but
the geometry of drawings and the position of what is highest, lowest or furthest in what is shown.

Shapes: n points, mx and my grid lines along x and y.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from doe.factors import CategoricalFactor, FactorSpace, FloatArray, NumericFactor
from doe.report.digits import bearing, percent, plain, with_unit

if TYPE_CHECKING:
    from doe.analysis.fit import FittedModel, TermEstimate
    from doe.analysis.transformation import Transformation
    from doe.design.aliasing import Aliases
    from doe.region import RegionMap, Survey
    from doe.responses import Response

__all__ = [
    "Axis",
    "Band",
    "Bars",
    "Cells",
    "ChanceView",
    "Crosses",
    "Curve",
    "EffectCurve",
    "Estimates",
    "Infeasible",
    "Picture",
    "PointKind",
    "Points",
    "RunPoints",
    "Shape",
    "Shapes",
    "StandardErrors",
    "Surface",
    "SurfaceView",
    "Table",
    "VarianceView",
    "alias_picture",
    "chance_picture",
    "effect_curve_picture",
    "effects_picture",
    "fitted_unit",
    "fraction_picture",
    "half_normal_picture",
    "held_text",
    "infeasible_layers",
    "left_out_picture",
    "limits_picture",
    "nice_levels",
    "normal_picture",
    "observed_fitted_picture",
    "padded_axis",
    "region_picture",
    "residuals_against_picture",
    "residuals_picture",
    "scaled_unit",
    "setting_text",
    "surface_picture",
    "variance_picture",
]

HALF_NORMAL_LEAST = 4
ALIAS_LEAST = 0.005
"""Shares below are not drawn."""
ALIAS_COLUMNS = 16
ALIAS_ROWS = 24
CHANCES = (10.0, 50.0, 90.0, 99.0)
"""Chances, in per cent, at which lines are drawn."""
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
class RunPoints:
    """Runs of one kind: their settings (n, k) in real units and their names."""

    kind: PointKind
    settings: FloatArray
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class SurfaceView:
    """A fitted response over two factors, with standard errors (my, mx), the others held.

    `region` covers the same two factors, its grid may be finer; `region.at` are the settings
    held.
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


@dataclass(frozen=True, slots=True, eq=False)
class EffectCurve:
    """A fitted response along one factor (m,), the others held at `at` (k,).

    `feasible` (m,) tells where the rig can run; None if it can everywhere.
    """

    response: Response
    factor: int
    x: FloatArray
    mean: FloatArray
    low: FloatArray
    high: FloatArray
    level: float
    at: FloatArray
    feasible: npt.NDArray[np.bool_] | None = None


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

    `level` is the chance that counts as enough.
    """

    x_factor: int
    y_factor: int
    x: FloatArray
    y: FloatArray
    chance: FloatArray
    level: float
    region: RegionMap
    points: tuple[RunPoints, ...] = ()


def region_picture(
    space: FactorSpace, region: RegionMap, points: Sequence[RunPoints] = (), key: str = "map"
) -> Picture:
    """Return the map of what the rig can run over two factors, with runs on it."""
    x = _factor_axis(space, region.x_factor, points)
    y = _factor_axis(space, region.y_factor, points)
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
        (*infeasible, *curves, *_point_layers(region.x_factor, region.y_factor, points)),
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
        "equal standard error of it (±)."
    )
    return Picture(
        key,
        _surface_finding(space, view),
        " ".join(
            filter(None, (reading, _hatch_sentence(infeasible), _marks_sentence(view.points), held))
        ),
        _factor_axis(space, view.x_factor, view.points),
        _factor_axis(space, view.y_factor, view.points),
        (
            surface,
            errors,
            *infeasible,
            *_point_layers(view.x_factor, view.y_factor, view.points),
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
            f"One run meets every limit with {level} chance in {share} of what the rig can run here"
        )
    infeasible = infeasible_layers(view.region)
    parts = (
        "Lines join equal chance that one new run meets every limit and tolerance, a stronger "
        f"colour is more; the strong line is {level}.",
        _hatch_sentence(infeasible),
        _marks_sentence(view.points),
        held_text(space, view.region),
    )
    levels = tuple(c for c in CHANCES if view.chance.min() < c / 100 < view.chance.max())
    return Picture(
        key,
        finding,
        " ".join(part for part in parts if part),
        _factor_axis(space, view.x_factor, view.points),
        _factor_axis(space, view.y_factor, view.points),
        (
            Surface(view.x, view.y, 100 * view.chance, levels, "chance", "%", 100 * view.level),
            *infeasible,
            *_point_layers(view.x_factor, view.y_factor, view.points),
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
                    _hatch_sentence(infeasible),
                    _marks_sentence(view.points),
                    held_text(space, view.region),
                ),
            )
        ),
        _factor_axis(space, view.x_factor, view.points),
        _factor_axis(space, view.y_factor, view.points),
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
            *_point_layers(view.x_factor, view.y_factor, view.points),
        ),
        _grid_table(
            space,
            view,
            ("prediction variance, run variances",),
            lambda i, j: (plain(float(view.variance[i, j]), 3),),
        ),
    )


def effect_curve_picture(
    space: FactorSpace, view: EffectCurve, key: str = "effect-curve"
) -> Picture:
    """Return a response along one factor, with the interval of its mean."""
    response, axis = view.response, _factor_axis(space, view.factor)
    vertical = padded_axis(response.words, response.unit, view.low, view.high)
    closed = _closed_stretches(view, vertical)
    held = _held(space, view.at, {view.factor})
    level = percent(view.level)
    return Picture(
        key,
        _effect_curve_finding(space, view),
        " ".join(
            filter(
                None,
                (
                    f"The line is the fitted mean, the band its {level} interval.",
                    "Hatched: what the rig cannot run." if closed else "",
                    held,
                ),
            )
        ),
        axis,
        vertical,
        (
            Band(view.x, view.low, view.high, f"{level} interval of the mean"),
            Curve(view.x, view.mean, "fitted mean"),
            *closed,
        ),
        _effect_curve_table(space, view),
    )


def effects_picture(fit: FittedModel, key: str = "effects", level: float = 0.95) -> Picture:
    """Return the coefficients of a fit other than the intercept, with intervals."""
    response = fit.response
    shown = sorted((e for e in fit.estimates if e.term.order), key=lambda e: -abs(e.coefficient))
    bounds = [e.interval(level) for e in shown]
    clear = tuple(low > 0 or high < 0 for low, high in bounds)
    low, high = np.array([b[0] for b in bounds]), np.array([b[1] for b in bounds])
    values = np.array([e.coefficient for e in shown])
    unit = fitted_unit(fit)
    axis = padded_axis(f"coefficient for {response.words}", unit, low, high, zero=True)
    categories = Axis("term", "", -0.5, len(shown) - 0.5, tuple(e.label for e in shown))
    finding = _effects_finding(fit, shown, clear)
    return Picture(
        key,
        finding,
        "Factors are coded −1 to +1 over their ranges, so a factor’s own coefficient is the "
        f"change from the centre to an end. The bar is the {percent(level)} interval; a "
        "filled dot stands clear of zero, a ring does not.",
        axis,
        categories,
        (Estimates(values, low, high, clear),),
        Table(
            ("term", f"coefficient, {unit}", f"{percent(level)} interval", "reading"),
            tuple(
                (
                    e.label,
                    bearing(e.coefficient, e.standard_error),
                    f"{bearing(a, e.standard_error)} to {bearing(b, e.standard_error)}",
                    "clear of zero" if c else "zero is possible",
                )
                for e, (a, b), c in zip(shown, bounds, clear, strict=True)
            ),
            frozenset({1, 2}),
        ),
    )


def observed_fitted_picture(fit: FittedModel, key: str = "observed-fitted") -> Picture:
    """Return observed against fitted values, with the line where they agree."""
    response = fit.response
    both = np.concatenate([fit.values, fit.fitted])
    x = padded_axis(f"fitted {response.words}", response.unit, both, both)
    y = padded_axis(f"observed {response.words}", response.unit, both, both)
    sd = with_unit(plain(fit.residual_sd, 2), fitted_unit(fit))
    ends = np.array([x.low, x.high])
    return Picture(
        key,
        f"Runs scatter by {sd} about the model",
        f"Each dot is a run; on the line, observed and fitted agree. The scatter is the residual "
        f"standard deviation, from {fit.df_residual} degrees of freedom.",
        x,
        y,
        (
            Curve(ends, ends, "observed = fitted", "soft-ink", dashed=True),
            Points("done", fit.fitted, fit.values, tuple(str(run) for run in fit.runs_used)),
        ),
        _runs_table(fit),
    )


def residuals_picture(fit: FittedModel, key: str = "residuals") -> Picture:
    """Return studentised residuals in the order the runs were made."""
    runs = np.array(fit.runs_used, dtype=np.float64)
    known = np.isfinite(fit.studentised)
    values = fit.studentised[known]
    y = padded_axis("studentised residual", "standard errors", values, values, zero=True)
    if known.any():
        worst = int(np.argmax(np.abs(np.where(known, fit.studentised, 0.0))))
        finding = (
            f"Run {fit.runs_used[worst]} lies furthest from the model, "
            f"{plain(abs(float(fit.studentised[worst])), 2)} standard errors away"
        )
    else:
        finding = "No run can be judged without itself"
    return Picture(
        key,
        finding,
        "Each dot is a run, judged by the fit without it. A slope or a step along the order of "
        "runs would mean that something drifted; a lone far dot asks for a look at its record.",
        Axis("run, in the order made", "", float(runs.min()) - 0.5, float(runs.max()) + 0.5),
        y,
        (
            Curve(
                np.array([runs.min() - 0.5, runs.max() + 0.5]),
                np.zeros(2),
                "the model",
                "soft-ink",
                dashed=True,
            ),
            Points(
                "done",
                runs[known],
                values,
                tuple(str(r) for r, k in zip(fit.runs_used, known, strict=True) if k),
            ),
        ),
        Table(
            ("run", "studentised residual"),
            tuple(
                (str(run), _two(float(value)))
                for run, value in zip(fit.runs_used, fit.studentised, strict=True)
            ),
            frozenset({0, 1}),
        ),
    )


def fitted_unit(fit: FittedModel) -> str:
    """Return the unit of coefficients and residuals: the response's, or of its transformation."""
    return scaled_unit(fit.response, fit.scale)


def scaled_unit(response: Response, scale: Transformation) -> str:
    """Return the unit of differences of a response on a scale."""
    unit = response.unit
    if scale.exponent == 1:
        return unit
    if scale.exponent == 0 and scale.scale == 1:
        return f"ln({unit})" if unit else "natural log"
    return f"{unit}, scale: {scale.words}" if unit else f"scale: {scale.words}"


def half_normal_picture(fit: FittedModel, key: str = "half-normal") -> Picture | None:
    """Return the terms in standard errors against what chance alone would give; None below four."""
    from doe.analysis.screening_effects import half_normal

    shown = [e for e in fit.estimates if e.term.order and e.standard_error > 0]
    if len(shown) < HALF_NORMAL_LEAST:
        return None
    ratios = np.array([abs(e.coefficient) / e.standard_error for e in shown])
    places = half_normal(ratios)
    top = int(np.argmax(ratios))
    end = 1.08 * float(places.max())
    line = np.array([0.0, end])
    high = max(float(ratios.max()), end)
    return Picture(
        key,
        f"{_capital(_words(shown[top].label))} stands out most, "
        f"{plain(float(ratios[top]), 2)} standard errors from zero",
        "Each dot is a term, sorted by size. If no term did anything, the dots would follow the "
        "line; terms that act rise above it at the right.",
        Axis("half-normal quantile", "", 0.0, end),
        Axis("size of coefficient", "standard errors", 0.0, 1.08 * high),
        (
            Curve(line, line, "chance alone", "soft-ink", dashed=True),
            Points("done", places, ratios, tuple(_words(e.label) for e in shown)),
        ),
        Table(
            ("term", "coefficient in standard errors", "half-normal quantile"),
            tuple(
                (_words(shown[i].label), plain(float(ratios[i]), 3), plain(float(places[i]), 3))
                for i in np.argsort(-ratios, kind="stable")
            ),
            frozenset({1, 2}),
        ),
    )


def left_out_picture(fit: FittedModel, key: str = "left-out") -> Picture | None:
    """Return each run against its prediction by the fit without it.

    None where runs stand in random groups, or a run alone fixes a coefficient.

    Notes
    -----
    The prediction is y − e/(1 − h): Allen 1974 (from memory).
    """
    if fit.mixed is not None or not (fit.leverage < 1 - 1e-9).all():
        return None
    response, scale = fit.response, fit.scale
    error = fit.residuals / (1 - fit.leverage)
    predicted = scale.back(scale.forward(fit.values) - error)
    both = np.concatenate([fit.values, predicted])
    x = padded_axis("predicted without the run", response.unit, both, both)
    y = padded_axis(f"observed {response.words}", response.unit, both, both)
    misses = np.abs(fit.values - predicted)
    worst = int(np.argmax(misses))
    ends = np.array([x.low, x.high])
    return Picture(
        key,
        f"Predicted without itself, run {fit.runs_used[worst]} is missed most, by "
        f"{with_unit(plain(float(misses[worst]), 2), response.unit)}",
        "Each dot is a run, predicted by the model fitted to all other runs; on the line the "
        "prediction came true. This is how well the model predicts what it has not seen.",
        x,
        y,
        (
            Curve(ends, ends, "observed = predicted", "soft-ink", dashed=True),
            Points("done", predicted, fit.values, tuple(str(run) for run in fit.runs_used)),
        ),
        Table(
            ("run", f"observed, {response.unit}", f"predicted without it, {response.unit}"),
            tuple(
                (str(run), plain(float(value)), plain(float(other)))
                for run, value, other in zip(fit.runs_used, fit.values, predicted, strict=True)
            ),
            frozenset({0, 1, 2}),
        ),
    )


def normal_picture(fit: FittedModel, key: str = "normal") -> Picture | None:
    """Return sorted studentised residuals against normal quantiles; None below four.

    The i-th of n stands at the quantile of (i − ½)/n (Hazen's position, common practice).
    """
    from scipy.special import ndtri

    known = np.isfinite(fit.studentised)
    if known.sum() < HALF_NORMAL_LEAST:
        return None
    values, runs = fit.studentised[known], np.array(fit.runs_used)[known]
    order = np.argsort(values, kind="stable")
    places = np.asarray(ndtri((np.arange(len(values)) + 0.5) / len(values)))
    gap = float(np.abs(values[order] - places).max())
    x = padded_axis("normal quantile", "", places, places)
    y = padded_axis(
        "studentised residual", "standard errors", *(np.concatenate([values, places]),) * 2
    )
    ends = np.array([x.low, x.high])
    named = tuple(str(run) for run in runs[order])
    return Picture(
        key,
        f"Residuals keep within {plain(gap, 2)} standard errors of a normal scatter",
        "Each dot is a run; along the line the scatter is normal. A bend or a lone far dot at an "
        "end means that intervals are rougher than they say.",
        x,
        y,
        (
            Curve(ends, ends, "normal", "soft-ink", dashed=True),
            Points("done", places, values[order], named),
        ),
        Table(
            ("run", "studentised residual", "normal quantile"),
            tuple(
                (name, _two(float(values[i])), _two(float(place)))
                for name, i, place in zip(named, order, places, strict=True)
            ),
            frozenset({0, 1, 2}),
        ),
    )


def residuals_against_picture(
    fit: FittedModel, space: FactorSpace, factor: int, key: str = "against"
) -> Picture | None:
    """Return studentised residuals along one numeric factor; None where no run can be judged."""
    known = np.isfinite(fit.studentised)
    if not known.any():
        return None
    values, at = fit.studentised[known], space.decode(fit.coded)[known, factor]
    named = tuple(str(run) for run, k in zip(fit.runs_used, known, strict=True) if k)
    words = _words(space.factors[factor].name)
    worst = int(np.argmax(np.abs(values)))
    x = _factor_axis(space, factor)
    x = replace(x, low=min(x.low, float(at.min())), high=max(x.high, float(at.max())))
    return Picture(
        key,
        f"Along {words}, run {named[worst]} lies furthest out, at "
        f"{_setting(space, factor, float(at[worst]))}",
        f"Each dot is a run, judged by the fit without it. A bow means that the model lacks a "
        f"bend in {words}; a widening fan, that scatter changes with it.",
        x,
        padded_axis("studentised residual", "standard errors", values, values, zero=True),
        (
            Curve(np.array([x.low, x.high]), np.zeros(2), "the model", "soft-ink", dashed=True),
            Points("done", at, values, named),
        ),
        Table(
            ("run", _column(space, factor), "studentised residual"),
            tuple(
                (name, plain(float(where), 5), _two(float(value)))
                for name, where, value in zip(named, at, values, strict=True)
            ),
            frozenset({0, 1, 2}),
        ),
    )


def fraction_picture(spread: tuple[FloatArray, FloatArray], key: str = "fraction") -> Picture:
    """Return the prediction variance that each share of what the rig can run stays below."""
    fractions, variance = spread
    half, most = (float(np.interp(share, fractions, variance)) for share in (0.5, 0.9))
    return Picture(
        key,
        f"Over half of what the rig can run, variance stays below {plain(half, 2)} of a run’s; "
        f"over nine tenths, below {plain(most, 2)}",
        "Read up from a share of what the rig can run to the variance of a predicted mean that "
        "this share does not exceed. Low and flat is good; a steep end is a corner known badly.",
        Axis("share of what the rig can run", "%", 0.0, 100.0),
        Axis("prediction variance", "run variances", 0.0, 1.08 * float(variance.max())),
        (Curve(100 * fractions, variance, "prediction variance"),),
        Table(
            ("share of what the rig can run, %", "variance not exceeded, run variances"),
            tuple(
                (plain(100 * float(fractions[i])), plain(float(variance[i]), 3))
                for i in _stops(len(fractions), 11)
            ),
            frozenset({0, 1}),
        ),
    )


def alias_picture(aliases: Aliases, key: str = "aliases") -> Picture | None:
    """Return which terms outside the model get into which estimates; None where none does.

    The mean is left out: no one reads it as an effect. Of more than fit the least are in the
    table only.
    """
    shares = np.array(aliases.matrix)
    shares[np.abs(shares) < ALIAS_LEAST] = 0.0
    columns = [i for i, label in enumerate(aliases.fitted) if label != "1" and shares[i].any()]
    rows = [j for j in range(len(aliases.mixed_in)) if shares[columns, j].any()]
    if not rows:
        return None
    size = np.abs(shares)
    shown_columns = _largest(columns, size[:, rows].max(axis=1), ALIAS_COLUMNS)
    rows_of_shown = [j for j in rows if shares[shown_columns, j].any()]
    shown_rows = _largest(rows_of_shown, size[shown_columns].max(axis=0), ALIAS_ROWS)
    estimates = tuple(_words(aliases.fitted[i]) for i in shown_columns)
    others = tuple(_words(aliases.mixed_in[j]) for j in shown_rows)
    left = len(rows) - len(shown_rows) + len(columns) - len(shown_columns)
    return Picture(
        key,
        _alias_finding(aliases, size, columns, rows),
        "Down a column stands what the estimate named above it also holds: a filled dot is added "
        "to it, a ring taken away, and a larger dot is a larger share of the other term’s own "
        "coefficient. A term without a dot leaves every estimate alone."
        + (" The least of them are in the table only." if left else ""),
        Axis("each column an estimate", "", -0.5, len(estimates) - 0.5, estimates),
        Axis("gets a share of", "", -0.5, len(others) - 0.5, others),
        (Cells(shares[np.ix_(shown_columns, shown_rows)].T),),
        Table(
            ("estimate of", "also holds", "times"),
            tuple(
                (
                    _words(aliases.fitted[i]),
                    _words(aliases.mixed_in[j]),
                    _two(float(shares[i, j])),
                )
                for i in columns
                for j in rows
                if shares[i, j]
            ),
            frozenset({2}),
        ),
    )


def _largest(places: Sequence[int], size: FloatArray, most: int) -> list[int]:
    """Return the places of the largest sizes, in their own order."""
    return sorted(sorted(places, key=lambda place: -float(size[place]))[:most])


def _alias_finding(
    aliases: Aliases, size: FloatArray, columns: Sequence[int], rows: Sequence[int]
) -> str:
    whole = [
        (aliases.fitted[i], aliases.mixed_in[j])
        for i in columns
        for j in rows
        if abs(size[i, j] - 1) < ALIAS_LEAST
    ]
    if whole:
        first, other = whole[0]
        rest = f", and {len(whole) - 1} more such pairs" if len(whole) > 1 else ""
        return f"{_capital(_words(first))} cannot be told from {_words(other)}{rest}"
    most = float(size[np.ix_(columns, rows)].max())
    return f"No estimate holds more than {most:.2f} of another term"


def limits_picture(survey: Survey, key: str = "limit-shares") -> Picture:
    """Return the share of the box that each limit forbids, and forbids alone."""
    cutting = sorted(
        (s for s in survey.limits if s.fails_fraction > 0), key=lambda s: -s.fails_fraction
    )
    fails = np.array([s.fails_fraction for s in cutting]) * 100
    alone = np.array([s.fails_alone_fraction for s in cutting]) * 100
    finding = (
        f"“{_capital(cutting[0].limit.title)}” forbids most: "
        f"{percent(cutting[0].fails_fraction)} of the box"
        if cutting
        else "No limit cuts the box"
    )
    return Picture(
        key,
        finding,
        "Length of a bar: share of the box that the limit forbids. The solid part is forbidden "
        "by that limit alone, and comes back if only this limit is cured.",
        Axis("share of the box", "%", 0.0, max(5.0, float(fails.max(initial=0.0)) * 1.6)),
        Axis("limit", "", -0.5, len(cutting) - 0.5, tuple(s.limit.title for s in cutting)),
        (
            Bars(
                fails,
                alone,
                tuple(
                    f"{percent(s.fails_fraction)} ({percent(s.fails_alone_fraction)} alone)"
                    for s in cutting
                ),
            ),
        ),
        Table(
            ("limit", "fails", "fails alone"),
            tuple(
                (s.limit.title, percent(s.fails_fraction), percent(s.fails_alone_fraction))
                for s in cutting
            ),
            frozenset({1, 2}),
        ),
    )


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
    return tuple(_setting(space, i, float(value)) for i, value in enumerate(settings))


def held_text(space: FactorSpace, region: RegionMap) -> str:
    """Return the sentence on the factors that a map holds still; empty if it holds none."""
    return _held(space, region.at, {region.x_factor, region.y_factor})


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


def _factor_axis(space: FactorSpace, position: int, points: Sequence[RunPoints] = ()) -> Axis:
    """Return the axis of a factor, a little longer where runs came to lie outside its range."""
    factor = space.factors[position]
    assert isinstance(factor, NumericFactor)
    reach = BEYOND * (factor.high - factor.low)
    at = [float(row[position]) for group in points for row in group.settings]
    near = [v for v in at if factor.low - reach <= v <= factor.high + reach]
    low, high = min([factor.low, *near]), max([factor.high, *near])
    return Axis(_words(factor.name), factor.unit, low, high)


def padded_axis(
    quantity: str, unit: str, low: FloatArray, high: FloatArray, zero: bool = False
) -> Axis:
    """Return an axis a little longer than its values, from or to zero where asked."""
    ends = [float(np.min(low, initial=np.inf)), float(np.max(high, initial=-np.inf))]
    if zero or not np.isfinite(ends).all():
        ends = [min(ends[0], 0.0), max(ends[1], 0.0)]
    width = ends[1] - ends[0] or 1.0
    return Axis(quantity, unit, ends[0] - 0.06 * width, ends[1] + 0.06 * width)


def _words(name: str) -> str:
    return name.replace("_", " ")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _setting(space: FactorSpace, position: int, value: float) -> str:
    factor = space.factors[position]
    if isinstance(factor, CategoricalFactor):
        return factor.levels[round(value)]
    return with_unit(f"{value:.{factor.decimals}f}".replace("-", "−"), factor.unit)


def _held(space: FactorSpace, at: FloatArray, shown: set[int]) -> str:
    parts = [
        f"{_words(factor.name)} {_setting(space, i, float(at[i]))}"
        for i, factor in enumerate(space)
        if i not in shown
    ]
    return f"Held at {', '.join(parts)}." if parts else ""


def _point_layers(x_factor: int, y_factor: int, points: Sequence[RunPoints]) -> tuple[Points, ...]:
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


def _hatch_sentence(layers: Sequence[Infeasible]) -> str:
    return "Hatched: what the rig cannot do, named by the limit in the way." if layers else ""


def _marks_sentence(points: Sequence[RunPoints]) -> str:
    kinds = [group.kind for group in points if len(group.settings)]
    if not kinds:
        return ""
    listed = ", ".join(f"{MARKS[kind]} {kind}" for kind in dict.fromkeys(kinds))
    drawn = any(kind != "recommended" for kind in kinds)
    rest = "; runs are drawn whatever their other settings" if drawn else ""
    return f"Marks: {listed}{rest}."


def _region_finding(region: RegionMap) -> str:
    failing = np.asarray(region.margin < 0)
    share = percent(float(region.feasible.mean()))
    if not failing.any():
        return "The rig can run all of this map"
    most = int(np.argmax(failing.mean(axis=(1, 2))))
    start = (
        "The rig can run none of this map"
        if not region.feasible.any()
        else (f"The rig can run {share} of this map")
    )
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
        _marks_sentence(points),
        held_text(space, region),
    ]
    return " ".join(part for part in parts if part)


def _surface_finding(space: FactorSpace, view: SurfaceView) -> str:
    response = view.response
    inside = np.where(_feasible_at(view.region, view.x, view.y), view.mean, np.nan)
    if not np.isfinite(inside).any():
        return f"{_capital(response.words)}: the rig can run nothing on this map"
    lowest = response.aim in ("minimise", "below")
    pick = int(np.nanargmin(inside) if lowest else np.nanargmax(inside))
    i, j = np.unravel_index(pick, inside.shape)
    value = bearing(float(view.mean[i, j]), float(view.standard_error[i, j]))
    return (
        f"{_capital(response.words)} is {'lowest' if lowest else 'highest'}, "
        f"{with_unit(value, response.unit)}, near "
        f"{_setting(space, view.x_factor, float(view.x[j]))} and "
        f"{_setting(space, view.y_factor, float(view.y[i]))}"
    )


def _feasible_at(region: RegionMap, x: FloatArray, y: FloatArray) -> npt.NDArray[np.bool_]:
    """Return feasibility (my, mx) at the points of the region's grid nearest to another grid."""
    rows = np.abs(region.y[:, None] - y).argmin(axis=0)
    columns = np.abs(region.x[:, None] - x).argmin(axis=0)
    return np.asarray(region.feasible[np.ix_(rows, columns)] > 0)


def _column(space: FactorSpace, position: int) -> str:
    factor = space.factors[position]
    return f"{_words(factor.name)}, {factor.unit}" if factor.unit else _words(factor.name)


def _stops(count: int, most: int) -> list[int]:
    return sorted({round(i) for i in np.linspace(0, count - 1, min(count, most))})


def _region_table(space: FactorSpace, region: RegionMap, points: Sequence[RunPoints]) -> Table:
    """Return, for stops along x and y, which limits fail there; runs stand below."""
    rows = []
    for j in _stops(len(region.x), 5):
        for i in _stops(len(region.y), 5):
            fails = [
                limit.title
                for limit, margin in zip(region.limits, region.margin[:, i, j], strict=True)
                if margin < 0
            ]
            rows.append(
                (
                    _setting(space, region.x_factor, float(region.x[j])),
                    _setting(space, region.y_factor, float(region.y[i])),
                    "; ".join(fails) or "the rig can run it",
                )
            )
    for group in points:
        rows.extend(
            (
                _setting(space, region.x_factor, float(row[region.x_factor])),
                _setting(space, region.y_factor, float(row[region.y_factor])),
                f"run {name}, {group.kind}",
            )
            for row, name in zip(group.settings, group.names, strict=True)
        )
    headings = (_column(space, region.x_factor), _column(space, region.y_factor), "found there")
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
            _setting(space, view.x_factor, float(view.x[j])),
            _setting(space, view.y_factor, float(view.y[i])),
            *cells(i, j),
            "yes" if feasible[i, j] else "no",
        )
        for j in _stops(len(view.x), 5)
        for i in _stops(len(view.y), 5)
    )
    names = (_column(space, view.x_factor), _column(space, view.y_factor))
    return Table(
        (*names, *headings, "the rig can run it"), rows, frozenset(range(2 + len(headings)))
    )


def _surface_table(space: FactorSpace, view: SurfaceView) -> Table:
    named = f"{view.response.words}, {view.response.unit}".rstrip(", ")

    def cells(i: int, j: int) -> tuple[str, str]:
        error = float(view.standard_error[i, j])
        return bearing(float(view.mean[i, j]), error), bearing(error, error)

    return _grid_table(space, view, (named, "standard error"), cells)


def _effect_curve_finding(space: FactorSpace, view: EffectCurve) -> str:
    words, along = _capital(view.response.words), _words(space.factors[view.factor].name)
    first, last = float(view.mean[0]), float(view.mean[-1])
    high, low = int(np.argmax(view.mean)), int(np.argmin(view.mean))
    inner = range(1, len(view.mean) - 1)
    if high in inner and low not in inner:
        turn = _setting(space, view.factor, float(view.x[high]))
        return f"{words} rises with {along} to {turn}, then falls"
    if low in inner and high not in inner:
        turn = _setting(space, view.factor, float(view.x[low]))
        return f"{words} falls with {along} to {turn}, then rises"
    return f"{words} {'rises' if last > first else 'falls'} with {along}"


def _closed_stretches(view: EffectCurve, vertical: Axis) -> tuple[Infeasible, ...]:
    """Return the stretches of an effect curve that the rig cannot run, as one hatched layer."""
    if view.feasible is None or view.feasible.all():
        return ()
    half = np.diff(view.x).mean() / 2
    shut = np.flatnonzero(np.diff(np.concatenate([[0], (~view.feasible).astype(int), [0]])))
    polygons, places = [], []
    for start, stop in zip(shut[::2], shut[1::2], strict=True):
        left = max(float(view.x[start]) - half, float(view.x[0]))
        right = min(float(view.x[stop - 1]) + half, float(view.x[-1]))
        corners = [
            (left, vertical.low),
            (right, vertical.low),
            (right, vertical.high),
            (left, vertical.high),
            (left, vertical.low),
        ]
        polygons.append((np.array(corners),))
        places += [
            ((left + right) / 2, vertical.low + share * (vertical.high - vertical.low))
            for share in (0.15, 0.85, 0.5)
        ]
    return (Infeasible("the rig cannot run this", 0, tuple(polygons), np.array(places)),)


def _effect_curve_table(space: FactorSpace, view: EffectCurve) -> Table:
    half = (view.high - view.low) / 2
    rows = tuple(
        (
            _setting(space, view.factor, float(view.x[i])),
            bearing(float(view.mean[i]), float(half[i])),
            f"{bearing(float(view.low[i]), float(half[i]))} to "
            f"{bearing(float(view.high[i]), float(half[i]))}",
        )
        for i in _stops(len(view.x), 9)
    )
    named = f"{view.response.words}, {view.response.unit}".rstrip(", ")
    headings = (_column(space, view.factor), named, f"{percent(view.level)} interval of the mean")
    return Table(headings, rows, frozenset({0, 1, 2}))


def _runs_table(fit: FittedModel) -> Table:
    unit = fit.response.unit
    return Table(
        (
            "run",
            f"observed, {unit}",
            f"fitted, {unit}",
            f"residual, {fitted_unit(fit)}",
            "studentised residual",
            "leverage",
            "Cook’s distance",
        ),
        tuple(
            (
                str(run),
                plain(float(value)),
                plain(float(fitted)),
                bearing(float(residual), fit.residual_sd),
                _two(float(studentised)),
                _two(float(leverage)),
                _two(float(cook)),
            )
            for run, value, fitted, residual, studentised, leverage, cook in zip(
                fit.runs_used,
                fit.values,
                fit.fitted,
                fit.residuals,
                fit.studentised,
                fit.leverage,
                fit.cook,
                strict=True,
            )
        ),
        frozenset(range(7)),
    )


def _two(value: float) -> str:
    return f"{value:.2f}".replace("-", "−") if math.isfinite(value) else "not known"


def _effects_finding(fit: FittedModel, shown: Sequence[TermEstimate], clear: Sequence[bool]) -> str:
    words, told = fit.response.words, sum(clear)
    if not shown:
        return f"The model of {words} holds nothing but a mean"
    if not told:
        return f"No term of {words} stands clear of zero"
    first = next(e for e, c in zip(shown, clear, strict=True) if c)
    stand = "stands" if told == 1 else "stand"
    return (
        f"{_capital(_words(first.label))} moves {words} most; {told} of {len(shown)} terms {stand} "
        "clear of zero"
    )
