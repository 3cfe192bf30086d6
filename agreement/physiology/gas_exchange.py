"""What room pressure gas volumes imply: body conditions (BTPS) against dry standard ones (STPD)."""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from agreement.physiology.arrays import FloatArray

BODY_TEMPERATURE_C: Final = 37.0
BODY_VAPOUR_MMHG: Final = 47.0  # by convention
STANDARD_PRESSURE_MMHG: Final = 760.0
ZERO_C_IN_K: Final = 273.15


def pressure_from_volumes(stpd: ArrayLike, btps: ArrayLike) -> FloatArray:
    """
    Room pressure that a file's STPD and BTPS volumes imply.

    stpd, btps: the same ventilation under both conditions, in one unit.
    Returns: pressure with which the file was computed: one that is not the room's betrays the
        low-pressure trap (see `pressure_overstatement`). [mmHg]
    """
    ratio = np.asarray(stpd, dtype=np.float64) / np.asarray(btps, dtype=np.float64)
    warm = (ZERO_C_IN_K + BODY_TEMPERATURE_C) / ZERO_C_IN_K
    return BODY_VAPOUR_MMHG + ratio * warm * STANDARD_PRESSURE_MMHG


def pressure_overstatement(set_mmhg: float, room_mmhg: float) -> float:
    """
    Share by which STPD volumes, hence oxygen uptake, read high under a wrong pressure.

    set_mmhg, room_mmhg: pressure that the computation used, and the true one. [mmHg]
    Returns: 0.092 where 760 was left standing in a room at 700 mmHg. [-]
    """
    return (set_mmhg - BODY_VAPOUR_MMHG) / (room_mmhg - BODY_VAPOUR_MMHG) - 1
