"""The sentences on which method is closer: only what joint interval and joint p value both show."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from agreement.report.page.machine import in_words, said
from agreement.report.page.markup import joined
from agreement.report.page.numbers import Cell, Numbers
from agreement.report.sections.closer_section import _of_mode
from agreement.stats.compare.closer import closer, different_tests
from agreement.stats.compare.methods_compared import MethodsCompared, TwoApart
from agreement.stats.method_data import NotEstimable
from agreement.stats.result import rows_frame
from agreement.terms import RESULT_COLUMNS


def compared(d, names=("A", "B"), apart=()):
    error, spread = (closer(d, names=names, spread=one, n_flips=999, rng=1) for one in (0, 1))
    people = dict.fromkeys(names, len(d))
    return MethodsCompared("run", people, names, len(d), len(d), error, spread, {}, apart)


def table_of(found):
    parts = [
        rows_frame(list(rows)).assign(analysis="closer", method=name, mode="run")
        for name, rows in found.rows()
    ]
    frame = pd.concat(parts, ignore_index=True)
    return frame.assign(group=frame["group"].fillna("all"))[RESULT_COLUMNS]


def section(found, frame=None):
    """Return sentence and table of every two, as text."""
    numbers = Numbers(table_of(found) if frame is None else frame)
    html = joined(_of_mode(found, numbers)).html
    return [in_words(part) for part in re.findall(r"<p>.*?</p>|<tr>.*?</tr>", html)]


def errors(n=40, bias=0.0, scale=1.0, seed=1):
    rng = np.random.default_rng(seed)
    shared = rng.normal(0, 1, n)
    return np.column_stack(
        [shared + rng.normal(0, 4, n), shared + bias + scale * rng.normal(0, 4, n)]
    )


@pytest.mark.parametrize(("turned", "said"), [(False, "A"), (True, "B")])
def test_closer_is_said_of_the_smaller_error_whichever_stands_first(turned, said):
    found = compared(errors(scale=2.5)[:, :: -1 if turned else 1])
    *_, words, heads, row = section(found)
    far = {"A": "B", "B": "A"}[said]
    assert words == f"On 40 tests of 40 athletes, {said} lies closer to the laboratory than {far}."
    low, high = found.error.joint_interval(0)
    ratio = f"{found.error.ratio(0):.2f}{low:.2f} to {high:.2f}"
    assert row.startswith(f"A over B{ratio}")
    assert row.endswith(said)
    assert heads.endswith("closer")


def test_nothing_is_called_closer_when_nothing_is_shown():
    *_, words, _, row = section(compared(errors()))
    assert "no two methods are told apart" in words
    assert "closer" not in words
    assert row.endswith("not told apart")


def test_interval_and_p_value_have_to_agree():
    found = compared(errors(scale=2.5))
    found = replace(found, error=replace(found.error, p_joint=np.array([0.2])))
    *_, words, _, row = section(found)
    assert "no two methods are told apart" in words
    assert row.endswith("0.200not told apart")
    frame = table_of(compared(errors(scale=2.5)))
    frame.loc[frame["statistic"] == "rmse_ratio", "high"] = 1.01
    *_, words, _, row = section(found, frame)
    assert row.endswith("not told apart")


def test_a_method_that_scatters_less_but_reads_off_is_no_closer():
    words = section(compared(errors(bias=9.0, scale=0.4)))[-3]
    assert "A lies closer to the laboratory than B" in words
    assert "B scatters less about the own bias" in words
    assert "tried on others" in words


def test_every_two_of_many_are_one_sentence():
    d = np.column_stack([errors(scale=2.5), errors(seed=4)])
    words = next(one for one in section(compared(d, ("A", "B", "C", "D"))) if one.startswith("On"))
    assert "all 4 methods counted together" in words
    assert words.count("lies closer") <= 3
    assert "other pairs are not told apart" in words


def test_different_tests_are_two_studies_in_words():
    d = errors()
    halves = [different_tests(d[:, 0], range(40), d[:, 1], range(40, 80), spread=s) for s in (0, 1)]
    one = TwoApart(("A", "B"), "different tests", 80, 80, *halves)
    none = NotEstimable("nobody has both", "too_few")
    alone = replace(compared(d, apart=(one,)), error=none, spread=none, names=())
    words, _, row = section(alone)
    assert "a comparison of two studies and not of two methods: A over B" in words
    assert "closer" not in words
    assert row.startswith("A over Bnot availablenot availablenot availabledifferent ones")


def test_what_is_withheld_is_named_and_has_no_line():
    found = compared(errors(scale=2.5))
    frame = table_of(found)
    frame[["value", "low", "high"]] = np.nan
    said = section(found, frame.assign(note="suppressed: few"))
    assert "closer" not in " ".join(said)


@pytest.mark.parametrize(
    ("kept", "ending"), [(0, ""), (1, "; 1 of 1 change has the same direction")]
)
def test_a_change_without_limits_or_direction_leaves_out_their_words(kept, ending):
    none = Cell("change/m/run/all/lower_limit", float("nan"))
    told = {"n": 4, "bias": Cell("change/m/run/all/bias", 0.7), "lower": none, "upper": none}
    said_of = said("sentences", "change", **told, same=kept, kept=kept, all_noise=False)
    assert in_words(said_of).endswith(f"by 0.7 mL/kg/min on average{ending}.")
