"""The ledger: round trips, hand edits, whole writes, locks, and results coming in."""

from __future__ import annotations

import csv
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from doe.errors import ResultsError, StateError
from doe.factors import CategoricalFactor, FactorSpace, NumericFactor
from doe.ledger import (
    Change,
    Ledger,
    LedgerRow,
    LedgerSchema,
    Returned,
    ReturnedRow,
    cell_address,
    from_plain_text,
    locked,
    number_text,
    plain_text,
    read_ledger,
    started,
    with_results,
    write_ledger,
)
from doe.responses import Response

SCHEMA = LedgerSchema(
    FactorSpace(
        (
            NumericFactor("temperature", "°C", 120.0, 200.0, step=5.0, suffix="C"),
            NumericFactor("flow", "mL/min", 1.0, 5.0),
            CategoricalFactor("packing", ("sand", "glass beads", "=none")),
        )
    ),
    (Response("yield", "%", "maximise"), Response("hmf", "mg/g", "minimise")),
)
HEADER = (
    "run,stage,plot,day,kind,status,temperature_C,flow_mL_min,packing,achieved_temperature_C,"
    "achieved_flow_mL_min,achieved_packing,yield_pct,hmf_mg_g,left_out_because,notes"
)


def planned(run: int, temperature: float = 150.0) -> LedgerRow:
    none3, none2 = (None, None, None), (None, None)
    return LedgerRow(run, 1, 1, 1, "corner", "planned", (temperature, 2.5, 1.0), none3, none2)


def write(path: Path, *lines: str, header: str = HEADER) -> Path:
    path.write_text("\n".join((header, *lines)) + "\n", encoding="utf-8")
    return path


numbers = st.floats(allow_nan=False, allow_infinity=False)
texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=12) | st.text(
    "=+-@;'\t\r\n\" ,＝", max_size=8
)
reasons = texts.filter(lambda text: text.strip() != "")
levels = st.sampled_from([0.0, 1.0, 2.0])


@st.composite
def ledgers(draw: st.DrawFn) -> Ledger:
    extra_columns = tuple(draw(st.lists(st.sampled_from(["lot", "vial no", "x"]), max_size=2)))
    rows = []
    for run in draw(st.lists(st.integers(0, 10**6), unique=True, max_size=4)):
        status = draw(st.sampled_from(["planned", "done", "left out"]))
        row = LedgerRow(
            run,
            draw(st.integers(1, 9)),
            draw(st.integers(1, 99)),
            draw(st.none() | st.integers(0, 99)),
            draw(texts),
            status,
            (draw(numbers), draw(numbers), draw(levels)),
            (draw(st.none() | numbers), draw(st.none() | numbers), draw(st.none() | levels)),
            (draw(st.none() | numbers), draw(st.none() | numbers)),
            draw(reasons) if status == "left out" else "",
            draw(texts),
            tuple(draw(texts) for _ in extra_columns),
        )
        rows.append(row)
    return Ledger(SCHEMA, tuple(rows), extra_columns)


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(ledgers())
def test_what_is_written_reads_back_the_same(tmp_path: Path, ledger: Ledger) -> None:
    path = tmp_path / "runs.csv"
    write_ledger(path, ledger)
    once = path.read_bytes()
    back = read_ledger(path, SCHEMA)
    assert back == ledger
    assert write_ledger(path, back) is False  # the same bytes: nothing to write
    assert path.read_bytes() == once


@settings(deadline=None)
@given(texts | reasons)
def test_apostrophes_against_formulas_come_off_again(text: str) -> None:
    assert from_plain_text(plain_text(text)) == text


# common practice: what spreadsheets evaluate at the start of a cell
@pytest.mark.parametrize(
    "nasty", ["=1+1", "+1", "-1+2", "@SUM(A1)", " =1", "\t=1", "x;=1", "a\n=1"]
)
def test_no_cell_starts_a_formula_however_the_line_is_split(tmp_path: Path, nasty: str) -> None:
    row = replace(
        planned(1), kind=nasty, notes=nasty, settings=(150.0, 2.5, 2.0), left_out_because=""
    )
    write_ledger(tmp_path / "runs.csv", Ledger(SCHEMA, (row,)))
    text = (tmp_path / "runs.csv").read_text(encoding="utf-8")
    for delimiter in ",;\t":
        for cells in csv.reader(text.splitlines(), delimiter=delimiter):
            assert not [c for c in cells if c.lstrip()[:1] in set("=+-@") and c.strip()]
    assert read_ledger(tmp_path / "runs.csv", SCHEMA).rows == (row,)


def test_the_file_looks_as_promised(tmp_path: Path) -> None:
    row = replace(planned(3), responses=(12.0, None), status="done", notes="cloudy, brown")
    write_ledger(tmp_path / "runs.csv", Ledger(SCHEMA, (row,)))
    assert (tmp_path / "runs.csv").read_bytes().decode() == (
        HEADER + '\n3,1,1,1,corner,done,150,2.500,glass beads,,,,12,,,"cloudy, brown"\n'
    )


@pytest.mark.parametrize(
    ("value", "text"), [(12.0, "12"), (0.1, "0.1"), (-0.5, "-0.5"), (1e22, "1e+22")]
)
def test_numbers_are_short(value: float, text: str) -> None:
    assert number_text(value) == text


def test_addresses_are_those_of_a_spreadsheet() -> None:
    # columns Z, AA and XFD (the last one) of the common spreadsheets
    assert [cell_address(i, 9) for i in (25, 26, 16383)] == ["Z9", "AA9", "XFD9"]


# --- hand edits


GOOD = "1,1,1,1,corner,planned,150,2.5,sand,,,,,,,"
BAD_LEDGERS = {
    "decimal comma": ('1,1,1,1,corner,done,150,2.5,sand,,,,"12,3",,,', ["M2 (yield_pct)"]),
    "no number": ("1,1,1,1,corner,done,hot,2.5,sand,,,,,,,", ["G2 (temperature_C)"]),
    "setting missing": ("1,1,1,1,corner,planned,,2.5,sand,,,,,,,", ["a number is missing"]),
    "underscored number": ("1,1,1,1,corner,planned,1_50,2.5,sand,,,,,,,", ["'1_50'"]),
    "infinite": ("1,1,1,1,corner,planned,1e999,2.5,sand,,,,,,,", ["'1e999'"]),
    "not a number at all": ("1,1,1,1,corner,done,150,2.5,sand,,,,nan,,,", ["'nan'"]),
    "unknown level": ("1,1,1,1,corner,planned,150,2.5,gravel,,,,,,,", ["I2 (packing)", "sand"]),
    "run in words": ("one,1,1,1,corner,planned,150,2.5,sand,,,,,,,", ["A2 (run)"]),
    "unknown status": ("1,1,1,1,corner,finished,150,2.5,sand,,,,,,,", ["F2 (status)"]),
    "left out without reason": ("1,1,1,1,corner,left out,150,2.5,sand,,,,,,,", ["reason"]),
    "reason but done": ("1,1,1,1,corner,done,150,2.5,sand,,,,1,,leak,", ["status is done"]),
    "twice the same run": (f"{GOOD}\n{GOOD}", ["line 3", "stands in line 2"]),
    "unquoted comma in notes": (f"{GOOD}a,b", ["17 cells"]),
    "quote left open": (f'{GOOD}"abc', ["does not end"]),
    "three at once": (
        "1,1,x,1,corner,planned,hot,2.5,sand,,,,,,,\n2,1,1,1,c,planned,150,2.5,sand,,,,n.d.,,,",
        ["C2 (plot)", "G2 (temperature_C)", "M3 (yield_pct)"],
    ),
}


@pytest.mark.parametrize("case", BAD_LEDGERS)
def test_bad_cells_are_all_named(tmp_path: Path, case: str) -> None:
    lines, said = BAD_LEDGERS[case]
    path = write(tmp_path / "runs.csv", lines)
    before = path.read_bytes()
    with pytest.raises(ResultsError) as caught:
        read_ledger(path, SCHEMA)
    for part in ("runs.csv, line", *said):
        assert part in str(caught.value)
    assert path.read_bytes() == before


def test_a_ledger_saved_with_semicolons_is_refused_as_such(tmp_path: Path) -> None:
    path = write(tmp_path / "runs.csv", header=HEADER.replace(",", ";"))
    with pytest.raises(ResultsError, match="not separated by commas"):
        read_ledger(path, SCHEMA)


def test_a_ledger_in_windows_1252_is_refused_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "runs.csv"
    path.write_bytes(f"{HEADER}\n{GOOD}20 °C\n".encode("cp1252"))
    with pytest.raises(ResultsError, match="line 2: the file is not UTF-8"):
        read_ledger(path, SCHEMA)


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "runs.csv"
    path.write_bytes(f"\ufeff{HEADER}\r\n{GOOD}\r\n\r\n".encode())
    assert [row.run for row in read_ledger(path, SCHEMA).rows] == [1]


def test_missing_optional_columns_count_as_blank(tmp_path: Path) -> None:
    header = "kind,run,stage,plot,temperature_C,flow_mL_min,packing,yield_pct"
    path = write(tmp_path / "runs.csv", "corner,4,1,2,150,2.5,sand,9.5", header=header)
    (row,) = read_ledger(path, SCHEMA).rows
    assert (row.run, row.status, row.day, row.responses) == (4, "done", None, (9.5, None))


def test_unknown_columns_are_kept_noticed_and_written_back(tmp_path: Path) -> None:
    path = write(tmp_path / "runs.csv", f"{GOOD},=A1,7", header=f"{HEADER},lot,yield_g")
    ledger = read_ledger(path, SCHEMA)
    assert [notice.code for notice in ledger.notices] == ["column-unknown"] * 2
    write_ledger(path, ledger)
    lines = path.read_text(encoding="utf-8").splitlines()
    assert lines[0].endswith(",notes,lot,yield_g")
    assert lines[1].endswith(",=A1,7")


def test_a_response_renamed_in_the_campaign_file_is_pointed_at(tmp_path: Path) -> None:
    path = write(tmp_path / "runs.csv", GOOD, header=HEADER.replace("yield_pct", "yield_mg_g"))
    (notice,) = read_ledger(path, SCHEMA).notices
    assert "yield_mg_g" in notice.what
    assert "yield_pct" in notice.what


@pytest.mark.parametrize("renamed", ["pressure_barg", "temperature_K"])
def test_a_factor_that_is_gone_is_an_error(tmp_path: Path, renamed: str) -> None:
    header = HEADER.replace("temperature_C", renamed)
    with pytest.raises(ResultsError) as caught:
        read_ledger(write(tmp_path / "runs.csv", GOOD, header=header), SCHEMA)
    codes = {problem.code for problem in caught.value.problems}
    assert codes == {"column-missing", "factor-gone"}


def test_a_column_twice_is_an_error(tmp_path: Path) -> None:
    path = write(tmp_path / "runs.csv", f"{GOOD},1", header=f"{HEADER},yield_pct")
    with pytest.raises(ResultsError, match="yield_pct stands twice"):
        read_ledger(path, SCHEMA)


@pytest.mark.parametrize("content", ["", "\n"])
def test_an_empty_ledger_file_is_an_error(tmp_path: Path, content: str) -> None:
    path = tmp_path / "runs.csv"
    path.write_text(content)
    with pytest.raises(ResultsError):
        read_ledger(path, SCHEMA)


def test_no_ledger_is_said(tmp_path: Path) -> None:
    with pytest.raises(StateError, match=r"no .*runs\.csv"):
        read_ledger(tmp_path / "runs.csv", SCHEMA)


# --- writes


def test_former_files_are_kept_in_order_and_only_when_something_changed(tmp_path: Path) -> None:
    path = tmp_path / "runs.csv"
    versions = [Ledger(SCHEMA, tuple(planned(i) for i in range(1, n + 1))) for n in (1, 2, 3)]
    contents = []
    for ledger in versions:
        assert write_ledger(path, ledger)
        assert not write_ledger(path, ledger)
        contents.append(path.read_bytes())
    kept = sorted(p.name for p in (tmp_path / "history").iterdir())
    assert kept == ["runs-1.csv", "runs-2.csv"]
    assert [(tmp_path / "history" / name).read_bytes() for name in kept] == contents[:2]


def test_a_write_that_fails_leaves_the_former_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "runs.csv"
    write_ledger(path, Ledger(SCHEMA, (planned(1),)))
    before = path.read_bytes()

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StateError, match="No space left"):
        write_ledger(path, Ledger(SCHEMA, (planned(1), planned(2))))
    assert path.read_bytes() == before
    assert not list(tmp_path.rglob("*.part"))


WRITER = """
import sys
from pathlib import Path
sys.path.insert(0, {tests!r})
from test_ledger import SCHEMA, planned
from doe.ledger import Ledger, locked, write_ledger
path = Path(sys.argv[1])
big = [Ledger(SCHEMA, tuple(planned(i, t) for i in range(1, 1501))) for t in (150.0, 160.0)]
print("ready", flush=True)
while True:
    for ledger in big:
        with locked(path.parent):
            write_ledger(path, ledger)
"""


def _child(code: str, *arguments: str) -> subprocess.Popen[str]:
    filled = code.format(tests=str(Path(__file__).parent))
    command = [sys.executable, "-c", filled, *arguments]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def test_a_killed_writer_leaves_the_old_or_the_new_ledger(tmp_path: Path) -> None:
    path = tmp_path / "runs.csv"
    write_ledger(path, Ledger(SCHEMA, tuple(planned(i) for i in range(1, 1501))))
    for attempt in range(6):
        child = _child(WRITER, str(path))
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        time.sleep(0.05 + 0.013 * attempt)
        child.send_signal(signal.SIGKILL)
        assert child.wait() == -signal.SIGKILL
        child.stdout.close()
        temperatures = {row.settings[0] for row in read_ledger(path, SCHEMA).rows}
        assert temperatures in ({150.0}, {160.0})
        for kept in (tmp_path / "history").glob("*.csv"):
            assert len(read_ledger(kept, SCHEMA).rows) == 1500
        with locked(tmp_path, wait_s=0.0):  # the dead process holds nothing
            assert not list(tmp_path.rglob("*.part"))


KILLED_AT = """
import builtins, os, signal, sys
from pathlib import Path
sys.path.insert(0, {tests!r})
import doe.whole_file
from test_ledger import SCHEMA, planned
from doe.ledger import Ledger, locked, write_ledger
path, fatal = Path(sys.argv[1]), int(sys.argv[2])
steps = 0

def step(before):
    global steps
    steps += 1
    if steps == fatal:
        before()
        os.kill(os.getpid(), signal.SIGKILL)

class HalfWritten:
    def __init__(self, file): self.file = file
    def __enter__(self): return self
    def __exit__(self, *error): self.file.close()
    def __getattr__(self, name): return getattr(self.file, name)
    def write(self, data):
        def half():
            self.file.write(data[: len(data) // 2])
            self.file.flush()
        step(half)
        return self.file.write(data)

def watched(function):
    def call(*arguments):
        step(lambda: None)
        return function(*arguments)
    return call

def opened(name, mode):
    file = builtins.open(name, mode)
    return HalfWritten(file) if mode == "wb" else file

doe.whole_file.open = opened
os.fsync, os.replace = watched(os.fsync), watched(os.replace)
with locked(path.parent):
    write_ledger(path, Ledger(SCHEMA, (planned(1, 160.0), planned(2, 160.0))))
"""


def test_a_writer_killed_at_any_step_leaves_the_old_or_the_new_ledger(tmp_path: Path) -> None:
    old = Ledger(SCHEMA, (planned(1), planned(2)))
    found: list[float] = []
    for fatal in range(1, 30):
        folder = tmp_path / str(fatal)
        folder.mkdir()
        path = folder / "runs.csv"
        write_ledger(path, old)
        child = _child(KILLED_AT, str(path), str(fatal))
        child.communicate(timeout=30)
        rows = read_ledger(path, SCHEMA).rows
        assert len(rows) == 2
        found.append(rows[0].settings[0])
        for kept in (folder / "history").glob("*.csv"):
            assert read_ledger(kept, SCHEMA) == old
        if child.returncode == 0:
            break
        assert child.returncode == -signal.SIGKILL
    # write, sync, rename, sync folder: first for the copy in history, then for the ledger
    assert found == [150.0] * 7 + [160.0] * 2


APPENDER = """
import sys
from pathlib import Path
sys.path.insert(0, {tests!r})
from test_ledger import SCHEMA, planned
from doe.ledger import Ledger, locked, read_ledger, write_ledger
path = Path(sys.argv[1])
for _ in range(20):
    with locked(path.parent, wait_s=30.0):
        ledger = read_ledger(path, SCHEMA)
        write_ledger(path, Ledger(SCHEMA, (*ledger.rows, planned(ledger.next_run))))
"""


def test_two_processes_at_once_lose_no_rows(tmp_path: Path) -> None:
    path = tmp_path / "runs.csv"
    write_ledger(path, Ledger(SCHEMA, ()))
    children = [_child(APPENDER, str(path)) for _ in range(2)]
    for child in children:
        child.communicate(timeout=60)
        assert child.returncode == 0
    assert [row.run for row in read_ledger(path, SCHEMA).rows] == list(range(1, 41))


def test_a_held_lock_is_said_after_a_short_wait(tmp_path: Path) -> None:
    with (
        locked(tmp_path),
        pytest.raises(StateError, match="another doe command"),
        locked(tmp_path, wait_s=0.05),
    ):
        pass
    with locked(tmp_path, wait_s=0.0):
        pass


# --- results coming in


LEDGER = Ledger(SCHEMA, (planned(1), planned(2, 160.0)))


def back(run: int, **found: object) -> ReturnedRow:
    empty: dict[str, object] = {"settings": {}, "achieved": {}, "responses": {}}
    return ReturnedRow(run, **(empty | found))  # type: ignore[arg-type]


def test_results_fill_blank_cells_and_the_second_time_change_nothing() -> None:
    sheet = Returned(
        (
            back(1, responses={"yield_pct": 12.5}, achieved={"temperature_C": 151.2}, notes="ok"),
            back(2),
        )
    )
    ledger, changes = with_results(LEDGER, sheet)
    assert changes == (
        Change(1, "status", "planned", "done"),
        Change(1, "achieved_temperature_C", "", "151.2"),
        Change(1, "yield_pct", "", "12.5"),
        Change(1, "notes", "", "ok"),
    )
    assert [started(row) for row in ledger.rows] == [True, False]
    assert with_results(ledger, sheet) == (ledger, ())
    assert with_results(ledger, sheet, replace=True) == (ledger, ())


def test_filled_cells_are_not_overwritten_unless_asked() -> None:
    ledger, _ = with_results(
        LEDGER, Returned((back(1, responses={"yield_pct": 12.5, "hmf_mg_g": 1.0}),))
    )
    row = back(
        1,
        responses={"yield_pct": 13.0, "hmf_mg_g": 2.0},
        day=2,
        cells={"yield_pct": "K3"},
        line=4,
    )
    sheet = Returned((row,), "filled.csv")
    with pytest.raises(ResultsError) as caught:
        with_results(ledger, sheet)
    assert len(caught.value.problems) == 3
    text = str(caught.value)
    for part in ("filled.csv, line 4, K3 (yield_pct)", "12.5", "sheet says 13", "--replace"):
        assert part in text
    replaced, changes = with_results(ledger, sheet, replace=True)
    assert replaced.rows[0].responses == (13.0, 2.0)
    assert [c.column for c in changes] == ["day", "yield_pct", "hmf_mg_g"]


def test_a_changed_plan_is_refused_even_with_replace() -> None:
    row = back(1, settings={"temperature_C": 155.0, "flow_mL_min": 2.5, "packing": 0.0}, stage=2)
    with pytest.raises(ResultsError) as caught:
        with_results(LEDGER, Returned((row,)), replace=True)
    text = str(caught.value)
    assert len(caught.value.problems) == 3
    for part in ("temperature_C 150, the sheet says 155", "packing glass beads", "stage 1"):
        assert part in text


def test_a_spreadsheet_may_round_a_setting_without_steps_but_not_one_with() -> None:
    rows = (replace(planned(1), settings=(150.0, 2.4375, 1.0)),)
    ledger = Ledger(SCHEMA, rows)
    with_results(ledger, Returned((back(1, settings={"flow_mL_min": 2.438}),)))
    for wrong in ({"flow_mL_min": 2.44}, {"temperature_C": 150.4}):
        with pytest.raises(ResultsError):
            with_results(ledger, Returned((back(1, settings=wrong),)))


def test_unknown_runs_are_all_named() -> None:
    with pytest.raises(ResultsError) as caught:
        with_results(LEDGER, Returned((back(7), back(9))))
    assert "no run 7: it has runs 1 to 2" in str(caught.value)
    assert len(caught.value.problems) == 2


def test_all_achieved_settings_make_a_run_done_and_some_do_not() -> None:
    some = {"temperature_C": 151.0, "flow_mL_min": 2.4}
    ledger, _ = with_results(LEDGER, Returned((back(1, achieved=some),)))
    assert ledger.rows[0].status == "planned"
    ledger, _ = with_results(ledger, Returned((back(1, achieved={"packing": 1.0}),)))
    assert ledger.rows[0].status == "done"


def test_a_reason_leaves_the_run_out_and_keeps_its_results() -> None:
    ledger, _ = with_results(LEDGER, Returned((back(1, responses={"yield_pct": 3.0}),)))
    ledger, changes = with_results(ledger, Returned((back(1, left_out_because="boiled"),)))
    assert (ledger.rows[0].status, ledger.rows[0].responses[0]) == ("left out", 3.0)
    assert Change(1, "status", "done", "left out") in changes
    ledger, _ = with_results(ledger, Returned((back(1, responses={"hmf_mg_g": 1.0}),)))
    assert ledger.rows[0].status == "left out"


def test_notes_are_added_to_and_never_lost() -> None:
    ledger = Ledger(SCHEMA, (replace(planned(1), notes="repeat of 4"),))
    first, _ = with_results(ledger, Returned((back(1, notes="cloudy"),)))
    assert first.rows[0].notes == "repeat of 4; cloudy"
    again, changes = with_results(first, Returned((back(1, notes="cloudy"),)))
    assert (again, changes) == (first, ())
