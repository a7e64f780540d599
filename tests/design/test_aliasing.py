"""The alias matrix against simulated estimates and the words of the defining relation."""

import numpy as np
import pytest

from doe.design.aliasing import alias_matrix
from doe.design.response_surface import box_behnken
from doe.design.screening import Fraction, alias_sentences, fraction_points, regular_fractions
from doe.factors import CategoricalFactor, FactorSpace, NumericFactor
from doe.terms import interaction_model, linear_model, quadratic_model

NAMES = ("temperature", "pressure", "flow", "time", "load", "size", "pH")


def box(k: int) -> FactorSpace:
    return FactorSpace(tuple(NumericFactor(name, "", -1, 1) for name in NAMES[:k]))


@pytest.mark.parametrize(("k", "which"), [(4, 1), (5, 2), (6, 2), (6, 3), (7, 3), (7, 4)])
def test_regular_fractions_give_the_aliases_of_the_defining_relation(k, which):
    fraction = regular_fractions(k)[which]
    found = alias_matrix(interaction_model(box(k)), fraction_points(fraction)).sentences()
    assert set(found) == set(alias_sentences(fraction, NAMES))


@pytest.mark.parametrize("signs", [(-1, 1), (1, -1), (-1, -1)])
def test_signs_of_the_generators_come_through(signs):
    fraction = Fraction(5, ((3, signs[0], (0, 1)), (4, signs[1], (0, 2))))
    found = alias_matrix(interaction_model(box(5)), fraction_points(fraction)).sentences()
    assert set(found) == set(alias_sentences(fraction, NAMES))
    assert any("−" in sentence for sentence in found)


def test_expected_estimates_by_fitting_an_exact_response():
    """Without scatter, least squares gives the true coefficients plus A times the left-out ones."""
    generator = np.random.default_rng(3)
    space = box(3)
    coded = generator.uniform(-1, 1, size=(9, 3))
    small, large = linear_model(space), quadratic_model(space)
    beyond = tuple(t for t in large.terms if t not in small.terms)
    found = alias_matrix(small, coded, beyond)
    true = generator.normal(size=len(large))
    fitted = np.linalg.lstsq(small.matrix(coded), large.matrix(coded) @ true, rcond=None)[0]
    assert fitted == pytest.approx(true[:4] + found.matrix @ true[4:])
    assert found.fitted == small.labels
    assert found.mixed_in == large.labels[4:]


def test_a_design_that_carries_the_model_mixes_nothing_up():
    found = alias_matrix(quadratic_model(box(3)), box_behnken(3))
    assert found.mixed_in == ()
    assert found.sentences() == ()
    assert found.largest() == 0.0


def test_levels_of_a_categorical_factor_are_named():
    """Feed is always b where temperature is high: the two cannot be told apart."""
    space = FactorSpace(
        (NumericFactor("temperature", "°C", -1, 1), CategoricalFactor("feed", ("a", "b")))
    )
    coded = np.array([[-1.0, 0.0], [1.0, 1.0], [-1.0, 0.0], [1.0, 1.0]])
    (sentence,) = alias_matrix(linear_model(space), coded).sentences()
    assert sentence == "temperature is confounded with +feed [b]"
