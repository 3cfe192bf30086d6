"""Small study folders for the tests of `agreement.tables`, each written by the test that reads it."""

import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import ClassVar

import pytest

from agreement.errors import Problem
from agreement.tables.study import StudyTables, inspect_study

sys.path.insert(0, str(Path(__file__).parent))  # for messy_exports: tests are no package

LAB = (
    "lab_test_id,athlete_id,date,mode,vo2max_ml_kg_min,averaging_rule\n"
    "T1,A1,2026-03-20,run,52.4,moving 30 s\n"
    "T2,A2,2026-03-20,run,48.1,moving 30 s\n"
    "T3,A3,2026-03-21,run,61.0,moving 30 s\n"
)
FIELD = (
    "athlete_id,taken_at,method,mode,vo2max_ml_kg_min\n"
    "A1,2026-03-15T09:00:00+01:00,wrist,run,50.5\n"
    "A2,2026-03-15T09:30:00+01:00,wrist,run,49.0\n"
    "A3,2026-03-16T07:00:00+01:00,wrist,run,58.5\n"
)
ZONE = '[study]\ntime_zone = "Europe/Oslo"\n'


@dataclass
class Folder:
    """A study folder: files by name, written when it is read."""

    path: Path
    files: dict[str, str | bytes] = field(default_factory=dict)
    LAB: ClassVar = LAB
    FIELD: ClassVar = FIELD
    ZONE: ClassVar = ZONE

    def put(self, **files: str | bytes) -> "Folder":
        """Add or replace files; a name's last underscore-free part is its ending (lab_tests_csv)."""
        for name, content in files.items():
            stem, _, ending = name.rpartition("_")
            self.files[f"{stem}.{ending}"] = content
        return self

    def inspect(self) -> "Found":
        """Write the folder and return what reading it finds."""
        self.path.mkdir(exist_ok=True)
        for name, content in self.files.items():
            target = self.path / name
            target.parent.mkdir(parents=True, exist_ok=True)
            data = content.encode() if isinstance(content, str) else content
            target.write_bytes(data)
        return Found(*inspect_study(self.path))


@dataclass
class Found:
    """What reading a folder found."""

    study: StudyTables | None
    problems: tuple[Problem, ...]

    def of(self, severity: str, reason: str | None = None) -> list[Problem]:
        """Return the problems of one severity, or of one reason."""
        return [p for p in self.problems if p.severity == severity and reason in (None, p.reason)]

    def one(self, severity: str, reason: str) -> Problem:
        """Return the only problem of a reason."""
        (problem,) = self.of(severity, reason)
        return problem

    @property
    def tables(self) -> StudyTables:
        """The study, which nothing may have stopped."""
        assert self.study is not None, "\n".join(map(str, self.of("stop")))
        return self.study

    def reasons(self) -> dict[int, str]:
        """Return why rows were set aside, by row."""
        lines = self.tables.set_aside.dropna(subset="row")
        return dict(zip(lines["row"].astype(int), lines["reason"], strict=True))


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    """Return a small study in which nothing is wrong."""
    start = Folder(tmp_path / "study")
    return start.put(study_toml=ZONE, lab_tests_csv=LAB, field_estimates_csv=FIELD)
