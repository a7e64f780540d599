"""What was done, in words to paste into a methods section, and where the methods come from."""

from __future__ import annotations

from typing import TYPE_CHECKING

from doe.factors import CategoricalFactor, Factor, FactorSpace
from doe.report.digits import capital, plain, with_unit
from doe.report.fit_pictures import fitted_unit
from doe.report.page import (
    Header,
    Section,
    bullets,
    enumerated,
    folded_evidence,
    joined,
    prose,
    small_heading,
    with_minus,
)

if TYPE_CHECKING:
    from doe.analysis.fit import FittedModel
    from doe.analysis.optimum import Analysis

__all__ = ["methods_section"]


def methods_section(header: Header, analysis: Analysis, space: FactorSpace) -> Section:
    """Return what was done, in words to paste into a methods section."""
    body = joined(
        prose([_methods_words(header, analysis, space)], "paste"),
        small_heading("Runs used and left out"),
        prose([_exclusion_words(fit) for fit in analysis.fits]),
        folded_evidence("What is assumed", bullets(_assumptions(analysis))),
        folded_evidence("Where the methods come from", bullets(METHOD_SOURCES)),
    )
    return Section("methods", "Methods, to paste and to check", body, "Methods")


METHOD_SOURCES = (
    "Intervals of a mean and of a single new run: NIST/SEMATECH e-Handbook of Statistical "
    "Methods, 4.5.1.",
    "Predicted R² from PRESS, the sum of (e/(1 − h))²: Allen 1974, Technometrics 16, 125–127.",
    "Several aims together: Derringer, Suich 1980, Journal of Quality Technology 12, 214–219.",
    "Runs in groups: REML with standard errors and degrees of freedom after Kenward, Roger 1997, "
    "Biometrics 53, 983–997.",
    "Half-normal plot: Daniel 1959, Technometrics 1, 311–341. Margins of effects without repeats: "
    "Lenth 1989, Technometrics 31, 469–473.",
    "Definitive screening in two steps: Jones, Nachtsheim 2017, Technometrics 59, 319–329.",
    "Digits of a result: GUM (JCGM 100:2008), 7.2.6.",
)
"""Sources of the methods; all but the first and the last are cited from memory."""


def _methods_words(header: Header, analysis: Analysis, space: FactorSpace) -> str:
    ranges = enumerated([_range_words(factor) for factor in space])
    fits = " ".join(
        f"{capital(fit.response.words)} was fitted with a model of {fit.model.name} "
        f"({len(fit.estimates)} coefficients) to {len(fit.runs_used)} runs by {fit.method}"
        f"{_transformed(fit)}; the standard deviation of a run about the model was "
        f"{with_unit(plain(fit.residual_sd, 2), fitted_unit(fit))}, adjusted R² "
        f"{with_minus(f'{fit.r2_adjusted:.3f}')}."
        for fit in analysis.fits
    )
    software = next((text for label, text in header.provenance if label == "made with"), "")
    made = f" Computed with {software}." if software else ""
    return (
        f"The factors were {ranges}. Factors were coded −1 to +1 over these ranges and entered at "
        f"the settings achieved. {fits} The recommended settings were searched among those that "
        f"the rig can run, for all aims together.{made}"
    )


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


def _exclusion_words(fit: FittedModel) -> str:
    used, left = len(fit.runs_used), len(fit.runs_left_out)
    words = capital(fit.response.words)
    if not left:
        return f"{words}: all {used} runs with a value were used."
    listed = enumerated([f"run {run} ({reason})" for run, reason in fit.runs_left_out])
    return (
        f"{words}: {used} runs were used. Left out: {listed}. A run is left out only where the "
        "record says so or a value is missing, never for lying far from the model."
    )
