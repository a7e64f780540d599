"""The runs as they were planned and made, with the values of one response.

Shapes: n runs, k factors.
"""

from __future__ import annotations

from collections.abc import Sequence, Sized
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from doe.factors import FactorSpace, FloatArray

__all__ = ["NOT_MEASURED", "NOT_RUN_YET", "Blocks", "Censored", "Observations"]

NOT_MEASURED = "not measured"
NOT_RUN_YET = "not run yet"
STRAYED = 0.2
"""Coded step, a tenth of a range, by which departures from the plan count where ranks do."""

Censored = Literal["below", "above"]
Blocks = tuple[tuple[str, tuple[int | str | None, ...]], ...]


@dataclass(frozen=True, eq=False)
class Observations:
    """Runs and the values of one response.

    Attributes
    ----------
    planned, achieved
        Settings (n, k) in real units.
    values
        Values (n,) of the response; NaN where it was not measured.
    runs, stages, plots
        Number of each run, its stage, and its whole plot (counted within the stage).
    left_out
        Reason for leaving a run out, None to use it.
    blocks
        Name of a block (day, lot) and its level for each run; any number of blocks. None is a run
        that stands in none of the levels: it counts as of their average.
    censored
        For each run "below" or "above" where its value is only known to lie beyond the one in
        `values` (a limit of detection or of the scale), None where it was measured. Empty: all
        were measured.
    in_plots
        Plots scatter though no factor stays as it is within them: other factors stand in place of
        those that do.
    swings
        How far control lets each factor (k) stray from what is set, in its unit; empty: unknown.
    """

    space: FactorSpace
    planned: FloatArray
    achieved: FloatArray
    values: FloatArray
    runs: tuple[int, ...]
    stages: tuple[int, ...]
    plots: tuple[int, ...]
    left_out: tuple[str | None, ...]
    blocks: Blocks = ()
    censored: tuple[Censored | None, ...] = ()
    in_plots: bool = False
    swings: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        shape = (len(self.runs), len(self.space))
        columns: list[Sized] = [self.values, self.stages, self.plots, self.left_out]
        columns += [levels for _, levels in self.blocks]
        columns += [self.censored] if self.censored else []
        if {len(column) for column in columns} != {shape[0]}:
            raise ValueError(
                "values, stages, plots, left_out, blocks and censored must have one entry a run"
            )
        if np.shape(self.planned) != shape or np.shape(self.achieved) != shape:
            raise ValueError(f"planned and achieved settings must have shape {shape}")

    def reasons(self) -> tuple[str | None, ...]:
        """Return why each run cannot be used; None for the runs that can."""
        known = np.atleast_1d(np.isfinite(self.achieved).all(axis=1))
        if known.all() and np.isfinite(self.values).all():
            return tuple(reason or None for reason in self.left_out)
        return tuple(
            reason or _unusable(value, settings_known)
            for reason, value, settings_known in zip(self.left_out, self.values, known, strict=True)
        )

    def usable(self) -> Observations:
        """Return the observations of those runs only that can be used."""
        keep = [i for i, reason in enumerate(self.reasons()) if reason is None]
        return self if len(keep) == len(self.runs) else self.only(keep)

    def measured(self) -> Observations:
        """Return the observations less those whose value lies beyond a limit."""
        if not any(self.censored):
            return self
        return self.only([i for i, side in enumerate(self.censored) if side is None])

    def only(self, keep: Sequence[int]) -> Observations:
        """Return the observations of the runs at some places, none left out."""
        keep = list(keep)
        return Observations(
            self.space,
            np.asarray(self.planned)[keep],
            np.asarray(self.achieved)[keep],
            np.asarray(self.values)[keep],
            tuple(self.runs[i] for i in keep),
            tuple(self.stages[i] for i in keep),
            tuple(self.plots[i] for i in keep),
            (None,) * len(keep),
            tuple((name, tuple(levels[i] for i in keep)) for name, levels in self.blocks),
            tuple(self.censored[i] for i in keep) if self.censored else (),
            self.in_plots,
            self.swings,
        )

    def coded(self) -> FloatArray:
        """Return achieved settings (n, k) in coded units."""
        return self.space.code(self.achieved)

    def coded_as_planned(self) -> FloatArray:
        """Return planned settings (n, k) in coded units; achieved ones where no plan is known."""
        known = np.isfinite(self.planned).all(axis=1, keepdims=True)
        return self.space.code(np.where(known, self.planned, self.achieved))

    def coded_as_meant(self) -> FloatArray:
        """Return the settings (n, k) by which ranks are counted, in coded units.

        What a plan holds constant the rig never quite does. Departures from the plan count in
        tenths of a range, so that control's jitter tells no term apart and a real one does.
        """
        planned = self.coded_as_planned()
        strayed = np.round((self.coded() - planned) / STRAYED)
        return np.asarray(planned + STRAYED * strayed)

    def repeats(self) -> npt.NDArray[np.intp]:
        """Return for each run (n,) the number of its group of equally planned runs."""
        if not self.runs:
            return np.zeros(0, dtype=np.intp)
        rows = np.round(self.coded_as_planned(), 9) + 0.0
        return np.unique(rows, axis=0, return_inverse=True)[1].ravel()


def _unusable(value: float, settings_known: bool) -> str | None:
    if np.isnan(value):
        return NOT_MEASURED
    if np.isinf(value):
        return "value is not a finite number"
    return None if settings_known else "achieved settings not recorded"
