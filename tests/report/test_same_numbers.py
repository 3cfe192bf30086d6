"""Numbers in prose, tables and figures are those of results.csv, in each kind of report."""

import json
import re
from html import unescape
from pathlib import Path
from xml.etree import ElementTree as ET  # our own SVG, nothing from outside

import pytest
from opened import Opened, open_report
from printed import bare_numbers, by_key, rounds_to, wrong_numbers

ROOT = Path(__file__).parents[2]

SECTIONS = {
    "squad": "verdict next_steps differences profiles regression budget averaging change",
    "validation": "verdict differences sensitivity structure regression profiles two_estimators "
    "budget change quotable",
    "audit": "verdict differences people drift",
}
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
    html = "".join(getattr(report, name)().html for name in SECTIONS[request.param].split())
    return request.param, by_key(report.frame), html


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


@pytest.mark.parametrize(
    "kind",
    [
        pytest.param(kind, marks=pytest.mark.slow)
        for kind in ("squad", "validation", "audit", "brief")
    ],
)
def test_in_the_demo_every_number_of_several_people_names_its_line(demo, kind):
    report = Opened(demo, kind=kind)
    cells = json.loads((ROOT / "notebooks" / f"{kind}.ipynb").read_text(encoding="utf-8"))["cells"]
    said = "\n".join("".join(c["source"]) for c in cells)
    names = re.findall(r"show\(\s*report\.(\w+)\(", said)
    html = "".join(getattr(report, name)().html for name in names)
    wrong, marked = wrong_numbers(html, report.frame)
    assert wrong == []
    assert marked > (2 if kind == "brief" else 50)
    bare = bare_numbers(html)
    assert bare == [], "\n".join(f"{u}|{t}" for u, t in bare)
