"""Pictures of what limits a campaign and of what a design can tell."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from doe.digits import percent, plain
from doe.factors import FloatArray
from doe.report.pictures import (
    Axis,
    Bars,
    Cells,
    Curve,
    Picture,
    Table,
    in_words,
    stops,
    two_decimals,
)
from doe.wording import capital

if TYPE_CHECKING:
    from doe.design.aliasing import Aliases
    from doe.region import Survey

__all__ = [
    "alias_picture",
    "fraction_picture",
    "limits_picture",
]

ALIAS_LEAST = 0.005
"""Shares below are not drawn."""
ALIAS_COLUMNS = 16
ALIAS_ROWS = 24


def fraction_picture(spread: tuple[FloatArray, FloatArray], key: str = "fraction") -> Picture:
    """Return the prediction variance that each share of what the rig can run stays below."""
    fractions, variance = spread
    half, most = (float(np.interp(share, fractions, variance)) for share in (0.5, 0.9))
    return Picture(
        key,
        f"Over half of what the rig can run, variance stays below {plain(half, 2)} of a run’s; "
        f"over nine tenths, below {plain(most, 2)}",
        "Read up from a share of what the rig can run to the variance of a predicted mean that "
        "this share does not exceed. Low and flat is good; a steep end is a corner known badly.",
        Axis("share of what the rig can run", "%", 0.0, 100.0),
        Axis("prediction variance", "run variances", 0.0, 1.08 * float(variance.max())),
        (Curve(100 * fractions, variance, "prediction variance"),),
        Table(
            ("share of what the rig can run, %", "variance not exceeded, run variances"),
            tuple(
                (plain(100 * float(fractions[i])), plain(float(variance[i]), 3))
                for i in stops(len(fractions), 11)
            ),
            frozenset({0, 1}),
        ),
    )


def alias_picture(aliases: Aliases, key: str = "aliases") -> Picture | None:
    """Return which terms outside the model get into which estimates; None where none does.

    The mean is left out: no one reads it as an effect. Of more than fit the least are in the
    table only.
    """
    shares = np.array(aliases.matrix)
    shares[np.abs(shares) < ALIAS_LEAST] = 0.0
    columns = [i for i, label in enumerate(aliases.fitted) if label != "1" and shares[i].any()]
    rows = [j for j in range(len(aliases.mixed_in)) if shares[columns, j].any()]
    if not rows:
        return None
    size = np.abs(shares)
    shown_columns = _largest(columns, size[:, rows].max(axis=1), ALIAS_COLUMNS)
    rows_of_shown = [j for j in rows if shares[shown_columns, j].any()]
    shown_rows = _largest(rows_of_shown, size[shown_columns].max(axis=0), ALIAS_ROWS)
    estimates = tuple(in_words(aliases.fitted[i]) for i in shown_columns)
    others = tuple(in_words(aliases.mixed_in[j]) for j in shown_rows)
    left = len(rows) - len(shown_rows) + len(columns) - len(shown_columns)
    return Picture(
        key,
        _alias_finding(aliases, size, columns, rows),
        "Down a column stands what the estimate named above it also holds: a filled dot is added "
        "to it, a ring taken away, and a larger dot is a larger share of the other term’s own "
        "coefficient. A term without a dot leaves every estimate alone."
        + (" The least of them are in the table only." if left else ""),
        Axis("each column an estimate", "", -0.5, len(estimates) - 0.5, estimates),
        Axis("gets a share of", "", -0.5, len(others) - 0.5, others),
        (Cells(shares[np.ix_(shown_columns, shown_rows)].T),),
        Table(
            ("estimate of", "also holds", "times"),
            tuple(
                (
                    in_words(aliases.fitted[i]),
                    in_words(aliases.mixed_in[j]),
                    two_decimals(float(shares[i, j])),
                )
                for i in columns
                for j in rows
                if shares[i, j]
            ),
            frozenset({2}),
        ),
    )


def _largest(places: Sequence[int], size: FloatArray, most: int) -> list[int]:
    """Return the places of the largest sizes, in their own order."""
    return sorted(sorted(places, key=lambda place: -float(size[place]))[:most])


def _alias_finding(
    aliases: Aliases, size: FloatArray, columns: Sequence[int], rows: Sequence[int]
) -> str:
    whole = [
        (aliases.fitted[i], aliases.mixed_in[j])
        for i in columns
        for j in rows
        if abs(size[i, j] - 1) < ALIAS_LEAST
    ]
    if whole:
        first, other = whole[0]
        rest = f", and {len(whole) - 1} more such pairs" if len(whole) > 1 else ""
        return f"{capital(in_words(first))} cannot be told from {in_words(other)}{rest}"
    most = float(size[np.ix_(columns, rows)].max())
    return f"No estimate holds more than {most:.2f} of another term"


def limits_picture(survey: Survey, key: str = "limit-shares") -> Picture:
    """Return the share of the box that each limit forbids, and forbids alone."""
    cutting = sorted(
        (s for s in survey.limits if s.fails_fraction > 0), key=lambda s: -s.fails_fraction
    )
    fails = np.array([s.fails_fraction for s in cutting]) * 100
    alone = np.array([s.fails_alone_fraction for s in cutting]) * 100
    finding = (
        f"“{capital(cutting[0].limit.title)}” forbids most: "
        f"{percent(cutting[0].fails_fraction)} of the box"
        if cutting
        else "No limit cuts the box"
    )
    return Picture(
        key,
        finding,
        "Length of a bar: share of the box that the limit forbids. The solid part is forbidden "
        "by that limit alone, and comes back if only this limit is cured.",
        Axis("share of the box", "%", 0.0, max(5.0, float(fails.max(initial=0.0)) * 1.6)),
        Axis("limit", "", -0.5, len(cutting) - 0.5, tuple(s.limit.title for s in cutting)),
        (
            Bars(
                fails,
                alone,
                tuple(
                    f"{percent(s.fails_fraction)} ({percent(s.fails_alone_fraction)} alone)"
                    for s in cutting
                ),
            ),
        ),
        Table(
            ("limit", "fails", "fails alone"),
            tuple(
                (s.limit.title, percent(s.fails_fraction), percent(s.fails_alone_fraction))
                for s in cutting
            ),
            frozenset({1, 2}),
        ),
    )
