"""How bias and limits are shown, whatever design they come from: rows and one sentence."""

from typing import TYPE_CHECKING

from agreement.stats.basics.intervals import Interval, z_of
from agreement.stats.result import Result, TableRows


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
        return self.told(
            ("bias", self.bias, self.bias_interval()),
            ("sd_of_differences", self.sd, self.sd_interval()),
            ("lower_limit", self.lower, self.lower_interval()),
            ("upper_limit", self.upper, self.upper_interval()),
            note=self.note,
        )

    def _finding(self) -> str:
        return (
            f"In {self.n} athletes ({self.n_pairs} pairs) the field estimate reads "
            f"{reading(self.bias)} on average; the limits of agreement are {self.lower:.1f} to "
            f"{self.upper:.1f} mL/kg/min."
        )


def reading(difference: float, unit: str = " mL/kg/min") -> str:
    """Say a difference as "4.1 mL/kg/min low": field minus laboratory, without a sign to misread."""
    if abs(difference) < 0.05:
        return f"0.0{unit}"
    return f"{abs(difference):.1f}{unit} {'high' if difference > 0 else 'low'}"
