"""The Design: the runs of one stage, in the order they are to be run.

Shapes: n runs, k factors.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from doe.errors import Notice
from doe.factors import FactorSpace, FloatArray

if TYPE_CHECKING:
    from doe.design.exchange import Criterion

__all__ = ["Design", "randomised"]


@dataclass(frozen=True)
class Design:
    """Runs of one stage: settings (n, k) in real units, whole plots, kinds, and where from.

    `kinds` says what each run is for: ``corner``, ``edge``, ``axial``, ``centre``, ``chosen``
    (picked by an optimality criterion), ``filling`` (spread over the space), ``repeat``, ``best``,
    ``sharpen`` … `blocks` holds the block (day, lot) of each run if the design has any.
    `variance_ratio` is the variance between whole plots over that between runs that the design was
    made for. `runner_up` says which design came second and what it would give. `criterion` is what
    an optimal design is best by.
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
    runner_up: str = ""
    variance_ratio: float = 0.0
    blocks: tuple[int, ...] = ()
    criterion: Criterion | None = None

    def __post_init__(self) -> None:
        n = len(self.settings)
        if self.settings.shape != (n, len(self.space)) or {len(self.kinds), len(self.plots)} != {n}:
            raise ValueError("settings, kinds and plots must have one entry a run")
        if self.blocks and len(self.blocks) != n:
            raise ValueError("blocks must have one entry a run, or none at all")
        self.settings.setflags(write=False)

    def __len__(self) -> int:
        return len(self.settings)

    @property
    def for_model(self) -> str:
        """What model the design is for; one that fills the space is made for none."""
        named = self.model.startswith("full")
        model = f"a {self.model} model" if named else f"this model: {self.model}"
        return f"{'judged by' if self.family == 'space-filling' else 'for'} {model}"

    @property
    def coded(self) -> FloatArray:
        """Settings (n, k) in coded units."""
        return self.space.code(self.settings)


def randomised(design: Design, generator: np.random.Generator) -> Design:
    """Return the design in random order, whole plots numbered in the order they come.

    Blocks are shuffled, whole plots within each, and runs within each plot; with one run a plot
    and no blocks that is a complete randomisation, but for the centre runs: repeats of one
    setting, they are spread evenly from a random start, so that they show a drift (NIST/SEMATECH
    e-Handbook, 5.3.3.7).

    Raises
    ------
    ValueError
        A whole plot reaches over two blocks.
    """
    plots = np.asarray(design.plots)
    blocks = np.asarray(design.blocks) if design.blocks else np.zeros(len(design), dtype=int)
    if len(set(zip(blocks.tolist(), plots.tolist(), strict=True))) > len(np.unique(plots)):
        raise ValueError("a whole plot must lie within one block")
    order: list[int] = []
    for block in generator.permutation(np.unique(blocks)) if design.blocks else (0,):
        for plot in generator.permutation(np.unique(plots[blocks == block])):
            order.extend(generator.permutation(np.flatnonzero(plots == plot)).tolist())
    if not design.blocks and len(np.unique(plots)) == len(design):
        order = _with_centres_spread(design, order, float(generator.random()))
    return _in_order(design, np.asarray(order))


def _with_centres_spread(design: Design, order: list[int], start: float) -> list[int]:
    """Return an order in which the centre runs stand as far apart as they can."""
    centres = [i for i in order if design.kinds[i] == "centre"]
    others = [i for i in order if design.kinds[i] != "centre"]
    if len(centres) < 2:
        return order
    n = len(order)
    places = {int((j + start) * n / len(centres)) for j in range(len(centres))}
    centre, other = iter(centres), iter(others)
    return [next(centre) if place in places else next(other) for place in range(n)]


def _in_order(design: Design, order: npt.NDArray[np.int_]) -> Design:
    return replace(
        design,
        settings=design.settings[order].copy(),
        kinds=tuple(design.kinds[i] for i in order),
        plots=_numbered(design.plots, order),
        blocks=_numbered(design.blocks, order) if design.blocks else (),
    )


def _numbered(labels: tuple[int, ...], order: npt.NDArray[np.int_]) -> tuple[int, ...]:
    """Return labels in an order, numbered from 1 as they come."""
    seen: dict[int, int] = {}
    return tuple(seen.setdefault(labels[i], len(seen) + 1) for i in order)
