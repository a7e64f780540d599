"""An invented stage for the tests of the bench sheet: two days, six runs, hostile texts."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from doe.factors import CategoricalFactor, FactorSpace, NumericFactor
from doe.ledger import LedgerRow, LedgerSchema
from doe.responses import USUALLY_WEIGHED, Response
from doe.rig import CAUTIONS
from doe.samples import drained_columns, drawn_columns
from doe.sheet import (
    BenchRun,
    SamplePoint,
    SheetWords,
    StopLimit,
    StopLimits,
    strictest_above,
)

SCHEMA = LedgerSchema(
    FactorSpace(
        (
            NumericFactor("temperature", "°C", 120.0, 200.0, step=5.0, suffix="C"),
            NumericFactor("flow", "mL/min", 1.0, 5.0, step=0.1),
            CategoricalFactor("packing", ("sand", "glass beads", "=cmd|x")),
        )
    ),
    (Response("yield", "%", "maximise"), Response("hmf", "mg/g", "minimise")),
    weighed=USUALLY_WEIGHED,
    drawn=(*drawn_columns(2), *drained_columns(3)),
)


def planned(run: int) -> LedgerRow:
    none3, none2 = (None, None, None), (None, None)
    settings, day = (115.0 + 5.0 * run, 2.5, 1.0), 1 + run // 4
    return LedgerRow(run, 1, run, day, "corner", "planned", settings, none3, none2)


ROWS = tuple(
    replace(planned(run), kind="@SUM(A1)", notes="+1 said =2", settings=(130.0, 2.5, 2.0))
    if run == 3
    else planned(run)
    for run in range(1, 7)
)


def bench(row: LedgerRow) -> BenchRun:
    return BenchRun(
        StopLimits(
            "bar gauge",
            strictest_above({"rig’s own trip": 210.0, "set + deviation": row.settings[0] + 7.26}),
            StopLimit(88.2, "rupture disc"),
            StopLimit(31.6, "water boils below, with margin"),
            StopLimit(4.5, "set + deviation"),
        ),
        drains_min=(12.0, 27.0),
        samples=(SamplePoint(5.0, 3.2, 2.0), SamplePoint(15.0, 3.2)),
        totals=(("water pumped", "450 mL"), ("energy", "=0.9 kWh")),
        expected_g={"water_pumped_g": 448.9},
    )


TOLD = SheetWords(
    campaign="Hop leaves (invented)",
    stage=1,
    fixed=(("pressure", "50 bar gauge"), ("bed mass", "12 g")),
    limits={2: ("at least 12.4 bar gauge at this temperature", "8 K to relief if shut in")},
    cautions=CAUTIONS,
    provenance=(("seed", "20"),),
    mode="flow",
    bench={row.run: bench(row) for row in ROWS},
)


def given(**changes: Any) -> SheetWords:
    """Return what a sheet is told, with some of it changed."""
    return replace(TOLD, **changes)


def saved_as(kind: str, source: Path, folder: Path) -> Path:
    """Return a workbook as LibreOffice saves it; the test is skipped where there is none."""
    program = shutil.which("soffice")
    if program is None:
        pytest.skip("LibreOffice is not installed (Debian: libreoffice-calc)")
    command = [program, "--headless", f"-env:UserInstallation={(folder / 'office').as_uri()}"]
    command += ["--convert-to", kind, "--outdir", str(folder / "saved"), str(source)]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    return folder / "saved" / f"{source.stem}.{kind.partition(':')[0]}"
