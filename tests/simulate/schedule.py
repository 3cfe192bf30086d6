"""The calendar of an invented study."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Schedule:
    """When things happen; day 0 is `start`."""

    start: date = date(2026, 1, 12)
    first_visit: tuple[int, int] = (49, 68)  # first and last day number of the first visits
    # between, between_spread: days from the first visit to the second, and how far that varies
    # either way. [d]
    between: int = 42
    between_spread: int = 3
    training_before: int = 45  # days of training on record before the first visit. [d]
    # shown_before, shown_after: days around a visit from which wrist numbers are kept. [d]
    shown_before: int = 20
    shown_after: int = 3
    share_field_tests: float = 0.75  # share of people who take each field test at a visit. [-]

    def working_days(self, days: NDArray[np.int64]) -> NDArray[np.int64]:
        """Move day numbers that fall on a weekend to the Friday before."""
        weekday = (days + self.start.weekday()) % 7
        return days - np.maximum(weekday - 4, 0)

    def calendar(self, days: pd.Series) -> pd.Series:
        """Turn day numbers into dates."""
        return pd.Timestamp(self.start).as_unit("s") + pd.to_timedelta(days, unit="D")

    def moment(self, days: pd.Series, hours: pd.Series) -> pd.Series:
        """Turn day numbers and hours into times without offset, to the minute."""
        minutes = (hours.astype(float) * 60).round().astype(int)
        return self.calendar(days) + pd.to_timedelta(minutes, unit="min")
