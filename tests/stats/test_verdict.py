"""The verdict of one method and mode: outcomes, the trend rule, the sentence."""

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from agreement.stats.basics.bootstrap import cluster_resampling
from agreement.stats.limits.repeated import limits_by_athlete
from agreement.stats.method_data import MethodData
from agreement.stats.verdict.verdict import verdict_of
from agreement.tables.options import Margin, StudyOptions

FIRST = date(2026, 3, 1)


def data(d, margin=3.5, *, agreed_on=date(2026, 1, 10), athlete=None, slope=0.0):
    """Pairs with exactly these differences, at means evenly spread from 40 to 60."""
    level = np.linspace(40, 60, len(d))
    d = np.asarray(d, dtype=float) + slope * (level - 50)
    who = [f"A{i:03}" for i in (range(len(d)) if athlete is None else athlete)]
    pairs = pd.DataFrame({"athlete_id": who, "field": level + d / 2, "lab": level - d / 2})
    options = StudyOptions(margin=Margin(limit=margin, agreed_on=agreed_on))
    resampling = cluster_resampling(who, n_resamples=499, rng=1)
    nothing = pd.DataFrame()
    return MethodData(
        "wrist", "run", pairs, pairs, nothing, nothing, options, True, resampling, FIRST
    )


def spread(n, bias=0.0, sd=1.0):
    """Return n differences of exactly this mean and SD, without trend."""
    half = np.resize([1.0, -1.0, 0.5, -0.5], n // 2)
    scores = np.concatenate([half, [0.0] * (n % 2), half[::-1]])
    scores -= scores.mean()
    return bias + sd * scores / scores.std(ddof=1)


# the interval of a limit reaches from 1.3565 to 3.0140 SD for n = 20 (derived; noncentral t)
@pytest.mark.parametrize(
    ("bias", "margin", "outcome"),
    [
        (0, 3.02, "acceptable"),
        (0, 3.01, "undecided"),
        (0, 1.36, "undecided"),
        (0, 1.35, "not acceptable"),
        (-2, 5.02, "acceptable"),
        (-2, 5.01, "undecided"),
        (8, 6.0, "not acceptable"),  # both limits above the margin
    ],
)
def test_outcomes(bias, margin, outcome):
    assert verdict_of(data(spread(20, bias), margin)).outcome == outcome


def test_value_and_note_of_the_table():
    rows = verdict_of(data(spread(20), 3.02)).to_frame().set_index("statistic")
    assert rows.loc["within_margin", ["value", "note"]].tolist() == [1.0, "acceptable"]
    rows = verdict_of(data(spread(20), 1.0)).to_frame().set_index("statistic")
    assert rows.loc["within_margin", ["value", "note"]].tolist() == [0.0, "not acceptable"]
    rows = verdict_of(data(spread(9), 9.0)).to_frame().set_index("statistic")
    assert np.isnan(rows.loc["within_margin", "value"])
    assert rows.loc["within_margin", "note"] == "undecided; too_few"


def test_without_margin_there_is_no_verdict():
    found = verdict_of(data(spread(20), None, agreed_on=None))
    assert found.outcome == "no_margin"
    assert found.to_frame()["note"].tolist() == ["no_margin", "no_margin"]
    assert found.sentence().endswith("no limit was agreed beforehand, so there is no verdict.")


@pytest.mark.parametrize(
    ("agreed_on", "outcome"),
    [(date(2026, 3, 1), "acceptable"), (date(2026, 3, 2), "withheld"), (None, "withheld")],
)
def test_a_margin_agreed_after_the_first_test_is_withheld(agreed_on, outcome):
    found = verdict_of(data(spread(20), 3.5, agreed_on=agreed_on))
    assert found.outcome == outcome
    if agreed_on and outcome == "withheld":
        assert "agreed on 2026-03-02, after the first laboratory test of 2026-03-01" in (
            found.sentence()
        )


def test_the_athletes_still_missing():
    found = verdict_of(data(spread(20), 2.6))

    def power(n):  # Lu et al 2016, with the exact bound
        cut = stats.nct.ppf(0.975, n - 1, stats.norm.ppf(0.975) * np.sqrt(n))
        return 2 * stats.nct.sf(cut, n - 1, np.sqrt(n) * 2.6) - 1

    assert found.more_athletes == next(n for n in range(20, 500) if power(n) >= 0.8) - 20
    assert f"about {found.more_athletes} more athletes" in found.sentence()


def test_no_number_would_do():
    found = verdict_of(data(spread(20), 1.9))
    assert found.more_athletes is None
    assert "no number of athletes would show that it is" in found.sentence()
    assert found.to_frame()["note"][1].startswith("not_estimable: no number")


def test_a_study_that_is_large_enough_misses_nobody():
    assert verdict_of(data(spread(200), 3.5)).more_athletes == 0


def test_a_steep_trend_over_evenly_spread_levels_hides_nothing():
    # the slope widens the constant limits beyond the regression limits of the middle 90 %
    d = spread(60, bias=0.4, sd=0.4)
    sloped = data(d, slope=0.15)
    margin = limits_by_athlete(sloped.difference, sloped.athlete).upper_interval().high + 0.01
    assert margin > 0.4 + 0.15 * 9 + 1.96 * 0.4
    assert verdict_of(data(d, margin, slope=0.15)).outcome == "acceptable"


def test_a_steep_trend_that_fails_at_one_end_keeps_the_verdict_open():
    # most athletes in the middle, a few far above: constant limits are narrow, the line is not
    level = np.concatenate(
        [np.linspace(-1, 1, 190), np.linspace(1, 10, 10), np.linspace(-3, -1, 10)]
    )
    d = 0.25 * level + np.resize([0.2, -0.2], level.size) + 0.3
    found = crowded(level + 50, d)
    assert found.outcome == "undecided"
    assert found.failing_ends == ("high",)
    assert "met on the whole, but not shown at the high end of fitness" in found.sentence()


def crowded(level, d):
    base = data(np.zeros(level.size))
    pairs = base.pairs.assign(field=level + d / 2, lab=level - d / 2)
    limits = limits_by_athlete(d, base.athlete)
    margin = max(limits.upper_interval().high, -limits.lower_interval().low) + 0.3
    options = StudyOptions(margin=Margin(limit=margin, agreed_on=date(2026, 1, 10)))
    return verdict_of(replace(base, pairs=pairs, options=options))


def test_repeated_pairs_use_their_own_interval():
    rng = np.random.default_rng(2)
    who = np.repeat(np.arange(20), 2)
    d = rng.normal(0, 1, 20)[who] + rng.normal(0, 0.5, 40)
    limits = limits_by_athlete(d, who)
    outer = max(limits.upper_interval().high, -limits.lower_interval().low)
    assert verdict_of(data(d, outer + 0.01, athlete=who)).outcome == "acceptable"
    assert verdict_of(data(d, outer - 0.01, athlete=who)).outcome == "undecided"


def test_few_repeats_are_noted_behind_the_outcome():
    who = [*range(20), 0, 1]
    found = verdict_of(data(spread(22), 9.0, athlete=who))
    assert found.note == "acceptable; few_repeats"


def test_the_sentence_of_a_verdict():
    found = verdict_of(data(spread(27, bias=-4.1, sd=4.0), 3.5))
    assert found.sentence() == (
        "In 27 athletes the estimate 'wrist' (run) reads 4.1 mL/kg/min low on average; for one "
        "athlete expect it between 11.9 low and 3.7 high; the agreed limit of 3.5 mL/kg/min is "
        "not met."
    )
    assert found.summary() == found.sentence()
    assert '<th scope="row">within_margin</th>' in found._repr_html_()


@pytest.mark.parametrize("n", [0, 1, 2])
def test_one_or_two_athletes(n):
    if n == 0:
        base = data(spread(20))
        empty = replace(
            base,
            pairs=base.pairs.iloc[:0],
            resampling=replace(
                base.resampling,
                codes=np.empty(0, np.intp),
                counts=np.empty((9, 0), np.uint8),
            ),
        )
        found = verdict_of(empty)
    else:
        found = verdict_of(data([1.0, 2.0][:n]))
    assert (found.outcome, found.note) == ("undecided", "undecided; too_few")
    assert "too few for any statement" in found.sentence()


def test_below_ten_athletes_no_limits_are_said():
    sentence = verdict_of(data(spread(9, bias=1.0))).sentence()
    assert "9 athletes are too few to say what to expect" in sentence
    assert "between" not in sentence


def test_differences_that_do_not_vary():
    assert verdict_of(data(np.full(12, 1.0))).outcome == "acceptable"
    assert verdict_of(data(np.full(12, 4.0))).outcome == "not acceptable"


def test_one_more_athlete_is_one():
    undecided = replace(verdict_of(data(spread(20), 2.5)), needed=21)
    assert "about 1 more athlete would be needed" in undecided.sentence()


def test_a_number_of_athletes_that_nobody_can_test_is_not_named():
    found = replace(verdict_of(data(spread(20, 0.0), 6.0)), outcome="undecided")
    near, far = (replace(found, needed=found.n + more).sentence() for more in (999, 1000))
    assert "about 999 more athletes" in near
    assert "no practical number of athletes" in far
    assert "1000" not in far
