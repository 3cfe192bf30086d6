"""Published reporting lists, answered from the data; what only people know is left blank."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from agreement.report.page.machine import said
from agreement.report.page.markup import Block, element, paragraph, table
from agreement.report.page.numbers import counted, plain
from agreement.report.privacy.privacy import FEWEST_SHOWN, hidden_parts
from agreement.report.privacy.stage import Stage
from agreement.stats.limits.limits_of_subsets import AGES, age_bands, age_name
from agreement.tables.options import StudyOptions

YOU: Final = "you must state"


@dataclass(frozen=True, slots=True)
class Facts:
    """What the data can answer."""

    options: StudyOptions
    pairs: pd.DataFrame  # in an audit only those in the results
    laboratory: pd.DataFrame  # frame of `laboratory_values`
    methods: tuple[Any, ...]
    repeats_known: bool  # whether the laboratory's typical error was measured
    drugs: int  # paired people under a drug that limits heart rate
    stage: Stage  # what may be said of a few people

    @property
    def size(self) -> str:
        """Athletes, tests and pairs."""
        return (
            f"{counted(self.pairs['athlete_id'].nunique(), 'athlete')}, "
            f"{counted(self.pairs['lab_test_id'].nunique(), 'laboratory test')}, "
            f"{counted(len(self.pairs), 'pair')}"
        )

    @property
    def people(self) -> str:
        """Sex and age, as far as recorded."""
        if self.pairs.empty:
            return "no pairs"
        each = self.pairs.drop_duplicates("athlete_id")
        counts = each["sex"].value_counts().sort_index()
        sexes = self.stage.groups({str(sex): int(n) for sex, n in counts.items()})
        if sexes is None:
            by_sex = f"fewer than {FEWEST_SHOWN} of one sex, numbers withheld"
        else:
            by_sex = ", ".join(f"{number} {sex}" for sex, number in sexes.items())
        return "; ".join(filter(None, [by_sex, self._ages(each["age_years"].dropna())]))

    def _ages(self, ages: "pd.Series[float]") -> str:
        """Youngest to oldest; where these could point at somebody, the bands with enough people."""
        if ages.empty:
            return "ages unknown"
        if ends := self.stage.ends(ages):
            youngest, oldest = (f"{age:.0f}" for age in ends)
            return f"{youngest if youngest == oldest else f'{youngest} to {oldest}'} years"
        sizes = age_bands(ages).value_counts()
        hidden = hidden_parts({str(band): int(n) for band, n in sizes.items()}, len(ages))
        known = [age_name(*band) for band in AGES]
        said = [name.replace("_", " ") for name in known if name in sizes and name not in hidden]
        return ", ".join([*said, *(["other ages withheld"] if hidden else [])])

    def pairs_in(self, number: int) -> str:
        """Return a number of pairs, blurred where it could point at somebody."""
        shown = self.stage.count(number, int(self.pairs["sensor"].notna().sum()))
        return f"{shown} pair" if shown == "1" else f"{shown} pairs"

    @property
    def margin(self) -> str:
        """The agreed limit."""
        margin = self.options.margin
        if margin.limit is None:
            return "no limit was agreed beforehand"
        return f"\u00b1{margin.limit:g} mL/kg/min, agreed on {margin.agreed_on}"

    @property
    def margin_sentence(self) -> str:
        """The agreed limit, as a sentence."""
        if self.options.margin.limit is None:
            return "No limit was agreed beforehand."
        return f"Limit agreed beforehand: {self.margin}."

    @property
    def gaps(self) -> str:
        """Days between field value and laboratory test."""
        gap = self.pairs["gap_days"].abs()
        if gap.empty:
            return "no pairs"
        if gap.min() == gap.max():
            return counted(int(gap.min()), "day")
        if ends := self.stage.ends(gap):
            return f"{ends[0]:.0f} to {ends[1]:.0f} days, median {gap.median():.0f}"
        return f"median {gap.median():.0f} days"

    @property
    def range(self) -> str:
        """Laboratory values covered."""
        lab = self.pairs["lab"]
        if lab.empty:
            return "no pairs"
        if (ends := self.stage.ends(lab)) is None:
            return f"laboratory values around {lab.median():.0f} mL/kg/min"
        lowest, highest = map(plain, ends)
        if lowest == highest:
            return f"laboratory value {lowest} mL/kg/min"
        return f"laboratory values {lowest} to {highest} mL/kg/min"

    @property
    def repeats(self) -> str:
        """Whether the laboratory was repeated."""
        return "laboratory repeats measured" if self.repeats_known else "laboratory not repeated"

    @property
    def confirmed(self) -> str:
        """Confirmed maxima."""
        tests = self.pairs.drop_duplicates("lab_test_id")
        yes = int((tests["max_confirmed"] == "yes").sum())
        shown = self.stage.count(yes, len(tests))
        return f"{shown} of {len(tests)} paired tests confirmed maximal"


def reporting_lists_block(facts: Facts) -> Block:
    """Return both reporting lists as one table, what only the reader can state first."""
    lists = {"agreement": _agreement_items(facts), "limits": _limits_items(facts)}
    items = [
        (f"{name} {number}", item, answer)
        for name, found in lists.items()
        for number, (item, answer) in enumerate(found, start=1)
    ]
    items.sort(key=lambda one: 0 if one[2] == YOU else 1 if YOU in one[2] else 2)
    shown = _listed("Reporting lists, what is missing first", "list, item", items)
    if missing := sum(YOU in answer for *_, answer in items):
        return paragraph(said("lists", "missing", number=missing, every=len(items))) + shown
    return shown


def _listed(caption: str, name: str, items: Iterable[tuple[str, str, str]]) -> Block:
    """Return items with their answers; what only the reader can state stands out."""
    rows = [
        (number, item, element("strong", YOU) if answer == YOU else answer)
        for number, item, answer in items
    ]
    return table(caption, (name, "asks for", "answer"), rows)


def _agreement_items(facts: Facts) -> tuple[tuple[str, str], ...]:
    """Return the 15 items of the 2011 guidelines for reporting reliability and agreement."""
    return (
        ("Title or abstract says that agreement was studied", YOU),
        ("Device or method named and described", YOU),
        ("Subject population", facts.people),
        ("Rater or tester population", YOU),
        ("What is known, and why the study", YOU),
        ("How the sample size was chosen", f"{facts.size}; how chosen: {YOU}"),
        ("Sampling method", YOU),
        ("Measurement process: interval, information available, blinding", f"{facts.gaps}; {YOU}"),
        ("Independence of the measurements", YOU),
        ("Statistical analysis", "see how this was computed"),
        ("Actual numbers of raters, subjects and replicates", f"{facts.size}; {facts.repeats}"),
        ("Characteristics of raters and subjects", f"{facts.people}; raters: {YOU}"),
        ("Estimates with their uncertainty", "see agreement with the laboratory"),
        ("Practical relevance", f"{_agreed(facts)}; {YOU}"),
        ("Detailed results available", "results.csv, pairs.csv, exclusions.csv"),
    )


def _agreed(facts: Facts) -> str:
    return facts.margin if facts.options.margin.limit is None else f"agreed limit {facts.margin}"


def _limits_items(facts: Facts) -> tuple[tuple[str, str], ...]:
    """Return the items for reporting limits of agreement, as ordered by Gerke 2020, Table 2."""
    return (
        ("Acceptable limits fixed beforehand", facts.margin),
        ("Data structure: replicates, raters", facts.size),
        ("Repeatability of each method", facts.repeats),
        ("Plot and check of normality, trend and spread", "difference plot; trend in results.csv"),
        ("Transformation if needed", "none made"),
        ("Bias plotted and given", "yes"),
        ("Precision of the bias", "95 % interval"),
        ("Limits plotted and given", "yes, from 10 athletes"),
        ("Intervals of the limits", "95 %, of each limit alone"),
        ("Is the measured range wide enough", facts.range),
        ("Between- and within-subject variance", "intervals respect athletes with several pairs"),
        ("Software", "see where this comes from"),
        ("Distribution assumptions", "normal differences of constant spread"),
        ("Sample size", f"{facts.size}; how chosen: {YOU}"),
        ("The right axis", "mean of both methods"),
        ("Conflicts of interest", YOU),
    )


def protocol_list_block(facts: Facts) -> Block:
    """Return the protocol items of the 2022 recommendations on validating VO2max estimates."""
    rules = sorted(set(facts.laboratory["averaging_rule"].dropna()))
    sensors = facts.pairs["sensor"].dropna().value_counts().sort_index()
    items = (
        ("Population: age band, both sexes", facts.people),
        ("Sample size calculated, or at least 45", f"{facts.size}; how chosen: {YOU}"),
        ("Maximal test with gas exchange", "the laboratory value is one"),
        ("Gas analyser calibrated", YOU),
        ("Device placed and set up as instructed", f"{YOU}; wrong inputs are counted above"),
        (
            "Heart-rate sensor type",
            ", ".join(f"{sensor} {facts.pairs_in(int(n))}" for sensor, n in sensors.items()),
        ),
        ("At least two criteria of maximal effort", facts.confirmed),
        ("Verification phase", _verification(facts)),
        ("Matching mode of exercise", "only matching modes are paired"),
        ("Standardised conditions before the test", YOU),
        ("Averaging over 15 to 30 s", ", ".join(rules) or YOU),
        ("Time between field value and laboratory test", facts.gaps),
        ("Drugs that limit heart rate", _drugs(facts)),
    )
    numbered = [(str(number), *one) for number, one in enumerate(items, start=1)]
    caption = "Protocol list for validating VO2max estimates (Molina-Garcia 2022)"
    return _listed(caption, "item", numbered)


def _drugs(facts: Facts) -> str:
    shown = facts.stage.count(facts.drugs)
    apart = "analysed apart" if shown == str(facts.drugs) else "withheld"
    return f"{counted(1, 'athlete') if shown == '1' else f'{shown} athletes'}, {apart}"


def _verification(facts: Facts) -> str:
    laboratory = facts.laboratory
    known = int((laboratory["criterion_verification"] != "not known").sum())
    shown = facts.stage.count(known, len(laboratory))
    return f"recorded in {shown} of {len(laboratory)} tests"
