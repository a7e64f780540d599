"""A workspace that many tests start from is made once a session, by the commands, and copied."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable
from pathlib import Path


def made_once(folder: Path, key: str, make: Callable[[], object]) -> None:
    """Fill an empty test folder: by `make` the first time, later with what that made for the key.

    The key says all that `make` depends on.
    """
    name = f"made-{hashlib.sha256(key.encode()).hexdigest()[:16]}"
    kept = folder.parent / name
    if kept.exists():
        shutil.copytree(kept, folder, dirs_exist_ok=True)
        return
    make()
    shutil.copytree(folder, kept)
