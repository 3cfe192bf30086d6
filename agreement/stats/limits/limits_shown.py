"""How bias and limits are shown, whatever design they come from: rows and one sentence."""

from typing import Protocol

from agreement.stats.basics.intervals import Interval
from agreement.stats.rows import Row


class AnyLimits(Protocol):
    """Bias and limits of agreement of either design: one pair per athlete, or several."""

    @property
    def n(self) -> int:
        """Athletes."""

    @property
    def n_pairs(self) -> int:
        """Pairs."""

    @property
    def bias(self) -> float:
        """Mean difference, field minus laboratory."""

    @property
    def sd(self) -> float:
        """Standard deviation of the differences of single pairs."""

    @property
    def coverage(self) -> float:
        """Share of differences that the limits should hold."""

    @property
    def lower(self) -> float:
        """Lower limit."""

    @property
    def upper(self) -> float:
        """Upper limit."""

    @property
    def note(self) -> str:
        """What the results table should say of these numbers."""

    def bias_interval(self, confidence_level: float = 0.95) -> Interval:
        """Interval of the bias."""

    def sd_interval(self, confidence_level: float = 0.95) -> Interval:
        """Interval of the standard deviation."""

    def lower_interval(self, confidence_level: float = 0.95) -> Interval:
        """Interval of the lower limit."""

    def upper_interval(self, confidence_level: float = 0.95) -> Interval:
        """Interval of the upper limit."""


def limits_rows(limits: AnyLimits) -> list[Row]:
    """Return bias, sd_of_differences, lower_limit and upper_limit with their intervals."""
    named = (
        ("bias", limits.bias, limits.bias_interval()),
        ("sd_of_differences", limits.sd, limits.sd_interval()),
        ("lower_limit", limits.lower, limits.lower_interval()),
        ("upper_limit", limits.upper, limits.upper_interval()),
    )
    n, n_pairs, note = limits.n, limits.n_pairs, limits.note
    return [
        Row.of(name, value, interval, n=n, n_pairs=n_pairs, note=note)
        for name, value, interval in named
    ]


def limits_sentence(limits: AnyLimits) -> str:
    """Say bias and limits in one sentence."""
    return (
        f"In {limits.n} athletes ({limits.n_pairs} pairs) the field estimate reads "
        f"{reading(limits.bias)} on average; the limits of agreement are {limits.lower:.1f} to "
        f"{limits.upper:.1f} mL/kg/min."
    )


def reading(difference: float, unit: str = " mL/kg/min") -> str:
    """Say a difference as "4.1 mL/kg/min low": field minus laboratory, without a sign to misread."""
    if abs(difference) < 0.05:
        return f"0.0{unit}"
    return f"{abs(difference):.1f}{unit} {'high' if difference > 0 else 'low'}"
