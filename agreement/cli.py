"""
The command line: parse, call the library once, print.

Data goes to stdout, talk to stderr. Exit codes: 0 done, 2 the input or the command line is at
fault, 1 a bug, 130 interrupted. Heavy imports stand inside the commands, so that help is quick.
"""

from pathlib import Path
from typing import Annotated, Any, Final, Literal, NoReturn

import typer
from typer.core import TyperGroup

BUG: Final = 1
INPUT_AT_FAULT: Final = 2
INTERRUPTED: Final = 130


class _Commands(TyperGroup):
    """All commands, ending with the promised exit codes."""

    def invoke(self, ctx: Any) -> Any:
        """Run a command; turn what the user can put right into a message."""
        from agreement.errors import AgreementError, TableError

        try:
            return super().invoke(ctx)
        except TableError as error:
            from agreement.report.findings import grouped_findings

            _end(grouped_findings(error.problems), INPUT_AT_FAULT)
        except AgreementError as error:
            _end(f"Stopped: {error}", INPUT_AT_FAULT)
        except KeyboardInterrupt:
            _end("Interrupted; nothing was written.", INTERRUPTED)


def _end(message: str, code: int) -> NoReturn:
    typer.echo(message, err=True)
    raise typer.Exit(code)


app = typer.Typer(
    cls=_Commands,
    help="How far a field estimate of VO2max can be trusted: agreement with the laboratory.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
Study = Annotated[Path, typer.Argument(help="The study folder, with study.toml in it.")]
KindName = Literal["squad", "validation", "audit"]


@app.command()
def check(
    study: Study,
    json: Annotated[bool, typer.Option("--json", help="One array of all findings.")] = False,
) -> None:
    """Say what stops the run, what is set aside and what is worth knowing."""
    from agreement.report.findings import findings_json, grouped_findings
    from agreement.tables.study import inspect_study

    tables, problems = inspect_study(study)
    typer.echo(findings_json(problems) if json else grouped_findings(problems))
    if tables is None:
        raise typer.Exit(INPUT_AT_FAULT)


@app.command()
def report(
    study: Study,
    out: Annotated[Path | None, typer.Option(help="Output folder.")] = None,
    kind: Annotated[KindName | None, typer.Option("--report", help="Which report.")] = None,
) -> None:
    """Write the report of a study: page, notebook, tables, figures."""
    from agreement.report.render import SectionError
    from agreement.report.talk import progress_bar
    from agreement.report.write import write_report

    try:
        with progress_bar() as progress:
            written = write_report(study, out, kind=kind, progress=progress)
    except SectionError as error:
        _end(f"{error.detail}\n\n{error}\nNothing was written.", BUG)
    for line in (*written.verdict, *written.remarks):
        typer.echo(line, err=True)
    for name in written.shown:
        typer.echo(str(written.folder / name))


@app.command()
def pair(study: Study, out: Annotated[Path, typer.Option(help="Output folder.")]) -> None:
    """Write pairs, exclusions and flow, without statistics."""
    from agreement.report.write_pairs import write_pairs

    for path in write_pairs(study, out):
        typer.echo(str(path))


def main() -> None:
    """Run the command line."""
    app()
