"""The same number from another library: our statistics beside those of general ones, on this study."""

import os
import warnings
from collections.abc import Iterator
from contextlib import suppress
from math import isfinite, log10
from typing import Final, NamedTuple

import numpy as np
import pandas as pd

from agreement.arrays import DECIMALS, Floats
from agreement.stats.basics.shares import wilson_interval
from agreement.stats.basics.welch import brown_forsythe, welch_test
from agreement.stats.causes.profile_bias import FEW_FOR_BIAS
from agreement.stats.indices.concordance import concordance
from agreement.stats.indices.equivalence import equivalence
from agreement.stats.limits.limits import limits_of_agreement
from agreement.stats.limits.shape import shape
from agreement.stats.lines.regression import regression
from agreement.stats.lines.trend import trend
from agreement.terms import NOT_ENOUGH_DATA

MOST_DIGITS: Final = 15  # that floating point can share
Fields = tuple[str, float, float, str]  # of a `SameNumber`
_MARGIN: Final = 3.5  # where none was agreed; only the libraries are compared


class SameNumber(NamedTuple):
    """One statistic of ours beside that of a general library."""

    statistic: str
    ours: float
    theirs: float
    function: str

    @property
    def digits(self) -> int:
        """Significant digits in common, at most 15; 0 where either is missing."""
        if not (isfinite(self.ours) and isfinite(self.theirs)):
            return 0
        apart = abs(self.ours - self.theirs)
        if apart == 0.0:
            return MOST_DIGITS
        return max(0, min(MOST_DIGITS, int(-log10(apart / max(abs(self.ours), 1e-300)))))


def same_numbers(pairs: pd.DataFrame, margin: float | None = None) -> list[SameNumber]:
    """
    Return statistics of ours beside those of scipy, statsmodels and pingouin.

    pairs: columns athlete_id, training_profile, field, lab; one row for each athlete, 10 or more.
    margin: for what asks for one. [mL/kg/min]
    """
    os.environ.setdefault("OUTDATED_IGNORE", "1")  # early versions ask the network on import
    field, lab = (pairs[name].to_numpy(np.float64) for name in ("field", "lab"))
    limit = _MARGIN if margin is None else margin
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of few athletes, and what libraries say of one another
        parts = [_of_differences(field - lab, limit), _of_lines(field, lab)]
        parts.append(_of_agreement(field, lab))
        sizes = pairs["training_profile"].value_counts()
        large = sizes.index[(sizes >= FEW_FOR_BIAS) & (sizes.index != NOT_ENOUGH_DATA)]
        if len(large) > 1:
            parts.append(_of_profiles(pairs[pairs["training_profile"].isin(list(large))]))
        return [SameNumber(*row) for part in parts for row in _possible(part)]


def _possible(rows: Iterator[Fields]) -> Iterator[Fields]:
    """Yield rows up to the first that cannot be told of these pairs; its own analysis says why."""
    with suppress(ValueError):
        yield from rows


def _of_differences(d: Floats, limit: float) -> Iterator[Fields]:
    from scipy import stats
    from statsmodels.stats.proportion import proportion_confint
    from statsmodels.stats.weightstats import DescrStatsW

    ours, theirs = limits_of_agreement(d, np.zeros_like(d)), DescrStatsW(d)
    yield "bias", ours.bias, theirs.mean, "statsmodels DescrStatsW.mean"
    low, high = stats.ttest_1samp(d, 0.0).confidence_interval()
    for end, own, other in zip(("lower", "upper"), ours.bias_interval(), (low, high), strict=True):
        yield f"bias, {end} end of its interval", own, other, "scipy ttest_1samp"
    sd = float(np.sqrt(theirs.var_ddof(1)))
    yield "standard deviation of differences", ours.sd, sd, "statsmodels DescrStatsW"
    within = int((np.abs(d) <= limit).sum())
    share = wilson_interval(within, d.size)
    ends = proportion_confint(within, d.size, method="wilson")
    name, function = "share within the limit, upper end", "statsmodels proportion_confint"
    yield name, share.high, ends[1], function
    p, own = theirs.ttost_mean(-limit, limit)[0], equivalence(d, limit).p_tost
    yield "p of equivalence", own, p, "statsmodels DescrStatsW.ttost_mean"
    form, rounded = shape(d, np.arange(d.size)), np.round(d, DECIMALS)  # as ours are
    yield "skewness", form.skewness, float(stats.skew(rounded)), "scipy skew"
    p = float(stats.shapiro(rounded).pvalue)
    yield "p of normal differences", form.p_normal, p, "scipy shapiro"


def _of_lines(field: Floats, lab: Floats) -> Iterator[Fields]:
    from scipy import stats
    from statsmodels.regression.linear_model import OLS
    from statsmodels.stats.diagnostic import het_breuschpagan

    d, mean = field - lab, (field + lab) / 2.0
    design = np.column_stack([np.ones_like(mean), mean])
    ours, theirs = trend(field, lab), OLS(d, design).fit()
    yield "slope on the mean", ours.line.slope, theirs.params[1], "statsmodels OLS"
    yield "p of that slope", ours.p_slope, theirs.pvalues[1], "statsmodels OLS"
    breusch_pagan = het_breuschpagan(theirs.resid, design)[1]
    yield "p of even spread", ours.p_spread, breusch_pagan, "statsmodels het_breuschpagan"
    joint = float(theirs.f_test(np.eye(2)).pvalue)
    yield "p of neither bias nor slope", ours.p_joint, joint, "statsmodels OLS.f_test"
    own, line = regression(field, lab), stats.linregress(field, lab)
    yield "calibration slope", own.slope, line.slope, "scipy linregress"
    yield "correlation", own.r, line.rvalue, "scipy linregress"
    fitted = OLS(lab, np.column_stack([np.ones_like(field), field])).fit()
    error = float(np.sqrt(fitted.mse_resid))
    yield "standard error of estimate", own.standard_error_of_estimate, error, "statsmodels OLS"


def _of_agreement(field: Floats, lab: Floats) -> Iterator[Fields]:
    from pingouin import intraclass_corr

    n = field.size
    long = pd.DataFrame(
        {"who": np.tile(np.arange(n), 2), "by": np.repeat(["field", "lab"], n)}
    ).assign(value=np.concatenate([field, lab]))
    found = intraclass_corr(data=long, targets="who", raters="by", ratings="value")
    theirs = dict(zip(found["Type"], found["ICC"], strict=True))
    ours = concordance(field, lab)
    for word, own, names in (
        ("agreement", ours.icc_a1, ("ICC2", "ICC(A,1)")),
        ("consistency", ours.icc_c1, ("ICC3", "ICC(C,1)")),
    ):
        other = next(float(theirs[name]) for name in names if name in theirs)
        yield f"intraclass correlation, {word}", own, other, "pingouin intraclass_corr"


def _of_profiles(pairs: pd.DataFrame) -> Iterator[Fields]:
    from statsmodels.stats.oneway import anova_oneway, test_scale_oneway

    d = (pairs["field"] - pairs["lab"]).astype(float)
    by_profile = d.groupby(pairs["training_profile"].astype(object), sort=True)
    groups = [group.to_numpy() for _, group in by_profile]
    welch = anova_oneway(groups, use_var="unequal", welch_correction=True).pvalue
    yield "p of equal bias in profiles", welch_test(groups).p, welch, "statsmodels anova_oneway"
    how = {"method": "equal", "center": "median", "transform": "abs", "trim_frac_mean": 0.0}
    spread, name = test_scale_oneway(groups, **how).pvalue, "p of equal spread in profiles"
    yield name, brown_forsythe(groups), spread, "statsmodels test_scale_oneway"
