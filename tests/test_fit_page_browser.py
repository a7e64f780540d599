"""The fit page of a real campaign in Debian's Chromium: it predicts as Python does."""

from __future__ import annotations

from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from doe import workflow
from doe.recording import take_in
from doe.sheet import read_sheet_text

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> SimpleNamespace:
    """A fitted campaign: three numeric factors, one with levels, a response on a log scale."""
    start = tmp_path_factory.mktemp("fitted")
    file = workflow.new("mint", start).files[0]
    text = file.read_text().replace('pressure = "50 bar"', 'pressure = "22 bar"')
    text = text.replace('# scale = "log" ', 'scale = "log" ')
    grind = '[factors.grind]\nlevels = ["coarse", "fine", "dust"]\n\n[responses.extract_yield]'
    file.write_text(
        text.replace("[responses.extract_yield]", grind).replace("days = 6", "days = 12")
    )
    rows = workflow.plan("mint", start).rows
    rng = np.random.default_rng(3)
    lines = ["run,extract_yield_mg_g,furfural_mg_g"]
    for row in rows:
        T, flow, time, level = row.settings
        extract = 40 + 0.2 * (T - 160) + flow + 0.2 * time + 3 * level + rng.normal(0, 1)
        furfural = np.exp(0.03 * (T - 170) + 0.01 * time + rng.normal(0, 0.05))
        lines.append(f"{row.run},{extract:.2f},{furfural:.3f}")
    campaign = workflow.load("mint", start)
    take_in(campaign, read_sheet_text("\n".join(lines), "sheet", campaign.schema))
    result = workflow.fit("mint", start)
    return SimpleNamespace(campaign=campaign, result=result, page=result.files[0])


@pytest.fixture(scope="module")
def tab(made: SimpleNamespace, browser: Any) -> Iterator[Any]:
    page = browser.new_context(viewport={"width": 1000, "height": 900}).new_page()
    page.said = []
    page.asked = []
    page.on("console", lambda message: page.said.append(message.text))
    page.on("pageerror", lambda error: page.said.append(str(error)))
    page.on("request", lambda request: page.asked.append(request.url))
    page.goto(made.page.as_uri())
    page.locator("#explore[data-ready=yes]").wait_for()
    yield page
    page.context.close()


def put(tab: Any, factor: int, value: float) -> None:
    """Move a factor's slider, or choose its level."""
    tab.locator(f"#explore-at-{factor}").evaluate(
        """(control, value) => {
            control.value = String(value);
            control.dispatchEvent(new Event("input", {bubbles: true}));
            control.dispatchEvent(new Event("change", {bubbles: true}));
        }""",
        value,
    )


def test_sliders_predict_as_python_does(made: SimpleNamespace, tab: Any) -> None:
    for settings in ((120, 3, 20, 0), (185, 6.5, 45, 2), (155, 8, 60, 1), (200, 3.5, 25, 2)):
        for factor, value in enumerate(settings):
            put(tab, factor, value)
        for number, fitted in enumerate(made.result.analysis.fits):
            row = tab.locator(f"#explore-row-{number}")
            expected = fitted.predict(np.array([settings], dtype=float))
            mean, error = (float(row.get_attribute(f"data-{k}")) for k in ("mean", "error"))
            assert mean == pytest.approx(expected.mean[0], rel=1e-9)
            assert error == pytest.approx(expected.standard_error[0], rel=1e-9)
            if fitted.mixed is None:
                low, high = (float(row.get_attribute(f"data-{k}")) for k in ("low", "high"))
                assert low == pytest.approx(expected.mean_low[0], rel=1e-9)
                assert high == pytest.approx(expected.mean_high[0], rel=1e-9)


def test_the_page_never_calls_possible_what_the_rig_cannot_run(
    made: SimpleNamespace, tab: Any
) -> None:
    space = made.campaign.space
    rng = np.random.default_rng(8)
    verdicts = []
    for _ in range(40):
        drawn = [rng.uniform(f.low, f.high) for f in space.factors[:3]]
        settings = space.settable(np.array([[*drawn, 0.0]]))
        for factor in range(3):
            put(tab, factor, float(settings[0, factor]))
        word = tab.locator("#explore-rig").get_attribute("data-verdict")
        verdicts.append(word)
        if word == "yes":
            assert made.campaign.feasible(settings)[0]
        if word == "no":
            assert not made.campaign.feasible(settings)[0]
    assert verdicts.count("unsure") < 20
    assert {"yes", "no"} <= set(verdicts)


def test_the_picture_changes_with_the_factors_chosen_and_with_keys(tab: Any) -> None:
    def picture() -> str:
        tab.wait_for_timeout(100)
        return str(tab.locator("#explore-layers").evaluate("e => e.innerHTML"))

    before = picture()
    tab.locator("#explore-y").select_option("1")
    changed = picture()
    assert changed != before
    slider = tab.locator("#explore-at-2")
    slider.focus()
    value = slider.input_value()
    slider.press("ArrowLeft")
    assert slider.input_value() != value
    assert picture() != changed
    tab.locator("#explore-back").click()
    recommended = tab.locator("#explore-finding").text_content()
    tab.locator("#explore-plot").click(position={"x": 120, "y": 120})
    assert tab.locator("#explore-finding").text_content() != recommended


def test_nothing_is_fetched_and_nothing_complained_of(made: SimpleNamespace, tab: Any) -> None:
    assert tab.said == []
    assert tab.asked == [made.page.as_uri()]


def test_the_page_keeps_to_its_weight(made: SimpleNamespace) -> None:
    assert made.page.stat().st_size < 2_000_000
