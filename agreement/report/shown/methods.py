"""Sections about methods; `methods` names some by method and mode, None shows all."""

import numpy as np
import pandas as pd

from agreement.cohort import Cohort
from agreement.report.page.markup import Block, paragraph
from agreement.report.sections import audit, doubt_sections, together, training_sections, validation
from agreement.report.sections import comparison_sections as sections
from agreement.report.sections.closer_section import closer_section
from agreement.report.shown.told import Methods, Told, of_field_values, shown, told_of
from agreement.stats.basics.intervals import checked_share
from agreement.stats.limits.limits_of_agreement import with_coverage

_COVERAGE = 0.95  # of the limits in the results table


@of_field_values
def differences(cohort: Cohort, *, methods: Methods = None, coverage: float = _COVERAGE) -> Block:
    """Show difference plot, bias and limits; `coverage`: share of differences that they hold."""
    told = told_of(cohort)
    if checked_share("coverage", coverage) == _COVERAGE:
        return told.across(sections.differences, methods)
    said = f"Tried after the fact: limits that hold {100 * coverage:.4g} % of differences."
    tried = Told(cohort, _with_coverage(told, coverage))
    return paragraph(said) + tried.across(sections.differences, methods)


def _with_coverage(told: Told, coverage: float) -> pd.DataFrame:
    """Return the results table with limits of another coverage; what is withheld stays so."""
    frame = told.frame.copy()
    for one in told.results.methods:
        for name in ("limits_of_agreement", "choice_of_pairs", "net_of_laboratory"):
            mine = (frame["analysis"] == name) & (frame["method"] == one.method)
            mine &= (frame["mode"] == one.mode) & frame["value"].notna()
            if mine.any():
                again = with_coverage(one.found[name], coverage).to_frame()
                keys = ["statistic"] + ["group"] * ("group" in again)
                numbers = again.set_index(keys)[["value", "low", "high"]]
                places = frame.loc[mine, keys].itertuples(index=False, name=None)
                found = numbers.loc[[p if len(p) > 1 else p[0] for p in places]]
                frame.loc[mine, numbers.columns] = found.to_numpy(np.float64)
    return frame


@of_field_values
def profiles(cohort: Cohort, *, methods: Methods = None) -> Block:
    """Show bias by training profile of each method, and who has none."""
    told = told_of(cohort)
    without = training_sections.without_profile(told.some(methods))
    return told.across(sections.profiles, methods) + without


@of_field_values
def two_by_two(cohort: Cohort, *, methods: Methods = None) -> Block:
    """Show which training profile is read otherwise than which, and by how much."""
    return sections.two_by_two(told_of(cohort).some(methods))


@of_field_values
def regression(cohort: Cohort, *, methods: Methods = None, structural: bool = False) -> Block:
    """Show the calibration line of each method; `structural`: also field against true fitness."""
    more = together.structural_lines if structural else None
    return told_of(cohort).across(sections.regression, methods, more)


@of_field_values
def repeatability(cohort: Cohort, *, methods: Methods = None) -> Block:
    """Show how far repeats of one athlete lie apart, in the laboratory and in the field."""
    return doubt_sections.repeatability(told_of(cohort).some(methods))


@of_field_values
def budget(cohort: Cohort, *, methods: Methods = None) -> Block:
    """Show the error budget of each method."""
    return told_of(cohort).across(sections.budget, methods)


@of_field_values
def averaging(cohort: Cohort, *, methods: Methods = None) -> Block:
    """Show the averaging curve of each method."""
    return told_of(cohort).across(sections.averaging, methods)


@of_field_values
def change(
    cohort: Cohort,
    *,
    methods: Methods = None,
    visits: str = "",
    minimum_gap_days: int | None = None,
) -> Block:
    """
    Show the change between two visits, field against laboratory.

    `visits` ("first and last" or "consecutive") and `minimum_gap_days`: others than the study's.
    """
    told = {"visits": visits or None, "minimum_gap_days": minimum_gap_days}
    agreed = cohort.study.options.change
    tried = {k: v for k, v in told.items() if v is not None and v != getattr(agreed, k)}
    chosen = cohort.with_options(change=tried) if tried else cohort
    return told_of(chosen).across(sections.change, methods)


@of_field_values
def sensitivity(cohort: Cohort, *, methods: Methods = None) -> Block:
    """Show which choices the limits hang on."""
    return told_of(cohort).across(validation.sensitivity_block, methods)


@of_field_values
def structure(cohort: Cohort, *, methods: Methods = None) -> Block:
    """Show lines with error on both sides, trend and concordance."""
    return told_of(cohort).across(validation.structure_block, methods)


@of_field_values
def tests(cohort: Cohort, *, methods: Methods = None) -> Block:  # noqa: PT028 - no test of ours
    """Show every test made, significant or not."""
    return told_of(cohort).across(validation.tests_block, methods)


@of_field_values
def people(cohort: Cohort, *, methods: Methods = None) -> Block:
    """Show bias and limits by sex and age."""
    return told_of(cohort).across(audit.people_block, methods)


@of_field_values
def drift(cohort: Cohort, *, methods: Methods = None) -> Block:
    """Show the difference over calendar time."""
    return told_of(cohort).across(audit.drift, methods)


@of_field_values
def two_estimators(cohort: Cohort) -> Block:
    """Say which method is closer, on the same athletes and tests."""
    told = told_of(cohort)
    return shown(*closer_section(told.results, told.numbers, told.frame))


@of_field_values
def quotable(cohort: Cohort, *, methods: Methods = None) -> Block:
    """Give a methods and a results paragraph to quote."""
    told = told_of(cohort)
    return validation.quotable_block(told.some(methods), told.facts)


@of_field_values
def formulas(cohort: Cohort, *, methods: Methods = None) -> Block:
    """Name every formula with its source."""
    told = told_of(cohort)
    return validation.formulas_block(told.some(methods), told.numbers)
