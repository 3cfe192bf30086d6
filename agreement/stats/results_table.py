"""
Every analysis for every method and mode of a study: one table, and the results behind it.

Every number that a report shows of several people is a row, so that each `data-statistic` is found
there. Without a row stay counts (flow.csv, exclusions.csv, the columns n and n_pairs), numbers of
one person (athlete_cards.csv, pairs.csv, folded tables of single athletes) and settings.
"""

import warnings
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from operator import call
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.errors import AgreementWarning
from agreement.physiology.elsewhere import Elsewhere
from agreement.stats.all_methods import all_counted
from agreement.stats.basics.bootstrap import N_RESAMPLES, Resampling, cluster_resampling
from agreement.stats.catalogue import ANALYSES, BY_NAME
from agreement.stats.compare.methods_compared import MethodsCompared, methods_compared
from agreement.stats.compare.two_estimators import SpreadsCompared, two_estimators_of
from agreement.stats.doubts.of_method import doubts_of
from agreement.stats.evidence import Evidence
from agreement.stats.laboratory_results import Beside, laboratory_results, ordered_repeats
from agreement.stats.limits.across_modes import AcrossModes, across_modes
from agreement.stats.limits.limits import FEWEST_FOR_SD
from agreement.stats.method_data import (
    TOO_FEW,
    MethodData,
    NotEstimable,
    forget,
    noted,
    pair_keys,
    too_few_athletes,
)
from agreement.stats.method_results import MethodResults
from agreement.stats.record import Analysis, HasFrame
from agreement.stats.result_rows import Labelled, assembled, empty_rows, rows_of
from agreement.stats.verdict.cautions import cautions_of
from agreement.stats.who_counts import who_counts

_KEY = ["method", "mode"]
DrawAthletes = Callable[[pd.DataFrame, int], Resampling]
Mapped = Callable[[Callable[[Any], Any], Iterable[Any]], Iterable[Any]]
METHODS_ELSEWHERE: Final = Elsewhere[Mapped]("methods")  # as over two processes


@dataclass(frozen=True, slots=True)
class StudyResults:
    """All results of a study."""

    # columns `agreement.terms.RESULT_COLUMNS`, in the order of the results table
    frame: pd.DataFrame
    methods: tuple[MethodResults, ...]  # by method, then mode
    comparisons: tuple[SpreadsCompared, ...]  # every two methods that share a laboratory test
    # readings beside a laboratory test of another mode; they stand in no other result
    across_modes: tuple[AcrossModes, ...] = ()
    compared: tuple[MethodsCompared, ...] = ()  # the methods of each mode against each other
    beside: Beside = field(default_factory=dict)  # the laboratory's own, by analysis and mode

    def of_laboratory(self, analysis: str) -> dict[str, Any]:
        """Return the laboratory's own results of an analysis, by mode."""
        return {mode: found for (name, mode), found in self.beside.items() if name == analysis}


def analyse(evidence: Evidence) -> StudyResults:
    """
    Compute every analysis for every method and mode.

    evidence: the order of its rows does not matter, but for repeats of one unit; the study's seed
        fixes everything random.
    """
    with warnings.catch_warnings():
        # the table carries notes of its own where a library function would warn
        warnings.simplefilter("ignore", AgreementWarning)
        data = list(method_data(evidence))
        each, of_all = _shared(evidence, data)
        studied = all_counted([each[n] for n in range(len(data))])
        compared, comparisons, (beside, beside_rows), unlike = of_all
    parts = [frame for _, of_method in studied for frame in of_method]
    for one in comparisons:
        if isinstance(one.result, NotEstimable):
            told = empty_rows(BY_NAME["two_estimators"], one.n, one.n_pairs, str(one.result))
        else:
            told = rows_of(one.result)
        parts.append(Labelled(told, "two_estimators", one.method, one.mode))
    parts += beside_rows
    parts += [Labelled(one.rows(), "across_modes", one.method, one.mode) for one in unlike]
    parts += [
        Labelled(rows, "closer", method, one.mode)
        for one in compared
        for method, rows in one.rows()
    ]
    methods = tuple(results for results, _ in studied)
    return StudyResults(assembled(parts), methods, comparisons, tuple(unlike), compared, beside)


def _shared(evidence: Evidence, data: list[MethodData]) -> tuple[dict[int, Any], list[Any]]:
    """
    Return what is of each method, by its place, and what is of all of them.

    Two processes take from both ends: the methods with most pairs first, what is short in the middle.
    """
    of_all: list[Callable[[], Any]] = [
        partial(methods_compared, data),
        partial(two_estimators_of, data),
        partial(laboratory_results, evidence),
        partial(across_modes, evidence.across_modes, evidence.heart_rate_based),
    ]
    largest = sorted(range(len(data)), key=lambda n: -data[n].n_pairs)
    ends = largest[::2], largest[1::2][::-1]
    first, last = ([partial(_studied, data[n]) for n in end] for end in ends)
    found = list((METHODS_ELSEWHERE.way or map)(call, [*first, *of_all, *last]))
    middle = slice(len(first), len(first) + len(of_all))
    each = found[: middle.start] + found[middle.stop :]
    return dict(zip([*ends[0], *ends[1]], each, strict=True)), found[middle]


def method_data(evidence: Evidence, drawn: DrawAthletes | None = None) -> Iterator[MethodData]:
    """
    Yield what the analyses of each method and mode get to see, by method, then mode.

    `drawn` draws the athletes of some pairs, given the seed; by default 9999 times, all of them.
    """
    names = ("daily", "coverage", "splits", "asked", "expected")
    daily, coverage, splits, asked, expected = (_cut(getattr(evidence, one)) for one in names)
    rules = {name: _cut(pairs) for name, pairs in evidence.other_rules.items()}
    repeats, seed = _repeats_of(evidence.repeats), evidence.options.report.seed
    for key, everyone in evidence.pairs.groupby(_KEY, sort=True):
        method, mode = map(str, key)
        ordered = everyone.sort_values(["athlete_id", "lab_test_id"], ignore_index=True)
        based = evidence.heart_rate_based.get(method, True)
        counting = partial(who_counts, heart_rate_based=based)
        pairs = counting(ordered).reset_index(drop=True)
        known, days, tests = pairs["lab_test_id"], daily(method, mode), evidence.averaging
        days = days[days["lab_test_id"].isin(known)]
        yield MethodData(
            method,
            mode,
            pairs,
            ordered,
            days.sort_values(["athlete_id", "lab_test_id", "date"], ignore_index=True),
            repeats(known),
            evidence.options,
            based,
            (drawn or _resampling)(pairs, seed),
            evidence.first_lab_date,
            evidence.next_door,
            _of_pairs(coverage(method, mode), pairs),
            _of_pairs(splits(method, mode), pairs),
            {name: counting(own(method, mode)) for name, own in rules.items()},
            evidence.earlier,
            evidence.control,
            asked(method, mode),
            None if tests is None else tests[tests["lab_test_id"].isin(known)],
            _of_pairs(expected(method, mode), pairs),
        )


def _cut(frame: pd.DataFrame | None) -> Callable[[str, str], Any]:
    """Cut a table by method and mode, once for all of them; without a table there is none."""
    if frame is None:
        return lambda *_: None
    parts, nothing = dict(iter(frame.groupby(_KEY, sort=False))), frame.iloc[:0]
    return lambda method, mode: parts.get((method, mode), nothing)


def _of_pairs(frame: pd.DataFrame | None, pairs: pd.DataFrame) -> pd.DataFrame | None:
    """Return the rows that belong to these pairs, in their order."""
    if frame is None or frame.empty:
        return frame
    rows: dict[tuple[str, str], list[int]] = {}
    for row, key in enumerate(pair_keys(frame)):
        rows.setdefault(key, []).append(row)
    kept = [row for key in pair_keys(pairs) for row in rows.get(key, ())]
    return frame.take(kept).reset_index(drop=True)


def _repeats_of(repeats: pd.DataFrame) -> Callable[["pd.Series[str]"], pd.DataFrame]:
    """Return what gives all laboratory tests in the modes of some of them, in order."""
    modes = repeats[["lab_test_id", "mode"]].drop_duplicates()
    known: dict[frozenset[str], pd.DataFrame] = {}

    def of(tests: "pd.Series[str]") -> pd.DataFrame:
        mine = frozenset(modes.loc[modes["lab_test_id"].isin(tests), "mode"])
        if mine not in known:
            known[mine] = ordered_repeats(repeats[repeats["mode"].isin(mine)])
        return known[mine]

    return of


def _resampling(pairs: pd.DataFrame, seed: int) -> Resampling:
    if pairs.empty:
        return Resampling(np.empty(0, np.intp), np.empty((N_RESAMPLES, 0), np.uint8), seed)
    return cluster_resampling(pairs["athlete_id"].to_numpy(), rng=seed)


def _studied(data: MethodData) -> tuple[MethodResults, list[Labelled]]:
    """Results of one method and mode, and their rows; perhaps in a process of its own."""
    results: dict[str, HasFrame] = {}
    reasons: dict[str, str] = {}
    parts = []
    for analysis in ANALYSES:
        if analysis.compute is None:
            continue
        try:
            results[analysis.name] = result = _computed(analysis, data, results, reasons)
            rows = rows_of(result)
        except ValueError as problem:  # NotEstimable, or a refusal by a library function
            reasons[analysis.name] = note = noted(problem)
            rows = empty_rows(analysis, data.n, data.n_pairs, note)
        parts.append(Labelled(rows, analysis.name, data.method, data.mode))
    found = MethodResults(data, results, reasons)
    cautions = cautions_of(data, found.trend, found.profile_bias, found.structural)
    found = replace(found, cautions=cautions, doubts=doubts_of(data, found.verdict))
    forget(data)
    return found, parts


def _computed(
    analysis: Analysis, data: MethodData, results: dict[str, HasFrame], reasons: dict[str, str]
) -> HasFrame:
    if analysis.compute is None or (data.n < FEWEST_FOR_SD and not analysis.any_size):
        raise NotEstimable(f"{too_few_athletes(data.n)}.", TOO_FEW)
    if not analysis.of:
        return analysis.compute(data)
    if analysis.of in reasons:
        code, _, sentence = reasons[analysis.of].partition(": ")
        raise NotEstimable(sentence, code)
    return analysis.compute(results[analysis.of])
