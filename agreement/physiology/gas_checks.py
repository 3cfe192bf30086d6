"""Do the columns of one gas-exchange file fit together? Each check is a sentence or nothing."""

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from agreement.physiology.gas_exchange import pressure_from_volumes, pressure_overstatement

# How far two columns may drift apart before it is said: common practice, no source.
PRESSURE_WITHIN_MMHG: Final = 10.0
UPTAKE_WITHIN: Final = 0.03
LOW_PRESSURE_MMHG: Final = 730.0


def gas_column_checks(
    columns: Mapping[str, ArrayLike],
    *,
    mass_kg: float = np.nan,
    pressure_mmhg: float = np.nan,
) -> tuple[str, ...]:
    """
    Compare the columns of one test with each other.

    Parameters
    ----------
    columns : mapping of str to array_like, shape (n,)
        Any of ve_stpd_l_min, ve_btps_l_min, vo2_ml_min, vco2_ml_min, vo2_ml_kg_min, rer.
    mass_kg, pressure_mmhg : float
        Body mass [kg] and room pressure [mmHg], where known.

    Returns
    -------
    tuple of str
        One sentence per disagreement: conditions of volumes against the room's pressure (a pressure
        left at sea level in a laboratory high up), relative against absolute uptake, a respiratory
        exchange ratio in per cent.
    """
    middle = {name: float(np.nanmedian(np.asarray(v, float))) for name, v in columns.items()}
    found = [
        _volumes(middle, pressure_mmhg),
        _uptake(columns, mass_kg),
        _ratio(middle),
    ]
    return tuple(sentence for sentence in found if sentence)


def _volumes(middle: Mapping[str, float], pressure_mmhg: float) -> str:
    if not {"ve_stpd_l_min", "ve_btps_l_min"} <= set(middle):
        return ""
    stpd, btps = middle["ve_stpd_l_min"], middle["ve_btps_l_min"]
    if stpd >= btps:
        return (
            f"ventilation at STPD ({stpd:.1f} L/min) is not below that at BTPS ({btps:.1f}): the two "
            "columns carry the same conditions or are swapped."
        )
    implied = float(pressure_from_volumes(stpd, btps))
    if np.isnan(pressure_mmhg) or abs(implied - pressure_mmhg) <= PRESSURE_WITHIN_MMHG:
        return ""
    share = pressure_overstatement(implied, pressure_mmhg)
    return (
        f"STPD over BTPS implies {implied:.0f} mmHg, the room had {pressure_mmhg:.0f}: oxygen uptake "
        f"reads {abs(share):.1%} {'high' if share > 0 else 'low'}."
    )


def _uptake(columns: Mapping[str, ArrayLike], mass_kg: float) -> str:
    if not {"vo2_ml_min", "vo2_ml_kg_min"} <= set(columns):
        return ""
    absolute, relative = (
        np.asarray(columns[name], dtype=np.float64) for name in ("vo2_ml_min", "vo2_ml_kg_min")
    )
    implied = float(np.nanmedian(absolute / relative))
    if np.isnan(mass_kg) or abs(implied / mass_kg - 1) <= UPTAKE_WITHIN:
        return ""
    return (
        f"relative and absolute oxygen uptake imply a mass of {implied:.1f} kg, the test has "
        f"{mass_kg:.1f} kg."
    )


def _ratio(middle: Mapping[str, float]) -> str:
    stated = middle.get("rer")
    if stated is None:
        return ""
    if 50 < stated < 200:
        return f"the respiratory exchange ratio ({stated:.0f}) is in per cent; divide by 100."
    if {"vo2_ml_min", "vco2_ml_min"} <= set(middle):
        computed = middle["vco2_ml_min"] / middle["vo2_ml_min"]
        if abs(computed / stated - 1) > UPTAKE_WITHIN:
            return (
                f"the respiratory exchange ratio ({stated:.2f}) is not that of the two gas columns "
                f"({computed:.2f})."
            )
    return ""
