"""Help must come at once: at most 18 times as long as starting the interpreter."""

import statistics
import subprocess
import sys
import time

import pytest

MUST, AIM = 18.0, 14.0
RUNS = 9


def seconds(*command):
    """Median of several runs."""
    taken = []
    for _ in range(RUNS):
        start = time.perf_counter()
        subprocess.run(command, capture_output=True, check=True)
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


@pytest.mark.slow
def test_help_is_quick(told):
    help_takes = seconds(sys.executable, "-m", "agreement", "--help")
    yardstick = seconds(sys.executable, "-c", "pass")
    told("agreement --help", help_takes / yardstick, must=MUST, aim=AIM)
