"""Text files as laboratories' programs save them: which encoding, without guessing.

Shared by filled sheets and by logs, which come from the same programs.
"""

from __future__ import annotations

import codecs
import re

from doe.errors import Notice

__all__ = ["NotTextError", "decoded"]


class NotTextError(ValueError):
    """The bytes are no text; the room that reads the file says what to do."""


def decoded(data: bytes, file: str) -> tuple[str, tuple[Notice, ...]]:
    """Return the text of a file, and a notice where its encoding had to be inferred.

    UTF-8 and UTF-16 with or without a mark; else Windows-1252.

    Raises
    ------
    NotTextError
        It is neither of these.
    """
    if data.startswith((codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE)):
        raise NotTextError
    notices: tuple[Notice, ...] = ()
    try:
        if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
            text = data.decode("utf-16")
        elif b"\0" in data:
            text = data.decode(_bare_utf16(data))
        else:
            try:
                text = data.decode("utf-8-sig")
            except UnicodeDecodeError:
                text = data.decode("cp1252")
                what = f"{file} is not UTF-8; it was read as Windows-1252. Check accents in it."
                notices = (Notice("read-as-windows-1252", what),)
    except (UnicodeDecodeError, LookupError):
        raise NotTextError from None
    if re.search(r"[\0-\x08\x0e-\x1f\x7f]", text):
        raise NotTextError
    return text, notices


def _bare_utf16(data: bytes) -> str:
    """Return the byte order of UTF-16 without a mark, ``"binary"`` if it is not that.

    Headings are ASCII, so in UTF-16 every other byte of the file's start is zero.
    """
    start = data[:40]
    if not any(start[0::2]):
        return "utf-16-be"
    return "binary" if any(start[1::2]) else "utf-16-le"
