"""
Public data sets from their raw files, with at most twelve lines of study.toml each.

Sources and expected figures as in `test_real_input`; the files lie outside the project, and their
tests are skipped where they are not at hand. The 31 men also stand in the project.
"""

import shutil
from pathlib import Path

import pandas as pd
import pytest

from agreement.cohort import read_cohort

OPEN_DATA = Path(__file__).parents[2] / "shared" / "open_data"
at_hand = pytest.mark.skipif(
    not OPEN_DATA.is_dir(), reason="the public data sets are not beside the project"
)
RAMPS = """
[files.athletes]
path = "ramp_vo2max_published.csv"
columns = { athlete_id = "id" }
[files.lab_tests]
path = "ramp_vo2max_published.csv"
columns = { lab_test_id = "id", athlete_id = "id" }
values = { date = "2022-01-01", mode = "run" }
[files.breaths]
path = "ramp_breaths.csv"
columns = { lab_test_id = "id" }
"""
MEN = """
[files.athletes]
path = "fitness31.csv"
columns = { athlete_id = "id", age_years = "age_y" }
values = { sex = "male" }
[files.lab_tests]
path = "fitness31.csv"
columns = { lab_test_id = "id", athlete_id = "id", vo2max_ml_kg_min = "vo2_measured_ml_kg_min" }
values = { date = "1990-01-01", mode = "run" }
[files.field_tests]
path = "fitness31.csv"
columns = { athlete_id = "id", time_min = "run15_time_min" }
values = { date = "1990-01-01", protocol = "run_1_5mile_1993" }
"""

RIDERS = """
extrapolation.maximum_share_of_hr_max = 0.93
[files.lab_tests]
path = "cycling20_lab.csv"
columns = { lab_test_id = "subject + timepoint", athlete_id = "subject", date = "timepoint", hr_max_bpm = "hr_max" }
values = { mode = "cycle" }
codes.date = { pre = "2026-01-05", meso1 = "2026-02-02", meso2 = "2026-03-02", meso3 = "2026-03-30" }
[files.field_tests]
path = "cycling20_stages.csv"
columns = { athlete_id = "subject", date = "timepoint", power_w = "watt", hr_bpm = "hr" }
values = { protocol = "cycle_stages_hr" }
codes.date = { pre = "2026-01-05", meso1 = "2026-02-02", meso2 = "2026-03-02", meso3 = "2026-03-30" }
"""


def lay_out(folder, toml, *files):
    """Copy raw files beside a study.toml of at most twelve lines."""
    assert len(toml.strip().splitlines()) <= 12
    for name in files:
        shutil.copy(OPEN_DATA / name, folder)
    (folder / "study.toml").write_text(toml, encoding="utf-8")
    return read_cohort(folder)


@at_hand
def test_three_ramp_tests(tmp_path):
    cohort = lay_out(tmp_path, RAMPS, "ramp_vo2max_published.csv", "ramp_breaths.csv")
    published = pd.read_csv(OPEN_DATA / "ramp_vo2max_published.csv").set_index("id")
    values = cohort.laboratory.under_each_rule.set_index("lab_test_id")
    for rule, column in {
        "moving 30 s": "tm_30",
        "moving 15 breaths": "bm_15",
        "moving 60 s": "tm_60",
    }.items():
        found = values.loc[values["rule"] == rule, "vo2max"].to_dict()
        assert found == pytest.approx(published[f"pub_{column}"].to_dict(), abs=0.05)
    assert cohort.flow["used"].tolist() == [3, 3, 3]


@at_hand
def test_31_men(tmp_path):
    cohort = lay_out(tmp_path, MEN, "fitness31.csv")
    differences = cohort.pairs["difference"]
    assert (len(differences), cohort.flow["excluded"].sum()) == (31, 0)
    assert differences.mean() == pytest.approx(2.21, abs=0.005)
    assert differences.std() == pytest.approx(2.98, abs=0.005)


@at_hand
def test_20_cyclists(tmp_path):
    # rows of the two raw files as they are: ids of rider and visit, visits given their days, mass
    # and HRmax from the laboratory's file
    cohort = lay_out(tmp_path, RIDERS, "cycling20_lab.csv", "cycling20_stages.csv")
    pairs = cohort.pairs
    before = pairs.loc[pairs["lab_test_id"].str.endswith("-pre"), "difference"]
    assert len(before) == 20
    assert before.mean() == pytest.approx(-5.16, abs=0.005)
    assert before.std() == pytest.approx(5.60, abs=0.005)
    missing = cohort.exclusions.query("reason == 'missing_value'")
    assert sorted(missing["id"]) == ["13-meso2", "5-meso2", "5-meso3", "9-meso2"]
    told = [p for p in cohort.problems if p.reason == "from_laboratory"]
    assert {p.column for p in told} == {"hr_max_bpm", "mass_kg"}


@at_hand
def test_20_cyclists_by_their_measured_uptake(tmp_path):
    """With the measured uptake of stages, the riders whom the rule serves read lower (sheet: computed)."""
    toml = RIDERS.replace('"cycle_stages_hr"', '"stages_measured_1961", mode = "cycle"')
    toml = toml.replace(", power_w =", ', vo2_ml_min = "vo2_ml_min", power_w =')
    cohort = lay_out(tmp_path, toml, "cycling20_lab.csv", "cycling20_stages.csv")
    pairs = cohort.pairs
    before = pairs.loc[pairs["lab_test_id"].str.endswith("-pre"), "difference"]
    assert len(before) == 20
    assert before.mean() == pytest.approx(-0.9, abs=0.05)
