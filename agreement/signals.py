"""Requests to end: the first is heard like Ctrl-C, so that nothing is left; a second ends at once."""

import os
import signal
import sys
import threading
from collections.abc import Callable
from types import CodeType, FunctionType
from typing import Any, Final, TypeVar

SIGNALLED: Final = 128  # and the number of the signal: how a process ends by one
HEARD: Final[list[int]] = []  # signals that told this process to end
WRITTEN: Final[list[str]] = []  # files and folders that took their place
_LAST: Final[list[str]] = []  # what takes its place now
_UNTORN: Final[set[CodeType]] = set()
Step = TypeVar("Step", bound=Callable[..., Any])


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
    """Interrupt what runs; some things are finished first."""
    if _LAST:  # it asks once it is done
        return
    if hasattr(signal, "setitimer") and _is_untorn(frame):
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


def untorn(step: Step) -> Step:
    """Have a signal wait while a function runs; of a generator, before and after what it yields."""
    assert isinstance(step, FunctionType)
    _UNTORN.add(step.__code__)
    return step


def _is_untorn(frame: Any) -> bool:
    """Return whether a frame, or one that called it, is untorn or an import: that would speak or lock."""
    while frame is not None:
        code = frame.f_code
        if code in _UNTORN or code.co_filename.startswith("<frozen importlib"):
            return True
        frame = frame.f_back
    return False
