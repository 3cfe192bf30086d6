"""Differences whose every part is known, without any mechanism: for tests of the statistics."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from agreement.stats.evidence import Evidence
from agreement.tables.options import StudyOptions
from agreement.terms import PAIR_COLUMNS

Array = NDArray[np.float64]

METHOD, MODE = "known", "run"
FIRST_TEST = "2026-03-02"
DAYS_BETWEEN_VISITS = 42


def simulate_differences(
    n_athletes: int,
    *,
    bias: float = 0.0,
    sd_between: float = 3.0,
    sd_within: float = 0.0,
    repeats: int = 1,
    simulations: int = 1,
    rng: int | np.random.Generator | None = None,
) -> Array:
    """
    Draw normal differences, field minus laboratory, of many studies at once.

    bias, sd_between, sd_within: mean; standard deviation between athletes and of repeats within
        one. [mL/kg/min]
    Returns: shape (simulations, n_athletes, repeats) [mL/kg/min]

    >>> simulate_differences(30, sd_between=4.0, simulations=2, rng=1).shape
    (2, 30, 1)
    """
    generator = np.random.default_rng(rng)
    shape = (simulations, n_athletes, repeats)
    athlete = generator.normal(0, sd_between, shape[:2])[..., None]
    return bias + athlete + generator.normal(0, sd_within, shape)


@dataclass(frozen=True, slots=True)
class DailyParts:
    """
    What a difference of one day is made of; every part is drawn independently of the others.

    The laboratory shows the truth plus its noise. The field shows the truth plus all other parts.
    """

    # n_athletes, visits, days: days are the last ones before each visit; one value on each
    n_athletes: int = 60
    visits: int = 2
    days: int = 7
    # share of laboratory units with a second test; the unit's value is the mean of both. [-]
    share_repeated: float = 0.0
    # truth, truth_sd, gain, gain_sd: True VO2max at the first visit and its change per visit: mean
    # and spread. [mL/kg/min]
    truth: float = 50.0
    truth_sd: float = 6.0
    gain: float = 0.0
    gain_sd: float = 0.0
    bias: float = 0.0  # [mL/kg/min]
    # sd_laboratory, sd_day, sd_athlete, sd_visit: noise of one laboratory test, of one day, of an
    # athlete for good, of an athlete's visit. [mL/kg/min]
    sd_laboratory: float = 2.5
    sd_day: float = 1.5
    sd_athlete: float = 2.0
    sd_visit: float = 0.0
    rho: float = 0.0  # correlation of the noise of neighbouring days. [-]
    # what each training profile adds; athletes take turns. [mL/kg/min]
    profiles: Mapping[str, float] = field(default_factory=lambda: {"balanced": 0.0})
    # mass_slope, mass_sd: per cent of mass mismatch: what one adds [mL/kg/min], and its spread. [%]
    mass_slope: float = 0.0
    mass_sd: float = 4.0
    # hr_max_slope, hr_max_sd: mismatch of HRmax: what one bpm adds [mL/kg/min], and its spread.
    # [bpm]
    hr_max_slope: float = 0.0
    hr_max_sd: float = 8.0
    strap_effect: float = 0.0  # what a chest strap adds; every second athlete has one. [mL/kg/min]
    level_slope: float = 0.0  # what one mL/kg/min of truth above the mean adds. [mL/kg/min]

    def variances(self) -> dict[str, float]:
        """
        Return the variance that each part gives to the difference of one day. [(mL/kg/min)^2].

        Names are those of the error budget. `persistent_rest` holds athlete and visit together.
        A unit of two tests has half the laboratory's variance, so `laboratory_repeat` is a mean
        over units.
        """
        effects = np.array(list(self.profiles.values()))
        parts = {
            "laboratory_repeat": self.sd_laboratory**2 * (1 - self.share_repeated / 2),
            "day_to_day": self.sd_day**2,
            "profile_inputs": (self.mass_slope * self.mass_sd) ** 2
            + (self.hr_max_slope * self.hr_max_sd) ** 2,
            "sensor": self.strap_effect**2 / 4,
            "level": (self.level_slope * self.truth_sd) ** 2,
            "training_profile": float(effects.var()),
            "persistent_rest": self.sd_athlete**2 + self.sd_visit**2,
        }
        return {"total": sum(parts.values()), **parts}


def simulate_daily(
    parts: DailyParts | None = None, *, rng: int | np.random.Generator | None = None
) -> Evidence:
    """
    Draw a paired study from known parts.

    parts: what a difference is made of; `parts.variances()` is the answer that an error budget
        should find.
    Returns: one method, `known`, in mode `run`. Every visit is a pair, its field value the mean of
        all its days.

    >>> evidence = simulate_daily(DailyParts(n_athletes=12, days=5), rng=1)
    >>> len(evidence.pairs), len(evidence.daily)
    (24, 120)
    """
    known = parts or DailyParts()
    generator = np.random.default_rng(rng)
    people = _people(known, generator)
    visits = _visits(known, people, generator)
    repeats = _laboratory(known, visits, generator)
    lab = repeats.groupby("lab_test_id", sort=False)["lab"].mean()
    visits["lab"] = visits["lab_test_id"].map(lab)
    daily = _days(known, visits, generator)
    return Evidence(
        pairs=_pairs(known, visits, daily),
        daily=daily,
        repeats=repeats,
        options=StudyOptions(),
        heart_rate_based={METHOD: True},
        first_lab_date=visits["lab_date"].min().date(),
    )


def _people(parts: DailyParts, rng: np.random.Generator) -> pd.DataFrame:
    """Draw what stays with a person; `lasting` is the sum of its effects on the field value."""
    n = parts.n_athletes
    turn = np.arange(n)
    labels = np.array(list(parts.profiles))
    people = pd.DataFrame(
        {
            "athlete_id": [f"S{i + 1:05d}" for i in turn],
            "truth": rng.normal(parts.truth, parts.truth_sd, n),
            "gain": rng.normal(parts.gain, parts.gain_sd, n),
            "training_profile": labels[turn % labels.size],
            "mass_mismatch_pct": rng.normal(0, parts.mass_sd, n),
            "hr_max_mismatch_bpm": rng.normal(0, parts.hr_max_sd, n),
            "sensor": rng.permutation(np.where(turn % 2 == 0, "chest_strap", "wrist_optical")),
            "sex": np.where(rng.random(n) < 0.5, "female", "male"),
            "age_years": np.round(rng.uniform(20, 55, n)),
            "mass_kg": np.round(rng.normal(72, 9, n), 1),
        }
    )
    people["lasting"] = (
        parts.bias
        + people["training_profile"].map(dict(parts.profiles))
        + parts.mass_slope * people["mass_mismatch_pct"]
        + parts.hr_max_slope * people["hr_max_mismatch_bpm"]
        + parts.strap_effect * people["sensor"].eq("chest_strap")
        + parts.level_slope * (people["truth"] - parts.truth)
        + rng.normal(0, parts.sd_athlete, n)
    )
    return people


def _visits(parts: DailyParts, people: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Repeat every person for each visit, with the truth and the effects of the visit."""
    visits = people.loc[people.index.repeat(parts.visits)].reset_index(drop=True)
    number = np.tile(np.arange(parts.visits), parts.n_athletes)
    visits["truth"] += number * visits["gain"]
    visits["lasting"] += rng.normal(0, parts.sd_visit, len(visits))
    visits["lab_test_id"] = [f"L{i + 1:06d}" for i in range(len(visits))]
    first = pd.Timestamp(FIRST_TEST).as_unit("us")
    visits["lab_date"] = first + pd.to_timedelta(number * DAYS_BETWEEN_VISITS, unit="D").as_unit(
        "us"
    )
    return visits


def _laboratory(parts: DailyParts, visits: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Test every visit once, some twice."""
    times = 1 + (rng.random(len(visits)) < parts.share_repeated)
    tests = visits.loc[visits.index.repeat(times), ["athlete_id", "lab_test_id", "truth"]]
    tests["lab"] = tests["truth"] + rng.normal(0, parts.sd_laboratory, len(tests))
    return tests.assign(mode=MODE)[["athlete_id", "lab_test_id", "mode", "lab"]].reset_index(
        drop=True
    )


def _days(parts: DailyParts, visits: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Draw one field value on each of the last days before each visit."""
    noise = rng.normal(0, parts.sd_day, (len(visits), parts.days))
    for day in range(1, parts.days):
        fresh = np.sqrt(1 - parts.rho**2) * noise[:, day]
        noise[:, day] = parts.rho * noise[:, day - 1] + fresh
    daily = visits.loc[visits.index.repeat(parts.days)].reset_index(drop=True)
    gap = np.tile(np.arange(parts.days, 0, -1), len(visits))
    daily["gap_days"] = gap
    daily["date"] = daily["lab_date"] - pd.to_timedelta(gap, unit="D").as_unit("us")
    daily["field"] = daily["truth"] + daily["lasting"] + noise.ravel()
    columns = ["athlete_id", "lab_test_id", "method", "mode", "date", "gap_days", "field", "lab"]
    return daily.assign(method=METHOD, mode=MODE)[columns]


def _pairs(parts: DailyParts, visits: pd.DataFrame, daily: pd.DataFrame) -> pd.DataFrame:
    """Average the days of each visit and put the pairs under their columns."""
    shown = daily.groupby("lab_test_id", sort=False)["field"].mean()
    pairs = visits.assign(
        field=visits["lab_test_id"].map(shown),
        method=METHOD,
        mode=MODE,
        n_estimates=parts.days,
        n_days=parts.days,
        gap_days=1,
        profile_borderline="no",
        max_confirmed="yes",
        averaging_rule="moving 30 s",
        hr_limiting_drug="no",
    )
    pairs["difference"] = pairs["field"] - pairs["lab"]
    return pairs.assign(lab_mode=MODE)[PAIR_COLUMNS]
