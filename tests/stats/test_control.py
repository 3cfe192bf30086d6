"""The laboratory's control: it tells the laboratory's drift from the field method's."""

import datetime as dt
from functools import cache

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from agreement import Cohort, report
from agreement.errors import TableError
from agreement.report.page.machine import in_words
from agreement.stats.results_table import method_data
from agreement.stats.studies.control import control_of

START = dt.date(2026, 1, 5)
DAY = dt.timedelta(days=1)


@cache
def cohort(
    *,
    laboratory=0.0,
    field=0.0,
    tests=8,
    athletes=40,
    seed=1,
    who="C1",
    kind="calibrator",
    listed=False,
):
    """A study over ten months whose laboratory and field drift by so much in 30 days."""
    rng = np.random.default_rng(seed)
    labs, readings = [], []
    for i in range(athletes):
        at = int(rng.integers(0, 300))
        true = rng.normal(50, 5)
        lab = true + laboratory * at / 30 + rng.normal(0, 0.5)
        labs.append((f"T{i:03}", f"A{i:03}", START + at * DAY, "run", lab, "moving 30 s"))
        for back in (1, 2, 3):
            value = true + 2 + field * at / 30 + rng.normal(0, 0.8)
            readings.append((f"A{i:03}", f"{START + (at - back) * DAY}T07:00Z", "w", "run", value))
    for j in range(tests):
        at = 40 * j
        value = 48 + laboratory * at / 30 + rng.normal(0, 0.3)
        labs.append((f"K{j:03}", "C1", START + at * DAY, "run", value, "moving 30 s"))
        readings.append(("C1", f"{START + (at - 1) * DAY}T07:00Z", "w", "run", 60.0))
    columns = ["lab_test_id", "athlete_id", "date", "mode", "vo2max_ml_kg_min", "averaging_rule"]
    options = {"study": {"time_zone": "UTC"}}
    if who:
        options["control"] = {"athlete_id": who, "kind": kind}
    people = sorted({one[1] for one in labs} - {"C1"})
    return Cohort.from_frames(
        athletes=pd.DataFrame({"athlete_id": people}) if listed else None,
        lab_tests=pd.DataFrame(labs, columns=columns),
        field_estimates=pd.DataFrame(
            readings, columns=["athlete_id", "taken_at", "method", "mode", "vo2max_ml_kg_min"]
        ),
        options=options,
    )


def test_a_control_need_not_stand_among_the_athletes():
    plain, listed = cohort(athletes=12), cohort(athletes=12, listed=True)
    # whether Arrow holds the texts hangs on what was loaded before
    pd.testing.assert_frame_equal(listed.pairs, plain.pairs, check_dtype=False)
    assert set(listed.exclusions["reason"]) == set(plain.exclusions["reason"])


def test_a_control_is_no_athlete_and_every_row_of_it_is_in_the_ledger():
    found = cohort()
    assert "C1" not in set(found.pairs["athlete_id"])
    lines = found.exclusions[found.exclusions["reason"] == "control"]
    assert lines["file"].value_counts().to_dict() == {"lab_tests": 8, "field_estimates": 8}
    flow = found.flow
    assert (flow["rows_read"] == flow[["used", "summarised", "excluded"]].sum(axis=1)).all()


def test_the_drift_of_the_laboratory_is_not_charged_to_the_field():
    found = cohort(laboratory=0.4)
    control = found.method("w").control
    assert found.method("w").drift.change == pytest.approx(-0.4, abs=0.1)
    assert control.laboratory[0] == pytest.approx(0.4, abs=0.1)
    assert control.field[0] == pytest.approx(0.0, abs=0.15)
    assert "the laboratory drifts; the field method is not shown to" in control.summary()


def test_the_drift_of_the_field_is_not_charged_to_the_laboratory():
    said = cohort(field=0.4).method("w").control.summary()
    assert "the field method drifts; the laboratory is not shown to" in said
    assert "neither is shown to drift" in cohort().method("w").control.summary()


@pytest.mark.parametrize(
    ("drifts", "said"),
    [
        ({"laboratory": 0.4}, "the laboratory drifts; the field method is not shown to"),
        ({"field": 0.4}, "the field method drifts; the laboratory is not shown to"),
        ({"laboratory": 0.5, "field": 0.5}, "both drift"),
        ({}, "neither is shown to drift"),
    ],
)
def test_a_report_says_who_drifts_with_the_lines_of_its_results(drifts, said):
    html = report.history(cohort(**drifts)).html
    assert f": {said}. It rests on" in in_words(html)
    for whose in ("laboratory", "field"):
        assert f'data-interval-of="control/w/run/all/{whose}_drift"' in html.split("</figure>")[-1]


def test_the_line_is_that_of_a_general_library():
    control = cohort(laboratory=0.2).method("w").control
    theirs = stats.linregress(control.days, control.values)
    assert control.laboratory[0] == pytest.approx(30 * theirs.slope)
    half = 30 * theirs.stderr * stats.t.ppf(0.975, len(control.days) - 2)
    assert control.laboratory[1].high - control.laboratory[0] == pytest.approx(half)


def test_a_person_as_control_is_one_person_for_an_audit():
    rows = cohort(kind="person").results.frame.query("analysis == 'control'")
    assert set(rows["n"]) == {1}
    assert set(cohort().results.frame.query("analysis == 'control'")["n"]) == {40}


def test_too_few_tests_of_a_control_say_so():
    rows = cohort(tests=4).results.frame.query("analysis == 'control'")
    assert list(rows["note"]) == ["too_few: fewer than 5 tests of the control in this mode."] * len(
        rows
    )


def test_a_control_without_a_test_stops():
    with pytest.raises(TableError, match=r"\[control\] names 'X', who has no laboratory test"):
        cohort(who="X")


@pytest.mark.slow
def test_the_interval_of_the_field_drift_covers():
    """By simulation: 80 studies with both drifts; standard error of a share of .95 is .024."""
    hits = 0
    for seed in range(80):
        found = cohort(laboratory=0.3, field=0.2, seed=seed, athletes=25)
        data = next(iter(method_data(found.evidence)))
        low, high = control_of(data).field[1]
        hits += low <= 0.2 <= high
    assert hits / 80 == pytest.approx(0.95, abs=0.06)


def test_whose_drift_is_whose():
    found = cohort(laboratory=0.5, field=-0.6).method("w").control.to_frame()
    found = found.set_index("statistic")["value"]
    assert found["laboratory_drift"] == pytest.approx(0.5, abs=0.12)
    assert found["field_drift"] == pytest.approx(-0.6, abs=0.2)
    assert found["control_sd"] == pytest.approx(0.3, rel=0.6)
