"""The error budget against slow textbook loops, another library's fits, and known parts."""

from dataclasses import replace
from functools import cache
from itertools import permutations
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from simulate.known_parts import DailyParts, simulate_daily
from turns import slowly

from agreement.stats.causes.budget import COMPONENTS, budget_of
from agreement.stats.causes.budget_parts import persistent_variance, sources_of
from agreement.stats.causes.explained import Shares, design_of
from agreement.stats.limits.limits import limits_by_athlete
from agreement.stats.lines.structural import structural_of
from agreement.stats.method_data import NotEstimable
from agreement.stats.repeats.day_to_day import CORRELATIONS, DayNoise
from agreement.stats.results_table import method_data
from agreement.tables.options import Reference

Z = 1.959963984540054
CAUSES = {
    "share_repeated": 0.5,
    "profiles": {"low": -2.0, "mixed": 0.0, "high": 2.0},
    "mass_slope": -0.4,
    "hr_max_slope": 0.15,
    "strap_effect": 2.0,
}


def data(seed=1, **parts):
    (found,) = method_data(simulate_daily(DailyParts(**parts), rng=seed))
    return found


@cache
def known():
    return data(n_athletes=60, rho=0.4, **CAUSES)


@pytest.fixture(scope="module")
def budget():
    return budget_of(known())


def by_visit(found):
    d = found.daily.assign(d=found.daily["field"] - found.daily["lab"])
    return [part.sort_values("date") for _, part in d.groupby(["athlete_id", "lab_test_id"])]


def days(part):
    return part["date"].to_numpy().astype("datetime64[D]").astype(int)


def slow_noise(visits):
    """Restricted likelihood with full matrices, then the variance as the sheet writes it."""
    best = None
    for rho in CORRELATIONS:
        squares = logs = df = 0.0
        for part in visits:
            t, y = days(part), part["d"].to_numpy()
            r = rho ** np.abs(np.subtract.outer(t, t)) if rho else np.eye(len(t))
            inverse, one = np.linalg.inv(r), np.ones(len(t))
            mean = (one @ inverse @ y) / (one @ inverse @ one)
            squares += (y - mean) @ inverse @ (y - mean)
            logs += np.linalg.slogdet(r)[1] + np.log(one @ inverse @ one)
            df += len(t) - 1
        criterion = df * np.log(squares / df) + logs
        if best is None or criterion < best[0]:
            best = (criterion, rho)
    rho, within, expected, kept = best[1], 0.0, 0.0, []
    for part in visits:
        t, y = days(part), part["d"].to_numpy()
        m = len(t)
        g = (rho ** np.abs(np.subtract.outer(t, t)) if rho else np.eye(m)).sum() / m**2
        within += ((y - y.mean()) ** 2).sum()
        expected += m * (1 - g)
        kept.append(g)
    return rho, within / expected, np.mean(kept)


def gappy(found, seed=3):
    """Leave a third of the days out, so that windows have holes and differ in length."""
    keep = np.random.default_rng(seed).random(len(found.daily)) > 0.33
    return replace(found, daily=found.daily[keep].reset_index(drop=True))


@pytest.mark.parametrize("change", [gappy, *slowly([lambda found: found])])
def test_noise_of_a_day_by_full_matrices(change):
    found = change(known())
    rho, variance, kept = slow_noise(by_visit(found))
    result = budget_of(found)
    assert result.correlation == pytest.approx(rho, abs=1e-12)
    assert result.components["day_to_day"].variance == pytest.approx(variance, rel=1e-9)
    means = pd.Series(
        {tuple(p.iloc[0][["athlete_id", "lab_test_id"]]): p["d"].mean() for p in by_visit(found)}
    )
    spread = limits_by_athlete(means.to_numpy(), [who for who, _ in means.index]).sd ** 2
    assert result.persistent == pytest.approx(spread - kept * variance, rel=1e-9)
    assert result.total.variance == pytest.approx(spread + (1 - kept) * variance, rel=1e-9)


def slow_shares(design, mean):
    """Average over all orders, each fit by statsmodels."""

    def adjusted(blocks):
        columns = design.columns[:, np.isin(design.block_of, list(blocks))]
        if columns.shape[1] == 0:
            return 0.0
        return sm.OLS(mean, sm.add_constant(columns)).fit().rsquared_adj

    k = len(design.blocks)
    gains = np.zeros(k)
    orders = list(permutations(range(k)))
    for order in orders:
        for place, block in enumerate(order):
            gains[block] += adjusted(order[: place + 1]) - adjusted(order[:place])
    return np.maximum(gains / len(orders), 0)


def test_shares_by_every_order_and_another_library(budget):
    sources = sources_of(known())
    table, athlete = sources.visits.table, sources.visits.athlete
    design = design_of(table, athlete)
    assert design.blocks == ("profile_inputs", "sensor", "training_profile")
    expected = slow_shares(design, table["mean"].to_numpy())
    for share, name in zip(expected, design.blocks, strict=True):
        found = budget.components[name].variance
        assert found == pytest.approx(share * budget.persistent, rel=1e-6, abs=1e-9)


def test_a_resample_is_the_budget_of_repeated_athletes():
    sources = sources_of(known())
    table, athlete = sources.visits.table, sources.visits.athlete
    design = design_of(table, athlete)
    shares = Shares(design, table["mean"].to_numpy(), athlete)
    weights = sources.counts.astype(float)[:1]
    rows = np.repeat(np.arange(len(table)), weights[0][athlete].astype(int))
    twice = replace(design, columns=design.columns[rows])
    expected = slow_shares(twice, table["mean"].to_numpy()[rows])
    assert shares.of(weights)[0] == pytest.approx(expected, rel=1e-6, abs=1e-9)
    means, who = [], []
    for g in range(60):
        for copy in range(int(weights[0][g])):
            mine = table["mean"].to_numpy()[athlete == g]
            means += mine.tolist()
            who += [f"{g}-{copy}"] * len(mine)
    spread = limits_by_athlete(means, who).sd ** 2
    assert sources.means.variance(weights)[0, 0] == pytest.approx(spread, rel=1e-9)


def test_parts_add_up_and_widths_follow(budget):
    values = {name: part.variance for name, part in budget.components.items()}
    assert set(values) == set(COMPONENTS)
    assert sum(values.values()) - budget.excess == pytest.approx(budget.total.variance, rel=1e-9)
    for name, value in values.items():
        half = Z * np.sqrt(budget.total.variance - value)
        assert budget.half_width_without(name) == pytest.approx(half, rel=1e-9)


def test_laboratory_part_is_that_of_the_value_compared(budget):
    repeats = known().repeats
    tests = repeats.groupby("lab_test_id")["lab"]
    again = tests.nth(1).to_numpy() - tests.nth(0)[tests.transform("size") == 2].to_numpy()
    pooled = again.var(ddof=1) / 2  # units of two tests, here: the mean shift is not in it
    share = (1 / tests.size()).mean()
    assert budget.components["laboratory_repeat"].variance == pytest.approx(
        pooled * share, rel=1e-9
    )


@pytest.mark.parametrize("slope", [0.0, -0.3])
def test_level_is_what_the_structural_slope_adds(slope):
    found = data(n_athletes=60, level_slope=slope, sd_athlete=1.0, share_repeated=0.8)
    part, net = budget_of(found).components["level"], structural_of(found)
    true = net.moments.lab - net.moments.noise
    ends = sorted((end - 1) ** 2 * true for end in net.interval)
    if slope:
        assert part.variance == pytest.approx((net.slope - 1) ** 2 * true)
        assert part.interval == pytest.approx(ends)
    else:
        assert net.interval.contains(1.0)
        assert (part.variance, *part.interval) == pytest.approx((0.0, 0.0, ends[1]))
    assert part.interval.contains((slope * 6.0) ** 2)


def test_level_is_not_told_without_the_laboratorys_error():
    part = budget_of(data(n_athletes=30)).components["level"]
    assert np.isnan(part.variance)
    assert part.note == "not_estimable: the laboratory's own error is unknown; part of the rest"


def test_frame(budget):
    frame = budget.to_frame()
    assert frame["statistic"].tolist() == [
        "total",
        *COMPONENTS,
        *(f"half_width_without_{name}" for name in COMPONENTS),
    ]
    variances = frame["unit"] == "(mL/kg/min)^2"
    assert variances.sum() == 8
    assert frame.loc[variances, ["low", "high"]].notna().all(axis=None)
    assert frame.loc[~variances, ["low", "high"]].isna().all(axis=None)
    assert (frame["n"] == 60).all()
    assert (frame["n_pairs"] == 120).all()
    assert "largest part" in budget.summary()


def test_unknown_laboratory_error_stays_in_the_rest():
    result = budget_of(data(n_athletes=30))
    part = result.components["laboratory_repeat"]
    assert np.isnan(part.variance)
    assert part.note.startswith("not_estimable")
    assert result.components["persistent_rest"].note == "holds the laboratory's error"
    row = result.to_frame().set_index("statistic").loc["half_width_without_laboratory_repeat"]
    assert np.isnan(row["value"])
    assert row["note"].startswith("not_estimable")


def test_a_declared_error_that_is_too_large_becomes_excess():
    found = data(n_athletes=30)
    found = replace(found, options=replace(found.options, reference=Reference(sem=9.0)))
    result = budget_of(found)
    assert result.components["laboratory_repeat"].note == "assumed"
    assert result.components["persistent_rest"].variance == 0
    assert result.excess > 0
    assert "larger than this study can hold" in result.notes[-1]
    frame = result.to_frame().set_index("statistic")["value"]
    parts = frame[[*COMPONENTS]].sum()
    assert parts - frame["excess"] == pytest.approx(frame["total"], rel=1e-9)


def test_causes_that_stay_out_say_why():
    result = budget_of(data(n_athletes=15, profiles={"low": -2.0, "mixed": 0.0, "high": 2.0}))
    notes = {name: part.note for name, part in result.components.items()}
    assert (
        notes["training_profile"]
        == "not_estimable: too few athletes (15) for 3 training profiles; part of the rest"
    )
    assert notes["profile_inputs"].startswith(
        "not_estimable: too few athletes (15) for the mismatch"
    )
    assert np.isnan(result.components["training_profile"].variance)
    assert "fewer than 20 athletes" in result.notes
    one_profile = budget_of(data(n_athletes=30))
    assert "does not vary" in one_profile.components["training_profile"].note


def test_unknown_mismatches():
    found = known()
    pairs = found.pairs.copy()
    pairs["hr_max_mismatch_bpm"] = np.nan
    pairs.loc[pairs.index[:20], "mass_mismatch_pct"] = np.nan
    result = budget_of(replace(found, pairs=pairs))
    assert np.isfinite(result.components["profile_inputs"].variance)
    pairs["mass_mismatch_pct"] = np.nan
    result = budget_of(replace(found, pairs=pairs))
    assert "not known" in result.components["profile_inputs"].note


def test_one_day_and_one_visit_each():
    result = budget_of(data(n_athletes=30, visits=1, days=1))
    assert np.isnan(result.components["day_to_day"].variance)
    assert result.components["day_to_day"].note.startswith("not_estimable: one day per visit")
    assert "athlete and visit cannot be told apart" in result.notes[0]
    d = data(n_athletes=30, visits=1, days=1).difference
    assert result.total.variance == pytest.approx(d.var(ddof=1), rel=1e-6)


def test_constant_estimates_have_no_day_noise():
    found = data(n_athletes=20)
    first = found.daily.groupby("lab_test_id")["field"].transform("first")
    result = budget_of(replace(found, daily=found.daily.assign(field=first)))
    assert result.components["day_to_day"].variance == 0


def test_too_few_athletes():
    with pytest.raises(NotEstimable, match="too_few: fewer than 5 athletes have daily"):
        budget_of(data(n_athletes=4))


def test_row_order_does_not_matter(budget):
    found = known()
    mixed = replace(
        found,
        daily=found.daily.sample(frac=1, random_state=1).reset_index(drop=True),
        repeats=pd.concat([part for _, part in found.repeats.groupby("lab_test_id")][::-1]),
    )
    pd.testing.assert_frame_equal(budget_of(mixed).to_frame(), budget.to_frame(), rtol=1e-9)


def test_each_half_width_is_without_its_own_part(budget):
    found = budget.to_frame().set_index("statistic")["value"]
    parts = found[[name for name in COMPONENTS if np.isfinite(found[name])]]
    assert parts.round(9).nunique() > 3
    for name, part in parts.items():
        half = Z * max(found["total"] - part, 0.0) ** 0.5
        assert found[f"half_width_without_{name}"] == pytest.approx(half), name


def test_nothing_lasts_where_visits_differ_by_less_than_their_days_explain():
    noise = DayNoise(np.array([4.0]), np.array([0.0]), np.array([0.5]))
    sources = SimpleNamespace(
        days=SimpleNamespace(noise=lambda _: noise),
        means=SimpleNamespace(variance=lambda _: np.array([[1.0]])),  # below 4 x 0.5
    )
    assert persistent_variance(sources, np.ones((1, 9)))[1].tolist() == [0.0]
