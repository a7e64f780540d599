"""One function a use case: from what the person asks to what is written and found.

Each reads the campaign file and the ledger afresh, hands facts from room to room, writes whole
files or none, and returns what it found as a frozen result. What long work is doing goes to `say`.

Shapes: n runs, k factors.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from doe import adding, as_recorded, augmenting, confirming, recording, standing, suggesting
from doe.augmenting import AugmentWish, Offer
from doe.beside import beside
from doe.campaign import (
    CAMPAIGN_FILE,
    Affordable,
    Campaign,
    campaign_names,
    find_campaign,
    find_workspace,
    shaping_parts,
)
from doe.campaign_file import read_campaign
from doe.confirming import confirmations
from doe.derived import closures
from doe.errors import (
    DesignError,
    DoeError,
    FitError,
    InfeasibleError,
    Notice,
    StateError,
)
from doe.ledger import (
    Ledger,
    LedgerRow,
    locked,
    prepares,
    read_ledger,
    started,
    write_ledger,
)
from doe.modelling import (
    Finding,
    ModelName,
    all_notices,
    analysis_of,
    days_of,
    days_told,
    findings,
    found_notices,
    landscape,
    not_heeded,
    observations,
    other_than_planned,
    scale_notices,
    screenings,
    shown_of,
    too_much_planned,
    with_evidence_of,
    with_outliers_of,
    with_recommendation,
)
from doe.planning import (
    Judgement,
    PlanWish,
    chosen,
    judged,
    lots_of,
    needs_of,
    rows_of,
    sample_notices,
    scheduled,
    scheduled_after,
)
from doe.region import RegionMap, Survey, survey
from doe.schedule import Schedule
from doe.stage import MadeBy, StageRecord, read_stage, stage_file, write_stage
from doe.standing import LEDGER_FILE, NextStep, ledger_or_empty, planned_ledger
from doe.stops import printed_stops
from doe.whole_file import write_page
from doe.wording import listed

if TYPE_CHECKING:
    from doe.analysis.confirmation import Confirmed, Promise
    from doe.analysis.extraction import ExtractionCurves
    from doe.analysis.landscape import Landscape
    from doe.analysis.optimum import Analysis
    from doe.analysis.screened import ScreeningVerdict
    from doe.analysis.shown import Shown
    from doe.design.matrix import Design
    from doe.logged import LogWish
    from doe.report.pictures import RunPoints
    from doe.sheet import StopLimit, StopLimits
    from doe.suggest import Suggestion

__all__ = [
    "AugmentResult",
    "CheckResult",
    "FitResult",
    "NewResult",
    "PlanResult",
    "StatusResult",
    "SuggestResult",
    "augment",
    "check",
    "fit",
    "load",
    "new",
    "plan",
    "record",
    "status",
    "suggest",
    "workspace_of",
]

Say = Callable[[str], None]
AS_THE_TOOL_CHOOSES = PlanWish()
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")


def _silent(_: str) -> None:
    """Say nothing."""


@dataclass(frozen=True)
class NewResult:
    """A campaign folder just made."""

    campaign: Campaign
    files: tuple[Path, ...]
    notices: tuple[Notice, ...]


@dataclass(frozen=True)
class CheckResult:
    """What the rig can run of a campaign, and what the budget buys."""

    campaign: Campaign
    survey: Survey
    maps: tuple[RegionMap, ...]
    affordable: Affordable
    closed_in: tuple[str, ...]
    next_step: NextStep
    files: tuple[Path, ...]
    notices: tuple[Notice, ...]


@dataclass(frozen=True)
class PlanResult:
    """A stage planned: its design in run order, and its rows in the ledger."""

    campaign: Campaign
    stage: int
    design: Design
    judgement: Judgement
    rows: tuple[LedgerRow, ...]
    days: Schedule | None
    affordable: Affordable
    files: tuple[Path, ...]
    notices: tuple[Notice, ...]


@dataclass(frozen=True)
class FitResult:
    """The models of all responses, the runs that each used, and the best settings."""

    campaign: Campaign
    stage: int
    analysis: Analysis
    findings: Mapping[str, Finding]
    landscape: Landscape
    screenings: Mapping[str, ScreeningVerdict]
    curves: ExtractionCurves
    points: Mapping[str, tuple[RunPoints, ...]]
    next_step: NextStep
    files: tuple[Path, ...]
    notices: tuple[Notice, ...]
    shown: Shown


@dataclass(frozen=True)
class SuggestResult:
    """The next runs, and their rows in the ledger: those they got, or would get if accepted.

    `numbers` are their run numbers, in the order to run them; `rows` hold what is run before the
    first of them too.
    """

    campaign: Campaign
    stage: int
    analysis: Analysis
    suggestion: Suggestion
    numbers: tuple[int, ...]
    accepted: bool
    rows: tuple[LedgerRow, ...]
    next_step: NextStep
    files: tuple[Path, ...]
    notices: tuple[Notice, ...]


@dataclass(frozen=True)
class AugmentResult:
    """Ways to add runs, each with what it buys; `planned` is the stage of the one asked for."""

    campaign: Campaign
    stage: int
    offers: tuple[Offer, ...]
    planned: PlanResult | None
    accepted: bool
    next_command: str
    files: tuple[Path, ...]
    notices: tuple[Notice, ...]


@dataclass(frozen=True)
class StatusResult:
    """Where a campaign stands; `done` says that its settings are confirmed, where they are."""

    campaign: Campaign
    ledger: Ledger | None
    affordable: Affordable
    missing: tuple[str, ...]
    next_step: NextStep
    done: str
    files: tuple[Path, ...]
    notices: tuple[Notice, ...]


# ------------------------------------------------------------------------------ the use cases


def load(asked: str, start: Path) -> Campaign:
    """Return the campaign for a bare name, a folder or a file.

    Raises
    ------
    StateError
        There is no such campaign.
    CampaignFileError
        All that is wrong with its file.
    """
    return read_campaign(find_campaign(asked, start))


def workspace_of(start: Path) -> Path:
    """Return the workspace that a command started in `start` works in: found, or to be made."""
    return find_workspace(start) or start


def new(name: str, start: Path) -> NewResult:
    """Make a campaign folder with a commented file that works as it stands.

    Raises
    ------
    StateError
        The name is no folder name, is taken, or the folder cannot be written.
    """
    if not _NAME.fullmatch(name):
        raise StateError.of(
            "bad-name",
            f"“{name}” cannot be a campaign's name.",
            "Use letters, digits, - and _, a letter or digit first, 64 at most: "
            "doe new mint-leaves",
        )
    workspace = workspace_of(start)
    taken = {other.casefold() for other in campaign_names(workspace)}
    path = workspace / "designs" / name / CAMPAIGN_FILE
    if name.casefold() in taken or path.exists():
        raise StateError.of(
            "name-taken",
            f"there is a campaign “{name}” already.",
            f"Choose another name, or go on with it: doe check {name}",
            file=str(path),
        )
    text = files("doe").joinpath("templates/campaign.toml").read_text(encoding="utf-8")
    write_page(path, text.replace("{{name}}", name))
    (workspace / "reports").mkdir(exist_ok=True)
    campaign = read_campaign(path)
    return NewResult(campaign, (path,), campaign.notices())


def check(asked: str, start: Path, say: Say = _silent) -> CheckResult:
    """Find what the rig can run of the factors' ranges, what limits it, and what the budget buys.

    Raises
    ------
    StateError, CampaignFileError
    """
    from doe import views
    from doe.report.check_page import check_page

    campaign = load(asked, start)
    say("asking the rig's limits all over the ranges")
    found = survey(campaign.space, campaign.envelope, campaign.held_settings())
    at = views.middle_setting(campaign)
    wide = views.pressure_map(campaign, at)
    maps = (*((wide,) if wide else ()), *views.box_maps(campaign, at))
    affordable = campaign.affordable()
    corners = campaign.space.corners()
    possible = corners[campaign.feasible(corners)]
    closed_in = views.closed_in_sentences(campaign, possible if len(possible) else at[None, :])
    then, of_ledger = _after_checking(campaign, found)
    notices = (*of_ledger, *campaign.notices(), *campaign.envelope(at[None, :]).notices)
    page = check_page(
        views.header(campaign, "check", then, notices=notices),
        campaign.space,
        found,
        maps,
        [(name, text, name == affordable.binds) for name, _, text in affordable.parts],
        closed_in,
        runs=affordable.runs,
    )
    file = write_page(_report(campaign, "check"), page)
    return CheckResult(campaign, found, maps, affordable, closed_in, then, (file,), notices)


def _after_checking(campaign: Campaign, found: Survey) -> tuple[NextStep, tuple[Notice, ...]]:
    """Return what comes next by what the rig can run and the ledger holds; what to mind of it.

    A ledger that no longer fits the file is told of by `status`.
    """
    try:
        ledger = ledger_or_empty(campaign)
    except DoeError:
        return NextStep(f"doe status {campaign.name}"), ()
    notices = standing.looked_over(campaign, ledger)
    if found.feasible_fraction == 0 or (found.levels_out and not ledger.rows):
        return _after_changing_the_file(campaign), notices
    done = confirming.done_words(campaign, ledger, _verdicts_so_far(campaign, ledger))
    return _next_by_ledger(campaign, ledger, done), notices


def _after_changing_the_file(campaign: Campaign, because: str = "") -> NextStep:
    by_hand = "change campaign.toml as said above"
    return NextStep(f"doe check {campaign.name}", because, by_hand=by_hand)


def plan(
    asked: str,
    start: Path,
    *,
    wish: PlanWish = AS_THE_TOOL_CHOOSES,
    say: Say = _silent,
) -> PlanResult:
    """Plan the first stage: choose a design, put its runs in random order, write ledger and sheets.

    Parameters
    ----------
    wish
        What the person names of the design. Without a number of runs it is what the budget buys,
        and no more than the design needs.

    Raises
    ------
    StateError
        A run has been started: a plan that is under way is not replaced.
    DesignError, InfeasibleError
        The design asked for cannot be made.
    """
    from doe.design.matrix import randomised

    campaign = load(asked, start)
    affordable = campaign.affordable()
    with locked(campaign.folder):
        ledger = ledger_or_empty(campaign)
        _refuse_if_started(campaign, ledger)
        say("choosing a design")
        design = chosen(campaign, affordable, wish)
        design = randomised(design, np.random.default_rng([design.seed, 1]))
        days = scheduled(campaign, design, first_run=1, first_day=1)
        lots = lots_of(campaign, design, days)
        if lots.runs:
            days = scheduled(campaign, design, first_run=1, first_day=1, lots=lots.runs)
        rows = rows_of(campaign, design, days, stage=1, first_run=1, lots=lots)
        left = standing.left_to_plan(campaign, rows)
        if left.runs > 0:
            design = replace(design, reason=f"{design.reason} {left.sentence}")
        say("judging what the design can tell")
        result, page = _judged_plan(
            campaign, 1, design, rows, days, affordable, of_lots=lots.notices
        )
        sheets = _sheets(campaign, 1, rows)
        planned = Ledger(campaign.schema, rows, ledger.extra_columns)
        write_ledger(campaign.folder / LEDGER_FILE, planned)
        stage_path = write_stage(campaign.folder, _stage_record(campaign, 1, "plan", design, rows))
        for later in (campaign.folder / "stages").glob("*.toml"):
            if later != stage_path:
                later.unlink()  # of a former plan that no run was made of
        report = write_page(_report(campaign, "plan", 1), page)
        written = (report, campaign.folder / LEDGER_FILE, *_write(sheets), stage_path)
    return replace(result, files=written)


def record(
    asked: str,
    start: Path,
    sheet: Path,
    *,
    replace_filled: bool = False,
    dry_run: bool = False,
    log: LogWish | None = None,
) -> recording.RecordResult:
    """Take a filled sheet, or the logger's file of one run, into the ledger.

    Parameters
    ----------
    replace_filled
        Overwrite cells that hold another value; planned settings are never overwritten.
    dry_run
        Change nothing, and tell what would change.
    log
        The file is a rig logger's: of which run, and how it is to be read.

    Raises
    ------
    ResultsError
        What the file says cannot be read or contradicts the ledger: all of it at once.
    StateError
        There is no plan, or no such file.
    """
    campaign = load(asked, start)
    path = sheet if sheet.is_absolute() else start / sheet
    if not path.is_file():
        raise StateError.of(
            "no-sheet",
            f"there is no file {path}.",
            f"Give the filled sheet: doe record {campaign.name} FILE",
            file=str(path),
        )
    return recording.recorded(campaign, path, replace_filled, dry_run, log)


def fit(
    asked: str,
    start: Path,
    *,
    model: ModelName | None = None,
    by_day: bool = False,
    say: Say = _silent,
) -> FitResult:
    """Fit every response with the results so far, find the best settings, write the report.

    Parameters
    ----------
    model
        Fit this model as asked, without falling back to a smaller one; None fits as much
        of the model that the purpose wants as the runs can carry, whatever their values.
    by_day
        Take differences between days out, each day a block.

    Raises
    ------
    FitError
        The results cannot carry the model.
    StateError
        There is no plan, or no results.
    """
    from doe import views
    from doe.report.fit_page import fit_page
    from doe.timed import extraction_curves

    campaign = load(asked, start)
    ledger = planned_ledger(campaign)
    count = len(campaign.responses)
    say(f"fitting {count} response{'s' if count > 1 else ''}")
    observed, notices = observations(campaign, ledger, by_day=by_day)
    try:
        fitted = analysis_of(campaign, observed, model)
    except FitError as error:
        in_cells = suggesting.in_the_ledger(campaign, error)
        raise suggesting.after_unit(campaign, ledger, in_cells) from error
    except InfeasibleError as error:
        raise suggesting.after_forbidden(campaign, ledger, error) from error
    several_days = len(set(days_of(ledger))) > 1 and not by_day
    screened = screenings(campaign, fitted, observed)
    days = days_of(ledger) if several_days else None
    say("weighing the models")
    finding = beside(lambda: findings(campaign, fitted, observed, screened, days))
    confirmed = confirmations(campaign, ledger, observed, closures(campaign))
    settled = confirming.settled(ledger, confirmed)
    analysis = with_recommendation(campaign, fitted, observed, days_told(ledger), settled)
    around = landscape(campaign, analysis)
    curves = extraction_curves(campaign, ledger)
    found = finding()
    analysis = with_evidence_of(with_outliers_of(analysis, found), found)
    analysis = _choice_allowed_for(analysis, around)
    told = shown_of(campaign, analysis, found, screened, around)
    stage = max(row.stage for row in ledger.rows if started(row))
    asking = f"doe suggest {campaign.name}"
    done = confirming.done_words(campaign, ledger, confirmed)
    failed = confirming.not_confirmed(ledger, confirmed)
    then = standing.next_step(
        campaign,
        ledger,
        _reading(campaign, _report(campaign, "fit", stage), done, leads=True)
        if done
        else NextStep(
            asking,
            f"{failed}All planned runs are in. {asking} says what to run next, or to stop.",
            leads=bool(failed),
        ),
    )
    slips = as_recorded.impossible_values(campaign, as_recorded.done_runs(ledger.rows))
    doubted = " ".join(filter(None, [*(slip.what for slip in slips), not_heeded(analysis)]))
    if doubted:
        then = replace(then, because=f"{doubted} {then.because}", leads=True)
    notices = (
        *campaign.notices(),
        *ledger.notices,
        *notices,
        *(c.notice for c in confirmed),
        *all_notices(analysis),
        *found_notices(analysis, found),
        *other_than_planned(campaign, ledger, analysis, model),
        *scale_notices(analysis, found),
        *(notice for verdict in screened.values() for notice in verdict.notices),
        *curves.notices,
    )
    # A page does not send to itself.
    of_page = replace(then, command="", by_hand="") if done else then
    say("drawing the report")
    points = _points_used(ledger, analysis)
    page = fit_page(
        views.header(campaign, "fit", of_page, stage=stage, notices=notices),
        analysis,
        campaign.space,
        views.surfaces(campaign, analysis, points),
        views.effect_curves(campaign, analysis),
        evidence=replace(
            views.fit_evidence(campaign, analysis, points, around, screened, found, curves),
            notes=tuple((row.run, row.notes) for row in ledger.rows if started(row) and row.notes),
            shown=told,
        ),
    )
    file = write_page(_report(campaign, "fit", stage), page)
    return FitResult(
        campaign,
        stage,
        analysis,
        found,
        around,
        screened,
        curves,
        points,
        then,
        (file,),
        notices,
        told,
    )


def suggest(
    asked: str,
    start: Path,
    *,
    runs: int | None = None,
    accept: bool = False,
    instead: bool = False,
    kind: str | None = None,
    without: Sequence[str] = (),
    say: Say = _silent,
) -> SuggestResult:
    """Say which runs to make next, and why; with `accept`, append them to the ledger as a stage.

    Accepted twice without a result in between, they are planned once. Runs that were accepted and
    wait stay as they are.

    Parameters
    ----------
    runs
        How many; None for as many as fit a day and the budget still carries.
    instead
        Accept them in place of the added runs that nobody started, which are thrown away.
    kind, without
        The one kind of run that is wanted; kinds that are not.

    Raises
    ------
    FitError, DesignError, InfeasibleError, StateError
        No results yet, or no such runs; runs are accepted while other runs wait.
    """
    from doe import views
    from doe.report.suggest_page import suggest_page
    from doe.suggest import kinds_asked

    campaign = load(asked, start)
    kinds_asked(kind, without)  # what cannot be asked for is told before anything is read
    with locked(campaign.folder) if accept else contextlib.nullcontext():
        ledger = planned_ledger(campaign)
        kept, stage = adding.without_open_additions(campaign, ledger)
        added = tuple(row for row in ledger.rows if row not in kept.rows)
        if not accept:  # what waits is neither shown anew nor thrown away
            kept, stage = ledger, max(row.stage for row in ledger.rows) + 1
        wish = suggesting.SuggestWish(runs, kind, tuple(without))
        advised = suggesting.advised(campaign, kept, wish, accept, say)
        found, confirmed, analysis = advised.found, advised.confirmed, advised.analysis
        accepting = wish.command(campaign, advised.count)
        suggestion = suggesting.in_random_order(found, [campaign.seed, stage])
        design = suggesting.design_of(campaign, suggestion)
        days = scheduled_after(campaign, design, kept.next_run, kept.rows)
        rows, of_lots = adding.added_rows(campaign, kept, stage, design, days)
        if added and accept and not instead and not adding.same_runs(added, rows):
            raise adding.accepted_runs_wait(campaign, added, accepting)
        numbers = tuple(row.run for row in rows if not prepares(row))
        over = standing.over_budget(campaign, [*kept.rows, *rows])
        if wish.named:
            suggestion = suggesting.beyond_said(suggestion, over)
        none_left = suggesting.none_left_to_confirm(campaign, [*kept.rows, *rows], found)
        notices = (
            *campaign.notices(),
            *ledger.notices,
            *advised.notices,
            *over,
            *(() if confirming.not_confirmed(kept, confirmed) else none_left),
            *of_lots,
            *sample_notices(campaign, rows),
            *adding.replaced(campaign, ledger, kept, rows, accept),
            *suggesting.lost_runs_told(campaign, kept),
            *(c.notice for c in confirmed if c.notice.what not in found.why),
            *all_notices(replace(analysis, notices=found.notices)),
        )
        planned = replace(ledger, rows=(*kept.rows, *rows)) if accept else ledger
        written: tuple[Path, ...] = ()
        if accept:  # what comes next is told by the record of the stage
            written = _appended(campaign, kept, stage, "suggest", design, rows, found.promise)
        then = _after_suggesting(campaign, planned, found, accepting, accept, wish.named)
        done = {points.kind: points for points in views.run_points(kept.rows)}
        page = suggest_page(
            views.header(campaign, "suggest", then, stage=stage, notices=notices),
            suggestion,
            campaign.space,
            campaign.responses,
            views.box_maps(campaign, found.recommended.settings),
            done.get("done"),
            done.get("left out"),
            views.run_table(campaign, rows),
            views.sheet_fixed(campaign),
            views.pressure_to_set(campaign, found.recommended.settings),
        )
        file = write_page(_report(campaign, "suggest", stage), page)
    return SuggestResult(
        campaign,
        stage,
        analysis,
        suggestion,
        numbers,
        accept,
        rows,
        then,
        (file, *written),
        notices,
    )


def augment(
    asked: str,
    start: Path,
    *,
    wish: AugmentWish,
    accept: bool = False,
    instead: bool = False,
    say: Say = _silent,
) -> AugmentResult:
    """Add runs in a way that the person names; without one, say what each way would buy.

    Accepted twice without a run started in between, they are planned once. `instead` has them
    take the place of added runs that nobody started.

    Raises
    ------
    DesignError
        The way cannot be gone here, or runs are accepted without one.
    StateError, CampaignFileError
        There is no plan; all that is wrong with the campaign's file.
    """
    campaign = load(asked, start)
    if accept and wish.way is None:
        raise DesignError.of(
            "no-way",
            "--accept adds runs, and no way to add them is named.",
            f"Name one: doe augment {campaign.name} --by {'|'.join(augmenting.WAYS)} --accept",
        )
    with locked(campaign.folder) if accept else contextlib.nullcontext():
        ledger = planned_ledger(campaign)
        kept, stage = adding.without_open_additions(campaign, ledger, repairs=wish.way == "repair")
        added = tuple(row for row in ledger.rows if row not in kept.rows)
        if not accept:
            kept, stage = ledger, max(row.stage for row in ledger.rows) + 1
        first = read_stage(campaign.folder, min(row.stage for row in kept.rows))
        offers = augmenting.offered(campaign, kept, stage, first, wish, say)
        notices = (
            *campaign.notices(),
            *ledger.notices,
            *as_recorded.limits_passed(campaign, kept.rows),
            *augmenting.nothing_run_yet(kept.rows),
            *standing.looked_over(campaign, kept),
        )
        command = f"doe augment {campaign.name}{wish.as_typed}"
        chosen = offers[0]
        if wish.way is None or chosen.design is None or chosen.addition is None:
            return AugmentResult(campaign, stage, offers, None, False, command, (), notices)
        days = chosen.days
        settings = [tuple(setting) for setting in chosen.design.settings.tolist()]
        again = augmenting.lots_again(campaign, kept, settings) if chosen.way == "repair" else ()
        rows, of_lots = adding.added_rows(campaign, kept, stage, chosen.design, days, again)
        if chosen.way == "repair":
            rows = augmenting.with_reasons(campaign, kept, rows)
        if added and accept and not instead and not adding.same_runs(added, rows):
            raise adding.accepted_runs_wait(campaign, added, f"{command} --accept")
        say("judging what all runs together can tell")
        affordable = campaign.affordable()
        planned, page = _judged_plan(
            campaign,
            stage,
            chosen.design,
            rows,
            days,
            affordable,
            kept.rows,
            of_lots,
            None if accept else f"{command} --accept",
        )
        void = adding.replaced(campaign, ledger, kept, rows, accept)
        notices = (*notices, *void, *planned.notices)
        written: tuple[Path, ...] = ()
        if accept:
            written = _appended(campaign, kept, stage, "augment", chosen.design, rows)
        report = write_page(_report(campaign, "plan" if accept else "proposal", stage), page)
    return AugmentResult(
        campaign,
        stage,
        offers,
        planned,
        accept,
        f"doe record {campaign.name} FILE" if accept else f"{command} --accept",
        (report, *written),
        tuple(dict.fromkeys(notices)),
    )


def status(asked: str, start: Path) -> StatusResult:
    """Tell where a campaign stands, what is missing, and what is next.

    Raises
    ------
    StateError, CampaignFileError
    """
    campaign = load(asked, start)
    path = campaign.folder / LEDGER_FILE
    ledger = read_ledger(path, campaign.schema) if path.exists() else None
    missing = standing.missing(campaign, ledger) if ledger else ()
    there = [path] if ledger else []
    there += sorted(_reports_folder(campaign).glob(f"{campaign.name}-*.html"))
    rows = () if ledger is None else ledger.rows
    notices = (*as_recorded.limits_passed(campaign, rows), *campaign.notices())
    if ledger is not None:
        notices = (*notices, *ledger.notices, *standing.looked_over(campaign, ledger))
        notices = (*notices, *standing.boiled_runs(campaign, ledger))
        notices = (*notices, *as_recorded.values_to_check(campaign, ledger.rows))
    ledger_now = ledger or Ledger(campaign.schema, ())
    confirmed = _verdicts_so_far(campaign, ledger_now)
    if confirmed and not confirmed[-1].held:
        notices = (confirmed[-1].notice, *notices)
    done = confirming.done_words(campaign, ledger_now, confirmed)
    return StatusResult(
        campaign,
        ledger,
        campaign.affordable(),
        missing,
        _next_by_ledger(campaign, ledger_now, done),
        done,
        tuple(there),
        notices,
    )


def _verdicts_so_far(campaign: Campaign, ledger: Ledger) -> tuple[Confirmed, ...]:
    """Return what confirming runs came to; nothing is worked out where none was made."""
    if not any(row.kind == "confirm" and row.status == "done" for row in ledger.rows):
        return ()
    observed, _ = observations(campaign, ledger)
    return confirmations(campaign, ledger, observed, closures(campaign))


def _next_by_ledger(campaign: Campaign, ledger: Ledger, done: str) -> NextStep:
    """Return what comes next by what the ledger holds; `done` says that settings are confirmed."""
    otherwise = _reading_the_report(campaign, ledger)
    alike = [column for _, column, _ in standing.alike(ledger)]
    if len(alike) == len(campaign.responses):  # a fit would only refuse them
        by_hand = f"check {listed(alike)} in runs.csv"
        otherwise = NextStep(f"doe record {campaign.name} FILE --replace", by_hand=by_hand)
    if not done and not otherwise.command:
        otherwise = NextStep(f"doe suggest {campaign.name}")
    return standing.next_step(campaign, ledger, otherwise)


def _reading_the_report(campaign: Campaign, ledger: Ledger) -> NextStep:
    """Return where to read what is known: in the report, or by making it where it is not there."""
    stages = [row.stage for row in ledger.rows if started(row)]
    report = _report(campaign, "fit", max(stages, default=1))
    if not standing.made_of_this(campaign, report):
        return NextStep(
            f"doe fit {campaign.name}", "The report says what is known, and how surely."
        )
    return _reading(campaign, report)


def _reading(campaign: Campaign, report: Path, because: str = "", leads: bool = False) -> NextStep:
    by_hand = f"read {report.relative_to(campaign.workspace)}"
    return NextStep("", because, leads, by_hand)


# ---------------------------------------------------------------------------------- planning


def _refuse_if_started(campaign: Campaign, ledger: Ledger) -> None:
    begun = [row.run for row in ledger.rows if started(row)]
    if begun:
        numbers = ", ".join(map(str, begun[:5])) + (" …" if len(begun) > 5 else "")
        raise StateError.of(
            "stage-started",
            f"{campaign.name} has results already (run {numbers}), so its plan stays as it is.",
            f"Add runs with: doe suggest {campaign.name} --accept. For another plan make another "
            "campaign: doe new NAME",
            file=str(campaign.folder / LEDGER_FILE),
        )


def _stage_record(
    campaign: Campaign,
    stage: int,
    made_by: MadeBy,
    design: Design,
    rows: Sequence[LedgerRow],
    promise: Promise | None = None,
) -> StageRecord:
    from doe.views import versions

    stops = printed_stops(campaign, rows)
    return StageRecord(
        stage=stage,
        made_by=made_by,
        seed=design.seed,
        family=design.family,
        model=design.model,
        reason=design.reason,
        runs=tuple(row.run for row in rows),
        plots=len({row.plot for row in rows if not prepares(row)}),
        days=len({row.day for row in rows if row.day is not None}),
        planned=standing.planned_hash(rows, Ledger(campaign.schema, tuple(rows))),
        fixed=campaign.fixed_in_words(),
        campaign_file=campaign.file_hash,
        shaping=shaping_parts(campaign),
        versions=dict(versions()),
        promised_of=0 if promise is None else promise.runs,
        promised={} if promise is None else promise.intervals,
        pressure_unit=campaign.rig.shown_unit,
        stop_above_C=_by_run(stops, lambda stop: stop.temperature_above_C),
        stop_pressure_above=_by_run(stops, lambda stop: stop.pressure_above),
        stop_pressure_below=_by_run(stops, lambda stop: stop.pressure_below),
    )


def _by_run(
    stops: Mapping[int, StopLimits], one: Callable[[StopLimits], StopLimit | None]
) -> dict[str, float]:
    """Return by run the value of one of its stop limits, where it is known."""
    return {str(run): found.value for run, stop in stops.items() if (found := one(stop))}


_Sheets = tuple[tuple[Path, str | bytes], ...]


def _sheets(campaign: Campaign, stage: int, rows: Sequence[LedgerRow]) -> _Sheets:
    """Return the bench sheet for print and for filling in, each with its place."""
    from doe import views
    from doe.sheet import SheetWords, sheet_csv, sheet_html, sheet_xlsx

    told = SheetWords(
        campaign=campaign.title,
        stage=stage,
        fixed=views.sheet_fixed(campaign),
        limits=views.sheet_limits(campaign, rows),
        cautions=views.sheet_cautions(campaign, rows),
        unconfirmed_limits=not campaign.limits_confirmed,
        provenance=(
            ("campaign", campaign.name),
            ("seed", str(campaign.seed)),
            ("campaign.toml", f"sha256 {campaign.file_hash[:16]}"),
        ),
        mode=views.mode_words(campaign),
        bench=views.bench_runs(campaign, rows),
    )
    sheet = campaign.folder / f"sheet-stage{stage}"
    schema = campaign.schema
    return (
        (sheet.with_suffix(".csv"), sheet_csv(rows, schema)),
        (sheet.with_suffix(".xlsx"), sheet_xlsx(rows, schema, told)),
        (sheet.with_suffix(".html"), sheet_html(rows, schema, told)),
    )


def _write(sheets: _Sheets) -> tuple[Path, ...]:
    """Write sheets; one that a person filled in stays in history."""
    return tuple(write_page(path, content, keep=path.suffix != ".html") for path, content in sheets)


def _judged_plan(
    campaign: Campaign,
    stage: int,
    design: Design,
    rows: tuple[LedgerRow, ...],
    days: Schedule | None,
    affordable: Affordable,
    earlier: tuple[LedgerRow, ...] = (),
    of_lots: tuple[Notice, ...] = (),
    proposed: str | None = None,
) -> tuple[PlanResult, str]:
    """Return what the design is worth before any run is made, and its page; nothing is written.

    It is judged together with the runs of earlier stages. `proposed` is the command that would
    plan runs which are only looked at.
    """
    from doe import views
    from doe.report.plan_page import plan_page

    whole = design
    apart: tuple[int | None, ...] | None = design.blocks or None
    if earlier:
        whole, apart = augmenting.with_all_runs(campaign, earlier, design)
    found = judged(campaign, whole, apart)
    at = views.middle_setting(campaign)
    conditions = campaign.envelope(design.settings)
    assert conditions.feasible.all()
    over = standing.over_budget(campaign, (*earlier, *rows))
    of_days = (*(() if days is None else days.notices), *of_lots)
    drawing = sample_notices(campaign, rows)
    carried = too_much_planned(campaign.space, (*earlier, *rows), found.model)
    of_plan = (*design.notices, *carried, *of_days, *drawing, *over)
    notices = (*campaign.notices(), *conditions.notices, *of_plan)
    points = views.run_points((*earlier, *rows))
    page = plan_page(
        views.header(
            campaign,
            "plan" if proposed is None else "proposal",
            NextStep(proposed or f"doe record {campaign.name} FILE"),
            stage=stage,
            notices=notices,
        ),
        replace(design, notices=()),
        views.run_table(campaign, rows),
        found.efficiencies,
        views.box_maps(campaign, at),
        found.can_do,
        views.derived_tables(campaign, rows),
        views.margins_tables(campaign, rows),
        views.variance_views(campaign, found.model, whole, at, points),
        points,
        None if days is None else (days, needs_of(campaign, design, days)),
        views.aliases(found.model, whole),
        views.sheet_fixed(campaign),
    )
    return PlanResult(campaign, stage, design, found, rows, days, affordable, (), notices), page


def _choice_allowed_for(analysis: Analysis, around: Landscape) -> Analysis:
    """Return the analysis with what polynomials expect at the settings that they chose."""
    own = analysis.by_polynomials or analysis.optimum
    allowed = replace(own, predictions=around.at_best, all_aims_probability=around.chance_at_best)
    if analysis.by_polynomials is None:
        return replace(analysis, optimum=allowed)
    return replace(analysis, by_polynomials=allowed)


def _points_used(ledger: Ledger, analysis: Analysis) -> dict[str, tuple[RunPoints, ...]]:
    """Return for each response the runs that its fit used, and those it left out."""
    from doe import views

    begun = [row for row in ledger.rows if started(row)]
    return {
        fitted.response.name: views.run_points(
            [
                row if row.run in fitted.runs_used else replace(row, status="left out")
                for row in begun
            ]
        )
        for fitted in analysis.fits
    }


# ------------------------------------------------------------------------------ suggestions


def _after_suggesting(
    campaign: Campaign,
    ledger: Ledger,
    found: Suggestion,
    accepting: str,
    accepted: bool,
    named: bool,
) -> NextStep:
    """Return what comes next by the advice; and how to plan the runs shown all the same.

    Where the advice is to confirm, runs that somebody `named` go before those that would.
    """
    advised = _advised_step(campaign, ledger, found, accepting)
    if named and found.verdict == "confirm" and found.runs:
        advised = NextStep(accepting)
    then = standing.next_step(campaign, ledger, advised)
    if accepted or then.leads or then.command == accepting or not found.runs:
        return then
    told = f"{then.because} To plan the runs shown here all the same: {accepting}"
    return replace(then, because=told.strip())


def _advised_step(
    campaign: Campaign, ledger: Ledger, found: Suggestion, accepting: str
) -> NextStep:
    """Return what the advice comes to as a command."""
    from doe.suggest import CONFIRMING

    name = campaign.name
    if found.verdict == "measure":
        return NextStep(
            f"doe record {name} FILE",
            "Write missing values into the sheet of the runs made, and hand it in; corrected ones "
            "with --replace.",
        )
    if found.verdict == "change":
        wider = f"doe augment {name} --by wider-region"
        return _after_changing_the_file(
            campaign, f"Once a range is wider, {wider} plans runs in it."
        )
    if found.verdict == "stop":
        return _reading_the_report(campaign, ledger)
    if found.verdict == "confirm" and all(run.kind != "confirm" for run in found.runs):
        return NextStep(f"doe suggest {name} --kind confirm --runs {CONFIRMING} --accept")
    return NextStep(accepting)


def _appended(
    campaign: Campaign,
    kept: Ledger,
    stage: int,
    made_by: MadeBy,
    design: Design,
    rows: tuple[LedgerRow, ...],
    promise: Promise | None = None,
) -> tuple[Path, ...]:
    """Append runs to the ledger as a stage; the caller holds the lock."""
    path = campaign.folder / LEDGER_FILE
    sheets = _sheets(campaign, stage, rows)
    write_ledger(path, Ledger(kept.schema, (*kept.rows, *rows), kept.extra_columns))
    record = _stage_record(campaign, stage, made_by, design, rows, promise)
    write_stage(campaign.folder, record)
    return (path, *_write(sheets), stage_file(campaign.folder, stage))


# ------------------------------------------------------------------------- ledger and folders


def _reports_folder(campaign: Campaign) -> Path:
    return campaign.workspace / "reports"


def _report(campaign: Campaign, page: str, stage: int | None = None) -> Path:
    part = f"-stage{stage}" if stage is not None else ""
    return _reports_folder(campaign) / f"{campaign.name}{part}-{page}.html"
