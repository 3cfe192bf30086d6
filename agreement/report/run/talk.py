"""What the command line says: findings and lists as text or JSON, progress on stderr, the end of a run."""

import json
import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, replace
from itertools import groupby
from pathlib import Path
from textwrap import shorten
from typing import TYPE_CHECKING, Final

from agreement.errors import Problem, as_argument, in_one_line
from agreement.scale.engine import Progress
from agreement.terms import counted

if TYPE_CHECKING:
    from agreement.tables.proposal import Proposed

MOST_SENTENCES = 5  # of the verdict on the screen: with what follows, 24 lines of 80 letters


def closing_talk(verdict: Sequence[str], remarks: Sequence[str]) -> list[str]:
    """
    Return what is said when a report is done, short enough for one screen.

    >>> closing_talk(["one"] * 7, ["mind"])[4:]
    ['one', 'And 2 more methods: the report says how they fare.', 'mind']
    """
    rest = len(verdict) - MOST_SENTENCES
    more = f"And {rest} more {'method' if rest == 1 else 'methods'}: the report says how they fare."
    return [*verdict[:MOST_SENTENCES], *([more] if rest > 0 else []), *remarks]


@contextmanager
def progress_bar(*, ticking: bool = True) -> Iterator[Progress | None]:
    """
    Give a callback that moves a bar on stderr; None where nobody watches.

    ticking: whether its clock goes on between two calls, in a thread: beside one no process splits.
    """
    if not sys.stderr.isatty():
        yield None
        return
    from rich import progress
    from rich.console import Console

    columns = (
        progress.BarColumn(),
        progress.TextColumn("{task.description}"),
        progress.TimeElapsedColumn(),
    )
    console = Console(stderr=True)
    with progress.Progress(*columns, console=console, transient=True, auto_refresh=ticking) as bar:
        task = bar.add_task("Starting", total=None)

        def move(done: int, total: int, stage: str) -> None:
            told = {"completed": done, "total": total, "description": stage}
            bar.update(task, refresh=not ticking, **told)  # type: ignore[arg-type] # as named

        yield move


MOST_SHOWN: Final = 20  # lines of one kind; the rest is counted
MOST_RUNS: Final = 5  # of rows in one line
_HEADINGS: Final = {
    "stop": "Stops the run",
    "set_aside": "Set aside, the run goes on without these rows",
    "note": "Worth knowing",
}
_MORE_LEFT_OUT: Final = (
    "  A report may leave out more rows than these: such as can be used, but fit no laboratory test or "
    "no summary."
)


def grouped_findings(problems: Iterable[Problem]) -> str:
    """Return findings by severity and kind, at most 20 lines of a kind with the count of the rest."""
    kinds: dict[tuple[str, str], list[Problem]] = {}
    for problem in problems:
        kinds.setdefault((problem.severity, problem.reason), []).append(problem)
    parts = []
    for severity, title in _HEADINGS.items():
        groups = [found for (kind, _), found in kinds.items() if kind == severity]
        if groups:
            lines = [f"  {line}" for found in groups for line in _of_one_kind(found)]
            lines += [_MORE_LEFT_OUT] if severity == "set_aside" else []
            parts.append(
                "\n".join([f"{title} ({counted(sum(map(len, groups)), 'finding')}):", *lines])
            )
    return (
        "\n\n".join(parts)
        or "Nothing stops the run, nothing was set aside, and there is nothing to note."
    )


def _of_one_kind(found: list[Problem]) -> Iterator[str]:
    """
    Yield the lines of one kind: rows with the same words share one, and a remedy follows its lines.

    What stops a run is to be mended row by row: each has a line of its own.
    """
    alike: dict[str, dict[Problem, list[int | None]]] = {}
    for one in found:
        same = alike.setdefault(one.remedy, {})
        shared = one if one.severity == "stop" else replace(one, row=None)
        same.setdefault(shared, []).append(one.row)
    left, rest = MOST_SHOWN, len(found)
    for remedy, lines in alike.items():
        shown = list(lines.items())[:left]
        left -= len(shown)
        rest -= sum(len(rows) for _, rows in shown)
        for one, every in shown:
            rows = sorted({row for row in every if row is not None})
            place = f"{one.file}, {_rows(rows)}" if rows else one.file
            said = remedy if len(lines) == 1 else ""
            yield str(replace(one, file=place, row=None, remedy=said))
        if not left and rest:
            yield f"... and {rest} more of this kind."
        if shown and len(lines) > 1:
            yield in_one_line(f"For each of these: {remedy}")
        if not left:
            return


def _rows(rows: list[int]) -> str:
    """
    Return rows as runs, five at most.

    >>> _rows([2]), _rows([2, 3, 4, 9]), _rows([1, 3, 5, 7, 9, 11, 13])
    ('row 2', 'rows 2 to 4, 9', 'rows 1, 3, 5, 7, 9 and 2 more')
    """
    alike = groupby(enumerate(rows), lambda one: one[1] - one[0])  # within a run
    runs = [[row for _, row in run] for _, run in alike]
    shown = ", ".join(f"{r[0]} to {r[-1]}" if len(r) > 1 else str(r[0]) for r in runs[:MOST_RUNS])
    rest = sum(map(len, runs[MOST_RUNS:]))
    return f"{'rows' if len(rows) > 1 else 'row'} {shown}" + (f" and {rest} more" if rest else "")


def findings_json(problems: Iterable[Problem]) -> str:
    """Return findings as one JSON array."""
    return json.dumps([asdict(problem) for problem in problems], indent=1)


_WIDE: Final = 44


def proposal_text(found: "Proposed", folder: Path) -> str:
    """Return the table of columns, the files that were not used, and the next command."""
    names = list(found.preview.columns)
    whole = [[shorten(str(c), 200) for c in row] for row in found.preview.to_numpy()]
    rows = [[c if len(c) <= _WIDE else f"{c[: _WIDE - 4]} ..." for c in row] for row in whole]
    widths = [max(len(r[i]) for r in [names, *rows]) for i in range(len(names))]
    lines = [
        "  ".join(c.ljust(w) for c, w in zip(r, widths, strict=True)).rstrip()
        for r in ([names, *rows] if rows else [])
    ] or ["Nothing decides yet what the files are."]
    lines += ["", *found.remarks] if found.remarks else []
    open_ = counted(found.questions, "line") if found.questions else "Nothing"
    lines += ["", f"{open_} of study.toml to decide; next: agreement check {as_argument(folder)}"]
    return "\n".join(lines)


def protocols_json() -> str:
    """Return one array of all protocols; what has no value is null."""
    from agreement.physiology.field_tests import protocols_frame

    frame = protocols_frame().astype(object)
    rows = frame.where(frame.notna(), None).to_dict("records")
    return json.dumps(rows, indent=1)


_SEEN: Final = {"memory": "from memory"}


def protocols_text() -> str:
    """Return each protocol with its inputs, whom it was made for, and its source."""
    from agreement.physiology.field_tests import protocols_frame

    return "\n\n".join(
        f"{row['protocol']}: {row['title']}\n"
        f"  mode {row['mode']}; inputs {row['inputs']}\n"
        f"  made for: {row['population']}\n"
        f"  source, {_SEEN.get(row['provenance'], row['provenance'])}: {row['source']}"
        for row in protocols_frame().to_dict("records")
    )
