"""The bench sheet as a page: what stands on it, in print, and filled in on a tablet."""

from __future__ import annotations

import base64
import hashlib
import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given as where
from hypothesis import strategies as st
from made_up_sheet import ROWS, SCHEMA, given

from doe.errors import ResultsError
from doe.ledger import Censored, Ledger, with_results
from doe.samples import drained_columns, drawn_columns
from doe.sheet import (
    SamplePoint,
    StopLimit,
    read_sheet,
    read_sheet_text,
    sheet_html,
    strictest_above,
    strictest_below,
)

BANNER = "Limits not confirmed: for planning practice only"


def page(**changes: Any) -> str:
    return sheet_html(ROWS, SCHEMA, given(**changes))


class Seen(HTMLParser):
    """Tags, links and text of a page, the text of scripts and styles left out."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.links: list[str] = []
        self.boxes: list[dict[str, str | None]] = []
        self.words = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.links += [v or "" for k, v in attrs if k in ("src", "href", "action") or k[:2] == "on"]
        if any(k == "data-run" for k, _ in attrs):
            self.boxes.append(dict(attrs))

    def handle_data(self, data: str) -> None:
        if self.tags and self.tags[-1] not in ("script", "style", "option"):
            self.words += f"{data} "


def test_a_run_has_settings_limits_checks_drains_samples_totals_and_boxes() -> None:
    seen = Seen(page())
    words = " ".join(seen.words.split())
    run = words[words.index("Run 2 ") : words.index("Run 3 ")]
    for part in (
        "125 flow, mL/min 2.5 packing glass beads pressure 50 bar gauge bed mass 12 g",
        "temperature above, °C 132.2 set + deviation",
        "pressure above, bar gauge 88.2 rupture disc",
        "pressure below, bar gauge 31.6 water boils below, with margin",
        "flow below, mL/min not known here: write the rig’s own",
        "Mind: at least 12.4 bar gauge at this temperature; 8 K to relief if shut in.",
        "Verify before heat",
        "bottle at, min discard, mL take, mL drawn at, min drawn, mL or drawn, g "
        "2 S1 5 3.2 2 2 S2 15 3.2 –",
        "water pumped 450 mL",
        "2 D1 12 2 D2 27 2 D3 at the end",
        "water pumped, weighed, g (expect 449)",
        "residue, dried, g",
        "initials",
        "hmf, mg/g",
        "Deviations and notes",
    ):
        assert part in run, part
    columns = [box.get("data-column") for box in seen.boxes if box["data-run"] == "2"]
    for column in (
        *SCHEMA.achieved_columns,
        *SCHEMA.response_columns,
        *(*SCHEMA.drawn_columns, *SCHEMA.weighed_columns, "initials"),
        *("notes", "left_out_because"),
    ):
        assert columns.count(column) == 1, column
    assert words.index("Stay behind the shield") < words.index("Day 1") < words.index("Day 2")
    assert "competent persons who look after the rig come before this sheet" in words


def test_the_banner_stands_first_and_on_every_printed_page() -> None:
    leaves = page(unconfirmed_limits=True).partition("<body")[2].split('<section class="leaf')[1:]
    assert len(leaves) == 1 + 1 + 6
    assert all(BANNER in leaf for leaf in leaves)
    days = leaves[1].split('<div class="day">')[1:]
    assert len(days) == 2
    assert all(BANNER in day for day in days)
    assert leaves[0].index(BANNER) < leaves[0].index("<h1>")
    assert BANNER not in page()


def test_outside_text_is_escaped() -> None:
    evil = '</script><script>alert("x")</script>"\u202e'
    row = replace(ROWS[0], kind=evil, notes=evil, left_out_because=evil)
    pairs = ((evil, evil),)
    text = sheet_html(
        (row,),
        SCHEMA,
        given(
            campaign=evil,
            fixed=pairs,
            limits={1: (evil,)},
            cautions=(evil,),
            mode=evil,
            provenance=pairs,
        ),
    )
    seen = Seen(text)
    assert seen.tags.count("script") == 1
    assert seen.words.count('alert("x")') >= 8
    assert "\u202e" not in seen.words.replace(row.notes, "")


def test_nothing_can_be_fetched_or_sent_and_the_script_is_the_one_allowed() -> None:
    text = page()
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', text)
    assert policy is not None
    said = policy[1].replace("&#39;", "'")
    assert said.startswith("default-src 'none'; ")
    assert "form-action 'none'" in said
    assert "unsafe" not in said
    for kind, tag in (("style-src", "style"), ("script-src", "script")):
        body = re.search(rf"<{tag}>(.*?)</{tag}>", text, re.DOTALL)
        assert body is not None
        digest = base64.b64encode(hashlib.sha256(body[1].encode()).digest()).decode()
        assert f"{kind} 'sha256-{digest}'" in said
    assert not Seen(text).links
    assert not re.search(r"\sstyle=|fetch\(|XMLHttpRequest|sendBeacon|WebSocket|https?:", text)


def test_the_page_is_the_same_bytes_again() -> None:
    assert page() == page()


@where(st.dictionaries(st.text(min_size=1), st.floats(0, 500) | st.none(), max_size=5))
def test_a_stop_limit_is_never_above_the_rigs_own_nor_below_a_floor(
    others: dict[str, float | None],
) -> None:
    above = strictest_above(others | {"trip": 210.04})
    below = strictest_below(others | {"boils": 20.04})
    assert above is not None
    assert below is not None
    for value in (210.04, *filter(None, others.values())):
        assert above.value <= value
    for value in (20.04, *filter(None, others.values())):
        assert below.value >= value


def test_stop_limits_by_hand() -> None:
    found = strictest_above({"trip": 210.0, "rating": 250.0, "set + deviation": 187.26})
    assert found == StopLimit(187.2, "set + deviation")
    assert strictest_above({"trip": None}) is None
    with pytest.raises(ValueError, match="finite"):
        strictest_above({"trip": float("nan")})


# --- in Chromium


WRITTEN = {
    (1, "achieved_temperature_C"): "121,4",
    (1, "achieved_packing"): "sand",
    (1, "yield_pct"): "12.25",
    (1, "hmf_mg_g"): "<0.05",
    (1, "residue_dry_g"): "8.1",
    (1, "sample_2_g"): "1.9",
    (1, "drain_3_mL"): "101,5 mL",
    (1, "water_pumped_g"): "447 g",
    (1, "initials"): "AB",
    (1, "notes"): '=1+1; "foamed", and\n-2 K at first',
    (2, "left_out_because"): "@ boiled",
    (3, "yield_pct"): "-0.5",
}


@pytest.mark.browser
def test_entries_survive_a_reload_and_come_back_from_the_saved_file(
    browser: Any, tmp_path: Path
) -> None:
    (tmp_path / "sheet.html").write_text(page(), encoding="utf-8")
    context = browser.new_context(accept_downloads=True, viewport={"width": 820, "height": 1180})
    tab = context.new_page()
    asked: list[str] = []
    said: list[str] = []
    tab.on("request", lambda request: asked.append(request.url))
    tab.on("console", lambda message: said.append(message.text))
    tab.on("pageerror", lambda error: said.append(str(error)))
    address = (tmp_path / "sheet.html").as_uri()
    tab.goto(address)
    for (run, column), text in WRITTEN.items():
        box = tab.locator(f'[data-run="{run}"][data-column="{column}"]')
        box.select_option(text) if column == "achieved_packing" else box.fill(text)
    tab.locator('[data-run="1"][data-tick]').nth(2).check()
    tab.reload()
    tab.locator("[data-ready=yes]").wait_for()
    for (run, column), text in WRITTEN.items():
        assert tab.locator(f'[data-run="{run}"][data-column="{column}"]').input_value() == text
    assert tab.evaluate("document.documentElement.scrollWidth") <= 820
    with tab.expect_download() as waiting:
        tab.locator("#save").click()
    assert waiting.value.suggested_filename == "Hop_leaves_invented-stage1-filled.csv"
    waiting.value.save_as(tmp_path / "filled.csv")
    assert said == []
    assert [url for url in asked if not url.startswith("blob:")] == [address, address]

    returned = read_sheet(tmp_path / "filled.csv", SCHEMA)
    first, second, third = returned.rows[:3]
    assert first.achieved == {"temperature_C": 121.4, "packing": 0.0}
    assert first.responses == {"yield_pct": 12.25, "hmf_mg_g": Censored(0.05)}
    assert first.notes == (
        '=1+1; "foamed", and\n-2 K at first; initials: AB; verified_before_heat: 1 of 6'
    )
    assert first.drawn == {"sample_2_g": 1.9, "drain_3_mL": 101.5}
    assert first.weighed == {"residue_dry_g": 8.1, "water_pumped_g": 447.0}
    assert second.left_out_because == "@ boiled"
    assert third.responses == {"yield_pct": -0.5}
    assert third.notes == "+1 said =2"
    ledger, _ = with_results(Ledger(SCHEMA, ROWS), returned)
    assert [row.status for row in ledger.rows] == ["done", "left out", "done", *["planned"] * 3]
    context.close()


@pytest.mark.browser
def test_a_number_in_two_readings_is_marked_and_another_plan_starts_blank(
    browser: Any, tmp_path: Path
) -> None:
    context = browser.new_context()
    tab = context.new_page()
    path = tmp_path / "sheet.html"
    path.write_text(page(), encoding="utf-8")
    tab.goto(path.as_uri())
    box = tab.locator('[data-run="1"][data-column="yield_pct"]')
    for text, wrong in (
        ("1,234", "true"),
        ("12,3", "false"),
        ("lost", "true"),
        ("n.d.", "true"),
        ("-", "false"),
    ):
        box.fill(text)
        assert box.get_attribute("aria-invalid") == wrong, text
    box.fill("7.5")
    assert tab.locator('[data-run="1"][data-column="left_out_because"]').is_visible()
    other = (replace(ROWS[0], settings=(150.0, 2.5, 1.0)), *ROWS[1:])
    path.write_text(sheet_html(other, SCHEMA, given()), encoding="utf-8")
    tab.reload()
    assert box.input_value() == ""
    context.close()


TYPED = (
    *("9", "9,0 %", "9 %", "9%", "12.3", "12,3", ".5", ",5", "5.", "1e2", "1,5E-3", "+4", "-0.5"),
    *(
        "\u22120,5",
        "0,512",
        "1,234",
        "1.234",
        "<1,234",
        "1234",
        "1 234",
        "1'234",
        "1.234,5",
        "0.05 %",
    ),
    *("<0,05", "< 0.05 %", ">60 %", "≤0.05", "<LOQ", "bdl", "n.d.", "N.D.", "n. d.", "nd.", "n d"),
    *("-", "–", "—", "\u2212", "na", "n/a", "lost", "12.3 mg/g", "12.3 pct", "12.3 %%", "%", "< %"),
    *("1e999", "nan", "inf", "2026-03-01", "01.03.2026", "5 mL", "150 °C", "150 C", "1O.5", "12;5"),
    *("\u00a012,3\u00a0%", "--5", "1,2,3", "12.3\u200b", "\u200e7 %", "١٢", "0x10", "1_0"),
)
TYPE_EACH = """(box, texts) => texts.map((text) => {
  box.value = text;
  for (const kind of ["input", "change"]) box.dispatchEvent(new Event(kind, {bubbles: true}));
  document.querySelector("#save").click();
  return [box.getAttribute("aria-invalid") === "true", document.querySelector("#as-text").value];
})"""
BOXES = ("yield_pct", "hmf_mg_g", "achieved_temperature_C", "drain_1_mL", "water_pumped_g")


@pytest.mark.browser
@pytest.mark.parametrize("beside", ["", "7,5"])
def test_a_box_is_marked_if_and_only_if_record_refuses_what_is_in_it(
    browser: Any, tmp_path: Path, beside: str
) -> None:
    """The file that the page itself saves is read; `beside` is another run's result in it."""
    (tmp_path / "sheet.html").write_text(page(), encoding="utf-8")
    context = browser.new_context(accept_downloads=True)
    tab = context.new_page()
    tab.goto((tmp_path / "sheet.html").as_uri())
    tab.locator('[data-run="2"][data-column="yield_pct"]').fill(beside)
    apart = []
    for column in BOXES:
        box = tab.locator(f'[data-run="1"][data-column="{column}"]')
        for text, (marked, saved) in zip(TYPED, box.evaluate(TYPE_EACH, TYPED), strict=True):
            try:
                read_sheet_text(saved, "filled.csv", SCHEMA)
            except ResultsError as error:
                refused = f"({column})" in str(error)
            else:
                refused = False
            if marked != refused:
                apart.append((column, text, "marked" if marked else "taken"))
        box.fill("")
    context.close()
    assert apart == []


@pytest.mark.browser
def test_a_number_becomes_doubtful_by_what_is_written_elsewhere(
    browser: Any, tmp_path: Path
) -> None:
    (tmp_path / "sheet.html").write_text(page(), encoding="utf-8")
    context = browser.new_context()
    tab = context.new_page()
    tab.goto((tmp_path / "sheet.html").as_uri())
    box = tab.locator('[data-run="1"][data-column="yield_pct"]')
    other = tab.locator('[data-run="4"][data-column="hmf_mg_g"]')
    box.fill("1.234")
    assert box.get_attribute("aria-invalid") == "false"
    other.fill("0,5")
    assert box.get_attribute("aria-invalid") == "true"
    other.fill("0.5")
    assert box.get_attribute("aria-invalid") == "false"
    context.close()


@pytest.mark.browser
def test_it_is_read_without_script(browser: Any, tmp_path: Path) -> None:
    (tmp_path / "sheet.html").write_text(page(), encoding="utf-8")
    context = browser.new_context(java_script_enabled=False)
    tab = context.new_page()
    tab.goto((tmp_path / "sheet.html").as_uri())
    assert tab.get_by_text("print the sheet and fill it in by hand").is_visible()
    assert not tab.locator("#save").is_visible()
    assert tab.get_by_text("132.2").first.is_visible()
    context.close()


def printed(browser: Any, folder: Path, samples: int) -> list[str]:
    """Print a sheet with so many samples a run; the words of each A4 page, white space as one."""
    reader = shutil.which("pdftotext")
    if reader is None:
        pytest.skip("pdftotext is not installed (Debian: poppler-utils)")
    points = tuple(SamplePoint(2.0 * i, 3.2, 2.0) for i in range(1, samples + 1))
    schema = replace(SCHEMA, drawn=(*drawn_columns(samples), *drained_columns(3)))
    bench = {run: replace(one, samples=points) for run, one in given().bench.items()}
    path = folder / "sheet.html"
    told = given(bench=bench, unconfirmed_limits=True)
    path.write_text(sheet_html(ROWS, schema, told), encoding="utf-8")
    context = browser.new_context()
    tab = context.new_page()
    tab.goto(path.as_uri())
    (folder / "sheet.pdf").write_bytes(tab.pdf(prefer_css_page_size=True))
    context.close()
    command = [reader, "-layout", str(folder / "sheet.pdf"), "-"]
    text = subprocess.run(command, check=True, capture_output=True, text=True, timeout=60).stdout
    return [" ".join(leaf.split()) for leaf in text.split("\f")[:-1]]


@pytest.mark.browser
@pytest.mark.parametrize("samples", [1, 7, 8, 9, 10, 11, 12, 14, 20, 30])
def test_no_printed_page_holds_a_line_alone_however_many_samples(
    browser: Any, tmp_path: Path, samples: int
) -> None:
    leaves = printed(browser, tmp_path, samples)
    assert samples > 7 or len(leaves) == 1 + 1 + 6
    assert all(BANNER in leaf for leaf in leaves)
    for leaf in leaves[2:]:
        if "Set, and reached" in leaf or leaf.startswith("Hop leaves (invented), stage 1"):
            continue  # a run's first page, or a day's
        # what a run has on a second page: all that is written after it, together, and whose it is
        for part in ("Masses", "Results", "Deviations and notes", "Left out? Say why", "Run "):
            assert part in leaf


@pytest.mark.browser
def test_print_is_one_a4_page_for_the_days_and_one_a_run(browser: Any, tmp_path: Path) -> None:
    (tmp_path / "sheet.html").write_text(page(unconfirmed_limits=True), encoding="utf-8")
    context = browser.new_context()
    tab = context.new_page()
    tab.goto((tmp_path / "sheet.html").as_uri())
    printed = tab.pdf(prefer_css_page_size=True)
    context.close()
    boxes = re.findall(rb"/MediaBox\s*\[([^\]]+)\]", printed)
    # ISO 216: A4 is 210 mm × 297 mm, 595 × 842 points of 1/72 inch
    sizes = [tuple(round(float(side)) for side in box.split()[2:]) for box in boxes]
    assert sizes == [(595, 842)] * (1 + 1 + 6)
