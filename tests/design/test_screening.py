"""Two-level designs against Montgomery's table of fractions and by brute force."""

import csv
import itertools
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from doe.design.screening import (
    LETTERS,
    Fraction,
    alias_structure,
    fraction_points,
    full_factorial,
    regular_fractions,
)
from doe.errors import DesignError

REFERENCE = Path(__file__).parents[1] / "reference" / "design"
ROWS = [
    row
    for row in csv.DictReader(
        (REFERENCE / "mont_fractional_generators.csv").read_text().splitlines()
    )
    if int(row["k"]) <= 7
]


def shipped(row: dict[str, str]) -> Fraction:
    return next(f for f in regular_fractions(int(row["k"])) if f.runs == int(row["runs"]))


@pytest.mark.parametrize("row", ROWS, ids=lambda r: f"2^({r['k']}-{r['p']})")
def test_fractions_against_montgomery_table_8_14(row):
    fraction = shipped(row)
    texts = {
        LETTERS[made] + "=" + "".join(LETTERS[i] for i in of) for made, _, of in fraction.generators
    }
    assert texts == set(row["generators"].split(","))
    roman = {"III": 3, "IV": 4, "V": 5, "VI": 6, "VII": 7}[row["resolution_printed"]]
    assert fraction.resolution == roman
    lengths = Counter(len(word) for word in fraction.words)
    assert (
        "{" + ", ".join(f"{n}: {c}" for n, c in sorted(lengths.items())) + "}"
        == row["word_length_pattern"]
    )


@pytest.mark.parametrize("row", ROWS, ids=lambda r: f"2^({r['k']}-{r['p']})")
def test_resolution_by_brute_force_over_all_products_of_columns(row):
    points = fraction_points(shipped(row))
    constant = min(
        size
        for size in range(1, points.shape[1] + 1)
        for word in itertools.combinations(range(points.shape[1]), size)
        if abs(points[:, word].prod(axis=1).sum()) == len(points)
    )
    assert constant == shipped(row).resolution


@pytest.mark.parametrize("sign", [1, -1])
def test_aliases_by_brute_force_with_their_signs(sign):
    """Two effects are aliased exactly where their columns are equal or opposite in every run."""
    fraction = Fraction(5, ((3, sign, (0, 1)), (4, -1, (0, 2))))
    points = fraction_points(fraction)
    effects = [e for n in (1, 2) for e in itertools.combinations(range(5), n)]
    column = {e: points[:, e].prod(axis=1) for e in effects}
    for alias in alias_structure(fraction):
        own = {
            (int(np.sign(column[alias.effect] @ column[other])), other)
            for other in effects
            if other != alias.effect and abs(column[alias.effect] @ column[other]) == len(points)
        }
        assert set(alias.with_) == own


def test_negative_generator_gives_the_other_half():
    points = fraction_points(Fraction(3, ((2, -1, (0, 1)),)))
    assert (points.prod(axis=1) == -1).all()
    assert alias_structure(Fraction(3, ((2, -1, (0, 1)),)), 2)[0].with_ == ((-1, (1, 2)),)


@pytest.mark.parametrize("k", range(1, 9))
def test_full_factorial_holds_every_combination_once(k):
    points = full_factorial(k)
    assert {tuple(p) for p in points} == set(itertools.product((-1.0, 1.0), repeat=k))
    assert len(points) == 2**k


def test_factor_count_is_checked_before_the_library_is_asked():
    with pytest.raises(DesignError, match="1 to 10 factors, not 0"):
        full_factorial(0)
    with pytest.raises(DesignError, match="not 11"):
        full_factorial(11)


def test_a_generator_that_doubles_a_factor_is_refused():
    """D = A makes two equal columns."""
    with pytest.raises(DesignError, match="always move together"):
        fraction_points(Fraction(4, ((3, 1, (0,)),)))
