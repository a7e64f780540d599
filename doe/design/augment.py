"""Runs added to what was run, and what they buy.

Fold over, axial points, centre points, a new block, repair after lost runs, a wider region, a
model of higher order; and the candidates that cut the variance of a model most. Factors that are
hard to change stay as they are within the whole plots of added runs, as in those that are there.

Shapes: n existing runs, m added runs, c candidates, k factors, p columns.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from doe.design.evaluation import (
    DegreesOfFreedom,
    Efficiencies,
    degrees_of_freedom,
    efficiencies,
    region_sample,
    undetermined,
)
from doe.design.optimal import (
    Criterion,
    central_setting,
    exchange_gains,
    moment_matrix,
    optimal_runs,
)
from doe.design.split_plot import split_plot_runs
from doe.design.strata import Blocks, hard_factors, linked, plot_degrees_of_freedom
from doe.errors import DesignError, Notice
from doe.factors import CategoricalFactor, FactorSpace, Feasible, FloatArray, NumericFactor
from doe.terms import Model, quadratic_model

__all__ = [
    "Addition",
    "Existing",
    "axial_points_added",
    "block_added",
    "centre_points_added",
    "folded_over",
    "order_raised",
    "region_extended",
    "repaired",
    "sharpening_points",
]

RIDGE = 1e-6  # keeps X'X invertible while the runs do not yet carry the model
GAIN_LEAST = 1e-9
PASSES = 20
SAME_SETTING = 9  # decimals in coded units
NAMED_MOST = 6
LINKING_FROM = 3
"""Added runs from which a block can spare one that links it to the others."""
NOT_LINKED = (
    "None of the added runs repeats an earlier one that gave a result, so a shift between the "
    "stages would pass for what the settings do. Runs at the centre in both would show it."
)


@dataclass(frozen=True)
class Existing:
    """The runs that are there: settings (n, k) in real units, and what each has in common.

    Whole plot, stage and block (None without one) of each run. Added runs come in plots of up to
    `plot_size`; 1 lets every run change the hard factors. `variance_ratio` is the variance between
    plots over that between runs of a plot.
    """

    settings: FloatArray
    plots: tuple[int, ...]
    stages: tuple[int, ...]
    blocks: tuple[int | None, ...]
    plot_size: int = 1
    variance_ratio: float = 0.0

    @classmethod
    def free(cls, settings: FloatArray) -> Existing:
        """Return runs of one stage of which each was set anew."""
        n = len(settings)
        return cls(np.atleast_2d(settings), tuple(range(1, n + 1)), (1,) * n, (None,) * n)

    def __len__(self) -> int:
        return len(self.settings)

    def then(self, plots: Sequence[int]) -> tuple[int, ...]:
        """Return the plots of these runs, and after them those (m,) of added ones."""
        last = max(self.plots, default=0)
        return (*self.plots, *(last + plot for plot in plots))

    def and_added(self, added: Addition) -> Existing:
        """Return these runs with added ones as a further stage."""
        more = len(added.settings)
        return replace(
            self,
            settings=np.vstack([self.settings, added.settings]),
            plots=self.then(added.plots),
            stages=(*self.stages, *(max(self.stages, default=0) + 1,) * more),
            blocks=(*self.blocks, *(added.block,) * more),
        )

    @property
    def next_block(self) -> int | None:
        """Number of a further block; None where these runs have none."""
        known = [block for block in self.blocks if block is not None]
        return max(known) + 1 if known else None

    def kept_apart(
        self, space: FactorSpace, added: FloatArray | None = None, block: int | None = None
    ) -> tuple[int | None, ...] | None:
        """Return the groups (n + m,) whose shifts a fit takes out; None where it takes out none.

        Those of blocks always, `block` being that of the added runs; those of stages where
        repeated settings link them: unlinked, they are fitted as one.
        """
        more = 0 if added is None else len(added)
        every = self.settings if added is None else np.vstack([self.settings, added])
        stages = (*self.stages, *(max(self.stages, default=0) + 1,) * more)
        rows = np.round(space.code(every), SAME_SETTING) + 0.0
        setting = np.unique(rows, axis=0, return_inverse=True)[1].ravel()
        apart = len(set(stages)) > 1 and linked(stages, setting.tolist())
        labels = [
            None if block is None and not apart else (stage if apart else 0, block or 0)
            for stage, block in zip(stages, (*self.blocks, *(block,) * more), strict=True)
        ]
        known = sorted({label for label in labels if label is not None})
        if len(known) < 2:
            return None
        return tuple(None if label is None else known.index(label) + 1 for label in labels)


@dataclass(frozen=True)
class Addition:
    """Added runs (m, k) in real units with their whole plots (from 1), and what they buy.

    `before` and `after` are efficiencies over the region, None where the runs cannot estimate the
    model; `gained` are the terms (of the model, or of second order) whose coefficients only the
    added runs determine beside all others. `kept_apart` are the groups of all runs, the existing
    first, whose shifts the fit takes out; `block` is that of the added runs, if they have one.
    """

    kind: str
    settings: FloatArray
    plots: tuple[int, ...]
    model: Model
    before: Efficiencies | None
    after: Efficiencies | None
    degrees_before: DegreesOfFreedom
    degrees_after: DegreesOfFreedom
    gained: tuple[str, ...]
    kept_apart: tuple[int | None, ...] | None
    block: int | None
    buys: str
    notices: tuple[Notice, ...] = ()


def folded_over(
    model: Model,
    existing: Existing,
    feasible: Feasible,
    factors: Sequence[str] | None = None,
) -> Addition:
    """Return the mirror images of the runs: every sign changed, or those of some factors.

    A full fold-over clears main effects from two-factor interactions (Montgomery, section 8-6).
    Mirror images that the rig cannot run are left out, and named; so are those that were run.

    Raises
    ------
    DesignError
        A factor to be mirrored is unknown or has three named levels or more, or no mirror image
        is new and can be run.
    """
    space = model.space
    own = space.names if factors is None else tuple(factors)
    unknown = [name for name in own if name not in space.names]
    if unknown:
        raise DesignError.of(
            "unknown-factor",
            f"there is no factor “{unknown[0]}” to mirror.",
            f"Name some of: {', '.join(space.names)}.",
        )
    mirrored = space.code(existing.settings)
    for i in map(space.index, own):
        factor = space.factors[i]
        if isinstance(factor, CategoricalFactor):
            if len(factor.levels) != 2:
                raise DesignError.of(
                    "cannot-mirror",
                    f"{factor.name} has {len(factor.levels)} levels, and only two can be swapped.",
                    f"Fold over without {factor.name}.",
                )
            mirrored[:, i] = 1 - mirrored[:, i]
        else:
            mirrored[:, i] = -mirrored[:, i]
    images, notices = _runnable(space, feasible, space.decode(mirrored), "mirror image")
    new = _not_run(space, existing.settings, images)
    if not len(new):
        raise DesignError.of(
            "nothing-to-add",
            "every mirror image that the rig can run was run.",
            "Fold over other factors, or add runs in another way.",
        )
    if len(new) < len(images):
        told = f"{len(images) - len(new)} mirror images are runs of their own already: left out."
        notices = (*notices, Notice("already-run", told))
    named = "all factors" if factors is None else _listed(own)
    return _given(f"fold over {named}", model, existing, new, feasible, notices)


def axial_points_added(
    model: Model, existing: Existing, feasible: Feasible, distance: float = 1.0
) -> Addition:
    """Return two runs a numeric factor, `distance` (coded) from the most central setting.

    Where the rig cannot run one it is drawn in to the last settable feasible setting on its axis,
    and that is said.

    Raises
    ------
    DesignError
        The distance is not above zero, or no axial point can be run.
    """
    if not distance > 0:
        raise DesignError.of(
            "no-distance",
            f"an axial point at distance {distance:g} is none.",
            "Give a distance above 0; 1 is the end of the range.",
        )
    space = model.space
    centre = central_setting(space, feasible)
    found, notices = [], []
    for i in space.numeric:
        for sign in (-1, 1):
            point, drawn_in = _axial(space, feasible, centre, i, sign * distance)
            if point is None or drawn_in:
                what = "is left out" if point is None else f"is drawn in to {point[i]:g}"
                end = "lower" if sign < 0 else "upper"
                notices.append(
                    Notice(
                        "axial-point-moved",
                        f"The {end} axial point of {space.names[i]} cannot be set or run, so it "
                        f"{what}.",
                    )
                )
            if point is not None:
                found.append(point)
    if not found:
        raise DesignError.of(
            "no-axial-point",
            "The rig can run no axial point around the centre.",
            "Add a block or raise the order of the model: that chooses runs the rig can do.",
        )
    return _given("axial points", model, existing, np.array(found), feasible, tuple(notices))


def centre_points_added(
    model: Model, existing: Existing, feasible: Feasible, count: int
) -> Addition:
    """Return `count` runs on the most central setting: pure error, drift and a hint of bends.

    Each is a whole plot of its own: repeats within one say nothing of the scatter between plots.
    """
    _check_count(count)
    centre = np.tile(central_setting(model.space, feasible), (count, 1))
    plots = tuple(range(1, count + 1))
    return _addition("centre points", model, existing, centre, plots, feasible)


def block_added(
    model: Model,
    existing: Existing,
    feasible: Feasible,
    runs: int,
    generator: np.random.Generator,
    criterion: Criterion = "I",
) -> Addition:
    """Return the best `runs` runs for a further block (day, lot) whose effect is estimated too.

    It gets a number of its own where the runs that are there have blocks. Where the most central
    setting was run, one of three runs or more repeats it, which links the blocks. In whole plots
    the runs are chosen without regard to the block.
    """
    _check_count(runs)
    if existing.plot_size > 1:
        settings, plots = _chosen(model, existing, feasible, runs, generator, criterion)
    else:
        centre = central_setting(model.space, feasible)[None]
        was_run = not len(_not_run(model.space, existing.settings, centre))
        before = [1 if block is None else 2 + block for block in existing.blocks]
        stage = [100 * number for number in existing.stages]
        labels = [a + b for a, b in zip(before, stage, strict=True)]
        settings = optimal_runs(
            model,
            feasible,
            runs,
            criterion,
            generator,
            fixed=existing.settings,
            centres=int(was_run and runs >= LINKING_FROM),
            blocks=[*labels, *[max(labels) + 1] * runs],
        ).settings
        plots = tuple(range(1, runs + 1))
    block = existing.next_block
    return _addition("a block", model, existing, settings, plots, feasible, block=block)


def repaired(
    model: Model,
    kept: Existing,
    again: FloatArray,
    lost: FloatArray,
    feasible: Feasible,
    runs: int,
    generator: np.random.Generator,
    criterion: Criterion = "I",
) -> Addition:
    """Return `runs` runs in place of lost ones, given the runs that were kept.

    Those `again` (a, k) are run at their settings whatever they are worth; the rest are the best
    in place of the other `lost` (m, k). If as many are asked for as were lost, running all again is
    tried too, and taken where the new choice is no better.
    """
    _check_count(runs)
    repeats = _given("repair", model, kept, again, feasible) if len(again) else None
    if repeats is not None and runs == len(again):
        return replace(repeats, buys=f"Run again at their settings. {repeats.buys}")
    base = kept if repeats is None else kept.and_added(repeats)
    found, plots = _chosen(model, base, feasible, runs - len(again), generator, criterion)
    if repeats is not None:
        last = max(repeats.plots)
        found = np.vstack([repeats.settings, found])
        plots = (*repeats.plots, *(last + plot for plot in plots))
    added = _addition("repair", model, kept, found, plots, feasible)
    if runs != len(again) + len(lost) or not feasible(lost).all():
        return added
    as_lost = _given("repair", model, kept, np.vstack([again, lost]), feasible)
    new, old = (_merit_as_one(model, kept, a, feasible, criterion) for a in (added, as_lost))
    if not new or not old:
        return added
    if new <= old * (1 + 1e-6):
        return replace(as_lost, buys=f"Running the lost settings again is as good. {as_lost.buys}")
    return replace(added, buys=f"{added.buys} Running the lost settings again would give less.")


def region_extended(
    model: Model,
    existing: Existing,
    feasible: Feasible,
    runs: int,
    generator: np.random.Generator,
    criterion: Criterion = "I",
) -> Addition:
    """Return the best `runs` runs for a wider region: `model` and `feasible` are those of it.

    The existing runs count with their real settings, wherever they lie in the new ranges.
    """
    _check_count(runs)
    found, plots = _chosen(model, existing, feasible, runs, generator, criterion)
    return _addition("a wider region", model, existing, found, plots, feasible)


def order_raised(
    model: Model,
    existing: Existing,
    feasible: Feasible,
    runs: int,
    generator: np.random.Generator,
    criterion: Criterion = "I",
) -> Addition:
    """Return the best `runs` runs that let the existing ones carry a larger `model`."""
    _check_count(runs)
    found, plots = _chosen(model, existing, feasible, runs, generator, criterion)
    return _addition(f"a {model.name} model", model, existing, found, plots, feasible)


def _chosen(
    model: Model,
    existing: Existing,
    feasible: Feasible,
    runs: int,
    generator: np.random.Generator,
    criterion: Criterion,
) -> tuple[FloatArray, tuple[int, ...]]:
    """Return the best new runs (m, k), in whole plots where there are any, and their plots."""
    size = existing.plot_size
    if size == 1:
        found = optimal_runs(model, feasible, runs, criterion, generator, fixed=existing.settings)
        return found.settings, tuple(range(1, runs + 1))
    number = -(-runs // size)
    sizes = [runs // number + (j < runs % number) for j in range(number)]
    split = split_plot_runs(
        model,
        feasible,
        number,
        sizes,
        generator,
        existing.variance_ratio,
        criterion,
        fixed=existing.settings,
        fixed_plots=existing.plots,
    )
    return split.settings, split.plots


def _given(
    kind: str,
    model: Model,
    existing: Existing,
    settings: FloatArray,
    feasible: Feasible,
    notices: tuple[Notice, ...] = (),
) -> Addition:
    """Return the addition of given settings, those with the same hard factors in plots together."""
    plots = tuple(range(1, len(settings) + 1))
    if existing.plot_size > 1:
        held = settings[:, list(hard_factors(model.space))]
        order = np.lexsort(held.T[::-1])
        settings, plots = settings[order], _plots_of(held[order], existing.plot_size)
    return _addition(kind, model, existing, settings, plots, feasible, notices)


def _plots_of(held: FloatArray, size: int) -> tuple[int, ...]:
    """Return the plot of each run, from 1: a new one where a hard factor changes or one is full."""
    plots, filled = [1], 1
    for before, now in itertools.pairwise(held):
        filled = filled + 1 if (before == now).all() and filled < size else 1
        plots.append(plots[-1] + (filled == 1))
    return tuple(plots)


def _not_run(space: FactorSpace, done: FloatArray, settings: FloatArray) -> FloatArray:
    """Return those of some settings (m, k) that are none of the runs done (n, k)."""
    gap = np.abs(space.code(settings)[:, None] - space.code(done)[None]).max(axis=2).min(axis=1)
    return np.asarray(settings[gap > 10.0**-SAME_SETTING])


def _addition(
    kind: str,
    model: Model,
    existing: Existing,
    added: FloatArray,
    plots: tuple[int, ...],
    feasible: Feasible,
    notices: tuple[Notice, ...] = (),
    block: int | None = None,
) -> Addition:
    """Return the addition with what it buys, judged with the shifts that a fit will take out."""
    space = model.space
    region = region_sample(space, feasible)
    old, new = (space.code(s) for s in (existing.settings, np.vstack([existing.settings, added])))
    was, now = existing.kept_apart(space), existing.kept_apart(space, added, block)
    all_plots = existing.then(plots)
    ratio = existing.variance_ratio
    before = _efficiencies(model, old, region, existing.plots, ratio, was)
    after = _efficiencies(model, new, region, all_plots, ratio, now)
    degrees = degrees_of_freedom(model, old, was), degrees_of_freedom(model, new, now)
    gained = _gained(model, old, new)
    left = [
        ("pure error", max(0, degrees[0].pure_error), max(0, degrees[1].pure_error)),
        ("lack of fit", max(0, degrees[0].lack_of_fit), max(0, degrees[1].lack_of_fit)),
    ]
    if existing.plot_size > 1:
        first = plot_degrees_of_freedom(model, old, existing.plots, was)
        last = plot_degrees_of_freedom(model, new, all_plots, now)
        left = [
            ("what changes between plots", first.plot_error, last.plot_error),
            ("what changes within them", first.run_error, last.run_error),
        ]
    if block is None and len(_not_run(space, existing.settings, added)) == len(added):
        notices = (*notices, Notice("stages-not-linked", NOT_LINKED))
    sizes = len(old), len(new)
    return Addition(
        kind,
        added,
        plots,
        model,
        before,
        after,
        *degrees,
        gained,
        now,
        block,
        _buys(model, sizes, before, after, left, gained),
        notices,
    )


def _efficiencies(
    model: Model,
    coded: FloatArray,
    region: FloatArray,
    plots: Sequence[int],
    ratio: float,
    blocks: Blocks | None,
) -> Efficiencies | None:
    try:
        return efficiencies(model, coded, region, plots=plots, variance_ratio=ratio, blocks=blocks)
    except DesignError:
        return None


def _gained(model: Model, old: FloatArray, new: FloatArray) -> tuple[str, ...]:
    """Return the columns, up to second order, that beside all others only the added determine."""
    rest = tuple(t for t in quadratic_model(model.space).terms if t not in set(model.terms))
    wide = replace(model, terms=model.terms + rest)
    was, now = (set(undetermined(wide.matrix(runs))) for runs in (old, new))
    return tuple(label for j, label in enumerate(wide.labels) if j in was - now and label != "1")


def _buys(
    model: Model,
    sizes: tuple[int, int],
    before: Efficiencies | None,
    after: Efficiencies | None,
    left: Sequence[tuple[str, int, int]],
    gained: tuple[str, ...],
) -> str:
    """Return in words what added runs buy."""
    parts = []
    if gained:
        verb = "becomes" if len(gained) == 1 else "become"
        parts.append(f"{_listed(gained)} {verb} clear of the other terms up to second order")
    if after is None:
        parts.append(f"the {model.name} model still cannot be estimated")
    elif before is None:
        parts.append(f"the {model.name} model can be estimated")
    elif before.i is not None and after.i is not None:
        old, new = before.i / sizes[0], after.i / sizes[1]
        parts.append(
            f"the average prediction variance goes from {old:.3g} to {new:.3g} run variances"
        )
    parts += [
        f"the degrees of freedom for {name} go from {old_df} to {new_df}"
        for name, old_df, new_df in left
        if old_df != new_df
    ]
    count = sizes[1] - sizes[0]
    runs = "1 run" if count == 1 else f"{count} runs"
    return f"With {runs} more {'; '.join(parts or ['nothing is gained'])}."


def _merit_as_one(
    model: Model, kept: Existing, added: Addition, feasible: Feasible, criterion: Criterion
) -> float:
    """Return a figure that is higher for the better of equally many added runs; 0 for useless.

    The stages count as one, so that a choice is not preferred for leaving them unlinked.
    """
    space = model.space
    every = space.code(np.vstack([kept.settings, added.settings]))
    region = region_sample(space, feasible)
    plots = kept.then(added.plots)
    found = _efficiencies(model, every, region, plots, kept.variance_ratio, None)
    if found is None:
        return 0.0
    if criterion == "I" and found.i is not None:
        return 1 / found.i
    return found.a if criterion == "A" else found.d


def _runnable(
    space: FactorSpace, feasible: Feasible, wanted: FloatArray, what: str
) -> tuple[FloatArray, tuple[Notice, ...]]:
    """Return the settable settings that the rig can run, and what was left out or rounded."""
    settable = space.settable(wanted)
    fine = feasible(settable)
    notices = []
    out = int((~fine).sum())
    if out == len(fine):
        raise DesignError.of(
            "nothing-to-add",
            f"The rig can run no {what} of the existing runs.",
            "Add a block or raise the order of the model: that chooses runs the rig can do.",
        )
    if out:
        named = "; ".join(
            ", ".join(f"{v:g}" if isinstance(v, float) else v for v in row.values())
            for row in map(space.as_mapping, settable[~fine][:NAMED_MOST])
        )
        notices.append(
            Notice("left-out", f"{out} of {len(fine)} are left out, the rig cannot run: {named}.")
        )
    moved = int((np.abs(space.code(settable) - space.code(wanted)) > 1e-9).any(axis=1).sum())
    if moved:
        notices.append(Notice("level-rounded", f"{moved} were rounded to what can be set."))
    return settable[fine], tuple(notices)


def _axial(
    space: FactorSpace, feasible: Feasible, centre: FloatArray, i: int, distance: float
) -> tuple[FloatArray | None, bool]:
    """Return the axial point of a factor, or the furthest feasible one towards it (or None)."""
    factor = space.factors[i]
    assert isinstance(factor, NumericFactor)
    shares = np.linspace(1.0, 0.0, 101)[:-1]
    points = np.repeat(centre[None, :], len(shares), axis=0)
    points[:, i] += shares * distance * factor.half_range
    wanted = float(points[0, i])
    points = space.settable(points)
    away = np.abs(points[:, i] - centre[i]) > 1e-9
    fine = np.flatnonzero(feasible(points) & away)
    if not len(fine):
        return None, True
    first = int(fine[0])
    finest = factor.step / 2 if factor.step is not None else 10.0**-factor.decimals
    return points[first], bool(abs(points[first, i] - wanted) > finest + 1e-9)


def _check_count(count: int) -> None:
    if count < 1:
        raise DesignError.of(
            "nothing-to-add", "No runs are asked for.", "Ask for at least one run."
        )


def _listed(parts: tuple[str, ...]) -> str:
    shown = list(parts[:NAMED_MOST])
    if len(parts) > NAMED_MOST:
        shown.append(f"{len(parts) - NAMED_MOST} more")
    return shown[0] if len(shown) == 1 else ", ".join(shown[:-1]) + " and " + shown[-1]


def sharpening_points(
    model: Model,
    existing_coded: FloatArray,
    candidates_coded: FloatArray,
    count: int,
    *,
    allow_repeats: bool = False,
) -> tuple[int, ...]:
    """Return `count` candidates that, added together, most reduce the average variance.

    The prediction variance is averaged over the candidates. Points are picked one after another,
    then exchanged for better ones until no exchange helps.

    Parameters
    ----------
    existing_coded
        Runs already there (n, k) in coded units; may be too few for the model.
    candidates_coded
        Points (c, k) to choose from, in coded units.
    allow_repeats
        Whether a point may repeat an existing run or be picked twice.

    Returns
    -------
    tuple of int
        Positions among the candidates, in the order they were picked.

    Raises
    ------
    DesignError
        Too few different candidates, or the model cannot be estimated even with them.
    """
    F = model.matrix(candidates_coded)
    X = model.matrix(existing_coded)
    weights = moment_matrix(model, candidates_coded)
    free = np.ones(len(F), dtype=np.bool_)
    if not allow_repeats:
        free = _new_and_first(existing_coded, candidates_coded)
    if count > free.sum() and not (allow_repeats and free.any()):
        raise DesignError.of(
            "too-few-candidates",
            f"{count} new runs are asked for and {int(free.sum())} settings are left to choose"
            " from.",
            "Ask for fewer runs, or allow repeats.",
        )
    there: FloatArray = X.T @ X + RIDGE * np.eye(X.shape[1])
    inverse: FloatArray = np.asarray(np.linalg.inv(there))
    picked: list[int] = []
    for _ in range(count):
        best = _best_addition(inverse, weights, F, free)
        inverse = _added(inverse, F[best])
        picked.append(best)
        free[best] = allow_repeats
    picked = _exchange_pairwise(there, weights, F, free, picked, allow_repeats)
    if np.linalg.matrix_rank(np.vstack([X, F[picked]])) < len(model):
        raise DesignError.of(
            "cannot-estimate",
            f"{len(X)} runs and {count} new ones cannot estimate the {len(model)} terms of the"
            f" model ({model.name}).",
            "Ask for more runs, or aim at a smaller model.",
        )
    return tuple(picked)


def _new_and_first(existing: FloatArray, candidates: FloatArray) -> npt.NDArray[np.bool_]:
    """Tell which candidates (c,) repeat neither an existing run nor an earlier candidate."""
    rows = np.round(np.vstack([existing, candidates]), SAME_SETTING) + 0.0
    first = np.zeros(len(rows), dtype=np.bool_)
    first[np.unique(rows, axis=0, return_index=True)[1]] = True
    return first[len(existing) :]


def _best_addition(
    inverse: FloatArray, weights: FloatArray, F: FloatArray, free: npt.NDArray[np.bool_]
) -> int:
    """Return the candidate that takes most off tr(M⁻¹W): a(x, x) / (1 + d(x, x))."""
    spread = inverse @ weights @ inverse
    fall = np.einsum("ij,ij->i", F @ spread, F) / (1 + np.einsum("ij,ij->i", F @ inverse, F))
    return int(np.argmax(np.where(free, fall, -np.inf)))


def _added(inverse: FloatArray, x: FloatArray) -> FloatArray:
    u = inverse @ x
    return np.asarray(inverse - np.outer(u, u) / (1 + x @ u), dtype=np.float64)


def _exchange_pairwise(
    there: FloatArray,
    weights: FloatArray,
    F: FloatArray,
    free: npt.NDArray[np.bool_],
    picked: list[int],
    allow_repeats: bool,
) -> list[int]:
    """Return the picked candidates after exchanging each for a better one while that helps.

    M (p, p) of the runs `there` may be singular but for its ridge, and stay so with too few new
    runs: M⁻¹ is worked out afresh after each exchange, since updates of it pile up rounding error
    there until it is no inverse any more.
    """
    picked = list(picked)
    inverse = np.asarray(np.linalg.inv(there + F[picked].T @ F[picked]), dtype=np.float64)
    for _ in range(PASSES):
        improved = False
        for place, now in enumerate(picked):
            spread = inverse @ weights @ inverse
            trace = np.array([np.trace(inverse @ weights)])
            gains = exchange_gains(inverse[None], spread[None], trace, F[None], F[None, now])[0]
            best = int(np.argmax(np.where(free, gains, -np.inf)))
            if not free[best] or gains[best] <= GAIN_LEAST:
                continue
            free[now], free[best] = True, allow_repeats
            picked[place] = best
            inverse = np.asarray(np.linalg.inv(there + F[picked].T @ F[picked]), dtype=np.float64)
            improved = True
        if not improved:
            break
    return picked
