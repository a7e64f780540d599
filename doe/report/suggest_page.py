"""The page of a suggestion: what to run next, each run with its reason and predictions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup

from doe.digits import bearing, between, percent, with_unit
from doe.errors import Notice
from doe.factors import FactorSpace
from doe.report.gravity import notice_text
from doe.report.map_section import maps_section
from doe.report.page import (
    Header,
    Section,
    bullets,
    factor_names,
    folded_evidence,
    from_template,
    gravest,
    joined,
    more_to_know,
    prose,
    set_alike_html,
    table_html,
    whole_page,
    with_measure,
)
from doe.report.pictures import RunPoints, Table, setting_text
from doe.suggest import PURPOSES, RUNS_ADVISED, what_to_expect
from doe.wording import best_called, listed, runs_in_words

if TYPE_CHECKING:
    from doe.analysis.fit import Prediction
    from doe.region import RegionMap
    from doe.responses import Response
    from doe.suggest import SuggestedRun, Suggestion

__all__ = ["suggest_page"]

COLUMNS_MOST = 9
"""Of the table of runs, beyond which a run's kind stands there for what it is made to do."""


def suggest_page(
    header: Header,
    suggestion: Suggestion,
    space: FactorSpace,
    responses: Sequence[Response],
    maps: Sequence[RegionMap] = (),
    done: RunPoints | None = None,
    left_out: RunPoints | None = None,
    planned: Sequence[Mapping[str, str]] = (),
    fixed: Sequence[tuple[str, str]] = (),
    pressure: str = "",
) -> str:
    """Return what to run next, each run with its reason and predictions, and when to stop.

    Parameters
    ----------
    planned
        Each run as heading and text, with its number, day, plot and lot; what is run before the
        first of them too. Counted from 1 where there are none.
    fixed
        Name and value of what is set alike for every run.
    pressure
        What to set it to at the best settings so far, where its height above boiling is given.
    """
    points = [group for group in (done, left_out) if group is not None]
    runs = suggestion.runs
    numbers = [int(row["run"]) for row in planned[len(planned) - len(runs) :]]
    if not planned:
        numbers = list(range(1, len(runs) + 1))
    names = tuple(map(str, numbers))
    if runs:
        settings = np.array([run.settings for run in runs])
        told = names if planned else tuple(f"next {name}" for name in names)
        points.append(RunPoints("suggested", settings, told))
    told_of = dict.fromkeys((*header.notices, *suggestion.notices))
    good = [n.what for n in told_of if isinstance(n, Notice) and n.good]
    minded = [n for n in told_of if notice_text(n) not in map(notice_text, good)]
    sections = [more_to_know(minded)]
    if runs:
        sections.append(_suggested_section(suggestion, responses, numbers))
    if maps:
        sections.append(maps_section(space, maps, points, "Where they lie"))
    table = _next_runs(suggestion, space, responses, names, planned) if runs else Markup("")
    best = _best_so_far(suggestion, space, responses, pressure)
    waits = suggestion.verdict == "planned-first"  # what waits is run before anything shown here
    why_after = "" if waits else suggestion.why
    first = joined(
        prose([suggestion.advice], "lead"),
        prose([suggestion.why] if waits else []),
        prose([_next_words(suggestion)]),
        set_alike_html(fixed),
        table,
        prose([*what_to_expect(suggestion, responses, numbers), why_after, best, *good]),
        gravest(header, minded),
        from_template("next", header.next_command, header.next_because),
    )
    return whole_page(header, first, sections, to_run=bool(runs))


def _best_so_far(
    suggestion: Suggestion, space: FactorSpace, responses: Sequence[Response], pressure: str
) -> str:
    """Return the settings to work at if no more runs are made, and what is expected there."""
    chosen = suggestion.recommended
    texts = zip(factor_names(space), setting_text(space, chosen.settings), strict=True)
    at = listed([f"{name} {text}" for name, text in texts])
    with_pressure = f"; the pressure to {pressure}" if pressure else ""
    expected = [
        f"{r.words} {with_unit(_mean_text(p), r.unit)}{_median(p)} ({_interval_texts(p)[0]})"
        for r in responses
        if (p := chosen.predictions.get(r.name)) is not None
    ]
    known = suggestion.shown
    told = " ".join([*known.sentences, f"{best_called(known.guess)}: {at}{with_pressure}."])
    if not expected:
        return told
    level = percent(next(iter(chosen.predictions.values())).level)
    return f"{told} Expected there on average ({level} interval): {'; '.join(expected)}."


def _next_words(suggestion: Suggestion) -> str:
    count = len(suggestion.runs)
    if not count:
        return "No run is suggested."
    if suggestion.verdict not in RUNS_ADVISED:
        runs = "1 run" if count == 1 else f"{count} runs"
        return f"{runs} that would teach most, if any were made now:"
    return f"{'The next run' if count == 1 else f'The next {count} runs'}, and what each is for:"


def _next_runs(
    suggestion: Suggestion,
    space: FactorSpace,
    responses: Sequence[Response],
    names: Sequence[str],
    planned: Sequence[Mapping[str, str]],
) -> Markup:
    """Return the runs as one table: when, how set, what each is for, predicted means."""
    runs = suggestion.runs
    foretold = [r for r in responses if all(r.name in run.predictions for run in runs)]
    told = planned or [
        {
            "run": name,
            **dict(zip(factor_names(space), setting_text(space, run.settings), strict=True)),
        }
        for name, run in zip(names, runs, strict=True)
    ]
    headings = tuple(heading for heading in told[0] if heading != "kind")
    before = len(told) - len(runs)
    wide = len(headings) + 1 + len(foretold) > COLUMNS_MOST
    purposes = [row["kind"] for row in told[:before]]
    purposes += [run.kind if wide else _kind_words(run) for run in runs]
    means = [["–"] * len(foretold)] * before
    means += [[_mean_text(run.predictions[r.name]) for r in foretold] for run in runs]
    rows = tuple(
        (*(row[heading] for heading in headings), purpose, *mean)
        for row, purpose, mean in zip(told, purposes, means, strict=True)
    )
    words = {name for i, name in enumerate(factor_names(space)) if i not in space.numeric}
    figures = {i for i, heading in enumerate(headings) if heading not in words | {"lot"}}
    figures |= set(range(len(headings) + 1, len(headings) + 1 + len(foretold)))
    expected = (with_measure(f"expected {r.words}", r.unit) for r in foretold)
    purpose = "kind" if wide else "to"
    return table_html(Table((*headings, purpose, *expected), rows, frozenset(figures)))


def _mean_text(prediction: Prediction) -> str:
    return bearing(float(prediction.mean[0]), float(prediction.standard_error[0]))


def _median(prediction: Prediction) -> str:
    """Return the remark that what is foretold of a logarithm is a median."""
    return "" if prediction.expected is None else " (median)"


def _suggested_section(
    suggestion: Suggestion, responses: Sequence[Response], numbers: Sequence[int]
) -> Section:
    """Return the reasons, one said once, and what to expect with its intervals."""
    reasons: dict[tuple[str, str], list[int]] = {}
    for number, run in zip(numbers, suggestion.runs, strict=True):
        reasons.setdefault((_kind_words(run), run.reason), []).append(number)
    told = [f"{runs_in_words(who)}, to {kind}: {reason}" for (kind, reason), who in reasons.items()]
    rows = tuple(
        (str(number), r.words, _mean_text(p) + _median(p), *_interval_texts(p), r.unit)
        for number, run in zip(numbers, suggestion.runs, strict=True)
        for r in responses
        if (p := run.predictions.get(r.name)) is not None
    )
    levels = {p.level for run in suggestion.runs for p in run.predictions.values()}
    level = percent(next(iter(levels))) if levels else ""
    headings = (
        "run",
        "response",
        "on average",
        f"{level} interval",
        f"any one run, {level}",
        "unit",
    )
    table = table_html(Table(headings, rows, frozenset({0, 2, 3, 4}))) if rows else ""
    rests_on = suggestion.recommended.reason
    return Section(
        "next-runs",
        "Why these runs, and what to expect",
        joined(
            bullets(told),
            table,
            folded_evidence("What the best settings so far rest on", prose([rests_on])),
        ),
        "Why these",
    )


def _interval_texts(p: Prediction) -> tuple[str, str]:
    error = float(p.standard_error[0])
    return (
        between(float(p.mean_low[0]), float(p.mean_high[0]), error),
        between(float(p.run_low[0]), float(p.run_high[0])),
    )


def _kind_words(run: SuggestedRun) -> str:
    return PURPOSES.get(run.kind, run.kind)
