"""The section of maps that pages on what the rig can run share."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from markupsafe import Markup

from doe.factors import FactorSpace
from doe.report.map_pictures import region_picture
from doe.report.page import Section, factor_names, figure_html, folded_figure, joined, prose
from doe.report.pictures import RunPoints, held_text
from doe.wording import capital

if TYPE_CHECKING:
    from doe.region import RegionMap

__all__ = ["maps_section"]


def maps_section(
    space: FactorSpace,
    maps: Sequence[RegionMap],
    points: Sequence[RunPoints],
    heading: str,
    words: str = "",
) -> Section:
    """Return the maps, the first open and the others folded under their findings.

    With words before them the first is folded too.

    One with nothing on it, neither limit nor line nor run, is a sentence.
    """
    drawn: list[Markup] = [prose([words])] if words else []
    for i, region in enumerate(maps, start=1):
        own = region.space or space
        if points or region.lines or (region.margin < 0).any():
            picture = region_picture(own, region, points, f"map-{i}")
            first = not words and not any("<figure" in part for part in drawn)
            drawn.append(
                figure_html(picture) if first else folded_figure(picture, _over(own, region))
            )
        else:
            drawn.append(prose([_open_sentence(own, region)]))
    return Section("maps", heading, joined(*drawn))


def _over(space: FactorSpace, region: RegionMap) -> str:
    names = factor_names(space)
    return f"{capital(names[region.x_factor])} and {names[region.y_factor]}: "


def _open_sentence(space: FactorSpace, region: RegionMap) -> str:
    names = factor_names(space)
    over = f"{names[region.x_factor]} and {names[region.y_factor]}"
    held = held_text(space, region)
    return f"Over all of {over} no limit is in the way. {held}".rstrip()
