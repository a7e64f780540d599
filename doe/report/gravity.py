"""Which notices a person reads first, and which fold: one order for pages and terminal."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from doe.errors import Notice
from doe.wording import capital

__all__ = [
    "BACKGROUND",
    "LOUD",
    "RESULTS",
    "SAFETY",
    "SLIPS",
    "ByGravity",
    "by_gravity",
    "notice_text",
]

LOUD = (
    "planned-forbidden",
    "sheet-outdated",
    "log-limits-passed",
    "achieved-limits-passed",
    "log-beyond-declared",
    "log-boiled",
    "log-may-have-boiled",
    "temperature-in-another-unit",
    "boiled",
    "boiled-if-held",
    "achieved-breaks-limit",
    "achieved-not-checked",
    "limits-not-confirmed",
)
"""Codes of what may hurt somebody: always in full, before everything else."""
SLIPS = ("more-than-all", "far-above-others", "below-zero")
"""Codes of values that would carry everything that follows from them with them."""
SAFETY = (
    "log-below-margin",
    "liquid-not-known",
    "headspace-boils",
    "no-liquid-margin",
    "pad-holds-liquid",
    "co-solvent-let-down",
    "part-none",
    "looser-than-practice",
    "boiling-taken",
    "zero-allowance",
    "gas-evolved",
    "co-solvent",
)
RESULTS = (
    "confirmation",
    "cut-short",
    "no-results-in-sheet",
    "limit-unknown",
    "no-logarithm",
    "response-not-in-sheet",
    "additions-replaced",
    "model-not-carried",
    "response-not-fitted",
    "aims-not-met",
    "chances-part",
    "large-residual",
    "tangled-terms",
    "drift",
    "groups-differ",
    "drift-over-days",
    "wants-log",
    "doubtful-runs",
    "exact-fit",
    "repeats-identical",
    "repeats-alike",
    "over-budget",
    "runs-lost",
    "outside-region",
)
"""Codes of what changes the settings, or what is run next, most first; codes not named follow."""
BACKGROUND = (
    "simpler-model",
    "plain-mean",
    "censored-in-one-grouping",
    "poor-prediction",
    "lack-of-fit",
    "few-degrees-of-freedom",
    "high-leverage",
    "no-predicted-r2",
    "leverage",
    "confounded-as-planned",
    "whole-plots",
    "shared-settings",
    "several-stages",
    "stage-not-allowed-for",
    "stage-tied",
    "same-grouping",
    "block-not-separable",
    "blocks-allowed-for",
    "limits-only",
    "censored-values",
    "no-repeats",
    "repeats-apart",
    "same-settings",
    "missing-points",
    "terms-uncertain",
    "terms-not-separable",
    "other-than-planned",
    "strayed-from-levels",
    "achieved-not-recorded",
    "pressure-as-factor",
    "discard-below-line",
)
"""Codes of what is of the file, of how runs were made, or of polynomials that no setting rests on:
the same at every stage, so it folds."""
_KEY = re.compile(r"[a-z]+(_\w+|\s*=)")
_NEGATIVE = re.compile(r"(?<![\w.-])-(?=\d)")


@dataclass(frozen=True, slots=True)
class ByGravity:
    """Notices in words, each once: good news, what to mind first, and the rest, gravest first.

    `background` says that the rest holds nothing else.
    """

    good: tuple[str, ...]
    first: tuple[str, ...]
    rest: tuple[str, ...]
    background: bool

    @property
    def rest_in_words(self) -> str:
        """What the rest is, counted: ``7 more, of the file and of how runs were made``."""
        more = f"{len(self.rest)} more"
        if self.background:
            return f"{more}, of the file and of how runs were made and fitted,"
        return f"{more} to mind"


def by_gravity(notices: Iterable[str | Notice], most: int) -> ByGravity:
    """Return the notices in the order in which a person should read them.

    Parameters
    ----------
    most
        How many stand first, one of a kind: those of `LOUD` all, and no background unless it is
        a single one that would fold.
    """
    told: dict[str, Notice] = {}
    for one in notices:
        notice = one if isinstance(one, Notice) else Notice("", one)
        told.setdefault(notice_text(notice), notice)
    good = tuple(text for text, notice in told.items() if notice.good)
    minded = {text: notice for text, notice in told.items() if not notice.good}
    ordered = sorted(minded, key=lambda text: _weight(minded[text].code))
    folding = sum(minded[text].code in BACKGROUND for text in ordered) > 1
    first: list[str] = []
    kinds: set[str] = set()
    for text in ordered:
        code = minded[text].code
        if code in LOUD or (
            len(first) < most and code not in kinds and not (folding and code in BACKGROUND)
        ):
            first.append(text)
            kinds.add(code or text)
    rest = tuple(text for text in ordered if text not in first)
    return ByGravity(good, tuple(first), rest, all(minded[t].code in BACKGROUND for t in rest))


def _weight(code: str) -> int:
    told = (*LOUD, *SLIPS, *SAFETY, *RESULTS)
    if code in told:
        return told.index(code)
    return len(told) + (1 + BACKGROUND.index(code) if code in BACKGROUND else 0)


def notice_text(notice: str | Notice) -> str:
    """Return a notice as a sentence: a capital letter, unless a key begins it; a real minus."""
    text = _NEGATIVE.sub("−", notice if isinstance(notice, str) else notice.what)
    return text if _KEY.match(text) else capital(text)
