"""Raw files of one laboratory test (breaths) or one training session (samples)."""

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from agreement.errors import Problem, TableError
from agreement.tables.codes import code_column
from agreement.tables.columns import BREATHS, SAMPLES, Table
from agreement.tables.findings import Findings
from agreement.tables.ids import id_column
from agreement.tables.number_columns import CLOCK_COLUMN, number_columns
from agreement.tables.options import FileFormat
from agreement.tables.readers import read_table

Part = tuple[pd.DataFrame, tuple[Problem, ...]]


def read_breaths(path: Path, *, file: str | None = None, form: FileFormat | None = None) -> Part:
    """
    Read the breaths of one laboratory test.

    path: CSV, packed CSV (.csv.gz) or Parquet.
    file: name for messages; default: folder and name of the file.
    form: what the study file states in ``[files.breaths]``.
    Returns breaths: t_s [s], vo2_ml_min and vco2_ml_min [mL/min STPD], ve_l_min [L/min BTPS],
        hr_bpm [bpm], speed_m_s [m/s], grade [fraction], power_w [W], phase; and, only to check
        these against, ve_stpd_l_min [L/min], vo2_ml_kg_min [mL/kg/min] and rer [-]. Missing cells
        NaN, rows as in the file.
    Returns notes: how the file was read.
    Raises TableError if the file cannot be used, with every reason.
    """
    return _read(path, BREATHS, file, form)


def read_samples(path: Path, *, file: str | None = None, form: FileFormat | None = None) -> Part:
    """
    Read the samples of one training session; as `read_breaths`.

    Returns samples: t_s [s], hr_bpm [bpm], speed_m_s [m/s], grade [fraction], power_w [W]; and
        session_id where the file has it, because it holds many sessions.
    Returns notes: how the file was read.
    Raises TableError if the file cannot be used, with every reason.
    """
    return _read(path, SAMPLES, file, form)


def _read(path: Path, table: Table, file: str | None, form: FileFormat | None) -> Part:
    """Read one raw file of either kind."""
    findings = Findings()
    name = file or f"{path.parent.name}/{path.name}"
    raw = read_table(path, name, table, form or FileFormat(), findings)
    if raw is None or findings.stops:
        raise TableError(findings.stops)
    nothing = np.full(len(raw.rows), np.nan)
    numbers = number_columns(raw)
    columns: dict[str, Any] = {}
    for ours, column in table.columns.items():
        if column.kind == "number":
            columns[ours] = numbers.get(ours, nothing)
        elif column.kind == "code":
            columns[ours] = code_column(raw, ours).series()
        elif ours in raw.frame:
            columns[ours] = id_column(raw, ours).series()
    if CLOCK_COLUMN in numbers:
        columns[CLOCK_COLUMN] = numbers[CLOCK_COLUMN]
    if not len(raw.rows):
        raw.stop("unreadable_file", "The file has no rows.", "Fill it, or delete it.")
    if findings.stops:
        raise TableError(findings.stops)
    return pd.DataFrame(columns), tuple(findings.problems)
