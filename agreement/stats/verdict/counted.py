"""A verdict among others: all methods judged counted, and a constant put to the same questions."""

from dataclasses import dataclass
from math import isnan, nan, sqrt
from typing import Final

import scipy

from agreement.stats.basics.intervals import z_of
from agreement.stats.limits.limits_shown import AnyLimits
from agreement.stats.limits.net_of_laboratory import NetOfLaboratory
from agreement.stats.result import Row, told_rows

SQUAD_TOO_ALIKE: Final = "squad_too_alike"
_LOWEST: Final = 1e-9  # a p below is given as this


@dataclass(frozen=True, slots=True)
class Counted:
    """What the other methods, and no method at all, say about a verdict."""

    # of limits that reach beyond the margin; acceptable needs .025, divided by planned looks. NaN
    # below 10 athletes or without a margin.
    p: float = nan
    # whether it is acceptable with all methods judged counted; None where nothing is judged
    acceptable: bool | None = None
    methods: int = 0  # judged in this study
    # whether the method is shown to tell athletes apart, and better than one number for everybody;
    # None where it cannot be said
    tells_apart: bool | None = None
    flat: bool = False  # whether its structural slope may be 0

    def rows(self, n: int, n_pairs: int, nothing: str) -> list[Row]:
        """Return p and the verdict with all methods counted; `nothing`: why there is none."""
        value = nan if self.acceptable is None else float(self.acceptable)
        rows = (
            (name, x, None, nothing if isnan(x) else f"{self.methods} methods")
            for name, x in (("p_acceptable", self.p), ("acceptable_counted", value))
        )
        return list(told_rows(rows, n=n, n_pairs=n_pairs))


def p_acceptable(bias: float, sd: float, n: int, margin: float, *, coverage: float = 0.95) -> float:
    """
    One-sided p value that a limit of agreement reaches beyond the margin, the worse of both.

    bias, sd: one pair per athlete. [mL/kg/min]
    margin: [mL/kg/min]

    The exact interval of a limit lies inside the margin at 95 % exactly if this is at most .025.

    .. [1] Carkeet A. Exact parametric confidence intervals for Bland-Altman limits of agreement.
       Optom Vis Sci 2015;92:e71-e80 (memory).

    >>> round(p_acceptable(0.6, 2.1, 25, 7.0), 6)
    0.011381
    """
    if sd <= 0.0:
        return 0.0 if abs(bias) < margin else 1.0
    centre = z_of(coverage) * sqrt(n)
    worse = sqrt(n) * (margin - abs(bias)) / sd
    # nctdtr of the oldest scipy allowed has 7 digits; this has 12 in all of them
    return float(scipy.stats.nct.sf(worse, n - 1, centre))


def p_of_limits(limits: AnyLimits | NetOfLaboratory, margin: float) -> float:
    """
    Return the same for any limits with intervals: the level at which an end meets the margin.

    Several pairs per athlete, or limits net of the laboratory.
    """

    def inside(alpha: float) -> float:
        level = 1.0 - 2.0 * alpha
        return min(
            margin - limits.upper_interval(level).high, margin + limits.lower_interval(level).low
        )

    low, high = _LOWEST, 0.5 - _LOWEST
    if inside(high) < 0.0:  # a limit itself is outside
        return 1.0
    if inside(low) >= 0.0:
        return low
    return float(scipy.optimize.brentq(inside, low, high, xtol=1e-10))


def several_judged(number: int) -> str:
    """
    Say what giving several verdicts costs.

    >>> several_judged(5)
    '5 verdicts were given: a false acceptance somewhere in up to 12.5 % of such studies.'
    """
    share = f"{2.5 * number:g} %"
    return f"{number} verdicts were given: a false acceptance somewhere in up to {share} of such studies."
