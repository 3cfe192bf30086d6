"""What the results table holds of the structural slope: the record of each statistic."""

from typing import Final

from agreement.stats.lines.structural import structural_of
from agreement.stats.record import Analysis, Privacy, declared

RECORD: Final = Analysis(
    name="structural",
    place=405,
    label="the field value against true fitness",
    statistics=declared("""
        slope [1]: field value per unit of true fitness
          How much the field value rises when true fitness rises by one, the laboratory's noise
          taken out.
          = least-squares slope over the laboratory's reliability; interval by MOVER-R | Fuller
          1987; Donner & Zou 2012
        reliability [1]: reliability of the laboratory
          Share of the spread of laboratory values that is the athletes', not noise.
          = 1 less the laboratory's variance over that of its values; F interval | Fuller 1987
        p_slope_one [p]: p of a slope of 1
          How often chance alone would take the slope this far from 1.
          = moments of field and true value compared, athlete by athlete | Fuller 1987
        p_slope_zero [p]: p of a slope of 0
          How often chance alone would take the slope this far from 0.
          = t test of the least-squares slope | textbook
        lean_from_noise [p]: lean of the differences from noise alone
          Slope of the differences on fitness that unequal noise of both makes by itself.
          = variances of both noises over that of the mean of both
        error_ratio [1]: ratio of error variances
          Field's own error variance over the laboratory's, lasting errors included.
          = what the structural slope leaves unexplained | Fuller 1987
        sem_for_slope_one: laboratory error that would make the slope 1
          A laboratory error of this size would by itself make the slope 1.
          = root of the laboratory's variance less the covariance
        """),
    privacy=Privacy.WHOLE,
    compute=structural_of,
)
