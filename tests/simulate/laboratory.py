"""The laboratory of an invented study: truth, noise, effort and what is written down."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from simulate.people import Person


@dataclass(frozen=True, slots=True)
class Laboratory:
    """
    How a laboratory measures.

    References
    ----------
    .. [1] Vickers, meta-analysis of 39 studies (read): 2.58 mL/kg/min.
    .. [2] Katch, Sady & Freedson 1982, Med Sci Sports Exerc 14:21 (read).
    .. [3] Edvardsen 2014 (read): 42 % of 804 tests.
    """

    # sem_biological, sem_technical: standard deviations of one test about the truth of its day.
    # Their sum in variance is 2.6 squared; the technical part is about a tenth [1]_, [2]_.
    # [mL/kg/min]
    sem_biological: float = 2.47
    sem_technical: float = 0.82
    # share of tests taken to the maximum; the others fall 3 to 9 % short. [-]
    share_maximal: float = 0.93
    share_plateau: float = 0.45  # share of maximal tests with a plateau [3]_. [-]
    # share of people tested again 2 to 9 days after the first visit. [-]
    share_repeated: float = 0.3

    @property
    def sem(self) -> float:
        """Standard deviation of one maximal test about the truth. [mL/kg/min]."""
        return float(np.hypot(self.sem_biological, self.sem_technical))


def laboratory_test(
    person: Person, vo2max: float, laboratory: Laboratory, rng: np.random.Generator
) -> dict[str, object]:
    """
    One test.

    vo2max: the truth of the day. [mL/kg/min]
    Returns: columns of lab_tests from vo2max_ml_kg_min on, and `maximal` (bool), which no file
        shows.
    """
    maximal = bool(rng.random() < laboratory.share_maximal)
    shortfall = 0.0 if maximal else float(rng.uniform(0.03, 0.09))
    noise = rng.normal(0, laboratory.sem_biological) + rng.normal(0, laboratory.sem_technical)
    value = vo2max * (1 - shortfall) + noise
    plateau = "yes" if maximal and rng.random() < laboratory.share_plateau else "no"
    verified = rng.random() < (0.3 if maximal else 0.6)
    bout = (value if maximal else vo2max + noise) * (1 + rng.normal(-0.003, 0.015))
    return {
        "vo2max_ml_kg_min": round(value, 1),
        "mass_kg": round(person.mass_kg + rng.normal(0, 0.7), 1),
        "hr_max_bpm": round(person.hr_max_bpm * (1 - shortfall) - abs(rng.normal(0, 2.0))),
        "rer_max": round(rng.normal(1.15 if maximal else 1.03, 0.04), 2),
        "rpe_max": int(rng.integers(17, 21) if maximal else rng.integers(14, 17)),
        "lactate_mmol_l": round(rng.normal(10.2 if maximal else 6.2, 1.4), 1),
        "plateau": plateau if rng.random() < 0.85 else "unknown",
        "verification_vo2max_ml_kg_min": round(bout, 1) if verified else np.nan,
        "maximal": maximal,
    }


def blank_some(tests: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Leave out what laboratories often do not write down: RER, RPE and lactate of some tests."""
    blank = tests.copy()
    for column, share in (("rer_max", 0.15), ("rpe_max", 0.2), ("lactate_mmol_l", 0.5)):
        blank[column] = blank[column].astype(float).mask(rng.random(len(blank)) < share)
    return blank
