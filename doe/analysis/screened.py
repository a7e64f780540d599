"""What a screening stage says of one response, in words: which factors matter, how sure that is.

Two-level runs are read by their effects, definitive screening by its two steps; both at the
planned levels. Where achieved settings strayed far, or the runs do not allow it, that is said.

Shapes: n runs, k factors.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace

import numpy as np

from doe.analysis.fit import FittedModel, fit_response
from doe.analysis.observations import Observations
from doe.analysis.screening_effects import (
    FEWEST_CONTRASTS,
    Curvature,
    Effect,
    Repeats,
    Screening,
    Stratum,
    TwoStep,
    any_beyond_margin,
    any_called_clear,
    definitive_two_step,
    screen,
)
from doe.analysis.transformation import NONE, Transformation
from doe.errors import FitError, Notice
from doe.factors import FactorSpace
from doe.responses import Response
from doe.terms import Term
from doe.wording import capital, counted, either, listed, runs_in_words

__all__ = ["DEFINITIVE", "TWO_LEVEL", "ScreeningVerdict", "screening_verdict"]

TWO_LEVEL = ("factorial", "plackett-burman", "split-plot")
"""Families of design whose runs may all stand at two levels; the runs themselves decide."""
DEFINITIVE = "definitive-screening"
REPEATS_LEAST = 2
CONTRASTS_MANY = 12
"""Repeats with two degrees of freedom judge where contrasts are fewer than this: our rule. Of few
contrasts half may act, and then Lenth's margin is no longer one of chance."""
STRAYED = 0.2
"""Coded distance from the planned level, a tenth of the range, from which a run is named."""
BENT = CLEAR = 0.05
NAMED_MOST = 4
"""Names of what cannot be told apart that a sentence carries."""


@dataclass(frozen=True, slots=True, eq=False)
class ScreeningVerdict:
    """What the runs of a screening stage say of one response.

    Attributes
    ----------
    effects, steps
        The effects of two-level runs; the two steps of definitive screening; None for the other,
        and both where the runs allow neither.
    refit
        The model of the two steps fitted at the achieved settings; None where it cannot be.
    left_out_error
        Root mean square error of runs predicted by both steps and the model of a fit without
        them; None where some run cannot be spared.
    repeats
        The scatter of repeats, where it judges the effects in place of Lenth's margins.
    matter
        Factors that the runs say matter.
    sentences
        The finding first, then what it rests on and what it cannot tell.
    scale
        Of the values that effects are differences of.
    """

    response: Response
    stage: int
    effects: Screening | None
    steps: TwoStep | None
    refit: FittedModel | None
    repeats: Repeats | None
    matter: tuple[str, ...]
    sentences: tuple[str, ...]
    scale: Transformation
    notices: tuple[Notice, ...] = ()
    left_out_error: float | None = None

    def false_alarm(self, stratum: Stratum) -> float | None:
        """Return the chance that some contrast of a stratum is called clear if nothing acts."""
        if self.repeats is not None:
            return any_called_clear(len(stratum.effects), self.repeats.df)
        return None if stratum.lenth is None else any_beyond_margin(len(stratum.effects))

    def clear(self, effect: Effect) -> bool | None:
        """Return whether an effect is more than chance explains; None where none can say."""
        if self.repeats is not None:
            return abs(effect.effect) > self.repeats.margin
        return effect.clear


def screening_verdict(
    response: Response,
    observations: Observations,
    family: str,
    stage: int,
    transformation: Transformation = NONE,
    fitted: FittedModel | None = None,
) -> ScreeningVerdict:
    """Return what the runs of one stage say of a response, refusals included in words.

    Parameters
    ----------
    fitted
        The response's model, whose tests speak where contrasts are too few to judge.
    """
    data = observations.usable()
    data = data.only([i for i, of in enumerate(data.stages) if of == stage])
    try:
        _refuse_limits(response, data)
        _refuse_blocks(response, data)
        values = _scaled(response, data, transformation)
        if family == DEFINITIVE:
            return _of_definitive(response, data, values, stage, transformation)
        return _of_two_level(response, values, stage, transformation, fitted)
    except FitError as error:
        told = tuple(f"{capital(p.what)} {p.remedy}".strip() for p in error.problems)
        return ScreeningVerdict(response, stage, None, None, None, None, (), told, transformation)


def _refuse_limits(response: Response, data: Observations) -> None:
    hidden = [run for run, side in zip(data.runs, data.censored, strict=False) if side]
    if hidden:
        raise FitError.of(
            "limits-in-screening",
            f"{response.words}: of {len(hidden)} runs only a limit is known, and an effect is a "
            "difference of measured means.",
            "The fitted model, by maximum likelihood, judges the factors here.",
            key=response.name,
        )


def _refuse_blocks(response: Response, data: Observations) -> None:
    """Contrasts of raw values hold the shifts of blocks and lots, and so do their repeats."""
    names = [name for name, levels in data.blocks if len(set(levels) - {None}) > 1]
    if names:
        raise FitError.of(
            "blocks-in-screening",
            f"{response.words}: runs differ in {' and '.join(names)}, and contrasts of them would "
            "hold those shifts.",
            "The fitted model takes the shifts out and judges the factors here.",
            key=response.name,
        )


def _scaled(response: Response, data: Observations, scale: Transformation) -> Observations:
    if scale.exponent != 1 and (data.values <= 0).any():
        raise FitError.of(
            "not-above-zero",
            f"{response.words}: a value is not above zero, and has no logarithm.",
            'Leave out scale = "log", or hand the limit of detection in, as <0.05.',
            key=response.name,
        )
    return replace(data, values=scale.forward(data.values))


# ---------------------------------------------------------------------------- two levels


def _of_two_level(
    response: Response,
    data: Observations,
    stage: int,
    scale: Transformation,
    fitted: FittedModel | None,
) -> ScreeningVerdict:
    found = screen(response, data)
    space, unit, repeats = data.space, _unit(response, scale), _witness(found)
    verdict = ScreeningVerdict(response, stage, found, None, None, repeats, (), (), scale)
    every = [effect for stratum in found.strata for effect in stratum.effects]
    clear = [effect for effect in every if verdict.clear(effect)]
    tests = _tests_of([e for e in every if verdict.clear(e) is None], fitted)
    acting = _factors_of(clear) | {_only(term) for term, (p, _) in tests.items() if p < CLEAR}
    judged = {_only(e.term) for e in every if e.term.order == 1 and verdict.clear(e) is not None}
    judged |= {_only(term) for term in tests}
    matter = tuple(space.names[i] for i in sorted(acting))
    sentences = [_finding(response, space, matter, judged, every)]
    if repeats is not None:
        sentences.append(_of_repeats(repeats, clear, unit))
    else:
        sentences += [_of_stratum(s, unit, len(found.strata)) for s in found.strata]
    sentences += [_of_test(space, term, p, df) for term, (p, df) in tests.items()]
    sentences += _false_alarms([(len(s.effects), verdict.false_alarm(s)) for s in found.strata])
    lenth = next((s for s in found.strata if s.lenth is not None), None)
    if lenth is not None:
        sentences.append(LENTH_TRUSTS if repeats is None else _repeats_decide(lenth, unit))
    sentences += _mixed_up(clear, space)
    if found.curvature is not None:
        sentences.append(_bend(found.curvature, unit))
    notices = (*found.notices, *_strayed(response, data))
    return replace(verdict, matter=matter, sentences=tuple(sentences), notices=notices)


LENTH_TRUSTS = (
    "Lenth’s margins take it that most contrasts do nothing; where many act, the margins are too "
    "wide and real effects are missed."
)


def _repeats_decide(stratum: Stratum, unit: str) -> str:
    """Return why repeats judge, and what Lenth's margin alone would have said."""
    assert stratum.lenth is not None
    clear = [effect for effect in stratum.effects if effect.clear]
    size = f"{stratum.lenth.margin:.3g} {unit}".rstrip()
    return (
        f"The repeats decide here. By Lenth’s margin alone ({size}) {len(clear) or 'none'} of "
        f"{len(stratum.effects)} contrasts would be clear; it takes it that most of them do "
        "nothing, which with so few is bold."
    )


def _false_alarms(strata: Sequence[tuple[int, float | None]]) -> list[str]:
    """Return how often an experiment of so many contrasts raises a false alarm."""
    return [
        f"Were nothing to act, some of {count} contrasts would still lie beyond the margin of "
        f"one effect in about {100 * share:.0f} of 100 such experiments: what stands alone and "
        "hardly beyond it may be chance."
        for count, share in strata
        if share is not None
    ]


def _only(term: Term) -> int:
    """Return the factor of a main effect."""
    return term.powers.index(1)


def _tests_of(
    unjudged: Sequence[Effect], fitted: FittedModel | None
) -> dict[Term, tuple[float, float]]:
    """Return p and degrees of freedom of the main effects that only the fitted model can judge."""
    if fitted is None:
        return {}
    wanted = {effect.term for effect in unjudged if effect.term.order == 1}
    return {
        e.term: (e.p_value, e.df)
        for e in fitted.estimates
        if e.term in wanted and e.p_value is not None
    }


def _of_test(space: FactorSpace, term: Term, p: float, df: float) -> str:
    return (
        f"{capital(_plain(space.names[_only(term)]))} is judged by the fitted model instead: "
        f"{_p(p)}, {counted(round(df, 1), 'degree')} of freedom."
    )


def _witness(found: Screening) -> Repeats | None:
    """Return the scatter of repeats where it judges better than Lenth's margins; else None.

    The choice is made by counts alone, never by values, so that each effect is looked at once.
    """
    if found.repeats is None or found.repeats.df < REPEATS_LEAST:
        return None
    contrasts = min(len(s.effects) for s in found.strata)
    few, better = contrasts < CONTRASTS_MANY, found.repeats.df >= contrasts / 3
    return found.repeats if few or better else None


def _factors_of(clear: Sequence[Effect]) -> set[int]:
    """Return the factors of clear main effects, and those of pairs with one of them.

    A pair without such a factor, and three or more that act together, name their factors only
    beyond what the largest of all contrasts reaches by chance: there are many of them, and they
    seldom act. One that cannot be told from another names none.
    """
    main = {_only(e.term) for e in clear if e.term.order == 1}
    acting = set(main)
    for effect in clear:
        own = {i for i, power in enumerate(effect.term.powers) if power}
        likely = effect.term.order == 2 and own & main
        if (likely or effect.surely) and not effect.aliases:
            acting |= own
    return acting


def _finding(
    response: Response,
    space: FactorSpace,
    matter: Sequence[str],
    judged: AbstractSet[int],
    every: Sequence[Effect],
) -> str:
    """Return which factors matter, which do not show, and of which nothing can be said."""
    quiet = [name for i, name in enumerate(space.names) if i in judged and name not in matter]
    untold = [name for i, name in enumerate(space.names) if i not in judged and name not in matter]
    words = capital(response.words)
    if not judged and not matter:
        largest = max(every, key=lambda e: abs(e.effect))
        return (
            f"{words}: too few contrasts to tell which factors matter; the largest is that of "
            f"{_plain(largest.label)}."
        )
    parts = [
        f"{listed(matter)} {'matters' if len(matter) == 1 else 'matter'}"
        if matter
        else "no factor shows an effect beyond chance"
    ]
    if quiet and matter:
        parts.append(f"{listed(quiet)} {'does' if len(quiet) == 1 else 'do'} not show")
    if untold:
        parts.append(f"of {listed(untold)} these runs cannot tell")
    return f"{words}: {'; '.join(_plain(part) for part in parts)}."


def _of_repeats(repeats: Repeats, clear: Sequence[Effect], unit: str) -> str:
    """Return which effects the scatter of repeats does not explain."""
    margin, sd = (f"{value:.3g} {unit}".rstrip() for value in (repeats.margin, repeats.sd))
    how = f"{counted(repeats.df, 'degree')} of freedom, scatter {sd}"
    if not clear:
        return (
            f"Repeats ({how}) explain every contrast: none is larger than {margin} (95 %, each "
            "alone)."
        )
    named = listed([_sized(e, unit) for e in clear])
    verb = "is" if len(clear) == 1 else "are"
    return (
        f"{capital(named)} {verb} more than the scatter of repeats explains: larger "
        f"than {margin} (95 %, each alone; {how})."
    )


def _of_stratum(stratum: Stratum, unit: str, strata: int) -> str:
    """Return what the effects of one error say: which are clear, and what would be missed."""
    where = {
        "between plots": "Between plots",
        "between runs": "Between runs of a plot" if strata > 1 else "Of all contrasts",
        "both": "Partly between plots, partly within them",
    }[stratum.name]
    if stratum.lenth is None:
        first = stratum.effects[0]
        return (
            f"{where}: {counted(len(stratum.effects), 'contrast')}, the largest "
            f"{_sized(first, unit)}. {stratum.why_not}"
        )
    margin, most = stratum.lenth.margin, stratum.lenth.simultaneous
    sure = [e for e in stratum.effects if e.surely]
    likely = [e for e in stratum.effects if e.clear and not e.surely]
    size = f"{margin:.3g} {unit}".rstrip()
    parts = []
    if sure:
        named = listed([_sized(e, unit) for e in sure])
        parts.append(
            f"{named} {'lies' if len(sure) == 1 else 'lie'} beyond what the largest of "
            f"{len(stratum.effects)} chance effects reaches ({most:.3g} {unit}".rstrip()
            + ")"
        )
    if likely:
        named = listed([_sized(e, unit) for e in likely])
        parts.append(
            f"{named} {'lies' if len(likely) == 1 else 'lie'} beyond the margin of one effect "
            f"({size}), not of the largest of {len(stratum.effects)}: likely, not sure"
        )
    if not parts:
        return (
            f"{where}, none of {len(stratum.effects)} lies beyond chance (Lenth’s margin {size}, "
            "95 %); a real effect of that size would be seen about half the time."
        )
    return (
        f"{where}: {'; '.join(parts)} (Lenth, 95 %). A real effect of {size} would be seen about "
        "half the time, a smaller one less often."
    )


def _sized(effect: Effect, unit: str) -> str:
    return f"{_plain(effect.label)} ({_signed(effect.effect)} {unit}".rstrip() + ")"


def _mixed_up(clear: Sequence[Effect], space: FactorSpace) -> list[str]:
    """Return what the clear effects cannot be told apart from, up to two factors together."""
    named = []
    for effect in clear:
        pairs = [alias for alias in effect.aliases if alias.count("×") < 2]
        if pairs:
            more = f" or {len(pairs) - 2} more" if len(pairs) > 2 else ""
            named.append(f"{_plain(effect.label)} from {_plain(either(pairs[:2]))}{more}")
    if not named:
        return []
    further = len(named) - NAMED_MOST
    tail = f"; and so for {further} more" if further > 0 else ""
    told = [
        f"These runs cannot tell {'; '.join(named[:NAMED_MOST])}{tail}. Runs of the mirrored "
        "fraction would tell."
    ]
    main = {_only(e.term) for e in clear if e.term.order == 1}
    doubtful = [
        f"{_plain(effect.label)} may be {_plain(pair)}"
        for effect in clear
        if effect.term.order == 1
        for pair in _pairs_of(main - {_only(effect.term)}, space)
        if pair in {alias.lstrip("−") for alias in effect.aliases}
    ]
    if doubtful:
        told.append(
            f"Of factors that act together an interaction is likely, so {either(doubtful)}: not "
            "all of them need matter on their own."
        )
    return told


def _pairs_of(factors: AbstractSet[int], space: FactorSpace) -> list[str]:
    """Return the interactions of two of some factors, as labels."""
    return [
        Term(tuple(int(i in pair) for i in range(len(space)))).label(space.names)
        for pair in itertools.combinations(sorted(factors), 2)
    ]


def _bend(curvature: Curvature, unit: str) -> str:
    size = f"{abs(curvature.difference):.3g} {unit}".rstrip()
    side = "above" if curvature.difference > 0 else "below"
    start = f"The corner runs lie on average {size} {side} the centre"
    if curvature.p_value is None or curvature.df is None:
        return f"{start}; without repeats nothing tells whether that is a bend."
    p, df = _p(curvature.p_value), f"{curvature.df:.3g} degrees of freedom"
    if curvature.p_value < BENT:
        return (
            f"{start} ({p}, {df}): some factor bends, and two levels cannot say which. Ask for a "
            "surface over the factors that matter."
        )
    return f"{start}: no bend that the scatter of repeats would not explain ({p}, {df})."


# ---------------------------------------------------------------------------- two steps


def _of_definitive(
    response: Response,
    data: Observations,
    values: Observations,
    stage: int,
    scale: Transformation,
) -> ScreeningVerdict:
    found = definitive_two_step(response, values)
    refit = None
    if len(found.model.terms) > 1:
        try:
            refit = fit_response(response, found.model, data, transformation=scale)
        except FitError:
            refit = None
    judged = found.error_sd is not None or len(found.main) >= FEWEST_CONTRASTS
    kept = tuple(one.label for one in found.main if one.kept and judged)
    unit = _unit(response, scale)
    sentences = [_finding_of_steps(response, found, kept, judged), *_step_sentences(found, unit)]
    return ScreeningVerdict(
        response,
        stage,
        None,
        found,
        refit,
        None,
        kept,
        tuple(sentences),
        scale,
        _strayed(response, data),
        _left_out_error(response, values),
    )


def _left_out_error(response: Response, values: Observations) -> float | None:
    """Return how far runs are missed by the two steps and a fit without them."""
    total, n = 0.0, len(values.runs)
    for out in range(n):
        rest = values.only([i for i in range(n) if i != out])
        try:
            model = definitive_two_step(response, rest).model
        except FitError:
            return None
        X = model.matrix(rest.coded())
        if np.linalg.matrix_rank(X) < X.shape[1]:
            return None
        b = np.linalg.lstsq(X, rest.values, rcond=None)[0]
        total += float((values.values[out] - model.matrix(values.coded()[[out]])[0] @ b) ** 2)
    return float(np.sqrt(total / n))


def _finding_of_steps(response: Response, found: TwoStep, kept: Sequence[str], judged: bool) -> str:
    words = capital(response.words)
    if not judged:
        largest = max(found.main, key=lambda one: abs(one.coefficient))
        return (
            f"{words}: nothing is left to judge the factors by; the largest main effect is that "
            f"of {_plain(largest.label)}."
        )
    kept = [_plain(label) for label in kept]
    quiet = [_plain(one.label) for one in found.main if not one.kept]
    if not kept:
        return f"{words}: no factor shows a main effect beyond chance."
    parts = [f"{listed(kept)} {'matters' if len(kept) == 1 else 'matter'}"]
    if found.second_order:
        parts.append(f"among them {_plain(listed(found.second_order))}")
    if quiet:
        parts.append(f"{listed(quiet)} {'does' if len(quiet) == 1 else 'do'} not show")
    return f"{words}: {'; '.join(parts)}."


def _step_sentences(found: TwoStep, unit: str) -> list[str]:
    spared = []
    if found.alone:
        one = len(found.alone) == 1
        spared = [
            f"{runs_in_words(found.alone)} {'has' if one else 'have'} no measured mirrored run, "
            f"and {'is' if one else 'are'} used by neither step; the fitted models use "
            f"{'it' if one else 'them'}."
        ]
    if found.error_sd is None:
        return [f"{found.why}", *spared]
    sd = f"{found.error_sd:.3g} {unit}".rstrip()
    alarm = any_called_clear(len(found.main), found.df_error)
    told = [
        *spared,
        "First step: the difference of mirrored runs holds main effects alone, clear of every bend "
        f"and interaction; they are judged by a scatter of {sd}, from "
        f"{counted(found.df_error, 'degree')} of freedom, at 5 % each. Were nothing to act, some "
        f"of the {len(found.main)} would still be kept in about {100 * alarm:.0f} of 100 such "
        "experiments.",
    ]
    if any(one.kept for one in found.main):
        chosen = _plain(listed(found.second_order)) or "nothing"
        told.append(
            f"Second step: of the bends and interactions of the factors kept, {chosen} "
            f"{'is' if len(found.second_order) <= 1 else 'are'} called for by the sums of mirrored "
            "runs. A factor without a main effect is not asked for its bend, and where more than "
            "about half as many second-order terms act as there are factors, some are missed or "
            "taken for others."
        )
    told.append(
        "The terms were chosen by the same runs that estimate them, so the intervals of their "
        "model are too short: take it as what to look at next, not as the last word. It stands "
        "among the models compared, and is recommended where the runs speak for it."
    )
    return told


# ---------------------------------------------------------------------------- words


def _strayed(response: Response, data: Observations) -> tuple[Notice, ...]:
    """Return a notice of runs made far from the levels that effects are read from."""
    numeric = list(data.space.numeric)
    off = np.abs(data.coded() - data.coded_as_planned())[:, numeric].max(axis=1, initial=0.0)
    moved = [str(data.runs[i]) for i in np.flatnonzero(off > STRAYED)]
    other = (data.coded() != data.coded_as_planned())[:, list(data.space.categorical)].any(axis=1)
    moved += [str(data.runs[i]) for i in np.flatnonzero(other) if str(data.runs[i]) not in moved]
    if not moved:
        return ()
    return (
        Notice(
            "strayed-from-levels",
            f"{response.words}: effects are read at the planned levels, yet run "
            f"{listed(moved)} ended more than a tenth of a range from them. The model, fitted at "
            "achieved settings, is the better witness.",
        ),
    )


def _unit(response: Response, scale: Transformation) -> str:
    if scale.exponent == 1:
        return response.unit
    return "on the log scale" if scale.exponent == 0 else "on the transformed scale"


def _signed(value: float) -> str:
    return f"{value:+.3g}".replace("-", "−")


def _p(value: float) -> str:
    return "p < 0.001" if value < 0.001 else f"p = {value:.2g}"


def _plain(words: str) -> str:
    return words.replace("_", " ")
