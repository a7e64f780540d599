"""Derived responses: worked by hand from their definitions, and what must hold whatever the run."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from doe.errors import ResultsError, Where
from doe.yields import (
    Assay,
    Below,
    Compound,
    Derived,
    MassRules,
    Portion,
    RunMasses,
    derive,
    derive_run,
)


def solids(*readings: float | Below, dilution: float = 1.0, unit: str = "mg/mL") -> Assay:
    return Assay(readings, unit, dilution)


# An invented run. Dry feed 10 g × 0.92 = 9.2 g. Extract: drain 100 mL × 15 mg/mL = 1.5 g, sample
# 5 mL × 20 mg/mL = 0.1 g, flush 50 g × 0.4 % = 0.2 g; 1.8 g together. Dry residue 28 g × 0.25 =
# 7 g. Rutin: 100 × 0.3 + 5 × 0.4 + 50 × 0.02 mg = 33 mg.
RUN = RunMasses(
    run=4,
    feed_g=10.0,
    feed_moisture_pct=8.0,
    portions=(
        Portion(
            "drain",
            "D1",
            volume_mL=100.0,
            solids=solids(14.0, 16.0),
            contents={"rutin": solids(30.0, dilution=10.0, unit="mg/L")},
        ),
        Portion(
            "sample",
            "S1",
            volume_mL=5.0,
            solids=solids(20.0),
            contents={"rutin": solids(0.4)},
        ),
        Portion(
            "flush",
            "F1",
            mass_g=50.0,
            solids=solids(0.4, unit="%"),
            contents={"rutin": solids(0.02, unit="mg/g")},
        ),
    ),
    residue_g=28.0,
    residue_moisture_pct=75.0,
    compounds=(Compound("rutin", reference_mg_g=5.0),),
)
DRAIN, SAMPLE, FLUSH = RUN.portions


def value(figure: object) -> float:
    found = getattr(figure, "value", None)
    assert isinstance(found, float)
    return found


def codes(derived: Derived) -> set[str]:
    return {notice.code for notice in derived.notices}


def test_a_run_by_hand() -> None:
    found = derive_run(RUN)
    assert value(found.dry_feed_g) == pytest.approx(9.2)
    assert value(found.extract_g) == pytest.approx(1.8)
    assert value(found.yield_pct) == pytest.approx(100 * 1.8 / 9.2)  # 19.565 %
    assert value(found.residue_pct) == pytest.approx(100 * 7 / 9.2)  # 76.087 %
    assert value(found.closure_pct) == pytest.approx(100 * 8.8 / 9.2)  # 95.652 %
    (rutin,) = found.compounds
    assert value(rutin.amount_mg_g) == pytest.approx(33 / 9.2)  # 3.587 mg/g dry feed
    assert value(rutin.purity_pct) == pytest.approx(100 * 0.033 / 1.8)  # 1.8333 %
    assert value(rutin.recovery_pct) == pytest.approx(100 * 33 / 9.2 / 5)  # 71.74 %
    assert found.notices == ()


def test_forgotten_samples_would_make_the_yield_low() -> None:
    """Without the sample's 0.1 g the yield is 1.7/9.2."""
    less = derive_run(replace(RUN, portions=(DRAIN, FLUSH)))
    assert value(less.yield_pct) == pytest.approx(100 * 1.7 / 9.2)


def test_a_portion_without_solids_leaves_no_yield() -> None:
    found = derive_run(replace(RUN, portions=(DRAIN, replace(SAMPLE, solids=None), FLUSH)))
    assert found.yield_pct is None
    assert found.closure_pct is None
    assert "the solids of S1 were not measured" in found.notices[0].what
    assert value(found.compounds[0].amount_mg_g) == pytest.approx(33 / 9.2)
    assert found.compounds[0].purity_pct is None


def test_a_compound_not_measured_everywhere_is_not_given() -> None:
    found = derive_run(replace(RUN, portions=(DRAIN, replace(SAMPLE, contents={}), FLUSH)))
    assert found.compounds == ()
    assert "no rutin, as it was not measured in S1" in found.notices[0].what


def test_density_joins_volume_and_mass() -> None:
    """50 mL at 0.98 g/mL are 49 g; 0.4 % of it 0.196 g. 49 g of 4 mg/mL are 50 mL, 0.2 g."""
    by_volume = replace(FLUSH, mass_g=None, volume_mL=50.0, density_g_mL=0.98, contents={})
    run = replace(RUN, portions=(by_volume,), compounds=(), residue_g=None)
    assert value(derive_run(run).extract_g) == pytest.approx(0.196)
    by_mass = replace(by_volume, volume_mL=None, mass_g=49.0, solids=solids(4.0))
    assert value(derive_run(replace(run, portions=(by_mass,))).extract_g) == pytest.approx(0.2)


@pytest.mark.parametrize(("unit", "reading"), [
    ("mg/mL", 15.0), ("g/L", 15.0), ("mg/L", 15000.0), ("µg/mL", 15000.0)
])  # fmt: skip
def test_units_of_one_content(unit: str, reading: float) -> None:
    portion = replace(DRAIN, solids=solids(reading, unit=unit))
    assert value(derive_run(replace(RUN, portions=(portion,), compounds=())).extract_g) == (
        pytest.approx(1.5)
    )


# --- duplicates and scatter


def test_duplicates_are_averaged_and_their_scatter_kept() -> None:
    """14 and 16 mg/mL: mean 15, sd √2 of a reading, 1 of the mean."""
    found = derive_run(RUN)
    (scatter,) = found.scatter
    assert scatter.label == "D1, solids"
    assert (scatter.readings, scatter.mean) == (2, 15.0)
    assert scatter.sd == pytest.approx(math.sqrt(2))
    # the only scatter known: 1 mg/mL × 100 mL = 0.1 g of 9.2 g
    assert found.yield_pct is not None
    assert found.yield_pct.sd == pytest.approx(100 * 0.1 / 9.2)


def test_duplicates_give_one_result() -> None:
    many = replace(DRAIN, solids=solids(*[15.0] * 6))
    found = derive((RUN, replace(RUN, run=5, portions=(many, SAMPLE, FLUSH))))
    assert [result.run for result in found] == [4, 5]


def test_duplicates_far_apart_are_told() -> None:
    wide = replace(DRAIN, solids=solids(10.0, 20.0))
    found = derive_run(replace(RUN, portions=(wide, SAMPLE, FLUSH)))
    assert "duplicates-apart" in codes(found)
    assert "scatter by 47.1 %" in " ".join(n.what for n in found.notices)


def test_scatter_against_simulated_weighings() -> None:
    """First-order scatter of yield, closure and purity against 400,000 simulated runs (1 %).

    The volume stands in both parts of the purity, where it must not count.
    """
    sd = {"feed": 0.05, "moisture": 0.3, "volume": 1.0, "solids": 0.3, "rutin": 0.006, "res": 0.2}
    drain = Portion(
        "drain",
        "D1",
        volume_mL=100.0,
        volume_sd_mL=sd["volume"],
        solids=Assay((15.0,), "mg/mL", sd=sd["solids"]),
        contents={"rutin": Assay((0.3,), "mg/mL", sd=sd["rutin"])},
    )
    run = replace(
        RUN,
        feed_sd_g=sd["feed"],
        feed_moisture_sd_pct=sd["moisture"],
        residue_sd_g=sd["res"],
        portions=(drain,),
    )
    found = derive_run(run)
    rng = np.random.default_rng(5)

    def draw(mean: float, name: str) -> np.ndarray:
        return rng.normal(mean, sd[name], 400_000)

    feed = draw(10, "feed") * (1 - draw(8, "moisture") / 100)
    volume = draw(100, "volume")
    extract, rutin = volume * draw(15, "solids"), volume * draw(0.3, "rutin")
    residue = draw(28, "res") * 0.25
    simulated = {
        "yield": 100 * extract / 1000 / feed,
        "closure": 100 * (extract / 1000 + residue) / feed,
        "purity": 100 * rutin / extract,
    }
    (compound,) = found.compounds
    figures = {
        "yield": found.yield_pct,
        "closure": found.closure_pct,
        "purity": compound.purity_pct,
    }
    for name, figure in figures.items():
        assert figure is not None
        assert figure.sd == pytest.approx(float(simulated[name].std()), rel=0.01), name


def test_no_scatter_known_is_not_no_scatter() -> None:
    one = replace(DRAIN, solids=solids(15.0))
    found = derive_run(replace(RUN, portions=(one, SAMPLE, FLUSH)))
    assert found.yield_pct is not None
    assert found.yield_pct.sd is None


# --- censored readings


def test_below_detection_stays_an_interval() -> None:
    """Rutin below 0.1 mg/mL in 5 mL of sample: 31 to 31.5 mg in all."""
    sample = replace(SAMPLE, contents={"rutin": solids(Below(0.1))})
    (rutin,) = derive_run(replace(RUN, portions=(DRAIN, sample, FLUSH))).compounds
    assert rutin.amount_mg_g.censored
    assert rutin.amount_mg_g.value is None
    assert rutin.amount_mg_g.low == pytest.approx(31 / 9.2)
    assert rutin.amount_mg_g.high == pytest.approx(31.5 / 9.2)
    assert rutin.recovery_pct is not None
    assert (rutin.recovery_pct.low, rutin.recovery_pct.high) == (
        pytest.approx(100 * 31 / 46),
        pytest.approx(100 * 31.5 / 46),
    )


def test_all_below_detection_is_never_zero() -> None:
    portions = tuple(
        replace(p, contents={"rutin": solids(Below(0.1), dilution=10.0)}) for p in (DRAIN, SAMPLE)
    )
    (rutin,) = derive_run(replace(RUN, portions=portions)).compounds
    assert rutin.amount_mg_g.value is None
    assert rutin.amount_mg_g.low == 0
    assert rutin.amount_mg_g.high == pytest.approx(105 / 9.2)  # 1 mg/mL undiluted, 105 mL


def test_one_of_two_duplicates_below_detection() -> None:
    """0.2 and <0.1: the mean lies between 0.1 and 0.15."""
    sample = replace(SAMPLE, contents={"rutin": solids(0.2, Below(0.1))})
    (rutin,) = derive_run(replace(RUN, portions=(DRAIN, sample, FLUSH))).compounds
    assert rutin.amount_mg_g.low == pytest.approx((31 + 0.5) / 9.2)
    assert rutin.amount_mg_g.high == pytest.approx((31 + 0.75) / 9.2)


# --- the rules of the mass balance


def with_extract(mg_mL: float, **changes: object) -> RunMasses:
    """Return the run with all its extract, mg_mL/10 g, in one drain of 100 mL; feed 9.2 g dry."""
    run = replace(RUN, portions=(Portion("drain", "D1", 100.0, solids=solids(mg_mL)),))
    return replace(run, compounds=(), **changes)  # type: ignore[arg-type]


def test_more_extract_than_feed_is_refused() -> None:
    where = Where("samples.csv", 12)
    with pytest.raises(ResultsError) as refused:
        derive_run(with_extract(93.0, residue_g=None, where=where))
    text = str(refused.value)
    assert text.startswith("samples.csv, line 12: run 4: the extract's solids make 101.09 %")
    assert "allowed is 100 %" in text
    derive_run(with_extract(91.9, residue_g=None))


def test_closure_up_to_105_is_told_and_more_is_refused() -> None:
    told = derive_run(with_extract(24.0))  # 2.4 + 7 g of 9.2 g: 102.2 %
    assert codes(told) == {"closure-above-100"}
    with pytest.raises(ResultsError, match=r"make 106\.52 % of the dry feed; allowed is 105 %"):
        derive_run(with_extract(28.0))
    with pytest.raises(ResultsError, match="allowed is 100 %"):
        derive_run(with_extract(24.0), MassRules(closure_max_pct=100.0))


def test_more_than_all_names_bottles_that_look_alike() -> None:
    twice = replace(DRAIN, label="D 01", volume_mL=10.0)
    told = derive_run(replace(RUN, portions=(DRAIN, twice, FLUSH), residue_g=30.5))
    (said,) = (n.what for n in told.notices if n.code == "closure-above-100")
    assert "Bottles D1 and D 01 look alike" in said
    same = replace(DRAIN, label="F7")
    with pytest.raises(ResultsError, match="D1 and F7 look alike"):
        derive_run(replace(RUN, portions=(DRAIN, same, FLUSH)))
    with pytest.raises(ResultsError) as other:
        derive_run(with_extract(28.0))
    assert "alike" not in str(other.value)


def test_a_gap_in_the_balance_is_told() -> None:
    low = derive_run(with_extract(10.0))  # 8 g of 9.2 g: 87 %
    assert "closure-low" in codes(low)
    assert "closure-low" not in codes(derive_run(with_extract(13.0)))  # 90.2 %


def test_a_group_above_its_reference_is_told_and_not_refused() -> None:
    """267 % of a reference was published for a group assay of flaxseed."""
    group = Compound("rutin", reference_mg_g=33 / 9.2 / 2.67, group=True)
    found = derive_run(replace(RUN, compounds=(group,)))
    assert value(found.compounds[0].recovery_pct) == pytest.approx(267)
    assert "267 % of the reference" in found.notices[0].what
    assert "group" in found.notices[0].what
    named = derive_run(replace(RUN, compounds=(replace(group, group=False),)))
    assert "Check the assay" in named.notices[0].what


def test_a_recovery_within_its_error_is_not_told() -> None:
    reference = Compound("rutin", reference_mg_g=3.5, reference_sd_mg_g=0.1)  # 102.5 % ± 2.9 %
    assert derive_run(replace(RUN, compounds=(reference,))).notices == ()


def test_residue_of_unknown_moisture_gives_no_balance() -> None:
    found = derive_run(replace(RUN, residue_moisture_pct=None))
    assert found.closure_pct is None
    assert "residue-moisture-missing" in codes(found)


BAD: dict[str, tuple[RunMasses, str]] = {
    "no feed": (replace(RUN, feed_g=0.0), "the feed is 0 g"),
    "no moisture": (replace(RUN, feed_moisture_pct=None), "moisture is not recorded"),
    "all water": (replace(RUN, feed_moisture_pct=100.0), "0 to below 100 %"),
    "dry-basis moisture": (replace(RUN, residue_moisture_pct=300.0), "on the wet mass"),
    "negative residue": (replace(RUN, residue_g=-1.0), "the residue is -1 g"),
    "negative volume": (
        replace(RUN, portions=(replace(DRAIN, volume_mL=-1.0),)),
        "D1: it holds -1 mL",
    ),
    "no volume": (
        replace(RUN, portions=(replace(DRAIN, volume_mL=None),)),
        "neither volume nor mass",
    ),
    "no density": (
        replace(RUN, portions=(replace(DRAIN, solids=solids(1.5, unit="%")),)),
        "do not go together without a density",
    ),
    "odd density": (
        replace(RUN, portions=(replace(DRAIN, density_g_mL=998.0),)),
        "0.5 to 2 g/mL",
    ),
    "unknown unit": (
        replace(RUN, portions=(replace(DRAIN, solids=solids(1.5, unit="ppm")),)),
        'the unit is "ppm"; allowed is one of mg/mL',
    ),
    "negative reading": (
        replace(RUN, portions=(replace(DRAIN, solids=solids(-0.1)),)),
        "a reading is -0.1 mg/mL",
    ),
    "no number": (
        replace(RUN, portions=(replace(DRAIN, solids=solids(math.nan)),)),
        "a reading is nan",
    ),
    "no dilution": (
        replace(RUN, portions=(replace(DRAIN, solids=solids(1.0, dilution=0.0)),)),
        "the dilution is 0",
    ),
    "more than all": (
        replace(RUN, portions=(replace(FLUSH, solids=solids(30.0, unit="%", dilution=5.0)),)),
        "150 % is more than the whole liquid",
    ),
    "bottle twice": (replace(RUN, portions=(DRAIN, DRAIN)), "the bottle D1 stands 2 times"),
}


@pytest.mark.parametrize("name", BAD)
def test_what_cannot_be_is_refused(name: str) -> None:
    run, words = BAD[name]
    with pytest.raises(ResultsError) as refused:
        derive_run(run)
    assert words in str(refused.value)
    assert refused.value.problems[0].remedy


def test_all_faults_of_all_runs_at_once() -> None:
    runs = (BAD["no feed"][0], RUN, BAD["no density"][0], BAD["odd density"][0])
    with pytest.raises(ResultsError) as refused:
        derive(runs)
    assert len(refused.value.problems) == 3


# --- what must hold whatever the run

amounts = st.floats(0.5, 500.0)
shares = st.floats(0.01, 0.99)


@given(feed=amounts, moisture=st.floats(0, 90), wet=st.floats(0, 90), volumes=st.lists(
    st.floats(1.0, 500.0), min_size=1, max_size=6), part=shares)  # fmt: skip
def test_closure_is_100_when_everything_is_accounted_for(
    feed: float, moisture: float, wet: float, volumes: list[float], part: float
) -> None:
    """Dry feed is split: a share of it dissolves, spread over bottles; the rest stays behind."""
    dry = feed * (1 - moisture / 100)
    content = dry * part / sum(volumes) * 1000
    portions = tuple(
        Portion("drain", f"D{i}", volume_mL=volume, solids=solids(content))
        for i, volume in enumerate(volumes)
    )
    residue = dry * (1 - part) / (1 - wet / 100)
    found = derive_run(RunMasses(1, feed, moisture, portions, residue, wet))
    assert value(found.closure_pct) == pytest.approx(100)
    assert value(found.yield_pct) == pytest.approx(100 * part)


@given(factor=st.floats(1.0, 1000.0))
def test_dilution_changes_nothing(factor: float) -> None:
    """Read at a factor less and multiplied by it, with the scatter of the duplicates."""
    diluted = replace(DRAIN, solids=solids(14 / factor, 16 / factor, dilution=factor))
    found, base = derive_run(replace(RUN, portions=(diluted, SAMPLE, FLUSH))), derive_run(RUN)
    assert value(found.yield_pct) == pytest.approx(value(base.yield_pct))
    assert found.yield_pct is not None
    assert base.yield_pct is not None
    assert found.yield_pct.sd == pytest.approx(base.yield_pct.sd)


@given(share=shares)
def test_drains_in_two_bottles_hold_what_one_held(share: float) -> None:
    parts = (
        replace(DRAIN, volume_mL=100 * share),
        replace(DRAIN, label="D2", volume_mL=100 * (1 - share)),
    )
    found = derive_run(replace(RUN, portions=(*parts, SAMPLE, FLUSH)))
    assert value(found.yield_pct) == pytest.approx(value(derive_run(RUN).yield_pct))


@given(limit=st.floats(0.01, 1.0), inside=shares)
def test_the_interval_of_a_censored_reading_holds_the_truth(limit: float, inside: float) -> None:
    def rutin(reading: float | Below) -> tuple[float, float]:
        sample = replace(SAMPLE, contents={"rutin": solids(reading)})
        (found,) = derive_run(replace(RUN, portions=(DRAIN, sample, FLUSH))).compounds
        assert found.purity_pct is not None
        return found.purity_pct.low, found.purity_pct.high

    low, high = rutin(Below(limit))
    truth, _ = rutin(limit * inside)
    assume(low < high)
    assert low < truth < high
