"""The answer by name, for every combination of verdicts; and numbers that know their line."""

import re
from dataclasses import replace
from datetime import date
from math import nan
from types import SimpleNamespace

import pandas as pd
import pytest

from agreement.pairing.tally import WithoutPair
from agreement.report.page.machine import in_words
from agreement.report.page.numbers import Names, Numbers
from agreement.report.privacy.view import released_doubts
from agreement.report.sections.answer import verdict_block, verdict_sentences
from agreement.stats.verdict.cautions import Caution
from agreement.tables.options import Margin, StudyOptions, StudyText
from agreement.terms import RESULT_COLUMNS

NAMES = Names([("a", "Device A"), ("b", "Device B"), ("c", "Device C")], several_modes=False)
AGREED = StudyOptions(margin=Margin(limit=7.0, agreed_on=date(2026, 1, 8)))
YES, NO, OPEN = "acceptable", "not acceptable", "undecided"


def study(
    *verdicts, n=20, more=40.0, twice=nan, half=5, limits=True, compares=(), options=AGREED, p=0.01
):
    """Return methods a, b, c with these verdicts, b the closest with joint p, and their numbers."""
    rows, methods = [], []
    for name, note in zip("abc", verdicts, strict=False):
        bias = {"a": -4.0, "b": 1.0, "c": 6.0}[name]
        for analysis, statistic, value in (
            ("limits_of_agreement", "bias", bias),
            ("limits_of_agreement", "lower_limit", bias - half if limits else nan),
            ("limits_of_agreement", "upper_limit", bias + half if limits else nan),
            ("verdict", "within_margin", nan),
            ("verdict", "athletes_needed_1_test", more),
            ("verdict", "athletes_needed_2_tests", twice),
            ("error", "rmse", abs(bias)),
        ):
            said = note if statistic == "within_margin" else ""
            rows.append(
                (analysis, name, "run", "all", statistic, value, nan, nan, "mL/kg/min", n, n, said)
            )
        methods.append(
            SimpleNamespace(
                method=name, mode="run", verdict=SimpleNamespace(n=n, first_lab_date=None)
            )
        )
    for pair, ratio in (("a vs b", 4.0), ("a vs c", 0.7), ("b vs c", 0.2)):
        for statistic, value in (("p_rmse_joint", p), ("rmse_ratio", ratio)):
            rows.append(
                ("closer", pair, "run", "all", statistic, value, nan, nan, "1", n, n, "3 methods")
            )
    numbers = Numbers(pd.DataFrame(rows, columns=RESULT_COLUMNS), NAMES)
    return methods, numbers, replace(options, study=StudyText(compares=tuple(compares)))


def answer(*verdicts, **keys):
    return verdict_sentences(*study(*verdicts, **keys))[0]


@pytest.mark.parametrize("reason", ["A tenth of the mean", "A tenth of the mean.", "  Why not? "])
def test_the_reason_of_a_limit_ends_as_a_sentence(reason):
    options = replace(AGREED, margin=replace(AGREED.margin, reason=reason))
    said = in_words(verdict_block(*study(YES, options=options)).html)
    end = reason.strip() if reason.strip()[-1] in ".?" else f"{reason}."
    assert f"Reason given: {end} " in f"{said} "


@pytest.mark.parametrize(
    ("more", "twice", "half", "said"),
    [
        (nan, nan, 5, "at the spread seen the limits lie on or beyond it."),  # -9 to 1
        (nan, nan, 3, "at the spread seen the limits lie on or beyond it."),  # -7 to -1
        (nan, nan, 2, "the limits seen lie inside it, but their intervals reach beyond."),
        (18.0, 12.0, 2, "the limits seen lie inside it, but their intervals reach beyond."),
        (
            nan,
            45.0,
            2,
            "reach beyond; about 45 athletes in all, with two laboratory tests each, would decide it.",
        ),
    ],
)
def test_limits_are_said_to_lie_beyond_only_where_they_do(more, twice, half, said):
    assert said in answer(OPEN, more=more, twice=twice, half=half)


LIMIT = "the agreed limit of \u00b17 mL/kg/min"
TEST = "laboratory test of the study. Device B lies closer to the laboratory: in 20 athletes it reads 1.0"
CLOSER = "Device B lies closer to the laboratory: in 20 athletes it reads 1.0 mL/kg/min high"


@pytest.mark.parametrize(
    ("verdicts", "said"),
    [
        ((YES, YES), f"Both Device B and Device A meet {LIMIT}. {CLOSER}"),
        ((NO, NO), f"Neither Device B nor Device A meets {LIMIT}. {CLOSER}"),
        ((OPEN, OPEN), f"It is undecided whether Device B and Device A meet {LIMIT}. {CLOSER}"),
        ((NO, YES), f"Device B meets {LIMIT}; Device A does not. {CLOSER}"),
        ((YES, NO), f"Device A meets {LIMIT}; Device B does not. {CLOSER}"),
        ((OPEN, YES), f"Device B meets {LIMIT}; for Device A it is undecided. {CLOSER}"),
        ((NO, OPEN), f"Device A does not meet {LIMIT}; for Device B it is undecided. {CLOSER}"),
        ((YES,), f"Device A meets {LIMIT}. In 20 athletes it reads 4.0 mL/kg/min low"),
        ((NO,), f"Device A does not meet {LIMIT}. In 20 athletes it reads 4.0 mL/kg/min low"),
        (
            (OPEN,),
            f"Whether Device A meets {LIMIT} is undecided: about 40 athletes in all, with one",
        ),
        (
            ("undecided; laboratory_error_too_large",),
            "is undecided: the laboratory's own error is too large to tell.",
        ),
        (("undecided; margin_below_laboratory",), "it lies within the laboratory's own noise."),
        (("undecided; depends_on_fitness",), "met on the whole, but not shown from the less"),
        (
            (NO, NO, NO),
            f"None of the 3 methods meets {LIMIT}: Device B, Device A and Device C. Device B lies closest",
        ),
        (
            (YES, NO, OPEN),
            f"Device A meets {LIMIT}; Device B does not; for Device C it is undecided. ",
        ),
        (
            ("no_margin", "no_margin"),
            f"There is no verdict, for no limit was agreed beforehand. {CLOSER}",
        ),
        (
            ("no_margin",),
            "There is no verdict, for no limit was agreed beforehand. Device A, in 20 athletes: it reads",
        ),
        (
            ("withheld", "withheld"),
            f"The verdict is withheld: {LIMIT} was agreed on 2026-01-08, after the first {TEST}",
        ),
        (
            ("withheld; looks_used",),
            "The verdict is withheld: the looks at the verdict that were planned are used up.",
        ),
    ],
)
def test_the_answer_names_the_methods(verdicts, said):
    assert said in answer(*verdicts)


@pytest.mark.parametrize("p", [0.051, nan])
def test_nothing_is_called_closer_unless_the_joint_test_shows_it(p):
    two, three = answer(NO, NO, p=p), answer(NO, NO, NO, p=p)
    assert "These tests do not tell the two apart. Device B, in 20 athletes: it reads 1.0" in two
    assert "These tests do not tell which is closest. Device B, in 20 athletes" in three
    assert "lies close" not in two + three
    assert "lies closer" in answer(NO, NO, p=0.05)


def test_a_comparison_that_is_withheld_is_not_said_to_tell_nothing():
    methods, numbers, options = study(NO, NO)
    frame = numbers.frame.copy()
    closer = frame["analysis"] == "closer"
    frame.loc[closer, ["value", "note"]] = nan, "suppressed: it would tell of fewer than 5 athletes"
    told = verdict_sentences(methods, Numbers(frame, NAMES), options)[0]
    assert "do not tell" not in told
    assert "meets the agreed limit of \u00b17 mL/kg/min. Device B, in 20 athletes: it" in told


def test_of_different_modes_nothing_is_said_of_which_is_closer():
    methods, numbers, options = study(NO, NO)
    of_a = numbers.frame["method"] == "a"
    frame = numbers.frame.assign(mode=numbers.frame["mode"].mask(of_a, "cycle"))
    frame = frame[frame["analysis"] != "closer"]
    methods[0].mode = "cycle"
    told = verdict_sentences(methods, Numbers(frame, NAMES), options)[0]
    assert "tell the two apart" not in told
    assert "lies close" not in told
    assert "Device B, in 20 athletes: it reads 1.0 mL/kg/min high" in told


def test_the_one_with_the_smaller_error_is_not_called_closer_if_the_shared_tests_say_otherwise():
    methods, numbers, options = study(NO, NO)
    frame = numbers.frame.copy()
    frame.loc[(frame["analysis"] == "closer") & (frame["statistic"] == "rmse_ratio"), "value"] = 0.5
    told = verdict_sentences(methods, Numbers(frame, NAMES), options)[0]
    assert "These tests do not tell the two apart." in told


def test_the_answer_says_who_gets_no_number():
    methods, numbers, options = study(YES)
    counts = (("athletes_asked", 23.0), ("athletes_without", 12.0), ("share_without", 12 / 23))
    lines = [
        ("no_number", "a", "run", "all", name, value, nan, nan, "1", 23, 11, "")
        for name, value in counts
    ]
    frame = pd.concat([numbers.frame, pd.DataFrame(lines, columns=RESULT_COLUMNS)])
    told = verdict_sentences(methods, Numbers(frame, NAMES), options)[0]
    assert told.endswith("; 12 of 23 athletes (52 %) get no number from it.")
    frame.loc[frame["statistic"] == "athletes_without", "value"] = 0.0
    assert "get no number" not in verdict_sentences(methods, Numbers(frame, NAMES), options)[0]
    few = frame["statistic"].isin(["athletes_without", "share_without"])
    frame.loc[few, ["value", "note"]] = [nan, "suppressed: 1 to 4 of 23"]
    told = verdict_sentences(methods, Numbers(frame, NAMES), options)[0]
    assert "; 1 to 4 of 23 athletes get no number from it" in told


def test_one_athlete_is_expected_within_the_limits():
    told = answer(NO, NO)
    assert told.endswith("for one athlete expect it between 4.0 low and 6.0 high.")


def test_against_the_true_value_the_limits_are_the_methods_own():
    methods, numbers, options = study("not acceptable; true value")
    own = [
        ("net_of_laboratory", "a", "run", "all", name, value, nan, nan, "mL/kg/min", 20, 20, "")
        for name, value in (("own_lower_limit", -7.4), ("own_upper_limit", -0.6))
    ]
    frame = pd.concat([numbers.frame, pd.DataFrame(own, columns=RESULT_COLUMNS)])
    told = verdict_sentences(methods, Numbers(frame, NAMES), options)[0]
    assert told.endswith("expect it between 7.4 low and 0.6 low of the true value.")
    withheld = answer("not acceptable; true value")  # own limits are not known
    assert withheld.endswith("expect it between 9.0 low and 1.0 high.")


@pytest.mark.parametrize("methods", [1, 2])  # of two it stands in the fold alone: b is closer
def test_a_spread_that_is_all_the_laboratorys_is_no_promise_of_one_value_for_all(methods):
    told, numbers, options = study(*["acceptable; true value"] * methods)
    own = [
        ("net_of_laboratory", "a", "run", "all", name, -4.0, *ends, "mL/kg/min", 20, 20, "")
        for name, ends in (("own_lower_limit", (-6.6, -3.4)), ("own_upper_limit", (-4.6, -1.4)))
    ]
    frame = pd.concat([numbers.frame, pd.DataFrame(own, columns=RESULT_COLUMNS)])
    said = re.sub("<.*?>", "", verdict_block(told, Numbers(frame, NAMES), options).html)
    assert "between 4.0 low and 4.0 low" not in said
    whole = "the laboratory's error alone explains the spread seen: for one athlete it may lie"
    assert said.count(f"{whole} from 6.6 low to 1.4 low of the true value") == 1


def declared(*verdicts, sem_needed=nan):
    """The answer where the laboratory's typical error, 1.8, was only declared."""
    methods, numbers, options = study(*verdicts)
    more = [
        ("net_of_laboratory", name, "run", "all", end, value, nan, nan, "", 20, 20, "assumed")
        for name in "ab"
        for end, value in (("own_lower_limit", -6.4), ("own_upper_limit", -1.6))
    ]
    for place, value in (
        (("repeatability", "laboratory", "run", "all", "typical_error"), 1.8),
        (("verdict", "a", "run", "all", "sem_needed"), sem_needed),
    ):
        more.append((*place, value, nan, nan, "mL/kg/min", 20, 20, "assumed"))
    frame = pd.concat([numbers.frame, pd.DataFrame(more, columns=RESULT_COLUMNS)])
    html = verdict_block(methods, Numbers(frame, NAMES), options).html
    return re.sub("<.*?>", "", html)


IF_SO = ", if the laboratory's typical error is 1.8 mL/kg/min, which was not measured here"


@pytest.mark.parametrize("outcome", [YES, NO])
def test_a_verdict_that_rests_on_a_declared_error_says_so_in_its_first_sentence(outcome):
    head = declared(f"{outcome}; true value; assumed").split(". ")[0]
    assert head.endswith(IF_SO)
    assert IF_SO not in declared(f"{outcome}; laboratory test").split(". ")[0]
    both = declared(*[f"{outcome}; true value; assumed"] * 2)
    assert both.split(". ")[0].endswith(IF_SO)
    assert both.count(IF_SO) == 3  # once in the answer, once for each method in the fold


def test_of_a_verdict_alone_a_declared_error_has_no_number():
    methods, numbers, options = study(f"{YES}; true value; assumed")
    said = re.sub("<.*?>", "", verdict_block(methods, numbers, options).html)
    assert "typical error is what was declared, which was not measured here" in said


def test_an_open_verdict_says_which_laboratory_error_would_do():
    said = declared(f"{OPEN}; true value; assumed", sem_needed=2.154)
    assert "only if the laboratory's typical error were 2.15 mL/kg/min or more" in said
    assert said.count(IF_SO) == 1  # of what to expect for one athlete
    # no laboratory error changes what one test shows
    assert "were 2.15" not in declared(f"{OPEN}; laboratory test", sem_needed=2.154)


def test_a_limit_that_is_met_is_met_for_athletes_as_fit_as_these():
    reach = "for athletes as fit as the middle four fifths of these"

    def said(*verdicts):
        return in_words(verdict_block(*study(*verdicts)).html)

    assert said(YES).count(reach) == 1
    assert said(YES, NO).count(reach) == 2  # in the note, and of the one method
    assert reach not in said(NO, OPEN)


def test_too_few_athletes_are_said():
    few = {"n": 6, "limits": False, "more": nan}
    assert "is undecided: 6 athletes are too few. In 6 athletes it reads 4.0" in answer(OPEN, **few)
    two = answer("undecided; too_few", "undecided; too_few", **few)
    assert "undecided whether Device B and Device A meet" in two
    assert "the athletes are too few." in two
    assert "on average; its limits for one athlete cannot be told yet." in two


def test_without_a_pair_it_says_so_and_why():
    _, numbers, options = study(compares=["a", "d"])
    found = [WithoutPair("a", 9, "same_day"), WithoutPair("b", 9, "outside_window")]
    said = (
        "There is no verdict: not one field value could be paired with a laboratory value. The main "
        "reason for Device A: on the day of a laboratory test; for Device B: too far from any "
        "laboratory test; for d: no value of it was read that could be used. What was left out, and why, is "
        "listed in the report."
    )
    assert verdict_sentences([], numbers, options, found) == [said]
    page = in_words(verdict_block([], numbers, options, found=found).html)
    assert page.count("reason for Device A") == 1
    assert said in page
    assert answer() == said.partition(" The main")[0] + " What" + said.partition(" What")[2]


def test_the_question_decides_who_is_named():
    told = answer(YES, NO, OPEN, compares=["a", "b"])
    assert "Device C" not in told
    assert told.startswith("Device A meets")
    assert answer(YES, NO, compares=["of another study"]).startswith("Device A meets")


def test_methods_without_a_pair_are_named_with_the_main_reason():
    methods, numbers, options = study(YES, compares=["a", "b", "c", "d"])
    found = [WithoutPair("b", 9, "mode_mismatch"), WithoutPair("c", 9, "mode_mismatch")]
    told = verdict_sentences(methods, numbers, options, found)
    said = (
        "Device B and Device C have no pair, so there is no verdict on them: the laboratory tested "
        "another mode of exercise. d has no pair, so there is no verdict on it: no value of it was read that could be used."
    )
    assert told[1] == said
    assert said in in_words(verdict_block(methods, numbers, options, found=found).html)
    assert "no pair" not in str(verdict_sentences(*study(YES)))


def test_every_method_has_a_sentence_of_its_own():
    told = verdict_sentences(*study(YES, NO, OPEN, compares=["a", "b"]))
    assert [sentence.split(",")[0] for sentence in told[1:]] == ["Device B", "Device A", "Device C"]
    assert told[3].endswith("one athlete 1.0 high to 11.0 high; undecided")
    assert all(len(line) <= 110 for line in told[1:])


def test_a_number_is_tagged_as_what_it_is_and_not_as_its_equal():
    """20 athletes were measured, of 21 that are needed; the spread is 20.0, too."""
    methods, numbers, options = study(OPEN, more=21.0)
    spread = (
        "verdict",
        "a",
        "run",
        "all",
        "spread_80_low",
        20.0,
        nan,
        nan,
        "mL/kg/min",
        20,
        20,
        "",
    )
    more = pd.DataFrame(
        [spread, (*spread[:4], "spread_80_high", *spread[5:])], columns=RESULT_COLUMNS
    )
    numbers = Numbers(pd.concat([numbers.frame, more]), NAMES)
    html = verdict_block(methods, numbers, options).html
    key = "verdict/a/run/all/"
    assert f'about <span data-statistic="{key}athletes_needed_1_test">21</span> athletes' in html
    assert "In 20 athletes" in html
    assert re.findall(rf'data-statistic="{key}(\w+)">20', html) == [
        "spread_80_low",
        "spread_80_high",
    ]


def test_equal_numbers_of_two_statistics_keep_their_own_keys():
    methods, numbers, options = study(NO)
    frame = numbers.frame.assign(value=5.0)
    html = verdict_block(methods, Numbers(frame, NAMES), options).html
    keys = re.findall(r'data-statistic="limits_of_agreement/a/run/all/(\w+)">5.0<', html)
    assert keys == ["bias", "lower_limit", "upper_limit"]


def test_labels_cannot_become_markup():
    methods, numbers, options = study(YES)
    html = verdict_block(
        methods, Numbers(numbers.frame, Names([("a", "<script>x</script>")])), options
    ).html
    assert "<script>" not in html
    assert "<script>x</script>" in in_words(html)


def doubted(doubts, *verdicts, **keys):
    """Return a study whose methods carry these doubts: pairs of code and sentence each."""
    methods, numbers, options = study(*verdicts, **keys)
    for one, own in zip(methods, doubts, strict=True):
        one.doubts = tuple(Caution(*each) for each in own)
    return methods, numbers, options


SAME = ("constant_device", "It says 52.0 to 52.0 of 20 athletes: the same of everybody.")


def test_what_could_make_it_wrong_stands_above_a_weaker_answer():
    html = verdict_block(*doubted([[SAME]], YES)).html
    above, answered = html.split("Device A meets")
    assert "What could make this wrong" in above
    assert SAME[1] in above
    assert "mL/kg/min, if what stands above is explained.</strong>" in answered


@pytest.mark.parametrize(("bias", "said"), [(-18.2, "It reads 18.2 mL/kg/min low"), (4.0, "half")])
def test_an_impossible_bias_is_the_line_of_the_results(bias, said):
    methods, numbers, options = doubted([[("bias_beyond", "half of 20 athletes are off.")]], YES)
    frame = numbers.frame.copy()
    frame.loc[frame["statistic"] == "bias", "value"] = bias
    above = verdict_block(methods, Numbers(frame, NAMES), options).html.split("</ul>")[0]
    assert said in in_words(above)
    assert ('data-statistic="limits_of_agreement/a/run/all/bias"' in above) == (bias < -15)


@pytest.mark.parametrize(
    ("r", "said"), [(-0.11, " (r \u22120.11 in 20 athletes)."), (None, "shown.")]
)
def test_a_relation_that_is_not_shown_tells_the_r_of_the_results(r, said):
    methods, numbers, options = doubted([[("no_relation", "r -0.19 in 20 athletes.")]], YES)
    line = numbers.frame[numbers.frame["statistic"] == "bias"].assign(
        analysis="regression", statistic="r", value=r
    )
    frame = pd.concat([numbers.frame, line] if r else [numbers.frame], ignore_index=True)
    above = verdict_block(methods, Numbers(frame, NAMES), options).html.split("</ul>")[0]
    assert (
        f"No relation with the laboratory's values is shown{said.removeprefix('shown')}"
        in in_words(above)
    )
    assert "0.19" not in above
    assert ('data-statistic="regression/a/run/all/r"' in above) == bool(r)


def test_three_doubts_are_open_and_the_others_folded():
    four = [(f"code_{k}", f"Sentence {k}.") for k in range(4)]
    args = doubted([four, [("code", "Of the other.")]], NO, YES, compares=["a"])
    html = verdict_block(*args).html
    shown, folded = html.split("<details><summary>2 more doubts</summary>")
    assert [k for k in range(4) if f"Device A: Sentence {k}." in shown] == [0, 1, 2]
    assert "Device A: Sentence 3." in folded
    assert "Device B: Of the other." in folded


def test_an_open_answer_is_not_weakened_and_without_doubt_nothing_is_said():
    html = verdict_block(*doubted([[SAME]], OPEN)).html
    assert "What could make this wrong" in html
    assert "is explained" not in html
    for one in (YES, NO, OPEN):
        assert "wrong" not in verdict_block(*study(one)).html
        assert "explained" not in answer(one)


def test_an_audit_says_no_number_of_a_single_person():
    one = ("one_athlete", "Without one of them 7.1: one person decides.")
    methods, *rest = doubted([[SAME, one]], YES)
    for method in methods:
        method.doubts = released_doubts(method.doubts)
    html = verdict_block(methods, *rest).html
    assert "It says the same of everybody." in html
    assert "52.0" not in html
    assert "7.1" not in html
    assert (
        "The verdict hangs on one or two people" in html
    )  # the house knows it, so must the reader
    assert "if what stands above is explained" in html


def test_the_screen_says_the_doubt_after_the_answer():
    told = verdict_sentences(*doubted([[SAME], []], YES, NO))
    assert "if what follows is explained." in told[0]
    assert told[0].endswith(f"What could make this wrong: Device A: {SAME[1]}")
    assert [line for line in told[1:] if "in doubt" in line] == [told[2]]


def test_a_squad_too_alike_shows_nothing_of_the_method():
    html = verdict_block(*study("acceptable; squad_too_alike")).html
    assert (
        "In this squad the same number for everybody would meet the limit too: it cannot show that "
        "the method tells athletes apart." in html
    )
    assert "if what stands above is explained" in html


def with_row(frame, analysis, statistic, value, low=nan, high=nan):
    row = (analysis, "a", "run", "all", statistic, value, low, high, "1", 20, 20, "")
    return pd.concat([frame, pd.DataFrame([row], columns=RESULT_COLUMNS)], ignore_index=True)


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (("structural", "p_slope_zero", 0.4), "It was not shown to tell athletes apart."),
        (("structural", "p_slope_zero", 0.01), None),
        (("no_method", "skill", 0.3, -0.2, 0.6), "closer than the same number for everybody."),
        (("no_method", "skill", 0.3, 0.1, 0.6), None),
    ],
)
def test_what_a_method_was_not_shown_to_do(row, said):
    methods, numbers, options = study(YES)
    html = verdict_block(methods, Numbers(with_row(numbers.frame, *row), NAMES), options).html
    assert (said in html) if said else ("not shown" not in html)
