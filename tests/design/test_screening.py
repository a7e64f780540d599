"""Two-level designs against published tables, pyDOE3 as a second opinion, and by brute force."""

import csv
import itertools
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from doe.design.screening import (
    LETTERS,
    Fraction,
    alias_sentences,
    alias_structure,
    factorial_runs,
    fold_over,
    fold_over_sentence,
    folded,
    fraction_of_resolution,
    fraction_points,
    full_factorial,
    regular_fractions,
)
from doe.errors import DesignError

REFERENCE = Path(__file__).parents[1] / "reference" / "design"
ROWS = list(csv.DictReader((REFERENCE / "mont_fractional_generators.csv").read_text().splitlines()))


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


PUBLISHED = [f for k in range(3, 16) for f in regular_fractions(k) if f.generators]
SMALL = [f for f in PUBLISHED if f.runs <= 128]


def name(fraction: Fraction) -> str:
    return f"{fraction.factors}in{fraction.runs}"


@pytest.mark.parametrize("row", ROWS, ids=lambda r: f"2^({r['k']}-{r['p']})")
def test_resolution_by_brute_force_over_all_products_of_columns(row):
    points = fraction_points(shipped(row))
    constant = min(
        size
        for size in range(1, 8)
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


def test_rows_that_are_not_in_montgomery_have_the_resolution_of_the_handbook():
    """NIST/SEMATECH e-Handbook 5.3.3.4.7 (from memory): 2^(8−1) is VIII, 2^(11−4) is V."""
    found = {(f.factors, f.runs): f.resolution for f in PUBLISHED}
    assert found[8, 128] == 8
    assert found[11, 128] == 5


@pytest.mark.parametrize("fraction", SMALL, ids=name)
def test_fractions_against_pydoe3(fraction):
    """The library takes the same generators, written by column, and gives the same runs."""
    from pyDOE3 import fracfact

    made = {factor: (sign, of) for factor, sign, of in fraction.generators}
    letters = [
        "".join(LETTERS[j].lower() for j in made.get(i, (1, (i,)))[1])
        for i in range(fraction.factors)
    ]
    other = fracfact(" ".join(letters))
    assert {tuple(r) for r in other} == {tuple(r) for r in fraction_points(fraction)}


@pytest.mark.parametrize("k", range(1, 8))
def test_full_factorial_against_pydoe3(k):
    from pyDOE3 import ff2n

    assert np.array_equal(np.unique(ff2n(k), axis=0), np.unique(full_factorial(k), axis=0))


def test_fraction_against_the_design_of_nist_5_6_2():
    """Sonoluminescence: seven factors in 16 runs, generators 5 = 234, 6 = 134, 7 = 123."""
    rows = csv.reader((REFERENCE / "nist_sonoluminescence_2to7m3.csv").read_text().splitlines())
    printed = {tuple(float(v) for v in row[1:]) for row in list(rows)[1:]}
    fraction = Fraction(7, ((4, 1, (1, 2, 3)), (5, 1, (0, 2, 3)), (6, 1, (0, 1, 2))))
    assert {tuple(row) for row in fraction_points(fraction)} == printed


def test_smallest_fraction_of_a_resolution_against_the_table():
    """Run counts of Montgomery's Table 8-14; a library's search got (7, V) and (11, V) wrong."""
    runs = {(7, 3): 8, (7, 4): 16, (7, 5): 64, (8, 5): 64, (9, 6): 128, (10, 5): 128, (11, 5): 128}
    for (factors, resolution), count in runs.items():
        found = fraction_of_resolution(factors, resolution)
        assert found.runs == count
        assert found.resolution >= resolution


def test_a_resolution_that_does_not_exist_names_the_nearest_that_does():
    with pytest.raises(DesignError, match=r"5 factors has resolution VI\. The highest is V, in 16"):
        fraction_of_resolution(5, 6)
    with pytest.raises(DesignError, match=r"no fraction .* 2 factors\. The full factorial has 4"):
        fraction_of_resolution(2, 3)


def test_aliases_in_plain_words_for_the_half_fraction_of_four():
    """Montgomery, 2^(4−1) with I = ABCD: AB = CD, AC = BD, AD = BC (from memory)."""
    (half,) = regular_fractions(4)[1:]
    assert alias_sentences(half, ["temperature", "pressure", "flow", "time"]) == (
        "temperature × pressure is confounded with +flow × time",
        "temperature × flow is confounded with +pressure × time",
        "temperature × time is confounded with +pressure × flow",
    )


@pytest.mark.parametrize("sign", [1, -1])
def test_aliases_in_words_carry_the_sign(sign):
    fraction = Fraction(3, ((2, sign, (0, 1)),))
    mark = "+" if sign > 0 else "−"
    first = alias_sentences(fraction, ["flow", "time", "load"])[0]
    assert first == f"flow is confounded with {mark}time × load"


@pytest.mark.parametrize("fraction", [f for f in SMALL if f.resolution == 3], ids=name)
def test_full_fold_over_of_resolution_three_gives_four(fraction):
    """Box and Hunter 1961 (from memory): main effects come clear of two-factor interactions."""
    both = folded(fraction)
    assert both.resolution is None or both.resolution >= 4
    if fraction.factors > 11:
        return
    points = fraction_points(fraction)
    together = np.vstack([points, fold_over(points)])
    assert {tuple(r) for r in fraction_points(both)} == {tuple(r) for r in together}


@pytest.mark.parametrize("turned", range(7))
def test_fold_over_of_one_factor_frees_it_and_its_pairs(turned):
    fraction = regular_fractions(7)[-1]
    points = fraction_points(fraction)
    together = np.vstack([points, fold_over(points, [turned])])
    assert {tuple(r) for r in fraction_points(folded(fraction, [turned]))} == {
        tuple(r) for r in together
    }
    effects = [e for n in (1, 2) for e in itertools.combinations(range(7), n)]
    columns = {e: together[:, e].prod(axis=1) for e in effects}
    for own in (e for e in effects if turned in e):
        assert not any(columns[own] @ columns[other] for other in effects if other != own)


def test_fold_over_says_what_it_buys_or_that_it_buys_nothing():
    names = list("ABCDEFG")
    text = fold_over_sentence(regular_fractions(7)[-1], names)
    assert "adds 8 runs and turns resolution III into resolution IV" in text
    assert "main effects of A, B, C, D, E, F and G" in text
    assert "21 two-factor interactions stay confounded" in text
    with pytest.raises(DesignError, match="same runs once more"):
        fold_over_sentence(regular_fractions(7)[3], names)


def test_replicates_and_centre_runs_as_asked():
    runs = factorial_runs(regular_fractions(3)[0], centres=2, replicates=2)
    assert len(runs) == 18
    assert runs.kinds.count("centre") == 2
    assert all((runs.points[:16] == row).all(axis=1).sum() == 2 for row in full_factorial(3))
    assert not runs.points[-2:].any()


def test_negative_generator_gives_the_other_half():
    points = fraction_points(Fraction(3, ((2, -1, (0, 1)),)))
    assert (points.prod(axis=1) == -1).all()
    assert alias_structure(Fraction(3, ((2, -1, (0, 1)),)), 2)[0].with_ == ((-1, (1, 2)),)


@pytest.mark.parametrize("k", range(1, 9))
def test_full_factorial_holds_every_combination_once(k):
    points = full_factorial(k)
    assert {tuple(p) for p in points} == set(itertools.product((-1.0, 1.0), repeat=k))
    assert len(points) == 2**k


def test_factor_count_is_checked():
    with pytest.raises(DesignError, match="1 to 11 factors, not 0"):
        full_factorial(0)
    with pytest.raises(DesignError, match="not 12"):
        full_factorial(12)


def test_a_generator_that_doubles_a_factor_is_refused():
    """D = A makes two equal columns."""
    with pytest.raises(DesignError, match="always move together"):
        fraction_points(Fraction(4, ((3, 1, (0,)),)))
