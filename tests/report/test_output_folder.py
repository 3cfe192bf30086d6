"""An output folder is written whole or not at all."""

import json

import pytest

from agreement.errors import AgreementError, OutputError
from agreement.report.run.folder import PROVENANCE, refuse_foreign, replaced_folder
from agreement.report.run.own_report import changed_files, seal
from agreement.report.run.provenance import provenance_block


def written(folder, text):
    with replaced_folder(folder) as place:
        (place / PROVENANCE).write_text(json.dumps({"written_by": "agreement"}))
        (place / "results.csv").write_text(text)
        seal(place)


def test_a_folder_inside_a_folder_that_an_audit_names_is_no_raw_file():
    files = [("lab.csv", 12), ("raw/breaths/", 40), ("raw/samples/S1.csv", 900)]
    content = dict.fromkeys(("command", "created", "version", "python", "seed"), "as told")
    inputs = [{"name": name, "rows": rows, "sha256": "ab12"} for name, rows in files]
    page = provenance_block(content | {"dependencies": {}, "inputs": inputs}).html
    tables, raw = page.split("1 raw file")
    assert "raw/breaths/" in tables
    assert "40 files" in tables
    assert "raw/samples/S1.csv" in raw


def test_a_new_folder_appears_with_its_content(tmp_path):
    written(tmp_path / "deep" / "out", "1")
    assert (tmp_path / "deep" / "out" / "results.csv").read_text() == "1"
    assert [path.name for path in (tmp_path / "deep").iterdir()] == ["out"]


def test_our_own_files_are_replaced_as_a_whole_and_what_is_not_ours_stays(tmp_path):
    out = tmp_path / "out"
    written(out, "old")
    (out / "notes.txt").write_text("mine")
    (out / "slides" / "empty").mkdir(parents=True)
    (out / "slides" / "one.odp").write_text("mine too")
    (out / "link").symlink_to("notes.txt")
    with replaced_folder(out) as place:
        (place / PROVENANCE).write_text(json.dumps({"written_by": "agreement"}))
        (place / "pairs.csv").write_text("new")
        seal(place)
    assert {p.relative_to(out).as_posix() for p in out.rglob("*")} == {
        *(PROVENANCE, "pairs.csv", "notes.txt", "link"),
        *("slides", "slides/empty", "slides/one.odp"),
    }
    assert (out / "notes.txt").read_text() == "mine"
    assert (out / "link").is_symlink()
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
    written(out, "again")  # what was taken over does not become ours
    assert (out / "slides" / "one.odp").read_text() == "mine too"


def test_a_file_of_theirs_where_one_of_ours_is_to_stand_is_not_overwritten(tmp_path):
    written(tmp_path / "out", "old")
    (tmp_path / "out" / "pairs.csv").write_text("mine")

    def write():
        with replaced_folder(tmp_path / "out") as place:
            (place / "pairs.csv").write_text("ours")

    with pytest.raises(OutputError, match=r"pairs\.csv is not ours"):
        write()
    assert (tmp_path / "out" / "pairs.csv").read_text() == "mine"
    assert (tmp_path / "out" / "results.csv").read_text() == "old"


def test_an_empty_folder_is_used(tmp_path):
    (tmp_path / "out").mkdir()
    written(tmp_path / "out", "1")
    assert (tmp_path / "out" / "results.csv").exists()


@pytest.mark.parametrize("provenance", [None, "{}", '{"written_by": "somebody"}', "no json", "[]"])
def test_a_folder_that_is_not_ours_is_refused_and_left_alone(tmp_path, provenance):
    out = tmp_path / "out"
    out.mkdir()
    (out / "thesis.txt").write_text("mine")
    if provenance is not None:
        (out / PROVENANCE).write_text(provenance)
    before = sorted(path.name for path in out.iterdir())
    with pytest.raises(OutputError, match="not empty"):
        written(out, "1")
    assert sorted(path.name for path in out.iterdir()) == before
    assert (out / "thesis.txt").read_text() == "mine"


def test_a_file_is_refused(tmp_path):
    (tmp_path / "out").write_text("mine")
    with pytest.raises(OutputError, match="is a file"):
        written(tmp_path / "out", "1")


@pytest.mark.parametrize("failure", [RuntimeError, KeyboardInterrupt])
def test_a_failure_or_an_interruption_leaves_the_old_report_and_nothing_else(tmp_path, failure):
    written(tmp_path / "out", "old")

    def half():
        with replaced_folder(tmp_path / "out") as place:
            (place / "results.csv").write_text("half")
            raise failure

    with pytest.raises(failure):
        half()
    assert (tmp_path / "out" / "results.csv").read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_a_sealed_folder_is_unchanged(tmp_path):
    written(tmp_path / "out", "1")
    assert changed_files(tmp_path / "out") == []


def test_every_kind_of_change_is_found(tmp_path):
    out = tmp_path / "out"
    with replaced_folder(out) as place:
        (place / PROVENANCE).write_text(json.dumps({"written_by": "agreement"}))
        for name in ("a.csv", "b.csv"):
            (place / name).write_text("1")
        seal(place)
    (out / "a.csv").write_text("2")
    (out / "b.csv").unlink()
    (out / "c.csv").write_text("1")
    assert changed_files(out) == [
        "a.csv has changed since it was written.",
        "b.csv is missing.",
        "c.csv was added afterwards.",
    ]


def test_a_folder_without_our_provenance_cannot_be_verified(tmp_path):
    with pytest.raises(AgreementError, match="holds no report"):
        changed_files(tmp_path)


@pytest.mark.parametrize("name", ["breaths", "samples/new", "Field_estimates", "lab_tests.csv"])
def test_output_does_not_go_where_a_study_keeps_its_files(tmp_path, name):
    (tmp_path / "study.toml").write_text("")
    with pytest.raises(OutputError, match="A study keeps its"):
        refuse_foreign(tmp_path / name)
    refuse_foreign(tmp_path / "reports" / "breaths")  # as under the current folder
