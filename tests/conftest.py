"""What many tests share: the command as a person types it, and Debian's Chromium."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import hypothesis
import pytest
from purpose import for_a_surface
from typer.testing import CliRunner

from doe.cli import app

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command does, before numpy is loaded
# How long an example takes depends on what else the machine does, and is no property of the code.
hypothesis.settings.register_profile("untimed", deadline=None)
hypothesis.settings.load_profile("untimed")

CHROMIUM = Path("/usr/bin/chromium")
CHROMIUM_ARGUMENTS = (
    "--headless",
    "--no-sandbox",
    "--disable-dev-shm-usage",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Start Chromium once for all tests that drive pages."""
    api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if not CHROMIUM.exists():
        pytest.skip(f"{CHROMIUM} is not installed")
    with api.sync_playwright() as playwright:
        arguments = list(CHROMIUM_ARGUMENTS)
        started = playwright.chromium.launch(executable_path=str(CHROMIUM), args=arguments)
        yield started
        started.close()


@pytest.fixture
def command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    """Run a command in an empty folder; `--json` answers come back parsed.

    What `new` writes is made a campaign for a surface, whose classical design most tests count on;
    `as_written` leaves it as it is.

    What it said stands in `out` and `err`, and on one line each in `said_out` and `said_err`.
    """
    monkeypatch.chdir(tmp_path)

    def run(*words: str, status: int = 0, as_written: bool = False) -> Any:
        result = CliRunner().invoke(app, list(words), catch_exceptions=False)
        assert result.exit_code == status, result.output
        if words[:1] == ("new",) and status == 0 and not as_written:
            for_a_surface(tmp_path / "designs" / words[1] / "campaign.toml")
        if "--json" in words:
            return json.loads(result.stdout)
        return SimpleNamespace(
            out=result.stdout,
            err=result.stderr,
            said_out=" ".join(result.stdout.split()),
            said_err=" ".join(result.stderr.split()),
        )

    return run
