"""Sentences on pooled profiles, own corrections and several verdicts; wording of the method sheets."""

from math import nan

import pytest

from agreement.report.page.machine import in_words, said
from agreement.report.page.numbers import Cell

NONE = Cell("none", nan)


def words(part, **values):
    return in_words(said("sentences", part, **values))


def test_a_profile_is_told_raw_and_pooled():
    told = {
        "bias": Cell("b", -2.8, -5.9, 0.3, n=6),
        "bias_pooled": Cell("p", -1.9, -4.1, 0.2),
        "weight_own": Cell("w", 0.6),
        "p_beyond_mean_limit": Cell("c", 0.48),
    }
    text = words("pooled", profile="rowers", limit=2.0, **told)
    assert text == (
        "rowers (6): reads 2.8 mL/kg/min low on their own numbers (\u22125.9 to 0.3), 1.9 low with the "
        "other profiles taken into account (\u22124.1 to 0.2); chance that it is off by more "
        "than 2 mL/kg/min: 48 %."
    )
    assert "chance" not in words("pooled", profile="rowers", limit=None, **told)
    told["p_beyond_mean_limit"] = Cell("p/p_beyond_mean_limit", 0.002)
    assert words("pooled", profile="rowers", limit=2.0, **told).endswith("/min: below 1 %.")
    told["p_beyond_mean_limit"] = Cell("p/p_beyond_mean_limit", 0.998)
    assert words("pooled", profile="rowers", limit=2.0, **told).endswith("/min: above 99 %.")


@pytest.mark.parametrize(
    ("p", "slope", "response", "full", "said"),
    [
        (0.21, 0.4, (1.07, nan, nan), 0.9, "It is not shown that the field follows"),
        (0.01, -0.4, (-0.6, -1.0, -0.2), 0.01, "It is not shown that the field follows"),
        (
            0.01,
            0.4,
            (nan, nan, nan),
            nan,
            "The field follows the laboratory's changes (p = 0.010).",
        ),
        (
            *(0.01, 0.4, (0.8, 0.5, 2.7), 0.4),
            "The field follows the laboratory's changes (p = 0.010), by 0.50 to 2.70 of a true change.",
        ),
        (
            *(0.01, 0.4, (0.8, 0.5, nan), 0.4),
            "; the data set no upper bound, and full following is not excluded (p = 0.400).",
        ),
        (
            *(0.01, 0.2, (0.3, 0.1, nan), 0.001),
            "(p = 0.010), by at least 0.10 of a true change; the data set no upper bound.",
        ),
    ],
)
def test_whether_and_how_far_the_field_follows(p, slope, response, full, said):
    of = "change/m/run/all/"
    told = {"nothing": Cell(of + "p_no_response", p), "slope": Cell(of + "slope", slope)}
    told |= {"response": Cell(of + "responsiveness", *response)}
    text = words("following", **told, full=Cell(of + "p_full_response", full))
    assert text.startswith(said) if said.startswith("It") else text.endswith(said)


def test_how_far_the_field_follows_rests_on_a_declared_error():
    of = "change/m/run/all/"
    response = Cell(of + "responsiveness", 0.8, 0.5, 2.7, note="assumed")
    told = {"nothing": Cell(of + "p_no_response", 0.01), "slope": Cell(of + "slope", 0.4)}
    text = words("following", **told, response=response, full=Cell(of + "p_full_response", 0.4))
    assert text.endswith("of a true change, if the laboratory's error is what was declared.")


def test_of_a_few_athletes_the_bias_is_borrowed_and_no_chance_is_told():
    told = {
        "bias": Cell("b", nan, n=3),
        "bias_pooled": Cell("p", -1.9, -4.1, 0.2),
        "weight_own": Cell("w", 0.4),
        "p_beyond_mean_limit": NONE,
    }
    text = words("pooled", profile="rowers", limit=2.0, **told)
    assert text.startswith("rowers (3): ")
    assert text.endswith(
        "taken into account (\u22124.1 to 0.2), borrowed from them (own weight 0.4)."
    )
    assert "own numbers" not in text


@pytest.mark.parametrize(
    ("survive", "end"),
    [
        ([], "none of this method is shown to differ."),
        (["rowers"], "rowers of this method differs from the other profiles."),
        (
            ["rowers", "runners"],
            "rowers and runners of this method differ from the other profiles.",
        ),
    ],
)
def test_contrasts_are_counted(survive, end):
    text = words("contrasts", number=16, survive=survive)
    assert text.startswith("16 contrasts of profiles were looked at over all methods; ")
    assert text.endswith(end)


def test_own_tests_and_one_more():
    assert words("own_tests", tests=1, weight="20 %", after="") == (
        "the one own test counts for 20 % of this value, the squad's for the rest"
    )
    assert words("own_tests", tests=2, weight="60 %", after="5.9").endswith(
        "2 own tests count for 60 % of this value, the squad's for the rest; one more test would narrow the range to \u00b15.9"
    )
    assert words("own_doubts", late=0, sensor=False, mass=False) == ""
    assert words("own_doubts", late=200, sensor=True, mass=True) == (
        "the last test was 200 days before, tests with another sensor count in it, the body mass that "
        "the method was told has changed between them"
    )
