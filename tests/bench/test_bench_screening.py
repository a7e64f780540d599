"""How often a whole screening experiment in which nothing acts raises a false alarm: printed.

"some contrast" is what the pages state; "some factor" counts experiments whose finding names one.
An interaction alone names none unless it lies beyond the margin of the largest of all, so fewer
experiments name a factor than show a contrast beyond the margin of one.
"""

from __future__ import annotations

import itertools
import os

import numpy as np
import pytest

from doe.analysis.observations import Observations
from doe.analysis.screened import DEFINITIVE, screening_verdict
from doe.design.definitive import definitive_screening
from doe.design.plackett_burman import plackett_burman
from doe.factors import FactorSpace, FloatArray, NumericFactor
from doe.responses import Response

pytestmark = pytest.mark.bench

Y = Response("y", "", "maximise")
EXPERIMENTS = int(os.environ.get("DOE_BENCH_CAMPAIGNS", "600"))


def cube(k: int) -> FloatArray:
    return np.array(list(itertools.product((-1.0, 1.0), repeat=k)))


CASES = {
    "2^3": (cube(3), "factorial"),
    "2^4": (cube(4), "factorial"),
    "2^3 and 3 centres": (np.vstack([cube(3), np.zeros((3, 3))]), "factorial"),
    "12 runs, 11 factors": (plackett_burman(11).points, "plackett-burman"),
    "12 runs, 6 factors": (plackett_burman(6).points, "plackett-burman"),
    "definitive, 4 factors, 3 centres": (
        np.vstack([definitive_screening(4, spare=2).points, np.zeros((2, 4))]),
        DEFINITIVE,
    ),
    "definitive, 6 factors, 3 centres": (
        np.vstack([definitive_screening(6).points, np.zeros((2, 6))]),
        DEFINITIVE,
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_false_alarms_where_nothing_acts(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    points, family = CASES[name]
    n, k = points.shape
    space = FactorSpace(tuple(NumericFactor(f"x{i + 1}", "", -1.0, 1.0) for i in range(k)))
    rng, factors, contrasts, told = np.random.default_rng(4), 0, 0, 0.0
    for _ in range(EXPERIMENTS):
        values = rng.normal(size=n)
        data = Observations(
            space,
            points,
            points,
            values,
            tuple(range(1, n + 1)),
            (1,) * n,
            tuple(range(1, n + 1)),
            (None,) * n,
        )
        found = screening_verdict(Y, data, family, 1)
        factors += bool(found.matter)
        if found.effects is not None:
            (stratum,) = found.effects.strata
            told = found.false_alarm(stratum) or 0.0
            contrasts += any(found.clear(effect) for effect in stratum.effects)
    chance = 100 * np.sqrt(0.25 / EXPERIMENTS)
    with capsys.disabled():
        print(f"\n{name}: some factor named in {100 * factors / EXPERIMENTS:.1f} %", end="")
        if told:
            shown = 100 * contrasts / EXPERIMENTS
            print(f", some contrast clear in {shown:.1f} % (stated: {100 * told:.0f} %)", end="")
            assert abs(shown - 100 * told) < 4 * chance
        print(f" of {EXPERIMENTS} experiments")
