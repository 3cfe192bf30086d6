"""One id with the numbers of two people: repeats and masses that jump further than any noise."""

from typing import Final, NamedTuple

import numpy as np
import pandas as pd

# The authors' choice, common practice, no source. A laboratory's own error is 2.6 mL/kg/min
# (Vickers, read), so two tests of one person differ by 3.7, and 15 is four times that; training
# changes VO2max by a tenth to a quarter in months.
REPEAT_DAYS: Final = 21
REPEAT_ABOVE: Final = (12.0, 0.30)  # mL/kg/min, and share of the mean; both must be passed
CHANGE_DAYS: Final = 200
CHANGE_ABOVE: Final = (20.0, 0.50)
MASS_DAYS, MASS_ABOVE = 45, 0.15
MASS_LONG_DAYS, MASS_LONG_ABOVE = 365, 0.30


class TwoBodies(NamedTuple):
    """Two tests of one id that one person cannot have done."""

    athlete: str
    file: str
    row: int
    column: str
    what: str


def two_bodies(laboratory: pd.DataFrame) -> tuple[TwoBodies, ...]:
    """
    Find tests that follow an earlier one of the same id too soon for what lies between them.

    laboratory: athlete_id, mode, date, lab [mL/kg/min], mass_kg, file, row, lab_test_id.
    Returns: one for each test that does not follow from the one before it.
    """
    tests = laboratory.sort_values(["athlete_id", "mode", "date"], kind="stable")
    before = tests.shift()
    same = (tests["athlete_id"] == before["athlete_id"]) & (tests["mode"] == before["mode"])
    pair = tests[same].join(before[same].add_suffix("_before"))
    if pair.empty:
        return ()
    days = (pair["date"] - pair["date_before"]).dt.days.to_numpy()
    lab, mass = (pair[name].to_numpy(np.float64) for name in ("lab", "mass_kg"))
    lab_0, mass_0 = (pair[f"{name}_before"].to_numpy(np.float64) for name in ("lab", "mass_kg"))
    apart, heavier = np.abs(lab - lab_0), np.abs(mass - mass_0) / np.fmin(mass, mass_0)
    mean = (lab + lab_0) / 2

    def beyond(limits: tuple[float, float]) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
        return np.asarray((apart > limits[0]) & (apart > limits[1] * mean))

    by_value = ((days <= REPEAT_DAYS) & beyond(REPEAT_ABOVE)) | (
        (days <= CHANGE_DAYS) & beyond(CHANGE_ABOVE)
    )
    by_mass = ((days <= MASS_DAYS) & (heavier > MASS_ABOVE)) | (
        (days <= MASS_LONG_DAYS) & (heavier > MASS_LONG_ABOVE)
    )
    found = []
    for i in np.flatnonzero(by_value | by_mass):
        one = pair.iloc[i]
        old, new, column, unit = (
            (lab_0[i], lab[i], "vo2max_ml_kg_min", "mL/kg/min")
            if by_value[i]
            else (mass_0[i], mass[i], "mass_kg", "kg")
        )
        what = (
            f"'{one['athlete_id']}' has {old:.1f} and {new:.1f} {unit} {days[i]} days apart (tests "
            f"{one['lab_test_id_before']}, {one['lab_test_id']}), further than one person changes."
        )
        found.append(
            TwoBodies(str(one["athlete_id"]), str(one["file"]), int(one["row"]), column, what)
        )
    return tuple(found)
