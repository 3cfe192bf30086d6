"""`import agreement` stays light: what draws, fits models or runs notebooks comes when it is used."""

import subprocess
import sys

HEAVY = {"matplotlib", "seaborn", "statsmodels", "pingouin", "IPython", "nbformat", "nbclient"}


def test_importing_the_package_and_its_loader_does_not_import_the_heavy_libraries():
    code = "import sys, agreement, agreement.cohort; print(*{m.split('.')[0] for m in sys.modules})"
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert HEAVY.isdisjoint(loaded.stdout.split())
