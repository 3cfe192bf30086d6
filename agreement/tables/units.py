"""Units that a file may use instead of ours; converted by us, never guessed."""

import re
from dataclasses import dataclass
from typing import Final

import numpy as np

from agreement.arrays import Floats
from agreement.terms import RATED, declared


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


CLOCKS: Final = ("h:mm:ss", "h:mm", "mm:ss")  # read as minutes before they are converted


def _unit(said: float | str | dict[str, float | str]) -> Unit:
    """Return a unit: a factor, a pace, or a factor with a shift; factors may be fractions."""
    told = said if isinstance(said, dict) else {"factor": said}
    above, _, below = str(told.get("pace") or told["factor"]).partition("/")
    factor = float(above) / float(below or 1)
    return Unit(factor, float(told.get("shift", 0)), pace="pace" in told)


_DATA: Final = declared("units.toml", "tables")
_SPELLINGS: Final[dict[str, str]] = _DATA.pop("spellings")
UNITS: Final[dict[str, dict[str, Unit]]] = {
    column: {name: _unit(said) for name, said in kind["units"].items()}
    for kind in _DATA.values()
    for column in (*kind["columns"], *(n for n in RATED if n.endswith(kind.get("rated", "none"))))
}
# A VO2max column may hold any of the three quantities: the unit decides which column it really is.
VO2MAX_UNITS: Final[dict[str, tuple[str, Unit]]] = {
    **{name: ("vo2max_ml_kg_min", unit) for name, unit in UNITS["vo2_ml_kg_min"].items()},
    "L/min": ("vo2max_l_min", Unit()),
    "mL/min": ("vo2max_ml_min", Unit()),
}
_MARKS: Final = {0xB7: ".", 0xB0: "deg", 0x2212: "-"}  # middle dot, degree, minus
_DATE_WORDS: Final = frozenset(
    ("yyyy-mm-dd", "dd.mm.yyyy", "dd/mm/yyyy", "mm/dd/yyyy", "iso8601", "hh:mm:ss", "date", "time")
)


def _plain(text: str) -> str:
    """Return a unit's text without case, blanks and brackets, one way of writing per unit."""
    plain = "".join(text.split()).strip("[]()").casefold().translate(_MARKS)
    return _SPELLINGS.get(plain, plain)


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
    Return the unit of one of our columns; nothing for a share, a ratio or a number of order.

    >>> own_unit("mass_kg"), own_unit("vo2max_l_min"), own_unit("grade"), own_unit("stage")
    ('kg', 'L/min', '', '')
    """
    absolute = {"vo2max_l_min": "L/min", "vo2max_ml_min": "mL/min"}
    name = absolute.get(column) or next(iter(unit_names(column)), "")
    return "" if name == "1" else name


def unit_names(column: str) -> list[str]:
    """Return the units that may be stated for a column."""
    return list(VO2MAX_UNITS if column.startswith("vo2max") else UNITS.get(column, {}))


def looks_like_unit(text: str) -> bool:
    """Whether a cell is the name of a unit or of a date's form, as a row of units holds."""
    plain = _plain(text)
    return plain in _KNOWN or plain in _DATE_WORDS
