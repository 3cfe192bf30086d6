"""
Bad raw input that the tool works round, and raw files that cannot be used at all.

The bad input that must give no number is listed in `tests/contract/test_contract_bad_raw_input.py`.
"""

import pandas as pd
import pytest
from invented_runner import HR_MAX, SPEEDS, steady_run

from agreement.cohort import inspect_cohort, read_cohort

DAY = pd.Timestamp("2026-03-30")


class Folder:
    """A study folder whose tables a test changes before it is read."""

    def __init__(self, root):
        self.root = root
        self.athletes = [{"athlete_id": "A", "sex": "male", "age_years": 30, "mass_kg": 70}]
        self.lab = [
            {"lab_test_id": "T", "athlete_id": "A", "date": DAY.date(), "mode": "run"}
            | {"vo2max_ml_kg_min": 51, "mass_kg": 70, "hr_max_bpm": HR_MAX}
        ]
        self.runs = [steady_run(speed, seed) for seed, speed in enumerate(SPEEDS)]
        self.breaths = {}

    def write(self):
        (self.root / "study.toml").write_text('[study]\ntime_zone = "UTC"\n', encoding="utf-8")
        (self.root / "samples").mkdir()
        rows = []
        for i, samples in enumerate(self.runs):
            started = DAY - pd.Timedelta(days=len(self.runs) - i) + pd.Timedelta(hours=7)
            samples.to_csv(self.root / "samples" / f"S{i}.csv", index=False)
            rows.append(
                {"session_id": f"S{i}", "athlete_id": "A", "started_at": started.isoformat()}
                | {"mode": "run", "duration_min": 22, "sensor": "chest_strap"}
            )
        tables = {"athletes": self.athletes, "lab_tests": self.lab, "sessions": rows}
        for name, table in tables.items():
            if table:
                pd.DataFrame(table).to_csv(self.root / f"{name}.csv", index=False)
        for name, text in self.breaths.items():
            (self.root / "breaths").mkdir(exist_ok=True)
            (self.root / "breaths" / name).write_text(text, encoding="utf-8")
        return self.root

    def read(self):
        return read_cohort(self.write())


@pytest.fixture
def folder(tmp_path):
    return Folder(tmp_path)


def test_a_maximum_of_104_gives_way_to_another_test_of_the_athlete(folder):
    other = folder.lab[0] | {"lab_test_id": "U", "date": (DAY + pd.Timedelta(days=60)).date()}
    folder.lab = [folder.lab[0] | {"hr_max_bpm": 104}, other]
    assert folder.read().pairs["field"].item() == pytest.approx(52, abs=0.5)


def test_a_submaximal_tests_heart_rate_gives_way_too(folder):
    short = {"hr_max_bpm": 174, "rer_max": 1.0, "rpe_max": 14, "lactate_mmol_l": 4, "plateau": "no"}
    other = folder.lab[0] | {"lab_test_id": "U", "date": (DAY + pd.Timedelta(days=60)).date()}
    folder.lab = [folder.lab[0] | short, other]
    cohort = folder.read()
    assert cohort.laboratory.frame["max_confirmed"].tolist()[0] == "no"
    assert cohort.pairs["field"].item() == pytest.approx(52, abs=0.5)


def test_every_unusable_raw_file_is_named_at_once_and_nothing_is_raised(folder):
    folder.runs[2] = folder.runs[2].drop(columns="hr_bpm")
    folder.breaths = {"T.csv": "t_s,vco2_ml_min\n1,1000\n"}
    cohort, problems = inspect_cohort(folder.write())
    assert cohort is None
    stops = {p.file for p in problems if p.severity == "stop"}
    assert stops == {"breaths/T.csv", "samples/S2.csv"}
