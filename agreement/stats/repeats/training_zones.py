"""Training by own thresholds beside training by HRmax: whose profile is another one."""

from dataclasses import dataclass
from math import nan
from typing import Final

import pandas as pd

from agreement.stats.basics.shares import wilson_interval
from agreement.stats.method_data import TOO_FEW, too_few_athletes
from agreement.stats.record import recorded
from agreement.stats.repeats.thresholds import FEW_TO_SHOW, mean_row
from agreement.stats.result import Result, TableRows, told_rows

ZONES: Final = {1: "below VT1", 2: "between VT1 and VT2", 3: "above VT2"}


@dataclass(frozen=True, slots=True)
class TrainingZones(Result):
    """Shares of training time in three zones, counted twice."""

    # `agreement.physiology.training.BOTH_COLUMNS`, a row per test of athletes with thresholds
    frame: pd.DataFrame

    @property
    def changed(self) -> "pd.Series[bool]":
        """Whether any test of an athlete has another profile by own thresholds."""
        return (
            (self.frame["profile"] != self.frame["profile_own"])
            .groupby(self.frame["athlete_id"])
            .any()
        )

    def _rows(self) -> TableRows:
        changed, n = self.changed, len(self.changed)
        share, ends = changed.mean(), wilson_interval(int(changed.sum()), n)
        found = (
            (share, ends) if n >= FEW_TO_SHOW else (nan, None, f"{TOO_FEW}: {too_few_athletes(n)}.")
        )
        for zone in ZONES:
            for by in ("", "_own"):
                yield mean_row(
                    f"mean_zone{zone}{by}", 100 * self.frame[f"zone{zone}{by}"], self.frame
                )
        yield from told_rows([("share_profile_changed", *found)], n=n, n_pairs=len(self.frame))

    def _finding(self) -> str:
        changed = self.changed
        low, own = (100 * self.frame[name].mean() for name in ("zone1", "zone1_own"))
        return (
            f"By their own thresholds {int(changed.sum())} of {len(changed)} athletes have another "
            f"training profile than by shares of HRmax; time below the first threshold {own:.0f} %, by "
            f"HRmax {low:.0f} %."
        )


RECORD: Final = recorded(
    "training_zones, place 112, whole, own section: training zones by own thresholds and by HRmax",
    *(
        f"""
        mean_zone{zone}{by} [%]: time {where}, by {said}
          Share of the training time {where} in the weeks before a test, by {said}.
          = mean over athletes, each with the mean of the own tests; interval by Student's t
        """
        for zone, where in ZONES.items()
        for by, said in (("", "HRmax"), ("_own", "own thresholds"))
    ),
    """
    share_profile_changed [1] of n: share of athletes with another profile
      Athletes whose training profile is another one by their own thresholds than by HRmax.
      = athletes with any test whose two profiles differ, over athletes; Wilson's interval
    """,
)
