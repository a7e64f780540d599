"""Two-level designs: full factorials and regular fractions, their aliases and fold-overs.

Generators are the published ones; resolution and aliases are worked out from them with their
signs. Every set of points is checked for size, levels, balance, orthogonality and its words. The
points are products of columns, shorter in numpy than the half second that importing pyDOE3 takes;
the tests hold them against pyDOE3.

Factors are numbered from 0; a word is the set of factors whose product is constant in the design.
Shapes: n runs, k factors.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from doe.design.coded import CodedRuns
from doe.errors import DesignError, DoeError
from doe.factors import FloatArray

__all__ = [
    "Alias",
    "Fraction",
    "alias_sentences",
    "alias_structure",
    "factorial_runs",
    "fold_over",
    "fold_over_sentence",
    "folded",
    "fraction_of_resolution",
    "fraction_points",
    "full_factorial",
    "regular_fractions",
]

LETTERS = "ABCDEFGHJKLMNOP"
FULL_FACTORS_MAX = 11
ROMAN = {3: "III", 4: "IV", 5: "V", 6: "VI", 7: "VII", 8: "VIII", 9: "IX", 10: "X", 11: "XI"}

Effect = tuple[int, ...]

# Montgomery, Design and Analysis of Experiments, table of alternative 2^(k−p) fractions
# (Table 8-14 in the 5th edition), as transcribed in notes. The table prints 2^(7−3) as III in one
# place; worked out from the generators it is IV. For 2^(10−3) the notes have J=ACDE, which gives
# only IV; J=BCDE gives the V that is printed. Two rows are from memory of the tables in Box,
# Hunter and Hunter, Statistics for Experimenters, and NIST/SEMATECH e-Handbook 5.3.3.4.7:
# 2^(8−1) and 2^(11−4). Half fractions of 9 to 11 factors multiply all the other factors, which
# gives the highest resolution there is.
PUBLISHED: dict[int, tuple[str, ...]] = {
    3: ("C=AB",),
    4: ("D=ABC",),
    5: ("E=ABCD", "D=AB E=AC"),
    6: ("F=ABCDE", "E=ABC F=BCD", "D=AB E=AC F=BC"),
    7: ("G=ABCDEF", "F=ABCD G=ABDE", "E=ABC F=BCD G=ACD", "D=AB E=AC F=BC G=ABC"),
    8: ("H=ABCDEFG", "G=ABCD H=ABEF", "F=ABC G=ABD H=BCDE", "E=BCD F=ACD G=ABC H=ABD"),
    9: (
        "J=ABCDEFGH",
        "H=ACDFG J=BCEFG",
        "G=ABCD H=ACEF J=CDEF",
        "F=BCDE G=ACDE H=ABDE J=ABCE",
        "E=ABC F=BCD G=ACD H=ABD J=ABCD",
    ),
    10: (
        "K=ABCDEFGHJ",
        "H=ABCG J=BCDE K=ACDF",
        "G=BCDF H=ACDF J=ABDE K=ABCE",
        "F=ABCD G=ABCE H=ABDE J=ACDE K=BCDE",
        "E=ABC F=BCD G=ACD H=ABD J=ABCD K=AB",
    ),
    11: (
        "L=ABCDEFGHJK",
        "H=ABCG J=BCDE K=ACDF L=ABCDEFG",
        "G=CDE H=ABCD J=ABF K=BDEF L=ADEF",
        "F=ABC G=BCD H=CDE J=ACD K=ADE L=BDE",
        "E=ABC F=BCD G=ACD H=ABD J=ABCD K=AB L=AC",
    ),
    12: ("E=ABC F=ABD G=ACD H=BCD J=ABCD K=AB L=AC M=AD",),
    13: ("E=ABC F=ABD G=ACD H=BCD J=ABCD K=AB L=AC M=AD N=BC",),
    14: ("E=ABC F=ABD G=ACD H=BCD J=ABCD K=AB L=AC M=AD N=BC O=BD",),
    15: ("E=ABC F=ABD G=ACD H=BCD J=ABCD K=AB L=AC M=AD N=BC O=BD P=CD",),
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


def fraction_of_resolution(factors: int, resolution: int) -> Fraction:
    """Return the smallest published fraction that has at least this resolution.

    Raises
    ------
    DesignError
        No published fraction of so many factors reaches it; the nearest is named.
    """
    _check_count(factors, len(LETTERS))
    proper = [f for f in regular_fractions(factors) if f.generators]
    reaching = [f for f in proper if (f.resolution or 0) >= resolution]
    if reaching:
        return min(reaching, key=lambda f: f.runs)
    if not proper:
        raise DesignError.of(
            "no-fraction",
            f"There is no fraction of a two-level factorial in {factors} factors.",
            f"The full factorial has {2**factors} runs.",
        )
    best = max(proper, key=lambda f: (f.resolution or 0, -f.runs))
    full = f", or the full factorial in {2**factors} runs" if factors <= FULL_FACTORS_MAX else ""
    raise DesignError.of(
        "no-such-resolution",
        f"No published fraction in {factors} factors has resolution {_roman(resolution)}.",
        f"The highest is {_roman(best.resolution or 0)}, in {best.runs} runs: ask for that{full}.",
    )


def full_factorial(factors: int) -> FloatArray:
    """Return all 2^k combinations of −1 and +1 (n, k), the last factor changing fastest.

    Raises
    ------
    DesignError
        Fewer than one factor or more than eleven.
    """
    _check_count(factors, FULL_FACTORS_MAX)
    points = np.array(list(itertools.product((-1.0, 1.0), repeat=factors)))
    return _verified(points, factors, 2**factors)


def fraction_points(fraction: Fraction) -> FloatArray:
    """Return the points (n, k) of a regular fraction, levels −1 and +1.

    Raises
    ------
    DesignError
        Too many factors, or points that are not balanced and orthogonal.
    """
    if not fraction.generators:
        return full_factorial(fraction.factors)
    _check_count(fraction.factors, len(LETTERS))
    if fraction.resolution is not None and fraction.resolution < 3:
        raise DesignError.of(
            "resolution-too-low",
            "With these generators two factors would always move together.",
            "Use generators of resolution III or more.",
        )
    made = {factor for factor, _, _ in fraction.generators}
    base = [factor for factor in range(fraction.factors) if factor not in made]
    points = np.empty((2 ** len(base), fraction.factors))
    points[:, base] = full_factorial(len(base))
    for factor, sign, of in fraction.generators:
        points[:, factor] = sign * points[:, of].prod(axis=1)
    _verified(points, fraction.factors, fraction.runs)
    for factor, sign, of in fraction.generators:
        if not (points[:, (factor, *of)].prod(axis=1) == sign).all():
            raise _wrong(f"the product of factors {(factor, *of)} is not {sign:+d} in every run")
    return points


def factorial_runs(fraction: Fraction, centres: int = 0, replicates: int = 1) -> CodedRuns:
    """Return a full or fractional factorial, every run at a corner, centre runs last."""
    corners = CodedRuns.of_kind(fraction_points(fraction), "corner")
    return corners.replicated(replicates).with_centres(centres)


def fold_over(points: FloatArray, factors: Sequence[int] | None = None) -> FloatArray:
    """Return the runs (n, k) that fold a two-level design over: some factors with signs reversed.

    None reverses every factor, which frees main effects of two-factor interactions. A single
    factor frees that factor and its two-factor interactions.
    """
    turned = points.copy()
    chosen = slice(None) if factors is None else list(factors)
    turned[:, chosen] = -turned[:, chosen]
    return np.asarray(turned + 0.0, dtype=np.float64)


def folded(fraction: Fraction, factors: Sequence[int] | None = None) -> Fraction:
    """Return the fraction that a fraction and its fold-over make together, of twice the runs.

    Words with an odd number of reversed factors change sign in the new runs and drop out of the
    defining relation; the others stay.

    Raises
    ------
    DesignError
        No word changes sign, so that the new runs would repeat the old ones.
    """
    turned = set(range(fraction.factors) if factors is None else factors)
    kept = {w: s for w, s in fraction.words.items() if len(turned.intersection(w)) % 2 == 0}
    if len(kept) == len(fraction.words):
        raise DesignError.of(
            "fold-over-repeats",
            "Reversing these factors gives the same runs once more.",
            "Reverse a single factor to free it and its interactions.",
        )
    return Fraction(fraction.factors, _generators(kept))


def fold_over_sentence(
    fraction: Fraction, names: Sequence[str], factors: Sequence[int] | None = None
) -> str:
    """Return what folding a fraction over costs and buys, in plain words.

    Raises
    ------
    DesignError
        The new runs would repeat the old ones.
    """
    both = folded(fraction, factors)
    before, after = (_confounded(f) for f in (fraction, both))
    mains = [e for e in before if len(e) == 1 and e not in after]
    pairs = [e for e in before if len(e) == 2 and e not in after]
    what = "every factor" if factors is None else _listed([names[i] for i in factors])
    now = (
        "the full factorial" if both.resolution is None else f"resolution {_roman(both.resolution)}"
    )
    freed = [f"main effects of {_listed([names[i] for (i,) in mains])}"] if mains else []
    if pairs:
        freed.append(f"two-factor interactions {_listed([_effect_name(names, e) for e in pairs])}")
    gain = "frees the " + " and the ".join(freed) if freed else "frees no effect by itself"
    left = [e for e in after if len(e) == 2]
    rest = f"; {len(left)} two-factor interactions stay confounded" if left else ""
    return (
        f"Reversing {what} adds {fraction.runs} runs and turns resolution"
        f" {_roman(fraction.resolution or 0)} into {now}: it {gain}{rest}."
    )


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


def alias_sentences(fraction: Fraction, names: Sequence[str], order: int = 2) -> tuple[str, ...]:
    """Return the aliases of a fraction in plain words, each group of effects once.

    >>> alias_sentences(Fraction(3, ((2, -1, (0, 1)),)), ["flow", "time", "pressure"])[0]
    'flow is confounded with −time × pressure'
    """
    sentences: list[str] = []
    said: set[Effect] = set()
    for alias in alias_structure(fraction, order):
        if alias.with_ and alias.effect not in said:
            said.update(effect for _, effect in alias.with_)
            others = [
                ("+" if sign > 0 else "−") + _effect_name(names, effect)
                for sign, effect in alias.with_
            ]
            own = _effect_name(names, alias.effect)
            sentences.append(f"{own} is confounded with {_listed(others)}")
    return tuple(sentences)


def _confounded(fraction: Fraction) -> list[Effect]:
    return [alias.effect for alias in alias_structure(fraction) if alias.with_]


def _effect_name(names: Sequence[str], effect: Effect) -> str:
    return " × ".join(names[i] for i in effect)


def _listed(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1]


def _roman(resolution: int) -> str:
    return ROMAN.get(resolution, str(resolution))


def _generators(words: dict[Effect, int]) -> tuple[tuple[int, int, Effect], ...]:
    """Return generators of a group of words: each makes one factor that no other one holds.

    Gauss–Jordan elimination in arithmetic modulo 2, last factors first, signs carried along.
    """
    reduced: dict[int, tuple[frozenset[int], int]] = {}
    for factors, sign in ((frozenset(w), s) for w, s in words.items()):
        word, product = factors, sign
        for made, (other, other_sign) in reduced.items():
            if made in word:
                word, product = word ^ other, product * other_sign
        if not word:
            continue
        new = max(word)
        for made, (other, other_sign) in reduced.items():
            if new in other:
                reduced[made] = (other ^ word, other_sign * product)
        reduced[new] = (word, product)
    return tuple(
        (made, sign, tuple(sorted(word - {made}))) for made, (word, sign) in sorted(reduced.items())
    )


def _fraction(factors: int, text: str) -> Fraction:
    generators = []
    for part in text.split():
        made, of = part.split("=")
        sign = -1 if of.startswith("-") else 1
        letters = tuple(LETTERS.index(letter) for letter in of.lstrip("-"))
        generators.append((LETTERS.index(made), sign, letters))
    return Fraction(factors, tuple(generators))


def _check_count(factors: int, most: int) -> None:
    if not 1 <= factors <= most:
        raise DesignError.of(
            "factor-count",
            f"A two-level factorial is made for 1 to {most} factors, not {factors}.",
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
