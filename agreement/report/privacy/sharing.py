"""What may leave the house: a report's tables without ids, dates and small groups."""

import json
import secrets
from pathlib import Path
from typing import Final

import pandas as pd

from agreement.errors import AgreementError
from agreement.report.privacy.privacy import (
    Naming,
    discreet_pairs,
    naming,
    plain_exclusions,
    without_small_cells,
)
from agreement.report.run.folder import PROVENANCE, is_ours, refuse_foreign, replaced_folder
from agreement.report.run.provenance import write_provenance
from agreement.report.run.verifying import seal
from agreement.tables.writers import csv_bytes

_TEXT: Final = ("athlete_id", "lab_test_id", "id", "group", "method", "mode", "note", "message")


def share_report(report: str | Path, out: str | Path) -> tuple[Path, ...]:
    """
    Write the tables of a report in a form that can be passed on.

    Ids become pseudonyms under a key that is thrown away, dates become days since the athlete's
    first test, cells below 5 athletes are emptied with their complements. The page, the notebook
    and the figures stay behind: they name athletes.

    Parameters
    ----------
    report : str or Path
        A report's folder.
    out : str or Path
        The output folder.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    AgreementError
        If `report` holds no report of ours.
    OutputError
        If `out` holds anything but earlier output of ours.
    """
    source, target = Path(report), Path(out)
    if not is_ours(source) or not (source / "results.csv").is_file():
        msg = f"{source} holds no report."
        raise AgreementError(msg)
    refuse_foreign(target)
    name = naming(secrets.token_bytes(32))
    content = json.loads((source / PROVENANCE).read_text(encoding="utf-8"))
    hidden_before = content["kind"] == "audit"
    with replaced_folder(target) as folder:
        for table in ("results", "pairs", "exclusions", "flow", "athlete_cards"):
            frame = _read(source / f"{table}.csv")
            shown = frame if hidden_before else _hidden(table, frame, name)
            (folder / f"{table}.csv").write_bytes(csv_bytes(shown))
        kept = ("written_by", "version", "python", "dependencies", "kind", "seed", "options")
        write_provenance({key: content[key] for key in kept} | {"shared": True}, folder)
        seal(folder)
        files = sorted(path.name for path in folder.iterdir())
    return tuple(target / file for file in files)


def _read(path: Path) -> pd.DataFrame:
    """Read one of our own tables; ids and texts stay text, empty cells of them empty."""
    head = pd.read_csv(path, nrows=0).columns
    text = {column: "str" for column in head if column in _TEXT}
    frame = pd.read_csv(path, dtype=text, keep_default_na=False, na_values=_empty_numbers(head))
    return frame


def _empty_numbers(columns: pd.Index) -> dict[str, list[str]]:
    """Return what counts as missing: an empty cell, outside texts."""
    return {str(column): [""] for column in columns if column not in _TEXT}


def _hidden(table: str, frame: pd.DataFrame, name: Naming) -> pd.DataFrame:
    """Return one table as it may be shown."""
    if table == "results":
        return without_small_cells(frame)
    if table == "exclusions":
        named = frame["id"].where(frame["id"] != "")
        return plain_exclusions(frame.assign(id=named), name)
    if table == "athlete_cards":
        return frame.iloc[:0]  # a card is one person's: traits withheld elsewhere show in it
    ids = [column for column in ("athlete_id", "lab_test_id") if column in frame]
    frame = discreet_pairs(frame) if table == "pairs" else frame
    return frame.assign(**{column: frame[column].map(name) for column in ids})
