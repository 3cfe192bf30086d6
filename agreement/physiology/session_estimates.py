"""
`sessions_hr`: VO2max from training sessions, one estimate per day with a usable session.

Each estimate rests on the steady points of the days up to and including its own (`window_days`), by
`hr_on_vo2` because the noise is in heart rate, carried to the HRmax that the laboratory measured,
else to the study's age formula.
"""

from collections.abc import Iterator
from typing import Final, NamedTuple

import numpy as np
import pandas as pd

from agreement.arrays import Flags, Floats, Ints, Objects
from agreement.errors import Problem
from agreement.physiology.equations import COST_RANGES, work_rate_vo2
from agreement.physiology.heart_rate import PointSums, by_age_notes, extrapolations, point_sums
from agreement.physiology.reading_rows import ReadingPart, member_rows, reading_rows
from agreement.physiology.session_people import session_people
from agreement.physiology.session_records import COST_MODES, HIGHEST_BPM, SessionRecords
from agreement.physiology.set_aside import lines_of, row_notes
from agreement.tables.options import Extrapolation
from agreement.terms import BELIEVED, SESSIONS_METHOD

POINTS_AT_ONCE: Final = 250_000  # points of windows looked at together
ABOVE_HR_MAX_BPM: Final = 5.0  # common practice, no source
ABOVE_FOR_S: Final = 30.0  # common practice, no source


class Windows(NamedTuple):
    """
    Days with a usable session, in order of athlete, mode and date, and the window of each.

    `session` is each day's last session (position in the sessions table); the points of its window
    are those in `order` from `first` to before `stop`. A point lies in the windows of many days, so
    points are told a block of days at a time.
    """

    session: Ints
    order: Ints
    first: Ints
    stop: Ints

    def blocks(self) -> Iterator[tuple[slice, Ints, Ints]]:
        """
        Yield some days after others, `POINTS_AT_ONCE` points at most unless one day has more.

        Of each pair of a day and a point of its window: number of the day among these, of the point.
        """
        size = self.stop - self.first
        ends = np.cumsum(size)
        begin = 0
        while begin < size.size:
            before = ends[begin] - size[begin]
            end = max(begin + 1, int(np.searchsorted(ends, before + POINTS_AT_ONCE, side="right")))
            own = size[begin:end]
            day = np.repeat(np.arange(own.size), own)
            skipped = np.cumsum(own) - own - self.first[begin:end]
            point = self.order[np.arange(day.size) - skipped[day]]
            yield slice(begin, end), day, point
            begin = end


def windows(points: pd.DataFrame, sessions: pd.DataFrame, window_days: int) -> Windows:
    """Find the days, in order of athlete, mode and date, and their points."""
    with_points = sessions.loc[points["session"], ["athlete_id", "mode", "date", "instant"]]
    group = with_points.groupby(["athlete_id", "mode"], sort=True).ngroup().to_numpy()
    number = with_points["date"].to_numpy().astype("datetime64[D]").astype(np.int64)
    instant = with_points["instant"].to_numpy().astype("datetime64[us]").astype(np.int64)
    order = np.lexsort((points["session"].to_numpy(), instant, number, group))
    group, number = group[order], number[order]
    if not order.size:
        return Windows(*np.empty((4, 0), dtype=np.int64))
    # one axis for everybody: groups lie further apart than any window reaches
    place = group * (np.ptp(number) + window_days + 1) + number
    last = np.flatnonzero(np.r_[place[1:] != place[:-1], True])
    first = np.searchsorted(place, place[last] - window_days, side="right")
    return Windows(points["session"].to_numpy()[order][last], order, first, last + 1)


class SessionEstimates(NamedTuple):
    """The readings with their members, and the line behind every day, refused ones too."""

    part: ReadingPart
    lines: pd.DataFrame  # as `extrapolations`, with athlete_id, date, mode, hr_max_bpm
    points: pd.DataFrame  # athlete_id, mode, date, hr_bpm, vo2: the steady points


def session_estimates(
    records: SessionRecords,
    laboratory: pd.DataFrame,
    athletes: pd.DataFrame,
    *,
    extrapolation: Extrapolation,
) -> SessionEstimates:
    """Estimate VO2max on every day with a usable session; the others stand in the ledger lines."""
    sessions = records.sessions
    people = session_people(sessions, laboratory, athletes, extrapolation.hr_max_formula)
    points = _with_uptake(records.points, sessions, people["mass_kg"].to_numpy())
    found = windows(points, sessions, extrapolation.window_days)
    day = found.session
    own, day_people = (one.iloc[day].reset_index(drop=True) for one in (sessions, people))
    hr_max, spread = (day_people[name].to_numpy() for name in ("hr_max_bpm", "sd_hr_max"))
    top = extrapolation.maximum_share_of_hr_max * hr_max
    sums, outside, behind = _days(found, points, top, _outside(points, sessions))
    line = extrapolations(sums, hr_max, sd_hr_max=spread, form="hr_on_vo2", guards=extrapolation)
    lines = own[["athlete_id", "date", "mode"]].join(line)
    lines = lines.assign(hr_max_bpm=hr_max, mass_kg=day_people["mass_kg"])
    value = lines["vo2max"].to_numpy()
    sound = (value >= BELIEVED.reject_low) & (value <= BELIEVED.reject_high)
    readings = reading_rows(
        own,
        source="sessions",
        method=SESSIONS_METHOD,
        field=lines["vo2max"],
        standard_error=lines["standard_error"],
        in_range=np.where(outside == 0, "yes", "no"),
        sensor=_one_sensor(behind, sessions, day.size),
        set_hr_max_bpm=hr_max,
        set_mass_kg=lines["mass_kg"].where(lines["mode"] == "cycle"),
    )
    kept = sound[behind.day]
    behind = _Behind(behind.day[kept], behind.session[kept])
    position = np.cumsum(sound, dtype=np.int32) - 1
    members = member_rows(position[behind.day], sessions, behind.session)
    left_out = _left_out(sessions, points, lines, behind.session)
    by_age = own[sound & (spread > 0)]
    notes = records.problems + _hr_max_notes(records, people)
    notes += by_age_notes(by_age, extrapolation.hr_max_formula)
    part = ReadingPart(readings[sound].reset_index(drop=True), members, left_out, notes)
    of_points = sessions.loc[points["session"], ["athlete_id", "mode", "date"]]
    points = of_points.reset_index(drop=True).join(points[["hr_bpm", "vo2"]])
    return SessionEstimates(part, lines, points)


def _hr_max_notes(records: SessionRecords, people: pd.DataFrame) -> tuple[Problem, ...]:
    """Say, once per athlete, where training went well above the HRmax that is used."""
    sessions, top = records.sessions, people["hr_max_bpm"].to_numpy()
    beats = np.arange(HIGHEST_BPM + 1)
    above = np.zeros(len(sessions), dtype=np.float32)
    for some, seconds_at in records.times.blocks():
        high = beats > top[some, None] + ABOVE_HR_MAX_BPM
        above[some] = np.where(high, seconds_at, 0).sum(axis=1)
    long = (above >= ABOVE_FOR_S) & sessions["unusable"].isna().to_numpy()
    first = sessions[long].drop_duplicates("athlete_id")
    return row_notes(first, "above_hr_max", None, top=top[first.index], seconds=above[first.index])


def _with_uptake(points: pd.DataFrame, sessions: pd.DataFrame, mass_kg: Floats) -> pd.DataFrame:
    """Add the oxygen uptake that each point's work rate costs; points without it leave."""
    mode = sessions["mode"].to_numpy()[points["session"]]
    vo2 = np.full(len(points), np.nan)
    for name in COST_MODES:
        of_mode = mode == name
        part = points[of_mode]
        work = part[["speed_m_s", "grade", "power_w"]].to_dict("series")
        vo2[of_mode] = work_rate_vo2(name, mass_kg=mass_kg[part["session"]], **work)
    costed: pd.DataFrame = points.assign(vo2=vo2)[np.isfinite(vo2)]
    return costed.reset_index(drop=True)


class _Behind(NamedTuple):
    """Number `session` of the sessions table stands behind day number `day`; each pair once."""

    day: Ints
    session: Ints


def _days(
    found: Windows, points: pd.DataFrame, top: Floats, outside: Flags
) -> tuple[PointSums, Ints, _Behind]:
    """
    Sum the points of each day's window that are not above its `top` heart rate.

    Returns outside: how many of them lie outside the work rates of the cost equation.
    """
    hr, vo2 = points["hr_bpm"].to_numpy(), points["vo2"].to_numpy()
    session = points["session"].to_numpy().astype(np.int32)
    sums, beyond, behind = [], [], []
    for days, day, point in found.blocks():
        below = ~(hr[point] > top[days][day])
        day, point = day[below], point[below]
        size = days.stop - days.start
        sums.append(point_sums(day, hr[point], vo2[point], groups=size))
        beyond.append(np.bincount(day[outside[point]], minlength=size))
        # in a window the points of one session lie side by side
        own = session[point]
        new = np.ones(own.size, dtype=bool)
        new[1:] = (own[1:] != own[:-1]) | (day[1:] != day[:-1])
        behind.append(_Behind((days.start + day[new]).astype(np.int32), own[new]))
    if not sums:
        none = np.empty(0, dtype=np.int32)
        return point_sums(none, none, none, groups=0), none, _Behind(none, none)
    return (
        PointSums(*map(np.concatenate, zip(*sums, strict=True))),
        np.concatenate(beyond),
        _Behind(*map(np.concatenate, zip(*behind, strict=True))),
    )


def _outside(points: pd.DataFrame, sessions: pd.DataFrame) -> Flags:
    """Tell which points lie outside the work rates that the cost equation was made for."""
    mode = sessions["mode"].to_numpy()[points["session"]]
    outside = np.zeros(len(points), dtype=bool)
    for name, cost in COST_RANGES.items():
        work = points[cost.column].to_numpy()
        outside |= (mode == name) & ((work < cost.low) | (work > cost.high))
    return outside


def _one_sensor(behind: _Behind, sessions: pd.DataFrame, days: int) -> Objects:
    """Return the sensor of each day's sessions, ``unknown`` when they differ; None without any."""
    code, names = pd.factorize(sessions["sensor"].fillna("unknown"))
    own = code.astype(np.int32)[behind.session]
    low, high = np.full(days, names.size, np.int32), np.full(days, -1, np.int32)
    np.minimum.at(low, behind.day, own)
    np.maximum.at(high, behind.day, own)
    name = np.array([*names, None], dtype=object)[low]
    return np.where(low < high, "unknown", name)


def _left_out(
    sessions: pd.DataFrame, points: pd.DataFrame, lines: pd.DataFrame, behind: Ints
) -> pd.DataFrame:
    """Say of every session behind no estimate why."""
    free = np.ones(len(sessions), dtype=bool)
    free[behind] = False
    has, bad = sessions["has_samples"].to_numpy(), sessions["unusable"].notna().to_numpy()
    no_cost = has & ~sessions["mode"].isin(list(COST_MODES)).to_numpy()
    pointed = np.zeros(len(sessions), dtype=bool)
    pointed[points["session"]] = True
    refused = _refusals(sessions, lines)
    poor = free & has & bad
    unsteady = free & has & ~bad & ~no_cost & ~pointed
    costless, stopped = free & no_cost & ~bad, free & pointed
    bad_ones, modes = sessions[poor], {"known": ", ".join(COST_MODES)}
    return lines_of(
        sessions,
        (poor, "session_quality", bad_ones["unusable_by"], {"why": bad_ones["unusable"]}),
        (unsteady, "no_steady_stretch", None, {}),
        (costless, "mode_without_cost", "mode", {"mode": sessions.loc[costless, "mode"], **modes}),
        (stopped, "estimate_refused", None, {"why": refused[stopped]}),
    )


def _refusals(sessions: pd.DataFrame, lines: pd.DataFrame) -> Objects:
    """Return for each session why the estimate of its day was refused."""
    reason = lines["refused"].fillna("the estimate is outside what a person can reach")
    names = ["athlete_id", "mode", "date"]
    days, keys = (pd.MultiIndex.from_frame(one[names]) for one in (lines, sessions))
    by_day = pd.Series(reason.to_numpy(dtype=object), index=days)
    return by_day.reindex(keys).fillna("above the study's share of HRmax").to_numpy(dtype=object)
