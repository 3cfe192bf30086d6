"""Second pass: the pairs of one bucket of athletes, and what became of every reading in it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.pairing import bucket as pairing
from agreement.pairing.laboratory_units import laboratory_units
from agreement.pairing.ledger import exclusions, rows_left_out, rows_of, rows_used
from agreement.pairing.reading_fates import ReadingFates
from agreement.physiology.reading_rows import NO_READINGS
from agreement.physiology.readings import estimate_readings
from agreement.scale.spread import CODED_TEXTS, NUMBERS, Buckets, Records
from agreement.stats.doubts.study_doubts import CountedRows, counted_rows
from agreement.tables.parts import PART_STEP, with_part_files, write_ledger_part
from agreement.tables.spills import read_records, read_section
from agreement.terms import PAIR_COLUMNS, REASONS

SOURCE = "field_estimates"


@dataclass(frozen=True, slots=True)
class BucketPlan:
    """What every worker of the second pass needs."""

    common: pairing.Common
    work: Path  # where the spills are
    records: tuple[Records, ...]  # the estimates of each piece, by bucket
    buckets: Buckets
    methods: tuple[str, ...]  # of all estimates
    # by bucket: laboratory tests and, if the study has them, readings that are no estimates and
    # ids of the athletes table
    spills: dict[str, Path]
    parts: tuple[str, ...]  # file of each part
    write: bool  # whether lines of what was left out are wanted


class BucketPairs(NamedTuple):
    """What one bucket gave."""

    paired: pairing.PairedBucket  # `of_readings` of those that are no estimates
    counts: tuple[int, int]  # estimates used and summarised
    left: dict[str, int]  # estimates left out, by reason
    lines: Path | None  # of these
    counted: CountedRows  # of tests and estimates


def pair_bucket(plan: BucketPlan, bucket: int) -> BucketPairs:
    """Pair one bucket; lines of rows left out go into a file of their own."""
    parts = {name: read_section(path, bucket) for name, path in plan.spills.items()}
    laboratory, others = parts["laboratory"], parts.get("others", NO_READINGS)
    readings = estimate_readings(_estimates(plan, bucket)).readings
    size = len(readings)
    if size and len(others):
        coded = readings.select_dtypes("category").columns
        readings = pd.concat([readings.astype(dict.fromkeys(coded, "str")), others])
        readings = readings.reset_index(drop=True)
    elif len(others):
        readings = others
    within = plan.common.options.reference.repeat_within_days
    units = laboratory_units(laboratory, repeat_within_days=within)
    athletes = parts["athletes"]["athlete_id"] if "athletes" in parts else None
    paired = pairing.pair_bucket(plan.common, readings, laboratory, units, athletes)
    each = paired.of_readings
    own, rest = zip(
        *((of[:size], of[size:].copy()) for of in (each.reason, each.text, each.alone)), strict=True
    )
    ids = pd.Series(pd.Categorical(readings["id"].array[:size]))
    rows = rows_of(readings["row"].iloc[:size], ids, *own)
    counts, lines = np.bincount(own[0] + 1, minlength=len(REASONS) + 1)[1:], None
    if plan.write and counts.any():
        out = rows_left_out(rows)
        lines = plan.work / f"left-{bucket:06d}.parquet"
        file = plan.common.files[SOURCE]
        if not out["row"].is_monotonic_increasing:  # as they were read
            out = out.sort_values("row")
        told = exclusions({file: out}, paired.texts)
        write_ledger_part(with_part_files(told, file, plan.parts), lines)
    paired = replace(paired, of_readings=ReadingFates(*rest), pairs=paired.pairs[PAIR_COLUMNS])
    left = {reason: n for reason, n in zip(REASONS, counts.tolist(), strict=True) if n}
    counted = counted_rows(laboratory, readings[:size])
    return BucketPairs(paired, rows_used(rows), left, lines, counted)


def _estimates(plan: BucketPlan, bucket: int) -> pd.DataFrame:
    """Return the estimates of a bucket; categories stand for the texts."""
    own = plan.buckets.codes_in(bucket)
    tested = plan.buckets.athletes[own.start : own.stop].tolist()
    places: dict[str, int] = {}  # of athletes without a laboratory test
    ends = np.cumsum([0, *(int(np.diff(p.starts[bucket : bucket + 2])[0]) for p in plan.records)])
    size, file = int(ends[-1]), [plan.common.files[SOURCE]]
    found: dict[str, npt.NDArray[Any]] = {name: np.full(size, np.nan) for name in NUMBERS}
    found |= {name: np.empty(size, np.int64) for name in ("row", "instant", "day", "athlete")}
    found |= {name: np.empty(size, np.int8) for name in CODED_TEXTS} | {
        "method": np.empty(size, np.int32)
    }
    for piece, start, end in zip(plan.records, ends, ends[1:], strict=False):
        rows = read_records(piece.path, piece.kind, *piece.starts[bucket : bucket + 2])
        for name in piece.kind.names or ():
            found[name][start:end] = rows[name]
        found["row"][start:end] += piece.part * PART_STEP
        code, method = (found[name][start:end] for name in ("athlete", "method"))
        code -= own.start
        if piece.strangers is not None:
            named = read_section(piece.strangers, bucket)["athlete_id"].tolist()
            unified = [places.setdefault(one, len(tested) + len(places)) for one in named]
            strange = code >= len(tested)
            first = len(plan.buckets.athletes) - own.start
            code[strange] = np.array(unified, np.int64)[code[strange] - first]
        method[:] = np.array([plan.methods.index(one) for one in piece.methods])[method]
    columns: dict[str, Any] = {
        "athlete_id": _coded(found["athlete"], [*tested, *places]),
        "instant": found["instant"].view("datetime64[us]"),
        "date": found["day"].view("datetime64[D]").astype("datetime64[us]"),
        "method": _coded(found["method"], plan.methods),
        "row": found["row"],
        "file": _coded(np.zeros(size, np.int8), file),
    }
    columns |= {name: _coded(found[name], known) for name, known in CODED_TEXTS.items()}
    return pd.DataFrame(columns | {name: found[name] for name in NUMBERS}, copy=False)


def _coded(codes: npt.NDArray[Any], texts: Sequence[str]) -> pd.Categorical:
    return pd.Categorical.from_codes(codes, pd.Index(list(texts), dtype="str"), validate=False)
