"""What may leave the house of a report: counts and reasons, or rows of people with their own numbers."""

from collections import Counter
from pathlib import Path
from typing import Any, Final

import pandas as pd

from agreement.errors import AgreementError
from agreement.report.privacy.release import (
    counted_exclusions,
    counted_lines,
    released_results,
    released_tables,
)
from agreement.report.run.exports import write_tables
from agreement.report.run.folder import refuse_foreign, replaced_folder
from agreement.report.run.own_provenance import read_provenance
from agreement.report.run.own_tables import read_in_pieces, read_own_table
from agreement.report.run.provenance import write_provenance
from agreement.report.run.verifying import seal
from agreement.terms import EXCLUSION_COLUMNS

_KEPT: Final = ("written_by", "version", "python", "dependencies", "kind", "seed")
_OF_PEOPLE: Final = (
    "files",
    "confirm",
)  # choices that describe files, or say something of a person


def share_report(report: str | Path, out: str | Path) -> tuple[Path, ...]:
    """
    Write the tables of a report in a form that can be passed on.

    No row of a person leaves: results have their small cells withheld and are rounded, rows left
    out are counted by file and reason. The page, the notebook and the figures stay behind.

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
        If `report` holds no report of ours, or one that is not as it was written.
    OutputError
        If `out` holds anything but earlier output of ours.
    """
    source, target = Path(report), Path(out)
    content = read_provenance(source)
    if "results.csv" not in content.get("outputs", {}):
        msg = f"{source} holds no report."
        raise AgreementError(msg)
    refuse_foreign(target)
    results = read_own_table(source, "results", content)
    if content["kind"] != "audit":  # an audit's have been through this
        results = released_results(results)
    tables = released_tables(
        results,
        _left_out(source, content),
        read_own_table(source, "flow", content),
    )
    told: dict[str, Any] = {key: content[key] for key in _KEPT if key in content}
    told |= {"options": _options(content), "shared": True, "rows_of_people": False}
    with replaced_folder(target) as folder:
        write_tables(tables, folder)
        write_provenance(told, folder)
        seal(folder)
        files = sorted(path.name for path in folder.iterdir())
    return tuple(target / file for file in files)


def _options(content: dict[str, Any]) -> dict[str, Any]:
    """Return the choices of a study that may be told."""
    options = {key: value for key, value in content["options"].items() if key not in _OF_PEOPLE}
    study = options.get("study")
    if isinstance(study, dict):
        options["study"] = study | {"id_map": None}
    return options


def _left_out(report: Path, content: dict[str, Any]) -> pd.DataFrame:
    """Return how many rows were left out, by file and reason; of parts, by their folder."""
    if "exclusions.csv" not in content["outputs"]:
        return pd.DataFrame(columns=EXCLUSION_COLUMNS)
    lines = read_own_table(report, "exclusions", content)
    counted = counted_exclusions(lines.assign(id=lines["id"].where(lines["id"] != "")))
    counts: Counter[tuple[str, str]] = Counter()
    for name in content["outputs"]:
        if name.startswith("exclusions/") and name.endswith(".csv"):
            for piece in read_in_pieces(report, name.removesuffix(".csv"), content):
                folder = piece["file"].str.rpartition("/")[0]
                counts.update(zip(folder, piece["reason"], strict=True))
    made = pd.DataFrame(
        [(*place, n) for place, n in counts.items()], columns=["file", "reason", "rows"]
    )
    return pd.concat([counted, counted_lines(made)], ignore_index=True) if counts else counted
