"""How far a fitted polynomial may be trusted, in words: which R² tell anything, and what they say.

R² of a model that has hardly a degree of freedom left comes out near 1 whatever the model is
worth; so does that of values of which most are known as limits, since expected values, which
follow the model, stand in their place.
"""

from __future__ import annotations

from doe.analysis.fit_notices import DF_FEW
from doe.analysis.fitted_model import FittedModel
from doe.analysis.optimum import Analysis
from doe.wording import capital, counted, listed

__all__ = ["r2_predicted_told", "r2_tells", "trust", "trust_words", "why_r2_is_not_told"]

POOR = 0.5
"""Predicted R² below which a polynomial tells directions at most (our rule)."""
SURPRISING = 0.05
MOSTLY = 0.5
"""Share of values known as limits from which R² is not told (our rule)."""


def r2_tells(fit: FittedModel) -> bool:
    """Whether R² and adjusted R² say anything of the model."""
    return not why_r2_is_not_told(fit)


def why_r2_is_not_told(fit: FittedModel) -> str:
    """Return why R² says nothing; empty where it does."""
    if fit.df_residual < DF_FEW:
        return f"only {counted(fit.df_residual, 'degree')} of freedom left to judge it by"
    limits = sum(side is not None for side in fit.censored)
    if limits and limits >= MOSTLY * len(fit.runs_used):
        return f"{limits} of {len(fit.runs_used)} values known only to lie beyond a limit"
    return ""


def r2_predicted_told(fit: FittedModel) -> float | None:
    """Return predicted R² where it says anything of the model."""
    return fit.r2_predicted if r2_tells(fit) else None


def trust_words(fit: FittedModel) -> str:
    """Return whether to trust a fitted polynomial, as the end of a sentence about it."""
    why, predicted = why_r2_is_not_told(fit), fit.r2_predicted
    if why:
        return f"cannot be judged ({why})"
    if predicted is None:
        return "not tried on runs left out"
    if predicted < 0:
        return "no, runs left out are foretold worse than by their mean"
    lack = fit.lack_of_fit
    if lack is not None and lack.p_value is not None and lack.p_value < SURPRISING:
        return "for directions only, it misses the values by more than repeats scatter"
    return "for directions only" if predicted < POOR else "yes, inside the ranges"


def trust(analysis: Analysis) -> str:
    """Return in a sentence which polynomials to trust, and in one what the settings rest on."""
    named: dict[str, list[str]] = {}
    for fit in analysis.fits:
        named.setdefault(trust_words(fit), []).append(fit.response.words)
    told = " ".join(f"{capital(listed(names))}: {words}." for words, names in named.items())
    return f"Whether to trust these polynomials. {told} {_what_settings_rest_on(analysis)}".rstrip()


def _what_settings_rest_on(analysis: Analysis) -> str:
    """Return that the settings rest on freer surfaces; empty where they rest on polynomials."""
    if not analysis.surrogates:
        return ""
    return "The settings do not rest on them, but on averages over smooth surfaces."
