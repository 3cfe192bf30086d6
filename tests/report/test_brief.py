"""The brief: question, answer, chart, three actions and cautions on one sheet (A4: ISO 216, 210 x 297 mm)."""

import re
import shutil
from pathlib import Path

import pytest

from agreement.report.page.pdf import browser, print_pdf
from agreement.report.run.write import write_report

DEMO = Path(__file__).parents[2] / "demo_cohort"


@pytest.fixture(scope="module", params=["small", pytest.param("demo", marks=pytest.mark.slow)])
def brief(request, small_study, tmp_path_factory):
    """The folder of a brief, in its usual place, printed where a browser is found."""
    root = tmp_path_factory.mktemp("brief")
    study = root / "crew"
    if request.param == "demo":
        shutil.copytree(DEMO, study, ignore=shutil.ignore_patterns("*.key*"))
    else:
        small_study(study)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(root)
        written = write_report(study, kind="brief", pdf=browser() is not None)
    assert written.folder == Path("reports/crew-brief")
    return root / written.folder


def pages(pdf):
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


def test_it_holds_the_answer_and_nothing_folded(brief):
    page = (brief / "report.html").read_text(encoding="utf-8")
    main = page.split("<main", 1)[1]
    assert "<details" not in main
    assert "<nav" not in main
    assert "<table" not in main
    assert 'id="verdict"' in main
    assert len(re.findall(r"<figure", main)) == 1
    listed = re.search(r"<ol>(.*?)</ol>", main, flags=re.DOTALL)
    assert listed is None or 1 <= listed[1].count("<li>") <= 3
    cautions = main.split('<div class="caution">')[1].split("</div>")[0]
    assert cautions.count("<li>") == 3
    assert "in these people; in others it may be different" in cautions  # for whom it holds
    assert "left out" in main


def test_the_tables_are_those_of_every_report(brief):
    names = {path.name for path in brief.glob("*.csv")}
    beside = {"lab_values.csv", "lab_thresholds.csv", "economy.csv"}  # where tests have breaths
    assert names - beside == {
        f"{n}.csv" for n in ("results", "pairs", "flow", "exclusions", "athlete_cards", "history")
    }


@pytest.mark.browser
def test_it_prints_on_exactly_one_a4_page(brief):
    if browser() is None:
        pytest.skip("No Chromium was found on this machine, so nothing can be printed.")
    pdf = (brief / "report.pdf").read_bytes()
    assert pages(pdf) == 1
    (box,) = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", pdf)
    wide, high = (float(side) / 72 * 25.4 for side in box)
    assert (wide, high) == pytest.approx((210, 297), abs=1)


@pytest.mark.browser
def test_the_chart_gives_way_to_three_long_doubts(brief, tmp_path):
    if browser() is None:
        pytest.skip("No Chromium was found on this machine, so nothing can be printed.")
    page = (brief / "report.html").read_text(encoding="utf-8")
    doubts = "<ul>" + f"<li>{'What could make this wrong. ' * 6}</li>" * 3 + "</ul>"
    longer = page.replace('<div id="verdict">', f'<div id="verdict">{doubts}', 1)
    assert longer != page
    (tmp_path / "longer.html").write_text(longer, encoding="utf-8")
    assert print_pdf(tmp_path / "longer.html", tmp_path / "longer.pdf") == ""
    assert pages((tmp_path / "longer.pdf").read_bytes()) == 1


@pytest.mark.browser
@pytest.mark.slow
def test_long_texts_of_the_study_stay_on_one_page(small_study, tmp_path):
    if browser() is None:
        pytest.skip("No Chromium was found on this machine, so nothing can be printed.")
    study = small_study(tmp_path / "crew")
    toml = (study / "study.toml").read_text(encoding="utf-8")
    question = "Which of all these watches may ever stand in for the laboratory? " * 9
    asked = re.sub(r"question = .*\n", "", toml).replace(
        "[study]", f'[study]\nquestion = "{question}"'
    )
    (study / "study.toml").write_text(asked, encoding="utf-8")
    written = write_report(study, tmp_path / "out", kind="brief", pdf=True)
    page = (written.folder / "report.html").read_text(encoding="utf-8")
    assert page.count("may ever stand in") == 9  # nothing of the question is cut
    assert pages((written.folder / "report.pdf").read_bytes()) == 1
