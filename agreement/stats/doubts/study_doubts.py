"""All doubts about one study, each a stop until `[confirm]` says why it is right."""

import re
from collections.abc import Iterable, Iterator, Sequence
from datetime import timedelta
from typing import Final, NamedTuple

import numpy as np
import pandas as pd

from agreement.errors import Problem
from agreement.pairing import Pairing
from agreement.physiology.effort import CRITERION_COLUMNS, MET, NOT_KNOWN
from agreement.physiology.laboratory import LaboratoryValues
from agreement.physiology.readings import Readings
from agreement.stats.doubts.odd_columns import (
    Odd,
    Sides,
    masses_of,
    odd,
    odd_columns,
    odd_methods,
    same_methods,
    sides_of,
    sides_together,
    swapped_columns,
)
from agreement.stats.doubts.scales import mixed_masses, mixed_uptakes, uptake_counts
from agreement.stats.doubts.twins import copied_series, twins, two_bodies
from agreement.stats.who_counts import FEWEST_JUDGED
from agreement.tables.doubts import settled
from agreement.tables.findings import problem
from agreement.tables.options import STUDY_FILE, Margin, Reference
from agreement.tables.study import StudyTables
from agreement.terms import counted, mode_word

WIDEST: Final = 1 / 3  # of the laboratory's mean VO2max; common practice, no source
FEWEST_TESTS: Final = 5  # tests from which a mean and a rule about all of them say something
NEARLY_ALL_TESTS: Final = 0.9  # of the judged tests
OLDEST_DAYS: Final = 3653  # between agreeing and the first test
MOST_TOLD: Final = 5
MOST_BODIES: Final = 20  # tests of two bodies that are told
MOST_DAYS_COMPARED: Final = 1_000_000  # of two methods
MOST_IN_SERIES: Final = 100_000  # days; of more, a copied one is nothing


class CountedRows(NamedTuple):
    """What the doubts ask of every test and estimate, as sums over people."""

    sides: Sides
    uptakes: pd.DataFrame  # of `uptake_counts`
    masses: pd.DataFrame  # athlete_id, set_mass_kg: the least and the largest of each, all it takes


def counted_rows(laboratory: pd.DataFrame, estimates: pd.DataFrame) -> CountedRows:
    """
    Count what the doubts ask, for some or all people.

    laboratory: athlete_id, lab [mL/kg/min], mass_kg.
    estimates: athlete_id, method, field [mL/kg/min], set_mass_kg, of the same people.
    """
    masses = masses_of(estimates, "set_mass_kg")
    ends = pd.concat([masses["min"], masses["max"]]).rename("set_mass_kg").rename(index=str)
    sides = sides_of(laboratory, estimates, masses)
    return CountedRows(sides, uptake_counts(estimates, laboratory), ends.reset_index())


def counted_together(parts: Iterable[CountedRows]) -> CountedRows:
    """Add up the counts of different people."""
    sides, uptakes, masses = zip(*parts, strict=True)
    by_method = pd.concat(uptakes).groupby(level=0).sum()
    return CountedRows(sides_together(sides), by_method, pd.concat(masses, ignore_index=True))


def study_doubts(
    study: StudyTables, laboratory: LaboratoryValues, readings: Readings, pairing: Pairing
) -> tuple[Problem, ...]:
    """
    Look at a study as a careful colleague would.

    study, laboratory, readings, pairing: what was read, computed and paired.
    Returns: a stop for each doubt that ``[confirm]`` of study.toml does not name, else a note.
    """
    estimates = readings.frame[readings.frame["source"] == "field_estimates"]
    counts, methods = counted_rows(laboratory.frame, estimates), estimates["method"].unique()
    return (
        *laboratory_doubts(study, laboratory),
        *paired_doubts(study, laboratory, readings, pairing, counts, list(methods)),
    )


def paired_doubts(
    study: StudyTables,
    laboratory: LaboratoryValues,
    readings: Readings,
    pairing: Pairing,
    counts: CountedRows,
    methods: Sequence[str],
) -> tuple[Problem, ...]:
    """
    Look at what was paired, in memory or in parts.

    readings: those that are held, whose method says in which table it stands; others are estimates.
    counts, methods: of all tests and estimates, and the methods that gave the estimates.
    """
    source = readings.frame.drop_duplicates("method").set_index("method")["source"].to_dict()
    names = pairing.pairs["method"].astype("str")
    table = names.map(source).astype("object").fillna("field_estimates")
    odd_ones = [(name, odd_methods(own)) for name, own in pairing.pairs.groupby(table)]
    told = "field_estimates" if counts.sides.field.rows else "field_tests"
    mixed = mixed_uptakes(counts.uptakes, laboratory.frame)
    mixed += mixed_masses(study.athletes, laboratory.frame, counts.masses)
    daily = pairing.daily if len(pairing.daily) <= MOST_DAYS_COMPARED else pairing.daily[:0]
    in_series = daily if len(daily) <= MOST_IN_SERIES else daily[:0]
    alike = twins(laboratory.frame, pairing.pairs, in_series)
    shown = _shown(
        f"'{one.first}' and '{one.second}' ({one.lab[0]:g} and {one.lab[1]:g} mL/kg/min)"
        for one in alike
    )
    swapped = swapped_columns(counts.sides, len(methods), pairing.repeats, pairing.daily)
    series = _series(in_series[in_series["method"].isin(methods)])
    return (
        *_problems(study, [odd("twins", shown=shown)][: len(alike)], "lab_tests", "athlete_id"),
        *_problems(study, series, "field_estimates", "athlete_id"),
        *_problems(study, mixed),
        *_problems(study, same_methods(daily), _main(study, told)),
        *_problems(study, odd_columns(laboratory.frame, pairing.repeats), "lab_tests"),
        *(one for name, found in odd_ones for one in _problems(study, found, str(name))),
        *_problems(study, swapped, _main(study, told)),
        *_declared_error(study.options.reference, pairing.repeats),
        *_names(study, {*methods, *map(str, source)}, pairing.pairs),
    )


def _declared_error(reference: Reference, repeats: pd.DataFrame) -> Iterator[Problem]:
    """Tell where the declared error of the laboratory is not used, and its repeats tell none."""
    if reference.sem is None:
        return
    from agreement.stats.repeats import laboratory_variance as of  # checking starts without scipy

    for mode, own in repeats.groupby("mode", observed=True):
        lab, unit = own["lab"].to_numpy(np.float64), pd.factorize(own["lab_test_id"])[0]
        try:
            of.laboratory_from(lab, unit, reference)
        except ValueError:  # too few
            told = {"mode": mode_word(str(mode)), "few": of.FEWEST_DF}
            yield problem("sem_beside_few_repeats", STUDY_FILE, **told)


def _names(study: StudyTables, known: set[str], pairs: pd.DataFrame) -> Iterator[Problem]:
    """Tell which labels differ in their spelling alone, and which names of methods lead nowhere."""
    for column, table in (("method", "field_estimates"), ("training_profile", "athletes")):
        alike: dict[str, str] = {}
        for label in sorted(map(str, pairs[column].unique())):
            plain = re.sub(r"[\W_]+(?=[^\W_])", "", label.casefold())  # "a+" and "a-" are two
            if (other := alike.setdefault(plain, label)) != label:
                file, told = study.names.get(table, table), {"column": column, "table": table}
                yield problem("labels_alike", file, one=other, other=label, **told)
    named = {"study.compares": study.options.study.compares, "methods": study.options.methods}
    for key, methods in named.items() if known else ():
        for method in (one for one in methods if one not in known):
            told = {"key": key, "method": method, "known": ", ".join(sorted(known))}
            yield problem("no_such_method", STUDY_FILE, **told)


def _main(study: StudyTables, told: str) -> str:
    return told if told in study.names else "sessions"


def laboratory_doubts(study: StudyTables, laboratory: LaboratoryValues) -> tuple[Problem, ...]:
    """Look at the laboratory's side and the margin alone, for a study whose estimates stream."""
    alone = [
        *two_bodies(laboratory.frame)[:MOST_BODIES],
        *_margin(study.options.margin, laboratory.frame),
        *_effort(laboratory.frame),
    ]
    return tuple(_problems(study, alone, "lab_tests"))


def _problems(
    study: StudyTables, found: Iterable[Odd], table: str = "", column: str | None = None
) -> Iterator[Problem]:
    """Yield doubts as problems where they stand, else of this table and the file's own column."""
    for one in found:
        place = one.table or table
        file = one.file or study.names.get(place, "")
        header = study.options.header(place, one.column) if one.column else column
        said = Problem("stop", one.code, file, one.row, header, one.what, one.remedy)
        yield settled(study.options, said)


def _series(daily: pd.DataFrame) -> Iterator[Odd]:
    if alike := copied_series(daily):
        told = (f"'{a}' and '{b}' ('{method}')" for a, b, method in alike)
        yield odd("copied_series", shown=_shown(told))


def _shown(texts: Iterable[str]) -> str:
    """Return the first of many texts, and how many more there are."""
    every = list(texts)
    more = f"; and {len(every) - MOST_TOLD} more" if len(every) > MOST_TOLD else ""
    return "; ".join(every[:MOST_TOLD]) + more


def _margin(margin: Margin, tests: pd.DataFrame) -> Iterator[Odd]:
    if margin.limit is None:
        return
    mean = float(tests["lab"].mean()) if len(tests) else np.nan
    widest = max(margin.limit, margin.mean_limit or 0.0)
    if tests["athlete_id"].nunique() >= FEWEST_JUDGED and widest > WIDEST * mean:
        yield odd("wide_margin", widest=widest, mean=mean)._replace(file=STUDY_FILE)
    dates = tests["date"].dropna()
    if margin.agreed_on is None or dates.empty:
        return
    first, agreed_on = dates.min().date(), margin.agreed_on
    if first - agreed_on > timedelta(days=OLDEST_DAYS):
        years = (first - agreed_on).days // 365
        old = odd("old_margin", agreed_on=agreed_on, years=years, first=first)
        yield old._replace(file=STUDY_FILE)


def _effort(tests: pd.DataFrame) -> Iterator[Odd]:
    criteria = tests[list(CRITERION_COLUMNS)]
    judged = criteria[(criteria != NOT_KNOWN).any(axis=1)]
    count, without = len(judged), int((judged != MET).all(axis=1).sum())
    if count < max(FEWEST_TESTS, len(criteria) / 2) or without < NEARLY_ALL_TESTS * count:
        return
    some = "None" if without == count else f"Only {count - without}"
    yield odd("no_maximum", some=some, tests=counted(count, "laboratory test"))
