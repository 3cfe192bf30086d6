"""How many athletes the next squad's study needs, given how squads differed so far."""

from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np

from agreement.stats.basics.intervals import z_of
from agreement.stats.studies.pooling import PooledStudies, WithEnds
from agreement.stats.verdict.planning_power import athletes_needed, powers, smallest_number
from agreement.terms import UNIT, counted

LARGEST_SQUAD: Final = 2000  # athletes; no squad is larger
_TOLD: Final = (20, 40, 80)  # athletes, where no number would do


@dataclass(frozen=True, slots=True)
class NextStudy:
    """A study of a squad that nobody measured, planned from a pool. [mL/kg/min]."""

    # k, athletes: studies of the pool, and their athletes
    k: int
    athletes: int
    # bias, sd: expected of the next squad
    bias: WithEnds
    sd: WithEnds
    margin: float
    power: float
    # athletes with whom both limits are shown inside the margin with that chance, over all that
    # such a squad may be; None: no number would do
    needed: int | None
    of_typical: int | None  # the same if the next squad were the typical one
    inside: float  # share of such squads whose limits lie inside the margin at all
    chances: dict[int, float]  # chance to show it with so many athletes

    def summary(self) -> str:
        """Say the plan in words."""
        typical = f"a squad like the typical one would need {self.of_typical}"
        if self.of_typical is None:
            typical = "of a squad like the typical one no number shows it either"
        shown = f"limits inside \u00b1{self.margin:g} with a chance of {self.power:.2f}"
        needs = f"{self.needed} athletes show {shown}"
        if self.needed is None:
            chances = ", ".join(f"{chance:.2f} with {n}" for n, chance in self.chances.items())
            needs = f"no number of athletes shows {shown} (chance {chances})"
        return (
            f"From {self.k} squads, {counted(self.athletes, 'athlete')}: in the next squad expect a bias "
            f"of {self.bias.low:.1f} to {self.bias.high:.1f} and an SD of {self.sd.low:.1f} to "
            f"{self.sd.high:.1f} {UNIT}. Over all of these {needs}; {typical}. "
            f"About {100 * self.inside:.0f} % of such squads lie inside at all."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return the plan as plain data."""
        return asdict(self) | {"bias": self.bias._asdict(), "sd": self.sd._asdict()}


def next_study(pool: PooledStudies, margin: float, *, power: float = 0.80) -> NextStudy:
    """
    Plan the next squad's study over all that a pool lets expect of it.

    pool: two studies or more.
    margin: agreed beforehand, above 0. [mL/kg/min]
    power: chance wanted, averaged over the next squad's bias and SD.
    Raises ValueError with one study, which cannot say how squads differ; or a margin that is not
        above 0.

    The power of the verdict averaged over a predictive distribution is its assurance [1]_ (memory).
    It does not rise to 1 with more athletes: squads whose own limits lie outside are never shown.

    .. [1] O'Hagan A, Stevens JW, Campbell MJ. Assurance in clinical trial design. Pharm Stat
       2005;4:187-201.

    >>> from agreement.stats.studies.pooling import Study, pooled_studies
    >>> pool = pooled_studies([Study(str(i), 0.5, 2.0, 40) for i in range(6)])
    >>> plan = next_study(pool, 7.0)
    >>> plan.needed > plan.of_typical, plan.inside > 0.9
    (True, True)
    """
    if pool.k < 2:
        more = "plan with its own folder, or add a study"
        raise ValueError(f"one study cannot say how squads differ: {more}")
    if not margin > 0:
        raise ValueError(f"`margin` must be above 0; got {margin:g}")
    bias, sd = pool.next_squads()

    def chance(n: int) -> float:
        return float(powers(n, bias[:, None], sd, margin).mean())

    inside = float((np.abs(bias)[:, None] + z_of(0.95) * sd < margin).mean())
    needed = smallest_number(lambda n: chance(n) >= power, most=LARGEST_SQUAD)
    typical = athletes_needed(pool.bias().value, pool.sd().value, margin, power=power)
    chances = {n: chance(n) for n in ((needed,) if needed else _TOLD)}
    expected = (pool.bias(new=True), pool.sd(new=True), margin, power)
    return NextStudy(pool.k, pool.athletes, *expected, needed, typical, inside, chances)
