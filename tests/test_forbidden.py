"""Combinations that the file forbids: nothing is planned there, and the page says why."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

CHARRING = """
[forbidden.charring]
temperature = "above 180 degC"
time = "above 40 min"
because = "it chars"
"""


@pytest.fixture
def mint(command: Callable[..., Any], tmp_path: Path) -> Callable[[str], Callable[..., Any]]:
    def with_text(text: str) -> Callable[..., Any]:
        command("new", "mint")
        path = tmp_path / "designs" / "mint" / "campaign.toml"
        path.write_text(path.read_text() + text)
        return command

    return with_text


def test_a_quarter_of_two_ranges_is_forbidden_and_nothing_is_planned_there(mint) -> None:
    """180 to 200 of 120 to 200 °C is a quarter, 40 to 60 of 20 to 60 min a half: 1/8 of the box."""
    doe = mint(CHARRING)
    checked = doe("check", "mint", "--json")
    assert checked["feasible_fraction"] == pytest.approx(7 / 8, abs=0.01)
    (limit,) = [each for each in checked["limits"] if each["limit"] == "forbidden-charring"]
    assert limit["fails_alone_fraction"] == pytest.approx(1 / 8, abs=0.01)
    failing = [corner["settings"] for corner in checked["corners"] if corner["fails"]]
    assert [(c["temperature_C"], c["time_min"]) for c in failing] == [(200.0, 60.0)] * 2
    assert "it chars" in str(checked["corners"])
    planned = [run["settings"] for run in doe("plan", "mint", "--json")["runs"]]
    hot = [s for s in planned if s["temperature_C"] > 180]
    assert hot
    assert max(s["time_min"] for s in hot) <= 40
    assert max(s["time_min"] for s in planned) == 60


def test_a_level_is_forbidden_with_a_range(mint, tmp_path: Path) -> None:
    doe = mint(
        '[forbidden.dust]\ngrind = "fine"\nflow = "above 5 mL/min"\nbecause = "it clogs"\n'
        '[factors.grind]\nlevels = ["coarse", "fine"]\n'
    )
    planned = [run["settings"] for run in doe("plan", "mint", "--json")["runs"]]
    assert {s["grind"] for s in planned} == {"coarse", "fine"}
    assert max(s["flow_mL_min"] for s in planned if s["grind"] == "fine") <= 5
    assert max(s["flow_mL_min"] for s in planned if s["grind"] == "coarse") > 5


@pytest.mark.parametrize("purpose", ["optimum", "surface"])
def test_a_level_that_can_be_run_nowhere_is_named(mint, tmp_path: Path, purpose) -> None:
    doe = mint(
        '[forbidden.dust]\ngrind = "dust"\nflow = "above 3 mL/min"\nbecause = "it clogs"\n'
        '[forbidden.dust_long]\ngrind = "dust"\ntime = "above 5 min"\nbecause = "it clogs"\n'
        '[factors.grind]\nlevels = ["coarse", "fine", "dust"]\n'
    )
    assert "Next: change campaign.toml as said above" in doe("check", "mint").said_out
    cures = doe("check", "mint", "--json")["cures"]
    assert any("Nothing can be run with grind dust" in cure for cure in cures)
    assert not any("coarse" in cure or "fine" in cure for cure in cures)
    path = tmp_path / "designs" / "mint" / "campaign.toml"
    path.write_text(path.read_text().replace('purpose = "surface"', f'purpose = "{purpose}"'))
    refused = doe("plan", "mint", "--json", status=1)
    assert "none has grind dust" in str(refused)
    assert "out of the levels" in str(refused)
    assert not (tmp_path / "designs" / "mint" / "runs.csv").exists()


def test_a_factor_with_a_mistake_of_its_own_is_not_said_to_be_missing(mint, tmp_path: Path) -> None:
    doe = mint(CHARRING)
    path = tmp_path / "designs" / "mint" / "campaign.toml"
    path.write_text(path.read_text().replace('high = "200 degC"', 'high = "393 K"', 1))
    keys = {error["where"]["key"] for error in doe("check", "mint", "--json", status=1)["errors"]}
    assert keys
    assert all(key.startswith("factors.temperature") for key in keys)


@pytest.mark.parametrize(
    ("text", "key", "remedy"),
    [
        ('time = "over 40 min"\nbecause = "x"', "forbidden.a.time", "above 40 min"),
        ('time = "above 40 K"\nbecause = "x"', "forbidden.a.time", "min"),
        ('time = "above 40 min"', "forbidden.a.because", "because ="),
        ('stirring = "above 40 rpm"\nbecause = "x"', "forbidden.a.stirring", "temperature"),
        ('because = "x"', "forbidden.a", "Name factors"),
        ("time = 40\nbecause = 'x'", "forbidden.a.time", "above 40 min"),
    ],
)
def test_what_cannot_be_read_is_said_with_its_key(mint, text: str, key: str, remedy: str) -> None:
    doe = mint(f"[forbidden.a]\n{text}\n")
    (error,) = doe("check", "mint", "--json", status=1)["errors"]
    assert error["where"]["key"] == key
    assert error["where"]["line"]
    assert remedy in error["remedy"]
