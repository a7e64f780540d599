"""Samples drawn during the extraction: when in each run, what is thrown away first, what clashes.

A draw begins at its minute: first the discard leaves, to clear the line between bed and outlet,
then the sample. It is taken from the stream behind cooler and regulator, so that it lasts as long
as the pump needs for both volumes; how long the line takes to clear is the person's to say.

Times are minutes of the extraction, which begins when the set temperature is reached.

Shapes: n runs.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from pydantic import BaseModel, ConfigDict

from doe.factors import FloatArray
from doe.quantities import Minutes, Volume
from doe.responses import Weighing
from doe.rig import Conditions, Rig, derived, drain_minutes

__all__ = [
    "WHERE_DRAWN",
    "Clash",
    "Fault",
    "Samples",
    "clashes",
    "drain_label_of",
    "drained_columns",
    "drawn_columns",
    "faults",
    "label_of",
    "sample_minutes",
]

SLACK_MIN = 1e-6
WHERE_DRAWN = (
    "Samples are drawn behind cooler and regulator, where the liquid is cold and without pressure; "
    "never from the vessel or ahead of the regulator. Each draw begins with its discard. The "
    "minutes count from when the set temperature is reached."
)


class Samples(BaseModel):
    """The sample plan: minutes `at` which to draw, or one draw `every` so often; mL of each.

    `compounds` are assayed in samples beside those that responses are derived from. `line` is what
    lies between the bed and where samples are drawn, so that they left the bed that much earlier.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    at: tuple[Minutes, ...] = ()
    every: Minutes | None = None
    discard: Volume
    volume: Volume
    line: Volume | None = None
    compounds: tuple[str, ...] = ()

    def draw_min(self, flow_mL_min: FloatArray) -> FloatArray:
        """Return how long a draw lasts at each flow [min] (n,), its discard included."""
        return np.asarray((self.discard + self.volume) / flow_mL_min, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Fault:
    """Why samples cannot be drawn as planned: the key, what is wrong, and the remedy."""

    code: str
    key: str
    what: str
    remedy: str


@dataclass(frozen=True, slots=True)
class Clash:
    """A drain that falls due while a sample is drawn, each counted from 0.

    `minute` is when the draw begins [min of the extraction], `drain_min` when the drain is due
    [min after the flow starts].
    """

    row: int
    sample: int
    minute: float
    drain: int
    drain_min: float


def sample_minutes(plan: Samples, conditions: Conditions) -> tuple[FloatArray, ...]:
    """Return for each run when its draws begin [min of the extraction].

    An interval gives every draw that ends within the run.
    """
    time, draw = _time_and_draw(plan, conditions)
    if plan.every is None:
        return (np.array(plan.at),) * len(time)
    counts = np.floor((time - draw) / plan.every + SLACK_MIN).astype(int)
    return tuple(plan.every * np.arange(1.0, count + 0.5) for count in counts.tolist())


def faults(plan: Samples, conditions: Conditions) -> Iterator[Fault]:
    """Yield why the plan cannot be kept in some of these runs.

    Parameters
    ----------
    conditions
        Of runs in flow mode; the shortest and those of least flow must be among them.
    """
    if bool(plan.at) == (plan.every is not None):
        what = "at and every are both given." if plan.at else "neither at nor every is given."
        remedy = 'Write at = ["5 min", "10 min"], or every = "10 min".'
        yield Fault("samples-when", "at" if plan.at else "every", what, remedy)
        return
    if not plan.volume > 0:
        yield Fault("zero", "volume", "volume is 0 mL.", "Give what one sample takes.")
        return
    if plan.every is None:
        yield from _order_faults(plan)
    elif not plan.every > 0:
        yield Fault("zero", "every", "every is 0 min.", 'Write it as every = "10 min".')
        return
    time, draw = _time_and_draw(plan, conditions)
    yield from _overlaps(plan, conditions, draw)
    yield from _beyond_the_end(plan, time, draw)


def _order_faults(plan: Samples) -> Iterator[Fault]:
    for before, after in itertools.pairwise(plan.at):
        if after <= before:
            what = f"{after:g} min comes after {before:g} min."
            yield Fault("samples-order", "at", what, "Give each time once, the earliest first.")


def _overlaps(plan: Samples, conditions: Conditions, draw: FloatArray) -> Iterator[Fault]:
    """Yield a fault where the next draw is due before the one before it can have ended."""
    gaps = [plan.every] if plan.every is not None else list(np.diff(plan.at))
    least = min(gaps, default=np.inf)
    longest = float(draw.max())
    if 0 < least < longest - SLACK_MIN:
        flow = _column(conditions.flow_mL_min, len(draw))[int(draw.argmax())]
        what = (
            f"draws follow each other after {least:g} min, but {plan.discard:g} mL to discard and "
            f"{plan.volume:g} mL of sample take {longest:.1f} min at {flow:g} mL/min."
        )
        remedy = "Draw less often, or less each time."
        yield Fault("samples-overlap", "at" if plan.at else "every", what, remedy)


def _beyond_the_end(plan: Samples, time: FloatArray, draw: FloatArray) -> Iterator[Fault]:
    """Yield a fault where a draw would not end within the shortest run."""
    last = plan.every if plan.every is not None else max(plan.at)
    short = int(np.argmin(time - draw))
    if last + draw[short] <= time[short] + SLACK_MIN:
        return
    ends = (
        f"the draw at {last:g} min ends at {last + draw[short]:.1f} min, but the shortest run "
        f"extracts for {time[short]:g} min."
    )
    remedy = f"Draw no later than at {max(0.0, np.floor(time[short] - draw[short])):g} min"
    if plan.every is None:
        yield Fault("sample-after-end", "at", ends, f"{remedy}, or write every, which fits each.")
    else:
        yield Fault("sample-after-end", "every", ends, f"{remedy}, or lengthen the shortest run.")


def clashes(rig: Rig, plan: Samples, conditions: Conditions) -> tuple[Clash, ...]:
    """Return every draw during which the collection vessel has to be drained.

    Sheets print a drain at its whole minute, so it may fall anywhere in that; heating up is taken
    to last as the rig's figures say.
    """
    up = derived(rig, conditions)["heat_up_min"]
    _, draw = _time_and_draw(plan, conditions)
    drains = drain_minutes(rig, conditions)
    return tuple(
        Clash(i, j, float(minute), d, float(drain))
        for i, minutes in enumerate(sample_minutes(plan, conditions))
        for j, minute in enumerate(minutes)
        for d, drain in enumerate(np.floor(drains[i]))
        if drain <= up[i] + minute + draw[i] and up[i] + minute <= drain + 1
    )


def label_of(place: int) -> str:
    """Return the label on the bottle of a run's sample, counted from 0: ``S1``."""
    return f"S{place + 1}"


def drawn_columns(count: int) -> tuple[Weighing, ...]:
    """Return what a sheet asks of so many samples a run: when drawn, how much of it."""
    return tuple(
        Weighing(f"sample_{i}", unit, f"sample {i}{words}")
        for i in range(1, count + 1)
        for unit, words in (("min", ", drawn at"), ("mL", ""), ("g", ""))
    )


def drain_label_of(place: int) -> str:
    """Return the label on the bottle of a run's drained portion, counted from 0: ``D1``."""
    return f"D{place + 1}"


def drained_columns(count: int) -> tuple[Weighing, ...]:
    """Return what a sheet asks of so many drained portions a run: how much each was."""
    return tuple(
        Weighing(f"drain_{i}", unit, f"portion {drain_label_of(i - 1)}")
        for i in range(1, count + 1)
        for unit in ("mL", "g")
    )


def _time_and_draw(plan: Samples, conditions: Conditions) -> tuple[FloatArray, FloatArray]:
    n = len(np.atleast_1d(conditions.temperature_C))
    return _column(conditions.time_min, n), plan.draw_min(_column(conditions.flow_mL_min, n))


def _column(values: FloatArray | None, n: int) -> FloatArray:
    assert values is not None
    return np.broadcast_to(np.asarray(values, dtype=np.float64), (n,))
