"""
How far the reading of session files has come, told by the notebook to who started it.

A kernel is a process of its own; it keeps two numbers in a small file beside its connection file,
and whoever waits for the notebook looks there now and then.
"""

import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

PROGRESS_VARIABLE: Final = "AGREEMENT_SESSIONS_READ"  # names the file, in the kernel's environment
SESSIONS_READ: Final = "sessions_read.txt"  # in the folder of the kernel's own files
_EVERY_S: Final = 0.2


def told_to_starter() -> Callable[[int, int], None] | None:
    """Return what tells the number of session files read and their total; None outside a kernel."""
    place = os.environ.get(PROGRESS_VARIABLE)
    if place is None:
        return None
    target = Path(place)
    last = 0.0

    def tell(done: int, total: int) -> None:
        nonlocal last
        if done < total and time.monotonic() - last < _EVERY_S:
            return
        last = time.monotonic()
        target.write_text(f"{done} {total}", encoding="ascii")

    return tell


def sessions_read(place: Path) -> tuple[int, int] | None:
    """Return the number of session files read and their total, once something is known."""
    try:
        numbers = place.read_text(encoding="ascii").split()
    except OSError:
        return None
    return (int(numbers[0]), int(numbers[1])) if len(numbers) == 2 else None  # else half written
