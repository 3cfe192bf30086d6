"""Which laboratory unit a reading serves, and why it serves none."""

from dataclasses import dataclass

import numpy as np

from agreement.pairing.cleaning import Fate
from agreement.pairing.laboratory_units import ALL_MODES, Ints, Units, keys
from agreement.tables.options import PairingOptions
from agreement.terms import RESTING

NONE = -1
FAR = np.int64(1 << 30)  # days; farther than any unit can be


@dataclass(frozen=True, slots=True)
class Nearest:
    """For each reading the unit it serves, and the distances of the nearest units whose mode fits."""

    unit: Ints  # row of `Units.frame`; `NONE` without a candidate
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


def nearest_units(
    athlete: Ints, day: Ints, mode: Ints, units: Units, rules: PairingOptions
) -> Nearest:
    """
    Find the unit of each reading: of those whose mode fits and in whose window it lies, the nearest.

    Ties go to the equal mode, then the later date, then the smaller lab_test_id. Unless the rules
    admit the same day, a reading on the day of a fitting unit serves no unit at all.

    athlete, day, mode: codes of the readings as in `Units`; best sorted by mode, athlete and day.
    """
    answer = Nearest(*(np.full(len(day), start) for start in (NONE, FAR, FAR)))
    for own in np.unique(mode).tolist():
        fits = [modes_pair(own, lab, rules.mode_match) for lab in range(len(ALL_MODES))]
        rows = np.flatnonzero(mode == own)
        candidates = np.flatnonzero(np.array(fits)[units.mode])
        if candidates.size:
            found = _nearest_of(candidates, own, athlete[rows], day[rows], units, rules)
            answer.unit[rows], answer.ahead[rows], answer.behind[rows] = found
    return answer


def _nearest_of(
    candidates: Ints, own: int, athlete: Ints, day: Ints, units: Units, rules: PairingOptions
) -> tuple[Ints, Ints, Ints]:
    """Return unit, days ahead and days behind for readings of one mode."""
    key = keys(units.athlete, units.day)[candidates]
    unequal = units.mode[candidates] != own
    order = np.lexsort((units.id_rank[candidates], unequal, key))
    best = order[np.flatnonzero(np.diff(key[order], prepend=-1))]  # one per athlete and date
    key, unit, unequal = key[best], candidates[best], unequal[best]
    unit, unequal = np.pad(unit, 1), np.pad(unequal, 1)
    after, ahead, behind = distances(with_ends(key), athlete, day)
    before = after - 1
    admits_after = ahead <= rules.days_before
    admits_before = behind <= rules.days_after
    prefers_before = (behind < ahead) | ((behind == ahead) & ~unequal[before] & unequal[after])
    takes_before = admits_before & (~admits_after | prefers_before)
    serves = np.where(takes_before, unit[before], np.where(admits_after, unit[after], NONE))
    if not rules.same_day:
        serves[ahead == 0] = NONE
    return serves, ahead, behind


def leave_out_unmatched(
    fate: Fate,
    athlete: Ints,
    day: Ints,
    mode: Ints,
    nearest: Nearest,
    units: Units,
    rules: PairingOptions,
) -> None:
    """Name in `fate` the reason of every kept reading that serves no unit; see `nearest_units`."""
    left = fate.kept()
    left = left[nearest.unit[left] == NONE]
    ahead, behind = nearest.ahead[left], nearest.behind[left]
    nameless = athlete[left] >= len(units.athletes)
    other_mode = _mode_in_window(athlete[left], day[left], units, rules)
    closest = np.where(behind < ahead, -behind, ahead)
    detail = np.where(np.abs(closest) < FAR, closest, np.nan)
    fate.leave_out(left, "outside_window", detail)
    after = (behind < ahead) & (behind <= rules.days_before)
    fate.leave_out(left[after], "after_test", behind[after])
    mismatch = other_mode != NONE
    # Both modes in one number: the laboratory's and the reading's.
    both = other_mode * len(ALL_MODES) + mode[left]
    fate.leave_out(left[mismatch], "mode_mismatch", both[mismatch])
    fate.leave_out(left[ahead == 0], "same_day", np.nan)
    fate.leave_out(left[nameless], "athlete_without_laboratory_test", np.nan)


def _mode_in_window(athlete: Ints, day: Ints, units: Units, rules: PairingOptions) -> Ints:
    """Return the mode of the first unit, of any mode, whose window holds each reading."""
    if not len(units.frame):
        return np.full(len(day), NONE)
    key = keys(units.athlete, units.day)
    order = np.argsort(key, kind="stable")
    wanted = keys(athlete, day)
    first = np.searchsorted(key[order], wanted - rules.days_after)
    beyond = np.searchsorted(key[order], wanted + rules.days_before, side="right")
    mode = units.mode[order[np.minimum(first, len(key) - 1)]]
    return np.where(beyond > first, mode, NONE)


def with_ends(sorted_keys: Ints) -> Ints:
    """Return keys with one at either end that no athlete has, for `distances`."""
    return np.concatenate([[-1], sorted_keys, [np.iinfo(np.int64).max]])


def distances(table: Ints, athlete: Ints, day: Ints) -> tuple[Ints, Ints, Ints]:
    """
    Look up athletes and days in a sorted table of `keys` with ends.

    Returns place, ahead, behind: place in the table of the first entry at or after the day, days to
        it, and days since the entry before; `FAR` when that one is not the athlete's.
    """
    wanted = keys(athlete, day)
    place = np.searchsorted(table, wanted)
    following, leading = table[place], table[place - 1]
    ahead = np.where(following >> 32 == athlete, following - wanted, FAR)
    behind = np.where(leading >> 32 == athlete, wanted - leading, FAR)
    return place, ahead, behind
