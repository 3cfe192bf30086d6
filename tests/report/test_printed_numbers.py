"""Every printed number names its line of the results table."""

import math
import re

import pandas as pd
import pytest

from agreement.report.page.numbers import Cell, Numbers, plain
from agreement.report.privacy.release import rounded
from agreement.tables.writers import significant
from agreement.terms import RESULT_COLUMNS

BIAS = Cell("limits_of_agreement/m/run/all/bias", -4.06, -5.5, -2.5)


@pytest.fixture
def numbers():
    nan = math.nan
    rows = [
        ("limits_of_agreement", "m", "run", "all", "bias", -4.06, -5.5, -2.5, "mL/kg/min", 27, 30, ""),
        ("change", "m", "run", "all", "bias", nan, nan, nan, "mL/kg/min", 3, 3, "too_few: 3 athletes."),
        ("change", "m", "run", "all", "r", nan, nan, nan, "1", 0, 0, "no_second_visit"),
    ]  # fmt: skip
    return Numbers(pd.DataFrame(rows, columns=RESULT_COLUMNS))


def test_a_number_is_found_by_its_key(numbers):
    cell = numbers.get("limits_of_agreement", "bias", "m", "run")
    assert (cell.value, cell.low, cell.high, cell.n, cell.n_pairs) == (-4.06, -5.5, -2.5, 27, 30)
    assert cell.shown() == (
        '<span data-statistic="limits_of_agreement/m/run/all/bias">\u22124.1</span>'
    )
    assert cell.interval() == (
        '<span class="interval" data-interval-of="limits_of_agreement/m/run/all/bias">'
        "\u22125.5 to \u22122.5</span>"
    )


def test_a_line_that_is_not_there_has_no_number(numbers):
    cell = numbers.get("budget", "total", "m", "run")
    assert not cell.known
    assert cell.shown() == ""


@pytest.mark.parametrize(
    ("statistic", "reason"), [("bias", "3 athletes."), ("r", "nobody has a second visit")]
)
def test_a_missing_number_says_why(numbers, statistic, reason):
    assert numbers.get("change", statistic, "m", "run").reason == reason


def test_labels_of_the_study_cannot_become_markup():
    cell = Cell('a/"><script>/run/all/bias', 1.0)
    assert "<script>" not in cell.shown()


def test_rounding_has_no_minus_zero():
    assert (plain(-0.049), plain(-0.05, 2), plain(1.0, 0, sign=True)) == ("0.0", "\u22120.05", "+1")


def test_decimals_are_those_of_the_record():
    assert ">0.123<" in Cell("trend/m/run/all/p_slope", 0.1234).shown()
    assert ">0.12<" in Cell("trend/m/run/all/slope_on_mean", 0.1234).shown()
    share = Cell("repeatability/m/run/all/coefficient_of_variation", 0.01234, 0.01, 0.02)
    assert (
        ">1.2 %<" in share.shown(percent=True),
        ">1.0 % to 2.0 %<" in share.interval(percent=True),
    ) == (True,) * 2


@pytest.mark.parametrize(
    ("low", "high", "note", "said"),
    [
        (0.494, math.nan, "unbounded", "1.38 (at least 0.49)"),
        (math.nan, 1.5, "unbounded", "1.38 (at most 1.50)"),
        (math.nan, math.nan, "unbounded", "1.38 (no end set by the data)"),
        (math.nan, math.nan, "", "1.38"),
    ],
)
def test_a_number_with_one_end_or_none_does_not_stand_as_if_it_were_exact(low, high, note, said):
    cell = Cell("change/m/run/all/responsiveness", 1.38, low, high, "1", note=note)
    assert re.sub("<.*?>", "", cell.with_interval()) == said
    assert re.sub("<.*?>", "", cell.stacked().replace("<br>", "|")) == said.replace(
        " (", "|"
    ).rstrip(")")


@pytest.mark.parametrize("value", [46.15, 0.25, -0.05, -3.45, 2.675, 46.15 + 7e-15, 1e9 + 0.05])
def test_an_audit_prints_the_digits_that_a_squad_report_prints(value):
    place = {"analysis": "limits_of_agreement", "method": "m", "mode": "run", "group": "all"}
    number = {"statistic": "bias", "value": value, "low": value, "high": value, "note": ""}
    frame = pd.DataFrame([place | number | {"unit": "", "n": 30, "n_pairs": 30}])
    whole = significant(frame)
    printed = [
        Numbers(one).get("limits_of_agreement", "bias", "m", "run").stacked()
        for one in (whole, rounded(whole), significant(rounded(whole)))
    ]
    assert printed[0] == printed[1] == printed[2]
