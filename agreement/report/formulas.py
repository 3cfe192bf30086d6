"""How every statistic of the results table is computed, in words, and who published it."""

from typing import Final

FORMULAS: Final = (
    ("difference d", "field minus laboratory", "sign fixed here"),
    ("bias", "mean of d; interval by Student's t", "Bland & Altman 1986"),
    ("standard deviation s", "of d, on n - 1; interval by chi-square", "Bland & Altman 1986"),
    (
        "limits of agreement",
        "bias plus and minus z s, z the normal quantile",
        "Bland & Altman 1986",
    ),
    ("interval of a limit", "exact, noncentral t", "Carkeet 2015"),
    (
        "limits, several pairs each",
        "unweighted means of athletes; intervals from those of their parts (MOVER)",
        "Bland & Altman 2007; Zou 2013",
    ),
    ("slope on the mean", "least squares of d on the mean of both", "Bland & Altman 1999"),
    ("p of even spread", "squared residuals on the mean, studentised", "Koenker 1981"),
    ("calibration line, r", "least squares of laboratory on field", "textbook"),
    ("standard error of estimate", "residual standard deviation, on n - 2", "textbook"),
    ("Deming", "line with error on both sides, known ratio of variances", "Linnet 1993"),
    ("Passing-Bablok", "shifted median of all pairwise slopes", "Passing & Bablok 1983"),
    ("concordance", "2 cov / (variances + squared bias)", "Lin 1989"),
    ("intraclass correlation", "two-way, absolute agreement, single value", "Shrout & Fleiss 1979"),
    ("mean absolute error", "mean of |d|; in per cent: of |d| / laboratory", "textbook"),
    ("bias by profile", "group means; Welch's test; Holm's p", "Welch 1951; Holm 1979"),
    ("equivalence", "two one-sided t tests of the bias", "Schuirmann 1987"),
    ("two methods", "correlation of sum and difference of errors", "Pitman 1939; Morgan 1939"),
    ("typical error", "root mean square within athletes", "Bland & Altman 1996"),
    ("share within the limit", "Wilson's interval", "Newcombe 1998"),
    (
        "resampled intervals",
        "athletes drawn with replacement; corrected for bias and skewness (BCa)",
        "Efron & Tibshirani 1993",
    ),
    ("athletes still needed", "power of both limits inside the agreed one", "Lu 2016"),
)
