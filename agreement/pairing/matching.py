"""Which laboratory unit a reading serves, and why it serves none."""

from dataclasses import dataclass

import numpy as np

from agreement.arrays import Ints
from agreement.pairing.cleaning import CODE, KEPT, Fate
from agreement.pairing.laboratory_units import Units, keys
from agreement.pairing.ordering import Ordered
from agreement.tables.options import PairingOptions
from agreement.terms import ALL_MODES, RESTING

NO_UNIT = -1
FAR = np.int64(1 << 30)  # days; farther than any unit can be
NOBODY = np.iinfo(np.int64).min  # a series that no reading has


@dataclass(frozen=True, slots=True)
class Nearest:
    """For each reading the unit it serves, and the distances of the nearest units whose mode fits."""

    unit: Ints  # row of `Units.frame`; `NO_UNIT` without a candidate
    # ahead, behind: days to the next unit (0 on its day) and since the last one; `FAR` when there
    # is none
    ahead: Ints
    behind: Ints


def modes_pair(reading: int, laboratory: int, mode_match: tuple[tuple[str, ...], ...]) -> bool:
    """Return whether two modes (positions in `ALL_MODES`) may be paired."""
    names = ALL_MODES[reading], ALL_MODES[laboratory]
    if names[0] == names[1] or names[0] == RESTING:
        return True
    return any(names[0] in group and names[1] in group for group in mode_match)


def nearest_units(rows: Ordered, units: Units, rules: PairingOptions) -> Nearest:
    """
    Find the unit of each reading: of those whose mode fits and in whose window it lies, the nearest.

    Ties go to the equal mode, then the later date, then the smaller lab_test_id. Unless the rules
    admit the same day, a reading on the day of a fitting unit serves no unit at all.
    """
    modes = rows.labels % len(ALL_MODES)
    fitting = {own: _fitting(own, units, rules) for own in np.unique(modes).tolist()}
    each = [fitting[own] for own in modes.tolist()]
    label, unit = np.repeat(rows.labels, [len(one) for one in each]), np.concatenate([*each, []])
    unit = unit.astype(np.int64)
    athlete, day = units.athlete[unit], units.day[unit]
    series, unequal = rows.series_of(label, athlete), units.mode[unit] != label % len(ALL_MODES)
    # the readings up to each unit; those between two units have the same two beside them
    ends = rows.beside(series, day, after=True)
    between = np.diff(ends, prepend=0, append=len(rows.day))
    own = np.repeat(np.append(series, NOBODY), between) == rows.series
    ahead = np.where(own, np.repeat(np.append(day, 0), between) - rows.day, FAR)
    own = np.repeat(np.append(NOBODY, series), between) == rows.series
    behind = np.where(own, rows.day - np.repeat(np.append(0, day), between), FAR)

    near = np.flatnonzero((ahead <= rules.days_before) | (behind <= rules.days_after))
    after, to, since = np.searchsorted(ends, near, side="right"), ahead[near], behind[near]
    before, unit, unequal = after - 1, np.append(unit, NO_UNIT), np.append(unequal, False)
    prefers_before = (since < to) | ((since == to) & ~unequal[before] & unequal[after])
    admits_after = to <= rules.days_before
    takes_before = (since <= rules.days_after) & (~admits_after | prefers_before)
    serves = np.full(len(rows.day), NO_UNIT)
    serves[near] = unit[np.where(takes_before, before, after)]
    if not rules.same_day:
        serves[near[to == 0]] = NO_UNIT
    return Nearest(serves, ahead, behind)


def _fitting(own: int, units: Units, rules: PairingOptions) -> Ints:
    """Return the units that readings of one mode may serve, sorted: one per athlete and date."""
    fits = [modes_pair(own, lab, rules.mode_match) for lab in range(len(ALL_MODES))]
    candidates = np.flatnonzero(np.array(fits)[units.mode])
    key = keys(units.athlete, units.day)[candidates]
    order = np.lexsort((units.id_rank[candidates], units.mode[candidates] != own, key))
    return candidates[order[np.flatnonzero(np.diff(key[order], prepend=-1))]]


def leave_out_unmatched(
    fate: Fate, rows: Ordered, nearest: Nearest, units: Units, rules: PairingOptions
) -> None:
    """Name in `fate` the reason of every kept reading that serves no unit; see `nearest_units`."""
    ahead, behind = nearest.ahead, nearest.behind
    left = (fate.reason == KEPT) & (nearest.unit == NO_UNIT)
    closest = np.where(behind < ahead, -behind, ahead)
    fate.reason[left] = CODE["outside_window"]
    np.copyto(fate.detail, np.where(np.abs(closest) < FAR, closest, np.nan), where=left)
    after = np.flatnonzero(left & (behind <= rules.days_before))
    after = after[behind[after] < ahead[after]]
    fate.leave_out(after, "after_test", behind[after])
    at, other_mode = _in_a_window(rows, units, rules)
    at, other_mode = at[left[at]], other_mode[left[at]]
    # Both modes in one number: the laboratory's and the reading's.
    fate.leave_out(at, "mode_mismatch", other_mode * len(ALL_MODES) + rows.mode[at])
    fate.leave_out(np.flatnonzero(left & (ahead == 0)), "same_day", np.nan)
    nameless = np.flatnonzero(left & (rows.athlete >= len(units.athletes)))
    fate.leave_out(nameless, "athlete_without_laboratory_test", np.nan)


def _in_a_window(rows: Ordered, units: Units, rules: PairingOptions) -> tuple[Ints, Ints]:
    """Return the readings in a window of any unit, and the mode of the first unit of each."""
    order = np.argsort(keys(units.athlete, units.day), kind="stable")
    series = rows.series_of(rows.labels[:, None], units.athlete[order]).ravel()
    day, mode = (np.tile(of[order], len(rows.labels)) for of in (units.day, units.mode))
    start = rows.beside(series, day - rules.days_before, after=False)
    end = rows.beside(series, day + rules.days_after, after=True)
    start[1:] = np.maximum(start[1:], end[:-1])
    size = end - start
    at = np.arange(size.sum()) + np.repeat(start - (np.cumsum(size) - size), size)
    return at, np.repeat(mode, size)
