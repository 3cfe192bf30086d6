"""One VO2max per row, in mL/kg/min, from whichever of the three quantities a file carries."""

from collections.abc import Container
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from agreement.tables.rules import hint, value_text
from agreement.tables.text_cells import Mask
from agreement.terms import RANGES

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Vo2max:
    """The VO2max values of one table."""

    relative: Floats  # as typed. [mL/kg/min]
    absolute: Floats  # as typed, from either absolute column. [L/min]
    # `relative`, else `absolute` over mass; NaN where neither is possible. [mL/kg/min]
    converted: Floats
    column: list[str]  # where each row's value comes from
    source: npt.NDArray[np.int8]
    typed: Floats
    refused: Mask  # outside the range that a person can reach

    @property
    def from_absolute(self) -> Mask:
        """Where the value is an absolute one, converted or waiting for a mass."""
        return np.isnan(self.relative) & ~np.isnan(self.absolute)

    def column_of(self, headers: Container[str]) -> str | None:
        """Return our name of the column that a missing value belongs into; None without any."""
        return next((name for name in self.column if name in headers), None)

    def refusal(self, i: int) -> str:
        """Return why row `i` (from 0) is out of range, with the value as typed."""
        name = self.column[self.source[i]]
        usual = RANGES[name]
        if usual.reject_low <= self.typed[i] <= usual.reject_high:
            name = self.column[0]
            return value_text(name, self.converted[i], refused=True).replace(
                "Value", "Converted with the mass, value"
            )
        return (
            f"{value_text(name, self.typed[i], refused=True)} {hint(name, self.typed[i])}".strip()
        )


def vo2max_values(
    numbers: dict[str, Floats], refused: dict[str, Mask], mass: Floats, count: int
) -> Vo2max:
    """
    Return the VO2max of each row.

    numbers: shape (count,). The number columns, in our units.
    refused: values outside the reject range of their column.
    mass: shape (count,). To convert with; NaN where unknown. [kg]
    count: rows.
    """
    nothing = np.full(count, np.nan)
    never = np.zeros(count, dtype=np.bool_)
    names = ["vo2max_ml_kg_min", "vo2max_l_min", "vo2max_ml_min"]
    relative, litres, millilitres = (numbers.get(name, nothing) for name in names)
    absolute = np.where(np.isnan(litres), millilitres / 1000, litres)
    converted = np.where(np.isnan(relative), absolute * 1000 / mass, relative)
    source = np.where(np.isnan(relative), np.where(np.isnan(litres), 2, 1), 0).astype(np.int8)
    typed = np.choose(source, [relative, litres, millilitres])
    out = np.choose(source, [refused.get(name, never) for name in names])
    usual = RANGES["vo2max_ml_kg_min"]
    with np.errstate(invalid="ignore"):
        out = out | (converted < usual.reject_low) | (converted > usual.reject_high)
    return Vo2max(relative, absolute, converted, names, source, typed, out)
