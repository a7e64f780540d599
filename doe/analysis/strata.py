"""Which runs share a whole plot, a day, a lot or a stage, and how a fit allows for that.

Whole plots are random. A block with fewer than five levels is fixed, since so few do not tell a
variance; five or more are random. A stage is fixed where repeated settings bridge it to the
others: unbridged, it would make its runs teach nothing. Fewer than five unbridged stages are fitted
as one, with a notice: as random ones they would leave less than one degree of freedom.

Shapes: n runs, p columns of the model matrix.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from doe.analysis.mixed import can_be_judged, indicator
from doe.analysis.observations import Observations
from doe.design.strata import linked
from doe.errors import Notice, Problem, Where
from doe.factors import FloatArray
from doe.terms import Model
from doe.wording import runs_in_words

__all__ = ["Shift", "Strata", "hard_factors", "shifts_of", "strata_of", "whole_plots"]

RANDOM_FROM = 5
"""Levels from which a block is random: common practice."""

UNBRIDGED = (
    "Not all stages are linked by a setting that was run again, so how they differ is not told "
    "from what their settings do: the fitted polynomials take them as one, while the surfaces that "
    "settings rest on let each day (or stage) shift at random. An earlier run repeated in a later "
    "stage links them."
)

Groups = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Strata:
    """How runs hang together.

    Attributes
    ----------
    random
        Name and group of each run (n,) of the random groupings; the whole plots, where there are
        any, come first and are called "plot".
    fixed, fixed_names
        Sum-to-zero columns (n, b) of the fixed blocks; block and level of every level (l,), those
        of a block together, the last of which has no column of its own.
    df_runs
        Degrees of freedom left to the scatter of runs that share all groups.
    problem
        Why this model cannot be judged with these runs; None where it can.
    """

    random: tuple[tuple[str, Groups], ...]
    fixed: FloatArray
    fixed_names: tuple[tuple[str, str], ...]
    df_runs: int
    problem: Problem | None = None
    notices: tuple[Notice, ...] = ()

    def rows_of_levels(self) -> FloatArray:
        """Return what makes shifts (l,) of all levels of the coefficients (b,) of `fixed`.

        Each column is the shift of its level; that of the last is minus the sum of the others.
        """
        rows = np.zeros((len(self.fixed_names), self.fixed.shape[1]))
        column = 0
        for at, (block, _) in enumerate(self.fixed_names):
            if at + 1 < len(rows) and self.fixed_names[at + 1][0] == block:
                rows[at, column] = 1.0
                column += 1
            else:
                of_block = [i for i, (name, _) in enumerate(self.fixed_names) if name == block]
                rows[at] = -rows[of_block].sum(axis=0)
        return rows

    @property
    def plots(self) -> Groups | None:
        """Whole plot of each run (n,), None where every run stands alone."""
        return self.random[0][1] if self.random and self.random[0][0] == "plot" else None


@dataclass(frozen=True, slots=True, eq=False)
class Shift:
    """Runs that something shifts together, by a scatter that is to be estimated.

    Attributes
    ----------
    columns
        (n, l) a column for each level.
    anew
        Whether a further run meets a new level (days, plots); else the levels are these few, and
        what is said is said of their average.
    """

    columns: FloatArray
    anew: bool


def whole_plots(data: Observations) -> Groups:
    """Return the whole plot of each run (n,), plots of all stages counted through."""
    return _numbered(list(zip(data.stages, data.plots, strict=True)))


def hard_factors(data: Observations) -> tuple[int, ...]:
    """Return the factors planned to stay as they are within every plot but not over all plots.

    Empty where no plot holds two runs.
    """
    plots = whole_plots(data)
    if plots.max(initial=-1) + 1 == len(plots):
        return ()
    planned = np.round(data.coded_as_planned(), 9)
    first = np.unique(plots, return_index=True)[1]
    constant = (planned == planned[first][plots]).all(axis=0)
    return tuple(int(i) for i in np.flatnonzero(constant & (np.ptp(planned, axis=0) > 0)))


def shifts_of(data: Observations, days: Sequence[object] | None) -> tuple[Shift, ...]:
    """Return what shifts runs together: days (or else stages), whole plots, then each block.

    Of groupings that split the runs alike the first stands for all. A block of fewer than five
    levels has columns that sum to zero over them, as in `strata_of`; a run without a level counts
    as of their average.
    """
    groups = _numbered([str(day) for day in (data.stages if days is None else days)])
    found, known = [Shift(indicator(groups), True)], [groups]

    def add(levels: Sequence[object], anew: bool) -> None:
        told = np.array([level is not None for level in levels])
        alone = (("without", i) for i in itertools.count())
        numbers = _numbered([next(alone) if level is None else level for level in levels])
        if any(_split_alike(numbers, other) for other in known):
            return
        known.append(numbers)
        columns = indicator(numbers) * told[:, None]
        columns = columns[:, columns.any(axis=0)]
        if not anew:
            columns[told] -= 1 / columns.shape[1]
        found.append(Shift(columns, anew))

    if hard_factors(data):
        add(whole_plots(data).tolist(), True)
    for _, levels in data.blocks:
        count = len(set(levels) - {None})
        if count > 1:
            add(levels, count >= RANDOM_FROM)
    return tuple(found)


@dataclass(slots=True)
class _Found:
    """What has been settled while the groupings are gone through."""

    X: FloatArray  # at the settings as meant: jitter adds no rank
    runs: tuple[int, ...]
    random: list[tuple[str, Groups]] = field(default_factory=list)
    fixed: list[FloatArray] = field(default_factory=list)
    fixed_names: list[tuple[str, str]] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)

    def columns(self) -> FloatArray:
        return np.hstack([self.X, *self.fixed])

    def same_as(self, groups: Groups) -> str | None:
        """Return the name of a random grouping that splits the runs in the same way."""
        return next((name for name, known in self.random if _split_alike(groups, known)), None)


def strata_of(model: Model, data: Observations) -> Strata:
    """Return how the runs hang together, seen from the model that is to be fitted."""
    found = _Found(model.matrix(data.coded_as_meant()), data.runs)
    hard = hard_factors(data)
    if hard or data.in_plots:
        found.random.append(("plot", whole_plots(data)))
    for name, levels in data.blocks:
        _settle(found, name, levels, fixed=len(set(levels) - {None}) < RANDOM_FROM)
    stages = len(set(data.stages))
    if stages > 1 and not _bridged(data) and stages < RANDOM_FROM:
        found.notices.append(Notice("stage-not-allowed-for", UNBRIDGED))
    elif stages > 1:
        _settle(found, "stage", data.stages, fixed=_bridged(data))
    _drop_unjudged(found)
    columns = found.columns()
    known = np.hstack([columns, *(indicator(groups) for _, groups in found.random)])
    by_jitter = found.X.shape[1] - int(np.linalg.matrix_rank(found.X))
    df_runs = len(known) - int(np.linalg.matrix_rank(known)) - by_jitter
    problem = _problem(found, df_runs, [model.space.names[i] for i in hard])
    return Strata(
        tuple(found.random),
        columns[:, found.X.shape[1] :],
        tuple(found.fixed_names),
        df_runs,
        problem,
        tuple(found.notices),
    )


def _settle(found: _Found, name: str, levels: Sequence[int | str | None], fixed: bool) -> None:
    """Add a block as fixed columns or as a random grouping, whichever the runs allow.

    A run without a level has zeros among fixed columns, and is a group of its own among random.
    """
    told = np.array([level is not None for level in levels])
    known = [level for level in levels if level is not None]
    if len(set(known)) < 2:
        return
    alone = (("without", i) for i in itertools.count())
    groups = _numbered([next(alone) if level is None else level for level in levels])
    twin = found.same_as(groups)
    if twin:
        what = f"Every {name} is one {twin}, so they cannot be told apart; {twin} stands for both."
        found.notices.append(Notice("same-grouping", what))
        return
    Z = np.zeros((len(levels), len(set(known))))
    Z[told] = indicator(_numbered(known))
    columns = Z[:, :-1] - Z[:, [-1]]
    untold = [run for run, level in zip(found.runs, levels, strict=True) if level is None]
    without, both = (
        int(np.linalg.matrix_rank(A))
        for A in (found.columns(), np.hstack([found.columns(), columns]))
    )
    free = both == without + columns.shape[1] < len(groups)
    if fixed and free:
        found.fixed.append(columns)
        names = [str(level) for level in sorted(set(known), key=lambda v: (str(type(v)), v))]
        found.fixed_names.extend((name, level) for level in names)
        found.notices += _without_level(name, untold, f"of an average {name}")
        return
    if fixed:
        found.notices.append(
            Notice(
                "block-not-separable",
                f"Some effects change only with the {name}, so {name} is taken as random scatter: "
                "those effects are judged against it.",
            )
        )
    found.random.append((name, groups))
    found.notices += _without_level(name, untold, f"of a {name} of its own")


def _without_level(name: str, runs: Sequence[int], counts: str) -> list[Notice]:
    """Return a notice of runs that name no level among runs that do; none where all do."""
    if not runs:
        return []
    verb, counted_so = ("names", "counts") if len(runs) == 1 else ("name", "each count")
    what = (
        f"{runs_in_words(runs)} {verb} no {name}, and others do: "
        f"{'it' if len(runs) == 1 else 'they'} {counted_so} as {counts}. If the {name} "
        "is known, write it down: the rest is then surer."
    )
    return [Notice(f"{name}-not-told", what)]


def _drop_unjudged(found: _Found) -> None:
    """Leave out random blocks of which the runs show no scatter beside the model."""
    told = can_be_judged(found.columns(), found.random)
    for (name, groups), judged in zip(list(found.random), told, strict=False):
        if judged or name == "plot":
            continue
        found.random = [one for one in found.random if one[1] is not groups]
        found.notices = [one for one in found.notices if one.code != f"{name}-not-told"]
        found.notices.append(
            Notice(
                f"{name}-not-judged",
                f"The runs cannot show how much one {name} differs from the next, so that is not "
                "allowed for: intervals may be too short.",
            )
        )


def _problem(found: _Found, df_runs: int, hard: Sequence[str]) -> Problem | None:
    if not found.random:
        return None
    told = can_be_judged(found.columns(), found.random)
    if found.random[0][0] == "plot" and not told[0]:
        count = int(found.random[0][1].max()) + 1
        what = (
            f"{' and '.join(hard)} {'was' if len(hard) == 1 else 'were'}" if hard else "plots were"
        )
        return Problem(
            "too-few-plots",
            f"{what} set only {count} times "
            "(one plot each), as often as the terms that change with the plots; none is left to "
            "judge the scatter between plots by",
            Where(),
            "Run at least one more plot, better three, or fit a model with fewer such terms.",
        )
    if df_runs < 1:
        return Problem(
            "too-few-runs",
            "within plots and blocks no run is left to judge the scatter of runs by",
            Where(),
            "Run more runs a plot, or fit a model with fewer terms.",
        )
    return None


def _split_alike(some: Groups, others: Groups) -> bool:
    """Whether two groupings (n,) split the runs in the same way, whatever the numbers."""
    both = len(set(zip(some.tolist(), others.tolist(), strict=True)))
    return bool(both == some.max() + 1 == others.max() + 1)


def _bridged(data: Observations) -> bool:
    """Whether repeated planned settings link all stages to one another."""
    return linked(data.stages, data.repeats().tolist())


def _numbered(labels: Iterable[object]) -> Groups:
    """Return labels as numbers from 0 in their sorted order, whatever they are."""
    labels = list(labels)
    order = sorted(set(labels), key=lambda v: (str(type(v)), v))
    place = {label: i for i, label in enumerate(order)}
    return np.array([place[label] for label in labels], dtype=np.intp)
