"""Arrays by what they hold, for the signatures of statistics."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from agreement.physiology.arrays import Flags, Floats, floats

__all__ = ["ArrayLike", "Flags", "Floats", "Integers", "Objects", "Seed", "floats"]

Integers = NDArray[np.intp]
Objects = NDArray[np.object_]
Seed = int | np.random.Generator | None  # of what is drawn
