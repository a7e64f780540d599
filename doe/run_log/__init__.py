"""A rig logger's file: what a run really was, and whether it can be kept.

`read_log` takes the CSV of a logger (time, temperature, pressure, flow) as instruments write it:
headings and units in many spellings, English or German; comma, semicolon or tab; decimal point or
comma. Nothing is guessed: what can be read in two ways is refused with its row. `summarise` works
out the extraction, the achieved means, the severity with ramps and how near the water came to
boiling. `classify` says what a deviation means for the run, and takes no response, so that it is
decided before anyone looks at one.

Units: min, °C, K, bar absolute (`_bara`), mL/min, mL. Shapes: n rows of the log.
"""

from __future__ import annotations

from doe.run_log.course import (
    RunSummary,
    extraction_window,
    minutes_below,
    severity_minutes,
    summarise,
    time_mean,
)
from doe.run_log.deviation import Deviation, DeviationRules, classify
from doe.run_log.reading import RunLog, read_log, read_log_text

__all__ = [
    "Deviation",
    "DeviationRules",
    "RunLog",
    "RunSummary",
    "classify",
    "extraction_window",
    "minutes_below",
    "read_log",
    "read_log_text",
    "severity_minutes",
    "summarise",
    "time_mean",
]
