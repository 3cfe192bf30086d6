"""What the choice of averaging rule is worth."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from agreement.stats.basics.bootstrap import cluster_resampling
from agreement.stats.limits.limits_of_subsets import limits_by_rule_of
from agreement.stats.method_data import MethodData, NotEstimable
from agreement.stats.repeats.averaging_rule import averaging_rules
from agreement.tables.options import StudyOptions

FIXED, BREATHS = "fixed 30 s", "moving 5 breaths"


def laboratory(rules, in_use=FIXED):
    """Return the table of tests: {rule: one value per test}."""
    lines = [
        {"athlete_id": f"A{i}", "lab_test_id": f"T{i}", "mode": "run", "rule": rule}
        | {"vo2max": value, "in_use": in_use if isinstance(in_use, str) else in_use[i]}
        for rule, values in rules.items()
        for i, value in enumerate(values)
        if np.isfinite(value)
    ]
    return pd.DataFrame(lines)


def told(found):
    return found.to_frame().set_index(["group", "statistic"])


def test_by_hand():
    found = averaging_rules(laboratory({FIXED: [50, 40, 60], BREATHS: [52, 42, 61.8]}))
    rows = told(found)
    value = rows["value"]
    assert value[BREATHS, "mean_vo2max"] == pytest.approx(51.9333, abs=1e-4)
    assert value[FIXED, "mean_vo2max"] == 50
    # field - laboratory falls by as much as the laboratory rises
    assert value[BREATHS, "shift_of_bias"] == pytest.approx(-1.9333, abs=1e-4)
    assert value[FIXED, "shift_of_bias"] == 0
    # 4, 5 and 3 per cent more
    assert value[BREATHS, "share_more_median"] == pytest.approx(0.04)
    assert value[BREATHS, "share_more_p10"] == pytest.approx(0.032)
    assert value[BREATHS, "share_more_p90"] == pytest.approx(0.048)
    assert set(rows["n"]) == {3}
    assert "differ by 1.9 mL/kg/min" in found.summary()
    assert "moving 5 breaths" in found._repr_html_()


def test_only_tests_that_every_rule_can_serve_are_compared():
    found = averaging_rules(laboratory({FIXED: [50, 40, 90], BREATHS: [52, 42, np.nan]}))
    rows = told(found)
    assert rows.loc[(FIXED, "mean_vo2max"), "value"] == 45
    assert rows.loc[(FIXED, "mean_vo2max"), ["n", "n_pairs"]].tolist() == [2, 2]


def test_when_no_test_has_all_rules_each_has_its_own():
    found = averaging_rules(laboratory({FIXED: [50, np.nan], BREATHS: [np.nan, 42]}))
    assert told(found)["value"][FIXED, "mean_vo2max"] == 50
    assert told(found)["value"][BREATHS, "mean_vo2max"] == 42


def test_tests_under_two_rules_have_no_shift():
    rows = told(averaging_rules(laboratory({FIXED: [50, 40]}, in_use=[FIXED, BREATHS])))
    assert np.isnan(rows.loc[(FIXED, "shift_of_bias"), "value"])
    assert rows.loc[(FIXED, "shift_of_bias"), "note"].startswith("not_estimable: the tests do not")


def test_breaths_too_short_for_the_rule_compared_with_are_refused():
    with pytest.raises(NotEstimable, match="no test with breaths is as long as fixed 30 s"):
        averaging_rules(laboratory({BREATHS: [50, 40]}))


def test_thirds_by_rank_and_who_moves_by_hand():
    # ranks 1 to 9, thirds 1-3, 4-6, 7-9; the other rule lifts the third test to rank 4 and so sends
    # the fourth to rank 3: two of nine stand in another third
    fixed = [40.0, 41, 42, 43, 44, 45, 46, 47, 48]
    breaths = [40.0, 41, 43.5, 43, 44, 45, 46, 47, 48]
    rows = told(averaging_rules(laboratory({FIXED: fixed, BREATHS: breaths})))
    assert rows["value"][BREATHS, "share_third_moved"] == pytest.approx(2 / 9)
    assert rows["value"][FIXED, "share_third_moved"] == 0
    few = told(averaging_rules(laboratory({FIXED: fixed[:8], BREATHS: breaths[:8]})))
    assert few.loc[(BREATHS, "share_third_moved"), "note"] == "too_few"


def test_limits_of_the_same_pairs_under_every_rule():
    """Against scipy: the field value stays, the laboratory's is that of the rule."""
    rng = np.random.default_rng(2)
    fixed = rng.normal(50, 5, 12)
    rules = {FIXED: fixed, BREATHS: fixed + rng.normal(2, 0.7, 12)}
    field = fixed + rng.normal(-1, 3, 12)
    names = [f"T{i:02d}" for i in range(12)]
    pairs = pd.DataFrame(
        {"athlete_id": names, "lab_test_id": names, "field": field, "lab": fixed}
    ).assign(difference=field - fixed, method="m", mode="run", training_profile=None)
    pairs.loc[11, "lab"] += 0.4  # the mean of two tests: no rule of one recording gives it
    tests = pd.concat(
        pd.DataFrame({"lab_test_id": names, "rule": rule, "vo2max": v, "in_use": FIXED})
        for rule, v in rules.items()
    )
    drawn = cluster_resampling(names, n_resamples=1, rng=1)
    none = pairs.iloc[:0]
    kept = (pairs, pairs, none, none, StudyOptions(), False, drawn)
    data = MethodData("m", "run", *kept, averaging=tests)
    found = limits_by_rule_of(data)
    rows = told(found)["value"]
    for rule, lab in rules.items():
        own = (field - lab)[:11]
        assert rows[rule, "bias"] == pytest.approx(own.mean())
        assert rows[rule, "sd_of_differences"] == pytest.approx(np.std(own, ddof=1))
    assert rows[BREATHS, "bias"] < rows[FIXED, "bias"] - 1
    with pytest.raises(NotEstimable, match="no paired test has breaths"):
        limits_by_rule_of(replace(data, averaging=None))
