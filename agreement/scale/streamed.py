"""
A study whose estimates come in parts, checked and paired without holding them in memory.

Everything but the estimates is read as in any study. The estimates pass twice: `spread` checks them
piece by piece and lays them aside by athlete, `bucket_pairs` pairs one bucket of athletes at a time
with the same functions that pair a whole study. Both passes go through a mapper.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from agreement.errors import Problem, TableError, in_order
from agreement.pairing.study_ledger import table_files
from agreement.physiology.laboratory import LaboratoryValues, laboratory_values
from agreement.physiology.readings import Readings, field_readings, heart_rate_methods
from agreement.physiology.session_records import ReadFile, SampleFile, reduced_file
from agreement.physiology.training import NO_PROFILES
from agreement.scale.account import Account
from agreement.scale.bucket_pairs import POSITION, SOURCE, BucketPlan, pair_bucket
from agreement.scale.engine import Engine, Progress
from agreement.scale.spread import Buckets, Records, Spread, Spreading, spread
from agreement.stats.doubts.study_doubts import laboratory_doubts
from agreement.tables.columns import FIELD_ESTIMATES
from agreement.tables.findings import Findings
from agreement.tables.ids import note_likely_matches
from agreement.tables.options import FileFormat
from agreement.tables.parts import PartReader, about_rows, find_table_parts
from agreement.tables.parts_together import PartsRead, read_ledger_part
from agreement.tables.readers import InputFile
from agreement.tables.spills import (
    give_memory_back,
    give_memory_back_now,
    require_arrow,
    write_spill,
)
from agreement.tables.study import StudyTables, inspect_study
from agreement.tables.study_file import read_study_file
from agreement.tables.table_doubts import settle
from agreement.tables.table_files import find_tables

ROWS_PER_BUCKET: Final = 250_000
MOST_BUCKETS: Final = 2048


@dataclass(frozen=True, slots=True)
class Streamed:
    """A study paired in buckets; the lines of estimates left out lie in files."""

    study: StudyTables  # everything but the estimates
    laboratory: LaboratoryValues
    readings: Readings  # those that are no estimates
    # flow, exclusions: as `agreement.pairing.Pairing`, but without the lines of estimates
    flow: pd.DataFrame
    exclusions: pd.DataFrame
    reasons: dict[str, int]  # how many estimates each reason has left out
    problems: tuple[Problem, ...]  # what was set aside, then notes
    inputs: tuple[InputFile, ...]  # every file read, parts included
    heart_rate_based: dict[str, bool]
    # pairs, daily, repeats: as `agreement.pairing.Pairing`; without rows if they were not wanted
    pairs: pd.DataFrame
    daily: pd.DataFrame
    repeats: pd.DataFrame
    lines: tuple[
        Path, ...
    ] = ()  # files of lines of estimates; see `agreement.tables.parts_together`

    @property
    def lines_of_estimates(self) -> int:
        """How many lines `lines` hold; people who withdrew are one line of `exclusions`."""
        return sum(n for reason, n in self.reasons.items() if reason != "withdrawn")

    def all_exclusions(self) -> pd.DataFrame:
        """Return the lines of all tables, those of estimates too, in the order of the flow."""
        words = dict.fromkeys(("file", "id", "reason", "message"), "str")
        parts = [self.exclusions, *map(read_ledger_part, self.lines)]
        every = pd.concat([part.astype(words) for part in parts], ignore_index=True)
        places = {file: (number, 0) for number, file in enumerate(self.flow["file"])}
        if self.study.parts is not None:
            number = places[self.study.parts.name][0]
            places |= {file: (number, i) for i, file in enumerate(self.study.parts.files)}
            places[self.study.parts.name] = (number, len(places))  # who withdrew comes last
        order = sorted(places, key=lambda file: places[file])
        place = every["file"].map({file: i for i, file in enumerate(order)})
        every = every.assign(place=place).sort_values(["place", "row"], kind="stable")
        return every.drop(columns="place").reset_index(drop=True)


def rows_in_parts(folder: Path | str) -> int | None:
    """Return about how many estimates a study has in parts; None when they are one table."""
    place, unheard = Path(folder), Findings()
    if not place.is_dir():
        return None
    options = read_study_file(place, unheard)
    name = find_tables(place, options, unheard).get(SOURCE)
    if name is None or not (place / name).is_dir():
        return None
    files = find_table_parts(place, name, FIELD_ESTIMATES, unheard) or ()
    return about_rows(place, files)


def inspect_streamed(
    folder: Path | str,
    work: Path,
    engine: Engine,
    *,
    write: bool = True,
    progress: Progress | None = None,
) -> tuple[Streamed | None, tuple[Problem, ...]]:
    """
    Check and pair a study whose estimates come in parts.

    work: an empty temporary folder that every worker can reach.
    write: whether pairs and lines are wanted, or only what was found.
    progress: called with (done, total, stage).
    Returns streamed: None when something stops the study.
    Returns problems: stops, then what was set aside, then notes.
    Raises AgreementError if pyarrow is not installed, or workers are lost again and again.
    """
    require_arrow()
    give_memory_back()
    study, problems = inspect_study(folder, without_parts=True)
    if study is None or study.parts is None:
        return None, problems
    run = _Run(study, study.parts, work, engine, progress)
    run.first_pass()
    if run.findings.stops:
        return None, in_order((*run.findings.problems, *problems))
    return run.streamed(write=write)


class _Run:
    """Both passes over one study."""

    def __init__(
        self,
        study: StudyTables,
        reader: PartReader,
        work: Path,
        engine: Engine,
        progress: Progress | None,
    ) -> None:
        self.study = study
        self.reader = reader
        self.work = work
        self.engine = engine
        self.progress = progress
        self.findings = Findings()
        self.read = PartsRead(reader)
        self.pieces = reader.pieces()
        tested = pd.Index(np.unique(study.lab_tests["athlete_id"].to_numpy(dtype=object)))
        self.buckets = Buckets(tested.astype("str"), _bucket_count(reader, len(tested)))
        self.spread: list[Spread] = []

    def first_pass(self) -> None:
        """Check every piece; what was found goes to the findings."""
        plan = Spreading(self.reader, self.buckets, self._known(), self.work)
        self.spread = self.engine.map(
            spread, plan, self.pieces, progress=self.progress, stage="Checking parts"
        )
        for one in self.spread:
            for account in one.account:
                self.read.add(one.piece.part, account)
        self.read.tell(self.findings)
        settle(self.study.options, self.findings)
        self._note_likely_matches(plan.known)

    def _known(self) -> frozenset[str]:
        """Return the ids of the athletes table, else of the laboratory, and of who withdrew."""
        people = self.reader.athletes.people
        known = frozenset(self.buckets.athletes) if people.known is None else people.known
        return known | people.withdrawn.ids

    def _note_likely_matches(self, known: frozenset[str]) -> None:
        """Note ids of the estimates that look like ids of the athletes or the laboratory."""
        table = "lab_tests" if self.reader.athletes.people.known is None else "athletes"
        file = self.study.names.get(table, "")
        note_likely_matches(self.reader.name, self.read.people, known, file, self.findings)

    def streamed(self, *, write: bool) -> tuple[Streamed | None, tuple[Problem, ...]]:
        """Pair bucket by bucket and close the account."""
        known = (*self.study.problems, *self.findings.problems)
        try:
            laboratory = laboratory_values(self.study, over=self._over_files)
            known += (*laboratory.problems, *laboratory_doubts(self.study, laboratory))
            readings = field_readings(
                self.study,
                laboratory.frame,
                sessions=laboratory.sessions,
                training=laboratory.training,
            )
        except TableError as error:
            return None, in_order((*error.problems, *known))
        if any(one.severity == "stop" for one in known):
            return None, in_order(known)
        # what only cards and figures show would be the largest thing held from here on
        laboratory = replace(laboratory, training=NO_PROFILES, sessions=None)
        nothing = pd.DataFrame()
        readings = replace(readings, session_lines=nothing, session_points=nothing)
        records = [one.records for one in self.spread if one.records is not None]
        methods = frozenset(method for one in records for method in one.methods)
        based = _heart_rate_based(self.study, readings, methods)
        plan = self._plan(laboratory, readings, based, records, sorted(methods), write=write)
        results = self.engine.map(
            pair_bucket, plan, range(self.buckets.count), progress=self.progress, stage="Pairing"
        )
        account = Account(self.study, self.reader, self.read, self.buckets, self.spread, results)
        exclusions, flow = account.ledger(laboratory, readings)
        problems = in_order([*known, *readings.problems, *account.problems(plan.files, methods)])
        lines = [*(one.lines for one in self.spread), *(one.lines for one in results)]
        found = Streamed(
            self.study,
            laboratory,
            readings,
            flow,
            exclusions,
            account.reasons(),
            problems,
            (*self.study.inputs, *self.read.inputs),
            based,
            _together([one.pairs for one in results]),
            _together([one.daily for one in results]),
            pd.concat([one.repeats for one in results], ignore_index=True),
            tuple(path for path in lines if path is not None),
        )
        return found, problems

    def _over_files(
        self, form: FileFormat | None, files: Sequence[SampleFile]
    ) -> Iterable[ReadFile]:
        """Read sample files by the mapper, one at a time in each worker."""
        give_memory_back_now()
        return self.engine.map(
            reduced_file, form, files, progress=self.progress, stage="Reading sessions"
        )

    def _plan(
        self,
        laboratory: LaboratoryValues,
        readings: Readings,
        based: dict[str, bool],
        records: Sequence[Records],
        methods: Sequence[str],
        *,
        write: bool,
    ) -> BucketPlan:
        """Lay laboratory tests, other readings and athletes aside by bucket."""
        frames = {
            "laboratory": laboratory.frame,
            "others": readings.frame.assign(**{POSITION: np.arange(len(readings.frame))}),
            "athletes": self.study.athletes[["athlete_id"]],
        }
        paths = {name: self.work / f"{name}.arrow" for name in frames}
        for name, rows in frames.items():
            bucket = self.buckets.of(rows["athlete_id"])
            write_spill(rows, paths[name], bucket, self.buckets.count)
        return BucketPlan(
            self.work,
            tuple(records),
            self.buckets,
            tuple(methods),
            paths["laboratory"],
            paths["others"],
            self.study.options,
            based,
            paths["athletes"] if "athletes" in self.study.rows_read else None,
            table_files(self.study) | {SOURCE: self.reader.name},
            self.reader.files,
            write,
        )


def _together(buckets: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Return rows of all buckets by method and mode; athletes stay in their order."""
    some = [rows for rows in buckets if len(rows)] or list(buckets[:1])
    whole = pd.concat(some, ignore_index=True)
    return whole.sort_values(["method", "mode"], kind="stable", ignore_index=True)


def _heart_rate_based(
    study: StudyTables, readings: Readings, methods: frozenset[str]
) -> dict[str, bool]:
    """Return for every method whether it rests on heart rate."""
    estimates = pd.DataFrame({"method": sorted(methods)}, dtype="str").assign(source=SOURCE)
    others = readings.frame[["method", "source"]]
    return heart_rate_methods(pd.concat([estimates, others], ignore_index=True), study)


def _bucket_count(reader: PartReader, athletes: int) -> int:
    """Return how many buckets keep each small enough."""
    rows = about_rows(reader.folder, reader.files)
    return max(1, min(-(-rows // ROWS_PER_BUCKET), MOST_BUCKETS, athletes))
