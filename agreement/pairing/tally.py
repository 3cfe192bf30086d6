"""What is said of a study as a whole: counted athlete by athlete, added up, then told once."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from agreement.arrays import Flags, Ints
from agreement.pairing.cleaning import CODE, KEPT
from agreement.pairing.laboratory_units import Units
from agreement.pairing.messages import rows_in_words
from agreement.pairing.pair_readings import PairedReadings
from agreement.pairing.reading_fates import ReadingFates
from agreement.pairing.unit_fates import UnitFates
from agreement.tables.findings import Findings, Words
from agreement.terms import ALL_MODES, REASONS, counted

LOST_TO_MODE = 0.1  # share of the laboratory tests; common practice, no source
FOR_LIMITS = 10  # athletes; with fewer a report shows the points and no limits
RULES = ("[pairing]", "[pairing.field_tests]")
NO_ROWS: Ints = np.array([], np.int64)


class WithoutPair(NamedTuple):
    """A method that has readings and not one pair."""

    method: str
    athletes: int  # with a reading of it
    reason: str  # why most of its readings were left out; a key of `agreement.terms.REASONS`
    keys: str = ""  # what in study.toml would pair its mode of exercise


@dataclass(frozen=True, slots=True)
class Tally:
    """Counts behind the notes on a whole study; those of different athletes are added."""

    tests: int = 0  # laboratory tests
    # paired, lost: rows of the tests in a pair, and of those with estimates of another mode only
    paired: Ints = field(default_factory=NO_ROWS.copy)
    lost: Ints = field(default_factory=NO_ROWS.copy)
    # for each reason the rows of the tests in no pair
    unpaired: dict[str, Ints] = field(default_factory=dict)
    # for each method rows of the tests in a pair of it; empty for one without pairs
    served: dict[str, Ints] = field(default_factory=dict)
    # for each table of rules the modes that did not match
    apart: dict[str, frozenset[int]] = field(default_factory=dict)
    # athletes with a pair that limits could rest on
    athletes: dict[tuple[str, str], int] = field(default_factory=dict)
    # where a heart-rate-limiting drug bars an athlete with a pair from the limits
    barred: frozenset[tuple[str, str]] = frozenset()
    # left, readers: for each method without a pair here, how many of its readings met which fate
    # (table of rules, reason, modes that did not match), and whose they are
    left: dict[str, Counter[tuple[str, str, int]]] = field(default_factory=dict)
    readers: dict[str, int] = field(default_factory=dict)
    # drug_unknown, drug_athletes: athletes with a pair of a heart-rate-based method whose drugs are
    # not known, and all
    drug_unknown: int = 0
    drug_athletes: int = 0

    def __add__(self, other: "Tally") -> "Tally":
        """Join with the counts of other athletes."""
        names = [one.name for one in fields(self)]
        return Tally(*(_joined(getattr(self, name), getattr(other, name)) for name in names))

    def tell(self, found: Findings, lab_file: str, drug_file: str) -> None:
        """Record the notes; the files are those of the laboratory tests and of the drugs."""
        self._no_pair_note(found, lab_file)
        for (method, mode), athletes in sorted(self.athletes.items()):
            who = " without a heart-rate-limiting drug" * ((method, mode) in self.barred)
            who = counted(athletes, f"athlete{who}", f"athletes{who}")
            if athletes < FOR_LIMITS:
                few: Words = {"method": method, "mode": mode, "needed": FOR_LIMITS}
                said = f"{who} {'has' if athletes == 1 else 'have'} a pair"
                found.tell("few_for_limits", lab_file, athletes=said, **few)
        for one in self.without_pair():
            found.tell(
                "method_in_other_mode" if one.keys else "method_without_pair",
                lab_file,
                method=one.method,
                why=REASONS[one.reason],
                keys=one.keys,
            )
        # tests in a pair of another method only
        for method in sorted(name for name, rows in self.served.items() if rows.size):
            without = np.setdiff1d(self.paired, self.served[method])
            if without.size:
                tests, rows = counted(without.size, "laboratory test"), rows_in_words(without)
                found.tell("no_pair_for_method", lab_file, method=method, tests=tests, rows=rows)
        self._mode_note(found, lab_file)
        if self.drug_unknown:  # where it matters
            told: Words = {"unknown": self.drug_unknown, "athletes": self.drug_athletes}
            found.tell("hr_limiting_drug_unknown", drug_file, **told)

    def _no_pair_note(self, found: Findings, file: str) -> None:
        """Record the tests in no pair of any method, with the number of each reason."""
        reasons = {name: rows for name, rows in self.unpaired.items() if rows.size}
        if not reasons:
            return
        rows = np.sort(np.concatenate(list(reasons.values())))
        shares = ", ".join(f"{len(reasons[name])} `{name}`" for name in sorted(reasons))
        share = f"{len(rows)} of {counted(self.tests, 'laboratory test')} {'has' if len(rows) == 1 else 'have'} no pair"
        if len(rows) == self.tests:
            share = "No laboratory test has a pair, so nothing can be compared"
        found.tell("no_pair", file, share=share, rows=rows_in_words(rows), reasons=shares)

    def without_pair(self) -> tuple[WithoutPair, ...]:
        """Return the methods that have readings and not one pair, by name."""
        found = []
        for method in sorted(name for name, rows in self.served.items() if not rows.size):
            fates = sorted(self.left[method].items())
            (_, reason, _), _ = max(fates, key=lambda one: one[1])
            apart = [
                (rules, modes) for (rules, why, modes), _ in fates if why == reason and modes >= 0
            ]
            keys = " and ".join(
                _mode_key([modes for name, modes in apart if name == rules], rules)
                for rules in dict.fromkeys(rules for rules, _ in apart)
            )
            found.append(WithoutPair(method, self.readers[method], reason, keys))
        return tuple(found)

    def _mode_note(self, found: Findings, file: str) -> None:
        """Record that many tests are lost because the estimates near them are of another mode."""
        if len(self.lost) <= LOST_TO_MODE * self.tests:
            return
        keys = [_mode_key(sorted(apart), rules) for rules, apart in self.apart.items() if apart]
        tests, rows = counted(self.tests, "laboratory test"), rows_in_words(np.sort(self.lost))
        told: Words = {"lost": len(self.lost), "tests": tests, "keys": " and ".join(keys)}
        found.tell("lost_to_mode", file, rows=rows, **told)


def tally(
    laboratory: pd.DataFrame,
    units: Units,
    fates: UnitFates,
    readings: pd.DataFrame,
    of_readings: ReadingFates,
    parts: Sequence[PairedReadings],
    pairs: pd.DataFrame,
    heart_rate_based: Mapping[str, bool],
) -> Tally:
    """Count what the notes on a study need; `pairs` have the row of their unit."""
    row, kept = laboratory["row"].to_numpy(np.int64), fates.reason == KEPT
    served, unit = {}, pairs["unit"].to_numpy(np.int64)
    codes, methods = pd.factorize(pairs["method"])
    places = {name: place for place, name in enumerate(methods)}
    on_heart_rate = np.zeros(len(pairs), np.bool_)
    for method in map(str, readings["method"].unique()):
        mine, own = np.zeros(len(units.day), np.bool_), codes == places.get(method, len(places))
        mine[unit[own]] = True
        served[method] = row[mine[units.of_test]]
        on_heart_rate |= own & heart_rate_based.get(method, False)
    drug, athlete = pairs["hr_limiting_drug"].array, units.athlete[unit]
    barred = on_heart_rate & np.asarray(drug == "yes", np.bool_)
    unknown = on_heart_rate & np.asarray(drug == "unknown", np.bool_)
    groups = _groups(pairs, athlete, barred)
    return Tally(
        len(row),
        row[kept[units.of_test]],
        row[fates.lost_to_mode[units.of_test]],
        {
            reason: row[(fates.reason == CODE[reason])[units.of_test]]
            for reason in map(list(REASONS).__getitem__, np.unique(fates.reason[~kept]))
        },
        served,
        {rules: _apart(part) for rules, part in zip(RULES, parts, strict=False)},
        {name: athletes for name, (athletes, _) in groups.items()},
        frozenset(name for name, (_, some) in groups.items() if some),
        *_left_out(
            readings, of_readings, parts, [name for name, rows in served.items() if not rows.size]
        ),
        len(np.unique(athlete[unknown])),
        len(np.unique(athlete[on_heart_rate])),
    )


def _joined(one: Any, other: Any) -> Any:
    """Return one count of two groups of athletes together; of tables that of each name."""
    if isinstance(one, dict):
        both = {name: _joined(one[name], other[name]) for name in one.keys() & other.keys()}
        return one | other | both
    if isinstance(one, np.ndarray):
        return np.concatenate([one, other])
    return one | other if isinstance(one, frozenset) else one + other


def _groups(
    pairs: pd.DataFrame, athlete: Ints, barred: Flags
) -> dict[tuple[str, str], tuple[int, int]]:
    """Return for each method and mode how many athletes its limits could rest on, and pairs barred."""
    (method, _), (mode, modes) = (pd.factorize(pairs[name]) for name in ("method", "mode"))
    label = method * len(modes) + mode
    kinds, first, group = np.unique(label, return_index=True, return_inverse=True)
    size = int(athlete.max(initial=0)) + 1
    allowed = np.unique((group * size + athlete)[~barred]) // size
    counts = (np.bincount(of, minlength=len(kinds)).tolist() for of in (allowed, group[barred]))
    names = (map(str, pairs[name].iloc[first]) for name in ("method", "mode"))
    return dict(zip(zip(*names, strict=True), zip(*counts, strict=True), strict=True))


def _left_out(
    readings: pd.DataFrame,
    fates: ReadingFates,
    parts: Sequence[PairedReadings],
    methods: Sequence[str],
) -> tuple[dict[str, Counter[tuple[str, str, int]]], dict[str, int]]:
    """Return what became of the readings of some methods, and how many athletes they are of."""
    left: dict[str, Counter[tuple[str, str, int]]] = {method: Counter() for method in methods}
    if not methods:
        return left, {}
    mismatch, names = CODE["mode_mismatch"], list(REASONS)
    for rules, part in zip(RULES, parts, strict=False):
        method, reason = readings["method"].iloc[part.at], fates.reason[part.at]
        modes = np.where(reason == mismatch, part.fate.detail, -1).astype(np.int64)
        here = np.flatnonzero(method.isin(methods))
        each = zip(
            method.iloc[here].astype("str"),
            reason[here].tolist(),
            modes[here].tolist(),
            strict=True,
        )
        for (name, code, both), count in Counter(each).items():
            left[name][rules, names[code], both] += count
    own = readings[readings["method"].isin(methods)]
    people = own.groupby("method", observed=True)["athlete_id"].nunique()
    return left, {str(name): int(count) for name, count in people.items()}


def _mode_key(modes: Iterable[int], rules: str) -> str:
    """Return what to write in study.toml for modes that did not match, two in one number, to be paired."""
    both = (divmod(one, len(ALL_MODES)) for one in modes)
    groups = ", ".join(f'["{ALL_MODES[lab]}", "{ALL_MODES[own]}"]' for lab, own in both)
    return f"mode_match = [{groups}] under {rules}"


def _apart(part: PairedReadings) -> frozenset[int]:
    """Return the modes that did not match: the laboratory's and the reading's in one number."""
    fate = part.fate
    both = np.unique(fate.detail[fate.reason == CODE["mode_mismatch"]])
    return frozenset(both.astype(np.int64).tolist())
