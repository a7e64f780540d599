"""Which runs next, each with its reason, and whether more runs are worth while.

Shapes: k factors.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from doe.analysis.fit import FittedModel, Prediction
from doe.analysis.optimum import Analysis, joint_optimum
from doe.design.augment import sharpening_points
from doe.design.evaluation import prediction_variance
from doe.errors import DesignError, Notice
from doe.factors import Feasible, FloatArray, feasible_settings

__all__ = ["SuggestedRun", "Suggestion", "suggest"]

SURE = 0.95
PREDICTS = 0.3
"""Predicted R² below which a model is not relied on (common practice)."""
SAME_SETTING = 1e-6  # coded units


@dataclass(frozen=True, slots=True)
class SuggestedRun:
    """A run worth doing: its kind, why in plain words, settings (k,), and what it should give."""

    kind: str
    reason: str
    settings: FloatArray
    predictions: Mapping[str, Prediction]


@dataclass(frozen=True, slots=True)
class Suggestion:
    """The next runs, and in one sentence each what to do and why."""

    runs: tuple[SuggestedRun, ...]
    advice: str
    why: str
    notices: tuple[Notice, ...] = ()


def suggest(analysis: Analysis, feasible: Feasible, count: int, *, waiting: int = 0) -> Suggestion:
    """Return `count` next runs: one at the predicted best, the others where they teach most.

    Parameters
    ----------
    analysis
        What the results so far say.
    feasible
        Tells which settings (n, k) the rig can run.
    count
        Number of runs, at least 1.
    waiting
        Planned runs that are not made yet.

    Raises
    ------
    DesignError
        `count` is below 1, or the rig can run too few new settings.
    InfeasibleError
        The rig can run no setting at all.
    """
    if count < 1:
        raise DesignError.of("no-runs-asked", f"{count} runs were asked for.", "Ask for 1 or more.")
    largest = max(analysis.fits, key=lambda fit: len(fit.model))
    best = joint_optimum(analysis.fits, feasible, settable=True)
    runs = [_best_run(analysis, largest, best.settings)]
    if count > 1:
        runs += _sharpening_runs(analysis, largest, feasible, best.settings, count - 1)
    advice, why = _whether_to_go_on(analysis, best.all_aims_probability, runs[0], waiting)
    return Suggestion(tuple(runs), advice, why, analysis.notices)


def _best_run(analysis: Analysis, largest: FittedModel, settings: FloatArray) -> SuggestedRun:
    coded = largest.model.space.code(settings)
    done = bool((np.abs(largest.coded - coded).max(axis=1) < SAME_SETTING).any())
    if done:
        return SuggestedRun(
            "repeat",
            "The predicted best, run before: once more shows whether it holds and how much runs "
            "scatter there.",
            settings,
            _predictions(analysis, settings),
        )
    return SuggestedRun(
        "best",
        "The predicted best that the rig can run: it tests the prediction where it matters.",
        settings,
        _predictions(analysis, settings),
    )


def _sharpening_runs(
    analysis: Analysis,
    largest: FittedModel,
    feasible: Feasible,
    best: FloatArray,
    count: int,
) -> list[SuggestedRun]:
    """Return the runs that, together and beside the best, most cut the average variance."""
    space, model = largest.model.space, largest.model
    candidates = feasible_settings(space, feasible, most=2000)
    coded = space.code(candidates)
    existing = np.vstack([largest.coded, space.code(best)])
    picked = list(sharpening_points(model, existing, coded, count))
    before = _average_variance(largest, existing, coded)
    after = _average_variance(largest, np.vstack([existing, coded[picked]]), coded)
    cut = 100 * (1 - after / before)
    together = "This run cuts" if count == 1 else f"These {count} runs together cut"
    reason = (
        f"{together} the average uncertainty of the {largest.response.words} surface "
        f"(its variance) by {cut:.0f} %."
    )
    return [
        SuggestedRun("sharpen", reason, candidates[i], _predictions(analysis, candidates[i]))
        for i in picked
    ]


def _average_variance(fit: FittedModel, coded: FloatArray, region: FloatArray) -> float:
    """Return the mean prediction variance over the region, in units of the run variance."""
    return float(prediction_variance(fit.model, coded, region).mean())


def _predictions(analysis: Analysis, settings: FloatArray) -> dict[str, Prediction]:
    return {fit.response.name: fit.predict(settings[None, :]) for fit in analysis.fits}


def _whether_to_go_on(
    analysis: Analysis, all_aims: float | None, best: SuggestedRun, waiting: int
) -> tuple[str, str]:
    """Return the advice and its reason.

    Planned runs come first; a model that misses its runs confirms nothing; else the chance that
    all limits are met decides, or the widths of the intervals where there is no limit.
    """
    if waiting:
        plural = "runs are" if waiting > 1 else "run is"
        return (
            "Make the planned runs first.",
            f"{waiting} planned {plural} not recorded yet; these suggestions don't know what they "
            "will say.",
        )
    unknown = [r.words for r in analysis.unfitted if r.interval_wanted() is not None]
    if unknown:
        return (
            f"Go on: nothing is known of {', '.join(unknown)}.",
            "It has a limit and could not be fitted, so no setting can be said to keep it.",
        )
    doubts = [text for fit in analysis.fits if (text := _doubt(fit)) is not None]
    if doubts:
        return "Go on: the models can't be relied on yet.", " ".join(doubts)
    if all_aims is not None and all_aims >= SURE:
        return (
            "Confirm now.",
            f"By the models a run at the predicted best meets all limits with about "
            f"{_percent(all_aims)} % probability. They chose that setting themselves, and how days "
            "differ is not in it: fresh runs on a new day show whether it holds.",
        )
    if all_aims is not None:
        return (
            "Go on.",
            f"By the models a run at the predicted best meets all limits with only about "
            f"{_percent(all_aims)} % probability.",
        )
    widths = []
    for fit in analysis.fits:
        at_best = best.predictions[fit.response.name]
        half = float(at_best.mean_high[0] - at_best.mean_low[0]) / 2
        widths.append(
            f"{fit.response.words} ± {half:.2g} {fit.response.unit}".rstrip()
            + f" (runs scatter by {fit.residual_sd:.2g})"
        )
    return (
        "Go on if the mean at the best must be known more closely.",
        f"At {100 * best.predictions[analysis.fits[0].response.name].level:.0f} % it is known "
        f"to: {'; '.join(widths)}. No limit is set, so no probability can say when to stop.",
    )


def _doubt(fit: FittedModel) -> str | None:
    """Return why a model should not be relied on for its best settings; None if nothing says so."""
    lack = fit.lack_of_fit
    if lack is not None and lack.p_value is not None and lack.p_value < 0.05:
        return (
            f"The model of {fit.response.words} misses its runs by more than repeats scatter "
            f"(p = {lack.p_value:.2g})."
        )
    if fit.r2_predicted is not None and fit.r2_predicted < PREDICTS:
        return (
            f"The model of {fit.response.words} predicts runs that it has not seen poorly "
            f"(predicted R² {fit.r2_predicted:.2f})."
        )
    return None


def _percent(bound: float) -> int:
    """Return a lower bound of a probability in whole percent, rounded down, never certain."""
    return max(0, min(99, int(100 * bound)))
