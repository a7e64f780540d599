"""What a design mixes up: the alias matrix of any design, full or partial, and its plain words.

Shapes: n runs, k factors, p columns that can be estimated, q columns that cannot or were left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from doe.factors import FloatArray
from doe.terms import Model, Term

__all__ = ["Aliases", "alias_matrix"]

SHARE_LEAST = 0.005  # smaller shares are not worth a word
SAME_TERM = 1e-6


@dataclass(frozen=True)
class Aliases:
    """How far terms that are not fitted bias those that are.

    The expected estimate of the terms `fitted` is their true coefficients plus `matrix` times the
    true coefficients of the terms `mixed_in`: entry (i, j) is the share of term j in estimate i.
    """

    fitted: tuple[str, ...]
    mixed_in: tuple[str, ...]
    matrix: FloatArray

    def sentences(self, least: float = SHARE_LEAST) -> tuple[str, ...]:
        """Return one sentence for each fitted term that is not clear of the others.

        Terms that cannot be told apart at all are “confounded”; a share other than ±1 is “partly
        confounded”, with the share. The intercept, which no one interprets, has no sentence.
        """
        found = []
        for label, row in zip(self.fitted, self.matrix, strict=True):
            shares = [(v, other) for v, other in zip(row, self.mixed_in, strict=True)]
            worth = [(v, other) for v, other in shares if abs(v) >= least]
            if label == "1" or not worth:
                continue
            whole = [_signed(v, o) for v, o in worth if abs(abs(v) - 1) < SAME_TERM]
            part = [_signed(v, o) for v, o in worth if abs(abs(v) - 1) >= SAME_TERM]
            clauses = [f"confounded with {_listed(whole)}"] if whole else []
            clauses += [f"partly confounded with {_listed(part)}"] if part else []
            found.append(f"{label} is {' and '.join(clauses)}")
        return tuple(found)

    def largest(self) -> float:
        """Return the largest share of any term in a fitted one but the intercept; 0 if none."""
        rows = [i for i, label in enumerate(self.fitted) if label != "1"]
        return float(np.abs(self.matrix[rows]).max(initial=0.0))


def alias_matrix(model: Model, coded: FloatArray, beyond: tuple[Term, ...] = ()) -> Aliases:
    """Return what the runs (n, k) mix up among the terms of a model and those beyond it.

    Terms are taken in the order of the model: one that the runs cannot estimate beside those
    before it counts as mixed in. So a resolution IV fraction with the interaction model gives its
    full aliases, and a Plackett–Burman design with main effects and `beyond` all two-factor
    interactions gives its partial ones.

    Notes
    -----
    A = (X₁'X₁)⁻¹X₁'X₂ with X₁ the estimable columns and X₂ the others (Montgomery, Design and
    Analysis of Experiments, alias matrix; from memory).
    """
    rest = tuple(term for term in beyond if term not in set(model.terms))
    outside = Model(model.space, rest)
    X = np.hstack([model.matrix(coded), outside.matrix(coded)])
    labels = model.labels + outside.labels
    kept = _estimable(X[:, : len(model)])
    others = [j for j in range(X.shape[1]) if j not in set(kept)]
    A = np.asarray(np.linalg.lstsq(X[:, kept], X[:, others], rcond=None)[0], dtype=np.float64)
    A[np.abs(A) < SAME_TERM] = 0.0
    A.setflags(write=False)
    return Aliases(tuple(labels[j] for j in kept), tuple(labels[j] for j in others), A)


def _estimable(X: FloatArray) -> list[int]:
    """Return the columns that are not a combination of those before them."""
    kept: list[int] = []
    basis = np.empty((len(X), 0))
    for j in range(X.shape[1]):
        rest = X[:, j] - basis @ (basis.T @ X[:, j])
        rest = rest - basis @ (basis.T @ rest)  # twice, against round-off
        length = float(np.linalg.norm(rest))
        if length > SAME_TERM * max(1.0, float(np.linalg.norm(X[:, j]))):
            basis = np.column_stack([basis, rest / length])
            kept.append(j)
    return kept


def _signed(share: float, label: str) -> str:
    sign = "+" if share > 0 else "−"
    if abs(abs(share) - 1) < SAME_TERM:
        return sign + label
    return (
        f"{sign}{abs(share):.2f} × ({label})" if "×" in label else f"{sign}{abs(share):.2f} {label}"
    )


def _listed(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1]
