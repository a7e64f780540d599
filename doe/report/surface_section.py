"""What a page says of the surfaces: where else the best may lie, what costs what, how they curve.

Pictures and tables of results that `analysis` computed; the page puts them in its order.

Shapes: k factors.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from doe.digits import bearing, between, percent, plain, with_unit
from doe.factors import CategoricalFactor, FactorSpace, FloatArray, NumericFactor
from doe.report.fit_pictures import fitted_unit
from doe.report.pictures import (
    Axis,
    Band,
    Crosses,
    Curve,
    Picture,
    PointKind,
    Points,
    Table,
    padded_axis,
)
from doe.wording import capital, chance_words

if TYPE_CHECKING:
    from doe.analysis.fit import FittedModel, Prediction
    from doe.analysis.landscape import Straying
    from doe.analysis.location import Location
    from doe.analysis.pareto import Choice
    from doe.analysis.reliability import ProbableRegion
    from doe.analysis.surface import Ascent, PathPoint, Stationary

__all__ = [
    "ascent_table",
    "choices_table",
    "curvature_table",
    "front_picture",
    "location_table",
    "region_sentence",
    "ridge_picture",
    "stationary_sentence",
    "straying_sentence",
]


DOUBTFUL = 0.5
"""Chance to meet all limits below which a choice is told apart."""


def location_table(space: FactorSpace, location: Location) -> Table:
    """Return from where to where the best value of each factor may lie."""
    rows = []
    for factor, spread in zip(space, location.spreads, strict=True):
        name = factor.name.replace("_", " ")
        if isinstance(factor, CategoricalFactor):
            shares = zip(factor.levels, spread.levels, strict=True)
            rows.append((name, "; ".join(f"{v}: {percent(s)}" for v, s in shares), "–", "–"))
            continue
        assert spread.low is not None
        assert spread.high is not None
        low, high = factor.settable_around(spread.low, spread.high)
        ends = f"{plain(low, 6)} to {plain(high, 6)}"
        rows.append(
            (
                name,
                with_unit(ends, factor.unit),
                percent(spread.at_low_end),
                percent(spread.at_high_end),
            )
        )
    level = percent(location.level)
    headings = ("factor", f"best may lie, {level}", "at the low end", "at the high end")
    return Table(headings, tuple(rows), frozenset({2, 3}))


def choices_table(
    space: FactorSpace,
    fits: Sequence[FittedModel],
    choices: Sequence[Choice],
    chances: Sequence[float] = (),
) -> Table:
    """Return settings that no others beat: the mean of each response, the chance to meet limits.

    `chances` are those of the choices, none where there is no limit.
    """
    headings = ["choice", *(f"{f.name.replace('_', ' ')} {f.unit}".rstrip() for f in space)]
    headings += [f"{fit.response.words} {fit.response.unit}".rstrip() for fit in fits]
    headings += ["all limits met"] * bool(chances)
    rows = []
    for i, choice in enumerate(choices):
        cells = [str(i + 1), *_cells(space, choice.settings)]
        for fit in fits:
            at = choice.predictions[fit.response.name]
            cells.append(bearing(float(at.mean[0]), float(at.standard_error[0])))
        rows.append((*cells, *(percent(chance) for chance in chances[i : i + 1])))
    return Table(tuple(headings), tuple(rows), frozenset(range(len(headings))))


def front_picture(
    fits: Sequence[FittedModel],
    choices: Sequence[Choice],
    recommended: Mapping[str, Prediction],
    chances: Sequence[float] = (),
    key: str = "front",
) -> Picture:
    """Return settings that no others beat over the two responses that pull apart most.

    `chances` are those to meet all limits, none where there is no limit: choices that more likely
    miss one look different, and the finding speaks of the others where there are any.
    """
    first, second = _pulling_apart(fits, choices)
    likely = [i for i in range(len(choices)) if not chances or chances[i] >= DOUBTFUL]
    told = [choices[i] for i in likely] or list(choices)
    best_x = max(told, key=lambda choice: _merit(first, choice))
    best_y = max(told, key=lambda choice: _merit(second, choice))
    x, y = (_spread(fit, choices) for fit in (first, second))
    at_x, at_y = (recommended[fit.response.name] for fit in (first, second))
    finding = _best_and_what_it_goes_with(first, second, best_x)
    if best_y is not best_x:
        finding += f"; {_best_and_what_it_goes_with(second, first, best_y, small=True)}"
    doubtful = [i for i in range(len(choices)) if i not in likely]
    groups: dict[PointKind, list[int]] = {"choice": likely, "doubtful": doubtful}
    level = percent(at_x.level)
    return Picture(
        key,
        finding,
        "Each square is a choice of settings that no other beats in every response; its bars are "
        f"the {level} intervals of the two means. The diamond is what is recommended above."
        + (" A dashed square more likely misses a limit than keeps all." if doubtful else "")
        + " The settings stand in the table below, by number.",
        _aim_axis(first, x),
        _aim_axis(second, y),
        (
            Crosses(*x, *y),
            *(
                Points(kind, x[0][places], y[0][places], tuple(str(i + 1) for i in places))
                for kind, places in groups.items()
                if places
            ),
            Points("recommended", at_x.mean[:1], at_y.mean[:1], ("recommended",)),
        ),
        _front_table((first, second), choices, level),
    )


def _front_table(fits: Sequence[FittedModel], choices: Sequence[Choice], level: str) -> Table:
    headings = ["choice"]
    for fit in fits:
        headings += [f"{fit.response.words} {fit.response.unit}".rstrip(), f"{level} interval"]
    rows = []
    for i, choice in enumerate(choices):
        cells = [str(i + 1)]
        for fit in fits:
            at = choice.predictions[fit.response.name]
            error = float(at.standard_error[0])
            cells.append(bearing(float(at.mean[0]), error))
            cells.append(between(float(at.mean_low[0]), float(at.mean_high[0]), error))
        rows.append(tuple(cells))
    return Table(tuple(headings), tuple(rows), frozenset(range(len(headings))))


def straying_sentence(
    space: FactorSpace,
    fits: Sequence[FittedModel],
    found: Straying,
    chances: tuple[float | None, float | None],
) -> str:
    """Return what the rig's swings do at the recommended settings; empty where it has none.

    `chances` are those to meet every limit, settings kept exactly and strayed from.
    """
    strays = [
        f"{factor.name.replace('_', ' ')} by ±"
        + with_unit(plain(float(swing)), "K" if factor.unit == "°C" else factor.unit)
        for factor, swing in zip(space, found.swings, strict=True)
        if swing > 0
    ]
    if not strays:
        return ""
    added = [
        f"{_scatter(fit, sd)} of {fit.response.words} (runs scatter by "
        f"{_scatter(fit, fit.residual_sd)})"
        for fit in fits
        if (sd := found.added_sd[fit.response.name]) is not None
    ]
    told = (
        f"Control strays ({' and '.join(strays)}, taken as spread evenly; of flow, time and what "
        "is weighed in nothing is known)."
    )
    if added:
        told += (
            " By the fitted polynomials that makes, at the recommended settings, a standard "
            f"deviation of {_and(added)}."
        )
    kept, strayed = chances
    if kept is not None and strayed is not None:
        before, after = chance_words(kept), chance_words(strayed)
        told += (
            " That hardly changes the chance that one run meets every limit."
            if before == after
            else f" Counting it takes the chance that one run meets every limit from {before} to "
            f"{after}."
        )
    return told


def _scatter(fit: FittedModel, sd: float) -> str:
    """Return a standard deviation in words; of a natural logarithm as a share of the value."""
    if fit.scale.exponent == 0 and fit.scale.scale == 1:
        return f"about {percent(math.expm1(sd))}"
    return with_unit(plain(sd, 2), fitted_unit(fit))


def _and(words: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(words[:-1]), *words[-1:])))


def _pulling_apart(
    fits: Sequence[FittedModel], choices: Sequence[Choice]
) -> tuple[FittedModel, FittedModel]:
    """Return the two responses of which one gains most surely where the other loses."""
    merits = np.array([[_merit(fit, choice) for choice in choices] for fit in fits])
    apart = {}
    for i, j in itertools.combinations(range(len(fits)), 2):
        both = merits[[i, j]]
        varies = (np.ptp(both, axis=1) > 0).all()
        apart[i, j] = float(np.corrcoef(both)[0, 1]) if varies else 1.0
    i, j = min(apart, key=lambda pair: apart[pair])
    return fits[i], fits[j]


def _merit(fit: FittedModel, choice: Choice) -> float:
    response, mean = fit.response, float(choice.predictions[fit.response.name].mean[0])
    if response.aim == "target":
        return -abs(mean - (response.target or 0.0))
    return mean if response.aim in ("maximise", "above") else -mean


def _spread(
    fit: FittedModel, choices: Sequence[Choice]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    predicted = [choice.predictions[fit.response.name] for choice in choices]
    return (
        np.array([p.mean[0] for p in predicted]),
        np.array([p.mean_low[0] for p in predicted]),
        np.array([p.mean_high[0] for p in predicted]),
    )


def _best_and_what_it_goes_with(
    fit: FittedModel, other: FittedModel, choice: Choice, small: bool = False
) -> str:
    def told(of: FittedModel) -> str:
        at = choice.predictions[of.response.name]
        value = bearing(float(at.mean[0]), float(at.standard_error[0]))
        return with_unit(value, of.response.unit)

    words = fit.response.words if small else capital(fit.response.words)
    return f"{words} {told(fit)} goes with {other.response.words} {told(other)}"


def _aim_axis(fit: FittedModel, values: tuple[FloatArray, FloatArray, FloatArray]) -> Axis:
    response = fit.response
    wanted = {
        "maximise": "more is better",
        "minimise": "less is better",
        "below": f"at most {plain(response.limit or 0.0)}",
        "above": f"at least {plain(response.limit or 0.0)}",
        "target": f"target {plain(response.target or 0.0)}",
    }[response.aim]
    _, low, high = values
    return padded_axis(f"{response.words} ({wanted})", response.unit, low, high)


def region_sentence(region: ProbableRegion, at_best: float | None = None) -> str:
    """Return where limits are likely met, and what the rig's swings take from it.

    `at_best` is the chance at the recommended settings, which may be the highest found.
    """
    chance = percent(region.level)
    how = {
        "one response": "",
        "joint": " The responses’ scatter together is counted.",
        "bound": " This is a lower bound: it holds however the responses scatter together.",
    }[region.aims.how]
    if region.highest < region.level and (at_best or 0.0) < region.level:
        return (
            f"Nowhere in what the rig can run does one run meet every limit with {chance} chance; "
            f"the highest found is {chance_words(max(region.highest, at_best or 0.0))}.{how}"
        )
    swung = ""
    if (region.aims.swings > 0).any():
        swung = (
            f" That takes the settings to be kept exactly; with the rig’s swings counted it is "
            f"{percent(region.share_with_swings)}."
        )
    return (
        f"In {percent(region.share)} of what the rig can run of the ranges one run meets every "
        f"limit with at least {chance} chance.{swung}{how}"
    )


def stationary_sentence(fit: FittedModel, found: Stationary) -> str:
    """Return where a response is level and what it is there, no finer than the runs tell."""
    said, space = fit.response.words, fit.model.space
    if found.settings is None:
        return f"The surface of {said} is nowhere level: it is {found.words}."
    if found.nature == "flat":
        return f"The surface of {said} is {found.words}, so where it is level is not told."
    if not found.inside_ranges:
        return f"The surface of {said} is level only outside the ranges; it is {found.words}."
    place, ranges = [], []
    for i in space.numeric:
        factor = space.factors[i]
        assert isinstance(factor, NumericFactor)
        place.append(with_unit(_as_set(factor, float(found.settings[i])), factor.unit))
        if np.isfinite(found.ranges[i]).all():
            low, high = (_as_set(factor, float(end)) for end in found.ranges[i])
            ends = with_unit(f"{low} to {high}", factor.unit)
            ranges.append(f"{factor.name.replace('_', ' ')} {ends}")
    may = f" (by the {percent(found.level)} region {_and(ranges)})" if ranges else ""
    return f"The surface of {said} is level near {', '.join(place)}{may}; it is {found.words}."


def curvature_table(fit: FittedModel, found: Stationary) -> Table:
    """Return the principal curvatures with their directions."""
    names = tuple(name.replace("_", " ") for name in found.surface.names)
    unit = fitted_unit(fit)
    rows = tuple(
        (
            bearing(part.value, part.standard_error),
            between(part.low, part.high, part.standard_error),
            *(bearing(float(share), 0.1) for share in part.direction),
        )
        for part in found.canonical
    )
    headings = (f"curvature, {unit}" if unit else "curvature", f"{percent(found.level)} interval")
    return Table((*headings, *names), rows, frozenset(range(2 + len(names))))


def ridge_picture(fit: FittedModel, path: Sequence[PathPoint], key: str = "ridge") -> Picture:
    """Return the best mean at each distance from the middle of the ranges.

    Raises
    ------
    ValueError
        The path has fewer than two places.
    """
    if len(path) < 2:
        raise ValueError("a path needs at least two places")
    response, space = fit.response, fit.model.space
    x = np.array([point.distance for point in path])
    mean, low, high = (
        np.array([float(getattr(point.prediction, name)[0]) for point in path])
        for name in ("mean", "mean_low", "mean_high")
    )
    level = percent(path[0].prediction.level)
    refused = [point for point in path if not point.feasible]
    best = "highest" if mean[-1] >= mean[0] else "lowest"
    finding = f"The {best} {response.words} at each distance from the middle of the ranges"
    if refused:
        finding += f"; the rig refuses from {plain(refused[0].distance)} on"
    pad = 0.06 * float(high.max() - low.min()) or 1.0
    return Picture(
        key,
        finding,
        f"Distances are in coded units: 1 is from the middle of a range to its end. The band is "
        f"the {level} interval of the mean. The settings stand in the table, rounded to what can "
        "be set.",
        Axis("distance from the middle", "", float(x.min()), float(x.max())),
        Axis(response.words, response.unit, float(low.min()) - pad, float(high.max()) + pad),
        (
            Band(x, low, high, f"{level} interval of the mean"),
            Curve(x, mean, "fitted mean"),
        ),
        _path_table(fit, space, path, "distance", [plain(point.distance) for point in path]),
    )


def ascent_table(fit: FittedModel, way: Ascent) -> Table:
    """Return the places along the steepest way, counted in steps of its counting factor."""
    numbers = [str(number) for number in range(len(way.points))]
    return _path_table(fit, fit.model.space, way.points, "step", numbers)


def _path_table(
    fit: FittedModel,
    space: FactorSpace,
    path: Sequence[PathPoint],
    counted: str,
    counts: Sequence[str],
) -> Table:
    rows = []
    for count, point in zip(counts, path, strict=True):
        at = point.prediction
        error = float(at.standard_error[0])
        rows.append(
            (
                count,
                *_cells(space, point.settings),
                bearing(float(at.mean[0]), error),
                between(float(at.mean_low[0]), float(at.mean_high[0]), error),
                _doubts(fit, point),
                "" if point.feasible else "the rig refuses",
            )
        )
    settings = [f"{f.name.replace('_', ' ')} {f.unit}".rstrip() for f in space]
    mean = f"{fit.response.words} {fit.response.unit}".rstrip()
    headings = (counted, *settings, mean, "interval of the mean", "mind", "rig")
    return Table(headings, tuple(rows), frozenset(range(len(settings) + 3)))


def _doubts(fit: FittedModel, point: PathPoint) -> str:
    """Return why a prediction at a place is no more than a direction; empty where it may be one."""
    found = [] if point.inside_ranges else ["outside the ranges"]
    if float(point.prediction.mean[0]) < 0 <= fit.observed[0]:
        found.append("below zero, where no value was: the model’s form fails")
    return "; ".join(found)


def _cells(space: FactorSpace, settings: FloatArray) -> list[str]:
    """Return one setting (k,) without units, levels by name, no finer than it can be set."""
    return [
        factor.levels[round(value)]
        if isinstance(factor, CategoricalFactor)
        else _as_set(factor, float(value))
        for factor, value in zip(space, settings, strict=True)
    ]


def _as_set(factor: NumericFactor, value: float) -> str:
    """Return a value, inside the range or not, rounded to the steps that can be set."""
    if factor.step is None:
        return plain(value, 4)
    return plain(round(value / factor.step) * factor.step, 6)
