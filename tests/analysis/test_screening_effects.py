"""Effects without replicates against published analyses, and definitive screening in two steps."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from published_data import Printed, Y, coded_space, columns, facts, observed

from doe.analysis.fit import fit_response
from doe.analysis.screening_effects import (
    any_beyond_margin,
    any_called_clear,
    definitive_two_step,
    half_normal,
    lenth,
    screen,
)
from doe.errors import FitError


def table(name, factors, response):
    values = columns("statistics", name)
    space = coded_space(len(factors), names=factors)
    return observed(space, np.column_stack([values[f] for f in factors]), values[response])


def test_filtration_effects_and_lenth_margins_against_montgomery_example_6_2():
    printed = Printed("mont_filtration_2to4")
    found = screen(Y, table("mont_filtration_2to4", list("ABCD"), "y"))
    (stratum,) = found.strata
    assert len(stratum.effects) == 15
    for effect in stratum.effects:
        assert effect.effect == printed[f"effect {effect.label.replace(' × ', '')}"]
        assert effect.aliases == ()
    assert stratum.lenth.first_guess == printed["Lenth s0"]
    assert stratum.lenth.pse == printed["Lenth PSE"]
    assert stratum.lenth.margin == printed["Lenth ME"]
    assert stratum.lenth.simultaneous == printed["Lenth SME"]
    assert {e.label for e in stratum.effects if e.clear} == {"A", "C", "D", "A × C", "A × D"}
    assert found.curvature is None


def test_sonoluminescence_effects_and_aliases_against_nist_5_4_7_2():
    names = [f"X{i}" for i in range(1, 8)]
    data = table("nist_sonoluminescence_2to7m3", names, "intensity")
    (stratum,) = screen(Y, data).strata
    printed = Printed("nist_sonoluminescence_2to7m3")
    listed = [q for q in printed.checks if q.startswith("half-effect x")]
    assert len(listed) == len(stratum.effects) == 15
    for quantity in listed:
        word = " × ".join(f"X{d}" for d in quantity.removeprefix("half-effect x"))
        for effect in stratum.effects:
            signs = {a.lstrip("−"): -1 if a.startswith("−") else 1 for a in effect.aliases}
            if word in signs or word == effect.label:
                assert signs.get(word, 1) * effect.effect / 2 == printed[quantity]
                break
        else:
            pytest.fail(f"{word} is nowhere")
    reference = facts("statistics", "nist_sonoluminescence_2to7m3")["computed_reference"]
    assert stratum.lenth.pse == pytest.approx(reference["PSE"])
    assert stratum.lenth.margin == pytest.approx(reference["ME"])
    assert stratum.lenth.simultaneous == pytest.approx(reference["SME"])


def test_none_is_judged_from_fewer_than_seven_contrasts():
    with pytest.raises(ValueError, match="at least 7"):
        lenth(np.arange(6.0))
    points = np.array(list(itertools.product((-1, 1), repeat=2)), dtype=float)
    (stratum,) = screen(Y, observed(coded_space(2), points, [1.0, 2, 3, 9])).strata
    assert stratum.lenth is None
    assert "Only 3 contrasts" in stratum.why_not
    assert {e.clear for e in stratum.effects} == {None}


@pytest.mark.long
@pytest.mark.parametrize("m", [7, 11, 15, 21, 31])
def test_false_alarms_of_a_whole_experiment_against_simulation(m):
    """Lenth's steps written anew, and his t with m/3 degrees of freedom from scipy.stats."""
    from scipy.stats import t

    draws = np.abs(np.random.default_rng(m).normal(size=(8000, m)))
    margins = np.empty(8000)
    for i, sizes in enumerate(draws):
        small = sizes[sizes < 3.75 * np.median(sizes)]
        margins[i] = t.ppf(0.975, m / 3) * 1.5 * np.median(small)
    found = np.mean(draws.max(axis=1) > margins)
    assert any_beyond_margin(m) == pytest.approx(found, abs=4 * np.sqrt(found * (1 - found) / 8000))


@pytest.mark.parametrize(("tests", "df"), [(1, 3), (7, 3), (4, 4), (11, 2)])
def test_false_alarms_of_tests_against_one_scatter_against_simulation(tests, df):
    from scipy.stats import t

    rng = np.random.default_rng(tests)
    largest = np.abs(rng.normal(size=(100_000, tests))).max(axis=1)
    scatter = np.sqrt(rng.chisquare(df, 100_000) / df)
    found = np.mean(largest > t.ppf(0.975, df) * scatter)
    assert any_called_clear(tests, df) == pytest.approx(found, abs=0.006)
    assert tests > 1 or any_called_clear(tests, df) == pytest.approx(0.05, abs=1e-4)


def test_half_normal_places_are_quantiles_of_the_absolute_normal():
    """Daniel 1959: the i-th smallest of m stands at the share (i − ½)/m of |N(0, 1)|."""
    from scipy.stats import halfnorm

    places = half_normal(np.array([0.3, -5.0, 1.0, 0.1, -2.0]))
    assert places == pytest.approx(halfnorm.ppf([0.3, 0.9, 0.5, 0.1, 0.7]))


@pytest.mark.parametrize("name", ["mont_chem_first_order_1", "mont_chem_first_order_2"])
def test_curvature_against_montgomery_example_11_1(name):
    printed = Printed(name)
    found = screen(Y, table(name, ["x1", "x2"], "y")).curvature
    assert found.sum_of_squares == pytest.approx(
        float(printed.checks["curvature SS"]["printed"]),
        abs=printed.checks["curvature SS"]["tolerance"],
    )
    assert found.f == printed["curvature F"]
    assert found.p_value == printed["curvature p"]
    assert found.df == 4


def split_two_level(seed=1, sd_plot=5.0):
    """2⁵ in 8 plots of 4: three hard factors, two easy."""
    rng = np.random.default_rng(seed)
    points = np.array(list(itertools.product((-1, 1), repeat=5)), dtype=float)
    plots = np.repeat(np.arange(1, 9), 4)
    y = sd_plot * rng.normal(size=9)[plots] + rng.normal(size=32) + 2 * points[:, 3]
    return observed(coded_space(5), points, y, plots=tuple(plots.tolist()))


def test_split_plot_effects_are_judged_stratum_by_stratum():
    found = screen(Y, split_two_level())
    between, within = found.strata
    assert (between.name, len(between.effects)) == ("between plots", 7)
    assert (within.name, len(within.effects)) == ("between runs", 24)
    assert within.lenth.pse < between.lenth.pse / 3
    assert within.effects[0].label == "x4"
    assert within.effects[0].surely


def test_plot_effects_are_called_clear_no_more_often_than_lenth_says():
    """Null whole-plot effects; judged together with the runs' contrasts most would be clear."""
    clear = [
        sum(e.clear for e in screen(Y, split_two_level(seed)).strata[0].effects)
        for seed in range(60)
    ]
    assert np.mean(clear) / 7 < 0.10


def test_lost_corner_is_refused():
    data = table("mont_filtration_2to4", list("ABCD"), "y")
    with pytest.raises(FitError, match="not balanced"):
        screen(Y, replace(data, values=np.where(np.arange(16) == 3, np.nan, data.values)))


# Conference matrix of order 6 (Paley construction on 5, in the table of the design reference).
CONFERENCE = np.array(
    [
        [0, 1, 1, 1, 1, 1],
        [1, 0, 1, -1, -1, 1],
        [1, 1, 0, 1, -1, -1],
        [1, -1, 1, 0, 1, -1],
        [1, -1, -1, 1, 0, 1],
        [1, 1, -1, -1, 1, 0],
    ],
    dtype=float,
)


def definitive(truth, factors=4, centres=3, seed=1, sd=0.3):
    assert np.array_equal(CONFERENCE.T @ CONFERENCE, 5 * np.eye(6))
    half = CONFERENCE[:, :factors]
    points = np.vstack([half, -half, np.zeros((centres, factors))])
    y = truth(points) + np.random.default_rng(seed).normal(0, sd, len(points))
    return observed(coded_space(factors), points, y)


def test_two_steps_find_the_terms_that_made_the_values():
    def truth(x):
        return 10 + 3 * x[:, 0] - 2 * x[:, 1] + 2 * x[:, 0] * x[:, 1] - 3 * x[:, 0] ** 2

    data = definitive(truth)
    found = definitive_two_step(Y, data)
    assert [one.label for one in found.main if one.kept] == ["x1", "x2"]
    assert set(found.second_order) == {"x1²", "x1 × x2"}
    assert found.df_error == 2 + 2
    fit = fit_response(Y, found.model, data)
    assert dict(zip(fit.model.labels, fit.coefficients, strict=True))["x1²"] == pytest.approx(
        -3, abs=0.8
    )
    assert found.model.is_hierarchical()


def test_first_step_keeps_null_factors_as_often_as_its_level():
    """400 campaigns with second-order effects of the other factors, which must not leak in."""
    kept = 0
    for seed in range(400):
        data = definitive(
            lambda x: 3 * x[:, 0] + 4 * x[:, 0] * x[:, 2] + 5 * x[:, 1] ** 2, seed=seed
        )
        kept += definitive_two_step(Y, data).main[3].kept
    assert kept / 400 == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / 400))


def test_without_error_main_effects_are_all_kept_and_it_is_said():
    found = definitive_two_step(Y, definitive(lambda x: x[:, 0], factors=6, centres=1))
    assert found.df_error == 0
    assert all(one.kept and one.p_value is None for one in found.main)
    assert "Repeat the centre" in found.why


def without(data, *lost):
    """The data with the values of some runs, by number, missing."""
    gone = np.isin(data.runs, lost)
    return replace(data, values=np.where(gone, np.nan, data.values))


def test_a_lost_run_costs_its_pair_and_no_bias():
    """No noise, strong second order: main effects come out exactly without run 3 and its mirror."""

    def truth(x):
        return 10 + 3 * x[:, 0] - 2 * x[:, 1] + 6 * x[:, 0] * x[:, 2] - 9 * x[:, 1] ** 2

    found = definitive_two_step(Y, without(definitive(truth, sd=0.0), 3))
    assert found.alone == (9,)
    assert [one.coefficient for one in found.main] == pytest.approx([3, -2, 0, 0], abs=1e-9)
    assert definitive_two_step(Y, without(definitive(truth), 3, 9)).alone == ()
    assert found.df_error == 1 + 2


def test_with_a_lost_run_null_factors_are_kept_as_often_as_the_level_says():
    kept = 0
    for seed in range(400):
        data = definitive(
            lambda x: 3 * x[:, 0] + 4 * x[:, 0] * x[:, 2] + 5 * x[:, 1] ** 2, seed=seed
        )
        kept += definitive_two_step(Y, without(data, 1 + seed % 12)).main[3].kept
    assert kept / 400 == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / 400))


def test_a_lost_run_that_leaves_too_few_pairs_is_refused_and_named():
    data = definitive(lambda x: x[:, 0], factors=6)
    with pytest.raises(
        FitError, match=r"run 9 has no measured run.*5 mirrored pairs cannot tell 6"
    ):
        definitive_two_step(Y, without(data, 3))


def test_bends_are_not_judged_where_centres_stand_at_one_level():
    """A level that shifts runs by 4, no bend at all: corners average over both levels, centres
    stand at the first, so their difference of 2 is the level's alone."""
    from doe.factors import CategoricalFactor, FactorSpace, NumericFactor

    space = FactorSpace(
        (
            NumericFactor("a", "", -1, 1),
            NumericFactor("b", "", -1, 1),
            CategoricalFactor("grind", ("coarse", "fine")),
        )
    )
    corners = np.array(list(itertools.product((-1.0, 1.0), (-1.0, 1.0), (0.0, 1.0))))
    runs = np.vstack([corners, [[0.0, 0.0, 0.0]] * 3])
    values = 10 + 3 * runs[:, 0] + 4 * runs[:, 2] + 0.1 * np.sin(np.arange(11.0))
    found = screen(Y, observed(space, runs, values))
    assert found.curvature is None
    assert "bend-not-judged" in {notice.code for notice in found.notices}
