"""
The view that a report has of a study: all that it shows passes it, once, before any section.

To those who keep a study everything is shown; of what leaves the house, as an audit does, `Released`
takes out what could be of fewer than five people. Sections ask for nothing else and find it absent.
"""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import pandas as pd

from agreement.cohort import Cohort
from agreement.errors import Problem
from agreement.report.privacy.by_pairs import Name, Place
from agreement.report.privacy.cells import small_groups, without_traits
from agreement.report.privacy.left_out import OfFew, pooled, rows_of_few
from agreement.report.privacy.privacy import FEWEST_SHOWN, few, hidden_parts
from agreement.report.privacy.release import (
    released_options,
    released_results,
    released_tables,
    rounded,
)
from agreement.stats.basics.spans import Span
from agreement.stats.method_data import MethodData, NotEstimable
from agreement.stats.method_results import MethodResults
from agreement.stats.repeats.repeatability import Repeatability, laboratory_repeatability
from agreement.stats.studies.history import HISTORY_NUMBERS
from agreement.stats.verdict.cautions import Caution
from agreement.tables.writers import significant
from agreement.terms import DOUBTS

if TYPE_CHECKING:
    from agreement.pairing.tally import WithoutPair
    from agreement.scale.registry_results import RegistryResults
    from agreement.stats.results_table import StudyResults

WITHHELD: Final = "withheld"  # reason of the one note that says that the others stay out


class Noise(NamedTuple):
    """The laboratory's own, as drawn, in mL/kg/min."""

    noise_floor: float
    smallest_real_change: float
    declared: bool  # nobody measured it in this study


class View:
    """What a report shows of a study to those who keep it: everything."""

    def __init__(self, cohort: Cohort) -> None:
        self._cohort = cohort
        self.results: StudyResults = cohort.results
        self.exclusions, self.flow = cohort.exclusions, cohort.flow
        self.frame = significant(self.results.frame)  # as in results.csv
        self.options = cohort.study.options  # told to provenance
        self.problems = without_withdrawn(cohort.problems)

    @cached_property
    def kept_back(self) -> list[Name]:
        """Groups that leave no house, told to provenance: a share keeps them back too."""
        return small_groups(self.results)

    @cached_property
    def of_few(self) -> dict[str, OfFew]:
        """Rows of each file that tell of a few people; told to provenance, for a share."""
        cohort, counted = self._cohort, [one.data.pairs for one in self._cohort.results.methods]
        return rows_of_few(cohort.study, cohort.pairing, counted)

    @cached_property
    def without_pair(self) -> "tuple[WithoutPair, ...]":
        """Return the methods that have readings and not one pair."""
        return self._cohort.pairing.without_pair

    def tried(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return the results table, some rows of it under another choice."""
        return frame

    def rows(self, frame: pd.DataFrame) -> pd.DataFrame | None:
        """Return rows of people; None where nobody may be named or drawn."""
        return frame

    def of_counted(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return rows of people beside whom numbers stand; the others are no few, or left out."""
        return frame

    def count(self, number: int, whole: int | None = None) -> str:  # noqa: ARG002 - for `Released`
        """Return a count of people or tests; a range where it would tell of fewer than five."""
        return str(number)

    def count_beside(self, number: int, other: int, whole: int) -> str:  # noqa: ARG002 - for `Released`
        """Return a count of people beside another of some of them; a bound where a few are in both."""
        return str(number)

    def tells_traits(self, method: str, mode: str | None = None) -> bool:  # noqa: ARG002 - for `Released`
        """Tell whether people of a method who have some trait may be counted; `mode` None: of any."""
        return True

    def parts(
        self,
        states: Iterable[str],
        of: "pd.Series[str]",
        people: "pd.Series[str]",  # noqa: ARG002 - for `Released`
    ) -> dict[str, str]:
        """
        Return how many rows are in each state; a range where these would tell of fewer than five people.

        of, people: of each row its state, and whose it is.
        """
        return {state: str(int((of == state).sum())) for state in states}

    def groups(self, sizes: Mapping[str, int]) -> Mapping[str, int] | None:
        """Return the sizes of groups; None where they would tell of fewer than five people."""
        return sizes

    def of_all_methods(self, count: str) -> str:
        """Return a count with some trait over all methods; a bound where it would tell of a few."""
        return count

    def span(self, span: Span, people: int) -> Span:  # noqa: ARG002 - for `Released`
        """Return what values of so many people cover; without what is one person's."""
        return span

    def noise(self, data: MethodData) -> Noise | None:
        """Return the laboratory's noise in the modes of a method's tests; None: not known or told."""
        error = _error(data)
        if error is None:
            return None
        return Noise(error.noise_floor, error.smallest_real_change, error.assumed)

    def history(self, lines: pd.DataFrame) -> pd.DataFrame:
        """Return the lines of this report and those before it."""
        return lines

    def tables(self, tables: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
        """Return the tables to write."""
        return tables


class Released(View):
    """What leaves the house: nothing of fewer than five people; what is not shown is absent."""

    def __init__(self, cohort: Cohort) -> None:
        super().__init__(cohort)
        self.frame = released_results(self.frame, small_groups(self.results))
        methods = tuple(map(released_method, self.results.methods))
        of_people = ("laboratory_change", "averaging_rule")
        beside = {k: one for k, one in self.results.beside.items() if k[0] not in of_people}
        self.results = replace(self.results, methods=methods, beside=beside)
        self.exclusions, self.flow = pooled(self.exclusions, self.flow, self.of_few)
        self.kept_back, self.of_few = [], {}  # they are gone
        self.options = released_options(self.options)
        self.problems = released_problems(self.problems)

    @cached_property
    def without_pair(self) -> "tuple[WithoutPair, ...]":
        """Return those whose readings are not of a few people."""
        return tuple(one for one in super().without_pair if one.athletes >= FEWEST_SHOWN)

    def tried(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return its numbers to the decimals printed; what is withheld in `frame` is so already."""
        return rounded(frame)

    def rows(self, frame: pd.DataFrame) -> None:
        """Show nobody."""

    def of_counted(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return rows of those in the results: less these, the others would be told, as under a drug."""
        counted = {who for one in self.results.methods for who in one.data.pairs["athlete_id"]}
        return frame[frame["athlete_id"].isin(counted)] if counted else frame

    def count(self, number: int, whole: int | None = None) -> str:
        """Return a range for a few."""
        return few(number, whole)

    def count_beside(self, number: int, other: int, whole: int) -> str:
        """Return a range for a few, and a bound where both less the whole would count a few."""
        told = few(number, whole)
        both = number + other - whole
        return f"{FEWEST_SHOWN} or more" if 0 < both < FEWEST_SHOWN and told.isdigit() else told

    def tells_traits(self, method: str, mode: str | None = None) -> bool:
        """Tell whether no count beside it would tell a trait of those few who are in one method alone."""
        return not any(one == method and mode in (None, of) for one, of in self._without_traits)

    @cached_property
    def _without_traits(self) -> set[Place]:
        return without_traits(self._cohort.results)

    def parts(
        self, states: Iterable[str], of: "pd.Series[str]", people: "pd.Series[str]"
    ) -> dict[str, str]:
        """Return a range for rows of a few people, and for the part from which they would follow."""
        of, least = of.astype("str"), f"{FEWEST_SHOWN} or more"
        hidden = hidden_parts(dict(people.groupby(of).nunique()), people.nunique())
        told = {}
        for state in states:
            n = int((of == state).sum())
            told[state] = few(n, len(of))
            if state in hidden and told[state] == str(n):
                told[state] = least
        return told

    def groups(self, sizes: Mapping[str, int]) -> Mapping[str, int] | None:
        """Return nothing where one group is small: the rest would give it away."""
        return None if any(0 < n < FEWEST_SHOWN for n in sizes.values()) else sizes

    def of_all_methods(self, count: str) -> str:
        """Return a bound where there are several: less that of one it is of those who lack this one."""
        exact = count.isdigit() and int(count) >= FEWEST_SHOWN
        return f"{FEWEST_SHOWN} or more" if exact and len(self.results.methods) > 1 else count

    def span(self, span: Span, people: int) -> Span:
        """Return the mean alone, of enough people: ends and, of an odd number, the median are one person's."""
        return Span(None, None, None, span.mean if people >= FEWEST_SHOWN else None)

    def noise(self, data: MethodData) -> Noise | None:
        """Return it to the decimal of print, for a drawn line can be measured; None of too few."""
        error = _error(data)
        if error is None or not (error.assumed or error.n >= FEWEST_SHOWN):
            return None
        half, change = round(error.noise_floor, 1), round(error.smallest_real_change, 1)
        return Noise(half, change, error.assumed)

    def history(self, lines: pd.DataFrame) -> pd.DataFrame:
        """Return the lines with numbers only where they tell no few people apart."""
        return released_history(lines)

    def tables(self, tables: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
        """Return counts and reasons; tables of people have no row."""
        return released_tables(*(tables[name] for name in ("results", "exclusions", "flow")))


def _error(data: MethodData) -> Repeatability | None:
    try:
        return laboratory_repeatability(data.repeats, data.options.reference)
    except NotEstimable:
        return None


def released_method(one: MethodResults) -> MethodResults:
    """Return one method's results without date of a test, control of a person, and small counts."""
    found = dict(one.found)
    if "verdict" in found:
        found["verdict"] = replace(one.verdict, first_lab_date=None)
    if one.data.options.control.kind != "calibrator":
        found.pop("control", None)
    cautions = (caution for caution in one.cautions if caution.of_all)
    return replace(one, found=found, doubts=released_doubts(one.doubts), cautions=tuple(cautions))


def released_doubts(doubts: Iterable[Caution]) -> tuple[Caution, ...]:
    """
    Return what could make a verdict wrong, in general words; what one athlete does is not there.

    >>> released_doubts([Caution("constant_device", "It says 52.0 to 52.0.")])[0].sentence
    'It says the same of everybody.'
    """
    return tuple(Caution(one.code, one.in_general) for one in doubts if one.in_general)


def released_registry(results: "RegistryResults", gone: list[Name]) -> "RegistryResults":
    """Return a registry's results with small cells withheld, and verdicts without date of a test."""
    verdicts = tuple(replace(verdict, first_lab_date=None) for verdict in results.verdicts)
    methods = tuple(replace(one, doubts=released_doubts(one.doubts)) for one in results.methods)
    frame = released_results(results.frame, gone)
    return replace(results, frame=frame, verdicts=verdicts, methods=methods)


def without_withdrawn(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """Return what a report may say to those who keep it: it names nobody who withdrew, however spelled."""
    return tuple(one for one in problems if one.reason != "like_withdrawn")


def released_problems(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """
    Return what was confirmed as right, in general words, and that notes on the files stay out.

    The evidence names people and rows, and a reason may.
    """
    told = (
        Problem("note", one.reason, "", None, None, DOUBTS[one.reason], one.remedy.split(":")[0])
        for one in problems
        if one.severity == "note" and one.reason in DOUBTS
    )
    return (*dict.fromkeys(told), Problem("note", WITHHELD, "", None, None, "", ""))


def released_history(history: pd.DataFrame) -> pd.DataFrame:
    """
    Return the history of a study so that nobody can be told apart.

    Two lines of one method both show numbers only where their athletes differ by five or more, and
    the older one loses them.
    """
    found = history.copy()
    shown: dict[tuple[str, str], list[float]] = {}
    for at, method, mode, n in reversed(list(found[["method", "mode", "n"]].itertuples())):
        own = shown.setdefault((method, mode), [])
        if pd.isna(n) or n < FEWEST_SHOWN or any(abs(n - other) < FEWEST_SHOWN for other in own):
            found.loc[at, list(HISTORY_NUMBERS)] = np.nan
        else:
            own.append(n)
    return found
