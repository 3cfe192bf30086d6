"""Studies that lack something: the report says so in words. Sections only, no kernel."""

import re

import pytest

from agreement.report.page import open_report

NO_MARGIN = '[study]\ntime_zone = "UTC"\n[profile]\nuse = "stated"\n'
LATE = NO_MARGIN + "[margin]\nlimit_ml_kg_min = 9\nagreed_on = 2026-06-01\n"
AGREED = NO_MARGIN + "[margin]\nlimit_ml_kg_min = {}\nagreed_on = 2026-01-10\n"
SECTIONS = (
    "heading",
    "verdict",
    "next_steps",
    "flow",
    "differences",
    "profiles",
    "regression",
    "budget",
    "averaging",
    "change",
    "athletes",
    "left_out",
    "cautions",
    "methods",
    "provenance",
)


@pytest.fixture
def shown(small_study, tmp_path):
    """Return a function: a study's keys -> the text of every section."""

    def show(*sections, **keys):
        report = open_report(small_study(tmp_path / "crew", **keys))
        return {
            name: re.sub(r"<[^>]+>", "", getattr(report, name)().html)
            for name in sections or SECTIONS
        }

    return show


def test_without_a_pair_every_section_still_speaks(shown):
    text = shown(athletes=3, days_back=(60, 62))
    assert "not one field value could be paired" in text["verdict"]
    assert "no pair was found" in text["differences"]
    assert "No field value could be paired" in text["flow"]
    assert "No athlete has a pair" in text["athletes"]


def test_three_athletes_get_no_limits(shown):
    text = shown(athletes=3)
    assert "3 athletes are too few" in text["verdict"]
    assert "too few athletes" in text["differences"]


def test_without_a_margin_there_is_no_verdict(shown):
    text = shown("verdict", "next_steps", toml=NO_MARGIN)
    assert "No limit agreed" in text["verdict"]
    assert "no limit was agreed beforehand" in text["verdict"]
    assert "Agree on a limit" in text["next_steps"]


def test_a_limit_agreed_after_the_first_test_is_said(shown):
    text = shown("verdict", toml=LATE)
    assert "Withheld" in text["verdict"]
    assert "2026-06-01" in text["verdict"]


@pytest.mark.parametrize(
    ("limit", "word", "sentence"),
    [  # the readings are made 3 below the laboratory's, the mean of three scatters by 1.2
        (20, "Acceptable.", "the agreed limit of 20 mL/kg/min is met"),
        (2, "Not acceptable.", "the agreed limit of 2 mL/kg/min is not met"),
        (6.5, "Undecided.", "more athletes would be needed"),
    ],
)
def test_a_limit_is_met_or_not_or_undecided_in_words(shown, limit, word, sentence):
    text = shown("verdict", toml=AGREED.format(limit))["verdict"]
    assert text.startswith(word)
    assert sentence in text
    assert "2026-01-10" in text


def test_three_athletes_get_no_limits_in_any_section_of_a_validation(shown):
    text = shown("verdict", "sensitivity", "quotable", athletes=3)
    assert "3 athletes are too few" in text["quotable"]
    assert "no limits by other conventions: too few athletes" in text["sensitivity"]
    assert "limits of agreement are" not in " ".join(text.values())


def test_one_athlete_is_said_to_be_too_few(shown):
    text = shown("verdict", "change", "athletes", "quotable", athletes=1)
    assert "too few for any statement" in text["verdict"]
    assert "too few" in text["quotable"]
    assert "no change to compare" in text["change"]
    assert "too few athletes to say" in text["athletes"]


def test_one_method_has_no_other_to_be_compared_with(shown):
    text = shown("two_estimators")
    assert "No two methods share enough athletes" in text["two_estimators"]


def test_one_visit_gives_no_change(shown):
    text = shown("change", visits=1)
    assert "no change to compare" in text["change"]


def test_no_repeats_ask_for_some(shown):
    text = shown("next_steps")
    assert "Test a few athletes twice" in text["next_steps"]


def test_an_audit_shows_pseudonyms_and_keeps_its_key_in_the_study(small_study, tmp_path):
    folder = small_study(tmp_path / "crew")
    first = open_report(folder, kind="audit")
    again = open_report(folder, kind="audit")
    text = first.athletes().html + first.left_out().html + first.change().html
    assert not re.search(r"\bA\d\d\b", text)
    assert list(first.cards["athlete_id"]) == list(again.cards["athlete_id"])
    assert (folder / "pseudonyms.key").is_file()


def test_an_audit_of_four_people_tells_no_number_of_them(small_study, tmp_path):
    report = open_report(small_study(tmp_path / "crew", athletes=4), kind="audit")
    text = re.sub(r"<[^>]+>", "", report.verdict().html + report.differences().html)
    assert "the numbers are withheld" in text
    assert "no difference plot: withheld" in text
    assert not re.search(r"mL/kg/min (low|high)", text)


def test_one_athlete_is_told_in_the_singular(shown):
    text = " ".join(shown("verdict", "next_steps", "regression", "change", athletes=1).values())
    assert "1 athlete is too few" in text
    assert not re.search(r"(?<![\d.])1 (athletes|rows|tests)\b", text)


def test_who_was_tested_only_once_is_counted_where_changes_are_compared(small_study, tmp_path):
    study = small_study(tmp_path / "crew")
    assert "no two paired tests" not in open_report(study).change().html
    tests = study / "lab_tests.csv"
    kept = [line for line in tests.read_text().splitlines() if not line.startswith("T031")]
    tests.write_text("\n".join(kept) + "\n")
    said = open_report(study).change().html
    assert "1 athlete has no two paired tests at least 21 days apart and is left out here." in said


def test_equal_gaps_are_said_once(small_study, tmp_path):
    study = small_study(tmp_path / "crew", days_back=(3, 4, 5))
    page = open_report(study, kind="audit").protocol_list().html
    assert "3 days" in page
    assert "3 to 3 days" not in page
