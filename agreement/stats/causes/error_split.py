"""The error of heart-rate estimates in two parts: what work costs, and where heart rate leads."""

from dataclasses import dataclass
from typing import Final

import pandas as pd

from agreement.stats.method_data import MethodData, NotEstimable, pair_keys
from agreement.stats.record import recorded
from agreement.stats.result import Result, Row, TableRows

PARTS: Final = ("total", "cost", "heart_rate")


@dataclass(frozen=True, slots=True)
class SplitErrors(Result):
    """The errors of one method, split for each pair whose test measured uptake in stages."""

    # `agreement.physiology.stage_splits.SPLIT_COLUMNS`, one row per pair; total = cost + heart_rate
    # = field - laboratory. [mL/kg/min]
    frame: pd.DataFrame

    def _rows(self) -> TableRows:
        n, n_pairs = int(self.frame["athlete_id"].nunique()), len(self.frame)
        return (
            Row.of(f"{word}_{part}", getattr(self.frame[part], how)(), n=n, n_pairs=n_pairs)
            for part in PARTS
            for word, how in (("mean", "mean"), ("sd", "std"))
        )

    def members(self) -> dict[str, frozenset[tuple[str, str]]]:
        """Return whose pairs are split."""
        return {"all": frozenset(pair_keys(self.frame))}

    def _finding(self) -> str:
        mean, n = self.frame[list(PARTS)].mean(), len(self.frame)
        return (
            f"In {n} {'pair' if n == 1 else 'pairs'} with measured stages the error of "
            f"{mean['total']:+.1f} mL/kg/min on average is {mean['cost']:+.1f} from the cost equation "
            f"and {mean['heart_rate']:+.1f} from carrying heart rate to its maximum."
        )


def error_split_of(data: MethodData) -> SplitErrors:
    """Parts of the error of one method and mode, for the results table."""
    if data.splits is None:
        raise NotEstimable("not computed for estimates in parts.")
    if data.splits.empty:
        raise NotEstimable("no pair of this method has oxygen uptake measured by stage.")
    return SplitErrors(data.splits)


_PART_MEANINGS: Final = {
    "total": "the whole error",
    "cost": "the error of the cost equation",
    "heart_rate": "the error of carrying heart rate to its maximum",
}
RECORD: Final = recorded(
    "error_split, place 320, subset: error split by measured stages",
    *(
        f"""
        {word}_{part}: {said} of {_PART_MEANINGS[part]}
          {how} of {_PART_MEANINGS[part]} of the session estimate.
          = the line through measured uptake between field value and laboratory
        """
        for part in PARTS
        for word, said, how in (("mean", "mean", "Mean"), ("sd", "spread", "Standard deviation"))
    ),
).by(error_split_of, shown_in=("squad", "validation"))
