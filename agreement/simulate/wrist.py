"""Wrist methods: a daily number that arises from sessions, not from a bias typed in."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from agreement.simulate.people import Person

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Wrist:
    """
    One wrist method.

    Every day it carries the line of uptake by pace on heart rate, over the runs of the last
    `window_days`, to the HRmax it was told (the form `vo2_on_hr`), weighs the result with a first
    guess from age, sex, stature and the mass it was told, and smooths over days.

    Attributes
    ----------
    label : str
    uses_chest_strap : bool
        Whether it takes heart rate from the chest strap of people who wear one.
    wrist_sd, chest_sd : float
        Error of a session's mean heart rate, by sensor. [bpm]
    economy_known : float
        Share of a person's own cost of running that the method has learned. [-]
    hr_max_known : float
        Share of people who told it a measured HRmax; the others leave 220 - age. [-]
    guess_sd : float
        How much the method distrusts its first guess. [mL/kg/min]
    half_life_days : float
        Of the smoothing over days. [d]
    day_sd : float
        Noise of the number shown from day to day. [mL/kg/min]
    resolution : float
        Step of the number shown. [mL/kg/min]
    share_of_days : float
        How often it shows a number. [-]
    shown_at : float
        Hour of the day from which the number is shown.
    window_days : int
    """

    label: str
    uses_chest_strap: bool = False
    wrist_sd: float = 3.5
    chest_sd: float = 0.7
    economy_known: float = 0.0
    hr_max_known: float = 0.3
    guess_sd: float = 8.0
    half_life_days: float = 5.0
    day_sd: float = 0.8
    resolution: float = 1.0
    share_of_days: float = 0.7
    shown_at: float = 6.0
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


def vo2_on_hr(hr: ArrayLike, vo2: ArrayLike, hr_max: float) -> tuple[float, float]:
    """
    Extrapolate uptake to HRmax by the regression of uptake on heart rate.

    Parameters
    ----------
    hr, vo2 : array_like, shape (n,)
        Heart rate [bpm] and uptake [mL/kg/min] of n >= 3 sessions.
    hr_max : float
        [bpm]

    Returns
    -------
    tuple of float
        VO2 at HRmax and its standard error from the scatter about the line. [mL/kg/min]

    Notes
    -----
    Noise in heart rate flattens the line: with noise variance q in an observed variance w the
    result is low by about b (HRmax - mean HR) q / w, b being the slope without noise.
    """
    x, y = np.asarray(hr, float), np.asarray(vo2, float)
    centred = x - x.mean()
    sxx = float(centred @ centred)
    slope = float(centred @ y) / sxx
    residual = y - y.mean() - slope * centred
    s2 = float(residual @ residual) / (x.size - 2)
    away = hr_max - float(x.mean())
    return float(y.mean()) + slope * away, float(np.sqrt(s2 * (1 / x.size + away**2 / sxx)))


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

    Parameters
    ----------
    sessions : DataFrame
        Of `simulate_sessions`.
    days : range
        Day numbers; on `share_of_days` of them a number is shown.

    Returns
    -------
    DataFrame
        day, vo2max [mL/kg/min]; in order of day.
    """
    runs = sessions[sessions["mode"].eq("run")]
    when = runs["day"].to_numpy(float)
    strap = wrist.uses_chest_strap and person.chest_strap
    beats = runs["hr"].to_numpy(float)
    beats = beats + rng.normal(0, wrist.chest_sd if strap else wrist.wrist_sd, beats.size)
    uptake = runs["vo2_by_pace"].to_numpy(float)
    uptake = 3.5 + (uptake - 3.5) * (1 + wrist.economy_known * person.economy)
    guess = first_guess(person, told)
    keep = 0.5 ** (1 / wrist.half_life_days)
    shown, level = [], np.nan
    for day in days:
        recent = (when <= day) & (when > day - wrist.window_days)
        today = _weighed(beats[recent], uptake[recent], told.hr_max_bpm, guess, wrist.guess_sd)
        level = today if np.isnan(level) else keep * level + (1 - keep) * today
        if rng.random() < wrist.share_of_days:
            shown.append((day, level + rng.normal(0, wrist.day_sd)))
    frame = pd.DataFrame(shown, columns=["day", "vo2max"])
    steps = np.round(frame["vo2max"].to_numpy(float) / wrist.resolution)
    return frame.assign(vo2max=np.round(steps * wrist.resolution, 3))


def _weighed(hr: Array, vo2: Array, hr_max: float, guess: float, guess_sd: float) -> float:
    """Weigh the extrapolation with the first guess by their precision. [mL/kg/min]."""
    if hr.size < 3:
        return guess
    value, error = vo2_on_hr(hr, vo2, hr_max)
    weight = guess_sd**2 / (guess_sd**2 + error**2)
    return weight * value + (1 - weight) * guess
