"""What work costs the athletes, and how much of an estimate's error follows from it."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from agreement.physiology.stage_splits import SAME_DAY
from agreement.stats.basics.intervals import squared_correlation_interval
from agreement.stats.basics.least_squares import Line, fit_line
from agreement.stats.method_data import MethodData, NotEstimable, pair_keys
from agreement.stats.record import recorded
from agreement.stats.repeats.thresholds import FEW_TO_SHOW, mean_row
from agreement.stats.result import Result, TableRows, told_rows

ARTEFACT: Final = (
    "An error of the analyser on that day alone makes the two go together, with a slope of 1: economy "
    "need not be the cause."
)
MEASURES: Final = {"economy": "mL/kg/km", "gross_efficiency": "%"}


@dataclass(frozen=True, slots=True)
class Economies(Result):
    """Economy and efficiency in one mode."""

    frame: pd.DataFrame  # `agreement.physiology.stage_splits.ECONOMY_COLUMNS` with athlete_id

    def _rows(self) -> TableRows:
        return (
            mean_row(f"{how}_{name}", self.frame[name], self.frame)
            for name in ("cost_ratio", *MEASURES)
            if self.frame[name].notna().any()
            for how in ("mean", "sd")
        )

    def _finding(self) -> str:
        ratio = self.frame.groupby("athlete_id")["cost_ratio"].mean()
        return (
            f"Work costs these {len(ratio)} athletes {100 * ratio.mean():.0f} % of what the equation says "
            f"(SD between them {100 * ratio.std():.1f} percentage points)."
        )


@dataclass(frozen=True, slots=True)
class EconomyExplains(Result):
    """Errors of one method on the errors that the athletes' own economy lets expect."""

    # `agreement.physiology.stage_splits.expected_errors`: difference, expected [mL/kg/min], stages_of
    pairs: pd.DataFrame
    # by `stages_of`: observed on expected over athletes, each with the mean of the own pairs
    lines: dict[str, Line]

    def _rows(self) -> TableRows:
        """
        Return share of the spread and slope, with a first column ``group``: the day of the stages.

        Means of the expected errors are not told: they do not depend on the method, so those of two
        methods would show what the few people are like whom one method has and the other has not.
        """
        tests = self.pairs["stages_of"].value_counts()
        for group, line in self.lines.items():
            named = (
                ("r_squared", line.r**2, squared_correlation_interval(line.r, line.n)),
                ("slope", line.slope, line.slope_interval()),
            )
            yield from told_rows(named, n=line.n, n_pairs=int(tests[group]), group=group)

    def members(self) -> dict[str, frozenset[tuple[str, str]]]:
        """Return whose pairs are told."""
        of = self.pairs["stages_of"]
        return {group: frozenset(pair_keys(self.pairs[of == group])) for group in self.lines}

    def _finding(self) -> str:
        told = []
        for group, line in self.lines.items():
            low, high = (100 * end for end in squared_correlation_interval(line.r, line.n))
            told.append(
                f"With stages of {group.replace('_', ' ')}, {100 * line.r**2:.0f} % of the spread of "
                f"errors ({low:.0f} % to {high:.0f} %) goes with own economy in {line.n} athletes; 1 "
                f"mL/kg/min expected comes with {line.slope:.2f} observed."
            )
        return " ".join(told + [ARTEFACT] * (SAME_DAY in self.lines))


def economy_explained_of(data: MethodData) -> EconomyExplains:
    """
    Regress observed errors of one method and mode on those expected from the athletes' economy.

    Raises NotEstimable with fewer than five athletes whose test measured uptake in steady stages of
        this mode, be it all on the day of VO2max or all on another.

    A slope near 1 and a large share: the estimate takes an average cost of work for the athlete's own.
    A slope near 0: it does not rest on the cost of work. Of the same day an error of the analyser lies
    in VO2max, in the cost of work, and so in both errors, which alone gives a slope of 1: the two
    groups are kept apart.
    """
    lines = {}
    if data.economy is not None:
        for group, own in data.economy.groupby("stages_of", sort=True):
            mean = own.groupby("athlete_id")[["expected", "difference"]].mean()
            if len(mean) >= FEW_TO_SHOW:
                lines[str(group)] = fit_line(*mean.to_numpy(dtype=np.float64).T)
    if data.economy is None or not lines:
        raise NotEstimable(
            f"fewer than {FEW_TO_SHOW} athletes have uptake measured in steady stages of this mode."
        )
    return EconomyExplains(data.economy, lines)


_ENERGY: Final = (
    " | Moseley and Jeukendrup 2001 (abstract read); energy: Lusk 1924 (read second-hand)"
)
_QUANTITIES: Final = (
    (
        *("cost_ratio", "[1]", "cost of work over the equation's"),
        "Uptake measured in steady stages over what the cost equation says; below 1: economical.",
        "",
    ),
    (
        *("economy", "[mL/kg/km] .0", "uptake per distance"),
        "Uptake of running or walking on at most 2 % grade, over speed.",
        "",
    ),
    (*("gross_efficiency", "[%]", "gross efficiency"), "Power over energy set free.", _ENERGY),
)
RECORDS: Final = (
    recorded(
        "economy, place 114, whole, own section: economy and efficiency",
        *(
            f"""
            mean_{name} {unit}: {label}
              {meaning}
              = mean over athletes, each with the mean of the own tests; interval by Student's
              t{source}
            sd_{name} {unit}: SD of {label}
              How far athletes differ in it.
              = SD over athletes, each with the mean of the own tests; interval by
              chi-square{source}
            """
            for name, unit, label, meaning, source in _QUANTITIES
        ),
    ),
    recorded("""
        economy_explained, place 322, subset, own section: errors that go with own economy
        r_squared [1]: share of the spread of errors
          Share of the spread of errors between athletes that goes with their own economy.
          = squared correlation of athlete means of observed and expected error; interval by
          Fisher's z | Fisher 1921 (memory)
        slope [1]: observed for 1 expected
          Near 1: the estimate takes an average cost of work for the athlete's own, unless the
          stages are of the same day: then an error of the analyser alone gives 1. Near 0: not.
          = least squares of observed on expected error, interval by Student's t; with stages of the
          same day an error of the analyser alone gives 1
        """).by(economy_explained_of),
)
