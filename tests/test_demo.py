"""The demonstration: the README's first command."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from doe.cli import app


def test_the_demo_walks_the_loop_and_ends_near_the_best_that_the_rig_could_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(app, ["demo", "--json"], catch_exceptions=False)
    assert result.exit_code == 0
    answer = json.loads(result.stdout)
    assert answer["invented"]
    commands = [step["command"].split()[1] for step in answer["steps"]]
    assert commands == ["new", "check", "plan", "record", "fit", "suggest", "record", "fit"]
    assert all(step["found"] for step in answer["steps"])
    for file in answer["files"]:
        assert Path(file).stat().st_size > 10_000
    found = answer["optimum"]
    # the simulator knows the truth: in reach of the best feasible, and the limit truly held
    assert found["true_values"]["pigment"] > 0.9 * found["true_best"]["pigment"]
    assert found["true_values"]["by_product"] < 3.0


def test_a_second_demo_gets_a_name_of_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for name in ("demo", "demo-2"):
        result = CliRunner().invoke(app, ["demo", "--seed", "3"], catch_exceptions=False)
        assert result.exit_code == 0
        assert (tmp_path / "designs" / name / "runs.csv").is_file()
    first, second = (
        (tmp_path / "designs" / n / "runs.csv").read_bytes() for n in ("demo", "demo-2")
    )
    assert first == second
