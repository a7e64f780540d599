"""How settings are compared by what is predicted there: nothing predicted better ever ties."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.responses import Response, combined

SEEN = (20.0, 50.0)
VALUES = st.floats(-200, 200).map(lambda value: round(value, 3))


@given(
    aim=st.sampled_from(["maximise", "minimise"]),
    useless=st.none() | VALUES,
    ideal=st.none() | VALUES,
    limited=st.booleans(),
    pair=st.tuples(VALUES, VALUES).filter(lambda pair: abs(pair[0] - pair[1]) > 0.01),
)
def test_of_two_values_the_better_is_worth_more_wherever_the_ends_are(
    aim, useless, ideal, limited, pair
):
    if None not in (useless, ideal):
        useless, ideal = sorted((useless, ideal + 0.5), reverse=aim == "minimise")
        if useless == ideal:
            return
    response = Response("y", "mg/g", aim, useless=useless, ideal=ideal)
    better, worse = sorted(pair, reverse=aim == "maximise")
    found = combined([response], [np.array([better, worse])], [SEEN], limited=limited)
    assert found[0] > found[1]
    shown = response.worth([better, worse], SEEN)
    assert shown[0] >= shown[1]
    assert ((shown >= 0) & (shown <= 1)).all()


@given(
    ideals=st.tuples(st.none() | st.just(45.0), st.none() | st.just(25.0)),
    values=st.tuples(VALUES, VALUES),
    gains=st.tuples(st.floats(0.01, 50), st.floats(0.01, 50)),
)
def test_what_is_better_in_every_response_is_worth_more(ideals, values, gains):
    """A yield to be high and a loss to be low, each better in one setting than in the other."""
    pair = [
        Response("yield", "mg/g", "maximise", ideal=ideals[0]),
        Response("loss", "%", "minimise", ideal=ideals[1]),
    ]
    better = [
        np.array([values[0] + gains[0], values[0]]),
        np.array([values[1] - gains[1], values[1]]),
    ]
    found = combined(pair, better, [SEEN, SEEN])
    assert found[0] > found[1]


@given(pair=st.tuples(VALUES, VALUES), tolerance=st.none() | st.just(0.5))
def test_nearer_to_a_target_is_worth_more_even_where_both_miss_its_tolerance(pair, tolerance):
    response = Response("y", "mg/g", "target", target=40, tolerance=tolerance)
    off = np.abs(np.array(pair) - 40)
    found = combined([response], [np.array(pair)], [SEEN])
    if abs(off[0] - off[1]) > 0.01:
        assert (found[0] > found[1]) == (off[0] < off[1])


def test_beyond_a_named_ideal_nothing_more_is_traded_for_it():
    """Twice the ideal yield is not worth a hundredth of a per cent more of the loss."""
    pair = [
        Response("yield", "mg/g", "maximise", ideal=45),
        Response("loss", "%", "minimise"),
    ]
    found = combined(pair, [np.array([90.0, 45.0]), np.array([30.01, 30.0])], [SEEN, SEEN])
    assert found[1] > found[0]


def test_worth_shown_is_that_of_the_textbook():
    """NIST/SEMATECH e-Handbook 5.5.3.2.2: (y − low)/(high − low), within 0 and 1."""
    response = Response("y1", "", "maximise", useless=120, ideal=170)
    assert response.worth([110, 120, 145, 170, 180], SEEN) == pytest.approx([0, 0, 0.5, 1, 1])


def test_useless_beyond_everything_seen_does_not_turn_the_aim_round():
    response = Response("y", "mg/g", "maximise", useless=60)
    assert response.worth([40, 50, 60, 75, 90], SEEN) == pytest.approx([0, 0, 0, 0.5, 1])
