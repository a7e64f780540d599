"""An invented lab that draws timed portions: it fills in a planned campaign's sheet and bottles.

The simulator of `doe.simulated_lab` plays the extraction; assays scatter by a relative share. Every
material here is invented.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from doe import workflow
from doe.simulated_lab import (
    Bed,
    Material,
    Partition,
    Rate,
    Solute,
    timed_portions,
    true_responses,
)
from tests.made_once import made_once

Command = Callable[..., Any]

RELEASE = Material(
    "slow husks",
    "Invented. What comes loose sets the pace: next to nothing is held by the solid.",
    Bed(water_mL_g=0.3),
    (Solute("pigment", 14.0, fast=Rate(0.07, 45.0)), Solute("by_product", 60.0, fast=Rate(9e-4))),
)
ELUTION = Material(
    "clinging husks",
    "Invented. All comes loose at once, and the solid holds on to it: the water sets the pace.",
    Bed(water_mL_g=0.3, tanks=1),
    (
        Solute("pigment", 14.0, fast=Rate(5.0), partition=Partition(6.0)),
        Solute("by_product", 60.0, fast=Rate(9e-4)),
    ),
)
SAMPLES = """
[samples]
every = "6 min"
discard = "3 mL"
volume = "6 mL"
compounds = ["pigment"]
"""
BED_G = 12.0
FROM_DRAINS = (
    '[responses.pigment]\nunit = "mg/g"\n',
    '[responses.pigment]\nunit = "mg/g"\nfrom = "amount of pigment"\n',
)
"""The change of the file that works the pigment out of the bottles."""


@dataclass(frozen=True)
class TimedLab:
    """A planned campaign whose runs draw samples, and the material it extracts."""

    doe: Command
    folder: Path
    material: Material
    scatter: float = 0.03

    def plan(self, samples: str = SAMPLES, *changes: tuple[str, str]) -> None:
        """Plan the demonstration's campaign with samples and with some text of its file changed."""
        text = files("doe").joinpath("templates/demo.toml").read_text(encoding="utf-8")
        text = text.replace("{{seed}}", "5").replace("[rig]\n", f"{samples}\n[rig]\n", 1)
        for old, new in changes:
            assert old in text
            text = text.replace(old, new, 1)
        file = self.folder / "designs" / "husks" / "campaign.toml"

        def made() -> None:
            file.parent.mkdir(parents=True)
            file.write_text(text, encoding="utf-8")
            self.doe("plan", "husks")

        made_once(self.folder, text, made)

    def results(self) -> Path:
        """Write the filled sheet: what each planned run collects of everything, as assayed."""
        campaign = workflow.load("husks", self.folder)
        ledger = workflow.status("husks", self.folder).ledger
        assert ledger is not None
        settings = np.array([row.settings for row in ledger.rows])
        truth = true_responses(self.material, campaign.conditions(settings))
        rng = np.random.default_rng(11)
        lines = ["run,pigment_mg_g,by_product_mg_g,sample_1_mL"]
        for i, row in enumerate(ledger.rows):
            values = [
                truth[f"{r.name}_mg_g"][i] * (1 + 0.03 * rng.standard_normal())
                for r in campaign.responses
            ]
            lines.append(",".join([str(row.run), *(f"{v:.4g}" for v in values), ""]))
        return self._write("sheet.csv", lines)

    def samples(self, runs: Sequence[int]) -> Path:
        """Write the bottles of the planned samples of some runs, assayed."""
        campaign = workflow.load("husks", self.folder)
        ledger = workflow.status("husks", self.folder).ledger
        assert ledger is not None
        assert campaign.samples is not None
        rng = np.random.default_rng(12)
        lines = ["run,bottle,kind,time_min,discard_mL,volume_mL,pigment_mg_L,pigment_mg_L_2"]
        for row in ledger.rows:
            if row.run not in runs:
                continue
            conditions = campaign.conditions(np.array([row.settings]))
            (minutes,) = campaign.sample_minutes(np.array([row.settings]))
            assert conditions.flow_mL_min is not None
            flow = float(conditions.flow_mL_min[0])
            start = minutes + campaign.samples.discard / flow
            end = start + campaign.samples.volume / flow
            held = timed_portions(self.material, conditions, start[None], end[None])
            mg_L = held["pigment_mg_g"][0] * BED_G / campaign.samples.volume * 1000
            for i, (minute, content) in enumerate(zip(minutes, mg_L, strict=True), start=1):
                read = content * (1 + self.scatter * rng.standard_normal(2))
                cells = [f"{minute:g}", "3", "6", *(f"{max(v, 0.0):.4g}" for v in read)]
                lines.append(",".join([str(row.run), f"S{i}", "sample", *cells]))
        return self._write("bottles.csv", lines)

    def drains(self, runs: Sequence[int], every_min: float, heated_mg_L: float = 5.0) -> Path:
        """Write the bottles of drains every so often, the first at 0 min, the last at the end."""
        campaign = workflow.load("husks", self.folder)
        ledger = workflow.status("husks", self.folder).ledger
        assert ledger is not None
        rng = np.random.default_rng(13)
        lines = ["run,bottle,kind,time_min,volume_mL,pigment_mg_L"]
        for row in ledger.rows:
            if row.run not in runs:
                continue
            conditions = campaign.conditions(np.array([row.settings]))
            assert conditions.flow_mL_min is not None
            flow, end = float(conditions.flow_mL_min[0]), float(conditions.time_min[0])
            at = np.append(np.arange(0.0, end - 1e-9, every_min), end)
            held = timed_portions(self.material, conditions, at[None, :-1], at[None, 1:])
            mL = flow * np.diff(at)
            mg_L = held["pigment_mg_g"][0] * BED_G / mL * 1000
            read = mg_L * (1 + self.scatter * rng.standard_normal(len(mg_L)))
            lines.append(f"{row.run},D0,drain,0,120,{heated_mg_L:g}")
            lines += [
                f"{row.run},D{i},drain,{time:g},{volume:.4g},{content:.4g}"
                for i, (time, volume, content) in enumerate(
                    zip(at[1:], mL, read, strict=True), start=1
                )
            ]
            lines.append(f"{row.run},F,flush,,60,{heated_mg_L:g}")
        return self._write("drains.csv", lines)

    def feed(self) -> Path:
        """Write a sheet with the feed of every run, dry, and the response that is typed in."""
        campaign = workflow.load("husks", self.folder)
        ledger = workflow.status("husks", self.folder).ledger
        assert ledger is not None
        settings = np.array([row.settings for row in ledger.rows])
        truth = true_responses(self.material, campaign.conditions(settings))["by_product_mg_g"]
        lines = ["run,feed_g,feed_moisture_pct,by_product_mg_g"]
        lines += [
            f"{row.run},{BED_G:g},0,{value:.4g}"
            for row, value in zip(ledger.rows, truth, strict=True)
        ]
        return self._write("feed.csv", lines)

    def _write(self, name: str, lines: Sequence[str]) -> Path:
        path = self.folder / name
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path
