"""A sound study of our own making, spoilt in one way by each test."""

import csv
import datetime as dt
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from agreement.cohort import inspect_cohort

FIRST = dt.date(2026, 3, 2)
Row = dict[str, Any]


class Sound:
    """Thirty athletes, two laboratory visits, a wrist method with a week of readings before each."""

    def __init__(self, people: int = 30, seed: int = 5) -> None:
        rng = np.random.default_rng(seed)
        self.toml: dict[str, str] = {
            "study": 'time_zone = "UTC"',
            "margin": 'limit_ml_kg_min = 7\nagreed_on = 2026-01-10\nagainst = "laboratory test"',
        }
        self.files: dict[str, bytes] = {}
        self.athletes: list[Row] = []
        self.lab: list[Row] = []
        self.field: list[Row] = []
        for i in range(people):
            who, truth, mass = f"A{i:03}", rng.normal(50, 7), rng.normal(72, 10)
            age = int(rng.integers(20, 50))
            self.athletes.append(
                {"athlete_id": who, "sex": "male", "age_years": age, "mass_kg": round(mass, 1)}
            )
            own = truth + rng.normal(1, 2.5)
            for visit in (0, 60):
                day = FIRST + dt.timedelta(days=visit + i % 20)
                self.lab.append(
                    {
                        "lab_test_id": f"T{i:03}-{visit}",
                        "athlete_id": who,
                        "date": day.isoformat(),
                        "mode": "run",
                        "vo2max_ml_kg_min": round(truth + rng.normal(0, 2), 1),
                        "mass_kg": round(mass + rng.normal(0, 0.7), 1),
                        "averaging_rule": "moving 30 s",
                        "hr_max_bpm": round(208 - 0.7 * age + rng.normal(0, 5)),
                        "rer_max": round(rng.normal(1.15, 0.03), 2),
                        "plateau": "unknown",
                    }
                )
                for back in range(7, 0, -1):
                    taken = day - dt.timedelta(days=back)
                    self.field.append(
                        {
                            "athlete_id": who,
                            "taken_at": f"{taken}T07:{rng.integers(60):02}:00Z",
                            "method": "wrist",
                            "mode": "run",
                            "vo2max_ml_kg_min": round(own + rng.normal(0, 0.8), 1),
                            "sensor": "wrist_optical",
                            "set_mass_kg": round(mass),
                        }
                    )

    def write(self, parent: Path) -> Path:
        root = parent / "study"
        root.mkdir()
        toml = "\n".join(f"[{name}]\n{text}" for name, text in self.toml.items())
        (root / "study.toml").write_text(toml + "\n")
        tables = {"athletes": self.athletes, "lab_tests": self.lab, "field_estimates": self.field}
        for name, rows in tables.items():
            if rows:
                with (root / f"{name}.csv").open("w", newline="") as file:
                    writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
                    writer.writeheader()
                    writer.writerows(rows)
        for name, content in self.files.items():
            (root / name).parent.mkdir(exist_ok=True)
            (root / name).write_bytes(content)
        return root


@pytest.fixture
def sound() -> Sound:
    return Sound()


@pytest.fixture
def stops(tmp_path):
    """Return what stops a study, as code -> sentences."""

    def find(study: Sound) -> dict[str, list[str]]:
        number = len(list(tmp_path.iterdir()))
        (tmp_path / str(number)).mkdir()
        _, problems = inspect_cohort(study.write(tmp_path / str(number)))
        found: dict[str, list[str]] = {}
        for problem in problems:
            if problem.severity == "stop":
                found.setdefault(problem.reason, []).append(str(problem))
        return found

    return find
