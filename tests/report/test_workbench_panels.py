"""The panels of the workbench without a browser: the same controls, moved by the test."""

import re
import sys
import tomllib
from pathlib import Path
from time import process_time

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "tables"))  # messy_exports
from messy_exports import CASES

from agreement.errors import AgreementError
from agreement.report.run.explaining import explained
from agreement.report.run.workbench import opened, served
from agreement.report.workbench.explore import Explore
from agreement.report.workbench.start import Start
from agreement.tables.study_file import TABLE_KEYS
from agreement.tables.study_lines import with_pairing

DEMO = Path(__file__).parents[2] / "demo_cohort"


@pytest.fixture(scope="module")
def explored():
    return Explore(DEMO)


@pytest.fixture
def panel(explored):
    """The panel as at first, whatever the test before did, or broke off doing."""
    agreed = explored.choices
    yield explored
    for name, value in agreed.items():
        explored.controls[name].value = value


def test_what_stands_at_first_is_what_was_agreed(panel):
    assert panel.tried == []
    assert "As agreed." in panel.said.value
    assert panel.picture.value.startswith("<svg")
    limits = panel.cohort.limits(*panel.controls["method"].value)
    assert limits.summary()[:60] in panel.said.value
    assert "Wrist device A" in dict(panel.controls["method"].options)  # as reports call it
    assert not re.search(r"[ (]-\d", re.sub("<[^>]+>", "", panel.said.value))  # real minus signs


def test_a_choice_that_was_tried_is_called_as_its_control(panel):
    panel.controls["minimum_days"].value = 3
    assert "Tried after the fact (Days with a reading needed)." in panel.said.value
    panel.controls["margin"].value = 6.0
    assert "Not both limits lie within ±6." in panel.said.value


@pytest.mark.slow
def test_every_control_changes_what_is_shown_within_a_second_and_marks_it_as_tried(panel):
    panel.controls["method"].value = ("wrist_a", "run")
    moves = {
        "days_before": 5,
        "summary_days": 3,
        "minimum_days": 3,
        "summary": "median",
        "confirmed": True,
        "margin": 9.0,
        "coverage": 0.8,
    }
    for name, value in moves.items():
        control, before = panel.controls[name], panel.controls[name].value
        shown = panel.said.value + panel.picture.value
        start = process_time()
        control.value = value
        assert process_time() - start < 2  # of work; a busy machine takes longer over it
        assert panel.said.value + panel.picture.value != shown, name
        assert panel.tried == [name]
        assert "Tried after the fact" in panel.said.value
        assert "verdict stays that of the agreed" in panel.said.value
        control.value = before
        assert panel.tried == []


def test_too_few_people_get_no_limits(panel):
    panel.controls["method"].value = ("wrist_a", "run")
    panel.controls["minimum_days"].value = 14
    assert "too few" in panel.said.value or "no pairs" in panel.said.value


def test_choices_are_written_and_nothing_else_changes(tmp_path):
    study = tmp_path / "study"
    start = Start(tmp_path)
    start.name.value = "study"
    filled(start, "a footer with means")
    text = (study / "study.toml").read_text(encoding="utf-8")
    panel = Explore(study)
    panel.controls["days_before"].value = 21
    panel.controls["margin"].value = 9.0
    panel.write.click()
    changed = (study / "study.toml").read_text(encoding="utf-8")
    assert tomllib.loads(changed)["pairing"]["days_before"] == 21
    assert (
        "margin" not in tomllib.loads(changed)
        or "limit_ml_kg_min" not in tomllib.loads(changed)["margin"]
    )
    assert len(changed.splitlines()) == len(text.splitlines())
    assert Explore(study).tried == []
    assert "stays" in panel.written.value


def filled(start, name):
    """Choose the files of a messy case, and read them."""
    files = CASES[name][0]
    start.files.value = tuple(
        {
            "name": file,
            "type": "",
            "size": len(content),
            "content": memoryview(content if isinstance(content, bytes) else content.encode()),
            "last_modified": __import__("datetime").datetime.now(),
        }
        for file, content in files.items()
    )
    start.propose.click()


def test_from_files_to_the_findings_without_a_line_of_text(tmp_path):
    start = Start(tmp_path)
    start.name.value = "../squad"  # never outside the place
    filled(start, "no mode anywhere")
    assert (tmp_path / "squad" / "study.toml").is_file()
    assert len(start.table.children) > 30
    assert len(start.questions) == 2
    assert "run" in start.questions[0][1].options
    start.check.click()
    assert "is to be decided" in start.said.value
    for _, control in start.questions:
        control.value = "run"
    start.check.click()
    assert start.questions == []
    assert "Stops the run" not in start.said.value
    menu = next(m for t, o, m in start.columns if (t, o) == ("lab_tests", "mass_kg"))
    menu.value = "(not read)"
    start.check.click()
    found = tomllib.loads((tmp_path / "squad" / "study.toml").read_text(encoding="utf-8"))
    assert "mass_kg" not in found["files"]["lab_tests"]["columns"]
    menu.value = "mass_kg"
    start.check.click()
    found = tomllib.loads((tmp_path / "squad" / "study.toml").read_text(encoding="utf-8"))
    assert "mass_kg" in found["files"]["lab_tests"]["columns"]


def test_what_cannot_be_done_is_said_on_the_page(tmp_path):
    start = Start(tmp_path)
    start.propose.click()
    assert "no file" in start.said.value
    start.check.click()
    assert "study.toml" in start.said.value


def test_keys_are_set_in_place_or_not_at_all():
    text = "[pairing]\n# days_before = 14\ndays_before = 7  # a week\n[pairing.field_tests]\ndays_before = 1\n"
    changed = with_pairing(text, {"days_before": 9, "same_day": True, "summary": "last"})
    assert "days_before = 9  # a week\n" in changed
    said = tomllib.loads(changed)["pairing"]
    assert said.pop("field_tests") == {"days_before": 1}
    assert said == {"days_before": 9, "same_day": True, "summary": "last"}
    assert tomllib.loads(with_pairing("[study]\n", {"same_day": True}))["pairing"]["same_day"]
    with pytest.raises(AgreementError, match="by hand"):
        with_pairing("[pairing]\ndays_before = [\n1\n]\n", {"days_before": 9})


def test_the_notebooks_are_written_beside_the_study(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "study").mkdir()
    notebook = opened(tmp_path / "study", None)
    assert notebook.name == "study-explore.ipynb"
    assert 'study = \\"study\\"' in notebook.read_text(encoding="utf-8").replace("'", '\\"')
    assert opened(None, None) == tmp_path / "agreement-start.ipynb"
    with pytest.raises(AgreementError, match="no folder"):
        opened(tmp_path / "nowhere", None)


def test_jupyter_listens_on_this_machine_alone_with_its_token(monkeypatch):
    monkeypatch.setattr("os.geteuid", lambda: 0)
    options = served(None, browser=True)
    assert options == ["--ServerApp.ip=localhost", "--allow-root"]
    monkeypatch.setattr("os.geteuid", lambda: 1000)
    assert "--allow-root" not in served(8899, browser=False)
    assert not [o for o in options if "token" in o or "password" in o]


def test_in_a_narrow_window_the_figure_stands_below_the_controls(panel):
    both = panel.panel.children[1]
    assert both.layout.flex_flow == "row wrap"
    assert both.children[0].layout.flex == "none"  # they keep their width


def declared_keys():
    """Return every key of the tables of study.toml."""
    return [f"{table}.{key}" for table, keys in TABLE_KEYS.items() for key in keys]


def test_every_kind_of_name_is_explained():
    assert "reason why a row was left out" in explained("no_mass")
    assert "a column of lab_tests" in explained("rer_max")
    assert "margin.limit_ml_kg_min: a key of study.toml" in explained("limit_ml_kg_min")
    assert "Computed:" in explained("sd_of_differences")
    assert "files.TABLE.values" in explained("values")
    assert "the column note of results.csv: its interval" in explained("jackknife_t")
    assert explained("few repeats") == explained("few_repeats")
    assert "a key of [confirm]: two ids carry" in explained("twins")
    assert explained("pairing").startswith("pairing: a table of study.toml: which estimates")
    assert "a table; its columns: analysis, method" in explained("results.csv")
    keys = [line for name in declared_keys() for line in explained(name).splitlines()]
    bare = [one for one in keys if re.search(r"a key of study.toml \([^()]*\)\.$", one)]
    assert [one for one in bare if not one.startswith(("confirm.", "files."))] == []
    assert "a group of results.csv: confirmed maxima only" in explained("confirmed")
    assert "a field test: distance run in 12 minutes (" in explained("run_12min_1968")
    assert "`agreement check` notes: The limit was agreed on ..., after" in explained("late_margin")
    with pytest.raises(AgreementError, match="days_before"):
        explained("days_befor")


def test_files_dropped_on_the_panel_are_read_and_never_written_outside(tmp_path):
    start = Start(tmp_path / "place")
    (tmp_path / "place").mkdir()
    files = {f"../../exports/{n}": text for n, text in CASES["no mode anywhere"][0].items()}
    start.dropped.files = [
        {"name": name, "content": memoryview(text.encode())} for name, text in files.items()
    ]
    start.read_files()
    assert "2 to decide above." in start.said.value
    assert sorted(path.name for path in tmp_path.iterdir()) == ["place"]


def test_files_of_one_name_are_both_read_or_refused_and_never_one_for_the_other(tmp_path):
    start = Start(tmp_path)
    filled(start, "no mode anywhere")  # chosen; what follows is dropped
    (tmp_path / "study").rename(tmp_path / "first")
    name, text = next(iter(CASES["no mode anywhere"][0].items()))
    told = {f"{crew}/a/b/c/notes.txt": f"of the {crew}" for crew in ("north", "south")} | {
        name: text
    }
    start.dropped.files = [
        {"name": place, "content": memoryview(one.encode())} for place, one in told.items()
    ]
    start.propose.click()  # a file both chosen and dropped is one
    assert "2 to decide above." in start.said.value
    kept = [path.read_text("utf-8") for path in (tmp_path / "study").rglob("notes*.txt")]
    assert sorted(kept) == ["of the north", "of the south"]
    (tmp_path / "study").rename(tmp_path / "second")
    start.dropped.files = [{"name": name, "content": memoryview(b"another")}]
    start.propose.click()
    assert f"Two unlike files are named {name}" in start.said.value
    assert not (tmp_path / "study").exists()


def test_files_dropped_into_a_folder_beside_the_notebook_are_read(tmp_path):
    (tmp_path / "exports").mkdir()
    for name, content in CASES["no mode anywhere"][0].items():
        (tmp_path / "exports" / name).write_text(content, encoding="utf-8")
    start = Start(tmp_path)
    start.folder.value = "../exports"  # never outside the place
    start.propose.click()
    assert len(start.questions) == 2
    assert (tmp_path / "study" / "study.toml").is_file()
