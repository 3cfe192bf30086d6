"""Index numbers of error: mean absolute, percent and root mean square error, share within margin."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from agreement.arrays import DECIMALS, ArrayLike, Floats
from agreement.stats.basics.bootstrap import Resampling, bootstrap_of_sums
from agreement.stats.basics.intervals import Interval, z_of
from agreement.stats.basics.replicates import Replicates, Scale
from agreement.stats.basics.shares import (
    TotalDeviationIndex,
    total_deviation_index,
    wilson_interval,
)
from agreement.stats.limits.limits import checked_pairs
from agreement.stats.method_data import NO_MARGIN, TOO_FEW
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows

# mae, mape, rmse, share within margin, total deviation index
SCALES: Final[tuple[Scale, ...]] = ("log", "log", "log", "ranked", "log")


@dataclass(frozen=True, slots=True)
class ErrorsOfEstimate(Result):
    """Sizes of the error of single pairs."""

    n: int
    n_pairs: int
    margin: float | None  # agreed beforehand; None: no share within it is given. [mL/kg/min]
    within: int  # pairs within the margin, ends included
    share_within_margin: float  # not a number without a margin
    deviation: TotalDeviationIndex
    # mae, mape, rmse: mean absolute error; in per cent of the laboratory; root mean square
    mae: float
    mape: float
    rmse: float
    # bootstrap by athlete of mae, mape, rmse, share within margin, total deviation index
    replicates: Replicates

    @property
    def clustered(self) -> bool:
        """Whether athletes have several pairs."""
        return self.n_pairs > self.n

    def share_interval(self, confidence_level: float = 0.95) -> Interval:
        """
        Wilson's interval of the share, or by bootstrap when pairs repeat, from 15 athletes on.

        Where all pairs lie inside, or none, no resample differs: then Wilson's of as many athletes.
        """
        if self.margin is None:
            return Interval(np.nan, np.nan)
        found = self.replicates.interval(3, confidence_level) if self.clustered else None
        if found is not None and (0 < self.within < self.n_pairs or np.isnan(found.low)):
            return found
        inside = self.n if self.within == self.n_pairs else self.within
        return wilson_interval(inside, self.n, confidence_level)

    def _rows(self) -> TableRows:
        share, interval = self.share_within_margin, self.share_interval()
        none = NO_MARGIN if self.margin is None else ""
        if np.isnan(interval.low) and not none:
            none = TOO_FEW  # of its interval
        index, high = self.deviation.value, self.deviation.upper_bound
        if self.clustered:
            high = self.replicates.interval(4, 0.90).high  # one-sided 95 %
        doubt = "bias outweighs spread: an approximation" if self.deviation.doubtful else ""
        rows = (
            ("mae", self.mae, self.replicates.interval(0), ""),
            ("mape", self.mape, self.replicates.interval(1), ""),
            ("rmse", self.rmse, self.replicates.interval(2), ""),
            ("share_within_margin", share, interval, none),
            ("total_deviation_index", index, Interval(np.nan, high), doubt),
        )
        for name, value, ends, note in rows:
            clustered = "clustered" if self.clustered and not np.isnan(value) else ""
            yield self.row(name, value, ends, "; ".join(filter(None, (clustered, note))))

    def _finding(self) -> str:
        return (
            f"On average the field estimate misses by {self.mae:.1f} mL/kg/min ({self.mape:.1f} %); "
            f"{100 * self.deviation.share:.0f} % of athletes stay within "
            f"{self.deviation.value:.1f} mL/kg/min."
        )


def errors_of_estimate(
    field: ArrayLike,
    lab: ArrayLike,
    resampling: Resampling,
    *,
    margin: float | None = None,
    share: float = 0.90,
) -> ErrorsOfEstimate:
    """
    Sizes of the error, with intervals over athletes (see `Replicates.interval`).

    field, lab: shape (n_pairs,) [mL/kg/min]
    resampling: of the athletes of these pairs.
    margin: [mL/kg/min]
    share: of the total deviation index.

    With 30 athletes the bootstrap intervals hold the truth in 93 % (mae, mape) and 91 % (rmse) of
    studies instead of 95 % (measured); that of the share within the margin, one pair each, in 94 %.
    Raises ValueError if the shapes differ, a value is missing, there are fewer than 3 pairs, or a
        laboratory value is not above 0.
    """
    pairs = checked_pairs(field, lab)
    if float(pairs.lab.min()) <= 0.0:
        raise ValueError("percent errors need laboratory values above 0")
    d = pairs.field - pairs.lab
    size = np.round(np.abs(d), DECIMALS)
    inside = size <= round(margin, DECIMALS) if margin is not None else np.zeros(d.size, dtype=bool)
    z = z_of(share)

    def statistics(sums: Floats) -> Floats:
        n, absolute, percent, squares, within = sums.T
        index = z * np.sqrt(squares / (n - 1.0))
        return np.stack(
            [absolute / n, percent / n, np.sqrt(squares / n), within / n, index], axis=1
        )

    columns = [np.ones_like(d), np.abs(d), 100.0 * np.abs(d) / pairs.lab, d * d, inside]
    replicates = bootstrap_of_sums(resampling, np.stack(columns, axis=1), statistics, scales=SCALES)
    mae, mape, rmse = replicates.estimate[:3].tolist()
    return ErrorsOfEstimate(
        resampling.n_athletes,
        d.size,
        margin,
        int(inside.sum()),
        np.nan if margin is None else int(inside.sum()) / d.size,
        total_deviation_index(d, share),
        *(mae, mape, rmse),
        replicates,
    )


RECORD: Final = recorded("""
    error, place 90, whole, own section: size of the error
    mae by sign by pair: mean absolute error
      How far off one reading is on average, whatever the direction.
      = mean of |d| | textbook
    mape [%] by sign by pair: mean absolute error in per cent of the laboratory
      The same, as a share of the laboratory value.
      = mean of |d| / laboratory | textbook
    rmse by pair: root mean square error
      Size of the error with large ones weighing more.
      = root of the mean of d squared | textbook
    share_within_margin [1] of n_pairs: share within the agreed limit
      Share of readings that lie within the agreed limit of the laboratory.
      = count over number; Wilson's interval | Newcombe 1998
    total_deviation_index by pair: total deviation index
      The size that nine of ten errors stay below.
      = normal quantile of 90 % times the root of the sum of d squared over n - 1, with its upper
      bound | Lin 2000; Lin 2002
    """).by(
    lambda data: errors_of_estimate(
        data.field, data.lab, data.resampling, margin=data.options.margin.limit
    ),
    of_registry=("mae", "mape", "rmse", "share_within_margin", "total_deviation_index"),
)
