"""Numbers in prose, tables and figures are those of results.csv, in each kind of report."""

import json
import re
from html import unescape
from pathlib import Path
from xml.etree import ElementTree as ET  # our own SVG, nothing from outside

import numpy as np
import pandas as pd
import pytest
from opened import Opened, open_report
from printed import Bare, bare_numbers, by_key, rounds_to, wrong_numbers
from turns import slowly

from agreement.report.shown.told import Told

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


@pytest.fixture(scope="module", params=["squad", "audit", *slowly(["validation"])])
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


def notebook_sections(report, kind):
    """What the notebook of a kind shows, section by section."""
    cells = json.loads((ROOT / "notebooks" / f"{kind}.ipynb").read_text(encoding="utf-8"))["cells"]
    said = "\n".join("".join(c["source"]) for c in cells)
    names = re.findall(r"show\(\s*report\.(\w+)\(", said)
    return "".join(getattr(report, name)().html for name in names)


def with_a_worse_method(study):
    """Add a second method, further from the laboratory and less even."""
    path = study / "field_estimates.csv"
    own = pd.read_csv(path)
    worse = own["vo2max_ml_kg_min"] + 12 + np.random.default_rng(8).normal(0, 3, len(own)).round(2)
    other = own.assign(method="belt", vo2max_ml_kg_min=worse)
    pd.concat([own, other]).to_csv(path, index=False)
    return study


OF_FIGURES = {  # analyses whose numbers figures say
    "squad": ["averaging_curve", "budget", "change", "closer", "profile_bias", "regression"],
    "validation": ["budget", "change", "closer", "profile_bias", "regression"],
    "audit": [],
}


@pytest.mark.parametrize(
    "kind",
    ["squad", *(pytest.param(one, marks=pytest.mark.slow) for one in ("validation", "audit"))],
)
def test_a_number_found_nowhere_else_stands_under_the_key_of_its_line_alone(
    kind, small_study, tmp_path
):
    """
    Every value and end of the table becomes a whole number of its own, of five digits.

    In captions and in what is heard of figures too. Variances become the squares of such numbers:
    figures say their roots.
    """
    report = open_report(
        with_a_worse_method(small_study(tmp_path / "crew", athletes=20)), kind=kind
    )
    stained = report.told.frame.copy()
    for times, name in enumerate(("low", "value", "high"), start=1):
        known = stained[name].notna().to_numpy()
        stained.loc[known, name] = 20_000.0 * times + np.arange(len(stained))[known]
    stained.loc[stained["statistic"].eq("p_rmse_joint"), "value"] = 0.012  # small: one is closer
    squares = stained["analysis"].eq("budget") & stained["unit"].str.contains("^2", regex=False)
    stained.loc[squares, ["value", "low", "high"]] **= 2
    report.cohort.beside["told"] = report.told = Told(report.cohort, stained)
    html, lines = notebook_sections(report, kind), by_key(report.told.frame)

    def number(text, key, name):
        in_hundred = 100 if text.endswith("%") else 1
        return float(text.replace("\u2212", "-").rstrip(" %")) == in_hundred * lines.loc[key, name]

    marked = [
        (unescape(key), {"value": text})
        for key, text in re.findall(r'data-statistic="([^"]+)">([^<]+)<', html)
    ]
    marked += [
        (unescape(key), {"low": low, "high": high})
        for key, low, high in re.findall(r'data-interval-of="([^"]+)">([^<]+) to ([^<]+)<', html)
    ]
    assert len(marked) > 40
    assert not re.search(r'data-(statistic|interval-of|note-of)=""', html)
    assert [(k, t) for k, t in marked if not all(number(t[n], k, n) for n in t)] == []
    heard = re.findall(r'<span hidden="" id="[^"]+">(.*?)</span></?(?:div|svg)', html)
    assert len(heard) == html.count("<svg")
    named = re.findall(r'data-[a-z-]+="([^"/]+)/[^"]+">', "".join(heard))
    assert {"limits_of_agreement", *OF_FIGURES[kind]} <= set(named)
    roots = re.findall(r'data-note-of="(budget/[^"]+)">([^<]+)<', "".join(heard))
    assert bool(roots) == (kind != "audit")
    assert [(k, t) for k, t in roots if float(t) ** 2 != lines.loc[unescape(k), "value"]] == []
    page = Bare()
    page.feed(re.sub(r"<svg.*?</svg>", "", html, flags=re.DOTALL))
    assert [
        text for _, text in page.found if re.search(r"(?<![\w.])[2-6]\d{4}(\d\d)?(?!\w)", text)
    ] == []


@pytest.mark.parametrize(
    "kind",
    [
        pytest.param(kind, marks=pytest.mark.slow)
        for kind in ("squad", "validation", "audit", "brief")
    ],
)
def test_in_the_demo_every_number_of_several_people_names_its_line(demo, kind):
    report = Opened(demo, kind=kind)
    html = notebook_sections(report, kind)
    wrong, marked = wrong_numbers(html, report.frame)
    assert wrong == []
    assert marked > (2 if kind == "brief" else 50)
    bare = bare_numbers(html)
    assert bare == [], "\n".join(f"{u}|{t}" for u, t in bare)
