"""Who gets no number: counted by hand, with Wilson's interval of a general library."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.proportion import proportion_confint

from agreement.stats.method_data import NotEstimable
from agreement.stats.verdict.no_number import NoNumber, no_number_of


def data(served):
    asked = pd.DataFrame({"athlete_id": range(len(served)), "served": np.array(served, dtype=bool)})
    return SimpleNamespace(asked=asked, n_pairs=int(sum(served)))


def test_twelve_of_23_against_a_general_library():
    found = no_number_of(data([True] * 11 + [False] * 12))
    rows = found.to_frame().set_index("statistic")
    assert rows.loc[["athletes_asked", "athletes_without"], "value"].tolist() == [23, 12]
    assert rows.loc["share_without", "value"] == pytest.approx(12 / 23)
    ends = rows.loc["share_without", ["low", "high"]].tolist()
    assert ends == pytest.approx(proportion_confint(12, 23, method="wilson"))
    assert found.summary() == "12 of 23 athletes get no number."


@pytest.mark.slow
def test_the_interval_of_the_share_covers():
    rng = np.random.default_rng(4)
    without = rng.binomial(23, 0.3, 4000)
    held = [low <= 0.3 <= high for low, high in (NoNumber(23, k, 0).interval() for k in without)]
    assert np.mean(held) == pytest.approx(0.95, abs=0.02)  # Wilson's is discrete: 0.95 on average


def test_given_values_say_nothing_of_those_who_got_none():
    for asked in (None, pd.DataFrame({"served": []})):
        with pytest.raises(NotEstimable, match="not in the study"):
            no_number_of(SimpleNamespace(asked=asked, n_pairs=3))
