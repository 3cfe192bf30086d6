"""What the results table holds of the own error: the record of each statistic."""

from typing import Final

from agreement.stats.limits.net_of_laboratory import net_of_laboratory_of
from agreement.stats.record import OURS, SQUARED, Analysis, Privacy, Statistic, ratio

_HOW: Final = "variance of d less the laboratory's share of it, from repeats; intervals by MOVER"
_SOURCE: Final = "Fuller 1987; Zou & Donner 2008"
_LOWER: Final = Statistic(
    "own_lower_limit",
    "own lower limit",
    "Where the lower limit would lie, had the laboratory no noise.",
    _HOW,
    _SOURCE,
)
_VARIANCE: Final = Statistic(
    "laboratory_variance",
    "variance of one laboratory test",
    "The laboratory's own noise about an athlete's true value.",
    "residual mean square of repeats, a shift from test to test taken out",
    "Graybill & Wang 1980",
    unit=SQUARED,
)
RECORD: Final = Analysis(
    name="net_of_laboratory",
    place=400,
    label="the field method's own error",
    statistics=(
        Statistic(
            "own_bias",
            "own bias",
            "Mean of field minus laboratory; the laboratory's noise does not move it.",
            "mean of d; interval by Student's t",
            "Bland & Altman 1986",
        ),
        Statistic(
            "own_sd",
            "own spread",
            "How far the field method's own errors scatter, the laboratory's noise taken out.",
            _HOW,
            _SOURCE,
        ),
        _LOWER,
        _LOWER.named(
            "own_upper_limit",
            label="own upper limit",
            meaning="Where the upper limit would lie, had the laboratory no noise.",
        ),
        ratio(
            "own_share_within_margin",
            "share of true values within the limit",
            "Share of readings that lie within the agreed limit of the athlete's true value.",
            "normal distribution of own bias and own spread",
            _SOURCE,
        ),
        _VARIANCE,
        _VARIANCE.named(
            "laboratory_df",
            label="degrees of freedom of that variance",
            meaning="How well the laboratory's noise is known.",
            unit="1",
        ),
        ratio(
            "laboratory_share",
            "the laboratory's share of the spread",
            "Share of the variance of differences that is the laboratory's noise.",
            "the laboratory's variance in a difference over the variance of d",
            OURS,
        ),
    ),
    privacy=Privacy.WHOLE,
    compute=net_of_laboratory_of,
)
