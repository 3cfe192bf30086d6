"""What the choice of averaging rule is worth, in the laboratory's own tests."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.stats.method_data import NOT_ESTIMABLE, TOO_FEW, NotEstimable
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows

AGAINST: Final = "fixed 30 s"  # the rule of the published comparison
FEWEST_FOR_THIRDS: Final = 9  # tests: three in each third; the authors' choice, no source


@dataclass(frozen=True, slots=True)
class AveragingRules(Result):
    """The same breaths under every averaging rule."""

    # by rule: mean_vo2max and shift_of_bias (what the bias would change by, were this rule in use
    # instead of the present one; NaN while several are) of the tests that every rule can serve,
    # [mL/kg/min]; share_more_median, share_more_p10, share_more_p90 (share by which the rule lies
    # above `AGAINST`: median and the range of eight tests of ten); share_third_moved (share of
    # tests that stand in another third of the squad, by rank, than under the rule in use; NaN while
    # several are, or with fewer than `FEWEST_FOR_THIRDS` tests); n_tests
    frame: pd.DataFrame
    n: int  # athletes
    in_use: tuple[str, ...]  # rules behind the laboratory's values

    def _rows(self) -> TableRows:
        for rule, row in self.frame.iterrows():
            told: dict[str, Any] = {"n_pairs": int(row["n_tests"]), "group": str(rule)}
            for name in RECORD.names:
                note = f"{NOT_ESTIMABLE}: the tests do not share one rule"
                if name == "share_third_moved" and row["n_tests"] < FEWEST_FOR_THIRDS:
                    note = TOO_FEW
                yield self.row(name, row[name], note=note if np.isnan(row[name]) else "", **told)

    def _finding(self) -> str:
        apart = self.frame["mean_vo2max"].max() - self.frame["mean_vo2max"].min()
        return (
            f"The same breaths differ by {apart:.1f} mL/kg/min from the lowest to the highest rule."
        )


def averaging_rules(tests: pd.DataFrame) -> AveragingRules:
    """
    Price the choice of averaging rule.

    tests: athlete_id, lab_test_id, rule, vo2max [mL/kg/min], in_use (the rule behind the test's
        value): each test under several rules.
    Returns means of the tests that have a value under every rule, or of all when there is none such.
    Raises NotEstimable when no test has a value under `AGAINST`.
    """
    wide = tests.pivot_table(index="lab_test_id", columns="rule", values="vo2max")
    if AGAINST not in wide:
        raise NotEstimable(f"no test with breaths is as long as {AGAINST}.")
    complete = wide.dropna()
    used = complete if len(complete) else wide
    own = tests[tests["lab_test_id"].isin(used.index)]
    in_use = tuple(sorted(own["in_use"].dropna().unique()))
    more, tests_of = used.div(used[AGAINST], axis=0) - 1.0, used.notna().sum()
    mean = used.mean()
    now, moved = np.nan, pd.Series(np.nan, index=used.columns)
    if len(in_use) == 1:
        now = mean.get(in_use[0], np.nan)
        if in_use[0] in used and len(used) >= FEWEST_FOR_THIRDS:  # thirds by rank of the tests
            third = (3 * used.rank(method="average") / tests_of).apply(np.ceil)
            other = third.ne(third[in_use[0]], axis=0) & third.notna()
            moved = other.sum() / tests_of
    frame = pd.DataFrame(
        {
            "mean_vo2max": mean,
            "shift_of_bias": now - mean,
            "share_more_median": more.median(),
            "share_more_p10": more.quantile(0.1),
            "share_more_p90": more.quantile(0.9),
            "share_third_moved": moved,
            "n_tests": tests_of,
        }
    )
    return AveragingRules(frame, int(own["athlete_id"].nunique()), in_use)


RECORD: Final = recorded(f"""
    averaging_rule, place 330, whole, own section: averaging rules on the same breaths
    mean_vo2max: mean VO2max under the rule / mean VO2max
      Mean of the tests that every rule can serve.
      = the same breaths averaged anew under every rule
    shift_of_bias: shift of the bias
      What the bias would change by, were this rule in use instead of the present one.
      = mean under the rule in use less that under this rule
    share_more_median [p] from 50: share above {AGAINST} / more than {AGAINST}: median
      By what share the rule lies above {AGAINST}, in the middle test.
      = quantiles over tests of the value over that by {AGAINST}, less 1
    share_third_moved [1] of n_pairs: share in another third of the squad / in another third
      Share of tests that the rule puts into another third of the squad than the rule in use. Thirds
      are by rank among these tests: no published classes are used.
      = ranks of the tests under each rule, in three equal parts
    share_more_p10 [p] from 50: share above {AGAINST}, low end / a tenth lies below
      The same, in the test that one of ten lies below.
      = as share_more_median
    share_more_p90 [p] from 50: share above {AGAINST}, high end / a tenth lies above
      The same, in the test that one of ten lies above.
    """).by(unless_possible=(("all", ()),))  # no row of a mode without breaths
