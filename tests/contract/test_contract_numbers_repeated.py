"""Several pairs per athlete: the three forms of the limits, the cluster rule, change, repeats."""

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

Z = stats.norm.ppf(0.975)
VISITS = [4, 3, 1, 2, 3, 2, 1, 4, 2, 3, 2, 2, 1, 3]  # 14 athletes, 33 pairs
FEW = [2, 2, 1, 2] + [1] * 10  # 17 pairs: N - G = 3


@pytest.fixture(scope="module")
def data():
    """Tests 50 days apart; method m at all visits, method f at few."""
    rng = np.random.default_rng(20260402)
    rows = []
    for athlete, visits in enumerate(VISITS):
        level, own = rng.normal(52, 6), rng.normal(1, 2)
        for visit in range(visits):
            lab = round(level + rng.normal(0, 2), 3)
            field = round(lab + own + rng.normal(0, 1.5), 3)
            rows.append((f"A{athlete:02}", visit, lab, field, visit < FEW[athlete]))
    frame = pd.DataFrame(rows, columns=["athlete", "visit", "lab", "field", "few"])
    frame["d"] = frame.field - frame.lab
    return frame


@pytest.fixture(scope="module")
def numbers(data, new_study):
    study = new_study()
    study.toml = "[margin]\nlimit_ml_kg_min = 9\nagreed_on = 2026-01-10\n"
    study.toml += "[change]\nminimum_gap_days = 60\n"
    for row in data.itertuples():
        test = 40 + 50 * row.visit
        study.lab(row.athlete, test, row.lab).two(row.athlete, test, row.field)
        if row.few:
            study.two(row.athlete, test, row.field, method="f")
    return study.numbers()


def one_way(d, athlete):
    """Return G, N, mean of means, SD of means, harmonic number and mean square inside."""
    groups = d.groupby(athlete)
    size, mean = groups.size(), groups.mean()
    inside = ((d - athlete.map(mean)) ** 2).sum() / (len(d) - len(size))
    return len(size), len(d), mean.mean(), mean.std(), len(size) / (1 / size).sum(), inside


def test_limits_in_the_unweighted_form_with_mover_intervals(numbers, data):
    g, n, bias, sd, harmonic, inside = one_way(data.d, data.athlete)
    variance = sd**2 + (1 - 1 / harmonic) * inside
    parts = [(sd**2, g - 1), ((1 - 1 / harmonic) * inside, n - g)]
    low = variance - math.sqrt(sum((v * (1 - f / stats.chi2.ppf(0.975, f))) ** 2 for v, f in parts))
    high = variance + math.sqrt(
        sum((v * (f / stats.chi2.ppf(0.025, f) - 1)) ** 2 for v, f in parts)
    )
    mean_part, root = Z**2 * sd**2 / g, math.sqrt(variance)
    near = math.sqrt(mean_part + Z**2 * (root - math.sqrt(max(low, 0))) ** 2)
    far = math.sqrt(mean_part + Z**2 * (math.sqrt(high) - root) ** 2)
    upper, lower = bias + Z * root, bias - Z * root

    rows = {
        s: numbers.row("limits_of_agreement", s)
        for s in ("bias", "sd_of_differences", "lower_limit", "upper_limit")
    }
    assert rows["bias"].value == pytest.approx(bias, rel=1e-9)
    half = stats.t.ppf(0.975, g - 1) * sd / math.sqrt(g)
    assert (rows["bias"].low, rows["bias"].high) == pytest.approx((bias - half, bias + half))
    assert rows["sd_of_differences"].value == pytest.approx(root, rel=1e-9)
    assert rows["upper_limit"].value == pytest.approx(upper, rel=1e-9)
    interval = (upper - near, upper + far)
    assert (rows["upper_limit"].low, rows["upper_limit"].high) == pytest.approx(interval, rel=1e-7)
    assert rows["lower_limit"].value == pytest.approx(lower, rel=1e-9)
    interval = (lower - far, lower + near)
    assert (rows["lower_limit"].low, rows["lower_limit"].high) == pytest.approx(interval, rel=1e-7)
    assert {(row.n, row.n_pairs) for row in rows.values()} == {(14, 33)}


def test_few_repeats_use_the_exact_factors_and_say_so(numbers, data):
    part = data[data.few]
    g, n, bias, sd, harmonic, inside = one_way(part.d, part.athlete)
    assert n - g == 3
    root = math.sqrt(sd**2 + (1 - 1 / harmonic) * inside)
    at = Z * math.sqrt(g)
    low, high = (stats.nct.ppf(p, g - 1, at) / math.sqrt(g) for p in (0.025, 0.975))
    row = numbers.row("limits_of_agreement", "upper_limit", method="f")
    assert row.value == pytest.approx(bias + Z * root, rel=1e-9)
    assert (row.low, row.high) == pytest.approx((bias + low * root, bias + high * root), rel=1e-7)
    assert "few_repeats" in row.note
    bias_row = numbers.row("limits_of_agreement", "bias", method="f")
    half = stats.t.ppf(0.975, g - 1) * sd / math.sqrt(g)
    assert (bias_row.low, bias_row.high) == pytest.approx((bias - half, bias + half), rel=1e-9)


def test_the_analysis_of_variance_form_stands_beside_it(numbers, data):
    size = data.groupby("athlete").size()
    mean = data.groupby("athlete").d.mean()
    g, n, grand = len(size), len(data), data.d.mean()
    within = ((data.d - data.athlete.map(mean)) ** 2).sum() / (n - g)
    between = (size * (mean - grand) ** 2).sum() / (g - 1)
    n0 = (n - (size**2).sum() / n) / (g - 1)
    root = math.sqrt(max(0, (between - within) / n0) + within)
    for statistic, value in (("bias", grand), ("upper_limit", grand + Z * root)):
        row = numbers.row("limits_of_agreement_anova", statistic)
        assert row.value == pytest.approx(value, rel=1e-9)


def test_other_statistics_are_over_all_pairs_and_clustered(numbers, data):
    slope, intercept = np.polyfit(data.field, data.lab, 1)
    row = numbers.row("regression", "slope")
    assert row.value == pytest.approx(slope, rel=1e-9)
    assert "clustered" in row.note
    assert row.low < row.value < row.high
    assert numbers.value("regression", "intercept") == pytest.approx(intercept, rel=1e-8)
    mae = numbers.row("error", "mae")
    assert mae.value == pytest.approx(data.d.abs().mean(), rel=1e-9)
    assert (mae.n, mae.n_pairs) == (14, 33)
    assert "clustered" in mae.note
    ratio = np.polyfit((data.field + data.lab) / 2, data.d, 1)[0]
    assert numbers.value("trend", "slope_on_mean") == pytest.approx(ratio, rel=1e-8)
    share = numbers.row("error", "share_within_margin")
    assert share.value == pytest.approx((data.d.abs() <= 9).mean(), rel=1e-9)


def test_clustered_intervals_are_near_a_plain_cluster_bootstrap(numbers, data):
    rng = np.random.default_rng(5)
    parts = [p.d.to_numpy() for _, p in data.groupby("athlete")]
    draws = np.array(
        [
            np.abs(np.concatenate([parts[i] for i in rng.integers(0, 14, 14)])).mean()
            for _ in range(4000)
        ]
    )
    row = numbers.row("error", "mae")
    # BCa shifts the percentiles a little; an interval over rows instead of athletes fails this
    assert row.high - row.low == pytest.approx(
        np.diff(np.quantile(draws, [0.025, 0.975]))[0], rel=0.25
    )


# --- change ---------------------------------------------------------------------------------------


def visits_first_and_last(data):
    """Athletes with two visits at least 60 days apart, that is three or more of our visits."""
    long = data.groupby("athlete").filter(lambda p: len(p) >= 3)
    first, last = long.groupby("athlete").first(), long.groupby("athlete").last()
    return last.lab - first.lab, last.field - first.field


def test_change_from_the_first_to_the_last_visit(numbers, data):
    lab, field = visits_first_and_last(data)
    assert len(lab) == 6
    e = field - lab
    bias = numbers.row("change", "bias")
    assert bias.value == pytest.approx(e.mean(), rel=1e-8)
    assert bias.n == 6
    assert numbers.value("change", "r") == pytest.approx(np.corrcoef(lab, field)[0, 1], rel=1e-8)
    assert numbers.value("change", "slope") == pytest.approx(np.polyfit(lab, field, 1)[0], rel=1e-8)
    same = (np.sign(lab) == np.sign(field)).mean()
    assert numbers.value("change", "same_direction") == pytest.approx(same)
    limit = numbers.row("change", "upper_limit")
    assert pd.isna(limit.value)  # six athletes
    assert limit.note.startswith("too_few")


@pytest.fixture(scope="module")
def training(new_study):
    """Twelve athletes, three visits on days 40, 70 and 100; changes known."""
    rng = np.random.default_rng(11)
    lab = rng.normal(50, 5, (12, 1)) + np.cumsum(rng.normal(2, 2, (12, 3)), axis=1)
    field = lab + rng.normal(1, 1.5, (12, 3))
    return lab.round(3), field.round(3), new_study


def change_study(training, toml):
    lab, field, new_study = training
    study = new_study()
    study.toml = toml
    for i in range(12):
        for visit, test in enumerate((40, 70, 100)):
            study.lab(f"A{i:02}", test, lab[i, visit]).two(f"A{i:02}", test, field[i, visit])
    return study.numbers()


@pytest.mark.slow
def test_change_limits_from_ten_athletes(training):
    numbers = change_study(training, "[reference]\nsem_ml_kg_min = 1\n")
    lab, field, _ = training
    e = (field[:, 2] - field[:, 0]) - (lab[:, 2] - lab[:, 0])
    sd = e.std(ddof=1)
    row = numbers.row("change", "upper_limit")
    assert row.value == pytest.approx(e.mean() + Z * sd, rel=1e-8)
    at = Z * math.sqrt(12)
    interval = [e.mean() + sd * stats.nct.ppf(p, 11, at) / math.sqrt(12) for p in (0.025, 0.975)]
    assert (row.low, row.high) == pytest.approx(interval, rel=1e-7)
    dl, df = lab[:, 2] - lab[:, 0], field[:, 2] - field[:, 0]
    beyond = np.abs(dl) > Z * math.sqrt(2) * 1
    same = (np.sign(dl) == np.sign(df))[beyond].mean()
    row = numbers.row("change", "same_direction_beyond_noise")
    assert row.value == pytest.approx(same)
    assert row.n == beyond.sum()


@pytest.mark.slow
def test_consecutive_visits(training):
    numbers = change_study(training, '[change]\nvisits = "consecutive"\n')
    lab, field, _ = training
    e = np.diff(field, axis=1) - np.diff(lab, axis=1)
    row = numbers.row("change", "bias")
    assert row.value == pytest.approx(e.mean(), rel=1e-8)  # two changes for each athlete
    assert row.n == 12


@pytest.mark.slow
def test_the_minimum_gap_of_a_change(training):
    numbers = change_study(training, "[change]\nminimum_gap_days = 61\n")
    assert numbers.row("change", "bias").note.startswith("no_second_visit")


# --- repeats of the laboratory --------------------------------------------------------------------


@pytest.fixture(scope="module")
def repeats(new_study):
    """Fifteen athletes with 2 or 3 laboratory tests in a week and 2 or 3 days with readings."""
    rng = np.random.default_rng(3)
    study = new_study()
    lab, field, pairs = [], [], []
    for i in range(15):
        athlete, level = f"A{i:02}", rng.normal(52, 6)
        x = (level + rng.normal(0, 1.5, 2 + i % 2)).round(3)
        y = (level + 1 + rng.normal(0, 2.5, 2 + (i % 3 == 0))).round(3)
        for k, value in enumerate(x):
            study.lab(athlete, 40 + 3 * k, value)
        for k, value in enumerate(y):
            study.reading(athlete, 39 - 2 * k, value)
        lab.append(x)
        field.append(y)
        pairs.append((x.mean(), y.mean()))
    return study.numbers(), lab, field, np.array(pairs)


def within(groups):
    """Return pooled mean square inside and its degrees of freedom."""
    df = sum(len(g) - 1 for g in groups)
    return sum(((g - g.mean()) ** 2).sum() for g in groups) / df, df


def placed(of_athlete):
    """Return athlete and order of every test of one athlete."""
    athlete, tests = of_athlete
    return np.full(len(tests), athlete), np.arange(len(tests))


def net_of_shift(lab):
    """Return the laboratory's variance, the mean shift from test to test taken out, and its df."""
    unit, order = (np.concatenate(part) for part in zip(*map(placed, enumerate(lab)), strict=True))
    design = np.column_stack([unit[:, None] == np.arange(15), order[:, None] == [1, 2]]).astype(
        float
    )
    values = np.concatenate(lab)
    rss = np.linalg.lstsq(design, values, rcond=None)[1][0]
    return rss / (values.size - 17), values.size - 17


def test_typical_errors_from_repeats(repeats):
    numbers, lab, field, _ = repeats
    for method, (square, df) in {"laboratory": net_of_shift(lab), "m": within(field)}.items():
        error = math.sqrt(square)
        row = numbers.row("repeatability", "typical_error", method=method)
        assert row.value == pytest.approx(error, rel=1e-9)
        interval = [error * math.sqrt(df / stats.chi2.ppf(p, df)) for p in (0.975, 0.025)]
        assert (row.low, row.high) == pytest.approx(interval, rel=1e-7)
        assert row.n == 15


def test_deming_is_the_structural_line_where_the_laboratory_has_repeats(repeats):
    numbers, lab, _, pairs = repeats
    x, y = pairs.T
    noise = net_of_shift(lab)[0] * np.mean([1 / len(g) for g in lab])  # in means of 2 or 3 tests
    (lab_var, both), (_, field_var) = np.cov(x, y)
    truth = both / (lab_var - noise)
    ratio = (field_var - truth * both) / noise  # y over x, x is the laboratory
    assert numbers.value("deming", "lambda") == pytest.approx(ratio, rel=1e-8)
    assert numbers.row("deming", "lambda").note == "net_of_laboratory"
    # Deming's line is the orthogonal line after y is divided by the root of the ratio.
    _, _, v = np.linalg.svd(np.column_stack([x - x.mean(), (y - y.mean()) / math.sqrt(ratio)]))
    slope = math.sqrt(ratio) * v[0, 1] / v[0, 0]
    assert numbers.value("deming", "slope") == pytest.approx(slope, rel=1e-8)


def test_a_measured_laboratory_error_beats_the_declared_one(repeats):
    numbers, lab, _, _ = repeats
    floor = numbers.value("averaging_curve", "half_width_laboratory", group="floor")
    assert floor == pytest.approx(Z * math.sqrt(net_of_shift(lab)[0]), rel=1e-9)
