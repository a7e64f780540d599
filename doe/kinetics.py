"""Extraction curves: how much has left the solid after a time, fitted to portions of one run.

A portion holds what left the bed in known stretches of time. The amounts of portions are fitted,
not their running sum: portions are measured independently of each other, whereas a running sum
carries every earlier error on, so that its points scatter too little and its intervals would be too
narrow.

Every model is an end value times a share released, S(t) = S∞ R(t), R from 0 to 1 (degradation
apart, where R falls again). At a given shape of R the best end value is a weighted projection, so
only the shape is searched: over a grid that covers all that the portions could tell, and from its
best points by least squares. An interval is the range over all curves whose weighted sum of squares
stays below RSS (1 + t²/ν) (Bates, Watts 1988, Nonlinear Regression Analysis, 6.1; from memory).
They may lie in branches apart (two sites are one where the share of either is 0), so they are
sought along lines of pace, which portions tell most sharply, for every mix of the other parameters,
finer wherever a branch was met.

Units: min, mg/g of dry feed, 1/min. Shapes: n portions, m stretches, g shapes on a grid, s shape
parameters.

References
----------
.. [1] First order: S/S∞ = 1 − e^(−kt). Elution in equilibrium with the solid gives the same curve
   in the limit of fine slices, 1 − exp(−V/(K m)) with V water [mL], m dry solid [g], K the
   concentration in solid over that in water [mL/g] (derived from the stage-wise form in [2]_): at
   one flow q the two cannot be told apart, and K = q/(k m).
.. [2] Two-site: Kubátová, Jansen, Vaudoisot, Hawthorne 2002, J Chromatogr A 975:175–188 (from
   memory): S/S∞ = 1 − F e^(−k₁t) − (1 − F) e^(−k₂t).
.. [3] Peleg 1988, J Food Sci 53:1216 (from memory): S = t/(K₁ + K₂t); S∞ = 1/K₂, half of it at
   K₁/K₂, initial rate 1/K₁.
.. [4] Weibull: S/S∞ = 1 − exp(−(t/α)^β), empirical.
.. [5] Extraction with degradation, first order both (Bateman's equation, from memory):
   S/S₀ = k_e/(k_d − k_e) (e^(−k_e t) − e^(−k_d t)).
.. [6] AICc: Hurvich, Tsai 1989, Biometrika 76:297–307 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
import numpy.typing as npt

__all__ = [
    "DEGRADATION",
    "FIRST_ORDER",
    "FLOW_MODELS",
    "PELEG",
    "TWO_SITE",
    "WEIBULL",
    "Comparison",
    "CurveFit",
    "CurveModel",
    "FlowExponent",
    "Interval",
    "PaceFit",
    "Refusal",
    "Timed",
    "compared",
    "fitted",
    "flow_exponent",
    "pace_over_runs",
]

FloatArray = npt.NDArray[np.float64]
LEVEL = 0.95
NO_SUPPORT_AICC = 10.0
"""Difference of AICc from which on a model has essentially no support (same source as below): one
whose parameters alone cost that much more can hardly win, however well it fits."""
LEVEL_OUT = 0.9
"""Share of the end value that has to be out by the last portion for a curve to have levelled."""
AS_LONG_AGAIN = 0.1
"""Rise, over what is out, if it went on for as long again at the pace of the last portion, from
which on a curve has not levelled."""
ALIKE_AICC = 2.0
"""Difference of AICc up to which two models count as equally good (Burnham, Anderson 2002, Model
Selection and Multimodel Inference, 2.6; from memory)."""
CENSORED_MOST = 0.5
BOXES_MOST = 8
"""Boxes in which curves inside an interval are sought: the whole one, then round each branch."""
PACES = 61
LINES: dict[int, tuple[int, ...]] = {1: (), 2: (61,), 3: (25, 21)}
ALONG = {1: 801, 2: 41, 3: 9}
"""Paces at which each line of pace is first tried, values of the other parameters, and curves kept
of each stretch of a line inside the interval, by the number of shape parameters."""
NEAR_END = 0.03
"""Share of a parameter's range so near to an end of the search that lines miss it."""
CELLS = {1: (801,), 2: (101, 101), 3: (31, 31, 25)}
STARTS = {1: 1, 2: 2, 3: 3}
"""Points of the first grid from which least squares starts, by the number of shape parameters."""


@dataclass(frozen=True, slots=True, eq=False)
class Timed:
    """Portions of one run: how much each holds, and when that left the bed.

    Attributes
    ----------
    portion, start, end
        For each stretch (m,): the portion that it went to, and its ends [min].
    low, high
        Between which limits each portion's amount lies (n,) [mg/g]; equal where it was measured.
    sd
        Scatter of each portion (n,), up to a factor common to all, which the residuals tell.
    """

    portion: npt.NDArray[np.intp]
    start: FloatArray
    end: FloatArray
    low: FloatArray
    high: FloatArray
    sd: FloatArray

    def __post_init__(self) -> None:
        n = len(self.low)
        if not (len(self.high) == len(self.sd) == n and set(self.portion) == set(range(n))):
            raise ValueError("every portion needs limits, scatter and at least one stretch")
        if not (self.start >= 0).all() or not (self.end > self.start).all():
            raise ValueError("a stretch begins at 0 min or later and ends after it begins")
        if not (self.sd > 0).all() or not ((self.low >= 0) & (self.high >= self.low)).all():
            raise ValueError("scatter is above 0, amounts are 0 or more")

    @property
    def measured(self) -> npt.NDArray[np.bool_]:
        """Whether a portion's amount is a number rather than a limit (n,)."""
        return np.asarray(self.low == self.high)

    @property
    def last_min(self) -> float:
        return float(self.end.max())

    @property
    def last_pace(self) -> float:
        """What the last portion holds per minute in which it was caught [mg/(g min)]."""
        own = self.portion == self.portion[self.end.argmax()]
        lasted = float((self.end - self.start)[own].sum())
        return float(self.high[self.portion[own][0]]) / lasted

    def released(
        self, model: CurveModel, shapes: FloatArray, pace: FloatArray | None = None
    ) -> FloatArray:
        """Return the share of the end value that each portion holds (g, n).

        With a `pace` (g,) time runs so much faster for each shape.
        """
        by = np.ones(1) if pace is None else pace[:, None]
        shares = model.share(by * self.end, shapes) - model.share(by * self.start, shapes)
        into = np.zeros((len(self.portion), len(self.low)))
        into[np.arange(len(self.portion)), self.portion] = 1.0
        return np.asarray(shares @ into)


@dataclass(frozen=True, slots=True)
class Parameter:
    """A shape parameter: its range for given times, and at which end the curve gets ever slower.

    `open_at` names the ends at which the search stops though the parameter could go on.
    """

    name: str
    unit: str
    ends: Callable[[float, float], tuple[float, float]]
    slow: Literal["low", "high", "neither"]
    logarithmic: bool = True
    open_at: tuple[Literal["low", "high"], ...] = ("low", "high")


@dataclass(frozen=True, slots=True, eq=False)
class CurveModel:
    """A model of the share released: R(t) of times (m,) or (g, m) at shapes (g, s), as (g, m).

    The first parameter sets the pace.
    """

    name: str
    parameters: tuple[Parameter, ...]
    share: Callable[[FloatArray, FloatArray], FloatArray]
    may_fall: bool = False

    @property
    def size(self) -> int:
        """Number of parameters, the end value among them."""
        return 1 + len(self.parameters)


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with its 95 % interval; an end is infinite where the portions set no bound."""

    value: float
    low: float
    high: float


def _rate_ends(shortest: float, longest: float) -> tuple[float, float]:
    return 0.01 / longest, 30 / shortest


def _time_ends(shortest: float, longest: float) -> tuple[float, float]:
    return shortest / 30, 100 * longest


RATE = Parameter("k", "1/min", _rate_ends, "low")


def _first_order(t: FloatArray, shapes: FloatArray) -> FloatArray:
    return -np.expm1(-shapes[:, :1] * t)


def _two_site(t: FloatArray, shapes: FloatArray) -> FloatArray:
    fast, ratio, share = shapes[:, :1], shapes[:, 1:2], shapes[:, 2:]
    return -share * np.expm1(-fast * t) - (1 - share) * np.expm1(-fast * ratio * t)


def _peleg(t: FloatArray, shapes: FloatArray) -> FloatArray:
    return np.asarray(t / (shapes[:, :1] + t))


def _weibull(t: FloatArray, shapes: FloatArray) -> FloatArray:
    return -np.expm1(-((t / shapes[:, :1]) ** shapes[:, 1:]))


def _degradation(t: FloatArray, shapes: FloatArray) -> FloatArray:
    """k_e t e^(−k_d t) (1 − e^(−x))/x with x = (k_e − k_d) t, which has a limit at k_e = k_d."""
    out, ratio = shapes[:, :1], shapes[:, 1:]
    x = out * (1 - ratio) * t
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.where(x < 1e-8, 1 - x / 2, -np.expm1(-x) / x)
    return np.asarray(out * t * np.exp(-out * ratio * t) * mean)


FIRST_ORDER = CurveModel("first order", (RATE,), _first_order)
PELEG = CurveModel("Peleg", (Parameter("half time", "min", _time_ends, "high"),), _peleg)
WEIBULL = CurveModel(
    "Weibull",
    (
        Parameter("scale", "min", _time_ends, "high"),
        Parameter("exponent", "", lambda *_: (0.2, 5.0), "neither"),
    ),
    _weibull,
)
TWO_SITE = CurveModel(
    "two-site",
    (
        Parameter("k fast", "1/min", _rate_ends, "low"),
        Parameter("k slow / k fast", "", lambda *_: (1e-3, 1.0), "low", open_at=("low",)),
        Parameter(
            "fast share", "", lambda *_: (0.0, 1.0), "neither", logarithmic=False, open_at=()
        ),
    ),
    _two_site,
)
DEGRADATION = CurveModel(
    "extraction with degradation",
    (RATE, Parameter("k loss / k", "", lambda *_: (1e-4, 1.0), "neither", open_at=("low",))),
    _degradation,
    may_fall=True,
)
"""Batch only. Swapping the two rates gives the same curve with another extractable amount: by
convention extraction is the faster of the two."""
FLOW_MODELS = (FIRST_ORDER, PELEG, WEIBULL, TWO_SITE)
"""Models of what has left in flow mode, where a running sum cannot fall; the plainest first."""


# ------------------------------------------------------------------------------- one model


@dataclass(frozen=True, slots=True)
class Refusal:
    """A model that the portions cannot carry, and why."""

    model: CurveModel
    why: str


@dataclass(frozen=True, eq=False)
class CurveFit:
    """A model fitted to portions, and all curves within its 95 % interval.

    Attributes
    ----------
    end_value, shape
        Of the best curve: S∞ [mg/g], shape parameters (s,).
    rss, df
        Weighted sum of squares, and measured portions less parameters.
    amounts
        What the best curve says each portion holds (n,) [mg/g].
    aicc
        None where there are too few portions for it.
    among
        The curves that count where not all within the interval do.
    """

    model: CurveModel
    timed: Timed
    end_value: float
    shape: FloatArray
    rss: float
    df: int
    amounts: FloatArray
    aicc: float | None
    among: _Inside | None = None

    @property
    def quantile(self) -> float:
        """Student's t by which its intervals are wide."""
        return _t_of(self.df)

    @property
    def unbounded(self) -> bool:
        """Whether the interval reaches curves so slow that nothing bounds their end value."""
        return bool(self._inside.slow.any())

    @cached_property
    def _inside(self) -> _Inside:
        if self.among is not None:
            return self.among
        allowed = self.rss * (1 + self.quantile**2 / self.df)
        return _inside_of(_Grid.over(self.model, self.timed), self.timed, allowed)

    def levelling(self) -> CurveFit | None:
        """Return the curves alone that have levelled by the last portion; None where none has."""
        inside = self._inside
        out = self.model.share(np.array([self.timed.last_min]), inside.shapes)[:, 0]
        if not (out >= LEVEL_OUT).any():
            return None
        kept = inside.bounded(out >= LEVEL_OUT)
        middle = (kept.least + kept.most) / 2
        one = int(np.argmax(kept.most - kept.least))
        return replace(self, among=kept, shape=kept.shapes[one], end_value=float(middle[one]))

    def out_by(self, minutes: float) -> Interval:
        """Return the share of the end value that is out by a time."""
        at = np.array([minutes])
        return self.of_shape(lambda shapes: self.model.share(at, shapes)[:, 0])

    @property
    def factor(self) -> float:
        """Scatter of the portions over the scatter that was given for them."""
        return math.sqrt(self.rss / self.df)

    def released(self, minutes: npt.ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return S(t) with its pointwise interval, each (m,) [mg/g]."""
        t = np.atleast_1d(np.asarray(minutes, dtype=np.float64))
        return self._amount(lambda shapes: self.model.share(t, shapes))

    def rate(
        self, minutes: npt.ArrayLike, window_min: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return what leaves per minute, over a window about each time, (m,) [mg/(g min)]."""
        t = np.atleast_1d(np.asarray(minutes, dtype=np.float64))
        start = np.maximum(t - window_min / 2, 0.0)
        end = start + window_min

        def per_min(shapes: FloatArray) -> FloatArray:
            gone = self.model.share(end, shapes) - self.model.share(start, shapes)
            return np.asarray(gone / window_min)

        return self._amount(per_min)

    def _amount(
        self, share: Callable[[FloatArray], FloatArray]
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        best = self.end_value * share(self.shape[None])[0]
        inside = self._inside
        shares = share(inside.shapes)
        least, most = inside.least[:, None] * shares, inside.most[:, None] * shares
        return best, np.minimum(best, least.min(axis=0)), np.maximum(best, most.max(axis=0))

    @cached_property
    def end(self) -> Interval:
        """The end value [mg/g]; of degradation the extractable amount."""
        inside = self._inside
        low = min(float(inside.least.min()), self.end_value)
        high = math.inf if self.unbounded else float(inside.most.max())
        return Interval(self.end_value, low, max(high, self.end_value))

    def of_shape(self, figure: Callable[[FloatArray], FloatArray]) -> Interval:
        """Return a figure of the shape alone, worked out from shapes (g, s) as (g,)."""
        value = float(figure(self.shape[None])[0])
        near = figure(self._inside.shapes)
        return Interval(value, min(value, float(near.min())), max(value, float(near.max())))

    def parameters(self) -> tuple[tuple[Parameter, Interval], ...]:
        """Return each shape parameter with its interval, open where only the search ended it."""
        inside = self._inside
        found = []
        for i, parameter in enumerate(self.model.parameters):
            at = self.of_shape(lambda shapes, i=i: shapes[:, i])  # type: ignore[misc]
            low = -math.inf if inside.open_low[i] else at.low
            high = math.inf if inside.open_high[i] else at.high
            found.append((parameter, Interval(at.value, low, high)))
        return tuple(found)

    def reached(self, share: float) -> Interval:
        """Return when a share of the end value has left [min]."""
        if self.model.may_fall:
            raise ValueError("a curve that may fall has no end value to reach")
        found = self.of_shape(lambda shapes: _time_of(self.model, shapes, share))
        return Interval(found.value, found.low, math.inf) if self.unbounded else found

    def still_rising(self, at_min: float, more_min: float) -> Interval:
        """Return by what share of S(at) the curve rises in the next minutes."""

        def gain(shapes: FloatArray) -> FloatArray:
            both = self.model.share(np.array([at_min, at_min + more_min]), shapes)
            return np.asarray(both[:, 1] / both[:, 0] - 1)

        return self.of_shape(gain)


def fitted(model: CurveModel, timed: Timed) -> CurveFit | Refusal:
    """Return a model fitted to the portions of one run by weighted least squares.

    A portion below a limit counts only where the curve goes beyond that limit, by how far it does.
    """
    why = _too_few(model, timed)
    if why:
        return Refusal(model, why)
    n = int(timed.measured.sum())
    grid = _Grid.over(model, timed)
    shape = _polished(grid, timed, _starts(grid, timed))
    shares = timed.released(model, shape[None])
    ends, rss, _ = _projected(timed, shares)
    return CurveFit(
        model,
        timed,
        float(ends[0]),
        shape,
        float(rss[0]),
        n - model.size,
        ends[0] * shares[0],
        _aicc(n, float(rss[0]), model.size + 1),
    )


def _t_of(df: int) -> float:
    """Return Student's t of a 95 % interval."""
    from scipy.special import stdtrit

    return float(stdtrit(df, (1 + LEVEL) / 2))


def _aicc(n: int, rss: float, size: int) -> float | None:
    """Return AICc of a least-squares fit with so many parameters, the scatter among them."""
    cost = _cost(n, size)
    return n * math.log(max(rss, 1e-300) / n) + cost if math.isfinite(cost) else None


def _cost(n: int, size: int) -> float:
    """Return what parameters, the scatter among them, add to AICc; infinite where n is too few."""
    return 2 * size + 2 * size * (size + 1) / (n - size - 1) if n > size + 1 else math.inf


def _too_few(model: CurveModel, timed: Timed) -> str:
    n = int(timed.measured.sum())
    censored = len(timed.low) - n
    if censored > CENSORED_MOST * len(timed.low):
        return f"{censored} of {len(timed.low)} portions are below a limit"
    if n <= model.size:
        return f"{model.size} parameters need {model.size + 1} measured portions, there are {n}"
    if not timed.low[timed.measured].max() > 0:
        return "no portion holds anything"
    return ""


@dataclass(frozen=True, slots=True, eq=False)
class _Grid:
    """A box of shapes, even in logarithms where parameters are; `whole` is that of all shapes."""

    model: CurveModel
    low: FloatArray
    high: FloatArray
    whole: tuple[FloatArray, FloatArray]

    @classmethod
    def over(cls, model: CurveModel, timed: Timed) -> _Grid:
        shortest = float(min((timed.end - timed.start).min(), timed.end.min()))
        ends = [p.ends(shortest, timed.last_min) for p in model.parameters]
        low, high = (np.array([_flat(p, e[i]) for p, e in zip(model.parameters, ends, strict=True)])
                     for i in (0, 1))  # fmt: skip
        return cls(model, low, high, (low, high))

    def points(self, cells: tuple[int, ...]) -> FloatArray:
        """Return the grid's points in flat coordinates (g, s)."""
        axes = [np.linspace(a, b, c) for a, b, c in zip(self.low, self.high, cells, strict=True)]
        return np.stack([x.ravel() for x in np.meshgrid(*axes, indexing="ij")], axis=1)

    def shapes(self, flat: FloatArray) -> FloatArray:
        columns = [
            np.exp(flat[:, i]) if p.logarithmic else flat[:, i]
            for i, p in enumerate(self.model.parameters)
        ]
        return np.stack(columns, axis=1)

    def around(self, flat: FloatArray, cells: tuple[int, ...]) -> _Grid:
        """Return the box round some of its points (g, s), a cell wider to every side."""
        step = (self.high - self.low) / (np.array(cells) - 1)
        low = np.maximum(flat.min(axis=0) - 1.2 * step, self.whole[0])
        high = np.minimum(flat.max(axis=0) + 1.2 * step, self.whole[1])
        return _Grid(self.model, low, high, self.whole)

    def beside(self, lines: FloatArray) -> _Grid:
        """Return the box round lines of pace (l, s), as long as they, a cell wider beside them."""
        narrower = self.around(lines, (PACES, *LINES[len(self.low)]))
        for ends, whole in ((narrower.low, self.low), (narrower.high, self.high)):
            ends[0] = whole[0]
        return narrower

    def touched(self, flat: FloatArray) -> tuple[tuple[bool, ...], tuple[bool, ...]]:
        """Tell where points (g, s) reach the whole box's ends, low and high, that are open."""
        margin = NEAR_END * (self.whole[1] - self.whole[0])
        low, high = self.whole[0] + margin, self.whole[1] - margin
        return (
            tuple(
                "low" in parameter.open_at and bool((flat[:, i] < low[i]).any())
                for i, parameter in enumerate(self.model.parameters)
            ),
            tuple(
                "high" in parameter.open_at and bool((flat[:, i] > high[i]).any())
                for i, parameter in enumerate(self.model.parameters)
            ),
        )

    def slow(self, flat: FloatArray) -> npt.NDArray[np.bool_]:
        """Tell which points (g, s) lie at the slow end of the whole box (g,)."""
        found = np.zeros(len(flat), dtype=np.bool_)
        for i, parameter in enumerate(self.model.parameters):
            low, high = self.whole[0][i], self.whole[1][i]
            margin = 0.01 * (high - low)
            if parameter.slow == "low":
                found |= flat[:, i] < low + margin
            elif parameter.slow == "high":
                found |= flat[:, i] > high - margin
        return found


def _flat(parameter: Parameter, value: float) -> float:
    return math.log(value) if parameter.logarithmic else value


def _starts(grid: _Grid, timed: Timed) -> FloatArray:
    """Return the best points of the whole grid that lie apart, in flat coordinates."""
    flat = grid.points(CELLS[len(grid.low)])
    rss = _rss_at(grid, timed, flat)
    order = np.argsort(rss, kind="stable")
    starts = [flat[order[0]]]
    apart = 0.08 * (grid.high - grid.low)
    for i in order[1:2000]:
        if len(starts) == STARTS[len(grid.low)]:
            break
        if all((np.abs(flat[i] - other) > apart).any() for other in starts):
            starts.append(flat[i])
    return np.array(starts)


def _polished(grid: _Grid, timed: Timed, starts: FloatArray) -> FloatArray:
    """Return the best shape (s,) that least squares reaches from several starts."""
    from scipy.optimize import least_squares

    low, high = grid.whole

    def residuals(flat: FloatArray) -> FloatArray:
        shares = timed.released(grid.model, grid.shapes(flat[None]))
        ends, _, _ = _projected(timed, shares)
        return np.asarray(_residuals(timed, ends[:, None] * shares)[0])

    best, least = starts[0], float(np.sum(residuals(starts[0]) ** 2))
    slack = 1e-9 * (high - low)
    for start in starts:
        inside = np.clip(start, low + slack, high - slack)
        found = least_squares(
            residuals, inside, bounds=(low, high), x_scale=high - low, xtol=1e-10, ftol=1e-12,
            gtol=1e-12, max_nfev=100,
        )  # fmt: skip
        if 2 * found.cost < least:
            best, least = found.x, 2 * float(found.cost)
    return np.asarray(grid.shapes(best[None])[0])


@dataclass(frozen=True, slots=True, eq=False)
class _Inside:
    """Shapes (g, s) inside the interval, the least and the largest end value of each (g,).

    `slow` tells which lie where the whole box ends on the slow side (g,); `open_low` and
    `open_high` whether any lies where the search ended though the parameter could go on (s,).
    """

    shapes: FloatArray
    least: FloatArray
    most: FloatArray
    slow: npt.NDArray[np.bool_]
    open_low: tuple[bool, ...]
    open_high: tuple[bool, ...]

    def bounded(self, chosen: npt.NDArray[np.bool_]) -> _Inside:
        """Return some of the curves, of which something else bounds the end values."""
        return replace(
            self,
            shapes=self.shapes[chosen],
            least=self.least[chosen],
            most=self.most[chosen],
            slow=np.zeros(int(chosen.sum()), dtype=np.bool_),
        )


def _inside_of(grid: _Grid, timed: Timed, allowed: float) -> _Inside:
    """Return the curves whose sum of squares keeps within `allowed`, in all branches met."""
    boxes, parts = [grid], []
    for i in range(BOXES_MOST):
        if i == len(boxes):
            break
        part, lines, least = _along_lines(boxes[i], timed, allowed)
        parts.append(part)
        boxes += _branches(boxes[i], lines, least, allowed)
    flat = np.concatenate(parts)
    if not len(flat):  # a branch finer than the lines: least squares alone has met it
        flat = _starts(grid, timed)[:1]
    ends, rss, weight = _projected(timed, timed.released(grid.model, grid.shapes(flat)))
    room = np.sqrt(np.maximum(allowed - rss, 0.0) / weight)
    low, high = grid.touched(flat)
    return _Inside(
        grid.shapes(flat), np.maximum(ends - room, 0.0), ends + room, grid.slow(flat), low, high
    )


def _rss_at(grid: _Grid, timed: Timed, flat: FloatArray) -> FloatArray:
    return _projected(timed, timed.released(grid.model, grid.shapes(flat)))[1]


def _along_lines(
    grid: _Grid, timed: Timed, allowed: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return curves inside a box (g, s), its lines (l, s), and the least sum of squares of each.

    A line runs over all paces at one mix of the other parameters. Every dip along it is followed to
    its bottom and from there to both sides until the sum of squares reaches `allowed`.
    """
    size = len(grid.low)
    flat = grid.points((PACES, *LINES[size])).reshape(PACES, -1, size)
    paces, lines = flat[:, 0, 0], flat[0]
    table = _rss_at(grid, timed, flat.reshape(-1, size)).reshape(PACES, -1)
    padded = np.pad(table, ((1, 1), (0, 0)), constant_values=np.inf)
    at, of = np.nonzero((table <= padded[:-2]) & (table <= padded[2:]))

    def rss(pace: FloatArray, others: FloatArray) -> FloatArray:
        return _rss_at(grid, timed, np.column_stack([pace, others]))

    others = lines[of][:, 1:]
    before, after = paces[np.maximum(at - 1, 0)], paces[np.minimum(at + 1, PACES - 1)]
    bottom = _lowest(lambda pace: rss(pace, others), before, after)
    depth = rss(bottom, others)
    least = table.min(axis=0)
    np.minimum.at(least, of, depth)
    good = depth <= allowed
    at, others, bottom, outside = at[good], others[good], bottom[good], table[:, of[good]] > allowed
    sides = []
    for step, edge in ((-1, 0), (1, PACES - 1)):
        first = _first_outside(outside, at, step)
        far = paces[np.where(first < 0, edge, first)]
        stop = _edge(lambda pace: rss(pace, others) <= allowed, bottom, far)
        sides.append(np.where(first < 0, paces[edge], stop))
    share = np.linspace(0.0, 1.0, ALONG[size])[:, None]
    stretch = np.concatenate([sides[0] + share * (sides[1] - sides[0]), bottom[None]])
    flat = np.column_stack([stretch.ravel(), np.tile(others, (len(stretch), 1))])
    return flat[_rss_at(grid, timed, flat) <= allowed * (1 + 1e-9)], lines, least


def _edge(
    inside: Callable[[FloatArray], npt.NDArray[np.bool_]], near: FloatArray, far: FloatArray
) -> FloatArray:
    """Return the last points inside on the way from `near`, inside, to `far`, outside (d,)."""
    for _ in range(40):
        middle = (near + far) / 2
        good = inside(middle)
        near, far = np.where(good, middle, near), np.where(good, far, middle)
    return near


def _lowest(
    value: Callable[[FloatArray], FloatArray], low: FloatArray, high: FloatArray
) -> FloatArray:
    """Return where a function of one dip each is least, between limits (d,), by golden section."""
    golden = (math.sqrt(5) - 1) / 2
    for _ in range(28):
        left, right = high - golden * (high - low), low + golden * (high - low)
        falls = value(left) > value(right)
        low, high = np.where(falls, left, low), np.where(falls, high, right)
    return np.asarray((low + high) / 2)


def _first_outside(
    outside: npt.NDArray[np.bool_], at: npt.NDArray[np.intp], step: int
) -> npt.NDArray[np.intp]:
    """Return the first row outside (r, d) from row `at` (d,) on to one side; −1 where none is."""
    rows = np.arange(len(outside))[:, None]
    beyond = outside & ((rows - at) * step > 0)
    first = beyond.argmax(axis=0) if step > 0 else len(outside) - 1 - beyond[::-1].argmax(axis=0)
    return np.where(beyond.any(axis=0), first, -1)


def _branches(grid: _Grid, lines: FloatArray, least: FloatArray, allowed: float) -> Iterator[_Grid]:
    """Yield a smaller box round each branch of lines inside, and round dips that may hide one."""
    from scipy.ndimage import label, minimum_filter

    cells = LINES[len(grid.low)]
    if not cells:
        return
    table = least.reshape(cells)
    marks, count = label(table <= allowed, np.ones((3,) * len(cells)))
    inside = [np.flatnonzero(marks.ravel() == i + 1) for i in range(count)]
    dips = np.flatnonzero((table == minimum_filter(table, 3, mode="nearest")).ravel())
    dips = dips[np.argsort(least[dips], kind="stable")]
    hidden = [[i] for i in dips if allowed < least[i] <= allowed + _drop(table, int(i))]
    for members in (*inside, *hidden):
        narrower = grid.beside(lines[np.array(members)])
        if ((narrower.high - narrower.low)[1:] < 0.7 * (grid.high - grid.low)[1:]).any():
            yield narrower


def _drop(table: FloatArray, i: int) -> float:
    """Return by how much a sum of squares may fall within a cell of a dip, by its neighbours."""
    rise, after = 0.0, table.size
    for size in table.shape:
        before, after = after, after // size
        where = i % before // after
        near = [i + step * after for step in (-1, 1) if 0 <= where + step < size]
        rise += float(table.ravel()[near].max() - table.ravel()[i])
    return rise


def _projected(timed: Timed, shares: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the best end value of each shape (g,), its sum of squares, and Σ (share/sd)² (g,).

    A limit joins as a measured value where the curve goes beyond it; a few rounds settle which do.
    """
    B, w = shares / timed.sd, 1 / timed.sd
    measured = timed.measured
    target = np.broadcast_to(timed.low * w, B.shape)
    counts = np.broadcast_to(measured, B.shape)
    for _ in range(1 if measured.all() else 6):
        weight = np.maximum(np.sum(np.where(counts, B**2, 0.0), axis=1), 1e-300)
        ends = np.maximum(np.sum(np.where(counts, B * target, 0.0), axis=1) / weight, 0.0)
        held = ends[:, None] * B
        beyond = (held < timed.low * w) | (held > timed.high * w)
        counts = measured | beyond
        target = np.clip(held, timed.low * w, timed.high * w)
    rss = np.sum(_residuals(timed, ends[:, None] * shares) ** 2, axis=1)
    return ends, rss, weight


def _residuals(timed: Timed, amounts: FloatArray) -> FloatArray:
    """Return how far amounts (g, n) lie from what was found, in units of `sd`; 0 inside limits."""
    return np.asarray((np.clip(amounts, timed.low, timed.high) - amounts) / timed.sd)


def _time_of(model: CurveModel, shapes: FloatArray, share: float) -> FloatArray:
    """Return when each shape has released a share (g,) [min]."""
    if model is FIRST_ORDER:
        return np.asarray(-math.log1p(-share) / shapes[:, 0])
    if model is PELEG:
        return np.asarray(shapes[:, 0] * share / (1 - share))
    if model is WEIBULL:
        return np.asarray(shapes[:, 0] * (-math.log1p(-share)) ** (1 / shapes[:, 1]))
    low, high = np.full(len(shapes), -14.0), np.full(len(shapes), 21.0)  # ln min
    for _ in range(45):
        middle = (low + high) / 2
        t = np.exp(middle)
        fast, ratio, part = shapes.T
        gone = -part * np.expm1(-fast * t) - (1 - part) * np.expm1(-fast * ratio * t)
        low, high = np.where(gone < share, middle, low), np.where(gone < share, high, middle)
    return np.asarray(np.exp((low + high) / 2))


# --------------------------------------------------------------------------- several models


@dataclass(frozen=True, eq=False)
class Comparison:
    """Models of one run's portions: what was fitted, what could not be, and the plainest good one.

    Figures of the curve are told by the chosen model, with a range over all models that the
    portions do not refute. Where the curve has not levelled by the last portion, the end value and
    what hangs on it are the models' word, and no bound stands above that some model does not keep.
    Where it has, the range is over the curves that level as well; a pool of the solid so slow that
    it hardly shows can never be excluded.

    Attributes
    ----------
    alike
        The models as good as the chosen one by AICc, itself included.
    within
        The models, likewise, that no other model refutes at 95 %.
    unjudged
        Models that the portions cannot judge: refused, without AICc, so dear in parameters that
        AICc would not choose them however well they fit, or of a fast part that may have left
        before the first portion.
    """

    fits: tuple[CurveFit, ...]
    refusals: tuple[Refusal, ...]
    chosen: CurveFit | None
    alike: tuple[CurveFit, ...]

    @cached_property
    def within(self) -> tuple[CurveFit, ...]:
        able = [fit for fit in self.fits if not _hides(fit)]
        kept = [fit for fit in able if not any(_refutes(other, fit) for other in self.fits)]
        return tuple(dict.fromkeys((*self.alike, *kept)))

    @property
    def unjudged(self) -> tuple[CurveModel, ...]:
        if self.chosen is None:
            return ()
        n, plain = int(self.chosen.timed.measured.sum()), self.chosen.model
        models = [one.model for one in self.refusals]
        for fit in self.fits:
            dear = _cost(n, fit.model.size + 1) > _cost(n, plain.size + 1) + NO_SUPPORT_AICC
            if fit not in self.alike and (fit.aicc is None or dear or _hides(fit)):
                models.append(fit.model)
        return tuple(models)

    @cached_property
    def levelled(self) -> bool:
        """Whether the curve has levelled by the last portion, as far as portions can show that.

        By the chosen model's interval and all models alike, and by the pace of the last portion.
        """
        if self.chosen is None:
            return False
        timed = self.chosen.timed
        last = timed.last_min
        if self.chosen.out_by(last).low < LEVEL_OUT:
            return False
        if any(fit.out_by(last).value < LEVEL_OUT for fit in self.alike):
            return False
        out = float(self.chosen.released(last)[0][0])
        return timed.last_pace * last < AS_LONG_AGAIN * out

    def end(self) -> Interval:
        """Return the end value [mg/g]."""
        return self._beyond(self._told(lambda fit: fit.end))

    def reached(self, share: float) -> Interval:
        """Return when a share of the end value has left [min]."""
        return self._beyond(self._told(lambda fit: fit.reached(share)))

    def still_rising(self, at_min: float, more_min: float) -> Interval:
        """Return by what share of S(at) the curve rises in the next minutes."""
        return self._told(lambda fit: fit.still_rising(at_min, more_min))

    def released(self, at_min: float) -> Interval:
        """Return what has left by a time [mg/g]."""
        return self._told(lambda fit: Interval(*(float(x[0]) for x in fit.released(at_min))))

    def _told(self, figure: Callable[[CurveFit], Interval]) -> Interval:
        assert self.chosen is not None
        own = figure(self.chosen)
        others = (fit for fit in self.within if fit is not self.chosen)
        if self.levelled:
            others = (level for fit in others if (level := fit.levelling()) is not None)
        ranges = [own, *map(figure, others)]
        return Interval(own.value, min(r.low for r in ranges), max(r.high for r in ranges))

    def _beyond(self, told: Interval) -> Interval:
        """Take the bound above away where a model that is not counted might not keep it."""
        counted = {fit.model for fit in self.within}
        free = not self.levelled and any(model not in counted for model in self.unjudged)
        return replace(told, high=math.inf) if free else told


def _hides(fit: CurveFit) -> bool:
    """Tell whether a fast part of the curve may be of any size, as its time was not sampled."""
    return fit.model is TWO_SITE and float(fit.timed.start.min()) > 0


def _refutes(richer: CurveFit, plain: CurveFit) -> bool:
    """Tell whether a model of as many parameters or more leaves another outside its 95 % region."""
    from scipy.special import fdtri

    extra = max(1, richer.model.size - plain.model.size)
    allowed = 1 + extra * float(fdtri(extra, richer.df, LEVEL)) / richer.df
    return plain.rss > richer.rss * allowed


def compared(timed: Timed, models: Sequence[CurveModel] = FLOW_MODELS) -> Comparison:
    """Return the models fitted to one run, and the one to go by.

    That is the one of fewest parameters within 2 of the smallest AICc, the first in order where
    several have as few; where portions are too few for AICc, the same by the sum of squares alone
    among the models of fewest parameters.
    """
    found = [fitted(model, timed) for model in models]
    fits = tuple(one for one in found if isinstance(one, CurveFit))
    refusals = tuple(one for one in found if isinstance(one, Refusal))
    if not fits:
        return Comparison((), refusals, None, ())
    judged = {id(fit): fit.aicc for fit in fits if fit.aicc is not None}
    if not judged:
        fewest = min(fit.model.size for fit in fits)
        n = int(timed.measured.sum())
        judged = {
            id(fit): n * math.log(max(fit.rss, 1e-300) / n)
            for fit in fits
            if fit.model.size == fewest
        }
    least = min(judged.values())
    alike = tuple(
        fit for fit in fits if id(fit) in judged and judged[id(fit)] <= least + ALIKE_AICC
    )
    return Comparison(fits, refusals, min(alike, key=lambda fit: fit.model.size), alike)


# ------------------------------------------------------------- against time, or against water


@dataclass(frozen=True, slots=True, eq=False)
class FlowExponent:
    """How the pace of extraction follows the flow per solid u: pace ∝ u^p.

    At p = 0 the curves of all runs coincide against time: what comes loose sets the pace. At p = 1
    they coincide against water per solid: equilibrium with the water does.

    Attributes
    ----------
    exponent
        p with its interval from the scatter of portions about curves of one shape, each run with
        an end value of its own.
    rss_time, rss_water, rss, df
        Weighted sums of squares at p = 0, at p = 1, and at the best p, with its degrees of freedom.
    span
        Largest u over the smallest.
    """

    model: CurveModel
    exponent: Interval
    rss_time: float
    rss_water: float
    rss: float
    df: int
    span: float

    def shift_by(self, relative: float) -> float:
        """Return how far p moves if the pace of a run was off by a share for other reasons."""
        return math.log1p(relative) / math.log(self.span)


EXPONENTS = np.linspace(-1.0, 2.0, 31)
PACE_SHAPES: dict[CurveModel, tuple[int, ...]] = {FIRST_ORDER: (61,), WEIBULL: (17, 9)}
PACE_ROUNDS = 4
"""Rounds of narrowing the grid of shapes round the best ones of all exponents."""


def flow_exponent(runs: Sequence[Timed], flows: Sequence[float]) -> FlowExponent | None:
    """Return how the pace follows the flow over runs that are otherwise alike; None where too few.

    Parameters
    ----------
    runs
        Portions of each run.
    flows
        Water per dry solid and minute of each run [mL/(g min)].

    Notes
    -----
    First order, or Weibull where AICc prefers it, with time run at (u/u₀)^p, p from −1 to 2.
    """
    u = np.asarray(flows, dtype=np.float64)
    if len(runs) < 2 or not u.max() > u.min():
        return None
    found = [one for model in PACE_SHAPES if (one := _exponent_by(model, runs, u)) is not None]
    return min(found, key=lambda one: one[0])[1] if found else None


def _exponent_by(
    model: CurveModel, runs: Sequence[Timed], u: FloatArray
) -> tuple[float, FlowExponent] | None:
    """Return AICc and the exponent by one model; None with too few portions for its parameters."""
    n = sum(int(run.measured.sum()) for run in runs)
    df = n - len(runs) - model.size  # end values, shape, exponent
    if df <= 2:
        return None
    ratios = u / math.exp(float(np.log(u).mean()))
    over = 1 + _t_of(df) ** 2 / df
    wide = _rss_by_exponent(model, runs, ratios, EXPONENTS)
    inside = EXPONENTS[wide <= wide.min() * over]
    step = EXPONENTS[1] - EXPONENTS[0]
    close = np.linspace(inside.min() - step, inside.max() + step, len(EXPONENTS))
    rss = _rss_by_exponent(model, runs, ratios, close)
    least = min(float(rss.min()), float(wide.min()))
    within = close[rss <= max(least * over, float(rss.min()))]
    exponent = Interval(
        float(close[int(rss.argmin())]),
        -math.inf if inside.min() == EXPONENTS[0] else float(within.min()),
        math.inf if inside.max() == EXPONENTS[-1] else float(within.max()),
    )
    time, water = (
        float(_rss_by_exponent(model, runs, ratios, np.array([p]))[0]) for p in (0.0, 1.0)
    )
    span = float(u.max() / u.min())
    aicc = _aicc(n, least, n - df + 1)
    assert aicc is not None
    return aicc, FlowExponent(model, exponent, time, water, least, df, span)


def _rss_by_exponent(
    model: CurveModel,
    runs: Sequence[Timed],
    ratios: FloatArray,
    exponents: FloatArray,
) -> FloatArray:
    """Return at each exponent the sum of squares of the best common shape."""
    cells = PACE_SHAPES[model]
    grid = _Grid.over(model, max(runs, key=lambda run: run.last_min))
    least = np.full(len(exponents), np.inf)
    for _ in range(PACE_ROUNDS):
        flat = grid.points(cells)
        shapes = np.tile(grid.shapes(flat), (len(exponents), 1))
        powers = np.repeat(exponents, len(flat))
        rss = np.zeros(len(shapes))
        for run, ratio in zip(runs, ratios, strict=True):
            rss += _projected(run, run.released(model, shapes, ratio**powers))[1]
        table = rss.reshape(len(exponents), len(flat))
        least = np.minimum(least, table.min(axis=1))
        grid = grid.around(flat[table.argmin(axis=1)], cells)
    return least


# ---------------------------------------------------------------- rates over temperature and flow


@dataclass(frozen=True, slots=True, eq=False)
class PaceFit:
    """Rates of runs over temperature and flow: ln k = ln k₀ − (E/R)(1/T − 1/T₀) + p ln(u/u₀).

    Attributes
    ----------
    coefficients, covariance
        Of ln k₀, E [kJ/mol] and, where flows differ enough, p: (q,) and (q, q).
    scatter
        Standard deviation of ln k from run to run beyond what the portions of a run explain.
    df
        Runs less coefficients.
    temperature_C, flow
        T₀ and u₀, the middle of the runs.
    """

    coefficients: FloatArray
    covariance: FloatArray
    scatter: float
    df: int
    temperature_C: float
    flow: float

    @property
    def activation_kJ_mol(self) -> Interval:
        return self._coefficient(1)

    @property
    def exponent(self) -> Interval | None:
        """p; None where the runs had too nearly one flow."""
        return self._coefficient(2) if len(self.coefficients) > 2 else None

    def rate(
        self, temperature_C: npt.ArrayLike, flow: npt.ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return k at temperatures and flows (m,) with the interval of its mean [1/min]."""
        X = _pace_columns(
            np.atleast_1d(np.asarray(temperature_C, dtype=np.float64)),
            np.atleast_1d(np.asarray(flow, dtype=np.float64)),
            self.temperature_C,
            self.flow,
        )[:, : len(self.coefficients)]
        mean = X @ self.coefficients
        half = _t_of(self.df) * np.sqrt(np.einsum("ij,jk,ik->i", X, self.covariance, X))
        return np.exp(mean), np.exp(mean - half), np.exp(mean + half)

    def _coefficient(self, i: int) -> Interval:
        value, half = self.coefficients[i], _t_of(self.df) * math.sqrt(self.covariance[i, i])
        return Interval(float(value), float(value - half), float(value + half))


GAS_CONSTANT = 8.314462618e-3
"""kJ/(mol K), CODATA 2018."""
TEMPERATURES_LEAST = 3
APART_K = 5.0
SPAN_LEAST = 1.3
TANGLED = 0.95
"""Correlation of temperature and flow over the runs from which on their effects are one."""


def pace_over_runs(
    log_rate: FloatArray, error: FloatArray, temperature_C: FloatArray, flow: FloatArray
) -> PaceFit | str:
    """Return how the rates of runs (r,) follow temperature and flow, or why that cannot be told.

    Parameters
    ----------
    log_rate, error
        ln k of each run, and its standard error from the run's portions.
    flow
        Water per dry solid and minute [mL/(g min)].

    Notes
    -----
    A run is one observation, however many portions it has. Weights are 1/(scatter² + error²); the
    scatter from run to run is what makes the weighted residuals as large as their degrees of
    freedom, or 0 (Paule, Mandel 1982, J Res NBS 87:377–385; from memory).
    """
    steps = np.diff(np.sort(temperature_C))
    if 1 + int((steps >= APART_K).sum()) < TEMPERATURES_LEAST:
        return f"a rate over temperature needs {TEMPERATURES_LEAST} temperatures 5 K apart"
    reference_C, reference = float(np.mean(temperature_C)), float(np.exp(np.log(flow).mean()))
    X = _pace_columns(temperature_C, flow, reference_C, reference)
    if flow.max() < SPAN_LEAST * flow.min():
        X = X[:, :2]
    elif abs(np.corrcoef(X[:, 1], X[:, 2])[0, 1]) > TANGLED:
        return "flow rose and fell with temperature over these runs, so that neither can be told"
    df = len(log_rate) - X.shape[1]
    if df < 1:
        return f"{X.shape[1]} coefficients need {X.shape[1] + 1} runs, there are {len(log_rate)}"

    def weighted(scatter: float) -> tuple[FloatArray, FloatArray, float]:
        w = 1 / (scatter**2 + error**2)
        inverse = np.asarray(np.linalg.inv(X.T @ (w[:, None] * X)), dtype=np.float64)
        coefficients = inverse @ (X.T @ (w * log_rate))
        return coefficients, inverse, float(np.sum(w * (log_rate - X @ coefficients) ** 2))

    scatter = _root_of(lambda s: weighted(s)[2] - df)
    coefficients, inverse, _ = weighted(scatter)
    return PaceFit(coefficients, inverse, scatter, df, reference_C, reference)


def _pace_columns(
    temperature_C: FloatArray, flow: FloatArray, reference_C: float, reference: float
) -> FloatArray:
    inverse = 1 / (temperature_C + 273.15) - 1 / (reference_C + 273.15)
    return np.column_stack(
        [np.ones(len(inverse)), -inverse / GAS_CONSTANT, np.log(flow / reference)]
    )


def _root_of(excess: Callable[[float], float]) -> float:
    """Return where a falling function reaches 0 above 0; 0 where it starts below."""
    from scipy.optimize import brentq

    if excess(0.0) <= 0:
        return 0.0
    most = 1.0
    while excess(most) > 0:
        most *= 2
    return float(brentq(excess, 0.0, most, xtol=1e-12))
