"""How often intervals at recommended settings hold the truth, settings chosen on the same runs.

Prints figures; run with ``pytest -n 0 -m bench -s tests/bench/test_bench_recommended.py``.
DOE_BENCH_CAMPAIGNS says how many campaigns a row (60). Every surface is invented.

Runs are a composite design of 13 to 20; they scatter by 2 to 8 % of the mean value. On surfaces
"with days" five runs share a day, whose shift has twice the deviation of a run.
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable

import numpy as np
import pytest

from doe.analysis.decision import decide
from doe.analysis.observations import Observations
from doe.factors import FactorSpace, FloatArray, NumericFactor, whole_box
from doe.responses import Response

pytestmark = pytest.mark.bench

CAMPAIGNS = int(os.environ.get("DOE_BENCH_CAMPAIGNS", "60"))
DAY_RUNS = 5
Surface = Callable[[FloatArray], FloatArray]


def composite(k: int) -> FloatArray:
    corners = np.array(list(itertools.product((-1.0, 1.0), repeat=k)))
    if k == 4:
        corners = corners[np.prod(corners, axis=1) > 0]
    axial = np.vstack([np.eye(k), -np.eye(k)])
    return np.vstack([corners, axial, np.zeros(({2: 5, 3: 3, 4: 4}[k], k))])


def flat(k: int, rng: np.random.Generator) -> Surface:
    return lambda x: np.full(len(x), 50.0)


def saturating(k: int, rng: np.random.Generator) -> Surface:
    slope = rng.uniform(0.3, 1.5, k) * rng.choice([-1, 1], k)
    first = np.sign(slope[0])
    return lambda x: 50 + 12 * np.tanh(0.3 * (x @ slope)) - 6 * np.exp(-(1 + x[:, 0] * first))


def hill(k: int, rng: np.random.Generator) -> Surface:
    top = rng.uniform(-0.7, 0.7, k)
    root = rng.normal(0, 0.5, (k, k)) + np.diag(rng.uniform(0.5, 1.3, k))
    bend = root @ root.T
    return lambda x: 20 + 40 * np.exp(-0.5 * np.einsum("ij,jk,ik->i", x - top, bend, x - top))


def kinetic(k: int, rng: np.random.Generator) -> Surface:
    a, b = rng.uniform(-0.8, 0.4), rng.uniform(0.5, 1.3)
    c, d = rng.uniform(-3, -1.2), rng.uniform(1.0, 2.0)

    def yields(x: FloatArray) -> FloatArray:
        t = 1.2 + 0.8 * x[:, 1]
        gained = 1 - np.exp(-np.exp(a + b * x[:, 0]) * t)
        return 5 + 80 * gained * np.exp(-np.exp(c + d * x[:, 0]) * t)

    return yields


@pytest.mark.parametrize("with_days", [False, True])
@pytest.mark.parametrize(
    ("name", "make"),
    [("flat", flat), ("saturating", saturating), ("hill", hill), ("kinetic", kinetic)],
)
def test_intervals_at_recommended_settings(
    name: str, make: Callable[..., Surface], with_days: bool
) -> None:
    mean, run = [], []
    for campaign in range(CAMPAIGNS):
        rng = np.random.default_rng([17, campaign])
        k = 2 + campaign % 3
        space = FactorSpace(tuple(NumericFactor(f"x{i}", "", -1.0, 1.0) for i in range(k)))
        surface, settings = make(k, rng), rng.permutation(composite(k))
        sd = rng.uniform(0.02, 0.08) * float(surface(space.grid(5)).mean())
        n = len(settings)
        day = np.arange(n) // DAY_RUNS
        day_sd = 2 * sd if with_days else 0.0
        values = surface(settings) + rng.normal(0, sd, n)
        values += day_sd * rng.standard_normal(n)[day]
        numbers = tuple(range(1, n + 1))
        data = Observations(
            space, settings, settings, values, numbers, (1,) * n, numbers, (None,) * n
        )
        days = day.tolist() if with_days else None
        found = decide([Response("y", "", "maximise")], {"y": data}, whole_box, [7, n], days)
        told = found.surrogates["y"].predict(found.settings[None])
        truth = float(surface(found.settings[None])[0])
        mean.append(told.mean_low[0] <= truth <= told.mean_high[0])
        new = truth + rng.normal(0, np.hypot(sd, day_sd), 200)
        run.append(float(((told.run_low[0] <= new) & (new <= told.run_high[0])).mean()))
    held, error = (
        100 * np.mean(mean),
        100 * np.sqrt(np.mean(mean) * (1 - np.mean(mean)) / CAMPAIGNS),
    )
    days_told = ", with days" if with_days else ""
    print(
        f"\n{name}{days_told}: 95 % intervals hold the mean {held:.0f} ± {error:.0f} %, a run "
        f"{100 * np.mean(run):.0f} % ({CAMPAIGNS} campaigns)"
    )
