"""Thresholds that raters read from a test, beside the computed ones; the heart rates that are used."""

from math import isnan

import numpy as np
import pandas as pd

from agreement.errors import Problem
from agreement.physiology.thresholds import COLUMNS, IN_USE
from agreement.tables.findings import problem
from agreement.terms import RATERS

_KINDS = {"vo2": ("vo2_ml_kg_min", "lab"), "hr": ("hr_bpm", "hr_max_bpm")}  # column, its maximum


def rated_thresholds(tests: pd.DataFrame) -> tuple[pd.DataFrame, tuple[Problem, ...]]:
    """
    Return the thresholds that raters gave, and what cannot be.

    tests: lab_test_id, `agreement.tables.columns.RATED`, lab [mL/kg/min], hr_max_bpm [bpm], file,
        row.
    Returns thresholds: `agreement.physiology.thresholds.COLUMNS`, method ``rater_1`` or
        ``rater_2``; without values above the test's own maximum, and without pairs whose first lies
        not below the second.
    Returns problems: a note for each of these.
    """
    parts, problems = [], []
    for rater, start in RATERS.items():
        read = {}
        for kind, (column, top) in _KINDS.items():
            first, second = (tests[f"{start}{one}_{column}"] for one in IN_USE)
            turned = first >= second
            wrong = turned | (first > tests[top]) | (second > tests[top])
            told = tests[["file", "row"]].assign(first=first, second=second)[wrong]
            for file, row, low, high in told.itertuples(index=False):
                both = ("not given" if isnan(one) else f"{one:g}" for one in (low, high))
                place, said = (str(file), int(row), f"{start}vt1_{column}"), ", second ".join(both)
                problems.append(problem("impossible_thresholds", *place, both=said))
            read[kind] = dict(zip(IN_USE, (first.mask(wrong), second.mask(wrong)), strict=True))
        for threshold in IN_USE:
            values = pd.DataFrame({kind: of_kind[threshold] for kind, of_kind in read.items()})
            named = values.assign(
                lab_test_id=tests["lab_test_id"], threshold=threshold, method=rater, note=""
            )
            parts.append(named[values.notna().any(axis=1)])
    given = pd.concat(parts, ignore_index=True).reindex(columns=COLUMNS)
    return given, tuple(problems)


def without_impossible(thresholds: pd.DataFrame, tests: pd.DataFrame) -> pd.DataFrame:
    """
    Return thresholds whose heart rate above the test's highest is unknown, with a note that says so.

    thresholds: `agreement.physiology.thresholds.COLUMNS`.
    tests: lab_test_id, hr_max_bpm [bpm].
    """
    top = tests.set_index(tests["lab_test_id"].astype("str"))["hr_max_bpm"]
    highest = thresholds["lab_test_id"].map(top).astype(np.float64)
    above = thresholds["hr"].astype(np.float64) > highest
    notes = thresholds["note"].tolist()
    for row in np.flatnonzero(above).tolist():
        said = (
            f"the heart rate there ({thresholds['hr'].iloc[row]:.0f} bpm) lies above the test's highest "
            f"({highest.iloc[row]:.0f}): one is wrong, taken as unknown"
        )
        notes[row] = f"{notes[row]}; {said}" if notes[row] else said
    return thresholds.assign(
        hr=thresholds["hr"].mask(above), note=pd.Series(notes, thresholds.index, dtype="str")
    )


def heart_rates(thresholds: pd.DataFrame) -> pd.DataFrame:
    """
    Return the heart rate at both thresholds of each test.

    thresholds: `agreement.physiology.thresholds.COLUMNS`.
    Returns: lab_test_id, vt1, vt2 [bpm]: the mean of the raters, where none gave one that of
        `agreement.physiology.thresholds.IN_USE`; only tests with both, the first below the second.
    """
    rated = thresholds["method"].isin(list(RATERS))
    computed = thresholds["method"].isin(list(IN_USE.values()))
    by = ["lab_test_id", "threshold"]
    found = thresholds[rated & thresholds["hr"].notna()].groupby(by)["hr"].mean()
    other = thresholds[computed].set_index(by)["hr"].astype(np.float64)
    each = found.combine_first(other).reset_index()
    first, second = (
        each[each["threshold"] == name].drop(columns="threshold").rename(columns={"hr": name})
        for name in IN_USE
    )
    both = first.merge(second, on="lab_test_id")
    return both[both["vt1"] < both["vt2"]].reset_index(drop=True)
