"""Requests to end: the first is heard like Ctrl-C, so that nothing is left; a second ends at once."""

import os
import signal
import sys
import threading
from collections.abc import Callable
from typing import Any, Final

SIGNALLED: Final = 128  # and the number of the signal: how a process ends by one
HEARD: Final[list[int]] = []  # signals that told this process to end
WRITTEN: Final[list[str]] = []  # files and folders that took their place
_LAST: Final[list[str]] = []  # what takes its place now


def listen() -> None:
    """Hear Ctrl-C, an end and a closed terminal, where this process was not told to ignore them."""
    if threading.current_thread() is not threading.main_thread():
        return
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) != signal.SIG_IGN:
            signal.signal(number, hear)


def hear(number: int, frame: Any) -> None:
    """End in good order at the first signal, at once at the second."""
    if HEARD:
        os._exit(SIGNALLED + number)
    HEARD.append(number)
    # threads and objects that are torn in their work have nothing to add
    sys.unraisablehook = lambda _: None
    threading.excepthook = lambda _: None
    _interrupt(number, frame)


def _interrupt(_number: int, frame: Any) -> None:
    """Interrupt what runs; a last step is finished first, and an import: torn, it would speak or lock."""
    if _LAST:  # it asks once it is done
        return
    if hasattr(signal, "setitimer") and _imports(frame):
        signal.signal(signal.SIGALRM, _interrupt)
        signal.setitimer(signal.ITIMER_REAL, 0.01)
        return
    raise KeyboardInterrupt


def last_step(place: object, step: Callable[[], object]) -> None:
    """
    Put a file or folder in its place; raise KeyboardInterrupt where this process was told to end.

    Asked before, for a destructor, a callback of a library or its own `except` may have swallowed the
    first one; and after, when `WRITTEN` tells of the place.
    """
    _end_if_told()
    _LAST.append(str(place))
    try:
        step()
        WRITTEN.extend(_LAST)
    finally:
        _LAST.clear()
    _end_if_told()


def _end_if_told() -> None:
    if HEARD:
        raise KeyboardInterrupt


def _imports(frame: Any) -> bool:
    """Return whether a frame, or one that called it, imports a module."""
    while frame is not None and not frame.f_code.co_filename.startswith("<frozen importlib"):
        frame = frame.f_back
    return frame is not None
