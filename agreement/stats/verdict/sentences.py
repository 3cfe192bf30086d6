"""The verdict in plain words; the one place where its sentences are made."""

from math import isnan, sqrt
from typing import TYPE_CHECKING, Final

from agreement.stats.basics.intervals import z_of
from agreement.stats.limits.limits_shown import reading
from agreement.stats.method_data import LABORATORY_ERROR_TOO_LARGE
from agreement.stats.verdict.deciding import DecidedBy
from agreement.stats.verdict.plausible import COPIED_SERIES, FIELD_EQUALS_LABORATORY, NO_MAXIMUM
from agreement.stats.verdict.yardsticks import (
    DEPENDS_ON_FITNESS,
    LABORATORY_ERROR_UNKNOWN,
    MARGIN_BELOW_LABORATORY,
    SKEWED,
    TRUE_VALUE,
    tests_to_average,
)
from agreement.tables.options import Against
from agreement.terms import UNIT, counted

if TYPE_CHECKING:
    from agreement.stats.verdict.verdict import Verdict

PRACTICAL: Final = 1000  # athletes; so far out the number itself is a guess
YARDSTICK: Final[dict[Against, str]] = {
    "laboratory test": "one laboratory test",
    "true value": "the athlete's true value",
}
_FIT: Final = {"low": "less fit", "high": "fit"}
_BY_THE_OTHER: Final = {
    "acceptable": "would be met",
    "not acceptable": "would not be met",
    "undecided": "would be open",
}
_UNDECIDED: Final = {
    NO_MAXIMUM: (
        "not one laboratory test was confirmed as maximal, so there is no VO2max to compare with"
    ),
    FIELD_EQUALS_LABORATORY: (
        "field values equal the laboratory's to the digit too often to be measured apart from it"
    ),
    COPIED_SERIES: "the same series of values stands under two athletes",
    LABORATORY_ERROR_UNKNOWN: (
        "the laboratory's own error is unknown, so nothing can be said of the true value; test some "
        "athletes twice within days"
    ),
    LABORATORY_ERROR_TOO_LARGE: (
        "the laboratory's error taken for it is larger than these differences allow"
    ),
    SKEWED: "the differences are lopsided, and on one side they may reach beyond it",
}


def verdict_sentence(verdict: "Verdict") -> str:
    """
    Say the verdict: bias, what to expect for one athlete, the agreed limit by both yardsticks.

    Limits are said only from 10 athletes on.
    """
    start = f"In {counted(verdict.n, 'athlete')} the estimate '{verdict.method}' ({verdict.mode})"
    if verdict.limits is None:
        return f"{start} was compared with the laboratory: too few for any statement."
    bias = f"{start} reads {reading(verdict.limits.bias)} on average"
    if verdict.too_few:
        return f"{bias}; {verdict.n} athletes are too few to say what to expect for one of them."
    parts = [f"{bias}; {expected(verdict)}; {judgement_said(verdict)}."]
    said = (other_said(verdict), look_said(verdict), counted_said(verdict), apart_said(verdict))
    parts += [text for text in said if text]
    return " ".join(parts)


def expected(verdict: "Verdict") -> str:
    """Say how far a field value lies from a laboratory test, and from the athlete's true value."""
    limits, own = verdict.limits, verdict.own
    if limits is None:
        return ""
    low, high = reading(limits.lower, ""), reading(limits.upper, "")
    said = f"for one athlete expect it between {low} and {high} of one laboratory test"
    if own is None or own.contradiction:
        return said
    low, high = reading(own.lower, ""), reading(own.upper, "")
    assumed = ", the laboratory's error assumed" if own.laboratory.assumed else ""
    return f"{said}, and between {low} and {high} of the true value{assumed}"


def judgement_said(verdict: "Verdict") -> str:
    """Say whether the agreed limit is met, or why that cannot be said."""
    if verdict.margin is None:
        return "no limit was agreed beforehand, so there is no verdict"
    agreed = f"the agreed limit of {verdict.margin:g} {UNIT} against {YARDSTICK[verdict.against]}"
    if verdict.outcome == "acceptable":
        return f"{agreed} is met{_for_whom(verdict)}{_if_assumed(verdict)}"
    if verdict.outcome == "not acceptable":
        return f"{agreed} is not met{_if_assumed(verdict)}"
    if verdict.outcome == "withheld":
        return f"a verdict on {agreed} is withheld: {_why_withheld(verdict)}"
    return f"whether {agreed} is met is undecided: {why_undecided(verdict)}"


def why_undecided(verdict: "Verdict") -> str:
    """Say what keeps the verdict open, and what would decide it."""
    if verdict.code == MARGIN_BELOW_LABORATORY:
        return _below_laboratory(verdict)
    if verdict.code == DEPENDS_ON_FITNESS:
        return _fitness_said(verdict)
    if verdict.code in _UNDECIDED:
        return _UNDECIDED[verdict.code]
    said = what_would_decide(verdict)
    if not isnan(verdict.sem_that_would_do) and verdict.against == TRUE_VALUE:
        sem = f"acceptable only if the laboratory's SEM is {verdict.sem_that_would_do:.2f} or more"
        return f"{sem}; {said}"
    return said


def what_would_decide(verdict: "Verdict") -> str:
    """Say how many athletes, with how many laboratory tests each, would decide the verdict."""
    found = verdict.decided_by
    if found is None:
        return "what would decide it cannot be told without the laboratory's own error"
    if found.hopeless:
        return "no number of athletes would show that it is"
    known = "the spread is known only to {:.1f}-{:.1f} (80 %)".format(*found.spread_interval)
    numbers = _numbers_said(found)
    if not numbers:
        at_low = _at_low(found)
        beyond = "at the spread seen the limits lie on or beyond the margin"
        if not at_low:
            return f"{beyond}, and {known}"
        return f"{beyond}; if it is truly {found.spread_interval.low:.1f}, {at_low} would decide it"
    return f"at the spread seen about {numbers} would decide it; {known}: {_at_ends(found)}"


def other_said(verdict: "Verdict") -> str:
    """Say what the other yardstick gives; it is not the verdict."""
    other = verdict.other_judgement
    if other is None or verdict.outcome in ("withheld", "no_margin"):
        return ""
    unknown = other.code in (LABORATORY_ERROR_UNKNOWN, NO_MAXIMUM, FIELD_EQUALS_LABORATORY)
    if unknown or other.code == COPIED_SERIES:
        return ""
    return f"Against {YARDSTICK[other.against]} it {_BY_THE_OTHER[other.outcome]}."


def look_said(verdict: "Verdict") -> str:
    """Say which look this is, where several were planned; looks made elsewhere cannot be seen."""
    agreed = verdict.agreed
    said = ""
    if agreed.planned_looks > 1 and verdict.outcome not in ("no_margin", "withheld"):
        said = f"Look {agreed.look} of {agreed.planned_looks}, as stated."
    if verdict.look_not_counted:
        more = "Pairs were added since the report before, and the look was not counted."
        said = f"{said} {more}".strip()
    return said


def counted_said(verdict: "Verdict") -> str:
    """Say that an acceptable verdict does not stand once every method judged is counted."""
    found = verdict.counted
    if verdict.outcome != "acceptable" or found.acceptable is not False:
        return ""
    return (
        f"With all {found.methods} methods of this study counted it is not shown: one of so many "
        "may pass by chance."
    )


def apart_said(verdict: "Verdict") -> str:
    """Say what one number for everybody would have done, where that is as good."""
    found = verdict.counted
    if verdict.outcome == "acceptable" and found.constant_passes:
        return (
            "In this squad the same number for everybody would meet the limit: it cannot show that "
            "the method tells athletes apart."
        )
    if found.flat:
        return "The method was not shown to tell athletes apart."
    if found.tells_apart is False:
        return "The method was not shown to be closer than the same number for everybody."
    return ""


def several_judged(number: int) -> str:
    """
    Say what judging several methods costs.

    >>> several_judged(5)
    '5 methods were judged: a false acceptance somewhere in up to 12.5 % of such studies.'
    """
    return (
        f"{number} methods were judged: a false acceptance somewhere in up to {2.5 * number:g} % of "
        "such studies."
    )


def _for_whom(verdict: "Verdict") -> str:
    fitness = None if verdict.judgement is None else verdict.judgement.fitness
    if fitness is None:
        return ""
    return f" for athletes between {fitness.low:.0f} and {fitness.high:.0f} {UNIT}"


def _if_assumed(verdict: "Verdict") -> str:
    own = verdict.own
    if verdict.against != TRUE_VALUE or own is None or not own.laboratory.assumed:
        return ""
    return f", if the laboratory's SEM is {own.laboratory.sd:.1f}, which was not measured here"


def _below_laboratory(verdict: "Verdict") -> str:
    own, margin = verdict.own, verdict.margin
    if own is None or margin is None:
        return ""
    apart = z_of(own.coverage) * sqrt(2.0 * own.laboratory.variance)
    return (
        "this margin is narrower than the laboratory agrees with itself: two of its own tests differ "
        f"by up to {apart:.1f}, and even an error-free field value would miss it; judge against the "
        f"true value, or average {tests_to_average(own, margin)} tests or more"
    )


def _fitness_said(verdict: "Verdict") -> str:
    found = verdict.judgement
    if found is None or found.fitness is None:
        return ""
    ends = {"low": found.fitness.at_low, "high": found.fitness.at_high}
    margin = verdict.margin or 0.0
    said = [
        f"for {_FIT[end]} athletes they may reach {reading(ends[end].worst(margin), '')}"
        for end in found.failing
    ]
    return f"the limits hold on the whole, but {' and '.join(said)}"


def _why_withheld(verdict: "Verdict") -> str:
    if verdict.code == "against_changed":
        return (
            "the report before judged against another yardstick, and what a limit is about is "
            "agreed together with it"
        )
    if verdict.code == "looks_used":
        planned = counted(verdict.agreed.planned_looks, "planned look")
        return f"{planned} {'was' if verdict.agreed.planned_looks == 1 else 'were'} used"
    if verdict.agreed_on is None:
        return "it carries no date"
    first = verdict.first_lab_date.isoformat() if verdict.first_lab_date else "the study"
    return f"it was agreed on {verdict.agreed_on.isoformat()}, after the first laboratory test of {first}"


def _each(tests: int) -> str:
    return {1: "one test each", 2: "two tests each", 3: "three tests each"}[tests]


def _numbers_said(found: DecidedBy) -> str:
    """Say the athletes needed at the spread seen, for the two smallest numbers of tests that do."""
    known = [(tests, one.seen) for tests, one in found.by_tests.items() if one.seen is not None]
    return " or ".join(
        f"{_said(number)}{'' if place else ' athletes'} with {_each(tests)}"
        for place, (tests, number) in enumerate(known[:2])
    )


def _at_low(found: DecidedBy) -> str:
    for tests, one in found.by_tests.items():
        if one.at_low is not None:
            return f"about {_said(one.at_low)} athletes with {_each(tests)}"
    return ""


def _at_ends(found: DecidedBy) -> str:
    tests, one = next((k, each) for k, each in found.by_tests.items() if each.seen is not None)
    return f"{_said(one.at_low)} to {_said(one.at_high)} with {_each(tests)}"


def _said(athletes: int | None) -> str:
    if athletes is None:
        return "no number"
    return str(athletes) if athletes <= PRACTICAL else f"more than {PRACTICAL}"
