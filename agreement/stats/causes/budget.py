"""
The error budget: where the error of one reading comes from, and the limits without each part.

Parts that exceed the total leave a row `excess`.
"""

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from agreement.stats.basics.intervals import Interval, interval_of_difference, z_of
from agreement.stats.basics.replicates import Replicates, failed_in_words
from agreement.stats.causes.budget_parts import (
    BUDGET_RESAMPLES,
    FEW_FOR_PARTS,
    BudgetSplit,
    Sources,
    sources_of,
    split,
)
from agreement.stats.causes.explained import BLOCKS
from agreement.stats.method_data import NOT_ESTIMABLE, TOO_FEW, MethodData
from agreement.stats.record import SQUARED, declared, recorded
from agreement.stats.repeats.laboratory_variance import LaboratoryVariance
from agreement.stats.result import Result, TableRows
from agreement.terms import UNBOUNDED

_NONE: Final = Interval(np.nan, np.nan)
COMPONENTS: Final = (
    *("laboratory_repeat", "day_to_day", "profile_inputs"),
    *("sensor", "level", "training_profile", "persistent_rest"),
)


class Component(NamedTuple):
    """One variance with its interval; nan with a reason where it cannot be told."""

    variance: float
    interval: Interval
    note: str = ""


@dataclass(frozen=True, slots=True)
class Budget(Result):
    """Variance of a single reading's difference, in parts. [(mL/kg/min)^2]."""

    # n, n_visits: athletes and visits
    n: int
    n_visits: int
    bias: float  # mean of the athletes' mean differences. [mL/kg/min]
    total: Component
    components: dict[str, Component]  # keys `COMPONENTS`. Less `excess` they add up to `total`.
    # how much of the parts the total has no room for: above 0 when the laboratory's error, as
    # measured or assumed, is larger than what this study can hold
    excess: float
    correlation: float  # of the noise of one day with the next
    persistent: float  # what lasts through a visit; z times its root is where averaging ends
    notes: tuple[str, ...]

    def half_width_without(self, component: str) -> float:
        """Half the distance between the limits if one component were gone. [mL/kg/min]."""
        gone = self.components[component].variance
        return z_of(0.95) * float(np.sqrt(np.maximum(self.total.variance - gone, 0.0)))

    def _rows(self) -> TableRows:
        parts = {"total": self.total} | {name: self.components[name] for name in COMPONENTS}
        if self.excess > 0:
            parts["excess"] = Component(self.excess, Interval(np.nan, np.nan))
        for name, part in parts.items():
            notes = (part.note, *self.notes) if name == "total" else (part.note,)
            note = "; ".join(filter(None, notes))
            yield self.row(name, part.variance, part.interval, note, n_pairs=self.n_visits)
        for name in COMPONENTS:
            half, note = self.half_width_without(name), self.components[name].note
            yield self.row(f"half_width_without_{name}", half, note=note, n_pairs=self.n_visits)

    def _finding(self) -> str:
        known = {k: c.variance for k, c in self.components.items() if np.isfinite(c.variance)}
        largest = max(known, key=known.__getitem__)
        share = known[largest] / self.total.variance if self.total.variance > 0 else 0.0
        return (
            f"The largest part of a reading's error is {largest.replace('_', ' ')} "
            f"({100 * share:.0f} % of the variance); without it the limits would be "
            f"{self.half_width_without(largest):.1f} instead of "
            f"{z_of(0.95) * self.total.variance**0.5:.1f} mL/kg/min on either side."
        )


def budget_of(data: MethodData) -> Budget:
    r"""
    Error budget of one method and mode.

    Raises NotEstimable with fewer than 5 athletes with daily values.

    The model of a day's difference is what the causes explain, plus the athlete, plus the visit,
    plus the day. Day-to-day noise comes from the spread within visits, correlated from day to day;
    what lasts is the variance of the visits' means less the noise they keep. Each cause's share is
    the average over all orders of the rise in adjusted R2 of the visits' means, which keeps a
    little less than the cause's due where the means are noisy. The laboratory's part is that of the
    value it was compared with: where a visit's value is the mean of a test and its repeat, half the
    variance of one test. *Level* is (b - 1)^2
    times the variance of true fitness, b the structural slope, and 0 unless its interval excludes 1;
    its interval is that of the slope. A cause that stays out is part of the rest.

    Below 20 athletes there are values and no intervals. These are from one bootstrap over athletes,
    B = 1999: percentiles for the causes, which end
    at 0; BCa for total and day-to-day noise, whose percentile intervals end too low [2]_. The
    laboratory's is its chi-square interval, and the rest's is put together by MOVER from that and
    the BCa interval of what no cause explains [3]_: percentiles held it in 88 % of cohorts of 60,
    this form in 93 % (measured). Over 500 such cohorts the others hold 91 to 97 %.

    .. [1] Lindeman RH, Merenda PF, Gold RZ. Introduction to bivariate and multivariate analysis.
       Scott Foresman, 1980 (averaging over orders; memory).
    .. [2] Efron B, Tibshirani RJ. An introduction to the bootstrap. Chapman & Hall, 1993, ch. 14.
    .. [3] Zou GY, Donner A. Construction of confidence limits about effect measures: a general
       approach. Stat Med 2008;27:1693-1702 (memory).
    """
    sources = sources_of(data)
    design, found = split(sources)
    notes = []
    if sources.visits.n < FEW_FOR_PARTS:
        notes.append(f"fewer than {FEW_FOR_PARTS} athletes")
    if len(sources.visits.table) == sources.visits.n:
        notes.append("one visit each: athlete and visit cannot be told apart")
    noise = float(np.nan_to_num(sources.laboratory_variance))
    excess = max(noise - float(found.sample.unexplained[0]), 0.0)
    if excess > 0:
        notes.append("the laboratory's error is larger than this study can hold")
    means = sources.visits.table.groupby("athlete_id")["mean"].mean()
    total = _skewed(found.replicates(lambda parts: parts.total))
    components = {"total": total} | _components(design.left_out, found, sources)
    if sources.visits.n < FEW_FOR_PARTS:  # the values alone
        components = {
            name: Component(value, _NONE, note if np.isnan(value) else TOO_FEW)
            for name, (value, _, note) in components.items()
        }
    return Budget(
        sources.visits.n,
        len(sources.visits.table),
        float(means.mean()),
        components.pop("total"),
        components,
        excess,
        float(found.sample.noise.correlation[0]),
        float(found.sample.persistent[0]),
        tuple(notes),
    )


def _components(
    left_out: dict[str, str], found: BudgetSplit, sources: Sources
) -> dict[str, Component]:
    laboratory = sources.laboratory
    of_laboratory = _of_laboratory(sources.laboratory_variance, laboratory)
    of_days = found.replicates(lambda parts: parts.noise.variance)
    parts = {
        "laboratory_repeat": of_laboratory,
        "day_to_day": _skewed(of_days, f"{NOT_ESTIMABLE}: one day per visit"),
        "persistent_rest": _of_rest(found, of_laboratory, known=laboratory is not None),
    }
    level, unknown = sources.level, f"{sources.no_level.rstrip('.')}; part of the rest"
    parts["level"] = Component(np.nan, _NONE, unknown)
    if level is not None:  # with the interval of the slope's
        true = level.moments.lab - level.moments.noise
        low, high = sorted((end - 1.0) ** 2 * true for end in level.interval)
        ends = Interval(low if level.excludes_one else 0.0, high) if level.bounded else _NONE
        unbounded = "" if level.bounded else UNBOUNDED
        parts["level"] = Component(float(found.sample.level[0]), ends, unbounded)
    for k, name in enumerate(BLOCKS):
        if name in left_out:
            reason = f"{NOT_ESTIMABLE}: {left_out[name]}; part of the rest"
            parts[name] = Component(np.nan, _NONE, reason)
        else:  # at its floor of 0 a BCa interval loses its upper end
            block = found.replicates(lambda parts: np.asarray(parts.blocks[:, k]))  # noqa: B023 (called at once)
            note = failed_in_words(int(block.failed[0]), BUDGET_RESAMPLES)
            parts[name] = Component(float(block.estimate[0]), block.percentile_interval(), note)
    return parts


def _skewed(replicates: Replicates, refusal: str = "") -> Component:
    """One variance with its BCa interval, or why there is none."""
    value = float(replicates.estimate[0])
    if not np.isfinite(value):
        return Component(value, _NONE, refusal)
    return Component(value, replicates.bca_interval(), replicates.notes[0])


def _of_laboratory(value: float, laboratory: LaboratoryVariance | None) -> Component:
    """Return the laboratory's part with its chi-square interval; a declared figure has none."""
    if laboratory is None:
        reason = f"{NOT_ESTIMABLE}: the laboratory's own error is unknown; part of the rest"
        return Component(np.nan, _NONE, reason)
    if laboratory.assumed:
        return Component(value, _NONE, "assumed")
    kept = value / laboratory.variance  # below 1 where the mean of repeats was compared
    low, high = laboratory.interval()
    return Component(value, Interval(kept * low, kept * high), laboratory.note)


def _of_rest(found: BudgetSplit, laboratory: Component, *, known: bool) -> Component:
    """Return what is left: the unexplained part less the laboratory's, two independent estimates."""
    unexplained = found.replicates(lambda parts: parts.unexplained)
    error = laboratory.variance if known else 0.0
    of_error = laboratory.interval
    if np.isnan(of_error.low):  # unknown or declared: taken as given
        of_error = Interval(error, error)
    value = float(unexplained.estimate[0])
    low, high = interval_of_difference(value, unexplained.bca_interval(), error, of_error)
    notes = ["" if known else "holds the laboratory's error", unexplained.notes[0]]
    return Component(
        max(value - error, 0.0),
        Interval(max(low, 0.0), max(high, 0.0)),
        "; ".join(note for note in notes if note),
    )


_MEANINGS: Final = {
    "laboratory_repeat": "the laboratory's own noise",
    "day_to_day": "noise of the field value from day to day",
    "profile_inputs": "wrong body mass, age or maximal heart rate in the estimator",
    "sensor": "the kind of sensor",
    "level": "reading over or under with true fitness",
    "training_profile": "how people train",
    "persistent_rest": "what stays with a person and none of the others explains",
}
_BY_CAUSES: Final = (
    "what lasts through a visit, times the rise in adjusted R2 that the cause brings, averaged over "
    "all orders; interval by percentiles of resamples | Lindeman 1980"
)
_HOW: Final = {
    "laboratory_repeat": "variance of the laboratory's repeats, the mean shift taken out, or the "
    "declared error squared, over the tests behind a value; interval by chi-square | Hopkins 2000",
    "day_to_day": "variance of days within visits, by restricted likelihood correlated from day to day",
    "level": "(slope on true fitness - 1)^2 times the variance of true fitness; 0 where the slope is "
    "not shown to differ from 1 | Fuller 1987",
    "persistent_rest": "what lasts through a visit less the laboratory, level and causes, not below 0; "
    "interval by MOVER | Zou & Donner 2008",
}
_OF_BLOCKS: Final = {
    "profile_inputs": " on mass_mismatch_pct hr_max_mismatch_bpm",
    "sensor": " on sensor",
    "training_profile": " on training_profile",
    # what the others leave of the total
    "persistent_rest": " on mass_mismatch_pct hr_max_mismatch_bpm sensor training_profile",
}
_STATISTICS: Final = declared(
    f"""
    total [{SQUARED}]: variance of a single reading's error
      Square of the standard deviation of one reading's difference.
      = variance of what lasts through a visit plus that from day to day
    """,
    *(
        f"""
        {name} [{SQUARED}]{_OF_BLOCKS.get(name, "")}: variance: {name.replace("_", " ")}
          Part of a single reading's error variance: {_MEANINGS[name]}.
          = {_HOW.get(name, _BY_CAUSES)}
        """
        for name in COMPONENTS
    ),
    *(
        f"""
        half_width_without_{name}{_OF_BLOCKS.get(name, "")}: half width without {name.replace("_", " ")}
          How far the limits would lie from the bias without {_MEANINGS[name]}.
          = z times the root of the total less that part
        """
        for name in COMPONENTS
    ),
    f"""
    excess [{SQUARED}]: excess of the parts
      How much of the parts the total has no room for; written where there is any.
      = laboratory, level and causes less what lasts through a visit
    """,
)
RECORD: Final = recorded("budget, place 160, whole, own section: error budget", *_STATISTICS).by(
    budget_of, unless_possible=(("all", tuple(one.name for one in _STATISTICS[:-1])),)
)
