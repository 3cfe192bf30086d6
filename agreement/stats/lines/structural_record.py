"""What the results table holds of the structural slope: the record of each statistic."""

from typing import Final

from agreement.stats.lines.structural import structural_of
from agreement.stats.record import OURS, Analysis, Privacy, ratio
from agreement.terms import UNIT

_SLOPE: Final = ratio(
    "slope",
    "field value per unit of true fitness",
    "How much the field value rises when true fitness rises by one, the laboratory's noise taken out.",
    "least-squares slope over the laboratory's reliability; interval by MOVER-R",
    "Fuller 1987; Donner & Zou 2012",
)
RECORD: Final = Analysis(
    name="structural",
    place=405,
    label="the field value against true fitness",
    statistics=(
        _SLOPE,
        _SLOPE.named(
            "reliability",
            label="reliability of the laboratory",
            meaning="Share of the spread of laboratory values that is the athletes', not noise.",
            formula="1 less the laboratory's variance over that of its values; F interval",
            source="Fuller 1987",
        ),
        _SLOPE.named(
            "p_slope_one",
            label="p of a slope of 1",
            meaning="How often chance alone would take the slope this far from 1.",
            formula="moments of field and true value compared, athlete by athlete",
            source="Fuller 1987",
            digits=3,
        ),
        _SLOPE.named(
            "p_slope_zero",
            label="p of a slope of 0",
            meaning="How often chance alone would take the slope this far from 0.",
            formula="t test of the least-squares slope",
            source="textbook",
            digits=3,
        ),
        _SLOPE.named(
            "lean_from_noise",
            label="lean of the differences from noise alone",
            meaning="Slope of the differences on fitness that unequal noise of both makes by itself.",
            formula="variances of both noises over that of the mean of both",
            source=OURS,
            digits=3,
        ),
        _SLOPE.named(
            "error_ratio",
            label="ratio of error variances",
            meaning="Field's own error variance over the laboratory's, lasting errors included.",
            formula="what the structural slope leaves unexplained",
            source="Fuller 1987",
        ),
        _SLOPE.named(
            "sem_for_slope_one",
            label="laboratory error that would make the slope 1",
            meaning="A laboratory error of this size would by itself make the slope 1.",
            formula="root of the laboratory's variance less the covariance",
            source=OURS,
            unit=UNIT,
            digits=1,
        ),
    ),
    privacy=Privacy.WHOLE,
    compute=structural_of,
)
