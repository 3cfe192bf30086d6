"""Limits of agreement of the ratio field / laboratory, for spread that grows with level."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from agreement.arrays import ArrayLike, Floats
from agreement.stats.basics.intervals import Interval
from agreement.stats.limits.limits import StudyLimits, limits_by_athlete
from agreement.stats.method_data import MethodData, require_enough
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows, told_rows


@dataclass(frozen=True, slots=True)
class RatioLimits(Result):
    """Geometric mean of field / laboratory and limits of the ratio."""

    n: int  # athletes
    ratio: float  # geometric mean; above 1 the field estimate reads high
    # lower, upper: limits
    lower: float
    upper: float
    log: StudyLimits  # bias and limits of ln(field / laboratory)

    def limits_at(self, level: ArrayLike) -> tuple[Floats, ...]:
        """
        Lower and upper limit of the difference at a mean of both methods: straight lines.

        .. [1] Euser AM, Dekker FW, le Cessie S. A practical approach to Bland-Altman plots and
           variation coefficients for log transformed variables. J Clin Epidemiol 2008;61:978-982.
        """
        a = np.asarray(level, dtype=np.float64)
        return tuple(2.0 * a * (r - 1.0) / (r + 1.0) for r in (self.lower, self.upper))

    def _rows(self) -> TableRows:
        log = self.log
        named = (
            ("ratio", self.ratio, Interval(*np.exp(log.bias_interval()))),
            ("lower_limit_of_ratio", self.lower, Interval(*np.exp(log.lower_interval()))),
            ("upper_limit_of_ratio", self.upper, Interval(*np.exp(log.upper_interval()))),
        )
        return told_rows(named, n=self.n, n_pairs=log.n_pairs, note=log.note)

    def _finding(self) -> str:
        return (
            f"For one athlete expect the field estimate between {ratio_words(self.lower)} and "
            f"{ratio_words(self.upper)} the laboratory value."
        )


def ratio_limits(field: Floats, lab: Floats, athlete: ArrayLike) -> RatioLimits:
    """
    Limits of agreement on the logarithmic scale, said as ratios.

    field, lab, athlete: shape (n_pairs,). Values above 0; athletes with several pairs count once.

    .. [1] Bland JM, Altman DG. Measuring agreement in method comparison studies.
       Stat Methods Med Res 1999;8:135-160, section 3.1.
    """
    log = limits_by_athlete(np.log(field / lab), athlete)
    ratio, lower, upper = np.exp([log.bias, log.lower, log.upper]).tolist()
    return RatioLimits(log.n, ratio, lower, upper, log)


def ratio_limits_of(data: MethodData) -> RatioLimits:
    """
    Limits of the ratio of one method and mode.

    Raises NotEstimable with fewer than 10 athletes.
    """
    require_enough(data.n)
    return ratio_limits(data.field, data.lab, data.athlete)


def ratio_words(ratio: float) -> str:
    """
    Say a ratio of field to laboratory in per cent.

    >>> ratio_words(0.92), ratio_words(1.115)
    ('8 % below', '12 % above')
    """
    change = 100.0 * (ratio - 1.0)
    return f"{abs(change):.0f} % {'above' if change >= 0 else 'below'}"


RECORD: Final = recorded("""
    ratio_limits, place 370, whole, own section: limits of the ratio
    ratio [1]: mean ratio
      Field divided by laboratory, on the geometric average.
      = bias and limits of ln(field / laboratory), taken back | Bland & Altman 1999
    lower_limit_of_ratio [1]: lower limit of the ratio
      The ratio that only the lowest few of a hundred people lie below.
    upper_limit_of_ratio [1]: upper limit of the ratio
      The ratio that only the highest few of a hundred people lie above.
    """).by(ratio_limits_of)
