"""What went into the numbers: settings of the estimator, averaging of breaths, maximal effort."""

from math import inf
from typing import Final

import pandas as pd

from agreement.cohort import Cohort
from agreement.physiology.inputs import OF_MASS, WRIST
from agreement.report.page.machine import said
from agreement.report.page.markup import Block, Text, element, fold, joined, paragraph, table
from agreement.report.page.numbers import Numbers, counted, plain
from agreement.report.privacy.privacy import FEWEST_SHOWN
from agreement.report.privacy.view import View
from agreement.report.sections.card_pages import INPUT_WORDS
from agreement.report.sections.comparison import lines_table, withheld_note
from agreement.report.shown.told import of_field_values, told_of
from agreement.stats.laboratory_results import LABORATORY
from agreement.stats.limits.limits_of_subsets import RIGHT_INPUTS
from agreement.stats.repeats.averaging_rule import AveragingRules
from agreement.terms import mode_word

_RULES: Final = "averaging_rule"


@of_field_values
def inputs(cohort: Cohort) -> Block:
    """List what the estimator was told wrongly, and what that is expected to shift."""
    told = told_of(cohort)
    audit, name, view = told.inputs, told.numbers.name, told.view
    if audit.empty:
        return paragraph("No field estimate says what its estimator was told.")
    blocks, withheld = [], []
    modes = audit.groupby("method")["mode"].nunique().to_dict()
    for (method, mode), every in audit.groupby(["method", "mode"]):
        title = (name.with_mode if modes[method] > 1 else name)(str(method), str(mode))
        own = _counted(every, view, str(method), str(mode))
        settings = own[own["input"] != "sensor"]
        wrong = settings[settings["to_correct"] == "yes"]
        wrongly = int(wrong["athlete_id"].nunique())
        whole = int(settings["athlete_id"].nunique())
        few = own is not every and min(own["athlete_id"].nunique(), whole or inf) < FEWEST_SHOWN
        if few or not view.tells_traits(str(method), str(mode)):
            withheld.append(name.with_mode(str(method), str(mode)))
            continue
        right = told.numbers.get("choice_of_pairs", "bias", str(method), str(mode), RIGHT_INPUTS).n
        some = view.count_beside(wrongly, right, whole)
        blocks.append(paragraph(said("inputs", "wrong", name=title, some=some, whole=whole)))
        if view.rows(own) is None:  # they tell ages, and drugs
            continue
        wrist = own.loc[own["input"] == "sensor", "athlete_id"].astype(str).unique()
        if len(wrist):  # what heart rate from the wrist does, and whose it is
            summary = said("inputs", "sensors", count=len(wrist), sensor=WRIST)
            blocks.append(fold(summary, paragraph(f"{', '.join(sorted(wrist))}.")))
        if len(wrong):
            listed = _input_table(f"{name.with_mode(str(method), str(mode))}: to correct", wrong)
            if (wrong["note"] == OF_MASS).any():
                listed += paragraph(said("inputs", "of_mass"))
            blocks.append(fold(f"{title}: {counted(len(wrong), 'input')}", listed))
    return joined(blocks) + withheld_note(withheld)


def _counted(rows: pd.DataFrame, view: View, method: str, mode: str | None = None) -> pd.DataFrame:
    """
    Return rows of the people to count: of those in the results where a few may not be told.

    A count of all beside theirs would tell how many were not paired, or are under a drug.
    """
    if view.rows(rows) is not None:
        return rows
    people = [
        one.data.pairs["athlete_id"]
        for one in view.results.methods
        if one.method == method and mode in (None, one.mode)
    ]
    return rows[rows["athlete_id"].isin(pd.concat(people) if people else [])]


@of_field_values
def out_of_range(cohort: Cohort) -> Block:
    """Count the people each equation was used on, and those for whom it was not made."""
    readings, view = cohort.readings.frame, told_of(cohort).view
    name = told_of(cohort).numbers.name
    known = readings[readings["in_range"].notna()]
    if known.empty:
        return paragraph("No field value comes from an equation of a known population.")
    rows, withheld = [], []
    for method, every in known.groupby("method"):
        own = _counted(every, view, str(method))
        people = own["athlete_id"].nunique()
        few = own is not every and people < FEWEST_SHOWN
        if few or not view.tells_traits(str(method)):
            withheld.append(name.method(str(method)))
            continue
        outside = own.loc[own["in_range"] == "no", "athlete_id"].nunique()
        rows.append((name.method(str(method)), str(people), view.count(outside, people)))
    columns = ("equation", "people", "outside its range")
    caption = "People outside the range of an equation"
    shown = table(caption, columns, rows, numeric=columns[1:]) if rows else Block("")
    return shown + withheld_note(withheld)


def _input_table(caption: str, wrong: pd.DataFrame) -> Block:
    """Return the inputs to correct, the largest expected shift first."""
    largest = wrong["expected_shift"].abs()
    order = wrong.assign(largest=-largest).sort_values(
        ["largest", "athlete_id", "input"], kind="stable"
    )
    rows = [
        (
            str(row["athlete_id"]),
            INPUT_WORDS[row["input"]][0],
            f"{row['told']:g} {INPUT_WORDS[row['input']][1]}",
            f"{row['measured']:g} {INPUT_WORDS[row['input']][1]}",
            plain(row["expected_shift"], sign=True) or "not known",
            row["note"] or "none",
        )
        for row in order.to_dict("records")
    ]
    columns = ("athlete", "input", "told", "measured", "expected shift (mL/kg/min)", "remark")
    return table(caption, columns, rows, numeric=columns[2:5])


def averaging_rules(cohort: Cohort) -> Block:
    """Price the choice of averaging rule in this study's own tests."""
    told = told_of(cohort)
    found, numbers = told.results.of_laboratory("averaging_rule"), told.numbers
    if not found:
        return Block("")
    alone = cohort.study.laboratory_only  # then there is no bias
    return joined(_rules_table(mode, rules, numbers, alone=alone) for mode, rules in found.items())


def _in_order(found: AveragingRules) -> dict[str, Text]:
    """Return what people read for each rule, the highest mean first."""
    order = found.frame.sort_values("mean_vo2max", ascending=False, kind="stable").index.astype(str)
    used = {rule: element("strong", f"{rule}, in use") for rule in found.in_use}
    return {rule: used.get(rule, rule) for rule in order}


def _rules_table(mode: str, found: AveragingRules, numbers: Numbers, *, alone: bool) -> Block:
    """Show the tests of one mode under every rule, the highest first."""
    cell, named = numbers.of(LABORATORY, mode), _in_order(found)
    rules = [(words, _RULES, rule) for rule, words in named.items()]
    ends = [(rule, cell(_RULES, "mean_vo2max", rule)) for rule in (next(iter(named)), [*named][-1])]
    words = said("sentences", "averaging_rules", highest=ends[0], lowest=ends[1], alone=alone)
    caption = f"The same breaths under every averaging rule ({mode_word(mode)}, mL/kg/min)"
    shown = (
        f"tests; mean_vo2max; {'' if alone else 'shift_of_bias +; '}share_more_median +%; "
        "share_more_p10 +%; share_more_p90 +%; share_third_moved %"
    )
    return paragraph(words) + lines_table(cell, caption, "averaging rule", rules, shown)
