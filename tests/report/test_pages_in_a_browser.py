"""
Each kind of report in a real browser: a small study, 16 athletes in two tables, the printed table
of 31 men, and the demo, at three widths and on paper.

A copy of the page with a measuring script is opened, in a frame, for windows have a least width;
the page itself holds no script. What is asked of
the page: WCAG 2.2, success criteria 1.1.1 (alternative text), 1.3.1 (headings in order) and 1.4.10
(no scrolling in two dimensions); provenance: memory. Widths and pages: common practice, no source.
"""

import json
import re
import shutil
import subprocess
from dataclasses import dataclass
from html import unescape
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from accessible import violations_of

from agreement.report.page.pdf import browser, print_pdf
from agreement.report.run.write import write_report
from agreement.tables.new_study import worked_example

pytestmark = [pytest.mark.browser, pytest.mark.slow]

DEMO = Path(__file__).parents[2] / "demo_cohort"
KINDS = ("squad", "validation", "audit")
WIDTHS = (390, 768, 1280)  # a phone, a tablet, a desk
TARGETS = {  # study and kind -> at most: printed pages, words, tables, screens of 900 px at a desk
    ("demo", "squad"): (8, 3000, 16, 18),
    ("demo", "validation"): (14, 5000, 20, 24),
    ("demo", "audit"): (8, 2500, 14, 14),
    ("sixteen", "squad"): (4, 1800, 8, 12),
    ("men", "squad"): (6, 2000, 8, 12),
    ("men", "validation"): (10, 4000, 16, 20),
    ("men", "audit"): (6, 2000, 8, 12),
}  # the first column: the design; the others: common practice, no source
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--enable-logging=stderr",  # the page's console
)
MEASURE = """
<script>
addEventListener("load", () => {
  const all = (what) => [...document.querySelectorAll(what)];
  const letter = (one, seen) => parseFloat(getComputedStyle(one).fontSize) * Math.hypot(seen.a, seen.b);
  const closed = document.documentElement.scrollWidth;
  const closed_height = document.documentElement.scrollHeight;
  all("details").forEach((one) => { one.open = true; });
  parent.postMessage(JSON.stringify({
    inner: innerWidth,
    across: [closed, document.documentElement.scrollWidth],
    headings: all("h1, h2, h3, h4, h5, h6").map((one) => Number(one.tagName[1])),
    tall: closed_height,
    letters: all(".drawn text").map((one) => letter(one, one.getScreenCTM())),
    pictures: all("svg").map((one) => [one.ariaLabel || document.getElementById(one.getAttribute("aria-labelledby"))?.textContent || "", one.getBoundingClientRect()])
      .filter(([, box]) => box.width > 0).map(([words, box]) => [words, box.width, box.right]),
    cut: all(".scroll").filter((one) => one.scrollWidth > one.clientWidth + 1)
      .map((one) => one.ariaLabel),
    captions: all(".scroll caption").filter((one) => !one.closest("details"))
      .map((one) => one.clientWidth - one.closest(".scroll").clientWidth),
    loaded: performance.getEntriesByType("resource").map((one) => one.name),
  }), "*");
});
</script>
</body>"""
FRAME = """<!DOCTYPE html>
<title>frame</title>
<iframe src="measuring.html" style="width: {width}px; height: 900px; border: 0"></iframe>
<pre id="measured"></pre>
<script>
addEventListener("message", (told) => {{
  document.getElementById("measured").textContent = told.data;
}});
</script>"""


@dataclass(frozen=True)
class Opened:
    """What the browser measured, and what it said."""

    measured: dict
    console: list[str]


def open_page(page, width, place):
    """Open a measuring copy of a page at a width."""
    copy = page.read_text(encoding="utf-8").replace("</body>", MEASURE)
    (place / "measuring.html").write_text(copy, encoding="utf-8")
    frame = place / "frame.html"
    frame.write_text(FRAME.format(width=width), encoding="utf-8")
    command = [
        browser(),
        *FLAGS,
        f"--user-data-dir={place / 'profile'}",
        "--window-size=1400,1000",
        "--dump-dom",
        frame.as_uri(),
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=120)
    found = re.search(r'<pre id="measured">(.+?)</pre>', done.stdout, flags=re.DOTALL)
    assert found, "the browser did not measure the page"
    console = [line for line in done.stderr.splitlines() if "CONSOLE" in line]
    return Opened(json.loads(unescape(found[1])), console)


def printed_pages(pdf):
    """Count the page objects of a PDF."""
    return len(re.findall(rb"/Type\s*/Page\b", pdf.read_bytes()))


def sixteen(study):
    """Write a study of 16 athletes and two tables."""
    study.mkdir()
    rng, ids = np.random.default_rng(4), [f"A{number:02d}" for number in range(1, 17)]
    fitness, days = rng.normal(52, 6, 16), pd.date_range("2026-03-02", periods=16)
    tests = {"lab_test_id": [f"T{one}" for one in ids], "athlete_id": ids, "date": days.date}
    tests |= {"mode": "run", "vo2max_ml_kg_min": (fitness + rng.normal(0, 2, 16)).round(1)}
    pd.DataFrame(tests).to_csv(study / "lab_tests.csv", index=False)
    readings = pd.DataFrame(
        {
            "athlete_id": np.repeat(ids, 5),
            "taken_at": [
                f"{day - pd.Timedelta(days=k):%Y-%m-%d}" for day in days for k in range(1, 6)
            ],
            "method": "watch",
            "mode": "run",
            "vo2max_ml_kg_min": (np.repeat(fitness, 5) + rng.normal(3, 2, 80)).round(1),
        }
    )
    readings.to_csv(study / "field_estimates.csv", index=False)
    limit = '[margin]\nlimit_ml_kg_min = 5\nagainst = "laboratory test"\nagreed_on = 2026-01-10\n'
    (study / "study.toml").write_text(f'[study]\ntime_zone = "UTC"\n{limit}', encoding="utf-8")


@pytest.fixture(
    scope="module",
    params=[
        *((study, kind) for study in ("small", "men", "demo") for kind in KINDS),
        ("sixteen", "squad"),
        ("demo", "brief"),
    ],
    ids="-".join,
)
def rendered(request, small_study, tmp_path_factory):
    """One report, and the name of its study."""
    if browser() is None:
        pytest.skip("No Chromium was found on this machine, so no page can be opened.")
    name, kind = request.param
    root = tmp_path_factory.mktemp(f"{name}-{kind}")
    study = root / "study"
    if name == "demo":
        shutil.copytree(DEMO, study, ignore=shutil.ignore_patterns("*.key*"))
    elif name == "men":
        worked_example(study)
    elif name == "sixteen":
        sixteen(study)
    else:
        small_study(study)
    written = write_report(study, root / "out", kind=kind)
    return name, written.folder / "report.html", kind


@pytest.fixture(scope="module", params=WIDTHS)
def opened(request, rendered, tmp_path_factory):
    return request.param, open_page(rendered[1], request.param, tmp_path_factory.mktemp("look"))


def test_the_page_never_scrolls_sideways(opened):
    width, page = opened
    assert page.measured["inner"] == width
    assert max(page.measured["across"]) <= width  # folded, and unfolded


def test_no_table_and_no_caption_is_cut(opened):
    page = opened[1]
    assert page.measured["cut"] == []  # folded ones too
    assert max(page.measured["captions"], default=0) <= 0


def test_every_picture_is_whole_and_told_in_words(opened):
    width, page = opened
    pictures = page.measured["pictures"]
    assert pictures
    assert all(len(words.split()) > 5 for words, *_ in pictures)
    assert all(wide > 100 and right <= width for _, wide, right in pictures)


def test_no_letter_of_a_figure_is_smaller_than_11_pixels(opened):
    assert min(opened[1].measured["letters"]) >= 11 - 0.1  # common practice, no source


def test_headings_come_in_order(opened):
    levels = opened[1].measured["headings"]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_nothing_is_loaded_and_the_console_stays_empty(opened):
    loaded = opened[1].measured["loaded"]
    assert [name for name in loaded if not name.startswith("data:")] == []
    assert opened[1].console == []


def test_nothing_in_the_page_points_to_a_network(rendered):
    text = rendered[1].read_text(encoding="utf-8")
    places = re.findall(r'\b(?:src|href|srcset|action|data)\s*=\s*"([^"]*)"', text)
    assert places
    assert [place for place in places if not place.startswith(("data:image/", "#"))] == []
    assert re.findall(r"@import|url\((?!#)", text) == []


def visible(page):
    """Return the main region without figures and without what is folded."""
    shown = page.partition("<main")[2].replace("<wbr>", "")
    shown = re.sub(r"<svg.*?</svg>", " ", shown, flags=re.DOTALL)
    while "<details" in shown:
        shown = re.sub(r"<details(?:(?!<details).)*?</details>", " ", shown, flags=re.DOTALL)
    return shown


def test_it_prints_on_few_pages_with_few_words_and_tables(rendered, tmp_path):
    name, page, kind = rendered
    assert print_pdf(page, tmp_path / "report.pdf") == ""
    pages = printed_pages(tmp_path / "report.pdf")
    if kind == "brief":
        assert pages == 1
        return
    most, words, tables, _ = TARGETS.get((name, kind), (10, 4000, 20, 20))
    assert 2 <= pages <= most
    shown = visible(page.read_text(encoding="utf-8"))
    assert 300 < len(re.sub(r"<[^>]+>", " ", shown).split()) <= words
    assert 2 < shown.count("<table") <= tables


def test_a_desk_shows_it_in_few_screens(rendered, opened):
    width, page = opened
    name, _, kind = rendered
    if width == 1280 and (name, kind) in TARGETS:
        assert page.measured["tall"] <= 900 * TARGETS[name, kind][3]


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not installed")
def test_no_printed_page_is_half_empty_and_each_says_study_date_and_number(rendered, tmp_path):
    assert print_pdf(rendered[1], tmp_path / "report.pdf") == ""
    command = ["pdftotext", "-bbox-layout", tmp_path / "report.pdf", "-"]
    text = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    sheets = text.split("<page ")[1:]
    for number, sheet in enumerate(sheets, start=1):
        lines = [
            (float(y), unescape(" ".join(re.findall(r">([^<]+)</word>", line))))
            for y, line in re.findall(
                r'<line [^>]*yMax="([\d.]+)"[^>]*>(.*?)</line>', sheet, flags=re.DOTALL
            )
        ]
        words = " ".join(line for _, line in lines)
        assert f"page {number} of {len(sheets)}" in words
        assert re.search(r"\d{4}-\d\d-\d\d", " ".join(line for y, line in lines if y < 60))
        inside = max((y for y, line in lines if y < 790), default=0)
        assert inside > 420 or number == len(sheets)  # of 842 points


def test_axe_finds_no_violation(auditor, rendered):
    width = 390 if rendered[0] == "small" else 1280
    for page in sorted(rendered[1].parent.glob("*.html")):  # the report, and a squad's cards
        if rendered[0] == "demo" and page.name != "report.html":
            continue  # sixty cards of one pattern, seen on the other studies
        assert violations_of(*auditor, page, width) == [], page.name
