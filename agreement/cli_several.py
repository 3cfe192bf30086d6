"""Commands on finished reports, most on several, and a watched one; `cli` makes them its own."""

from contextlib import closing, suppress
from pathlib import Path
from typing import Annotated, Any

import typer

from agreement.cli_talk import data, talk
from agreement.errors import AgreementError, TableError, in_one_line


def compare(
    first: Annotated[Path, typer.Argument(metavar="REPORT_A", help="The earlier report.")],
    second: Annotated[Path, typer.Argument(metavar="REPORT_B", help="The later one.")],
    out: Annotated[Path | None, typer.Option(help="Also as a page and a table.")] = None,
) -> None:
    """Say what changed between two reports of one laboratory."""
    from agreement.report.page.machine import in_words
    from agreement.report.studies.compared import compare_reports

    found = compare_reports(first, second)
    for line in found.lines():
        data(in_words(line))
    if out is not None:
        from agreement.report.studies.output import write_compared

        for path in write_compared(found, out):
            talk(str(path))


def pool(
    file: Annotated[Path, typer.Argument(metavar="POOL.toml", help="Reports, printed studies.")],
    out: Annotated[Path | None, typer.Option(help="Also as a page and a table.")] = None,
) -> None:
    """Pool reports and printed studies, for what to expect next."""
    from agreement.report.page.machine import in_words
    from agreement.report.studies.pool import pool_lines
    from agreement.report.studies.pool_file import read_pool

    found = read_pool(file)
    for line in pool_lines(found):
        data(in_words(line))
    if out is not None:
        from agreement.report.studies.output import write_pool

        for path in write_pool(found, out):
            talk(str(path))


def shelf(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="A folder with reports below it.")
    ],
) -> None:
    """Write one page over all reports below a folder."""
    from agreement.report.studies.reports import write_shelf
    from agreement.terms import counted

    page, count = write_shelf(folder)
    talk(f"{counted(count, 'report')}.")
    data(str(page))


def ledger(
    report: Annotated[
        Path, typer.Argument(metavar="REPORT", help="A report, or the output of `pair`.")
    ],
    csv: Annotated[bool, typer.Option("--csv", help="Every line, as one CSV table.")] = False,
) -> None:
    """Count the rows that a report left out, or print each of them."""
    from agreement.report.run.own_report import ledger_counts, ledger_csv

    if csv:
        for text in ledger_csv(report):
            data(text.decode("utf-8").removesuffix("\n"))
        return
    counts = ledger_counts(report)
    if counts.empty:
        talk("Nothing was left out.")
    for reason, rows, words in counts.itertuples(index=False):
        data(f"{rows:>10}  {reason}: {words}")


def watch(study: Path, out: Path | None, **ways: Any) -> None:
    """Write a report at each change until Ctrl-C, saying of each what is wrong or where it is."""
    from agreement.report.run.talk import grouped_findings
    from agreement.report.run.watch import watched_reports

    talk("The report is written again at each change of the study; Ctrl-C ends this.")
    with suppress(KeyboardInterrupt), closing(watched_reports(study, out, **ways)) as reports:
        for one in reports:
            if isinstance(one, TableError):
                talk(grouped_findings(one.problems))
            elif isinstance(one, AgreementError):
                talk(in_one_line(str(one)))
            else:
                data(in_one_line(str(one.folder / one.shown[0])))
    talk("No longer watched; the last report stays.")


def tables(
    report: Annotated[Path, typer.Argument(metavar="REPORT", help="A report's folder.")],
    xlsx: Annotated[bool, typer.Option("--xlsx", help="A workbook.")] = False,
    docx: Annotated[bool, typer.Option("--docx", help="A text document.")] = False,
    tex: Annotated[bool, typer.Option("--tex", help="LaTeX.")] = False,
    md: Annotated[bool, typer.Option("--md", help="Markdown.")] = False,
    csv: Annotated[bool, typer.Option("--csv", help="results.csv as the study's files.")] = False,
) -> None:
    """Write a report's tables for a paper, with captions and sources."""
    from agreement.report.run.paper_tables import write_paper_tables

    asked = {"xlsx": xlsx, "docx": docx, "tex": tex, "md": md, "csv": csv}
    for path in write_paper_tables(report, asked):
        data(in_one_line(str(path)))
