"""What `doe fit` says, on campaigns where a sentence must stand and on others where it must not.

Every campaign is invented: its truth and its scatter are drawn here, so they are known.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

from doe.factors import FloatArray

Command = Callable[..., Any]
Truth = Callable[[Mapping[str, float], np.random.Generator], float]
RESPONSE = '[responses.y]\nunit = "mg/g"\naim = "maximise"\nscatter = "2 mg/g"\n\n'


def fitted(
    command: Command,
    folder: Path,
    truth: Truth,
    *,
    seed: int = 1,
    change: tuple[str, str] = ("", ""),
) -> SimpleNamespace:
    """Plan a campaign of three factors and one response, fill in the truth, and fit it.

    `change` is a passage of the new campaign's file and what stands in its place.
    """
    command("new", "mint")
    path = folder / "designs" / "mint" / "campaign.toml"
    text = path.read_text(encoding="utf-8")
    first, last = text.index("[responses.extract_yield]"), text.index("# --- By what a run")
    text = text[:first] + RESPONSE + text[last:]
    assert change[0] in text
    path.write_text(text.replace(*change, 1), encoding="utf-8")
    command("plan", "mint", "--runs", "18", "--family", "central-composite")
    sheet = folder / "designs" / "mint" / "sheet-stage1.csv"
    with sheet.open(newline="") as file:
        rows = list(csv.DictReader(file))
    rng = np.random.default_rng(seed)
    for row in rows:
        coded = {
            "temperature": (float(row["temperature_C"]) - 160) / 40,
            "flow": (float(row["flow_mL_min"]) - 5.5) / 2.5,
            "time": (float(row["time_min"]) - 40) / 20,
            "run": float(row["run"]),
        }
        row["y_mg_g"] = f"{truth(coded, rng):.6f}"
    back = folder / "back.csv"
    with back.open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    command("record", "mint", str(back))
    page = folder / "reports" / "mint-stage1-fit.html"
    said = command("fit", "mint").said_out
    text = re.sub(r"<[^>]*>", " ", page.read_text(encoding="utf-8").split("<main", 1)[-1])
    plain = " ".join(text.replace("\N{NO-BREAK SPACE}", " ").split())
    return SimpleNamespace(said=said, page=plain, answer=command("fit", "mint", "--json"))


def noise(at: Mapping[str, float], rng: np.random.Generator) -> float:
    return 50 + 4 * rng.normal()


def hill(at: Mapping[str, float], rng: np.random.Generator) -> float:
    """Highest inside the range of temperature; grows with flow; time does nothing."""
    t = at["temperature"]
    return 60 + 6 * t - 18 * t * t + 8 * at["flow"] + rng.normal()


def growing(at: Mapping[str, float], rng: np.random.Generator) -> float:
    """Decades apart, with a scatter that is a share of the value."""
    return float(np.exp(2 + 1.5 * at["temperature"] + 0.5 * at["flow"] + 0.1 * rng.normal()))


def computed(at: Mapping[str, float], rng: np.random.Generator) -> float:
    t, f = at["temperature"], at["flow"]
    return 50 + 8 * t - 6 * t * t + 3 * f + 2 * at["time"] - 2 * f * f + t * at["time"]


def test_pure_noise_is_said_to_be_noise_before_any_setting(
    command: Command, tmp_path: Path
) -> None:
    found = fitted(command, tmp_path, noise, seed=7)
    noted = "No factor was shown to act on y"
    assert found.said.index(noted) < found.said.index("A guess at the best settings:")
    assert "Best settings so far:" not in found.said
    assert found.page.index(noted) < found.page.index("A guess at the best settings")
    assert found.answer["optimum"]["guess"] is True
    assert "y: A plain mean, no term at all: AICc" in found.said
    assert "(0 terms)" not in found.said + found.page
    # every factor is free, over the whole of its range
    assert found.answer["optimum"]["free"]["time_min"] == [20, 60]
    assert "min (any from 20 to 60)" in found.said
    # no title asserts a shape, and no settings of polynomials worse than a mean are told
    assert "Y may not change with time: the results do not tell" in found.page
    assert "Whether y changes over this map the results do not tell" in found.page
    assert not re.search(r"Y (rises|falls) with|Y is highest", found.page)
    assert found.answer["responses"]["y"]["r2_predicted"] < 0
    assert "alone would set is not told" in found.said
    assert "alone would set is not told" in found.page
    assert not re.search(r"polynomials alone would set \d", found.said + found.page)


def test_temperature_is_not_free_where_the_pressure_to_set_follows_it(
    command: Command, tmp_path: Path
) -> None:
    """The pressure told is for the temperature told: at a hotter one the water could boil."""
    fixed = re.compile(r"^pressure = .*$", re.MULTILINE)
    command("new", "other")
    text = (tmp_path / "designs" / "other" / "campaign.toml").read_text(encoding="utf-8")
    line = fixed.search(text[text.index("[fixed]") :])
    assert line is not None
    change = (line[0], 'pressure_above_saturation = "20 bar"')
    found = fitted(command, tmp_path, noise, seed=7, change=change)
    assert "the pressure to" in found.said
    assert set(found.answer["optimum"]["free"]) == {"flow_mL_min", "time_min"}
    assert re.search(r"A guess at the best settings: \d+ °C, ", found.said)


def test_what_clearly_acts_is_no_guess_and_what_does_nothing_is_free(
    command: Command, tmp_path: Path
) -> None:
    found = fitted(command, tmp_path, hill)
    assert "Best settings so far:" in found.said
    assert "No factor was shown" not in found.said + found.page
    assert "A guess" not in found.said + found.page
    assert set(found.answer["optimum"]["free"]) == {"time_min"}
    assert "min (any from 20 to 60)" in found.said
    assert "any from 20 to 60 min: not shown to matter" in found.page
    assert re.search(r"Y rises with temperature to 1[678]\d °C, then falls", found.page)
    assert "Y rises with flow" in found.page
    assert "Y may not change with time" in found.page
    # scattered runs of a simulated kind: the coverage stands, AICc is told
    assert "In simulated campaigns of 13 to 20 runs" in found.said
    assert found.answer["optimum"]["coverage"] in found.page
    assert "any one run between" in found.page
    assert re.search(r"any one run between [\d.]+ and [\d.]+ mg/g \(95 % interval\)", found.page)
    assert "no chance of meeting" not in found.page
    # methods say what the headline rests on
    methods = found.page[found.page.index("Methods, to paste") :]
    assert "Gaussian processes" in methods
    assert "Rasmussen and Williams 2006" in methods
    assert "settable" in methods or "can be set" in methods
    assert "Of y values were modelled, not logarithms." in methods
    assert "logarithm of y" not in found.said + found.page


def test_logarithms_that_the_runs_chose_are_disclosed(command: Command, tmp_path: Path) -> None:
    found = fitted(command, tmp_path, growing)
    assert found.answer["optimum"]["predictions"]["y"]["mean_is_median"]
    assert found.answer["responses"]["y"]["transformation"] == "none"
    disclosed = "The averages over smooth surfaces model the logarithm of y"
    assert disclosed in found.said
    assert disclosed in found.page
    assert "Of y logarithms were modelled, since their marginal likelihood" in found.page
    assert "Flow and time went in as a weighted mean of value and logarithm" in found.page


def test_values_that_were_computed_are_not_compared_to_the_last_digit(
    command: Command, tmp_path: Path
) -> None:
    found = fitted(command, tmp_path, computed)
    assert "passes through every value, so no scatter is left" in found.said
    assert "AICc -" not in found.said
    assert "AICc −" not in found.page
    assert "e-1" not in found.said
    assert "How often the 95 % intervals here hold the truth is not known" in found.said
    assert "a polynomial passes through every value" in found.page
    assert "In simulated campaigns" not in found.said + found.page


def test_a_huge_f_is_only_called_large(command: Command, tmp_path: Path) -> None:
    """Rounded to 0.001 of 50, the values leave an F of some millions, whose digits say nothing."""

    def nearly(at: Mapping[str, float], rng: np.random.Generator) -> float:
        return round(computed(at, rng) + 1e-3 * rng.normal(), 3)

    found = fitted(command, tmp_path, nearly)
    assert "over 10000" in found.page
    assert "passes through every value" not in found.said + found.page


def test_a_run_far_off_takes_the_coverage_away(command: Command, tmp_path: Path) -> None:
    def with_mistake(at: Mapping[str, float], rng: np.random.Generator) -> float:
        return hill(at, rng) + 25 * (at["run"] == 4)

    found = fitted(command, tmp_path, with_mistake)
    assert "a run lies far from the model" in found.answer["optimum"]["coverage"]
    assert "In simulated campaigns" not in found.said + found.page


def rounded_to(value: float, step: float) -> bool:
    return abs(value / step - round(value / step)) < 1e-9


def test_level_places_are_told_no_finer_than_can_be_set(command: Command, tmp_path: Path) -> None:
    """The campaign's steps are 5 °C, 0.5 mL/min and 5 min; the level place lies between them."""

    def round_top(at: Mapping[str, float], rng: np.random.Generator) -> float:
        squares: FloatArray = np.array([at["temperature"], at["flow"], at["time"]]) - 0.13
        return float(60 - 15 * (squares**2).sum() + rng.normal())

    found = fitted(command, tmp_path, round_top)
    told = re.search(r"level near ([\d.]+) °C, ([\d.]+) mL/min, ([\d.]+) min", found.page)
    assert told is not None
    exact = found.answer["responses"]["y"]["stationary"]["settings"]
    for words, name, step in zip(
        told.groups(), ("temperature_C", "flow_mL_min", "time_min"), (5, 0.5, 5), strict=True
    ):
        assert rounded_to(float(words), step)
        assert abs(float(words) - exact[name]) <= step / 2
