"""Invented people: what is true of each of them, known here and nowhere else."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from simulate.kinds import Kind
from simulate.schedule import Schedule

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Population:
    """
    Where people are drawn from.

    References
    ----------
    .. [1] Lacour & Bourdin 2015 (read): a range of about 20 % between trained runners.
    .. [2] Robergs & Landwehr 2002 (read).
    """

    # vo2max_male, vo2max_female: mean at 25 years, before the kind's own level. [mL/kg/min]
    vo2max_male: float = 54.0
    vo2max_female: float = 47.0
    # decline_per_year, vo2max_sd: fall per year of age and spread between people. [mL/kg/min]
    decline_per_year: float = 0.22
    vo2max_sd: float = 5.0
    # nobody lies outside; values beyond are drawn again. [mL/kg/min]
    vo2max_range: tuple[float, float] = (38.0, 68.0)
    share_female: float = 0.42
    # spread of the relative cost of running; 0.05 is a working figure [1]_. [-]
    economy_sd: float = 0.05
    # spread about 208 - 0.7 age; published standard errors are 7 to 11 [2]_. [bpm]
    hr_max_sd: float = 8.0
    curvature_sd: float = 0.05  # spread of the bend of heart rate against oxygen uptake. [-]
    # gain, gain_sd: change of VO2max between two visits: mean and spread. [mL/kg/min]
    gain: float = 1.8
    gain_sd: float = 2.0
    # drug_share, drug_factor: share of people with a heart-rate-limiting drug, and what is left of
    # HRmax. [-]
    drug_share: float = 0.0
    drug_factor: float = 0.86


class Person(NamedTuple):
    """What is true of one person, at the first visit; units as the names say, else mL/kg/min."""

    athlete_id: str
    kind: str
    sex: str
    age_years: float
    stature_cm: float
    mass_kg: float
    vo2max: float
    gain: float  # change of VO2max until the second visit
    hr_max_bpm: float
    hr_rest_bpm: float
    economy: float  # relative excess of the cost of running
    curvature: float  # bend of heart rate against uptake
    hr_limiting_drug: str
    chest_strap: bool
    day_1: int  # of the two visits
    day_2: int

    def vo2max_on(self, day: int) -> float:
        """Return the truth of a day: level up to the first visit, then straight to the second."""
        done = (day - self.day_1) / (self.day_2 - self.day_1)
        return self.vo2max + self.gain * min(max(done, 0.0), 1.0)


def draw_people(
    n_athletes: int,
    kinds: tuple[Kind, ...],
    population: Population,
    schedule: Schedule,
    rng: np.random.Generator,
) -> list[Person]:
    """Draw people; kinds of training take turns."""
    turn = np.arange(n_athletes) % len(kinds)
    female = rng.random(n_athletes) < population.share_female
    age = np.round(rng.triangular(20, 31, 55.4, n_athletes))
    stature = np.where(female, 168.0, 181.0) + rng.normal(0, 6.0, n_athletes)
    body_mass_index = np.clip(np.where(female, 22.2, 23.8) + rng.normal(0, 1.8, n_athletes), 19, 30)
    vo2max = _vo2max(female, age, np.array([kinds[k].level for k in turn]), population, rng)
    drug = rng.random(n_athletes) < population.drug_share
    hr_max = 208 - 0.7 * age + rng.normal(0, population.hr_max_sd, n_athletes)
    spread = schedule.between_spread
    day_1 = rng.integers(*schedule.first_visit, n_athletes, endpoint=True)
    day_2 = day_1 + schedule.between + rng.integers(-spread, spread + 1, n_athletes)
    columns = {
        "athlete_id": [f"S{i + 1:03d}" for i in range(n_athletes)],
        "kind": [kinds[k].label for k in turn],
        "sex": np.where(female, "female", "male"),
        "age_years": age,
        "stature_cm": np.round(stature),
        "mass_kg": np.round(body_mass_index * (stature / 100) ** 2, 1),
        "vo2max": vo2max,
        "gain": population.gain + rng.normal(0, population.gain_sd, n_athletes),
        "hr_max_bpm": hr_max * np.where(drug, population.drug_factor, 1.0),
        "hr_rest_bpm": 60 - 0.5 * (vo2max - 48) + rng.normal(0, 5.0, n_athletes),
        "economy": rng.normal(0, population.economy_sd, n_athletes),
        "curvature": rng.normal(0, population.curvature_sd, n_athletes),
        "hr_limiting_drug": np.where(drug, "yes", "no"),
        "chest_strap": rng.random(n_athletes) < 0.45,
        "day_1": schedule.working_days(day_1),
        "day_2": schedule.working_days(day_2),
    }
    frame = pd.DataFrame(columns)[list(Person._fields)]
    return [Person(*row) for row in frame.itertuples(index=False)]


def _vo2max(
    female: NDArray[np.bool_],
    age: Array,
    level: Array,
    population: Population,
    rng: np.random.Generator,
) -> Array:
    """Draw VO2max [mL/kg/min], again where it falls outside the range."""
    centre = np.where(female, population.vo2max_female, population.vo2max_male)
    centre = centre + level - population.decline_per_year * (age - 25)
    low, high = population.vo2max_range
    value = np.full(age.size, np.nan)
    while (again := ~((value >= low) & (value <= high))).any():
        value[again] = rng.normal(centre[again], population.vo2max_sd)
    return value


def heart_rate(share: Array, hr_rest: float, hr_max: float, curvature: float) -> Array:
    """
    Steady heart rate at a share of the oxygen uptake reserve. [bpm].

    The share of the heart rate reserve equals the share of the uptake reserve [1]_, but for a bend
    that differs between people and vanishes at rest and at maximum.

    .. [1] Swain & Leutholtz 1997; Swain 1998 (read).
    """
    return hr_rest + (hr_max - hr_rest) * (share + curvature * share * (1 - share))
