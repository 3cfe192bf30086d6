"""How every statistic of the results table is computed, in words, and who published it."""

from typing import Final, NamedTuple

OURS: Final = "arithmetic; no source"


class Formula(NamedTuple):
    """
    One row of the list.

    Attributes
    ----------
    analyses : str
        Names of `agreement.stats.catalogue.ANALYSES` that it explains, with blanks between.
    statistic, how, source : str
    """

    analyses: str
    statistic: str
    how: str
    source: str


FORMULAS: Final = (
    Formula("", "difference d", "field minus laboratory", "sign fixed here"),
    Formula(
        "limits_of_agreement", "bias", "mean of d; interval by Student's t", "Bland & Altman 1986"
    ),
    Formula(
        "limits_of_agreement",
        "standard deviation s",
        "of d, on n - 1; interval by chi-square",
        "Bland & Altman 1986",
    ),
    Formula(
        "limits_of_agreement choice_of_pairs pairing_rule by_sex by_age by_fortnight "
        "borderline_moved across_modes",
        "limits of agreement",
        "bias plus and minus z s, z the normal quantile",
        "Bland & Altman 1986",
    ),
    Formula(
        "limits_of_agreement interval_width",
        "interval of a limit",
        "exact, noncentral t",
        "Carkeet 2015",
    ),
    Formula(
        "limits_of_agreement",
        "limits, several pairs each",
        "unweighted means of athletes; intervals from those of their parts (MOVER)",
        "Bland & Altman 2007; Zou 2013",
    ),
    Formula(
        "limits_of_agreement_anova",
        "the same, by analysis of variance",
        "mean squares between and within athletes, every pair counted once",
        "Bland & Altman 2007",
    ),
    Formula(
        "limits_as_if_independent",
        "limits, pairs taken as independent",
        "as of one pair each, although athletes repeat: to compare with older papers",
        "Bland & Altman 1986",
    ),
    Formula(
        "net_of_laboratory",
        "own bias, spread and limits",
        "variance of d less the laboratory's share of it, from repeats; intervals by MOVER",
        "Fuller 1987; Zou & Donner 2008",
    ),
    Formula(
        "limits_by_convention",
        "limits by convention",
        "s times 1.96, 2 or Student's t on n - 1",
        "as papers print them",
    ),
    Formula(
        "quantile_limits",
        "limits without a normal distribution",
        "quantiles of d; intervals from the ranks",
        "Bland & Altman 1999",
    ),
    Formula(
        "verdict", "athletes still needed", "power of both limits inside the agreed one", "Lu 2016"
    ),
    Formula(
        "trend",
        "slope on the mean",
        "least squares of d on the mean of both",
        "Bland & Altman 1999",
    ),
    Formula(
        "trend", "p of even spread", "squared residuals on the mean, studentised", "Koenker 1981"
    ),
    Formula(
        "limits_by_level",
        "limits that follow fitness",
        "the line of d on the mean, plus and minus z times the residual spread; that spread on a line "
        "of its own where it is uneven",
        "Bland & Altman 1999",
    ),
    Formula(
        "ratio_limits",
        "limits of the ratio",
        "bias and limits of ln(field / laboratory), taken back",
        "Bland & Altman 1999",
    ),
    Formula(
        "trend",
        "p of neither bias nor slope",
        "F of the line against no difference at all",
        "Bradley & Blackwood 1989",
    ),
    Formula(
        "slope_on_one_method drift",
        "slope on one method, on time",
        "least squares of d on the laboratory, on the field value, on the day",
        "Bland & Altman 1995",
    ),
    Formula(
        "regression", "calibration line, r", "least squares of laboratory on field", "textbook"
    ),
    Formula(
        "regression profile_bias",
        "standard error of estimate",
        "residual standard deviation, on n - 2",
        "textbook",
    ),
    Formula(
        "calibration",
        "laboratory-equivalent",
        "nothing, unless an offset or the line is shown to predict athletes left out better; prediction "
        "interval by Student's t",
        "Hastie 2009, section 7.10",
    ),
    Formula(
        "deming", "Deming", "line with error on both sides, known ratio of variances", "Linnet 1993"
    ),
    Formula(
        "passing_bablok",
        "Passing-Bablok",
        "shifted median of all pairwise slopes",
        "Passing & Bablok 1983",
    ),
    Formula(
        "linearity",
        "p of a straight line",
        "largest running sum of signs about the line, its distribution simulated",
        "Passing & Bablok 1983",
    ),
    Formula("concordance", "concordance", "2 cov / (variances + squared bias)", "Lin 1989"),
    Formula(
        "concordance",
        "intraclass correlation",
        "two-way, single value; absolute agreement and consistency",
        "Shrout & Fleiss 1979; McGraw & Wong 1996",
    ),
    Formula(
        "error", "mean absolute error", "mean of |d|; in per cent: of |d| / laboratory", "textbook"
    ),
    Formula("error", "share within the limit", "Wilson's interval", "Newcombe 1998"),
    Formula(
        "error",
        "total deviation index",
        "the size that 90 % of |d| stay below, with its upper bound",
        "Lin 2000; Lin 2002",
    ),
    Formula("shape", "p of normal differences", "order statistics of d", "Shapiro & Wilk 1965"),
    Formula(
        "profile_bias",
        "bias by profile",
        "group means; Welch's test; Holm's p",
        "Welch 1951; Holm 1979",
    ),
    Formula(
        "profile_bias",
        "p of equal spread in profiles",
        "distances from the group's median",
        "Brown & Forsythe 1974",
    ),
    Formula(
        "profile_at_equal_level",
        "bias by profile at equal fitness",
        "least squares on profile and the mean of both methods; errors that allow uneven spread (HC3)",
        "MacKinnon & White 1985",
    ),
    Formula("equivalence", "equivalence", "two one-sided t tests of the bias", "Schuirmann 1987"),
    Formula(
        "two_estimators",
        "two methods",
        "correlation of sum and difference of errors",
        "Pitman 1939; Morgan 1939",
    ),
    Formula(
        "repeatability", "typical error", "root mean square within athletes", "Bland & Altman 1996"
    ),
    Formula(
        "repeatability",
        "smallest real change",
        "z times the root of 2 times the typical error",
        "Hopkins 2000",
    ),
    Formula(
        "repeatability",
        "coefficient of variation",
        "typical error as a share of the mean of the repeated values",
        OURS,
    ),
    Formula(
        "across_modes",
        "difference expected of the modes alone",
        "treadmill above cycle by 10.5 % in runners, 6.1 in triathletes, 2.8 in cyclists",
        "Basset & Boulay 2000",
    ),
    Formula(
        "interval_width",
        "athletes who would halve the intervals",
        "the same intervals at the same spread, for more athletes",
        OURS,
    ),
    Formula(
        "change",
        "agreement of changes",
        "bias, limits and line of field change minus laboratory change; shares by direction",
        "Hopkins 2000; Critchley 2010",
    ),
    Formula(
        "budget",
        "error budget",
        "variance components; causes by least squares, averaged over orders",
        "Lindeman 1980",
    ),
    Formula(
        "averaging_curve",
        "averaging curve",
        "s of means of 1 to 14 days; fitted as what lasts plus day-to-day noise that fades with "
        "distance in days",
        OURS,
    ),
    Formula(
        "mass_mismatch",
        "effect of a wrong body mass",
        "least squares of 100 ln(field / laboratory) on the mismatch in per cent",
        OURS,
    ),
    Formula(
        "intensity_coverage",
        "spread explained by what sessions covered",
        "squared correlation of d with the bias expected of the line; interval by Fisher's z",
        OURS,
    ),
    Formula(
        "error_split",
        "error split by measured stages",
        "the line through measured uptake between field value and laboratory",
        OURS,
    ),
    Formula(
        "averaging_rule",
        "shift by averaging rule",
        "the same breaths averaged anew under every rule",
        OURS,
    ),
    Formula(
        "",
        "resampled intervals",
        "athletes drawn with replacement; corrected for bias and skewness (BCa)",
        "Efron & Tibshirani 1993",
    ),
)
