"""
PNG files at print size, made by a second process while the notebook goes on.

A picture of 300 dots per inch takes longer than drawing it; the notebook's kernel sends each
figure down a pipe, prints itself what still waits at the end, and then sends the word to end: a
copy of the kernel may hold the pipe open. If the kernel is killed, the pipe closes.
"""

import gc
import pickle
import subprocess
import sys
from contextlib import suppress
from pathlib import Path
from queue import Empty, Queue
from threading import Thread
from typing import Any, Final

from agreement.figures.canvas import png_bytes
from agreement.figures.theme import house_style

_NO_MORE: Final = pickle.dumps(None)


class Printer:
    """A second process that turns figures into PNG files."""

    def __init__(self) -> None:
        command = [sys.executable, "-P", "-m", "agreement.report.page.printer"]
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stderr=subprocess.PIPE)
        self._waiting: Queue[bytes] = Queue()
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
        self._waiting.put(_NO_MORE)
        self._sender.join()
        _, said = self._process.communicate()
        if self._process.returncode:
            raise RuntimeError(
                f"A figure could not be written as PNG: {said.decode(errors='replace')[-400:]}"
            )

    def give_up(self) -> None:
        """End the second process, whatever still waits: the report failed."""
        self._process.kill()
        self._waiting.put(_NO_MORE)
        self._sender.join()
        self._process.communicate()

    def _send(self) -> None:
        pipe = self._process.stdin
        piece = b""
        while pipe is not None and piece != _NO_MORE:
            piece = self._waiting.get()
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
    """Print what comes down the pipe until nothing more does; called in the second process."""
    gc.freeze()
    with suppress(EOFError):
        while (one := pickle.load(sys.stdin.buffer)) is not None:  # the pipe is our own kernel's
            print_png(*one)
            gc.collect()  # figures refer to themselves: a dozen would pile up


if __name__ == "__main__":
    _serve()
