"""A second process changes no byte; where it fails, this process does all of the work."""

from concurrent.futures import Future

import pytest

from agreement.report.run import second
from agreement.report.run.second import Second, Shared, second_process
from agreement.report.run.verifying import checksums
from agreement.report.run.write import write_report


class Asked:
    """Stands for the second process: keeps what it was asked, answers when told."""

    def __init__(self):
        self.futures = []

    def ask(self, _function, name):
        self.futures.append((name, Future()))
        return self.futures[-1][1]


def test_two_processes_take_pieces_from_both_ends_and_none_twice():
    asked, made = Asked(), []
    shared = Shared(asked, "abcd", lambda name: made.append(name) or name.upper(), None)
    assert [name for name, _ in asked.futures] == ["d"]
    asked.futures[0][1].set_result("from there")
    assert [name for name, _ in asked.futures] == ["d", "c"]
    assert shared.of("a") == "A"
    asked.futures[1][1].set_exception(EOFError())  # it ended: all that is left is made here
    assert [shared.of(name) for name in "bcd"] == ["B", "C", "from there"]
    assert made == ["a", "b", "c"]
    assert len(asked.futures) == 2


def test_it_computes_raises_and_ends():
    it = Second()
    try:
        assert it.ask(divmod, 7, 2).result(60) == (3, 1)
        with pytest.raises(RuntimeError, match="ZeroDivisionError"):
            it.ask(divmod, 7, 0).result(60)
    finally:
        it.close()
    assert it._process.poll() is not None


def test_a_single_processor_gets_none(monkeypatch):
    monkeypatch.setattr(second, "_processors", lambda: 1)
    with second_process() as found:
        assert found is None


@pytest.mark.slow
@pytest.mark.parametrize("way", ["alone", "the second fails"])
def test_the_same_files_with_and_without_it(squad, tmp_path, monkeypatch, way):
    if way == "alone":
        monkeypatch.setattr(second, "_processors", lambda: 1)
    else:
        monkeypatch.setattr(second, "_processors", lambda: 2)
        monkeypatch.setattr(Second, "_asked", lambda *_: 1 / 0)
    write_report(squad.study, tmp_path / "out", kind="squad")
    theirs, ours = checksums(squad.written.folder), checksums(tmp_path / "out")
    assert theirs.keys() == ours.keys()
    assert {n for n in ours if ours[n] != theirs[n]} <= {"report.ipynb", "report.html"}  # dated
