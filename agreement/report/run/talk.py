"""Progress on stderr while a report runs."""

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from agreement.report.run.render import Progress

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
