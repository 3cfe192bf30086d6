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
    """
    One row of the table of field-test equations.

    Attributes
    ----------
    id : str
        Form and year; never a brand or an organisation.
    name : str
        The same for people, in running text.
    title : str
        The test in plain words.
    mode : str
        Mode of exercise, or ``resting``; empty where it is the result's own.
    inputs : tuple of str
        Columns of ``field_tests`` that the equation needs (``sex`` comes from ``athletes``).
    equation : callable
        Inputs -> VO2max [mL/kg/min], of stages the uptake of each; vectorised; sex is mapped inside.
    population : str
        On whom it was made.
    valid : tuple of Valid
        Outside these a result is kept and flagged.
    sexes : tuple of str
        Whom the source gives an equation for; others are flagged.
    standard_error : tuple of float
        As published, for (women, men); NaN when the source gives none.
    error_unit : str
        Unit of `standard_error` as published.
    source, provenance : str
        Author, year, and how the coefficients came here.
    heart_rate_based : bool
        Whether it rests on heart rate, so that drugs limiting heart rate void it.
    stages : bool
        Whether one result takes one row per stage.
    stage_rule : StageRule or None
        Only where the protocol itself fixes the speed of a stage.
    note : str
        What a reader of the number should know.
    """

    id: str
    name: str
    title: str
    mode: str
    inputs: tuple[str, ...]
    equation: Callable[[Inputs], FloatArray]
    population: str
    source: str
    provenance: Provenance
    valid: tuple[Valid, ...] = ()
    sexes: tuple[str, ...] = BOTH
    standard_error: tuple[float, float] = (np.nan, np.nan)
    error_unit: ErrorUnit = "mL/kg/min"
    heart_rate_based: bool = False
    stages: bool = False
    stage_rule: StageRule | None = None
    note: str = ""
