"""Heart-rate maximum from age: named formulas, each with the spread of people around it."""

from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from agreement.errors import Problem
from agreement.physiology.arrays import FloatArray
from agreement.tables.findings import problem
from agreement.tables.options import HrMaxFormula


class Line(NamedTuple):
    """HRmax from age: a line, and the standard deviation of people around it. [bpm]."""

    at_birth: float
    per_year: float
    sd: float
    source: str
    provenance: str

    def by_age(self, age_years: FloatArray) -> FloatArray:
        """Return the expected maximum. [bpm]."""
        return self.at_birth - self.per_year * age_years


# Where a source gives no spread of its own, 10.8 bpm is used: Robergs and Landwehr 2002 (read) found
# 7 to 11 bpm for all of these lines.
HR_MAX_FORMULAS: Final[dict[HrMaxFormula, Line]] = {
    "220_minus_age_1971": Line(220, 1, 11.0, "Fox 1971; spread 10 to 12 bpm", "read"),
    "208_minus_0.7_age_2001": Line(208, 0.7, 10.8, "Tanaka 2001", "read second-hand"),
    "207_minus_0.7_age_2007": Line(207, 0.7, 10.8, "Gellish 2007; 132 people, 908 tests", "read"),
    "211_minus_0.64_age_2013": Line(211, 0.64, 10.8, "Nes 2013; n 3320", "read"),
}


def heart_rate_maximum(
    age_years: ArrayLike, *, formula: HrMaxFormula = "208_minus_0.7_age_2001"
) -> FloatArray:
    """
    Heart-rate maximum expected from age.

    age_years: age. [years]
    formula: a key of `HR_MAX_FORMULAS`.
    Returns: expected maximum; people scatter around it by about 11 bpm. [bpm]
    Raises ValueError if the formula has no such name.
    """
    if formula not in HR_MAX_FORMULAS:
        raise ValueError(f"`formula` must be one of {', '.join(HR_MAX_FORMULAS)}; got {formula!r}")
    return HR_MAX_FORMULAS[formula].by_age(np.asarray(age_years, dtype=np.float64))


def by_age_notes(rows: pd.DataFrame, formula: HrMaxFormula) -> tuple[Problem, ...]:
    """Name the formula behind the estimates of athletes whose HRmax nobody measured."""
    if rows.empty:
        return ()
    row = HR_MAX_FORMULAS[formula]
    who = rows["athlete_id"].nunique()
    lack = f"{who} {'athlete has' if who == 1 else 'athletes have'}"
    source, file = row.source.partition(";")[0], str(rows["file"].iloc[0])
    return (problem("hr_max_by_age", file, lack=lack, formula=formula, source=source, sd=row.sd),)
