"""Least squares against the NIST/SEMATECH e-Handbook and Montgomery, within printed digits."""

import itertools

import numpy as np
import pytest
from published_data import Printed, Y, coded_space, columns, estimates_by_word, model_of, observed
from scipy import stats

from doe.analysis.fit import fit_response
from doe.analysis.mixed import fit_mixed
from doe.analysis.screening_effects import lenth, screen
from doe.analysis.transformation import NONE, log
from doe.factors import CategoricalFactor, FactorSpace, NumericFactor
from doe.terms import interaction_model, linear_model, quadratic_model


def table_of(name, factors, response="y"):
    table = columns("statistics", name)
    space = coded_space(len(factors), names=factors)
    return observed(space, np.column_stack([table[f] for f in factors]), table[response])


def fit_words(data, *words):
    return fit_response(Y, model_of(data.space, *words), data)


def press(fit):
    return (1 - fit.r2_predicted) * fit.ss_total


def letters(label):
    """``X1:X3`` as AC, and A:C as AC."""
    return "".join("ABCDE"[int(p[1]) - 1] if p[1:] else p for p in label.split(":"))


@pytest.mark.parametrize("model", ["linear", "quadratic", "cubic"])
def test_chemical_ccd_nested_models_against_nist_5_5_3_1_4(model):
    printed, data = Printed("nist_chem_ccd"), table_of("nist_chem_ccd", ["x1", "x2"])
    words = {"linear": ["A", "B"], "quadratic": ["A", "B", "AB", "AA", "BB"]}
    words["cubic"] = [*words["quadratic"], "AAB", "ABB"]
    fit = fit_words(data, *words[model])
    lack = fit.lack_of_fit
    assert fit.r2 == printed[f"{model} R2"]
    assert fit.r2_adjusted == printed[f"{model} adjR2"]
    assert fit.r2_predicted == printed[f"{model} predR2"]
    assert press(fit) == printed[f"{model} PRESS"]
    assert fit.residual_sd == printed[f"{model} root MSE"]
    assert lack.ss_lack == printed[f"{model} LOF SS"]
    assert lack.ss_lack / lack.df_lack == printed[f"{model} LOF MS"]
    assert lack.f == printed[f"{model} LOF F"]
    assert lack.p_value == printed[f"{model} LOF p"]
    assert lack.ss_pure == printed["pure error"]


def test_chemical_ccd_coefficients_against_nist_5_5_3_1_4():
    printed, data = Printed("nist_chem_ccd"), table_of("nist_chem_ccd", ["x1", "x2"])
    found = estimates_by_word(fit_response(Y, quadratic_model(data.space), data))
    names = {"Intercept": "", "x1": "A", "x2": "B", "I(x1 ** 2)": "AA", "I(x2 ** 2)": "BB"}
    for name, word in (names | {"x1:x2": "AB"}).items():
        assert found[word].coefficient == printed[f"coef {name}"]


def check_coefficients(fit, printed, prefix, names):
    found = estimates_by_word(fit)
    for name, word in names.items():
        e = found[word]
        assert e.coefficient == printed[f"{prefix} coef {name}"]
        assert e.standard_error == printed[f"{prefix} SE {name}"]
        assert e.coefficient / e.standard_error == printed[f"{prefix} t {name}"]
        assert e.p_value == printed[f"{prefix} p {name}"]


def test_vapour_deposition_uniformity_full_model_against_nist_5_4_7_3():
    printed = Printed("nist_cvd_cci")
    data = table_of("nist_cvd_cci", ["p_coded", "h_coded"], "uniformity")
    fit = fit_response(Y, quadratic_model(data.space), data)
    names = {"Intercept": "", "P": "A", "H": "B", "P:H": "AB", "I(P ** 2)": "AA", "I(H ** 2)": "BB"}
    check_coefficients(fit, printed, "unif full", names)
    assert fit.residual_sd == printed["unif full RSE"]
    assert fit.r2 == printed["unif full R2"]
    assert fit.r2_adjusted == printed["unif full adjR2"]
    assert fit.f_model == printed["unif full F"]
    assert fit.p_model == printed["unif full p"]


@pytest.mark.parametrize(
    ("response", "short", "words", "names"),
    [
        (
            "uniformity",
            "unif",
            ["A", "B", "AB"],
            {"Intercept": "", "P": "A", "H": "B", "P:H": "AB"},
        ),
        (
            "stress",
            "stress",
            ["A", "B", "AA"],
            {"Intercept": "", "P": "A", "H": "B", "I(P ** 2)": "AA"},
        ),
    ],
)
def test_vapour_deposition_reduced_models_against_nist_5_4_7_3(response, short, words, names):
    printed = Printed("nist_cvd_cci")
    fit = fit_words(table_of("nist_cvd_cci", ["p_coded", "h_coded"], response), *words)
    names = {"Intercept": "", "P": "A", "H": "B"} | names
    check_coefficients(fit, printed, f"{short} red", names)
    reduced = f"{short} reduced"
    assert fit.ss_model == printed[f"{reduced} model SS"]
    assert fit.ss_residual == printed[f"{reduced} error SS"]
    assert fit.f_model == printed[f"{reduced} F"]
    assert fit.p_model == printed[f"{reduced} p"]
    assert fit.residual_sd == printed[f"{reduced} RSE"]
    assert fit.r2 == printed[f"{reduced} R2"]
    assert fit.r2_adjusted == printed[f"{reduced} adjR2"]
    assert fit.lack_of_fit.ss_lack == printed[f"{reduced} LOF SS"]
    assert fit.lack_of_fit.ss_pure == printed[f"{reduced} PE SS"]
    assert fit.lack_of_fit.f == printed[f"{reduced} LOF F"]
    assert fit.lack_of_fit.p_value == printed[f"{reduced} LOF p"]


def test_vapour_deposition_stress_full_model_is_the_all_coded_fit():
    """The page mixes codings; the all-coded figures are those under `notes` of the reference."""
    data = table_of("nist_cvd_cci", ["p_coded", "h_coded"], "stress")
    fit = fit_response(Y, quadratic_model(data.space), data)
    noted = {"": 7.79004, "A": 0.73593, "B": 0.49686, "AB": 0.06943, "AA": -0.52873, "BB": -0.11873}
    for word, value in noted.items():
        assert estimates_by_word(fit)[word].coefficient == pytest.approx(value, abs=1e-5)
    assert fit.residual_sd == pytest.approx(0.07707, abs=1e-5)


CERAMIC = ["X1", "X2", "X3", "X4", "X5"]
CERAMIC_12 = ["A", "B", "C", "D", "E", "AB", "AC", "AD", "BD", "CD", "DE", "ABD"]


def test_ceramic_strength_26_terms_against_nist_5_4_7_1():
    printed, data = (
        Printed("nist_ceramic_2to5"),
        table_of("nist_ceramic_2to5", CERAMIC, "strength"),
    )
    words = ["".join(w) for size in (1, 2, 3) for w in itertools.combinations("ABCDE", size)]
    fit = fit_words(data, *words)
    assert fit.r2 == printed["26-term RSquare"]
    assert fit.r2_adjusted == printed["26-term RSquare adj"]
    assert fit.residual_sd == printed["26-term RMSE"]
    assert fit.estimates[0].coefficient == printed["mean"]
    tests = {"".join("ABCDE"[i] * p for i, p in enumerate(t.term.powers)): t for t in fit.tests}
    listed = [q for q in printed.checks if q.startswith("26-term SS ")]
    assert len(listed) == 19
    for quantity in listed:
        name = quantity.removeprefix("26-term SS ")
        test = tests[letters(name)]
        assert test.sum_of_squares == printed[quantity]
        assert test.f == printed[f"26-term F {name}"]
        if printed.checks[f"26-term p {name}"]["printed"] == "<0.0001":
            assert test.p_value < 0.0001
        else:
            assert test.p_value == printed[f"26-term p {name}"]


def test_ceramic_strength_12_terms_against_nist_5_4_7_1():
    printed = Printed("nist_ceramic_2to5")
    fit = fit_words(table_of("nist_ceramic_2to5", CERAMIC, "strength"), *CERAMIC_12)
    assert fit.r2 == printed["12-term RSquare"]
    assert fit.r2_adjusted == printed["12-term RSquare adj"]
    assert fit.residual_sd == printed["12-term RMSE"]
    tests = {"".join("ABCDE"[i] * p for i, p in enumerate(t.term.powers)): t for t in fit.tests}
    for name in ("X1", "X2", "X1:X2", "X1:X3", "X1:X2:X4", "X4:X5"):
        assert tests[letters(name)].f == printed[f"12-term F {name}"]
        if name == "X1:X2:X4":
            assert tests[letters(name)].p_value < 0.0001
        else:
            assert tests[letters(name)].p_value == printed[f"12-term p {name}"]


def test_ceramic_strength_transformed_11_terms_against_nist_5_4_7_1():
    """Box–Cox with 0.2 in its scaled form.

    The page prints the five two-factor interactions with the sign opposite to the product of its
    own columns (see the reference's notes), so for those the negative is compared.
    """
    printed = Printed("nist_ceramic_2to5")
    y = columns("statistics", "nist_ceramic_2to5")["strength"]
    scale = 0.2 * np.exp(np.log(y).mean()) ** (0.2 - 1)
    data = table_of("nist_ceramic_2to5", CERAMIC, "strength")
    data = observed(data.space, data.achieved, (y**0.2 - 1) / scale)
    fit = fit_words(data, *(w for w in CERAMIC_12 if w != "DE"))
    assert fit.r2 == printed["11-term transformed RSquare"]
    assert fit.r2_adjusted == printed["11-term transformed RSquare adj"]
    assert fit.residual_sd == printed["11-term transformed RMSE"]
    assert fit.estimates[0].coefficient == printed["11-term transformed mean"]
    found = estimates_by_word(fit)
    listed = [q for q in printed.checks if q.startswith("11-term coef ")]
    assert len(listed) == 11
    for quantity in listed:
        name = quantity.removeprefix("11-term coef ").split(" (")[0]
        sign = -1 if name.count(":") == 1 else 1
        assert sign * found[letters(name)].coefficient == printed[quantity]
    for name in ("X1", "X2", "X1:X3", "X1:X4", "X2:X4"):
        assert found[letters(name)].p_value == printed[f"11-term p {name}"]


def test_eddy_current_coefficients_against_nist_5_6_1():
    """Without the three-factor term, since a saturated fit is refused; the rest is orthogonal."""
    printed = Printed("nist_eddy_current_2to3")
    data = table_of("nist_eddy_current_2to3", ["X1", "X2", "X3"], "sensitivity")
    found = estimates_by_word(fit_response(Y, interaction_model(data.space), data))
    for name in ("X1", "X2", "X3", "X1:X2", "X1:X3", "X2:X3"):
        assert found[letters(name)].coefficient == printed[f"coef {name}"]
    assert found[""].coefficient == printed["coef Intercept"]


def test_eddy_current_reduced_model_against_nist_5_6_1():
    printed = Printed("nist_eddy_current_2to3")
    data = table_of("nist_eddy_current_2to3", ["X1", "X2", "X3"], "sensitivity")
    fit = fit_words(data, "A", "B")
    found = estimates_by_word(fit)
    assert found["A"].standard_error == printed["reduced SE"]
    assert found["A"].coefficient / found["A"].standard_error == printed["reduced t X1"]
    assert found["B"].coefficient / found["B"].standard_error == printed["reduced t X2"]
    assert found["A"].p_value == printed["reduced p X1"]
    assert found[""].p_value == printed["reduced p intercept"]
    assert fit.residual_sd == printed["reduced RSE"]
    assert fit.r2 == printed["reduced R2"]
    assert fit.r2_adjusted == printed["reduced adjR2"]
    assert fit.f_model == printed["reduced F"]
    assert fit.p_model == printed["reduced p"]
    assert fit.predict([[-1, -1, 0]]).mean[0] == printed["reduced pred(-1,-1)"]
    for i, residual in enumerate(fit.residuals):
        assert residual == printed[f"residual {i + 1}"]


def test_eddy_current_residual_sd_term_by_term_against_nist_5_6_1():
    printed = Printed("nist_eddy_current_2to3")
    data = table_of("nist_eddy_current_2to3", ["X1", "X2", "X3"], "sensitivity")
    words: list[str] = []
    for name in ("X1", "X2", "X2:X3", "X1:X3", "X3", "X1:X2:X3"):
        words.append(letters(name))
        assert (
            fit_words(data, *words).residual_sd == printed[f"cumulative residual SD after {name}"]
        )


def test_filtration_effects_against_montgomery_example_6_2():
    """Effects are twice the coefficients; without the four-factor term, as it saturates the fit."""
    printed, data = Printed("mont_filtration_2to4"), table_of("mont_filtration_2to4", list("ABCD"))
    words = ["".join(w) for size in (1, 2, 3) for w in itertools.combinations("ABCD", size)]
    found = estimates_by_word(fit_words(data, *words))
    for word in words:
        assert 2 * found[word].coefficient == printed[f"effect {word}"]
        assert found[word].sum_of_squares == printed[f"SS {word}"]


def test_filtration_projected_model_against_montgomery_table_6_13():
    printed, data = Printed("mont_filtration_2to4"), table_of("mont_filtration_2to4", list("ABCD"))
    fit = fit_words(data, "A", "C", "D", "AC", "AD", "CD", "ACD")
    assert fit.residual_sd**2 == printed["error MS"]
    found = estimates_by_word(fit)
    for name in ("A", "C", "D", "A:C", "A:D"):
        e = found[name.replace(":", "")]
        assert (e.coefficient / e.standard_error) ** 2 == printed[f"projected F {name}"]
    fit = fit_words(data, "A", "C", "D", "AC", "AD")
    at = {"(1)": (-1, -1, -1, -1), "ad": (1, -1, -1, 1), "acd": (1, -1, 1, 1)}
    for name, setting in at.items():
        assert fit.predict([setting]).mean[0] == printed[f"fitted {name}"]


def test_fill_height_full_model_against_montgomery_example_6_1():
    printed, data = Printed("mont_fill_height_2to3"), table_of("mont_fill_height_2to3", list("ABC"))
    words = ["A", "B", "C", "AB", "AC", "BC", "ABC"]
    fit = fit_words(data, *words)
    for test, word in zip(fit.tests, words, strict=True):
        assert test.sum_of_squares == printed[f"SS {word}"]
        assert 100 * test.sum_of_squares / fit.ss_total == printed[f"% {word}"]
        if len(word) < 3:
            assert test.f == printed[f"F {':'.join(word)}"]
            if word != "A":
                assert test.p_value == printed[f"p {':'.join(word)}"]
    assert (fit.f_model, fit.p_model) == (printed["full model F"], printed["full model p"])
    assert (fit.r2, fit.r2_adjusted) == (printed["full R2"], printed["full adjR2"])
    assert (press(fit), fit.r2_predicted) == (printed["full PRESS"], printed["full predR2"])
    assert fit.lack_of_fit.df_lack == 0
    assert fit.lack_of_fit.f is None


def test_fill_height_reduced_model_against_montgomery_example_6_1():
    printed, data = Printed("mont_fill_height_2to3"), table_of("mont_fill_height_2to3", list("ABC"))
    fit = fit_words(data, "A", "B", "C", "AB")
    assert (fit.ss_model, fit.f_model) == (printed["reduced model SS"], printed["reduced F"])
    assert fit.ss_residual == printed["reduced residual SS"]
    assert fit.lack_of_fit.ss_lack == printed["reduced LOF SS"]
    assert fit.lack_of_fit.f == printed["reduced LOF F"]
    assert fit.lack_of_fit.p_value == printed["reduced LOF p"]
    assert (fit.r2, fit.r2_adjusted) == (printed["reduced R2"], printed["reduced adjR2"])
    assert (press(fit), fit.r2_predicted) == (printed["reduced PRESS"], printed["reduced predR2"])
    assert [fit.leverage.min(), fit.leverage.max()] == [printed["reduced leverage"]] * 2
    tests = {t.label: t for t in fit.tests}
    assert tests["A"].f == printed["reduced F A"]
    assert tests["A × B"].f == printed["reduced F AB"]
    assert tests["A × B"].p_value == printed["reduced p AB"]
    assert tests["C"].p_value == printed["reduced p C"]


@pytest.mark.parametrize("which", [1, 2])
def test_first_order_models_against_montgomery_example_11_1(which):
    """Interaction and curvature together are what the first-order model lacks."""
    name = f"mont_chem_first_order_{which}"
    printed, data = Printed(name), table_of(name, ["x1", "x2"])
    fit = fit_response(Y, linear_model(data.space), data)
    assert [e.coefficient for e in fit.estimates] == [printed[b] for b in ("b0", "b1", "b2")]
    assert fit.ss_model == printed["model SS"]
    assert fit.ss_residual == printed["residual SS"]
    assert fit.ss_total == printed["total"]
    lack = fit.lack_of_fit
    assert lack.ss_pure == printed["pure error SS"]
    assert lack.ss_pure / lack.df_pure == printed["pure error MS"]
    with_both = fit_response(Y, interaction_model(data.space), data)
    interaction = with_both.estimates[-1].sum_of_squares
    assert interaction == printed["interaction SS"]
    assert with_both.lack_of_fit.ss_lack == printed["curvature SS"]
    assert with_both.lack_of_fit.f == printed["curvature F"]
    assert with_both.lack_of_fit.p_value == printed["curvature p"]
    assert lack.ss_lack == pytest.approx(interaction + with_both.lack_of_fit.ss_lack)
    if which == 1:
        assert (fit.f_model, fit.p_model) == (printed["model F"], printed["model p"])


def test_first_order_model_against_nist_5_5_3_1_1():
    printed = Printed("nist_steepest_ascent_1")
    data = table_of("nist_steepest_ascent_1", ["x1", "x2"])
    fit = fit_response(Y, linear_model(data.space), data)
    assert [e.coefficient for e in fit.estimates] == [printed[b] for b in ("b0", "b1", "b2")]
    assert (fit.ss_model, fit.ss_total) == (printed["model SS"], printed["total SS"])
    assert fit.r2 == printed["R2"]
    assert fit.lack_of_fit.ss_pure == printed["pure error SS"]
    with_both = fit_response(Y, interaction_model(data.space), data)
    assert with_both.estimates[-1].sum_of_squares == printed["LOF SS"]
    assert with_both.lack_of_fit.ss_lack == printed["curvature SS"]


def test_chemical_ccd_sequential_sums_of_squares_against_nist_5_5_3_1_4():
    """What each order adds, judged by what is left by the model with it."""
    printed, data = Printed("nist_chem_ccd"), table_of("nist_chem_ccd", ["x1", "x2"])
    quadratic = ["A", "B", "AB", "AA", "BB"]
    fits = [fit_words(data, *w) for w in (["A", "B"], quadratic, [*quadratic, "AAB", "ABB"])]
    assert fits[-1].ss_residual == printed["residual"]
    before = 0.0
    for name, fit, terms in zip(("linear", "quadratic", "cubic"), fits, (2, 3, 2), strict=True):
        added = fit.ss_model - before
        f, before = added / terms / fit.residual_sd**2, fit.ss_model
        assert added == printed[f"seq {name} SS"]
        assert f == printed[f"F {name}"]
        assert stats.f.sf(f, terms, fit.df_residual) == printed[f"p {name}"]


def test_curvature_and_lack_of_fit_against_nist_5_5_3_1_1():
    """The page takes curvature out of the residual; on these points x1² is the curvature."""
    printed = Printed("nist_steepest_ascent_1")
    fit = fit_words(table_of("nist_steepest_ascent_1", ["x1", "x2"]), "A", "B", "AA")
    tests = {t.label: t for t in fit.tests}
    curvature = tests["x1²"]
    assert curvature.sum_of_squares == printed["curvature SS"]
    assert (curvature.f, curvature.p_value) == (printed["curvature F"], printed["curvature p"])
    assert (fit.ss_residual, fit.residual_sd**2) == (printed["residual SS"], printed["residual MS"])
    model_f = (tests["x1"].f + tests["x2"].f) / 2  # orthogonal to one another and to curvature
    assert model_f == printed["model F"]
    assert stats.f.sf(model_f, 2, fit.df_residual) == printed["model p"]
    lack = fit.lack_of_fit
    assert (lack.f, lack.p_value) == (printed["LOF F (printed)"], printed["LOF p (printed)"])
    assert lack.ss_pure / lack.df_pure == printed["pure error MS"]


@pytest.mark.parametrize("which", [1, 2])
def test_interaction_by_pure_error_against_montgomery_example_11_1(which):
    name = f"mont_chem_first_order_{which}"
    printed, data = Printed(name), table_of(name, ["x1", "x2"])
    fit = fit_response(Y, interaction_model(data.space), data)
    lack = fit.lack_of_fit
    f = fit.estimates[-1].sum_of_squares / (lack.ss_pure / lack.df_pure)
    assert f == printed["interaction F"]
    if which == 2:
        f = round(f, 2)  # its printed p is that of the printed F; the data give 0.0956
    assert stats.f.sf(f, 1, lack.df_pure) == printed["interaction p"]


def test_backward_steps_by_information_criterion_against_nist_5_4_7_3():
    """The page's criterion is n·ln(RSS/n) + 2p; it drops H², then P², then H (against
    hierarchy)."""
    printed = Printed("nist_cvd_cci")
    data = table_of("nist_cvd_cci", ["p_coded", "h_coded"], "uniformity")

    def criterion(*words):
        fit = fit_words(data, *words)
        n = len(fit.values)
        return n * np.log(fit.ss_residual / n) + 2 * len(fit.model)

    assert criterion("A", "B", "AB", "AA", "BB") == printed["unif full AIC start"]
    assert criterion("A", "B", "AB", "AA") == printed["unif AIC after dropping H^2"]
    assert criterion("A", "B", "AB") == printed["unif AIC after dropping P^2"]
    assert criterion("A", "AB") == printed["unif AIC after dropping H"]


def catapult():
    """Coded as printed (62 counts as the middle of stop); bands is a factor with two levels."""
    table = columns("statistics", "nist_catapult_2to5m1")
    numeric = [NumericFactor(name, "", -1, 1) for name in "hsle"]
    space = FactorSpace((numeric[0], numeric[1], CategoricalFactor("b", ("1", "2")), *numeric[2:]))
    points = np.column_stack([table["h"], table["s"], (table["b"] + 1) / 2, table["l"], table["e"]])
    return observed(space, points, table["distance"])


CATAPULT_PAIRS = ["AB", "AC", "AD", "AE", "BC", "BD", "BE", "CD", "CE", "DE"]


def catapult_word(name):
    """``h*s`` as AB."""
    return "".join("ABCDE"["hsble".index(c)] for c in name.replace("*", ""))


@pytest.mark.parametrize(("kind", "scale"), [("raw", NONE), ("log", log())])
def test_catapult_with_interactions_against_nist_5_4_7_2(kind, scale):
    printed, data = Printed("nist_catapult_2to5m1"), catapult()
    model = model_of(data.space, *"ABCDE", *CATAPULT_PAIRS)
    fit = fit_response(Y, model, data, transformation=scale)
    listed = [
        q.removeprefix(f"{kind} full coef ") for q in printed.checks if f"{kind} full coef" in q
    ]
    assert len(listed) == 16
    names = {name: "" if name == "Intercept" else catapult_word(name) for name in listed}
    check_coefficients(fit, printed, f"{kind} full", names)
    assert fit.residual_sd == printed[f"{kind} full RSE"]
    assert (fit.r2, fit.r2_adjusted) == (printed[f"{kind} full R2"], printed[f"{kind} full adjR2"])
    assert (fit.f_model, fit.p_model) == (printed[f"{kind} full F"], printed[f"{kind} full p"])


def test_catapult_six_terms_against_nist_5_4_7_2():
    """Pure error has two degrees of freedom: centres repeat within each number of bands.

    The printed mean square of the model, 3691.6, is not its printed sum of squares over six.
    """
    printed, data = Printed("nist_catapult_2to5m1"), catapult()
    fit = fit_words(data, *"ABCDE", "CD")
    names = {"Intercept": "", "h": "A", "s": "B", "b": "C", "l": "D", "e": "E", "b:l": "CD"}
    check_coefficients(fit, printed, "6-term", names)
    lack = fit.lack_of_fit
    assert (fit.ss_model, fit.ss_residual) == (
        printed["6-term raw model SS"],
        printed["6-term raw error SS"],
    )
    assert (fit.f_model, fit.p_model) == (printed["6-term raw F"], printed["6-term raw p"])
    assert (lack.df_pure, lack.ss_pure) == (2, printed["6-term raw PE SS"])
    assert lack.ss_lack == printed["6-term raw LOF SS"]
    assert (lack.f, lack.p_value) == (printed["6-term raw LOF F"], printed["6-term raw LOF p"])
    assert (fit.r2, fit.r2_adjusted) == (printed["6-term raw R2"], printed["6-term raw adjR2"])
    assert fit.residual_sd == printed["6-term raw RSE"]
    assert fit.fitted[9] == printed["run 10 predicted (printed -11)"]


def test_catapult_logarithm_of_main_effects_against_nist_5_4_7_2():
    """F is printed 36.285, from rounded sums of squares; the data give 36.2838."""
    printed, data = Printed("nist_catapult_2to5m1"), catapult()
    fit = fit_response(Y, model_of(data.space, *"ABCDE"), data, transformation=log())
    lack = fit.lack_of_fit
    short = "main-effects log"
    assert fit.ss_model == printed[f"{short} model SS"]
    assert fit.f_model == pytest.approx(36.285, abs=0.002)
    assert fit.p_model == printed[f"{short} p"]
    assert fit.ss_residual == printed[f"{short} error SS"]
    assert (lack.ss_lack, lack.ss_pure) == (printed[f"{short} LOF SS"], printed[f"{short} PE SS"])
    assert (lack.f, lack.p_value) == (printed[f"{short} LOF F"], printed[f"{short} LOF p"])
    assert (fit.r2, fit.r2_adjusted) == (printed[f"{short} R2"], printed[f"{short} adjR2"])
    found = estimates_by_word(fit)
    for name, word in zip("hsble", "ABCDE", strict=True):
        e = found[word]
        assert e.coefficient / e.standard_error == printed[f"log ME t {name}"]
        assert e.p_value == printed[f"log ME p {name}"]
    assert (fit.predict(data.achieved).mean > 0).all()


def test_fill_height_effects_against_montgomery_example_6_1():
    printed, data = Printed("mont_fill_height_2to3"), table_of("mont_fill_height_2to3", list("ABC"))
    fit = fit_words(data, "A", "B", "C", "AB", "AC", "BC", "ABC")
    for word in ("A", "B", "C", "AB", "AC", "BC", "ABC"):
        assert 2 * estimates_by_word(fit)[word].coefficient == printed[f"effect {word}"]
    assert fit.residual_sd**2 == printed["full error MS"]


def test_vapour_deposition_stress_with_the_square_left_uncoded_is_what_nist_5_4_7_3_prints():
    """The trap of that page: its column of squares is the ratio itself, squared, beside coded
    ones. The kernel gives its figures from that matrix; a fit in coded units never does."""
    printed, table = Printed("nist_cvd_cci"), columns("statistics", "nist_cvd_cci")
    p, h = table["p_coded"], table["h_coded"]
    X = np.column_stack([p**0, p, h, p * h, p * p, table["h2_wf6"] ** 2])
    fit = fit_mixed(X, table["stress"], [])
    errors = np.sqrt(np.diag(fit.covariance))
    names = ("Intercept", "P", "H", "P:H", "I(P ** 2)", "Hraw2")
    for name, b, error, row in zip(names, fit.coefficients, errors, np.eye(6), strict=True):
        assert b == printed[f"stress full [H^2 column uncoded] coef {name}"]
        assert error == printed[f"stress full [H^2 uncoded] SE {name}"]
        assert b / error == printed[f"stress full [H^2 uncoded] t {name}"]
        assert fit.test(row).p_value == printed[f"stress full [H^2 uncoded] p {name}"]
    assert np.sqrt(fit.variances[0]) == printed["stress full [H^2 uncoded] RSE"]
    data = table_of("nist_cvd_cci", ["p_coded", "h_coded"], "stress")
    coded = fit_response(Y, quadratic_model(data.space), data)
    assert abs(estimates_by_word(coded)["B"].coefficient - fit.coefficients[2]) > 0.3


def test_eddy_current_t_by_the_largest_interaction_against_nist_5_6_1():
    """Its pseudo-replication: the three-factor term alone is the error of the other six."""
    printed = Printed("nist_eddy_current_2to3")
    data = table_of("nist_eddy_current_2to3", ["X1", "X2", "X3"], "sensitivity")
    fit = fit_response(Y, interaction_model(data.space), data)
    assert fit.residual_sd == printed["pseudo-replication SD"]
    for name in ("X1", "X2", "X3", "X1:X2", "X1:X3", "X2:X3"):
        e = estimates_by_word(fit)[letters(name)]
        assert abs(e.coefficient / e.standard_error) == pytest.approx(
            abs(float(printed.checks[f"t {name}"]["printed"])), abs=0.01
        )
    assert fit_words(data).residual_sd == printed["cumulative residual SD after 1"]
    (stratum,) = screen(Y, data).strata
    three = next(e for e in stratum.effects if e.term.order == 3)
    assert three.effect / 2 == printed["coef X1:X2:X3"]


@pytest.mark.parametrize(("m", "words"), [(7, "m=7"), (15, "m=15"), (31, "m=31")])
def test_multipliers_of_lenths_margins_against_the_reference(m, words):
    """Margins over the pseudo standard error; those of 15 are printed beside example 6-2."""
    checks = Printed("mont_filtration_2to4").checks
    found = lenth(np.random.default_rng(m).normal(size=m))
    for value, name in ((found.margin, "ME multiplier"), (found.simultaneous, "SME multiplier")):
        name = next(q for q in checks if q.endswith(words) and name.split()[0] in q.split())
        check = checks[name]
        assert value / found.pse == pytest.approx(float(check["printed"]), abs=check["tolerance"])


def test_figures_that_handbooks_print_only_to_a_bound_or_once():
    """Montgomery 6-1 and 6-2, NIST 5.4.7.1, 5.5.3.1.4 and 5.4.7.2; a printed "<0.0001" is a
    bound. Printed 179.52 for the error of the projected model is 179.50 by its own table."""
    fill = fit_words(
        table_of("mont_fill_height_2to3", list("ABC")), "A", "B", "C", "AB", "AC", "BC", "ABC"
    )
    assert fill.tests[0].p_value < 1e-4
    ceramic = fit_words(table_of("nist_ceramic_2to5", CERAMIC, "strength"), *CERAMIC_12)
    assert estimates_by_word(ceramic)["ABD"].p_value < 1e-4
    filtration = table_of("mont_filtration_2to4", list("ABCD"))
    (stratum,) = screen(Y, filtration).strata
    four = next(e for e in stratum.effects if e.term.order == 4)
    assert 4 * four.effect**2 == Printed("mont_filtration_2to4")["SS ABCD"]
    projected = fit_words(filtration, "A", "C", "D", "AC", "AD", "CD", "ACD")
    assert projected.ss_residual == pytest.approx(179.5, abs=1e-9)
    printed, yields = Printed("nist_chem_ccd"), table_of("nist_chem_ccd", ["x1", "x2"])
    chemical = fit_response(Y, quadratic_model(yields.space), yields)
    mean = len(yields.values) * yields.values.mean() ** 2
    assert chemical.ss_total + mean == printed["total"]
    assert mean == printed["mean SS"]
    names = [f"X{i}" for i in range(1, 8)]
    light = table_of("nist_sonoluminescence_2to7m3", names, "intensity")
    sound = fit_response(Y, linear_model(light.space), light)
    assert sound.estimates[0].coefficient == Printed("nist_sonoluminescence_2to7m3")["mean"]
    runs = table_of("nist_steepest_ascent_1", ["x1", "x2"])
    ascent = fit_response(Y, interaction_model(runs.space), runs)
    rest = ascent.estimates[-1].sum_of_squares + ascent.lack_of_fit.ss_pure  # curvature taken out
    assert rest / 5 / 4 == Printed("nist_steepest_ascent_1")["s_b^2"]
