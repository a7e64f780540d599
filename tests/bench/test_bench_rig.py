"""How long the rig's verdicts take, beside the bare properties of water that they need.

Prints figures and ratios; run with ``pytest -n 0 -m bench -s``.
"""

from __future__ import annotations

import subprocess
import sys
import time
import tomllib
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import seuif97

from doe import rig as rig_room
from doe import water
from doe.campaign_file import read_campaign
from doe.region import map_region, survey
from doe.rig import Conditions, Rig

REFERENCE = Path(__file__).parents[1] / "reference"
CAMPAIGN = REFERENCE / "campaign" / "invented_flow.toml"
RUNS = 100_000


def spread() -> Conditions:
    u = np.random.default_rng(1).uniform(size=(5, RUNS))
    return Conditions(
        "flow",
        temperature_C=100 + 120 * u[0],
        pressure_bara=31 + 40 * u[1],
        flow_mL_min=1 + 25 * u[2],
        time_min=10 + 90 * u[3],
        bed_mass_g=5 + 20 * u[4],
    )


def reference_rig() -> Rig:
    text = (REFERENCE / "rig" / "flow.toml").read_text(encoding="utf-8")
    return Rig.model_validate(tomllib.loads(text))


def shortest(work: Callable[[], object], times: int = 3) -> float:
    """Return the shortest of several times [s]: the rest is other people's work."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return min(taken)


def bare_properties(runs: Conditions) -> None:
    """Ask for each property that the limits need of each run, once."""
    T, P = runs.temperature_C, runs.pressure_bara
    water.saturation_pressure_bara(T)
    water.saturation_pressure_bara(T + 10)
    water.saturation_temperature_C(P)
    for at in (T, T + 5, 20.0, 40.0):
        water.liquid_enthalpy_kJ_kg(at, P)


def bare_tables(runs: Conditions) -> None:
    """Look the same up in the steam tables themselves, without any check of the state."""
    T, P = runs.temperature_C.tolist(), (np.asarray(runs.pressure_bara) / 10).tolist()
    for shift in (0.0, 10.0):
        [seuif97.tx(t + shift, 0.0, 0) for t in T]
    [seuif97.px(p, 0.0, 1) for p in P]
    for shift in (0.0, 5.0):
        [seuif97.pt(p, t + shift, 4) for p, t in zip(P, T, strict=True)]
    for at in (20.0, 40.0):
        [seuif97.pt(p, at, 4) for p in P]


@pytest.mark.bench
def test_all_limits_of_100000_settings() -> None:
    rig, runs = reference_rig(), spread()
    properties = shortest(lambda: bare_properties(runs))
    tables = shortest(lambda: bare_tables(runs))
    limits = shortest(lambda: rig_room.envelope(rig, runs))
    tracemalloc.start()
    found = rig_room.envelope(rig, runs)
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    assert found.margin.shape == (RUNS, len(found.limits))
    print(
        f"\n{RUNS} settings x {len(found.limits)} limits: {limits:.2f} s; "
        f"{limits / properties:.2f} x the properties asked for one by one ({properties:.2f} s), "
        f"{limits / tables:.2f} x the bare steam tables ({tables:.2f} s); {peak:.0f} MB at most"
    )
    # Not on time: that lies with the machine. Memory does not.
    assert peak < 300


@pytest.mark.bench
def test_survey_and_maps() -> None:
    campaign = read_campaign(CAMPAIGN)
    at = np.array([150.0, 10.0, 30.0])
    look = shortest(lambda: survey(campaign.space, campaign.envelope, campaign.held_settings()))
    draw = shortest(lambda: map_region(campaign.space, campaign.envelope, 0, 1, at))
    program = (
        "from pathlib import Path; from doe.campaign_file import read_campaign; "
        "from doe.region import survey; import sys; "
        "c = read_campaign(Path(sys.argv[1])); survey(c.space, c.envelope, c.held_settings())"
    )
    command = [sys.executable, "-c", program, str(CAMPAIGN)]
    whole = shortest(lambda: subprocess.run(command, check=True), times=3)
    print(
        f"\nsurvey {look * 1000:.0f} ms, a map {draw * 1000:.0f} ms, "
        f"interpreter + imports + reading the file + survey {whole:.2f} s"
    )
