"""Which pairs rest on a body mass or a maximal heart rate that the laboratory does not confirm."""

from typing import Final

import pandas as pd

from agreement.terms import HR_MAX_WITHIN_BPM, MASS_WITHIN_PCT

_ROUNDING: Final = 1e-9  # two per cent in decimals is no more than two per cent


def wrong_mass(pairs: pd.DataFrame) -> "pd.Series[bool]":
    """Tell of each pair whether the mass given to the estimate is known to be wrong."""
    return pairs["mass_mismatch_pct"].abs() > MASS_WITHIN_PCT + _ROUNDING


def wrong_hr_max(pairs: pd.DataFrame) -> "pd.Series[bool]":
    """
    Tell of each pair whether the maximal heart rate given to the estimate is known to be wrong.

    The peak of a test that was not maximal may lie below the true maximum: it shows nothing wrong with
    a higher one.
    """
    off = pairs["hr_max_mismatch_bpm"]
    reached = pairs["max_confirmed"] != "no"
    return (off.abs() > HR_MAX_WITHIN_BPM + _ROUNDING) & (reached | (off < 0))


def wrong_inputs(pairs: pd.DataFrame) -> "pd.Series[bool]":
    """Tell which pairs rest on either; what nobody recorded counts as right."""
    return wrong_mass(pairs) | wrong_hr_max(pairs)
