"""Reads the reference tables, and builds observations from them."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from doe.analysis.fit import Observations
from doe.factors import FactorSpace, NumericFactor
from doe.responses import Response
from doe.terms import Model, Term

REFERENCE = Path(__file__).parents[1] / "reference"
Y = Response("y", "", "maximise")


def columns(topic, name):
    """The columns of a reference table."""
    text = (REFERENCE / topic / f"{name}.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}


def facts(topic, name):
    return json.loads((REFERENCE / topic / f"{name}.json").read_text(encoding="utf-8"))


def coded_space(k, half_range=1.0, names=None):
    names = names or [f"x{i + 1}" for i in range(k)]
    return FactorSpace(tuple(NumericFactor(n, "", -half_range, half_range) for n in names))


def observed(space, settings, values, *, planned=None, left_out=None, plots=None, stages=None):
    """Observations of completely randomised runs numbered from 1, unless said otherwise."""
    n = len(values)
    settings = np.asarray(settings, dtype=float)
    return Observations(
        space,
        settings if planned is None else np.asarray(planned, dtype=float),
        settings,
        np.asarray(values, dtype=float),
        tuple(range(1, n + 1)),
        stages or (1,) * n,
        plots or tuple(range(1, n + 1)),
        left_out or (None,) * n,
    )


def model_of(space, *words):
    """A model with intercept from terms in letters: ``model_of(space, "A", "AB", "AA")``."""
    k = len(space)
    counted = [tuple(word.count("ABCDE"[i]) for i in range(k)) for word in ("", *words)]
    return Model(space, tuple(Term(powers) for powers in counted))


def estimates_by_word(fit):
    """Estimates by their letters, ``""`` for the intercept."""
    letters = "ABCDE"
    return {
        "".join(letters[i] * power for i, power in enumerate(e.term.powers)): e
        for e in fit.estimates
    }


class Printed:
    """What a source prints, to be compared within one unit of the last printed digit."""

    def __init__(self, name):
        self.checks = {c["quantity"]: c for c in facts("statistics", name)["checks"]}

    def __getitem__(self, quantity):
        check = self.checks[quantity]
        return pytest.approx(float(check["printed"]), abs=check["tolerance"])
