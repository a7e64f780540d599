"""What a careful reader asks of a fit: tangled terms, drift, gaps, and runs that decide the best.

Shapes: n runs, k factors, p columns of the model matrix.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from doe.analysis.diagnostics import confounded, holm
from doe.analysis.fit import FittedModel, fit_response
from doe.analysis.fit_notices import outlier_notices
from doe.analysis.mixed import can_be_judged, fit_mixed, indicator
from doe.analysis.observations import Observations
from doe.analysis.optimum import Best, best_of_each, best_of_one, candidates_for_search
from doe.analysis.strata import Strata, strata_of
from doe.errors import FitError, Notice
from doe.factors import Feasible, FloatArray
from doe.wording import listed

__all__ = [
    "By",
    "Drift",
    "PullOnBest",
    "Scrutiny",
    "pulls_on_best",
    "scrutinise",
    "variance_inflation",
]

HIGH_INFLATION = 10.0
"""Common practice: above it a coefficient says little apart from its neighbours."""
HOPELESS = 1000.0
"""Inflation from which terms are as good as one, and its digits say nothing (our rule)."""
SURPRISING = 0.05
TOGETHER = 0.02
"""Coded distance below which two runs were made at the same settings: 1 % of a range."""


By = Literal["fitted", "recommended"]


@dataclass(frozen=True, slots=True)
class Drift:
    """What time explains beside the model: along the run order, or from day to day.

    `change` is from the first run to the last. Where the test cannot be made, `why_not` says why.
    `by` tells the model that it was made beside, `without` the runs left out of the test because
    they lie far from it. `p_corrected` counts that a response has several such tests (Holm 1979,
    Scandinavian Journal of Statistics 6:65–70, from memory).
    """

    over: str
    by: By = "fitted"
    change: float | None = None
    standard_error: float | None = None
    f: float | None = None
    df: int = 0
    df_error: float | None = None
    p_value: float | None = None
    why_not: str | None = None
    without: tuple[int, ...] = ()
    p_corrected: float | None = None


@dataclass(frozen=True, slots=True)
class Scrutiny:
    """Inflation of each column (the intercept left out), drift, and how the plan was kept.

    `missing` are runs left out whose planned settings no run used stands for; `same_settings`
    pairs of runs planned apart that were made at the same settings.
    """

    inflation: tuple[tuple[str, float], ...]
    drift: tuple[Drift, ...]
    missing: tuple[int, ...]
    same_settings: tuple[tuple[int, int], ...]
    notices: tuple[Notice, ...]


@dataclass(frozen=True, slots=True, eq=False)
class PullOnBest:
    """Where the best settings go when one run is left out; None where no fit is left then.

    `moved` is the largest move of a numeric factor in shares of its range, `change` that of the
    predicted mean at the best of all runs.
    """

    run: int
    settings: FloatArray | None
    moved: float | None
    change: float | None


def scrutinise(
    fit: FittedModel,
    observations: Observations,
    *,
    order: Sequence[int] | None = None,
    days: Sequence[int | str] | None = None,
    recommended: FittedModel | None = None,
    least_residual: float | None = None,
    cleaned: FittedModel | None = None,
) -> Scrutiny:
    """Return what time, tangled terms and departures from the plan do to a fit.

    What a model lacks looks like drift, and hides or feigns outliers; what it holds too much
    swallows them. So both are looked for beside the recommended model, where there is one.

    Parameters
    ----------
    fit, observations
        The fit, and the observations that it was made from.
    order
        Place of each run (n,) in time; the numbers of the runs where not given.
    days
        Day of each run (n,).
    recommended
        The fit of the model that the runs speak for; `fit` where not given.
    least_residual
        What a studentised residual of it must be beyond, so that the choice of terms counts.
    cleaned
        The fit of the model that the other runs speak for, where some lie far from theirs: one
        gross value hides a drift, and drift is looked for beside this fit then.

    Notes
    -----
    The choice of terms is not counted in the tests of drift. In 100 simulated campaigns each of a
    two-level, a definitive screening and a central composite plan of 16 to 18 runs in which
    nothing drifted, drift was seen over the runs in 5, 3 and 3 of them, over days in 2, 6 and 4,
    each test alone at
    5 %; by main effects alone over days in 92 of 100 after definitive screening.
    """
    used = [i for i, reason in enumerate(observations.reasons()) if reason is None]
    data = observations.only(used)
    beside = cleaned or recommended or fit
    tested = [i for i in used if observations.runs[i] in beside.runs_used]
    drifts = _drifts(
        beside,
        observations.only(tested),
        [(observations.runs if order is None else order)[i] for i in tested],
        None if days is None else [str(days[i]) for i in tested],
    )
    out = tuple(observations.runs[i] for i in used if i not in tested)
    by: By = "fitted" if recommended is None else "recommended"
    drifts = [replace(drift, by=by, without=out) for drift in drifts]
    strata = strata_of(fit.model, data)
    inflation = variance_inflation(fit, strata.fixed)
    missing, same = _missing(observations, used), _same_settings(data)
    notices = _notices(inflation, drifts, missing, same, _remedy(strata, days))
    if recommended is not None:
        found = outlier_notices(recommended, " by the recommended model", least_residual)
        notices = (*notices, *found)
    return Scrutiny(inflation, tuple(drifts), missing, same, notices)


def _drifts(
    beside: FittedModel, data: Observations, times: Sequence[int], days: Sequence[str] | None
) -> list[Drift]:
    """Return the tests of drift over the order of the runs and, where days are told, over them."""
    drifts = [_drift(beside, data, "run order", _from_first_to_last(times))]
    if days is not None:
        each = [_apart(days, data.stages, stage) for stage in sorted(set(data.stages))]
        drifts.append(_drift(beside, data, "days", np.hstack(each)))
    corrected = holm([drift.p_value for drift in drifts])
    return [replace(d, p_corrected=p) for d, p in zip(drifts, corrected, strict=True)]


def variance_inflation(
    fit: FittedModel, fixed: FloatArray | None = None
) -> tuple[tuple[str, float], ...]:
    """Return for each column but the intercept by how much the others widen its variance.

    At achieved settings: 1/(1 − R²) of the column on all others, those of fixed blocks and lots
    (n, b) among them.
    """
    X = fit.model.matrix(fit.coded)
    spread = np.sum((X - X.mean(axis=0)) ** 2, axis=0)
    beside = X if fixed is None else np.hstack([X, fixed])
    values = np.diag(np.linalg.inv(beside.T @ beside))[: len(spread)] * spread
    return tuple(
        (e.label, float(value))
        for e, value in zip(fit.estimates, values, strict=True)
        if e.term.order
    )


def _from_first_to_last(times: Sequence[int]) -> FloatArray:
    """Return one column (n, 1) from −½ for the first run to +½ for the last."""
    t = np.asarray(times, dtype=np.float64)
    return np.asarray(((t - t.min()) / max(float(np.ptp(t)), 1.0) - 0.5)[:, None])


def _drift(fit: FittedModel, data: Observations, over: str, columns: FloatArray) -> Drift:
    """Return the partial test of columns (n, d) added to the model, strata allowed for.

    And stages, as fixed: later ones were placed by what earlier ones gave, so what the model misses
    there would look like time.
    """
    if any(data.censored):
        return Drift(over, why_not="not worked out with values beyond a limit")
    if fit.exact:
        return Drift(over, why_not="the model passes through every value, and leaves nothing")
    strata = strata_of(fit.model, data)
    fixed, random = strata.fixed, strata.random
    both = np.hstack([fixed, _apart(data.stages)])
    if np.linalg.matrix_rank(both) > fixed.shape[1]:
        fixed = both
        random = tuple(grouping for grouping in random if grouping[0] != "stage")
    X = np.hstack([fit.model.matrix(data.coded()), fixed])
    full = np.hstack([X, columns])
    meant = np.hstack([fit.model.matrix(data.coded_as_meant()), fixed, columns])
    told = len(data.runs) > full.shape[1] and not confounded(meant)
    if not columns.shape[1] or not told or not all(can_be_judged(meant, random)):
        return Drift(over, why_not=f"{over} cannot be told apart from the terms, blocks and stages")
    added = fit_mixed(full, fit.scale.forward(data.values), random)
    test = added.test(np.eye(full.shape[1])[X.shape[1] :])
    alone = columns.shape[1] == 1
    return Drift(
        over,
        "fitted",
        float(added.coefficients[-1]) if alone and over == "run order" else None,
        float(np.sqrt(added.covariance[-1, -1])) if alone and over == "run order" else None,
        test.f,
        test.df,
        test.df_error,
        test.p_value,
    )


def _apart(
    levels: Sequence[int | str], stages: Sequence[int] = (), stage: int | None = None
) -> FloatArray:
    """Return sum-to-zero columns (n, l − 1) of levels; of one stage alone, 0 in all others."""
    own = [i for i in range(len(levels)) if stage is None or stages[i] == stage]
    names = indicator(np.array([levels[i] for i in own]))
    columns = np.zeros((len(levels), names.shape[1] - 1))
    columns[own] = names[:, :-1] - names[:, [-1]]
    return columns


def _missing(observations: Observations, used: Sequence[int]) -> tuple[int, ...]:
    groups = observations.repeats()
    stood_for = set(groups[list(used)])
    planned = np.asarray(np.isfinite(observations.planned).all(axis=1), dtype=np.bool_)
    return tuple(
        run
        for i, run in enumerate(observations.runs)
        if i not in used and planned[i] and groups[i] not in stood_for
    )


def _same_settings(data: Observations) -> tuple[tuple[int, int], ...]:
    coded, groups = data.coded(), data.repeats()
    apart = np.abs(coded[:, None, :] - coded[None, :, :]).max(axis=2, initial=0.0)
    near = np.argwhere((apart < TOGETHER) & (groups[:, None] != groups))
    return tuple((data.runs[i], data.runs[j]) for i, j in near if i < j)


def _notices(
    inflation: Sequence[tuple[str, float]],
    drifts: Sequence[Drift],
    missing: Sequence[int],
    same: Sequence[tuple[int, int]],
    remedy: str,
) -> tuple[Notice, ...]:
    found = []
    high = [(label, value) for label, value in inflation if value > HIGH_INFLATION]
    if high:
        found.append(Notice("tangled-terms", _tangled(high)))
    for drift in drifts:
        if drift.p_corrected is not None and drift.p_corrected < SURPRISING:
            size = ""
            if drift.change is not None:
                size = f" ({drift.change:+.3g} from the first run to the last)"
            found.append(
                Notice(
                    "drift" if drift.over == "run order" else "drift-over-days",
                    f"{_less(drift.without)} change with {drift.over}{size}, p = "
                    f"{drift.p_corrected:.2g}: {remedy}",
                )
            )
    if missing:
        found.append(
            Notice(
                "missing-points",
                "No run used stands for the settings planned for "
                f"{_numbers(missing)}; predictions there rest on the model.",
            )
        )
    if same:
        pairs = ", ".join(f"{a} and {b}" for a, b in same)
        found.append(
            Notice("same-settings", f"Planned apart, yet made at the same settings: runs {pairs}.")
        )
    return tuple(found)


def _remedy(strata: Strata, days: Sequence[int | str] | None) -> str:
    """Return what to do about a drift: days taken out already are not asked for again."""
    look = "look for what changed on the rig"
    if "day" in {name for name, _ in (*strata.fixed_names, *strata.random)}:
        return f"{look} within days; what differs between them is taken out already."
    if days is None:
        return f"{look}."
    return f"{look}, and fit with --by-day, which takes differences between days out."


def _less(without: Sequence[int]) -> str:
    if not without:
        return "Values"
    return f"Without {_numbers(without)}, which could hide it, values"


def _tangled(high: Sequence[tuple[str, float]]) -> str:
    """Return which terms the runs, as made, hardly tell apart, and what that makes of them."""
    some = [f"{label} ({value:.0f} times)" for label, value in high if value <= HOPELESS]
    most = [label for label, value in high if value > HOPELESS]
    named = listed([*some, *([f"{listed(most)} (over {HOPELESS:.0f} times)"] if most else [])])
    text = (
        f"As the runs were made, other terms inflate the variance of {named}; up to "
        f"{HIGH_INFLATION:.0f} times is usual. "
    )
    text += (
        "Trust what the two do together, not each alone."
        if len(high) == 2
        else "None of these coefficients can be trusted alone."
    )
    if max(value for _, value in high) > HOPELESS:
        text += " Nor can where the polynomial puts the best: these settings moved together."
    return text


def _numbers(runs: Sequence[int]) -> str:
    return ("run " if len(runs) == 1 else "runs ") + ", ".join(str(run) for run in runs)


def pulls_on_best(
    fits: Sequence[FittedModel],
    observed: Mapping[str, Observations],
    feasible: Feasible,
    *,
    candidates: FloatArray | None = None,
    bests: Mapping[str, Best] | None = None,
    most: int | None = None,
) -> dict[str, tuple[PullOnBest, ...]]:
    """Return by response, for each run used, how the best settings move when it is left out.

    The same terms are fitted again without the run, and the best is searched for anew, for all
    runs and responses together. With `most` only that many runs of each, those of the largest
    Cook's distance, in run order. `bests` are those of all runs, searched for where not given.

    Raises
    ------
    InfeasibleError
        The rig can run no setting at all.
    """
    if candidates is None:
        candidates = candidates_for_search(fits[0].model.space, feasible)
    if bests is None:
        bests = {f.response.name: best_of_one(f, feasible, candidates=candidates) for f in fits}
    data = {fit.response.name: observed[fit.response.name].usable() for fit in fits}
    refits = {fit.response.name: _fits_without(fit, data[fit.response.name], most) for fit in fits}
    told = {
        name: {i: without for i, without in own.items() if without is not None}
        for name, own in refits.items()
    }
    asked = [name for name, own in told.items() if own]
    places: dict[str, dict[int, FloatArray]] = {}
    if asked:
        found = best_of_each(
            [list(told[name].values()) for name in asked],
            feasible,
            [bests[name].settings for name in asked],
            candidates,
        )
        for name, settings in zip(asked, found, strict=True):
            places[name] = dict(zip(told[name], settings, strict=True))
    return {
        name: tuple(
            _pull(data[name].runs[i], bests[name], without, places.get(name, {}).get(i))
            for i, without in own.items()
        )
        for name, own in refits.items()
    }


def _fits_without(
    fit: FittedModel, data: Observations, most: int | None
) -> dict[int, FittedModel | None]:
    """Return by place in the runs the fit without it; None where no fit can do without it."""
    heavy = np.argsort(-np.nan_to_num(fit.cook, nan=np.inf), kind="stable")[:most]
    fits: dict[int, FittedModel | None] = {}
    for i in sorted(int(place) for place in heavy):
        rest = data.only([j for j in range(len(data.runs)) if j != i])
        fits[i] = None
        with contextlib.suppress(FitError):
            fits[i] = fit_response(fit.response, fit.model, rest, transformation=fit.scale)
    return fits


def _pull(
    run: int, best: Best, without: FittedModel | None, settings: FloatArray | None
) -> PullOnBest:
    if without is None or settings is None:
        return PullOnBest(run, None, None, None)
    space = without.model.space
    apart = np.abs(space.code(settings)[0] - space.code(best.settings)[0])[list(space.numeric)] / 2
    change = float(without.predict(best.settings).mean[0] - best.prediction.mean[0])
    return PullOnBest(run, settings, float(apart.max(initial=0.0)), change)
