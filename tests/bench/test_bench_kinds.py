"""Whether runs that polynomials ask for should be forced where their evidence calls for them.

Prints figures; run with ``pytest -n 0 -m bench -s tests/bench/test_bench_kinds.py``.
DOE_BENCH_SEEDS says how many seeds (8). Every material is invented.

After a two-level design with three centre runs (11 runs: half a fraction in four factors, whose
interactions are aliased in pairs, or a whole one in three, whose bends are one sum) the first batch
of 4 is either what `suggest` chooses of all kinds by expected gain, or of one kind as far as the
polynomials call for runs of it; then two batches chosen freely.

Median and worst tenth of 8 campaigns, true worth as a share of the best, after 15, 19 and 23 runs
(a forced kind with all four runs; `move` has three, and one chosen freely):

    crossed        by gain   100.0 / 99.7   100.0 /  97.9  100.0 /  99.2
                   untangle  100.0 / 100.0  100.0 / 100.0  100.0 / 100.0
    aliased slope  by gain    95.6 / 94.1    97.9 /  96.6   98.3 /  95.1
                   untangle   95.2 / 93.2    96.1 /  94.3   98.3 /  97.5
    bent           by gain    99.5 / 95.8   100.0 /  99.3  100.0 / 100.0
                   bend      100.0 / 96.7   100.0 /  98.7  100.0 /  99.5
    climbing       by gain    98.7 / 97.1    99.2 /  98.6   99.8 /  98.6
                   bend       99.2 / 95.3    99.0 /  97.2   99.7 /  95.5
                   move       97.0 / 92.4    98.4 /  94.9   99.0 /  98.2

Forcing wins nothing beyond the scatter of 8 campaigns, and steepest ascent loses: so the batch is
chosen by gain, and the kinds are there for who asks for them.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence

import numpy as np
import pytest
from strategy_rigs import ACID, FLOW, TARGET, TIME, FormulaRig, temperature
from test_bench_strategy import BATCH, Lab

from doe.design.choose import choose_design
from doe.errors import DesignError
from doe.factors import FactorSpace, FloatArray
from doe.suggest import KINDS, Kind, Suggestion, suggest

pytestmark = pytest.mark.bench

SEEDS = int(os.environ.get("DOE_BENCH_SEEDS", "8"))
BATCHES = 3


def _crossed(x: FloatArray) -> Mapping[str, FloatArray]:
    """Two pairs act together, each the alias of the other in the half fraction (AB = CD)."""
    pairs = 0.35 * x[:, 0] * x[:, 1] + 0.2 * x[:, 2] * x[:, 3]
    return {"target": 10 * np.exp(0.15 * x[:, 0] + pairs - 0.1 * (x**2).sum(axis=1))}


def _aliased(x: FloatArray) -> Mapping[str, FloatArray]:
    """Rises over the whole range along a slant, to a top near one corner."""
    off = x - np.array([0.8, 0.7, -0.6, 0.5])
    return {"target": 16 * np.exp(-0.12 * (off**2).sum(axis=1))}


def _bent(x: FloatArray) -> Mapping[str, FloatArray]:
    """A top inside in two factors, a bowl in the third: the bends cancel at the centre."""
    off = 0.5 * (x[:, 0] - 0.4) ** 2 + 0.4 * (x[:, 1] + 0.3) ** 2 - 0.6 * x[:, 2] ** 2
    return {"target": 10 * np.exp(-off + 0.1 * x[:, 2])}


def _climbing(x: FloatArray) -> Mapping[str, FloatArray]:
    """Rises over the whole range along a slant, to a top near one corner."""
    off = x - np.array([0.8, 0.6, -0.6])
    return {"target": 16 * np.exp(-0.25 * (off**2).sum(axis=1))}


FOUR = FactorSpace((temperature(120, 200), TIME, ACID, FLOW))
THREE = FactorSpace((temperature(120, 200), TIME, ACID))
RIGS = tuple(
    FormulaRig(name, (TARGET,), 0.05, 0.02, factors=space, formula=formula)
    for name, space, formula in (
        ("crossed", FOUR, _crossed),
        ("aliased slope", FOUR, _aliased),
        ("bent", THREE, _bent),
        ("climbing", THREE, _climbing),
    )
)


def _played(rig: FormulaRig, seed: int, first: Kind | None) -> tuple[list[float], int]:
    """Return the share of the true best after each batch, and how many runs were of that kind."""
    lab = Lab(rig, np.random.default_rng([seed, 9]))
    start = choose_design(rig.space, rig.feasible, "screening", 11, seed, "factorial")
    lab.run(lab.generator.permutation(start.settings))
    shares, forced = [], 0
    for turn in range(BATCHES + 1):
        free = _suggested(lab, rig, seed, KINDS, BATCH)
        assert free is not None
        shares.append(float(rig.true_worth(free.recommended.settings[None])[0] / rig.best_worth))
        runs = [run.settings for run in free.runs]
        if turn == 0 and first is not None:
            asked = (_suggested(lab, rig, seed, (first,), n) for n in range(BATCH, 1, -1))
            found = next((one for one in asked if one is not None), None)
            only = [] if found is None else [run.settings for run in found.runs]
            forced = len(only)
            runs = (only + runs)[:BATCH]
        lab.run(np.array(runs))
    return shares[1:], forced


def _suggested(
    lab: Lab, rig: FormulaRig, seed: int, kinds: Sequence[Kind], count: int
) -> Suggestion | None:
    try:
        return suggest(
            lab.analysis(),
            rig.feasible,
            count,
            observations=lab.observations(),
            seed=seed,
            days=lab.days,
            kinds=kinds,
        )
    except DesignError:
        return None


@pytest.mark.parametrize("rig", RIGS, ids=lambda rig: rig.name)
def test_kinds_forced_against_kinds_chosen(rig: FormulaRig) -> None:
    print(f"\n{rig.name}")
    for first in (None, "untangle", "bend", "move"):
        played = [_played(rig, seed, first) for seed in range(SEEDS)]
        shares = 100 * np.array([share for share, _ in played])
        called = sum(forced > 0 for _, forced in played)
        words = "chosen by gain" if first is None else f"{first} first ({called} of {SEEDS})"
        told = ", ".join(
            f"{11 + BATCH * (i + 1)} runs {np.median(shares[:, i]):5.1f} / "
            f"{np.quantile(shares[:, i], 0.1):5.1f}"
            for i in range(BATCHES)
        )
        print(f"  {words:26s} median / worst tenth: {told}")
