"""Disk full, no rights, two runs at once, a study edited meanwhile: a sentence, and nothing lost."""

import errno
import os
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from opened import open_report
from small_study import BARE, write_folder
from turns import slowly
from typer.testing import CliRunner

from agreement import cli
from agreement.cohort import cohort
from agreement.errors import OutputError
from agreement.report.run.own_report import seal
from agreement.tables import whole_output
from agreement.tables.whole_output import whole_file, whole_folder

COMMANDS = ("pair", "estimate", "new")
SENTENCES = {
    errno.ENOSPC: "no space is left on the disk",
    errno.EDQUOT: "your share of the disk is used up",
    errno.EFBIG: "larger than this system allows",
    errno.EROFS: "the disk can only be read",
    errno.EACCES: "you have no right to write there",
    errno.ENOENT: "there is no such file or folder",
}


def run(*arguments):
    return CliRunner().invoke(cli.app, list(map(str, arguments)))


def arguments(command, study, out):
    return [command, out] if command == "new" else [command, study, "--out", out]


def content(place):
    return {
        p.relative_to(place).as_posix(): p.read_bytes()
        for p in sorted(place.rglob("*"))
        if p.is_file()
    }


@pytest.fixture
def study(tmp_path):
    return write_folder(BARE, tmp_path / "crew")


def test_missing_templates_are_no_fault_of_the_output(study, tmp_path, monkeypatch):
    missing = tmp_path / "copied" / "notebooks"
    monkeypatch.setattr("agreement.report.run.templates.template_folder", lambda: missing)
    done = run("report", study, "--out", tmp_path / "out")
    assert done.exit_code == 2
    assert str(missing) in done.stderr
    assert "there is no such file or folder" in done.stderr
    assert f"{tmp_path / 'out'} cannot be written" not in done.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("command", "number"),
    [
        *((command, errno.ENOSPC) for command in COMMANDS),
        *(("new", number) for number in SENTENCES if number != errno.ENOSPC),
        *slowly((c, n) for c in COMMANDS[:2] for n in SENTENCES if n != errno.ENOSPC),
    ],
)
def test_what_the_system_refuses_is_one_sentence_and_the_old_output_stays(
    study, tmp_path, monkeypatch, command, number
):
    place = tmp_path / "place"
    place.mkdir()
    if command != "new":
        assert run(*arguments(command, study, place / "out")).exit_code == 0
    before = content(place)

    def refuse(_):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(whole_output.os, "fsync", refuse)
    done = run(*arguments(command, study, place / "out"))
    assert done.exit_code == 2
    (line,) = done.stderr.splitlines()
    assert SENTENCES[number] in line
    assert str(place / "out") in line
    assert "Errno" not in line
    assert content(place) == before
    assert [p.name for p in place.iterdir()] == ([] if command == "new" else ["out"])


@pytest.fixture
def disk(tmp_path):
    """Mount a small disk in memory."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(place)]
    try:
        done = subprocess.run(mount, capture_output=True, check=False).returncode
    except OSError:
        done = 1
    if done:
        pytest.skip("this user may not mount a small disk")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def fill(disk, free):
    """Leave so many bytes free."""
    room = os.statvfs(disk)
    (disk / "filled").write_bytes(bytes(room.f_bavail * room.f_frsize - free))


@pytest.mark.parametrize("command", COMMANDS)
def test_a_full_disk_is_said_and_leaves_what_was_there(study, disk, command):
    if command != "new":
        assert run(*arguments(command, study, disk / "out")).exit_code == 0
    fill(disk, 0)
    before = content(disk)
    done = run(*arguments(command, study, disk / "out"))
    assert done.exit_code == 2
    assert "no space is left on the disk" in done.stderr
    assert content(disk) == before
    assert {p.name for p in disk.iterdir()} <= {"out", "filled"}


def test_a_full_disk_is_said_by_share_and_leaves_what_was_there(study, disk):
    folder = study.parent / "report"
    folder.mkdir()
    open_report(study, save=folder).save()
    seal(folder)
    assert run("share", folder, "--out", disk / "out").exit_code == 0
    fill(disk, 0)
    before = content(disk)
    done = run("share", folder, "--out", disk / "out")
    assert done.exit_code == 2
    assert "no space is left on the disk" in done.stderr
    assert content(disk) == before
    assert {p.name for p in disk.iterdir()} <= {"out", "filled"}


@pytest.mark.parametrize("command", COMMANDS)
def test_a_disk_that_can_only_be_read_is_said(study, disk, command):
    if command != "new":
        assert run(*arguments(command, study, disk / "out")).exit_code == 0
    before = content(disk)
    subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
    done = run(*arguments(command, study, disk / "out"))
    assert done.exit_code == 2
    assert "the disk can only be read" in done.stderr
    assert content(disk) == before


@pytest.mark.slow
@pytest.mark.parametrize(
    ("way", "said"), [((), "no space is left on the disk"), (("--kernel",), "No space left")]
)
def test_a_disk_that_fills_while_a_report_is_written_is_one_sentence(study, disk, way, said):
    fill(disk, 48 * 1024)
    done = run("report", study, "--out", disk / "out", *way)
    assert done.exit_code == 2, done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert said in done.stderr
    assert [p.name for p in disk.iterdir()] == ["filled"]


@pytest.mark.parametrize("command", ["pair", *slowly(["estimate"])])
def test_a_limit_on_the_size_of_files_is_said(study, tmp_path, command):
    limit = lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (100, 100))
    whole = os.environ | {"PYTHONDONTWRITEBYTECODE": "1"}  # Python keeps half a module else
    done = subprocess.run(
        [sys.executable, "-m", "agreement", command, study, "--out", tmp_path / "out"],
        preexec_fn=limit, env=whole, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert "larger than this system allows" in done.stderr
    assert sorted(p.name for p in tmp_path.iterdir()) == ["crew"]


def test_parents_made_for_a_run_that_fails_go_with_it(tmp_path):
    with pytest.raises(OutputError), whole_folder(tmp_path / "a" / "b" / "out", lambda _: None):
        raise OSError(errno.ENOSPC, "full")
    assert list(tmp_path.iterdir()) == []


def test_a_second_run_on_one_output_is_told_to_wait(study, tmp_path):
    out = tmp_path / "out"
    with whole_folder(out, lambda _: None) as first:
        (first / "a.txt").write_text("of the first")
        done = run("pair", study, "--out", out)
        assert done.exit_code == 2
        assert f"Another run is writing {out} now." in done.stderr
    assert content(out) == {"a.txt": b"of the first"}
    with whole_file(tmp_path / "e.csv") as file:
        file.write(b"first")
        assert "Another run" in run("estimate", study, "--out", tmp_path / "e.csv").stderr
    assert (tmp_path / "e.csv").read_bytes() == b"first"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["crew", "e.csv", "out"]


def test_a_lock_of_another_user_is_said(tmp_path, monkeypatch):
    lock, opened = tmp_path / ".out.agreement-lock", os.open
    lock.touch()

    def not_mine(path, *given, **more):
        if path == lock:
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return opened(path, *given, **more)

    monkeypatch.setattr(os, "open", not_mine)
    with (
        pytest.raises(OutputError, match="A run of another user is writing there"),
        whole_folder(tmp_path / "out", lambda _: None),
    ):
        pass
    assert lock.exists()


def test_what_killed_runs_left_is_cleared_and_an_output_about_to_be_replaced_comes_back(tmp_path):
    for name in ("lock", "0a1b2c3d"):
        path = tmp_path / f".out.agreement-{name}"
        path.mkdir() if name != "lock" else path.touch()
    old = tmp_path / ".out.agreement-old"  # killed between two renames, where there is no exchange
    old.mkdir()
    (old / "a.txt").write_text("old")
    seen = []
    with whole_folder(tmp_path / "out", lambda folder: seen.append(content(folder))):
        assert content(tmp_path / "out") == {"a.txt": b"old"}
    assert seen == [{}, {"a.txt": b"old"}, {"a.txt": b"old"}]
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_what_a_link_in_a_replaced_folder_leads_to_stays(tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "kept.csv").write_text("kept", encoding="utf-8")
    target = tmp_path / "out"
    for _ in range(2):
        with whole_folder(target, lambda _: None) as folder:
            (folder / "figures").mkdir()
            (folder / "figures" / "one.svg").write_text("<svg/>", encoding="utf-8")
            (folder / "theirs").symlink_to(tmp_path / "mine")
            (folder / "file.csv").symlink_to(tmp_path / "mine" / "kept.csv")
    assert {p.name for p in tmp_path.iterdir()} == {"mine", "out"}
    assert content(tmp_path / "mine") == {"kept.csv": b"kept"}


def test_what_a_link_beside_the_output_leads_to_stays(tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "kept.csv").write_text("kept", encoding="utf-8")
    (tmp_path / ".out.agreement-0a1b2c3d").symlink_to("mine")  # named like what a killed run left
    with whole_folder(tmp_path / "out", lambda _: None) as folder:
        (folder / "new.csv").write_text("new", encoding="utf-8")
    assert content(tmp_path) == {"mine/kept.csv": b"kept", "out/new.csv": b"new"}


def test_folders_are_replaced_where_the_system_cannot_exchange_them(tmp_path, monkeypatch):
    monkeypatch.setattr(whole_output, "_exchanged", lambda *_: False)
    for text in ("old", "new"):
        with whole_folder(tmp_path / "out", lambda _: None) as place:
            (place / "a.txt").write_text(text)
    assert content(tmp_path) == {"out/a.txt": b"new"}


def test_links_and_rights_of_the_output_stay(tmp_path):
    (tmp_path / "real.csv").write_text("old")
    (tmp_path / "real.csv").chmod(0o600)
    (tmp_path / "link.csv").symlink_to("real.csv")
    with whole_file(tmp_path / "link.csv") as file:
        file.write(b"new")
    assert (tmp_path / "link.csv").is_symlink()
    assert (tmp_path / "real.csv").read_text() == "new"
    assert (tmp_path / "real.csv").stat().st_mode & 0o777 == 0o600


def test_what_is_no_file_is_written_to_and_not_replaced(study):
    assert run("estimate", study, "--out", os.devnull).exit_code == 0
    assert not Path(os.devnull).is_file()


@pytest.mark.parametrize("command", ["pair", "estimate"])
@pytest.mark.parametrize("name", ["study.toml", "field_estimates.csv"])
def test_a_study_edited_while_it_is_read_is_said_and_nothing_is_written(
    study, tmp_path, monkeypatch, command, name
):
    where = "agreement.physiology.readings.estimates_frame"
    module = sys.modules.get("agreement.physiology.readings") or __import__(
        "agreement.physiology.readings", fromlist=["estimates_frame"]
    )
    pair, frame = cohort.pair, module.estimates_frame

    def edit(*_):
        with (study / name).open("a") as file:
            file.write("\n")

    monkeypatch.setattr(cohort, "pair", lambda *a: (edit(), pair(*a))[1])
    monkeypatch.setattr(where, lambda *a, **k: (edit(), frame(*a, **k))[1])
    done = run(command, study, "--out", tmp_path / "out")
    assert done.exit_code == 2
    assert f"{name}: The file was changed while the study was being read." in done.stderr
    assert sorted(p.name for p in tmp_path.iterdir()) == ["crew"]


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_report_that_is_to_end_says_so_and_leaves_nothing(study, tmp_path, number):
    started = subprocess.Popen(
        [sys.executable, "-m", "agreement", "report", study, "--out", tmp_path / "out"],
        stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    while not list(tmp_path.glob(".out.agreement-????????")):
        assert started.poll() is None
        time.sleep(0.05)
    started.send_signal(number)
    _, said = started.communicate(timeout=60)
    assert (started.returncode, said) == (128 + number, "Interrupted; nothing was written.\n")
    assert [p.name for p in tmp_path.iterdir()] == ["crew"]
