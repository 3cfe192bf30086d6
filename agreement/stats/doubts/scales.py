"""Two units in one column: numbers of one person a known factor apart."""

from typing import Final, NamedTuple

import numpy as np
import pandas as pd

# mL/kg/min in a metabolic equivalent, pounds in a kilogram (NIST SP 811: 1 lb = 0.453 592 37 kg)
MET_BAND: Final = (2.8, 4.4)  # of the ratio 3.5
POUND_BAND: Final = (2.05, 2.36)  # of the ratio 2.2046
FEWEST_ROWS, LEAST_SHARE = 3, 0.05
FEWEST_PEOPLE: Final = 2
HEAVY_KG, HEAVY_SHARE, HEAVY_FEWEST = 130.0, 0.2, 5


class Mixed(NamedTuple):
    """A column with a few rows in another unit."""

    table: str
    column: str
    what: str


def mixed_uptakes(estimates: pd.DataFrame, laboratory: pd.DataFrame) -> list[Mixed]:
    """
    Find VO2max values that are 3.5 times the same person's on the other side, or a 3.5th of it.

    estimates: athlete_id, method, field [mL/kg/min]; field estimates alone.
    laboratory: athlete_id, lab [mL/kg/min].
    """
    own = laboratory.groupby("athlete_id")["lab"].median()
    middle = float(laboratory["lab"].median())
    found = []
    for method, rows in estimates.groupby("method", sort=True):
        lab = rows["athlete_id"].map(own).to_numpy(np.float64)
        ratio = rows["field"].to_numpy(np.float64) / lab
        low = (ratio > 1 / MET_BAND[1]) & (ratio < 1 / MET_BAND[0])
        high = (ratio > MET_BAND[0]) & (ratio < MET_BAND[1])
        for hit, smaller in ((low, "field"), (high, "lab")):
            count, of = int(hit.sum()), int(np.isfinite(ratio).sum())
            if count >= FEWEST_ROWS and count >= LEAST_SHARE * of:
                # the side that is off is the one far from everybody's laboratory values
                off = smaller == "lab" and float(np.median(lab[hit])) < 0.6 * middle
                table = "lab_tests" if off else "field_estimates"
                what = (
                    f"{count} of {of} values of '{method}' are "
                    f"{np.median(ratio[hit]):.2g} times the same athlete's laboratory value, as between "
                    "MET and mL/kg/min (3.5): two units in one column."
                )
                found.append(Mixed(table, "vo2max_ml_kg_min", what))
    return found


def mixed_masses(
    athletes: pd.DataFrame, laboratory: pd.DataFrame, estimates: pd.DataFrame
) -> list[Mixed]:
    """
    Find masses that are 2.2 times another mass of the same person, as pounds are.

    athletes, laboratory: athlete_id, mass_kg.
    estimates: athlete_id, set_mass_kg.
    """
    places = {
        ("athletes", "mass_kg"): athletes,
        ("lab_tests", "mass_kg"): laboratory,
        ("field_estimates", "set_mass_kg"): estimates,
    }
    low = {place: _each(frame, place[1], "min") for place, frame in places.items()}
    high = {place: _each(frame, place[1], "max") for place, frame in places.items()}
    found = []
    for place in places:
        others = [low[other] for other in places if other != place]
        lowest = pd.concat([low[place], *others]).groupby(level=0).min()
        ratio = (high[place] / lowest).dropna()
        hit = ratio[ratio.between(*POUND_BAND)]
        if len(hit) >= FEWEST_PEOPLE:
            what = (
                f"The masses of {len(hit)} of {len(ratio)} athletes here are {hit.median():.2g} times "
                f"another mass of the same athlete ('{hit.index[0]}' first), as pounds are to kilograms."
            )
            found.append(Mixed(*place, what))
    mass = laboratory["mass_kg"].dropna()
    heavy = mass[mass > HEAVY_KG]
    if not found and len(mass) >= HEAVY_FEWEST and len(heavy) >= HEAVY_SHARE * len(mass):
        what = (
            f"{len(heavy)} of {len(mass)} masses are above {HEAVY_KG:g} kg (up to {heavy.max():g}): "
            "pounds among kilograms?"
        )
        found.append(Mixed("lab_tests", "mass_kg", what))
    return found


def _each(frame: pd.DataFrame, column: str, how: str) -> "pd.Series[float]":
    """Return the lowest or highest mass of each athlete."""
    known = frame[["athlete_id", column]].dropna()
    return known.groupby("athlete_id")[column].agg(how)
