"""Pictures as plotly figures."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from test_report_pictures import every_picture

from doe.report import interactive, map_pictures
from doe.report import pictures as p


def test_plotly_accepts_every_picture(made_up: SimpleNamespace) -> None:
    """plotly validates names and values of each trace as it builds a figure."""
    for picture in every_picture(made_up):
        figure = interactive.figure(picture)
        assert figure.layout.title.text
        assert figure.layout.xaxis.title.text.startswith(picture.x.quantity)


def test_surface_carries_its_values_and_standard_errors(made_up: SimpleNamespace) -> None:
    view = made_up.surfaces[0]
    figure = interactive.figure(map_pictures.surface_picture(made_up.space, view))
    surface = figure.data[0]
    assert np.allclose(np.array(surface.z), view.mean, rtol=1e-3, atol=1e-9)
    assert np.allclose(np.array(surface.customdata), view.standard_error, rtol=1e-2)
    levels = p.nice_levels(view.mean, 6)
    drawn = np.arange(levels[0], surface.contours.end + 1e-9, surface.contours.size)
    assert drawn == pytest.approx(levels)


def test_names_cannot_bring_markup_into_plotly(made_up: SimpleNamespace) -> None:
    runs = p.RunPoints("done", made_up.maps[0].at[None], ("<a href='x'>%{x}</a>",))
    spec = interactive.specification(
        map_pictures.region_picture(made_up.space, made_up.maps[0], [runs])
    )
    (text,) = next(trace["text"] for trace in spec["data"] if trace.get("mode") == "markers")
    assert "<a" not in text
    assert "%{" not in text
