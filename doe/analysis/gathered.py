"""The runs as a surrogate looks at them: each alone, or of many the near ones gathered.

500 runs would take hours each alone, and tell hardly more of a smooth surface than the averages of
near ones do, with the scatter that is left of them.

Shapes: n runs, b places that runs are gathered at (n where few), d columns of features, s sets of
length scales, g groupings of runs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.analysis.beyond_limits import AsMeasured, as_measured
from doe.analysis.strata import Shift
from doe.factors import FloatArray

__all__ = ["PLACES", "RUNS_ALONE", "Places", "Runs"]

Places = npt.NDArray[np.intp]

RUNS_ALONE, PLACES = 100, 60
"""Runs up to which each stands alone; places that more are gathered at."""


@dataclass(frozen=True, slots=True, eq=False)
class Runs:
    """The runs as they are looked at: each alone, or near ones gathered at b places.

    Attributes
    ----------
    features, z
        Averages at each place, (b, d) and (b,).
    each, place
        Value of each run (n,), and the place that it is gathered at.
    hidden, signs
        Runs (c,) of which only a limit is known, and the side on which they lie: see `side_signs`.
    shifts
        What runs share that may shift them together, g of them.
    share
        What each run counts in the average of a place (b, n).
    alike, alone
        What the scatter of each grouping, and of runs, leaves of the covariance of averages:
        (g, b, b), (b,).
    df_within, ss_within, strangers
        Scatter of runs about the averages, as if independent: what the surface does between runs of
        a place counts in it, so that intervals get wider, not narrower. What of the scatter of each
        grouping is between the runs of a place (g,).
    """

    features: FloatArray
    z: FloatArray
    each: FloatArray
    place: npt.NDArray[np.intp]
    hidden: Places
    signs: FloatArray
    shifts: tuple[Shift, ...]
    share: FloatArray
    alike: FloatArray
    alone: FloatArray
    df_within: int
    ss_within: float
    strangers: FloatArray

    @classmethod
    def of(
        cls,
        features: FloatArray,
        z: FloatArray,
        shifts: tuple[Shift, ...],
        signs: FloatArray,
        apart: FloatArray,
    ) -> Runs:
        """Return the runs; how near they are to each other is told by columns `apart` (n, d)."""
        n = len(z)
        hidden = np.flatnonzero(signs) if n <= RUNS_ALONE else np.zeros(0, dtype=np.intp)
        place = np.arange(n) if n <= RUNS_ALONE else _near_ones(apart, PLACES)
        members = (place == np.arange(place.max() + 1)[:, None]).astype(np.float64)
        share = members / members.sum(axis=1, keepdims=True)
        alike = np.stack([shift.columns @ shift.columns.T for shift in shifts])
        means = features if n <= RUNS_ALONE else share @ features
        averages = z if n <= RUNS_ALONE else share @ z
        return cls(
            means,
            averages,
            z,
            place,
            hidden,
            signs[hidden],
            shifts,
            share,
            share @ alike @ share.T,
            1 / members.sum(axis=1),
            n - len(share),
            float(((z - averages[place]) ** 2).sum()),
            _strangers(alike, members),
        )

    def told_by_limits(self, K: FloatArray) -> AsMeasured:
        """Return what limits tell, given the covariances (s, n, n) and the measured values."""
        if not len(self.hidden):
            nothing = np.zeros((len(K), 0))
            return AsMeasured(nothing, nothing, np.zeros(len(K)))
        known = np.setdiff1d(np.arange(len(self.z)), self.hidden)
        across = K[:, known[:, None], self.hidden]
        solved = np.linalg.solve(K[:, known[:, None], known], across)
        own = K[:, self.hidden[:, None], self.hidden]
        left = own - np.einsum("sij,sik->sjk", solved, across)
        mean = np.einsum("sij,i->sj", solved, self.z[known])
        return as_measured(mean, left, self.z[self.hidden], self.signs)

    def gathered(self, values: FloatArray) -> FloatArray:
        """Return values (e, n) of the runs as averages (e, b) of the places."""
        return values @ self.share.T


def _strangers(alike: FloatArray, members: FloatArray) -> FloatArray:
    """Return half the mean square (g,) by which unit shifts part two runs of a place."""
    n = members.shape[1]
    pairs = (members.T @ members).astype(np.bool_) & ~np.eye(n, dtype=np.bool_)
    if not pairs.any():
        return np.zeros(len(alike))
    own = np.diagonal(alike, axis1=1, axis2=2)
    apart = (own[:, :, None] + own[:, None, :]) / 2 - alike
    return np.asarray(apart[:, pairs].mean(axis=1))


def _near_ones(features: FloatArray, most: int) -> npt.NDArray[np.intp]:
    """Return the place (n,) of each run: the widest is halved until there are `most`."""
    place = np.zeros(len(features), dtype=np.intp)
    spans = [np.ptp(features, axis=0)]
    for new in range(1, most):
        widest = int(np.argmax([span.max() for span in spans]))
        axis = int(np.argmax(spans[widest]))
        own = np.flatnonzero(place == widest)
        along = features[own, axis]
        far = own[along > (along.min() + along.max()) / 2]
        if not len(far):
            break
        place[far] = new
        spans[widest] = np.ptp(features[place == widest], axis=0)
        spans.append(np.ptp(features[far], axis=0))
    return place
