"""Two units in one column: numbers of one person a known factor apart."""

from typing import Final

import numpy as np
import pandas as pd

from agreement.stats.doubts.odd_columns import Odd, odd

# mL/kg/min in a metabolic equivalent, pounds in a kilogram (NIST SP 811: 1 lb = 0.453 592 37 kg)
MET_BAND: Final = (2.8, 4.4)  # of the ratio 3.5
POUND_BAND: Final = (2.05, 2.36)  # of the ratio 2.2046
FEWEST_ROWS, LEAST_SHARE = 3, 0.05
FEWEST_PEOPLE: Final = 2
HEAVY_KG, HEAVY_SHARE, HEAVY_FEWEST = 130.0, 0.2, 5


def mixed_uptakes(estimates: pd.DataFrame, laboratory: pd.DataFrame) -> list[Odd]:
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
                times = np.median(ratio[hit])
                mixed = odd("mets_mixed", count=count, n=of, method=method, ratio=times)
                found.append(mixed._replace(table=table, column="vo2max_ml_kg_min"))
    return found


def mixed_masses(
    athletes: pd.DataFrame, laboratory: pd.DataFrame, estimates: pd.DataFrame
) -> list[Odd]:
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
    each = {
        place: frame[["athlete_id", place[1]]].dropna().groupby("athlete_id")[place[1]]
        for place, frame in places.items()
    }
    lowest = pd.concat([masses.min() for masses in each.values()]).groupby(level=0).min()
    found = []
    for place, masses in each.items():
        ratio = (masses.max() / lowest).dropna()
        hit = ratio[ratio.between(*POUND_BAND)]
        if len(hit) >= FEWEST_PEOPLE:
            counts = {"count": len(hit), "n": len(ratio)}
            mixed = odd("pounds_mixed", **counts, ratio=hit.median(), first=hit.index[0])
            found.append(mixed._replace(table=place[0], column=place[1]))
    mass = laboratory["mass_kg"].dropna()
    heavy = mass[mass > HEAVY_KG]
    if not found and len(mass) >= HEAVY_FEWEST and len(heavy) >= HEAVY_SHARE * len(mass):
        counts = {"count": len(heavy), "n": len(mass)}
        mixed = odd("pounds_among_kilograms", **counts, limit=HEAVY_KG, highest=heavy.max())
        found.append(mixed._replace(table="lab_tests", column="mass_kg"))
    return found
