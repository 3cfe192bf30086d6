"""Second pass: the pairs of one bucket of athletes, and what became of every reading in it."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.errors import Problem
from agreement.pairing import bucket as pairing
from agreement.pairing.cleaning import KEPT
from agreement.pairing.reading_fates import ReadingFates
from agreement.pairing.study_pairs import repeats_of
from agreement.pairing.tally import Tally
from agreement.physiology.readings import estimate_readings
from agreement.scale.spread import NUMBERS, TEXTS, Buckets, Records
from agreement.tables.options import StudyOptions
from agreement.tables.parts_together import coded_ledger, write_ledger_part
from agreement.tables.spills import read_records, read_section
from agreement.terms import PAIR_COLUMNS, REASONS

Ints = npt.NDArray[np.int64]
POSITION = "position"  # of a reading that is no estimate, among all such readings
SOURCE = "field_estimates"


@dataclass(frozen=True, slots=True)
class BucketPlan:
    """What every worker of the second pass needs."""

    work: Path  # where the spills are
    records: tuple[Records, ...]  # the estimates of each piece, by bucket
    buckets: Buckets
    methods: tuple[str, ...]  # of all estimates
    # laboratory, others: the laboratory tests, and the readings that are no estimates, by bucket
    laboratory: Path
    others: Path
    options: StudyOptions
    heart_rate_based: dict[str, bool]
    athletes: Path | None  # ids of the athletes table by bucket, if the study has one
    files: dict[str, str]  # file of each table
    parts: tuple[str, ...]  # file of each part
    write: bool  # whether pairs and lines are wanted, or only what was found


class Fates(NamedTuple):
    """Reason (position in `agreement.terms.REASONS`, `KEPT` behind a pair) and message of rows."""

    reason: Ints
    message: list[str]
    flag: npt.NDArray[np.bool_]  # alone behind a value (readings); lost to mode (units)


class BucketPairs(NamedTuple):
    """
    What one bucket gave.

    `others` is the fate of the readings at `positions`; `lines` holds the estimates left out.
    Without `write` the frames are empty.
    """

    pairs: pd.DataFrame
    daily: pd.DataFrame
    repeats: pd.DataFrame
    used: int
    summarised: int
    left: dict[str, int]  # estimates left out by reason
    lines: Path | None
    units: Fates
    positions: Ints
    others: Fates
    problems: list[Problem]
    tally: Tally


def pair_bucket(plan: BucketPlan, bucket: int) -> BucketPairs:
    """Pair one bucket; lines of rows left out go into a file of their own."""
    frame, positions = _readings(plan, bucket)
    laboratory = read_section(plan.laboratory, bucket)
    known = read_section(plan.athletes, bucket)["athlete_id"] if plan.athletes else None
    paired = pairing.pair_bucket(
        frame, laboratory, plan.options, plan.heart_rate_based, plan.files, known, by_group=False
    )
    fates, of_units, words = paired.of_readings, paired.of_units, paired.texts.known()
    estimates = len(frame) - len(positions)
    lines = None
    if plan.write:
        lines = _write_lines(plan, bucket, frame.iloc[:estimates], fates, words)
    behind = fates.reason[:estimates] == KEPT
    reason = fates.reason[:estimates][~behind].astype(np.int64)
    used = int((behind & fates.alone[:estimates]).sum())
    rows = slice(None) if plan.write else slice(0)
    return BucketPairs(
        paired.pairs[PAIR_COLUMNS][rows],
        paired.daily[rows],
        repeats_of(laboratory, paired.units)[rows],
        used,
        int(behind.sum()) - used,
        {
            name: int(n)
            for name, n in zip(REASONS, np.bincount(reason, minlength=len(REASONS)), strict=True)
            if n
        },
        lines,
        _told(of_units.reason, of_units.text, of_units.lost_to_mode, words),
        positions,
        _told(fates.reason[estimates:], fates.text[estimates:], fates.alone[estimates:], words),
        paired.found.problems,
        paired.counts,
    )


def _readings(plan: BucketPlan, bucket: int) -> tuple[pd.DataFrame, Ints]:
    """Return estimates, then the other readings of the bucket, and the positions of these."""
    others = read_section(plan.others, bucket)
    positions = others.pop(POSITION).to_numpy(np.int64)
    frame = estimate_readings(_estimates(plan, bucket)).readings
    if len(others) and len(frame):
        texts = {
            name: "str" for name in frame if isinstance(frame[name].dtype, pd.CategoricalDtype)
        }
        return pd.concat([frame.astype(texts), others], ignore_index=True), positions
    return others if len(others) else frame, positions


def _estimates(plan: BucketPlan, bucket: int) -> pd.DataFrame:
    """Return the estimates of a bucket; categories stand for the texts."""
    own = plan.buckets.codes_in(bucket)
    tested = plan.buckets.athletes[own.start : own.stop].tolist()
    place = {method: code for code, method in enumerate(plan.methods)}
    strangers: dict[str, int] = {}
    pieces, who, how = [], [], []
    for piece in plan.records:
        rows = read_records(piece.path, piece.kind, piece.starts[bucket], piece.starts[bucket + 1])
        if not len(rows):
            continue
        code = rows["athlete"].astype(np.int64) - own.start
        if piece.strangers is not None:
            named = read_section(piece.strangers, bucket)["athlete_id"].tolist()
            unified = [strangers.setdefault(one, len(strangers)) for one in named]
            strange = code >= len(tested)
            first = len(plan.buckets.athletes) - own.start
            code[strange] = len(tested) + np.array(unified, np.int64)[code[strange] - first]
        pieces.append(rows)
        who.append(code)
        how.append(np.array([place[method] for method in piece.methods])[rows["method"]])
    size = sum(map(len, pieces))
    columns: dict[str, Any] = {
        "athlete_id": _coded(who, [*tested, *strangers]),
        "instant": _column(pieces, "instant", np.int64, size).astype("datetime64[us]"),
        "date": _column(pieces, "day", np.int32, size)
        .astype("datetime64[D]")
        .astype("datetime64[us]"),
        "method": _coded(how, plan.methods),
        "row": _column(pieces, "row", np.int64, size),
        "file": _coded([np.zeros(size, np.int8)], [plan.files.get(SOURCE, "")]),
    }
    columns |= {
        name: _coded([rows[name] for rows in pieces], known) for name, known in TEXTS.items()
    }
    columns |= {name: _column(pieces, name, np.float64, size) for name in NUMBERS}
    return pd.DataFrame(columns, copy=False)


def _coded(codes: Sequence[npt.NDArray[Any]], texts: Sequence[str]) -> pd.Categorical:
    whole = np.concatenate([*codes, np.zeros(0, np.int8)])
    return pd.Categorical.from_codes(whole, pd.Index(list(texts), dtype="str"), validate=False)


def _column(
    pieces: Sequence[npt.NDArray[Any]], name: str, kind: type, size: int
) -> npt.NDArray[Any]:
    """Return one column of all pieces; NaN where a piece has no such column."""
    whole: npt.NDArray[Any] = np.empty(size, kind)
    start = 0
    for rows in pieces:
        here = whole[start : start + len(rows)]
        here[:] = rows[name] if name in (rows.dtype.names or ()) else np.nan
        start += len(rows)
    return whole


def _told(
    reason: npt.NDArray[np.integer[Any]], text: Ints, flag: npt.NDArray[np.bool_], words: list[str]
) -> Fates:
    """Return fates with their messages in words, which mean the same in every process."""
    said = [words[place] if words else "" for place in text.tolist()]
    return Fates(reason.astype(np.int64), said, flag)


def _write_lines(
    plan: BucketPlan, bucket: int, estimates: pd.DataFrame, fates: ReadingFates, words: list[str]
) -> Path | None:
    """Write the lines of the estimates left out; None without any."""
    out = np.flatnonzero(fates.reason[: len(estimates)] != KEPT)
    if not len(out):
        return None
    lines = coded_ledger(
        estimates["row"].to_numpy(np.int64)[out],
        plan.parts,
        pd.Categorical(estimates["id"].array)[out],
        fates.reason[out].astype(np.int64),
        fates.text[out],
        words,
    )
    return write_ledger_part(lines, plan.work / f"left-{bucket:06d}.parquet")
