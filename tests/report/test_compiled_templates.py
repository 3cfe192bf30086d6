"""Templates are compiled once; whatever their code depends on compiles them anew."""

import sys

import pytest
from jinja2 import Environment, FileSystemLoader, TemplateNotFound

from agreement.report.page import machine
from agreement.report.page.machine import Compiled


@pytest.fixture
def place(tmp_path, monkeypatch):
    (tmp_path / "one.j2").write_text("{{ 1 + 1 }}")
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    return tmp_path


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


def templates(place):
    kept = Compiled(place / "__pycache__")
    return Environment(loader=FileSystemLoader(place), bytecode_cache=kept, auto_reload=False)


def rendered(place, name="one.j2"):
    return templates(place).get_template(name).render()


def test_a_template_is_compiled_once(place, made):
    assert [rendered(place), rendered(place)] == ["2", "2"]
    assert made == ["one.j2"]
    assert len(list((place / "__pycache__").iterdir())) == 1


@pytest.mark.parametrize(
    "what", ["source", "compiler", "damage", "half", "garbled", "another kind"]
)
def test_each_change_compiles_it_anew(place, made, monkeypatch, what):
    assert rendered(place) == "2"
    (kept,) = (place / "__pycache__").iterdir()
    if what == "source":
        (place / "one.j2").write_text("{{ 1 + 10 }}")
    elif what == "compiler":
        monkeypatch.setattr(Compiled, "made_by", "another")
    elif what == "damage":
        kept.write_bytes(kept.read_bytes()[:3])
    elif what == "half":  # on a full disk
        kept.write_bytes(kept.read_bytes()[:-50])
    elif what == "garbled":
        kept.write_bytes(kept.read_bytes()[:40] + b"\xff" * 20 + kept.read_bytes()[60:])
    else:
        kept.write_bytes(b"\0\0\0\0" + kept.read_bytes()[4:])
    assert rendered(place) == ("11" if what == "source" else "2")
    assert made == ["one.j2"] * 2
    assert rendered(place) == ("11" if what == "source" else "2")
    assert len(made) == 2  # it is kept again


def test_where_nothing_may_be_written_it_is_compiled_each_time(place, made, monkeypatch):
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    assert [rendered(place), rendered(place)] == ["2", "2"]
    assert made == ["one.j2"] * 2
    assert not (place / "__pycache__").exists()


def test_a_folder_that_cannot_be_written_ends_no_report(place, made):
    (place / "__pycache__").write_text("no folder")
    assert [rendered(place), rendered(place)] == ["2", "2"]
    assert made == ["one.j2"] * 2


def test_what_is_not_there_is_said(place):
    with pytest.raises(TemplateNotFound):
        rendered(place, "two.j2")


def test_what_is_kept_is_no_template(place, monkeypatch):
    assert rendered(place) == "2"
    assert any((place / "__pycache__").iterdir())
    monkeypatch.setattr(machine, "_environment", lambda: templates(place))
    assert list(machine.prepared()) == ["one.j2"]
