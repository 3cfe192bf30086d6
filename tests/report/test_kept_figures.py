"""A figure drawn of the same things is that of the last run; whatever changes, it is drawn anew."""

import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from agreement.figures.estimates import ABSENT, Caption
from agreement.report.page.pictures import Album, drawing, picture
from agreement.report.run import kept
from agreement.report.run.kept import kept_figures
from agreement.report.run.write import write_report

DEMO = Path(__file__).parents[2] / "demo_cohort"
CAPTION = Caption("structural", {"slope": ABSENT, "name": "m"})
TIMES = []


def line(frame, *, wide=1.0, ax):
    TIMES.append("line")
    ax.plot(frame["x"], frame["y"], color="black", linewidth=wide)


def other(frame, *, wide=1.0, ax):
    TIMES.append("other")
    ax.plot(frame["y"], frame["x"], color="black", linewidth=wide)


def frame(last=2.0):
    return pd.DataFrame({"x": [0.0, 1.0], "y": [1.0, last]})


SAME = {"function": line, "frame": frame(), "wide": 1.0, "panels": 1, "height": 3.0, "panel": 0}
CHANGES = {
    "function": other,
    "frame": frame(np.nextafter(2.0, 3.0)),
    "wide": 1.5,
    "panels": 2,
    "height": 3.1,
}


def drawn(album, **changed):
    it = SAME | changed
    told = {"wide": it["wide"], "panel": it["panel"]}
    made = picture(
        "one",
        drawing(it["function"], it["frame"], **told),
        [CAPTION] * it["panels"],
        height=it["height"],
        panels=it["panels"],
    )
    album.keep(made)
    return made


def run(place, tmp_path, **changed):
    TIMES.clear()
    with kept_figures((place, "k")):
        return drawn(Album(tmp_path / "figures"), **changed)


@pytest.fixture
def place(tmp_path):
    return tmp_path / "abc.samples"


def test_the_same_figure_is_not_drawn_again(place, tmp_path):
    first = run(place, tmp_path, frame=frame())
    assert TIMES == ["line"]
    again = run(place, tmp_path, frame=frame())
    assert TIMES == []
    assert (again.svg, again.tops, again.block.html) == (first.svg, first.tops, first.block.html)
    file = place.with_suffix(kept.FIGURES)
    assert file.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("what", [*CHANGES, "panel"])
def test_whatever_it_is_drawn_of_changes_it_is_drawn(place, tmp_path, what):
    start = {"panels": 2} if what == "panel" else {}
    run(place, tmp_path, **start)
    changed = start | {what: CHANGES.get(what, 1)}
    made = run(place, tmp_path, **changed)
    assert len(TIMES) == 1
    plain = drawn(Album(None), **changed)
    assert made.svg == plain.svg


def test_what_a_run_did_not_use_is_gone_and_another_program_uses_none(place, tmp_path):
    run(place, tmp_path)
    run(place, tmp_path, wide=2.0)
    run(place, tmp_path)
    assert TIMES == ["line"]
    with kept_figures((place, "another program")):
        drawn(Album(tmp_path / "figures"))
    assert TIMES == ["line", "line"]


@pytest.mark.parametrize("damage", [b"", b"{}", None])
def test_a_damaged_file_is_not_used(place, tmp_path, damage):
    first = run(place, tmp_path)
    file = place.with_suffix(kept.FIGURES)
    content = file.read_bytes()
    file.write_bytes(content.replace(b"path", b"pith", 1) if damage is None else damage)
    assert run(place, tmp_path).svg == first.svg
    assert TIMES == ["line"]


def test_what_cannot_be_told_apart_is_not_kept(place, tmp_path):
    made = run(place, tmp_path, function=lambda frame, **told: line(frame, **told))
    assert made.made_of == ""
    body = place.with_suffix(kept.FIGURES).read_bytes().split(b"\n", 1)[1]
    assert json.loads(body) == {}


def test_a_run_that_fails_keeps_none(place, tmp_path):
    keeping_them = kept_figures((place, "k"))
    keeping_them.__enter__()
    drawn(Album(tmp_path / "figures"))
    failed = OSError("full")
    assert not keeping_them.__exit__(OSError, failed, None)
    assert not list(tmp_path.glob("abc*"))


def test_where_nothing_is_kept_nothing_is_told_apart(tmp_path):
    assert drawn(Album(tmp_path / "figures")).made_of == ""


@pytest.mark.slow
def test_a_figure_that_was_kept_is_printed(place, tmp_path):
    run(place, tmp_path)
    with kept_figures((place, "k")):
        album = Album(tmp_path / "printed", png=True)
        drawn(album)
    plain = Album(tmp_path / "plain", png=True)
    drawn(plain)
    one, two = ((tmp_path / name / "one.png").read_bytes() for name in ("printed", "plain"))
    assert one == two


@pytest.mark.slow
def test_after_a_changed_field_value_the_other_methods_figures_are_kept(tmp_path, monkeypatch):
    monkeypatch.setenv(kept.CACHE_VARIABLE, str(tmp_path / "cache"))
    study = Path(shutil.copytree(DEMO, tmp_path / "demo"))
    write_report(study, tmp_path / "out", cache=True)
    before = figures_of(tmp_path)
    table = study / "field_estimates.csv"
    head, first, *rest = table.read_text(encoding="utf-8").split("\n")
    number = head.split(",").index("vo2max_ml_kg_min")
    cells = first.split(",")
    cells[number] = str(float(cells[number]) + 1.5)
    table.write_text("\n".join([head, ",".join(cells), *rest]), encoding="utf-8")
    shutil.copytree(tmp_path / "out", tmp_path / "plain")
    write_report(study, tmp_path / "out", cache=True)
    after = figures_of(tmp_path)
    assert len(after) > len(before.keys() & after.keys()) > len(after) / 3
    write_report(study, tmp_path / "plain", cache=False)
    names = sorted(one.name for one in (tmp_path / "out" / "figures").iterdir())
    assert names == sorted(one.name for one in (tmp_path / "plain" / "figures").iterdir())
    for name in names:
        one, two = ((tmp_path / out / "figures" / name) for out in ("out", "plain"))
        assert one.read_bytes() == two.read_bytes(), name


def figures_of(tmp_path):
    (file,) = (tmp_path / "cache").glob(f"*{kept.FIGURES}")
    return json.loads(file.read_bytes().split(b"\n", 1)[1])
