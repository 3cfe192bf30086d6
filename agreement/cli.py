"""
The command line: parse, call the library once, print.

Data goes to stdout, talk to stderr; nothing passes that a terminal would obey. Exit codes: 0 done,
2 input or command line at fault, 1 a bug, 128 and the signal that ended the run (141: nobody reads
on). Heavy imports stand inside the commands, so that help is quick.
"""

import signal
import sys
from pathlib import Path
from typing import Annotated, Any, Literal, NoReturn

import typer
from typer.core import TyperGroup

from agreement import cli_several
from agreement.cli_talk import BUG, INPUT_AT_FAULT, NOBODY_READS
from agreement.cli_talk import data as _data
from agreement.cli_talk import end as _end
from agreement.cli_talk import ended as _ended
from agreement.cli_talk import misused as _misused
from agreement.cli_talk import talk as _talk
from agreement.errors import AgreementError, TableError, in_one_line
from agreement.signals import HEARD, SIGNALLED, WRITTEN, listen


class _Commands(TyperGroup):
    """All commands, ending with the promised exit codes."""

    def invoke(self, ctx: Any) -> Any:
        """Run a command; turn what the user can put right into a message."""
        WRITTEN.clear()
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            _end_by_signal()
        except typer.Exit:
            raise
        except Exception as error:
            if HEARD:  # a library took the interrupt for an error of its own
                _end_by_signal()
            if not isinstance(error, AgreementError | OSError):
                raise
            self._told(error)

    def _told(self, error: Exception) -> NoReturn:
        """Say what the user can put right, and end."""
        if isinstance(error, TableError):
            from agreement.report.run.talk import grouped_findings

            _end(grouped_findings(error.problems), INPUT_AT_FAULT)
        if isinstance(error, AgreementError):
            _end(f"Stopped: {_ended(in_one_line(str(error)))}", INPUT_AT_FAULT)
        if isinstance(error, OSError):
            from agreement.tables.whole_output import system_error

            said = system_error(error)
            if said is not None:
                _end(f"Stopped: {in_one_line(said)}", INPUT_AT_FAULT)
        raise error


def _end_by_signal(said: str = "") -> NoReturn:
    done = f"written before: {', '.join(WRITTEN)}" if WRITTEN else "nothing was written"
    _end(
        said or in_one_line(f"Interrupted; {done}."),
        SIGNALLED + (HEARD[0] if HEARD else signal.SIGINT),
    )


app = typer.Typer(
    cls=_Commands,
    help="How far a field estimate of VO2max can be trusted. `agreement --version` ends at once.",
    no_args_is_help=True,
    add_completion=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
StudyFolder = Annotated[
    Path, typer.Argument(metavar="STUDY", help="The study folder, with study.toml in it.")
]
KindName = Literal["squad", "validation", "audit", "brief"]
Workers = Annotated[
    int | None, typer.Option(help="Processes for estimates in parts; default: one per processor.")
]
Scheduler = Annotated[
    str | None,
    typer.Option(metavar="ADDRESS|FILE", help="A running Dask cluster for estimates in parts."),
]


@app.command()
def check(
    study: StudyFolder,
    json: Annotated[bool, typer.Option("--json", help="One array of all findings.")] = False,
    workers: Workers = None,
    scheduler: Scheduler = None,
) -> None:
    """Say what stops a run, what is set aside, what is worth knowing."""
    from agreement.report.run.any_size import check_study
    from agreement.report.run.talk import findings_json, grouped_findings, progress_bar

    with progress_bar() as progress:
        usable, problems = check_study(
            study, workers=workers, scheduler=scheduler, progress=progress
        )
    _data(findings_json(problems) if json else grouped_findings(problems))
    if not usable:
        raise typer.Exit(INPUT_AT_FAULT)


@app.command(name="report")
def report_(
    study: StudyFolder,
    out: Annotated[
        Path | None, typer.Option(help="Output folder; default: reports/STUDY-KIND.")
    ] = None,
    kind: Annotated[
        KindName | None, typer.Option("--report", help="Which; default: of study.toml, or squad.")
    ] = None,
    pdf: Annotated[bool, typer.Option("--pdf", help="Also as PDF, with a Chromium.")] = False,
    png: Annotated[bool, typer.Option("--png", help="Figures also as PNG files.")] = False,
    kernel: Annotated[bool, typer.Option("--kernel", help="Run it in a Jupyter kernel.")] = False,
    cache: Annotated[
        bool, typer.Option("--cache/--no-cache", help="Keep what did not change for the next run.")
    ] = True,
    watch: Annotated[
        bool, typer.Option("--watch", help="Write it again at each change, until Ctrl-C.")
    ] = False,
    workers: Workers = None,
    scheduler: Scheduler = None,
) -> None:
    """Write the report of a study: page, notebook, tables, figures."""
    ways: dict[str, Any] = {"kind": kind, "pdf": pdf, "png": png, "kernel": kernel, "cache": cache}
    if watch:
        if workers is not None or scheduler is not None:
            said = "--watch reads a study in one process: leave --workers and --scheduler out"
            _end(f"Stopped: {said}.", INPUT_AT_FAULT)
        cli_several.watch(study, out, **ways)
        HEARD.clear()  # ended as it should
        return
    from agreement.report.run.any_size import report_study
    from agreement.report.run.render import SectionError
    from agreement.report.run.talk import closing_talk, progress_bar

    try:
        with progress_bar(ticking=kernel) as progress:
            written = report_study(
                study, out, **ways, workers=workers, scheduler=scheduler, progress=progress
            )
    except SectionError as error:
        _end(f"{error.detail}\n\n{error}\nNothing was written.", BUG)
    for line in closing_talk(written.verdict, written.remarks):
        _talk(in_one_line(line))
    for name in written.shown:
        _data(in_one_line(str(written.folder / name)))


@app.command()
def pair(
    study: StudyFolder,
    out: Annotated[Path, typer.Option(help="Output folder.")],
    workers: Workers = None,
    scheduler: Scheduler = None,
) -> None:
    """Write pairs, exclusions and flow, without statistics."""
    from agreement.report.run.any_size import pair_study
    from agreement.report.run.talk import progress_bar

    with progress_bar() as progress:
        written = pair_study(study, out, workers=workers, scheduler=scheduler, progress=progress)
    for path in written:
        _data(in_one_line(str(path)))


@app.command()
def estimate(study: StudyFolder, out: Annotated[Path, typer.Option(help="The CSV file.")]) -> None:
    """Write every field value of a study, given or computed."""
    from agreement.physiology.readings import estimates_frame
    from agreement.report.run.any_size import by_session
    from agreement.report.run.talk import progress_bar
    from agreement.tables.paths import require_unchanged
    from agreement.tables.study import read_study
    from agreement.tables.writers import write_table

    with progress_bar() as progress:
        found = read_study(study)
        table = estimates_frame(found, progress=by_session(progress))
    require_unchanged(study, found.inputs)
    write_table(table, out)
    _data(in_one_line(str(out)))


@app.command()
def plan(
    study: Annotated[
        Path | None, typer.Argument(metavar="STUDY", help="A study to plan from.")
    ] = None,
    pool: Annotated[Path | None, typer.Option("--from", help="A POOL.toml to plan from.")] = None,
    sd: Annotated[float | None, typer.Option(help="SD of the differences.")] = None,
    bias: Annotated[float | None, typer.Option(help="Mean difference.")] = None,
    margin: Annotated[float | None, typer.Option(help="Limit for one athlete.")] = None,
    power: Annotated[float, typer.Option(help="Chance to show that it is met.")] = 0.80,
    pairs_per_athlete: Annotated[int, typer.Option(help="Tests of each athlete.")] = 1,
    sd_within: Annotated[float | None, typer.Option(help="SD between tests of one.")] = None,
    half_width: Annotated[float | None, typer.Option(help="Know each limit this well.")] = None,
    difference: Annotated[float | None, typer.Option(help="Of bias between groups.")] = None,
    groups: Annotated[int, typer.Option(help="Groups to compare.")] = 2,
    sem: Annotated[float | None, typer.Option(help="The laboratory's own error.")] = None,
    curve: Annotated[bool, typer.Option("--curve", help="Power of simulated studies.")] = False,
    json: Annotated[bool, typer.Option("--json", help="As data.")] = False,
) -> None:
    """Say how many athletes a study needs; all in mL/kg/min."""
    if pool is not None:
        from agreement.report.studies.pool import plan_from_pool

        _data(plan_from_pool(pool, study, margin, power, as_data=json))
        return
    from agreement.report.run.planning import plans, plans_json, plans_text

    found = plans(
        study,
        sd=sd,
        bias=bias,
        margin=margin,
        power=power,
        pairs_per_athlete=pairs_per_athlete,
        sd_within=sd_within,
        half_width=half_width,
        groups=groups,
        difference=difference,
        curve=curve,
        sem=sem,
    )
    _data(plans_json(found) if json else plans_text(found))


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A new folder.")],
    example: Annotated[bool, typer.Option("--example", help="Filled: a printed table.")] = False,
    exports: Annotated[
        list[Path] | None,
        typer.Option("--from", metavar="FILE", help="Propose it from exports; more may follow."),
    ] = None,
    more: Annotated[list[Path] | None, typer.Argument(metavar="FILE", hidden=True)] = None,
) -> None:
    """Write a study folder: to fill in, from exports, or an example."""
    if (exports and example) or (more and not exports):
        said = "--from makes another study than --example" if example else "files come after --from"
        _end(f"Stopped: {said}: `agreement new DIR --from FILE ...`.", INPUT_AT_FAULT)
    if exports:
        from agreement.report.run.talk import proposal_text
        from agreement.tables.proposal import propose_study

        found = propose_study(folder, [*exports, *(more or [])])
        _talk(proposal_text(found, folder))
    else:
        from agreement.tables.new_study import new_study, worked_example

        (worked_example if example else new_study)(folder)
    _data(in_one_line(str(folder)))


@app.command()
def protocols(json: Annotated[bool, typer.Option("--json", help="As data.")] = False) -> None:
    """List the field tests that can be computed, with their sources."""
    from agreement.report.run.talk import protocols_json, protocols_text

    _data(protocols_json() if json else protocols_text())


@app.command(name="open")
def open_(
    study: Annotated[
        Path | None, typer.Argument(metavar="STUDY", help="A study folder; none: start one.")
    ] = None,
    kind: Annotated[KindName | None, typer.Option("--report", help="A report's notebook.")] = None,
    start_up: Annotated[bool, typer.Option("--start-up", help="Run your IPython's too.")] = False,
    port: Annotated[
        int | None, typer.Option(min=0, max=65535, help="Where JupyterLab listens.")
    ] = None,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open one.")] = True,
) -> None:
    """Open JupyterLab, to make a study from files or to try choices."""
    from agreement.report.run.workbench import open_notebook, opened

    _data(in_one_line(str(notebook := opened(study, kind))))
    try:
        open_notebook(notebook, own_start_up=start_up, port=port, browser=browser)
    except KeyboardInterrupt:
        _end_by_signal("JupyterLab was ended; what it saved stays.")


@app.command()
def explain(
    name: Annotated[list[str], typer.Argument(metavar="NAME", help="Statistic, column, key ...")],
) -> None:
    """Say what a statistic, column, reason or key means."""
    from agreement.report.run.explaining import explained

    _data(explained(" ".join(name)))


@app.command()
def share(
    report: Annotated[Path, typer.Argument(metavar="REPORT", help="A report's folder.")],
    out: Annotated[Path | None, typer.Option(help="Output folder.")] = None,
    rows: Annotated[
        bool, typer.Option("--rows", help="With coarse rows of people, and numbers of these only.")
    ] = False,
    explain: Annotated[
        bool, typer.Option("--explain", help="Only say what could be inferred from it.")
    ] = False,
) -> None:
    """Write what may leave the house: results without small groups."""
    from agreement.report.privacy.sharing import explain_share, share_report

    if explain:
        _data(explain_share(report, rows=rows).rstrip("\n"))
    elif out is None:
        _end("Stopped: Name the folder to write to with --out.", INPUT_AT_FAULT)
    else:
        for path in share_report(report, out, rows=rows):
            _data(in_one_line(str(path)))


app.command()(cli_several.compare)
app.command()(cli_several.pool)
app.command()(cli_several.shelf)
app.command()(cli_several.ledger)
app.command()(cli_several.tables)


@app.command()
def verify(
    report: Annotated[Path, typer.Argument(metavar="REPORT", help="A report's folder.")],
    study: Annotated[
        Path | None, typer.Option(help="The study folder, where it is not found by its name.")
    ] = None,
) -> None:
    """Check a report's files, run it again, and say what differs."""
    from agreement.report.run.rerun import verified
    from agreement.report.run.talk import progress_bar

    with progress_bar() as progress:
        found = verified(report, study, progress=progress)
    for line in (*found.changed, *found.differences, *found.remarks):
        _talk(in_one_line(line))
    if found.changed or found.differences:
        raise typer.Exit(INPUT_AT_FAULT)
    _talk("Every file is as it was written.")


def main() -> int:
    """
    Run the command line and return its exit code.

    A request to end is heard like Ctrl-C, so that nothing is left; a second one ends at once, and the
    next run clears up.
    """
    listen()
    try:
        code = app(standalone_mode=False, prog_name="agreement")
    except (KeyboardInterrupt, typer.Abort):
        return SIGNALLED + (HEARD[0] if HEARD else signal.SIGINT)
    except BrokenPipeError:
        return NOBODY_READS
    except SystemExit as end:  # the library's own end of a help text that nobody reads on
        if type(sys.stdout).__name__ == "PacifyFlushWrapper":
            return NOBODY_READS
        return end.code if isinstance(end.code, int) else BUG
    except Exception as error:
        if HEARD:  # a library took the interrupt for an error of its own
            return SIGNALLED + HEARD[0]
        code = getattr(error, "exit_code", None)  # of what is wrong with the command line itself
        if not isinstance(code, int):
            raise
        _talk(_misused(error))
    if HEARD:  # between the commands the library answers every interrupt with one code
        return SIGNALLED + HEARD[0]
    return code if isinstance(code, int) else 0
