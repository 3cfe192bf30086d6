"""No text of a study, a path or an argument steers a terminal: every field is walked."""

import csv
import io
import os
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout

import pytest
from markupsafe import Markup
from small_study import BARE, write_folder
from turns import slowly

from agreement.cli import main
from agreement.errors import Problem, in_one_line, visible
from agreement.figures.canvas import blank, svg_text
from agreement.figures.inline import inline_svg
from agreement.report.page.html import whole_page

# escape, bell, C1 control, right-to-left override, isolate, line and paragraph separator
EVIL = "\x1b[31m\x07\x9b2J\u202e\u2066\u2028\u2029\u200b"
SEEN = ("\\x1b", "\\x9b", "\\u202e", "\\u2028")
RAW = [c for c in EVIL if not c.isprintable()]
WORDS = {
    "title": ("study.toml", b"[study]\n", '[study]\ntitle = "{}"\n'),
    "method label": ("study.toml", b"[study]\n", '[methods."{}"]\n[study]\n'),
    "unknown key": ("study.toml", b"[study]\n", '["{}"]\n[study]\n'),
    "confirm": ("study.toml", b"[study]\n", '[confirm]\n"{}" = true\n[study]\n'),
    "athlete of a test": ("lab.csv", b"T1,007", "T1,{}"),
    "test": ("lab.csv", b"T1,", "{},"),
    "mode": ("lab.csv", b",run,52.4", ",{},52.4"),
    "date": ("lab.csv", b"2026-03-02", "{}"),
    "value": ("lab.csv", b"52.4", "{}"),
    "column": ("lab.csv", b"lab_test_id,", "{},lab_test_id,"),
    "method": ("field_estimates.csv", b",m,run,50", ",{},run,50"),
    "time": ("field_estimates.csv", b"2026-02-25T09:00:00Z", "{}"),
    "reading's athlete": ("field_estimates.csv", b"K9,", "{},"),
}


def toml_safe(text):
    return "".join(f"\\u{ord(c):04x}" if not c.isprintable() else c for c in text)


def quiet(text):
    return not [c for c in RAW if c in text]


def run(*words):
    """Run a command in this process, as the program's own start does."""
    data, said = io.StringIO(), io.StringIO()
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(data), redirect_stderr(said):
        patch.setattr(sys, "argv", ["agreement", *map(str, words)])
        try:
            code = main()
        except SystemExit as end:
            code = end.code
    return code or 0, data.getvalue(), said.getvalue()


def run_alone(*words):
    """Run a command in a process of its own."""
    command = [sys.executable, "-m", "agreement", *map(str, words)]
    done = subprocess.run(command, capture_output=True, check=False)
    return done.returncode, done.stdout.decode("utf-8"), done.stderr.decode("utf-8")


LIKE_OTHERS = ("test", "mode", "date", "value", "time")


@pytest.mark.parametrize(
    "field", [*(f for f in WORDS if f not in LIKE_OTHERS), *slowly(LIKE_OTHERS)]
)
def test_no_field_of_a_study_reaches_the_terminal_raw(field, tmp_path):
    file, old, new = WORDS[field]
    study = dict(BARE)
    evil = (
        toml_safe(EVIL)
        if file.endswith(".toml")
        else EVIL.replace("\u2028", "").replace("\u2029", "")
    )
    assert old in study[file]
    study[file] = study[file].replace(old, new.format(evil).encode(), 1)
    place = write_folder(study, tmp_path / "crew")
    for words in (("check", place), ("check", place, "--json")):
        alone = field == "title" and "--json" not in words
        code, data, said = (run_alone if alone else run)(*words)
        assert code in (0, 2), said
        assert quiet(data + said)
        if "--json" in words:
            assert data.isascii()


@pytest.mark.skipif(os.name == "nt", reason="such names are refused there")
def test_no_path_or_argument_reaches_the_terminal_raw(tmp_path):
    study = write_folder(BARE, tmp_path / f"crew\n{EVIL}")
    for words in (
        ("check", study),
        ("pair", study, "--out", tmp_path / f"out\n{EVIL}"),
        ("check", tmp_path / f"nowhere{EVIL}"),
        ("report", tmp_path / f"nowhere{EVIL}"),
        (EVIL,),
        ("check", study, f"--{EVIL}"),
    ):
        code, data, said = run(*words)
        assert code in (0, 2), said
        assert quiet(data + said), (words, data, said)
    code, data, _ = run("pair", study, "--out", tmp_path / "out\nStopped: forged")
    assert code == 0
    assert all(str(tmp_path) in line for line in data.splitlines())


def test_every_part_of_a_problem_is_visible_and_in_one_line():
    for place in ("file", "column", "what", "remedy"):
        parts = {"file": "f", "column": "c", "what": "w", "remedy": "r"} | {place: f"a\n{EVIL}"}
        said = str(
            Problem("note", "x", parts["file"], 2, parts["column"], parts["what"], parts["remedy"])
        )
        assert quiet(said)
        assert "\n" not in said
        assert all(seen in said for seen in SEEN)


@pytest.mark.parametrize("text", ["Größe 5 µm é 東京 🙂", "a\tb\nc", ""])
def test_plain_text_of_any_language_stays(text):
    assert visible(text) == text
    assert in_one_line(text).replace("\\t", "\t").replace("\\n", "\n") == text


def test_full_width_formula_marks_are_disarmed(tmp_path):
    study = dict(BARE)
    for mark in ("\uff1d", "\uff0b", "\uff0d", "\uff20"):
        study["lab.csv"] = study["lab.csv"].replace(b"T1,007", f"{mark}T1,007".encode(), 1)
        code, _, said = run(
            "pair", write_folder(study, tmp_path / "crew"), "--out", tmp_path / "out"
        )
        assert code == 0, said
        text = (tmp_path / "out" / "pairs.csv").read_text(encoding="utf-8")
        rows = list(csv.DictReader(io.StringIO(text)))
        study["lab.csv"] = BARE["lab.csv"]
        assert f"'{mark}T1" in [row["lab_test_id"] for row in rows]


@pytest.mark.filterwarnings("ignore:Glyph")  # no font has one for them
def test_a_page_and_its_figures_hold_no_such_character():
    figure, (ax,) = blank()
    ax.set_xlabel(EVIL)
    (drawn,) = inline_svg(svg_text(figure), name="evil", alts=[EVIL])
    page = whole_page(EVIL, EVIL, Markup(drawn), day=EVIL)
    assert not any(c in page for c in RAW)
    assert all(seen in page for seen in SEEN)
