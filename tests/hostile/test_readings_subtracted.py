"""
No few people follow from the shown means of the laboratory's thresholds and of agreement on them.

What a shown mean weighs each reading by is found here by moving that reading alone; then every set of
one to four people is tried: can the means be added up so that nobody else is left?
"""

from itertools import combinations
from time import process_time

import numpy as np
import pandas as pd
import pytest
from turns import slowly

from agreement.report.privacy.cells import hidden_groups, withheld
from agreement.report.privacy.privacy import without_small_cells
from agreement.report.privacy.threshold_readings import hidden_readings
from agreement.stats.repeats.thresholds import Thresholds, threshold_agreement
from agreement.stats.result_rows import Labelled, assembled

PLACE = ("laboratory", "run")
MEANS = ("mean_hr", "bias")


def test_of_two_tests_of_one_athlete_each_weighs_half():
    """Three have one test by one rater and one by the other: only how far raters agree leaves them out."""
    kinds = [[("rater_1", "rater_2", "v_slope")]] * 9
    kinds += [[("rater_1", "v_slope"), ("rater_2", "v_slope")]] * 3
    rows = [
        (f"A{who}", f"T{who}.{test}", "vt1", method, 150.0)
        for who, tests in enumerate(kinds)
        for test, readers in enumerate(tests)
        for method in readers
    ]
    names = ["athlete_id", "lab_test_id", "threshold", "method", "hr"]
    read = pd.DataFrame(rows, columns=names).assign(vo2=np.nan)
    # half of either rater and the computation less their mean add up to nothing, for all twelve
    assert hidden_readings(read) == {("threshold_agreement_hr", "vt1: rater_2 minus rater_1")}


def read_by_three(seed, people=9, missing=0.12):
    """Heart rates at one threshold as two raters and a computation read them, some not; some twice."""
    rng = np.random.default_rng(seed)
    rows = [
        (f"A{who}", f"T{who}.{test}", "vt1", method, rng.normal(150, 9))
        for who in range(people)
        for test in range(1 + (who == 3))
        for method in ("rater_1", "rater_2", "v_slope")
        if rng.random() > missing
    ]
    names = ["athlete_id", "lab_test_id", "threshold", "method", "hr"]
    frame = pd.DataFrame(rows, columns=names)
    return frame.assign(vo2=np.nan, lab=60.0, hr_max_bpm=190.0, note="")


def told(frame):
    found = {
        "thresholds": Thresholds(frame).to_frame(),
        "threshold_agreement_hr": threshold_agreement(frame, "hr").to_frame(),
    }
    return assembled([Labelled(rows, name, *PLACE) for name, rows in found.items()])


def weights(frame):
    """Return rows x readings: how each number moves with each reading."""

    def values(read):
        return told(read)["value"].to_numpy()

    first = values(frame)
    return np.array(
        [values(frame.assign(hr=frame["hr"] + (frame.index == k))) - first for k in frame.index]
    ).T.round(9)


def followed(matrix, who):
    """Return the sets of people whose readings alone some sum of the means holds."""
    rank = np.linalg.matrix_rank(matrix, tol=1e-6)
    return [
        some
        for size in range(1, 5)
        for some in combinations(sorted(set(who)), size)
        if np.linalg.matrix_rank(matrix[:, ~np.isin(who, some)], tol=1e-6) < rank
    ]


@pytest.mark.parametrize("seed", [1, *slowly([2, 5])])
def test_no_few_people_follow_from_means_and_mean_differences_of_readings(seed):
    frame = read_by_three(seed)
    rows, matrix, who = told(frame), weights(frame), frame["athlete_id"].to_numpy()
    means = rows["statistic"].isin(MEANS) & rows["value"].notna()
    assert followed(matrix[means], who)  # if all is shown
    for known in ({"readings": {PLACE: frame}}, {}):  # without: by sizes alone
        out = without_small_cells(rows, hidden_groups(rows, **known))["value"].notna()
        assert (out & means).sum() >= (3 if known else 1)  # each reader's mean stays
        assert followed(matrix[out & means], who) == []


def test_nothing_is_withheld_where_all_read_the_same_tests():
    frame = read_by_three(3, missing=0)
    rows = told(frame)
    assert hidden_groups(rows, readings={PLACE: frame}) == set()


def test_where_fewer_than_five_were_read_there_is_nothing_to_follow():
    frame = read_by_three(3, people=4)
    rows = told(frame)
    hidden_groups(rows, readings={PLACE: frame})
    assert without_small_cells(rows, [])["value"].isna().all()


def test_sizes_alone_withhold_what_a_few_more_have_where_there_is_no_whole():
    names = ("thresholds", "vt1 rater_1"), ("thresholds", "vt1 rater_2")
    both = ("threshold_agreement", "vt1: rater_2 minus rater_1")
    assert withheld({names[0]: (20, 20), names[1]: (19, 19), both: (19, 19)}) == {names[1], both}
    assert withheld({names[0]: (20, 20), names[1]: (20, 20), both: (20, 20)}) == set()


def test_many_athletes_who_were_read_in_many_ways_are_looked_through_in_time():
    random = np.random.default_rng(3)
    methods = ("rater_1", "rater_2", "v_slope_1986", "ve_vo2_1982")
    rows = [
        (f"A{athlete}", f"T{athlete}{test}", "vt1", method, 150.0, 40.0)
        for athlete in range(60)
        for test in range(2)
        for method in methods
        if random.random() < 0.6
    ]
    names = ["athlete_id", "lab_test_id", "threshold", "method", "hr", "vo2"]
    begun = process_time()
    assert hidden_readings(pd.DataFrame(rows, columns=names)) == set()
    assert process_time() - begun < 5  # minutes when every few athletes were tried


def test_thresholds_that_fewer_than_five_have_hide_nothing_and_stop_nothing():
    names = ["athlete_id", "lab_test_id", "threshold", "method", "hr", "vo2"]
    few = pd.DataFrame([("A1", "T1", "vt1", "v_slope_1986", 150.0, 40.0)], columns=names)
    assert hidden_readings(few) == set()
