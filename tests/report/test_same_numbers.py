"""Numbers in prose, tables and figures are those of results.csv, in each kind of report."""

import re
from base64 import b64decode
from html import unescape
from xml.etree import ElementTree as ET  # our own SVG, nothing from outside

import pytest

from agreement.report.page import open_report

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
    for coded in re.findall(r"data:image/svg\+xml;base64,([A-Za-z0-9+/=]+)", html):
        drawing = ET.fromstring(b64decode(coded))
        ids = {one.get("id") for one in drawing.iter() if "/" in (one.get("id") or "")}
        seen |= dict.fromkeys(ids, " ".join(drawing.itertext()))
    assert seen
    assert set(seen) <= set(table.index)
    for key in (k for k in seen if k.startswith("limits_of_agreement/")):
        value = f"{table.loc[key, 'value']:.1f}".replace("-", "\u2212")
        assert f"{value} (" in seen[key]


def test_no_number_has_a_hyphen_for_a_minus(shown):
    text = re.sub(r"<[^>]+>", " ", shown[2])
    assert re.findall(r"(?:^|[\s(])-\d", text) == []
