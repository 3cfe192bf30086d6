"""
The training profile of each laboratory test, from the sessions of the six weeks before it.

The window ends the day before the test. Too little data gives ``not enough data``, never a guess.
Thresholds are the authors' choice, common practice, no source; every one is a key of ``[profile]``.
"""

from dataclasses import dataclass, replace
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from agreement.arrays import Flags, Floats, Ints
from agreement.errors import Problem
from agreement.physiology.session_people import nearest_measured, session_people
from agreement.physiology.session_records import HIGHEST_BPM, SMALLEST_VALID_SHARE, SessionRecords
from agreement.physiology.set_aside import NO_LINES, lines_of, row_notes
from agreement.tables.options import ProfileOptions, StudyOptions
from agreement.terms import NOT_ENOUGH_DATA, counted, short_of

INTERMITTENT: Final = "intermittent sport"
LOW_INTENSITY: Final = "low-intensity volume"
HIGH_INTENSITY: Final = "short high-intensity"
BALANCED: Final = "balanced"
_LABELS: Final = (INTERMITTENT, LOW_INTENSITY, HIGH_INTENSITY, BALANCED)
JUST_ACROSS: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Training:
    """What the rule looks at."""

    # top, intermittent, z1, z3, long: shares: time in the most used mode, sessions marked
    # intermittent, time in the low and in the high zone, time in long sessions. [-]
    top: float
    intermittent: float
    z1: float
    z3: float
    long: float
    median_min: float  # median session. [min]


def profile_label(training: Training, rules: ProfileOptions) -> str:
    """Name the training profile of a window."""
    if (
        training.top < rules.intermittent_top_mode_share
        or training.intermittent >= rules.intermittent_session_share
    ):
        return INTERMITTENT
    long = training.long >= rules.low_long_share or training.median_min >= rules.low_median_min
    if training.z1 >= rules.low_zone1_share and training.z3 < rules.low_zone3_share and long:
        return LOW_INTENSITY
    hard = 1 - training.z1 >= rules.high_zone23_share or training.z3 >= rules.high_zone3_share
    if hard and training.median_min <= rules.high_median_min:
        return HIGH_INTENSITY
    return BALANCED


def nearest_boundary(training: Training, rules: ProfileOptions) -> tuple[float, str]:
    """
    Return the smallest change of one share that changes the label, and the label beyond it.

    In percentage points; infinite, with the same label, where no single share can change it.
    """
    here = profile_label(training, rules)
    found = (float("inf"), here)
    for name, threshold in (
        ("top", rules.intermittent_top_mode_share),
        ("intermittent", rules.intermittent_session_share),
        ("z1", rules.low_zone1_share),
        ("z1", 1 - rules.high_zone23_share),
        ("z3", rules.low_zone3_share),
        ("z3", rules.high_zone3_share),
        ("long", rules.low_long_share),
    ):
        distance = 100 * abs(threshold - getattr(training, name))
        for target in (threshold - JUST_ACROSS, threshold + JUST_ACROSS):
            if distance < found[0]:
                other = profile_label(replace(training, **{name: target}), rules)
                found = found if other == here else (distance, other)
    return found


PROFILE_COLUMNS: Final = [
    "lab_test_id", "athlete_id", "profile", "stated", "borderline", "distance_to_boundary",
    "other_profile", "ultra", "zone1", "zone2", "zone3",
    "n_sessions", "hours", "weeks", "hr_share", "zones", "note",
]  # fmt: skip
_OF_PROFILE: Final = ("distance_to_boundary", *PROFILE_COLUMNS[8:15])  # the numbers
_NUMBERS: Final = (
    *("duration_min", "hr_min", "z1_min", "z2_min", "z3_min", "from_samples", "own_thresholds"),
)
OWN_ZONES: Final = "own thresholds"
_ZONES_OF: Final = (OWN_ZONES, "by default", "as given")  # a profile's: what most of its time has
_ZONES: Final = ("profile", "zone1", "zone2", "zone3")
BOTH_COLUMNS: Final = ["lab_test_id", "athlete_id", *_ZONES, *(f"{name}_own" for name in _ZONES)]
_ROWS: Final = ["lab_test_id", "file", "row", "id"]


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
    tests: pd.DataFrame,
    records: SessionRecords,
    athletes: pd.DataFrame,
    options: StudyOptions,
    thresholds: pd.DataFrame | None = None,
) -> tuple[TrainingProfiles, pd.DataFrame]:
    """
    Compute the profiles of a study's laboratory tests, whatever the study goes on to use.

    thresholds: lab_test_id, vt1, vt2: heart rates at the laboratory's thresholds. They hold for
        sessions of the test's mode; of another mode they lie elsewhere, and HRmax decides. [bpm]
    Returns: the profiles with the zones that the study chose; and `BOTH_COLUMNS`, of each test with
        a profile that counts most of the time by own thresholds, profile and shares of time by
        HRmax and (``_own``) by the athlete's own thresholds.
    """
    formula, rules = options.extrapolation.hr_max_formula, options.profile
    hr_max = session_people(records.sessions, tests, athletes, formula)["hr_max_bpm"].to_numpy()
    found = training_profiles(tests, records, hr_max, rules)
    if thresholds is None or thresholds.empty:
        return found, pd.DataFrame(columns=BOTH_COLUMNS)
    known = tests.merge(thresholds, on="lab_test_id")
    rates = [
        nearest_measured(records.sessions, known, name, same_mode=True) for name in ("vt1", "vt2")
    ]
    own = training_profiles(tests, records, hr_max, rules, thresholds_bpm=np.column_stack(rates))
    beside = found.frame.join(own.frame[list(_ZONES)].add_suffix("_own"))
    beside = beside[(own.frame["zones"] == OWN_ZONES) & (beside["profile"] != NOT_ENOUGH_DATA)]
    both = beside[BOTH_COLUMNS].reset_index(drop=True)
    return own if rules.zones == OWN_ZONES else found, both


def training_profiles(
    tests: pd.DataFrame,
    records: SessionRecords,
    hr_max_bpm: Floats,
    rules: ProfileOptions,
    *,
    thresholds_bpm: Floats | None = None,
) -> TrainingProfiles:
    """
    Compute the training profile that belongs to each laboratory test.

    thresholds_bpm: of each session, where zones 2 and 3 begin; NaN: by HRmax. [bpm]
    Returns: profiles and their sessions; a profile without enough data has no sessions.
    """
    sessions = zone_minutes(records, hr_max_bpm, rules, thresholds_bpm=thresholds_bpm)
    of_athlete: Any = sessions.groupby("athlete_id", sort=False).indices
    columns = {name: sessions[name].to_numpy() for name in _NUMBERS}
    columns["day"] = sessions["date"].to_numpy().astype("datetime64[D]").astype(np.int64)
    columns["mode"] = pd.factorize(sessions["mode"])[0]
    columns["intermittent"] = (sessions["intermittent"] == "yes").to_numpy(dtype=bool)
    nobody: Ints = np.empty(0, dtype=np.intp)
    lines, behind, names = [], [nobody], []
    short, words, pulse_alone = [nobody], [], []
    tested = tests["date"].to_numpy().astype("datetime64[D]").astype(np.int64)
    for test, day in zip(tests.to_dict("records"), tested.tolist(), strict=True):
        own: Ints = of_athlete.get(test["athlete_id"], nobody)
        ago = day - columns["day"][own]
        at = own[(ago >= 1) & (ago <= rules.window_days)]
        line = _profile({name: column[at] for name, column in columns.items()}, day, rules)
        whose = {key: test[key] for key in ("lab_test_id", "athlete_id")}
        lines.append(whose | {"stated": test["training_profile"]} | line)
        if line["profile"] != NOT_ENOUGH_DATA:
            behind.append(at)
            names += [test["lab_test_id"]] * at.size
        else:
            short.append(at)
            words += [line["note"]] * at.size
            pulse_alone += [line["lacks_pulse_alone"]] * at.size
    rows = sessions.iloc[np.concatenate(behind)].reset_index(drop=True)
    rows = rows.assign(lab_test_id=pd.Series(names, dtype="str"))
    alone = sessions.iloc[np.concatenate(short)]
    note = np.array(words, dtype=object)
    pulse = np.array(pulse_alone, dtype=np.bool_)
    lacking = lines_of(
        alone,
        (~pulse, "too_few_sessions", None, {"note": note[~pulse]}),
        (pulse, "too_little_heart_rate", None, {"note": note[pulse]}),
    )
    lacking = lacking.drop_duplicates(["file", "row"], ignore_index=True)
    lacking = lacking[~lacking["id"].isin(rows["id"])]
    return TrainingProfiles(_frame(lines), rows[_ROWS], lacking)


def zone_minutes(
    records: SessionRecords,
    hr_max_bpm: Floats,
    rules: ProfileOptions,
    *,
    thresholds_bpm: Floats | None = None,
) -> pd.DataFrame:
    """
    Return the sessions with their minutes per zone, from samples, else as given.

    Returns: the sessions with z1_min, z2_min, z3_min (0 where nothing can be believed), hr_min
        (their sum), from_samples and own_thresholds.
    """
    sessions = records.sessions
    measured = np.empty((len(sessions), 3))
    by_share = (rules.zone2_from_share_of_hr_max, rules.zone3_from_share_of_hr_max)
    bpm = np.full((len(sessions), 2), np.nan) if thresholds_bpm is None else thresholds_bpm
    own: Flags = np.asarray(np.isfinite(bpm).all(axis=1))
    starts = np.where(own[:, None], bpm / hr_max_bpm[:, None], by_share)
    for some, seconds_at in records.times.blocks():
        measured[some] = _zone_seconds(seconds_at, hr_max_bpm[some], starts[some])
    measured /= 60
    sampled = sessions["has_samples"].to_numpy() & np.isfinite(hr_max_bpm)
    sampled &= (sessions["valid_share"] >= SMALLEST_VALID_SHARE).to_numpy()
    given = sessions[["zone1_min", "zone2_min", "zone3_min"]].fillna(0.0).to_numpy()
    minutes = np.where(sampled[:, None], measured, given)
    zones = dict(zip(("z1_min", "z2_min", "z3_min"), minutes.T, strict=True))
    whole = minutes.sum(axis=1)
    return sessions.assign(**zones, hr_min=whole, from_samples=sampled, own_thresholds=own)


def _zone_seconds(seconds_at: NDArray[np.float32], hr_max_bpm: Floats, starts: Floats) -> Floats:
    """Return the seconds of some sessions in each zone, which start at shares of HRmax; (n, 3)."""
    share = np.arange(HIGHEST_BPM + 1)[None, :] / hr_max_bpm[:, None]
    middle = (share >= starts[:, :1]) & (share < starts[:, 1:])
    high = share >= starts[:, 1:]
    whole = seconds_at.sum(axis=1, dtype=np.float64)
    z2, z3 = (np.where(z, seconds_at, 0).sum(axis=1, dtype=np.float64) for z in (middle, high))
    return np.column_stack([whole - z2 - z3, z2, z3])


def _profile(window: dict[str, NDArray[Any]], day: int, rules: ProfileOptions) -> dict[str, object]:
    """Return the profile of one window before a day, or why there is none."""
    duration = window["duration_min"]
    minutes = float(np.nansum(duration))
    weeks = len(np.unique((day - window["day"] - 1) // 7))
    in_zones = float(window["hr_min"].sum())
    hr_share = min(in_zones / minutes, 1.0) if minutes else 0.0
    found = (duration.size, minutes / 60, weeks, hr_share)
    amount = dict(zip(("n_sessions", "hours", "weeks", "hr_share"), found, strict=True))
    if lacking := _lacking(*found, rules):
        alone = lacking.keys() == {"heart_rate"}
        why = {"note": "; ".join(lacking.values()), "lacks_pulse_alone": alone}
        return amount | {"profile": NOT_ENOUGH_DATA} | why
    decided = np.where(window["from_samples"], np.where(window["own_thresholds"], 0, 1), 2)
    z1, z2, z3 = (float(window[f"z{i}_min"].sum()) / in_zones for i in (1, 2, 3))
    of_mode = np.bincount(window["mode"], np.nan_to_num(duration))
    training = Training(
        top=float(of_mode.max()) / minutes,
        intermittent=float(window["intermittent"].mean()),
        z1=z1,
        z3=z3,
        long=float(duration[duration >= rules.long_session_min].sum()) / minutes,
        median_min=float(np.nanmedian(duration)),
    )
    label = profile_label(training, rules)
    distance, other = nearest_boundary(training, rules)
    per_week = minutes / 60 / (rules.window_days / 7)
    ultra = per_week >= rules.ultra_hours_per_week
    ultra &= float(np.nanmax(duration)) >= rules.ultra_longest_min
    return amount | {
        "profile": label,
        "borderline": "yes" if distance <= rules.borderline_points else "no",
        "distance_to_boundary": distance,
        "other_profile": other if np.isfinite(distance) else None,
        "ultra": "yes" if ultra and label == LOW_INTENSITY else "no",
        "zone1": z1,
        "zone2": z2,
        "zone3": z3,
        "zones": _ZONES_OF[int(np.bincount(decided, window["hr_min"], len(_ZONES_OF)).argmax())],
        "note": "",
    }


def _lacking(
    n: int, hours: float, weeks: int, hr_share: float, rules: ProfileOptions
) -> dict[str, str]:
    """Return what is missing for a profile, each in words; empty when nothing is."""
    found = {}
    if n < rules.minimum_sessions:
        found["sessions"] = f"{counted(n, 'session')}, {rules.minimum_sessions} are needed"
    if hours < rules.minimum_hours:
        has = short_of(hours, rules.minimum_hours, 1)
        found["hours"] = f"{has} h, {rules.minimum_hours:g} are needed"
    if weeks < rules.minimum_weeks:
        found["weeks"] = f"sessions in {counted(weeks, 'week')}, {rules.minimum_weeks} are needed"
    if hr_share < rules.minimum_hr_share:
        needed = 100 * rules.minimum_hr_share
        has = f"{short_of(100 * hr_share, needed)} % of the time"
        found["heart_rate"] = f"heart rate in {has}, {needed:.0f} % is needed"
    return found


def _frame(lines: list[dict[str, object]]) -> pd.DataFrame:
    frame = pd.DataFrame(lines).reindex(columns=PROFILE_COLUMNS)
    return frame.astype(
        dict.fromkeys(PROFILE_COLUMNS, "str") | dict.fromkeys(_OF_PROFILE, "float64")
    )


def stated_and_computed(profiles: pd.DataFrame) -> pd.Series:
    """Whether a test has both profiles; a squad's own names for training are of another kind."""
    return profiles["stated"].isin(_LABELS) & (profiles["profile"] != NOT_ENOUGH_DATA)


def profile_notes(profiles: pd.DataFrame, tests: pd.DataFrame) -> tuple[Problem, ...]:
    """Say, once per test, where the computed profile is another than the stated one."""
    unlike = stated_and_computed(profiles) & (profiles["stated"] != profiles["profile"])
    told = profiles.loc[unlike, ["profile", "stated"]]
    rows = tests[unlike.to_numpy()]
    return row_notes(rows, "training_profile", None, found=told["profile"], stated=told["stated"])


def overlap_notes(sessions: pd.DataFrame, zone: str | None) -> tuple[Problem, ...]:
    """
    Say which sessions lie by more than half in an earlier one of the athlete: one training, twice.

    zone: of the study's clocks. A session at midnight has a date and no time, and says nothing.
    """
    local = sessions["instant"].dt.tz_localize("UTC").dt.tz_convert(zone or "UTC")
    ordered = sessions[local.dt.normalize() != local].sort_values(["athlete_id", "instant", "row"])
    lasting = pd.to_timedelta(ordered["duration_min"], unit="min")
    end = ordered["instant"] + lasting
    athlete = ordered["athlete_id"].astype("str")
    before = end.groupby(athlete, sort=False).cummax().groupby(athlete, sort=False).shift()
    shared = np.minimum(end, before) - ordered["instant"]
    # half: common practice, no source
    return row_notes(ordered[shared > lasting / 2], "sessions_overlap")


NO_PROFILES: Final = TrainingProfiles(
    _frame([]),
    pd.DataFrame({name: pd.Series(dtype="str") for name in _ROWS}).astype({"row": "int64"}),
    NO_LINES,
)
