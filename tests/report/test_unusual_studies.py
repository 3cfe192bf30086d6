"""Studies that lack something: the report says so in words. Sections only, no kernel."""

import re
from math import nan
from types import SimpleNamespace

import pandas as pd
import pytest
from opened import open_report

from agreement.cohort import read_cohort
from agreement.report.page.numbers import Numbers
from agreement.report.sections.actions import study_actions
from agreement.report.sections.answer import ranked, verdict_sentences
from agreement.report.shown.told import pseudonymous
from agreement.tables.options import Margin, StudyOptions
from agreement.terms import RESULT_COLUMNS

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
    "rules",
    "provenance",
)


@pytest.fixture
def shown(opened):
    """Return a function: a study's keys -> the text of every section."""

    def show(*sections, **keys):
        report = opened(**keys)
        return {
            name: re.sub(r"<[^>]+>", "", getattr(report, name)().html)
            for name in sections or SECTIONS
        }

    return show


def test_without_a_pair_every_section_still_speaks(shown):
    text = shown(athletes=3, days_back=(60, 62))
    assert "not one field value could be paired" in text["verdict"]
    assert "The main reason for wrist: too far from any laboratory test." in text["verdict"]
    assert "no pair was found" in text["differences"]
    assert "No field value could be paired" in text["flow"]
    assert "No athlete has a pair" in text["athletes"]


def test_readings_of_one_pair_by_different_sensors_have_words(small_study, tmp_path):
    study = small_study(tmp_path / "crew", athletes=8)
    values = pd.read_csv(study / "field_estimates.csv")
    values["sensor"] = ["chest_strap", "wrist_optical"] * (len(values) // 2)
    values.to_csv(study / "field_estimates.csv", index=False)
    listed = open_report(study, kind="audit").protocol_list().html
    assert re.search(r"different sensors \d+ pairs", listed)


def test_three_athletes_get_no_limits(shown):
    text = shown(athletes=3)
    assert "3 athletes are too few" in text["verdict"]
    assert "too few athletes" in text["differences"]


def test_without_a_margin_there_is_no_verdict(shown):
    text = shown("verdict", "next_steps", toml=NO_MARGIN)
    assert "There is no verdict" in text["verdict"]
    assert "no limit was agreed beforehand" in text["verdict"]
    assert "No limit was agreed" not in text["verdict"]  # once is enough
    assert "Agree on a limit" in text["next_steps"]


def test_a_limit_agreed_after_the_first_test_is_said(shown):
    text = shown("verdict", toml=LATE)
    assert "The verdict is withheld" in text["verdict"]
    assert "2026-06-01" in text["verdict"]


@pytest.mark.parametrize(
    ("limit", "word", "sentence"),
    [  # the readings are made 3 below the laboratory's, the mean of three scatters by 1.2
        (15, "wrist meets", "the agreed limit of &plusmn;15 mL/kg/min against one laboratory test"),
        (2, "wrist does not meet", "the agreed limit of &plusmn;2 mL/kg/min"),
        (
            6.5,
            "Whether wrist meets",
            "athletes in all, with one laboratory test each, would decide it",
        ),
    ],
)
def test_a_limit_is_met_or_not_or_undecided_in_words(shown, limit, word, sentence):
    text = shown("verdict", toml=AGREED.format(limit))["verdict"]
    assert word in text  # what could make it wrong may stand above
    assert sentence in text
    assert "2026-01-10" in text


def test_three_athletes_get_no_limits_in_any_section_of_a_validation(shown):
    text = shown("verdict", "sensitivity", "quotable", athletes=3)
    assert "3 athletes are too few" in text["quotable"]
    assert "no limits by other conventions: too few athletes" in text["sensitivity"]
    assert "limits of agreement are" not in " ".join(text.values())


def test_one_athlete_is_said_to_be_too_few(shown):
    text = shown("verdict", "change", "athletes", "quotable", athletes=1)
    assert "1 athlete is too few" in text["verdict"]
    assert "too few" in text["quotable"]
    assert text["change"] == ""
    assert "too few athletes to say" in text["athletes"]


def test_one_method_has_no_other_to_be_compared_with(shown):
    text = shown("two_estimators")
    assert text["two_estimators"] == ""


def test_one_visit_gives_no_change(shown):
    text = shown("change", "unsaid", visits=1)
    assert text["change"] == ""
    assert "a second laboratory test of the same athletes" in text["unsaid"]


def test_no_repeats_ask_for_some(shown):
    text = shown("next_steps")
    assert "Test at least four athletes twice within some days: with" in text["next_steps"]


def test_repeats_are_asked_for_in_the_mode_that_has_none():
    """With the error of one mode known, the other's verdict stays open, and says what is lacking."""
    rows = [
        ("verdict", "near", mode, "all", "within_margin", nan, nan, nan, "1", 20, 20, "undecided")
        for mode in ("row", "cycle")
    ]
    error = (
        "repeatability",
        "laboratory",
        "cycle",
        "all",
        "typical_error",
        2.0,
        1.0,
        3.0,
        "",
        8,
        8,
        "",
    )
    methods = [
        SimpleNamespace(method="near", mode=m, verdict=SimpleNamespace(n=20, first_lab_date=None))
        for m in ("row", "cycle")
    ]
    numbers = Numbers(pd.DataFrame([*rows, error], columns=RESULT_COLUMNS))
    found = study_actions(ranked(methods, numbers), numbers, Margin(limit=3.5))
    assert any(
        "Test at least four athletes twice within some days, in rowing: w" in a for a in found
    )
    numbers = Numbers(pd.DataFrame(rows, columns=RESULT_COLUMNS))
    found = study_actions(ranked(methods, numbers), numbers, Margin(limit=3.5))
    assert any("some days, in cycle and rowing: w" in one for one in found)


def test_an_audit_shows_pseudonyms_and_keeps_its_key_in_the_study(small_study, tmp_path):
    folder = small_study(tmp_path / "crew")
    first = open_report(folder, kind="audit")
    text = first.athletes().html + first.left_out().html + first.change().html
    assert not re.search(r"\bA\d\d\b", text)
    assert (folder / "pseudonyms.key").is_file()
    again = pseudonymous(read_cohort(folder))
    assert set(first.cards["athlete_id"]) == set(again.pairs["athlete_id"])


@pytest.mark.slow
def test_an_audit_of_four_people_tells_no_number_of_them(small_study, tmp_path):
    report = open_report(small_study(tmp_path / "crew", athletes=4), kind="audit")
    text = re.sub(r"<[^>]+>", "", report.verdict().html + report.differences().html)
    assert "The numbers are withheld" in text
    assert "no difference plot: withheld" in text
    assert not re.search(r"mL/kg/min (low|high)", text)


def test_one_athlete_is_told_in_the_singular(shown):
    text = " ".join(shown("verdict", "next_steps", "regression", "change", athletes=1).values())
    assert "1 athlete is too few" in text
    assert not re.search(r"(?<![\d.])1 (athletes|rows|tests)\b", text)


@pytest.mark.slow
def test_who_was_tested_only_once_is_counted_where_changes_are_compared(small_study, tmp_path):
    study = small_study(tmp_path / "crew")
    assert "no two paired tests" not in open_report(study).change().html
    tests = study / "lab_tests.csv"
    kept = [line for line in tests.read_text().splitlines() if not line.startswith("T031")]
    tests.write_text("\n".join(kept) + "\n")
    said = open_report(study).change().html
    assert "Left out here: 1 athlete without two paired tests at least 21 days apart." in said


def test_equal_gaps_are_said_once(small_study, tmp_path):
    study = small_study(tmp_path / "crew", visits=1, days_back=(3, 4, 5))
    page = open_report(study, kind="audit").protocol_list().html
    assert "3 days" in page
    assert "3 to 3 days" not in page


def test_one_athlete_in_the_words_to_quote(shown):
    text = shown("quotable", athletes=1, visits=1, toml=NO_MARGIN)["quotable"]
    assert "wrist: 1 athlete (1 pair), too few for any statement." in text
    assert "25 years" in text
    assert "25 to 25" not in text
    assert "no limits are given" in text
    assert "exact 95 %" not in text
    assert "No limit was agreed beforehand." in text
    assert "in brackets" not in text  # there is no interval


def test_lists_without_a_limit_and_without_a_pair(shown):
    text = shown("reporting_lists", athletes=1, visits=1, toml=NO_MARGIN)["reporting_lists"]
    assert "agreed limit" not in text
    assert "no limit was agreed beforehand; you must state" in text
    assert re.search(r"laboratory value \d+\.\d mL/kg/min", text)


def test_no_pair_leaves_no_half_sentence_in_the_lists(shown):
    text = shown("reporting_lists", athletes=3, days_back=(60, 62))["reporting_lists"]
    assert "Subject populationno pairs" in text
    assert "; ages" not in text


def test_a_withheld_verdict_brings_advice(shown):
    text = shown("next_steps", toml=LATE)["next_steps"]
    assert "agreed on 2026-06-01, after the first laboratory test" in text
    assert "agreed_on" in text


@pytest.mark.slow
def test_groups_of_people_are_called_by_full_names(small_study, tmp_path):
    study = small_study(tmp_path / "crew", visits=1)
    people = pd.read_csv(study / "athletes.csv").assign(hr_limiting_drug="no")
    people.loc[0, "hr_limiting_drug"] = "unknown"
    people.to_csv(study / "athletes.csv", index=False)
    report, row = open_report(study), '<th scope="row">no heart-rate-limiting drug, as stated</th>'
    assert row in report.differences().html
    people.assign(hr_limiting_drug="no").to_csv(study / "athletes.csv", index=False)
    assert row not in open_report(study).differences().html  # the same as the row of all
    assert "workbench" not in report.cautions().html


def test_too_few_pairs_are_said_as_a_fact(shown):
    text = shown("structure", athletes=3, visits=1)["structure"]
    assert "got 3" not in text
    assert "at least 4 pairs are needed; 3 found" in text


@pytest.mark.slow
def test_nobody_with_a_profile_has_no_line_without_borderline_ones(small_study, tmp_path, shown):
    text = shown("sensitivity", visits=1)["sensitivity"]
    assert "without borderline training profiles" in text
    study = small_study(tmp_path / "crew", visits=1)
    people = study / "athletes.csv"
    people.write_text(re.sub("(long|short)", "", people.read_text(encoding="utf-8")), "utf-8")
    text = re.sub(r"<[^>]+>", "", open_report(study).sensitivity().html)
    assert "without borderline training profiles" not in text


def test_one_training_profile_is_told_in_one_sentence(small_study, tmp_path):
    study = small_study(tmp_path / "crew", visits=1)
    people = study / "athletes.csv"
    people.write_text(people.read_text(encoding="utf-8").replace("short", "long"), "utf-8")
    assert people.read_text(encoding="utf-8").count("long") > 10
    found = open_report(study).profiles()
    assert found.pictures == ()
    assert "have one training profile in each mode, so there is nothing to compare" in found.html
    assert "<table" not in found.html


def test_an_unreal_number_of_athletes_is_no_advice():
    rows = [
        ("verdict", name, "run", "all", statistic, value, nan, nan, "1", 20, 20, note)
        for name, wanted in (("near", 999), ("far", 1001))
        for statistic, value, note in (
            ("within_margin", nan, "undecided; true value"),
            ("athletes_needed_1_test", wanted, "spread_80"),
        )
    ]
    numbers = Numbers(pd.DataFrame(rows, columns=RESULT_COLUMNS))
    verdict = SimpleNamespace(n=20, first_lab_date=None)
    methods = [SimpleNamespace(method=m, mode="run", verdict=verdict) for m in ("near", "far")]
    found = study_actions(ranked(methods, numbers), numbers, Margin(limit=3.5))
    plain = re.sub(r"<[^>]+>", "", " ".join(found))
    assert "would settle it: 999 for near, run." in plain
    assert "100" not in plain


def test_a_method_without_limits_does_not_lead_the_answer():
    rows = [
        (analysis, name, "run", "all", statistic, value, nan, nan, "1", n, n, note)
        for name, n, error, end in (
            ("few", 8, 2.0, nan),
            ("near", 20, 3.0, 6.0),
            ("far", 20, 4.0, 8.0),
        )
        for analysis, statistic, value, note in (
            ("error", "rmse", error, ""),
            ("limits_of_agreement", "bias", 1.0, ""),
            ("limits_of_agreement", "lower_limit", -end, ""),
            ("limits_of_agreement", "upper_limit", end, ""),
            ("verdict", "within_margin", nan, "undecided; one_test"),
        )
    ]
    methods = [
        SimpleNamespace(method=name, mode="run", verdict=SimpleNamespace(n=n, first_lab_date=None))
        for name, n in (("far", 20), ("few", 8), ("near", 20))
    ]
    numbers = Numbers(pd.DataFrame(rows, columns=RESULT_COLUMNS))
    said = verdict_sentences(methods, numbers, StudyOptions(margin=Margin(limit=3.5)))
    assert "These tests do not tell which is closest. near, run, in 20 athletes" in said[0]
    assert "few, run, in 8" not in said[0]


def test_too_few_athletes_are_asked_for_more(shown):
    text = shown("next_steps", athletes=8, visits=1)["next_steps"]
    assert "Test more athletes with wrist: limits for one athlete are told from 10 on." in text


def test_no_half_width_tells_the_limits_of_too_few_athletes(shown):
    text = shown("budget", "averaging", "unsaid", athletes=8, visits=1)
    assert "if that part were gone" not in text["budget"]
    assert text["averaging"] == ""
    assert "the sex of every athlete" not in text["unsaid"]  # it is known; the athletes are few
    assert "limits by sex" in text["unsaid"]


def test_how_far_each_form_of_the_calibration_misses_and_the_chosen_one_are_told(shown):
    text = shown("regression", athletes=12, visits=1)["regression"]
    assert all(
        f"error of prediction, {form}" in text
        for form in ("field value as it is", "with an offset", "with a line")
    )
    assert "take the field value with an offset." in text  # the watch of this study reads 3 low
    assert "Cards of athletes" not in shown("regression", athletes=4, visits=1)["regression"]


@pytest.mark.parametrize(("low", "said"), [(0.4, True), (-0.2, False)])
def test_a_laboratory_that_is_shown_to_drift_is_to_be_calibrated(low, said):
    drift = ("control", "near", "run", "all", "laboratory_drift", 0.7, low, 1.0, "1", 20, 20, "")
    verdict = ("verdict", "near", "run", "all", "within_margin", nan, nan, nan, "1", 20, 20, "")
    numbers = Numbers(pd.DataFrame([drift, verdict], columns=RESULT_COLUMNS))
    one = SimpleNamespace(
        method="near", mode="run", verdict=SimpleNamespace(n=20, first_lab_date=None)
    )
    found = study_actions(ranked([one], numbers), numbers, Margin(limit=3.5))
    plain = re.sub(r"<[^>]+>", "", " ".join(found))
    assert (
        "Calibrate the laboratory: its control changes by +0.7 mL/kg/min in 30" in plain
    ) is said


@pytest.fixture(scope="module")
def of_all_ages(tmp_path_factory, small_study):
    """A study whose 14 athletes of 25 to 38 years also ran a test made for 18 to 29 years."""
    study = small_study(tmp_path_factory.mktemp("ages") / "crew")
    tests = pd.read_csv(study / "lab_tests.csv").drop_duplicates("athlete_id")
    runs = tests[["athlete_id", "date"]].assign(protocol="run_1_5mile_1993", time_min=10.5)
    runs.to_csv(study / "field_tests.csv", index=False)
    return study


def test_people_outside_an_equation_are_on_the_squad_page_and_on_their_cards(of_all_ages):
    report = open_report(of_all_ages)
    assert "outside the range of the equation" in report.athletes().html
    # A05 is the first of 30 years; the wrist device has no equation
    cards = report.cards.set_index(["athlete_id", "method"])["note"]
    told = cards[cards.str.contains("outside the range of the equation")].index.tolist()
    assert told == [(f"A{i:02}", "run_1_5mile_1993") for i in range(5, 14)]


@pytest.mark.slow
def test_people_outside_are_counted_exactly_but_in_an_audit(of_all_ages):
    people = of_all_ages / "athletes.csv"
    table = pd.read_csv(people)
    table["age_years"] = [25] * 11 + [60] * 3
    table.to_csv(people, index=False)
    cell = re.compile(r"<td[^>]*>([^<]*)</td></tr>")
    validation, audit = (open_report(of_all_ages, kind=k) for k in ("validation", "audit"))
    assert cell.findall(validation.out_of_range().html) == ["3"]
    assert cell.findall(audit.out_of_range().html) == ["1 to 4"]
    assert not audit.cards["note"].str.contains("outside the range").any()


def test_tables_without_a_row_make_a_page_and_no_chart(small_study, tmp_path):
    study = small_study(tmp_path / "crew", visits=1)
    tests = study / "lab_tests.csv"
    tests.write_text(tests.read_text().splitlines()[0] + "\n")
    report = open_report(study)
    assert report.told.results.frame.empty
    assert report.chart().pictures == ()
    report.unsaid()  # stopped with an error too
