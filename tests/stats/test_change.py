"""Agreement of changes: which visits, slow recomputation, tables by hand, notes, coverage."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from simulate.known_parts import DailyParts, simulate_daily
from statsmodels.stats.inter_rater import cohens_kappa

from agreement.stats.basics.bootstrap import cluster_resampling
from agreement.stats.change.change import change, change_of, visit_changes
from agreement.stats.change.change_result import response_difference, same_direction, weighted_kappa
from agreement.stats.method_data import NotEstimable
from agreement.stats.repeats.laboratory_variance import LaboratoryVariance
from agreement.stats.results_table import method_data
from agreement.tables.options import ChangeOptions, Reference


def pairs(*rows):
    frame = pd.DataFrame(rows, columns=["athlete_id", "lab_test_id", "lab_date", "lab", "field"])
    return frame.assign(lab_date=pd.to_datetime(frame["lab_date"]))


def changes(lab, field, athlete=None):
    n = len(lab)
    return pd.DataFrame(
        {
            "athlete_id": [f"A{k}" for k in range(n)] if athlete is None else athlete,
            "first_test": [f"L{k}-1" for k in range(n)],
            "second_test": [f"L{k}-2" for k in range(n)],
            "days": 42,
            "lab": np.asarray(lab, dtype=float),
            "field": np.asarray(field, dtype=float),
        }
    )


def data(parts=None, seed=1, **options):
    (found,) = method_data(simulate_daily(parts or DailyParts(gain=2, gain_sd=3), rng=seed))
    return replace(found, options=replace(found.options, **options))


THREE_VISITS = pairs(
    ("A1", "L3", "2026-03-01", 54.0, 55.0),
    ("A1", "L1", "2026-01-01", 50.0, 52.0),
    ("A1", "L2", "2026-01-15", 51.0, 52.5),
    ("A2", "L4", "2026-01-01", 60.0, 61.0),
    ("A3", "L5", "2026-01-01", 40.0, 42.0),
    ("A3", "L6", "2026-01-21", 44.0, 41.0),
)


def test_first_and_last_visit_far_enough_apart():
    found = visit_changes(THREE_VISITS)
    assert found[["athlete_id", "first_test", "second_test", "days"]].to_numpy().tolist() == [
        ["A1", "L1", "L3", 59]
    ]
    assert found[["lab", "field"]].to_numpy().tolist() == [[4.0, 3.0]]


def test_consecutive_visits():
    found = visit_changes(THREE_VISITS, visits="consecutive", minimum_gap_days=14)
    assert found["second_test"].tolist() == ["L2", "L3", "L6"]
    assert found["lab"].tolist() == [1.0, 3.0, 4.0]
    assert visit_changes(THREE_VISITS, visits="consecutive")["second_test"].tolist() == ["L3"]


def test_no_second_visit():
    with pytest.raises(NotEstimable, match="no_second_visit") as caught:
        change_of(data(DailyParts(visits=1)))
    assert "21 days" in caught.value.sentence
    with pytest.raises(NotEstimable, match="no_second_visit"):
        change_of(data(change=ChangeOptions(minimum_gap_days=90)))
    assert visit_changes(THREE_VISITS.iloc[:0]).empty


@pytest.mark.parametrize("twice", [0, 1], ids=["first", "second"])
def test_a_change_holds_the_noise_of_both_its_visits(twice):
    """Two tests at one of the visits, one at the other: half the variance and the whole of it."""
    known = data()
    visits = known.pairs.sort_values("lab_date").groupby("athlete_id").nth(twice)
    again = known.repeats["lab_test_id"].isin(visits["lab_test_id"])
    noise = np.random.default_rng(3).normal(0, 2, int(again.sum()))
    more = known.repeats[again].assign(lab=known.repeats.loc[again, "lab"] + noise)
    repeats = pd.concat([known.repeats, more]).sort_values("lab_test_id", kind="stable")
    own = change_of(replace(known, repeats=repeats)).real.own
    assert own.noise_share == pytest.approx(1.5)


def test_slow_recomputation():
    found = change_of(data(reference=Reference(sem=1.0)))
    first, second = (
        data().pairs.sort_values("lab_date").groupby("athlete_id").nth(k).set_index("athlete_id")
        for k in (0, 1)
    )
    lab, field = second["lab"] - first["lab"], second["field"] - first["field"]
    errors = (field - lab).to_numpy()
    assert found.limits.bias == pytest.approx(errors.mean(), abs=1e-6)
    assert found.limits.sd == pytest.approx(errors.std(ddof=1), abs=1e-6)
    fit = sm.OLS(field.to_numpy(), sm.add_constant(lab.to_numpy())).fit()
    assert found.line.slope == pytest.approx(fit.params[1], abs=1e-6)
    assert found.slope_interval == pytest.approx(tuple(fit.conf_int()[1]), abs=1e-6)
    assert found.line.r == pytest.approx(np.corrcoef(lab, field)[0, 1], abs=1e-6)
    assert (found.n, found.n_pairs) == (60, 120)


def test_directions_by_hand():
    lab = np.array([3.0, -2.0, 0.0, 4.0, 0.5, -6.0])
    field = np.array([1.0, -1.0, 2.0, -3.0, 0.0, -2.0])
    drawn = cluster_resampling(np.arange(6), n_resamples=50, rng=1)
    anywhere = same_direction(field, lab, drawn)
    assert (anywhere.same, anywhere.kept, anywhere.left_out) == (3, 4, 2)
    # Wilson 95 % interval of 3 / 4 by the printed formula
    z, p, n = 1.959963984540054, 0.75, 4
    half = z * np.sqrt(p * (1 - p) / n + z**2 / (4 * n**2))
    ends = (np.array([-half, half]) + p + z**2 / (2 * n)) / (1 + z**2 / n)
    assert anywhere.interval == pytest.approx(tuple(ends), abs=1e-12)
    beyond = same_direction(field, lab, drawn, zone=2.5)
    assert (beyond.same, beyond.kept) == (2, 3)
    nothing = same_direction(field, lab, drawn, zone=10.0)
    assert nothing.kept == 0
    assert np.isnan(nothing.share)


def test_weighted_kappa():
    lab = np.array([-3.0] * 4 + [0.0] * 5 + [3.0] * 6)
    field = np.array([-3, -3, 0, 3, -3, 0, 0, 0, 3, 0, 0, 3, 3, 3, -3], dtype=float)
    kappa = weighted_kappa(
        field, lab, cluster_resampling(np.arange(15), n_resamples=200, rng=1), threshold=1.0
    )
    # textbook loop: observed and expected disagreement, weights 0, 1/2, 1
    counts, observed, expected = np.array([[2, 1, 1], [1, 3, 1], [1, 2, 3]]), 0.0, 0.0
    for i in range(3):
        for j in range(3):
            weight = abs(i - j) / 2
            observed += weight * counts[i, j] / 15
            expected += weight * counts[i].sum() * counts[:, j].sum() / 15**2
    assert kappa.estimate == pytest.approx(1 - observed / expected, abs=1e-12)
    assert kappa.interval().contains(float(kappa.estimate[0]))


def test_response_is_mean_over_spread():
    rng = np.random.default_rng(1)
    lab, field = rng.normal(3, 2, 30), rng.normal(2, 3, 30)
    found = response_difference(
        field, lab, cluster_resampling(np.arange(30), n_resamples=500, rng=1)
    )
    wanted = field.mean() / field.std(ddof=1) - lab.mean() / lab.std(ddof=1)
    assert found.estimate == pytest.approx(wanted, rel=1e-9)
    assert found.interval().contains(wanted)


@given(st.floats(-10, 10))
@settings(max_examples=30)
def test_a_bias_that_lasts_cancels(shift):
    rows = THREE_VISITS
    moved = visit_changes(rows.assign(field=rows["field"] + shift))
    pd.testing.assert_frame_equal(moved, visit_changes(rows), atol=2e-6)


def test_unknown_laboratory_error_keeps_its_row_with_a_reason():
    frame = change_of(data()).to_frame().set_index("statistic")
    assert list(frame.index) == [
        "bias",
        "lower_limit",
        "upper_limit",
        "r",
        "slope",
        "same_direction",
        "same_direction_beyond_noise",
        "weighted_kappa",
        "response_difference",
        "responsiveness",
        "p_no_response",
        "p_full_response",
        "smallest_real_change",
        "real_change_on_card",
        "disagreement",
    ]
    net = frame.loc["responsiveness":"real_change_on_card"].drop(index="p_no_response")
    assert net["value"].isna().all()
    assert net["note"].str.startswith("not_estimable: the laboratory's own error is unknown").all()
    assert frame.loc["disagreement", "value"] > 0
    row = frame.loc["same_direction_beyond_noise"]
    assert np.isnan(row["value"])
    assert row["note"].startswith("not_estimable: the laboratory's own error is unknown")
    mass = ["mL/kg/min"] * 3
    assert frame["unit"].tolist() == [*mass, *["1"] * 9, *mass]


def test_whether_the_field_follows_needs_no_laboratory_error():
    found = change_of(data(DailyParts(gain=2, gain_sd=3)))
    fit = sm.OLS(found.changes["field"], sm.add_constant(found.changes["lab"])).fit()
    row = found.to_frame().set_index("statistic").loc["p_no_response"]
    assert row["value"] == pytest.approx(fit.pvalues["lab"], rel=1e-9)
    assert row["note"] == ""


def test_kinds_and_response_of_changes_have_rows_of_their_own():
    found = change_of(data(DailyParts(gain=2, gain_sd=3, share_repeated=0.5)))
    frame = found.to_frame().set_index("statistic")
    lab, field = found.changes["lab"], found.changes["field"]
    responses = [each.mean() / each.std(ddof=1) for each in (field, lab)]
    told = frame.loc["response_difference"]
    assert told["value"] == pytest.approx(responses[0] - responses[1], abs=1e-9)
    assert told["low"] < told["value"] < told["high"]
    kinds = [
        np.select([each < -found.worthwhile.zone, each > found.worthwhile.zone], [-1, 1], 0)
        for each in (lab, field)
    ]
    told = frame.loc["weighted_kappa"]
    assert told["value"] == pytest.approx(
        cohens_kappa(pd.crosstab(*kinds), wt="linear").kappa, abs=1e-9
    )
    assert told["low"] < told["value"] < told["high"]


def test_declared_and_measured_laboratory_error():
    declared = change_of(data(reference=Reference(sem=0.5)))
    assert declared.laboratory.assumed
    note = declared.to_frame().set_index("statistic").loc["same_direction_beyond_noise", "note"]
    assert note.startswith("assumed; ")
    measured = change_of(data(DailyParts(gain=2, gain_sd=3, share_repeated=0.5)))
    assert not measured.laboratory.assumed
    assert measured.laboratory.sd == pytest.approx(2.5, rel=0.3)


def test_noise_larger_than_the_changes_is_said():
    found = change_of(data(reference=Reference(sem=9.0)))
    assert found.all_noise
    assert found.summary().endswith("its own noise makes them: they do not tell who changed more.")
    frame = found.to_frame().set_index("statistic")
    assert frame.loc["r", "note"] == "changes differ no more than noise"
    row = frame.loc["same_direction_beyond_noise"]
    assert row["note"].startswith("not_estimable: no laboratory change exceeds")


def test_a_squad_that_rose_alike_is_not_said_to_have_stayed():
    rng = np.random.default_rng(8)
    lab, field = 6.0 + rng.normal(0, 0.7, (2, 20))  # beyond 2.8, the noise of one athlete's change
    known = LaboratoryVariance(1.0, 20)
    found = change(changes(lab, field), lab_spread=5.0, laboratory=known, rng=1)
    assert found.all_noise
    assert found.beyond_noise.kept == 20
    assert "no detectable" not in found.summary()


def test_several_changes_of_an_athlete_are_clustered():
    parts = DailyParts(n_athletes=30, visits=4, gain=2, gain_sd=2)
    found = change_of(
        data(parts, change=ChangeOptions(visits="consecutive"), reference=Reference(sem=1.0))
    )
    assert (found.n, found.n_pairs, len(found.changes)) == (30, 120, 90)
    notes = found.to_frame().set_index("statistic")["note"]
    assert notes["slope"] == "clustered"
    assert notes["same_direction"].startswith("clustered; ")
    few = replace(parts, n_athletes=12)  # 36 changes, which are not 36 athletes
    options = {"change": ChangeOptions(visits="consecutive"), "reference": Reference(sem=1.0)}
    assert change_of(data(few, **options)).chances_said() == {}
    assert len(found.chances_said()) == 30


def test_equal_changes_have_no_line():
    found = change(changes([2.0] * 5, [1.0, 2, 3, 4, 5]), lab_spread=5.0, rng=1)
    frame = found.to_frame().set_index("statistic")
    assert found.line is None
    assert frame.loc["slope", "note"] == "not_estimable: all changes are equal"
    ten = change(changes([2.0] * 10, range(10)), lab_spread=5.0, rng=1)
    row = ten.to_frame().set_index("statistic").loc["p_no_response"]
    assert row["note"] == "not_estimable: all changes are equal"
    flat = change(changes([1.0, 2, 3, 4, 5], [2.0] * 5), lab_spread=5.0, rng=1)
    assert flat.to_frame().set_index("statistic").loc["r", "note"].startswith("not_estimable")


def test_too_few():
    with pytest.raises(ValueError, match="at least 3 athletes; got 2"):
        change(changes([1.0, 2.0], [1.0, 2.0]), lab_spread=5.0)


@pytest.mark.slow
def test_coverage_of_limits_and_slope_of_changes():
    # error of change: day means of 7, laboratory twice: sd = sqrt(2 (2.5^2 + 1.5^2 / 7))
    parts, held = DailyParts(n_athletes=25, gain=2, gain_sd=4), 0
    upper = 1.959963984540054 * np.sqrt(2 * (2.5**2 + 1.5**2 / 7))
    for seed in range(120):
        (one,) = method_data(simulate_daily(parts, rng=seed))
        held += change_of(one).limits.upper_interval().contains(upper)
    assert held / 120 == pytest.approx(0.95, abs=3 * np.sqrt(0.95 * 0.05 / 120))


@pytest.mark.parametrize(("athletes", "said"), [(19, 0), (20, 20)])
def test_no_chance_is_said_of_fewer_than_twenty_changes(athletes, said):
    parts = DailyParts(n_athletes=athletes, gain=2, gain_sd=3)
    found = change_of(data(parts, seed=3, reference=Reference(sem=1.0)))
    chances = found.chances_said()
    assert len(chances) == said
    sides = {
        "change of +": " likely to be a rise of more than ",
        "change of -": " likely to be a fall of ",
    }
    for one in chances.values():
        assert sides[one[:11]] in one
