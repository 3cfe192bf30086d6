"""
Every analysis for every method and mode of a study: one table, and the results behind it.

Every number that a report shows of several people is a row, so that each `data-statistic` is found
there. Without a row stay counts (flow.csv, exclusions.csv, the columns n and n_pairs), numbers of
one person (athlete_cards.csv, pairs.csv, folded tables of single athletes) and settings.
"""

import warnings
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass, field, replace
from functools import partial
from operator import call
from typing import Any

import numpy as np
import pandas as pd

from agreement.errors import AgreementWarning
from agreement.stats.all_methods import all_counted
from agreement.stats.basics.bootstrap import N_RESAMPLES, Resampling, cluster_resampling
from agreement.stats.catalogue import ANALYSES, BY_NAME
from agreement.stats.compare.methods_compared import MethodsCompared, methods_compared
from agreement.stats.compare.two_estimators import SpreadsCompared, two_estimators_of
from agreement.stats.doubts.of_method import doubts_of
from agreement.stats.evidence import Evidence
from agreement.stats.laboratory_results import LABORATORY, Beside, beside_vo2max
from agreement.stats.limits.across_modes import AcrossModes, across_modes
from agreement.stats.limits.limits import FEWEST_FOR_SD
from agreement.stats.method_data import (
    TOO_FEW,
    MethodData,
    NotEstimable,
    forget,
    pair_keys,
    too_few_athletes,
)
from agreement.stats.method_results import MethodResults
from agreement.stats.record import Analysis, HasFrame
from agreement.stats.repeats.averaging_rule import AveragingRules, averaging_rules
from agreement.stats.repeats.laboratory_itself import (
    LaboratoryChange,
    LaboratoryRepeats,
    laboratory_change,
    laboratory_repeats,
)
from agreement.stats.repeats.laboratory_variance import laboratory_from
from agreement.stats.repeats.repeatability import Repeatability, laboratory_repeatability
from agreement.stats.result_rows import Labelled, assembled, empty_rows, rows_of
from agreement.stats.verdict.cautions import cautions_of
from agreement.stats.who_counts import who_counts
from agreement.tables.options import StudyOptions

_KEY = ["method", "mode"]
Compute = Callable[[], HasFrame]
DrawAthletes = Callable[[pd.DataFrame, int], Resampling]
Mapped = Callable[[Callable[[Any], Any], Iterable[Any]], Iterable[Any]]
_MAPPED: ContextVar[Mapped] = ContextVar("mapped", default=map)


@contextmanager
def sharing(mapped: Mapped) -> Iterator[None]:
    """Have `analyse` in the block map methods with `mapped`, as over two processes."""
    token = _MAPPED.set(mapped)
    try:
        yield
    finally:
        _MAPPED.reset(token)


@dataclass(frozen=True, slots=True)
class StudyResults:
    """All results of a study."""

    # columns `agreement.terms.RESULT_COLUMNS`, in the order of the results table
    frame: pd.DataFrame
    methods: tuple[MethodResults, ...]  # by method, then mode
    # the laboratory's own typical error in each mode where it is known
    laboratory: dict[str, Repeatability]
    comparisons: tuple[SpreadsCompared, ...]  # every two methods that share a laboratory test
    # what the averaging rule is worth in each mode with breaths
    averaging: dict[str, AveragingRules]
    # readings beside a laboratory test of another mode; they stand in no other result
    across_modes: tuple[AcrossModes, ...] = ()
    compared: tuple[MethodsCompared, ...] = ()  # the methods of each mode against each other
    # laboratory_repeats, laboratory_change: the laboratory by itself, in each mode where it can be
    # told
    laboratory_repeats: dict[str, LaboratoryRepeats] = field(default_factory=dict)
    laboratory_change: dict[str, LaboratoryChange] = field(default_factory=dict)
    beside: Beside = field(default_factory=dict)


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
        compared, comparisons, (beside, beside_rows), (own, own_rows), averaging, unlike = of_all
    parts = [frame for _, of_method in studied for frame in of_method]
    for one in comparisons:
        if isinstance(one.result, NotEstimable):
            told = empty_rows(BY_NAME["two_estimators"], one.n, one.n_pairs, str(one.result))
        else:
            told = rows_of(one.result)
        parts.append(Labelled(told, "two_estimators", one.method, one.mode))
    parts += own_rows + beside_rows
    parts += [
        Labelled(found.rows(), "averaging_rule", LABORATORY, mode)
        for mode, found in averaging.items()
    ]
    parts += [Labelled(one.rows(), "across_modes", one.method, one.mode) for one in unlike]
    parts += [
        Labelled(rows, "closer", method, one.mode)
        for one in compared
        for method, rows in one.rows()
    ]
    return StudyResults(
        *(assembled(parts), tuple(results for results, _ in studied), own["repeatability"]),
        *(comparisons, averaging, unlike, compared, own["laboratory_repeats"]),
        *(own["laboratory_change"], beside),
    )


def _shared(evidence: Evidence, data: list[MethodData]) -> tuple[dict[int, Any], list[Any]]:
    """
    Return what is of each method, by its place, and what is of all of them.

    Two processes take from both ends: the methods with most pairs first, what is short in the middle.
    """
    of_all: list[Callable[[], Any]] = [
        partial(methods_compared, data),
        partial(two_estimators_of, data),
        partial(beside_vo2max, evidence),
        partial(_laboratory, evidence),
        partial(_averaging, evidence),
        partial(_across_modes, evidence),
    ]
    largest = sorted(range(len(data)), key=lambda n: -data[n].n_pairs)
    ends = largest[::2], largest[1::2][::-1]
    first, last = ([partial(_studied, data[n]) for n in end] for end in ends)
    found = list(_MAPPED.get()(call, [*first, *of_all, *last]))
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
            known[mine] = _ordered_repeats(repeats[repeats["mode"].isin(mine)])
        return known[mine]

    return of


def _ordered_repeats(repeats: pd.DataFrame) -> pd.DataFrame:
    """Sort by unit; the tests of a unit keep their order in time."""
    return repeats.sort_values(["athlete_id", "lab_test_id"], kind="stable", ignore_index=True)


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
            reasons[analysis.name] = _note(problem)
            rows = empty_rows(analysis, data.n, data.n_pairs, _note(problem))
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


def _note(problem: ValueError) -> str:
    return str(problem if isinstance(problem, NotEstimable) else NotEstimable(str(problem)))


def _laboratory(evidence: Evidence) -> tuple[dict[str, dict[str, Any]], list[Labelled]]:
    """
    Return the laboratory by itself: results of each analysis by mode, and their rows.

    Repeatability, repeats net of their mean shift, and who changed by more, in each mode.
    """
    found: dict[str, dict[str, Any]] = defaultdict(dict)
    rows, options = [], evidence.options
    for name, tests in evidence.repeats.groupby("mode", sort=True):
        mode, ordered = str(name), _ordered_repeats(tests)
        n, columns = int(tests["athlete_id"].nunique()), ("lab", "lab_test_id", "athlete_id")
        error = partial(laboratory_repeatability, ordered, options.reference)
        repeats = partial(laboratory_repeats, *(ordered[one] for one in columns))
        todo: list[tuple[str, int, Compute]] = [("repeatability", len(tests), error)]
        todo.append(("laboratory_repeats", len(tests), repeats))
        if evidence.visits is not None:
            visits = evidence.visits[evidence.visits["mode"] == mode]
            changed = partial(_changed, visits, ordered, options)
            todo.append(("laboratory_change", len(visits), changed))
        for analysis, n_tests, compute in todo:
            try:
                found[analysis][mode] = result = compute()
                told = rows_of(result)
            except ValueError as problem:
                told = empty_rows(BY_NAME[analysis], n, n_tests, _note(problem))
            rows.append(Labelled(told, analysis, LABORATORY, mode))
    return found, rows


def _changed(
    visits: pd.DataFrame, repeats: pd.DataFrame, options: StudyOptions
) -> LaboratoryChange:
    """Say who changed by more than the noise of the repeats, or by more than the declared one."""
    lab, unit = repeats["lab"].to_numpy(np.float64), pd.factorize(repeats["lab_test_id"])[0]
    variance = laboratory_from(lab, unit, options.reference)
    return laboratory_change(visits, variance, options.change)


def _averaging(evidence: Evidence) -> dict[str, AveragingRules]:
    """Price the averaging rule in each mode; modes without breaths are not there."""
    found: dict[str, AveragingRules] = {}
    if evidence.averaging is not None:
        for mode, own in evidence.averaging.groupby("mode", sort=True):
            with suppress(NotEstimable):
                found[str(mode)] = averaging_rules(own)
    return found


def _across_modes(evidence: Evidence) -> tuple[AcrossModes, ...]:
    if evidence.across_modes is None:
        return ()
    return tuple(across_modes(evidence.across_modes, evidence.heart_rate_based))
