"""The kinds of arrays that the physiology passes around, and where the files behind them are read."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Generic, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from agreement.tables.units import Flags, Floats

__all__ = [
    "Elsewhere", "Flags", "Floats", "Ints", "SessionProgress", "TextArray", "floats", "going_on",
]  # fmt: skip

Ints = NDArray[np.integer]
TextArray = NDArray[np.object_]
SessionProgress = Callable[[int, int], None]  # with the number of sessions read and their total
Way = TypeVar("Way")


def floats(frame: pd.DataFrame, *names: str) -> Iterator[Floats]:
    """Return columns of numbers as arrays."""
    return (frame[name].to_numpy(dtype=np.float64) for name in names)


def going_on(times: Floats) -> Flags:
    """Return which times are after all before them: the others repeat or run backwards."""
    after = np.ones(times.size, dtype=bool)
    after[1:] = times[1:] > np.maximum.accumulate(times)[:-1]
    return after


class Elsewhere(Generic[Way]):
    """How some files are read and reduced: by a way that a block of code gives, else here."""

    def __init__(self, name: str) -> None:
        self._given: ContextVar[Way | None] = ContextVar(name, default=None)

    @contextmanager
    def by(self, way: Way) -> Iterator[None]:
        """Have the files of studies read in the block be reduced by `way`."""
        token = self._given.set(way)
        try:
            yield
        finally:
            self._given.reset(token)

    @property
    def way(self) -> Way | None:
        """The way given; None: here."""
        return self._given.get()
