"""The kinds of arrays that the physiology passes around."""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.integer]
BoolArray = NDArray[np.bool_]
TextArray = NDArray[np.object_]
