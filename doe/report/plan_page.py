"""The page of a plan: the runs in order, why these, what they can tell.

Shapes: n runs, k factors.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from markupsafe import Markup

from doe.digits import plain
from doe.report.design_pictures import alias_picture, fraction_picture
from doe.report.map_pictures import VarianceView, variance_picture
from doe.report.map_section import maps_section
from doe.report.page import (
    Header,
    Section,
    bullets,
    figure_html,
    folded,
    folded_evidence,
    folded_figure,
    from_template,
    gravest,
    is_number,
    joined,
    more_to_know,
    prose,
    set_alike_html,
    table_html,
    whole_page,
)
from doe.report.pictures import RunPoints, Table
from doe.report.schedule_picture import order_table, schedule_pictures, totals_table
from doe.wording import listed

if TYPE_CHECKING:
    from doe.design.aliasing import Aliases
    from doe.design.evaluation import Efficiencies
    from doe.design.matrix import Design
    from doe.region import RegionMap
    from doe.schedule import Schedule, Totals

__all__ = ["plan_page"]

NEEDED_FIRST = 5
"""Of what the days need, so much is said before the table is opened."""
LAID_OVER = "The planned runs over what the rig can run, two factors at a time."


def plan_page(
    header: Header,
    design: Design,
    run_rows: Sequence[Mapping[str, str]],
    efficiencies: Efficiencies,
    maps: Sequence[RegionMap],
    can_do: Sequence[str] = (),
    derived: tuple[Table, Table] | None = None,
    margins: tuple[Table, Table] | None = None,
    variance: Sequence[VarianceView] = (),
    points: Sequence[RunPoints] = (),
    days: tuple[Schedule, Totals] | None = None,
    aliases: Aliases | None = None,
    fixed: Sequence[tuple[str, str]] = (),
) -> str:
    """Return the runs of a stage in order, why these, and what they can and cannot do.

    Parameters
    ----------
    run_rows
        One mapping a run, heading to text, all with the same headings.
    can_do
        Sentences on what the design can and cannot tell: degrees of freedom left to judge the
        error by, terms that stay mixed up, chances to find an effect.
    derived, margins
        Of quantities that follow from the settings, and of the margin to each limit: a table over
        all runs, and one of every run.
    points
        Runs on the maps; the planned runs of the design where left out.
    days
        When each run is to be made, and what all of them need.
    aliases
        What gets into the estimates without being in the model.
    fixed
        Name and value of what is set alike for every run.
    """
    rings = tuple(points) or (_planned(design, run_rows),)
    sections = [
        more_to_know([*header.notices, *design.notices]),
        *([_days_section(*days)] if days is not None else []),
        _design_section(design, efficiencies, can_do),
        maps_section(design.space, maps, rings, "Where the runs lie", LAID_OVER if days else ""),
    ]
    if aliases is not None:
        sections.append(_aliases_section(aliases))
    if variance:
        sections.append(_variance_section(design, variance))
    if derived is not None:
        parts = _with_every_run("The least and the most over all runs", *derived)
        sections.append(Section("derived", "What follows from the settings", parts))
    if margins is not None:
        words = "Distance from each limit, in the limit’s own unit; 0 is on the limit."
        least = "The least room to each limit, and in which run"
        parts = joined(prose([words]), _with_every_run(least, *margins))
        sections.append(Section("margins", "Room to the limits", parts))
    first = _plan_first_screen(header, design, run_rows, fixed)
    return whole_page(header, first, sections, to_run=True)


def _with_every_run(summary: str, over_all: Table, every: Table) -> Markup:
    """Return a table over all runs, that of each run to fold out: it is wider than paper."""
    return joined(
        folded_evidence(summary, table_html(over_all)), folded("Every run", table_html(every))
    )


def _plan_first_screen(
    header: Header,
    design: Design,
    run_rows: Sequence[Mapping[str, str]],
    fixed: Sequence[tuple[str, str]],
) -> Markup:
    plots = len(set(design.plots))
    count = f"{len(design)} runs" if len(design) != 1 else "1 run"
    grouped = f", in {plots} whole plots" if plots < len(design) else ""
    stage = f"Stage {header.stage}: " if header.stage is not None else ""
    proposed = (
        "Proposed only: nothing of it is in the ledger. " if header.page == "proposal" else ""
    )
    return joined(
        prose(
            [
                f"{proposed}{stage}{count}{grouped}, in the order to run them: "
                f"{_design_words(design)}."
            ],
            "lead",
        ),
        set_alike_html(fixed),
        _runs_table(run_rows),
        prose(
            [
                design.reason,
                "Keep the order: it is random, so that a drift of the rig does not look like an "
                "effect.",
            ]
        ),
        gravest(header, [*header.notices, *design.notices]),
        from_template("next", header.next_command, header.next_because),
    )


def _design_words(design: Design) -> str:
    """Return the design and the model that it is for, as a person would say them."""
    spoken = {
        "optimal-d": "a D-optimal design",
        "optimal-i": "an I-optimal design",
        "split-plot": "a split-plot design",
        "box-behnken": "Box–Behnken design",
        "plackett-burman": "Plackett–Burman design",
        "doehlert": "Doehlert design",
        "space-filling": "a space-filling design",
    }
    words = spoken.get(design.family, f"{design.family.replace('-', ' ')} design")
    return f"{words} {design.for_model}"


def _days_section(planned: Schedule, needed: Totals) -> Section:
    """Return the days at the rig: what it is doing when, and what all of them need."""
    body = joined(
        *(figure_html(picture) for picture in schedule_pictures(planned)),
        folded_evidence(_needed_words(needed), table_html(totals_table(needed))),
        folded_evidence(
            "What the order costs",
            prose([planned.thermal.sentence]),
            table_html(order_table(planned)),
            prose([planned.centres.sentence]) if planned.centres is not None else "",
        ),
    )
    return Section("days", "Days at the rig", body, "Days")


def _needed_words(needed: Totals) -> str:
    """Return what the days need, the first of it said."""
    first = list(needed.rows())[:NEEDED_FIRST]
    named = [f"{what} {much} {unit}".strip() for what, much, unit in first]
    return f"What they need: {', '.join(named)} and more"


def _runs_table(run_rows: Sequence[Mapping[str, str]]) -> Markup:
    headings = tuple(run_rows[0]) if run_rows else ()
    rows = tuple(tuple(str(row[heading]) for heading in headings) for row in run_rows)
    return table_html(_with_figures(headings, rows), whole=True)


def _with_figures(headings: tuple[str, ...], rows: tuple[tuple[str, ...], ...]) -> Table:
    """Return a table whose columns of nothing but numbers are set as numbers."""
    numbers = frozenset(
        i
        for i in range(len(headings))
        if all(is_number(row[i]) for row in rows if row[i] not in ("", "–"))
    )
    return Table(headings, rows, numbers)


def _design_section(design: Design, efficiencies: Efficiencies, can_do: Sequence[str]) -> Section:
    unknown = "not worked out"
    facts = (
        (
            "D-efficiency",
            f"{plain(efficiencies.d, 3)}; higher is better, 1 for an orthogonal two-level design",
        ),
        ("A-efficiency", f"{plain(efficiencies.a, 3)}; higher is better, on the same scale"),
        (
            "G-efficiency",
            unknown
            if efficiencies.g is None
            else f"{plain(efficiencies.g, 3)}; higher is better, 1 is the most any design reaches",
        ),
        (
            "I, average prediction variance",
            unknown
            if efficiencies.i is None
            else f"{plain(efficiencies.i, 3)} run variances times runs; lower is better",
        ),
    )
    return Section(
        "can-do",
        "What this design can and cannot tell",
        joined(
            bullets(can_do),
            folded_evidence(
                f"Figures of merit: D-efficiency {plain(efficiencies.d, 3)} and others",
                from_template("facts", facts),
            ),
        ),
        "What it can tell",
    )


def _aliases_section(aliases: Aliases) -> Section:
    """Return what the design mixes up: a picture, or that it mixes up nothing of this order."""
    picture = alias_picture(aliases)
    if picture is not None:
        body = folded_figure(picture)
    elif aliases.mixed_in:
        named = listed([label.replace("_", " ") for label in aliases.mixed_in])
        body = prose(
            [
                f"Outside the model stand {named}. Whatever they do, it gets into the mean alone "
                "and into no estimate of an effect."
            ]
        )
    else:
        body = prose(
            [
                "The model holds every bend and every interaction of two factors, and the runs "
                "tell all of them apart. Whatever bends more sharply than that is spread over the "
                "estimates; it is not shown here."
            ]
        )
    return Section("mixed-up", "What the runs mix up", body, "Mixed up")


def _variance_section(design: Design, views: Sequence[VarianceView]) -> Section:
    drawn = [
        folded_figure(variance_picture(design.space, view, f"variance-{i}"))
        for i, view in enumerate(views, start=1)
    ]
    spread = next((view.spread for view in views if view.spread is not None), None)
    if spread is not None:
        drawn.insert(0, folded_figure(fraction_picture(spread)))
    if design.variance_ratio and len(set(design.plots)) < len(design):
        ratio = plain(design.variance_ratio, 2)
        taken = f"Whole plots are taken to scatter with {ratio} times the variance of their runs."
        drawn.insert(0, prose([taken]))
    return Section("variance", "How well it will predict", joined(*drawn))


def _planned(design: Design, run_rows: Sequence[Mapping[str, str]]) -> RunPoints:
    """Return the runs of a design as rings, named by the rows' own run numbers if they have any."""
    numbered = len(run_rows) == len(design) and all("run" in row for row in run_rows)
    names = tuple(str(run_rows[i]["run"]) if numbered else str(i + 1) for i in range(len(design)))
    return RunPoints("planned", design.settings, names)
