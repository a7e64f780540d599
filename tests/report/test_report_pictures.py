"""Pictures: the geometry of what the rig cannot do, and what every figure must carry."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import replace
from statistics import NormalDist
from types import SimpleNamespace

import numpy as np
import pytest

from doe.design.aliasing import alias_matrix
from doe.design.evaluation import fraction_of_design_space
from doe.factors import FactorSpace, NumericFactor
from doe.region import RegionMap
from doe.report import design_pictures, fit_pictures, map_pictures
from doe.report import pictures as p
from doe.report.svg import draw
from doe.rig import Limit
from doe.terms import linear_model, quadratic_model

LIMIT = Limit("one", "first limit", "bar", "at least", False)


def winding(rings: list[np.ndarray], x: float, y: float) -> int:
    """Winding number of closed rings round a point, by summing the angles seen from it."""
    total = 0.0
    for ring in rings:
        angles = [math.atan2(b - y, a - x) for a, b in ring.tolist()]
        for first, second in itertools.pairwise(angles):
            total += (second - first + math.pi) % (2 * math.pi) - math.pi
    return round(total / (2 * math.pi))


def one_limit(margin: np.ndarray) -> RegionMap:
    rows, columns = margin.shape
    return RegionMap(
        0,
        1,
        np.linspace(100.0, 200.0, columns),
        np.linspace(0.0, 5.0, rows),
        np.zeros(2),
        (LIMIT,),
        margin[None],
    )


def margins() -> dict[str, np.ndarray]:
    y, x = np.mgrid[-1:1:14j, -1:1:17j]
    random = np.random.default_rng(5).normal(size=(14, 17))
    holed = np.where(random > 1.2, np.nan, random)
    return {
        "half plane": x + 0.3 * y - 0.1,
        "ring with a hole": abs(np.hypot(x, y) - 0.55) - 0.2,
        "islands": random,
        "islands, some not applicable": holed,
        "nowhere kept": -1 - x**2,
        "exactly on the limit": np.round(x * 8) / 8,
    }


@pytest.mark.parametrize("name", list(margins()))
def test_infeasible_polygons_hold_just_the_points_with_negative_margin(name: str) -> None:
    margin = margins()[name]
    region = one_limit(margin)
    (layer,) = p.infeasible_layers(region)
    rings = [ring for polygon in layer.polygons for ring in polygon]
    centre = np.array([region.x.mean(), region.y.mean()])
    tried = 0
    for i, y in enumerate(region.y):
        for j, x in enumerate(region.x):
            if margin[i, j] == 0:
                continue  # on the line itself
            nudged = np.array([x, y]) + 1e-7 * (centre - [x, y])  # off the frame of the map
            inside = winding(rings, *nudged) != 0
            assert inside == bool(margin[i, j] < 0), (i, j, margin[i, j])
            tried += 1
    assert tried > 100


def test_points_exactly_on_a_limit_are_not_hatched() -> None:
    margin = np.zeros((5, 5))
    assert p.infeasible_layers(one_limit(margin)) == ()
    margin[2, 2] = -1.0
    (layer,) = p.infeasible_layers(one_limit(margin))
    ring = np.vstack([r for polygon in layer.polygons for r in polygon])
    assert set(np.abs(ring[:, 0] - 150.0).round(6)) <= {0.0, 25.0}


def test_a_limit_that_does_not_apply_forbids_nothing() -> None:
    assert p.infeasible_layers(one_limit(np.full((4, 4), np.nan))) == ()


def test_hatch_labels_are_offered_only_places_on_their_hatch(made_up: SimpleNamespace) -> None:
    seen = 0
    for region in made_up.maps:
        for layer in p.infeasible_layers(region):
            j = layer.hatch
            for x, y in layer.places:
                column, row = np.argmin(abs(region.x - x)), np.argmin(abs(region.y - y))
                assert region.margin[j, row, column] < 0
                seen += 1
    assert seen > 10


@pytest.mark.parametrize(
    ("low", "high", "most"), [(0, 1, 6), (31.2, 44.9, 6), (-0.003, 0.002, 3), (1e4, 9e6, 5)]
)
def test_levels_are_round_even_inside_and_enough(low: float, high: float, most: int) -> None:
    levels = np.array(p.nice_levels(np.array([low, high]), most))
    assert 2 <= len(levels) <= most
    assert (levels > low).all()
    assert (levels < high).all()
    steps = np.diff(levels)
    assert np.allclose(steps, steps[0])
    leading = steps[0] / 10 ** math.floor(math.log10(steps[0]) + 1e-9)
    assert min(abs(leading - m) for m in (1, 2, 2.5, 5, 10)) < 1e-6


def test_a_flat_surface_has_no_levels() -> None:
    assert p.nice_levels(np.full((3, 3), 7.0), 5) == ()


def every_picture(m: SimpleNamespace) -> list[p.Picture]:
    fits = m.analysis.fits
    return [
        *(map_pictures.region_picture(m.space, region, m.runs) for region in m.maps),
        *(map_pictures.surface_picture(m.space, view) for view in m.surfaces),
        *(fit_pictures.effect_curve_picture(m.space, view) for view in m.effect_curves),
        *(map_pictures.variance_picture(m.space, view) for view in m.variance),
        *(fit_pictures.effects_picture(fit) for fit in fits),
        *(fit_pictures.observed_fitted_picture(fit) for fit in fits),
        *(fit_pictures.residuals_picture(fit) for fit in fits),
        *(fit_pictures.half_normal_picture(fit) for fit in fits),
        *(fit_pictures.left_out_picture(fit) for fit in fits),
        *(fit_pictures.normal_picture(fit) for fit in fits),
        *(fit_pictures.residuals_against_picture(fit, m.space, 0) for fit in fits),
        design_pictures.fraction_picture((np.linspace(0, 1, 11), np.linspace(0.2, 0.9, 11))),
        design_pictures.limits_picture(m.survey),
    ]


def test_every_figure_has_a_finding_a_reading_axes_and_a_table(made_up: SimpleNamespace) -> None:
    pictures = every_picture(made_up)
    assert len(pictures) == 26
    for picture in pictures:
        assert picture.finding
        assert not picture.finding.endswith(".")
        assert picture.how_to_read.endswith(".")
        for axis in (picture.x, picture.y):
            assert axis.quantity
            assert axis.low < axis.high
        assert picture.table.rows
        assert all(len(row) == len(picture.table.headings) for row in picture.table.rows)


def test_axes_of_maps_carry_quantity_and_unit(made_up: SimpleNamespace) -> None:
    picture = map_pictures.region_picture(made_up.space, made_up.maps[0])
    assert (picture.x.label, picture.y.label) == ("temperature, °C", "pressure, bar gauge")


def test_a_map_wider_than_the_ranges_says_so_beside_its_share(made_up: SimpleNamespace) -> None:
    region = made_up.maps[0]
    beyond = ", which reaches beyond the ranges"
    assert beyond not in map_pictures.region_picture(made_up.space, region).finding
    wider = map_pictures.region_picture(made_up.space, replace(region, space=made_up.space))
    assert f"of this map{beyond}" in wider.finding


def test_surface_finding_names_the_best_point_that_the_rig_can_run(
    made_up: SimpleNamespace,
) -> None:
    view = made_up.surfaces[0]
    x, y = view.x, view.y
    rising = replace(view, mean=np.tile(x, (len(y), 1)), standard_error=np.ones((len(y), len(x))))
    region = view.region
    shut = np.zeros_like(region.margin)
    shut[:, :, region.x > 160] = -1.0
    cut = replace(rising, region=replace(region, margin=shut))
    assert "near 160\xa0°C" in map_pictures.surface_picture(made_up.space, cut).finding
    none = replace(rising, region=replace(region, margin=shut - 1))
    assert "nothing" in map_pictures.surface_picture(made_up.space, none).finding


def test_runs_on_one_point_share_a_mark_and_none_is_lost(made_up: SimpleNamespace) -> None:
    at = np.array([[150.0, 20.0, 4.0, 30.0], [150.0, 20.0, 6.0, 60.0], [160.0, 20.0, 4.0, 30.0]])
    runs = p.RunPoints("planned", at, ("1", "2", "3"))
    picture = map_pictures.region_picture(made_up.space, made_up.maps[0], [runs])
    (points,) = [layer for layer in picture.layers if isinstance(layer, p.Points)]
    assert points.names == ("1, 2", "3")
    assert sum("planned" in row[-1] for row in picture.table.rows) == 3


def test_effects_intervals_against_t_table(made_up: SimpleNamespace) -> None:
    """The bar reaches t(0.975, df) standard errors: t = 2.145 for 14 degrees of freedom.

    Source: NIST/SEMATECH e-Handbook, 1.3.6.7.2, critical values of Student's t.
    """
    fit = made_up.analysis.fits[0]
    assert fit.df_residual == 14
    (layer,) = [x for x in fit_pictures.effects_picture(fit).layers if isinstance(x, p.Estimates)]
    errors = {round(e.coefficient, 9): e.standard_error for e in fit.estimates}
    for value, low, high in zip(layer.values, layer.low, layer.high, strict=True):
        error = errors[round(float(value), 9)]
        assert (high - value) / error == pytest.approx(2.145, abs=5e-4)
        assert (value - low) / error == pytest.approx(2.145, abs=5e-4)


def test_left_out_picture_against_refits_without_each_run(made_up: SimpleNamespace) -> None:
    fit = made_up.analysis.fits[0]
    picture = fit_pictures.left_out_picture(fit)
    assert picture is not None
    (points,) = [layer for layer in picture.layers if isinstance(layer, p.Points)]
    X = fit.model.matrix(fit.coded)
    for i in range(len(fit.values)):
        rest = np.arange(len(fit.values)) != i
        coefficients = np.linalg.lstsq(X[rest], fit.values[rest], rcond=None)[0]
        assert points.x[i] == pytest.approx(X[i] @ coefficients, rel=1e-7)


def test_half_normal_places_against_the_standard_library(made_up: SimpleNamespace) -> None:
    picture = fit_pictures.half_normal_picture(made_up.analysis.fits[0])
    assert picture is not None
    (points,) = [layer for layer in picture.layers if isinstance(layer, p.Points)]
    m = len(points.x)
    wanted = [NormalDist().inv_cdf(0.5 + 0.5 * (i + 0.5) / m) for i in range(m)]
    assert np.sort(points.x) == pytest.approx(wanted, rel=1e-9)
    assert (np.diff(points.y[np.argsort(points.x)]) >= 0).all()


def test_fraction_curve_of_a_line_through_two_runs() -> None:
    """Runs at −1 and +1, a straight line: variance (1 + x²)/2, so (1 + f²)/2 at fraction f."""
    space = FactorSpace((NumericFactor("a", "m", 0.0, 1.0),))
    region = np.linspace(-1, 1, 20_001)[:, None]
    spread = fraction_of_design_space(linear_model(space), np.array([[-1.0], [1.0]]), region)
    picture = design_pictures.fraction_picture(spread)
    (curve,) = picture.layers
    assert isinstance(curve, p.Curve)
    shares = curve.x / 100
    assert curve.y == pytest.approx((1 + shares**2) / 2, abs=1e-3)
    assert "nine tenths, below 0.9" in picture.finding


def test_runs_at_the_ends_of_a_range_stand_off_the_frame(made_up: SimpleNamespace) -> None:
    """A dot of radius 6 on the end of an axis must not reach the labels of its ticks."""
    at = np.array([[120.0, 10.0, 2.0, 10.0], [220.0, 60.0, 8.0, 60.0]])
    runs = p.RunPoints("done", at, ("1", "2"))
    drawing = draw(map_pictures.region_picture(made_up.space, made_up.maps[0], [runs]))
    left = float(re.search(r'<rect x="([^"]+)"', drawing)[1])  # type: ignore[index]
    dots = [float(x) for x in re.findall(r'class="run-done" cx="([^"]+)"', drawing)]
    assert min(dots) - 6 > left


@pytest.mark.parametrize("size", [1e-12, 1.0, 1e12])
def test_levels_are_round_and_rise_whatever_the_size_of_the_values(size: float) -> None:
    levels = p.nice_levels(size * np.linspace(0.3, 7.9, 50), 6)
    assert 3 <= len(levels) <= 6
    assert np.all(np.diff(levels) > 0)
    assert 0.3 * size < levels[0] < levels[-1] < 7.9 * size


def coded_box(names: str) -> FactorSpace:
    return FactorSpace(tuple(NumericFactor(name, "", -1, 1, None, "easy", "") for name in names))


def test_alias_picture_of_a_half_fraction_against_the_nist_handbook() -> None:
    """NIST/SEMATECH e-Handbook 5.3.3.4.3: with X3 = X1X2 the confounding is 1 = 23, 2 = 13, 3 = 12.

    Generated with the other sign (X3 = −X1X2, same page) each is taken away instead.
    """
    x1, x2 = (grid.ravel() for grid in np.meshgrid([-1.0, 1.0], [-1.0, 1.0]))
    space = coded_box("abc")
    for sign, mark in ((1.0, "1.00"), (-1.0, "−1.00")):
        runs = np.column_stack([x1, x2, sign * x1 * x2])
        beyond = quadratic_model(space).terms
        picture = design_pictures.alias_picture(alias_matrix(linear_model(space), runs, beyond))
        assert picture is not None
        assert set(picture.table.rows) == {
            ("a", "b × c", mark),
            ("b", "a × c", mark),
            ("c", "a × b", mark),
        }
        assert picture.finding == "A cannot be told from b × c, and 2 more such pairs"
        drawing = draw(picture)
        kinds = [len(re.findall(f'class="cell-{kind}"', drawing)) for kind in ("plus", "minus")]
        assert kinds == ([3, 0] if sign > 0 else [0, 3])


def test_alias_picture_is_left_out_where_no_effect_is_touched() -> None:
    """A full factorial tells main effects from all interactions; squares shift the mean alone."""
    runs = np.array(list(itertools.product([-1.0, 1.0], repeat=3)))
    space = coded_box("abc")
    aliases = alias_matrix(linear_model(space), runs, quadratic_model(space).terms)
    assert design_pictures.alias_picture(aliases) is None


def test_alias_picture_draws_the_largest_shares_and_tells_all() -> None:
    rng = np.random.default_rng(4)
    space = coded_box("abcdefgh")
    runs = rng.choice([-1.0, 1.0], (12, 8))
    aliases = alias_matrix(linear_model(space), runs, quadratic_model(space).terms)
    picture = design_pictures.alias_picture(aliases)
    assert picture is not None
    drawn = len(re.findall('class="cell-', draw(picture)))
    assert len(picture.y.categories) == design_pictures.ALIAS_ROWS
    assert len(picture.table.rows) > drawn > 100
    assert "in the table only" in picture.how_to_read


@pytest.mark.parametrize(
    ("chance", "said"),
    [
        (0.95, "with at least 90 % chance wherever the rig can run here"),
        (0.5, "Nowhere here does one run meet every limit"),
        (None, "with at least 90 % chance in 50 % of what the rig can run here"),
    ],
)
def test_chance_picture_says_where_the_chance_is_enough(chance: float | None, said: str) -> None:
    """The rig can run the left half; in its lower half the chance is enough."""
    y, x = np.mgrid[0:1:20j, 0:1:20j]
    region = one_limit(0.5 - x)
    known = np.where(y < 0.5, 0.97, 0.4) if chance is None else np.full(x.shape, chance)
    space = FactorSpace(
        (
            NumericFactor("a", "", 100, 200, None, "easy", ""),
            NumericFactor("b", "", 0, 5, None, "easy", ""),
        )
    )
    view = map_pictures.ChanceView(0, 1, region.x, region.y, known, 0.9, region)
    picture = map_pictures.chance_picture(space, view)
    assert said in picture.finding.replace("\N{NO-BREAK SPACE}", " ")
    strong = draw(picture).count("level-line strong")
    assert strong == (1 if chance is None else 0)
