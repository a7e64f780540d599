"""Screening campaigns through the command and the notebook: which factors matter, in words."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import doe

Command = Callable[..., Any]


def screened(command: Command, folder: Path, family: str) -> Any:
    """Plan a campaign of three factors as screening, fill in invented results, and fit it."""
    command("new", "mint")
    path = folder / "designs" / "mint" / "campaign.toml"
    text = path.read_text(encoding="utf-8").replace('purpose = "surface"', 'purpose = "screening"')
    if family == "definitive-screening":  # asks for four factors
        soak = '[factors.soak]\nlow = "0 min"\nhigh = "60 min"\nchanges_boiling = false\n\n'
        text = text.replace("[responses.extract_yield]", f"{soak}[responses.extract_yield]")
    path.write_text(text, encoding="utf-8")
    command("plan", "mint", "--family", family)
    sheet = folder / "designs" / "mint" / "sheet-stage1.csv"
    with sheet.open(newline="") as file:
        rows = list(csv.DictReader(file))
    rng = np.random.default_rng(8)
    for row in rows:
        heat = (float(row["temperature_C"]) - 160) / 40
        row["extract_yield_mg_g"] = f"{60 + 12 * heat + rng.normal(0, 1):.2f}"
        row["furfural_mg_g"] = f"{1 + rng.normal(0, 0.1):.3f}"
    back = folder / "back.csv"
    with back.open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    command("record", "mint", str(back))
    return command("fit", "mint", "--json")


def test_two_level_effects_reach_terminal_page_json_and_notebook(
    command: Command, tmp_path: Path
) -> None:
    said = screened(command, tmp_path, "factorial")["screening"]["extract_yield"]
    assert said["matter"] == ["temperature"]
    (stratum,) = said["strata"]
    assert stratum["effects"][0]["term"] == "temperature"
    assert stratum["effects"][0]["effect"] == pytest.approx(24, abs=2)
    assert len(stratum["effects"]) == 7
    assert said["curvature"]["p_value"] > 0.01
    told = command("fit", "mint").said_out
    assert "Extract yield: temperature matters; flow and time do not show." in told
    page = (tmp_path / "reports" / "mint-stage1-fit.html").read_text(encoding="utf-8")
    assert "Which factors matter" in page
    assert "Between runs, temperature lies beyond chance, out of 7 contrasts" in page
    assert "half-normal quantile" in page
    fit = doe.load("mint", tmp_path).fit()
    effects = fit.effects.set_index(["response", "term"])
    assert bool(effects.loc[("extract_yield", "temperature"), "clear"])
    titles = [figure.layout.title.text for figure in fit.figures()]
    assert any("temperature lies beyond chance" in title for title in titles)


def test_definitive_screening_is_analysed_in_two_steps_and_compared(
    command: Command, tmp_path: Path
) -> None:
    fitted = screened(command, tmp_path, "definitive-screening")
    said = fitted["screening"]["extract_yield"]
    assert said["matter"] == ["temperature"]
    assert said["strata"] == []
    kept = [one["term"] for one in said["two_steps"]["main_effects"] if one["kept"]]
    assert kept == ["temperature"]
    candidates = fitted["responses"]["extract_yield"]["recommended"]["candidates"]
    names = [one["model"] for one in candidates]
    assert "two-step choice" in names
    assert "forward choice in severity" in names


def test_a_surface_campaign_says_nothing_of_screening(command: Command, tmp_path: Path) -> None:
    command("new", "mint")
    frame = doe.load("mint", tmp_path).plan().runs
    frame["extract_yield_mg_g"] = 60 + frame["temperature_C"] / 10
    frame["extract_yield_mg_g"] += np.random.default_rng(1).normal(0, 1, len(frame))
    frame["furfural_mg_g"] = 1.0 + np.random.default_rng(2).normal(0, 0.1, len(frame))
    doe.load("mint", tmp_path).record(frame)
    assert command("fit", "mint", "--json")["screening"] == {}
