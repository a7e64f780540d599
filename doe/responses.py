"""What is measured of a run, what is wanted of it, and how far a value satisfies that."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from doe.factors import FloatArray
from doe.quantities import unit_slug

__all__ = [
    "TRACE",
    "USUALLY_WEIGHED",
    "WEIGHINGS",
    "Aim",
    "Response",
    "Source",
    "SourceKind",
    "Weighing",
    "combined",
]

Aim = Literal["maximise", "minimise", "target", "below", "above"]
NEVER_NEGATIVE = ("%", "g", "mg", "ug", "µg", "mol", "mmol", "mL")
TRACE = 1e-6
"""Of worth: what decides between settings of equal worth, and is too little to show."""
SourceKind = Literal["yield", "residue", "closure", "amount", "purity", "recovery"]


@dataclass(frozen=True, slots=True)
class Source:
    """What a response is derived from: a mass balance, or a compound's assays.

    `compound` belongs to amount, purity and recovery; `per_percent` is how much of the response's
    unit 1 % is.
    """

    kind: SourceKind
    compound: str = ""
    per_percent: float = 1.0

    @property
    def words(self) -> str:
        return f"{self.kind} of {self.compound}" if self.compound else self.kind


@dataclass(frozen=True, slots=True)
class Weighing:
    """Something weighed with each run.

    What is `optional` has a column in the ledger only once a run has it; what is `of_feed` a blank
    has none of.
    """

    name: str
    unit: str
    words: str
    optional: bool = False
    of_feed: bool = False

    @property
    def column(self) -> str:
        """Name of its column in ledgers and sheets, with the unit: ``feed_g``."""
        return f"{self.name}_{unit_slug(self.unit)}" if self.unit else self.name


WEIGHINGS = (
    Weighing("feed", "g", "feed loaded, as weighed", of_feed=True),
    Weighing("feed_moisture", "%", "its moisture, of the wet mass", of_feed=True),
    Weighing("extract_dry", "g", "extract, all portions, dried (if no portions are handed in)"),
    Weighing("residue", "g", "residue, as weighed", of_feed=True),
    Weighing("residue_moisture", "%", "its moisture (0 if it was dried)", of_feed=True),
)
"""What is weighed with each run of a campaign that has derived responses."""
USUALLY_WEIGHED = (
    Weighing("feed", "g", "feed loaded, as weighed", optional=True, of_feed=True),
    Weighing("water_pumped", "g", "water pumped, weighed", optional=True),
    Weighing("residue_dry", "g", "residue, dried", optional=True, of_feed=True),
)
"""What a sheet asks to be weighed even where nothing is derived from it."""


@dataclass(frozen=True, slots=True)
class Response:
    """A response, its aim, and the scatter expected between repeated runs.

    `limit` belongs to the aims below and above; `target` and `tolerance` to the aim target.
    `useless` and `ideal` are the values worth 0 and 1 of a one-sided aim; where the person gives
    none, `worth` takes the range of what was observed. With the scale `log` the logarithm is what
    is modelled: for amounts that span decades or must not be predicted below zero. With a `source`
    it is worked out from masses and assays.
    """

    name: str
    unit: str
    aim: Aim
    scatter: float | None = None
    scatter_relative: bool = False
    limit: float | None = None
    target: float | None = None
    tolerance: float | None = None
    useless: float | None = None
    ideal: float | None = None
    title: str = ""
    scale: Literal["none", "log"] = "none"
    source: Source | None = None

    @property
    def column(self) -> str:
        """Name of its column in ledgers and sheets, with the unit: ``yield_pct``."""
        slug = unit_slug(self.unit)
        return f"{self.name}_{slug}" if slug else self.name

    @property
    def words(self) -> str:
        """Its title, or its name with spaces."""
        return self.title or self.name.replace("_", " ")

    @property
    def never_negative(self) -> bool:
        """Whether the unit, or its numerator, is of an amount that cannot be below zero."""
        return self.unit.split("/")[0].strip() in NEVER_NEGATIVE

    def interval_wanted(self) -> tuple[float, float] | None:
        """Return the bounds a value must keep to meet the aim; None for maximise and minimise."""
        if self.aim == "below" and self.limit is not None:
            return -np.inf, self.limit
        if self.aim == "above" and self.limit is not None:
            return self.limit, np.inf
        if self.aim == "target" and self.target is not None and self.tolerance is not None:
            return self.target - self.tolerance, self.target + self.tolerance
        return None

    def worth(self, values: npt.ArrayLike, observed: tuple[float, float]) -> FloatArray:
        """Return how far values satisfy the aim: 0 useless, 1 ideal, straight in between.

        For people to read. Settings are compared by `share` and `combined`, which do not stop at
        the ends: nobody said that the best value seen is good enough.

        Parameters
        ----------
        values
            Values of the response, any shape.
        observed
            Lowest and highest value observed; they stand in for `useless` and `ideal`.

        Notes
        -----
        One- and two-sided desirability with weight 1: Derringer, Suich 1980, J. Qual. Technol.
        12:214–219, eqs. 1–2 (from memory). A limit counts as met or not met: 1 or 0.
        """
        if self.aim in ("below", "above"):
            y = np.asarray(values, dtype=np.float64)
            wanted = self.interval_wanted()
            assert wanted is not None
            return ((y >= wanted[0]) & (y <= wanted[1])).astype(np.float64)
        return np.asarray(self.share(values, observed).clip(0.0, 1.0))

    def share(self, values: npt.ArrayLike, observed: tuple[float, float]) -> FloatArray:
        """Return the worth of values as a straight line without ends: better is always more.

        For maximise, minimise and target; a limit has none.
        """
        y = np.asarray(values, dtype=np.float64)
        if self.aim == "target":
            low, high = observed
            assert self.target is not None
            width = self.tolerance or max(high - self.target, self.target - low, 1e-12)
            return np.asarray(1.0 - np.abs(y - self.target) / width)
        useless, ideal = self.ends(observed)
        return np.ones_like(y) if ideal == useless else (y - useless) / (ideal - useless)

    def ends(self, observed: tuple[float, float]) -> tuple[float, float]:
        """Return the values worth 0 and 1 of a response that is aimed high or low.

        Where the one end that a person gave lies beyond all values seen, the other is as far from
        it as the values seen are apart, so that the way up is never turned round.
        """
        low, high = observed
        worst, best = (low, high) if self.aim == "maximise" else (high, low)
        useless = worst if self.useless is None else self.useless
        ideal = best if self.ideal is None else self.ideal
        if (ideal - useless) * (best - worst) > 0 or None not in (self.useless, self.ideal):
            return useless, ideal
        if self.useless is not None:
            return useless, useless + (best - worst)
        return ideal - (best - worst), ideal


def combined(
    responses: Sequence[Response],
    values: Sequence[FloatArray],
    observed: Sequence[tuple[float, float]],
    *,
    limited: bool = False,
) -> FloatArray:
    """Return the overall worth by which settings are compared, so that a better one never ties.

    The geometric mean of the shares of worth, each from 0 and, where the person named an ideal, up
    to 1. What stands in for an ideal that nobody named, the best value seen, is only a unit: a
    share goes on beyond it, because a value predicted better is worth more. Beyond a named ideal
    nothing more is traded for it; there, and where the worth is 0, a trace decides by which values
    are better. One response alone for which no ideal or tolerance is named is just its share, also
    below 0.

    Parameters
    ----------
    values
        Of each response (…), none of which is a limit.
    observed
        Lowest and highest value of each.
    limited
        Where settings that break a limit are worth 0, so that all others must be worth more.
    """
    shares = [r.share(v, seen) for r, v, seen in zip(responses, values, observed, strict=True)]
    named = [r.ideal is not None or r.tolerance is not None for r in responses]
    if len(shares) == 1 and not limited and not named[0]:
        return shares[0]
    kept = [
        share.clip(0.0, 1.0 if upto else np.inf) for share, upto in zip(shares, named, strict=True)
    ]
    beyond = np.mean([share / (1 + np.abs(share)) for share in shares], axis=0)
    overall = np.prod(kept, axis=0) ** (1 / len(kept))
    return np.asarray(overall + TRACE * (1 + beyond) / 2, dtype=np.float64)
