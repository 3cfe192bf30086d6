"""
The workbench as a person meets it: JupyterLab in a real Chromium, from files to the report.

Skipped where no Chromium with its driver can be had.
"""

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import threading
import tomllib
from contextlib import suppress
from pathlib import Path

import ipywidgets
import pytest
from accessible import axe_source, started, violations

sys.path.insert(0, str(Path(__file__).parents[1] / "tables"))  # messy_exports
from messy_exports import CASES

pytestmark = [
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.skipif(os.name != "posix", reason="ends a group of processes"),
]
DEMO = Path(__file__).parents[2] / "demo_cohort"
SECONDS = 90  # for a kernel to start on a busy machine


@pytest.fixture
def driver(tmp_path):
    driver = started(tmp_path / "profile", "--window-size=1500,1400")
    yield driver
    driver.quit()


def ended(process):
    """End a process with all that it started."""
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)


@pytest.fixture
def served(tmp_path):
    """Start `agreement open` and return the address of its notebook; end it with all it started."""
    started, readers = [], []

    def start(*words):
        settings = tmp_path / "settings"
        settings.mkdir()
        config = {"IdentityProvider": {"token": "letmein"}}
        (settings / "jupyter_server_config.json").write_text(json.dumps(config), encoding="utf-8")
        surroundings = {"JUPYTER_CONFIG_DIR": str(settings), "HOME": str(tmp_path)}
        share = Path(ipywidgets.__file__).parents[4] / "share" / "jupyter"
        if not (Path(sys.prefix) / "share" / "jupyter" / "lab").is_dir():
            # the libraries of this environment lie in another one
            surroundings |= {
                "JUPYTER_PATH": str(share),
                "JUPYTERLAB_DIR": str(share / "lab"),
                "JUPYTER_CONFIG_PATH": str(share.parents[1] / "etc" / "jupyter"),
            }
        process = subprocess.Popen(
            [sys.executable, "-m", "agreement", "open", *words, "--no-browser", "--port", "0"],
            env=os.environ | surroundings,
            cwd=tmp_path,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        watch = threading.Timer(SECONDS, ended, [process])
        started.append((process, watch))  # at once: what is left open fails a later test
        watch.start()
        said = ""
        for line in process.stderr:
            said += line
            if found := re.search(r"http://(?:localhost|127\.0\.0\.1):\d+/lab\S*\?token\S*", line):
                watch.cancel()
                readers.append(threading.Thread(target=process.stderr.read, daemon=True))
                readers[-1].start()
                return found[0].replace("token=...", "token=letmein")
        return pytest.fail(said)

    yield start
    for process, watch in started:
        watch.cancel()
        ended(process)
        process.wait(timeout=30)
    for reader in readers:
        reader.join(timeout=30)
    for process, _ in started:
        process.stderr.close()


CONTROLS = (  # as they are called, and as is said when they were moved; a method is no choice
    "Method",
    "Days before the test",
    "Days averaged",
    "Days with a reading needed",
    "Summary of the days",
    "Confirmed maxima only",
    "Limit to hold",
    "Share of athletes",
)
# a chooser of files is no part of the page until it is: the driver can fill only what is
IN_SIGHT = "HTMLInputElement.prototype.click = function () { document.body.append(this) }"


class Bench:
    """JupyterLab in the browser, with the few movements that the tests make."""

    def __init__(self, driver, address):
        from selenium.common.exceptions import StaleElementReferenceException
        from selenium.webdriver.common.by import By
        from selenium.webdriver.support.ui import WebDriverWait

        self.driver, self.css = driver, By.CSS_SELECTOR
        self.wait = WebDriverWait(
            driver, SECONDS, ignored_exceptions=[StaleElementReferenceException]
        )
        driver.get(address)

    def run_all(self):
        """Run every cell, by the menu."""
        self.until(lambda: self.all(".jp-Notebook .jp-Cell"))
        self.until(lambda: "Idle" in self.driver.find_element(self.css, "body").text)
        assert not self.all(".jp-Dialog")  # no question about news, kernels or trust
        self.one(".lm-MenuBar-item[data-command]", ".lm-MenuBar-itemLabel", text="Run").click()
        self.one(".lm-Menu-item", text="Run All Cells").click()

    def until(self, true):
        """Wait until something holds, and return it."""
        return self.wait.until(lambda _: true())

    def all(self, selector):
        """Return what a selector finds now."""
        return self.driver.find_elements(self.css, selector)

    def one(self, *selectors, text=None):
        """Wait for the first that a selector finds, with the text."""

        def found():
            for selector in selectors:
                for element in self.all(selector):
                    if element.is_displayed() and (text is None or text in element.text):
                        return element
            return None

        return self.until(found)

    def labelled(self, text, kind="input"):
        """Return the field of a widget with a description."""
        row = self.until(
            lambda: next((r for r in self.all(".widget-inline-hbox") if text in r.text), None)
        )
        return row.find_element(self.css, kind)

    def said(self):
        """Return the sentence above the explore panel."""
        return next(
            (p.text for p in self.all(".widget-html-content p") if re.search("agreed", p.text)),
            None,
        )

    def complaints(self):
        """Return what the browser's console holds against the page."""
        return [
            entry["message"]
            for entry in self.driver.get_log("browser")
            if entry["level"] == "SEVERE"
        ]


def test_from_files_to_the_report(driver, served, tmp_path):
    files = CASES["no mode anywhere"][0]
    for name, content in files.items():
        (tmp_path / name).write_text(content, encoding="utf-8")
    bench = Bench(driver, served())
    bench.run_all()
    driver.execute_script(IN_SIGHT)
    bench.one("button", text="Choose files (0)").click()
    chooser = bench.until(lambda: next(iter(bench.all("input[type=file]")), None))
    chooser.send_keys("\n".join(str(tmp_path / name) for name in files))
    bench.one("button", text=f"Choose files ({len(files)})")
    bench.one("button", text="Read the files").click()
    bench.one(".widget-html-content", text="2 to decide above.")
    assert bench.one(".widget-html-content", text="2026-03-04")
    answers = bench.all("input[list]")
    assert len(answers) == 2
    for answer in answers:
        answer.send_keys("run\t")
    bench.one("button", text="Take these choices and check").click()
    bench.one(".widget-html-content pre", text="Worth knowing")
    bench.one("button", text="Write the report").click()
    page = bench.until(lambda: next(iter(bench.all("iframe[title=report]")), None))
    driver.switch_to.frame(page)
    assert bench.one("h1")
    driver.switch_to.default_content()
    assert (tmp_path / "study-report" / "report.html").is_file()
    assert bench.complaints() == []


# what a hand does with files on the desk: enter, hover, let go
DROP = """
const [zone, files] = arguments, data = new DataTransfer();
for (const [name, text] of Object.entries(files)) data.items.add(new File([text], name));
for (const kind of ["dragenter", "dragover", "drop"])
  zone.dispatchEvent(new DragEvent(kind, {dataTransfer: data, bubbles: true, cancelable: true}));
"""


def test_files_dropped_on_the_panel_are_read(driver, served):
    files = CASES["no mode anywhere"][0]
    bench = Bench(driver, served())
    bench.run_all()
    zone = bench.one(".dropped-files", text="drop files or a folder here")
    driver.execute_script(DROP, zone, files)
    bench.one(".dropped-files", text=", ".join(files))
    bench.one("button", text="Read the files").click()
    bench.one(".widget-html-content", text="2 to decide above.")
    assert bench.complaints() == []


def moved(bench, name):
    """Move one control as a hand does; return it."""
    from selenium.webdriver.common.keys import Keys
    from selenium.webdriver.support.ui import Select

    if name in ("Method", "Summary of the days"):
        menu = Select(bench.labelled(name, "select"))
        menu.select_by_index(1 if menu.options[0].is_selected() else 0)
    elif name == "Confirmed maxima only":
        bench.labelled(name).click()
    elif name.startswith("Limit to hold"):
        field = bench.labelled(name)
        field.send_keys(Keys.CONTROL, "a")
        field.send_keys("9\t")
    else:
        step = Keys.ARROW_DOWN if name == "Share of athletes" else Keys.ARROW_UP
        bench.labelled(name).send_keys(step, Keys.TAB)


def test_every_control_of_the_explore_notebook(driver, served, tmp_path):
    shutil.copytree(DEMO, tmp_path / "study")
    bench = Bench(driver, served("study"))
    bench.run_all()
    agreed = bench.one(".widget-html-content p", text="As agreed.").text
    points = bench.all(".widget-html-content svg title")
    assert any(re.match(r"S\d+: laboratory", p.get_attribute("textContent")) for p in points)
    shown = [agreed]
    for name in CONTROLS:
        moved(bench, name)
        said = bench.until(lambda: now if (now := bench.said()) not in shown else None)
        assert name == "Method" or name in said
        assert ("Tried after the fact" in said) == (len(shown) > 1)  # a method is no choice
        assert ("verdict stays that of the agreed choices" in said) == (len(shown) > 1)
        shown.append(said)
    before = tomllib.loads((tmp_path / "study" / "study.toml").read_text(encoding="utf-8"))
    bench.one("button", text="Write these choices into study.toml").click()
    bench.one(".widget-html-content", text="Written under [pairing].")
    after = tomllib.loads((tmp_path / "study" / "study.toml").read_text(encoding="utf-8"))
    assert after["pairing"] == before["pairing"] | {
        "days_before": 15,
        "summary_days": 8,
        "minimum_days": 3,
        "summary": after["pairing"]["summary"],
    }
    assert after["pairing"]["summary"] != before["pairing"]["summary"]
    assert after["margin"] == before["margin"]  # what was agreed beforehand stays
    assert bench.complaints() == []


@pytest.mark.parametrize("words", [(), ("study",)], ids=["start", "explore"])
def test_axe_finds_nothing_in_the_panels(driver, served, tmp_path, words):
    """JupyterLab around them is not ours."""
    source = axe_source()
    shutil.copytree(DEMO, tmp_path / "study")
    bench = Bench(driver, served(*words))
    bench.run_all()
    if words:
        bench.one(".widget-html-content p", text="As agreed.")
    else:
        bench.one("button", text="Read the files")
    assert violations(driver, source, ".jp-OutputArea-output") == []
