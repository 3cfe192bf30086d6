"""The kinds of arrays that the physiology passes around, and of calls that tell how far it is."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.integer]
BoolArray = NDArray[np.bool_]
TextArray = NDArray[np.object_]
Progress = Callable[[int, int], None]  # with the number of sessions read and their total
