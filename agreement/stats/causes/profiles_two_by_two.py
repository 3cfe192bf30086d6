"""Which training profile is read otherwise than which, and by how much."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from agreement.stats.basics.intervals import SIGNIFICANT
from agreement.stats.basics.welch import Apart, games_howell
from agreement.stats.causes.pooled_profiles import athletes_by_profile
from agreement.stats.causes.profile_bias import FEW_FOR_BIAS
from agreement.stats.method_data import MethodData
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows, told_rows

PairKeys = frozenset[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class ProfilesTwoByTwo(Result):
    """Biases of training profiles, two by two. [mL/kg/min]."""

    # by what is taken from what; with whose pairs stand in either, every athlete in one profile
    apart: dict[str, tuple[Apart, PairKeys]]

    def members(self) -> dict[str, PairKeys]:
        """Return whose pairs stand in either profile."""
        return {name: pairs for name, (_, pairs) in self.apart.items()}

    def _rows(self) -> TableRows:
        for name, (one, pairs) in self.apart.items():
            n = len({athlete for athlete, _ in pairs})
            named = (
                ("difference_of_bias", one.estimate, one.interval),
                ("p_difference_of_bias", one.p),
                ("hedges_g", one.g, one.g_interval),
            )
            note = "athlete means" if n < len(pairs) else ""
            yield from told_rows(named, n=n, n_pairs=len(pairs), group=name, note=note)

    def _finding(self) -> str:
        found = {name: one for name, (one, _) in self.apart.items()}
        differ = sum(one.p < SIGNIFICANT for one in found.values())
        most = max(found, key=lambda name: abs(found[name].estimate))
        return (
            f"Of {len(found)} pairs of training profiles {differ} differ in bias (p < "
            f"{SIGNIFICANT:g}, all pairs counted); farthest apart: {most}, "
            f"{found[most].estimate:+.1f} mL/kg/min."
        )


def two_names(first: str, second: str) -> str:
    """Return what the difference of two profiles is called: the first less the second."""
    return f"{first} minus {second}"


def profiles_two_by_two_of(data: MethodData) -> ProfilesTwoByTwo:
    """
    Compare the biases of every two profiles of 5 athletes or more, every athlete once.

    As in `profile_bias`, an athlete counts in the profile of most of his pairs, by their mean.
    Raises NotEstimable with fewer than two such profiles, or one without any spread.
    """
    athletes, _ = athletes_by_profile(data.pairs)
    theirs = athletes["training_profile"].to_numpy(dtype=object)
    difference = athletes["difference"].to_numpy(np.float64)
    names, sizes = np.unique(theirs, return_counts=True)
    compared = [str(name) for name, n in zip(names, sizes, strict=True) if n >= FEW_FOR_BIAS]
    apart = games_howell([difference[theirs == name] for name in compared])
    own, who = data.texts("training_profile"), data.texts("athlete_id")
    of_athlete = dict(zip(athletes.index, theirs, strict=True))
    main = np.array([of_athlete.get(one) for one in who], dtype=object)
    people = [frozenset(data.keys[(own == name) & (main == name)]) for name in compared]
    found = {}
    for one in apart:
        i, j = one.between
        found[two_names(compared[i], compared[j])] = one, people[i] | people[j]
    return ProfilesTwoByTwo(found)


RECORD: Final = recorded("""
    profiles_two_by_two, place 440, subset: bias by training profile, two by two
    difference_of_bias: bias of the first profile less that of the second
      How much higher the field value reads in the first profile; the intervals of all pairs hold at
      once.
      = difference of the means of athletes; studentized range on Satterthwaite's degrees of freedom
      | Games & Howell 1976
    p_difference_of_bias [p]: p of no such difference, all pairs of profiles counted
      How often chance alone would set some two profiles this far apart.
    hedges_g [1]: the same in units of spread, its interval of this pair alone
      The difference in standard deviations of athletes within a profile; the interval counts one
      pair alone.
      = difference over the pooled standard deviation, freed of its bias (Hedges' g) | Hedges &
      Olkin 1985
    """).by(profiles_two_by_two_of, shown_in=("validation",))
