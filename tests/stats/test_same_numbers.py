"""Our statistics beside those of scipy, statsmodels and pingouin: independent implementations."""

from math import nan

import numpy as np
import pandas as pd
import pytest

from agreement.report.sections.validation import same_numbers_block
from agreement.stats.method_data import MethodData
from agreement.stats.same_numbers import SameNumber, same_numbers
from agreement.tables.options import StudyOptions


def pairs_of(n, seed, profiles=("base", "long", "short")):
    rng = np.random.default_rng(seed)
    lab = rng.normal(50, 6, n)
    field = 8 + 0.85 * lab + rng.normal(0, 2 + np.arange(n) / n, n)
    return pd.DataFrame(
        {
            "athlete_id": [f"A{i:02}" for i in range(n)],
            "lab_test_id": [f"T{i:02}" for i in range(n)],
            "lab_date": pd.Timestamp("2026-03-02"),
            "training_profile": [profiles[i % len(profiles)] for i in range(n)],
            "field": field,
            "lab": lab,
        }
    )


@pytest.mark.parametrize(("n", "seed"), [(12, 1), (30, 2), (200, 3)])
def test_every_statistic_has_six_digits_or_more_in_common_with_a_general_library(n, seed):
    rows = same_numbers(pairs_of(n, seed), 3.5)
    assert len({one.statistic for one in rows}) == len(rows)
    assert len(rows) == (17 if n < 15 else 19)  # four athletes are no profile
    assert {one.function.split()[0] for one in rows} == {"scipy", "statsmodels", "pingouin"}
    short = [one for one in rows if one.digits < 6]
    assert not short


@pytest.mark.parametrize(
    ("field", "missing"),
    [
        # as a device that is off by the same everywhere, that says the same of everybody, or that
        # repeats the laboratory within one profile
        (lambda pairs: pairs["lab"] + 3.0, {"skewness", "p of equal bias in profiles"}),
        (lambda _: 51.0, {"calibration slope", "intraclass correlation, agreement"}),
        (
            lambda pairs: pairs["field"].mask(pairs["training_profile"] == "base", pairs["lab"]),
            {"p of equal bias in profiles"},
        ),
    ],
)
def test_what_cannot_be_told_of_these_pairs_is_no_row(field, missing):
    pairs = pairs_of(30, 2)
    found = {one.statistic for one in same_numbers(pairs.assign(field=field(pairs)), 3.5)}
    assert "standard deviation of differences" in found
    assert not found & missing


def test_another_number_has_no_digits_in_common():
    assert SameNumber("", 2.5, 2.5, "").digits == 15
    assert SameNumber("", 2.5, 2.500001, "").digits == 6
    assert SameNumber("", 2.5, -2.5, "").digits == 0
    assert SameNumber("", 0.0, 1.0, "").digits == 0
    assert SameNumber("", 2.5, nan, "").digits == 0


class Known(MethodData):
    """Data that know their number of athletes without a drawing of them."""

    __slots__ = ()

    @property
    def n(self):
        return self.pairs["athlete_id"].nunique()


def test_the_table_is_folded_and_of_the_largest_method():
    small, large = pairs_of(11, 4), pairs_of(20, 5)
    data = [
        (
            f"{name}, run",
            Known(
                name, "run", *([pairs] * 4), StudyOptions(), heart_rate_based=True, resampling=None
            ),
        )
        for name, pairs in (("small", small), ("<large>", large))
    ]
    html = same_numbers_block(data).html
    assert html.startswith("<details><summary>The same number from another library</summary>")
    assert "&lt;large&gt;, run" in html
    assert "20 athletes" in html
    assert html.count("<tr>") >= 20
    assert same_numbers_block([]).html == ""


def test_second_pairs_of_an_athlete_stay_out():
    once = pairs_of(20, 6)
    later = once.assign(lab_test_id="U", lab_date=pd.Timestamp("2026-06-01"), field=0.0)
    twice = pd.concat([later, once], ignore_index=True)
    tables = [
        same_numbers_block(
            [
                (
                    "a",
                    Known(
                        "a", "run", *[p] * 4, StudyOptions(), heart_rate_based=True, resampling=None
                    ),
                )
            ]
        ).html
        for p in (once, twice)
    ]
    assert tables[0] == tables[1]
