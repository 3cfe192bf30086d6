"""
First pass over estimates in parts: check each piece by the rules of tables, and spread its rows.

Copies, stale runs and the choice of a laboratory test need the whole series of an athlete, so rows
go into buckets by athlete: records of one width, sorted by bucket, in which numbers stand for texts.
A bucket holds neighbours in the order of the ids, so that pairs leave bucket by bucket in the order
of the output; athletes without a laboratory test are spread by hash.
"""

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
import pandas as pd

from agreement.arrays import Ints
from agreement.physiology.laboratory import control_lines
from agreement.tables.checked_tables import SET_NUMBERS, CheckedTable
from agreement.tables.findings import Findings
from agreement.tables.parts import CheckedPiece, PartReader, Piece, write_ledger_part
from agreement.tables.spills import write_records, write_spill
from agreement.terms import ALL_MODES, SENSORS

NUMBERS: Final = ("vo2max", "vo2max_l_min", *SET_NUMBERS)
CODED_TEXTS: Final = {"mode": ALL_MODES, "sensor": SENSORS}  # known beforehand


@dataclass(frozen=True, slots=True)
class Buckets:
    """Which bucket an athlete belongs to."""

    # those with a laboratory test, sorted; the code of an athlete is the place here
    athletes: "pd.Index[str]"
    count: int  # buckets

    def of(self, athletes: pd.Series) -> Ints:
        """Return the bucket of each row."""
        codes, found = pd.factorize(athletes)
        _, bucket = self.of_names(pd.Index(found))
        return np.append(bucket, 0)[codes]  # a missing id, which no reading has

    def of_names(self, names: "pd.Index[str]") -> tuple[Ints, Ints]:
        """Return the code of each name, -1 without a laboratory test, and its bucket."""
        place = self.athletes.get_indexer(names).astype(np.int64)
        bucket = place * self.count // max(1, len(self.athletes))
        strange = np.flatnonzero(place < 0)
        hashed = pd.util.hash_array(names[strange].to_numpy(dtype=object), categorize=False)
        bucket[strange] = (hashed % np.uint64(self.count)).astype(np.int64)
        return place, bucket

    def codes_in(self, bucket: int) -> range:
        """Return the codes of the athletes in a bucket."""
        size = max(1, len(self.athletes))
        return range(*(-(-size * b // self.count) for b in (bucket, bucket + 1)))


@dataclass(frozen=True, slots=True)
class Spreading:
    """What every worker of the first pass needs."""

    reader: PartReader
    buckets: Buckets
    # ids that nobody need be told about: of the athletes table, else of the laboratory
    known: frozenset[str]
    control: str | None  # the laboratory's own, who is no athlete
    work: Path  # where the spills go


class Records(NamedTuple):
    """
    Rows checked together, sorted by bucket.

    `starts` says where each bucket begins; `methods` are the texts behind the codes; `strangers`
    holds the athletes without a laboratory test, by bucket, whose codes follow those of the others.
    """

    part: int  # whose rows they are
    path: Path
    kind: "np.dtype[np.void]"
    starts: Ints
    methods: tuple[str, ...]
    strangers: Path | None


class Spread(NamedTuple):
    """What one piece gave: its account, and where its rows and its lines of rows left out lie."""

    part: int
    account: CheckedPiece  # without rows
    records: list[Records]
    lines: Path | None
    set_aside: dict[str, int]  # rows by reason


def spread(plan: Spreading, piece: Piece) -> Spread:
    """Check one piece and lay its rows aside by bucket, its lines of rows left out as they are."""
    checked = plan.reader.checked(piece)
    name, path = f"{piece.part:06d}-{piece.first:06d}", None
    tables, records, every = [], [], [checked.findings.ledger()]
    for number, table in enumerate(checked.tables):
        rows, gone = table.frame, table.withdrawn_rows
        tables.append(CheckedTable(pd.DataFrame(), gone, table.people - plan.known))
        if plan.control is not None and (own := rows["athlete_id"] == plan.control).any():
            every.append(control_lines(rows[own], "athlete_id"))
            rows = rows[~own]
        if len(rows):
            records.append(_laid_aside(plan, rows, piece.part, f"{name}-{number}"))
    lines = pd.concat(every)
    lines = lines[lines["reason"] != "withdrawn"]  # one line for all parts, from the count
    if len(lines):
        path = plan.work / f"aside-{name}.parquet"
        write_ledger_part(lines, path)
    account = checked._replace(tables=tables, findings=Findings(checked.findings.problems))
    return Spread(piece.part, account, records, path, dict(Counter(lines["reason"].tolist())))


def _laid_aside(plan: Spreading, rows: pd.DataFrame, part: int, name: str) -> Records:
    """Write rows as records sorted by bucket."""
    names = pd.Index(rows["athlete_id"].cat.categories, dtype="str")
    code, bucket = plan.buckets.of_names(names)
    path = plan.work / f"strangers-{name}.arrow" if (code < 0).any() else None
    if path is not None:
        strange = np.flatnonzero(code < 0)
        home = bucket[strange]
        order = np.argsort(home, kind="stable")
        first = np.searchsorted(home[order], home[order])
        code[strange[order]] = len(plan.buckets.athletes) + np.arange(len(order)) - first
        found = pd.DataFrame({"athlete_id": names[strange]})
        write_spill(found, path, home, plan.buckets.count)
    who = rows["athlete_id"].cat.codes.to_numpy()
    columns = {
        "row": rows["row"].to_numpy(np.uint32),
        "instant": rows["instant"].to_numpy().astype("datetime64[us]").astype(np.int64),
        "day": rows["date"].to_numpy().astype("datetime64[D]").astype(np.int32),
        "athlete": code.astype(np.int32)[who],
        "method": rows["method"].cat.codes.to_numpy(),
    }
    for text, known in CODED_TEXTS.items():
        place = np.append(pd.Index(known).get_indexer(rows[text].cat.categories), -1)
        columns[text] = place.astype(np.int8)[rows[text].cat.codes]
    numbers = {number: rows[number].to_numpy() for number in NUMBERS}
    columns |= {number: v for number, v in numbers.items() if not np.isnan(v).all()}
    home = bucket[who]
    order = np.argsort(home.astype(np.int16), kind="stable")
    starts = np.searchsorted(home[order], np.arange(plan.buckets.count + 1))
    kind = np.dtype([(column, values.dtype) for column, values in columns.items()])
    packed = np.empty(len(order), kind)
    for column, values in columns.items():
        packed[column] = values
    written = write_records(packed.take(order), plan.work / f"rows-{name}.bin")
    return Records(part, written, kind, starts, tuple(rows["method"].cat.categories), path)
