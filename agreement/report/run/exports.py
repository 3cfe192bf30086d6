"""The tables of a report as CSV files: full precision, the same bytes for the same study."""

from pathlib import Path
from typing import Final

import pandas as pd

from agreement.tables.writers import csv_bytes
from agreement.terms import (
    CARD_COLUMNS,
    EXCLUSION_COLUMNS,
    FLOW_COLUMNS,
    PAIR_COLUMNS,
    RESULT_COLUMNS,
)

COLUMNS: Final = {
    "results": RESULT_COLUMNS,
    "pairs": PAIR_COLUMNS,
    "exclusions": EXCLUSION_COLUMNS,
    "flow": FLOW_COLUMNS,
    "athlete_cards": CARD_COLUMNS,
}


def write_tables(tables: dict[str, pd.DataFrame], folder: Path) -> list[Path]:
    """
    Write tables as ``<name>.csv`` with the columns and order that the output promises.

    Parameters
    ----------
    tables : dict of str to DataFrame
        Keys among those of `COLUMNS`.
    folder : Path

    Returns
    -------
    list of Path
        The files written.
    """
    written = []
    for name, frame in tables.items():
        path = folder / f"{name}.csv"
        path.write_bytes(csv_bytes(frame[COLUMNS[name]]))  # into an unfinished folder
        written.append(path)
    return written
