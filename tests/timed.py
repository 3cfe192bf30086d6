"""How long work takes."""

import time
from collections.abc import Callable
from statistics import median


def median_seconds(work: Callable[[], object], times: int = 5) -> float:
    """Return the median time of hot calls."""
    work()
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return median(taken)
