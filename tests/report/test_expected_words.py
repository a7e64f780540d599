"""Words on what to expect: medians and limits are called so."""

import numpy as np

from doe.analysis.fit import fit_response
from doe.analysis.observations import Observations
from doe.analysis.transformation import log
from doe.factors import FactorSpace, NumericFactor
from doe.report.fit_pictures import observed_fitted_picture
from doe.report.response_section import expected_sentence, expected_table
from doe.responses import Response
from doe.terms import linear_model

SPACE = FactorSpace((NumericFactor("a", "", -1, 1),))
SETTINGS = np.repeat([[-1.0], [0.0], [1.0]], 4, axis=0)
VALUES = np.exp(1 + SETTINGS[:, 0] + np.tile([-0.6, -0.2, 0.2, 0.6], 3))
Y = Response("y", "mg/g", "maximise")


def data(censored=()):
    runs = tuple(range(1, 13))
    return Observations(
        SPACE, SETTINGS, SETTINGS, VALUES, runs, (1,) * 12, runs, (None,) * 12, censored=censored
    )


def test_centre_of_a_log_scale_is_called_the_median_and_is_one():
    """Logarithms here are symmetric, so half of the values at each setting lie on either side."""
    fit = fit_response(Y, linear_model(SPACE), data(), transformation=log())
    prediction = fit.predict([[0.0]])
    told = float(prediction.mean[0])
    assert np.count_nonzero(VALUES[4:8] < told) == np.count_nonzero(VALUES[4:8] > told) == 2
    assert told < VALUES[4:8].mean()
    assert "typically (median; 95 % interval" in expected_sentence(Y, prediction)
    assert expected_table([(Y, prediction)]).rows[0][1].endswith("(median)")
    plain = fit_response(Y, linear_model(SPACE), data()).predict([[0.0]])
    assert "on average (95 % interval" in expected_sentence(Y, plain)


def test_limit_of_detection_stays_one_in_the_table_of_runs():
    fit = fit_response(Y, linear_model(SPACE), data(("below",) + (None,) * 11))
    rows = observed_fitted_picture(fit).table.rows
    assert rows[0][1].startswith("<")
    assert not rows[1][1].startswith("<")
