"""What is said of a study as a whole: counted athlete by athlete, added up, then told once."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from agreement.pairing.cleaning import CODE, KEPT
from agreement.pairing.reading_fates import Part
from agreement.pairing.unit_fates import UnitFates
from agreement.pairing.units import ALL_MODES, Ints, Units
from agreement.tables.findings import Findings

LOST_TO_MODE = 0.1  # share of the laboratory tests; common practice, no source
NAMED = 5  # rows named in one note; the rest is counted
RULES = ("[pairing]", "[pairing.field_tests]")
NO_ROWS: Ints = np.array([], np.int64)


@dataclass(frozen=True, slots=True)
class Tally:
    """
    Counts behind the notes on a whole study; those of different athletes are added.

    Attributes
    ----------
    tests : int
        Laboratory tests.
    paired, lost : ndarray
        Rows of the tests in a pair, and of those with estimates of another mode only.
    served : dict of str to ndarray
        For each method rows of the tests in a pair of it; empty for one without pairs.
    apart : dict of str to set of (laboratory, reading)
        For each table of rules the modes that did not match.
    drug_unknown, drug_athletes : int
        Athletes with a pair of a heart-rate-based method whose drugs are not known, and all.
    """

    tests: int = 0
    paired: Ints = field(default_factory=NO_ROWS.copy)
    lost: Ints = field(default_factory=NO_ROWS.copy)
    served: dict[str, Ints] = field(default_factory=dict)
    apart: dict[str, frozenset[int]] = field(default_factory=dict)
    drug_unknown: int = 0
    drug_athletes: int = 0

    def __add__(self, other: "Tally") -> "Tally":
        """Join with the counts of other athletes."""
        return Tally(
            self.tests + other.tests,
            np.concatenate([self.paired, other.paired]),
            np.concatenate([self.lost, other.lost]),
            {
                name: np.concatenate(
                    [self.served.get(name, NO_ROWS), other.served.get(name, NO_ROWS)]
                )
                for name in self.served | other.served
            },
            {
                name: self.apart.get(name, frozenset()) | other.apart.get(name, frozenset())
                for name in self.apart | other.apart
            },
            self.drug_unknown + other.drug_unknown,
            self.drug_athletes + other.drug_athletes,
        )

    def tell(self, found: Findings, lab_file: str, drug_file: str) -> None:
        """Record the notes; the files are those of the laboratory tests and of the drugs."""
        self._no_pair_notes(found, lab_file)
        self._mode_note(found, lab_file)
        self._drug_note(found, drug_file)

    def _no_pair_notes(self, found: Findings, file: str) -> None:
        """Record for each method the tests that are in a pair of another method only."""
        for method in sorted(self.served):
            without = np.setdiff1d(self.paired, self.served[method])
            if without.size:
                found.note(
                    "no_pair_for_method",
                    file,
                    f"{_tests(len(without))} in a pair of another method, but in none of {method}: "
                    f"{_rows(without)}.",
                    "Used where there is a pair; the lines left out say why there is none here.",
                )

    def _mode_note(self, found: Findings, file: str) -> None:
        """Record that many tests are lost because the estimates near them are of another mode."""
        if len(self.lost) <= LOST_TO_MODE * self.tests:
            return
        keys = [
            f"mode_match = {_modes(apart)} under {rules}"
            for rules, apart in self.apart.items()
            if apart
        ]
        found.note(
            "mode_mismatch",
            file,
            f"{len(self.lost)} of {_tests(self.tests)} have only estimates of another mode near "
            f"them: {_rows(np.sort(self.lost))}.",
            f"If these modes may be compared, set {' and '.join(keys)} in study.toml.",
        )

    def _drug_note(self, found: Findings, file: str) -> None:
        """Count the athletes whose heart-rate-limiting drugs are not known, where it matters."""
        if self.drug_unknown:
            found.note(
                "hr_limiting_drug_unknown",
                file,
                f"{self.drug_unknown} of {self.drug_athletes} athletes with a pair of a "
                "heart-rate-based method: hr_limiting_drug is not known. They stay in group `all`.",
                "Fill the column hr_limiting_drug of the athletes table with yes or no.",
            )


def tally(
    laboratory: pd.DataFrame,
    units: Units,
    fates: UnitFates,
    parts: Iterable[Part],
    pairs: pd.DataFrame,
    methods: Iterable[str],
    heart_rate_based: Mapping[str, bool],
) -> Tally:
    """
    Count what the notes on a study need.

    Parameters
    ----------
    laboratory, units, fates
        The tests, their units, and what became of these.
    parts : iterable of Part
        What was paired by each set of rules.
    pairs : DataFrame
        Their pairs, with the column unit.
    methods : iterable of str
        Every method with a reading.
    heart_rate_based : mapping
        For each method, whether it rests on heart rate.
    """
    row, kept = laboratory["row"].to_numpy(np.int64), fates.reason == KEPT
    served = {}
    for method in methods:
        mine = np.zeros(len(units.day), np.bool_)
        mine[pairs["unit"][pairs["method"] == method]] = True
        served[str(method)] = row[mine[units.of_test]]
    based = [name for name, on_heart_rate in heart_rate_based.items() if on_heart_rate]
    concerned = pairs[pairs["method"].isin(based)]
    unknown = concerned["athlete_id"][concerned["hr_limiting_drug"] == "unknown"]
    return Tally(
        len(row),
        row[kept[units.of_test]],
        row[fates.lost_to_mode[units.of_test]],
        served,
        {rules: _apart(part) for rules, part in zip(RULES, parts, strict=False)},
        unknown.nunique(),
        concerned["athlete_id"].nunique(),
    )


def _apart(part: Part) -> frozenset[int]:
    """Return the modes that did not match: the laboratory's and the reading's in one number."""
    fate = part.paired.fate
    both = np.unique(fate.detail[fate.reason == CODE["mode_mismatch"]])
    return frozenset(both.astype(np.int64).tolist())


def _modes(apart: frozenset[int]) -> str:
    """Return the modes that would have to match, as study.toml writes them."""
    both = (divmod(one, len(ALL_MODES)) for one in sorted(apart))
    groups = [f'["{ALL_MODES[laboratory]}", "{ALL_MODES[own]}"]' for laboratory, own in both]
    return f"[{', '.join(groups)}]"


def _tests(count: int) -> str:
    """Return a number of laboratory tests as text."""
    return "1 laboratory test" if count == 1 else f"{count} laboratory tests"


def _rows(rows: Ints) -> str:
    """Return some row numbers as text."""
    text = ("row " if len(rows) == 1 else "rows ") + ", ".join(map(str, rows[:NAMED].tolist()))
    return text if len(rows) <= NAMED else f"{text} and {len(rows) - NAMED} more"
