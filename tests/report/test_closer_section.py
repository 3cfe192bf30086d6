"""The sentences on which method is closer: only what joint interval and joint p value both show."""

from dataclasses import replace

import numpy as np
import pytest

from agreement.report.page.machine import in_words, said
from agreement.report.page.numbers import Cell
from agreement.report.sections.closer_section import apart_sentence, closer_sentence
from agreement.stats.compare.closer import closer
from agreement.stats.compare.different_tests import different_tests
from agreement.stats.compare.methods_compared import MethodsCompared, TwoApart


def compared(d, names=("A", "B")):
    error, spread = (closer(d, names=names, spread=one, n_flips=999, rng=1) for one in (0, 1))
    people = dict.fromkeys(names, len(d))
    return MethodsCompared("run", people, names, len(d), len(d), error, spread, {}, ())


def cells(found):
    def cell(statistic, method):
        names, error = method.split(" vs "), found.error
        if statistic == "rmse":
            return Cell(f"closer///all/{statistic}", float(error.sizes[error.names.index(method)]))
        if statistic == "p_rmse_joint":
            return Cell(f"closer///all/{statistic}", float(error.p_joint[0]))
        k = error.place(*(error.names.index(name) for name in names))
        low, high = error.joint_interval(k)
        return Cell(f"closer///all/{statistic}", error.ratio(k), low, high)

    return cell


def sentence(found, *names):
    return in_words(closer_sentence(found, *names, cells(found)))


def errors(n=40, bias=0.0, scale=1.0, seed=1):
    rng = np.random.default_rng(seed)
    shared = rng.normal(0, 1, n)
    return np.column_stack(
        [shared + rng.normal(0, 4, n), shared + bias + scale * rng.normal(0, 4, n)]
    )


def test_closer_is_said_of_the_smaller_error_whichever_way_it_is_asked():
    found = compared(errors(scale=2.5))
    for names in (("A", "B"), ("B", "A")):
        said = sentence(found, *names)
        assert "A lies closer to the laboratory than B" in said
        assert "all 2 methods counted together" in said
    low, high = found.error.joint_interval(0)
    assert f"{found.error.ratio(0):.2f}, {low:.2f} to {high:.2f}" in said


def test_nothing_is_called_closer_when_nothing_is_shown():
    said = sentence(compared(errors()), "A", "B")
    assert said.startswith("These 40 tests of 40 athletes do not tell A and B apart")
    assert "closer" not in said


def test_interval_and_p_value_have_to_agree():
    found = compared(errors(scale=2.5))
    found = replace(found, error=replace(found.error, p_joint=np.array([0.2])))
    said = sentence(found, "A", "B")
    assert "do not tell A and B apart" in said
    assert "leaves out 1, but the joint test does not show it (p = 0.200)" in said
    assert "either way" not in said


def test_a_method_that_scatters_less_but_reads_off_is_no_closer():
    found = compared(errors(bias=9.0, scale=0.4))
    said = sentence(found, "A", "B")
    assert "A lies closer to the laboratory than B" in said
    assert "B scatters less about its own bias" in said
    assert "tried on others" in said


def test_different_tests_are_two_studies_in_words():
    d = errors()
    halves = [different_tests(d[:, 0], range(40), d[:, 1], range(40, 80), spread=s) for s in (0, 1)]
    one = TwoApart(("A", "B"), "different tests", 80, 80, *halves)
    said = in_words(
        apart_sentence(one, Cell("closer/rmse_ratio", 1.1, 0.8, 1.5), Cell("closer/p_rmse", np.nan))
    )
    assert "a comparison of two studies" in said
    assert "closer" not in said


@pytest.mark.parametrize("names", [("A", "C"), ("C", "B")])
def test_a_method_that_shares_nothing_has_no_sentence(names):
    assert sentence(compared(errors()), *names) == ""


@pytest.mark.parametrize(
    ("kept", "ending"), [(0, ""), (1, "; 1 of 1 change has the same direction")]
)
def test_a_change_without_limits_or_direction_leaves_out_their_words(kept, ending):
    none = Cell("change/m/run/all/lower_limit", float("nan"))
    told = {"n": 4, "bias": Cell("change/m/run/all/bias", 0.7), "lower": none, "upper": none}
    said_of = said("sentences", "change", **told, same=kept, kept=kept, no_change=False)
    assert in_words(said_of).endswith(f"by 0.7 mL/kg/min on average{ending}.")
