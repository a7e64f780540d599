"""The pages in Debian's Chromium: nothing fetched, nothing complained of, surfaces drawn."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from test_report_pages import HOSTILE, hostile_pages, pages

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def folder(made_up: SimpleNamespace, tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("pages")
    for name, page in pages(made_up).items():
        (where / f"{name}.html").write_text(page, encoding="utf-8")
    wordy = tuple(f"{i}: " + "what there is to know of it " * 6 for i in range(20))
    page = pages(made_up, title=HOSTILE[-1], source="measured " * 20, notices=wordy)["fit"]
    (where / "wordy-fit.html").write_text(page, encoding="utf-8")
    for i, text in enumerate(HOSTILE):
        for name, page in hostile_pages(made_up, text).items():
            if name != "fit" or i in (0, 2, 5, 6):
                (where / f"hostile{i}-{name}.html").write_text(page, encoding="utf-8")
    return where


class Watched:
    """A tab that notes what it asks for and what it complains of."""

    def __init__(self, browser: Any, **options: Any) -> None:
        self.tab = browser.new_context(**options).new_page()
        self.asked: list[str] = []
        self.said: list[str] = []
        self.tab.on("request", lambda request: self.asked.append(request.url))
        self.tab.on("console", lambda message: self.said.append(message.text))
        self.tab.on("pageerror", lambda error: self.said.append(str(error)))
        self.tab.on("dialog", lambda dialog: self.said.append("dialog opened"))

    def open(self, path: Path) -> None:
        self.tab.goto(path.as_uri())


def test_pages_are_read_without_scripts(browser: Any, folder: Path) -> None:
    page = Watched(browser, java_script_enabled=False)
    page.open(folder / "fit.html")
    figures = page.tab.locator("figure").count()
    assert figures >= 12
    folded = page.tab.locator("details figure").count()
    assert figures - folded >= 2
    assert page.tab.locator(".static svg >> visible=true").count() == figures - folded
    assert page.tab.locator("button >> visible=true").count() == 0


@pytest.mark.parametrize("width", [360, 1000])
def test_no_page_is_wider_than_the_screen_or_complains(
    browser: Any, folder: Path, width: int
) -> None:
    page = Watched(browser, viewport={"width": width, "height": 800})
    paths = sorted(folder.glob("*.html"))
    assert len(paths) >= 25
    for path in paths:
        page.open(path)
        assert page.tab.evaluate("document.documentElement.scrollWidth") <= width, path.name
        assert page.tab.locator("figure svg >> visible=true").count() >= 1
    assert page.said == []
    assert page.asked == [path.as_uri() for path in paths]


def test_text_of_drawings_stays_inside_them(browser: Any, folder: Path) -> None:
    """Long names are cut, wrapped or moved, never run off the drawing."""
    for width in (360, 1000):
        page = Watched(browser, viewport={"width": width, "height": 800})
        for path in [folder / "fit.html", *sorted(folder.glob("hostile6-*.html"))]:
            page.open(path)
            off = page.tab.evaluate(
                """() => [...document.querySelectorAll("svg.picture")].flatMap(svg => {
                    const frame = svg.getBoundingClientRect();
                    if (!frame.width) return [];
                    return [...svg.querySelectorAll("text")].filter(t => {
                        const box = t.getBoundingClientRect();
                        return box.left < frame.left - 6 || box.right > frame.right + 6;
                    }).map(t => t.textContent.slice(0, 40));
                })"""
            )
            assert off == [], (path.name, width)


AUDIT = Path(__file__).parents[1] / "reference" / "axe" / "axe.min.js"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_an_independent_audit_finds_nothing_serious(
    browser: Any, folder: Path, scheme: str
) -> None:
    """axe-core 4.14.1 (tests/reference/axe), all rules; put in from outside the page's policy.

    Of long tables six rows stand for the others, which are made alike: the audit takes a minute of
    all. In the dark only what depends on colours is asked again.
    """
    rules = "{}" if scheme == "light" else "{runOnly: ['color-contrast', 'link-in-text-block']}"
    for path in [folder / f"{name}.html" for name in ("check", "plan", "fit", "suggest")]:
        page = Watched(browser, color_scheme=scheme)
        page.open(path)
        page.tab.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
        page.tab.evaluate(
            "document.querySelectorAll('tbody tr:nth-child(n+7)').forEach(row => row.remove())"
        )
        page.tab.evaluate(AUDIT.read_text(encoding="utf-8"))
        found = page.tab.evaluate(f"axe.run(document, {rules})")
        assert len(found["passes"]) > (15 if scheme == "light" else 0)
        grave = [
            (v["id"], v["nodes"][0]["html"][:120], v["nodes"][0]["failureSummary"][:300])
            for v in found["violations"]
            if v["impact"] in ("serious", "critical")
        ]
        assert grave == [], path.name
    page.tab.evaluate("document.querySelector('main').append(document.createElement('button'))")
    found = page.tab.evaluate("axe.run(document)")
    assert [v["id"] for v in found["violations"]] == ["button-name"]  # a planted fault is found


def test_print_cuts_no_figure_and_gives_the_summary_a_page_of_its_own(
    browser: Any, folder: Path
) -> None:
    """Laid out as on A4 less its margins (178 mm by 261 mm at 96 dots an inch)."""
    page = Watched(browser, viewport={"width": 673, "height": 986})
    page.open(folder / "fit.html")
    page.tab.emulate_media(media="print")
    figures = page.tab.evaluate(
        """() => [...document.querySelectorAll("figure")].filter(f => f.offsetHeight).map(f => [
            f.offsetHeight, f.scrollWidth - f.clientWidth,
            [f, ...f.querySelectorAll(".panels>div")].slice(f.querySelector(".panels") ? 1 : 0)
                .every(e => getComputedStyle(e).breakInside === "avoid")])"""
    )
    assert len(figures) >= 12
    for height, beyond, keeps in figures:
        assert height < 986
        assert beyond <= 0
        assert keeps
    assert page.tab.locator("#explore").is_hidden()
    assert page.tab.locator("#explore-still svg >> visible=true").count() == 1
    for name in ("fit", "wordy-fit"):
        page.open(folder / f"{name}.html")
        first = page.tab.locator("main > section").first
        assert first.evaluate("e => getComputedStyle(e).breakBefore") == "page"
        assert first.bounding_box()["y"] < 986, name
    assert page.tab.pdf(format="A4", prefer_css_page_size=True).startswith(b"%PDF")


def test_paper_unfolds_the_evidence_and_leaves_the_tables_of_numbers(
    browser: Any, folder: Path
) -> None:
    page = Watched(browser, viewport={"width": 673, "height": 986})
    page.open(folder / "fit.html")
    drawn = "figure svg >> visible=true"
    on_screen = page.tab.locator(drawn).count()
    page.tab.emulate_media(media="print")
    figures = page.tab.locator("figure").count()
    assert page.tab.locator("details.evidence:not([open]) figure").count() > figures / 2
    shown = page.tab.evaluate(
        """() => [...document.querySelectorAll("figure")].filter(f =>
            [...f.querySelectorAll("svg")].some(s => s.checkVisibility() && s.clientHeight > 80)
        ).length"""
    )
    assert shown == figures > on_screen
    assert page.tab.locator(".formula >> visible=true").count() == 2
    assert page.tab.locator("figure table >> visible=true").count() == 0


def test_the_fit_page_of_two_responses_is_read_in_a_few_screens(browser: Any, folder: Path) -> None:
    page = Watched(browser, viewport={"width": 1200, "height": 900})
    page.open(folder / "fit.html")
    page.tab.locator("#explore[data-ready=yes]").wait_for()
    assert page.tab.evaluate("document.documentElement.scrollHeight") <= 8000
    for link in page.tab.locator("nav a").all():
        assert page.tab.locator(str(link.get_attribute("href"))).is_visible()


@pytest.mark.parametrize("width", [360, 1200])
def test_wide_tables_scroll_within_their_box_and_keep_their_first_column(
    browser: Any, folder: Path, width: int
) -> None:
    page = Watched(browser, viewport={"width": width, "height": 800})
    page.open(folder / "plan.html")
    page.tab.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    found = page.tab.evaluate(
        """() => [...document.querySelectorAll(".scroll")].map(box => {
            box.scrollLeft = 10000;
            const cell = box.querySelector("tbody td, tbody th"), at = box.getBoundingClientRect();
            return [at.right <= document.documentElement.clientWidth, box.scrollLeft,
                cell.getBoundingClientRect().left - at.left, cell.matches(".figure, .figures *")];
        })"""
    )
    assert all(inside for inside, *_ in found)
    kept = [left for _, scrolled, left, number in found if scrolled > 0 and number]
    assert (len(kept) > 0) == (width == 360)
    assert all(abs(left) < 1 for left in kept)


def test_hostile_names_reach_the_explorer_as_text(browser: Any, folder: Path) -> None:
    for i, text in enumerate(HOSTILE):
        path = folder / f"hostile{i}-fit.html"
        if not path.exists():
            continue
        page = Watched(browser)
        page.open(path)
        page.tab.locator("#explore[data-ready=yes]").wait_for()
        shown = page.tab.locator("#explore-row-0 th").inner_text()
        assert shown == text.replace("\u202e", "")
        assert page.tab.locator("#explore-finding").inner_text().lower().startswith(shown.lower())
        assert page.said == []


def test_labels_of_bars_keep_off_bars_and_names_on_a_narrow_screen(
    browser: Any, folder: Path
) -> None:
    page = Watched(browser, viewport={"width": 360, "height": 800})
    page.open(folder / "check.html")
    meeting = page.tab.locator("#limit-shares .narrow svg").evaluate(
        """svg => {
            const boxes = s => [...svg.querySelectorAll(s)].map(e => e.getBoundingClientRect());
            const meets = (a, b) => a.left < b.right && b.left < a.right
                && a.top + 2 < b.bottom && b.top + 2 < a.bottom;
            const labels = boxes(".bar-name"), others = boxes(".bar, .name");
            return [labels.length, labels.filter(a => others.some(b => meets(a, b))).length];
        }"""
    )
    assert meeting[0] >= 3
    assert meeting[1] == 0


def test_what_is_read_first_needs_no_sideways_scrolling_on_a_phone(
    browser: Any, folder: Path
) -> None:
    """The first screens' tables stand as cards, each value after the name of its column."""
    page = Watched(browser, viewport={"width": 360, "height": 740})
    for name in ("check", "plan", "fit"):
        page.open(folder / f"{name}.html")
        wide = page.tab.evaluate(
            """() => {
                const nav = document.querySelector("nav");
                return [...document.querySelectorAll(".scroll")].filter(s =>
                    s.compareDocumentPosition(nav) & Node.DOCUMENT_POSITION_FOLLOWING
                    && s.scrollWidth > s.clientWidth + 1).length;
            }"""
        )
        assert wide == 0, name
    page.open(folder / "plan.html")
    cards = page.tab.locator(".cards").first
    assert cards.is_visible()
    assert cards.get_by_role("columnheader").count() == cards.locator("thead th").count() > 3
    cell = cards.locator("tbody td").nth(1)
    heading = cards.locator("thead th").nth(1).inner_text()
    before = cell.evaluate("e => getComputedStyle(e, '::before').content")
    assert heading in before
