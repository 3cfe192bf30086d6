"""
Training sessions, each sample file read once and its sessions reduced to what the rest needs.

A session keeps its time at each heart rate (for zones) and its steady points (for the estimate);
files are read one after another, so memory does not grow with the season.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise, repeat
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from agreement.arrays import Floats, Ints, going_on
from agreement.errors import Problem, TableError
from agreement.physiology.elsewhere import Elsewhere, SessionProgress
from agreement.physiology.session_samples import (
    LOCKED_RANGE_BPM,
    NO_POINTS,
    clean_heart_rate,
    steady_points,
    unmoved,
)
from agreement.physiology.set_aside import grouped_notes
from agreement.tables.findings import problem
from agreement.tables.options import FileFormat
from agreement.tables.part_folders import raw_name, read_samples
from agreement.tables.study import StudyTables
from agreement.terms import short_of

HIGHEST_BPM: Final = 240
SESSIONS_AT_ONCE: Final = 2048  # sessions looked at together


class BeatTimes(NamedTuple):
    """Time at each heart rate: a session stays within few, so the full table would be mostly zeros."""

    size: NDArray[np.uint8]  # shape (n_sessions,). How many heart rates each session has time at.
    # bpm, seconds: shape (n_times,). These heart rates, whole beats, and the time at each [s]:
    # those of the first session, then those of the second, and so on.
    bpm: NDArray[np.uint8]
    seconds: NDArray[np.float32]

    def blocks(self) -> Iterator[tuple[slice, NDArray[np.float32]]]:
        """Yield which sessions, and their full table, shape (at most `SESSIONS_AT_ONCE`, 241). [s]."""
        ends = np.append(0, np.cumsum(self.size, dtype=np.int64))
        for first in range(0, self.size.size, SESSIONS_AT_ONCE):
            some = slice(first, min(first + SESSIONS_AT_ONCE, self.size.size))
            own = slice(ends[some.start], ends[some.stop])
            size = self.size[some]
            table = np.zeros((size.size, HIGHEST_BPM + 1), dtype=np.float32)
            table[np.repeat(np.arange(size.size), size), self.bpm[own]] = self.seconds[own]
            yield some, table


def beat_times(seconds_at: NDArray[np.float32]) -> BeatTimes:
    """Return the full table of some sessions, shape (n_sessions, 241), without its zeros."""
    session, bpm = np.nonzero(seconds_at)
    size = np.bincount(session, minlength=len(seconds_at))
    return BeatTimes(size.astype(np.uint8), bpm.astype(np.uint8), seconds_at[session, bpm])


def times_in_order(parts: Sequence[tuple[Ints, BeatTimes]], sessions: int) -> BeatTimes:
    """Put sessions together that were read in any order, each part with its places among all."""
    size = np.zeros(sessions, dtype=np.uint8)
    for at, times in parts:
        size[at] = times.size
    start = np.cumsum(size, dtype=np.int64) - size
    whole = int(size.sum(dtype=np.int64))
    bpm, seconds = np.empty(whole, dtype=np.uint8), np.empty(whole, dtype=np.float32)
    for at, times in parts:
        before = np.cumsum(times.size, dtype=np.int64) - times.size
        place = np.repeat(start[at] - before, times.size) + np.arange(times.bpm.size)
        bpm[place], seconds[place] = times.bpm, times.seconds
    return BeatTimes(size, bpm, seconds)


SMALLEST_VALID_SHARE: Final = 0.90
HOT_C: Final = 26.0
HIGH_M: Final = 600.0
STEEPEST_BELIEVED: Final = 0.5
TAGS_LEFT_OUT: Final = ("illness", "injury")
COST_MODES: Final = {"run": "speed_m_s", "walk": "speed_m_s", "cycle": "power_w"}


@dataclass(frozen=True, slots=True)
class SessionRecords:
    """What is known of every session."""

    # the sessions table, with id, has_samples, valid_share (of the heart-rate time), unusable: why
    # no heart rate of it enters an estimate (text or NaN), and unusable_by: the column of the table
    # that says so (NaN where its samples do)
    sessions: pd.DataFrame
    times: BeatTimes  # valid time at each heart rate, rounded to whole beats. [s]
    # session (position in `sessions`), hr_bpm, speed_m_s, power_w, grade, minutes: steady points of
    # usable sessions
    points: pd.DataFrame
    problems: tuple[Problem, ...]  # what was wrong with the files


class _Reduced(NamedTuple):
    valid_share: float
    unusable: str | None
    seconds_at: NDArray[np.float32]
    points: Floats  # of `steady_points`
    backward: int = 0  # samples whose time repeats or runs backwards


class Packed(NamedTuple):
    """The sessions of one file reduced, as few arrays: many small objects would take more memory."""

    # valid_share, backward, rows: shape (n_sessions,). As of one session.
    valid_share: Floats
    backward: Ints
    rows: Ints
    unusable: list[str | None]
    times: BeatTimes
    # shape (n_points, 5). The steady points of usable sessions: place of the session among those of
    # the file, then heart rate, work rate, grade and minutes.
    points: Floats


class SampleFile(NamedTuple):
    """A sample file and the sessions wanted of it, as few arrays."""

    path: Path
    name: str  # the same inside the study folder
    position: Ints  # shape (n_sessions,). Their places in the sessions table.
    # session_id, mode: shape (n_sessions,)
    session_id: NDArray[np.str_]
    mode: NDArray[np.str_]


ReadFile = tuple[tuple[Problem, ...], Packed | None]
OverSamples = Callable[[FileFormat | None, Sequence[SampleFile]], Iterable[ReadFile]]
SAMPLES_ELSEWHERE: Final = Elsewhere[OverSamples]("samples")


def session_records(
    study: StudyTables, *, progress: SessionProgress | None = None
) -> SessionRecords:
    """
    Read and reduce the sample file of every session, in the order of the table.

    Raises TableError if sample files cannot be used, with every reason of every file.
    """
    sessions = study.sessions.reset_index(drop=True)
    n = len(sessions)
    share = np.full(n, np.nan)
    unusable = np.full(n, None, dtype=object)
    times: list[tuple[Ints, BeatTimes]] = []
    points: list[Floats] = []
    problems: list[Problem] = []
    stops: list[Problem] = []
    form = study.options.files.get("samples")
    files, over = _files(sessions, study), SAMPLES_ELSEWHERE.way
    read = (reduced_file(form, file) for file in files) if over is None else over(form, files)
    done = 0
    for file, (found, packed) in zip(files, read, strict=True):
        problems += [one for one in found if one.severity != "stop"]
        stops += [one for one in found if one.severity == "stop"]
        if packed is None:
            continue
        at = file.position
        share[at], unusable[at] = packed.valid_share, packed.unusable
        times.append((at, packed.times))
        for i in np.flatnonzero(packed.backward).tolist():
            told = {"left_out": packed.backward[i], "samples": packed.rows[i]}
            problems.append(problem("samples_edited", file.name, None, "t_s", **told))
        own = at[packed.points[:, 0].astype(np.intp)]
        points.append(np.column_stack([own, packed.points[:, 1:]]))
        done += at.size
        if progress is not None:
            progress(done, len(study.samples))
    if stops:
        raise TableError(stops)
    has = sessions["session_id"].isin(list(study.samples))
    sessions = sessions.assign(
        id=sessions["session_id"],
        has_samples=has,
        valid_share=share,
        unusable=pd.Series(unusable, index=sessions.index, dtype="str"),
    )
    circumstances = _circumstances(sessions)
    sessions["unusable_by"] = circumstances["column"]
    sessions["unusable"] = circumstances["why"].fillna(sessions["unusable"])
    table = _point_table(np.concatenate([np.empty((0, 5)), *points]), sessions)
    usable = sessions["unusable"].isna().to_numpy()
    table = table[usable[table["session"].to_numpy()]]
    table = table.sort_values("session", kind="stable", ignore_index=True)
    notes = grouped_notes(problems, "samples")
    return SessionRecords(sessions, times_in_order(times, n), table, notes)


def _files(sessions: pd.DataFrame, study: StudyTables) -> list[SampleFile]:
    """Return the sample files, each with its sessions, in the order of the table."""
    session_id, mode = (sessions[name].to_numpy(dtype=object) for name in ("session_id", "mode"))
    places: dict[Path, list[int]] = {}
    for place, name in enumerate(session_id):
        if name in study.samples:
            places.setdefault(study.samples[name], []).append(place)
    files = []
    for path, at in places.items():
        own = (one[at].astype(np.str_) for one in (session_id, mode))
        files.append(SampleFile(path, raw_name(study.folder, path), np.array(at), *own))
    return files


def reduced_file(form: FileFormat | None, file: SampleFile) -> ReadFile:
    """Read one sample file and reduce its sessions; None, with stops, if it cannot be used."""
    try:
        samples, found = read_samples(file.path, file=file.name, form=form)
    except TableError as error:
        return error.problems, None
    parts: Iterable[pd.DataFrame] = repeat(samples, file.session_id.size)
    if "session_id" in samples:  # rows of each in their order; those of other sessions are dropped
        codes, names = pd.factorize(samples["session_id"])
        at = pd.Index(file.session_id.tolist()).get_indexer(pd.Index(names))[codes]
        order = np.argsort(at, kind="stable")
        edges = np.searchsorted(at[order], np.arange(file.session_id.size + 1))
        parts = (samples.iloc[order[a:b]] for a, b in pairwise(edges))
    rows, reductions, points = [], [], [np.empty((0, 5))]
    for place, (part, mode) in enumerate(zip(parts, file.mode.tolist(), strict=True)):
        rows.append(len(part))
        reductions.append(one := reduced_session(part, mode))
        if one.unusable is None:
            points.append(np.insert(one.points, 0, place, axis=1))
    shares, unusable, seconds_at, _, backward = zip(*reductions, strict=True)
    times, whole = beat_times(np.array(seconds_at)), np.concatenate(points)
    packed = (np.array(shares), np.array(backward), np.array(rows), list(unusable))
    return found, Packed(*packed, times, whole)


def reduced_session(samples: pd.DataFrame, mode: str) -> _Reduced:
    """Reduce the samples of one session (t_s, hr_bpm, speed_m_s, power_w, grade)."""
    nothing = np.zeros(HIGHEST_BPM + 1, dtype=np.float32)
    samples = samples[samples["t_s"].notna()]
    times = samples["t_s"].to_numpy(dtype=np.float64)
    forward = going_on(times)
    backward = int((~forward).sum())
    samples, times = samples[forward], times[forward]
    if times.size < 2:
        return _Reduced(0.0, "the sample file has no usable times", nothing, NO_POINTS, backward)
    hr = samples["hr_bpm"].to_numpy(dtype=np.float64)
    clean = clean_heart_rate(times, hr)
    total = times[-1] - times[0] + clean.seconds[-1]
    share = min(float(clean.seconds[clean.valid].sum() / total), 1.0)
    beats = np.rint(hr[clean.valid]).astype(np.int64)
    seconds_at = np.bincount(beats, clean.seconds[clean.valid], minlength=HIGHEST_BPM + 1)
    why: str | None = None
    points, column = NO_POINTS, COST_MODES.get(mode)
    grade = samples["grade"].fillna(0.0).to_numpy(dtype=np.float64)
    if share < SMALLEST_VALID_SHARE:
        needed = 100 * SMALLEST_VALID_SHARE
        why = (
            f"only {short_of(100 * share, needed)} % of the time has a heart rate that can be believed "
            f"({needed:.0f} % is needed)"
        )
    elif np.isfinite(clean.step_at_s):
        jumps = f"heart rate jumps after {clean.step_at_s / 60:.0f} min and stays there"
        why = f"{jumps}, as after a change of sensor"
    elif np.abs(grade).max() > STEEPEST_BELIEVED:
        why = f"grade reaches {np.abs(grade).max():g}; it must be a fraction, not in per cent"
    if column is not None and why is None:
        work = samples[column].to_numpy(dtype=np.float64)
        if change := unmoved(times, hr, clean, work, grade):
            why = (
                f"heart rate stays within {LOCKED_RANGE_BPM:.0f} bpm while the work rate changes by "
                f"{100 * change:.0f} %, as with a sensor that follows the steps, or on hills "
                "whose grade is not recorded"
            )
        else:
            points = steady_points(times, hr, clean.valid, work, grade)
    return _Reduced(share, why, seconds_at.astype(np.float32), points, backward)


def _circumstances(sessions: pd.DataFrame) -> pd.DataFrame:
    """Return why the day was no fair day, and the column that says so; NaN where it was."""
    why, by = np.full((2, len(sessions)), None, dtype=object)
    tagged = sessions["tag"].isin(TAGS_LEFT_OUT).to_numpy()
    why[tagged] = [f"tagged {tag}" for tag in sessions["tag"][tagged]]
    by[tagged] = "tag"
    for column, largest, words in (
        ("temperature_c", HOT_C, "heat: {:g} degrees Celsius"),
        ("altitude_m", HIGH_M, "altitude: {:g} m"),
    ):
        beyond = (sessions[column] > largest).to_numpy()
        why[beyond] = [words.format(value) for value in sessions[column][beyond]]
        by[beyond] = column
    return pd.DataFrame({"why": why, "column": by}, index=sessions.index, dtype="str")


def _point_table(points: Floats, sessions: pd.DataFrame) -> pd.DataFrame:
    """Return steady points as rows; their columns are session, hr_bpm, work, grade, minutes."""
    session, hr, work, grade, minutes = points.T
    mode = sessions["mode"].map(COST_MODES).to_numpy(dtype=object)[session.astype(np.int64)]
    on_power = mode == "power_w"
    return pd.DataFrame(
        {
            "session": session.astype(np.int64),
            "hr_bpm": hr,
            "speed_m_s": np.where(on_power, np.nan, work),
            "power_w": np.where(on_power, work, np.nan),
            "grade": grade,
            "minutes": minutes,
        }
    )
