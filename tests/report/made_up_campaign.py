"""An invented campaign, from the real dataclasses, for the pages and pictures."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from doe.analysis.fit import Observations
from doe.analysis.landscape import landscape_of
from doe.analysis.optimum import analyse
from doe.design.aliasing import alias_matrix
from doe.design.evaluation import Efficiencies
from doe.design.matrix import Design
from doe.errors import Notice
from doe.factors import FactorSpace, NumericFactor
from doe.region import MapLine, map_region, survey
from doe.report.explorer import Explorer, Verdicts, node_levels
from doe.report.fit_page import FitEvidence, LimitRoom
from doe.report.fit_pictures import EffectCurve
from doe.report.map_pictures import ChanceView, SurfaceView, VarianceView
from doe.report.page import Header
from doe.report.pictures import RunPoints, Table
from doe.responses import Response
from doe.rig import Envelope, Limit
from doe.suggest import SuggestedRun, Suggestion
from doe.terms import linear_model, quadratic_model

LIMITS = (
    Limit("liquid-margin", "stays liquid with room to boiling", "bar", "at least", True),
    Limit("heater", "preheater power", "W", "at most", False),
    Limit("feed", "feed water in the tank", "mL", "at most", False),
    Limit("vessel", "liquid-full vessel", "bar", "at most", False),
)


def envelope_of(settings: np.ndarray) -> Envelope:
    """Invented limits; the fourth never applies (NaN)."""
    t, p, flow, time = settings.T
    value = np.column_stack(
        [p - (t / 100.0) ** 4, flow / 60 * 4.2 * (t - 20), flow * time, np.full(len(t), np.nan)]
    )
    allowed = np.tile([5.0, 75.0, 330.0, np.nan], (len(t), 1))
    margin = np.column_stack(
        [value[:, 0] - 5.0, 75.0 - value[:, 1], 330.0 - value[:, 2], t * np.nan]
    )
    return Envelope(LIMITS, value, allowed, margin, ())


def _space() -> FactorSpace:
    return FactorSpace(
        (
            NumericFactor("temperature", "°C", 120, 220, 5, "hard", "C"),
            NumericFactor("pressure", "bar gauge", 10, 60, 1, "easy", "barg"),
            NumericFactor("flow", "mL/min", 2, 8, 0.5, "easy", "mL_min"),
            NumericFactor("time", "min", 10, 60, 5, "easy", "min"),
        )
    )


def _observed(
    space: FactorSpace, names: tuple[str, str], count: int
) -> tuple[list[Response], dict]:
    rng = np.random.default_rng(11)
    settings = []
    while len(settings) < count:
        row = space.settable(rng.uniform([120, 10, 2, 10], [220, 60, 8, 60]))
        if envelope_of(row).feasible[0]:
            settings.append(row[0])
    planned = np.array(settings)
    planned[-6:-2] = planned[-10]
    t, _, flow, time = space.code(planned).T
    mass = 38 + 7 * t + 3 * time - 6 * t**2 - 2.5 * t * time + 0.8 * flow
    lost = 0.9 + 0.8 * t + 0.4 * t**2 + 0.3 * time
    achieved = planned + rng.normal(0, [0.6, 0.2, 0.02, 0.0], planned.shape)
    responses = [
        Response(names[0], "%", "maximise", scatter=1.0),
        Response(names[1], "mg/g", "below", scatter=0.2, limit=2.0),
    ]
    left_out: list[str | None] = [None] * count
    left_out[5] = "filter blocked, flow fell to a third"
    observed = {}
    for response, values, scatter in zip(responses, (mass, lost), (1.0, 0.15), strict=True):
        y = values + rng.normal(0, scatter, count)
        if response.aim == "below":
            y[9] = np.nan
        observed[response.name] = Observations(
            space,
            planned,
            achieved,
            y,
            tuple(range(1, count + 1)),
            (1,) * count,
            tuple(range(1, count + 1)),
            tuple(left_out),
        )
    return responses, observed


def _saturation(space: FactorSpace) -> list[MapLine]:
    t = np.linspace(120, 220, 61)
    return [
        MapLine("boils below this line", t, (t / 100) ** 4),
        MapLine("with margin 5 bar", t, (t / 100) ** 4 + 5),
    ]


def campaign(
    names: tuple[str, str] = ("dissolved_mass", "breakdown_product"), count: int = 30
) -> SimpleNamespace:
    """Return everything the pages take, for one invented campaign."""
    space = _space()
    responses, observed = _observed(space, names, count)
    analysis = analyse(
        responses, quadratic_model(space), observed, lambda s: envelope_of(s).feasible
    )
    best = analysis.optimum.settings
    first = observed[names[0]]
    keep = [i for i in range(count) if i != 5]
    runs = (
        RunPoints("done", first.achieved[keep], tuple(str(first.runs[i]) for i in keep)),
        RunPoints("left out", first.achieved[[5]], ("6",)),
    )
    maps = (
        map_region(space, envelope_of, 0, 1, best, lines=_saturation(space)),
        map_region(space, envelope_of, 0, 2, best),
        map_region(space, envelope_of, 2, 3, best),
    )
    design = Design(
        space,
        first.planned.copy(),
        ("chosen",) * count,
        tuple(range(1, count + 1)),
        "D-optimal",
        "The limits cut the box to an odd shape, so the runs were chosen one by one inside it.",
        "full quadratic",
        7,
        (Notice("few-repeats", "Only four runs repeat another."),),
    )
    return SimpleNamespace(
        space=space,
        responses=responses,
        analysis=analysis,
        survey=survey(space, envelope_of),
        maps=maps,
        runs=runs,
        design=design,
        run_rows=tuple(
            {
                "run": str(i + 1),
                "kind": "chosen",
                **dict(zip(space.columns, map(_g, row), strict=True)),
            }
            for i, row in enumerate(design.settings)
        ),
        efficiencies=Efficiencies(0.42, 0.31, 0.66, 11.2),
        surfaces=tuple(_surfaces(space, analysis, runs, best)),
        effect_curves=tuple(_effect_curves(space, analysis, best)),
        variance=(_variance(space, maps[1], runs),),
        aliases=alias_matrix(linear_model(space), design.coded, quadratic_model(space).terms),
        suggestion=_suggestion(analysis),
        evidence=_evidence(space, analysis, runs),
        header=header(),
        derived=Table(("run", "severity factor"), (("1", "4.12"), ("2", "3.05")), frozenset({1})),
    )


def _evidence(space: FactorSpace, analysis, runs) -> FitEvidence:
    at = analysis.optimum.settings
    levels = node_levels(space, at, most=3_000)
    nodes = np.stack([axis.ravel() for axis in np.meshgrid(*levels, indexing="ij")], axis=1)
    fails = envelope_of(nodes).margin < 0
    verdicts = Verdicts(tuple(levels), tuple(limit.title for limit in LIMITS), fails)
    by_name = {fit.response.name: runs for fit in analysis.fits}
    around = landscape_of(
        analysis, space, lambda s: envelope_of(s).feasible, np.array([3.0, 2.0, 0.0, 0.0]), 7
    )
    assert around.region is not None
    aims = around.region.aims
    places = np.array([choice.settings for choice in around.choices])
    chances = tuple(aims.chance_with_swings(places).tolist())
    x, y, rows = _grid(space, 0, 3, at, 15)
    chance = aims.chance_with_swings(rows).reshape(15, 15)
    region = map_region(space, envelope_of, 0, 3, at)
    rooms = (
        LimitRoom("stays liquid with room to boiling", "bar", 3.2, "3.2", 0.06),
        LimitRoom("preheater power", "W", 11.0, "11", 0.3),
    )
    return FitEvidence(
        Explorer(
            space, analysis.fits, at, verdicts, by_name, (0, 3), aims, around.choices, chances
        ),
        rooms,
        around,
        chance=ChanceView(0, 3, x, y, chance, 0.9, region, runs),
        choice_chances=chances,
    )


def header(**changes: object) -> Header:
    """Return a header with all its parts filled."""
    given = {
        "campaign": "husk-1",
        "title": "Sugars from husks",
        "mode": "flow",
        "stage": 1,
        "page": "fit",
        "unconfirmed_limits": True,
        "invented": "Rig, material and results are made up to show the pages.",
        "source": None,
        "notices": ("Temperature changes slowly; the order was not blocked for it.",),
        "next_command": "doe suggest husk-1",
        "provenance": (("seed", "7"), ("campaign.toml", "sha256 1f2e3d")),
        "cautions": ("Husk dust clogs frits: watch the pressure drop.",),
        "practice_defaults": (("rig.boiling_margin", "5 bar"),),
    }
    return Header(**{**given, **changes})  # type: ignore[arg-type]


def _g(value: float) -> str:
    return f"{value:g}"


def _grid(space: FactorSpace, i: int, j: int, at: np.ndarray, size: int = 41):
    fx, fy = space.factors[i], space.factors[j]
    x, y = np.linspace(fx.low, fx.high, size), np.linspace(fy.low, fy.high, size)
    rows = np.tile(at, (size * size, 1))
    rows[:, i], rows[:, j] = np.tile(x, size), np.repeat(y, size)
    return x, y, rows


def _surfaces(space, analysis, runs, at):
    for fit in analysis.fits:
        for i, j in ((0, 3), (0, 2)):
            x, y, rows = _grid(space, i, j, at)
            p = fit.predict(rows)
            yield SurfaceView(
                fit.response,
                i,
                j,
                x,
                y,
                p.mean.reshape(41, 41),
                p.standard_error.reshape(41, 41),
                map_region(space, envelope_of, i, j, at),
                runs,
            )


def _effect_curves(space, analysis, at):
    for fit in analysis.fits:
        x = np.linspace(120, 220, 41)
        rows = np.tile(at, (41, 1))
        rows[:, 0] = x
        p = fit.predict(rows)
        yield EffectCurve(
            fit.response,
            0,
            x,
            p.mean,
            p.mean_low,
            p.mean_high,
            p.level,
            at,
            envelope_of(rows).feasible,
        )


def _variance(space, region, runs):
    x, y, rows = _grid(space, 0, 2, region.at)
    t, _, flow, _ = space.code(rows).T
    return VarianceView(
        0, 2, x, y, (0.3 + 0.4 * t**2 + 0.3 * flow**2).reshape(41, 41), region, runs[:1]
    )


def _suggestion(analysis) -> Suggestion:
    best = analysis.optimum.settings
    away = best.copy()
    away[3] = 25.0
    runs = tuple(
        SuggestedRun(
            kind,
            reason,
            at,
            {fit.response.name: fit.predict(at) for fit in analysis.fits},
        )
        for kind, reason, at in (
            ("confirm", "To see whether the best settings keep what they promise.", best),
            ("sharpen", "The model knows least about this corner of what is feasible.", away),
        )
    )
    return Suggestion(
        runs, "go-on", "Two more runs are worth their water.", "The interval is wide.", runs[0]
    )
