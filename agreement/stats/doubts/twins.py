"""Two ids with the numbers of one person, and one id with the numbers of two."""

from collections import Counter
from collections.abc import Collection
from itertools import pairwise
from math import comb, prod
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd

from agreement.arrays import Floats, floats
from agreement.stats.doubts.chance import chance_of_all, chance_of_closeness, too_close
from agreement.stats.doubts.odd_columns import Odd, odd

# The authors' choice, common practice, no source. A laboratory's own error is 2.6 mL/kg/min
# (Vickers, read), so two tests of one person differ by 3.7, and 15 is four times that; training
# changes VO2max by a tenth to a quarter in months.
REPEAT_DAYS: Final = 21
REPEAT_ABOVE: Final = (12.0, 0.30)  # mL/kg/min, and share of the mean; both must be passed
CHANGES: Final = {  # by days from test to test at most
    REPEAT_DAYS: REPEAT_ABOVE,
    45: (16.0, 0.40),  # a quarter by training, and twice the noise of two tests
    200: (20.0, 0.50),
}
MASS_DAYS, MASS_ABOVE = 45, 0.15
MASS_LONG_DAYS, MASS_LONG_ABOVE = 365, 0.30


def two_bodies(laboratory: pd.DataFrame) -> list[Odd]:
    """
    Find tests that follow an earlier one of the same id too soon for what lies between them.

    laboratory: athlete_id, mode, date, lab [mL/kg/min], mass_kg, file, row, lab_test_id.
    Returns: one for each test that does not follow from the one before it.
    """
    tests = laboratory.sort_values(["athlete_id", "mode", "date"], kind="stable")
    before = tests.shift()
    same = (tests["athlete_id"] == before["athlete_id"]) & (tests["mode"] == before["mode"])
    pair = tests[same].join(before[same].add_suffix("_before"))
    if pair.empty:
        return []
    days = (pair["date"] - pair["date_before"]).dt.days.to_numpy()
    lab, mass = floats(pair, "lab", "mass_kg")
    lab_0, mass_0 = (pair[f"{name}_before"].to_numpy(np.float64) for name in ("lab", "mass_kg"))
    apart, heavier = np.abs(lab - lab_0), np.abs(mass - mass_0) / np.fmin(mass, mass_0)
    mean = (lab + lab_0) / 2
    by_value = np.zeros(len(pair), dtype=np.bool_)
    for most, (least, share) in CHANGES.items():
        by_value |= (days <= most) & (apart > least) & (apart > share * mean)
    by_mass = ((days <= MASS_DAYS) & (heavier > MASS_ABOVE)) | (
        (days <= MASS_LONG_DAYS) & (heavier > MASS_LONG_ABOVE)
    )
    found = []
    for i in np.flatnonzero(by_value | by_mass):
        one, column = pair.iloc[i], "vo2max_ml_kg_min" if by_value[i] else "mass_kg"
        told: dict[str, Any] = {"old": mass_0[i], "new": mass[i], "unit": "kg"}
        if by_value[i]:
            told = {"old": lab_0[i], "new": lab[i], "unit": "mL/kg/min"}
        who, both = one["athlete_id"], f"{one['lab_test_id_before']}, {one['lab_test_id']}"
        doubt = odd("two_bodies", athlete=who, days=days[i], tests=both, **told)
        found.append(doubt._replace(file=str(one["file"]), row=int(one["row"]), column=column))
    return found


TWIN_ALPHA: Final = 2e-5  # of naming anybody wrongly in one study
NEARLY: Final = 0.15  # chance of each number that the laboratory measured
NEAR_LAB: Final = 0.15  # of two first laboratory values: a copy is off by rounding. [mL/kg/min]
MOST_PEOPLE: Final = 1500  # every two are compared
LEAST_SERIES, LEAST_DISTINCT = 5, 4  # days, and different values among them
SERIES_ALPHA: Final = 1e-3  # equal series that chance gives in a study; whole numbers give some
_MOST_TESTS, _MOST_CHANGES = 4, 14


class Twins(NamedTuple):
    """Two ids, how many numbers were compared, and one of them in both."""

    first: str
    second: str
    numbers: int
    lab: tuple[float, float]


def twins(laboratory: pd.DataFrame, pairs: pd.DataFrame, daily: pd.DataFrame) -> tuple[Twins, ...]:
    """
    Find ids whose laboratory values, masses, differences and daily changes are nearly the same.

    laboratory: athlete_id, date, lab [mL/kg/min], mass_kg, hr_max_bpm, age_years; a row per test.
    pairs: athlete_id, method, mode, lab_date, lab, difference [mL/kg/min].
    daily: athlete_id, method, mode, date, field [mL/kg/min].
    Returns: the most alike first. Dates are not compared: a copy may have been moved.
    """
    ids = pd.Index(np.unique(laboratory["athlete_id"].to_numpy(dtype=object)))
    if not 2 < len(ids) <= MOST_PEOPLE:
        return ()
    tests = laboratory.sort_values("date", kind="stable")
    columns = _tests(tests, ids)
    first_lab, of_tests = columns[0], len(columns)
    for _, own in pairs.groupby(["method", "mode"], sort=True):
        apart = own.assign(apart=_beyond_level(own)).sort_values("lab_date", kind="stable")
        columns += list(_in_turn(apart, "apart", ids).T[:_MOST_TESTS])
    chances = [chance_of_closeness(column) for column in columns]
    measured = chances[:of_tests]
    for _, own in daily.groupby(["method", "mode"], sort=True):
        chances += _of_changes(own.sort_values("date", kind="stable"), ids)
    upper = np.triu_indices(len(ids), 1)
    chance, numbers = chance_of_all([one[upper] for one in chances])
    near = np.fmax.reduce([one[upper] for one in measured]) <= NEARLY  # each of the laboratory's
    # values that lie evenly are near one another without being copies
    written_again = np.abs(np.subtract.outer(first_lab, first_lab))[upper] <= NEAR_LAB + 1e-9
    chance = np.where((numbers >= 2) & near & written_again, chance, 1.0)
    alike = [(upper[0][k], upper[1][k], int(numbers[k])) for k in too_close(chance, TWIN_ALPHA)]
    return tuple(
        Twins(str(ids[i]), str(ids[j]), count, (float(first_lab[i]), float(first_lab[j])))
        for i, j, count in alike
    )


def copied_series(daily: pd.DataFrame) -> list[tuple[str, str, str]]:
    """
    Find two people with the same field values day by day: one export under two ids.

    daily: athlete_id, lab_test_id (of the unit), method, mode, date, field [mL/kg/min].
    Returns: the first person, the other, the method.
    """
    if daily.empty:
        return []
    series = (
        daily.assign(field=daily["field"].astype(np.float64).round(6))
        .sort_values("date", kind="stable")
        .groupby(["method", "mode", "athlete_id", "lab_test_id"], sort=True, observed=True)["field"]
        .agg(tuple)
        .reset_index()
    )
    told = [len(one) >= LEAST_SERIES and len(set(one)) >= LEAST_DISTINCT for one in series["field"]]
    found: dict[tuple[str, str, str], None] = {}
    for (method, _), every in series[told].groupby(["method", "mode"], sort=False):
        again = every[every["field"].duplicated(keep=False)]
        for _, alike in again.groupby("field", sort=False):
            ids = list(dict.fromkeys(alike["athlete_id"].astype(str)))
            one = alike["field"].iloc[0]
            if len(ids) > 1 and _equal_by_chance(one, every["field"].tolist()) < SERIES_ALPHA:
                found.update({(ids[0], other, str(method)): None for other in ids[1:]})
    return sorted(found)


def _equal_by_chance(one: tuple[float, ...], every: Collection[tuple[float, ...]]) -> float:
    """Return how many pairs of `every` would be this series, first value and steps as often as seen."""
    each = {series: [round(b - a, 6) for a, b in pairwise(series)] for series in {*every}}
    first = Counter(series[0] for series in every)
    steps = Counter(step for series in every for step in each[series])
    chance = first[one[0]] / len(every) * prod(steps[step] / steps.total() for step in each[one])
    return comb(len(every), 2) * chance


def _beyond_level(pairs: pd.DataFrame) -> Floats:
    """Return the differences without what follows from the level: equals in it are near anyhow."""
    lab, difference = floats(pairs, "lab", "difference")
    centred = lab - lab.mean()
    square = float(centred @ centred)
    slope = float(centred @ difference) / square if square > 0 else 0.0
    beyond: Floats = np.round(difference - difference.mean() - slope * centred, 6)
    return beyond


def _tests(tests: pd.DataFrame, ids: pd.Index) -> list[Floats]:
    """Return the first value of each person, its later changes, mass, heart rate and age."""
    lab = _in_turn(tests, "lab", ids)[:, :_MOST_TESTS]
    mass = _in_turn(tests, "mass_kg", ids)[:, :2]
    beside = [_in_turn(tests, name, ids)[:, 0] for name in ("hr_max_bpm", "age_years")]
    return [
        lab[:, 0],
        *(lab[:, 1:] - lab[:, :1]).T,
        mass[:, 0],
        *(mass[:, 1:] - mass[:, :1]).T,
        *beside,
    ]


def _in_turn(frame: pd.DataFrame, column: str, ids: pd.Index) -> Floats:
    """Return the values of each person in the order of the rows; people x numbers, at least one."""
    who = ids.get_indexer(pd.Index(frame["athlete_id"]))
    turn = frame.groupby("athlete_id", sort=False).cumcount().to_numpy(np.int64)
    table = np.full((len(ids), int(turn.max(initial=0)) + 1), np.nan)
    known = who >= 0
    table[who[known], turn[known]] = frame[column].to_numpy(np.float64)[known]
    return table


def _of_changes(daily: pd.DataFrame, ids: pd.Index) -> list[Floats]:
    """
    Return the chances of equal day-to-day changes, one array for each change in turn.

    A source that mostly repeats its number changes by nothing as a rule, so an equal nothing says
    little: the chance is the share of all changes that are as near.
    """
    values = _in_turn(daily, "field", ids)[:, : _MOST_CHANGES + 1]
    changes = np.round(np.diff(values, axis=1), 6)
    known = np.sort(changes[np.isfinite(changes)])
    if known.size < 2 * _MOST_CHANGES or known[0] == known[-1]:
        return []
    found = []
    for change in changes.T:
        apart = np.abs(change[:, None] - change[None, :])
        middle = (change[:, None] + change[None, :]) / 2
        reach = apart / 2 + 1e-6
        near = np.searchsorted(known, middle + reach, "right") - np.searchsorted(
            known, middle - reach, "left"
        )
        # two draws as near: about twice the share of the narrow band around both
        share = np.minimum(1.0, np.maximum(2 * near / known.size, 1e-4))
        found.append(np.where(np.isfinite(apart), share, np.nan))
    return found
