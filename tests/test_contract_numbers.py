"""Numbers of the JSON answers bear what they say; computed values leave nothing to test."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from doe.analysis.diagnostics import LackOfFit
from doe.analysis.scrutiny import Scrutiny
from doe.analysis.transformation import BoxCox
from doe.contract import _chance, _number, _probable_region, _within_reason
from doe.factors import FactorSpace, NumericFactor
from doe.modelling import Finding, scale_notices

Command = Callable[..., Any]


def filled(command: Command, folder: Path, extract: Callable[[float, float, float], float]) -> Any:
    """Plan a central composite campaign and hand in an extract worked out, not measured."""
    command("new", "mint")
    command("plan", "mint", "--family", "central-composite")
    sheet = folder / "designs" / "mint" / "sheet-stage1.csv"
    with sheet.open(newline="") as file:
        rows = list(csv.DictReader(file))
    for i, row in enumerate(rows):
        coded = (
            (float(row["temperature_C"]) - 160) / 40,
            (float(row["flow_mL_min"]) - 5) / 2,
            (float(row["time_min"]) - 40) / 20,
        )
        row["extract_yield_mg_g"] = repr(extract(*coded))
        row["furfural_mg_g"] = f"{0.1 + 0.01 * (7 * i % 5):.3f}"  # far below its limit
    back = folder / "back.csv"
    with back.open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    return command("record", "mint", str(back))


def test_of_computed_values_nothing_is_told_that_is_rounding(
    command: Command, tmp_path: Path
) -> None:
    filled(command, tmp_path, lambda x, z, t: round(50 + 8 * x - 6 * x**2 + 3 * z + t, 6))
    answer = command("fit", "mint", "--json")
    found = answer["responses"]["extract_yield"]
    assert found["residual_sd"] == 0
    assert {run["residual"] for run in found["runs"]} == {0}
    assert found["lack_of_fit"]["f"] is None
    assert found["lack_of_fit"]["why_not"] == "the model passes through every value"
    assert found["power"] is None
    exact = [c for c in found["recommended"]["candidates"] if c["model"] == "full quadratic"]
    assert [(c["aicc"], c["left_out_error"]) for c in exact] == [(None, None)]
    assert "AICc" not in found["recommended"]["why"]
    first = found["terms"][0]["coefficient"]
    assert first == float(f"{first:.10g}")
    assert answer["optimum"]["all_aims_probability"] <= 0.99
    assert answer["probable_region"]["highest"] <= 0.99


def test_name_of_a_response_is_told_once_in_a_refusal(command: Command, tmp_path: Path) -> None:
    filled(command, tmp_path, lambda x, z, t: 50.0)
    warnings = [w["what"] for w in command("fit", "mint", "--json")["warnings"]]
    (said,) = [what for what in warnings if "very value is 50" in what]
    assert said.lower().replace("_", " ").count("extract yield") == 1
    text = (tmp_path / "designs/mint/runs.csv").read_text(encoding="utf-8").splitlines()
    column = text[0].split(",").index("furfural_mg_g")
    cells = [line.split(",") for line in text]
    for row in cells[1:]:
        row[column] = "0.2"
    path = tmp_path / "designs/mint/runs.csv"
    path.write_text("\n".join(",".join(row) for row in cells) + "\n", encoding="utf-8")
    refused = command("fit", "mint", status=1).said_err
    assert "every value is 50" in refused
    assert "urfural: furfural" not in refused.lower()
    assert refused.lower().count("furfural: ") == 1


@pytest.mark.parametrize(
    ("chance", "told"),
    [(0.9999999999999752, 0.99), (0.847, 0.84), (0.0049, 0.0), (1.0, 0.99), (float("nan"), None)],
)
def test_chance_is_told_as_on_the_pages(chance: float, told: float | None) -> None:
    assert _chance(chance) == told


def test_digits_that_are_rounding_are_left_out() -> None:
    assert _number(55.45833333333335) == 55.45833333
    assert _number(8.000000000000004) == 8
    assert _number(-1.5e-7) == -1.5e-7


def test_repeats_that_agree_to_a_millionth_are_no_scatter_to_test_by() -> None:
    """F of 330532635 was once told to one decimal."""
    assert LackOfFit(330532635.2, 5, 2, 1e-9, 1.0, 1e-9).repeats_agree
    assert LackOfFit(None, 5, 2, None, 1.0, 0.0).repeats_agree
    assert not LackOfFit(54.0, 5, 2, 0.018, 1.0, 0.01).repeats_agree
    assert not LackOfFit(None, 0, 2, None, 0.0, 0.01).repeats_agree


def test_gross_value_is_named_by_the_recommended_model_and_asks_for_no_logarithm(
    command: Command, tmp_path: Path
) -> None:
    """One value three times too high, of values between 36 and 62 that ask for no logarithm."""
    scatter = iter([0.3, -0.2, 0.5, -0.4, 0.1, -0.1, 0.2, -0.5, 0.4, -0.3] * 3)
    runs = iter(range(1, 40))

    def extract(x: float, z: float, t: float) -> float:
        value = 50 + 8 * x - 3 * z + 2 * next(scatter)
        return round(3 * value if next(runs) == 6 else value, 2)

    filled(command, tmp_path, extract)
    warnings = {w["code"]: w["what"] for w in command("fit", "mint", "--json")["warnings"]}
    assert "Run 6: measured" in warnings["large-residual"]
    assert "by the recommended model" in warnings["large-residual"]
    assert "wants-log" not in warnings


def test_logarithm_notice_names_the_runs_that_alone_ask_for_it() -> None:
    from types import SimpleNamespace

    asks = BoxCox(0.1, -0.4, 0.5, 0.0, 0.95, None, None)  # type: ignore[arg-type]
    fit = SimpleNamespace(response=SimpleNamespace(name="y", words="Y"))
    nothing = Scrutiny((), (), (), (), ())
    said = []
    for outliers in ((), (6,)):
        finding = Finding(None, asks, nothing, outliers=outliers)
        analysis = SimpleNamespace(fits=(fit,))
        (notice,) = scale_notices(analysis, {"y": finding})  # type: ignore[arg-type]
        said.append(notice.what)
    assert said[0].endswith('Write scale = "log" in [responses.y] and fit again.')
    assert said[1].endswith(
        "Without run 6 they would not: check the record first. If it is right, write scale = "
        '"log" in [responses.y] and fit again.'
    )


def test_the_highest_chance_is_that_at_the_recommended_settings_where_no_place_has_more() -> None:
    """As the page and the terminal tell it: a grid may pass the best settings by."""
    aims = SimpleNamespace(how="joint", swings=np.zeros(1))
    region = SimpleNamespace(
        level=0.9,
        share=0.0,
        share_with_swings=0.0,
        highest=0.207,
        highest_with_swings=0.1,
        aims=aims,
    )
    space = FactorSpace((NumericFactor("flow", "mL/min", 2, 8, 1),))
    told = [_probable_region(region, space, at_best) for at_best in (0.231, 0.1, None)]
    assert [each["highest"] for each in told if each] == [0.23, 0.20, 0.20]


def test_an_interval_beyond_reason_is_unknown() -> None:
    """Values from 40 to 60: from −2888 to 67 is no interval for a person to read."""
    wild = {"mean": 62.0, "mean_low": -2888.0, "mean_high": 67.0, "run_low": 40.0, "run_high": 80.0}
    told = _within_reason(wild, (40.0, 60.0))
    assert (told["mean"], told["mean_low"], told["mean_high"]) == (62.0, None, None)
    assert (told["run_low"], told["run_high"]) == (40.0, 80.0)
