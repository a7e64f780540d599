"""How heavy the pages are, and how soon their first picture stands, for 20 and for 500 runs.

Prints figures; run with ``pytest -n 0 -m bench -s tests/bench/test_bench_report.py``.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "report"))
import made_up_campaign
import test_report_pages

pytestmark = [pytest.mark.bench, pytest.mark.browser]
PAINTED = "performance.getEntriesByName('first-contentful-paint')[0].startTime"


@pytest.mark.parametrize("count", [20, 500])
def test_weight_and_first_picture(browser: Any, count: int, tmp_path: Path) -> None:
    made = made_up_campaign.campaign(count=count)
    began = time.perf_counter()
    pages = test_report_pages.pages(made)
    print(f"\n{count} runs: four pages written in {time.perf_counter() - began:.2f} s")
    for name, page in pages.items():
        path = tmp_path / f"{name}.html"
        path.write_text(page, encoding="utf-8")
        tab = browser.new_page()
        began = time.perf_counter()
        tab.goto(path.as_uri())
        tab.locator("svg.picture >> visible=true").first.wait_for()
        if name == "fit":
            tab.locator("#explore[data-ready=yes]").wait_for()
        stands = 1000 * (time.perf_counter() - began)
        tab.wait_for_function(f"{PAINTED.split('[')[0]}.length")
        weight, painted = path.stat().st_size / 1e6, tab.evaluate(PAINTED)
        print(
            f"  {name:8s}{weight:6.2f} MB, first paint {painted:5.0f} ms, "
            f"first picture {stands:5.0f} ms"
        )
        tab.close()
