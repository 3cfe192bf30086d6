"""A study without a field method: the laboratory by itself, on the page and in lab_values.csv."""

import json
import re
from html import unescape

import numpy as np
import pandas as pd
import pytest
from opened import open_report
from printed import bare_numbers, wrong_numbers
from turns import slowly

from agreement.physiology.averaging import COMPARED_RULES
from agreement.report.page.html import notebook_page
from agreement.report.page.machine import in_words
from agreement.report.page.numbers import Numbers
from agreement.report.run.write import write_report
from agreement.report.sections.further import analysis_tables
from agreement.report.sections.laboratory_section import beside_block
from agreement.stats.catalogue import BY_NAME
from agreement.terms import LAB_VALUE_COLUMNS, RESULT_COLUMNS

# repeats two days apart; second minus first 1, 2, 1, 2, 3, 3: mean 2, SD 0.894427 (by hand: sum of
# squares 4, over 5, root), typical error 0.894427 / root 2 = 0.632456
FIRST = {"A": 50.0, "B": 55.0, "C": 44.0, "D": 61.0, "E": 47.0, "F": 52.0}
SECOND = {"A": 1.0, "B": 2.0, "C": 1.0, "D": 2.0, "E": 3.0, "F": 3.0}
# months later, against the mean of the two: only E (+6) lies far beyond 1.96 root(v (1/2 + 1/1)),
# which is 1.52 mL/kg/min; B (+1) lies within
LATER = {"A": 0.0, "B": 1.0, "E": 6.0, "F": -0.5}
OF_ATHLETES = {f"Changed by {word} than the noise (mL/kg/min)" for word in ("more", "less")}


@pytest.fixture
def study(tmp_path):
    """Return the maker of a study folder with a laboratory table only."""

    def make(*, breaths=False, toml=""):
        folder = tmp_path / "bench"
        folder.mkdir()
        rows = []
        for who, first in FIRST.items():
            rows.append((who, "2026-03-02", first))
            rows.append((who, "2026-03-04", first + SECOND[who]))
            if who in LATER:
                rows.append((who, "2026-07-01", first + SECOND[who] / 2 + LATER[who]))
        tests = pd.DataFrame(rows, columns=["athlete_id", "date", "vo2max_ml_kg_min"])
        tests.insert(0, "lab_test_id", [f"L{n:02}" for n in range(len(tests))])
        tests = tests.assign(mode="run", averaging_rule="fixed 30 s", rer_max=1.15, mass_kg=70.0)
        tests.to_csv(folder / "lab_tests.csv", index=False)
        (folder / "study.toml").write_text(f'[study]\ntime_zone = "UTC"\n{toml}')
        if breaths:
            (folder / "breaths").mkdir()
            t = np.arange(2.0, 602.0, 2.0)  # ten minutes, a breath each two seconds
            rising = 1000.0 + 4.0 * t
            rising[200] += 4000.0  # a cough
            table = pd.DataFrame({"t_s": t, "vo2_ml_min": rising})
            table.to_csv(folder / "breaths" / "L00.csv", index=False)
        return folder

    return make


@pytest.fixture
def out(tmp_path):
    """Return an empty folder for tables."""
    (tmp_path / "out").mkdir()
    return tmp_path / "out"


def plain(block):
    return unescape(re.sub(r"<[^>]+>", "", block.html))


def test_the_first_page_tells_repeats_and_who_changed(study):
    report = open_report(study())
    told = plain(report.verdict())
    assert "One test lies 0.6 mL/kg/min" in told
    assert "as a typical error (about one test in three lies farther)" in told  # beyond 1 SD: 0.317
    assert "the second reads +2.0 against the first" in told
    assert "1 of 4 athletes changed by more than the laboratory's own noise" in told
    assert "verdict" not in told
    assert "Agree on a limit" not in plain(report.next_steps())
    marked = dict(re.findall(r'data-statistic="([^"]+)">([^<]+)<', report.verdict().html))
    assert marked == {
        "repeatability/laboratory/run/all/typical_error": "0.6",
        "laboratory_repeats/laboratory/run/1 to 2/mean_shift": "+2.0",
    }


def test_repeats_with_their_shift_and_names_of_who_changed(study):
    html = open_report(study()).laboratory().html
    key = "laboratory_repeats/laboratory/run/1 to 2"
    assert f'data-statistic="{key}/mean_shift">2.0<' in html
    assert f'data-statistic="{key}/typical_error">0.6<' in html
    shown, folded = html.split("<details>")
    assert re.findall(r'<th scope="row">(\w)</th>', shown) == ["E"]
    assert re.findall(r'<th scope="row">(\w)</th>', folded) == ["A", "B", "F"]
    assert "+6.0" in shown


def test_nothing_of_the_field_fills_the_page(study, tmp_path):
    written = write_report(study(), out=tmp_path / "out")
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert re.findall(r'<h2 id="section[^"]*">([^<]+)</h2>', page) == [
        "Who is in, and who is not",
        "The laboratory by itself",
        "What was left out",
        "Cautions",
        "How this was computed",
        "Where this comes from",
    ]
    results = pd.read_csv(tmp_path / "out" / "results.csv", keep_default_na=False, na_values=[""])
    wrong, marked = wrong_numbers(page, results)
    assert (wrong, marked > 3) == ([], True)
    assert [one for one in bare_numbers(page) if one[0] not in OF_ATHLETES] == []
    assert "no pair was found" not in page
    assert "could be paired" not in page
    assert "field minus laboratory" not in page
    assert "Bland" not in page  # a source of limits
    assert "What the averaging rule is worth" not in page  # no breaths
    assert written.verdict[0].startswith("One test lies 0.6 mL/kg/min")
    assert "lab_values.csv" in written.files
    assert "athlete_cards.html" not in written.files


def values(folder):
    return pd.read_csv(folder / "lab_values.csv", keep_default_na=False)


def test_typed_values_have_one_row_under_their_own_rule(study, out):
    open_report(study(), save=out).save()
    found = values(out)
    assert list(found) == LAB_VALUE_COLUMNS
    assert len(found) == found["lab_test_id"].nunique() == 16
    assert set(found["rule"]) == {"fixed 30 s"}
    assert set(zip(found["in_use"], found["edited"], strict=True)) == {("yes", "unknown")}
    assert found["vo2max_ml_kg_min"].head(3).tolist() == [50.0, 51.0, 50.5]
    assert set(found["criterion_rer"]) == {"met"}


def test_what_a_rule_is_worth_is_told_without_a_bias(study):
    told = plain(open_report(study(breaths=True)).averaging_rules())
    assert "The same breaths under every averaging rule" in told
    assert "between two laboratories may be the rule alone" in told
    assert not re.search("bias|field", told)


@pytest.mark.parametrize("edit", ["yes", *slowly(["no"])])
def test_breaths_give_each_rule_edited_and_not(study, out, edit):
    toml = "[reference]\nedit_breaths = true\n" if edit == "yes" else ""
    open_report(study(breaths=True, toml=toml), save=out).save()
    found = values(out)
    own = found[found["lab_test_id"] == "L00"]
    assert len(found) == 15 + len(own)
    assert set(own["rule"]) == set(COMPARED_RULES)
    assert not own.duplicated(["rule", "edited"]).any()
    used = own[own["in_use"] == "yes"]
    assert used[["rule", "edited"]].to_numpy().tolist() == [["fixed 30 s", edit]]
    by = own.set_index(["rule", "edited"])["vo2max_ml_kg_min"]
    # five breaths about the cough at 402 s: 1000 + 4 * 402 on average and a fifth of 4000 more
    assert by["moving 5 breaths", "no"] == pytest.approx(
        (1000 + 4 * 402 + 800) / 70, abs=(4 * 4) / 70 + 1e-9
    )
    # without it the last five, at 592 to 600 s: 1000 + 4 * 596
    assert by["moving 5 breaths", "yes"] == pytest.approx((1000 + 4 * 596) / 70, rel=1e-6)


def test_an_audit_of_the_laboratory_says_nothing_of_pairs_and_names_nobody(study, out):
    report = open_report(study(), kind="audit", save=out)
    said = plain(report.verdict())
    assert "One test lies 0.6" in said
    assert "changed by more" not in said
    assert "pair" not in said
    report.save()
    told = json.loads((out / "provenance.json").read_text(encoding="utf-8"))["verdict"]
    assert told[0].startswith("One test lies 0.6")
    steps = re.sub(r"<[^>]+>", " ", unescape(report.next_steps().html))
    assert "Not confirmed to be maximal: 16 laboratory tests." in " ".join(steps.split())
    for nothing in (report.chart, report.funnel, report.drift, report.protocol_list):
        assert nothing().html == ""


def test_an_audit_has_no_values_of_tests_and_names_nobody(study, out):
    report = open_report(study(breaths=True), kind="audit", save=out)
    report.save()
    assert not (out / "lab_values.csv").exists()
    assert "changed by more" not in report.laboratory().html


def test_a_field_study_writes_them_only_with_breaths(small_study, out, tmp_path):
    open_report(small_study(tmp_path / "crew"), save=out).save()
    assert not (out / "lab_values.csv").exists()


def test_a_heading_whose_code_showed_nothing_is_left_out():
    from nbformat import v4

    def shown(html):
        return v4.new_output("display_data", data={"text/html": html})

    def code(html):
        return v4.new_code_cell("x", outputs=[shown(html)])

    words = v4.new_markdown_cell
    cells = [words("# Title"), words("## Kept\n\nWords."), code("<p>here</p>")]
    cells += [words("## Gone\n\nWords."), code(""), words("### Gone too"), code("")]
    cells += [words("## Above\n\nWords."), code(""), words("### Below"), code("<p>there</p>")]
    page = notebook_page(v4.new_notebook(cells=cells), "title")
    assert re.findall(r"<h2 id=\"section[^>]*>([^<]+)", page) == ["Kept", "Above"]
    assert "Gone" not in page
    assert "<h3>Below</h3>" in page


def explained(day="another_day", **values):
    row = {"analysis": "economy_explained", "mode": "run", "group": day, "unit": "1", "n": 9}
    row |= {"n_pairs": 9, "note": ""}
    return pd.DataFrame(
        [
            row
            | {"method": method, "statistic": name}
            | dict(zip(("value", "low", "high"), found, strict=True))
            for method, both in values.items()
            for name, found in zip(("r_squared", "slope"), both, strict=True)
        ]
    )


LOOSE = ((0.10, 0.0, 0.5), (0.4, -0.6, 1.4))


def test_errors_are_said_to_go_with_economy_only_where_they_rise_with_those_expected():
    some = explained(pace=((0.46, 0.12, 0.75), (0.9, 0.3, 1.5)), wrist=LOOSE)
    told = in_words(beside_block(Numbers(some), "share of HRmax").html.split("<details")[0])
    assert (
        "Of 2 methods with stages of another day than VO2max, errors are shown to go with" in told
    )
    assert "economy in 1: " in told
    assert "46 % (12 % to 75 %) of their spread." in told
    assert "analyser" not in told
    against = ((0.46, 0.12, 0.75), (-0.9, -1.5, -0.3))  # errors fall where economy lets them rise
    none = Numbers(explained(wrist=LOOSE, pace=against))
    assert "economy in none." in in_words(beside_block(none, "share of HRmax").html)


def test_with_stages_of_the_same_day_economy_is_said_to_need_not_be_the_cause():
    of_day = Numbers(explained("same_day", pace=((0.3, 0.08, 0.54), (0.99, 0.5, 1.5))))
    block = beside_block(of_day, "share of HRmax")
    told, table = block.html.split("<details", 1)
    told = in_words(told)
    assert "another day" not in told
    assert "of the same day as VO2max" in told
    assert "error of the analyser on that day alone makes the two go together" in told
    assert "explain" not in told
    assert "an error of the analyser alone gives 1" in table  # beside the slope


def test_only_a_report_that_names_people_lists_what_their_economy_lets_expect():
    numbers = Numbers(explained(wrist=LOOSE))
    person = {"athlete_id": "A7", "lab_test_id": "T", "method": "wrist", "mode": "run"}
    person |= {
        "cost_ratio": 0.95,
        "stages_of": "same_day",
        "expected": 2.63,
        "difference": 4.0,
        "rest": 1.37,
    }
    block = beside_block(numbers, "share of HRmax", pd.DataFrame([person]))
    assert "A7" in block.html
    for shown in ("0.95", "+2.6", "+4.0", "+1.4"):
        assert f">{shown}<" in block.html
    assert "A7" not in beside_block(numbers, "share of HRmax").html


def test_a_number_of_fewer_athletes_than_its_neighbours_says_of_how_many():
    row = {"analysis": "thresholds", "method": "laboratory", "mode": "run", "group": "vt1 v_slope"}
    row |= {"low": np.nan, "high": np.nan, "note": "", "unit": "bpm"}
    found = (("share_found", 0.75), ("mean_vo2", 34.5), ("mean_hr", 151.0))

    def told(*sizes, **withheld):
        rows = (
            row | {"statistic": name, "value": value, "n": n, "n_pairs": n} | withheld
            for (name, value), n in zip(found, sizes, strict=True)
        )
        html = beside_block(Numbers(pd.DataFrame(rows)), "share of HRmax").html
        html = html.partition("How this is computed")[0]
        return [re.sub("<[^>]+>", " ", one) for one in re.findall("<td[^>]*>(.*?)</td>", html)]

    unlike = " ".join(" ".join(told(19, 14, 7)).split())
    assert "0.75 n = 19 34.5 n = 14 " in unlike
    assert "151.0 n = 7 " in unlike
    assert unlike.endswith(" 7 to 19")
    alike = " ".join(" ".join(told(19, 19, 19)).split())
    assert "n =" not in alike
    assert alike.endswith(" 151.0 19")
    gone = told(19, 19, 19, value=np.nan, n=np.nan, n_pairs=np.nan, note="suppressed: below 5")
    assert gone[-1].strip() == "withheld"


def test_how_several_analyses_are_computed_is_said_once_below_their_tables():
    row = {"method": "laboratory", "mode": "run", "value": 4.0, "low": 3.0, "high": 5.0, "n": 9}
    row |= {"n_pairs": 9, "note": "", "unit": "mL/kg/min"}
    places = (("economy", "all", "mean_cost_ratio"), ("thresholds", "vt1 v_slope", "mean_vo2"))
    rows = [row | {"analysis": a, "group": g, "statistic": s} for a, g, s in places]
    names = [analysis for analysis, *_ in places]
    *shown, how = analysis_tables(Numbers(pd.DataFrame(rows)), [BY_NAME[one] for one in names])
    assert [table.html.count(">group<") for table in shown] == [0, 1]
    assert not any("computed" in table.html for table in shown)
    assert how.html.startswith("<details")
    assert how.html.count("mean over athletes, each with the mean of the own tests") == 2


def test_the_words_of_a_report_on_the_laboratory_speak_of_no_field_value(study, tmp_path):
    page = (write_report(study(), tmp_path / "out").folder / "report.html").read_text()
    folded = re.findall(r'<details class="words">.*?</details>', page, flags=re.DOTALL)
    assert folded
    assert not [one for one in folded if re.search(r"\b(field|pair)\b", one)]


def test_a_table_of_an_analysis_has_no_column_without_a_number():
    nan = float("nan")
    rows = [
        ("economy", "laboratory", "run", "all", "mean_cost_ratio", 0.96, 0.93, 0.99, "1", 8, 8, ""),
        (
            "economy",
            "laboratory",
            "run",
            "all",
            "mean_gross_efficiency",
            nan,
            nan,
            nan,
            "%",
            0,
            0,
            "no",
        ),
    ]
    numbers = Numbers(pd.DataFrame(rows, columns=RESULT_COLUMNS))
    shown, how = analysis_tables(numbers, [BY_NAME["economy"]])
    html = shown.html.partition("</thead>")[0]
    assert "cost of work" in html
    assert ">group<" not in html  # of everybody alone
    assert "gross efficiency" not in how.html
    assert "efficiency (%)" not in html


def test_an_error_of_the_laboratory_that_was_declared_is_called_assumed():
    """A registry's note goes on: the sample that the numbers are of."""
    key = ("repeatability", "laboratory", "run", "all", "typical_error")
    row = (*key, 1.5, np.nan, np.nan, "mL/kg/min", 0, 0, "assumed; sample of 2001 of 2600 athletes")
    numbers = Numbers(pd.DataFrame([row], columns=RESULT_COLUMNS))
    shown, _ = analysis_tables(numbers, [BY_NAME["repeatability"]])
    assert "laboratory, run (assumed, not measured here)" in shown.html
