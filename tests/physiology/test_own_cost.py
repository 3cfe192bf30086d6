"""The error of an estimate from sessions, split by what work costs the athlete in the laboratory."""

import numpy as np
import pandas as pd
import pytest
from invented_runner import PER_VO2, START, steady_run
from scipy import stats
from simulate.people import Person
from simulate.raw import STAGE_SHARES, staged_breaths
from turns import slowly

from agreement.cohort import read_cohort
from agreement.physiology.equations import running_vo2
from agreement.physiology.heart_rate import heart_rate_extrapolation
from agreement.physiology.stage_splits import own_cost, session_splits
from agreement.physiology.stages import stages
from agreement.stats.causes.error_split import SplitErrors

COSTED = np.array([26.0, 31.0, 36.0, 41.0, 46.0])
MEASURED = np.array([24.1, 29.7, 33.2, 38.8, 45.2])  # the last above nine tenths of 50


def pair(field, lab, test="T1", mode="run", method="sessions_hr"):
    return {"athlete_id": "A", "lab_test_id": test, "method": method, "mode": mode,
            "field": field, "lab": lab}  # fmt: skip


def table(costed, measured, test="T1", mode="run"):
    return pd.DataFrame({"lab_test_id": test, "mode": mode, "cost": costed, "vo2": measured})


def test_own_cost_is_the_regression_of_measured_on_costed_uptake_below_the_maximum():
    line = own_cost(COSTED, MEASURED, vo2max=50.0)
    other = stats.linregress(COSTED[:4], MEASURED[:4])  # independent: scipy
    assert (line.intercept, line.slope) == pytest.approx((other.intercept, other.slope))
    assert line.n_stages == 4


@pytest.mark.parametrize(
    ("costed", "measured"),
    [
        (COSTED[:2], MEASURED[:2]),  # two stages
        ([], []),
        ([30.0, 30.0, 30.0], [29.0, 30.0, 31.0]),  # one work rate
        ([26.0, 31.0, 36.0], [38.0, 36.0, 34.0]),  # falls as the work rises
        (COSTED, MEASURED + 30),  # all near the maximum
    ],
)
def test_stages_that_tell_no_cost_give_none(costed, measured):
    assert own_cost(costed, measured, vo2max=50.0) is None
    assert session_splits(table(costed, measured), pd.DataFrame([pair(52.0, 50.0)])).empty


def test_the_split_is_that_of_the_line_fitted_again_with_the_athletes_own_uptake():
    """Slow way: turn the uptake of every session point into the athlete's own, and fit once more."""
    rng = np.random.default_rng(4)
    costed = rng.uniform(25, 42, 40)
    pulse = 60 + 2.5 * costed + rng.normal(0, 3, 40)
    field = heart_rate_extrapolation(pulse, costed, 190, form="hr_on_vo2").vo2max
    b = stats.linregress(COSTED[:4], MEASURED[:4])
    again = stats.linregress(b.intercept + b.slope * costed, pulse)
    by_own_cost = (190 - again.intercept) / again.slope
    found = session_splits(table(COSTED, MEASURED), pd.DataFrame([pair(field, 50.0)])).iloc[0]
    assert found["cost"] == pytest.approx(field - by_own_cost, rel=1e-9)
    assert found["heart_rate"] == pytest.approx(by_own_cost - 50.0, rel=1e-9)
    assert found["total"] == pytest.approx(field - 50.0)
    assert found["n_points"] == 4


def test_only_the_session_method_in_the_mode_of_the_stages_is_split():
    pairs = pd.DataFrame(
        [
            pair(52.0, 50.0),
            pair(51.0, 50.0, test="T2"),
            pair(50.0, 50.0, method="watch"),
            pair(50.0, 50.0, mode="cycle"),
        ]
    )
    found = session_splits(table(COSTED, MEASURED), pairs)
    assert found["lab_test_id"].tolist() == ["T1"]
    assert (
        SplitErrors(found).summary().startswith("In 1 pair with measured stages the error of +2.0")
    )


def runner(economy):
    return Person(
        athlete_id="A", kind="balanced", sex="male", age_years=30, stature_cm=180, mass_kg=70,
        vo2max=55, gain=0, economy=economy, hr_max_bpm=190, hr_rest_bpm=50, curvature=0.0,
        hr_limiting_drug="no", chest_strap=True, day_1=0, day_2=42,
    )  # fmt: skip


def runner_stages(economy, seed):
    """Stages of a simulated test, as the tool cuts them."""
    record = staged_breaths(runner(economy), 55.0, 1.15, np.random.default_rng(seed))
    record = record[record["phase"] == "exercise"]
    t, vo2 = record["t_s"].to_numpy(), record["vo2_ml_min"].to_numpy()
    cost = running_vo2(record["speed_m_s"].to_numpy() * 60, record["grade"].to_numpy())
    return [(one.cost, one.end.mean() / 70) for one in stages(t, vo2, cost)]


def test_the_split_recovers_a_cost_and_a_heart_rate_error_that_are_known():
    """The field value is made of both: what the equation misjudges, and an error of heart rate."""
    costs = []
    for seed, economy in enumerate(np.linspace(-0.10, 0.10, 21)):
        costed, measured = zip(*runner_stages(economy, seed), strict=True)
        assert len(costed) == len(STAGE_SHARES)
        by_heart_rate = 55.0 + 3.0  # carried 3 mL/kg/min too far
        field = 3.5 + (by_heart_rate - 3.5) / (1 + economy)  # as the equation would cost it
        found = session_splits(table(costed, measured), pd.DataFrame([pair(field, 55.0)]))
        costs.append((found["cost"].iloc[0], field - by_heart_rate, found["heart_rate"].iloc[0]))
    cost, true_cost, heart_rate = np.array(costs).T
    error = cost - true_cost
    assert abs(error.mean()) < 3 * error.std(ddof=1) / np.sqrt(error.size) + 0.5  # uptake lags
    assert error.std(ddof=1) < 1.5
    assert stats.linregress(true_cost, cost).slope == pytest.approx(1, abs=0.15)
    assert heart_rate.mean() == pytest.approx(3.0, abs=0.8)


@pytest.mark.parametrize(("minutes", "within"), [(2, 1.0), (3, 0.2)])
@pytest.mark.parametrize(("before", "sign"), [(4.7, 1), (25.0, -1)])  # rest, or a warm-up
def test_what_the_lag_of_uptake_shifts_between_the_parts_is_as_the_report_says(
    minutes, within, before, sign
):
    costed = 3.5 + 48.5 * np.array([0.52, 0.62, 0.72, 0.82, 0.92])
    now, measured = before, []
    for goal in costed:  # second by second, time constant 35 s
        seconds = []
        for _ in range(60 * minutes):
            now += (goal - now) / 35
            seconds.append(now)
        measured.append(np.mean(seconds[-60:]))
    line = own_cost(costed, measured, vo2max=52.0)
    shifted = line.intercept + line.slope * 52.0 - 52.0  # no error of cost was put in
    assert 0 < sign * shifted < within


DAY = pd.Timestamp("2026-03-30")


def recorded_study(root, economy, hr_max, speeds=(9.0, 12.5, 9.5, 12.0, 10.0, 11.5)):
    """Write six runs with samples and a test in stages of a runner of 52 mL/kg/min."""
    (root / "samples").mkdir()
    (root / "breaths").mkdir()
    (root / "study.toml").write_text('[study]\ntime_zone = "UTC"\n', encoding="utf-8")
    (root / "athletes.csv").write_text("athlete_id,sex,age_years,mass_kg\nA,male,30,70\n")
    (root / "lab_tests.csv").write_text(
        f"lab_test_id,athlete_id,date,mode,mass_kg,hr_max_bpm\nT,A,{DAY.date()},run,70,{hr_max}\n"
    )
    record = staged_breaths(runner(economy), 52.0, 1.15, np.random.default_rng(1))
    record.drop(columns="hr_bpm").to_csv(root / "breaths/T.csv", index=False)
    lines = ["session_id,athlete_id,started_at,mode,duration_min,sensor"]
    for i, speed in enumerate(speeds):
        # the heart answers what the speed costs this runner: the dearer, the faster it beats
        samples = steady_run(speed, i)
        samples["hr_bpm"] += np.rint(PER_VO2 * 0.2 * speed * 1000 / 60 * economy)
        samples.to_csv(root / f"samples/S{i}.csv", index=False)
        started = DAY - pd.Timedelta(days=6 - i) + pd.Timedelta(hours=7)
        lines.append(f"S{i},A,{started.isoformat()},run,22,chest_strap")
    (root / "sessions.csv").write_text("\n".join(lines) + "\n")
    return read_cohort(root)


@pytest.mark.parametrize(
    ("economy", "hr_max", "used"),
    [  # typed 5 beats too high; none: expected from age (Tanaka)
        (-0.08, 195, 195),
        (0.08, "", 208 - 0.7 * 30),
        *slowly([(0.08, 195, 195), (-0.08, "", 208 - 0.7 * 30)]),
    ],
)
def test_both_errors_put_into_a_study_folder_come_out_of_it(tmp_path, economy, hr_max, used):
    cohort = recorded_study(tmp_path, economy, hr_max)
    carried = (used - START) / PER_VO2  # where heart rate alone leads; the truth is 52, at 190
    as_costed = 3.5 + (carried - 3.5) / (1 + economy)
    found = session_splits(cohort.laboratory.stages, cohort.pairs).iloc[0]
    assert found["heart_rate"] == pytest.approx(carried - 52, abs=1.0)  # uptake lags
    assert found["cost"] == pytest.approx(as_costed - carried, abs=1.0)
    assert found["total"] == cohort.pairs["difference"].item()


def test_an_estimate_that_the_guards_refuse_has_no_split(tmp_path):
    cohort = recorded_study(tmp_path, 0.08, 195, speeds=(10.0, 10.2, 10.4, 10.1, 10.3, 10.5))
    assert len(cohort.laboratory.stages) >= 3
    found = session_splits(cohort.laboratory.stages, cohort.pairs)
    assert found.empty
    assert "extrapolation_refused" in set(cohort.exclusions["reason"])


def test_stages_are_stretches_at_one_work_rate_and_their_last_minute():
    t = np.arange(0.0, 480, 3)
    cost = np.select([t < 180, t < 240, t < 420], [30.0, 35.0, 40.0], 45.0)
    vo2 = np.where((t >= 120) & (t < 180), 2100.0, np.where(t >= 360, 2800.0, 1000.0))
    found = stages(t, vo2, cost)
    assert [one.cost for one in found] == [30.0, 35.0, 40.0, 45.0]
    assert [one.end is None for one in found] == [False, True, False, True]  # one minute: too short
    assert set(found[0].end) == {2100.0}
    assert set(found[2].end) == {2800.0}


def test_a_ramp_and_an_unknown_work_rate_have_no_stages():
    t = np.arange(0.0, 600, 3)
    assert all(one.end is None for one in stages(t, t, 20 + t / 20))
    assert stages(t, t, np.where(t > 500, np.nan, 30.0)) == []
    assert stages(t[:0], t[:0], t[:0]) == []
