"""What a design can see, against independent figures."""

import itertools

import numpy as np
import pytest

from doe.design.evaluation import prediction_variance
from doe.design.screening import fraction_points, full_factorial, regular_fractions
from doe.design.verdict import losses, what_it_sees
from doe.factors import FactorSpace, NumericFactor
from doe.terms import interaction_model, linear_model, quadratic_model


def factors(*names: str) -> FactorSpace:
    return FactorSpace(
        tuple(
            NumericFactor(n, "", -1, 1, None, "hard" if n == "temperature" else "easy")
            for n in names
        )
    )


def t_power(delta: float, df: int) -> float:
    """Power of a two-sided t test at 5 %, by scipy's noncentral t."""
    from scipy.stats import nct, t

    edge = t.isf(0.025, df)
    return float(nct.sf(edge, df, delta) + nct.cdf(-edge, df, delta))


SIX_PLOTS = np.array(
    [(t, *e) for t in (-1, -1, -1, 1, 1, 1) for e in itertools.product((-1, 1), repeat=2)], float
)


def test_verdict_in_whole_plots_against_the_noncentral_t():
    """Six plots of four, ratio 1, 3 mg/g on a scatter of 1.5: temperature is the difference of
    two means of three plots, each of variance σp² + σ²/4; flow one of two means of 12 runs. Two
    more plots, one at each end, make four plots a mean."""
    sight = what_it_sees(
        linear_model(factors("temperature", "time", "flow")),
        SIX_PLOTS,
        3.0,
        1.5,
        "mg/g",
        plots=np.repeat(range(6), 4),
        variance_ratio=1.0,
    )
    plot_sd = 1.5 * np.sqrt(1 + 1 / 4)
    now = t_power(3 / (plot_sd * np.sqrt(2 / 3)), 4)
    then = t_power(3 / (plot_sd * np.sqrt(2 / 4)), 6)
    flow = t_power(3 / (1.5 * np.sqrt(2 / 12)), 16)
    assert flow > 0.99
    assert (
        f"can detect 3 mg/g in time and flow with over 99 % power, but in temperature, with six"
        f" whole plots, only with {int(100 * now)} % power"
    ) in sight.verdict
    assert (
        "Six whole plots over two settings of temperature leave four degrees of freedom to judge"
        " temperature by (four from repeated plots), and 16 to judge what changes within a plot"
    ) in sight.verdict
    assert (
        "repeating two of the plots would take those of temperature from four to six, and its"
        f" power from {int(100 * now)} % to {int(100 * then)} %"
    ) in sight.verdict


def test_plots_of_unlike_size_are_not_counted_twice_in_two_ways():
    """Satterthwaite's degrees of freedom fall below the count where plots differ in size; one
    sentence may not call both the ones that judge temperature."""
    sizes = (1, 1, 1, 1, 8, 12)
    plots = [plot for plot, size in enumerate(sizes) for _ in range(size)]
    flows = [(-1.0, 1.0, 0.5, -0.5)[i % 4] for i in range(len(plots))]
    coded = np.array([[(-1.0) ** plot, flow] for plot, flow in zip(plots, flows, strict=True)])
    sight = what_it_sees(
        linear_model(factors("temperature", "flow")),
        coded,
        3.0,
        1.0,
        "%",
        plots=plots,
        variance_ratio=1.0,
    )
    judging = next(p for p in sight.powers if p.label == "temperature")
    assert sight.plot_degrees is not None
    assert round(judging.df) < sight.plot_degrees.plot_error == 4
    assert "leave four degrees of freedom to judge temperature by" in sight.verdict
    assert "in effect judged by about three" in sight.verdict
    assert "those of temperature from" not in sight.verdict


def test_six_plots_over_three_temperatures_say_three_degrees_of_freedom():
    runs = np.array(
        [
            (t, *e)
            for t in (-1, -1, 0, 0, 1, 1)
            for e in [(-1, -1), (-1, 1), (1, -1), (1, 1), (0, 0)]
        ]
    )
    model = quadratic_model(factors("temperature", "time", "flow"))
    model = model.without([model.terms[-1]])
    sight = what_it_sees(model, runs, 3, 1, plots=np.repeat(range(6), 5), variance_ratio=1.0)
    assert (
        "Six whole plots over three settings of temperature leave three degrees of freedom"
        in sight.verdict
    )
    assert "would take those of temperature from three to five" in sight.verdict
    assert "It cannot separate time² from flow²." in sight.verdict


def test_verdict_without_plots():
    runs = np.vstack([full_factorial(2)] * 2)
    sight = what_it_sees(linear_model(factors("time", "flow")), runs, 2.0, 1.0, "mg/g")
    now = t_power(2 / np.sqrt(2 / 4), 5)
    assert f"can detect 2 mg/g in time and flow only with {int(100 * now)} % power" in sight.verdict
    assert "Eight runs leave five degrees of freedom to judge the terms by: four from" in (
        sight.verdict
    )
    assert sight.plot_degrees is None


def test_mixed_up_terms_of_a_fraction():
    """2^(4−1), D = ABC: AB = CD, AC = BD, AD = BC (Montgomery, section 8-2)."""
    runs = fraction_points(regular_fractions(4)[1])
    space = factors("a", "b", "c", "d")
    sight = what_it_sees(linear_model(space), runs, 3.0, 1.0)
    (said,) = [s for s in sight.sentences if s.startswith("It cannot separate")]
    pairs = [("a × b", "c × d"), ("a × c", "b × d"), ("a × d", "b × c")]
    assert all(f"{x} from {y}" in said or f"{y} from {x}" in said for x, y in pairs)
    (bends,) = [s for s in sight.sentences if s.startswith("It cannot see")]
    assert "a², b², c² or d²" in bends
    clear = what_it_sees(interaction_model(space), full_factorial(4), 3.0, 1.0)
    assert "separate" not in clear.verdict


def test_no_run_to_spare_is_said():
    sight = what_it_sees(interaction_model(factors("a", "b")), full_factorial(2), 3.0, 1.0)
    assert "nothing is left to judge any effect by" in sight.verdict
    assert "Losing any one of runs 1, 2, 3 or 4 would cost a, b and a × b altogether." in (
        sight.verdict
    )


@pytest.mark.parametrize("ratio", [0.0, 1.5])
def test_losses_against_leaving_each_run_out(ratio):
    generator = np.random.default_rng(2)
    model = quadratic_model(factors("temperature", "b"))
    runs = np.vstack([generator.uniform(-1, 1, (9, 2)), [[-1, -1]], [[1, 1]]])
    region = generator.uniform(-1, 1, (200, 2))
    plots = [1, 1, 1, 2, 2, 2, 3, 3, 3, 4, 5]
    kwargs = {"plots": plots, "variance_ratio": ratio} if ratio else {}

    def average(kept) -> float:
        own = {"plots": np.array(plots)[kept], "variance_ratio": ratio} if ratio else {}
        return float(prediction_variance(model, runs[kept], region, **own).mean())

    whole = average(list(range(11)))
    for i, loss in enumerate(losses(model, runs, region, **kwargs)):
        kept = [j for j in range(11) if j != i]
        assert loss.run == i + 1
        assert loss.i_rise == pytest.approx(average(kept) / whole)
        assert loss.lost == ()
        if not ratio:  # det M falls by 1 − leverage
            h = prediction_variance(model, runs, runs)[i]
            assert loss.d_kept == pytest.approx((1 - h) ** (1 / 6))


def test_a_run_that_alone_carries_a_term():
    """x at −1 and +1 four times each, and one run at 0: only that run sees the bend."""
    runs = np.array([[-1.0]] * 4 + [[1.0]] * 4 + [[0.0]])
    found = losses(quadratic_model(factors("x")), runs)
    assert [loss.lost for loss in found[:8]] == [()] * 8
    assert found[8].lost == ("1", "x²")
    assert found[8].d_kept == 0


def test_blocks_cost_their_degrees_of_freedom():
    """A 2² run twice, a block each: 8 runs, 3 terms, 1 block effect, so 4 degrees of freedom; the
    noncentral t with them, as the blocks are orthogonal to the effects."""
    space = FactorSpace((NumericFactor("a", "", -1, 1), NumericFactor("b", "", -1, 1)))
    runs = np.vstack([space.corners(), space.corners()])
    sight = what_it_sees(linear_model(space), runs, 4.0, 1.5, blocks=[1] * 4 + [2] * 4)
    assert sight.degrees.blocks == 1
    assert sight.degrees.residual == 4
    expected = t_power(2.0 / (1.5 / np.sqrt(8)), 4)
    assert [p.power for p in sight.powers] == pytest.approx([expected] * 2, rel=1e-6)


def test_losing_a_run_is_judged_with_the_blocks_effects_beside():
    """16 runs in four blocks against regressions with three block columns, run by run."""
    space = factors("a", "b", "c")
    model = quadratic_model(space)
    rng = np.random.default_rng(3)
    runs = np.vstack([space.corners(), rng.choice([-1.0, 0.0, 1.0], (8, 3))])
    blocks = [1, 2, 3, 4] * 4
    region = rng.uniform(-1, 1, (50, 3))
    X = np.column_stack([model.matrix(runs), np.eye(4)[np.array(blocks) - 1][:, 1:]])
    F = np.column_stack([model.matrix(region), np.zeros((50, 3))])
    F = F + np.r_[np.zeros(len(model)), [0.25] * 3]

    def average(rows) -> float:
        p = len(model)
        C = np.linalg.inv(rows.T @ rows)[:p, :p]
        return float(np.einsum("ij,jk,ik->i", F[:, :p], C, F[:, :p]).mean())

    def centred(rows):
        Z = rows[:, len(model) :]
        return np.column_stack([rows[:, : len(model)], Z - 0.25])

    found = losses(model, runs, region, blocks=blocks)
    whole = average(centred(X))
    for loss in found:
        left = np.delete(X, loss.run - 1, axis=0)
        if np.linalg.matrix_rank(left) < left.shape[1]:
            assert loss.lost
            continue
        assert loss.i_rise == pytest.approx(average(centred(left)) / whole, rel=1e-6)


def test_of_definitive_screening_every_second_order_term_is_spread():
    """21 second-order terms on 13 runs of six factors: none is determined beside the others."""
    from doe.design.definitive import definitive_screening

    space = FactorSpace(tuple(NumericFactor(n, "", -1, 1) for n in "abcdef"))
    runs = definitive_screening(6).points
    verdict = what_it_sees(linear_model(space), runs, 3.0, 1.0).verdict
    assert "What any of the 21 interactions and bends would do" in verdict


def test_what_no_run_shows_is_said():
    """One factor at a time: no run changes two, so interactions are not seen at all."""
    space = factors("a", "b")
    runs = np.array([[0, 0], [0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]], float)
    verdict = what_it_sees(linear_model(space), runs, 3.0, 1.0).verdict
    assert "It cannot see a × b: no run changes both factors." in verdict
