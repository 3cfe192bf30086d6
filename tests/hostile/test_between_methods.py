"""
What the groups of two methods, of a method and a list of everybody, tell of those in one alone.

The attacker has the numbers shown and no more. That so many people lack a value is seen; not which
sex, age or profile they are of: they may be those who take a drug that limits heart rate.
"""

import re
from itertools import combinations, pairwise, product
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from exposed_study import write_exposed
from opened import open_both, open_report
from turns import slowly

from agreement.report.privacy.by_pairs import few_by_rule
from agreement.report.privacy.cells import DRUG, WHOLE, hidden_groups, withheld
from agreement.report.privacy.privacy import without_small_cells
from agreement.report.sections.audit import _outwards
from agreement.stats.limits.limits_of_subsets import RIGHT_INPUTS
from agreement.terms import SEXES

FEWEST = 5
BY_TRAIT = ("by_sex", "by_age", "profile_bias")


def two_methods(parent, *, takes=(9,), people=24):
    """A study of a wrist method and a run, both of everybody, women and men, of whom some take a drug."""
    study = write_exposed(parent, people, raw=False)
    told = pd.read_csv(study / "athletes.csv")
    place = np.arange(len(told))
    told["sex"] = np.where(place % 2, "female", "male")
    told["hr_limiting_drug"] = np.where(np.isin(place, takes), "yes", "no")
    told.to_csv(study / "athletes.csv", index=False)
    return study


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    """The squad report and the audit of 24 people, of whom one woman takes a drug."""
    study = two_methods(tmp_path_factory.mktemp("both"))
    return open_both(study)


def sizes_shown(frame):
    """How many people each shown group has, by analysis and method."""
    shown = frame[frame["value"].notna()]
    return shown.groupby(["analysis", "method", "group"])["n"].max()


def told_of_those_in_one_alone(frame):
    """Return traits of the one to four who are in one method alone, by subtraction of what is shown."""
    sizes = sizes_shown(frame)
    whole = sizes["limits_of_agreement"].xs("all", level="group")
    found = {}
    for one, other in combinations(whole.index, 2):
        apart = abs(int(whole[one] - whole[other]))
        for analysis in BY_TRAIT if 0 < apart < FEWEST else ():
            own = [sizes.get(analysis, pd.Series()).xs(m, level="method") for m in (one, other)
                   if (analysis, m) in sizes.index.droplevel("group")]  # fmt: skip
            if len(own) == 2:
                less = (own[0] - own[1]).drop("all", errors="ignore").dropna()
                found |= {(analysis, group): n for group, n in less.items()}
    return found


def test_groups_of_two_methods_do_not_tell_the_sex_of_the_one_who_takes_a_drug(both):
    squad, audit = (report.told.frame for report in both)
    told = told_of_those_in_one_alone(squad)  # unguarded: the one is a woman
    assert abs(told["by_sex", "female"]) == 1
    assert told["by_sex", "male"] == 0
    assert told_of_those_in_one_alone(audit) == {}
    shown = sizes_shown(audit)
    assert shown["by_sex"].xs("female", level="group").tolist() == [12]  # of one method they stay
    assert {*shown.loc["limits_of_agreement"].xs("all", level="group")} == {23, 24}


def counted_in_the_list(report):
    """Return the sexes, and the confirmed tests, that the protocol list counts."""
    html = report.protocol_list().html
    found = {sex: re.search(rf"(\d+) {sex}\b", html) for sex in SEXES}
    found["confirmed"] = re.search(r"(\d+) of \d+ paired tests confirmed", html)
    return {name: int(one[1]) for name, one in found.items() if one}


def test_neither_does_the_list_of_what_was_measured_on_whom(both):
    """It counts everybody who counts somewhere: less the women of one method, she is left."""
    squad, audit = both
    assert counted_in_the_list(squad)["female"] == 12
    assert counted_in_the_list(audit) == {"confirmed": 0}
    assert "5 or more female, 5 or more male" in audit.protocol_list().html


def inputs_told(report):
    """Return of how many an input is to be corrected, as the section says it, by method."""
    found = re.findall(r"<p>(\w+): an input to correct for ([\w ]+) of (\d+)", report.inputs().html)
    return {method: (some, int(of)) for method, some, of in found}


@pytest.mark.parametrize("lack", [1, *slowly([5])])
def test_what_was_told_wrongly_of_those_who_lack_a_method_is_not_counted(tmp_path, lack):
    """Each device was told the masses of the study: of all nine, or of all but his who lacks one."""
    study = two_methods(tmp_path, takes=())
    (study / "field_tests.csv").unlink()
    values = pd.read_csv(study / "field_estimates.csv")
    who = values["athlete_id"].str[2:4]
    values["set_mass_kg"] = np.where(who.isin([str(k) for k in range(10, 19)]), 90, 70)
    gone = [str(k) for k in range(10, 10 + lack)]
    band = values[~who.isin(gone)].assign(method="band")
    band["vo2max_ml_kg_min"] += np.resize([0.7, -1.3, 2.1, 0.4, -0.9], len(band))
    pd.concat([values, band]).to_csv(study / "field_estimates.csv", index=False)
    squad, audit = (inputs_told(open_report(study, kind=kind)) for kind in ("squad", "audit"))
    assert squad == {"wrist": ("9", 24), "band": (str(9 - lack), 24 - lack)}
    assert audit == ({"wrist": ("9", 24)} if lack < FEWEST else {**squad, "band": ("1 to 4", 19)})


@pytest.mark.parametrize(
    ("both", "visits", "right", "some"),
    [(2, 2, None, "9"), (2, 1, 17, "5 or more"), *slowly([(0, 1, 15, "9")])],
)
def test_who_has_a_right_and_a_wrong_setting_is_not_counted(tmp_path, both, visits, right, some):
    """Of 24 people nine are told a wrong mass of late, so many of them not before."""
    study = two_methods(tmp_path, takes=())
    (study / "field_tests.csv").unlink()
    tests = pd.read_csv(study / "lab_tests.csv")
    once = tests["lab_test_id"].isin([f"LC{k}" for k in range(28, 34)])
    tests[~once | (visits == 2)].to_csv(study / "lab_tests.csv", index=False)
    values = pd.read_csv(study / "field_estimates.csv")
    number = pd.to_numeric(values["athlete_id"].str[2:4], errors="coerce")
    late = values["taken_at"] > "2037-06-10"
    values["set_mass_kg"] = np.where((number < 19) & ((number >= 10 + both) | late), 90, 70)
    values.to_csv(study / "field_estimates.csv", index=False)
    squad, audit = open_both(study)
    assert inputs_told(squad) == {"wrist": ("9", 24)}
    assert inputs_told(audit) == {"wrist": (some, 24)}
    shown = audit.told.numbers.get("choice_of_pairs", "bias", "wrist", "run", RIGHT_INPUTS)
    assert (shown.n if shown.known else None) == right


@pytest.mark.slow
def test_neither_is_who_lies_outside_the_range_of_an_equation(tmp_path):
    """Two field tests for the same ages; one of the seven who are older has the first alone."""
    study = two_methods(tmp_path, takes=())
    told = pd.read_csv(study / "athletes.csv")
    told.loc[told.index[:7], "birth_year"] = 1957
    told.to_csv(study / "athletes.csv", index=False)
    runs = pd.read_csv(study / "field_tests.csv")
    level = 8 + 0.25 * (np.arange(len(runs)) % 7)
    more = runs.assign(protocol="shuttle_20m_1988_adult", stage=level, speed_km_h=8 + level / 2)
    more["field_test_id"] = "G" + more["field_test_id"]
    pd.concat([runs, more.iloc[1:]]).to_csv(study / "field_tests.csv", index=False)
    squad, audit = (
        open_report(study, kind=kind).out_of_range().html for kind in ("squad", "audit")
    )
    counts = [re.findall(r"<td[^>]*>(\d+)</td>", one) for one in (squad, audit)]
    assert counts == [["24", "7", "23", "6"], ["24", "7"]]
    assert "Withheld" in audit


def test_of_one_method_the_list_counts_those_of_its_groups(tmp_path):
    study = two_methods(tmp_path, takes=())
    (study / "field_tests.csv").unlink()
    audit = open_report(study, kind="audit")
    told = counted_in_the_list(audit)
    sizes = sizes_shown(audit.told.frame)["by_sex"].droplevel("method")
    assert {sex: told[sex] for sex in sizes.index} == sizes.to_dict() == {"female": 12, "male": 12}


def test_who_reached_a_maximum_is_not_counted_where_the_group_is_withheld(tmp_path):
    study = two_methods(tmp_path)
    tests = pd.read_csv(study / "lab_tests.csv")
    is_low = tests["athlete_id"].isin([f"QX{k}" for k in range(10, 18)])
    tests = tests.assign(plateau=np.where(is_low, "no", "yes"), rer_max=np.where(is_low, 0.9, 1.2))
    tests.to_csv(study / "lab_tests.csv", index=False)
    squad, audit = (one.funnel().html for one in open_both(study))
    last = [re.findall(r"<td[^>]*>([^<]*)</td>\s*</tr>", one) for one in (squad, audit)]
    assert last == [["16", "15"], ["16", "5 or more"]]


@pytest.mark.parametrize("seed", range(20))
def test_no_step_of_the_funnel_tells_how_few_were_lost_since_the_one_before(seed):
    rng = np.random.default_rng(seed)
    counts = np.cumsum(rng.choice([0, 1, 2, 4, 5, 9], 4)) + 20
    every = int(counts[-1] + rng.choice([0, 2, 7]))
    told = _outwards(counts[1:].tolist(), int(counts[0]), every)
    exact = [int(counts[0])] + [int(one) for one in told if one.isdigit()]
    all_but_one = (every - 1, every)  # a range of one number hides nothing
    assert not [
        two for two in pairwise(exact) if 0 < two[1] - two[0] < FEWEST and two != all_but_one
    ]
    for count, one in zip(counts[1:], told, strict=True):
        low, _, high = one.partition(" to ")
        assert int(low) <= count <= int(high or low)


def subsets_of_people(seed):
    """Up to four methods of thirty people, each without a few or many of them; some came twice."""
    rng = np.random.default_rng(seed)
    everybody = [f"A{k:02}" for k in range(30)]
    twice = set(rng.choice(everybody, rng.integers(0, 4), replace=False))
    members = {}
    for k in range(rng.integers(2, 5)):
        gone = set(rng.choice(everybody, rng.choice([0, 1, 2, 3, 5, 8]), replace=False))
        pairs = [(who, "T0") for who in everybody if who not in gone]
        pairs += [(who, "T1") for who in sorted(twice - gone) if rng.random() < 0.8]
        women = [one for one in pairs if int(one[0][1:]) % 2]
        both = {"female": women, "male": sorted({*pairs} - {*women})}
        parts = {("by_sex", sex): frozenset(own) for sex, own in both.items()}
        members[f"m{k}", "run"] = {WHOLE: frozenset(pairs)} | parts
    return members


def table_of(members):
    rows = [
        (analysis, *place, group, float(len({a for a, _ in own})), float(len(own)))
        for place, groups in members.items()
        for (analysis, group), own in groups.items()
    ]
    names = ["analysis", "method", "mode", "group", "n", "n_pairs"]
    return pd.DataFrame(rows, columns=names)


def few_held_by_sums(members, shown):
    """Return a sum of whole methods, each once or taken away, that holds one to four people alone."""
    for weights in product((-1, 0, 1), repeat=len(shown)):
        by_pair, by_person = {}, {}
        for weight, place in zip(weights, shown, strict=True):
            whole = members[place][WHOLE]
            for pair in whole:
                by_pair[pair] = by_pair.get(pair, 0) + weight
            for who in {who for who, _ in whole}:
                by_person[who] = by_person.get(who, 0) + weight
        left = [
            {who for (who, _), n in by_pair.items() if n},
            {w for w, n in by_person.items() if n},
        ]
        if any(0 < len(some) < FEWEST for some in left):
            return weights
    return None


def test_criteria_of_maximal_effort_are_of_the_tests_of_those_who_count(tmp_path):
    """Five of the others did not reach a plateau; whether the one under a drug did is not told."""
    study = two_methods(tmp_path)
    (study / "field_tests.csv").unlink()
    tests = pd.read_csv(study / "lab_tests.csv")
    not_met = [f"QX{k}" for k in (10, 11, 12, 13, 14, 19)]  # QX19 takes a drug
    tests["plateau"] = np.where(tests["athlete_id"].isin(not_met), "no", "yes")
    tests.to_csv(study / "lab_tests.csv", index=False)
    told = [re.findall(r"<td[^>]*>([^<]*)</td>", one.effort().html)[:3] for one in open_both(study)]
    assert told == [["36", "12", "0"], ["36", "10", "0"]]


@pytest.mark.parametrize(("lacks", "hidden"), [(0, False), (1, True), (4, True), (5, False)])
def test_of_those_under_a_drug_one_who_lacks_a_method_is_not_told_by_trait(lacks, hidden):
    """All others have both methods; of eleven under a drug so many lack the second."""
    others, drug = ([(f"{c}{k:02}", "T") for k in range(n)] for c, n in (("A", 20), ("D", 11)))
    members = {}
    for place, under in ((("m0", "run"), drug), (("m1", "run"), drug[lacks:])):
        members[place] = {WHOLE: frozenset(others), DRUG: frozenset(under)}
        members[place] |= {
            ("by_sex", sex): frozenset(others[k::2]) for k, sex in enumerate(SEXES[:2])
        }
    gone = hidden_groups(table_of(members), members)
    assert ((*DRUG[:1], "m1", "run", DRUG[1]) in gone) == hidden
    assert not {name for name in gone if name[1] == "m0"}


@pytest.mark.parametrize(
    ("shared", "two", "shown"),
    [((24, 30), (24, 30), True), ((24, 29), (24, 29), False), ((15, 15), (17, 17), False),
     ((14, 14), (19, 25), True)],
)  # fmt: skip
def test_comparisons_differ_by_no_few_from_a_method_or_from_what_all_share(shared, two, shown):
    """One who has a second test in a method alone; two whom these two methods share and others do not."""
    rows = [("limits_of_agreement", m, "all", n, n_pairs)
            for m, n, n_pairs in (("a", 24, 30), ("b", 30, 36))]  # fmt: skip
    rows += [("closer", m, "all", *shared) for m in ("a", "b")]
    rows += [("closer", "a vs b", "two methods", *two), ("two_estimators", "a vs b", "all", *two)]
    frame = pd.DataFrame(rows, columns=["analysis", "method", "group", "n", "n_pairs"])
    frame = frame.assign(mode="run", statistic="rmse", value=1.0, low=0.0, high=2.0, note="")
    out = without_small_cells(frame.astype({"n": float, "n_pairs": float}), gone=())
    told = out[out["method"] == "a vs b"]["value"].notna()
    assert told.tolist() == [shown] * 2


def test_a_pairing_rule_that_moves_the_values_of_a_few_is_withheld():
    """All but three have one reading: first, last and mean are the same value."""
    pairs = pd.DataFrame({"athlete_id": [f"A{k}" for k in range(12)]}).assign(field=50.0)
    pairs["lab_test_id"] = pairs["athlete_id"]

    def rule(moved, by=2.0):
        return pairs.assign(field=pairs["field"] + by * (pairs.index < moved))

    rules = {"summary_mean": rule(0), "summary_last": rule(3), "summary_median": rule(6)}
    rules |= {"summary_nearest": rule(8), "half_window": rule(8, by=3.0).iloc[2:]}
    one = SimpleNamespace(
        method="w", mode="run", data=SimpleNamespace(pairs=pairs, other_rules=rules)
    )
    # of 3; of 2 besides those of the median; without 2
    few = {"summary_last", "summary_nearest", "half_window"}
    assert few_by_rule([one]) == {("pairing_rule", "w", "run", name) for name in few}


def test_pairing_rules_of_a_method_without_a_pair_that_counts_tell_nothing():
    pairs = pd.DataFrame({"athlete_id": [], "lab_test_id": [], "field": []})
    rules = {"summary_mean": pairs, "summary_last": pairs}
    one = SimpleNamespace(
        method="w", mode="run", data=SimpleNamespace(pairs=pairs, other_rules=rules)
    )
    assert few_by_rule([one]) == set()


@pytest.mark.parametrize("others", [2, *slowly([6])])
def test_a_sum_of_pairing_rules_does_not_tell_the_values_of_a_few(tmp_path, others):
    """Nearest less half window less median plus mean is what the readings of two differ by."""
    days = [
        *[{1: 52, 2: 52, 5: 50, 6: 50}]
        * 6,  # mean and median 51, half the window 52, as the nearest
        *[{1: 52, 2: 52, 3: 49}] * 6,  # mean 51, median 52, as the nearest
        *[{1: 54, 2: 48}] * others,  # only the nearest is another
        *[{1: 51, 2: 51}] * 12,
    ]
    who = [f"QX{k + 10}" for k in range(len(days))]
    lab = 50 + np.resize([0.3, -1.2, 2.4, -3.1, 1.9], len(who)) + np.arange(len(who)) / 7
    tests = pd.DataFrame({"athlete_id": who, "lab_test_id": who, "vo2max_ml_kg_min": lab.round(2)})
    tests.assign(date="2026-03-20", mode="run").to_csv(tmp_path / "lab_tests.csv", index=False)
    read = [
        (one, f"2026-03-{20 - day:02}T08:00", value + k / 5)
        for k, (one, own) in enumerate(zip(who, days, strict=True))
        for day, value in own.items()
    ]
    frame = pd.DataFrame(read, columns=["athlete_id", "taken_at", "vo2max_ml_kg_min"])
    frame = frame.assign(method="wrist", mode="run")
    frame.to_csv(tmp_path / "field_estimates.csv", index=False)
    (tmp_path / "study.toml").write_text('[study]\ntime_zone = "UTC"\n', encoding="utf-8")
    squad, audit = open_both(tmp_path)
    rules = ["summary_nearest", "half_window", "summary_median"]
    bias, told = (
        one.told.frame.query("analysis == 'pairing_rule' and statistic == 'bias'")
        .set_index("group")["value"]
        .reindex(rules)
        for one in (squad, audit)
    )
    whole = squad.told.numbers.get("limits_of_agreement", "bias", "wrist", "run").value
    sums = (bias.iloc[0] - bias.iloc[1] - bias.iloc[2] + whole) * len(who)
    assert sums == pytest.approx(3 * others)
    assert bool(told.notna().all()) == (others >= FEWEST)
    assert told.notna().any()


@pytest.mark.parametrize("seed", range(25))
def test_no_sum_of_methods_that_show_a_trait_holds_a_few_people_alone(seed):
    members = subsets_of_people(seed)
    gone = hidden_groups(table_of(members), members, asked=["m1"])
    hidden = {name[1:3] for name in gone if name[0] == "by_sex"}
    shown = [place for place in members if place not in hidden]
    assert few_held_by_sums(members, shown) is None
    assert ("m1", "run") in shown  # what the study asks about stays
    for place in hidden:  # none goes without need
        assert few_held_by_sums(members, [*shown, place]) is not None
    by_sizes = hidden_groups(table_of(members))  # who stands in them is not known
    sizes = {p: (len({a for a, _ in own[WHOLE]}), len(own[WHOLE])) for p, own in members.items()}
    told = [sizes[p] for p in members if ("by_sex", *p, "female") not in by_sizes]
    assert all(a == b or abs(a[0] - b[0]) >= FEWEST for a, b in combinations(told, 2))


def test_of_many_methods_no_two_that_show_a_trait_differ_by_a_few_people():
    rng = np.random.default_rng(1)
    members = {}
    for k in range(60):
        gone = set(rng.choice(30, rng.choice([0, 1, 2, 3, 8]), replace=False))
        own = frozenset((f"A{who:02}", "T0") for who in range(30) if who not in gone)
        members[f"m{k:02}", "run"] = {WHOLE: own, ("by_sex", "female"): own}
    hidden = {name[1:3] for name in hidden_groups(table_of(members), members)}
    shown = [place for place in members if place not in hidden]
    assert 1 < len(shown) < 60
    assert all(few_held_by_sums(members, two) is None for two in combinations(shown, 2))


def test_neither_do_three_of_many_methods():
    """The first is of all thirty, the second of seventeen, the third of eleven others."""
    of = [range(30), range(17), range(17, 28), *[range(30)] * 20]
    members = {
        (f"m{k:02}", "run"): {
            WHOLE: frozenset((f"A{who:02}", "T0") for who in own),
            ("by_sex", "female"): frozenset((f"A{who:02}", "T0") for who in own if who % 2),
        }
        for k, own in enumerate(of)
    }
    first = list(members)[:3]
    assert few_held_by_sums(members, first) is not None
    assert all(few_held_by_sums(members, two) is None for two in combinations(first, 2))
    hidden = {name[1:3] for name in hidden_groups(table_of(members), members)}
    assert hidden == {("m02", "run")}


def test_these_cohorts_would_tell_of_a_few():
    told = [
        few_held_by_sums(members, list(members)) for members in map(subsets_of_people, range(25))
    ]
    assert 12 < sum(one is not None for one in told) < 25


@pytest.mark.parametrize(
    ("never", "once", "hidden"), [(0, 6, False), (4, 6, True), (5, 6, False), (5, 4, True)]
)
def test_how_many_have_a_trait_in_some_tests_of_theirs_is_not_told_exactly(never, once, hidden):
    """Of 20 who came twice, so many were confirmed in neither test, so many others in one."""
    people = [f"A{k:02}" for k in range(20)]
    pairs = [(who, visit) for who in people for visit in "ab"]
    out = {(who, visit) for who in people[:never] for visit in "ab"}
    out |= {(who, "a") for who in people[never : never + once]}
    sets = {WHOLE: frozenset(pairs)}
    sets["limits_of_agreement", "confirmed"] = frozenset({*pairs} - out)
    sizes = {g: (len({who for who, _ in own}), len(own)) for g, own in sets.items()}
    assert bool(withheld(sizes, sets)) == hidden


def test_people_in_two_parts_are_not_counted_by_the_sum_of_the_parts():
    """20 people, 11 and 12 of whom have a test in a profile: three changed it."""
    pairs = [(f"A{k:02}", "a") for k in range(20)] + [(f"A{k:02}", "b") for k in range(8, 11)]
    long = frozenset(one for one in pairs[:20] if int(one[0][1:]) < 11)
    sets = {WHOLE: frozenset(pairs), ("profile_bias", "long"): long}
    sets["profile_bias", "short"] = sets[WHOLE] - long
    sizes = {g: (len({who for who, _ in own}), len(own)) for g, own in sets.items()}
    assert sizes["profile_bias", "short"][0] + sizes["profile_bias", "long"][0] == 23
    assert len(withheld(sizes, sets)) >= 1


@pytest.mark.parametrize(("asked", "shown"), [(20, True), (21, False), (24, False), (25, True)])
def test_those_asked_are_not_told_beside_nearly_as_many_in_the_results(asked, shown):
    """The others have no laboratory test of that time, or take a drug."""
    names = ["analysis", "n"]
    rows = [("limits_of_agreement", 20.0), ("no_number", float(asked))]
    frame = pd.DataFrame(rows, columns=names).assign(method="m", mode="run", group="all")
    gone = hidden_groups(frame.assign(n_pairs=20.0))
    assert (("no_number", "m", "run", "all") not in gone) == shown
