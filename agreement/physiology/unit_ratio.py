"""Laboratory and field in different units: 3.5 times the one is the other, in nearly everybody."""

from typing import Final

import pandas as pd

from agreement.errors import Problem
from agreement.physiology.protocol import METABOLIC_EQUIVALENT
from agreement.tables.columns import VO2MAX_COLUMNS
from agreement.tables.options import FileFormat, StudyOptions

# The authors' choice, common practice, no source: no method reads 70 % low in everybody.
WITHIN: Final = 0.08  # of 3.5
FEWEST_ATHLETES: Final = 3
_ROWS_SEEN: Final = 20_000  # enough to know a unit; a registry has millions


def unit_stops(
    estimates: pd.DataFrame, tests: pd.DataFrame, options: StudyOptions
) -> tuple[Problem, ...]:
    """
    Find methods whose values are to the laboratory's as metabolic equivalents are to mL/kg/min.

    estimates, tests: the checked ``field_estimates`` and ``lab_tests``: athlete_id, vo2max
        [mL/kg/min], file.
    options: a table whose VO2max has a stated unit is taken at its word.
    Returns: a stop per method; none where the middle ratio of the athletes is another.
    """
    forms = {
        name: options.files.get(name, FileFormat()) for name in ("lab_tests", "field_estimates")
    }
    if any(set(form.units) & set(VO2MAX_COLUMNS) for form in forms.values()):
        return ()
    laboratory = tests.groupby("athlete_id")["vo2max"].median()
    found = []
    for method, own in estimates.head(_ROWS_SEEN).groupby("method", sort=True):
        ratio = (own.groupby("athlete_id")["vo2max"].median() / laboratory).dropna()
        if len(ratio) < FEWEST_ATHLETES:
            continue
        middle = float(ratio.median())
        for table, low, of in (
            ("field_estimates", own, middle * METABOLIC_EQUIVALENT),
            ("lab_tests", tests, middle / METABOLIC_EQUIVALENT),
        ):
            if abs(of - 1) <= WITHIN:
                found.append(
                    _stop(str(method), table, str(low["file"].iloc[0]), len(ratio), middle)
                )
    return tuple(found)


def _stop(method: str, table: str, file: str, athletes: int, ratio: float) -> Problem:
    what = (
        f"in {athletes} athletes '{method}' gives {ratio:.2g} times the laboratory's VO2max, as "
        "between MET and mL/kg/min (3.5)."
    )
    remedy = (
        'Say which unit it is: units = { vo2max_ml_kg_min = "MET" } (or "mL/kg/min" if it is right) '
        f"in [files.{table}] of study.toml."
    )
    return Problem("stop", "unit", file, None, "vo2max_ml_kg_min", what, remedy)
