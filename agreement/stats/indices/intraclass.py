"""Intraclass correlations of single values, with intervals that are not rounded."""

from dataclasses import dataclass
from typing import Literal

from scipy import special

from agreement.stats.basics.arrays import Floats
from agreement.stats.basics.intervals import Interval, checked_share

Form = Literal["A,1", "C,1"]  # McGraw and Wong 1996; Shrout and Fleiss 1979 call them 2,1 and 3,1


@dataclass(frozen=True, slots=True)
class MeanSquares:
    """Mean squares of n athletes measured by k methods."""

    n: int
    k: int
    # athletes, methods, error: of the two-way table: BMS, JMS, EMS
    athletes: float
    methods: float
    error: float

    @classmethod
    def of_two(cls, field: Floats, lab: Floats) -> "MeanSquares":
        """Build from two methods, without the table."""
        n = len(field)
        total, difference = field + lab, field - lab
        bias = float(difference.mean())
        spread, noise = total - total.mean(), difference - bias
        return cls(
            n,
            2,
            float(spread @ spread) / (2 * (n - 1)),
            n * bias**2 / 2,
            float(noise @ noise) / (2 * (n - 1)),
        )


# Ours: pingouin rounds intervals to two decimals and takes 30 times as long (speed table).
def intraclass_correlation(
    squares: MeanSquares, form: Form = "A,1", *, confidence_level: float = 0.95
) -> tuple[float, Interval]:
    """
    Intraclass correlation of a single value, and its interval, from mean squares.

    form: "A,1" absolute agreement, "C,1" consistency.

    .. [1] Shrout PE, Fleiss JL. Intraclass correlations: uses in assessing rater reliability.
       Psychol Bull 1979;86:420-428.
    .. [2] McGraw KO, Wong SP. Forming inferences about some intraclass correlation coefficients.
       Psychol Methods 1996;1:30-46.
    """
    tail = (1 - checked_share("confidence_level", confidence_level)) / 2
    value, low, high = (_absolute if form == "A,1" else _consistent)(squares, tail)
    return value, Interval(low, high)


def _consistent(s: MeanSquares, tail: float) -> tuple[float, float, float]:
    """(F - 1)/(F + k - 1) for the ratio of two mean squares, and the same at its bounds."""
    if s.error <= 0:
        return 1.0, 1.0, 1.0
    ratio, df = s.athletes / s.error, (s.n - 1) * (s.k - 1)
    bounds = (
        ratio,
        ratio / special.fdtri(s.n - 1, df, 1 - tail),
        ratio * special.fdtri(df, s.n - 1, 1 - tail),
    )
    value, low, high = (float((f - 1) / (f + s.k - 1)) for f in bounds)
    return value, low, high


def _absolute(s: MeanSquares, tail: float) -> tuple[float, float, float]:
    n, k = s.n, s.k
    r = (s.athletes - s.error) / (s.athletes + (k - 1) * s.error + k * (s.methods - s.error) / n)
    if r >= 1.0:  # no noise, or less than the spread between athletes can be told from
        return 1.0, 1.0, 1.0
    a, b = k * r / (n * (1 - r)), 1 + k * r * (n - 1) / (n * (1 - r))
    df = (a * s.methods + b * s.error) ** 2 / (
        (a * s.methods) ** 2 / (k - 1) + (b * s.error) ** 2 / ((n - 1) * (k - 1))
    )
    lower, upper = special.fdtri(n - 1, df, 1 - tail), special.fdtri(df, n - 1, 1 - tail)
    noise = k * s.methods + (k * n - k - n) * s.error
    low = n * (s.athletes - lower * s.error) / (lower * noise + n * s.athletes)
    high = n * (upper * s.athletes - s.error) / (noise + n * upper * s.athletes)
    return float(r), float(low), float(high)
