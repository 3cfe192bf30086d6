"""The paragraph of rules in force says what was chosen unlike the usual."""

from agreement.report.texts import methods_block
from agreement.tables.options import Reference, StudyOptions


def said(**reference):
    return methods_block(StudyOptions(reference=Reference(**reference))).html


def test_breaths_that_stay_in_and_bins_by_the_clock_are_told_only_where_chosen():
    assert "by choice of this study" not in said(averaging_rule="fixed 30 s")
    kept, clock = said(edit_breaths=False), said(fixed_bins_from="clock")
    assert "by choice of this study, no breath was left out for lying far" in kept
    assert "count from 0 of the recording" not in kept
    assert "by choice of this study, fixed bins of seconds count from 0 of the recording." in clock
    both = said(edit_breaths=False, fixed_bins_from="clock")
    assert "neighbours and fixed bins of seconds" in both
