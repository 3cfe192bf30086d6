"""Is the agreed limit met? The verdict of one method and mode, and the sentence that says it."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.stats.limits.limits import FEW_FOR_REPORTS, FEWEST
from agreement.stats.limits.limits_shown import AnyLimits, reading
from agreement.stats.limits.repeated import limits_by_athlete
from agreement.stats.lines.trend import Band, Trend, trend_of
from agreement.stats.method_data import NO_MARGIN, NOT_ESTIMABLE, TOO_FEW, MethodData
from agreement.stats.record import Analysis, Privacy, Statistic
from agreement.stats.rows import Row, html_table, rows_frame
from agreement.stats.verdict.planning_power import MOST, athletes_needed
from agreement.tables.options import Margin
from agreement.terms import counted

Outcome = Literal["acceptable", "not acceptable", "undecided", "withheld", "no_margin"]
End = Literal["low", "high"]

MIDDLE = 0.90  # of the observed range, over which regression limits are judged
NO_PRACTICAL_NUMBER = 1000  # more athletes; so far out the number itself is a guess
_VALUE = {"acceptable": 1.0, "not acceptable": 0.0}


@dataclass(frozen=True, slots=True)
class Verdict:
    """
    Whether both limits of agreement lie inside the margin agreed beforehand.

    Attributes
    ----------
    outcome : str
        "acceptable", "not acceptable", "undecided", "withheld" or "no_margin".
    method, mode : str
    n, n_pairs : int
        Athletes and pairs.
    limits : AnyLimits or None
        None below 3 athletes.
    margin : float or None
        [mL/kg/min]
    failing_ends : tuple of "low" and "high"
        Ends of the fitness range where the regression limits leave the margin, when that is what
        keeps the verdict open.
    needed : int or None
        Smallest total number of athletes with power 0.80 at the observed bias and spread.
    agreed_on, first_lab_date : date or None
        Why a verdict is withheld.
    """

    outcome: Outcome
    method: str
    mode: str
    n: int
    n_pairs: int
    limits: AnyLimits | None
    margin: float | None
    failing_ends: tuple[End, ...] = ()
    needed: int | None = None
    agreed_on: date | None = None
    first_lab_date: date | None = None

    @property
    def too_few(self) -> bool:
        """Whether there are too few athletes for limits."""
        return self.n < FEW_FOR_REPORTS

    @property
    def more_athletes(self) -> int | None:
        """Athletes still missing; 0 when the study is large enough."""
        return None if self.needed is None else max(0, self.needed - self.n)

    @property
    def note(self) -> str:
        """The outcome, then the code if there is one."""
        few = self.too_few and self.outcome == "undecided"
        repeats = "" if self.limits is None else self.limits.note
        code = TOO_FEW if few else repeats
        return f"{self.outcome}; {code}" if code else self.outcome

    def to_frame(self) -> pd.DataFrame:
        """Return within_margin and more_athletes as rows."""
        more = np.nan if self.more_athletes is None else float(self.more_athletes)
        value = _VALUE.get(self.outcome, np.nan)
        return rows_frame(
            [
                self._row("within_margin", value, self.note),
                self._row("more_athletes", more, self._more_note()),
            ]
        )

    def sentence(self) -> str:
        """
        Say the verdict in plain words: bias, what to expect for one athlete, the agreed limit.

        Limits are said only from 10 athletes on.
        """
        start = f"In {counted(self.n, 'athlete')} the estimate '{self.method}' ({self.mode})"
        if self.limits is None:
            return f"{start} was compared with the laboratory: too few for any statement."
        bias = f"{start} reads {reading(self.limits.bias)} on average"
        if self.too_few:
            return f"{bias}; {self.n} athletes are too few to say what to expect for one of them."
        low, high = reading(self.limits.lower, ""), reading(self.limits.upper, "")
        return f"{bias}; for one athlete expect it between {low} and {high}; {self._judgement()}"

    def summary(self) -> str:
        """Say the verdict in one sentence."""
        return self.sentence()

    def _judgement(self) -> str:
        if self.margin is None:
            return "no limit was agreed beforehand, so there is no verdict."
        agreed = f"the agreed limit of {self.margin:g} mL/kg/min"
        if self.outcome == "acceptable":
            return f"{agreed} is met."
        if self.outcome == "not acceptable":
            return f"{agreed} is not met."
        if self.outcome == "withheld":
            return f"a verdict on {agreed} is withheld: {self._why_withheld()}."
        if self.failing_ends:
            ends = " and ".join(self.failing_ends)
            return f"{agreed} is met on the whole, but not shown at the {ends} end of fitness."
        return f"whether {agreed} is met is undecided: {self._what_would_decide()}."

    def _why_withheld(self) -> str:
        if self.agreed_on is None:
            return "it carries no date"
        return (
            f"it was agreed on {self.agreed_on.isoformat()}, after the first laboratory test "
            f"of {self.first_lab_date.isoformat() if self.first_lab_date else 'the study'}"
        )

    def _what_would_decide(self) -> str:
        if self.more_athletes is None:
            return "at this bias and spread no number of athletes would show that it is"
        if self.more_athletes >= NO_PRACTICAL_NUMBER:
            return "at this bias and spread no practical number of athletes would show that it is"
        return f"about {counted(self.more_athletes, 'more athlete')} would be needed to show that it is"

    def _more_note(self) -> str:
        if self.margin is None:
            return NO_MARGIN
        if self.limits is None:
            return TOO_FEW
        if self.needed is not None:
            return ""
        return f"{NOT_ESTIMABLE}: no number of athletes up to {MOST} would do"

    def _row(self, name: str, value: float, note: str) -> Row:
        return Row.of(name, value, n=self.n, n_pairs=self.n_pairs, unit="1", note=note)

    def _repr_html_(self) -> str:
        return html_table(self.to_frame(), self.sentence())


def verdict_of(data: MethodData) -> Verdict:
    """
    Judge one method and mode against the margin of the study.

    Parameters
    ----------
    data : MethodData

    Returns
    -------
    Verdict

    Notes
    -----
    Acceptable: the outer ends of the exact intervals of both limits lie inside the margin and,
    when the difference depends on fitness (significant, and by more than 1 mL/kg/min over the
    range), so do the regression limits over the middle 90 % of the range. Not acceptable: the
    interval of one limit lies wholly outside. Undecided: anything else.
    """
    limits = limits_by_athlete(data.difference, data.athlete) if data.n >= FEWEST else None
    sizes = (data.method, data.mode, data.n, data.n_pairs)
    return judged(*sizes, limits, data.options.margin, data.first_lab_date, lambda: trend_of(data))


def judged(
    method: str,
    mode: str,
    n: int,
    n_pairs: int,
    limits: AnyLimits | None,
    margin: Margin,
    first_lab_date: date | None,
    trend: Callable[[], Trend],
) -> Verdict:
    """
    Judge limits against a margin by the rule of `verdict_of`, wherever they were computed.

    `trend` is called only when the limits themselves pass, and may raise ValueError.
    """
    outcome, ends = _outcome(n, limits, margin, first_lab_date, trend)
    limit, needed = margin.limit, None
    if limits is not None and limit is not None and limits.sd > 0.0:
        needed = athletes_needed(limits.bias, limits.sd, limit)
    elif limits is not None and limit is not None and abs(limits.bias) < limit:
        needed = FEWEST  # differences that do not vary at all
    known = (limits, limit, ends, needed, margin.agreed_on, first_lab_date)
    return Verdict(outcome, method, mode, n, n_pairs, *known)


def _outcome(
    n: int,
    limits: AnyLimits | None,
    agreed: Margin,
    first_lab_date: date | None,
    trend: Callable[[], Trend],
) -> tuple[Outcome, tuple[End, ...]]:
    margin, agreed_on = agreed.limit, agreed.agreed_on
    if margin is None:
        return "no_margin", ()
    if agreed_on is None or (first_lab_date is not None and agreed_on > first_lab_date):
        return "withheld", ()
    if limits is None or n < FEW_FOR_REPORTS:
        return "undecided", ()
    lower, upper = limits.lower_interval(), limits.upper_interval()
    if any(interval.high < -margin or interval.low > margin for interval in (lower, upper)):
        return "not acceptable", ()
    if lower.low < -margin or upper.high > margin:
        return "undecided", ()
    ends = _failing_ends(trend, margin)
    return ("undecided", ends) if ends else ("acceptable", ())


def _failing_ends(trend: Callable[[], Trend], margin: float) -> tuple[End, ...]:
    """Name the ends of the middle of the fitness range where regression limits leave the margin."""
    try:
        found = trend()
    except ValueError:  # all athletes at one level: no trend to judge
        return ()
    if not found.steep:
        return ()
    band = _band(found)
    outside = (band.lower < -margin) | (band.upper > margin)
    named: tuple[End, End] = ("low", "high")
    return tuple(end for end, out in zip(named, outside, strict=True) if out)


def _band(found: Trend) -> Band:
    """Regression limits at both ends of the middle of the range; they are straight between."""
    edge = (1.0 - MIDDLE) / 2.0 * (found.highest - found.lowest)
    levels: npt.NDArray[np.float64] = np.array([found.lowest + edge, found.highest - edge])
    return found.limits_at(levels, varying_spread=found.uneven)


RECORD: Final = Analysis(
    name="verdict",
    place=30,
    label="verdict on the agreed limit",
    statistics=(
        Statistic(
            "within_margin",
            "agreed limit met",
            "1 if both limits of agreement lie inside the limit agreed beforehand, 0 if not.",
            "both limits inside the agreed one by their exact intervals",
            "Carkeet 2015",
            unit="1",
            digits=0,
        ),
        Statistic(
            "more_athletes",
            "athletes still needed",
            "How many more athletes would decide an open verdict with power 0.80.",
            "power of both limits inside the agreed one, at the observed bias and spread",
            "Lu 2016",
            unit="1",
            digits=0,
        ),
    ),
    privacy=Privacy.WHOLE,
    compute=verdict_of,
    any_size=True,
    own_section=True,
)
