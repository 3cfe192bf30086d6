"""
Why a laboratory test is in no pair.

All readings of a pair that failed are `too_few_readings`, far ones too.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from agreement.arrays import Flags, Ints
from agreement.pairing.cleaning import CODE, KEPT
from agreement.pairing.laboratory_units import Units, keys
from agreement.pairing.matching import FAR, modes_pair
from agreement.pairing.messages import Texts, days_in_words, window
from agreement.pairing.pair_readings import PairedReadings
from agreement.tables.options import PairingOptions
from agreement.terms import ALL_MODES

NO_ESTIMATE = (
    "The athlete has no estimate; collect some around the test, or join the id in id_map if the "
    "field files call the athlete otherwise."
)


@dataclass(frozen=True, slots=True)
class UnitFates:
    """What became of each unit; all arrays have shape (units,)."""

    # reason, text: position in `agreement.terms.REASONS` (`KEPT` when in a pair), and place of the
    # message
    reason: Ints
    text: Ints
    # whether it is in no pair, and has in its window readings of another mode only
    lost_to_mode: Flags


def unit_fates(units: Units, parts: Sequence[PairedReadings], texts: Texts) -> UnitFates:
    """Name the reason of every unit without pair."""
    size = len(units.day)
    paired, few, other_mode = (np.zeros(size, np.bool_) for _ in range(3))
    for part in parts:
        paired[part.pairs["unit"]] = True
        few[part.unit[part.fate.reason == CODE["too_few_readings"]]] = True
        rows, rules = part.rows, part.rules
        unlike = (part.fate.reason == CODE["mode_mismatch"])[rows.order]
        key = np.sort(keys(rows.athlete[unlike], rows.day[unlike]))
        low = keys(units.athlete, units.day - rules.days_before)
        high = keys(units.athlete, units.day + rules.days_after)
        other_mode |= np.searchsorted(key, high, side="right") > np.searchsorted(key, low)
    alone = np.flatnonzero(~paired & ~few)
    text = np.zeros(size, np.int64)
    text[few] = texts.place(
        "Its readings lie on too few days near the test, for every method (`minimum_days`)."
    )
    text[alone] = [texts.place(words) for words in _nearest_words(units, alone, parts)]
    lost = ~paired & ~few & other_mode
    for mode in np.unique(units.mode[lost]).tolist():
        words = f"Laboratory on {ALL_MODES[mode]}; the estimates near it are of another mode (`mode_match`)."
        text[lost & (units.mode == mode)] = texts.place(words)
    left = np.where(few, CODE["too_few_readings"], CODE["no_estimate_in_window"])
    return UnitFates(np.where(paired, KEPT, left), text, lost)


def all_kept(units: Units) -> UnitFates:
    """Return that every unit is used: a study without a field table is of the laboratory itself."""
    size = len(units.day)
    return UnitFates(np.full(size, KEPT), np.zeros(size, np.int64), np.zeros(size, np.bool_))


def _nearest_words(units: Units, alone: Ints, parts: Sequence[PairedReadings]) -> list[str]:
    """Return for each unit what is said about the nearest estimate that its mode fits."""
    nearest = np.full(len(alone), FAR)  # gap, positive before the test
    rules_of = np.zeros(len(alone), np.int64)
    for number, part in enumerate(parts):
        gap = _nearest_gap(units, alone, part)
        closer = np.abs(gap) < np.abs(nearest)
        nearest[closer], rules_of[closer] = gap[closer], number
    both = list(zip(nearest.tolist(), rules_of.tolist(), strict=True))
    known = {(gap, i): _nearest_sentence(gap, parts[i].rules) for gap, i in set(both)}
    words = [known[one] for one in both]
    read = np.zeros(len(units.athletes), np.bool_)  # who has a reading, of any mode
    for part in parts:
        of_part = part.rows.athlete
        read[of_part[of_part < len(read)]] = True
    for i in np.flatnonzero(~read[units.athlete[alone]]).tolist():
        words[i] = NO_ESTIMATE
    return words


def _nearest_sentence(gap: int, rules: PairingOptions) -> str:
    """Return what is said about an estimate `gap` days before the test."""
    if abs(gap) >= FAR:
        return "The athlete has no estimate in this mode; collect some around the test."
    if -rules.days_after <= gap <= rules.days_before:
        return "Every estimate in its window was left out or serves a nearer test; see their lines."
    side = "before" if gap > 0 else "after"
    return f"Nearest estimate is {days_in_words(abs(gap))} {side} the test; {window(rules)}"


def _nearest_gap(units: Units, alone: Ints, part: PairedReadings) -> Ints:
    """Return the gap of the nearest reading whose mode fits; `FAR` without one."""
    gap = np.full(len(alone), FAR)
    rows, rules = part.rows, part.rules
    for lab in np.unique(units.mode[alone]).tolist():
        fits = np.array([modes_pair(own, lab, rules.mode_match) for own in range(len(ALL_MODES))])
        mine = fits[rows.mode]
        key = np.sort(keys(rows.athlete[mine], rows.day[mine]))
        key = np.concatenate([[-1], key, [np.iinfo(np.int64).max]])  # no athlete's at either end
        here = np.flatnonzero(units.mode[alone] == lab)
        athlete, wanted = units.athlete[alone[here]], keys(units.athlete, units.day)[alone[here]]
        place = np.searchsorted(key, wanted)
        before, after = (
            np.where(one >> 32 == athlete, np.abs(one - wanted), FAR)
            for one in (key[place - 1], key[place])
        )
        gap[here] = np.where(before <= after, before, -after)
    return gap
