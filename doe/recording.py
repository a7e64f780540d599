"""What comes back, into the ledger: filled sheets, weighed portions, a logger's file of a run.

Everything is worked out before anything is written.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from doe import as_recorded, standing
from doe.campaign import Campaign
from doe.errors import DoeError, Notice, Problem, ResultsError, Where
from doe.ledger import (
    Censored,
    Change,
    Ledger,
    LedgerRow,
    Returned,
    ReturnedRow,
    from_plain_text,
    locked,
    prepares,
    same_setting,
    started,
    with_results,
    write_ledger,
)
from doe.log_record import read_log_records
from doe.standing import LEDGER_FILE, planned_ledger
from doe.whole_file import write_page
from doe.wording import capital, runs_in_words

if TYPE_CHECKING:
    from doe.logged import Logged, LogWish
    from doe.sheet.portions import Bottles

__all__ = ["RecordResult", "after_recording", "recorded", "take_in"]

SHORT = 0.75
"""Share of the planned time or flow below which a run is asked about (common practice)."""
SPEAKS_OF_A_STOP = re.compile(
    r"\b(?:trip(?:ped|s)?|stop(?:ped|s)?|abort(?:ed|s)?|interrupt(?:ed|ion)?|shut[- ]?down|"
    r"power (?:cut|failure|loss)|ended early|cut short|emergency)\b",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class RecordResult:
    """What a filled sheet, or a log, changed in the ledger, or would change."""

    campaign: Campaign
    changes: tuple[Change, ...]
    ledger: Ledger
    dry_run: bool
    files: tuple[Path, ...]
    notices: tuple[Notice, ...]
    log: Logged | None = None

    @property
    def empty(self) -> bool:
        """Whether what was handed in held no results at all."""
        return any(notice.code == "no-results-in-sheet" for notice in self.notices)

    @property
    def asks(self) -> bool:
        """Whether values look like slips, to be put right before they count."""
        from doe.report.gravity import SLIPS

        codes = {notice.code for notice in self.notices}
        return bool(codes & {*SLIPS, "temperature-in-another-unit"})


def recorded(
    campaign: Campaign,
    path: Path,
    replace_filled: bool = False,
    dry_run: bool = False,
    log: LogWish | None = None,
) -> RecordResult:
    """Take a file into the ledger: a log where it is said to be one, portions, or a sheet.

    Raises
    ------
    ResultsError
        What the file says cannot be read or contradicts the ledger: all of it at once.
    StateError
        There is no plan.
    """
    if log is not None:
        return _take_in_log(campaign, path, log, replace_filled, dry_run)
    if campaign.schema.derives or campaign.schema.drawn:
        from doe.derived import bottles_in

        bottles = bottles_in(campaign, path)
        if bottles is not None:
            with locked(campaign.folder):
                ledger = planned_ledger(campaign)
                return _merged(
                    campaign, ledger, Returned((), path.name), replace_filled, dry_run, bottles
                )
    return take_in(campaign, _read_sheet(campaign, path), replace_filled, dry_run)


def _read_sheet(campaign: Campaign, path: Path) -> Returned:
    from doe.sheet import read_sheet

    try:
        return read_sheet(path, campaign.schema)
    except ResultsError as error:
        raise ResultsError(*map(_or_a_log, error.problems)) from None


def _or_a_log(problem: Problem) -> Problem:
    if problem.code != "no-header":
        return problem
    hint = "If it is a rig logger's file, say of which run: --run N."
    return replace(problem, remedy=f"{problem.remedy} {hint}")


def _take_in_log(
    campaign: Campaign, path: Path, wish: LogWish, replace_filled: bool, dry_run: bool
) -> RecordResult:
    """Take what a log says of its run into the ledger, and keep its record beside it."""
    from doe.log_record import log_file, write_log
    from doe.logged import logged, opened

    log = opened(campaign, path, wish)
    with locked(campaign.folder):
        ledger = planned_ledger(campaign)
        found = logged(campaign, ledger, log, path, wish, overwrite=replace_filled, looking=dry_run)
        result = _merged(campaign, ledger, found.returned, replace_filled, dry_run)
        if not dry_run:
            write_log(campaign.folder, found.record)
    files = result.files if dry_run else (*result.files, log_file(campaign.folder, wish.run))
    return replace(result, log=found, files=files, notices=(*found.notices, *result.notices))


def take_in(
    campaign: Campaign, returned: Returned, replace_filled: bool = False, dry_run: bool = False
) -> RecordResult:
    """Take returned results, however they came, into the ledger; see `record`."""
    with locked(campaign.folder):
        ledger = planned_ledger(campaign)
        result = _merged(campaign, ledger, returned, replace_filled, dry_run)
    blank = _blank_over_filled(result.ledger, returned) if replace_filled else ()
    lacking = (
        *_without_logarithm(campaign, returned),
        *_not_in_sheet(result.ledger, returned),
        *_only_noted(result.ledger, returned),
    )
    return replace(result, notices=(*result.notices, *lacking, *blank))


def _without_logarithm(campaign: Campaign, returned: Returned) -> Iterator[Notice]:
    """Yield the question about each zero in a response of which the logarithm is modelled."""
    for back in returned.rows:
        for response in campaign.responses:
            value = back.responses.get(response.column)
            if response.scale != "log" or isinstance(value, Censored) or value is None or value > 0:
                continue
            place = Where(returned.file or None, back.line, _cell(back, response.column))
            amount = f"{value:g} {response.unit}".rstrip()
            what = (
                f"Run {back.run}: {response.words} is {amount} ({place}). Its logarithm is what "
                f"fit models, and only a value above zero has one: with this, {response.words} is "
                "left out of the fit, with all its runs. Was nothing found? Then write < and the "
                "limit of detection, as <0.05, and hand the sheet in with --replace."
            )
            yield Notice("no-logarithm", what)


def _cell(back: ReturnedRow, column: str) -> str:
    address = back.cells.get(column)
    return f"{address} ({column})" if address else column


def _not_in_sheet(ledger: Ledger, returned: Returned) -> Iterator[Notice]:
    """Yield what a sheet has nothing of: all results, or each response that nobody told so far."""
    if not any(_tells(back) for back in returned.rows):
        what = f"There are no results in {returned.file or 'this sheet'}. Is it the filled one?"
        yield Notice("no-results-in-sheet", what)
        return
    told = {back.run: back for back in returned.rows}
    done = [row for row in ledger.rows if row.run in told and _wants_results(row)]
    for j, response in enumerate(ledger.schema.responses):
        if response.source is not None or not done or any(r.responses[j] is not None for r in done):
            continue
        there = any(response.column in back.cells for back in returned.rows)
        how = f"its column {response.column} is {'empty in every row' if there else 'not there'}"
        few = len(done) == 1
        what = (
            f"{capital(response.words)}: {how}, and "
            f"{runs_in_words([row.run for row in done]).lower()} "
            f"{'has' if few else 'have'} no value of it so far. Hand it in once it is measured; "
            f"until then fit knows nothing of it from {'this run' if few else 'these runs'}."
        )
        yield Notice("response-not-in-sheet", what)


def _only_noted(ledger: Ledger, returned: Returned) -> Iterator[Notice]:
    """Yield the question about each run that came back with a note and without a result."""
    rows = {row.run: row for row in ledger.rows if not prepares(row)}
    for back in returned.rows:
        row = rows.get(back.run)
        if row is None or not back.notes or row.status == "left out":
            continue
        if any(value is not None for value in (*row.responses, *row.weighed)):
            continue
        counts = "made, its values as missing" if row.status == "done" else "still to be made"
        what = (
            f"Run {back.run} came back with a note and no result (“{back.notes}”), and counts as "
            f"{counts}. If it is lost, say why in left_out_because, in a few words, and hand the "
            "sheet in again."
        )
        yield Notice("only-noted", what)


def _tells(back: ReturnedRow) -> bool:
    """Tell whether a row of a sheet says anything that only the run could tell."""
    cells = (back.achieved, back.responses, back.weighed, back.drawn)
    return any(cells) or bool(back.left_out_because or back.notes)


def _wants_results(row: LedgerRow) -> bool:
    return row.status == "done" and not prepares(row)


def _merged(
    campaign: Campaign,
    ledger: Ledger,
    returned: Returned,
    replace_filled: bool,
    dry_run: bool,
    bottles: Bottles | None = None,
) -> RecordResult:
    """Merge what came back into the ledger and write it; the caller holds the lock."""
    path = campaign.folder / LEDGER_FILE
    former = ledger
    ledger, changes = _with_sheet(campaign, ledger, returned, replace_filled)
    derived = None
    if campaign.schema.derives or campaign.schema.drawn:
        if bottles is None:
            bottles = _drawn(campaign, ledger, returned)
        weighed = {back.run for back in returned.rows if back.weighed}
        weighed |= {change.run for change in changes if change.column == "lot"}
        derived = _derived(campaign, ledger, changes, weighed, bottles, replace_filled)
        ledger, changes = derived.ledger, derived.changes
    if not dry_run:
        for name, text in (derived.files if derived else {}).items():
            write_page(campaign.folder / name, text, keep=name == "portions.csv")
        write_ledger(path, ledger)
    touched = {change.run for change in changes}
    rows = [row for row in ledger.rows if row.run in touched]
    cut = tuple(_cut_short(campaign, rows, returned))
    odd = as_recorded.recorded_oddly(campaign, rows, ledger.rows)
    notices = (
        *(notice for _, notice in cut),
        *campaign.notices(),
        *returned.notices,
        *ledger.notices,
        *(derived.notices if derived else ()),
        *_other_lots(former, changes),
        *(one for one in odd if not any(one.what.startswith(told) for told, _ in cut if told)),
        *standing.looked_over(campaign, ledger),
    )
    if dry_run:  # nothing was handed in that could be replaced
        notices = tuple(
            replace(one, what=one.what.replace(" in again, with --replace", " in"))
            for one in notices
        )
    written = [path, *(campaign.folder / name for name in (derived.files if derived else {}))]
    return RecordResult(campaign, changes, ledger, dry_run, tuple(written), notices)


def _with_sheet(
    campaign: Campaign, ledger: Ledger, returned: Returned, replace_filled: bool
) -> tuple[Ledger, tuple[Change, ...]]:
    """Return what `with_results` does; a sheet that was replaced is refused as that alone."""
    try:
        return with_results(ledger, returned, replace_filled)
    except ResultsError as error:
        replaced = _replaced_sheet(campaign, ledger, returned)
        raise ResultsError(*([replaced] if replaced else error.problems)) from None


def _replaced_sheet(campaign: Campaign, ledger: Ledger, returned: Returned) -> Problem | None:
    """Return the problem of a sheet that is one of those in history/ and not the plan's."""
    from doe.sheet import read_sheet

    rows = {row.run: row for row in ledger.rows}
    planned = {row.run: row.settings for row in ledger.rows}
    told = {back.run: settings for back in returned.rows if (settings := _told(campaign, back))}
    moved = [run for run, at in told.items() if not _alike(campaign, at, planned.get(run))]
    if not moved:
        return None
    for path in sorted((campaign.folder / "history").glob("sheet-stage*.csv"), reverse=True):
        try:
            former = read_sheet(path, campaign.schema)
        except DoeError:
            continue  # of a campaign file that had other columns: it can be no sheet of these
        then = {back.run: _told(campaign, back) for back in former.rows}
        if not all(_alike(campaign, at, then.get(run)) for run, at in told.items()):
            continue
        first = moved[0]
        now = f"run {first} is now at {standing.setting_words(campaign.space, planned[first])}"
        what = (
            f"this sheet was replaced (history/{path.name} is its copy): it has run {first} at "
            f"{standing.setting_words(campaign.space, told[first])}, and "
            f"{now if first in rows else f'the plan has no run {first} any more'}. Nothing was "
            "taken from it."
        )
        return Problem(
            "sheet-replaced", what, Where(returned.file or None), _of_replaced(campaign, told, rows)
        )
    return None


def _of_replaced(
    campaign: Campaign, told: Mapping[int, tuple[float, ...]], rows: Mapping[int, LedgerRow]
) -> str:
    """Return what to do with results of runs (told, k) that were made by a replaced sheet."""
    stages = {rows[run].stage for run in told if run in rows}
    free = [row for row in rows.values() if row.stage in stages]
    pairs = {}
    for run, at in told.items():
        same = next((row for row in free if _alike(campaign, at, row.settings)), None)
        if same is not None:
            free.remove(same)
            pairs[run] = same.run
    renamed = [
        f"{run} is {'still' if run == now else 'now'} run {now}" for run, now in pairs.items()
    ]
    others = [run for run in told if run not in pairs]
    remedy = "Work by the sheet that took its place."
    if renamed:
        remedy += (
            " Results of runs made by it belong into the rows with their settings: "
            f"{'; '.join(renamed)}."
        )
    if others:
        remedy += (
            f" No row has the settings of {runs_in_words(others).lower()}: if made, enter "
            "it in the row of a run that will not be made, with all that was really set in the "
            "achieved_ columns, and say so in the notes."
        )
    return remedy


def _told(campaign: Campaign, back: ReturnedRow) -> tuple[float, ...]:
    """Return the planned settings (k,) that a row of a sheet tells; empty unless all of them."""
    columns = campaign.space.columns
    if any(column not in back.settings for column in columns):
        return ()
    return tuple(back.settings[column] for column in columns)


def _alike(campaign: Campaign, one: Sequence[float], other: Sequence[float] | None) -> bool:
    """Tell whether two settings (k,) are the same, but for what a spreadsheet rounds."""
    if not other:
        return False
    return all(map(same_setting, campaign.space, other, one))


@dataclass(frozen=True, slots=True)
class _Derived:
    """The ledger with derived responses, all changes, and the files to write beside it."""

    ledger: Ledger
    changes: tuple[Change, ...]
    files: Mapping[str, str]
    notices: tuple[Notice, ...]


def _derived(
    campaign: Campaign,
    ledger: Ledger,
    changes: tuple[Change, ...],
    weighed: set[int],
    new: Bottles | None,
    replace_filled: bool,
) -> _Derived:
    """Work out the responses of the runs whose masses or bottles came in, changed or not."""
    from doe.derived import DERIVED_FILE, PORTIONS_FILE, bottles_in, from_masses
    from doe.sheet.portions import Bottles, bottles_csv, with_bottles

    kept = campaign.folder / PORTIONS_FILE
    old = (bottles_in(campaign, kept) if kept.exists() else None) or Bottles()
    new = new or Bottles()
    _check_bottles(ledger, new)
    bottles, more = with_bottles(old.rows, new.rows, replace_filled)
    files = {PORTIONS_FILE: bottles_csv(bottles)} if more else {}
    timed = as_recorded.bottled_oddly(campaign, ledger.rows, bottles, {b.run for b in new.rows})
    if not campaign.schema.derives:
        return _Derived(ledger, (*changes, *more), files, (*new.notices, *timed))
    touched = weighed | {bottle.run for bottle in new.rows}
    found = from_masses(campaign, ledger, bottles, touched)
    try:
        ledger, derived = with_results(ledger, found.returned, replace_filled)
    except ResultsError as error:
        raise ResultsError(*map(_as_derived, error.problems)) from None
    if found.returned.rows:
        files[DERIVED_FILE] = found.table
    notices = (*new.notices, *timed, *found.notices)
    return _Derived(ledger, (*changes, *more, *derived), files, notices)


def _other_lots(former: Ledger, changes: Sequence[Change]) -> Iterator[Notice]:
    """Yield a notice on each run that took another lot than was planned."""
    blank = {row.run for row in former.rows if not started(row)}
    for change in changes:
        if change.column == "lot" and change.old and change.run in blank:
            what = (
                f"Run {change.run} took feedstock lot {from_plain_text(change.new)}, where "
                f"{from_plain_text(change.old)} was planned. Lots are told apart from settings by "
                "how the plan spreads them: fit takes the lot that was used."
            )
            yield Notice("lot-changed", what)


def _cut_short(
    campaign: Campaign, rows: Sequence[LedgerRow], returned: Returned
) -> Iterator[tuple[str, Notice]]:
    """Yield a notice on each run that seems to have ended early, with the choice that is open.

    With each stands how the notice on the same far-off value begins, which it makes needless. Runs
    with a log are judged by it.
    """
    logged = read_log_records(campaign.folder)
    sheet = {back.run: back for back in returned.rows}
    for row in rows:
        if row.status != "done" or row.run in logged or row.run not in sheet:
            continue
        short, begins = _far_below(campaign, row)
        word = SPEAKS_OF_A_STOP.search(row.notes)
        said = f"its note speaks of “{word[0]}”" if word else ""
        if not (short or said):
            continue
        reason = word[0].lower() if word else "cut short"
        address = sheet[row.run].cells.get("left_out_because")
        cell = f", cell {address} (run {row.run})" if address else ""
        what = (
            f"Run {row.run}: {' and '.join(filter(None, (short, said)))}. Choose: keep it as "
            "achieved, then there is nothing to do, and it is fitted at what was reached; or leave "
            f"it out and repeat it: write “repeat: {reason}” into left_out_because{cell}, hand the "
            f"sheet in again, then doe augment {campaign.name} --by repair. If a figure is a slip, "
            "correct it and hand it in with --replace."
        )
        yield begins, Notice("cut-short", what)


def _far_below(campaign: Campaign, row: LedgerRow) -> tuple[str, str]:
    """Return what of time and flow lay far below the plan, and how `odd` begins on it."""
    for factor, planned, got in zip(campaign.space, row.settings, row.achieved, strict=True):
        if factor.name in ("time", "flow") and got is not None and got < SHORT * planned:
            what = f"{factor.name} {got:g} of {planned:g} {factor.unit} planned"
            return what, f"Run {row.run}: {factor.name} "
    return "", ""


def _drawn(campaign: Campaign, ledger: Ledger, returned: Returned) -> Bottles | None:
    """Return the samples and drained portions that a filled sheet says of; None where of none."""
    from doe.derived import PORTIONS_FILE, bottles_in
    from doe.sheet.portions import Bottles, drained_bottles, drawn_bottles

    back = [row for row in returned.rows if row.drawn]
    if not back:
        return None
    samples = Bottles()
    if campaign.samples is not None:
        kept = campaign.folder / PORTIONS_FILE
        old = bottles_in(campaign, kept) if kept.exists() else None
        minutes = campaign.sample_minutes(np.array([row.settings for row in ledger.rows]))
        planned = {row.run: at.tolist() for row, at in zip(ledger.rows, minutes, strict=True)}
        known = old.rows if old else ()
        samples = drawn_bottles(back, campaign.samples, planned, known, returned.file)
    rows = (*drained_bottles(back, returned.file), *samples.rows)
    return Bottles(rows, samples.notices) if rows or samples.notices else None


def _check_bottles(ledger: Ledger, bottles: Bottles) -> None:
    """Refuse bottles of unknown runs, and amounts below zero."""
    runs = {row.run for row in ledger.rows}
    remedy = "Correct the number, or check that the file belongs to this campaign."
    problems = [
        Problem("unknown-run", f"the ledger has no run {b.run}.", b.where, remedy)
        for b in bottles.rows
        if b.run not in runs
    ]
    problems += [
        Problem(
            "impossible-value",
            f"run {b.run}, {b.label}: {column} is {value:g}; allowed is 0 or more.",
            b.where,
            "Correct it, or leave the cell blank.",
        )
        for b in bottles.rows
        for column, value in b.cells.items()
        if column in ("volume_mL", "mass_g", "discard_mL") and value < 0
    ]
    if problems:
        raise ResultsError(*problems)


def _as_derived(problem: Problem) -> Problem:
    """Return a problem of the ledger in the words of what was derived, not of a sheet."""
    what = problem.what.replace("the sheet says", "masses and portions now give")
    return replace(problem, what=what, remedy="If they are right, record them with --replace.")


def after_recording(result: RecordResult) -> str:
    """Return the next command after a recording.

    The sheet that a log goes before, repeats that were asked for, or the fit.
    """
    name, ledger = result.campaign.name, result.ledger
    if any(notice.code in ("more-than-all", "below-zero") for notice in result.notices):
        return f"doe record {name} FILE --replace   (the corrected sheet)"
    if result.log is not None:
        own = next(row for row in ledger.rows if row.run == result.log.record.run)
        if own.status != "left out" and not any(v is not None for v in own.responses):
            return f"doe record {name} FILE   (the filled sheet)"
    return standing.next_step(result.campaign, ledger, standing.NextStep(f"doe fit {name}")).words


def _blank_over_filled(ledger: Ledger, returned: Returned) -> tuple[Notice, ...]:
    """Return a notice where a blank cell of a sheet meets a filled one, which stays."""
    rows = {row.run: row for row in ledger.rows}
    kept = [
        back.run
        for back in returned.rows
        if (row := rows.get(back.run)) is not None
        and (
            (row.left_out_because and not back.left_out_because)
            or any(
                value is not None and column not in back.responses
                for column, value in zip(ledger.schema.response_columns, row.responses, strict=True)
            )
        )
    ]
    if not kept:
        return ()
    return (
        Notice(
            "blank-changes-nothing",
            f"{runs_in_words(kept)}: a blank cell of the sheet leaves what is recorded. "
            "To withdraw a value, empty its cell in runs.csv (and set the status to planned).",
        ),
    )
