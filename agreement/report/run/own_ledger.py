"""Every row that a report left out: read back from one table, or from its Parquet parts."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import pandas as pd

from agreement.errors import AgreementError
from agreement.report.run.own_provenance import damaged, read_provenance, require_plain
from agreement.report.run.own_tables import read_in_pieces
from agreement.tables.parts_together import read_ledger_part
from agreement.tables.paths import file_digest
from agreement.tables.writers import csv_bytes
from agreement.terms import REASONS

FOLDER: Final = "exclusions/"


def ledger_pieces(report: Path, content: dict[str, Any]) -> Iterator[pd.DataFrame]:
    """
    Yield the lines of a report as text, some at a time; those of Parquet parts come last.

    content: its provenance.
    Raises AgreementError if a file is missing, was changed since, or is no such table.
    """
    outputs = content.get("outputs", {})
    if "exclusions.csv" not in outputs:
        return
    yield from read_in_pieces(report, "exclusions", content)
    for name in outputs:
        if not (name.startswith(FOLDER) and name.endswith(".parquet")):
            continue
        path = report / name
        require_plain(path, name)
        if outputs[name] != file_digest(path):
            raise damaged(name, "is not as it was written, and only what we wrote is passed on")
        try:
            lines = read_ledger_part(path)
        except ImportError as error:
            raise AgreementError(
                "The lines are in Parquet files. Install this package with its extra 'scale'."
            ) from error
        except (OSError, ValueError, KeyError) as error:  # Arrow's own errors are among these
            raise damaged(name, "is no table") from error
        yield lines.astype("str").fillna("")


def ledger_csv(report: str | Path) -> Iterator[bytes]:
    """
    Yield the lines of a report as CSV, the header first; raises as `ledger_pieces`.

    A text that a spreadsheet would take for a formula gets an apostrophe before it.
    """
    place, header = Path(report), True
    for lines in ledger_pieces(place, read_provenance(place)):
        text = csv_bytes(lines)
        yield text if header else text.partition(b"\n")[2]
        header = False


def ledger_counts(report: str | Path) -> pd.DataFrame:
    """
    Return how many lines of a report have each reason: columns reason, lines, in words.

    Raises as `ledger_pieces`.
    """
    place = Path(report)
    counts = pd.Series(0, index=list(REASONS))
    for lines in ledger_pieces(place, read_provenance(place)):
        counts = counts.add(lines["reason"].value_counts(), fill_value=0)
    found = counts[counts > 0].astype(int)
    words = [REASONS.get(reason, "") for reason in found.index]
    return pd.DataFrame({"reason": found.index, "lines": found.to_numpy(), "in words": words})
