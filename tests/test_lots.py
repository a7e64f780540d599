"""Feedstock lots and the blocks of a plan: kept per run, on the sheet, and allowed for in a fit."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from doe.campaign_file import read_campaign
from doe.errors import CampaignFileError
from tests.made_once import made_once

Command = Callable[..., Any]
LOTS = (
    '[feed.lots]\nspring = { amount = "200 g", moisture = "10 %" }\nautumn = { amount = "250 g" }\n'
)


def with_lots(text: str = LOTS, *changes: tuple[str, str]) -> Path:
    file = Path("designs/mint/campaign.toml")
    given = file.read_text()
    for old, new in changes:
        assert old in given
        given = given.replace(old, new, 1)
    file.write_text(given.replace("[rig]\n", f"{text}\n[rig]\n", 1))
    return file


@pytest.fixture
def doe(command: Command, tmp_path: Path) -> Command:
    """The command in a workspace with a planned campaign on two lots."""

    def plan() -> None:
        command("new", "mint")
        with_lots()
        command("plan", "mint")

    made_once(tmp_path, "two lots, planned", plan)
    return command


def ledger() -> list[dict[str, str]]:
    with Path("designs/mint/runs.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def recorded(command: Command, shifted: Callable[[dict[str, str]], float]) -> Any:
    """Hand in invented yields, a plane with some scatter and a shift of some runs; the fit."""
    lines = ["run,extract_yield_mg_g,furfural_mg_g"]
    for row in ledger():
        T, time, run = float(row["temperature_C"]), float(row["time_min"]), int(row["run"])
        plane = 30 + 8 * (T - 160) / 40 + 3 * (time - 40) / 20 + (run * 7 % 5) / 10
        lines.append(f"{run},{plane + shifted(row)!r},{0.5 + run % 3 / 10}")
    Path("back.csv").write_text("\n".join(lines) + "\n")
    command("record", "mint", "back.csv", "--replace")
    return command("fit", "mint", "--json", "--model", "main-effects")


def coefficients(answer: Any) -> dict[str, float]:
    terms = answer["responses"]["extract_yield"]["terms"]
    return {term["term"]: term["coefficient"] for term in terms}


# ------------------------------------------------------------------------------------- lots


def test_each_run_has_a_lot_balanced_over_days_and_within_its_amount(doe: Command) -> None:
    rows = ledger()
    counts = Counter(row["lot"] for row in rows)
    assert set(counts) == {"spring", "autumn"}
    assert abs(counts["spring"] - counts["autumn"]) <= 1
    for day in {row["day"] for row in rows}:
        own = Counter(row["lot"] for row in rows if row["day"] == day)
        assert abs(own["spring"] - own["autumn"]) <= 2
    assert 12 * counts["spring"] <= 150
    answer = doe("plan", "mint", "--json")
    assert [run["lot"] for run in answer["runs"]] == [row["lot"] for row in rows]


def test_a_lot_that_is_short_is_used_up_and_what_lots_buy_is_said(command: Command) -> None:
    command("new", "mint")
    with_lots(LOTS.replace('"200 g"', '"50 g"'), ('feedstock = "400 g"', 'feedstock = "300 g"'))
    parts = {p["what"]: p for p in command("check", "mint", "--json")["affordable"]["parts"]}
    # 50 and 250 g less 25 %: 37.5 and 187.5 g, 12 g a run
    assert parts["feedstock lots"]["runs"] == 3 + 15
    answer = command("plan", "mint", "--json")
    assert Counter(run["lot"] for run in answer["runs"])["spring"] == 3
    answer = command("plan", "mint", "--runs", "20", "--criterion", "d", "--json")
    assert len(answer["runs"]) == 20
    (short,) = (w["what"] for w in answer["warnings"] if w["code"] == "lots-short")
    assert "after 25 % reserve" in short


def test_a_repeat_keeps_its_lot_or_says_which_it_takes_and_why(doe: Command) -> None:
    rows = ledger()
    lost = {lot: next(row for row in rows if row["lot"] == lot) for lot in ("spring", "autumn")}
    numbers = {row["run"] for row in lost.values()}
    lines = ["run,extract_yield_mg_g,furfural_mg_g,left_out_because"]
    for row in rows:
        gone = row["run"] in numbers
        lines.append(
            f"{row['run']},,,repeat: spilt" if gone else f"{row['run']},30.{row['run']},1,"
        )
    Path("back.csv").write_text("\n".join(lines) + "\n")
    doe("record", "mint", "back.csv")
    settings = {lot: float(row["temperature_C"]) for lot, row in lost.items()}
    again = doe("augment", "mint", "--by", "repair", "--json")["runs"]
    assert sorted(run["lot"] for run in again) == ["autumn", "spring"]
    by_notes = {run["lot"]: run["settings"]["temperature_C"] for run in again}
    assert by_notes == settings
    # 12 g a run: nothing of the spring's lot is left for another
    spring = sum(row["lot"] == "spring" for row in rows)
    file = Path("designs/mint/campaign.toml")
    less = file.read_text().replace('"200 g"', f'"{12 * spring + 5} g"')
    file.write_text(less.replace('"250 g"', '"400 g"'))  # the budget counts on 400 g in all
    short = doe("augment", "mint", "--by", "repair", "--json")
    assert [run["lot"] for run in short["runs"]] == ["autumn", "autumn"]
    (told,) = [n["what"] for n in short["warnings"] if n["code"] == "lot-changed"]
    assert told == (
        "A repeat is made of lot autumn and not of lot spring as the run that it repeats: of that "
        "lot 5 g are left, and it takes 12 g."
    )


def test_sheets_name_the_lot_and_another_may_be_handed_in(doe: Command) -> None:
    row = ledger()[0]
    other = {"spring": "autumn", "autumn": "spring"}[row["lot"]]
    page = Path("designs/mint/sheet-stage1.html").read_text()
    run = page[page.index('aria-label="Run 1"') : page.index('aria-label="Run 2"')]
    assert f", lot {row['lot']}</small>" in run
    assert f"<option selected>{row['lot']}</option>" in run
    book = openpyxl.load_workbook("designs/mint/sheet-stage1.xlsx")["runs"]
    header = next(line for line in book.iter_rows() if line[0].value == "run")
    place = next(cell.column for cell in header if cell.value == "lot")
    assert book.cell(header[0].row + 1, place).value == row["lot"]
    assert not book.cell(header[0].row + 1, place).protection.locked
    Path("s.csv").write_text(f"run,lot\n1,{other.upper()}\n")
    answer = doe("record", "mint", "s.csv", "--json")  # a planned lot is a plan, no record
    assert ledger()[0]["lot"] == other
    (said,) = (w["what"] for w in answer["warnings"] if w["code"] == "lot-changed")
    assert f"took feedstock lot {other}, where {row['lot']} was planned" in said
    Path("s.csv").write_text(f"run,lot,furfural_mg_g\n1,{other},0.5\n")
    doe("record", "mint", "s.csv")
    Path("s.csv").write_text(f"run,lot\n1,{row['lot']}\n")
    assert f"lot {other} in the ledger" in doe("record", "mint", "s.csv", status=1).said_err
    doe("record", "mint", "s.csv", "--replace")
    assert ledger()[0]["lot"] == row["lot"]
    Path("s.csv").write_text("run,lot\n1,summer\n")
    assert "no feedstock lot" in doe("record", "mint", "s.csv", status=1).said_err


def test_a_shift_between_lots_is_taken_out_of_the_effects(doe: Command) -> None:
    alike = coefficients(recorded(doe, lambda row: 0.0))
    answer = recorded(doe, lambda row: 5.0 if row["lot"] == "spring" else 0.0)
    found = coefficients(answer)
    # the intercept is for the average of the two lots
    assert found.pop("1") == pytest.approx(alike.pop("1") + 2.5)
    assert found == pytest.approx(alike)
    said = [w["what"] for w in answer["warnings"] if w["code"] == "blocks-allowed-for"]
    assert said == [
        "Differences between feedstock lots (autumn, spring) are allowed for in the fit: "
        "predictions are for their average, and intervals do not count that a new lot may lie "
        "elsewhere."
    ]
    page = " ".join(next(Path("reports").glob("*fit.html")).read_text(encoding="utf-8").split())
    assert "This is for an average lot of the 2 that were run, which lie up to 5" in page
    assert "those of the model above, which was asked for" in page
    doe("fit", "mint")
    page = " ".join(next(Path("reports").glob("*fit.html")).read_text(encoding="utf-8").split())
    assert "decided that, not the values found" in page
    assert "which was asked for" not in page

    doe("suggest", "mint", "--accept")
    added = [row for row in ledger() if row["stage"] == "2"]
    assert {row["lot"] for row in added} <= {"spring", "autumn"}
    assert all(row["lot"] for row in added)


def test_a_lots_own_moisture_goes_before_the_feeds(command: Command) -> None:
    command("new", "mint")
    derived = (
        '[responses.extract_yield]\ntitle = "extract yield"\nunit = "mg/g"\n',
        '[responses.extract_yield]\nfrom = "yield"\nunit = "%"\n',
    )
    with_lots('[feed]\nmoisture = "4 %"\n' + LOTS, derived, ('"4 mg/g"', '"0.4"'))
    command("plan", "mint")
    rows = ledger()
    lines = [f"{row['run']},10,1" for row in rows]
    Path("m.csv").write_text("run,feed_g,extract_dry_g\n" + "\n".join(lines) + "\n")
    command("record", "mint", "m.csv")
    for row in ledger():
        dry = 9.0 if row["lot"] == "spring" else 9.6  # of 10 g with 10 % and with 4 % moisture
        assert float(row["extract_yield_pct"]) == pytest.approx(100 / dry, abs=5e-4)


RECOVERY = (
    '[responses.extract_yield]\ntitle = "extract yield"\nunit = "mg/g"\n',
    '[responses.extract_yield]\nfrom = "recovery of rutin"\nunit = "%"\n',
)
OWN_CONTENTS = """[feed]
moisture = "10 %"
[feed.lots]
spring = { amount = "200 g", reference = { rutin = "2.5 mg/g" } }
autumn = { amount = "250 g", reference = { rutin = "2 mg/g" } }
"""


def test_a_lots_own_reference_content_makes_the_recovery(command: Command) -> None:
    command("new", "mint")
    with_lots(OWN_CONTENTS, RECOVERY, ('"4 mg/g"', '"0.4"'))
    command("plan", "mint")
    rows = ledger()
    masses = "".join(f"{row['run']},10\n" for row in rows)
    Path("m.csv").write_text(f"run,feed_g\n{masses}")
    bottles = "".join(f"{row['run']},D1,drain,400,20\n" for row in rows)
    Path("p.csv").write_text(f"run,bottle,kind,volume_mL,rutin_mg_L\n{bottles}")
    command("record", "mint", "m.csv")
    command("record", "mint", "p.csv")
    # by hand: 400 mL of 20 mg/L are 8 mg; 9 g of dry feed hold 22.5 mg of spring, 18 of autumn
    expected = {"spring": 100 * 8 / 22.5, "autumn": 100 * 8 / 18}
    for row in ledger():
        assert float(row["extract_yield_pct"]) == pytest.approx(expected[row["lot"]], abs=5e-4)
    # another lot than was thought: the recovery follows, and only if that is asked for
    first = ledger()[0]
    other = {"spring": "autumn", "autumn": "spring"}[first["lot"]]
    Path("lot.csv").write_text(f"run,lot\n{first['run']},{other}\n")
    command("record", "mint", "lot.csv", status=1)
    command("record", "mint", "lot.csv", "--replace")
    assert float(ledger()[0]["extract_yield_pct"]) == pytest.approx(expected[other], abs=5e-4)


def test_a_run_of_no_known_lot_has_no_recovery_and_says_so(command: Command) -> None:
    command("new", "mint")
    with_lots(OWN_CONTENTS, RECOVERY, ('"4 mg/g"', '"0.4"'))
    command("plan", "mint")
    file = Path("designs/mint/runs.csv")
    rows = ledger()
    rows[0]["lot"] = ""
    with file.open("w", newline="") as opened:
        writer = csv.DictWriter(opened, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    Path("m.csv").write_text("run,feed_g\n1,10\n")
    command("record", "mint", "m.csv")
    Path("p.csv").write_text("run,bottle,kind,volume_mL,rutin_mg_L\n1,D1,drain,400,20\n")
    answer = command("record", "mint", "p.csv", "--json")
    (said,) = (w["what"] for w in answer["warnings"] if w["code"] == "reference-missing")
    assert "no recovery of rutin" in said
    assert ledger()[0]["extract_yield_pct"] == ""


@pytest.mark.parametrize(
    ("old", "new", "code", "says"),
    [
        (', reference = { rutin = "2 mg/g" }', "", "missing-key", "of lot autumn it is not given"),
        ('"2 mg/g"', '"0 mg/g"', "zero", "rutin is 0 mg/g"),
        ('rutin = "2 mg/g"', 'quercetin = "2 mg/g"', "unknown-compound", "quercetin belongs"),
        ('"2 mg/g"', '"2 mg"', "wrong-quantity", "2 mg"),
    ],
)
def test_contents_of_lots_that_do_not_serve_are_refused(
    command: Command, old: str, new: str, code: str, says: str
) -> None:
    command("new", "mint")
    assert old in OWN_CONTENTS
    with pytest.raises(CampaignFileError) as caught:
        read_campaign(with_lots(OWN_CONTENTS.replace(old, new), RECOVERY, ('"4 mg/g"', '"0.4"')))
    found = {problem.code: problem.what for problem in caught.value.problems}
    assert says in found[code]


@pytest.mark.parametrize(
    ("lots", "code", "says"),
    [
        (LOTS.replace('"200 g"', '"20 g"'), "lots-short", "lots hold 270 g"),
        (LOTS.replace("autumn", "Spring"), "wrong-name", "capitals"),
        (LOTS.replace("autumn", '"a, b"'), "wrong-name", "'a, b'"),
        (LOTS.replace('"200 g"', '"0 g"'), "wrong-quantity", "0 g"),
        (LOTS.replace('{ amount = "250 g" }', '"250 g"'), "wrong-value", "250 g"),
        (LOTS.replace('amount = "250 g"', 'moisture = "5 %"'), "missing-key", "amount"),
    ],
)
def test_lots_that_cannot_be_spread_are_refused(
    command: Command, lots: str, code: str, says: str
) -> None:
    command("new", "mint")
    with pytest.raises(CampaignFileError) as caught:
        read_campaign(with_lots(lots))
    found = {problem.code: problem.what for problem in caught.value.problems}
    assert says in found[code]


def test_lots_without_the_mass_of_a_bed_are_refused(command: Command) -> None:
    command("new", "mint")
    with pytest.raises(CampaignFileError) as caught:
        read_campaign(
            with_lots(LOTS, ('feedstock = "400 g"\n', ""),
                      ('bed_mass = "12 g"        # of feedstock in each run\n', ""))
        )  # fmt: skip
    assert "lots buy runs" in str(caught.value)


# ----------------------------------------------------------------------------------- blocks


def test_blocks_of_the_plan_stay_in_the_ledger_and_out_of_the_effects(command: Command) -> None:
    command("new", "mint")
    command("plan", "mint", "--blocks", "2", "--model", "main-effects", "--runs", "14")
    rows = ledger()
    assert Counter(row["block"] for row in rows) == {"1": 7, "2": 7}
    days = {(row["block"], row["day"]) for row in rows}
    assert len(days) > 2  # more than one day a block: a day is not a block
    assert len({day for _, day in days}) == len(days)
    alike = coefficients(recorded(command, lambda row: 0.0))
    answer = recorded(command, lambda row: 6.0 if row["block"] == "2" else 0.0)
    found = coefficients(answer)
    assert found.pop("1") == pytest.approx(alike.pop("1") + 3)
    assert found == pytest.approx(alike)
    codes = {warning["code"]: warning["what"] for warning in answer["warnings"]}
    assert "the blocks of the plan" in codes["blocks-allowed-for"]
    assert re.search(r"Block 1 of stage 1 lies [\d.]+ mg/g (above|below) the", codes["block-shift"])
    Path("s.csv").write_text("run,block,extract_yield_mg_g\n1,9,30\n")
    assert "planned with block" in command("record", "mint", "s.csv", status=1).said_err


def test_a_later_stage_without_blocks_counts_at_their_average(command: Command) -> None:
    command("new", "mint")
    command("plan", "mint", "--blocks", "2", "--model", "main-effects", "--runs", "14")
    recorded(command, lambda row: 6.0 if row["block"] == "2" else 0.0)
    command("suggest", "mint", "--accept")
    added = [row for row in ledger() if row["stage"] == "2"]
    assert {row["block"] for row in added} == {""}
    alike = coefficients(recorded(command, lambda row: 0.0))
    found = coefficients(recorded(command, lambda row: {"1": -3.0, "2": 3.0}.get(row["block"], 0)))
    assert found == pytest.approx(alike)


def test_a_plan_without_blocks_has_no_such_column(command: Command) -> None:
    command("new", "mint")
    command("plan", "mint")
    assert not {"block", "lot"} & set(ledger()[0])
