"""Work done in a copy of the process: its result, what it raises, and where none can be made."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from doe import beside as room
from doe import workflow
from doe.beside import beside
from doe.errors import FitError

PUBLISHED = Path(__file__).parents[1] / "designs" / "cinnamon-published"
linux = pytest.mark.skipif(sys.platform != "linux", reason="copies are made on Linux only")


def in_a_process_of_its_own(code: str) -> str:
    """Test runners have threads, so that no copy would be made here."""
    return subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    ).stdout


@pytest.fixture
def copied(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room, "_may_copy", lambda: True)


@linux
@pytest.mark.usefixtures("copied")
def test_the_result_comes_from_a_copy() -> None:
    wait = beside(lambda: (os.getpid(), {"a": [1.5, None]}, "x" * 300_000))
    process, value, long = wait()
    assert process != os.getpid()
    assert value == {"a": [1.5, None]}
    assert len(long) == 300_000  # more than a pipe holds


@linux
@pytest.mark.usefixtures("copied")
def test_what_the_work_raises_is_raised_where_it_is_waited_for() -> None:
    def work() -> None:
        raise FitError.of("too-few-runs", "Too few.", "Make more.")

    wait = beside(work)
    with pytest.raises(FitError, match="Too few") as caught:
        wait()
    assert caught.value.problems[0].code == "too-few-runs"


@linux
@pytest.mark.usefixtures("copied")
def test_a_copy_that_dies_or_cannot_answer_costs_time_only() -> None:
    here = os.getpid()

    def work() -> int:
        if os.getpid() != here:
            os._exit(9)
        return 7

    assert beside(work)() == 7
    nameless = beside(lambda: lambda: 8)()  # pickle carries no function without a name
    assert nameless() == 8


@linux
def test_output_waiting_to_be_printed_is_printed_once() -> None:
    said = in_a_process_of_its_own(
        "import sys\nfrom doe.beside import beside\nsys.stdout.write('once')\n"
        "wait = beside(lambda: 3)\nsys.stdout.write(str(wait()))"
    )
    assert said == "once3"


def test_beside_other_threads_no_copy_is_made() -> None:
    code = (
        "import os, threading\nfrom doe.beside import beside\nstop = threading.Event()\n"
        "other = threading.Thread(target=stop.wait)\nother.start()\n"
        "print(beside(os.getpid)() == os.getpid())\nstop.set()\nother.join()"
    )
    assert in_a_process_of_its_own(code).strip() == "True"


@linux
def test_a_report_is_the_same_with_and_without_a_copy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pages = []
    for copied in (True, False):
        monkeypatch.setattr(room, "_may_copy", lambda copied=copied: copied)
        start = tmp_path / str(copied)
        shutil.copytree(PUBLISHED, start / "designs" / PUBLISHED.name)
        (start / "reports").mkdir()
        pages.append(workflow.fit(PUBLISHED.name, start).files[0].read_bytes())
    assert pages[0] == pages[1]
