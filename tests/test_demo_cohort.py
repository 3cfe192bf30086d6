"""The invented study in the repository: what it holds, and that it can be made again."""

import gzip
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from simulate import simulate_cohort, write_demo_cohort

from agreement import report
from agreement.cohort import read_cohort
from agreement.physiology.stage_splits import session_splits
from agreement.tables.study import inspect_study
from agreement.tables.withdrawn import KEPT_FILE, KEY_FILE

DEMO = Path(__file__).parents[1] / "demo_cohort"


def staged_tests(demo):
    """Return the tests whose breaths hold more than the one long step that begins a ramp."""
    counts = demo.laboratory.stages["lab_test_id"].value_counts()
    return sorted(counts.index[counts > 2])


def test_a_written_study_is_readable(tmp_path):
    cohort = simulate_cohort(4, rng=13)
    study, problems = inspect_study(cohort.write(tmp_path / "study"))
    assert study is not None, [str(problem) for problem in problems]
    for name, frame in cohort.tables.items():
        assert len(getattr(study, name)) == len(frame)
    assert study.lab_tests["vo2max"].tolist() == cohort.tables["lab_tests"].iloc[:, 4].tolist()


def test_the_demo_is_small_and_says_where_it_comes_from():
    files = [path for path in DEMO.rglob("*") if path.is_file()]
    assert sum(path.stat().st_size for path in files) < 3_000_000
    assert "This study is invented" in (DEMO / "ORIGIN.md").read_text(encoding="utf-8")
    truth = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))
    assert len(truth["people"]) == 60
    assert sum(person["hr_limiting_drug"] == "yes" for person in truth["people"]) == 2


def test_the_demo_splits_the_error_of_sessions_as_the_truth_says(demo):
    """The equation misjudges a person by the person's own excess of the cost of running."""
    truth = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))
    economy = {person["athlete_id"]: person["economy"] for person in truth["people"]}
    split = session_splits(demo.laboratory.stages, demo.pairs)
    field = split.merge(demo.pairs.query("method == 'sessions_hr'"))["field"]
    excess = split["athlete_id"].map(economy)
    true_cost = (field - 3.5) * -excess
    assert len(split) >= 5
    assert (split["cost"] - true_cost).abs().max() < 2.0  # uptake lags, breaths are noisy
    assert np.corrcoef(split["cost"], true_cost)[0, 1] > 0.9


def test_the_demo_finds_what_running_costs_each_person(demo):
    truth = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))
    excess = {person["athlete_id"]: person["economy"] for person in truth["people"]}
    told = demo.evidence.economy
    costs = demo.laboratory.stages.groupby("lab_test_id")["cost"].mean()[told["lab_test_id"]]
    true = 1 + told["athlete_id"].map(excess) * (1 - 3.5 / costs.to_numpy())
    assert len(told) >= 5
    assert (told["cost_ratio"] - true).abs().max() < 0.02  # uptake lags, breaths are noisy


@pytest.mark.slow
def test_the_demos_report_shows_the_split_of_each_of_these_tests(demo):
    own = demo.pairs[demo.pairs["method"].eq("sessions_hr")]
    own = own[own["lab_test_id"].isin(staged_tests(demo))]
    assert len(own) >= 5
    html = report.why(demo).html
    assert f"heart rate: in {len(own)} pairs with measured stages the error of" in html
    listed = html[html.index("heart rate: the parts of each error") :]
    for athlete in own["athlete_id"]:
        assert f">{athlete}</th>" in listed


def test_breaths_in_stages_leave_the_typed_values_of_the_demo_as_they_are(demo):
    staged = staged_tests(demo)
    typed = demo.study.lab_tests.set_index("lab_test_id")["vo2max"][staged]
    measured = demo.laboratory.frame.set_index("lab_test_id")["lab"][staged]
    assert len(staged) == 8
    assert measured.to_dict() == pytest.approx(typed.to_dict(), abs=0.01)


def test_the_demo_names_no_address_and_no_position():
    for path in DEMO.rglob("*.*"):
        if path.suffix in {".csv", ".toml", ".md", ".json"}:
            text = path.read_text(encoding="latin-1").lower()
            for word in ("http", "www.", "@", "latitude", "longitude", "birth"):
                assert word not in text, f"{path.name} contains {word}"


def test_the_demo_is_readable_and_shows_the_dirt_that_its_note_lists(demo):
    study = demo.study
    # pairing names the rows of unknown athletes, after copies and repeated values
    found = {(problem.reason, problem.file) for problem in demo.problems}
    lab, shown = "laboratory.csv", "field_estimates.csv"
    assert found >= {
        ("no_mass", lab),
        ("converted", lab),
        ("hr_max_looks_wrong", lab),
        ("out_of_range", shown),
        ("missing_value", shown),
        ("unknown_athlete", shown),
        ("likely_match", shown),
        ("trimmed", shown),
        ("withdrawn", "athletes.csv"),
    }
    assert study.withdrawn["athletes.csv"] == 1
    assert study.lab_tests["temperature_c"].between(18, 24).all()
    night = study.field_estimates["instant"].dt.strftime("%H:%M") == "23:30"
    assert night.sum() == 1  # 00:30 in the study's zone is the day after
    one = study.field_estimates[night].iloc[0]
    assert one["date"] == one["instant"].normalize() + pd.Timedelta(days=1)


@pytest.mark.slow  # 10 s: with all raw records
def test_the_demo_gives_pairs_of_every_method_and_every_kind_of_exclusion():
    cohort = read_cohort(DEMO)
    athletes = cohort.pairs.groupby("method")["athlete_id"].nunique()
    assert (athletes[["wrist_a", "wrist_b"]] >= 50).all()
    assert (athletes[["run_12min_1968", "shuttle_20m_1988_adult"]] >= 40).all()
    assert athletes["sessions_hr"] >= 10
    assert set(cohort.exclusions["reason"]) >= {
        "copy",
        "conflicting_copy",
        "stale",
        "missing_value",
        "no_mass",
        "out_of_range",
        "unknown_athlete",
        "athlete_without_laboratory_test",
        "mode_mismatch",
        "outside_window",
        "same_day",
        "after_test",
        "too_few_readings",
        "no_estimate_in_window",
        "not_completed",
        "not_summarised",
        "withdrawn",
    }
    kinds = cohort.pairs["training_profile"].value_counts()
    assert kinds.drop("not enough data").min() > 40
    repeats = cohort.evidence.repeats.groupby("lab_test_id")["lab"]
    twice = repeats.var().dropna()
    # the laboratory's own error comes back: 2.6 put in
    assert np.sqrt(twice.mean()) == pytest.approx(2.6, rel=3 / np.sqrt(2 * len(twice)))


def content(path):
    data = path.read_bytes()
    return gzip.decompress(data) if path.suffix == ".gz" else data


@pytest.mark.slow  # 4 s: the whole study
def test_making_the_demo_again_gives_the_files_in_the_repository(tmp_path):
    made = write_demo_cohort(tmp_path / "demo")
    new = {p.relative_to(made): content(p) for p in made.rglob("*") if p.is_file()}
    old = {p.relative_to(DEMO): content(p) for p in DEMO.rglob("*") if p.is_file()}
    for kept in (KEY_FILE, KEPT_FILE):  # by a report that somebody made of the demo
        old.pop(Path(kept), None)
    assert set(new) == set(old)
    # compressed files are compared unpacked: compressors of other machines pack differently
    assert [str(name) for name in new if new[name] != old[name]] == []
