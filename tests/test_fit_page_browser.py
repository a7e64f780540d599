"""The fit page of a real campaign in Debian's Chromium: it predicts as Python does."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from doe import workflow
from doe.analysis.recommendation import chance_of_all_aims
from doe.recording import take_in
from doe.sheet import read_sheet_text

pytestmark = pytest.mark.browser
Settings = tuple[float, ...]
Measure = Callable[[Settings, np.random.Generator, float], tuple[float, float]]


def fitted(
    start: Path, edits: dict[str, str], measure: Measure, seen_from: float = 0.0
) -> SimpleNamespace:
    """Return a campaign planned, filled in with invented values and fitted, and its page.

    Furfural is seen from some value on: what is less is handed in as below it.
    """
    file = workflow.new("mint", start).files[0]
    text = file.read_text()
    for old, new in edits.items():
        assert old in text
        text = text.replace(old, new, 1)
    file.write_text(text)
    rows = workflow.plan("mint", start).rows
    rng = np.random.default_rng(3)
    lines = ["run,extract_yield_mg_g,furfural_mg_g"]
    plots: dict[int, float] = {}
    for row in rows:
        off = plots.setdefault(row.plot, rng.normal(0, 1))
        extract, furfural = measure(row.settings, rng, off)
        shown = f"{furfural:.3f}" if furfural >= seen_from else f"<{seen_from:g}"
        lines.append(f"{row.run},{extract:.2f},{shown}")
    campaign = workflow.load("mint", start)
    take_in(campaign, read_sheet_text("\n".join(lines), "sheet", campaign.schema))
    result = workflow.fit("mint", start)
    return SimpleNamespace(campaign=campaign, result=result, page=result.files[0])


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> SimpleNamespace:
    """Three numeric factors, one with levels, a response on a log scale with a limit."""

    def measure(settings: Settings, rng: np.random.Generator, _: float) -> tuple[float, float]:
        T, flow, time, level = settings
        extract = 40 + 0.2 * (T - 160) + flow + 0.2 * time + 3 * level + rng.normal(0, 1)
        furfural = 0.03 * (T - 170) + 0.01 * time + 0.3 * level + rng.normal(0, 0.05)
        return extract, float(np.exp(furfural))

    edits = {
        'pressure = "50 bar"': 'pressure = "22 bar"',
        '# scale = "log" ': 'scale = "log" ',
        "[responses.extract_yield]": '[factors.grind]\nlevels = ["coarse", "fine", "dust"]\n\n'
        "[responses.extract_yield]",
        "days = 6": "days = 12",
    }
    return fitted(tmp_path_factory.mktemp("fitted"), edits, measure)


@pytest.fixture(scope="module")
def plots(tmp_path_factory: pytest.TempPathFactory) -> SimpleNamespace:
    """Runs in whole plots, fitted by REML, with limits on both responses."""

    def measure(settings: Settings, rng: np.random.Generator, off: float) -> tuple[float, float]:
        T, flow, time = settings
        extract = 40 + 0.2 * (T - 160) + flow + 0.2 * time + 2 * off + rng.normal(0, 1)
        return extract, 1.2 + 0.02 * (T - 160) + 0.01 * time + 0.1 * off + rng.normal(0, 0.1)

    edits = {
        'pressure = "50 bar"': 'pressure = "22 bar"',
        '# change = "hard"': 'change = "hard"',
        "# hard_changes_per_day": "hard_changes_per_day",
        "days = 6": "days = 8",
        'aim = "maximise"': 'aim = "above"\nlimit = "42 mg/g"',
    }
    return fitted(tmp_path_factory.mktemp("plots"), edits, measure)


@pytest.fixture(scope="module")
def joint(tmp_path_factory: pytest.TempPathFactory) -> SimpleNamespace:
    """Limits on two responses that scatter together."""

    def measure(settings: Settings, rng: np.random.Generator, _: float) -> tuple[float, float]:
        T, flow, time = settings
        both = rng.normal(0, 1)
        extract = 40 + 0.2 * (T - 160) + flow + 0.2 * time + both + rng.normal(0, 0.5)
        return extract, 1.2 + 0.02 * (T - 160) + 0.01 * time + 0.1 * both + rng.normal(0, 0.05)

    edits = {
        'pressure = "50 bar"': 'pressure = "22 bar"',
        'aim = "maximise"': 'aim = "above"\nlimit = "47 mg/g"',
    }
    return fitted(tmp_path_factory.mktemp("joint"), edits, measure)


@pytest.fixture(scope="module")
def lots(tmp_path_factory: pytest.TempPathFactory) -> SimpleNamespace:
    """Runs of two lots of feedstock, which differ, with a limit."""

    def measure(settings: Settings, rng: np.random.Generator, off: float) -> tuple[float, float]:
        T, flow, time = settings
        extract = 40 + 0.2 * (T - 160) + flow + 0.2 * time + 3 * np.sign(off) + rng.normal(0, 1)
        return extract, 1.2 + 0.02 * (T - 160) + 0.01 * time + rng.normal(0, 0.1)

    edits = {
        'pressure = "50 bar"': 'pressure = "22 bar"',
        "[responses.extract_yield]": '[feed.lots]\nspring = { amount = "250 g" }\n'
        'autumn = { amount = "250 g" }\n\n[responses.extract_yield]',
    }
    return fitted(tmp_path_factory.mktemp("lots"), edits, measure)


@pytest.fixture(scope="module")
def gathered(tmp_path_factory: pytest.TempPathFactory) -> SimpleNamespace:
    """Runs so many that near ones are gathered: as many as that are made to be few here."""

    def measure(settings: Settings, rng: np.random.Generator, _: float) -> tuple[float, float]:
        T, flow, time = settings
        extract = 40 + 0.2 * (T - 160) + flow - 0.01 * (time - 40) ** 2 + rng.normal(0, 1)
        return extract, 1.2 + 0.02 * (T - 160) + 0.01 * time + rng.normal(0, 0.1)

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("doe.analysis.gathered.RUNS_ALONE", 10)
        patched.setattr("doe.analysis.gathered.PLACES", 8)
        edits = {'pressure = "50 bar"': 'pressure = "22 bar"'}
        return fitted(tmp_path_factory.mktemp("gathered"), edits, measure)


@pytest.fixture(scope="module")
def hidden(tmp_path_factory: pytest.TempPathFactory) -> SimpleNamespace:
    """Values below what the assay sees."""

    def measure(settings: Settings, rng: np.random.Generator, _: float) -> tuple[float, float]:
        T, flow, time = settings
        extract = 40 + 0.2 * (T - 160) + flow + 0.2 * time + rng.normal(0, 1)
        return extract, 1.2 + 0.02 * (T - 160) + 0.01 * time + rng.normal(0, 0.1)

    edits = {'pressure = "50 bar"': 'pressure = "22 bar"'}
    return fitted(tmp_path_factory.mktemp("hidden"), edits, measure, seen_from=1.2)


def opened(browser: Any, page: Path) -> Any:
    """Return a tab on a page, its explorer ready, that notes what it asks for and complains of."""
    tab = browser.new_context(viewport={"width": 1000, "height": 900}).new_page()
    tab.said = []
    tab.asked = []
    tab.on("console", lambda message: tab.said.append(message.text))
    tab.on("pageerror", lambda error: tab.said.append(str(error)))
    tab.on("request", lambda request: tab.asked.append(request.url))
    tab.goto(page.as_uri())
    tab.locator("#explore[data-ready=yes]").wait_for()
    return tab


@pytest.fixture(scope="module")
def tab(made: SimpleNamespace, browser: Any) -> Iterator[Any]:
    page = opened(browser, made.page)
    yield page
    page.context.close()


def by_polynomials(tab: Any) -> Any:
    tab.locator("#explore-by").select_option(label="fitted polynomials")
    return tab


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


def test_polynomials_predict_as_python_does(made: SimpleNamespace, browser: Any) -> None:
    tab = by_polynomials(opened(browser, made.page))
    for settings in ((120, 3, 20, 0), (185, 6.5, 45, 2), (155, 8, 60, 1), (200, 3.5, 25, 2)):
        for factor, value in enumerate(settings):
            put(tab, factor, value)
        for number, fitted in enumerate(made.result.analysis.fits):
            row = tab.locator(f"#explore-row-{number}")
            expected = fitted.predict(np.array([settings], dtype=float))
            mean, error = (float(row.get_attribute(f"data-{k}")) for k in ("mean", "error"))
            assert mean == pytest.approx(expected.mean[0], rel=1e-9)
            assert error == pytest.approx(expected.standard_error[0], rel=1e-9)
            low, high = (float(row.get_attribute(f"data-{k}")) for k in ("low", "high"))
            assert low == pytest.approx(expected.mean_low[0], rel=1e-9)
            assert high == pytest.approx(expected.mean_high[0], rel=1e-9)
            low, high = (float(row.get_attribute(f"data-run-{k}")) for k in ("low", "high"))
            assert low == pytest.approx(expected.run_low[0], rel=1e-9)
            assert high == pytest.approx(expected.run_high[0], rel=1e-9)
    tab.context.close()


@pytest.mark.parametrize("which", ["made", "plots", "joint", "lots", "gathered", "hidden"])
def test_what_the_settings_rest_on_predicts_as_python_does(
    which: str, request: pytest.FixtureRequest, browser: Any
) -> None:
    """At the start without a choice: levels, a log scale, days, plots, lots, gathered runs,
    values below a limit."""
    campaign = request.getfixturevalue(which)
    analysis, space = campaign.result.analysis, campaign.campaign.space
    tab = opened(browser, campaign.page)
    assert tab.locator("#explore-by").input_value() == "0"
    recipe = analysis.surrogates[analysis.fits[0].response.name].recipe
    assert (recipe.alone.min() < 1) == (which == "gathered")
    furfural = analysis.surrogates[analysis.fits[1].response.name].recipe
    assert (len(furfural.hidden) > 2) == (which == "hidden")
    assert recipe.anew == ((True, False) if which == "lots" else (True,)), "days stand for plots"
    rng = np.random.default_rng(4)
    apart = []
    for turn in range(6):
        drawn = [rng.uniform(f.low, f.high) for f in space.factors[:3]]
        settings = space.settable(np.array([[*drawn, *[float(turn % 3)] * (len(space) - 3)]]))
        for factor, value in enumerate(settings[0]):
            put(tab, factor, float(value))
        for number, fit in enumerate(analysis.fits):
            expected = analysis.surrogates[fit.response.name].predict(settings)
            row = tab.locator(f"#explore-row-{number}")
            for name, value in (
                ("mean", expected.mean),
                ("error", expected.standard_error),
                ("low", expected.mean_low),
                ("high", expected.mean_high),
                ("run-low", expected.run_low),
                ("run-high", expected.run_high),
            ):
                told = float(row.get_attribute(f"data-{name}"))
                assert told == pytest.approx(value[0], rel=1e-9), name
            apart.append(abs(expected.mean[0] / fit.predict(settings).mean[0] - 1))
        aims = campaign.result.landscape.aims
        responses = [fit.response for fit in analysis.fits]
        said = tab.locator("#explore-chance")
        kept, swung = (float(said.get_attribute(f"data-{k}")) for k in ("chance", "swung"))
        around = np.vstack([settings, settings + aims.strays()])
        chances = chance_of_all_aims(responses, analysis.surrogates, around)
        assert kept == pytest.approx(chances[0], abs=1e-9)
        assert swung == pytest.approx(chances[1:].mean(), abs=1e-9)
    assert max(apart) > 1e-3  # the two kinds of model are not one
    tab.locator("#explore-back").click()
    row = tab.locator("#explore-row-0")
    recommended = analysis.optimum.predictions[analysis.fits[0].response.name].mean[0]
    assert float(row.get_attribute("data-mean")) == pytest.approx(recommended, rel=1e-9)
    before = tab.locator("#explore-layers").evaluate("e => e.innerHTML")
    by_polynomials(tab).wait_for_timeout(200)
    assert tab.locator("#explore-layers").evaluate("e => e.innerHTML") != before
    assert tab.said == []
    tab.context.close()


def test_in_whole_plots_intervals_have_the_degrees_of_freedom_of_their_setting(
    plots: SimpleNamespace, browser: Any
) -> None:
    fits = plots.result.analysis.fits
    assert all(fit.mixed is not None for fit in fits)
    tab = by_polynomials(opened(browser, plots.page))
    freedoms = set()
    for settings in ((120, 3, 20), (160, 5.5, 40), (180, 8, 60), (135, 6, 25)):
        for factor, value in enumerate(settings):
            put(tab, factor, value)
        for number, fit in enumerate(fits):
            row = tab.locator(f"#explore-row-{number}")
            expected = fit.predict(np.array([settings], dtype=float))
            mean, low, high = (
                float(row.get_attribute(f"data-{k}")) for k in ("mean", "low", "high")
            )
            assert mean == pytest.approx(expected.mean[0], rel=1e-9)
            assert low == pytest.approx(expected.mean_low[0], rel=1e-9)
            assert high == pytest.approx(expected.mean_high[0], rel=1e-9)
            at = fit.model.matrix(fit.model.space.code(np.array([settings], dtype=float)))
            freedoms.add(round(float(fit.degrees_of_freedom(at)[0]), 6))
    assert len(freedoms) > 4
    tab.context.close()


@pytest.mark.parametrize(
    ("which", "how"), [("made", "one response"), ("plots", "bound"), ("joint", "joint")]
)
def test_the_chance_to_meet_every_limit_agrees_with_python(
    which: str, how: str, request: pytest.FixtureRequest, browser: Any
) -> None:
    campaign = request.getfixturevalue(which)
    aims = campaign.result.landscape.aims
    assert aims.how == how
    tab = by_polynomials(opened(browser, campaign.page))
    rng = np.random.default_rng(5)
    space = campaign.campaign.space
    seen = []
    for _ in range(8):
        drawn = [rng.uniform(f.low, f.high) for f in space.factors[:3]]
        settings = space.settable(np.array([[*drawn, *[1.0] * (len(space) - 3)]]))
        for factor, value in enumerate(settings[0]):
            put(tab, factor, float(value))
        said = tab.locator("#explore-chance")
        kept, swung = (float(said.get_attribute(f"data-{k}")) for k in ("chance", "swung"))
        assert kept == pytest.approx(aims.chance(settings)[0], abs=1e-9)
        assert swung == pytest.approx(aims.chance_with_swings(settings)[0], abs=1e-9)
        seen.append(kept)
    assert max(seen) - min(seen) > 0.2
    before = tab.locator("#explore-layers").evaluate("e => e.innerHTML")
    tab.locator("#explore-response").select_option(label="chance to meet every limit")
    tab.wait_for_timeout(300)
    assert tab.locator("#explore-layers").evaluate("e => e.innerHTML") != before
    assert tab.locator("#explore-layers .level-line.strong").count() <= 1
    assert "Chance that one new run" in tab.locator("#explore-finding").text_content()
    assert tab.said == []
    tab.context.close()


def test_a_choice_is_picked_by_its_square_and_by_keys(made: SimpleNamespace, browser: Any) -> None:
    """What the page works out at a choice is what the choice rests on; the polynomials part."""
    tab = opened(browser, made.page)
    choices = made.result.landscape.choices
    assert len(choices) >= 4
    assert tab.locator("#chosen").is_hidden()
    square = tab.locator(".wide [data-choice='2']")
    square.click()
    said = tab.locator("#chosen-facts").text_content()
    temperature, flow, time, level = choices[1].settings
    for text in (f"{temperature:.0f}\xa0°C", f"{flow:.1f}\xa0mL/min", f"{time:.0f}\xa0min"):
        assert text in said
    assert made.campaign.space.factors[3].levels[round(level)] in said
    for fit in made.result.analysis.fits:
        row = tab.locator(f"#explore-row-{made.result.analysis.fits.index(fit)}")
        expected = choices[1].predictions[fit.response.name].mean[0]
        assert float(row.get_attribute("data-mean")) == pytest.approx(expected, rel=1e-9)
    assert "picked" in square.get_attribute("class")
    picked = tab.locator("[name=choice]:checked")
    assert picked.get_attribute("value") == "1"
    picked.press("ArrowRight")
    assert tab.locator("#chosen-name").text_content() == "Choice 3"
    assert "picked" not in square.get_attribute("class")
    assert tab.locator("#chosen-facts").text_content() != said
    row = by_polynomials(tab).locator("#explore-row-0")
    foretold = choices[2].predictions[made.result.analysis.fits[0].response.name].mean[0]
    assert abs(float(row.get_attribute("data-mean")) / foretold - 1) > 1e-6
    assert tab.said == []
    tab.context.close()


def test_a_choice_is_reached_and_picked_by_keys_alone(made: SimpleNamespace, browser: Any) -> None:
    tab = opened(browser, made.page)
    reached = 'document.activeElement.matches("[name=choice]")'
    for _ in range(300):
        tab.keyboard.press("Tab")
        if tab.evaluate(reached):
            break
    assert tab.evaluate(reached)
    tab.keyboard.press("Space")
    assert tab.locator("#chosen-name").text_content() == "Choice 1"
    tab.keyboard.press("ArrowDown")
    assert tab.locator("#chosen-name").text_content() == "Choice 2"
    assert "picked" in tab.locator(".wide [data-choice='2']").get_attribute("class")
    tab.context.close()


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
