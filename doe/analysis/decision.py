"""Where the best settings lie as far as the runs tell, and what is still open about it.

Each response has a surrogate; surfaces drawn from it are truths that the runs allow. The settings
recommended are best on average surfaces with the limits kept surely; what more runs can gain is
seen from how much better other settings are in some of the truths.

Shapes: m candidates, k factors, e truths.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from statistics import NormalDist

import numpy as np

from doe.analysis.observations import Observations
from doe.analysis.strata import shifts_of
from doe.analysis.surrogate import Surrogate, surrogate
from doe.digits import roughly
from doe.errors import InfeasibleError
from doe.factors import FactorSpace, Feasible, FloatArray, NumericFactor, feasible_settings
from doe.responses import TRACE, Response, combined

__all__ = [
    "SURE",
    "Decision",
    "decide",
    "overall_worth",
    "settable_candidates",
    "surrogate_of",
]

TRUTHS = 256
CANDIDATES = 1500
SURE = 0.9
"""Chance of keeping all limits from which settings may be recommended."""
MARGIN = NormalDist().inv_cdf(SURE)
"""Standard normal quantile of SURE."""
NOTHING = 0.01
"""Share of the scatter of one run below which a gain is not told as a number."""
REFINED = 4
REACHES = (0.15, 0.1, 0.05, 0.025, 0.0125, 0.0125)
"""The neighbours of so many best candidates are looked at too, so far away (coded) in turn."""
FINEST, BOX_MOST = 0.0125, 700
"""Step (coded) of a factor that has none; settings of a box around one, at the most."""


@dataclass(frozen=True, eq=False)
class Decision:
    """What is recommended, and the truths that are still open, drawn when they are asked for.

    Attributes
    ----------
    candidates
        Settable settings (m, k) that the rig can run.
    best
        Place of the recommended settings among them.
    likeliest
        Place of those of which most is expected; others only where settings were `kept`.
    worth
        Overall worth (m,) of what is expected, limits aside.
    sure
        Chance (m,) that one new run keeps all limits; 1 where there is none.
    merits
        By response a figure (m, r) of which more is better: what is expected, its negative where
        less is wanted, the negative distance from a target; of a limit the chance that one new run
        keeps it, up to SURE: keeping it more surely is worth nothing.
    ranges
        By response the lowest and highest value measured.
    seed
        Of the draws of truths.
    confirmed
        Whether the recommended settings are those that fresh runs confirmed.
    """

    space: FactorSpace
    responses: tuple[Response, ...]
    surrogates: Mapping[str, Surrogate]
    candidates: FloatArray
    best: int
    likeliest: int
    worth: FloatArray
    sure: FloatArray
    merits: FloatArray
    ranges: Mapping[str, tuple[float, float]]
    seed: tuple[int, ...]
    confirmed: bool = False

    @cached_property
    def values(self) -> Mapping[str, FloatArray]:
        """By response its value (e, m) in each truth."""
        generator = np.random.default_rng([*self.seed, len(self.responses)])
        return {
            name: own.paths(self.candidates, TRUTHS, generator)
            for name, own in self.surrogates.items()
        }

    @cached_property
    def truths(self) -> FloatArray:
        """Overall worth (e, m) in each truth, 0 where fewer than 9 of 10 runs keep a limit."""
        values = _with_margin(self.responses, self.surrogates, self.values)
        return overall_worth(self.responses, values, self.ranges, limits=True)

    @property
    def best_in_truths(self) -> FloatArray:
        """Best settings (e, k) of each truth; where none keeps its limits the nearest to it."""
        best = self.truths.argmax(axis=1)
        hopeless = ~(self.truths != 0).any(axis=1)
        if hopeless.any():
            values = {name: value[hopeless] for name, value in self.values.items()}
            beyond = _beyond(self.responses, self.surrogates, values)
            best[hopeless] = (beyond - TRACE * self.worth).argmin(axis=1)
        return np.asarray(self.candidates[best], dtype=np.float64)

    @property
    def settings(self) -> FloatArray:
        """Recommended settings (k,)."""
        return np.asarray(self.candidates[self.best], dtype=np.float64)

    @property
    def coded(self) -> FloatArray:
        return self.space.code(self.candidates)

    @property
    def open_gain(self) -> float:
        """How much better than the recommended the best settings are, averaged over truths."""
        return float(self.open_gains.mean())

    @cached_property
    def open_gains(self) -> FloatArray:
        """How much better than the recommended the best settings are, in each truth (e,)."""
        return np.asarray(self.truths.max(axis=1) - self.truths[:, self.best])

    @cached_property
    def scatter(self) -> float:
        """How much runs of one day scatter at the recommended settings, in worth, limits aside.

        What days do is not in it: where they differ, less than runs tell would seem to matter.
        """
        moved = []
        at = self.candidates[[self.best]]
        means = {name: s.mean_sd(at)[0] for name, s in self.surrogates.items()}
        for name, own in self.surrogates.items():
            ends = []
            for sign in (-1, 1):
                values = {n: self.surrogates[n].back(m) for n, m in means.items()}
                values[name] = own.back(means[name] + sign * own.own_sd)
                ends.append(overall_worth(self.responses, values, self.ranges, limits=False))
            moved.append(float(np.abs(ends[1] - ends[0])[0]) / 2)
        return float(np.linalg.norm(moved))

    def with_settings(self, settings: FloatArray) -> Decision:
        """Return the decision with settings (n, k) among its candidates, the same recommended."""
        more = _not_among(self.space, settings, self.candidates)
        if not len(more):
            return self
        more = np.unique(more, axis=0)
        worth, sure, _, merits = _judged(self.responses, self.surrogates, self.ranges, more)
        return replace(
            self,
            candidates=np.vstack([self.candidates, more]),
            worth=np.append(self.worth, worth),
            sure=np.append(self.sure, sure),
            merits=np.vstack([self.merits, merits]),
        )

    def keeping(self, settings: FloatArray) -> Decision:
        """Return the decision for settings (k,) that were confirmed, not for what looks best now.

        Unless they are less sure to keep the limits than is asked for, and others are surer.
        """
        wider = self.with_settings(settings[None])
        place = int(np.abs(wider.coded - wider.space.code(settings)).max(axis=1).argmin())
        if wider.sure[place] < min(SURE, wider.sure[wider.best]):
            return self
        return replace(wider, best=place, confirmed=True)

    def with_neighbours(self, settings: FloatArray, feasible: Feasible) -> Decision:
        """Return the decision with what can be set around settings (n, k) among its candidates."""
        return self.with_settings(_box_around(self.space, settings, feasible))

    @property
    def gained(self) -> str:
        """Name of what gains in overall worth are told in.

        The response that is aimed high or low, where there is one alone.
        """
        if not self._aims:
            return "chance that all limits are kept"
        if self._alone is not None:
            response = self._alone[0]
            middle = "median" if self.surrogates[response.name].logarithmic else "mean"
            return f"{middle} {response.words}"
        return "overall desirability"

    @property
    def gained_from(self) -> str:
        """What stands behind `gained` once: the scale of a desirability, and where it is now."""
        if not self._aims or self._alone is not None:
            return ""
        return f" (0 useless, 1 ideal; now {roughly(float(self.worth[self.best]))})"

    def amount(self, worth: float) -> str:
        """Return an amount of overall worth in the measure that `gained` names, with its unit."""
        per_worth, unit = self._per_worth
        return f"{roughly(per_worth * worth)}{unit}"

    def about(self, gain: float) -> str:
        """Return a gain as `amount` does, with ``about``; one that is nothing as ``less than``."""
        least = NOTHING * self.scatter if self.scatter else NOTHING / 10
        if gain < least:
            per_worth, unit = self._per_worth
            return f"less than {roughly(per_worth * least, 1)}{unit}"
        return f"about {self.amount(gain)}"

    def between(self, low: float, high: float) -> str:
        """Return a range of gains as `amount` does, both ends with the decimals of the higher."""
        per_worth, unit = self._per_worth
        highest = roughly(per_worth * high)
        decimals = len(highest.partition(".")[2])
        return f"{roughly(round(per_worth * low, decimals))} to {highest}{unit}"

    @property
    def _aims(self) -> list[Response]:
        return [r for r in self.responses if r.aim not in ("below", "above")]

    @property
    def _alone(self) -> tuple[Response, float] | None:
        """The one response that is aimed high or low, and how much of it a worth of 1 is."""
        if len(self._aims) != 1 or self._aims[0].aim == "target":
            return None
        useless, ideal = self._aims[0].ends(self.ranges[self._aims[0].name])
        return (self._aims[0], abs(ideal - useless)) if ideal != useless else None

    @property
    def _per_worth(self) -> tuple[float, str]:
        if not self._aims:
            return 100.0, " percentage points"
        if self._alone is None:
            return 1.0, ""
        response, amount = self._alone
        return amount, f" {response.unit}" if response.unit else ""


def decide(
    responses: Sequence[Response],
    observed: Mapping[str, Observations],
    feasible: Feasible,
    seed: Sequence[int],
    days: Sequence[object] | None = None,
) -> Decision:
    """Return the decision that the runs support.

    Parameters
    ----------
    observed
        By name of the response; each has three values or more that differ.
    days
        Day of each run of the observations; their stages where none are known.

    Raises
    ------
    InfeasibleError
        The rig can run none of the settings looked at.
    """
    generator = np.random.default_rng(list(seed))
    space = observed[responses[0].name].space
    surrogates = {
        r.name: surrogate_of(r, observed[r.name], days, np.random.default_rng([*seed, i]))
        for i, r in enumerate(responses)
    }
    ranges = {r.name: _range(observed[r.name]) for r in responses}
    candidates = settable_candidates(space, feasible, generator)
    worth, sure, joint, merits = _judged(responses, surrogates, ranges, candidates)
    for reach in REACHES:
        best = np.argsort(-_ranked(worth, sure, joint))[:REFINED]
        near = _neighbours(space, candidates[best], feasible, reach)
        more = _not_among(space, near, candidates)
        if not len(more):
            continue
        candidates = np.vstack([candidates, more])
        extra = _judged(responses, surrogates, ranges, more)
        worth, sure = np.append(worth, extra[0]), np.append(sure, extra[1])
        joint, merits = np.append(joint, extra[2]), np.vstack([merits, extra[3]])
    likeliest = int(np.argmax(_ranked(worth, sure, joint)))
    return Decision(
        space,
        tuple(responses),
        surrogates,
        candidates,
        likeliest,
        likeliest,
        worth,
        sure,
        merits,
        ranges,
        tuple(seed),
    )


def surrogate_of(
    response: Response,
    data: Observations,
    days: Sequence[object] | None,
    generator: np.random.Generator,
) -> Surrogate:
    """Return the surrogate of a response.

    Runs of a day (or else of a stage), of a whole plot, and of a block or lot shift together.
    """
    reasons = data.reasons()
    keep = [i for i, reason in enumerate(reasons) if reason is None]
    usable = data.usable()
    return surrogate(
        data.space,
        np.asarray(usable.achieved),
        np.asarray(usable.values),
        shifts_of(usable, None if days is None else [days[i] for i in keep]),
        generator,
        scatter=response.scatter,
        scatter_relative=response.scatter_relative,
        logarithmic=True if response.scale == "log" else None,
        sides=usable.censored,
    )


def _with_margin(
    responses: Sequence[Response],
    surrogates: Mapping[str, Surrogate],
    values: Mapping[str, FloatArray],
) -> dict[str, FloatArray]:
    """Return the values, those with a limit as the runs that scatter furthest towards it."""
    found = dict(values)
    for response in responses:
        if response.aim in ("below", "above"):
            own = surrogates[response.name]
            away = MARGIN * own.run_sd * (1 if response.aim == "below" else -1)
            found[response.name] = own.shifted(values[response.name], away)
    return found


def _beyond(
    responses: Sequence[Response],
    surrogates: Mapping[str, Surrogate],
    values: Mapping[str, FloatArray],
) -> FloatArray:
    """Return by how much (e, m) values lie beyond their limits in all, in scatters of a run."""
    total = np.zeros(np.shape(next(iter(values.values()))))
    for response in responses:
        if response.aim in ("below", "above"):
            own = surrogates[response.name]
            assert response.limit is not None
            value = np.log(values[response.name]) if own.logarithmic else values[response.name]
            over = (value - own.forward(response.limit)) / own.run_sd + (
                MARGIN if response.aim == "below" else -MARGIN
            )
            total += (over if response.aim == "below" else -over).clip(min=0.0)
    return total


def _range(data: Observations) -> tuple[float, float]:
    values = np.asarray(data.usable().values)
    return float(values.min()), float(values.max())


def overall_worth(
    responses: Sequence[Response],
    values: Mapping[str, FloatArray],
    ranges: Mapping[str, tuple[float, float]],
    *,
    limits: bool,
) -> FloatArray:
    """Return the geometric mean of worths, of any shape; 0 where a limit is broken, if asked.

    Of those with a limit alone: 1 where all are kept. Else by `combined`; where limits are asked
    for, above 0 where they are kept.
    """
    kept, aimed = np.ones(np.shape(next(iter(values.values())))), []
    for response in responses:
        if response.aim in ("below", "above"):
            kept = kept * response.worth(values[response.name], ranges[response.name])
        else:
            aimed.append(response)
    if not aimed:
        return kept
    overall = combined(
        aimed,
        [values[r.name] for r in aimed],
        [ranges[r.name] for r in aimed],
        limited=limits and len(aimed) < len(responses),
    )
    return np.asarray(overall * kept if limits else overall, dtype=np.float64)


def _judged(
    responses: Sequence[Response],
    surrogates: Mapping[str, Surrogate],
    ranges: Mapping[str, tuple[float, float]],
    settings: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the worth (m,) of what is expected, the chance (m,) of keeping all limits, twice.

    At least (the chances of breaking each are added up: Bonferroni), and as the product of the
    chances, which tells settings apart where the former is 0 for all. Last the merits (m, r).
    """
    merits = np.empty((len(settings), len(responses)))
    expected, missed, joint = {}, np.zeros(len(settings)), np.ones(len(settings))
    for i, response in enumerate(responses):
        own = surrogates[response.name]
        wanted = response.interval_wanted()
        mean, kept = own.mean_and_chance(settings, *(wanted or (-np.inf, np.inf)))
        value = expected[response.name] = own.back(mean)
        if response.aim == "target":
            merits[:, i] = -np.abs(value - (response.target or 0.0))
        elif wanted:
            missed += 1 - kept
            joint *= kept
            merits[:, i] = np.minimum(kept, SURE)
        else:
            merits[:, i] = value if response.aim == "maximise" else -value
    worth = overall_worth(responses, expected, ranges, limits=False)
    return worth, (1 - missed).clip(min=0.0), joint, merits


def _ranked(worth: FloatArray, sure: FloatArray, joint: FloatArray) -> FloatArray:
    """Return a figure (m,) whose largest is recommended: limits first, then worth."""
    span = float(np.ptp(worth)) or 1.0
    return np.where(sure >= SURE, (worth - worth.min()) / span + TRACE * sure, joint - 2.0)


def settable_candidates(
    space: FactorSpace, feasible: Feasible, generator: np.random.Generator
) -> FloatArray:
    """Return settable settings (m, k) that the rig can run: a grid, and others drawn at random.

    Raises
    ------
    InfeasibleError
        None of the settings looked at is feasible.
    """
    found = feasible_settings(space, feasible, CANDIDATES)
    lacking = CANDIDATES - len(found)
    if lacking > CANDIDATES // 3:
        coded = space.code(np.repeat(space.corners()[:1], 2 * lacking, axis=0))
        for i, factor in enumerate(space):
            if isinstance(factor, NumericFactor):
                coded[:, i] = generator.uniform(-1, 1, len(coded))
            else:
                coded[:, i] = generator.integers(len(factor.levels), size=len(coded))
        drawn = space.decode(coded)
        found = np.vstack([found, drawn[feasible(drawn)][:lacking]])
    if len(found):
        found = np.unique(space.settable(found), axis=0)
        found = found[feasible(found)]
    if not len(found):
        raise InfeasibleError.of(
            "no-feasible-setting",
            "None of the settings looked at can be run on this rig.",
            "Check the ranges of the factors and the limits of the rig.",
        )
    return found


def _neighbours(
    space: FactorSpace, settings: FloatArray, feasible: Feasible, reach: float
) -> FloatArray:
    """Return the settable settings `reach` (coded) away, along each factor and pairs of them."""
    steps = [
        max(f.step or 0.0, reach * f.half_range) if isinstance(f, NumericFactor) else 0.0
        for f in space
    ]
    ways = [np.zeros(len(space))]
    for i, j in itertools.combinations_with_replacement(space.numeric, 2):
        for a, b in itertools.product((-1, 0, 1), repeat=2):
            way = np.zeros(len(space))
            way[i], way[j] = a * steps[i], b * steps[j]
            ways.append(way)
    return _settable_at(space, settings, np.unique(ways, axis=0), feasible)


def _box_around(space: FactorSpace, settings: FloatArray, feasible: Feasible) -> FloatArray:
    """Return the settable settings within two steps in all factors at once; in many within one."""
    far = 2 if 5 ** len(space.numeric) <= BOX_MOST else 1
    steps = [
        (f.step or FINEST * f.half_range) * np.arange(-far, far + 1.0)
        if isinstance(f, NumericFactor)
        else np.zeros(1)
        for f in space
    ]
    return _settable_at(space, settings, np.array(list(itertools.product(*steps))), feasible)


def _settable_at(
    space: FactorSpace, settings: FloatArray, ways: FloatArray, feasible: Feasible
) -> FloatArray:
    """Return what the rig can run of settings (n, k) moved by each way (w, k), settable, once."""
    around = (settings[:, None, :] + ways).reshape(-1, len(space))
    for i in space.numeric:
        factor = space.factors[i]
        assert isinstance(factor, NumericFactor)
        around[:, i] = around[:, i].clip(factor.low, factor.high)
    around = np.unique(space.settable(around), axis=0)
    return around[feasible(around)]


def _not_among(space: FactorSpace, some: FloatArray, others: FloatArray) -> FloatArray:
    known = {row.tobytes() for row in np.round(space.code(others), 9) + 0.0}
    rows = np.round(space.code(some), 9) + 0.0
    return some[[row.tobytes() not in known for row in rows]]
