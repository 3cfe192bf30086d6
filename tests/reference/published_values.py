"""Values printed in papers, books and handbooks, and ours: agreement, repeats, lines, shares."""

import warnings
from collections.abc import Iterator

import numpy as np
from trust_rows import Row, of_file

from agreement.errors import SmallSampleWarning
from agreement.stats.basics.intervals import sd_interval, t_interval
from agreement.stats.basics.least_squares import fit_line
from agreement.stats.basics.shares import wilson_interval
from agreement.stats.basics.tolerance import howe_factor, limit_factors, tolerance_factor
from agreement.stats.basics.welch import brown_forsythe, contrasts_with_overall, welch_test
from agreement.stats.indices.concordance import MeanSquares, concordance, intraclass_correlation
from agreement.stats.limits.limits import LimitsOfAgreement, limits_of_agreement
from agreement.stats.limits.limits_of_agreement_anova import limits_of_agreement_anova
from agreement.stats.lines.deming import deming
from agreement.stats.lines.passing_bablok import passing_bablok
from agreement.stats.repeats.repeatability import repeatability
from agreement.stats.verdict.planning import plan

STATISTICS = of_file("published_statistics.json")
COMPARISON = of_file("published_method_comparison.json")
PRESSURE = np.array(STATISTICS["blood_pressure_1999"]["rows"], dtype=np.float64)
PEAK_FLOW = np.array(STATISTICS["pefr_1986"]["rows"], dtype=np.float64)
SECOND_HAND, MEMORY = "read second-hand", "memory"


def published_rows() -> Iterator[Row]:
    """All of them."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", SmallSampleWarning)
        yield from one_pair_each()
        yield from several_readings()
    yield from correlations()
    yield from lines()
    yield from group_tests()
    yield from shares()
    yield from factors()


def _rows(source: str, provenance: str, *values: tuple[str, str, float]) -> Iterator[Row]:
    for quantity, printed, ours in values:
        yield Row(source, provenance, quantity, printed, ours)


def one_pair_each() -> Iterator[Row]:
    """Bias, SD, limits, and the intervals that the papers use."""
    found = limits_of_agreement(PEAK_FLOW[:, 0], PEAK_FLOW[:, 2])
    source = "Bland & Altman 1986 Lancet i:307, peak flow, first readings"
    yield from _rows(source, SECOND_HAND, ("bias", "-2.1", found.bias), ("SD", "38.8", found.sd))
    rounded = "the paper goes on from 38.8 and 16.3, rounded"
    low, high = found.bias_interval()
    two = found.bias - 2 * found.sd, found.bias + 2 * found.sd
    for quantity, printed, ours in (
        ("bias, low", "-22.0", low),
        ("bias, high", "17.8", high),
        ("bias - 2 SD", "-79.7", two[0]),
        ("bias + 2 SD", "75.5", two[1]),
    ):
        yield Row(source, SECOND_HAND, quantity, printed, ours, slack=2.5, note=rounded)
    found = limits_of_agreement(PRESSURE[:, 0], PRESSURE[:, 6])
    yield from _rows(
        "Bland & Altman 1999 Stat Methods Med Res 8:135, blood pressure, first readings",
        MEMORY,
        ("bias", "-16.29", found.bias),
        ("SD", "19.61", found.sd),
        ("lower limit", "-54.7", found.lower),
        ("upper limit", "22.1", found.upper),
    )
    found = LimitsOfAgreement(n=11, bias=-0.31, sd=2.056)
    source = "Longo et al. 2017 Apunts Med Esport 52:17, VO2max, 11 men"
    rounded = "the SD follows from limits printed to 0.01"
    for name, side, printed in (
        ("lower limit", found.lower_interval(grade="approximate 1999"), ("-6.78", "-1.90")),
        ("upper limit", found.upper_interval(grade="approximate 1999"), ("1.29", "6.16")),
    ):
        for end, text, ours in zip(("low", "high"), printed, side, strict=True):
            yield Row(source, "read", f"{name}, {end}", text, ours, slack=2, note=rounded)


def several_readings() -> Iterator[Row]:
    """Replicates, pairs that repeat, and the typical error."""
    source = "Bland & Altman 1999, blood pressure, three readings each"
    for name, first, variance, coefficient in (
        ("observer J", 0, "37.408", "16.95"),
        ("observer R", 3, "37.980", None),
        ("monitor S", 6, "83.141", "25.27"),
    ):
        rows = PRESSURE[:, first : first + 3]
        repeats = repeatability(rows.ravel(), np.repeat(np.arange(85), 3))
        yield Row(source, MEMORY, f"variance within people, {name}", variance, repeats.variance)
        if coefficient is not None:
            quantity = f"smallest real change, {name}"
            ours, provenance = repeats.smallest_real_change, SECOND_HAND
            yield Row(source, provenance, quantity, coefficient, ours)
    rows = np.array(STATISTICS["peak_flow_1996"]["rows"])
    repeats = repeatability(rows.ravel(), np.repeat(np.arange(20), 4))
    yield from _rows(
        "Bland & Altman 1996 BMJ 313:744, peak flow of 20 children",
        MEMORY,
        ("mean square within children", "460.52", repeats.variance),
        ("typical error", "21.5", repeats.typical_error),
    )
    people = STATISTICS["cardiac_2007"]["people"]
    who = np.repeat(np.arange(len(people)), [len(rows) for rows in people])
    rv, ic = np.concatenate([np.array(rows) for rows in people]).T
    found = limits_of_agreement_anova(rv - ic, who)
    source = "Bland & Altman 2007 J Biopharm Stat 17:571, cardiac output"
    yield from _rows(
        f"{source}, true value varies",
        MEMORY,
        ("bias", "0.60", found.bias),
        ("SD", "0.99", found.sd),
        ("lower limit", "-1.34", found.lower),
    )


def correlations() -> Iterator[Row]:
    """Intraclass correlations and the concordance correlation."""
    squares = MeanSquares(n=6, k=4, athletes=11.24, methods=32.49, error=1.02)
    source = "Shrout & Fleiss 1979 Psychol Bull 86:420, tables 2 to 4, from the mean squares"
    for form, printed in {"A,1": "0.29", "C,1": "0.71"}.items():
        ours = intraclass_correlation(squares, form)[0]
        yield Row(source, "read", f"ICC({form})", printed, ours)
    table = np.array(COMPARISON["mcgraw_wong_1996"]["rows"], float)
    (n, k), people, methods = table.shape, table.mean(axis=1), table.mean(axis=0)
    left = table - people[:, None] - methods + table.mean()
    error = float((left**2).sum()) / ((n - 1) * (k - 1))
    squares = MeanSquares(n, k, k * people.var(ddof=1), n * methods.var(ddof=1), error)
    ours = intraclass_correlation(squares, "A,1")[0]
    yield Row("McGraw & Wong 1996 Psychol Methods 1:30", "read", "ICC(A,1)", "0.6667", ours)
    source = "documentation of a general psychometric function, mean squares 48.2 and 11.3"
    value, ends = intraclass_correlation(MeanSquares(30, 5, 48.2, 11.3, 11.3), "C,1")
    texts = ("0.395", "0.231", "0.585")
    values = zip(("", ", low", ", high"), texts, (value, *ends), strict=True)
    yield from _rows(source, "read", *((f"ICC(C,1){end}", *pair) for end, *pair in values))
    i = np.arange(20)
    x = np.sin(1.1 * i) + 0.1 * i
    found = concordance(1 + 0.5 * x - 0.3 * np.cos(0.7 * i) + 0.2 * np.sin(3.3 * i), x)
    for quantity, printed, ours in (
        ("concordance correlation", "0.5982433922669277", found.ccc),
        ("low", "0.38254267739764947", found.ccc_interval.low),
        ("high", "0.7521029076404483", found.ccc_interval.high),
    ):
        source = "numbers of a general statistics library for Lin 2000 Biometrics 56:324"
        yield Row(source, "read", quantity, printed, ours, at_least=12.0)


def lines() -> Iterator[Row]:
    """Least squares, Deming, Passing-Bablok."""
    men = of_file("fitness_31_men.json")
    table = np.array([row[3:5] for row in men["rows"]], dtype=np.float64)
    line = fit_line(table[:, 1], table[:, 0])
    yield from _rows(
        "31 men, oxygen uptake on 1.5-mile time (Rawlings, Pantula & Dickey)",
        MEMORY,
        ("intercept", "82.42177", line.intercept),
        ("slope", "-3.31056", line.slope),
        ("r squared", "0.7434", line.r**2),
        ("residual SD", "2.74478", line.residual_sd),
    )
    example = COMPARISON["pearson_1901"]
    fit = deming(example["y"], example["x"])
    yield from _rows(
        "Pearson 1901 Phil Mag 2:559, line of closest fit",
        "read",
        ("intercept", "5.784", fit.intercept),
        ("slope", "-0.54556", fit.slope),
    )
    example = COMPARISON["deming_65"]
    ratio = np.var(example["x"]) / np.var(example["y"])
    fit = deming(example["y"], example["x"], error_ratio=float(ratio))
    yield from _rows(
        "Wicklin 2019, Deming regression, 65 pairs",
        "read",
        ("intercept", "-10.56415", fit.intercept),
        ("slope", "0.354463", fit.slope),
    )
    example = COMPARISON["giavarina_2015"]
    fit = passing_bablok(example["b"], example["a"])
    yield from _rows(
        "Giavarina 2015 Biochem Med 25:141, Passing-Bablok, 30 pairs",
        MEMORY,
        ("slope", "1.06", fit.slope),
        ("slope, low", "1.02", fit.slope_interval.low),
        ("slope, high", "1.09", fit.slope_interval.high),
        ("intercept", "7.08", fit.intercept),
        ("intercept, low", "-0.30", fit.intercept_interval.low),
        ("intercept, high", "19.84", fit.intercept_interval.high),
    )


def group_tests() -> Iterator[Row]:
    """Groups of unequal spread, printed by a general statistics program."""
    plants = list(STATISTICS["plant_growth"]["groups"].values())
    found = welch_test(plants)
    yield from _rows(
        "Dobson 1983, plant weights, Welch's test as R prints it",
        "read",
        ("F", "5.181", found.f),
        ("df", "17.128", found.df2),
        ("p", "0.01739", found.p),
    )
    ours = brown_forsythe(plants)
    yield Row("Dobson 1983, plant weights, Brown-Forsythe", MEMORY, "p", "0.3412", ours)
    first, _ = contrasts_with_overall(list(STATISTICS["sleep"]["groups"].values()))
    low, high = first.interval
    yield from _rows(
        "Student 1908 Biometrika 6:1, sleep, Welch's t as R prints it",
        "read",
        ("t", "-1.8608", first.estimate / first.standard_error),
        ("df", "17.776", first.df),
        ("p", "0.07939", first.p),
        ("low", "-3.3654832", 2 * low),  # the contrast with the mean of both is half of this
        ("high", "0.2054832", 2 * high),
    )


def shares() -> Iterator[Row]:
    """Intervals of a share."""
    for k, n, wilson in (
        (81, 263, ("0.2553", "0.3662")),
        (15, 148, ("0.0624", "0.1605")),
        (0, 20, ("0.0000", "0.1611")),
        (1, 29, ("0.0061", "0.1718")),
    ):
        source = f"Newcombe 1998 Stat Med 17:857, table I, {k} of {n}"
        low, high = wilson_interval(k, n)
        ends = ("Wilson, low", wilson[0], low), ("Wilson, high", wilson[1], high)
        yield from _rows(source, SECOND_HAND if n == 263 else MEMORY, *ends)


def factors() -> Iterator[Row]:
    """Handbook tables of quantiles and tolerance factors; a printed sample size."""
    for df, printed in {1: "12.706", 2: "4.303", 5: "2.571", 10: "2.228", 30: "2.042"}.items():
        ours = t_interval(0.0, 1.0, df).high
        yield Row("handbook table of Student's t", MEMORY, f"0.975, df {df}", printed, ours)
    for df, low, high in ((10, "3.247", "20.483"), (30, "16.791", "46.979")):
        interval = sd_interval(1.0, df)
        values = (low, "0.025", interval.high), (high, "0.975", interval.low)
        for printed, share, end in values:
            quantity = f"{share}, df {df}"
            yield Row("handbook table of chi-square", MEMORY, quantity, printed, df / end**2)
    source = "Berthouex & Brown, table 21.1, two-sided tolerance factor, confidence 0.95"
    for name, value in STATISTICS["tolerance_two_sided_95"]["values"].items():
        n, share = name.removeprefix("n").split("_p")
        ours = tolerance_factor(int(n), float(share))
        note = "the book rounds some entries up" if abs(ours - value) > 0.005 else ""
        slack = 0.62 if note else 0.5
        quantity, printed = f"n {n}, share {share}", f"{value:.2f}"
        yield Row(source, "read", quantity, printed, ours, slack=slack, note=note)
    source = "NIST/SEMATECH handbook 7.2.6.3, n = 43, share 0.90, confidence 0.99"
    yield Row(source, "read", "approximate two-sided", "2.2173159", howe_factor(43, 0.90, 0.99))
    one_sided = limit_factors(43, 0.80, 0.98)[1]  # one tail of each
    yield Row(source, MEMORY, "exact one-sided", "1.8740", one_sided)
    ours = float(plan(0.001129, bias=0.001167, margin=0.004).for_power_printed or 0)
    yield Row("Lu et al. 2016 Int J Biostat 12(2)", SECOND_HAND, "sample size", "83", ours)
