"""What was done, in words to paste into a methods section, and where the methods come from."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from markupsafe import Markup

from doe.analysis.covariance import MANY, columns_of
from doe.analysis.decision import CANDIDATES, REACHES, SURE
from doe.analysis.gathered import PLACES, RUNS_ALONE
from doe.analysis.surrogate import BY_RATIO, CHARACTERS, ROUNDS, SETS_DRAWN, SETS_KEPT
from doe.analysis.trust import r2_tells
from doe.digits import plain, r2_text, with_unit
from doe.factors import CategoricalFactor, Factor, FactorSpace
from doe.report.fit_pictures import fitted_unit
from doe.report.page import (
    Header,
    Section,
    bullets,
    folded_evidence,
    joined,
    prose,
    small_heading,
    table_html,
)
from doe.report.pictures import Table
from doe.wording import capital, listed

if TYPE_CHECKING:
    from doe.analysis.fit import FittedModel
    from doe.analysis.optimum import Analysis

__all__ = ["methods_section"]


REASON_SHORT = 40
"""Characters up to which the reason for leaving a run out may stand more than once."""


def methods_section(
    header: Header,
    analysis: Analysis,
    space: FactorSpace,
    notes: Sequence[tuple[int, str]] = (),
    coverage: str = "",
) -> Section:
    """Return what was done, in words to paste into a methods section, and what was noted of runs.

    `notes` are runs of the ledger, each with its note; `coverage` says how often intervals like
    these held in simulations.
    """
    body = joined(
        prose([_methods_words(header, analysis, space, coverage)], "paste"),
        small_heading("Runs used and left out"),
        prose(_exclusion_sentences(analysis.fits)),
        _noted_runs(notes),
        folded_evidence("What is assumed", bullets(_assumptions(analysis))),
        folded_evidence("Where the methods come from", bullets(METHOD_SOURCES)),
    )
    return Section("methods", "Methods, to paste and to check", body, "Methods")


METHOD_SOURCES = (
    "Intervals of a mean and of a single new run: NIST/SEMATECH e-Handbook of Statistical "
    "Methods, 4.5.1.",
    "Predicted R² from PRESS, the sum of (e/(1 − h))²: Allen 1974, Technometrics 16, 125–127.",
    "Several aims together: Derringer, Suich 1980, Journal of Quality Technology 12, 214–219.",
    "Averages over smooth surfaces: Gaussian processes, Rasmussen, Williams 2006, Gaussian "
    "Processes for Machine Learning, chapters 2 and 5; their length scales drawn by adaptive "
    "multiple importance sampling, Cornuet, Marin, Mira, Robert 2012, Scandinavian Journal of "
    "Statistics 39, 798–812.",
    "Values known only to lie beyond a limit, in these surfaces: expectation propagation, Minka "
    "2001, Uncertainty in Artificial Intelligence 17, 362–369.",
    "Models compared by AICc: Hurvich, Tsai 1989, Biometrika 76, 297–307.",
    "Runs in groups: REML with standard errors and degrees of freedom after Kenward, Roger 1997, "
    "Biometrics 53, 983–997.",
    "Half-normal plot: Daniel 1959, Technometrics 1, 311–341. Margins of effects without repeats: "
    "Lenth 1989, Technometrics 31, 469–473.",
    "Definitive screening in two steps: Jones, Nachtsheim 2017, Technometrics 59, 319–329.",
    "Digits of a result: GUM (JCGM 100:2008), 7.2.6.",
)
"""Sources of the methods; all but the first and the last are cited from memory."""


def _methods_words(header: Header, analysis: Analysis, space: FactorSpace, coverage: str) -> str:
    ranges = listed([_range_words(factor) for factor in space])
    fits = " ".join(
        f"{capital(fit.response.words)} was fitted with a model of {fit.model.name} "
        f"({len(fit.estimates)} coefficients) to {len(fit.runs_used)} runs by {fit.method}"
        f"{_transformed(fit)}; the standard deviation of a run about the model was "
        f"{with_unit(plain(fit.residual_sd, 2), fitted_unit(fit))}"
        f"{_adjusted(fit)}."
        for fit in analysis.fits
    )
    software = next((text for label, text in header.provenance if label == "made with"), "")
    made = f"Computed with {software}." if software else ""
    told = [
        f"The factors were {ranges}. Factors were coded −1 to +1 over these ranges and entered at "
        "the settings achieved.",
        *(_surface_sentences(analysis) if analysis.surrogates else ()),
        fits,
        *(_search_sentences(analysis) if analysis.surrogates else (SEARCHED_ON_POLYNOMIALS,)),
        coverage,
        made,
    ]
    return " ".join(filter(None, told))


def _adjusted(fit: FittedModel) -> str:
    """Return adjusted R² as the end of a sentence, where it tells anything."""
    return f", adjusted R² {r2_text(fit.r2_adjusted, 3)}" if r2_tells(fit) else ""


SEARCHED_ON_POLYNOMIALS = (
    "The recommended settings were searched on the fitted models, from many starts among the "
    "settings that the rig can run, for all aims together."
)


def _surface_sentences(analysis: Analysis) -> list[str]:
    """Return what the recommended settings rest on, as a methods section has it."""
    sets = len(CHARACTERS) * ROUNDS * SETS_DRAWN
    told = [
        "The recommended settings and what is expected there rest on Gaussian processes, one a "
        f"response, each averaged over sets of hyperparameters: {sets} sets or more of length "
        "scales and standard deviations were drawn by adaptive importance sampling (Cornuet et al. "
        f"2012) from {len(CHARACTERS)} log-normal priors of equal weight (surfaces that bend "
        "freely and mostly second order) and weighted by the marginal likelihood of the runs "
        f"(Rasmussen and Williams 2006), and {SETS_KEPT} sets drawn by these weights stand for "
        "all.",
        "The covariance is the sum of a constant, a linear and a squared linear part, a parabola "
        f"that numeric factors share, {_of_levels(analysis)}a squared exponential of each factor "
        "alone and one of all factors "
        f"together{_sparse(analysis)}; runs of one day or stage, whole plot, block or lot share a "
        "normal shift. Intervals are the central 95 % of the average.",
        *_by_ratio_sentence(analysis),
        _scale_sentence(analysis),
    ]
    if max(len(fit.runs_used) for fit in analysis.fits) > RUNS_ALONE:
        told.append(
            f"Of more than {RUNS_ALONE} runs near ones were gathered at {PLACES} places and "
            "counted as their averages."
        )
    elif any(any(fit.censored) for fit in analysis.fits):
        told.append(
            "Values known only to lie beyond a limit counted by the chance of that, by expectation "
            "propagation (Minka 2001)."
        )
    return [*told, "Polynomials were fitted as a second opinion."]


def _of_levels(analysis: Analysis) -> str:
    """Return what levels have of their own, where there are any."""
    if not any(isinstance(f, CategoricalFactor) for f in analysis.fits[0].model.space):
        return ""
    return "a squared linear part that each level of a categorical factor has of its own, "


def _sparse(analysis: Analysis) -> str:
    """Return how slopes go with length scales, where there are so many factors that they do."""
    if len(analysis.fits[0].model.space) < MANY:
        return ""
    return ", each factor scaled by the square root of 2 / its length scale in the linear parts"


def _by_ratio_sentence(analysis: Analysis) -> list[str]:
    """Return of which factors the logarithm counts beside the value, and how far."""
    space = analysis.fits[0].model.space
    what = columns_of(space)
    names = [space.factors[i].name.replace("_", " ") for i in what.factor[what.by_ratio]]
    if not names:
        return []
    return [
        f"{capital(listed(names))} went in as a weighted mean of value and logarithm, both scaled "
        "to run from −1 to +1 over the range; the weight of the logarithm is one more "
        f"hyperparameter{' of each' if len(names) > 1 else ''}, its prior logit-normal (mean "
        f"{BY_RATIO[0]:g}, SD {BY_RATIO[1]:g})."
    ]


def _scale_sentence(analysis: Analysis) -> str:
    """Return of which responses values were modelled, of which logarithms, and who chose so."""
    by_file: list[str] = []
    by_runs: list[str] = []
    values: list[str] = []
    for fit in analysis.fits:
        own = analysis.surrogates[fit.response.name]
        chosen = by_runs if own.logarithmic else values
        (by_file if fit.response.scale == "log" else chosen).append(fit.response.words)
    parts = [
        f"Of {listed(by_file)} logarithms were modelled." if by_file else "",
        f"Of {listed(by_runs)} logarithms were modelled, since their marginal likelihood was "
        "higher than that of the values; means are medians there."
        if by_runs
        else "",
        f"Of {listed(values)} values were modelled, not logarithms." if values else "",
    ]
    return " ".join(filter(None, parts))


def _search_sentences(analysis: Analysis) -> list[str]:
    """Return how the recommended settings were searched."""
    aims = [fit.response.aim for fit in analysis.fits]
    wanted = [aim for aim in aims if aim not in ("below", "above")]
    rank = {
        0: "the chance that one run keeps every limit",
        1: "the aim at the expected value",
    }.get(len(wanted), "the geometric mean of the desirabilities (Derringer and Suich 1980)")
    limits = (
        f"; settings at which one run keeps every limit with a chance of {100 * SURE:.0f} % came "
        "before all others"
        if len(wanted) < len(aims)
        else ""
    )
    return [
        f"Settings were searched among up to {CANDIDATES} that can be set and that the rig can "
        "run, spread over a grid or at random, then among the neighbours of the best of them in "
        f"{len(REACHES)} rounds of shrinking steps. They were ranked by {rank}{limits}."
    ]


def _range_words(factor: Factor) -> str:
    name = factor.name.replace("_", " ")
    if isinstance(factor, CategoricalFactor):
        return f"{name} ({', '.join(factor.levels)})"
    return f"{name} ({plain(factor.low)} to {with_unit(plain(factor.high), factor.unit)})"


def _transformed(fit: FittedModel) -> str:
    return "" if fit.transformation == "none" else f" of transformed values ({fit.transformation})"


def _assumptions(analysis: Analysis) -> list[str]:
    grouped = any(fit.mixed is not None for fit in analysis.fits)
    return [
        "The model’s form holds between the runs and not beyond the ranges of the factors.",
        "Runs scatter alike everywhere, independently and near enough normally"
        + (", and so do the groups they were made in." if grouped else "."),
        "A new run is made like the ones used: same material, same rig, same way of measuring.",
        "Limits of the rig are those of the campaign file.",
    ]


def _exclusion_sentences(fits: Sequence[FittedModel]) -> list[str]:
    """Return which runs each response used; a long reason is said in full once."""
    told, said = [], set[tuple[int, str]]()
    for fit in fits:
        used, words = len(fit.runs_used), capital(fit.response.words)
        if not fit.runs_left_out:
            told.append(f"{words}: all {used} runs with a value were used.")
            continue
        gone = [
            f"run {run}"
            if len(reason) > REASON_SHORT and (run, reason) in said
            else f"run {run} ({reason})"
            for run, reason in fit.runs_left_out
        ]
        said.update(fit.runs_left_out)
        told.append(f"{words}: {used} runs were used. Left out: {listed(gone)}.")
    if said:
        told.append(
            "A run is left out only where the record says so or a value is missing, never for "
            "lying far from the model."
        )
    return told


def _noted_runs(notes: Sequence[tuple[int, str]]) -> Markup:
    """Return what was noted of runs at the rig, folded."""
    table = Table(("run", "note"), tuple((str(run), text) for run, text in notes), frozenset({0}))
    count = f"{len(notes)} run{'' if len(notes) == 1 else 's'}"
    return folded_evidence(f"What was noted of {count}", table_html(table)) if notes else Markup("")
