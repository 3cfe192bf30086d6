"""
Which change is real, and how likely a true change is.

Values of `tests/reference/structural_and_change.json`: computed by another implementation of the
same formulas with numpy and scipy (no printed source), tolerance 1e-9.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from held import held
from simulate.known_parts import DailyParts, simulate_daily

from agreement.stats.change.real_change import real_change, true_changes
from agreement.stats.repeats.laboratory_variance import LaboratoryVariance
from agreement.stats.repeats.repeatability import repeatability_of, week_to_week
from agreement.stats.results_table import method_data

HELD = held("structural_and_change")


def changes_of(inputs):
    lab, field = inputs["laboratory_change"], inputs["field_change"]
    return pd.DataFrame({"athlete_id": range(len(lab)), "lab": lab, "field": field})


def laboratory(inputs):
    return LaboratoryVariance(inputs["v"], inputs["nu"])


@pytest.mark.parametrize("case", HELD["real_change"])
def test_held_real_changes(case):
    told, wanted = case["inputs"], case["outputs"]
    changes = changes_of(told)
    found = real_change(changes, laboratory(told), np.full(len(changes), 2.0))
    shown = {
        "shift": found.own.bias,
        "shift_low": found.own.bias_interval().low,
        "shift_high": found.own.bias_interval().high,
        "sd": found.own.sd,
        "smallest": found.smallest,
        "smallest_low": found.interval.low,
        "smallest_high": found.interval.high,
        "ceiling": found.ceiling,
        "card": found.on_card,
        "disagreement": found.disagreement,
    }
    assert shown == pytest.approx({name: wanted[name] for name in shown}, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("case", HELD["true_change"])
def test_held_true_changes(case):
    told, wanted = case["inputs"], case["outputs"]
    changes = changes_of(told)
    (found,) = true_changes(
        changes["lab"], changes["field"], laboratory(told), [told["new_field_change"]]
    )
    shown = (
        found.expected,
        found.sd,
        found.df,
        found.slope,
        found.chance(told["worthwhile"]),
    )
    names = ("expected", "sd", "df", "line", "p")
    assert shown == pytest.approx([wanted[name] for name in names], rel=1e-9)


@pytest.mark.parametrize("case", HELD["week_to_week"])
def test_held_weeks(case):
    found, wanted = (
        week_to_week(case["inputs"]["earlier"], case["inputs"]["later"]),
        case["outputs"],
    )
    assert (found.shift, found.change, *found.interval) == pytest.approx(
        [wanted[name] for name in ("shift", "change", "change_low", "change_high")], rel=1e-9
    )


def test_two_neighbouring_weeks_before_the_first_test():
    parts = DailyParts(n_athletes=12, visits=2, days=14)
    (data,) = method_data(simulate_daily(parts, rng=5))
    rows = repeatability_of(data).to_frame().set_index("statistic")
    first = data.daily[
        data.daily["lab_test_id"].isin(data.pairs.groupby("athlete_id")["lab_test_id"].min())
    ]
    week = np.where(first["gap_days"] <= 7, "later", "earlier")
    means = first.groupby([first["athlete_id"], week])["field"].mean().unstack()  # noqa: PD010 two columns
    wanted = week_to_week(means["earlier"], means["later"])
    row = rows.loc["week_to_week_change"]
    assert tuple(row[["value", "low", "high"]]) == pytest.approx((wanted.change, *wanted.interval))
    assert (row["n"], row["note"]) == (12, "")


def test_the_first_test_is_that_of_the_earliest_date_whatever_the_ids():
    evidence = simulate_daily(DailyParts(n_athletes=12, visits=2, days=14), rng=5)
    pairs = evidence.pairs.sort_values("lab_date")
    later = {test: f"Z{len(pairs) - k:03d}" for k, test in enumerate(pairs["lab_test_id"])}
    backwards = replace(
        evidence,
        **{
            name: getattr(evidence, name).assign(
                lab_test_id=lambda rows: rows["lab_test_id"].map(later)
            )
            for name in ("pairs", "daily", "repeats")
        },
    )
    (one,), (other,) = method_data(evidence), method_data(backwards)
    rows = [repeatability_of(data).to_frame().set_index("statistic") for data in (one, other)]
    weeks = [frame.loc["week_to_week_change", "value"] for frame in rows]
    assert weeks[0] == pytest.approx(weeks[1], rel=1e-12)
    first = [data.pairs.loc[data.first_pairs, "lab_date"].tolist() for data in (one, other)]
    assert first[0] == first[1]


@pytest.mark.parametrize(("athletes", "days"), [(9, 14), (12, 7), (12, 8)])
def test_weeks_of_few_athletes_or_of_one_week_are_not_compared(athletes, days):
    (data,) = method_data(simulate_daily(DailyParts(n_athletes=athletes, days=days), rng=5))
    row = repeatability_of(data).to_frame().set_index("statistic").loc["week_to_week_change"]
    assert np.isnan(row["value"])
    assert row["note"].startswith("too_few")


def test_without_a_laboratory_error_only_the_disagreement_is_said():
    rng = np.random.default_rng(3)
    lab = rng.normal(1, 3, 15)
    changes = pd.DataFrame(
        {"athlete_id": range(15), "lab": lab, "field": lab + rng.normal(0, 2, 15)}
    )
    found = real_change(changes, None, np.full(15, 2.0))
    assert np.isnan(found.on_card)
    assert found.disagreement == pytest.approx(
        1.959964 * (changes["field"] - changes["lab"]).std(), rel=1e-6
    )


@pytest.mark.slow
def test_what_the_card_says_holds_for_athletes_who_did_not_change():
    """Sheet: beyond the card's number lie .005-.024 of the unchanged; SEM 2.6, 35 athletes."""
    rng = np.random.default_rng(8)
    beyond = below = 0
    for _ in range(400):
        true = rng.normal(0, 2.5, 35)
        lab = true + rng.normal(0, 2.6 * np.sqrt(2), 35)
        field = true + rng.normal(0, 1.5, 35)
        changes = pd.DataFrame({"athlete_id": range(35), "lab": lab, "field": field})
        known = LaboratoryVariance(2.6**2 * rng.chisquare(20) / 20, 20)
        card = real_change(changes, known, np.full(35, 2.0)).on_card
        beyond += np.mean(np.abs(rng.normal(0, 1.5, 200)) > card)
        below += card < 1.959964 * 1.5
    assert beyond / 400 <= 0.024 + 0.01
    assert below / 400 <= 0.029 + 3 * np.sqrt(0.029 * 0.971 / 400)
