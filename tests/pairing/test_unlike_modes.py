"""The same readings by other rules: tests of another mode are set apart, windows reach farther or less."""

import pandas as pd
import pytest

from agreement.cohort import Cohort
from agreement.pairing.other_rules import pairs_by_other_rules


def test_a_running_value_beside_a_cycle_test_stands_apart(study):
    study.lab("A", 20, 48.0, mode="cycle").readings("A", (17, 50.0), (18, 52.0))
    study.lab("B", 20).readings("B", (17, 53.0), (18, 53.0))
    found = study.pair()
    assert list(found.pairs["athlete_id"]) == ["B"]
    apart = found.across_modes
    assert apart[["athlete_id", "mode", "laboratory_mode", "lab", "field"]].to_numpy().tolist() == [
        ["A", "run", "cycle", 48.0, 51.0]
    ]


def test_it_keeps_windows_and_the_days_that_are_needed(study):
    study.lab("A", 30, mode="cycle").readings("A", (2, 50.0), (29, 52.0))  # one day near, one far
    assert study.pair().across_modes.empty


def test_copies_do_not_come_back(study):
    study.lab("A", 20, mode="cycle").readings("A", (17, 50.0), (18, 52.0), (18, 52.0))
    assert list(study.pair().across_modes["field"]) == [51.0]


def test_a_field_test_goes_by_its_own_rules(study):
    study.lab("A", 20, mode="cycle").field_test("A", 22, 51.0)
    apart = study.pair().across_modes
    assert list(apart["method"]) == ["shuttle"]
    assert list(apart["field"]) == [51.0]


def test_modes_that_may_be_paired_are_not_set_apart(study):
    study.rules(mode_match=(("run", "cycle"),))
    study.lab("A", 20, mode="cycle").readings("A", (17, 50.0), (18, 52.0))
    found = study.pair()
    assert len(found.pairs) == 1
    assert found.across_modes.empty


@pytest.mark.parametrize(("name", "field"), [("half_window", 50.5), ("double_window", 53.0)])
def test_another_window_moves_the_summary_with_it(name, field):
    """Readings 1, 2, 6, 13 and 27 days before a test; by hand those within 4, or 14, days count."""
    tests = {"lab_test_id": ["T"], "athlete_id": ["A"], "date": ["2026-03-30"], "mode": ["run"]}
    dates = ("2026-03-29", "2026-03-28", "2026-03-24", "2026-03-17", "2026-03-03")
    readings = pd.DataFrame({"taken_at": dates, "vo2max_ml_kg_min": [50.0, 51.0, 54.0, 57.0, 90.0]})
    known = Cohort.from_frames(
        lab_tests=tests | {"vo2max_ml_kg_min": [50.0]},
        field_estimates=readings.assign(athlete_id="A", method="wrist", mode="run"),
    )
    told = pairs_by_other_rules(known.readings.frame, known.laboratory.frame, known.study.options)
    assert told[name]["field"].tolist() == [pytest.approx(field)]
