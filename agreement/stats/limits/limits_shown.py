"""How bias and limits are shown, whatever design they come from: rows and one sentence."""

from typing import TYPE_CHECKING

from agreement.stats.basics.intervals import Interval, z_of
from agreement.stats.result import Result, Row, TableRows, told_rows


class AnyLimits(Result):
    """
    Bias and limits of agreement of any design: one pair per athlete, several, or net of the laboratory.

    Each design has its own n (athletes), n_pairs, bias, sd of single pairs, coverage, note for the
    results table, intervals of bias and sd, and half widths of the limits' intervals.
    """

    __slots__ = ()
    if TYPE_CHECKING:  # fields of some, properties of others
        n: int
        bias: float
        coverage: float  # share of differences that the limits should hold

        @property
        def n_pairs(self) -> int:
            """Pairs."""

        @property
        def sd(self) -> float:
            """Standard deviation of the differences of single pairs."""

        def bias_interval(self, confidence_level: float = 0.95) -> Interval:
            """Interval of the bias."""

        def sd_interval(self, confidence_level: float = 0.95) -> Interval:
            """Interval of the standard deviation."""

        def _half_widths(self, confidence_level: float) -> tuple[float, float]: ...

    @property
    def note(self) -> str:
        """What the results table should say of these numbers."""
        return ""

    @property
    def lower(self) -> float:
        """Lower limit."""
        return self.bias - z_of(self.coverage) * self.sd

    @property
    def upper(self) -> float:
        """Upper limit."""
        return self.bias + z_of(self.coverage) * self.sd

    def lower_interval(self, confidence_level: float = 0.95) -> Interval:
        """Interval of the lower limit, outer end first."""
        inner, outer = self._half_widths(confidence_level)
        return Interval(self.lower - outer, self.lower + inner)

    def upper_interval(self, confidence_level: float = 0.95) -> Interval:
        """Interval of the upper limit, inner end first."""
        inner, outer = self._half_widths(confidence_level)
        return Interval(self.upper - inner, self.upper + outer)

    def _rows(self) -> TableRows:
        return limits_rows(self)

    def _finding(self) -> str:
        return limits_sentence(self)


def limits_rows(limits: AnyLimits) -> list[Row]:
    """Return bias, sd_of_differences, lower_limit and upper_limit with their intervals."""
    named = (
        ("bias", limits.bias, limits.bias_interval()),
        ("sd_of_differences", limits.sd, limits.sd_interval()),
        ("lower_limit", limits.lower, limits.lower_interval()),
        ("upper_limit", limits.upper, limits.upper_interval()),
    )
    return list(told_rows(named, n=limits.n, n_pairs=limits.n_pairs, note=limits.note))


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
