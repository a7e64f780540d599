"""What screening says in words: against published conclusions, and by how often it is wrong."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from published_data import Y, coded_space, columns, observed
from test_screening_effects import definitive

from doe.analysis.fit import fit_response
from doe.analysis.screened import DEFINITIVE, screening_verdict
from doe.analysis.selection import recommend_model
from doe.terms import linear_model

SQUARE = np.array(list(itertools.product((-1.0, 1.0), repeat=2)))
CUBE = np.array(list(itertools.product((-1.0, 1.0), repeat=3)))


def published(name, factors, response):
    values = columns("statistics", name)
    space = coded_space(len(factors), names=factors)
    return observed(space, np.column_stack([values[f] for f in factors]), values[response])


def half_cube(values, centre_values=()):
    """2^(4−1) with D = ABC, then centre runs."""
    corners = np.column_stack([CUBE, CUBE.prod(axis=1)])
    points = np.vstack([corners, np.zeros((len(centre_values), 4))])
    space = coded_space(4, names=list("ABCD"))
    return observed(space, points, [*values(corners), *centre_values])


def test_filtration_conclusions_of_montgomery_example_6_2():
    """A, C, D and their interactions matter and B does not: the book's reading of its plot."""
    found = screening_verdict(Y, published("mont_filtration_2to4", "ABCD", "y"), "factorial", 1)
    assert found.matter == ("A", "C", "D")
    assert found.sentences[0] == "Y: A, C and D matter; B does not show."


def test_sonoluminescence_conclusions_of_nist_5_6_2():
    """Active are X2, X7, X1, X3 and pairs that stand for several (its conclusions, from memory)."""
    names = [f"X{i}" for i in range(1, 8)]
    found = screening_verdict(
        Y, published("nist_sonoluminescence_2to7m3", names, "intensity"), "factorial", 1
    )
    assert set(found.matter) == {"X1", "X2", "X3", "X7"}
    (told,) = [s for s in found.sentences if s.startswith("These runs cannot tell")]
    assert "X1 × X3 from" in told


def test_four_factors_that_likely_act_together_are_not_said_to_matter():
    """A 2^4 whose scatter is known by hand: all contrasts 1 but A, 20, and ABCD, 5. The margin of
    one is 2.57 × 1.5, that of the largest 5.22 × 1.5 (multipliers of the reference for 15)."""
    corners = np.array(list(itertools.product((-1.0, 1.0), repeat=4)))
    sizes = {(0,): 20.0, (0, 1, 2, 3): 5.0}
    words = [w for size in (1, 2, 3, 4) for w in itertools.combinations(range(4), size)]
    y = sum(sizes.get(w, 1.0) / 2 * corners[:, list(w)].prod(axis=1) for w in words)
    data = observed(coded_space(4, names=list("ABCD")), corners, y)
    found = screening_verdict(Y, data, "factorial", 1)
    (stratum,) = found.effects.strata
    assert [e.label for e in stratum.effects if e.clear] == ["A", "A × B × C × D"]
    assert [e.label for e in stratum.effects if e.surely] == ["A"]
    assert found.matter == ("A",)


def test_few_contrasts_are_judged_by_the_fitted_model():
    points = np.vstack([SQUARE, SQUARE])
    values = 3 * points[:, 0] + np.random.default_rng(1).normal(0, 0.2, 8)
    data = observed(coded_space(2), points, values)
    alone = observed(coded_space(2), SQUARE, values[:4])
    untold = screening_verdict(Y, alone, "factorial", 1)
    assert untold.matter == ()
    assert "too few contrasts" in untold.sentences[0]
    fitted = fit_response(Y, linear_model(data.space), data)
    told = screening_verdict(Y, alone, "factorial", 1, fitted=fitted)
    assert told.matter == ("x1",)
    assert any("judged by the fitted model" in sentence for sentence in told.sentences)


def test_repeats_find_what_lenth_misses_when_half_the_contrasts_act():
    rng = np.random.default_rng(3)
    centre = rng.normal(0, 0.5, 4)
    data = half_cube(
        lambda x: 5 * x[:, 0] + 4 * x[:, 1] + 3 * x[:, 2] + 4 * x[:, 0] * x[:, 1], centre
    )
    found = screening_verdict(Y, data, "factorial", 1)
    (stratum,) = found.effects.strata
    assert not any(effect.clear for effect in stratum.effects)  # Lenth's margin takes all in
    assert found.matter == ("A", "B", "C")
    assert found.repeats.df == 3
    # scatter of the repeats by hand, and its margin on an effect of eight corners: t = 3.182
    assert found.repeats.sd == pytest.approx(np.std(centre, ddof=1))
    assert found.repeats.margin == pytest.approx(3.182 * 2 * np.std(centre, ddof=1) / 8**0.5, 1e-3)
    assert any("A × B from C × D" in sentence for sentence in found.sentences)


def test_three_that_multiply_to_one_another_are_said_to_need_not_all_matter():
    base = CUBE
    points = np.column_stack([base, base[:, 0] * base[:, 1]])
    values = 5 * points[:, 0] + 4 * points[:, 1] + 3 * points[:, 0] * points[:, 1]
    centres = np.zeros((3, 4))
    data = observed(
        coded_space(4, names=list("ABCD")), np.vstack([points, centres]), [*values, 0.1, -0.1, 0.05]
    )
    found = screening_verdict(Y, data, "factorial", 1)
    assert set(found.matter) == {"A", "B", "D"}
    assert any("D may be A × B" in sentence for sentence in found.sentences)


@pytest.mark.parametrize("centres", [0, 3])
def test_an_idle_factor_is_said_to_matter_about_as_often_as_the_level_says(centres):
    """600 campaigns of 2^(4−1), A alone acting: B by Lenth's margin, or by three repeats.

    Repeats judge at 5 % exactly. Lenth's margin of seven contrasts, read as t with 7/3 degrees of
    freedom, keeps about 5 % by its own construction (Lenth 1989, from memory) and is allowed 4
    to 6 % and chance.
    """
    rng = np.random.default_rng(11)
    wrong = 0
    for _ in range(600):
        data = half_cube(
            lambda x: 3 * x[:, 0] + rng.normal(size=8), rng.normal(size=centres).tolist()
        )
        wrong += "B" in screening_verdict(Y, data, "factorial", 1).matter
    share, chance = wrong / 600, 3.3 * np.sqrt(0.05 * 0.95 / 600)
    assert abs(share - 0.05) < chance + (0.01 if centres == 0 else 0.0)


def test_two_steps_name_factors_and_say_how_little_is_sure():
    data = definitive(lambda x: 10 + 3 * x[:, 0] - 2 * x[:, 1] - 3 * x[:, 0] ** 2)
    found = screening_verdict(Y, data, DEFINITIVE, 1)
    assert found.matter == ("x1", "x2")
    assert "x1²" in found.sentences[0]
    assert {"x1", "x2", "x1²"} <= set(found.refit.model.labels)
    assert any("too short" in sentence for sentence in found.sentences)


def test_two_steps_with_a_lost_run_say_so_and_predict_left_out_runs():
    """Where the truth is what the steps find, they miss left-out runs by about the scatter, 0.3."""
    data = definitive(lambda x: 10 + 3 * x[:, 0] - 2 * x[:, 1] - 3 * x[:, 0] ** 2)
    whole = screening_verdict(Y, data, DEFINITIVE, 1)
    assert 0.2 < whole.left_out_error < 0.9
    lost = replace(data, values=np.where(np.array(data.runs) == 2, np.nan, data.values))
    found = screening_verdict(Y, lost, DEFINITIVE, 1)
    assert found.matter == ("x1", "x2")
    assert any(
        sentence.startswith("Run 8 has no measured mirrored") for sentence in found.sentences
    )
    assert 8 in found.refit.runs_used
    full = definitive(lambda x: 10 + 3 * x[:, 0], factors=6)
    assert screening_verdict(Y, full, DEFINITIVE, 1).left_out_error is None


def test_the_two_steps_are_recommended_where_the_runs_speak_for_them():
    """Six factors on 15 runs, one bend and one interaction. The second step takes a term too many
    in one campaign of five (its level is 20 %); this is one of the four."""
    data = definitive(
        lambda x: 10 + 5 * x[:, 0] - 4 * x[:, 1] + 4 * x[:, 0] * x[:, 1] - 6 * x[:, 0] ** 2,
        factors=6,
        seed=5,
    )
    steps = screening_verdict(Y, data, DEFINITIVE, 1)
    assert set(steps.steps.second_order) == {"x1²", "x1 × x2"}
    found = recommend_model(
        Y, data.space, data, 1, proposed=((steps.steps.model, steps.left_out_error),), draws=5
    )
    assert set(found.model.terms) == set(steps.steps.model.terms)


def test_definitive_screening_without_an_error_names_no_factor():
    data = definitive(lambda x: x[:, 0], factors=6, centres=1)
    found = screening_verdict(Y, data, DEFINITIVE, 1)
    assert found.matter == ()
    assert "nothing is left to judge" in found.sentences[0]


def test_limits_lost_corners_and_strayed_runs_are_said():
    data = half_cube(lambda x: x[:, 0])
    hidden = replace(data, censored=("below", *(None,) * 7))
    assert "only a limit" in screening_verdict(Y, hidden, "factorial", 1).sentences[0]
    lost = replace(data, values=np.where(np.arange(8) == 2, np.nan, data.values))
    (told,) = screening_verdict(Y, lost, "factorial", 1).sentences
    assert "not balanced" in told
    assert "The fitted model judges the factors here" in told
    moved = data.achieved.copy()
    moved[4, 0] += 0.5
    (notice,) = screening_verdict(Y, replace(data, achieved=moved), "factorial", 1).notices
    assert notice.code == "strayed-from-levels"
    assert "run 5" in notice.what
