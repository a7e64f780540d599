"""Pictures of a fitted model: its effects, and what it is judged by.

Shapes: n runs, m points along a factor.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from doe.digits import bearing, percent, plain, with_unit
from doe.factors import FactorSpace, FloatArray
from doe.report.pictures import (
    Axis,
    Band,
    Curve,
    Estimates,
    Infeasible,
    Panels,
    Picture,
    Points,
    Table,
    factor_axis,
    factor_column,
    held_sentence,
    in_words,
    one_setting,
    padded_axis,
    stops,
    two_decimals,
)
from doe.wording import capital, listed, runs_in_words

if TYPE_CHECKING:
    from doe.analysis.fit import FittedModel, TermEstimate
    from doe.analysis.scrutiny import By
    from doe.analysis.transformation import Transformation
    from doe.responses import Response

__all__ = [
    "EffectCurve",
    "effect_curve_picture",
    "effect_panels",
    "effects_picture",
    "fitted_unit",
    "half_normal_picture",
    "left_out_picture",
    "limit_marks",
    "normal_picture",
    "observed_fitted_picture",
    "residual_panels",
    "residuals_against_picture",
    "residuals_picture",
    "scaled_unit",
    "turn_of",
]

HALF_NORMAL_LEAST = 4
HATCHED = "Hatched: what the rig cannot run."
ALIKE = 1e-6
"""Share by which two distances may differ and be called the same."""


@dataclass(frozen=True, slots=True, eq=False)
class EffectCurve:
    """A response along one factor (m,), the others held at `at` (k,).

    `feasible` (m,) tells where the rig can run; None if it can everywhere. `told` is whether the
    results tell a change from one end to the other from none, `turned` whether they tell what
    `turn_of` finds from both ends; `freer` whether the curve is by the averages over smooth
    surfaces that settings are chosen by; else it is by the fitted polynomial.
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
    told: bool = True
    turned: bool = True
    freer: bool = False


def effect_curve_picture(
    space: FactorSpace, view: EffectCurve, key: str = "effect-curve", vertical: Axis | None = None
) -> Picture:
    """Return a response along one factor, with the interval of its mean."""
    response = view.response
    vertical = vertical or padded_axis(response.words, response.unit, view.low, view.high)
    level = percent(view.level)
    closed = _closed_stretches(view, vertical)
    held = held_sentence(space, view.at, {view.factor})
    return Picture(
        key,
        _effect_curve_finding(space, view),
        " ".join(filter(None, (_curve_words(view), HATCHED if closed else "", held))),
        factor_axis(space, view.factor),
        vertical,
        (
            Band(view.x, view.low, view.high, f"{level} interval of the mean"),
            Curve(view.x, view.mean, ""),
            *closed,
        ),
        _effect_curve_table(space, view),
    )


def effect_panels(space: FactorSpace, views: Sequence[EffectCurve], key: str) -> Panels:
    """Return a response along each factor, all on one scale, so that the factors compare."""
    response = views[0].response
    low, high = (
        np.concatenate(ends) for ends in zip(*((v.low, v.high) for v in views), strict=True)
    )
    vertical = padded_axis(response.words, response.unit, low, high)
    pictures = tuple(
        effect_curve_picture(space, view, f"{key}-{i}", vertical)
        for i, view in enumerate(views, start=1)
    )
    hatched = any(isinstance(layer, Infeasible) for one in pictures for layer in one.layers)
    held = held_sentence(space, views[0].at, set())
    return Panels(
        key,
        _panels_finding(space, views),
        " ".join(
            filter(
                None,
                (
                    _curve_words(views[0]),
                    HATCHED if hatched else "",
                    "The scale is the same for all factors.",
                    held.replace("Held at", "Those not shown are held at"),
                ),
            )
        ),
        pictures,
        _panels_table(space, views, pictures),
    )


def _panels_finding(space: FactorSpace, views: Sequence[EffectCurve]) -> str:
    """Return which factor moves a response most, where the rig can run and it is told."""
    if len(views) == 1:
        return _effect_curve_finding(space, views[0])
    told = [view for view in views if view.told]
    words = views[0].response.words
    if not told:
        return f"No factor alone is told to move {words} from one end of its range to the other"

    def reach(view: EffectCurve) -> float:
        runs = view.mean if view.feasible is None else view.mean[view.feasible]
        return float(np.ptp(runs)) if len(runs) else 0.0

    most = max(told, key=reach)
    size = with_unit(plain(reach(most), 2), most.response.unit)
    return f"From the best settings {_named(space, most)} alone moves {words} most, by up to {size}"


def _named(space: FactorSpace, view: EffectCurve) -> str:
    return in_words(space.factors[view.factor].name)


def _panels_table(
    space: FactorSpace, views: Sequence[EffectCurve], pictures: Sequence[Picture]
) -> Table:
    rows = tuple(
        (_named(space, view), *row)
        for view, picture in zip(views, pictures, strict=True)
        for row in picture.table.rows
    )
    return Table(("factor", "setting", *pictures[0].table.headings[1:]), rows, frozenset({1, 2, 3}))


def _curve_words(view: EffectCurve) -> str:
    by = (
        "the averages over smooth surfaces that the recommended settings rest on"
        if view.freer
        else "the fitted polynomial"
    )
    return f"The line is the mean by {by}, the band its {percent(view.level)} interval."


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
    ends = np.array([x.low, x.high])
    return Picture(
        key,
        _scatter_words(fit),
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


def _scatter_words(fit: FittedModel) -> str:
    """Return how far runs lie from the model; in plots the runs of one, and the plots, apart."""
    sd = with_unit(plain(fit.residual_sd, 2), fitted_unit(fit))
    others = [name for name, _ in fit.variance_components if name != "run"]
    if not others:
        return f"Runs scatter by {sd} about the model"
    sizes = dict(fit.variance_components)
    each = [f"{name}s by {with_unit(plain(sizes[name], 2), fitted_unit(fit))}" for name in others]
    return f"Runs of one {others[-1]} scatter by {sd} about the model, {listed(each)}"


def residuals_picture(fit: FittedModel, key: str = "residuals", by: By = "fitted") -> Picture:
    """Return studentised residuals in the order the runs were made; `by` names the model."""
    runs = np.array(fit.runs_used, dtype=np.float64)
    known = np.isfinite(fit.studentised)
    values = fit.studentised[known]
    y = padded_axis("studentised residual", "standard errors", values, values, zero=True)
    if known.any():
        far = np.abs(np.where(known, fit.studentised, 0.0))
        worst = np.flatnonzero(far >= far.max() * (1 - ALIKE))
        named = runs_in_words([fit.runs_used[i] for i in worst])
        finding = (
            f"{named} {'lies' if len(worst) == 1 else 'lie'} furthest from the {by} model, "
            f"{plain(float(far.max()), 2)} standard errors away"
        )
    else:
        finding = "No run can be judged without itself"
    return Picture(
        key,
        finding,
        f"Each dot is a run, judged by the {by} model without it. A slope or a step along the "
        "order of runs would mean that something drifted; a lone far dot asks for a look at its "
        "record.",
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
                (str(run), two_decimals(float(value)))
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
    clear = np.array([low > 0 or high < 0 for low, high in (e.interval() for e in shown)])
    top = int(np.argmax(np.where(clear, ratios, 0.0)))
    end = 1.08 * float(places.max())
    line = np.array([0.0, end])
    high = max(float(ratios.max()), end)
    return Picture(
        key,
        f"{capital(in_words(shown[top].label))} stands out most, "
        f"{plain(float(ratios[top]), 2)} standard errors from zero"
        if clear.any()
        else "No term stands clear of zero: the 95 % interval of each includes it",
        "Each dot is a term, sorted by size. If no term did anything, the dots would follow the "
        "line; terms that act rise above it at the right.",
        Axis("half-normal quantile", "", 0.0, end),
        Axis("size of coefficient", "standard errors", 0.0, 1.08 * high),
        (
            Curve(line, line, "chance alone", "soft-ink", dashed=True),
            Points("done", places, ratios, tuple(in_words(e.label) for e in shown)),
        ),
        Table(
            ("term", "coefficient in standard errors", "half-normal quantile"),
            tuple(
                (in_words(shown[i].label), plain(float(ratios[i]), 3), plain(float(places[i]), 3))
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


def normal_picture(fit: FittedModel, key: str = "normal", by: By = "fitted") -> Picture | None:
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
        f"Residuals of the {by} model keep within {plain(gap, 2)} standard errors of a normal "
        "scatter",
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
                (name, two_decimals(float(values[i])), two_decimals(float(place)))
                for name, i, place in zip(named, order, places, strict=True)
            ),
            frozenset({0, 1, 2}),
        ),
    )


def residuals_against_picture(
    fit: FittedModel, space: FactorSpace, factor: int, key: str = "against", by: By = "fitted"
) -> Picture | None:
    """Return studentised residuals along one numeric factor; None where no run can be judged."""
    known = np.isfinite(fit.studentised)
    if not known.any():
        return None
    values, at = fit.studentised[known], space.decode(fit.coded)[known, factor]
    named = tuple(str(run) for run, k in zip(fit.runs_used, known, strict=True) if k)
    words = in_words(space.factors[factor].name)
    worst = int(np.argmax(np.abs(values)))
    x = factor_axis(space, factor)
    x = replace(x, low=min(x.low, float(at.min())), high=max(x.high, float(at.max())))
    return Picture(
        key,
        f"Along {words}, run {named[worst]} lies furthest out, at "
        f"{one_setting(space, factor, float(at[worst]))}",
        f"Each dot is a run, judged by the {by} model without it. A bow means that the model "
        f"lacks a bend in {words}; a widening fan, that scatter changes with it.",
        x,
        padded_axis("studentised residual", "standard errors", values, values, zero=True),
        (
            Curve(np.array([x.low, x.high]), np.zeros(2), "the model", "soft-ink", dashed=True),
            Points("done", at, values, named),
        ),
        Table(
            ("run", factor_column(space, factor), "studentised residual"),
            tuple(
                (name, plain(float(where), 5), two_decimals(float(value)))
                for name, where, value in zip(named, at, values, strict=True)
            ),
            frozenset({0, 1, 2}),
        ),
    )


def residual_panels(
    fit: FittedModel, space: FactorSpace, key: str = "against", by: By = "fitted"
) -> Panels | None:
    """Return studentised residuals along each numeric factor; None where no run can be judged."""
    made = [
        residuals_against_picture(fit, space, i, f"{key}-{n}", by)
        for n, i in enumerate(space.numeric, start=1)
    ]
    pictures = tuple(picture for picture in made if picture is not None)
    if not pictures:
        return None
    settings = zip(*([row[1] for row in one.table.rows] for one in pictures), strict=True)
    rows = tuple(
        (run, residual, *at)
        for (run, _, residual), at in zip(pictures[0].table.rows, settings, strict=True)
    )
    headings = ("run", "studentised residual", *(one.table.headings[1] for one in pictures))
    return Panels(
        key,
        f"What the {by} model leaves, along {'each factor' if len(pictures) > 1 else 'the factor'}",
        f"Each dot is a run, judged by the {by} model without it. A bow means that the model lacks "
        "a bend in that factor; a widening fan, that scatter changes with it.",
        pictures,
        Table(headings, rows, frozenset(range(len(headings)))),
    )


def _effect_curve_finding(space: FactorSpace, view: EffectCurve) -> str:
    words, along = capital(view.response.words), in_words(space.factors[view.factor].name)
    first, last = float(view.mean[0]), float(view.mean[-1])
    turn = turn_of(view.mean)
    if turn is not None and view.turned:
        at = one_setting(space, view.factor, float(view.x[turn]))
        first_way, then = ("rises", "falls") if view.mean[turn] > first else ("falls", "rises")
        return f"{words} {first_way} with {along} to {at}, then {then}"
    if not view.told:
        return f"{words} may not change with {along}: the results do not tell"
    return f"{words} {'rises' if last > first else 'falls'} with {along}"


def turn_of(mean: FloatArray) -> int | None:
    """Return where a curve (m,) turns inside: at its highest or lowest; None at both or none."""
    high, low = int(np.argmax(mean)), int(np.argmin(mean))
    inner = [place for place in (high, low) if 0 < place < len(mean) - 1]
    return inner[0] if len(inner) == 1 else None


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
            one_setting(space, view.factor, float(view.x[i])),
            bearing(float(view.mean[i]), float(half[i])),
            f"{bearing(float(view.low[i]), float(half[i]))} to "
            f"{bearing(float(view.high[i]), float(half[i]))}",
        )
        for i in stops(len(view.x), 9)
    )
    named = f"{view.response.words}, {view.response.unit}".rstrip(", ")
    headings = (
        factor_column(space, view.factor),
        named,
        f"{percent(view.level)} interval of the mean",
    )
    return Table(headings, rows, frozenset({0, 1, 2}))


def limit_marks(fit: FittedModel) -> tuple[str, ...]:
    """Return before each value "<" or ">" where it is a limit only."""
    sides = fit.censored or (None,) * len(fit.runs_used)
    return tuple({"below": "<", "above": ">"}.get(side or "", "") for side in sides)


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
                f"{mark}{plain(float(value))}",
                plain(float(fitted)),
                bearing(float(residual), fit.residual_sd),
                two_decimals(float(studentised)),
                two_decimals(float(leverage)),
                two_decimals(float(cook)),
            )
            for run, mark, value, fitted, residual, studentised, leverage, cook in zip(
                fit.runs_used,
                limit_marks(fit),
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


def _effects_finding(fit: FittedModel, shown: Sequence[TermEstimate], clear: Sequence[bool]) -> str:
    words, told = fit.response.words, sum(clear)
    if not shown:
        return f"The model of {words} holds nothing but a mean"
    if not told:
        return f"No term of {words} stands clear of zero"
    first = next(e for e, c in zip(shown, clear, strict=True) if c)
    stand = "stands" if told == 1 else "stand"
    named = capital(in_words(first.label))
    if abs(first.coefficient) < max(abs(e.coefficient) for e in shown):
        unsure = max(shown, key=lambda e: abs(e.coefficient))
        return (
            f"{named} moves {words} most of what stands clear of zero; "
            f"{in_words(unsure.label)} may do more, or nothing"
        )
    return f"{named} moves {words} most; {told} of {len(shown)} terms {stand} clear of zero"
