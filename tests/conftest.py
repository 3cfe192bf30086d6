"""What holds for every test."""

import gc
import os
import signal
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

sys.path.insert(0, str(Path(__file__).parent))  # tests are no package; some share a plain module

gc.set_threshold(5_000, 20, 20)  # rubbish is looked for seldom: it took a tenth of the time

# how long an example takes says how busy the machine is
settings.register_profile("busy", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("busy")

os.environ["AGREEMENT_CACHE"] = ""  # nothing of the user's, and no run of another test

# Programs that tests start compile the package once, as they do for a user, not each time anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# Where the tests run in the background of a script, interrupts come ignored, and every program a
# test starts would ignore them too: the tests of interrupts would wait for an end that never comes.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="session")
def demo():
    """The invented study of the repository, read and computed once for every file that asks for it."""
    from agreement.cohort import read_cohort

    return read_cohort(Path(__file__).parents[1] / "demo_cohort")


# of these, tests read many small studies
QUICK = {"contract", "doubts", "hostile", "pairing", "physiology", "report", "stats"}


@pytest.fixture(scope="module", autouse=True)
def texts_of_small_studies(request):
    """
    Keep texts of small studies as Python's own, as a report does, and pandas where there is no Arrow.

    It takes a third less time. What other folders test, and every program that a test
    starts but reports, keeps the texts as Arrow's where that is installed.
    """
    if QUICK.isdisjoint(request.path.parts):
        yield
        return
    import pandas as pd

    with pd.option_context("mode.string_storage", "python"):
        yield
