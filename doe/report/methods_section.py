"""What was done, in words to paste into a methods section, and where the methods come from."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from markupsafe import Markup

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
    table_html,
    with_minus,
)
from doe.report.pictures import Table

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
) -> Section:
    """Return what was done, in words to paste into a methods section, and what was noted of runs.

    `notes` are runs of the ledger, each with its note.
    """
    body = joined(
        prose([_methods_words(header, analysis, space)], "paste"),
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


def _exclusion_sentences(fits: Sequence[FittedModel]) -> list[str]:
    """Return which runs each response used; a long reason is said in full once."""
    told, said = [], set[tuple[int, str]]()
    for fit in fits:
        used, words = len(fit.runs_used), capital(fit.response.words)
        if not fit.runs_left_out:
            told.append(f"{words}: all {used} runs with a value were used.")
            continue
        listed = [
            f"run {run}"
            if len(reason) > REASON_SHORT and (run, reason) in said
            else f"run {run} ({reason})"
            for run, reason in fit.runs_left_out
        ]
        said.update(fit.runs_left_out)
        told.append(f"{words}: {used} runs were used. Left out: {enumerated(listed)}.")
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
