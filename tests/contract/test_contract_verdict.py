"""The verdict and the rules for small numbers, on differences with a known mean and spread."""

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

Z = stats.norm.ppf(0.975)


def differences(n, bias=0.0, sd=1.0):
    """Return n differences with exactly this mean and SD, mirrored so that no trend arises."""
    half = stats.norm.ppf((np.arange(n // 2) + 0.5) / (n // 2))
    half = half[np.argsort((np.arange(n // 2) * 7) % (n // 2 + 1))]
    scores = np.concatenate([half, [0.0] * (n % 2), half[::-1]])
    scores = (scores - scores.mean()) / scores.std(ddof=1)
    return bias + sd * scores


def judged(study, d, margin=None, agreed="2026-01-10", toml="", slope=0.0, level=None):
    """Build a study of these differences along means from 40 to 60, and return its numbers."""
    level = np.linspace(40, 60, len(d)) if level is None else level
    d = np.asarray(d) + slope * (level - 50)
    if margin is not None:
        toml += f"\n[margin]\nlimit_ml_kg_min = {margin}\nagreed_on = {agreed}\n"
    study.toml = toml
    for i, (a, difference) in enumerate(zip(level, d, strict=True)):
        study.lab(f"A{i:03}", 40, float(a - difference / 2)).two(
            f"A{i:03}", 40, float(a + difference / 2)
        )
    return study.numbers()


def outcome(numbers):
    row = numbers.row("verdict", "within_margin")
    outcome_and_code, _, _ = row.note.partition("; laboratory test")
    return outcome_and_code, None if pd.isna(row.value) else row.value


# n = 20: the interval of a limit reaches from 1.3565 to 3.0140 SD (sheet, derived; noncentral t)
@pytest.mark.parametrize(
    ("bias", "margin", "note", "value"),
    [
        (0, 3.02, "acceptable", 1),
        pytest.param(0, 3.00, "undecided", None, marks=pytest.mark.slow),
        pytest.param(0, 1.36, "undecided", None, marks=pytest.mark.slow),
        (0, 1.35, "not acceptable", 0),
        pytest.param(
            3, 1.64, "not acceptable", 0, marks=pytest.mark.slow
        ),  # the upper limit's interval begins at 4.36
        pytest.param(3, 6.02, "acceptable", 1, marks=pytest.mark.slow),
        (3, 6.00, "undecided", None),
        pytest.param(-3, 6.00, "undecided", None, marks=pytest.mark.slow),
        pytest.param(-3, 6.02, "acceptable", 1, marks=pytest.mark.slow),
    ],
)
def test_the_outcomes(study, bias, margin, note, value):
    got_note, got = outcome(judged(study, differences(20, bias), margin))
    assert got_note.split(";")[0] == note
    assert got == value


@pytest.mark.slow
def test_a_bias_beyond_the_margin_with_narrow_limits(study):
    assert outcome(judged(study, differences(20, 5.0), 3.5)) == ("not acceptable", 0)


def test_no_margin_leaves_numbers_empty_with_their_code(study):
    numbers = judged(study, differences(20))
    note, value = outcome(numbers)
    assert note.startswith("no_margin")
    assert value is None
    for analysis, statistic in (("error", "share_within_margin"), ("equivalence", "p_tost")):
        row = numbers.row(analysis, statistic)
        assert pd.isna(row.value)
        assert row.note.startswith("no_margin")


def test_a_margin_agreed_after_the_first_test_is_withheld(study):
    # day 40 is 2026-04-11
    note, value = outcome(judged(study, differences(20), 3.5, agreed="2026-04-12"))
    assert note.startswith("withheld")
    assert value is None


@pytest.mark.slow
def test_a_margin_agreed_on_the_day_of_the_first_test_counts(study):
    assert outcome(judged(study, differences(20), 3.5, agreed="2026-04-11")) == ("acceptable", 1)


def test_fewer_than_ten_are_undecided_with_the_code(study):
    numbers = judged(study, differences(9), 100)
    note, value = outcome(numbers)
    assert note == "undecided; too_few"
    assert value is None
    for statistic in ("lower_limit", "upper_limit"):
        row = numbers.row("limits_of_agreement", statistic)
        assert pd.isna(row.value)
        assert pd.isna(row.low)
        assert row.note.startswith("too_few")
    assert numbers.value("limits_of_agreement", "bias") == pytest.approx(0, abs=1e-9)


@pytest.mark.slow
def test_ten_are_enough_for_limits(study):
    # n = 10: 3.8009 SD (sheet, derived)
    assert outcome(judged(study, differences(10), 3.81)) == ("acceptable", 1)


@pytest.mark.slow
def test_ten_are_enough_but_not_far_beyond(study):
    assert outcome(judged(study, differences(10), 3.79))[0].startswith("undecided")


def power(n, bias, sd, margin):
    """Exact power of 'both outer bounds inside the margin' (Lu et al. 2016 with c = g_hi)."""
    c = stats.nct.ppf(0.975, n - 1, Z * math.sqrt(n))  # c sqrt n
    inside = [stats.nct.sf(c, n - 1, math.sqrt(n) * (margin + s * bias) / sd) for s in (-1, 1)]
    return sum(inside) - 1


@pytest.mark.slow
@pytest.mark.parametrize(("bias", "margin"), [(0.0, 2.6), (0.3, 2.8)])
def test_the_athletes_that_are_missing(study, bias, margin):
    numbers = judged(study, differences(20, bias), margin)
    assert outcome(numbers)[0].startswith("undecided")
    total = next(n for n in range(10, 2000) if power(n, bias, 1.0, margin) >= 0.80)
    assert numbers.value("verdict", "more_athletes") == total - 20


@pytest.mark.slow
@pytest.mark.parametrize("margin", [1.9, 1.5])
def test_no_number_of_athletes_would_do(study, margin):
    numbers = judged(study, differences(20), margin)
    assert outcome(numbers)[0].startswith("undecided")
    row = numbers.row("verdict", "more_athletes")
    assert pd.isna(row.value)
    assert row.note.startswith("not_estimable")


@pytest.mark.slow
def test_a_steep_slope_whose_lines_stay_inside_is_still_acceptable(study):
    # Slope 0.12 on means from 40 to 60. Middle 90 %: the line ends at 1.08, its limits at about 1.7.
    d = differences(20, sd=0.3)
    sd = np.std(d + 0.12 * np.linspace(-10, 10, 20), ddof=1)
    numbers = judged(study, d, 3.0140 * sd + 0.05, slope=0.12)
    assert numbers.value("trend", "p_slope") < 0.05
    assert outcome(numbers) == ("acceptable", 1)


@pytest.mark.slow
def test_a_verdict_is_for_the_middle_of_fitness(study):
    # Nearly everybody between 48 and 52, four athletes at 30 and 70: limits hold from the 10th to the
    # 90th centile, and the verdict says that it is of these. The slope's line reaches 4 at 70.
    level = np.sort(np.concatenate([[30, 30.5, 69.5, 70], np.linspace(48, 52, 96)]))
    d = differences(100, sd=0.3)
    total = np.std(d + 0.2 * (level - 50), ddof=1)
    outer = stats.nct.ppf(0.975, 99, Z * 10) / 10 * total
    assert outer < 3
    numbers = judged(study, d, 3, slope=0.2, level=level)
    bounds = numbers.interval("limits_of_agreement", "upper_limit")
    assert bounds[1] == pytest.approx(outer, rel=1e-7)
    assert outcome(numbers) == ("acceptable", 1)


@pytest.mark.slow
def test_limits_that_leave_the_margin_for_the_fit_are_undecided(study):
    level = np.concatenate([np.linspace(45, 55, 80), np.linspace(62, 66, 20)])
    d = 0.2 * np.maximum(level - 50, 0) + 0.1 * np.resize([1.0, -1.0], 100)
    numbers = judged(study, d, 4.2, level=level)
    outer = numbers.interval("limits_of_agreement", "upper_limit")[1]
    assert outer < 4.2
    assert outcome(numbers)[0].startswith("undecided; ")


def test_athletes_under_the_drug_stand_alone(study):
    d = differences(24)
    for i in range(24):
        study.athlete(f"A{i:03}", hr_limiting_drug=("yes", "no", "unknown")[min(i // 11, 2)])
    numbers = judged(study, d)
    frame = numbers.frame[numbers.frame.analysis == "limits_of_agreement"]
    size = frame[frame.statistic == "bias"].set_index("group").n
    assert size["all"] == 13
    assert size["hr_limiting_drug"] == 11
    assert size["no_hr_limiting_drug"] == 11
    alone = numbers.row("limits_of_agreement", "upper_limit", group="hr_limiting_drug")
    assert alone.value == pytest.approx(d[:11].mean() + Z * d[:11].std(ddof=1), rel=1e-8)
    assert numbers.row("regression", "slope").n == 13


@pytest.mark.slow
@pytest.mark.parametrize("n", [1, 2, 3, 5])
def test_very_few_pairs_give_a_table_without_trouble(study, n):
    numbers = judged(study, np.array([1.0, -1.0, 0.5, 2.0, -0.25])[:n], 3.5)
    assert outcome(numbers)[0] == "undecided; too_few"
    assert numbers.row("limits_of_agreement", "bias").n == n


@pytest.mark.slow
def test_equal_differences_give_a_table_without_trouble(study):
    numbers = judged(study, np.full(12, 1.0), 3.5)
    assert numbers.value("limits_of_agreement", "bias") == pytest.approx(1, rel=1e-9)


@pytest.mark.slow
def test_one_profile_only_is_not_estimable(study):
    for i in range(20):
        study.athlete(f"A{i:03}", training_profile="base")
    numbers = judged(study, differences(20), toml='[profile]\nuse = "stated"\n')
    assert numbers.row("profile_bias", "p_welch").note.startswith("not_estimable")
