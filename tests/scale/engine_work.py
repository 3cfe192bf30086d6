"""Functions that workers find by name."""

import os
import signal
from pathlib import Path


def squared(shared, item):
    return shared + item * item


def squared_after_one_loss(shared: Path, item: int) -> int:
    """Square a number; the worker that first gets number 5 is killed in the middle."""
    mark = shared / "lost"
    if item == 5 and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return item * item


def always_lost(_, item):
    os.kill(os.getpid(), signal.SIGKILL)
    return item
