"""What is measured of a run, what is wanted of it, and how far a value satisfies that."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from doe.factors import FloatArray
from doe.quantities import unit_slug

__all__ = ["USUALLY_WEIGHED", "WEIGHINGS", "Aim", "Response", "Source", "SourceKind", "Weighing"]

Aim = Literal["maximise", "minimise", "target", "below", "above"]
NEVER_NEGATIVE = ("%", "g", "mg", "ug", "µg", "mol", "mmol", "mL")
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
        y = np.asarray(values, dtype=np.float64)
        low, high = observed
        if self.aim in ("below", "above"):
            wanted = self.interval_wanted()
            assert wanted is not None
            return ((y >= wanted[0]) & (y <= wanted[1])).astype(np.float64)
        if self.aim == "target":
            assert self.target is not None
            width = self.tolerance or max(high - self.target, self.target - low, 1e-12)
            return np.clip(1.0 - np.abs(y - self.target) / width, 0.0, 1.0)
        useless, ideal = (low, high) if self.aim == "maximise" else (high, low)
        useless = useless if self.useless is None else self.useless
        ideal = ideal if self.ideal is None else self.ideal
        if ideal == useless:
            return np.ones_like(y)
        return np.clip((y - useless) / (ideal - useless), 0.0, 1.0)
