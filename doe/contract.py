"""What every command answers as one JSON object: documented in the README, and stable.

Numbers that do not exist are null. Settings stand in an object of their own whose keys carry the
unit. Nothing here computes: results go in, plain dictionaries come out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from doe.errors import DoeError, Notice
from doe.factors import CategoricalFactor, FactorSpace, FloatArray
from doe.ledger import LedgerRow, prepares
from doe.standing import left_to_plan

if TYPE_CHECKING:
    from pathlib import Path

    from doe.analysis.extraction import FlowTest, JudgedCurve, Pace
    from doe.analysis.fit import FittedModel, Prediction
    from doe.analysis.landscape import Landscape, Shape, Straying
    from doe.analysis.location import Location
    from doe.analysis.optimum import Analysis, Best
    from doe.analysis.reliability import ProbableRegion
    from doe.analysis.screened import ScreeningVerdict
    from doe.analysis.screening_effects import Stratum
    from doe.analysis.surface import Ascent, PathPoint, Stationary
    from doe.campaign import Campaign
    from doe.demo import DemoResult
    from doe.kinetics import Interval
    from doe.log_record import LogRecord
    from doe.modelling import Finding
    from doe.recording import RecordResult
    from doe.workflow import (
        AugmentResult,
        CheckResult,
        FitResult,
        NewResult,
        PlanResult,
        StatusResult,
        SuggestResult,
    )

__all__ = [
    "FORMAT",
    "augment_object",
    "check_object",
    "demo_object",
    "error_object",
    "fit_object",
    "new_object",
    "plan_object",
    "record_object",
    "status_object",
    "suggest_object",
]

FORMAT = 1
Object = dict[str, Any]
BEYOND_REASON = 3.0
"""Ranges of the values measured, beyond them, from which an interval says nothing (our rule)."""


def _start(campaign: Campaign | None, notices: Sequence[Notice], files: Sequence[Path]) -> Object:
    """Return what every object carries."""
    unique = dict.fromkeys((notice.code, notice.what) for notice in notices)
    return {
        "format": FORMAT,
        "campaign": None if campaign is None else campaign.name,
        "workspace": None if campaign is None else str(campaign.workspace),
        "warnings": [{"code": code, "what": what} for code, what in unique],
        "files": [str(file) for file in files],
    }


def error_object(error: DoeError, campaign: str | None) -> Object:
    """Return a failure: every problem with its place and its cure.

    `campaign` is the name of the one asked for; None where there is none.
    """
    return {
        **_start(None, (), ()),
        "campaign": campaign,
        "errors": [
            {
                "code": problem.code,
                "what": problem.what,
                "where": {
                    "file": problem.where.file,
                    "line": problem.where.line,
                    "key": problem.where.key,
                },
                "remedy": problem.remedy,
            }
            for problem in error.problems
        ],
    }


def new_object(result: NewResult) -> Object:
    """Return what `doe new` made."""
    return _start(result.campaign, result.notices, result.files)


def check_object(result: CheckResult) -> Object:
    """Return what `doe check` found."""
    found = result.survey
    space = result.campaign.space
    return {
        **_start(result.campaign, result.notices, result.files),
        "feasible_fraction": _number(found.feasible_fraction),
        "limits": [
            {
                "limit": share.limit.code,
                "title": share.limit.title,
                "unit": share.limit.unit,
                "common_practice": share.limit.practice,
                "fails_fraction": _number(share.fails_fraction),
                "fails_alone_fraction": _number(share.fails_alone_fraction),
            }
            for share in found.limits
        ],
        "corners": [
            {
                "settings": space.as_mapping(corner.settings),
                "fails": [limit.code for limit, _ in corner.fails],
                "why": [sentence for _, sentence in corner.fails],
            }
            for corner in found.corners
        ],
        "cures": list(found.cures),
        "affordable": _affordable(result.affordable),
    }


def plan_object(result: PlanResult) -> Object:
    """Return the stage that `doe plan` made."""
    measure, degrees = result.judgement.efficiencies, result.judgement.degrees
    of_plots = result.judgement.plot_degrees
    return {
        **_start(result.campaign, result.notices, result.files),
        "stage": result.stage,
        "design": {
            "family": result.design.family,
            "reason": result.design.reason,
            "model": result.design.model,
            "runner_up": result.design.runner_up or None,
            "efficiencies": {
                "d": _number(measure.d),
                "a": _number(measure.a),
                "g": _number(measure.g),
                "i": _number(measure.i),
            },
            "coding": _coding(result.campaign.space),
        },
        "degrees_of_freedom": {
            "model": degrees.model,
            "lack_of_fit": degrees.lack_of_fit,
            "pure_error": degrees.pure_error,
            "between_plots": None if of_plots is None else of_plots.plot_error,
            "within_plots": None if of_plots is None else of_plots.run_error,
        },
        "can_do": list(result.judgement.can_do),
        "affordable": _affordable(result.affordable),
        "schedule": None
        if result.days is None
        else {"days": len(result.days.days), "hours": _number(result.days.hours)},
        "runs": _runs(result.campaign, result.rows),
    }


def record_object(result: RecordResult) -> Object:
    """Return what `doe record` changed, or would change."""
    return {
        **_start(result.campaign, result.notices, result.files),
        "dry_run": result.dry_run,
        "changes": [
            {"run": c.run, "column": c.column, "old": c.old, "new": c.new} for c in result.changes
        ],
        "runs": _counts(result.ledger.rows),
        "log": None if result.log is None else _log(result.log.record),
    }


def _log(record: LogRecord) -> Object:
    """Return what a run's log said and what was decided."""
    return {
        "run": record.run,
        "decision": record.decision,
        "rule": record.rule,
        "because": record.because,
        "doubtful": record.doubtful,
        "decided_by": record.decided_by,
        "responses_known": record.responses_known,
        "extraction": record.extraction,
        "found": dict(record.found),
        "limits_passed": list(record.limits_passed),
        "besides": list(record.besides),
    }


def fit_object(result: FitResult) -> Object:
    """Return the models that `doe fit` made, and the best settings."""
    analysis, space = result.analysis, result.campaign.space
    optimum = analysis.optimum
    return {
        **_start(result.campaign, result.notices, result.files),
        "stage": result.stage,
        "coding": _coding(space),
        "responses": {
            fit.response.name: {
                **_response(fit, analysis.best[fit.response.name], space),
                **_finding(result.findings[fit.response.name]),
                **_shape(result.landscape.shapes[fit.response.name], space),
            }
            for fit in analysis.fits
        },
        "optimum": {
            "settings": space.as_mapping(optimum.settings),
            "predictions": {
                name: _prediction(predicted) for name, predicted in optimum.predictions.items()
            },
            "interval_level": optimum.level,
            "all_aims_probability": _chance(optimum.all_aims_probability),
            "evidence": analysis.evidence,
            "coverage": result.shown.coverage,
            "guess": result.shown.guess,
            "free": {
                factor.column: list(ends)
                for factor, ends in zip(space, result.shown.free, strict=True)
                if ends is not None
            },
            "by_polynomials": _of_polynomials(analysis, result.landscape, space),
            "leeway": _leeway(result.landscape, space),
            "straying": _straying(result.landscape.straying, space),
            **_location(result.landscape.location, space),
        },
        "pareto": [
            {
                "settings": space.as_mapping(choice.settings),
                "predictions": {
                    name: _prediction(predicted) for name, predicted in choice.predictions.items()
                },
            }
            for choice in result.landscape.choices
        ],
        "probable_region": _probable_region(
            result.landscape.region, space, optimum.all_aims_probability
        ),
        "screening": {name: _screening(verdict) for name, verdict in result.screenings.items()},
        "extraction_curves": [_curve(curve) for curve in result.curves.curves],
        "flow_tests": [_flow_test(test) for test in result.curves.tests],
        "rates": [_pace(pace) for pace in result.curves.paces],
    }


def _curve(curve: JudgedCurve) -> Object:
    """Return the portions of a run, the models fitted to them, and what they say of its length."""
    run, models = curve.timed, curve.models
    timed = run.timed
    return {
        "run": run.run,
        "of": run.of,
        "flow_mL_min": run.flow_mL_min,
        "water_mL_g_min": run.water_mL_g_min,
        "end_min": run.end_min,
        "portions": [
            {
                "bottle": label,
                "stretches_min": [
                    [float(a), float(b)]
                    for a, b, of in zip(timed.start, timed.end, timed.portion, strict=True)
                    if of == i
                ],
                "low_mg_g": float(timed.low[i]),
                "high_mg_g": float(timed.high[i]),
                "sd_mg_g": _number(float(run.sd[i])),
            }
            for i, label in enumerate(run.labels)
        ],
        "models": [
            {
                "model": fit.model.name,
                "end_value_mg_g": _interval(fit.end),
                "parameters": {p.name: _interval(at) for p, at in fit.parameters()},
                "weighted_rss": fit.rss,
                "df": fit.df,
                "aicc": _number(fit.aicc),
            }
            for fit in models.fits
        ],
        "not_fitted": [{"model": one.model.name, "why": one.why} for one in models.refusals],
        "chosen": models.chosen.model.name if models.chosen else None,
        "alike": [fit.model.name for fit in models.alike],
        "not_refuted": [fit.model.name for fit in models.within] if models.chosen else [],
        "not_judged": [model.name for model in models.unjudged],
        "beyond_last_portion": curve.beyond,
        "end_value_mg_g": _interval(curve.end),
        "reached_90_pct_min": _interval(curve.reached),
        "rise_in_10_min": _interval(curve.rising),
        "elution_K_mL_g": _interval(curve.elution_mL_g),
        "verdict": curve.verdict,
    }


def _flow_test(test: FlowTest) -> Object:
    found = test.found
    return {
        "runs": [curve.timed.run for curve in test.curves],
        "of": test.curves[0].timed.of,
        "model": found.model.name,
        "exponent": _interval(found.exponent),
        "exponent_if_pace_off": [_number(test.low), _number(test.high)],
        "weighted_rss": {"time": found.rss_time, "water": found.rss_water, "best": found.rss},
        "df": found.df,
        "speaks_for": test.speaks_for,
    }


def _pace(pace: Pace) -> Object:
    """Return how rates follow temperature and flow over all runs, or why that cannot be told."""
    fit = None if isinstance(pace.found, str) else pace.found
    return {
        "of": pace.curves[0].timed.of,
        "model": pace.model.name,
        "runs": [
            {"run": curve.timed.run, "rate_per_min": _interval(rate)}
            for curve, rate in zip(pace.curves, pace.rates, strict=True)
        ],
        "why_not": pace.found if isinstance(pace.found, str) else None,
        "activation_kJ_mol": _interval(fit.activation_kJ_mol) if fit else None,
        "flow_exponent": _interval(fit.exponent) if fit else None,
        "run_to_run_sd_of_log": fit.scatter if fit else None,
        "df": fit.df if fit else None,
    }


def _interval(found: Interval | None) -> Object | None:
    """Return an estimate with its interval; null where nothing bounds it."""
    if found is None:
        return None
    return {"value": _number(found.value), "low": _number(found.low), "high": _number(found.high)}


def _of_polynomials(analysis: Analysis, around: Landscape, space: FactorSpace) -> Object | None:
    """Return the settings that the fitted polynomials alone would recommend, and where else.

    None where they foretell runs left out worse than their mean does: they are not told then.
    """
    from doe.analysis.recommendation import polynomials_worse_than_mean

    alone = analysis.by_polynomials
    if alone is None or polynomials_worse_than_mean(analysis):
        return None
    observed = {fit.response.name: fit.observed for fit in analysis.fits}
    return {
        "settings": space.as_mapping(alone.settings),
        "predictions": {
            name: _within_reason(_prediction(p), observed[name])
            for name, p in alone.predictions.items()
        },
        "all_aims_probability": _chance(alone.all_aims_probability),
        **_location(around.by_polynomials, space),
    }


def _within_reason(told: Object, observed: tuple[float, float]) -> Object:
    """Return a prediction less intervals that say no more than that nothing is known."""
    low, high = observed
    reach = BEYOND_REASON * (high - low)
    kept = dict(told)
    for ends in (("mean_low", "mean_high"), ("run_low", "run_high")):
        if any(kept[e] is None or not low - reach <= kept[e] <= high + reach for e in ends):
            kept |= dict.fromkeys(ends)
    return kept


def _leeway(around: Landscape, space: FactorSpace) -> Object:
    """Return from where to where each numeric factor may stray alone."""
    return {
        factor.column: [_number(end) for end in ends]
        for factor, ends in zip(space, around.leeway, strict=False)
        if ends is not None
    }


def suggest_object(result: SuggestResult) -> Object:
    """Return the runs that `doe suggest` proposes."""
    return {
        **_start(result.campaign, result.notices, result.files),
        "stage": result.stage,
        "accepted": result.accepted,
        "first_runs": _runs(result.campaign, [row for row in result.rows if prepares(row)]),
        "runs": [
            {
                **planned,
                "reason": run.reason,
                "predictions": {
                    name: _prediction(predicted) for name, predicted in run.predictions.items()
                },
            }
            for planned, run in zip(
                _runs(result.campaign, [row for row in result.rows if not prepares(row)]),
                result.suggestion.runs,
                strict=True,
            )
        ],
        "stop": {
            "verdict": result.suggestion.verdict,
            "advice": result.suggestion.advice,
            "why": result.suggestion.why,
        },
        "recommended": _recommended_now(result),
    }


def augment_object(result: AugmentResult) -> Object:
    """Return what each way to add runs buys, and the runs of the one asked for."""
    planned = result.planned
    return {
        **_start(result.campaign, result.notices, result.files),
        "stage": result.stage,
        "accepted": result.accepted,
        "ways": [
            {
                "way": offer.way,
                "runs": None if offer.addition is None else len(offer.addition.settings),
                "buys": None if offer.addition is None else offer.addition.buys,
                "days": None if offer.days is None else len(offer.days.days),
                "hours": None if offer.days is None else _number(offer.days.hours),
                "why_not": offer.why_not or None,
            }
            for offer in result.offers
        ],
        "can_do": [] if planned is None else list(planned.judgement.can_do),
        "runs": [] if planned is None else _runs(result.campaign, planned.rows),
    }


def _recommended_now(result: SuggestResult) -> Object:
    """Return the settings to work at if no more runs are made, and what they should give."""
    chosen = result.suggestion.recommended
    return {
        "settings": result.campaign.space.as_mapping(chosen.settings),
        "predictions": {name: _prediction(p) for name, p in chosen.predictions.items()},
        "evidence": chosen.reason,
        "guess": result.suggestion.shown.guess,
    }


def status_object(result: StatusResult) -> Object:
    """Return where a campaign stands."""
    rows = result.ledger.rows if result.ledger else ()
    stages = sorted({row.stage for row in rows})
    return {
        **_start(result.campaign, result.notices, result.files),
        "runs": _counts(rows),
        "stages": [
            {"stage": stage, **_counts([row for row in rows if row.stage == stage])}
            for stage in stages
        ],
        "affordable": _affordable(result.affordable),
        "left_to_plan": left_to_plan(result.campaign, rows).runs,
        "missing": list(result.missing),
        "next_command": result.next_step.command or None,
    }


def demo_object(result: DemoResult) -> Object:
    """Return what each step of the demonstration found."""
    return {
        **_start(result.campaign, result.notices, result.files),
        "invented": True,
        "steps": [{"command": step.command, "found": list(step.found)} for step in result.steps],
        "optimum": {
            "settings": result.campaign.space.as_mapping(result.settings),
            "predictions": {n: _prediction(p) for n, p in result.predictions.items()},
            "true_values": {n: _number(v) for n, v in result.truth_there.items()},
            "true_best": {n: _number(v) for n, v in result.truth_best.items()},
        },
    }


# ------------------------------------------------------------------------------------- parts


def _number(value: float | None) -> float | None:
    """Return a number less the digits that are rounding alone; None where there is none."""
    return None if value is None or not math.isfinite(value) else float(f"{value:.10g}")


def _chance(value: float | None) -> float | None:
    """Return a chance as the pages tell it: whole per cent, never rounded up and never certain."""
    if value is None or not math.isfinite(value):
        return None
    return max(0, min(99, math.floor(100 * value + 1e-9))) / 100


def _coding(space: FactorSpace) -> Object:
    return {
        factor.name: {"levels": list(factor.levels)}
        if isinstance(factor, CategoricalFactor)
        else {"centre": factor.centre, "half_range": factor.half_range, "unit": factor.unit}
        for factor in space
    }


def _runs(campaign: Campaign, rows: Sequence[LedgerRow]) -> list[Object]:
    """Return planned runs; `also_set` has the pressure where its height above boiling is given."""
    from doe.views import set_pressures

    pressures = set_pressures(campaign, [row.settings for row in rows])
    key = "pressure_barg" if campaign.rig.pressure_reading == "gauge" else "pressure_bara"
    return [
        {
            "run": row.run,
            "stage": row.stage,
            "plot": row.plot,
            "block": row.block,
            "lot": row.lot or None,
            "day": row.day,
            "kind": row.kind,
            "settings": campaign.space.as_mapping(row.settings),
            "also_set": {key: pressures[i]} if pressures else {},
        }
        for i, row in enumerate(rows)
    ]


def _counts(rows: Sequence[LedgerRow]) -> Object:
    return {
        "planned": sum(row.status == "planned" for row in rows),
        "done": sum(row.status == "done" for row in rows),
        "left_out": sum(row.status == "left out" for row in rows),
        "total": len(rows),
    }


def _affordable(affordable: Any) -> Object:
    return {
        "runs": affordable.runs,
        "binds": affordable.binds,
        "parts": [{"what": what, "runs": runs, "how": how} for what, runs, how in affordable.parts],
    }


def _response(fit: FittedModel, best: Best, space: FactorSpace) -> Object:
    left = 0.0 if fit.exact else 1.0  # what an exact model leaves is rounding
    return {
        "unit": fit.response.unit,
        "transformation": fit.transformation,
        "method": fit.method,
        "model": fit.model.name,
        "runs_used": list(fit.runs_used),
        "runs_left_out": [{"run": run, "why": why} for run, why in fit.runs_left_out],
        "terms": [
            {
                "term": e.label,
                "powers": {
                    name: power
                    for name, power in zip(space.names, e.term.powers, strict=True)
                    if power
                },
                "levels": list(e.levels),
                "coefficient": _number(e.coefficient),
                "standard_error": _number(e.standard_error),
                "df": _number(e.df),
                "p_value": _number(e.p_value),
                "sum_of_squares": _number(e.sum_of_squares),
            }
            for e in fit.estimates
        ],
        "r2": _number(fit.r2),
        "r2_adjusted": _number(fit.r2_adjusted),
        "r2_predicted": _number(fit.r2_predicted),
        "residual_sd": _number(left * fit.residual_sd),
        "residual_df": _number(fit.df_residual),
        "variance_components": [
            {"between": name, "sd": _number(left * sd)} for name, sd in fit.variance_components
        ],
        "lack_of_fit": _lack_of_fit(fit),
        "best": {
            "settings": space.as_mapping(best.settings),
            **_prediction(best.prediction),
        },
        "runs": [
            {
                "run": run,
                "observed": _number(fit.values[i]),
                "known_only_to_lie": fit.censored[i] if fit.censored else None,
                "fitted": _number(fit.fitted[i]),
                "residual": _number(left * fit.residuals[i]),
                "leverage": _number(fit.leverage[i]),
                "studentised": _number(fit.studentised[i]),
                "cook": _number(fit.cook[i]),
            }
            for i, run in enumerate(fit.runs_used)
        ],
    }


def _lack_of_fit(fit: FittedModel) -> Object | None:
    """Return misfit against the scatter of repeats, or why it is not tested."""
    lack, why = fit.lack_of_fit, None
    if lack is None:
        return None
    if fit.exact:
        why = "the model passes through every value"
    elif not lack.df_lack:
        why = "the model has as many terms as there are settings"
    elif lack.repeats_agree:
        why = "the repeats agree to within rounding"
    return {
        "f": None if why else _number(lack.f),
        "df": [lack.df_lack, lack.df_pure],
        "p_value": None if why else _number(lack.p_value),
        "why_not": why,
    }


def _finding(found: Finding) -> Object:
    """Return which model and scale the runs speak for, and what to mind."""
    advised = found.recommendation
    return {
        "recommended": None
        if advised is None
        else {
            "model": advised.model.name,
            "terms": list(advised.model.labels),
            "why": advised.why,
            "survival": {label: _number(share) for label, share in advised.survival.items()},
            "candidates": [
                {
                    "model": candidate.name,
                    "terms": list(candidate.model.labels),
                    "aicc": None if candidate.exact else _number(candidate.aicc),
                    "left_out_error": None if candidate.exact else _number(candidate.kept_rmse),
                    "left_out_error_chosen_anew": None
                    if candidate.exact
                    else _number(candidate.loo_rmse),
                    "lack_of_fit_p": _number(candidate.lack_of_fit_p),
                }
                for candidate in advised.candidates
            ],
        },
        "power": None
        if found.wanted is None
        else {
            "best": _number(found.wanted.best),
            "low": _number(found.wanted.low),
            "high": _number(found.wanted.high),
            "suggested": _number(found.wanted.suggested),
        },
        "variance_inflation": {
            label: _number(factor) for label, factor in found.scrutiny.inflation
        },
        "drift": [
            {
                "over": drift.over,
                "by": drift.by,
                "without": list(drift.without),
                "change": _number(drift.change),
                "standard_error": _number(drift.standard_error),
                "p_value": _number(drift.p_value),
                "p_corrected": _number(drift.p_corrected),
            }
            for drift in found.scrutiny.drift
        ],
        "pull_on_best": [
            {"run": pull.run, "moved": _number(pull.moved), "change": _number(pull.change)}
            for pull in found.pulls
        ],
        "to_mind": [notice.what for notice in found.notices],
    }


def _screening(verdict: ScreeningVerdict) -> Object:
    """Return which factors matter: by effects of two levels, or by definitive screening's steps."""
    effects, steps = verdict.effects, verdict.steps
    curvature = None if effects is None else effects.curvature
    return {
        "stage": verdict.stage,
        "matter": list(verdict.matter),
        "words": list(verdict.sentences),
        "strata": [_stratum(stratum) for stratum in (() if effects is None else effects.strata)],
        "curvature": None
        if curvature is None
        else {
            "corners_less_centre": _number(curvature.difference),
            "standard_error": _number(curvature.standard_error),
            "df": _number(curvature.df),
            "p_value": _number(curvature.p_value),
        },
        "two_steps": None
        if steps is None
        else {
            "main_effects": [
                {
                    "term": one.label,
                    "coefficient": _number(one.coefficient),
                    "standard_error": _number(one.standard_error),
                    "p_value": _number(one.p_value),
                    "kept": one.kept,
                }
                for one in steps.main
            ],
            "error_sd": _number(steps.error_sd),
            "df": steps.df_error,
            "second_order": list(steps.second_order),
        },
    }


def _stratum(stratum: Stratum) -> Object:
    lenth = stratum.lenth
    return {
        "stratum": stratum.name,
        "pseudo_standard_error": None if lenth is None else _number(lenth.pse),
        "margin": None if lenth is None else _number(lenth.margin),
        "simultaneous_margin": None if lenth is None else _number(lenth.simultaneous),
        "not_judged": stratum.why_not,
        "effects": [
            {
                "term": effect.label,
                "effect": _number(effect.effect),
                "aliases": list(effect.aliases),
                "beyond_margin": effect.clear,
                "beyond_simultaneous_margin": effect.surely,
            }
            for effect in stratum.effects
        ],
    }


def _shape(shape: Shape, space: FactorSpace) -> Object:
    """Return where a response is level, how it curves, and the ways towards its aim."""
    return {
        "stationary": None if shape.stationary is None else _stationary(shape.stationary, space),
        "ridge": [_path_point(point, space) for point in shape.ridge],
        "steepest": None if shape.ascent is None else _ascent(shape.ascent, space),
    }


def _stationary(found: Stationary, space: FactorSpace) -> Object:
    names = found.surface.names
    return {
        "settings": None if found.settings is None else _as_far(found, space),
        **({} if found.prediction is None else _prediction(found.prediction)),
        "inside_ranges": found.inside_ranges,
        "nature": found.nature,
        "nature_words": found.words,
        "eigenvalues": [
            {
                "value": _number(part.value),
                "standard_error": _number(part.standard_error),
                "low": _number(part.low),
                "high": _number(part.high),
                "direction": {
                    name: _number(share) for name, share in zip(names, part.direction, strict=True)
                },
            }
            for part in found.canonical
        ],
        "may_be_level": {
            space.columns[i]: None
            if math.isnan(found.ranges[i, 0])
            else [_number(end) for end in found.ranges[i]]
            for i in found.surface.active
        },
        "may_be_level_share": _number(found.region_share),
    }


def _as_far(found: Stationary, space: FactorSpace) -> Object:
    """Return a stationary place; outside the ranges with the few digits that mean something."""
    assert found.settings is not None
    at = space.as_mapping(found.settings)
    if found.inside_ranges:
        return at
    return {k: float(f"{v:.3g}") if isinstance(v, float) else v for k, v in at.items()}


def _path_point(point: PathPoint, space: FactorSpace) -> Object:
    return {
        "distance": _number(point.distance),
        "settings": space.as_mapping(point.settings),
        **_prediction(point.prediction),
        "inside_ranges": point.inside_ranges,
        "feasible": point.feasible,
    }


def _ascent(way: Ascent, space: FactorSpace) -> Object:
    return {
        "counted_in": space.columns[way.counted_in],
        "step": _number(way.step),
        "directions_excluded": _number(way.excluded),
        "feasible_steps": way.feasible_steps,
        "points": [_path_point(point, space) for point in way.points],
    }


def _location(location: Location, space: FactorSpace) -> Object:
    """Return where else the best settings could lie, and how often on the end of a range."""
    where: Object = {}
    on_edge: Object = {}
    for factor, spread in zip(space, location.spreads, strict=True):
        if isinstance(factor, CategoricalFactor):
            where[factor.column] = {
                level: _number(share)
                for level, share in zip(factor.levels, spread.levels, strict=True)
            }
        else:
            where[factor.column] = [_number(spread.low), _number(spread.high)]
            on_edge[factor.column] = [_number(spread.at_low_end), _number(spread.at_high_end)]
    return {"location": where, "on_edge": on_edge}


def _straying(found: Straying, space: FactorSpace) -> Object:
    """Return what the rig's swings do at the recommended settings."""
    return {
        "swings": {
            column: _number(swing)
            for column, swing in zip(space.columns, found.swings, strict=True)
        },
        "chance_by_polynomials": _chance(found.chance),
        "chance_by_polynomials_with_swings": _chance(found.chance_with_swings),
        "added_sd": {name: _number(sd) for name, sd in found.added_sd.items()},
    }


def _probable_region(
    region: ProbableRegion | None, space: FactorSpace, at_best: float | None
) -> Object | None:
    """Return where limits are likely kept; the recommended settings may have the highest chance."""
    if region is None:
        return None
    return {
        "level": region.level,
        "share": _number(region.share),
        "share_with_swings": _number(region.share_with_swings),
        "highest": _chance(max(region.highest, at_best or 0.0)),
        "highest_with_swings": _chance(region.highest_with_swings),
        "how": region.aims.how,
        "swings": {
            column: _number(swing)
            for column, swing in zip(space.columns, region.aims.swings, strict=True)
        },
    }


def _prediction(predicted: Prediction) -> Object:
    """Return a prediction at one setting."""

    def first(values: FloatArray) -> float | None:
        return _number(float(values[0]))

    return {
        "mean": first(predicted.mean),
        "mean_is_median": predicted.expected is not None,
        "mean_low": first(predicted.mean_low),
        "mean_high": first(predicted.mean_high),
        "run_low": first(predicted.run_low),
        "run_high": first(predicted.run_high),
    }
