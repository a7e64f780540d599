"""What lies around the best settings: the shape of each surface, and how sure the best are.

Shapes: k factors.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.analysis.chosen import chance_at_chosen, predictions_at_chosen
from doe.analysis.fit import FittedModel, Prediction
from doe.analysis.leeway import leeway
from doe.analysis.location import Location, location_of_best
from doe.analysis.optimum import Analysis, candidates_for_search
from doe.analysis.pareto import Choice, choices, choices_of
from doe.analysis.reliability import (
    Aims,
    AllAims,
    FreerAims,
    ProbableRegion,
    all_aims,
    probable_region,
    transmitted_sd,
)
from doe.analysis.surface import (
    Ascent,
    PathPoint,
    Stationary,
    ridge,
    stationary_point,
    steepest_ascent,
)
from doe.errors import InfeasibleError
from doe.factors import FactorSpace, Feasible, FloatArray

__all__ = ["Landscape", "Shape", "Straying", "landscape_of"]

PLACES_FREER = 600
"""Places at which surrogates are asked for the chance to meet limits: they are slower."""
RIDGE_RADII = (0.0, 0.25, 0.5, 0.75, 1.0, 1.25)
"""Coded distances from the middle of the ranges."""


@dataclass(frozen=True)
class Shape:
    """The shape of one response's surface at the categorical levels of its best settings.

    `stationary` is None and `ridge` empty for a model without curvature; those two ways are those
    towards the aim, `ascent` None and `ridge` empty where the aim is a target.
    """

    stationary: Stationary | None
    ridge: tuple[PathPoint, ...]
    ascent: Ascent | None


@dataclass(frozen=True)
class Straying:
    """What the rig's swings do at the recommended settings, spread evenly over their box.

    Attributes
    ----------
    swings
        (k,) how far each factor strays either way from what is set.
    chance, chance_with_swings
        That one run meets every limit and tolerance, kept exactly and strayed from; None where
        nothing can be said of it.
    added_sd
        Standard deviation that straying adds to a run, in the unit of the model; None for a model
        beyond second order. The scatter of runs holds some of it already.
    """

    swings: FloatArray
    chance: float | None
    chance_with_swings: float | None
    added_sd: Mapping[str, float | None]


@dataclass(frozen=True)
class Landscape:
    """What lies around the best settings, for each response and for all together.

    Attributes
    ----------
    location
        Where else the best settings for all aims could lie, by what the recommended ones rest on.
    by_polynomials
        The same by the fitted polynomials.
    leeway
        From where to where each numeric factor may stray alone from the recommended settings
        before it matters, by what they rest on; empty where that is the fitted polynomials.
    choices
        Settings that no others beat, by what the recommended ones rest on; empty with a single
        response.
    aims
        The chance to meet every limit by the fitted polynomials; None where no response has a
        limit, and where nothing is known of one that has.
    region
        Where every limit is likely met, by what the recommended settings rest on; None as `aims`.
    """

    shapes: Mapping[str, Shape]
    location: Location
    by_polynomials: Location
    choices: tuple[Choice, ...]
    aims: AllAims | None
    region: ProbableRegion | None
    straying: Straying
    at_best: Mapping[str, Prediction]
    chance_at_best: float | None
    leeway: tuple[tuple[float, float] | None, ...] = ()


def landscape_of(
    analysis: Analysis, space: FactorSpace, feasible: Feasible, swings: FloatArray, seed: int
) -> Landscape:
    """Return the shapes of the fitted surfaces, and how sure the best settings are.

    Parameters
    ----------
    swings
        How far each factor strays either way from what is set (k,).
    """
    candidates = candidates_for_search(space, feasible)
    unknown = any(response.interval_wanted() for response in analysis.unfitted)
    aims = None if unknown else all_aims(analysis.fits, swings)
    outside = _refusing(feasible)
    own = analysis.by_polynomials or analysis.optimum
    location = location_of_best(analysis.fits, candidates, seed=seed)
    location = location.reaching(space, own.settings)
    at, plain = own.settings, own.all_aims_probability
    return Landscape(
        {
            fit.response.name: _shape(fit, analysis.best[fit.response.name].settings, outside)
            for fit in analysis.fits
        },
        analysis.location or location,
        location,
        choices_of(analysis.decision, feasible)
        if analysis.decision is not None
        else choices(analysis.fits, candidates),
        aims,
        None if aims is None else _region(analysis, aims, feasible),
        _straying(analysis, aims, swings),
        predictions_at_chosen(analysis.fits, at, location, seed),
        chance_at_chosen(analysis.fits, at, location, seed, plain),
        _leeway(analysis, feasible),
    )


def _region(analysis: Analysis, aims: AllAims, feasible: Feasible) -> ProbableRegion | None:
    if not analysis.surrogates:
        return probable_region(aims, feasible)
    responses = tuple(fit.response for fit in analysis.fits)
    freer: Aims = FreerAims(responses, analysis.surrogates, aims.swings)
    return probable_region(freer, feasible, places=PLACES_FREER)


def _leeway(analysis: Analysis, feasible: Feasible) -> tuple[tuple[float, float] | None, ...]:
    if not analysis.surrogates:
        return ()
    responses = [fit.response for fit in analysis.fits]
    return leeway(responses, analysis.surrogates, analysis.optimum.settings, feasible)


def _straying(analysis: Analysis, aims: AllAims | None, swings: FloatArray) -> Straying:
    at = analysis.optimum.settings[None]
    added = {}
    for fit in analysis.fits:
        sd = transmitted_sd(fit, at, swings / np.sqrt(3))  # of an even spread
        added[fit.response.name] = None if sd is None else float(sd[0])
    if aims is None:
        return Straying(swings, None, None, added)
    kept, strayed = aims.chance(at), aims.chance_with_swings(at)
    return Straying(swings, float(kept[0]), float(strayed[0]), added)


def _refusing(feasible: Feasible) -> Feasible:
    """Return a verdict also where a path leads out of all that can be judged: water is ice, say."""

    def judged(settings: FloatArray) -> npt.NDArray[np.bool_]:
        try:
            return feasible(settings)
        except InfeasibleError:
            if len(settings) == 1:
                return np.zeros(1, dtype=np.bool_)
            return np.concatenate([judged(row[None]) for row in settings])

    return judged


def _shape(fit: FittedModel, at: FloatArray, feasible: Feasible) -> Shape:
    aim = fit.response.aim
    stationary = stationary_point(fit, at)
    if aim == "target":
        return Shape(stationary, (), None)
    up = aim in ("maximise", "above")
    return Shape(
        stationary,
        ridge(fit, feasible, RIDGE_RADII, highest=up, at=at),
        steepest_ascent(fit, feasible, up=up, at=at),
    )
