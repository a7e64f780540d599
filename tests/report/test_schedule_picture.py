"""The picture of the days: true to the schedule, readable without colour, numbers in the table."""

from __future__ import annotations

import re
import tomllib
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from doe.report import svg
from doe.report.pictures import Shape, Shapes
from doe.report.schedule_picture import order_table, schedule_pictures, totals_table
from doe.rig import Conditions, Rig
from doe.schedule import Schedule, schedule, totals

RIG = Path(__file__).parents[1] / "reference" / "rig" / "flow.toml"
NS = "{http://www.w3.org/2000/svg}"


def described() -> Rig:
    return Rig.model_validate(tomllib.loads(RIG.read_text(encoding="utf-8")))


def conditions(n: int = 7) -> Conditions:
    T = np.resize([180.0, 130.0, 155.0], n)
    return Conditions("flow", T, np.full(n, 60.0), np.full(n, 51.0), np.full(n, 10.0))


def planned(n: int = 7, **more: Any) -> Schedule:
    return schedule(described(), conditions(n), range(n), 9 * 60.0, **more)


def shapes(days: Schedule) -> tuple[Shape, ...]:
    layers = schedule_pictures(days)[0].layers
    return next(layer.shapes for layer in layers if isinstance(layer, Shapes))


def test_a_run_is_drawn_where_and_as_hot_as_it_is() -> None:
    # run 1, 180 °C: load 0–15, up to 47, extract to 107, cool to 133, flush to 143, unload to 158
    found = [shape for shape in shapes(planned()) if shape.row == 0 and shape.x.max() <= 158 / 60]
    edges = {
        (shape.look, *np.round(shape.x * 60, 3).tolist()) for shape in found if shape.look != "mark"
    }
    assert edges == {
        ("low", 0, 15),
        ("slope", 15, 47),
        ("full", 47, 107),
        ("slope", 107, 133),
        ("dashed", 133, 143),
        ("low", 143, 158),
    }
    assert [np.round(s.x * 60, 3).tolist() for s in found if s.look == "mark"] == [[95, 95]]


def test_height_is_temperature_on_one_scale() -> None:
    tops = {shape.top: float(shape.height.max()) for shape in shapes(planned()) if shape.top}
    foot = min(float(shape.height.min()) for shape in shapes(planned()) if shape.look == "slope")
    share = {T: (top - foot) / (tops["180"] - foot) for T, top in tops.items()}
    assert share["155"] == pytest.approx((155 - 20) / (180 - 20))
    assert share["130"] == pytest.approx((130 - 20) / (180 - 20))


def test_phases_differ_in_shape_or_line_so_that_colour_is_not_needed() -> None:
    looks: dict[str, set[tuple[bool, bool]]] = {}
    for shape in shapes(planned()):
        flat = bool(np.ptp(shape.height) < 1e-9)
        looks.setdefault(shape.look, set()).add((flat, bool(shape.height.max() > 0.3)))
    assert looks["slope"] == {(False, True)}
    assert looks["full"] == {(True, True)}
    assert looks["low"] == {(True, False)}
    css = (Path(svg.__file__).parent / "templates" / "report.css").read_text(encoding="utf-8")
    for look in looks:
        assert f".picture .shape-{look}{{" in css
    for look in ("dashed", "mark"):
        rule = re.search(rf"\.shape-{look}\{{([^}}]*)\}}", css)
        assert rule is not None
        assert "stroke-dasharray" in rule[1]


@pytest.mark.parametrize("width", [svg.WIDE, svg.NARROW])
def test_the_drawing_names_days_and_runs_and_the_end_of_the_day(width: int) -> None:
    days = planned(before=("blank",))
    root = ET.fromstring(svg.draw(schedule_pictures(days)[0], width))
    said = [element.text or "" for element in root.iter(f"{NS}text")]
    for day in days.days:
        assert f"day {day.number}" in said
    for run in range(1, 8):
        assert str(run) in said
    assert "blank" in said
    assert any("end of the working day" in text for text in said)
    bottom = float((root.get("viewBox") or "").split()[3])
    assert all(0 <= float(e.get("y", "0")) <= bottom for e in root.iter(f"{NS}text"))


def test_the_table_holds_every_run_with_its_times() -> None:
    picture = schedule_pictures(planned())[0]
    # 158, 138 and 148 min: three runs fit into 540 min
    assert picture.finding == "7 runs take 3 days; the longest, day 1, takes 7 h 24 min of 9 h"
    assert picture.table.rows[1] == (
        *("1", "2:38", "4:56", "2", "130"),
        *("15", "22", "60", "16", "10", "15"),
        "4:13",  # 2:38 and 15 min, then 80 min of 10 mL/min into 800 mL
    )
    assert len(picture.table.rows) == 7
    assert all(len(row) == len(picture.table.headings) for row in picture.table.rows)


def test_many_days_are_told_in_several_pictures() -> None:
    days = planned(42)
    pictures = schedule_pictures(days)
    rows = [row for picture in pictures for row in picture.table.rows]
    assert len(pictures) == 2
    assert [row[3] for row in rows] == [str(run) for run in range(1, 43)]
    assert pictures[0].finding == "Days 1 to 12: 36 of 42 runs"
    assert len({picture.key for picture in pictures}) == 2


def test_tables_of_totals_and_of_the_order() -> None:
    days = planned()
    needed = dict(totals_table(totals(described(), conditions(), days, reserve=0.25)).rows)
    assert needed["days"] == "3"
    # 3 × 1280 + 2 × 1080 + 2 × 1180 mL
    assert needed["water drawn"] == "8.36 L"
    table = order_table(days)
    assert [row[0] for row in table.rows] == ["as planned", "sorted by temperature"]
    # 180 130 155 180 130 155 180: 4 × 25 + 2 × 50 K; sorted 50 K
    assert [row[2] for row in table.rows] == ["200", "50"]
