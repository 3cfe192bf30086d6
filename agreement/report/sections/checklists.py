"""Published reporting lists, answered from the data; what only people know is left blank."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import pandas as pd
from markupsafe import Markup

from agreement.cohort import Cohort
from agreement.report.page.machine import said, stated
from agreement.report.page.markup import Block, paragraph, table
from agreement.report.privacy.privacy import FEWEST_SHOWN, hidden_parts
from agreement.report.privacy.view import View
from agreement.report.shown.told import of_field_values, told_of
from agreement.stats.basics.spans import Span, span_of
from agreement.stats.limits.limits_of_subsets import AGES, age_bands, age_name
from agreement.tables.options import StudyOptions
from agreement.terms import SENSOR_WORDS

_HEADS: Final = ("asks for", "answer")


@dataclass(frozen=True)
class Facts:
    """What the data can answer; every number that could point at somebody is blurred."""

    options: StudyOptions
    pairs: pd.DataFrame  # in an audit only those in the results
    laboratory: pd.DataFrame  # frame of `laboratory_values`
    repeats_known: bool  # whether the laboratory's typical error was measured
    limited: "pd.Series[str]"  # of each paired athlete: whether a drug limits heart rate
    view: View  # what may be said of a few people
    fewest: int = FEWEST_SHOWN

    @property
    def athletes(self) -> int:
        """Athletes with a pair."""
        return int(self.pairs["athlete_id"].nunique())

    @property
    def tests(self) -> int:
        """Laboratory tests behind a pair."""
        return int(self.pairs["lab_test_id"].nunique())

    @cached_property
    def _each(self) -> pd.DataFrame:
        return self.pairs.drop_duplicates("athlete_id")

    @property
    def sexes(self) -> Mapping[str, str] | None:
        """How many of each sex; None where one is small."""
        counts = self._each["sex"].value_counts().sort_index()
        told = self.view.groups({str(sex): int(n) for sex, n in counts.items()})
        if told is None:
            return None
        return {sex: self.view.of_all_methods(str(n)) for sex, n in told.items()}

    @property
    def age(self) -> Span | None:
        """Ages, as far as recorded."""
        return self._span(self._each["age_years"].dropna())

    @property
    def age_bands(self) -> list[str]:
        """The bands with enough people."""
        ages = self._each["age_years"].dropna()
        sizes = age_bands(ages).value_counts()
        hidden = hidden_parts({str(band): int(n) for band, n in sizes.items()}, len(ages))
        known = [age_name(*band) for band in AGES]
        told = [name.replace("_", " ") for name in known if name in sizes and name not in hidden]
        return [*told, *(["other ages withheld"] if hidden else [])]

    @property
    def gap(self) -> Span | None:
        """Days between field value and laboratory test; one that all share tells of nobody."""
        gap = self.pairs["gap_days"].abs()
        return span_of(gap) if len(set(gap)) == 1 else self._span(gap)

    @property
    def range(self) -> Span | None:
        """Laboratory values covered [mL/kg/min]."""
        return self._span(self.pairs["lab"])

    def _span(self, values: "pd.Series[float]") -> Span | None:
        span = span_of(values)
        return None if span is None else self.view.span(span, self.athletes)

    @property
    def confirmed(self) -> str:
        """Paired tests that were confirmed to be maximal."""
        tests = self.pairs.drop_duplicates("lab_test_id")
        told = self._having(tests, tests["max_confirmed"] == "yes")
        return self.view.of_all_methods(told)

    @property
    def verified(self) -> str:
        """Tests with a verification phase."""
        known = self.laboratory["criterion_verification"] != "not known"
        return self._having(self.laboratory, known)

    def _having(self, tests: pd.DataFrame, have: "pd.Series[bool]") -> str:
        """How many tests have something, as far as that may be told."""
        return self.view.parts(["True"], have.astype("str"), tests["athlete_id"])["True"]

    @property
    def rules(self) -> list[str]:
        """Averaging rules of the laboratory."""
        return sorted(set(self.laboratory["averaging_rule"].dropna()))

    @property
    def sensors(self) -> list[tuple[str, str]]:
        """Heart-rate sensors, with their pairs."""
        known = self.pairs[self.pairs["sensor"].notna()]
        names = sorted(set(known["sensor"].astype("str")))
        told = self.view.parts(names, known["sensor"], known["athlete_id"])
        of_all = self.view.of_all_methods
        return [(SENSOR_WORDS[one], of_all(said_of)) for one, said_of in told.items()]

    @property
    def drugs(self) -> Mapping[str, str] | None:
        """How many take a drug that limits heart rate ("yes"), or may; None: known of nobody."""
        if self.limited.isin(["unknown"]).all():
            return None
        people = self.limited.index.to_series()
        told = self.view.parts(["yes", "unknown"], self.limited, people)
        return {answer: self.view.of_all_methods(count) for answer, count in told.items()}


class _Answers(dict[str, Markup]):
    """Macros of lists.j2, filled in when they are asked for."""

    def __init__(self, facts: Facts) -> None:
        super().__init__()
        self.facts = facts

    def __missing__(self, name: str) -> Markup:
        """Fill one in."""
        self[name] = said("lists", name, f=self.facts)
        return self[name]

    def of(self, items: str, name: str = "") -> list[tuple[str, str, Markup]]:
        """Return number, item and answer of each of a list of lists.j2; `name`: in its numbers."""
        every = stated("lists", items)
        told = ((item, Markup(answer).format_map(self)) for item, answer in every)
        return [(f"{name} {k}".strip(), *one) for k, one in enumerate(told, start=1)]


def facts_of(cohort: Cohort) -> Facts:
    """Return what the published lists are answered from."""
    told, pairs = told_of(cohort), cohort.pairs
    errors = told.results.of_laboratory("repeatability").values()
    known = any(not error.assumed for error in errors)
    limited = pairs.groupby("athlete_id")["hr_limiting_drug"].first()
    if told.names_nobody and told.results.methods:  # the rest would tell who is under a drug
        pairs = pd.concat([one.data.pairs for one in told.results.methods], ignore_index=True)
    tests = told.view.of_counted(cohort.laboratory.frame)
    return Facts(told.options, pairs, tests, known, limited, told.view)


@of_field_values
def reporting_lists(cohort: Cohort) -> Block:
    """Answer both reporting lists in one table, what only the reader can state first."""
    answers = _Answers(facts_of(cohort))
    items = [*(one for name in ("agreement", "limits") for one in answers.of(name, name))]
    you = answers["you"]
    items.sort(key=lambda one: 0 if one[2] == you else 1 if you in one[2] else 2)
    shown = table("Reporting lists, what is missing first", ("list, item", *_HEADS), items)
    missing = sum(you in answer for *_, answer in items)
    return paragraph(said("lists", "missing", number=missing, every=len(items))) + shown


@of_field_values
def protocol_list(cohort: Cohort) -> Block:
    """Answer the protocol items of the 2022 recommendations on validating VO2max estimates."""
    caption = "Protocol list for validating VO2max estimates (Molina-Garcia 2022)"
    return table(caption, ("item", *_HEADS), _Answers(facts_of(cohort)).of("protocol"))
