"""A second process changes no byte; where it fails, this process does all of the work."""

import os
import pickle
import subprocess
import sys
import time
from concurrent.futures import Future
from multiprocessing import get_context
from pathlib import Path
from types import SimpleNamespace

import pytest
from opened import open_report
from pandas.testing import assert_frame_equal

from agreement.cohort import read_cohort
from agreement.errors import TableError
from agreement.report.run import read_beside, second
from agreement.report.run.own_report import checksums
from agreement.report.run.second import Second, Shared, second_process, sent
from agreement.report.run.write import write_report

# since Python 3.12, where the runner of the tests has threads; a report splits without any
pytestmark = pytest.mark.filterwarnings("ignore:.*fork:DeprecationWarning")


class Asked:
    """Stands for the second process: keeps what it was asked, answers when told."""

    def __init__(self):
        self.futures = {}

    def ask(self, _function, name):
        self.futures[name] = Future()
        return self.futures[name]


class Full:
    """Stands for a machine that starts no more processes."""

    def Process(self, **_):
        return self

    def start(self):
        raise BlockingIOError(11, "Resource temporarily unavailable")


def test_two_processes_take_pieces_from_both_ends_and_none_twice():
    asked, made = Asked(), []
    shared = Shared(asked, "abcd", lambda name: made.append(name) or name.upper(), None)
    assert list(asked.futures) == ["d", "c", "b", "a"]
    asked.futures["d"].set_running_or_notify_cancel()
    assert shared.of("a") == "A"
    asked.futures["d"].set_result("from there")
    asked.futures["c"].set_running_or_notify_cancel()
    asked.futures["c"].set_exception(EOFError())  # it ended: all that is left is made here
    assert [shared.of(name) for name in "bcd"] == ["B", "C", "from there"]
    assert made == ["a", "b", "c"]
    assert all(asked.futures[name].cancelled() for name in "ab")


def test_while_the_second_process_makes_a_piece_others_are_made_and_raise_in_their_turn(
    monkeypatch,
):
    monkeypatch.setattr(second, "PATIENCE", 0.05)
    asked, made = Asked(), []

    def here(name):
        made.append(name)
        return {"b": "B", "c": "C"}[name]

    shared = Shared(asked, "abc", here, None)
    asked.futures["c"].set_running_or_notify_cancel()  # and it hangs
    assert shared.of("c") == "C"
    assert made == ["a", "b", "c"]
    with pytest.raises(KeyError):
        shared.of("a")
    assert shared.of("b") == "B"
    assert made == ["a", "b", "c", "a"]


def test_it_computes_raises_and_ends():
    it = Second()
    try:
        for base in (2, 16):  # a second beginning replaces what was known
            it.begin("work", (int, [str(base)]))
            assert it.ask(second._work, 0).result(60) == base
        assert it.ask(divmod, 7, 2).result(60) == (3, 1)
        with pytest.raises(RuntimeError, match="ZeroDivisionError"):
            it.ask(divmod, 7, 0).result(60)
        with pytest.raises(RuntimeError, match="pickle"):  # what cannot be sent is told
            it.ask(memoryview, b"").result(60)
        number = it._process.pid
    finally:
        it.close()
    with pytest.raises(ProcessLookupError):
        os.kill(number, 0)


def test_without_room_for_another_process_nothing_is_known_there(monkeypatch):
    it = Second()
    monkeypatch.setattr(second, "get_context", lambda _: Full())
    it.begin("work", (int, ["1"]))
    with pytest.raises(BrokenPipeError):
        it.ask(second._work, 0).result(60)
    it.close()


def test_what_a_closed_process_takes_no_more_is_made_here():
    it = Second()
    it.begin("work", (str.upper, "abc"))
    shared = Shared(it, range(3), lambda n: "abc"[n].upper(), second._work)
    it.close()
    assert [shared.of(n) for n in range(3)] == ["A", "B", "C"]


def halved_in_a_worker(numbers):
    it = Second()
    try:
        it.begin("work", (float, numbers))
        shared = Shared(it, range(len(numbers)), lambda n: numbers[n] / 2, second._work)
        return [shared.of(n) for n in range(len(numbers))], dict(second._STATE)
    finally:
        it.close()


@pytest.mark.skipif(sys.platform != "linux", reason="only there a process is split in two")
def test_a_worker_of_a_pool_which_may_start_none_does_all_itself():
    with get_context("fork").Pool(1) as pool:
        told = pool.apply_async(halved_in_a_worker, ([1, 2, 3],)).get(60)
    assert told == ([0.5, 1, 1.5], {})


@pytest.mark.skipif(sys.platform != "linux", reason="only there a process is split in two")
def test_half_of_a_split_process_ends_with_the_other_however_that_ends():
    code = """
import os
from agreement.report.run.second import Second
it = Second()
it.begin("work", (str, [1]))
print(it._process.pid, flush=True)
os.kill(os.getpid(), 9)
"""
    told = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, timeout=60, check=False
    )
    number = int(told.stdout)
    for _ in range(100):
        try:
            os.kill(number, 0)
        except ProcessLookupError:
            return
        if "State:\tZ" in Path(f"/proc/{number}/status").read_text(encoding="utf-8"):
            return  # ended; nobody has asked for it yet
        time.sleep(0.1)
    pytest.fail("it is still there")


def test_what_a_section_gives_can_be_sent(squad):
    report = open_report(squad.study)
    for name in ("chart", "differences"):
        block = getattr(report, name)()
        come = pickle.loads(pickle.dumps(sent(block)))
        assert come.html == block.html
        assert [one.svg[:5] for one in come.pictures] == ["<?xml"] * len(block.pictures)
    made = report.page.of_athletes(kind="squad")
    assert sent(made) is report.page.of_athletes(kind="squad")


def test_sections_are_shared_where_there_are_few_readings_however_many_pairs():
    """Shared at 192 000 readings and 40 000 pairs it cost no more; at a million readings it did."""

    def page(readings):
        cohort = SimpleNamespace(readings=SimpleNamespace(frame=range(readings)))
        return SimpleNamespace(album=SimpleNamespace(printing=False), cohort=cohort)

    assert second.worth_sharing(page(192_000))
    assert not second.worth_sharing(page(1_000_000))


@pytest.fixture
def copied():
    it = Second()
    yield it
    it.close()


def same(one, other):
    assert one.pairs.equals(other.pairs)
    assert one.exclusions.equals(other.exclusions)
    assert one.problems == other.problems
    assert one.study.inputs == other.study.inputs
    assert one.laboratory.frame.equals(other.laboratory.frame)


def read_by(second_process, study, **asked):
    """Return what reads studies for a report of one."""
    read = read_beside.reading(second_process, read_beside.Asked(study, **asked))
    return lambda place: read(place, earlier=None)


def test_a_small_study_is_read_in_the_copy_and_another_here(squad, copied, small_study, tmp_path):
    read = read_by(copied, squad.study)
    assert copied.begun
    with read_beside.quick_texts(squad.study):
        same(read(squad.study), read_cohort(squad.study))
    other = small_study(tmp_path / "other")
    same(read(other), read_cohort(other))


def test_what_the_statistics_are_computed_from_is_computed_there_too(copied, small_study, tmp_path):
    study = small_study(tmp_path / "crew")
    found = read_by(copied, study, evidence=True)(study)
    assert "evidence" in vars(found)
    with read_beside.quick_texts(study):
        assert_frame_equal(found.results.frame, read_cohort(study).results.frame)


def test_what_stops_a_study_is_said_as_if_read_here(copied, small_study, tmp_path):
    study = small_study(tmp_path / "crew")
    table = study / "lab_tests.csv"
    table.write_text(table.read_text(encoding="utf-8").replace("run", "swim?"), encoding="utf-8")
    with pytest.raises(TableError) as here:
        read_cohort(study)
    with pytest.raises(TableError) as there:
        read_by(copied, study)(study)
    assert there.value.problems == here.value.problems


def test_a_large_study_is_read_here_and_tells_how_far_it_is(squad, copied, monkeypatch):
    monkeypatch.setattr(read_beside, "MOST_BYTES", 0)
    read_by(copied, squad.study)(squad.study)
    assert not copied.begun


@pytest.mark.skipif(sys.platform != "linux", reason="only there a process is split in two")
def test_one_that_began_with_the_command_is_taken_and_one_not_needed_ends(monkeypatch):
    monkeypatch.setattr(second, "_processors", lambda: 2)
    monkeypatch.setattr(second, "_may_fork", lambda: True)
    second.begin_early(read_beside.load_to_read)
    (begun,) = second._EARLY
    with second_process() as taken:
        assert taken is begun
        assert taken.begun
    second.begin_early(read_beside.load_to_read)
    (begun,) = second._EARLY
    second.end_early()
    assert not begun.begun
    assert not second._EARLY


@pytest.mark.parametrize("lacks", [("_processors", 1), ("_may_fork", False)])
def test_where_one_process_does_all_there_is_none(monkeypatch, lacks):
    monkeypatch.setattr(second, "_processors", lambda: 2)
    monkeypatch.setattr(second, "_may_fork", lambda: True)
    monkeypatch.setattr(second, lacks[0], lambda: lacks[1])
    with second_process() as found:
        assert found is None


@pytest.mark.slow
@pytest.mark.parametrize("way", ["alone", "the second fails", "a copy of this process"])
def test_the_same_files_with_and_without_it(squad, tmp_path, monkeypatch, way):
    if way == "alone":
        monkeypatch.setattr(second, "_processors", lambda: 1)
    else:
        monkeypatch.setattr(second, "_processors", lambda: 2)
        monkeypatch.setattr(second, "_may_fork", lambda: True)
        if way == "the second fails":
            monkeypatch.setattr(Second, "_asked", lambda *_: 1 / 0)
    write_report(squad.study, tmp_path / "out", kind="squad")
    theirs, ours = checksums(squad.written.folder), checksums(tmp_path / "out")
    assert theirs.keys() == ours.keys()
    assert {n for n in ours if ours[n] != theirs[n]} <= {"report.ipynb", "report.html"}  # dated
