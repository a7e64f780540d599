"""A smooth guess at a response from few runs: a Gaussian process averaged over its settings.

With 12 to 20 runs one best set of length scales is often wrong and always too sure of itself, so
many sets are drawn from a prior, each weighs as much as the runs support it, and predictions are
averaged. Whether values or their logarithms are modelled is decided by the same weight.

Beyond some hundred runs, near ones are gathered and count as their average, with the scatter that
is left of it: 500 runs would take hours, and tell hardly more of a smooth surface.

Shapes: n runs, b places that runs are gathered at (n where few), m settings, k factors, d columns
of features, s sets of length scales, e draws.

References
----------
Rasmussen, Williams 2006, Gaussian Processes for Machine Learning, eqs. 2.23–2.30 (prediction,
evidence). Paths by Matheron's rule: Wilson et al. 2020, ICML, eq. 9 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.analysis.fit import Prediction
from doe.factors import CategoricalFactor, FactorSpace, FloatArray

__all__ = ["Recipe", "Surrogate", "surrogate"]

SETS_DRAWN = 600
SETS_KEPT = 40
ROUNDS = 3
WAVES, WAVES_ALONE = 128, 24
"""Random waves of which a drawn path is made: of all factors together, and of each alone."""
JITTER = 1e-8
LENGTH = (np.log(2.0), 0.8)
"""Prior of the logarithm of a length scale in half-ranges: most surfaces bend once over a range."""
ALONE = (np.log(0.6), 1.0)
BEND = (np.log(0.6), 1.0)
SLOPE = (np.log(0.3), 0.9)
CURVE = (np.log(0.12), 1.0)
NOISE = (np.log(0.2), 1.2)
GROUP = (np.log(0.1), 1.3)
"""Priors of standard deviations, in standard deviations of the values (our choice)."""
RUNS_ALONE, PLACES = 100, 60
"""Runs up to which each stands alone; places that more are gathered at."""
KNOWN_NOISE = 0.35
"""Spread of the logarithm of a scatter that the person has stated."""


@dataclass(frozen=True, slots=True, eq=False)
class Recipe:
    """What the predictions of a surrogate follow from, for who works them out elsewhere.

    Attributes
    ----------
    centre, size
        Modelled values are centre + size × standardised ones.
    sets, weights
        (s, k + 6) logarithms, in the order of the prior, and (s,) what each set weighs.
    features, group, z
        Of the runs: (n, d) columns, (n,) numbers of groups, (n,) standardised values.
    jitter
        Variance that each run has beside its scatter.
    """

    logarithmic: bool
    centre: float
    size: float
    run_sd: float
    sets: FloatArray
    weights: FloatArray
    features: FloatArray
    group: npt.NDArray[np.intp]
    z: FloatArray
    jitter: float = JITTER


@dataclass(frozen=True, slots=True, eq=False)
class Surrogate:
    """A response as the runs leave it open: many smooth surfaces, each with its weight.

    Attributes
    ----------
    logarithmic
        Whether logarithms are modelled; means and standard deviations then are of logarithms.
    run_sd
        Scatter of one new run in a new group, of modelled values.
    log_evidence
        Logarithm of the chance of the runs' values, averaged over the prior.
    """

    space: FactorSpace
    logarithmic: bool
    run_sd: float
    log_evidence: float
    _centre: float
    _size: float
    _weights: FloatArray
    _sets: FloatArray
    _runs: _Runs
    _factor_of: npt.NDArray[np.intp]
    _inverse: FloatArray
    _alpha: FloatArray

    @property
    def recipe(self) -> Recipe:
        return Recipe(
            self.logarithmic,
            self._centre,
            self._size,
            self.run_sd,
            self._sets,
            self._weights,
            self._runs.features,
            self._runs.group,
            self._runs.z,
        )

    def surface(self, settings: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return what `predict` gives without its intervals: means (m,) and standard errors (m,).

        In the unit of the response.
        """
        return self._in_unit(*self.mean_sd(settings))

    def mean_sd(self, settings: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return mean (m,) and standard deviation (m,) of the surface, of modelled values."""
        means, variances = self._by_set(settings)
        first = self._weights @ means
        second = self._weights @ (means**2 + variances)
        sd = np.sqrt((second - first**2).clip(min=1e-12))
        return self._centre + self._size * first, self._size * sd

    def predict(self, settings: FloatArray, level: float = 0.95) -> Prediction:
        """Return means with intervals of the surface and of one run in a new group, at (m, k).

        Of modelled logarithms `mean` is the median.
        """
        mean, sd = self.mean_sd(settings)
        surface = self._interval(settings, level, np.zeros(len(self._sets)))
        run = self._interval(settings, level, self._scatter(1))
        told = self._in_unit(mean, sd)
        return Prediction(*told, *surface, *run, level, self._expected(mean))

    def interval_of_mean(
        self, settings: FloatArray, runs: int, level: float = 0.95
    ) -> tuple[float, float]:
        """Return the interval of the mean of n runs of one new group at settings (k,).

        Runs of one day share what the day does to them, so only their own scatter is divided
        by n. Of modelled logarithms the mean is that of logarithms.
        """
        low, high = self._interval(settings[None], level, self._scatter(runs))
        return float(low[0]), float(high[0])

    def r2_left_out(self) -> float:
        """Return predicted R²: of modelled values, each run foretold from the others.

        Notes
        -----
        Under each set in closed form (Rasmussen, Williams, eq. 5.12), the sets weighed as if the
        run had not been made. Runs gathered at a place are foretold without any of them.
        """
        z, each = self._runs.z, self._runs.each
        spread = 1 / np.diagonal(self._inverse, axis1=1, axis2=2)
        foretold = z - self._alpha * spread
        chance = np.exp(-0.5 * (z - foretold) ** 2 / spread) / np.sqrt(spread)
        weights = self._weights[:, None] / np.maximum(chance, 1e-12)
        foretold = (weights * foretold).sum(axis=0) / weights.sum(axis=0)
        total = float(((each - each.mean()) ** 2).sum())
        return 1 - float(((each - foretold[self._runs.place]) ** 2).sum()) / total

    @property
    def groups_differ(self) -> float:
        """Chance that groups differ by more than runs of one group scatter; 0 with one group."""
        if not self._runs.group.any():
            return 0.0
        return float(self._weights @ (self._sets[:, -2] > self._sets[:, -1]))

    def _in_unit(self, mean: FloatArray, sd: FloatArray) -> tuple[FloatArray, FloatArray]:
        back = self.back(mean)
        return back, np.asarray(sd * back if self.logarithmic else sd)

    def _expected(self, mean: FloatArray) -> FloatArray | None:
        return np.exp(mean + self.run_sd**2 / 2) if self.logarithmic else None

    def _scatter(self, runs: int) -> FloatArray:
        """Return by set the variance (s,) of the mean of n runs of one new group, standardised."""
        shared, own = np.exp(2 * self._sets[:, -2:]).T
        return np.asarray(shared + own / runs)

    def _interval(
        self, settings: FloatArray, level: float, extra: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return the ends (m,) of an interval of the average over sets, by halving."""
        from scipy.special import ndtr

        means, variances = self._by_set(settings)
        sd = np.sqrt(variances + extra[:, None] + 1e-12)
        ends = []
        for share in ((1 - level) / 2, (1 + level) / 2):
            low, high = (means - 9 * sd).min(axis=0), (means + 9 * sd).max(axis=0)
            for _ in range(45):
                middle = (low + high) / 2
                below = self._weights @ ndtr((middle - means) / sd) < share
                low, high = np.where(below, middle, low), np.where(below, high, middle)
            ends.append(self.back(self._centre + self._size * (low + high) / 2))
        return ends[0], ends[1]

    def _by_set(self, settings: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return means and variances (s, m) of the surface under each set, standardised."""
        at = _features(self.space, settings)
        own = _Own(self._sets, self._factor_of)
        means, variances = np.empty((2, len(self._weights), len(at)))
        for i in range(len(self._weights)):
            cross = own.kernel(i, at, self._runs.features)
            means[i] = cross @ self._alpha[i]
            known = np.einsum("ij,ij->i", cross @ self._inverse[i], cross)
            variances[i] = own.at_itself(i, at) - known
        return means, variances.clip(min=0.0)

    def paths(self, settings: FloatArray, count: int, generator: np.random.Generator) -> FloatArray:
        """Return drawn surfaces (e, m) at settings, in the unit of the response."""
        at = _features(self.space, settings)
        runs = self._runs
        both = np.vstack([at, runs.features])
        which = np.sort(generator.choice(len(self._weights), count, p=self._weights))
        own = _Own(self._sets, self._factor_of)
        found = np.empty((count, len(at)))
        for i in np.unique(which):
            rows = np.flatnonzero(which == i)
            prior = own.prior_paths(int(i), both, len(rows), generator)
            scatter = own.scatter(int(i), runs.group, len(rows), generator)
            update = (runs.z - prior[:, len(at) :] - runs.gathered(scatter)) @ self._inverse[i]
            found[rows] = prior[:, : len(at)] + update @ own.kernel(int(i), runs.features, at)
        return self.back(self._centre + self._size * found)

    def back(self, modelled: FloatArray) -> FloatArray:
        """Return modelled values in the unit of the response."""
        return np.exp(np.minimum(modelled, 700.0)) if self.logarithmic else modelled

    def shifted(self, values: FloatArray, by: float) -> FloatArray:
        """Return values moved by an amount in which they are modelled."""
        return values * np.exp(by) if self.logarithmic else values + by

    def forward(self, value: float) -> float:
        """Return a value in the unit of the response as it is modelled; −∞ for log of ≤ 0."""
        if not self.logarithmic:
            return value
        return float(np.log(value)) if value > 0 else -np.inf

    def chance_between(self, settings: FloatArray, low: float, high: float) -> FloatArray:
        """Return the chance (m,) that one new run falls in [low, high], scatter included."""
        from scipy.special import ndtr

        mean, sd = self.mean_sd(settings)
        total = np.hypot(sd, self.run_sd)
        below = [ndtr((self.forward(bound) - mean) / total) for bound in (low, high)]
        return np.asarray(below[1] - below[0], dtype=np.float64)


def surrogate(
    space: FactorSpace,
    settings: FloatArray,
    values: FloatArray,
    groups: Sequence[object],
    generator: np.random.Generator,
    *,
    scatter: float | None = None,
    scatter_relative: bool = False,
    logarithmic: bool | None = None,
) -> Surrogate:
    """Return the surrogate of a response.

    Parameters
    ----------
    settings, values
        Of the runs, (n, k) in real units and (n,).
    groups
        What runs share that may shift them together (a day, a stage), one label a run.
    scatter, scatter_relative
        Standard deviation of repeated runs as the person states it, in the unit or as a share.
    logarithmic
        None: whichever the runs support more.
    """
    if logarithmic is None and (values <= 0).any():
        logarithmic = False
    scales = (False, True) if logarithmic is None else (logarithmic,)
    seeds = generator.integers(2**32, size=2)
    found = []
    for scale in scales:
        z = np.log(values) if scale else values
        known = _known_scatter(values, scatter, scatter_relative, scale)
        own = np.random.default_rng(seeds[int(scale)])
        fit = _fitted(space, settings, z, groups, own, known, scale)
        shift = -float(np.log(values).sum()) if scale else 0.0
        found.append((fit.log_evidence + shift, fit))
    return max(found, key=lambda pair: pair[0])[1]


def _known_scatter(
    values: FloatArray, scatter: float | None, relative: bool, scale: bool
) -> float | None:
    if scatter is None:
        return None
    middle = float(np.abs(values).mean())
    if scale:
        return scatter if relative else scatter / middle
    return scatter * middle if relative else scatter


def _fitted(
    space: FactorSpace,
    settings: FloatArray,
    values: FloatArray,
    groups: Sequence[object],
    generator: np.random.Generator,
    scatter: float | None,
    logarithmic: bool,
) -> Surrogate:
    centre, size = float(values.mean()), float(values.std(ddof=1)) or 1.0
    z = (values - centre) / size
    features, factor_of = _features(space, settings), _factor_of(space)
    group = np.unique([str(g) for g in groups], return_inverse=True)[1].ravel()
    mean, sd = _prior(space, scatter, size)
    runs = _Runs.of(features, z, group)
    sets, weights, evidence = _weighed(runs, factor_of, mean, sd, generator)
    keep = np.argsort(-weights)[:SETS_KEPT]
    sets, weights = sets[keep], weights[keep] / weights[keep].sum()
    own = _Own(sets, factor_of)
    K = np.stack([own.of_runs(i, runs) for i in range(len(sets))])
    inverse = np.asarray(np.linalg.inv(K), dtype=np.float64)
    run = float(np.sqrt(weights @ (np.exp(2 * sets[:, -1]) + np.exp(2 * sets[:, -2]))))
    return Surrogate(
        space,
        logarithmic,
        size * run,
        evidence - len(z) * float(np.log(size)),
        centre,
        size,
        weights,
        sets,
        runs,
        factor_of,
        inverse,
        inverse @ runs.z,
    )


def _prior(space: FactorSpace, scatter: float | None, size: float) -> tuple[FloatArray, FloatArray]:
    """Return mean and spread of the prior of the logarithms that make up a set.

    In order: a length scale a factor, bends of single factors, bends of all together, slope,
    curvature, scatter of groups, scatter of runs.
    """
    noise = NOISE if not scatter else (float(np.log(scatter / size)), KNOWN_NOISE)
    rows = [LENGTH] * len(space) + [ALONE, BEND, SLOPE, CURVE, GROUP, noise]
    mean, sd = np.array(rows).T
    return mean, sd


def _weighed(
    runs: _Runs,
    factor_of: npt.NDArray[np.intp],
    mean: FloatArray,
    sd: FloatArray,
    generator: np.random.Generator,
) -> tuple[FloatArray, FloatArray, float]:
    """Return sets of length scales with their weights, and the logarithm of the evidence.

    Importance sampling, the proposal moved to where the weight lies after each round and kept
    wider than it; the last round counts.
    """
    at, root = mean, np.diag(sd)
    for turn in range(ROUNDS):
        normal = generator.standard_normal((SETS_DRAWN, len(mean)))
        sets = at + normal @ root.T
        chance = _log_chances(runs, factor_of, sets)
        log_prior = -0.5 * (((sets - mean) / sd) ** 2).sum(axis=1) - np.log(sd).sum()
        proposed = -0.5 * (normal**2).sum(axis=1) - np.log(np.abs(np.diag(root))).sum()
        log_weight = chance + log_prior - proposed
        top = float(log_weight.max())
        weights = np.exp(log_weight - top)
        evidence = top + float(np.log(weights.mean()))
        weights /= weights.sum()
        if turn < ROUNDS - 1:
            softened = np.sqrt(weights) / np.sqrt(weights).sum()
            at = softened @ sets
            off = sets - at
            spread = (softened[:, None] * off).T @ off + 0.02 * np.diag(sd**2)
            root = np.linalg.cholesky(spread)
    return sets, weights, evidence


def _log_chances(runs: _Runs, factor_of: npt.NDArray[np.intp], sets: FloatArray) -> FloatArray:
    """Return the logarithm (s,) of the chance of the values under each set (eq. 2.30).

    What runs gathered at a place scatter about their average counts beside it.
    """
    own, z, n = _Own(sets, factor_of), runs.z, len(runs.z)
    at_once = max(1, 4_000_000 // n**2)
    found = []
    for first in range(0, len(sets), at_once):
        K = own.of_runs_many(slice(first, first + at_once), runs)
        root = np.linalg.cholesky(K)
        white = np.linalg.solve(root, np.broadcast_to(z[:, None], (len(K), n, 1)))[:, :, 0]
        halves = np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
        found.append(-0.5 * (white**2).sum(axis=1) - halves - 0.5 * n * np.log(2 * np.pi))
    together = np.concatenate(found)
    if runs.df_within:
        shared, noise = np.exp(2 * sets[:, -2:]).T
        within = noise + shared * runs.strangers
        together -= 0.5 * (runs.df_within * np.log(2 * np.pi * within) + runs.ss_within / within)
    return together


@dataclass(frozen=True, slots=True, eq=False)
class _Runs:
    """The runs as they are looked at: each alone, or near ones gathered at b places.

    Attributes
    ----------
    features, z
        Averages at each place, (b, d) and (b,).
    each, place, group
        Value of each run (n,), the place that it is gathered at, and its group.
    share
        What each run counts in the average of a place (b, n).
    same, alone
        What the scatter of groups, and of runs, leaves of the covariance of averages: (b, b), (b,).
    df_within, ss_within, strangers
        Scatter of runs about the averages, as if independent: what the surface does between runs of
        a place counts in it, so that intervals get wider, not narrower. Share of the pairs at a
        place that are of different groups.
    """

    features: FloatArray
    z: FloatArray
    each: FloatArray
    place: npt.NDArray[np.intp]
    group: npt.NDArray[np.intp]
    share: FloatArray
    same: FloatArray
    alone: FloatArray
    df_within: int
    ss_within: float
    strangers: float

    @classmethod
    def of(cls, features: FloatArray, z: FloatArray, group: npt.NDArray[np.intp]) -> _Runs:
        n = len(z)
        place = np.arange(n) if n <= RUNS_ALONE else _near_ones(features, PLACES)
        members = (place == np.arange(place.max() + 1)[:, None]).astype(np.float64)
        share = members / members.sum(axis=1, keepdims=True)
        alike = (group[:, None] == group[None, :]).astype(np.float64)
        at_place = (members.T @ members).astype(np.bool_) & ~np.eye(n, dtype=np.bool_)
        strangers = float(1 - alike[at_place].mean()) if at_place.any() else 0.0
        means = features if n <= RUNS_ALONE else share @ features
        averages = z if n <= RUNS_ALONE else share @ z
        return cls(
            means,
            averages,
            z,
            place,
            group,
            share,
            share @ alike @ share.T,
            1 / members.sum(axis=1),
            n - len(share),
            float(((z - averages[place]) ** 2).sum()),
            strangers,
        )

    def gathered(self, values: FloatArray) -> FloatArray:
        """Return values (e, n) of the runs as averages (e, b) of the places."""
        return values @ self.share.T


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


@dataclass(frozen=True, slots=True)
class _Own:
    """The covariance that each set of length scales stands for.

    Level + slopes + second order + bends of each factor alone + bends of all together. What
    single factors do is told apart from how they act together, so that a factor that hardly
    matters costs few runs; second order lets noisy runs speak for a plain hill or an oblique
    ridge as strongly as a polynomial would, where they do.
    """

    sets: FloatArray
    factor_of: npt.NDArray[np.intp]

    LEVEL = 1.0

    def _parts(self, i: int) -> tuple[FloatArray, float, float, float, float]:
        one = self.sets[i]
        own, bend, slope, curve = (float(part) for part in np.exp(2 * one[-6:-2]))
        return np.exp(one[:-6][self.factor_of]), own, bend, slope, curve

    def kernel(self, i: int, a: FloatArray, b: FloatArray) -> FloatArray:
        lengths, own, bend, slope, curve = self._parts(i)
        straight = a @ b.T
        total = self.LEVEL + slope * straight + curve * straight**2
        near = np.ones_like(total)
        for columns in self._columns():
            one = (a[:, columns] / lengths[columns])[:, None] - b[:, columns] / lengths[columns]
            alike = np.exp(-0.5 * (one**2).sum(axis=2))
            total += own / self._count * alike
            near *= alike
        return np.asarray(total + bend * near, dtype=np.float64)

    def at_itself(self, i: int, a: FloatArray) -> FloatArray:
        _, own, bend, slope, curve = self._parts(i)
        square = (a**2).sum(axis=1)
        return np.asarray(self.LEVEL + slope * square + curve * square**2 + own + bend)

    @property
    def _count(self) -> int:
        return int(self.factor_of.max()) + 1

    def _columns(self) -> list[npt.NDArray[np.intp]]:
        """Return the columns of each factor."""
        return [np.flatnonzero(self.factor_of == i) for i in range(self._count)]

    def of_runs(self, i: int, runs: _Runs) -> FloatArray:
        return np.asarray(self.of_runs_many(slice(i, i + 1), runs)[0])

    def of_runs_many(self, which: slice, runs: _Runs) -> FloatArray:
        sets, features, n = self.sets[which], runs.features, len(runs.features)
        squares = (features[:, None, :] - features[None, :, :]) ** 2
        own, bend, slope, curve, shared, noise = np.exp(2 * sets[:, -6:]).T[:, :, None, None]
        alone, near = np.zeros((len(sets), n, n)), np.ones((len(sets), n, n))
        for i, columns in enumerate(self._columns()):
            apart = squares[:, :, columns].sum(axis=2)
            alike = np.exp(-0.5 * np.exp(-2 * sets[:, i])[:, None, None] * apart)
            alone += alike
            near *= alike
        straight = features @ features.T
        K = self.LEVEL + slope * straight + curve * straight**2
        K = K + own / self._count * alone + bend * near
        return np.asarray(K + shared * runs.same + (noise * runs.alone + JITTER) * np.eye(n))

    def prior_paths(
        self, i: int, at: FloatArray, count: int, generator: np.random.Generator
    ) -> FloatArray:
        """Return drawn surfaces (count, m) before any run is known."""
        lengths, own, bend, slope, curve = self._parts(i)
        waves = generator.standard_normal((WAVES, at.shape[1])) / lengths
        parts = [(waves, bend / WAVES)]
        for columns in self._columns():
            alone = np.zeros((WAVES_ALONE, at.shape[1]))
            alone[:, columns] = generator.standard_normal((WAVES_ALONE, len(columns)))
            parts.append((alone / lengths, own / self._count / WAVES_ALONE))
        slopes = generator.standard_normal((count, at.shape[1])) * np.sqrt(slope)
        level = generator.standard_normal((count, 1)) * np.sqrt(self.LEVEL)
        pairs = (at[:, :, None] * at[:, None, :]).reshape(len(at), -1)
        curves = generator.standard_normal((count, pairs.shape[1])) * np.sqrt(curve)
        total = level + slopes @ at.T + curves @ pairs.T
        for waves, share in parts:
            phase = generator.uniform(0, 2 * np.pi, len(waves))
            heights = generator.standard_normal((count, len(waves))) * np.sqrt(2 * share)
            total += heights @ np.cos(at @ waves.T + phase).T
        return np.asarray(total)

    def scatter(
        self, i: int, group: npt.NDArray[np.intp], count: int, generator: np.random.Generator
    ) -> FloatArray:
        """Return drawn scatter (count, n) of the runs: what their group shares, and their own."""
        shared, noise = np.exp(self.sets[i, -2:])
        of_group = generator.standard_normal((count, int(group.max(initial=0)) + 1))
        of_run = generator.standard_normal((count, len(group)))
        return np.asarray(shared * of_group[:, group] + noise * of_run)


def _features(space: FactorSpace, settings: FloatArray) -> FloatArray:
    """Return coded settings as columns (m, d); a categorical factor as one column a level.

    Two levels lie √2·√2 = 2 apart, as far as the ends of a numeric factor.
    """
    coded = space.code(np.atleast_2d(settings))
    columns = []
    for i, factor in enumerate(space):
        if isinstance(factor, CategoricalFactor):
            levels = np.arange(len(factor.levels))
            columns.append(np.sqrt(2.0) * (np.round(coded[:, [i]]) == levels))
        else:
            columns.append(coded[:, [i]])
    return np.hstack(columns).astype(np.float64)


def _factor_of(space: FactorSpace) -> npt.NDArray[np.intp]:
    widths = [len(f.levels) if isinstance(f, CategoricalFactor) else 1 for f in space]
    return np.repeat(np.arange(len(space)), widths)
