"""What the laboratory did not measure: one value for everybody, tests given twice."""

from typing import Final

import numpy as np
import pandas as pd

from agreement.stats.doubts.chance import chance_of_equal, rounding_step
from agreement.stats.doubts.methods import TELLING, Odd
from agreement.stats.who_counts import FEWEST_JUDGED

# The authors' choice, common practice, no source. Repeats written to 0.1 mL/kg/min are equal once in
# seventy where the laboratory's own error is 2, whole numbers once in three where it is 0.7.
EQUAL: Final = 1e-6
LEAST_ERROR: Final = 0.7  # mL/kg/min: of the most exact laboratory
BY_CHANCE: Final = 0.001


def odd_columns(laboratory: pd.DataFrame, repeats: pd.DataFrame) -> list[Odd]:
    """
    Look at the values of the laboratory.

    laboratory: athlete_id, lab, a row per test.
    repeats: lab_test_id (of the unit), lab: one row per test.
    """
    found, lab = [], laboratory["lab"].to_numpy(np.float64)
    judged = laboratory["athlete_id"].nunique() >= FEWEST_JUDGED
    if judged and np.ptp(lab) == 0:
        what = (
            f"All {lab.size} tests have one and the same VO2max, {lab[0]:g}: a column filled down?"
        )
        found.append(Odd("filled_down", what))
    apart = repeats.groupby("lab_test_id")["lab"].agg(["size", "max", "min"])
    again = apart[apart["size"] > 1]
    equal = int((again["max"] - again["min"] < EQUAL).sum())
    chance = chance_of_equal(rounding_step(repeats["lab"].to_numpy(np.float64)), LEAST_ERROR)
    told = equal >= TELLING and equal > len(again) / 2
    if told and _by_chance(equal, len(again), chance) < BY_CHANCE:
        what = (
            f"{equal} of {len(again)} repeated laboratory tests agree with the first to the digit, as "
            "if it had no error: written down twice?"
        )
        found.append(Odd("copied_repeats", what))
    return found


def _by_chance(equal: int, tests: int, chance: float) -> float:
    """Return the chance that so many or more of the tests are equal."""
    from scipy.stats import binom  # checking parts starts without it

    return float(binom.sf(equal - 1, tests, chance))
