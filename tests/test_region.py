"""The survey of a region whose shares are known by hand."""

from __future__ import annotations

import numpy as np
import pytest

from doe.factors import FactorSpace, NumericFactor
from doe.region import map_region, survey
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
    assert "lower the high end of temperature to 150 °C" in heat
    assert "lower the high end of flow to 5.0 mL/min" in heat
    assert "raise" not in heat
    assert "raise the low end of flow to 1.0 mL/min" in slow
    assert "temperature" not in slow


def test_a_map_has_the_verdict_of_each_of_its_points():
    view = map_region(SPACE, triangle_and_strip, 0, 1, np.array([150.0, 5.0]), size=11)
    assert view.margin.shape == (2, 11, 11)
    feasible = view.feasible
    assert feasible[2, 5] == 1.0  # 150 °C, 2 mL/min
    assert feasible[0, 0] == 0.0  # 100 °C, no flow
    assert feasible[10, 10] == 0.0  # 200 °C, 10 mL/min
    assert feasible[10, 0] == 1.0  # 100 °C, 10 mL/min: x is temperature, y is flow
