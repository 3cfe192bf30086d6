"""
The tables of a report as CSV files: the same bytes for the same study.

Statistics have 12 significant digits: another processor may give other ones from the 13th on.
"""

from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from agreement.cohort import Cohort
from agreement.physiology.lab_values import lab_values
from agreement.report.run.datapackage import write_datapackage
from agreement.stats.studies.history import COLUMNS as HISTORY_COLUMNS
from agreement.tables.writers import csv_bytes
from agreement.terms import (
    CARD_COLUMNS,
    EXCLUSION_COLUMNS,
    FLOW_COLUMNS,
    LAB_VALUE_COLUMNS,
    PAIR_COLUMNS,
    RESULT_COLUMNS,
)

DIGITS: Final = 12  # of every statistic, significant
_AS_COMPUTED: Final = ("pairs", "exclusions", "flow")  # values as they were read, and their means
COLUMNS: Final = {
    "results": RESULT_COLUMNS,
    "pairs": PAIR_COLUMNS,
    "exclusions": EXCLUSION_COLUMNS,
    "flow": FLOW_COLUMNS,
    "athlete_cards": CARD_COLUMNS,
    "lab_values": LAB_VALUE_COLUMNS,
    "history": list(HISTORY_COLUMNS),
}


def rounded_results(results: pd.DataFrame, digits: int = DIGITS) -> pd.DataFrame:
    """
    Return a table with 12 significant digits in every column of numbers.

    >>> rounded_results(pd.DataFrame({"value": [1 / 3], "low": [-2e9 / 3], "high": [0.0]})).values
    array([[ 3.33333333e-01, -6.66666667e+08,  0.00000000e+00]])
    """
    frame = results.copy(deep=False)
    for name in frame.columns[frame.dtypes == np.float64]:
        numbers = frame[name].to_numpy(dtype=np.float64)
        frame[name] = np.array([float(f"{one:.{digits - 1}e}") for one in numbers])
    return frame


def laboratory_table(cohort: Cohort) -> dict[str, pd.DataFrame]:
    """Return ``lab_values`` of a study with breaths or without a field method; else nothing."""
    study = cohort.study
    if not (study.laboratory_only or study.breaths):
        return {}
    edited = study.options.reference.edit_breaths
    return {"lab_values": lab_values(cohort.laboratory, edit_breaths=edited)}


def write_tables(tables: dict[str, pd.DataFrame], folder: Path) -> list[Path]:
    """
    Write tables as ``<name>.csv`` with the columns and order that the output promises.

    tables: keys among those of `COLUMNS`.
    Returns: the files written; with results also the words for every column and statistic.
    """
    written = []
    for name, frame in tables.items():
        path = folder / f"{name}.csv"
        told = frame if name in _AS_COMPUTED else rounded_results(frame)
        path.write_bytes(csv_bytes(told[COLUMNS[name]]))  # into an unfinished folder
        written.append(path)
    if "results" in tables:
        described = {name: frame[COLUMNS[name]] for name, frame in tables.items()}
        written.append(write_datapackage(described, folder))
    return written
