"""Plackett–Burman designs: main effects of up to N − 1 two-level factors in N runs.

Eight and sixteen runs are regular fractions, for which the published generators of `screening`
serve; 12, 20 and 24 come from pyDOE3, which is right there (half a second to import, only when one
of these is asked for). Balance and orthogonality are checked on what it returns.

Shapes: n runs, k factors.
"""

from __future__ import annotations

import numpy as np

from doe.design.coded import CodedRuns
from doe.design.screening import Fraction, fraction_points, regular_fractions
from doe.errors import DesignError
from doe.factors import FloatArray

__all__ = ["PLACKETT_BURMAN_RUNS", "plackett_burman", "plackett_burman_size"]

PLACKETT_BURMAN_RUNS = (8, 12, 16, 20, 24)
FACTORS_LEAST = 3


def plackett_burman_size(factors: int) -> int:
    """Return the fewest runs of a Plackett–Burman design: one more than factors, or above.

    Raises
    ------
    DesignError
        Fewer than three or more than 23 factors.
    """
    most = PLACKETT_BURMAN_RUNS[-1] - 1
    if not FACTORS_LEAST <= factors <= most:
        raise DesignError.of(
            "factor-count",
            f"A Plackett–Burman design is made for {FACTORS_LEAST} to {most} factors,"
            f" not {factors}.",
            "Use a factorial design." if factors < FACTORS_LEAST else "Hold some constant.",
        )
    return next(runs for runs in PLACKETT_BURMAN_RUNS if runs > factors)


def plackett_burman(factors: int, runs: int | None = None) -> CodedRuns:
    """Return a two-level design for main effects in 8, 12, 16, 20 or 24 runs (the fewest if None).

    In 12, 20 and 24 runs each main effect is partly mixed with every two-factor interaction of
    other factors: see `doe.design.aliasing`.

    Raises
    ------
    DesignError
        A number of factors or runs that has no such design.
    """
    fewest = plackett_burman_size(factors)
    size = fewest if runs is None else runs
    if size not in PLACKETT_BURMAN_RUNS or size < fewest:
        nearest = next((n for n in PLACKETT_BURMAN_RUNS if n >= max(size, fewest)), 24)
        raise DesignError.of(
            "no-such-size",
            f"There is no Plackett–Burman design of {size} runs for {factors} factors.",
            f"The nearest has {nearest} runs.",
        )
    fraction = _regular(factors, size)
    points = _by_library(factors, size) if fraction is None else fraction_points(fraction)
    return CodedRuns.of_kind(_verified(points, factors, size), "corner")


def _regular(factors: int, runs: int) -> Fraction | None:
    if runs not in (8, 16):
        return None
    return next((f for f in regular_fractions(factors) if f.runs == runs), None)


def _by_library(factors: int, runs: int) -> FloatArray:
    from pyDOE3 import pbdesign

    return np.asarray(pbdesign(runs - 1), dtype=np.float64)[:, :factors]


def _verified(points: FloatArray, factors: int, runs: int) -> FloatArray:
    X = np.column_stack([np.ones(len(points)), points])
    right = (
        points.shape == (runs, factors)
        and bool((np.abs(points) == 1).all())
        and bool((runs * np.eye(factors + 1) == X.T @ X).all())
    )
    if not right:
        raise DesignError.of(
            "plackett-burman-wrong",
            "The Plackett–Burman design that was made is not balanced and orthogonal.",
            "Ask for another family of design.",
        )
    return points
