"""Do the columns of one breath file fit together? Each check is a sentence or nothing."""

import math
from collections.abc import Mapping
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from agreement.physiology.arrays import FloatArray
from agreement.terms import RANGES

BODY_TEMPERATURE_C: Final = 37.0
BODY_VAPOUR_MMHG: Final = 47.0  # by convention
STANDARD_PRESSURE_MMHG: Final = 760.0
ZERO_C_IN_K: Final = 273.15
# How far two columns may drift apart before it is said: common practice, no source.
PRESSURE_WITHIN_MMHG: Final = 10.0
UPTAKE_WITHIN: Final = 0.03
LOW_PRESSURE_MMHG: Final = 730.0
# Litres of ventilation (BTPS) per litre of oxygen: 25 to 45 is usual at the maximum, 60 odd; the
# authors' choice, common practice, no source.
USUAL_EQUIVALENT: Final = (15.0, 60.0)
PER_CENT: Final = (50.0, 200.0)  # a respiratory exchange ratio of this size

_ROOM: Final = RANGES["barometric_pressure_mmhg"]


class GasFinding(NamedTuple):
    """A disagreement: the column to look at, and what is wrong as a sentence."""

    column: str
    what: str


def gas_column_checks(
    columns: Mapping[str, ArrayLike], *, mass_kg: float = np.nan, pressure_mmhg: float = np.nan
) -> tuple[GasFinding, ...]:
    """
    Compare the columns of one test with each other.

    columns: shape (n,). Any columns of a breath file: vo2_ml_min and vco2_ml_min [mL/min STPD],
        ve_l_min [L/min BTPS], ve_stpd_l_min [L/min STPD], vo2_ml_kg_min [mL/kg/min], rer [-].
        Missing values are skipped.
    mass_kg, pressure_mmhg: body mass [kg] and room pressure [mmHg], where known.
    Returns: conditions of volumes against the room's pressure (a pressure left at sea level in a
        laboratory high up), ventilation against oxygen uptake, relative against absolute uptake,
        the respiratory exchange ratio against the two gases or in per cent.
    """
    middle = {name: value for name, v in columns.items() if not math.isnan(value := _middle(v))}
    found = (
        ("ve_stpd_l_min", _volumes(middle, pressure_mmhg)),
        ("ve_l_min", _equivalent(middle)),
        ("vo2_ml_kg_min", _uptake(columns, mass_kg)),
        ("rer", _ratio(middle)),
    )
    return tuple(GasFinding(column, what) for column, what in found if what)


def _middle(values: ArrayLike) -> float:
    known = np.asarray(values, dtype=np.float64)
    known = known[~np.isnan(known)]
    return float(np.median(known)) if known.size else np.nan


def _volumes(middle: Mapping[str, float], pressure_mmhg: float) -> str | None:
    if not {"ve_stpd_l_min", "ve_l_min"} <= set(middle):
        return None
    stpd, btps = middle["ve_stpd_l_min"], middle["ve_l_min"]
    if stpd >= btps:
        below = f"ventilation at STPD ({stpd:.1f} L/min) is not below that at BTPS ({btps:.1f})"
        return f"{below}: the two columns carry the same conditions or are swapped."
    implied = float(pressure_from_volumes(stpd, btps))
    said = f"STPD over BTPS implies {implied:.0f} mmHg"
    if math.isnan(pressure_mmhg):
        usual = _ROOM.warn_low <= implied <= _ROOM.warn_high
        return None if usual else f"{said}, the pressure of hardly any room."
    if abs(implied - pressure_mmhg) <= PRESSURE_WITHIN_MMHG:
        return None
    share = pressure_overstatement(implied, pressure_mmhg)
    reads = f"oxygen uptake reads {abs(share):.1%} {'high' if share > 0 else 'low'}"
    return f"{said}, the room had {pressure_mmhg:.0f}: {reads}."


def _equivalent(middle: Mapping[str, float]) -> str | None:
    if not {"ve_l_min", "vo2_ml_min"} <= set(middle) or middle["vo2_ml_min"] <= 0:
        return None
    equivalent = 1000 * middle["ve_l_min"] / middle["vo2_ml_min"]
    low, high = USUAL_EQUIVALENT
    if low <= equivalent <= high:
        return None
    return (
        f"{equivalent:.3g} L of air per litre of oxygen, {low:g} to {high:g} is usual: the unit of "
        "ventilation or of oxygen uptake is another, or the flow is wrong."
    )


def _uptake(columns: Mapping[str, ArrayLike], mass_kg: float) -> str | None:
    names = ("vo2_ml_min", "vo2_ml_kg_min")
    if math.isnan(mass_kg) or not set(names) <= set(columns):
        return None
    absolute, relative = (np.asarray(columns[name], dtype=np.float64) for name in names)
    implied = _middle(absolute[relative > 0] / relative[relative > 0])
    if math.isnan(implied) or abs(implied / mass_kg - 1) <= UPTAKE_WITHIN:
        return None
    said = f"relative and absolute oxygen uptake imply a mass of {implied:.1f} kg"
    return f"{said}, the test has {mass_kg:.1f} kg."


def _ratio(middle: Mapping[str, float]) -> str | None:
    stated = middle.get("rer", math.nan)
    said = "the respiratory exchange ratio"
    if PER_CENT[0] < stated < PER_CENT[1]:
        return f"{said} ({stated:.0f}) is in per cent; 1.10 is wanted for 110."
    if {"vo2_ml_min", "vco2_ml_min"} <= set(middle):
        computed = middle["vco2_ml_min"] / middle["vo2_ml_min"]
        if abs(computed / stated - 1) > UPTAKE_WITHIN:
            return f"{said} ({stated:.2f}) is not that of the two gas columns ({computed:.2f})."
    return None


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
