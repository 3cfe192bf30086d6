"""
A printed table reproduced through published.toml.

The 31 men: physical fitness course data (A. C. Linnerud), printed in Rawlings, Pantula and Dickey,
Applied Regression Analysis. The figures beside them were computed independently of this project, to
their last printed digit; the estimator is 3.5 + 483 / minutes for 1.5 miles.
"""

import re
import subprocess
import sys
from html import unescape

import pandas as pd
import pytest
from held import held
from opened import open_report

from agreement.errors import TableError
from agreement.report.page.machine import in_words
from agreement.report.run.any_size import check_study
from agreement.report.run.published_file import unknown_name
from agreement.report.sections.published import reproduced
from agreement.stats.limits.limits_by_convention import limit_factor
from agreement.tables.new_study import worked_example

METHOD = "run_1_5mile_inverse_time"
FIGURES = [
    ("limits_of_agreement", "bias", 2.49, 2, ""),
    ("limits_of_agreement", "sd_of_differences", 2.87, 2, ""),
    ("limits_of_agreement", "lower_limit", -3.13, 2, "z = 1.96"),
    ("limits_of_agreement", "upper_limit", 8.12, 2, "z = 1.96"),
    ("regression", "r", 0.876, 3, ""),
    ("regression", "standard_error_of_estimate", 2.61, 2, ""),
    ("error", "mape", 6.32, 2, ""),
    ("measured_values", "lab_mean", 47.38, 2, ""),
    ("measured_values", "lab_sd", 5.33, 2, ""),
    ("measured_values", "field_mean", 49.87, 2, ""),
    ("error", "mape", 6.30, 2, ""),  # not the printed one: must be told apart
]


def entry(analysis, statistic, value, digits, convention):
    lines = [
        "[[figure]]",
        f'analysis = "{analysis}"',
        f'method = "{METHOD}"',
        'mode = "run"',
        f'statistic = "{statistic}"',
        f"value = {value}",
        f"digits = {digits}",
    ]
    return "\n".join([*lines, *([f'convention = "{convention}"'] if convention else [])])


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    folder = tmp_path_factory.mktemp("men")
    table = held("fitness_31_men")
    men = pd.DataFrame(table["rows"], columns=table["columns"])
    (folder / "study.toml").write_text('[study]\ntime_zone = "UTC"\n', encoding="utf-8")
    source = '[source]\ncitation = "Rawlings & others"\ntable = "1"\n'
    text = source + "\n".join(entry(*figure) for figure in FIGURES)
    (folder / "published.toml").write_text(text, encoding="utf-8")
    lab = {
        "lab_test_id": "T" + men.id,
        "athlete_id": men.id,
        "date": "2026-03-02",
        "mode": "run",
        "vo2max_ml_kg_min": men.vo2_measured_ml_kg_min,
        "mass_kg": men.mass_kg,
    }
    runs = {
        "athlete_id": men.id,
        "date": "2026-03-04",
        "protocol": METHOD,
        "time_min": men.run15_time_min,
    }
    pd.DataFrame(lab).to_csv(folder / "lab_tests.csv", index=False)
    pd.DataFrame(runs).to_csv(folder / "field_tests.csv", index=False)
    return folder


@pytest.fixture(scope="module")
def report(study):
    return open_report(study, kind="validation")


def test_printed_figures_agree_and_another_one_does_not(report):
    html = report.published().html
    told = re.findall(r"<td>(?:<strong>)?(agrees|differs)(?:</strong>)?</td>", html)
    assert told == ["agrees"] * 10 + ["differs"]
    assert "10 of 11 printed figures agree" in html
    assert "Rawlings &amp; others" in html


def test_nothing_is_said_first_of_printed_figures_where_none_is_named(study, tmp_path):
    numbers = open_report(study, kind="validation").numbers
    assert not reproduced(tmp_path, numbers)
    (tmp_path / "published.toml").write_text("", encoding="utf-8")
    assert "names no figure" in reproduced(tmp_path, numbers)


def test_conventions_of_limits():
    # two-sided 95 % Student factor on 30 degrees of freedom: 2.042, in any printed table (memory)
    assert limit_factor("t", 31) == pytest.approx(2.042, abs=0.0005)
    assert (limit_factor("2 SD", 31), limit_factor("z = 1.96", 31)) == (2.0, 1.96)


def test_a_name_that_is_like_none_brings_no_guess():
    assert unknown_name("descriptive", "mean") == "no analysis 'descriptive'; see results.csv"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            '[[figure]]\nanalysis = "error"',
            "figure 1: method, mode, statistic, value, digits missing. The figure is not compared.",
        ),
        (
            entry("error", "mape", 6.32, 2, "3 SD"),
            "convention must be one of z = 1.96, t, 2 SD; got",
        ),
        (  # every fault of one figure at once
            entry("error", "mape", '"6,32"', 1.5, "3 SD"),
            "got '3 SD'; value must be a number, with a dot and no quotes; got '6,32'; digits must",
        ),
        ("no toml at all", "cannot be read"),
        ("", "names no figure"),
    ],
)
def test_a_wrong_file_is_said_in_words(report, study, text, said):
    path = study / "published.toml"
    before = path.read_text(encoding="utf-8")
    path.write_text(text, encoding="utf-8")
    try:
        assert said in unescape(re.sub(r"<[^>]+>", "", report.published().html))
    finally:
        path.write_text(before, encoding="utf-8")


WRONG_NAMES = {
    entry("limits_of_agreement", "bais", 2.49, 2, ""): (
        "no statistic 'bais' in limits_of_agreement; did you mean 'bias'?"
    ),
    entry("limits_of_agreemnt", "bias", 2.49, 2, ""): (
        "no analysis 'limits_of_agreemnt'; did you mean 'limits_of_agreement'?"
    ),
    entry("error", "mape", 6.32, 2, "").replace('"run"', '"cycle"'): (
        f"no pair of '{METHOD}' in mode 'cycle'; there is '{METHOD}' in run"
    ),
}


@pytest.fixture
def printed(study):
    """Return a function that writes other printed figures into the study; undone afterwards."""
    path = study / "published.toml"
    before = path.read_text(encoding="utf-8")
    yield lambda *texts: path.write_text("\n".join(texts), encoding="utf-8")
    path.write_text(before, encoding="utf-8")


def test_a_figure_without_a_line_of_ours_is_not_compared_and_does_not_differ(report, printed):
    # 31 men with one pair each; no laboratory test was repeated
    printed(
        *WRONG_NAMES,
        entry("error", "mape", 6.32, 2, ""),
        entry("limits_of_agreement", "n", 31, 0, ""),
        entry("error", "n_pairs", 30, 0, ""),
        entry("error", "mape", 6.32, 2, "") + '\ngroup = "al"',
        entry("repeatability", "typical_error", 2.1, 1, ""),
        entry("error", "mape", '"6,32"', 2, ""),
    )
    html = report.published().html
    text = unescape(re.sub(r"<[^>]+>", "", html))
    assert "2 of 3 printed figures agree within half a unit of the last digit." in text
    assert "6 figures could not be compared." in text
    for said in WRONG_NAMES.values():
        assert f"not compared: {said}" in text
    assert "no group 'al' in error; did you mean 'all'?" in text
    assert "mean absolute error in per cent of the laboratory" in text
    assert html.count("<strong>differs</strong>") == 1


def test_check_names_every_wrong_printed_figure(study, printed):
    printed(
        *WRONG_NAMES, entry("error", "mpae", '"6,32"', 1.5, ""), entry("error", "mape", 6, 0, "")
    )
    usable, problems = check_study(study)
    said = [p.what for p in problems if p.file == "published.toml"]
    assert usable
    assert len(said) == 4  # not the fifth, which is right
    for number, words in enumerate(WRONG_NAMES.values(), start=1):
        assert any(f"figure {number}: {words}" in one for one in said)
    assert said[3].startswith(
        "figure 4: value must be a number, with a dot and no quotes; got '6,32'"
    )
    assert (
        "; digits must be a whole number from 0 to 12; got 1.5; no statistic 'mpae' in" in said[3]
    )


def test_an_unknown_key_stops_check_and_report_and_names_the_nearest(study, printed):
    printed(entry("error", "mape", 6.32, 2, "").replace("digits", "digit"), "[souce]")
    usable, problems = check_study(study)
    stops = [str(p) for p in problems if p.severity == "stop"]
    assert not usable
    assert stops == [
        "published.toml: unknown key 'souce'. Did you mean 'source'?",
        "published.toml: figure 1: unknown key 'digit'. Did you mean 'digits'?",
    ]
    with pytest.raises(TableError, match="unknown key 'digit'"):
        open_report(study, kind="validation")


@pytest.mark.parametrize(("convention", "group"), [("t", "t"), ("2 SD", "2_sd")])
def test_limits_by_another_convention_name_their_own_line(report, printed, convention, group):
    printed(entry("limits_of_agreement", "upper_limit", 8.1, 1, convention))
    key, shown = re.search(r'data-statistic="([^"]+)">([^<]+)<', report.published().html).groups()
    assert key == f"limits_by_convention/{METHOD}/run/{group}/upper_limit"
    frame = report.frame
    own = frame[
        (frame["analysis"] == "limits_by_convention")
        & (frame["group"] == group)
        & (frame["statistic"] == "upper_limit")
    ]
    assert float(shown) == pytest.approx(own["value"].item(), abs=0.005)


@pytest.mark.parametrize("section", ["sensitivity", "structure", "reporting_lists", "quotable"])
def test_every_section_of_a_validation_speaks(report, section):
    html = getattr(report, section)().html
    assert "nan" not in re.sub(r"<[^>]+>", " ", html).lower().split()
    assert len(html) > 60


def test_human_items_are_left_for_people_to_state(report):
    html = report.reporting_lists().html
    assert html.count("<strong>you must state</strong>") >= 6
    assert "31 athletes, 31 laboratory tests, 31 pairs" in html


def test_the_worked_example_holds_the_printed_table_and_gives_its_figures(tmp_path):
    worked_example(tmp_path / "example")
    table = held("fitness_31_men")
    men = pd.DataFrame(table["rows"], columns=table["columns"])
    tests = pd.read_csv(tmp_path / "example" / "lab_tests.csv")
    runs = pd.read_csv(tmp_path / "example" / "field_tests.csv")
    assert tests["vo2max_ml_kg_min"].tolist() == men["vo2_measured_ml_kg_min"].tolist()
    assert runs["time_min"].tolist() == men["run15_time_min"].tolist() * 2
    report = open_report(tmp_path / "example", kind="validation")
    html = report.published().html
    assert "2 of 2 printed figures agree" in html
    assert "2 true by construction (2 agree)" in html
    assert "14 computed elsewhere (14 agree)" in html
    first = in_words(report.verdict().html)  # what was printed, and only then what is new
    assert first.startswith("2 of 2 printed figures agree within half a unit of the last digit.")
    assert "What the study adds: There is no verdict" in first
    # the printed line's own root mean square error, to its last digit
    assert re.search(r'<td class="number">2\.74478</td>', html)


def test_the_worked_example_is_written_by_the_command(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "agreement", "new", str(tmp_path / "example"), "--example"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "example" / "published.toml").is_file()
