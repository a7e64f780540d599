"""Files that are written whole or not at all."""

from __future__ import annotations

import json
import os
import re
import sys
import threading
from collections.abc import Mapping
from pathlib import Path

from doe.errors import StateError

__all__ = ["keep_former", "put", "toml_text", "write_page"]


def put(path: Path, data: bytes) -> None:
    """Put `data` at `path` in one step that outlives a power cut.

    Raises
    ------
    OSError
        It cannot be written; the former file is still there.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}-{threading.get_ident()}.part")
    try:
        with open(temporary, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    _sync_folder(path.parent)


def write_page(path: Path, content: str | bytes, *, keep: bool = False) -> Path:
    """Write a page, a sheet or a record, text as UTF-8, its folder made where missing.

    Parameters
    ----------
    keep
        Keep a former file that differs in `history/` beside it: a person may have filled it in.

    Raises
    ------
    StateError
        It cannot be written; the former file is still there.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        data = content if isinstance(content, bytes) else content.encode("utf-8")
        former = path.read_bytes() if keep and path.exists() else data
        if former != data:
            keep_former(path, former)
        put(path, data)
    except OSError as error:
        raise StateError.of(
            "cannot-write",
            f"{path} cannot be written: {error.strerror}.",
            "Check the folder's rights and the space on the disk.",
            file=str(path),
        ) from error
    return path


def toml_text(comment: str, values: Mapping[str, object]) -> str:
    """Return values as TOML: text, numbers, lists, and mappings of these as tables, last.

    JSON's escapes are TOML's, so each value is written as JSON; a number has to be finite.
    """

    def line(key: str, value: object) -> str:
        return f"{key} = {json.dumps(value, ensure_ascii=False, allow_nan=False)}"

    lines = [f"# {comment}"]
    tables = {key: value for key, value in values.items() if isinstance(value, Mapping)}
    lines += [line(key, value) for key, value in values.items() if key not in tables]
    for name, table in tables.items():
        lines += ["", f"[{name}]"]
        lines += [line(json.dumps(key, ensure_ascii=False), v) for key, v in table.items()]
    return "\n".join(lines) + "\n"


def keep_former(path: Path, former: bytes) -> None:
    """Copy what stood at `path` to ``history/name-<n>.csv`` unless the last copy is the same."""
    folder = path.parent / "history"
    folder.mkdir(exist_ok=True)
    pattern = re.compile(rf"{re.escape(path.stem)}-([0-9]+){re.escape(path.suffix)}")
    kept = {int(m[1]): p for p in folder.iterdir() if (m := pattern.fullmatch(p.name))}
    last = max(kept, default=0)
    if last and kept[last].read_bytes() == former:
        return
    put(folder / f"{path.stem}-{last + 1}{path.suffix}", former)


def _sync_folder(folder: Path) -> None:
    if sys.platform == "win32":
        return  # folders cannot be opened there
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
