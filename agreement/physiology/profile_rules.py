"""
The rule that names a training profile, and how far a person is from the next one.

Thresholds are the authors' choice, common practice, no source; every one is a key of ``[profile]``.
"""

from dataclasses import dataclass, fields, replace
from typing import Final

from agreement.tables.options import ProfileOptions

INTERMITTENT: Final = "intermittent sport"
LOW_INTENSITY: Final = "low-intensity volume"
HIGH_INTENSITY: Final = "short high-intensity"
BALANCED: Final = "balanced"
JUST_ACROSS: Final = 1e-9


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
