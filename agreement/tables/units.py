"""Units that a file may use instead of ours; converted by us, never guessed."""

import re
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from agreement.terms import RATED

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Unit:
    """One foreign unit: ours = (theirs + shift) * factor, or factor / theirs for a pace."""

    factor: float = 1.0
    shift: float = 0.0
    pace: bool = False

    def convert(self, values: Floats) -> Floats:
        """Return `values` in our unit; a pace of zero has no speed and becomes missing."""
        if self.pace:
            return self.factor / np.where(values == 0, np.nan, values)
        return (values + self.shift) * self.factor


# Factors: international yard and pound agreement of 1959 (1 lb = 0.45359237 kg, 1 in = 2.54 cm,
# 1 mile = 1609.344 m) and the SI brochure for the rest, both exact; 1 mmHg = 0.133322 kPa;
# 1 W = 6.12 kg.m/min; lactic acid 90.08 g/mol; 1 MET = 3.5 mL/kg/min by convention.
_MASS: Final = {"kg": Unit(), "g": Unit(0.001), "lb": Unit(0.45359237), "lbs": Unit(0.45359237)}
_LENGTH: Final = {
    "cm": Unit(),
    "mm": Unit(0.1),
    "m": Unit(100),
    "in": Unit(2.54),
    "inch": Unit(2.54),
    "inches": Unit(2.54),
    "ft": Unit(30.48),
}
_DISTANCE: Final = {
    "m": Unit(),
    "km": Unit(1000),
    "mile": Unit(1609.344),
    "miles": Unit(1609.344),
    "yd": Unit(0.9144),
    "ft": Unit(0.3048),
}
# Clock times are read as minutes before they are converted.
CLOCKS: Final = ("h:mm:ss", "h:mm", "mm:ss")
_MINUTES: Final = {"min": Unit(), "s": Unit(1 / 60), "h": Unit(60), **dict.fromkeys(CLOCKS, Unit())}
_SECONDS: Final = {
    "s": Unit(),
    "ms": Unit(0.001),
    "min": Unit(60),
    **dict.fromkeys(CLOCKS, Unit(60)),
}
_KM_H: Final = {
    "km/h": Unit(),
    "m/s": Unit(3.6),
    "m/min": Unit(0.06),
    "mph": Unit(1.609344),
    "min/km": Unit(60, pace=True),
}
_M_S: Final = {
    "m/s": Unit(),
    "km/h": Unit(1 / 3.6),
    "m/min": Unit(1 / 60),
    "mph": Unit(0.44704),
    "min/km": Unit(1000 / 60, pace=True),
}
_SHARE: Final = {"1": Unit(), "fraction": Unit(), "%": Unit(0.01), "percent": Unit(0.01)}
_PERCENT: Final = {"%": Unit(), "percent": Unit(), "1": Unit(100), "fraction": Unit(100)}
_RATE: Final = {
    "bpm": Unit(),
    "1/min": Unit(),
    "beats/min": Unit(),
    "1/s": Unit(60),
    "Hz": Unit(60),
}
_POWER: Final = {"W": Unit(), "kW": Unit(1000), "kg.m/min": Unit(1 / 6.12)}
_CELSIUS: Final = {"C": Unit(), "degC": Unit(), "F": Unit(5 / 9, -32), "K": Unit(1, -273.15)}
_PRESSURE: Final = {
    "mmHg": Unit(),
    "hPa": Unit(0.1 / 0.133322),
    "mbar": Unit(0.1 / 0.133322),
    "kPa": Unit(1 / 0.133322),
    "inHg": Unit(25.4),
}
_LACTATE: Final = {"mmol/L": Unit(), "mM": Unit(), "mg/dL": Unit(1 / 9.008)}
_YEARS: Final = {"years": Unit(), "y": Unit(), "months": Unit(1 / 12)}
_PER_KG: Final = {"mL/kg/min": Unit(), "MET": Unit(3.5), "METs": Unit(3.5)}
_L_MIN: Final = {"L/min": Unit(), "mL/min": Unit(0.001)}
_ML_MIN: Final = {"mL/min": Unit(), "L/min": Unit(1000)}

UNITS: Final[dict[str, dict[str, Unit]]] = {
    **dict.fromkeys(("mass_kg", "set_mass_kg"), _MASS),
    **dict.fromkeys(("stature_cm", "waist_cm", "step_height_cm"), _LENGTH),
    "step_rate_min": {"steps/min": Unit(), "1/min": Unit()},
    **dict.fromkeys(("distance_m", "altitude_m"), _DISTANCE),
    **dict.fromkeys(("time_min", "duration_min", "zone1_min", "zone2_min", "zone3_min"), _MINUTES),
    **dict.fromkeys(("t_s", "exercise_start_s", "exercise_end_s"), _SECONDS),
    "speed_km_h": _KM_H,
    "speed_m_s": _M_S,
    **dict.fromkeys(("rer_max", "rer", "grade"), _SHARE),
    "fat_percent": _PERCENT,
    **dict.fromkeys(("hr_bpm", "hr_max_bpm", "hr_rest_bpm", "set_hr_max_bpm"), _RATE),
    **{name: _RATE if name.endswith("bpm") else _PER_KG for name in RATED},
    "power_w": _POWER,
    "temperature_c": _CELSIUS,
    "barometric_pressure_mmhg": _PRESSURE,
    "lactate_mmol_l": _LACTATE,
    **dict.fromkeys(("age_years", "set_age_years"), _YEARS),
    **dict.fromkeys(("verification_vo2max_ml_kg_min", "vo2_ml_kg_min"), _PER_KG),
    **dict.fromkeys(("vo2_ml_min", "vco2_ml_min"), _ML_MIN),
    **dict.fromkeys(("ve_l_min", "ve_stpd_l_min"), _L_MIN),
}
# A VO2max column may hold any of the three quantities: the unit decides which column it really is.
VO2MAX_UNITS: Final[dict[str, tuple[str, Unit]]] = {
    **{name: ("vo2max_ml_kg_min", unit) for name, unit in _PER_KG.items()},
    "L/min": ("vo2max_l_min", Unit()),
    "mL/min": ("vo2max_ml_min", Unit()),
}
_DATE_WORDS: Final = frozenset(
    ("yyyy-mm-dd", "dd.mm.yyyy", "dd/mm/yyyy", "mm/dd/yyyy", "iso8601", "hh:mm:ss", "date", "time")
)


def _plain(text: str) -> str:
    """Return a unit's text without case, blanks and brackets, one way of writing per unit."""
    plain = "".join(text.split()).strip("[]()").casefold()
    plain = plain.replace("\N{MIDDLE DOT}", ".").replace("\N{DEGREE SIGN}", "deg")
    plain = plain.replace("\N{MINUS SIGN}", "-")
    spellings = {
        "ml.kg-1.min-1": "ml/kg/min",
        "ml/min/kg": "ml/kg/min",
        "ml.min-1.kg-1": "ml/kg/min",
        "l.min-1": "l/min",
        "ml.min-1": "ml/min",
        "km.h-1": "km/h",
        "m.s-1": "m/s",
        "mmol.l-1": "mmol/l",
    }
    return spellings.get(plain, plain)


_CLOCK: Final = re.compile(r"(\d{1,3}):([0-5]\d)(?::([0-5]\d(?:[.,]\d+)?))?")
_NAMES: Final = [*VO2MAX_UNITS, *(name for units in UNITS.values() for name in units)]
_KNOWN: Final = frozenset(map(_plain, _NAMES)) - {"1"}


def unit_of(column: str, text: str) -> tuple[str, Unit] | None:
    """
    Return the column that a unit's text leads to, and the unit; None when it is unknown.

    >>> unit_of("mass_kg", "LB")
    ('mass_kg', Unit(factor=0.45359237, shift=0.0, pace=False))
    >>> unit_of("vo2max_ml_kg_min", "L/min")[0]
    'vo2max_l_min'
    """
    plain = _plain(text)
    if column.startswith("vo2max"):
        return next((to for name, to in VO2MAX_UNITS.items() if _plain(name) == plain), None)
    known = UNITS.get(column, {})
    return next(((column, unit) for name, unit in known.items() if _plain(name) == plain), None)


def clock_minutes(text: str, unit: str) -> float | None:
    """
    Return a clock time in minutes; None where the text is none of this form.

    >>> clock_minutes("1:02:30", "h:mm:ss"), clock_minutes("4:30", "min/km")
    (62.5, 4.5)
    >>> clock_minutes("4:30", "h:mm"), clock_minutes("4:75", "mm:ss")
    (270.0, None)
    """
    found = _CLOCK.fullmatch(text)
    parts = 3 if unit == "h:mm:ss" else 2
    if found is None or len(text.split(":")) != parts:
        return None
    first, second, third = (float((part or "0").replace(",", ".")) for part in found.groups())
    if parts == 3:
        return 60 * first + second + third / 60
    return 60 * first + second if unit == "h:mm" else first + second / 60


def own_unit(column: str) -> str:
    """
    Return the unit of one of our columns; nothing for a share or a ratio.

    >>> own_unit("mass_kg"), own_unit("vo2max_l_min"), own_unit("grade")
    ('kg', 'L/min', '')
    """
    absolute = {"vo2max_l_min": "L/min", "vo2max_ml_min": "mL/min"}
    name = absolute.get(column) or unit_names(column)[0]
    return "" if name == "1" else name


def unit_names(column: str) -> list[str]:
    """Return the units that may be stated for a column."""
    return list(VO2MAX_UNITS if column.startswith("vo2max") else UNITS.get(column, {}))


def looks_like_unit(text: str) -> bool:
    """Whether a cell is the name of a unit or of a date's form, as a row of units holds."""
    plain = _plain(text)
    return plain in _KNOWN or plain in _DATE_WORDS
