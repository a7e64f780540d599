"""`doe suggest` at work: kinds, recommended settings, the verdict on confirming runs."""

from __future__ import annotations

from pathlib import Path

from test_loop import Command, doe, fill, made_up_results

__all__ = ["doe"]


def test_kinds_and_the_verdict_on_confirming_runs(doe: Command, tmp_path: Path) -> None:
    doe("new", "mint")
    doe("plan", "mint")
    folder = tmp_path / "designs" / "mint"
    early = doe("suggest", "mint", "--json", status=1)["errors"][0]
    assert early["code"] == "no-results"
    assert "doe record mint" in early["remedy"]
    back = fill(folder / "sheet-stage1.csv", tmp_path / "back.csv", made_up_results)
    doe("record", "mint", str(back))
    unknown = doe("suggest", "mint", "--kind", "guess", "--json", status=1)["errors"][0]
    assert unknown["code"] == "unknown-kind"
    without = doe("suggest", "mint", "--no-kind", "sharpen", "--no-kind", "seek", "--json")
    assert not {"sharpen", "seek"} & {run["kind"] for run in without["runs"]}
    one = doe("suggest", "mint", "--kind", "confirm", "--runs", "1", "--accept", "--json")
    assert one["runs"][0]["kind"] == "confirm"
    assert one["runs"][0]["settings"] == one["recommended"]["settings"]
    back = fill(folder / "sheet-stage2.csv", tmp_path / "back2.csv", made_up_results)
    doe("record", "mint", str(back))
    verdicts = [n for n in doe("fit", "mint", "--json")["warnings"] if n["code"] == "confirmation"]
    assert len(verdicts) == 1
    assert "predicted for it" in verdicts[0]["what"]
