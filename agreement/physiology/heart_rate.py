"""
Heart rate carried to its maximum: two forms of the line, each with its own error.

`vo2_on_hr` regresses oxygen uptake on heart rate and is right when the noise is in oxygen uptake
(laboratory stages); `hr_on_vo2` regresses heart rate on oxygen uptake and is right when the noise is
in heart rate (training sessions). The wrong form for the noise is biased, and each estimate says by
how much the other form would be. Steady points are reduced to sums, all that a straight line needs, in
a handful of passes without sorting: one athlete and a hundred thousand take the same path.
"""

from typing import Any, Final, Literal, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from agreement.arrays import Floats, Ints, floats
from agreement.errors import Problem
from agreement.tables.findings import problem
from agreement.tables.options import Extrapolation, HrMaxFormula
from agreement.terms import counted, short_of

LineForm = Literal["vo2_on_hr", "hr_on_vo2"]
GUARDS: Final = Extrapolation()


class PointSums(NamedTuple):
    """Count, means and centred sums of products of m groups of points, each of shape (m,)."""

    n: Floats
    mean_hr: Floats
    mean_vo2: Floats
    hr_hr: Floats
    vo2_vo2: Floats
    hr_vo2: Floats
    low_hr: Floats
    high_hr: Floats


def point_sums(
    group: Ints, hr: ArrayLike, vo2: ArrayLike, *, groups: int | None = None
) -> PointSums:
    """
    Sum points without missing values by group, whose codes start at 0; empty groups have NaN means.

    Values are first centred on the whole data's mean, so that the within-group sums lose no more
    than a few digits to the offset; centring on each group's own mean would cost two more passes.
    """
    pulse, uptake = np.asarray(hr, dtype=np.float64), np.asarray(vo2, dtype=np.float64)
    size = groups if groups is not None else int(group.max(initial=-1)) + 1
    if pulse.size == 0:
        empty = np.full(size, np.nan)
        zero = np.zeros(size)
        return PointSums(zero, empty, empty, zero, zero, zero, empty, empty)
    hr_0, vo2_0 = pulse.mean(), uptake.mean()
    x, y = pulse - hr_0, uptake - vo2_0
    n = np.bincount(group, minlength=size).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean_x = np.bincount(group, x, size) / n
        mean_y = np.bincount(group, y, size) / n
    m_x, m_y = np.nan_to_num(mean_x), np.nan_to_num(mean_y)
    hr_hr = np.maximum(np.bincount(group, x * x, size) - n * m_x * m_x, 0.0)
    vo2_vo2 = np.maximum(np.bincount(group, y * y, size) - n * m_y * m_y, 0.0)
    hr_vo2 = np.bincount(group, x * y, size) - n * m_x * m_y
    low, high = np.full(size, np.inf), np.full(size, -np.inf)
    np.minimum.at(low, group, pulse)
    np.maximum.at(high, group, pulse)
    none = n == 0
    low[none] = high[none] = np.nan
    hr_hr[low == high] = 0.0  # a constant heart rate has no spread, whatever rounding says
    return PointSums(n, mean_x + hr_0, mean_y + vo2_0, hr_hr, vo2_vo2, hr_vo2, low, high)


def extrapolations(
    sums: PointSums,
    hr_max: ArrayLike,
    *,
    sd_hr_max: ArrayLike = 0.0,
    form: LineForm,
    guards: Extrapolation = GUARDS,
    allow_two_points: bool = False,
) -> pd.DataFrame:
    r"""
    VO2max of many athletes from their steady points, with its error and the reason of a refusal.

    sums: of m athletes. Sums over the steady points: heart rate [bpm] and oxygen uptake
        [mL/kg/min].
    hr_max: shape (m,). Heart-rate maximum. [bpm]
    sd_hr_max: standard deviation of its error: 0 when measured. [bpm]
    form: {"vo2_on_hr", "hr_on_vo2"}. Which variable carries the noise; see the module.
    guards: the study's smallest heart-rate span, number of points and top share of HRmax.
    allow_two_points: let exactly two points pass the count, as the two-stage cycle tests need.
    Returns: m rows. vo2max, standard_error, intercept, slope (mL/kg/min per bpm in both forms), r,
        n_points, hr_span, top_share_of_hr_max, residual_sd (of the noisy variable), other_form_bias
        (expected bias of the other form if this one is right, mL/kg/min), refused (text or NaN). A
        refused athlete has vo2max NaN; the error that it would have had stays.

    `vo2_on_hr`: :math:`SE^2 = s^2 [1/n + (H - \bar h)^2 / S_{hh}] + b^2 SD_H^2`.
    `hr_on_vo2`: :math:`SE^2 = (s_h^2 [1/n + (V - \bar v)^2 / S_{vv}] + SD_H^2) / c^2`, with V the
    estimate. With noise of variance q in the regressor, of observed variance w, a slope shrinks by
    the share q/w; that gives `other_form_bias`. Two points leave the residual SD unknown: NaN.
    """
    top = np.asarray(hr_max, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):  # which the guards then refuse
        frame = _lines(sums, top, np.asarray(sd_hr_max, dtype=np.float64), form)
    frame["refused"] = _refusals(frame, guards, allow_two_points=allow_two_points)
    frame.loc[frame["refused"].notna(), "vo2max"] = np.nan
    return frame


def _lines(sums: PointSums, hr_max: Floats, sd_hr_max: Floats, form: LineForm) -> pd.DataFrame:
    hh, vv, hv, n = sums.hr_hr, sums.vo2_vo2, sums.hr_vo2, sums.n
    degrees = np.where(n > 2, n - 2.0, np.nan)
    reach = hr_max - sums.mean_hr
    if form == "vo2_on_hr":
        slope = hv / hh
        vo2max = sums.mean_vo2 + slope * reach
        noise = np.maximum(vv - slope * hv, 0.0) / degrees
        variance = noise * (1 / n + reach**2 / hh) + slope**2 * sd_hr_max**2
        share = np.minimum(noise / (vv / (n - 1)), 1.0)
        change = slope * share / (1 - share)
    else:
        hr_per_vo2 = hv / vv
        slope = 1 / hr_per_vo2
        vo2max = sums.mean_vo2 + reach * slope
        noise = np.maximum(hh - hr_per_vo2 * hv, 0.0) / degrees
        far = vo2max - sums.mean_vo2
        variance = (noise * (1 / n + far**2 / vv) + sd_hr_max**2) * slope**2
        change = -slope * np.minimum(noise / (hh / (n - 1)), 1.0)
    return pd.DataFrame(
        {
            "vo2max": vo2max,
            "standard_error": np.sqrt(variance),
            "intercept": vo2max - slope * hr_max,
            "slope": slope,
            "r": hv / np.sqrt(hh * vv),
            "n_points": n,
            "hr_span": sums.high_hr - sums.low_hr,
            "top_share_of_hr_max": sums.high_hr / hr_max,
            "residual_sd": np.sqrt(noise),
            "other_form_bias": change * reach,
        }
    )


def _refusals(
    frame: pd.DataFrame, guards: Extrapolation, *, allow_two_points: bool
) -> "pd.Series[str]":
    """Return why each line may not be carried to HRmax, in words; NaN where it may."""
    n, span, share = floats(frame, "n_points", "hr_span", "top_share_of_hr_max")
    too_few = (n < guards.minimum_points) & ~(allow_two_points & (n == 2))
    narrow = ~(span >= guards.minimum_hr_span_bpm)
    low = ~(share >= guards.minimum_top_share_of_hr_max)
    not_rising = ~(frame["slope"].to_numpy() > 0)
    lost = ~np.isfinite(frame["vo2max"].to_numpy())
    reasons: list[str | None] = [None] * len(frame)
    for i in np.flatnonzero(too_few | narrow | low | not_rising | lost):
        if n[i] == 0:
            reasons[i] = "no steady points at heart rates up to the study's share of HRmax"
            continue
        parts = []
        if too_few[i]:
            points = counted(int(n[i]), "steady point")
            parts.append(f"{points}, {guards.minimum_points} are needed")
        if narrow[i]:
            needed = guards.minimum_hr_span_bpm
            parts.append(
                f"heart rates span {short_of(span[i], needed)} bpm, {needed:.0f} are needed"
            )
        if low[i]:
            needed = 100 * guards.minimum_top_share_of_hr_max
            has = f"{short_of(100 * share[i], needed)} % of HRmax"
            parts.append(f"the highest heart rate is {has}, {needed:.0f} % is needed")
        if not_rising[i] and not parts:
            parts.append(
                "heart rate does not rise with oxygen uptake, as with a sensor that follows the steps"
            )
        reasons[i] = "; ".join(parts) or "HRmax is unknown"
    return pd.Series(reasons, index=frame.index, dtype="str")


def heart_rate_extrapolation(
    hr: ArrayLike,
    vo2: ArrayLike,
    hr_max: float,
    *,
    form: LineForm,
    sd_hr_max: float = 0.0,
    guards: Extrapolation = GUARDS,
) -> "pd.Series[Any]":
    """
    Carry one athlete's steady points [bpm, mL/kg/min] to the heart-rate maximum.

    Points above ``guards.maximum_share_of_hr_max`` are left out.
    Returns: the athlete's row of `extrapolations`; refused is None where there is an estimate.
    Raises ValueError if the shapes differ or a value is missing.
    """
    pulse, uptake = np.asarray(hr, dtype=np.float64), np.asarray(vo2, dtype=np.float64)
    if pulse.shape != uptake.shape or pulse.ndim != 1:
        raise ValueError(
            f"`hr` and `vo2` must be equally long rows; got {pulse.shape} and {uptake.shape}"
        )
    if not (np.isfinite(pulse).all() and np.isfinite(uptake).all()):
        raise ValueError("`hr` and `vo2` must hold numbers only; drop missing points first")
    used = pulse <= guards.maximum_share_of_hr_max * hr_max
    group = np.zeros(int(used.sum()), dtype=np.int64)
    sums = point_sums(group, pulse[used], uptake[used], groups=1)
    row = extrapolations(sums, [hr_max], sd_hr_max=sd_hr_max, form=form, guards=guards)
    found = row.astype("object").iloc[0]
    found["refused"] = None if pd.isna(found["refused"]) else found["refused"]
    return found


class AgeLine(NamedTuple):
    """HRmax from age: a line, and the standard deviation of people around it. [bpm]."""

    at_birth: float
    per_year: float
    sd: float
    source: str
    provenance: str

    def by_age(self, age_years: Floats) -> Floats:
        """Return the expected maximum. [bpm]."""
        return self.at_birth - self.per_year * age_years


# Where a source gives no spread of its own, 10.8 bpm is used: Robergs and Landwehr 2002 (read) found
# 7 to 11 bpm for all of these lines.
HR_MAX_FORMULAS: Final[dict[HrMaxFormula, AgeLine]] = {
    "220_minus_age_1971": AgeLine(220, 1, 11.0, "Fox 1971; spread 10 to 12 bpm", "read"),
    "208_minus_0.7_age_2001": AgeLine(208, 0.7, 10.8, "Tanaka 2001", "read second-hand"),
    "207_minus_0.7_age_2007": AgeLine(
        207, 0.7, 10.8, "Gellish 2007; 132 people, 908 tests", "read"
    ),
    "211_minus_0.64_age_2013": AgeLine(211, 0.64, 10.8, "Nes 2013; n 3320", "read"),
}


def heart_rate_maximum(
    age_years: ArrayLike, *, formula: HrMaxFormula = "208_minus_0.7_age_2001"
) -> Floats:
    """Return the maximum expected from age, within about 11 bpm; ValueError of another formula."""
    if formula not in HR_MAX_FORMULAS:
        raise ValueError(f"`formula` must be one of {', '.join(HR_MAX_FORMULAS)}; got {formula!r}")
    return HR_MAX_FORMULAS[formula].by_age(np.asarray(age_years, dtype=np.float64))


def measured_or_by_age(
    measured: Floats, age_years: ArrayLike, formula: HrMaxFormula
) -> tuple[Floats, Floats]:
    """Return HRmax, by the study's age formula where none was measured, and its error. [bpm]."""
    by_age, known = heart_rate_maximum(age_years, formula=formula), ~np.isnan(measured)
    spread = HR_MAX_FORMULAS[formula].sd
    return np.where(known, measured, by_age), np.where(known, 0.0, spread)


def by_age_notes(rows: pd.DataFrame, formula: HrMaxFormula) -> tuple[Problem, ...]:
    """Name the formula behind the estimates of athletes whose HRmax nobody measured."""
    if rows.empty:
        return ()
    row = HR_MAX_FORMULAS[formula]
    who = rows["athlete_id"].nunique()
    lack = f"{who} {'athlete has' if who == 1 else 'athletes have'}"
    source, file = row.source.partition(";")[0], str(rows["file"].iloc[0])
    return (problem("hr_max_by_age", file, lack=lack, formula=formula, source=source, sd=row.sd),)
