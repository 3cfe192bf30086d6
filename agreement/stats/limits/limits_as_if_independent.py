"""What pooling would have given: limits as if every pair were another athlete. Only to be shown."""

from dataclasses import dataclass
from typing import Final

from agreement.stats.limits.limits import LimitsOfAgreement
from agreement.stats.limits.limits_of_agreement import LIMITS
from agreement.stats.method_data import MethodData, NotEstimable
from agreement.stats.record import computed_as, recorded
from agreement.stats.result import Result, TableRows
from agreement.terms import NOTE_WORDS

NAIVE: Final = f"naive: {NOTE_WORDS['naive']}"


@dataclass(frozen=True, slots=True)
class PooledLimits(Result):
    """Limits from all pairs as if independent, for comparison with papers that did this."""

    n: int
    limits: LimitsOfAgreement

    def _rows(self) -> TableRows:
        return (row._replace(n=self.n, note=NAIVE) for row in self.limits.rows())

    def _finding(self) -> str:
        return (
            f"As if each of {self.limits.n} pairs of {self.n} athletes were another athlete: "
            f"{self.limits.summary()} These intervals are too narrow."
        )


def pooled_limits_of(data: MethodData) -> PooledLimits:
    """Naive limits of one method and mode, where any athlete has several pairs."""
    if not data.clustered:
        raise NotEstimable("every athlete has one pair: nothing is pooled.")
    d = data.difference
    return PooledLimits(data.n, LimitsOfAgreement(d.size, float(d.mean()), float(d.std(ddof=1))))


RECORD: Final = recorded(
    "limits_as_if_independent, place 250, whole, own section, weighs pairs: bias and limits, pairs taken as independent",
    *computed_as(
        LIMITS,
        "as of one pair each, although athletes repeat: to compare with older papers",
        "Bland & Altman 1986",
    ),
).by(pooled_limits_of)
