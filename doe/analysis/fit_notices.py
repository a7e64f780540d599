"""What to mind of a fit: how runs were made, how they hang together, how far to trust it.

Shapes: n runs, k factors, p columns of the model matrix.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from doe.analysis.carried import tangled_columns
from doe.analysis.diagnostics import LackOfFit
from doe.analysis.fitted_model import BlockEffect, FittedModel
from doe.analysis.observations import Observations
from doe.analysis.strata import Strata, hard_factors
from doe.analysis.transformation import NONE
from doe.digits import roughly
from doe.errors import Notice
from doe.factors import FloatArray, NumericFactor
from doe.terms import Model
from doe.wording import capital, counted, listed, runs_in_words

__all__ = [
    "RARE",
    "data_notices",
    "fit_notices",
    "outlier_notices",
    "outlying",
    "strata_notices",
]

RARE_SCATTER = 0.01
"""Level at which repeats are said to scatter otherwise than stated (our choice)."""
DF_FEW = 4
RARE = 0.02
"""Chance that a run is called far from a chosen model though none is wrong: stricter than usual,
since a response has other alarms beside this one (our rule)."""
ALONE = 0.95
"""Leverage above which a value is hardly judged by any other."""
OUTSIDE = 0.02
"""Coded distance beyond the range within which no run is reported: 1 % of the whole range."""
STEP_MOST = 0.2
"""Coded distance, a tenth of the range, that a coarser step does not excuse (our rule)."""
REPEATS_APART = 0.1
"""Coded distance between achieved settings of repeats from which pure error is only rough."""


def data_notices(model: Model, data: Observations, strata: Strata) -> Iterator[Notice]:
    """Notices that the settings and the order of the runs give rise to."""
    tangled = tangled_columns(model.matrix(data.coded_as_planned()), model)
    if tangled:
        yield Notice(
            "confounded-as-planned",
            f"As planned, {'; '.join(tangled)}: only the scatter of the achieved settings "
            "separates them, so their coefficients say little.",
        )
    coded, planned = data.coded(), data.coded_as_planned()
    numeric = list(data.space.numeric)
    near = np.array([_near(data, i) for i in numeric])
    beyond = (np.abs(coded[:, numeric]) > 1 + near) & (np.abs(planned[:, numeric]) <= 1 + 1e-9)
    outside = [data.runs[i] for i in np.flatnonzero(beyond.any(axis=1))]
    if outside:
        yield Notice(
            "outside-region",
            f"{runs_in_words(outside)} ended outside the ranges of the factors; used as achieved.",
        )
    copied = _copied(data)
    if copied:
        yield Notice(
            "repeats-alike",
            f"Planned alike, and with the very same value: {listed(copied)}. Separate runs seldom "
            "agree to the last digit; a result that was typed twice makes the scatter look smaller "
            "than it is. If so, empty one of them.",
        )
    apart = _repeats_apart(data, coded)
    if apart:
        yield Notice(
            "repeats-apart",
            f"{runs_in_words(apart)} were planned as repeats, yet their achieved settings differ "
            f"by more than {50 * REPEATS_APART:.0f} % of a range: pure error and lack of fit are "
            "rough.",
        )
    count = len(set(zip(data.stages, data.plots, strict=True)))
    if count < len(data.runs) and strata.plots is None:
        yield Notice(
            "shared-settings",
            f"The {len(data.runs)} runs were made in {count} plots, yet no factor stays the same "
            "within all of them. Least squares takes runs as independent, so effects of factors "
            "that were not set anew between runs look surer than they are.",
        )


def _near(data: Observations, i: int) -> float:
    """Return the coded distance beyond a range that is not worth a word.

    It is what cannot be set anyway, a step, or what control swings by, or 1 % of the range.
    """
    factor = data.space.factors[i]
    assert isinstance(factor, NumericFactor)
    swing = data.swings[i] if data.swings else 0.0
    step = min((factor.step or 0.0) / factor.half_range, STEP_MOST)
    return max(OUTSIDE, (1 + 1e-9) * max(step, swing / factor.half_range))


def strata_notices(fit: FittedModel, data: Observations, strata: Strata) -> Iterator[Notice]:
    """Notices about whole plots, stages and blocks."""
    sds = dict(fit.variance_components)
    if strata.plots is not None and hard_factors(data) and "plot" in sds and fit.tests:
        hard = [data.space.names[i] for i in hard_factors(data)]
        least = min(e.df for e in fit.estimates if e.term.order)
        yield Notice(
            "whole-plots",
            f"{capital(listed(hard))} {'was' if len(hard) == 1 else 'were'} set anew only "
            f"{int(strata.plots.max()) + 1} times, so effects of "
            f"{'it' if len(hard) == 1 else 'them'} are judged against the scatter of those plots "
            f"(standard deviation {sds['plot']:.3g} between plots, {sds['run']:.3g} between runs "
            f"of a plot); {_least_known(float(least))}.",
        )
    stages = listed([str(s) for s in sorted(set(data.stages))])
    unbridged = any(notice.code == "stage-not-allowed-for" for notice in strata.notices)
    if len(set(data.stages)) > 1 and not unbridged:
        how = "a shift from one stage to the next is not looked for"
        if any(name == "stage" for name, _ in strata.fixed_names):
            how = (
                "repeated settings bridge them, and the shift between them is taken out; intervals "
                "do not count that a new stage may lie elsewhere"
            )
        if any(name == "stage" for name, _ in strata.random):
            how = "stages are taken as random: repeated settings do not bridge them all"
        yield Notice("several-stages", f"Stages {stages} are fitted together; {how}.")
    for effect in _shifted(fit):
        yield Notice(
            "block-shift",
            f"{capital(effect.block)} {effect.level} lies {_shift(fit, effect.shift)} the "
            f"average of its kind (p = {roughly(effect.p_corrected or 0.0)}). The polynomial "
            f"predicts for that average; a new {effect.block} may lie elsewhere, which its "
            "intervals do not count.",
        )


def _shifted(fit: FittedModel) -> list[BlockEffect]:
    """Return the levels of fixed blocks that lie off their average, the farthest first.

    Of two levels the first stands for both: the other lies as far off on the other side.
    """
    pairs = [name for name, levels, _ in fit.fixed_blocks if levels == 2]
    second = [next(e for e in fit.block_effects[::-1] if e.block == name) for name in pairs]
    off = [
        effect
        for effect in fit.block_effects
        if effect not in second and effect.p_corrected is not None and effect.p_corrected < 0.05
    ]
    return sorted(off, key=lambda effect: -abs(effect.shift))


def _least_known(df: float) -> str:
    """Return by how much the effect of which least is known is judged."""
    told = f"the least known effect has {df:.1f} degrees of freedom"
    if df >= DF_FEW:
        return told
    return f"{told}, so few that neither its p nor its interval says much"


def _shift(fit: FittedModel, shift: float) -> str:
    """Return how far a block lies off: ``2.2 mg/g below``; of a logarithm as a share."""
    side = "above" if shift > 0 else "below"
    if fit.scale.exponent == 0 and fit.scale.scale == 1:
        return f"{roughly(100 * abs(float(np.expm1(shift))))} % {side}"
    unit = fit.response.unit if fit.scale == NONE else "(transformed)"
    return f"{roughly(abs(shift))} {unit}".rstrip() + f" {side}"


def _copied(data: Observations) -> list[str]:
    """Return the runs planned alike that have the same value, where chance is no likely reason.

    One such pair is, where values carry few digits; and where all repeats agree that is said
    elsewhere.
    """
    groups, found, repeated = data.repeats(), [], 0
    for group in np.unique(groups):
        places = np.flatnonzero(groups == group)
        repeated += len(places) - 1
        for value in np.unique(data.values[places]):
            same = [int(i) for i in places if data.values[i] == value]
            measured = [i for i in same if not data.censored or data.censored[i] is None]
            if len(measured) > 1:
                found.append((value, [data.runs[i] for i in measured]))
    long = [value for value, _ in found if len(f"{value:.12g}".replace(".", "").strip("-0")) > 3]
    if sum(len(runs) - 1 for _, runs in found) == repeated or not (long or len(found) > 2):
        return []
    return [runs_in_words(runs).lower() for _, runs in found]


def _repeats_apart(data: Observations, coded: FloatArray) -> list[int]:
    groups = data.repeats()
    apart: list[int] = []
    for group in np.unique(groups):
        members = np.flatnonzero(groups == group)
        if np.ptp(coded[members], axis=0).max(initial=0.0) > REPEATS_APART:
            apart.extend(data.runs[i] for i in members)
    return apart


def fit_notices(fit: FittedModel, repeated: bool = False) -> Iterator[Notice]:
    """Notices about how far the fit can be trusted; `repeated` where runs were planned alike."""
    from scipy.special import stdtrit

    hidden = [run for run, side in zip(fit.runs_used, fit.censored, strict=False) if side]
    if hidden:
        yield Notice(
            "censored-values",
            f"{runs_in_words(hidden)} {'has' if len(hidden) == 1 else 'have'} a value known only "
            "to lie beyond a limit, and counted as that by maximum likelihood; only measured runs "
            "give degrees of freedom, and lack of fit and predicted R² are not worked out.",
        )
    df = fit.df_residual
    if fit.exact:
        yield Notice(
            "exact-fit",
            "The model passes through every value: nothing can be tested. Were the values "
            "measured, or computed?",
        )
    if df < DF_FEW:
        yield Notice(
            "few-degrees-of-freedom",
            f"Only {counted(df, 'degree')} of freedom to judge the error by: a 95 % interval is "
            f"{float(stdtrit(df, 0.975)):.1f} standard errors to each side.",
        )
    if not hidden:
        yield from _lack_notices(fit.lack_of_fit, repeated)
        yield from _scatter_notices(fit)
    yield from _leverage_notices(fit)
    if fit.r2_predicted is not None and fit.r2_predicted < 0:
        yield Notice(
            "poor-prediction",
            f"Predicted R² is {fit.r2_predicted:.2f}: for a new run the plain average would do "
            "better than this model.",
        )
    if fit.needed_alone:
        yield Notice("no-predicted-r2", f"Predicted R² is not worked out: {_needed(fit)}.")
    yield from outlier_notices(fit)


def _needed(fit: FittedModel) -> str:
    """Return what is lost with any one of the groups that fix a coefficient alone."""
    if all(len(runs) == 1 for runs in fit.needed_alone):
        alone = [runs[0] for runs in fit.needed_alone]
        which = (
            runs_in_words(alone).lower()
            if len(alone) == 1
            else f"any one of {runs_in_words(alone).lower()}"
        )
    else:
        plots = [f"({listed([str(run) for run in runs])})" for runs in fit.needed_alone]
        which = (
            f"the plot of runs {plots[0]}"
            if len(plots) == 1
            else (f"any one of the plots of runs {listed(plots)}")
        )
    return f"without {which} the others cannot tell all terms apart"


def _leverage_notices(fit: FittedModel) -> Iterator[Notice]:
    """Runs of more than twice the average leverage, 2p/n: Hoaglin, Welsch 1978 (from memory)."""
    limit = 2 * len(fit.model) / len(fit.runs_used)
    heavy = {
        run: float(h)
        for run, h in zip(fit.runs_used, fit.leverage, strict=True)
        if h > min(limit, ALONE)
    }
    alone = [run for run, h in heavy.items() if h > ALONE]
    if alone:
        yield Notice(
            "high-leverage",
            f"The fit follows {runs_in_words(alone).lower()} almost alone there; repeat before "
            "trusting.",
        )
    more = [f"{run} ({h:.2f})" for run, h in heavy.items() if h <= ALONE]
    if more:
        yield Notice(
            "leverage",
            f"{'Run' if len(more) == 1 else 'Runs'} {listed(more)} "
            f"{'pulls' if len(more) == 1 else 'pull'} at the fit more "
            "than twice as much as the average run (leverage, of at most 1).",
        )


def _scatter_notices(fit: FittedModel) -> Iterator[Notice]:
    """Yield the notice that repeats scatter otherwise than the file expects.

    By χ² of their mean square over the variance expected, both tails together at `RARE_SCATTER`.
    """
    from scipy.special import chdtr, chdtrc

    lack, response, exponent = fit.lack_of_fit, fit.response, fit.scale.exponent
    if lack is None or lack.df_pure < 2 or not response.scatter or exponent not in (0, 1):
        return
    found, middle = float(np.sqrt(lack.ss_pure / lack.df_pure)), float(np.abs(fit.values).mean())
    share = response.scatter_relative
    if exponent == 0:
        found *= (1.0 if share else middle) / fit.scale.scale
    elif share:
        found /= middle
    chi2 = lack.df_pure * (found / response.scatter) ** 2
    tails = chdtr(lack.df_pure, chi2), chdtrc(lack.df_pure, chi2)
    if 2 * min(tails) > RARE_SCATTER:
        return

    def told(sd: float) -> str:
        return f"{roughly(100 * sd)} %" if share else f"{roughly(sd)} {response.unit}".rstrip()

    yield Notice(
        "scatter-not-as-stated",
        f"Repeats scatter by {told(found)} (SD, {lack.df_pure} degrees of freedom), and the file "
        f"expects {told(response.scatter)}: intervals and what runs buy lean on that. Write what "
        f"repeats show into scatter under [responses.{response.name}], or leave it out.",
    )


def _lack_notices(lack: LackOfFit | None, repeated: bool) -> Iterator[Notice]:
    if lack is None and repeated:
        yield Notice(
            "no-repeats",
            "Runs were repeated only in another plot, day, block or lot, whose differences take up "
            "what the repeats tell: lack of fit cannot be told from scatter.",
        )
    elif lack is None:
        yield Notice(
            "no-repeats",
            "No run was repeated, so lack of fit cannot be told from scatter.",
        )
    elif lack.repeats_agree:
        yield Notice(
            "repeats-identical",
            "All repeats gave the same value, but for rounding, so scatter cannot be judged from "
            "them. Were they separate runs, reported finely enough?",
        )
    elif lack.p_value is not None and lack.p_value < 0.05:
        yield Notice(
            "lack-of-fit",
            f"The model misses the values by more than repeats scatter (F = {lack.f:.1f}, "
            f"p = {lack.p_value:.2g}); its predictions may be off.",
        )


def outlier_notices(fit: FittedModel, by: str = "", least: float | None = None) -> Iterator[Notice]:
    """Notices of runs whose residual stands out; `by` names the model, `least` as in `outlying`."""
    for place in outlying(fit, least):
        run, t = fit.runs_used[place], fit.studentised[place]
        yield Notice(
            "large-residual",
            f"Run {run}: measured {fit.values[place]:.4g}, fitted {fit.fitted[place]:.4g}{by}; its "
            f"studentised residual {t:.1f} is beyond ±{_residual_limit(fit, least):.1f}. It was "
            "used; check the record of the run.",
        )


def outlying(fit: FittedModel, least: float | None = None) -> tuple[int, ...]:
    """Return the places of runs whose residual is larger than chance allows the largest of n.

    t test of the externally studentised residual with Bonferroni's correction for n runs:
    Cook, Weisberg 1982, section 2.2.2 (from memory). It takes the model as known before the runs;
    for one chosen by them the level is `RARE`, and the residual must be beyond `least` too.
    """
    if fit.df_residual < 2:
        return ()
    far = np.abs(np.nan_to_num(fit.studentised)) > _residual_limit(fit, least)
    return tuple(int(place) for place in np.flatnonzero(far))


def _residual_limit(fit: FittedModel, least: float | None) -> float:
    from scipy.special import stdtrit

    level = 0.05 if least is None else RARE
    known = float(stdtrit(fit.df_residual - 1, 1 - level / 2 / len(fit.runs_used)))
    return max(known, least or 0.0)
