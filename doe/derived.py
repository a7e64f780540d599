"""Responses that follow from masses and assays: from ledger and bottles to the ledger's cells.

What is weighed with each run stands in the ledger; the bottles stand in `portions.csv`, and what
follows from both, with its scatter, in `derived.csv`. `doe.yields` does the arithmetic.
"""

from __future__ import annotations

import contextlib
import csv
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from doe.campaign import Campaign, Feed
from doe.errors import Notice, Problem, ResultsError, Where
from doe.ledger import (
    Censored,
    Ledger,
    LedgerRow,
    Returned,
    ReturnedRow,
    csv_text,
    number_text,
    prepares,
)
from doe.quantities import unit_slug
from doe.responses import Source
from doe.sheet.portions import Bottle, Bottles, read_bottles
from doe.yields import (
    ASSAY_UNITS,
    Assay,
    Below,
    Compound,
    Derived,
    Figure,
    Portion,
    PortionKind,
    RunMasses,
    derive_run,
)

__all__ = [
    "DERIVED_FILE",
    "PORTIONS_FILE",
    "FromMasses",
    "bottles_in",
    "closures",
    "from_masses",
    "portion_of",
]

PORTIONS_FILE = "portions.csv"
DERIVED_FILE = "derived.csv"
SOLIDS = "solids"
DRIED = "extract, dried"


@dataclass(frozen=True, slots=True)
class FromMasses:
    """What followed from masses and bottles: for the ledger, and as the table `derived.csv`."""

    returned: Returned
    table: str
    notices: tuple[Notice, ...]


def bottles_in(campaign: Campaign, path: Path) -> Bottles | None:
    """Return the bottles in a file; None where the file holds none.

    Raises
    ------
    StateError, ResultsError
        As `doe.sheet.portions.read_bottles`.
    """
    schema = campaign.schema
    of_runs = (*schema.space.columns, *schema.achieved_columns, *schema.response_columns)
    return read_bottles(path, (SOLIDS, *campaign.assayed), tuple(ASSAY_UNITS), of_runs)


def from_masses(
    campaign: Campaign, ledger: Ledger, bottles: Sequence[Bottle], touched: set[int]
) -> FromMasses:
    """Return the derived responses of the runs that were touched, and the table of all.

    Raises
    ------
    ResultsError
        Everything that cannot be, of the runs touched; of others it is a notice.
    """
    problems: list[Problem] = []
    notices: list[Notice] = []
    found: dict[int, Derived] = {}
    for row in ledger.rows:
        if prepares(row):
            continue
        try:
            masses = _masses(campaign, row, [b for b in bottles if b.run == row.run])
            if masses is None:
                continue
            found[row.run] = derive_run(masses)
        except ResultsError as error:
            if row.run in touched:
                problems += error.problems
            else:
                notices += [Notice("not-derived", str(problem)) for problem in error.problems]
    if problems:
        raise ResultsError(*problems)
    rows = []
    lot_of = {row.run: row.lot for row in ledger.rows}
    for run in sorted(touched & found.keys()):
        notices += found[run].notices
        notices += _without_reference(campaign, lot_of[run], found[run])
        rows.append(_back(campaign, found[run], notices))
    lacking = [row for row in ledger.rows if row.run in touched and row.run not in found]
    notices += _lacking(lacking, bottles)
    return FromMasses(
        Returned(tuple(rows), "masses and portions"), _table(found.values()), tuple(notices)
    )


def _without_reference(campaign: Campaign, lot: str, found: Derived) -> Iterator[Notice]:
    """Yield a notice for recoveries that wait for the content of the run's lot."""
    wanted = {
        r.source.compound for r in campaign.responses if r.source and r.source.kind == "recovery"
    }
    for compound in found.compounds:
        if compound.name in wanted and compound.recovery_pct is None:
            of_lot = (
                f"lot {lot}" if lot else "the run's lot is not recorded, and the feed as a whole"
            )
            what = (
                f"Run {found.run}: no recovery of {compound.name}, as {of_lot} has no reference "
                "content. Write the lot on the sheet, or the content in campaign.toml."
            )
            yield Notice("reference-missing", what)


def _lacking(rows: Sequence[LedgerRow], bottles: Sequence[Bottle]) -> Iterator[Notice]:
    """Yield a notice for runs with masses or bottles, but without the feed that all goes by."""
    with_bottles = {bottle.run for bottle in bottles}
    for row in rows:
        if prepares(row):
            continue
        if row.run in with_bottles or any(value is not None for value in row.weighed):
            what = f"Run {row.run}: nothing is derived until feed_g is recorded."
            yield Notice("feed-missing", what)


# --- from cells to masses


def _masses(campaign: Campaign, row: LedgerRow, bottles: Sequence[Bottle]) -> RunMasses | None:
    """Return what went in and came out of a run; None before its feed is recorded."""
    columns = campaign.schema.weighed_columns
    weighed = dict(zip(columns, row.weighed or (None,) * len(columns), strict=True))
    feed = weighed["feed_g"]
    if feed is None:
        return None
    moisture = weighed["feed_moisture_pct"]
    usual = campaign.feed.moisture_of(row.lot)
    if moisture is None and usual is not None:
        moisture = 100 * usual
    dried, where = weighed["extract_dry_g"], Where("runs.csv", None, f"run {row.run}")
    names = campaign.compounds
    portions = tuple(portion_of(bottle, names, campaign.feed) for bottle in bottles)
    if dried is not None:  # what was only weighed before it was dried is no second extract
        portions = tuple(p for p in portions if p.kind == "sample" or p.solids or p.contents)
    whole = [portion for portion in portions if portion.kind != "sample"]
    if dried is not None and whole:
        raise ResultsError.of(
            "extract-twice",
            f"run {row.run} has extract_dry_g and {len(whole)} assayed portions beside samples: "
            "the extract would count twice.",
            "Keep one of them: empty the cell in runs.csv, or take its rows out of portions.csv.",
            file="runs.csv",
            key="extract_dry_g",
        )
    if dried is not None:
        all_solid = Assay((1.0,), "g/g")
        weighed_sd = campaign.feed.weighing_scatter
        rest = Portion(
            "drain", DRIED, mass_g=dried, mass_sd_g=weighed_sd, solids=all_solid, where=where
        )
        portions = (rest, *portions)
    moisture_sd = _percent(campaign.feed.moisture_scatter)
    return RunMasses(
        run=row.run,
        feed_g=feed,
        feed_moisture_pct=moisture,
        portions=portions,
        residue_g=weighed["residue_g"],
        residue_moisture_pct=weighed["residue_moisture_pct"],
        compounds=tuple(
            Compound(
                name,
                campaign.feed.reference_of(row.lot, name),
                group=name in campaign.feed.groups,
            )
            for name in names
        ),
        feed_sd_g=campaign.feed.weighing_scatter,
        feed_moisture_sd_pct=moisture_sd,
        residue_sd_g=campaign.feed.weighing_scatter,
        residue_moisture_sd_pct=moisture_sd,
        where=where,
    )


def _percent(share: float | None) -> float | None:
    return None if share is None else 100 * share


def portion_of(bottle: Bottle, compounds: Sequence[str], feed: Feed) -> Portion:
    """Return what a bottle's cells say of solids and of compounds.

    Raises
    ------
    ResultsError
        An assay in several units, or above what was measured.
    """
    cells = bottle.cells
    volume, share = cells.get("volume_mL"), feed.volume_scatter
    contents = {name: assay for name in compounds if (assay := _assay(bottle, name)) is not None}
    return Portion(
        kind=cast(PortionKind, bottle.kind),
        label=bottle.label,
        volume_mL=volume,
        mass_g=cells.get("mass_g"),
        volume_sd_mL=None if volume is None or share is None else share * volume,
        mass_sd_g=feed.weighing_scatter,
        density_g_mL=cells.get("density_g_mL"),
        discard_mL=cells.get("discard_mL"),
        solids=_assay(bottle, SOLIDS),
        contents=contents,
        where=bottle.where,
    )


def _assay(bottle: Bottle, name: str) -> Assay | None:
    """Return the readings of what was assayed; None where there are none.

    Raises
    ------
    ResultsError
        Readings in several units, or above a limit.
    """
    by_unit: dict[str, list[float]] = {}
    for unit in ASSAY_UNITS:
        columns = (f"{name}_{unit_slug(unit)}{suffix}" for suffix in ("", "_2", "_3"))
        values = [bottle.cells[column] for column in columns if column in bottle.cells]
        if values:
            by_unit[unit] = values
    if not by_unit:
        return None
    who = f"run {bottle.run}, {bottle.label}: {name}"
    if len(by_unit) > 1:
        what = f"{who} was read in {' and in '.join(by_unit)}."
        raise ResultsError(Problem("two-units", what, bottle.where, "Keep one of them."))
    (unit, values), *_ = by_unit.items()
    above = [v for v in values if isinstance(v, Censored) and v.above]
    if above:
        what = f"{who} is {above[0].text} {unit}, above what was measured."
        raise ResultsError(Problem("above-range", what, bottle.where, "Dilute it and read again."))
    readings = tuple(Below(v.limit) if isinstance(v, Censored) else v for v in values)
    return Assay(readings, unit, bottle.cells.get(f"{name}_dilution", 1.0))


# --- from derived figures to cells


def _back(campaign: Campaign, derived: Derived, notices: list[Notice]) -> ReturnedRow:
    """Return the cells of a run's derived responses; note those that lie between two limits."""
    cells: dict[str, float] = {}
    for response in campaign.responses:
        figure = None if response.source is None else _figure(derived, response.source)
        if response.source is None or figure is None:
            continue
        by = response.source.per_percent
        if figure.value is not None:
            cells[response.column] = float(f"{figure.value * by:.6g}")
        elif figure.low == 0:
            cells[response.column] = Censored(float(f"{figure.high * by:.6g}"))
        else:
            what = (
                f"Run {derived.run}: {response.words} lies between {figure.low * by:.4g} and "
                f"{figure.high * by:.4g} {response.unit}, as a portion was below its limit; it is "
                "left blank."
            )
            notices.append(Notice("between-limits", what))
    return ReturnedRow(derived.run, {}, {}, cells)


def _figure(derived: Derived, source: Source) -> Figure | None:
    """Return a derived figure in %."""
    if source.kind in ("yield", "residue", "closure"):
        by_kind = {
            "yield": derived.yield_pct,
            "residue": derived.residue_pct,
            "closure": derived.closure_pct,
        }
        return by_kind[source.kind]
    result = next((c for c in derived.compounds if c.name == source.compound), None)
    if result is None:
        return None
    if source.kind == "amount":
        return result.amount_mg_g.scaled(0.1)
    return result.purity_pct if source.kind == "purity" else result.recovery_pct


def _table(runs: Iterable[Derived]) -> str:
    """Return what followed from the masses of each run, with scatter, as CSV."""
    records: list[dict[str, str]] = []
    for run in runs:
        cells = {"run": str(run.run)}
        cells |= _cells("dry_feed_g", run.dry_feed_g) | _cells("extract_g", run.extract_g)
        cells |= _cells("yield_pct", run.yield_pct) | _cells("residue_pct", run.residue_pct)
        cells |= _cells("closure_pct", run.closure_pct)
        for compound in run.compounds:
            cells |= _cells(f"{compound.name}_mg_g", compound.amount_mg_g)
            cells |= _cells(f"{compound.name}_purity_pct", compound.purity_pct)
            cells |= _cells(f"{compound.name}_recovery_pct", compound.recovery_pct)
        records.append(cells)
    columns = list(dict.fromkeys(column for cells in records for column in cells))
    return csv_text([columns, *([cells.get(c, "") for c in columns] for cells in records)])


def _cells(name: str, figure: Figure | None) -> dict[str, str]:
    """Return a figure and its scatter; a censored one by its limits."""
    if figure is None:
        return {}
    if figure.value is None:
        low, high = _short(figure.low), _short(figure.high)
        return {name: f"<{high}" if figure.low == 0 else f"{low} to {high}"}
    sd = {f"{name}_sd": _short(figure.sd)} if figure.sd is not None else {}
    return {name: _short(figure.value)} | sd


def _short(value: float) -> str:
    return number_text(float(f"{value:.6g}"))


def closures(campaign: Campaign) -> dict[int, float]:
    """Return by run how much of its dry feed was found again [%], as `derived.csv` has it."""
    path = campaign.folder / DERIVED_FILE
    if not path.exists():
        return {}
    found = {}
    with path.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            with contextlib.suppress(KeyError, ValueError, TypeError):
                found[int(row["run"])] = float(row["closure_pct"])
    return found
