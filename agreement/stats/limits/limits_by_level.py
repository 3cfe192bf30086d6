"""Limits of agreement that follow fitness: at both ends and in the middle of the observed range."""

from dataclasses import dataclass, replace
from math import inf
from typing import Final

import numpy as np

from agreement.stats.limits.limits_of_agreement import BIAS, LOWER, UPPER
from agreement.stats.lines.trend import Trend
from agreement.stats.method_data import require_enough
from agreement.stats.record import computed_as, declared, recorded
from agreement.stats.result import Result, Row, TableRows

LEVELS: Final = {"low_end": 0.0, "middle": 0.5, "high_end": 1.0}  # shares of the observed range


@dataclass(frozen=True, slots=True)
class LimitsByLevel(Result):
    """Regression limits of the difference at three levels of the mean of both methods. [mL/kg/min]."""

    trend: Trend  # where its spread is uneven, the half width follows the fitted spread

    def _rows(self) -> TableRows:
        found = self.trend
        level = found.lowest + np.array(list(LEVELS.values())) * (found.highest - found.lowest)
        band = found.limits_at(level, varying_spread=found.uneven)
        columns = (level, band.centre, band.lower, band.upper)
        for i, group in enumerate(LEVELS):
            for name, column in zip(RECORD.names, columns, strict=True):
                yield Row.of(name, column[i], n=found.n, n_pairs=found.n_pairs, group=group)

    def _finding(self) -> str:
        return self.trend.summary()


def limits_by_level_of(trend: Trend) -> LimitsByLevel:
    """
    Limits that follow fitness, from the trend of one method and mode.

    Raises NotEstimable with fewer than 10 athletes.
    """
    require_enough(trend.n)
    return LimitsByLevel(trend)


_AT: Final = declared("""
    mean_of_both: fitness, as the mean of both methods / mean of both methods
      The level at which bias and limits are given.
      = smallest and largest mean of both methods, and the middle between them
    """)[0]
_LINE: Final = (
    "the line of d on the mean, plus and minus z times the residual spread; that spread on a line of "
    "its own where it is uneven"
)
# the levels are the least and the fittest person's, and where a line stands tells its level
_STATISTICS: Final = (
    replace(_AT, shown_from=inf),
    *computed_as((BIAS, LOWER, UPPER), _LINE, "Bland & Altman 1999", shown_from=inf),
)
RECORD: Final = recorded(
    "limits_by_level, place 360, whole, own section: limits that follow fitness", *_STATISTICS
).by(
    limits_by_level_of,
    unless_possible=tuple((level, tuple(one.name for one in _STATISTICS)) for level in LEVELS),
    of="trend",
)
