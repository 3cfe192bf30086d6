"""
The page in a real browser: no sideways scroll, no network, a sane number of printed pages.

Skipped where no Chromium with its driver can be had.
"""

import pytest
from accessible import started

from agreement.report.page.pdf import browser, print_pdf

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture(scope="module")
def driver(tmp_path_factory):
    made = started(tmp_path_factory.mktemp("profile"), logs=("browser", "performance"))
    yield made
    made.quit()


def opened(driver, squad, width):
    driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500},
    )
    driver.get((squad.written.folder / "report.html").absolute().as_uri())


@pytest.mark.parametrize("width", [390, 1280])
def test_the_page_does_not_scroll_sideways(driver, squad, width):
    opened(driver, squad, width)
    across = driver.execute_script("return document.documentElement.scrollWidth")
    assert across <= width


def test_nothing_is_asked_of_a_network_and_nothing_goes_wrong(driver, squad):
    driver.get_log("performance")
    opened(driver, squad, 1280)
    assert driver.get_log("browser") == []
    asked = [entry["message"] for entry in driver.get_log("performance")]
    assert not [line for line in asked if '"url":"http' in line]


def test_every_picture_is_drawn(driver, squad):
    opened(driver, squad, 1280)
    script = (
        "return [...document.querySelectorAll('figure')].filter(f => f.checkVisibility()).map("
        "f => Math.max(...[...f.querySelectorAll('svg')].map(s => s.getBoundingClientRect().width)))"
    )
    sizes = driver.execute_script(script)
    assert len(sizes) >= 5
    assert all(size > 100 for size in sizes)


def test_it_prints_on_a_sane_number_of_pages(squad, tmp_path):
    if browser() is None:
        pytest.skip("no Chromium on this machine")
    target = tmp_path / "report.pdf"
    assert print_pdf(squad.written.folder / "report.html", target) == ""
    pages = target.read_bytes().count(b"/Type /Page\n") or target.read_bytes().count(b"/Type /Page")
    assert 3 <= pages <= 25
