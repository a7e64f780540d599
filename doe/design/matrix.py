"""The Design: the runs of one stage, in the order they are to be run.

Shapes: n runs, k factors.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from doe.errors import Notice
from doe.factors import FactorSpace, FloatArray

__all__ = ["Design", "randomised"]


@dataclass(frozen=True)
class Design:
    """Runs of one stage: settings (n, k) in real units, whole plots, kinds, and where from.

    `kinds` says what each run is for: ``corner``, ``edge``, ``axial``, ``centre``, ``chosen``
    (picked by an optimality criterion), ``repeat``, ``best``, ``sharpen`` …
    """

    space: FactorSpace
    settings: FloatArray
    kinds: tuple[str, ...]
    plots: tuple[int, ...]
    family: str
    reason: str
    model: str
    seed: int
    notices: tuple[Notice, ...] = ()

    def __post_init__(self) -> None:
        n = len(self.settings)
        if self.settings.shape != (n, len(self.space)) or {len(self.kinds), len(self.plots)} != {n}:
            raise ValueError("settings, kinds and plots must have one entry a run")
        self.settings.setflags(write=False)

    def __len__(self) -> int:
        return len(self.settings)

    @property
    def coded(self) -> FloatArray:
        """Settings (n, k) in coded units."""
        return self.space.code(self.settings)


def randomised(design: Design, generator: np.random.Generator) -> Design:
    """Return the design in random order, whole plots numbered in the order they come.

    Whole plots are shuffled, and runs within each; with one run a plot that is a complete
    randomisation.
    """
    plots = np.asarray(design.plots)
    order: list[int] = []
    for plot in generator.permutation(np.unique(plots)):
        order.extend(generator.permutation(np.flatnonzero(plots == plot)).tolist())
    return _in_order(design, np.asarray(order))


def _in_order(design: Design, order: npt.NDArray[np.int_]) -> Design:
    seen: dict[int, int] = {}
    plots = tuple(seen.setdefault(design.plots[i], len(seen) + 1) for i in order)
    return replace(
        design,
        settings=design.settings[order].copy(),
        kinds=tuple(design.kinds[i] for i in order),
        plots=plots,
    )
