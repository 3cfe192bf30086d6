"""How many people a method leaves without a number: limits are only of those whom it serves."""

from dataclasses import dataclass

from agreement.stats.basics.intervals import Interval
from agreement.stats.basics.shares import wilson_interval
from agreement.stats.method_data import MethodData, NotEstimable
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows, told_rows
from agreement.terms import counted


@dataclass(frozen=True, slots=True)
class NoNumber(Result):
    """Who was asked for a number, and who got none."""

    asked: int  # athletes with a laboratory test who did what the method computes from
    without: int  # those of them without any value: refused, incomplete, or impossible
    n_pairs: int  # pairs of the others

    @property
    def share(self) -> float:
        """Share without a number."""
        return self.without / self.asked

    def interval(self, confidence_level: float = 0.95) -> Interval:
        """Wilson's interval of the share."""
        return wilson_interval(self.without, self.asked, confidence_level)

    def _rows(self) -> TableRows:
        rows = (
            ("athletes_asked", self.asked),
            ("athletes_without", self.without),
            ("share_without", self.share, self.interval()),
        )
        return told_rows(rows, n=self.asked, n_pairs=self.n_pairs)

    def _finding(self) -> str:
        return f"{self.without} of {counted(self.asked, 'athlete')} get no number."


def no_number_of(data: MethodData) -> NoNumber:
    """Count the people whom one method and mode leaves without a number."""
    # of given values whoever got none has no row
    if data.asked is None or data.asked.empty:
        raise NotEstimable("who got no value of this method is not in the study.")
    return NoNumber(len(data.asked), int((~data.asked["served"]).sum()), data.n_pairs)


RECORD = recorded("""
    no_number, place 75, nested, own section, any size: who gets no number
    athletes_asked [1] .0: athletes asked
      Athletes with a laboratory test who did what the method computes from.
      = athletes with rows of the method's raw results
    athletes_without [1] .0 of n: athletes without a number
      Those whom the method refused or could not serve.
    share_without [1] of n: share without a number
      Share of the athletes asked who get no number; the limits are not of them.
      = athletes without / athletes asked; Wilson's interval | Newcombe 1998, Stat Med 17:857
    """).by(no_number_of)
