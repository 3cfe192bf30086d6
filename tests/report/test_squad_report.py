"""The squad report of a small study: files, structure, numbers, provenance."""

import json
import re
from html import unescape
from html.parser import HTMLParser
from itertools import pairwise

import pandas as pd
import pytest
from printed import with_blanks

from agreement.report.page.machine import in_words
from agreement.report.run.own_report import changed_files
from agreement.terms import CAUTIONS

ANALYSES_SHOWN = {
    "limits_of_agreement/wrist/run/all/bias",
    "limits_of_agreement/wrist/run/all/lower_limit",
    "profile_bias/wrist/run/long/bias",
    "regression/wrist/run/all/slope",
    "error/wrist/run/all/mape",
    "change/wrist/run/all/bias",
    "budget/wrist/run/all/total",
}


class Outline(HTMLParser):
    def __init__(self, html):
        super().__init__()
        self.elements = []
        self.feed(html)

    def handle_starttag(self, tag, attributes):
        self.elements.append((tag, dict(attributes)))


@pytest.fixture(scope="module")
def page(squad):
    return with_blanks(squad.text("report.html"))


@pytest.fixture(scope="module")
def elements(page):
    return Outline(page).elements


@pytest.fixture(scope="module")
def results(squad):
    frame = pd.read_csv(squad.written.folder / "results.csv", keep_default_na=False)
    keys = frame[["analysis", "method", "mode", "group", "statistic"]].agg("/".join, axis=1)
    return frame.assign(key=keys).set_index("key")


def test_every_promised_file_is_there(squad):
    expected = {
        "report.html",
        "report.ipynb",
        "results.csv",
        "pairs.csv",
        "exclusions.csv",
        "flow.csv",
        "athlete_cards.csv",
        "provenance.json",
    }
    assert expected <= set(squad.written.files)
    drawn = {name for name in squad.written.files if name.startswith("figures/")}
    for kind in ("differences", "profiles", "regression", "change", "budget", "averaging"):
        assert f"figures/{kind}-wrist-run.svg" in drawn
    assert not any(name.endswith(".png") for name in drawn)  # on request only


def test_nothing_is_left_beside_the_report(squad):
    assert sorted(path.name for path in squad.written.folder.parent.iterdir()) == ["crew", "out"]


def test_the_verdict_is_told_and_stands_first_in_the_page(squad, page):
    (sentence,) = squad.written.verdict
    assert sentence.startswith("wrist meets the agreed limit of \u00b19 mL/kg/min against")
    shown = re.search(r'<main id="main">\s*<div id="verdict">(.*?)</div>', page, re.DOTALL)
    assert sentence in in_words(shown[1])


def test_title_question_and_reason_are_shown_as_text(page):
    for words in ("Crew &lt;of&gt; the north face", "Is the number usable?", "A tenth &amp; a bit"):
        assert words in page


def test_sections_come_in_the_promised_order(page):
    headings = re.findall(r'<h2 id="section[^"]*">([^<]+)</h2>', page)
    assert headings == [
        "Who is in, and who is not",
        "Agreement with the laboratory",
        "By kind of training",
        "What a field value stands for",
        "Where the error comes from",
        "How many days to average",
        "Does a change show?",
        "Athlete by athlete",
        "What these data cannot say",
        "What was left out",
        "Cautions",
        "How this was computed",
        "Where this comes from",
    ]


def test_progress_names_every_section(squad, page):
    stages = [stage for _, _, stage in squad.told]
    assert stages[0] == "Reading the study"
    assert set(re.findall(r'<h2 id="section[^"]*">([^<]+)</h2>', page)) <= set(stages)
    assert squad.told[-1][0] == squad.told[-1][1]


def test_headings_descend_without_a_jump(elements):
    levels = [int(tag[1]) for tag, _ in elements if re.fullmatch("h[1-6]", tag)]
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_ids_are_unique(elements):
    ids = [attributes["id"] for _, attributes in elements if "id" in attributes]
    assert len(ids) == len(set(ids))


def test_tables_have_a_caption_and_scoped_heads(elements):
    tags = [tag for tag, _ in elements]
    assert tags.count("caption") == tags.count("table")
    assert all(a.get("scope") in ("col", "row") for tag, a in elements if tag == "th")


def test_pictures_state_their_finding(elements, page):
    labels = [attributes["aria-labelledby"] for tag, attributes in elements if tag == "svg"]
    alts = [
        re.search(f'<span hidden="" id="{one}">(.*?)</span></?(?:div|svg)', page)[1]
        for one in labels
    ]
    assert len(alts) == len(set(alts)) == 8  # of seven figures; change has two panels
    assert all(re.search(r"\d", alt) and len(alt) > 60 for alt in alts)


def test_no_number_parts_from_its_unit_at_the_end_of_a_line(squad):
    """Unlike the fixture, with no-break spaces as they are."""
    for name in ("report.html", "athlete_cards.html"):
        text = re.sub(r"<(style|svg|code|pre).*?</\1>", "", squad.text(name), flags=re.DOTALL)
        text = unescape(re.sub(r"<[^>]+>", "", text))
        assert "\u00a0kg" in text or "\u00a0mL" in text
        parted = r".*(?:\d (?:mL/kg/min|%|kg|bpm|min|days)(?!\w)|% intervals?|\bp = ).*"
        assert re.findall(parted, text) == []
    assert "95\u00a0%\u00a0interval" in squad.text("report.html")


def test_nothing_comes_from_a_network_and_nothing_runs(page, elements):
    assert not {"script", "link", "iframe"} & {tag for tag, _ in elements}
    assert not re.search(r"@import|url\((?!#)|<img", page)
    assert not any(name.startswith("on") for _, a in elements for name in a)


def test_cautions_are_in_page_and_notebook(squad, page):
    for caution in CAUTIONS:
        assert caution in page.replace("&#39;", "'")
    assert "diagnose, clear or prescribe" in squad.text("report.ipynb")


def test_printed_numbers_are_those_of_the_results_table(page, results):
    printed = re.findall(r'data-statistic="([^"]+)">([^<]+)<', page)
    assert {key for key, _ in printed} >= ANALYSES_SHOWN
    for key, text in printed:
        if bound := {"below 0.001": 0.001, "below 1 %": 0.01}.get(text):
            assert float(results.loc[key, "value"]) < bound
            continue
        value = float(results.loc[key, "value"])
        if text == "above 99 %":
            assert value > 0.99
            continue
        if text.endswith(" %"):
            text, value = text.removesuffix(" %"), 100 * value
        digits = len(text.partition(".")[2])
        shown = float(text.replace("\u2212", "-"))
        error = min(abs(shown - value), abs(abs(shown) - abs(value)))
        assert error <= 0.5 * 10**-digits + 1e-9, (key, text, value)


def test_figures_carry_the_same_keys(squad, results):
    svg = squad.text("figures/differences-wrist-run.svg")
    keys = set(re.findall(r'id="(limits_of_agreement/[^"]+)"', svg))
    assert keys == {
        f"limits_of_agreement/wrist/run/all/{s}" for s in ("bias", "lower_limit", "upper_limit")
    }
    bias = float(results.loc["limits_of_agreement/wrist/run/all/bias", "value"])
    assert f">bias \u2212{abs(bias):.1f}<" in svg


def test_a_wrong_input_is_named_in_page_and_card(squad, page):
    cards = pd.read_csv(squad.written.folder / "athlete_cards.csv", keep_default_na=False)
    told = cards.set_index("athlete_id")["inputs_to_correct"]
    assert "mass" in told["A03"]
    assert told.drop("A03").eq("").all()
    assert "Correct the body mass set in the device of A03" in page


def test_the_notebook_keeps_code_and_names_no_place(squad):
    text = squad.text("report.ipynb")
    cells = json.loads(text)["cells"]
    (injected,) = [c for c in cells if "injected-parameters" in c["metadata"].get("tags", [])]
    assert "".join(injected["source"]) == "study = 'crew'\nsave = None"
    for part in squad.study.parent.parts[1:]:
        assert f"/{part}/" not in text


@pytest.mark.parametrize("name", ["report.html", "provenance.json", "exclusions.csv"])
def test_no_file_names_a_place_on_this_machine(squad, name):
    assert str(squad.study.parent) not in squad.text(name)


def test_provenance_lets_another_person_run_it_again(squad):
    content = json.loads(squad.text("provenance.json"))
    assert content["command"] == "agreement report crew --report squad"
    assert {source["name"] for source in content["inputs"]} == {
        "study.toml",
        "athletes.csv",
        "lab_tests.csv",
        "field_estimates.csv",
    }
    assert all(re.fullmatch("[0-9a-f]{64}", source["sha256"]) for source in content["inputs"])
    assert content["options"]["margin"]["agreed_on"] == "2026-01-10"
    assert content["seed"] == 20260101
    assert {"numpy", "scipy", "pandas"} <= set(content["dependencies"])


def test_the_report_is_sealed(squad):
    assert changed_files(squad.written.folder) == []


@pytest.mark.usefixtures("squad")
def test_no_process_of_the_report_stays_behind():
    import psutil

    names = [" ".join(child.cmdline()) for child in psutil.Process().children(recursive=True)]
    assert not [name for name in names if "agreement.report" in name]


def test_the_closing_words_do_not_point_to_an_empty_list(squad):
    assert any("Nothing was left out." in words for words in squad.written.remarks)
