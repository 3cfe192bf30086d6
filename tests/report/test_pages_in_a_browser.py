"""
Each kind of report in a real browser: a small study, the printed table of 31 men, and the demo, at
two widths and on paper.

A copy of the page with a measuring script is opened, in a frame, for windows have a least width;
the page itself holds no script. What is asked of
the page: WCAG 2.2, success criteria 1.1.1 (alternative text), 1.3.1 (headings in order) and 1.4.10
(no scrolling in two dimensions); provenance: memory. Widths and pages: common practice, no source.
"""

import json
import os
import re
import shutil
import subprocess
from dataclasses import dataclass
from html import unescape
from itertools import pairwise
from pathlib import Path

import pytest

from agreement.report.page.pdf import browser, print_pdf
from agreement.report.run.write import write_report
from agreement.tables.new_study import worked_example

pytestmark = [pytest.mark.browser, pytest.mark.slow]

DEMO = Path(__file__).parents[2] / "demo_cohort"
KINDS = ("squad", "validation", "audit")
WIDTHS = (390, 1280)  # a phone, a desk
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
  const closed = document.documentElement.scrollWidth;
  all("details").forEach((one) => { one.open = true; });
  parent.postMessage(JSON.stringify({
    inner: innerWidth,
    across: [closed, document.documentElement.scrollWidth],
    headings: all("h1, h2, h3, h4, h5, h6").map((one) => Number(one.tagName[1])),
    pictures: all("img, svg").map((one) => [one.alt || one.ariaLabel || "", one.naturalWidth]),
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


@pytest.fixture(
    scope="module",
    params=[(study, kind) for study in ("small", "men", "demo") for kind in KINDS],
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
    else:
        small_study(study)
    written = write_report(study, root / "out", kind=kind)
    return name, written.folder / "report.html"


@pytest.fixture(scope="module", params=WIDTHS)
def opened(request, rendered, tmp_path_factory):
    return request.param, open_page(rendered[1], request.param, tmp_path_factory.mktemp("look"))


def test_the_page_never_scrolls_sideways(opened):
    width, page = opened
    assert page.measured["inner"] == width
    assert max(page.measured["across"]) <= width  # folded, and unfolded


def test_captions_stay_in_the_frame_of_their_table(opened):
    beyond = opened[1].measured["captions"]
    assert beyond
    assert max(beyond) <= 0


def test_every_picture_is_drawn_and_told_in_words(opened):
    pictures = opened[1].measured["pictures"]
    assert pictures
    assert all(len(words.split()) > 5 for words, _ in pictures)
    assert all(wide > 100 for _, wide in pictures)


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
    assert re.findall(r"@import|url\(", text) == []


def test_it_prints_on_a_sane_number_of_pages(rendered, tmp_path):
    name, page = rendered
    target = tmp_path / "report.pdf"
    assert print_pdf(page, target) == ""
    fewest, most = (4, 60) if name == "demo" else (2, 25)
    assert fewest <= printed_pages(target) <= most


def test_a_squad_reads_the_demo_in_eight_pages_and_3000_words(tmp_path):
    """Only what is not folded; common practice, no source."""
    if browser() is None:
        pytest.skip("No Chromium was found on this machine, so no page can be opened.")
    study = tmp_path / "study"
    shutil.copytree(DEMO, study, ignore=shutil.ignore_patterns("*.key*"))
    page = write_report(study, tmp_path / "out").folder / "report.html"
    assert print_pdf(page, tmp_path / "report.pdf") == ""
    assert 4 <= printed_pages(tmp_path / "report.pdf") <= 8
    body = page.read_text(encoding="utf-8").partition("<main")[2]
    open_only = re.sub(r"<svg.*?</svg>", " ", body, flags=re.DOTALL)
    while "<details" in open_only:
        open_only = re.sub(
            r"<details(?:(?!<details).)*?</details>", " ", open_only, flags=re.DOTALL
        )
    words = re.sub(r"<[^>]+>", " ", open_only).split()
    assert 800 < len(words) <= 3000


# --- axe-core -------------------------------------------------------------------------------------


def axe_source():
    """Return the script of axe-core, from the folder that AXE_CORE names or npm's global one."""
    places = [os.environ.get("AXE_CORE", "")]
    if npm := shutil.which("npm"):
        root = subprocess.run([npm, "root", "-g"], capture_output=True, text=True, check=False)
        places.append(f"{root.stdout.strip()}/axe-core")
    for place in filter(None, places):
        if (script := Path(place) / "axe.min.js").is_file():
            return script.read_text(encoding="utf-8")
    return None


@pytest.fixture(scope="module")
def auditor(tmp_path_factory):
    """A browser that can be asked, with axe-core at hand."""
    webdriver = pytest.importorskip("selenium.webdriver", reason="Selenium is not installed.")
    service, source = shutil.which("chromedriver"), axe_source()
    if browser() is None or service is None:
        pytest.skip("No Chromium with its driver was found on this machine.")
    if source is None:
        pytest.skip("axe-core was not found: npm install it, and name its folder in AXE_CORE.")
    options = webdriver.ChromeOptions()
    options.binary_location = browser()
    for flag in ("--headless", "--no-sandbox", "--disable-gpu"):
        options.add_argument(flag)
    options.add_argument(f"--user-data-dir={tmp_path_factory.mktemp('profile')}")
    driver = webdriver.Chrome(options, webdriver.ChromeService(service))
    driver.set_script_timeout(300)
    yield driver, source
    driver.quit()


def test_axe_finds_no_serious_violation(auditor, rendered):
    driver, source = auditor
    for page in sorted(rendered[1].parent.glob("*.html")):  # the report, and a squad's cards
        if rendered[0] == "demo" and page.name != "report.html":
            continue  # sixty cards of one pattern, seen on the other studies
        driver.set_window_size(*((700, 900) if rendered[0] == "small" else (1280, 900)))
        driver.get(page.absolute().as_uri())
        driver.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
        driver.execute_script(source)
        found = driver.execute_async_script(
            "const done = arguments[0]; axe.run(document, {resultTypes: ['violations']})"
            ".then(r => done(r.violations.map(v => [v.impact, v.id, v.nodes[0].html])))"
        )
        assert [one for one in found if one[0] in ("serious", "critical")] == [], page.name
