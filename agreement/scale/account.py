"""The account of a study paired in buckets: every row counted, everything found said once."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from agreement.errors import Problem
from agreement.pairing.laboratory_units import Flags, Ints, laboratory_units
from agreement.pairing.messages import Texts
from agreement.pairing.notes import FOUND_WHILE_PAIRING
from agreement.pairing.reading_fates import ReadingFates
from agreement.pairing.study_ledger import study_ledger
from agreement.pairing.tally import Tally
from agreement.pairing.unit_fates import UnitFates
from agreement.physiology.laboratory import LaboratoryValues
from agreement.physiology.readings import Readings
from agreement.scale.bucket_pairs import BucketPairs, Fates
from agreement.scale.spread import Buckets, Spread
from agreement.tables.findings import Findings, merged_problems
from agreement.tables.parts import PART_STEP, PartReader
from agreement.tables.parts_together import PartsRead, part_of_problem
from agreement.tables.study import StudyTables
from agreement.terms import FLOW_COLUMNS


@dataclass(frozen=True, slots=True)
class Account:
    """What both passes over a study gave, to be closed."""

    study: StudyTables
    reader: PartReader
    read: PartsRead
    buckets: Buckets
    spread: list[Spread]
    results: list[BucketPairs]

    def ledger(
        self, laboratory: LaboratoryValues, readings: Readings
    ) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Return lines and flow of all tables, those of estimates only as counts."""
        repeat_within_days = self.study.options.reference.repeat_within_days
        units = laboratory_units(laboratory.frame, repeat_within_days=repeat_within_days)
        texts = Texts()
        bucket = self.buckets.of(units.frame["athlete_id"])
        of_units = UnitFates(
            *_scattered(
                [np.flatnonzero(bucket == b) for b in range(self.buckets.count)],
                [result.units for result in self.results],
                len(bucket),
                texts,
            )
        )
        reason, text, alone = _scattered(
            [result.positions for result in self.results],
            [result.others for result in self.results],
            len(readings.frame),
            texts,
        )
        of_readings = ReadingFates(reason.astype(np.int8), text, alone)
        exclusions, flow = study_ledger(
            self.study, laboratory, readings, units, of_units, of_readings, texts
        )
        row = self._flow_row()
        after = int(
            flow["file"]
            .isin([self.study.names.get(table) for table in ("lab_tests", "athletes")])
            .sum()
        )
        rows = flow.to_numpy(dtype=object).tolist()
        flow = pd.DataFrame([*rows[:after], row, *rows[after:]], columns=FLOW_COLUMNS)
        if self.read.withdrawn:
            line = Findings()
            line.withdraw(self.reader.name, self.read.withdrawn)
            exclusions = pd.concat(
                [
                    exclusions.astype({"file": "str", "reason": "str", "message": "str"}),
                    line.ledger(),
                ],
                ignore_index=True,
            )
        return exclusions, flow

    def _flow_row(self) -> tuple[str, int, int, int, int]:
        """Return the flow of the estimates, whose rows must add up."""
        used = sum(result.used for result in self.results)
        summarised = sum(result.summarised for result in self.results)
        excluded = sum(self.reasons().values())
        if self.read.rows_read != used + summarised + excluded:
            raise RuntimeError(
                f"{self.reader.name}: {self.read.rows_read} rows read, but {used} used, "
                f"{summarised} summarised and {excluded} excluded."
            )
        return self.reader.name, self.read.rows_read, used, summarised, excluded

    def reasons(self) -> dict[str, int]:
        """Return how many estimates each reason has left out."""
        counts = Counter({"withdrawn": self.read.withdrawn} if self.read.withdrawn else {})
        for one in self.spread:
            counts.update(one.set_aside)
        for result in self.results:
            counts.update(result.left)
        return dict(counts)

    def problems(self, files: dict[str, str], methods: frozenset[str]) -> list[Problem]:
        """Return what was found while pairing, once for the whole study."""
        found = Findings()
        found.problems += _by_row(problem for result in self.results for problem in result.problems)
        name, parts = self.reader.name, self.reader.files
        merged = merged_problems(
            [part_of_problem(problem, name, parts) for problem in found.problems], name
        )
        kinds = [one[0] for one in FOUND_WHILE_PAIRING]
        found.problems = sorted(
            merged, key=lambda one: kinds.index(one.reason) if one.reason in kinds else len(kinds)
        )
        counts = sum((result.tally for result in self.results), Tally())
        served = dict.fromkeys(methods, np.array([], np.int64)) | counts.served
        lab_file = files["lab_tests"]
        replace(counts, served=served).tell(found, lab_file, files.get("athletes", lab_file))
        return found.problems


def _by_row(problems: Iterable[Problem]) -> list[Problem]:
    """Sort problems of many buckets by row; what has none comes last."""
    return sorted(problems, key=lambda one: PART_STEP**2 if one.row is None else one.row)


def _scattered(
    places: Iterable[Ints], fates: Iterable[Fates], size: int, texts: Texts
) -> tuple[Ints, Ints, Flags]:
    """Put the fates of all buckets into the order of the whole study."""
    reason, text = np.zeros(size, np.int64), np.zeros(size, np.int64)
    flag = np.zeros(size, np.bool_)
    for at, one in zip(places, fates, strict=True):
        reason[at], flag[at] = one.reason, one.flag
        text[at] = [texts.place(message) for message in one.message]
    return reason, text, flag
