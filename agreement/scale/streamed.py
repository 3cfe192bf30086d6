"""
A study whose estimates come in parts, checked and paired without holding them in memory.

Everything but the estimates is read as in any study. The estimates pass twice: `spread` checks them
piece by piece and lays them aside by athlete, `bucket_pairs` pairs one bucket of athletes at a time
with the same functions that pair a whole study. Both passes go through a mapper.
"""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.errors import Problem, TableError, in_order
from agreement.pairing.bucket import together
from agreement.pairing.laboratory_units import OF_ALL, laboratory_units
from agreement.pairing.study_pairs import Pairing, closed, common_of
from agreement.physiology.laboratory import LaboratoryValues, laboratory_and_control
from agreement.physiology.readings import Readings, field_readings
from agreement.physiology.session_records import (
    SAMPLES_ELSEWHERE,
    reduced_file,
)
from agreement.physiology.training import NO_PROFILES
from agreement.scale.bucket_pairs import SOURCE, BucketPlan, pair_bucket
from agreement.scale.engine import Engine, Progress
from agreement.scale.spread import Buckets, Spread, Spreading, spread
from agreement.stats.doubts.study_doubts import counted_together, laboratory_doubts, paired_doubts
from agreement.tables.columns import FIELD_ESTIMATES
from agreement.tables.doubts import settle
from agreement.tables.findings import Findings
from agreement.tables.ids import note_likely_matches
from agreement.tables.parts import about_rows, find_table_parts, read_ledger_part, summed
from agreement.tables.spills import give_memory_back, give_memory_back_now, write_spill
from agreement.tables.study import StudyTables, inspect_study
from agreement.tables.study_file import read_study_file
from agreement.tables.table_files import find_tables

ROWS_PER_BUCKET: Final = 250_000
MOST_BUCKETS: Final = 2048
ENOUGH_PEOPLE: Final = 5  # whom a reason has left rows out of, to be told of
Problems = tuple[Problem, ...]
Map = Callable[..., list[Any]]  # of an engine


@dataclass(frozen=True, slots=True)
class Streamed:
    """A study paired in buckets; the lines of estimates left out lie in files."""

    study: StudyTables  # the tables without the estimates; what was read and found with them
    laboratory: LaboratoryValues
    readings: Readings  # those that are no estimates; `heart_rate_based` for all
    pairing: Pairing  # `exclusions` without the lines below
    reasons: dict[str, int]  # how many estimates each reason has left out
    lines: tuple[Path, ...]  # of estimates; see `agreement.tables.parts`
    problems: Problems = ()  # what was set aside, then notes

    @property
    def lines_of_estimates(self) -> int:
        """How many lines `lines` hold; people who withdrew are one line of `pairing.exclusions`."""
        return sum(n for reason, n in self.reasons.items() if reason != "withdrawn")

    def people_left_out(self) -> dict[str, int]:
        """Return of how many people each reason has left out estimates; of many at least five."""
        people: dict[str, set[str]] = {reason: set() for reason in self.reasons}
        for path in self.lines:
            open_ = [reason for reason, ids in people.items() if len(ids) < ENOUGH_PEOPLE]
            if not open_:
                break
            lines = read_ledger_part(path)
            for reason in open_:
                people[reason].update(
                    lines.loc[lines["reason"] == reason, "id"].astype("str").unique()
                )
        return {reason: len(ids) for reason, ids in people.items()}

    def all_exclusions(self) -> pd.DataFrame:
        """Return the lines of all tables, those of estimates too, in the order of the flow."""
        words = dict.fromkeys(("file", "id", "reason", "message"), "str")
        others = self.pairing.exclusions.astype(words)
        if not self.lines:
            return others
        name = self.study.names[SOURCE]
        own = pd.concat([read_ledger_part(path).astype(words) for path in self.lines])
        part = pd.Index(self.study.many[name]).get_indexer(pd.Index(own["file"]))
        own = own.iloc[np.lexsort((own["row"].to_numpy(np.int64), part))]
        files = self.pairing.flow["file"].tolist()
        before = int(others["file"].isin(files[: files.index(name)]).sum())
        return pd.concat([others[:before], own, others[before:]], ignore_index=True)


def rows_in_parts(folder: Path | str) -> int | None:
    """Return about how many estimates a study has in parts; None when they are one table."""
    place, unheard = Path(folder), Findings()
    if not place.is_dir():
        return None
    options = read_study_file(place, unheard)
    name = find_tables(place, options, unheard).get(SOURCE)
    if name is None or not (place / name).is_dir():
        return None
    return about_rows(place, find_table_parts(place, name, FIELD_ESTIMATES, unheard))


def inspect_streamed(
    folder: Path | str,
    work: Path,
    engine: Engine,
    *,
    write: bool = True,
    progress: Progress | None = None,
) -> tuple[Streamed | None, Problems]:
    """
    Check and pair a study whose estimates come in parts.

    work: an empty temporary folder that every worker can reach.
    write: whether lines of what was left out are wanted, or only what was found.
    progress: called with (done, total, stage).
    Returns streamed: None when something stops the study.
    Returns problems: stops, then what was set aside, then notes.
    Raises AgreementError if workers are lost again and again.
    """
    give_memory_back()
    study, problems = inspect_study(folder, without_parts=True)
    if study is None or study.parts is None:
        return None, problems
    give_memory_back_now()
    tested, over = study.lab_tests["athlete_id"].unique(), partial(engine.map, progress=progress)
    many = -(-about_rows(study.folder, study.parts.files) // ROWS_PER_BUCKET)
    count = max(1, min(many, MOST_BUCKETS, len(tested)))  # as many as keep each small enough
    buckets = Buckets(pd.Index(sorted(tested), dtype="str"), count)
    reader = replace(study.parts, athletes=replace(study.parts.athletes, frame=pd.DataFrame()))
    people, control = reader.athletes, study.options.control.athlete_id
    ids = frozenset(buckets.athletes) if people.known is None else people.known
    plan = Spreading(reader, buckets, ids | people.withdrawn.ids, control, work)
    parts = over(spread, plan, study.parts.pieces(), stage="Checking parts")
    study, stops = _with_estimates(study, plan, parts)
    if stops:
        return None, stops
    give_memory_back_now()
    known = study.problems
    try:
        with SAMPLES_ELSEWHERE.by(partial(over, reduced_file, stage="Reading sessions")):
            study, laboratory = laboratory_and_control(study)
        known += (*laboratory.problems, *laboratory_doubts(study, laboratory))
        readings = field_readings(study, laboratory)
    except TableError as error:
        return None, in_order((*error.problems, *known))
    if any(one.severity == "stop" for one in known):
        return None, in_order(known)
    # what only cards and figures show would be the largest thing held from here on
    laboratory = replace(laboratory, training=NO_PROFILES, sessions=None)
    nothing = pd.DataFrame()
    readings = replace(readings, session_lines=nothing, session_points=nothing)
    found, doubts = _paired(study, laboratory, readings, plan, parts, over, write=write)
    problems = in_order([*known, *readings.problems, *found.pairing.problems, *doubts])
    if any(one.severity == "stop" for one in doubts):
        return None, problems
    return replace(found, problems=problems), problems


def _paired(
    study: StudyTables,
    laboratory: LaboratoryValues,
    readings: Readings,
    first: Spreading,
    parts: Sequence[Spread],
    over: Map,
    *,
    write: bool,
) -> tuple[Streamed, Problems]:
    """Pair bucket by bucket, close the account, and look whether it can be true."""
    buckets, reader = first.buckets, first.reader
    records = tuple(records for one in parts for records in one.records)
    methods = tuple(sorted({method for one in records for method in one.methods}))
    based = dict.fromkeys(methods, True) | readings.heart_rate_based
    readings = replace(readings, heart_rate_based=based)
    frames = {"laboratory": laboratory.frame[["row", *OF_ALL]]}
    if len(readings.frame):
        frames["others"] = readings.frame
    if "athletes" in study.rows_read:
        frames["athletes"] = study.athletes[["athlete_id"]]
    spills = {name: first.work / f"{name}.arrow" for name in frames}
    for name, rows in frames.items():
        write_spill(rows, spills[name], buckets.of(rows["athlete_id"]), buckets.count)
    give_memory_back_now()
    laid = (first.work, records, buckets, methods, spills, reader.files)
    plan = BucketPlan(common_of(study, readings), *laid, write)
    results = over(pair_bucket, plan, range(buckets.count), stage="Pairing")
    reasons = Counter({"withdrawn": study.withdrawn.get(reader.name, 0)})
    for counts in (*(one.set_aside for one in parts), *(one.left for one in results)):
        reasons.update(counts)
    used, summarised = map(sum, zip(*(one.counts for one in results), strict=True))
    estimates = (used, summarised, reasons.total() - reasons["withdrawn"])
    place = np.argsort(buckets.of(readings.frame["athlete_id"]), kind="stable")
    paired = together([one.paired for one in results], place)
    within = study.options.reference.repeat_within_days
    units = laboratory_units(laboratory.frame, repeat_within_days=within)
    pairing = closed(study, laboratory, readings, units, paired, estimates)
    lines = tuple(one.lines for one in (*parts, *results) if one.lines is not None)
    counts = counted_together(one.counted for one in results)
    doubts = paired_doubts(study, laboratory, readings, pairing, counts, methods)
    return Streamed(study, laboratory, readings, pairing, +reasons, lines), doubts


def _with_estimates(
    study: StudyTables, plan: Spreading, parts: Sequence[Spread]
) -> tuple[StudyTables, Problems]:
    """Return a study with what was read and found in the estimates, and all problems if it stops."""
    reader, findings = plan.reader, Findings()
    read, inputs = summed(reader, [(one.part, one.account) for one in parts], findings)
    settle(study.options, findings)
    table = "lab_tests" if reader.athletes.known is None else "athletes"
    file = study.names.get(table, "")
    note_likely_matches(reader.name, read.people, plan.known, file, findings)
    stops = in_order((*findings.problems, *study.problems)) if findings.stops else ()
    with_them = replace(
        study,
        rows_read=study.rows_read | {SOURCE: sum(one.rows or 0 for one in inputs)},
        withdrawn=study.withdrawn | ({reader.name: gone} if (gone := read.withdrawn_rows) else {}),
        problems=(*study.problems, *findings.problems),
        inputs=(*study.inputs, *inputs),
    )
    return with_them, stops
