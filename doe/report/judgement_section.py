"""How a model was judged: against which others, by which runs, and what a careful reader minds.

Tables and sentences of results that `analysis` computed; the page puts them in its order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from doe.digits import p_text, percent, plain
from doe.factors import FactorSpace, FloatArray
from doe.report.fit_pictures import limit_marks
from doe.report.pictures import Table
from doe.wording import runs_in_words

if TYPE_CHECKING:
    from doe.analysis.fit import FittedModel
    from doe.analysis.scrutiny import Drift, PullOnBest, Scrutiny
    from doe.analysis.selection import Candidate, Recommendation

__all__ = [
    "Judged",
    "candidates_table",
    "drift_sentences",
    "pull_sentence",
    "runs_table",
    "terms_table",
]

RUNS_NAMED = 2
FAR_PULL = 0.1
"""Share of a factor's range by which one run must move the best to be named."""


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """How one response's model compares, what time and plan did to it, which runs decide.

    `advised` is the fit of the recommended model.
    """

    recommendation: Recommendation | None
    scrutiny: Scrutiny
    pulls: tuple[PullOnBest, ...] = ()
    advised: FittedModel | None = None


def candidates_table(found: Recommendation) -> Table:
    """Return the models compared, the recommended one marked."""
    rows = tuple(_candidate_row(one, one.model is found.model) for one in found.candidates)
    headings = (
        "model",
        "terms",
        "AICc",
        "misses left-out runs by",
        "with terms chosen anew",
        "lack of fit p",
        "said of it",
    )
    return Table(headings, rows, frozenset({1, 2, 3, 4, 5}))


def _candidate_row(one: Candidate, taken: bool) -> tuple[str, ...]:
    said = "recommended" if taken else (one.problem or "")
    return (
        one.name,
        str(len(one.terms)),
        "–" if one.aicc is None else plain(one.aicc, 4),
        "–" if one.kept_rmse is None else plain(one.kept_rmse, 3),
        "–" if one.loo_rmse is None else plain(one.loo_rmse, 3),
        "–" if one.lack_of_fit_p is None else p_text(one.lack_of_fit_p),
        said,
    )


def terms_table(found: Recommendation, scrutiny: Scrutiny) -> Table:
    """Return how often each term is chosen in simulated repeats, and how tangled its column is."""
    inflation = dict(scrutiny.inflation)
    taken = set(found.model.labels)
    labels = list(dict.fromkeys((*found.survival, *inflation)))
    rows = tuple(
        (
            label.replace("_", " "),
            percent(found.survival[label]) if label in found.survival else "–",
            plain(inflation[label], 2) if label in inflation else "–",
            "yes" if label in taken else "no",
        )
        for label in labels
    )
    headings = (
        "term",
        "chosen in simulated repeats",
        "variance inflated, times",
        "in the recommended model",
    )
    return Table(headings, rows, frozenset({1, 2}))


def drift_sentences(drifts: Sequence[Drift]) -> list[str]:
    """Return what time explains beside the model."""
    told = []
    for drift in drifts:
        if drift.why_not is not None:
            told.append(f"Drift over {drift.over}: {drift.why_not}.")
        elif drift.p_corrected is not None:
            found = "a change" if drift.p_corrected < 0.05 else "no change"
            less = f", without {runs_in_words(drift.without).lower()}," if drift.without else ""
            told.append(
                f"Drift: the values left by the {drift.by} model{less} show {found} with "
                f"{drift.over} (p {p_text(drift.p_corrected)})."
            )
    return told


def pull_sentence(space: FactorSpace, best: FloatArray, pulls: Sequence[PullOnBest]) -> str:
    """Return whether single runs decide where the best settings (k,) of the response are."""
    known = [pull for pull in pulls if pull.settings is not None and pull.moved is not None]
    if not known:
        return ""
    far = [pull for pull in known if (pull.moved or 0.0) > FAR_PULL]
    if not far:
        return (
            "No single run decides where the best settings are: without any one of them they move "
            f"by at most {percent(max(pull.moved or 0.0 for pull in known))} of a factor’s range."
        )
    there = np.array([pull.settings for pull in far])
    apart = np.abs(space.code(there) - space.code(best)) / 2
    named = [
        space.names[i].replace("_", " ") for i in space.numeric if apart[:, i].max() > FAR_PULL
    ]
    where = " and ".join(filter(None, (", ".join(named[:-1]), *named[-1:])))
    runs = [str(pull.run) for pull in far]
    if len(runs) > RUNS_NAMED:
        return (
            f"The best settings hang on single runs: leaving out any of {len(runs)} of the "
            f"{len(known)} runs tried moves them by more than {percent(FAR_PULL)} of a "
            f"range in {where}. These results hardly fix them."
        )
    told = "run " + runs[0] if len(runs) == 1 else "runs " + " and ".join(runs)
    return (
        f"The best settings hang on {told}: without {'it' if len(runs) == 1 else 'either'} they "
        f"move by more than {percent(FAR_PULL)} of a range in {where}. Repeat "
        f"{'it' if len(runs) == 1 else 'them'} before relying on these settings."
    )


def runs_table(fit: FittedModel, pulls: Sequence[PullOnBest]) -> Table:
    """Return each run with what it was, what the model says, and what it does to the fit."""
    by_run = {pull.run: pull for pull in pulls}
    unit = fit.response.unit
    tail = f", {unit}" if unit else ""
    marks = limit_marks(fit)
    rows = tuple(
        (
            str(run),
            f"{marks[i]}{plain(float(fit.values[i]))}",
            plain(float(fit.fitted[i])),
            _figure(fit.studentised[i]),
            _figure(fit.leverage[i]),
            _figure(fit.cook[i]),
            _moved(by_run.get(run)),
            _changed(by_run.get(run)),
        )
        for i, run in enumerate(fit.runs_used)
    )
    headings = (
        "run",
        f"observed{tail}",
        f"fitted{tail}",
        "studentised residual"
        if fit.mixed is None
        else "studentised residual, by all other runs, those of its plot too",
        "leverage",
        "Cook’s distance",
        "moves the best",
        f"changes its mean{tail}",
    )
    return Table(headings, rows, frozenset(range(len(headings))))


def _figure(value: float) -> str:
    return f"{value:.2f}".replace("-", "−") if np.isfinite(value) else "–"


def _moved(pull: PullOnBest | None) -> str:
    return "–" if pull is None or pull.moved is None else percent(pull.moved)


def _changed(pull: PullOnBest | None) -> str:
    return "–" if pull is None or pull.change is None else plain(pull.change, 2)
