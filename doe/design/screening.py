"""Two-level designs: full factorials and regular fractions, with their aliases.

Points come from pyDOE3 and are checked here: size, levels, balance and orthogonality. Generators
are the published ones; resolution and aliases are worked out from them with their signs.

Factors are numbered from 0; a word is the set of factors whose product is constant in the design.
Shapes: n runs, k factors.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from doe.errors import DesignError, DoeError
from doe.factors import FloatArray

__all__ = [
    "Alias",
    "Fraction",
    "alias_structure",
    "fraction_points",
    "full_factorial",
    "regular_fractions",
]

LETTERS = "ABCDEFGHJKLMNOP"
FULL_FACTORS_MAX = 10

Effect = tuple[int, ...]

# Montgomery, Design and Analysis of Experiments, table of alternative 2^(k−p) fractions
# (Table 8-14 in the 5th edition), as transcribed in notes; the same generators stand in the
# NIST/SEMATECH e-Handbook, section 5.3.3.4.7. The table prints 2^(7−3) as III in one place;
# worked out from the generators it is IV.
PUBLISHED: dict[int, tuple[str, ...]] = {
    3: ("C=AB",),
    4: ("D=ABC",),
    5: ("E=ABCD", "D=AB E=AC"),
    6: ("F=ABCDE", "E=ABC F=BCD", "D=AB E=AC F=BC"),
    7: ("G=ABCDEF", "F=ABCD G=ABDE", "E=ABC F=BCD G=ACD", "D=AB E=AC F=BC G=ABC"),
}


@dataclass(frozen=True)
class Fraction:
    """A regular two-level fraction of k factors, given by its generators.

    `generators` maps each generated factor to the sign and the factors whose product it is. An
    empty tuple is the full factorial.
    """

    factors: int
    generators: tuple[tuple[int, int, Effect], ...] = ()

    @property
    def runs(self) -> int:
        return int(2 ** (self.factors - len(self.generators)))

    @cached_property
    def words(self) -> dict[Effect, int]:
        """The defining relation: every word that equals +1 or −1 in all runs, with that sign."""
        words: dict[Effect, int] = {}
        own = [(frozenset((made, *of)), sign) for made, sign, of in self.generators]
        for count in range(1, len(own) + 1):
            for chosen in itertools.combinations(own, count):
                word: frozenset[int] = frozenset()
                sign = 1
                for factors, factor_sign in chosen:
                    word ^= factors
                    sign *= factor_sign
                words[tuple(sorted(word))] = sign
        return words

    @property
    def resolution(self) -> int | None:
        """Length of the shortest word; None for the full factorial."""
        return min((len(word) for word in self.words), default=None)

    def carries(self, order: int) -> bool:
        """Whether all effects up to `order` are free of one another."""
        return self.resolution is None or self.resolution > 2 * order


@dataclass(frozen=True, slots=True)
class Alias:
    """An effect and those it cannot be told from: its estimate is the signed sum of all."""

    effect: Effect
    with_: tuple[tuple[int, Effect], ...]


def regular_fractions(factors: int) -> tuple[Fraction, ...]:
    """Return the full factorial and the published fractions of it, largest first."""
    return (
        Fraction(factors),
        *(_fraction(factors, text) for text in PUBLISHED.get(factors, ())),
    )


def full_factorial(factors: int) -> FloatArray:
    """Return all 2^k combinations of −1 and +1 (n, k), the last factor changing fastest.

    Raises
    ------
    DesignError
        Fewer than one factor or more than ten.
    """
    _check_count(factors)
    from pyDOE3 import ff2n

    return _verified(ff2n(int(factors)), factors, 2**factors)


def fraction_points(fraction: Fraction) -> FloatArray:
    """Return the points (n, k) of a regular fraction, levels −1 and +1.

    Raises
    ------
    DesignError
        Too many factors, or points that are not balanced and orthogonal.
    """
    if not fraction.generators:
        return full_factorial(fraction.factors)
    _check_count(fraction.factors)
    if fraction.resolution is not None and fraction.resolution < 3:
        raise DesignError.of(
            "resolution-too-low",
            "With these generators two factors would always move together.",
            "Use generators of resolution III or more.",
        )
    from pyDOE3 import fracfact

    made = {factor: (sign, of) for factor, sign, of in fraction.generators}
    columns = []
    for factor in range(fraction.factors):
        sign, of = made.get(factor, (1, (factor,)))
        columns.append(("-" if sign < 0 else "") + "".join(LETTERS[i].lower() for i in of))
    points = _verified(fracfact(" ".join(columns)), fraction.factors, fraction.runs)
    for word, sign in fraction.words.items():
        if not (points[:, word].prod(axis=1) == sign).all():
            raise _wrong(f"the product of factors {word} is not {sign:+d} in every run")
    return points


def alias_structure(fraction: Fraction, order: int = 2) -> tuple[Alias, ...]:
    """Return the signed aliases of every effect up to `order`, with effects up to `order`.

    An effect times each word of the defining relation gives its aliases, with the word's sign.
    Effects without an alias of that order come with an empty tuple.
    """
    effects = [
        effect
        for size in range(1, order + 1)
        for effect in itertools.combinations(range(fraction.factors), size)
    ]
    found = []
    for effect in effects:
        others = [
            (sign, tuple(sorted(frozenset(effect) ^ frozenset(word))))
            for word, sign in fraction.words.items()
        ]
        kept = sorted((e, s) for s, e in others if 0 < len(e) <= order)
        found.append(Alias(effect, tuple((s, e) for e, s in kept)))
    return tuple(found)


def _fraction(factors: int, text: str) -> Fraction:
    generators = []
    for part in text.split():
        made, of = part.split("=")
        sign = -1 if of.startswith("-") else 1
        letters = tuple(LETTERS.index(letter) for letter in of.lstrip("-"))
        generators.append((LETTERS.index(made), sign, letters))
    return Fraction(factors, tuple(generators))


def _check_count(factors: int) -> None:
    if not 1 <= factors <= FULL_FACTORS_MAX:
        raise DesignError.of(
            "factor-count",
            f"A two-level factorial is made for 1 to {FULL_FACTORS_MAX} factors, not {factors}.",
            "Hold some factors constant.",
        )


def _verified(points: FloatArray, factors: int, runs: int) -> FloatArray:
    points = np.asarray(points, dtype=np.float64)
    if points.shape != (runs, factors):
        raise _wrong(f"it has shape {points.shape} instead of {(runs, factors)}")
    if not (np.abs(points) == 1).all():
        raise _wrong("a level is neither −1 nor +1")
    if (points.sum(axis=0) != 0).any():
        raise _wrong("a factor is not balanced")
    if (points.T @ points != runs * np.eye(factors)).any():
        raise _wrong("two factors are not orthogonal")
    return points


def _wrong(what: str) -> DoeError:
    return DesignError.of(
        "factorial-wrong",
        f"The two-level design that was made fails its check: {what}.",
        "Ask for another family of design.",
    )
