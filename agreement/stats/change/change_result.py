"""Agreement of changes between two visits: its parts, the result, its rows and its sentences."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from agreement.arrays import Flags, Floats
from agreement.stats.basics.bootstrap import Resampling, bootstrap_of_sums
from agreement.stats.basics.intervals import Interval
from agreement.stats.basics.least_squares import Line, moments, products
from agreement.stats.basics.replicates import Replicates
from agreement.stats.basics.shares import wilson_interval
from agreement.stats.change.real_change import FEWEST_FOR_CHANCE, RealChange, true_changes
from agreement.stats.limits.limits import FEW_FOR_REPORTS
from agreement.stats.limits.limits_shown import AnyLimits
from agreement.stats.lines.structural import StructuralSlope
from agreement.stats.method_data import NOT_ESTIMABLE, TOO_FEW
from agreement.stats.repeats.laboratory_variance import LaboratoryVariance
from agreement.stats.result import Result, Row, TableRows
from agreement.terms import UNIT

_DISTANCE: Final = np.abs(np.subtract.outer(np.arange(3), np.arange(3))).ravel() / 2.0


@dataclass(frozen=True, slots=True)
class SameDirection:
    """How many changes share their sign, of those outside a zone around no change."""

    zone: float  # laboratory changes up to this size are left out. [mL/kg/min]
    # shape (n,). Which changes are outside the zone, and 0 in neither method; and of the same sign.
    considered: Flags
    alike: Flags
    kept: int  # how many are considered
    left_out: int  # how many lie in the zone, or are 0 in either method
    same: int  # changes of the same sign
    share: float  # of the kept changes; not a number when none was kept
    # Wilson's, or by bootstrap over athletes when an athlete has several changes
    interval: Interval


def same_direction(
    field: Floats, lab: Floats, resampling: Resampling, *, zone: float = 0.0
) -> SameDirection:
    """
    Count changes of the same sign outside the zone.

    field, lab: shape (n,). Changes of the same athletes. [mL/kg/min]
    resampling: of the athletes of these changes.
    zone: [mL/kg/min]

    .. [1] Critchley LA, Lee A, Ho AM. A critical review of the ability of continuous cardiac output
       monitors to measure trends in cardiac output. Anesth Analg 2010;111:1180-1192.
    """
    kept = (np.abs(lab) > zone) & (lab != 0) & (field != 0)
    same = kept & (np.sign(field) == np.sign(lab))
    k, n = int(same.sum()), int(kept.sum())
    if n == 0:
        interval = Interval(np.nan, np.nan)
    elif resampling.n_athletes == len(lab):
        interval = wilson_interval(k, n)
    else:
        counted = np.stack([same, kept], axis=1)
        drawn = bootstrap_of_sums(
            resampling, counted, lambda s: s[:, :1] / s[:, 1:], scales=("ranked",)
        )
        interval = drawn.interval()
    return SameDirection(zone, kept, same, n, len(lab) - n, k, k / n if n else np.nan, interval)


def weighted_kappa(
    field: Floats, lab: Floats, resampling: Resampling, *, threshold: float
) -> Replicates:
    """
    Cohen's kappa with linear weights of changes called down, trivial or up by both methods.

    threshold: a change up to this size is trivial. [mL/kg/min]
    Returns NaN where chance alone leaves no disagreement; it has an interval from 15 athletes on.
    """

    def kappa(counts: Floats) -> Floats:
        """1 - observed / expected disagreement, linear weights; shape (R, 9) to (R, 1)."""
        tables = counts.reshape(-1, 3, 3)
        expected = tables.sum(axis=2)[:, :, None] * tables.sum(axis=1)[:, None, :]
        by_chance = expected.reshape(-1, 9) @ _DISTANCE / counts.sum(axis=1)
        found = 1.0 - (counts @ _DISTANCE) / by_chance
        return np.where(np.isfinite(found), found, np.nan)[:, None]

    lab_at, field_at = (
        1 + (change > threshold).astype(np.int64) - (change < -threshold) for change in (lab, field)
    )
    cell = 3 * lab_at + field_at
    return bootstrap_of_sums(resampling, cell[:, None] == np.arange(9), kappa, scales=("ranked",))


def response_difference(field: Floats, lab: Floats, resampling: Resampling) -> Replicates:
    """Standardised response mean, mean change over its standard deviation, field less laboratory."""

    def difference(sums: Floats) -> Floats:
        m, found = moments(sums), []
        for total, squares in ((m.x, m.xx), (m.y, m.yy)):
            variance = squares / (m.n - 1)
            mean = np.where(variance > 1e-12, total / m.n, np.nan)
            found.append(mean / np.sqrt(np.abs(variance)))
        return (found[1] - found[0])[:, None]

    return bootstrap_of_sums(resampling, products(lab, field), difference, scales=("plain",))


OF_FOLLOWING: Final = ("responsiveness", "p_no_response", "p_full_response")
_UNKNOWN: Final = "the laboratory's own error is unknown"
_ALL_EQUAL: Final = f"{NOT_ESTIMABLE}: all changes are equal"


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
    laboratory: LaboratoryVariance | None  # of one test; None: neither measured nor declared
    # anywhere, beyond_noise: without a zone, and outside z sqrt 2 laboratory errors; None without a
    # laboratory error
    anywhere: SameDirection
    beyond_noise: SameDirection | None
    worthwhile: SameDirection  # outside a fifth of the laboratory's spread between athletes
    kappa: Replicates  # of both methods, on which change is down, trivial or up
    response: Replicates  # standardised, field less laboratory
    real: RealChange  # which change of the field value is more than its noise
    # how much the field follows the true change; None where all laboratory changes are equal
    follows: StructuralSlope | None = None
    clustered: bool = False  # whether an athlete has several changes

    @property
    def all_noise(self) -> bool:
        """Whether laboratory changes differ no more than its noise makes them: r means nothing then."""
        if self.laboratory is None:
            return False
        return bool(self.changes["lab"].var(ddof=1) <= 2 * self.laboratory.variance)

    def _rows(self) -> TableRows:
        limits, line = self.limits, self.line
        assumed = "assumed" if self.laboratory is not None and self.laboratory.assumed else ""
        noise = "changes differ no more than noise" if self.all_noise else ""
        r, slope = (np.nan, np.nan) if line is None else (line.r, line.slope)
        yield from self.told(
            ("bias", limits.bias, limits.bias_interval()),
            ("lower_limit", limits.lower, limits.lower_interval()),
            ("upper_limit", limits.upper, limits.upper_interval()),
            note=limits.note,
        )
        yield self._of_all("r", r, self.r_interval, noise)
        yield self._of_all("slope", slope, self.slope_interval, noise)
        yield self._of_direction("same_direction", self.anywhere, "")
        yield self._of_direction("same_direction_beyond_noise", self.beyond_noise, assumed)
        for name, found in (("weighted_kappa", self.kappa), ("response_difference", self.response)):
            yield self._of_all(name, float(found.estimate[0]), found.interval())
        real, few = self.real, self.n < FEW_FOR_REPORTS
        unknown = TOO_FEW if few else f"{NOT_ESTIMABLE}: {_UNKNOWN}"
        if self.follows is None or few:
            why = TOO_FEW if few else _ALL_EQUAL
            yield from self.told(*((name, np.nan) for name in OF_FOLLOWING), note=why)
        else:
            names = ("responsiveness", "", *OF_FOLLOWING[:0:-1])
            follows = replace(self.follows, unknown="" if self.laboratory else unknown)
            slope_row, _, full, nothing = follows.slope_rows(names)
            yield from (slope_row, nothing, full)
        told = real.own is not None and not few
        note = assumed if told else unknown
        value, ends = (real.smallest, real.interval) if told else (np.nan, None)
        yield self.row("smallest_real_change", value, ends, note)
        yield self.row("real_change_on_card", real.on_card, note=note)
        yield self.row("disagreement", real.disagreement)

    def sides(self) -> "dict[str, pd.Series[bool]]":
        """Return of each share of changes which are counted, by athlete; missing: not considered."""
        shares = {"same_direction": self.anywhere, "same_direction_beyond_noise": self.beyond_noise}
        who = self.changes["athlete_id"]
        return {
            name: pd.Series(one.alike, who, dtype="boolean").where(one.considered)
            for name, one in shares.items()
            if one is not None
        }

    def chances_said(self) -> dict[str, str]:
        """Say of each athlete how likely the latest change is a true one worth having."""
        field, zone = self.changes["field"], self.worthwhile.zone
        if self.real.own is None or self.n < FEWEST_FOR_CHANCE or zone <= 0.0:
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
            str(
                who
            ): f"change of {change:+.1f} mL/kg/min: the true one {one.in_words(zone, change)}"
            for who, change, one in zip(latest.index, latest, found, strict=True)
            if one is not None
        }

    def _finding(self) -> str:
        caution = (
            " The laboratory's changes differ no more than its own noise makes them: they do not "
            "tell who changed more."
            if self.all_noise
            else ""
        )
        return (
            f"Over {self.n} athletes the field's change differs from the laboratory's by "
            f"{self.limits.bias:.1f} mL/kg/min on average, limits {self.limits.lower:.1f} to "
            f"{self.limits.upper:.1f}; {self.anywhere.same} of {self.anywhere.kept} changes have "
            f"the same direction.{caution}"
        )

    def _said(self, *more: str) -> str:
        return "; ".join(filter(None, ("clustered" if self.clustered else "", *more)))

    def _of_all(self, name: str, value: float, ends: Interval, *more: str) -> Row:
        return self.row(name, value, ends, _ALL_EQUAL if np.isnan(value) else self._said(*more))

    def _of_direction(self, name: str, found: SameDirection | None, note: str) -> Row:
        if found is None:
            return self.row(name, np.nan, note=f"{NOT_ESTIMABLE}: {_UNKNOWN}")
        if found.kept == 0:
            reason = f"{NOT_ESTIMABLE}: no laboratory change exceeds {found.zone:.1f} {UNIT}"
            return self.row(name, np.nan, note=reason)
        note = self._said(note, f"{found.kept} of {found.kept + found.left_out} changes")
        behind = self.changes[found.considered]
        n, tests = behind["athlete_id"].nunique(), {*behind["first_test"], *behind["second_test"]}
        return self.row(name, found.share, found.interval, note, n=n, n_pairs=len(tests))
