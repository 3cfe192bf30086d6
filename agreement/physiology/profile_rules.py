"""
The rule that names a training profile, how far a person is from the next one, and how training is spread.

Thresholds are the authors' choice, common practice, no source; every one is a key of ``[profile]``.

References
----------
.. [1] Treff, G. et al. The polarization-index. Frontiers in Physiology 10:707, 2019 (read; the rules
       for empty zones and the pattern labels are from memory).
"""

from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np

from agreement.tables.options import ProfileOptions

INTERMITTENT: Final = "intermittent sport"
LOW_INTENSITY: Final = "low-intensity volume"
HIGH_INTENSITY: Final = "short high-intensity"
BALANCED: Final = "balanced"
JUST_ACROSS: Final = 1e-9
THRESHOLD_FROM: Final = 0.35  # of the middle zone; sources say 20 to 35 %


@dataclass(frozen=True, slots=True)
class Training:
    """What the rule looks at."""

    # top, intermittent, z1, z3, long: shares: time in the most used mode, sessions marked
    # intermittent, time in the low and in the high zone, time in long sessions. [-]
    top: float
    intermittent: float
    z1: float
    z3: float
    long: float
    median_min: float  # median session. [min]


def profile_label(training: Training, rules: ProfileOptions) -> str:
    """
    Name the training profile.

    training: shares and median session of the window.
    rules: thresholds.
    Returns: intermittent sport, low-intensity volume, short high-intensity or balanced.
    """
    if (
        training.top < rules.intermittent_top_mode_share
        or training.intermittent >= rules.intermittent_session_share
    ):
        return INTERMITTENT
    long = training.long >= rules.low_long_share or training.median_min >= rules.low_median_min
    if training.z1 >= rules.low_zone1_share and training.z3 < rules.low_zone3_share and long:
        return LOW_INTENSITY
    hard = 1 - training.z1 >= rules.high_zone23_share or training.z3 >= rules.high_zone3_share
    if hard and training.median_min <= rules.high_median_min:
        return HIGH_INTENSITY
    return BALANCED


def nearest_boundary(training: Training, rules: ProfileOptions) -> tuple[float, str]:
    """
    Find the smallest change of one share that changes the label.

    training, rules: as in `profile_label`.
    Returns distance: in percentage points; infinite when no single share can change the label.
    Returns other: the label on the other side; the same label when there is none.
    """
    here = profile_label(training, rules)
    found = (float("inf"), here)
    thresholds = {
        "top": (rules.intermittent_top_mode_share,),
        "intermittent": (rules.intermittent_session_share,),
        "z1": (rules.low_zone1_share, 1 - rules.high_zone23_share),
        "z3": (rules.low_zone3_share, rules.high_zone3_share),
        "long": (rules.low_long_share,),
    }
    for field in fields(training):
        for threshold in thresholds.get(field.name, ()):
            value: float = getattr(training, field.name)
            for target in (threshold - JUST_ACROSS, threshold + JUST_ACROSS):
                other = profile_label(replace(training, **{field.name: target}), rules)
                distance = 100 * abs(threshold - value)
                if other != here and distance < found[0]:
                    found = (distance, other)
    return found


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
