"""How long designs take to find, their memory, and what a longer search would still find.

Prints figures and ratios; run with ``pytest -n 0 -m bench -s``. Never fails on time: that lies
with the machine. Targets on an idle one: four factors, 20 runs under 0.5 s for D and 1 s for I.
"""

import time
import tracemalloc

import numpy as np
import pytest

from doe.design.optimal import optimal_runs
from doe.design.split_plot import split_plot_runs
from doe.factors import FactorSpace, NumericFactor, whole_box
from doe.terms import quadratic_model

pytestmark = pytest.mark.bench


def model_of(k: int, hard: int = 0):
    return quadratic_model(
        FactorSpace(
            tuple(
                NumericFactor(f"x{i}", "", -1, 1, None, "hard" if i < hard else "easy")
                for i in range(k)
            )
        )
    )


def two_curves(s):
    """Cuts two corners off with curved limits, about a third of the box."""
    return (s[:, 0] + s[:, 1] ** 2 < 1.2) & (s[:, 2] * s[:, 3] < 0.6)


def timed(search, times=3):
    """Return what a search finds, the shortest of its times [s], and its peak of memory [MB]."""
    seconds = []
    for _ in range(times):
        started = time.perf_counter()
        found = search()
        seconds.append(time.perf_counter() - started)
    tracemalloc.start()
    search()
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    return found, min(seconds), peak


def efficiency(found, best, criterion: str) -> float:
    return found.value / best.value if criterion == "D" else best.value / found.value


@pytest.mark.parametrize("region", ["box", "two curved limits"])
@pytest.mark.parametrize("criterion", ["D", "I"])
def test_four_factors_20_runs_100_starts(criterion, region):
    model = model_of(4)
    feasible = whole_box if region == "box" else two_curves

    def search(starts, seed=1):
        return optimal_runs(
            model, feasible, 20, criterion, np.random.default_rng(seed), starts=starts
        )

    found, seconds, peak = timed(lambda: search(100))
    longer, much, _ = timed(lambda: search(1000, 2), 1)
    share = efficiency(found, longer, criterion)
    print(
        f"\n{criterion}, {region}: {seconds:.2f} s, peak {peak:.0f} MB, value {found.value:.4f};"
        f" ten times longer {longer.value:.4f} in {much:.2f} s: efficiency {100 * share:.2f} %"
    )
    assert share > 0.98


@pytest.mark.parametrize("criterion", ["D", "I"])
def test_six_factors_40_runs(criterion):
    model = model_of(6)

    def search(starts, seed=1):
        return optimal_runs(
            model, whole_box, 40, criterion, np.random.default_rng(seed), starts=starts
        )

    found, seconds, peak = timed(lambda: search(None))
    longer, much, _ = timed(lambda: search(1000, 2), 1)
    share = efficiency(found, longer, criterion)
    print(
        f"\n6 factors, 40 runs, {criterion}: {seconds:.2f} s, peak {peak:.0f} MB, value"
        f" {found.value:.4f}; ten times longer {longer.value:.4f} in {much:.2f} s: efficiency"
        f" {100 * share:.2f} %"
    )
    assert share > 0.98


@pytest.mark.parametrize("region", ["box", "two curved limits"])
@pytest.mark.parametrize("criterion", ["D", "I"])
def test_split_plot_of_eight_plots_of_four(criterion, region):
    model = model_of(4, hard=1)
    feasible = whole_box if region == "box" else two_curves

    def search(starts, seed=1):
        return split_plot_runs(
            model, feasible, 8, 4, np.random.default_rng(seed), 1.0, criterion, starts=starts
        )

    found, seconds, peak = timed(lambda: search(None))
    longer, much, _ = timed(lambda: search(600, 2), 1)
    share = efficiency(found, longer, criterion)
    print(
        f"\n8 plots of 4, {criterion}, {region}: {seconds:.2f} s, peak {peak:.0f} MB, value"
        f" {found.value:.4f}; ten times longer {longer.value:.4f} in {much:.2f} s: efficiency"
        f" {100 * share:.2f} %"
    )
    assert share > 0.98
