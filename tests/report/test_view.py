"""What may be shown is decided once, before any section: no section asks who reads."""

import re
from dataclasses import replace
from inspect import signature
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from opened import Opened

import agreement
from agreement import report
from agreement.cohort import read_cohort
from agreement.pairing.tally import WithoutPair
from agreement.report.privacy.by_pairs import (
    few_by_pair,
    few_of_a_sign,
    few_on_a_line,
    few_within,
)
from agreement.report.privacy.cells import hidden_groups, members_of
from agreement.report.privacy.privacy import hidden_parts
from agreement.report.privacy.view import Released, View
from agreement.report.sections.comparison_sections import limits_tried
from agreement.report.shown.told import Told, hidden, told_of
from agreement.stats.basics.spans import Span
from agreement.tables.options import StudyOptions

SPAN = Span(1.0, 6.0, 2.0, 3.0)
ROOT = Path(agreement.__file__).parent


TEXTS = {
    path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8")
    for path in ROOT.rglob("*.py")
}


def test_no_parameter_and_no_attribute_says_that_somebody_must_be_discreet():
    assert [name for name, text in TEXTS.items() if re.search(r"\bdiscreet\b", text)] == []


def test_only_what_opens_a_report_chooses_what_is_released():
    """Each of these chooses once: a study in memory, a registry in parts."""
    chosen = r"(?<!class )\bReleased\(|\breleased_registry\("
    users = {
        name
        for name, text in TEXTS.items()
        if name != "report/privacy/view.py" and re.search(chosen, text)
    }
    assert users == {"report/shown/told.py", "report/run/registry.py"}


@pytest.fixture(scope="module")
def views(small_study, tmp_path_factory):
    cohort = read_cohort(small_study(tmp_path_factory.mktemp("view") / "crew", visits=2))
    return cohort, View(cohort), Released(cohort)


def test_those_who_keep_a_study_see_all_of_it(views):
    cohort, house, _ = views
    assert house.results is cohort.results
    assert house.rows(cohort.pairs) is cohort.pairs
    assert (house.count(3), house.groups({"a": 3}), house.span(SPAN, 3)) == ("3", {"a": 3}, SPAN)


def test_what_is_released_has_no_row_of_a_person_and_no_count_of_few(views):
    cohort, house, out = views
    assert out.rows(cohort.pairs) is None
    assert (out.count(3), out.count(18, 20), out.count(9)) == ("1 to 4", "16 to 19", "9")
    assert out.groups({"male": 3, "female": 17}) is None
    assert out.groups({"male": 13, "female": 7}) == {"male": 13, "female": 7}
    assert (out.span(SPAN, 5), out.span(SPAN, 4)) == (
        Span(None, None, None, 3.0),
        Span(*[None] * 4),
    )
    assert out.kept_back == []
    assert out.results.of_laboratory("laboratory_change") == {}
    for name in ("pairs", "athlete_cards"):
        tables = {"results": out.frame, "exclusions": cohort.exclusions, "flow": cohort.flow}
        assert out.tables(tables | {name: cohort.pairs})[name].empty
    assert all(one.verdict.first_lab_date is None for one in out.results.methods)
    assert any(one.verdict.first_lab_date is not None for one in house.results.methods)


@pytest.mark.parametrize(
    ("sizes", "told"),
    [
        ((12, 9, 2), ["12", "5 or more", "1 to 4"]),  # else 23 less 21
        ((20, 7, 0), ["20", "7", "0"]),
        ((20, 3, 2), ["20", "1 to 4", "1 to 4"]),
        ((18, 2), ["16 to 19", "1 to 4"]),
        ((20, 0), ["20", "0"]),
        ((2, 1), ["1 to 3", "1 to 3"]),
    ],
)
def test_a_count_of_few_does_not_follow_from_those_of_the_other_parts(views, sizes, told):
    _, house, out = views
    names = "abc"[: len(sizes)]
    of = pd.Series(np.repeat(list(names), sizes))
    people = pd.Series([f"A{k}" for k in range(len(of))])  # one row each
    assert list(house.parts(names, of, people).values()) == list(map(str, sizes))
    assert list(out.parts(names, of, people).values()) == told


@pytest.mark.parametrize(
    ("whose", "told"),
    [
        ({"A0": 8}, ["5 or more", "5 or more"]),  # 22 tests less 14 would be those of one person
        ({"A0": 2, "A1": 1, "A2": 6}, ["5 or more", "5 or more"]),
        ({f"A{k}": 2 for k in range(5)}, ["14", "10"]),
    ],
)
def test_many_tests_of_a_few_people_are_no_count_either(views, whose, told):
    *_, out = views
    some = np.repeat(list(whose), list(whose.values()))
    people = pd.Series([*some, *(f"B{k}" for k in range(14))])
    of = pd.Series(["not met"] * len(some) + ["met"] * 14)
    assert list(out.parts(("met", "not met"), of, people).values()) == told


def test_an_audit_of_a_method_of_three_counts_nobody_and_says_whole_sentences(
    small_study, tmp_path
):
    """Three wore it, one of them came often: 3 in the funnel, his tests and sensor would be theirs."""
    study = small_study(tmp_path / "crew", athletes=15, visits=1)
    readings = pd.read_csv(study / "field_estimates.csv").assign(sensor="wrist_optical")
    theirs = readings["athlete_id"].isin(["A00", "A01", "A02"])
    tiny = readings[theirs].assign(method="tiny", sensor="chest_strap")
    pd.concat([readings, tiny]).to_csv(study / "field_estimates.csv", index=False)
    shown = Opened(read_cohort(study), kind="audit")
    funnel = shown.funnel().html
    assert re.search(r">tiny<.*?>1 to 4<.*?>1 to 4<.*?>1 to 4<.*?>1 to 4<", funnel, re.DOTALL)
    words = " ".join(re.sub(r"<[^>]+>", " ", shown.verdict().html).split())
    assert "Whether wrist meets" in words or re.search(r"\bwrist (meets|does not meet)", words)
    assert "the two apart" not in words
    assert not re.search(r"(^|[.>] ?); ", words)
    assert "chest strap 1 to 4 pairs" in shown.protocol_list().html


@pytest.mark.parametrize(("people", "drawn"), [(4, False), (5, True)])
def test_the_laboratorys_noise_is_drawn_from_five_people_on(people, drawn):
    tests = {
        "athlete_id": [f"A{k // 2}" for k in range(2 * people)],
        "lab_test_id": [f"T{k // 2}" for k in range(2 * people)],
        "lab": [50.0 + k % 2 for k in range(2 * people)],
    }
    data = SimpleNamespace(repeats=pd.DataFrame(tests), options=StudyOptions())
    noise = object.__new__(Released).noise(data)
    assert (noise is not None) is drawn


@pytest.mark.parametrize(
    ("sizes", "whole", "hidden"),
    [
        ({"a": 3, "b": 9, "c": 20}, 32, {"a", "b"}),  # all less the others are the three
        ({"a": 3, "b": 9, "c": 20}, float("nan"), {"a", "b"}),  # so by those hidden alone
        ({"a": 9, "b": 20}, 32, {"a"}),  # three are in no part
        ({"a": 9, "b": 20}, float("nan"), set()),
        ({"a": 5, "b": 20}, 30, set()),  # five may be told
        ({"a": 4, "b": 1, "c": 20}, 25, {"a", "b"}),  # five together
    ],
)
def test_parts_are_hidden_until_those_who_follow_are_five(sizes, whole, hidden):
    assert hidden_parts(sizes, whole) == hidden


def test_noise_that_is_drawn_is_to_the_decimal_of_print(views):
    _, house, out = views
    exact, shown = (one.noise(house.results.methods[0].data) for one in (house, out))
    if exact is not None:
        assert shown == pytest.approx(np.round(exact, 1), abs=1e-12)


def test_the_sections_of_an_audit_name_nobody(views):
    cohort, _, _ = views
    audit = Opened(cohort, kind="audit")
    ids = set(map(str, cohort.pairs["athlete_id"]))
    for section in ("next_steps", "effort", "inputs", "out_of_range", "profiles", "left_out"):
        html = getattr(audit, section)().html
        assert not [one for one in ids if f">{one}<" in html or f" {one}," in html], section


def named_by(cohort):
    """Return the sections of a cohort that name an athlete or a test, asked for as a script may."""
    ids = {*map(str, cohort.study.athletes["athlete_id"])}
    ids |= {*map(str, cohort.laboratory.frame["lab_test_id"])}
    found = set()
    for name in report.__all__:
        section = getattr(report, name)
        if next(iter(signature(section).parameters), "") != "cohort" or name in NO_SECTIONS:
            continue
        words = set(re.findall(r"[\w.-]+", re.sub("<[^>]+>", " ", section(cohort).html)))
        if words & ids:
            found.add(name)
    return found


NO_SECTIONS = ("Page", "pseudonymous")


def test_no_section_of_a_hidden_cohort_names_anybody_whatever_kind_it_is_asked_for(views):
    cohort, _, _ = views
    assert {"athletes", "maxima"} <= named_by(cohort)
    assert named_by(hidden(cohort)) == set()


@pytest.mark.slow
def test_no_section_of_the_demo_with_pseudonyms_shows_one():
    cohort = read_cohort(ROOT.parent / "demo_cohort")
    assert {"athletes", "maxima", "laboratory", "why", "borderline"} <= named_by(cohort)
    assert named_by(report.pseudonymous(cohort)) == set()


def test_limits_of_another_coverage_are_rounded_and_withheld_as_the_others(views):
    cohort, _, out = views
    tried = Told(hidden(cohort), limits_tried(told_of(hidden(cohort)), 0.9)).frame
    gone = out.frame["value"].isna().to_numpy()
    assert tried["value"].isna().to_numpy()[gone].all()
    bias = tried.loc[tried["statistic"].isin(["lower_limit", "upper_limit"]), "value"].dropna()
    assert len(bias) > 0
    assert np.abs(bias - bias.round(1)).max() < 1e-9


def test_how_far_a_few_read_high_is_kept_back_of_an_audit_and_of_a_share(small_study, tmp_path):
    study = small_study(tmp_path / "crew", visits=1)
    readings = pd.read_csv(study / "field_estimates.csv")
    high = readings["athlete_id"].isin(["A02", "A05"])
    readings["vo2max_ml_kg_min"] += np.where(high, 12.0, -6.0)
    readings.to_csv(study / "field_estimates.csv", index=False)
    cohort = read_cohort(study)
    d = cohort.pairs.set_index("athlete_id")["difference"]
    assert set(d.index[d > 0]) == {"A02", "A05"}
    kept_back = View(cohort).kept_back
    own = Released(cohort).frame.set_index(["analysis", "statistic"])["value"]
    for place in ("mae", "mape"):
        assert ("error", "wrist", "run", "all", place) in kept_back
        assert np.isnan(own["error", place])
        assert own["error", "rmse"] > 0


def test_who_stands_in_a_group_decides_and_not_how_many(opened):
    """The groups that are kept back are those of their people."""
    cohort = opened(visits=1).cohort
    members = members_of(cohort.results.methods)["wrist", "run"]
    assert len(members["limits_of_agreement", "all"]) == 14
    female = members["by_sex", "female"]
    assert {athlete for athlete, _ in female} == {f"A{k:02}" for k in range(0, 14, 2)}
    known = hidden_groups(cohort.results.frame, members_of(cohort.results.methods))
    pairs = {("wrist", "run"): cohort.pairs}
    by_pairs = few_of_a_sign(pairs) | few_by_pair(pairs) | few_within(pairs, 9.0)
    by_pairs |= few_on_a_line(pairs)
    assert known | by_pairs == {*View(cohort).kept_back}


def test_a_method_of_a_few_without_a_pair_is_not_named_in_an_audit(opened):
    found = (WithoutPair("few", 4, "mode_mismatch"), WithoutPair("many", 5, "mode_mismatch"))
    cohort = opened(visits=1).cohort
    cohort = replace(cohort, pairing=replace(cohort.pairing, without_pair=found))
    assert View(cohort).without_pair == found
    assert Released(hidden(cohort)).without_pair == found[1:]
