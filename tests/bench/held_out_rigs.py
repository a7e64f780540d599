"""Simulated rigs held back: they show whether what was chosen on `strategy_rigs` holds elsewhere.

Their shapes are others than there: sharp, double, cornered, pulled about by days. No surrogate and
no prior was chosen by them. The share of a budget that a first plan takes was: "five, curved",
"sloped, 4" and "by modifier" were looked at among 0.6, 0.7, 0.75 and all, and "saturating, loses",
"cornered" and "days as large" for the smallest share. Every material is invented.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from strategy_rigs import ACID, ETHANOL, FLOW, LIMITED, TARGET, TIME, FormulaRig, temperature

from doe.factors import CategoricalFactor, FactorSpace, FloatArray, NumericFactor

SOLVENT = CategoricalFactor("modifier", ("none", "citric acid", "glycerol"))
HELD = replace(temperature(120, 200, 10), change="hard")
PARTICLES = NumericFactor("particles", "mm", 0.2, 1.0, 0.1)


def _narrow(x: FloatArray) -> Mapping[str, FloatArray]:
    """A peak a third of a half-range wide on a low hill."""
    off = (x[:, 0] - 0.25) ** 2 + (x[:, 1] + 0.35) ** 2
    return {"target": 5 + 9 * np.exp(-0.5 * off / 0.35**2) + 2 * np.exp(-0.5 * off)}


def _saturating(x: FloatArray) -> Mapping[str, FloatArray]:
    """First order in time towards a level, faster when hot; what is hot loses part of it."""
    rate = np.exp(-2.6 + 1.1 * x[:, 0] + 0.3 * x[:, 2])
    minutes = 35 + 25 * x[:, 1]
    lost = np.exp(-0.02 * np.exp(2.2 * x[:, 0]) * minutes / 10)
    return {"target": 15 * (1 - np.exp(-rate * minutes)) * lost}


def _two_peaks(x: FloatArray) -> Mapping[str, FloatArray]:
    """Two optima in opposite quarters, the hot and short one a little better."""
    hot = (x[:, 0] - 0.6) ** 2 + (x[:, 1] + 0.5) ** 2
    mild = (x[:, 0] + 0.5) ** 2 + (x[:, 1] - 0.6) ** 2
    return {"target": 4 + 10 * np.exp(-hot / 0.3) + 8.5 * np.exp(-mild / 0.4)}


def _by_solvent(x: FloatArray) -> Mapping[str, FloatArray]:
    """Each modifier has its own best temperature and time, and its own height there."""
    which = np.round(x[:, 2]).astype(int)
    best = np.array([[0.7, 0.5], [-0.2, 0.1], [0.2, -0.6]])[which]
    height, width = np.array([11.0, 14.0, 12.0])[which], np.array([0.9, 0.6, 0.8])[which]
    off = ((x[:, :2] - best) ** 2).sum(axis=1)
    return {"target": height * np.exp(-0.5 * off / width**2)}


def _by_solvent_and_flow(x: FloatArray) -> Mapping[str, FloatArray]:
    """The same, less sharp, with a flow that is best in the middle of its upper half."""
    found = _by_solvent(np.column_stack([0.8 * x[:, 0], 0.8 * x[:, 1], x[:, 3]]))["target"]
    return {"target": found * (1 - 0.15 * (x[:, 2] - 0.4) ** 2)}


def _held_hot(x: FloatArray) -> Mapping[str, FloatArray]:
    """Hot and quick or cool and slow; too hot loses."""
    gained = 1 / (1 + np.exp(-(0.5 + 1.5 * x[:, 0] + 0.8 * x[:, 1] - 0.3 * x[:, 2])))
    return {"target": 18 * gained * np.exp(-0.25 * np.exp(1.6 * x[:, 0] + 0.4 * x[:, 1]))}


def _five_curved(x: FloatArray) -> Mapping[str, FloatArray]:
    """Second order in the logarithm, in five factors that act together in pairs."""
    hill = (
        -0.5 * (x[:, 0] - 0.4) ** 2
        - 0.3 * (x[:, 1] + 0.2) ** 2
        - 0.2 * (x[:, 3] - 0.5) ** 2
        + 0.25 * x[:, 0] * x[:, 2]
        - 0.15 * x[:, 1] * x[:, 4]
        + 0.1 * x[:, 2]
    )
    return {"target": 12 * np.exp(hill)}


def _steep_limit(x: FloatArray) -> Mapping[str, FloatArray]:
    """The by-product is nothing for most of the range, then doubles every few kelvin."""
    target = 12 / (1 + np.exp(-(0.4 + 1.3 * x[:, 0] + 0.7 * x[:, 1])))
    return {"target": target, "by_product": 0.4 + 0.4 * np.exp(2.2 * x[:, 0] + 1.2 * x[:, 1])}


def _cornered(x: FloatArray) -> Mapping[str, FloatArray]:
    """Rises towards a corner that the rig cannot run, on a curved front."""
    return {"target": 4 + 8 * np.exp(0.5 * x[:, 0] + 0.4 * x[:, 1] - 0.25 * x[:, 2] ** 2 - 0.9)}


def _front(x: FloatArray) -> FloatArray:
    return 1.6 - (x[:, 0] + 1) ** 2 / 2.2 - 0.5 * x[:, 1]


def _low_hill(x: FloatArray) -> Mapping[str, FloatArray]:
    """A hill of a quarter of its height over the range, beside days that shift by as much."""
    off = (x[:, 0] - 0.3) ** 2 + 0.7 * (x[:, 1] + 0.3) ** 2 + 0.3 * x[:, 2] ** 2
    return {"target": 10 * np.exp(-0.22 * off)}


def _sloped_four(x: FloatArray) -> Mapping[str, FloatArray]:
    """Rises to a corner that can be run, and levels off there."""
    up = 0.9 * x[:, 0] + 0.7 * x[:, 1] - 0.5 * x[:, 2] + 0.3 * x[:, 3]
    return {"target": 14 / (1 + np.exp(-0.8 - up))}


def _space(*factors: NumericFactor | CategoricalFactor) -> FactorSpace:
    return FactorSpace(factors)


HOT = temperature(120, 200)
STEEP = replace(LIMITED, limit=2.5)

RIGS = (
    FormulaRig("narrow peak", (TARGET,), 0.04, 0.02, factors=_space(HOT, TIME), formula=_narrow),
    FormulaRig(
        "saturating, loses",
        (TARGET,),
        0.05,
        0.02,
        factors=_space(HOT, TIME, FLOW),
        formula=_saturating,
    ),
    FormulaRig("two peaks", (TARGET,), 0.04, 0.02, factors=_space(HOT, TIME), formula=_two_peaks),
    FormulaRig(
        "by modifier",
        (TARGET,),
        0.04,
        0.02,
        factors=_space(HOT, TIME, SOLVENT),
        formula=_by_solvent,
    ),
    FormulaRig(
        "by modifier, 4",
        (TARGET,),
        0.04,
        0.02,
        factors=_space(HOT, TIME, FLOW, SOLVENT),
        formula=_by_solvent_and_flow,
    ),
    FormulaRig(
        "held temperature",
        (TARGET,),
        0.04,
        0.02,
        factors=_space(HELD, TIME, FLOW),
        formula=_held_hot,
        held=True,
    ),
    FormulaRig(
        "five, curved",
        (TARGET,),
        0.05,
        0.02,
        factors=_space(HOT, TIME, FLOW, ACID, ETHANOL),
        formula=_five_curved,
    ),
    FormulaRig(
        "steep limit",
        (TARGET, STEEP),
        0.05,
        0.02,
        factors=_space(HOT, TIME, ACID),
        formula=_steep_limit,
    ),
    FormulaRig(
        "cornered",
        (TARGET,),
        0.05,
        0.02,
        factors=_space(HOT, FLOW, PARTICLES),
        formula=_cornered,
        allowed=_front,
    ),
    FormulaRig(
        "days as large",
        (TARGET,),
        0.03,
        0.15,
        factors=_space(HOT, TIME, FLOW),
        formula=_low_hill,
    ),
    FormulaRig(
        "sloped, 4",
        (TARGET,),
        0.05,
        0.02,
        factors=_space(HOT, TIME, ACID, FLOW),
        formula=_sloped_four,
    ),
)
