"""The chart of all methods: a withheld group hides its group, a withheld method the method."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from agreement.report.page.numbers import Names, Numbers
from agreement.report.sections.together import methods_chart
from agreement.tables.options import StudyOptions
from agreement.terms import RESULT_COLUMNS


def line(method, group, statistic, value, n=20.0):
    row = dict.fromkeys(RESULT_COLUMNS, "") | {"analysis": "limits_of_agreement", "mode": "run"}
    row |= {"method": method, "group": group, "statistic": statistic, "unit": "mL/kg/min"}
    return row | {"value": value, "low": value - 1, "high": value + 1, "n": n, "n_pairs": n}


def chart(withheld, shown=()):
    rows = [
        line(method, "all", statistic, value)
        for method in ("wrist", "step")
        for statistic, value in (("bias", 1.0), ("lower_limit", -6.0), ("upper_limit", 8.0))
    ]
    rows += [line("wrist", "hr_limiting_drug", "bias", 2.0)]
    frame = pd.DataFrame(rows)[RESULT_COLUMNS]
    gone = (frame["method"] == withheld[0]) & (frame["group"] == withheld[1])
    frame.loc[gone, ["value", "low", "high", "n", "n_pairs"]] = np.nan
    names = Names([("wrist", "Wrist"), ("step", "Step")], several_modes=False)
    return methods_chart(Numbers(frame, names), StudyOptions(), shown)


@pytest.mark.parametrize(
    ("withheld", "shown", "hidden"),
    [
        (("wrist", "hr_limiting_drug"), ("Wrist", "Step"), ()),
        (("wrist", "all"), ("Step",), ("Wrist",)),
    ],
)
def test_what_is_withheld_of_a_method_does_not_hide_the_rest(withheld, shown, hidden):
    (drawn,) = chart(withheld)
    assert all(name in drawn.alt for name in shown)
    assert not any(name in drawn.alt for name in hidden)


@pytest.mark.parametrize(("floors", "drawn"), [((3.0, 3.0), True), ((3.0, 5.0), False)])
def test_one_band_of_noise_is_drawn_only_where_it_is_that_of_every_mode(floors, drawn):
    shown = [
        SimpleNamespace(noise=SimpleNamespace(noise_floor=floor, declared=False))
        for floor in floors
    ]
    (picture,) = chart((None, None), shown)
    assert ("own noise" in picture.svg) == drawn


def test_without_a_bias_there_is_no_empty_chart():
    frame = pd.DataFrame([line("wrist", "all", "bias", np.nan, n=1.0)])[RESULT_COLUMNS]
    assert methods_chart(Numbers(frame, Names()), StudyOptions()) == ()
