"""The survey of a region whose shares are known by hand."""

from __future__ import annotations

import numpy as np
import pytest

from doe.factors import FactorSpace, NumericFactor
from doe.region import HeldSetting, map_region, survey
from doe.rig import Envelope, Limit

SPACE = FactorSpace(
    (
        NumericFactor("temperature", "°C", 100.0, 200.0, 5.0),
        NumericFactor("flow", "mL/min", 0.0, 10.0, 0.5),
    )
)
HEAT = Limit("heat", "Heat", "W", "at most")
SLOW = Limit("slow", "Slow", "mL/min", "at least")


def triangle_and_strip(settings):
    """Fails HEAT above a diagonal that cuts off one eighth, and SLOW below 1 mL/min."""
    share = (settings[:, 0] - 100) / 100 + settings[:, 1] / 10
    margin = np.column_stack([1.5 - share, settings[:, 1] - 1.0])
    return Envelope((HEAT, SLOW), margin, np.zeros_like(margin), margin)


def test_shares_of_the_box_against_areas_by_hand():
    found = survey(SPACE, triangle_and_strip)
    heat, slow = found.limits
    assert heat.fails_fraction == pytest.approx(1 / 8, abs=0.01)
    assert slow.fails_fraction == pytest.approx(1 / 10, abs=0.01)
    assert heat.fails_alone_fraction == heat.fails_fraction  # the two areas do not meet
    assert found.feasible_fraction == pytest.approx(1 - 1 / 8 - 1 / 10, abs=0.01)


def test_corners_fail_what_they_fail():
    failing = {
        tuple(corner.settings): [limit.code for limit, _ in corner.fails]
        for corner in survey(SPACE, triangle_and_strip).corners
    }
    assert failing == {
        (100.0, 0.0): ["slow"],
        (200.0, 0.0): ["slow"],
        (100.0, 10.0): [],
        (200.0, 10.0): ["heat"],
    }


def test_cures_are_the_smallest_settable_moves_that_work():
    heat, slow = survey(SPACE, triangle_and_strip).cures
    assert "stop at 150 °C" in heat
    assert "lower the high end of flow to 5.0 mL/min" in heat
    assert "raise" not in heat
    assert "raise the low end of flow to 1.0 mL/min" in slow
    assert "temperature" not in slow


def too_close_below(bar):
    """Boiling needs a height above the diagonal: fails where the set pressure does not reach it.

    100 °C takes 10 bar and 200 °C takes 30; 2 bar below may boil, 4 bar below boils. Below 15 bar
    SLOW fails everywhere, so a cure may not go there.
    """

    def envelope_of(settings):
        needed = 10 + 0.2 * (settings[:, 0] - 100)
        short = needed - bar
        margin = np.column_stack([-short, -short, np.full(len(settings), bar - 15.0)])
        codes = np.select([short > 4, short > 2, short > 0], [3, 2, 1], 0)
        limits = (
            Limit("liquid-margin", "Margin", "bar", "at least"),
            Limit("liquid-subcooling", "Subcooling", "K", "at least"),
            SLOW,
        )
        return Envelope(limits, margin, np.zeros_like(margin), margin, boiling=codes)

    return envelope_of


def test_boiling_is_told_in_three_words_and_cured_by_the_held_pressure_too():
    # At 20 bar everything above 150 °C fails: too close up to 160 °C, may boil up to 170 °C.
    held = HeldSetting("pressure", "bar gauge", 20.0, np.arange(1.0, 51.0), too_close_below)
    found = survey(SPACE, too_close_below(20.0), [held])
    assert found.boiling == pytest.approx((0.1, 0.1, 0.3), abs=0.005)
    assert found.cures == (
        "10 % of the box is too close to boiling, 10 % may boil and 30 % boils: "
        "set the pressure to 30 bar gauge or stop at 150 °C.",
    )


def test_a_held_setting_is_not_moved_where_it_breaks_another_limit():
    # The mirror image: a limit that 12 bar or less would keep, while 15 is the least allowed.
    def at(bar):
        def envelope_of(settings):
            margin = np.tile([12.0 - bar, bar - 15.0], (len(settings), 1))
            return Envelope((HEAT, SLOW), margin, np.zeros_like(margin), margin)

        return envelope_of

    held = HeldSetting("pressure", "bar gauge", 20.0, np.arange(1.0, 51.0), at)
    (cure,) = survey(SPACE, at(20.0), [held]).cures
    assert cure == "100 % of the box fails “Heat”; no single range end or setting cures it."


def test_a_cause_within_another_is_left_to_its_cure():
    def envelope_of(settings):
        share = (settings[:, 0] - 100) / 100
        margin = np.column_stack([0.5 - share, 0.8 - share])
        return Envelope((HEAT, SLOW), margin, np.zeros_like(margin), margin)

    assert [cure.split("“")[1].split("”")[0] for cure in survey(SPACE, envelope_of).cures] == [
        "Heat"
    ]


def test_a_corner_that_no_sampled_setting_comes_near_is_not_the_whole_box():
    def envelope_of(settings):
        share = (settings[:, 0] - 100) / 100 + settings[:, 1] / 10
        margin = (2 - 1e-6 - share)[:, None]
        return Envelope((HEAT,), margin, np.zeros_like(margin), margin)

    found = survey(SPACE, envelope_of)
    assert 0.999 < found.feasible_fraction < 1
    assert 0 < found.limits[0].fails_fraction < 0.001
    assert [bool(corner.fails) for corner in found.corners].count(True) == 1


def test_a_cure_names_what_fails_besides():
    # Boiling needs no more than 150 °C or 30 bar; the heater stops at 180 °C whatever the pressure.
    def at(bar):
        def envelope_of(settings):
            T = settings[:, 0]
            margin = np.column_stack([100 + 50 * (bar >= 30) * 2 + 50 - T, 180 - T])
            return Envelope((SLOW, HEAT), margin, np.zeros_like(margin), margin)

        return envelope_of

    held = HeldSetting("pressure", "bar gauge", 20.0, np.arange(1.0, 51.0), at)
    assert survey(SPACE, at(20.0), [held]).cures == (
        "50 % of the box fails “Slow”: set the pressure to 30 bar gauge, once “Heat” is "
        "mended too; or stop at 150 °C.",
        "20 % of the box fails “Heat”: stop at 180 °C, once “Slow” is mended too.",
    )


def test_a_cure_that_works_by_a_hair_is_dropped():
    # The corner fails by 0.3 W of 100 W; the pressure gains 0.01 W a bar, the temperature 1 W a K.
    def at(bar):
        def envelope_of(settings):
            needed = settings[:, 0] - 99.7 - 0.01 * (bar - 20)
            margin = (100 - needed)[:, None]
            return Envelope((HEAT,), needed[:, None], np.full_like(margin, 100.0), margin)

        return envelope_of

    held = HeldSetting("pressure", "bar gauge", 20.0, np.arange(1.0, 101.0), at)
    (cure,) = survey(SPACE, at(20.0), [held]).cures
    assert "stop at 195 °C" in cure
    assert "pressure" not in cure


def test_a_map_has_the_verdict_of_each_of_its_points():
    view = map_region(SPACE, triangle_and_strip, 0, 1, np.array([150.0, 5.0]), size=11)
    assert view.margin.shape == (2, 11, 11)
    feasible = view.feasible
    assert feasible[2, 5] == 1.0  # 150 °C, 2 mL/min
    assert feasible[0, 0] == 0.0  # 100 °C, no flow
    assert feasible[10, 10] == 0.0  # 200 °C, 10 mL/min
    assert feasible[10, 0] == 1.0  # 100 °C, 10 mL/min: x is temperature, y is flow
