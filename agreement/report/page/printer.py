"""PNG files at print size, made by a second process meanwhile: each takes longer than drawing it."""

from pathlib import Path
from typing import Any

from agreement.figures.canvas import png_bytes
from agreement.figures.theme import house_style
from agreement.report.run.second import Second


class Printer:
    """A second process that turns figures into PNG files."""

    def __init__(self) -> None:
        self._second = Second(forks=False, loads=False)
        self._asked: list[tuple[Any, Any, Path]] = []

    def print(self, figure: Any, path: Path) -> None:
        """Have a settled figure written to `path`."""
        self._asked.append((self._second.ask(print_png, figure, path), figure, path))

    def finish(self) -> None:
        """Wait until every file is written; raises RuntimeError if the second process failed."""
        try:
            for asked, figure, path in reversed(self._asked):  # two processes end sooner than one
                if asked.cancel():
                    print_png(figure, path)
            for asked in (one for one, *_ in self._asked if not one.cancelled()):
                asked.result()
        except (RuntimeError, OSError, EOFError) as error:
            raise RuntimeError(f"A figure could not be written as PNG: {error!r}") from error
        finally:
            self.give_up()

    def give_up(self) -> None:
        """End the second process, whatever still waits."""
        self._second.close()


def print_png(figure: Any, path: Path) -> None:
    """Write a settled figure as PNG."""
    with house_style():
        path.write_bytes(png_bytes(figure))
