"""What an earlier run made of raw files is what this one would; whatever changed is read."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from turns import slowly

from agreement.cohort import read_cohort
from agreement.physiology.breath_tests import BREATHS_ELSEWHERE, BreathFile, computed_file
from agreement.physiology.session_records import SAMPLES_ELSEWHERE, SampleFile, reduced_file
from agreement.report.run import kept, kept_samples, second
from agreement.report.run.kept_samples import KeptBreaths, KeptSamples
from agreement.report.run.own_report import checksums
from agreement.report.run.write import write_report
from agreement.tables.options import Confirmation, FileFormat, Reference, StudyOptions

DEMO = Path(__file__).parents[2] / "demo_cohort"


def session(folder, name, ids, rows):
    lines = ["session_id,t_s,hr_bpm,speed_m_s,grade"]
    rng = np.random.default_rng(rows)
    for one in ids:
        beats = 130 + rng.integers(0, 9, rows)
        lines += [f"{one},{5 * t},{bpm},3.{t % 7},0" for t, bpm in enumerate(beats)]
        lines.append(f"{one},0,140,3.0,0")  # runs backwards: there is something to tell
    (folder / name).write_text("\n".join(lines) + "\n")
    return SampleFile(
        folder / name, name, np.arange(len(ids)), np.array(ids), np.array(["run"] * len(ids))
    )


@pytest.fixture
def files(tmp_path):
    return [session(tmp_path, "a.csv", ["S1", "S2"], 400), session(tmp_path, "b.csv", ["S3"], 300)]


@pytest.fixture
def read(monkeypatch):
    """The files that were read, in their order."""
    names = []
    monkeypatch.setattr(
        kept_samples,
        "reduced_file",
        lambda form, one: names.append(one.name) or reduced_file(form, one),
    )
    return names


def alike(one, other):
    assert one[0] == other[0]
    assert one[1].unusable == other[1].unusable
    for name in ("valid_share", "backward", "rows", "points"):
        ours, theirs = getattr(one[1], name), getattr(other[1], name)
        assert ours.dtype == theirs.dtype
        np.testing.assert_array_equal(ours, theirs)
    for ours, theirs in zip(one[1].times, other[1].times, strict=True):
        assert ours.dtype == theirs.dtype
        np.testing.assert_array_equal(ours, theirs)


def test_what_is_kept_is_what_was_read_and_is_not_read_again(files, read, tmp_path):
    place = tmp_path / "kept"
    first = list(KeptSamples(place, "k")(None, files))
    second = list(KeptSamples(place, "k")(None, files))
    assert read == ["a.csv", "b.csv"]
    for one, again, file in zip(first, second, files, strict=True):
        alike(again, reduced_file(None, file))
        alike(one, again)
    assert first[0][1].points.size
    assert place.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("what", ["bytes", "name", "ids", "mode", "form", "key", "damage", "gone"])
def test_each_change_is_read_again_and_the_rest_is_not(files, read, tmp_path, what):
    place, key, form = tmp_path / "kept", "k", None
    list(KeptSamples(place, key)(form, files))
    read.clear()
    again = {"key": ["a.csv", "b.csv"], "damage": ["a.csv", "b.csv"], "form": ["a.csv", "b.csv"]}
    expected = again.get(what, ["b.csv"])
    file = files[1]
    if what == "bytes":
        file.path.write_bytes(file.path.read_bytes().replace(b"3.1", b"3.2", 1))
    elif what == "name":
        file, expected = file._replace(name="c.csv"), ["c.csv"]
    elif what == "ids":
        file = file._replace(session_id=np.array(["S4"]))
    elif what == "mode":
        file = file._replace(mode=np.array(["cycle"]))
    elif what == "form":
        form = replace(FileFormat(), units={"speed_m_s": "km/h"})
    elif what == "key":
        key = "another"
    elif what == "damage":
        place.write_bytes(
            place.read_bytes().replace(b'"data"', b'"date"').replace(b"AAA", b"AAB", 1)
        )
    else:
        file.path.unlink()
    found = list(KeptSamples(place, key)(form, [files[0], file]))
    assert read == expected
    for one, whole in zip(found, [files[0], file], strict=True):
        now = reduced_file(form, whole)
        if now[1] is None:
            assert one == now
        else:
            alike(one, now)


def test_a_file_that_stops_the_study_and_one_that_is_not_used_are_not_kept(files, read, tmp_path):
    place = tmp_path / "kept"
    files[0].path.write_text("nothing\n")
    list(KeptSamples(place, "k")(None, files))
    assert len(json.loads(place.read_bytes().partition(b"\n")[2])) == 1
    KeptSamples(place, "k")  # a run that reads no sessions
    assert not place.exists()
    read.clear()
    list(KeptSamples(place, "k")(None, files))
    assert read == ["a.csv", "b.csv"]


def recording(path, name, seed):
    """Write the breaths of a ramp on a treadmill, and return what is known of its test."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 600.0, 3.0)
    uptake = np.minimum(900.0 + 5.0 * t, 3600.0) + rng.normal(0.0, 60.0, t.size)
    lines = ["t_s,vo2_ml_min,vco2_ml_min,ve_l_min,hr_bpm,speed_m_s,grade"]
    lines += [
        f"{s:.1f},{v:.0f},{v * (0.8 + s / 2000):.0f},{v / 28:.1f},{100 + s / 7:.0f},{2 + s / 250:.2f},0"
        for s, v in zip(t, uptake, strict=True)
    ]
    path.write_text("\n".join(lines) + "\n")
    numbers = dict.fromkeys(("exercise_start_s", "exercise_end_s", "rer_max"), float("nan"))
    numbers |= dict.fromkeys(("exercise_start_clock_s", "exercise_end_clock_s"), float("nan"))
    numbers |= {"barometric_pressure_mmhg": float("nan"), "vo2max": 44.0, "mass_kg": 70.0}
    told = {"lab_test_id": name, "mode": "run", "plateau": "unknown", "file": "lab_tests.csv"}
    told |= {"date": pd.Timestamp("2026-03-02"), "averaging_rule": "moving 30 s", "row": 2}
    return BreathFile(
        path, path.name, ({**told, **numbers},), ("moving 30 s",), None, StudyOptions()
    )


@pytest.fixture
def ramps(tmp_path):
    return [recording(tmp_path / f"{one}.csv", one, n) for n, one in enumerate(("L1", "L2"))]


@pytest.fixture
def tested(monkeypatch):
    """The breath files that were computed, in their order."""
    names = []
    monkeypatch.setattr(
        kept_samples, "computed_file", lambda one: names.append(one.name) or computed_file(one)
    )
    return names


def same_tests(one, other):
    assert one[0] == other[0]
    for ours, theirs in zip(one[1], other[1], strict=True):
        for mine, whole in zip(ours, theirs, strict=True):
            if isinstance(whole, pd.DataFrame):
                pd.testing.assert_frame_equal(mine, whole, check_exact=True)
            else:
                assert mine == whole


def test_tests_that_are_kept_are_those_that_were_computed(ramps, tested, tmp_path):
    place = tmp_path / "kept"
    first = list(KeptBreaths(place, "k")(ramps))
    second = list(KeptBreaths(place, "k")(ramps))
    assert tested == ["L1.csv", "L2.csv"]
    for one, again, ramp in zip(first, second, ramps, strict=True):
        whole = computed_file(ramp)
        same_tests(one, whole)
        same_tests(again, whole)
        assert whole[1][0].rules["vo2max"].notna().all()
        assert whole[1][0].problems
    assert place.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize(
    ("what", "expected"),
    [
        ("bytes", ["L2.csv"]),
        ("typed value", ["L2.csv"]),
        ("rule", ["L2.csv"]),
        ("reference", ["L2.csv"]),
        ("key", ["L1.csv", "L2.csv"]),
        ("damage", ["L1.csv", "L2.csv"]),
        ("nothing", []),
        *slowly((name, ["L2.csv"]) for name in ("mass", "row", "form", "confirmed", "gone")),
        *slowly([("name", ["c.csv"])]),
    ],
)
def test_each_change_of_a_test_is_computed_again_and_the_rest_is_not(
    ramps, tested, tmp_path, what, expected
):
    place, key = tmp_path / "kept", "k"
    list(KeptBreaths(place, key)(ramps))
    tested.clear()
    ramp = ramps[1]
    changed = {"typed value": {"vo2max": 51.0}, "mass": {"mass_kg": 71.0}, "row": {"row": 3}}
    if what in changed:
        ramp = ramp._replace(tests=({**ramp.tests[0], **changed[what]},))
    elif what == "bytes":
        ramp.path.write_bytes(ramp.path.read_bytes().replace(b",0\n9", b",0.01\n9", 1))
    elif what == "name":
        ramp = ramp._replace(name="c.csv")
    elif what == "rule":
        ramp = ramp._replace(rules=("moving 15 breaths",))
    elif what == "form":
        ramp = ramp._replace(form=replace(FileFormat(), units={"vo2_ml_min": "L/min"}))
    elif what == "reference":
        ramp = ramp._replace(options=StudyOptions(reference=Reference(edit_breaths=True)))
    elif what == "confirmed":
        known = {"twins": Confirmation("looked at", pd.Timestamp("2026-03-02").date())}
        ramp = ramp._replace(options=StudyOptions(confirm=known))
    elif what == "key":
        key = "another"
    elif what == "damage":
        place.write_bytes(place.read_bytes().replace(b'"text", "L', b'"text", "M', 1))
    elif what == "gone":
        ramp.path.unlink()
    found = list(KeptBreaths(place, key)([ramps[0], ramp]))
    assert tested == expected
    for one, whole in zip(found, [ramps[0], ramp], strict=True):
        same_tests(one, computed_file(whole))


def test_breaths_that_stop_a_study_and_those_not_used_are_not_kept(ramps, tmp_path):
    place = tmp_path / "kept"
    ramps[0].path.write_text("nothing\n")
    list(KeptBreaths(place, "k")(ramps))
    assert len(json.loads(place.read_bytes().partition(b"\n")[2])) == 1
    list(KeptBreaths(place, "k")(ramps[:1]))
    assert json.loads(place.read_bytes().partition(b"\n")[2]) == {}
    KeptBreaths(place, "k")
    assert not place.exists()


def test_two_files_kept_at_once_do_not_meet_under_one_name(tmp_path, monkeypatch):
    """Samples and breaths of a study are kept by one process, under names that differ at the end."""
    under, replace_with = [], Path.replace
    monkeypatch.setattr(Path, "replace", lambda one, to: under.append(one) or replace_with(one, to))
    for ending in ("samples", "breaths"):
        kept.write_checked(tmp_path / f"{'0' * 24}.{ending}", {"key": ""}, {})
    assert len(set(under)) == 2


@pytest.mark.slow
def test_a_study_reads_over_what_is_kept(read, tested, tmp_path):
    study = shutil.copytree(DEMO, tmp_path / "demo")
    plain = read_cohort(study)
    for first in (True, False):
        read.clear()
        tested.clear()
        with (
            SAMPLES_ELSEWHERE.by(KeptSamples(tmp_path / "kept", "k")),
            BREATHS_ELSEWHERE.by(KeptBreaths(tmp_path / "breaths", "k")),
        ):
            found = read_cohort(study)
        assert len(read) == first * len(list((study / "samples").iterdir()))
        assert len(tested) == first * len(found.study.breaths)
        pd.testing.assert_frame_equal(found.laboratory.frame, plain.laboratory.frame)
        pd.testing.assert_frame_equal(found.laboratory.thresholds, plain.laboratory.thresholds)
        assert found.problems == plain.problems
        assert found.pairs.equals(plain.pairs)
        assert found.laboratory.sessions.points.equals(plain.laboratory.sessions.points)


def test_program_and_machine_are_in_the_key_and_the_day_is_not(monkeypatch, tmp_path):
    one = kept.Kept(tmp_path, tmp_path / "abc-squad.json", "", None, None, "")
    file, key = one.samples
    assert file == tmp_path / "abc.samples"
    for name in ("_program", "_surroundings"):
        with monkeypatch.context() as changed:
            changed.setattr(kept, name, lambda: "another")
            assert one.samples[1] != key
    assert replace(one, now="2030-01-01", key="another").samples == (file, key)


@pytest.mark.slow
def test_after_a_corrected_row_the_report_is_that_of_a_run_without_cache(
    read, tested, tmp_path, monkeypatch
):
    monkeypatch.setenv(kept.CACHE_VARIABLE, str(tmp_path / "cache"))
    monkeypatch.setattr(second, "_processors", lambda: 1)  # what another process reads is not seen
    study = shutil.copytree(DEMO, tmp_path / "demo")
    write_report(study, tmp_path / "out", cache=True)
    assert read
    assert tested
    table = study / "laboratory.csv"
    text = table.read_bytes()
    corrected = text.replace(b"L042;S030;12.03.2026;run;51,5", b"L042;S030;12.03.2026;run;52,5")
    assert corrected != text
    assert not (study / "breaths" / "L042.csv").exists()  # of which it would be computed again
    table.write_bytes(corrected)
    read.clear()
    tested.clear()
    write_report(study, tmp_path / "one", cache=True)
    assert (read, tested) == ([], [])
    write_report(study, tmp_path / "two")
    ours, theirs = checksums(tmp_path / "one"), checksums(tmp_path / "two")
    assert ours.keys() == theirs.keys()
    assert {n for n in ours if ours[n] != theirs[n]} <= {"report.ipynb", "report.html"}  # dated
