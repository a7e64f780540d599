"""What can go wrong, as one tree.

    DoeError                 anything the person can put right
    ├── CampaignFileError    campaign.toml says something that cannot be
    ├── InfeasibleError      no setting at all satisfies the rig
    ├── DesignError          the design asked for cannot be made
    ├── ResultsError         a returned sheet or the ledger holds something unreadable
    ├── FitError             the results cannot carry the model asked for
    └── StateError           a file or a step that the command needs is not there

An error stores facts (`Problem`) and builds its text from them; one error may carry many
problems, so that a person mends a file in one go. What the person should know although the work
went on is a `Notice`, carried by the result it belongs to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

__all__ = [
    "CampaignFileError",
    "DesignError",
    "DoeError",
    "FitError",
    "InfeasibleError",
    "Notice",
    "Problem",
    "ResultsError",
    "StateError",
    "Where",
    "chosen_from",
]

Word = TypeVar("Word", bound=str)


@dataclass(frozen=True, slots=True)
class Where:
    """Place of a problem: file, line (from 1), and key or cell; whatever of it is known."""

    file: str | None = None
    line: int | None = None
    key: str | None = None

    def __str__(self) -> str:
        place = self.file or ""
        if self.line is not None:
            place += f", line {self.line}" if place else f"line {self.line}"
        if self.key:
            place += f", {self.key}" if place else self.key
        return place


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong: a stable code, what was found and allowed, where, and the cure."""

    code: str
    what: str
    where: Where = Where()
    remedy: str = ""

    def __str__(self) -> str:
        place = str(self.where)
        named = self.what.startswith(f"{place}: ".replace("_", " "))  # what it is about, told once
        text = f"{place}: {self.what}" if place and not named else self.what
        return f"{text} {self.remedy}" if self.remedy else text


@dataclass(frozen=True, slots=True)
class Notice:
    """Something the person should know although the work went on; `good` if it is no worry."""

    code: str
    what: str
    good: bool = False


class DoeError(Exception):
    """Base of all errors that the person at the rig can put right."""

    def __init__(self, *problems: Problem) -> None:
        if not problems:
            raise ValueError("an error needs at least one problem")
        super().__init__(*problems)
        self.problems = problems

    def __str__(self) -> str:
        return "\n".join(str(problem) for problem in self.problems)

    @classmethod
    def of(
        cls,
        code: str,
        what: str,
        remedy: str = "",
        *,
        file: str | None = None,
        line: int | None = None,
        key: str | None = None,
    ) -> DoeError:
        """Return an error of this class with a single problem."""
        return cls(Problem(code, what, Where(file, line, key), remedy))


class CampaignFileError(DoeError):
    """campaign.toml says something that cannot be."""


class InfeasibleError(DoeError):
    """No setting at all satisfies the rig."""


class DesignError(DoeError):
    """The design asked for cannot be made."""


class ResultsError(DoeError):
    """A returned sheet or the ledger holds something unreadable."""


class FitError(DoeError):
    """The results cannot carry the model asked for."""


class StateError(DoeError):
    """A file or a step that the command needs is not there."""


def chosen_from(name: str | None, known: Sequence[Word], otherwise: DoeError) -> Word | None:
    """Return which of the known words a person named; None where they named none.

    Raises
    ------
    DoeError
        It is none of them: `otherwise`.
    """
    if name is None:
        return None
    for word in known:
        if word == name:
            return word
    raise otherwise
