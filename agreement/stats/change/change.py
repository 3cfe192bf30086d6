"""Does the field see the change that the laboratory sees? Agreement of changes between two visits."""

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
import pandas as pd

from agreement.stats.basics.bootstrap import (
    Floats,
    Resampling,
    bootstrap_of_sums,
    cluster_resampling,
)
from agreement.stats.basics.intervals import Interval, correlation_interval, z_of
from agreement.stats.basics.least_squares import Line, fit_line
from agreement.stats.change.change_direction import (
    Responsiveness,
    SameDirection,
    ThreeWay,
    responsiveness,
    same_direction,
    three_way,
)
from agreement.stats.change.visits import visit_changes
from agreement.stats.limits.limits_of_agreement import BIAS, LOWER, UPPER
from agreement.stats.limits.limits_shown import AnyLimits
from agreement.stats.limits.repeated import limits_by_athlete
from agreement.stats.method_data import (
    DECIMALS,
    NO_SECOND_VISIT,
    NOT_ESTIMABLE,
    TOO_FEW,
    MethodData,
    NotEstimable,
)
from agreement.stats.record import Analysis, Privacy, Statistic
from agreement.stats.repeats.repeatability import laboratory_repeatability
from agreement.stats.rows import Row, html_table, rows_frame
from agreement.terms import UNIT

FEWEST: Final = 3
SMALLEST_WORTHWHILE: Final = 0.2  # of the laboratory's spread between athletes (Hopkins 2000)


@dataclass(frozen=True, slots=True, eq=False)
class Change:
    """
    Agreement of changes; an error is the field's change minus the laboratory's. [mL/kg/min].

    Attributes
    ----------
    changes : DataFrame
        One row per change: athlete_id, first_test, second_test, days, lab, field (both changes).
    n, n_pairs : int
        Athletes, and visits behind the changes.
    limits : LimitsOfAgreement or RepeatedLimits
        Of the errors.
    line : Line or None
        Field's change on the laboratory's; None when all laboratory changes are equal.
    r_interval, slope_interval : Interval
    laboratory_error : float or None
        The laboratory's typical error; None: neither measured nor declared.
    assumed_error : bool
        Declared, not measured.
    anywhere, beyond_noise : SameDirection
        Without a zone, and outside z sqrt 2 laboratory errors; None without a laboratory error.
    worthwhile : SameDirection
        Outside a fifth of the laboratory's spread between athletes.
    kinds : ThreeWay
    response : Responsiveness
    clustered : bool
        Whether an athlete has several changes.
    """

    changes: pd.DataFrame
    n: int
    n_pairs: int
    limits: AnyLimits
    line: Line | None
    r_interval: Interval
    slope_interval: Interval
    laboratory_error: float | None
    assumed_error: bool
    anywhere: SameDirection
    beyond_noise: SameDirection | None
    worthwhile: SameDirection
    kinds: ThreeWay
    response: Responsiveness
    clustered: bool = False

    @property
    def no_detectable_change(self) -> bool:
        """Whether laboratory changes spread no more than its own noise: r means nothing then."""
        if self.laboratory_error is None:
            return False
        return bool(self.changes["lab"].var(ddof=1) <= 2 * self.laboratory_error**2)

    @property
    def unattenuated_slope(self) -> float:
        """
        Responsiveness if the laboratory had no error: a sensitivity value, not an estimate.

        Not a number when the laboratory's error is unknown or explains all its changes.
        """
        if self.line is None or self.laboratory_error is None or self.no_detectable_change:
            return float("nan")
        noise = 2 * self.laboratory_error**2 / self.changes["lab"].var(ddof=1)
        return float(self.line.slope / (1 - noise))

    def to_frame(self) -> pd.DataFrame:
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
        ]
        return rows_frame(rows)

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

    def _repr_html_(self) -> str:
        return html_table(self.to_frame(), "Agreement of changes")


def change(
    changes: pd.DataFrame,
    *,
    lab_spread: float,
    laboratory_error: float | None = None,
    assumed_error: bool = False,
    coverage: float = 0.95,
    rng: int | np.random.Generator | None = None,
) -> Change:
    """
    Agreement of the field's changes with the laboratory's.

    Parameters
    ----------
    changes : DataFrame
        As `visit_changes` returns.
    lab_spread : float
        Standard deviation of the laboratory values between athletes. [mL/kg/min]
    laboratory_error : float, optional
        Typical error of one laboratory test. [mL/kg/min]
    assumed_error : bool, default False
        Declared, not measured.
    coverage : float, default 0.95
        Of the limits, and of the noise that a change must exceed.
    rng : int or Generator, optional

    Returns
    -------
    Change

    Raises
    ------
    ValueError
        With changes of fewer than 3 athletes.

    Notes
    -----
    A bias that an athlete carries from visit to visit cancels, so changes can agree where levels do
    not, and the other way round. The slope of the field's change on the laboratory's is its
    responsiveness: 1 in full, below 1 it smooths; the laboratory's own error lowers it too.

    References
    ----------
    .. [1] Critchley LA, Lee A, Ho AM. Anesth Analg 2010;111:1180-1192.
    .. [2] Hopkins WG. Measures of reliability in sports medicine and science. Sports Med
       2000;30:1-15.
    """
    lab, field = (changes[name].to_numpy(dtype=np.float64) for name in ("lab", "field"))
    athlete = changes["athlete_id"].to_numpy()
    n = len(np.unique(athlete))
    if n < FEWEST:
        message = f"agreement of changes needs at least {FEWEST} athletes; got {n}"
        raise ValueError(message)
    drawn = cluster_resampling(athlete, rng=rng)
    line = _line(lab, field)
    r_interval, slope_interval = _line_intervals(line, lab, field, drawn)
    noise = None if laboratory_error is None else z_of(coverage) * 2**0.5 * laboratory_error
    worthwhile = SMALLEST_WORTHWHILE * lab_spread
    return Change(
        changes,
        n,
        len({*changes["first_test"], *changes["second_test"]}),
        limits_by_athlete(np.round(field - lab, DECIMALS), athlete, coverage=coverage),
        line,
        r_interval,
        slope_interval,
        laboratory_error,
        assumed_error,
        same_direction(field, lab, drawn),
        None if noise is None else same_direction(field, lab, drawn, zone=noise),
        same_direction(field, lab, drawn, zone=worthwhile),
        three_way(field, lab, drawn, threshold=worthwhile),
        responsiveness(field, lab, drawn),
        clustered=n < len(changes),
    )


def change_of(data: MethodData) -> Change:
    """
    Agreement of changes of one method and mode, by the study's rule on visits.

    Raises
    ------
    NotEstimable
        When nobody has a second visit, or fewer than 3 athletes have.
    """
    rule, reference = data.options.change, data.options.reference
    changes = visit_changes(data.pairs, visits=rule.visits, minimum_gap_days=rule.minimum_gap_days)
    if changes.empty:
        raise NotEstimable(
            NO_SECOND_VISIT,
            f"no athlete has two paired tests at least {rule.minimum_gap_days} days apart.",
        )
    try:
        error = laboratory_repeatability(data.repeats, declared=reference.sem)
    except NotEstimable:
        known, assumed = None, False
    else:
        known, assumed = error.typical_error, error.assumed
    spread = float(data.pairs.groupby("athlete_id")["lab"].mean().std(ddof=1))
    try:
        return change(
            changes, lab_spread=spread, laboratory_error=known, assumed_error=assumed, rng=data.seed
        )
    except ValueError as error_found:
        raise NotEstimable(TOO_FEW, str(error_found)) from error_found


def _line(lab: Floats, field: Floats) -> Line | None:
    try:
        return fit_line(lab, field)
    except ValueError:
        return None


def _line_intervals(
    line: Line | None, lab: Floats, field: Floats, drawn: Resampling
) -> tuple[Interval, Interval]:
    if line is None or np.isnan(line.r):
        return Interval(np.nan, np.nan), Interval(np.nan, np.nan)
    if drawn.n_athletes == len(lab):
        return correlation_interval(line.r, line.n), line.slope_interval()
    columns = np.stack([np.ones_like(lab), lab, field, lab**2, field**2, lab * field], axis=1)
    found = bootstrap_of_sums(drawn, columns, _r_and_slope)
    return found.bca_interval(0), found.bca_interval(1)


def _r_and_slope(sums: Floats) -> Floats:
    n, sx, sy, sxx, syy, sxy = sums.T
    with np.errstate(divide="ignore", invalid="ignore"):
        sxx, syy, sxy = sxx - sx * sx / n, syy - sy * sy / n, sxy - sx * sy / n
        return np.stack([sxy / np.sqrt(sxx * syy), sxy / sxx], axis=1)


_LINE: Final = "least squares of field change on laboratory change"
_SAME: Final = Statistic(
    "same_direction",
    "share of changes in the same direction",
    "Share of changes that field and laboratory see go the same way.",
    "count over number, Wilson's interval",
    "Critchley 2010",
    unit="1",
    digits=2,
)
RECORD: Final = Analysis(
    name="change",
    place=120,
    label="agreement of changes",
    statistics=(
        replace(BIAS, meaning="Mean of field change minus laboratory change."),
        LOWER,
        UPPER,
        Statistic(
            "r",
            "correlation of changes",
            "How closely both methods rank the changes of the same people.",
            _LINE,
            "Hopkins 2000",
            unit="1",
            digits=2,
        ),
        Statistic(
            "slope",
            "slope of field change on laboratory change",
            "Change seen in the field for each mL/kg/min of change in the laboratory.",
            _LINE,
            "Hopkins 2000",
            unit="1",
            digits=2,
        ),
        _SAME,
        _SAME.named(
            "same_direction_beyond_noise",
            label="the same of changes beyond noise",
            meaning="The same, of laboratory changes larger than the smallest real change.",
        ),
    ),
    privacy=Privacy.WHOLE,
    compute=change_of,
    own_section=True,
)
