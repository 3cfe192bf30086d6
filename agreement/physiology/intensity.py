"""
How training is spread over three zones of intensity: polarization index and pattern.

References
----------
.. [1] Treff, G. et al. The polarization-index. Frontiers in Physiology 10:707, 2019 (read; the rules
       for empty zones and the pattern labels are from memory).
"""

from typing import Final

import numpy as np

THRESHOLD_FROM: Final = 0.35  # of the middle zone; sources say 20 to 35 %


def polarization_index(z1: float, z2: float, z3: float) -> float:
    """
    Polarization index of training in three zones [1]_.

    z1, z2, z3: shares of training in the low, middle and high zone, summing to 1. [-]
    Returns the index: above 2 polarised. 0 when the high zone is empty; NaN when it exceeds the
        low one. [-]
    Raises ValueError if the shares are negative or do not sum to 1.

    Shares are kept to two decimals, the third being the rest, because a zone under 1 % upsets the
    index. An empty middle zone counts as 1 % taken from the high one.

    .. [1] Treff, G. et al. The polarization-index. Frontiers in Physiology 10:707, 2019.

    >>> round(polarization_index(0.80, 0.05, 0.15), 2)
    2.38
    """
    z1, z2, z3 = _two_decimals(z1, z2, z3)
    if z3 > z1:
        return np.nan
    if z3 == 0:
        return 0.0
    if z2 == 0:
        z2, z3 = 0.01, round(z3 - 0.01, 2)
    return float(np.log10(z1 / z2 * z3 * 100)) if z3 > 0 else 0.0


def distribution_pattern(z1: float, z2: float, z3: float) -> str:
    """
    Name the pattern of training in three zones.

    z1, z2, z3: as in `polarization_index`.
    Returns: base (low zone alone), high-intensity, threshold, polarised, pyramidal, or mixed.
    """
    index = polarization_index(z1, z2, z3)
    z1, z2, z3 = _two_decimals(z1, z2, z3)
    if z2 == z3 == 0:
        return "base"
    if z3 >= max(z1, z2):
        return "high-intensity"
    if z2 >= z1 or z2 > THRESHOLD_FROM:
        return "threshold"
    if z1 > z3 > z2 and index > 2:
        return "polarised"
    return "pyramidal" if z1 > z2 > z3 else "mixed"


def _two_decimals(z1: float, z2: float, z3: float) -> tuple[float, float, float]:
    if min(z1, z2, z3) < 0 or abs(z1 + z2 + z3 - 1) > 1e-6:
        raise ValueError(
            f"`z1`, `z2` and `z3` must be shares that sum to 1; got {z1:g}, {z2:g}, {z3:g}"
        )
    low, middle = round(z1, 2), round(z2, 2)
    return low, middle, max(round(1 - low - middle, 2), 0.0)
