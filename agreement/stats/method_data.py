"""
What one analysis gets to see: the pairs of one method in one mode, and all that belongs to them.

An analysis that serves the results table is a function ``<analysis>_of(data: MethodData)`` that
returns its frozen result or raises `NotEstimable`. The result's ``to_frame()`` gives the rows; a
result with groups has a first column ``group``, all others stand under group ``all``.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from datetime import date
from functools import cached_property, wraps
from typing import Final, TypeVar

import numpy as np
import pandas as pd

from agreement.arrays import Floats, Ints, Objects
from agreement.stats.basics.bootstrap import Resampling
from agreement.stats.evidence import EarlierReport
from agreement.stats.limits.limits import FEW_FOR_REPORTS
from agreement.tables.options import StudyOptions
from agreement.terms import counted

# first word of a note in the results table, where a rule forbids the number
TOO_FEW: Final = "too_few"
NO_MARGIN: Final = "no_margin"
NO_SECOND_VISIT: Final = "no_second_visit"
NOT_ESTIMABLE: Final = "not_estimable"
LABORATORY_ERROR_TOO_LARGE: Final = "laboratory_error_too_large"
_CODES: Final = (TOO_FEW, "suppressed", NO_MARGIN, NO_SECOND_VISIT, NOT_ESTIMABLE)
NOTE_CODES: Final = (*_CODES, LABORATORY_ERROR_TOO_LARGE)

Answer = TypeVar("Answer")


def too_few_athletes(number: int) -> str:
    """
    Return that so many athletes are too few.

    >>> too_few_athletes(0), too_few_athletes(1), too_few_athletes(3)
    ('no athlete has one', '1 athlete is too few', '3 athletes are too few')
    """
    if not number:
        return "no athlete has one"
    return f"{counted(number, 'athlete')} {'is' if number == 1 else 'are'} too few"


class NotEstimable(ValueError):
    """
    An analysis that these data cannot give: why, and the code that begins its note in the table.

    What it needs is said, not how many there are: that stands beside, and of a part of the athletes it
    would tell an audit of a few.

    >>> NotEstimable("changes need at least 3 athletes; got 1.").sentence
    'changes need at least 3 athletes.'
    """

    def __init__(self, sentence: str, code: str = NOT_ESTIMABLE) -> None:
        self.code = code
        self.sentence = re.sub(r"; got \d+", "", sentence)
        super().__init__(self.sentence, code)

    def __str__(self) -> str:
        """Return the note of the results table."""
        return f"{self.code}: {self.sentence}"


def noted(problem: ValueError) -> str:
    """Return the note of a refusal, be it a library function's."""
    return str(problem if isinstance(problem, NotEstimable) else NotEstimable(str(problem)))


def require_enough(n: int) -> None:
    """Refuse limits of fewer athletes than a report shows them for: 10."""
    if n < FEW_FOR_REPORTS:
        raise NotEstimable(f"{too_few_athletes(n)}.", TOO_FEW)


@dataclass(frozen=True)
class MethodData:
    """
    The pairs of one method and mode, with what the analyses need beside them.

    Columns are arrays that all analyses share, taken out of the tables once: not to be changed.
    """

    method: str
    mode: str
    # columns `agreement.terms.PAIR_COLUMNS`, sorted by athlete_id, lab_test_id. For methods that
    # rest on heart rate without the athletes whose heart rate is limited by a drug.
    pairs: pd.DataFrame
    everyone: pd.DataFrame  # as `pairs`, nobody left out
    # columns of `Evidence.daily`, only days of units in `pairs`; sorted by athlete_id, lab_test_id,
    # date
    daily: pd.DataFrame
    # columns of `Evidence.repeats`, all laboratory tests in the modes of the paired tests
    repeats: pd.DataFrame
    options: StudyOptions
    heart_rate_based: bool
    resampling: Resampling  # one drawing of athletes for the rows of `pairs`
    first_lab_date: date | None = None
    next_door: dict[str, str] = dataclass_field(default_factory=dict)  # as in `Evidence`
    # coverage, splits: as in `Evidence`, only what belongs to `pairs`
    coverage: pd.DataFrame | None = None
    splits: pd.DataFrame | None = None
    # as in `Evidence`, only this method and mode, without the same people
    other_rules: dict[str, pd.DataFrame] = dataclass_field(default_factory=dict)
    earlier: EarlierReport | None = None  # as in `Evidence`
    control: pd.DataFrame | None = None  # as in `Evidence`
    asked: pd.DataFrame | None = None  # as in `Evidence`, only this method and mode
    averaging: pd.DataFrame | None = None  # as in `Evidence`, only the paired tests
    economy: pd.DataFrame | None = None  # `expected` of `Evidence`, only what belongs to `pairs`

    @cached_property
    def field(self) -> Floats:
        """Field values, one per pair. [mL/kg/min]."""
        return self.pairs["field"].to_numpy(dtype=np.float64)

    @cached_property
    def lab(self) -> Floats:
        """Laboratory values, one per pair. [mL/kg/min]."""
        return self.pairs["lab"].to_numpy(dtype=np.float64)

    @cached_property
    def difference(self) -> Floats:
        """Field minus laboratory, unrounded; round to `DECIMALS` before ranking. [mL/kg/min]."""
        return self.field - self.lab

    @property
    def athlete(self) -> Ints:
        """Code of the athlete of each pair, 0 ... n - 1."""
        return self.resampling.codes

    @cached_property
    def keys(self) -> Objects:
        """Athlete and laboratory test of each pair, as tuples."""
        return pair_keys(self.pairs)

    @cached_property
    def place(self) -> dict[tuple[str, str], int]:
        """Row of the pair of each athlete and laboratory test."""
        return {key: row for row, key in enumerate(self.keys)}

    @cached_property
    def day(self) -> Floats:
        """Day of the laboratory test of each pair, counted from the first of them."""
        dates = self.pairs["lab_date"].to_numpy(dtype="datetime64[D]")
        return np.asarray((dates - dates.min()).astype(np.float64)) if dates.size else np.empty(0)

    @cached_property
    def first_pairs(self) -> Ints:
        """Row of each athlete's first pair by the date of the laboratory test; ids do not matter."""
        order = np.argsort(self.day, kind="stable")
        return order[np.unique(self.athlete[order], return_index=True)[1]]

    def texts(self, name: str) -> Objects:
        """Return a column of texts of the pairs."""
        return self.pairs[name].to_numpy(dtype=object)

    @property
    def n(self) -> int:
        """Number of athletes."""
        return self.resampling.n_athletes

    @property
    def n_pairs(self) -> int:
        """Number of pairs."""
        return len(self.pairs)

    @property
    def clustered(self) -> bool:
        """Whether any athlete has two pairs or more."""
        return self.n_pairs > self.n

    @property
    def seed(self) -> int:
        """Seed of everything random."""
        return self.options.report.seed


def pair_keys(pairs: pd.DataFrame) -> Objects:
    """Return athlete and laboratory test of each pair, as tuples; nothing where tests have no id."""
    if "lab_test_id" not in pairs:
        return np.empty(0, dtype=object)
    keys = np.empty(len(pairs), dtype=object)
    keys[:] = list(zip(pairs["athlete_id"], pairs["lab_test_id"], strict=True))
    return keys


def once(compute: Callable[[MethodData], Answer]) -> Callable[[MethodData], Answer]:
    """Compute what several analyses ask of the same data a single time, until `forget`."""
    name = f"{compute.__module__}.{compute.__qualname__}"

    @wraps(compute)
    def kept(data: MethodData) -> Answer:
        known = data.__dict__.setdefault("known", {})
        if name not in known:
            known[name] = compute(data)
        found: Answer = known[name]
        return found

    return kept


def forget(data: MethodData) -> None:
    """Let go of what `once` kept, which may be large, when all analyses are done."""
    data.__dict__.pop("known", None)
