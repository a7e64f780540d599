"""How a stage was made: `stages/N.toml`, so that a changed campaign file is noticed."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from doe.errors import StateError
from doe.whole_file import toml_text, write_page

__all__ = ["MadeBy", "StageRecord", "read_stage", "stage_file", "write_stage"]

MadeBy = Literal["plan", "suggest", "augment"]


@dataclass(frozen=True, slots=True)
class StageRecord:
    """How one stage was made.

    Attributes
    ----------
    made_by
        The command: ``plan``, or ``suggest`` and ``augment`` for accepted runs.
    planned
        Hash of the planned settings of its runs.
    fixed
        What was set alike for every run, in words: ``pressure 50 bar gauge``.
    campaign_file
        SHA-256 of the whole campaign file.
    shaping
        Hash of each section of the campaign file that shapes a design.
    versions
        Software and version.
    pressure_unit, stop_above_C, stop_pressure_above, stop_pressure_below
        Where the sheet stops each run, by its number: what was printed stays true of it, whatever
        the rig's limits become.
    promised_of, promised
        Of how many confirming runs the mean was promised to lie within an interval, and the
        interval by response; 0 and none where the stage has no confirming runs.
    """

    stage: int
    made_by: MadeBy
    seed: int
    family: str
    model: str
    reason: str
    runs: tuple[int, ...]
    plots: int
    days: int
    planned: str
    fixed: tuple[str, ...]
    campaign_file: str
    shaping: Mapping[str, str]
    versions: Mapping[str, str]
    promised_of: int = 0
    promised: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    pressure_unit: str = ""
    stop_above_C: Mapping[str, float] = field(default_factory=dict)
    stop_pressure_above: Mapping[str, float] = field(default_factory=dict)
    stop_pressure_below: Mapping[str, float] = field(default_factory=dict)


def stage_file(folder: Path, stage: int) -> Path:
    """Return the record of a stage in a campaign's folder."""
    return folder / "stages" / f"{stage}.toml"


def write_stage(folder: Path, record: StageRecord) -> Path:
    """Write the record of a stage, whole or not at all.

    Raises
    ------
    StateError
        The folder cannot be written to.
    """
    comment = f"How stage {record.stage} was made. Written by the tool, for the file."
    values = {key: getattr(record, key) for key in StageRecord.__slots__}
    return write_page(stage_file(folder, record.stage), toml_text(comment, values))


def read_stage(folder: Path, stage: int) -> StageRecord | None:
    """Return the record of a stage; None where there is none.

    Raises
    ------
    StateError
        The record cannot be read.
    """
    path = stage_file(folder, stage)
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
        table |= {key: tuple(table[key]) for key in ("runs", "fixed")}
        ends = table.get("promised", {}).items()
        table["promised"] = {name: (float(low), float(high)) for name, (low, high) in ends}
        return StageRecord(**table)
    except FileNotFoundError:
        return None
    except (
        OSError,
        UnicodeDecodeError,
        tomllib.TOMLDecodeError,
        TypeError,
        ValueError,
        KeyError,
    ) as error:
        raise StateError.of(
            "stage-record",
            f"the record of stage {stage} cannot be read: {error}.",
            "Delete it to go on without it; the runs stand in runs.csv.",
            file=str(path),
        ) from error
