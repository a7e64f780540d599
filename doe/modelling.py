"""From a ledger to fitted responses: which runs count, at which settings, with which model.

Shapes: n runs, k factors.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from doe import as_recorded, standing
from doe.campaign import CAMPAIGN_FILE, Campaign
from doe.errors import FitError, InfeasibleError, Notice, StateError, chosen_from
from doe.factors import FactorSpace, FloatArray, NumericFactor
from doe.ledger import Censored, Ledger, LedgerRow, prepares
from doe.stage import read_stage
from doe.terms import Model, interaction_model, linear_model, quadratic_model
from doe.wording import runs_in_words

if TYPE_CHECKING:
    from doe.analysis.fit import FittedModel
    from doe.analysis.landscape import Landscape
    from doe.analysis.observations import Blocks, Observations
    from doe.analysis.optimum import Analysis
    from doe.analysis.screened import ScreeningVerdict
    from doe.analysis.scrutiny import PullOnBest, Scrutiny
    from doe.analysis.selection import Recommendation
    from doe.analysis.shown import Shown
    from doe.analysis.transformation import BoxCox

__all__ = [
    "MODELS",
    "Finding",
    "ModelName",
    "all_notices",
    "analysis_of",
    "days_of",
    "days_told",
    "findings",
    "found_notices",
    "landscape",
    "model_asked",
    "model_called",
    "model_of",
    "model_wanted",
    "models_weighed",
    "not_heeded",
    "observations",
    "other_than_planned",
    "scale_notices",
    "screenings",
    "shown_of",
    "swings",
    "too_much_planned",
    "with_evidence_of",
    "with_outliers_of",
    "with_recommendation",
]

ModelName = Literal["main-effects", "interactions", "quadratic"]
MODELS: tuple[ModelName, ...] = ("main-effects", "interactions", "quadratic")
LEAST_SPREAD = 1e-6
PULLS_MOST = 20
"""Runs whose pull on the best is worked out, those of largest influence first: each costs a fit and
a search."""
BOILED = "boiled: the achieved settings lie below saturation"
OUTLIER = "large-residual"
DOUBTS_OF_POLYNOMIAL = (
    "poor-prediction",
    "high-leverage",
    "lack-of-fit",
    "few-degrees-of-freedom",
    "no-predicted-r2",
    "leverage",
)
"""Codes of notices on a fitted polynomial that say nothing of averages over smooth surfaces."""
CLEARLY_BENT = 0.6
"""Power below which the whole interval must lie before a logarithm is advised (our rule)."""


def model_asked(name: str | None) -> ModelName | None:
    """Return the model that goes by this name.

    Raises
    ------
    FitError
        There is none.
    """
    remedy = f"Ask for one of: {', '.join(MODELS)}."
    unknown = FitError.of("unknown-model", f"there is no model “{name}”.", remedy)
    return chosen_from(name, MODELS, unknown)


def model_of(space: FactorSpace, name: ModelName) -> Model:
    """Return a model by the name that a person asks for it by."""
    makers = {
        "main-effects": linear_model,
        "interactions": interaction_model,
        "quadratic": quadratic_model,
    }
    return makers[name](space)


def model_called(space: FactorSpace, words: str) -> Model:
    """Return the model that a design says it aims at."""
    return next(model for each in MODELS if (model := model_of(space, each)).name == words)


def observations(
    campaign: Campaign, ledger: Ledger, *, by_day: bool = False
) -> tuple[dict[str, Observations], tuple[Notice, ...]]:
    """Return the runs with the values of each response, and what was assumed of them.

    A run whose achieved settings were not written down counts at its planned ones.

    Parameters
    ----------
    by_day
        Count each day as a block, so that differences between days are taken out.

    Raises
    ------
    StateError
        Nothing is recorded yet.
    """
    from doe.analysis.observations import Observations

    rows = ledger.rows
    if not standing.has_results(ledger):
        forbidden = standing.barred(campaign, ledger)
        fill = f"Fill in the sheet and hand it in: doe record {campaign.name} FILE"
        raise StateError.of(
            "no-results",
            f"{campaign.name} has no results yet: no response of its {len(rows)} runs is recorded.",
            fill if forbidden is None else forbidden.words,
            file=str(campaign.folder / standing.LEDGER_FILE),
        )
    planned = np.array([row.settings for row in rows])
    done = as_recorded.done_runs(rows)
    vapour = set(as_recorded.boiled(campaign, done))
    achieved = as_recorded.achieved_settings(rows)
    blocks = (
        *_blocks_of(rows),
        *((("day", tuple(day or None for day in days_of(ledger))),) if by_day else ()),
    )
    observed, strays = {}, tuple(swings(campaign).tolist())
    for j, response in enumerate(campaign.responses):
        cells = [row.responses[j] for row in rows]
        values = [_value(cell) for cell in cells]
        observed[response.name] = Observations(
            campaign.space,
            planned,
            achieved,
            np.array(values, dtype=np.float64),
            tuple(row.run for row in rows),
            tuple(row.stage for row in rows),
            tuple(row.plot for row in rows),
            tuple(_reason(row) or (BOILED if row.run in vapour else None) for row in rows),
            blocks=blocks,
            censored=tuple(_censored(cell) for cell in cells),
            swings=strays,
        )
    notices = (
        *_blocks_taken_out(blocks),
        *as_recorded.limits_passed(campaign, rows),
        *as_recorded.assumed_settings(rows),
        *as_recorded.doubtful(campaign),
        *_limits_only(campaign, done),
        *standing.looked_over(campaign, ledger),
    )
    notices = (
        *notices,
        *as_recorded.in_another_unit(campaign, done),
        *as_recorded.values_to_check(campaign, done),
    )
    return observed, (*notices, *standing.boiled_runs(campaign, ledger))


def not_heeded(analysis: Analysis) -> str:
    """Return which aims and limits the settings do not allow for, and why; empty if they do all."""
    sentences = [
        f"The settings below do not allow for {response.words}, which they are to {response.aim}. "
        f"{analysis.why_unfitted[response.name]}"
        for response in analysis.unfitted
        if response.aim in ("maximise", "minimise")
    ]
    for response in analysis.limits_unknown:
        aims = {"below": "at most ", "above": "at least "}
        of = response.target if response.aim == "target" else response.limit
        sentences.append(
            f"The settings below do not allow for {response.words}, and may miss what is wanted of "
            f"it ({aims.get(response.aim, 'target ')}{of:g} {response.unit}".rstrip()
            + f"). {analysis.why_unfitted[response.name]}"
        )
    return " ".join(sentences)


def too_much_planned(
    space: FactorSpace, rows: Sequence[LedgerRow], model: Model
) -> tuple[Notice, ...]:
    """Return a notice if `fit` will not carry a plan's model though every run is made.

    Parameters
    ----------
    rows
        Of all stages; those that prepare the rig teach a fit nothing, nor do those left out.
    """
    from doe.analysis import carried
    from doe.analysis.observations import Observations

    rows = [row for row in rows if not prepares(row) and row.status != "left out"]
    settings = np.array([row.settings for row in rows])
    planned = Observations(
        space,
        settings,
        settings,
        np.arange(len(rows), dtype=np.float64),
        tuple(row.run for row in rows),
        tuple(row.stage for row in rows),
        tuple(row.plot for row in rows),
        (None,) * len(rows),
        blocks=_blocks_of(rows),
    )
    return carried.too_much_planned(planned, model)


def _limits_only(campaign: Campaign, rows: Sequence[LedgerRow]) -> Iterator[Notice]:
    """Yield a notice for each response of which some of these runs show a limit only."""
    from doe.analysis.gathered import RUNS_ALONE

    for j, response in enumerate(campaign.responses):
        beyond = {
            row.run: cell.text
            for row, cell in zip(rows, _cells(rows, j), strict=True)
            if isinstance(cell, Censored)
        }
        known = any(cell is not None and not isinstance(cell, Censored) for cell in _cells(rows, j))
        if beyond:
            runs, limits = list(beyond), ", ".join(dict.fromkeys(beyond.values()))
            how = (
                "It counts as such, by the chance that the value lies beyond it, in the fitted "
                "model and in the surfaces by which settings are recommended; no number is put in "
                "its place."
            )
            if len(rows) > RUNS_ALONE:
                how = (
                    "It counts as such, by maximum likelihood, in the fitted model. Among so many "
                    "runs the surfaces by which settings are recommended take the limit for the "
                    "value, so they are off towards it."
                )
            what = (
                f"{response.words}: of {runs_in_words(runs).lower()} only a limit is "
                f"known ({limits} {response.unit}). {how if known else 'Nothing else is known.'}"
            )
            yield Notice("limits-only", what)


def _cells(rows: Sequence[LedgerRow], j: int) -> list[float | None]:
    return [row.responses[j] for row in rows]


def _blocks_of(rows: Sequence[LedgerRow]) -> Blocks:
    """Return the blocks of the plan and the feedstock lots, each where runs differ in it."""
    found: list[tuple[str, tuple[int | str | None, ...]]] = []
    blocks = tuple(
        f"{row.block} of stage {row.stage}" if row.block is not None else None for row in rows
    )
    for name, levels in (("block", blocks), ("lot", tuple(row.lot or None for row in rows))):
        fitted = {level for level, row in zip(levels, rows, strict=True) if not prepares(row)}
        if len(fitted - {None}) > 1:
            found.append((name, levels))
    return tuple(found)


def _blocks_taken_out(blocks: Blocks) -> Iterator[Notice]:
    """Yield a notice of what differs between runs beside their settings, and is allowed for."""
    words = {"block": "the blocks of the plan", "lot": "feedstock lots", "day": "days"}
    for name, levels in blocks:
        told = sorted({str(level) for level in levels if level is not None})
        what = (
            f"Differences between {words[name]} ({', '.join(told)}) are allowed for in the fit: "
            f"predictions are for their average{_of_a_new_one(name, len(told))}."
        )
        yield Notice("blocks-allowed-for", what)


def _of_a_new_one(name: str, levels: int) -> str:
    """Return what intervals do not count where a block is fixed, its levels being few."""
    from doe.analysis.strata import RANDOM_FROM

    if levels >= RANDOM_FROM:
        return ""
    return f", and intervals do not count that a new {name} may lie elsewhere"


def days_of(ledger: Ledger) -> tuple[int, ...]:
    """Return the day of each run (n,); 0 where none is told."""
    return tuple(row.day or 0 for row in ledger.rows)


def _value(cell: float | None) -> float:
    """Return a measured value; for a value beyond a limit that limit; NaN where there is none."""
    if isinstance(cell, Censored):
        return cell.limit
    return np.nan if cell is None else float(cell)


def _censored(cell: float | None) -> Literal["below", "above"] | None:
    if not isinstance(cell, Censored):
        return None
    return "above" if cell.above else "below"


def _reason(row: LedgerRow) -> str | None:
    from doe.analysis.observations import NOT_RUN_YET

    if prepares(row):
        return f"{row.kind}: it prepares the rig, and is no run of the design"
    if row.status == "left out":
        return row.left_out_because or "left out"
    return NOT_RUN_YET if row.status == "planned" else None


def model_wanted(campaign: Campaign) -> ModelName:
    """Return the model that the campaign's purpose wants, where the person names none."""
    return "interactions" if campaign.purpose == "screening" else "quadratic"


def analysis_of(
    campaign: Campaign, observed: dict[str, Observations], model: ModelName | None
) -> Analysis:
    """Return every response fitted; `model` as asked, or as much as the purpose wants and can be.

    Raises
    ------
    FitError
        No response can be fitted.
    InfeasibleError
        The rig can run none of the settings looked at.
    """
    from doe.analysis.optimum import analyse

    wanted = model or model_wanted(campaign)
    try:
        return analyse(
            campaign.responses,
            model_of(campaign.space, wanted),
            observed,
            campaign.feasible,
            settable=True,
            as_asked=model is not None,
        )
    except InfeasibleError as error:
        raise InfeasibleError.of(
            "no-feasible-setting",
            "this rig can run none of the settings looked at in the ranges of the factors, so none "
            "can be recommended or suggested.",
            "See which limits of the rig are in the way, and what would cure it: doe check "
            f"{campaign.name}",
            file=str(campaign.folder / CAMPAIGN_FILE),
        ) from error


def with_recommendation(
    campaign: Campaign,
    analysis: Analysis,
    observed: Mapping[str, Observations],
    days: Sequence[int] | None,
    settled: Sequence[float] | None,
) -> Analysis:
    """Return the analysis with the recommended settings for its optimum, as `suggest` has them.

    `settled` as `suggest` has them.

    Raises
    ------
    InfeasibleError
        The rig can run none of the settings looked at.
    """
    from doe.analysis.recommendation import decision_of, recommended

    decision = decision_of(analysis, observed, campaign.feasible, days, campaign.seed, settled)
    return recommended(analysis, decision)


def days_told(ledger: Ledger) -> tuple[int, ...] | None:
    """Return the day of each run (n,), 0 where one has none; None where no run has any."""
    days = days_of(ledger)
    return days if any(days) else None


@dataclass(frozen=True)
class Finding:
    """What the runs say of a response's model: which to take, which scale, what to mind.

    `wanted` is None where a value is not above zero, where there are too few runs to tell, and
    where the model passes through every value;
    `outliers` are runs that stand out from the recommended model, without which the values would
    not ask for a logarithm; `pulls` are those of the runs that move the fit most; `advised` is the
    fit of the recommended model.
    """

    recommendation: Recommendation | None
    wanted: BoxCox | None
    scrutiny: Scrutiny
    pulls: tuple[PullOnBest, ...] = ()
    outliers: tuple[int, ...] = ()
    advised: FittedModel | None = None

    @property
    def notices(self) -> tuple[Notice, ...]:
        doubts = () if self.recommendation is None else self.recommendation.notices
        return (*self.scrutiny.notices, *doubts)


def findings(
    campaign: Campaign,
    analysis: Analysis,
    observed: Mapping[str, Observations],
    screened: Mapping[str, ScreeningVerdict],
    days: Sequence[int] | None = None,
) -> dict[str, Finding]:
    """Return for each fitted response how its model compares, and what time and plan did to it."""
    from doe.analysis.optimum import candidates_for_search
    from doe.analysis.scrutiny import pulls_on_best

    pulls = pulls_on_best(
        analysis.fits,
        observed,
        campaign.feasible,
        candidates=candidates_for_search(campaign.space, campaign.feasible),
        bests=analysis.best,
        most=PULLS_MOST,
    )
    found = {}
    for fitted in analysis.fits:
        name = fitted.response.name
        finding = _finding(campaign, fitted, observed[name], screened.get(name), days)
        found[name] = replace(finding, pulls=pulls[name])
    return found


def _finding(
    campaign: Campaign,
    fitted: FittedModel,
    data: Observations,
    screened: ScreeningVerdict | None,
    days: Sequence[int] | None,
) -> Finding:
    from doe.analysis.fit_notices import outlying
    from doe.analysis.scrutiny import scrutinise

    wanted = None
    if any(data.censored):  # nor is the scale chosen by limits
        return Finding(None, None, scrutinise(fitted, data, days=days))
    recommendation = _recommendation(
        campaign, fitted, data, screened, _in_physical_terms(campaign, data)
    )
    advised = None if recommendation is None else _as_advised(fitted, recommendation.model, data)
    least = None if recommendation is None else recommendation.largest_residual
    far = outlying(advised, least) if advised is not None else outlying(fitted)
    outliers: tuple[int, ...] = ()
    if fitted.response.scale == "none":
        wanted, outliers = _power_of(advised or fitted, data.usable(), far)
    scrutiny = scrutinise(
        fitted,
        data,
        days=days,
        recommended=advised,
        least_residual=least,
        cleaned=_cleaned(campaign, fitted, data, far) if advised is not None else None,
    )
    return Finding(recommendation, wanted, scrutiny, outliers=outliers, advised=advised)


def _cleaned(
    campaign: Campaign, fitted: FittedModel, data: Observations, far: Sequence[int]
) -> FittedModel | None:
    """Return the fit of the model that usable runs speak for less those at some places."""
    if not far:
        return None
    rest = data.usable()
    rest = rest.only([i for i in range(len(rest.runs)) if i not in far])
    found = _recommendation(campaign, fitted, rest, None, {})
    return None if found is None else _refitted(fitted, found.model, rest)


def _recommendation(
    campaign: Campaign,
    fitted: FittedModel,
    data: Observations,
    screened: ScreeningVerdict | None,
    alternatives: Mapping[str, Observations],
) -> Recommendation | None:
    """Return the model that the runs speak for; None where models cannot be compared."""
    from doe.analysis.selection import recommend_model

    if any(data.censored):  # a limit is no value to compare models by
        return None
    with contextlib.suppress(FitError):
        return recommend_model(
            fitted.response,
            campaign.space,
            data,
            campaign.seed,
            transformation=fitted.scale,
            alternatives=alternatives,
            proposed=_of_two_steps(screened, data),
        )
    return None


def models_weighed(
    campaign: Campaign,
    analysis: Analysis,
    observed: Mapping[str, Observations],
    screened: Mapping[str, ScreeningVerdict],
) -> dict[str, Recommendation | None]:
    """Return by response the model that its runs speak for, as `findings` has it."""
    return {
        fitted.response.name: _recommendation(
            campaign,
            fitted,
            observed[fitted.response.name],
            screened.get(fitted.response.name),
            {},
        )
        for fitted in analysis.fits
    }


def with_evidence_of(analysis: Analysis, found: Mapping[str, Finding]) -> Analysis:
    """Return the analysis with the evidence for its settings beside the recommended models."""
    from doe.analysis.recommendation import evidence_of

    weighed = {name: finding.recommendation for name, finding in found.items()}
    return replace(analysis, evidence=evidence_of(analysis, weighed))


def _power_of(
    fit: FittedModel, data: Observations, out: Sequence[int]
) -> tuple[BoxCox | None, tuple[int, ...]]:
    """Return the power that usable values ask for, and the runs that ask for a logarithm alone.

    `out` are the places of the runs that lie far from the fit.
    """
    if fit.exact:
        return None, ()
    wanted = _power(fit, data)
    if wanted is None or not _asks_for_logarithm(wanted) or not out:
        return wanted, ()
    rest = _power(fit, data.only([i for i in range(len(data.runs)) if i not in out]))
    alone = rest is None or not _asks_for_logarithm(rest)
    return wanted, tuple(data.runs[i] for i in out) if alone else ()


def _power(fit: FittedModel, data: Observations) -> BoxCox | None:
    from doe.analysis.selection import power_wanted, with_terms_of_logarithms

    with contextlib.suppress(FitError):
        return power_wanted(with_terms_of_logarithms(fit.model, data), data)
    return None


def _asks_for_logarithm(wanted: BoxCox) -> bool:
    return wanted.low <= 0 <= wanted.high < CLEARLY_BENT


def _as_advised(fitted: FittedModel, model: Model, data: Observations) -> FittedModel | None:
    """Return the fit of the recommended model; None where it cannot be fitted."""
    if set(model.terms) == set(fitted.model.terms):
        return fitted
    return _refitted(fitted, model, data)


def _refitted(fitted: FittedModel, model: Model, data: Observations) -> FittedModel | None:
    """Return the fit of another model or other runs, on the same scale; None where none can be."""
    from doe.analysis.fit import fit_response

    with contextlib.suppress(FitError):
        return fit_response(fitted.response, model, data, transformation=fitted.scale)
    return None


def _of_two_steps(
    screened: ScreeningVerdict | None, data: Observations
) -> tuple[tuple[Model, float | None], ...]:
    """Return the model of definitive screening's two steps, with its error of left-out runs.

    Where later stages were run too, errors of different runs would be compared: None then.
    """
    if screened is None or screened.steps is None:
        return ()
    alone = set(data.usable().stages) == {screened.stage}
    return ((screened.steps.model, screened.left_out_error if alone else None),)


def _in_physical_terms(campaign: Campaign, data: Observations) -> dict[str, Observations]:
    """Return the runs with the severity in place of temperature and time, and with permittivity.

    Permittivity stands for the temperature alone: pressure hardly changes it. Both are those of
    pure water at the settings achieved, the severity with the ramps that the rig needs.
    """
    from doe.rig import derived

    names, data = campaign.space.names, data.usable()
    if "temperature" not in names or not len(data.runs):
        return {}
    known = np.isfinite(data.planned).all(axis=1, keepdims=True)
    planned = np.where(known, data.planned, data.achieved)
    now, then = (
        derived(campaign.rig, campaign.conditions(rows)) for rows in (data.achieved, planned)
    )
    found = {}
    for word, key, gone in (
        ("severity", "severity_log10", ("temperature", "time")),
        ("permittivity", "relative_permittivity", ("temperature",)),
    ):
        if set(gone) <= set(names):
            other = _with_covariate(data, word, gone, planned, now[key], then[key])
            if other is not None:
                found[word] = other
    return found


def _with_covariate(
    data: Observations,
    word: str,
    gone: Sequence[str],
    planned: FloatArray,
    now: FloatArray,
    then: FloatArray,
) -> Observations | None:
    """Return the runs with some factors gone and a covariate in their place.

    None where it hardly changes. Plots scatter as they did: models compare only by one error.
    """
    from doe.analysis.strata import hard_factors

    every = np.concatenate([now, then])
    if not np.isfinite(every).all() or np.ptp(every) < LEAST_SPREAD * (1 + np.abs(every).max()):
        return None
    kept = [i for i, name in enumerate(data.space.names) if name not in gone]
    space = FactorSpace(
        (
            *(data.space.factors[i] for i in kept),
            NumericFactor(word, "", float(every.min()), float(every.max())),
        )
    )
    return replace(
        data,
        space=space,
        planned=np.column_stack([planned[:, kept], then]),
        achieved=np.column_stack([data.achieved[:, kept], now]),
        in_plots=bool(hard_factors(data)),
    )


def screenings(
    campaign: Campaign, analysis: Analysis, observed: Mapping[str, Observations]
) -> dict[str, ScreeningVerdict]:
    """Return for each response what its screening runs say; empty where none were planned.

    Two-level designs are read as screening where that is the campaign's purpose, definitive
    screening always. The runs are those of the first stage made so.
    """
    from doe.analysis.screened import DEFINITIVE, TWO_LEVEL, screening_verdict
    from doe.analysis.transformation import NONE, log

    stages = sorted({stage for data in observed.values() for stage in data.stages})
    wanted = (DEFINITIVE, *(TWO_LEVEL if campaign.purpose == "screening" else ()))
    records = [read_stage(campaign.folder, stage) for stage in stages]
    made = next((r for r in records if r is not None and r.family in wanted), None)
    if made is None:
        return {}
    fits = {fitted.response.name: fitted for fitted in analysis.fits}
    return {
        response.name: screening_verdict(
            response,
            observed[response.name],
            made.family,
            made.stage,
            log() if response.scale == "log" else NONE,
            fits.get(response.name),
        )
        for response in campaign.responses
    }


def landscape(campaign: Campaign, analysis: Analysis) -> Landscape:
    """Return the shapes of the fitted surfaces, and how sure the best settings are."""
    from doe.analysis.landscape import landscape_of

    return landscape_of(
        analysis, campaign.space, campaign.feasible, swings(campaign), campaign.seed
    )


def swings(campaign: Campaign) -> FloatArray:
    """Return how far each factor strays either way from what is set (k,), by the rig's section.

    A temperature by its overshoot, a pressure by its swing and pulsation. Nothing is known of
    how far flow, time and what is weighed in stray: 0.
    """
    rig = campaign.rig
    strays = {
        "temperature": float(rig.temperature_overshoot),
        "pressure": float(rig.pressure_swing) + float(rig.pressure_pulsation or 0.0),
    }
    strays["pressure_above_saturation"] = strays["pressure"]
    return np.array([strays.get(name, 0.0) for name in campaign.space.names])


def other_than_planned(
    campaign: Campaign, ledger: Ledger, analysis: Analysis, asked: ModelName | None
) -> tuple[Notice, ...]:
    """Return a notice if models were fitted that hold more than the first stage was planned for.

    None where the person asked for a model, or where later stages were planned too.
    """
    if asked is not None or len({row.stage for row in ledger.rows}) > 1:
        return ()
    record = read_stage(campaign.folder, 1)
    if record is None:
        return ()
    names = {model_of(campaign.space, name).name: name for name in MODELS}
    planned = names.get(record.model)
    if planned is None:
        return ()
    own = set(model_of(campaign.space, planned).terms)
    more = sorted({fit.model.name for fit in analysis.fits if own < set(fit.model.terms)})
    if not more:
        return ()
    what = (
        f"The plan aimed at {record.model}; the runs carry {' or '.join(more)}, so that was "
        f"fitted. For the model planned: doe fit {campaign.name} --model {planned}"
    )
    return (Notice("other-than-planned", what),)


def shown_of(
    campaign: Campaign,
    analysis: Analysis,
    found: Mapping[str, Finding],
    screened: Mapping[str, ScreeningVerdict],
    around: Landscape,
) -> Shown:
    """Return what the runs show of the factors, by the models compared and the screening."""
    from doe.analysis.shown import acting_factors, shown

    acting = {
        name: acting_factors(one.recommendation, screened.get(name)) for name, one in found.items()
    }
    noticed = {notice.code for fitted in analysis.fits for notice in fitted.notices}
    noticed |= {notice.code for one in found.values() for notice in one.notices}
    above = "pressure_above_saturation"
    follows = above in campaign.space.names or above.replace("_", " ") in dict(
        campaign.fixed_settings()
    )
    tied = ("temperature", above) if follows else ()
    return shown(analysis, acting, around.leeway, noticed, tied)


def scale_notices(analysis: Analysis, found: Mapping[str, Finding]) -> tuple[Notice, ...]:
    """Return a notice for each response whose values ask for a logarithm that it has not got."""
    notices = []
    for fitted in analysis.fits:
        own = found[fitted.response.name]
        if own.wanted is None or not _asks_for_logarithm(own.wanted):
            continue
        what = (
            f"{fitted.response.words}: the values ask for a logarithm (power "
            f"{own.wanted.best_in_words}, 95 % interval {own.wanted.interval}). "
        )
        then = f'rite scale = "log" in [responses.{fitted.response.name}] and fit again.'
        if own.outliers:
            runs = runs_in_words(own.outliers).lower()
            what += f"Without {runs} they would not: check the record first. If it is right, w"
        else:
            what += "W"
        notices.append(Notice("wants-log", what + then))
    return tuple(notices)


def found_notices(analysis: Analysis, found: Mapping[str, Finding]) -> tuple[Notice, ...]:
    """Return what time, outliers and tangled settings did, that of several responses once."""
    grave = ("drift", "drift-over-days", "tangled-terms", OUTLIER)
    return _of_responses(
        {
            fitted.response.words: [
                notice
                for notice in found[fitted.response.name].scrutiny.notices
                if notice.code in grave
            ]
            for fitted in analysis.fits
        }
    )


def with_outliers_of(analysis: Analysis, found: Mapping[str, Finding]) -> Analysis:
    """Return the analysis with fits that name no outliers where the recommended model does so."""
    fits = []
    for fitted in analysis.fits:
        drifts = found[fitted.response.name].scrutiny.drift
        if any(drift.by == "recommended" for drift in drifts):
            kept = tuple(notice for notice in fitted.notices if notice.code != OUTLIER)
            fitted = replace(fitted, notices=kept)
        fits.append(fitted)
    return replace(analysis, fits=tuple(fits))


def all_notices(analysis: Analysis) -> tuple[Notice, ...]:
    """Return the notices of the analysis and of the fits, those of several responses once."""
    own = {
        fitted.response.words: [
            _of_second_opinion(notice)
            for notice in fitted.notices
            if notice.code != OUTLIER or not _on_another_scale(analysis, fitted)
        ]
        for fitted in analysis.fits
    }
    of_analysis = (replace(n, good=n.code == "limit-kept-by-all") for n in analysis.notices)
    return (*of_analysis, *_of_responses(own))


def _on_another_scale(analysis: Analysis, fitted: FittedModel) -> bool:
    """Tell whether logarithms speak for the surfaces and the polynomial has values.

    It then misses good runs, the lowest by most, and accuses them.
    """
    own = analysis.surrogates.get(fitted.response.name)
    return own is not None and own.logarithmic and fitted.scale.exponent != 0


def _of_second_opinion(notice: Notice) -> Notice:
    """Return a notice of a fit; a doubt about a polynomial says that no settings rest on it."""
    if notice.code not in DOUBTS_OF_POLYNOMIAL:
        return notice
    said = notice.what[:1].lower() + notice.what[1:]
    return replace(notice, what=f"Fitted polynomial, not what the settings rest on: {said}")


def _of_responses(own: Mapping[str, Sequence[Notice]]) -> tuple[Notice, ...]:
    """Return the notices of responses, each with the names of those it is about."""
    owners: dict[Notice, list[str]] = {}
    for words, notices in own.items():
        for notice in notices:
            owners.setdefault(notice, []).append(words)
    return tuple(
        notice
        if len(names) == len(own) > 1
        else replace(notice, what=f"{', '.join(names)}: {notice.what}")
        for notice, names in owners.items()
    )
