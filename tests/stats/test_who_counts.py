"""People under a drug that limits heart rate: out where the method rests on heart rate, everywhere."""

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import agreement
from agreement import Cohort
from agreement.report.page.numbers import Numbers
from agreement.report.studies.reports import Report
from agreement.stats.limits.across_modes import across_modes
from agreement.stats.who_counts import who_counts

PEOPLE = pd.DataFrame(
    {
        "athlete_id": [f"A{i}" for i in range(9)],
        "method": "wrist",
        "mode": "run",
        "laboratory_mode": "cycle",
        "lab": np.linspace(40.0, 60.0, 9),
        "field": np.linspace(41.0, 62.0, 9),
        "hr_limiting_drug": ["yes", "yes", "no", "unknown", *["no"] * 5],
        "max_confirmed": "yes",
        "sensor": "chest_strap",
        "training_profile": "long",
    }
)


@pytest.mark.parametrize(("heart_rate_based", "n"), [(True, 7), (False, 9)])
def test_who_is_left(heart_rate_based, n):
    left = who_counts(PEOPLE, heart_rate_based=heart_rate_based)
    assert len(left) == n
    assert ("yes" in set(left["hr_limiting_drug"])) is not heart_rate_based


@pytest.mark.parametrize(("heart_rate_based", "n"), [(True, 7), (False, 9)])
def test_the_same_across_modes(heart_rate_based, n):
    (found,) = across_modes(PEOPLE, {"wrist": heart_rate_based})
    assert found.pairs.n == n


def test_the_rule_is_written_once():
    package = Path(agreement.__file__).parent
    rule = re.compile(r"hr_limiting_drug\"\]\s*!=\s*\"yes\"")
    holders = [p.name for p in package.rglob("*.py") if rule.search(p.read_text(encoding="utf-8"))]
    assert holders == ["who_counts.py"]


@pytest.mark.parametrize(("heart_rate_based", "n"), [(True, 11), (False, 14)])
def test_the_same_in_the_pairs_that_a_cohort_gives(heart_rate_based, n):
    ids = [f"A{i:02}" for i in range(14)]
    lab = np.linspace(40.0, 60.0, 14)
    cohort = Cohort.from_frames(
        athletes={"athlete_id": ids, "hr_limiting_drug": ["yes"] * 3 + ["no"] * 11},
        lab_tests={
            "lab_test_id": ids,
            "athlete_id": ids,
            "date": ["2026-03-20"] * 14,
            "mode": ["run"] * 14,
            "vo2max_ml_kg_min": lab,
        },
        field_estimates={
            "athlete_id": ids,
            "taken_at": ["2026-03-19"] * 14,
            "method": ["wrist"] * 14,
            "mode": ["run"] * 14,
            "vo2max_ml_kg_min": lab + np.arange(14) % 3,
        },
        options={
            "pairing": {"minimum_days": 1},
            "methods": {"wrist": {"heart_rate_based": heart_rate_based}},
        },
    )
    assert len(cohort.pairs) == 14
    assert len(cohort.pairs_of("wrist")) == n


@pytest.mark.parametrize(("stated", "who"), [(7, set("CDEFGHI")), (9, set("ABCDEFGHI"))])
def test_the_same_of_a_report_that_is_compared(tmp_path, stated, who):
    pairs = PEOPLE.assign(athlete_id=list("ABCDEFGHI"), difference=PEOPLE["field"] - PEOPLE["lab"])
    bias = {"statistic": "bias", "value": 1.0, "low": 0.0, "high": 2.0, "unit": "", "note": ""}
    key = {"analysis": "limits_of_agreement", "method": "wrist", "mode": "run", "group": "all"}
    numbers = Numbers(pd.DataFrame([key | bias | {"n": stated, "n_pairs": stated}]))
    report = Report(tmp_path, {}, numbers, pairs)
    assert set(report.athletes(("wrist", "run")).index) == who
