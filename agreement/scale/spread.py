"""
First pass over estimates in parts: check each piece by the rules of tables, and spread its rows.

Copies, stale runs and the choice of a laboratory test need the whole series of an athlete, so rows
go into buckets by athlete. A bucket holds neighbours in the order of the ids, so that pairs leave
bucket by bucket in the order of the output; athletes without a laboratory test are spread by hash.
"""

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.tables.field_tables import SET_NUMBERS
from agreement.tables.findings import Findings
from agreement.tables.lab_table import CheckedTable
from agreement.tables.parts import FIRST_ROW, PART_STEP, CheckedPiece, PartReader, Piece
from agreement.tables.spills import spilled_table, write_spill

Ints = npt.NDArray[np.int64]
REPEATING = ("method", "mode", "sensor")
LEDGER = ["row", "id", "reason", "message"]


@dataclass(frozen=True, slots=True)
class Buckets:
    """
    Which bucket an athlete belongs to.

    Attributes
    ----------
    athletes : Index
        Those with a laboratory test, sorted.
    count : int
        Buckets.
    """

    athletes: "pd.Index[str]"
    count: int

    def of(self, athletes: pd.Series) -> Ints:
        """Return the bucket of each row."""
        codes, found = pd.factorize(athletes)
        names = pd.Index(found)
        place = self.athletes.get_indexer(names).astype(np.int64)
        bucket = place * self.count // max(1, len(self.athletes))
        strange = np.flatnonzero(place < 0)
        hashed = pd.util.hash_array(names[strange].to_numpy(dtype=object), categorize=False)
        bucket[strange] = (hashed % np.uint64(self.count)).astype(np.int64)
        return np.append(bucket, 0)[codes]  # a missing id, which no reading has


@dataclass(frozen=True, slots=True)
class Spreading:
    """
    What every worker of the first pass needs.

    Attributes
    ----------
    reader : PartReader
    buckets : Buckets
    known : frozenset of str
        Ids that nobody need be told about: of the athletes table, else of the laboratory.
    work : Path
        Where the spills go.
    """

    reader: PartReader
    buckets: Buckets
    known: frozenset[str]
    work: Path


class Batch(NamedTuple):
    """Rows that were checked at once: the first of them in its part, and their lines left out."""

    first_row: int
    lines: Path | None


class Spread(NamedTuple):
    """What one piece gave: its account, and where its rows lie."""

    piece: Piece
    account: list[CheckedPiece]  # without rows
    batches: list[Batch]
    rows: Path | None
    set_aside: dict[str, int]  # rows by reason
    methods: frozenset[str]


def spread(plan: Spreading, piece: Piece) -> Spread:
    """Check one piece and lay its rows aside by bucket, its lines of rows left out as they are."""
    account, batches, methods = [], [], set[str]()
    tables, buckets = [], []
    before = piece.rows_before
    set_aside: Counter[str] = Counter()
    name = f"{piece.part:06d}-{piece.first:06d}"
    for number, checked in enumerate(plan.reader.checked(piece)):
        frame, lines = checked.table.frame, checked.findings.ledger()
        lines = lines[lines["reason"] != "withdrawn"]  # one line for all parts, from the count
        if len(frame):
            tables.append(_numbered(frame, piece.part))
            buckets.append(plan.buckets.of(frame["athlete_id"]))
            methods |= set(frame["method"].unique())
        aside = plan.work / f"aside-{name}-{number:04d}.arrow" if len(lines) else None
        if aside is not None:
            write_spill([spilled_table(lines[LEDGER], LEDGER[1:])], aside)
        batches.append(Batch(before + FIRST_ROW, aside))
        before += checked.rows_read
        set_aside.update(lines["reason"].tolist())
        strangers = checked.table.people - plan.known  # all other ids are known to everybody
        table = CheckedTable(pd.DataFrame(), checked.table.withdrawn_rows, strangers)
        findings = Findings(checked.findings.problems)
        account.append(checked._replace(table=table, findings=findings))
        if checked.findings.stops:
            break  # the next rows of the same file would say the same
    rows = plan.work / f"rows-{name}.arrow" if tables else None
    if rows is not None:
        write_spill(_without_empty(tables), rows, np.concatenate(buckets), plan.buckets.count)
    return Spread(piece, account, batches, rows, dict(set_aside), frozenset(methods))


def _numbered(frame: pd.DataFrame, part: int) -> Any:
    """Return checked rows as they are spilled, numbered over all parts."""
    frame = frame.drop(columns="file").assign(row=frame["row"] + part * PART_STEP)
    return spilled_table(frame, REPEATING)


def _without_empty(tables: list[Any]) -> list[Any]:
    """Return tables without the columns in which not one of them holds a value."""
    filled = [
        name
        for name in tables[0].column_names
        if any(table.column(name).null_count < len(table) for table in tables)
    ]
    return [table.select(filled) for table in tables]


def no_estimates() -> pd.DataFrame:
    """Return the columns of spilled estimates without a row."""
    text = dict.fromkeys(("athlete_id", *REPEATING), "str")
    times = dict.fromkeys(("instant", "date"), "datetime64[us]")
    numbers = dict.fromkeys(("vo2max", "vo2max_l_min", *SET_NUMBERS), "float64")
    kinds = text | times | numbers | {"row": "int64"}
    return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in kinds.items()})


def whole_estimates(rows: pd.DataFrame) -> pd.DataFrame:
    """Return spilled estimates with the columns that were left out because they were empty."""
    kinds = no_estimates()
    nothing = np.full(len(rows), np.nan)
    columns = {
        str(name): rows[name].array
        if name in rows
        else nothing
        if kind == np.float64
        else pd.array([None], dtype=kind).repeat(len(rows))
        for name, kind in kinds.dtypes.items()
    }
    return pd.DataFrame(columns, copy=False)
