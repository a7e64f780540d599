"""What a page needs to predict on its own: models, coding, covariances, and what the rig can run.

The page works predictions and the chance to meet all limits out as `FittedModel.predict` and
`AllAims` do, from the same doubles and the same draws; and as `Surrogate.predict` does, from the
runs and the sets of length scales, where the runs are few enough. What the rig can run comes as
verdicts at the nodes of a grid over all factors. A setting between nodes counts as possible if all
nodes around it are; anything else is painted as if it were not. Where a limit does not move one way
along each factor that can be wrong: `Verdicts.tried` and `wrong` say how often it was, at settings
spread over the ranges.

Shapes: k factors, p columns of a model, N nodes, L limits.
"""

from __future__ import annotations

import base64
import itertools
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from doe.digits import shown
from doe.factors import CategoricalFactor, Factor, FactorSpace, FloatArray
from doe.report.pictures import RunPoints

if TYPE_CHECKING:
    from doe.analysis.fit import FittedModel
    from doe.analysis.pareto import Choice
    from doe.analysis.reliability import AllAims
    from doe.analysis.surrogate import Surrogate

__all__ = ["TRAVELS_MOST", "Explorer", "Verdicts", "node_levels", "payload_text", "travelling"]

TRAVELS_MOST = 60
"""Runs up to which surrogates travel with a page: its pictures grow slow with their square."""

NODES_MOST = 12_000
LEVELS_MOST = 41
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
Json = dict[str, Any]


@dataclass(frozen=True, slots=True, eq=False)
class Verdicts:
    """Which limits fail at the nodes of a grid: `levels` a factor, `fails` (N, L).

    The last factor runs fastest over the nodes, as in `FactorSpace.grid`.
    """

    levels: tuple[FloatArray, ...]
    limits: tuple[str, ...]
    fails: npt.NDArray[np.bool_]
    tried: int = 0
    wrong: int = 0

    def surely(self, settings: FloatArray) -> npt.NDArray[np.bool_]:
        """Return which settings (n, k) count as possible: all nodes around them are."""
        shape = [len(levels) for levels in self.levels]
        open_nodes = np.asarray(~self.fails.any(axis=1), dtype=np.bool_).reshape(shape)
        below, above = [], []
        for levels, values in zip(self.levels, settings.T, strict=True):
            high = np.searchsorted(levels, values).clip(max=len(levels) - 1)
            exact = np.isclose(levels[high], values, rtol=0, atol=1e-9 * (np.ptp(levels) or 1.0))
            above.append(high)
            below.append(np.where(exact, high, (high - 1).clip(min=0)))
        found = np.ones(len(settings), dtype=np.bool_)
        for corner in itertools.product((0, 1), repeat=len(self.levels)):
            node = tuple(a if up else b for up, a, b in zip(corner, above, below, strict=True))
            found &= open_nodes[node]
        return found


@dataclass(frozen=True, slots=True, eq=False)
class Explorer:
    """Fitted models that the reader may look at over any two factors, starting at `at` (k,).

    `runs` are the runs used, a response; `first` are the factors shown at the start; `aims` is the
    chance that one new run meets every limit, None where there is none or it is not known;
    `choices` are settings to pick from with what is foretold there, in the order of their numbers,
    and `chances` those to meet every limit there, the rig's swings counted; `surrogates` are what
    the recommended settings rest on, a response, none where they do not travel.
    """

    space: FactorSpace
    fits: tuple[FittedModel, ...]
    at: FloatArray
    verdicts: Verdicts
    runs: Mapping[str, Sequence[RunPoints]]
    first: tuple[int, int]
    aims: AllAims | None = None
    choices: tuple[Choice, ...] = ()
    chances: tuple[float, ...] = ()
    surrogates: Mapping[str, Surrogate] = field(default_factory=dict)


def travelling(surrogates: Mapping[str, Surrogate]) -> Mapping[str, Surrogate]:
    """Return the surrogates where the runs are few enough for a page to predict by them."""
    most = max((len(own.recipe.z) for own in surrogates.values()), default=0)
    return surrogates if most <= TRAVELS_MOST else {}


def node_levels(space: FactorSpace, at: FloatArray, most: int = NODES_MOST) -> list[FloatArray]:
    """Return the levels of each factor at which the rig is asked, `at` (k,) among them.

    Settable values wherever `most` nodes allow, halved as often as they allow.
    """
    numeric = max(1, len(space.numeric))
    combinations = np.prod(
        [len(f.levels) for f in space if isinstance(f, CategoricalFactor)], initial=1
    )
    each = min(LEVELS_MOST, int((most / combinations) ** (1 / numeric)) - 3)
    return [_levels(factor, float(at[i]), max(3, each)) for i, factor in enumerate(space)]


def _levels(factor: Factor, at: float, most: int) -> FloatArray:
    if isinstance(factor, CategoricalFactor):
        return np.arange(len(factor.levels), dtype=np.float64)
    found = np.unique([factor.low, factor.high, at, *factor.settable_values(most).tolist()])
    while 2 * len(found) - 1 <= most:
        found = np.sort(np.concatenate([found, (found[1:] + found[:-1]) / 2]))
    return np.asarray(found, dtype=np.float64)


def payload_text(explorer: Explorer) -> str:
    """Return what the page's script reads, as JSON that holds no tag."""
    made = {
        "factors": [_factor(f, float(explorer.at[i])) for i, f in enumerate(explorer.space)],
        "responses": [_response(fit) for fit in explorer.fits],
        "first": list(explorer.first),
        "runs": {name: _runs(groups) for name, groups in explorer.runs.items()},
        "rig": _verdicts(explorer.verdicts),
        "choices": [_choice(explorer, i) for i in range(len(explorer.choices))],
        "aims": None if explorer.aims is None else _aims(explorer.aims, explorer.fits),
        "surrogates": [_surrogate(explorer.surrogates[fit.response.name]) for fit in explorer.fits]
        if explorer.surrogates
        else None,
    }
    text = json.dumps(made, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _factor(factor: Factor, at: float) -> Json:
    words = shown(factor.name.replace("_", " "))
    if isinstance(factor, CategoricalFactor):
        return {"words": words, "unit": "", "levels": [shown(x) for x in factor.levels], "at": at}
    return {
        "words": words,
        "unit": shown(factor.unit),
        "low": factor.low,
        "high": factor.high,
        "centre": factor.centre,
        "half": factor.half_range,
        "step": factor.step,
        "decimals": factor.decimals,
        "at": at,
    }


def _response(fit: FittedModel) -> Json:
    """Return a fitted response: powers and contrasts a column, coefficients, covariance.

    A fit by REML brings what its degrees of freedom at a setting follow from (see `mixed`).
    """
    wanted = fit.response.interval_wanted()
    mixed, p = fit.mixed, len(fit.coefficients)
    return {
        "name": fit.response.name,
        "words": shown(fit.response.words),
        "unit": shown(fit.response.unit),
        "columns": fit.model.places.T.tolist(),
        "coefficients": fit.coefficients.tolist(),
        "covariance": fit.covariance.tolist(),
        "exponent": fit.scale.exponent,
        "scale": fit.scale.scale,
        "df": fit.df_residual if mixed is None else None,
        "run_variance": fit.residual_sd**2 if mixed is None else mixed.total_variance,
        "mixed": None
        if mixed is None
        else {
            "covariance": mixed.plain_covariance[:p, :p].tolist(),
            "slopes": mixed.slopes[:, :p, :p].tolist(),
            "spread": mixed.variance_covariance.tolist(),
        },
        "wanted": None if wanted is None else [v if np.isfinite(v) else None for v in wanted],
    }


def _choice(explorer: Explorer, i: int) -> Json:
    """Return a choice with what is foretold there: by what it rests on, though that may stay."""
    choice = explorer.choices[i]
    foretold = [choice.predictions[fit.response.name] for fit in explorer.fits]
    return {
        "at": choice.settings.tolist(),
        "told": [
            {
                "mean": float(at.mean[0]),
                "error": float(at.standard_error[0]),
                "low": float(at.mean_low[0]),
                "high": float(at.mean_high[0]),
                "median": at.expected is not None,
            }
            for at in foretold
        ],
        "chance": explorer.chances[i] if explorer.chances else None,
    }


def _aims(aims: AllAims, fits: Sequence[FittedModel]) -> Json:
    """Return what the chance to meet all limits follows from; draws as packed doubles."""
    names = [fit.response.name for fit in fits]
    joint = aims.how == "joint"
    return {
        "responses": [names.index(fit.response.name) for fit in aims.fits],
        "df": aims.df,
        "draws": _packed(aims.draws().T) if joint else None,
        "strays": aims.strays().tolist(),
        "bound": aims.how == "bound",
    }


def _surrogate(own: Surrogate) -> Json:
    """Return what a surrogate's predictions follow from; arrays as packed doubles, by rows."""
    recipe = own.recipe
    return {
        "logarithmic": recipe.logarithmic,
        "centre": recipe.centre,
        "size": recipe.size,
        "jitter": recipe.jitter,
        "sparse": recipe.sparse,
        "middle": recipe.middle,
        "least": recipe.least,
        "anew": list(recipe.anew),
        "hidden": recipe.hidden.tolist(),
        **{
            name: _packed(values)
            for name, values in (
                ("sets", recipe.sets),
                ("weights", recipe.weights),
                ("features", recipe.features),
                ("ratio", recipe.ratio),
                ("alike", recipe.alike),
                ("alone", recipe.alone),
                ("z", recipe.z),
                ("valuesThere", recipe.values_there),
                ("variancesThere", recipe.variances_there),
            )
        },
    }


def _packed(values: FloatArray) -> str:
    return base64.b64encode(np.ascontiguousarray(values, dtype="<f8").tobytes()).decode("ascii")


def _runs(groups: Sequence[RunPoints]) -> list[Json]:
    return [
        {"kind": group.kind, "settings": row, "name": shown(name)}
        for group in groups
        for row, name in zip(group.settings.tolist(), group.names, strict=True)
    ]


def _verdicts(verdicts: Verdicts) -> Json:
    """Return the verdicts as runs of equal letters: a letter a set of limits that fail."""
    sets, which = np.unique(verdicts.fails, axis=0, return_inverse=True)
    limits = [np.flatnonzero(row).tolist() for row in sets]
    if len(limits) > len(LETTERS):  # more sets than letters: which limits fail is then not told
        which = verdicts.fails.any(axis=1).astype(int)
        limits = [[], np.flatnonzero(verdicts.fails.any(axis=0)).tolist()]
    text = "".join(
        f"{len(list(run))}{LETTERS[value]}" for value, run in itertools.groupby(which.tolist())
    )
    return {
        "levels": [levels.tolist() for levels in verdicts.levels],
        "limits": [shown(title) for title in verdicts.limits],
        "sets": limits,
        "nodes": text,
    }
