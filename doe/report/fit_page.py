"""The page of a fit: what to set, what to expect, how sure that is; then the evidence.

Shapes: n runs, k factors.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup

from doe.analysis.leeway import CHANCE_LOST
from doe.analysis.recommendation import kept_words, of_logarithms, polynomials_worse_than_mean
from doe.analysis.shown import ANY_WORDS, Shown
from doe.digits import percent, plain, with_unit
from doe.factors import CategoricalFactor, Factor, FactorSpace, FloatArray
from doe.report.curve_section import curve_section
from doe.report.explorer import TRAVELS_MOST, Explorer, Verdicts
from doe.report.fit_pictures import EffectCurve
from doe.report.judgement_section import Judged
from doe.report.map_pictures import ChanceView, SurfaceView, chance_picture, surface_picture
from doe.report.methods_section import methods_section
from doe.report.page import (
    Header,
    Panel,
    Section,
    factor_names,
    figure_html,
    folded_evidence,
    folded_figure,
    from_template,
    good_news,
    gravest,
    joined,
    more_to_know,
    prose,
    table_html,
    whole_page,
)
from doe.report.pictures import setting_text
from doe.report.response_section import (
    below_zero_words,
    expected_sentence,
    expected_table,
    response_section,
)
from doe.report.screening_section import screening_section
from doe.report.surface_section import (
    choices_table,
    front_picture,
    location_table,
    region_sentence,
    straying_sentence,
)
from doe.wording import best_called, capital, chance_words, listed

if TYPE_CHECKING:
    from doe.analysis.extraction import ExtractionCurves
    from doe.analysis.fit import Prediction
    from doe.analysis.landscape import Landscape
    from doe.analysis.location import Spread
    from doe.analysis.optimum import Analysis
    from doe.analysis.screened import ScreeningVerdict
    from doe.responses import Response

__all__ = ["FitEvidence", "LimitRoom", "fit_page"]

ROOMS_FIRST = 3
SENTENCES_MOST = 3
"""Responses up to which each gets a sentence on the first screen."""
SAME_SETTING = 1e-6  # coded units
HARDLY = 0.9
"""Share of a factor's range from which on the results are said to hardly fix its best value."""
NEVER = 0.001
"""What a chance is told as at least, and 1 less it at most: by models that chose the settings
themselves it is not 0 or 1."""
CHOSEN_WORDS = (
    "Settings that come out best do so partly by luck, so expect a little less good than the mean; "
    "the intervals allow for this choice, and take the models as given."
)


BY_EITHER = (
    "The settings recommended rest on averages over smooth surfaces; the fitted polynomials, whose "
    "formulas stand below, are a second opinion. Where the two part, the runs do not decide yet."
)
BY_POLYNOMIALS_ONLY = (
    "The page predicts by the fitted polynomials. What the settings recommended rest on may bend "
    f"otherwise; with more than {TRAVELS_MOST} runs it is too heavy to travel with the page."
)


@dataclass(frozen=True, slots=True)
class LimitRoom:
    """Room to one limit at the recommended settings; `shown` is `margin` rounded to the limit.

    `share` is the room as a share of the limit, or of the value where that must be more; `boiling`
    tells whether the limit keeps the water liquid.
    """

    title: str
    unit: str
    margin: float
    shown: str
    share: float
    boiling: bool = False


@dataclass(frozen=True, slots=True)
class FitEvidence:
    """What the fit page shows beside the models.

    Any two factors, room to the limits with the tightest first, what lies around the best, what
    screening says of each response, how each response's model was judged, the chance to meet all
    limits over two factors, at each choice that nothing beats, the extraction curves, what is set
    beside the factors with a remark, the chance at the recommended settings with the rig's swings
    counted, None where it has none, runs with what was noted of them, and what the runs show of
    the factors.
    """

    explorer: Explorer | None = None
    rooms: tuple[LimitRoom, ...] = ()
    landscape: Landscape | None = None
    screenings: tuple[ScreeningVerdict, ...] = ()
    judged: Mapping[str, Judged] = field(default_factory=dict)
    chance: ChanceView | None = None
    choice_chances: tuple[float, ...] = ()
    curves: ExtractionCurves | None = None
    also_set: tuple[tuple[str, str, str], ...] = ()
    swung_chance: float | None = None
    notes: tuple[tuple[int, str], ...] = ()
    shown: Shown = field(default_factory=Shown)


def fit_page(
    header: Header,
    analysis: Analysis,
    space: FactorSpace,
    surfaces: Sequence[SurfaceView] = (),
    curves: Sequence[EffectCurve] = (),
    live: bool = True,
    evidence: FitEvidence | None = None,
) -> str:
    """Return the recommended settings with their predictions, then the evidence.

    Parameters
    ----------
    live
        Let the page predict on its own over any two factors, where there is evidence for it.
    evidence
        Room to the rig's limits, and what the page needs to predict.
    """
    evidence = evidence or FitEvidence()
    explorer = evidence.explorer if live else None
    numbers = {fit.response.name: i for i, fit in enumerate(analysis.fits, start=1)}
    drawn = [
        (view.response.name, figure_html(surface_picture(space, view, f"surface-{i}")))
        for i, view in enumerate(surfaces, start=1)
    ]
    sections = []
    if explorer is not None:
        sections.append(_explorer_section(explorer, drawn[0][1] if drawn else Markup("")))
        drawn = drawn[1:]
    said = {n if isinstance(n, str) else n.what for n in (*header.notices, *analysis.notices)}
    sections += [
        response_section(
            numbers[fit.response.name],
            fit,
            analysis,
            space,
            [figure for name, figure in drawn if name == fit.response.name],
            [view for view in curves if view.response.name == fit.response.name],
            said,
            evidence.landscape,
            evidence.judged.get(fit.response.name),
        )
        for fit in analysis.fits
    ]
    if evidence.landscape is not None:
        sections.insert(
            1 if explorer is not None else 0,
            _sure_section(analysis, space, evidence.landscape, evidence),
        )
    trade = _trade_section(analysis, space, evidence, explorer is not None)
    if trade is not None:
        sections.insert(2 if explorer is not None else 1, trade)
    timed = curve_section(evidence.curves) if evidence.curves is not None else None
    if timed is not None:
        sections.append(timed)
    if evidence.screenings:
        sections.insert(0, screening_section(evidence.screenings))
    sections.insert(0, more_to_know([*header.notices, *analysis.notices]))
    sections.append(
        methods_section(header, analysis, space, evidence.notes, evidence.shown.coverage)
    )
    first = _fit_first_screen(header, analysis, space, evidence)
    return whole_page(header, first, sections, explorer)


def _fit_first_screen(
    header: Header,
    analysis: Analysis,
    space: FactorSpace,
    evidence: FitEvidence,
) -> Markup:
    optimum, around = analysis.optimum, evidence.landscape
    responses = {fit.response.name: fit.response for fit in analysis.fits}
    texts = setting_text(space, optimum.settings)
    remarks = [""] * len(space)
    if around is not None:
        remarks = _spread_remarks(space, around, optimum.settings, evidence.shown)
    varied = zip(factor_names(space), texts, remarks, strict=True)
    settings = (*varied, *evidence.also_set)
    all_told = "those that could be fitted" if analysis.unfitted else "all responses together"
    together = "" if len(responses) == 1 else f", for {all_told}"
    foretold = [
        (responses[name], prediction)
        for name, prediction in optimum.predictions.items()
        if name in responses
    ]
    how = best_called(evidence.shown.guess)
    panel = Panel(f"{how}{together}", settings, _what_remarks_say(around, evidence.shown))
    return joined(
        prose([header.lead], "lead"),
        prose([verdict.sentences[0] for verdict in evidence.screenings], "lead"),
        prose(evidence.shown.sentences, "lead"),
        from_template("best", panel),
        from_template("run_next", header.next_command, header.next_because),
        _expected(foretold),
        good_news([*header.notices, *analysis.notices]),
        prose(
            [
                of_logarithms(analysis),
                _aims_sentence(analysis, evidence),
                _leeway_sentence(analysis, space, around),
                _rooms_sentence(evidence.rooms),
            ]
        ),
        prose([_second_opinion(analysis, space, around is not None)]),
        gravest(header, [*header.notices, *analysis.notices]),
    )


def _expected(foretold: Sequence[tuple[Response, Prediction]]) -> Markup:
    """Return what to expect: a sentence each, and of many responses one table."""
    if len(foretold) <= SENTENCES_MOST:
        return prose([expected_sentence(*one) for one in foretold], "lead")
    return joined(
        table_html(expected_table(foretold)),
        prose([below_zero_words(*one) for one in foretold]),
    )


def _second_opinion(analysis: Analysis, space: FactorSpace, told_below: bool) -> str:
    """Return whether two kinds of model agree on the settings; more of it stands below."""
    if not analysis.evidence or analysis.by_polynomials is None:
        return CHOSEN_WORDS
    if not told_below:
        return analysis.evidence
    return f"{kept_words(analysis.decision)} {_agreement(analysis, space)}".strip()


def _agreement(analysis: Analysis, space: FactorSpace) -> str:
    assert analysis.by_polynomials is not None
    fitted = analysis.by_polynomials.settings
    apart = np.abs(space.code(fitted) - space.code(analysis.optimum.settings)).max()
    if apart < SAME_SETTING and not polynomials_worse_than_mean(analysis):
        return "Averages over smooth surfaces and fitted polynomials agree on these settings."
    if polynomials_worse_than_mean(analysis):
        return (
            "These settings rest on averages over smooth surfaces that the runs allow. The fitted "
            "polynomials, with every term that the runs carry, foretell runs left out worse than "
            "their mean does, so what they alone would set is not told."
        )
    return (
        "These settings rest on averages over smooth surfaces that the runs allow; fitted "
        f"polynomials alone would set {', '.join(setting_text(space, fitted))}. “How sure” below "
        "compares the two."
    )


def _what_remarks_say(around: Landscape | None, shown: Shown) -> str:
    if around is None:
        return ""
    any_words = ANY_WORDS if any(shown.free) else ""
    if shown.free and all(shown.free):
        return any_words
    level = percent(around.location.level)
    return (
        f"Grey says where else the best may be, as far as the runs tell ({level} interval): not a "
        f"tolerance, nor room to move in. {any_words}"
    ).strip()


def _spread_remarks(
    space: FactorSpace, around: Landscape, at: FloatArray, shown: Shown
) -> list[str]:
    """Return for each factor how firmly the results fix its best value, beside that set (k,)."""
    remarks = []
    free = shown.free or (None,) * len(space)
    for factor, spread, value, told in zip(space, around.location.spreads, at, free, strict=True):
        if told is not None:
            ends = with_unit(f"{plain(told[0])} to {plain(told[1])}", factor.unit)
            remarks.append(f"any from {ends}: not shown to matter")
            continue
        if isinstance(factor, CategoricalFactor):
            remarks.append(_levels_remark(factor, spread, round(float(value))))
            continue
        assert spread.low is not None
        assert spread.high is not None
        low, high = factor.settable_around(spread.low, spread.high)
        ends = with_unit(f"{plain(low, 6)} to {plain(high, 6)}", factor.unit)
        wide = spread.high - spread.low >= HARDLY * (factor.high - factor.low)
        hardly = ": the results hardly fix it" if wide else ""
        best = f"the best may be anywhere from {ends}{hardly}"
        remarks.append(best if spread.low < spread.high else "nowhere else")
    return remarks


def _levels_remark(factor: CategoricalFactor, spread: Spread, chosen: int) -> str:
    """Return with what chance each level is the best, that set first; none is told as certain."""
    others = [i for i in np.argsort(-np.array(spread.levels), kind="stable") if i != chosen]
    chances = np.clip(spread.levels, NEVER, 1 - NEVER)
    first, *rest = (percent(float(chances[i])) for i in (chosen, *others))
    named = [f"{factor.levels[i]} {share}" for i, share in zip(others, rest, strict=True)]
    told = f"the best with {first} chance; {', '.join(named)}" if named else ""
    if max(spread.levels) > spread.levels[chosen]:
        told += ". Set for what is expected on average: which level is best is open"
    return told


def _leeway_sentence(analysis: Analysis, space: FactorSpace, around: Landscape | None) -> str:
    """Return how far each setting may stray alone; empty where that is not worked out."""
    if around is None or not around.leeway:
        return ""
    named = [
        f"{name} {with_unit(f'{plain(ends[0])} to {plain(ends[1])}', factor.unit)}"
        for name, factor, ends in zip(factor_names(space), space, around.leeway, strict=True)
        if ends is not None
    ]
    kept = []
    if analysis.optimum.all_aims_probability is not None:
        points = f"{100 * CHANCE_LOST:.0f}\N{NO-BREAK SPACE}points"
        kept.append(f"the chance to meet every limit falls by at most {points}")
    if any(fit.response.aim in ("maximise", "minimise") for fit in analysis.fits):
        kept.append("no expected value gets worse by more than its standard error")
    if not kept:
        return ""
    return (
        f"How closely to keep them: while only one strays, within {listed(named)}, {listed(kept)}."
    )


def _rooms_sentence(rooms: Sequence[LimitRoom]) -> str:
    """Return whether the settings keep the rig's limits, and by how much at the tightest."""
    if not rooms:
        return ""
    broken = [room for room in rooms if room.margin < 0]
    if broken:
        named = listed([f"“{room.title}”" for room in broken])
        return f"The rig cannot run these settings: they break {named}."
    named = listed(
        [
            f"{with_unit(r.shown, _unit_of_room(r.unit))} of room to “{r.title}” "
            f"({percent(r.share)} of it)"
            for r in _rooms_first(rooms)
        ]
    )
    tightest = "tightest limits there" + (
        ", boiling among them" if any(r.boiling for r in rooms) else ""
    )
    return f"The rig can run these settings. The {tightest}: {named}."


def _rooms_first(rooms: Sequence[LimitRoom]) -> Sequence[LimitRoom]:
    """Return the tightest few, the tightest to boiling always among them."""
    boiling = next((room for room in rooms if room.boiling), None)
    if boiling is None or boiling in rooms[:ROOMS_FIRST]:
        return rooms[:ROOMS_FIRST]
    return [*rooms[: ROOMS_FIRST - 1], boiling]


def _unit_of_room(unit: str) -> str:
    """Return the unit of a difference: neither degrees Celsius nor gauge or absolute."""
    return {"°C": "K", "bar gauge": "bar", "bar absolute": "bar"}.get(unit, unit)


def _aims_sentence(analysis: Analysis, evidence: FitEvidence) -> str:
    chance = analysis.optimum.all_aims_probability
    if chance is None:
        unknown = [r.words for r in analysis.unfitted if r.interval_wanted() is not None]
        if unknown:
            named = listed(unknown)
            return f"No model tells of {named}: no setting can be said to keep its limit."
        return "No response has a limit or a tolerance to keep."
    if chance < 0.01:
        return "One new run may well miss a limit or a tolerance: the chance to meet all is small."
    swung = ""
    if evidence.swung_chance is not None:
        swung = f" (with the rig’s swings counted, {chance_words(evidence.swung_chance)})"
    return (
        "A new run there meets every limit and tolerance with a chance of about "
        f"{chance_words(chance)}{swung}. The same models chose the settings, so expect no more."
    )


def _explorer_section(explorer: Explorer, still: Markup) -> Section:
    space = explorer.space
    view = {
        "still": still,
        "responses": [fit.response.words for fit in explorer.fits],
        "chance": explorer.aims is not None,
        "numeric": [(i, factor_names(space)[i]) for i in space.numeric],
        "factors": [_slider(factor) for factor in space],
        "assumes": _assumed_of_verdicts(explorer.verdicts),
        "freer": bool(explorer.surrogates),
        "by": BY_EITHER if explorer.surrogates else BY_POLYNOMIALS_ONLY,
    }
    return Section(
        "any-two", "Look at any two factors", from_template("explorer", view), "Any two factors"
    )


def _assumed_of_verdicts(verdicts: Verdicts) -> str:
    """Return how the page knows what the rig can run, and how well that came out where tried."""
    asked = (
        f"The rig was asked at {len(verdicts.fails)} settings spread over all factors; a setting "
        "between them counts as possible only if all those around it are."
    )
    if not verdicts.tried:
        return asked
    if not verdicts.wrong:
        return (
            f"{asked} Tried at {verdicts.tried} further settings that so count as possible, the "
            "rig can run each of them."
        )
    return (
        f"{asked} Tried at {verdicts.tried} further settings that so count as possible, the rig "
        f"refuses {verdicts.wrong}: between settings the map is only a rough guide here."
    )


def _slider(factor: Factor) -> dict[str, object]:
    words = factor.name.replace("_", " ")
    if isinstance(factor, CategoricalFactor):
        return {"words": words, "levels": factor.levels}
    ends = factor.settable_values(2)
    step = 10.0**-factor.decimals if factor.step is None else factor.step
    return {
        "words": words,
        "levels": (),
        "first": f"{ends[0]:.12g}",
        "last": f"{ends[-1]:.12g}",
        "step": f"{step:.12g}",
    }


def _sure_section(
    analysis: Analysis, space: FactorSpace, around: Landscape, evidence: FitEvidence
) -> Section:
    """Return where else the best may lie, where limits are likely kept, and what costs what."""
    chance, kept = evidence.chance, analysis.optimum.all_aims_probability
    chances = around.straying.chance, around.straying.chance_with_swings
    if evidence.swung_chance is not None:
        chances = kept, evidence.swung_chance
    intro = (
        "Were the campaign run again, chance would put the best settings elsewhere. The table says "
        "how far; a range as wide as the factor’s own says that the results hardly fix it."
    )
    return Section(
        "sure",
        "How sure the best settings are",
        joined(
            prose([analysis.evidence, evidence.shown.coverage]),
            prose([intro]),
            table_html(location_table(space, around.location)),
            prose([region_sentence(around.region, kept)]) if around.region is not None else "",
            prose([straying_sentence(space, analysis.fits, around.straying, chances)]),
            folded_figure(chance_picture(space, chance), "Where limits are likely kept: ")
            if chance is not None
            else "",
            folded_evidence(
                "Where the best may lie by the fitted polynomials",
                table_html(location_table(space, around.by_polynomials)),
            )
            if analysis.evidence
            else "",
        ),
        "How sure",
    )


def _trade_section(
    analysis: Analysis, space: FactorSpace, evidence: FitEvidence, live: bool
) -> Section | None:
    """Return what can be had of one response at the cost of another; None with nothing to weigh."""
    choices = evidence.landscape.choices if evidence.landscape is not None else ()
    if len(choices) < 2:
        return None
    table = choices_table(space, analysis.fits, choices, evidence.choice_chances)
    picture = front_picture(
        analysis.fits, choices, analysis.optimum.predictions, evidence.choice_chances
    )
    freer = analysis.decision is not None
    by = "by the same averages over smooth surfaces" if freer else "by the fitted polynomials"
    words = (
        f"Of these settings none is better than another in every response, {by}"
        f"{' that the recommended settings rest on' if freer else ''}: going from one to the next "
        "gains in one and loses in another. Which of them is worth most is for you to say."
    )
    names = [str(i + 1) for i in range(len(choices))]
    return Section(
        "trade",
        "What can be had for what",
        joined(
            prose([words]),
            figure_html(picture),
            from_template("picker", names, f"{capital(by)}, as in the picture.") if live else "",
            folded_evidence("The settings of every choice", table_html(table)),
        ),
        "What for what",
    )
