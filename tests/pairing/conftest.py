"""Studies as the stages before pairing hand them over, built from a few plain rows."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from agreement.errors import Problem
from agreement.pairing import Pairing, pair
from agreement.tables.options import StudyOptions
from agreement.terms import EXCLUSION_COLUMNS

DAY_0 = date(2026, 3, 2)
TEXT = "str"
LABORATORY = {
    "lab_test_id": TEXT, "athlete_id": TEXT, "date": "datetime64[us]", "mode": TEXT,
    "lab": "float64", "mass_kg": "float64", "averaging_rule": TEXT, "max_confirmed": TEXT,
    "hr_max_bpm": "float64", "sex": TEXT, "age_years": "float64", "hr_limiting_drug": TEXT,
    "training_profile": TEXT, "profile_borderline": TEXT, "file": TEXT, "row": "int64",
}  # fmt: skip
READING = {
    "source": TEXT, "file": TEXT, "row": "int64", "id": TEXT, "athlete_id": TEXT,
    "instant": "datetime64[us]", "date": "datetime64[us]", "method": TEXT, "mode": TEXT,
    "field": "float64", "field_l_min": "float64", "sensor": TEXT, "set_mass_kg": "float64",
    "set_hr_max_bpm": "float64", "set_age_years": "float64", "in_range": TEXT,
    "standard_error": "float64",
}  # fmt: skip
MEMBER = {"reading": "int64", "row": "int64", "id": TEXT}
PROFILE = {"lab_test_id": TEXT, "file": TEXT, "row": "int64", "id": TEXT}
LINE = dict.fromkeys(EXCLUSION_COLUMNS, TEXT) | {"row": "Int64"}
SESSION = {"session_id": TEXT, "athlete_id": TEXT, "file": TEXT, "row": "int64"}


def day(number: int) -> date:
    """Return day `number` of the study."""
    return DAY_0 + timedelta(days=number)


def typed(rows: list[dict], columns: dict[str, str]) -> pd.DataFrame:
    """Return rows as a frame with exactly these columns and types."""
    return pd.DataFrame(
        {
            name: pd.Series([row.get(name) for row in rows], dtype=kind)
            for name, kind in columns.items()
        }
    )


@dataclass
class Tables:
    """What pairing uses of the checked tables."""

    options: StudyOptions
    athletes: pd.DataFrame
    lab_tests: pd.DataFrame
    sessions: pd.DataFrame
    breaths: dict[str, Path]
    samples: dict[str, Path]
    set_aside: pd.DataFrame
    withdrawn: dict[str, int]
    rows_read: dict[str, int]
    names: dict[str, str]
    many: dict[str, tuple[str, ...]] = field(default_factory=dict)
    laboratory_only: bool = False
    told: Callable[[Iterable[Problem]], tuple[Problem, ...]] = tuple


@dataclass
class LaboratoryPart:
    frame: pd.DataFrame
    set_aside: pd.DataFrame


@dataclass
class ReadingsPart:
    frame: pd.DataFrame
    members: pd.DataFrame
    profile_rows: pd.DataFrame
    set_aside: pd.DataFrame
    heart_rate_based: dict[str, bool]


@dataclass
class Invented:
    """An invented study; every method adds rows and returns the study."""

    options: StudyOptions = field(default_factory=StudyOptions)
    tests: list[dict] = field(default_factory=list)
    rows: list[dict] = field(default_factory=list)
    members: list[dict] = field(default_factory=list)
    people: list[dict] = field(default_factory=list)
    session_rows: list[dict] = field(default_factory=list)
    profiles: list[dict] = field(default_factory=list)
    lines: dict[str, list[dict]] = field(
        default_factory=lambda: {"tables": [], "laboratory": [], "readings": []}
    )
    withdrawn: dict[str, int] = field(default_factory=dict)
    breaths: list[str] = field(default_factory=list)
    samples: list[str] = field(default_factory=list)
    rows_of: dict[str, int] = field(default_factory=dict)
    columns: dict[str, dict[str, str]] = field(default_factory=dict)
    heart_rate_based: dict[str, bool] = field(default_factory=dict)

    def rules(self, **changes: object) -> "Invented":
        """Change table [pairing]."""
        self.options = replace(self.options, pairing=replace(self.options.pairing, **changes))
        return self

    def field_test_rules(self, **changes: object) -> "Invented":
        """Change table [pairing.field_tests]."""
        rules = replace(self.options.pairing_field_tests, **changes)
        self.options = replace(self.options, pairing_field_tests=rules)
        return self

    def _next_row(self, table: str) -> int:
        self.rows_of[table] = self.rows_of.get(table, 1) + 1
        return self.rows_of[table]

    def lab(self, athlete: str, on: int, value: float = 50.0, **more: object) -> "Invented":
        """Add a laboratory test."""
        row = self._next_row("lab_tests")
        test = {"lab_test_id": f"T{row - 1}", "athlete_id": athlete, "date": day(on)}
        test |= {"mode": "run", "lab": value, "mass_kg": 70.0, "averaging_rule": "moving 30 s"}
        test |= {"max_confirmed": "yes", "hr_max_bpm": 190.0, "hr_limiting_drug": "no"}
        test |= {"sex": "female", "age_years": 30.0, "training_profile": "steady"}
        test |= {"profile_borderline": "no", "file": "lab.csv", "row": row}
        self.tests.append(test | more)
        return self

    def reading(
        self, athlete: str, on: int, value: float = 52.0, hour: float = 9, **more: object
    ) -> "Invented":
        """Add a field estimate."""
        row = self._next_row("field_estimates")
        at = datetime.combine(day(on), datetime.min.time()) + timedelta(hours=hour)
        one = {"source": "field_estimates", "file": "watch.csv", "row": row, "id": athlete}
        one |= {"athlete_id": athlete, "instant": at, "date": day(on), "method": "m"}
        one |= {"mode": "run", "field": value, "sensor": "chest_strap"}
        self.rows.append(one | more)
        return self

    def readings(self, athlete: str, *days_and_values: tuple[int, float], **more: object):
        """Add several field estimates."""
        for on, value in days_and_values:
            self.reading(athlete, on, value, **more)
        return self

    def field_test(
        self, athlete: str, on: int, value: float = 52.0, test: str | None = None, **more: object
    ) -> "Invented":
        """Add the result of a field test that is one row."""
        one = {"source": "field_tests", "file": "tests.csv", "row": self._next_row("field_tests")}
        one |= {"id": test, "athlete_id": athlete, "date": day(on), "instant": day(on)}
        one |= {"method": "shuttle", "mode": "run", "field": value}
        self.rows.append(one | more)
        return self

    def stages(self, athlete: str, on: int, value: float, count: int, test: str) -> "Invented":
        """Add the result of a field test of several rows."""
        rows = [self._next_row("field_tests") for _ in range(count)]
        self.members += [{"reading": len(self.rows), "row": row, "id": test} for row in rows]
        one = {"source": "field_tests", "file": "tests.csv", "row": rows[0], "id": test}
        one |= {"athlete_id": athlete, "date": day(on), "instant": day(on), "method": "stages"}
        self.rows.append(one | {"mode": "run", "field": value})
        return self

    def session(self, athlete: str, name: str) -> "Invented":
        """Add a training session."""
        row = self._next_row("sessions")
        one = {"session_id": name, "athlete_id": athlete, "file": "training.csv", "row": row}
        self.session_rows.append(one)
        return self

    def session_estimate(self, athlete: str, on: int, value: float, *names: str) -> "Invented":
        """Add an estimate made of sessions."""
        row = {each["session_id"]: each["row"] for each in self.session_rows}
        self.members += [
            {"reading": len(self.rows), "row": row[name], "id": name} for name in names
        ]
        one = {"source": "sessions", "file": "training.csv", "row": row[names[-1]]}
        one |= {"id": names[-1], "athlete_id": athlete, "date": day(on), "instant": day(on)}
        self.rows.append(one | {"method": "sessions_hr", "mode": "run", "field": value})
        return self

    def profile(self, test: str, *names: str) -> "Invented":
        """Say which sessions are behind the training profile of a test."""
        row = {each["session_id"]: each["row"] for each in self.session_rows}
        self.profiles += [
            {"lab_test_id": test, "file": "training.csv", "row": row[name], "id": name}
            for name in names
        ]
        return self

    def athlete(self, name: str) -> "Invented":
        """Add a row of the athletes table."""
        row = self._next_row("athletes")
        self.people.append({"athlete_id": name, "file": "people.csv", "row": row})
        return self

    def line(self, stage: str, table: str, name: str, reason: str) -> "Invented":
        """Add a row that an earlier stage has set aside."""
        files = {"lab_tests": "lab.csv", "field_estimates": "watch.csv", "sessions": "training.csv"}
        one = {"file": files[table], "row": self._next_row(table), "id": name}
        self.lines[stage].append(one | {"reason": reason, "message": f"Said by {stage}."})
        return self

    def shuffled(self, seed: int) -> "Invented":
        """Return the same study with its frames in another order."""
        rng = np.random.default_rng(seed)
        to = rng.permutation(len(self.rows))
        place = {int(old): new for new, old in enumerate(to)}
        members = [each | {"reading": place[each["reading"]]} for each in self.members]
        tests = [self.tests[i] for i in rng.permutation(len(self.tests))]
        people = [self.people[i] for i in rng.permutation(len(self.people))]
        return replace(
            self,
            rows=[self.rows[i] for i in to],
            members=[members[i] for i in rng.permutation(len(members))],
            tests=tests,
            people=people,
        )

    def tables(self) -> Tables:
        """Return the checked tables."""
        names = {
            "lab_tests": "lab.csv", "athletes": "people.csv", "field_estimates": "watch.csv",
            "field_tests": "tests.csv", "sessions": "training.csv",
        }  # fmt: skip
        names |= {"breaths": "breaths", "samples": "samples"}
        files = {"breaths": len(self.breaths), "samples": len(self.samples)}
        read = {"lab_tests": 0} | {table: last - 1 for table, last in self.rows_of.items()}
        read |= {table: count for table, count in files.items() if count}
        for table in read:
            read[table] += self.withdrawn.get(names[table], 0)
        tests = typed(self.tests, LABORATORY)
        return Tables(
            options=self.options,
            athletes=typed(self.people, {"athlete_id": TEXT, "file": TEXT, "row": "int64"}),
            lab_tests=tests,
            sessions=typed(self.session_rows, SESSION),
            breaths={name: Path(f"breaths/{name}.csv") for name in self.breaths},
            samples={name: Path(f"samples/{name}.csv") for name in self.samples},
            set_aside=typed(self.lines["tables"], LINE),
            withdrawn=self.withdrawn,
            rows_read=read,
            names={table: names[table] for table in read},
        )

    def pair(self) -> Pairing:
        """Pair it."""
        laboratory = LaboratoryPart(
            typed(self.tests, LABORATORY), typed(self.lines["laboratory"], LINE)
        )
        readings = ReadingsPart(
            typed(self.rows, READING),
            typed(self.members, MEMBER),
            typed(self.profiles, PROFILE),
            typed(self.lines["readings"], LINE),
            self.heart_rate_based,
        )
        return pair(self.tables(), laboratory, readings)


@pytest.fixture
def study() -> Invented:
    """Return an empty study with the default rules."""
    return Invented()


@pytest.fixture(scope="session")
def new_study() -> type[Invented]:
    """Return the maker of studies, for tests that need many."""
    return Invented


@pytest.fixture(scope="session")
def reasons():
    """Return the function from a pairing to row -> reason of one file."""

    def of(pairing: Pairing, file: str = "watch.csv") -> dict[int, str]:
        lines = pairing.exclusions[pairing.exclusions["file"] == file]
        return {int(row): reason for row, reason in zip(lines["row"], lines["reason"], strict=True)}

    return of


@pytest.fixture(scope="session")
def said():
    """Return the function from a pairing to the message of one row."""

    def of(pairing: Pairing, row: int, file: str = "watch.csv") -> str:
        lines = pairing.exclusions
        return lines.loc[(lines["file"] == file) & (lines["row"] == row), "message"].item()

    return of
