"""
Values that are legal and extreme, through the library and through the command line.

Every value here may stand in a study; the expected numbers are exact arithmetic on small whole
numbers, so they share no formula with the code.
"""

import warnings
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from agreement.cli import app
from agreement.cohort import read_cohort
from agreement.errors import SmallSampleWarning
from agreement.stats.basics.least_squares import fit_line
from agreement.stats.limits.limits import limits_by_athlete, limits_of_agreement
from agreement.stats.lines.deming import deming
from agreement.stats.lines.passing_bablok import passing_bablok

STEPS = np.array([0, 3, 1, 4, 1, 5, 9, 2, 6, 5, 3, 5])  # differences, in units of the step
ORDER = np.array([7, 2, 11, 0, 5, 9, 3, 10, 1, 8, 4, 6])  # laboratory, in units of the step


def exact_mean_and_variance(steps):
    whole = [Fraction(int(one)) for one in steps]
    mean = sum(whole) / len(whole)
    return mean, sum((one - mean) ** 2 for one in whole) / (len(whole) - 1)


@pytest.mark.parametrize(
    ("offset", "step", "digits"),
    [
        (50.0, 2.0**-20, 9),  # all VO2max within a hundred-thousandth
        (50.0, 2.0**-24, 8),  # all within a millionth
        (1e8, 1.0, 12),
        (1e8, 2.0**-10, 5),
        (2.0**-40, 2.0**-44, 12),
    ],
)
def test_values_that_differ_by_almost_nothing_from_a_large_number(offset, step, digits):
    # steps are powers of two: field, laboratory and their differences are stored without rounding
    lab = offset + ORDER * step
    field = lab + STEPS * step
    mean, variance = exact_mean_and_variance(STEPS)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", SmallSampleWarning)
        found = limits_of_agreement(field, lab)
    assert found.bias / step == pytest.approx(float(mean), rel=10.0**-digits)
    assert (found.sd / step) ** 2 == pytest.approx(float(variance), rel=10.0**-digits)


@pytest.mark.parametrize(
    "line", [fit_line, lambda x, y: deming(y, x), lambda x, y: passing_bablok(y, x)]
)
def test_a_line_through_points_a_hundred_million_away(line):
    near = line(1.0 * ORDER, 2.0 * ORDER + 0.25 * STEPS)
    far = line(1e8 + ORDER, 1e8 + 2.0 * ORDER + 0.25 * STEPS)
    assert far.slope == pytest.approx(near.slope, rel=1e-7)
    # y - 1e8 = b + s (x - 1e8): the far intercept is b + 1e8 (1 - s)
    assert far.intercept + 1e8 * (far.slope - 1) == pytest.approx(near.intercept, abs=1e-5)


def test_three_athletes():
    with pytest.warns(SmallSampleWarning):
        found = limits_of_agreement([51.0, 53.0, 55.0], [50.0, 50.0, 50.0])
    # differences 1, 3, 5: mean 3, SD 2; t(0.975, 2) = 4.303 (handbook table, memory)
    assert (found.bias, found.sd) == (3.0, 2.0)
    assert found.bias_interval().high == pytest.approx(3 + 4.303 * 2 / np.sqrt(3), abs=0.001)
    assert np.isfinite([*found.lower_interval(), *found.upper_interval()]).all()
    assert found.lower_interval().low < found.lower < found.lower_interval().high < found.bias


def test_ten_thousand_pairs_of_one_athlete_beside_one_pair_of_the_others():
    many = np.tile([1.0, -1.0], 5000)
    difference = np.concatenate([many, [2.0, 4.0, 6.0, 8.0, 10.0]])
    who = np.concatenate([np.zeros(many.size), np.arange(1, 6)])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", SmallSampleWarning)
        found = limits_by_athlete(difference, who)
    # one athlete, one voice: the means are 0, 2, 4, 6, 8, 10
    assert found.bias == pytest.approx(5.0, rel=1e-12)
    assert (found.n, found.n_pairs) == (6, 10_005)
    # their variance is 14; the repeats have 10000/9999, of which 1 - (1/10000 + 5)/6 is not yet in it
    within = 10_000 / 9_999
    assert found.sd**2 == pytest.approx(14 + within * (1 - (1e-4 + 5) / 6), rel=1e-9)


def study_of_twelve(folder, spread):
    """Write twelve athletes with a daily estimate in the week before the test."""
    who = [f"A{i:02d}" for i in range(12)]
    lab = 50 + ORDER * spread
    tests = {"lab_test_id": [f"T{i}" for i in who], "athlete_id": who, "date": "2026-03-10"}
    pd.DataFrame(tests | {"mode": "run", "vo2max_ml_kg_min": lab}).to_csv(
        folder / "lab_tests.csv", index=False
    )
    pd.DataFrame(
        [
            (athlete, f"2026-03-0{day}T07:00:00Z", "wrist", "run", lab[i] + STEPS[i] * spread)
            for i, athlete in enumerate(who)
            for day in (5, 7)
        ],
        columns=["athlete_id", "taken_at", "method", "mode", "vo2max_ml_kg_min"],
    ).to_csv(folder / "field_estimates.csv", index=False)
    (folder / "study.toml").write_text(
        '[study]\ntime_zone = "UTC"\n[pairing]\nstale_after_days = 60\n'
        '[confirm]\nfield_is_laboratory = { reason = "made so", on = 2026-03-11 }\n',
        encoding="utf-8",
    )
    return folder


def test_a_study_whose_values_lie_within_a_millionth(tmp_path):
    results = read_cohort(study_of_twelve(tmp_path, 2.0**-24)).results.frame
    rows = results[results["analysis"].eq("limits_of_agreement") & results["group"].eq("all")]
    found = rows.set_index("statistic")["value"]
    mean, variance = exact_mean_and_variance(STEPS)
    assert found["bias"] * 2.0**24 == pytest.approx(float(mean), rel=1e-6)
    assert (found["sd_of_differences"] * 2.0**24) ** 2 == pytest.approx(float(variance), rel=1e-6)
    assert not np.isinf(results["value"].astype(float)).any()


def test_the_same_study_by_the_command_line(tmp_path):
    study = tmp_path / "study"
    study.mkdir()
    study_of_twelve(study, 2.0**-24)
    outcome = CliRunner().invoke(app, ["pair", str(study), "--out", str(tmp_path / "out")])
    assert outcome.exit_code == 0, outcome.output
    pairs = pd.read_csv(tmp_path / "out" / "pairs.csv", converters={"difference": float})
    pairs = pairs.sort_values("athlete_id")
    # 17 digits go out, so the differences come back bit for bit
    assert (pairs["difference"].to_numpy() == STEPS * 2.0**-24).all()
