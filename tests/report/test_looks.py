"""A report remembers what it judged: yardstick and look of the one before are counted."""

import json
from itertools import count

import pytest
from opened import open_report

from agreement.report.run.folder import JUDGED

MARGIN = "\n[margin]\nlimit_ml_kg_min = 15\nagreed_on = 2026-01-10\n{}\n"


@pytest.fixture
def note(small_study, tmp_path):
    """Write a study with so many athletes and keys of the margin, report it, return the note."""
    folder = tmp_path / "report"
    folder.mkdir()

    counted = count()

    def written(athletes, keys):
        study = small_study(tmp_path / f"study{next(counted)}", athletes=athletes, visits=1)
        toml = (study / "study.toml").read_text(encoding="utf-8")
        (study / "study.toml").write_text(toml.partition("[margin]")[0] + MARGIN.format(keys))
        report = open_report(study, save=folder)
        report.save()
        frame = report.results.frame
        return frame.loc[frame["statistic"] == "within_margin", "note"].iloc[0]

    written.folder = folder
    return written


@pytest.mark.slow
def test_pairs_added_without_counting_a_look_are_told_until_it_is_counted(note):
    key = 'against = "laboratory test"\nplanned_looks = 2\n'
    assert note(14, key) == "acceptable; laboratory test"
    assert note(16, key) == "acceptable; laboratory test; look_not_counted"
    assert note(16, key) == "acceptable; laboratory test; look_not_counted"  # told again
    assert note(16, key + "look = 2") == "acceptable; laboratory test"
    kept = json.loads((note.folder / "provenance.json").read_text(encoding="utf-8"))[JUDGED]
    assert (kept["against"], kept["look"]) == ("laboratory test", 2)


@pytest.mark.slow
def test_another_yardstick_than_the_one_agreed_first_is_withheld_each_time(note):
    assert note(14, "") == "acceptable; laboratory test; against_not_stated"
    changed = 'against = "true value"'
    assert note(14, changed).startswith("withheld; against_changed; true value")
    assert note(14, changed).startswith("withheld; against_changed; true value")
