"""Simulated rigs on which whole campaigns are played. Every material is invented.

Those of `LAB_RIGS` are the flow rig of `doe.simulated_lab` with its campaign file; those of
`FORMULA_RIGS` are formulas in 2 to 5 factors, of shapes that the simulated lab does not have.

Shapes: m settings, k factors.
"""

from __future__ import annotations

import functools
import itertools
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from importlib.resources import files
from pathlib import Path

import numpy as np

from doe.campaign import Campaign
from doe.campaign_file import read_campaign
from doe.factors import (
    CategoricalFactor,
    FactorSpace,
    Feasible,
    FloatArray,
    NumericFactor,
    whole_box,
)
from doe.responses import Response
from doe.simulated_lab import MATERIALS, Noise, achieved, play, true_responses

FLOOR = 0.02
STRAYS = 0.01
"""How far achieved settings of formula rigs stray, in half-ranges (standard deviation)."""


@dataclass(frozen=True)
class Rig:
    """A rig with a material, what is wanted of it, and how runs scatter.

    `noise` and `day` are the relative standard deviations from run to run and day to day.
    With `held` the factors that are hard to change are set once a day, in whole plots.
    """

    name: str
    responses: tuple[Response, ...]
    noise: float
    day: float
    held: bool = field(default=False, kw_only=True)

    @property
    def space(self) -> FactorSpace:
        raise NotImplementedError

    @property
    def feasible(self) -> Feasible:
        raise NotImplementedError

    def truth(self, settings: FloatArray) -> Mapping[str, FloatArray]:
        """Return the true value (m,) of each response."""
        raise NotImplementedError

    def measured(
        self, settings: FloatArray, days: FloatArray, generator: np.random.Generator
    ) -> tuple[FloatArray, Mapping[str, FloatArray]]:
        """Return achieved settings (m, k), and what is measured (m,) of each response."""
        raise NotImplementedError

    def true_worth(self, settings: FloatArray) -> FloatArray:
        """Return the overall desirability (m,); 0 where a limit is truly broken."""
        truth = self.truth(settings)
        shares, kept = [], np.ones(len(settings))
        for response in self.responses:
            if response.interval_wanted():
                kept *= response.worth(truth[response.name], (0.0, 1.0))
            else:
                shares.append(response.worth(truth[response.name], (0.0, 1e3)))
        return np.asarray(kept * np.prod(shares, axis=0) ** (1 / len(shares)))

    @functools.cached_property
    def settings(self) -> FloatArray:
        """Every settable setting that the rig can run (m, k)."""
        axes = [
            np.arange(f.low, f.high + 1e-9, f.step or 1.0)
            if isinstance(f, NumericFactor)
            else np.arange(float(len(f.levels)))
            for f in self.space
        ]
        everything = np.array(list(itertools.product(*axes)))
        return everything[self.feasible(everything)]

    @functools.cached_property
    def best_worth(self) -> float:
        return float(self.true_worth(self.settings).max())


# --------------------------------------------------------------------------------- the flow rig


@dataclass(frozen=True)
class LabRig(Rig):
    material: str = "interior"
    heater_W: int = 400
    fine: bool = False

    @functools.cached_property
    def campaign(self) -> Campaign:
        text = files("doe").joinpath("templates/campaign.toml").read_text(encoding="utf-8")
        text = text.replace("{{name}}", "game")
        heater = 'power = "400 W"\nefficiency'
        assert heater in text
        text = text.replace(heater, f'power = "{self.heater_W} W"\nefficiency')
        if self.fine:
            text = text.replace('step = "5 degC"', 'step = "1 degC"')
            text = text.replace('step = "5 min"', 'step = "1 min"')
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "campaign.toml"
            path.write_text(text, encoding="utf-8")
            return replace(read_campaign(path), responses=self.responses)

    @property
    def space(self) -> FactorSpace:
        return self.campaign.space

    @property
    def feasible(self) -> Feasible:
        return self.campaign.feasible

    def truth(self, settings: FloatArray) -> Mapping[str, FloatArray]:
        found = true_responses(MATERIALS[self.material], self.campaign.conditions(settings))
        return {r.name: found[f"{r.name}_mg_g"] for r in self.responses}

    def measured(
        self, settings: FloatArray, days: FloatArray, generator: np.random.Generator
    ) -> tuple[FloatArray, Mapping[str, FloatArray]]:
        really = achieved(self.campaign.conditions(settings), generator)
        noise = Noise(self.noise, FLOOR, self.day)
        found = play(MATERIALS[self.material], really, days, noise, generator)
        columns = {
            "temperature": really.temperature_C,
            "flow": really.flow_mL_min,
            "time": really.time_min,
        }
        reached = np.column_stack([columns[name] for name in self.space.names])
        return reached, {r.name: found[f"{r.name}_mg_g"] for r in self.responses}


SCATTER = {"scatter": 0.05, "scatter_relative": True}
"""What the person expects, whatever the scatter truly is."""
TARGET = Response("target", "mg/g", "maximise", useless=0.0, **SCATTER)
LIMITED = Response("by_product", "mg/g", "below", limit=3.0, **SCATTER)
UNWANTED = Response("by_product", "mg/g", "minimise", useless=8.0, ideal=0.0, **SCATTER)
FULL = replace(TARGET, ideal=16.0)

LAB_RIGS = (
    LabRig("interior", (TARGET,), 0.04, 0.02, "interior"),
    LabRig("interior, noisy", (TARGET,), 0.08, 0.03, "interior"),
    LabRig("boundary of heater", (TARGET,), 0.03, 0.02, "boundary", heater_W=300),
    LabRig("plateau", (TARGET,), 0.02, 0.02, "plateau"),
    LabRig("ridge", (TARGET,), 0.05, 0.02, "severity ridge"),
    LabRig("conflict, limit", (TARGET, LIMITED), 0.04, 0.02, "conflict", fine=True),
    LabRig("conflict, both", (FULL, UNWANTED), 0.06, 0.02, "conflict"),
)


# ------------------------------------------------------------------------------------- formulas


@dataclass(frozen=True, kw_only=True)
class FormulaRig(Rig):
    """Values from coded settings (m, k); `allowed` from coded settings too."""

    factors: FactorSpace
    formula: Callable[[FloatArray], Mapping[str, FloatArray]]
    allowed: Callable[[FloatArray], FloatArray] | None = None

    @property
    def space(self) -> FactorSpace:
        return self.factors

    @property
    def feasible(self) -> Feasible:
        allowed, space = self.allowed, self.factors
        return whole_box if allowed is None else lambda s: allowed(space.code(s)) > 0

    def truth(self, settings: FloatArray) -> Mapping[str, FloatArray]:
        return self.formula(self.factors.code(settings))

    def measured(
        self, settings: FloatArray, days: FloatArray, generator: np.random.Generator
    ) -> tuple[FloatArray, Mapping[str, FloatArray]]:
        coded = self.factors.code(settings)
        for i in self.factors.numeric:
            coded[:, i] += STRAYS * generator.standard_normal(len(coded)).clip(-2.5, 2.5)
        of_day = np.unique(days, return_inverse=True)[1]
        found = {}
        for name, value in self.formula(coded).items():
            day = self.day * generator.standard_normal(of_day.max() + 1)[of_day]
            run = self.noise * generator.standard_normal(len(value))
            floor = FLOOR * generator.standard_normal(len(value))
            found[name] = np.maximum(value * (1 + day) * (1 + run) + floor, 0.0)
        return self.factors.decode(coded), found


def temperature(low: float, high: float, step: float = 5.0) -> NumericFactor:
    return NumericFactor("temperature", "°C", low, high, step)


TIME = NumericFactor("time", "min", 10, 60, 5)
FLOW = NumericFactor("flow", "mL/min", 2, 8, 1)
ACID = NumericFactor("acid", "%", 0, 2, 0.25)
ETHANOL = NumericFactor("ethanol", "%", 0, 20, 2.5)
GRIND = CategoricalFactor("grind", ("coarse", "fine"))


def _in_series(x: FloatArray) -> Mapping[str, FloatArray]:
    """A → B → C of first order, the amount of B: closed form (Levenspiel, ch. 3; from memory)."""
    kelvin, t = 443.15 + 50 * x[:, 0], 35 + 25 * x[:, 1]
    made = 0.05 * np.exp(-80e3 / 8.314 * (1 / kelvin - 1 / 443.15))
    lost = 0.006 * np.exp(-140e3 / 8.314 * (1 / kelvin - 1 / 443.15)) * 1.0001
    return {"target": 25 * made / (lost - made) * (np.exp(-made * t) - np.exp(-lost * t))}


def _cliff(x: FloatArray) -> Mapping[str, FloatArray]:
    """Rises with heat, and chars within 10 K."""
    rise = 1 - np.exp(-np.exp(0.3 + 0.9 * x[:, 0] + 0.5 * x[:, 1] + 0.2 * x[:, 2]))
    return {"target": 20 * rise / (1 + np.exp(9 * (x[:, 0] - 0.55 + 0.2 * x[:, 1])))}


def _two_of_four(x: FloatArray) -> Mapping[str, FloatArray]:
    """A bump off the middle in two factors; the other two hardly matter."""
    off = ((x[:, 0] - 0.35) / 0.8) ** 2 + ((x[:, 2] + 0.4) / 0.9) ** 2
    return {"target": 12 * np.exp(-off) * (1 + 0.03 * x[:, 1] - 0.02 * x[:, 3])}


def _tilted(x: FloatArray) -> Mapping[str, FloatArray]:
    """A long ridge aslant in temperature and acid, and a slope in the other two."""
    across, along = x[:, 0] + 0.8 * x[:, 2] - 0.2, x[:, 0] - 0.8 * x[:, 2] - 0.5
    bump = np.exp(-1.2 * across**2 - 0.25 * along**2)
    return {"target": 18 * bump * (1 + 0.15 * x[:, 1]) / (1 + 0.2 * (x[:, 3] - 0.3) ** 2)}


def _five(x: FloatArray) -> Mapping[str, FloatArray]:
    """Saturates in all five, with a joint limit of the rig; degradation by heat and time."""
    freed = 1 - np.exp(
        -np.exp(0.1 + 0.8 * x[:, 0] + 0.5 * x[:, 1] + 0.4 * x[:, 2] + 0.3 * x[:, 3] + 0.2 * x[:, 4])
    )
    return {"target": 30 * freed * np.exp(-0.15 * np.exp(1.1 * x[:, 0] + 0.6 * x[:, 1]))}


def _five_allowed(x: FloatArray) -> FloatArray:
    return 1.4 - x[:, 0] - x[:, 2] - 0.5 * x[:, 3]


def _ground(x: FloatArray) -> Mapping[str, FloatArray]:
    """Fine feed gives more, and is at its best cooler and shorter than coarse feed."""
    fine = x[:, 2] > 0.5
    best_t, best_time = np.where(fine, -0.3, 0.5), np.where(fine, -0.2, 0.7)
    off = 1.1 * (x[:, 0] - best_t) ** 2 + 0.5 * (x[:, 1] - best_time) ** 2
    return {"target": np.where(fine, 15.0, 13.5) / (1 + off)}


def _purity(x: FloatArray) -> Mapping[str, FloatArray]:
    """Yield that rises with what makes the by-product too, in four factors."""
    severity = 1.2 * x[:, 0] + 0.6 * x[:, 1]
    target = 22 / (1 + np.exp(-(0.6 + severity + 0.4 * x[:, 2] - 0.5 * x[:, 3] ** 2)))
    return {"target": target, "by_product": 1.2 * np.exp(0.5 + 1.3 * severity - 0.3 * x[:, 2])}


PURE = replace(LIMITED, limit=3.0)
SCALED = replace(TARGET, ideal=20.0)
SPARING = Response("by_product", "mg/g", "minimise", useless=12.0, ideal=0.0, **SCATTER)

FORMULA_RIGS = (
    FormulaRig(
        "in series, 2",
        (TARGET,),
        0.04,
        0.02,
        factors=FactorSpace((temperature(120, 220), TIME)),
        formula=_in_series,
    ),
    FormulaRig(
        "cliff, 3",
        (TARGET,),
        0.04,
        0.02,
        factors=FactorSpace((temperature(120, 200), TIME, FLOW)),
        formula=_cliff,
    ),
    FormulaRig(
        "two of four matter",
        (TARGET,),
        0.06,
        0.02,
        factors=FactorSpace((temperature(120, 200, 10), TIME, ACID, FLOW)),
        formula=_two_of_four,
    ),
    FormulaRig(
        "tilted, 4",
        (TARGET,),
        0.04,
        0.02,
        factors=FactorSpace((temperature(120, 200, 10), TIME, ACID, FLOW)),
        formula=_tilted,
    ),
    FormulaRig(
        "five, limited",
        (TARGET,),
        0.05,
        0.02,
        factors=FactorSpace((temperature(120, 200, 10), TIME, FLOW, ACID, ETHANOL)),
        formula=_five,
        allowed=_five_allowed,
    ),
    FormulaRig(
        "grind",
        (TARGET,),
        0.05,
        0.02,
        factors=FactorSpace((temperature(120, 200), TIME, GRIND)),
        formula=_ground,
    ),
    FormulaRig(
        "purity limit, 4",
        (TARGET, PURE),
        0.05,
        0.02,
        factors=FactorSpace((temperature(120, 200), TIME, ACID, FLOW)),
        formula=_purity,
    ),
    FormulaRig(
        "purity traded, 4",
        (SCALED, SPARING),
        0.05,
        0.02,
        factors=FactorSpace((temperature(120, 200), TIME, ACID, FLOW)),
        formula=_purity,
    ),
)

RIGS = LAB_RIGS + FORMULA_RIGS
