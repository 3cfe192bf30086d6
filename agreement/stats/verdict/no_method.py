"""Better than no method? The verdict's questions put to one number for everybody."""

from dataclasses import dataclass, replace
from math import nan
from typing import Final

import numpy as np
from scipy import special

from agreement.arrays import Floats
from agreement.stats.basics.intervals import Interval
from agreement.stats.basics.replicates import jackknife_error
from agreement.stats.limits.limits import limits_by_athlete
from agreement.stats.limits.limits_shown import AnyLimits
from agreement.stats.method_data import (
    NO_MARGIN,
    NOT_ESTIMABLE,
    MethodData,
    NotEstimable,
    require_enough,
)
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows
from agreement.stats.verdict.verdict import against_of, judged_against, material_of
from agreement.stats.verdict.yardsticks import Judgement


@dataclass(frozen=True, slots=True)
class NoMethod(Result):
    """A constant in the place of the field method: the mean laboratory value of the other athletes."""

    n: int
    n_pairs: int
    limits: AnyLimits  # of constant minus laboratory. [mL/kg/min]
    judgement: Judgement | None  # by the yardstick and limit of the study; None without a limit
    skill: float  # one minus the mean squared error of the method over the constant's
    skill_interval: Interval

    @property
    def half_width(self) -> float:
        """Half the width of the constant's limits of agreement."""
        return (self.limits.upper - self.limits.lower) / 2.0

    @property
    def passes(self) -> bool:
        """Whether the constant would be acceptable."""
        return self.judgement is not None and self.judgement.outcome == "acceptable"

    def _rows(self) -> TableRows:
        met, note = nan, NO_MARGIN
        if self.judgement is not None:
            found = self.judgement
            met = {"acceptable": 1.0, "not acceptable": 0.0}.get(found.outcome, nan)
            note = f"{found.outcome}; {found.code}" if found.code else found.outcome
            note = f"{NOT_ESTIMABLE}: {note}" if np.isnan(met) else note
        return self.told(
            ("constant_within_margin", met, None, note),
            ("constant_half_width", self.half_width),
            ("skill", self.skill, self.skill_interval, "jackknife_t"),
        )

    def _finding(self) -> str:
        low, high = self.skill_interval
        shown = "is shown to do better" if low > 0 else "is not shown to do better"
        return (
            f"The method {shown} than the same number for everybody, which would lie within "
            f"\u00b1{self.half_width:.1f} mL/kg/min: skill {self.skill:.2f} ({low:.2f} to {high:.2f})."
        )


def no_method_of(data: MethodData) -> NoMethod:
    r"""
    Put the verdict's questions to a constant.

    Each athlete's constant is the mean laboratory value of the others, so it knows nothing of him.
    Errors are squared, averaged by athlete, and athletes weigh the same; the interval of the ratio
    of both means is the jackknife's on the log scale [1]_, by athlete.

    .. [1] Tukey JW. Bias and confidence in not-quite large samples. Ann Math Stat 1958;29:614
       (memory).
    """
    require_enough(data.n)
    constant = constant_of(data)
    pairs = data.pairs.assign(field=constant, difference=constant - data.lab)
    as_method = replace(data, pairs=pairs)
    limits = limits_by_athlete(as_method.difference, data.athlete)
    agreed, judgement = data.options.margin, None
    if agreed.limit is not None:
        material = material_of(as_method, limits)
        judgement = judged_against(material, against_of(agreed), agreed)
    skill, ends = _skill(data)
    return NoMethod(data.n, data.n_pairs, limits, judgement, skill, ends)


def constant_of(data: MethodData) -> Floats:
    """Return for each pair the mean laboratory value of the other athletes. [mL/kg/min]."""
    means = np.bincount(data.athlete, data.lab) / np.bincount(data.athlete)
    return np.asarray(((means.sum() - means) / (data.n - 1))[data.athlete])


def _skill(data: MethodData) -> tuple[float, Interval]:
    """Skill of the method over the constant, with the jackknife-t interval."""
    each, n = np.bincount(data.athlete), data.n
    of_field = np.bincount(data.athlete, data.difference**2) / each
    centre = float(data.lab.mean())
    lab = data.lab - centre
    mean = np.bincount(data.athlete, lab) / each
    square = np.bincount(data.athlete, lab**2) / each
    # the others' mean is off by n / (n - 1) times what the mean of all is; of k left out likewise
    away = mean - mean.mean()
    within, apart = square - mean**2, float(away @ away)
    of_constant = n / (n - 1) ** 2 * apart + float(within.mean())
    apart_without = apart - away**2 * n / (n - 1)
    without = (n - 1) / (n - 2) ** 2 * apart_without + (within.sum() - within) / (n - 1)
    field_without = (of_field.sum() - of_field) / (n - 1)
    if min(of_constant, float(without.min())) <= 0.0:
        raise NotEstimable("all laboratory values are equal.")
    ratio = float(of_field.mean()) / of_constant
    if float(field_without.min()) <= 0.0:  # no error at all: nothing to take a logarithm of
        return 1.0 - ratio, Interval(nan, nan)
    error = float(jackknife_error(np.log(field_without / without)))
    reach = float(np.exp(special.stdtrit(n - 1, 0.975) * error))
    return 1.0 - ratio, Interval(1.0 - ratio * reach, 1.0 - ratio / reach)


RECORD: Final = recorded("""
    no_method, place 430, whole: against one number for everybody
    constant_within_margin [1] .0: one number for everybody would do (1: yes)
      1 if the mean laboratory value of the others, said of everybody, met the agreed limit.
      = the verdict's rule on that mean in the place of the field value
    constant_half_width: half width of the limits of one number for everybody
      How far a laboratory value may lie from the mean of the others.
      = half the width of the limits of agreement of that mean | Bland & Altman 1999
    skill [1]: skill over one number for everybody
      Share of the squared error of one number for everybody that the method avoids; 0 or less:
      none.
      = 1 less mean d^2 over that of the mean of the others; jackknife of the log ratio | Tukey 1958
    """).by(no_method_of)
