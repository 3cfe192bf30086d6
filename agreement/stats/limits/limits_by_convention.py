"""Limits of agreement by the factors that papers multiply the standard deviation with."""

from dataclasses import dataclass
from typing import Final

from scipy import special

from agreement.stats.limits.limits import limits_by_athlete
from agreement.stats.limits.limits_of_agreement import LOWER, UPPER
from agreement.stats.limits.limits_shown import AnyLimits
from agreement.stats.record import computed_as, declared, recorded
from agreement.stats.result import Result, TableRows, told_rows

# how a source says it -> the group's name in the results table
CONVENTIONS: Final = {"z = 1.96": "z_1.96", "t": "t", "2 SD": "2_sd"}


@dataclass(frozen=True, slots=True)
class LimitsByConvention(Result):
    """Bias plus and minus each factor times the standard deviation. [mL/kg/min]."""

    limits: AnyLimits

    def _rows(self) -> TableRows:
        n, n_pairs = self.limits.n, self.limits.n_pairs
        for words, group in CONVENTIONS.items():
            lower, upper = limits_as_printed(words, self.limits.bias, self.limits.sd, n)
            rows = (
                ("factor", limit_factor(words, n)),
                ("lower_limit", lower),
                ("upper_limit", upper),
            )
            yield from told_rows(rows, n=n, n_pairs=n_pairs, group=group)

    def _finding(self) -> str:
        told = "; ".join(
            f"{words}: {limit_factor(words, self.limits.n) * self.limits.sd:.1f}"
            for words in CONVENTIONS
        )
        return f"Half width of the limits by convention, in mL/kg/min: {told}."


def limit_factor(convention: str, n: int) -> float:
    """
    Return what a source multiplied the standard deviation with.

    >>> round(limit_factor("t", 31), 3), limit_factor("2 SD", 31)
    (2.042, 2.0)
    """
    if convention == "2 SD":
        return 2.0
    if convention == "t":
        return float(special.stdtrit(n - 1, 0.975))
    return 1.96  # as printed by the source; our own limits use the quantile


def limits_as_printed(convention: str, bias: float, sd: float, n: int) -> tuple[float, float]:
    """
    Return both limits as a source with that convention would have printed them. [mL/kg/min].

    >>> limits_as_printed("2 SD", -2.0, 3.0, 31)
    (-8.0, 4.0)
    """
    half = limit_factor(convention, n) * sd
    return bias - half, bias + half


_FACTOR: Final = declared("""
    factor [p]: factor of the convention / factor
      What the standard deviation is multiplied with.
      = bias plus and minus s times 1.96, 2 or Student's t on n - 1 | as papers print them
    """)[0]
_STATISTICS: Final = (_FACTOR, *computed_as((LOWER, UPPER), _FACTOR.formula, _FACTOR.source))
RECORD: Final = recorded(
    "limits_by_convention, place 180, whole, own section: limits by the conventions of papers",
    *_STATISTICS,
).by(
    lambda data: LimitsByConvention(limits_by_athlete(data.difference, data.athlete)),
    unless_possible=tuple(
        (group, tuple(one.name for one in _STATISTICS)) for group in CONVENTIONS.values()
    ),
)
