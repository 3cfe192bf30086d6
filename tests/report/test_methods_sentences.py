"""The paragraph of rules in force says what was chosen unlike the usual."""

import re

from agreement.report.page.texts import methods_block
from agreement.tables.options import (
    PairingOptions,
    ProfileOptions,
    Reference,
    StudyOptions,
    StudyText,
)


def said(**reference):
    return methods_block(StudyOptions(reference=Reference(**reference))).html


def test_breaths_that_leave_and_bins_by_the_clock_are_told_only_where_chosen():
    assert "by choice of this study" not in said(averaging_rule="fixed 30 s")
    kept, clock = said(edit_breaths=True), said(fixed_bins_from="clock")
    assert "by choice of this study, breaths far from their neighbours were left out" in kept
    assert "count from 0 of the recording" not in kept
    assert "by choice of this study, fixed bins of seconds count from 0 of the recording." in clock
    both = said(edit_breaths=True, fixed_bins_from="clock")
    assert "left out and fixed bins of seconds" in both


def test_one_day_is_one_and_the_zone_is_named():
    text = methods_block(
        StudyOptions(
            study=StudyText(time_zone="Europe/Oslo"),
            pairing=PairingOptions(days_before=1, summary_days=1, minimum_days=1),
            reference=Reference(repeat_within_days=1),
        )
    ).html
    assert "at most 1 day apart count as repeats" in text
    assert "those from 1 day before to 0 days after a laboratory test" in text
    assert "within 1 day of the test stands for them, if there is at least 1." in text
    assert "if there are at least 1." not in text
    assert "Days are calendar days in Europe/Oslo; times without an offset are read there." in text
    assert "calendar days" not in said()


def test_the_thresholds_of_training_profiles_are_printed():
    text = methods_block(
        StudyOptions(profile=ProfileOptions(minimum_weeks=1, low_median_min=80))
    ).html
    assert "at least 12 sessions, 10 hours, 1 week with a session, and heart rate in 90 %" in text
    assert "the low zone ends at 82.5 % of the maximal heart rate" in text
    assert "or a median session of 80 min or more" in text
    assert "Without sessions it is the one that the athletes table states." in text
    stated = methods_block(StudyOptions(profile=ProfileOptions(use="stated"))).html
    assert "Training profiles are those that the athletes table states." in stated
    assert "median session" not in stated


def test_no_rule_is_told_of_what_a_study_has_not():
    every = ["field_estimates", "field_tests", "sessions", "profiles"]
    bare = methods_block(StudyOptions(), every).html
    assert not re.search(
        "Readings of a device|Results of field tests|raining profile is read", bare
    )
    only_stated = methods_block(StudyOptions(), ["sessions"]).html
    assert "Readings of a device" in only_stated
    assert "Training profiles are those that the athletes table states." in only_stated
    assert "is read from the sessions" not in only_stated
