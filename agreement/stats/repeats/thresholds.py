"""Ventilatory thresholds: where they lie, how far those who read them agree, and training by them."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from math import nan
from typing import Final

import pandas as pd

from agreement.stats.basics.intervals import sd_interval, t_interval
from agreement.stats.basics.shares import wilson_interval
from agreement.stats.limits.limits import limits_by_athlete
from agreement.stats.method_data import TOO_FEW, too_few_athletes
from agreement.stats.record import Analysis, recorded
from agreement.stats.result import Result, Row, TableRows, in_group, told_rows
from agreement.terms import UNIT

QUANTITIES: Final = {"vo2": UNIT, "hr": "bpm"}
FEW_TO_SHOW: Final = 5  # a mean of fewer tells of somebody
ZONES: Final = {1: "below VT1", 2: "between VT1 and VT2", 3: "above VT2"}
RATERS_MEAN: Final = "raters"  # the mean of both, where a computed threshold is set beside them


@dataclass(frozen=True, slots=True)
class Thresholds(Result):
    """Where thresholds lie in one mode, by threshold and method."""

    # athlete_id, lab_test_id, threshold, method, vo2 [mL/kg/min], hr [bpm], note, lab, hr_max_bpm
    frame: pd.DataFrame

    def _rows(self) -> TableRows:
        for name, own in self._by_method():
            found = own[own["vo2"].notna() | own["hr"].notna()]
            of_max = 100 * found["hr"] / found["hr_max_bpm"]
            values = {
                "mean_vo2": found["vo2"],
                "mean_share_of_vo2max": 100 * found["vo2"] / found["lab"],
                "mean_hr": found["hr"],
                "mean_share_of_hr_max": of_max,
                "sd_share_of_hr_max": of_max,
            }
            told = [mean_row(one, value, found) for one, value in values.items()]
            if not name.rpartition(" ")[2].startswith("rater_"):  # whoever read none has no row
                n, count = int(own["athlete_id"].nunique()), len(own)
                share, ends = len(found) / count, wilson_interval(len(found), count)
                told.insert(0, Row.of("share_found", share, ends, n=n, n_pairs=count))
            yield from in_group(name, told)

    def _finding(self) -> str:
        told = []
        for name, own in self._by_method():
            share = (100 * own["hr"] / own["hr_max_bpm"]).dropna()
            if len(share) > 1:
                spread = f"{share.mean():.0f} % of HRmax (SD {share.std():.1f})"
                told.append(f"{name}: {spread} in {len(share)} tests.")
        return " ".join(told) or "No threshold was found."

    def _by_method(self) -> Iterator[tuple[str, pd.DataFrame]]:
        for (threshold, method), own in self.frame.groupby(["threshold", "method"], sort=True):
            yield f"{threshold} {method}", own


def mean_row(name: str, values: "pd.Series[float]", found: pd.DataFrame) -> Row:
    """Return a mean, or SD (``sd_...``), over five athletes or more, each the mean of the own tests."""
    each = values.astype("float64").dropna().groupby(found["athlete_id"]).mean()
    n, n_pairs = len(each), int(values.notna().sum())
    if n < FEW_TO_SHOW:
        return Row.of(name, nan, n=n, n_pairs=n_pairs, note=f"{TOO_FEW}: {too_few_athletes(n)}.")
    mean, sd = float(each.mean()), float(each.std(ddof=1))
    value, ends = mean, t_interval(mean, sd / n**0.5, n - 1)
    if name.startswith("sd_"):
        value, ends = sd, sd_interval(sd, n - 1)
    return Row.of(name, value, ends, n=n, n_pairs=n_pairs)


@dataclass(frozen=True, slots=True)
class ThresholdAgreement(Result):
    """Agreement of two who read the same thresholds: raters, or a computation and the raters' mean."""

    differences: pd.DataFrame  # athlete_id, group (``vt1: rater_2 minus rater_1``), d
    unit: str

    def _rows(self) -> TableRows:
        for name, own in self.differences.groupby("group", sort=True):
            if own["athlete_id"].nunique() >= FEW_TO_SHOW:
                for row in limits_by_athlete(own["d"], own["athlete_id"]).rows():
                    yield row._replace(group=str(name), unit=self.unit)

    def _finding(self) -> str:
        each = self.differences.groupby("group")["d"]
        told = (
            f"{name}: {own.mean():+.1f} {self.unit} (SD {own.std():.1f})"
            for name, own in each
            if len(own) >= FEW_TO_SHOW
        )
        return "; ".join(told) or "No two read the same thresholds."


def threshold_agreement(thresholds: pd.DataFrame, quantity: str) -> ThresholdAgreement:
    """
    Set every two readings of the same threshold of the same test beside each other.

    thresholds: as `Thresholds.frame`.
    quantity: {"vo2", "hr"}.
    Returns: the second rater minus the first; every computed method minus the mean of the raters.
    """
    by = ["athlete_id", "lab_test_id", "threshold"]
    known = thresholds[thresholds[quantity].notna()]
    is_rater = known["method"].str.startswith("rater_")
    raters, computed = known[is_rater], known[~is_rater]
    mean = raters.groupby(by, as_index=False)[quantity].mean().assign(method=RATERS_MEAN)
    parts = [
        raters[raters["method"] == second].merge(raters[raters["method"] == first], on=by)
        for first, second in combinations(sorted(raters["method"].unique()), 2)
    ]
    both = pd.concat([*parts, computed.merge(mean, on=by)], ignore_index=True)
    if both.empty:
        return ThresholdAgreement(pd.DataFrame({"athlete_id": [], "group": [], "d": []}), "")
    group = both["threshold"] + ": " + both["method_x"] + " minus " + both["method_y"]
    d = (both[f"{quantity}_x"] - both[f"{quantity}_y"]).astype("float64")
    found = both[["athlete_id"]].assign(group=group, d=d)
    return ThresholdAgreement(found, QUANTITIES[quantity])


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


def _agreement(name_and_place: str, what: str, unit: str) -> Analysis:
    return recorded(f"""
        {name_and_place}, readings, own section: agreement on {what} at the thresholds
        bias [{unit}]: bias
          How much higher the first named reads {what}.
          = mean and SD of the differences, each athlete's mean; exact intervals | Bland and Altman
          1986, 2007
        sd_of_differences [{unit}]: SD of differences
          Their spread.
        lower_limit [{unit}]: lower limit
          97.5 % of differences lie above it.
        upper_limit [{unit}]: upper limit
          97.5 % of differences lie below it.
        """)


RECORDS: Final = (
    recorded("""
        thresholds, place 107, readings, own section: ventilatory thresholds
        share_found [1] of n_pairs: share found
          Tests in which the method finds a threshold; it is refused where no corner is clear.
          = tests with a threshold over tests looked at; Wilson's interval
        mean_vo2: uptake at it
          Uptake at the threshold.
          = where two lines meet, or as a rater read it; mean over athletes, each with the mean of
          the own tests; interval by Student's t | V-slope and VE on VCO2: Beaver 1986 (memory);
          VE/VO2: Caiozzo 1982 (first page read); VE/VCO2: Reinhard 1979 (memory); test and
          interval: Hansen 2017 (abstract read)
        mean_share_of_vo2max [%]: uptake at it, of VO2max
          Uptake at the threshold over the test's VO2max.
          = mean over athletes, each with the mean of the own tests; interval by Student's t
        mean_hr [bpm]: heart rate at it
          Heart rate there, without athletes under a drug that limits it.
        mean_share_of_hr_max [%]: heart rate at it, of HRmax
          Heart rate at the threshold over the test's highest.
        sd_share_of_hr_max [%]: SD of heart rate at it, of HRmax
          How far athletes differ: that much one share of HRmax for all misplaces a zone.
          = SD over athletes; interval by chi-square
        """),
    _agreement("threshold_agreement, place 108", "uptake", UNIT),
    _agreement("threshold_agreement_hr, place 109", "heart rate", "bpm"),
    recorded(
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
    ),
)
