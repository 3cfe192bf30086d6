"""Second pass: the pairs of one bucket of athletes, and what became of every reading in it."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.errors import Problem
from agreement.pairing.cleaning import KEPT
from agreement.pairing.messages import Texts
from agreement.pairing.notes import input_notes, reading_notes
from agreement.pairing.pair_order import sorted_pairs
from agreement.pairing.reading_fates import ReadingFates, pair_parts, reading_fates
from agreement.pairing.study_pairs import repeats_of
from agreement.pairing.tally import Tally, tally
from agreement.pairing.unit_fates import unit_fates
from agreement.pairing.units import laboratory_units
from agreement.physiology.readings import estimate_readings
from agreement.scale.spread import no_estimates, whole_estimates
from agreement.tables.findings import Findings
from agreement.tables.options import StudyOptions
from agreement.tables.spills import read_section, spilled_table, write_bytes, write_spill
from agreement.tables.writers import csv_lines
from agreement.terms import PAIR_COLUMNS, REASONS

Ints = npt.NDArray[np.int64]
POSITION = "position"  # of a reading that is no estimate, among all such readings
SOURCE = "field_estimates"


@dataclass(frozen=True, slots=True)
class BucketPlan:
    """
    What every worker of the second pass needs.

    Attributes
    ----------
    work : Path
        Where the spills are.
    rows : tuple of Path
        The estimates, by bucket.
    laboratory, others : Path
        The laboratory tests, and the readings that are no estimates, by bucket.
    options : StudyOptions
    heart_rate_based : dict of str to bool
    athletes : Path or None
        Ids of the athletes table by bucket, if the study has one.
    files : dict of str to str
        File of each table.
    starts : ndarray
        First running row of each piece, sorted: lines are laid aside by piece.
    write : bool
        Whether pairs and lines are wanted as text, or only what was found.
    """

    work: Path
    rows: tuple[Path, ...]
    laboratory: Path
    others: Path
    options: StudyOptions
    heart_rate_based: dict[str, bool]
    athletes: Path | None
    files: dict[str, str]
    starts: Ints
    write: bool


class Fates(NamedTuple):
    """Reason (position in `agreement.terms.REASONS`, `KEPT` behind a pair) and message of rows."""

    reason: Ints
    message: list[str]
    flag: npt.NDArray[np.bool_]  # alone behind a value (readings); lost to mode (units)


class BucketPairs(NamedTuple):
    """
    What one bucket gave.

    `keys` are method and mode of the sections of its files of pairs and days; `others` is the fate
    of the readings at `positions`.
    """

    keys: list[tuple[str, str]]
    used: int
    summarised: int
    left: dict[str, int]  # estimates left out by reason
    units: Fates
    positions: Ints
    others: Fates
    problems: list[Problem]
    tally: Tally


def pair_bucket(plan: BucketPlan, bucket: int) -> BucketPairs:
    """Pair one bucket; pairs, days, repeats and lines of rows left out go into spills."""
    frame, positions = _readings(plan, bucket)
    laboratory = read_section([plan.laboratory], bucket)
    units = laboratory_units(
        laboratory, repeat_within_days=plan.options.reference.repeat_within_days
    )
    texts = Texts()
    parts = pair_parts(frame, units, plan.options)
    known = read_section([plan.athletes], bucket)["athlete_id"] if plan.athletes else None
    fates = reading_fates(frame, parts, texts, known)
    of_units = unit_fates(units, parts, texts)
    pairs, daily = sorted_pairs(parts, units)
    estimates = len(frame) - len(positions)
    found = Findings()
    reading_notes(found, frame, fates, texts, plan.files, plan.options)
    input_notes(found, pairs[pairs["source"] == SOURCE], plan.files, plan.options)
    methods, words = frame["method"].unique(), texts.known()
    groups = pairs[["method", "mode"]].drop_duplicates()  # sorted as the pairs are
    keys = [(str(method), str(mode)) for method, mode in groups.itertuples(index=False)]
    if plan.write:
        _write_pairs(plan, bucket, keys, pairs[PAIR_COLUMNS], daily)
        repeats = spilled_table(repeats_of(laboratory, units))
        write_spill([repeats], plan.work / f"repeats-{bucket:06d}.arrow")
        _write_lines(plan, bucket, frame.iloc[:estimates], fates, words)
    behind = fates.reason[:estimates] == KEPT
    reason = fates.reason[:estimates][~behind].astype(np.int64)
    used = int((behind & fates.alone[:estimates]).sum())
    return BucketPairs(
        keys,
        used,
        int(behind.sum()) - used,
        {
            name: int(n)
            for name, n in zip(REASONS, np.bincount(reason, minlength=len(REASONS)), strict=True)
            if n
        },
        _told(of_units.reason, of_units.text, of_units.lost_to_mode, words),
        positions,
        _told(fates.reason[estimates:], fates.text[estimates:], fates.alone[estimates:], words),
        found.problems,
        tally(laboratory, units, of_units, parts, pairs, methods, plan.heart_rate_based),
    )


def _readings(plan: BucketPlan, bucket: int) -> tuple[pd.DataFrame, Ints]:
    """Return estimates, then the other readings of the bucket, and the positions of these."""
    rows = whole_estimates(read_section(plan.rows, bucket)) if plan.rows else no_estimates()
    frame = estimate_readings(rows.assign(file=plan.files.get(SOURCE, ""))).readings
    others = read_section([plan.others], bucket)
    positions = others.pop(POSITION).to_numpy(np.int64)
    if len(others):
        frame = pd.concat([frame, others], ignore_index=True) if len(frame) else others
    return frame, positions


def _told(
    reason: npt.NDArray[np.integer[Any]], text: Ints, flag: npt.NDArray[np.bool_], words: list[str]
) -> Fates:
    """Return fates with their messages in words, which mean the same in every process."""
    said = [words[place] if words else "" for place in text.tolist()]
    return Fates(reason.astype(np.int64), said, flag)


def _write_pairs(
    plan: BucketPlan,
    bucket: int,
    keys: list[tuple[str, str]],
    pairs: pd.DataFrame,
    daily: pd.DataFrame,
) -> None:
    """Lay pairs and days aside by method and mode, pairs also as lines of text."""
    index = pd.MultiIndex.from_tuples(keys, names=["method", "mode"]) if keys else None
    for name, frame in (("pairs", pairs), ("daily", daily)):
        section = (
            np.zeros(0, np.int64)
            if index is None
            else index.get_indexer(pd.MultiIndex.from_frame(frame[["method", "mode"]]))
        )
        path = plan.work / f"{name}-{bucket:06d}.arrow"
        table = spilled_table(frame, ("method", "mode"))
        write_spill([table], path, section.astype(np.int64), max(1, len(keys)))
        if name == "pairs":  # sorted by key already
            ends = np.searchsorted(section, np.arange(len(keys)), side="right")
            for number, text in enumerate(csv_lines(pairs, ends.tolist())):
                write_bytes([text], plan.work / f"pairs-{bucket:06d}-{number:03d}.csv")


def _write_lines(
    plan: BucketPlan, bucket: int, estimates: pd.DataFrame, fates: ReadingFates, words: list[str]
) -> None:
    """Lay the lines of estimates left out aside by the piece that they came from."""
    import pyarrow as pa

    reason = fates.reason[: len(estimates)]
    out = np.flatnonzero(reason != KEPT)
    row = estimates["row"].to_numpy(np.int64)[out]
    text = fates.text[: len(estimates)][out]
    table = pa.table(
        {
            "row": row,
            "id": pa.array(estimates["id"].array.take(out), pa.large_string()).dictionary_encode(),
            "reason": _coded(reason[out], list(REASONS)),
            "message": _coded(text, words),
        }
    )
    piece = np.searchsorted(plan.starts, row, side="right") - 1
    path = plan.work / f"left-{bucket:06d}.arrow"
    write_spill([table], path, piece, len(plan.starts))


def _coded(codes: npt.NDArray[np.integer[Any]], words: list[str]) -> Any:
    """Return texts as numbers and the texts that these stand for."""
    import pyarrow as pa

    known = pa.array(words, pa.large_string())
    return pa.DictionaryArray.from_arrays(pa.array(codes.astype(np.int32)), known)
