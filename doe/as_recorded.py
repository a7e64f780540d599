"""What was recorded: runs that passed limits or boiled, and values that look like slips.

Shapes: n runs, k factors.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from doe import rig as rig_room
from doe.campaign import Campaign, shaping_parts
from doe.errors import Notice
from doe.factors import CategoricalFactor, FloatArray, NumericFactor
from doe.ledger import LedgerRow, prepares
from doe.log_record import LogRecord, read_log_records
from doe.quantities import IN_CELSIUS
from doe.samples import drain_label_of, label_of
from doe.stage import read_stage
from doe.wording import listed, lowered, runs_in_words

if TYPE_CHECKING:
    from doe.sheet.portions import Bottle

__all__ = [
    "achieved_settings",
    "assumed_settings",
    "beyond",
    "beyond_as_achieved",
    "beyond_by_logs",
    "boiled",
    "boiled_if_held",
    "boiled_words",
    "bottled_oddly",
    "done_runs",
    "doubtful",
    "fixed_then",
    "impossible_values",
    "in_another_unit",
    "limits_passed",
    "lost_to_vapour",
    "recorded_oddly",
    "unit_costs_runs",
    "values_to_check",
]

SLIP = 0.5
"""Share of a range by which an achieved setting may miss the planned one before it is asked
about."""
NEAR = {"kelvin": 25.0, "°F": 10.0}
"""How far from the plan [K] an achieved temperature may lie, were it written in another unit, to be
asked about (our rule)."""
ALL = {"%": 100.0, "mg/g": 1e3, "g/kg": 1e3, "mg/kg": 1e6, "µg/g": 1e6, "g/100 g": 100.0}
"""What all of a mass is in units of a share of it."""
MORE_THAN_ALL = 1.05
"""As a share of it, what no weighing explains."""
FAR_ABOVE, STAYS_ASKED, FEW_OF = 8.0, 50.0, 3
"""A response this many times the next lower value, met by at most one in so many, is asked about
when it is handed in, and from the second on until it is corrected: that is seldom what settings do,
and often a unit, a dilution or a decimal sign (our rule)."""
SLIP_MENDED = "Is that a slip? If so, correct and hand it in again, with --replace."
WATER_SLIP = 0.2
"""Share by which water weighed may differ from water expected before it is asked about."""
WATER_CLOSES = 0.05
"""Share of the water that may be in no bottle and all of it still be taken as there."""
FAR = 3.0
"""How many times more or less than planned a sample may be before it is asked about."""
DECLARED_SLACK = 1e-4
"""What figures of a record may exceed a declared value by, K or bar: they keep six digits."""
PRESSURES = ("pressure", "pressure_above_saturation")
ASK_BEFORE_HEAT = "Ask the competent person for this rig before the next hot run."
OVERSHOT = "the temperature peaked above its set value by up to"
STRAYED = "the pressure strayed during the extraction from its set value by up to"
ANOTHER_RUN = (
    "Ask first whether the log is of that run: for half of the extraction or more it lies beyond "
    "what is declared, as where a log of another run was taken, or another value was set. If it is "
    "another run's, record the right one with --replace; if it is of that run, "
)
BOILS = 3  # `Envelope.boiling`: below saturation at the values themselves


def achieved_settings(rows: Sequence[LedgerRow]) -> FloatArray:
    """Return the settings (n, k) that runs had; planned ones where no others were recorded."""
    return np.array(
        [
            [p if got is None else got for p, got in zip(row.settings, row.achieved, strict=True)]
            for row in rows
        ],
        dtype=np.float64,
    )


def done_runs(rows: Sequence[LedgerRow]) -> list[LedgerRow]:
    """Return the runs of the design that are done."""
    return [row for row in rows if row.status == "done" and not prepares(row)]


def _as_fixed_then(
    campaign: Campaign, rows: Sequence[LedgerRow]
) -> Iterator[tuple[Campaign, list[LedgerRow]]]:
    """Yield runs by stage, with the campaign as it was fixed when their stage was planned."""
    for stage in sorted({row.stage for row in rows}):
        yield fixed_then(campaign, stage), [row for row in rows if row.stage == stage]


def fixed_then(campaign: Campaign, stage: int) -> Campaign:
    """Return the campaign as it was fixed when a stage was planned.

    What the stage's record does not have is taken from the file as it is now.
    """
    record = read_stage(campaign.folder, stage)
    return campaign if record is None else campaign.with_fixed(record.fixed)


def assumed_settings(rows: Sequence[LedgerRow]) -> tuple[Notice, ...]:
    """Return a notice where runs count at their planned settings for want of others."""
    done = done_runs(rows)
    assumed = [row.run for row in done if any(value is None for value in row.achieved)]
    if not assumed:
        return ()
    which = "every run" if len(assumed) == len(done) else f"{len(assumed)} of {len(done)} runs"
    return (
        Notice(
            "achieved-not-recorded",
            f"For {which} some achieved settings were not recorded; the planned ones were taken.",
        ),
    )


def doubtful(campaign: Campaign) -> tuple[Notice, ...]:
    """Return a notice on runs that are kept, but by their logs want a fit without them too."""
    records = read_log_records(campaign.folder)
    runs = [run for run, record in records.items() if record.doubtful]
    if not runs:
        return ()
    rules = ", ".join(dict.fromkeys(records[run].rule for run in runs))
    what = (
        f"{runs_in_words(runs)} kept, but doubtful by the log ({rules}): see whether the fit is "
        "the same without."
    )
    return (Notice("doubtful-runs", what),)


def limits_passed(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[Notice, ...]:
    """Return loud notices on limits that runs went beyond, by their logs and as achieved."""
    return (*beyond_as_achieved(campaign, rows), *beyond_by_logs(campaign))


def beyond_by_logs(campaign: Campaign) -> tuple[Notice, ...]:
    """Return the notices of `beyond` for all logs on record."""
    return beyond(campaign, tuple(read_log_records(campaign.folder).values()))


def beyond(campaign: Campaign, records: Sequence[LogRecord]) -> tuple[Notice, ...]:
    """Return loud notices where logs passed limits, or what the file declares of the controllers.

    What was declared is what `campaign.toml` says now: raised to what was seen, it is covered.
    """
    rig = campaign.rig
    limits = [r for r in records if r.limits_passed]
    notices = []
    if limits:
        told = ". ".join(
            f"Run {record.run} ({record.log}): {'. '.join(record.limits_passed)}"
            for record in limits
        )
        what = f"DANGER, limits were passed. {told}. {ASK_BEFORE_HEAT}"
        notices.append(Notice("log-limits-passed", what))
    for figure, said, key, unit, words in (
        ("overshoot_K", rig.temperature_overshoot, "temperature_overshoot", "K", OVERSHOT),
        ("pressure_strayed_bar", rig.pressure_swing, "pressure_swing", "bar", STRAYED),
    ):
        seen = {r.run: r.found.get(figure, 0.0) for r in records}
        runs = [run for run, value in seen.items() if value > said + DECLARED_SLACK]
        elsewhere = [r.run for r in records if r.run in runs and _held_off(r, figure) > said]
        for some in ([run for run in runs if run not in elsewhere], elsewhere):
            if not some:
                continue
            most = max(seen[run] for run in some)
            needed = math.ceil(10 * most - 1e-3) / 10
            ask, write = (ANOTHER_RUN, "write") if some is elsewhere else ("", "Write")
            what = (
                f"DANGER, {runs_in_words(some).lower()}: by the log {words} {most:.3g} {unit}. "
                f"{key} declares {said:g} {unit}, and every margin to boiling and every limit of "
                f'the plan rests on it. {ask}{write} at least "{needed:g} {unit}" for it in '
                f"campaign.toml, run doe check {campaign.name}, and plan again what is no longer "
                f"allowed. {ASK_BEFORE_HEAT}"
            )
            notices.append(Notice("log-beyond-declared", what))
    return tuple(notices)


def beyond_as_achieved(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[Notice, ...]:
    """Return a loud notice where runs as achieved went beyond limits of the rig.

    Judged as a log is, by what was seen, runs left out too; of runs with a log that one tells, and
    those that may stand in another unit are asked about. What was not written down counts as set.
    """
    known = [row for row in rows if any(value is not None for value in row.achieved)]
    elsewhere = {*read_log_records(campaign.folder), *_meant_in_C(campaign, known)[1]}
    seen = [row for row in known if row.run not in elsewhere]
    if not seen:
        return ()
    alike: dict[tuple[str, str], list[tuple[float, int]]] = {}
    for row, celsius, bara in _seen(campaign, seen):
        pressure = None if bara is None else np.array([bara])
        passed = rig_room.beyond_limits(campaign.rig, np.array([celsius]), pressure)
        shown = {"temperature": celsius}
        if pressure is not None:
            shown["pressure"] = float(campaign.rig.shown(pressure)[0])
        for of in dict.fromkeys(one.quantity for one in passed):
            limits = "; ".join(one.limit for one in passed if one.quantity == of)
            alike.setdefault((of, limits), []).append((shown[of], row.run))
    if not alike:
        return ()
    units = {"temperature": "°C", "pressure": campaign.rig.shown_unit}
    told = [
        f"{runs_in_words([run for _, run in runs])}: {'up to ' if len(runs) > 1 else ''}"
        f"{max(runs)[0]:.5g} {units[of]} as shown is beyond {limits}"
        for (of, limits), runs in alike.items()
    ]
    what = (
        f"DANGER, limits were passed by the achieved settings. {'. '.join(told)}. "
        f"{_newer_limits(campaign, seen, {run for runs in alike.values() for _, run in runs})}If "
        "an achieved setting is a slip, hand the cell in again, with --replace. If not: "
        f"{lowered(ASK_BEFORE_HEAT)}"
    )
    return (Notice("achieved-limits-passed", what),)


def _newer_limits(campaign: Campaign, rows: Sequence[LedgerRow], passed: Set[int]) -> str:
    """Say of which runs, of those that `passed` limits, these may have been written later.

    That of a stage is known by its record: the file has another rig now, or the record is gone.
    """
    now = shaping_parts(campaign)["rig"]
    changed, gone = [], []
    for stage in sorted({row.stage for row in rows if row.run in passed}):
        record = read_stage(campaign.folder, stage)
        if record is None:
            gone.append(f"stages/{stage}.toml")
        elif record.shaping.get("rig") != now:
            changed.append(f"stage {stage}")
    words = ""
    if changed:
        words += (
            f"[rig] in campaign.toml changed since {listed(changed)} "
            f"{'was' if len(changed) == 1 else 'were'} planned, so a limit may be newer than these "
            "runs, and they may have kept that of their day. "
        )
    if gone:
        words += (
            f"Without {listed(gone)} it cannot be told whether the limits are older than the runs. "
        )
    return words


def _seen(
    campaign: Campaign, rows: Sequence[LedgerRow]
) -> Iterator[tuple[LedgerRow, float, float | None]]:
    """Yield runs with the temperature [°C] that they reached and the pressure [bara] they held."""
    for then, own in _as_fixed_then(campaign, rows):
        temperatures = then.conditions(achieved_settings(own)).temperature_C.tolist()
        yield from zip(own, temperatures, _pressures_held(then, own), strict=True)


def _pressures_held(campaign: Campaign, rows: Sequence[LedgerRow]) -> list[float | None]:
    """Return the pressure [bara] that each run held: as achieved, else as it was set.

    Where its height above boiling is set, the sheet orders a pressure for the planned temperature:
    a hotter run held that, unless another was written down. With a headspace pressure is a result
    of the temperature reached.
    """
    if not rows:
        return []
    as_set = campaign.conditions([row.settings for row in rows]).pressure_bara
    achieved = campaign.conditions(achieved_settings(rows)).pressure_bara
    if as_set is None or achieved is None:
        return [None] * len(rows)
    names = campaign.space.names
    told = [i for i, name in enumerate(names) if name in PRESSURES]
    by_result = campaign.batch_kind == "headspace"
    return [
        float(
            achieved[n]
            if by_result or any(row.achieved[i] is not None for i in told)
            else as_set[n]
        )
        for n, row in enumerate(rows)
    ]


def _held_off(record: LogRecord, figure: str) -> float:
    """Return how far off its set value a run was held, by the median of its extraction."""
    found = record.found
    if figure == "overshoot_K" and {"usual_C", "set_temperature_C"} <= found.keys():
        return found["usual_C"] - found["set_temperature_C"]
    return found.get("pressure_held_off_bar", 0.0) if figure == "pressure_strayed_bar" else 0.0


def boiled(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[int, ...]:
    """Return the runs whose achieved settings lie in the vapour: what came out is no extract.

    Each by what its stage was planned with, not by what the file may have been changed to since.
    """
    found = (boiled_if_held(then, own) for then, own in _as_fixed_then(campaign, rows))
    return tuple(sorted(itertools.chain.from_iterable(found)))


def boiled_if_held(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[int, ...]:
    """Return the runs that boiled if they were held at the fixed settings of `campaign`.

    Where the height above boiling is set, a run hotter than planned held the pressure ordered for
    the planned temperature, unless another was written down.
    """
    known = [row for row in rows if any(value is not None for value in row.achieved)]
    if not known:
        return ()
    try:
        codes = campaign.envelope(achieved_settings(known)).boiling
    except (ValueError, ArithmeticError):
        return ()
    if codes is None:
        return ()
    found = {row.run for row, code in zip(known, codes, strict=True) if code == BOILS}
    temperatures = campaign.conditions(achieved_settings(known)).temperature_C
    boiling = rig_room.boiling_pressure_bara(campaign.rig, temperatures)
    held = _pressures_held(campaign, known)
    found |= {
        row.run
        for row, bara, least in zip(known, held, boiling, strict=True)
        if bara is not None and bara < least
    }
    return tuple(sorted(found))


def lost_to_vapour(campaign: Campaign, rows: Sequence[LedgerRow]) -> frozenset[int]:
    """Return the runs of the design that boiled, but for those that may stand in another unit."""
    done = done_runs(rows)
    vapour = boiled(campaign, done)
    return frozenset(vapour) - set(_meant_in_C(campaign, done)[1] if vapour else ())


def _just_boiled(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[Notice, ...]:
    """Return a notice on runs, just recorded, that boiled."""
    vapour = lost_to_vapour(campaign, rows)
    return (Notice("boiled", boiled_words(vapour)),) if vapour else ()


def boiled_words(vapour: Iterable[int]) -> str:
    """Say which runs boiled, and that no fit takes them."""
    runs = sorted(vapour)
    be = "is" if len(runs) == 1 else "are"
    return f"{runs_in_words(runs)} boiled as achieved and {be} left out of the fits."


def recorded_oddly(
    campaign: Campaign, rows: Sequence[LedgerRow], among: Sequence[LedgerRow]
) -> tuple[Notice, ...]:
    """Return notices on values that look like slips, and on runs that broke a limit as achieved.

    Of the runs just recorded, which stand `among` all others.

    Temperatures that look like another unit are asked about once; what else there is to say of
    these runs is said of the temperatures that were then meant.
    """
    unit, meant = _meant_in_C(campaign, rows)
    likely = [_at_temperature(campaign, row, meant.get(row.run)) for row in rows]
    return (
        *in_another_unit(campaign, rows),
        *_far_from_planned(campaign, likely),
        *_other_level(campaign, rows),
        *values_to_check(campaign, among, {row.run for row in rows}),
        *_odd_weighings(campaign, rows),
        *_water_far_off(campaign, likely),
        *beyond_as_achieved(campaign, rows),
        *_just_boiled(campaign, rows),
        *_limits_broken(campaign, likely, dict.fromkeys(meant, unit)),
    )


def in_another_unit(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[Notice, ...]:
    """Return the question whether achieved temperatures of runs were written in another unit.

    It says what becomes of these runs until they are corrected, and, for the case that the figures
    are right, that they passed limits.
    """
    unit, meant = _meant_in_C(campaign, rows)
    if not meant:
        return ()
    own = [row for row in rows if row.run in meant]
    place = campaign.space.names.index("temperature")
    got, few = own[0].achieved[place], len(own) == 1
    vapour = boiled(campaign, own)
    if len(vapour) == len(own):
        until = f"{'it is' if few else 'they are'} left out of every fit, as having boiled"
    elif vapour:
        until = (
            f"{runs_in_words(vapour).lower()} {'is' if len(vapour) == 1 else 'are'} left out of "
            "every fit, as having boiled, and the others count as they stand"
        )
    else:
        until = f"{'it counts' if few else 'they count'} as {'it stands' if few else 'they stand'}"
    what = (
        f"{runs_in_words(sorted(meant))}: achieved_temperature_C looks like {unit}, not °C "
        f"({'' if few else f'run {own[0].run}: '}{got:g} where {own[0].settings[place]:g} °C was "
        f"planned; from {unit} that is {meant[own[0].run]:.1f} °C). In which unit was it read? "
        "Unless it was °C, convert the column and hand it in again, with --replace; until then "
        f"{until}."
    )
    if _limits_broken(campaign, own):
        what += f" If it was °C, limits of the rig were passed. {ASK_BEFORE_HEAT}"
    return (Notice("temperature-in-another-unit", what),)


def unit_costs_runs(campaign: Campaign, rows: Sequence[LedgerRow]) -> bool:
    """Tell whether runs are left out as boiled whose temperatures look like another unit."""
    _, meant = _meant_in_C(campaign, rows)
    return bool(meant and boiled(campaign, [row for row in rows if row.run in meant]))


def _meant_in_C(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[str, Mapping[int, float]]:
    """Return the unit that explains most achieved temperatures far from the plan, and these in °C.

    Keyed by run; the unit is empty where none explains any.
    """
    if "temperature" not in campaign.space.names:
        return "", {}
    place = campaign.space.names.index("temperature")
    pairs = {row.run: (row.settings[place], row.achieved[place]) for row in rows}
    best: tuple[str, dict[int, float]] = ("", {})
    least = math.inf
    for unit, in_C in IN_CELSIUS.items():
        near = NEAR[unit]
        meant = {
            run: in_C(got)
            for run, (planned, got) in pairs.items()
            if got is not None and abs(in_C(got) - planned) <= near < abs(got - planned)
        }
        off = sum(abs(value - pairs[run][0]) for run, value in meant.items())
        if meant and (-len(meant), off) < (-len(best[1]), least):
            best, least = (unit, meant), off
    return best


def _at_temperature(campaign: Campaign, row: LedgerRow, temperature_C: float | None) -> LedgerRow:
    """Return a run with this achieved temperature; as it is where that is None."""
    if temperature_C is None:
        return row
    pairs = zip(campaign.space.names, row.achieved, strict=True)
    return replace(
        row, achieved=tuple(temperature_C if n == "temperature" else got for n, got in pairs)
    )


def _far_from_planned(campaign: Campaign, rows: Sequence[LedgerRow]) -> list[Notice]:
    found = []
    for row in rows:
        for factor, planned, got in zip(campaign.space, row.settings, row.achieved, strict=True):
            if got is None or not isinstance(factor, NumericFactor):
                continue
            if abs(got - planned) > SLIP * (factor.high - factor.low):
                what = (
                    f"Run {row.run}: {factor.name} {got:g} {factor.unit} was achieved where "
                    f"{planned:g} was planned. If that is a slip, hand the cell in again, with "
                    "--replace."
                )
                found.append(Notice("achieved-far-off", what))
    return found


def _other_level(campaign: Campaign, rows: Sequence[LedgerRow]) -> Iterator[Notice]:
    """Yield a question on each achieved level that is not the planned one."""
    for row in rows:
        for factor, planned, got in zip(campaign.space, row.settings, row.achieved, strict=True):
            if got is None or not isinstance(factor, CategoricalFactor) or got == planned:
                continue
            what = (
                f"Run {row.run}: {factor.name} {factor.levels[round(got)]} was achieved where "
                f"{factor.levels[round(planned)]} was planned. If that is a slip, hand the cell "
                "in again, with --replace."
            )
            yield Notice("achieved-other-level", what)


def values_to_check(
    campaign: Campaign, rows: Sequence[LedgerRow], only: Set[int] | None = None
) -> tuple[Notice, ...]:
    """Return the questions whether values are slips that all of `rows` leave, or of `only` some."""
    done = done_runs(rows)
    own = {row.run for row in done} if only is None else only
    of_own = [row for row in rows if row.run in own]
    far = STAYS_ASKED if only is None else FAR_ABOVE
    return (*impossible_values(campaign, of_own), *_far_above_others(campaign, own, done, far))


def impossible_values(campaign: Campaign, rows: Sequence[LedgerRow]) -> Iterator[Notice]:
    """Yield one question on all values of a response below zero, one on those above all of it."""
    for i, response in enumerate(campaign.responses):
        all_of_it = ALL.get(response.unit, math.inf)
        known = {row.run: value for row in rows if (value := row.responses[i]) is not None}
        below = {run: v for run, v in known.items() if v < 0 and response.never_negative}
        above = {run: v for run, v in known.items() if v > MORE_THAN_ALL * all_of_it}
        for code, found, words in (
            ("below-zero", below, "below zero"),
            ("more-than-all", above, f"more than all of it ({all_of_it:g} {response.unit})"),
        ):
            if not found:
                continue
            first, value = next(iter(found.items()))
            at = f"{value:g} {response.unit}" + (f" in run {first}" if len(found) > 1 else "")
            what = f"{runs_in_words(list(found))}: {response.words} is {words}, {at}."
            yield Notice(code, f"{what} {SLIP_MENDED}")


def _far_above_others(
    campaign: Campaign, own: Set[int], rows: Sequence[LedgerRow], far: float
) -> Iterator[Notice]:
    """Yield the question whether values of a few runs, far above all others, are in another unit.

    Where the values leave a gap, those above it, if any value is of the runs of `own`: a few runs
    must be known to see it. What is more than all of a mass is asked about already.
    """
    for i, response in enumerate(campaign.responses):
        most = MORE_THAN_ALL * ALL.get(response.unit, math.inf)
        known = sorted(
            (value, row.run)
            for row in rows
            if (value := row.responses[i]) is not None and 0 < value <= most
        )
        gaps = [
            place
            for place in range(1, len(known))
            if known[place][0] > far * known[place - 1][0]
            and FEW_OF * (len(known) - place) <= len(known)
        ]
        if not gaps:
            continue
        (below, next_run), above = known[gaps[0] - 1], known[gaps[0] :]
        if not own & {run for _, run in known}:
            continue
        few = len(above) == 1
        yield Notice(
            "far-above-others",
            f"{runs_in_words([run for _, run in above])}: {response.words} "
            f"{'is' if few else 'is from'} {above[0][0]:g} {response.unit}{'' if few else ' up'}, "
            f"{above[0][0] / below:.0f} times the highest of the others ({below:g}, run "
            f"{next_run}). Was {'it' if few else 'each'} written in another unit, or without a "
            "dilution or a decimal sign? If so, correct it and hand it in again, with --replace.",
        )


def _odd_weighings(campaign: Campaign, rows: Sequence[LedgerRow]) -> list[Notice]:
    """Return notices on feed far from the planned mass, and on moistures that look like shares."""
    columns = campaign.schema.weighed_columns
    found = []
    weighed = [row for row in rows if row.weighed]
    planned_g: FloatArray | None = None
    if weighed:
        planned_g = campaign.conditions(np.array([row.settings for row in weighed])).bed_mass_g
    for i, row in enumerate(weighed):
        told = {c: v for c, v in zip(columns, row.weighed, strict=True) if isinstance(v, float)}
        feed = told.get("feed_g")
        planned = None if planned_g is None else float(np.broadcast_to(planned_g, len(weighed))[i])
        if feed is not None and planned and abs(feed / planned - 1) > SLIP and not prepares(row):
            what = (
                f"Run {row.run}: feed_g {feed:g} g where {planned:g} g was planned. Is it a slip?"
            )
            found.append(Notice("feed-far-off", what))
        if feed and row.kind == "blank":
            what = (
                f"Run {row.run} is a blank and takes no feedstock, but feed_g is {feed:g} g. Is it "
                "of another run? Then empty the cell in runs.csv. If feed was in, it is no blank: "
                "say so in the notes."
            )
            found.append(Notice("feed-in-blank", what))
        for column, value in told.items():
            if column.endswith("moisture_pct") and 0 < value < 1:
                what = (
                    f"Run {row.run}: {column} is {value:g} %. If the share was meant, write "
                    f"{100 * value:g}."
                )
                found.append(Notice("moisture-as-share", what))
    return found


def _water_far_off(campaign: Campaign, rows: Sequence[LedgerRow]) -> list[Notice]:
    """Return notices on water weighed that is far from what flow and minutes give."""
    weighed = [(row, value) for row in rows if (value := _weighed(campaign, row, "water_pumped_g"))]
    expected = _water_expected_g(campaign, [row for row, _ in weighed])
    found = []
    for (row, value), wanted in zip(weighed, expected, strict=True):
        off = value / wanted - 1 if wanted else 0.0
        if abs(off) > WATER_SLIP:
            what = (
                f"Run {row.run}: {value:g} g of water were weighed, and flow and minutes give "
                f"{wanted:.0f} g (ramps and flush included): {100 * abs(off):.0f} % "
                f"{'more' if off > 0 else 'less'}. Is it a slip, or did the pump deliver otherwise "
                "than it showed?"
            )
            found.append(Notice("water-far-off", what))
    return found


def _weighed(campaign: Campaign, row: LedgerRow, column: str) -> float | None:
    columns = campaign.schema.weighed_columns
    if column not in columns or not row.weighed:
        return None
    return row.weighed[columns.index(column)]


def _water_expected_g(campaign: Campaign, rows: Sequence[LedgerRow]) -> list[float | None]:
    """Return the water that runs take by their achieved settings [g], None where not known.

    A liquid-full vessel takes what its bed leaves free, which is seldom known well.
    """
    if not rows or campaign.batch_kind == "liquid-full":
        return [None] * len(rows)
    try:
        at = campaign.conditions(achieved_settings(rows))
        drawn = rig_room.water_drawn_g(campaign.rig, at)
    except (ValueError, ArithmeticError):
        return [None] * len(rows)
    return [None] * len(rows) if drawn is None else drawn.tolist()


def bottled_oddly(
    campaign: Campaign, rows: Sequence[LedgerRow], bottles: Sequence[Bottle], runs: set[int]
) -> tuple[Notice, ...]:
    """Return notices on bottles of some runs that look like slips: when, and how much."""
    found: list[Notice] = []
    own = [bottle for bottle in bottles if bottle.run in runs]
    untimed = [
        f"{b.label} of run {b.run}" for b in own if b.kind == "sample" and "time_min" not in b.cells
    ]
    if untimed:
        what = f"Without time_min, so on no extraction curve: {', '.join(untimed)}."
        found.append(Notice("sample-without-time", what))
    found += _thinned_the_wrong_way(own)
    for row in rows:
        of_run = [bottle for bottle in own if bottle.run == row.run]
        if of_run:
            samples = [bottle for bottle in of_run if bottle.kind == "sample"]
            found += _odd_times(campaign, row, samples)
            found += _odd_amounts(campaign, row, of_run)
            found += _odd_total(campaign, row, of_run)
            found += _portions_missing(campaign, row, of_run)
            found += _not_planned(campaign, row, of_run)
    return (*found, *_kinds_missing(campaign, rows, own))


def _thinned_the_wrong_way(bottles: Sequence[Bottle]) -> Iterator[Notice]:
    """Yield a notice on each dilution below 1: the share may be meant, or a concentrate."""
    for bottle in bottles:
        for column, value in bottle.cells.items():
            if column.endswith("_dilution") and 0 < value < 1:
                what = (
                    f"Run {bottle.run}, {bottle.label}: {column} is {value:g}; what was diluted "
                    f"has more than 1. If 1 part in {1 / value:.4g} was meant, write "
                    f"{1 / value:.4g}; {value:g} stands for a bottle that was concentrated."
                )
                yield Notice("dilution-below-1", what)


def _odd_times(campaign: Campaign, row: LedgerRow, samples: Sequence[Bottle]) -> Iterator[Notice]:
    """Yield notices on samples drawn outside their run, out of order, or far from the plan."""
    timed = [(b, b.cells["time_min"]) for b in samples if "time_min" in b.cells]
    lasting = campaign.conditions(achieved_settings([row])).time_min
    end = None if lasting is None else float(np.broadcast_to(lasting, (1,))[0])
    minutes = campaign.sample_minutes([row.settings])[0].tolist()
    planned = {label_of(place): minute for place, minute in enumerate(minutes)}
    for bottle, at in timed:
        who = f"Run {row.run}: sample {bottle.label} was drawn at {at:g} min"
        wanted = planned.get(bottle.label)
        if at < 0:
            what = f"{who}, before the extraction began. Is that a slip?"
            yield Notice("sample-before-start", what)
        elif end is not None and at > end:
            what = f"{who}, but the extraction took {end:g} min. Is that a slip?"
            yield Notice("sample-after-end", what)
        elif end is not None and wanted is not None and abs(at - wanted) > SLIP * end:
            what = f"{who}, where {wanted:g} min was planned. Is that a slip?"
            yield Notice("sample-time-far-off", what)
    by_label = {bottle.label: (bottle, at) for bottle, at in timed}
    in_order = [by_label[label] for label in planned if label in by_label]
    for (before, first), (after, second) in itertools.pairwise(in_order):
        if second <= first:
            what = (
                f"Run {row.run}: sample {after.label} was drawn at {second:g} min, not after "
                f"{before.label} at {first:g} min. Were times or bottles exchanged?"
            )
            yield Notice("sample-times-fall", what)


def _odd_amounts(campaign: Campaign, row: LedgerRow, bottles: Sequence[Bottle]) -> Iterator[Notice]:
    """Yield notices on samples far from the planned volume, and volumes that weigh oddly."""
    plan = campaign.samples
    for bottle in bottles:
        volume, mass = bottle.cells.get("volume_mL"), bottle.cells.get("mass_g")
        who = f"Run {row.run}: {bottle.kind} {bottle.label}"
        if volume and mass and not 0.5 <= mass / volume <= 2:
            what = (
                f"{who} has {volume:g} mL that weigh {mass:g} g, {mass / volume:.2g} g/mL. Is one "
                "of them a slip?"
            )
            yield Notice("density-odd", what)
        if bottle.kind != "sample" or plan is None:
            continue
        for value, unit, wanted in (
            (volume, "mL", plan.volume),
            (mass, "g", plan.volume),
            (bottle.cells.get("discard_mL"), "mL discarded", plan.discard),
        ):
            if value is not None and wanted > 0 and not 1 / FAR <= value / wanted <= FAR:
                what = f"{who} has {value:g} {unit} where {wanted:g} mL was planned. Is it a slip?"
                yield Notice("sample-amount-far-off", what)


def _portions_missing(
    campaign: Campaign, row: LedgerRow, bottles: Sequence[Bottle]
) -> Iterator[Notice]:
    """Yield a notice where only some of the portions that the sheet plans are recorded."""
    drains = rig_room.drain_minutes(campaign.rig, campaign.conditions([row.settings]))[0]
    planned = [drain_label_of(place) for place in range(len(drains) + 1)]
    there = {bottle.label for bottle in bottles if bottle.kind == "drain"}
    missing = [label for label in planned if label not in there]
    if campaign.schema.derives and missing and len(missing) < len(planned):
        what = (
            f"Run {row.run}: {', '.join(missing)} of the portions {planned[0]} to {planned[-1]} "
            f"{'are' if len(missing) > 1 else 'is'} not recorded: if there was extract in them, "
            "the yield is too low by that."
        )
        yield Notice("portions-missing", what)


def _not_planned(campaign: Campaign, row: LedgerRow, bottles: Sequence[Bottle]) -> Iterator[Notice]:
    """Yield a notice on bottles that the sheet does not plan beside those that it does.

    Drains under the person's own labels throughout are none beside the planned ones.
    """
    drains = rig_room.drain_minutes(campaign.rig, campaign.conditions([row.settings]))[0]
    draws = campaign.sample_minutes([row.settings])[0]
    planned = {
        "drain": [drain_label_of(place) for place in range(len(drains) + 1)],
        "sample": [label_of(place) for place in range(len(draws))],
    }
    for kind, labels in planned.items():
        there = [bottle.label for bottle in bottles if bottle.kind == kind]
        others = [label for label in there if label not in labels]
        if others and labels and (kind == "sample" or len(others) < len(there)):
            span = labels[0] if len(labels) == 1 else f"{labels[0]} to {labels[-1]}"
            what = (
                f"Run {row.run}: {kind} {', '.join(others)} is not among those that the sheet "
                f"plans, {span}. Is it one more, or one of these under another name? Then it "
                "counts twice."
            )
            yield Notice("bottle-not-planned", what)


def _kinds_missing(
    campaign: Campaign, rows: Sequence[LedgerRow], bottles: Sequence[Bottle]
) -> Iterator[Notice]:
    """Yield a notice on runs without a drained portion, and on those whose flush is nowhere."""
    no_drain, no_flush = [], []
    for row in rows:
        own = [bottle for bottle in bottles if bottle.run == row.run]
        dried = _weighed(campaign, row, "extract_dry_g") is not None
        if not own or dried or prepares(row) or not campaign.schema.derives:
            continue
        kinds = {bottle.kind for bottle in own}
        if "drain" not in kinds:
            no_drain.append(row.run)
        elif "flush" not in kinds and not _flush_is_in(campaign, row, own):
            no_flush.append(row.run)
    if no_drain:
        what = (
            f"{runs_in_words(no_drain)}: no drain is among the portions; the yield is too low by "
            "what was drained."
        )
        yield Notice("portion-missing", what)
    if no_flush:
        what = (
            f"{runs_in_words(no_flush)}: no flush is among the portions, nor does a drain at the "
            "end take it in. If it was thrown away, the yield is too low by what it held."
        )
        yield Notice("portion-missing", what)


def _flush_is_in(campaign: Campaign, row: LedgerRow, bottles: Sequence[Bottle]) -> bool:
    """Tell whether no flush is planned, a drain at the end takes it in, or the water is all there.

    Drained at the end is the last portion that the sheet plans, or what was timed so.
    """
    if not campaign.rig.flush_time:
        return True
    drains = [bottle for bottle in bottles if bottle.kind == "drain"]
    at = campaign.conditions(achieved_settings([row]))
    end = float(np.broadcast_to(at.time_min, (1,))[0])
    planned = rig_room.drain_minutes(campaign.rig, campaign.conditions([row.settings]))[0]
    last = drain_label_of(len(planned))
    if any(b.cells.get("time_min", end if b.label == last else -1.0) >= end for b in drains):
        return True
    went_in, _ = _went_in(campaign, row)
    return bool(went_in) and _liquid_g(bottles, discarded=True) > (1 - WATER_CLOSES) * went_in


def _liquid_g(bottles: Sequence[Bottle], discarded: bool = False) -> float:
    """Return what bottles hold [g], 1 mL taken as 1 g where it was not weighed."""
    return sum(
        (b.cells.get("mass_g") or b.cells.get("volume_mL", 0.0) * b.cells.get("density_g_mL", 1.0))
        + (b.cells.get("discard_mL", 0.0) if discarded else 0.0)
        for b in bottles
    )


def _went_in(campaign: Campaign, row: LedgerRow) -> tuple[float, str]:
    """Return the water that went in [g], 0 where not known, and how it is known."""
    weighed = _weighed(campaign, row, "water_pumped_g")
    by = "were weighed in" if weighed else "went in by flow and minutes"
    return weighed or _water_expected_g(campaign, [row])[0] or 0.0, by


def _odd_total(campaign: Campaign, row: LedgerRow, bottles: Sequence[Bottle]) -> Iterator[Notice]:
    """Yield a notice where much more liquid came out than water went in."""
    out, (went_in, by) = _liquid_g(bottles), _went_in(campaign, row)
    if went_in and out > (1 + WATER_SLIP) * went_in:
        what = (
            f"Run {row.run}: its bottles hold {out:.4g} g (1 mL taken as 1 g where not weighed), "
            f"and {went_in:.4g} g of water {by}. Does a bottle stand twice, or is a unit wrong?"
        )
        yield Notice("more-out-than-in", what)


def _limits_broken(
    campaign: Campaign, rows: Sequence[LedgerRow], units: Mapping[int, str] | None = None
) -> list[Notice]:
    """Return a notice for each run that broke limits as achieved, as if that had been planned.

    `units` holds, by run, the unit from which its temperature was converted, where it was.
    """
    known = [row for row in rows if any(value is not None for value in row.achieved)]
    notices = []
    try:
        judged = [
            (row, envelope, i)
            for then, own in _as_fixed_then(campaign, known)
            for envelope in (then.envelope(achieved_settings(own)),)
            for i, row in enumerate(own)
        ]
    except (ValueError, ArithmeticError):
        what = "The achieved settings could not be held against the rig's limits."
        return [Notice("achieved-not-checked", what)]
    for row, envelope, i in judged:
        broken = [envelope.limits[int(j)].title for j in np.flatnonzero(envelope.margin[i] < 0)]
        if broken:
            what = (
                f"Run {row.run} as achieved{_if_in((units or {}).get(row.run))} breaks "
                f"{'a limit' if len(broken) == 1 else 'limits'} that plans keep, swings counted: "
                f"{'; '.join(broken)}."
            )
            notices.append(Notice("achieved-breaks-limit", what))
    return notices


def _if_in(unit: str | None) -> str:
    return f", if its temperature is in {unit}" if unit else ""
