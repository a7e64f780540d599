"""campaign.toml, right and wrong."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from doe import water
from doe.campaign_file import read_campaign
from doe.errors import CampaignFileError
from doe.region import survey

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
        ('burst_pressure = "100 barg"', 'burst_pressure = "50 barg"', "beyond-relief",
         "fixed.pressure"),
        ('burst_pressure = "100 barg"', 'burst_pressure = "130 barg"', "relief-above-rating",
         "rig.disc.burst_pressure"),
        ('burst_tolerance = "5 %"', "", "missing-key", "rig.disc.burst_tolerance"),
        ('rating = [["20 degC", "120 barg"], ', 'rating = ["120 barg", ', "wrong-quantity",
         "rig.vessel.rating"),
        ('low = "5 mL/min"', 'low = "0 mL/min"', "zero", "factors.flow.low"),
        ('pressure = "50 bar"', 'pressure = "50 bar"\nbed_mass = "3 g"', "unknown-key",
         "fixed.bed_mass"),
        ('volume = "250 mL"', 'volume = "250 g"', "wrong-quantity", "rig.vessel.volume"),
        ('aim = "maximise"', 'aim = "maximise"\nuseless = "30 %"\nideal = "20 %"',
         "useless-and-ideal", "responses.extract.ideal"),
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


def test_a_missing_key_says_what_it_means_and_what_to_write(tmp_path):
    _, (problem,) = problems(tmp_path, ('pressure_reading = "gauge"', ""))
    assert problem.what == "pressure_reading is missing: what the rig's pressures mean."
    assert problem.remedy == 'Write pressure_reading = "gauge" or "absolute"'
    _, (problem,) = problems(tmp_path, ('burst_temperature = "220 degC"', ""))
    assert "temperature at which the burst pressure is stated" in problem.what
    assert "certificate" in problem.remedy


def test_a_range_beyond_the_rig_says_what_lowering_it_does_to_results(tmp_path):
    _, found = problems(tmp_path, ('high = "200 degC"', 'high = "240 degC"'))
    assert "their results are kept and fitted" in found[0].remedy
    _, found = problems(tmp_path, ('pressure = "50 bar"', 'pressure = "500 bar"'))
    assert found[0].remedy == "Lower it."


def test_a_lot_that_is_no_table_is_told_how_to_be_one(tmp_path):
    changed = '[feed.lots]\nautumn = "300 g"\n\n[budget]'
    _, (problem,) = problems(tmp_path, ("[budget]", changed))
    assert (problem.code, problem.where.key) == ("wrong-value", "feed.lots.autumn")
    assert problem.what == "found '300 g', where a table is needed."
    assert problem.remedy.startswith('Write autumn = { amount = "300 g" }.')


def test_lots_without_names_are_told_where_names_go(tmp_path):
    _, (problem,) = problems(tmp_path, ("[budget]", '[feed]\nlots = "300 g"\n\n[budget]'))
    assert problem.remedy == "Write lots = { NAME = … }."


@pytest.mark.parametrize(("written", "meant"), [("122 C", "122 degC"), ("250 F", "250 degF")])
def test_degrees_written_short_come_back_with_their_own_number(tmp_path, written, meant):
    _, found = problems(tmp_path, ('low = "120 degC"', f'low = "{written}"'))
    assert found[0].remedy == f'Write it as "{meant}".'


def test_beyond_350_is_said_even_where_the_rig_cannot_be_read(tmp_path):
    changes = [('high = "200 degC"', 'high = "360 degC"'), ('wall_excess = "5 K"', "")]
    _, found = problems(tmp_path, *changes)
    assert {problem.code for problem in found} == {"beyond-350", "missing-key"}


def batch_of(text):
    """The campaign as a liquid-full batch, its flow left in."""
    return text.replace('mode = "flow"', 'mode = "batch"\nbatch_kind = "liquid-full"')


def test_batch_with_a_flow_factor_is_refused_and_why(tmp_path):
    with pytest.raises(CampaignFileError) as caught:
        read(tmp_path, batch_of(TEXT))
    (found,) = [p for p in caught.value.problems if p.code == "flow-in-batch"]
    assert found.where.key == "factors.flow"
    assert "the vessel is shut" in found.what


def test_a_co_solvent_without_bubble_points_is_refused_in_the_file(tmp_path):
    mixed = '[rig.co_solvent]\nname = "ethanol"\nshare = "20 %"\n[rig.vessel]'
    _, found = problems(tmp_path, ("[rig.vessel]", mixed))
    assert [problem.code for problem in found] == ["no-bubble-points"]
    assert "boils at a higher pressure" in found[0].what


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


def test_a_fixed_ratio_gives_the_bed_of_each_run(tmp_path):
    fixed = TEXT.replace('pressure = "50 bar"', 'pressure = "50 bar"\nwater_to_solid = "30 mL/g"')
    with pytest.raises(CampaignFileError) as caught:
        read(tmp_path, fixed)
    (found,) = caught.value.problems
    assert (found.code, found.where.key) == ("tied-settings", "fixed.water_to_solid")
    campaign = read(tmp_path, fixed.replace('bed_mass = "12 g"\n', ""))
    setting = np.array([[150.0, 10.0, 30.0], [150.0, 5.0, 60.0], [150.0, 20.0, 30.0]])
    assert campaign.conditions(setting).bed_mass_g == pytest.approx([10.0, 10.0, 20.0])
    assert ("water to solid", "30 mL/g") in campaign.fixed_settings()


PRESSURES = '[factors.pressure]\nlow = "20 bar"\nhigh = "60 bar"\nstep = "1 bar"\n'


def test_pressure_as_a_factor_is_advised_against(tmp_path):
    campaign = read(tmp_path, TEXT.replace('[fixed]\npressure = "50 bar"\n', PRESSURES))
    codes = [notice.code for notice in campaign.notices()]
    assert codes == ["limits-not-confirmed", "pressure-as-factor"]


def test_cures_of_a_box_too_close_to_boiling(tmp_path):
    # Worked by hand: 200 °C is 210 °C at the wall (19.08 bara = 18.06 barg), + 3.5 of swing,
    # pulsation and gauge error + 5: 26.6 barg. 20 barg − 8.5 is 12.5 bara: 189.9 °C, less 10 K.
    campaign = read(tmp_path, TEXT.replace('[fixed]\npressure = "50 bar"\n', PRESSURES))
    found = survey(campaign.space, campaign.envelope, campaign.held_settings())
    assert "too close to boiling" in found.cures[0]
    # a pressure that suffices leaves what has nothing to do with it: flow and heater
    raised, stopped = found.cures[0].split("; or ")
    assert "raise the pressure floor to 27 bar gauge, once" in raised
    assert "“Heater duty while heating up”" in raised
    assert stopped.startswith("stop at 175 °C, once")
    fixed = read(tmp_path, TEXT.replace('pressure = "50 bar"', 'pressure = "20 bar"'))
    found = survey(fixed.space, fixed.envelope, fixed.held_settings())
    assert "set the pressure to 27 bar gauge" in found.cures[0]
    assert "stop at 175 °C" in found.cures[0]


def test_every_cure_of_a_held_setting_cures(tmp_path):
    low = read(tmp_path, TEXT.replace('pressure = "50 bar"', 'pressure = "20 bar"'))
    cured = read(tmp_path, TEXT.replace('pressure = "50 bar"', 'pressure = "27 bar"'))
    assert (low.envelope(low.space.corners()).boiling > 0).any()
    assert (cured.envelope(cured.space.corners()).boiling == 0).all()


def test_a_gas_pad_too_low_is_cured_by_a_higher_one(tmp_path):
    """As the sentences at the corners say it; half a bar less than the cure is too low still."""

    def padded(pad):
        text = TEXT.replace('mode = "flow"', 'mode = "batch"\nbatch_kind = "headspace"')
        text = text.replace('[fixed]\npressure = "50 bar"\n', "")
        flow = text[text.index("[factors.flow]") : text.index("[factors.time]")]
        headspace = (
            f'[rig.headspace]\ncold_water = "150 mL"\nsolids_volume = "12 mL"\n'
            f'pad_pressure = "{pad} barg"\n'
        )
        return read(tmp_path, f"{text.replace(flow, '')}\n{headspace}")

    low = padded(3)
    found = survey(low.space, low.envelope, low.held_settings())
    (cure,) = [text for text in found.cures if "too close to boiling" in text]
    raised = re.search(r"set the pad pressure to ([\d.]+) bar gauge", cure)
    assert raised is not None
    enough = float(raised[1])
    assert 3 < enough < 20

    def share_too_close(pad):
        made = padded(pad)
        return (made.envelope(made.space.grid(7)).boiling > 0).mean()

    assert share_too_close(enough) == 0
    assert share_too_close(enough - 1) > 0


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


# ------------------------------------------------------------ factors that the rig does not know


def with_factor(text, bubble_share=None):
    """The campaign with one more factor, and a mixture's bubble points if a share is given."""
    told = TEXT.replace("[responses.extract]", f"{text}\n[responses.extract]")
    if bubble_share is None:
        return told
    points = '[["80 degC", "1.2 bara"], ["150 degC", "7.5 bara"], ["230 degC", "35 bara"]]'
    mixture = (
        f'[rig.co_solvent]\nname = "ethanol"\nshare = "{bubble_share}"\n'
        f'bubble_points = {points}\nsource = "invented"\n'
    )
    return told.replace("[rig.vessel]", f"{mixture}[rig.vessel]")


ETHANOL = '[factors.modifier]\nlow = "0 %"\nhigh = "30 %"\n'
LEVELS = '[factors.wash]\nlevels = ["water", "30 % ethanol"]\n'


@pytest.mark.parametrize(
    "factor",
    [
        ETHANOL,
        LEVELS,
        '[factors.ethanol]\nlow = "0"\nhigh = "0.3"\n',
        '[factors.feed]\nlevels = ["A: methanol", "B"]\n',
        '[factors.co_solvent]\nlevels = ["yes", "no"]\n',
        '[factors.citric_acid]\nlow = "0 g"\nhigh = "3 g"\n',
        '[factors.added]\nlow = "0 mol/L"\nhigh = "1 mol/L"\n',
    ],
)
def test_what_may_be_in_the_water_has_to_say_whether_it_changes_boiling(tmp_path, factor):
    with pytest.raises(CampaignFileError) as caught:
        read(tmp_path, with_factor(factor))
    (problem,) = caught.value.problems
    assert problem.code == "boiling-unsaid"
    assert "boiling curve of pure water is not safe" in problem.what
    assert "changes_boiling" in problem.remedy
    said = read(tmp_path, with_factor(factor + "changes_boiling = false"))
    (notice,) = [n for n in said.notices() if n.code == "boiling-taken"]
    assert "said in the file not to change" in notice.what


@pytest.mark.parametrize("factor", [ETHANOL, LEVELS])
@pytest.mark.parametrize(
    ("share", "code"),
    [(None, "no-bubble-points"), ("20 %", "mixture-too-rich"), ("30 %", None)],
)
def test_a_mixture_needs_bubble_points_of_its_richest(tmp_path, factor, share, code):
    text = with_factor(factor + "changes_boiling = true", share)
    if code is not None:
        with pytest.raises(CampaignFileError) as caught:
            read(tmp_path, text)
        assert [problem.code for problem in caught.value.problems] == [code]
        return
    mixed = read(tmp_path, text)
    pure = read(tmp_path, TEXT)
    # 120 °C is 130 °C at the wall: the line has 5.7 bara there, pure water 2.7
    needed = pure.space.corners()[:1]
    rich = np.append(needed, 0.0)[None, :]
    j = [limit.code for limit in mixed.envelope(rich).limits].index("liquid-margin")
    assert mixed.envelope(rich).value[0, j] < pure.envelope(needed).value[0, j] - 1


def test_a_mixture_whose_share_is_not_told_in_percent_is_refused(tmp_path):
    dose = '[factors.ethanol]\nlow = "0 g"\nhigh = "30 g"\nchanges_boiling = true'
    with pytest.raises(CampaignFileError) as caught:
        read(tmp_path, with_factor(dose, "30 %"))
    assert [problem.code for problem in caught.value.problems] == ["share-unknown"]


def with_levels(*levels, share="5 %", name="ethanol"):
    """The campaign with a modifier of these levels, and bubble points of a mixture."""
    listed = ", ".join(f'"{level}"' for level in levels)
    factor = f"[factors.modifier]\nlevels = [{listed}]\nchanges_boiling = true"
    return with_factor(factor, share).replace('name = "ethanol"', f'name = "{name}"')


def refused(tmp_path, text):
    with pytest.raises(CampaignFileError) as caught:
        read(tmp_path, text)
    (problem,) = caught.value.problems
    return problem


@pytest.mark.parametrize(
    "level",
    [
        "citric acid",
        "0.5 % citric acid",
        "8 % citric acid",
        "citric acid 0.5 %",
        "20 g ethanol + 0.5 % citric acid",
        "20 g ethanol 5 % citric acid",
        "4 % methanol",
        "4 % EtOH",
        "95 % water",
        "ethanol",
        "no ethanol",
        "2-5 % ethanol",
        "1/5 % ethanol",
        "5 % ethanol, then 30 %",
        "5 % ethanol + 30 %",
        "5 % ethanol + ethanol",
        "5 % ethanol + 20 % methanol",
        "0 % ethanol + acetone",
    ],
)
def test_a_level_that_does_not_say_its_share_is_named_with_what_to_write(tmp_path, level):
    problem = refused(tmp_path, with_levels("none", level, "ethanol 5 %"))
    assert (problem.code, problem.where.key) == ("share-unknown", "factors.modifier.levels")
    assert f'level "{level}" of modifier does not say how much ethanol' in problem.what
    advised = re.findall(r'(?:write|as) "([^"]+)"', problem.remedy)
    assert advised
    for other in advised:
        read(tmp_path, with_levels("none", other, "ethanol 5 % v/v"))


def test_all_levels_that_do_not_say_their_share_are_named_at_once(tmp_path):
    text = with_levels("none", "citric acid", "0.5 % citric acid", "ethanol 5 %")
    problem = refused(tmp_path, text)
    assert 'levels "citric acid" and "0.5 % citric acid" of modifier do not say' in problem.what
    assert '"0 % ethanol + citric acid" if it has none' in problem.remedy
    assert '"0 % ethanol + 0.5 % citric acid" if it has none' in problem.remedy


@pytest.mark.parametrize(
    ("level", "percent"),
    [
        ("30 % ethanol", "30"),
        ("30% Ethanol", "30"),
        ("ethanol (30 % v/v)", "30"),
        ("ethanol 30 %", "30"),
        ("30 vol% ethanol in water", "30"),
        ("30 % (w/w) ethanol", "30"),
        ("12,5 % ethanol", "12.5"),
        ("70 % water / 30 % ethanol", "30"),
        ("40 % citric acid + 6 % ethanol", "6"),
        ("6 % ethanol, citric acid 40 %", "6"),
        ("pH 3, 30 % ethanol", "30"),
        ("30 %", "30"),
    ],
)
def test_only_the_percentage_beside_its_name_is_the_share_of_the_co_solvent(
    tmp_path, level, percent
):
    text = with_levels("water", level, share=f"{percent} %")
    read(tmp_path, text)
    less = f"{float(percent) - 0.1:g} %"
    problem = refused(tmp_path, with_levels("water", level, share=less))
    assert problem.code == "mixture-too-rich"
    assert f"goes up to {percent} %" in problem.what


def test_a_mixture_of_two_liquids_goes_by_its_own_name(tmp_path):
    levels = ("none", "5 % ethanol and methanol")
    read(tmp_path, with_levels(*levels, name="ethanol and methanol"))
    assert refused(tmp_path, with_levels(*levels)).code == "share-unknown"


@pytest.mark.parametrize(
    "factor",
    [
        '[factors.grind]\nlevels = ["coarse", "medium", "fine"]',
        '[factors.pH]\nlow = "4"\nhigh = "9"',
        '[factors.particle_size]\nlow = "0.25 mm"\nhigh = "2 mm"',
    ],
)
def test_other_unknown_factors_are_said_to_be_taken_as_harmless(tmp_path, factor):
    campaign = read(tmp_path, with_factor(factor))
    (notice,) = [n for n in campaign.notices() if n.code == "boiling-taken"]
    assert "taken not to change where the water boils" in notice.what


def test_a_misspelt_factor_gets_its_name(tmp_path):
    _, (problem,) = problems(tmp_path, ("[factors.temperature]", "[factors.temprature]"))
    assert problem.code == "setting-missing"
    assert "Did you mean it by [factors.temprature]?" in problem.remedy
    with pytest.raises(CampaignFileError) as caught:
        read(tmp_path, with_factor('[factors.bed_mas]\nlow = "10 g"\nhigh = "12 g"'))
    (problem,) = caught.value.problems
    assert problem.code == "unknown-factor"
    assert "Did you mean bed_mass?" in problem.remedy


def test_a_limit_in_another_unit_is_not_a_plain_number(tmp_path):
    below = 'unit = "mg/g"\naim = "below"\nlimit = "1000 ug/g"\n'
    _, (problem,) = problems(tmp_path, ('unit = "%"\naim = "maximise"\n', below))
    assert problem.code == "wrong-quantity"
    assert "another unit than mg/g" in problem.what


def test_a_pressure_without_unit_is_one_mistake_told_with_its_own_number(tmp_path):
    _, (problem,) = problems(tmp_path, ('pressure = "50 bar"', 'pressure = "37"'))
    assert problem.code == "wrong-quantity"
    assert '"37 bar"' in problem.remedy
    assert "50" not in problem.remedy


def test_a_missing_end_is_told_in_the_unit_of_its_factor(tmp_path):
    _, (problem,) = problems(tmp_path, ('low = "5 mL/min"\n', ""))
    assert "mL/min" in problem.remedy
    assert "degC" not in problem.remedy


def test_levels_that_differ_by_capitals_only_are_one_level_twice(tmp_path):
    levels = '[factors.grind]\nlevels = ["coarse", "Fine", "fine"]\n\n[responses.'
    _, found = problems(tmp_path, ("[responses.", levels))
    assert [(problem.code, problem.where.key) for problem in found] == [
        ("wrong-levels", "factors.grind.levels")
    ]
    assert "differ by more than capitals" in found[0].remedy


def test_levels_that_differ_by_spaces_at_a_percent_sign_are_one_level_twice(tmp_path):
    levels = (
        '[factors.salt]\nlevels = ["0.5 % x", "0.5% x"]\nchanges_boiling = false\n\n[responses.'
    )
    _, found = problems(tmp_path, ("[responses.", levels))
    assert [problem.code for problem in found] == ["wrong-levels"]


def test_a_whole_number_in_quotes_is_given_back_without_them(tmp_path):
    days = re.search(r"(?m)^days = (\d+)", TEXT)
    assert days is not None
    _, found = problems(tmp_path, (days[0], f'days = "{days[1]}"'))
    assert found[0].remedy.endswith(f"Write it as {days[1]}.")
