"""The four kinds of training that invented people follow."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Pattern:
    """One sort of session."""

    weight: float  # how often, relative to the other patterns of the kind
    minutes: tuple[float, float]  # shortest and longest duration. [min]
    # intensity, intensity_sd: mean share of the oxygen uptake reserve after the warm-up, and its
    # spread over sessions
    intensity: float
    intensity_sd: float = 0.04
    # half the difference between hard and easy minutes, as a share of the reserve
    swing: float = 0.0
    mode: str = "run"
    intermittent: bool = False  # stop and go with turns: hard and easy minutes come at random


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of training: its label, its level [mL/kg/min above the mean] and its sessions."""

    label: str
    level: float
    sessions_per_week: float
    patterns: tuple[Pattern, ...]


KINDS = (
    Kind(
        "low-intensity volume",
        level=2.0,
        sessions_per_week=4.6,
        patterns=(
            Pattern(0.60, (60, 90), 0.60, 0.05),
            Pattern(0.30, (95, 150), 0.56, 0.04),
            Pattern(0.10, (50, 65), 0.68, 0.03),
        ),
    ),
    Kind(
        "short high-intensity",
        level=1.0,
        sessions_per_week=4.2,
        patterns=(
            Pattern(0.45, (34, 44), 0.78, 0.04, swing=0.17),
            Pattern(0.30, (32, 42), 0.84, 0.04),
            Pattern(0.25, (35, 48), 0.62, 0.06),
        ),
    ),
    Kind(
        "balanced",
        level=0.5,
        sessions_per_week=4.4,
        patterns=(
            Pattern(0.45, (45, 70), 0.60, 0.06),
            Pattern(0.20, (40, 55), 0.80, 0.04),
            Pattern(0.20, (40, 55), 0.74, 0.04, swing=0.17),
            Pattern(0.15, (75, 100), 0.58, 0.04),
        ),
    ),
    Kind(
        "intermittent sport",
        level=-1.5,
        sessions_per_week=4.4,
        patterns=(
            Pattern(0.40, (60, 90), 0.66, 0.06, swing=0.25, intermittent=True),
            Pattern(0.22, (45, 70), 0.64, 0.06, swing=0.22, mode="other", intermittent=True),
            Pattern(0.38, (35, 50), 0.66, 0.07),
        ),
    ),
)
