"""Sections on training, inputs, averaging and maxima, from a small study with raw records."""

import datetime as dt
import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from opened import Opened

from agreement import report
from agreement.cohort import read_cohort
from agreement.physiology.breath_tests import STAGE_COLUMNS
from agreement.physiology.training import profile_notes, stated_and_computed
from agreement.report.privacy.privacy import pseudonymous
from agreement.report.sections import training_sections as sections
from agreement.tables.options import StudyOptions

DAY = dt.date(2026, 3, 30)
PROFILES = ("long", "short", "mixed")


def write_records(root):
    """Write three runners of three profiles: sessions with records, a watch, and breaths."""
    rng = np.random.default_rng(2)
    (root / "samples").mkdir()
    (root / "breaths").mkdir()
    (root / "study.toml").write_text(
        '[study]\ntime_zone = "UTC"\n[profile]\nuse = "stated"\n', encoding="utf-8"
    )
    people, tests, sessions, watch = [], [], [], []
    for i, profile in enumerate(PROFILES):
        name = f"A{i}"
        people.append((name, "female", 30, 60, profile))
        tests.append((f"T{i}", name, DAY, "run", "" if i else 50, 60, 187, 1.2, 18))
        for k, speed in enumerate((2.6, 2.8, 3.0, 3.2)):
            started = dt.datetime.combine(DAY - dt.timedelta(days=5 - k), dt.time(7))
            sessions.append((f"S{i}{k}", name, started.isoformat(), "run", 22))
            t = np.arange(0, 1320, 5.0)
            pulse = 60 + 2.5 * (3.5 + 12 * speed) + rng.normal(0, 1 + i)
            beats = np.rint(pulse + rng.normal(0, 1, t.size))
            frame = pd.DataFrame({"t_s": t, "hr_bpm": beats, "speed_m_s": speed})
            frame.to_csv(root / "samples" / f"S{i}{k}.csv", index=False)
            watch.append((name, started.isoformat(), "watch", "run", 46 + i, 70, 187 - 15 * i))
        if i:
            t = np.arange(0, 500, 2.5)
            vo2 = np.minimum(1000 + 6 * t, 3000) + rng.normal(0, 60, t.size)
            breaths = pd.DataFrame({"t_s": t, "vo2_ml_min": np.round(vo2)})
            breaths.to_csv(root / "breaths" / f"T{i}.csv", index=False)
    tables = {
        "athletes": (people, "athlete_id sex age_years mass_kg training_profile"),
        "lab_tests": (
            tests,
            "lab_test_id athlete_id date mode vo2max_ml_kg_min mass_kg hr_max_bpm rer_max rpe_max",
        ),
        "sessions": (sessions, "session_id athlete_id started_at mode duration_min"),
        "field_estimates": (
            watch,
            "athlete_id taken_at method mode vo2max_ml_kg_min set_mass_kg set_hr_max_bpm",
        ),
    }
    for name, (rows, columns) in tables.items():
        pd.DataFrame(rows, columns=columns.split()).to_csv(root / f"{name}.csv", index=False)
    return root


def why(cohort):
    return report.why(cohort)


@pytest.fixture(scope="module")
def cohort(tmp_path_factory):
    return read_cohort(write_records(tmp_path_factory.mktemp("records")))


def test_a_panel_for_each_profile_and_the_table_beside_it(cohort):
    words = why(cohort)
    assert [one.name for one in words.pictures] == ["why-1", "why-2"]
    said = " ".join(one.alt for one in words.pictures)
    for profile in PROFILES:
        assert f"{profile}: the sessions of A" in said
        assert f">{profile}</td>" in words.html
    assert "line&#39;s standard error" in words.html


def test_coverage_and_error_of_each_athlete_the_least_certain_first(cohort):
    html = why(cohort).html
    listed = html[html.index("watch: athlete by athlete") :]
    cells = re.findall(r'<td class="number">([^<]+)</td>', listed)
    errors = [float(cell) for cell in cells[::3]]  # of three numbers in each row
    assert len(errors) == 3
    assert errors == sorted(errors, reverse=True)
    difference = cohort.pairs.query("method == 'watch'").set_index("athlete_id")["difference"]
    for value in difference:
        assert f"{abs(value):.1f}" in listed


@pytest.mark.slow
def test_the_error_of_sessions_is_split_where_the_test_had_stages_names_hidden_or_not(tmp_path):
    toml = write_records(tmp_path) / "study.toml"
    toml.write_text(toml.read_text(encoding="utf-8") + "[pairing]\nminimum_days = 1\n")
    cohort = read_cohort(tmp_path)
    costed, measured = [25.0, 30.0, 35.0], [23.0, 28.0, 33.0]  # the equation is 2 too dear
    stages = pd.DataFrame({"lab_test_id": "T1", "mode": "run", "cost": costed, "vo2": measured})
    stages = stages.reindex(columns=STAGE_COLUMNS)
    assert "pair by pair" not in why(cohort).html
    measured_there = replace(cohort, laboratory=replace(cohort.laboratory, stages=stages))
    own = cohort.pairs.query("method == 'sessions_hr' and athlete_id == 'A1'").iloc[0]
    for shown in (measured_there, pseudonymous(measured_there, b"key")):
        html = why(shown).html
        part = html[html.index("from the cost equation") :]
        said = f"is +2.0 from the cost equation and {own.difference - 2:+.1f}"
        assert said.replace("-", "\u2212") in re.sub("<[^>]+>", "", html)
        assert "Uptake lags behind a step up" in html
        assert "pair by pair" in part
    assert ">A1<" not in part


def test_people_on_drugs_that_limit_heart_rate_are_not_in_the_split(tmp_path):
    toml = write_records(tmp_path) / "study.toml"
    toml.write_text(toml.read_text(encoding="utf-8") + "[pairing]\nminimum_days = 1\n")
    people = pd.read_csv(tmp_path / "athletes.csv")
    people.assign(hr_limiting_drug="yes").to_csv(tmp_path / "athletes.csv", index=False)
    cohort = read_cohort(tmp_path)
    stages = pd.DataFrame(
        {"lab_test_id": "T1", "mode": "run", "cost": [25.0, 30, 35], "vo2": [23.0, 28, 33]}
    ).reindex(columns=STAGE_COLUMNS)
    assert len(cohort.pairs.query("method == 'sessions_hr'")) > 0
    measured = replace(cohort, laboratory=replace(cohort.laboratory, stages=stages))
    assert "measured stages" not in why(measured).html


def test_inputs_are_listed_by_expected_shift(cohort):
    html = Opened(cohort).inputs().html
    assert "an input to correct for 3 of 3 athletes" in html  # all are told 70 kg for 60
    assert html.index("157 bpm") < html.index("172 bpm") < html.index("70 kg")
    assert "not known" in html  # of mass, in running
    assert html.count("works per kilogram") == 1
    assert ">0.0<" not in html
    assert "\u221212.0" in html  # 30 beats too low
    assert "<td>187 bpm" not in html


def test_the_rule_in_use_is_marked_among_the_others(cohort):
    html = Opened(cohort).averaging_rules().html
    assert "<strong>moving 30 s, in use</strong>" in html
    assert html.index("moving 5 breaths") < html.index("moving 60 s")
    bare = replace(cohort.laboratory, averaging=cohort.laboratory.averaging.iloc[:0])
    nothing = Opened(replace(cohort, laboratory=bare)).averaging_rules().html
    assert not nothing


def test_maxima_are_counted(cohort):
    html = report.maxima(cohort).html
    assert "3 laboratory tests: 3 confirmed to be maximal, 0 not maximal by the criteria" in html
    assert "VO2peak" not in html


def test_pseudonyms_reach_every_section(cohort):
    hidden = pseudonymous(cohort, b"key")
    words = why(hidden)
    text = words.html + Opened(hidden).inputs().html + " ".join(p.alt for p in words.pictures)
    assert len(words.pictures) == 2
    assert not re.search(r"\bA[012]\b", text)


def test_a_study_without_sessions_has_no_section_on_them(small_study, tmp_path):
    cohort = read_cohort(small_study(tmp_path / "crew", athletes=3))
    words = why(cohort)
    assert words.pictures == ()
    assert words.html == ""
    assert "an input to correct for 0 of 3 athletes" in Opened(cohort).inputs().html


def test_stated_profiles_that_the_sessions_contradict_are_listed():
    profiles = pd.DataFrame(
        {
            "lab_test_id": ["T1", "T2", "T3", "T4"],
            "athlete_id": ["A1", "A2", "A3", "A4"],
            "profile": ["balanced", "balanced", "not enough data", "low-intensity volume"],
            "stated": ["balanced", "short high-intensity", "balanced", None],
            "zone1": [0.8, 0.75, 1.0, 0.9],
            "zone2": [0.15, 0.15, 0.0, 0.1],
            "zone3": [0.05, 0.10, 0.0, 0.0],
        }
    )
    html = sections.disagreement_block(profiles, use="computed").html
    assert "1 of 2 tests have another training profile" in html
    assert "this report goes by the computed one" in html
    assert "T2" in html
    assert "75 / 15 / 10" in html
    assert not re.search(r"T[134]", html)
    assert sections.disagreement_block(profiles.iloc[[3]], use="computed").html == ""


def test_a_squads_own_names_for_training_are_not_set_against_the_sessions():
    stated = ["rowing", "rowing", "balanced", None]
    profiles = pd.DataFrame({"profile": "balanced", "stated": stated})
    assert stated_and_computed(profiles).tolist() == [False, False, True, False]
    tests = pd.DataFrame({"file": "lab_tests.csv", "row": [2, 3, 4, 5]})
    assert profile_notes(profiles, tests) == ()
    assert len(profile_notes(profiles.assign(profile="short high-intensity"), tests)) == 1
    assert sections.disagreement_block(profiles.iloc[:2], use="stated").html == ""


def test_those_who_train_as_for_ultra_events_are_named_but_in_no_audit():
    profiles = pd.DataFrame({"athlete_id": ["B", "A", "C"], "ultra": ["yes", "yes", "no"]})
    told = SimpleNamespace(
        options=StudyOptions(),
        cohort=SimpleNamespace(laboratory=SimpleNamespace(profiles=profiles)),
        view=SimpleNamespace(rows=lambda frame: frame),
    )
    text = sections.ultra_block(told).html
    assert "2 athletes train as for ultra events (10 hours a week or more, a session of 240" in text
    assert text.strip().endswith(": A, B.</p>")
    told.view.rows = lambda _: None
    assert sections.ultra_block(told).html == ""
