"""`doe record` really killed at each step of its writes: every file is the old or the new one.

The child process counts each write, sync and rename of `doe.whole_file`, and kills itself with
SIGKILL at the one it was told, in a write after half of the bytes. The next recording of the same
file completes what is missing.
"""

from __future__ import annotations

import builtins
import csv
import os
import shutil
import signal
import sys
import time
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import doe.whole_file
from doe import workflow
from doe.logged import LogWish

pytestmark = [
    pytest.mark.skipif(sys.platform == "win32", reason="a process forks itself"),
    pytest.mark.filterwarnings("ignore:.*multi-threaded.*fork:DeprecationWarning"),
]

Record = Callable[[Path], object]


class Steps:
    """Kills its own process at one step of writing files; counts them from 1."""

    def __init__(self, fatal: int) -> None:
        self.fatal, self.count = fatal, 0

    def __call__(self, before: Callable[[], object] = lambda: None) -> None:
        self.count += 1
        if self.count == self.fatal:
            before()
            os.kill(os.getpid(), signal.SIGKILL)

    def watched(self, function: Callable[..., Any]) -> Callable[..., Any]:
        def call(*arguments: Any) -> Any:
            self()
            return function(*arguments)

        return call

    def opened(self, name: Path, mode: str) -> Any:
        file = builtins.open(name, mode)  # noqa: SIM115  # whoever opens it closes it
        return HalfWritten(file, self) if mode == "wb" else file


class HalfWritten:
    """A file of which half is there when the process is killed in a write."""

    def __init__(self, file: Any, step: Steps) -> None:
        self.file, self.step = file, step

    def __enter__(self) -> HalfWritten:
        return self

    def __exit__(self, *error: object) -> None:
        self.file.close()

    def __getattr__(self, name: str) -> Any:
        return getattr(self.file, name)

    def write(self, data: bytes) -> int:
        def half() -> None:
            self.file.write(data[: len(data) // 2])
            self.file.flush()

        self.step(half)
        return int(self.file.write(data))


def forked(work: Callable[[], object]) -> int:
    """Do work in a process of its own and return that process's number."""
    number = os.fork()
    if number == 0:
        try:
            work()
        except BaseException:
            os._exit(1)
        os._exit(0)
    return number


def killed_at(fatal: int, record: Record, folder: Path) -> int:
    """Record in a process that kills itself at a step; return its status."""

    def work() -> None:
        step = Steps(fatal)
        doe.whole_file.open = step.opened  # type: ignore[attr-defined]
        os.fsync, os.replace = step.watched(os.fsync), step.watched(os.replace)
        record(folder)

    return os.waitstatus_to_exitcode(os.waitpid(forked(work), 0)[1])


DERIVED = (
    '[responses.extract_yield]\ntitle = "extract yield"\nunit = "mg/g"\n',
    '[feed]\nmoisture = "8 %"\n[responses.extract_yield]\nfrom = "yield"\nunit = "%"\n',
)
MASSES = "run,feed_g\n3,12\n4,12\n"
FIRST = "run,bottle,kind,volume_mL,solids_mg_mL\n3,A1,drain,400,4\n3,A2,flush,100,1\n"
THEN = FIRST.replace("400,4", "400,5") + "4,B1,drain,380,4\n4,B2,flush,90,1\n"
LOG = "time (min),temperature (C),pressure (barg),flow (mL/min)\n"


def killed_at_each_step(
    start: Path, folder: Path, record: Record, check: Callable[[Path], None]
) -> list[Path]:
    """Record into copies of a workspace, killed one step later each time, and then once more."""
    copies = []
    for fatal in range(1, 60):
        copies.append(folder / str(fatal))
        shutil.copytree(start, copies[-1])
        status = killed_at(fatal, record, copies[-1])
        check(copies[-1])
        if status == 0:
            assert fatal > 4  # a write, a sync, a rename and a folder's sync at the least
            return copies
        assert status == -signal.SIGKILL
        record(copies[-1])
        assert not list(copies[-1].rglob("*.part"))
    raise AssertionError("there is no end of steps")


def rows_of(file: Path) -> list[dict[str, str]]:
    with file.open(newline="") as lines:
        return list(csv.DictReader(lines))


def state(workspace: Path) -> dict[str, bytes]:
    folder = workspace / "designs" / "mint"
    names = ("runs.csv", "portions.csv", "derived.csv")
    return {name: (folder / name).read_bytes() for name in names}


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    """A workspace whose campaign has two bottles recorded; four and a correction are at hand."""
    made = tmp_path / "made"
    made.mkdir()
    file = workflow.new("mint", made).files[0]
    text = file.read_text()
    assert DERIVED[0] in text
    file.write_text(text.replace(*DERIVED).replace('"4 mg/g"', '"0.4"'))
    workflow.plan("mint", made)
    for name, lines in (("m", MASSES), ("first", FIRST), ("then", THEN)):
        (made / f"{name}.csv").write_text(lines)
    workflow.record("mint", made, Path("m.csv"))
    workflow.record("mint", made, Path("first.csv"))
    return made


def recording(name: str) -> Record:
    return lambda folder: workflow.record("mint", folder, Path(name), replace_filled=True)


def test_portions_and_what_follows_from_them_are_the_old_or_the_new(
    workspace: Path, tmp_path: Path
) -> None:
    old = state(workspace)
    whole = tmp_path / "whole"
    shutil.copytree(workspace, whole)
    recording("then.csv")(whole)
    new = state(whole)
    assert all(old[name] != new[name] for name in old)
    seen: set[tuple[bool, ...]] = set()

    def check(copy: Path) -> None:
        found = state(copy)
        for name, data in found.items():
            assert data in (old[name], new[name]), name
        seen.add(tuple(found[name] == new[name] for name in found))

    copies = killed_at_each_step(workspace, tmp_path / "killed", recording("then.csv"), check)
    assert len(seen) >= 3  # killed before, between and after the files
    assert all(state(copy) == new for copy in copies)


def test_the_record_of_a_log_is_whole_or_not_there(workspace: Path, tmp_path: Path) -> None:
    row = next(r for r in rows_of(workspace / "designs/mint/runs.csv") if r["run"] == "5")
    T, flow, held = (float(row[c]) for c in ("temperature_C", "flow_mL_min", "time_min"))
    up, lines = (T - 20) / 5, []
    for i in range(int(2 * (up + held + (T - 50) / 5)) + 1):
        t = i / 2
        now = min(T, 20 + 5 * t) if t <= up + held else T - 5 * (t - up - held)
        lines.append(f"{t},{now:.2f},50,{flow}")
    (workspace / "log.csv").write_text(LOG + "\n".join(lines) + "\n")
    kept = Path("designs/mint/logs/run-5.toml")

    def record(folder: Path) -> object:
        wish = LogWish(run=5, by="AB")
        return workflow.record("mint", folder, Path("log.csv"), replace_filled=True, log=wish)

    def check(copy: Path) -> None:
        if (copy / kept).exists():
            assert tomllib.loads((copy / kept).read_text())["run"] == 5
        found = next(r for r in rows_of(copy / "designs/mint/runs.csv") if r["run"] == "5")
        assert found["achieved_temperature_C"] in ("", *whole)

    whole: set[str] = set()
    done = tmp_path / "whole"
    shutil.copytree(workspace, done)
    record(done)
    found = next(r for r in rows_of(done / "designs/mint/runs.csv") if r["run"] == "5")
    whole.add(found["achieved_temperature_C"])
    assert float(found["achieved_temperature_C"]) == pytest.approx(T, abs=0.5)
    copies = killed_at_each_step(workspace, tmp_path / "killed", record, check)
    assert {(copy / kept).read_bytes() for copy in copies} == {(done / kept).read_bytes()}


def test_killed_at_random_moments_nothing_is_half(workspace: Path, tmp_path: Path) -> None:
    """Recording one and the other file by turns, killed from outside while it does."""

    def by_turns() -> None:
        while True:
            recording("then.csv")(workspace)
            recording("first.csv")(workspace)

    for attempt in range(12):
        process = forked(by_turns)
        time.sleep(0.05 + 0.031 * attempt)
        os.kill(process, signal.SIGKILL)
        assert os.waitstatus_to_exitcode(os.waitpid(process, 0)[1]) == -signal.SIGKILL
        folder = workspace / "designs" / "mint"
        bottles = {(r["run"], r["bottle"]): r for r in rows_of(folder / "portions.csv")}
        assert len(bottles) in (2, 4)
        assert bottles["3", "A1"]["solids_mg_mL"] in ("4", "5")
        assert {row["run"] for row in rows_of(folder / "derived.csv")} >= {"3"}
        recording("then.csv")(workspace)
        yields = {row["run"]: row["extract_yield_pct"] for row in rows_of(folder / "runs.csv")}
        # by hand: 400 · 5 + 100 · 1 = 2100 mg of 11.04 g; 380 · 4 + 90 = 1610 mg
        assert float(yields["3"]) == pytest.approx(100 * 2.1 / 11.04, abs=5e-4)
        assert float(yields["4"]) == pytest.approx(100 * 1.61 / 11.04, abs=5e-4)
