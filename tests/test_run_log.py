"""Run logs: what loggers write, what a run was, and what its deviations mean."""

from __future__ import annotations

import csv
import inspect
import math
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.errors import ResultsError, StateError
from doe.run_log import (
    Deviation,
    RunLog,
    RunSummary,
    classify,
    extraction_window,
    minutes_below,
    read_log,
    read_log_text,
    severity_minutes,
    summarise,
    time_mean,
)

WATER = Path(__file__).parent / "reference" / "water"

# --- what is accepted: the same three rows, 0, 30 and 60 s; 100, 101.5 and 103 °C; 20, 20.5 and
# 21 barg (21.01325, … bara); 2, 2.5 and 3 mL/min

HEAD = "time_s,temperature_C,pressure_barg,flow_mL_min\n"
BODY = "0,100,20,2\n30,101.5,20.5,2.5\n60,103,21,3\n"
COMMA = BODY.replace(",", ";").replace(".", ",")
ACCEPTED: dict[str, bytes] = {
    "plain": (HEAD + BODY).encode(),
    "byte order mark": (HEAD + BODY).encode("utf-8-sig"),
    "utf-16": (HEAD + BODY).encode("utf-16"),
    "utf-16 without mark": (HEAD + BODY).encode("utf-16-le"),
    "windows line ends": (HEAD + BODY).replace("\n", "\r\n").encode(),
    "tabs": (HEAD + BODY).replace(",", "\t").encode(),
    "no last line end": (HEAD + BODY).rstrip("\n").encode(),
    "blank rows at the end": (HEAD + BODY + "\n\n").encode(),
    "title rows": ("Logger 3;;;\nSerial 12\n\n" + HEAD.replace(",", ";") + COMMA).encode(),
    "quoted decimal commas": (
        HEAD + '"0","100","20","2"\n"30","101,5","20,5","2,5"\n"60","103","21","3"\n'
    ).encode(),
    "German": ("Zeit [s];Temperatur [°C];Druck [bar(g)];Durchfluss [ml/min]\n" + COMMA).encode(),
    "German, Windows-1252": (
        "Laufzeit in s;Temperatur in °C;Druck in barü;Flussrate in ml/min\n" + COMMA
    ).encode("cp1252"),
    "German, short": ("Zeit / s;Temp. (Grad C);p (bar Überdruck);Volumenstrom\n".encode()).replace(
        b"Volumenstrom", b"Volumenstrom (mL/min)"
    )
    + COMMA.encode(),
    "letters": ("t/s;T/°C;p/barg;q/(mL/min)\n" + COMMA).encode(),
    "pressure drop and set value beside": (
        b"time_s,temperature_C,T set (C),pressure_barg,Pressure drop (bar),flow_mL_min\n"
        b"0,100,180,20,1,2\n30,101.5,180,20.5,1,2.5\n60,103,180,21,1,3\n"
    ),
    "row of units": ("Time,Temperature,Pressure,Flow\n[s],[°C],[barg],[mL/min]\n" + BODY).encode(),
    "columns moved, set values beside": (
        b"flow_mL_min,T set (C),pressure_barg,T (C),time (s)\n"
        b"2,180,20,100,0\n2.5,180,20.5,101.5,30\n3,180,21,103,60\n"
    ),
    "minutes": (
        b"time_min,temperature_C,pressure_barg,flow_mL_min\n"
        b"0,100,20,2\n0.5,101.5,20.5,2.5\n1,103,21,3\n"
    ),
    "kelvin, megapascal, litres an hour": (
        b"time (s),T (K),Pressure (MPa gauge),Flow (L/h)\n"
        b"0,373.15,2,0.12\n30,374.65,2.05,0.15\n60,376.15,2.1,0.18\n"
    ),
    "fahrenheit and psi": (
        "time (s),T (°F),P (psig),Flow (ml/min)\n"
        "0,212,290.07547546,2\n30,214.7,297.32736235,2.5\n60,217.4,304.57924923,3\n"
    ).encode(),
    "absolute": (
        b"time (s),T (C),P (bara),Flow (ml/min)\n"
        b"0,100,21.01325,2\n30,101.5,21.51325,2.5\n60,103,22.01325,3\n"
    ),
    "clock": (
        "Zeit;T (°C);p (barg);Fluss (ml/min)\n"
        "00:00:00;100;20;2\n00:00:30;101,5;20,5;2,5\n00:01:00;103;21;3\n"
    ).encode(),
    "clock of day, with decimals": (
        "Uhrzeit;T (°C);p (barg);Fluss (ml/min)\n"
        "23:58:59,5;100;20;2\n23:59:29,5;101,5;20,5;2,5\n23:59:59,5;103;21;3\n"
    ).encode(),
    "minutes and seconds": (
        "Zeit [mm:ss];T (°C);p (barg);Fluss (ml/min)\n"
        "0:00;100;20;2\n0:30;101,5;20,5;2,5\n1:00;103;21;3\n"
    ).encode(),
    "ISO": (
        b"timestamp,T (C),p (barg),flow (ml/min)\n2024-03-18T23:59:15,100,20,2\n"
        b"2024-03-18T23:59:45,101.5,20.5,2.5\n2024-03-19T00:00:15,103,21,3\n"
    ),
    "ISO, clocks change, with offsets": (
        b"timestamp,T (C),p (barg),flow (ml/min)\n2024-10-27T02:59:30+02:00,100,20,2\n"
        b"2024-10-27T02:00:00+01:00,101.5,20.5,2.5\n2024-10-27T01:00:30Z,103,21,3\n"
    ),
    "date and clock apart": (
        "Datum;Uhrzeit;T (°C);p (barg);Fluss (ml/min)\n18.03.2024;23:59:15;100;20;2\n"
        "18.03.2024;23:59:45;101,5;20,5;2,5\n19.03.2024;0:00:15;103;21;3\n"
    ).encode(),
    "repeats of whole rows": (
        HEAD + "0,100,20,2\n0,100,20,2\n30,101.5,20.5,2.5\n60,103,21,3\n"
    ).encode(),
    "a row without temperature": (
        HEAD + "0,100,20,2\n15,NaN,20,2\n30,101.5,20.5,2.5\n60,103,21,3\n"
    ).encode(),
    "last row cut short": (HEAD + BODY + "90,10").encode(),
    "three decimals, settled by the others": (
        b"time_s;temperature_C;pressure_barg;flow_mL_min\n"
        b"0;100;20,000;2,000\n30;101,5;20,500;2,500\n60;103;21,000;3,000\n"
    ),
}


@pytest.mark.parametrize("name", ACCEPTED)
def test_log_as_instruments_write_it(tmp_path: Path, name: str) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(ACCEPTED[name])
    log = read_log(path)
    assert log.minutes - log.minutes[0] == pytest.approx([0, 0.5, 1], abs=1e-9)
    assert log.temperature_C == pytest.approx([100, 101.5, 103])
    assert log.pressure_bara == pytest.approx([21.01325, 21.51325, 22.01325])
    assert log.flow_mL_min == pytest.approx([2, 2.5, 3])


# --- what is refused: text → (code, row, words of the message)

TWO = "0,100,20,2\n"
REFUSED: dict[str, tuple[str, str, int | None, str]] = {
    "bare time": (HEAD.replace("time_s", "time") + BODY, "time-unit", 2, "seconds or minutes"),
    "two-part clock": (
        HEAD.replace("time_s", "time") + "0:00,100,20,2\n0:30,101,20,2\n",
        "time-unclear",
        2,
        "minutes and seconds",
    ),
    "slashed dates": (
        HEAD.replace("time_s", "time") + "03/04/2024 10:00:00,100,20,2\n",
        "time-unclear",
        2,
        "month",
    ),
    "mixed times": (
        HEAD.replace("time_s", "time") + "0:00:00,100,20,2\n30,101,20,2\n",
        "time-unclear",
        3,
        "like the first",
    ),
    "no such day": (
        HEAD.replace("time_s", "time") + "2024-02-30T10:00:00,100,20,2\n",
        "time-unclear",
        None,
        "calendar",
    ),
    "half with offsets": (
        HEAD.replace("time_s", "time")
        + "2024-02-20T10:00:00Z,100,20,2\n2024-02-20T10:00:30,100,20,2\n",
        "time-unclear",
        None,
        "offset",
    ),
    "bar of nothing": (HEAD.replace("barg", "bar") + BODY, "pressure-reading", 1, "gauge"),
    "temperature without unit": (
        HEAD.replace("temperature_C", "temperature") + BODY,
        "log-no-unit",
        1,
        "temperature_C",
    ),
    "millipascal": (
        HEAD.replace("pressure_barg", "pressure (mPa)") + BODY,
        "log-no-unit",
        1,
        "pressure_barg",
    ),
    "flow by mass": (
        "time_s,temperature_C,flow (g/min)\n0,100,2\n30,101,2\n",
        "log-no-unit",
        1,
        "flow_mL_min",
    ),
    "two temperatures": (
        "time_s,T1 (C),T2 (C)\n0,100,101\n30,101,102\n",
        "log-two-columns",
        1,
        '"T1 (C)", "T2 (C)"',
    ),
    "no temperature": (
        "time_s,pressure_barg\n0,100\n30,101\n",
        "log-no-column",
        1,
        "temperature",
    ),
    "no header": ("0,100,20,2\n30,101,20,2\n", "log-no-header", None, "headings"),
    "empty": ("", "log-empty", None, "empty"),
    "header only": (HEAD, "log-empty", None, "no row"),
    "two readings": (
        "time_s;temperature_C;flow_mL_min\n0;100;1,234\n30;101;1,235\n",
        "two-readings",
        2,
        "1.234 or as 1234",
    ),
    "two readings of points": (
        "time_s;temperature_C;flow_mL_min\n0;100;1.234\n30;101;1.235\n",
        "two-readings",
        2,
        "1.234 or as 1234",
    ),
    "two decimal marks": (
        "time_s;temperature_C;flow_mL_min\n0;100,5;1,5\n30;101.5;1,5\n",
        "bad-cell",
        3,
        "another decimal mark",
    ),
    "thousands": (
        HEAD + '0,100,20,2\n30,101.5,20,"1,234"\n',
        "bad-cell",
        3,
        "another decimal mark",
    ),
    "decimal commas between commas": (
        HEAD + "0,100,0,20,0,2,0\n",
        "cells-beyond",
        2,
        "7 cells, the header 4",
    ),
    "words": (HEAD + TWO + "30,OL,20,2\n", "bad-cell", 3, '"OL" is not a number'),
    "below detection": (HEAD + TWO + "30,101,20,<0.05\n", "bad-cell", 3, "<0.05"),
    "endless": (HEAD + TWO + "30,inf,20,2\n", "bad-cell", 3, "finite"),
    "truth": (HEAD + "0,100,20,True\n30,101,20,True\n", "bad-cell", 2, "True"),
    "backwards": (HEAD + "30,100,20,2\n0,101,20,2\n", "time-not-rising", 3, "back 0.5 min"),
    "same time, other values": (
        HEAD + TWO + "0,101,20,2\n30,102,20,2\n",
        "time-not-rising",
        3,
        "that of row 2",
    ),
    "past midnight by clock": (
        HEAD.replace("time_s", "time") + "23:59:50,100,20,2\n00:00:10,101,20,2\n",
        "time-not-rising",
        3,
        "midnight",
    ),
    "no time": (HEAD + TWO + ",101,20,2\n", "time-missing", 3, "no time"),
    "broken sensor": (HEAD + TWO + "30,850,20,2\n", "impossible", 3, "850 °C"),
    "below vacuum": (HEAD + TWO + "30,101,-1.5,2\n", "impossible", 3, "vacuum"),
    "open quote": (HEAD + TWO + '30,"101,20,2\n60,102,20,2\n', "broken-csv", 3, "quote"),
    "one row": (HEAD + TWO, "log-empty", None, "fewer than two"),
    "nothing measured": (HEAD + "0,,,\n30,,,\n", "log-empty", None, "no row has a temperature"),
    "binary": ("time\0", "log-binary", None, "not text"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_log_refused_with_its_row(tmp_path: Path, name: str) -> None:
    text, code, row, words = REFUSED[name]
    path = tmp_path / "log.csv"
    path.write_bytes(text.encode())
    with pytest.raises(ResultsError) as refused:
        read_log(path)
    first = refused.value.problems[0]
    assert first.code == code
    assert first.where.file == "log.csv"
    assert first.where.line == row
    assert words in str(refused.value)
    assert first.remedy


def test_no_file(tmp_path: Path) -> None:
    with pytest.raises(StateError, match=r"there is no .*run-7\.csv"):
        read_log(tmp_path / "run-7.csv")


def test_bar_means_what_the_rig_shows() -> None:
    text = HEAD.replace("barg", "bar") + BODY
    gauge = read_log_text(text, "a", pressure_reading="gauge", atmospheric_bara=0.95)
    absolute = read_log_text(text, "a", pressure_reading="absolute")
    assert gauge.pressure_bara == pytest.approx([20.95, 21.45, 21.95])
    assert absolute.pressure_bara == pytest.approx([20, 20.5, 21])


def test_a_heading_that_says_it_outweighs_the_rig() -> None:
    log = read_log_text(HEAD.replace("barg", "bara") + BODY, "a", pressure_reading="gauge")
    assert log.pressure_bara == pytest.approx([20, 20.5, 21])


def test_one_of_two_temperatures_by_name() -> None:
    text = "time_s,T1 (C),T2 (C)\n0,100,101\n30,101,102\n"
    log = read_log_text(text, "a", columns={"temperature": "T2 (C)"})
    assert log.temperature_C == pytest.approx([101, 102])
    assert any("T1 (C)" in notice.what for notice in log.notices)


def test_rows_left_out_are_named() -> None:
    text = HEAD + TWO + "10,,20,2\n20,,20,2\n30,101,20,2\n30,101,20,2\n40,102,20,2\n"
    log = read_log_text(text, "run.csv")
    words = " ".join(notice.what for notice in log.notices)
    assert "Rows 3 to 4 of run.csv lack temperature or pressure" in words
    assert "Row 6 of run.csv" in words
    assert log.rows.tolist() == [2, 5, 7]


def test_many_faults_are_counted() -> None:
    text = HEAD + "".join(f"{i},bad,20,2\n" for i in range(40))
    with pytest.raises(ResultsError, match="30 more rows"):
        read_log_text(text, "a")


# --- kernels


@pytest.mark.parametrize(("T", "minutes", "printed"), [
    (120, 30, 2.07),
    (150, 30, 2.95),
    (180, 15, 3.53),
    (200, 15, 4.12),
    (220, 30, 5.01),
])  # fmt: skip
def test_severity_at_one_temperature(T: float, minutes: float, printed: float) -> None:
    """Hand-worked: (T − 100)/(14.75 ln 10) + log10 t, to the two decimals usual in the trade."""
    value, bound = severity_minutes(np.array([0.0, minutes]), np.array([T, T], dtype=float))
    assert round(math.log10(value), 2) == printed
    assert bound == 0


@pytest.mark.parametrize("rate", [0.5, 2.0, 5.0, 10.0])
@pytest.mark.parametrize("start", [20.0, 100.0, 130.0])
def test_severity_of_a_linear_ramp_against_its_closed_form(rate: float, start: float) -> None:
    """(14.75/r)(1 − exp(−(T − T₀)/14.75)) minutes at T, T₀ = 100 °C where it starts below."""
    T, base = 180.0, max(start, 100.0)
    exact = (14.75 / rate) * (1 - math.exp(-(T - base) / 14.75)) * math.exp((T - 100) / 14.75)
    errors = []
    for rows in (41, 321, 2561):
        t = np.linspace(0, (T - start) / rate, rows)
        value, bound = severity_minutes(t, start + rate * t)
        assert abs(value - exact) <= bound
        errors.append(value / exact - 1)
    assert errors[0] > errors[1] > errors[2] > -1e-12  # the trapezoid errs to the high side
    assert errors[2] < 1e-3
    if start >= 100:  # second order: eight times as many rows, 64 times less error
        assert errors[0] / errors[1] == pytest.approx(64, rel=0.05)


def test_severity_of_a_triangle_worked_by_hand() -> None:
    """2 K/min from 100 to 129.5 °C and back: two ramps of 14.75/2·(e² − 1) = 47.12 min each."""
    t = np.linspace(0, 29.5, 5901)
    value, _ = severity_minutes(t, 129.5 - 2 * np.abs(t - 14.75))
    assert value == pytest.approx(2 * 47.1193, rel=1e-5)


def test_severity_bound_holds_for_a_curve_between_rows() -> None:
    """A ramp of any shape that only rises between rows stays within the bound."""
    fine = np.linspace(0, 20, 20001)
    T = 100 + 80 * (fine / 20) ** 3
    truth, _ = severity_minutes(fine, T)
    coarse = slice(None, None, 1000)
    value, bound = severity_minutes(fine[coarse], T[coarse])
    assert abs(value - truth) <= bound


def test_severity_counts_only_above_100() -> None:
    assert severity_minutes(np.array([0.0, 60.0]), np.array([20.0, 99.0])) == (0.0, 0.0)


def test_mean_is_weighted_by_time() -> None:
    """Rows crowd at 100 °C, but it was at 200 °C for most of the time: 2000 − 50 over 10 min."""
    t = np.array([0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 1.5, 10.0])
    T = np.array([100.0] * 6 + [200.0, 200.0])
    assert time_mean(t, T, 0.0, 10.0) == pytest.approx((0.5 * 100 + 1 * 150 + 8.5 * 200) / 10)
    assert time_mean(t, T, 1.0, 1.5) == pytest.approx(175.0)  # 150 at 1 min, read off the line


@given(
    st.lists(st.tuples(st.floats(0.01, 5), st.floats(20, 250)), min_size=3, max_size=20),
    st.floats(0.05, 0.95),
)
def test_mean_of_the_parts_makes_the_mean_of_the_whole(
    steps: list[tuple[float, float]], share: float
) -> None:
    t = np.cumsum([step for step, _ in steps])
    T = np.array([value for _, value in steps])
    a, b = float(t[0]), float(t[-1])
    middle = a + share * (b - a)
    parts = time_mean(t, T, a, middle) * (middle - a) + time_mean(t, T, middle, b) * (b - middle)
    assert parts == pytest.approx(time_mean(t, T, a, b) * (b - a), rel=1e-9)


def test_minutes_below_a_limit_by_hand() -> None:
    """From 10 down to 0 in 10 min and up again: below 4 from 6 to 14 min."""
    t, v = np.array([0.0, 10.0, 20.0]), np.array([10.0, 0.0, 10.0])
    assert minutes_below(t, v, 4.0) == pytest.approx(8.0)
    assert minutes_below(t, v, 0.0) == 0.0
    assert minutes_below(t, v, 20.0) == 20.0
    assert minutes_below(t, v, 4.0, np.array([True, False, False])) == pytest.approx(4.0)


def test_window_of_a_trapezoid_by_hand() -> None:
    """4 K/min from 20 to 180 °C in 40 min, 30 min held, down at 8 K/min: 178 °C is crossed 0.5
    min before the hold and 0.25 min after it."""
    t, T = np.array([0.0, 40.0, 70.0, 85.0]), np.array([20.0, 180.0, 180.0, 60.0])
    assert extraction_window(t, T, 180.0, 2.0) == pytest.approx((39.5, 70.25))
    assert extraction_window(t, T, 200.0, 2.0) is None


# --- whole runs

MINUTES = np.arange(0, 90.0, 0.1)


def log_of(**changes: object) -> RunLog:
    """Return an invented run: 4 K/min to 180 °C, 30 min, 8 K/min down; 30 barg, 4 mL/min."""
    T = np.interp(MINUTES, [0, 40, 70, 87.5], [20, 180, 180, 40])
    rows = np.arange(2, 2 + len(MINUTES))
    log = RunLog(
        "run-3.csv", rows, MINUTES.copy(), T, np.full(len(T), 31.01325), np.full(len(T), 4.0)
    )
    return replace(log, **changes)  # type: ignore[arg-type]


def seen(log: RunLog, **changes: float) -> RunSummary:
    options = {"set_temperature_C": 180.0, "liquid_margin_bar": 5.0, **changes}
    return summarise(log, **options)  # type: ignore[arg-type]


def test_a_calm_run_by_hand() -> None:
    run = seen(log_of())
    assert run.start_min == pytest.approx(39.5)
    assert run.end_min == pytest.approx(70.25)
    assert run.time_min == pytest.approx(30.75)
    # two short ramps of 1 K mean below set: 0.5 and 0.25 of 30.75 min
    assert run.temperature_C == pytest.approx(180 - 0.75 / 30.75)
    assert run.pressure_bara == pytest.approx(31.01325)
    assert run.water_mL == pytest.approx(4 * 89.9)
    assert run.water_extraction_mL == pytest.approx(4 * 30.75)
    assert run.overshoot_K == 0
    assert run.pressure_swing_bar == pytest.approx(0)
    assert run.minutes_off_usual == pytest.approx(0, abs=1e-6)
    assert not run.boiled
    assert (run.minutes_below_margin, run.minutes_may_boil) == (0.0, 0.0)
    assert run.notices == ()


def test_severity_of_a_run_with_both_ramps_by_hand() -> None:
    """30 min held and ramps from and to 100 °C at 4 and 8 K/min: 30 + (14.75/4 + 14.75/8)(1 −
    e^(−80/14.75)) = 35.507 min at 180 °C."""
    run = seen(log_of())
    assert run.severity_log10 == pytest.approx(
        math.log10(35.507) + 80 / (14.75 * math.log(10)), abs=2e-4
    )
    assert 0 < run.severity_error_log10 < 5e-3


@pytest.mark.parametrize("row", [
    row for row in csv.DictReader((WATER / "min_pressure.csv").read_text().splitlines())
    if 120 <= float(row["T_set_degC"]) <= 340
], ids=lambda row: row["T_set_degC"])  # fmt: skip
def test_margins_against_tables_of_saturation(row: dict[str, str]) -> None:
    """IF97 columns of tests/reference/water/min_pressure.csv, held at Psat(T + 3 K) + 10 bar.

    Tolerances: half a unit of the last digit of each pressure, and what that is worth in K.
    """
    T, held = float(row["T_set_degC"]), float(row["Pmin_bar_margin10bar_at_T+3K"])
    t = np.array([0.0, 10.0, 20.0])
    log = RunLog("a", np.arange(3), t, np.full(3, T), np.full(3, held), None)
    run = seen(log, set_temperature_C=T, gap_allowed_min=20.0)
    assert run.margin_bar == pytest.approx(held - float(row["psat_set_bar_IF97"]), abs=1e-4)
    subcooled = row["subcooling_at_set_K_when_P=psat(T+3)+10bar"]
    assert run.margin_K == pytest.approx(float(subcooled), abs=5e-5)
    hotter = seen(log, set_temperature_C=T, gap_allowed_min=20.0, hotter_K=3.0)
    assert hotter.margin_bar == pytest.approx(10.0, abs=1e-4)
    lower = seen(log, set_temperature_C=T, gap_allowed_min=20.0, lower_bar=1.0)
    assert lower.margin_bar == pytest.approx(run.margin_bar - 1.0)


def sagging(lowest_bara: float) -> RunLog:
    """Return the run with its pressure down to a value and up again between 50 and 60 min."""
    return log_of(
        pressure_bara=np.interp(MINUTES, [0, 50, 55, 60, 90], [30, 30, lowest_bara, 30, 30])
    )


def test_a_run_that_boiled_is_flagged() -> None:
    """Psat(180 °C) = 10.02635 bara (min_pressure.csv): 30 → 5 bara at 5 bar/min is below it from
    53.9947 to 56.0053 min, below 15.02635 from 52.9947 to 57.0053 min."""
    run = seen(sagging(5.0))
    assert run.boiled
    assert run.minutes_boiled == pytest.approx(2.01054, abs=0.001)
    assert run.minutes_below_margin == pytest.approx(4.01054, abs=0.001)
    assert run.margin_bar == pytest.approx(5.0 - 10.02635, abs=1e-4)
    assert run.margin_row == 2 + 550
    assert run.pressure_low_bara == pytest.approx(5.0)


def test_sensor_errors_make_it_doubtful() -> None:
    run = seen(sagging(11.0), hotter_K=5.0)
    assert not run.boiled
    assert run.minutes_may_boil is not None
    assert run.minutes_may_boil > 0


def test_subcooling_counts_as_margin_too() -> None:
    """At 31 bara water boils at 235.7 °C (IF97), 55.7 K above 180 °C."""
    assert seen(log_of(), liquid_subcooling_K=50.0).minutes_below_margin == 0
    below = seen(log_of(), liquid_subcooling_K=60.0).minutes_below_margin
    assert below is not None
    assert below > 30


def test_cold_water_at_the_atmosphere_is_not_close_to_boiling() -> None:
    """Pressure is only there while hot: the cold ends, at 1 bara, do not count."""
    T = log_of().temperature_C
    run = seen(log_of(pressure_bara=np.where(T > 90, 31.0, 1.01325)))
    assert run.minutes_below_margin == 0


def test_let_down_too_early_counts() -> None:
    P = np.where(MINUTES < 75, 31.0, 1.01325)  # at 75 min it is still at 140 °C
    run = seen(log_of(pressure_bara=P))
    assert run.boiled
    # 140 → 99.97 °C at 8 K/min
    assert run.minutes_boiled == pytest.approx(5.0, abs=0.2)


def test_without_pressure_liquid_is_not_known() -> None:
    run = seen(log_of(pressure_bara=None))
    assert run.minutes_boiled is None
    assert run.margin_bar is None
    assert not run.boiled
    assert any(notice.code == "liquid-not-known" for notice in run.notices)


def test_overshoot_and_dip() -> None:
    T = log_of().temperature_C + 6.0 * ((MINUTES >= 41) & (MINUTES < 43))
    run = seen(log_of(temperature_C=T))
    assert run.overshoot_K == pytest.approx(6.0)
    assert run.minutes_off_usual == pytest.approx(2.0, abs=0.2)


def test_given_start_and_end() -> None:
    run = seen(log_of(), start_min=45.0, end_min=65.0)
    assert run.time_min == 20.0
    assert run.temperature_C == pytest.approx(180.0)
    assert run.window_rule == "start as given; end as given"
    with pytest.raises(ResultsError, match="does not lie in the log"):
        seen(log_of(), start_min=45.0, end_min=165.0)


def test_never_reached() -> None:
    with pytest.raises(ResultsError, match=r"run-3\.csv, line 402: the highest temperature is 180"):
        seen(log_of(), set_temperature_C=200.0)


def test_a_gap_while_hot_is_refused_and_one_while_cold_is_told() -> None:
    def without(start: float, end: float) -> RunLog:
        keep = ~((start <= MINUTES) & (end >= MINUTES))
        log = log_of()
        assert log.pressure_bara is not None
        assert log.flow_mL_min is not None
        return replace(
            log,
            rows=log.rows[keep],
            minutes=log.minutes[keep],
            temperature_C=log.temperature_C[keep],
            pressure_bara=log.pressure_bara[keep],
            flow_mL_min=log.flow_mL_min[keep],
        )

    with pytest.raises(ResultsError, match="while hot; allowed are 1 min"):
        seen(without(50, 55))
    assert seen(without(50, 55), gap_allowed_min=6.0).time_min == pytest.approx(30.75)
    cold = seen(without(5, 10))
    assert [notice.code for notice in cold.notices] == ["log-gap", "flow-not-known"]
    assert cold.flow_mL_min == pytest.approx(4.0)
    assert cold.water_mL is None


def test_a_coarse_log_says_so() -> None:
    T = np.array([20.0, 180.0, 180.0, 60.0])
    log = RunLog("a", np.arange(4), np.array([0.0, 40.0, 70.0, 100.0]), T, None, None)
    assert "a row every 30 min only" in " ".join(notice.what for notice in seen(log).notices)


def test_a_log_that_begins_hot_lacks_a_ramp() -> None:
    log = log_of()
    late = slice(300, None)
    run = seen(
        replace(
            log,
            rows=log.rows[late],
            minutes=log.minutes[late],
            temperature_C=log.temperature_C[late],
            pressure_bara=None,
            flow_mL_min=None,
        )
    )
    assert "log-begins-hot" in [notice.code for notice in run.notices]


def test_flow_missing_too_long_gives_no_water() -> None:
    q = np.where((MINUTES > 50) & (MINUTES < 60), np.nan, 4.0)
    run = seen(log_of(flow_mL_min=q))
    assert run.flow_mL_min is None
    assert run.water_mL is None
    assert any("Weigh the water" in notice.what for notice in run.notices)


def test_achieved_by_factor_in_the_rigs_reading() -> None:
    run = seen(log_of())
    assert run.achieved("gauge")["pressure"] == pytest.approx(30.0)
    assert run.achieved("absolute")["pressure"] == pytest.approx(31.01325)
    assert set(run.achieved("gauge")) == {"temperature", "time", "pressure", "flow"}


@given(st.floats(-50, 50), st.integers(1, 7))
def test_a_shifted_clock_and_denser_rows_change_nothing(shift: float, denser: int) -> None:
    base = seen(log_of())
    t = np.linspace(0, MINUTES[-1], (len(MINUTES) - 1) * denser + 1)
    T = np.interp(t, [0, 40, 70, 87.5], [20, 180, 180, 40])
    log = RunLog("a", np.arange(len(t)), t + shift, T, np.full(len(t), 31.01325), None)
    run = seen(log)
    assert run.temperature_C == pytest.approx(base.temperature_C, abs=1e-3)
    assert run.time_min == pytest.approx(base.time_min, abs=1e-6)
    assert run.severity_log10 == pytest.approx(base.severity_log10, abs=1e-4)
    assert run.margin_bar == pytest.approx(base.margin_bar)


# --- deviations

PLAN = {"temperature": 180.0, "time": 30.0, "flow": 4.0, "pressure": 30.0}


@pytest.mark.parametrize(
    ("changes", "kind", "rule", "doubtful"),
    [
        ({}, "keep", "within-tolerance", False),
        ({"temperature": 182.0}, "keep", "temperature-minor", False),
        ({"temperature": 182.1}, "keep", "temperature-off", True),
        ({"temperature": 170.0}, "keep", "temperature-off", True),
        ({"temperature": 169.9}, "repeat", "temperature-far-off", False),
        ({"flow": 3.6}, "keep", "flow-minor", False),
        ({"flow": 3.0}, "keep", "flow-off", True),
        ({"flow": 1.9}, "repeat", "flow-far-off", False),
        ({"time": 10.0}, "repeat", "time-far-off", False),
        ({"pressure": 5.0}, "keep", "pressure-off", True),
        ({"temperature": 181.0, "flow": 1.0}, "repeat", "flow-far-off", False),
        ({"temperature": 184.0, "flow": 3.9}, "keep", "temperature-off", True),
    ],
)
def test_deviations_of_settings(
    changes: dict[str, float], kind: str, rule: str, doubtful: bool
) -> None:
    found = classify(PLAN, PLAN | changes)
    assert (found.kind, found.rule, found.doubtful) == (kind, rule, doubtful)


def test_all_that_deviated_is_listed_gravest_first() -> None:
    found = classify(PLAN, PLAN | {"temperature": 184.0, "flow": 1.0, "pressure": 31.0})
    assert found.rule == "flow-far-off"
    assert [one.split(" was ")[0] for one in found.besides] == [
        "The mean temperature",
        "The mean pressure",
    ]
    assert not any("Keep" in one for one in found.besides)  # one verdict only


def test_what_rounds_to_the_planned_value_is_no_deviation() -> None:
    found = classify(PLAN, PLAN | {"pressure": 30.0 + 7e-15, "temperature": 180.02})
    assert (found.rule, found.besides) == ("within-tolerance", ())


def test_two_kelvin_are_worth_15_percent() -> None:
    """exp(2/14.75) = 1.145, as the trade has it."""
    assert "a factor 1.15 in severity" in classify(PLAN, PLAN | {"temperature": 182.0}).sentence


def judged(log: RunLog, **changes: float) -> Deviation:
    run = seen(log, **changes)
    return classify(PLAN, run.achieved("gauge"), run)


def test_what_the_log_shows_outweighs_the_means() -> None:
    assert judged(log_of()).kind == "keep"
    boiled = judged(sagging(5.0))
    assert (boiled.kind, boiled.rule) == ("repeat", "boiled")
    assert "row 552" in boiled.sentence
    may = judged(sagging(11.0), hotter_K=5.0)
    assert (may.kind, may.rule) == ("exclude response", "may-have-boiled")
    near = judged(sagging(13.0))
    assert (near.kind, near.rule, near.doubtful) == ("keep", "below-margin", True)


def test_no_mean_describes_an_unsteady_run() -> None:
    T = log_of().temperature_C.copy()
    held = (MINUTES > 41) & (MINUTES < 69)
    T[held] += np.where(np.arange(held.sum()) // 20 % 2, 6.0, -6.0)
    found = judged(log_of(temperature_C=T))
    assert (found.kind, found.rule) == ("exclude response", "temperature-unsteady")


def test_a_short_overshoot_is_named_and_leaves_a_steady_run_steady() -> None:
    T = log_of().temperature_C.copy()
    T[(MINUTES > 41) & (MINUTES < 45)] += 19.0  # 4 of 30.75 min: the mean rises by 2.5 K
    run = seen(log_of(temperature_C=T))
    assert run.temperature_C - 180 > 2.2
    assert run.usual_C == pytest.approx(180)
    assert run.minutes_off_usual == pytest.approx(4, abs=0.2)
    found = judged(log_of(temperature_C=T))
    assert (found.kind, found.rule) == ("keep", "temperature-off")
    assert "overshot by 19 K" in found.sentence


def test_a_steady_offset_is_kept_with_its_achieved_mean() -> None:
    found = judged(log_of(temperature_C=log_of().temperature_C + 3.5))
    assert (found.kind, found.rule, found.doubtful) == ("keep", "temperature-off", True)


def test_nothing_recorded_is_doubtful() -> None:
    found = classify(PLAN, {})
    assert (found.kind, found.rule, found.doubtful) == ("keep", "not-recorded", True)
    assert "temperature, time, flow" in found.sentence


def test_no_response_can_sway_the_classing() -> None:
    assert set(inspect.signature(classify).parameters) == {"planned", "achieved", "log", "rules"}


@pytest.mark.bench
def test_a_million_rows() -> None:
    t = np.arange(1_000_000) * 0.01
    T = np.interp(t, [0, 2000, 7000, 10000], [20, 180, 180, 40])
    rows = "\n".join(f"{a:.2f},{b:.2f},30.5,4" for a, b in zip(t.tolist(), T.tolist(), strict=True))
    began = time.perf_counter()
    log = read_log_text(HEAD + rows + "\n", "big.csv")
    read = time.perf_counter()
    run = seen(log)
    print(f"\n1e6 rows: read {read - began:.2f} s, summed up {time.perf_counter() - read:.2f} s")
    assert run.time_min == pytest.approx(5000 / 60, abs=2.5)
