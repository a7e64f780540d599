"""Whether fresh runs at the recommended settings confirm what was predicted for them.

Shapes: n confirming runs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from doe.analysis.fit import FittedModel
from doe.factors import FloatArray

__all__ = ["Confirmation", "confirmation", "interval_of_mean"]


@dataclass(frozen=True, slots=True)
class Confirmation:
    """The mean of n fresh runs beside the interval in which it had to fall."""

    response: str
    runs: int
    mean: float
    low: float
    high: float
    held: bool
    limit_kept: bool | None
    words: str


def interval_of_mean(
    fit: FittedModel, settings: FloatArray, runs: int, level: float = 0.95
) -> tuple[float, float]:
    """Return the interval of the mean of n fresh runs of one plot or day at settings (k,).

    Notes
    -----
    Variance: of the model's mean there, plus that between plots and blocks once, plus that of
    runs over n: runs made together share their plot. The interval of one new run (see `fit`) is
    narrowed in that proportion, so it keeps its degrees of freedom. Of a transformed response the
    mean is that of transformed values.
    """
    at = fit.predict(settings[None, :], level)
    middle = fit.scale.forward(at.mean)
    error = float((at.standard_error / np.abs(fit.scale.slope_back(middle)))[0])
    variances = dict(fit.variance_components)
    run = variances.get("run", fit.residual_sd) ** 2
    shared = sum(sd**2 for name, sd in variances.items() if name != "run")
    part = np.sqrt((error**2 + shared + run / runs) / max(error**2 + shared + run, 1e-300))
    ends = [middle + part * (fit.scale.forward(end) - middle) for end in (at.run_low, at.run_high)]
    low, high = (float(fit.scale.back(end)[0]) for end in ends)
    return low, high


def confirmation(fit: FittedModel, settings: FloatArray, values: FloatArray) -> Confirmation:
    """Return the verdict on values (n,) measured at settings (k,), by a fit without them."""
    n = len(values)
    low, high = interval_of_mean(fit, settings, n)
    modelled = fit.scale.forward(values)
    mean = float(fit.scale.back(np.array([np.mean(modelled)]))[0])
    held = low <= mean <= high
    wanted = fit.response.interval_wanted()
    kept = None if wanted is None else bool(wanted[0] <= mean <= wanted[1])
    unit = f" {fit.response.unit}" if fit.response.unit else ""
    runs = "1 confirming run" if n == 1 else f"{n} confirming runs"
    words = (
        f"{fit.response.words}: the mean of {runs}, {mean:.4g}{unit}, is "
        f"{'within' if held else 'outside'} the {low:.4g} to {high:.4g}{unit} predicted for it"
    )
    if kept is not None:
        words += f", and {'keeps' if kept else 'misses'} its limit"
    return Confirmation(fit.response.name, n, mean, low, high, held, kept, f"{words}.")
