"""
No few people follow from the shown cells of an audit: all that sums and differences of them reach.

The search here walks sets of pairs (bit masks), from each shown group by adding what shares nobody and
taking away what lies inside; the program decides by linear algebra on the same groups.
"""

from contextlib import suppress
from dataclasses import replace
from datetime import date
from functools import cache
from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from turns import slowly

from agreement.report.privacy import cells
from agreement.report.privacy.cells import WHOLE, hidden_groups, withheld
from agreement.report.privacy.privacy import without_small_cells
from agreement.stats.catalogue import ANALYSES, BY_NAME
from agreement.stats.evidence import Evidence
from agreement.stats.record import Privacy
from agreement.stats.result_rows import Labelled, assembled
from agreement.stats.results_table import method_data
from agreement.tables.options import StudyOptions
from agreement.terms import PAIR_COLUMNS

FEWEST = 5
COHORTS = 100
MOST_SETS = 3000
GROUPED = {Privacy.PARTITION, Privacy.SUBSET, Privacy.READINGS, Privacy.NESTED}
PLACE = ("wrist", "run")


def odd_cohort(seed):
    """Pairs of 5 to 45 athletes whose traits are spread unevenly, with second pairs of some."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(5, 46))
    repeats = rng.choice([0.0, 0.1, 0.5])

    def trait(*words):
        return rng.choice(words, p=rng.dirichlet(np.full(len(words), 0.6)), size=n)

    people = {
        "training_profile": trait("base", "long", "mixed", "short", "not enough data"),
        "profile_borderline": trait("yes", "no"),
        "max_confirmed": trait("yes", "no", "unknown"),
        "sex": trait("female", "male", "unknown"),
        "age_years": trait(12.0, 16.0, 30.0, 50.0, 70.0),
        "sensor": trait("chest_strap", "wrist_optical"),
        "hr_limiting_drug": trait("yes", "no", "unknown"),
        "mass_mismatch_pct": trait(0.0, 9.0),
        "hr_max_mismatch_bpm": trait(0.0, 12.0),
    }
    rows = []
    for i in range(n):
        for visit in range(1 + (rng.random() < repeats)):
            lab, field = rng.normal(50, 5, 2)
            rows.append(
                {name: values[i] for name, values in people.items()}
                | {
                    "athlete_id": f"A{i:02}", "lab_test_id": f"T{i:02}{visit}",
                    "lab_date": pd.Timestamp("2026-03-02") + pd.Timedelta(days=int(rng.integers(60))),
                    "method": "wrist", "mode": "run", "lab": lab, "field": field,
                    "difference": field - lab, "n_estimates": 3, "n_days": 3, "gap_days": 1,
                    "averaging_rule": "moving 30 s", "mass_kg": 70.0,
                }
            )  # fmt: skip
    pairs = pd.DataFrame(rows, columns=PAIR_COLUMNS)
    borderline = pairs["profile_borderline"] == "yes"
    return Evidence(
        pairs,
        pd.DataFrame(
            columns=["athlete_id", "lab_test_id", "method", "mode", "date", "field", "lab"]
        ),
        pd.DataFrame(columns=["athlete_id", "lab_test_id", "mode", "lab"]),
        StudyOptions(),
        {"wrist": True},
        date(2026, 3, 2),
        next_door=dict.fromkeys(pairs.loc[borderline, "lab_test_id"], "base"),
        coverage=covered(pairs, rng),
        splits=split(pairs, rng),
        other_rules={"half_window": pairs[rng.random(len(pairs)) < 0.9]},
    )


def covered(pairs, rng):
    some = pairs[rng.random(len(pairs)) < 0.9]
    key = some[["athlete_id", "lab_test_id", "method", "mode", "training_profile"]]
    names = ["top_share_of_hr_max", "hr_span", "hr_max_bpm", "extrapolation_se", "expected_bias"]
    return key.assign(**{name: rng.random(len(key)) + 1 for name in names}).assign(
        observed_error=some["difference"]
    )


def split(pairs, rng):
    some = pairs[rng.random(len(pairs)) < 0.9]
    return some[["athlete_id", "lab_test_id", "method", "mode"]].assign(
        total=some["difference"], cost=0.0, heart_rate=some["difference"]
    )


@cache
def odd_results(seed):
    """Return rows and groups of the cohort of a seed; several tests look at one."""
    return grouped_results(odd_cohort(seed))


def grouped_results(evidence):
    """Return rows and groups of every analysis by group, as a study computes them."""
    (data,) = method_data(evidence)
    parts, members = [], {}
    for analysis in ANALYSES:
        if analysis.privacy not in GROUPED or analysis.compute is None or analysis.of:
            continue
        try:
            result = analysis.compute(data)
        except ValueError:
            continue
        parts.append(Labelled(result.to_frame(), analysis.name, *PLACE))
        for group, pairs in getattr(result, "members", dict)().items():
            members[analysis.name, group] = frozenset(pairs)
    return assembled(parts), members


def shown_groups(frame):
    told = frame[frame["value"].notna()]
    return set(zip(told["analysis"], told["group"], strict=True))


def reachable(sets):
    """Yield every set that sums and differences of the shown ones reach, up to a number."""
    seen = set(sets)
    queue = list(seen)
    while queue and len(seen) < MOST_SETS:
        one = queue.pop()
        for base in sets:
            if one & base == 0:
                made = [one | base]
            elif one & base == base:
                made = [one ^ base]
            elif one & base == one:
                made = [base ^ one]
            else:
                made = []
            for new in made:
                if new and new not in seen:
                    seen.add(new)
                    queue.append(new)
    return seen


def people(mask, pairs):
    return len({pairs[k][0] for k in range(len(pairs)) if mask >> k & 1})


def fewest_reached(groups):
    """Return the smallest number of people that the groups give away."""
    pairs = sorted({pair for group in groups for pair in group})
    place = {pair: 1 << k for k, pair in enumerate(pairs)}
    sets = sorted({sum(place[pair] for pair in group) for group in groups if group})
    return min((people(mask, pairs) for mask in reachable(sets)), default=FEWEST)


def profiles_shown(frame):
    """Profiles that show their own bias, and those that are set side by side."""
    told = frame[frame["value"].notna()]
    own = told[(told["analysis"] == "profile_bias") & (told["statistic"] == "bias")]
    two = told[told["analysis"] == "profiles_two_by_two"]
    return set(own["group"]), {tuple(group.split(" minus ")) for group in two["group"]}


def assert_both_show_their_bias(frame):
    """What is told of two profiles side by side gives one away where only the other shows its own."""
    own, two = profiles_shown(frame)
    assert {name for both in two for name in both} <= own


def test_the_search_finds_what_two_groups_give_away():
    everybody = frozenset((f"A{i}", "T") for i in range(20))
    women = frozenset(sorted(everybody)[:12])
    young = women | frozenset(sorted(everybody)[12:14])
    assert fewest_reached([everybody, women]) == 8
    assert fewest_reached([everybody, women, young]) == 2  # the two young men


QUICK = [seed for seed in range(0, 30, 3) if seed != 15]  # that one has many groups: seconds


@pytest.mark.parametrize(
    "seed",
    [*QUICK, *slowly(seed for seed in range(COHORTS) if seed not in QUICK)],
)
def test_no_few_people_follow_from_the_cells_of_an_audit(seed):
    frame, members = odd_results(seed)
    sizes = frame.groupby(["analysis", "group"])["n"].max()
    for group, pairs in members.items():  # the groups are those of the table
        assert len({athlete for athlete, _ in pairs}) == sizes[group], group
    told = without_small_cells(frame, hidden_groups(frame, {PLACE: members}))
    assert_both_show_their_bias(told)
    shown = shown_groups(told)
    assert WHOLE in shown or sizes[WHOLE] < FEWEST
    assert fewest_reached([members[group] for group in shown if group in members]) >= FEWEST


@pytest.mark.parametrize("seed", [*QUICK, *slowly(range(30, COHORTS, 3))])
def test_whoever_knows_sizes_alone_withholds_what_one_analysis_gives_away(seed):
    frame, members = odd_results(seed)
    told = without_small_cells(frame)
    assert_both_show_their_bias(told)
    shown = shown_groups(told)
    for analysis in {name for name, _ in members}:
        own = [members[group] for group in shown if group in members and group[0] == analysis]
        assert fewest_reached([*own, *([members[WHOLE]] if WHOLE in shown else [])]) >= FEWEST


@pytest.mark.parametrize("hidden", [(), ("long",), ("base", "long")])
def test_two_profiles_are_set_side_by_side_where_both_show_their_bias(hidden):
    names = ("base", "long", "short")
    rows = [("profile_bias", name, "bias", 10.0) for name in names]
    rows += [
        ("profiles_two_by_two", f"{a} minus {b}", statistic, 20.0)
        for a, b in combinations(names, 2)
        for statistic in ("difference_of_bias", "hedges_g")
    ]
    frame = pd.DataFrame(rows, columns=["analysis", "group", "statistic", "n"])
    frame = frame.assign(
        method="wrist", mode="run", value=1.0, low=0.0, high=2.0, n_pairs=frame["n"]
    )
    frame["note"] = ""
    gone = [("profile_bias", *PLACE, name) for name in hidden]
    own, two = profiles_shown(without_small_cells(frame, gone))
    assert own == {*names} - {*hidden}
    assert two == set(combinations(sorted(own), 2))


def test_the_walk_meets_cohorts_that_would_give_people_away():
    given_away = 0
    for seed in QUICK:
        frame, members = odd_results(seed)
        shown = [members[g] for g in shown_groups(frame) if g in members and len(members[g]) >= 5]
        given_away += fewest_reached(shown) < FEWEST
    assert given_away > len(QUICK) / 2


def test_two_groups_of_other_analyses_can_be_safe_apart_and_not_together():
    everybody = frozenset((f"A{i:02}", "T") for i in range(30))
    ordered = sorted(everybody)
    members = {
        WHOLE: everybody,
        ("by_sex", "female"): frozenset(ordered[:15]),
        ("by_sex", "male"): frozenset(ordered[15:]),
        ("by_age", "18_to_39_years"): frozenset(ordered[:17]),
        ("by_age", "40_to_64_years"): frozenset(ordered[17:]),
    }
    sizes = {group: (len(pairs), len(pairs)) for group, pairs in members.items()}
    gone = withheld(sizes, members)
    assert 2 <= len(gone) <= 3  # one part of either goes, with what would tell of it
    shown = [pairs for group, pairs in members.items() if group not in gone]
    assert fewest_reached(shown) >= FEWEST


def test_one_person_s_rows_are_never_shown(monkeypatch):
    of_one = replace(cells.BY_NAME["by_sex"], privacy=Privacy.ONE_PERSON)
    monkeypatch.setitem(cells.BY_NAME, "by_sex", of_one)
    assert withheld({WHOLE: (30, 30), ("by_sex", "female"): (15, 15)}) == {("by_sex", "female")}


def test_of_a_chain_of_groups_none_leaves_a_few_over():
    sizes = (30, 27, 20, 6, 4)
    chain = {("averaging_curve", str(k)): (n, n) for k, n in enumerate(sizes, start=1)}
    gone = withheld({WHOLE: (30, 30)} | chain)
    left = sorted(n for group, (n, _) in chain.items() if group not in gone)
    assert left[0] >= FEWEST
    assert all(np.diff(left) >= FEWEST)
    assert left == [6, 20, 27]


@pytest.mark.parametrize("n", [56, 59, 61, 64])
def test_of_two_groups_that_may_differ_by_a_few_one_goes_where_only_sizes_are_known(n):
    """Confirmed maxima of one analysis and pairs chosen by another: 60 and n of 100 people."""
    ours, theirs = ("limits_of_agreement", "confirmed"), ("choice_of_pairs", "first_pair_of_each")
    sizes = {WHOLE: (100, 100), ours: (60, 60), theirs: (n, n)}
    assert len({ours, theirs} & withheld(sizes)) == 1
    assert not {ours, theirs} & withheld(sizes | {theirs: (50, 50)})


def with_repeats(evidence):
    """The same with every laboratory test done twice, a little apart."""
    tests = evidence.pairs.drop_duplicates("lab_test_id")
    apart = np.random.default_rng(2).normal(0, 0.6, (2, len(tests)))
    columns = tests[["athlete_id", "lab_test_id", "mode"]]
    again = pd.concat([columns.assign(lab=tests["lab"] + one) for one in apart])
    return replace(evidence, repeats=again.sort_values(["lab_test_id", "lab"], ignore_index=True))


@pytest.mark.parametrize("seed", [26, *slowly(range(200, 220))])
def test_a_number_that_moves_with_people_of_another_group_is_declared_as_of_all_groups(seed):
    """Else it would tell of a group that is withheld."""
    evidence = with_repeats(odd_cohort(seed))
    before, members = grouped_results(evidence)
    moved_at = set()
    for profile in sorted(set(evidence.pairs["training_profile"])):
        theirs = evidence.pairs["training_profile"] == profile
        pairs = evidence.pairs.assign(field=evidence.pairs["field"] + 3.0 * theirs)
        pairs = pairs.assign(difference=pairs["field"] - pairs["lab"])
        after, _ = grouped_results(replace(evidence, pairs=pairs))
        moved = (before["value"] - after["value"]).abs() > 1e-6
        people = set(
            zip(*(pairs.loc[theirs, one] for one in ("athlete_id", "lab_test_id")), strict=True)
        )
        for analysis, group, statistic in before.loc[
            moved, ["analysis", "group", "statistic"]
        ].itertuples(index=False):
            own = members.get((analysis, group))
            if group != "all" and own is not None and not own & people:
                moved_at.add(analysis)
                assert statistic in BY_NAME[analysis].of_all_groups, (analysis, group, statistic)
    assert moved_at == {"profile_bias", "profile_at_equal_level"} or seed != 26


def test_what_draws_on_every_group_goes_with_one_that_is_withheld():
    for name, record in BY_NAME.items():
        if not record.of_all_groups:
            continue
        for least, gone in ((3, True), (9, False)):
            # the 20 stay: what they have of all groups must go for itself
            sizes = {"long": 20, "base": 8, "short": least}
            rows = [("limits_of_agreement", "all", "bias", sum(sizes.values()))]
            rows += [(name, g, s, n) for g, n in sizes.items() for s in record.of_all_groups]
            names = ["analysis", "group", "statistic", "n"]
            frame = pd.DataFrame(rows, columns=names).assign(method="wrist", mode="run")
            frame = frame.assign(n_pairs=frame["n"], value=1.0, low=0.5, high=2.0, note="")
            out = without_small_cells(frame)
            told = out[out["analysis"] == name]["value"].notna()
            assert told.sum() == (0 if gone else len(told)), (name, least)


def three_came_twice(people=18):
    """One pair of every athlete, and another of three."""
    evidence = odd_cohort(26)
    pairs = evidence.pairs.drop_duplicates("athlete_id").head(people)
    pairs = pairs.assign(hr_limiting_drug="no", max_confirmed="yes")
    again = pairs.head(3).assign(lab_test_id=lambda one: one["lab_test_id"] + "x")
    again = again.assign(field=again["field"] + [1.0, -2.0, 0.5])
    pairs = pd.concat([pairs, again]).sort_values(["athlete_id", "lab_test_id"], ignore_index=True)
    return replace(evidence, pairs=pairs.assign(difference=pairs["field"] - pairs["lab"]))


def whole_results(evidence):
    """Return the rows of every analysis of everybody, and who stands behind them."""
    (data,) = method_data(evidence)
    parts = []
    for analysis in ANALYSES:
        if analysis.compute is not None and not analysis.of:
            with suppress(ValueError, KeyError):  # these people have no readings by day
                result = analysis.compute(data)
                parts.append(Labelled(result.to_frame(), analysis.name, *PLACE))
    return assembled(parts), frozenset(
        zip(data.pairs["athlete_id"], data.pairs["lab_test_id"], strict=True)
    )


def test_means_by_pair_and_by_athlete_tell_together_of_nobody_who_came_oftener():
    """Pairs times the one less athletes times the other are the differences of the three."""
    evidence = three_came_twice()
    frame, everybody = whole_results(evidence)
    n_pairs, key = len(everybody), ["analysis", "group", "statistic"]

    def moved(athlete):
        pairs = evidence.pairs.assign(
            field=evidence.pairs["field"] + 0.01 * (evidence.pairs["athlete_id"] == athlete)
        )
        pairs = pairs.assign(difference=pairs["field"] - pairs["lab"])
        after, _ = whole_results(replace(evidence, pairs=pairs))
        return (after.set_index(key)["value"] - frame.set_index(key)["value"]).abs() / 0.01

    twice, once = (moved(evidence.pairs["athlete_id"].iloc[k]) for k in (0, -1))
    by_pair = (twice - 2 / n_pairs).abs().lt(1e-6) & (once - 1 / n_pairs).abs().lt(1e-6)
    found = {analysis for analysis, _, _ in by_pair[by_pair].index}
    declared = {name for name, one in BY_NAME.items() if one.weighs_pairs}
    untold = {name for name, one in BY_NAME.items() if one.privacy is Privacy.ONE_PERSON}
    # |d| is no difference: it tells of nobody by itself
    assert found - {"error"} - untold == declared
    gone = hidden_groups(frame, {PLACE: {WHOLE: everybody}})
    assert declared <= {name for name, *_ in gone}
    shown = without_small_cells(frame, gone)
    assert shown[shown["analysis"] == "limits_of_agreement"]["value"].notna().any()
    assert declared <= {name for name, *_ in hidden_groups(frame)}  # by sizes alone
    every = frozenset((athlete, f"T{k}") for athlete, _ in everybody for k in range(2))
    assert not declared & {name for name, *_ in hidden_groups(frame, {PLACE: {WHOLE: every}})}


def told_of_few(sets):
    """Return the few whose pairs alone some weighted sum of these sets holds."""
    pairs = sorted(frozenset().union(*sets))
    who = np.array([athlete for athlete, _ in pairs])
    matrix = np.array([[pair in one for pair in pairs] for one in sets], dtype=float)
    rank = np.linalg.matrix_rank(matrix)
    athletes = sorted(set(who))
    for some in (few for size in (1, 2, 3, 4) for few in combinations(athletes, size)):
        if np.linalg.matrix_rank(matrix[:, ~np.isin(who, some)]) < rank:
            return some
    return ()


def test_a_sum_with_any_weights_is_found_out():
    """All less those with a strap less those confirmed: the one with neither less both with both."""
    people = [(f"A{k}", f"T{k}") for k in range(16)]
    strap, confirmed = frozenset(people[:8]), frozenset(people[6:15])
    groups = {
        ("limits_of_agreement", "chest_strap"): strap,
        ("limits_of_agreement", "confirmed"): confirmed,
    }
    sets = {WHOLE: frozenset(people), **groups}
    assert len(told_of_few(sets.values())) == 3
    hidden = withheld({group: (len(one), len(one)) for group, one in sets.items()}, sets)
    assert len(hidden) == 1
    assert told_of_few([one for group, one in sets.items() if group not in hidden]) == ()


@pytest.mark.parametrize("seed", slowly([3, 7, 12, 24, 25]))
def test_no_weighted_sum_of_shown_groups_holds_a_few_people_alone(seed):
    frame, members = grouped_results(odd_cohort(seed))
    gone = {(name, group) for name, _, _, group in hidden_groups(frame, {PLACE: members})}
    shown = {pairs for group, pairs in members.items() if pairs and group not in gone}
    assert told_of_few(sorted(shown, key=sorted)) == ()


@pytest.mark.parametrize("seed", [11, *slowly(range(60))])
def test_a_group_is_withheld_only_where_it_would_tell_of_a_few_beside_those_shown(seed):
    rng = np.random.default_rng(seed)
    people = [(f"A{k:02}", f"T{k}") for k in range(14)]
    names = [("limits_of_agreement", one) for one in ("chest_strap", "confirmed", "no_drug")]
    names.append(("by_sex", "female"))
    of_part = {one: frozenset(p for p in people if rng.random() < 0.55) for one in names}
    sets = {WHOLE: frozenset(people)} | {k: some for k, some in of_part.items() if len(some) >= 5}
    hidden = withheld({group: (len(one), len(one)) for group, one in sets.items()}, sets)
    shown = [one for group, one in sets.items() if group not in hidden]
    assert told_of_few(shown) == ()
    assert all(told_of_few([*shown, sets[group]]) for group in hidden)


def test_where_no_whole_is_known_two_groups_a_few_apart_are_not_both_shown():
    """Of the laboratory's tests nobody counts everybody: 12 read one way, 10 the other."""
    one, other = ("thresholds", "vt1 v_slope"), ("thresholds", "vt1 rater_1")
    assert withheld({one: (12, 12), other: (10, 10)}) == {other}
    assert withheld({one: (12, 12), other: (7, 7)}) == set()
    assert withheld({one: (12, 12), other: (12, 12)}) == set()


@pytest.mark.parametrize(("shared", "shown"), [(20, False), (23, False), (24, True), (19, True)])
def test_methods_are_compared_on_all_people_of_one_or_on_five_fewer(shared, shown):
    """Else its bias, and the bias that the comparison rests on, tell of the few."""
    names = [name for name, one in BY_NAME.items() if one.privacy is Privacy.COMPARES_METHODS]
    rows = [("limits_of_agreement", "ring", 24.0), ("limits_of_agreement", "wrist", 40.0)]
    rows += [(name, method, shared) for name in names for method in ("ring", "ring vs wrist")]
    frame = pd.DataFrame(rows, columns=["analysis", "method", "n"])
    frame = frame.assign(mode="run", group="all", statistic="bias", value=1.0, low=0.0, high=2.0)
    out = without_small_cells(frame.assign(n_pairs=frame["n"], note=""))
    told = out.loc[out["analysis"].isin(names), "value"].notna()
    assert told.tolist() == [shown] * len(told)


def test_means_of_athletes_tell_of_one_who_came_once_beside_five_who_came_twice():
    """Twice the mean of everybody less that of first and second visits: the difference of the one."""
    once = [("A0", "T00")]
    first, again = ([(f"A{k}", f"T{k}{v}") for k in range(1, 6)] for v in (0, 1))
    groups = {
        ("by_fortnight", "days_000_to_013"): frozenset(once + first),
        ("by_fortnight", "days_042_to_055"): frozenset(again),
        WHOLE: frozenset(once + first + again),
    }
    d = {pair: 0.1 * k**2 - 1 for k, pair in enumerate(sorted(groups[WHOLE]))}

    def total(pairs):
        means = {who: [d[one] for one in pairs if one[0] == who] for who, _ in pairs}
        return sum(np.mean(own) for own in means.values())

    sums = [total(groups[name]) for name in groups]
    assert 2 * sums[2] - sums[0] - sums[1] == pytest.approx(d[once[0]])
    hidden = withheld(
        {name: (len({a for a, _ in one}), len(one)) for name, one in groups.items()}, groups
    )
    assert len(hidden) == 1
    assert WHOLE not in hidden
