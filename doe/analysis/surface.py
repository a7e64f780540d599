"""The shape of a fitted second-order surface: where it is level, how it curves, which way is up.

At fixed levels of the categorical factors a model of order two in its q numeric factors is
y = b₀ + b'x + x'Bx in coded units. Everything here follows from b and B, and carries the
uncertainty of the coefficients with it. Of a transformed response the values are the transformed
ones: their level places, directions and signs are those of the response itself.

Shapes: k factors, q numeric factors in the model, p coefficients, m settings.

References
----------
Box, Wilson 1951, J. R. Stat. Soc. B 13:1–45; NIST/SEMATECH e-Handbook, 5.5.3.1 (steepest ascent,
canonical analysis). Box, Hunter 1954, Biometrika 41:190–199 (where the gradient may be zero, and
the cone of directions; from memory). Draper 1963, Technometrics 5:469–479 (ridge; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from doe.analysis.fit import FittedModel, Prediction
from doe.factors import FactorSpace, Feasible, FloatArray, NumericFactor

__all__ = [
    "Ascent",
    "Canonical",
    "Nature",
    "PathPoint",
    "SecondOrder",
    "Stationary",
    "directions_excluded",
    "ridge",
    "second_order",
    "stationary_point",
    "steepest_ascent",
]

Nature = Literal["maximum", "minimum", "saddle", "ridge", "flat"]

FLAT = 1e-9
"""Share of the largest curvature below which a direction counts as not curved at all."""
REGION_POINTS, ZOOM_POINTS, ZOOMS = 20_000, 1_500, 6
HARDNESS = {"very hard": 2, "hard": 1, "easy": 0}
TEACHES = 0.1
"""Share of the steepest slope that a factor needs to be the one that counts the steps."""
ASCENT_POINTS = 8
DIRECTIONS = 40_000


@dataclass(frozen=True, slots=True, eq=False)
class SecondOrder:
    """A fitted surface of order two, as functions of its coefficients.

    Attributes
    ----------
    at
        Coded setting (k,): the levels of the categorical factors, 0 for the numeric ones.
    active
        Positions of the q numeric factors that the model has.
    slope_rows, curvature_rows
        Rows (q, p) and (q, q, p) that give b and B when multiplied with the coefficients.
    """

    fitted: FittedModel
    at: FloatArray
    active: tuple[int, ...]
    slope_rows: FloatArray
    curvature_rows: FloatArray

    @property
    def slope(self) -> FloatArray:
        """Slope b (q,) in the middle of the ranges."""
        return np.asarray(self.slope_rows @ self.fitted.coefficients)

    @property
    def curvature(self) -> FloatArray:
        """Curvature B (q, q): squares on its diagonal, half the interactions beside it."""
        return np.asarray(self.curvature_rows @ self.fitted.coefficients)

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(self.fitted.model.space.names[i] for i in self.active)

    def settings(self, x: FloatArray) -> FloatArray:
        """Return settings (m, k) in real units at coded places (m, q)."""
        x = np.atleast_2d(x)
        coded = np.repeat(self.at[None], len(x), axis=0)
        coded[:, self.active] = x
        return self.fitted.model.space.decode(coded)

    def gradient_rows(self, x: FloatArray) -> FloatArray:
        """Return rows (m, q, p) that give the gradient at coded places (m, q)."""
        rows = self.slope_rows + 2 * np.einsum("mj,ijp->mip", np.atleast_2d(x), self.curvature_rows)
        return np.asarray(rows)

    def degrees_of_freedom(self, rows: FloatArray) -> float:
        """Return the fewest degrees of freedom that any of the rows (r, p) is judged by."""
        return float(np.min(self.fitted.degrees_of_freedom(rows)))

    def may_be_level(self, x: FloatArray, level: float = 0.95) -> npt.NDArray[np.bool_]:
        """Return whether the gradient could be zero at coded places (m, q).

        Notes
        -----
        g'V⁻¹g ≤ q·F(level; q, ν), g the gradient and V its covariance: Box, Hunter 1954. Exact for
        least squares; in a fit by REML ν is the smallest of the parts of the gradient.
        """
        from scipy.special import fdtri

        rows = self.gradient_rows(x)
        gradient = rows @ self.fitted.coefficients
        covariance = rows @ self.fitted.covariance @ np.swapaxes(rows, 1, 2)
        q = len(self.active)
        covariance += 1e-12 * np.trace(covariance, axis1=1, axis2=2)[:, None, None] * np.eye(q)
        distance = np.einsum(
            "mi,mi->m", gradient, np.linalg.solve(covariance, gradient[..., None])[..., 0]
        )
        df = self.degrees_of_freedom(self.slope_rows)
        return np.asarray(distance <= q * fdtri(q, df, level))


def second_order(fitted: FittedModel, at: FloatArray | None = None) -> SecondOrder | None:
    """Return the surface at the categorical levels of `at` (k,); None if it is not of order two.

    None too where no numeric factor is left in the model, and where the model goes beyond
    order two.
    """
    model, space = fitted.model, fitted.model.space
    numeric = list(space.numeric)
    orders = [sum(term.powers[i] for i in numeric) for term in model.terms]
    active = tuple(i for i in numeric if any(term.powers[i] for term in model.terms))
    if not active or max(orders) > 2:
        return None
    middle = np.zeros(len(space))
    if at is not None:
        middle = space.code(at)[0]
        middle[numeric] = 0.0
    ends = np.repeat(middle[None], len(active), axis=0)
    ends[np.arange(len(active)), active] = 1.0
    slope = np.stack([model.gradient(middle, i)[0] for i in active])
    curvature = np.stack(
        [(model.gradient(ends, i) - row) / 2 for i, row in zip(active, slope, strict=True)]
    )
    return SecondOrder(fitted, middle, active, slope, curvature)


@dataclass(frozen=True, slots=True, eq=False)
class Canonical:
    """Curvature along one principal direction (q,) of unit length in coded units.

    The standard error is that of the curvature along the direction as found (delta method: to
    first order the turn of the direction does not matter). Curvatures that lie close to one
    another are estimated further apart than they are.
    """

    value: float
    standard_error: float
    low: float
    high: float
    direction: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Stationary:
    """Where a second-order surface is level, and what it is there.

    Attributes
    ----------
    settings, prediction
        (k,) in real units, and what is predicted there; None where the surface is nowhere level.
    nature
        By the intervals of the curvatures at `level`: "maximum" and "minimum" if all are on one
        side of zero, "saddle" if some are clearly on either, "ridge" if along some direction it
        cannot be told from zero, "flat" if along all.
    ranges
        (k, 2): within the ranges of the factors, from where to where the surface may be level;
        NaN where that is nowhere, and for factors that the model has not got.
    open_ends
        (k, 2): that end lies on the end of the range, and may go on beyond it.
    region_share
        Share of the ranges in which the surface may be level.
    """

    surface: SecondOrder
    settings: FloatArray | None
    prediction: Prediction | None
    inside_ranges: bool
    nature: Nature
    words: str
    canonical: tuple[Canonical, ...]
    ranges: FloatArray
    open_ends: npt.NDArray[np.bool_]
    region_share: float
    level: float

    def may_be_level(self, settings: npt.ArrayLike) -> npt.NDArray[np.bool_]:
        """Return whether the surface could be level at settings (m, k) in real units."""
        coded = self.surface.fitted.model.space.code(settings)
        return self.surface.may_be_level(coded[:, self.surface.active], self.level)


def stationary_point(
    fitted: FittedModel, at: FloatArray | None = None, level: float = 0.95
) -> Stationary | None:
    """Return where the surface is level; None for a model without curvature or beyond order two.

    Parameters
    ----------
    at
        Setting (k,) whose categorical levels are kept; the first level of each where not given.
    """
    surface = second_order(fitted, at)
    if surface is None or not np.abs(surface.curvature).max() > 0:
        return None
    canonical = _canonical(surface, level)
    x = _level_place(surface)
    settings = None if x is None else surface.settings(x)[0]
    nature = _nature(canonical)
    ranges, open_ends, share = _where_level(surface, x, level)
    return Stationary(
        surface,
        settings,
        None if settings is None else fitted.predict(settings, level),
        x is not None and bool((np.abs(x) <= 1 + 1e-9).all()),
        nature,
        _nature_words(nature, canonical, surface.names),
        canonical,
        ranges,
        open_ends,
        share,
        level,
    )


def _canonical(surface: SecondOrder, level: float) -> tuple[Canonical, ...]:
    """Return the principal directions, most strongly upward curvature first."""
    from scipy.special import stdtrit

    values, vectors = np.linalg.eigh(surface.curvature)
    found = []
    for value, direction in sorted(zip(values, vectors.T, strict=True), key=lambda p: -p[0]):
        upright = direction * (1.0 if direction[np.argmax(np.abs(direction))] > 0 else -1.0)
        row = np.einsum("i,ijp,j->p", upright, surface.curvature_rows, upright)
        error = float(np.sqrt(max(row @ surface.fitted.covariance @ row, 0.0)))
        reach = float(stdtrit(surface.degrees_of_freedom(row), (1 + level) / 2)) * error
        found.append(Canonical(float(value), error, value - reach, value + reach, upright))
    return tuple(found)


def _level_place(surface: SecondOrder) -> FloatArray | None:
    """Return −B⁻¹b/2 (q,); None where some direction has no curvature at all."""
    B = surface.curvature
    values = np.abs(np.linalg.eigvalsh(B))
    if values.min() <= FLAT * values.max():
        return None
    return np.asarray(-0.5 * np.linalg.solve(B, surface.slope))


def _nature(canonical: Sequence[Canonical]) -> Nature:
    up = [c.low > 0 for c in canonical]
    down = [c.high < 0 for c in canonical]
    if any(up) and any(down):
        return "saddle"
    if all(down):
        return "maximum"
    if all(up):
        return "minimum"
    return "ridge" if any(up) or any(down) else "flat"


def _nature_words(nature: Nature, canonical: Sequence[Canonical], names: Sequence[str]) -> str:
    unclear = [_way(c.direction, names) for c in canonical if c.low <= 0 <= c.high]
    if nature == "maximum":
        return "a maximum: it falls every way from there"
    if nature == "minimum":
        return "a minimum: it rises every way from there"
    if nature == "saddle":
        up = next(c for c in canonical if c.low > 0)
        down = next(c for c in reversed(canonical) if c.high < 0)
        return (
            f"a saddle: it rises both ways along {_way(up.direction, names)}, and falls both ways "
            f"along {_way(down.direction, names)}"
        )
    if nature == "flat":
        return "not clear of flat: no curvature stands out of the scatter"
    form = "a crest" if any(c.high < 0 for c in canonical) else "a trough"
    return f"{form}: along {', and along '.join(unclear)} the curvature is not clear of none"


def _way(direction: FloatArray, names: Sequence[str]) -> str:
    """Return a direction in words: ``temperature up with time down``; small parts left out."""
    order = np.argsort(-np.abs(direction))
    parts = [i for i in order if abs(direction[i]) >= 0.3]
    if len(parts) == 1:
        return str(names[parts[0]])
    ups = [names[i] for i in parts if direction[i] > 0]
    downs = [names[i] for i in parts if direction[i] < 0]
    said = [f"{' and '.join(g)} {word}" for g, word in ((ups, "up"), (downs, "down")) if g]
    return " with ".join(said)


def _where_level(
    surface: SecondOrder, x: FloatArray | None, level: float
) -> tuple[FloatArray, npt.NDArray[np.bool_], float]:
    """Return the extent in the ranges of where the surface may be level, and its share of them.

    A grid finds the region, then each of its 2q ends is looked at ever more closely.
    """
    k, q = len(surface.fitted.model.space), len(surface.active)
    ranges, open_ends = np.full((k, 2), np.nan), np.zeros((k, 2), dtype=np.bool_)
    grid = _cube(np.zeros(q), 1.0, REGION_POINTS)
    member = surface.may_be_level(grid, level)
    share, inside = float(member.mean()), grid[member]
    if x is not None and (np.abs(x) <= 1).all():
        inside = np.vstack([inside, x])
    if not len(inside):
        return ranges, open_ends, share
    first_reach = 2.0 / (round(REGION_POINTS ** (1 / q)) - 1)
    for j, i in enumerate(surface.active):
        factor = surface.fitted.model.space.factors[i]
        assert isinstance(factor, NumericFactor)
        for side, sign in enumerate((-1.0, 1.0)):
            end = _end(surface, inside, j, sign, first_reach, level)
            ranges[i, side] = factor.centre + factor.half_range * end
            open_ends[i, side] = sign * end >= 1 - 1e-6
    return ranges, open_ends, share


def _end(
    surface: SecondOrder, inside: FloatArray, j: int, sign: float, reach: float, level: float
) -> float:
    """Return the furthest coded value of factor j among places where the surface may be level."""
    best = inside[np.argmax(sign * inside[:, j])]
    for _ in range(ZOOMS):
        near = _cube(best, reach, ZOOM_POINTS)
        near = near[sign * near[:, j] > sign * best[j]]
        near = near[surface.may_be_level(near, level)] if len(near) else near
        if len(near):
            best = near[np.argmax(sign * near[:, j])]
        reach /= 2
    return float(best[j])


def _cube(middle: FloatArray, reach: float, most: int) -> FloatArray:
    """Return a grid (m, q) of at most about `most` points around a place, within −1 … +1."""
    q = len(middle)
    axis = np.linspace(-reach, reach, max(2, round(most ** (1 / q))))
    grid = np.stack([a.ravel() for a in np.meshgrid(*[axis] * q, indexing="ij")], axis=1)
    return np.asarray((middle + grid).clip(-1.0, 1.0))


# ---------------------------------------------------------------------------- ways from the middle


@dataclass(frozen=True, slots=True, eq=False)
class PathPoint:
    """A place on a way through the space of the factors.

    Attributes
    ----------
    distance
        From the middle of the ranges, coded units.
    inside_ranges
        Else the prediction is an extrapolation.
    feasible
        Whether the rig can run it.
    """

    settings: FloatArray
    distance: float
    prediction: Prediction
    inside_ranges: bool
    feasible: bool


def ridge(
    fitted: FittedModel,
    feasible: Feasible,
    radii: npt.ArrayLike,
    *,
    highest: bool = True,
    at: FloatArray | None = None,
    level: float = 0.95,
) -> tuple[PathPoint, ...]:
    """Return the highest (or lowest) place at each distance from the middle of the ranges.

    Empty for a model without curvature or beyond order two.

    Notes
    -----
    (B − μI)x = −b/2 with μ above the largest eigenvalue of B; |x| falls as μ grows, so μ is
    bisected for each radius: Draper 1963.
    """
    surface = second_order(fitted, at)
    if surface is None or not np.abs(surface.curvature).max() > 0:
        return ()
    sign = 1.0 if highest else -1.0
    x = _ridge_places(sign * surface.slope, sign * surface.curvature, np.asarray(radii, float))
    return _points(surface, feasible, surface.settings(x), level)


def _ridge_places(b: FloatArray, B: FloatArray, radii: FloatArray) -> FloatArray:
    values, vectors = np.linalg.eigh(B)
    pull = vectors.T @ b
    top = values[-1]
    low = np.full(len(radii), top)
    high = top + np.linalg.norm(b) / (2 * np.maximum(radii, 1e-12)) + 1e-12
    with np.errstate(divide="ignore", invalid="ignore"):
        for _ in range(200):
            middle = (low + high) / 2
            parts = pull / (2 * (middle[:, None] - values))
            length = np.linalg.norm(np.where(pull == 0, 0.0, parts), axis=1)
            low = np.where(length > radii, middle, low)
            high = np.where(length > radii, high, middle)
        parts = pull / (2 * (high[:, None] - values))
    parts = np.where(pull == 0, 0.0, parts)
    missing = radii**2 - (parts[:, :-1] ** 2).sum(axis=1)
    # Without pull along the top direction both ends of it are equally high: the upper is taken.
    short = np.linalg.norm(parts, axis=1) < radii * (1 - 1e-6)
    side = -1.0 if parts[:, -1].sum() < 0 else 1.0
    parts[short, -1] = side * np.sqrt(missing[short].clip(min=0.0))
    parts[radii == 0] = 0.0
    return np.asarray(parts @ vectors.T)


@dataclass(frozen=True, slots=True, eq=False)
class Ascent:
    """The steepest way up (or down) from the middle of the ranges.

    Attributes
    ----------
    counted_in
        Position of the factor that counts the steps, and its change a step in its own unit.
    direction
        (q,) of unit length in coded units.
    excluded
        Share of all directions that the results exclude from being the steepest one at `level`;
        0 where the slope cannot be told from none, None with a single factor.
    points
        From the middle on, the first included, up to the first that the rig refuses.
    feasible_steps
        How many steps can be taken before the rig refuses.
    """

    surface: SecondOrder
    counted_in: int
    step: float
    direction: FloatArray
    excluded: float | None
    points: tuple[PathPoint, ...]
    level: float

    @property
    def feasible_steps(self) -> int:
        ok = [point.feasible for point in self.points[1:]]
        return ok.index(False) if False in ok else len(ok)


def steepest_ascent(
    fitted: FittedModel,
    feasible: Feasible,
    *,
    up: bool = True,
    at: FloatArray | None = None,
    step: float | None = None,
    counted_in: int | None = None,
    points: int = ASCENT_POINTS,
    level: float = 0.95,
) -> Ascent | None:
    """Return the steepest way from the middle of the ranges; None where nothing has a slope.

    Steps are counted in the factor that is hardest to change, so that each is one clean change of
    it, and the others are set to go with it. A factor whose slope is under a tenth of the steepest
    cannot count them. The way goes on beyond the ranges, which is what it is for, and the points
    say so; it ends with the first place that the rig refuses.

    Parameters
    ----------
    step
        Change of the counting factor a step, in its unit; where not given, the multiple of its
        own step nearest to half a half range.
    counted_in
        Position of the factor to count in, if not the hardest to change.
    """
    surface = second_order(fitted, at)
    if surface is None or not np.abs(surface.slope).max() > 0:
        return None
    slope = surface.slope if up else -surface.slope
    i = _counting(surface.fitted.model.space, surface, slope) if counted_in is None else counted_in
    j = surface.active.index(i)
    factor = surface.fitted.model.space.factors[i]
    assert isinstance(factor, NumericFactor)
    by = abs(step) if step is not None else _own_step(factor)
    way = slope / abs(slope[j]) * by / factor.half_range
    settings = surface.settings(np.arange(points + 1)[:, None] * way)
    refused = np.flatnonzero(~feasible(settings)[1:])
    settings = settings[: refused[0] + 2] if len(refused) else settings
    covariance = surface.slope_rows @ fitted.covariance @ surface.slope_rows.T
    excluded = directions_excluded(
        slope, covariance, surface.degrees_of_freedom(surface.slope_rows), level
    )
    return Ascent(
        surface,
        i,
        float(np.sign(slope[j]) * by),
        slope / np.linalg.norm(slope),
        excluded,
        _points(surface, feasible, settings, level),
        level,
    )


def _counting(space: FactorSpace, surface: SecondOrder, slope: FloatArray) -> int:
    able = [
        (HARDNESS[space.factors[i].change], abs(b), i)
        for i, b in zip(surface.active, slope, strict=True)
        if abs(b) >= TEACHES * np.abs(slope).max()
    ]
    return max(able)[2]


def _own_step(factor: NumericFactor) -> float:
    wanted = factor.half_range / 2
    return wanted if factor.step is None else max(round(wanted / factor.step), 1) * factor.step


def directions_excluded(
    slope: FloatArray, covariance: FloatArray, df: float, level: float = 0.95
) -> float | None:
    """Return the share of directions that are excluded from being that of the slope (q,).

    Notes
    -----
    A direction d may be the true one if for some t > 0 the distance
    (b − td)'V⁻¹(b − td) ≤ (q − 1)·F(level; q − 1, ν), V the covariance (q, q): Box, Hunter 1954;
    with equal variances it is the cone of NIST/SEMATECH e-Handbook, 5.5.3.1.2. The share is
    counted over evenly spread directions.
    """
    from scipy.special import fdtri

    q = len(slope)
    if q < 2:
        return None
    d = np.random.default_rng(0).normal(size=(DIRECTIONS, q))
    d /= np.linalg.norm(d, axis=1, keepdims=True)
    inverse = np.linalg.inv(covariance)
    along = d @ inverse @ slope
    own = np.einsum("mi,ij,mj->m", d, inverse, d)
    left = slope @ inverse @ slope - np.where(along > 0, along**2 / own, 0.0)
    return float(np.mean(left > (q - 1) * fdtri(q - 1, df, level)))


def _points(
    surface: SecondOrder, feasible: Feasible, settings: FloatArray, level: float
) -> tuple[PathPoint, ...]:
    space = surface.fitted.model.space
    x = space.code(settings)[:, surface.active]
    can = feasible(settings)
    return tuple(
        PathPoint(
            row,
            float(np.linalg.norm(place)),
            surface.fitted.predict(row, level),
            bool((np.abs(place) <= 1 + 1e-9).all()),
            bool(ok),
        )
        for row, place, ok in zip(settings, x, can, strict=True)
    )
