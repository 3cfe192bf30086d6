"""No count or share in an audit tells that one to four people have some trait, or have it not."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from exposed_study import write_exposed
from opened import open_both, open_report

from agreement.report.privacy.by_pairs import (
    few_by_pair,
    few_of_a_side,
    few_of_a_sign,
    few_on_a_line,
    few_out_of_step,
    few_within,
)
from agreement.report.privacy.left_out import pooled
from agreement.report.privacy.other_ways import _of_few_less
from agreement.report.privacy.release import released_results, rounded
from agreement.stats.basics.bootstrap import cluster_resampling
from agreement.stats.catalogue import BY_NAME
from agreement.stats.causes.mass_mismatch import mass_mismatch
from agreement.stats.change.change import change
from agreement.stats.indices.error import errors_of_estimate
from agreement.stats.limits.limits_by_level import limits_by_level_of
from agreement.stats.limits.quantile_limits import quantile_limits
from agreement.stats.lines.passing_bablok import passing_bablok
from agreement.stats.lines.trend import trend
from agreement.stats.repeats.averaging_rule import AGAINST, averaging_rules
from agreement.stats.repeats.thresholds import Thresholds
from agreement.stats.result_rows import Labelled, assembled
from agreement.stats.verdict.no_number import NoNumber
from agreement.stats.verdict.planning_power import athletes_needed


def found_in(tests, of=20):
    """A threshold that a computation finds in some of so many tests."""
    hr = [150.0 + k if k < tests else np.nan for k in range(of)]
    people = [f"A{k}" for k in range(of)]
    frame = pd.DataFrame({"athlete_id": people, "lab_test_id": people, "hr": hr})
    frame = frame.assign(threshold="vt1", method="v_slope", vo2=np.nan, lab=60.0, hr_max_bpm=190.0)
    return assembled([Labelled(Thresholds(frame).to_frame(), "thresholds", "laboratory", "run")])


@pytest.mark.parametrize(
    ("tests", "shown"),
    [
        (0, True),
        (1, False),
        (4, False),
        (5, True),
        (15, True),
        (16, False),
        (19, False),
        (20, True),
    ],
)
def test_a_share_of_one_to_four_tests_is_a_range_and_so_is_the_rest_of_so_many(tests, shown):
    rows = found_in(tests)
    out = released_results(rows)[rows["statistic"] == "share_found"].iloc[0]
    assert pd.notna(out["value"]) == shown
    assert pd.notna(out["low"]) == shown
    assert out[["n", "n_pairs"]].tolist() == [20, 20]
    if not shown:
        assert out["note"] == f"suppressed: {'1 to 4' if tests < 5 else '16 to 19'} of 20"


def test_so_is_the_count_itself():
    rows = NoNumber(asked=23, without=3, n_pairs=30).to_frame()
    out = released_results(assembled([Labelled(rows, "no_number", "wrist", "run")]))
    known = out.set_index("statistic")["value"].notna()
    assert known.to_dict() == {
        "athletes_asked": True, "athletes_without": False, "share_without": False
    }  # fmt: skip


def test_every_share_of_people_with_a_trait_is_declared_as_one():
    shares = {
        (analysis, one.name)
        for analysis, record in BY_NAME.items()
        for one in record.statistics
        if one.counts
    }
    assert shares == {
        ("thresholds", "share_found"),
        ("training_zones", "share_profile_changed"),
        ("laboratory_change", "share_beyond_noise"),
        ("no_number", "athletes_without"),
        ("no_number", "share_without"),
        ("error", "share_within_margin"),
        ("change", "same_direction"),
        ("change", "same_direction_beyond_noise"),
        ("averaging_rule", "share_third_moved"),
    }
    of_numbers = {  # no person is counted: parts of a spread, of a maximum, of what is believed
        *("own_share_within_margin", "laboratory_share", "share", "share_closest"),
        *("share_explained", "bottom_share_of_hr_max", "top_share_of_hr_max"),
        *("mean_share_of_vo2max", "mean_share_of_hr_max", "sd_share_of_hr_max"),
        *("share_more_median", "share_more_p10", "share_more_p90"),
    }
    named = {s.name for record in BY_NAME.values() for s in record.statistics if "share" in s.name}
    assert named - {name for _, name in shares} == of_numbers


def repeated(inside, people=12, times=5):
    """Readings of people who came often, some always beyond the limit of 5."""
    rng = np.random.default_rng(3)
    who = np.repeat([f"A{k:02}" for k in range(people)], times)
    far = np.arange(people * times) < times * (people - inside)
    return pd.DataFrame(
        {
            "athlete_id": who,
            "lab": rng.normal(50, 5, who.size),
            "d": np.where(far, 9.0, rng.normal(0, 1, who.size)),
        }
    ).assign(field=lambda one: one["lab"] + one["d"])


@pytest.mark.parametrize(("inside", "hidden"), [(12, False), (11, True), (8, True), (7, False)])
def test_a_share_of_many_readings_of_a_few_people_is_withheld(inside, hidden):
    """Five readings beyond the limit are one person's: their number is no range, but nothing."""
    pairs = repeated(inside)
    gone = few_within({("wrist", "run"): pairs}, 5.0)
    assert gone == ({("error", "wrist", "run", "all", "share_within_margin")} if hidden else set())


def test_of_changes_whose_direction_is_told_the_people_are_known():
    """Two people came seven times; the directions of theirs are shared, all others' not."""
    way = [1] * 12 + [-1] * 6
    who = ["A"] * 6 + ["B"] * 6 + list("CDEFGH")
    lab = np.linspace(1, 3, 18)
    changes = pd.DataFrame({"athlete_id": who, "lab": lab, "field": way * lab})
    changes = changes.assign(first_test=range(18), second_test=range(1, 19))
    found = change(changes, lab_spread=5.0)
    side = found.sides()["same_direction"]
    assert (list(side.index), side.tolist()) == (who, [step > 0 for step in way])
    one = SimpleNamespace(method="w", mode="run", items={"change": found}.items)
    gone = few_of_a_side([one])
    assert gone == {("change", "w", "run", "all", "same_direction")}


@pytest.mark.parametrize(("within", "shown"), [(0, True), (1, False), (4, False), (5, True)])
def test_that_a_few_did_not_change_is_not_told_by_how_many_changes_are_counted(within, shown):
    """Thirty people came four times each, and all are counted; of so many one change is none."""
    who = np.repeat([f"A{k:02}" for k in range(30)], 3)
    lab = np.where((np.arange(90) < 3 * within) & (np.arange(90) % 3 == 0), 0.0, 6.0)
    field = lab + np.resize([1.0, -2.0, 2.0, -7.0], 90)
    changes = pd.DataFrame({"athlete_id": who, "lab": lab, "field": field})
    changes = changes.assign(first_test=range(90), second_test=range(1, 91))
    found = change(changes, lab_spread=5.0)
    rows = assembled([Labelled(found.to_frame(), "change", "w", "run")])
    one = SimpleNamespace(method="w", mode="run", items={"change": found}.items)
    out = released_results(rows, few_of_a_side([one])).set_index("statistic").loc["same_direction"]
    assert pd.notna(out["value"]) == shown
    assert (f"{90 - within} of 90 changes" in out["note"]) == shown


@pytest.mark.parametrize(("lack", "shown"), [(0, True), (1, False), (4, False), (5, True)])
def test_what_a_few_people_lack_is_not_told_by_the_number_beside(lack, shown):
    people = [f"A{k}" for k in range(12)]
    hr = [np.nan if k < lack else 150.0 + k for k in range(12)]
    frame = pd.DataFrame({"athlete_id": people, "lab_test_id": people, "hr": hr})
    frame = frame.assign(threshold="vt1", method="rater_1", vo2=[40.0 + k for k in range(12)])
    frame = frame.assign(lab=60.0, hr_max_bpm=190.0)
    rows = Labelled(Thresholds(frame).to_frame(), "thresholds", "laboratory", "run")
    out = released_results(assembled([rows])).set_index("statistic")["value"].notna()
    assert out["mean_hr"] == shown
    assert out["mean_vo2"]


@pytest.mark.parametrize(
    ("n", "shown"), [(49, set()), (60, {"median"}), (600, {"lower_limit", "median", "upper_limit"})]
)
def test_no_end_of_the_data_is_told(n, shown):
    """The least fit, the fittest, and whom a method misjudges most are one person each."""
    rng = np.random.default_rng(5)
    lab = rng.normal(50, 5, n)
    field = lab + rng.normal(-2, 3, n)
    found = {
        "quantile_limits": quantile_limits(field - lab),
        "limits_by_level": limits_by_level_of(trend(field, lab)),
    }
    rows = assembled(
        [Labelled(one.to_frame(), name, "wrist", "run") for name, one in found.items()]
    )
    mean, difference = (field + lab) / 2, field - lab
    ends = [mean.min(), mean.max(), *(np.sort(difference)[k] for k in (0, 1, 2, 3, -4, -3, -2, -1))]
    numbers = rows[["value", "low", "high"]].to_numpy()
    assert np.isclose(numbers[..., None], ends).any()  # in the house they are told
    out = released_results(rows)
    assert set(out.loc[out["value"].notna(), "statistic"]) == shown
    assert not np.isclose(
        out[["value", "low", "high"]].to_numpy()[..., None], np.round(ends, 1)
    ).any()


@pytest.mark.parametrize(("n", "told"), [(20, False), (60, True)])
def test_what_two_of_twenty_tests_lie_beyond_is_no_middle(n, told):
    tests = [
        (f"A{k}", f"T{k}", rule, 50 + k % 7 + (rule == "fixed 15 s") * k / n, "moving 30 s")
        for k in range(n)
        for rule in ("moving 30 s", "fixed 15 s", AGAINST)
    ]
    names = ["athlete_id", "lab_test_id", "rule", "vo2max", "in_use"]
    found = averaging_rules(pd.DataFrame(tests, columns=names).drop_duplicates(names[:3]))
    rows = Labelled(found.to_frame(), "averaging_rule", "laboratory", "run")
    out = released_results(assembled([rows]))
    known = out[out["group"] == "fixed 15 s"].set_index("statistic")["value"].notna()
    for name in ("median", "p10", "p90"):
        assert known[f"share_more_{name}"] == told


def test_how_many_people_to_test_does_not_tell_bias_and_spread_to_the_last_digit():
    """Whoever knows all values but one finds it with such a number, unrounded, closer than by print."""
    needed = {f"{gap:.2f}": athletes_needed(-2.4, gap, 6.0) for gap in (1.50, 1.51)}
    assert needed["1.50"] < needed["1.51"]  # both print as 1.5
    names = [(a, s.name) for a, one in BY_NAME.items() for s in one.statistics if s.planned]
    assert {*names} >= {("verdict", "more_athletes"), ("interval_width", "athletes_to_halve")}
    told = []
    for number in needed.values():
        frame = pd.DataFrame(names, columns=["analysis", "statistic"])
        told.append(rounded(frame.assign(value=float(number), low=number - 9.0, high=np.nan)))
    pd.testing.assert_frame_equal(*told)
    assert (told[0]["value"] >= max(needed.values())).all()


def by_pair(d, times=1):
    """Pairs of people of whom each has one difference, so many times."""
    people = [f"A{k}" for k in range(len(d))] * times
    return pd.DataFrame({"athlete_id": people, "lab": 50.0, "field": 50.0 + np.tile(d, times)})


@pytest.mark.parametrize("times", [1, 3])
@pytest.mark.parametrize(
    ("high", "low", "shown"),
    [(3, 17, False), (4, 16, False), (17, 1, False), (5, 15, True), (0, 20, True)],
)
def test_no_mean_without_signs_tells_how_far_a_few_are_off(high, low, shown, times):
    """Half of n times mean and bias together is the sum of what the few read high."""
    rng = np.random.default_rng(8)
    d = np.concatenate([rng.uniform(1, 6, high), -rng.uniform(1, 6, low)])
    pairs = by_pair(d, times)
    resampling = cluster_resampling(pairs["athlete_id"], n_resamples=99, rng=1)
    found = errors_of_estimate(pairs["field"], pairs["lab"], resampling, margin=5.0)
    rows = assembled([Labelled(found.to_frame(), "error", "wrist", "run")])
    told = rows.set_index("statistic")["value"]
    sum_high = len(pairs) * (told["mae"] + (pairs["field"] - pairs["lab"]).mean()) / 2
    assert sum_high == pytest.approx(times * d[d > 0].sum())
    gone = few_of_a_sign({("wrist", "run"): pairs, ("ring", "run"): by_pair(np.arange(-9.5, 10))})
    out = released_results(rows, gone).set_index("statistic")
    known = out["value"].notna()
    assert known["mae"] == known["mape"] == shown
    assert known["rmse"]
    assert not {name for name in gone if name[1] == "ring"}
    if not shown:
        assert out.loc["mae", ["low", "high", "n", "n_pairs"]].isna().all()
        assert out.loc["mae", "note"].startswith("suppressed")


def test_every_mean_of_differences_without_sign_is_declared_as_one():
    """Whoever adds one, whose formula says so, declares it."""
    without = {
        (analysis, one.name): one.by_sign
        for analysis, record in BY_NAME.items()
        for one in record.statistics
        if one.formula.startswith("mean of |d|")
    }
    assert without == {("error", "mae"): True, ("error", "mape"): True}


@pytest.mark.parametrize(
    ("analysis", "last"),
    [
        ("change", "real_change_on_card"),
        ("change", "same_direction"),  # a share of those who changed
        ("economy", "sd_gross_efficiency"),
        ("averaging_curve", "half_width_laboratory"),
    ],
)
@pytest.mark.parametrize(("less", "shown"), [(2, False), (4, False), (5, True)])
def test_of_whatever_analysis_no_row_tells_how_many_a_few_it_lacks(analysis, last, less, shown):
    """Whoever stands in one number of a line and not in the other is missed by the second."""
    first, *_ = BY_NAME[analysis].names
    assert last in BY_NAME[analysis].names
    rows = [(first, 40.0), (last, 40.0 - less)]
    frame = pd.DataFrame(rows, columns=["statistic", "n"]).assign(analysis=analysis, method="wrist")
    frame = frame.assign(mode="run", group="all", value=1.0, low=0.0, high=2.0, note="")
    lacking = _of_few_less(frame.assign(n_pairs=frame["n"]))
    assert lacking.tolist() == [False, not shown]


@pytest.mark.parametrize(
    ("few", "mass", "counts", "flow"),
    [
        ((0, 0, []), 0, {"copy": 7, "withdrawn": 6, "stale": 9}, [11, 4, 22]),  # of many
        ((1, 2, ["withdrawn"]), 0, {"copy": 7, "stale": 9, "withheld": 9}, [10, 2, 25]),
        ((0, 0, ["withdrawn"]), 2, {"copy": 7, "stale": 9, "withheld": 8}, [11, 4, 24]),
        ((0, 0, ["withdrawn"]), 0, {"stale": 9, "withheld": 13}, [11, 4, 22]),  # one alone
        ((1, 2, []), 0, {"copy": 7, "stale": 9, "withheld": 9}, [10, 2, 25]),
        ((0, 0, []), 2, {"copy": 7, "stale": 9, "withheld": 8}, [11, 4, 24]),
        ((0, 0, []), 5, {"copy": 7, "withdrawn": 6, "stale": 9, "no_mass": 5}, [11, 4, 27]),
    ],
)
def test_what_is_of_a_few_stands_together_and_never_alone(few, mass, counts, flow):
    """Six rows withdrawn, of one person or many; one or two rows of a few who count nowhere."""
    reasons = [*["withdrawn"] * 6, *["no_mass"] * mass, *["copy"] * 7, *["stale"] * 9]
    lines = pd.DataFrame({"reason": reasons, "file": "a.csv", "row": range(22 + mass)})
    read = pd.DataFrame(
        {"file": ["a.csv"], "used": [11], "summarised": [4], "excluded": len(lines)}
    )
    left_out, told = pooled(lines.assign(id="K", message=""), read, {"a.csv": few})
    said = left_out.set_index("reason")["message"].str.extract(r"^(\d+) rows:")[0]
    assert said.astype(int).to_dict() == counts
    assert told.to_numpy().tolist() == [["a.csv", *flow]]
    again, same = pooled(left_out, told, {})
    pd.testing.assert_frame_equal(again, left_out)
    pd.testing.assert_frame_equal(same, told)


def released(study):
    """Rows left out, and the flow, as an audit shows them."""
    view = open_report(study, kind="audit").told.view
    return view.exclusions, view.flow.set_index("file")


@pytest.mark.slow
def test_rows_used_are_those_of_a_study_without_who_takes_a_drug(tmp_path):
    """In every file, sessions and raw files too: else what was used would tell of them."""
    taken, without = (write_exposed(tmp_path / name) for name in ("taken", "without"))
    for study in (taken, without):
        for file in study.glob("*.csv"):
            rows = pd.read_csv(file, dtype=str)
            one = rows.get("athlete_id", pd.Series("", rows.index)) == "QX10"
            if study == without or file.name == "field_tests.csv":  # those count for everybody
                rows = rows[~one]
            elif file.name == "athletes.csv":
                rows["hr_limiting_drug"] = rows["hr_limiting_drug"].mask(one, "yes")
            rows.to_csv(file, index=False)
    for folder in ("breaths", "samples"):
        next((without / folder).glob("*10.csv")).unlink()
    (_, told), (_, expected) = released(taken), released(without)
    columns = ["used", "summarised"]
    pd.testing.assert_frame_equal(told[columns], expected[columns].reindex(told.index))
    assert told.loc["samples", "excluded"] - expected.loc["samples", "excluded"] == 1


@pytest.mark.slow
def test_who_takes_a_drug_cannot_be_told_from_who_was_tested_in_another_mode(tmp_path):
    """Three people alone are left out: that they are is seen, but not why."""
    taken, cycled = (write_exposed(tmp_path / name, raw=False) for name in ("taken", "cycled"))
    for study in (taken, cycled):
        (study / "field_tests.csv").unlink()
    three = ["QX11", "QX12", "QX13"]
    people = pd.read_csv(taken / "athletes.csv")
    people["hr_limiting_drug"] = "no"
    people.to_csv(cycled / "athletes.csv", index=False)
    people.loc[people["athlete_id"].isin(three), "hr_limiting_drug"] = "yes"
    people.to_csv(taken / "athletes.csv", index=False)
    tests = pd.read_csv(cycled / "lab_tests.csv")
    tests.loc[tests["athlete_id"].isin(three), "mode"] = "cycle"
    tests.to_csv(cycled / "lab_tests.csv", index=False)
    told = released(taken)
    for one, other in zip(told, released(cycled), strict=True):
        pd.testing.assert_frame_equal(one, other)
    assert set(told[0]["reason"]) == {"withheld"}


def on_axis(apart, column, usual, other, people=20):
    """Pairs of people of whom so many differ from all others in one column."""
    rng = np.random.default_rng(2)
    plain = {"mass_mismatch_pct": 0.0, "hr_max_mismatch_bpm": 0.0, "sensor": "chest_strap"}
    plain |= {"training_profile": "long", "lab_date": pd.Timestamp("2026-03-02")}
    pairs = pd.DataFrame({"athlete_id": [f"A{k:02}" for k in range(people)]}).assign(**plain)
    pairs[column] = [other if k < apart else usual for k in range(people)]
    lab = rng.normal(50, 5, people)
    return pairs.assign(lab=lab, field=lab + rng.normal(-2, 3, people))


def test_the_slope_on_what_a_few_were_told_wrongly_tells_their_difference():
    """Why it is withheld: with the mean of all it gives theirs to the last digit."""
    pairs = on_axis(2, "mass_mismatch_pct", 0.0, 12.0)
    log_ratio = 100 * np.log(pairs["field"] / pairs["lab"])
    found = mass_mismatch(pairs["field"], pairs["lab"], pairs["mass_mismatch_pct"])
    slope = found.to_frame().set_index("statistic")["value"]["slope"]
    theirs = log_ratio.mean() + (1 - 2 / 20) * 12.0 * slope
    assert theirs == pytest.approx(log_ratio[:2].mean())


@pytest.mark.parametrize(
    ("column", "usual", "other", "gone"),
    [
        ("mass_mismatch_pct", 0.0, 12.0, {"mass_mismatch": "slope", "budget": "profile_inputs"}),
        ("hr_max_mismatch_bpm", 0.0, 9.0, {"budget": "profile_inputs"}),
        ("sensor", "wrist_optical", None, {"budget": "sensor"}),
        ("training_profile", "long", "short", {"budget": "training_profile"}),
        (
            "lab_date",
            pd.Timestamp("2026-03-02"),
            pd.Timestamp("2026-05-01"),
            {"drift": "change_in_30_days"},
        ),
    ],
)
def test_nothing_rests_on_a_few_who_stand_apart(column, usual, other, gone):
    place = ("wrist", "run")
    hidden = few_on_a_line({place: on_axis(2, column, usual, other)})
    assert {(one, *place, "all", name) for one, name in gone.items()} <= hidden
    assert {name for name, *_ in hidden} == set(gone)
    if "budget" in gone:  # else it is what the others leave of the total
        assert ("budget", *place, "all", "persistent_rest") in hidden
        assert ("budget", *place, "all", f"half_width_without_{gone['budget']}") in hidden
    assert not few_on_a_line({place: on_axis(5, column, usual, other)})
    assert not few_on_a_line({place: on_axis(0, column, usual, other)})


def test_an_audit_withholds_what_rests_on_one_whose_mass_was_wrong(tmp_path):
    study = write_exposed(tmp_path, raw=False)
    people = pd.read_csv(study / "athletes.csv")
    set_ = pd.read_csv(study / "field_estimates.csv")
    tests = pd.read_csv(study / "lab_tests.csv").set_index("athlete_id")["mass_kg"]
    right = set_["athlete_id"].map(tests[~tests.index.duplicated()])
    set_["set_mass_kg"] = right.fillna(70) + 9 * (set_["athlete_id"] == people["athlete_id"][3])
    set_.to_csv(study / "field_estimates.csv", index=False)
    told = open_report(study, kind="audit").told.frame.set_index(["analysis", "statistic"])
    assert told.loc[("mass_mismatch", "slope"), "value"].isna().all()
    assert told.loc[("mass_mismatch", "slope"), "note"].str.startswith("suppressed").any()
    assert told.loc[("limits_of_agreement", "bias"), "value"].notna().any()


def test_an_audit_of_a_laboratory_does_not_count_the_few_tests_that_were_not_maximal(tmp_path):
    days = [f"2026-03-{k + 1:02}" for k in range(12)]
    tests = pd.DataFrame({"lab_test_id": [f"T{k}" for k in range(12)], "date": days})
    tests["athlete_id"] = [f"Q{k}" for k in range(12)]
    tests = tests.assign(mode="run", vo2max_ml_kg_min=[41.3 + k for k in range(12)], rer_max=1.15)
    tests["plateau"] = ["no"] * 2 + ["yes"] * 10
    tests.loc[:1, "rer_max"] = 0.98
    tests.to_csv(tmp_path / "lab_tests.csv", index=False)
    (tmp_path / "study.toml").write_text('[study]\ntime_zone = "UTC"\n', encoding="utf-8")
    house, audit = open_both(tmp_path)
    assert "maximal: 2 laboratory tests" in house.next_steps().html
    assert "maximal: 1 to 4 laboratory tests" in audit.next_steps().html
    assert "Pairs by method" not in audit.flow().html


@pytest.mark.parametrize(
    ("often", "times", "hidden"), [(1, 8, True), (4, 2, True), (5, 2, False), (0, 1, False)]
)
def test_a_mean_that_weighs_pairs_is_withheld_where_a_few_came_oftener(often, times, hidden):
    """By sizes alone one who came eight times looks like seven who came twice."""
    who = [f"A{k}" for k in range(15) for _ in range(times if k < often else 1)]
    pairs = {
        ("wrist", "run"): pd.DataFrame({"athlete_id": who}),
        ("ring", "run"): pd.DataFrame({"athlete_id": []}),
    }
    rows = [
        (a, m, "run", "all")
        for a in ("limits_of_agreement_anova", "trend")
        for m in ("wrist", "ring")
    ]
    results = pd.DataFrame(rows, columns=["analysis", "method", "mode", "group"])
    weighing = {n for n in ("limits_of_agreement_anova", "trend") if BY_NAME[n].weighs_pairs}
    assert "limits_of_agreement_anova" in weighing
    assert few_out_of_step(results, pairs) == {
        (n, "wrist", "run", "all") for n in weighing if hidden
    }


def test_errors_by_pair_beside_errors_by_athlete_tell_of_the_one_who_came_eight_times():
    """Pairs times one mean less athletes times the other: seven of his eight, and those alone."""
    rng = np.random.default_rng(4)
    who = np.array([f"A{k:02}" for k in range(21)] + ["A21"] * 8)
    d = np.where(who == "A21", -7.0, -4.0) + rng.uniform(-2, 2, who.size)
    pairs = pd.DataFrame({"athlete_id": who, "lab": rng.normal(50, 5, who.size)})
    pairs["field"] = pairs["lab"] + d
    resampling = cluster_resampling(pairs["athlete_id"], n_resamples=99, rng=1)
    frame = errors_of_estimate(pairs["field"], pairs["lab"], resampling, margin=5.0).to_frame()
    told = frame.set_index("statistic")["value"]
    by_athlete = pd.Series(d).groupby(who)
    squares = pd.Series(d**2).groupby(who).mean().mean()
    apart = who.size * told["rmse"] ** 2 - 22 * squares
    assert np.sqrt(apart / 7) == pytest.approx(np.sqrt(np.mean(d[-8:] ** 2)))
    mean = (who.size * told["mae"] + 22 * by_athlete.mean().mean()) / 7  # all read low
    assert mean == pytest.approx(-d[-8:].mean())
    gone = few_by_pair(
        {("wrist", "run"): pairs, ("ring", "run"): pairs.drop_duplicates("athlete_id")}
    )
    names = ("mae", "mape", "rmse", "total_deviation_index")
    assert gone == {("error", "wrist", "run", "all", name) for name in names}
    rows = assembled([Labelled(frame, "error", "wrist", "run")])
    out = released_results(rows, gone).set_index("statistic")["value"]
    assert out.notna().to_dict() == dict.fromkeys(names, False) | {"share_within_margin": True}


@pytest.mark.parametrize(("n", "told"), [(49, False), (51, True)])
def test_the_middle_one_of_a_line_by_ranks_is_told_as_any_middle(n, told):
    """Field less slope times laboratory of one athlete is the intercept; a slope is of two, of all."""
    rng = np.random.default_rng(6)
    lab = rng.normal(50, 6, n)
    field = 0.9 * lab + rng.normal(0, 2, n)
    found = passing_bablok(field, lab)
    residuals = field - found.slope * lab
    assert np.isclose(residuals, found.intercept).any()
    rows = assembled([Labelled(found.to_frame(), "passing_bablok", "wrist", "run")])
    out = released_results(rows).set_index("statistic")["value"].notna()
    assert out.to_dict() == {"slope": True, "intercept": told}


def test_an_audit_tells_no_mean_of_values_which_two_methods_would_make_those_of_a_few(tmp_path):
    squad, audit = open_both(write_exposed(tmp_path / "study", raw=False))
    for report, is_told in ((squad, True), (audit, False)):
        told = report.numbers.frame
        told = told[told["analysis"] == "measured_values"]
        assert len(told)
        assert told["value"].notna().any() == is_told
