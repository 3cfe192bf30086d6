from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from agreement.physiology.averaging import (
    COMPARED_RULES,
    averaging_rule,
    vo2max_under_rule,
    vo2max_under_rules,
)

OPEN_DATA = Path(__file__).parents[3] / "shared" / "open_data"
ramps_at_hand = pytest.mark.skipif(
    not (OPEN_DATA / "ramp_breaths.csv").is_file(),
    reason="the open ramp tests are not beside the project",
)
AUTHORS = {"bm": "moving {} breaths", "tm": "moving {} s", "tb": "fixed {} s"}


@ramps_at_hand
@pytest.mark.parametrize(
    "column", ["bm_5", "bm_15", "bm_30", "tm_10", "tm_30", "tm_60", "tb_15", "tb_30", "tb_60"]
)
def test_published_ramp_tests(column):
    # printed (read): Nolte, Rein, Quittmann 2023, Sports Med 53:2463, result file; CC BY 4.0. Their
    # fixed bins follow the clock of the recording, hence start_s=0.
    breaths = pd.read_csv(OPEN_DATA / "ramp_breaths.csv")
    published = pd.read_csv(OPEN_DATA / "ramp_vo2max_published.csv").set_index("id")
    kind, size = column.split("_")
    for name, test in breaths.groupby("id"):
        rule = AUTHORS[kind].format(size)
        value = vo2max_under_rule(test["t_s"], test["vo2_ml_min"], rule, start_s=0)
        expected = published.loc[name, f"pub_{column}"]
        assert value / published.loc[name, "mass_kg"] == pytest.approx(expected, abs=0.05)


def brute_force(t, vo2, rule, start):
    """Return the same by loops over windows."""
    kind, size, unit, kept = averaging_rule(rule)
    if unit == "s":
        clock = np.arange(np.ceil(t[0]), np.floor(t[-1]) + 1)
        values = [np.interp(second, t, vo2) for second in clock]
        starts = (clock - 1 - start) % size == 0 if start is not None else clock == clock[:1]
        if kind == "fixed" and not starts.any():
            return np.nan
        first = int(np.argmax(starts)) if kind == "fixed" else 0
    else:
        values, first = list(vo2), 0
    step = size if kind == "fixed" else 1
    means = []
    for i in range(first, len(values) - size + 1, step):
        window = sorted(values[i : i + size])
        drop = (size - kept) // 2
        means.append(np.mean(window[drop : drop + kept]))
    return max(means, default=np.nan)


@given(
    st.lists(st.tuples(st.floats(0.3, 6), st.floats(500, 5000)), min_size=1, max_size=60),
    st.sampled_from((*COMPARED_RULES, "middle 2 of 5 breaths", "fixed 7 s")),
    st.sampled_from((None, 0.0, 11.0)),
)
def test_every_rule_against_brute_force(breaths, rule, start):
    steps, vo2 = np.array(breaths).T
    t = np.cumsum(steps)
    value = vo2max_under_rule(t, vo2, rule, start_s=start)
    assert value == pytest.approx(brute_force(t, vo2, rule, start), rel=1e-9, nan_ok=True)


def test_uneven_breaths_count_for_their_time():
    # by hand: 1000 up to second 10, then a breath every tenth of a second at 2000 up to 11
    t = np.r_[np.arange(1.0, 11.0), np.linspace(10.1, 11.0, 10)]
    vo2 = np.r_[np.full(10, 1000.0), np.full(t.size - 10, 2000.0)]
    assert vo2max_under_rule(t, vo2, "moving 10 s") == pytest.approx((9 * 1000 + 2000) / 10)


def test_windows_do_not_reach_over_a_pause():
    t = np.r_[np.arange(1.0, 21.0), np.arange(60.0, 80.0)]
    vo2 = np.r_[np.full(20, 1000.0), np.full(20, 3000.0)]
    assert vo2max_under_rule(t, vo2, "moving 30 s") != vo2max_under_rule(t, vo2, "moving 20 s")
    assert np.isnan(vo2max_under_rule(t, vo2, "moving 30 s"))
    assert vo2max_under_rule(t, vo2, "moving 20 s") == 3000


def test_a_short_test_has_no_value():
    assert np.isnan(vo2max_under_rule([1, 2, 3], [1000, 1100, 1200], "moving 30 s"))
    assert np.isnan(vo2max_under_rule([], [], "fixed 30 s"))


def test_all_rules_at_once_are_the_rules_one_by_one():
    rng = np.random.default_rng(4)
    t, vo2 = np.cumsum(rng.uniform(0.8, 3, 300)), rng.normal(3000, 200, 300)
    every = vo2max_under_rules(t, vo2)
    assert every == {rule: vo2max_under_rule(t, vo2, rule) for rule in COMPARED_RULES}


@pytest.mark.parametrize("rule", ["unknown", "30 s", "moving 0 s", "middle 7 of 5 breaths"])
def test_no_rule_is_refused(rule):
    with pytest.raises(ValueError, match="`rule` must be"):
        vo2max_under_rule([1, 2], [1, 2], rule)


def test_times_that_do_not_rise_are_refused():
    with pytest.raises(ValueError, match="must rise"):
        vo2max_under_rule([1, 2, 2], [1, 2, 3], "moving 2 breaths")
    with pytest.raises(ValueError, match="equally long"):
        vo2max_under_rule([1, 2], [1, 2, 3], "moving 2 breaths")
