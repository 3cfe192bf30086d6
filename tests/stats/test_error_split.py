"""Mean and spread of the two parts of an error, and the refusals of the results table."""

import numpy as np
import pandas as pd
import pytest

from agreement.stats.causes.error_split import SplitErrors


def split(total, cost, names=None):
    total, cost = np.asarray(total, float), np.asarray(cost, float)
    names = [f"A{i}" for i in range(total.size)] if names is None else names
    return SplitErrors(
        pd.DataFrame(
            {"athlete_id": names, "lab_test_id": range(total.size), "n_points": 4}
            | {"method": "sessions_hr", "mode": "run"}
            | {"total": total, "cost": cost, "heart_rate": total - cost}
        )
    )


def test_by_hand():
    found = split([1.0, 2.0, 6.0], [0.0, 1.0, -1.0])
    rows = found.to_frame().set_index("statistic")
    assert rows["value"].to_dict() == pytest.approx(
        {"mean_total": 3, "sd_total": 7**0.5, "mean_cost": 0, "sd_cost": 1}
        | {"mean_heart_rate": 3, "sd_heart_rate": 12**0.5}
    )
    assert set(rows["n"]) == {3}
    assert found.summary() == (
        "In 3 pairs with measured stages the error of +3.0 mL/kg/min on average is +0.0 from the cost "
        "equation and +3.0 from carrying heart rate to its maximum."
    )
    assert "mean_cost" in found._repr_html_()


def test_one_pair_has_a_mean_and_no_spread():
    found = split([1.0], [2.0])
    rows = found.to_frame().set_index("statistic")
    assert rows.loc["mean_cost", "value"] == 2
    assert np.isnan(rows.loc["sd_cost", "value"])
    assert "In 1 pair with" in found.summary()


def test_athletes_and_pairs_are_counted_apart():
    rows = split([1, 2, 3], [0, 0, 0], names=["A", "A", "B"]).to_frame()
    assert (set(rows["n"]), set(rows["n_pairs"])) == ({2}, {3})


def test_the_parts_add_up_and_their_spread_is_that_of_any_library():
    rng = np.random.default_rng(1)
    total, cost = rng.normal(size=(2, 30))
    rows = split(total, cost).to_frame().set_index("statistic")["value"]
    assert rows["mean_total"] == pytest.approx(rows["mean_cost"] + rows["mean_heart_rate"])
    assert rows["sd_heart_rate"] == pytest.approx(np.std(total - cost, ddof=1))
