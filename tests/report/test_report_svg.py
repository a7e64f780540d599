"""Drawings without scripts: well formed, labelled, the same bytes again, true to the picture."""

from __future__ import annotations

import itertools
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from made_up_campaign import envelope_of
from test_report_pictures import every_picture, one_limit

from doe.region import map_region
from doe.report import map_pictures, svg
from doe.report import pictures as p

NS = "{http://www.w3.org/2000/svg}"


def texts(root: ET.Element) -> list[str]:
    return [element.text or "" for element in root.iter(f"{NS}text")]


@pytest.mark.parametrize("width", [svg.WIDE, svg.NARROW])
def test_every_drawing_is_well_formed_named_and_labelled(
    made_up: SimpleNamespace, width: int
) -> None:
    for picture in every_picture(made_up):
        root = ET.fromstring(svg.draw(picture, width))
        assert root.get("role") == "img"
        named = {e.get("id"): e.text for e in root.iter() if e.get("id")}
        title, description = (root.get("aria-labelledby") or "").split()
        assert named[title] == picture.finding
        assert picture.how_to_read in (named[description] or "")
        assert picture.x.label in texts(root)
        if not picture.y.categories:
            assert picture.y.label in texts(root)


def test_references_inside_a_drawing_resolve(made_up: SimpleNamespace) -> None:
    drawing = svg.draw(map_pictures.surface_picture(made_up.space, made_up.surfaces[1]))
    ids = set(re.findall(r'\bid="([^"]+)"', drawing))
    used = set(re.findall(r"url\(#([^)]+)\)", drawing))
    assert used
    assert used <= ids


def test_the_same_picture_gives_the_same_bytes(made_up: SimpleNamespace) -> None:
    for picture in every_picture(made_up):
        assert svg.draw(picture) == svg.draw(picture)


def test_every_limit_that_fails_is_named_on_its_map(made_up: SimpleNamespace) -> None:
    for width in (svg.WIDE, svg.NARROW):
        for region in made_up.maps:
            drawing = ET.fromstring(
                svg.draw(map_pictures.region_picture(made_up.space, region), width)
            )
            said = " ".join(texts(drawing))
            for layer in p.infeasible_layers(region):
                for word in layer.label.split():
                    assert word in said


def test_every_limit_has_its_own_hatch_so_that_colour_is_not_needed(
    made_up: SimpleNamespace,
) -> None:
    at = np.array([190.0, 20.0, 2.0, 60.0])  # at a low pressure three limits stand on one map
    region = map_region(made_up.space, envelope_of, 0, 2, at)
    crossed = replace(made_up.surfaces[1], region=region)
    drawing = svg.draw(map_pictures.surface_picture(made_up.space, crossed))
    turns = re.findall(r'patternTransform="([^"]+)"', drawing)
    assert len(turns) == 3
    assert len(set(turns)) == 3


def test_marks_of_runs_differ_in_shape(made_up: SimpleNamespace) -> None:
    at = made_up.maps[0].at[None]
    shapes = {}
    for kind in ("done", "planned", "suggested", "left out"):
        runs = p.RunPoints(kind, at, ("1",))
        root = ET.fromstring(
            svg.draw(map_pictures.region_picture(made_up.space, made_up.maps[0], [runs]))
        )
        shapes[kind] = sorted(
            (e.tag.removeprefix(NS), e.get("class", ""))
            for e in root.iter()
            if e.get("class", "").startswith("run-") and e.tag != f"{NS}text"
        )
    assert len({str(shape) for shape in shapes.values()}) == 4
    assert [tag for tag, _ in shapes["suggested"]] == ["circle", "circle"]
    assert [tag for tag, _ in shapes["left out"]] == ["path"]


def even_odd(rings: list[np.ndarray], x: float, y: float) -> bool:
    """Whether a ray from the point to the right crosses the rings an odd number of times."""
    crossed = 0
    for ring in rings:
        for (a, b), (c, d) in itertools.pairwise(ring):
            if (b > y) != (d > y) and a + (y - b) * (c - a) / (d - b) > x:
                crossed += 1
    return crossed % 2 == 1


def test_the_hatch_as_drawn_covers_a_ring_and_leaves_its_hole_open(
    made_up: SimpleNamespace,
) -> None:
    y, x = np.mgrid[-1:1:31j, -1:1:31j]
    region = one_limit(abs(np.hypot(x, y) - 0.55) - 0.2)
    axis = p.Axis("first", "m", 100.0, 200.0), p.Axis("second", "m", 0.0, 5.0)
    picture = p.Picture(
        "ring", "A ring", "Read it.", *axis, p.infeasible_layers(region), p.Table(("a",), (("1",),))
    )
    root = ET.fromstring(svg.draw(picture))
    frame = next(root.iter(f"{NS}clipPath"))[0]
    left, top, wide, high = (float(frame.get(k, "")) for k in ("x", "y", "width", "height"))
    (path,) = [e for e in root.iter(f"{NS}path") if e.get("class") == "hatched"]
    rings = []
    for part in re.findall(r"M([^Z]+)Z", path.get("d", "")):
        ring = np.array([[float(v) for v in step.split()] for step in part.split("L")])
        rings.append(np.vstack([ring, ring[:1]]))
    tried = {True: 0, False: 0}
    for i in range(31):
        for j in range(31):
            margin = region.margin[0, i, j]
            if abs(margin) < 0.02:
                continue  # within the 0.1 pixel to which drawings are rounded
            px = left + wide * (x[i, j] + 1) / 2
            py = top + high * (1 - (y[i, j] + 1) / 2)
            assert even_odd(rings, px, py) == bool(margin < 0)
            tried[bool(margin < 0)] += 1
    assert min(tried.values()) > 100


def test_a_place_that_is_not_a_number_is_refused() -> None:
    axis = p.Axis("a", "m", 0.0, 1.0)
    curve = p.Curve(np.array([0.0, np.nan]), np.array([0.0, 1.0]), "line")
    picture = p.Picture("k", "f", "r.", axis, axis, (curve,), p.Table(("a",), (("1",),)))
    with pytest.raises(ValueError, match="finite"):
        svg.draw(picture)


def test_many_runs_are_all_drawn_though_unnamed(made_up: SimpleNamespace) -> None:
    at = np.tile(made_up.maps[0].at, (500, 1))
    at[:, 0] = np.linspace(121, 219, 500)
    runs = p.RunPoints("done", at, tuple(map(str, range(500))))
    root = ET.fromstring(
        svg.draw(map_pictures.region_picture(made_up.space, made_up.maps[0], [runs]))
    )
    (dots,) = [e for e in root.iter(f"{NS}path") if e.get("class") == "run-dots"]
    assert (dots.get("d") or "").count("M") == 500
