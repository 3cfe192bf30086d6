"""Which change of a field value is more than its noise, and how likely a true change is behind it."""

from collections.abc import Iterable
from dataclasses import dataclass
from math import nan, sqrt
from typing import Final

import numpy as np
import pandas as pd
from scipy import special

from agreement.arrays import ArrayLike, floats
from agreement.stats.basics.intervals import Interval, z_of
from agreement.stats.limits.limits import FEW_FOR_REPORTS
from agreement.stats.limits.net_of_laboratory import NetOfLaboratory, net_of_laboratory
from agreement.stats.repeats.laboratory_variance import LaboratoryVariance, variance_ends

FEWEST_FOR_CHANCE: Final = 20  # athletes; below, the chance of a true change is not said
_FEWEST_DF: Final = 3.0
_STEP: Final = 5  # per cent, to which a chance is rounded


@dataclass(frozen=True, slots=True)
class RealChange:
    """Noise of a change of the field value between two visits. [mL/kg/min]."""

    # of field change minus laboratory change; None where the laboratory's error is unknown
    own: NetOfLaboratory | None
    disagreement: float  # field and laboratory changes differ by up to this
    smallest: float  # at the estimate; often 0 by chance, so cards do not carry it
    interval: Interval  # of the smallest
    # upper end of the whole spread of the field's changes: its noise cannot be larger
    ceiling: float
    # what a card may promise: the upper end; NaN below 10 athletes or without an error
    on_card: float


def real_change(
    changes: pd.DataFrame,
    laboratory: LaboratoryVariance | None,
    noise_shares: ArrayLike,
) -> RealChange:
    r"""
    Smallest real change of a field value, from the changes of both methods between visits.

    changes: columns athlete_id, lab, field, as `visit_changes` returns. [mL/kg/min]
    laboratory: of one test.
    noise_shares: shape (n,). 1/(tests before) + 1/(tests after), for each change.

    The variance of field change minus laboratory change holds the noise of both; the laboratory's
    part is taken out. A field that responds less than in full adds to it, so the number is too
    large for a method that smooths. Days of one week say nothing of it.

    .. [1] Zou GY, Donner A. Stat Med 2008;27:1693-1702 (memory; interval).
    """
    lab, field = floats(changes, "lab", "field")
    athlete = changes["athlete_id"].to_numpy()
    error = field - lab
    own = net_of_laboratory(
        error,
        athlete,
        LaboratoryVariance(0.0, np.inf) if laboratory is None else laboratory,
        noise_shares=noise_shares,
    )
    z = z_of(0.95)
    ceiling = z * sqrt(variance_ends(float(field.std(ddof=1)) ** 2, own.n - 1).high)
    disagreement = z * sqrt(own.spread)
    if laboratory is None:
        return RealChange(None, disagreement, nan, Interval(nan, nan), ceiling, nan)
    low, high = (z * end for end in own.sd_interval())
    on_card = nan if own.n < FEW_FOR_REPORTS else min(high, ceiling)
    return RealChange(own, disagreement, z * own.sd, Interval(low, high), ceiling, on_card)


@dataclass(frozen=True, slots=True)
class TrueChange:
    """What a field change says of the true change behind it, in athletes like these."""

    # expected, sd: of the true change. [mL/kg/min]
    expected: float
    sd: float
    df: float
    slope: float  # of laboratory changes on field changes

    def chance(self, worthwhile: float, *, fall: bool = False) -> float:
        """Chance that the true change is a rise, or a fall, of more than this."""
        towards = -self.expected if fall else self.expected
        return float(special.stdtr(self.df, -(worthwhile - towards) / self.sd))

    def in_words(self, worthwhile: float, change: float) -> str:
        """
        Say the chance, to 5 %, of a true change of the direction that the field shows.

        >>> TrueChange(3.6, 1.6, 3.0, 1.1).in_words(2.0, change=4.1)
        'about 80 % likely to be a rise of more than 2.0, in athletes like these'
        """
        fall, side = (True, "fall") if change < 0 else (False, "rise")
        percent = _STEP * round(100 * self.chance(worthwhile, fall=fall) / _STEP)
        said = f"about {min(max(percent, _STEP), 100 - _STEP)} % likely"
        return f"{said} to be a {side} of more than {worthwhile:.1f}, in athletes like these"


def true_changes(
    lab: ArrayLike,
    field: ArrayLike,
    laboratory: LaboratoryVariance,
    new_field_changes: Iterable[float],
    *,
    noise_shares: ArrayLike | None = None,
) -> list[TrueChange | None]:
    """
    Return what field changes say of the true changes behind them.

    lab, field: shape (n,). Changes of other athletes. [mL/kg/min]
    new_field_changes: [mL/kg/min]
    noise_shares: shape (n,). Default: 2, one test at each visit.
    Returns: None for a change of which nothing can be said.

    Least squares of the laboratory's changes on the field's, so that the laboratory's noise is in
    the response alone; it is taken out of the residual variance [1]_. The spread of true changes in
    these athletes is what it rests on: it holds for athletes like them.

    .. [1] Fuller WA. Measurement error models. Wiley 1987 (memory).
    """
    y, x = np.asarray(lab, dtype=np.float64), np.asarray(field, dtype=np.float64)
    n, new = x.size, list(new_field_changes)
    share = 2.0 if noise_shares is None else float(np.mean(np.asarray(noise_shares)))
    dx = x - x.mean()
    sxx = float(dx @ dx)
    if sxx <= 0.0:
        return [None] * len(new)
    slope = float(dx @ y) / sxx
    residual = y - y.mean() - slope * dx
    df = n - 2
    s2, noise = float(residual @ residual) / df, share * laboratory.variance
    low = laboratory.interval().low * share
    above = s2 * (df / float(special.chdtri(df, 0.975)) - 1.0)
    own, high = s2 - noise, s2 - noise + float(np.hypot(above, noise - low))
    spread_of_it = 2.0 * s2**2 / df + 2.0 * noise**2 / laboratory.df
    of_y, of_x = float(y.mean()), float(x.mean())

    def of(change: float) -> TrueChange | None:
        variance = max(own, max(high, 0.0) / 4.0)
        variance += s2 * (1.0 / n + (change - of_x) ** 2 / sxx)
        if variance <= 0.0:
            return None
        degrees = min(2.0 * variance**2 / spread_of_it, df) if spread_of_it > 0.0 else float(df)
        expected = of_y + slope * (change - of_x)
        return TrueChange(expected, sqrt(variance), max(degrees, _FEWEST_DF), slope)

    return [of(change) for change in new]
