"""What a deviation means for a run, decided before any response is looked at."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from doe.rig.timeline import SEVERITY_STEP_K
from doe.run_log.course import RunSummary


@dataclass(frozen=True, slots=True)
class DeviationRules:
    """Thresholds by which a run's deviations are classed. All are common practice.

    Temperature in K; the others as shares of the planned value.
    """

    temperature_minor_K: float = 2.0
    temperature_major_K: float = 10.0
    share_minor: float = 0.1
    share_major: float = 0.5
    off_share_max: float = 0.2


@dataclass(frozen=True, slots=True)
class Deviation:
    """What becomes of a run, by which rule, and why in words.

    ``keep`` with achieved values; ``exclude response`` keeps the record but not its responses;
    ``repeat`` does that too and asks for the run again. `doubtful` asks for the analysis with and
    without the run. `besides` tells what other rules found, which did not decide.
    """

    kind: Literal["keep", "exclude response", "repeat"]
    rule: str
    finding: str
    verdict: str
    doubtful: bool = False
    besides: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """What the deciding rule found, and what follows."""
        return f"{self.finding} {self.verdict}"


def classify(
    planned: Mapping[str, float],
    achieved: Mapping[str, float],
    log: RunSummary | None = None,
    rules: DeviationRules | None = None,
) -> Deviation:
    """Return what becomes of a run; takes no response, so that none can sway it.

    Parameters
    ----------
    planned, achieved
        Values by name of factor: ``temperature`` [°C], ``time`` [min], ``flow`` [mL/min],
        ``pressure`` [bar, both measured from the same]. Names of neither are not judged.
    log
        What the run's log says, where there is one.
    rules
        The thresholds; common practice unless given.

    Notes
    -----
    The first rule that applies decides, gravest first: boiled; far off temperature, flow or time
    (repeat); may have boiled; long off temperature (exclude response); moderately off, close to
    boiling, or not recorded (keep, doubtful); else keep.
    """
    rules = rules or DeviationRules()
    found = (
        *_by_log(log),
        *_by_settings(planned, achieved, rules, log),
        *_by_course(log, rules),
        *_unrecorded(planned, achieved, log),
    )
    gravest = ("repeat", False), ("exclude response", False), ("keep", True), ("keep", False)
    in_order = sorted(found, key=lambda one: gravest.index((one.kind, one.doubtful)))
    if not in_order:
        return Deviation(
            "keep", "within-tolerance", "Within tolerance of its settings.", "Keep it."
        )
    first, *others = in_order
    return replace(first, besides=tuple(one.finding for one in others))


def _by_log(log: RunSummary | None) -> Iterator[Deviation]:
    if log is None or log.minutes_boiled is None:
        return
    if log.boiled:
        yield Deviation(
            "repeat",
            "boiled",
            f"The log shows {log.minutes_boiled:.2g} min below saturation (lowest margin "
            f"{log.margin_bar:.2g} bar at row {log.margin_row}): the water boiled.",
            "Keep the record, leave the responses out, repeat the run.",
        )
    elif log.minutes_may_boil:
        yield Deviation(
            "exclude response",
            "may-have-boiled",
            f"For {log.minutes_may_boil:.2g} min the water may have boiled, allowing for sensor "
            f"errors (lowest margin {log.margin_bar:.2g} bar at row {log.margin_row}).",
            "Keep the record, leave the responses out.",
        )
    elif log.minutes_below_margin:
        yield Deviation(
            "keep",
            "below-margin",
            f"It stayed liquid, but {log.minutes_below_margin:.2g} min were inside the required "
            f"margin (lowest {log.margin_bar:.2g} bar at row {log.margin_row}).",
            "Keep it with its achieved values, and find out why before the next run.",
            doubtful=True,
        )


def _by_settings(
    planned: Mapping[str, float],
    achieved: Mapping[str, float],
    rules: DeviationRules,
    log: RunSummary | None,
) -> Iterator[Deviation]:
    """Yield a deviation for each setting that was missed, temperature first."""
    units = {"temperature": "°C", "time": "min", "flow": "mL/min", "pressure": "bar"}
    for name, unit in units.items():
        if name not in planned or name not in achieved:
            continue
        off = achieved[name] - planned[name]
        if name == "temperature":
            size, minor, major = abs(off), rules.temperature_minor_K, rules.temperature_major_K
            allowed = f"{minor:g} K"
            worth = f", worth a factor {math.exp(off / SEVERITY_STEP_K):.2f} in severity"
            if log is not None and log.overshoot_K > minor:
                worth += (
                    f" (it overshot by {log.overshoot_K:.3g} K at row {log.hottest_row}, its "
                    f"median was {log.usual_C:.5g} °C)"
                )
        else:
            size = abs(off) / abs(planned[name]) if planned[name] else math.inf * abs(off)
            minor, major = rules.share_minor, rules.share_major
            allowed, worth = f"{100 * minor:g} %", ""
        text = (
            f"The mean {name} was {achieved[name]:.5g} {unit} against {planned[name]:.5g} {unit} "
            f"planned{worth}"
        )
        text = text.replace("The mean time", "The time")
        slack = 1 + 1e-9
        if size > major * slack and name != "pressure":
            yield Deviation(
                "repeat",
                f"{name}-far-off",
                f"{text}: another regime.",
                "Keep the record, leave the responses out, repeat it.",
            )
        elif size > minor * slack:
            yield Deviation(
                "keep",
                f"{name}-off",
                f"{text}; {allowed} are minor.",
                "Keep it with its achieved values, and analyse with and without it.",
                doubtful=True,
            )
        elif f"{achieved[name]:.4g}" != f"{planned[name]:.4g}":
            verdict = "Keep it with its achieved values."
            yield Deviation("keep", f"{name}-minor", f"{text}: minor.", verdict)


def _by_course(log: RunSummary | None, rules: DeviationRules) -> Iterator[Deviation]:
    """Yield a deviation where a mean does not describe the run; a steady offset has a mean."""
    if log is not None and log.minutes_off_usual > rules.off_share_max * log.time_min:
        yield Deviation(
            "exclude response",
            "temperature-unsteady",
            f"For {log.minutes_off_usual:.3g} of {log.time_min:.3g} min it was outside the "
            f"tolerance of its own median, {log.usual_C:.4g} °C ({log.temperature_low_C:.4g} "
            f"to {log.temperature_high_C:.4g} °C; allowed is {100 * rules.off_share_max:g} % of "
            "the time): no mean describes it.",
            "Keep the record, leave the responses out.",
        )


def _unrecorded(
    planned: Mapping[str, float], achieved: Mapping[str, float], log: RunSummary | None
) -> Iterable[Deviation]:
    judged = [name for name in ("temperature", "time", "flow") if name in planned]
    missing = [name for name in judged if name not in achieved]
    if missing:
        yield Deviation(
            "keep",
            "not-recorded",
            f"What was achieved is not recorded for {', '.join(missing)}; the set value stands in.",
            "Analyse with and without it.",
            doubtful=True,
        )
