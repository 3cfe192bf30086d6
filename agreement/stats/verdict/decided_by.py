"""How many athletes, tested how often, would decide a verdict that is open; and how sure that is."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import nan
from typing import Final

from agreement.stats.basics.intervals import Interval
from agreement.stats.limits.limits_shown import AnyLimits
from agreement.stats.limits.net_of_laboratory import NetOfLaboratory
from agreement.stats.method_data import NOT_ESTIMABLE
from agreement.stats.result import Row
from agreement.stats.verdict.deciding import TESTS, Design, athletes_to_decide
from agreement.stats.verdict.yardsticks import ALPHA, TRUE_VALUE
from agreement.tables.options import Against, Margin

SPREAD_80: Final = "spread_80"  # low and high at the ends of the 80 % interval of the spread
_SPREAD_LEVEL: Final = 0.80
_NO_NUMBER: Final = f"{NOT_ESTIMABLE}: no number of athletes would do at this spread"


@dataclass(frozen=True, slots=True)
class Athletes:
    """Athletes needed at the spread seen, and at the ends of its 80 % interval; None: no number."""

    seen: int | None
    at_low: int | None
    at_high: int | None


@dataclass(frozen=True, slots=True)
class DecidedBy:
    """What would decide it, with power 0.80."""

    # for each number of laboratory tests per athlete; one only where the laboratory's own error is
    # unknown
    by_tests: dict[int, Athletes]
    spread: float  # standard deviation of the differences. [mL/kg/min]
    spread_interval: Interval  # 80 %
    # no number would do even at the lower end of what the spread and the bias can be
    hopeless: bool

    def rows(self, names: Sequence[str], *, n: int, n_pairs: int) -> list[Row]:
        """Return one row per number of tests; low and high are those of the spread."""
        rows = []
        for tests, name in zip(TESTS, names, strict=True):
            found = self.by_tests.get(tests)
            note = SPREAD_80
            if found is None:
                note = f"{NOT_ESTIMABLE}: the laboratory's own error is unknown"
            elif found.seen is None:
                note = f"{_NO_NUMBER}; {SPREAD_80}"
            ends = (nan, nan, nan) if found is None else _numbers(found)
            interval = Interval(*ends[1:]) if found and found.seen is not None else None
            rows.append(Row.of(name, ends[0], interval, n=n, n_pairs=n_pairs, note=note))
        return rows


def decided_by(
    limits: AnyLimits, own: NetOfLaboratory | None, agreed: Margin, against: Against
) -> DecidedBy | None:
    """
    Look for the numbers that would decide.

    own: None: the laboratory's own error is unknown; more tests per athlete cannot be priced then.
    against: {"laboratory test", "true value"}.
    Returns: None where the laboratory's own error would be needed and is unknown.
    """
    if agreed.limit is None or (own is None and against == TRUE_VALUE):
        return None
    level = 1.0 - ALPHA / agreed.planned_looks
    base = Design(
        limits.bias,
        0.0,
        None if own is None else own.laboratory.variance,
        0.0 if own is None else own.laboratory.df,
        agreed.limit,
        against,
        confidence_level=level,
    )
    noise = 0.0 if own is None else own.noise

    def needed(sd: float, tests: int, bias: float) -> int | None:
        variance = max(sd**2 - noise, 0.0)
        return athletes_to_decide(replace(base, own_variance=variance, bias=bias), tests)

    low, high = limits.sd_interval(_SPREAD_LEVEL)
    offered = TESTS if own is not None else TESTS[:1]
    by_tests = {
        tests: Athletes(*(needed(sd, tests, limits.bias) for sd in (limits.sd, low, high)))
        for tests in offered
    }
    hopeless = False
    if all(found.at_low is None for found in by_tests.values()):
        half = limits.bias_interval().high - limits.bias
        lowest, nearest = limits.sd_interval().low, max(abs(limits.bias) - half, 0.0)
        hopeless = all(needed(lowest, tests, nearest) is None for tests in offered)
    return DecidedBy(by_tests, limits.sd, Interval(low, high), hopeless)


def _numbers(found: Athletes) -> tuple[float, float, float]:
    seen, low, high = (
        nan if number is None else float(number)
        for number in (found.seen, found.at_low, found.at_high)
    )
    return seen, low, high
