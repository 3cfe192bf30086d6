"""The laboratory by itself: shift and noise told apart, and who really changed."""

from math import sqrt

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.formula.api import ols
from statsmodels.stats.proportion import proportion_confint

from agreement.stats.method_data import NotEstimable
from agreement.stats.repeats.laboratory_itself import laboratory_change, laboratory_repeats
from agreement.stats.repeats.laboratory_variance import LaboratoryVariance, laboratory_variance
from agreement.tables.options import ChangeOptions


def repeats(rng, athletes=20, tests=3, sem=2.0, shift=1.5):
    true = rng.normal(52, 6, athletes)
    rows = [
        (f"A{i:02d}", f"U{i:02d}", true[i] + shift * k + rng.normal(0, sem))
        for i in range(athletes)
        for k in range(tests)
    ]
    return pd.DataFrame(rows, columns=["athlete", "unit", "lab"])


def test_shift_and_error_of_a_step_against_general_libraries():
    tests = repeats(np.random.default_rng(1), tests=2)
    found = laboratory_repeats(tests["lab"], tests["unit"], tests["athlete"])
    (step,) = found.steps
    first, second = (tests.groupby("unit")["lab"].nth(k).to_numpy() for k in (0, 1))
    paired = stats.ttest_rel(second, first)
    assert step.shift == pytest.approx((second - first).mean())
    assert step.shift_interval == pytest.approx(tuple(paired.confidence_interval()))
    wide = tests.assign(order=tests.groupby("unit").cumcount())
    residual = ols("lab ~ C(unit) + C(order)", wide).fit().mse_resid
    assert step.typical_error == pytest.approx(sqrt(residual))
    assert laboratory_variance(tests["lab"], tests["unit"]).sd == pytest.approx(step.typical_error)


def test_all_repeats_together_are_the_residual_of_unit_and_order():
    tests = repeats(np.random.default_rng(2))
    tests = tests.drop(index=[2, 5, 30])  # some have fewer
    tests["order"] = tests.groupby("unit").cumcount().astype(str)
    model = ols("lab ~ C(unit) + C(order)", tests).fit()
    found = laboratory_repeats(tests["lab"], tests["unit"], tests["athlete"])
    whole = laboratory_variance(tests["lab"], tests["unit"])
    assert whole.variance == pytest.approx(model.mse_resid)
    assert [step.name for step in found.steps] == ["1 to 2", "2 to 3"]
    assert (found.n, found.n_pairs) == (tests["athlete"].nunique(), len(tests))


def test_a_step_counts_who_was_there_and_how_often():
    tests = repeats(np.random.default_rng(4), tests=2)
    tests["athlete"] = tests["athlete"].str[2]  # two occasions of each of ten people
    found = laboratory_repeats(tests["lab"], tests["unit"], tests["athlete"]).to_frame()
    step = found[found["group"] == "1 to 2"]
    assert step[["n", "n_pairs"]].drop_duplicates().to_numpy().tolist() == [[10, 20]]
    with pytest.raises(NotEstimable, match="fewer than 4 athletes"):  # ten of each of two people
        laboratory_repeats(tests["lab"], tests["unit"], np.repeat(["A", "B"], 20))


@pytest.mark.slow
def test_the_intervals_of_shift_and_error_cover_the_truth():
    rng, inside = np.random.default_rng(3), np.zeros(2)
    runs = 1500
    for _ in range(runs):
        tests = repeats(rng, athletes=12, tests=2)
        (step,) = laboratory_repeats(tests["lab"], tests["unit"], tests["athlete"]).steps
        inside += step.shift_interval.contains(1.5), step.error_interval.contains(2.0)
    assert inside / runs == pytest.approx([0.95, 0.95], abs=0.018)


def visits(changes, tests=(1, 1), days=90):
    day = pd.Timestamp("2026-01-10")
    rows = []
    for i, change in enumerate(changes):
        rows += [
            (f"A{i}", f"L{i}a", day, 50.0, tests[0]),
            (f"A{i}", f"L{i}b", day + pd.Timedelta(days=days), 50.0 + change, tests[1]),
        ]
    return pd.DataFrame(rows, columns=["athlete_id", "lab_test_id", "date", "lab", "n_tests"])


def test_a_change_counts_when_two_tests_of_one_athlete_would_not_differ_so():
    noise = LaboratoryVariance(4.0, 20.0)  # z root 2 x 2 = 5.54; with two tests each 3.92
    found = laboratory_change(visits([5.5, -5.6, 0.0, 9.0]), noise, ChangeOptions())
    assert found.people["beyond_noise"].tolist() == ["no", "yes", "no", "yes"]
    twice = laboratory_change(visits([5.5, -5.6, 0.0, 9.0], (2, 2)), noise, ChangeOptions())
    assert twice.people["beyond_noise"].tolist() == ["yes", "yes", "no", "yes"]
    # z x 2 x root of (1/2 + 1) = 4.80, whichever visit has the two tests
    for tests in ((1, 2), (2, 1)):
        either = laboratory_change(visits([4.7, -4.9, 0.0, 9.0], tests), noise, ChangeOptions())
        assert either.people["noise"].to_numpy() == pytest.approx(4.801, abs=5e-4)
        assert either.people["beyond_noise"].tolist() == ["no", "yes", "no", "yes"]
    share = found.to_frame().set_index("statistic").loc["share_beyond_noise"]
    assert (share["low"], share["high"]) == pytest.approx(proportion_confint(2, 4, method="wilson"))


def test_visits_too_near_are_no_change():
    with pytest.raises(NotEstimable, match="no_second_visit"):
        laboratory_change(
            visits([1.0] * 8, days=10), LaboratoryVariance(4.0, 20.0), ChangeOptions()
        )


@pytest.mark.slow
def test_of_those_who_did_not_change_five_in_a_hundred_exceed_the_noise():
    rng = np.random.default_rng(5)
    true = rng.normal(52, 5, 20_000)
    tests = visits(np.zeros(true.size))
    tests["lab"] = np.repeat(true, 2) + rng.normal(0, 2.0, 2 * true.size)
    found = laboratory_change(tests, LaboratoryVariance(4.0, 1e6), ChangeOptions())
    assert (found.people["beyond_noise"] == "yes").mean() == pytest.approx(0.05, abs=0.006)


@pytest.mark.parametrize("df", [3, 5, 19])
def test_how_many_unchanged_exceed_the_noise_of_few_repeats(df):
    """The noise is itself estimated: of 100 who did not change more than 5 lie beyond it."""
    rng, beyond = np.random.default_rng(df), []
    athletes = visits(np.zeros(150))
    for variance in 4.0 * stats.chi2.ppf((np.arange(200) + 0.5) / 200, df) / df:
        athletes["lab"] = rng.normal(52, 2.0, len(athletes))
        found = laboratory_change(athletes, LaboratoryVariance(variance, df), ChangeOptions())
        beyond.append(found.beyond)
    assert found.by_chance == pytest.approx(100 * np.mean(beyond) / 150, abs=1)
    assert f"of 100 who did not change at all, {found.by_chance} would." in found.summary()


def test_mean_and_spread_of_the_changes_by_hand():
    changes = [5.0, -5.0, 0.0, 9.0, 1.0]  # mean 2, squares about it 9, 49, 4, 49, 1: 112
    noise = LaboratoryVariance(4.0, 20.0)
    found = laboratory_change(visits(changes), noise, ChangeOptions()).to_frame()
    found = found.set_index("statistic")["value"]
    assert found["mean_change"] == pytest.approx(2.0)
    assert found["sd_of_change"] == pytest.approx(28.0**0.5)
