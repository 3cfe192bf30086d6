"""Concordance and intraclass correlations against printed values, another library, coverage."""

import numpy as np
import pandas as pd
import pytest
from held import held
from hypothesis import given, settings
from hypothesis import strategies as st
from simulate.known_parts import DailyParts, simulate_daily
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from agreement.stats.indices.concordance import (
    MeanSquares,
    concordance,
    concordance_of,
    intraclass_correlation,
)
from agreement.stats.results_table import method_data

PUBLISHED = held("published_method_comparison")


def waves():
    i = np.arange(20)
    x = np.sin(1.1 * i) + 0.1 * i
    return 1 + 0.5 * x - 0.3 * np.cos(0.7 * i) + 0.2 * np.sin(3.3 * i), x


def test_corrected_variance_of_2000():
    # numeric output read in the tests of a general statistics library that cites Lin 2000 Biometrics
    # 56:324; with the factor 4 of 1989 the interval would be 0.3173 to 0.7826
    result = concordance(*waves())
    assert result.ccc == pytest.approx(0.5982433922669277, abs=1e-12)
    assert result.ccc_interval == pytest.approx(
        (0.38254267739764947, 0.7521029076404483), abs=1e-12
    )


def mean_squares(values):
    """The two-way table of n athletes (rows) by k methods (columns), from a least-squares model."""
    x = np.asarray(values, dtype=float)
    n, k = x.shape
    long = pd.DataFrame(x).reset_index().melt("index", var_name="method")
    table = anova_lm(ols("value ~ C(index) + C(method)", long).fit())
    return MeanSquares(n, k, *table["mean_sq"])


@pytest.mark.parametrize(("form", "printed"), [("A,1", 0.29), ("C,1", 0.71)])
def test_shrout_fleiss_1979(form, printed):
    # Shrout & Fleiss 1979 Psychol Bull 86:420, tables 2 to 4 (read)
    squares = mean_squares(PUBLISHED["shrout_fleiss_1979"]["rows"])
    assert (squares.athletes, squares.methods, squares.error) == pytest.approx(
        (11.24, 32.49, 1.02), abs=0.006
    )
    assert intraclass_correlation(squares, form)[0] == pytest.approx(printed, abs=0.006)


def test_mcgraw_wong_1996():
    # McGraw & Wong 1996 Psychol Methods 1:30 (read, quoted in a manual): pairs 2-4, 4-6, 6-8
    squares = mean_squares(PUBLISHED["mcgraw_wong_1996"]["rows"])
    assert intraclass_correlation(squares, "C,1")[0] == pytest.approx(1.0, abs=1e-4)
    assert intraclass_correlation(squares, "A,1")[0] == pytest.approx(0.6667, abs=1e-4)


def test_consistency_from_printed_mean_squares():
    # documentation example of a general psychometric function (read): 48.2, 11.3, k = 5, n = 30
    value, interval = intraclass_correlation(MeanSquares(30, 5, 48.2, 11.3, 11.3), "C,1")
    assert (value, *interval) == pytest.approx((0.395, 0.231, 0.585), abs=0.0006)


@pytest.mark.filterwarnings("ignore:The inplace keyword")  # pingouin's own call of pandas
@pytest.mark.parametrize("k", [2, 4])
def test_pingouin_agrees(k):
    # pingouin rounds its intervals to two decimals
    import pingouin

    rng = np.random.default_rng(k)
    table = rng.normal(50, 6, (25, 1)) + rng.normal(0, 3, (25, k)) + np.arange(k)
    long = pd.DataFrame(table).reset_index().melt("index", var_name="method")
    theirs = pingouin.intraclass_corr(long, "index", "method", "value")
    theirs.index = [name.removeprefix("ICC(").rstrip(")") for name in theirs["Type"]]
    squares = mean_squares(table)
    for form in ("A,1", "C,1"):
        value, interval = intraclass_correlation(squares, form)
        assert value == pytest.approx(theirs.loc[form, "ICC"], abs=1e-9)
        assert interval == pytest.approx(tuple(theirs.loc[form, "CI95"]), abs=0.00501)


def test_two_methods_without_the_table():
    field, lab = waves()
    short = concordance(field, lab)
    full = mean_squares(np.stack([field, lab], axis=1))
    for form, value, ends in (
        ("A,1", short.icc_a1, short.icc_a1_interval),
        ("C,1", short.icc_c1, short.icc_c1_interval),
    ):
        own, around = intraclass_correlation(full, form)
        assert (value, *ends) == pytest.approx((own, *around), rel=1e-10)


def test_identity_on_the_peak_flow_data():
    # algebra: ICC(A,1) of two methods is 2 s12 / (s1^2 + s2^2 + d^2 - sd^2 / n); 0.945928... derived
    rows = np.array(held("published_statistics")["pefr_1986"]["rows"], float)
    result = concordance(rows[:, 0], rows[:, 2])
    assert result.icc_a1 == pytest.approx(0.94592840557731, abs=1e-12)


@given(st.floats(0.1, 10), st.floats(-50, 50))
@settings(max_examples=30)
def test_unit_and_origin_do_not_matter(scale, shift):
    field, lab = waves()
    before, after = concordance(field, lab), concordance(scale * field + shift, scale * lab + shift)
    assert after.ccc == pytest.approx(before.ccc, rel=1e-9)
    assert after.icc_a1 == pytest.approx(before.icc_a1, rel=1e-9)
    assert after.ccc_interval == pytest.approx(before.ccc_interval, rel=1e-7)


def test_perfect_agreement_and_pure_shift():
    lab = np.arange(40.0, 60.0)
    same = concordance(lab, lab)
    assert (same.ccc, same.icc_a1, same.icc_c1) == pytest.approx((1, 1, 1), abs=1e-12)
    assert same.ccc_interval == pytest.approx((1, 1), abs=1e-9)
    shifted = concordance(lab + 5, lab)
    assert shifted.icc_c1 == pytest.approx(1, abs=1e-12)  # consistency hides the bias
    assert shifted.icc_a1 < 0.9
    assert np.isfinite(shifted.icc_a1_interval).all()


def test_no_correlation_gives_no_information():
    lab = np.array([40.0, 40.0, 60.0, 60.0])
    field = np.array([40.0, 60.0, 40.0, 60.0])
    result = concordance(field, lab)
    assert result.ccc == pytest.approx(0, abs=1e-12)
    assert result.ccc_interval == (-1, 1)


@pytest.mark.parametrize(
    ("field", "lab", "message"),
    [
        ([], [], "at least 4"),
        ([1.0, 2, 3], [1.0, 2, 3], "at least 4"),
        ([50.0] * 5, [40.0, 45, 50, 55, 60], "does not vary"),
        ([50.0] * 5, [50.0] * 5, "does not vary"),
        ([49.7] * 20, [50.1] * 20, "does not vary"),  # their means are none of these, by one digit
        ([1, np.nan, 3, 4], [1, 2, 3, 4], "missing"),
        ([1, np.inf, 3, 4], [1, 2, 3, 4], "infinite"),
    ],
)
def test_refused(field, lab, message):
    with pytest.raises(ValueError, match=message):
        concordance(field, lab)


def test_clustered_values_are_those_of_all_pairs_and_intervals_are_wider():
    parts = DailyParts(n_athletes=30, visits=4, sd_athlete=4.0, sd_laboratory=1.0)
    (data,) = method_data(simulate_daily(parts, rng=5))
    result, plain = concordance_of(data), concordance(data.field, data.lab)
    assert (result.ccc, result.icc_a1) == (plain.ccc, plain.icc_a1)
    assert (result.n, result.n_pairs, result.clustered) == (30, 120, True)
    assert np.ptp(result.ccc_interval) > np.ptp(plain.ccc_interval)
    assert result.ccc_interval.contains(result.ccc)
    assert set(result.to_frame()["note"]) == {"clustered"}
    assert "ICC(2,1)" in result.summary()


@pytest.mark.slow
def test_coverage():
    # bivariate normal: ccc = 2 cov / (var + var + shift^2); 4000 studies of 40 athletes
    rng = np.random.default_rng(20260101)
    true_ccc, true_icc = 2 * 49 / (53 + 53 + 1), 2 * 49 / (53 + 53 + 1)
    held = np.zeros(2)
    for _ in range(4000):
        truth = rng.normal(50, 7, 40)
        result = concordance(truth + 1 + rng.normal(0, 2, 40), truth + rng.normal(0, 2, 40))
        held += [
            result.ccc_interval.contains(true_ccc),
            result.icc_a1_interval.contains(true_icc),
        ]
    # both are approximations: within 1.5 percentage points and Monte Carlo error
    assert held / 4000 == pytest.approx(0.95, abs=0.015 + 3 * np.sqrt(0.95 * 0.05 / 4000))
