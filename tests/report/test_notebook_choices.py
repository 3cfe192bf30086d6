"""What stands in a cell of a report's notebook is a choice: another value shows something else."""

import json
import re

import pandas as pd
import pytest
from turns import slowly

from agreement import read_cohort, report
from agreement.report.run.here import _shown_alone, _value
from agreement.report.run.second import Second, _section, shared_sections
from agreement.report.run.templates import template


@pytest.fixture(scope="module")
def study(tmp_path_factory, small_study):
    """A study of two methods, the second a little high."""
    folder = small_study(tmp_path_factory.mktemp("choices") / "crew")
    path = folder / "field_estimates.csv"
    read = pd.read_csv(path)
    value = read["vo2max_ml_kg_min"]
    more = read.assign(method="strap", vo2max_ml_kg_min=(value * 1.03 + 1).round(2))
    pd.concat([read, more]).to_csv(path, index=False)
    return folder


@pytest.fixture(scope="module")
def cells(study):
    """Sources of a notebook by the section that each shows, and the names after the first ones."""
    code = [c for c in json.loads(template("squad"))["cells"] if c["cell_type"] == "code"]
    sources = ["".join(cell["source"]) for cell in code]
    names = {"study": str(study), "save": None, "png": None}
    exec(sources[1], names)  # noqa: S102 - our own notebook
    named = {re.search(r"report\.(\w+)\(", s)[1]: s for s in sources[2:] if "report." in s}
    return named | {"reading": sources[1]}, names


@pytest.mark.parametrize(
    ("section", "before", "after"),
    [
        ("next_steps", "most=3", "most=1"),
        ("differences", "coverage=0.95", "coverage=0.8"),
        ("differences", "methods=cohort.methods", 'methods=[("wrist", "run")]'),
        *(
            pytest.param(*case, marks=pytest.mark.slow)
            for case in (
                ("chart", "methods=cohort.methods", 'methods=[("wrist", "run")]'),
                ("next_steps", "most=3, folded=True", "most=1, folded=False"),
                ("profiles", "methods=cohort.methods", 'methods=[("strap", "run")]'),
                ("regression", "methods=cohort.methods", 'methods=[("strap", "run")]'),
                ("repeatability", "methods=cohort.methods", 'methods=[("strap", "run")]'),
                ("averaging", "methods=cohort.methods", 'methods=[("strap", "run")]'),
                ("athletes", "pages=save is not None", "pages=True"),
                (
                    "change",
                    "minimum_gap_days=agreed.change.minimum_gap_days",
                    "minimum_gap_days=60",
                ),
            )
        ),
    ],
)
def test_another_argument_shows_something_else(cells, section, before, after):
    sources, names = cells
    source = sources[section]
    assert before in source
    changed = source.replace(before, after)
    first, second = (eval(one, names) for one in (sources[section], changed))
    assert first.html != second.html


def test_what_is_tried_is_marked_and_the_verdict_stays_the_agreed_one(cells):
    sources, names = cells
    assert "Tried" not in eval(sources["verdict"], names).html
    tried = eval(sources["verdict"].replace("agreed.margin.limit", "2.0"), names).html
    assert "margin.limit 2.0 (agreed: 9.0)" in tried
    assert "verdict stays that of the agreed choices" in tried
    assert "the tried limit of" in tried
    assert "the agreed limit of" not in tried
    assert "Agreed on" not in tried
    again = dict(names)
    exec(sources["reading"].replace("agreed.pairing.days_before", "4"), again)  # noqa: S102 - as above
    assert (again["cohort"].pairs["n_days"] < names["cohort"].pairs["n_days"]).all()
    assert "pairing.days_before 4 (agreed: 14)" in report.verdict(again["cohort"]).html


@pytest.mark.parametrize("coverage", [0.8, *slowly([0.99])])
def test_limits_of_another_coverage_are_those_of_the_public_function(study, coverage):
    cohort = read_cohort(study)
    html = report.differences(cohort, methods=[("strap", "run")], coverage=coverage).html
    limits = cohort.limits("strap", coverage=coverage)
    shown = re.sub(r"<[^>]+>", " ", html).replace("\u2212", "-")
    for value in (limits.bias, limits.lower, limits.upper, limits.lower_interval().low):
        assert f" {value:.1f} " in shown
    assert f"hold {100 * coverage:g} % of differences" in shown


def test_any_result_can_be_shown_beside_the_sections(cells):
    _, names = cells
    shown = eval('show(cohort.limits("strap", "run", coverage=0.8))', names)
    assert shown.coverage == 0.8
    assert "limits of agreement" in shown._repr_html_()


def test_a_wrong_method_lists_the_right_ones_and_a_wrong_share_is_refused(study):
    cohort = read_cohort(study)
    with pytest.raises(ValueError, match="'strap', 'wrist'"):
        report.budget(cohort, methods=[("watch", "run")])
    with pytest.raises(ValueError, match=r"coverage.* \(0, 1\)"):
        report.differences(cohort, coverage=95)
    with pytest.raises(ValueError, match=r"coverage.* \(0, 1\)"):
        cohort.limits("strap", coverage=95)


@pytest.mark.slow
def test_a_hidden_cohort_stays_hidden_under_other_choices(study):
    hidden = report.pseudonymous(report.read_cohort(study))
    tried = hidden.with_options(pairing={"days_before": 4})
    assert (tried.pairs["n_days"] < hidden.pairs["n_days"]).all()
    for cohort in (hidden, tried):
        assert cohort.pairs["athlete_id"].str.fullmatch("P[0-9A-F]{10}").all()
    html = report.verdict(tried, margin=5.0).html + report.differences(tried, coverage=0.9).html
    assert "days_before 4" in html
    assert not re.search(r"\b[AT]\d\d", re.sub("<[^>]+>", " ", html))


@pytest.mark.slow
def test_the_second_process_makes_a_section_of_what_it_is_given(study):
    expression = 'report.differences(cohort, methods=[("strap", "run")])'
    cohort = read_cohort(study)
    it = Second()
    try:
        shared_sections(it, {"report": report, "cohort": cohort}, [], _value)
        there = it.ask(_section, expression).result(120)
    finally:
        it.close()
    assert there.html == eval(expression).html
    assert [one.name for one in there.pictures] == ["differences-strap-run"]


def test_only_cells_that_rest_on_nothing_later_are_made_elsewhere():
    cells = [{"cell_type": "code", "source": s} for s in ("x = 1", "show(f(x))", "show.save()")]
    early = {"show(f(x))": "f(x)", "show.save()": "show.of_athletes()"}
    assert _shown_alone(cells) == early
    assert _shown_alone([*cells, {"cell_type": "code", "source": "x = 2"}]) == {}
