"""The tables of a report as CSV files: the same bytes for the same study."""

from pathlib import Path
from typing import Final

import pandas as pd

from agreement.cohort import Cohort
from agreement.physiology.laboratory import lab_values
from agreement.report.run.datapackage import write_datapackage
from agreement.tables.writers import csv_bytes, significant
from agreement.terms import OUTPUT_COLUMNS

_AS_COMPUTED: Final = ("pairs", "exclusions", "flow")  # values as they were read, and their means


def laboratory_tables(cohort: Cohort) -> dict[str, pd.DataFrame]:
    """
    Return ``lab_values``, ``lab_thresholds`` and ``economy``, where a study has them.

    Values of a study with breaths or without a field method; a row of thresholds per test and method,
    of economy per test, and per field method where the error that it lets expect is told.
    """
    study, evidence = cohort.study, cohort.evidence
    found = {}
    if study.laboratory_only or study.breaths:
        edited = study.options.reference.edit_breaths
        found["lab_values"] = lab_values(cohort.laboratory, edit_breaths=edited)
    if (corners := evidence.thresholds) is not None and len(corners):
        units = {"vo2": "vo2_ml_kg_min", "hr": "hr_bpm"}
        order = ["lab_test_id", "threshold", "method"]
        found["lab_thresholds"] = corners.rename(columns=units).sort_values(order)
    costs, expected = evidence.economy, evidence.expected
    if costs is not None and expected is not None and len(costs):
        units = {"economy": "economy_ml_kg_km", "expected": "expected_error"}
        units |= {f"{name}_efficiency": f"{name}_efficiency_percent" for name in ("gross", "delta")}
        errors = expected.drop(columns=["cost_ratio", "stages_of"])
        both = costs.merge(errors, how="left", on=["lab_test_id", "athlete_id", "mode"])
        found["economy"] = both.rename(columns=units).sort_values(["lab_test_id", "method"])
    return found


def write_tables(tables: dict[str, pd.DataFrame], folder: Path) -> list[Path]:
    """
    Write tables as ``<name>.csv`` with the columns and order that the output promises.

    tables: keys among those of `agreement.terms.OUTPUT_COLUMNS`.
    Returns: the files written; with results also the words for every column and statistic.
    """
    written = []
    for name, frame in tables.items():
        path = folder / f"{name}.csv"
        told = frame if name in _AS_COMPUTED else significant(frame)
        path.write_bytes(csv_bytes(told[[*OUTPUT_COLUMNS[name]]]))  # into an unfinished folder
        written.append(path)
    if "results" in tables:
        described = {name: frame[[*OUTPUT_COLUMNS[name]]] for name, frame in tables.items()}
        written.append(write_datapackage(described, folder))
    return written
