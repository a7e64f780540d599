"""Confirming runs of a campaign: whether they held what was promised, and if not, why not.

Shapes: n confirming runs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from doe import as_recorded, standing
from doe.campaign import Campaign
from doe.errors import Notice
from doe.factors import NumericFactor
from doe.ledger import Ledger, LedgerRow
from doe.modelling import days_told, swings
from doe.responses import Response
from doe.stage import read_stage
from doe.wording import capital, listed, runs_in_words

if TYPE_CHECKING:
    from doe.analysis.confirmation import Confirmation, Confirmed, Missed
    from doe.analysis.observations import Observations
    from doe.analysis.surrogate import Surrogate

__all__ = ["confirmations", "done_words", "not_confirmed", "settled"]

NEAR = 0.1
"""Coded distance within which a run counts as made at its planned settings (our rule)."""
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
    for (stage, settings), every in groups.items():
        runs = [ledger.rows[i].run for i in every]
        places = [i for i in every if not _made_elsewhere(campaign, ledger.rows[i])]
        before = [i for i, row in enumerate(ledger.rows) if row.stage < stage]
        verdicts = [
            verdict
            for response in campaign.responses
            if (verdict := _verdict(campaign, ledger, response, observed, before, places, settings))
        ]
        if places and not verdicts:
            continue
        judged = [ledger.rows[i].run for i in places]
        closed, closure = _closure_verdict([closures[run] for run in judged if run in closures])
        missed = _missed(verdicts, closed) if places else "elsewhere"
        failed = [v.response for v in verdicts if v.known and not v.held]
        why, remark = _run_again(campaign, ledger, observed, before, places or every, failed)
        away = _elsewhere_words(campaign, [ledger.rows[i] for i in every if i not in places])
        told = " ".join([*away, *(v.words for v in verdicts), *closure, *why, *remark])
        came = "it did not hold" if missed else "it held"
        what = f"Confirmation, {runs_in_words(runs).lower()}: {came}. {told}"
        found.append(
            Confirmed(
                tuple(runs),
                settings,
                Notice("confirmation", what, good=not missed),
                missed,
                " ".join(why),
                bool(campaign.feasible(np.array([settings]))[0]),
                "" if missed else _little(campaign, verdicts),
            )
        )
    return tuple(found)


def _missed(verdicts: Sequence[Confirmation], closed: bool) -> Missed:
    """Return what did not hold of runs made where they were to be; empty where all did."""
    if any(v.known and not v.held for v in verdicts):
        return "interval"
    if any(v.limit_kept is False for v in verdicts):
        return "limit"
    if any(not v.known for v in verdicts):
        return "unknown"
    return "" if closed else "closure"


def _made_elsewhere(campaign: Campaign, row: LedgerRow) -> bool:
    """Tell whether a run as achieved was not at its planned settings, the rig's swings allowed."""
    strays = swings(campaign)
    for i, factor in enumerate(campaign.space):
        got, planned = row.achieved[i], row.settings[i]
        if got is None:
            continue
        near = 0.0
        if isinstance(factor, NumericFactor):
            near = max(NEAR * factor.half_range, float(strays[i]))
        if abs(got - planned) > near + 1e-9:
            return True
    return False


def _elsewhere_words(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[str, ...]:
    """Return a sentence on runs that were not made at the settings to be confirmed."""
    if not rows:
        return ()
    at = [
        f"{runs_in_words([row.run]).lower()} at "
        f"{standing.setting_words(campaign.space, as_recorded.achieved_settings([row])[0])}"
        for row in rows
    ]
    wanted = standing.setting_words(campaign.space, rows[0].settings)
    few = len(rows) == 1
    return (
        f"{capital(listed(at))} {'was' if few else 'were'} not made at {wanted}, and "
        f"{'tells' if few else 'tell'} nothing of it.",
    )


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
    from doe.analysis.confirmation import Promise, beyond_detection, confirmation, limit_alone

    data, usable = observed[response.name], _usable(observed[response.name], places)
    values = np.array([data.values[i] for i in usable])
    if not len(values):
        return None
    sides = [data.censored[i] if data.censored else None for i in usable]
    if any(sides):
        return beyond_detection(response, values, sides)
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
    later = [
        i
        for i, row in enumerate(ledger.rows)
        if row.stage > first.stage and row.settings == first.settings and row.status == "done"
    ]
    mute = {i: why for i in later if (why := _tells_nothing(campaign, ledger, places, i))}
    tell = [i for i in later if i not in mute]
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
                runs_in_words([ledger.rows[i].run for i in again]).lower(),
                "stage" if days is None else "day",
            )
        )
    if told or not failed or not later:
        return tuple(told), ()
    each = [
        f"{runs_in_words([ledger.rows[i].run])} tells nothing of why: "
        f"{mute.get(i, 'no value of it can be used')}."
        for i in later
    ]
    return (), tuple(each)


def _tells_nothing(campaign: Campaign, ledger: Ledger, places: Sequence[int], i: int) -> str:
    """Return why a later run tells nothing of the day of confirming runs; empty where it may."""
    if _made_elsewhere(campaign, ledger.rows[i]):
        return "it was not made at these settings"
    days = days_told(ledger)
    if days is None:
        return ""
    blank = [ledger.rows[j].run for j in (*places, i) if not days[j]]
    if blank:
        runs = runs_in_words(blank).lower()
        return f"day is blank in runs.csv for {runs}"
    if days[i] in {days[j] for j in places}:
        return "it was made on the day of the confirming runs"
    return ""


def done_words(campaign: Campaign, ledger: Ledger, confirmed: Sequence[Confirmed]) -> str:
    """Return that settings are confirmed and nothing is left to do; empty where that is not so.

    Runs that wait, repeats that are asked for, and results of later stages open a campaign again.
    """
    at = settled(ledger, confirmed)
    if at is None or standing.open_runs(ledger) or standing.repeats_due(campaign, ledger):
        return ""
    runs = confirmed[-1].runs
    work = (
        "Work at these settings."
        if campaign.limits_confirmed
        else "Work at these settings once the rig's limits are confirmed."
    )
    held = (
        f"Confirmed, done: {standing.setting_words(campaign.space, at)} held in {len(runs)} "
        f"fresh runs ({runs_in_words(runs).lower()})."
    )
    stage = next(row.stage for row in ledger.rows if row.run == runs[0])
    record, now = read_stage(campaign.folder, stage), campaign.fixed_in_words()
    moved = ""
    if record is not None and record.fixed != now:
        moved = (
            f"They were confirmed with {listed(record.fixed)}; campaign.toml now says "
            f"{listed(now)}."
        )
    return " ".join(filter(None, [held, confirmed[-1].little, moved, work]))


def not_confirmed(ledger: Ledger, confirmed: Sequence[Confirmed]) -> str:
    """Return that the last confirmation did not hold; empty where it did, or was answered since."""
    from doe.analysis.confirmation import unanswered

    done = {row.run: row.stage for row in ledger.rows if row.status == "done"}
    failed = unanswered(confirmed, done)
    if failed is None:
        return ""
    runs = runs_in_words(failed.runs)
    return f"{runs} did not confirm what was recommended. "


def settled(ledger: Ledger, confirmed: Sequence[Confirmed]) -> tuple[float, ...] | None:
    """Return the settings that fresh runs confirmed, where no later stage has results."""
    from doe.analysis.confirmation import CONFIRMED_BY

    if not confirmed or not confirmed[-1].held or len(confirmed[-1].runs) < CONFIRMED_BY:
        return None
    stage = next(row.stage for row in ledger.rows if row.run == confirmed[-1].runs[0])
    later = any(row.stage > stage and row.status == "done" for row in ledger.rows)
    return None if later else confirmed[-1].settings
