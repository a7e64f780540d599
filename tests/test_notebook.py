"""The loop from a notebook: data frames in and out, plotly figures."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import doe
from doe.errors import ResultsError


@pytest.fixture
def mint(tmp_path: Path) -> doe.CampaignHandle:
    return doe.new("mint", tmp_path)


def test_frames_carry_a_campaign_through_the_loop(mint: doe.CampaignHandle) -> None:
    assert mint.check().limits["fails_fraction"].between(0, 1).all()
    frame = mint.plan().runs
    truth = 60 + 10 * (frame["temperature_C"] - 160) / 40
    frame["extract_yield_mg_g"] = truth + np.random.default_rng(1).normal(0, 1, len(frame))
    frame["furfural_mg_g"] = 1 + 0.01 * truth
    assert mint.record(frame) == 3 * len(frame)
    assert mint.record(mint.ledger()) == 0
    fit = mint.fit()
    slopes = fit.terms.set_index(["response", "term"])["coefficient"]
    assert slopes["extract_yield", "temperature"] == pytest.approx(10, abs=1.5)
    predicted = fit.predict(frame)
    assert len(predicted) == 2 * len(frame)
    assert (predicted["run_low"] < predicted["mean_low"]).all()
    ways = mint.augment().ways.set_index("way")
    assert ways.loc["centres", "runs"] == 3
    assert "pure error" in ways.loc["centres", "buys"]
    added = mint.augment(way="axial", distance=0.5).runs
    assert len(added) == 6
    assert set(added["kind"]) == {"axial"}
    runs = mint.suggest(runs=2, accept=True).runs
    assert list(runs["run"]) == [len(frame) + 1, len(frame) + 2]
    assert len(mint.ledger()) == len(frame) + 2


def test_figures_are_plotly_figures(mint: doe.CampaignHandle) -> None:
    figures = [*mint.check().figures(), *mint.plan().figures()]
    titles = [figure.layout.title.text for figure in figures]
    assert len(titles) >= 4
    assert all(titles)
    assert any(len(figure.data) > 0 for figure in figures)


def test_a_frame_without_runs_or_with_a_changed_plan_is_refused(mint: doe.CampaignHandle) -> None:
    frame = mint.plan().runs
    with pytest.raises(ResultsError, match="no column “run”"):
        mint.record(frame.drop(columns="run"))
    frame["extract_yield_mg_g"] = 50.0
    frame.loc[0, "temperature_C"] = 123.0
    with pytest.raises(ResultsError, match="temperature_C"):
        mint.record(frame)
    assert mint.ledger()["extract_yield_mg_g"].isna().all()
