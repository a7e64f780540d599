"""The settings recommended to the person: one rule for all commands, and the evidence for it.

What is recommended is best on surrogates, averages over smooth surfaces: under limits and on
ridges the best of a fitted polynomial is far off. Where the polynomials' best is another, that is
told, with how well the surfaces foretell runs left out, and how well the polynomial does that the
runs speak for: one with all terms that they carry would be no fair rival.

Shapes: k factors, m settings.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from doe.analysis.decision import SURE, Decision, decide
from doe.analysis.fitted_model import FittedModel
from doe.analysis.location import location_among
from doe.analysis.observations import Observations
from doe.analysis.optimum import Analysis, JointOptimum
from doe.analysis.selection import Recommendation
from doe.analysis.surrogate import Surrogate
from doe.digits import r2_text
from doe.errors import Notice
from doe.factors import CategoricalFactor, FactorSpace, Feasible, FloatArray
from doe.responses import Response
from doe.wording import chance_words, listed

__all__ = [
    "NOTHING_TO_COMPARE",
    "chance_of_all_aims",
    "coverage",
    "decision_of",
    "evidence_of",
    "kept_words",
    "of_logarithms",
    "polynomials_worse_than_mean",
    "recommended",
]

SAME_SETTING = 1e-6  # coded units
LEVEL = 0.95
AS_REPEATS = 0.1
"""Coded distance within which achieved settings of repeats lie."""
MUCH_LESS = 0.1
"""Difference of two chances that a person should know of (our rule)."""
HELD_FOR, HELD_IN = range(13, 21), range(2, 5)
"""Runs and numeric factors of the simulated campaigns."""
SHIFT_HELD = 2.0
"""Scatters of runs by which a day shifted the runs of simulated campaigns, at most."""
HELD = (
    "In simulated campaigns of 13 to 20 runs in 2 to 4 factors, one response made as high as can "
    "be, the 95 % intervals here held the truth 96 to 100 times in 100, and 85 to 100 times where "
    "days shift by twice the scatter of runs."
)
HELD_IN_PLOTS = (
    "In simulated campaigns of 13 to 20 runs in 2 to 4 factors, one of them set once a plot, one "
    "response made as high as can be, the 95 % intervals here held the truth 85 to 100 times in "
    "100, the fewest where nothing acts; plots shifted by once or twice the scatter of runs."
)
"""Flat, saturating, hill-shaped and kinetic surfaces, 120 campaigns each, in plots 60:
`tests/bench/test_bench_recommended.py` and `test_bench_shown.py` print it."""

EVEN_SO = (
    "Surfaces decide even where a polynomial foretells as well: in 480 simulated campaigns of "
    "composite designs their settings gave, in the worst tenth, 83 to 98 % of the true best, those "
    "by polynomials of all terms 35 to 97 %."
)
"""`tests/bench/test_bench_recommended.py` prints it."""
TERMS_NAMED = 4
"""Terms up to which a model is told by them, not by their number."""

NOTHING_TO_COMPARE = (
    "The polynomial passes through every value, so no scatter is left by which to compare models."
)


def decision_of(
    analysis: Analysis,
    observed: Mapping[str, Observations],
    feasible: Feasible,
    days: Sequence[object] | None,
    seed: int,
    confirmed: Sequence[float] | None = None,
) -> Decision:
    """Return the decision on the fitted responses; the same runs and seed give the same.

    It stays at `confirmed` settings (k,), where there are any that the rig can still run.

    Raises
    ------
    InfeasibleError
        The rig can run none of the settings looked at.
    """
    responses = [fit.response for fit in analysis.fits]
    runs = len(observed[responses[0].name].usable().runs)
    found = decide(responses, observed, feasible, [seed, runs], days)
    at = None if confirmed is None else np.array(confirmed, dtype=np.float64)
    return found if at is None or not feasible(at[None])[0] else found.keeping(at)


def kept_words(decision: Decision | None) -> str:
    """Return that settings are kept since they were confirmed, and what looks better by now."""
    if decision is None or decision.best == decision.likeliest:
        return ""
    at = _in_words(decision.space, decision.candidates[decision.likeliest])
    more = float(decision.worth[decision.likeliest] - decision.worth[decision.best])
    by = f" by {decision.about(more)}" if more > 0 else ""
    return (
        "These settings are kept because fresh runs confirmed them. With those runs counted in, "
        f"{at} looks better{by}; that was not confirmed."
    )


def recommended(
    analysis: Analysis,
    decision: Decision,
    weighed: Mapping[str, Recommendation | None] | None = None,
) -> Analysis:
    """Return the analysis with the recommended settings for its optimum, and why they are it.

    The polynomials' own optimum is kept beside it. `weighed` as in `evidence_of`.
    """
    at = decision.settings
    predictions = {name: own.predict(at[None], LEVEL) for name, own in decision.surrogates.items()}
    worths = {response.name: _worth(decision, response, at) for response in decision.responses}
    known = not any(response.interval_wanted() for response in analysis.unfitted)
    wanted = any(response.interval_wanted() for response in decision.responses)
    optimum = JointOptimum(
        at,
        predictions,
        worths,
        float(np.prod(list(worths.values())) ** (1 / len(worths))),
        float(chance_of_all_aims(decision.responses, decision.surrogates, at[None])[0])
        if known and wanted
        else None,
        LEVEL,
    )
    polynomials = {
        fit.response.name: fit if len(fit.model) > 1 else decision.surrogates[fit.response.name]
        for fit in analysis.fits
    }
    limited = [fit for fit in analysis.fits if fit.response.interval_wanted() is not None]
    doubted = _doubted(
        optimum.all_aims_probability,
        float(chance_of_all_aims(decision.responses, polynomials, at[None])[0]),
        [] if decision.confirmed or any(fit.worse_than_mean for fit in limited) else limited,
    )
    others = [notice for notice in analysis.notices if notice.code != "aims-not-met"]
    told = replace(
        analysis,
        optimum=optimum,
        by_polynomials=analysis.optimum,
        decision=decision,
        surrogates=decision.surrogates,
        location=location_among(
            decision.space, decision.candidates, decision.best_in_truths, LEVEL
        ).reaching(decision.space, at),
        notices=(*others, *doubted, *_unmet(decision, optimum)),
    )
    return replace(told, evidence=evidence_of(told, weighed or {}))


def _doubted(
    chance: float | None, by_polynomials: float, limited: Sequence[FittedModel]
) -> tuple[Notice, ...]:
    """Return a notice if polynomials of limited responses give much less chance to meet them.

    None are handed in where one foretells worse than the mean does, since its chance says nothing,
    nor where runs there have shown which is right.
    """
    if chance is None or not limited or by_polynomials > chance - MUCH_LESS:
        return ()
    of = listed([fit.response.words for fit in limited])
    gives = "polynomial of {} gives" if len(limited) == 1 else "polynomials of {} give"
    what = (
        f"The fitted {gives.format(of)} one run there only {chance_words(by_polynomials)} chance "
        f"to meet every limit, not {chance_words(chance)}: count on the lower until runs "
        "there have shown which is right."
    )
    return (Notice("chances-part", what),)


def _worth(decision: Decision, response: Response, at: FloatArray) -> float:
    """Return the worth of what is expected; of a limit 1 where it is kept surely enough."""
    own = decision.surrogates[response.name]
    if response.aim in ("below", "above"):
        wanted = response.interval_wanted()
        assert wanted is not None
        return float(own.chance_between(at[None], *wanted)[0] >= SURE)
    mean = own.back(own.mean_sd(at[None])[0])
    return float(response.worth(mean, decision.ranges[response.name])[0])


def chance_of_all_aims(
    responses: Sequence[Response],
    surrogates: Mapping[str, Surrogate | FittedModel],
    settings: FloatArray,
) -> FloatArray:
    """Return what one new run's chance (m,) to meet every limit and tolerance at least is."""
    missed = np.zeros(len(settings))
    for response in responses:
        wanted = response.interval_wanted()
        if wanted is not None:
            missed += 1 - surrogates[response.name].chance_between(settings, *wanted)
    return np.asarray((1 - missed).clip(min=0.0))


def _unmet(decision: Decision, optimum: JointOptimum) -> tuple[Notice, ...]:
    """Notice of the aims that even the recommended settings do not meet."""
    named = []
    for response in decision.responses:
        if optimum.worths[response.name]:
            continue
        unit = f" {response.unit}".rstrip()
        at = optimum.predictions[response.name]
        said = f"{response.words}, predicted {float(at.mean[0]):.4g}{unit}"
        if response.limit is not None:
            said += f", limit {response.limit:g}{unit}"
        named.append(said)
    if not named:
        return ()
    return (
        Notice(
            "aims-not-met",
            "No feasible settings were found that satisfy every aim. At the nearest ones these are "
            f"not satisfied: {'; '.join(named)}. A limit counts as kept only if {100 * SURE:.0f} % "
            "of new runs keep it, as far as the results tell.",
        ),
    )


def evidence_of(analysis: Analysis, weighed: Mapping[str, Recommendation | None]) -> str:
    """Return what the settings rest on: that they were confirmed, and on which models.

    Parameters
    ----------
    analysis
        As `recommended` returns it.
    weighed
        By response the polynomial that its runs speak for; the fitted one is compared where there
        is none.
    """
    kept = kept_words(analysis.decision)
    return " ".join(filter(None, [kept, _of_models(analysis, weighed)]))


def _of_models(analysis: Analysis, weighed: Mapping[str, Recommendation | None]) -> str:
    """Return by which models the settings are recommended, and what speaks for them."""
    decision, alone = analysis.decision, analysis.by_polynomials
    if decision is None or alone is None:
        return ""
    space = decision.space
    poor = polynomials_worse_than_mean(analysis)
    apart = np.abs(space.code(alone.settings) - space.code(decision.settings)).max()
    names = listed(list(dict.fromkeys(fit.model.name for fit in analysis.fits)))
    if apart < SAME_SETTING and poor:
        return (
            f"Fitted polynomials ({names}) and averages over smooth surfaces agree on these "
            "settings, which says little: those polynomials foretell runs left out worse than "
            "their mean does."
        )
    if apart < SAME_SETTING:
        return "Fitted polynomials and averages over smooth surfaces agree on these settings."
    others = (
        f"what the fitted polynomials ({names}) alone would set is not told, since they foretell "
        "runs left out worse than their mean does"
        if poor
        else f"the fitted polynomials ({names}) alone would set {_in_words(space, alone.settings)}"
    )
    parts, as_well = [], False
    for fit in analysis.fits:
        own = decision.surrogates[fit.response.name]
        said, rival = _rival(fit, own, weighed.get(fit.response.name))
        as_well |= rival is not None and rival >= own.r2_left_out()
        parts.append(f"{fit.response.words} {r2_text(own.r2_left_out())} ({said})")
    return (
        "The settings rest on averages over smooth surfaces, which bend where the runs bend; "
        f"{others}. Runs left out in turn are foretold with a predicted R² of: "
        f"{'; '.join(parts)}.{f' {EVEN_SO}' if as_well else ''}"
    )


def _rival(
    fit: FittedModel, own: Surrogate, weighed: Recommendation | None
) -> tuple[str, float | None]:
    """Return how well a polynomial foretells runs left out, and the figure if it compares."""
    if weighed is None:
        in_groups = fit.mixed is not None  # its plots are left out whole, not run by run
        same = own.logarithmic == (fit.scale.exponent == 0)
        name = f"the fitted polynomial’s, {fit.model.name},"
        r2 = fit.r2_predicted if same and not in_groups else None
    else:
        name = f"the recommended polynomial’s, {_terms_in_words(weighed)},"
        name += " its terms chosen anew without each," if weighed.chosen_otherwise else ""
        r2 = _r2(fit.values, weighed.foretold, own.logarithmic)
    if r2 is None:
        return f"{name} cannot be worked out", None
    return f"{name} is {r2_text(r2)}", r2


def _r2(values: FloatArray, foretold: FloatArray | None, of_logarithm: bool) -> float | None:
    """Return predicted R² of values (n,), or of their logarithms; None where one has none."""
    if foretold is None or (of_logarithm and min(foretold.min(), values.min()) <= 0):
        return None
    if of_logarithm:
        values, foretold = np.log(values), np.log(foretold)
    total = float(((values - values.mean()) ** 2).sum())
    return 1 - float(((values - foretold) ** 2).sum()) / total if total else None


def _terms_in_words(weighed: Recommendation) -> str:
    terms = [term for term in weighed.model.terms if term.order]
    if not terms:
        return "a plain mean"
    if len(terms) > TERMS_NAMED:
        return f"{weighed.model.name} of {len(weighed.model.terms)} terms"
    return f"of {listed([term.label(weighed.model.space.names) for term in terms])}"


def polynomials_worse_than_mean(analysis: Analysis) -> bool:
    """Whether a fitted polynomial foretells runs left out worse than their mean does.

    The fitted ones hold every term that the runs carry: the recommended one may foretell well.
    """
    return any(fit.worse_than_mean for fit in analysis.fits)


def of_logarithms(analysis: Analysis) -> str:
    """Say of which responses the runs, not the file, chose logarithms; empty where of none."""
    chosen = [
        fit.response.words
        for fit in analysis.fits
        if fit.response.scale != "log"
        and fit.response.name in analysis.surrogates
        and analysis.surrogates[fit.response.name].logarithmic
    ]
    if not chosen:
        return ""
    return (
        f"The averages over smooth surfaces model the logarithm of {listed(chosen)}, which the "
        "runs support more than the value itself: what is told is the median, which half of new "
        "runs exceed."
    )


def coverage(analysis: Analysis, noticed: Collection[str]) -> str:
    """Return how often intervals like these held the truth; why not, where none were simulated.

    Parameters
    ----------
    noticed
        Codes of the notices on the fits, drift over the runs and runs far from their model among
        them. Days are judged by how far the surfaces find them apart, whether or not a fit takes
        them out.
    """
    unlike = list(_unlike_simulated(analysis, noticed))
    if unlike:
        return (
            "How often the 95 % intervals here hold the truth is not known: no simulated campaign "
            f"was like this one, in which {listed(unlike)}."
        )
    return HELD_IN_PLOTS if _in_plots(analysis) else HELD


def _in_plots(analysis: Analysis) -> bool:
    return any("plot" in dict(fit.variance_components) for fit in analysis.fits)


def _unlike_simulated(analysis: Analysis, noticed: Collection[str]) -> Iterator[str]:
    """Yield, each as a clause, what tells a campaign from the simulated ones."""
    fits = analysis.fits
    space = fits[0].model.space
    few, many = (f(len(fit.runs_used) for fit in fits) for f in (min, max))
    if few not in HELD_FOR or many not in HELD_FOR:
        count = str(few) if few == many else f"{few} to {many}"
        yield f"there are {count} runs ({HELD_FOR[0]} to {HELD_FOR[-1]} were simulated)"
    if not _in_plots(analysis) and not all(_some_alike(fit.coded) for fit in fits):
        yield "no run is repeated"
    if len(space.numeric) < len(space):
        yield "a factor has levels"
    elif len(space) not in HELD_IN:
        yield f"there are {len(space)} factors ({HELD_IN[0]} to {HELD_IN[-1]} were simulated)"
    if len(fits) > 1:
        yield f"{len(fits)} responses are weighed together (one was simulated)"
    elif fits[0].response.aim != "maximise" or fits[0].response.interval_wanted() is not None:
        yield "the response is not to be as high as can be"
    if analysis.unfitted:
        left_out = [response.words for response in analysis.unfitted]
        yield f"{listed(left_out)} {'is' if len(left_out) == 1 else 'are'} left out"
    if "lack-of-fit" in noticed:
        yield "the model misses the values by more than repeats scatter"
    if any(any(fit.censored) for fit in fits):
        yield "of some values only a limit is known"
    if any(fit.exact for fit in fits):
        yield "a polynomial passes through every value"
    if "large-residual" in noticed:
        yield "a run lies far from the model"
    told = [own for own in analysis.surrogates.values() if own.groups_seen > 1]
    apart = max((own.group_sd / own.own_sd for own in told), default=0.0)
    if apart > SHIFT_HELD:
        yield (
            f"days or stages seem to shift by about {apart:.2g} times the scatter of runs (up to "
            "twice was simulated)"
        )
    if "drift" in noticed:
        yield "values change with run order"
    groups = {effect.block for fit in fits for effect in fit.block_effects}
    groups |= {name for fit in fits for name, _ in fit.variance_components}
    if groups & {"block", "lot"}:
        yield "blocks or lots differ"


def _some_alike(coded: FloatArray) -> bool:
    """Tell whether two runs were made at settings (n, k) as near as repeats come."""
    apart = np.abs(coded[:, None] - coded).max(axis=2)
    return bool((apart[np.triu_indices(len(coded), 1)] < AS_REPEATS).any())


def _in_words(space: FactorSpace, settings: FloatArray) -> str:
    """Return a setting (k,) as people say it: ``155 °C, 4 mL/min, fine``."""
    return ", ".join(
        factor.levels[round(value)]
        if isinstance(factor, CategoricalFactor)
        else f"{float(value):.6g} {factor.unit}".rstrip()
        for factor, value in zip(space, settings, strict=True)
    )
