"""One certified, handbook or published value beside ours, and how close they are."""

import json
import math
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
MOST = 15.0  # more digits are not asked of double precision


def of_file(name: str) -> dict[str, Any]:
    """Data of a file beside this one."""
    return json.loads((HERE / name).read_text(encoding="utf-8"))


@dataclass(frozen=True, slots=True)
class Row:
    """
    A value of somebody else's and ours.

    `at_least` is the log relative error that a certified value asks for; without it, the printed
    digits are asked for: ours within half of the last one. `slack` widens that, in units of the
    last digit, where `note` says why the print itself is off.
    """

    source: str
    provenance: str
    quantity: str
    printed: str
    ours: float
    at_least: float | None = None
    slack: float = 0.5
    note: str = ""

    @property
    def log_relative_error(self) -> float:
        """Digits in common: -log10(|ours - printed| / |printed|), at most 15."""
        printed = float(self.printed)
        apart = abs(self.ours - printed) / (abs(printed) or 1.0)
        return MOST if apart == 0 else min(MOST, max(0.0, -math.log10(apart)))

    @property
    def last_digit(self) -> float:
        """Size of the last printed digit."""
        return 10.0 ** int(Decimal(self.printed).as_tuple().exponent)

    @property
    def holds(self) -> bool:
        """Whether ours is as close as asked."""
        if self.at_least is not None:
            return self.log_relative_error >= self.at_least
        apart = abs(self.ours - float(self.printed))
        return apart <= self.slack * self.last_digit * (1 + 1e-9)

    def as_shown(self) -> str:
        """Ours with two digits more than the print, for a certified value with all."""
        if self.at_least is not None:
            return f"{self.ours:.15g}"
        more = max(0, -int(Decimal(self.printed).as_tuple().exponent)) + 2
        return f"{self.ours:.{more}f}"
