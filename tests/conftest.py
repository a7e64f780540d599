"""The command as a person types it, for every test of the whole way."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from typer.testing import CliRunner

from doe.cli import app


@pytest.fixture
def command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    """Run a command in an empty folder; `--json` answers come back parsed.

    What it said stands in `out` and `err`, and on one line each in `said_out` and `said_err`.
    """
    monkeypatch.chdir(tmp_path)

    def run(*words: str, status: int = 0) -> Any:
        result = CliRunner().invoke(app, list(words), catch_exceptions=False)
        assert result.exit_code == status, result.output
        if "--json" in words:
            return json.loads(result.stdout)
        return SimpleNamespace(
            out=result.stdout,
            err=result.stderr,
            said_out=" ".join(result.stdout.split()),
            said_err=" ".join(result.stderr.split()),
        )

    return run
