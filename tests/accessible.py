"""
axe-core in a real browser: what it finds against a page, at a width, in light and in dark.

It checks rules of WCAG 2.2, levels A and AA, and its own of good practice; provenance: memory.
"""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from agreement.report.page.pdf import browser

AUDIT = """
const [within, done] = arguments;
document.querySelectorAll("details").forEach((one) => { one.open = true; });
axe.run(within ? {include: [within]} : document, {resultTypes: ["violations"]})
  .then((r) => done(r.violations.map((v) => [v.impact, v.id, v.nodes[0].html.slice(0, 200)])));
"""


def axe_source():
    """Return the script of axe-core, from the folder that AXE_CORE names or npm's global one."""
    places = [os.environ.get("AXE_CORE", "")]
    if npm := shutil.which("npm"):
        root = subprocess.run([npm, "root", "-g"], capture_output=True, text=True, check=False)
        places.append(f"{root.stdout.strip()}/axe-core")
    for place in filter(None, places):
        if (script := Path(place) / "axe.min.js").is_file():
            return script.read_text(encoding="utf-8")
    return pytest.skip("axe-core was not found: npm install it, and name its folder in AXE_CORE.")


def started(profile, *flags, logs=("browser",)):
    """Start a browser with its driver, or skip; logs: what it notes down."""
    webdriver = pytest.importorskip("selenium.webdriver", reason="Selenium is not installed.")
    program, service = browser(), shutil.which("chromedriver")
    if program is None or service is None:
        pytest.skip("No Chromium with its driver was found on this machine.")
    options = webdriver.ChromeOptions()
    options.binary_location = program
    fixed = ("--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={profile}")
    for flag in (*fixed, *flags):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", dict.fromkeys(logs, "ALL"))
    driver = webdriver.Chrome(options, webdriver.ChromeService(service))
    driver.set_script_timeout(300)
    return driver


def violations(driver, source, within=""):
    """Return what axe-core holds against the page that is open, or against a part of it."""
    driver.execute_script(source)
    return driver.execute_async_script(AUDIT, within)


def violations_of(driver, source, page, width=1280, scheme="light"):
    """Open a page as a phone or a desk shows it, and return what axe-core holds against it."""
    size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    media = {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", media)
    driver.get(Path(page).absolute().as_uri())
    return violations(driver, source)
