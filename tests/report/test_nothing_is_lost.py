"""
What the long reports showed before they became short ones is still there.

Each section of the reports of version 0.1.0 has its place on the page, folded or not, or its line among
what the data cannot say; each analysis stands in results.csv with its numbers.
"""

import re
from html import unescape

import pytest
from turns import slowly

SECTIONS = {  # heading then -> words that stand on the page now
    "squad": {
        "Who is in, and who is not": "Rows by file",
        "Was it a maximum?": "confirmed to be maximal",
        "Agreement with the laboratory": "bias and limits of agreement",
        "How far repeats lie apart": "typical error",
        "What a field value stands for": "calibration line",
        "What the estimator was told": "estimator was told",
        "Athlete by athlete": "laboratory-equivalent",
        "What was left out": "Nothing was left out|Why rows were left out",
        "Cautions": "does not diagnose",
        "How this was computed": "The reference is VO2max",
        "Where this comes from": "seed of everything random",
    },
    "audit": {
        "The limit agreed beforehand": "limit for one person|No limit was agreed",
        "Who completed, and who did not": "People, from the first try to a pair",
        "Did the laboratory reach a maximum?": "criterion|Criteria of maximal effort",
        "By sex and age": "by sex",
        "Outside the range of an equation": "range of an equation|known population",
        "The protocol, item by item": "Standardised conditions before the test",
        "Sign-off": "released by.*More than one release of a study says more than one alone",
    },
    "validation": {
        "Own against printed figures": "published.toml",
        "Which choices the limits hang on": "limits by convention",
        "The structure of the difference": "Deming slope",
        "Every test made": "every test made",
        "Reporting lists": "Conflicts of interest",
        "Paragraphs to quote": "was compared with field values",
        "How this was computed": "Source of every equation used",
        "Formulas": "Every formula and its source",
    },
}
ANALYSES = (  # of results.csv of version 0.1.0
    *("limits_of_agreement", "verdict", "trend", "regression", "deming", "passing_bablok"),
    *("concordance", "error", "repeatability", "profile_bias", "change", "calibration"),
    *("equivalence", "budget", "averaging_curve", "limits_by_convention", "choice_of_pairs"),
    *("slope_on_one_method", "by_sex", "by_age", "drift", "quantile_limits", "interval_width"),
    *("limits_by_level", "ratio_limits", "pairing_rule", "intensity_coverage"),
)


@pytest.fixture(scope="module", params=["squad", *slowly(k for k in SECTIONS if k != "squad")])
def report(request, small_study, tmp_path_factory):
    from agreement.report.run.write import write_report

    study = small_study(tmp_path_factory.mktemp(request.param) / "crew")
    out = study.parent / "out"
    write_report(study, out, kind=request.param)
    return request.param, out


def test_each_section_of_before_is_on_the_page(report):
    kind, out = report
    page = (out / "report.html").read_text(encoding="utf-8").partition("<main")[2]
    text = " ".join(unescape(re.sub(r"<[^>]+>", " ", page)).split())
    lost = [
        section
        for section, words in SECTIONS[kind].items()
        if not re.search(words, text, flags=re.IGNORECASE)
    ]
    assert lost == []


def test_each_analysis_of_before_is_in_the_results(report):
    rows = (report[1] / "results.csv").read_text(encoding="utf-8").splitlines()[1:]
    assert set(ANALYSES) <= {row.partition(",")[0] for row in rows}
