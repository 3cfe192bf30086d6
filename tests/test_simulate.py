"""The simulator gives back what was put in, and its people behave as the published ones do."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from simulate import (
    DailyParts,
    simulate_cohort,
    simulate_daily,
    simulate_differences,
)
from simulate.field_tests import run_12min, shuttle_20m_stage
from simulate.kinds import KINDS
from simulate.laboratory import Laboratory, laboratory_test
from simulate.people import Person, Population, draw_people
from simulate.raw import breaths, highest_mean_30s, samples
from simulate.schedule import Schedule
from simulate.training import Body
from simulate.wrist import Told, Wrist, first_guess, vo2_on_hr

DEMO = Path(__file__).parents[1] / "demo_cohort"
QUIET = Body(hr_day_sd=0.0, drift=0.0, turning_cost=0.0, pace_sd=0.0)
AVERAGE = Person(
    athlete_id="S001",
    kind="balanced",
    sex="female",
    age_years=30,
    stature_cm=170,
    mass_kg=60,
    vo2max=50,
    gain=2,
    hr_max_bpm=190,
    hr_rest_bpm=55,
    economy=0,
    curvature=0,
    hr_limiting_drug="no",
    chest_strap=False,
    day_1=50,
    day_2=90,
)


@pytest.fixture(scope="module")
def cohort():
    return simulate_cohort(80, rng=7)


def errors(cohort, method):
    """Mean of the seven days before each test minus the truth of the test's day."""
    every = cohort.tables["field_estimates"]
    shown = every[every["method"].eq(method)]
    shown = shown.assign(day=shown["taken_at"].dt.normalize())
    tests = cohort.tables["lab_tests"].merge(cohort.tests[["lab_test_id", "truth"]])
    both = tests.merge(shown, on="athlete_id", suffixes=("_lab", ""))
    gap = (both["date"] - both["day"]).dt.days
    near = both[gap.between(1, 7)]
    means = near.groupby("lab_test_id").agg(
        athlete_id=("athlete_id", "first"),
        truth=("truth", "first"),
        field=("vo2max_ml_kg_min", "mean"),
    )
    kinds = cohort.people.set_index("athlete_id")["kind"]
    return means.assign(error=means["field"] - means["truth"], kind=means["athlete_id"].map(kinds))


# --- the same again -----------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_study_and_another_seed_another():
    once, again, other = (simulate_cohort(4, rng=seed) for seed in (1, 1, 2))
    for name, frame in once.tables.items():
        pd.testing.assert_frame_equal(frame, again.tables[name])
    assert not once.people["vo2max"].equals(other.people["vo2max"])


def test_a_generator_moves_on_and_a_seed_does_not():
    generator = np.random.default_rng(1)
    first, second = simulate_differences(5, rng=generator), simulate_differences(5, rng=generator)
    assert not np.array_equal(first, second)
    assert np.array_equal(first, simulate_differences(5, rng=1))


# --- truth recovered ----------------------------------------------------------------------------


def test_the_laboratory_strays_from_the_truth_by_its_own_error(cohort):
    # 2.58 mL/kg/min: Vickers, meta-analysis of 39 studies (read)
    tests = cohort.tables["lab_tests"].merge(cohort.tests, on=["lab_test_id", "athlete_id"])
    off = (tests["vo2max_ml_kg_min"] - tests["truth"])[tests["maximal"]]
    assert off.std() == pytest.approx(2.58, abs=3 * 2.6 / np.sqrt(2 * len(off)))
    assert off.mean() == pytest.approx(0, abs=3 * 2.6 / np.sqrt(len(off)))
    laboratory = Laboratory()
    # Katch, Sady & Freedson 1982 (read): at least nine tenths of the variation is biological
    assert laboratory.sem_biological**2 / laboratory.sem**2 >= 0.9


def test_a_test_cut_short_reads_low_and_meets_fewer_criteria():
    rng = np.random.default_rng(14)
    kinds = {share: Laboratory(share_maximal=share) for share in (0.0, 1.0)}
    short, whole = (
        pd.DataFrame([laboratory_test(AVERAGE, 50.0, laboratory, rng) for _ in range(400)])
        for laboratory in kinds.values()
    )
    # 3 to 9 % short: 6 % of 50 on average
    lost = whole["vo2max_ml_kg_min"].mean() - short["vo2max_ml_kg_min"].mean()
    assert lost == pytest.approx(3.0, abs=4 * 2.7 * np.sqrt(2 / 400))
    assert short["rer_max"].mean() < 1.10 < whole["rer_max"].mean()
    assert not short["plateau"].eq("yes").any()
    # a bout above the test's own value tells on it: three per cent is the tolerance
    over = short["verification_vo2max_ml_kg_min"] / short["vo2max_ml_kg_min"] - 1
    assert (over.dropna() > 0.03).mean() > 0.7


def test_the_gain_between_visits_is_the_one_asked_for():
    asked = Population(gain=3.0, gain_sd=1.0)
    people = draw_people(400, KINDS, asked, Schedule(), np.random.default_rng(2))
    gains = np.array([person.gain for person in people])
    assert gains.mean() == pytest.approx(3.0, abs=4 / np.sqrt(400))
    assert gains.std(ddof=1) == pytest.approx(1.0, rel=4 / np.sqrt(800))
    person = people[0]
    assert person.vo2max_on(person.day_1 - 30) == person.vo2max
    assert person.vo2max_on(person.day_2) == pytest.approx(person.vo2max + person.gain)
    halfway = (person.day_1 + person.day_2) / 2
    assert person.vo2max_on(halfway) == pytest.approx(person.vo2max + person.gain / 2)


def test_people_are_of_both_sexes_and_of_working_age_within_the_range_asked_for(cohort):
    people = cohort.people
    assert set(people["sex"]) == {"female", "male"}
    assert people["age_years"].between(20, 55).all()
    assert people["vo2max"].between(38, 68).all()
    assert people["kind"].value_counts().tolist() == [20, 20, 20, 20]


def test_field_tests_lead_back_to_what_was_run():
    # 2800 m <-> 51.31 and 13.0 km/h <-> 50.60: coefficients of Cooper 1968 and Leger 1988 (read);
    # both values computed from them, not printed
    rng = np.random.default_rng(3)
    best = max(run_12min(AVERAGE, 51.31, rng) for _ in range(4000))
    assert best == pytest.approx(2800, abs=10)
    stages = np.array([shuttle_20m_stage(AVERAGE, 50.60, rng) for _ in range(4000)])
    lost_by_half_stages = 0.25  # a stage is finished or not: half a half stage on average
    pacing = 0.01 * 47.1 / 6.003 / 0.5  # one per cent of the uptake above rest, in stages
    expected = (13.0 - 8) / 0.5 - lost_by_half_stages - pacing
    assert stages.mean() == pytest.approx(expected, abs=4 * stages.std() / np.sqrt(stages.size))
    assert set(stages % 0.5) == {0.0}


def test_a_dear_runner_covers_less_ground():
    dear = AVERAGE._replace(economy=0.06)
    rng = np.random.default_rng
    ran = [run_12min(AVERAGE, 50, rng(i)) - run_12min(dear, 50, rng(i)) for i in range(50)]
    # 6 % of the uptake above rest, 46.5, at 44.73 m per mL/kg/min, with at most a tenth lost
    assert np.mean(ran) == pytest.approx(44.73 * 46.5 * (1 - 1 / 1.06), rel=0.1)


# --- the mechanism ------------------------------------------------------------------------------


def test_extrapolation_agrees_with_an_independent_regression():
    rng = np.random.default_rng(4)
    hr = rng.uniform(115, 165, 12)
    vo2 = -20 + 0.4 * hr + rng.normal(0, 1.5, 12)
    used = np.vstack([np.ones(12), np.arange(12) < 7, np.arange(12) < 2]).astype(bool)
    value, error = vo2_on_hr(hr, vo2, 190, used)
    for row in (0, 1):
        fit = sm.OLS(vo2[used[row]], sm.add_constant(hr[used[row]])).fit()
        at_maximum = fit.get_prediction([1, 190])
        assert value[row] == pytest.approx(at_maximum.predicted[0], abs=1e-9)
        assert error[row] == pytest.approx(at_maximum.se_mean[0], abs=1e-9)
    assert np.isnan(value[2])


@pytest.mark.parametrize(
    ("low", "high", "noise", "expected"),
    [(110, 130, 3, -5.7), (110, 130, 5, -11.8), (120, 170, 3, -0.7)],
)
def test_noise_in_heart_rate_flattens_the_line_as_theory_says(low, high, noise, expected):
    """
    Bias of about -b (HRmax - mean HR) q/w.

    The figures are derived (slope 0.40, HRmax 190, 20 sessions), not printed by any source.
    """
    rng = np.random.default_rng(5)
    true_hr = rng.uniform(low, high, (3000, 20))
    vo2 = 56 + 0.40 * (true_hr - 190)
    seen = true_hr + rng.normal(0, noise, true_hr.shape)
    one = np.ones((1, 20), bool)
    found = np.array([vo2_on_hr(x, y, 190, one)[0][0] for x, y in zip(seen, vo2, strict=True)])
    bias = found.mean() - 56
    assert bias == pytest.approx(expected, abs=0.4)
    share_of_noise = noise**2 / ((high - low) ** 2 / 12 + noise**2)
    assert bias == pytest.approx(-0.40 * (190 - (low + high) / 2) * share_of_noise, rel=0.1)


def test_heart_rate_and_uptake_go_together_within_a_person(cohort):
    # mean r 0.990 on the treadmill: Swain 1998 (read); above 0.9 in everybody is common practice,
    # no source
    runs = cohort.tables["sessions"].query("mode == 'run'")["session_id"].head(200)
    traces = [cohort.traces[session] for session in runs]
    within = [np.corrcoef(trace.heart_rate, trace.speed)[0, 1] for trace in traces]
    assert np.median(within) > 0.9


def test_a_method_without_any_fault_reads_the_truth():
    perfect = Wrist(
        "perfect",
        wrist_sd=0.0,
        economy_known=1.0,
        hr_max_known=1.0,
        guess_sd=1e6,
        half_life_days=0.1,
        day_sd=0.0,
        resolution=0.001,
    )
    people = Population(curvature_sd=0.0, gain=0.0, gain_sd=0.0)
    cohort = simulate_cohort(24, population=people, body=QUIET, wrists=(perfect,), rng=6)
    off = errors(cohort, "perfect")["error"]
    # what is left is the HRmax, measured up to a few beats low, at about 0.35 mL/kg/min per beat
    assert off.between(-3.5, 0.6).all()
    assert off.mean() == pytest.approx(-0.35 * 2.0 * np.sqrt(2 / np.pi), abs=0.5)


def test_estimates_lie_within_a_few_units_where_training_covers_the_intensities(cohort):
    # 1 to 5 mL/kg/min from the laboratory: common practice, no source
    off = errors(cohort, "wrist_b")
    covered = off[off["kind"].isin(["balanced", "short high-intensity"])]
    assert 1 < covered["error"].abs().mean() < 5


def test_low_intensity_volume_reads_low_although_no_bias_is_typed_in(cohort):
    for method in ("wrist_a", "wrist_b"):
        by_kind = errors(cohort, method).groupby("kind")["error"].mean()
        assert by_kind["low-intensity volume"] < by_kind["short high-intensity"] - 1


def test_one_method_is_clearly_better_than_the_other(cohort):
    spread = {m: errors(cohort, m)["error"].std() for m in ("wrist_a", "wrist_b")}
    assert spread["wrist_b"] < 0.85 * spread["wrist_a"]


def test_one_person_in_five_told_a_stale_mass(cohort):
    told = cohort.told.merge(cohort.people, on="athlete_id", suffixes=("_told", ""))
    off = (told["mass_kg_told"] / told["mass_kg"] - 1).abs()
    # 2 % is where the report begins to flag a mass; chance adds 3 standard errors of 160 people
    assert (off > 0.035).mean() == pytest.approx(0.2, abs=3 * np.sqrt(0.2 * 0.8 / 160))


def test_a_mass_told_too_high_lowers_the_first_guess_in_proportion():
    # 50.0 -> 46.7 (-6.7 %) for 5 kg on 70 kg: derived, a value in L/min over the wrong mass
    right, high = (first_guess(AVERAGE, Told(mass, 190, 30)) for mass in (70, 75))
    assert 50.0 * high / right == pytest.approx(46.7, abs=0.05)


def test_each_method_shows_its_own_steps(cohort):
    shown = cohort.tables["field_estimates"]
    for method, step in (("wrist_a", 1.0), ("wrist_b", 0.1)):
        steps = shown.loc[shown["method"].eq(method), "vo2max_ml_kg_min"] / step
        assert np.allclose(steps, steps.round())


def test_training_of_each_kind_looks_like_its_name(cohort):
    # thresholds of zones and labels: the authors' choice, common practice, no source
    sessions = cohort.tables["sessions"].merge(cohort.people[["athlete_id", "kind"]])
    by_person = sessions.groupby(["kind", "athlete_id"])
    zones = by_person[["zone1_min", "zone2_min", "zone3_min"]].sum()
    share = zones.div(zones.sum(axis=1), axis=0)
    middle = by_person["duration_min"].median()
    stop_and_go = by_person["intermittent"].apply(lambda flags: flags.eq("yes").mean())
    low = (share["zone1_min"] >= 0.85) & (share["zone3_min"] < 0.05) & (middle >= 75)
    high = (share["zone1_min"] < 0.80) & (share["zone3_min"] >= 0.20) & (middle <= 50)
    assert low["low-intensity volume"].mean() > 0.8
    assert high["short high-intensity"].mean() > 0.8
    assert not (low | high)["balanced"].any()
    assert (stop_and_go["intermittent sport"] >= 0.40).mean() > 0.8
    assert stop_and_go.drop("intermittent sport").eq(0).all()


def test_zone_minutes_add_up_to_the_duration(cohort):
    sessions = cohort.tables["sessions"]
    total = sessions[["zone1_min", "zone2_min", "zone3_min"]].sum(axis=1)
    assert (total == sessions["duration_min"]).all()


# --- raw records --------------------------------------------------------------------------------


def test_breaths_carry_the_value_asked_for_and_the_phases_in_order():
    record = breaths(AVERAGE, 52.0, 1.15, np.random.default_rng(8))
    assert list(record["phase"].drop_duplicates()) == ["rest", "warmup", "exercise", "recovery"]
    calm = record["vo2_ml_min"].where(record["vo2_ml_min"] < 1.35 * 52 * 60)  # without coughs
    inside = (record["phase"] == "exercise").to_numpy() & calm.notna().to_numpy()
    found = highest_mean_30s(record["t_s"].to_numpy(), record["vo2_ml_min"].to_numpy(), inside)
    assert found / 60 == pytest.approx(52.0, abs=0.3)
    at_end = record[record["phase"] == "exercise"].tail(10)
    assert (at_end["vco2_ml_min"] / at_end["vo2_ml_min"]).mean() == pytest.approx(1.15, abs=0.02)


def test_the_mean_over_30_s_is_that_of_a_slow_reckoning():
    rng = np.random.default_rng(9)
    t, v = np.cumsum(rng.uniform(1, 3, 120)), rng.normal(50, 5, 120)
    inside = (t > 20) & (t < 170)
    start = t[inside][0]
    slow = max(
        v[inside & (t <= end) & (t > end - 30)].mean() for end in t[inside] if end >= start + 30
    )
    assert highest_mean_30s(t, v, inside) == pytest.approx(slow)


def test_samples_follow_the_minutes_of_their_session(cohort):
    trace = next(iter(cohort.traces.values()))
    record = samples(trace, 0.0, np.random.default_rng(1))
    assert (record["t_s"].diff().dropna() == 5).all()
    on_the_minute = record[record["t_s"] % 60 == 0]
    assert np.allclose(on_the_minute["hr_bpm"], trace.heart_rate, atol=4)


# --- known parts --------------------------------------------------------------------------------

EVERYTHING = DailyParts(
    n_athletes=3000,
    visits=1,
    days=6,
    bias=-2.0,
    sd_laboratory=2.5,
    sd_day=1.4,
    sd_athlete=1.5,
    sd_visit=1.0,
    share_repeated=0.4,
    profiles={"balanced": 1.0, "low-intensity volume": -3.0},
    mass_slope=0.3,
    hr_max_slope=0.2,
    strap_effect=1.5,
    level_slope=-0.1,
)


@pytest.fixture(scope="module")
def known():
    return simulate_daily(EVERYTHING, rng=10)


def test_the_parts_of_a_difference_add_up(known):
    difference = known.daily["field"] - known.daily["lab"]
    expected = EVERYTHING.variances()["total"]
    assert difference.var() == pytest.approx(expected, rel=4 * np.sqrt(2 / 3000))
    mean = -2.0 + (1.0 - 3.0) / 2 + 1.5 / 2
    assert difference.mean() == pytest.approx(mean, abs=4 * np.sqrt(expected / 3000))


def test_laboratory_repeats_and_days_vary_as_asked(known):
    tests = known.repeats.groupby("lab_test_id")["lab"]
    twice = tests.size().eq(2)
    assert twice.mean() == pytest.approx(0.4, abs=0.04)
    within = tests.var()[twice].mean()
    assert within == pytest.approx(2.5**2, rel=4 * np.sqrt(2 / twice.sum()))
    days = known.daily.groupby("lab_test_id")["field"].var().mean()
    assert days == pytest.approx(1.4**2, rel=4 * np.sqrt(2 / 15_000))


def test_each_cause_moves_the_difference_by_what_was_asked(known):
    pairs = known.pairs
    causes = pd.DataFrame(
        {
            "mass": pairs["mass_mismatch_pct"],
            "hr_max": pairs["hr_max_mismatch_bpm"],
            "strap": pairs["sensor"].eq("chest_strap").astype(float),
            "profile": pairs["training_profile"].eq("low-intensity volume").astype(float),
        }
    )
    fit = sm.OLS(pairs["difference"], sm.add_constant(causes)).fit()
    asked = np.array([0.3, 0.2, 1.5, -4.0])
    assert (np.abs(fit.params.iloc[1:] - asked) < 4 * fit.bse.iloc[1:]).all()


def test_the_noise_of_neighbouring_days_is_correlated_as_asked():
    parts = DailyParts(n_athletes=4000, visits=1, days=2, rho=0.6, sd_day=2.0)
    daily = simulate_daily(parts, rng=11).daily
    steps = daily.groupby("lab_test_id")["field"].diff().dropna()
    # the difference of two days has variance 2 (1 - rho) sd^2
    expected = 2 * (1 - 0.6) * 2.0**2
    assert steps.var() == pytest.approx(expected, rel=4 * np.sqrt(2 / 4000))


def test_pairs_are_the_means_of_their_days_and_of_their_tests(known):
    one = known.pairs.iloc[7]
    days = known.daily.query("lab_test_id == @one.lab_test_id")
    tests = known.repeats.query("lab_test_id == @one.lab_test_id")
    assert one["field"] == pytest.approx(days["field"].mean())
    assert one["lab"] == pytest.approx(tests["lab"].mean())
    assert one["difference"] == pytest.approx(one["field"] - one["lab"])


def test_plain_differences_have_the_spread_asked_for():
    d = simulate_differences(
        400, bias=-3, sd_between=4, sd_within=2, repeats=3, simulations=50, rng=12
    )
    within = d.var(axis=2, ddof=1).mean()
    means = d.mean(axis=2)
    assert within == pytest.approx(4.0, rel=4 * np.sqrt(2 / 40_000))
    assert means.var(ddof=1) == pytest.approx(16 + 4 / 3, rel=4 * np.sqrt(2 / 20_000))
    assert d.mean() == pytest.approx(-3, abs=4 * np.sqrt(18 / 20_000))
