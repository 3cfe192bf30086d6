"""Limits of many groups at once are those of each group alone."""

import warnings

import numpy as np
import pytest

from agreement.errors import SmallSampleWarning
from agreement.stats.limits.grouped_limits import limits_by_group
from agreement.stats.limits.limits import limits_of_agreement


@pytest.mark.parametrize("labels", ["numbers", "far numbers", "texts"])
def test_each_group_alone(labels):
    rng = np.random.default_rng(1)
    group = rng.integers(0, 9, 300)
    group[group == 5] = 4  # a number that nobody has
    named = {"numbers": group, "far numbers": group * 10**9, "texts": group.astype(str)}[labels]
    lab = rng.normal(50, 6, 300)
    field = lab + rng.normal(group, 2)
    table = limits_by_group(field, lab, named)
    assert table.index.tolist() == sorted(set(named.tolist()))
    for name, row in table.iterrows():
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", SmallSampleWarning)
            alone = limits_of_agreement(field[named == name], lab[named == name])
        assert (row["n"], row["bias"]) == (alone.n, pytest.approx(alone.bias))
        assert row["sd"] == pytest.approx(alone.sd)
        ends = row[["lower_low", "lower_high", "upper_low", "upper_high"]].tolist()
        assert ends == pytest.approx([*alone.lower_interval(), *alone.upper_interval()])


def test_groups_of_one_or_two_have_no_limits():
    table = limits_by_group([51.0, 52.0, 53.0, 54.0, 56.0, 50.0], [50.0] * 6, list("abbccc"))
    assert table["n"].tolist() == [1, 2, 3]
    assert table["bias"].tolist() == pytest.approx([1.0, 2.5, 10 / 3])
    assert table["sd"].isna().tolist() == [True, True, False]


def test_no_pairs_and_missing_labels():
    assert limits_by_group([], [], []).empty
    with pytest.raises(ValueError, match="a label for each of 2 pairs"):
        limits_by_group([50.0, 51.0], [50.0, 50.0], ["a", None])
    with pytest.raises(ValueError, match="got 1"):
        limits_by_group([50.0, 51.0], [50.0, 50.0], ["a"])
