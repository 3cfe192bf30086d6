"""A method, or a laboratory, whose column is not what it seems: constant, copied, unrelated, swapped."""

from collections.abc import Iterable
from itertools import combinations
from math import nan
from statistics import NormalDist
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd

from agreement.arrays import Floats
from agreement.stats.doubts.chance import (
    chance_of_equal,
    is_whole,
    rounding_step,
    spread_of_most,
)
from agreement.stats.who_counts import FEWEST_JUDGED
from agreement.tables.findings import message

# The authors' choice, common practice, no source. Repeats written to 0.1 mL/kg/min are equal once in
# seventy where the laboratory's own error is 2, whole numbers once in three where it is 0.7.
EQUAL_REPEATS: Final = 1e-6
LEAST_ERROR: Final = 0.7  # mL/kg/min: of the most exact laboratory
BY_CHANCE: Final = 0.001

# The authors' choice, common practice, no source, unless said.
CONSTANT_BELOW: Final = 0.15  # spread of the field between people as a share of the laboratory's
LEAST_SPREAD: Final = 1.0  # mL/kg/min between people in the laboratory, below it nothing is told
FEWEST_ALIKE: Final = 8  # athletes
TELLING: Final = 5  # athletes from which exactly equal values or an impossible bias are no accident
TOO_NEAR: Final = 0.25  # mL/kg/min: middle size of a difference; the laboratory's noise gives 1.7
SAME: Final = 0.05  # mL/kg/min, a value rounded to a decimal
UNRELATED_BELOW: Final = 0.45  # correlation at the upper end of its interval
UNRELATED_FEWEST: Final = 15  # athletes; fewer where the relation is the wrong way round
ON_A_LINE: Final = 0.5  # mL/kg/min about a line; the laboratory's noise gives 2.6
NEARLY_ALL_DAYS: Final = 0.95  # days on which two methods say the same
MOST_METHODS: Final = 20  # that are set side by side
EXCHANGED: Final = 0.9  # of rows, in which one of the two is whole
BIAS_BEYOND: Final = 15.0  # mL/kg/min
OTHER_MODE_SHARE: Final = 0.10
NEAR_MODES: Final = frozenset({"run", "walk"})
SWAPPED_FEWEST: Final = 10
ABOUT_ONE: Final = 1.3  # readings of a test, where both are columns of one table
PRECISE: Final = 0.3  # laboratory repeats against field days, where the columns may be swapped
Z: Final = NormalDist().inv_cdf((1 + 0.95) / 2)


class Odd(NamedTuple):
    """One doubt: its code, the evidence, what to do, and where it stands if that is known."""

    code: str
    what: str
    remedy: str
    # table, column: ours; file, row: as in `agreement.errors.Problem`
    table: str = ""
    column: str = ""
    file: str = ""
    row: int | None = None


def odd(name: str, /, **values: Any) -> Odd:
    """Return the doubt that `messages.toml` calls so, filled in with `values`."""
    _, code, what, remedy = message(name)
    return Odd(code, what.format_map(values), remedy)


def odd_methods(pairs: pd.DataFrame) -> list[Odd]:
    """
    Look at every method and mode.

    pairs: athlete_id, method, mode, lab_mode, lab, field, difference [mL/kg/min].
    """
    found = []
    for (method, mode), own in pairs.groupby(["method", "mode"], sort=True):
        people = own.groupby("athlete_id")[["lab", "field", "difference"]].mean()
        found += [
            one._replace(what=f"'{method}' ({mode}): {one.what}")
            for one in (*odd_values(people, own), *other_mode(own, str(mode)))
        ]
    return found


def odd_values(people: pd.DataFrame, pairs: pd.DataFrame, *, sure: bool = True) -> list[Odd]:
    """
    Look at the values of one method and mode.

    people: lab, field, difference: the means of each athlete. [mL/kg/min]
    pairs: difference. [mL/kg/min]
    sure: only what no honest or planned study shows; else also values whose relation is not shown,
        and values on a line with the laboratory's.
    """
    lab, field, difference = (people[name].to_numpy(np.float64) for name in people)
    n, found = len(people), []
    ends = {"field": (field.min(), field.max()), "lab": (lab.min(), lab.max()), "n": n}
    apart, off = np.abs(pairs["difference"].to_numpy(np.float64)), np.median(np.abs(difference))
    if n >= TELLING and (apart <= SAME).all():
        found.append(odd("field_is_laboratory", n=len(apart)))
    elif n >= FEWEST_ALIKE and np.median(apart) < TOO_NEAR:
        found.append(odd("field_near_laboratory", n=len(apart), apart=np.median(apart)))
    spread, own = (spread_of_most(values) if n > 1 else 0.0 for values in (lab, field))
    if n >= FEWEST_ALIKE and spread > LEAST_SPREAD:
        if field.std(ddof=1) < CONSTANT_BELOW * spread:
            found.append(odd("constant_device", **ends))
        elif unrelated := _unrelated(lab, field, sure=sure):
            found.append(unrelated)
        elif not sure and not found:
            slope = float(np.cov(lab, field)[0, 1] / lab.var(ddof=1))
            rest = spread_of_most(field - field.mean() - slope * (lab - lab.mean()))
            if rest < ON_A_LINE:
                found.append(odd("field_on_a_line", n=n, rest=rest))
    if n >= FEWEST_ALIKE and own > LEAST_SPREAD and lab.std(ddof=1) < CONSTANT_BELOW * own:
        found.append(odd("constant_laboratory", **ends))
    if n >= TELLING and abs(difference.mean()) > BIAS_BEYOND:
        found.append(odd("bias_beyond", bias=difference.mean(), n=n))
    elif n >= TELLING and off > BIAS_BEYOND:
        found.append(odd("half_beyond", n=n, off=off))
    return found


def _unrelated(lab: Floats, field: Floats, *, sure: bool) -> Odd | None:
    """Say that field and laboratory have no relation; None where they may have one (Fisher's z)."""
    r, n = float(np.clip(np.corrcoef(lab, field)[0, 1], -0.9999, 0.9999)), lab.size
    lowest, highest = (float(np.tanh(np.arctanh(r) + k * Z / np.sqrt(n - 3))) for k in (-1, 1))
    if sure and n >= UNRELATED_FEWEST and highest < UNRELATED_BELOW:
        return odd("no_relation", r=r, n=n, highest=highest)
    if not sure and (highest < 0 or (lowest < 0 and n >= UNRELATED_FEWEST)):
        return odd("relation_not_shown", r=r, n=n)
    return None


def same_methods(daily: pd.DataFrame) -> list[Odd]:
    """
    Look for two methods with the same numbers.

    daily: athlete_id, method, mode, date, field [mL/kg/min].
    """
    if daily.empty:
        return []
    table = daily.pivot_table(
        index=["athlete_id", "mode", "date"], columns="method", values="field", observed=True
    )
    who, _ = pd.factorize(table.index.get_level_values(0))
    found = []
    for first, other in combinations(table.columns[:MOST_METHODS], 2):
        apart = (table[first] - table[other]).to_numpy(np.float64)
        both = ~np.isnan(apart)
        equal, n = int((np.abs(apart) < 1e-6).sum()), int(both.sum())
        if len(np.unique(who[both])) >= FEWEST_ALIKE and equal >= NEARLY_ALL_DAYS * n:
            found.append(odd("same_methods", equal=equal, n=n, first=first, other=other))
    return found


def other_mode(pairs: pd.DataFrame, mode: str) -> list[Odd]:
    """Look whether the laboratory tested another mode of exercise, beyond running for walking."""
    other = pairs["lab_mode"].to_numpy(dtype=object)
    apart = other != mode
    if mode in NEAR_MODES:
        apart &= ~np.isin(other, list(NEAR_MODES))
    count = int(apart.sum())
    if mode == "resting" or count < 2 or count < OTHER_MODE_SHARE * len(pairs):
        return []
    modes = " and ".join(sorted({str(m) for m in other[apart]}))
    return [odd("other_mode", count=count, n=len(pairs), mode=mode, modes=modes)]


class Side(NamedTuple):
    """What tells measured values from those of a device: counts in one table."""

    rows: int
    known: int  # values
    whole: int  # of these
    masses: int
    whole_masses: int
    several: int  # athletes with several masses
    moving: int  # of these, whose mass moves

    @property
    def share(self) -> float:
        """Share of values that are whole numbers."""
        return self.whole / self.known if self.known else nan

    @property
    def share_of_masses(self) -> float:
        """Share of masses that are whole numbers."""
        return self.whole_masses / self.masses if self.masses else nan


class Single(NamedTuple):
    """Athletes with one value in each table."""

    both: int
    one_whole: int  # of these, of whom one of the two values is whole
    first_whole: int  # whose laboratory value is whole


class Sides(NamedTuple):
    """What `swapped_columns` looks at."""

    laboratory: Side
    field: Side
    single: Single


def masses_of(frame: pd.DataFrame, mass: str) -> pd.DataFrame:
    """Return size, min and max [kg] of the masses that are known of each athlete."""
    known = frame[["athlete_id", mass]].dropna()
    return known.groupby("athlete_id", observed=True)[mass].agg(["size", "min", "max"])


def sides_of(laboratory: pd.DataFrame, estimates: pd.DataFrame, masses: pd.DataFrame) -> Sides:
    """
    Count what `swapped_columns` looks at.

    laboratory: athlete_id, lab [mL/kg/min], mass_kg: all tests of some athletes.
    estimates: athlete_id, field [mL/kg/min], set_mass_kg: all of the same athletes.
    masses: of `masses_of` the estimates.
    """
    lab, field = (f.drop_duplicates("athlete_id", keep=False) for f in (laboratory, estimates))
    both = lab.merge(field, on="athlete_id")[["lab", "field"]].dropna()
    whole = is_whole(both.to_numpy(np.float64))
    single = Single(len(both), int((whole[:, 0] != whole[:, 1]).sum()), int(whole[:, 0].sum()))
    first = _side(laboratory, "lab", "mass_kg", masses_of(laboratory, "mass_kg"))
    return Sides(first, _side(estimates, "field", "set_mass_kg", masses), single)


def _side(frame: pd.DataFrame, value: str, mass: str, of_each: pd.DataFrame) -> Side:
    known, masses = (frame[name].dropna().to_numpy(np.float64) for name in (value, mass))
    several = of_each[of_each["size"] > 1]
    return Side(
        len(frame),
        *(known.size, int(is_whole(known).sum()), masses.size, int(is_whole(masses).sum())),
        *(len(several), int((several["min"] < several["max"]).sum())),
    )


def sides_together(parts: Iterable[Sides]) -> Sides:
    """Add up the counts of different athletes."""
    laboratory, field, single = (np.sum(one, axis=0).tolist() for one in zip(*parts, strict=True))
    return Sides(Side(*laboratory), Side(*field), Single(*single))


def swapped_columns(
    sides: Sides, methods: int, repeats: pd.DataFrame, daily: pd.DataFrame
) -> list[Odd]:
    """
    Look for field and laboratory exchanged: whole numbers and constant masses belong to devices.

    sides, methods: all tests and estimates, and how many methods gave these.
    repeats: lab_test_id (of the unit), lab: one row per test.
    daily: lab_test_id, method, mode, field: one row per day that serves a pair.
    """
    found = []
    lab, field = sides.laboratory, sides.field
    one_each = field.rows <= ABOUT_ONE * lab.rows * methods
    if one_each and min(lab.known, field.known) >= SWAPPED_FEWEST:
        if lab.share > 0.95 and field.share < 0.3:
            found.append(odd("columns_swapped", lab=100 * lab.share, field=100 * field.share))
        n, one, first = sides.single
        if n >= SWAPPED_FEWEST and one >= EXCHANGED * n and min(first, n - first) >= 3:
            found.append(odd("rows_swapped", n=n, first=first))
    typed = lab.share_of_masses > 0.95 and field.share_of_masses < 0.3
    several = min(lab.several, field.several) >= TELLING
    if several and typed and lab.moving == 0 and field.moving > field.several / 2:
        found.append(odd("masses_swapped"))
    own, days = (
        _within(repeats, ["lab_test_id"], "lab"),
        _within(daily, ["lab_test_id", "method", "mode"], "field"),
    )
    if own[1] >= TELLING and days[1] >= SWAPPED_FEWEST and 0 < own[0] < PRECISE * days[0]:
        found.append(odd("errors_swapped", lab=own[0], field=days[0]))
    return found


def _within(frame: pd.DataFrame, keys: list[str], column: str) -> tuple[float, int]:
    """Return the standard deviation within groups and its degrees of freedom."""
    if frame.empty:
        return 0.0, 0
    groups = frame.groupby(keys, sort=False)[column]
    df = len(frame) - groups.ngroups
    centred = frame[column] - groups.transform("mean")
    return (float(np.sqrt((centred**2).sum() / df)) if df else 0.0), df


def odd_columns(laboratory: pd.DataFrame, repeats: pd.DataFrame) -> list[Odd]:
    """
    Look at the values of the laboratory.

    laboratory: athlete_id, lab, a row per test.
    repeats: lab_test_id (of the unit), lab: one row per test.
    """
    found, lab = [], laboratory["lab"].to_numpy(np.float64)
    judged = laboratory["athlete_id"].nunique() >= FEWEST_JUDGED
    if judged and np.ptp(lab) == 0:
        found.append(odd("filled_down", n=lab.size, value=lab[0]))
    apart = repeats.groupby("lab_test_id")["lab"].agg(["size", "max", "min"])
    again = apart[apart["size"] > 1]
    equal = int((again["max"] - again["min"] < EQUAL_REPEATS).sum())
    chance = chance_of_equal(rounding_step(repeats["lab"].to_numpy(np.float64)), LEAST_ERROR)
    if equal >= TELLING and equal > len(again) / 2:
        from scipy.stats import binom  # checking parts starts without it

        if binom.sf(equal - 1, len(again), chance) < BY_CHANCE:
            found.append(odd("copied_repeats", equal=equal, n=len(again)))
    return found
