"""
The training profile of each laboratory test, from the sessions of the six weeks before it.

The window ends the day before the test. Too little data gives ``not enough data``, never a guess.
"""

from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from agreement.errors import Problem
from agreement.physiology.arrays import FloatArray, IntArray
from agreement.physiology.beat_times import HIGHEST_BPM
from agreement.physiology.intensity import distribution_pattern, polarization_index
from agreement.physiology.ledger import NOTHING, joined, set_aside_rows
from agreement.physiology.profile_rules import (
    LOW_INTENSITY,
    Training,
    nearest_boundary,
    profile_label,
)
from agreement.physiology.session_people import session_people
from agreement.physiology.session_records import SMALLEST_VALID_SHARE, SessionRecords
from agreement.tables.options import Profile, StudyOptions
from agreement.terms import NOT_ENOUGH_DATA, counted

PROFILE_COLUMNS: Final = [
    "lab_test_id",
    "athlete_id",
    "profile",
    "stated",
    "borderline",
    "distance_to_boundary",
    "other_profile",
    "pattern",
    "polarization_index",
    "ultra",
    "zone1",
    "zone2",
    "zone3",
    "n_sessions",
    "hours",
    "weeks",
    "hr_share",
    "zones",
    "note",
]
TOO_FEW: Final = "no profile of the test after it"
MORE_SESSIONS: Final = (
    "Add the athlete's other sessions of these weeks, with heart rate; or state training_profile "
    'and use = "stated" in [profile].'
)


class TrainingProfiles(NamedTuple):
    """
    The training profile of each laboratory test.

    `frame` has one row per test (`PROFILE_COLUMNS`), `rows` the sessions behind each profile
    (lab_test_id, file, row, id), `too_few` the ledger lines of sessions that lie before a test but
    are too few for a profile.
    """

    frame: pd.DataFrame
    rows: pd.DataFrame
    too_few: pd.DataFrame


def study_profiles(
    tests: pd.DataFrame, records: SessionRecords, athletes: pd.DataFrame, options: StudyOptions
) -> TrainingProfiles:
    """
    Compute the profiles of a study's laboratory tests, whatever the study goes on to use.

    tests: lab_test_id, athlete_id, date, mode, hr_max_bpm, mass_kg, training_profile.
    athletes: the athletes table, for age.
    options: ``[profile]`` and the age formula of ``[extrapolation]``.
    Returns: as `training_profiles`.
    """
    formula = options.extrapolation.hr_max_formula
    people = session_people(records.sessions, tests, athletes, formula)
    return training_profiles(tests, records, people["hr_max_bpm"].to_numpy(), options.profile)


def training_profiles(
    tests: pd.DataFrame,
    records: SessionRecords,
    hr_max_bpm: FloatArray,
    rules: Profile,
) -> TrainingProfiles:
    """
    Compute the training profile that belongs to each laboratory test.

    tests: lab_test_id, athlete_id, date, training_profile (as stated).
    hr_max_bpm: one per session. For the zones by share of HRmax. [bpm]
    rules: window, smallest amount of data and thresholds.
    Returns: profiles and their sessions; a profile without enough data has no sessions.
    """
    sessions = zone_minutes(records, hr_max_bpm, rules)
    of_athlete = sessions.groupby("athlete_id", sort=False).indices
    lines, behind, short = [], [], []
    for test in tests.to_dict("records"):
        own = sessions.iloc[of_athlete.get(test["athlete_id"], [])]
        ago = (test["date"] - own["date"]).dt.days
        window = own[(ago >= 1) & (ago <= rules.window_days)]
        line = _profile(window, ago[window.index].to_numpy(), rules)
        lines.append(
            {key: test[key] for key in ("lab_test_id", "athlete_id")}
            | {"stated": test["training_profile"]}
            | line
        )
        if line["profile"] != NOT_ENOUGH_DATA:
            behind.append(window[["file", "row", "id"]].assign(lab_test_id=test["lab_test_id"]))
        else:
            words = f"{TOO_FEW}: {line['note']}"
            short.append(set_aside_rows(window, "too_few_sessions", words, remedy=MORE_SESSIONS))
    rows = _rows(behind)
    lacking = joined(short).drop_duplicates(["file", "row"], ignore_index=True)
    return TrainingProfiles(_frame(lines), rows, lacking[~lacking["id"].isin(rows["id"])])


def zone_minutes(records: SessionRecords, hr_max_bpm: FloatArray, rules: Profile) -> pd.DataFrame:
    """
    Return the sessions with their minutes per zone, from samples, else as given.

    records, hr_max_bpm, rules: as in `training_profiles`.
    Returns: the sessions with z1_min, z2_min, z3_min (0 where nothing can be believed), hr_min
        (their sum) and from_samples.
    """
    sessions = records.sessions
    measured = np.empty((len(sessions), 3))
    for some, seconds_at in records.times.blocks():
        measured[some] = _zone_seconds(seconds_at, hr_max_bpm[some], rules)
    measured /= 60
    sampled = sessions["has_samples"].to_numpy() & np.isfinite(hr_max_bpm)
    sampled &= (sessions["valid_share"] >= SMALLEST_VALID_SHARE).to_numpy()
    given = sessions[["zone1_min", "zone2_min", "zone3_min"]].fillna(0.0).to_numpy()
    minutes = np.where(sampled[:, None], measured, given)
    return sessions.assign(
        z1_min=minutes[:, 0],
        z2_min=minutes[:, 1],
        z3_min=minutes[:, 2],
        hr_min=minutes.sum(axis=1),
        from_samples=sampled,
    )


def _zone_seconds(
    seconds_at: NDArray[np.float32], hr_max_bpm: FloatArray, rules: Profile
) -> FloatArray:
    """Return the seconds of some sessions in each zone; shape (n_sessions, 3)."""
    share = np.arange(HIGHEST_BPM + 1)[None, :] / hr_max_bpm[:, None]
    middle = (share >= rules.zone2_from_share_of_hr_max) & (
        share < rules.zone3_from_share_of_hr_max
    )
    high = share >= rules.zone3_from_share_of_hr_max
    whole = seconds_at.sum(axis=1, dtype=np.float64)
    z2 = np.where(middle, seconds_at, 0).sum(axis=1, dtype=np.float64)
    z3 = np.where(high, seconds_at, 0).sum(axis=1, dtype=np.float64)
    return np.column_stack([whole - z2 - z3, z2, z3])


def _profile(window: pd.DataFrame, days_ago: IntArray, rules: Profile) -> dict[str, object]:
    """Return the profile of one window, or why there is none."""
    minutes = float(window["duration_min"].sum())
    weeks = len(np.unique((days_ago - 1) // 7))
    counted = float(window["hr_min"].sum())
    hr_share = min(counted / minutes, 1.0) if minutes else 0.0
    amount = {
        "n_sessions": len(window),
        "hours": minutes / 60,
        "weeks": weeks,
        "hr_share": hr_share,
    }
    lacking = _lacking(len(window), minutes / 60, weeks, hr_share, rules)
    if lacking:
        return amount | {"profile": NOT_ENOUGH_DATA, "note": lacking}
    z1, z2, z3 = (float(window[f"z{i}_min"].sum()) / counted for i in (1, 2, 3))
    training = Training(
        top=float(window.groupby("mode")["duration_min"].sum().max()) / minutes,
        intermittent=float((window["intermittent"] == "yes").mean()),
        z1=z1,
        z3=z3,
        long=float(
            window.loc[window["duration_min"] >= rules.long_session_min, "duration_min"].sum()
        )
        / minutes,
        median_min=float(window["duration_min"].median()),
    )
    label = profile_label(training, rules)
    distance, other = nearest_boundary(training, rules)
    per_week = minutes / 60 / (rules.window_days / 7)
    ultra = per_week >= rules.ultra_hours_per_week
    ultra &= float(window["duration_min"].max()) >= rules.ultra_longest_min
    return amount | {
        "profile": label,
        "borderline": "yes" if distance <= rules.borderline_points else "no",
        "distance_to_boundary": distance,
        "other_profile": other if np.isfinite(distance) else None,
        "pattern": distribution_pattern(z1, z2, z3),
        "polarization_index": polarization_index(z1, z2, z3),
        "ultra": "yes" if ultra and label == LOW_INTENSITY else "no",
        "zone1": z1,
        "zone2": z2,
        "zone3": z3,
        "zones": "by default" if window["from_samples"].any() else "as given",
        "note": "",
    }


def _lacking(n: int, hours: float, weeks: int, hr_share: float, rules: Profile) -> str:
    """Return what is missing for a profile, in words; empty when nothing is."""
    found = []
    if n < rules.minimum_sessions:
        found.append(f"{counted(n, 'session')}, {rules.minimum_sessions} are needed")
    if hours < rules.minimum_hours:
        found.append(f"{hours:.1f} h, {rules.minimum_hours:g} are needed")
    if weeks < rules.minimum_weeks:
        found.append(f"sessions in {counted(weeks, 'week')}, {rules.minimum_weeks} are needed")
    if hr_share < rules.minimum_hr_share:
        found.append(
            f"heart rate in {hr_share:.0%} of the time, {rules.minimum_hr_share:.0%} is needed"
        )
    return "; ".join(found)


_TEXT: Final = (
    "lab_test_id",
    "athlete_id",
    "profile",
    "stated",
    "borderline",
    "other_profile",
    "pattern",
    "ultra",
    "zones",
    "note",
)


def _frame(lines: list[dict[str, object]]) -> pd.DataFrame:
    frame = pd.DataFrame(lines).reindex(columns=PROFILE_COLUMNS)
    return frame.astype({name: "str" if name in _TEXT else "float64" for name in PROFILE_COLUMNS})


def _rows(parts: list[pd.DataFrame]) -> pd.DataFrame:
    columns = ["lab_test_id", "file", "row", "id"]
    if parts:
        return pd.concat(parts, ignore_index=True)[columns]
    return pd.DataFrame({name: pd.Series(dtype="str") for name in columns}).astype({"row": "int64"})


def profile_notes(profiles: pd.DataFrame, tests: pd.DataFrame) -> tuple[Problem, ...]:
    """
    Say where the computed profile is another than the stated one.

    profiles: `PROFILE_COLUMNS`.
    tests: the laboratory tests in the same order, with file and row.
    Returns: notes, one per test.
    """
    unlike = profiles["stated"].notna() & (profiles["stated"] != profiles["profile"])
    unlike &= profiles["profile"] != NOT_ENOUGH_DATA
    return tuple(
        Problem(
            "note",
            "training_profile",
            str(tests["file"].iloc[i]),
            int(tests["row"].iloc[i]),
            None,
            f"the sessions before this test say '{profiles['profile'].iloc[i]}', the athletes table "
            f"'{profiles['stated'].iloc[i]}'.",
            '[profile] use = "stated" keeps the table\'s.',
        )
        for i in np.flatnonzero(unlike)
    )


NO_PROFILES: Final = TrainingProfiles(_frame([]), _rows([]), NOTHING)
