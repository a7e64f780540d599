"""The purpose of the campaigns that tests start from."""

from __future__ import annotations

from pathlib import Path


def for_a_surface(path: Path) -> None:
    """Change the purpose of a campaign file that `doe new` wrote."""
    text = path.read_text(encoding="utf-8")
    assert text.count('purpose = "optimum"') == 1
    path.write_text(text.replace('purpose = "optimum"', 'purpose = "surface"'), encoding="utf-8")
