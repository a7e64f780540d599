"""What `doe fit` says around the best settings: through the command, and on the pages' tables."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from purpose import for_a_surface
from typer.testing import CliRunner

from doe.analysis.landscape import landscape_of
from doe.analysis.observations import Observations
from doe.analysis.optimum import analyse
from doe.campaign_file import read_campaign
from doe.cli import app
from doe.errors import InfeasibleError
from doe.factors import FactorSpace, NumericFactor
from doe.report.surface_section import (
    ascent_table,
    choices_table,
    curvature_table,
    front_picture,
    location_table,
    region_sentence,
    ridge_picture,
    stationary_sentence,
)
from doe.report.svg import draw
from doe.responses import Response
from doe.terms import linear_model
from doe.views import effect_curves, pressure_to_set
from doe.workflow import fit


def run(*words: str) -> str:
    result = CliRunner().invoke(app, list(words), catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.stdout


def invented(row: dict[str, str], furfural: bool = True, at_odds: bool = False) -> dict[str, str]:
    """Extract is best near 176 °C and grows with flow; the by-product grows with temperature.

    At odds: extract grows all the way, to where the by-product is far beyond its limit.
    """
    x = (float(row["temperature_C"]) - 160) / 40
    y = (float(row["flow_mL_min"]) - 5.5) / 2.5
    z = (float(row["time_min"]) - 40) / 20
    scatter = np.random.default_rng(int(row["run"])).normal(0, 1, 2)
    extract = 60 + 12 * x - 15 * x * x + 8 * y + 3 * z + scatter[0]
    other = 1.2 + 0.9 * x + 0.4 * z + 0.4 * x * x + 0.05 * scatter[1]
    if at_odds:
        extract += 18 * x + 12 * x * x
        other += 0.6 * x
    row = {**row, "extract_yield_mg_g": f"{extract:.1f}"}
    return {**row, "furfural_mg_g": f"{other:.2f}"} if furfural else row


@pytest.fixture
def campaign(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    monkeypatch.chdir(tmp_path)
    run("new", "mint")
    for_a_surface(tmp_path / "designs" / "mint" / "campaign.toml")
    run("plan", "mint")

    def record(furfural: bool = True, at_odds: bool = False) -> Path:
        sheet = tmp_path / "designs" / "mint" / "sheet-stage1.csv"
        rows = list(csv.DictReader(sheet.read_text().splitlines()))
        with (tmp_path / "back.csv").open("w", newline="") as file:
            writer = csv.DictWriter(file, rows[0].keys())
            writer.writeheader()
            writer.writerows(invented(row, furfural, at_odds) for row in rows)
        run("record", "mint", str(tmp_path / "back.csv"))
        return tmp_path / "designs" / "mint" / "campaign.toml"

    return record


def test_fit_answers_what_lies_around_the_best_settings(campaign: Any) -> None:
    described = read_campaign(campaign())
    answer = json.loads(run("fit", "mint", "--json"))
    optimum, space = answer["optimum"], described.space
    for factor in space:
        assert isinstance(factor, NumericFactor)
        low, high = optimum["location"][factor.column]
        assert factor.low <= low <= high <= factor.high
        assert 0 <= sum(optimum["on_edge"][factor.column]) <= 1
    assert optimum["on_edge"]["flow_mL_min"][1] > 0.9
    region = answer["probable_region"]
    assert region["how"] == "one response"
    assert 0 < region["share_with_swings"] <= 1
    assert region["swings"]["temperature_C"] == described.rig.temperature_overshoot > 0
    assert region["highest"] >= optimum["all_aims_probability"] - 0.01
    shape = answer["responses"]["extract_yield"]["stationary"]
    assert len(shape["eigenvalues"]) == 3
    strongest = shape["eigenvalues"][-1]
    assert strongest["low"] < -15 < strongest["high"]  # the truth has −15 along temperature
    assert abs(strongest["direction"]["temperature"]) > 0.9
    steepest = answer["responses"]["extract_yield"]["steepest"]
    assert steepest["points"][0]["settings"] == {
        "temperature_C": 160.0,
        "flow_mL_min": 5.5,
        "time_min": 40.0,
    }
    assert [place["distance"] for place in answer["responses"]["extract_yield"]["ridge"]] == (
        pytest.approx([0, 0.25, 0.5, 0.75, 1, 1.25])
    )


def test_choices_and_curves_rest_on_what_the_recommended_settings_do(campaign: Any) -> None:
    """The unbeaten by comparing with every place at once.

    The recommended setting, looked at by the same models, beats no choice in both responses.
    """
    described = read_campaign(campaign(at_odds=True))
    result = fit("mint", Path())
    analysis, space = result.analysis, described.space
    choices = result.landscape.choices
    assert 2 <= len(choices) <= 8
    settings = np.array([choice.settings for choice in choices])
    assert described.feasible(settings).all()
    assert space.settable(settings) == pytest.approx(settings)

    def merits(rows: Any) -> Any:
        extract, furfural = (analysis.surrogates[f.response.name] for f in analysis.fits)
        kept = furfural.chance_between(rows, -np.inf, described.responses[1].limit)
        return np.column_stack([extract.predict(rows).mean, np.minimum(kept, 0.9)])

    assert [fit.response.aim for fit in analysis.fits] == ["maximise", "below"]
    others = space.settable(space.grid(9))
    others = np.vstack([others[described.feasible(others)], analysis.optimum.settings])
    reached, tried = merits(settings), merits(others)
    slack = np.array([0.05, 1e-3])
    for one in reached:
        assert not ((tried > one + slack).all(axis=1)).any()
    answer = json.loads(run("fit", "mint", "--json"))
    for choice, at in zip(answer["pareto"], settings, strict=True):
        assert choice["settings"] == space.as_mapping(at)
        for name, told in choice["predictions"].items():
            foretold = analysis.surrogates[name].predict(at[None])
            assert told["mean"] == pytest.approx(foretold.mean[0], rel=1e-9)
            assert told["mean_low"] == pytest.approx(foretold.mean_low[0], rel=1e-9)
    for view in effect_curves(described, analysis):
        rows = np.tile(analysis.optimum.settings, (len(view.x), 1))
        rows[:, view.factor] = view.x
        foretold = analysis.surrogates[view.response.name].predict(rows)
        assert view.freer
        assert view.mean == pytest.approx(foretold.mean, rel=1e-9)
        assert view.low == pytest.approx(foretold.mean_low, rel=1e-9)
        assert view.high == pytest.approx(foretold.mean_high, rel=1e-9)


def test_fit_says_it_in_plain_lines(campaign: Any) -> None:
    campaign()
    said = " ".join(run("fit", "mint").split())
    assert "Where the best may lie, 95 % interval by factor, no tolerance:" in said
    assert "one run meets every limit with at least 90 % chance" in said
    assert "with the rig’s swings counted it is" in said


def test_what_is_set_beside_the_factors_stands_with_them(campaign: Any, tmp_path: Path) -> None:
    campaign()
    assert "Set alike for every run: pressure 50 bar gauge and bed mass 12 g." in run("fit", "mint")
    page = (tmp_path / "reports" / "mint-stage1-fit.html").read_text(encoding="utf-8")
    panel = page.split("Best settings so far")[1].split("</dl>")[0]
    assert "<dt>pressure</dt><dd>50 bar gauge" in panel
    for other in ("suggest", "plan"):
        if other == "suggest":
            run("suggest", "mint")
        (file,) = (tmp_path / "reports").glob(f"mint-stage*-{other}.html")
        assert "<strong>pressure 50 bar gauge</strong>" in file.read_text(encoding="utf-8")


def test_a_pressure_given_above_boiling_is_told_as_what_the_rig_shows(campaign: Any) -> None:
    """Water boils at 7.922 bar absolute at 170 °C (IAPWS tables): 20 bar above is 26.9 gauge."""
    file = campaign()
    text = file.read_text(encoding="utf-8")
    above = text.replace('pressure = "50 bar"', 'pressure_above_saturation = "20 bar"', 1)
    file.write_text(above, encoding="utf-8")
    described = read_campaign(file)
    at = described.space.from_mapping(
        {"temperature_C": 170.0, "flow_mL_min": 5.0, "time_min": 40.0}
    )
    assert pressure_to_set(described, np.array(at)) == "27.0 bar gauge"
    file.write_text(text, encoding="utf-8")
    assert pressure_to_set(read_campaign(file), np.array(at)) == ""


def test_one_chance_stands_in_fit_and_suggestion(campaign: Any) -> None:
    campaign()
    (told,) = re.findall(r"with about (\d+)\s%\s+chance", run("fit", "mint"))
    (again,) = re.findall(r"chance\s+of\s+about\s+(\d+)\s%", run("suggest", "mint"))
    assert told == again


def test_nothing_is_promised_of_a_limit_of_which_nothing_is_known(campaign: Any) -> None:
    campaign(furfural=False)
    answer = json.loads(run("fit", "mint", "--json"))
    assert answer["probable_region"] is None
    assert "one run meets every limit" not in run("fit", "mint")


def test_pages_can_show_it(campaign: Any, tmp_path: Path) -> None:
    campaign(at_odds=True)
    result = fit("mint", tmp_path)
    around, fits, space = result.landscape, result.analysis.fits, result.campaign.space
    table = location_table(space, around.location)
    assert [row[0] for row in table.rows] == ["temperature", "flow", "time"]
    shown = choices_table(space, fits, around.choices)
    assert len(shown.rows) == len(around.choices)
    assert shown.headings[-1] == "furfural mg/g"
    means = [
        [choice.predictions[fitted.response.name].mean[0] for fitted in fits]
        for choice in around.choices
    ]
    chances = [0.9 if i else 0.1 for i in range(len(around.choices))]
    front = front_picture(fits, around.choices, result.analysis.optimum.predictions, chances)
    drawn = draw(front)
    for number in range(1, len(around.choices) + 1):
        assert f'data-choice="{number}"' in drawn
    assert drawn.count("run-choice doubtful") == 1
    best = max(extract for extract, _ in means[1:])
    assert f"Extract yield {best:.1f}" in front.finding  # not that of the doubtful choice
    with_chance = choices_table(space, fits, around.choices, chances)
    assert [row[-1] for row in with_chance.rows][:2] == [
        "10\N{NO-BREAK SPACE}%",
        "90\N{NO-BREAK SPACE}%",
    ]
    assert around.region is not None
    assert "90\N{NO-BREAK SPACE}% chance" in region_sentence(around.region)
    for fitted in fits:
        shape = around.shapes[fitted.response.name]
        assert shape.stationary is not None
        assert shape.ascent is not None
        assert fitted.response.words in stationary_sentence(fitted, shape.stationary)
        assert len(curvature_table(fitted, shape.stationary).rows) == 3
        assert len(ascent_table(fitted, shape.ascent).rows) == len(shape.ascent.points)
        picture = ridge_picture(fitted, shape.ridge)
        assert len(picture.table.rows) == len(shape.ridge)
        assert draw(picture).startswith("<svg")


def test_a_path_that_leads_into_ice_ends_there() -> None:
    """The steepest way down in temperature leaves what the water's properties cover."""
    space = FactorSpace((NumericFactor("temperature", "°C", 100, 200, 5, "easy", "C"),))
    planned = np.array([[100.0], [125.0], [150.0], [175.0], [200.0], [150.0]])
    response = Response("lost", "mg/g", "minimise", scatter=0.1)
    values = 5 + planned[:, 0] / 20 + np.array([0.1, -0.1, 0.05, -0.05, 0.1, -0.1])
    data = Observations(
        space, planned, planned, values, tuple(range(6)), (1,) * 6, tuple(range(6)), (None,) * 6
    )

    def feasible(settings: np.ndarray) -> np.ndarray:
        if (settings < 90).any():
            raise InfeasibleError.of("frozen", "too cold.", "Raise the temperature.")
        return np.ones(len(settings), dtype=bool)

    analysis = analyse([response], linear_model(space), {"lost": data}, feasible)
    way = landscape_of(analysis, space, feasible, np.zeros(1), 1).shapes["lost"].ascent
    assert way is not None
    assert [float(point.settings[0]) for point in way.points] == [150, 125, 100, 75]
    assert [point.feasible for point in way.points] == [True, True, True, False]
