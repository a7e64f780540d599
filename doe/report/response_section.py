"""The evidence on one response of a fit: pictures, the model, tests, runs left out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from markupsafe import Markup

from doe.analysis.recommendation import NOTHING_TO_COMPARE
from doe.analysis.trust import r2_predicted_told, trust_words, why_r2_is_not_told
from doe.digits import (
    amount_between,
    bearing,
    between,
    p_text,
    percent,
    plain,
    r2_text,
    shown,
    with_minus,
    with_unit,
)
from doe.factors import CategoricalFactor, FactorSpace
from doe.report.fit_pictures import (
    EffectCurve,
    effect_panels,
    effects_picture,
    fitted_unit,
    half_normal_picture,
    left_out_picture,
    normal_picture,
    observed_fitted_picture,
    residual_panels,
    residuals_picture,
)
from doe.report.judgement_section import (
    Judged,
    candidates_table,
    drift_sentences,
    pull_sentence,
    runs_table,
    terms_table,
)
from doe.report.page import (
    Section,
    factor_names,
    figure_html,
    folded,
    folded_evidence,
    folded_figure,
    joined,
    minds,
    panels_html,
    plain_figures,
    prose,
    small_heading,
    table_html,
    with_measure,
)
from doe.report.pictures import Picture, Table, setting_text
from doe.report.surface_section import (
    ascent_table,
    curvature_table,
    ridge_picture,
    stationary_sentence,
)
from doe.wording import capital, listed

if TYPE_CHECKING:
    from doe.analysis.fit import FittedModel, Prediction
    from doe.analysis.landscape import Landscape, Shape
    from doe.analysis.optimum import Analysis, Best
    from doe.analysis.scrutiny import By
    from doe.errors import Notice
    from doe.responses import Response

__all__ = ["below_zero_words", "expected_sentence", "expected_table", "response_section"]

F_MOST = 10_000


def expected_sentence(response: Response, prediction: Prediction) -> str:
    mean, error = float(prediction.mean[0]), float(prediction.standard_error[0])
    unit = response.unit
    ends = _interval_of(response)
    average = with_unit(
        ends(float(prediction.mean_low[0]), float(prediction.mean_high[0]), error), unit
    )
    single = with_unit(_run_ends(response, prediction).replace(" to ", " and "), unit)
    level = percent(prediction.level)
    wanted = _wanted(response)
    how = "on average (" if prediction.expected is None else "typically (median; "
    told = (
        f"Expect {response.words} of {with_unit(_at_least_none(response, mean, error), unit)} {how}"
        f"{level} interval {average}), and any one run between {single} ({level} interval)"
        f"{f'; {wanted} is wanted' if wanted else ''}."
    )
    return f"{told} {below_zero_words(response, prediction)}".rstrip()


def below_zero_words(response: Response, prediction: Prediction) -> str:
    """Return what it means that a model goes below zero for an amount; empty where it does not."""
    mean, low, run = (
        float(part[0]) for part in (prediction.mean, prediction.mean_low, prediction.run_low)
    )
    if not response.never_negative or min(mean, low, run) >= 0:
        return ""
    error, words = float(prediction.standard_error[0]), response.words
    if mean < 0:
        return (
            f"The model’s own mean of {words} is {with_unit(bearing(mean, error), response.unit)}, "
            "which no amount can be: take it as next to none, how much is not known."
        )
    if low < 0:
        return (
            f"The model’s own interval of {words} begins below zero, at "
            f"{with_unit(bearing(low, error), response.unit)}, which no amount can be: the runs do "
            "not tell it from none at all."
        )
    return (
        f"By the model one run may fall to {with_unit(bearing(run, error), response.unit)} of "
        f"{words}, which no amount can be: a run with none at all is possible."
    )


def _interval_of(response: Response) -> Callable[..., str]:
    return amount_between if response.never_negative else between


def _run_ends(response: Response, prediction: Prediction) -> str:
    """Return the interval of one run; on a log scale each end by its distance from the middle.

    The upper half is the wider there: its digits would make a small lower end nought.
    """
    low, high = float(prediction.run_low[0]), float(prediction.run_high[0])
    if prediction.expected is None:
        return _interval_of(response)(low, high)
    middle = float(prediction.mean[0])
    return f"{bearing(low, middle - low)} to {bearing(high, high - middle)}"


def _at_least_none(response: Response, mean: float, error: float) -> str:
    return "0" if response.never_negative and mean < 0 else bearing(mean, error)


def expected_table(foretold: Sequence[tuple[Response, Prediction]]) -> Table:
    """Return what `expected_sentence` says, a row a response."""
    rows = []
    for response, prediction in foretold:
        error, unit = float(prediction.standard_error[0]), response.unit
        ends = [float(end[0]) for end in (prediction.mean_low, prediction.mean_high)]
        rows.append(
            (
                response.words,
                with_unit(_at_least_none(response, float(prediction.mean[0]), error), unit)
                + ("" if prediction.expected is None else " (median)"),
                _interval_of(response)(ends[0], ends[1], error),
                _run_ends(response, prediction),
                _wanted(response),
            )
        )
    level = percent(foretold[0][1].level)
    headings = ("expect of", "on average", f"{level} interval", f"any one run, {level}", "wanted")
    return Table(headings, tuple(rows), frozenset({1, 2, 3}))


def _wanted(response: Response) -> str:
    """Return what is wanted of a response with a limit or a target."""
    unit = response.unit
    if response.aim in ("below", "above") and response.limit is not None:
        word = "most" if response.aim == "below" else "least"
        return f"at {word} {with_unit(plain(response.limit), unit)}"
    if response.aim == "target" and response.target is not None:
        wanted = response.interval_wanted()
        within = "" if wanted is None else f" ({plain(wanted[0])} to {plain(wanted[1])})"
        return with_unit(f"{plain(response.target)}{within}", unit)
    return ""


def response_section(
    number: int,
    fit: FittedModel,
    analysis: Analysis,
    space: FactorSpace,
    surfaces: Sequence[Markup],
    curves: Sequence[EffectCurve],
    said: set[str],
    landscape: Landscape | None,
    judged: Judged | None,
) -> Section:
    """Return the evidence on one response; notices already said on the page stay out.

    Words and what warns stand open; the pictures, tables and formulas they rest on fold out.
    """
    key = f"response-{number}"
    best = analysis.best.get(fit.response.name)
    body = joined(
        prose([_fit_sentence(fit)]),
        prose([_best_sentence(fit, best, space)]) if best is not None else "",
        prose([_below_zero_sentence(fit, best)]) if best is not None else "",
        prose(_new_block_sentences(fit)),
        minds(_unsaid(fit, judged, said)),
        prose(
            [
                "" if _why_no_best(fit) else _pulled_sentence(space, best, judged),
                _left_out_sentence(fit),
            ]
        ),
        folded_evidence(f"{capital(fit.response.words)} over two factors", *surfaces),
        _effects_part(fit, key),
        _curves_part(space, curves, key),
        _fit_part(fit, None if judged is None else judged.advised, space, key),
        _shape_part(fit, landscape.shapes[fit.response.name], key) if landscape else "",
        _model_part(fit, space),
        _judged_part(fit, judged, analysis.as_asked) if judged is not None else "",
        _runs_part(fit, judged) if judged is not None else "",
    )
    return Section(key, capital(fit.response.words), body)


def _unsaid(fit: FittedModel, judged: Judged | None, said: set[str]) -> list[Notice]:
    """Return what warns of a fit and of how it was judged, each once on a page."""
    notices = list(fit.notices)
    if judged is not None:
        notices += judged.scrutiny.notices
        notices += judged.recommendation.notices if judged.recommendation is not None else ()
    return [notice for notice in notices if notice.what not in said]


def _pulled_sentence(space: FactorSpace, best: Best | None, judged: Judged | None) -> str:
    """Return whether single runs decide where the best settings of a response are."""
    if best is None or judged is None:
        return ""
    return pull_sentence(space, best.settings, judged.pulls)


def _effects_part(fit: FittedModel, key: str) -> Markup:
    if len(fit.estimates) < 2:
        return Markup("")
    return folded_figure(effects_picture(fit, f"{key}-effects"))


def _curves_part(space: FactorSpace, curves: Sequence[EffectCurve], key: str) -> Markup:
    if not curves:
        return Markup("")
    named = listed([factor_names(space)[view.factor] for view in curves])
    drawn = panels_html(effect_panels(space, curves, f"{key}-effect"))
    return folded_evidence(f"Along each factor: {named}", drawn)


def _fit_part(
    fit: FittedModel, advised: FittedModel | None, space: FactorSpace, key: str
) -> Markup:
    """Return the pictures by which the fit is judged, named by how left-out runs came out.

    Residuals are those of the recommended model where there is one, by which the notices name
    runs that lie far off.
    """
    summary, r2 = "How well the model fits", r2_predicted_told(fit)
    if r2 is not None:
        value = r2_text(r2)
        left_out = "plots" if "plot" in dict(fit.variance_components) else "runs"
        summary += f": left-out {left_out} are foretold with R² {value}"
    by: By = "fitted" if advised is None else "recommended"
    against = residual_panels(advised or fit, space, f"{key}-against", by)
    return folded_evidence(
        summary,
        *plain_figures(_judging_pictures(fit, key)),
        *plain_figures(_residual_pictures(advised or fit, key, by)),
        panels_html(against) if against is not None else "",
    )


def _shape_part(fit: FittedModel, shape: Shape, key: str) -> Markup:
    """Return, folded, how a surface curves and where it leads: for who wants to know why."""
    found = shape.stationary
    parts: list[Markup | str] = []
    if found is not None:
        parts += [prose([stationary_sentence(fit, found)]), table_html(curvature_table(fit, found))]
    if len(shape.ridge) > 1:
        parts.append(figure_html(ridge_picture(fit, shape.ridge, f"{key}-ridge")))
    if shape.ascent is not None and len(shape.ascent.points) > 1:
        way = (
            "The steepest way from the middle of the ranges towards the aim, step by step; "
            "settings are rounded to what can be set."
        )
        parts += [prose([way]), table_html(ascent_table(fit, shape.ascent))]
    return folded_evidence("The shape of the fitted surface, and where it leads", *parts)


def _judging_pictures(fit: FittedModel, key: str) -> list[Picture]:
    """Return the pictures by which a model is judged, those that its runs allow."""
    made = [
        half_normal_picture(fit, f"{key}-half-normal"),
        observed_fitted_picture(fit, f"{key}-observed"),
        left_out_picture(fit, f"{key}-left-out"),
    ]
    return [picture for picture in made if picture is not None]


def _residual_pictures(fit: FittedModel, key: str, by: By) -> list[Picture]:
    made = [
        residuals_picture(fit, f"{key}-residuals", by),
        normal_picture(fit, f"{key}-normal", by),
    ]
    return [picture for picture in made if picture is not None]


def _fit_sentence(fit: FittedModel) -> str:
    unit = fitted_unit(fit)
    sd = with_unit(plain(fit.residual_sd, 2), unit)
    scatters = dict(fit.variance_components)
    scatter = f"scatter by {sd} about it"
    others = {name: size for name, size in scatters.items() if name != "run"}
    if others:
        each = [f"{name}s by {with_unit(plain(size, 2), unit)}" for name, size in others.items()]
        scatter = f"scatter by {sd} about it within one {' and '.join(others)}, {listed(each)}"
    predicted = "How well it foretells runs that it has not seen cannot be worked out."
    r2 = r2_predicted_told(fit)
    if r2 is not None:
        value = r2_text(r2)
        unit_left_out = "it" if "plot" not in scatters else "its plot"
        predicted = (
            f"Each run foretold by a fit without {unit_left_out}: predicted R² {value}, where 1 is "
            "perfect and 0 no better than the mean of all runs."
        )
    return (
        f"The fitted polynomial: {fit.model.name}, {len(fit.estimates)} terms, on "
        f"{len(fit.runs_used)} runs, which {scatter}. {predicted} Whether to trust it: "
        f"{trust_words(fit)}."
    )


def _why_no_best(fit: FittedModel) -> str:
    """Return why no settings are told as the best for a response alone; blank where they are."""
    if fit.worse_than_mean:
        return (
            f"The settings that this polynomial alone would choose for {fit.response.words} are "
            "not told: it foretells runs left out worse than their mean does."
        )
    if fit.response.aim in ("below", "above"):
        return (
            f"{capital(_wanted(fit.response))} is wanted of {fit.response.words}, which more than "
            "one setting may give: none is the best for it alone."
        )
    return ""


def _below_zero_sentence(fit: FittedModel, best: Best) -> str:
    """Return what to do where an amount is foretold below zero."""
    ends = (best.prediction.mean, best.prediction.mean_low, best.prediction.run_low)
    if not fit.response.never_negative or min(float(end[0]) for end in ends) >= 0:
        return ""
    return (
        f"At some settings the model foretells {fit.response.words} below zero, which cannot be: "
        f'write scale = "log" under [responses.{fit.response.name}] and fit again.'
    )


def _best_sentence(fit: FittedModel, best: Best, space: FactorSpace) -> str:
    if told := _why_no_best(fit):
        return told
    at = listed(
        [
            f"{name} {text}"
            for name, text in zip(
                factor_names(space), setting_text(space, best.settings), strict=True
            )
        ]
    )
    return (
        f"Judged by {fit.response.words} alone, the best settings are {at}. "
        + expected_sentence(fit.response, best.prediction)
    )


def _new_block_sentences(fit: FittedModel) -> list[str]:
    """Return, for each block of few levels, what the intervals do not count of a new level."""
    told = []
    for name, levels, apart in fit.fixed_blocks:
        size = with_unit(plain(apart, 2), fitted_unit(fit))
        told.append(
            f"This is for an average {name} of the {levels} that were run, which lie up to {size} "
            f"apart. A new {name} may lie elsewhere: so few do not tell how far, and no interval "
            "here counts it."
        )
    return told


def _model_part(fit: FittedModel, space: FactorSpace) -> Markup:
    rows = tuple(
        (
            e.label if e.term.order else "mean at the centre",
            bearing(e.coefficient, e.standard_error),
            bearing(e.standard_error, e.standard_error),
            plain(e.df),
            p_text(e.p_value),
        )
        for e in fit.estimates
    )
    unit = fitted_unit(fit)
    table = Table(
        (
            "term",
            with_measure("coefficient", unit),
            with_measure("standard error", unit),
            "degrees of freedom",
            "p",
        ),
        rows,
        frozenset({1, 2, 3, 4}),
    )
    words = (
        "p is the chance of a coefficient at least this far from zero if the term had no effect. "
        "Coefficients are in coded units."
    )
    why = why_r2_is_not_told(fit)
    fitted = (
        f"R² is not told: {why}, it would come out near 1 whatever the model is worth."
        if why
        else f"R² is {r2_text(fit.r2)}, adjusted for the number of terms "
        f"{r2_text(fit.r2_adjusted)}."
    )
    return folded_evidence(
        "The model as a formula, its terms and tests",
        Markup('<p class="formula">{}</p>').format(shown(_formula(fit))),
        prose([_coding_sentence(space)]),
        table_html(table),
        prose([words, fitted]),
        _variation_part(fit),
    )


def _judged_part(fit: FittedModel, judged: Judged, as_asked: bool) -> Markup:
    """Return which model the runs speak for."""
    advised = judged.recommendation
    if fit.exact:
        return prose([NOTHING_TO_COMPARE])
    if advised is None:
        return prose(["With these runs models cannot be compared."])
    taken = next((one.name for one in advised.candidates if one.model is advised.model), "")
    return folded_evidence(
        f"Which model the runs speak for: {taken}",
        prose([advised.why]),
        table_html(candidates_table(advised)),
        prose([AICC_WORDS, CHOSEN_BY_PERSON if as_asked else CHOSEN_BY_COUNT]),
        small_heading("Its terms, one by one"),
        table_html(terms_table(advised, judged.scrutiny)),
    )


def _runs_part(fit: FittedModel, judged: Judged) -> Markup:
    return folded_evidence(
        "Drift, and what each run does to the fit",
        prose(drift_sentences(judged.scrutiny.drift)),
        folded("Every run, in numbers", table_html(runs_table(fit, judged.pulls))),
    )


AICC_WORDS = (
    "AICc weighs misfit against the number of terms: less is better, and a difference below 2 "
    "decides nothing. Left-out runs (or plots) are predicted by a fit without them, the choice of "
    "terms repeated each time. Models in severity or permittivity are compared only: settings are "
    "not chosen in them. A model whose terms the same runs chose has intervals that are too short: "
    "in simulated campaigns of 15 and 18 runs its 95 % intervals of a mean held the truth 88 and "
    "91 times in 100."
)
CHOSEN_BY_COUNT = (
    "The figures on this page are therefore those of the model above: of those that the campaign’s "
    "purpose wants, the largest that the runs can carry. How many runs there are and where they "
    "lie decided that, not the values found."
)
CHOSEN_BY_PERSON = (
    "The figures on this page are those of the model above, which was asked for. If these results "
    "were the reason to ask for it, its intervals are too short in the same way."
)


def _formula(fit: FittedModel) -> str:
    parts: list[str] = []
    for e in fit.estimates:
        number = bearing(e.coefficient, e.standard_error)
        sign, size = ("−", number[1:]) if number.startswith("−") else ("+", number)
        text = size if not e.term.order else f"{size} × {e.label}"
        parts.append(f"{sign} {text}" if parts else (f"−{text}" if sign == "−" else text))
    return f"{_left_side(fit)} = {' '.join(parts)}"


def _left_side(fit: FittedModel) -> str:
    """Return what the formula gives: the response, or its transformation written out."""
    words, power, scale = fit.response.words, fit.scale.exponent, fit.scale.scale
    if power == 1:
        return words
    if power == 0:
        return f"ln({words})" if scale == 1 else f"{plain(scale, 6)} × ln({words})"
    divisor = plain(power * scale ** (power - 1), 6)
    return with_minus(f"(({words})^{power:g} − 1) / {divisor}")


def _coding_sentence(space: FactorSpace) -> str:
    parts = []
    for factor in space:
        if isinstance(factor, CategoricalFactor):
            levels = ", ".join(factor.levels)
            parts.append(f"{factor.name} stands for its levels ({levels}), which sum to zero")
            continue
        centre, half, unit = plain(factor.centre), plain(factor.half_range), factor.unit
        measured = f", in {unit}" if unit else ""
        parts.append(f"{factor.name} is ({factor.name} − {centre}) / {half}{measured}")
    return f"In coded units: {'; '.join(parts)}."


def _variation_part(fit: FittedModel) -> Markup:
    """Return where the variation goes: one table of squares, or tests term by term."""
    if fit.mixed is None:
        heading, table = "Where the variation goes", _squares_table(fit)
    else:
        heading, table = "Tests of the terms", _tests_table(fit)
    return joined(small_heading(heading), table_html(table), prose([_lack_sentence(fit)]))


def _squares_table(fit: FittedModel) -> Table:
    total = len(fit.runs_used) - 1
    rows = [("model", total - fit.df_residual, fit.ss_model, fit.f_model, fit.p_model)]
    rows.append(("residual", fit.df_residual, fit.ss_residual, None, None))
    lack = fit.lack_of_fit
    if lack is not None:
        rows.append(("of it lack of fit", lack.df_lack, lack.ss_lack, lack.f, lack.p_value))
        rows.append(("of it pure error", lack.df_pure, lack.ss_pure, None, None))
    rows.append(("total", total, fit.ss_total, None, None))
    tested = {"model", "of it lack of fit"}
    return Table(
        ("source", "degrees of freedom", "sum of squares", "F", "p"),
        tuple(
            (
                name,
                str(df),
                plain(squares),
                "" if name not in tested or f is None else _f_text(f),
                p_text(p) if name in tested else "",
            )
            for name, df, squares, f, p in rows
        ),
        frozenset({1, 2, 3, 4}),
    )


def _f_text(f: float) -> str:
    """Return F with the digits that mean something: beyond some size only that it is large."""
    return f"over {F_MOST}" if f > F_MOST else plain(f, 3)


def _tests_table(fit: FittedModel) -> Table:
    """Return the tests of a fit by REML: each term is judged by its own scatter."""
    rows = tuple(
        (
            test.label,
            str(test.df),
            "–" if test.df_error is None else plain(test.df_error, 3),
            "–" if test.f is None else _f_text(test.f),
            p_text(test.p_value),
        )
        for test in fit.tests
    )
    headings = ("term", "degrees of freedom", "of its error", "F", "p")
    return Table(headings, rows, frozenset({1, 2, 3, 4}))


def _lack_sentence(fit: FittedModel) -> str:
    lack = fit.lack_of_fit
    if lack is None and fit.censored:
        return "With values known only to lie beyond a limit, lack of fit is not worked out."
    if lack is None:
        return "No run was repeated, so there is no pure error to hold the misfit against."
    if lack.p_value is None:
        return "Lack of fit cannot be tested with these runs."
    if lack.p_value < 0.05:
        return "The model misses the values by more than repeats scatter: mind its predictions."
    return "The misfit of the model is no larger than the scatter of repeats explains."


def _left_out_sentence(fit: FittedModel) -> str:
    if not fit.runs_left_out:
        return ""
    told = [f"run {run}" for run, _ in fit.runs_left_out]
    return f"Left out of the fit: {listed(told)}. Why stands under “Methods”."
