"""Intraclass correlations in all their forms, with intervals that are not rounded."""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from scipy import special

from agreement.stats.basics.arrays import ArrayLike, Floats
from agreement.stats.basics.intervals import Interval, checked_share

# the two printed names of one thing: McGraw and Wong 1996, Shrout and Fleiss 1979
Form = Literal["1,1", "A,1", "C,1", "1,k", "A,k", "C,k"]
OTHER_NAMES: Final[dict[Form, str]] = {
    "1,1": "1,1",
    "A,1": "2,1",
    "C,1": "3,1",
    "1,k": "1,k",
    "A,k": "2,k",
    "C,k": "3,k",
}


@dataclass(frozen=True, slots=True)
class MeanSquares:
    """Mean squares of n athletes measured by k methods."""

    n: int
    k: int
    # athletes, methods, error: of the two-way table: BMS, JMS, EMS
    athletes: float
    methods: float
    error: float

    @property
    def within(self) -> float:
        """Mean square within athletes, methods and error together: WMS."""
        return (self.methods + (self.n - 1) * self.error) / self.n

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

    @classmethod
    def of_table(cls, values: ArrayLike) -> "MeanSquares":
        """
        Build from a table of n athletes (rows) by k methods (columns).

        Raises ValueError with fewer than two rows or columns, or a missing value.
        """
        x = np.asarray(values, dtype=np.float64)
        if x.ndim != 2 or min(x.shape) < 2 or not np.isfinite(x).all():
            raise ValueError(
                "a table of at least 2 athletes by 2 methods without gaps is needed; "
                f"got shape {x.shape}"
            )
        n, k = x.shape
        x = x - x.mean()
        rows, columns = x.mean(axis=1), x.mean(axis=0)
        rest = x - rows[:, None] - columns
        return cls(
            n,
            k,
            k * float(rows @ rows) / (n - 1),
            n * float(columns @ columns) / (k - 1),
            float((rest**2).sum()) / ((n - 1) * (k - 1)),
        )


@dataclass(frozen=True, slots=True)
class IntraclassCorrelation:
    """One intraclass correlation."""

    # "1,1" one-way; "A,1" absolute agreement; "C,1" consistency; with k: of the mean of k methods
    form: Form
    value: float
    interval: Interval

    @property
    def names(self) -> str:
        """Both printed names."""
        return f"ICC({self.form}) = ICC({OTHER_NAMES[self.form]})"


# Ours: pingouin rounds intervals to two decimals and takes 30 times as long (speed table).
def intraclass_correlation(
    squares: MeanSquares, form: Form = "A,1", *, confidence_level: float = 0.95
) -> IntraclassCorrelation:
    """
    Intraclass correlation from mean squares.

    form: {"1,1", "A,1", "C,1", "1,k", "A,k", "C,k"}.
    Raises ValueError if the form is unknown, or nothing varies at all.

    The forms of the mean of k follow from the single ones by the rule of Spearman and Brown, and
    so do their intervals.

    .. [1] Shrout PE, Fleiss JL. Intraclass correlations: uses in assessing rater reliability.
       Psychol Bull 1979;86:420-428.
    .. [2] McGraw KO, Wong SP. Forming inferences about some intraclass correlation coefficients.
       Psychol Methods 1996;1:30-46.
    """
    if form not in OTHER_NAMES:
        raise ValueError(f"`form` must be one of {', '.join(OTHER_NAMES)}; got {form!r}")
    checked_share("confidence_level", confidence_level)
    single = {"1": _one_way, "A": _absolute, "C": _consistent}[form[0]]
    if squares.athletes <= 0 and squares.within <= 0:
        raise ValueError("all values are equal: no intraclass correlation can be given.")
    value, low, high = single(
        squares, (1 - checked_share("confidence_level", confidence_level)) / 2
    )
    if form.endswith("k"):
        value, low, high = (_of_mean(r, squares.k) for r in (value, low, high))
    return IntraclassCorrelation(form, value, Interval(low, high))


def _of_mean(r: float, k: int) -> float:
    """Spearman and Brown's rule; a single value of -1/(k - 1) has no mean that is reliable at all."""
    divisor = 1 + (k - 1) * r
    return k * r / divisor if divisor > 0 else -np.inf


def _one_way(s: MeanSquares, tail: float) -> tuple[float, float, float]:
    return _from_ratio(s.athletes, s.within, s, s.n * (s.k - 1), tail)


def _consistent(s: MeanSquares, tail: float) -> tuple[float, float, float]:
    return _from_ratio(s.athletes, s.error, s, (s.n - 1) * (s.k - 1), tail)


def _from_ratio(
    between: float, noise: float, s: MeanSquares, df: float, tail: float
) -> tuple[float, float, float]:
    """(F - 1)/(F + k - 1) for the ratio of two mean squares, and the same at its bounds."""
    if noise <= 0:
        return 1.0, 1.0, 1.0
    ratio = between / noise
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
