"""A whole campaign on invented data: a simulator plays the lab, and each step says what it found.

The plant, the rig and the numbers are made up. The loop is the real one: the files are those of
any campaign, and the results come back as a filled sheet through `record`.

Shapes: n runs.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from doe import workflow
from doe.campaign import CAMPAIGN_FILE, Campaign, campaign_names
from doe.errors import Notice
from doe.factors import FloatArray, feasible_settings
from doe.ledger import LedgerRow, number_text
from doe.sheet import sheet_csv
from doe.simulated_lab import (
    Bed,
    Material,
    Noise,
    Partition,
    Rate,
    Solute,
    achieved,
    play,
    true_responses,
)
from doe.terminal import (
    check_lines,
    fit_lines,
    plan_lines,
    suggest_lines,
    wrapped,
)
from doe.whole_file import write_page

if TYPE_CHECKING:
    from doe.analysis.fit import Prediction

__all__ = ["MATERIAL", "DemoResult", "Step", "demo"]

MATERIAL = Material(
    "sunthistle husks",
    "Invented. Heat frees a pigment and spoils it; water that runs too fast finds channels; "
    "browning sets in with heat and time.",
    Bed(water_mL_g=2.5, channelling_mL_min_g=1.6),
    (
        Solute(
            "pigment",
            content_mg_g=18.0,
            fast=Rate(0.09, 60.0),
            slow=Rate(0.02, 85.0),
            fast_share=0.6,
            partition=Partition(4.0, 25.0),
            loss=Rate(0.02, 75.0),
            bound_loss_share=0.2,
            receiver_C=40.0,
        ),
        Solute("by_product", 60.0, fast=Rate(9e-4, 45.0)),
    ),
)
SCATTER = Noise(run_relative_sd=0.04, floor_sd_mg_g=0.02, day_relative_sd=0.015)
RUNS_AFTER = 4
Say = Callable[[str], None]


@dataclass(frozen=True)
class Step:
    """A command of the walk, and what it found, in lines."""

    command: str
    found: tuple[str, ...]


@dataclass(frozen=True)
class DemoResult:
    """The walk, where it ended, and what is true there (a simulator knows).

    Attributes
    ----------
    settings
        Recommended settings (k,).
    truth_there
        True value of each response at the recommended settings.
    truth_best
        True value of each response at the best settings the rig could run.
    """

    campaign: Campaign
    steps: tuple[Step, ...]
    settings: FloatArray
    predictions: Mapping[str, Prediction]
    truth_there: Mapping[str, float]
    truth_best: Mapping[str, float]
    best: FloatArray
    files: tuple[Path, ...]
    notices: tuple[Notice, ...]


def demo(name: str, start: Path, *, seed: int, say: Say) -> DemoResult:
    """Walk through a campaign, from its file to a second fit after one round of suggestions.

    Raises
    ------
    StateError
        The folder cannot be written to.
    """
    walk = _Walk(say)
    workspace = workflow.workspace_of(start)
    name = _free_name(name, workspace)
    template = files("doe").joinpath("templates/demo.toml").read_text(encoding="utf-8")
    path = workspace / "designs" / name / CAMPAIGN_FILE
    write_page(path, template.replace("{{seed}}", str(seed)))
    campaign = workflow.load(str(path), start)
    walk.step(
        f"doe new {name}",
        wrapped(
            "Everything here is invented: the plant, its pigment and the rig. A small simulator of "
            "an extraction (release, transport, loss in the bed) plays the lab, with scatter."
        ),
    )
    checked = workflow.check(str(path), start)
    walk.step(f"doe check {name}", check_lines(checked)[2:])
    planned = workflow.plan(str(path), start)
    walk.step(f"doe plan {name}", plan_lines(planned)[2:])
    generator = np.random.default_rng([seed, 99])
    _play(campaign, planned.rows, 1, generator, walk)
    fitted = workflow.fit(str(path), start)
    walk.step(f"doe fit {name}", fit_lines(fitted)[2:])
    more = workflow.suggest(str(path), start, runs=RUNS_AFTER, accept=True)
    walk.step(f"doe suggest {name} --accept", suggest_lines(more)[2:])
    _play(campaign, more.rows, 2, generator, walk)
    last = workflow.fit(str(path), start)
    walk.step(f"doe fit {name}", fit_lines(last)[2:])
    best, truth_best = _true_best(campaign)
    optimum = last.analysis.optimum
    truth_there = _truth(campaign, optimum.settings[None, :])
    walk.say("")
    for line in _verdict(campaign, optimum.settings, truth_there, best, truth_best):
        walk.say(line)
    return DemoResult(
        campaign,
        tuple(walk.steps),
        optimum.settings,
        optimum.predictions,
        {key: float(value[0]) for key, value in truth_there.items()},
        truth_best,
        best,
        (*checked.files, planned.files[0], *fitted.files, more.files[0], *last.files),
        last.notices,
    )


class _Walk:
    """Says each step as it is done, and remembers it."""

    def __init__(self, say: Say) -> None:
        self.say = say
        self.steps: list[Step] = []

    def step(self, command: str, lines: Sequence[str]) -> None:
        found = tuple(line.rstrip() for line in lines)
        self.steps.append(Step(command, tuple(line for line in found if line)))
        self.say("")
        self.say(f"$ {command}")
        for line in found:
            self.say(line)


def _free_name(name: str, workspace: Path) -> str:
    taken = {other.casefold() for other in campaign_names(workspace)}
    if name.casefold() not in taken:
        return name
    return next(f"{name}-{i}" for i in range(2, 10_000) if f"{name}-{i}".casefold() not in taken)


def _play(
    campaign: Campaign,
    rows: Sequence[LedgerRow],
    stage: int,
    generator: np.random.Generator,
    walk: _Walk,
) -> None:
    """Let the simulator run the planned rows, and hand its filled sheet in."""
    planned = campaign.conditions(np.array([row.settings for row in rows]))
    really = achieved(planned, generator)
    days = [row.day for row in rows]
    measured = play(MATERIAL, really, days, SCATTER, generator)
    reached = {
        "temperature": np.round(really.temperature_C, 1),
        "flow": np.round(_known(really.flow_mL_min), 2),
        "time": np.round(_known(really.time_min), 1),
    }
    filled = [
        replace(
            row,
            achieved=tuple(float(reached[factor][i]) for factor in campaign.space.names),
            responses=tuple(
                float(f"{measured[f'{response.name}_mg_g'][i]:.3g}")
                for response in campaign.responses
            ),
        )
        for i, row in enumerate(rows)
    ]
    sheet = campaign.folder / f"lab-stage{stage}.csv"
    write_page(sheet, sheet_csv(filled, campaign.schema))
    result = workflow.record(str(campaign.folder), campaign.folder, sheet)
    words = [
        f"{response.words} {number_text(min(r.responses[j] or 0 for r in filled))} to "
        f"{number_text(max(r.responses[j] or 0 for r in filled))} {response.unit}"
        for j, response in enumerate(campaign.responses)
    ]
    days_said = len(set(days))
    walk.step(
        f"doe record {campaign.name} {sheet.name}",
        wrapped(
            f"The simulated lab ran {len(rows)} runs on {days_said} "
            f"day{'' if days_said == 1 else 's'} and sent its sheet back: "
            f"{'; '.join(words)}. {len(result.changes)} cells went into the ledger."
        ),
    )


def _known(values: FloatArray | None) -> FloatArray:
    assert values is not None
    return values


def _truth(campaign: Campaign, settings: FloatArray) -> dict[str, FloatArray]:
    truth = true_responses(MATERIAL, campaign.conditions(settings))
    return {response.name: truth[f"{response.name}_mg_g"] for response in campaign.responses}


def _true_best(campaign: Campaign) -> tuple[FloatArray, dict[str, float]]:
    """Return the settings truly best within the limits, and what is true there."""
    settings = feasible_settings(campaign.space, campaign.feasible)
    truth = _truth(campaign, settings)
    maximised, limited = campaign.responses
    assert limited.limit is not None
    allowed = np.where(truth[limited.name] <= limited.limit, truth[maximised.name], -np.inf)
    i = int(np.argmax(allowed))
    return settings[i], {name: float(values[i]) for name, values in truth.items()}


def _verdict(
    campaign: Campaign,
    settings: FloatArray,
    there: Mapping[str, FloatArray],
    best: FloatArray,
    at_best: Mapping[str, float],
) -> list[str]:
    """Return what only a simulator can tell: what is true where the campaign ended."""
    from doe.standing import setting_words

    maximised, limited = campaign.responses
    reached = float(there[maximised.name][0])
    share = 100 * reached / at_best[maximised.name]
    return wrapped(
        f"What only a simulator knows: at {setting_words(campaign.space, settings)} the true "
        f"{maximised.words} is {reached:.2f} {maximised.unit} and the true {limited.words} "
        f"{float(there[limited.name][0]):.2f} {limited.unit}. The best that this rig could truly "
        f"do within the limit of {limited.limit:g} {limited.unit} is "
        f"{at_best[maximised.name]:.2f} {maximised.unit}, at "
        f"{setting_words(campaign.space, best)}: the campaign reached {share:.0f} % of it in two "
        "rounds."
    )
