"""What recommended settings are worth, and how often the intervals there hold the truth.

Prints figures; run with ``pytest -n 0 -m bench -s tests/bench/test_bench_recommended.py``.
DOE_BENCH_CAMPAIGNS says how many campaigns a row (60). Every surface is invented.

Settings are chosen on the same runs. Runs are a composite design of 13 to 20; they scatter by 2 to
8 % of the mean value. On surfaces "with days" five runs share a day, whose shift has twice the
deviation of a run. Beside the surrogates stand the best settings of the largest second-order
polynomial that the runs carry, also where the truth is one.

120 campaigns each, median / worst tenth in % of the true best, and how often the 95 % interval
there held the true mean, by surrogates and by polynomials: second order 99.7 / 97.4, 100 % and 99.6
/ 90.2, 82 %; saturating 100.0 / 98.3, 99 % and 100.0 / 97.4, 85 %; hill 97.1 / 82.6, 99 % and 91.8
/ 35.0, 67 %; kinetic 98.1 / 96.4, 100 % and 96.0 / 61.4, 72 %. By surrogates, without days and with
days that shift by twice the scatter of runs: flat 98 and 85 %, saturating 99 and 91 %, hill 99 and
96 %, kinetic 100 and 100 %.
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable
from types import SimpleNamespace

import numpy as np
import pytest

from doe.analysis.decision import decide
from doe.analysis.observations import Observations
from doe.analysis.optimum import fitted_largest
from doe.factors import FactorSpace, FloatArray, NumericFactor, whole_box
from doe.responses import Response
from doe.terms import quadratic_model

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


def second_order(k: int, rng: np.random.Generator) -> Surface:
    """A polynomial of second order, in three and four factors with one that does nothing."""
    acting = 2
    slope, bend = rng.normal(0, 5, acting), rng.uniform(0, 8, acting)
    both = rng.normal(0, 3)

    def values(x: FloatArray) -> FloatArray:
        x = x[:, :acting]
        return np.asarray(50 + x @ slope - x**2 @ bend + both * x[:, 0] * x[:, 1])

    return values


def drawn(make: Callable[..., Surface], campaign: int) -> SimpleNamespace:
    """Return a campaign's surface, its runs, and their scatter."""
    rng = np.random.default_rng([17, campaign])
    k = 2 + campaign % 3
    space = FactorSpace(tuple(NumericFactor(f"x{i}", "", -1.0, 1.0) for i in range(k)))
    surface, settings = make(k, rng), rng.permutation(composite(k))
    sd = rng.uniform(0.02, 0.08) * float(surface(space.grid(5)).mean())
    return SimpleNamespace(rng=rng, space=space, surface=surface, settings=settings, sd=sd)


def observed(one: SimpleNamespace, values: FloatArray) -> Observations:
    n = len(values)
    runs = tuple(range(1, n + 1))
    return Observations(
        one.space, one.settings, one.settings, values, runs, (1,) * n, runs, (None,) * n
    )


@pytest.mark.parametrize(
    ("name", "make"),
    [
        ("second order", second_order),
        ("saturating", saturating),
        ("hill", hill),
        ("kinetic", kinetic),
    ],
)
def test_settings_by_surrogates_beside_those_by_polynomials(
    name: str, make: Callable[..., Surface]
) -> None:
    found: dict[str, list[tuple[float, float]]] = {"surrogates": [], "polynomials": []}
    response = Response("y", "", "maximise")
    for campaign in range(CAMPAIGNS):
        one = drawn(make, campaign)
        n = len(one.settings)
        data = observed(one, one.surface(one.settings) + one.rng.normal(0, one.sd, n))
        grid = one.space.grid({2: 41, 3: 21, 4: 11}[len(one.space)])
        best = float(one.surface(grid).max())
        chosen = decide([response], {"y": data}, whole_box, [7, n])
        fit = fitted_largest(response, quadratic_model(one.space), data)
        tops = {
            "surrogates": (chosen.settings, chosen.surrogates["y"]),
            "polynomials": (grid[int(np.argmax(fit.predict(grid).mean))], fit),
        }
        for how, (at, model) in tops.items():
            truth = float(one.surface(at[None])[0])
            told = model.predict(at[None])
            held = told.mean_low[0] <= truth <= told.mean_high[0]
            found[how].append((100 * truth / best, 100 * float(held)))
    for how, rows in found.items():
        worth, held_share = np.array(rows).T
        print(
            f"\n{name}, by {how}: median {np.median(worth):.1f} %, worst tenth "
            f"{np.quantile(worth, 0.1):.1f} % of the true best; 95 % intervals there hold the "
            f"mean {held_share.mean():.0f} % ({CAMPAIGNS} campaigns)"
        )


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
        one = drawn(make, campaign)
        rng, surface, sd, n = one.rng, one.surface, one.sd, len(one.settings)
        day = np.arange(n) // DAY_RUNS
        day_sd = 2 * sd if with_days else 0.0
        values = surface(one.settings) + rng.normal(0, sd, n)
        values += day_sd * rng.standard_normal(n)[day]
        data = observed(one, values)
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
