"""Is the agreed limit met? The verdict of one method and mode, by both yardsticks."""

from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from importlib import import_module
from math import nan
from typing import Any, Final

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
from agreement.stats.record import recorded
from agreement.stats.repeats.laboratory_variance import (
    lab_tests_behind,
    laboratory_from,
    repeated_units,
)
from agreement.stats.result import Result, TableRows
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
IN_DOUBT = "in_doubt"
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
    in_doubt: bool = (
        False  # whether something could make it wrong: a yes or no says so wherever it goes
    )
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
            IN_DOUBT if self.in_doubt and self.outcome in _VALUE else "",
        ]
        return "; ".join(part for part in parts if part)

    def _rows(self) -> TableRows:
        nothing = NO_MARGIN if self.margin is None else NOT_ESTIMABLE
        if self.margin is not None and self.limits is None:
            nothing = TOO_FEW
        yield self.row("within_margin", _VALUE.get(self.outcome, nan), note=self.note)
        more, why = self.more_athletes, nothing
        if more is not None:
            why = ""
        elif nothing == NOT_ESTIMABLE:
            why = f"{NOT_ESTIMABLE}: no number of athletes up to {MOST_PLANNED} would do"
        yield self.row("more_athletes", nan if more is None else more, note=why)
        for name, found in (
            ("within_margin_laboratory_test", self.of_laboratory_test),
            ("within_margin_true_value", self.of_true_value),
        ):
            said = self if self.outcome == "withheld" else found
            note = nothing if found is None or said is None else said.outcome
            code = "" if found is None or said is None else said.code
            value = nan if found is None else _VALUE.get(note, nan)
            yield self.row(name, value, note=f"{note}; {code}" if code else note)
        sem = self.sem_that_would_do
        asked = f"{NOT_ESTIMABLE}: asked where an assumed laboratory error leaves it open"
        known = "" if not np.isnan(sem) else asked
        yield self.row("sem_needed", sem, note=NO_MARGIN if self.margin is None else known)
        if self.decided_by is None:
            yield from (self.row(name, nan, note=nothing) for name in _NEEDED)
        else:
            yield from self.decided_by.rows(_NEEDED, n=self.n, n_pairs=self.n_pairs)
        # what else the sentence says: the spread's 80 % interval, the limits at fitness
        spread = (nan, nan) if self.decided_by is None else self.decided_by.spread_interval
        fitness, ends = None if self.judgement is None else self.judgement.fitness, (nan, nan)
        if fitness is not None and self.margin is not None:
            ends = (fitness.at_low.worst(self.margin), fitness.at_high.worst(self.margin))
        for name, value in zip(_WORDS, (*spread, *ends), strict=True):
            yield self.row(name, value, note=nothing if np.isnan(value) else "")
        yield from self.counted.rows(self.n, self.n_pairs, nothing)

    def _finding(self) -> str:
        # the page's own sentence; pages come after statistics: loaded by name, and only when asked
        page: Any = import_module("agreement.report.sections.answer")
        return str(page.verdict_in_words(self))


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
    return judged_against(found, against_of(agreed), agreed).outcome


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
    known: dict[str, Any] = {"method": method, "mode": mode, "n": n, "n_pairs": n_pairs}
    known |= {"agreed": agreed, "first_lab_date": first_lab_date, "limits": None}
    if found is not None:
        known |= {"limits": found.limits, "own": found.own}
    if agreed.limit is None:
        return Verdict(outcome="no_margin", **known)
    against = against_of(agreed)
    judgement, net = None, against == TRUE_VALUE
    if found is not None:
        of_test, of_truth = (
            judged_against(found, each, agreed, implausible)
            for each in (LABORATORY_TEST, TRUE_VALUE)
        )
        judgement, limits, own = of_truth if net else of_test, found.limits, found.own
        known |= {"of_laboratory_test": of_test, "of_true_value": of_truth}
        known |= {"decided_by": decided_by(limits, own, agreed, against)}
        if limits.sd > 0.0:
            known["needed"] = athletes_needed(limits.bias, limits.sd, agreed.limit)
        elif abs(limits.bias) < agreed.limit:  # differences that do not vary at all
            known["needed"] = FEWEST_FOR_SD
        # left open by the intervals of its limits alone: what has another code, no error would do
        by_limits = of_truth.outcome == "undecided" and not of_truth.code
        if own is not None and by_limits and own.laboratory.assumed:
            known["sem_that_would_do"] = sem_needed(own, agreed.limit, looks=agreed.planned_looks)
    late = first_lab_date is not None and (agreed.agreed_on or date.max) > first_lab_date
    outcome: Outcome = "withheld"
    code = ""
    if agreed.agreed_on is None or late:
        pass  # it speaks for itself
    elif earlier is not None and earlier.against not in (None, against):
        code = AGAINST_CHANGED
    elif agreed.look > agreed.planned_looks:
        code = LOOKS_USED
    elif judgement is None:
        outcome, code = "undecided", TOO_FEW
    else:
        outcome, code = judgement.outcome, judgement.code
    if earlier is not None and earlier.against is not None and earlier.look == agreed.look:
        known["look_not_counted"] = n_pairs > earlier.pairs.get(f"{method}/{mode}", n_pairs)
    return Verdict(outcome=outcome, code=code, **known)


def judged_against(
    found: Material, against: Against, agreed: Margin, implausible: str = ""
) -> Judgement:
    """Say what one yardstick says of the agreed limit; `implausible`: why no verdict can be true."""
    if implausible:
        few = found.limits.n < FEW_FOR_REPORTS
        return Judgement(against, "undecided", TOO_FEW if few else implausible)
    looks, sure = agreed.planned_looks, agreed.fitness_confidence
    return judge(found, against, agreed.limit or nan, looks=looks, fitness_confidence=sure)


RECORD: Final = recorded("""
    verdict, place 30, whole, own section, any size: verdict on the agreed limit
    within_margin [1] .0: agreed limit met
      1 if both limits lie inside the limit agreed beforehand, by the agreed yardstick, 0 if not.
      = both limits inside the agreed one by their intervals, and for fit and less fit athletes |
      Carkeet 2015; Berger 1982
    more_athletes [1] .0 planned: athletes still needed
      How many more athletes would decide an open verdict against one laboratory test with power
      0.80.
      = power of both limits inside the agreed one, at the observed bias and spread | Lu 2016
    within_margin_laboratory_test [1] .0: agreed limit met, against one laboratory test
      1 if both limits of agreement lie inside the agreed limit, 0 if not.
      = as within_margin
    within_margin_true_value [1] .0: agreed limit met, against the true value
      1 if both own limits, net of the laboratory, lie inside the agreed limit, 0 if not.
      = both limits inside the agreed one by their intervals, and for fit and less fit athletes |
      Zou & Donner 2008; Berger 1982
    sem_needed .2: laboratory error that would do
      Smallest standard error of a laboratory test at which the own limits would pass.
      = the own limits at errors in steps of 0.05 | Zou & Donner 2008
    athletes_needed_1_test [1] .0 planned: athletes needed, one laboratory test each
      How many athletes would decide the verdict with power 0.80; low and high: at the ends of the
      80 % interval of the spread.
      = power of both limits inside the agreed one, by the agreed yardstick | Lu 2016
    athletes_needed_2_tests [1] .0 planned: athletes needed, two laboratory tests each
    athletes_needed_3_tests [1] .0 planned: athletes needed, three laboratory tests each
    spread_80_low: lower end of the spread (80 %)
      Lower end of the 80 % interval of the spread of differences.
      = chi-square interval, or MOVER where pairs repeat | Zou 2013
    spread_80_high: upper end of the spread (80 %)
      Upper end of the 80 % interval of the spread of differences.
    outer_end_less_fit: outer end of the limits for less fit athletes
      How far a limit may reach for athletes at the 10th centile of fitness.
      = lines of the difference and of its spread on the mean of both | Bland & Altman 1999
    outer_end_fit: outer end of the limits for fit athletes
      How far a limit may reach for athletes at the 90th centile of fitness.
    p_acceptable [p]: p of limits beyond the agreed one
      How often limits that reach beyond the agreed one would look as far inside as these.
      = level at which the outer end of the worse limit meets the agreed one | Carkeet 2015
    acceptable_counted [1] .0: agreed limit met, all methods counted
      1 if the verdict stays acceptable when every method judged in the study is counted.
      = p of every method, corrected step by step | Holm 1979
    """).by(verdict_of)
