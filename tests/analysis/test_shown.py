"""Which campaigns are like the simulated ones, what is called scatter, and which settings are free.

The data are invented, so what acts and what does not is known.
"""

from dataclasses import replace
from itertools import product
from types import SimpleNamespace

import numpy as np
import pytest

from doe.analysis.observations import Observations
from doe.analysis.optimum import analyse
from doe.analysis.pareto import choices_of
from doe.analysis.recommendation import coverage, decision_of, polynomials_worse_than_mean
from doe.analysis.recommendation import evidence_of as evidence_of_polynomials
from doe.analysis.recommendation import recommended as with_settings
from doe.analysis.selection import recommend_model
from doe.analysis.shown import Shown, acting_factors, shown
from doe.factors import CategoricalFactor, FactorSpace, NumericFactor, whole_box
from doe.responses import Response
from doe.terms import linear_model, quadratic_model

AXES = ("temperature", "flow", "time", "mass", "acid")
SIMULATED = "In simulated campaigns of 13 to 20 runs"
UNKNOWN = "How often the 95 % intervals here hold the truth is not known"
Y = Response("y", "mg/g", "maximise")


def space_of(k, change="easy"):
    first = NumericFactor(AXES[0], "", -1, 1, 0.1, change=change)
    return FactorSpace((first, *(NumericFactor(name, "", -1, 1, 0.1) for name in AXES[1:k])))


def runs_of(k, centres=3):
    """A composite design: every corner, the middles of the faces, and repeats of the centre."""
    corners = np.array(list(product((-1.0, 1.0), repeat=k)))
    return np.vstack([corners, np.eye(k), -np.eye(k), np.zeros((centres, k))])


def data_of(settings, space, truth=lambda x: 50 + 5 * x[:, 0], scatter=1.0, **changes):
    n = len(settings)
    values = truth(settings) + scatter * np.random.default_rng(5).normal(size=n)
    numbers = tuple(range(1, n + 1))
    data = Observations(space, settings, settings, values, numbers, (1,) * n, numbers, (None,) * n)
    return replace(data, **changes)


def analysed(data, model=linear_model, response=Y):
    return analyse([response], model(data.space), {response.name: data}, whole_box)


def plain(**changes):
    return data_of(runs_of(3), space_of(3), **changes)


def test_coverage_stands_for_a_campaign_like_the_simulated_ones():
    assert coverage(analysed(plain()), ()).startswith(SIMULATED)


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (plain(censored=("below", *(None,) * 16)), "of some values only a limit is known"),
        (plain(scatter=0.0), "a polynomial passes through every value"),
        (plain(blocks=(("lot", tuple("ab" * 8 + "a")),)), "blocks or lots differ"),
        (data_of(runs_of(2, 1), space_of(2)), "there are 9 runs (13 to 20 were simulated)"),
        (data_of(runs_of(3, 8), space_of(3)), "there are 22 runs (13 to 20 were simulated)"),
        (
            data_of(runs_of(5)[:20], space_of(5)),
            "there are 5 factors (2 to 4 were simulated)",
        ),
    ],
)
def test_coverage_says_in_which_way_a_campaign_is_unlike_them(data, why):
    told = coverage(analysed(data), ())
    assert told.startswith(UNKNOWN)
    assert why in told
    assert SIMULATED not in told


@pytest.mark.parametrize(
    ("code", "why"),
    [
        ("large-residual", "a run lies far from the model"),
        ("drift", "values change with run order"),
        ("lack-of-fit", "the model misses the values by more than repeats scatter"),
    ],
)
def test_coverage_goes_with_notices_on_outliers_and_drift(code, why):
    assert why in coverage(analysed(plain()), {code})
    assert coverage(analysed(plain()), {"leverage"}).startswith(SIMULATED)


@pytest.mark.parametrize("by_day", [False, True])
@pytest.mark.parametrize("shift", [0.0, 30.0])
def test_coverage_looks_at_how_far_days_lie_apart_whether_or_not_a_fit_takes_them_out(
    shift, by_day
):
    """Four days, each set of settings spread over them; the last lies off by 30 scatters."""
    settings = runs_of(3)[np.random.default_rng(3).permutation(17)]
    days = tuple(1 + (i * 4) // 17 for i in range(17))
    off = shift * (np.array(days) == 4)
    data = data_of(settings, space_of(3), truth=lambda x: 50 + 5 * x[:, 0] + off)
    if by_day:
        data = replace(data, blocks=(("day", days),))
    analysis = analysed(data)
    told = with_settings(analysis, decision_of(analysis, {"y": data}, whole_box, days, 3))
    said = coverage(told, ())
    assert said.startswith(UNKNOWN if shift else SIMULATED)
    assert ("days or stages seem to shift by about" in said) == bool(shift)


@pytest.mark.parametrize(
    "response",
    [
        Response("y", "mg/g", "minimise"),
        Response("y", "mg/g", "below", limit=60.0),
        Response("y", "mg/g", "target", target=50.0, tolerance=5.0),
    ],
)
def test_coverage_is_not_known_for_other_aims(response):
    told = coverage(analysed(plain(), response=response), ())
    assert told.startswith(UNKNOWN)
    assert "the response is not to be as high as can be" in told


def test_coverage_is_not_known_for_several_responses():
    data, other = plain(), Response("z", "mg/g", "maximise")
    analysis = analyse([Y, other], linear_model(data.space), {"y": data, "z": data}, whole_box)
    assert "2 responses are weighed together (one was simulated)" in coverage(analysis, ())
    left = replace(analysed(data), unfitted=(other,))
    assert "z is left out" in coverage(left, ())
    assert "weighed together" not in coverage(left, ())


def test_levels_were_not_simulated():
    grind = FactorSpace((*space_of(2).factors, CategoricalFactor("grind", ("fine", "coarse"))))
    settings = np.hstack([np.tile(runs_of(2, 0), (2, 1)), np.repeat([[0.0], [1.0]], 8, axis=0)])
    assert "a factor has levels" in coverage(analysed(data_of(settings, grind)), ())


def test_whole_plots_have_a_coverage_of_their_own():
    settings = runs_of(3)
    order = np.argsort(settings[:, 0], kind="stable")
    settings = settings[order]
    plots = tuple((np.searchsorted([-1, 0, 1], settings[:, 0]) * 10 + np.arange(17) // 3).tolist())
    found = coverage(analysed(data_of(settings, space_of(3, "hard"), plots=plots)), ())
    assert "one of them set once a plot" in found
    assert "85 to 100 times in 100" in found


def recommended_for(data):
    return recommend_model(Y, data.space, data, 1, draws=1)


def test_acting_factors_are_those_of_the_recommended_model_and_of_the_screening():
    assert acting_factors(None, None) is None
    acting = acting_factors(recommended_for(plain()), None)
    assert acting is not None
    assert "temperature" in acting
    screened = SimpleNamespace(matter=("time",))
    nothing = recommended_for(plain(truth=lambda x: np.full(len(x), 50.0)))
    assert acting_factors(nothing, None) == frozenset()
    assert acting_factors(nothing, screened) == {"time"}


def stub(r2=0.5, unfitted=()):
    fits = tuple(
        SimpleNamespace(response=Response(name, "", "maximise"), model=linear_model(space_of(3)))
        for name in ("a", "b")
    )
    own = SimpleNamespace(groups_seen=1, r2_left_out=lambda: r2)
    analysis = analysed(plain())
    fitted = [replace(analysis.fits[0], response=fit.response) for fit in fits]
    return replace(analysis, fits=tuple(fitted), surrogates={"a": own, "b": own}, unfitted=unfitted)


LEEWAY = ((-0.2, 0.3), (-1.0, 1.0), (-0.97, 0.92))
HEAT = frozenset({"temperature"})


def test_free_is_what_acts_on_nothing_and_may_stray_over_nearly_all_its_range():
    found = shown(stub(), {"a": HEAT, "b": HEAT}, LEEWAY)
    assert found.free == (None, (-1.0, 1.0), (-0.9, 0.9))  # inwards, to settable values
    assert not found.guess
    assert found.sentences == ()
    both = shown(stub(), {"a": HEAT, "b": frozenset({"flow"})}, LEEWAY)
    assert both.free == (None, None, (-0.9, 0.9))
    narrow = shown(stub(), {"a": HEAT, "b": HEAT}, (LEEWAY[1], (-1.0, 0.5), LEEWAY[2]))
    assert narrow.free[:2] == (None, None)


def test_what_the_pressure_to_set_changes_with_is_never_free():
    acting = {"a": frozenset({"flow"}), "b": frozenset({"flow"})}
    wide = ((-1.0, 1.0),) * 3
    assert shown(stub(), acting, wide).free == (wide[0], None, wide[2])
    assert shown(stub(), acting, wide, (), ("temperature",)).free == (None, None, wide[2])


def test_nothing_is_free_where_a_response_was_not_judged():
    assert shown(stub(), {"a": HEAT, "b": None}, LEEWAY).free == (None,) * 3
    assert shown(stub(unfitted=(Y,)), {"a": HEAT, "b": HEAT}, LEEWAY).free == (None,) * 3
    assert shown(stub(), {"a": HEAT, "b": HEAT}, ()).free == (None,) * 3


def test_a_response_without_effect_is_named_and_others_keep_the_settings_from_being_a_guess():
    told = shown(stub(r2=0.6), {"a": frozenset(), "b": HEAT}, LEEWAY)
    assert told.sentences == ()  # surfaces foretell: too few plots let no term be taken
    assert told.free == (None,) * 3
    found = shown(stub(r2=0.2), {"a": frozenset(), "b": HEAT}, LEEWAY)
    assert found.sentences == (
        "No factor was shown to act on a: a plain mean describes the runs as well as any "
        "polynomial.",
    )
    assert not found.guess
    worse = shown(stub(r2=-0.1), {"a": frozenset(), "b": HEAT}, LEEWAY)
    assert worse.guess
    assert "No factor was shown to act on a:" in worse.sentences[0]
    assert worse.sentences[1].startswith("Of b runs left out are foretold no better")
    assert "a guess" in worse.sentences[2]
    assert Shown().sentences == ()


def evidence_of(data, model=quadratic_model):
    analysis = analysed(data, model)
    decision = decision_of(analysis, {"y": data}, whole_box, None, 3)
    return analysis, with_settings(analysis, decision).evidence


def test_polynomials_worse_than_a_mean_are_not_told_where_they_would_go():
    noisy, told = evidence_of(plain(truth=lambda x: np.full(len(x), 50.0)))
    assert polynomials_worse_than_mean(noisy)
    assert "alone would set is not told" in told
    assert "alone would set 0" not in told
    bent = plain(truth=lambda x: 50 + 9 * x[:, 0] - 9 * (x[:, 0] - 0.1) ** 2 - 3 * x[:, 1] ** 2)
    good, told = evidence_of(bent)
    assert not polynomials_worse_than_mean(good)
    assert "is not told" not in told
    assert "which says little" not in told


def foretold_by_hand(settings, values, columns):
    """Least squares, each run left out in turn and the others fitted again."""
    X = np.column_stack([np.ones(len(values)), *columns(settings)])
    found = np.empty(len(values))
    for i in range(len(values)):
        rest = np.arange(len(values)) != i
        found[i] = X[i] @ np.linalg.lstsq(X[rest], values[rest], rcond=None)[0]
    return found


def r2_by_hand(values, foretold):
    return 1 - np.sum((values - foretold) ** 2) / np.sum((values - values.mean()) ** 2)


def test_surfaces_are_held_against_the_polynomial_that_the_runs_speak_for():
    """A full quadratic of 10 terms on 10 to 17 runs would be a straw man."""
    data = plain(truth=lambda x: 9 * x[:, 0] - 9 * x[:, 0] ** 2)
    analysis = analysed(data, quadratic_model)
    told = with_settings(analysis, decision_of(analysis, {"y": data}, whole_box, None, 3))
    own = recommended_for(data)
    assert set(own.model.labels) == {"1", "temperature", "temperature²"}
    foretold = foretold_by_hand(data.planned, data.values, lambda x: (x[:, 0], x[:, 0] ** 2))
    assert own.foretold == pytest.approx(foretold)
    by_hand = r2_by_hand(data.values, foretold)
    assert not told.surrogates["y"].logarithmic
    assert by_hand > analysis.fits[0].r2_predicted + 0.02
    said = evidence_of_polynomials(told, {"y": own})
    assert (
        f"the recommended polynomial’s, of temperature and temperature², is {by_hand:.2f}" in said
    )
    assert "the fitted polynomials (full quadratic) alone would set" in said


def test_both_figures_are_of_the_log_where_the_surfaces_are():
    settings = runs_of(3)
    wobble = np.exp(0.3 * np.random.default_rng(5).normal(size=len(settings)))
    data = plain(truth=lambda x: np.exp(2 + 2 * x[:, 0] - 2 * x[:, 1] ** 2) * wobble, scatter=0.0)
    analysis = analysed(data, quadratic_model)
    told = with_settings(analysis, decision_of(analysis, {"y": data}, whole_box, None, 3))
    assert told.surrogates["y"].logarithmic
    own = recommended_for(data)
    one_below = np.where(np.arange(17) == 2, -1.0, own.foretold)
    some = own.foretold.clip(min=0.5)
    r2 = r2_by_hand(np.log(data.values), np.log(some))
    said = evidence_of_polynomials(told, {"y": replace(own, foretold=some)})
    assert f" is {r2:.2f}".replace("-", "−") in said
    said = evidence_of_polynomials(told, {"y": replace(own, foretold=one_below)})
    assert "cannot be worked out" in said


def test_agreement_with_polynomials_worse_than_a_mean_says_little():
    data = plain(truth=lambda x: np.full(len(x), 50.0))
    analysis = analysed(data, quadratic_model)
    decision = decision_of(analysis, {"y": data}, whole_box, None, 3)
    decision = decision.with_settings(analysis.optimum.settings[None])
    apart = np.abs(decision.candidates - analysis.optimum.settings).max(axis=1)
    same = with_settings(analysis, replace(decision, best=int(apart.argmin())))
    assert "agree on these settings, which says little" in same.evidence


def test_a_predicted_r2_that_does_not_exist_is_no_verdict_on_the_polynomial():
    """With values below a limit it is not worked out, whatever the polynomial is worth."""
    slanted = plain(
        truth=lambda x: 50 + 9 * x[:, 0] - 9 * (x[:, 0] - 0.1) ** 2 - 3 * x[:, 1] ** 2,
        censored=("below", *(None,) * 16),
    )
    analysis, told = evidence_of(slanted)
    assert analysis.fits[0].r2_predicted is None
    assert "(the fitted polynomial’s, full quadratic, cannot be worked out)" in told
    assert "none" not in told


def two_at_odds(noise=1.0):
    """More y wants heat and flow, less z wants neither: by invented planes, 17 runs."""
    settings, rng = runs_of(3), np.random.default_rng(4)
    x, flow, time = settings.T
    z = Response("z", "mg/L", "minimise")
    both = {
        "y": data_of(settings, space_of(3), lambda _: 60 + 12 * x + 5 * flow + 3 * time, noise),
        "z": data_of(settings, space_of(3), lambda _: 5 + 2 * x + 0.5 * flow, 0.0),
    }
    both["z"] = replace(both["z"], values=both["z"].values + 0.2 * rng.normal(size=17))
    analysis = analyse([Y, z], linear_model(space_of(3)), both, whole_box)
    return decision_of(analysis, both, whole_box, None, 3)


def test_no_settable_neighbour_beats_a_choice():
    decision = two_at_odds()
    found = choices_of(decision, whole_box)
    assert 3 <= len(found) <= 8
    for choice in found:
        steps = 0.1 * np.array(list(product((-2, -1, 0, 1, 2), repeat=3)))
        near = np.unique((choice.settings + steps).clip(-1, 1), axis=0)
        y, z = (decision.surrogates[name].predict(near).mean for name in "yz")
        at_y, at_z = (float(choice.predictions[name].mean[0]) for name in "yz")
        assert not ((y > at_y + 1e-3) & (z < at_z - 1e-3)).any()


def test_each_choice_gains_something_that_the_runs_can_tell():
    """A change of the other is no price worth naming; where scatter hides all, none is offered."""
    found = choices_of(two_at_odds(), whole_box)
    y, z = (np.array([float(c.predictions[name].mean[0]) for c in found]) for name in "yz")
    assert (np.diff(y) < 0).all()
    assert (np.diff(z) < 0).all()
    # a change of half the range is known to about 2 mg/g and 0.1 mg/L from 17 such runs
    assert np.abs(np.diff(y)).min() > 0.2
    assert np.abs(np.diff(z)).min() > 0.02
    assert len(choices_of(two_at_odds(noise=60.0), whole_box)) < len(found)
