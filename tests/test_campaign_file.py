"""campaign.toml, right and wrong."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from doe import water
from doe.campaign_file import read_campaign
from doe.errors import CampaignFileError

TEXT = (Path(__file__).parent / "reference/campaign/invented_flow.toml").read_text("utf-8")


def read(folder, text):
    path = folder / "designs" / "trial" / "campaign.toml"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return read_campaign(path)


def problems(folder, *changes):
    text = TEXT
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    with pytest.raises(CampaignFileError) as caught:
        read(folder, text)
    return text, caught.value.problems


def test_a_right_file_becomes_a_campaign(tmp_path):
    campaign = read(tmp_path, TEXT)
    assert campaign.name == "trial"
    assert campaign.space.columns == ("temperature_C", "flow_mL_min", "time_min")
    assert campaign.space["temperature"].change == "hard"
    assert [notice.code for notice in campaign.notices()] == ["limits-not-confirmed"]


@pytest.mark.parametrize(
    ("old", "new", "code", "key"),
    [
        ('purpose = "surface"', 'purpose = "surfaces"', "wrong-word", "purpose"),
        ("seed = 7", "sead = 7\nseed = 7", "unknown-key", "sead"),
        ("seed = 7", "", "missing-key", "seed"),
        ('low = "120 degC"', 'low = "210 degC"', "low-not-below-high", "factors.temperature.low"),
        ('low = "120 degC"', 'low = "-5 degC"', "negative", "factors.temperature.low"),
        ('low = "120 degC"', 'low = "122 degC"', "not-settable", "factors.temperature.low"),
        ('high = "200 degC"', 'high = "355 degC"', "beyond-350", "factors.temperature.high"),
        ('high = "200 degC"', 'high = "240 degC"', "beyond-rig", "factors.temperature.high"),
        ('step = "1 mL/min"', 'step = "1 bar"', "wrong-quantity", "factors.flow.step"),
        ('pressure = "50 bar"', 'pressure = "500 bar"', "beyond-rig", "fixed.pressure"),
        ('pressure = "50 bar"', 'pressure = "50"', "wrong-quantity", "fixed.pressure"),
        ('pressure = "50 bar"', "", "setting-missing", "factors.pressure"),
        ('pressure_reading = "gauge"', "", "missing-key", "rig.pressure_reading"),
        ('mode = "flow"', 'mode = "batch"', "batch-kind-missing", "mode"),
        ('"4 % relative"', '"4 %"', "wrong-quantity", "responses.extract.scatter"),
        ('bed_mass = "12 g"', "", "missing-key", "budget.bed_mass"),
        ('hours_per_day = "9 h"', "", "missing-key", "budget.hours_per_day"),
        ('volume = "1 L"', 'volume = "0 mL"', "zero", "rig.collector.volume"),
        ('burst_pressure = "100 barg"', 'burst_pressure = "9 barg"', "burst-too-low",
         "rig.disc.burst_pressure"),
    ],
)  # fmt: skip
def test_one_mistake_gives_its_problem_with_line_and_key(tmp_path, old, new, code, key):
    text, found = problems(tmp_path, (old, new))
    match = next((p for p in found if p.code == code and p.where.key == key), None)
    assert match is not None, [str(problem) for problem in found]
    assert match.remedy
    if new:
        number = match.where.line
        assert number is not None
        assert key.split(".")[-1] in text.splitlines()[number - 1]


def test_all_mistakes_are_reported_at_once_in_the_order_of_the_file(tmp_path):
    _, found = problems(
        tmp_path,
        ('purpose = "surface"', 'purpose = "surfaces"'),
        ('step = "1 mL/min"', 'step = "1 bar"'),
        ('temperature_overshoot = "3 K"', 'temperature_overshoot = "3 bar"'),
    )
    assert [p.where.key for p in found] == [
        "purpose",
        "factors.flow.step",
        "rig.temperature_overshoot",
    ]


def test_batch_without_its_kind_is_said_once(tmp_path):
    _, found = problems(tmp_path, ('mode = "flow"', 'mode = "batch"'))
    assert sum("batch_kind" in problem.what for problem in found) == 1


def test_an_empty_rating_is_a_problem_and_not_a_crash(tmp_path):
    start = TEXT.index("rating = [")
    line = TEXT[start : TEXT.index("\n", start)]
    _, found = problems(tmp_path, (line, "rating = []"))
    assert "no-rating" in {problem.code for problem in found}


def test_tied_settings_are_refused_together_and_worked_out_otherwise(tmp_path):
    ratio = '[factors.water_to_solid]\nlow = "20 mL/g"\nhigh = "40 mL/g"\n[responses.extract]'
    _, found = problems(tmp_path, ("[responses.extract]", ratio))
    assert "tied-settings" in {problem.code for problem in found}
    free = TEXT.replace("[responses.extract]", ratio).replace('bed_mass = "12 g"\n', "")
    campaign = read(tmp_path, free)
    # 10 mL/min for 30 min through a bed of 10 g is 30 mL/g
    setting = np.array([[150.0, 10.0, 30.0, 30.0]])
    assert campaign.conditions(setting).bed_mass_g == pytest.approx([10.0])
    # heaviest bed: 25 mL/min for 60 min at 20 mL/g is 75 g, four of them in 300 usable grams
    assert {what: runs for what, runs, _ in campaign.affordable().parts}["feedstock"] == 4


def test_pressure_above_saturation_follows_the_temperature(tmp_path):
    text = TEXT.replace('pressure = "50 bar"', 'pressure_above_saturation = "20 bar"')
    campaign = read(tmp_path, text)
    settings = np.array([[120.0, 5.0, 20.0], [200.0, 5.0, 20.0]])
    # saturation [bar absolute] from reference/water/min_pressure.csv, IF97 column
    above = campaign.conditions(settings).pressure_bara - [1.986654, 15.54672]
    assert above == pytest.approx([20.0, 20.0], abs=1e-5)


def test_gauge_and_absolute_files_of_one_rig_give_one_verdict(tmp_path):
    gauge = read(tmp_path, TEXT)
    absolute = read(
        tmp_path,
        TEXT.replace('pressure_reading = "gauge"', 'pressure_reading = "absolute"').replace(
            'pressure = "50 bar"', 'pressure = "50 barg"'
        ),
    )
    settings = gauge.space.grid(4)
    assert np.allclose(
        gauge.conditions(settings).pressure_bara, absolute.conditions(settings).pressure_bara
    )
    assert (gauge.feasible(settings) == absolute.feasible(settings)).all()
    assert 0 < gauge.feasible(settings).mean() < 1


def test_what_is_called_feasible_is_liquid_by_the_saturation_curve(tmp_path):
    campaign = read(tmp_path, TEXT.replace('pressure = "50 bar"', 'pressure = "20 bar"'))
    settings = campaign.space.grid(9)
    feasible = campaign.feasible(settings)
    saturation = water.saturation_pressure_bara(settings[:, 0])
    assert (saturation[feasible] + 5 < 20 + 1.01325).all()
    assert (~feasible[settings[:, 0] >= 195]).all()


def test_fixed_settings_come_with_the_unit_that_the_rig_shows(tmp_path):
    campaign = read(tmp_path, TEXT)
    assert campaign.fixed_settings() == (("pressure", "50 bar gauge"), ("bed mass", "12 g"))
