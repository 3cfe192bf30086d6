"""Wrist methods: a daily number that arises from sessions, not from a bias typed in."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.signal import lfilter

from simulate.people import Person

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Wrist:
    """
    One wrist method.

    Every day it carries the line of uptake by pace on heart rate, over the runs of the last
    `window_days`, to the HRmax it was told (the form `vo2_on_hr`), weighs the result with a first
    guess from age, sex, stature and the mass it was told, and smooths over days.
    """

    label: str
    # whether it takes heart rate from the chest strap of people who wear one
    uses_chest_strap: bool = False
    # wrist_sd, chest_sd: error of a session's mean heart rate, by sensor. [bpm]
    wrist_sd: float = 3.5
    chest_sd: float = 0.7
    # share of a person's own cost of running that the method has learned. [-]
    economy_known: float = 0.0
    # share of people who told it a measured HRmax; the others leave 220 - age. [-]
    hr_max_known: float = 0.3
    guess_sd: float = 8.0  # how much the method distrusts its first guess. [mL/kg/min]
    half_life_days: float = 5.0  # of the smoothing over days. [d]
    day_sd: float = 0.8  # noise of the number shown from day to day. [mL/kg/min]
    resolution: float = 1.0  # step of the number shown. [mL/kg/min]
    share_of_days: float = 0.7  # how often it shows a number. [-]
    shown_at: float = 6.0  # hour of the day from which the number is shown
    window_days: int = 42


WRISTS = (
    Wrist("wrist_a"),
    Wrist(
        "wrist_b",
        uses_chest_strap=True,
        wrist_sd=1.8,
        economy_known=0.75,
        hr_max_known=0.85,
        day_sd=0.5,
        resolution=0.1,
        share_of_days=0.55,
        shown_at=19.0,
    ),
)


class Told(NamedTuple):
    """What a person told a method: its inputs, right or stale."""

    mass_kg: float
    hr_max_bpm: float
    age_years: float


def tell(person: Person, wrist: Wrist, rng: np.random.Generator) -> Told:
    """Draw what a person told a method; one in five gave a mass that is stale by 3 to 9 kg."""
    stale = rng.random() < 0.2
    off = rng.uniform(3, 9) * rng.choice([1.0, 1.0, -1.0]) if stale else rng.normal(0, 0.6)
    measured = person.hr_max_bpm - abs(rng.normal(0, 2.0))
    hr_max = measured if rng.random() < wrist.hr_max_known else 220 - person.age_years
    return Told(round(person.mass_kg + off), round(hr_max), person.age_years)


def vo2_on_hr(hr: ArrayLike, vo2: ArrayLike, hr_max: float, used: ArrayLike) -> tuple[Array, Array]:
    """
    Extrapolate uptake to HRmax by the regression of uptake on heart rate.

    hr, vo2: shape (n,). Heart rate [bpm] and uptake [mL/kg/min] of n sessions.
    hr_max: [bpm]
    used: shape (m, n). Which sessions each of m extrapolations rests on.
    Returns value, standard_error: shape (m,). VO2 at HRmax and its standard error from the scatter
        about the line [mL/kg/min]; NaN with fewer than three sessions.

    Noise in heart rate flattens the line: with noise variance q in an observed variance w the
    result is low by about b (HRmax - mean HR) q / w, b being the slope without noise.
    """
    weights = np.asarray(used, float)
    n = weights.sum(axis=1)
    enough = np.where(n >= 3, n, np.nan)
    x, y = np.asarray(hr, float), np.asarray(vo2, float)
    mean_x, mean_y = weights @ x / enough, weights @ y / enough
    away_x, away_y = x - mean_x[:, None], y - mean_y[:, None]
    sxx = (weights * away_x**2).sum(axis=1)
    slope = (weights * away_x * away_y).sum(axis=1) / sxx
    rest = (weights * (away_y - slope[:, None] * away_x) ** 2).sum(axis=1) / (enough - 2)
    ahead = hr_max - mean_x
    return mean_y + slope * ahead, np.sqrt(rest * (1 / enough + ahead**2 / sxx))


def first_guess(person: Person, told: Told) -> float:
    """
    Return a guess from age, sex and stature as L/min, over the mass that was told. [mL/kg/min].

    Invented for the simulator. A stale mass moves it in proportion.
    """
    per_kg = (52.0 if person.sex == "male" else 44.0) - 0.25 * (person.age_years - 25)
    ordinary_mass = 23.0 * (person.stature_cm / 100) ** 2
    return per_kg * ordinary_mass / told.mass_kg


def daily_values(
    person: Person,
    told: Told,
    sessions: pd.DataFrame,
    wrist: Wrist,
    days: range,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """
    Numbers that a method shows to one person.

    sessions: of `simulate_sessions`.
    days: day numbers; on `share_of_days` of them a number is shown.
    Returns: day, vo2max [mL/kg/min]; in order of day.
    """
    runs = sessions[sessions["mode"].eq("run")]
    when = runs["day"].to_numpy(float)
    strap = wrist.uses_chest_strap and person.chest_strap
    beats = runs["hr"].to_numpy(float)
    beats = beats + rng.normal(0, wrist.chest_sd if strap else wrist.wrist_sd, beats.size)
    uptake = runs["vo2_by_pace"].to_numpy(float)
    uptake = 3.5 + (uptake - 3.5) * (1 + wrist.economy_known * person.economy)
    day = np.array(days)
    recent = (when <= day[:, None]) & (when > day[:, None] - wrist.window_days)
    value, error = vo2_on_hr(beats, uptake, told.hr_max_bpm, recent)
    guess = first_guess(person, told)
    trust = np.nan_to_num(wrist.guess_sd**2 / (wrist.guess_sd**2 + error**2))
    weighed = guess + trust * (np.nan_to_num(value, nan=guess) - guess)
    exact = _smoothed(weighed, wrist.half_life_days) + rng.normal(0, wrist.day_sd, day.size)
    steps = np.round(np.round(exact / wrist.resolution) * wrist.resolution, 3)
    shown = rng.random(day.size) < wrist.share_of_days
    return pd.DataFrame({"day": day[shown], "vo2max": steps[shown]})


def _smoothed(values: Array, half_life: float) -> Array:
    """Smooth exponentially, from the first value on."""
    keep = 0.5 ** (1 / half_life)
    smooth: Array = lfilter([1 - keep], [1, -keep], values, zi=[keep * values[0]])[0]
    return smooth
