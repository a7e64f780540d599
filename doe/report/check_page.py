"""The page of a check: what the rig can run, what limits it, what the budget buys."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import TYPE_CHECKING

from markupsafe import Markup

from doe.digits import percent
from doe.factors import FactorSpace
from doe.report.design_pictures import limits_picture
from doe.report.map_section import maps_section
from doe.report.page import (
    DERIVED_NONE,
    Header,
    Panel,
    Section,
    bullets,
    factor_names,
    figure_html,
    folded,
    from_template,
    gravest,
    joined,
    more_to_know,
    prose,
    small_heading,
    table_html,
    whole_page,
    with_measure,
)
from doe.report.pictures import Table, setting_text
from doe.wording import listed

if TYPE_CHECKING:
    from doe.region import RegionMap, Survey

__all__ = ["check_page"]

CORNERS_SHOWN = 16


def check_page(
    header: Header,
    space: FactorSpace,
    survey: Survey,
    maps: Sequence[RegionMap],
    affordable: Sequence[tuple[str, str, bool]],
    closed_in: Sequence[str] = (),
    derived: Table = DERIVED_NONE,
    runs: int | None = None,
) -> str:
    """Return what the rig can run of the box, what limits it, and what the budget buys.

    Parameters
    ----------
    affordable
        What each part of the budget allows: label, text, and whether it binds.
    closed_in
        Sentences on a closed system (heating of a closed vessel, trapped liquid), if any.
    derived
        A table to show at its end, e.g. quantities that follow from the factors.
    runs
        How many runs the whole budget buys.
    """
    sections = [
        more_to_know(header.notices),
        maps_section(space, maps, (), "What the rig can run"),
        _limits_section(survey),
        _corners_section(space, survey),
    ]
    if derived.rows:
        sections.append(Section("derived", "What follows from the factors", table_html(derived)))
    first = _check_first_screen(header, survey, affordable, closed_in, runs)
    return whole_page(header, first, sections)


def _check_first_screen(
    header: Header,
    survey: Survey,
    affordable: Sequence[tuple[str, str, bool]],
    closed_in: Sequence[str],
    runs: int | None,
) -> Markup:
    binding = [label for label, _, binds in affordable if binds]
    buys = tuple(
        (label, text, "(this decides)" if binds else "") for label, text, binds in affordable
    )
    return joined(
        prose(_feasible_sentences(survey), "lead"),
        small_heading("What would open it up", 2) if survey.cures else "",
        bullets(survey.cures),
        from_template("best", Panel("What the budget buys", buys)) if buys else "",
        prose([_bought_sentence(runs, binding)]),
        prose(closed_in),
        gravest(header, header.notices),
        from_template("next", header.next_command, header.next_because),
    )


def _bought_sentence(runs: int | None, binding: Sequence[str]) -> str:
    """Return how many runs the whole budget buys, and which part of it decides that."""
    if runs is None:
        return f"Runs are limited by {listed(binding)}." if binding else ""
    decides = f" What decides: {listed(binding)}." if binding else ""
    return f"The budget buys {runs} run{'' if runs == 1 else 's'}.{decides}"


def _feasible_sentences(survey: Survey) -> list[str]:
    share = survey.feasible_fraction
    cutting = sorted(
        (s for s in survey.limits if s.fails_fraction > 0), key=lambda s: -s.fails_fraction
    )
    if not cutting:
        return ["The rig can run the whole box that the factors span. No limit is in the way."]
    start = (
        "The rig can run nothing of the box that the factors span."
        if share == 0
        else f"The rig can run {'nearly the whole' if share > 0.995 else percent(share)} of the "
        "box that the factors span."
    )
    named = [
        f"“{s.limit.title}” (forbids {percent(s.fails_fraction)}; "
        f"{percent(s.fails_alone_fraction)} alone)"
        for s in cutting[:3]
    ]
    rest = len(cutting) - 3
    more = f" {rest} more {'limit cuts' if rest == 1 else 'limits cut'} it too." if rest > 0 else ""
    return [f"{start} In the way: {listed(named)}.{more}"]


def _limits_section(survey: Survey) -> Section:
    rows = tuple(
        (
            share.limit.title,
            percent(share.fails_fraction),
            percent(share.fails_alone_fraction),
            with_measure(
                "a maximum" if share.limit.sense == "at most" else "a minimum", share.limit.unit
            ),
            "common practice" if share.limit.practice else "the rig’s own",
        )
        for share in sorted(survey.limits, key=lambda s: -s.fails_fraction)
    )
    table = Table(
        ("limit", "box it forbids", "forbidden by it alone", "allowed value is", "comes from"),
        rows,
        frozenset({1, 2}),
    )
    cut = any(share.fails_fraction > 0 for share in survey.limits)
    return Section(
        "limits",
        "What each limit takes",
        joined(
            figure_html(limits_picture(survey))
            if cut
            else prose(["No limit forbids anything of the box."]),
            folded("All limits", table_html(table)),
        ),
    )


def _corners_section(space: FactorSpace, survey: Survey) -> Section:
    found = [
        (
            tuple((text,) for text in setting_text(space, corner.settings)),
            " ".join(sentence for _, sentence in corner.fails) or "the rig can run it",
        )
        for corner in survey.corners
    ]
    rows = tuple((*map(_either, where), said) for where, said in _merged(found))
    table = Table((*factor_names(space), "found there"), rows, frozenset(space.numeric))
    good = sum(not corner.fails for corner in survey.corners)
    if good == len(found):
        lead, body = f"The rig can run all {len(found)} corners of the box.", Markup("")
    else:
        lead = f"The rig can run {good} of the {len(found)} corners of the box."
        body = table_html(table)
    if len(rows) > CORNERS_SHOWN:
        body = folded(f"All {len(found)} corners", body)
    return Section("corners", "The corners of the box", prose([lead]) + body, "Corners")


def _either(values: Sequence[str]) -> str:
    """Return settings as alternatives, their unit said once."""
    space = "\N{NO-BREAK SPACE}"
    units = {value.partition(space)[2] for value in values}
    if len(units) == 1:
        values = [*(value.partition(space)[0] for value in values[:-1]), *values[-1:]]
    return " or ".join(values)


_Corners = tuple[tuple[str, ...], ...]
"""Corners that are told together: for each factor the values that they have, as text."""


def _merged(found: Sequence[tuple[_Corners, str]]) -> list[tuple[_Corners, str]]:
    """Return corners with equal words told once, where they differ in one factor alone."""
    merged = list(found)
    again = True
    while again:
        again = False
        for i, j in itertools.combinations(range(len(merged)), 2):
            (one, said), (other, same) = merged[i], merged[j]
            apart = [k for k, (a, b) in enumerate(zip(one, other, strict=True)) if a != b]
            if said == same and len(apart) == 1:
                k = apart[0]
                merged[i] = ((*one[:k], (*one[k], *other[k]), *one[k + 1 :]), said)
                del merged[j]
                again = True
                break
    return merged
