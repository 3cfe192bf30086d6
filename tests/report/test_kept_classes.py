"""The code of dataclasses is compiled once, found by its whole text, and never taken damaged."""

import os
import sys

import pytest

from agreement.report.run import classes

TEXT = "def double(x):\n return 2 * x"


@pytest.fixture
def place(tmp_path, monkeypatch):
    monkeypatch.setattr(classes, "OWN_FILE", tmp_path / "classes.py")
    monkeypatch.setattr(classes.atexit, "register", lambda _: None)
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    monkeypatch.setattr(sys, "pycache_prefix", None)
    return tmp_path / "__pycache__" / f"written.{sys.implementation.cache_tag}.pyc"


def run(*texts):
    """Run texts in a process of their own, as it were; return what each names, and what was new."""
    writer, found = classes._Written(), {}
    for text in texts:
        writer(text, {}, found)
    writer._keep()
    return found, list(writer._new)


def test_a_text_is_compiled_once_and_does_the_same(place):
    for new in ([TEXT], []):
        found, compiled = run(TEXT)
        assert compiled == new
        assert found["double"](4) == 8
    assert [one.name for one in place.parent.iterdir()] == [place.name]


def test_another_text_is_another_code_and_both_are_kept(place):
    other = TEXT.replace("2 *", "3 *")
    run(TEXT)
    assert run(other)[1] == [other]
    found, compiled = run(TEXT, other)
    assert not compiled
    assert found["double"](4) == 12
    assert place.exists()


@pytest.mark.parametrize("what", ["cut", "empty", "garbled", "another Python"])
def test_what_is_damaged_is_compiled_anew(place, what):
    run(TEXT)
    kept = place.read_bytes()
    damaged = {
        "cut": kept[:-5],
        "empty": b"",
        "garbled": kept[:30] + b"\xff" + kept[31:],
        "another Python": b"\0\0\0\0" + kept[4:],
    }
    place.write_bytes(damaged[what])
    found, compiled = run(TEXT)
    assert compiled == [TEXT]
    assert found["double"](4) == 8
    assert place.read_bytes() == kept


def test_texts_of_many_versions_do_not_gather(place, monkeypatch):
    monkeypatch.setattr(classes, "_MOST", 1)
    for number in range(3):
        run(TEXT.replace("2", str(number)))
    assert list(classes._kept()) == [TEXT.replace("2", "2")]
    assert place.exists()


def test_nothing_is_written_where_python_may_not_or_by_a_copy_of_the_process(place, monkeypatch):
    with monkeypatch.context() as copied:
        copied.setattr(os, "getpid", lambda: 1)
        writer = classes._Written()
    writer(TEXT, {}, {})
    writer._keep()
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    assert run(TEXT)[1] == [TEXT]
    assert not place.parent.exists()
