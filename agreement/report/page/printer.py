"""
PNG files at print size, made by a second process while the notebook goes on.

A picture of 300 dots per inch takes longer than drawing it; the notebook's kernel sends each
figure down a pipe, and prints itself what still waits at the end. When the kernel ends, the pipe
closes and so does the second process.
"""

import gc
import pickle
import subprocess
import sys
from contextlib import suppress
from pathlib import Path
from queue import Empty, Queue
from threading import Thread
from typing import Any

from agreement.figures.canvas import png_bytes
from agreement.figures.theme import house_style


class Printer:
    """A second process that turns figures into PNG files."""

    def __init__(self) -> None:
        command = [sys.executable, "-P", "-m", "agreement.report.page.printer"]
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stderr=subprocess.PIPE)
        self._waiting: Queue[bytes] = Queue()  # an empty piece is the last
        self._sender = Thread(
            target=self._send, daemon=True
        )  # a full pipe must not stop the caller
        self._sender.start()

    def print(self, figure: Any, path: Path) -> None:
        """Have a settled figure written to `path`."""
        self._waiting.put(pickle.dumps((figure, path)))

    def finish(self) -> None:
        """Wait until every file is written; raises RuntimeError if the second process failed."""
        with suppress(Empty):
            while True:  # two processes end sooner than one
                print_png(*pickle.loads(self._waiting.get_nowait()))
        self._waiting.put(b"")
        self._sender.join()
        _, said = self._process.communicate()
        if self._process.returncode:
            raise RuntimeError(
                f"A figure could not be written as PNG: {said.decode(errors='replace')[-400:]}"
            )

    def _send(self) -> None:
        pipe = self._process.stdin
        while pipe is not None and (piece := self._waiting.get()):
            try:
                pipe.write(piece)
                pipe.flush()
            except BrokenPipeError:  # it failed; `finish` says why
                return


def print_png(figure: Any, path: Path) -> None:
    """Write a settled figure as PNG."""
    with house_style():
        path.write_bytes(png_bytes(figure))


def _serve() -> None:
    """Print what comes down the pipe until it closes; called in the second process."""
    gc.freeze()
    with suppress(EOFError):
        while True:
            print_png(*pickle.load(sys.stdin.buffer))  # the pipe is our own kernel's
            gc.collect()  # figures refer to themselves: a dozen would pile up


if __name__ == "__main__":
    _serve()
