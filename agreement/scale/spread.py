"""
First pass over estimates in parts: check each piece by the rules of tables, and spread its rows.

Copies, stale runs and the choice of a laboratory test need the whole series of an athlete, so rows
go into buckets by athlete. A bucket holds neighbours in the order of the ids, so that pairs leave
bucket by bucket in the order of the output; athletes without a laboratory test are spread by hash.
"""

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.tables.field_tables import SET_NUMBERS
from agreement.tables.findings import Findings
from agreement.tables.lab_table import CheckedTable
from agreement.tables.parts import PART_STEP, CheckedPiece, PartReader, Piece
from agreement.tables.spills import taken_up, write_spill

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
    """What every worker of the first pass needs."""

    reader: PartReader
    buckets: Buckets
    work: Path

    @property
    def known(self) -> frozenset[str]:
        """Ids that nobody need be told about: of the athletes table, else of the laboratory."""
        people = self.reader.athletes.people
        known = frozenset(self.buckets.athletes) if people.known is None else people.known
        return known | people.withdrawn


class Batch(NamedTuple):
    """Rows that were checked at once: the first of them over all parts, and their lines left out."""

    part: int
    first_row: int
    lines: Path | None


class Spread(NamedTuple):
    """What one piece gave: its account, and where its rows lie."""

    piece: Piece
    account: list[CheckedPiece]  # without rows
    batches: list[Batch]
    rows: list[Path]
    set_aside: dict[str, int]  # rows by reason
    methods: frozenset[str]


def spread(shared: Path, piece: Piece) -> Spread:
    """Check one piece and lay its rows aside by bucket, its lines of rows left out as they are."""
    plan: Spreading = taken_up(shared)
    account, batches, rows, methods = [], [], [], set[str]()
    before = piece.rows_before
    set_aside: Counter[str] = Counter()
    for number, checked in enumerate(plan.reader.checked(piece)):
        name = f"{piece.part:06d}-{piece.first:06d}-{number:04d}.arrow"
        frame, lines = checked.table.frame, checked.findings.ledger()
        lines = lines[lines["reason"] != "withdrawn"]  # one line for all parts, from the count
        if len(frame):
            rows.append(plan.work / f"rows-{name}")
            _lay_out(frame, piece.part, plan.buckets, rows[-1])
            methods |= set(frame["method"].unique())
        aside = plan.work / f"aside-{name}" if len(lines) else None
        if aside is not None:
            write_spill(lines[LEDGER], aside, repeating=("reason", "message"))
        batches.append(Batch(piece.part, piece.part * PART_STEP + before, aside))
        before += checked.rows_read
        set_aside.update(lines["reason"].tolist())
        strangers = checked.table.people - plan.known  # all other ids are known to everybody
        table = CheckedTable(pd.DataFrame(), checked.table.withdrawn_rows, strangers)
        findings = Findings(checked.findings.problems)
        account.append(checked._replace(table=table, findings=findings))
        if checked.findings.stops:
            break  # the next rows of the same file would say the same
    return Spread(piece, account, batches, rows, dict(set_aside), frozenset(methods))


def _lay_out(frame: pd.DataFrame, part: int, buckets: Buckets, path: Path) -> None:
    """Write the rows of one piece by bucket, numbered over all parts."""
    frame = frame.drop(columns="file").assign(row=frame["row"] + part * PART_STEP)
    write_spill(frame, path, buckets.of(frame["athlete_id"]), buckets.count, REPEATING)


def no_estimates() -> pd.DataFrame:
    """Return the columns of spilled estimates without a row."""
    text = dict.fromkeys(("athlete_id", *REPEATING), "str")
    times = dict.fromkeys(("instant", "date"), "datetime64[us]")
    numbers = dict.fromkeys(("vo2max", "vo2max_l_min", *SET_NUMBERS), "float64")
    kinds = text | times | numbers | {"row": "int64"}
    return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in kinds.items()})
