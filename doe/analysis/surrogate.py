"""A smooth guess at a response from few runs: a Gaussian process averaged over its settings.

With 12 to 20 runs one best set of length scales is often wrong and always too sure of itself, so
many sets are drawn from priors, each weighs as much as the runs support it, and predictions are
averaged. The priors stand for surfaces of two characters (`CHARACTERS`), since no single one suits
a slanting ridge and a cliff: the runs say which it is. Whether values or their logarithms are
modelled is decided by the same weight.

Shapes: n runs, b places that runs are gathered at (n where few), m settings, k factors, d columns
of features, s sets of hyperparameters, e draws, g groupings of runs.

References
----------
Rasmussen, Williams 2006, Gaussian Processes for Machine Learning, eqs. 2.23–2.30 (prediction,
evidence). Paths by Matheron's rule: Wilson et al. 2020, ICML, eq. 9 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from doe.analysis.beyond_limits import AsMeasured
from doe.analysis.censored import side_signs
from doe.analysis.covariance import (
    FEW,
    JITTER,
    LEAST_OF_LOW,
    MIDDLE,
    Columns,
    Covariance,
    columns_of,
    features_of,
)
from doe.analysis.fit import Prediction
from doe.analysis.gathered import Places, Runs
from doe.analysis.observations import Censored
from doe.analysis.strata import Shift
from doe.factors import FactorSpace, FloatArray

__all__ = ["BY_RATIO", "CHARACTERS", "Character", "Recipe", "Surrogate", "surrogate"]

SETS_DRAWN, ROUNDS, ROUNDS_MOST = 400, 5, 15
"""Sets of each character in a round. The more rounds, the less the evidence moves with the seed
where runs scatter little: there are more until `ENOUGH` sets count."""
ENOUGH = 40.0
SETS_KEPT = 40
CORNER = 1e13
"""Above n / JITTER, which values of mean square 1 over covariances of runs cannot reach."""
NOISE = (np.log(0.2), 1.2)
FIXED = (np.log(0.5), 1.0)
"""Priors of logarithms, mean and spread, of standard deviations in those of the values (our
choice): scatter of runs, and of groups that are fixed, wide since few levels tell little of how
much they differ."""
GROUP = (np.log(0.67), 1.3)
"""The same of how much groups of runs met anew scatter, but in the scatter of runs: what days do
has to do with how well a rig is kept, not with how far the surface ranges (our choice)."""
ALIKE, APART, NONE = (np.log(0.2), 1.0), (np.log(0.3), 0.7), (np.log(0.01), 0.5)
"""The same of one curvature that all numeric factors have, at all levels of the categorical ones,
since each level has too few runs to tell bends alone; and of the second order that a level has of
its own, since what is best with one need not be with another. With more than `FEW` factors and no
levels there is next to none of the former: it would lose on slants and at edges what it gains on
hills (`test_bench_strategy`)."""
BY_RATIO = (0.0, 1.5)
"""The same of the logit of the part in which a factor with a true zero counts by its logarithm:
about as likely anywhere from not at all to altogether."""
KNOWN_NOISE = 0.5
"""Spread of the logarithm of a scatter that the person has stated: what people expect of their
repeats is off by two thirds in one case of three (our choice)."""


@dataclass(frozen=True, slots=True)
class Character:
    """What a surface is like before any run is known: priors as those of `NOISE`.

    Attributes
    ----------
    length
        Length scale of each factor, in half-ranges.
    alone, bend
        What single factors do, each alone and taken together; and what all do in common. Both in
        bends as long as that.
    slope, curve
        Coefficients of coded factors: of each slope, and of second order.
    """

    length: tuple[float, float] = (MIDDLE, 0.8)
    alone: tuple[float, float] = (np.log(0.6), 1.0)
    bend: tuple[float, float] = (np.log(0.6), 1.0)
    slope: tuple[float, float] = (np.log(0.3), 0.9)
    curve: tuple[float, float] = (np.log(0.12), 1.0)


CHARACTERS = (
    Character(),
    Character(
        alone=(np.log(0.15), 1.0),
        bend=(np.log(0.15), 1.0),
        slope=(np.log(0.6), 0.6),
        curve=(np.log(0.4), 0.5),
    ),
)
"""As likely as each other before any run is known (our choice, by `test_bench_strategy`): surfaces
that bend once over a range or more sharply, and mostly second order, which runs speak against
where it is wrong."""


@dataclass(frozen=True, slots=True, eq=False)
class Recipe:
    """What the predictions of a surrogate follow from, for who works them out elsewhere.

    Attributes
    ----------
    centre, size
        Modelled values are centre + size × standardised ones.
    sets, weights
        (s, k + r + g + 7) logarithms, in the order of the prior; and (s,) what each set weighs.
    features, z
        Of the places of runs: (b, d) columns, (b,) standardised values.
    ratio
        (d,) what r columns of factors that may act by ratio bend by: see `Columns`; 1 of others.
    alike, alone
        What the scatter of each grouping (g, b, b), and of runs (b,), leaves of their covariance.
    anew
        (g,) whether a further run meets a new level of a grouping.
    hidden, values_there, variances_there
        Runs (c,) of which only a limit is known; what stands for it under each set, (s, c) each:
        a value, and a variance beside the run's scatter.
    least
        Share of the lowest value below which a setting counts as that, where logarithms count.
    sparse, middle
        A factor has slopes and second order with that power of middle / its length scale.
    jitter
        Variance that each run has beside its scatter.
    """

    logarithmic: bool
    centre: float
    size: float
    sets: FloatArray
    weights: FloatArray
    features: FloatArray
    z: FloatArray
    ratio: FloatArray
    alike: FloatArray
    alone: FloatArray
    anew: tuple[bool, ...]
    hidden: Places
    values_there: FloatArray
    variances_there: FloatArray
    sparse: float
    middle: float = float(np.exp(MIDDLE))
    jitter: float = JITTER
    least: float = LEAST_OF_LOW


@dataclass(frozen=True, slots=True, eq=False)
class Surrogate:
    """A response as the runs leave it open: many smooth surfaces, each with its weight.

    Attributes
    ----------
    logarithmic
        Whether logarithms are modelled; means and standard deviations then are of logarithms.
    run_sd
        Scatter of one new run in new groups, of modelled values.
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
    _runs: Runs
    _what: Columns
    _inverse: FloatArray
    _alpha: FloatArray
    _told: AsMeasured

    @property
    def recipe(self) -> Recipe:
        return Recipe(
            self.logarithmic,
            self._centre,
            self._size,
            self._sets,
            self._weights,
            self._runs.features,
            self._runs.z,
            self._what.ratio,
            self._runs.alike,
            self._runs.alone,
            tuple(shift.anew for shift in self._runs.shifts),
            self._runs.hidden,
            self._told.values,
            self._told.variances,
            self._own.sparse,
        )

    def surface(self, settings: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return what `predict` gives without its intervals: means (m,) and standard errors (m,).

        In the unit of the response.
        """
        return self._in_unit(*self.mean_sd(settings))

    def mean_sd(self, settings: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return mean (m,) and standard deviation (m,) of the surface, of modelled values."""
        return self._averaged(*self._by_set(settings))

    def _averaged(self, means: FloatArray, variances: FloatArray) -> tuple[FloatArray, FloatArray]:
        first = self._weights @ means
        second = self._weights @ (means**2 + variances)
        sd = np.sqrt((second - first**2).clip(min=1e-12))
        return self._centre + self._size * first, self._size * sd

    def predict(self, settings: FloatArray, level: float = 0.95) -> Prediction:
        """Return means with intervals of the surface and of one run in new groups, at (m, k).

        Of modelled logarithms `mean` is the median.
        """
        sides = self._by_set(settings)
        mean, sd = self._averaged(*sides)
        surface = self._interval(*sides, level)
        run = self._interval(*sides, level, self._scatter(1))
        told = self._in_unit(mean, sd)
        return Prediction(*told, *surface, *run, level, self._expected(mean))

    def band(
        self, settings: FloatArray, level: float = 0.95
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return means (m,) with their intervals' low and high ends, as `predict` has them."""
        sides = self._by_set(settings)
        mean, _ = self._averaged(*sides)
        return self.back(mean), *self._interval(*sides, level)

    def change(
        self, starts: FloatArray, ends: FloatArray, level: float = 0.95
    ) -> tuple[FloatArray, FloatArray]:
        """Return the interval (m,) of how far the surface rises from starts (m, k) to ends (m, k).

        Of modelled values: of logarithms it is that of the logarithm of the ratio.
        """
        own, m = self._own, len(starts)
        both = own.asked(features_of(self.space, np.vstack([starts, ends])))
        means, variances = np.empty((2, len(self._weights), m))
        for i in range(len(self._weights)):
            cross = own.kernel(i, both, self._runs.features)
            apart = cross[m:] - cross[:m]
            means[i] = apart @ self._alpha[i]
            prior = own.kernel(i, both, both.features)
            known = np.einsum("ij,ij->i", apart @ self._inverse[i], apart)
            own_variance = np.diagonal(prior).reshape(2, m).sum(axis=0)
            variances[i] = own_variance - 2 * np.diagonal(prior[:m, m:]) - known
        low, high = self._ends(means, np.sqrt(variances.clip(min=1e-12)), level)
        return self._size * low, self._size * high

    def interval_of_mean(
        self, settings: FloatArray, runs: int, level: float = 0.95
    ) -> tuple[float, float]:
        """Return the interval of the mean of n runs that share new groups, at settings (k,).

        Runs of one day share what the day does to them, so only their own scatter is divided
        by n. Of modelled logarithms the mean is that of logarithms.
        """
        low, high = self._interval(*self._by_set(settings[None]), level, self._scatter(runs))
        return float(low[0]), float(high[0])

    def r2_left_out(self) -> float:
        """Return predicted R²: of modelled values, each run foretold from the others.

        Notes
        -----
        Under each set in closed form (Rasmussen, Williams, eq. 5.12), the sets weighed as if the
        run had not been made. Runs gathered at a place are foretold without any of them. Runs of
        which only a limit is known help to foretell the others, and are not judged themselves.
        """
        z, each = self._runs.z, self._runs.each
        spread = 1 / np.diagonal(self._inverse, axis1=1, axis2=2)
        foretold = z - self._alpha * spread
        chance = np.exp(-0.5 * (z - foretold) ** 2 / spread) / np.sqrt(spread)
        weights = self._weights[:, None] / np.maximum(chance, 1e-12)
        foretold = (weights * foretold).sum(axis=0) / weights.sum(axis=0)
        known = np.setdiff1d(np.arange(len(each)), self._runs.hidden)
        each, foretold = each[known], foretold[self._runs.place][known]
        total = float(((each - each.mean()) ** 2).sum())
        return 1 - float(((each - foretold) ** 2).sum()) / total

    @property
    def groups_differ(self) -> float:
        """Chance that days (or stages) differ by more than runs of one scatter; 0 with one."""
        if self.groups_seen < 2:
            return 0.0
        return float(self._weights @ (self._own.shifts(self._sets)[:, 0] > self._sets[:, -1]))

    @property
    def groups_seen(self) -> int:
        """Number of days (or stages) among the runs."""
        return len(self._runs.shifts[0].columns.T)

    @property
    def own_sd(self) -> float:
        """How much runs of one day (or stage) scatter about each other, of modelled values."""
        return self._size * float(np.sqrt(self._weights @ np.exp(2 * self._sets[:, -1])))

    @property
    def group_sd(self) -> float:
        """How much one day (or stage) shifts its runs, of modelled values; with one a guess."""
        first = self._own.shifts(self._sets)[:, 0]
        return self._size * float(np.sqrt(self._weights @ np.exp(2 * first)))

    @property
    def usual_scatter(self) -> tuple[float, float]:
        """How much a new day (or stage) shifts its runs, and runs of it scatter, modelled values.

        As half of the sets have it: with few days a few sets allow shifts that no plan can be made
        against, and a mean of squares is theirs. What whole plots do counts with the runs.
        """
        shifts = np.exp(2 * self._own.shifts(self._sets))
        shifts *= [float(shift.anew) for shift in self._runs.shifts]
        run = np.exp(2 * self._sets[:, -1]) + shifts[:, 1:].sum(axis=1)
        return self._size * self._median(shifts[:, 0]) ** 0.5, self._size * self._median(run) ** 0.5

    def _median(self, by_set: FloatArray) -> float:
        order = np.argsort(by_set)
        middle = np.searchsorted(np.cumsum(self._weights[order]), 0.5)
        return float(by_set[order[min(int(middle), len(order) - 1)]])

    @property
    def _own(self) -> Covariance:
        return Covariance.of(self._sets, self._what)

    def _in_unit(self, mean: FloatArray, sd: FloatArray) -> tuple[FloatArray, FloatArray]:
        back = self.back(mean)
        return back, np.asarray(sd * back if self.logarithmic else sd)

    def _expected(self, mean: FloatArray) -> FloatArray | None:
        return np.exp(mean + self.run_sd**2 / 2) if self.logarithmic else None

    def _scatter(self, runs: int) -> FloatArray:
        """Return by set the variance (s,) of the mean of n runs of new groups, standardised."""
        own = np.exp(2 * self._sets[:, -1])
        return np.asarray(_shared(self._own, self._sets, self._runs.shifts) + own / runs)

    def _interval(
        self,
        means: FloatArray,
        variances: FloatArray,
        level: float,
        extra: FloatArray | float = 0.0,
    ) -> tuple[FloatArray, FloatArray]:
        """Return the ends (m,) of an interval, `extra` (s,) more variance by set, in the unit."""
        sd = np.sqrt(variances + np.reshape(extra, (-1, 1)) + 1e-12)
        low, high = self._ends(means, sd, level)
        return self.back(self._centre + self._size * low), self.back(
            self._centre + self._size * high
        )

    def _ends(
        self, means: FloatArray, sd: FloatArray, level: float
    ) -> tuple[FloatArray, FloatArray]:
        """Return the ends (m,) of an interval of the average over sets, by halving."""
        from scipy.special import ndtr

        ends = []
        for share in ((1 - level) / 2, (1 + level) / 2):
            low, high = (means - 9 * sd).min(axis=0), (means + 9 * sd).max(axis=0)
            for _ in range(45):
                middle = (low + high) / 2
                below = self._weights @ ndtr((middle - means) / sd) < share
                low, high = np.where(below, middle, low), np.where(below, high, middle)
            ends.append(np.asarray((low + high) / 2))
        return ends[0], ends[1]

    def _by_set(self, settings: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return means and variances (s, m) of the surface under each set, standardised."""
        own = self._own
        at = own.asked(features_of(self.space, settings))
        means, variances = np.empty((2, len(self._weights), len(at.features)))
        for i in range(len(self._weights)):
            cross = own.kernel(i, at, self._runs.features)
            means[i] = cross @ self._alpha[i]
            known = np.einsum("ij,ij->i", cross @ self._inverse[i], cross)
            variances[i] = own.at_itself(i, at.features) - known
        return means, variances.clip(min=0.0)

    def paths(self, settings: FloatArray, count: int, generator: np.random.Generator) -> FloatArray:
        """Return drawn surfaces (e, m) at settings, in the unit of the response."""
        at = features_of(self.space, settings)
        runs = self._runs
        both = np.vstack([at, runs.features])
        which = np.sort(generator.choice(len(self._weights), count, p=self._weights))
        own = self._own
        asked = own.asked(at)
        found = np.empty((count, len(at)))
        for i in np.unique(which):
            rows = np.flatnonzero(which == i)
            prior = own.prior_paths(int(i), both, len(rows), generator)
            scatter = own.scatter(int(i), runs.shifts, len(rows), generator)
            off = runs.z - prior[:, len(at) :] - runs.gathered(scatter)
            if len(runs.hidden):
                noise = generator.standard_normal((len(rows), len(runs.hidden)))
                off[:, runs.hidden] += self._told.values[i] - runs.z[runs.hidden]
                off[:, runs.hidden] -= np.sqrt(self._told.variances[i]) * noise
            update = off @ self._inverse[i]
            found[rows] = prior[:, : len(at)] + update @ own.kernel(int(i), asked, runs.features).T
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
        return self.mean_and_chance(settings, low, high)[1]

    def mean_and_chance(
        self, settings: FloatArray, low: float, high: float
    ) -> tuple[FloatArray, FloatArray]:
        """Return the mean (m,) of modelled values, and `chance_between`, which averages over sets.

        As intervals do: one normal about the mean would be off by some hundredths.
        """
        from scipy.special import ndtr

        means, variances = self._by_set(settings)
        sd = np.sqrt(variances + self._scatter(1)[:, None] + 1e-12)
        below = [
            self._weights @ ndtr(((self.forward(bound) - self._centre) / self._size - means) / sd)
            for bound in (low, high)
        ]
        mean = self._centre + self._size * (self._weights @ means)
        return mean, np.asarray(below[1] - below[0], dtype=np.float64)


def surrogate(
    space: FactorSpace,
    settings: FloatArray,
    values: FloatArray,
    shifts: Sequence[Shift],
    generator: np.random.Generator,
    *,
    scatter: float | None = None,
    scatter_relative: bool = False,
    logarithmic: bool | None = None,
    sides: Sequence[Censored | None] = (),
) -> Surrogate:
    """Return the surrogate of a response.

    Parameters
    ----------
    settings, values
        Of the runs, (n, k) in real units and (n,).
    shifts
        What runs share that may shift them together: first days or stages, then whatever else.
    scatter, scatter_relative
        Standard deviation of repeated runs as the person states it, in the unit or as a share.
    logarithmic
        None: whichever the runs support more.
    sides
        (n,) or (): where a value is only known to lie beyond what stands in `values`, on which
        side. Where more runs than `RUNS_ALONE` are gathered, such a limit counts as the value.
    """
    signs = side_signs(sides) if len(sides) else np.zeros(len(values))
    if logarithmic is None and (values <= 0).any():
        logarithmic = False
    scales = (False, True) if logarithmic is None else (logarithmic,)
    seeds = generator.integers(2**32, size=2)
    found = []
    for scale in scales:
        z = np.log(values) if scale else values
        known = _known_scatter(values, scatter, scatter_relative, scale)
        own = np.random.default_rng(seeds[int(scale)])
        fit = _fitted(space, settings, z, tuple(shifts), signs, own, known, scale)
        counted = np.delete(values, fit.recipe.hidden)
        shift = -float(np.log(counted).sum()) if scale else 0.0
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
    modelled: FloatArray,
    shifts: tuple[Shift, ...],
    signs: FloatArray,
    generator: np.random.Generator,
    scatter: float | None,
    logarithmic: bool,
) -> Surrogate:
    centre, size = _standard(modelled, signs)
    z = (modelled - centre) / size
    features, what = features_of(space, settings), columns_of(space)
    apart = features + what.bows(features) / 2  # as sets see them on average
    runs = Runs.of(features, z, shifts, signs, apart)
    priors = [_prior(one, space, shifts, scatter, size) for one in CHARACTERS]
    weighed = [_weighed(runs, what, mean, root, generator) for mean, root in priors]
    sets, weights, evidence = _pooled(weighed)
    of_days = Covariance.of(sets, what).shifts(sets)[:, 0]
    character = np.repeat(np.arange(len(weighed)), [len(own) for own, _, _ in weighed])
    keep, weights = _kept(weights, np.lexsort((of_days, character)), generator)
    sets = sets[keep]
    own = Covariance.of(sets, what)
    K = own.of_runs(runs)
    told = runs.told_by_limits(K)
    K[:, runs.hidden, runs.hidden] += told.variances
    inverse = np.asarray(np.linalg.inv(K), dtype=np.float64)
    values = np.tile(runs.z, (len(sets), 1))
    values[:, runs.hidden] = told.values
    run = float(np.sqrt(weights @ (np.exp(2 * sets[:, -1]) + _shared(own, sets, shifts))))
    return Surrogate(
        space,
        logarithmic,
        size * run,
        evidence - (len(z) - len(runs.hidden)) * float(np.log(size)),
        centre,
        size,
        weights,
        sets,
        runs,
        what,
        inverse,
        np.einsum("sij,sj->si", inverse, values),
        told,
    )


def _standard(modelled: FloatArray, signs: FloatArray) -> tuple[float, float]:
    """Return mean and standard deviation; a limit that tells nothing counts as the mean at most."""
    middle = float(modelled[signs == 0].mean()) if (signs == 0).any() else 0.0
    about = np.where(signs > 0, np.minimum(modelled, middle), modelled)
    about = np.where(signs < 0, np.maximum(modelled, middle), about)
    return float(about.mean()), float(about.std(ddof=1)) or 1.0


def _shared(own: Covariance, sets: FloatArray, shifts: Sequence[Shift]) -> FloatArray:
    """Return by set the variance (s,) that new groups add to a new run, standardised."""
    return np.asarray(np.exp(2 * own.shifts(sets)) @ [float(shift.anew) for shift in shifts])


def _prior(
    character: Character,
    space: FactorSpace,
    shifts: Sequence[Shift],
    scatter: float | None,
    size: float,
) -> tuple[FloatArray, FloatArray]:
    """Return mean and Cholesky factor of the prior of the logarithms that make up a set.

    In order: a length scale a factor, the part of each that may act by ratio in which it does (a
    logit), bends of single factors, bends of all together, slope,
    curvature, curvature alike, second order apart, scatter of each grouping, scatter of runs.
    """
    own, levels = character, len(space.numeric) < len(space)
    noise = NOISE if not scatter else (float(np.log(scatter / size)), KNOWN_NOISE)
    anew = np.array([shift.anew for shift in shifts])
    groups = [GROUP if new else FIXED for new in anew]
    shape = [own.alone, own.bend, own.slope, own.curve]
    hills = [ALIKE if levels or len(space) <= FEW else NONE, APART if levels else NONE]
    factors = [own.length] * len(space) + [BY_RATIO] * len(columns_of(space).by_ratio)
    mean, sd = np.array([*factors, *shape, *hills, *groups, noise]).T
    of_runs = np.zeros(len(mean))
    of_runs[len(mean) - 1 - len(shifts) :] = [*anew, 1.0]
    covariance = np.diag(np.append(sd[:-1] ** 2, 0.0)) + noise[1] ** 2 * np.outer(of_runs, of_runs)
    mean[:-1] += noise[0] * of_runs[:-1]
    return mean, np.asarray(np.linalg.cholesky(covariance), dtype=np.float64)


def _pooled(
    weighed: Sequence[tuple[FloatArray, FloatArray, float]],
) -> tuple[FloatArray, FloatArray, float]:
    """Return the sets of all characters, each character weighing by its evidence."""
    evidence = np.array([own for _, _, own in weighed])
    highest = float(evidence.max())
    share = np.exp(evidence - highest)
    weights = [part * own for part, (_, own, _) in zip(share / share.sum(), weighed, strict=True)]
    together = highest + float(np.log(share.mean()))
    return np.vstack([sets for sets, _, _ in weighed]), np.concatenate(weights), together


def _weighed(
    runs: Runs,
    what: Columns,
    mean: FloatArray,
    prior: FloatArray,
    generator: np.random.Generator,
) -> tuple[FloatArray, FloatArray, float]:
    """Return sets of length scales with their weights, and the logarithm of the evidence.

    Importance sampling from the prior, then from where the weight lies; all draws count, each
    weighed against the mixture of what it may have come from, of which the prior is a part: so no
    draw that the proposals happened to pass by weighs as much as all others (adaptive multiple
    importance sampling: Cornuet et al. 2012, Scand. J. Stat. 39:798–812, from memory).
    """
    at, root = mean, prior
    sets, chance = np.empty((0, len(mean))), np.empty(0)
    proposals: list[tuple[FloatArray, FloatArray]] = []
    for turn in range(1, ROUNDS_MOST + 1):
        proposals.append((at, root))
        drawn = at + generator.standard_normal((SETS_DRAWN, len(mean))) @ root.T
        sets = np.vstack([sets, drawn])
        chance = np.append(chance, _log_chances(runs, what, drawn))
        densities = np.array([_log_normal(sets, *proposal) for proposal in proposals])
        top = densities.max(axis=0)
        mixed = top + np.log(np.exp(densities - top).mean(axis=0))
        log_weight = chance + _log_normal(sets, mean, prior) - mixed
        highest = float(log_weight.max())
        weights = np.exp(log_weight - highest)
        evidence = highest + float(np.log(weights.mean()))
        weights /= weights.sum()
        if turn >= ROUNDS and 1 / float((weights**2).sum()) >= ENOUGH:
            break
        softened = np.sqrt(weights) / np.sqrt(weights).sum()
        at = softened @ sets
        off = sets - at
        spread = (softened[:, None] * off).T @ off + 0.02 * prior @ prior.T
        root = np.linalg.cholesky(spread)
    return sets, weights, evidence


def _log_normal(at: FloatArray, mean: FloatArray, root: FloatArray) -> FloatArray:
    """Return the logarithm (s,) of a normal density less its constant; `root` is triangular."""
    white = np.linalg.solve(root, (at - mean).T)
    return np.asarray(-0.5 * (white**2).sum(axis=0) - np.log(np.diag(root)).sum())


def _kept(
    weights: FloatArray, order: Places, generator: np.random.Generator
) -> tuple[Places, FloatArray]:
    """Return the places of a few sets that stand for all, and their weights.

    Drawn in even steps through the weights, so that what is improbable alone and probable together
    is not cut off; a set drawn twice weighs double. In an `order` (s,) in which like ones stand
    together all have their share: of each character, and of what days may do, which few days tell.
    """
    steps = (np.arange(SETS_KEPT) + generator.uniform()) / SETS_KEPT
    drawn = np.searchsorted(np.cumsum(weights[order]), steps).clip(max=len(weights) - 1)
    places, counts = np.unique(order[drawn], return_counts=True)
    return places, counts / SETS_KEPT


def _log_chances(runs: Runs, what: Columns, sets: FloatArray) -> FloatArray:
    """Return the logarithm (s,) of the chance of the values under each set (eq. 2.30).

    The values stand below the covariances as one row more: its Cholesky factor is what solving for
    them would give. The corner, never used, is only to be large. What runs gathered at a place
    scatter about their average counts beside it; of a limit its chance counts.
    """
    own, z, n = Covariance.of(sets, what), runs.z, len(runs.z)
    i, j = np.tril_indices(n)
    at_once = max(1, 4_000_000 // n**2)
    found = []
    for first in range(0, len(sets), at_once):
        K = own.of_pairs(runs, slice(first, first + at_once), i, j)
        both = np.full((len(K), n + 1, n + 1), CORNER)  # only the lower triangle is looked at
        both[:, i, j], both[:, n, :n] = K, z
        beside = np.zeros(len(K))
        if len(runs.hidden):
            both[:, j, i] = K
            told = runs.told_by_limits(both[:, :n, :n])
            both[:, runs.hidden, runs.hidden] += told.variances
            both[:, n, runs.hidden] = told.values
            beside = told.log_scale
        root = np.linalg.cholesky(both)
        halves = np.log(np.diagonal(root, axis1=1, axis2=2)[:, :n]).sum(axis=1)
        white = root[:, n, :n]
        found.append(beside - 0.5 * (white**2).sum(axis=1) - halves - 0.5 * n * np.log(2 * np.pi))
    together = np.concatenate(found)
    if runs.df_within:
        within = np.exp(2 * sets[:, -1]) + np.exp(2 * own.shifts(sets)) @ runs.strangers
        together -= 0.5 * (runs.df_within * np.log(2 * np.pi * within) + runs.ss_within / within)
    return together
