"""Arrays by what they hold, for signatures, and what several stages ask of them."""

from collections.abc import Iterator
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "DECIMALS", "ArrayLike", "Flags", "Floats", "Ints", "Objects", "Seed", "floats", "going_on",
]  # fmt: skip

# Finer than anybody measures. What is ranked or counted is rounded first: noise breaks ties.
DECIMALS: Final = 6

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Ints = NDArray[np.integer]
Objects = NDArray[np.object_]
Seed = int | np.random.Generator | None  # of what is drawn


def floats(frame: pd.DataFrame, *names: str) -> Iterator[Floats]:
    """Return columns of numbers as arrays."""
    return (frame[name].to_numpy(dtype=np.float64) for name in names)


def going_on(times: Floats) -> Flags:
    """Return which times are after all before them: the others repeat or run backwards."""
    after = np.ones(times.size, dtype=bool)
    after[1:] = times[1:] > np.maximum.accumulate(times)[:-1]
    return after
