"""The page on paper, through a Chromium that the machine has."""

import shutil
import subprocess
from pathlib import Path
from typing import Final

from agreement.tables.whole_output import work_folder

BROWSERS: Final = ("chromium", "chromium-browser", "google-chrome", "chrome", "msedge")
NO_BROWSER: Final = (
    "No PDF was made: no Chromium was found on this machine. Open report.html in any browser and "
    "print it from there."
)
FAILED: Final = "No PDF was made: the browser did not finish. Open report.html and print it there."
_FLAGS: Final = (
    "--headless", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--no-pdf-header-footer",
)  # fmt: skip
_PATIENCE_S: Final = 180


def browser() -> str | None:
    """Return the first browser of the Chromium family on the path."""
    return next(filter(None, map(shutil.which, BROWSERS)), None)


def print_pdf(page: Path, target: Path) -> str:
    """Print a page as PDF; return a plain sentence when there is no PDF, else nothing."""
    program = browser()
    if program is None:
        return NO_BROWSER
    for sandbox in ((), ("--no-sandbox",)):  # the second for machines that allow no sandbox
        with work_folder() as profile:
            command = [program, *_FLAGS, *sandbox, f"--user-data-dir={profile}"]
            command += [f"--print-to-pdf={target.absolute()}", page.absolute().as_uri()]
            try:
                subprocess.run(command, capture_output=True, check=False, timeout=_PATIENCE_S)
            except subprocess.TimeoutExpired:
                return FAILED
        if target.is_file() and target.stat().st_size:
            return ""
    return FAILED
