"""The campaign's days as a picture and tables: what the rig is doing, hour by hour.

Each run is a shape that can be read without colour: its height is the temperature.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from doe.digits import plain
from doe.factors import FloatArray
from doe.report.pictures import Axis, Curve, Picture, Shape, Shapes, Table
from doe.schedule import Day, OrderCost, Schedule, Slot, Totals

__all__ = ["order_table", "schedule_pictures", "totals_table"]

DAYS_A_PICTURE = 12
"""As many rows as a printed page holds."""
TALLEST = 0.68
LOW = 0.12
FLUSH = 0.24


def schedule_pictures(planned: Schedule, key: str = "schedule") -> tuple[Picture, ...]:
    """Return the days of a schedule, so many to a picture as a page holds."""
    parts = [
        planned.days[i : i + DAYS_A_PICTURE] for i in range(0, len(planned.days), DAYS_A_PICTURE)
    ]
    return tuple(_picture(planned, part, f"{key}-{i}") for i, part in enumerate(parts))


def _picture(planned: Schedule, days: Sequence[Day], key: str) -> Picture:
    # the line of the day's end is told by its label or below the plot
    longest = max([planned.minutes_per_day, *(day.minutes for day in planned.days)]) / 60
    names = tuple(f"day {day.number}" for day in days)
    rows = Axis("day", "", -0.5, len(days) - 0.5, names)
    hottest = float(planned.timeline.temperature_C.max())
    shapes = tuple(
        shape
        for row, day in enumerate(days)
        for slot in day.slots
        for shape in _shapes(planned, slot, row, hottest)
    )
    end = np.full(2, planned.minutes_per_day / 60)
    return Picture(
        key,
        _finding(planned, days),
        _reading(planned, days, hottest),
        Axis("time from the beginning of the day", "h", 0.0, 1.02 * longest),
        rows,
        (
            Shapes(shapes),
            Curve(end, np.array([rows.low, rows.high]), "end of the working day", "soft-ink", True),
        ),
        _table(planned, days),
    )


def _finding(planned: Schedule, days: Sequence[Day]) -> str:
    if len(days) == len(planned.days):
        return planned.sentence.removesuffix(".")
    runs = sum(slot.kind == "run" for day in days for slot in day.slots)
    return f"Days {days[0].number} to {days[-1].number}: {runs} of {len(planned.day_of)} runs"


def _reading(planned: Schedule, days: Sequence[Day], hottest: float) -> str:
    lines = planned.timeline
    flush = "the dashed block flush, " if any(lines.phases[4].minutes > 0) else ""
    said = [
        "Each row is a day, each shape a run with its number at the foot. From left to right: the "
        "low block is load, fill, prime and pressurise; the slope up heat up; the top equilibrate "
        "and extract, with its temperature in °C written above; the slope down cool; "
        f"{flush}the last low block drain and unload.",
        f"Height is temperature, from {lines.start_C.min():g} °C to {hottest:g} °C.",
    ]
    rows = {slot.row for day in days for slot in day.slots}
    if any(len(lines.drains_min[row]) for row in rows):
        said.append("A dotted upright in a run is a drain of the collection vessel.")
    half = plain(float(lines.phases[0].minutes[0]), 3)
    said.append(
        "The rig has one time for unloading and loading: half of it, "
        f"{half} min, is drawn before each run and half after."
    )
    return " ".join(said)


def _shapes(planned: Schedule, slot: Slot, row: int, hottest: float) -> Iterator[Shape]:
    """Yield the shapes of one run on a row, hours along x."""
    lines, begin = planned.timeline, slot.start_min
    coldest = float(lines.start_C.min())
    minutes, course = lines.course(slot.row)

    def high(T: FloatArray) -> FloatArray:
        share = (T - coldest) / max(hottest - coldest, 1e-9)
        return np.asarray(LOW + (TALLEST - LOW) * np.clip(share, 0.0, 1.0))

    def level(start: float, end: float, height: float) -> tuple[FloatArray, FloatArray]:
        return np.array([begin + start, begin + end]) / 60, np.full(2, height)

    room = (slot.start_min / 60, slot.end_min / 60)
    for phase, start, end in lines.stretches(slot.row):
        if phase in ("load", "unload"):
            yield Shape(row, *level(start, end, LOW), "low")
        elif phase == "flush":
            yield Shape(row, *level(start, end, FLUSH), "dashed")
        elif phase == "extract":
            T = float(lines.temperature_C[slot.row])
            name = str(slot.run) if slot.kind == "run" else slot.kind
            held = level(start, end, float(high(np.array(T))))
            yield Shape(row, *held, "full", name, plain(T), room)
        else:
            pair = slice(0, 2) if phase == "heat up" else slice(2, 4)
            yield Shape(row, (begin + minutes[pair]) / 60, high(course[pair]), "slope")
    for at in lines.drains_min[slot.row].tolist():
        top = float(np.interp(at, minutes, high(course))) if at <= minutes[-1] else FLUSH
        yield Shape(row, np.full(2, (begin + at) / 60), np.array([0.0, top]), "mark")


def _table(planned: Schedule, days: Sequence[Day]) -> Table:
    phases = planned.timeline.phases
    headings = (
        "day",
        "from, h:min",
        "to, h:min",
        "run",
        "temperature, °C",
        *(f"{phase.name}, min" for phase in phases),
        "drain at, h:min",
    )
    rows = tuple(_row(planned, slot) for day in days for slot in day.slots)
    return Table(headings, rows, frozenset(range(4 + len(phases) + 1)) - {3})


def _row(planned: Schedule, slot: Slot) -> tuple[str, ...]:
    lines = planned.timeline
    return (
        str(slot.day),
        _h_min(slot.start_min),
        _h_min(slot.end_min),
        str(slot.run) if slot.kind == "run" else slot.kind,
        plain(float(lines.temperature_C[slot.row])),
        *(f"{phase.minutes[slot.row]:.0f}" for phase in lines.phases),
        ", ".join(_h_min(slot.start_min + at, down=True) for at in lines.drains_min[slot.row])
        or "–",
    )


def _h_min(minutes: float, down: bool = False) -> str:
    """Return minutes as h:min; what must not come late is rounded down."""
    whole = int(minutes + 1e-6) if down else round(minutes)
    return f"{whole // 60}:{whole % 60:02d}"


def totals_table(needed: Totals) -> Table:
    """Return what must stand ready before anyone starts."""
    rows = tuple((what, f"{much} {unit}".strip()) for what, much, unit in needed.rows())
    return Table(("what", "in all"), rows)


def order_table(planned: Schedule) -> Table:
    """Return the planned order beside the one sorted by temperature, and what each costs."""
    cost = planned.thermal
    hot = cost.planned.kept_hot_hours is not None
    headings = (
        "order",
        "days",
        "steps of temperature in all, K",
        "heating and cooling from cold, h",
        *(("if kept hot within a day, h", "heating up if kept hot, kWh") if hot else ()),
    )

    def row(name: str, one: OrderCost) -> tuple[str, ...]:
        kept = (one.kept_hot_hours, one.kept_hot_kWh)
        return (
            name,
            str(one.days),
            f"{one.steps_K:.0f}",
            f"{cost.hours:.1f}",
            *(f"{value:.1f}" for value in kept if value is not None),
        )

    rows = (row("as planned", cost.planned), row("sorted by temperature", cost.cheapest))
    return Table(headings, rows, frozenset(range(1, len(headings))))
