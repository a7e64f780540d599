"""What a setting that failed to confirm tells when it is run again on another day."""

import numpy as np
import pytest

from doe.analysis.confirmation import run_again
from doe.analysis.strata import Shift
from doe.analysis.surrogate import surrogate
from doe.factors import FactorSpace, NumericFactor
from doe.responses import Response

SPACE = FactorSpace((NumericFactor("temperature", "°C", 120, 200, 5),))
YIELD = Response("extract", "mg/g", "maximise", useless=0.0)


@pytest.fixture(scope="module")
def known():
    """Sixteen runs about 20 mg/g on four days; runs and days scatter by about 0.3 mg/g."""
    generator = np.random.default_rng(5)
    settings = np.linspace(120, 200, 16)[:, None]
    day = np.tile(np.arange(4), 4)
    values = 20 + 0.3 * generator.standard_normal(4)[day] + 0.3 * generator.standard_normal(16)
    shift = Shift((day[:, None] == np.arange(4)).astype(float), anew=True)
    return surrogate(SPACE, settings, values, (shift,), generator)


@pytest.mark.parametrize(
    ("confirming", "again", "cause"),
    [
        ((16.0, 16.2), (20.1,), "their day was probably low, and the models hold there"),
        ((24.1, 23.8), (19.8, 20.2), "their day was probably high, and the models hold there"),
        ((16.0, 16.2), (16.1,), "the models missed there"),
        ((19.0, 19.2), (19.5,), "whether the day or the models were off is still not known"),
        ((16.0, 16.2), (12.0,), "a run went wrong: check the records"),
    ],
)
def test_a_cause_is_named_only_where_the_other_one_is_not_as_good(known, confirming, again, cause):
    told = run_again(
        YIELD, known, np.array([160.0]), np.array(confirming), np.array(again), "run 24"
    )
    assert cause in told
    assert told.startswith("Extract of run 24, at the same settings on another day: ")
