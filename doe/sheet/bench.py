"""What goes to the bench with a run beside its settings: stop limits, checks, drains, entries."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from doe.ledger import LedgerSchema
from doe.quantities import unit_slug
from doe.sheet.headings import column_of

__all__ = [
    "NOT_CONFIRMED",
    "RIG_FIRST",
    "USUAL_CHECKS",
    "USUAL_ENTRIES",
    "BenchRun",
    "Entry",
    "SamplePoint",
    "SheetWords",
    "StopLimit",
    "StopLimits",
    "entries_for",
    "strictest_above",
    "strictest_below",
]

RIG_FIRST = (
    "The rig’s own documents, your site’s rules, local codes and the competent persons who look "
    "after the rig come before this sheet. It plans runs; it doesn’t make them safe."
)
NOT_CONFIRMED = "Limits not confirmed: for planning practice only"
USUAL_CHECKS = (
    "Relief device fitted, in date, its outlet clear and led to a safe place",
    "Stop limits of this run compared with the rig’s own trips; the lower one is set",
    "Tight when cold at the pressure of the run; no air left in the water",
    "Coolant flows; collection vessel empty, its way open",
    "Enough water in the feed bottle for the whole run",
    "Bed weighed and loaded; shield closed",
)
"""What to verify before heat (common practice); the rig's own list comes first."""


@dataclass(frozen=True, slots=True)
class StopLimit:
    """A value beyond which a run is stopped, and what it comes from."""

    value: float
    because: str


def strictest_above(candidates: Mapping[str, float | None], decimals: int = 1) -> StopLimit | None:
    """Return the lowest of some upper limits by what they come from, rounded down.

    As the rig's own trip is among them, the limit is never above it. None where all are unknown.

    Raises
    ------
    ValueError
        A candidate is not finite: an unknown one is None.

    >>> strictest_above({"rig's trip": 210.0, "set + deviation": 187.26, "rating": None})
    StopLimit(value=187.2, because='set + deviation')
    """
    return _strictest(candidates, decimals, highest=False)


def strictest_below(candidates: Mapping[str, float | None], decimals: int = 1) -> StopLimit | None:
    """Return the highest of some lower limits, rounded up; see `strictest_above`.

    >>> strictest_below({"water boils": 12.01, "set - swing": 9.0})
    StopLimit(value=12.1, because='water boils')
    """
    return _strictest(candidates, decimals, highest=True)


def _strictest(
    candidates: Mapping[str, float | None], decimals: int, highest: bool
) -> StopLimit | None:
    known = {name: value for name, value in candidates.items() if value is not None}
    if not all(map(math.isfinite, known.values())):
        raise ValueError(f"limits must be finite numbers or None, not {dict(candidates)}")
    if not known:
        return None
    name = (max if highest else min)(known, key=lambda name: known[name])
    towards = ROUND_CEILING if highest else ROUND_FLOOR
    step = Decimal(1).scaleb(-decimals)
    return StopLimit(float(Decimal(repr(float(known[name]))).quantize(step, towards)), name)


@dataclass(frozen=True, slots=True)
class StopLimits:
    """Planning stop limits of a run; pressures as the rig shows them. None: not known.

    What is not known is printed as a blank to be filled in from the rig's documents.
    """

    pressure_unit: str
    temperature_above_C: StopLimit | None = None
    pressure_above: StopLimit | None = None
    pressure_below: StopLimit | None = None
    flow_above_mL_min: StopLimit | None = None
    flow_below_mL_min: StopLimit | None = None

    def lines(self) -> tuple[tuple[str, str, StopLimit | None], ...]:
        """Return condition, unit and limit, in the order in which they are printed."""
        return (
            ("temperature above", "°C", self.temperature_above_C),
            ("pressure above", self.pressure_unit, self.pressure_above),
            ("pressure below", self.pressure_unit, self.pressure_below),
            ("flow above", "mL/min", self.flow_above_mL_min),
            ("flow below", "mL/min", self.flow_below_mL_min),
        )


@dataclass(frozen=True, slots=True)
class SamplePoint:
    """A sample of the stream: when, and what is thrown away first to clear the line.

    `time_min` counts from when the set temperature is reached.
    """

    time_min: float
    discard_mL: float
    volume_mL: float | None = None


@dataclass(frozen=True, slots=True)
class BenchRun:
    """What the person at the rig needs with one run beside its settings.

    Attributes
    ----------
    checks
        What to verify before heat.
    drains_min
        When the collection vessel is drained [min after the flow starts].
    heat_up_min
        How long after that the extraction begins, from which samples are timed; None: not known.
    expected_g
        What is expected of a weighing, by its column [g].
    totals
        Label and text of what to expect, as ("water pumped", "450 mL").
    """

    stop: StopLimits = StopLimits("bar")
    checks: tuple[str, ...] = USUAL_CHECKS
    drains_min: tuple[float, ...] = ()
    samples: tuple[SamplePoint, ...] = ()
    totals: tuple[tuple[str, str], ...] = ()
    heat_up_min: float | None = None
    expected_g: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Entry:
    """A place to write beside settings and responses; it comes back with the run's notes."""

    name: str
    words: str
    unit: str = ""

    @property
    def column(self) -> str:
        slug = unit_slug(self.unit)
        return f"{self.name}_{slug}" if slug else self.name


USUAL_ENTRIES = (Entry("initials", "initials"),)


def entries_for(entries: Sequence[Entry], schema: LedgerSchema) -> tuple[Entry, ...]:
    """Return the entries that the campaign has no column of its own for."""
    return tuple(entry for entry in entries if column_of(entry.column, schema) is None)


@dataclass(frozen=True, slots=True)
class SheetWords:
    """What a bench sheet says beside its runs.

    Attributes
    ----------
    fixed
        Name and value of what is set alike for every run, as ("pressure", "50 bar gauge"): no
        set value may be missing from the page that the rig is set by.
    limits
        Sentences for each run by its number, as "at least 31.6 bar gauge at this temperature".
    cautions
        Sentences about the rig and the material, printed before the first run.
    unconfirmed_limits
        Prints the banner that the sheet is for planning practice only.
    provenance
        Pairs of label and text for the foot: file, seed, versions.
    bench
        Stop limits, checks, drains, samples and totals for each run by its number.
    entries
        Places to write beside achieved values and responses.
    """

    campaign: str
    stage: int
    fixed: tuple[tuple[str, str], ...]
    limits: Mapping[int, Sequence[str]] = field(default_factory=dict)
    cautions: tuple[str, ...] = ()
    unconfirmed_limits: bool = False
    provenance: tuple[tuple[str, str], ...] = ()
    mode: str = ""
    bench: Mapping[int, BenchRun] = field(default_factory=dict)
    entries: tuple[Entry, ...] = USUAL_ENTRIES
