"""Which pairs rest on a body mass or a maximal heart rate that the laboratory does not confirm."""

import pandas as pd

from agreement.pairing.notes import ROUNDING
from agreement.terms import HR_MAX_WITHIN_BPM, MASS_WITHIN_PCT


def wrong_mass(pairs: pd.DataFrame) -> "pd.Series[bool]":
    """Tell of each pair whether the mass given to the estimate is known to be wrong."""
    return pairs["mass_mismatch_pct"].abs() > MASS_WITHIN_PCT + ROUNDING


def wrong_hr_max(pairs: pd.DataFrame) -> "pd.Series[bool]":
    """
    Tell of each pair whether the maximal heart rate given to the estimate is known to be wrong.

    The peak of a test that was not maximal may lie below the true maximum: it shows nothing wrong with
    a higher one.
    """
    off = pairs["hr_max_mismatch_bpm"]
    reached = pairs["max_confirmed"] != "no"
    return (off.abs() > HR_MAX_WITHIN_BPM + ROUNDING) & (reached | (off < 0))


def wrong_inputs(pairs: pd.DataFrame) -> "pd.Series[bool]":
    """Tell which pairs rest on either; what nobody recorded counts as right."""
    return wrong_mass(pairs) | wrong_hr_max(pairs)
