"""Agreement of changes between two visits: the result, its rows and its sentences."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import pandas as pd

from agreement.stats.basics.intervals import Interval
from agreement.stats.basics.least_squares import Line
from agreement.stats.change.change_direction import Responsiveness, SameDirection, ThreeWay
from agreement.stats.change.real_change import FEWEST_FOR_CHANCE, RealChange, true_changes
from agreement.stats.limits.limits import FEW_FOR_REPORTS
from agreement.stats.limits.limits_shown import AnyLimits
from agreement.stats.lines.structural import StructuralSlope
from agreement.stats.method_data import NOT_ESTIMABLE, TOO_FEW
from agreement.stats.result import Result
from agreement.stats.rows import Row
from agreement.terms import UNIT

OF_FOLLOWING: Final = ("responsiveness", "p_no_response", "p_full_response")
_UNKNOWN: Final = "the laboratory's own error is unknown"


@dataclass(frozen=True, slots=True, eq=False)
class Change(Result):
    """Agreement of changes; an error is the field's change minus the laboratory's. [mL/kg/min]."""

    # one row per change: athlete_id, first_test, second_test, days, lab, field (both changes)
    changes: pd.DataFrame
    # n, n_pairs: athletes, and visits behind the changes
    n: int
    n_pairs: int
    limits: AnyLimits  # of the errors
    # Field's change on the laboratory's; None when all laboratory changes are equal
    line: Line | None
    r_interval: Interval
    slope_interval: Interval
    # the laboratory's typical error; None: neither measured nor declared
    laboratory_error: float | None
    assumed_error: bool  # declared, not measured
    # anywhere, beyond_noise: without a zone, and outside z sqrt 2 laboratory errors; None without a
    # laboratory error
    anywhere: SameDirection
    beyond_noise: SameDirection | None
    worthwhile: SameDirection  # outside a fifth of the laboratory's spread between athletes
    kinds: ThreeWay
    response: Responsiveness
    real: RealChange  # which change of the field value is more than its noise
    # how much the field follows the true change; None where that cannot be told
    follows: StructuralSlope | None = None
    clustered: bool = False  # whether an athlete has several changes

    @property
    def no_detectable_change(self) -> bool:
        """Whether laboratory changes spread no more than its own noise: r means nothing then."""
        if self.laboratory_error is None:
            return False
        return bool(self.changes["lab"].var(ddof=1) <= 2 * self.laboratory_error**2)

    def rows(self) -> Iterable[Row]:
        """Return bias, limits, r, slope and the two shares as rows, unrounded."""
        limits = self.limits
        note = limits.note
        rows = [
            self._row("bias", limits.bias, limits.bias_interval(), UNIT, note),
            self._row("lower_limit", limits.lower, limits.lower_interval(), UNIT, note),
            self._row("upper_limit", limits.upper, limits.upper_interval(), UNIT, note),
            self._of_line("r"),
            self._of_line("slope"),
            self._of_direction("same_direction", self.anywhere, ""),
            self._of_direction(
                "same_direction_beyond_noise",
                self.beyond_noise,
                "assumed" if self.assumed_error else "",
            ),
            *self._of_following(),
            *self._of_real_change(),
        ]
        return rows

    def chances_said(self) -> dict[str, str]:
        """Say of each athlete how likely the latest change is a true one worth having."""
        field, zone = self.changes["field"], self.worthwhile.zone
        if self.real.own is None or len(field) < FEWEST_FOR_CHANCE or zone <= 0.0:
            return {}
        latest = self.changes.groupby("athlete_id")["field"].last()
        found = true_changes(
            self.changes["lab"],
            field,
            self.real.own.laboratory,
            latest.to_list(),
            noise_shares=np.full(len(field), self.real.own.noise_share),
        )
        return {
            str(who): f"change of {change:+.1f}: the true one {one.in_words(zone)}"
            for who, change, one in zip(latest.index, latest, found, strict=True)
            if one is not None
        }

    def _of_following(self) -> list[Row]:
        """Return responsiveness and its p values; without a laboratory error only that of none."""
        none = Interval(np.nan, np.nan)
        if self.follows is None or self.follows.n < FEW_FOR_REPORTS:
            reason = TOO_FEW if self.n < FEW_FOR_REPORTS else f"{NOT_ESTIMABLE}: {_UNKNOWN}"
            return [self._row(name, np.nan, none, "1", reason) for name in OF_FOLLOWING]
        slope, _, full, nothing = self.follows.slope_rows(
            ("responsiveness", "", *OF_FOLLOWING[:0:-1])
        )
        return [slope, nothing, full]

    def _of_real_change(self) -> list[Row]:
        """Return the smallest real change, what a card may say of it, and the disagreement."""
        found, none = self.real, Interval(np.nan, np.nan)
        few, known = self.n < FEW_FOR_REPORTS, found.own is not None
        reason = TOO_FEW if few else f"{NOT_ESTIMABLE}: {_UNKNOWN}"
        told = known and not few
        note = ("assumed" if self.assumed_error else "") if told else reason
        smallest, ends = (found.smallest, found.interval) if told else (np.nan, none)
        return [
            self._row("smallest_real_change", smallest, ends, UNIT, note),
            self._row("real_change_on_card", found.on_card, none, UNIT, note),
            self._row("disagreement", found.disagreement, none, UNIT, ""),
        ]

    def summary(self) -> str:
        """Say bias, limits and direction of change in one sentence."""
        caution = (
            " The laboratory's changes are no larger than its own noise: no detectable true change."
            if self.no_detectable_change
            else ""
        )
        return (
            f"Over {self.n} athletes the field's change differs from the laboratory's by "
            f"{self.limits.bias:.1f} mL/kg/min on average, limits {self.limits.lower:.1f} to "
            f"{self.limits.upper:.1f}; {self.anywhere.same} of {self.anywhere.kept} changes have "
            f"the same direction.{caution}"
        )

    def _row(self, name: str, value: float, interval: Interval, unit: str, note: str) -> Row:
        return Row.of(name, value, interval, n=self.n, n_pairs=self.n_pairs, unit=unit, note=note)

    def _of_line(self, name: Literal["r", "slope"]) -> Row:
        none = Interval(np.nan, np.nan)
        value = np.nan if self.line is None else getattr(self.line, name)
        if np.isnan(value):
            return self._row(name, np.nan, none, "1", f"{NOT_ESTIMABLE}: all changes are equal")
        notes = ["clustered"] if self.clustered else []
        notes += ["no detectable true change"] if self.no_detectable_change else []
        interval = self.r_interval if name == "r" else self.slope_interval
        return self._row(name, value, interval, "1", "; ".join(notes))

    def _of_direction(self, name: str, found: SameDirection | None, note: str) -> Row:
        none = Interval(np.nan, np.nan)
        if found is None:
            reason = f"{NOT_ESTIMABLE}: the laboratory's own error is unknown"
            return self._row(name, np.nan, none, "1", reason)
        if found.kept == 0:
            reason = f"{NOT_ESTIMABLE}: no laboratory change exceeds {found.zone:.1f} {UNIT}"
            return self._row(name, np.nan, none, "1", reason)
        notes = ["clustered"] if self.clustered else []
        notes += [note] if note else []
        notes.append(f"{found.kept} of {found.kept + found.left_out} changes")
        behind = self.changes[found.considered]
        return Row.of(
            name,
            found.share,
            found.interval,
            n=behind["athlete_id"].nunique(),
            n_pairs=len({*behind["first_test"], *behind["second_test"]}),
            unit="1",
            note="; ".join(notes),
        )
