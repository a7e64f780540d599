"""What a design can see, in plain words: power, degrees of freedom, mixed-up terms, lost runs.

Shapes: n runs, k factors, p columns, m points of a region.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from doe.design.aliasing import alias_matrix
from doe.design.evaluation import (
    DegreesOfFreedom,
    TermPower,
    degrees_of_freedom,
    power_of_terms,
    undetermined,
)
from doe.design.strata import (
    Blocks,
    PlotDegreesOfFreedom,
    block_contrasts,
    hard_factors,
    plot_degrees_of_freedom,
)
from doe.factors import FactorSpace, FloatArray
from doe.terms import Model, information_matrix, quadratic_model

__all__ = ["MoreRuns", "RunLoss", "Sight", "losses", "what_it_sees"]

ENOUGH = 0.8  # power that is usually asked for (common practice)
MORE = 2
NULL = 1e-7  # shares below are rounding
NAMED_MOST = 4
WORDS = (
    *("no", "one", "two", "three", "four", "five", "six"),
    *("seven", "eight", "nine", "ten", "eleven", "twelve"),
)


@dataclass(frozen=True, slots=True)
class RunLoss:
    """What losing one run costs; `run` counts from 1 in the order of the design.

    `d_kept` is the share of det(M)^(1/p) that is left, `i_rise` the factor by which the average
    prediction variance grows (None without a region), `lost` the columns that can no longer be
    estimated; with any of them lost `d_kept` is 0 and `i_rise` infinite.
    """

    run: int
    d_kept: float
    i_rise: float | None
    lost: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MoreRuns:
    """What repeating some whole plots (or runs) buys: the repeats, and the powers with them."""

    unit: str
    repeated: tuple[int, ...]
    powers: tuple[TermPower, ...]
    degrees: float


@dataclass(frozen=True)
class Sight:
    """What a design can see of a change of the response, and the verdict in sentences."""

    change: float
    scatter: float
    unit: str
    powers: tuple[TermPower, ...]
    degrees: DegreesOfFreedom
    plot_degrees: PlotDegreesOfFreedom | None
    more: MoreRuns | None
    losses: tuple[RunLoss, ...]
    sentences: tuple[str, ...]

    @property
    def verdict(self) -> str:
        return " ".join(self.sentences)


def what_it_sees(
    model: Model,
    coded: FloatArray,
    change: float,
    scatter: float,
    unit: str = "",
    *,
    plots: Sequence[int] | None = None,
    variance_ratio: float = 0.0,
    region_coded: FloatArray | None = None,
    blocks: Blocks | None = None,
    alpha: float = 0.05,
) -> Sight:
    """Return what a design can see, judged with the error that its order allows.

    Parameters
    ----------
    change, scatter
        Change of the response to detect, and standard deviation of a run (within a whole plot),
        both in `unit`.
    plots, variance_ratio
        Whole plot of each run (n,), and variance between plots over that between runs.
    region_coded
        Points (m, k) over which the prediction variance is averaged when a run is lost.
    blocks
        Block of each run (n,), whose effects are estimated beside the model.

    Raises
    ------
    DesignError
        The runs cannot estimate every term of the model.
    """
    held = None if plots is None or len(set(plots)) == len(coded) else tuple(plots)
    ratio = 0.0 if held is None else variance_ratio

    def powers_of(
        runs: FloatArray, groups: Sequence[int] | None, of_block: Blocks | None
    ) -> tuple[TermPower, ...]:
        return power_of_terms(
            model,
            runs,
            change,
            scatter,
            alpha,
            plots=groups,
            variance_ratio=ratio,
            blocks=of_block,
        )

    degrees = degrees_of_freedom(model, coded, blocks)
    powers = powers_of(coded, held, blocks) if degrees.residual > 0 else ()
    lost = losses(model, coded, region_coded, plots=held, variance_ratio=ratio, blocks=blocks)
    sight = Sight(
        change,
        scatter,
        unit,
        powers,
        degrees,
        None if held is None else plot_degrees_of_freedom(model, coded, held, blocks),
        _more(coded, held, blocks, powers_of) if len(model) > 1 else None,
        lost,
        (),
    )
    sentences = (
        *_power_sentences(sight),
        _degrees_sentence(model.space, coded, sight),
        *_mixed_sentences(model, coded),
        *_loss_sentences(lost),
    )
    return replace(sight, sentences=sentences)


def losses(
    model: Model,
    coded: FloatArray,
    region_coded: FloatArray | None = None,
    *,
    plots: Sequence[int] | None = None,
    variance_ratio: float = 0.0,
    blocks: Blocks | None = None,
) -> tuple[RunLoss, ...]:
    """Return what losing each run of a design (n, k) alone costs.

    Effects of blocks (n,) are estimated beside the model, before the loss and after.
    """
    X, p = model.matrix(coded), len(model)
    if blocks is not None:
        X = np.hstack([X, block_contrasts(blocks)])
    region = None if region_coded is None else model.matrix(region_coded)
    W = None if region is None or not len(region) else region.T @ region / len(region)
    everyone = np.arange(len(X))
    full = _information(X, p, plots, variance_ratio, everyone)
    found = []
    for run in range(len(X)):
        left = np.delete(everyone, run)
        lost = [j for j in undetermined(X[left]) if j < p]
        if lost:
            names = tuple(model.labels[j] for j in lost)
            found.append(RunLoss(run + 1, 0.0, None if W is None else float("inf"), names))
            continue
        M = _information(X, p, plots, variance_ratio, left)
        share = np.exp((np.linalg.slogdet(M)[1] - np.linalg.slogdet(full)[1]) / p)
        rise = None if W is None else float(_trace(M, W) / _trace(full, W))
        found.append(RunLoss(run + 1, float(share), rise, ()))
    return tuple(found)


def _information(
    X: FloatArray, p: int, plots: Sequence[int] | None, ratio: float, runs: np.ndarray
) -> FloatArray:
    """Return the information (p, p) on the model's columns, those of blocks estimated beside."""
    groups = None if plots is None else np.asarray(plots)[runs].tolist()
    M = information_matrix(X[runs], groups, ratio)
    of_blocks = np.linalg.pinv(M[p:, p:])  # a block may have gone with its only run
    return np.asarray(M[:p, :p] - M[:p, p:] @ of_blocks @ M[p:, :p])


def _trace(M: FloatArray, W: FloatArray) -> float:
    return float(np.trace(np.linalg.solve(M, W)))


_Powers = Callable[[FloatArray, Sequence[int] | None, Blocks | None], tuple[TermPower, ...]]


def _more(
    coded: FloatArray,
    plots: Sequence[int] | None,
    blocks: Blocks | None,
    powers_of: _Powers,
) -> MoreRuns:
    """Return what repeating two whole plots, or two runs, buys for the weakest main effect.

    One after the other the repeat that helps most is taken, so every setting is one the rig runs;
    it belongs to the block of what it repeats.
    """
    units = range(len(coded)) if plots is None else sorted(set(plots))
    runs = coded
    groups = None if plots is None else list(plots)
    of_block: list[int | None] | None = None if blocks is None else list(blocks)
    repeated: list[int] = []
    best: tuple[TermPower, ...] = ()
    for _ in range(MORE):
        tried = []
        for unit in units:
            own = [unit] if plots is None else np.flatnonzero(np.asarray(plots) == unit).tolist()
            new = None if groups is None else [*groups, *[max(groups) + 1] * len(own)]
            beside = None if of_block is None else [*of_block, *(of_block[i] for i in own)]
            powers = powers_of(np.vstack([runs, coded[own]]), new, beside)
            tried.append((powers, unit, own, new, beside))
        best, unit, own, groups, of_block = max(tried, key=lambda option: _weakest(option[0])[0])
        runs = np.vstack([runs, coded[own]])
        repeated.append(int(unit))
    df = _weakest(best)[1]
    return MoreRuns("run" if plots is None else "plot", tuple(repeated), best, df)


def _weakest(powers: Sequence[TermPower]) -> tuple[float, float]:
    """Return the least power of a main effect, and the degrees of freedom that judge it."""
    mains = [(p.power, p.df) for p in powers if p.term.order == 1]
    return min(mains or [(p.power, p.df) for p in powers])


def _power_sentences(sight: Sight) -> list[str]:
    if not sight.powers:
        return [
            "There are as many terms as runs: nothing is left to judge any effect by. Add runs, or"
            " aim at a smaller model."
        ]
    size = f"{sight.change:g} {sight.unit}".rstrip()
    scatter = f"{sight.scatter:g} {sight.unit}".rstrip()
    mains = sorted((p for p in sight.powers if p.term.order == 1), key=lambda p: -p.power)
    good = [p for p in mains if p.power >= ENOUGH]
    poor = [p for p in mains if p.power < ENOUGH]
    clauses = [_with_powers(good, sight, "")] if good else []
    clauses += [_with_powers(poor, sight, "only ")] if poor else []
    text = (
        f"With a scatter of {scatter} from run to run, the design can detect {size}"
        f" {', but '.join(clauses)}"
    )
    rest = [p for p in sight.powers if p.term.order > 1]
    if rest:
        weakest = min(rest, key=lambda p: p.power)
        low, high = _share(weakest.power), _share(max(p.power for p in rest))
        span = low if low == high else f"{low} to {high}, the weakest being {weakest.label}"
        kinds = {max(p.term.powers) for p in rest}
        named = [name for power, name in ((1, "interactions"), (2, "bends")) if power in kinds]
        text += f"; in {' and '.join(named)} with {span}"
    return [text + "."]


def _with_powers(powers: Sequence[TermPower], sight: Sight, only: str) -> str:
    """Return ``in time and flow with 96 % power``, terms of equal power together."""
    parts = []
    for (share, stratum), group in itertools.groupby(
        powers, key=lambda p: ("" if p.power == 0 else _share(p.power), p.stratum)
    ):
        named = _listed([p.label for p in group], "and ")
        if stratum == "plot" and sight.plot_degrees is not None:
            named += f", with {_count(sight.plot_degrees.plots)} whole plots,"
        how = f"{only}with {share} power" if share else "not at all: nothing is left to judge it by"
        parts.append(f"in {named} {how}")
    return _listed(parts, "and ")


def _degrees_sentence(space: FactorSpace, coded: FloatArray, sight: Sight) -> str:
    found = sight.plot_degrees
    if found is None:
        d = sight.degrees
        parts = (
            f"{_none(d.pure_error)} from repeats and {_none(d.lack_of_fit)} to see whether the "
            "model is too simple"
            if d.pure_error
            else "none from repeats, so nothing shows whether the model is too simple"
        )
        text = (
            f"{_count(len(coded)).capitalize()} runs leave {_count(d.residual)}"
            f" {_degrees(d.residual)} to judge the terms by: {parts}"
        )
        return text + _more_clause(sight, "repeating two of the runs")
    hard = list(hard_factors(space))
    names = " and ".join(space.names[i] for i in hard)
    levels = len(np.unique(np.round(coded[:, hard], 9) + 0.0, axis=0))
    settings = "one setting" if levels == 1 else f"{_count(levels)} settings"
    text = (
        f"{_count(found.plots).capitalize()} whole plots over {settings} of {names} leave"
        f" {_count(found.plot_error)} {_degrees(found.plot_error)} to judge {names} by"
        f" ({_none(found.plot_pure)} from repeated plots), and {_none(found.run_error)} to judge"
        f" what changes within a plot"
    )
    return text + _more_clause(sight, "repeating two of the plots")


def _more_clause(sight: Sight, repeating: str) -> str:
    if sight.more is None or not sight.powers:
        return "."
    now = min(
        (p for p in sight.powers if p.term.order == 1),
        key=lambda p: p.power,
        default=min(sight.powers, key=lambda p: p.power),
    )
    then = next(p for p in sight.more.powers if p.term == now.term)
    if now.power > 0.99:
        return "."
    power = f"and its power from {_share(now.power)} to {_share(then.power)}."
    of_now, of_then = _count(round(now.df)), _count(round(then.df))
    if round(now.df) != _counted(sight, now):
        return (
            f"; as plots are unlike, {now.label} is in effect judged by about {of_now}, which "
            f"{repeating} would take to about {of_then}, {power}"
        )
    return f"; {repeating} would take those of {now.label} from {of_now} to {of_then}, {power}"


def _counted(sight: Sight, power: TermPower) -> int:
    """Return the degrees of freedom that judge a term by count, which unlike plots do not reach."""
    found = sight.plot_degrees
    if found is None:
        return sight.degrees.residual
    return found.plot_error if power.stratum == "plot" else found.run_error


def _mixed_sentences(model: Model, coded: FloatArray) -> list[str]:
    """Return what second-order terms, in the model or not, the runs cannot tell apart."""
    full = quadratic_model(model.space)
    rest = tuple(term for term in full.terms if term not in set(model.terms))
    wide = replace(model, terms=model.terms + rest)
    X = wide.matrix(coded)
    told_apart = set(range(len(wide))) - set(undetermined(X))
    beyond = [j for j in range(len(model), len(wide)) if j not in told_apart]
    unseen = [wide.labels[j] for j in beyond if np.abs(X[:, j]).max() < NULL]
    aliases = alias_matrix(wide, coded)
    pairs, bends, settled = [], [], set(unseen)
    for j, other in enumerate(aliases.mixed_in):
        share = aliases.matrix[:, j]
        shown = np.flatnonzero(np.abs(share) > NULL)
        whole = len(shown) == 1 and abs(abs(share[shown[0]]) - 1) < NULL
        if whole and aliases.fitted[shown[0]] == "1":
            bends.append(other)
        elif whole:
            pairs.append(f"{aliases.fitted[shown[0]]} from {other}")
            settled |= {aliases.fitted[shown[0]]}
        if whole:
            settled |= {other}
    several = [wide.labels[j] for j in beyond if wide.labels[j] not in settled]
    sentences = []
    if pairs:
        sentences.append(f"It cannot separate {_listed(pairs, 'or ')}.")
    if bends:
        sentences.append(f"It cannot see {_listed(bends, 'or ')}: there are two levels only.")
    if unseen:
        sentences.append(f"It cannot see {_listed(unseen, 'or ')}: no run changes both factors.")
    if len(several) > NAMED_MOST and len(several) == len(wide) - len(model):
        sentences.append(
            f"What any of the {len(several)} interactions and bends would do is spread over "
            "several estimates."
        )
    elif several:
        sentences.append(
            f"What {_listed(several, 'and ')} would do is spread over several estimates."
        )
    return sentences


def _loss_sentences(lost: Sequence[RunLoss]) -> list[str]:
    fatal = [loss for loss in lost if loss.lost]
    if fatal:
        terms = tuple(dict.fromkeys(itertools.chain.from_iterable(loss.lost for loss in fatal)))
        named = [t for t in terms if t != "1"] or ["the mean"]
        runs = _listed([str(loss.run) for loss in fatal], "or ")
        subject = f"run {runs}" if len(fatal) == 1 else f"any one of runs {runs}"
        return [f"Losing {subject} would cost {_listed(named, 'and ')} altogether."]
    worst = min(lost, key=lambda loss: loss.d_kept)
    if worst.i_rise is not None:
        worst = max(lost, key=lambda loss: loss.i_rise or 0.0)
        rise = 100 * ((worst.i_rise or 1.0) - 1)
        return [
            f"Of single runs, losing run {worst.run} would cost most: the average prediction"
            f" variance would rise by {rise:.0f} %."
        ]
    return [
        f"Of single runs, losing run {worst.run} would cost most: {100 * (1 - worst.d_kept):.0f} %"
        " of the D-information."
    ]


def _listed(parts: Sequence[str], last: str) -> str:
    shown = list(parts[:NAMED_MOST])
    if len(parts) > NAMED_MOST:
        shown.append(f"{len(parts) - NAMED_MOST} more")
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} {last}{shown[-1]}"


def _share(power: float) -> str:
    """Return a chance in per cent, rounded down so that nothing is promised too much."""
    return "over 99 %" if power > 0.99 else f"{int(100 * power)} %"


def _degrees(count: int) -> str:
    return "degree of freedom" if count == 1 else "degrees of freedom"


def _none(number: int) -> str:
    return "none" if number == 0 else _count(number)


def _count(number: int) -> str:
    return WORDS[number] if 0 <= number < len(WORDS) else str(number)
