"""Progress on stderr while a report runs."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager

from agreement.report.render import Progress


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
