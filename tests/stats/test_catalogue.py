"""The catalogue: what records declare, found where they stand."""

from dataclasses import replace
from importlib import import_module

import pytest

from agreement.stats import catalogue
from agreement.stats.catalogue import ANALYSES, BY_NAME, EVERY, describe, statistic_of
from agreement.stats.record import KINDS, OURS, Analysis, Statistic, declared, recorded
from agreement.terms import UNIT

A_NUMBER = Statistic("height", "height", "How high.", "counted", "nobody")
RECORD = BY_NAME["trend"]


def test_the_records_of_every_room_are_there_once():
    names = [one.name for one in ANALYSES]
    assert len(names) == len(set(names))
    assert {"limits_of_agreement", "by_sex", "drift", "across_modes", "two_estimators"} <= {*names}
    assert names[0] == "limits_of_agreement"


def test_a_record_needs_a_privacy_kind():
    with pytest.raises(TypeError, match="privacy"):
        Analysis(name="toy", place=1, label="toy", statistics=(A_NUMBER,))
    for kind in (None, "parts", 3):
        with pytest.raises(ValueError, match="Privacy"):
            Analysis(name="toy", place=1, label="toy", statistics=(A_NUMBER,), privacy=kind)
    for head in ("toy, place 1: toy", "toy, place 1, parts: toy", "toy, place 1, whole, any: toy"):
        with pytest.raises(ValueError, match=r"privacy kind|Privacy"):
            recorded(head, A_NUMBER)


def test_a_record_may_not_contradict_itself():
    with pytest.raises(ValueError, match="twice"):
        replace(RECORD, statistics=(A_NUMBER, A_NUMBER))
    with pytest.raises(ValueError, match="not at all"):
        replace(RECORD, unless_possible=(("all", ("depth",)),))
    with pytest.raises(ValueError, match="not at all"):
        replace(RECORD, of_all_groups=("depth",))
    with pytest.raises(ValueError, match="share the name or the place"):
        catalogue._in_order([RECORD, replace(RECORD, name="toy")])
    with pytest.raises(ValueError, match="share the name or the place"):
        catalogue._in_order([RECORD, replace(RECORD, place=9999)])
    with pytest.raises(ValueError, match="not before it"):
        catalogue._in_order([replace(RECORD, of="verdict")])


def test_a_text_declares_statistics_in_its_order():
    found = declared(
        A_NUMBER,
        """
        depth [1]: depth: of all
          How deep
          it goes.
          = height less height; halved,
          at times | Somebody 1950; her
          sister 1951
        wide [%] .0 of n from 50 by sign by pair: width of it all / width
          = counted
        deep [p]: p of a depth
          How deep.
          = as depth
        """,
        replace(A_NUMBER, name="last"),
        "after: after the last",
    )
    depth = Statistic(
        "depth", "depth: of all", "How deep it goes.", "height less height; halved, at times",
        "Somebody 1950; her sister 1951", "1", 2,
    )  # fmt: skip
    assert [one.head for one in found][1:3] == ["depth: of all", "width"]
    assert found == (
        A_NUMBER,
        depth,
        Statistic(
            "wide",
            "width of it all",
            depth.meaning,
            "counted",
            OURS,
            "%",
            0,
            "n",
            50.0,
            "width",
            True,
            True,
        ),
        Statistic("deep", "p of a depth", "How deep.", depth.formula, depth.source, "1", 3),
        replace(A_NUMBER, name="last"),
        replace(A_NUMBER, name="after", label="after the last"),
    )


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("depth", "no statistic is declared by 'depth'"),
        ("a depth: depth\n  How.\n  = so", "no statistic"),
        ("depth: depth\n  How deep.", "lacks a meaning or a formula"),
        ("depth: depth\n  = counted", "lacks"),
        ("depth: depth\n  How deep.\n  = as heigth", "lacks"),
        ("depth: depth\nHow deep.\n  = counted", "lacks"),
    ],
)
def test_a_text_that_declares_nothing_is_refused(text, match):
    with pytest.raises(ValueError, match=match):
        declared(text)


@pytest.mark.parametrize("analysis", EVERY, ids=lambda one: one.name)
def test_every_statistic_is_told_in_words_with_its_source(analysis):
    assert analysis.label
    assert set(analysis.shown_in) <= set(KINDS)
    for one in analysis.statistics:
        assert all((one.label, one.formula, one.source)), one
        assert one.meaning.endswith("."), one
        assert one.meaning[0] == one.meaning[0].upper(), one
        assert not one.formula.endswith("."), one
        assert one.unit in {UNIT, "1", "%", f"({UNIT})^2", "bpm", "mL/kg/km"}, one
        assert 0 <= one.digits <= 3, one


def test_a_name_a_label_and_a_word_of_the_glossary_can_be_looked_up():
    assert "mean of |d|" in describe("mae")
    assert describe("error/mae") == describe("mae") == describe("Mean absolute error")
    assert describe("trend").startswith("trend: difference against fitness")
    assert len(describe("slope").splitlines()) > 6  # several analyses mean different things by it
    assert describe("VO2max").startswith("VO2max: highest oxygen uptake")


def test_a_name_that_nothing_has_tells_the_nearest():
    with pytest.raises(KeyError, match="near: sd_of_differences"):
        describe("sd_of_diferences")
    with pytest.raises(KeyError, match="Nothing is called 'zzzz'"):
        describe("zzzz")


def test_units_hang_on_the_analysis():
    assert statistic_of("mass_mismatch", "slope").unit == "1"
    assert statistic_of("budget", "total").unit == "(mL/kg/min)^2"
    assert statistic_of("error", "mape").unit == "%"
    assert statistic_of("change", "bias").unit == UNIT


@pytest.mark.parametrize(
    ("name", "module"),
    [
        ("by_sex", "limits.limits_of_subsets"),  # several analyses of one file
        ("closer/p_sd", "compare.methods_compared"),
        ("p_full_response", "change.change"),  # its record stands beside it
        ("sd_of_change", "repeats.laboratory_itself"),
        ("season/p_sd", "studies.seasons"),
    ],
)
def test_what_is_said_of_a_name_ends_with_the_module_that_computes_it(name, module):
    assert describe(name).splitlines()[-1] == f"  Code: agreement.stats.{module}"
    import_module(f"agreement.stats.{module}")
