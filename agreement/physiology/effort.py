"""
Was the test maximal? Criteria, each met, not met or not known, and what follows from them.

A criterion that nobody recorded is never a failed one.

References
----------
.. [1] Robergs, R. A., Dwyer, D., Astorino, T. Recommendations for improved data processing from
       expired gas analysis indirect calorimetry. Sports Medicine 40:95, 2010 (read).
.. [2] Molina-Garcia, P. et al. Validity of estimating the maximal oxygen consumption by consumer
       wearables. Sports Medicine 52:1577, 2022 (read): at least two criteria.
"""

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from agreement.physiology.heart_rate import heart_rate_maximum

MET: Final = "met"
NOT_MET: Final = "not met"
NOT_KNOWN: Final = "not known"
CRITERIA: Final = ("plateau", "verification", "rer", "hr", "rpe", "lactate")
CRITERION_COLUMNS: Final = tuple(f"criterion_{name}" for name in CRITERIA)

RER_FROM: Final = 1.10  # [1]
HR_WITHIN_BPM: Final = 10.0  # of 208 - 0.7 age, or above it [1]
RPE_FROM: Final = 17.0  # on 6 to 20 [1]
RPE_OTHER_SCALE_TO: Final = 10.0  # at exhaustion such a value was noted on a scale of 0 to 10
LACTATE_FROM: Final = 8.0  # mmol/L (memory)
VERIFICATION_WITHIN: Final = 0.03  # of the test; the authors' choice, common practice, no source


def effort_criteria(tests: pd.DataFrame) -> pd.DataFrame:
    """
    Judge the effort of laboratory tests.

    tests: lab [mL/kg/min], age_years, plateau, verification_vo2max_ml_kg_min, rer_max, hr_max_bpm,
        rpe_max, lactate_mmol_l.
    Returns: indexed like `tests`. `CRITERION_COLUMNS` (met, not met, not known) and max_confirmed
        (yes, no, unknown).

    **yes**: a plateau, or a verification bout within 3 % of the test, or two of respiratory exchange
    ratio, heart rate, perceived exertion and lactate [2]_. **no**: a verification bout more than 3 %
    above the test, whatever else was met; or plateau and the four others all known, no verification
    bout that stayed below, and the rule not met. Else **unknown**. A verification bout more than 3 %
    below says nothing about the test: not known.

    A plateau is stated, or computed from the breaths of a test with long stages
    (`agreement.physiology.stages`), never from a ramp. The modern form of the criterion, a slope of
    uptake over the last 60 s below half of the submaximal slope, asks more of one test than breath
    noise allows: on the three open ramp tests of Nolte, Rein and Quittmann 2023 the standard error of
    that slope is 86, 101 and 189 mL/min per min, half of the submaximal slope 104, 87 and 122
    (computed). Even a flat end could not be told from a rising one.
    """
    ratio = tests["verification_vo2max_ml_kg_min"] / tests["lab"]
    above, below = ratio > 1 + VERIFICATION_WITHIN, ratio < 1 - VERIFICATION_WITHIN
    expected = heart_rate_maximum(tests["age_years"])
    rpe = tests["rpe_max"].where(tests["rpe_max"] > RPE_OTHER_SCALE_TO)
    plateau = tests["plateau"]
    found = {
        "plateau": _judged(plateau == "yes", plateau.isin(["yes", "no"])),
        "verification": _judged(~above, ratio.notna() & ~below),
        "rer": _at_least(tests["rer_max"], RER_FROM),
        "hr": _at_least(tests["hr_max_bpm"] - expected, -HR_WITHIN_BPM),
        "rpe": _at_least(rpe, RPE_FROM),
        "lactate": _at_least(tests["lactate_mmol_l"], LACTATE_FROM),
    }
    frame = pd.DataFrame(found, index=tests.index).add_prefix("criterion_")
    secondary = frame[[f"criterion_{name}" for name in ("rer", "hr", "rpe", "lactate")]]
    rule = (found["plateau"] == MET) | (found["verification"] == MET)
    rule |= (secondary == MET).sum(axis=1).to_numpy() >= 2
    known = (secondary != NOT_KNOWN).all(axis=1).to_numpy() & (found["plateau"] != NOT_KNOWN)
    failed = above.to_numpy() | (known & ~below.to_numpy() & ~rule)
    confirmed = np.where(failed, "no", np.where(rule, "yes", "unknown"))
    return frame.assign(max_confirmed=confirmed).astype("str")


def _at_least(value: "pd.Series[float]", smallest: float) -> NDArray[np.str_]:
    return _judged(value >= smallest, value.notna())


def _judged(met: "pd.Series[bool]", known: "pd.Series[bool]") -> NDArray[np.str_]:
    return np.where(known.to_numpy(), np.where(met.to_numpy(), MET, NOT_MET), NOT_KNOWN)
