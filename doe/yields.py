"""Derived responses: from what was weighed, measured out and assayed to yield, purity, recovery.

Extract is what every drained portion, sample and flush held; leaving one out makes the yield too
low. Yield is on dry feed, purity on dry extract, recovery on a reference content of dry feed.
Duplicate assays of one bottle are averaged and their scatter is kept: they say how well the bottle
is known and are never counted as runs. A reading below detection stays censored: what follows from
it is an interval, not a number.

Scatter is carried through to first order (JCGM 100:2008, 5.1.2 and 5.2.2: contributions of one
source add up before they are squared), so that a volume in both numerator and denominator counts
once. Sources whose scatter is not known count as none.

Units: g, mL, mg/g, %; `_pct` is percent by mass.
"""

from __future__ import annotations

import itertools
import math
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from doe.errors import Notice, Problem, ResultsError, Where

__all__ = [
    "ASSAY_UNITS",
    "Assay",
    "AssayScatter",
    "Below",
    "Compound",
    "CompoundResult",
    "Derived",
    "Figure",
    "MassRules",
    "Portion",
    "PortionKind",
    "RunMasses",
    "derive",
    "derive_run",
    "held",
]

PortionKind = Literal["drain", "sample", "flush"]

ASSAY_UNITS: dict[str, tuple[Literal["volume", "mass"], float]] = {
    "mg/mL": ("volume", 1e-3),
    "g/L": ("volume", 1e-3),
    "mg/L": ("volume", 1e-6),
    "µg/mL": ("volume", 1e-6),
    "%": ("mass", 1e-2),
    "g/g": ("mass", 1.0),
    "mg/g": ("mass", 1e-3),
}
"""Units of an assay of liquid: what the gram of it is per (mL, or g of liquid), and its size."""


@dataclass(frozen=True, slots=True)
class Below:
    """A reading below a limit of detection or quantification, in the assay's unit."""

    limit: float


@dataclass(frozen=True, slots=True)
class Assay:
    """Readings of one bottle, in `unit`, as read: of the liquid diluted `dilution` times.

    The dilution is by volume for a unit per volume, by mass for a unit by mass; below 1 where the
    liquid was concentrated.

    `sd` is the scatter of a single reading, for when there is only one; duplicates show their own.
    """

    readings: tuple[float | Below, ...]
    unit: str
    dilution: float = 1.0
    sd: float | None = None


@dataclass(frozen=True, slots=True)
class Portion:
    """One bottle: drained, drawn as a sample, or flushed out, measured by volume, mass or both.

    `contents` are the assays of named compounds. `density_g_mL` joins a volume with an assay by
    mass, or the reverse. `discard_mL` left before it and is in no portion.
    """

    kind: PortionKind
    label: str
    volume_mL: float | None = None
    mass_g: float | None = None
    density_g_mL: float | None = None
    discard_mL: float | None = None
    volume_sd_mL: float | None = None
    mass_sd_g: float | None = None
    solids: Assay | None = None
    contents: Mapping[str, Assay] = field(default_factory=dict)
    where: Where = field(default_factory=Where)


@dataclass(frozen=True, slots=True)
class Compound:
    """A compound, or group of compounds, that portions are assayed for.

    `reference_mg_g` is the exhaustive content per gram of dry feed. `group` marks assays of a
    group and products of hydrolysis, which may rightly exceed the reference.
    """

    name: str
    reference_mg_g: float | None = None
    reference_sd_mg_g: float | None = None
    group: bool = False


@dataclass(frozen=True, slots=True)
class RunMasses:
    """What went in and came out of one run. Moisture is on the wet mass, as dried in an oven."""

    run: int
    feed_g: float
    feed_moisture_pct: float | None
    portions: tuple[Portion, ...]
    residue_g: float | None = None
    residue_moisture_pct: float | None = None
    compounds: tuple[Compound, ...] = ()
    feed_sd_g: float | None = None
    feed_moisture_sd_pct: float | None = None
    residue_sd_g: float | None = None
    residue_moisture_sd_pct: float | None = None
    where: Where = field(default_factory=Where)


@dataclass(frozen=True, slots=True)
class MassRules:
    """What a mass balance may show [%]. All are common practice.

    More than `closure_max_pct` of the dry feed found again is refused, more than 100 % is told, as
    is less than `closure_min_pct`; extract alone may not exceed 100 %.
    """

    closure_min_pct: float = 90.0
    closure_max_pct: float = 105.0
    assay_rsd_max_pct: float = 10.0


# --- numbers with bounds and scatter


@dataclass(frozen=True, slots=True)
class Figure:
    """A number that is not negative, its bounds, and what each source of scatter adds to it.

    `value` is None where a censored reading leaves only the bounds `low` and `high`.
    """

    value: float | None
    low: float
    high: float
    scatter: Mapping[str, float] = field(default_factory=dict)

    @classmethod
    def of(cls, value: float, source: str = "", sd: float | None = None) -> Figure:
        """Return an uncensored number, with the scatter of its source where known."""
        return cls(value, value, value, {source: sd} if sd else {})

    @property
    def sd(self) -> float | None:
        """Standard deviation from all sources whose scatter is known; None if none is."""
        if self.value is None or not self.scatter:
            return None
        return math.sqrt(math.fsum(part**2 for part in self.scatter.values()))

    @property
    def censored(self) -> bool:
        return self.value is None

    def __add__(self, other: Figure) -> Figure:
        if self.value is None or other.value is None:
            return Figure(None, self.low + other.low, self.high + other.high)
        scatter = _joined(self.scatter, 1.0, other.scatter, 1.0)
        total = self.value + other.value
        return Figure(total, self.low + other.low, self.high + other.high, scatter)

    def __mul__(self, other: Figure) -> Figure:
        low, high = self.low * other.low, self.high * other.high
        if self.value is None or other.value is None:
            return Figure(None, low, high)
        scatter = _joined(self.scatter, other.value, other.scatter, self.value)
        return Figure(self.value * other.value, low, high, scatter)

    def __truediv__(self, other: Figure) -> Figure:
        low = self.low / other.high if other.high else math.inf
        high = self.high / other.low if other.low else math.inf
        if self.value is None or other.value is None:
            return Figure(None, low, high)
        ratio = self.value / other.value
        scatter = _joined(self.scatter, 1 / other.value, other.scatter, -ratio / other.value)
        return Figure(ratio, low, high, scatter)

    def scaled(self, factor: float) -> Figure:
        """Return it times an exact number."""
        return self * Figure.of(factor)


def _joined(
    first: Mapping[str, float], by: float, second: Mapping[str, float], by_second: float
) -> dict[str, float]:
    """Return the contributions of each source: those of one source add up with their signs."""
    joined = {source: by * part for source, part in first.items()}
    for source, part in second.items():
        joined[source] = joined.get(source, 0.0) + by_second * part
    return joined


_NOTHING = Figure.of(0.0)


# --- results


@dataclass(frozen=True, slots=True)
class AssayScatter:
    """Scatter of the duplicate readings of one bottle: their number, mean and sd, undiluted.

    It is scatter of the assay, not between runs.
    """

    label: str
    unit: str
    readings: int
    mean: float
    sd: float


@dataclass(frozen=True, slots=True)
class CompoundResult:
    """A compound's amount per dry feed, purity in dry extract, recovery of the reference."""

    name: str
    amount_mg_g: Figure
    purity_pct: Figure | None
    recovery_pct: Figure | None


@dataclass(frozen=True, slots=True)
class Derived:
    """What follows from the masses of one run; None where something for it was not measured."""

    run: int
    dry_feed_g: Figure
    extract_g: Figure | None
    yield_pct: Figure | None
    residue_pct: Figure | None
    closure_pct: Figure | None
    compounds: tuple[CompoundResult, ...]
    scatter: tuple[AssayScatter, ...]
    notices: tuple[Notice, ...]


def derive(runs: Sequence[RunMasses], rules: MassRules | None = None) -> tuple[Derived, ...]:
    """Return the derived responses of several runs.

    Raises
    ------
    ResultsError
        Everything in any of them that cannot be, all at once.
    """
    results: list[Derived] = []
    problems: list[Problem] = []
    for run in runs:
        try:
            results.append(derive_run(run, rules))
        except ResultsError as error:
            problems += error.problems
    if problems:
        raise ResultsError(*problems)
    return tuple(results)


def derive_run(run: RunMasses, rules: MassRules | None = None) -> Derived:
    """Return the derived responses of a run.

    Parameters
    ----------
    run
        What was weighed, measured out and assayed.
    rules
        What the mass balance may show; common practice unless given.

    Raises
    ------
    ResultsError
        A mass, volume, moisture or reading that cannot be, or more solids out than went in.

    Notes
    -----
    dry feed = feed (1 − moisture); extract = Σ portion × solids content; yield = extract/dry feed;
    closure = (extract + dry residue)/dry feed; purity = Σ portion × content/extract; recovery =
    Σ portion × content/(dry feed × reference). An assay's content is the mean of its readings
    times its dilution, with sd/√n of n duplicates.
    """
    rules = rules or MassRules()
    problems = list(_impossible(run))
    if problems:
        raise ResultsError(*problems)
    notices: list[Notice] = []
    feed = Figure.of(run.feed_g, "feed", run.feed_sd_g) * _dry_share(
        "feed moisture", run.feed_moisture_pct or 0.0, run.feed_moisture_sd_pct
    )
    extract = _extract(run, notices)
    residue = _residue(run, notices)
    closure = (extract + residue) / feed if extract and residue else None
    derived = Derived(
        run=run.run,
        dry_feed_g=feed,
        extract_g=extract,
        yield_pct=(extract / feed).scaled(100) if extract else None,
        residue_pct=(residue / feed).scaled(100) if residue else None,
        closure_pct=closure.scaled(100) if closure else None,
        compounds=tuple(_compounds(run, feed, extract, notices)),
        scatter=tuple(_duplicates(run)),
        notices=(),
    )
    problems = list(_too_much(derived, run, rules))
    if problems:
        raise ResultsError(*problems)
    notices += _closure_notices(derived, run, rules)
    notices += _scatter_notices(derived, rules)
    return replace(derived, notices=tuple(notices))


def _dry_share(source: str, moisture_pct: float, sd: float | None) -> Figure:
    return Figure.of(1 - moisture_pct / 100, source, sd / 100 if sd else None)


def held(portion: Portion, name: str) -> Figure | None:
    """Return how much of ``solids`` or of a compound a portion holds [g]; None where not assayed.

    Raises
    ------
    ResultsError
        A measure or a reading that cannot be, or that do not go together.
    """
    assay = portion.solids if name == "solids" else portion.contents.get(name)
    if assay is None:
        return None
    problems = list(_impossible_portion(portion, portion.label))
    if problems:
        raise ResultsError(*problems)
    return _held(portion, assay, name, 0)


def _extract(run: RunMasses, notices: list[Notice]) -> Figure | None:
    """Return the dry extract of all portions [g]; None where the solids of one are not known."""
    without = [portion.label for portion in run.portions if portion.solids is None]
    if without or not run.portions:
        what = f"Run {run.run}: no extract mass, as " + (
            f"the solids of {', '.join(without)} were not measured."
            if without
            else "no portion is recorded."
        )
        notices.append(Notice("extract-not-known", what))
        return None
    total = _NOTHING
    for place, portion in enumerate(run.portions):
        assert portion.solids is not None
        total += _held(portion, portion.solids, f"{place} solids", place)
    notices += _discard_notices(run, total)
    return total


def _discard_notices(run: RunMasses, extract: Figure) -> Iterator[Notice]:
    """Yield a notice of what was discarded before samples, at the content of those samples.

    A mass without a density stands for as many mL: water near room temperature (from memory).
    """
    thrown = held = 0.0
    for place, portion in enumerate(run.portions):
        liquid = portion.volume_mL
        if liquid is None and portion.mass_g is not None:
            liquid = portion.mass_g / (portion.density_g_mL or 1.0)
        if not portion.discard_mL or portion.solids is None or not liquid:
            continue
        thrown += portion.discard_mL
        held += portion.discard_mL / liquid * _held(portion, portion.solids, "", place).high
    if thrown:
        share = f", {100 * held / extract.high:.2g} % of the extract" if extract.high else ""
        what = (
            f"Run {run.run}: {thrown:g} mL was discarded before samples and is in no portion. At "
            f"the content of those samples it held up to {held:.2g} g{share}: if it did not go "
            "into the collection vessel, the yield is too low by that."
        )
        yield Notice("discard-not-counted", what)


def _held(portion: Portion, assay: Assay, source: str, place: int) -> Figure:
    """Return how much of what was assayed a portion holds [g]."""
    basis, _ = ASSAY_UNITS[assay.unit]
    return _measured_out(portion, basis, place) * _content(assay, source)


def _measured_out(portion: Portion, basis: str, place: int) -> Figure:
    """Return a portion's volume [mL] or mass [g], from the other by its density."""
    volume, mass = portion.volume_mL, portion.mass_g
    if basis == "volume":
        if volume is not None:
            return Figure.of(volume, f"{place} volume", portion.volume_sd_mL)
        assert mass is not None
        assert portion.density_g_mL is not None
        return Figure.of(mass, f"{place} mass", portion.mass_sd_g).scaled(1 / portion.density_g_mL)
    if mass is not None:
        return Figure.of(mass, f"{place} mass", portion.mass_sd_g)
    assert volume is not None
    assert portion.density_g_mL is not None
    return Figure.of(volume, f"{place} volume", portion.volume_sd_mL).scaled(portion.density_g_mL)


def _content(assay: Assay, source: str) -> Figure:
    """Return the mean of an assay's readings, undiluted, in g per mL or per g of liquid."""
    n = len(assay.readings)
    size = assay.dilution * ASSAY_UNITS[assay.unit][1]
    lows = [0.0 if isinstance(r, Below) else r for r in assay.readings]
    highs = [r.limit if isinstance(r, Below) else r for r in assay.readings]
    low, high = math.fsum(lows) / n * size, math.fsum(highs) / n * size
    if any(isinstance(reading, Below) for reading in assay.readings):
        return Figure(None, low, high)
    sd = _reading_sd(lows) if n > 1 else assay.sd
    return Figure.of(low, source, sd * size / math.sqrt(n) if sd else None)


def _reading_sd(readings: Sequence[float]) -> float:
    mean = math.fsum(readings) / len(readings)
    return math.sqrt(math.fsum((r - mean) ** 2 for r in readings) / (len(readings) - 1))


def _residue(run: RunMasses, notices: list[Notice]) -> Figure | None:
    """Return the dry residue [g]; None where its mass or moisture is not known."""
    if run.residue_g is None:
        return None
    if run.residue_moisture_pct is None:
        what = (
            f"Run {run.run}: the residue's moisture is not recorded, so there is no mass balance. "
            "Write 0 % if it was weighed dry."
        )
        notices.append(Notice("residue-moisture-missing", what))
        return None
    dry = _dry_share("residue moisture", run.residue_moisture_pct, run.residue_moisture_sd_pct)
    return Figure.of(run.residue_g, "residue", run.residue_sd_g) * dry


def _compounds(
    run: RunMasses, feed: Figure, extract: Figure | None, notices: list[Notice]
) -> Iterator[CompoundResult]:
    """Yield amount, purity and recovery of each compound assayed in every portion."""
    for compound in run.compounds:
        without = [p.label for p in run.portions if compound.name not in p.contents]
        if without or not run.portions:
            places = ", ".join(without) or "any portion"
            what = f"Run {run.run}: no {compound.name}, as it was not measured in {places}."
            notices.append(Notice("compound-not-known", what))
            continue
        held = _NOTHING
        for place, portion in enumerate(run.portions):
            source = f"{place} {compound.name}"
            held += _held(portion, portion.contents[compound.name], source, place)
        recovery = None
        if compound.reference_mg_g is not None:
            source = f"reference {compound.name}"
            reference = Figure.of(compound.reference_mg_g, source, compound.reference_sd_mg_g)
            recovery = (held / feed / reference).scaled(1e5)
            notices += _recovery_notices(run, compound, recovery)
        purity = (held / extract).scaled(100) if extract and extract.low > 0 else None
        if purity is not None and purity.low > 100:
            what = (
                f"Run {run.run}: {purity.low:.4g} % of the extract would be {compound.name}, more "
                "than all of it. Check both assays and their dilutions."
            )
            notices.append(Notice("purity-above-100", what))
        yield CompoundResult(compound.name, (held / feed).scaled(1000), purity, recovery)


def _recovery_notices(run: RunMasses, compound: Compound, recovery: Figure) -> Iterator[Notice]:
    """Yield a notice for a recovery above 100 % by more than two standard deviations."""
    if recovery.low - 2 * (recovery.sd or 0.0) <= 100:
        return
    why = "Check the assay, its dilution and the reference content."
    if compound.group:
        why = "An assay of a group, or of products of hydrolysis, can do so; it is no recovery."
    what = (
        f"Run {run.run}: {recovery.low:.4g} % of the reference content of {compound.name} was "
        f"found; all of it is 100 %. {why}"
    )
    yield Notice("recovery-above-100", what)


def _duplicates(run: RunMasses) -> Iterator[AssayScatter]:
    """Yield the scatter of each assay that was read more than once, where all were measured."""
    for portion in run.portions:
        assays = [("solids", portion.solids), *portion.contents.items()]
        for name, assay in assays:
            if assay is None or len(assay.readings) < 2:
                continue
            values = [r for r in assay.readings if not isinstance(r, Below)]
            if len(values) == len(assay.readings):
                mean = math.fsum(values) / len(values) * assay.dilution
                sd = _reading_sd(values) * assay.dilution
                label = f"{portion.label}, {name}"
                yield AssayScatter(label, assay.unit, len(values), mean, sd)


# --- what cannot be, and what should be known


def _too_much(derived: Derived, run: RunMasses, rules: MassRules) -> Iterator[Problem]:
    """Yield a problem where surely more solids came out than went in."""
    residue = derived.residue_pct
    remedy = f"Check moisture, volumes, solids contents and dilutions.{_alike(run)}"
    found = (
        ("the extract's solids", derived.yield_pct, 100.0),
        ("the residue's dry solids", derived.residue_pct, 100.0),
        ("extract and dry residue together", derived.closure_pct, rules.closure_max_pct),
    )
    for words, share, most in found:
        if share is not None and share.low > most * (1 + 1e-9):
            what = (
                f"run {run.run}: {words} make {share.low:.5g} % of the dry feed; allowed is "
                f"{most:g} %."
            )
            bottles = [p.where.file for p in run.portions if p.where.file and share is not residue]
            where = replace(run.where, file=bottles[0], line=None) if bottles else run.where
            yield Problem("solids-above-feed", what, where, remedy)


def _closure_notices(derived: Derived, run: RunMasses, rules: MassRules) -> Iterator[Notice]:
    closure = derived.closure_pct
    if closure is None:
        return
    what = f"Run {derived.run}: {closure.high:.4g} % of the dry feed was found again"
    if closure.low > 100 * (1 + 1e-9):
        what += f"; up to {rules.closure_max_pct:g} % counts as error of weighing and drying."
        what += _alike(run)
        yield Notice("closure-above-100", what)
    elif closure.high < rules.closure_min_pct:
        what += (
            f", usual is at least {rules.closure_min_pct:g} %: volatiles, losses, error of drying, "
            "or a portion that was not counted."
        )
        yield Notice("closure-low", what)


def _alike(run: RunMasses) -> str:
    """Return a question that names bottles that look like the same one twice; blank if none do.

    Their labels are the same but for capitals, signs and leading zeros, or kind, amount and solids.
    """
    pairs = [
        f"{a.label} and {b.label}"
        for a, b in itertools.combinations(run.portions, 2)
        if _plain(a.label) == _plain(b.label)
        or (a.kind, a.volume_mL, a.mass_g, a.solids) == (b.kind, b.volume_mL, b.mass_g, b.solids)
    ]
    return f" Bottles {', '.join(pairs)} look alike: does one stand twice?" if pairs else ""


def _plain(label: str) -> str:
    return re.sub("0*([0-9]+)", r"\1", re.sub(r"[\W_]", "", label.casefold()))


def _scatter_notices(derived: Derived, rules: MassRules) -> Iterator[Notice]:
    for scatter in derived.scatter:
        if scatter.mean > 0 and 100 * scatter.sd / scatter.mean > rules.assay_rsd_max_pct:
            what = (
                f"Run {derived.run}, {scatter.label}: its {scatter.readings} readings scatter by "
                f"{100 * scatter.sd / scatter.mean:.3g} %, usual is up to "
                f"{rules.assay_rsd_max_pct:g} %. Read it again if the bottle is still there."
            )
            yield Notice("duplicates-apart", what)


def _impossible(run: RunMasses) -> Iterator[Problem]:
    """Yield what cannot be among the entries of a run."""
    who = f"run {run.run}"
    if not run.feed_g > 0:
        yield _fault(run.where, f"{who}: the feed is {run.feed_g:g} g", "above 0 g", "Weigh it.")
    if run.feed_moisture_pct is None:
        what = f"{who}: the feed's moisture is not recorded, so its dry mass is not known."
        remedy = "Write it, or 0 % if the feed was weighed dry."
        yield Problem("moisture-missing", what, run.where, remedy)
    for words, moisture in (
        ("feed's", run.feed_moisture_pct),
        ("residue's", run.residue_moisture_pct),
    ):
        if moisture is not None and not 0 <= moisture < 100:
            found = f"{who}: the {words} moisture is {moisture:g} %"
            remedy = "Write it on the wet mass."
            yield _fault(run.where, found, "0 to below 100 % of the wet mass", remedy)
    if run.residue_g is not None and not run.residue_g >= 0:
        yield _fault(run.where, f"{who}: the residue is {run.residue_g:g} g", "0 g or more", "")
    for name in (c.name for c in run.compounds if not (c.reference_mg_g or 1.0) > 0):
        found = f"{who}: the reference content of {name} is not above zero"
        yield _fault(run.where, found, "above 0 mg/g", "Leave it out if there is none.")
    for label, count in Counter(portion.label for portion in run.portions).items():
        if count > 1:
            what = f"{who}: the bottle {label} stands {count} times."
            yield Problem("bottle-twice", what, run.where, "Give each its own label.")
    for portion in run.portions:
        yield from _impossible_portion(portion, f"{who}, {portion.label}")


def _impossible_portion(portion: Portion, who: str) -> Iterator[Problem]:
    where = portion.where
    for value, unit in ((portion.volume_mL, "mL"), (portion.mass_g, "g")):
        if value is not None and not (value >= 0 and math.isfinite(value)):
            yield _fault(where, f"{who}: it holds {value:g} {unit}", f"0 {unit} or more", "")
    if portion.density_g_mL is not None and not 0.5 <= portion.density_g_mL <= 2:
        found = f"{who}: its density is {portion.density_g_mL:g} g/mL"
        yield _fault(where, found, "0.5 to 2 g/mL", "Check the unit.")
    if portion.volume_mL and portion.mass_g is not None:
        density = portion.mass_g / portion.volume_mL
        if not 0.5 <= density <= 2:
            found = f"{who}: {portion.volume_mL:g} mL that weigh {portion.mass_g:g} g"
            allowed = f"0.5 to 2 g/mL, and that is {density:.3g}"
            yield _fault(where, found, allowed, "One of the two is a slip, or of another bottle.")
    if portion.volume_mL is None and portion.mass_g is None:
        what, remedy = f"{who}: neither volume nor mass is recorded.", "Write one of them."
        yield Problem("portion-empty", what, where, remedy)
        return
    assays = [("solids", portion.solids), *portion.contents.items()]
    for name, assay in assays:
        if assay is not None:
            yield from _impossible_assay(portion, assay, f"{who}, {name}")


def _impossible_assay(portion: Portion, assay: Assay, who: str) -> Iterator[Problem]:
    where = portion.where
    if assay.unit not in ASSAY_UNITS:
        allowed = ", ".join(ASSAY_UNITS)
        yield _fault(where, f'{who}: the unit is "{assay.unit}"', f"one of {allowed}", "")
        return
    if not assay.readings:
        yield _fault(where, f"{who}: there is no reading", "at least one", "")
    if not (assay.dilution > 0 and math.isfinite(assay.dilution)):
        remedy = "Write how many times more volume it had after dilution, as 10 for 1 in 10."
        yield _fault(where, f"{who}: the dilution is {assay.dilution:g}", "above 0", remedy)
    basis, size = ASSAY_UNITS[assay.unit]
    for reading in assay.readings:
        value = reading.limit if isinstance(reading, Below) else reading
        if not (value >= 0 and math.isfinite(value)):
            remedy = "Write a reading that is nothing as below its limit, as <0.05."
            yield _fault(where, f"{who}: a reading is {value:g} {assay.unit}", "0 or more", remedy)
        elif basis == "mass" and value * assay.dilution * size > 1:
            found = f"{who}: {value * assay.dilution:g} {assay.unit} is more than the whole liquid"
            yield _fault(where, found, "up to the whole", "Check unit and dilution.")
    here = portion.volume_mL if basis == "volume" else portion.mass_g
    if here is None and portion.density_g_mL is None:
        got, want = ("a mass", "mL") if basis == "volume" else ("a volume", "g")
        what = f"{who}: an assay in {assay.unit} and {got} do not go together without a density."
        remedy = f"Write the portion in {want}, or its density in g/mL."
        yield Problem("density-missing", what, where, remedy)


def _fault(where: Where, found: str, allowed: str, remedy: str) -> Problem:
    what = f"{found}; allowed is {allowed}."
    return Problem("impossible-value", what, where, remedy or "Check it.")
