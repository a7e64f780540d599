"""What the runs show of the factors: on which responses any acts, and which settings are free.

That something was not shown is no proof that it does nothing; the words say so. How often runs are
called scatter is simulated in `tests/bench/test_bench_shown.py`.

Shapes: k factors.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from doe.analysis.recommendation import coverage
from doe.factors import FactorSpace, FloatArray, NumericFactor
from doe.wording import listed

if TYPE_CHECKING:
    from doe.analysis.optimum import Analysis
    from doe.analysis.screened import ScreeningVerdict
    from doe.analysis.selection import Recommendation

__all__ = ["ANY_WORDS", "FORETELLS", "Shown", "acting_factors", "shown"]

FORETELLS = 0.3
"""Predicted R² below which nothing is relied on (common practice); from it on something acts,
though too few plots may let no term be taken."""
FREE = 0.9
"""Share of its range that a setting must be able to stray over to be called free (our rule)."""

ANY_WORDS = (
    "Where “any” is said, the factor was not shown to matter: set alone to another of these "
    "values, all of which the rig can run, it would do as well, as far as these runs tell."
)


@dataclass(frozen=True, slots=True)
class Shown:
    """What the runs show of the factors.

    Attributes
    ----------
    nothing
        Responses, in words, on which no factor was shown to act.
    no_better
        Responses of which runs left out are foretold no better than by the mean of all.
    guess
        Whether each fitted response is one of these, so that settings are no more than a guess.
    free
        Per factor (k,) from where to where it may be set as well as far as the runs tell, the
        others kept; None where it was shown to act on something, and where that is not known.
    coverage
        How often intervals like these held the truth in simulated campaigns, in words.
    """

    nothing: tuple[str, ...] = ()
    no_better: tuple[str, ...] = ()
    guess: bool = False
    free: tuple[tuple[float, float] | None, ...] = ()
    coverage: str = ""

    @property
    def sentences(self) -> tuple[str, ...]:
        """Say which responses the runs show to be little more than scatter; empty where none."""
        told = []
        both = [words for words in self.nothing if words in self.no_better]
        one = [words for words in self.nothing if words not in self.no_better]
        other = [words for words in self.no_better if words not in self.nothing]
        if both:
            told.append(
                f"No factor was shown to act on {listed(both)}: a plain mean describes the runs as "
                "well as any polynomial, and runs left out are foretold no better than by it."
            )
        if one:
            told.append(
                f"No factor was shown to act on {listed(one)}: a plain mean describes the runs as "
                "well as any polynomial."
            )
        if other:
            told.append(
                f"Of {listed(other)} runs left out are foretold no better than by the mean of all, "
                "so what is said of one setting against another may be chance."
            )
        if self.guess:
            told.append(
                "So the settings below are a guess; wider ranges or runs that scatter less could "
                "show more."
            )
        return tuple(told)


def acting_factors(
    recommendation: Recommendation | None, screened: ScreeningVerdict | None
) -> frozenset[str] | None:
    """Return the factors shown to act on a response; None where models could not be compared.

    Those in a term of the recommended model, and those that a screening found to matter.
    """
    if recommendation is None:
        return None
    names = recommendation.model.space.names
    acting = {
        names[i]
        for term in recommendation.model.terms
        for i, power in enumerate(term.powers)
        if power
    }
    return frozenset(acting | set(() if screened is None else screened.matter))


def _foretold(analysis: Analysis, name: str) -> bool:
    """Whether surfaces foretell runs left out: then something acts, though no term was taken."""
    own = analysis.surrogates.get(name)
    return own is not None and own.r2_left_out() > FORETELLS


def shown(
    analysis: Analysis,
    acting: Mapping[str, frozenset[str] | None],
    leeway: Sequence[tuple[float, float] | None],
    noticed: Collection[str] = (),
    tied: Collection[str] = (),
) -> Shown:
    """Return what the runs show of the factors.

    Parameters
    ----------
    acting
        By response, from `acting_factors`.
    leeway
        Per factor, from where to where it may stray alone; empty where that is not known.
    noticed
        Codes of the notices on the fits and on what time did to them.
    tied
        Factors with which the pressure to set changes. They are never called free: who moved one
        alone, at the pressure told for another value of it, could let the water boil.
    """
    responses = [fit.response for fit in analysis.fits]
    acting = {
        name: None if not told and _foretold(analysis, name) else told
        for name, told in acting.items()
    }
    nothing = tuple(r.words for r in responses if acting[r.name] == frozenset())
    no_better = tuple(
        r.words
        for r in responses
        if r.name in analysis.surrogates and analysis.surrogates[r.name].r2_left_out() <= 0
    )
    guess = all(r.words in (*nothing, *no_better) for r in responses)
    space = analysis.fits[0].model.space
    free: tuple[tuple[float, float] | None, ...] = (None,) * len(space)
    known = [factors for factors in acting.values() if factors is not None]
    if leeway and len(known) == len(responses) and not analysis.unfitted:
        acts = frozenset().union(*known)
        free = tuple(
            None if name in acts or name in tied or ends is None else _free(space, i, ends)
            for i, (name, ends) in enumerate(zip(space.names, leeway, strict=True))
        )
    return Shown(nothing, no_better, guess, free, coverage(analysis, noticed))


def _free(space: FactorSpace, i: int, ends: tuple[float, float]) -> tuple[float, float] | None:
    """Return the settable values between two ends; None where they are not most of the range."""
    factor = space.factors[i]
    assert isinstance(factor, NumericFactor)
    if ends[1] - ends[0] < FREE * (factor.high - factor.low):
        return None
    low, high = _inwards(factor, ends)
    return (low, high) if low < high else None


def _inwards(factor: NumericFactor, ends: tuple[float, float]) -> tuple[float, float]:
    """Return the outermost settable values that lie between two ends."""
    step = 10.0**-factor.decimals if factor.step is None else factor.step
    inner: FloatArray = np.array([ends[0], ends[1]])
    found = factor.settable(inner)
    found += np.where([found[0] < ends[0] - 1e-9, found[1] > ends[1] + 1e-9], [step, -step], 0.0)
    low, high = factor.settable(found)
    return float(low), float(high)
