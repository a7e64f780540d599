"""What two-level and definitive screening runs say, mostly without replicates.

Effects are read from the planned levels: an effect is the mean at the high level less the mean at
the low one. What achieved settings add belongs to the fit of a model.

Shapes: n runs, k factors, m contrasts.

References
----------
Daniel 1959, Technometrics 1:311–341 (half-normal plot; plotting position from memory).
Lenth 1989, Technometrics 31:469–473 (pseudo standard error).
Jones, Nachtsheim 2017, Technometrics 59:319–329 (two-step analysis; from memory).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from doe.analysis.mixed import can_be_judged, fit_mixed
from doe.analysis.observations import Observations
from doe.analysis.strata import hard_factors, whole_plots
from doe.errors import DoeError, FitError, Notice
from doe.factors import CategoricalFactor, FactorSpace, FloatArray
from doe.responses import Response
from doe.terms import Model, Term
from doe.wording import counted, listed, runs_in_words

__all__ = [
    "FEWEST_CONTRASTS",
    "Curvature",
    "Effect",
    "LenthMargins",
    "Repeats",
    "Screening",
    "StepOne",
    "Stratum",
    "TwoStep",
    "any_beyond_margin",
    "any_called_clear",
    "definitive_two_step",
    "half_normal",
    "lenth",
    "screen",
]

FEWEST_CONTRASTS = 7
"""Below this Lenth's error is too unsure to judge an effect by: common practice."""
WORDS_MOST = 5000
STEP_ONE = 0.05
STEP_TWO = 0.20
"""Level at which a second-order residual still calls for a term: Jones and Nachtsheim 2017."""
SUBSETS_MOST = 3000


FALSE_ALARMS = {
    **dict(enumerate((9.5, 11.5, 14.0, 15.6, 18.1, 19.3, 21.7, 22.5, 24.5, 24.9, 27.0, 28.5), 7)),
    **dict(enumerate((31.2, 32.8, 35.4, 37.0, 39.4, 40.9, 43.1, 44.6, 46.5, 48.1, 49.9), 19)),
    **dict(zip((30, 31, 47, 63, 127), (51.4, 53.1, 72.4, 83.9, 98.2), strict=True)),
}
"""Per cent of experiments in which, nothing acting, some of m contrasts lies beyond Lenth's margin
of one effect, by m: 400 000 simulated experiments each, standard error below 0.1."""


@dataclass(frozen=True, slots=True)
class LenthMargins:
    """Lenth's pseudo standard error and the margins beyond which an effect is not chance.

    `margin` holds for one effect looked at alone (95 %), `simultaneous` for the largest of all.
    """

    first_guess: float
    pse: float
    df: float
    margin: float
    simultaneous: float


@dataclass(frozen=True, slots=True)
class Effect:
    """One contrast: its words, what is confounded with it, and its place on a half-normal plot.

    `clear` tells whether it lies beyond the margin of its stratum; None where none is judged.
    """

    label: str
    term: Term
    aliases: tuple[str, ...]
    effect: float
    half_normal: float
    clear: bool | None
    surely: bool | None


@dataclass(frozen=True, slots=True)
class Stratum:
    """Effects with one error: changes "between plots" or "between runs"; largest effect first."""

    name: str
    effects: tuple[Effect, ...]
    lenth: LenthMargins | None
    why_not: str | None


@dataclass(frozen=True, slots=True)
class Curvature:
    """Mean of the corner runs less mean of the centre runs; the test needs repeats."""

    difference: float
    standard_error: float | None
    df: float | None
    f: float | None
    p_value: float | None
    sum_of_squares: float


@dataclass(frozen=True, slots=True)
class Repeats:
    """Scatter of repeated runs, and the effect (95 %) that it alone would not explain."""

    sd: float
    df: int
    margin: float


@dataclass(frozen=True, slots=True)
class Screening:
    """Effects by stratum, curvature where centre runs were made, and what repeats say.

    `repeats` is None in whole plots, where runs of a plot repeat no plot, and without repeats.
    """

    response: Response
    strata: tuple[Stratum, ...]
    curvature: Curvature | None
    repeats: Repeats | None
    notices: tuple[Notice, ...] = ()


def lenth(effects: FloatArray, level: float = 0.95) -> LenthMargins:
    """Return Lenth's margins of m effects (m,) of equal variance.

    Raises
    ------
    ValueError
        Fewer than seven effects.
    """
    from scipy.special import stdtrit

    sizes = np.abs(np.asarray(effects, dtype=np.float64))
    m = len(sizes)
    if m < FEWEST_CONTRASTS:
        raise ValueError(f"Lenth's method needs at least {FEWEST_CONTRASTS} contrasts, not {m}")
    first = 1.5 * float(np.median(sizes))
    small = sizes[sizes < 2.5 * first]
    pse = 1.5 * float(np.median(small)) if len(small) else first
    df = m / 3
    margin = float(stdtrit(df, (1 + level) / 2)) * pse
    together = float(stdtrit(df, (1 + level ** (1 / m)) / 2)) * pse
    return LenthMargins(first, pse, df, margin, together)


def any_beyond_margin(contrasts: int) -> float:
    """Return the chance that some of m contrasts lies beyond Lenth's margin of one, by luck."""
    return float(np.interp(contrasts, list(FALSE_ALARMS), list(FALSE_ALARMS.values()))) / 100


def any_called_clear(tests: int, df: float, level: float = 0.05) -> float:
    """Return the chance that some of m tests against one scatter is significant, by luck.

    The tests are independent given that scatter, which is known with df degrees of freedom: the
    chance that none is, averaged over it.
    """
    from scipy.special import chdtri, ndtr, stdtrit

    middle = (np.arange(2000) + 0.5) / 2000
    scatter = np.sqrt(chdtri(df, middle) / df)
    none = (2 * ndtr(float(stdtrit(df, 1 - level / 2)) * scatter) - 1) ** tests
    return float(1 - none.mean())


def half_normal(effects: FloatArray) -> FloatArray:
    """Return the half-normal quantile (m,) at which each effect is plotted."""
    from scipy.special import ndtri

    m = len(effects)
    ranks = np.empty(m)
    ranks[np.argsort(np.abs(effects), kind="stable")] = np.arange(1, m + 1)
    return np.asarray(ndtri(0.5 + 0.5 * (ranks - 0.5) / m))


def screen(response: Response, observations: Observations) -> Screening:
    """Return the effects of two-level runs, judged stratum by stratum.

    Raises
    ------
    FitError
        No two-level runs, or they are not balanced (a corner was lost), so that effects are not
        plain differences of means.
    """
    data = observations.usable()
    signs = _signs(data)
    corners = (np.abs(signs) == 1).all(axis=1)
    if corners.sum() < 4:
        raise FitError.of(
            "not-two-level",
            f"{response.words}: fewer than four runs have every factor at its low or high end.",
            "Fit a model instead.",
            key=response.name,
        )
    part = data.only([int(i) for i in np.flatnonzero(corners)])
    columns = _contrasts(data.space, signs[corners])
    if not columns:
        raise FitError.of(
            "not-balanced",
            f"{response.words}: the measured corner runs are not balanced, so no effect is a plain "
            "difference of means.",
            "The fitted model judges the factors here, by its terms and their p; run the missing "
            "corners for plain effects.",
            key=response.name,
        )
    strata, notices = _strata(part, columns)
    bend = _curvature(data, signs, corners, columns)
    if data.space.categorical and _centres(data, signs).any():
        named = data.space.names[data.space.categorical[0]]
        what = (
            f"Bends are not judged: the centre runs stand at one level of {named}, and what the "
            "level does would pass for a bend."
        )
        notices = (*notices, Notice("bend-not-judged", what))
    return Screening(response, strata, bend, _repeats(data, signs, corners), notices)


def _signs(data: Observations) -> FloatArray:
    """Return planned levels (n, k): −1, 0, +1; NaN for anything else."""
    signs = data.coded_as_planned().copy()
    for i in data.space.categorical:
        factor = data.space.factors[i]
        assert isinstance(factor, CategoricalFactor)
        signs[:, i] = 2 * signs[:, i] - 1 if len(factor.levels) == 2 else np.nan
    rounded = np.round(signs) + 0.0
    return np.where(np.abs(signs - rounded) < 1e-6, rounded, np.nan)


@dataclass(slots=True)
class _Contrast:
    term: Term
    column: FloatArray
    aliases: list[str]


def _contrasts(space: FactorSpace, signs: FloatArray) -> list[_Contrast]:
    """Return mutually orthogonal products of factors, simplest first, with their aliases.

    Products that are correlated with one taken, yet not the same, are passed over: with them the
    effects would not be of equal variance.
    """
    n, k = signs.shape
    most = len(np.unique(signs, axis=0)) - 1
    taken: list[_Contrast] = []
    for which in itertools.islice(_subsets(k), WORDS_MOST):
        if len(taken) == most and len(which) > 3:
            break
        column = np.prod(signs[:, which], axis=1)
        if abs(column.sum()) > 1e-9:
            continue
        powers = tuple(1 if i in which else 0 for i in range(k))
        overlap = [float(column @ one.column) / n for one in taken]
        same = [i for i, share in enumerate(overlap) if abs(abs(share) - 1) < 1e-9]
        if same:
            sign = "" if overlap[same[0]] > 0 else "−"
            taken[same[0]].aliases.append(sign + Term(powers).label(space.names))
        elif all(abs(share) < 1e-9 for share in overlap):
            taken.append(_Contrast(Term(powers), column, []))
    return taken


def _subsets(k: int) -> Iterator[tuple[int, ...]]:
    for size in range(1, k + 1):
        yield from itertools.combinations(range(k), size)


def _strata(
    data: Observations, contrasts: Sequence[_Contrast]
) -> tuple[tuple[Stratum, ...], tuple[Notice, ...]]:
    plots = whole_plots(data) if hard_factors(data) else np.arange(len(data.values))
    sizes = np.bincount(plots)
    groups: dict[str, list[_Contrast]] = {"between plots": [], "between runs": [], "both": []}
    for one in contrasts:
        means = np.bincount(plots, one.column) / sizes
        if sizes.max() > 1 and np.allclose(means[plots], one.column):
            groups["between plots"].append(one)
        else:
            inside = sizes.max() == 1 or np.allclose(means, 0)
            groups["between runs" if inside else "both"].append(one)
    notices: tuple[Notice, ...] = ()
    if groups["both"]:
        names = ", ".join(one.term.label(data.space.names) for one in groups["both"])
        notices = (
            Notice(
                "effects-across-strata",
                f"{names}: estimated partly between plots and partly inside them, so no common "
                "error judges them here. Fit a model.",
            ),
        )
    strata = (_stratum(name, data, group) for name, group in groups.items() if group)
    return tuple(strata), notices


def _stratum(name: str, data: Observations, contrasts: Sequence[_Contrast]) -> Stratum:
    n, names = len(data.values), data.space.names
    effects = np.array([2 * one.column @ data.values / n for one in contrasts])
    why = None
    if name == "both":
        why = "They mix the scatter of plots and of runs."
    elif len(effects) < FEWEST_CONTRASTS:
        why = (
            f"Only {counted(len(effects), 'contrast')} {'shares' if len(effects) == 1 else 'share'}"
            f" this error; at least {FEWEST_CONTRASTS} are "
            "needed to tell an effect from chance. Repeat runs, or fit a model."
        )
    margins = None if why else lenth(effects)
    places = half_normal(effects)
    rows = [
        Effect(
            one.term.label(names),
            one.term,
            tuple(one.aliases),
            float(effect),
            float(place),
            None if margins is None else bool(abs(effect) > margins.margin),
            None if margins is None else bool(abs(effect) > margins.simultaneous),
        )
        for one, effect, place in zip(contrasts, effects, places, strict=True)
    ]
    return Stratum(name, tuple(sorted(rows, key=lambda e: -abs(e.effect))), margins, why)


def _centres(data: Observations, signs: FloatArray) -> np.ndarray:
    numeric = list(data.space.numeric)
    if not numeric:
        return np.zeros(len(signs), dtype=bool)
    return np.asarray((signs[:, numeric] == 0).all(axis=1))


def _pure_error(data: Observations, signs: FloatArray, at: np.ndarray) -> tuple[float, int]:
    """Return the sum of squares of repeats about their means, and its degrees of freedom."""
    y = data.values[at]
    groups = np.unique(signs[at], axis=0, return_inverse=True)[1].ravel()
    means = np.bincount(groups, y) / np.bincount(groups)
    return float(np.sum((y - means[groups]) ** 2)), len(y) - len(means)


def _repeats(data: Observations, signs: FloatArray, corners: np.ndarray) -> Repeats | None:
    from scipy.special import stdtrit

    squares, df = _pure_error(data, signs, corners | _centres(data, signs))
    if hard_factors(data) or not df or not squares:
        return None
    sd = float(np.sqrt(squares / df))
    margin = float(stdtrit(df, 0.975)) * 2 * sd / float(np.sqrt(corners.sum()))
    return Repeats(sd, df, margin)


def _curvature(
    data: Observations, signs: FloatArray, corners: np.ndarray, contrasts: Sequence[_Contrast]
) -> Curvature | None:
    """Return the difference of corners and centres, judged by what of the scatter applies.

    Completely randomised: pure error of repeats (Montgomery, Design and Analysis of Experiments,
    5th edition, section 6-6). In whole plots: a mixed model that holds all contrasts.
    """
    centres = _centres(data, signs)
    if not centres.any() or data.space.categorical:
        return None  # centres stand at one level, corners at all: the level would pass for a bend
    y, at = data.values, corners | centres
    difference = float(y[corners].mean() - y[centres].mean())
    spread = 1 / corners.sum() + 1 / centres.sum()
    squares = difference**2 / spread
    if hard_factors(data):
        return _curvature_in_plots(data, corners, at, contrasts, difference, squares)
    pure, df = _pure_error(data, signs, at)
    variance = pure / df if df else 0.0
    if not variance:
        return Curvature(difference, None, None, None, None, squares)
    return _judged(difference, float(np.sqrt(variance * spread)), float(df), squares)


def _judged(difference: float, error: float, df: float, squares: float) -> Curvature:
    from scipy.special import fdtrc

    f = (difference / error) ** 2
    return Curvature(difference, error, df, f, float(fdtrc(1, df, f)), squares)


def _curvature_in_plots(
    data: Observations,
    corners: np.ndarray,
    at: np.ndarray,
    contrasts: Sequence[_Contrast],
    difference: float,
    squares: float,
) -> Curvature:
    part = data.only([int(i) for i in np.flatnonzero(at)])
    inside = corners[at]
    X = np.column_stack([np.ones(len(inside)), inside.astype(float)])
    for one in contrasts:
        column = np.zeros(len(inside))
        column[inside] = one.column
        if one.term.order <= 2:
            X = np.column_stack([X, column])
    plots = [("plot", whole_plots(part))]
    if np.linalg.matrix_rank(X) < X.shape[1] or not all(can_be_judged(X, plots)):
        return Curvature(difference, None, None, None, None, squares)
    fit = fit_mixed(X, part.values, plots)
    error = float(np.sqrt(fit.covariance[1, 1]))
    df = float(fit.degrees_of_freedom(np.eye(X.shape[1])[1])[0])
    return _judged(float(fit.coefficients[1]), error, df, squares)


@dataclass(frozen=True, slots=True)
class StepOne:
    """One main effect of the first step (a coefficient in coded units); None where untested."""

    label: str
    coefficient: float
    standard_error: float | None
    p_value: float | None
    kept: bool


@dataclass(frozen=True, slots=True)
class TwoStep:
    """The two-step analysis of a definitive screening design.

    `model` holds the main effects kept and the second-order terms chosen among them; fit it with
    `fit_response` for estimates at achieved settings. `error_sd` is that of the first step, and
    `alone` are the runs that neither step could use, their mirrored run being lost.
    """

    main: tuple[StepOne, ...]
    error_sd: float | None
    df_error: int
    second_order: tuple[str, ...]
    model: Model
    why: str
    alone: tuple[int, ...] = ()


def definitive_two_step(response: Response, observations: Observations) -> TwoStep:
    """Return main effects first, from the odd half of the values; then second order within them.

    The design folds over: in half the difference of mirrored runs all second-order terms cancel,
    in half their sum all main effects. Factors beyond those studied, and repeated centres, give
    the error of the first step. The second step takes the best subset of squares and interactions
    of the factors kept, and the smallest for which the rest is no longer larger than that error.
    A run whose mirrored run is missing holds both orders at once, and is left out of both steps:
    the pairs that remain give the same estimates, less sure.

    Raises
    ------
    FitError
        A factor is not numeric, or the complete pairs cannot tell all main effects apart.
    """
    data = observations.usable()
    pairs, centres, alone = _pairs(response, data)
    coded = data.coded_as_planned()
    y, X = data.values, coded[[i for i, _ in pairs]]
    odd = np.array([(y[i] - y[j]) / 2 for i, j in pairs])
    slopes = np.asarray(np.linalg.lstsq(X, odd, rcond=None)[0], dtype=np.float64)
    rest = odd - X @ slopes
    squares = 2 * float(rest @ rest)
    df = len(pairs) - X.shape[1]
    if len(centres) > 1:
        squares += float(np.sum((y[centres] - y[centres].mean()) ** 2))
        df += len(centres) - 1
    variance = squares / df if df else None
    unscaled = np.asarray(np.linalg.inv(X.T @ X), dtype=np.float64)
    main = _step_one(data.space, slopes, unscaled, variance, df)
    kept = [i for i, one in enumerate(main) if one.kept]
    chosen = _step_two(coded, y, pairs, centres, kept, variance, df)
    found = _two_step(data.space, main, kept, chosen, variance, df)
    return replace(found, alone=tuple(data.runs[i] for i in alone))


def _pairs(
    response: Response, data: Observations
) -> tuple[list[tuple[int, int]], list[int], list[int]]:
    """Return mirrored pairs, centre runs, and runs whose mirrored run is missing, by place."""
    if data.space.categorical:
        named = listed([data.space.names[i] for i in data.space.categorical])
        raise FitError.of(
            "not-mirrored",
            f"{response.words}: {named} has levels and no middle, so the main effects of the "
            "design are not clear of second order, which the two-step analysis needs.",
            "The fitted model judges the factors here, by its terms and their p.",
            key=response.name,
        )
    coded = data.coded_as_planned()
    centres = [i for i, row in enumerate(coded) if np.allclose(row, 0)]
    waiting = [i for i in range(len(coded)) if i not in centres]
    pairs: list[tuple[int, int]] = []
    alone: list[int] = []
    while waiting:
        i = waiting.pop(0)
        mirror = next((j for j in waiting if np.allclose(coded[j], -coded[i], atol=1e-6)), None)
        if mirror is None:
            alone.append(i)
            continue
        waiting.remove(mirror)
        pairs.append((i, mirror))
    half = coded[[i for i, _ in pairs]].reshape(len(pairs), len(data.space))
    if np.linalg.matrix_rank(half) < half.shape[1]:
        raise _too_few_pairs(response, data, len(pairs), alone)
    return pairs, centres, alone


def _too_few_pairs(
    response: Response, data: Observations, pairs: int, alone: Sequence[int]
) -> DoeError:
    k = len(data.space)
    what = f"{counted(pairs, 'mirrored pair')} cannot tell {counted(k, 'main effect')} apart"
    if alone:
        runs = runs_in_words([data.runs[i] for i in alone]).lower()
        what = (
            f"{runs} {'has' if len(alone) == 1 else 'have'} no measured run with all factors "
            f"mirrored, and without {'it' if len(alone) == 1 else 'them'} {what}"
        )
    return FitError.of(
        "not-mirrored" if alone else "confounded",
        f"{response.words}: {what}.",
        "The fitted model judges the factors here, by its terms and their p; run what is missing "
        "for the two steps.",
        key=response.name,
    )


def _step_one(
    space: FactorSpace, slopes: FloatArray, unscaled: FloatArray, variance: float | None, df: int
) -> tuple[StepOne, ...]:
    from scipy.special import stdtr

    if not variance:
        margin = lenth(slopes).margin if len(slopes) >= FEWEST_CONTRASTS else 0.0
        return tuple(
            StepOne(name, float(b), None, None, bool(abs(b) > margin))
            for name, b in zip(space.names, slopes, strict=True)
        )
    errors = np.sqrt(variance / 2 * np.diag(unscaled))
    p_values = 2 * stdtr(df, -np.abs(slopes / errors))
    return tuple(
        StepOne(name, float(b), float(e), float(p), bool(p < STEP_ONE))
        for name, b, e, p in zip(space.names, slopes, errors, p_values, strict=True)
    )


def _step_two(
    coded: FloatArray,
    y: FloatArray,
    pairs: Sequence[tuple[int, int]],
    centres: Sequence[int],
    kept: Sequence[int],
    variance: float | None,
    df: int,
) -> tuple[tuple[int, int], ...]:
    """Return the second-order terms, as pairs of factors, that the even half calls for."""
    if not kept or not variance:
        return ()
    rows = coded[[i for i, _ in pairs] + list(centres)]
    even = np.array([(y[i] + y[j]) / 2 for i, j in pairs] + [y[i] for i in centres])
    weight = np.sqrt(np.array([2.0] * len(pairs) + [1.0] * len(centres)))
    terms = list(itertools.combinations_with_replacement(kept, 2))
    columns = np.column_stack([rows[:, i] * rows[:, j] for i, j in terms]) * weight[:, None]
    z, base = even * weight, weight[:, None]
    chosen: tuple[int, ...] = ()
    for size in range(len(pairs) // 2 + 1):
        chosen, squares = _best_subset(base, columns, z, size, chosen)
        left = len(z) - 1 - size - max(len(centres) - 1, 0)
        if left < 1 or not _larger(squares, left, variance, df, y, centres):
            return tuple(terms[i] for i in chosen)
        if size == len(terms):
            break
    return tuple(terms[i] for i in chosen)


def _larger(
    squares: float,
    left: int,
    variance: float,
    df: int,
    y: FloatArray,
    centres: Sequence[int],
) -> bool:
    """Whether the rest of the even half is more than chance; scatter of centres is taken off."""
    from scipy.special import fdtrc

    if len(centres) > 1:
        squares -= float(np.sum((y[list(centres)] - y[list(centres)].mean()) ** 2))
    return bool(fdtrc(left, df, max(squares, 0.0) / left / variance) < STEP_TWO)


def _best_subset(
    base: FloatArray, columns: FloatArray, z: FloatArray, size: int, before: tuple[int, ...]
) -> tuple[tuple[int, ...], float]:
    """Return the subset of least residual: of all, or where too many of those that add one."""
    from math import comb

    count = columns.shape[1]
    subsets: list[tuple[int, ...]]
    if comb(count, size) <= SUBSETS_MOST:
        subsets = list(itertools.combinations(range(count), size))
    else:
        subsets = [(*before, i) for i in range(count) if i not in before]
    best, least = before, np.inf
    for subset in subsets:
        X = np.hstack([base, columns[:, list(subset)]])
        rest = z - X @ np.linalg.lstsq(X, z, rcond=None)[0]
        squares = float(rest @ rest)
        if squares < least - 1e-12:
            best, least = subset, squares
    return best, least


def _two_step(
    space: FactorSpace,
    main: tuple[StepOne, ...],
    kept: Sequence[int],
    chosen: Sequence[tuple[int, int]],
    variance: float | None,
    df: int,
) -> TwoStep:
    k = len(space)

    def unit(*positions: int) -> Term:
        return Term(tuple(positions.count(i) for i in range(k)))

    second = tuple(unit(*pair) for pair in chosen)
    model = Model(space, (unit(), *(unit(i) for i in kept), *second), "two-step choice")
    labels = tuple(term.label(space.names) for term in second)
    names = ", ".join(space.names[i] for i in kept) or "none"
    why = f"Main effects kept: {names}"
    if not variance:
        how = "by Lenth's margin" if len(main) >= FEWEST_CONTRASTS else "none can be judged"
        why += (
            f" ({how}: no run is left to tell the error by, so nothing is said of second order). "
            "Repeat the centre, or add two factors that do nothing."
        )
    else:
        why += (
            f", judged with {df} degrees of freedom; second order: {', '.join(labels) or 'none'}."
        )
    return TwoStep(
        main, None if variance is None else float(np.sqrt(variance)), df, labels, model, why
    )
