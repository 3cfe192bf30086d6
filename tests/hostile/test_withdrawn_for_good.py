"""Who withdrew once stays out, whatever becomes of the athletes table, and under any likely spelling."""

import hashlib
import hmac
import os
import shutil

import pytest
from opened import open_report
from turns import slowly

from agreement.cohort import inspect_cohort
from agreement.errors import TableError
from agreement.report.run.registry import write_registry_report
from agreement.report.run.write import write_report
from agreement.report.run.write_pairs import write_pairs
from agreement.scale.engine import LocalEngine
from agreement.tables.new_study import new_study
from agreement.tables.withdrawn import KEPT_FILE, KEY_FILE

PEOPLE = ["A001", "A002", "A003", "A007"]
TOML = "[study]\ntime_zone = 'UTC'\n[profile]\nuse = 'stated'\n"
TOML += "[confirm]\nodd_dates = { reason = 'invented', on = 2026-01-10 }\n"


def write_study(folder, *, gone="A007"):
    folder.mkdir()
    (folder / "study.toml").write_text(TOML, encoding="utf-8")
    tables = {
        "athletes": ["athlete_id,withdrawn"],
        "lab_tests": ["lab_test_id,athlete_id,date,mode,vo2max_ml_kg_min,averaging_rule"],
        "field_estimates": ["athlete_id,taken_at,method,mode,vo2max_ml_kg_min"],
        "sessions": ["session_id,athlete_id,started_at,mode,duration_min"],
    }
    for i, who in enumerate(PEOPLE):
        tables["athletes"].append(f"{who},{'yes' if who == gone else 'no'}")
        tables["lab_tests"].append(f"L{i},{who},2031-05-20,run,{50 + i}.3,moving 30 s")
        tables["sessions"].append(f"S{i},{who},2031-05-11T09:00,run,40")
        tables["field_estimates"] += [
            f"{who},2031-05-{day}T09:00,wrist,run,{48 + i}.{day}" for day in (15, 17, 18)
        ]
    for name, lines in tables.items():
        (folder / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (folder / "samples").mkdir()
    samples = "t_s,hr_bpm\n" + "".join(f"{10 * i},{120 + i}\n" for i in range(100))
    (folder / "samples" / "S3.csv").write_text(samples, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def read_once(tmp_path_factory):
    """A study that was read once, when A007 had withdrawn; nobody changes this one."""
    folder = write_study(tmp_path_factory.mktemp("withdrawn") / "study")
    cohort, _ = inspect_cohort(folder)
    assert set(cohort.pairs["athlete_id"]) == set(PEOPLE[:3])
    return folder


@pytest.fixture
def study(read_once, tmp_path):
    """Return a copy to change."""
    return shutil.copytree(read_once, tmp_path / "study")


def edited(study, name, old, new):
    path = study / name
    path.write_text(path.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")


def renamed(name):
    return lambda study: (study / "athletes.csv").rename(study / name)


def in_a_folder(study):
    (study / "old").mkdir()
    (study / "athletes.csv").rename(study / "old" / "athletes.csv")


def a_folder_of_its_name(study):
    (study / "athletes.csv").rename(study / "people.txt")
    (study / "athletes.csv").mkdir()


def a_dangling_link(study):
    (study / "athletes.csv").unlink()
    (study / "athletes.csv").symlink_to(study / "nowhere.csv")


LOST = {
    "browser's copy": renamed("athletes (1).csv"),
    "slip": renamed("athlets.csv"),
    "singular": renamed("Athlete.csv"),
    "twice": renamed("athletes.csv.csv"),
    "dated": renamed("athletes_2031.csv"),
    "backup": renamed("athletes.csv.bak"),
    "no ending": renamed("athletes"),
    "folder": in_a_folder,
    "a folder": a_folder_of_its_name,
    "link": a_dangling_link,
    "deleted": lambda study: (study / "athletes.csv").unlink(),
    "no column": lambda study: edited(study, "athletes.csv", ",withdrawn", ",remarks"),
    "withdrew": lambda study: edited(study, "athletes.csv", ",withdrawn", ",withdrew"),
    "opted out": lambda study: edited(study, "athletes.csv", ",withdrawn", ",Opted out"),
}


@pytest.mark.parametrize("way", LOST)
@pytest.mark.parametrize("run_before", [True, *slowly([False])])
def test_an_athletes_table_that_is_lost_stops(request, tmp_path, way, run_before):
    unread = None if run_before else write_study(tmp_path / "study")
    study = unread or request.getfixturevalue("study")
    if unread and way in ("deleted", "no column"):
        pytest.skip("nothing in the folder tells that there was one")
    LOST[way](study)
    cohort, problems = inspect_cohort(study)
    assert cohort is None
    stops = [p for p in problems if p.severity == "stop"]
    assert {p.reason for p in stops} <= {"unread_athletes", "withdrawal_lost", "unread_withdrawn"}
    assert all(p.remedy for p in stops)
    assert "A007" not in " ".join(f"{p.what} {p.remedy}" for p in problems)


def test_a_second_table_beside_the_first_stops(study):
    shutil.copy(study / "athletes.csv", study / "athletes (1).csv")
    cohort, problems = inspect_cohort(study)
    assert cohort is None
    assert [(p.reason, p.file) for p in problems if p.severity == "stop"] == [
        ("unread_athletes", "athletes (1).csv")
    ]


@pytest.mark.parametrize("name", [".~lock.athletes.csv#", "~$athletes.xlsx", "athletes.csv~"])
def test_what_an_open_program_leaves_does_not_stop(study, name):
    (study / name).write_text("anna", encoding="utf-8")
    assert inspect_cohort(study)[0] is not None


@pytest.mark.parametrize("cell", ["no", ""])
def test_a_mark_taken_away_does_not_bring_a_person_back(study, cell):
    edited(study, "athletes.csv", "A007,yes", f"A007,{cell}")
    cohort, problems = inspect_cohort(study)
    assert set(cohort.pairs["athlete_id"]) == set(PEOPLE[:3])
    assert "withdrawn_before" in {p.reason for p in problems}
    assert "A007" not in cohort.exclusions.to_csv() + " ".join(map(str, problems))
    assert not cohort.study.samples


def test_a_row_taken_away_does_not_bring_a_person_back(study):
    edited(study, "athletes.csv", "A007,yes\n", "")
    edited(study, "sessions.csv", "S3,A007,2031-05-11T09:00,run,40\n", "")  # its raw file stays
    cohort, problems = inspect_cohort(study)
    assert set(cohort.pairs["athlete_id"]) == set(PEOPLE[:3])
    told = cohort.exclusions.to_csv() + " ".join(map(str, problems))
    assert "A007" not in told
    assert "S3" not in told
    assert "S3" not in str(cohort.study.inputs)
    gone = cohort.exclusions[cohort.exclusions["reason"] == "withdrawn"]
    assert set(gone["file"]) == {"lab_tests.csv", "field_estimates.csv", "samples"}


SPELLINGS = [
    *("a007", "A-007", "A 007", "A07", "A7", "A_007", "A007-2031", "007", "7"),
    *("\uff21\uff10\uff10\uff17", "\u0410007"),
]


QUICK = ("a007", "A-007", "A7", "A007-2031", "007", "\u0410007")


@pytest.mark.parametrize(
    ("spelling", "marked"),
    [
        *((spelling, True) for spelling in QUICK),
        *slowly((s, m) for s in SPELLINGS for m in (True, False) if not m or s not in QUICK),
    ],
)
def test_a_likely_spelling_stays_out_and_is_named(study, spelling, marked):
    if not marked:
        edited(study, "athletes.csv", "A007,yes\n", "")
    edited(study, "field_estimates.csv", "A007,", f"{spelling},")
    edited(study, "lab_tests.csv", "A007,", f"{spelling},")
    cohort, problems = inspect_cohort(study)
    assert set(cohort.pairs["athlete_id"]) == set(PEOPLE[:3])
    named = [p for p in problems if p.reason == "like_withdrawn"]
    assert {p.file for p in named} == {"field_estimates.csv", "lab_tests.csv"}
    assert all(f"'{spelling}'" in p.what for p in named)
    assert spelling not in set(cohort.exclusions["id"])
    assert "Add the athlete" not in " ".join(map(str, problems))


@pytest.mark.parametrize("spelling", ["A-007", *slowly(["a007", "A07"])])
def test_a_likely_spelling_in_the_athletes_table_stays_out(study, spelling):
    for name in ("athletes.csv", "field_estimates.csv", "lab_tests.csv"):
        edited(study, name, "A007,", f"{spelling},")
    edited(study, "athletes.csv", f"{spelling},yes", f"{spelling},no")
    cohort, problems = inspect_cohort(study)
    assert set(cohort.pairs["athlete_id"]) == set(PEOPLE[:3])
    assert "athletes.csv" in {p.file for p in problems if p.reason == "like_withdrawn"}


def test_a_report_names_nobody_who_withdrew_under_a_likely_spelling_either(study, tmp_path):
    edited(study, "field_estimates.csv", "A007,", "A-007,")
    write_report(study, tmp_path / "out")
    for path in (tmp_path / "out").rglob("*"):
        assert not path.is_file() or b"A-007" not in path.read_bytes(), path
    parts = study / "field_estimates"
    parts.mkdir()
    (study / "field_estimates.csv").rename(parts / "a.csv")
    write_registry_report(study, tmp_path / "registry", LocalEngine(1))
    for path in (tmp_path / "registry").rglob("*"):
        assert not path.is_file() or b"A-007" not in path.read_bytes(), path


def test_ids_with_a_year_are_other_people(tmp_path):
    """Where the athletes table lists S-2019 and S-2020, the year tells them apart."""
    folder = write_study(tmp_path / "study")
    for name in ("athletes.csv", "field_estimates.csv", "lab_tests.csv", "sessions.csv"):
        edited(folder, name, "A007,", "S-2019,")
        edited(folder, name, "A003,", "S-2020,")
    edited(folder, "athletes.csv", "S-2019,no", "S-2019,yes")
    for _ in range(2):
        cohort, _ = inspect_cohort(folder)
        assert set(cohort.pairs["athlete_id"]) == {"A001", "A002", "S-2020"}


def test_what_is_kept_rests_on_the_key_and_says_nothing_without_it(study):
    """Computed here anew by the standard library; RFC 2104 describes the keyed hash."""
    text = (study / KEPT_FILE).read_text(encoding="ascii")
    assert "A007" not in text
    assert text.startswith("# ")
    key = bytes.fromhex((study / KEY_FILE).read_text(encoding="ascii"))
    mark = hmac.new(key, b"id\0A007", hashlib.sha256).hexdigest()[:32]
    assert mark in text.split("\n")
    assert hashlib.sha256(b"id\0A007").hexdigest()[:32] not in text


def test_nobody_withdrew_nothing_is_written(tmp_path):
    folder = write_study(tmp_path / "study", gone="nobody")
    before = sorted(p.name for p in folder.iterdir())
    inspect_cohort(folder)
    assert sorted(p.name for p in folder.iterdir()) == before


def no_key(study):
    (study / KEY_FILE).unlink()


def another_key(study):
    (study / KEY_FILE).write_text(os.urandom(32).hex() + "\n", encoding="ascii")


def damaged(content):
    return lambda study: (study / KEPT_FILE).write_bytes(content)


def a_link(study):
    (study / KEPT_FILE).rename(study / "elsewhere")
    (study / KEPT_FILE).symlink_to(study / "elsewhere")


def a_pipe(study):
    (study / KEPT_FILE).unlink()
    os.mkfifo(study / KEPT_FILE)


@pytest.mark.parametrize(
    "spoil",
    [no_key, another_key, damaged(b""), damaged(b"\xff"), damaged(b"zz\n"), a_link, a_pipe],
)
def test_a_list_that_cannot_be_read_stops(study, spoil):
    spoil(study)
    cohort, problems = inspect_cohort(study)
    assert cohort is None
    (stop,) = [p for p in problems if p.severity == "stop"]
    assert (stop.reason, stop.file) == ("withdrawal_lost", KEPT_FILE)
    assert "Put" in stop.remedy


def test_a_table_that_vanished_since_the_last_output_stops_though_nobody_withdrew(tmp_path):
    folder, out = write_study(tmp_path / "study", gone="nobody"), tmp_path / "out"
    write_pairs(folder, out)
    (folder / "athletes.csv").rename(tmp_path / "moved.csv")
    with pytest.raises(TableError, match=r"athletes\.csv: .* it is gone\. Put it back"):
        write_pairs(folder, out)
    with pytest.raises(TableError, match="it is gone"):
        open_report(folder, save=out)
    write_pairs(folder, tmp_path / "another")  # a study may do without the table


def test_the_guide_of_a_new_study_says_what_the_kept_files_are(tmp_path):
    new_study(tmp_path / "study")
    guide = (tmp_path / "study" / "README.txt").read_text(encoding="utf-8")
    assert {KEY_FILE, KEPT_FILE} <= set(guide.replace(",", " ").split())
