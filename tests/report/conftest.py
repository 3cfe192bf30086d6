"""A small study, and its squad report: rendered once for all tests of this folder."""

import datetime as dt
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from accessible import axe_source, started
from opened import open_report

from agreement.report.run.write import WrittenReport, write_report

DAYS = (dt.date(2026, 3, 2), dt.date(2026, 4, 13))
STUDY_TOML = """
[study]
title = "Crew <of> the north face"
question = "Is the number usable?"
time_zone = "UTC"
[margin]
limit_ml_kg_min = 9
agreed_on = 2026-01-10
reason = "A tenth & a bit of the crew's mean"
[profile]
use = "stated"
"""


def write_study(
    folder: Path,
    *,
    athletes: int = 14,
    toml: str = STUDY_TOML,
    visits: int = 2,
    days_back: tuple[int, ...] = (1, 3, 5),
) -> Path:
    """Write a study of some athletes, tested six weeks apart, with readings so many days before."""
    rng = np.random.default_rng(5)
    folder.mkdir(parents=True)
    (folder / "study.toml").write_text(toml, encoding="utf-8")
    people, tests, readings = [], [], []
    for i in range(athletes):
        name = f"A{i:02}"
        people.append(
            (name, "male" if i % 2 else "female", 25 + i, 70, "long" if i < 7 else "short")
        )
        level = rng.normal(50, 6)
        for visit, day in enumerate(DAYS[:visits]):
            lab = level + 1.5 * visit + rng.normal(0, 1)
            tests.append(
                (f"T{i:02}{visit}", name, day, "run", round(lab, 2), 70, "moving 30 s", "yes")
            )
            for back in days_back:
                taken = dt.datetime.combine(day - dt.timedelta(days=back), dt.time(9))
                value = round(lab - 3 + rng.normal(0, 2), 2)
                readings.append(
                    (name, taken.isoformat(), "wrist", "run", value, 78 if i == 3 else 70)
                )
    tables = {
        "athletes": (people, "athlete_id sex age_years mass_kg training_profile"),
        "lab_tests": (
            tests,
            "lab_test_id athlete_id date mode vo2max_ml_kg_min mass_kg averaging_rule plateau",
        ),
        "field_estimates": (
            readings,
            "athlete_id taken_at method mode vo2max_ml_kg_min set_mass_kg",
        ),
    }
    for table, (rows, columns) in tables.items():
        frame = pd.DataFrame(rows, columns=columns.split())
        frame.to_csv(folder / f"{table}.csv", index=False)
    return folder


@dataclass(frozen=True)
class Rendered:
    """A report and what its making told."""

    written: WrittenReport
    study: Path
    told: list[tuple[int, int, str]]

    def text(self, name: str) -> str:
        """Return one file's text."""
        return (self.written.folder / name).read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def squad(tmp_path_factory) -> Rendered:
    root = tmp_path_factory.mktemp("squad")
    study = write_study(root / "crew")
    told = []
    written = write_report(
        study, root / "out", kind="squad", progress=lambda *told_now: told.append(told_now)
    )
    return Rendered(written, study, told)


@pytest.fixture(scope="session")
def small_study():
    """Return the function that writes a small study folder."""
    return write_study


@pytest.fixture(scope="session")
def opened(tmp_path_factory):
    """Return the function that opens the report of a small study as it was written, each once."""

    @cache
    def report(athletes, toml, visits, days_back):
        keys = {"athletes": athletes, "toml": toml, "visits": visits, "days_back": days_back}
        return open_report(write_study(tmp_path_factory.mktemp("crew") / "crew", **keys))

    def ask(athletes=14, toml=STUDY_TOML, visits=2, days_back=(1, 3, 5)):
        return report(athletes, toml, visits, days_back)

    return ask


@pytest.fixture(scope="module")
def auditor(tmp_path_factory):
    """A browser that can be asked, with axe-core at hand."""
    source = axe_source()
    driver = started(tmp_path_factory.mktemp("profile"))
    yield driver, source
    driver.quit()
