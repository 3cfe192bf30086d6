"""What is said of a study as a whole: counted athlete by athlete, added up, then told once."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
import pandas as pd

from agreement.pairing.cleaning import CODE, KEPT
from agreement.pairing.laboratory_units import ALL_MODES, Ints, Units
from agreement.pairing.messages import rows_in_words
from agreement.pairing.reading_fates import Part
from agreement.pairing.unit_fates import UnitFates
from agreement.tables.findings import Findings, Told
from agreement.terms import REASONS, counted

LOST_TO_MODE = 0.1  # share of the laboratory tests; common practice, no source
FOR_LIMITS = 10  # athletes; with fewer a report shows the points and no limits
RULES = ("[pairing]", "[pairing.field_tests]")
NO_ROWS: Ints = np.array([], np.int64)


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
                few: Told = {"method": method, "mode": mode, "needed": FOR_LIMITS}
                said = f"{who} {'has' if athletes == 1 else 'have'} a pair"
                found.tell("few_for_limits", lab_file, athletes=said, **few)
        for method in sorted(self.served):  # tests in a pair of another method only
            without = np.setdiff1d(self.paired, self.served[method])
            if without.size:
                tests, rows = counted(without.size, "laboratory test"), rows_in_words(without)
                found.tell("no_pair_for_method", lab_file, method=method, tests=tests, rows=rows)
        self._mode_note(found, lab_file)
        if self.drug_unknown:  # where it matters
            told: Told = {"unknown": self.drug_unknown, "athletes": self.drug_athletes}
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

    def _mode_note(self, found: Findings, file: str) -> None:
        """Record that many tests are lost because the estimates near them are of another mode."""
        if len(self.lost) <= LOST_TO_MODE * self.tests:
            return
        keys = []
        for rules, apart in self.apart.items():
            both = (divmod(one, len(ALL_MODES)) for one in sorted(apart))
            modes = ", ".join(f'["{ALL_MODES[lab]}", "{ALL_MODES[own]}"]' for lab, own in both)
            keys += [f"mode_match = [{modes}] under {rules}"] if apart else []
        tests, rows = counted(self.tests, "laboratory test"), rows_in_words(np.sort(self.lost))
        told: Told = {"lost": len(self.lost), "tests": tests, "keys": " and ".join(keys)}
        found.tell("lost_to_mode", file, rows=rows, **told)


def tally(
    laboratory: pd.DataFrame,
    units: Units,
    fates: UnitFates,
    parts: Iterable[Part],
    pairs: pd.DataFrame,
    methods: Iterable[str],
    heart_rate_based: Mapping[str, bool],
) -> Tally:
    """Count what the notes on a study need; `pairs` have the row of their unit."""
    row, kept = laboratory["row"].to_numpy(np.int64), fates.reason == KEPT
    served = {}
    for method in methods:
        mine = np.zeros(len(units.day), np.bool_)
        mine[pairs["unit"][pairs["method"] == method]] = True
        served[str(method)] = row[mine[units.of_test]]
    based = [name for name, on_heart_rate in heart_rate_based.items() if on_heart_rate]
    on_heart_rate = pairs["method"].isin(based)
    concerned = pairs[on_heart_rate]
    barred = on_heart_rate & (pairs["hr_limiting_drug"] == "yes")
    unknown = concerned["athlete_id"][concerned["hr_limiting_drug"] == "unknown"]
    for_limits = pairs.assign(athlete_id=pairs["athlete_id"].mask(barred))
    counts = for_limits.groupby(["method", "mode"])["athlete_id"].nunique().reset_index()
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
        dict(zip(_keys(counts), counts["athlete_id"].tolist(), strict=True)),
        frozenset(_keys(pairs[barred])),
        unknown.nunique(),
        concerned["athlete_id"].nunique(),
    )


def _joined(one: Any, other: Any) -> Any:
    """Return one count of two groups of athletes together; of tables that of each name."""
    if isinstance(one, dict):
        both = {name: _joined(one[name], other[name]) for name in one.keys() & other.keys()}
        return one | other | both
    if isinstance(one, np.ndarray):
        return np.concatenate([one, other])
    return one | other if isinstance(one, frozenset) else one + other


def _keys(pairs: pd.DataFrame) -> list[tuple[str, str]]:
    """Return method and mode of each row."""
    return list(zip(map(str, pairs["method"]), map(str, pairs["mode"]), strict=True))


def _apart(part: Part) -> frozenset[int]:
    """Return the modes that did not match: the laboratory's and the reading's in one number."""
    fate = part.paired.fate
    both = np.unique(fate.detail[fate.reason == CODE["mode_mismatch"]])
    return frozenset(both.astype(np.int64).tolist())
