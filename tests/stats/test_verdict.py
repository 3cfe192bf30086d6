"""The verdict of one method and mode: outcomes, both yardsticks, what would decide it, sentences."""

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from agreement.stats.basics.bootstrap import cluster_resampling
from agreement.stats.evidence import EarlierReport
from agreement.stats.limits.limits import limits_by_athlete
from agreement.stats.method_data import MethodData
from agreement.stats.verdict.verdict import verdict_of
from agreement.tables.options import Margin, Reference, StudyOptions

FIRST = date(2026, 3, 1)
TODAY = pd.Timestamp("2026-03-01")
AGREED = date(2026, 1, 10)


def data(
    d, margin=3.5, *, agreed_on=AGREED, athlete=None, slope=0.0, sem=None, earlier=None, **key
):
    """Pairs with exactly these differences, at means evenly spread from 40 to 60."""
    level = np.linspace(40, 60, len(d))
    d = np.asarray(d, dtype=float) + slope * (level - 50)
    who = [f"A{i:03}" for i in (range(len(d)) if athlete is None else athlete)]
    pairs = pd.DataFrame({"athlete_id": who, "field": level + d / 2, "lab": level - d / 2})
    pairs = pairs.assign(
        lab_test_id=[f"T{i}" for i in range(len(d))], lab_date=TODAY, max_confirmed="yes"
    )
    repeats = pairs[["athlete_id", "lab_test_id", "lab"]].assign(mode="run")
    options = StudyOptions(
        margin=Margin(limit=margin, agreed_on=agreed_on, **key), reference=Reference(sem=sem)
    )
    resampling = cluster_resampling(who, n_resamples=499, rng=1)
    daily = pd.DataFrame({"athlete_id": who[:0], "date": [], "field": []})
    return MethodData(
        *("wrist", "run", pairs, pairs, daily, repeats, options, True, resampling, FIRST),
        earlier=earlier,
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
    test = "; laboratory test; against_not_stated"
    assert rows.loc["within_margin", ["value", "note"]].tolist() == [1.0, f"acceptable{test}"]
    assert rows.loc["within_margin_laboratory_test", "value"] == 1.0
    assert rows.loc["within_margin_true_value", "note"] == "undecided; laboratory_error_unknown"
    rows = verdict_of(data(spread(20), 1.0)).to_frame().set_index("statistic")
    assert rows.loc["within_margin", ["value", "note"]].tolist() == [0.0, f"not acceptable{test}"]
    rows = verdict_of(data(spread(9), 9.0)).to_frame().set_index("statistic")
    assert np.isnan(rows.loc["within_margin", "value"])
    assert rows.loc["within_margin", "note"] == f"undecided; too_few{test}"


def test_without_margin_there_is_no_verdict():
    found = verdict_of(data(spread(20), None, agreed_on=None))
    assert found.outcome == "no_margin"
    assert found.to_frame()["note"].unique().tolist() == ["no_margin"]
    assert found.summary().endswith("no limit was agreed beforehand, so there is no verdict.")


@pytest.mark.parametrize(
    ("agreed_on", "outcome"),
    [(date(2026, 3, 1), "acceptable"), (date(2026, 3, 2), "withheld"), (None, "withheld")],
)
def test_a_margin_agreed_after_the_first_test_is_withheld(agreed_on, outcome):
    found = verdict_of(data(spread(20), 3.5, agreed_on=agreed_on))
    assert found.outcome == outcome
    if agreed_on and outcome == "withheld":
        assert "agreed on 2026-03-02, after the first laboratory test of 2026-03-01" in (
            found.summary()
        )


def lu_2016(margin):
    """Smallest number of athletes for a bias of 0 and a spread of 1 (Lu et al 2016, exact bound)."""

    def power(n):
        cut = stats.nct.ppf(0.975, n - 1, stats.norm.ppf(0.975) * np.sqrt(n))
        return 2 * stats.nct.sf(cut, n - 1, np.sqrt(n) * margin) - 1

    return next(n for n in range(10, 2000) if power(n) >= 0.8)


def test_the_athletes_still_missing():
    found = verdict_of(data(spread(20), 2.6))
    assert found.more_athletes == lu_2016(2.6) - 20
    low, high = np.sqrt(19 / stats.chi2.ppf([0.9, 0.1], 19))  # 80 % interval of the spread
    rows = found.to_frame().set_index("statistic")
    seen = rows.loc["athletes_needed_1_test"]
    assert (seen["value"], seen["low"]) == (lu_2016(2.6), lu_2016(2.6 / low))
    assert seen["high"] > 1000  # at a spread of 1.28 the limits lie at 2.5
    assert seen["note"] == "spread_80"
    assert rows.loc["athletes_needed_2_tests", "note"].startswith("not_estimable: the laboratory")
    assert (
        f"about {lu_2016(2.6)} athletes in all, with one laboratory test each, would decide it; the "
        f"spread (SD) is known only to lie between {low:.1f} and {high:.1f} mL/kg/min (80 %)"
    ) in found.summary()


def test_a_smaller_spread_would_decide_what_the_spread_seen_does_not():
    found = verdict_of(data(spread(20), 1.9))
    assert found.more_athletes is None
    low = np.sqrt(19 / stats.chi2.ppf(0.9, 19))
    assert found.decided_by.by_tests[1].at_low == lu_2016(1.9 / low)
    assert "at the spread seen the limits lie on or beyond it; the spread" in found.summary()
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


def test_limits_that_fail_for_the_fit_keep_the_verdict_open():
    level = np.repeat(np.linspace(-3, 3, 30), 2)
    d = 0.5 * np.exp(0.35 * level) * np.resize([1.0, -1.0], 60)
    found = crowded(level + 50, d)
    assert (found.outcome, found.code) == ("undecided", "depends_on_fitness")
    assert found.failing_ends == ("high",)
    assert "met on the whole, but not shown at the high end of fitness" in found.summary()
    ends = found.to_frame().set_index("statistic")["value"]
    assert 2.0 < abs(ends["outer_end_fit"]) < 3.0
    assert abs(ends["outer_end_less_fit"]) < 1.0  # a tenth of the spread of the fit


def crowded(level, d):
    base = data(np.zeros(level.size))
    pairs = base.pairs.assign(field=level + d / 2, lab=level - d / 2)
    limits = limits_by_athlete(d, base.athlete)
    margin = max(limits.upper_interval().high, -limits.lower_interval().low) + 0.02
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
    assert found.note == "acceptable; laboratory test; against_not_stated; few_repeats"


def test_the_sentence_of_a_verdict():
    found = verdict_of(data(spread(27, bias=-4.1, sd=4.0), 3.5))
    assert found.summary() == (
        "wrist, run, 27 athletes: it reads 4.1 mL/kg/min low on average; for one athlete expect it "
        "between 11.9 low and 3.7 high of one laboratory test; the agreed limit of \u00b13.5 mL/kg/min "
        "against one laboratory test is not met. Against the athlete's true value it would be open."
    )
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
    assert (found.outcome, found.note) == (
        "undecided",
        "undecided; too_few; laboratory test; against_not_stated",
    )
    assert "too few for any statement" in found.summary()


def test_below_ten_athletes_no_limits_are_said():
    sentence = verdict_of(data(spread(9, bias=1.0))).summary()
    assert "its limits for one athlete cannot be told yet" in sentence
    assert "between" not in sentence


def test_differences_that_do_not_vary():
    assert verdict_of(data(np.full(12, 1.0))).outcome == "acceptable"
    assert verdict_of(data(np.full(12, 4.0))).outcome == "not acceptable"


def test_the_true_value_is_judged_net_of_an_assumed_laboratory():
    found = verdict_of(data(spread(40, sd=2.8), 6.0, against="true value", sem=2.6))
    assert found.note == "acceptable; true value; assumed"
    assert (
        "of \u00b16 mL/kg/min against the athlete's true value is met for athletes as fit as the "
        "middle four fifths of these, if the laboratory's typical error is what was declared, which "
        "was not measured here. Against one laboratory test it would be open."
    ) in found.summary()


def test_the_laboratory_error_that_would_do_is_named():
    found = verdict_of(data(spread(40, sd=2.8), 6.5, against="true value", sem=1.0))
    row = found.to_frame().set_index("statistic").loc["sem_needed"]
    lower, upper = (
        [end(0.95) for end in (own.lower_interval, own.upper_interval)]
        for own in (
            replace(found.own, laboratory=replace(found.own.laboratory, variance=sem**2))
            for sem in (row["value"] - 0.05, row["value"])
        )
    )
    assert max(-lower[0].low, lower[1].high) > 6.5 > max(-upper[0].low, upper[1].high)


@pytest.mark.parametrize(
    ("differences", "margin", "sem", "code"),
    [
        (np.full(20, 1.0), 6.0, 1.5, "laboratory_error_too_large"),
        (spread(40, sd=1.0), 6.0, 4.0, "laboratory_error_too_large"),
        (np.append(spread(39, sd=1.0), 9.0), 6.0, 1.0, "skewed"),
    ],
)
def test_no_larger_laboratory_error_is_asked_for_where_none_would_do(
    differences, margin, sem, code
):
    found = verdict_of(data(differences, margin, against="true value", sem=sem))
    assert found.code == code
    assert np.isnan(found.to_frame().set_index("statistic").loc["sem_needed", "value"])


def test_a_margin_narrower_than_the_laboratory_is_not_charged_to_the_field():
    found = verdict_of(data(spread(60, sd=2.6), 3.5, against="laboratory test", sem=2.6))
    assert found.note == "undecided; margin_below_laboratory; laboratory test"
    assert "it lies within the laboratory's own noise" in found.summary()
    far = verdict_of(data(spread(60, bias=9.0, sd=2.6), 3.5, against="laboratory test", sem=2.6))
    assert far.outcome == "not acceptable"  # the field's own limits lie outside, too


def test_a_laboratory_error_that_cannot_be():
    found = verdict_of(data(spread(40, sd=1.0), 4.5, against="true value", sem=4.0))
    assert found.note == "undecided; laboratory_error_too_large; true value; assumed"
    assert "the laboratory's own error is too large to tell" in found.summary()


def test_lopsided_differences_keep_it_open():
    d = np.where(np.arange(40) % 10 == 0, 3.0, -0.3)
    found = verdict_of(data(d, 3.5))
    assert found.code == "skewed"
    assert "too uneven for these limits" in found.summary()


def test_a_look_that_was_not_planned_is_withheld():
    assert verdict_of(data(spread(20), 3.02, look=2)).note.startswith("withheld; looks_used")
    third = verdict_of(data(spread(20), 3.5, planned_looks=3, look=3))
    assert third.outcome == "acceptable"
    assert verdict_of(data(spread(20), 3.02, planned_looks=3)).outcome == "undecided"


@pytest.mark.parametrize(
    ("earlier", "note"),
    [
        (EarlierReport("true value", 1, {}), "withheld; against_changed; laboratory test"),
        (
            EarlierReport("laboratory test", 1, {"wrist/run": 19}),
            "acceptable; laboratory test; look_not_counted",
        ),
        (EarlierReport("laboratory test", 1, {"wrist/run": 20}), "acceptable; laboratory test"),
        (EarlierReport(None, 1, {"wrist/run": 19}), "acceptable; laboratory test"),
    ],
)
def test_what_the_report_before_had_judged(earlier, note):
    found = verdict_of(data(spread(20), 3.5, against="laboratory test", earlier=earlier))
    assert found.note == note


def test_no_verdict_without_a_confirmed_maximum():
    base = data(spread(20), 3.5)
    for marks, code in ((["no"] * 20, "no_maximum"), (["no"] * 19 + ["yes"], "")):
        found = verdict_of(replace(base, pairs=base.pairs.assign(max_confirmed=marks)))
        assert found.code == code
    unknown = base.pairs.assign(max_confirmed="unknown")  # nobody recorded what would confirm
    assert verdict_of(replace(base, pairs=unknown)).outcome == "acceptable"


@pytest.mark.parametrize(("equal", "code"), [(2, "field_equals_laboratory"), (1, "")])
def test_no_verdict_on_field_values_that_are_the_laboratorys(equal, code):
    d = spread(20) + 0.01
    d[:equal] = 0.0
    assert verdict_of(data(d, 4.0)).code == code


def test_whole_numbers_meet_by_chance():
    base = data(np.zeros(20), 3.5)
    whole = base.pairs.assign(lab=np.arange(40.0, 60.0), field=np.arange(40.0, 60.0))
    whole.loc[::3, "field"] += 1.0
    whole.loc[1::3, "field"] -= 1.0
    assert verdict_of(replace(base, pairs=whole)).code == ""


def test_no_verdict_on_one_series_under_two_ids():
    base = data(spread(20), 3.5)
    days = pd.date_range("2026-02-20", periods=4)
    series = [[51.0, 52.0, 50.0, 53.0], [44.0, 45.0, 43.0, 46.0]]
    lines = [("A000", series[0]), ("A001", series[0]), ("A002", series[1])]
    daily = pd.concat(
        pd.DataFrame({"athlete_id": who, "date": days, "field": values}) for who, values in lines
    )
    same = base.pairs.copy()
    same.loc[1, ["field", "lab"]] = same.loc[0, ["field", "lab"]]
    assert verdict_of(replace(base, pairs=same, daily=daily)).code == "copied_series"
    assert verdict_of(replace(base, daily=daily)).code == ""
