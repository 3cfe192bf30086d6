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
def progress_bar() -> Iterator[Progress | None]:
    """Give a callback that moves a bar on stderr; None where nobody watches."""
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
    with progress.Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("Starting", total=None)

        def move(done: int, total: int, stage: str) -> None:
            bar.update(task, completed=done, total=total, description=stage)

        yield move
