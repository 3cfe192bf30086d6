"""What an audit adds: who completed, how maximal the tests were, who is covered, drift, sign-off."""

from typing import Final

import pandas as pd

from agreement.cohort import Cohort
from agreement.figures.estimates import Caption, Estimate
from agreement.figures.over_time import plot_drift
from agreement.report.page.machine import said
from agreement.report.page.markup import Block, element, fold, joined, paragraph, table
from agreement.report.page.numbers import counted
from agreement.report.page.pictures import drawing
from agreement.report.privacy.privacy import FEWEST_SHOWN, few
from agreement.report.privacy.release import MORE_THAN_ONE
from agreement.report.sections.comparison import Comparison, Section, frame_table
from agreement.report.sections.further import tables_of
from agreement.report.shown.told import of_each_method, of_field_values, told_of
from agreement.stats.limits.limits_of_subsets import FORTNIGHT, fortnight_name
from agreement.stats.lines.slope_on_one_method import DAYS

BLANKS: Final = ("\u00a0", "\u00a0", "\u00a0")  # to be filled in by hand
LATE: Final = ", after the first laboratory test: no verdict can rest on it"
_CRITERIA: Final = {
    "criterion_plateau": "plateau",
    "criterion_verification": "verification",
    "criterion_rer": "RER",
    "criterion_hr": "heart rate",
    "criterion_rpe": "exertion",
    "criterion_lactate": "lactate",
}
_BIAS: Final = ("limits_of_agreement", "bias")
_STATES: Final = ("met", "not met", "not known")


def margin(cohort: Cohort) -> Block:
    """State the limit agreed beforehand, its date and its reason; or that it was agreed too late."""
    margin = cohort.study.options.margin
    too_late = any(one.verdict.outcome == "withheld" for one in told_of(cohort).results.methods)
    if margin.limit is None:
        return paragraph("No limit was agreed on beforehand: this audit can give no verdict.")
    rows = [
        ("limit for one person", f"\u00b1{margin.limit:g} mL/kg/min"),
        ("limit for the mean", f"\u00b1{margin.mean_limit or margin.limit:g} mL/kg/min"),
        ("agreed on", f"{margin.agreed_on}{LATE if too_late else ''}"),
        ("reason", margin.reason or "none given"),
    ]
    return table("The limit agreed beforehand", ("what", "value"), rows)


@of_field_values
def funnel(cohort: Cohort) -> Block:
    """
    Count the people who stand on the list, have values, are paired, judged and reached a maximum.

    A step that would tell of fewer than five who were lost on the way is a range; so is one beside
    the athletes in the results that would tell of as few under a drug.
    """
    numbers, pairs, readings = told_of(cohort).numbers, cohort.pairs, cohort.readings.frame
    both = (readings, cohort.study.field_tests.rename(columns={"protocol": "method"}))
    tried = pd.concat([one[["method", "mode", "athlete_id"]] for one in both])
    listed = cohort.study.athletes["athlete_id"]
    if len(listed):  # an id that is on no list is nobody of whom it is known that a value was tried
        tried, readings = (one[one["athlete_id"].isin(listed)] for one in (tried, readings))
    tested = cohort.laboratory.frame["athlete_id"].nunique()
    # without those who withdrew it would tell them, beside the rows of the list, which the flow counts
    every = max(cohort.study.people_listed, tested)
    rows, counting = [], set[str]()
    for one in cohort.results.methods:
        people = (
            own.loc[(own["method"] == one.method) & (own["mode"] == one.mode), "athlete_id"]
            for own in (pairs, readings, tried)
        )
        known = one.data.n if one.data.n >= FEWEST_SHOWN else 0  # of fewer the results say nothing
        steps = reversed(_outwards([each.nunique() for each in people], known, every))
        own = one.data.pairs.loc[one.data.pairs["max_confirmed"] == "yes", "athlete_id"]
        confirmed = few(own.nunique(), known or None)
        if confirmed.isdigit() and numbers.get(*_BIAS, one.method, one.mode, "confirmed").withheld:
            confirmed = f"{FEWEST_SHOWN} or more"
        judged = str(known or f"below {FEWEST_SHOWN}")  # 0 would tell of few that all take a drug
        rows.append((numbers.name(one.method, one.mode), *steps, judged, confirmed))
        counting.update(one.data.pairs["athlete_id"])
    columns = ("method", "tried", "with a usable value", "paired", "in the results", "at a maximum")
    inner = len(counting)
    paired, has_test = _outwards([pairs["athlete_id"].nunique(), tested], inner, every)
    words = Block(said("sentences", "funnel", tested=has_test, people=every, paired=paired))
    return words + table("People, from the first try to a pair", columns, rows, numeric=columns[1:])


def _outwards(counts: list[int], inner: int, every: int) -> list[str]:
    """
    Return counts of people who hold one another; ranges where fewer than 5 are not in the last told.

    inner: those told already, whom the first holds. every: those who hold the last.

    >>> _outwards([57, 58, 60], 57, 60), _outwards([54, 60, 62], 53, 80)
    (['57', '58 to 60', '58 to 60'], ['54 to 57', '60', '61 to 64'])
    """
    told = []
    for count in counts:
        low, high = inner + 1, min(inner + FEWEST_SHOWN - 1, every)
        if 0 < count - inner < FEWEST_SHOWN and low < high:
            told.append(f"{low} to {high}")
        else:
            told.append(str(count) if count == inner else few(count, every))
            inner = count if told[-1] == str(count) else inner
    return told


def maxima(cohort: Cohort) -> Block:
    """Count confirmed maxima, those not confirmed that are behind a pair, and the criteria met."""
    laboratory, pairs, used = cohort.laboratory.frame, cohort.pairs, None
    if told_of(cohort).names_nobody:
        return effort(cohort)
    states = laboratory["max_confirmed"].value_counts()
    counts = {name: int(states.get(name, 0)) for name in ("yes", "no", "unknown")}
    if counts["no"] + counts["unknown"] and len(pairs):
        used = pairs.loc[pairs["max_confirmed"] != "yes", "lab_test_id"].nunique()
    told = said("inputs", "maxima", tests=len(laboratory), used=used, **counts)
    return paragraph(told) + effort(cohort)


def effort(cohort: Cohort) -> Block:
    """Show which criteria of maximal effort the tests met, and each test where it may be named."""
    view = told_of(cohort).view
    laboratory = view.of_counted(cohort.laboratory.frame)
    if laboratory.empty:
        return paragraph("There is no usable laboratory test.")
    rows = [
        (word, *view.parts(_STATES, laboratory[column], laboratory["athlete_id"]).values())
        for column, word in _CRITERIA.items()
    ]
    if (laboratory[list(_CRITERIA)] == "not known").all(axis=None):
        return paragraph("No criterion of maximal effort was recorded.")
    columns = ("criterion", *_STATES)
    summary = table("Criteria of maximal effort", columns, rows, numeric=columns[1:])
    if view.rows(laboratory) is None:
        return summary
    criteria = "; ".join(f"{word}: {column}" for column, word in _CRITERIA.items())
    shown = f"test: lab_test_id; {criteria}; confirmed: max_confirmed"
    each = frame_table("Criteria test by test", laboratory.sort_values("lab_test_id"), shown)
    return summary + fold(f"{counted(len(laboratory), 'test')} one by one", each)


@of_field_values
def people(cohort: Cohort) -> Block:
    """Show bias and limits by sex and by age band; what is withheld says so."""
    return joined(tables_of(told_of(cohort).numbers, "by_sex", "by_age"))


@of_each_method
def drift(one: Comparison) -> Section:
    """Show the difference over calendar time, with the slope of a month."""
    found, cell = one.results.drift, one.cell("drift", "change_in_30_days")
    if found is None or not cell.known:
        return None, one.without("drift to see", cell)
    text = said("sentences", "drift", name=one.name, change=cell, days=DAYS)
    points = [
        (FORTNIGHT * (number + 0.5), one.cell("by_fortnight", "bias", fortnight_name(number)))
        for number in range(int(one.results.data.day.max()) // FORTNIGHT + 1)
    ]
    shown = [(day, bias) for day, bias in points if bias.known]
    if len(shown) < 2:
        return None, paragraph(text)
    # to the decimals that are printed: a drawn line can be measured
    line = (round(found.line.intercept, 1), round(found.line.slope * DAYS, 1) / DAYS)
    biases = [(day, Estimate(bias.value, bias.low, bias.high)) for day, bias in shown]
    caption = Caption("drift", {"change": cell, "days": DAYS, "fewest": FEWEST_SHOWN})
    draw = drawing(plot_drift, biases, line, key=cell.key)
    return one.picture("drift", draw, caption, height=2.7), paragraph(text)


def sign_off() -> Block:
    """Leave lines for names, dates and signatures, and say what releasing it means."""
    rows = [(who, *BLANKS) for who in ("measured by", "checked by", "released by")]
    blank = table("Names and signatures", ("role", "name", "date", "signature"), rows)
    return Block(element("div", blank, class_="by-hand")) + paragraph(MORE_THAN_ONE, "note")
