"""The demonstration: the README's first command."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from doe.cli import app


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Any]:
    """A folder in which the demonstration was walked through twice, and its first answer."""
    folder = tmp_path_factory.mktemp("walked")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        first, second = (
            CliRunner().invoke(app, ["demo", *words, "--json"], catch_exceptions=False)
            for words in ([], ["--seed", "1"])
        )
    assert (first.exit_code, second.exit_code) == (0, 0)
    return folder, json.loads(first.stdout)


def test_the_demo_walks_the_loop_and_ends_near_the_best_that_the_rig_could_do(
    walked: tuple[Path, Any],
) -> None:
    _, answer = walked
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


def test_a_second_demo_gets_a_name_of_its_own(walked: tuple[Path, Any]) -> None:
    folder, _ = walked
    first, second = (
        (folder / "designs" / name / "runs.csv").read_bytes() for name in ("demo", "demo-2")
    )
    assert first == second
