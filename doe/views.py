"""From a campaign, its ledger and its models to what the pages draw: maps, surfaces, tables.

Shapes: n runs, k factors.
"""

from __future__ import annotations

import itertools
import math
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from importlib.metadata import version
from typing import TYPE_CHECKING

import numpy as np

from doe import rig as rig_room
from doe import water
from doe.campaign import Campaign
from doe.design.optimal import central_setting
from doe.digits import plain
from doe.errors import InfeasibleError, Notice
from doe.factors import Factor, FactorSpace, FloatArray, NumericFactor, sample_box
from doe.ledger import LedgerRow, prepares
from doe.region import MapLine, RegionMap, map_region
from doe.report.explorer import Explorer, Verdicts, node_levels, travelling
from doe.report.fit_page import FitEvidence, LimitRoom
from doe.report.fit_pictures import EffectCurve, turn_of
from doe.report.judgement_section import Judged
from doe.report.map_pictures import ChanceView, SurfaceView, VarianceView
from doe.report.page import Header
from doe.report.pictures import RunPoints, Table, setting_text
from doe.samples import WHERE_DRAWN, label_of
from doe.sheet import (
    USUAL_CHECKS,
    BenchRun,
    SamplePoint,
)
from doe.standing import NextStep, inputs_read
from doe.stops import pressures_kept, stop_limits

if TYPE_CHECKING:
    from doe.analysis.extraction import ExtractionCurves
    from doe.analysis.fit import FittedModel
    from doe.analysis.landscape import Landscape
    from doe.analysis.optimum import Analysis
    from doe.analysis.pareto import Choice
    from doe.analysis.reliability import Aims, AllAims
    from doe.analysis.screened import ScreeningVerdict
    from doe.analysis.surrogate import Surrogate
    from doe.design.aliasing import Aliases
    from doe.design.matrix import Design
    from doe.modelling import Finding
    from doe.terms import Model

__all__ = [
    "aliases",
    "bench_runs",
    "box_maps",
    "chance_view",
    "chances_of",
    "closed_in_sentences",
    "derived_tables",
    "effect_curves",
    "explorer",
    "fit_evidence",
    "header",
    "limit_rooms",
    "margins_tables",
    "middle_setting",
    "pressure_map",
    "pressure_to_set",
    "run_points",
    "run_table",
    "set_pressures",
    "sheet_cautions",
    "sheet_fixed",
    "sheet_limits",
    "surfaces",
    "variance_views",
    "versions",
]

MAPS_MOST = 3
SURFACES_MOST = 6
"""Surfaces on a page, shared out among the responses: each costs the reader time and 60 kB."""
GRID = 41
ALONG, LEVEL = 25, 0.95
"""Settings along a factor, each of which costs an interval, and the level of that."""
FINE = 25
"""Of chances, which each take many draws."""
COARSE = 7
TRIED = 4096
"""Settings at which the page's verdicts on the rig are tried before it is written."""
CHANCE_LEVEL = 0.9
READ_RESULTS = ("fit", "suggest")
"""Pages that rest on what the ledger holds."""
AFRESH = (
    "Set what is held in a whole plot afresh for every plot, also where the next one has the same "
    "setting: only then do repeated plots tell how plots scatter."
)
PREFERRED_PAIRS = (
    ("temperature", "pressure"),
    ("temperature", "pressure_above_saturation"),
    ("temperature", "flow"),
    ("flow", "time"),
    ("temperature", "time"),
)
"""Pairs that people at a rig think in, each cut by another kind of limit."""

_ROUNDED: dict[str, Callable[[float], int]] = {
    "closed_in_rise_K": math.floor,
    "highest_pressure_barg": math.ceil,
    "highest_pressure_bara": math.ceil,
}
"""What protects a person is rounded to the strict side; the rest to the nearest."""

_DERIVED_WORDS: dict[str, tuple[str, str, int]] = {
    "heat_up_min": ("heat-up", "min", 0),
    "cool_down_min": ("cool-down", "min", 0),
    "run_minutes": ("whole run", "min", 0),
    "water_mL": ("water drawn", "mL", 0),
    "severity_log10": ("severity, log10 of minutes at 100 °C", "", 2),
    "relative_permittivity": ("relative permittivity", "", 1),
    "highest_pressure_barg": ("highest pressure", "bar gauge", 1),
    "highest_pressure_bara": ("highest pressure", "bar absolute", 1),
    "closed_in_rise_K": ("heating that opens the relief if shut in", "K", 1),
    "residence_time_min": ("residence time", "min", 1),
    "heater_W": ("heater", "W", 0),
    "cooler_W": ("cooler", "W", 0),
    "cooler_outlet_C": ("after the cooler", "°C", 0),
    "superficial_velocity_mm_min": ("superficial velocity", "mm/min", 1),
    "drains": ("drains during the run", "", 0),
    "drain_every_min": ("a drain every", "min", 0),
    "energy_kWh": ("energy", "kWh", 2),
    "water_to_solid_g_g": ("water to solid", "g/g", 1),
}


# ------------------------------------------------------------------------------- the header


def versions() -> tuple[tuple[str, str], ...]:
    """Return pairs of software and version that a result depends on."""
    names = ("subcritical-doe", "numpy", "scipy", "seuif97")
    found = [(name, version(name)) for name in names]
    return (*found, ("python", ".".join(map(str, sys.version_info[:3]))))


def header(
    campaign: Campaign,
    page: str,
    then: NextStep,
    *,
    stage: int | None = None,
    notices: Sequence[Notice] = (),
) -> Header:
    """Return what stands round a page of this campaign."""
    invented = "invented" in campaign.source.casefold()
    software = "; ".join(f"{name} {number}" for name, number in versions())
    return Header(
        campaign=campaign.name,
        title=campaign.title,
        mode=mode_words(campaign),
        stage=stage,
        page=page,
        unconfirmed_limits=not campaign.limits_confirmed,
        invented=campaign.source if invented else None,
        source=None if invented else campaign.source or None,
        notices=tuple(dict.fromkeys(n for n in notices if n.code != "limits-not-confirmed")),
        next_command=then.words,
        next_because="" if then.leads else then.because,
        lead=then.because if then.leads else "",
        provenance=(
            ("seed", str(campaign.seed)),
            ("campaign.toml", f"sha256 {campaign.file_hash[:16]}"),
            *(inputs_read(campaign) if page in READ_RESULTS else ()),
            ("limits of the rig", _confirmed(campaign)),
            ("made with", software),
        ),
        cautions=rig_room.CAUTIONS,
        practice_defaults=tuple(rig_room.common_practice(campaign.rig)),
    )


def _confirmed(campaign: Campaign) -> str:
    rig = campaign.rig
    if not campaign.limits_confirmed:
        return "confirmed by nobody"
    return f"confirmed by {rig.limits_confirmed_by} on {rig.limits_confirmed_on}"


def mode_words(campaign: Campaign) -> str:
    """Return the mode as people say it: flow, or which kind of batch."""
    kinds = {"liquid-full": "batch, liquid-full", "headspace": "batch with headspace"}
    return kinds[campaign.batch_kind] if campaign.batch_kind else campaign.mode


# --------------------------------------------------------------------------------- the maps


def middle_setting(campaign: Campaign) -> FloatArray:
    """Return the setting (k,) at which maps hold what they don't show."""
    try:
        return central_setting(campaign.space, campaign.feasible)
    except InfeasibleError:
        corners = campaign.space.corners()
        middle = (corners.min(axis=0) + corners.max(axis=0)) / 2
        middle[list(campaign.space.categorical)] = 0.0
        return np.asarray(middle, dtype=np.float64)


def box_maps(campaign: Campaign, at: FloatArray) -> tuple[RegionMap, ...]:
    """Return maps over the factors' ranges, the most telling pairs first."""
    return tuple(
        map_region(campaign.space, campaign.envelope, i, j, at, lines=_lines(campaign, i, j))
        for i, j in _pairs(campaign.space)[:MAPS_MOST]
    )


def pressure_map(campaign: Campaign, at: FloatArray) -> RegionMap | None:
    """Return temperature and pressure beyond the box, with the box on it; None if neither varies.

    Saturation, the lowest and the highest pressure to set, as the rig shows them.
    """
    names = campaign.space.names
    if campaign.batch_kind == "headspace" or "temperature" not in names:
        return None
    temperature = campaign.space["temperature"]
    assert isinstance(temperature, NumericFactor)
    hottest = min(campaign.rig.temperature_max, water.WATER_TEMPERATURE_MAX_C - 10)
    low, high = min(100.0, temperature.low), max(hottest, temperature.high)
    T = np.linspace(low, high, 61)
    lines = _pressure_lines(campaign, T)
    finite = np.concatenate([line.y[np.isfinite(line.y)] for line in lines])
    top = 1.15 * max(finite.max(initial=1.0), *(_pressure_ends(campaign, at)))
    pressure = NumericFactor(
        "pressure", campaign.rig.shown_unit, 0.0, float(math.ceil(top)), None, "easy", ""
    )
    if campaign.rig.pressure_reading == "absolute":
        pressure = replace(pressure, low=2.0)
    factors: list[Factor] = []
    held: list[float] = []
    for factor, value in zip(campaign.space, at, strict=True):
        if factor.name in ("pressure", "pressure_above_saturation"):
            continue
        factors.append(
            replace(temperature, low=low, high=high) if factor is temperature else factor
        )
        held.append(float(value))
    space = FactorSpace((*factors, pressure))
    open_fixed = {"pressure": None, "pressure_above_saturation": None}
    wide = replace(campaign, space=space, fixed=campaign.fixed.model_copy(update=open_fixed))
    at_wide = np.array([*held, (pressure.low + pressure.high) / 2])
    box = _box_line(campaign, temperature, at)
    made = map_region(
        space,
        wide.envelope,
        space.index("temperature"),
        space.index("pressure"),
        at_wide,
        lines=(*lines, box),
    )
    return replace(made, space=space)


def _pairs(space: FactorSpace) -> list[tuple[int, int]]:
    """Return pairs of numeric factors, those that people think in first."""
    preferred = [
        (space.index(a), space.index(b))
        for a, b in PREFERRED_PAIRS
        if a in space.names and b in space.names
    ]
    seen = {frozenset(pair) for pair in preferred}
    others = [p for p in itertools.combinations(space.numeric, 2) if frozenset(p) not in seen]
    return preferred + others


def _lines(campaign: Campaign, i: int, j: int) -> tuple[MapLine, ...]:
    """Return saturation and the lowest set pressure where the map is temperature–pressure."""
    if (campaign.space.names[i], campaign.space.names[j]) != ("temperature", "pressure"):
        return ()
    factor = campaign.space.factors[i]
    assert isinstance(factor, NumericFactor)
    return _pressure_lines(campaign, np.linspace(factor.low, factor.high, 61))[:2]


def _pressure_lines(campaign: Campaign, T: FloatArray) -> tuple[MapLine, ...]:
    rig = campaign.rig
    labels = ("water boils below", "lowest pressure to set", "highest pressure to set")
    pressures = (
        water.saturation_pressure_bara(T),
        rig_room.minimum_pressure_bara(rig, T),
        rig_room.pressure_ceiling_bara(rig, T),
    )
    lines = []
    for label, bara in zip(labels, pressures, strict=True):
        shown = campaign.shown_pressure(np.where(np.isfinite(bara), bara, np.nan))
        lines.append(MapLine(label, T, np.where(shown >= 0, shown, np.nan)))
    return tuple(lines)


def _pressure_ends(campaign: Campaign, at: FloatArray) -> tuple[float, float]:
    corners = np.vstack([campaign.space.corners(), at])
    bara = campaign.conditions(corners).pressure_bara
    if bara is None:
        return 0.0, 0.0
    shown = campaign.shown_pressure(bara)
    return float(shown.min()), float(shown.max())


def _box_line(campaign: Campaign, temperature: NumericFactor, at: FloatArray) -> MapLine:
    """Return the outline of what the campaign asks for: low pressures out, high ones back."""
    column = campaign.space.index("temperature")
    T = np.linspace(temperature.low, temperature.high, 31)
    ends = []
    for low in (True, False):
        rows = np.tile(at, (len(T), 1))
        rows[:, column] = T
        for name in ("pressure", "pressure_above_saturation"):
            if name in campaign.space.names:
                factor = campaign.space[name]
                assert isinstance(factor, NumericFactor)
                rows[:, campaign.space.index(name)] = factor.low if low else factor.high
        bara = campaign.conditions(rows).pressure_bara
        assert bara is not None
        ends.append(campaign.shown_pressure(bara))
    x = np.concatenate([T, T[::-1], T[:1]])
    y = np.concatenate([ends[0], ends[1][::-1], ends[0][:1]])
    return MapLine("what the campaign asks for", x, y)


# ------------------------------------------------------------------- runs, tables, sentences


def run_points(rows: Sequence[LedgerRow]) -> tuple[RunPoints, ...]:
    """Return runs of the design by what became of them, at achieved settings where known."""
    groups: dict[str, list[LedgerRow]] = {"done": [], "planned": [], "left out": []}
    for row in rows:
        if not prepares(row):
            groups[row.status].append(row)
    return tuple(
        RunPoints(
            kind,  # type: ignore[arg-type]
            np.array([_known_settings(row) for row in members]),
            tuple(str(row.run) for row in members),
        )
        for kind, members in groups.items()
        if members
    )


def _known_settings(row: LedgerRow) -> tuple[float, ...]:
    return tuple(
        planned if got is None else got
        for planned, got in zip(row.settings, row.achieved, strict=True)
    )


def run_table(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[dict[str, str], ...]:
    """Return each planned run as heading and text, in the order to run them."""
    plots = len({row.plot for row in rows}) < len(rows)
    blocks = any(row.block is not None for row in rows)
    pressures = set_pressures(campaign, [row.settings for row in rows])
    return tuple(
        {
            "run": str(row.run),
            **({"day": str(row.day)} if row.day is not None else {}),
            **({"block": str(row.block or "–")} if blocks else {}),
            **({"whole plot": str(row.plot)} if plots else {}),
            **({"lot": row.lot or "–"} if campaign.feed.lots else {}),
            "kind": row.kind,
            **_setting_cells(campaign.space, row),
            **({"pressure to set": _pressure_words(campaign, pressures[i])} if pressures else {}),
        }
        for i, row in enumerate(rows)
    )


def _setting_cells(space: FactorSpace, row: LedgerRow) -> dict[str, str]:
    texts = setting_text(space, np.array(row.settings))
    words = (factor.name.replace("_", " ") for factor in space)
    return dict(zip(words, texts, strict=True))


def derived_tables(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[Table, Table]:
    """Return what follows from the settings: severity, residence time, water …

    First how far each goes over all runs, then each run.
    """
    settings = np.array([row.settings for row in rows])
    columns = rig_room.derived(campaign.rig, campaign.conditions(settings))
    headings, texts, span = ["run"], [[str(row.run) for row in rows]], []
    for name, values in columns.items():
        words, unit, decimals = _DERIVED_WORDS.get(name, (name.replace("_", " "), "", 2))
        headings.append(f"{words}, {unit}" if unit else words)
        texts.append([_derived_text(name, value, decimals) for value in values])
        if np.isfinite(values).any():
            least, most = int(np.nanargmin(values)), int(np.nanargmax(values))
            span.append(
                (
                    headings[-1],
                    texts[-1][least],
                    str(rows[least].run),
                    texts[-1][most],
                    str(rows[most].run),
                )
            )
    rows_of_text = tuple(zip(*texts, strict=True))
    return (
        Table(("", "least", "in run", "most", "in run"), tuple(span), frozenset(range(1, 5))),
        Table(tuple(headings), rows_of_text, frozenset(range(len(headings)))),
    )


def _derived_text(name: str, value: float, decimals: int) -> str:
    """Return what follows from settings as text, to the strict side where it protects a person."""
    if name in _ROUNDED and math.isfinite(value):
        scaled = value * 10**decimals
        nearest = round(scaled)
        whole = nearest if abs(scaled - nearest) < 1e-6 else _ROUNDED[name](scaled)
        value = whole / 10**decimals
    return _number(value, decimals)


def _number(value: float, decimals: int) -> str:
    return f"{value:.{decimals}f}" if math.isfinite(value) else "–"


def margins_tables(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[Table, Table]:
    """Return the distance from each limit that applies, rounded towards the limit.

    First the least over all runs, then each run.
    """
    envelope = campaign.envelope(np.array([row.settings for row in rows]))
    margin = envelope.margin
    kept = [j for j in range(len(envelope.limits)) if not np.isnan(margin[:, j]).all()]
    units = ["K" if limit.unit == "°C" else limit.unit for limit in envelope.limits]  # a distance
    titles = [f"{envelope.limits[j].title}, {units[j]}" for j in kept]
    worst = [int(np.nanargmin(margin[:, j])) for j in kept]
    least = tuple(
        (title, _margin(margin[i, j]), str(rows[i].run))
        for title, i, j in zip(titles, worst, kept, strict=True)
    )
    texts = tuple(
        (str(row.run), *(_margin(margin[i, j]) for j in kept)) for i, row in enumerate(rows)
    )
    return (
        Table(("limit", "least room", "in run"), least, frozenset({1, 2})),
        Table(("run", *titles), texts, frozenset(range(len(titles) + 1))),
    )


def _margin(value: float) -> str:
    if math.isnan(value):
        return "–"
    step = 10.0 ** (1 if abs(value) >= 100 else 0 if abs(value) >= 10 else -1)
    return plain(math.floor(value / step) * step)


def closed_in_sentences(campaign: Campaign, settings: FloatArray) -> tuple[str, ...]:
    """Return what a vessel that is shut while hot and full of liquid bears, over these settings."""
    rig = campaign.rig
    conditions = campaign.conditions(settings)
    if conditions.pressure_bara is None:
        return ()
    closed = rig_room.closed_in(rig, conditions)
    if not np.isfinite(closed.rise_K).any():
        return ()
    worst = int(np.where(np.isfinite(closed.rise_K), closed.rise_K, np.inf).argmin())
    rise = float(closed.rise_K[worst])
    begins, opens = campaign.shown_pressure(
        np.array([closed.from_bara[worst], closed.opening_bara])
    ).tolist()
    return (
        f"Shut in while hot and full of liquid, the vessel bears {_least_K(rise)} K more at the "
        f"worst of these settings before the relief may open at {_tenths_down(opens):.1f} "
        f"{rig.shown_unit}: heated from {_rounded_up(begins):.1f} {rig.shown_unit}, the set "
        f"pressure with {_ON_TOP} (rigid walls, pure water)"
        f"{_overshoot_words(rig, rise)}. A sheet counts from the highest pressure that its run may "
        "be set to, with the same on top. Keep an open way for the water whenever it heats.",
    )


_ON_TOP = "swing, pulsation, bed pressure drop and gauge error"


def _least_K(rise: float) -> str:
    return f"{_tenths_down(rise):g}"


def _tenths_down(value: float) -> float:
    return math.floor(10 * value + 1e-6) / 10


def _overshoot_words(rig: rig_room.Rig, rise: float) -> str:
    """Return that the overshoot declared takes more than a shut vessel bears, where it does."""
    declared = rig.temperature_overshoot
    return f"; the declared overshoot of {declared:g} K alone is more" if declared > rise else ""


def sheet_limits(campaign: Campaign, rows: Sequence[LedgerRow]) -> dict[int, tuple[str, ...]]:
    """Return for each run, by number, what to set, and between which limits."""
    settings = np.array([row.settings for row in rows])
    conditions, clashes = campaign.conditions(settings), campaign.sample_clashes(settings)
    said: dict[int, tuple[str, ...]] = {}
    for i, row in enumerate(rows):
        sentences = [*_how_it_prepares(row), *_derived_to_set(campaign, conditions, i)]
        if row.block is not None:
            sentences.append(
                f"it belongs to block {row.block}: run it with the others of that block"
            )
        if conditions.pressure_bara is not None:
            sentences += _pressure_sentences(campaign, conditions, i)
        sentences += [
            f"drain {clash.drain + 1} falls due {clash.drain_min:g} min after the flow starts, "
            f"while {label_of(clash.sample)} is drawn (from {clash.minute:g} min of the "
            "extraction): drain before that draw begins"
            for clash in clashes
            if clash.row == i and not prepares(row)
        ]
        said[row.run] = tuple(sentences)
    return said


def _derived_to_set(campaign: Campaign, conditions: rig_room.Conditions, i: int) -> Iterator[str]:
    """Yield what has to be set and is neither a factor nor fixed: it follows from the others."""
    told = {*campaign.space.names, *_fixed_names(campaign)}
    for name, values, unit in (
        ("flow", conditions.flow_mL_min, "mL/min"),
        ("time", conditions.time_min, "min"),
        ("bed_mass", conditions.bed_mass_g, "g"),
    ):
        if values is not None and name not in told:
            yield f"set the {name.replace('_', ' ')} to {values[i]:.4g} {unit}"


def sheet_fixed(campaign: Campaign) -> tuple[tuple[str, str], ...]:
    """Return what is set alike for every run; with a headspace also what is filled in cold."""
    headspace = campaign.rig.headspace
    if campaign.batch_kind != "headspace" or headspace is None:
        return campaign.fixed_settings()
    rig = campaign.rig
    pad = headspace.pad_pressure
    shown = (
        "none, air"
        if pad is None
        else f"{pad.shown(rig.pressure_reading, rig.atmospheric_pressure_bara):g} {rig.shown_unit}"
    )
    return (
        *campaign.fixed_settings(),
        ("cold water to fill in, at most", f"{headspace.cold_water:g} mL"),
        ("gas pad when closed", shown),
        ("closed at", f"{headspace.closing_temperature:g} °C"),
    )


def pressure_to_set(campaign: Campaign, at: FloatArray) -> str:
    """Return the pressure to set at settings (k,), where only its height above boiling is given.

    Empty elsewhere.
    """
    return next((_pressure_words(campaign, p) for p in set_pressures(campaign, at[None])), "")


def set_pressures(
    campaign: Campaign, settings: Sequence[Sequence[float]] | FloatArray
) -> tuple[float, ...]:
    """Return the pressure to set at each of settings (n, k), where `pressure_to_set` says one.

    As the rig shows it, rounded up, away from boiling, to a tenth of a bar.
    """
    if not len(settings):
        return ()
    at = np.asarray(settings, dtype=np.float64)
    bara = campaign.conditions(at).pressure_bara
    above = "pressure_above_saturation"
    if bara is None or above not in (*campaign.space.names, *_fixed_names(campaign)):
        return ()
    shown = np.broadcast_to(campaign.shown_pressure(bara), (len(at),))
    return tuple(_rounded_up(float(pressure)) for pressure in shown)


def _rounded_up(shown: float) -> float:
    return math.ceil(10 * shown) / 10


def _pressure_words(campaign: Campaign, shown: float) -> str:
    return f"{shown:.1f} {campaign.rig.shown_unit}"


def sheet_cautions(campaign: Campaign, rows: Sequence[LedgerRow]) -> tuple[str, ...]:
    """Return what holds of these runs on this rig, then the usual cautions."""
    envelope = campaign.envelope(np.array([row.settings for row in rows]))
    plots = (AFRESH,) if len({(row.stage, row.plot) for row in rows}) < len(rows) else ()
    drawing = () if campaign.samples is None else (WHERE_DRAWN,)
    return (*plots, *drawing, *(notice.what for notice in envelope.notices), *rig_room.CAUTIONS)


def bench_runs(campaign: Campaign, rows: Sequence[LedgerRow]) -> dict[int, BenchRun]:
    """Return for each run, by number, where to stop, when to drain, and what to expect."""
    settings = np.array([row.settings for row in rows])
    conditions, samples = campaign.conditions(settings), campaign.sample_minutes(settings)
    drains = rig_room.drain_minutes(campaign.rig, conditions)
    derived = rig_room.derived(campaign.rig, conditions)
    water_g = rig_room.water_drawn_g(campaign.rig, conditions)
    return {
        row.run: BenchRun(
            stop=stop_limits(campaign, conditions, i),
            checks=(*_to_fill(campaign, derived, i), *_usual_checks(row)),
            drains_min=tuple(float(minute) for minute in np.floor(drains[i])),
            samples=() if prepares(row) else tuple(_sample_points(campaign, samples[i])),
            heat_up_min=float(derived["heat_up_min"][i]),
            totals=tuple(_expected(derived, i)),
            expected_g={} if water_g is None else {"water_pumped_g": float(water_g[i])},
        )
        for i, row in enumerate(rows)
    }


def _how_it_prepares(row: LedgerRow) -> Iterator[str]:
    if row.kind == "blank":
        yield (
            "a blank: no feedstock in the vessel, whatever stands above of the bed; what comes out "
            "was carried over, or comes from the rig"
        )
    elif row.kind == "sacrificial":
        yield "a sacrificial run: loaded like the others, its extract thrown away and never fitted"


def _usual_checks(row: LedgerRow) -> tuple[str, ...]:
    if row.kind != "blank":
        return USUAL_CHECKS
    return (*USUAL_CHECKS[:-1], "Vessel clean and without feedstock; shield closed")


def _sample_points(campaign: Campaign, minutes: FloatArray) -> Iterator[SamplePoint]:
    plan = campaign.samples
    if plan is None:
        return
    for minute in minutes.tolist():
        yield SamplePoint(minute, plan.discard, plan.volume)


_EXPECTED = (
    "run_minutes",
    "heat_up_min",
    "water_mL",
    "highest_pressure_barg",
    "highest_pressure_bara",
    "drains",
    "energy_kWh",
)


def _to_fill(campaign: Campaign, derived: Mapping[str, FloatArray], i: int) -> Iterator[str]:
    """Yield how much water the feed bottle must hold before this run, heel and reserve counted."""
    bottle = campaign.rig.feed_bottle
    if bottle is not None and "water_mL" in derived and math.isfinite(derived["water_mL"][i]):
        needed = derived["water_mL"][i] / (1 - bottle.reserve) + bottle.heel
        yield f"At least {math.ceil(needed / 10) * 10} mL of water in the feed bottle"


def _expected(derived: Mapping[str, FloatArray], i: int) -> Iterator[tuple[str, str]]:
    for name in _EXPECTED:
        if name in derived and math.isfinite(derived[name][i]):
            words, unit, decimals = _DERIVED_WORDS[name]
            yield words, f"{_derived_text(name, derived[name][i], decimals)} {unit}".rstrip()
            if name == "drains":
                yield "portions, the last drained at the end", f"{derived[name][i] + 1:.0f}"


def _pressure_sentences(campaign: Campaign, conditions: rig_room.Conditions, i: int) -> list[str]:
    """Return what to set the pressure to, and between which pressures the run keeps every limit."""
    if conditions.pressure_bara is None:
        return []
    unit = campaign.rig.shown_unit
    set_at = float(campaign.shown_pressure(conditions.pressure_bara[i : i + 1])[0])
    sentences = []
    if "pressure_above_saturation" in (*campaign.space.names, *_fixed_names(campaign)):
        sentences.append(f"set the pressure to {_pressure_words(campaign, _rounded_up(set_at))}")
    lowest, highest = pressures_kept(campaign, conditions, i, set_at)
    sentences.append(f"keep the set pressure between {lowest:.1f} and {highest:.1f} {unit}")
    if "pressure_above_saturation" in campaign.space.names:
        saturation = water.saturation_pressure_bara(conditions.temperature_C[i : i + 1])
        shown = float(campaign.shown_pressure(np.asarray(saturation))[0])
        sentences.append(f"as achieved height write what the gauge shows less {shown:.1f} {unit}")
    at_top = _at_pressure(campaign, conditions, highest)
    closed = rig_room.closed_in(campaign.rig, at_top)
    rise = float(closed.rise_K[i])
    if math.isfinite(rise):
        begins = _rounded_up(float(campaign.shown_pressure(closed.from_bara[i : i + 1])[0]))
        sentences.append(
            f"shut in while full and hot at {begins:.1f} {unit} (the highest of these, with "
            f"{_ON_TOP}), {_least_K(rise)} K of heating opens the relief"
            f"{_overshoot_words(campaign.rig, rise)}"
        )
    return sentences


def _at_pressure(
    campaign: Campaign, conditions: rig_room.Conditions, shown: float
) -> rig_room.Conditions:
    gauge = campaign.rig.pressure_reading == "gauge"
    bara = shown + (campaign.rig.atmospheric_pressure_bara if gauge else 0.0)
    return replace(conditions, pressure_bara=np.full(len(conditions.temperature_C), bara))


def _fixed_names(campaign: Campaign) -> tuple[str, ...]:
    return tuple(name.replace(" ", "_") for name, _ in campaign.fixed_settings())


# ------------------------------------------------------------------------- models drawn


def aliases(model: Model, design: Design) -> Aliases:
    """Return how far second-order terms outside the model get into a design's estimates."""
    from doe.design.aliasing import alias_matrix
    from doe.terms import quadratic_model

    return alias_matrix(model, design.coded, quadratic_model(model.space).terms)


def variance_views(
    campaign: Campaign, model: Model, design: Design, at: FloatArray, runs: Sequence[RunPoints]
) -> tuple[VarianceView, ...]:
    """Return how well a design predicts over the first pair of factors, before any run is made.

    Runs in whole plots count with the scatter between plots that the design was chosen for.
    """
    from doe.design.evaluation import (
        fraction_of_design_space,
        prediction_variance,
        region_sample,
    )

    pairs = _pairs(campaign.space)[:1]
    sample = region_sample(campaign.space, campaign.feasible)
    spread = None
    if len(sample):
        spread = fraction_of_design_space(
            model,
            design.coded,
            sample,
            plots=design.plots,
            variance_ratio=design.variance_ratio,
        )
    views = []
    for i, j in pairs:
        x, y, rows = _grid(campaign.space, i, j, at)
        variance = prediction_variance(
            model,
            design.coded,
            campaign.space.code(rows),
            plots=design.plots,
            variance_ratio=design.variance_ratio,
        )
        region = map_region(campaign.space, campaign.envelope, i, j, at)
        views.append(
            VarianceView(i, j, x, y, variance.reshape(len(y), len(x)), region, tuple(runs), spread)
        )
    return tuple(views)


def surfaces(
    campaign: Campaign, analysis: Analysis, points: Mapping[str, Sequence[RunPoints]]
) -> tuple[SurfaceView, ...]:
    """Return the responses over the pairs of factors that move them most.

    The other factors are held at the best settings of all aims. By the surrogates that the settings
    rest on, where the runs are few enough; else by the fitted polynomials.
    """
    freer = travelling(analysis.surrogates)
    each = max(1, SURFACES_MOST // len(analysis.fits))
    at = analysis.optimum.settings
    views = []
    for fit in analysis.fits:
        for i, j in _telling_pairs(campaign.space, fit)[:each]:
            x, y, rows = _grid(campaign.space, i, j, at)
            mean, error = _over_grid(fit, freer.get(fit.response.name), rows)
            region = map_region(
                campaign.space, campaign.envelope, i, j, at, lines=_lines(campaign, i, j)
            )
            views.append(
                SurfaceView(
                    fit.response,
                    i,
                    j,
                    x,
                    y,
                    mean.reshape(len(y), len(x)),
                    error.reshape(len(y), len(x)),
                    region,
                    (*points[fit.response.name], _recommended(at)),
                    fit.response.name in freer,
                )
            )
    return tuple(views)


def _over_grid(
    fit: FittedModel, freer: Surrogate | None, rows: FloatArray
) -> tuple[FloatArray, FloatArray]:
    if freer is not None:
        return freer.surface(rows)
    predicted = fit.predict(rows)
    return predicted.mean, predicted.standard_error


def _recommended(at: FloatArray) -> RunPoints:
    return RunPoints("recommended", at[None], ("recommended",))


def fit_evidence(
    campaign: Campaign,
    analysis: Analysis,
    points: Mapping[str, Sequence[RunPoints]],
    around: Landscape,
    screened: Mapping[str, ScreeningVerdict],
    found: Mapping[str, Finding],
    curves: ExtractionCurves,
) -> FitEvidence:
    """Return what the fit page shows beside the models: room to the limits, any two factors."""
    rooms = limit_rooms(campaign, analysis.optimum.settings)
    judged = {
        name: Judged(one.recommendation, one.scrutiny, one.pulls, one.advised)
        for name, one in found.items()
    }
    region = around.region
    chances = chances_of(around.aims if region is None else region.aims, around.choices)
    return FitEvidence(
        explorer(campaign, analysis, points, around, chances),
        rooms,
        around,
        tuple(screened.values()),
        judged,
        None if region is None else chance_view(campaign, analysis, region.aims, points),
        chances,
        curves,
        _also_set(campaign, analysis.optimum.settings),
        None if around.aims is None else _swung_chance(analysis, around.aims),
    )


def _also_set(campaign: Campaign, at: FloatArray) -> tuple[tuple[str, str, str], ...]:
    """Return name, value and remark of what is set beside the factors at settings (k,)."""
    alike = tuple((name, value, "alike for every run") for name, value in sheet_fixed(campaign))
    pressure = pressure_to_set(campaign, at)
    if not pressure:
        return alike
    return (*alike, ("pressure to set", pressure, "at this temperature"))


def _swung_chance(analysis: Analysis, aims: AllAims) -> float | None:
    """Return the chance to meet all at the recommended settings, averaged over the rig's swings."""
    from doe.analysis.recommendation import chance_of_all_aims

    strays = aims.strays()
    if not len(strays) or not analysis.surrogates:
        return None
    responses = [fit.response for fit in analysis.fits]
    around = analysis.optimum.settings + strays
    return float(chance_of_all_aims(responses, analysis.surrogates, around).mean())


def chances_of(aims: Aims | None, choices: Sequence[Choice]) -> tuple[float, ...]:
    """Return the chance to meet all limits at each choice, the rig's swings counted."""
    if aims is None or not choices:
        return ()
    settings = np.array([choice.settings for choice in choices])
    return tuple(float(chance) for chance in aims.chance_with_swings(settings))


def explorer(
    campaign: Campaign,
    analysis: Analysis,
    points: Mapping[str, Sequence[RunPoints]],
    around: Landscape,
    chances: tuple[float, ...],
) -> Explorer | None:
    """Return the models and the rig's verdicts for a page; None with fewer than two ranges."""
    space, at = campaign.space, analysis.optimum.settings
    if len(space.numeric) < 2:
        return None
    levels = node_levels(space, at)
    nodes = np.stack([axis.ravel() for axis in np.meshgrid(*levels, indexing="ij")], axis=1)
    envelope = campaign.envelope(nodes)
    fails = np.asarray(envelope.margin < 0)
    cutting = np.flatnonzero(fails.any(axis=0))
    verdicts = Verdicts(
        tuple(levels), tuple(envelope.limits[j].title for j in cutting), fails[:, cutting]
    )
    tried = sample_box(space, TRIED)
    said = verdicts.surely(tried)
    wrong = int((said & ~campaign.feasible(tried)).sum())
    verdicts = replace(verdicts, tried=int(said.sum()), wrong=wrong)
    runs = {name: (*groups, _recommended(at)) for name, groups in points.items()}
    first = _telling_pairs(space, analysis.fits[0])[0]
    aims = around.aims
    return Explorer(
        space,
        analysis.fits,
        at,
        verdicts,
        runs,
        first,
        aims,
        around.choices,
        chances,
        travelling(analysis.surrogates),
    )


def chance_view(
    campaign: Campaign,
    analysis: Analysis,
    aims: Aims,
    points: Mapping[str, Sequence[RunPoints]],
) -> ChanceView | None:
    """Return the chance to meet all limits over two factors, the others at the best settings.

    The two that move it most; the rig's swings are counted. None with fewer than two ranges, and
    where it is high enough wherever the rig can run.
    """
    space, at = campaign.space, analysis.optimum.settings
    seen = []
    for i, j in itertools.combinations(space.numeric, 2):
        x, y, rows = _grid(space, i, j, at, COARSE)
        seen.append((float(np.ptp(aims.chance(rows))), i, j))
    if not seen:
        return None
    _, i, j = max(seen, key=lambda found: found[0])
    x, y, rows = _grid(space, i, j, at, FINE)
    chance = aims.chance_with_swings(rows).reshape(len(y), len(x))
    if (chance.ravel()[campaign.feasible(rows)] >= CHANCE_LEVEL).all():
        return None
    region = map_region(space, campaign.envelope, i, j, at)
    limited = next(fit for fit in analysis.fits if fit.response.interval_wanted())
    runs = (*points[limited.response.name], _recommended(at))
    freer = bool(analysis.surrogates)
    return ChanceView(i, j, x, y, chance, CHANCE_LEVEL, region, runs, freer)


def limit_rooms(campaign: Campaign, at: FloatArray) -> tuple[LimitRoom, ...]:
    """Return the room to each limit at a setting (k,), the tightest first.

    Tightness is the margin as a share of the limit, or of the value where that must be more, so
    that bar and watt compare; of limits alike, boiling comes first. Limits that no setting moves
    are left out.
    """
    envelope = campaign.envelope(np.vstack([at, campaign.space.corners()]))
    applies = np.where(np.isfinite(envelope.margin), envelope.margin, envelope.margin[0])
    moves = np.ptp(applies, axis=0)  # NaN where a limit does not apply at the setting
    whole = np.maximum(np.abs(envelope.value[0]), np.abs(envelope.allowed[0]))
    rooms = []
    for j in np.flatnonzero(moves > 1e-9):
        limit, margin = envelope.limits[j], float(envelope.margin[0, j])
        share = margin / float(whole[j]) if whole[j] > 0 else math.inf
        boiling = limit.code.startswith("liquid")
        room = LimitRoom(limit.title, limit.unit, margin, _margin(margin), share, boiling)
        rooms.append((round(share, 2), not boiling, share, room))
    return tuple(room for *_, room in sorted(rooms, key=lambda found: found[:3]))


def _telling_pairs(space: FactorSpace, fit: FittedModel) -> list[tuple[int, int]]:
    """Return pairs of numeric factors, those first whose terms move the response most."""
    reach = np.zeros(len(space))
    for estimate in fit.estimates:
        for i, power in enumerate(estimate.term.powers):
            if power:
                reach[i] += abs(estimate.coefficient)
    pairs = _pairs(space)
    return sorted(pairs, key=lambda pair: -(reach[pair[0]] + reach[pair[1]]))


def effect_curves(campaign: Campaign, analysis: Analysis) -> tuple[EffectCurve, ...]:
    """Return each response along each numeric factor, the others at the best settings.

    By what these settings rest on.
    """
    space, at = campaign.space, analysis.optimum.settings
    rows = np.tile(at, (len(space.numeric), ALONG, 1))
    for part, i in zip(rows, space.numeric, strict=True):
        factor = space.factors[i]
        assert isinstance(factor, NumericFactor)
        part[:, i] = np.linspace(factor.low, factor.high, ALONG)
    feasible = campaign.feasible(rows.reshape(-1, len(space))).reshape(rows.shape[:2])
    views = []
    for fit in analysis.fits:
        freer = analysis.surrogates.get(fit.response.name)
        bands, told, turned = _along(fit, freer, rows)
        for n, i in enumerate(space.numeric):
            mean, low, high = bands[:, n]
            views.append(
                EffectCurve(
                    fit.response,
                    i,
                    rows[n, :, i],
                    mean,
                    low,
                    high,
                    LEVEL,
                    at,
                    feasible[n],
                    told[n],
                    turned[n],
                    freer is not None,
                )
            )
    return tuple(views)


def _along(
    fit: FittedModel, freer: Surrogate | None, rows: FloatArray
) -> tuple[FloatArray, list[bool], list[bool]]:
    """Return mean, low and high (3, f, n) at n settings along f factors (f, n, k).

    And by factor whether changes are told from none: from one end to the other; from where the
    curve turns to either end.
    """
    flat = rows.reshape(-1, rows.shape[2])
    if freer is not None:
        bands = np.array(freer.band(flat, LEVEL))
    else:
        p = fit.predict(flat, LEVEL)
        bands = np.array([p.mean, p.mean_low, p.mean_high])
    bands = bands.reshape(3, *rows.shape[:2])
    turns = [turn_of(mean) or 0 for mean in bands[0]]
    first, last = rows[:, 0], rows[:, -1]
    turn = rows[np.arange(len(rows)), turns]
    starts, ends = np.vstack([first, first, turn]), np.vstack([last, turn, last])
    if freer is not None:
        low, high = freer.change(starts, ends, LEVEL)
        told = (low > 0) | (high < 0)
    else:
        told = np.array([fit.change_told(*pair, LEVEL) for pair in zip(starts, ends, strict=True)])
    end_to_end, before, after = told.reshape(3, len(rows))
    return bands, end_to_end.tolist(), (before & after).tolist()


def _grid(
    space: FactorSpace, i: int, j: int, at: FloatArray, size: int = GRID
) -> tuple[FloatArray, FloatArray, FloatArray]:
    fx, fy = space.factors[i], space.factors[j]
    assert isinstance(fx, NumericFactor)
    assert isinstance(fy, NumericFactor)
    x, y = np.linspace(fx.low, fx.high, size), np.linspace(fy.low, fy.high, size)
    rows = np.tile(at, (size * size, 1))
    rows[:, i], rows[:, j] = np.tile(x, size), np.repeat(y, size)
    return x, y, rows
