"""What judges a term in a split plot: degrees of freedom between plots and between runs.

Shapes: n runs, p columns, q contrasts, b whole plots.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from doe.factors import FactorSpace, FloatArray
from doe.terms import Model, Term

__all__ = [
    "Blocks",
    "PlotDegreesOfFreedom",
    "block_contrasts",
    "block_numbers",
    "hard_factors",
    "linked",
    "plot_degrees_of_freedom",
    "satterthwaite",
    "whole_plot_columns",
    "whole_plot_terms",
]

Blocks = Sequence[int | None]
"""Block (day, lot, stage) of each run (n,); None for a run without one."""

SAME_SETTING = 9  # decimals in coded units
SINGULAR = 1e-9


def hard_factors(space: FactorSpace) -> tuple[int, ...]:
    """Return the positions of the factors that are hard or very hard to change."""
    return tuple(i for i, factor in enumerate(space) if factor.change != "easy")


def block_contrasts(blocks: Blocks) -> FloatArray:
    """Return sum-to-zero contrasts (n, b − 1) of the block of each run (n,).

    A run without a block has zeros.
    """
    known = sorted({block for block in blocks if block is not None})
    place = {block: i for i, block in enumerate(known)}
    width = max(len(known) - 1, 0)
    rows = np.vstack([np.eye(width), -np.ones((min(len(known), 1), width)), np.zeros((1, width))])
    return np.asarray(rows[[len(known) if b is None else place[b] for b in blocks]])


def block_numbers(blocks: Blocks) -> FloatArray:
    """Return a number for the block of each run (n,), one of its own for runs without."""
    known = [block for block in blocks if block is not None]
    without = min(known, default=0) - 1
    return np.array([without if block is None else block for block in blocks], dtype=np.float64)


def linked(stages: Sequence[int], settings: Sequence[int]) -> bool:
    """Tell whether repeated settings link all stages, given the stage and setting of each run."""
    stage = np.unique(np.asarray(stages), return_inverse=True)[1].ravel()
    setting = np.asarray(settings)
    reached, grown = {0}, True
    while grown:
        shared = set(setting[np.isin(stage, list(reached))].tolist())
        now = reached | set(stage[np.isin(setting, list(shared))].tolist())
        grown, reached = now != reached, now
    return len(reached) == int(stage.max(initial=-1)) + 1


def whole_plot_terms(model: Model) -> tuple[Term, ...]:
    """Return the terms of hard factors alone, the intercept among them."""
    hard = set(hard_factors(model.space))
    return tuple(
        term for term in model.terms if all(i in hard for i, p in enumerate(term.powers) if p)
    )


def whole_plot_columns(model: Model) -> int:
    """Return how many columns of a model whole plots must carry, the intercept among them."""
    own = set(whole_plot_terms(model))
    return sum(term in own for term, _ in model.columns)


@dataclass(frozen=True, slots=True)
class PlotDegreesOfFreedom:
    """How n runs in whole plots divide: n = model + plot_error + run_error.

    - ``plot_error`` = rank [X Z] − rank X: what differs between plots and no term explains; it
      judges terms of the hard factors. Of it, ``plot_pure`` comes from plots with the same
      setting of the hard factors.
    - ``run_error`` = n − rank [X Z]: it judges the other terms. Of it, ``run_pure`` comes from
      repeated settings within a plot.
    """

    plots: int
    model: int
    plot_error: int
    plot_pure: int
    run_error: int
    run_pure: int


def plot_degrees_of_freedom(
    model: Model,
    coded: FloatArray,
    plots: Sequence[int],
    blocks: Blocks | None = None,
) -> PlotDegreesOfFreedom:
    """Return how runs (n, k) in whole plots (n,) divide into model, plot and run error.

    With blocks (n,) their effects count with the model, and repeats only within a block.
    """
    X, Z = model.matrix(coded), _indicators(plots)
    if blocks is not None:
        X = np.hstack([X, block_contrasts(blocks)])
    own, both = (int(np.linalg.matrix_rank(A)) for A in (X, np.hstack([X, Z])))
    setting = np.round(coded, SAME_SETTING) + 0.0
    held = setting[:, list(hard_factors(model.space))]
    if blocks is not None:
        held = np.column_stack([held, block_numbers(blocks)])
    plot = np.asarray(plots, dtype=np.float64)[:, None]
    levels = len(np.unique(held, axis=0))
    distinct = len(np.unique(np.hstack([plot, setting]), axis=0))
    between = both - own
    return PlotDegreesOfFreedom(
        plots=Z.shape[1],
        model=own,
        plot_error=between,
        plot_pure=min(between, Z.shape[1] - levels),
        run_error=len(X) - both,
        run_pure=min(len(X) - both, len(X) - distinct),
    )


def satterthwaite(
    X: FloatArray,
    groupings: Sequence[Sequence[int]],
    ratios: Sequence[float],
    contrasts: FloatArray,
) -> FloatArray:
    """Return the degrees of freedom (q,) that judge contrasts (q, p) of generalised least squares.

    Parameters
    ----------
    groupings
        Group of each run (n,), one sequence a random effect (plots; blocks and plots).
    ratios
        Variance of each random effect over that between runs.

    Notes
    -----
    df = 2v²/(g'Ag): v = c'(X'V⁻¹X)⁻¹c, g its gradient by the variances, A the inverse of their
    expected restricted-likelihood information ½ tr(P V_i P V_j) (Satterthwaite 1946; Giesbrecht
    and Burns 1985, Biometrics 41, 477–486; for one contrast the same as Kenward and Roger 1997,
    Biometrics 53, 983–997; from memory). Zero where no run is left to estimate a variance that
    the contrast depends on.
    """
    parts = [np.eye(len(X))]
    parts += [Z @ Z.T for Z in map(_indicators, groupings)]
    sizes = (1.0, *ratios)
    V = sum((r * part for r, part in zip(sizes, parts, strict=True)), np.zeros_like(parts[0]))
    inverse = np.linalg.inv(V)
    C = np.linalg.inv(X.T @ inverse @ X)
    weights = inverse @ X @ C @ contrasts.T
    P = inverse - inverse @ X @ C @ X.T @ inverse
    products = [P @ part for part in parts]
    information = np.array([[0.5 * (a * b.T).sum() for b in products] for a in products])
    gradients = np.array([(weights * (part @ weights)).sum(axis=0) for part in parts])
    variance = np.einsum("qp,pr,qr->q", contrasts, C, contrasts)
    return _degrees(information, gradients, variance)


def _degrees(information: FloatArray, gradients: FloatArray, variance: FloatArray) -> FloatArray:
    """Return 2v²/(g'Ag), A inverted where the variances can be estimated; zero elsewhere."""
    values, vectors = np.linalg.eigh(information)
    known = values > SINGULAR * values.max()
    turned = vectors.T @ gradients
    unknown = (turned[~known] ** 2).sum(axis=0) > SINGULAR * (turned**2).sum(axis=0)
    spread = (turned[known] ** 2 / values[known, None]).sum(axis=0)
    degrees = np.where(spread > 0, 2 * variance**2 / np.where(spread > 0, spread, 1.0), 0.0)
    return np.asarray(np.where(unknown, 0.0, degrees))


def _indicators(groups: Sequence[int]) -> FloatArray:
    """Return the indicator (n, b) of each group."""
    of_run = np.unique(np.asarray(groups), return_inverse=True)[1].ravel()
    return np.eye(int(of_run.max()) + 1)[of_run]
