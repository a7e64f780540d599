"""The frame of every page and the parts that sections are put together from.

A page is a single file: no script needed to read it, nothing fetched, the same bytes again.
Everything the person or the campaign file says is escaped in `templates/`; a content security
policy forbids every request.
"""

from __future__ import annotations

import base64
import csv
import hashlib
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from doe.digits import shown
from doe.errors import Notice
from doe.factors import FactorSpace
from doe.report.explorer import Explorer, payload_text
from doe.report.gravity import by_gravity
from doe.report.palette import DARK, LIGHT, css_variables
from doe.report.pictures import Panels, Picture, Table
from doe.report.svg import NARROW, WIDE, draw
from doe.wording import capital, lowered

if TYPE_CHECKING:
    pass

__all__ = [
    "DERIVED_NONE",
    "USUAL_CAUTIONS",
    "Header",
    "Panel",
    "Section",
    "bullets",
    "factor_names",
    "figure_html",
    "folded",
    "folded_evidence",
    "folded_figure",
    "folded_panels",
    "from_template",
    "good_news",
    "gravest",
    "is_number",
    "joined",
    "minds",
    "more_to_know",
    "panels_html",
    "plain_figures",
    "prose",
    "set_alike_html",
    "small_heading",
    "table_html",
    "whole_page",
    "with_measure",
]

DERIVED_NONE = Table((), ())
NOTICES_FIRST = 3
DANGER = "DANGER"
ROWS_MOST, ROWS_FIRST = 120, 60
"""Rows that a table may have on the page; of more the first are shown, and the file has them all:
some hundred runs would make the page too heavy for a browser."""
CARD_COLUMNS, CARDS_MOST = range(4, 13), 30
"""Columns and rows of tables whose rows stand as cards on a narrow screen: more are too long."""
PAIRED_FROM, SLIM_MOST = 15, 60
"""Rows from which a table runs in two columns on paper; characters that one of them holds."""
USUAL_CAUTIONS = (
    "Water above 100 °C under pressure flashes to steam when it is let out, and hot parts burn.",
    "The rig’s own documents, your site’s rules and local codes come before anything here; "
    "pressure equipment is checked and run by people trained and, where required, licensed for it.",
)


@dataclass(frozen=True, slots=True)
class Header:
    """What stands round every page.

    Attributes
    ----------
    unconfirmed_limits
        Puts the banner "for planning practice only" before everything else.
    invented, source
        Sentence on where the data come from, whichever applies.
    notices, cautions
        Sentences, or notices whose code tells their weight; the usual cautions where there are
        none.
    provenance
        Pairs of label and text: seed, hash of the campaign file, versions.
    next_command, next_because
        What to type next, and why that.
    lead
        What comes before all else that a page says; may be empty.
    practice_defaults
        Pairs of key and value taken from common practice, which the person may edit.
    """

    campaign: str
    title: str
    mode: str
    stage: int | None
    page: str
    unconfirmed_limits: bool
    invented: str | None = None
    source: str | None = None
    notices: tuple[str | Notice, ...] = ()
    next_command: str = ""
    next_because: str = ""
    lead: str = ""
    provenance: tuple[tuple[str, str], ...] = ()
    cautions: tuple[str, ...] = ()
    practice_defaults: tuple[tuple[str, str], ...] = ()

    @property
    def dangers(self) -> tuple[tuple[str, str], ...]:
        """What stands above all else on the page: the first sentence of each danger, and the rest.

        The first word says that it is one.
        """
        parted = (text.partition(". ") for text in self.danger_texts)
        return tuple((f"{what}.", rest) for what, _, rest in parted)

    @property
    def danger_texts(self) -> tuple[str, ...]:
        first = by_gravity(self.notices, NOTICES_FIRST).first
        return tuple(text for text in first if text.startswith(DANGER))


@dataclass(frozen=True, slots=True)
class Section:
    key: str
    heading: str
    body: Markup
    short: str = ""


@dataclass(frozen=True, slots=True)
class Panel:
    """Facts that stand out: label, text, and a remark beside it."""

    heading: str
    facts: tuple[tuple[str, str, str], ...] = field(default=())
    note: str = ""


def is_number(text: str) -> bool:
    try:
        float(text.replace("−", "-"))
    except ValueError:
        return False
    return True


def folded(summary: str, body: Markup) -> Markup:
    """Return what is folded away on the screen and left out of print: numbers of every run, say."""
    if not body:
        return Markup("")
    return Markup("<details><summary>{}</summary>{}</details>").format(shown(summary), body)


def folded_figure(picture: Picture, before: str = "") -> Markup:
    """Return a figure folded away on the screen under its finding, and unfolded in print."""
    summary = f"{before}{lowered(picture.finding)}" if before else picture.finding
    return Markup('<details class="evidence titled"><summary>{}</summary>\n{}\n</details>').format(
        shown(summary), figure_html(picture)
    )


def folded_panels(panels: Panels, *after: Markup) -> Markup:
    """Return small pictures folded away on the screen under their finding, unfolded in print."""
    return Markup('<details class="evidence titled"><summary>{}</summary>\n{}\n</details>').format(
        shown(panels.finding), joined(panels_html(panels), *after)
    )


def folded_evidence(summary: str, *parts: Markup | str) -> Markup:
    """Return what is folded away on the screen and unfolded in print.

    The summary says what is in it, so that nobody needs to open it to know.
    """
    body = joined(*parts)
    if not body:
        return Markup("")
    return Markup('<details class="evidence"><summary>{}</summary>\n{}\n</details>').format(
        shown(summary), body
    )


def plain_figures(pictures: Iterable[Picture | None]) -> list[Markup]:
    """Return the figures of those pictures that could be made."""
    return [figure_html(picture) for picture in pictures if picture is not None]


def _cautions_section(header: Header) -> Section:
    return Section(
        "cautions",
        "Before anything is heated",
        bullets(header.cautions or USUAL_CAUTIONS),
        "Cautions",
    )


def _practice_section(header: Header) -> Section:
    body = joined(
        prose(
            [
                "These values are common practice, used because the campaign file doesn’t say "
                "otherwise. If your rig differs, write them there."
            ]
        ),
        folded_evidence(
            _counted(len(header.practice_defaults), "value that you", "values that you")
            + " may want to replace",
            table_html(Table(("key", "value used"), header.practice_defaults)),
        ),
    )
    return Section("practice", "Values taken from common practice", body, "Common practice")


def whole_page(
    header: Header,
    first_screen: Markup,
    sections: Sequence[Section],
    explorer: Explorer | None = None,
    to_run: bool = False,
) -> str:
    every = [s for s in sections if s.body]
    every.insert(0 if to_run else len(every), _cautions_section(header))
    if header.practice_defaults:
        every.append(_practice_section(header))
    style, script = _style(), _script() if explorer is not None else ""
    kicker = header.page + (f", stage {header.stage}" if header.stage is not None else "")
    return str(
        _environment()
        .get_template("page.html")
        .render(
            header=header,
            kicker=capital(kicker),
            first_screen=first_screen,
            sections=every,
            policy=_policy(style, script),
            style=Markup(style),
            script=Markup(script),
            explore=Markup(payload_text(explorer)) if explorer is not None else "",
        )
    )


def _policy(style: str, script: str) -> str:
    """Return the content security policy: nothing from outside, only our own style and script."""
    allowed = f"default-src 'none'; style-src '{_hash(style)}'"
    return f"{allowed}; script-src '{_hash(script)}'" if script else allowed


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode()).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"


@lru_cache(maxsize=1)
def _style() -> str:
    sheet = (files("doe.report") / "templates" / "report.css").read_text(encoding="utf-8")
    light, dark = css_variables(LIGHT), css_variables(DARK)
    shades = "".join(
        f".picture .fill-{role}{{fill:var(--{role})}}" for role in LIGHT if role.startswith("ramp")
    )
    return (
        f":root{{{light}}}@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\n"
        f"{sheet}{shades}"
    )


@lru_cache(maxsize=1)
def _script() -> str:
    return (files("doe.report") / "templates" / "explore.js").read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("doe.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_shown,
    )


def _shown(value: object) -> object:
    """Clean what a template puts out; text that is already HTML was cleaned when it was made."""
    return value if isinstance(value, Markup) or not isinstance(value, str) else shown(value)


def from_template(name: str, *arguments: object) -> Markup:
    """Return a macro of `templates/parts.html` called with arguments."""
    macro = getattr(_environment().get_template("parts.html").module, name)
    return Markup(macro(*arguments))


def figure_html(picture: Picture) -> Markup:
    wide, narrow = Markup(draw(picture, WIDE)), Markup(draw(picture, NARROW, "-narrow"))
    return from_template("figure", picture, wide, narrow, table_html(picture.table))


def panels_html(panels: Panels) -> Markup:
    """Return small pictures side by side, on a narrow screen below each other."""
    drawn = [(picture.finding, Markup(draw(picture, NARROW))) for picture in panels.pictures]
    return from_template("panels", panels, drawn, table_html(panels.table))


def table_html(table: Table, whole: bool = False) -> Markup:
    """Return a table; `_csv` makes it a file to save, without script and without a request.

    Of very many rows the first stand on the page, all where `whole` is asked for.
    """
    paired, cards = _long_and_slim(table), _as_cards(table)
    shown_rows = len(table.rows) if whole or len(table.rows) <= ROWS_MOST else ROWS_FIRST
    return from_template("table", table, _csv(table), is_number, paired, cards, shown_rows)


def _as_cards(table: Table) -> bool:
    """Return whether on a narrow screen rows stand as cards, so that nothing scrolls sideways."""
    return len(table.headings) in CARD_COLUMNS and len(table.rows) <= CARDS_MOST


def _long_and_slim(table: Table) -> bool:
    """Return whether two columns of the table fit side by side on paper, and save a page's half."""
    cells = zip(*table.rows, strict=True)
    return len(table.rows) >= PAIRED_FROM and sum(max(map(len, c)) for c in cells) <= SLIM_MOST


def _csv(table: Table) -> str:
    """Return the table as a data link: CSV in UTF-8 with the mark that spreadsheets look for."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([_cell(heading) for heading in table.headings])
    writer.writerows([_cell(cell) for cell in row] for row in table.rows)
    packed = base64.b64encode(("\ufeff" + out.getvalue()).encode()).decode("ascii")
    return f"data:text/csv;charset=utf-8;base64,{packed}"


def _cell(text: str) -> str:
    """Return a cell as data: a plain minus in numbers, and no text that would run as a formula."""
    text = shown(text)
    if is_number(text):
        return text.replace("−", "-")
    return f"'{text}" if text[:1] in ("=", "+", "-", "@") else text


def prose(sentences: Sequence[str], kind: str = "") -> Markup:
    return from_template("prose", [s for s in sentences if s], kind)


def set_alike_html(fixed: Sequence[tuple[str, str]]) -> Markup:
    """Return what to set alike for every run, before the table of what changes; may be empty."""
    if not fixed:
        return Markup("")
    return from_template("alike", [f"{name} {value}" for name, value in fixed])


def bullets(items: Sequence[str], kind: str = "") -> Markup:
    return from_template("points", list(items), kind)


def minds(notices: Sequence[str | Notice]) -> Markup:
    """Return all notices that are no good news, the gravest first."""
    told = by_gravity(notices, NOTICES_FIRST)
    return bullets([*told.first, *told.rest], "mind")


def good_news(notices: Sequence[str | Notice]) -> Markup:
    """Return the notices that are no worry, without the mark of what is to be minded."""
    return prose(by_gravity(notices, NOTICES_FIRST).good)


def gravest(header: Header, notices: Sequence[str | Notice]) -> Markup:
    """Return the gravest notices but for dangers of the header, which stand above the page's title.

    With them comes where the others stand: in `more_to_know`.
    """
    told = by_gravity(notices, NOTICES_FIRST)
    here = bullets([text for text in told.first if text not in header.danger_texts], "mind")
    if not told.rest:
        return here
    stands = "stands" if len(told.rest) == 1 else "stand"
    link = Markup('<p class="mind">{} {} <a href="#more-to-know">below</a>.</p>')
    return joined(here, link.format(told.rest_in_words, stands))


def more_to_know(notices: Sequence[str | Notice]) -> Section:
    """Return the notices that the first screen has no room for, none of them folded away."""
    rest = by_gravity(notices, NOTICES_FIRST).rest
    return Section("more-to-know", "More to know", bullets(rest, "mind"))


def _counted(count: int, one: str, many: str) -> str:
    return f"{count} {one if count == 1 else many}"


def small_heading(text: str, level: int = 3) -> Markup:
    return Markup('<h{0} class="small">{1}</h{0}>').format(level, shown(text))


def joined(*parts: Markup | str) -> Markup:
    return Markup("\n").join(part for part in parts if part)


def factor_names(space: FactorSpace) -> tuple[str, ...]:
    return tuple(name.replace("_", " ") for name in space.names)


def with_measure(quantity: str, unit: str) -> str:
    return f"{quantity}, {unit}" if unit else quantity
