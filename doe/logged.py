"""A rig logger's file taken for one run: achieved settings, how near boiling, what to do with it.

The decision is made by `doe.run_log.classify`, which is given no response.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import cast

import numpy as np
import numpy.typing as npt

from doe import rig as rig_room
from doe.as_recorded import beyond, fixed_then
from doe.campaign import Campaign
from doe.errors import Notice, Problem, ResultsError, Where
from doe.factors import NumericFactor
from doe.ledger import Ledger, LedgerRow, Returned, ReturnedRow
from doe.log_record import LogRecord, read_log_records, settled
from doe.rig.boiling import boiling_known_C, boils_bara, boils_C
from doe.run_log import (
    Deviation,
    RunLog,
    RunSummary,
    classify,
    read_log,
    summarise,
)
from doe.run_log.headings import Channel
from doe.sheet import StopLimit, StopLimits
from doe.stage import read_stage
from doe.stops import stop_limits
from doe.wording import runs_in_words

__all__ = ["LogWish", "Logged", "logged", "opened"]

CHANNELS: tuple[Channel, ...] = ("time", "date", "temperature", "pressure", "flow")


@dataclass(frozen=True, slots=True)
class LogWish:
    """Which run a log belongs to, and how the person wants it read.

    `start_min` and `end_min` bound the extraction on the log's own clock; `columns` names headings
    by channel; `gap_min` is the longest gap taken as straight; `by`, the initials of who decides.
    """

    run: int
    start_min: float | None = None
    end_min: float | None = None
    columns: Mapping[str, str] = field(default_factory=dict)
    gap_min: float | None = None
    by: str = ""


@dataclass(frozen=True, slots=True)
class Logged:
    """What a log says of its run: for the ledger, for its record, and what to mind."""

    summary: RunSummary
    deviation: Deviation
    returned: Returned
    record: LogRecord
    notices: tuple[Notice, ...]


def opened(campaign: Campaign, path: Path, wish: LogWish) -> RunLog:
    """Return the log in a file, read as this rig's.

    Raises
    ------
    ResultsError, StateError
        As `doe.run_log.read_log`; or a column was named for a channel that there is not.
    """
    for channel in wish.columns:
        if channel not in CHANNELS:
            raise ResultsError.of(
                "unknown-channel",
                f'"{channel}" is nothing that is read from a log.',
                f"Name a column for one of: {', '.join(CHANNELS)}.",
            )
    return read_log(
        path,
        pressure_reading=campaign.rig.pressure_reading,
        atmospheric_bara=campaign.rig.atmospheric_pressure_bara,
        columns=cast(Mapping[Channel, str], wish.columns),
    )


def logged(
    campaign: Campaign,
    ledger: Ledger,
    log: RunLog,
    path: Path,
    wish: LogWish,
    *,
    overwrite: bool = False,
    looking: bool = False,
) -> Logged:
    """Return what a log says of its run, and what becomes of the run.

    It is held against what its stage was planned with, whatever `[fixed]` has become since.

    Parameters
    ----------
    overwrite
        Another log or decision on record may be replaced.
    looking
        Nothing is to be recorded, so nobody need have decided.

    Raises
    ------
    ResultsError
        No such run; a log that tells nothing of it, or another one than is on record; a run that
        is not to be kept and nobody who decided so.
    """
    row = _row(ledger, wish.run, path.name)
    others = read_log_records(campaign.folder)
    twice = _of_another_run(row.run, path, others, overwrite)
    campaign = fixed_then(campaign, row.stage)
    planned = _planned(campaign, row)
    summary = _summary(campaign, log, wish, planned["temperature"])
    found = summary.achieved(campaign.rig.pressure_reading)
    deviation = classify(planned, found, summary, campaign.deviations.rules)
    record = _record(campaign, row, summary, deviation, path, wish)
    record = _beside_limits(campaign, row, log, record)
    danger = beyond(campaign, (record,))
    if deviation.kind != "keep" and not looking and not wish.by.strip():
        raise ResultsError(
            Problem(
                "nobody-decided",
                f"run {row.run}, rule {deviation.rule}: {deviation.sentence}",
                Where(path.name),
                "Say who decides that by this rule: --by INITIALS. Nothing was recorded.",
            ),
            *(Problem(notice.code, notice.what, Where(path.name)) for notice in danger),
        )
    record = settled(record, others.get(row.run), overwrite)
    achieved, unknown = _achieved(campaign, found)
    because = "" if deviation.kind == "keep" else _because(record)
    if row.left_out_because and not overwrite:
        because = ""
    back = ReturnedRow(row.run, {}, achieved, {}, left_out_because=because)
    notices = (
        *danger,
        *twice,
        *_held_longer(campaign, planned, summary, wish),
        *summary.notices,
        *_liquid(campaign, row.run, summary),
        *_decision(row, deviation),
        *unknown,
    )
    return Logged(summary, deviation, Returned((back,), path.name), record, notices)


def _row(ledger: Ledger, run: int, file: str) -> LedgerRow:
    for row in ledger.rows:
        if row.run == run:
            return row
    known = f"{ledger.rows[0].run} to {max(row.run for row in ledger.rows)}"
    raise ResultsError.of(
        "unknown-run", f"the ledger has no run {run}: it has {known}.", "Check --run.", file=file
    )


def _planned(campaign: Campaign, row: LedgerRow) -> dict[str, float]:
    """Return what the run was to be, fixed settings too, the pressure as the rig shows it."""
    at = campaign.conditions([row.settings])
    planned = {"temperature": float(at.temperature_C[0]), "time": float(at.time_min[0])}
    if at.pressure_bara is not None:
        planned["pressure"] = float(campaign.shown_pressure(at.pressure_bara)[0])
    if at.flow_mL_min is not None:
        planned["flow"] = float(at.flow_mL_min[0])
    return planned


def _summary(campaign: Campaign, log: RunLog, wish: LogWish, set_C: float) -> RunSummary:
    rig = campaign.rig
    hotter = rig.temperature_sensor_error + rig.heater.wall_excess
    _refuse_unknown_boiling(campaign, log, hotter)
    allowed = {} if wish.gap_min is None else {"gap_allowed_min": wish.gap_min}
    summary = summarise(
        log,
        set_temperature_C=set_C,
        tolerance_K=campaign.deviations.temperature_minor,
        liquid_margin_bar=rig.liquid_margin,
        liquid_subcooling_K=rig.liquid_subcooling,
        hotter_K=hotter,
        lower_bar=rig.pressure_gauge_error + (rig.pressure_pulsation or 0.0),
        start_min=wish.start_min,
        end_min=wish.end_min,
        boils_bara=lambda T: boils_bara(rig, T),
        boils_C=lambda P: boils_C(rig, P),
        **allowed,
    )
    if wish.gap_min is not None:
        what = (
            f"As asked, up to {wish.gap_min:g} min without a row were taken as straight: whether "
            "the water stayed liquid in such a gap is not known."
        )
        notice = Notice("gap-allowed", what)
        summary = replace(summary, notices=(*summary.notices, notice))
    if campaign.batch_kind != "headspace":
        return summary
    what = (
        "With a headspace the water boils into it by design, so the log is not judged by how near "
        "boiling it came."
    )
    return replace(
        summary,
        margin_bar=None,
        margin_K=None,
        margin_row=None,
        minutes_below_margin=None,
        minutes_may_boil=None,
        minutes_boiled=None,
        notices=(*summary.notices, Notice("headspace-boils", what)),
    )


def _refuse_unknown_boiling(campaign: Campaign, log: RunLog, hotter: float) -> None:
    """Refuse a log hotter than a mixture's bubble points reach; beyond 350 °C it is judged."""
    known, hottest = boiling_known_C(campaign.rig), float(log.temperature_C.max())
    if campaign.rig.co_solvent is not None and hottest + hotter > known:
        raise ResultsError.of(
            "boiling-not-known",
            f"the log reaches {hottest:.4g} °C, {hotter:g} K more at the wall; the mixture's "
            f"bubble points end at {known:g} °C: whether it stayed liquid is not known.",
            "Add bubble points to [rig.co_solvent].",
            file=log.file,
        )


def _achieved(
    campaign: Campaign, found: Mapping[str, float]
) -> tuple[dict[str, float], tuple[Notice, ...]]:
    """Return achieved settings by factor column, and a notice on those a log cannot tell."""
    known = dict(found)
    if "pressure" in known and "pressure_above_saturation" in campaign.space.names:
        shown = float(campaign.shown_pressure(np.zeros(1))[0])
        boiling = rig_room.boiling_pressure_bara(campaign.rig, known["temperature"])
        known["pressure_above_saturation"] = known["pressure"] - shown - float(boiling)
    numeric = [factor for factor in campaign.space if isinstance(factor, NumericFactor)]
    achieved = {f.column: _rounded(known[f.name]) for f in numeric if f.name in known}
    blank = [f.name.replace("_", " ") for f in campaign.space if f.column not in achieved]
    if not blank:
        return achieved, ()
    what = f"The log does not tell {', '.join(blank)}: hand it in with the sheet."
    return achieved, (Notice("not-in-log", what),)


def _rounded(value: float) -> float:
    return float(f"{value:.6g}")


def _record(
    campaign: Campaign,
    row: LedgerRow,
    summary: RunSummary,
    deviation: Deviation,
    path: Path,
    wish: LogWish,
) -> LogRecord:
    figures = {
        name: getattr(summary, name)
        for name in RunSummary.__slots__
        if isinstance(getattr(summary, name), (int, float))
    }
    figures["time_min"] = summary.time_min
    return LogRecord(
        run=row.run,
        log=path.name,
        sha256=_sha256(path),
        decision=deviation.kind,
        rule=deviation.rule,
        because=deviation.sentence,
        doubtful=deviation.doubtful,
        decided_by=wish.by.strip(),
        responses_known=any(value is not None for value in row.responses),
        extraction=summary.window_rule,
        noticed=tuple(notice.what for notice in summary.notices),
        besides=deviation.besides,
        found={name: _rounded(v) for name, v in figures.items() if math.isfinite(v)},
    )


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _beside_limits(campaign: Campaign, row: LedgerRow, log: RunLog, record: LogRecord) -> LogRecord:
    """Return the record with the limits that were passed, and how far the pressure strayed."""
    found = dict(record.found)
    planned = campaign.conditions([row.settings]).pressure_bara
    within = (log.minutes >= found["start_min"]) & (log.minutes <= found["end_min"])
    if log.pressure_bara is not None and planned is not None:
        held = log.pressure_bara[within]
        strayed = float(np.abs(held - planned[0]).max(initial=0.0))
        found["pressure_strayed_bar"] = _rounded(strayed)
        if len(held):
            found["pressure_held_off_bar"] = _rounded(abs(float(np.median(held - planned[0]))))
    i = int(log.temperature_C.argmax())
    peaks = {"temperature": f"{log.temperature_C[i]:.5g} °C at row {log.rows[i]}"}
    if log.pressure_bara is not None:
        i = int(log.pressure_bara.argmax())
        highest = float(campaign.shown_pressure(log.pressure_bara[i]))
        peaks["pressure"] = f"{highest:.4g} {campaign.rig.shown_unit} at row {log.rows[i]}"
    passed = rig_room.beyond_limits(campaign.rig, log.temperature_C, log.pressure_bara)
    limits = [
        *((one.quantity, one.limit) for one in passed),
        *_stops_passed(campaign, row, log, within),
    ]
    sentences = [
        f"{peaks[quantity]} is beyond " + "; ".join(limit for of, limit in limits if of == quantity)
        for quantity in dict.fromkeys(of for of, _ in limits if of in peaks)
    ]
    sentences += [limit for of, limit in limits if of not in peaks]
    return replace(record, found=found, limits_passed=tuple(sentences))


def _stops_passed(
    campaign: Campaign, row: LedgerRow, log: RunLog, within: npt.NDArray[np.bool_]
) -> Iterator[tuple[str, str]]:
    """Yield quantity and words of each stop limit of the run's sheet that the log passed."""
    stops, unit = _stops_of_sheet(campaign, row), campaign.rig.shown_unit
    above = stops.temperature_above_C
    if above is not None and log.temperature_C.max() > above.value:
        yield "temperature", f"the sheet's stop limit, {above.value:g} °C ({above.because})"
    if log.pressure_bara is None:
        return
    shown = campaign.shown_pressure(log.pressure_bara)
    if (high := stops.pressure_above) is not None and shown.max() > high.value:
        yield "pressure", f"the sheet's stop limit, {high.value:g} {unit} ({high.because})"
    low, least = stops.pressure_below, float(shown[within].min(initial=math.inf))
    if low is not None and least < low.value:
        words = (
            f"{least:.4g} {unit} during the extraction is below the sheet's stop limit, "
            f"{low.value:g} {unit} ({low.because})"
        )
        yield "low pressure", words


def _stops_of_sheet(campaign: Campaign, row: LedgerRow) -> StopLimits:
    """Return where the run's sheet stops it: as printed, or as it would be now if not known."""
    now = stop_limits(campaign, campaign.conditions([row.settings]), 0)
    record, run = read_stage(campaign.folder, row.stage), str(row.run)
    if record is None or record.pressure_unit != campaign.rig.shown_unit:
        return now

    def printed(stop: StopLimit | None, then: Mapping[str, float]) -> StopLimit | None:
        if run not in then or (stop is not None and stop.value == then[run]):
            return stop
        return StopLimit(then[run], "as printed; the rig's limits have changed since")

    return replace(
        now,
        temperature_above_C=printed(now.temperature_above_C, record.stop_above_C),
        pressure_above=printed(now.pressure_above, record.stop_pressure_above),
        pressure_below=printed(now.pressure_below, record.stop_pressure_below),
    )


def _of_another_run(
    run: int, path: Path, records: Mapping[int, LogRecord], overwrite: bool
) -> tuple[Notice, ...]:
    """Return a notice on the same file recorded for another run; refuse it unless asked for.

    Raises
    ------
    ResultsError
        Another run has the very same log.
    """
    own = _sha256(path)
    runs = [known.run for known in records.values() if known.run != run and known.sha256 == own]
    if not runs:
        return ()
    named = runs_in_words(runs).lower()
    what = f"the same log, byte for byte, is on record for {named}: a log is of one run."
    if overwrite:
        told = f"Run {run}: {what} Taken as asked; see that {named} gets its own."
        return (Notice("log-of-another-run", told),)
    raise ResultsError.of(
        "log-of-another-run",
        f"for run {run}, {what}",
        f"Check --run and the file; cut what belongs to each run out of a log of several. If it is "
        f"run {run}'s after all, add --replace, and record the right log for {named}.",
        file=path.name,
    )


def _because(record: LogRecord) -> str:
    when = "after responses were recorded" if record.responses_known else "before any response"
    return (
        f"{record.decision}, rule {record.rule}, from {record.log}; decided {when} by "
        f"{record.decided_by}"
    )


def _held_longer(
    campaign: Campaign, planned: Mapping[str, float], summary: RunSummary, wish: LogWish
) -> Iterator[Notice]:
    """Yield a notice where it stayed hot for longer than planned, as with a flush done hot."""
    allowed = 1 + campaign.deviations.rules.share_minor
    if wish.end_min is None and summary.time_min > allowed * planned["time"]:
        what = (
            f"By its log run {wish.run} stayed at temperature for {summary.time_min:.3g} min, and "
            f"{planned['time']:g} min were planned. If that holds a flush or a wait while hot, say "
            f"where the extraction began and ended on the log's clock: --start "
            f"{summary.start_min:.4g} --end {summary.start_min + planned['time']:.4g}, as planned."
        )
        yield Notice("held-longer", what)


def _liquid(campaign: Campaign, run: int, summary: RunSummary) -> tuple[Notice, ...]:
    """Return the notice on a run that boiled, may have, or came inside the margin."""
    if not summary.minutes_below_margin:
        return ()
    figures = (
        f"{summary.minutes_below_margin:.3g} min inside the required margin of "
        f"{campaign.rig.liquid_margin:g} bar and {campaign.rig.liquid_subcooling:g} K, lowest "
        f"{summary.margin_words} at row {summary.margin_row}, "
        "sensor errors and the wall's excess allowed for."
    )
    if summary.boiled:
        text = f"Run {run} boiled: {summary.minutes_boiled:.3g} min below saturation; {figures}"
        return (Notice("log-boiled", text),)
    if summary.minutes_may_boil:
        text = f"Run {run} may have boiled, for {summary.minutes_may_boil:.3g} min; {figures}"
        return (Notice("log-may-have-boiled", text),)
    return (Notice("log-below-margin", f"Run {run}: {figures}"),)


def _decision(row: LedgerRow, deviation: Deviation) -> tuple[Notice, ...]:
    """Return what to mind about the decision: late, or against what the ledger says."""
    found = []
    if any(value is not None for value in row.responses):
        what = (
            f"Responses of run {row.run} were in the ledger when its log was judged. The rule "
            "takes none, but record logs first."
        )
        found.append(Notice("judged-late", what))
    if deviation.kind == "keep" and row.left_out_because:
        what = (
            f"By its log run {row.run} is kept, but the ledger leaves it out: "
            f"{row.left_out_because}. To take it back, empty that cell in runs.csv."
        )
        found.append(Notice("stays-left-out", what))
    return tuple(found)
