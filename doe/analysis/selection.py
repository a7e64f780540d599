"""Which terms the runs speak for: models compared, chosen with hierarchy kept, and doubted.

Shapes: n runs, p columns of a model matrix.

References
----------
Hurvich, Tsai 1989, Biometrika 76:297–307 (AICc; from memory). Its second term counts runs, which
flatters terms that are set once a plot: those are charged by the number of plots too.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.analysis.fit import FittedModel, confounded_terms, fit_response, largest_model
from doe.analysis.fit_notices import RARE
from doe.analysis.mixed import fit_mixed, likelihood_criterion
from doe.analysis.observations import Observations
from doe.analysis.strata import Strata, hard_factors, strata_of
from doe.analysis.transformation import NONE, BoxCox, Transformation, box_cox, log, power
from doe.digits import with_minus
from doe.errors import FitError, Notice
from doe.factors import FactorSpace, FloatArray
from doe.responses import Response
from doe.terms import Model, Term, interaction_model, linear_model, quadratic_model
from doe.wording import capital

__all__ = [
    "Candidate",
    "Recommendation",
    "aicc",
    "power_wanted",
    "recommend_model",
    "with_terms_of_logarithms",
]

CLOSE = 2.0
"""Difference of AICc below which two models are supported alike: Burnham, Anderson 2002, ch. 2
(from memory)."""
FOLDS_MOST = 40
DRAWS = 100
DRAWS_FURTHEST, RUNS_FURTHEST = 1000, 60
"""Simulated repeats by which the largest residual of a chosen model is judged, and the runs above
which the choice hardly matters for it."""
MISFIT = 0.05
SAME = 1e-7
"""Share of a run's variance below which it alone fixes a coefficient."""
FAR_BETTER = 2 / 3
"""Share of the error on left-out runs at which a model beats one of less AICc: a rule of ours,
for small designs in which AICc's penalty forbids second order however strong it is."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """One model looked at; what could not be worked out is None, and `problem` says why.

    `terms` are the labels of its columns less the intercept, `df` what they leave to the scatter
    of runs, `loo_rmse` the root mean square error of runs predicted by a fit without their plot
    (without them, where each stands alone), the choice of terms repeated each time, `kept_rmse`
    the same with these terms kept: of models that are not chosen by the runs they are one. An
    `exact` model passes through every value: its AICc and errors are those of rounding.
    """

    name: str
    model: Model
    terms: tuple[str, ...]
    df: int
    aicc: float | None
    loo_rmse: float | None
    lack_of_fit_p: float | None
    problem: str | None = None
    exact: bool = False
    kept_rmse: float | None = None


@dataclass(frozen=True, slots=True)
class Recommendation:
    """The model to take, why in one line, what it was compared with, and how sure its terms are.

    `survival` is the share of simulated repeats of the campaign in which stepwise choice took the
    term: drawn from the largest model that the runs can carry, or from the recommended one where
    that holds terms beyond it. `foretold` is each run (n,) foretold by the others, in the unit of
    the response: the choice of terms repeated each time, and the shift of its plot judged by the
    other runs of it. None where that is not worked out. `chosen_otherwise` tells that the choice
    so repeated did not always take these terms. `largest_residual` is what the largest of
    the studentised residuals exceeds in 2 of 100 simulated repeats in which no run is wrong, the
    terms chosen anew by each: a model chosen to follow the runs leaves too little scatter to judge
    them by. None where it is not simulated.
    """

    model: Model
    why: str
    candidates: tuple[Candidate, ...]
    survival: Mapping[str, float]
    notices: tuple[Notice, ...] = ()
    foretold: FloatArray | None = None
    largest_residual: float | None = None
    chosen_otherwise: bool = False


def aicc(criterion: float, n: int, parameters: int) -> float | None:
    """Return −2 log L + 2k + 2k(k + 1)/(n − k − 1); None where n − k − 1 < 1 (near saturation).

    Parameters
    ----------
    criterion
        −2 log L by maximum likelihood: residual likelihoods of different models do not compare.
    n, parameters
        Runs; coefficients and variances together.
    """
    left = n - parameters - 1
    if left < 1:
        return None
    return criterion + 2 * parameters + 2 * parameters * (parameters + 1) / left


def charge_of_plots(columns: int, plots: int) -> float:
    """Return what terms that change only from plot to plot are charged beside runs' AICc.

    By how much the mean, of `columns` with it, widens AICc's second term of m plots,
    2k(k + 1)/(m − k − 1), k with the variance of plots: runs of one plot say nothing more of them.
    Infinite where there is none.
    """
    if columns <= 1:
        return 0.0
    k = np.array([2, columns + 1])
    left = plots - k - 1
    if left.min() < 1:
        return float("inf")
    mean_alone, all_ = 2 * k * (k + 1) / left
    return float(all_ - mean_alone)


def recommend_model(
    response: Response,
    space: FactorSpace,
    observations: Observations,
    seed: int,
    *,
    transformation: Transformation = NONE,
    alternatives: Mapping[str, Observations] | None = None,
    proposed: Sequence[tuple[Model, float | None]] = (),
    draws: int = DRAWS,
) -> Recommendation:
    """Return one recommended model, with the comparison behind it.

    Parameters
    ----------
    seed
        Of the simulated repeats.
    alternatives
        The same runs in other factors, by name (a severity in place of temperature and time):
        compared beside the others, but never recommended, since settings are not chosen in them.
    proposed
        Models chosen elsewhere by these runs, such as the two steps of definitive screening, with
        their error of left-out runs, the choice repeated without them; None where it cannot be.

    Raises
    ------
    FitError
        Not even main effects can be fitted.
    """
    data = observations.usable()
    largest, _ = largest_model(space, data, quadratic_model(space))
    search = _Search.of(largest, data, transformation)
    folds = search.folds()
    models = [linear_model(space), interaction_model(space), quadratic_model(space)]
    choosers = {model.name: search.fixed(model) for model in models}
    for name, choose in (("forward choice", search.forward), ("backward choice", search.backward)):
        models.append(Model(space, search.terms(choose(search.gram())), name))
        choosers[name] = choose
    candidates = [
        _candidate(
            response,
            model,
            data,
            transformation,
            search.left_out_error(folds, choosers[model.name]),
            search.left_out_error(folds, search.fixed(model)),
        )
        for model in models
    ]
    candidates += [
        _candidate(
            response,
            model,
            data,
            transformation,
            error,
            search.left_out_error(folds, search.fixed(model)),
        )
        for model, error in proposed
    ]
    for name, other in (alternatives or {}).items():
        candidates += _alternative(response, name, other.usable(), transformation)
    best, beaten = _best([c for c in candidates if c.model.space is space])
    drawn = search
    if not set(best.model.terms) <= set(largest.terms):
        drawn = _Search.of(best.model, data, transformation)
    survival = drawn.survival(np.random.default_rng(seed), draws)
    why = _why(best, beaten, candidates, search, _unit_of(response, transformation))
    doubts = _doubts(best, survival, search.left_out)
    foretold = search.foretold(choosers[best.name]) if best.name in choosers else None
    return Recommendation(
        best.model,
        why,
        tuple(candidates),
        survival,
        doubts,
        None if foretold is None or best.exact else transformation.back(foretold),
        None if best.exact else search.largest_residual(best.model, seed),
        best.name in choosers and search.chosen_otherwise(best.model, choosers[best.name]),
    )


def _alternative(
    response: Response, name: str, data: Observations, transformation: Transformation
) -> list[Candidate]:
    """Return the model chosen forward in other factors; none where none can be fitted."""
    try:
        largest, _ = largest_model(data.space, data, quadratic_model(data.space))
    except FitError:
        return []
    search = _Search.of(largest, data, transformation)
    model = Model(
        data.space, search.terms(search.forward(search.gram())), f"forward choice in {name}"
    )
    folds = search.folds()
    anew, kept = (search.left_out_error(folds, c) for c in (search.forward, search.fixed(model)))
    return [_candidate(response, model, data, transformation, anew, kept)]


def _candidate(
    response: Response,
    model: Model,
    data: Observations,
    transformation: Transformation,
    loo_rmse: float | None,
    kept_rmse: float | None,
) -> Candidate:
    """Return the figures of one model; a model that cannot be fitted is listed with the reason."""
    labels = tuple(
        label for (t, _), label in zip(model.columns, model.labels, strict=True) if t.order
    )
    tangled = confounded_terms(model, data)
    try:
        if tangled:
            raise FitError.of("confounded", f"{tangled[0]}.")
        fit = fit_response(response, model, data, transformation=transformation)
    except FitError as error:
        return Candidate(
            model.name,
            model,
            labels,
            len(data.runs) - len(model),
            None,
            None,
            None,
            error.problems[0].what,
        )
    lack = [t.p_value for t in (fit.lack_of_fit, fit.lack_of_fit_plots) if t is not None]
    known = [p for p in lack if p is not None]
    return Candidate(
        model.name,
        model,
        labels,
        fit.df_residual,
        _aicc_of(fit, data),
        loo_rmse,
        min(known) if known else None,
        exact=fit.exact,
        kept_rmse=kept_rmse,
    )


def power_wanted(model: Model, observations: Observations, level: float = 0.95) -> BoxCox:
    """Return the power of the response that the data ask for, the model given.

    By maximum likelihood, with the whole plots and blocks of the runs allowed for. What runs of
    one plot leave of scatter counts for the interval, which is cautious where plots tell more.

    Raises
    ------
    FitError
        A value is zero or negative.
    """
    data = observations.usable()
    strata = strata_of(model, data)
    X = np.hstack([model.matrix(data.coded()), strata.fixed])
    criterion = likelihood_criterion(X, strata.random)
    return box_cox(data.values, criterion, strata.df_runs, level)


def with_terms_of_logarithms(model: Model, observations: Observations) -> Model:
    """Return a model with the terms beside its own that forward choice takes of the logarithms.

    The power that the values ask for is judged by terms that either scale needs: one that lacks
    them would look bent for that alone. The model itself where the runs cannot carry both.

    Raises
    ------
    FitError
        A value is zero or negative, or not even main effects can be fitted.
    """
    data = observations.usable()
    power(0.0, data.values)
    largest, _ = largest_model(model.space, data, quadratic_model(model.space))
    search = _Search.of(largest, data, log())
    own = search.terms(search.forward(search.gram()))
    both = Model(model.space, tuple(dict.fromkeys((*model.terms, *own))), model.name)
    carried = len(both) < len(data.runs) - 1 and not confounded_terms(both, data)
    return both if carried else model


def _aicc_of(fit: FittedModel, data: Observations) -> float | None:
    """Return AICc by maximum likelihood, whatever the fit itself was made by."""
    strata = strata_of(fit.model, data)
    X = np.hstack([fit.model.matrix(fit.coded), strata.fixed])
    z = fit.scale.forward(fit.values)
    criterion = likelihood_criterion(X, strata.random)(z)
    jacobian = -2 * float(np.sum(np.log(1 / np.abs(fit.scale.slope_back(z)))))
    if strata.plots is not None:
        hard = hard_factors(data)
        whole = sum(_changes_with_plots(term, hard) for term, _ in fit.model.columns)
        criterion += charge_of_plots(whole, int(strata.plots.max()) + 1)
    found = aicc(criterion + jacobian, len(z), X.shape[1] + len(strata.random) + 1)
    return found if found is not None and np.isfinite(found) else None


def _best(candidates: Sequence[Candidate]) -> tuple[Candidate, Candidate | None]:
    """Return the model to take, and the one of less AICc that it beat on left-out runs.

    The fewest terms of those that pass through every value. Else the least AICc; of those close
    to it one without misfit, then the fewest terms. A model that
    predicts left-out runs far better than that is taken instead. Near saturation, where no AICc
    exists, the least error of left-out runs.
    """
    exact = [c for c in candidates if c.exact]
    if exact:
        return min(exact, key=lambda c: len(c.model)), None
    known = [c for c in candidates if c.aicc is not None]
    fitted = [c for c in candidates if c.problem is None and c.loo_rmse is not None]
    safest = min(fitted, key=lambda c: (c.loo_rmse or 0.0, len(c.model)), default=None)
    if not known:
        return safest or next(c for c in candidates if c.problem is None), None
    least = min(c.aicc or 0.0 for c in known)
    near = [c for c in known if c.aicc is not None and c.aicc <= least + CLOSE]

    def order(c: Candidate) -> tuple[bool, int, float]:
        misfit = c.lack_of_fit_p is not None and c.lack_of_fit_p < MISFIT
        return misfit, len(c.model), c.aicc or 0.0

    best = min(near, key=order)
    if safest and best.loo_rmse and (safest.loo_rmse or 0.0) < FAR_BETTER * best.loo_rmse:
        return safest, best
    return best, None


def _unit_of(response: Response, scale: Transformation) -> str:
    if scale == NONE:
        return response.unit
    return f"on the {'log' if scale.exponent == 0 else 'transformed'} scale"


def _why(
    best: Candidate,
    beaten: Candidate | None,
    candidates: Sequence[Candidate],
    search: _Search,
    unit: str,
) -> str:
    left_out = "plots" if search.strata.plots is not None else "runs"
    many = len(best.terms)
    named = f"{capital(best.model.name)} ({many} {'term' if many == 1 else 'terms'})"
    if not many:
        named = "A plain mean, no term at all"
    if best.exact:
        return f"{named}: it passes through every value, so nothing is left to compare models by."
    error = ""
    if best.loo_rmse is not None:
        error = f"it misses left-out {left_out} by {_missed(best, unit)}"
    if best.aicc is None and beaten is None:
        return (
            f"{named}: with so few runs AICc is undefined, so the model that predicts left-out "
            f"{left_out} best was taken; {error}."
        )
    if beaten is not None:
        text = f"{named}: {error}, {beaten.name}, {_beaten_words(best, beaten)}, by "
        text += _missed(beaten)
    else:
        text = f"{named}: {_aicc_words(best, candidates)}; {error}".rstrip("; ")
    if best.lack_of_fit_p is not None and best.lack_of_fit_p < MISFIT:
        text += f", yet lack of fit remains (p = {best.lack_of_fit_p:.2g})"
    for other in _better_in_other_factors(best, candidates):
        text += (
            f"; {other.name} would do better (AICc {_told(other.aicc)}, left-out {left_out} missed "
            f"by {_missed(other)})"
        )
    return f"{text}."


def _missed(one: Candidate, unit: str = "") -> str:
    """Return the error of left-out runs with these terms and, where it is another, chosen anew."""
    anew = f"{one.loo_rmse:.3g}"
    if one.kept_rmse is None:
        return f"{anew} {unit}".rstrip() + " with terms chosen anew without each"
    kept = f"{one.kept_rmse:.3g}"
    own = f"{kept} {unit}".rstrip()
    return own if kept == anew else f"{own} ({anew} with terms chosen anew without each)"


def _beaten_words(best: Candidate, beaten: Candidate) -> str:
    """Return why a model would have been taken but for its error of left-out runs."""
    if best.aicc is None or beaten.aicc is None:
        return "which AICc would take"
    return "of less AICc" if beaten.aicc < best.aicc else "simpler and of like AICc"


def _better_in_other_factors(best: Candidate, candidates: Sequence[Candidate]) -> list[Candidate]:
    """Return the models in other factors that do better by all that models are compared by.

    By AICc clearly better than each model in the campaign's factors, whichever was taken, and no
    worse than the one taken on left-out runs.
    """
    own = [c.aicc for c in candidates if c.model.space is best.model.space and c.aicc is not None]
    return [
        c
        for c in candidates
        if c.model.space is not best.model.space
        and own
        and c.aicc is not None
        and c.aicc < min(own) - CLOSE
        and c.loo_rmse is not None
        and best.loo_rmse is not None
        and c.loo_rmse <= best.loo_rmse
    ]


def _told(aicc: float | None) -> str:
    return with_minus(f"{aicc:.1f}")


def _aicc_words(best: Candidate, candidates: Sequence[Candidate]) -> str:
    others = [
        c
        for c in candidates
        if c.aicc is not None
        and c.model.space is best.model.space
        and set(c.terms) != set(best.terms)
    ]
    text = f"AICc {_told(best.aicc)}"
    if others:
        rival = min(others, key=lambda c: c.aicc or 0.0)
        text += f", {rival.name} {_told(rival.aicc)}"
        if (rival.aicc or 0.0) < (best.aicc or 0.0):
            simpler = len(best.model) < len(rival.model)
            taken = "the simpler" if simpler else "the one without lack of fit"
            text += f" (too close to call, so {taken})"
    return text


def _doubts(
    best: Candidate, survival: Mapping[str, float], left_out: Sequence[str]
) -> tuple[Notice, ...]:
    names = {term.label(best.model.space.names) for term in best.model.terms if term.order}
    weak = [
        f"{label} ({100 * share:.0f} %)"
        for label, share in survival.items()
        if label in names and share < 0.8
    ]
    notices = []
    if weak:
        notices.append(
            Notice(
                "terms-uncertain",
                "In simulated repeats of the campaign these terms of the recommended model were "
                f"often not chosen: {', '.join(weak)}. Intervals of that model would take them "
                "as known, and be too short.",
            )
        )
    if left_out:
        notices.append(
            Notice(
                "terms-not-separable",
                f"Not looked at, because the runs cannot tell them apart: {', '.join(left_out)}.",
            )
        )
    return tuple(notices)


Columns = npt.NDArray[np.intp]
Choice = Callable[["_Gram"], Sequence[int] | None]
"""Picks terms by their places in the pool; None where the model has others."""


@dataclass(frozen=True, slots=True, eq=False)
class _Gram:
    """X'V⁻¹X, X'V⁻¹y and y'V⁻¹y of n runs in some plots: all that stepwise choice needs.

    `meant` is X'X at settings without jitter, by which columns are called independent.
    """

    matrix: FloatArray
    meant: FloatArray
    products: FloatArray
    square: float
    n: int
    plots: int

    def carries(self, at: Columns) -> bool:
        """Whether the columns at some places are independent, jitter not counted."""
        return _regular(self.meant, at) and _regular(self.matrix, at)


@dataclass(frozen=True, slots=True, eq=False)
class _Step:
    """One step of forward choice: the columns chosen, and what may be added to them.

    `more` are additions of terms, `own` their columns, `blocks` the inverses of what the chosen
    columns leave of X'V⁻¹X there. `charge` is what the terms chosen are charged for the plots,
    `charges` with each addition.
    """

    at: Columns
    inverse: FloatArray
    solved: FloatArray
    more: tuple[tuple[int, ...], ...]
    own: tuple[Columns, ...]
    blocks: tuple[FloatArray, ...]
    charge: float
    charges: FloatArray

    @property
    def count(self) -> int:
        return len(self.at)

    @property
    def sizes(self) -> Columns:
        return np.array([len(columns) for columns in self.own], dtype=np.intp)

    def without_chosen(
        self, squares: FloatArray, products: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return what the chosen columns leave of sums of squares (d,) and products (d, m)."""
        known = products[:, self.at]
        explained = np.einsum("di,ij,dj->d", known, self.inverse, known)
        return squares - explained, products - known @ self.solved

    def gains(self, rest: FloatArray) -> FloatArray:
        """Return by how much each addition lessens the sums of squares (d, additions)."""
        gains = np.empty((len(rest), len(self.own)))
        for j, (columns, block) in enumerate(zip(self.own, self.blocks, strict=True)):
            some = rest[:, columns]
            gains[:, j] = ((some @ block) * some).sum(axis=1)
        return gains


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    """Stepwise choice at the variance ratios of the largest model that the runs can carry.

    Columns of a term are taken together, the fixed blocks always.
    """

    pool: tuple[Term, ...]
    columns: tuple[Columns, ...]
    needed: tuple[tuple[int, ...], ...]
    always: Columns
    X: FloatArray
    meant: FloatArray
    z: FloatArray
    V: FloatArray
    groups: Columns
    mean: FloatArray
    strata: Strata
    names: tuple[str, ...]
    hard: tuple[int, ...]
    left_out: tuple[str, ...]

    @classmethod
    def of(cls, largest: Model, data: Observations, scale: Transformation) -> _Search:
        space, wanted = largest.space, quadratic_model(largest.space)
        wider = Model(space, tuple(dict.fromkeys((*largest.terms, *wanted.terms))))
        pool = _separable_terms(wider, data)
        full = Model(space, pool)
        strata = strata_of(largest, data)
        X = np.hstack([full.matrix(data.coded()), strata.fixed])
        z = scale.forward(data.values)
        own = np.hstack([largest.matrix(data.coded()), strata.fixed])
        fit = fit_mixed(own, z, strata.random)
        V = fit.variances[-1] * np.eye(len(z))
        for variance, (_, groups) in zip(fit.variances, strata.random, strict=False):
            V += variance * (groups[:, None] == groups)
        groups = strata.plots if strata.plots is not None else np.arange(len(z))
        at = [np.array([j for j, (of, _) in enumerate(full.columns) if of == t]) for t in pool]
        return cls(
            pool,
            tuple(at),
            tuple(tuple(j for j, t in enumerate(pool) if term.contains(t)) for term in pool),
            np.arange(len(full), X.shape[1]),
            X,
            np.hstack([full.matrix(data.coded_as_meant()), strata.fixed]),
            z,
            V,
            groups,
            own @ fit.coefficients,
            strata,
            space.names,
            hard_factors(data) if strata.plots is not None else (),
            tuple(t.label(space.names) for t in wider.terms if t not in pool),
        )

    def fixed(self, model: Model) -> Choice:
        """Return the chooser that always takes the terms of one model."""
        chosen = tuple(i for i, term in enumerate(self.pool) if term in model.terms)
        known = len(chosen) == len(model.terms)
        return lambda _: chosen if known else None

    def terms(self, chosen: Sequence[int]) -> tuple[Term, ...]:
        return tuple(self.pool[i] for i in sorted(chosen))

    def gram(self, keep: Columns | None = None) -> _Gram:
        keep = np.arange(len(self.z)) if keep is None else keep
        both = self._whitened(np.column_stack([self.X[keep], self.z[keep]]), keep)
        X, y = both[:, :-1], both[:, -1]
        meant = self.meant[keep]
        plots = len(np.unique(self.groups[keep]))
        return _Gram(X.T @ X, meant.T @ meant, X.T @ y, float(y @ y), len(keep), plots)

    def _whitened(self, columns: FloatArray, keep: Columns) -> FloatArray:
        """Return L⁻¹ times columns, LL' the covariance of the runs kept."""
        if not self.strata.random:
            return np.asarray(columns / np.sqrt(self.V[0, 0]))
        root = np.linalg.cholesky(self.V[np.ix_(keep, keep)])
        return np.asarray(np.linalg.solve(root, columns))

    def _columns(self, terms: Sequence[int]) -> Columns:
        if len(terms) == 1:
            return self.columns[terms[0]]
        return np.concatenate([self.columns[i] for i in terms])

    def _at(self, chosen: Sequence[int]) -> Columns:
        return np.concatenate([*(self.columns[i] for i in chosen), self.always]).astype(np.intp)

    def _charge(self, gram: _Gram, chosen: Sequence[int]) -> float:
        """Return what terms that change only with the plots are charged beside runs' AICc."""
        if self.strata.plots is None:
            return 0.0
        whole = sum(
            len(self.columns[i]) for i in chosen if _changes_with_plots(self.pool[i], self.hard)
        )
        return charge_of_plots(whole, gram.plots)

    def _score(self, squares: FloatArray | float, columns: Columns | int, n: int) -> FloatArray:
        """Return the AICc of residual sums of squares; infinite where there is none."""
        parameters = np.asarray(columns) + 1 + len(self.strata.random)
        left = n - parameters - 1
        penalty = 2 * parameters + 2 * parameters * (parameters + 1) / np.maximum(left, 1)
        deviance = n * np.log(np.maximum(squares, 1e-300) / n)
        return np.asarray(np.where(left < 1, np.inf, deviance + penalty))

    def _fits_plots(self, chosen: Sequence[int]) -> bool:
        """Whether terms that change only with the plots leave a plot to judge them by."""
        if self.strata.plots is None:
            return True
        count = sum(
            len(self.columns[i]) for i in chosen if _changes_with_plots(self.pool[i], self.hard)
        )
        return count < int(self.strata.plots.max()) + 1

    def forward(self, gram: _Gram) -> tuple[int, ...]:
        """Return the terms that are taken while AICc falls, hierarchy kept.

        A term is taken together with the lower ones that it needs, so that an interaction whose
        factors alone do little is not passed by.
        """
        return self._forward_each(gram, gram.products[None], np.array([gram.square]))[0]

    def _forward_each(
        self, gram: _Gram, products: FloatArray, squares: FloatArray
    ) -> list[tuple[int, ...]]:
        """Return the forward choice for each of d sets of values at the same runs.

        Parameters
        ----------
        products, squares
            X'V⁻¹y (d, m) and y'V⁻¹y (d,); those of `gram` are not looked at.
        """
        found: list[tuple[int, ...]] = [(0,)] * len(squares)
        score = np.full(len(squares), np.inf)
        open_: dict[tuple[int, ...], list[int]] = {(0,): list(range(len(squares)))}
        while open_:
            chosen, who = open_.popitem()
            for i in who:
                found[i] = chosen
            step = self._step(gram, chosen)
            if step is None:
                continue
            left, rest = step.without_chosen(squares[who], products[who])
            now = self._score(left, step.count, gram.n) + step.charge
            score[who] = np.minimum(score[who], now)
            if not step.more:
                continue
            new = self._score(left[:, None] - step.gains(rest), step.count + step.sizes, gram.n)
            new += step.charges
            pick = np.argmin(new, axis=1)
            best = new[np.arange(len(who)), pick]
            going = best < score[who]
            score[who] = np.where(going, best, score[who])
            for place in np.flatnonzero(going):
                open_.setdefault((*chosen, *step.more[pick[place]]), []).append(who[place])
        return found

    def _step(self, gram: _Gram, chosen: tuple[int, ...]) -> _Step | None:
        """Return what can be added to some terms; None where these runs cannot carry them."""
        at, G = self._at(chosen), gram.matrix
        if not gram.carries(at):
            return None
        inverse = np.asarray(np.linalg.inv(G[at[:, None], at]), dtype=np.float64)
        solved = inverse @ G[at]
        rest = G - G[:, at] @ solved
        meant = gram.meant
        apart = meant - meant[:, at] @ np.linalg.solve(meant[at[:, None], at], meant[at])
        more, own = [], []
        blocks: list[FloatArray] = []
        for addition in self._additions(chosen):
            columns = self._columns(addition)
            if len(at) + len(columns) > gram.n - 2:
                continue
            block = rest[columns[:, None], columns]
            if not all(
                _stand_apart(left[columns[:, None], columns], all_[columns, columns])
                for left, all_ in ((rest, G), (apart, meant))
            ):
                continue
            more.append(addition)
            own.append(columns)
            inverted = 1 / block if len(columns) == 1 else np.linalg.inv(block)
            blocks.append(np.asarray(inverted, dtype=np.float64))
        charges = np.array([self._charge(gram, (*chosen, *addition)) for addition in more])
        return _Step(
            at,
            inverse,
            solved,
            tuple(more),
            tuple(own),
            tuple(blocks),
            self._charge(gram, chosen),
            charges,
        )

    def backward(self, gram: _Gram) -> tuple[int, ...]:
        """Return what is left when terms are dropped one at a time while AICc falls.

        Where the largest model is too near saturation for an AICc, terms go until there is one.
        """
        chosen = self._start(gram)
        while len(chosen) > 1:
            at = self._at(chosen)
            inverse = np.linalg.inv(gram.matrix[at[:, None], at])
            b = inverse @ gram.products[at]
            squares = gram.square - float(gram.products[at] @ b)
            place = {int(j): i for i, j in enumerate(at)}
            best: tuple[float, float, int] | None = None
            for i in self._droppable(chosen):
                own = [place[int(j)] for j in self.columns[i]]
                if len(own) == 1:
                    rise = float(b[own[0]] ** 2 / inverse[own[0], own[0]])
                else:
                    rise = float(b[own] @ np.linalg.solve(inverse[np.ix_(own, own)], b[own]))
                rest = tuple(j for j in chosen if j != i)
                new = float(self._score(squares + rise, len(at) - len(own), gram.n))
                new += self._charge(gram, rest)
                if best is None or (new, rise) < best[:2]:
                    best = new, rise, i
            score = self._score(squares, len(at), gram.n) + self._charge(gram, chosen)
            if best is None or (best[0] >= score and np.isfinite(score)):
                return chosen
            chosen = tuple(i for i in chosen if i != best[2])
        return chosen

    def _start(self, gram: _Gram) -> tuple[int, ...]:
        """Return the terms, in order, that these runs can carry together."""
        chosen: tuple[int, ...] = ()
        for i in range(len(self.pool)):
            more = (*chosen, i)
            at = self._at(more)
            carried = len(at) < gram.n and self._fits_plots(more)
            if carried and gram.carries(at):
                chosen = more
        return self._hierarchical(chosen)

    def _hierarchical(self, chosen: tuple[int, ...]) -> tuple[int, ...]:
        kept = [self.pool[i] for i in chosen]
        lacking = [t for t in self.pool if t not in kept]
        return tuple(i for i in chosen if not any(self.pool[i].contains(t) for t in lacking))

    def _additions(self, chosen: tuple[int, ...]) -> list[tuple[int, ...]]:
        """Return the terms that can be added, each with the lower terms that it lacks."""
        found = []
        for i, needed in enumerate(self.needed):
            more = tuple(j for j in needed if j not in chosen)
            if i not in chosen and self._fits_plots((*chosen, *more)):
                found.append(more)
        return found

    def _droppable(self, chosen: tuple[int, ...]) -> list[int]:
        return [
            i
            for i in chosen
            if self.pool[i].order
            and not any(j != i and self.pool[j].contains(self.pool[i]) for j in chosen)
        ]

    def folds(self) -> list[tuple[Columns, _Gram]]:
        """Return for each left-out group its runs, and the sums of the others."""
        count = int(self.groups.max()) + 1
        folds = self.groups if count <= FOLDS_MOST else self.groups % FOLDS_MOST
        return [
            (np.flatnonzero(folds == fold), self.gram(np.flatnonzero(folds != fold)))
            for fold in np.unique(folds)
        ]

    def left_out_error(
        self, folds: Sequence[tuple[Columns, _Gram]], choose: Choice
    ) -> float | None:
        """Return the root mean square error of left-out groups, terms chosen anew without them."""
        total = 0.0
        for out, gram in folds:
            chosen = choose(gram)
            if chosen is None:
                return None
            at = self._at(chosen)
            if not gram.carries(at):
                return None
            b = np.linalg.solve(gram.matrix[at[:, None], at], gram.products[at])
            total += float(np.sum((self.z[out] - self.X[out[:, None], at] @ b) ** 2))
        return float(np.sqrt(total / len(self.z)))

    def foretold(self, choose: Choice) -> FloatArray | None:
        """Return each run (n,) foretold by the others, those of its plot among them.

        By its conditional mean given their values. None where they cannot carry the terms.
        """
        folds = np.arange(len(self.z)) % FOLDS_MOST
        found = np.empty(len(self.z))
        for fold in np.unique(folds):
            out, keep = np.flatnonzero(folds == fold), np.flatnonzero(folds != fold)
            gram = self.gram(keep)
            chosen = choose(gram)
            if chosen is None or not gram.carries(self._at(chosen)):
                return None
            at = self._at(chosen)
            mean = self.X[:, at] @ np.linalg.solve(gram.matrix[at[:, None], at], gram.products[at])
            rest = np.linalg.solve(self.V[np.ix_(keep, keep)], self.z[keep] - mean[keep])
            found[out] = mean[out] + self.V[np.ix_(out, keep)] @ rest
        return found

    def chosen_otherwise(self, model: Model, choose: Choice) -> bool:
        """Whether the choice without some of the runs, as in `foretold`, is of other terms."""
        own = set(model.terms)
        folds = np.arange(len(self.z)) % FOLDS_MOST
        picks = (choose(self.gram(np.flatnonzero(folds != fold))) for fold in np.unique(folds))
        return any(chosen is not None and set(self.terms(chosen)) != own for chosen in picks)

    def largest_residual(self, model: Model, seed: int) -> float | None:
        """Return what the largest studentised residual seldom exceeds, terms chosen anew.

        Simulated from the model. None where the runs do not carry it, or are many.
        """
        every, gram = np.arange(len(self.z)), self.gram()
        chosen = self.fixed(model)(gram)
        many = len(self.z) > RUNS_FURTHEST
        if chosen is None or many or not gram.carries(self._at(chosen)):
            return None
        generator = np.random.default_rng([seed, len(self.z)])
        at = self._at(chosen)
        b = np.linalg.solve(gram.matrix[at[:, None], at], gram.products[at])
        white = self._whitened(np.eye(len(self.z)), every)
        X = white @ self.X
        y = X[:, at] @ b + generator.standard_normal((DRAWS_FURTHEST, len(self.z)))
        picked = self._forward_each(gram, y @ X, np.einsum("dn,dn->d", y, y))
        far = np.zeros(len(y))
        for terms in set(picked):
            who = [i for i, own in enumerate(picked) if own == terms]
            far[who] = _largest_studentised(white, X[:, self._at(terms)], y[who])
        return float(np.quantile(far, 1 - RARE))

    def survival(self, generator: np.random.Generator, draws: int) -> dict[str, float]:
        """Return the share of draws of plots and runs in which each term is chosen."""
        every = np.arange(len(self.z))
        X = self._whitened(np.column_stack([self.X, self.mean]), every)
        X, mean, gram = X[:, :-1], X[:, -1], self.gram()
        counts = np.zeros(len(self.pool))
        y = mean + generator.standard_normal((draws, len(self.z)))
        for chosen in self._forward_each(gram, y @ X, np.einsum("dn,dn->d", y, y)):
            counts[list(chosen)] += 1
        return {
            term.label(self.names): float(count) / draws
            for term, count in zip(self.pool, counts, strict=True)
            if term.order
        }


def _largest_studentised(white: FloatArray, X: FloatArray, y: FloatArray) -> FloatArray:
    """Return the largest externally studentised residual (d,) of values (d, n), both whitened.

    Parameters
    ----------
    white
        L⁻¹ (n, n), LL' the covariance of the runs: `diagnostics.mixed_influence` has the formula.
    """
    n, p = X.shape
    basis = np.linalg.qr(X)[0]
    rest = y - y @ basis @ basis.T
    left = white - basis @ (basis.T @ white)
    own = np.einsum("ij,ij->j", white, left)
    squares = np.einsum("dn,dn->d", rest, rest)[:, None]
    free = own > SAME * np.einsum("ij,ij->j", white, white)
    taken = (rest @ white)[:, free] ** 2 / own[free]
    without = np.maximum(squares - taken, SAME * squares) / max(n - p - 1, 1)
    return np.asarray(np.sqrt((taken / without).max(axis=1, initial=0.0)))


def _changes_with_plots(term: Term, hard: Sequence[int]) -> bool:
    """Whether a term changes only with factors (by place) that are set once a plot."""
    return all(not power or i in hard for i, power in enumerate(term.powers))


def _stand_apart(left: FloatArray, squares: FloatArray) -> bool:
    """Whether columns keep a share of their squares when others are taken out of them."""
    least = left[0, 0] if len(left) == 1 else np.linalg.eigvalsh(left)[0]
    return bool(least > 1e-8 * squares.max())


def _regular(matrix: FloatArray, at: Columns) -> bool:
    """Whether the columns at some places of X are independent, seen from X'X."""
    size = np.sqrt(matrix[at, at])
    if not size.all():
        return False
    scaled = matrix[at[:, None], at] / (size[:, None] * size)
    return bool(np.linalg.eigvalsh(scaled)[0] > 1e-9)


def _separable_terms(model: Model, data: Observations) -> tuple[Term, ...]:
    """Return those terms that the planned settings tell from the ones before them."""
    kept: list[Term] = []
    for term in model.terms:
        tried = Model(model.space, (*kept, term))
        if not confounded_terms(tried, data):
            kept.append(term)
    return tuple(kept)
