"""What a command says on the terminal: results as short plain lines.

Shapes: k factors.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from doe.digits import amount_between, bearing, between, p_text, percent, r2_text
from doe.factors import CategoricalFactor, FactorSpace, FloatArray
from doe.ledger import STATUSES, LedgerRow, prepares, setting_text
from doe.standing import left_to_plan, setting_words
from doe.wording import best_called, chance_words, listed, runs_in_words

if TYPE_CHECKING:
    from doe.analysis.fit import FittedModel, Prediction
    from doe.augmenting import Offer
    from doe.campaign import Affordable, Campaign
    from doe.errors import Notice
    from doe.recording import RecordResult
    from doe.responses import Response
    from doe.standing import NextStep
    from doe.suggest import SuggestedRun
    from doe.workflow import (
        AugmentResult,
        CheckResult,
        FitResult,
        NewResult,
        PlanResult,
        StatusResult,
        SuggestResult,
    )

__all__ = [
    "augment_lines",
    "check_lines",
    "ending",
    "fit_lines",
    "new_lines",
    "plan_lines",
    "predicted",
    "record_lines",
    "setting_words",
    "status_lines",
    "suggest_lines",
]

WIDTH = 96
DANGERS = (
    "planned-forbidden",
    "sheet-outdated",
    "log-limits-passed",
    "achieved-limits-passed",
    "log-beyond-declared",
    "boiled",
    "boiled-if-held",
    "confirmation",
)
"""Notices that status says in full, whatever room they take; a confirmation that failed is one."""
STATUS_LINES = 10
NOTICES_FIRST = 5
"""Notices in full where a page has the others: dangers all, then of the rest one of a kind up to
this many in all, without what `gravity.BACKGROUND` names."""
REASONS_SHOWN = 4
UNFIXED = 0.95
"""Share of its range from which on the results are said hardly to fix a factor."""


def new_lines(result: NewResult) -> list[str]:
    return [
        *wrapped(
            f"Made the campaign “{result.campaign.name}”. Its file works as it stands, on invented "
            "values: open it, and put your rig, factors and responses in their place."
        ),
    ]


def check_lines(result: CheckResult) -> list[str]:
    found, space = result.survey, result.campaign.space
    lines = [*_title(result.campaign)]
    share = found.feasible_fraction
    how_much = "the whole" if share == 1 else _share(share)
    if 0.995 < share < 1:
        how_much = "nearly the whole"
    lines += wrapped(f"The rig can run {how_much} of the ranges asked for.")
    cutting = sorted(
        (s for s in found.limits if s.fails_fraction > 0), key=lambda s: -s.fails_fraction
    )
    if cutting:
        rows = [
            (s.limit.title, _share(s.fails_fraction), _share(s.fails_alone_fraction))
            for s in cutting
        ]
        lines += ["", *table(("limit in the way", "forbids", "it alone"), rows)]
    failing = [corner for corner in found.corners if corner.fails]
    if failing:
        lines += ["", f"{len(failing)} of {len(found.corners)} corners cannot be run:"]
        reasons: dict[str, list[str]] = {}
        for corner in failing:
            words = setting_words(space, corner.settings)
            reasons.setdefault(corner.fails[0][1], []).append(words)
        for sentence, corners in list(reasons.items())[:REASONS_SHOWN]:
            more = f" and {len(corners) - 1} more" if len(corners) > 1 else ""
            lines += wrapped(f"{corners[0]}{more}: {sentence}", "  • ")
        if len(reasons) > REASONS_SHOWN:
            lines.append("  … all of them on the page")
    if found.cures:
        lines += ["", "What would cure it:"]
        for cure in found.cures:
            lines += wrapped(cure, "  • ")
    return [*lines, "", *_affordable_lines(result.affordable)]


def plan_lines(result: PlanResult) -> list[str]:
    lines = [*_title(result.campaign)]
    design = result.design
    lines += wrapped(
        f"Stage {result.stage}: {len(design)} runs, {design.family}, {design.for_model}. "
        f"{design.reason}{_before_them(result)}"
    )
    if result.design.runner_up:
        lines += ["", *wrapped(result.design.runner_up)]
    lines += ["", *_alike_lines(result.campaign)]
    lines += [*_run_table(result.campaign, result.rows), ""]
    if result.days is not None:
        lines += wrapped(result.days.sentence)
    for sentence in result.judgement.can_do:
        lines += wrapped(sentence)
    return lines


def _before_them(result: PlanResult) -> str:
    early = [row.kind for row in result.rows if prepares(row)]
    return f" Before them: {' and '.join(early)}, never fitted." if early else ""


def record_lines(result: RecordResult) -> list[str]:
    lines = [*_title(result.campaign), *_log_lines(result)]
    count = len(result.changes)
    if not count:
        known = (
            "No results in this sheet" if result.empty else "The ledger holds all of this already"
        )
        lines += wrapped(f"{known}: nothing changed.")
    else:
        would = "would change" if result.dry_run else "changed"
        runs = len({change.run for change in result.changes})
        lines.append(f"{_count(count, 'cell')} {would}, in {_count(runs, 'run')}:")
        lines += _changes_by_run(result)
    waiting = sum(row.status == "planned" for row in result.ledger.rows)
    if waiting:
        lines += ["", f"{_count(waiting, 'run')} still to come."]
    return lines


def _chance_sentence(chance: float) -> str:
    return (
        f"By the models one run there meets every limit and tolerance with about "
        f"{chance_words(chance)} chance; they chose the setting themselves."
    )


def _log_lines(result: RecordResult) -> list[str]:
    """Return what the log of a run said, and what becomes of the run."""
    if result.log is None:
        return []
    found, decided = result.log.summary, result.log.deviation
    lines = wrapped(
        f"Run {result.log.record.run} by its log: {found.temperature_C:.4g} °C (set "
        f"{found.set_temperature_C:.4g}, highest {found.temperature_high_C:.4g}) for "
        f"{found.time_min:.4g} min; {found.window_rule}."
    )
    lines += wrapped(
        f"Severity from 100 °C up, ramps included: log10 R0 = {found.severity_log10:.3f}.", "  • "
    )
    if found.water_mL is not None:
        lines += wrapped(f"Water pumped, whole log: {found.water_mL:.4g} mL.", "  • ")
    if found.margin_bar is not None:
        lines += wrapped(
            f"Lowest margin to boiling: {found.margin_words} (row "
            f"{found.margin_row}); {found.minutes_below_margin:.3g} min inside the required one.",
            "  • ",
        )
    if result.log.record.limits_passed:
        lines += wrapped("LIMITS WERE PASSED: see the warning below.", "  • ")
    lines += wrapped(f"{decided.kind} (rule {decided.rule}): {decided.sentence}", "  • ")
    if decided.besides:
        lines += wrapped(f"Besides: {' '.join(decided.besides)}", "  • ")
    return [*lines, ""]


def _advice(result: FitResult) -> list[str]:
    """Return where the runs speak for another model than the one fitted."""
    from doe.analysis.recommendation import NOTHING_TO_COMPARE

    lines: list[str] = []
    for fitted in result.analysis.fits:
        advised = result.findings[fitted.response.name].recommendation
        if fitted.exact:
            lines += wrapped(f"{fitted.response.words}: {NOTHING_TO_COMPARE}", "  • ")
            continue
        if advised is not None and set(advised.model.terms) != set(fitted.model.terms):
            lines += wrapped(f"{fitted.response.words}: {advised.why}", "  • ")
    return ["Which model the runs speak for:", *lines] if lines else []


def _changes_by_run(result: RecordResult) -> list[str]:
    """Return one line a run: what was written, and what was overwritten."""
    lines = []
    for run in dict.fromkeys(change.run for change in result.changes):
        own = [c for c in result.changes if c.run == run]
        said = [
            f"{c.column} {c.new or 'blank'}" + (f" (was {c.old})" if c.old else "")
            for c in own
            if c.column != "status"
        ]
        status = next((f"{c.new}; " for c in own if c.column == "status"), "")
        lines += wrapped(f"run {run}: {status}{', '.join(said)}", "  • ")
    return lines


def fit_lines(result: FitResult) -> list[str]:
    from doe.analysis.recommendation import of_logarithms
    from doe.analysis.shown import ANY_WORDS
    from doe.analysis.trust import trust
    from doe.views import pressure_to_set

    analysis, space = result.analysis, result.campaign.space
    lines = [*_title(result.campaign), *_leading(result.next_step), *_screening_lines(result)]
    lines += _noise_lines(result)
    at = analysis.optimum.settings
    pressure = pressure_to_set(result.campaign, at)
    with_pressure = f"; the pressure to {pressure}" if pressure else ""
    how = best_called(result.shown.guess)
    lines += wrapped(f"{how}: {_with_freedom(space, at, result.shown.free)}{with_pressure}.")
    if any(ends is not None for ends in result.shown.free):
        lines += wrapped(ANY_WORDS)
    lines += _alike_lines(result.campaign)
    then = result.next_step
    command = "" if then.words in then.because else then.words
    lines += [] if then.leads else ["", *wrapped(f"What to run next: {then.because} {command}")]
    lines += ["", *_prediction_table(analysis.fits, analysis.optimum.predictions)]
    logarithms = of_logarithms(analysis)
    lines += ["", *wrapped(logarithms)] if logarithms else []
    lines += ["", *wrapped(f"{analysis.evidence} {result.shown.coverage}")]
    chance = analysis.optimum.all_aims_probability
    if chance is not None:
        lines += ["", *wrapped(_chance_sentence(chance))]
    around = _around_lines(result)
    lines += ["", *around] if around else []
    rows = [_fit_row(fit) for fit in analysis.fits]
    headings = ("response", "model", "runs", "R²", "adjusted", "predicted", "lack of fit p")
    lines += ["", *table(headings, rows), "", *wrapped(trust(analysis))]
    advice = _advice(result)
    if advice:
        lines += ["", *advice]
    return lines + _curve_lines(result)


def _leading(then: NextStep) -> list[str]:
    """Return what comes before all else that is said, a blank line after it; may be nothing."""
    return [*wrapped(then.because), ""] if then.leads else []


def _noise_lines(result: FitResult) -> list[str]:
    """Return, before any setting, which responses the runs show to be little more than scatter."""
    lines = [line for sentence in result.shown.sentences for line in wrapped(sentence)]
    return [*lines, ""] if lines else []


def _with_freedom(
    space: FactorSpace, at: FloatArray, free: Sequence[tuple[float, float] | None]
) -> str:
    """Return one setting (k,) in words, what any other value would do for as well with its ends."""
    words = []
    for i, ends in enumerate(free):
        said = setting_words(FactorSpace((space.factors[i],)), at[[i]])
        if ends is not None:
            said += f" (any from {ends[0]:.6g} to {ends[1]:.6g})"
        words.append(said)
    return ", ".join(words)


def _alike_lines(campaign: Campaign) -> list[str]:
    """Return what is set alike for every run, so that no list of settings is taken for all."""
    from doe.views import sheet_fixed

    told = listed([f"{name} {value}" for name, value in sheet_fixed(campaign)])
    return wrapped(f"Set alike for every run: {told}.") if told else []


def _curve_lines(result: FitResult) -> list[str]:
    """Return at most three sentences on the curves of all assays; the page says the rest."""
    from doe.report.curve_section import campaign_sentences

    said = [wrapped(sentence, "  • ") for sentence in campaign_sentences(result.curves)]
    return ["", "Extraction curves:", *(line for lines in said for line in lines)] if said else []


def _screening_lines(result: FitResult) -> list[str]:
    """Return which factors matter for each response, and what that rests on, each said once."""
    lines: list[str] = []
    said: set[str] = set()
    for verdict in result.screenings.values():
        finding, *basis = verdict.sentences
        lines += wrapped(finding)
        for sentence in basis:
            lines += wrapped(sentence, "  • ") if sentence not in said else []
        said.update(basis)
    return [*lines, ""] if lines else []


def _around_lines(result: FitResult) -> list[str]:
    """Return how sure the best settings are, where limits are likely kept, what is level inside."""
    space, around = result.campaign.space, result.landscape
    fixed: list[str] = []
    loose: list[str] = []
    free = result.shown.free
    for factor, spread, told in zip(space, around.location.spreads, free, strict=True):
        if isinstance(factor, CategoricalFactor):
            continue
        assert spread.low is not None
        assert spread.high is not None
        if told is not None:
            continue
        whole = spread.high - spread.low >= UNFIXED * (factor.high - factor.low)
        name = factor.name.replace("_", " ")
        low, high = factor.settable_around(spread.low, spread.high)
        ends = f"{name} {low:.6g} to {high:.6g} {factor.unit}".rstrip()
        (loose if whole else fixed).append(name if whole else ends)
    lines = []
    if fixed:
        sure = f"{100 * around.location.level:.0f} % interval"
        named = "; ".join(fixed)
        lines += wrapped(f"Where the best may lie, {sure} by factor, no tolerance: {named}.")
    if loose:
        lines += wrapped(f"The results hardly fix the best value of {listed(loose)}.")
    if around.region is not None:
        from doe.report.surface_section import region_sentence

        at_best = result.analysis.optimum.all_aims_probability
        lines += wrapped(region_sentence(around.region, at_best))
    return lines


def suggest_lines(result: SuggestResult) -> list[str]:
    """Return the advice, the runs with what each is for, and the settings recommended so far."""
    from doe.suggest import what_to_expect
    from doe.views import pressure_to_set

    suggestion = result.suggestion
    lines = [*_title(result.campaign), *wrapped(suggestion.advice), *wrapped(suggestion.why)]
    if suggestion.runs:
        lines += ["", *wrapped(_runs_heading(result)), *_alike_lines(result.campaign)]
        lines += ["", *_run_table(result.campaign, result.rows), ""]
        lines += wrapped("Why each, and what it should give (95 % intervals):")
        lines += _reason_lines(result)
        numbers = [row.run for row in result.rows if not prepares(row)]
        aims = [fit.response for fit in result.analysis.fits]
        for told in what_to_expect(suggestion, aims, numbers):
            lines += wrapped(told)
    chosen = suggestion.recommended
    pressure = pressure_to_set(result.campaign, chosen.settings)
    with_pressure = f"; the pressure to {pressure}" if pressure else ""
    at = setting_words(result.campaign.space, chosen.settings)
    lines += ["", *wrapped(" ".join(suggestion.shown.sentences))]
    lines += [*wrapped(f"{best_called(suggestion.shown.guess)}: {at}{with_pressure}.")]
    for fit in result.analysis.fits:
        said = predicted(fit.response, chosen.predictions[fit.response.name])
        lines += wrapped(f"{fit.response.words}: {said}", "  ")
    lines += ["", *wrapped(chosen.reason)]
    if result.accepted:
        lines += ["", f"In the ledger as stage {result.stage}."]
    elif result.next_step.because and not result.next_step.leads:
        lines += ["", *wrapped(result.next_step.because)]
    return lines


def _runs_heading(result: SuggestResult) -> str:
    """Return what the runs that follow are: the next ones, or what could be run all the same."""
    from doe.suggest import RUNS_ADVISED

    runs = _count(len(result.suggestion.runs), "run")
    if result.accepted:
        return f"Planned as stage {result.stage}, {runs}:"
    if result.suggestion.verdict in RUNS_ADVISED:
        return f"The next {runs}, if accepted:"
    return f"{runs.capitalize()} that would teach most, if any were made now:"


def _reason_lines(result: SuggestResult) -> list[str]:
    """Return why each run, and what it should give; runs that are alike are told together."""
    from doe.suggest import PURPOSES

    alike: dict[tuple[str, str, bytes], list[tuple[int, SuggestedRun]]] = {}
    for number, run in zip(result.numbers, result.suggestion.runs, strict=True):
        alike.setdefault((run.kind, run.reason, run.settings.tobytes()), []).append((number, run))
    lines: list[str] = []
    for (kind, reason, _), runs in alike.items():
        who = runs_in_words([number for number, _ in runs])
        lines += wrapped(f"{who}, to {PURPOSES.get(kind, kind)} ({kind}): {reason}", "  • ")
        for fit in result.analysis.fits:
            said = predicted(fit.response, runs[0][1].predictions[fit.response.name])
            lines += wrapped(f"{fit.response.words}: {said}", "      ")
    return lines


def augment_lines(result: AugmentResult) -> list[str]:
    """Return what each way to add runs would buy; or the runs of the way asked for."""
    lines = [*_title(result.campaign)]
    planned = result.planned
    if planned is None:
        for offer in result.offers:
            if offer.addition is None:
                lines += wrapped(f"{offer.way}: not here. {offer.why_not}", "  – ")
                continue
            lines += wrapped(f"{offer.way}: {offer.addition.buys}{_costs(offer)}", "  • ")
        return lines
    (offer,) = result.offers
    for what in [notice.what for notice in result.notices if notice.code == "over-budget"]:
        lines += [*wrapped(f"Beyond the budget: {what[0].lower()}{what[1:]}"), ""]
    if offer.addition is not None:
        lines += wrapped(f"Stage {result.stage}, {offer.way}. {offer.addition.buys}")
    lines += ["", *_run_table(result.campaign, planned.rows), ""]
    if planned.days is not None:
        lines += wrapped(planned.days.sentence)
    lines += ["", *wrapped("All runs together:")]
    for sentence in planned.judgement.can_do:
        lines += wrapped(sentence, "  • ")
    if result.accepted:
        lines += ["", f"In the ledger as stage {result.stage}."]
    return lines


def _costs(offer: Offer) -> str:
    if offer.days is None:
        return ""
    return f" It takes {offer.days.hours:.0f} h on {_count(len(offer.days.days), 'day')}."


def status_lines(result: StatusResult) -> list[str]:
    """Return where a campaign stands in at most ten lines, what is next the last of them.

    What has no room is counted and not dropped in silence: ``--json`` says all of it.
    """
    from doe.report.gravity import SLIPS

    rows = result.ledger.rows if result.ledger else ()
    stages = [
        (stage, [row for row in rows if row.stage == stage])
        for stage in {row.stage for row in rows}
    ]
    first = [*_title(result.campaign)[:1], *_stages_line(sorted(stages))]
    last = [f"Workspace {result.campaign.workspace}", f"Next: {result.next_step.words}"]
    budget = left_to_plan(result.campaign, rows).sentence
    told = list(dict.fromkeys((notice.code, notice.what) for notice in result.notices))
    unconfirmed = [text for code, text in told if code == "limits-not-confirmed"]
    danger = [text for of in DANGERS for code, text in told if code == of]
    slips = [text for code, text in told if code in SLIPS]
    items = [wrapped(text, "! ") for text in (*unconfirmed, *slips)]
    items += [wrapped(result.done)] if result.done else []
    items += [*map(wrapped, result.missing), wrapped(budget)]
    items += [
        wrapped(text, "! ") for _, text in told if text not in (*danger, *unconfirmed, *slips)
    ]
    loud = [line for text in danger for line in wrapped(text, "! ")]
    return [*first, *loud, *_fitting(items, STATUS_LINES - len(first) - len(last), result), *last]


def _stages_line(stages: Sequence[tuple[int, Sequence[LedgerRow]]]) -> list[str]:
    """Return a line on the last stage, and one on all before it."""
    if not stages:
        return ["No plan yet."]
    former = [row for _, rows in stages[:-1] for row in rows]
    number, last = stages[-1]
    named = [(f"Stage {number}", last)]
    if former:
        before = f"Stages 1 to {number - 1}" if len(stages) > 2 else f"Stage {stages[0][0]}"
        named.insert(0, (before, former))
    return [
        f"{name}, {_count(len(rows), 'run')}: "
        + ", ".join(f"{sum(r.status == s for r in rows)} {s}" for s in STATUSES)
        + "."
        for name, rows in named
    ]


def _fitting(items: Sequence[list[str]], room: int, result: StatusResult) -> list[str]:
    """Return the items that fit, whole; the rest is counted on the last line."""
    if sum(map(len, items)) <= room:
        return [line for item in items for line in item]
    lines: list[str] = []
    count = 0
    for item in items:
        if len(lines) + len(item) <= room - 1:
            lines += item
            count += 1
    more = len(items) - count
    return [*lines, f"… and {more} more to mind: doe status {result.campaign.name} --json"]


def ending(
    workspace: Path,
    files: Sequence[Path],
    notices: Sequence[Notice],
    next_command: str,
    on_page: bool = False,
) -> list[str]:
    """Return what every command ends with: good news, what to mind, what was written, what to type.

    Good news stands apart, without the mark of what is to be minded. Of notices that are all
    `on_page` the gravest stand here and the rest is counted; else all stand here.
    """
    from doe.report.gravity import by_gravity

    told = by_gravity(notices, NOTICES_FIRST if on_page else len(notices))
    lines = [""]
    for text in told.good:
        lines += [*wrapped(text), ""]
    for text in (*told.first, *(() if on_page else told.rest)):
        lines += wrapped(text, "! ")
    if on_page and told.rest:
        stands = "stands" if len(told.rest) == 1 else "stand"
        lines += wrapped(f"{told.rest_in_words} {stands} on the page, under “More to know”.", "! ")
    if files:
        lines.append(f"Workspace {workspace}")
        lines += [f"  {_within(file, workspace)}" for file in files]
    return [*lines, f"Next: {next_command}"] if next_command else lines


# ------------------------------------------------------------------------------------- parts


def predicted(response: Response, at: Prediction) -> str:
    """Return a prediction at one setting in words: its mean with the interval, and a run's."""

    error = float(at.standard_error[0])
    unit = f" {response.unit}" if response.unit else ""
    middle = "mean" if at.expected is None else "median"
    return (
        f"{middle} {bearing(float(at.mean[0]), error)}{unit} "
        f"({between(float(at.mean_low[0]), float(at.mean_high[0]), error)}); "
        f"one run {between(float(at.run_low[0]), float(at.run_high[0]), error)}{unit}"
    )


def wrapped(text: str, first: str = "") -> list[str]:
    """Return a sentence wrapped for the terminal, a mark before its first line."""
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=" " * len(first))


def table(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """Return text in columns, figures to the right."""
    rows = [tuple(row) for row in rows]
    widths = [
        max(len(cell) for cell in column) for column in zip(tuple(headings), *rows, strict=True)
    ]
    figures = [
        bool(rows) and all(row[j][:1].isdigit() or row[j][:1] in "<−-–" for row in rows)
        for j in range(len(headings))
    ]

    def line(cells: Sequence[str]) -> str:
        padded = (
            cell.rjust(width) if figure else cell.ljust(width)
            for cell, width, figure in zip(cells, widths, figures, strict=True)
        )
        return ("  " + "   ".join(padded)).rstrip()

    return [line(headings), line(["─" * width for width in widths]), *map(line, rows)]


def _title(campaign: Campaign) -> list[str]:
    if campaign.title.startswith(campaign.name):
        return [campaign.title, ""]
    return [f"{campaign.name} · {campaign.title}", ""]


def _run_table(campaign: Campaign, rows: Sequence[LedgerRow]) -> list[str]:
    """Return when each run is made and how it is set; its whole plot where some share one."""
    from doe.views import set_pressures

    space = campaign.space
    lots, blocks = any(row.lot for row in rows), any(row.block for row in rows)
    plots = len({row.plot for row in rows}) < len(rows)
    pressures = set_pressures(campaign, [row.settings for row in rows])
    headings = ["run", "day", *(["block"] if blocks else []), *(["plot"] if plots else [])]
    headings += [*(["lot"] if lots else []), "kind"]
    headings += [f"{f.name.replace('_', ' ')} {f.unit}".rstrip() for f in space]
    headings += [f"pressure {campaign.rig.shown_unit}"] if pressures else []
    cells = [
        (
            str(row.run),
            "–" if row.day is None else str(row.day),
            *([str(row.block or "–")] if blocks else []),
            *([str(row.plot)] if plots else []),
            *([row.lot or "–"] if lots else []),
            row.kind,
            *(setting_text(f, value) for f, value in zip(space, row.settings, strict=True)),
            *([f"{pressures[i]:.1f}"] if pressures else []),
        )
        for i, row in enumerate(rows)
    ]
    return table(headings, cells)


def _prediction_table(fits: Sequence[FittedModel], predictions: object) -> list[str]:
    from doe.report.response_section import below_zero_words

    assert hasattr(predictions, "__getitem__")
    rows, below = [], []
    for fit in fits:
        at: Prediction = predictions[fit.response.name]
        error = float(at.standard_error[0])
        ends = amount_between if fit.response.never_negative else between
        below += wrapped(below_zero_words(fit.response, at))
        rows.append(
            (
                fit.response.words,
                f"{bearing(float(at.mean[0]), error)} {fit.response.unit}".rstrip()
                + ("" if at.expected is None else " (median)"),
                ends(float(at.mean_low[0]), float(at.mean_high[0]), error),
                ends(float(at.run_low[0]), float(at.run_high[0]), error),
            )
        )
    headings = ("expected there (95 % intervals)", "mean", "of that", "of one run")
    return [*table(headings, rows), *([""] if below else []), *below]


def _fit_row(fit: FittedModel) -> tuple[str, ...]:
    from doe.analysis.trust import r2_tells

    lack, tells = fit.lack_of_fit, r2_tells(fit)
    told = (fit.r2, fit.r2_adjusted, fit.r2_predicted)
    return (
        fit.response.words,
        fit.model.name,
        str(len(fit.runs_used)),
        *("–" if not tells or r2 is None else r2_text(r2, 3) for r2 in told),
        "–" if lack is None else p_text(lack.p_value),
    )


def _affordable_lines(affordable: Affordable) -> list[str]:
    if len(affordable.parts) == 1:
        return wrapped(
            f"The budget buys {_count(affordable.runs, 'run')}: {affordable.parts[0][2]}."
        )
    lines = wrapped(
        f"The budget buys {_count(affordable.runs, 'run')}. What decides: {affordable.binds}."
    )
    for what, runs, how in affordable.parts:
        lines += wrapped(f"{what}: {_count(runs, 'run')} ({how})", "  • ")
    return lines


def _share(share: float) -> str:

    return percent(share)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _within(file: Path, workspace: Path) -> Path:
    return file.relative_to(workspace) if file.is_relative_to(workspace) else file
