"""One table at the end of `pytest tests/benchmarks -m slow -s`: what was measured, must and aim."""

import subprocess
import time
from collections.abc import Callable
from typing import NamedTuple

import pytest

COLUMNS = ("work", "size", "measured", "must", "aim", "memory")


class Measured(NamedTuple):
    """One line; `must` and `aim` are given where the size is the one that was promised."""

    work: str
    size: str
    value: float
    must: float | None
    aim: float | None
    unit: str
    megabytes: float | None

    @property
    def cells(self) -> tuple[str, ...]:
        memory = "" if self.megabytes is None else f"{self.megabytes:.0f} MB"
        promised = ("" if n is None else f"{n:.3g}" for n in (self.must, self.aim))
        return (self.work, self.size, f"{self.value:.3g} {self.unit}", *promised, memory)


LINES = pytest.StashKey[list[Measured]]()
Told = Callable[..., None]


def pytest_configure(config: pytest.Config) -> None:
    config.stash[LINES] = []


@pytest.fixture(scope="session")
def told(pytestconfig: pytest.Config) -> Told:
    """Return what takes a measurement into the table, and fails beyond what must hold."""

    def tell(
        work: str,
        value: float,
        *,
        size: str = "",
        must: float | None = None,
        aim: float | None = None,
        unit: str = "x",
        megabytes: float | None = None,
    ) -> None:
        line = Measured(work, size, value, must, aim, unit, megabytes)
        pytestconfig.stash[LINES].append(line)
        assert must is None or value <= must, f"{work}: {value:.3g} {unit}, must be below {must:g}"

    return tell


def _seconds(command: list[str]) -> float:
    """Return how long a command takes; nothing else runs, for looking at memory costs time."""
    start = time.perf_counter()
    subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=True)
    return time.perf_counter() - start


def _peak(command: list[str]) -> float:
    """Return the peak memory [MB] of a command with all its children, shared pages once."""
    psutil = pytest.importorskip("psutil", reason="memory is measured with psutil")
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    watched, peak = psutil.Process(process.pid), 0.0
    while process.poll() is None:
        held = 0
        try:
            for one in (watched, *watched.children(recursive=True)):
                about = one.memory_full_info()
                held += getattr(about, "pss", about.rss)
        except psutil.Error:  # one of them ended meanwhile
            pass
        peak = max(peak, held / 1e6)
        time.sleep(0.1)
    assert process.returncode == 0
    return peak


@pytest.fixture(scope="session")
def seconds_of() -> Callable[[list[str]], float]:
    """Return what times a command."""
    return _seconds


@pytest.fixture(scope="session")
def peak_of() -> Callable[[list[str]], float]:
    """Return what measures the memory of a command."""
    return _peak


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    lines = terminalreporter.config.stash[LINES]
    if not lines:
        return
    rows = [COLUMNS, *(line.cells for line in lines)]
    widths = [max(len(row[i]) for row in rows) for i in range(len(COLUMNS))]
    terminalreporter.section("measured, in multiples of each yardstick of the same run")
    for row in rows:
        cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        terminalreporter.write_line("  ".join(cells).rstrip())
