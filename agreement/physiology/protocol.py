"""What one field-test equation is: its inputs, whom it was made for, its error, its source."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

import numpy as np

from agreement.physiology.arrays import FloatArray

Inputs = Mapping[str, FloatArray]  # column -> values; `male` is 1 for men, 0 for women
ErrorUnit = Literal["mL/kg/min", "L/min", "mL/min", "MET"]
Provenance = Literal["read", "read second-hand", "memory", "derived"]

BOTH: Final = ("female", "male")
METABOLIC_EQUIVALENT: Final = 3.5  # mL/kg/min

INPUT_UNITS: Final[dict[str, str]] = {
    "distance_m": "m",
    "time_min": "min",
    "speed_km_h": "km/h",
    "stage": "number of the last stage completed",
    "hr_bpm": "bpm",
    "hr_rest_bpm": "bpm",
    "hr_max_bpm": "bpm",
    "power_w": "W",
    "mass_kg": "kg",
    "age_years": "years",
    "stature_cm": "cm",
    "waist_cm": "cm",
    "fat_percent": "%",
    "activity_score": "score of the protocol's own questionnaire",
    "grade": "fraction",
    "step_height_cm": "cm",
    "step_rate_min": "steps/min, each up and down",
    "vo2_ml_kg_min": "mL/kg/min",
    "sex": "female or male",
}


class Valid(NamedTuple):
    """Values of one column that the equation was made for; `sex` limits the rule to one sex."""

    column: str
    low: float
    high: float
    sex: str | None = None

    def __str__(self) -> str:
        """Return the range in words."""
        unit = INPUT_UNITS[self.column].split(" ")[0]
        if np.isinf(self.high):
            words = f"{self.column} from {self.low:g}"
        elif np.isinf(self.low):
            words = f"{self.column} to {self.high:g}"
        else:
            words = f"{self.column} {self.low:g} to {self.high:g}"
        return f"{words} {unit}" + (f" ({self.sex})" if self.sex else "")


class StageRule(NamedTuple):
    """
    The speeds of a protocol's stages. [km/h].

    `speed` turns a stage number into the speed that the equation needs; None where more than one
    form of the test is in use.
    """

    speed: Callable[[FloatArray], FloatArray] | None
    first_speed: float
    words: str


@dataclass(frozen=True, slots=True)
class FieldProtocol:
    """One row of the table of field-test equations."""

    id: str  # form and year; never a brand or an organisation
    name: str  # the same for people, in running text
    title: str  # the test in plain words
    mode: str  # mode of exercise, or ``resting``; empty where it is the result's own
    # columns of ``field_tests`` that the equation needs (``sex`` comes from ``athletes``)
    inputs: tuple[str, ...]
    # inputs -> VO2max [mL/kg/min], of stages the uptake of each; vectorised; sex is mapped inside
    equation: Callable[[Inputs], FloatArray]
    population: str  # on whom it was made
    # source, provenance: Author, year, and how the coefficients came here
    source: str
    provenance: Provenance
    valid: tuple[Valid, ...] = ()  # outside these a result is kept and flagged
    sexes: tuple[str, ...] = BOTH  # whom the source gives an equation for; others are flagged
    # as published, for (women, men); NaN when the source gives none
    standard_error: tuple[float, float] = (np.nan, np.nan)
    error_unit: ErrorUnit = "mL/kg/min"  # unit of `standard_error` as published
    # whether it rests on heart rate, so that drugs limiting heart rate void it
    heart_rate_based: bool = False
    stages: bool = False  # whether one result takes one row per stage
    stage_rule: StageRule | None = None  # only where the protocol itself fixes the speed of a stage
    note: str = ""  # what a reader of the number should know
