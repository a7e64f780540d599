"""Whole campaigns on simulated rigs: how near the true best a strategy comes, run for run.

Prints figures; run with ``pytest -m bench -s tests/bench/test_bench_strategy.py``. The number of
seeds is 3, or what DOE_BENCH_SEEDS says. Every material is invented (see `doe.simulated_lab`).

The score is the true worth of the recommended settings as a share of the best true worth among
all settable settings that the rig can run; a limit that is truly broken makes it 0.
"""

from __future__ import annotations

import functools
import itertools
import os
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from doe.analysis.fit import Observations
from doe.analysis.optimum import Analysis, analyse
from doe.campaign import Campaign
from doe.campaign_file import read_campaign
from doe.design.choose import choose_design
from doe.errors import FitError
from doe.factors import FloatArray
from doe.responses import Response
from doe.simulated_lab import MATERIALS, Noise, achieved, play, true_responses
from doe.suggest import suggest
from doe.terms import quadratic_model

pytestmark = pytest.mark.bench

BUDGET, BATCH, A_DAY = 20, 4, 4
FIRST = int(os.environ.get("DOE_BENCH_FIRST", "10"))
"""Runs of the first plan; the others follow from results."""
SCATTER = {"scatter": 0.05, "scatter_relative": True}
"""What the person expects, whatever the scatter truly is."""
TARGET = Response("target", "mg/g", "maximise", useless=0.0, **SCATTER)
LIMITED = Response("by_product", "mg/g", "below", limit=3.0, **SCATTER)
UNWANTED = Response("by_product", "mg/g", "minimise", useless=8.0, ideal=0.0, **SCATTER)


@dataclass(frozen=True)
class Game:
    """A rig, a material, what is wanted, and how runs scatter."""

    name: str
    material: str
    responses: tuple[Response, ...]
    noise: float
    day: float
    heater_W: int = 150
    fine: bool = False


GAMES = (
    Game("interior", "interior", (TARGET,), 0.04, 0.02),
    Game("interior, noisy", "interior", (TARGET,), 0.08, 0.03),
    Game("boundary of heater", "boundary", (TARGET,), 0.03, 0.02, heater_W=110),
    Game("plateau", "plateau", (TARGET,), 0.02, 0.02),
    Game("ridge", "severity ridge", (TARGET,), 0.05, 0.02),
    Game("conflict, limit", "conflict", (TARGET, LIMITED), 0.04, 0.02, fine=True),
    Game("conflict, both", "conflict", (replace(TARGET, ideal=16.0), UNWANTED), 0.06, 0.02),
)


@functools.cache
def campaign_of(name: str) -> Campaign:
    game = next(g for g in GAMES if g.name == name)
    text = files("doe").joinpath("templates/campaign.toml").read_text(encoding="utf-8")
    text = text.replace("{{name}}", "game").replace(
        'power = "150 W"\nefficiency', f'power = "{game.heater_W} W"\nefficiency'
    )
    if game.fine:
        text = text.replace('step = "5 degC"', 'step = "1 degC"')
        text = text.replace('step = "5 min"', 'step = "1 min"')
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "campaign.toml"
        path.write_text(text, encoding="utf-8")
        campaign = read_campaign(path)
    return replace(campaign, responses=game.responses)


@functools.cache
def all_settings(name: str) -> tuple[FloatArray, FloatArray]:
    """Return every settable setting that the rig can run, and the true worth of each."""
    campaign = campaign_of(name)
    axes = [np.arange(f.low, f.high + 1e-9, f.step or 1.0) for f in campaign.space]
    settings = np.array(list(itertools.product(*axes)))
    settings = settings[campaign.feasible(settings)]
    return settings, true_worth(name, settings)


def true_worth(name: str, settings: FloatArray) -> FloatArray:
    """Return the product of the true worths; as its own mean where there are several shares."""
    game = next(g for g in GAMES if g.name == name)
    truth = true_responses(MATERIALS[game.material], campaign_of(name).conditions(settings))
    shares = []
    total = np.ones(len(settings))
    for response in game.responses:
        values = truth[f"{response.name}_mg_g"]
        if response.interval_wanted():
            total *= response.worth(values, (0.0, 1.0))
        else:
            shares.append(response.worth(values, (0.0, 1e3)))
    return total * np.prod(shares, axis=0) ** (1 / len(shares))


@dataclass
class Lab:
    """Plays runs a day at a time, and remembers them."""

    game: Game
    generator: np.random.Generator
    planned: list[FloatArray] = field(default_factory=list)
    reached: list[FloatArray] = field(default_factory=list)
    values: list[dict[str, float]] = field(default_factory=list)
    stages: list[int] = field(default_factory=list)
    plots: list[int] = field(default_factory=list)
    days: list[int] = field(default_factory=list)
    lost: set[int] = field(default_factory=set)

    def run(self, settings: FloatArray) -> None:
        campaign = campaign_of(self.game.name)
        space = campaign.space
        first = max(self.days, default=0) + 1
        days = first + np.arange(len(settings)) // A_DAY
        really = achieved(campaign.conditions(settings), self.generator)
        noise = Noise(self.game.noise, 0.02, self.game.day)
        measured = play(MATERIALS[self.game.material], really, days, noise, self.generator)
        reached = np.column_stack(
            [
                {
                    "temperature": really.temperature_C,
                    "flow": really.flow_mL_min,
                    "time": really.time_min,
                }[name]
                for name in space.names
            ]
        )
        stage = max(self.stages, default=0) + 1
        for i, row in enumerate(settings):
            self.planned.append(row)
            self.reached.append(reached[i])
            self.values.append({name: float(v[i]) for name, v in measured.items()})
            self.stages.append(stage)
            self.plots.append(i + 1)
            self.days.append(int(days[i]))

    def observations(self) -> dict[str, Observations]:
        n = len(self.planned)
        return {
            response.name: Observations(
                campaign_of(self.game.name).space,
                np.array(self.planned),
                np.array(self.reached),
                np.array([v[f"{response.name}_mg_g"] for v in self.values]),
                tuple(range(1, n + 1)),
                tuple(self.stages),
                tuple(self.plots),
                tuple("tube blocked" if i in self.lost else None for i in range(n)),
            )
            for response in self.game.responses
        }

    def analysis(self) -> Analysis:
        campaign = campaign_of(self.game.name)
        return analyse(
            self.game.responses,
            quadratic_model(campaign.space),
            self.observations(),
            campaign.feasible,
            settable=True,
        )

    def observed_best(self) -> FloatArray:
        scores = []
        for i, values in enumerate(self.values):
            score = 1.0
            for response in self.game.responses:
                value = values[f"{response.name}_mg_g"]
                worth = float(response.worth(value, (0.0, 1e3)))
                score *= worth if response.interval_wanted() else max(worth, 1e-9)
            scores.append(-1.0 if i in self.lost else score)
        return self.planned[int(np.argmax(scores))]


@functools.cache
def planned_design(name: str, runs: int, seed: int) -> FloatArray:
    campaign = campaign_of(name)
    found = choose_design(campaign.space, campaign.feasible, "surface", runs, seed)
    return found.settings


Player = Callable[[Lab, int], dict[str, FloatArray]]
"""Plays a campaign and says what it recommends after so many runs."""


def this_tool(lab: Lab, seed: int) -> dict[str, FloatArray]:
    campaign = campaign_of(lab.game.name)
    lab.run(planned_design(lab.game.name, FIRST, seed))
    lab.lost.add(int(lab.generator.integers(FIRST)))
    told = {}
    while True:
        done = len(lab.planned)
        analysis = lab.analysis()
        found = suggest(
            analysis,
            campaign.feasible,
            BATCH,
            observations=lab.observations(),
            seed=seed,
            days=lab.days,
        )
        settings = np.array([run.settings for run in found.runs])
        assert campaign.feasible(settings).all()
        assert found.recommended is not None
        told[f"{done} runs"] = found.recommended.settings
        if done >= BUDGET:
            told[f"{done} runs, optimum of fit"] = analysis.optimum.settings
            return told
        lab.run(settings[: BUDGET - done])


def one_factor_at_a_time(lab: Lab, seed: int) -> dict[str, FloatArray]:
    campaign = campaign_of(lab.game.name)
    space = campaign.space
    at = space.settable(np.array([[f.low + f.half_range for f in space]]))[0]
    lab.run(at[None])
    order = lab.generator.permutation(len(space))
    for i, levels in zip(order, (7, 6, 6), strict=True):
        factor = space.factors[i]
        rows = np.tile(lab.observed_best(), (levels, 1))
        rows[:, i] = np.linspace(factor.low, factor.high, levels)
        rows = space.settable(rows)
        lab.run(rows[campaign.feasible(rows)])
    return {f"{BUDGET} runs": lab.observed_best()}


def space_filling(lab: Lab, seed: int) -> dict[str, FloatArray]:
    campaign = campaign_of(lab.game.name)
    settings, _ = all_settings(lab.game.name)
    coded = campaign.space.code(settings)
    chosen = [int(lab.generator.integers(len(coded)))]
    while len(chosen) < BUDGET:
        apart = np.min([np.linalg.norm(coded - coded[i], axis=1) for i in chosen], axis=0)
        chosen.append(int(np.argmax(apart)))
    lab.run(lab.generator.permutation(settings[chosen]))
    lab.lost.add(int(lab.generator.integers(BUDGET)))
    return {f"{BUDGET} runs": lab.observed_best()}


def one_design(lab: Lab, seed: int) -> dict[str, FloatArray]:
    lab.run(planned_design(lab.game.name, BUDGET, seed))
    lab.lost.add(int(lab.generator.integers(FIRST)))
    try:
        return {f"{BUDGET} runs": lab.analysis().optimum.settings}
    except FitError:
        return {f"{BUDGET} runs": lab.observed_best()}


def scores(game: Game, player: Player, seeds: range) -> dict[str, FloatArray]:
    """Return for each number of runs the shares (seeds,) of the true best."""
    _, worths = all_settings(game.name)
    found: dict[str, list[float]] = {}
    for seed in seeds:
        lab = Lab(game, np.random.default_rng([seed, 7]))
        for runs, settings in player(lab, seed).items():
            share = float(true_worth(game.name, settings[None])[0] / worths.max())
            found.setdefault(runs, []).append(share)
    return {runs: np.array(shares) for runs, shares in found.items()}


def line(name: str, runs: str, shares: FloatArray) -> str:
    kept = shares[shares > 0]
    return (
        f"  {name:25s} {runs:25s} median {100 * np.median(shares):5.1f} %, worst tenth "
        f"{100 * np.quantile(shares, 0.1):5.1f} %, limits broken {len(shares) - len(kept)} of "
        f"{len(shares)}"
    )


@pytest.mark.parametrize("game", GAMES, ids=lambda game: game.name)
def test_campaigns(game: Game) -> None:
    seeds = range(int(os.environ.get("DOE_BENCH_SEEDS", "3")))
    print(f"\n{game.name}: noise {100 * game.noise:g} %, days {100 * game.day:g} %")
    for name, player in (
        ("this tool", this_tool),
        ("one factor at a time", one_factor_at_a_time),
        ("space filling, best seen", space_filling),
        ("one design, quadratic", one_design),
    ):
        for runs, shares in scores(game, player, seeds).items():
            print(line(name, runs, shares))
