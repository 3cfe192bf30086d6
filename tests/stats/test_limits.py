"""Bias and limits of one pair per athlete, against printed examples and simulated coverage."""

import warnings

import numpy as np
import pytest
from held import held
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from agreement.errors import SmallSampleWarning
from agreement.stats.limits.limits import LimitsOfAgreement, limits_of_agreement

PUBLISHED = held("published_statistics")


def quiet(field, lab, **options):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", SmallSampleWarning)
        return limits_of_agreement(field, lab, **options)


@pytest.fixture(scope="module")
def peak_flow():
    """First readings of 1986, large minus mini as printed: the opposite of our sign of names."""
    rows = np.array(PUBLISHED["pefr_1986"]["rows"], dtype=float)
    return quiet(rows[:, 0], rows[:, 2])


@pytest.mark.parametrize(
    ("quantity", "printed", "half_digit"),
    [("bias", -2.1, 0.05), ("sd", 38.8, 0.05)],
)
def test_peak_flow_1986(peak_flow, quantity, printed, half_digit):
    # Bland & Altman 1986 Lancet i:307 (read second-hand)
    assert getattr(peak_flow, quantity) == pytest.approx(printed, abs=half_digit)


def test_peak_flow_1986_intervals(peak_flow):
    # Bland & Altman 1986 (read second-hand). The paper works from rounded 38.8 and 16.3, takes 2 SD
    # for the limits and sqrt(3/n) for their error: hence 0.25, and limits about 2 s, not z s.
    assert peak_flow.bias_interval() == pytest.approx((-22.0, 17.8), abs=0.25)
    shift = (2 - stats.norm.ppf(0.975)) * peak_flow.sd
    lower = peak_flow.lower_interval(grade="approximate 1986")
    upper = peak_flow.upper_interval(grade="approximate 1986")
    assert np.array(lower) - shift == pytest.approx((-114.3, -45.1), abs=0.25)
    assert np.array(upper) + shift == pytest.approx((40.9, 110.1), abs=0.25)


def test_blood_pressure_1999():
    # Bland & Altman 1999 SMMR 8:135, first readings, J minus S; printed figures from memory,
    # limits with 1.96 SD
    rows = np.array(PUBLISHED["blood_pressure_1999"]["rows"], dtype=float)
    limits = limits_of_agreement(rows[:, 0], rows[:, 6])
    assert limits.n == 85
    assert limits.bias == pytest.approx(-16.29, abs=0.005)
    assert limits.sd == pytest.approx(19.61, abs=0.005)
    assert (limits.lower, limits.upper) == pytest.approx((-54.7, 22.1), abs=0.05)


@pytest.mark.parametrize(
    ("side", "printed"), [("lower_interval", (-6.78, -1.90)), ("upper_interval", (1.29, 6.16))]
)
def test_shuttle_run_2017(side, printed):
    # Longo, Aquilino, Cardey, Lentini 2017, Apunts Med Esport 52:17-22 (read): 11 men, printed
    # bias -0.31, limits -4.34 to 3.72, so SD 2.056; the rounding of the limits reaches 0.02
    limits = LimitsOfAgreement(n=11, bias=-0.31, sd=2.056)
    assert (limits.lower, limits.upper) == pytest.approx((-4.34, 3.72), abs=0.005)
    interval = getattr(limits, side)(grade="approximate 1999")
    assert interval == pytest.approx(printed, abs=0.02)


def test_exact_intervals_are_noncentral_t_by_a_general_library():
    limits = LimitsOfAgreement(n=20, bias=1.0, sd=2.0)
    quantiles = stats.nct.ppf([0.025, 0.975], 19, stats.norm.ppf(0.975) * np.sqrt(20))
    assert limits.upper_interval() == pytest.approx(1 + 2 * quantiles / np.sqrt(20), rel=1e-9)


def test_the_pair_of_limits_has_outer_bounds_of_tolerance_factors():
    limits = LimitsOfAgreement(n=20, bias=0.0, sd=1.0)
    # factors for n = 20 of the sheet of 2015 (derived, checked with R)
    assert limits.upper_interval(grade="exact pair") == pytest.approx((1.5175, 2.9445), abs=5e-5)
    assert limits.lower_interval(grade="exact pair") == pytest.approx((-2.9445, -1.5175), abs=5e-5)


def test_prediction_and_tolerance_limits():
    limits = LimitsOfAgreement(n=10, bias=0.0, sd=1.0)
    # t(0.975, 9) = 2.262 (handbook tables, memory)
    assert limits.prediction_limits().high == pytest.approx(2.262 * np.sqrt(1.1), abs=0.001)
    # k = 3.39 for n = 10, P = 0.95, confidence 0.95 (Berthouex & Brown, Table 21.1, read)
    assert limits.tolerance_limits().high == pytest.approx(3.39, abs=0.0062)


@pytest.mark.parametrize("n", [10, 30, 100])
def test_the_exact_interval_covers_the_upper_limit(n):
    rng = np.random.default_rng(20260101 + n)
    runs, truth = 20_000, stats.norm.ppf(0.975)
    sample = rng.normal(size=(runs, n))
    mean, sd = sample.mean(axis=1), sample.std(axis=1, ddof=1)
    one = LimitsOfAgreement(n, 0.0, 1.0).upper_interval()
    covered = (mean + one.low * sd <= truth) & (truth <= mean + one.high * sd)
    assert covered.mean() == pytest.approx(0.95, abs=3 * np.sqrt(0.95 * 0.05 / runs))


def test_frame_and_sentence_carry_the_words_of_the_results_table():
    limits = LimitsOfAgreement(n=20, bias=-4.06, sd=4.0)
    frame = limits.to_frame().set_index("statistic")
    assert list(frame.index) == ["bias", "sd_of_differences", "lower_limit", "upper_limit"]
    assert frame.loc["upper_limit", "value"] == limits.upper
    assert frame.loc["bias", ["n", "n_pairs"]].tolist() == [20, 20]
    assert "4.1 mL/kg/min low" in limits.summary()
    assert '<th scope="row">bias</th>' in limits._repr_html_()


pairs = st.lists(
    st.tuples(st.floats(20, 80), st.floats(20, 80)), min_size=4, max_size=40, unique=True
)


@given(pairs, st.floats(-20, 20))
def test_shifting_the_field_estimate_shifts_only_the_bias(values, shift):
    field, lab = np.array(values).T
    before, after = quiet(field, lab), quiet(field + shift, lab)
    assert (after.bias, after.sd) == pytest.approx((before.bias + shift, before.sd), abs=1e-9)


@given(pairs)
def test_swapping_the_methods_mirrors_the_limits(values):
    field, lab = np.array(values).T
    one, other = quiet(field, lab), quiet(lab, field)
    assert (other.lower, other.upper) == pytest.approx((-one.upper, -one.lower), abs=1e-9)
    assert other.upper_interval().high == pytest.approx(-one.lower_interval().low, abs=1e-8)


@given(pairs, st.floats(0.1, 10), st.randoms())
def test_scale_and_row_order(values, scale, random):
    field, lab = np.array(values).T
    shuffled = list(range(len(values)))
    random.shuffle(shuffled)
    one, other = quiet(field, lab), quiet(scale * field[shuffled], scale * lab[shuffled])
    assert (other.bias, other.sd) == pytest.approx((scale * one.bias, scale * one.sd), abs=1e-8)


@pytest.mark.parametrize("n", [0, 1, 2])
def test_fewer_than_three_pairs_are_refused(n):
    with pytest.raises(ValueError, match=f"at least 3 pairs are needed; {n} found"):
        limits_of_agreement(np.full(n, 50.0), np.full(n, 51.0))


def test_small_samples_are_computed_with_a_warning():
    with pytest.warns(SmallSampleWarning, match="3 athletes"):
        limits = limits_of_agreement([50.0, 52.0, 54.0], [50.0, 51.0, 52.0])
    assert (limits.bias, limits.sd) == (1.0, 1.0)  # by hand: differences 0, 1, 2


def test_equal_differences_have_limits_of_no_width():
    limits = quiet(np.arange(40.0, 50.0) + 2, np.arange(40.0, 50.0))
    assert (limits.lower, limits.upper) == (2.0, 2.0)
    assert limits.upper_interval() == (2.0, 2.0)


@pytest.mark.parametrize(
    ("bad", "word"), [(np.nan, "missing"), (np.inf, "infinite"), (-np.inf, "infinite")]
)
def test_gaps_and_infinities_are_named_with_their_place(bad, word):
    with pytest.raises(ValueError, match=rf"`lab` has 1 .*\({word}\) at position 1"):
        limits_of_agreement([50.0, 51.0, 52.0], [50.0, bad, 52.0])


def test_unequal_lengths_are_refused():
    with pytest.raises(ValueError, match="equal length"):
        limits_of_agreement([50.0, 51.0, 52.0], [50.0, 51.0])


def test_coverage_must_be_a_share():
    with pytest.raises(ValueError, match=r"`coverage` must be in \(0, 1\); got 95"):
        limits_of_agreement([50.0, 51.0, 52.0], [50.0, 51.0, 53.0], coverage=95)
