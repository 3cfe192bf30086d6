"""Is the agreed limit met? The verdict of one method and mode, by both yardsticks."""

from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from importlib import import_module
from math import nan
from typing import Any

import numpy as np
import pandas as pd

from agreement.stats.evidence import EarlierReport
from agreement.stats.limits.limits import FEW_FOR_REPORTS, FEWEST_FOR_SD, limits_by_athlete
from agreement.stats.limits.limits_shown import AnyLimits
from agreement.stats.limits.net_of_laboratory import (
    NetOfLaboratory,
    net_of_laboratory,
    net_of_laboratory_of,
)
from agreement.stats.lines.structural import structural_of, structural_slope
from agreement.stats.method_data import NO_MARGIN, NOT_ESTIMABLE, TOO_FEW, MethodData, NotEstimable
from agreement.stats.repeats.laboratory_variance import (
    lab_tests_behind,
    laboratory_from,
    repeated_units,
)
from agreement.stats.result import Result, Row, TableRows
from agreement.stats.verdict.counted import Counted
from agreement.stats.verdict.deciding import DecidedBy, decided_by
from agreement.stats.verdict.planning_power import MOST_PLANNED, athletes_needed
from agreement.stats.verdict.plausible import implausible
from agreement.stats.verdict.yardsticks import (
    LABORATORY_TEST,
    TRUE_VALUE,
    End,
    Judgement,
    Material,
    Outcome,
    judge,
    sem_needed,
)
from agreement.tables.options import Against, Margin

AGAINST_NOT_STATED = "against_not_stated"
AGAINST_CHANGED = "against_changed"
LOOKS_USED = "looks_used"
LOOK_NOT_COUNTED = "look_not_counted"
_NEEDED = ("athletes_needed_1_test", "athletes_needed_2_tests", "athletes_needed_3_tests")
_WORDS = ("spread_80_low", "spread_80_high", "outer_end_less_fit", "outer_end_fit")
_VALUE = {"acceptable": 1.0, "not acceptable": 0.0}


@dataclass(frozen=True, kw_only=True)
class Verdict(Result):
    """Whether both limits lie inside the margin agreed beforehand."""

    outcome: Outcome  # "acceptable", "not acceptable", "undecided", "withheld" or "no_margin"
    code: str = ""  # why it is undecided or withheld; empty if nothing special
    method: str
    mode: str
    # n, n_pairs: athletes and pairs
    n: int
    n_pairs: int
    limits: AnyLimits | None  # of field against laboratory; None below 3 athletes
    # about the true value; None where the laboratory's own error is unknown
    own: NetOfLaboratory | None = None
    agreed: Margin = field(default_factory=Margin)  # what was agreed beforehand
    # of_laboratory_test, of_true_value: what each yardstick says; None without limits or margin
    of_laboratory_test: Judgement | None = None
    of_true_value: Judgement | None = None
    # smallest total number of athletes with power 0.80 at the observed bias and spread
    needed: int | None = None
    # athletes, and laboratory tests of each, that would decide it
    decided_by: DecidedBy | None = None
    # smallest laboratory error at which the own limits pass; NaN: none, or not asked. [mL/kg/min]
    sem_that_would_do: float = nan
    first_lab_date: date | None = None  # why a verdict is withheld
    # whether pairs were added since the earlier report without counting a look
    look_not_counted: bool = False
    # the same with all methods of the study counted, and beside a constant
    counted: Counted = field(default_factory=Counted)

    @property
    def margin(self) -> float | None:
        """The limit agreed beforehand. [mL/kg/min]."""
        return self.agreed.limit

    @property
    def against(self) -> Against:
        """The yardstick of the verdict."""
        return against_of(self.agreed)

    @property
    def judgement(self) -> Judgement | None:
        """What the agreed yardstick says."""
        return self.of_true_value if self.against == TRUE_VALUE else self.of_laboratory_test

    @property
    def other_judgement(self) -> Judgement | None:
        """What the other yardstick says; never the verdict."""
        return self.of_laboratory_test if self.against == TRUE_VALUE else self.of_true_value

    @property
    def failing_ends(self) -> tuple[End, ...]:
        """Where fitness keeps the verdict open: "low" for less fit, "high" for fit athletes."""
        return () if self.judgement is None else self.judgement.failing

    @property
    def too_few(self) -> bool:
        """Whether there are too few athletes for limits."""
        return self.n < FEW_FOR_REPORTS

    @property
    def more_athletes(self) -> int | None:
        """Athletes still missing; 0 when the study is large enough."""
        return None if self.needed is None else max(0, self.needed - self.n)

    @cached_property
    def note(self) -> str:
        """The outcome, the code if there is one, the yardstick, then what else to know."""
        if self.outcome == "no_margin":
            return self.outcome
        repeats = "" if self.limits is None or self.too_few else self.limits.note
        assumed = self.own is not None and self.own.laboratory.assumed
        parts = [
            self.outcome,
            self.code,
            self.against,
            AGAINST_NOT_STATED if self.agreed.against is None else "",
            repeats,
            "assumed" if assumed and self.against == TRUE_VALUE else "",
            LOOK_NOT_COUNTED if self.look_not_counted else "",
        ]
        return "; ".join(part for part in parts if part)

    def _rows(self) -> TableRows:
        more = np.nan if self.more_athletes is None else float(self.more_athletes)
        value = _VALUE.get(self.outcome, np.nan)
        return [
            self.row("within_margin", value, note=self.note),
            self.row("more_athletes", more, note=self._more_note()),
            self._of_yardstick("laboratory_test", self.of_laboratory_test),
            self._of_yardstick("true_value", self.of_true_value),
            self._sem_row(),
            *self._needed_rows(),
            *self._words_rows(),
            *self.counted.rows(self.n, self.n_pairs, self._nothing),
        ]

    def _finding(self) -> str:
        # the page's own sentence; pages come after statistics: loaded by name, and only when asked
        page: Any = import_module("agreement.report.sections.answer")
        return str(page.verdict_in_words(self))

    def _of_yardstick(self, name: str, found: Judgement | None) -> Row:
        statistic = f"within_margin_{name}"
        if found is None:
            return self.row(statistic, np.nan, note=self._nothing)
        withheld = self.outcome == "withheld"
        outcome = "withheld" if withheld else found.outcome
        code = self.code if withheld else found.code
        note = f"{outcome}; {code}" if code else outcome
        return self.row(statistic, _VALUE.get(outcome, np.nan), note=note)

    def _sem_row(self) -> Row:
        known = not np.isnan(self.sem_that_would_do)
        asked = f"{NOT_ESTIMABLE}: asked where an assumed laboratory error leaves it open"
        note = NO_MARGIN if self.margin is None else ("" if known else asked)
        return self.row("sem_needed", self.sem_that_would_do, note=note)

    def _needed_rows(self) -> list[Row]:
        if self.decided_by is None:
            return [self.row(name, np.nan, note=self._nothing) for name in _NEEDED]
        return self.decided_by.rows(_NEEDED, n=self.n, n_pairs=self.n_pairs)

    def _words_rows(self) -> list[Row]:
        """Return what else the sentence says: the spread's 80 % interval, the limits at fitness."""
        found, fitness = self.decided_by, None if self.judgement is None else self.judgement.fitness
        low, high = (nan, nan) if found is None else found.spread_interval
        less_fit, fit = (nan, nan)
        if fitness is not None and self.margin is not None:
            less_fit, fit = (end.worst(self.margin) for end in (fitness.at_low, fitness.at_high))
        values = (low, high, less_fit, fit)
        return [
            self.row(name, value, note=self._nothing if np.isnan(value) else "")
            for name, value in zip(_WORDS, values, strict=True)
        ]

    @property
    def _nothing(self) -> str:
        """Why there is no number."""
        if self.margin is None:
            return NO_MARGIN
        return TOO_FEW if self.limits is None else NOT_ESTIMABLE

    def _more_note(self) -> str:
        if self.margin is None:
            return NO_MARGIN
        if self.limits is None:
            return TOO_FEW
        if self.needed is not None:
            return ""
        return f"{NOT_ESTIMABLE}: no number of athletes up to {MOST_PLANNED} would do"


def against_of(agreed: Margin) -> Against:
    """Return the yardstick in force: as agreed, else a laboratory test, which assumes nothing."""
    return agreed.against or LABORATORY_TEST


def verdict_of(data: MethodData) -> Verdict:
    """
    Judge one method and mode against the margin of the study.

    See `agreement.stats.verdict.yardsticks.judge` for the rule.
    """
    found = None
    if data.n >= FEWEST_FOR_SD:
        found = material_of(data, limits_by_athlete(data.difference, data.athlete))
    return judged(
        (data.method, data.mode, data.n, data.n_pairs),
        found,
        data.options.margin,
        data.first_lab_date,
        implausible=implausible(data),
        earlier=data.earlier,
    )


def outcome_without(data: MethodData, *who: int) -> Outcome:
    """Return what the agreed yardstick says of all pairs and laboratory tests but some athletes'."""
    agreed, rest = data.options.margin, ~np.isin(data.athlete, who)
    field, lab = data.field[rest], data.lab[rest]
    athlete = np.unique(data.athlete[rest], return_inverse=True)[1]
    first = data.first_pairs[rest[data.first_pairs]]
    behind, (unit, _) = lab_tests_behind(data)[rest], repeated_units(data)
    names = data.pairs["athlete_id"][~rest]
    others = ~data.repeats["athlete_id"].isin(names).to_numpy(dtype=bool)
    tests = data.repeats["lab"].to_numpy(dtype=np.float64)[others], pd.factorize(unit[others])[0]
    own = slope = None
    try:
        laboratory = laboratory_from(*tests, data.options.reference)
        own = net_of_laboratory(field - lab, athlete, laboratory, tests_behind=behind)
        slope = structural_slope(field, lab, laboratory, athlete=athlete, noise_shares=1.0 / behind)
    except ValueError:
        pass  # as in `material_of`
    limits = limits_by_athlete(field - lab, athlete)
    found = Material(limits, own, slope, data.field[first], data.lab[first])
    return _judge(found, against_of(agreed), agreed, "").outcome


def material_of(data: MethodData, limits: AnyLimits) -> Material:
    """Collect what a verdict on these limits is taken from."""
    own = slope = None
    try:
        own = net_of_laboratory_of(data)
        slope = structural_of(data)
    except NotEstimable:
        pass  # the laboratory's error is unknown, or the slope cannot be told
    first = data.first_pairs
    return Material(limits, own, slope, data.field[first], data.lab[first])


def judged(
    sizes: tuple[str, str, int, int],
    found: Material | None,
    agreed: Margin,
    first_lab_date: date | None,
    *,
    implausible: str = "",
    earlier: EarlierReport | None = None,
) -> Verdict:
    """
    Judge what was found against a margin.

    found: None below 3 athletes.
    implausible: code of why no verdict can be true, whatever the limits.
    earlier: the report that this one replaces.
    """
    method, mode, n, n_pairs = sizes
    limits = None if found is None else found.limits
    known: dict[str, Any] = {
        "method": method,
        "mode": mode,
        "n": n,
        "n_pairs": n_pairs,
        "limits": limits,
    }
    known |= {"agreed": agreed, "first_lab_date": first_lab_date}
    if found is not None:
        known["own"] = found.own
    if agreed.limit is None:
        return Verdict(outcome="no_margin", **known)
    against = against_of(agreed)
    if found is not None:
        of_test, of_truth = (
            _judge(found, each, agreed, implausible) for each in (LABORATORY_TEST, TRUE_VALUE)
        )
        known |= {"of_laboratory_test": of_test, "of_true_value": of_truth}
        known |= {"needed": _needed(found.limits, agreed.limit)}
        known |= {"decided_by": decided_by(found.limits, found.own, agreed, against)}
        if found.own is not None and of_truth.outcome == "undecided" and not implausible:
            known["sem_that_would_do"] = _sem(found.own, agreed.limit, agreed.planned_looks)
    outcome, code = _outcome(known, against, agreed, first_lab_date, earlier)
    if earlier is not None:
        known["look_not_counted"] = earlier.grew_unseen(method, mode, n_pairs, agreed.look)
    return Verdict(outcome=outcome, code=code, **known)


def _outcome(
    known: dict[str, object],
    against: Against,
    agreed: Margin,
    first_lab_date: date | None,
    earlier: EarlierReport | None,
) -> tuple[Outcome, str]:
    if agreed.agreed_on is None or (
        first_lab_date is not None and agreed.agreed_on > first_lab_date
    ):
        return "withheld", ""
    if earlier is not None and earlier.against not in (None, against):
        return "withheld", AGAINST_CHANGED
    if agreed.look > agreed.planned_looks:
        return "withheld", LOOKS_USED
    found = known.get("of_true_value" if against == TRUE_VALUE else "of_laboratory_test")
    if not isinstance(found, Judgement):
        return "undecided", TOO_FEW
    return found.outcome, found.code


def _judge(found: Material, against: Against, agreed: Margin, implausible: str) -> Judgement:
    if implausible:
        few = found.limits.n < FEW_FOR_REPORTS
        return Judgement(against, "undecided", TOO_FEW if few else implausible)
    return judge(
        found,
        against,
        agreed.limit or nan,
        looks=agreed.planned_looks,
        fitness_confidence=agreed.fitness_confidence,
    )


def _sem(own: NetOfLaboratory, margin: float, looks: int) -> float:
    """Return the laboratory error that would do, where the one in force was not measured."""
    if not own.laboratory.assumed or own.n < FEW_FOR_REPORTS:
        return nan
    return sem_needed(own, margin, looks=looks)


def _needed(limits: AnyLimits, margin: float) -> int | None:
    if limits.sd > 0.0:
        return athletes_needed(limits.bias, limits.sd, margin)
    return (
        FEWEST_FOR_SD if abs(limits.bias) < margin else None
    )  # differences that do not vary at all
