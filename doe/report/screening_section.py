"""What a page says of screening: the effects of each stratum, and definitive screening's two steps.

Pictures and tables of results that `analysis` computed; the page puts them in its order.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup

from doe.digits import bearing, p_text, plain
from doe.report.fit_pictures import scaled_unit
from doe.report.page import (
    Section,
    bullets,
    figure_html,
    joined,
    prose,
    small_heading,
    table_html,
)
from doe.report.pictures import Axis, Curve, Picture, Points, Table
from doe.wording import capital

if TYPE_CHECKING:
    from doe.analysis.fit import FittedModel
    from doe.analysis.screened import ScreeningVerdict
    from doe.analysis.screening_effects import Effect, Stratum, TwoStep

__all__ = ["effects_table", "screening_section", "stratum_picture"]

DRAWN_LEAST = 4
"""Effects below which a half-normal plot shows nothing that the table does not."""
NAMED_IN_TITLE = 3
NAMED_BESIDE = 3
"""Unjudged effects named beside their dots; judged ones are named where they are clear."""


def screening_section(verdicts: Sequence[ScreeningVerdict]) -> Section:
    """Return which factors matter for each response, and what that rests on."""
    parts: list[Markup | str] = []
    for number, verdict in enumerate(verdicts, start=1):
        finding, *basis = verdict.sentences
        parts += [small_heading(capital(verdict.response.words)), prose([finding], "lead")]
        parts.append(bullets(basis))
        if verdict.effects is not None:
            for i, stratum in enumerate(verdict.effects.strata, start=1):
                picture = stratum_picture(verdict, stratum, f"screening-{number}-{i}")
                shown = (
                    table_html(effects_table(verdict, stratum))
                    if picture is None
                    else figure_html(picture)
                )
                parts.append(shown)
        if verdict.steps is not None:
            parts.append(table_html(steps_table(verdict, verdict.steps)))
        if verdict.refit is not None:
            words = "The model of both steps, fitted at the achieved settings, in coded units:"
            parts += [prose([words]), table_html(refit_table(verdict.refit))]
    return Section("screening", "Which factors matter", joined(*parts), "Which factors")


def stratum_picture(verdict: ScreeningVerdict, stratum: Stratum, key: str) -> Picture | None:
    """Return the half-normal plot of one stratum with Lenth's margins; None below four effects.

    Chance alone is the line through zero whose slope is the pseudo standard error.
    """
    effects = stratum.effects
    if len(effects) < DRAWN_LEAST:
        return None
    unit = scaled_unit(verdict.response, verdict.scale)
    places = np.array([e.half_normal for e in effects])
    sizes = np.array([abs(e.effect) for e in effects])
    end, top = 1.08 * float(places.max()), float(sizes.max())
    across = np.array([0.0, end])
    layers: list[Curve | Points] = []
    repeats = verdict.repeats
    if repeats is not None:
        layers = [Curve(across, np.full(2, repeats.margin), "margin by repeats", "ember")]
        top = max(top, repeats.margin)
    elif stratum.lenth is not None:
        found = stratum.lenth
        layers = [
            Curve(across, found.pse * across, "chance alone", "soft-ink", dashed=True),
            Curve(across, np.full(2, found.margin), "margin of one effect"),
            Curve(across, np.full(2, found.simultaneous), "margin of the largest", "ember"),
        ]
        top = max(top, found.simultaneous, found.pse * end)
    named = tuple(
        _words(e.label)
        if (i < NAMED_BESIDE if verdict.clear(e) is None else verdict.clear(e))
        else ""
        for i, e in enumerate(effects)
    )
    return Picture(
        key,
        _finding(verdict, stratum),
        _how_to_read(verdict, stratum),
        Axis("half-normal quantile", "", 0.0, end),
        Axis(f"size of effect on {verdict.response.words}", unit, 0.0, 1.08 * top),
        (*layers, Points("done", places, sizes, named)),
        effects_table(verdict, stratum),
    )


def _finding(verdict: ScreeningVerdict, stratum: Stratum) -> str:
    where = {"between plots": "Between plots", "both": "Between and within plots"}
    beyond = [e for e in stratum.effects if verdict.clear(e)]
    sure = [e for e in beyond if verdict.repeats is not None or e.surely]
    count = len(stratum.effects)
    start = where.get(stratum.name, "Between runs")
    if verdict.clear(stratum.effects[0]) is None:
        return f"{start}, {_words(stratum.effects[0].label)} is the largest of {count} unjudged"
    if not beyond:
        return f"{start}, none of {count} contrasts lies beyond chance"
    likely = len(beyond) - len(sure)
    if not sure:
        return f"{start}, {_named(beyond)} likely beyond chance, out of {count} contrasts"
    tail = f"; {likely} more likely so" if likely else ""
    return f"{start}, {_named(sure)} beyond chance, out of {count} contrasts{tail}"


def _named(effects: Sequence[Effect]) -> str:
    """Return effects by name, the largest first, with the verb."""
    told = [_words(e.label) for e in effects[:NAMED_IN_TITLE]]
    more = len(effects) - NAMED_IN_TITLE
    told += [f"{more} more"] if more > 0 else []
    listed = " and ".join(filter(None, (", ".join(told[:-1]), told[-1])))
    return f"{listed} {'lies' if len(effects) == 1 else 'lie'}"


def _how_to_read(verdict: ScreeningVerdict, stratum: Stratum) -> str:
    start = (
        "Each dot is a contrast, sorted by size: the mean at the high level less that at the low. "
    )
    alarm, often = verdict.false_alarm(stratum), ""
    if alarm is not None:
        often = (
            f" If nothing acts, some dot of {len(stratum.effects)} lies above it in about "
            f"{100 * alarm:.0f} of 100 experiments all the same."
        )
    if verdict.repeats is not None:
        return (
            f"{start}One above the level line is more than the scatter of repeats makes of a "
            f"single effect (95 %).{often} Dots that rise steeply at the right are those that act."
        )
    if stratum.lenth is None:
        return f"{start}{stratum.why_not}"
    return (
        f"{start}If none did anything, the dots would follow the dashed line. One above the lower "
        f"level line is more than chance makes of a single effect (95 %).{often} One above the "
        "upper is more than chance makes of the largest of them all."
    )


def effects_table(verdict: ScreeningVerdict, stratum: Stratum) -> Table:
    """Return the effects of a stratum, the largest first, with what each cannot be told from."""
    unit = scaled_unit(verdict.response, verdict.scale)
    rows = tuple(
        (
            _words(e.label),
            plain(e.effect, 3),
            plain(e.half_normal, 3),
            _judgement(verdict, e),
            _words("; ".join(_first(e.aliases))) or "–",
        )
        for e in stratum.effects
    )
    effect = f"effect, {unit}" if unit else "effect"
    headings = ("contrast", effect, "half-normal quantile", "judged", "the same contrast as")
    return Table(headings, rows, frozenset({1, 2}))


def _first(aliases: tuple[str, ...], most: int = 4) -> list[str]:
    """Return the simplest aliases, and how many more there are."""
    simple = sorted(aliases, key=lambda a: a.count("×"))
    more = len(simple) - most
    return [*simple[:most], *([f"{more} of higher order or more"] if more > 0 else [])]


def _judgement(verdict: ScreeningVerdict, effect: Effect) -> str:
    clear = verdict.clear(effect)
    if clear is None:
        return "not judged"
    if not clear:
        return "may be chance"
    sure = verdict.repeats is not None or effect.surely
    return "beyond chance" if sure else "likely beyond chance"


def steps_table(verdict: ScreeningVerdict, found: TwoStep) -> Table:
    """Return the main effects of the first step, as coefficients in coded units."""
    unit = scaled_unit(verdict.response, verdict.scale)
    rows = tuple(
        (
            _words(one.label),
            plain(one.coefficient, 3)
            if one.standard_error is None
            else bearing(one.coefficient, one.standard_error),
            "–" if one.standard_error is None else plain(one.standard_error, 2),
            "–" if one.p_value is None else p_text(one.p_value),
            "kept" if one.kept else "not kept",
        )
        for one in found.main
    )
    coefficient = f"coefficient, {unit}" if unit else "coefficient"
    error = f"standard error, {unit}" if unit else "standard error"
    return Table(("main effect", coefficient, error, "p", "first step"), rows, frozenset({1, 2, 3}))


def refit_table(fit: FittedModel) -> Table:
    """Return the model of the two steps fitted at the achieved settings."""
    unit = scaled_unit(fit.response, fit.scale)
    rows = tuple(
        (
            _words(e.label) if e.term.order else "mean at the centre",
            bearing(e.coefficient, e.standard_error),
            bearing(e.standard_error, e.standard_error),
        )
        for e in fit.estimates
    )
    tail = f", {unit}" if unit else ""
    return Table(
        ("term", f"coefficient{tail}", f"standard error (too short){tail}"), rows, frozenset({1, 2})
    )


def _words(label: str) -> str:
    return label.replace("_", " ")
