"""How many athletes the next study needs: by precision, by power, in groups, with several pairs each."""

from dataclasses import dataclass

import numpy as np
import scipy
from scipy import special

from agreement.stats.basics.intervals import VariancePart, checked_share, mover_half_widths
from agreement.stats.basics.tolerance import limit_factors
from agreement.stats.verdict.planning_power import (
    StudyToMake,
    athletes_needed,
    athletes_needed_clustered,
    power_of_verdict,
    simulated_power,
    smallest_number,
)


@dataclass(frozen=True, slots=True)
class StudyPlan:
    """Athletes needed, by each criterion asked for; None: not asked for, or no number would do."""

    # bias, sd: assumed mean and standard deviation of the differences. [mL/kg/min]
    bias: float
    sd: float
    pairs_per_athlete: int
    margin: float | None  # [mL/kg/min]
    power: float
    for_power: int | None  # so that both limits' exact intervals lie inside the margin
    power_reached: float | None
    # the same with the approximate intervals of 1999, as printed sizes are; one pair each only
    for_power_printed: int | None
    half_width: float | None  # of the interval of a limit. [mL/kg/min]
    # for_precision, for_bias: so that the interval of a limit, or of the bias, is no wider than -/+
    # `half_width`
    for_precision: int | None
    for_bias: int | None
    groups: int
    difference: float | None  # between the biases of two groups. [mL/kg/min]
    # so that this difference is found, at the first step of Holm's rule over all groups
    per_group: int | None

    @property
    def athletes(self) -> int | None:
        """Largest number of all criteria asked for; None when one of them has no number."""
        asked = [
            (self.margin, self.for_power),
            (self.half_width, self.for_precision),
            (self.difference, None if self.per_group is None else self.groups * self.per_group),
        ]
        numbers = [number for criterion, number in asked if criterion is not None]
        known = [number for number in numbers if number is not None]
        return max(known) if known and len(known) == len(numbers) else None


def plan(
    sd: float,
    *,
    bias: float = 0.0,
    margin: float | None = None,
    power: float = 0.80,
    half_width: float | None = None,
    pairs_per_athlete: int = 1,
    sd_within: float | None = None,
    groups: int = 2,
    difference: float | None = None,
) -> StudyPlan:
    r"""
    Athletes that the next study needs.

    sd: standard deviation of the difference of a single pair. [mL/kg/min]
    bias: [mL/kg/min]
    margin: plan by power: both limits are to be shown inside -/+ margin. [mL/kg/min]
    half_width: plan by precision: half width of the 95 % interval of a limit. [mL/kg/min]
    sd_within: part of `sd` that varies between pairs of an athlete; needed with several pairs.
        [mL/kg/min]
    groups: groups to be compared.
    difference: plan by contrast: smallest difference in bias between two groups that matters.
        [mL/kg/min]
    Raises ValueError if nothing was asked for, or a number is impossible: all that is wrong at
        once.

    Published advice is a calculation like this, else at least 45 athletes, 15 per age group [1]_.
    The approximate rule :math:`n = 3 (z s / h)^2` for a half width h agrees with the exact one to a
    few athletes from about 50 on. With one pair each the power is the closed form of
    `power_of_verdict` [2]_. It counts a study in which either limit alone would hold as one in which
    some limit always does: exact for a bias of half the spread or more, for a bias near 0 a little
    low, so that the size is up to 7 % above the smallest that would do. `power_curve` has no such
    slack.

    .. [1] Molina-Garcia P et al. Validity of estimating the maximal oxygen consumption by consumer
       wearables (INTERLIVE). Sports Med 2022;52:1577-1597.
    .. [2] Lu MJ et al. Int J Biostat 2016;12(2).

    >>> plan(1.129, bias=1.167, margin=4.0).for_power_printed
    83
    """
    above = {"sd": sd, "margin": margin, "half_width": half_width, "difference": difference}
    problems = [
        f"`{name}` must be above 0; got {value:g}"
        for name, value in above.items()
        if value is not None and not (np.isfinite(value) and value > 0)
    ]
    several = pairs_per_athlete > 1
    if margin is None and half_width is None and difference is None:
        problems.append("give `margin`, `half_width` or `difference` to plan by")
    if pairs_per_athlete < 1:
        problems.append(f"`pairs_per_athlete` must be 1 or more; got {pairs_per_athlete}")
    if several and sd_within is None:
        problems.append("`sd_within` is needed with several pairs per athlete")
    if sd_within is not None and not 0 <= sd_within <= sd:
        problems.append(f"`sd_within` must be between 0 and `sd`; got {sd_within:g}")
    if groups < 2:
        problems.append(f"`groups` must be 2 or more; got {groups}")
    if problems:
        raise ValueError("; ".join(problems))
    checked_share("power", power)
    design = StudyToMake.of(bias, sd, sd_within or 0.0 if several else 0.0, pairs_per_athlete)
    for_power = reached = printed = None
    if margin is not None and not several:
        for_power = athletes_needed(bias, sd, margin, power=power)
        printed = athletes_needed(bias, sd, margin, power=power, bound="approximate")
        if for_power is not None:
            reached = power_of_verdict(for_power, bias, sd, margin)
    elif margin is not None:
        for_power = athletes_needed_clustered(design, margin, power=power)
        if for_power is not None:
            reached = simulated_power(for_power, design, margin, rng=0)
    for_limit = for_bias = None
    if half_width is not None:
        variance = design.sd_between**2 + design.sd_within**2 / design.pairs
        for_limit = smallest_number(lambda n: half_width_of_limit(n, design) <= half_width)
        for_bias = smallest_number(
            lambda n: bool(special.stdtrit(n - 1, 0.975) * np.sqrt(variance / n) <= half_width)
        )
    per_group = None
    if difference is not None:
        per_group = athletes_per_group(difference, sd, groups, power=power)
    return StudyPlan(
        *(bias, sd, pairs_per_athlete, margin, power, for_power, reached, printed, half_width),
        *(for_limit, for_bias, groups, difference, per_group),
    )


def half_width_of_limit(n: int, design: StudyToMake) -> float:
    """Half the width of the 95 % interval of a limit to be expected with n athletes."""
    if design.pairs == 1:
        low, high = limit_factors(n)
        return (high - low) / 2 * design.sd
    m, within = design.pairs, design.sd_within**2
    between = design.sd_between**2 + within / m
    parts = VariancePart(between, n - 1), VariancePart((1 - 1 / m) * within, n * (m - 1))
    return sum(mover_half_widths(parts, between / n, 0.95)) / 2


def athletes_per_group(
    difference: float, sd: float, groups: int, *, power: float = 0.80
) -> int | None:
    """
    Athletes in each group so that a t test finds a difference in bias at level .05 / groups.

    difference, sd: [mL/kg/min]
    groups: contrasts that Holm's rule runs over; its first step tests at .05 / groups.
    """

    def enough(n: int) -> bool:
        df = 2 * n - 2
        cut = special.stdtrit(df, 1 - 0.05 / groups / 2)
        away = abs(difference) / sd * np.sqrt(n / 2)
        reached = scipy.stats.nct.sf(cut, df, away) + scipy.stats.nct.cdf(-cut, df, away)
        return bool(reached >= power)

    return smallest_number(enough)
