"""Training sessions of invented people, minute by minute."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.signal import lfilter

from simulate.kinds import Kind, Pattern
from simulate.people import Person, heart_rate

Array = NDArray[np.float64]

WARM_UP_MIN = 8
ZONE2_FROM, ZONE3_FROM = 0.825, 0.875  # share of HRmax; Haugen 2021, table 4 (read)
RESTING_UPTAKE = 3.5  # mL/kg/min
COST_OF_RUNNING = 0.2  # mL/kg/min per m/min; the published level running equation (read)


@dataclass(frozen=True, slots=True)
class Body:
    """How heart rate and cost behave in training beyond the steady state."""

    hr_day_sd: float = 2.5  # spread of heart rate at the same work from day to day. [bpm]
    # rise of heart rate per minute after the tenth, up to `drift_most`; cardiac drift of about 2 %
    # from minute 15 to 45 in the cool is published (read). [bpm/min]
    drift: float = 0.05
    drift_most: float = 5.0  # [bpm]
    # extra cost of stop-and-go running at the same mean speed: our assumption, no source. [-]
    turning_cost: float = 0.05
    # Wind, ground and slopes: spread of a session's uptake about what its pace says. [mL/kg/min]
    pace_sd: float = 1.0


@dataclass(frozen=True, slots=True)
class Trace:
    """One session minute by minute: heart rate [bpm] and running speed [m/s], shape (minutes,)."""

    heart_rate: Array
    speed: Array


def simulate_sessions(
    person: Person, kind: Kind, days: range, vo2max_on: Array, body: Body, rng: np.random.Generator
) -> tuple[pd.DataFrame, list[Trace]]:
    """
    Sessions of one person.

    person, kind, body: who trains, how, and how heart rate strays from the steady state.
    days: day numbers on which to train; at most one session a day.
    vo2max_on: shape (len(days),). True VO2max of each of these days. [mL/kg/min]
    Returns: athlete_id, day, started_h (hour of the day), mode, duration_min, intermittent (yes,
        no), zone1_min, zone2_min, zone3_min, hr (true mean after the warm-up) [bpm], vo2_by_pace
        (what the cost equation says to the mean pace after the warm-up) [mL/kg/min].
    Returns: the same sessions minute by minute.
    """
    rows, traces = [], []
    for day, vo2max in zip(days, vo2max_on, strict=True):
        if rng.random() >= kind.sessions_per_week / 7:
            continue
        pattern = _pick(kind, rng)
        minutes = int(rng.integers(int(pattern.minutes[0]), int(pattern.minutes[1]) + 1))
        trace = _trace(person, pattern, minutes, float(vo2max), body, rng)
        zones = zone_minutes(trace.heart_rate, person.hr_max_bpm)
        main_part = slice(WARM_UP_MIN, None)
        by_pace = RESTING_UPTAKE + COST_OF_RUNNING * 60 * float(trace.speed[main_part].mean())
        start = float(rng.choice([6.5, 12.2, 17.8])) + float(rng.uniform(0, 0.7))
        mean_hr = float(trace.heart_rate[main_part].mean())
        often = "yes" if pattern.intermittent else "no"
        rows.append(
            (person.athlete_id, day, start, pattern.mode, minutes, often, *zones, mean_hr, by_pace)
        )
        traces.append(trace)
    return pd.DataFrame(rows, columns=SESSION_COLUMNS), traces


SESSION_COLUMNS = [
    "athlete_id",
    "day",
    "started_h",
    "mode",
    "duration_min",
    "intermittent",
    "zone1_min",
    "zone2_min",
    "zone3_min",
    "hr",
    "vo2_by_pace",
]


def zone_minutes(heart_rates: Array, hr_max: float) -> tuple[int, int, int]:
    """Minutes below 82.5 %, up to 87.5 % and from 87.5 % of HRmax."""
    share = heart_rates / hr_max
    easy, hard = int((share < ZONE2_FROM).sum()), int((share >= ZONE3_FROM).sum())
    return easy, share.size - easy - hard, hard


def _pick(kind: Kind, rng: np.random.Generator) -> Pattern:
    """Draw one pattern of a kind by weight."""
    upper = np.cumsum([p.weight for p in kind.patterns])
    return kind.patterns[int(np.searchsorted(upper, rng.random() * upper[-1], side="right"))]


def _trace(
    person: Person,
    pattern: Pattern,
    minutes: int,
    vo2max: float,
    body: Body,
    rng: np.random.Generator,
) -> Trace:
    """Heart rate and speed of one session from its intensities."""
    share = _minute_shares(pattern, minutes, rng)
    steady = heart_rate(share, person.hr_rest_bpm, person.hr_max_bpm, person.curvature)
    beats = _minute_heart_rates(steady, person.hr_max_bpm, body, rng)
    cost = (1 + person.economy) * (1 + body.turning_cost * pattern.intermittent)
    ground = rng.normal(0, body.pace_sd)
    uptake = share * (vo2max - RESTING_UPTAKE) + ground
    return Trace(beats, np.maximum(uptake, 0) / cost / COST_OF_RUNNING / 60)


def _minute_shares(pattern: Pattern, minutes: int, rng: np.random.Generator) -> Array:
    """Share of the oxygen uptake reserve in each minute of one session."""
    main = minutes - WARM_UP_MIN
    level = rng.normal(pattern.intensity, pattern.intensity_sd)
    if pattern.intermittent:
        wave = rng.uniform(-1, 1, main)
    else:
        wave = np.where(np.arange(main) % 5 < 3, 1.0, -1.0)  # three minutes hard, two easy
    after = level + pattern.swing * wave + rng.normal(0, 0.015, main)
    warm_up = np.linspace(0.35, min(level, 0.6), WARM_UP_MIN)
    shares: Array = np.clip(np.concatenate([warm_up, after]), 0.2, 1.0)
    return shares


def _minute_heart_rates(
    steady: Array, hr_max: float, body: Body, rng: np.random.Generator
) -> Array:
    """Lag behind the steady value, drift, and the day's own offset. [bpm]."""
    lagged, _ = lfilter([0.75], [1.0, -0.25], steady, zi=[0.25 * steady[0]])
    drift = np.minimum(body.drift * np.maximum(np.arange(steady.size) - 10, 0), body.drift_most)
    beats: Array = np.minimum(lagged + drift + rng.normal(0, body.hr_day_sd), hr_max)
    return beats
