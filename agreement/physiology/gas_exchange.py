"""
Gas volumes and the uptake that follows from them; checks that columns of one file fit together.

Ventilation is reported at body conditions (BTPS), oxygen uptake and carbon dioxide output dry at
standard conditions (STPD); ATPS is the gas as it stands in the meter.

References
----------
.. [1] CRC Handbook of Chemistry and Physics, 62nd ed. 1981, saturated vapour (read).
.. [2] American Thoracic Society, pulmonary function laboratory manual, 3rd ed., p. 222 (read).
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from agreement.physiology.arrays import FloatArray

BODY_TEMPERATURE_C: Final = 37.0
BODY_VAPOUR_MMHG: Final = 47.0  # by convention
STANDARD_PRESSURE_MMHG: Final = 760.0
ZERO_C_IN_K: Final = 273.15
MMHG_PER_KPA: Final = 1 / 0.133322
INSPIRED_O2: Final = 0.2093  # memory
INSPIRED_CO2: Final = 0.0004  # memory; 0.0003 to 0.0005 outdoors


def water_vapour_pressure(temperature_c: ArrayLike) -> FloatArray:
    """
    Pressure of saturated water vapour.

    Parameters
    ----------
    temperature_c : array_like
        Gas temperature. [degrees Celsius]

    Returns
    -------
    ndarray
        Pressure, at most 0.5 % below the tabled one [1]_. [mmHg]

    Notes
    -----
    The constants of this fit are from memory.

    References
    ----------
    .. [1] CRC Handbook of Chemistry and Physics, 62nd ed. 1981.
    """
    temperature = np.asarray(temperature_c, dtype=np.float64)
    return np.asarray(10 ** (8.07131 - 1730.63 / (233.426 + temperature)))


def stpd_from_atps(temperature_c: ArrayLike, pressure_mmhg: ArrayLike) -> FloatArray:
    """
    Factor from a wet volume as metered to dry standard conditions.

    Parameters
    ----------
    temperature_c, pressure_mmhg : array_like
        Of the gas [degrees Celsius] and of the room [mmHg].

    Returns
    -------
    ndarray
        STPD volume over ATPS volume. [-]
    """
    temperature = np.asarray(temperature_c, dtype=np.float64)
    pressure = np.asarray(pressure_mmhg, dtype=np.float64)
    dry = (pressure - water_vapour_pressure(temperature)) / STANDARD_PRESSURE_MMHG
    return ZERO_C_IN_K / (ZERO_C_IN_K + temperature) * dry


def btps_from_atps(temperature_c: ArrayLike, pressure_mmhg: ArrayLike) -> FloatArray:
    """
    Factor from a wet volume as metered to body conditions [2]_.

    Parameters
    ----------
    temperature_c, pressure_mmhg : array_like
        Of the gas [degrees Celsius] and of the room [mmHg].

    Returns
    -------
    ndarray
        BTPS volume over ATPS volume. [-]

    References
    ----------
    .. [2] American Thoracic Society, pulmonary function laboratory manual, 3rd ed., p. 222.
    """
    temperature = np.asarray(temperature_c, dtype=np.float64)
    pressure = np.asarray(pressure_mmhg, dtype=np.float64)
    warm = (ZERO_C_IN_K + BODY_TEMPERATURE_C) / (ZERO_C_IN_K + temperature)
    return warm * (pressure - water_vapour_pressure(temperature)) / (pressure - BODY_VAPOUR_MMHG)


def stpd_from_btps(pressure_mmhg: ArrayLike) -> FloatArray:
    """
    Factor from body conditions to dry standard conditions.

    Parameters
    ----------
    pressure_mmhg : array_like
        Of the room. [mmHg]

    Returns
    -------
    ndarray
        STPD volume over BTPS volume. [-]
    """
    pressure = np.asarray(pressure_mmhg, dtype=np.float64)
    cold = ZERO_C_IN_K / (ZERO_C_IN_K + BODY_TEMPERATURE_C)
    return cold * (pressure - BODY_VAPOUR_MMHG) / STANDARD_PRESSURE_MMHG


def pressure_from_volumes(stpd: ArrayLike, btps: ArrayLike) -> FloatArray:
    """
    Room pressure that a file's STPD and BTPS volumes imply.

    Parameters
    ----------
    stpd, btps : array_like
        The same ventilation under both conditions, in one unit.

    Returns
    -------
    ndarray
        Pressure with which the file was computed: one that is not the room's betrays the low-pressure
        trap (see `pressure_overstatement`). [mmHg]
    """
    ratio = np.asarray(stpd, dtype=np.float64) / np.asarray(btps, dtype=np.float64)
    warm = (ZERO_C_IN_K + BODY_TEMPERATURE_C) / ZERO_C_IN_K
    return BODY_VAPOUR_MMHG + ratio * warm * STANDARD_PRESSURE_MMHG


def pressure_overstatement(set_mmhg: float, room_mmhg: float) -> float:
    """
    Share by which STPD volumes, hence oxygen uptake, read high under a wrong pressure.

    Parameters
    ----------
    set_mmhg, room_mmhg : float
        Pressure that the computation used, and the true one. [mmHg]

    Returns
    -------
    float
        0.092 where 760 was left standing in a room at 700 mmHg. [-]
    """
    return (set_mmhg - BODY_VAPOUR_MMHG) / (room_mmhg - BODY_VAPOUR_MMHG) - 1


class GasExchange(NamedTuple):
    """Inspired ventilation, oxygen uptake, carbon dioxide output [L/min STPD], their ratio [-]."""

    inspired: FloatArray
    vo2: FloatArray
    vco2: FloatArray
    rer: FloatArray


def haldane(
    expired_stpd: ArrayLike,
    expired_o2: ArrayLike,
    expired_co2: ArrayLike,
    *,
    inspired_o2: float = INSPIRED_O2,
    inspired_co2: float = INSPIRED_CO2,
) -> GasExchange:
    """
    Oxygen uptake from expired ventilation and gas fractions, nitrogen being neither made nor used.

    Parameters
    ----------
    expired_stpd : array_like
        Expired ventilation, dry at standard conditions. [L/min]
    expired_o2, expired_co2 : array_like
        Mixed expired fractions, 0 to 1. [-]
    inspired_o2, inspired_co2 : float
        Inspired fractions. [-]

    Returns
    -------
    GasExchange
        Inspired ventilation, uptake and output [L/min], respiratory exchange ratio [-].

    Raises
    ------
    ValueError
        If a fraction lies outside 0 to 1, as per cents do.
    """
    ventilation = np.asarray(expired_stpd, dtype=np.float64)
    o2, co2 = np.asarray(expired_o2, dtype=np.float64), np.asarray(expired_co2, dtype=np.float64)
    for name, value in (("expired_o2", o2), ("expired_co2", co2)):
        if (value > 1).any() or (value < 0).any():
            message = f"`{name}` must be fractions from 0 to 1; got {np.nanmax(value):g}"
            raise ValueError(message)
    inspired = ventilation * (1 - o2 - co2) / (1 - inspired_o2 - inspired_co2)
    uptake = inspired * inspired_o2 - ventilation * o2
    output = ventilation * co2 - inspired * inspired_co2
    return GasExchange(inspired, uptake, output, output / uptake)
