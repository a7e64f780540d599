"""Work done beside the rest, on another processor where there is one."""

from __future__ import annotations

import os
import pickle
import sys
import threading
from collections.abc import Callable
from typing import NoReturn, TypeVar

__all__ = ["beside"]

Result = TypeVar("Result")


def beside(work: Callable[[], Result]) -> Callable[[], Result]:
    """Begin work in a copy of this process; return what waits for its result.

    What the work raises is raised where its result is waited for. Where no copy can be made safely
    (no fork, other threads, one processor), or the copy dies, the work is done there as well: so it
    must change nothing but its result, which pickle must be able to carry.
    """
    if not _may_copy():
        return work
    reading, writing = os.pipe()
    copy = os.fork()
    if copy == 0:
        os.close(reading)
        _answer(work, writing)
    os.close(writing)

    def wait() -> Result:
        with os.fdopen(reading, "rb") as pipe:
            answer = pipe.read()
        os.waitpid(copy, 0)
        if not answer:
            return work()
        result, raised = pickle.loads(answer)
        if raised is not None:
            raise raised
        return result  # type: ignore[no-any-return]

    return wait


def _may_copy() -> bool:
    """Whether a copy is safe: locks that other threads hold would stay locked in it for ever."""
    return (
        sys.platform == "linux"
        and threading.active_count() == 1
        and len(os.sched_getaffinity(0)) > 1
    )


def _answer(work: Callable[[], object], writing: int) -> NoReturn:
    """Write what the work gives, or raises, and end; nothing where that cannot be written."""
    try:
        try:
            answer: tuple[object, Exception | None] = (work(), None)
        except Exception as raised:
            answer = (None, raised)
        packed = pickle.dumps(answer)
        with os.fdopen(writing, "wb") as pipe:
            pipe.write(packed)
    finally:
        os._exit(0)  # the copy must not flush what this process has still to print
