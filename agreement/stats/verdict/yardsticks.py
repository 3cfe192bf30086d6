"""Both yardsticks of a verdict: does the field value agree with a laboratory test, or with the truth."""

from dataclasses import dataclass, replace
from math import floor, nan, sqrt
from typing import Final, Literal

from agreement.arrays import Floats
from agreement.stats.basics.intervals import Interval, z_of
from agreement.stats.limits.limits import FEW_FOR_REPORTS
from agreement.stats.limits.limits_shown import AnyLimits
from agreement.stats.limits.net_of_laboratory import NetOfLaboratory
from agreement.stats.lines.structural import StructuralSlope
from agreement.stats.method_data import LABORATORY_ERROR_TOO_LARGE, TOO_FEW
from agreement.stats.verdict.at_fitness import AtFitness, Ends, limits_at_fitness, two_piece_limits
from agreement.tables.options import Against

Outcome = Literal["acceptable", "not acceptable", "undecided", "withheld", "no_margin"]
End = Literal["low", "high"]

LABORATORY_TEST: Final[Against] = "laboratory test"
TRUE_VALUE: Final[Against] = "true value"
YARDSTICK_WORDS: Final[dict[Against, str]] = {
    LABORATORY_TEST: "one laboratory test",
    TRUE_VALUE: "the athlete's true value",
}
MARGIN_BELOW_LABORATORY: Final = "margin_below_laboratory"
SKEWED: Final = "skewed"
DEPENDS_ON_FITNESS: Final = "depends_on_fitness"
LABORATORY_ERROR_UNKNOWN: Final = "laboratory_error_unknown"
ALPHA: Final = 0.05  # of all planned looks together, both sides
SEM_STEP: Final = 0.05  # in which the laboratory error that would do is looked for


@dataclass(frozen=True, slots=True)
class Material:
    """What a verdict is taken from."""

    limits: AnyLimits  # of field against laboratory
    own: NetOfLaboratory | None  # None where the laboratory's own error is unknown
    slope: StructuralSlope | None  # None where it cannot be told
    # field, lab: shape (n,). The first pair of each athlete. [mL/kg/min]
    field: Floats
    lab: Floats


@dataclass(frozen=True, slots=True)
class Judgement:
    """What one yardstick says."""

    against: Against  # {"laboratory test", "true value"}
    outcome: Outcome
    code: str = ""  # why it is undecided; empty if nothing special
    # lower, upper: intervals of both limits, at the level of the verdict
    lower: Interval | None = None
    upper: Interval | None = None
    failing: tuple[End, ...] = ()  # where fitness keeps it open: less fit and fit
    # limits for less fit and fit athletes, where they were looked at
    fitness: AtFitness | None = None


def judge(
    material: Material,
    against: Against,
    margin: float,
    *,
    looks: int = 1,
    fitness_confidence: float = 0.80,
) -> Judgement:
    """
    Judge limits against a margin.

    against: {"laboratory test", "true value"}.
    margin: [mL/kg/min]
    looks: planned; each may err with the share .05/looks.
    fitness_confidence: with which limits must hold for less fit and fit athletes.

    Acceptable only if the outer ends of both limits lie inside the margin [1]_, the spread on either
    side of the median passes where differences are lopsided, and so do the limits for less fit and
    fit athletes. Splitting the error over planned looks holds for any spacing of them [2]_.

    .. [1] Berger RL. Multiparameter hypothesis testing and acceptance sampling. Technometrics
       1982;24:295-300 (memory): two limits, each at its own level.
    .. [2] Pocock SJ. Group sequential methods in the design and analysis of clinical trials.
       Biometrika 1977;64:191-199 (memory).
    """
    own, level = material.own, 1.0 - ALPHA / looks
    net = against == TRUE_VALUE
    few = material.limits.n < FEW_FOR_REPORTS
    if net and own is None:
        return Judgement(against, "undecided", TOO_FEW if few else LABORATORY_ERROR_UNKNOWN)
    limits = own if net and own is not None else material.limits
    lower, upper = limits.lower_interval(level), limits.upper_interval(level)
    if net and own is not None and own.variance_interval(level).high <= 0.0:
        return Judgement(against, "undecided", LABORATORY_ERROR_TOO_LARGE, lower, upper)
    if few:
        return Judgement(against, "undecided", TOO_FEW, lower, upper)
    if _outside(lower, upper, margin):
        # whether an error-free field value would fail, and the field's own error is not at fault
        if not net and own is not None and z_of(own.coverage) * sqrt(own.noise) >= margin:
            ends = own.lower_interval(level), own.upper_interval(level)
            if not _outside(*ends, margin):
                return Judgement(against, "undecided", MARGIN_BELOW_LABORATORY, lower, upper)
        return Judgement(against, "not acceptable", "", lower, upper)
    if lower.low < -margin or upper.high > margin:
        return Judgement(against, "undecided", "", lower, upper)
    noise = own.noise if net and own is not None else 0.0
    field, lab = material.field, material.lab
    pieces = two_piece_limits(field - lab, noise=noise, confidence_level=level)
    if pieces.lopsided and not pieces.within(margin):
        return Judgement(against, "undecided", SKEWED, lower, upper)
    how = {"confidence": fitness_confidence, "noise": noise}
    fitness = limits_at_fitness(field, lab, **how, slope=material.slope if net else None, net=net)
    ends_at: tuple[tuple[End, Ends], ...] = ()
    if fitness is not None:
        ends_at = (("low", fitness.at_low), ("high", fitness.at_high))
    failing = tuple(end for end, at in ends_at if not at.within(margin))
    outcome: Outcome = "undecided" if failing else "acceptable"
    code = DEPENDS_ON_FITNESS if failing else ""
    return Judgement(against, outcome, code, lower, upper, failing, fitness)


def sem_needed(own: NetOfLaboratory, margin: float, *, looks: int = 1) -> float:
    """
    Smallest standard error of a laboratory test at which the own limits pass. [mL/kg/min].

    In steps of 0.05, up to the one that explains all differences; NaN where none does.
    """
    level = 1.0 - ALPHA / looks
    most = sqrt(own.spread / own.noise_share)
    for step in range(floor(most / SEM_STEP + 1e-9) + 1):
        sem = round(step * SEM_STEP, 2)
        tried = replace(own, laboratory=replace(own.laboratory, variance=sem**2))
        if tried.lower_interval(level).low < -margin:
            continue
        if tried.upper_interval(level).high <= margin:
            return sem
    return nan


def _outside(lower: Interval, upper: Interval, margin: float) -> bool:
    """Whether the interval of one limit lies wholly outside the margin."""
    return any(interval.high < -margin or interval.low > margin for interval in (lower, upper))
