"""The campaign: what its file describes, and its folder in the workspace.

Shapes: n settings, k factors.
"""

from __future__ import annotations

import difflib
import hashlib
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, BeforeValidator, ConfigDict

from doe import rig as rig_room
from doe.errors import Notice, StateError
from doe.factors import FactorSpace, FloatArray
from doe.forbidden import Forbidden, with_forbidden
from doe.ledger import LedgerSchema, Preparing
from doe.quantities import (
    WATER_TO_SOLID,
    Count,
    FlowRate,
    Mass,
    Minutes,
    Pressure,
    PressureDifference,
    Share,
    Temperature,
    TemperatureDifference,
    read_as_written,
    read_quantity,
)
from doe.region import EnvelopeOf, HeldSetting
from doe.responses import USUALLY_WEIGHED, WEIGHINGS, Response, Weighing
from doe.rig import Conditions, Envelope, Rig
from doe.run_log import DeviationRules
from doe.samples import (
    Clash,
    Samples,
    clashes,
    drained_columns,
    drawn_columns,
    sample_minutes,
)
from doe.terms import Purpose

__all__ = [
    "CAMPAIGN_FILE",
    "UNCONFIRMED",
    "Affordable",
    "BatchKind",
    "Budget",
    "Campaign",
    "Deviations",
    "Feed",
    "Fixed",
    "Mode",
    "Order",
    "campaign_names",
    "find_campaign",
    "find_workspace",
    "shaping_parts",
]

CAMPAIGN_FILE = "campaign.toml"
UNCONFIRMED = "Limits not confirmed: for planning practice only"

PRESSURE_AS_FACTOR = (
    "Pressure is a factor. Liquid water hardly changes with it, so it seldom matters, and a range "
    "of pressures cuts the region aslant: unless it is what you ask about, fix it under [fixed], "
    "or give its height above boiling as pressure_above_saturation."
)

USUAL_RULES = DeviationRules()
Mode = Literal["flow", "batch"]
BatchKind = Literal["liquid-full", "headspace"]

PHYSICAL_SETTINGS = (
    "temperature",
    "pressure",
    "pressure_above_saturation",
    "flow",
    "time",
    "bed_mass",
    "water_to_solid",
)
"""Settings that the rig's physics knows, whether factors or fixed."""
AS_WORDED = re.compile(r"([a-z ]+) ([-+.0-9e]+) (.+)")
"""A fixed setting in words: name, number, unit."""


Content = Annotated[float, BeforeValidator(lambda text: read_as_written(text, "mg/g")[0])]
WaterToSolid = Annotated[float, BeforeValidator(lambda text: read_quantity(text, WATER_TO_SOLID))]


class Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Budget(Section):
    """What the lab can afford: a number of runs, or days and hours a day; feedstock; bed mass."""

    runs: Count | None = None
    days: Count | None = None
    hours_per_day: Minutes | None = None
    feedstock: Mass | None = None
    reserve: Share = 0.25
    bed_mass: Mass | None = None
    hard_changes_per_day: Count | None = None


class Lot(Section):
    """A lot of the feedstock: how much there is of it [g], and what was measured of it.

    `moisture` and `reference` go before the feed's.
    """

    amount: Mass
    moisture: Share | None = None
    reference: Mapping[str, Content] = {}


class Feed(Section):
    """The feed: what its dry mass follows from, and what it holds of which compounds.

    `moisture` stands in for runs without their own; `reference` is the exhaustive content of dry
    feed [mg/g]; `groups` are assays of a group or of products of hydrolysis, which may exceed it.
    Several `lots` are spread over the runs. The scatters are standard deviations of one reading: of
    a weighing [g], of a volume as a share of it, of a moisture in shares of the mass.
    """

    lots: Mapping[str, Lot] = {}

    moisture: Share | None = None
    reference: Mapping[str, Content] = {}
    groups: tuple[str, ...] = ()
    weighing_scatter: Mass | None = None
    volume_scatter: Share | None = None
    moisture_scatter: Share | None = None

    def moisture_of(self, lot: str) -> float | None:
        """Return the moisture of a lot; the feed's where the lot has none of its own."""
        own = self.lots[lot].moisture if lot in self.lots else None
        return self.moisture if own is None else own

    def reference_of(self, lot: str, compound: str) -> float | None:
        """Return a lot's content of a compound [mg/g]; the feed's where the lot has none."""
        own = self.lots[lot].reference.get(compound) if lot in self.lots else None
        return self.reference.get(compound) if own is None else own


class Deviations(Section):
    """Thresholds by which a log decides what becomes of its run; common practice unless given."""

    temperature_minor: TemperatureDifference = USUAL_RULES.temperature_minor_K
    temperature_major: TemperatureDifference = USUAL_RULES.temperature_major_K
    share_minor: Share = USUAL_RULES.share_minor
    share_major: Share = USUAL_RULES.share_major
    unsteady_share: Share = USUAL_RULES.off_share_max

    @property
    def rules(self) -> DeviationRules:
        return DeviationRules(
            self.temperature_minor,
            self.temperature_major,
            self.share_minor,
            self.share_major,
            self.unsteady_share,
        )


class Order(Section):
    """What is run before the first run of each stage, at its settings, where carry-over matters."""

    first_runs: tuple[Preparing, ...] = ()


class Fixed(Section):
    """Settings that every run shares, in the fixed units; pressure as the rig shows it."""

    temperature: Temperature | None = None
    pressure: Any = None
    pressure_above_saturation: PressureDifference | None = None
    flow: FlowRate | None = None
    time: Minutes | None = None
    water_to_solid: WaterToSolid | None = None


@dataclass(frozen=True, slots=True)
class Affordable:
    """How many runs the budget buys, and what each part of it would buy: (what, runs, how)."""

    runs: int
    parts: tuple[tuple[str, int, str], ...]

    @property
    def binds(self) -> str:
        return min(self.parts, key=lambda part: part[1])[0]


@dataclass(frozen=True)
class Campaign:
    """A campaign as its file describes it."""

    folder: Path
    title: str
    mode: Mode
    batch_kind: BatchKind | None
    purpose: Purpose
    seed: int
    source: str
    budget: Budget
    rig: Rig
    fixed: Fixed
    space: FactorSpace
    responses: tuple[Response, ...]
    feed: Feed
    file_hash: str
    order: Order = field(default_factory=Order)
    deviations: Deviations = field(default_factory=Deviations)
    samples: Samples | None = None
    changes_boiling: Mapping[str, bool | None] = field(default_factory=dict)
    """For each factor that the rig's physics does not know what the file says of its boiling."""
    forbidden: tuple[Forbidden, ...] = ()

    @property
    def name(self) -> str:
        return self.folder.name

    @property
    def workspace(self) -> Path:
        """The folder that holds `designs/` and `reports/`; a campaign elsewhere is its own."""
        within = self.folder.parent.name == "designs"
        return self.folder.parent.parent if within else self.folder

    @cached_property
    def schema(self) -> LedgerSchema:
        corners = self.space.corners()
        most = max(map(len, self.sample_minutes(corners))) if self.samples else 0
        own = {*self.space.columns, *(response.column for response in self.responses)}
        drained = drained_columns(1 + self._most_drains())
        drawn = drawn_columns(most)
        if own.isdisjoint(each.column for each in drained):
            drawn += drained
        weighed = tuple(each for each in self._weighed() if each.column not in own)
        lots = tuple(self.feed.lots)
        return LedgerSchema(self.space, self.responses, weighed, drawn, lots, self.name)

    def _weighed(self) -> tuple[Weighing, ...]:
        """Return what is weighed with each run: for derived responses, and as usual."""
        if not any(response.source for response in self.responses):
            return USUALLY_WEIGHED
        return (*WEIGHINGS, *(each for each in USUALLY_WEIGHED if each.name == "water_pumped"))

    def _most_drains(self) -> int:
        """Return how often the collection vessel is drained during the run that needs it most.

        Water grows with flow, and its minutes with temperature and time, so a corner has most.
        """
        if self.mode == "batch" or self.rig.collector is None:
            return 0
        corners = self.conditions(self.space.corners())
        return max(map(len, rig_room.drain_minutes(self.rig, corners)))

    @property
    def compounds(self) -> tuple[str, ...]:
        """Names of the compounds that responses are derived from."""
        sources = [response.source for response in self.responses if response.source]
        return tuple(dict.fromkeys(source.compound for source in sources if source.compound))

    @property
    def assayed(self) -> tuple[str, ...]:
        """Names of the compounds that portions may be assayed for."""
        more = self.samples.compounds if self.samples else ()
        return tuple(dict.fromkeys((*self.compounds, *more)))

    def sample_minutes(self, settings: npt.ArrayLike) -> tuple[FloatArray, ...]:
        """Return for each of n settings (n, k) when its samples are drawn [min of extraction]."""
        rows = np.atleast_2d(np.asarray(settings, dtype=np.float64))
        if self.samples is None:
            return (np.zeros(0),) * len(rows)
        return sample_minutes(self.samples, self.conditions(rows))

    def sample_clashes(self, settings: npt.ArrayLike) -> tuple[Clash, ...]:
        """Return the draws during which the collection vessel of a run (n, k) has to be drained."""
        if self.samples is None:
            return ()
        return clashes(self.rig, self.samples, self.conditions(settings))

    @property
    def limits_confirmed(self) -> bool:
        return bool(self.rig.limits_confirmed_by and self.rig.limits_confirmed_on)

    def conditions(self, settings: npt.ArrayLike) -> Conditions:
        """Return what the rig does at settings (n, k): factors, fixed settings, derived ones.

        One of flow, time and bed mass follows from the others where the water-to-solid ratio is
        given; pressure follows from temperature where its height above saturation is (with a
        co-solvent above the mixture's bubble points).
        """
        rows = np.atleast_2d(np.asarray(settings, dtype=np.float64))
        values = {
            name: rows[:, i] for i, name in enumerate(self.space.names) if name in PHYSICAL_SETTINGS
        }
        for name, fixed in self._fixed_values().items():
            values.setdefault(name, np.full(len(rows), fixed))
        return Conditions(
            mode=self.mode,
            batch_kind=self.batch_kind,
            temperature_C=values["temperature"],
            pressure_bara=self._pressure_bara(values),
            **_tied(values, self.mode),
        )

    def envelope(self, settings: npt.ArrayLike) -> Envelope:
        """Return the verdict on settings (n, k), run × limit: the rig's, and what is forbidden."""
        rows = np.atleast_2d(np.asarray(settings, dtype=np.float64))
        found = rig_room.envelope(self.rig, self.conditions(rows))
        return with_forbidden(found, self.forbidden, self.space, rows)

    def feasible(self, settings: FloatArray) -> npt.NDArray[np.bool_]:
        """Return whether the rig can run each of n settings (n, k)."""
        if not len(settings):
            return np.zeros(0, dtype=np.bool_)
        return np.asarray(self.envelope(settings).feasible, dtype=np.bool_)

    def shown_pressure(self, bara: FloatArray) -> FloatArray:
        """Return absolute pressures as the rig shows them."""
        gauge = self.rig.pressure_reading == "gauge"
        return bara - self.rig.atmospheric_pressure_bara if gauge else bara

    def affordable(self) -> Affordable:
        """Return how many runs the budget buys, counting the longest and heaviest run."""
        parts = []
        budget = self.budget
        first, loaded = len(self.order.first_runs), self.order.first_runs.count("sacrificial")
        less = f", less {' and '.join(self.order.first_runs)} run first" if first else ""
        if budget.runs is not None:
            parts.append(("runs", budget.runs - first, f"{budget.runs} runs allowed{less}"))
        longest, per_day = self.runs_per_day()
        if budget.days is not None and budget.hours_per_day is not None:
            hours = budget.hours_per_day / 60
            parts.append(
                (
                    "days",
                    budget.days * per_day - first,
                    f"{budget.days} days of {hours:g} h, {per_day} runs a day: the longest run "
                    f"takes {longest / 60:.1f} h from loading to unloading{less}",
                )
            )
        mass = self._heaviest_bed()
        if budget.feedstock is not None and mass is not None:
            usable = budget.feedstock * (1 - budget.reserve)
            parts.append(
                (
                    "feedstock",
                    int(usable / mass + 1e-9) - loaded,
                    f"{budget.feedstock:g} g less {100 * budget.reserve:g} % reserve, "
                    f"{mass:g} g a run{', less the sacrificial run' if loaded else ''}",
                )
            )
        if self.feed.lots and mass is not None:
            each = {
                name: int(lot.amount * (1 - budget.reserve) / mass + 1e-9)
                for name, lot in self.feed.lots.items()
            }
            parts.append(
                (
                    "feedstock lots",
                    sum(each.values()) - loaded,
                    f"{', '.join(f'{runs} of lot {name}' for name, runs in each.items())}: "
                    f"{mass:g} g a run after {100 * budget.reserve:g} % reserve",
                )
            )
        parts = [(what, max(runs, 0), how) for what, runs, how in parts]
        return Affordable(min(part[1] for part in parts), tuple(parts))

    def runs_per_day(self) -> tuple[float, int]:
        """Return the length of the longest run [min], and how many of them fit a day."""
        corners = self.space.corners()
        longest = float(np.max(rig_room.run_minutes(self.rig, self.conditions(corners))))
        if self.budget.hours_per_day is None:
            return longest, 0
        return longest, int(self.budget.hours_per_day / longest + 1e-9)

    def notices(self) -> tuple[Notice, ...]:
        """Return what holds for everything that is made from this campaign."""
        found = []
        if not self.limits_confirmed:
            found.append(Notice("limits-not-confirmed", UNCONFIRMED))
        if "pressure" in self.space.names:
            found.append(Notice("pressure-as-factor", PRESSURE_AS_FACTOR))
        plan = self.samples
        if plan is not None and plan.line is not None and plan.discard < plan.line:
            what = (
                f"[samples] discards {plan.discard:g} mL before each draw, less than the "
                f"{plan.line:g} mL of the line: a sample begins with what stood in it. Discard at "
                "least the line, unless it flows all the time."
            )
            found.append(Notice("discard-below-line", what))
        return (*found, *self._boiling_notices())

    def _boiling_notices(self) -> Iterator[Notice]:
        """Yield what is taken of factors that the rig's physics does not know."""
        said: dict[bool | None, list[str]] = {None: [], False: [], True: []}
        for name, changes in self.changes_boiling.items():
            said[changes].append(name)
        words = {
            None: "taken not to change where the water boils: nothing in the file says so. If it "
            "does, write changes_boiling = true beside it.",
            False: "said in the file not to change where the water boils, and nothing here checks "
            "that.",
            True: "held everywhere to the bubble points of the mixture under [rig.co_solvent], "
            "however little of it a run has.",
        }
        for changes, names in said.items():
            if names:
                verb = "is" if len(names) == 1 else "are"
                what = f"{' and '.join(names)} {verb} {words[changes]}"
                yield Notice("boiling-taken", what)

    def held_settings(self) -> tuple[HeldSetting, ...]:
        """Return the settings that every run shares, each with the verdict if it were another.

        The temperature swing of a full, shut vessel counts as one, and so does the gas pad of one
        with a headspace.
        """
        fixed, units = self._fixed_values(), self._units()
        swing = self.rig.temperature_swing if self.batch_kind == "liquid-full" else None
        if swing:
            fixed["temperature_swing"] = swing
        headspace = self.rig.headspace if self.batch_kind == "headspace" else None
        if headspace is not None and headspace.pad_pressure is not None:
            fixed["pad_pressure"] = headspace.pad_pressure.shown(
                self.rig.pressure_reading, self.rig.atmospheric_pressure_bara
            )
        return tuple(
            HeldSetting(
                name,
                units[name],
                value,
                _other_values(value, self._most(name, value)),
                partial(self._envelope_holding, name),
            )
            for name, value in fixed.items()
        )

    def _most(self, name: str, value: float) -> float:
        """Return how far up another value of a held setting is looked for."""
        if name == "temperature_swing":
            return value
        if name == "temperature":
            return self.rig.temperature_max
        if "pressure" in name:
            return max(
                pressure.shown(self.rig.pressure_reading, self.rig.atmospheric_pressure_bara)
                for _, pressure in self.rig.vessel_rating
            )
        return 4 * value

    def _envelope_holding(self, name: str, value: float) -> EnvelopeOf:
        """Return the rig's verdict on settings with one held setting at another value."""
        if name == "temperature_swing":
            other = replace(self, rig=self.rig.model_copy(update={name: value}))
        elif name == "pad_pressure":
            assert self.rig.headspace is not None
            pad = self.rig.headspace.model_copy(update={name: Pressure(value, "shown")})
            other = replace(self, rig=self.rig.model_copy(update={"headspace": pad}))
        elif name == "bed_mass":
            other = replace(self, budget=self.budget.model_copy(update={name: value}))
        else:
            given = Pressure(value, "shown") if name == "pressure" else value
            other = replace(self, fixed=self.fixed.model_copy(update={name: given}))
        return other.envelope

    def fixed_settings(self) -> tuple[tuple[str, str], ...]:
        """Return name and value, with unit, of what is set alike for every run."""
        values = self._fixed_values()
        return tuple(
            (name.replace("_", " "), f"{values[name]:.6g} {unit}")
            for name, unit in self._units().items()
            if name in values
        )

    def fixed_in_words(self) -> tuple[str, ...]:
        """Return what is set alike for every run, in words: ``pressure 50 bar gauge``."""
        return tuple(f"{name} {value}" for name, value in self.fixed_settings())

    def with_fixed(self, words: Sequence[str]) -> Campaign:
        """Return the campaign with these fixed settings, worded as by `fixed_in_words`.

        A temperature or a pressure that they do not name stays as it is.
        """
        if tuple(words) == self.fixed_in_words():
            return self
        found = [match.groups() for match in map(AS_WORDED.fullmatch, words) if match]
        given: dict[str, Any] = {name.replace(" ", "_"): float(n) for name, n, _ in found}
        if "pressure" in given:
            unit = next(unit for name, _, unit in found if name == "pressure")
            reference: Literal["gauge", "absolute"] = "gauge" if "gauge" in unit else "absolute"
            given["pressure"] = Pressure(given["pressure"], reference)
        stays = {"temperature"} - given.keys()
        if not {"pressure", "pressure_above_saturation"} & given.keys():
            stays |= {"pressure", "pressure_above_saturation"}
        values = {
            name: getattr(self.fixed, name) if name in stays else given.get(name)
            for name in Fixed.model_fields
        }
        return replace(
            self,
            fixed=self.fixed.model_copy(update=values),
            budget=self.budget.model_copy(update={"bed_mass": given.get("bed_mass")}),
        )

    def _units(self) -> dict[str, str]:
        return {
            "temperature": "°C",
            "pressure": self.rig.shown_unit,
            "pressure_above_saturation": "bar",
            "pad_pressure": self.rig.shown_unit,
            "flow": "mL/min",
            "time": "min",
            "bed_mass": "g",
            "water_to_solid": "mL/g",
            "temperature_swing": "K",
        }

    def _heaviest_bed(self) -> float | None:
        """Return the largest bed mass [g] that a run may ask for, given or worked out."""
        masses = self.conditions(self.space.corners()).bed_mass_g
        return None if masses is None else float(masses.max())

    def _fixed_values(self) -> dict[str, float]:
        values = {
            name: getattr(self.fixed, name)
            for name in (
                "temperature",
                "pressure_above_saturation",
                "flow",
                "time",
                "water_to_solid",
            )
        }
        if self.fixed.pressure is not None:
            values["pressure"] = self.fixed.pressure.shown(
                self.rig.pressure_reading, self.rig.atmospheric_pressure_bara
            )
        values["bed_mass"] = self.budget.bed_mass
        return {name: value for name, value in values.items() if value is not None}

    def _pressure_bara(self, values: Mapping[str, FloatArray]) -> FloatArray | None:
        if "pressure_above_saturation" in values:
            boiling = rig_room.boiling_pressure_bara(self.rig, values["temperature"])
            return np.asarray(boiling + values["pressure_above_saturation"], dtype=np.float64)
        if "pressure" not in values:
            return None
        gauge = self.rig.pressure_reading == "gauge"
        return values["pressure"] + (self.rig.atmospheric_pressure_bara if gauge else 0.0)


def _other_values(value: float, most: float) -> FloatArray:
    """Return round values up to `most`, a tenth of the value's power of ten apart but at most 1."""
    step = min(1.0, 10.0 ** (np.floor(np.log10(max(value, 1e-6))) - 1))
    count = min(int(most / step + 1e-9), 1000)
    return np.asarray(np.round(step * np.arange(1, count + 1), 9))


def _tied(values: Mapping[str, FloatArray], mode: Mode) -> dict[str, Any]:
    """Return flow, time and bed mass, one of them from the water-to-solid ratio [mL/g] if given."""
    flow, time, mass = (values.get(name) for name in ("flow", "time", "bed_mass"))
    ratio = values.get("water_to_solid")
    if ratio is not None and mode == "flow":
        if flow is None and time is not None and mass is not None:
            flow = ratio * mass / time
        elif time is None and flow is not None and mass is not None:
            time = ratio * mass / flow
        elif mass is None and flow is not None and time is not None:
            mass = flow * time / ratio
    return {"flow_mL_min": flow, "time_min": time, "bed_mass_g": mass}


def find_workspace(start: Path) -> Path | None:
    """Return the nearest folder at or above `start` that holds `designs/`, or None."""
    for folder in (start, *start.parents):
        if (folder / "designs").is_dir():
            return folder
    return None


def find_campaign(asked: str, start: Path) -> Path:
    """Return the campaign file for a bare name, a folder or a file.

    Raises
    ------
    StateError
        There is none; the campaigns that there are get named.
    """
    path = Path(asked)
    candidates = [path, path / CAMPAIGN_FILE]
    workspace = find_workspace(start)
    if workspace is not None and len(path.parts) == 1:
        candidates.append(workspace / "designs" / asked / CAMPAIGN_FILE)
    for candidate in candidates:
        full = candidate if candidate.is_absolute() else start / candidate
        if full.is_file():
            return full
    names = campaign_names(workspace) if workspace is not None else []
    near = difflib.get_close_matches(asked, names, n=1)
    there = f"There are: {', '.join(names)}." if names else "There is no campaign here yet."
    hint = f"Did you mean {near[0]}?" if near else f"Make it with: doe new {path.name or 'NAME'}"
    raise StateError.of("no-such-campaign", f'no campaign "{asked}". {there}', hint)


def campaign_names(workspace: Path) -> list[str]:
    """Return the names of the campaigns in a workspace."""
    return sorted(file.parent.name for file in (workspace / "designs").glob(f"*/{CAMPAIGN_FILE}"))


def shaping_parts(campaign: Campaign) -> dict[str, str]:
    """Return a hash of each section of the file that shapes a design, by the section's name."""
    parts = {
        "mode": [campaign.mode, campaign.batch_kind],
        "purpose": campaign.purpose,
        "seed": campaign.seed,
        "budget": campaign.budget.model_dump(mode="json"),
        "rig": campaign.rig.model_dump(
            mode="json", exclude={"limits_confirmed_by", "limits_confirmed_on"}
        ),
        "fixed": repr(campaign.fixed),
        "factors": [repr(factor) for factor in campaign.space],
    }
    if campaign.forbidden:
        parts["forbidden"] = [repr(each) for each in campaign.forbidden]
    if campaign.samples is not None:
        parts["samples"] = campaign.samples.model_dump(mode="json", exclude={"line"})
    if campaign.feed.lots:
        lots = campaign.feed.model_dump(mode="json")["lots"]
        parts["feed.lots"] = {name: lot["amount"] for name, lot in lots.items()}
    if campaign.order.first_runs:
        parts["order"] = campaign.order.model_dump(mode="json")
    return {
        name: hashlib.sha256(json.dumps(part, sort_keys=True).encode()).hexdigest()[:16]
        for name, part in parts.items()
    }
