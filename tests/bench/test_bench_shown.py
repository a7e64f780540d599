"""How often a fit calls runs scatter, and how often intervals hold in whole plots.

Prints figures; run with ``pytest -n 0 -m bench -s tests/bench/test_bench_shown.py``.
DOE_BENCH_CAMPAIGNS says how many campaigns a row (60). Every surface is invented.

60 campaigns each. One factor of three moves the mean of 17 runs by 0, 2 and 4 scatters of a run
from end to end of its range: no factor shown to act in 67, 2 and 0 %; settings a guess in 88, 45
and 3 %. With plots that shift by once (twice) the scatter of runs 95 % intervals at recommended
settings held the mean on flat surfaces 85 (90) %, saturating 95 (97), hill 97 (95) and kinetic 100
(100).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from test_bench_recommended import (
    CAMPAIGNS,
    Surface,
    composite,
    drawn,
    flat,
    hill,
    kinetic,
    observed,
    saturating,
)

from doe.analysis.decision import decide, surrogate_of
from doe.analysis.selection import recommend_model
from doe.analysis.shown import acting_factors
from doe.factors import FactorSpace, FloatArray, NumericFactor, whole_box
from doe.responses import Response

pytestmark = pytest.mark.bench

PLOT_RUNS = 3
RESPONSE = Response("y", "", "maximise")


@pytest.mark.parametrize("times", [1.0, 2.0])
@pytest.mark.parametrize(
    ("name", "make"),
    [("flat", flat), ("saturating", saturating), ("hill", hill), ("kinetic", kinetic)],
)
def test_intervals_where_a_factor_is_set_once_a_plot(
    name: str, make: Callable[..., Surface], times: float
) -> None:
    held = []
    for campaign in range(CAMPAIGNS):
        one = drawn(make, campaign)
        first = replace(one.space.factors[0], change="hard")
        one.space = FactorSpace((first, *one.space.factors[1:]))
        plots = _plots_of(one.settings)
        n = len(plots)
        values = one.surface(one.settings) + one.rng.normal(0, one.sd, n)
        values += times * one.sd * one.rng.standard_normal(n)[plots]
        data = replace(observed(one, values), plots=tuple(plots.tolist()))
        found = decide([RESPONSE], {"y": data}, whole_box, [7, n])
        told = found.surrogates["y"].predict(found.settings[None])
        truth = float(one.surface(found.settings[None])[0])
        held.append(told.mean_low[0] <= truth <= told.mean_high[0])
    print(
        f"\n{name}, plots shift by {times:g} times the scatter of runs: 95 % intervals hold the "
        f"mean {100 * np.mean(held):.0f} % ({CAMPAIGNS} campaigns)"
    )


def _plots_of(settings: FloatArray) -> npt.NDArray[np.intp]:
    """Return the plot of each run: runs alike in the first factor, at most three."""
    plots = np.empty(len(settings), dtype=np.intp)
    count = 0
    for level in np.unique(settings[:, 0]):
        places = np.flatnonzero(settings[:, 0] == level)
        plots[places] = count + np.arange(len(places)) // PLOT_RUNS
        count = int(plots[places].max()) + 1
    return plots


@pytest.mark.parametrize("span", [0.0, 2.0, 4.0])
def test_how_often_runs_are_called_scatter(span: float) -> None:
    found = []
    for campaign in range(CAMPAIGNS):
        one = drawn(flat, campaign)
        one.space = FactorSpace(tuple(NumericFactor(f"x{i}", "", -1.0, 1.0) for i in range(3)))
        one.settings = composite(3)
        scatter = one.rng.normal(size=len(one.settings))
        data = observed(one, 50 + span / 2 * one.settings[:, 0] + scatter)
        nothing = not acting_factors(recommend_model(RESPONSE, one.space, data, 1, draws=1), None)
        own = surrogate_of(RESPONSE, data, None, np.random.default_rng(campaign))
        found.append((nothing, nothing or own.r2_left_out() <= 0))
    none, guess = 100 * np.mean(found, axis=0)
    print(
        f"\none factor moves the mean by {span:g} scatters: no factor shown to act in {none:.0f} "
        f"%, a guess in {guess:.0f} % ({CAMPAIGNS} campaigns)"
    )
