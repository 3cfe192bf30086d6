"""The ledger of a whole study: exclusions and flow."""

from typing import TYPE_CHECKING

import pandas as pd

from agreement.pairing import accounts
from agreement.pairing.bucket import PairedBucket
from agreement.pairing.cleaning import CODE
from agreement.pairing.laboratory_units import Units
from agreement.pairing.ledger import (
    TABLES,
    RowFates,
    best_of,
    close,
    rows_of_lines,
    set_aside_lines,
)

if TYPE_CHECKING:
    from agreement.physiology.laboratory import LaboratoryValues
    from agreement.physiology.readings import Readings
    from agreement.tables.study import StudyTables


def table_files(study: "StudyTables") -> dict[str, str]:
    """Return the file of each table that was read, in the order of the flow table."""
    return {table: study.names[table] for table in TABLES if table in study.rows_read}


def study_ledger(
    study: "StudyTables",
    laboratory: "LaboratoryValues",
    readings: "Readings",
    units: Units,
    paired: PairedBucket,
    estimates: RowFates | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """
    Account for every row of every table.

    study, laboratory, readings: LaboratoryValues, Readings. What the stages before gave; their
        lines of rows set aside join the ledger.
    units, paired: the laboratory units, and what became of them and of the readings.
    estimates: what became of the field estimates, where they are none of the readings.
    Returns exclusions, flow: see `agreement.pairing.ledger.close`.
    """
    files, texts = table_files(study), paired.texts
    of_units, of_readings = paired.of_units, paired.of_readings
    lines = set_aside_lines([study.set_aside, laboratory.set_aside, readings.set_aside], files)
    aside = {table: rows_of_lines(each, texts) for table, each in lines.items()}
    tests = accounts.laboratory_account(laboratory.frame, units, of_units)
    every_test = tests.rows()
    if "lab_tests" in aside:
        every_test = best_of([every_test, _of_newest(aside["lab_tests"])])
    fates: dict[str, RowFates] = {"lab_tests": tests}
    owners = {"breaths": every_test, "samples": every_test.iloc[:0]}  # until there are sessions
    if "athletes" in files:
        fates["athletes"] = accounts.athletes_account(study.athletes, units, of_units, texts)
    if "field_estimates" in files:
        fates["field_estimates"] = estimates or accounts.estimates_account(readings, of_readings)
    if "field_tests" in files:
        fates["field_tests"] = accounts.field_tests_account(readings, of_readings)
    if "sessions" in files:
        sessions = accounts.sessions_account(
            study.sessions,
            aside.pop("sessions", None),
            every_test,
            units,
            readings,
            of_readings,
            texts,
        )
        fates["sessions"] = sessions
        owners["samples"] = _of_newest(sessions.rows())
    for table, names in (("breaths", study.breaths), ("samples", study.samples)):
        if table in files:
            gone = aside[table]["id"] if table in aside else ()
            left = set(names).difference(gone)
            fates[table] = accounts.raw_files_account(left, owners[table])
    return close(fates, aside, files, study.rows_read, study.withdrawn, texts)


def _of_newest(rows: pd.DataFrame) -> pd.DataFrame:
    """Return rows without those that a newer export holds again: their ids stand twice."""
    return rows[~rows["reason"].isin([CODE["re_exported"], CODE["corrected"]])]
