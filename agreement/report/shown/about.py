"""Sections about laboratory, people, inputs, training and published lists."""

from typing import Final

from agreement.cohort import Cohort
from agreement.report.page.markup import Block, fold, paragraph
from agreement.report.sections import (
    audit,
    card_pages,
    checklists,
    comparison_sections,
    input_sections,
    laboratory_section,
    training_sections,
)
from agreement.report.sections.cards import cards_block
from agreement.report.sections.published import published_block
from agreement.report.shown.told import of_field_values, shown, told_of
from agreement.tables.options import Kind

NOBODY: Final = "This names nobody: what is said of single athletes or tests is not shown here."


def _names_nobody(cohort: Cohort) -> bool:
    return told_of(cohort).stage.rows(cohort.pairs) is None


@of_field_values
def modes(cohort: Cohort) -> Block:
    """Set apart what was tested in another mode."""
    told = told_of(cohort)
    return comparison_sections.modes_block(told.results.across_modes, told.numbers)


@of_field_values
def why(cohort: Cohort) -> Block:
    """Show why a training profile is misread."""
    drawn, words = training_sections.why(cohort, told_of(cohort).comparisons)
    drawn = () if _names_nobody(cohort) else drawn  # a typical athlete is one
    others = shown(drawn[1:], Block(""))
    rest = fold("The profiles between them", others, kind="more")
    return shown(drawn[:1], rest + words if drawn[1:] else words)


@of_field_values
def borderline(cohort: Cohort) -> Block:
    """Repeat the bias with borderline tests moved; list tests without a profile or with two."""
    if _names_nobody(cohort):
        return paragraph(NOBODY)  # of a few tests, and test by test
    return training_sections.borderline_section(cohort, told_of(cohort).comparisons)


@of_field_values
def inputs(cohort: Cohort) -> Block:
    """List what the estimator was told wrongly."""
    told = told_of(cohort)
    return input_sections.inputs_block(told.inputs, told.numbers.name, told.stage)


def averaging_rules(cohort: Cohort) -> Block:
    """Price the choice of averaging rule."""
    told = told_of(cohort)
    return input_sections.averaging_rules_block(told.results, told.numbers)


def laboratory(cohort: Cohort, *, kind: Kind = "squad") -> Block:
    """Show the laboratory by itself: its repeats, and who changed."""
    told = told_of(cohort)
    found = laboratory_section.laboratory_block(told.results, told.numbers, kind)
    expected = cohort.evidence.expected
    named = told.stage.rows(expected) if kind == "squad" and expected is not None else None
    return found + laboratory_section.beside_block(told.numbers, told.options.profile.zones, named)


def maxima(cohort: Cohort) -> Block:
    """Count confirmed maxima and their criteria."""
    if _names_nobody(cohort):
        return effort(cohort)
    return input_sections.maxima_block(cohort.laboratory.frame, cohort.pairs) + effort(cohort)


@of_field_values
def athletes(cohort: Cohort, *, pages: bool = False) -> Block:
    """Show one line for each athlete and method; `pages`: say that each has a sheet of his own."""
    told = told_of(cohort)
    if _names_nobody(cohort):
        return paragraph(NOBODY)
    return cards_block(told.cards, told.numbers.name, pages=card_pages.CARDS_FILE if pages else "")


def published(cohort: Cohort) -> Block:
    """Compare with a printed table, if the study names one."""
    return published_block(cohort.study.folder, told_of(cohort).numbers)


@of_field_values
def reporting_lists(cohort: Cohort) -> Block:
    """Answer the published reporting lists."""
    return checklists.reporting_lists_block(told_of(cohort).facts)


@of_field_values
def protocol_list(cohort: Cohort) -> Block:
    """Answer the published protocol list."""
    return checklists.protocol_list_block(told_of(cohort).facts)


@of_field_values
def funnel(cohort: Cohort) -> Block:
    """Count the people who tried, completed and were paired."""
    return audit.funnel_block(cohort, told_of(cohort).numbers.name)


def effort(cohort: Cohort) -> Block:
    """Show the criteria of maximal effort."""
    return audit.effort_block(cohort.laboratory.frame, told_of(cohort).stage)


@of_field_values
def out_of_range(cohort: Cohort) -> Block:
    """Count people outside the range of an equation."""
    told = told_of(cohort)
    readings = cohort.readings.frame
    return input_sections.out_of_range_block(readings, told.numbers.name, told.stage)


def sign_off() -> Block:
    """Leave lines for names and signatures."""
    return audit.sign_off_block()
