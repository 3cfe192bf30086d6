"""Visits with known truth: what may be inferred net of the laboratory can be checked against it."""

from dataclasses import dataclass

import numpy as np
import pandas as pd


@dataclass(frozen=True, slots=True)
class VisitParts:
    """
    The truth of a study of visits. All standard deviations in mL/kg/min.

    Attributes
    ----------
    n_athletes, visits, tests : int
        Tests: of the laboratory at each visit, averaged.
    sd_level, sd_change : float
        Of true fitness between athletes, and of its change from one visit to the next.
    responsiveness : float
        Share of a true change that the field shows.
    bias, sd_lasting, sd_visit : float
        Of the field: for all, of each athlete at every visit, and of each visit.
    sem, shift : float
        Of one laboratory test, and how much higher each next test of a visit reads.
    shared : float
        Correlation of the laboratory's error with the field's of the same visit: one day, one
        illness, one body mass.
    """

    n_athletes: int = 30
    visits: int = 1
    tests: int = 1
    sd_level: float = 6.0
    sd_change: float = 2.5
    responsiveness: float = 1.0
    bias: float = 0.0
    sd_lasting: float = 1.5
    sd_visit: float = 1.5
    sem: float = 2.6
    shift: float = 0.0
    shared: float = 0.0

    @property
    def own_sd(self) -> float:
        """Spread of the field's own errors about the true value, a full response taken for granted."""
        return float(np.hypot(self.sd_lasting, self.sd_visit))


@dataclass(frozen=True, slots=True)
class SimulatedVisits:
    """
    Invented visits.

    Attributes
    ----------
    pairs : DataFrame
        One row per visit: athlete, visit, lab (mean of its tests), field, truth.
    tests : DataFrame
        One row per laboratory test, in order of time: unit, lab.
    """

    pairs: pd.DataFrame
    tests: pd.DataFrame


def simulate_visits(
    parts: VisitParts, rng: int | np.random.Generator | None = None
) -> SimulatedVisits:
    """
    Invent visits of a squad.

    Parameters
    ----------
    parts : VisitParts
    rng : int, Generator or None

    Returns
    -------
    SimulatedVisits

    Examples
    --------
    >>> found = simulate_visits(VisitParts(n_athletes=3, visits=2, tests=2), rng=1)
    >>> len(found.pairs), len(found.tests)
    (6, 12)
    """
    draw = np.random.default_rng(rng)
    shape = parts.n_athletes, parts.visits
    start = draw.normal(50.0, parts.sd_level, (parts.n_athletes, 1))
    steps = draw.normal(0.0, parts.sd_change, shape)
    steps[:, 0] = 0.0
    change = np.cumsum(steps, axis=1)
    common = draw.normal(size=shape)  # what laboratory and field share at a visit
    root = np.sqrt(1.0 - parts.shared)
    size = (*shape, parts.tests)
    of_test = root * draw.normal(size=size) + np.sqrt(parts.shared) * common[..., None]
    lab = (start + change)[..., None] + parts.sem * of_test + parts.shift * np.arange(parts.tests)
    of_visit = root * draw.normal(size=shape) + np.sqrt(parts.shared) * common
    lasting = parts.bias + draw.normal(0.0, parts.sd_lasting, (parts.n_athletes, 1))
    field = start + parts.responsiveness * change + lasting + parts.sd_visit * of_visit
    unit = np.arange(shape[0] * shape[1])
    pairs = pd.DataFrame(
        {
            "athlete": np.repeat(np.arange(parts.n_athletes), parts.visits),
            "visit": np.tile(np.arange(parts.visits), parts.n_athletes),
            "lab": lab.mean(axis=2).ravel(),
            "field": field.ravel(),
            "truth": (start + change).ravel(),
        }
    )
    tests = pd.DataFrame({"unit": np.repeat(unit, parts.tests), "lab": lab.ravel()})
    return SimulatedVisits(pairs, tests)
