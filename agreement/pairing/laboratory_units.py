"""
Laboratory tests become units: a test together with its repeats within a few days.

Of repeats a unit has the first known mass and the highest HRmax.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from agreement.arrays import Flags, Ints
from agreement.terms import ALL_MODES

HALF = 1 << 31  # keeps day numbers before 1970 positive inside a key

OF_FIRST = [  # of a unit's tests
    *("lab_test_id", "athlete_id", "mode", "date", "averaging_rule", "sex", "age_years"),
    *("hr_limiting_drug", "training_profile", "profile_borderline"),
]
OF_ALL = [*OF_FIRST, "max_confirmed", "lab", "hr_max_bpm", "mass_kg"]


@dataclass(frozen=True, slots=True)
class Units:
    """Laboratory units, in order of athlete, mode and date."""

    # one row per unit: lab_test_id, athlete_id, mode, date, lab, mass_kg, averaging_rule,
    # max_confirmed, hr_max_bpm, sex, age_years, hr_limiting_drug, training_profile,
    # profile_borderline, n_tests. VO2max in mL/kg/min.
    frame: pd.DataFrame
    of_test: Ints  # shape (laboratory tests,). The unit of each row of the laboratory frame.
    # shape (laboratory tests,). Rows of the laboratory frame in order of athlete, mode, date and
    # lab_test_id.
    order: Ints
    # the athletes with a laboratory test; a code below is a position in it
    athletes: "pd.Index[str]"
    # athlete, day, mode, id_rank: shape (units,). Codes of athlete and mode (of `ALL_MODES`), day
    # number, and order of the lab_test_id.
    athlete: Ints
    day: Ints
    mode: Ints
    id_rank: Ints


def laboratory_units(laboratory: pd.DataFrame, *, repeat_within_days: int) -> Units:
    """
    Join repeats to units.

    In order of date, then lab_test_id, a test of the same athlete and mode at most
    `repeat_within_days` after the *first* test of a unit joins it.

    laboratory: one row per laboratory test, as `agreement.physiology.laboratory` gives it.
    repeat_within_days: longest distance of a repeat from the first test. [days]
    Returns: each has the id, date, rule and training profile of its first test; the mean VO2max;
        the highest measured heart rate; the first body mass that is known; and max_confirmed
        ``yes`` if all tests are, ``no`` if any is not, else ``unknown``.
    """
    athlete, athletes = pd.factorize(laboratory["athlete_id"], sort=True)
    test_rank, _ = pd.factorize(laboratory["lab_test_id"], sort=True)
    mode = codes_of(laboratory["mode"], ALL_MODES)
    day = day_numbers(laboratory["date"])
    order = np.lexsort((test_rank, day, mode, athlete))
    group = (athlete * len(ALL_MODES) + mode)[order]
    heads = _heads(group, day[order], repeat_within_days)
    of_test = np.empty(len(order), np.int64)
    of_test[order] = np.cumsum(heads) - 1
    first = order[heads]
    return Units(
        frame=_unit_frame(laboratory, order, np.flatnonzero(heads)),
        of_test=of_test,
        order=order,
        athletes=pd.Index(athletes),
        athlete=athlete[first].astype(np.int64),
        day=day[first],
        mode=mode[first],
        id_rank=test_rank[first].astype(np.int64),
    )


def codes_of(values: pd.Series, known: tuple[str, ...]) -> Ints:
    """Return the position of each text in `known`; -1 where missing or not known."""
    codes, found = factorized(values)
    places = {name: place for place, name in enumerate(known)}
    place = np.array([*(places.get(one, -1) for one in found), -1], np.int64)
    each: Ints = place[codes]
    return each


def factorized(values: pd.Series) -> tuple[Ints, pd.Index]:
    """Return texts as places in the distinct ones, -1 where missing; categories as they are."""
    if isinstance(
        values.dtype, pd.CategoricalDtype
    ):  # whose codes have too few bits to reckon with
        return values.cat.codes.to_numpy().astype(np.int64), values.cat.categories
    codes, found = pd.factorize(values)
    return codes.astype(np.int64, copy=False), pd.Index(found)


def day_numbers(dates: pd.Series) -> Ints:
    """Return calendar dates as days since 1970."""
    return dates.to_numpy().astype("datetime64[D]").astype(np.int64)


def keys(code: Ints, day: Ints) -> Ints:
    """Return one number per code and day that sorts by code, then day."""
    return (code << 32) + (day + HALF)


def _heads(group: Ints, day: Ints, repeat_within_days: int) -> Flags:
    """Return which tests open a unit; the tests are sorted by group, then day."""
    key = keys(group, day)
    beyond = np.searchsorted(key, key + repeat_within_days, side="right")
    heads = np.zeros(len(key), np.bool_)
    opening = np.flatnonzero(np.diff(group, prepend=-1))
    while opening.size:  # one round opens the next unit of every athlete at once
        heads[opening] = True
        following = beyond[opening]
        inside = following < len(key)
        opening, following = opening[inside], following[inside]
        opening = following[group[following] == group[opening]]
    return heads


def _unit_frame(tests: pd.DataFrame, order: Ints, starts: Ints) -> pd.DataFrame:
    """Return one row per unit; `starts` are the places of the first tests in `order`."""
    columns: dict[str, Any] = {name: tests[name].array.take(order[starts]) for name in OF_FIRST}
    for name in ("sex", "hr_limiting_drug"):
        columns[name] = pd.Series(columns[name]).fillna("unknown").array
    columns["n_tests"] = size = np.diff(starts, append=len(order))
    if not len(starts):
        frame = pd.DataFrame(columns)
        return frame.assign(lab=0.0, max_confirmed="", hr_max_bpm=0.0, mass_kg=0.0)
    said = ((tests["max_confirmed"] == one).to_numpy(np.bool_)[order] for one in ("yes", "no"))
    everyone, someone_not = (
        of.reduceat(each, starts)
        for of, each in zip((np.logical_and, np.logical_or), said, strict=True)
    )
    confirmed = np.select([everyone, someone_not], ["yes", "no"], "unknown")
    lab, highest, mass = (
        tests[name].to_numpy(np.float64)[order] for name in ("lab", "hr_max_bpm", "mass_kg")
    )
    unit = np.repeat(np.arange(len(starts)), size)
    known = np.where(np.isnan(mass), len(mass), np.arange(len(mass)))
    columns |= {
        "max_confirmed": pd.array(confirmed, dtype="str"),
        "lab": np.bincount(unit, lab) / size,
        "hr_max_bpm": np.fmax.reduceat(highest, starts),
        "mass_kg": np.append(mass, np.nan)[np.minimum.reduceat(known, starts)],
    }
    return pd.DataFrame(columns, copy=False)
