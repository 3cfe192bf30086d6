"""Several methods: one table and one figure of each analysis, and each method folded below."""

import re
from types import SimpleNamespace

import pandas as pd
import pytest
from opened import open_report

from agreement.report.page.html import whole_page
from agreement.report.page.machine import in_words, stated
from agreement.report.page.numbers import Cell
from agreement.report.sections.together import BESIDE, across_table, drawn_across, structural_lines
from agreement.stats.catalogue import BY_NAME
from agreement.stats.verdict.cautions import Caution
from agreement.terms import declared

SECTIONS = {
    "differences": "limits_of_agreement/{}/run/all/lower_limit",
    "regression": "regression/{}/run/all/slope",
    "change": "change/{}/run/all/bias",
    "structure": "deming/{}/run/all/slope",
}


@pytest.fixture(scope="module")
def report(small_study, tmp_path_factory):
    study = small_study(tmp_path_factory.mktemp("two") / "crew")
    own = pd.read_csv(study / "field_estimates.csv")
    other = own.assign(method="belt", vo2max_ml_kg_min=own["vo2max_ml_kg_min"] + 1.25)
    pd.concat([own, other]).to_csv(study / "field_estimates.csv", index=False)
    toml = study / "study.toml"
    text = toml.read_text(encoding="utf-8") + '[methods.belt]\nlabel = "Chest <belt>"\n'
    toml.write_text(text, encoding="utf-8")
    return open_report(study)


@pytest.mark.parametrize(("section", "key"), SECTIONS.items())
def test_one_table_holds_every_method_and_details_are_folded(report, section, key):
    html = getattr(report, section)().html
    shown, _, folded = html.partition('<details class="method">')
    beside = section in {"change", "regression"}  # own corrections; the slope on true fitness
    assert shown.count("<table") == 1 + beside
    for method in ("belt", "wrist"):
        assert f'data-statistic="{key.format(method)}"' in shown
        assert f'data-statistic="{key.format(method)}"' in folded
    assert "<summary>Chest &lt;belt&gt;: details</summary>" in html


def test_the_bias_of_both_stands_in_their_rows(report):
    shown = report.differences().html.partition('<details class="method">')[0]
    values = dict(
        re.findall(r'data-statistic="limits_of_agreement/(\w+)/run/all/bias">([^<]+)<', shown)
    )
    wrist, belt = (float(values[name].replace("\u2212", "-")) for name in ("wrist", "belt"))
    assert belt - wrist == pytest.approx(1.25, abs=0.1)


def test_the_own_correction_stands_in_its_section_and_in_no_further_table(report):
    shown = report.change().html.partition('<details class="method">')[0]
    for method in ("belt", "wrist"):
        assert f'"own_correction/{method}/run/all/' in shown
    further = report.further().html
    assert not any(f'"{analysis}/' in further for analysis in BESIDE.values())


def test_the_matrix_of_methods_is_shown_and_its_sentences_are_folded(report):
    shown, _, folded = report.two_estimators().html.partition("<details")
    assert shown.count("<figure>") == 1
    assert "Chest &lt;belt&gt;" in shown
    assert "data-statistic" not in shown.partition("<figcaption")[2]
    assert 'data-statistic="closer/' in folded


def test_profiles_budget_and_averaging_are_one_figure_of_both(report):
    for section in ("profiles", "budget", "averaging"):
        shown = getattr(report, section)().html.partition('<details class="method">')[0]
        assert shown.count("<figure>") == 1, section


def test_profiles_of_a_few_athletes_each_draw_no_empty_axes(small_study, tmp_path):
    study = small_study(tmp_path / "crew", athletes=12, visits=1)
    people = pd.read_csv(study / "athletes.csv")
    people["training_profile"] = ["long", "short", "mixed"] * 4  # four each: no bias of their own
    people.to_csv(study / "athletes.csv", index=False)
    own = pd.read_csv(study / "field_estimates.csv")
    pd.concat([own, own.assign(method="belt")]).to_csv(study / "field_estimates.csv", index=False)
    report = open_report(study)
    assert report.numbers.get("profile_bias", "bias_pooled", "belt", "run", "long").known
    assert drawn_across(report.comparisons, "profiles") == []


def test_a_figure_of_several_methods_says_of_which_mode_it_is(small_study, tmp_path):
    study = small_study(tmp_path / "crew", athletes=24)
    for name in ("lab_tests.csv", "field_estimates.csv"):
        table = pd.read_csv(study / name)
        table.loc[table["athlete_id"] < "A12", "mode"] = "cycle"
        if name == "field_estimates.csv":
            table = pd.concat([table, table.assign(method="belt")])
        table.to_csv(study / name, index=False)
    drawn = drawn_across(open_report(study).comparisons, "averaging")
    assert {one.name: "wrist, cycle" in one.alt for one in drawn} == {
        "averaging-cycle": True,
        "averaging-run": False,
    }


def test_what_methods_share_of_the_laboratory_is_said_once(report, small_study, tmp_path):
    study = small_study(tmp_path / "crew")
    toml = study / "study.toml"
    toml.write_text(toml.read_text() + "[reference]\nsem_ml_kg_min = 6\n", encoding="utf-8")
    alone = open_report(study).differences().html
    own = pd.read_csv(study / "field_estimates.csv")
    both = pd.concat([own, own.assign(method="belt")])
    both.to_csv(study / "field_estimates.csv", index=False)
    shown = open_report(study).differences().html
    said = "exceeds the smallest worthwhile change"
    assert alone.count(said) == shown.count(said) == 1
    assert said not in report.differences().html


def test_a_table_says_that_the_laboratorys_error_was_declared(report, tmp_path, small_study):
    said = "with the laboratory's error as declared, not measured here"
    assert said not in in_words(report.differences().html + report.further().html)
    study = small_study(tmp_path / "crew")
    toml = study / "study.toml"
    toml.write_text(toml.read_text(encoding="utf-8") + "[reference]\nsem_ml_kg_min = 2\n")
    assert said in in_words(open_report(study).further().html)


def test_sources_are_named_of_numbers_that_are_there(report):
    sources, _, every = report.formulas().html.partition("Every formula and its source")
    assert "Bland &amp; Altman 1986" in sources
    assert not report.frame.set_index("statistic").loc["p_joint", "value"].notna().any()
    assert "Bradley &amp; Blackwood" not in sources  # of p_joint alone
    assert "Bradley &amp; Blackwood" in every
    rows = dict(re.findall(r'<th scope="row">([^<]+)</th><td[^>]*>([^<]*)<', sources))
    assert max(text.count(";") for text in rows.values()) < 6  # of many, the analyses
    assert rows["textbook"] == (
        "line of laboratory on field; size of the error; the field value against true fitness"
    )


def test_the_running_header_cannot_end_the_style():
    page = whole_page("</style><b>x", "", "")
    assert "</style><b>" not in page
    assert "counter(page)" in page


def test_the_structural_lines_of_all_methods_are_one_figure_of_a_validation():
    row = {"analysis": "structural", "method": "m", "mode": "run", "group": "all"}
    lines = pd.DataFrame([row | {"statistic": "slope", "value": 0.8, "low": 0.6, "high": 1.1}])
    pairs = pd.DataFrame({"lab": [45.0, 50.0, 58.0], "field": [46.0, 49.0, 56.0]})
    told = {"words": None, "pairs": pairs, "of": lambda _: lines}
    known = SimpleNamespace(name="A", cell=lambda *_: Cell("slope", 0.8), **told)
    unknown = SimpleNamespace(name="B", cell=lambda *_: Cell("slope", float("nan")), **told)
    (drawn,) = structural_lines([known, unknown, known])
    assert [ax.get_title(loc="left") for ax in drawn.figure.axes] == ["A"] * 2
    assert drawn.alt.startswith("A. Field against laboratory values")
    assert structural_lines([unknown]) == []


def test_every_column_of_the_tables_across_methods_is_declared():
    for name in stated("tables", "across"):
        _, columns = across_table(name)
        assert columns
        for analysis, statistic, _ in columns:
            assert statistic in BY_NAME[analysis].names


def test_every_line_that_sentences_name_is_declared():
    places = [*stated("tables", "judged").values(), *stated("tables", "quoted").values()]
    places += stated("tables", "axes")
    said = [Caution(code, "") for code in declared("cautions.toml", "stats/verdict")["numbers"]]
    places += [place for one in said for place in (one.numbers | one.recommended).values()]
    for analysis, statistic, *_ in (place.split("/") for place in places):
        assert statistic in BY_NAME[analysis].names


def test_a_budget_of_which_only_the_rest_is_known_is_neither_drawn_nor_a_table(
    small_study, tmp_path
):
    study = small_study(tmp_path / "crew", visits=1)
    tests = pd.read_csv(study / "lab_tests.csv").drop_duplicates("athlete_id")
    tests.to_csv(study / "lab_tests.csv", index=False)
    readings = pd.read_csv(study / "field_estimates.csv")
    known = ["athlete_id", "taken_at", "method", "mode", "vo2max_ml_kg_min"]
    one_each = readings[known].drop_duplicates("athlete_id", keep="last")
    one_each.to_csv(study / "field_estimates.csv", index=False)
    (study / "athletes.csv").unlink()
    with (study / "study.toml").open("a", encoding="utf-8") as file:
        file.write("\n[pairing]\nminimum_days = 1\n")
    html = open_report(study).budget().html
    assert "no source can be told apart from the rest" in html
    assert "<table" not in html
    assert "<svg" not in html
