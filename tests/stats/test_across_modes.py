"""Readings beside a laboratory test of another mode: by hand, and in the results table."""

import numpy as np
import pandas as pd
import pytest

from agreement.stats.limits.across_modes import across_modes
from agreement.stats.limits.limits import limits_of_agreement


def pairs(n=12, laboratory_mode="cycle", mode="run", drug="no"):
    rng = np.random.default_rng(8)
    lab = rng.normal(50, 5, n)
    return pd.DataFrame(
        {
            "athlete_id": [f"A{i:02}" for i in range(n)],
            "lab_test_id": [f"T{i:02}" for i in range(n)],
            "method": "watch",
            "mode": mode,
            "laboratory_mode": laboratory_mode,
            "lab": lab,
            "field": lab + rng.normal(3, 2, n),
            "hr_limiting_drug": drug,
        }
    )


def rows(found):
    return found.to_frame().set_index("statistic")


def test_bias_and_limits_are_those_of_the_pairs():
    given = pairs(n=32)
    (found,) = across_modes(given, {})
    table, limits = rows(found), limits_of_agreement(given["field"], given["lab"])
    assert (found.pairs.n, found.pairs.name) == (32, "laboratory_cycle")
    assert table.loc["bias", "value"] == pytest.approx((given["field"] - given["lab"]).mean())
    assert table.loc["upper_limit", "low"] == pytest.approx(limits.upper_interval().low)
    assert "32 pairs of watch (run)" in found.summary()


def test_what_the_modes_make_is_in_proportion_to_the_laboratory():
    # Basset and Boulay 2000: treadmill above cycle by 10.5, 6.1 and 2.8 per cent
    given = pairs()
    table = rows(across_modes(given, {})[0])
    mean = given["lab"].mean()
    for who, share in (("runners", 10.5), ("triathletes", 6.1), ("cyclists", 2.8)):
        assert table.loc[f"expected_in_{who}", "value"] == pytest.approx(mean * share / 100)


def test_on_the_treadmill_a_cycling_value_is_expected_to_read_low():
    given = pairs(laboratory_mode="run", mode="cycle")
    expected = rows(across_modes(given, {})[0]).loc["expected_in_runners", "value"]
    assert given["lab"].mean() + expected == pytest.approx(given["lab"].mean() / 1.105)


def test_of_modes_that_nobody_compared_nothing_is_expected():
    assert (
        "expected_in_runners" not in rows(across_modes(pairs(laboratory_mode="row"), {})[0]).index
    )


def test_few_pairs_show_no_limits_and_fewer_no_bias():
    seven, four = (rows(across_modes(pairs(n), {})[0]) for n in (7, 4))
    assert np.isfinite(seven.loc["bias", "value"])
    assert np.isnan(four.loc["bias", "value"])
    assert four.loc["bias", "note"] == "too_few"


def test_a_drug_that_limits_heart_rate_takes_people_out_of_heart_rate_methods_alone():
    given = pd.concat([pairs(), pairs(n=3, drug="yes").assign(athlete_id=["X", "Y", "Z"])])
    (based,), (free,) = (across_modes(given, {"watch": pulse}) for pulse in (True, False))
    assert (based.pairs.n, free.pairs.n) == (12, 15)


def test_each_method_and_mode_stands_apart():
    given = pd.concat([pairs(), pairs(laboratory_mode="row"), pairs(mode="walk")])
    assert [(one.mode, one.laboratory_mode) for one in across_modes(given, {})] == [
        ("run", "cycle"),
        ("run", "row"),
        ("walk", "cycle"),
    ]
    assert across_modes(given.iloc[:0], {}) == []
