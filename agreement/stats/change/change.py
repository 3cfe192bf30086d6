"""Does the field see the change that the laboratory sees? Agreement of changes between two visits."""

from contextlib import suppress
from dataclasses import replace
from typing import Final, Literal

import numpy as np
import pandas as pd

from agreement.arrays import DECIMALS, ArrayLike, Floats, Seed, floats
from agreement.stats.basics.bootstrap import Resampling, bootstrap_of_sums, cluster_resampling
from agreement.stats.basics.intervals import Interval, correlation_interval, z_of
from agreement.stats.basics.least_squares import Line, fit_line, moments, products
from agreement.stats.change.change_result import (
    Change,
    response_difference,
    same_direction,
    weighted_kappa,
)
from agreement.stats.change.real_change import real_change
from agreement.stats.limits.limits import FEWEST_FOR_SD, limits_by_athlete
from agreement.stats.limits.limits_of_agreement import BIAS, LOWER, UPPER
from agreement.stats.lines.structural import structural_slope
from agreement.stats.method_data import NO_SECOND_VISIT, TOO_FEW, MethodData, NotEstimable
from agreement.stats.record import recorded
from agreement.stats.repeats.laboratory_variance import (
    UNKNOWN,
    LaboratoryVariance,
    lab_tests_behind,
    laboratory_of,
)


def visit_changes(
    pairs: pd.DataFrame,
    *,
    visits: Literal["first and last", "consecutive"] = "first and last",
    minimum_gap_days: int = 21,
) -> pd.DataFrame:
    """
    List the changes between the visits of each athlete.

    pairs: columns athlete_id, lab_test_id, lab_date, lab, field, of one method and mode.
    visits: {"first and last", "consecutive"}.
    minimum_gap_days: visits closer together make no change.
    Returns: athlete_id, first_test, second_test, days, lab, field; changes rounded to 6 decimals.
    """
    who, test = (
        np.unique(pairs[name].to_numpy(dtype=object), return_inverse=True)[1]
        for name in ("athlete_id", "lab_test_id")
    )
    day = pairs["lab_date"].to_numpy(dtype="datetime64[D]").astype(np.int64)
    order = np.lexsort((test, day, who))
    same = who[order][1:] == who[order][:-1]
    if visits == "consecutive":
        first, second = order[:-1][same], order[1:][same]
    else:
        first, second = (
            order[np.r_[True, ~same][: order.size]],
            order[np.r_[~same, True][: order.size]],
        )
    days = day[second] - day[first]
    kept = (days >= minimum_gap_days) & (first != second)
    first, second = first[kept], second[kept]
    lab, field = floats(pairs, "lab", "field")
    athlete, test_id = (
        pairs[name].reset_index(drop=True) for name in ("athlete_id", "lab_test_id")
    )
    return pd.DataFrame(
        {
            "athlete_id": athlete.take(second).array,
            "first_test": test_id.take(first).array,
            "second_test": test_id.take(second).array,
            "days": days[kept],
            "lab": np.round(lab[second] - lab[first], DECIMALS),
            "field": np.round(field[second] - field[first], DECIMALS),
        }
    )


SMALLEST_WORTHWHILE: Final = 0.2  # of the laboratory's spread between athletes (Hopkins 2000)


def change(
    changes: pd.DataFrame,
    *,
    lab_spread: float,
    laboratory: LaboratoryVariance | None = None,
    noise_shares: ArrayLike | None = None,
    rng: Seed = None,
) -> Change:
    """
    Agreement of the field's changes with the laboratory's.

    changes: as `visit_changes` returns.
    lab_spread: standard deviation of the laboratory values between athletes. [mL/kg/min]
    laboratory: of one test.
    noise_shares: 1/(tests before) + 1/(tests after) of each change; default: 2.
    Raises ValueError with changes of fewer than 3 athletes.

    A bias that an athlete carries from visit to visit cancels, so changes can agree where levels do
    not, and the other way round. The slope of the field's change on the laboratory's is its
    responsiveness: 1 in full, below 1 it smooths; the laboratory's own error lowers it too.

    .. [1] Critchley LA, Lee A, Ho AM. Anesth Analg 2010;111:1180-1192.
    .. [2] Hopkins WG. Measures of reliability in sports medicine and science. Sports Med
       2000;30:1-15.
    """
    lab, field = floats(changes, "lab", "field")
    athlete = changes["athlete_id"].to_numpy()
    n = len(np.unique(athlete))
    if n < FEWEST_FOR_SD:
        raise ValueError(f"agreement of changes needs at least {FEWEST_FOR_SD} athletes; got {n}")
    drawn = cluster_resampling(athlete, rng=rng)
    shares = np.full(len(lab), 2.0) if noise_shares is None else np.asarray(noise_shares)
    line, follows = None, None  # where all changes are equal
    with suppress(ValueError):
        line = fit_line(lab, field)
    with suppress(ValueError):
        known = laboratory or UNKNOWN
        follows = structural_slope(field, lab, known, athlete=athlete, noise_shares=shares)
    r_interval, slope_interval = _line_intervals(line, lab, field, drawn)
    noise = None if laboratory is None else z_of(0.95) * 2**0.5 * laboratory.sd
    worthwhile = SMALLEST_WORTHWHILE * lab_spread
    return Change(
        changes,
        n,
        len({*changes["first_test"], *changes["second_test"]}),
        limits_by_athlete(np.round(field - lab, DECIMALS), athlete),
        line,
        r_interval,
        slope_interval,
        laboratory,
        same_direction(field, lab, drawn),
        None if noise is None else same_direction(field, lab, drawn, zone=noise),
        same_direction(field, lab, drawn, zone=worthwhile),
        weighted_kappa(field, lab, drawn, threshold=worthwhile),
        response_difference(field, lab, drawn),
        real_change(changes, laboratory, shares),
        follows,
        clustered=n < len(changes),
    )


def change_of(data: MethodData) -> Change:
    """
    Agreement of changes of one method and mode, by the study's rule on visits.

    Raises NotEstimable when nobody has a second visit, or fewer than 3 athletes have.
    """
    rule = data.options.change
    changes = visit_changes(data.pairs, visits=rule.visits, minimum_gap_days=rule.minimum_gap_days)
    if changes.empty:
        raise NotEstimable(
            f"no athlete has two paired tests at least {rule.minimum_gap_days} days apart.",
            NO_SECOND_VISIT,
        )
    laboratory: LaboratoryVariance | None = None
    with suppress(NotEstimable):
        laboratory = laboratory_of(data)
    means = np.bincount(data.athlete, data.lab) / np.bincount(data.athlete)
    spread = float(means.std(ddof=1))
    # how many times the laboratory's variance is in each change
    share = dict(zip(data.texts("lab_test_id"), 1 / lab_tests_behind(data), strict=True))
    shares = changes["first_test"].map(share) + changes["second_test"].map(share)
    try:
        return change(
            changes,
            lab_spread=spread,
            laboratory=laboratory,
            noise_shares=shares,
            rng=data.seed,
        )
    except ValueError as error_found:
        raise NotEstimable(str(error_found), TOO_FEW) from error_found


def _line_intervals(
    line: Line | None, lab: Floats, field: Floats, drawn: Resampling
) -> tuple[Interval, Interval]:
    if line is None or np.isnan(line.r):
        return Interval(np.nan, np.nan), Interval(np.nan, np.nan)
    if drawn.n_athletes == len(lab):
        return correlation_interval(line.r, line.n), line.slope_interval()

    def r_and_slope(sums: Floats) -> Floats:
        m = moments(sums)
        return np.stack([m.xy / np.sqrt(m.xx * m.yy), m.xy / m.xx], axis=1)

    columns = products(lab, field)
    found = bootstrap_of_sums(drawn, columns, r_and_slope, scales=("atanh", "plain"))
    return found.interval(0), found.interval(1)


RECORD: Final = recorded(
    "change, place 120, whole, own section: agreement of changes",
    replace(BIAS, meaning="Mean of field change minus laboratory change."),
    LOWER,
    UPPER,
    """
    r [1]: correlation of changes
      How closely both methods rank the changes of the same people.
      = least squares of field change on laboratory change | Hopkins 2000
    slope [1]: attenuated slope of field change on laboratory change
      Change seen in the field for each mL/kg/min of change in the laboratory, noise and all.
    same_direction [1] of n: share of changes in the same direction / share in the same direction
      Share of changes that field and laboratory see go the same way.
      = count over number, Wilson's interval | Critchley 2010
    same_direction_beyond_noise [1] of n: share of changes beyond noise in the same direction
      The same, of laboratory changes larger than the smallest real change.
    weighted_kappa [1]: agreement on down, trivial and up
      How far both sort changes alike, beyond chance: 1 always, 0 as chance would.
      = Cohen's kappa with linear weights; trivial is up to a fifth of the laboratory's spread
      | Cohen 1968; Hopkins 2000
    response_difference [1]: standardised response of the field less that of the laboratory
      How much clearer a squad's change stands out in the field: below 0, less clear.
      = mean change over its standard deviation, field less laboratory | Liang 1990
    responsiveness [1]: field change per unit of true change / field per unit of true change
      Change seen in the field for each mL/kg/min of true change, the laboratory's noise taken
      out.
      = least-squares slope over the reliability of laboratory changes; interval by MOVER-R
      | Fuller 1987; Donner & Zou 2012
    p_no_response [p]: p of no response
      How often chance alone would make the field follow this much.
      = t test of the least-squares slope | Fuller 1987; Donner & Zou 2012
    p_full_response [p]: p of a full response
      How often chance alone would take a full response this far from 1.
      = moments of both changes compared, athlete by athlete | Fuller 1987; Donner & Zou 2012
    smallest_real_change: smallest real change
      A change of the field value between visits below it may be the method's noise alone.
      = z times the spread of field change less laboratory change, net of the laboratory | Zou &
      Donner 2008
    real_change_on_card: change that is more than noise
      A larger change of the field value is more than this method's noise.
      = upper end of the smallest real change, or of z times the spread of field changes where that
      is lower | Zou & Donner 2008
    disagreement: disagreement of changes
      Field and laboratory changes differ by up to this.
      = z times the standard deviation of field change less laboratory change | Zou & Donner
      2008
    """,
).by(change_of)
