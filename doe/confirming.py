"""Confirming runs of a campaign: whether they held what was promised, and if not, why not.

Shapes: n confirming runs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from doe import standing
from doe.campaign import Campaign
from doe.errors import Notice
from doe.ledger import Ledger
from doe.modelling import days_told
from doe.responses import Response
from doe.stage import read_stage
from doe.wording import listed

if TYPE_CHECKING:
    from doe.analysis.confirmation import Confirmation, Confirmed
    from doe.analysis.observations import Observations
    from doe.analysis.surrogate import Surrogate

__all__ = ["confirmations"]

LEAST_TO_JUDGE = 3
"""Different values that a surrogate needs to foretell another."""


def confirmations(
    campaign: Campaign,
    ledger: Ledger,
    observed: Mapping[str, Observations],
    closures: Mapping[int, float],
) -> tuple[Confirmed, ...]:
    """Return the verdict on confirming runs: interval, limits and mass closure.

    They are judged by what was promised when they were accepted, where the stage's record has it.

    Runs of one stage at equal planned settings are judged together; runs of their stage and later
    ones are not in what judges them. Where one did not hold, later runs at its settings tell why.

    Parameters
    ----------
    closures
        By run, how much of the dry feed was found again [%].
    """
    from doe.analysis.confirmation import Confirmed

    groups: dict[tuple[int, tuple[float, ...]], list[int]] = {}
    for i, row in enumerate(ledger.rows):
        if row.kind == "confirm" and row.status == "done":
            groups.setdefault((row.stage, row.settings), []).append(i)
    found: list[Confirmed] = []
    for (stage, settings), places in groups.items():
        before = [i for i, row in enumerate(ledger.rows) if row.stage < stage]
        verdicts = [
            verdict
            for response in campaign.responses
            if (verdict := _verdict(campaign, ledger, response, observed, before, places, settings))
        ]
        if not verdicts:
            continue
        runs = [ledger.rows[i].run for i in places]
        closed, closure = _closure_verdict([closures[run] for run in runs if run in closures])
        fine = closed and all(v.held and v.limit_kept is not False for v in verdicts)
        failed = [v.response for v in verdicts if not v.held]
        why, remark = _run_again(campaign, ledger, observed, before, places, failed)
        told = " ".join([*(v.words for v in verdicts), *closure, *why, *remark])
        numbers = standing.runs_in_words(runs)
        what = (
            f"Confirmation, {numbers.lower()}: {'it held' if fine else 'it did not hold'}. {told}"
        )
        found.append(
            Confirmed(
                tuple(runs),
                settings,
                fine,
                Notice("confirmation", what, good=fine),
                "" if fine else "interval" if failed else "limit" if closed else "closure",
                " ".join(why),
                bool(campaign.feasible(np.array([settings]))[0]),
                _little(campaign, verdicts) if fine else "",
            )
        )
    return tuple(found)


def _little(campaign: Campaign, verdicts: Sequence[Confirmation]) -> str:
    """Return of which responses hardly any outcome would have failed the promise."""
    words = {response.name: response.words for response in campaign.responses}
    wide = [words[verdict.response] for verdict in verdicts if verdict.hard_to_miss]
    if not wide:
        return ""
    return (
        f"For {listed(wide)} it confirms little: what was promised is wider than all values "
        "measured before lie apart."
    )


def _closure_verdict(found: Sequence[float]) -> tuple[bool, tuple[str, ...]]:
    """Return whether the masses close on average, and that in words; nothing where unknown."""
    from doe.yields import MassRules

    if not found:
        return True, ()
    rules, mean = MassRules(), float(np.mean(found))
    closed = rules.closure_min_pct <= mean <= rules.closure_max_pct
    words = (
        f"Of the dry feed {mean:.4g} % was found again, "
        f"{'within' if closed else 'outside'} the {rules.closure_min_pct:g} to "
        f"{rules.closure_max_pct:g} % that counts as closed."
    )
    return closed, (words,)


def _verdict(
    campaign: Campaign,
    ledger: Ledger,
    response: Response,
    observed: Mapping[str, Observations],
    before: list[int],
    places: list[int],
    settings: tuple[float, ...],
) -> Confirmation | None:
    """Return the verdict on one response; None where there is nothing to judge by."""
    from doe.analysis.confirmation import Promise, confirmation, limit_alone

    data = observed[response.name]
    values = np.array([data.values[i] for i in _usable(data, places)])
    if not len(values):
        return None
    if len({data.values[i] for i in _usable(data, before)}) < LEAST_TO_JUDGE:
        return limit_alone(response, values)
    own = _known_before(campaign, ledger, response, data, before)
    group = "stage" if days_told(ledger) is None else "day"
    made = read_stage(campaign.folder, ledger.rows[places[0]].stage)
    promise = None if made is None else Promise(made.promised_of, made.promised)
    known = np.array([data.values[i] for i in _usable(data, before)])
    return confirmation(response, own, np.array(settings), values, group, promise, known)


def _usable(data: Observations, places: Sequence[int]) -> list[int]:
    reasons = data.reasons()
    return [i for i in places if reasons[i] is None]


def _known_before(
    campaign: Campaign,
    ledger: Ledger,
    response: Response,
    data: Observations,
    before: Sequence[int],
) -> Surrogate:
    """Return the surrogate of a response from the runs of earlier stages alone."""
    from doe.analysis.decision import surrogate_of

    usable, days = _usable(data, before), days_told(ledger)
    return surrogate_of(
        response,
        data.only(usable),
        None if days is None else [days[i] for i in usable],
        np.random.default_rng([campaign.seed, len(usable)]),
    )


def _run_again(
    campaign: Campaign,
    ledger: Ledger,
    observed: Mapping[str, Observations],
    before: Sequence[int],
    places: Sequence[int],
    failed: Sequence[str],
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return what later runs at the settings of a confirmation tell of each response that failed.

    With it comes a remark on such runs that tell nothing of a day: those of the same day share
    whatever it did, and of one not written down it is not known.
    """
    from doe.analysis.confirmation import run_again

    first, days = ledger.rows[places[0]], days_told(ledger)
    own_days = {0} if days is None else {0} | {days[i] for i in places}
    later = [
        i
        for i, row in enumerate(ledger.rows)
        if row.stage > first.stage and row.settings == first.settings and row.status == "done"
    ]
    known = days is None or all(days[i] for i in places)
    tell = [i for i in later if days is None or (known and days[i] not in own_days)]
    told = []
    for response in (r for r in campaign.responses if r.name in failed):
        data = observed[response.name]
        sides = data.censored or (None,) * len(ledger.rows)
        confirming, again = _usable(data, places), _usable(data, tell)
        if not again or any(sides[i] for i in (*confirming, *again)):
            continue
        told.append(
            run_again(
                response,
                _known_before(campaign, ledger, response, data, before),
                np.array(first.settings),
                np.array([data.values[i] for i in confirming]),
                np.array([data.values[i] for i in again]),
                standing.runs_in_words([ledger.rows[i].run for i in again]).lower(),
                "stage" if days is None else "day",
            )
        )
    if told or not failed or not later:
        return tuple(told), ()
    runs = standing.runs_in_words([ledger.rows[i].run for i in later])
    remark = (
        f"{runs}, at the same settings, {'tells' if len(later) == 1 else 'tell'} nothing of why: "
        "made on the day of the confirming runs, on a day that is not written down, or without a "
        "value that can be used."
    )
    return (), (remark,)
