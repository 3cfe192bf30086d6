"""What would decide a verdict: how many athletes, tested how often; and how sure that is."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import hypot, isinf, isnan, nan, sqrt
from typing import Any, Final, NamedTuple

from scipy import special

from agreement.stats.basics.intervals import Interval, z_of
from agreement.stats.limits.limits_shown import AnyLimits
from agreement.stats.limits.net_of_laboratory import NetOfLaboratory
from agreement.stats.method_data import NOT_ESTIMABLE
from agreement.stats.result import Row
from agreement.stats.verdict.planning_power import athletes_needed, smallest_number
from agreement.stats.verdict.yardsticks import ALPHA, TRUE_VALUE
from agreement.stats.who_counts import FEWEST_JUDGED
from agreement.tables.options import Against, Margin

SPREAD_80: Final = "spread_80"  # low and high at the ends of the 80 % interval of the spread
_SPREAD_LEVEL: Final = 0.80
LARGEST: Final = 2000  # athletes; a study of this kind is never larger
TESTS: Final = (1, 2, 3)  # laboratory tests per athlete that are offered
_NO_NUMBER: Final = f"{NOT_ESTIMABLE}: no number of athletes would do at this spread"


class AthletesNeeded(NamedTuple):
    """Athletes needed at the spread seen, and at the ends of its 80 % interval; None: no number."""

    seen: int | None
    at_low: int | None
    at_high: int | None


@dataclass(frozen=True, slots=True)
class DecidedBy:
    """What would decide it, with power 0.80."""

    # for each number of laboratory tests per athlete; one only where the laboratory's own error is
    # unknown
    by_tests: dict[int, AthletesNeeded]
    spread_interval: Interval  # of the standard deviation of the differences, 80 %. [mL/kg/min]

    def rows(self, names: Sequence[str], *, n: int, n_pairs: int) -> list[Row]:
        """Return one row per number of tests; low and high are those of the spread."""
        rows = []
        for tests, name in zip(TESTS, names, strict=True):
            found, note = self.by_tests.get(tests), SPREAD_80
            if found is None:
                note = f"{NOT_ESTIMABLE}: the laboratory's own error is unknown"
            elif found.seen is None:
                note = f"{_NO_NUMBER}; {SPREAD_80}"
            value, *ends = (nan if one is None else float(one) for one in found or (None,) * 3)
            interval = None if isnan(value) else Interval(*ends)
            rows.append(Row.of(name, value, interval, n=n, n_pairs=n_pairs, note=note))
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
    variance = None if own is None else own.laboratory.variance
    df = 0.0 if own is None else own.laboratory.df
    base = Design(limits.bias, 0.0, variance, df, agreed.limit, against, confidence_level=level)
    noise = 0.0 if own is None else own.noise

    def needed(sd: float, tests: int) -> int | None:
        return athletes_to_decide(replace(base, own_variance=max(sd**2 - noise, 0.0)), tests)

    low, high = limits.sd_interval(_SPREAD_LEVEL)
    offered = TESTS if own is not None else TESTS[:1]
    by_tests = {
        tests: AthletesNeeded(*(needed(sd, tests) for sd in (limits.sd, low, high)))
        for tests in offered
    }
    return DecidedBy(by_tests, Interval(low, high))


@dataclass(frozen=True, slots=True)
class Design:
    """What a study is planned from."""

    bias: float  # [mL/kg/min]
    own_variance: float  # of the field method about the true value. [(mL/kg/min)^2]
    # of one laboratory test; None: unknown, and part of `own_variance`
    laboratory_variance: float | None
    laboratory_df: float  # degrees of freedom of the repeats that exist already
    margin: float  # [mL/kg/min]
    against: Against  # {"laboratory test", "true value"}
    power: float = 0.80
    confidence_level: float = 0.95

    @classmethod
    def net(cls, bias: float, sd: float, sem: float, share: float = 1.0, **more: Any) -> "Design":
        """
        Return it with the laboratory's part taken out of the SD of differences; `more`: as the fields.

        share: of the laboratory's variance that is in a difference.
        """
        return cls(bias, max(sd**2 - share * sem**2, 0.0), sem**2, **more)


@lru_cache(maxsize=512)
def athletes_to_decide(design: Design, tests: int = 1) -> int | None:
    """
    Smallest number of athletes with which both limits are shown inside the margin.

    tests: laboratory tests per athlete, averaged; more than one need a known laboratory variance.
    Returns: None: no number up to 2000 (true value) or 100 000 (laboratory test) does.
    Raises ValueError with several tests of unknown variance, or a true value net of an unknown
        laboratory.

    Laboratory test: the power of `power_of_verdict` [1]_. True value: the own limit plus (1 +
    z_power/z) of its expected outer half width must not pass the margin (derived; the realised power
    of the limits' own rule is .75-.80). The rules on skew and fitness cost some more: say "about".

    .. [1] Lu MJ et al. Int J Biostat 2016;12(2).

    >>> athletes_to_decide(Design(0.1, 1.0, 4.0, 20, 5.0, "true value"))
    58
    """
    variance = design.laboratory_variance
    if variance is None and (tests > 1 or design.against == "true value"):
        raise ValueError("several tests, or a true value, need the laboratory's own variance")
    noise = 0.0 if variance is None else variance / tests
    if design.against == "laboratory test":
        sd = sqrt(design.own_variance + noise)
        if sd <= 0.0:
            return FEWEST_JUDGED if abs(design.bias) < design.margin else None
        how = {"power": design.power, "confidence_level": design.confidence_level}
        needed = athletes_needed(design.bias, sd, design.margin, **how)
        return None if needed is None else max(FEWEST_JUDGED, needed)
    z = z_of(0.95)
    limit = abs(design.bias) + z * sqrt(design.own_variance)
    if limit >= design.margin:
        return None
    more = 1.0 + float(special.ndtri(design.power)) / z

    def enough(n: int) -> bool:
        return limit + more * expected_outer(design, noise, n, tests) <= design.margin

    return smallest_number(enough, above=FEWEST_JUDGED - 1, most=LARGEST)


def expected_outer(design: Design, noise: float, n: int, tests: int) -> float:
    """Distance from an own limit to its outer end that n athletes are to expect. [mL/kg/min]."""
    tail = (1.0 - design.confidence_level) / 2.0
    spread = design.own_variance + noise
    df = design.laboratory_df + n * (tests - 1)
    above = spread * ((n - 1) / float(special.chdtri(n - 1, 1.0 - tail)) - 1.0)
    low_noise = noise if isinf(df) else noise * df / float(special.chdtri(df, tail)) if df else 0.0
    high = design.own_variance + hypot(above, noise - low_noise)
    half = float(special.stdtrit(n - 1, 1.0 - tail)) * sqrt(spread / n)
    return hypot(half, z_of(0.95) * (sqrt(high) - sqrt(design.own_variance)))
