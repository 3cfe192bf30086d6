"""Templates are compiled once; whatever their code depends on compiles them anew."""

import os
import sys

import pytest
from jinja2 import Environment, TemplateNotFound

from agreement.report.page import compiled, machine
from agreement.report.page.compiled import CompiledLoader


@pytest.fixture
def place(tmp_path, monkeypatch):
    folder = tmp_path / "templates"
    folder.mkdir()
    (folder / "one.j2").write_text("{{ 1 + 1 }}")
    made_by = tmp_path / "compiler.py"
    made_by.write_text("1")
    monkeypatch.setattr(compiled, "FOLDER", folder)
    monkeypatch.setattr(compiled, "_MADE_BY", (str(made_by),))
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    monkeypatch.setattr(sys, "pycache_prefix", None)
    return folder


@pytest.fixture
def made(monkeypatch):
    """The templates that were compiled, in their order."""
    names = []
    own = Environment.compile

    def compile_(self, source, name=None, *rest, **more):
        names.append(name)
        return own(self, source, name, *rest, **more)

    monkeypatch.setattr(Environment, "compile", compile_)
    return names


def rendered(name="one.j2"):
    return Environment(loader=CompiledLoader("agreement.report.page")).get_template(name).render()


def test_a_template_is_compiled_once(place, made):
    assert [rendered(), rendered()] == ["2", "2"]
    assert made == ["one.j2"]
    assert [one.name for one in (place / "__pycache__").iterdir()] == [
        f"one.{sys.implementation.cache_tag}.pyc"
    ]


@pytest.mark.parametrize(
    "what", ["source", "time", "compiler", "damage", "half", "garbled", "another kind"]
)
def test_each_change_compiles_it_anew(place, made, what):
    assert rendered() == "2"
    source, made_by = place / "one.j2", place.parent / "compiler.py"
    (kept,) = (place / "__pycache__").iterdir()
    if what == "source":
        source.write_text("{{ 1 + 10 }}")
    elif what == "time":
        os.utime(source, (1, 1))
    elif what == "compiler":
        made_by.write_text("22")
    elif what == "damage":
        kept.write_bytes(kept.read_bytes()[:3])
    elif what == "half":  # on a full disk
        kept.write_bytes(kept.read_bytes()[:-50])
    elif what == "garbled":
        kept.write_bytes(kept.read_bytes()[:40] + b"\xff" * 20 + kept.read_bytes()[60:])
    else:
        kept.write_bytes(b"\0\0\0\0" + kept.read_bytes()[4:])
    assert rendered() == ("11" if what == "source" else "2")
    assert made == ["one.j2"] * 2
    for _ in range(2):
        assert rendered() == ("11" if what == "source" else "2")
    assert len(made) == 2 + (what in ("half", "garbled"))  # then it is kept again


def test_where_nothing_may_be_written_it_is_compiled_each_time(place, made, monkeypatch):
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    assert [rendered(), rendered()] == ["2", "2"]
    assert made == ["one.j2"] * 2
    assert not (place / "__pycache__").exists()


@pytest.mark.usefixtures("place")
def test_what_is_not_there_is_said():
    with pytest.raises(TemplateNotFound):
        rendered("two.j2")


def test_what_is_kept_is_no_template(place, monkeypatch):
    assert rendered() == "2"
    assert any((place / "__pycache__").iterdir())
    loader = CompiledLoader("agreement.report.page")
    loader._template_root = str(place)
    environment = Environment(loader=loader)
    monkeypatch.setattr(machine, "_environment", lambda: environment)
    assert list(machine.prepared()) == ["one.j2"]
