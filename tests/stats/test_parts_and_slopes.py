"""
Parts of the pairs, slopes on one axis and the factors of papers, in the results table.

Oracles: pandas and numpy on the parts chosen by hand; ordinary least squares of scipy; factors from
a printed table of Student's t (two-sided 5 %: 2.201 on 11, 2.042 on 30 degrees of freedom; memory).
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from agreement.stats.evidence import Evidence
from agreement.stats.limits.limits_by_convention import limit_factor
from agreement.stats.results_table import analyse
from agreement.tables.options import StudyOptions
from agreement.terms import PAIR_COLUMNS

KEY = ["analysis", "group", "statistic"]


def evidence(n=24, visits=1, next_door=None, **columns):
    """A study of one method: ages 20 to 66, a third women, profiles base and long."""
    rng = np.random.default_rng(3)
    rows = []
    for i in range(n):
        for visit in range(visits):
            lab = rng.normal(50, 6)
            field = 10 + 0.8 * lab + rng.normal(0, 3)
            rows.append(
                {
                    "athlete_id": f"A{i:02}",
                    "lab_test_id": f"T{i:02}{visit}",
                    "lab_date": pd.Timestamp("2026-03-02") + pd.Timedelta(days=3 * i + 60 * visit),
                    "method": "wrist",
                    "mode": "run",
                    "lab": lab,
                    "field": field,
                    "difference": field - lab,
                    "n_estimates": 1,
                    "n_days": 1,
                    "gap_days": 1,
                    "training_profile": "base" if i < n / 2 else "long",
                    "profile_borderline": "yes" if i % 6 == 0 else "no",
                    "max_confirmed": "yes",
                    "averaging_rule": "moving 30 s",
                    "sex": "female" if i % 3 == 0 else "male",
                    "age_years": 20.0 + 2 * i,
                    "mass_kg": 70.0,
                    "sensor": "none",
                    "mass_mismatch_pct": np.nan,
                    "hr_max_mismatch_bpm": np.nan,
                    "hr_limiting_drug": "no",
                    "lab_mode": "run",
                }
                | columns
            )
    pairs = pd.DataFrame(rows)[PAIR_COLUMNS]
    daily = pairs.assign(date=pairs["lab_date"])[
        ["athlete_id", "lab_test_id", "method", "mode", "date", "gap_days", "field", "lab"]
    ]
    repeats = pairs[["athlete_id", "lab_test_id", "mode", "lab"]]
    return Evidence(pairs, daily, repeats, StudyOptions(), next_door=next_door or {})


@pytest.fixture(scope="module")
def single():
    given = evidence(next_door={"T000": "long", "T180": "base"})
    return given.pairs, analyse(given).frame.set_index(KEY)


def bias(table, analysis, group):
    return table.loc[(analysis, group, "bias"), "value"]


def test_parts_by_sex_and_age_have_the_bias_of_their_pairs(single):
    pairs, table = single
    for sex in ("female", "male"):
        mean = pairs.loc[pairs["sex"] == sex, "difference"].mean()
        assert bias(table, "by_sex", sex) == pytest.approx(mean)
    young = pairs.loc[pairs["age_years"] < 40, "difference"].mean()
    assert bias(table, "by_age", "18_to_39_years") == pytest.approx(young)
    assert ("by_sex", "unknown", "bias") not in table.index
    assert np.isnan(bias(table, "by_age", "65_years_and_older"))  # one athlete of 66
    assert table.loc[("by_age", "65_years_and_older", "bias"), "note"] == "too_few"


def test_an_age_between_two_bands_belongs_to_the_lower():
    table = analyse(evidence(age_years=39.9)).frame.set_index(KEY)
    groups = {group for analysis, group, _ in table.index if analysis == "by_age"}
    assert groups == {"18_to_39_years"}


def test_choices_of_pairs_leave_out_whom_they_say(single):
    pairs, table = single
    inner = pairs[pairs["profile_borderline"] == "no"]["difference"].mean()
    assert bias(table, "choice_of_pairs", "without_borderline_profiles") == pytest.approx(inner)
    far = (pairs["difference"] - pairs["difference"].median()).abs().idxmax()
    rest = pairs["difference"].drop(far).mean()
    assert bias(table, "choice_of_pairs", "without_largest_difference") == pytest.approx(rest)


def test_a_pair_without_a_profile_is_not_borderline():
    table = analyse(evidence(profile_borderline=np.nan)).frame.set_index(KEY)
    assert table.loc[("choice_of_pairs", "without_borderline_profiles", "bias"), "n"] == 24


def test_pairs_with_a_wrong_input_are_left_out_and_the_unknown_stay():
    given = evidence()
    pairs = given.pairs.copy()
    pairs.loc[0, "mass_mismatch_pct"], pairs.loc[1, "mass_mismatch_pct"] = -2.1, 2.0
    pairs.loc[2, "hr_max_mismatch_bpm"], pairs.loc[3, "hr_max_mismatch_bpm"] = 6.0, -5.0
    # the peak of a test that was no maximum says nothing of the HRmax told
    pairs.loc[4, ["hr_max_mismatch_bpm", "max_confirmed"]] = [20.0, "no"]
    table = analyse(replace(given, pairs=pairs)).frame.set_index(KEY)
    rest = pairs["difference"].drop([0, 2]).mean()
    assert bias(table, "choice_of_pairs", "without_wrong_inputs") == pytest.approx(rest)


def test_the_first_pair_of_each_is_the_earliest():
    given = evidence(visits=2)
    table = analyse(given).frame.set_index(KEY)
    first = given.pairs[given.pairs["lab_test_id"].str.endswith("0")]["difference"].mean()
    assert bias(table, "choice_of_pairs", "first_pair_of_each") == pytest.approx(first)
    assert table.loc[("choice_of_pairs", "first_pair_of_each", "bias"), "n_pairs"] == 24


def test_borderline_tests_move_next_door(single):
    pairs, table = single
    own = pairs.set_index("lab_test_id")
    base = own[(own["training_profile"] == "base") | (own.index == "T180")].drop("T000")
    assert bias(table, "borderline_moved", "base") == pytest.approx(base["difference"].mean())
    nobody = analyse(evidence()).frame.set_index(KEY)
    assert nobody.loc[("borderline_moved", "all", "bias"), "note"].startswith("not_estimable")


def test_slopes_of_one_pair_each_are_those_of_least_squares(single):
    pairs, table = single
    days = (pairs["lab_date"] - pairs["lab_date"].min()).dt.days
    for (analysis, name), x, factor in (
        (("drift", "change_in_30_days"), days, 30),
        (("slope_on_one_method", "slope_on_laboratory"), pairs["lab"], 1),
        (("slope_on_one_method", "slope_on_field"), pairs["field"], 1),
    ):
        found = table.loc[(analysis, "all", name)]
        line = stats.linregress(x, pairs["difference"])
        half = stats.t.ppf(0.975, len(pairs) - 2) * line.stderr
        expected = factor * np.array([line.slope, line.slope - half, line.slope + half])
        assert found[["value", "low", "high"]].to_list() == pytest.approx(expected)


def test_slopes_of_repeated_pairs_leave_out_athletes():
    table = analyse(evidence(visits=3)).frame.set_index(KEY)
    found = table.loc[("drift", "all", "change_in_30_days")]
    assert found["note"] == "clustered; jackknife_t"
    assert found["low"] < found["value"] < found["high"]
    assert (found["n"], found["n_pairs"]) == (24, 72)


def test_fortnights_are_counted_from_the_first_test_and_need_five_athletes(single):
    pairs, table = single  # a test every third day: 5, 5, 4, 5, 5 in a fortnight
    days = (pairs["lab_date"] - pairs["lab_date"].min()).dt.days
    names = ["000_to_013", "014_to_027", "028_to_041", "042_to_055", "056_to_069"]
    sizes, values = [], []
    for k, name in enumerate(names):
        row = table.loc[("by_fortnight", f"days_{name}", "bias")]
        own = pairs[(days >= 14 * k) & (days < 14 * (k + 1))]
        sizes.append((row["n"], len(own)))
        values.append(own["difference"].mean() if len(own) >= 5 else np.nan)
        assert row["value"] == pytest.approx(values[-1], nan_ok=True)
        assert row["note"] == ("" if len(own) >= 5 else "too_few")
    assert sizes == [(5, 5), (5, 5), (4, 4), (5, 5), (5, 5)]


@pytest.mark.parametrize(("apart", "told"), [(29, False), (30, True)])
def test_a_drift_needs_a_month(apart, told):
    given = evidence()
    days = np.linspace(0, apart, len(given.pairs)).round()
    dates = pd.Timestamp("2026-03-02") + pd.to_timedelta(days, unit="D")
    table = analyse(replace(given, pairs=given.pairs.assign(lab_date=dates))).frame.set_index(KEY)
    row = table.loc[("drift", "all", "change_in_30_days")]
    assert np.isfinite(row["value"]) == told
    assert told or "lie within 29 days" in row["note"]


def test_no_drift_within_a_day():
    table = analyse(evidence(lab_date=pd.Timestamp("2026-03-02"))).frame.set_index(KEY)
    assert table.loc[("drift", "all", "change_in_30_days"), "note"].startswith("not_estimable")


@pytest.mark.parametrize(("n", "printed"), [(12, 2.201), (31, 2.042)])
def test_the_factor_t_is_that_of_the_printed_table(n, printed):
    assert limit_factor("t", n) == pytest.approx(printed, abs=0.0005)


def test_limits_by_convention_hang_on_their_factor(single):
    pairs, table = single
    mean, sd = pairs["difference"].mean(), pairs["difference"].std()
    for group, factor in (("z_1.96", 1.96), ("2_sd", 2.0)):
        upper = table.loc[("limits_by_convention", group, "upper_limit"), "value"]
        assert upper == pytest.approx(mean + factor * sd)
