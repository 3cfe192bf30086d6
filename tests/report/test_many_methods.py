"""A study of more methods than anybody reads one by one."""

from dataclasses import replace

import pytest

from agreement.report.page.machine import in_words
from agreement.report.sections import comparison_sections as sections
from agreement.report.shown import told as told_module
from agreement.report.shown.told import Told


@pytest.fixture
def told(demo, monkeypatch):
    monkeypatch.setattr(told_module, "MOST_DRAWN", 2)
    return Told(demo)


def test_of_many_methods_only_some_have_figures_and_details(told):
    every = told.comparisons
    assert len(every) > 2
    block = told.across(sections.regression_block, None).html
    assert block.count("details</summary>") == 2
    assert f"follow of 2 of the {len(every)} methods" in in_words(block)
    assert all(str(one.name) in in_words(block) for one in every)  # the table has all


def test_those_asked_about_come_first(told):
    last = told.comparisons[-1].results.method
    options = replace(told.options, study=replace(told.options.study, compares=(last,)))
    told.judged = (*told.judged[:2], options)
    assert last in [one.results.method for one in told.first(told.comparisons)]
