"""The averaging curve against slow loops, closed forms, and the curve of known parts."""

from dataclasses import replace

import numpy as np
import pytest
from simulate.known_parts import DailyParts, simulate_daily

from agreement.stats.causes.budget import budget_of
from agreement.stats.limits.limits import limits_by_athlete
from agreement.stats.method_data import NotEstimable
from agreement.stats.repeats.averaging_curve import averaging_curve_of, kept_share
from agreement.stats.results_table import method_data
from agreement.tables.options import Reference

Z = 1.959963984540054


def data(seed=1, **parts):
    (found,) = method_data(simulate_daily(DailyParts(**parts), rng=seed))
    return found


@pytest.mark.parametrize("rho", [0.0, 0.3, 0.9])
@pytest.mark.parametrize("m", [1, 2, 7, 14])
def test_share_kept_by_a_mean_of_days(m, rho):
    # variance of a mean is the mean of the correlation matrix
    correlation = rho ** np.abs(np.subtract.outer(np.arange(m), np.arange(m)))
    assert float(kept_share(m, np.array(rho))) == pytest.approx(correlation.mean(), rel=1e-12)


def test_observed_by_a_slow_loop():
    found = data(n_athletes=25, days=6)
    keep = np.random.default_rng(5).random(len(found.daily)) > 0.2
    found = replace(found, daily=found.daily[keep].reset_index(drop=True))
    curve = averaging_curve_of(found)
    daily = found.daily.assign(d=found.daily["field"] - found.daily["lab"])
    counts = daily.groupby(["athlete_id", "lab_test_id"]).size()
    most = max(
        m for m in range(1, 15) if (counts[counts >= m].groupby("athlete_id").size()).size >= 15
    )
    visits = counts[counts >= most].index
    assert (curve.n_observed, curve.n_visits_observed) == (
        len(set(visits.get_level_values(0))),
        len(visits),
    )
    for m in range(1, most + 1):
        means = [
            daily[daily["lab_test_id"] == test].sort_values("gap_days")["d"].iloc[:m].mean()
            for _, test in visits
        ]
        sd = limits_by_athlete(means, visits.get_level_values(0)).sd
        assert curve.observed[m - 1].half_width == pytest.approx(Z * sd, rel=1e-9)
        assert curve.observed[m - 1].interval.contains(Z * sd)
    for point in curve.observed[most:]:
        assert np.isnan(point.half_width)
        assert point.note == "too_few"


def test_a_tie_of_distance_takes_the_day_before_the_test():
    found = data(n_athletes=20, visits=1, days=2)
    daily = found.daily.sort_values(["lab_test_id", "gap_days"]).reset_index(drop=True)
    daily["gap_days"] = np.tile([-1, 1], 20)
    d = (daily["field"] - daily["lab"])[daily["gap_days"] == 1]
    curve = averaging_curve_of(replace(found, daily=daily))
    assert curve.observed[0].half_width == pytest.approx(Z * d.std(ddof=1), rel=1e-9)


def test_fitted_follows_the_budget():
    found = data(n_athletes=30, rho=0.4)
    curve, budget = averaging_curve_of(found), budget_of(found)
    noise, rho = budget.components["day_to_day"].variance, budget.correlation
    for m, point in zip(curve.days, curve.fitted, strict=True):
        lags = sum((1 - k / m) * rho**k for k in range(1, m))
        expected = Z * np.sqrt(budget.persistent + noise * (1 + 2 * lags) / m)
        assert point.half_width == pytest.approx(expected, rel=1e-9)
    widths = [point.half_width for point in curve.fitted]
    assert widths == sorted(widths, reverse=True)
    assert curve.persistent_floor == pytest.approx(Z * np.sqrt(budget.persistent), rel=1e-9)
    assert widths[-1] > curve.persistent_floor


def test_floor_is_the_laboratory():
    found = data(n_athletes=30)
    unknown = averaging_curve_of(found)
    assert unknown.floor.note.startswith("not_estimable")
    declared = replace(found, options=replace(found.options, reference=Reference(sem=2.0)))
    curve = averaging_curve_of(declared)
    assert curve.floor.half_width == pytest.approx(Z * 2.0, rel=1e-9)
    assert curve.floor.note == "assumed"
    assert np.isnan(curve.floor.interval.low)


def test_frame_has_every_group_in_order():
    frame = averaging_curve_of(data(n_athletes=20, days=3)).to_frame()
    assert frame["group"].drop_duplicates().tolist() == [*map(str, range(1, 15)), "floor"]
    assert frame["statistic"].tolist() == ["half_width_observed", "half_width_fitted"] * 14 + [
        "half_width_laboratory"
    ]
    told = frame["value"].isna()
    assert frame.loc[told, "note"].str.match("too_few|not_estimable").all()
    assert (frame["note"] == "too_few").sum() == 11


def test_fewer_than_fifteen_athletes_have_no_observed_curve():
    curve = averaging_curve_of(data(n_athletes=14))
    assert {point.note for point in curve.observed} == {"too_few"}
    assert np.isfinite(curve.fitted[0].half_width)
    with pytest.raises(NotEstimable, match="too_few"):
        averaging_curve_of(data(n_athletes=3))


def test_one_day_per_visit_has_no_fitted_curve():
    curve = averaging_curve_of(data(n_athletes=20, days=1))
    assert {point.note for point in curve.fitted} == {"not_estimable: one day per visit"}
    assert np.isfinite(curve.observed[0].half_width)
