"""Raw records of invented tests and sessions: breaths and heart-rate samples."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from agreement.physiology.averaging import vo2max_under_rule
from agreement.physiology.breath_editing import artefacts
from simulate.people import Person, heart_rate
from simulate.training import Trace

Array = NDArray[np.float64]

PHASE_SECONDS = {"rest": 60, "warmup": 180, "exercise": 600, "recovery": 90}
STAGE_SHARES = (0.52, 0.62, 0.72, 0.82, 0.92, 1.0)  # of the speed at VO2max
STAGE_SECONDS = 180
LAG_S = 35.0  # time constant of uptake after a step up; textbook order of magnitude, memory


def breaths(
    person: Person, vo2max: float, rer_max: float, rng: np.random.Generator
) -> pd.DataFrame:
    """
    Breath-by-breath record of a treadmill test.

    vo2max: what the highest mean over 30 s of the exercise phase shall be. [mL/kg/min]
    rer_max: RER at the end. [-]
    Returns: t_s, vo2_ml_min, vco2_ml_min, ve_l_min, hr_bpm, speed_m_s, grade, phase; one row per
        breath, a few of them coughs.
    """
    times = _breath_times(rng, sum(PHASE_SECONDS.values()))
    ends = np.cumsum(list(PHASE_SECONDS.values()))
    phase = np.array(list(PHASE_SECONDS))[np.searchsorted(ends, times, side="right")]
    share = _share_of_test(times, ends)
    noisy = share * (1 + rng.normal(0, 0.07, times.size))
    noisy *= vo2max * person.mass_kg / highest_mean_30s(times, noisy, phase == "exercise")
    cough = rng.random(times.size) < 0.006
    vo2 = noisy * np.where(cough, rng.uniform(1.6, 2.1, times.size), 1.0)
    running = np.isin(phase, ["warmup", "exercise"])
    speed = np.where(running, _speed(person, vo2max) * np.floor(share * 12) / 12, 0.0)
    grade = np.where(running, 0.01, 0.0)
    return _record(person, times, phase, vo2, share, speed, grade, rer_max, rng)


def staged_breaths(
    person: Person, vo2max: float, rer_max: float, rng: np.random.Generator
) -> pd.DataFrame:
    """
    Breath-by-breath record of a treadmill test in stages of three minutes, to the maximum.

    vo2max, rer_max: as for `breaths`; the tool's own editing and rule give `vo2max` back, rounded
        breaths apart.
    Returns: as `breaths`, without warm-up, slope and coughs. After each step up uptake lags, then
        is what the speed costs this person.
    """
    seconds = {"rest": 60, "exercise": STAGE_SECONDS * len(STAGE_SHARES), "recovery": 90}
    times = _breath_times(rng, sum(seconds.values()))
    ends = np.cumsum(list(seconds.values()))
    phase = np.array(list(seconds))[np.searchsorted(ends, times, side="right")]
    stage = np.clip((times - ends[0]) // STAGE_SECONDS, 0, len(STAGE_SHARES) - 1).astype(np.int64)
    running = phase == "exercise"
    fast = np.round(_speed(person, vo2max) * np.array(STAGE_SHARES)[stage], 2)
    speed = np.where(running, fast, 0.0)
    uptake = _lagging(times, np.where(running, _cost(person, speed), 0.09 * vo2max))
    noisy = uptake * (1 + rng.normal(0, 0.07, times.size))
    last = running & (stage == len(STAGE_SHARES) - 1)
    for _ in range(3):  # the height of the last breaths decides a little which of them are edited
        kept = running.copy()
        kept[running] = ~artefacts(noisy[running])
        highest = vo2max_under_rule(np.round(times, 1)[kept], noisy[kept], "moving 30 s")
        noisy[last] *= vo2max / highest
    share = uptake / vo2max
    vo2 = noisy * person.mass_kg
    return _record(person, times, phase, vo2, share, speed, np.zeros(times.size), rer_max, rng)


def highest_mean_30s(times: Array, values: Array, inside: NDArray[np.bool_]) -> float:
    """Return the highest mean of the values of any 30 s that begin with a breath `inside`."""
    t, v = times[inside], values[inside]
    sums = np.concatenate([[0.0], np.cumsum(v)])
    first = np.searchsorted(t, t - 30, side="right")
    full = t >= t[0] + 30
    last = np.arange(1, t.size + 1)
    return float(((sums[last] - sums[first]) / (last - first))[full].max())


def samples(trace: Trace, sensor_sd: float, rng: np.random.Generator) -> pd.DataFrame:
    """
    Record of one session every 5 s: t_s, hr_bpm, speed_m_s.

    sensor_sd: error of the session's heart rate as a whole. [bpm]
    """
    minute = np.arange(trace.heart_rate.size) * 60.0
    t = np.arange(0, minute[-1] + 1, 5.0)
    wrong = rng.normal(0, sensor_sd)
    beats = np.interp(t, minute, trace.heart_rate) + wrong + rng.normal(0, 0.7, t.size)
    speed = np.interp(t, minute, trace.speed) * (1 + rng.normal(0, 0.02, t.size))
    return pd.DataFrame({"t_s": t, "hr_bpm": np.round(beats), "speed_m_s": np.round(speed, 2)})


def _record(
    person: Person,
    times: Array,
    phase: NDArray[np.str_],
    vo2: Array,
    share: Array,
    speed: Array,
    grade: Array,
    rer_max: float,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Return the columns that a cart writes, from uptake [mL/min] and the share of VO2max."""
    ratio = 0.82 + (rer_max - 0.82) * np.clip((share - 0.35) / 0.65, 0, 1) ** 1.5
    vco2 = vo2 * ratio
    beats = heart_rate(share, person.hr_rest_bpm, person.hr_max_bpm, person.curvature)
    return pd.DataFrame(
        {
            "t_s": np.round(times, 1),
            "vo2_ml_min": np.round(vo2),
            "vco2_ml_min": np.round(vco2),
            "ve_l_min": np.round(vco2 * (26 + 5 * share) / 1000, 1),
            "hr_bpm": np.round(beats + rng.normal(0, 0.8, times.size)),
            "speed_m_s": np.round(speed, 2),
            "grade": grade,
            "phase": phase,
        }
    )


def _lagging(times: Array, goal: Array) -> Array:
    """Return uptake that nears its goal exponentially, breath after breath."""
    near = np.exp(-np.diff(times, prepend=times[0]) / LAG_S)
    uptake, now = np.empty(times.size), goal[0]
    for i, (kept, aim) in enumerate(zip(near, goal, strict=True)):
        now = aim + (now - aim) * kept
        uptake[i] = now
    return uptake


def _breath_times(rng: np.random.Generator, total: float) -> Array:
    """Draw times of breaths [s]: 14 a minute at rest, 45 at the end of the exercise."""
    now = 0.0
    times: list[float] = []
    while True:
        per_minute = 14 + 31 * min(now, total - 60) / total
        now += 60 / per_minute * (1 + rng.normal(0, 0.1))
        if now >= total:
            return np.array(times)
        times.append(now)


def _share_of_test(times: Array, ends: Array) -> Array:
    """Share of VO2max over the test: rest, easy running, a ramp that levels off, recovery."""
    knots = [0, ends[0], ends[0] + 60, ends[1], ends[2] - 45, ends[2], ends[3]]
    return np.interp(times, knots, [0.09, 0.09, 0.45, 0.5, 0.985, 1.0, 0.35])


def _speed(person: Person, vo2max: float) -> float:
    """Speed at VO2max. [m/s]."""
    return (vo2max - 3.5) / (1 + person.economy) / 0.2 / 60


def _cost(person: Person, speed: Array) -> Array:
    """Uptake that a speed on the flat costs this person. [mL/kg/min]."""
    return 3.5 + 0.2 * 60 * speed * (1 + person.economy)
