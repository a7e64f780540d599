"""The bench sheet as a page: printed on A4, or filled in on a tablet without a network.

One page to read first, the days as many to a page as there is room for, one page a run. It can be
read and printed without script; with it, entries are kept in the browser and saved as a CSV that
`record` takes. A content security policy forbids every request.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING

from doe.factors import CategoricalFactor, Factor
from doe.ledger import (
    SHEET_OF,
    LedgerRow,
    LedgerSchema,
    csv_text,
    from_plain_text,
    number_text,
    row_cells,
)
from doe.quantities import unit_slug
from doe.responses import Response, Weighing
from doe.samples import drain_label_of, label_of
from doe.sheet.bench import (
    NOT_CONFIRMED,
    RIG_FIRST,
    BenchRun,
    Entry,
    SamplePoint,
    SheetWords,
    entries_for,
)
from doe.sheet.headings import IDENTITY, Measured, sheet_cells, sheet_columns, units_behind

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["sheet_html"]


@dataclass(frozen=True, slots=True)
class _Field:
    """A place to write: its column, what is said of it, and what stands in it already."""

    column: str
    words: str
    unit: str
    kind: str
    value: str = ""
    choices: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    expected: str = ""


@dataclass(frozen=True, slots=True)
class _Setting:
    words: str
    unit: str
    value: str
    achieved: _Field


@dataclass(frozen=True, slots=True)
class _Stop:
    words: str
    unit: str
    value: str
    because: str


@dataclass(frozen=True, slots=True)
class _Sample:
    """A line of the samples of a run; `drawn` are the boxes for when, mL and g."""

    label: str
    at: str
    discard: str
    take: str
    drawn: tuple[_Field, ...]


@dataclass(frozen=True, slots=True)
class _Drain:
    """A portion drained, `at` minutes after the flow starts; blank: at the end."""

    label: str
    at: str
    drawn: tuple[_Field, ...]


@dataclass(frozen=True, slots=True)
class _Run:
    run: str
    day: str
    plot: str
    lot: str
    kind: str
    settings: tuple[_Setting, ...]
    responses: tuple[_Field, ...]
    left_out: _Field
    notes: _Field
    others: tuple[_Field, ...]
    stops: tuple[_Stop, ...]
    checks: tuple[str, ...]
    mind: tuple[str, ...]
    drains: tuple[_Drain, ...]
    samples: tuple[_Sample, ...]
    flow_leads: str
    totals: tuple[tuple[str, str], ...]


def sheet_html(rows: Sequence[LedgerRow], schema: LedgerSchema, told: SheetWords) -> str:
    """Return the bench sheet as one page for A4 and for a tablet; nothing is fetched or sent.

    `rows` are the runs of the stage in the order they are to be run; the days stand first, each
    with its runs in order, then a page for each run.
    """
    extra = entries_for(told.entries, schema)
    ready = [
        _run(row, schema, told.limits, told.bench.get(row.run, BenchRun()), extra) for row in rows
    ]
    style, script = _style(), _script()
    return (
        _environment()
        .get_template("sheet.html")
        .render(
            policy=_policy(style, script),
            style=style,
            script=script,
            key=_key(rows, schema, told.campaign, told.stage),
            file=f"{unit_slug(told.campaign) or 'sheet'}-stage{told.stage}-filled.csv",
            columns=json.dumps([*sheet_columns(schema), *(entry.column for entry in extra)]),
            planned=json.dumps(_planned(rows, schema)),
            campaign=_seen(told.campaign),
            stage=told.stage,
            mode=_seen(told.mode),
            fixed=[(_seen(name), _seen(value)) for name, value in told.fixed],
            days=_by_day(ready),
            cautions=[_seen(text) for text in told.cautions],
            banner=NOT_CONFIRMED if told.unconfirmed_limits else "",
            rig_first=RIG_FIRST,
            provenance=[(_seen(label), _seen(text)) for label, text in told.provenance],
            lots_shown=bool(schema.lots),
            plots_shown=len({row.plot for row in rows}) < len(rows),
        )
    )


def _planned(rows: Sequence[LedgerRow], schema: LedgerSchema) -> list[dict[str, str]]:
    """Return the cells that the sheet hands back as they went out."""
    columns: tuple[str, ...] = ("run", "stage", "plot", "day", "kind", *schema.space.columns)
    columns += (SHEET_OF,) if schema.campaign else ()
    return [{c: cells[c] for c in columns} for cells in (sheet_cells(schema, r) for r in rows)]


def _key(rows: Sequence[LedgerRow], schema: LedgerSchema, campaign: str, stage: int) -> str:
    """Return the name that entries are kept under: another plan never shows them."""
    records = [list(cells.values()) for cells in _planned(rows, schema)]
    plan = csv_text([IDENTITY, sheet_columns(schema), *records])
    return f"{campaign}/{stage}/{hashlib.sha256(plan.encode()).hexdigest()[:16]}"


def _policy(style: str, script: str) -> str:
    return (
        f"default-src 'none'; style-src '{_hash(style)}'; script-src '{_hash(script)}'; "
        "base-uri 'none'; form-action 'none'"
    )


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode()).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"


@lru_cache(maxsize=1)
def _style() -> str:
    from markupsafe import Markup

    from doe.report.palette import LIGHT, css_variables

    sheet = (files("doe.sheet") / "templates" / "sheet.css").read_text(encoding="utf-8")
    return Markup(f":root{{{css_variables(LIGHT)}color-scheme:light}}\n{sheet}")


@lru_cache(maxsize=1)
def _script() -> str:
    from markupsafe import Markup

    return Markup((files("doe.sheet") / "templates" / "sheet.js").read_text(encoding="utf-8"))


@lru_cache(maxsize=1)
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("doe.sheet", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _seen(text: str) -> str:
    """Return text without characters that hide or reorder what stands next to it."""
    from doe.digits import shown

    return shown(text)


def _by_day(runs: Sequence[_Run]) -> list[tuple[str, list[_Run]]]:
    """Return the runs under a heading for each day, days in the order they come."""
    days: dict[str, list[_Run]] = {}
    for run in runs:
        days.setdefault(run.day, []).append(run)
    no_day = "Runs" if set(days) == {""} else "Day not set"
    return [(f"Day {day}" if day else no_day, found) for day, found in days.items()]


def _run(
    row: LedgerRow,
    schema: LedgerSchema,
    limits: Mapping[int, Sequence[str]],
    bench: BenchRun,
    extra: Sequence[Entry],
) -> _Run:
    texts = row_cells(schema, row)
    cells = {column: _seen(from_plain_text(text)) for column, text in texts.items()}
    usual = [_Field(e.column, e.words, e.unit, "number" if e.unit else "text") for e in extra]
    weighed = [
        _number(w, cells[w.column], f"{bench.expected_g[w.column]:.0f}")
        if w.column in bench.expected_g
        else _number(w, cells[w.column])
        for w in schema.weighed
        if not (w.of_feed and row.kind == "blank")
    ]
    drains = tuple(_drains(bench, schema))
    alone = [field for drain in drains for field in drain.drawn] if len(drains) == 1 else []
    return _Run(
        run=cells["run"],
        day=cells["day"],
        plot=cells["plot"],
        lot=cells["lot"],
        kind=cells["kind"],
        settings=tuple(_setting(factor, cells) for factor in schema.space),
        responses=tuple(
            replace(_number(r, cells[r.column]), kind="response")
            for r in schema.responses
            if r.source is None
        ),
        left_out=_Field("left_out_because", "", "", "text", cells["left_out_because"]),
        notes=_Field("notes", "", "", "notes", from_plain_text(texts["notes"])),
        others=(*_lot(schema, row, cells["lot"]), *weighed, *alone, *usual),
        stops=tuple(
            _Stop(
                words,
                unit,
                "" if at is None else number_text(at.value),
                "" if at is None else _seen(at.because),
            )
            for words, unit, at in bench.stop.lines()
        ),
        checks=tuple(_seen(text) for text in bench.checks),
        mind=tuple(_seen(text) for text in limits.get(row.run, ())),
        drains=() if alone else drains,
        samples=tuple(_sample(i, s, schema) for i, s in enumerate(bench.samples)),
        flow_leads="" if bench.heat_up_min is None else f"{bench.heat_up_min:.0f}",
        totals=tuple((_seen(label), _seen(text)) for label, text in bench.totals),
    )


def _lot(schema: LedgerSchema, row: LedgerRow, planned: str) -> tuple[_Field, ...]:
    lots = () if row.kind == "blank" else tuple(map(_seen, schema.lots))
    return (_Field("lot", "feedstock lot", "", "choice", planned, lots),) if lots else ()


def _number(of: Measured, value: str = "", expected: str = "") -> _Field:
    """Return the box of a number; what it may have behind it is what `record` takes there."""
    words = of.words if isinstance(of, (Response, Weighing)) else of.name.replace("_", " ")
    return _Field(
        of.column,
        _seen(words),
        _seen(of.unit),
        "number",
        value,
        units=tuple(map(_seen, units_behind(of))),
        expected=expected,
    )


def _drawn_fields(schema: LedgerSchema, own: str) -> tuple[_Field, ...]:
    return tuple(_number(drawn) for drawn in schema.drawn if drawn.column.startswith(own))


def _drains(bench: BenchRun, schema: LedgerSchema) -> Iterator[_Drain]:
    """Yield the portions that a run is drained in, the one at its end the last of them."""
    for place, at in enumerate((*(f"{minutes:g}" for minutes in bench.drains_min), "")):
        fields = _drawn_fields(schema, f"drain_{place + 1}_")
        if fields or at:
            yield _Drain(drain_label_of(place), at, fields)


def _sample(place: int, planned: SamplePoint, schema: LedgerSchema) -> _Sample:
    take = planned.volume_mL
    return _Sample(
        label_of(place),
        f"{planned.time_min:g}",
        f"{planned.discard_mL:g}",
        "" if take is None else f"{take:g}",
        _drawn_fields(schema, f"sample_{place + 1}_"),
    )


def _setting(factor: Factor, cells: Mapping[str, str]) -> _Setting:
    words, unit = _seen(factor.name.replace("_", " ")), _seen(factor.unit)
    column = f"achieved_{factor.column}"
    if isinstance(factor, CategoricalFactor):
        levels = tuple(map(_seen, factor.levels))
        field = _Field(column, words, unit, "choice", cells[column], levels)
    else:
        field = replace(_number(factor, cells[column]), column=column)
    return _Setting(words, unit, cells[factor.column], field)
