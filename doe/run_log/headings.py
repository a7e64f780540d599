"""What a logger's headings mean: which channel, in which unit."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from doe.errors import Notice, Problem, ResultsError, Where

Channel = Literal["time", "date", "temperature", "pressure", "flow"]
HEADER_WITHIN = 60
"""Rows from the top among which the header is looked for."""
_NAMES: dict[Channel, frozenset[str]] = {
    "date": frozenset({"date", "datum"}),
    "time": frozenset(
        [
            "time",
            "zeit",
            "elapsed",
            "laufzeit",
            "runtime",
            "versuchszeit",
            "zeitstempel",
            "timestamp",
            "datetime",
            "uhrzeit",
            "messzeit",
        ]
    ),
    "temperature": frozenset({"temperature", "temp", "temperatur", "temperaturen"}),
    "pressure": frozenset({"pressure", "press", "druck", "systemdruck"}),
    "flow": frozenset(
        [
            "flow",
            "flowrate",
            "fluss",
            "flussrate",
            "durchfluss",
            "volumenstrom",
            "foerderstrom",
            "foerderrate",
            "pumprate",
            "pumpenfluss",
        ]
    ),
}
_LETTERS: dict[Channel, re.Pattern[str]] = {
    "time": re.compile(r"t"),
    "temperature": re.compile(r"t\d*"),
    "pressure": re.compile(r"p\d*"),
    "flow": re.compile(r"[qvf]\d*"),
}
_OTHER_WORDS = frozenset(
    [
        "set",
        "setpoint",
        "sp",
        "soll",
        "sollwert",
        "sollwerte",
        "target",
        "ziel",
        "vorgabe",
        "w",
        "drop",
        "diff",
        "difference",
        "differenz",
        "delta",
        "max",
        "limit",
        "alarm",
        "ambient",
        "room",
        "raum",
        "umgebung",
        "coolant",
        "kuehlwasser",
    ]
)
"""A heading with one of these is another thing than the channel it also names."""
_UNITS: dict[Channel, dict[str, str]] = {
    "date": {},
    "time": {
        **dict.fromkeys(("s", "sec", "secs", "second", "seconds", "sek", "sekunden"), "s"),
        **dict.fromkeys(("min", "mins", "minute", "minutes", "minuten"), "min"),
        **dict.fromkeys(("h", "hr", "hrs", "hour", "hours", "std", "stunden"), "h"),
        **dict.fromkeys(("ms", "msec", "millisekunden", "milliseconds"), "ms"),
        **dict.fromkeys(("hh:mm:ss", "h:mm:ss", "h:m:s", "hms"), "h:m:s"),
        **dict.fromkeys(("hh:mm", "h:mm", "h:m"), "h:m"),
        **dict.fromkeys(("mm:ss", "m:ss", "m:s"), "m:s"),
    },
    "temperature": {
        **dict.fromkeys(("c", "°c", "degc", "gradc", "celsius", "gradcelsius"), "degC"),
        **dict.fromkeys(("f", "°f", "degf", "gradf", "fahrenheit"), "degF"),
        **dict.fromkeys(("k", "kelvin"), "kelvin"),
    },
    "pressure": {
        unit + ending: f"{written}{reference}"
        for unit, written in (
            ("bar", "bar"),
            ("mbar", "mbar"),
            ("psi", "psi"),
            ("kpa", "kPa"),
            ("mpa", "MPa"),
        )
        for endings, reference in (
            (("",), ""),
            (("g", "ue", "gauge", "ueberdruck", "rel", "relativ"), " gauge"),
            (("a", "abs", "absolute", "absolut"), " absolute"),
        )
        for ending in endings
    },
    "flow": {
        **dict.fromkeys(("ml/min", "mlmin", "mlmin1", "mlpermin", "mlpromin"), "mL/min"),
        **dict.fromkeys(("cm3/min", "ccm/min", "cc/min"), "mL/min"),
        **dict.fromkeys(("l/min", "lmin", "lmin1"), "L/min"),
        **dict.fromkeys(("l/h", "lh", "lh1"), "L/h"),
        **dict.fromkeys(("ml/h", "mlh", "mlh1"), "mL/h"),
        **dict.fromkeys(("ml/s", "mls1"), "mL/s"),
    },
}
_EXAMPLES: dict[Channel, str] = {
    "time": "time_s or time_min",
    "temperature": "temperature_C",
    "pressure": "pressure_barg or pressure_bara",
    "flow": "flow_mL_min",
}


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading that was recognised: its place, its words, what it is and in which unit."""

    position: int
    text: str
    channel: Channel
    unit: str = ""


def split(line: str, delimiter: str) -> list[str]:
    return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter), [])]


def best_header(lines: Sequence[str], delimiter: str) -> tuple[int, int]:
    """Return the row (from 0) with the most recognised channels, and how many they are."""
    best = (0, 0)
    for i, line in enumerate(lines[:HEADER_WITHIN]):
        found = {h.channel for h in _recognised(split(line, delimiter))}
        if "time" in found and len(found) > max(best[1], 1):
            best = (i, len(found))
    return best


def _plain(text: str) -> str:
    """Return text in lower case with German letters and degree signs spelt alike."""
    for sign, letters in (
        ("ä", "ae"),
        ("ö", "oe"),
        ("ü", "ue"),
        ("ß", "ss"),
        ("º", "°"),
        ("˚", "°"),
    ):
        text = text.replace(sign, letters).replace(sign.upper(), letters)
    return text.replace("³", "3").casefold().strip()


def _unit_of(text: str, channel: Channel) -> str:
    """Return a unit as `doe.quantities` writes it, "" where it is none of this channel."""
    if "mPa" in text:  # millipascal: not the megapascal that lower-case letters would make of it
        return ""
    slug = re.sub(r"[\s()\[\]_·*^.−-]", "", _plain(text))
    return _UNITS[channel].get(slug, "")


def _heading_splits(text: str) -> Iterator[tuple[str, str]]:
    """Yield the ways to split a heading into words and unit, the surest first."""
    for opening, closing in ("[]", "()", "<>", "{}"):
        if text.endswith(closing) and opening in text:
            at = text.index(opening)
            yield text[:at], text[at + 1 : -1]
    for mark in ("/", ",", ";", "|"):
        at = text.find(mark)
        if at > 0:
            yield text[:at], text[at + 1 :]
    for match in re.finditer(r"\bin\b|[\s_]+", text):
        if match.start() > 0:
            yield text[: match.start()], text[match.end() :]
    yield text, ""


def _recognised(cells: Sequence[str]) -> list[Heading]:
    found = (_heading(i, cell) for i, cell in enumerate(cells))
    return [heading for heading in found if heading is not None]


def _heading(position: int, text: str) -> Heading | None:
    """Return what a heading stands for, None where it is nothing the log is read for."""
    for name, unit_text in _heading_splits(text):
        words = re.findall(r"[a-z0-9]+", _plain(name))
        if not words or _OTHER_WORDS & set(words):
            continue
        for channel, names in _NAMES.items():
            named = bool(names & set(words))
            lettered = channel in _LETTERS and bool(_LETTERS[channel].fullmatch(words[0]))
            unit = _unit_of(unit_text, channel) if unit_text else ""
            if unit and (named or lettered):
                return Heading(position, text, channel, unit)
            if named and not unit_text:
                # "Date Time" is one stamp, "Date" alone is the day
                both = channel == "date" and _NAMES["time"] & set(words)
                return Heading(position, text, "time" if both else channel)
    return None


def units_row(lines: Sequence[str], at: int, delimiter: str, width: int) -> list[str]:
    """Return the cells of a row of units under the header, [] where there is none."""
    if at + 1 >= len(lines):
        return []
    cells = split(lines[at + 1], delimiter)
    units = [cell.strip("[]()") for cell in cells]
    known = [any(_unit_of(unit, channel) for channel in _UNITS) for unit in units if unit]
    return units[:width] if known and sum(known) >= 2 else []


def chosen_headings(
    cells: Sequence[str], units: Sequence[str], chosen: Mapping[Channel, str], file: str, row: int
) -> dict[Channel, Heading]:
    """Return the one heading of each channel, refusing two of a kind and missing units."""
    found: dict[Channel, list[Heading]] = {}
    for heading in _recognised(_with_units(cells, units)):
        found.setdefault(heading.channel, []).append(heading)
    for channel, text in chosen.items():
        found[channel] = _named(channel, text, cells, units, file, row)
    problems = []
    for channel, headings in found.items():
        if len(headings) > 1:
            what = f"{len(headings)} columns look like {channel}: " + ", ".join(
                f'"{cells[h.position]}"' for h in headings
            )
            remedy = f"Say which one the run is judged by, or delete the others' {channel}."
            problems.append(Problem("log-two-columns", f"{what}.", Where(file, row), remedy))
        elif not headings[0].unit and channel not in ("time", "date"):
            what = f'the heading "{cells[headings[0].position]}" has no unit that is known.'
            remedy = f"Name the column {_EXAMPLES[channel]}."
            problems.append(Problem("log-no-unit", what, Where(file, row), remedy))
    required: tuple[Channel, ...] = ("time", "temperature")
    for needed in required:
        if needed not in found:
            what = f"there is no column for {needed}."
            remedy = f"Name it {_EXAMPLES[needed]}."
            problems.append(Problem("log-no-column", what, Where(file, row), remedy))
    if problems:
        raise ResultsError(*problems)
    return {channel: headings[0] for channel, headings in found.items()}


def _with_units(cells: Sequence[str], units: Sequence[str]) -> list[str]:
    """Return headings with the unit from the row below where they have none of their own."""
    padded = [*units, *[""] * (len(cells) - len(units))]
    return [f"{cell} [{unit}]" if unit else cell for cell, unit in zip(cells, padded, strict=True)]


def _named(
    channel: Channel, text: str, cells: Sequence[str], units: Sequence[str], file: str, row: int
) -> list[Heading]:
    """Return the heading that the person named for a channel, with its unit."""
    places = [i for i, cell in enumerate(cells) if cell == text.strip()]
    if len(places) != 1:
        raise ResultsError.of(
            "log-no-column",
            f'the heading "{text}" asked for stands {len(places)} times in the log.',
            f"Ask for one of: {', '.join(filter(None, cells))}.",
            file=file,
            line=row,
        )
    whole = _with_units(cells, units)[places[0]]
    unit = next((u for _, t in _heading_splits(whole) if (u := _unit_of(t, channel))), "")
    return [Heading(places[0], text, channel, unit)]


def not_read(cells: Sequence[str], headings: Mapping[Channel, Heading]) -> Iterator[Notice]:
    taken = {heading.position for heading in headings.values()}
    others = [cell for i, cell in enumerate(cells) if cell and i not in taken]
    if others:
        yield Notice("log-columns-not-read", f"Not read from the log: {', '.join(others)}.")
