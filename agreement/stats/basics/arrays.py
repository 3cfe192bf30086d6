"""Arrays by what they hold, for the signatures of this room."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["ArrayLike", "Booleans", "Floats", "Integers", "Objects"]

Floats = NDArray[np.float64]
Integers = NDArray[np.intp]
Booleans = NDArray[np.bool_]
Objects = NDArray[np.object_]
