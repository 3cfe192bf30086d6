"""Numbers in prose, tables and figures are those of results.csv, in each kind of report."""

import json
import re
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree as ET  # our own SVG, nothing from outside

import pytest
from opened import Opened, open_report

ROOT = Path(__file__).parents[2]

SECTIONS = {
    "squad": "verdict next_steps differences profiles regression budget averaging change",
    "validation": "verdict differences sensitivity structure regression profiles two_estimators "
    "budget change quotable",
    "audit": "verdict differences people drift",
}
KEY = ["analysis", "method", "mode", "group", "statistic"]
NEEDED = {
    "squad": {"limits_of_agreement", "regression", "budget", "averaging_curve", "change"},
    "validation": {
        "limits_by_convention",
        "choice_of_pairs",
        "slope_on_one_method",
        "deming",
        "concordance",
    },
    "audit": {"by_sex", "by_age", "drift"},
}


@pytest.fixture(scope="module", params=SECTIONS)
def shown(request, small_study, tmp_path_factory):
    """One kind of report: its name, its results by key, and its sections."""
    study = small_study(tmp_path_factory.mktemp("same") / "crew")
    report = open_report(study, kind=request.param)
    table = report.frame.assign(key=report.frame[KEY].astype(str).agg("/".join, axis=1))
    html = "".join(getattr(report, name)().html for name in SECTIONS[request.param].split())
    return request.param, table.set_index("key"), html


def rounds_to(text, value):
    """Whether a printed number is this one, rounded; prose may say "low" for a minus sign."""
    if text == "below 0.001":
        return value < 0.001
    if text.endswith(" %"):
        return rounds_to(text[:-2], 100 * value)
    printed, digits = float(text.replace("\u2212", "-")), len(text.partition(".")[2])
    error = min(abs(printed - value), abs(abs(printed) - abs(value)))
    return error <= 0.5 * 10**-digits + 1e-9


def test_every_number_is_a_line_of_the_results(shown):
    kind, table, html = shown
    printed = re.findall(r'data-statistic="([^"]+)">([^<]+)<', html)
    assert {key.split("/")[0] for key, _ in printed} >= NEEDED[kind]
    wrong = [(k, t) for k, t in printed if not rounds_to(t, table.loc[unescape(k), "value"])]
    assert wrong == []


def test_every_interval_is_that_of_its_line(shown):
    _, table, html = shown
    printed = re.findall(r'data-interval-of="([^"]+)">([^<]+) to ([^<]+)<', html)
    assert len(printed) > 10
    for key, low, high in printed:
        line = table.loc[unescape(key)]
        assert rounds_to(low, line["low"]), key
        assert rounds_to(high, line["high"]), key


def test_figures_carry_keys_of_the_results_and_their_numbers(shown):
    _, table, html = shown
    seen = {}
    for drawn in re.findall(r"<svg.*?</svg>", html, flags=re.DOTALL):
        drawing = ET.fromstring(drawn)
        keys = {one.get("data-drawn") for one in drawing.iter()} - {None}
        for key in keys:  # drawn for a page and for a phone
            seen[key] = seen.get(key, "") + " ".join(drawing.itertext())
    assert seen
    assert set(seen) <= set(table.index)
    for key in (k for k in seen if k.startswith("limits_of_agreement/")):
        value = f"{table.loc[key, 'value']:.1f}".replace("-", "\u2212")
        assert f"{value} (" in seen[key]


def test_points_say_whose_they_are_and_nothing_in_an_audit(shown):
    kind, _, html = shown
    told = re.findall(r"<title>([^<]*)</title>", html)
    assert ("<title" in html) == (kind != "audit")
    of_pair = r"\w+: laboratory [\d.]+ mL/kg/min, \d{4}-\d\d-\d\d"
    of_change = r"\w+: laboratory \u2212?[\d.]+, field \u2212?[\d.]+ mL/kg/min"
    assert all(re.fullmatch(f"{of_pair}|{of_change}", one) for one in told)


def test_no_markup_of_ours_is_shown_as_text(shown):
    assert not re.search(r"&lt;/?(span|p|br|strong|code|details|table)\b", shown[2])


def test_no_number_has_a_hyphen_for_a_minus(shown):
    text = re.sub(r"<[^>]+>", " ", shown[2])
    assert re.findall(r"(?:^|[\s(])-\d", text) == []


# --- the demo study, whole: no number of several people goes without its line ------------------------

# captions of tables whose numbers are one person's, or are no results: rows, versions, settings
OF_ONE_PERSON = (
    "each athlete's sessions and error",
    "the parts of each error",
    ": to correct",
    "Tests without a training profile",
    "Notes on the files",
    "Program, versions and seed",
    "Every formula and its source",  # constants of the sources
    "Source of every equation used",
    "Equations of the field values",
    "The same number from another library",  # theirs has no line, ours stands in its section too
)
CARDS = r".+ \(mL/kg/min\)"  # the method's name alone
SAID_ANYWHERE = (
    r"[zZ] = 1\.96|plus and minus 1\.96|agreement \d+\.\d+\.\d+|"
    r"laboratory values [\d.]+ to [\d.]+ mL/kg/min|\d\.\d mL/kg/min \(a published|"
    r"by 0\.4 mL/kg/min|"
    # of how many methods were judged; the widest of single tests; two spreads in a caution
    r"in up to [\d.]+ %|differ by [\d.]+ mL/kg/min from|spread [\d.]+ times .*\(p = [\d.]+\)"
)


class Bare(HTMLParser):
    """Collects text outside marked numbers, by the caption or heading above it."""

    def __init__(self):
        super().__init__()
        self.open, self.under, self.found = [], "", []

    def handle_starttag(self, tag, attributes):
        if tag not in ("br", "img", "col", "hr"):
            self.open.append((tag, dict(attributes)))

    def handle_endtag(self, tag):
        while self.open and self.open.pop()[0] != tag:
            pass

    def handle_data(self, text):
        tag, attributes = self.open[-1] if self.open else ("", {})
        if tag in ("caption", "h2", "h3"):
            self.under = text.strip()
        elif "svg" in (name for name, _ in self.open):  # its numbers carry `data-drawn`
            return
        elif not {"data-statistic", "data-interval-of"} & set(attributes):
            self.found.append((self.under, text))


@pytest.mark.parametrize(
    "kind",
    [pytest.param(kind, marks=pytest.mark.slow) for kind in ("squad", "validation", "audit")],
)
def test_in_the_demo_every_number_of_several_people_names_its_line(demo, kind):
    report = Opened(demo, kind=kind)
    cells = json.loads((ROOT / "notebooks" / f"{kind}.ipynb").read_text(encoding="utf-8"))["cells"]
    names = re.findall(
        r"^report\.(\w+)\(\)", "\n".join("".join(c["source"]) for c in cells), re.MULTILINE
    )
    html = "".join(getattr(report, name)().html for name in names if name != "save")
    table = report.frame.assign(key=report.frame[KEY].astype(str).agg("/".join, axis=1))
    table = table.set_index("key")
    marked = re.findall(r'data-statistic="([^"]+)">([^<]+)<', html)
    assert len(marked) > 50
    wrong = [(k, t) for k, t in marked if not rounds_to(t, table.loc[unescape(k), "value"])]
    assert wrong == []
    page = Bare()
    page.feed(html)
    bare = [
        (under, text)
        for under, text in page.found
        if re.search(r"\d\.\d", re.sub(SAID_ANYWHERE, "", text))
        and not re.fullmatch(CARDS, under)
        and not any(words in under for words in OF_ONE_PERSON)
    ]
    assert bare == [], "\n".join(f"{u}|{t}" for u, t in bare)
