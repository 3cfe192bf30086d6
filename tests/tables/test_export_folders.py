"""A table as a folder of dated exports: the same study as the one whole export."""

import random
import shutil
from pathlib import Path

import pandas as pd
import pytest
from turns import slowly

from agreement.cohort import inspect_cohort, read_cohort
from agreement.report.run.any_size import in_parts
from agreement.tables.export_folders import stamp_of

DEMO = Path(__file__).parents[2] / "demo_cohort"
TABLES = {
    "athletes": ("athletes.csv", None),
    "field_estimates": ("field_estimates.csv", "taken_at"),
    "field_tests": ("field_tests.csv", "date"),
    "lab_tests": ("laboratory.csv", "date"),
    "sessions": ("sessions.csv", "started_at"),
}
MONTHS = 12
GONE = "S005"  # the person who is deleted
RENAMED = "VO2max relative"
CORRECTED = "L002"  # a laboratory test with a slip in its first export


def table(name):
    file, when = TABLES[name]
    sep, encoding = (";", "latin-1") if file == "laboratory.csv" else (",", "utf-8")
    rows = pd.read_csv(DEMO / file, sep=sep, encoding=encoding, dtype=str, keep_default_na=False)
    if when is None:
        return rows, None
    days = pd.to_datetime(rows[when].str[:10], dayfirst=sep == ";", errors="coerce")
    return rows, days.fillna(days.min())


def write(rows, path):
    rows.to_csv(path, sep=";" if path.parent.name == "lab_tests" else ",", index=False)


def study_folder(place, raw=False):
    """The demo's study file for tables that carry their own names; perhaps with its raw files."""
    place.mkdir()
    text = (DEMO / "study.toml").read_text(encoding="utf-8")
    text = text.replace('path = "laboratory.csv"\n', "").replace('encoding = "latin-1"\n', "")
    text = text.replace(
        "columns = {", f'columns = {{ vo2max_ml_kg_min = ["{RENAMED}", "vo2max_ml_kg_min"],'
    )
    (place / "study.toml").write_text(text, encoding="utf-8")
    for folder in ("breaths", "samples") if raw else ():
        shutil.copytree(DEMO / folder, place / folder)
    return place


def whole(place, **more):
    study_folder(place, **more)
    for name in TABLES:
        rows, _ = table(name)
        (place / name).mkdir()
        write(rows[rows["athlete_id"] != GONE], place / name / "2027-01-31.csv")
    return place


def exports():
    """Every monthly export: folder, name of its file, rows; each goes back into the month before."""
    found = []
    for name in TABLES:
        rows, days = table(name)
        if days is not None:
            month = pd.cut(days, MONTHS, labels=False)
        for i in range(MONTHS):
            if days is None:
                own = rows if i < 7 else rows[rows["athlete_id"] != GONE]
            else:
                own = rows[(month == i) | (month == i - 1)]
                own = own if i < 7 else own[own["athlete_id"] != GONE]
            if name == "lab_tests":
                first = i == month[rows["lab_test_id"] == CORRECTED].iloc[0]
                slip = (own["lab_test_id"] == CORRECTED) & first
                own = own.assign(vo2max_ml_kg_min=own["vo2max_ml_kg_min"].where(~slip, "45,4"))
                own = own.rename(columns={"vo2max_ml_kg_min": RENAMED} if i > 5 else {})
            found.append((name, f"export_2026-{i + 1:02d}-28.csv", own))
    return found


def grown(place, order, stop_at=None, **more):
    """A study folder into which the exports come in this order."""
    study_folder(place, **more)
    for i, (name, file, rows) in enumerate(order):
        (place / name).mkdir(exist_ok=True)
        write(rows, place / name / file)
        if i == stop_at:
            inspect_cohort(place)
    return place


@pytest.fixture(scope="module")
def one_export(tmp_path_factory):
    return read_cohort(whole(tmp_path_factory.mktemp("whole") / "study"))


@pytest.mark.slow
@pytest.mark.parametrize("seed", [None, 1])
def test_twelve_exports_are_the_one_export_in_any_order(tmp_path, one_export, seed):
    order = exports()
    if seed is not None:
        random.Random(seed).shuffle(order)
    found = read_cohort(grown(tmp_path / "study", order, stop_at=None if seed is None else 30))
    assert found.pairs.to_csv(index=False) == one_export.pairs.to_csv(index=False)
    assert len(found.pairs) > 200
    flow = found.flow.set_index("file")
    assert (flow["rows_read"] == flow[["used", "summarised", "excluded"]].sum(axis=1)).all()
    reasons = found.exclusions["reason"].value_counts()
    assert reasons["corrected"] == 1
    assert reasons["re_exported"] > 3000


@pytest.mark.slow
def test_the_ledger_names_export_row_and_reason(tmp_path):
    found = read_cohort(grown(tmp_path / "study", exports()))
    line = found.exclusions[found.exclusions["reason"] == "corrected"].iloc[0]
    assert (line["file"], line["id"]) == ("lab_tests/export_2026-01-28.csv", CORRECTED)
    assert "export_2026-02-28.csv corrects this row; the newest counts." in line["message"]
    rows = pd.read_csv(tmp_path / "study" / line["file"], sep=";")
    assert rows["lab_test_id"].iloc[int(line["row"]) - 2] == CORRECTED


STUDY = "[study]\ntime_zone = 'UTC'\n[pairing]\nminimum_days = 1\n"
PEOPLE = "athlete_id,withdrawn\nA,no\nB,no\nC,no\nD,no\nE,no\nF,no\n"
TESTS = "lab_test_id,athlete_id,date,mode,vo2max_ml_kg_min,averaging_rule\n"
READINGS = "athlete_id,taken_at,method,mode,vo2max_ml_kg_min\n"
RULE = "moving 30 s"
SMALL = {
    "athletes/2026-03.csv": PEOPLE,
    "athletes/2026-04.csv": PEOPLE.replace("D,no\n", ""),
    "lab_tests/2026-03.csv": TESTS
    + f"T1,A,2026-03-10,run,5.1,{RULE}\nT2,B,2026-03-12,run,48,{RULE}\n",
    "lab_tests/2026-04.csv": TESTS.replace("vo2max_ml_kg_min", "VO2")
    + f"T1,A,2026-03-10,run,51,{RULE}\nT3,C,2026-04-12,run,44,{RULE}\nT4,D,2026-04-12,run,40,{RULE}\n",
    "field_estimates/a_2026-03-31.csv": READINGS
    + "A,2026-03-09T07:00Z,w,run,53\nB,2026-03-11T07:00Z,w,run,50\nB,2026-03-11T08:00Z,w,run,52\n",
    "field_estimates/b_2026-04-30.csv": READINGS
    + "B,2026-03-11 08:00Z,w,run,52.0\nA,2026-03-09T08:00+01:00,w,run,NA\nD,2026-04-11T07:00Z,w,run,41\n"
    "C,2026-04-11T07:00Z,w,run,46\n",
}
RENAMING = "[files.lab_tests]\ncolumns = { vo2max_ml_kg_min = ['vo2max_ml_kg_min', 'VO2'] }\n"


def small(place, changes=None, study=STUDY + RENAMING):
    for name, text in {"study.toml": study, **SMALL, **(changes or {})}.items():
        if text is not None:
            (place / name).parent.mkdir(parents=True, exist_ok=True)
            (place / name).write_text(text, encoding="utf-8")
    return place


def lines(cohort):
    told = cohort.exclusions[["file", "row", "id", "reason"]].astype(object)
    return {tuple(one) for one in told.where(told.notna(), None).itertuples(index=False)}


def test_the_newest_row_counts_whatever_the_older_one_says(tmp_path):
    cohort = read_cohort(small(tmp_path))
    assert cohort.pairs[["athlete_id", "field", "lab"]].to_numpy().tolist() == [
        ["B", 51.0, 48.0],
        ["C", 46.0, 44.0],
    ]
    assert lines(cohort) >= {
        # a slip that would be refused, corrected by the next export
        ("lab_tests/2026-03.csv", 2, "T1", "corrected"),
        # the same instant in another zone; the newest cell is empty, and that counts
        ("field_estimates/a_2026-03-31.csv", 2, "A", "corrected"),
        ("field_estimates/b_2026-04-30.csv", 3, "A", "missing_value"),
        ("field_estimates/a_2026-03-31.csv", 4, "B", "re_exported"),
        ("athletes/2026-03.csv", 2, "A", "re_exported"),
    }
    flow = cohort.flow.set_index("file")
    assert flow.loc["field_estimates", "rows_read"] == 7
    assert (flow["rows_read"] == flow[["used", "summarised", "excluded"]].sum(axis=1)).all()


def test_a_person_deleted_from_the_newest_list_is_in_no_output(tmp_path):
    cohort = read_cohort(small(tmp_path))
    told = cohort.exclusions.to_csv() + cohort.pairs.to_csv() + " ".join(map(str, cohort.problems))
    assert "T4" not in told
    assert "D" not in set(cohort.exclusions["id"])
    assert "1 person of older exports no longer in the newest" in told
    # and stays out when the older list is gone
    (tmp_path / "athletes" / "2026-03.csv").unlink()
    again = read_cohort(tmp_path)
    assert "D" not in set(again.exclusions["id"])
    assert again.pairs.equals(cohort.pairs)


def test_who_withdrew_by_any_export_is_out(tmp_path):
    marked = {"athletes/2026-03.csv": PEOPLE.replace("B,no", "B,yes")}
    cohort = read_cohort(small(tmp_path, marked))
    assert list(cohort.pairs["athlete_id"]) == ["C"]
    assert "B" not in set(cohort.exclusions["id"])


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"lab_tests/last.csv": TESTS}, "lab_tests/last.csv: Its name carries no date"),
        ({"lab_tests/x_2026-04.csv": TESTS}, "carries the same date"),
        ({"lab_tests.csv": TESTS}, "Two files could be the table lab_tests"),
        ({"athletes/2026-05.ods": "newer"}, "athletes/2026-05.ods: It is not read"),
        ({"athletes/2026-05.csv": "athlete_id\nA\nB\nC\n"}, "lacks 3 of the 6 people"),
        (
            {"lab_tests/2026-05.csv": TESTS + "T9,A,2026-05-01,run,50,fixed 60 s\n"},
            "averaged in different ways: 'fixed 60 s' in 1 test, 'moving 30 s' in",
        ),
        *slowly(
            [
                ({"lab_tests/2026-04-30.csv": TESTS}, "2026-04-30.csv carries the same date"),
                ({"lab_tests/2026-05.csv": TESTS.replace("vo2max", "vvo")}, "no column of VO2max"),
            ]
        ),
    ],
)
def test_exports_that_cannot_be_put_together_stop(tmp_path, changes, says):
    _, problems = inspect_cohort(small(tmp_path, changes))
    assert says in "\n".join(str(one) for one in problems if one.severity == "stop")
    if "people" in says:  # nobody is out for good because a list was none
        assert not (tmp_path / "withdrawn.keyed").exists()


def test_a_folder_of_estimates_is_parts_unless_all_are_dated(tmp_path):
    assert not in_parts(small(tmp_path / "exports"))
    undated = {"field_estimates/part-0.csv": SMALL["field_estimates/b_2026-04-30.csv"]}
    assert in_parts(small(tmp_path / "parts", undated))
    stated = STUDY + RENAMING + "[files.field_estimates]\nfolder = 'parts'\n"
    place = small(tmp_path / "stated", study=stated)
    assert in_parts(place)
    left = read_cohort(place).exclusions
    reasons = left.loc[left["file"].str.startswith("field_estimates"), "reason"]
    assert "re_exported" not in set(reasons)  # parts share no rows: a row twice is a copy
    assert "copy" in set(reasons)


def test_a_doubted_row_is_named_by_its_export(tmp_path):
    late = SMALL["lab_tests/2026-04.csv"].replace("2026-04", "2062-04")
    _, problems = inspect_cohort(small(tmp_path, {"lab_tests/2026-04.csv": late}))
    stops = [(p.file, p.row) for p in problems if p.reason == "odd_dates"]
    assert stops == [("lab_tests/2026-04.csv", 3)]


def test_a_folder_among_exports_is_named_as_not_read(tmp_path):
    inside = {f"{name}/old/2026-01.csv": TESTS for name in ("lab_tests", "field_estimates")}
    _, problems = inspect_cohort(small(tmp_path, inside))
    told = [one.file for one in problems if "inside theirs" in one.what]
    assert told == ["lab_tests/old", "field_estimates/old"]


def test_exports_are_told_in_one_line(tmp_path):
    told = [str(one) for one in read_cohort(small(tmp_path)).problems if one.reason == "exports"]
    assert told[1].startswith(
        "lab_tests: 2 exports, 2026-03.csv to 2026-04.csv, read as one table: 0 rows again in a newer "
        "one, 1 corrected by one."
    )


def test_stamps():
    assert stamp_of("export_2026-04-30T1405.csv") == "202604301405"
    assert stamp_of("crew_20264.csv") == ""
    assert stamp_of("2026-13-01.csv") == ""
