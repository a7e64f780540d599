"""The command `doe`: options, one call of the workflow, what to print, the exit status.

Exit status 0 done; 1 the input or the request is at fault; 2 wrong usage.
"""

from __future__ import annotations

import gc
import json
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

if TYPE_CHECKING:
    from doe.campaign import Campaign
    from doe.errors import DoeError, Notice
    from doe.logged import LogWish

__all__ = ["app", "main"]

app = typer.Typer(
    add_completion=False,
    no_args_is_help=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

WELCOME = """\
doe plans a campaign of subcritical-water extraction runs that your rig can really run, fits what
comes back, and says what to run next. It plans and analyses; it never drives a rig.

See it work, on invented data:   doe demo
Start your own campaign:         doe new my-campaign
All commands:                    doe --help
"""

CampaignArgument = Annotated[
    str, typer.Argument(metavar="CAMPAIGN", help="A campaign's name, its folder or its file.")
]
JsonOption = Annotated[
    bool, typer.Option("--json", help="Answer as one JSON object on standard output.")
]


@app.callback(invoke_without_command=True)
def _welcome(context: typer.Context) -> None:
    """Plan subcritical-water extraction campaigns, fit what comes back, and say what to run next.

    In order: new, check, plan, record, fit, suggest; `augment` adds runs in a way you choose.
    `doe demo` walks through a campaign on invented data; `doe status CAMPAIGN` says where one
    stands.
    """
    if context.invoked_subcommand is None:
        sys.stdout.write(WELCOME)


@app.command()
def new(
    name: Annotated[str, typer.Argument(metavar="NAME", help="A short name, as mint-leaves.")],
    as_json: JsonOption = False,
) -> None:
    """Make a campaign from a commented template."""

    def go() -> None:
        from doe import contract, terminal, workflow

        result = workflow.new(name, Path.cwd())
        _answer(
            as_json,
            lambda: contract.new_object(result),
            lambda: terminal.new_lines(result),
            result,
            f"doe check {name}",
        )

    _run(go, as_json)


@app.command()
def check(campaign: CampaignArgument, as_json: JsonOption = False) -> None:
    """See what the rig can run, and what limits it."""

    def go() -> None:
        from doe import contract, terminal, workflow

        result = workflow.check(campaign, Path.cwd(), _say)
        _answer(
            as_json,
            lambda: contract.check_object(result),
            lambda: terminal.check_lines(result),
            result,
            result.next_step.words,
        )

    _run(go, as_json, campaign)


@app.command()
def plan(
    campaign: CampaignArgument,
    runs: Annotated[
        int | None, typer.Option(min=1, help="Most runs to spend, centre runs included.")
    ] = None,
    family: Annotated[
        str | None,
        typer.Option(
            help="Design: factorial, box-behnken, central-composite, definitive-screening, "
            "plackett-burman, doehlert, space-filling, optimal-d, optimal-i or split-plot."
        ),
    ] = None,
    centres: Annotated[
        int | None, typer.Option(min=0, help="Runs at the centre, repeats that show the scatter.")
    ] = None,
    model: Annotated[
        str | None, typer.Option(help="Model: main-effects, interactions or quadratic.")
    ] = None,
    also: Annotated[
        str | None,
        typer.Option(help="A larger model: its further terms are wanted, and not required."),
    ] = None,
    criterion: Annotated[
        str | None, typer.Option(help="What an optimal design is best by: d, a or i.")
    ] = None,
    blocks: Annotated[
        int | None, typer.Option(min=2, help="Blocks, such as days or feedstock lots.")
    ] = None,
    plots: Annotated[
        int | None, typer.Option(min=1, help="Whole plots in which hard factors stay as they are.")
    ] = None,
    plot_size: Annotated[int | None, typer.Option(min=1, help="Runs in each whole plot.")] = None,
    shrink: Annotated[
        bool, typer.Option("--shrink", help="Shrink a classical design into what the rig can run.")
    ] = False,
    move: Annotated[
        bool, typer.Option("--move", help="Move its runs to the nearest that the rig can run.")
    ] = False,
    seed: Annotated[int | None, typer.Option(min=0, help="Instead of the file's seed.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Choose the runs; write ledger and bench sheet."""
    if shrink and move:
        raise typer.BadParameter("it goes without --move: one of them.", param_hint="--shrink")

    def go() -> None:
        from doe import contract, modelling, planning, terminal, workflow

        wish = planning.PlanWish(
            runs=runs,
            family=family,
            centres=centres,
            model=modelling.model_asked(model),
            also=modelling.model_asked(also),
            criterion=planning.criterion_asked(criterion),
            blocks=blocks,
            plots=plots,
            plot_size=plot_size,
            seed=seed,
            fit_in="shrink" if shrink else "move" if move else None,
        )
        result = workflow.plan(campaign, Path.cwd(), wish=wish, say=_say)
        _answer(
            as_json,
            lambda: contract.plan_object(result),
            lambda: terminal.plan_lines(result),
            result,
            f"doe record {result.campaign.name} FILE   (the filled sheet-stage1.csv)",
        )

    _run(go, as_json, campaign)


@app.command()
def record(
    campaign: CampaignArgument,
    sheet: Annotated[
        Path,
        typer.Argument(metavar="FILE", help="The filled sheet (CSV, XLSX or ODS), or a run's log."),
    ],
    replace: Annotated[
        bool, typer.Option("--replace", help="Overwrite values that are recorded differently.")
    ] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Show what would change, and change nothing.")
    ] = False,
    run: Annotated[
        int | None, typer.Option(min=1, help="FILE is the rig logger's file of this run.")
    ] = None,
    start: Annotated[
        float | None, typer.Option(help="Start of the extraction on the log's clock, in min.")
    ] = None,
    end: Annotated[
        float | None, typer.Option(help="End of the extraction on the log's clock, in min.")
    ] = None,
    column: Annotated[
        list[str] | None,
        typer.Option(help='Heading to read, where the log has several: temperature="T2 (C)".'),
    ] = None,
    allow_gap: Annotated[
        float | None,
        typer.Option(min=0, help="Longest gap in the log to take as straight while hot, in min."),
    ] = None,
    by: Annotated[str, typer.Option(help="Initials of who decides what becomes of the run.")] = "",
    as_json: JsonOption = False,
) -> None:
    """Take a filled bench sheet, or a rig logger's file, into the ledger."""
    only_logs = {"--start": start, "--end": end, "--column": column, "--allow-gap": allow_gap}
    for option, given in (*only_logs.items(), ("--by", by)):
        if run is None and given not in (None, "", []):
            what = "it belongs to a log: say of which run, --run N."
            raise typer.BadParameter(what, param_hint=option)
    columns = dict(map(_channel, column or ()))

    def go() -> None:
        from doe import contract, terminal, workflow
        from doe.recording import after_recording

        result = workflow.record(
            campaign,
            Path.cwd(),
            sheet,
            replace_filled=replace,
            dry_run=dry_run,
            log=None if run is None else _log_wish(run, start, end, columns, allow_gap, by),
        )
        name = result.campaign.name
        options = _typed(run, start, end, columns, allow_gap, by) + (
            " --replace" if replace else ""
        )
        if result.log is not None and result.log.deviation.kind != "keep" and not by:
            options += " --by INITIALS"
        again = f"doe record {name} {sheet}{options}"
        if result.asks:
            again += "   (once what is asked above is put right in it)"
        to_do = dry_run and (result.changes or result.log is not None)
        command = again if to_do else after_recording(result)
        _answer(
            as_json,
            lambda: contract.record_object(result),
            lambda: terminal.record_lines(result),
            result,
            command,
        )

    _run(go, as_json, campaign)


def _typed(
    run: int | None,
    start: float | None,
    end: float | None,
    columns: dict[str, str],
    gap: float | None,
    by: str,
) -> str:
    """Return the options of a log as they were typed."""
    given = (("run", run), ("start", start), ("end", end), ("allow-gap", gap))
    typed = [f" --{name} {value:g}" for name, value in given if value is not None]
    typed += [f' --column {channel}="{heading}"' for channel, heading in columns.items()]
    return "".join([*typed, f" --by {by}" if by else ""])


def _channel(text: str) -> tuple[str, str]:
    channel, sign, heading = text.partition("=")
    if not sign or not heading.strip():
        example = 'Write what it is and the heading: temperature="T2 (C)".'
        raise typer.BadParameter(f"“{text}” names no heading. {example}", param_hint="--column")
    return channel.strip(), heading.strip()


def _log_wish(
    run: int,
    start: float | None,
    end: float | None,
    columns: dict[str, str],
    gap: float | None,
    by: str,
) -> LogWish:
    from doe.logged import LogWish

    return LogWish(run, start, end, columns, gap, by)


@app.command()
def fit(
    campaign: CampaignArgument,
    model: Annotated[
        str | None,
        typer.Option(
            help="Fit this model as asked, and no smaller one: main-effects, interactions or "
            "quadratic."
        ),
    ] = None,
    by_day: Annotated[
        bool, typer.Option("--by-day", help="Take differences between days out of the fit.")
    ] = False,
    full: Annotated[
        bool, typer.Option("--full", help="The same as --model quadratic: no selection at all.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Fit the results, and write the report."""

    def go() -> None:
        from doe import contract, modelling, terminal, workflow

        asked = modelling.model_asked("quadratic" if full else model)
        result = workflow.fit(campaign, Path.cwd(), model=asked, by_day=by_day, say=_say)
        _answer(
            as_json,
            lambda: contract.fit_object(result),
            lambda: terminal.fit_lines(result),
            result,
            result.next_step.words,
            on_page=True,
        )

    _run(go, as_json, campaign)


@app.command()
def suggest(
    campaign: CampaignArgument,
    runs: Annotated[
        int | None,
        typer.Option(min=1, help="How many; if not said, what fits a day and the budget."),
    ] = None,
    accept: Annotated[
        bool, typer.Option("--accept", help="Append them to the ledger as a new stage.")
    ] = False,
    replace: Annotated[
        bool,
        typer.Option(
            "--replace", help="With --accept: in place of added runs that wait, thrown away."
        ),
    ] = False,
    kind: Annotated[
        str | None,
        typer.Option(
            help="Only this kind of run: untangle (tell effects apart), move (climb towards "
            "better), bend (see bends), sharpen (tell where the best lies), seek (look for better "
            "settings), repeat (repeat a run) or confirm (confirm the recommended settings)."
        ),
    ] = None,
    no_kind: Annotated[
        list[str] | None, typer.Option("--no-kind", help="No run of this kind; may be repeated.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Say which runs to make next, and why."""
    _replaces_only_with(accept, replace)

    def go() -> None:
        from doe import contract, terminal, workflow

        result = workflow.suggest(
            campaign,
            Path.cwd(),
            runs=runs,
            accept=accept,
            instead=replace,
            kind=kind,
            without=tuple(no_kind or ()),
            say=_say,
        )
        sheet = f"   (the filled sheet-stage{result.stage}.csv)" if accept else ""
        _answer(
            as_json,
            lambda: contract.suggest_object(result),
            lambda: terminal.suggest_lines(result),
            result,
            result.next_step.words + sheet,
            on_page=True,
        )

    _run(go, as_json, campaign)


@app.command()
def augment(
    campaign: CampaignArgument,
    by: Annotated[
        str | None,
        typer.Option(
            help="How: fold-over, axial, centres, block, repair, wider-region or higher-order; "
            "without it, what each of them would buy."
        ),
    ] = None,
    runs: Annotated[
        int | None, typer.Option(min=1, help="How many, where the way leaves it open.")
    ] = None,
    factor: Annotated[
        list[str] | None,
        typer.Option(help="A factor to fold over, where not all are; may be repeated."),
    ] = None,
    distance: Annotated[
        float | None, typer.Option(help="Of axial points: 1 is the end of the range.")
    ] = None,
    model: Annotated[
        str | None, typer.Option(help="Model: main-effects, interactions or quadratic.")
    ] = None,
    criterion: Annotated[
        str | None, typer.Option(help="What added runs are best by: d, a or i.")
    ] = None,
    seed: Annotated[int | None, typer.Option(min=0, help="Instead of the file's seed.")] = None,
    accept: Annotated[
        bool, typer.Option("--accept", help="Append them to the ledger as a new stage.")
    ] = False,
    replace: Annotated[
        bool,
        typer.Option(
            "--replace", help="With --accept: in place of added runs that wait, thrown away."
        ),
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Add runs in a way you choose; see first what each way would buy."""
    _replaces_only_with(accept, replace)
    for option, given, ways in (
        ("--factor", factor, ("fold-over",)),
        ("--distance", distance, ("axial",)),
        ("--runs", runs, ("centres", "block", "repair", "wider-region", "higher-order")),
    ):
        if given is not None and by not in ways:
            what = f"it goes with --by {' or '.join(ways)}."
            raise typer.BadParameter(what, param_hint=option)

    def go() -> None:
        from doe import augmenting, contract, modelling, planning, terminal, workflow

        wish = augmenting.AugmentWish(
            way=augmenting.way_asked(by),
            runs=runs,
            factors=tuple(factor or ()),
            distance=distance,
            model=modelling.model_asked(model),
            criterion=planning.criterion_asked(criterion),
            seed=seed,
        )
        result = workflow.augment(
            campaign, Path.cwd(), wish=wish, accept=accept, instead=replace, say=_say
        )
        sheet = f"   (the filled sheet-stage{result.stage}.csv)" if accept else ""
        _answer(
            as_json,
            lambda: contract.augment_object(result),
            lambda: terminal.augment_lines(result),
            result,
            result.next_command + sheet,
        )

    _run(go, as_json, campaign)


@app.command()
def status(campaign: CampaignArgument, as_json: JsonOption = False) -> None:
    """Say in ten lines where a campaign stands, what is missing, and what is next."""

    def go() -> None:
        from doe import contract, terminal, workflow

        result = workflow.status(campaign, Path.cwd())
        if as_json:
            _print_json(contract.status_object(result))
        else:
            sys.stdout.write("\n".join(terminal.status_lines(result)) + "\n")

    _run(go, as_json, campaign)


@app.command()
def demo(
    name: Annotated[str, typer.Option(help="Name of the campaign to make.")] = "demo",
    seed: Annotated[int, typer.Option(min=0, help="Another seed, another plan and scatter.")] = 1,
    as_json: JsonOption = False,
) -> None:
    """Walk through a whole invented campaign."""

    def go() -> None:
        from doe import contract
        from doe.demo import demo as walk

        result = walk(name, Path.cwd(), seed=seed, say=_say if as_json else _print_line)
        _answer(as_json, lambda: contract.demo_object(result), list, result, "doe new my-campaign")

    _run(go, as_json)


# ------------------------------------------------------------------------------------- parts


def _replaces_only_with(accept: bool, replace: bool) -> None:
    if replace and not accept:
        what = "it throws waiting runs away, so it goes with --accept."
        raise typer.BadParameter(what, param_hint="--replace")


def _say(line: str) -> None:
    """Show what long work is doing, on a terminal only."""
    if sys.stderr.isatty():
        sys.stderr.write(f"… {line}\n")


def _print_line(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


class _Result:
    """What the results of the workflow have in common."""

    campaign: Campaign
    files: Sequence[Path]
    notices: Sequence[Notice]


def _answer(
    as_json: bool,
    make_object: Callable[[], dict[str, Any]],
    make_lines: Callable[[], list[str]],
    result: Any,
    next_command: str,
    on_page: bool = False,
) -> None:
    """Print what a command found; `on_page` where its page holds every notice."""
    if as_json:
        _print_json(make_object())
        return
    from doe.terminal import ending

    shared: _Result = result
    end = ending(shared.campaign.workspace, shared.files, shared.notices, next_command, on_page)
    sys.stdout.write("\n".join([*make_lines(), *end]) + "\n")


def _print_json(answer: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(answer, ensure_ascii=False, allow_nan=False, indent=1) + "\n")


def _run(go: Callable[[], None], as_json: bool, asked: str | None = None) -> None:
    """Run a command; what the person can put right is said in plain words, exit status 1.

    `asked` is the campaign as it was typed, of a command that has one.
    """
    from doe.errors import DoeError

    try:
        go()
    except DoeError as error:
        _fail(error, as_json, asked)


def _fail(error: DoeError, as_json: bool, asked: str | None) -> NoReturn:
    if as_json:
        from doe.contract import error_object

        _print_json(error_object(error, _campaign_asked(asked)))
    else:
        from doe.terminal import wrapped

        here = f"{Path.cwd()}/"
        for problem in error.problems:
            text = str(problem).removeprefix(here)
            sys.stderr.write("\n".join(wrapped(text, "✗ ")) + "\n")
    raise typer.Exit(1)


def _campaign_asked(asked: str | None) -> str | None:
    """Return the name of the campaign that was typed; None where there is none."""
    from doe.campaign import find_campaign
    from doe.errors import DoeError

    if asked is None:
        return None
    try:
        return find_campaign(asked, Path.cwd()).parent.name
    except DoeError:
        return None


def main() -> None:
    """Run the command; output is UTF-8 whatever the terminal's locale says."""
    # The matrices are small: a second thread of the linear algebra costs more than it brings.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # A command ends before its garbage matters: looking for cycles took 4 % of a fit.
    gc.set_threshold(100_000, 50, 50)
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(encoding="utf-8", errors="replace")
    app()
