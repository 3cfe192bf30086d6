"""What these data cannot say is one closing list; sections without a number stand nowhere else."""

import re

import pandas as pd
import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output
from opened import open_report

from agreement.report.page.html import notebook_page
from agreement.report.sections.unsaid import silent
from agreement.stats.catalogue import BY_NAME


@pytest.fixture(scope="module")
def once(small_study, tmp_path_factory):
    """Nobody has a second laboratory test."""
    study = small_study(tmp_path_factory.mktemp("once") / "crew")
    tests = pd.read_csv(study / "lab_tests.csv")
    tests.drop_duplicates("athlete_id").to_csv(study / "lab_tests.csv", index=False)
    return open_report(study)


def test_every_analysis_without_a_number_has_one_line_that_says_what_to_record(once):
    html = once.unsaid().html
    record, why = (re.findall(r"<li>(.*?)</li>", part) for part in html.split("<details>"))
    empty = once.frame.groupby("analysis")["value"].apply(lambda values: values.isna().all())
    assert set(silent(once.numbers)) == set(empty.index[empty]) != set()
    assert len(why) == sum("squad" in BY_NAME[name].shown_in for name in empty.index[empty])
    labels = [label for line in record for label in line.split("</strong>: ")[1][:-1].split("; ")]
    assert sorted(labels) == sorted(line.split(": ")[0] for line in why)
    assert any("<strong>a second laboratory test of the same athletes" in line for line in record)
    asked = dict(line.removeprefix("<strong>").split("</strong>: ") for line in record)
    assert "limits by averaging rule" in asked["breaths of laboratory tests"]
    (twice,) = (said for what, said in asked.items() if what.startswith("two laboratory tests"))
    assert "the field method's own error" in twice.replace("&#39;", "'")


def test_its_section_is_empty_and_one_with_numbers_is_not(once):
    assert once.change().html == ""
    assert "<table" in once.differences().html


def page(*cells):
    return notebook_page(new_notebook(cells=list(cells)), "x")


def shown(html):
    output = new_output("display_data", data={"text/html": html, "text/plain": "block"})
    return new_code_cell("report.section()", outputs=[output])


def test_words_about_nothing_are_left_out_of_the_page_and_its_contents():
    html = page(
        new_markdown_cell("## First\n\nAbout it."),
        shown("<p>one</p>"),
        new_markdown_cell("### Part\n\nAbout the part."),
        shown(""),
        new_markdown_cell("## Second\n\nAbout nothing."),
        shown(""),
        new_markdown_cell("## Third\n\nAn own note."),
        new_code_cell("x = 1"),
    )
    assert "About it." in html
    assert "An own note." in html
    assert not re.search("Part|About the part|Second|About nothing", html)
