"""Lines that once could be wrong without any test noticing; `tests/mutants` found them."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from simulate.known_parts import DailyParts, simulate_daily

from agreement.stats.basics.bootstrap import cluster_resampling
from agreement.stats.basics.intervals import said_p
from agreement.stats.basics.least_squares import fit_line
from agreement.stats.basics.replicates import Replicates
from agreement.stats.basics.shares import total_deviation_index
from agreement.stats.catalogue import ANALYSES
from agreement.stats.causes.budget import budget_of
from agreement.stats.causes.profile_bias import profile_bias
from agreement.stats.change.change_result import same_direction
from agreement.stats.compare.two_estimators import two_estimators
from agreement.stats.indices.concordance import _from_sums, concordance
from agreement.stats.indices.equivalence import equivalence_of
from agreement.stats.indices.error import errors_of_estimate
from agreement.stats.limits.limits import limits_of_agreement
from agreement.stats.limits.limits_of_agreement import limits_of_agreement_of
from agreement.stats.lines.calibration import calibration
from agreement.stats.lines.linearity import _line, linearity
from agreement.stats.lines.passing_bablok import passing_bablok, weighted_lines
from agreement.stats.lines.trend import trend
from agreement.stats.results_table import method_data
from agreement.stats.verdict.planning_power import (
    StudyToMake,
    athletes_needed_clustered,
    simulated_power,
)
from agreement.stats.verdict.verdict import Verdict
from agreement.tables.options import Margin

RNG = np.random.default_rng(12)
pytestmark = pytest.mark.filterwarnings("ignore::agreement.errors.SmallSampleWarning")
LAB = RNG.normal(50, 6, 40)
FIELD = LAB + RNG.normal(1, 3, 40)
TWICE = np.repeat(np.arange(20), 2)


def of_study(parts):
    (data,) = method_data(simulate_daily(parts, rng=4))
    return data


def test_a_p_value_without_corrections_is_that_of_the_percentiles():
    around = np.linspace(-1, 1, 101)[:, None]
    found = Replicates(np.zeros(1), around, np.zeros((20, 1)))  # nobody left out changes anything
    assert found.p_value(null=0.0) == pytest.approx(1.0)
    assert found.p_value(null=100.0) == pytest.approx(1 / 102)  # all that the draws can show
    assert found.p_value(null=0.9) == pytest.approx(2 * 5.5 / 101, abs=0.02)


def test_an_empty_averaging_curve_has_its_fourteen_days_and_a_floor():
    (curve,) = (analysis for analysis in ANALYSES if analysis.name == "averaging_curve")
    groups = {group for group, _ in curve.empty_rows}
    assert groups == {*map(str, range(1, 15)), "floor"}


def test_the_offset_of_repeated_pairs_lies_in_its_interval():
    found = calibration(FIELD, LAB, athlete=TWICE, rng=1).to_frame().set_index("statistic")
    low, value, high = found.loc["offset", ["low", "value", "high"]]
    plain = stats.t.interval(0.95, 39, np.mean(LAB - FIELD), stats.sem(LAB - FIELD))
    assert low < value < high
    assert high - low == pytest.approx(plain[1] - plain[0], rel=0.4)


def test_concordance_from_sums_is_concordance():
    x, y = FIELD, LAB
    sums = np.array([[x.size, x.sum(), y.sum(), x @ x, y @ y, x @ y]])
    found = concordance(x, y)
    assert _from_sums(sums)[0] == pytest.approx([found.ccc, found.icc_a1, found.icc_c1])


def test_a_margin_of_the_first_day_is_no_late_margin():
    found = simulate_daily(DailyParts(n_athletes=20, visits=1), rng=4)
    notes = []
    for days in (0, 1):
        late = found.first_lab_date + pd.Timedelta(days=days)
        options = replace(found.options, margin=Margin(limit=7.0, agreed_on=late))
        (data,) = method_data(replace(found, options=options))
        notes.append(equivalence_of(data).note)
    assert notes == ["", "margin agreed after the first laboratory test"]


def test_the_share_of_repeated_pairs_lies_in_its_interval():
    found = errors_of_estimate(FIELD, LAB, cluster_resampling(TWICE, rng=1), margin=3.0)
    low, high = found.share_interval()
    assert low < np.mean(np.abs(FIELD - LAB) <= 3.0) < high <= 1


def test_a_p_value_of_a_thousandth_is_written_out():
    assert (said_p(0.001), said_p(0.0011), said_p(0.00099)) == (
        "p = 0.001",
        "p = 0.001",
        "p < 0.001",
    )


def test_intervals_of_a_line_are_of_95_per_cent_unless_asked_otherwise():
    line, other = fit_line(FIELD, LAB), stats.linregress(FIELD, LAB)
    half = stats.t.ppf(0.975, 38) * other.stderr
    assert line.slope_interval() == pytest.approx((other.slope - half, other.slope + half))
    assert line.residual_sd_interval() == line.residual_sd_interval(0.95)
    assert line.intercept_interval() == line.intercept_interval(0.95)


def test_a_bend_that_no_simulation_reaches_has_the_smallest_p_value():
    x = np.linspace(40, 60, 60)
    assert linearity(x + (x - 50) ** 2 / 40, x, n_simulations=9, rng=1).p == 0.1


@pytest.mark.parametrize("n", [14, 13])  # 91 slopes and 78: one middle, and two
def test_the_simulated_line_is_the_line(n):
    x, y = np.round(LAB[:n], 1), np.round(FIELD[:n], 1)
    slopes = sorted(
        (y[i] - y[j]) / (x[i] - x[j]) for i in range(n) for j in range(i) if x[i] != x[j]
    )
    slope, intercept = _line(x, y)
    fit = passing_bablok(y, x)
    assert abs(slope - fit.slope) < 0.2
    order = sorted((s for s in slopes if s != -1), key=lambda s: (s < -1, s))
    assert slope == pytest.approx((order[(len(order) - 1) // 2] + order[len(order) // 2]) / 2)
    assert intercept == pytest.approx(np.median(y - slope * x))


def squad(who, spread):
    field = LAB + spread * RNG.normal(0, 1, 40) + np.where(np.arange(40) < 20, 0.0, 1.0)
    names = [f"A{i:02}" for i in who]
    profile = np.where(np.arange(40) < 20, "low", "high")
    columns = {"athlete_id": names, "training_profile": profile, "field": field, "lab": LAB}
    return profile_bias(pd.DataFrame(columns), cluster_resampling(names, n_resamples=99, rng=1))


def test_what_is_said_of_spreads_of_profiles():
    repeated = squad(TWICE, 3.0).to_frame().set_index("statistic")
    assert 0 <= repeated.loc["p_equal_spread", "value"] <= 1  # of athlete means
    small = squad(np.arange(40), 0.3).to_frame().set_index("statistic")
    assert 1 <= small.loc["spread_ratio", "value"] < 3  # spreads below 1 have a ratio too


def test_an_index_of_nearly_everyone_is_doubtful_in_a_small_study():
    d = RNG.normal(0.2, 3, 20)
    assert total_deviation_index(d, 0.97).doubtful
    assert not total_deviation_index(d, 0.90).doubtful


def test_uneven_spread_is_seen_and_even_spread_is_not():
    x = np.linspace(40, 70, 80)
    noise = np.tile([-1.0, 1.0], 40)
    assert trend(x + noise * (x - 35) / 8, x).uneven
    assert not trend(x + noise * 3, x).uneven


def test_limits_beside_the_observed_range_are_refused():
    found = trend(FIELD, LAB)
    assert np.isfinite(found.limits_at(found.highest)).all()
    with pytest.raises(ValueError, match="observed range"):
        found.limits_at(found.highest + 1e-6)


def test_the_difference_of_spreads_lies_in_its_interval():
    a, b = RNG.normal(0, 3, 40), RNG.normal(0, 2, 40)
    frame = two_estimators(a, b, athlete=TWICE, rng=1).to_frame().set_index("statistic")
    for name in ("ratio_of_sd", "difference_of_sd"):
        low, value, high = frame.loc[name, ["low", "value", "high"]]
        assert low < value < high


def test_every_change_counts_unless_a_zone_is_asked_for():
    drawn = cluster_resampling(np.arange(4), n_resamples=99, rng=1)
    lab, field = np.array([0.4, -0.4, 0.5, 3.0]), np.array([0.3, 0.2, 0.1, 2.0])
    assert same_direction(field, lab, drawn).kept == 4
    assert same_direction(field, lab, drawn, zone=1.0).kept == 1


def test_an_excess_of_the_budget_below_one_has_its_row():
    found = budget_of(of_study(DailyParts(n_athletes=30)))
    names = replace(found, excess=0.5).to_frame()["statistic"]
    assert (names == "excess").any()
    assert not (replace(found, excess=0.0).to_frame()["statistic"] == "excess").any()


def test_a_line_through_more_pairs_than_a_block_holds():
    """A level that drifts along the file: blocks differ in their means."""
    x = np.linspace(30, 70, 20_001)
    y = 3 + 0.9 * x + np.tile([-1.0, 1.0, 0.0], 6667)
    line, other = fit_line(x, y), stats.linregress(x, y)
    assert (line.slope, line.intercept) == pytest.approx((other.slope, other.intercept), rel=1e-9)
    assert line.mean_y == pytest.approx(y.mean(), rel=1e-12)


def test_slopes_of_one_count_in_a_weighted_line_and_those_of_minus_one_do_not():
    x, y = np.array([50.0, 51.0, 52.0, 54.0]), np.array([50.0, 51.0, 52.0, 50.0])
    slopes = [(y[j] - y[i]) / (x[j] - x[i]) for i in range(4) for j in range(i + 1, 4)]
    kept = sorted(s for s in slopes if s != -1)  # by hand: -1/3, 0, 1, 1, 1
    assert len(kept) == 5
    slope, _ = weighted_lines(x, y, np.ones((1, 4), dtype=np.int64))
    assert slope[0] == pytest.approx(kept[2])


def test_words_of_results_that_reports_say_otherwise():
    met = Verdict(
        outcome="acceptable",
        method="w",
        mode="run",
        n=40,
        n_pairs=40,
        limits=limits_of_agreement(FIELD, LAB),
        agreed=Margin(9.0),
    )
    assert "is met for athletes as fit as the middle four fifths of these." in met.summary()
    (data,) = method_data(simulate_daily(DailyParts(n_athletes=20, visits=1), rng=4))
    options = replace(data.options, margin=Margin(limit=7.0))
    assert "one-sided tests" in equivalence_of(replace(data, options=options))._repr_html_()
    assert "limits of agreement are" in limits_of_agreement_of(data).summary()


def test_the_smallest_simulated_number_of_athletes_is_the_smallest():
    design = StudyToMake(bias=0.0, sd_between=1.8, sd_within=1.0, pairs=2)
    needed = athletes_needed_clustered(design, 6.0, simulations=60, rng=1)

    def reached(n):
        return simulated_power(n, design, 6.0, simulations=60, rng=1)

    assert reached(needed) >= 0.8 > reached(needed - 1)
