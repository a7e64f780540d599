"""A log as it is used: rows in order of time, in the fixed units."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from doe import water
from doe.errors import Notice, ResultsError, StateError
from doe.lab_text import NotTextError, decoded
from doe.quantities import FLOW, TEMPERATURE, read_pressure, read_quantity
from doe.rig.description import FloatArray
from doe.run_log.headings import Channel
from doe.run_log.table import SHOWN_MAX, Table, some, table_of

Reading = Literal["gauge", "absolute"]
BYTES_MAX = 400_000_000
COLDEST_C, HOTTEST_C = -50.0, water.WATER_TEMPERATURE_MAX_C
"""What a sensor in water can show; beyond is a broken sensor, or outside this tool."""


@dataclass(frozen=True, slots=True)
class RunLog:
    """A log, read: rows in order of time that hold every channel the log has.

    `minutes` counts as the log does where it counts elapsed time, else from its first row. `rows`
    are rows of the file, from 1. `flow_mL_min` is NaN where the flow alone was missing.
    `pressure_reading` is what the logged pressure was measured from.
    """

    file: str
    rows: npt.NDArray[np.int64]
    minutes: FloatArray
    temperature_C: FloatArray
    pressure_bara: FloatArray | None
    flow_mL_min: FloatArray | None
    pressure_reading: Reading | None = None
    atmospheric_bara: float = water.ATMOSPHERIC_PRESSURE_BARA
    notices: tuple[Notice, ...] = ()

    def __post_init__(self) -> None:
        for array in (self.minutes, self.temperature_C, self.pressure_bara, self.flow_mL_min):
            if array is not None:
                array.flags.writeable = False


def read_log(
    path: Path,
    *,
    pressure_reading: Reading | None = None,
    atmospheric_bara: float = water.ATMOSPHERIC_PRESSURE_BARA,
    columns: Mapping[Channel, str] | None = None,
) -> RunLog:
    """Return the log in a file.

    Parameters
    ----------
    path
        A CSV file with a heading for time and temperature at least, each with its unit, in the
        heading or in a row of units below it.
    pressure_reading
        What the rig's pressures are measured from, for a heading that says "bar" alone.
    atmospheric_bara
        The site's atmosphere [bara], which makes gauge pressures absolute.
    columns
        Headings to take, by channel, where the log has several of a kind.

    Raises
    ------
    StateError
        The file is not there or cannot be opened.
    ResultsError
        Whatever cannot be read without guessing, with its rows.
    """
    try:
        if path.stat().st_size > BYTES_MAX:
            raise ResultsError.of(
                "log-too-large",
                f"the file has {path.stat().st_size / 1e6:.0f} MB; allowed are "
                f"{BYTES_MAX / 1e6:.0f} MB.",
                "Cut it down to the one run.",
                file=path.name,
            )
        data = path.read_bytes()
    except FileNotFoundError:
        raise StateError.of("no-log", f"there is no {path}.", "Check the name.") from None
    except OSError as error:
        raise StateError.of("log-unreadable", f"{path} cannot be read: {error.strerror}.") from None
    try:
        text, notices = decoded(data, path.name)
    except NotTextError:
        raise ResultsError.of(
            "log-binary", "the file is not text.", "Export the log as CSV.", file=path.name
        ) from None
    return read_log_text(
        text,
        path.name,
        pressure_reading=pressure_reading,
        atmospheric_bara=atmospheric_bara,
        columns=columns,
        notices=notices,
    )


def read_log_text(
    text: str,
    file: str,
    *,
    pressure_reading: Reading | None = None,
    atmospheric_bara: float = water.ATMOSPHERIC_PRESSURE_BARA,
    columns: Mapping[Channel, str] | None = None,
    notices: tuple[Notice, ...] = (),
) -> RunLog:
    """Return a log held as text; `file` stands for its name in messages.

    Raises
    ------
    ResultsError
        As `read_log`.
    """
    table = table_of(text, file, columns or {})
    values = table.numbers()
    minutes = table.minutes(values.pop("time", None))
    in_bara = _pressure(table, values, pressure_reading, atmospheric_bara)
    reference = in_bara[1] if in_bara else None
    return _in_order(
        table,
        minutes,
        {
            "temperature": _scaled(table, values, "temperature"),
            "pressure": in_bara[0] if in_bara else None,
            "flow": _scaled(table, values, "flow") if "flow" in values else None,
        },
        reference,
        atmospheric_bara,
        (*notices, *table.notices),
    )


def _scaled(table: Table, values: Mapping[Channel, FloatArray], channel: Channel) -> FloatArray:
    """Return a column in the fixed unit."""
    kind = TEMPERATURE if channel == "temperature" else FLOW
    unit = table.headings[channel].unit
    if channel == "flow":
        return np.asarray(values[channel] * read_quantity(f"1 {unit}", kind))
    if unit == "degC":
        return values[channel]
    zero = read_quantity(f"0 {unit}", kind)
    step = (read_quantity(f"1000 {unit}", kind) - zero) / 1000
    return np.asarray(zero + values[channel] * step)


def _pressure(
    table: Table, values: Mapping[Channel, FloatArray], reading: Reading | None, atmosphere: float
) -> tuple[FloatArray, Reading] | None:
    """Return the pressure [bara] and what it was measured from."""
    if "pressure" not in values:
        return None
    one = read_pressure(f"1 {table.headings['pressure'].unit}")
    reference = reading if one.reference == "shown" else one.reference
    if reference is None:
        what = "the heading does not say whether the pressure is gauge or absolute."
        remedy = "Name the column pressure_barg or pressure_bara."
        row = table.first_row - 1
        raise ResultsError(table.fault(row, "pressure", what, remedy, "pressure-reading"))
    above = atmosphere if reference == "gauge" else 0.0
    return np.asarray(values["pressure"] * one.bar + above), reference


def _in_order(
    table: Table,
    minutes: FloatArray,
    columns: Mapping[Channel, FloatArray | None],
    reading: Reading | None,
    atmosphere: float,
    notices: Sequence[Notice],
) -> RunLog:
    """Return the log of rows that are whole, refusing times that do not rise."""
    notices = list(notices)
    rows = np.arange(table.first_row, table.first_row + len(minutes), dtype=np.int64)
    there = {c: a for c, a in columns.items() if a is not None and not np.isnan(a).all()}
    for channel in columns:
        if channel not in there:
            notices.append(Notice(f"log-no-{channel}", f"{table.file} holds no {channel}."))
    if "temperature" not in there:
        raise ResultsError.of(
            "log-empty", "no row has a temperature.", "Export it again.", file=table.file
        )
    _refuse_without_time(table, minutes, list(there.values()))
    needed = [a for c, a in there.items() if c != "flow"]
    whole = ~np.isnan(minutes) & ~np.any([np.isnan(a) for a in needed], axis=0)
    partly = ~np.isnan(minutes) & ~whole
    if partly.any():
        what = (
            f"{_rows_words(rows[partly])} of {table.file} lack temperature or pressure and were "
            "left out."
        )
        notices.append(Notice("log-rows-left-out", what))
    data = [rows[whole], minutes[whole], *(a[whole] for a in there.values())]
    data = _without_repeats(table, data, notices)
    by_channel = dict(zip(there, data[2:], strict=True))
    _refuse_impossible(table, data[0], by_channel)
    if len(data[0]) < 2:
        raise ResultsError.of(
            "log-empty", "fewer than two rows are whole.", "Export it again.", file=table.file
        )
    return RunLog(
        table.file,
        data[0],
        data[1],
        by_channel["temperature"],
        by_channel.get("pressure"),
        by_channel.get("flow"),
        reading if "pressure" in there else None,
        atmosphere,
        tuple(notices),
    )


def _rows_words(rows: npt.NDArray[np.int64]) -> str:
    """Return rows in words, ranges joined: "Rows 3, 7 to 9"."""
    breaks = np.flatnonzero(np.diff(rows) > 1) + 1
    spans = [(int(part[0]), int(part[-1])) for part in np.split(rows, breaks)]
    words = [str(a) if a == b else f"{a} to {b}" for a, b in spans[:SHOWN_MAX]]
    more = f" and {len(spans) - SHOWN_MAX} more places" if len(spans) > SHOWN_MAX else ""
    return f"{'Row' if len(rows) == 1 else 'Rows'} {', '.join(words)}{more}"


def _refuse_without_time(table: Table, minutes: FloatArray, columns: Sequence[FloatArray]) -> None:
    filled = ~np.all([np.isnan(column) for column in columns], axis=0)
    timeless = np.flatnonzero(filled & np.isnan(minutes)).tolist()
    if timeless:
        what, remedy = "the row has values but no time.", "Write its time, or delete the row."
        rows = [table.first_row + i for i in timeless]
        problems = [table.fault(row, "time", what, remedy, "time-missing") for row in rows]
        raise ResultsError(*some(problems, table.file))


def _without_repeats(
    table: Table, data: Sequence[npt.NDArray[Any]], notices: list[Notice]
) -> list[npt.NDArray[Any]]:
    """Return the rows without exact repeats, refusing times that repeat otherwise or go back."""
    rows, minutes = data[0], data[1]
    step = np.diff(minutes)
    same = step == 0
    for column in data[2:]:
        same &= np.isclose(column[1:], column[:-1], rtol=0, atol=0, equal_nan=True)
    problems = []
    for i in np.flatnonzero((step <= 0) & ~same).tolist():
        before, here = int(rows[i]), int(rows[i + 1])
        what = f"the time is that of row {before}, but the values differ."
        remedy = "Export the log with finer times, or keep one row a time."
        if step[i] < 0:
            what = f"the time goes back {-step[i]:.4g} min from row {before}."
            remedy = (
                "Keep one run a file, in order of time; past midnight or when the clocks change, "
                "export dates with an offset from UTC."
            )
        problems.append(table.fault(here, "time", what, remedy, "time-not-rising"))
    if problems:
        raise ResultsError(*some(problems, table.file))
    if same.any():
        what = f"{_rows_words(rows[1:][same])} of {table.file} repeat the row before: left out."
        notices.append(Notice("log-rows-repeated", what))
    keep = np.concatenate([[True], ~same])
    return [column[keep] for column in data]


def _refuse_impossible(
    table: Table, rows: npt.NDArray[np.int64], columns: Mapping[Channel, FloatArray]
) -> None:
    T, P = columns["temperature"], columns.get("pressure")
    problems = []
    for i in np.flatnonzero((T < COLDEST_C) | (T > HOTTEST_C)).tolist():
        what = f"{T[i]:.6g} °C; allowed are {COLDEST_C:g} to {HOTTEST_C:g} °C."
        remedy = "Blank the cell if the sensor was broken."
        problems.append(table.fault(int(rows[i]), "temperature", what, remedy, "impossible"))
    for i in np.flatnonzero(P < 0).tolist() if P is not None else ():
        what = f"{P[i]:.6g} bar absolute; nothing is below vacuum." if P is not None else ""
        remedy = "Check whether the log is gauge or absolute; blank the cell if the sensor failed."
        problems.append(table.fault(int(rows[i]), "pressure", what, remedy, "impossible"))
    if problems:
        raise ResultsError(*some(problems, table.file))
