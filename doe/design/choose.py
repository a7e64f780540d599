"""Which design: from the purpose, the budget and what the rig can run.

Where a factor is hard to change and the schedule does not let it change with every run, a split
plot is taken. Else a classical design, where the rig can run every one of its settings within the
budget; an optimal one on the feasible region everywhere else. The design says why, and which
design came second.

Shapes: n runs, k factors.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np

from doe.design.coded import CodedRuns
from doe.design.definitive import (
    DEFINITIVE_FACTORS,
    definitive_screening,
    definitive_screening_size,
)
from doe.design.evaluation import degrees_of_freedom, efficiencies, region_sample
from doe.design.exchange import check_estimable, estimable
from doe.design.fitting_in import moved_into, shrunk_into
from doe.design.matrix import Design
from doe.design.optimal import Criterion, central_setting, optimal_runs
from doe.design.plackett_burman import plackett_burman, plackett_burman_size
from doe.design.response_surface import (
    BOX_BEHNKEN_RUNS,
    COMPOSITE_FACTORS,
    DOEHLERT_FACTORS,
    box_behnken,
    central_composite,
    composite_core_runs,
    doehlert,
)
from doe.design.screening import Fraction, alias_structure, fraction_points, regular_fractions
from doe.design.space_filling import space_filling_runs
from doe.design.split_plot import (
    SplitPlot,
    WholePlots,
    plots_in_blocks,
    split_plot_runs,
)
from doe.design.strata import hard_factors
from doe.errors import DesignError, DoeError, Notice
from doe.factors import CategoricalFactor, FactorSpace, Feasible, FloatArray, NumericFactor
from doe.terms import Model, Purpose, interaction_model, linear_model, quadratic_model

__all__ = [
    "CENTRES",
    "FAMILIES",
    "FitIn",
    "choose_design",
    "choose_to_search",
    "choose_within",
    "criterion_for",
]

FitIn = Literal["shrink", "move"]

FAMILIES = (
    "factorial",
    "box-behnken",
    "central-composite",
    "definitive-screening",
    "plackett-burman",
    "doehlert",
    "space-filling",
    "optimal-d",
    "optimal-i",
    "split-plot",
)
CENTRES = 3  # repeats of the centre: two degrees of freedom for pure error (common practice)
SPARE = 5  # runs beyond the terms of an optimal design without a budget: 3 lack of fit, 2 repeats
FACTORIAL_RUNS = 16  # without a budget, the largest two-level part (common practice)
OPTIMAL_RUNS = 24  # without a budget, interactions are aimed at within this many runs
UNMOVED = 1e-9
RUNNER_UP_STARTS = 30
DEFINITIVE_SPARE = 2  # unused columns: four runs more to judge the scatter by
FIRST_SHARE = 0.7
"""Of a budget that does not carry a whole plan for second order, what a first plan takes; chosen on
simulated rigs (`tests/bench/test_bench_strategy.py`) among 0.6, 0.7, 0.75 and all of it."""
LEAST_SHARE = 12
"""Runs of the smallest share that paid there; of 12 runs in three factors, 8 did not."""
LEFT_OVER = 3  # runs of such a plan beyond the terms that it must show
LEAST_TO_FOLLOW = 3
"""Runs that a budget must leave for a search, else all are planned at once (our choice)."""
AIMS: dict[Criterion, str] = {
    "D": "the sharpest estimates of its terms (D-optimal)",
    "A": "the lowest average variance of its estimates (A-optimal)",
    "I": "the lowest average prediction variance (I-optimal)",
}


def criterion_for(purpose: Purpose) -> Criterion:
    """Return what a design is best by: sharp estimates to screen, sharp predictions for a surface.

    Goos and Jones 2011, chapter 4 (from memory).
    """
    return "D" if purpose == "screening" else "I"


def choose_design(
    space: FactorSpace,
    feasible: Feasible,
    purpose: Purpose,
    runs: int | None = None,
    seed: int = 0,
    family: str | None = None,
    centres: int | None = None,
    *,
    plots: WholePlots | None = None,
    criterion: Criterion | None = None,
    model: Model | None = None,
    blocks: int | None = None,
    fit_in: FitIn | None = None,
    also: Model | None = None,
) -> Design:
    """Return the design that suits purpose, budget and region, and says why; not yet randomised.

    Parameters
    ----------
    purpose
        ``screening``: which factors matter (main effects and, if the budget carries them,
        two-factor interactions). ``surface``: how the response runs over the ranges (full
        quadratic). ``optimum``: as ``surface``, where `choose_to_search` has no plan.
    runs
        Most runs that may be spent, centre runs included; None lets the design decide.
    family
        One of `FAMILIES`, if the person asks for it.
    centres
        Centre runs asked for; three if None and the budget allows. A split plot has none: its
        repeated plots judge the error.
    plots
        Whole plots that the schedule allows to factors that are hard to change. None, or plots of
        one run each, lets every run change them.
    criterion, model, blocks
        Criterion, model and number of blocks (days, lots), if the person names them: the design
        is then an optimal one. In whole plots a block holds whole ones.
    also
        A larger model: its further terms are wanted, not required, and may outnumber the runs
        (DuMouchel and Jones 1994). The design is then an optimal one.
    fit_in
        What to do with a classical design of which the rig cannot run every setting: ``shrink``
        its ranges to the largest box found that it can, or ``move`` the runs that it cannot make
        to the nearest settings that it can; told with its cost. None rules the design out.

    Raises
    ------
    InfeasibleError
        The rig can run no settable setting at all.
    DesignError
        Fewer runs than terms, a factor with too few settable values, plots that contradict the
        model or the blocks, or a family that the region or the budget does not allow.
    """
    request = _Request(
        space, feasible, purpose, runs, seed, centres, plots, criterion, model, blocks, fit_in, also
    )
    if family is not None and family not in FAMILIES:
        raise DesignError.of(
            "unknown-family",
            f"There is no design family “{family}”.",
            f"Ask for one of {', '.join(FAMILIES)}, or for none.",
        )
    _check_named(request, family)
    blocked = family is None or family.startswith("optimal") or family == "split-plot"
    if blocks is not None and not blocked:
        raise DesignError.of(
            "blocks-only-optimal",
            f"blocks were asked for with the family “{family}”, which is made without them here.",
            "Ask for blocks with optimal-d, optimal-i or split-plot, or with no family.",
        )
    _check_levels(space)
    if also is not None and (request.must_hold or family not in (None, "optimal-d", "optimal-i")):
        raise DesignError.of(
            "wanted-only-optimal",
            "terms that are only wanted were named, and only an optimal design whose every run may "
            "be set anew takes them.",
            "Leave them out (--also), or ask for optimal-d or optimal-i without whole plots.",
        )
    if family == "split-plot" or (family is None and request.must_hold):
        return _split_plot(request, asked=family is not None)
    if family in ("optimal-d", "optimal-i"):
        named: Criterion = "D" if family == "optimal-d" else "I"
        return _optimal(replace(request, criterion=named), "This family was asked for.")
    if family == "space-filling":
        return _space_filling(request, "This family was asked for.")
    if family is None and request.names_what_only_optimal_gives:
        return _optimal(request, "A design with what was named is chosen run by run.")
    offers = _offers(request, family)
    possible = [offer for offer in offers if offer.ruled_out is None]
    if possible:
        return _classical(request, possible, asked=family is not None)
    reasons = [offer.ruled_out for offer in offers if offer.ruled_out is not None]
    if family is not None:
        raise _family_not_possible(request, family, reasons)
    return _optimal(request, _sentence(reasons))


def choose_within(
    space: FactorSpace,
    feasible: Feasible,
    budget: int,
    needed: int,
    seed: int = 0,
    centres: int | None = None,
    *,
    criterion: Criterion | None = None,
    blocks: int | None = None,
) -> Design | None:
    """Return a first plan for a surface within a budget that does not carry the runs it needs.

    Part of the budget is left: runs placed after a look at the first results are worth more than
    the last terms of a model. Second order is required where the share carries it, else wanted.
    None where the share is small or does not even carry the main effects: all is spent at once.

    Parameters
    ----------
    budget, needed
        Runs that may be spent, and runs of the plan that would show all of second order.

    Raises
    ------
    InfeasibleError, DesignError
        As `choose_design`.
    """
    runs = int(FIRST_SHARE * budget + 1e-9)
    linear, quadratic = linear_model(space), quadratic_model(space)
    whole = runs >= len(quadratic) + LEFT_OVER
    if runs < max(LEAST_SHARE, len(linear) + LEFT_OVER):
        return None
    _check_levels(space)
    _check_squares(space)
    model, also = (quadratic, None) if whole else (linear, quadratic)
    why = (
        f"The budget of {budget} runs does not carry the {needed} that all of second order needs: "
        f"{runs} are planned, and the rest is left for what their results ask."
    )
    request = _Request(
        space,
        feasible,
        "surface",
        runs,
        seed,
        centres,
        criterion=criterion,
        model=model,
        blocks=blocks,
        also=also,
    )
    return _optimal(request, why)


def choose_to_search(
    space: FactorSpace,
    feasible: Feasible,
    budget: int,
    seed: int = 0,
    runs: int | None = None,
    centres: int | None = None,
) -> Design | str:
    """Return a first plan to search the best from: runs that fill what the rig can run.

    The rest of the budget is left for runs that follow what they show. Simulated campaigns come
    nearer to the best from such a plan than from one that is best for a quadratic model, most of
    whose runs stand on edges (`tests/bench/test_bench_strategy.py`).

    Parameters
    ----------
    budget
        Runs that may be spent in all.
    runs
        Runs of the plan, centre runs included, if the person names them.

    Returns
    -------
    Design or str
        Why there is none, in a clause: the budget leaves none to follow, or carries too few.

    Raises
    ------
    InfeasibleError, DesignError
        As `choose_design`.
    """
    _check_levels(space)
    planned = _to_search(space, budget) + (centres or 0) if runs is None else runs
    least = len(linear_model(space)) + LEFT_OVER + (centres or 0)
    if planned < least:
        return f"{planned} runs are too few to look everywhere in {len(space)} factors"
    if budget - planned < LEAST_TO_FOLLOW:
        told = (
            f"{planned} first runs would leave fewer than {LEAST_TO_FOLLOW} of the {budget} that "
            "the budget buys"
        )
        fewer = budget - LEAST_TO_FOLLOW
        return f"{told}; with --runs {fewer} it is" if fewer >= least else told
    why = (
        "The best is searched in steps: these runs look everywhere, and the rest of the budget "
        "follows what they show."
    )
    try:
        return _space_filling(_Request(space, feasible, "optimum", planned, seed, centres), why)
    except DesignError as error:
        if error.problems[0].code != "too-few-settings":
            raise
        return f"too few different settings can be run for {planned} that look everywhere"


def _to_search(space: FactorSpace, budget: int | None) -> int:
    """Return how many runs look everywhere: as many as second order needs, within a share."""
    wanted = len(quadratic_model(space)) + LEFT_OVER
    if budget is not None:
        wanted = min(wanted, int(FIRST_SHARE * budget + 1e-9))
    return max(LEAST_SHARE, wanted)


def _check_named(request: _Request, family: str | None) -> None:
    """Refuse what a classical family cannot be given, so that nothing asked for is passed over."""
    if family is None:
        return
    by_letter = {"optimal-d": "D", "optimal-i": "I"}
    if request.criterion is not None and by_letter.get(family, request.criterion) != (
        request.criterion
    ):
        raise DesignError.of(
            "criterion-contradicts",
            f"the family “{family}” and the criterion {request.criterion} contradict each other.",
            f"Ask for the criterion alone: --criterion {request.criterion.lower()}",
        )
    classical = family not in (*by_letter, "split-plot")
    named = {
        "a model": request.model,
        "a criterion": request.criterion,
        "wanted terms": request.also,
    }
    asked = [what for what, value in named.items() if value is not None]
    if classical and asked:
        raise DesignError.of(
            "family-brings-its-own",
            f"{asked[0]} was asked for with the family “{family}”, which is made for its own.",
            "Ask for optimal-d or optimal-i, or for no family.",
        )
    if family != "split-plot" and request.plots is not None:
        raise DesignError.of(
            "plots-only-split",
            f"whole plots were asked for with the family “{family}”, which has none.",
            "Ask for split-plot, or for no family.",
        )


@dataclass(frozen=True)
class _Request:
    space: FactorSpace
    feasible: Feasible
    purpose: Purpose
    runs: int | None
    seed: int
    centres: int | None
    plots: WholePlots | None = None
    criterion: Criterion | None = None
    model: Model | None = None
    blocks: int | None = None
    fit_in: FitIn | None = None
    also: Model | None = None

    @property
    def must_hold(self) -> bool:
        """Whether a hard factor may not change with every run."""
        held = self.plots is not None and max(self.plots.sizes, default=1) > 1
        return held and bool(hard_factors(self.space))

    @property
    def names_what_only_optimal_gives(self) -> bool:
        named = (self.criterion, self.model, self.blocks, self.also)
        return any(each is not None for each in named)

    @property
    def best_by(self) -> Criterion:
        """The criterion named, else the one that suits the purpose."""
        return criterion_for(self.purpose) if self.criterion is None else self.criterion

    @property
    def centres_wanted(self) -> int:
        return CENTRES if self.centres is None else self.centres

    @cached_property
    def middle(self) -> FloatArray:
        """The middle of the box (k,), categorical factors at their first level."""
        return np.array([f.centre if isinstance(f, NumericFactor) else 0.0 for f in self.space])


@dataclass(frozen=True, slots=True)
class _Obstacle:
    """What rules a design out, in two parts, so that the same obstacle to two is said once."""

    what: str
    design: str


@dataclass(frozen=True)
class _Offer:
    """A classical design as the rig would have to run it, or what rules it out."""

    family: str
    title: str
    model: Model
    ruled_out: _Obstacle | None
    settings: FloatArray
    kinds: tuple[str, ...] = ()
    notices: tuple[Notice, ...] = ()
    fitted_in: bool = False


def _offers(request: _Request, family: str | None) -> list[_Offer]:
    """Return the classical designs that come into question, the one with fewest runs first."""
    others = {
        "definitive-screening": _definitive,
        "plackett-burman": _plackett_burman,
        "doehlert": _doehlert,
    }
    if family in others:
        return [others[family](request)]
    if family == "factorial":
        return [_factorial(request)]
    if family is None and request.purpose == "screening":
        return _screening_offers(request)
    k = len(request.space)
    offers: list[tuple[int, _Offer]] = []
    if family != "central-composite":
        size = BOX_BEHNKEN_RUNS.get(k)
        offer = _surface(request, "box-behnken", "Box–Behnken design", size, _box_behnken)
        offers.append((size or 0, offer))
    if family != "box-behnken":
        size = composite_core_runs(k) + 2 * k if k in COMPOSITE_FACTORS else None
        offer = _surface(request, "central-composite", "central composite design", size, _composite)
        offers.append((size or 0, offer))
    return [offer for _, offer in sorted(offers, key=lambda sized: sized[0])]


def _screening_offers(request: _Request) -> list[_Offer]:
    """Return the screening designs in question, the best to see main effects with first.

    A fraction that keeps main effects clear of two-factor interactions (resolution IV or more)
    comes first; else a definitive screening design, which does so too; then the rest.
    """
    offers = [_factorial(request)]
    if len(request.space) < DEFINITIVE_FACTORS[0]:
        return offers
    definitive = _definitive(request)
    picked = None if offers[0].ruled_out else _fraction_within(request)
    clear = picked is not None and (picked[0].resolution or 99) >= 4
    offers.insert(1 if clear else 0, definitive)
    if all(offer.ruled_out for offer in offers):
        offers.append(_plackett_burman(request))
    return offers


def _definitive(request: _Request) -> _Offer:
    space, title = request.space, "definitive screening design"
    model, k = linear_model(space), len(request.space)
    family = "definitive-screening"
    many = [f.name for f in space if isinstance(f, CategoricalFactor) and len(f.levels) != 2]
    if many:
        why = f"{many[0]} has not two levels, as it must in"
        return _out(request, family, title, model, why, f"a {title}")
    if k not in DEFINITIVE_FACTORS:
        return _out(request, family, title, model, f"for {k} factors there is no", title)
    spare = DEFINITIVE_SPARE if k + DEFINITIVE_SPARE <= DEFINITIVE_FACTORS[-1] else 0
    sizes = [
        (definitive_screening_size(k, len(space.categorical), columns), columns)
        for columns in (spare, 0)
    ]
    most = np.inf if request.runs is None else request.runs
    fitting = [(size, columns) for size, columns in sizes if size <= most]
    if not fitting:
        why = f"the budget of {request.runs} runs does not carry"
        return _out(request, family, title, model, why, f"the {sizes[-1][0]} of a {title}")
    size, columns = fitting[0]
    runs = definitive_screening(k, space.categorical, spare=columns)
    extra = 0 if space.categorical else min(request.centres_wanted - 1, int(min(most - size, 9)))
    notice = Notice(
        "two-steps",
        "Main effects stand clear of interactions and bends here; these are then told apart among "
        "the factors that matter (two steps).",
    )
    return _placed(request, family, title, model, runs, max(extra, 0), (notice,))


def _plackett_burman(request: _Request) -> _Offer:
    space, title, family = request.space, "Plackett–Burman design", "plackett-burman"
    model, k = linear_model(space), len(request.space)
    many = [f.name for f in space if isinstance(f, CategoricalFactor) and len(f.levels) != 2]
    if many:
        why = f"{many[0]} has not two levels, as it must in"
        return _out(request, family, title, model, why, f"a {title}")
    try:
        size = plackett_burman_size(k)
    except DesignError:
        return _out(request, family, title, model, f"for {k} factors there is no", title)
    most = np.inf if request.runs is None else request.runs
    if size > most:
        why = f"the budget of {request.runs} runs does not carry"
        return _out(request, family, title, model, why, f"the {size} of a {title}")
    centres = int(min(request.centres_wanted, most - size))
    runs = plackett_burman(k)
    pairs = tuple(term for term in interaction_model(space).terms if term.order == 2)
    mains = model.matrix(space.code(runs.settings(space)))[:, 1:]
    both = replace(model, terms=pairs).matrix(space.code(runs.settings(space)))
    mixed = bool((np.abs(mains.T @ both) > UNMOVED).any())
    notice = Notice(
        "partly-mixed",
        "Main effects are mixed, in part or wholly, with two-factor interactions of other factors: "
        "an interaction may pass for an effect.",
    )
    told = (notice,) if mixed else ()
    return _placed(request, family, title, model, runs, centres, told)


def _doehlert(request: _Request) -> _Offer:
    space, title, family = request.space, "Doehlert design", "doehlert"
    model, k = quadratic_model(space), len(request.space)
    if space.categorical:
        named = space.names[space.categorical[0]]
        return _out(request, family, title, model, f"{named} has no place in", f"a {title}")
    if k not in DOEHLERT_FACTORS:
        return _out(request, family, title, model, f"for {k} factors there is no", title)
    size = k * k + k
    if request.runs is not None and size + request.centres_wanted > request.runs:
        why = f"the budget of {request.runs} runs does not carry"
        needed = size + request.centres_wanted
        return _out(request, family, title, model, why, f"the {needed} of a {title}")
    return _placed(request, family, title, model, doehlert(k, 0), request.centres_wanted, ())


def _placed(
    request: _Request,
    family: str,
    title: str,
    model: Model,
    runs: CodedRuns,
    centres: int,
    notices: tuple[Notice, ...],
) -> _Offer:
    return _offer(request, family, title, model, runs.points, runs.kinds, centres, notices)


_Points = Callable[[int], tuple[FloatArray, tuple[str, ...]]]


def _box_behnken(k: int) -> tuple[FloatArray, tuple[str, ...]]:
    points = box_behnken(k, 0)
    return points, ("edge",) * len(points)


def _composite(k: int) -> tuple[FloatArray, tuple[str, ...]]:
    points = central_composite(k, 0)
    core = composite_core_runs(k)
    return points, ("corner",) * core + ("axial",) * (len(points) - core)


def _surface(request: _Request, family: str, title: str, size: int | None, make: _Points) -> _Offer:
    space, k = request.space, len(request.space)
    model = quadratic_model(space)
    if space.categorical:
        named = space.names[space.categorical[0]]
        return _out(request, family, title, model, f"{named} has no place in", f"a {title}")
    if size is None:
        count = "a single factor" if k == 1 else f"{k} factors"
        return _out(request, family, title, model, f"for {count} there is no", title)
    needed = size + request.centres_wanted
    if request.runs is not None and needed > request.runs:
        why = f"the budget of {request.runs} runs does not carry"
        return _out(request, family, title, model, why, f"the {needed} of a {title}")
    points, kinds = make(k)
    return _offer(request, family, title, model, points, kinds, request.centres_wanted, ())


def _factorial(request: _Request) -> _Offer:
    space = request.space
    title = "two-level factorial"
    many = [f.name for f in space if isinstance(f, CategoricalFactor) and len(f.levels) != 2]
    if many:
        why = f"{many[0]} has not two levels, as it must in"
        return _out(request, "factorial", title, linear_model(space), why, f"a {title}")
    picked = _fraction_within(request)
    if picked is None:
        smallest = regular_fractions(len(space))[-1].runs
        most = FACTORIAL_RUNS if request.runs is None else request.runs
        why = f"{most} runs do not carry"
        design = f"the {smallest} of the smallest {title} known here"
        return _out(request, "factorial", title, linear_model(space), why, design)
    fraction, centres = picked
    if fraction.generators:
        title = "fractional factorial"
    model = interaction_model(space) if fraction.carries(2) else linear_model(space)
    points = fraction_points(fraction)
    kinds = ("corner",) * len(points)
    notices = _alias_notices(space, fraction)
    return _offer(request, "factorial", title, model, points, kinds, centres, notices)


def _fraction_within(request: _Request) -> tuple[Fraction, int] | None:
    """Return the best fraction within the budget, and its centre runs.

    Main effects clear of two-factor interactions come first, then the wanted centre runs, then
    the resolution.
    """
    wanted = request.centres_wanted
    most = FACTORIAL_RUNS + wanted if request.runs is None else request.runs
    best: tuple[tuple[bool, bool, int], Fraction, int] | None = None
    for fraction in regular_fractions(len(request.space)):
        if fraction.runs > most:
            continue
        centres = min(wanted, most - fraction.runs)
        if request.centres is not None and centres < wanted:
            continue
        resolution = fraction.resolution or 99
        rank = (resolution >= 4, centres == wanted, resolution)
        if best is None or rank > best[0]:
            best = (rank, fraction, centres)
    return None if best is None else best[1:]


def _offer(
    request: _Request,
    family: str,
    title: str,
    model: Model,
    points: FloatArray,
    kinds: tuple[str, ...],
    centres: int,
    notices: tuple[Notice, ...],
) -> _Offer:
    """Return the design on settable settings, ruled out if the rig cannot run all of them."""
    space = request.space
    wanted = space.decode(points)
    for i in space.categorical:
        wanted[:, i] = (points[:, i] + 1) / 2
    wanted = np.vstack([wanted, np.tile(request.middle, (centres, 1))])
    settings = space.settable(wanted)
    distinct = np.unique(settings, axis=0)
    failing = int((~request.feasible(distinct)).sum())
    if failing and request.fit_in is not None:
        return _fitted_in(request, family, title, model, points, kinds, centres, notices)
    if failing:
        design = f"{failing} of the {len(distinct)} settings of a {title}"
        return _out(request, family, title, model, "the rig cannot run", design)
    if np.linalg.matrix_rank(model.matrix(space.code(settings))) < len(model):
        why = "what can be set does not allow the levels of"
        if np.linalg.matrix_rank(model.matrix(space.code(wanted))) < len(model):
            why = f"{centres} centre runs leave terms of the model undetermined in"
        return _out(request, family, title, model, why, f"a {title}")
    moved = _rounding_notices(space, wanted, settings)
    return _Offer(
        family, title, model, None, settings, kinds + ("centre",) * centres, notices + moved
    )


def _fitted_in(
    request: _Request,
    family: str,
    title: str,
    model: Model,
    points: FloatArray,
    kinds: tuple[str, ...],
    centres: int,
    notices: tuple[Notice, ...],
) -> _Offer:
    """Return a design shrunk or moved into what the rig can run, with its cost as notices."""
    runs = CodedRuns(np.array(points), kinds, (1,) * len(points))
    if centres:
        runs = runs.with_centres(centres, request.space.categorical)
    into = shrunk_into if request.fit_in == "shrink" else moved_into
    try:
        found = into(runs, model, request.feasible)
    except DoeError as error:
        return _out(
            request, family, title, model, f"{error.problems[0].what} This is", f"a {title}"
        )
    told = tuple(Notice("fitted-in", sentence) for sentence in found.sentences())
    fitted = found.way != "as it stands"
    kept = () if fitted else notices  # what holds of the design need not hold of the moved one
    return _Offer(family, title, model, None, found.settings, runs.kinds, kept + told, fitted)


def _out(
    request: _Request, family: str, title: str, model: Model, what: str, design: str
) -> _Offer:
    nothing = np.empty((0, len(request.space)))
    return _Offer(family, title, model, _Obstacle(what, design), nothing)


def _classical(request: _Request, possible: Sequence[_Offer], asked: bool) -> Design:
    """Return the first of the offers that are possible; the next, or an optimal one, is second."""
    offer = possible[0]
    n, distinct = len(offer.settings), len(np.unique(offer.settings, axis=0))
    budget = "" if request.runs is None else f", and its {n} runs keep within {request.runs}"
    reason = f"The rig can run all {distinct} settings of a {offer.title}{budget}."
    if offer.fitted_in:
        how = "narrower ranges" if request.fit_in == "shrink" else "some runs moved"
        reason = f"With {how} the rig can run a {offer.title} of {n} runs{budget}."
    if asked:
        reason = "This family was asked for. " + reason
    design = _design(request, offer.settings, offer.kinds, offer.family, reason, offer)
    if len(possible) > 1:
        title, other = f"a {possible[1].title}", possible[1].settings
    else:
        centres = offer.kinds.count("centre")
        title = f"{_an(request.best_by)}-optimal design"
        other = _few_starts(request, offer.model, n, request.best_by, centres)
    return _with_runner_up(request, offer.model, design, title, other)


def _design(
    request: _Request,
    settings: FloatArray,
    kinds: tuple[str, ...],
    family: str,
    reason: str,
    offer: _Offer,
) -> Design:
    repeats = _repeat_notices(request, offer, settings, kinds.count("centre"))
    return Design(
        space=request.space,
        settings=settings,
        kinds=kinds,
        plots=tuple(range(1, len(settings) + 1)),
        family=family,
        reason=reason,
        model=offer.model.name,
        seed=request.seed,
        notices=offer.notices + repeats,
    )


def _optimal(request: _Request, why: str) -> Design:
    criterion = request.best_by
    model = _model_within(request)
    runs = len(model) + SPARE if request.runs is None else request.runs
    centres = _centres_within(request, model, runs)
    blocks = _blocks_within(request, runs)
    generator = np.random.default_rng(request.seed)
    wide = model if request.also is None else _with_wanted(model, request.also)
    wanted = wide.terms[len(model.terms) :]
    found = optimal_runs(
        wide,
        request.feasible,
        runs,
        criterion,
        generator,
        centres=centres,
        blocks=blocks or None,
        wanted=wanted,
    )
    kinds = ("chosen",) * (runs - centres) + ("centre",) * centres
    reason = (
        f"{why} The {runs} runs are chosen on what the rig can run, for {_with_article(model)}:"
        f" {AIMS[criterion]}."
    )
    if wanted:
        names = ", ".join(term.label(request.space.names) for term in wanted)
        reason += f" They also show, as far as they can, {names}, which the model leaves out."
    notices = _region_notices(request, centres)
    offer = _Offer("", "", model, None, found.settings, kinds, notices)
    family = f"optimal-{criterion.lower()}"
    design = _design(request, found.settings, kinds, family, reason, offer)
    design = replace(design, blocks=blocks, criterion=criterion)
    second: Criterion = "D" if criterion == "I" else "I"
    other = _few_starts(request, model, runs, second, centres)
    return _with_runner_up(request, model, design, f"{_an(second)}-optimal design", other)


def _space_filling(request: _Request, why: str) -> Design:
    space = request.space
    runs = _to_search(space, None) if request.runs is None else request.runs
    centres = request.centres or 0
    if centres >= runs:
        raise DesignError.of(
            "too-few-runs",
            f"{centres} centre runs leave none of {runs} to fill the space with.",
            "Allow more runs, or ask for fewer centres.",
        )
    generator = np.random.default_rng(request.seed)
    settings = space_filling_runs(space, request.feasible, runs - centres, generator)
    centre = central_setting(space, request.feasible)
    settings = np.vstack([settings, np.tile(centre, (centres, 1))])
    model = _model_carried(space, settings)
    reason = (
        f"{why} The {runs} runs are spread over what the rig can run, in all factors together and "
        "in each, as far apart as can be (maximum projection)."
    )
    kinds = ("filling",) * (runs - centres) + ("centre",) * centres
    notices = _region_notices(request, centres)
    if centres < 2:
        what = (
            "No run is repeated: lack of fit cannot be told, and what the models miss passes for "
            "scatter. To see the scatter of the rig itself plan repeats of the centre too: "
            f"--centres {CENTRES}."
        )
        notices = (*notices, Notice("no-repeats", what))
    design = Design(
        space=space,
        settings=settings,
        kinds=kinds,
        plots=tuple(range(1, runs + 1)),
        family="space-filling",
        reason=reason,
        model=model.name,
        seed=request.seed,
        notices=notices,
    )
    other = _few_starts(request, model, runs, "I", centres)
    second = _with_runner_up(request, model, design, "an I-optimal design", other)
    if not second.runner_up:
        return second
    shapes = "It is made for this model; runs at many levels tell more of other shapes."
    return replace(second, runner_up=f"{second.runner_up} {shapes}")


def _model_carried(space: FactorSpace, settings: FloatArray) -> Model:
    """Return the largest model that runs tell, with some to spare.

    Raises
    ------
    DesignError
        They do not even tell main effects.
    """
    different = np.unique(settings, axis=0)
    for model in (quadratic_model(space), interaction_model(space), linear_model(space)):
        X = model.matrix(space.code(different))
        if len(X) >= len(model) + LEFT_OVER and estimable(X):
            return model
    check_estimable(linear_model(space), settings, len(settings))
    return linear_model(space)


def _with_wanted(model: Model, larger: Model) -> Model:
    """Return the model, and after its terms those of a larger one."""
    rest = tuple(term for term in larger.terms if term not in set(model.terms))
    if not rest:
        raise DesignError.of(
            "nothing-wanted",
            f"the model ({model.name}) has every term of the one that is wanted also"
            f" ({larger.name}).",
            "Name a larger model as wanted, or a smaller one as required: --model main-effects.",
        )
    return replace(model, terms=model.terms + rest)


def _blocks_within(request: _Request, runs: int) -> tuple[int, ...]:
    """Return the block of each run, as even as can be; the last runs (centres) spread over them."""
    if request.blocks is None:
        return ()
    if not 1 < request.blocks <= runs // 2:
        raise DesignError.of(
            "blocks-contradict",
            f"{runs} runs cannot be divided into {request.blocks} blocks of at least two runs.",
            f"Ask for 2 to {max(2, runs // 2)} blocks.",
        )
    return tuple(i % request.blocks + 1 for i in range(runs))


def _split_plot(request: _Request, asked: bool) -> Design:
    """Return a split plot within the plots of the schedule; at random it would come second."""
    space, plots = request.space, _plots_within(request)
    model = _model_within(replace(request, runs=plots.runs))
    generator = np.random.default_rng(request.seed)
    found = split_plot_runs(
        model,
        request.feasible,
        len(plots.sizes),
        plots.sizes,
        generator,
        plots.variance_ratio,
        request.best_by,
    )
    names = " and ".join(space.names[i] for i in hard_factors(space))
    number, runs = len(plots.sizes), plots.runs
    reason = (
        f"{names} cannot change with every run, so {runs} runs share {number} whole plots in which"
        f" it stays as it is. They are chosen on what the rig can run, for {_with_article(model)}:"
        f" {AIMS[request.best_by]}."
    )
    corners = space.corners()
    design = Design(
        space=space,
        settings=found.settings,
        kinds=("chosen",) * runs,
        plots=found.plots,
        family="split-plot",
        reason="This family was asked for. " + reason if asked else reason[0].upper() + reason[1:],
        model=model.name,
        seed=request.seed,
        notices=_rounding_notices(space, corners, space.settable(corners))
        + _plot_notices(request, found, names),
        variance_ratio=plots.variance_ratio,
        blocks=_blocks_of_plots(request, model, found, generator),
        criterion=request.best_by,
    )
    other = _few_starts(request, model, runs, request.best_by, 0)
    title = f"the same number of runs completely at random, {names} changed with nearly every run"
    return _with_runner_up(request, model, design, title, other)


def _blocks_of_plots(
    request: _Request, model: Model, found: SplitPlot, generator: np.random.Generator
) -> tuple[int, ...]:
    """Return the block of each run, whole plots shared out over the blocks asked for."""
    if request.blocks is None:
        return ()
    number = len(found.sizes)
    if not 1 < request.blocks <= number // 2:
        raise DesignError.of(
            "blocks-contradict",
            f"{number} whole plots cannot be divided into {request.blocks} blocks of at least two"
            " plots.",
            f"Ask for 2 to {max(2, number // 2)} blocks, or for more whole plots.",
        )
    return plots_in_blocks(
        model, found.settings, found.plots, found.variance_ratio, request.blocks, generator
    )


def _plots_within(request: _Request) -> WholePlots:
    if request.plots is None:
        raise DesignError.of(
            "no-plots",
            "A split plot was asked for, and nothing says how many whole plots there may be.",
            "Give their number and the runs of each: --plots 6 --plot-size 3.",
        )
    if not request.plots.sizes or min(request.plots.sizes) < 1:
        raise DesignError.of(
            "plots-contradict",
            "A whole plot needs at least one run, and there must be at least one.",
            "Give the number of whole plots and the runs of each, both at least 1.",
        )
    return request.plots if request.runs is None else request.plots.within(request.runs)


def _plot_notices(request: _Request, found: SplitPlot, names: str) -> tuple[Notice, ...]:
    """Return how to run whole plots so that they can be judged, and what speaks against it."""
    notices = [
        Notice(
            "set-afresh",
            f"Set {names} afresh for every whole plot, also where the next one has the same"
            " setting: only then do repeated plots tell the error between plots.",
        )
    ]
    if not found.repeated:
        notices.append(
            Notice(
                "few-plots",
                f"{len(found.sizes)} whole plots are too few for every setting of {names} to come"
                " twice, so the error between plots is judged by few degrees of freedom or none.",
            )
        )
    if request.centres:
        notices.append(
            Notice(
                "no-centres",
                "Centre runs were asked for; in whole plots they would only repeat a run of their"
                " own plot, so none were added. Repeated plots judge the error.",
            )
        )
    return tuple(notices)


def _few_starts(
    request: _Request, model: Model, runs: int, criterion: Criterion, centres: int
) -> FloatArray:
    """Return an optimal design of moderate effort, for comparison; no runs if there is none."""
    generator = np.random.default_rng(request.seed)
    with contextlib.suppress(DoeError):
        return optimal_runs(
            model,
            request.feasible,
            runs,
            criterion,
            generator,
            centres=centres,
            starts=RUNNER_UP_STARTS,
        ).settings
    return np.empty((0, len(request.space)))


def _with_runner_up(
    request: _Request, model: Model, design: Design, title: str, other: FloatArray
) -> Design:
    """Return the design with a sentence on the one that came second: what it would give."""
    space, ratio = request.space, design.variance_ratio
    region = region_sample(space, request.feasible)
    with contextlib.suppress(DesignError):
        figures = []
        for settings, plots in ((other, range(len(other))), (design.settings, design.plots)):
            found = efficiencies(
                model, space.code(settings), region, plots=list(plots), variance_ratio=ratio
            )
            figures.append((found.d * len(settings), (found.i or np.nan) / len(settings)))
        (d_other, i_other), (d_own, i_own) = figures
        size = f", with {len(other)} runs: " if len(other) != len(design) else ": "
        return replace(
            design,
            runner_up=(
                f"Second comes {title}{size}its average prediction variance would be"
                f" {_times(i_other / i_own)} and the information on its terms"
                f" {_times(d_other / d_own)} that of this design."
            ),
        )
    return design


def _times(ratio: float) -> str:
    return f"{ratio:.2f} times" if np.isfinite(ratio) else "unknown against"


def _an(criterion: Criterion) -> str:
    return f"a {criterion}" if criterion == "D" else f"an {criterion}"


def _model_within(request: _Request) -> Model:
    """Return the largest model that the purpose wants and the budget carries."""
    space = request.space
    if request.model is not None:
        _check_budget(request, request.model, linear_model(space))
        return request.model
    linear, pairs, quadratic = linear_model(space), interaction_model(space), quadratic_model(space)
    if request.purpose != "screening":
        _check_squares(space)
        _check_budget(request, quadratic, linear)
        return quadratic
    _check_budget(request, linear, linear)
    if request.runs is None:
        return pairs if len(pairs) + SPARE <= OPTIMAL_RUNS else linear
    return pairs if request.runs >= len(pairs) + CENTRES - 1 else linear


def _centres_within(request: _Request, model: Model, runs: int) -> int:
    """Return how many centre runs fit beside the terms: the centre itself carries one term."""
    room = runs - len(model) + 1
    if request.centres is None:
        return min(CENTRES, room) if room > 1 else 0
    if request.centres > room:
        raise DesignError.of(
            "too-few-runs",
            f"{request.centres} centre runs leave {runs - request.centres} of {runs} runs, too few"
            f" for the {len(model)} terms of the model ({model.name}).",
            f"Allow at least {len(model) + request.centres - 1} runs, or ask for fewer centres.",
        )
    return request.centres


def _check_levels(space: FactorSpace) -> None:
    for i in space.numeric:
        factor = space.factors[i]
        assert isinstance(factor, NumericFactor)
        count = len(factor.settable_values(3)) if _has_settable(factor) else 0
        if count < 2:
            raise DesignError.of(
                "no-settable-value",
                f"{factor.name} has {'no' if count == 0 else 'a single'} settable value between"
                f" {factor.low:g} and {factor.high:g} {factor.unit}"
                f" in steps of {factor.step:g}.".replace("  ", " "),
                "Widen its range, or give the finest step that can really be set.",
                key=factor.name,
            )


def _has_settable(factor: NumericFactor) -> bool:
    if factor.step is None:
        return True
    last = np.floor(factor.high / factor.step + UNMOVED)
    return bool(last >= np.ceil(factor.low / factor.step - UNMOVED))


def _check_squares(space: FactorSpace) -> None:
    for i in space.numeric:
        factor = space.factors[i]
        assert isinstance(factor, NumericFactor)
        if len(factor.settable_values(3)) < 3:
            raise DesignError.of(
                "two-settable-values",
                f"{factor.name} has only two settable values, and a curved model needs three.",
                "Widen its range, give a finer step, or screen (purpose “screening”) instead.",
                key=factor.name,
            )


def _check_budget(request: _Request, model: Model, smallest: Model) -> None:
    if request.runs is None or request.runs >= len(model):
        return
    remedy = f"Allow at least {len(model)} runs."
    if model is not smallest:
        remedy = (
            f"Allow at least {len(model)} runs, or screen first: {smallest.name} alone need"
            f" {len(smallest)}."
        )
    if request.purpose == "optimum":
        first = request.runs - LEAST_TO_FOLLOW
        remedy += (
            f" Or search in steps: --runs {first}."
            if first >= len(linear_model(request.space)) + LEFT_OVER
            else " Or spread fewer over the ranges: --family space-filling."
        )
    raise DesignError.of(
        "too-few-runs",
        f"The {model.name} model of {len(request.space)} factors has {len(model)} terms, and the"
        f" budget is {request.runs} runs.",
        remedy,
    )


def _family_not_possible(request: _Request, family: str, reasons: list[_Obstacle]) -> DoeError:
    """Return the error that names what stands against a family, and the nearest that works."""
    remedy = "Allow more runs, or ask for no family."
    with contextlib.suppress(DesignError):
        nearest = choose_design(
            request.space,
            request.feasible,
            request.purpose,
            request.runs,
            request.seed,
            centres=request.centres,
        )
        remedy = f"The nearest that works is “{nearest.family}” with {len(nearest)} runs."
    return DesignError.of(
        "family-not-possible",
        f"A design of the family “{family}” is not possible here: {_joined(reasons)}.",
        remedy,
    )


def _joined(obstacles: list[_Obstacle]) -> str:
    """Return what stands in the way, the same obstacle to two designs said once."""
    shared: dict[str, list[str]] = {}
    for obstacle in obstacles:
        shared.setdefault(obstacle.what, []).append(obstacle.design)
    return ", and ".join(f"{what} {' or '.join(designs)}" for what, designs in shared.items())


def _sentence(obstacles: list[_Obstacle]) -> str:
    text = _joined(obstacles)
    return text[0].upper() + text[1:] + "."


def _with_article(model: Model) -> str:
    return f"a {model.name} model" if model.name.startswith("full") else model.name


def _alias_notices(space: FactorSpace, fraction: Fraction) -> tuple[Notice, ...]:
    if fraction.resolution is None or fraction.resolution > 4:
        return ()
    roman = {3: "III", 4: "IV"}[fraction.resolution]
    groups: dict[frozenset[tuple[int, ...]], str] = {}
    for alias in sorted(alias_structure(fraction), key=lambda alias: len(alias.effect)):
        together = frozenset([alias.effect, *(other for _, other in alias.with_)])
        if alias.with_ and together not in groups:
            mixed = (_effect(space, sign, other) for sign, other in alias.with_)
            groups[together] = " = ".join([_effect(space, 1, alias.effect), *mixed])
    return (
        Notice(
            "aliased-effects",
            f"The fraction is of resolution {roman}. These effects cannot be told apart: "
            + "; ".join(groups.values())
            + ".",
        ),
    )


def _effect(space: FactorSpace, sign: int, effect: tuple[int, ...]) -> str:
    return ("−" if sign < 0 else "") + " × ".join(space.names[i] for i in effect)


def _rounding_notices(
    space: FactorSpace, wanted: FloatArray, settings: FloatArray
) -> tuple[Notice, ...]:
    """Return one notice a factor whose wanted values cannot be set."""
    notices = []
    for i in space.numeric:
        factor = space.factors[i]
        assert isinstance(factor, NumericFactor)
        moved = np.abs(settings[:, i] - wanted[:, i]) > UNMOVED * factor.half_range
        pairs = np.unique(np.column_stack([wanted[moved, i], settings[moved, i]]), axis=0)
        if len(pairs):
            text = "; ".join(f"{a:g} becomes {b:g}" for a, b in pairs)
            what = f"{factor.name}: not every level can be set, so {text} {factor.unit}".rstrip()
            notices.append(Notice("level-rounded", what + "."))
    return tuple(notices)


def _region_notices(request: _Request, centres: int) -> tuple[Notice, ...]:
    """Return what an optimal design should say: ends that cannot be set, a centre that moved."""
    space = request.space
    corners = space.corners()
    notices = list(_rounding_notices(space, corners, space.settable(corners)))
    if not centres:
        return tuple(notices)
    centre = central_setting(space, request.feasible)
    numeric = list(space.numeric)
    rounded = space.settable(request.middle)[0]
    if np.array_equal(centre[numeric], rounded[numeric]):
        notices.extend(_rounding_notices(space, request.middle[None], rounded[None]))
    else:
        where = ", ".join(f"{f} {v}" for f, v in _named(space, centre))
        notices.append(
            Notice(
                "centre-moved",
                f"The rig cannot run the middle of the ranges; the centre runs stand on {where}.",
            )
        )
    return tuple(notices)


def _named(space: FactorSpace, setting: FloatArray) -> list[tuple[str, str]]:
    named = []
    for factor, value in zip(space, setting, strict=True):
        if isinstance(factor, CategoricalFactor):
            named.append((factor.name, factor.levels[round(value)]))
        else:
            named.append((factor.name, f"{value:g} {factor.unit}".rstrip()))
    return named


def _repeat_notices(
    request: _Request, offer: _Offer, settings: FloatArray, centres: int
) -> tuple[Notice, ...]:
    model = offer.model
    pure = degrees_of_freedom(model, request.space.code(settings)).pure_error
    if pure >= CENTRES - 1:
        return ()
    chosen = offer.family == ""  # run by run: there the centre carries a term of the model
    needed = len(settings) + CENTRES - (max(centres, 1 + pure) if chosen else centres)
    found = "no run is repeated" if pure == 0 else f"only {pure} run is a repeat"
    judged = (
        "the scatter of the rig cannot be told from a model that does not fit"
        if pure == 0
        else "the scatter of the rig will be known poorly"
    )
    return (
        Notice(
            "few-repeats",
            f"With {len(settings)} runs for {len(model)} terms {found}, so {judged}."
            f" {needed} runs would allow {CENTRES} at the centre.",
        ),
    )
