"""The campaign file, read once into a `Campaign`.

Every section is checked on its own and then against the others, and all that is wrong is
reported in one go, each with line and key. Sections: top level, `[budget]`, `[rig]`, `[fixed]`,
`[feed]`, `[order]`, `[samples]`, `[deviations]`, `[factors.*]`, `[forbidden.*]`,
`[responses.*]`.
"""

from __future__ import annotations

import difflib
import hashlib
import re
import tomllib
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, TypeVar, cast

import numpy as np
from pydantic import BaseModel, Field, StrictBool, ValidationError

from doe import rig as rig_room
from doe import water
from doe.campaign import (
    BatchKind,
    Budget,
    Campaign,
    Deviations,
    Feed,
    Fixed,
    Mode,
    Order,
    Section,
)
from doe.errors import CampaignFileError, Problem, StateError, Where
from doe.factors import CategoricalFactor, Factor, FactorSpace, NumericFactor, level_key
from doe.forbidden import Condition, Forbidden
from doe.quantities import (
    FLOW,
    MASS,
    MINUTES,
    PRESSURE_DIFFERENCE,
    TEMPERATURE,
    TEMPERATURE_DIFFERENCE,
    WATER_TO_SOLID,
    Count,
    Pressure,
    QuantityError,
    read_as_written,
    read_number,
    read_pressure,
    read_quantity,
)
from doe.responses import WEIGHINGS, Aim, Response, Source, SourceKind
from doe.rig import CoSolvent, Rig
from doe.samples import Samples, faults
from doe.terms import Purpose
from doe.wording import listed

__all__ = ["read_campaign"]

S = TypeVar("S", bound=BaseModel)


class _Top(Section):
    title: str
    mode: Mode
    batch_kind: BatchKind | None = None
    purpose: Purpose
    seed: Count
    source: str = ""


class _FactorSection(Section):
    low: Any = None
    high: Any = None
    step: Any = None
    levels: tuple[str, ...] | None = None
    change: Literal["easy", "hard", "very hard"] | None = None
    changes_boiling: StrictBool | None = None


class _ResponseSection(Section):
    unit: str
    aim: Aim
    title: str = ""
    scatter: Any = None
    limit: Any = None
    target: Any = None
    tolerance: Any = None
    useless: Any = None
    ideal: Any = None
    scale: Literal["none", "log"] = "none"
    source: str | None = Field(default=None, alias="from")


@dataclass(frozen=True, slots=True)
class _Known:
    """A factor the rig's physics knows: how its values are read, shown unit, column suffix."""

    read: Callable[[object], float | Pressure]
    unit: str
    suffix: str
    change: Literal["easy", "hard"]
    example: str


_KNOWN_FACTORS: dict[str, _Known] = {
    "temperature": _Known(lambda t: read_quantity(t, TEMPERATURE), "°C", "C", "hard", "120 degC"),
    "pressure": _Known(read_pressure, "bar", "bar", "easy", "50 bar"),
    "pressure_above_saturation": _Known(
        lambda t: read_quantity(t, PRESSURE_DIFFERENCE), "bar", "bar", "easy", "20 bar"
    ),
    "flow": _Known(lambda t: read_quantity(t, FLOW), "mL/min", "mL_min", "easy", "4 mL/min"),
    "time": _Known(lambda t: read_quantity(t, MINUTES), "min", "min", "easy", "30 min"),
    "bed_mass": _Known(lambda t: read_quantity(t, MASS), "g", "g", "easy", "12 g"),
    "water_to_solid": _Known(
        lambda t: read_quantity(t, WATER_TO_SOLID), "mL/g", "mL_g", "easy", "30 mL/g"
    ),
}
_TOP_TABLES = (
    *("budget", "rig", "fixed", "feed", "order", "samples", "deviations"),
    *("factors", "forbidden", "responses"),
)
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
LOT_NAME_MOST = 30
_LEDGER_WORDS = {
    "run",
    "stage",
    "block",
    "plot",
    "lot",
    "day",
    "kind",
    "status",
    "notes",
    "left_out_because",
    "initials",
    "sheet_of",
}


class _Problems:
    """Collects what is wrong, each with the line its key stands on."""

    def __init__(self, path: Path, text: str) -> None:
        self.file = str(path)
        self.lines = _key_lines(text)
        self.found: list[Problem] = []

    def add(self, code: str, what: str, remedy: str, *key: str | int) -> None:
        dotted = ".".join(str(part) for part in key)
        self.found.append(Problem(code, what, Where(self.file, self._line(key), dotted), remedy))

    def _line(self, key: tuple[str | int, ...]) -> int | None:
        names = tuple(part for part in key if isinstance(part, str))
        while names:
            if names in self.lines:
                return self.lines[names]
            names = names[:-1]
        return None


def read_campaign(path: Path) -> Campaign:
    """Return the campaign that a `campaign.toml` describes.

    Raises
    ------
    CampaignFileError
        Everything that is wrong with the file, each with line, key and remedy.
    StateError
        There is no such file.
    """
    try:
        raw = path.read_bytes()
    except OSError:
        raise StateError.of(
            "no-campaign-file",
            f"there is no campaign file at {path}.",
            "Make one with: doe new NAME",
            file=str(path),
        ) from None
    text, table = _parse(path, raw)
    problems = _Problems(path, text)
    campaign = _assemble(path, table, problems, hashlib.sha256(raw).hexdigest())
    if problems.found or campaign is None:
        problems.found.sort(key=lambda problem: problem.where.line or 0)
        raise CampaignFileError(*problems.found)
    return campaign


def _parse(path: Path, raw: bytes) -> tuple[str, dict[str, Any]]:
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise CampaignFileError.of(
            "not-utf-8",
            f"byte {error.start} is not UTF-8.",
            "Save the file as UTF-8 text.",
            file=str(path),
        ) from None
    try:
        return text, tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        match = re.search(r"line (\d+)", message)
        raise CampaignFileError.of(
            "not-toml",
            f"this is not TOML: {message[0].lower()}{message[1:]}.",
            'Text and quantities stand in double quotes, as in low = "120 degC"; numbers have a '
            "decimal point; each key stands once in its table.",
            file=str(path),
            line=int(match[1]) if match else None,
        ) from None


def _assemble(
    path: Path, table: dict[str, Any], problems: _Problems, file_hash: str
) -> Campaign | None:
    """Return the campaign, or None; every section is read even when another is wrong."""
    plain = {key: value for key, value in table.items() if key not in _TOP_TABLES}
    top = _section(_Top, plain, (), problems, also_known=_TOP_TABLES)
    budget = _section(Budget, _table(table, "budget", problems), ("budget",), problems)
    rig = _section(Rig, _table(table, "rig", problems), ("rig",), problems)
    fixed = _fixed(_table(table, "fixed", problems, required=False), problems)
    factors = _factors(_table(table, "factors", problems), rig, problems)
    responses = _responses(_table(table, "responses", problems), problems)
    feed = _section(Feed, _table(table, "feed", problems, required=False), ("feed",), problems)
    _check_references(feed, responses, problems)
    order = _section(Order, _table(table, "order", problems, required=False), ("order",), problems)
    straying = _table(table, "deviations", problems, required=False)
    deviations = _section(Deviations, straying, ("deviations",), problems)
    _check_deviations(deviations, problems)
    drawing = _table(table, "samples", problems, required=False)
    samples = _section(Samples, drawing, ("samples",), problems) if "samples" in table else None
    space = FactorSpace(tuple(factors.values()))
    combinations = _table(table, "forbidden", problems, required=False)
    named = set(table.get("factors") or ())
    forbidden = _forbidden(combinations, space, rig, problems, named - set(factors))
    if top is not None:
        unread = {"pressure"} if "pressure" in (table.get("fixed") or ()) else set()
        _check_roles(top, budget, fixed, named, unread, problems)
    if budget is not None:
        ratio_fixed = fixed is not None and fixed.water_to_solid is not None
        told = {"bed_mass", "water_to_solid"} & set(factors) or ratio_fixed
        _check_budget(budget, bool(told), problems)
        if feed is not None and feed.lots:
            _check_lots(feed, budget, bool(told), problems)
    kind_missing = top is not None and top.mode == "batch" and top.batch_kind is None
    if rig is not None and top is not None and not kind_missing:
        for found in rig_room.problems(rig, top.mode, top.batch_kind):
            key = ("rig", *str(found.where.key or "").removeprefix("rig.").split("."))
            problems.add(found.code, found.what, found.remedy, *(part for part in key if part))
    _check_against_rig(rig, factors, fixed, problems)
    changes_boiling = _changes_boiling(table.get("factors"), factors, rig, problems)
    _check_columns(space, responses, problems)
    if problems.found or None in (top, budget, rig, fixed, feed, order, deviations):
        return None
    assert top is not None
    campaign = Campaign(
        folder=path.resolve().parent,
        title=top.title,
        mode=top.mode,
        batch_kind=top.batch_kind,
        purpose=top.purpose,
        seed=top.seed,
        source=top.source,
        budget=cast(Budget, budget),
        rig=cast(Rig, rig),
        fixed=cast(Fixed, fixed),
        space=space,
        responses=tuple(responses.values()),
        file_hash=file_hash,
        changes_boiling=changes_boiling,
        forbidden=forbidden,
        feed=cast(Feed, feed),
        order=cast(Order, order),
        deviations=cast(Deviations, deviations),
        samples=samples,
    )
    _check_samples(campaign, problems)
    return campaign


def _check_deviations(deviations: Deviations | None, problems: _Problems) -> None:
    """Note thresholds of which the minor one is not below the major one."""
    if deviations is None:
        return
    for kind in ("temperature", "share"):
        minor = getattr(deviations, f"{kind}_minor")
        major = getattr(deviations, f"{kind}_major")
        if not 0 < minor < major:
            what = f"{kind}_minor is not above zero and below {kind}_major."
            remedy = (
                "A deviation is minor up to the one, and has the run repeated beyond the other."
            )
            problems.add("wrong-value", what, remedy, "deviations", f"{kind}_minor")


def _check_samples(campaign: Campaign, problems: _Problems) -> None:
    """Note why samples cannot be drawn as planned in every run that the ranges allow."""
    if campaign.samples is None:
        return
    if campaign.mode == "batch":
        problems.add(
            "samples-in-batch",
            "samples are planned in batch mode: a draw lets the pressure of a shut vessel down, "
            "and nothing here describes how this rig would draw one.",
            "Take [samples] out, and end a run for each time instead.",
            "samples",
        )
        return
    corners = campaign.conditions(campaign.space.corners())
    found = list(faults(campaign.samples, corners))
    for fault in found:
        problems.add(fault.code, fault.what, fault.remedy, "samples", fault.key)
    names = [name for name in campaign.samples.compounds if not _NAME.fullmatch(name)]
    if names:
        what = f"{names[0]!r} is not usable as the name of a column."
        remedy = "Use letters, digits and underscores, a letter first."
        problems.add("wrong-name", what, remedy, "samples", "compounds")
    taken = {} if found else set(campaign.schema.drawn_columns) & {*campaign.schema.columns}
    for column in sorted(taken):
        what = f"{column} is what sheets ask of a sample, and a column of the ledger."
        problems.add("column-twice", what, "Give the factor or response another name.", "samples")


def _table(
    table: Mapping[str, Any], name: str, problems: _Problems, required: bool = True
) -> dict[str, Any]:
    """Return a sub-table; what is not a table is a problem."""
    found = table.get(name)
    if found is None:
        if required:
            header = f"[{name}]" if name in ("budget", "rig") else f"[{name}.NAME]"
            problems.add(
                "missing-table",
                f"{header} is missing.",
                f"Add {header}; a file with every key comes from: doe new NAME",
                name,
            )
        return {}
    if not isinstance(found, dict):
        problems.add(
            "wrong-type", f"{name} is not a table.", f"Write [{name}] above its keys.", name
        )
        return {}
    return found


def _section(
    model: type[S],
    table: Mapping[str, Any],
    place: tuple[str, ...],
    problems: _Problems,
    also_known: Iterable[str] = (),
) -> S | None:
    """Return a section as its model, or None after noting all that is wrong with it."""
    if place == ("rig",) and not table:
        return None  # the missing table is noted already
    try:
        return model.model_validate(dict(table))
    except ValidationError as error:
        for item in error.errors(include_url=False):
            _note(item, model, place, problems, also_known)
        return None


def _note(
    item: Any,
    model: type[BaseModel],
    place: tuple[str, ...],
    problems: _Problems,
    also_known: Iterable[str],
) -> None:
    """Note one pydantic error in our words."""
    location = tuple(part for part in item["loc"] if not str(part).startswith("function-"))
    key = (*place, *location)
    kind, found = item["type"], item.get("input")
    if kind == "extra_forbidden":
        known = [*_known_keys(model, location[:-1]), *also_known]
        _note_unknown(key, known, problems)
    elif kind == "missing":
        meaning, remedy = _meaning(model, location)
        problems.add("missing-key", f"{location[-1]} is missing{meaning}.", remedy, *key)
    elif isinstance(cause := item.get("ctx", {}).get("error"), QuantityError):
        problems.add("wrong-quantity", cause.what, cause.remedy, *key)
    elif kind in ("model_type", "dict_type"):
        of_one = None if kind == "dict_type" else _model_at(model, location)
        remedy = _as_table(str(location[-1]), of_one, found)
        problems.add("wrong-value", f"found {found!r}, where a table is needed.", remedy, *key)
    elif kind == "literal_error":
        problems.add(
            "wrong-word", f"found {found!r}.", f"Write one of: {item['ctx']['expected']}.", *key
        )
    else:
        message = re.sub(r"^Value error, ", "", item["msg"])
        problems.add("wrong-value", f"found {found!r}: {message}.".replace("..", "."), "", *key)


def _as_table(name: str, nested: type[BaseModel] | None, found: object) -> str:
    """Return how a table is written in place of a bare value; its first key takes it if it can."""
    if nested is None:
        return f"Write {name} = {{ NAME = … }}."
    first, *others = _keys_of(nested)
    example = "…"
    if isinstance(found, (str, int, float)) and _takes(nested, first, found):
        example = f'"{found}"' if isinstance(found, str) else str(found)
    more = f" Other keys: {', '.join(others)}." if others else ""
    return f"Write {name} = {{ {first} = {example} }}.{more}"


def _takes(model: type[BaseModel], key: str, value: object) -> bool:
    try:
        model.model_validate({key: value})
    except ValidationError:
        return False
    return True


def _known_keys(model: type[BaseModel], location: tuple[Any, ...]) -> list[str]:
    """Return the keys of the (nested) model at `location`."""
    nested = _model_at(model, location)
    return [] if nested is None else _keys_of(nested)


def _keys_of(model: type[BaseModel]) -> list[str]:
    return [field.alias or name for name, field in model.model_fields.items()]


def _model_at(model: type[BaseModel], location: tuple[Any, ...]) -> type[BaseModel] | None:
    """Return the (nested) model at `location`, None where there is none."""
    for part in location:
        if part not in model.model_fields:  # a name that the person chose, of a named table
            continue
        nested = _model_of(model.model_fields[part].annotation)
        if nested is None:
            return None
        model = nested
    return model


def _meaning(model: type[BaseModel], location: tuple[Any, ...]) -> tuple[str, str]:
    """Return what a missing key means, as far as its model says it, and what to write."""
    fields = model.model_fields
    for part in location[:-1]:
        if part in fields:
            nested = _model_of(fields[part].annotation)
            fields = {} if nested is None else nested.model_fields
    field = fields.get(str(location[-1]))
    meaning = f": {field.description}" if field is not None and field.description else ""
    words = getattr(field.annotation, "__args__", ()) if field is not None else ()
    if words and all(isinstance(word, str) for word in words):
        return meaning, f"Write {location[-1]} = " + " or ".join(f'"{word}"' for word in words)
    if location[:-1] in {("disc",), ("valve",)}:
        return meaning, "Copy it from the certificate; it is not estimated here."
    return meaning, "Add it; a commented file with every key comes from: doe new NAME"


def _model_of(annotation: Any) -> type[BaseModel] | None:
    """Return the pydantic model inside an annotation such as ``Disc | None``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        if (found := _model_of(inner)) is not None:
            return found
    return None


def _note_unknown(key: tuple[Any, ...], known: list[str], problems: _Problems) -> None:
    near = difflib.get_close_matches(str(key[-1]), known, n=1, cutoff=0.6)
    remedy = f"Did you mean {near[0]}?" if near else f"Known here: {', '.join(sorted(known))}."
    problems.add("unknown-key", f"{key[-1]} is not a known key.", remedy, *key)


def _fixed(table: Mapping[str, Any], problems: _Problems) -> Fixed | None:
    values = dict(table)
    if "pressure" in values:
        try:
            values["pressure"] = read_pressure(values["pressure"])
        except QuantityError as error:
            problems.add("wrong-quantity", error.what, error.remedy, "fixed", "pressure")
            values.pop("pressure")
    fixed = _section(Fixed, values, ("fixed",), problems)
    if fixed is not None and fixed.flow == 0:
        problems.add("zero", "flow is 0 mL/min.", "Give a flow above zero.", "fixed", "flow")
    if fixed is not None and fixed.temperature is not None and fixed.temperature < 0:
        what = f"temperature {fixed.temperature:g} °C is negative: water is ice there."
        problems.add("negative", what, "Give it above zero.", "fixed", "temperature")
    return fixed


def _named_sections(
    group: str, model: type[S], table: Mapping[str, Any], problems: _Problems
) -> Iterator[tuple[str, S]]:
    """Yield the readable sub-tables of `[factors.*]` or `[responses.*]` with their names."""
    for name, raw in table.items():
        place = (group, name)
        if not isinstance(raw, dict):
            problems.add(
                "wrong-type",
                f"{name} is not a table.",
                f"Write [{group}.{name}] above its keys.",
                *place,
            )
        elif not _NAME.fullmatch(name):
            problems.add(
                "wrong-name",
                f"{name!r} is not usable as a name.",
                "Use letters, digits and underscores, a letter first.",
                *place,
            )
        elif (section := _section(model, raw, place, problems)) is not None:
            yield name, section


def _factors(table: Mapping[str, Any], rig: Rig | None, problems: _Problems) -> dict[str, Factor]:
    """Return the factors that could be read, by name, in the order of the file."""
    factors: dict[str, Factor] = {}
    for name, section in _named_sections("factors", _FactorSection, table, problems):
        factor: Factor | None
        if section.levels is not None:
            factor = _categorical(name, section, problems)
        else:
            factor = _numeric(name, section, rig, problems)
        if factor is not None:
            factors[name] = factor
    if not factors and not problems.found:
        problems.add(
            "no-factors", "there is no factor.", "Add one, e.g. [factors.temperature].", "factors"
        )
    return factors


def _categorical(
    name: str, section: _FactorSection, problems: _Problems
) -> CategoricalFactor | None:
    place = ("factors", name)
    levels = section.levels or ()
    if name in _KNOWN_FACTORS:
        problems.add(
            "wrong-factor",
            f"{name} is numeric and has no levels.",
            "Give low and high instead.",
            *place,
            "levels",
        )
    elif any(value is not None for value in (section.low, section.high, section.step)):
        problems.add(
            "wrong-factor",
            f"{name} has levels and a range.",
            "Keep levels, or low, high and step.",
            *place,
        )
    elif len({level_key(level) for level in levels}) < max(len(levels), 2) or not all(
        level.strip() for level in levels
    ):
        problems.add(
            "wrong-levels",
            f"found {list(levels)!r}.",
            "Give at least two named levels that differ by more than capitals or spaces at a %.",
            *place,
            "levels",
        )
    else:
        return CategoricalFactor(name, levels, section.change or "easy")
    return None


def _numeric(
    name: str, section: _FactorSection, rig: Rig | None, problems: _Problems
) -> NumericFactor | None:
    """Return a numeric factor, or None after noting what is wrong with it."""
    place = ("factors", name)
    before = len(problems.found)
    for key in ("low", "high"):
        if getattr(section, key) is None:
            problems.add(
                "missing-key",
                f"{key} is missing.",
                _range_remedy(key, _KNOWN_FACTORS.get(name)),
                *place,
                key,
            )
    if len(problems.found) > before:
        return None
    known = _KNOWN_FACTORS.get(name)
    values, unit, suffix = _numeric_values(name, section, known, rig, problems)
    if len(problems.found) > before:
        return None
    low, high, step = values["low"], values["high"], values.get("step")
    if low >= high:
        problems.add(
            "low-not-below-high",
            f"low {low:g} {unit} is not below high {high:g} {unit}.",
            "Swap or widen them; a setting that never changes goes under [fixed].",
            *place,
            "low",
        )
        return None
    if low == 0 and name == "flow":
        problems.add("zero", f"low is 0 {unit}.", "Give a range above zero.", *place, "low")
        return None
    if low < 0 and known is not None:
        problems.add(
            "negative",
            f"low {low:g} {unit} is negative.",
            "Give a range above zero.",
            *place,
            "low",
        )
        return None
    if step is not None and not _check_step(place, low, high, step, unit, problems):
        return None
    change = section.change or (known.change if known else "easy")
    return NumericFactor(name, unit, low, high, step, change, suffix)


def _range_remedy(key: str, known: _Known | None) -> str:
    if known is not None:
        return f'Give low and high, as in {key} = "{known.example}".'
    return "Give low and high, each with its unit; or levels for a factor with named levels."


def _numeric_values(
    name: str,
    section: _FactorSection,
    known: _Known | None,
    rig: Rig | None,
    problems: _Problems,
) -> tuple[dict[str, float], str, str | None]:
    """Return low, high and step in one unit, that unit, and the column suffix if it is ours."""
    values: dict[str, float] = {}
    unit, suffix = (known.unit, known.suffix) if known else (None, None)
    if name == "pressure" and rig is not None:
        gauge = rig.pressure_reading == "gauge"
        unit, suffix = ("bar gauge", "barg") if gauge else ("bar absolute", "bara")
    for key in ("low", "high", "step"):
        text = getattr(section, key)
        if text is None:
            continue
        try:
            if known is None:
                values[key], unit = read_as_written(text, unit)
            elif key == "step":
                values[key] = _read_step(name, text)
            else:
                values[key] = _shown(known.read(text), rig)
        except QuantityError as error:
            problems.add("wrong-quantity", error.what, error.remedy, "factors", name, key)
    return values, unit or "", suffix


def _read_step(name: str, text: object) -> float:
    """Return a settable step, a difference: 5 °C is 5 K, and bar is bar on any gauge."""
    if name == "temperature":
        return read_quantity(text, TEMPERATURE_DIFFERENCE)
    if name == "pressure":
        return read_quantity(text, PRESSURE_DIFFERENCE)
    value = _KNOWN_FACTORS[name].read(text)
    assert isinstance(value, float)
    return value


def _shown(value: float | Pressure, rig: Rig | None) -> float:
    if not isinstance(value, Pressure):
        return value
    if rig is None:
        return value.bar
    return value.shown(rig.pressure_reading, rig.atmospheric_pressure_bara)


def _check_step(
    place: tuple[str, str], low: float, high: float, step: float, unit: str, problems: _Problems
) -> bool:
    """Return whether the step fits the range; steps count from zero, as a controller's do."""
    if step <= 0 or step > high - low:
        problems.add(
            "wrong-step",
            f"step {step:g} {unit} does not fit a range of {high - low:g} {unit}.",
            "Give the finest change that can be set.",
            *place,
            "step",
        )
        return False
    for key, value in (("low", low), ("high", high)):
        if abs(value / step - round(value / step)) > 1e-6:
            below, above = np.floor(value / step) * step, np.ceil(value / step) * step
            problems.add(
                "not-settable",
                f"{key} {value:g} {unit} cannot be set in steps of {step:g} {unit}.",
                f"Write {below:g} or {above:g} {unit}, or another step.",
                *place,
                key,
            )
            return False
    return True


def _forbidden(
    table: Mapping[str, Any],
    space: FactorSpace,
    rig: Rig | None,
    problems: _Problems,
    unread: Collection[str],
) -> tuple[Forbidden, ...]:
    """Return the forbidden combinations that could be read.

    What they say of factors that are `unread` is passed over: their own mistakes are told.
    """
    found = []
    for name, raw in table.items():
        place = ("forbidden", name)
        if not isinstance(raw, dict):
            what, remedy = f"{name} is not a table.", f"Write [forbidden.{name}] above its keys."
            problems.add("wrong-type", what, remedy, *place)
            continue
        because = raw.get("because")
        if not isinstance(because, str) or not because.strip():
            remedy = 'Say why nobody is to run it: because = "it chars".'
            problems.add("missing-key", "because is missing.", remedy, *place, "because")
        parts = {key: value for key, value in raw.items() if key != "because"}
        conditions = [
            condition
            for key, value in parts.items()
            if (condition := _condition(key, value, space, rig, problems, name, unread)) is not None
        ]
        if not parts:
            remedy = 'Name factors and when: temperature = "above 180 degC".'
            problems.add("no-condition", "it names no factor.", remedy, *place)
        elif conditions:
            found.append(Forbidden(name, tuple(conditions), str(because)))
    return tuple(found)


def _condition(
    factor_name: str,
    text: object,
    space: FactorSpace,
    rig: Rig | None,
    problems: _Problems,
    name: str,
    unread: Collection[str],
) -> Condition | None:
    place = ("forbidden", name, factor_name)
    if factor_name in unread:
        return None
    if factor_name not in space.names:
        remedy = f"Name one of: {', '.join(space.names)}; and the reason as because."
        problems.add("unknown-factor", f"there is no factor {factor_name!r}.", remedy, *place)
        return None
    i = space.index(factor_name)
    factor = space.factors[i]
    if isinstance(factor, CategoricalFactor):
        levels = [text] if isinstance(text, str) else text
        if not isinstance(levels, list) or not levels or not set(levels) <= set(factor.levels):
            remedy = f"Give one or more of: {', '.join(factor.levels)}."
            problems.add("unknown-level", f"found {text!r}.", remedy, *place)
            return None
        return Condition(i, "is", levels=tuple(factor.levels.index(each) for each in levels))
    sense, _, amount = text.strip().partition(" ") if isinstance(text, str) else ("", "", "")
    known = _KNOWN_FACTORS.get(factor_name)
    example = f'{factor_name} = "above {factor.centre:g} {factor.unit}".'
    if sense not in ("above", "below"):
        problems.add("wrong-condition", f"found {text!r}.", f"Write as in {example}", *place)
        return None
    try:
        if known is None:
            value, _ = read_as_written(amount, factor.unit)
        else:
            value = _shown(known.read(amount), rig)
    except QuantityError as error:
        problems.add("wrong-quantity", error.what, error.remedy, *place)
        return None
    return Condition(i, "above" if sense == "above" else "below", value)


def _responses(table: Mapping[str, Any], problems: _Problems) -> dict[str, Response]:
    """Return the responses that could be read, by name, in the order of the file."""
    responses = {}
    for name, section in _named_sections("responses", _ResponseSection, table, problems):
        responses[name] = _response(name, section, problems)
    if not responses and not problems.found:
        problems.add(
            "no-responses",
            "there is no response.",
            "Add one, e.g. [responses.extract].",
            "responses",
        )
    return responses


def _response(name: str, section: _ResponseSection, problems: _Problems) -> Response:
    place = ("responses", name)
    values: dict[str, float | None] = {}
    for key in ("limit", "target", "tolerance", "useless", "ideal"):
        text = getattr(section, key)
        try:
            values[key] = None if text is None else _in_unit(text, section.unit)
        except QuantityError as error:
            problems.add("wrong-quantity", error.what, error.remedy, *place, key)
            values[key] = None
    needed = {"below": "limit", "above": "limit", "target": "target"}.get(section.aim)
    if needed and getattr(section, needed) is None:
        problems.add(
            "missing-key",
            f'aim "{section.aim}" needs {needed}.',
            f"Add {needed} in {section.unit or 'its unit'}.",
            *place,
            needed,
        )
    for key in ("limit", "target"):
        if getattr(section, key) is not None and key != needed:
            problems.add(
                "aim-and-key",
                f'{key} has no meaning with aim "{section.aim}".',
                f"Remove {key}, or choose another aim.",
                *place,
                key,
            )
    useless, ideal = values["useless"], values["ideal"]
    if useless is not None and ideal is not None and section.aim in ("maximise", "minimise"):
        higher = section.aim == "maximise"
        if (ideal <= useless) if higher else (ideal >= useless):
            problems.add(
                "useless-and-ideal",
                f"ideal {section.ideal} is not {'above' if higher else 'below'} useless "
                f'{section.useless}, with aim "{section.aim}".',
                "Exchange the two, or choose the other aim.",
                *place,
                "ideal",
            )
    scatter, relative = _scatter(section, place, problems)
    return Response(
        name=name,
        unit=section.unit,
        aim=section.aim,
        title=section.title,
        scatter=scatter,
        scatter_relative=relative,
        scale=section.scale,
        source=_source(name, section, problems),
        **values,
    )


_PER_PERCENT = {"%": 1.0, "mg/g": 10.0, "g/kg": 10.0, "g/g": 0.01}
_OF_COMPOUND = ("amount", "purity", "recovery")
_OF_MASSES = ("yield", "residue", "closure")


def _source(name: str, section: _ResponseSection, problems: _Problems) -> Source | None:
    """Return what a response is derived from; None where it is measured."""
    if section.source is None:
        return None
    kind, _, compound = section.source.partition(" of ")
    compound = compound.strip()
    known = kind in _OF_MASSES and " of " not in section.source
    if not known and not (kind in _OF_COMPOUND and _NAME.fullmatch(compound)):
        words = ", ".join(f'"{word}"' for word in _OF_MASSES)
        more = ", ".join(f'"{word} of COMPOUND"' for word in _OF_COMPOUND)
        what = f"found {section.source!r}, which cannot be derived."
        remedy = f"Write one of {words}, {more}; or leave it out for what is measured."
        problems.add("wrong-word", what, remedy, "responses", name, "from")
        return None
    if section.unit not in _PER_PERCENT:
        what = f"{section.source} comes in {', '.join(_PER_PERCENT)}, not in {section.unit!r}."
        problems.add("wrong-unit", what, "Give it one of these.", "responses", name, "unit")
        return None
    return Source(cast(SourceKind, kind), compound, _PER_PERCENT[section.unit])


def _check_references(
    feed: Feed | None, responses: Mapping[str, Response], problems: _Problems
) -> None:
    """Note recoveries without a reference content, and contents of what is not assayed."""
    if feed is None:
        return
    sources = {name: r.source for name, r in responses.items() if r.source is not None}
    for name, source in sources.items():
        if source.kind != "recovery":
            continue
        lots = [lot for lot in feed.lots if feed.reference_of(lot, source.compound) is None]
        if lots or (not feed.lots and source.compound not in feed.reference):
            of_lots = f"; of lot {', '.join(lots)} it is not given" if lots else ""
            what = f"a recovery of {source.compound} needs its reference content of dry feed"
            remedy = f'Add reference = {{ {source.compound} = "12 mg/g" }} under [feed]'
            remedy += ", or to each lot." if feed.lots else "."
            problems.add("missing-key", f"{what}{of_lots}.", remedy, "responses", name, "from")
    assayed = {source.compound for source in sources.values()}
    told: list[tuple[tuple[str, ...], Mapping[str, float]]] = [
        (("feed", "reference"), feed.reference),
        *((("feed", "lots", name), lot.reference) for name, lot in feed.lots.items()),
    ]
    for place, contents in told:
        for name, content in contents.items():
            if not content > 0:
                what = f"the reference content of {name} is {content:g} mg/g, not above zero."
                problems.add("zero", what, "Leave it out if there is none.", *place)
    named: list[tuple[tuple[str, ...], Iterable[str]]] = [*told, (("feed", "groups"), feed.groups)]
    for place, names in named:
        for unknown in (n for n in names if n not in assayed):
            what = f"{unknown} belongs to no response."
            remedy = f'Derive one from it, as from = "recovery of {unknown}", or remove it.'
            problems.add("unknown-compound", what, remedy, *place)


def _in_unit(text: object, unit: str) -> float:
    """Return a value of a response; its unit may be repeated and must then be the same."""
    if isinstance(text, str) and unit and text.strip().endswith(unit):
        return read_number(text.strip().removesuffix(unit).strip())
    found = re.fullmatch(r"\s*[+-]?[\d.]+(?:[eE][+-]?\d+)?\s*([^\d\s.,].*?)\s*", str(text))
    if isinstance(text, str) and found:
        measured = f"in {unit}" if unit else "a plain number, without a unit"
        raise QuantityError(
            f'"{text}" is in another unit than {unit or "none"}, this response\'s.',
            f"Convert it by hand and give it {measured}: it is not converted here.",
        )
    return read_number(text)


def _scatter(
    section: _ResponseSection, place: tuple[str, str], problems: _Problems
) -> tuple[float | None, bool]:
    """Return the expected run-to-run SD and whether it is relative to the value."""
    text = section.scatter
    if text is None:
        problems.add(
            "missing-key",
            "scatter is missing: the run-to-run standard deviation that you expect.",
            'Give it in the response\'s unit, or as "4 % relative". Bench '
            "extractions scatter 3 to 8 % (common practice).",
            *place,
            "scatter",
        )
        return None, False
    match = (
        re.fullmatch(r"(.+?)\s*%\s*(relative|absolute)?", text) if isinstance(text, str) else None
    )
    try:
        if match and section.unit == "%" and match[2] is None:
            raise QuantityError(
                f'"{text}" could be percent of the value or percentage points.',
                f'Write "{match[1]} % relative" or "{match[1]} % absolute".',
            )
        relative = match is not None and match[2] != "absolute"
        value = read_number(match[1]) if match else _in_unit(text, section.unit)
        if value <= 0:
            raise QuantityError(f"scatter {text!r} is not above zero.", "No two runs are equal.")
    except QuantityError as error:
        problems.add("wrong-quantity", error.what, error.remedy, *place, "scatter")
        return None, False
    return (value / 100 if relative else value), relative


def _check_roles(
    top: _Top,
    budget: Budget | None,
    fixed: Fixed | None,
    factors: set[str],
    unread: set[str],
    problems: _Problems,
) -> None:
    """Note settings that are given twice, missing, or without meaning in this mode.

    What could not be read is noted already and counts as given.
    """
    held = {name for name, value in (fixed or Fixed()) if value is not None} | unread
    if budget is not None and budget.bed_mass is not None:
        held.add("bed_mass")
    for name in sorted(factors & held):
        section = "budget" if name == "bed_mass" else "fixed"
        problems.add(
            "given-twice",
            f"{name} is a factor and is also given in [{section}].",
            "Keep one of them.",
            section,
            name,
        )
    given = factors | held
    if {"pressure", "pressure_above_saturation"} <= given:
        problems.add(
            "given-twice",
            "pressure and pressure_above_saturation say the same thing twice.",
            "Keep one of them.",
            "factors" if "pressure" in factors else "fixed",
            "pressure",
        )
    _check_mode(top, given, factors, problems)
    _check_tied(top, given, factors, problems)


def _check_mode(top: _Top, given: set[str], factors: set[str], problems: _Problems) -> None:
    def place(name: str) -> tuple[str, str]:
        return ("factors" if name in factors else "fixed", name)

    if top.mode == "batch" and top.batch_kind is None:
        problems.add(
            "batch-kind-missing",
            "batch mode needs batch_kind.",
            'Write batch_kind = "liquid-full" (the pump holds the pressure) or '
            '"headspace" (a gas space takes up the swelling).',
            "mode",
        )
    if top.mode == "flow" and top.batch_kind is not None:
        problems.add(
            "batch-kind-in-flow",
            "batch_kind has no meaning in flow mode.",
            'Remove it, or write mode = "batch".',
            "batch_kind",
        )
    if top.mode == "batch":
        why = {
            "flow": "batch mode has no flow: the vessel is shut.",
            "water_to_solid": "in batch mode the water is what the vessel holds, so the "
            "water-to-solid ratio follows from bed_mass.",
        }
        for name in sorted(why.keys() & given):
            remedy = 'Remove it, or write mode = "flow".'
            problems.add("flow-in-batch", why[name], remedy, *place(name))
    if top.batch_kind == "headspace":
        for name in ("pressure", "pressure_above_saturation"):
            if name in given:
                problems.add(
                    "pressure-in-headspace",
                    "with a headspace the pressure is a result "
                    "of temperature and gas, not a setting.",
                    "Remove it.",
                    *place(name),
                )
    needed = ["temperature", "time"]
    if top.batch_kind != "headspace":
        needed.append("pressure")
    if top.mode == "flow":
        needed.append("flow")
    tied = {"flow", "time", "bed_mass"} if "water_to_solid" in given else set()
    for name in needed:
        alternatives = {"pressure_above_saturation"} if name == "pressure" else set()
        if name in given or name in tied or alternatives & given:
            continue
        near = _near_known(name, factors)
        problems.add(
            "setting-missing",
            f"{name} is neither a factor nor fixed.",
            f"Did you mean it by [factors.{near}]?"
            if near
            else f"Add [factors.{name}] with low, high and step, or {name} under [fixed].",
            "factors",
            near or name,
        )


def _near_known(known: str, factors: Iterable[str]) -> str | None:
    """Return the factor that looks like a misspelt known one."""
    others = [name for name in factors if name not in _KNOWN_FACTORS]
    near = difflib.get_close_matches(known, [name.lower() for name in others], n=1, cutoff=0.8)
    return next((name for name in others if name.lower() in near), None)


def _check_tied(top: _Top, given: set[str], factors: set[str], problems: _Problems) -> None:
    """Note an over- or under-determined set of flow, time, bed mass and water-to-solid ratio."""
    if top.mode != "flow" or "water_to_solid" not in given:
        return
    section = "factors" if "water_to_solid" in factors else "fixed"
    others = {"flow", "time", "bed_mass"}
    if others <= given:
        problems.add(
            "tied-settings",
            "flow, time, bed_mass and water_to_solid are tied "
            "(ratio = flow × time / mass): three of them give the fourth.",
            "Leave one of the four out, neither factor nor fixed; it is worked out.",
            section,
            "water_to_solid",
        )
    elif len(others & given) < 2:
        missing = ", ".join(sorted(others - given))
        problems.add(
            "tied-settings",
            f"water_to_solid with only one of flow, time and bed_mass leaves {missing} open.",
            "Give one more of them.",
            section,
            "water_to_solid",
        )


def _check_budget(budget: Budget, mass_told: bool, problems: _Problems) -> None:
    if budget.runs is None and budget.days is None:
        problems.add(
            "budget-missing",
            "the budget gives neither runs nor days.",
            "Add runs = 18, or days = 5 with hours_per_day.",
            "budget",
        )
    if (budget.days is None) != (budget.hours_per_day is None):
        lacking = "hours_per_day" if budget.hours_per_day is None else "days"
        problems.add(
            "missing-key",
            f"{lacking} is missing: days and hours_per_day go together.",
            'Write days = 5 and hours_per_day = "8 h".',
            "budget",
            lacking,
        )
    if budget.hard_changes_per_day is not None and budget.days is None:
        problems.add(
            "missing-key",
            "hard_changes_per_day says how often a day, and no days are given.",
            'Write days = 5 and hours_per_day = "8 h" too.',
            "budget",
            "hard_changes_per_day",
        )
    for key in ("runs", "days", "hard_changes_per_day"):
        if getattr(budget, key) == 0:
            problems.add("wrong-value", f"{key} is 0.", "Give at least 1.", "budget", key)
    if budget.hours_per_day is not None and not 0 < budget.hours_per_day <= 24 * 60:
        problems.add(
            "wrong-value",
            f"hours_per_day is {budget.hours_per_day / 60:g} h.",
            "Give more than 0 h and at most 24 h.",
            "budget",
            "hours_per_day",
        )
    if budget.reserve >= 1:
        problems.add(
            "wrong-value",
            "the reserve is the whole feedstock.",
            'Keep 20 to 30 %, as in reserve = "25 %" (common practice).',
            "budget",
            "reserve",
        )
    if budget.feedstock is not None and budget.bed_mass is None and not mass_told:
        problems.add(
            "missing-key",
            "bed_mass is missing: feedstock buys runs by the bed's mass.",
            'Write bed_mass = "12 g", the dry mass of one loading.',
            "budget",
            "bed_mass",
        )


def _check_lots(feed: Feed, budget: Budget, mass_told: bool, problems: _Problems) -> None:
    """Note lots that cannot be spread over runs, or do not go with the budget."""
    for name in feed.lots:
        if not name or name != name.strip() or len(name) > LOT_NAME_MOST or "," in name:
            what = f"{name!r} is not usable as the name of a lot."
            remedy = f"Use up to {LOT_NAME_MOST} characters without commas or spaces at the ends."
            problems.add("wrong-name", what, remedy, "feed", "lots", name)
    if len({name.casefold() for name in feed.lots}) < len(feed.lots):
        what = "two lots differ by capitals only."
        problems.add("wrong-name", what, "Give them names to tell apart.", "feed", "lots")
    if budget.bed_mass is None and not mass_told:
        what = "bed_mass is missing: lots buy runs by the bed's mass."
        remedy = 'Write bed_mass = "12 g", the dry mass of one loading.'
        problems.add("missing-key", what, remedy, "budget", "bed_mass")
    there = sum(lot.amount for lot in feed.lots.values())
    if budget.feedstock is not None and budget.feedstock > there * (1 + 1e-9):
        what = f"the budget counts on {budget.feedstock:g} g, but the lots hold {there:g} g."
        problems.add("lots-short", what, "Make them agree.", "budget", "feedstock")


_BOILS_EASILY = (
    r"alcohol|alkohol|alcool|ethanol|propanol|butanol|anol\b|etoh|meoh|isoprop|\bipa\b|aceton|"
    r"ether\b|ethyl(?!ene)|[xpt]ane\b|toluene|\bthf\b|solvent|ammoni|hcl|acetic|formic|"
    r"carbonate|\bco2\b"
)
"""What may raise the pressure at which water boils: common solvents, volatile acids and bases, what
gives off gas. From memory, and never complete."""
_IN_THE_WATER = re.compile(
    rf"{_BOILS_EASILY}|\bether|acetate|hexane|glycer|glycol|dmso|acid|säure|naoh|"
    r"hydroxide|caustic|salt|brine|nacl|chloride|urea|buffer|surfactant|ionic|modifier|additive|"
    r"mixture|liquid|fluid|eluent|concentration|\bconc|molar|percent|%|\bpct\b|\bv\W*v\b|"
    r"\bw\W*w\b|\bw\W*v\b|\bvol\b|\bmol|\bg/k?g\b|\bm?g/m?l\b|\bm?l/m?l\b|\blye\b",
    re.IGNORECASE,
)
"""What may stand for something in the water: words of names and levels, and units of a share."""


def _changes_boiling(
    table: object, factors: Mapping[str, Factor], rig: Rig | None, problems: _Problems
) -> dict[str, bool | None]:
    """Return what the file says of the boiling of each factor that the rig does not know.

    Noted are factors that may be something in the water and say nothing, mixtures without their
    bubble points, and names so near a known one that they may be meant for it.
    """
    sections = table if isinstance(table, dict) else {}
    said: dict[str, bool | None] = {}
    for name, factor in factors.items():
        changes = sections[name].get("changes_boiling")
        if name in _KNOWN_FACTORS:
            if changes is not None:
                problems.add(
                    "wrong-factor",
                    f"what {name} does to boiling is known.",
                    "Remove changes_boiling.",
                    *("factors", name, "changes_boiling"),
                )
            continue
        said[name] = changes
        if changes is None:
            _check_unsaid(name, factor, problems)
        elif changes:
            _check_mixture(name, factor, rig, problems)
    return said


def _check_unsaid(name: str, factor: Factor, problems: _Problems) -> None:
    """Note a factor that says nothing of boiling, where that is no matter of course."""
    near = difflib.get_close_matches(name.lower(), _KNOWN_FACTORS, n=1, cutoff=0.8)
    if near:
        misspelt = any(problem.where.key == f"factors.{name}" for problem in problems.found)
        if not misspelt:  # said already where the known one is missing
            problems.add(
                "unknown-factor",
                f"{name} is not a factor that the rig knows.",
                f"Did you mean {near[0]}? If it is something else, write changes_boiling = false "
                "(or true) beside it.",
                *("factors", name),
            )
        return
    words = [name.replace("_", " "), factor.unit]
    if isinstance(factor, CategoricalFactor):
        words += factor.levels
    if hint := next((m[0] for m in map(_IN_THE_WATER.search, words) if m), None):
        problems.add(
            "boiling-unsaid",
            f"{name} may be something in the water (“{hint}”), and the file does not say whether "
            "it changes where the water boils: with alcohol, say, the boiling curve of pure water "
            "is not safe.",
            "Write changes_boiling = false if it does not; else changes_boiling = true, and give "
            "the bubble points of the richest mixture under [rig.co_solvent].",
            *("factors", name),
        )


def _check_mixture(name: str, factor: Factor, rig: Rig | None, problems: _Problems) -> None:
    """Note a mixture whose bubble points are missing, or do not reach its richest."""
    if rig is None:
        return
    key = ("factors", name, "changes_boiling")
    if rig.co_solvent is None:
        problems.add(
            "no-bubble-points",
            f"{name} changes where the water boils, and how is not told.",
            "Add [rig.co_solvent] with name, share, bubble_points and source, for the richest "
            "mixture that a run may have.",
            *key,
        )
        return
    richest = _richest(name, factor, rig.co_solvent, problems)
    if richest is not None and richest > rig.co_solvent.share + 1e-9:
        problems.add(
            "mixture-too-rich",
            f"{name} goes up to {100 * richest:g} %, and the bubble points are those of a mixture "
            f"with {100 * rig.co_solvent.share:g} %.",
            "Give the bubble points of the richest mixture, with its share.",
            *key,
        )


def _richest(name: str, factor: Factor, mixture: CoSolvent, problems: _Problems) -> float | None:
    """Return the largest share that a factor stands for; None after noting that it is not told."""
    if isinstance(factor, NumericFactor):
        if factor.unit in ("%", "percent"):
            return factor.high / 100
        problems.add(
            "share-unknown",
            f"how much of {mixture.name} the water has at most does not follow from {name}.",
            'Give it in %, as high = "30 %".',
            *("factors", name, "changes_boiling"),
        )
        return None
    shares = {level: _share_in(level, mixture.name) for level in factor.levels}
    unsaid = [level for level, share in shares.items() if share is None]
    if unsaid:
        _note_unsaid_shares(name, unsaid, mixture, problems)
        return None
    return max(share for share in shares.values() if share is not None)


_PERCENT = r"\(?(\d+(?:[.,]\d+)?)[\s-]*(?:(?:vol|wt)[\s.-]*)?(?:%|per\s?cent\b)\)?"
_BASIS = r"(?:\(?(?:[vwm]/[vwm]|by\s+(?:volume|mass|weight)|vol\b|wt\b|aq\b|aqueous)[.)]*)?"
_BETWEEN = r"(?<!\d)[,:]|[,:](?!\d)|[;+&/()]|\b(?:in|with|and|plus)\b"
"""What stands between the parts of a level; a comma or colon within a number does not."""


def _share_in(level: str, name: str) -> float | None:
    """Return the share of the co-solvent that a level says; None where it does not say it surely.

    Said it is by water's own words, by a percentage alone, or by one percentage beside the
    co-solvent's name, with nothing else between the two. Whatever else the level names has no part
    in it, and must be nothing that makes the water boil more easily.
    """
    text, called = (" ".join(words.casefold().split()) for words in (level, name))
    if text in ("water", "none", "pure water"):
        return 0.0
    if alone := re.fullmatch(rf"{_PERCENT}\s*{_BASIS}", text):
        return _as_share(alone[1])
    named = rf"(?<!\w){re.escape(called)}(?!\w)"
    found = re.search(
        rf"(?:^|{_BETWEEN})\s*(?:{_PERCENT}\s*{_BASIS}\s*{named}\s*{_BASIS}"
        rf"|{named}\s*{_BASIS}\s*{_PERCENT}\s*{_BASIS})\s*(?=$|{_BETWEEN})",
        text,
    )
    if found is None:
        return None
    others = [text[: found.start()], *re.split(_BETWEEN, text[found.end() :])]
    others = [part.strip() for rest in others for part in re.split(_BETWEEN, rest)]
    more = rf"{named}|{_BOILS_EASILY}|\b(?:then|to|up)\b"
    unclear = rf"[\d.,\s]+|{_PERCENT}\s*{_BASIS}|.*(?:{more}).*"
    if any(re.fullmatch(unclear, part) for part in others):
        return None
    return _as_share(found[1] or found[2])


def _as_share(percent: str) -> float:
    return float(percent.replace(",", ".")) / 100


def _note_unsaid_shares(
    name: str, levels: Sequence[str], mixture: CoSolvent, problems: _Problems
) -> None:
    """Note the levels that do not say how much of the co-solvent they have, and what to write."""
    of, most = mixture.name, f"{100 * mixture.share:g} % {mixture.name}"
    few = len(levels) == 1
    quoted = [f'"{level}"' for level in levels]
    remedies = []
    for level in levels:
        if _share_in(f"0 % {of} + {level}", of) is None:
            remedies.append(
                f'For "{level}" write the share that it truly has, as "{most}"; with another '
                "liquid that boils easily, [rig.co_solvent] has to be of that mixture."
            )
        else:
            remedies.append(
                f'For "{level}" write "0 % {of} + {level}" if it has none, else its share, as '
                f'"{most} + {level}".'
            )
    problems.add(
        "share-unknown",
        f"{'level' if few else 'levels'} {listed(quoted)} of {name} "
        f"{'does' if few else 'do'} not say how much {of} the water has: a % counts beside the "
        f"name {of} only.",
        " ".join(remedies),
        *("factors", name, "levels"),
    )


def _check_against_rig(
    rig: Rig | None, factors: Mapping[str, Factor], fixed: Fixed | None, problems: _Problems
) -> None:
    """Note ranges that lie beyond the tool's or the rig's stated limits as a whole."""
    for name, check in (("temperature", _check_hottest), ("pressure", _check_highest)):
        factor = factors.get(name)
        if isinstance(factor, NumericFactor):
            check(rig, factor.high, ("factors", name, "high"), problems)
        value = getattr(fixed, name, None) if fixed is not None else None
        if value is not None:
            check(rig, _shown(value, rig), ("fixed", name), problems)


def _lowered(place: tuple[str, ...]) -> str:
    """Return the remedy of a value too high; a range says what becomes of the runs beyond it."""
    if place[0] != "factors":
        return "Lower it."
    return (
        "Lower it: runs already made beyond the new range stay on record, their results are kept "
        "and fitted."
    )


def _check_hottest(
    rig: Rig | None, value: float, place: tuple[str, ...], problems: _Problems
) -> None:
    if value > water.WATER_TEMPERATURE_MAX_C:
        problems.add(
            "beyond-350",
            f"{value:g} °C is beyond {water.WATER_TEMPERATURE_MAX_C:g} "
            "°C, this tool's limit: nearer the critical point liquid properties are "
            "steep and formulations differ.",
            "Stay at or below 350 °C.",
            *place,
        )
    elif rig is not None and value > rig.temperature_max:
        problems.add(
            "beyond-rig",
            f"{value:g} °C is beyond the rig's temperature_max {rig.temperature_max:g} °C.",
            _lowered(place),
            *place,
        )


def _check_highest(
    rig: Rig | None, value: float, place: tuple[str, ...], problems: _Problems
) -> None:
    if rig is None:
        return
    ratings = [_shown(pressure, rig) for _, pressure in rig.vessel_rating]
    if ratings and value > max(ratings):
        problems.add(
            "beyond-rig",
            f"{value:g} {rig.shown_unit} is beyond the vessel's highest rated pressure, "
            f"{max(ratings):g} {rig.shown_unit}.",
            _lowered(place),
            *place,
        )
    elif rig.disc is not None or rig.valve is not None:
        opening = float(rig.shown(np.asarray(rig_room.relief_opening_bara(rig))))
        if value >= opening:
            problems.add(
                "beyond-relief",
                f"{value:g} {rig.shown_unit} is not below {np.floor(10 * opening) / 10:g} "
                f"{rig.shown_unit}, where the relief may already open.",
                f"{_lowered(place)} Or compare the relief's figures with its certificate.",
                *place,
            )


def _check_columns(
    space: FactorSpace, responses: Mapping[str, Response], problems: _Problems
) -> None:
    """Note names that would stand twice in the ledger's header."""
    taken: dict[str, str] = dict.fromkeys(_LEDGER_WORDS, "a column of the ledger")
    columns = [("factors", f.name, f.column) for f in space]
    columns += [("factors", f.name, f"achieved_{f.column}") for f in space]
    columns += [("responses", r.name, r.column) for r in responses.values()]
    if any(response.source for response in responses.values()):
        taken |= dict.fromkeys((w.column for w in WEIGHINGS), "weighed with each run")
    for section, name, column in columns:
        if column in taken:
            problems.add(
                "column-twice",
                f"{name} would be column {column} in the ledger, which is already {taken[column]}.",
                "Give it another name.",
                section,
                name,
            )
        taken[column] = f"that of {name}"


def _key_lines(text: str) -> dict[tuple[str, ...], int]:
    """Return the line (from 1) of each key and table of a TOML text.

    tomllib gives no positions; this reads headers and ``key =`` at the start of a line, which is
    how people write these files.
    """
    lines: dict[tuple[str, ...], int] = {}
    table: tuple[str, ...] = ()
    for number, line in enumerate(text.splitlines(), start=1):
        header = re.match(r"\s*\[+\s*([^\]]+?)\s*\]+", line)
        pair = re.match(r"""\s*((?:[\w-]+|"[^"]*"|'[^']*')(?:\s*\.\s*[\w"'-]+)*)\s*=""", line)
        if header and not pair:
            table = _split_key(header[1])
            lines.setdefault(table, number)
        elif pair:
            key = (*table, *_split_key(pair[1]))
            for length in range(len(table) + 1, len(key) + 1):
                lines.setdefault(key[:length], number)
    return lines


def _split_key(dotted: str) -> tuple[str, ...]:
    return tuple(part.strip().strip("\"'") for part in dotted.split("."))
