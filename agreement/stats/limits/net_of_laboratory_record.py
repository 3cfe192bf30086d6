"""What the results table holds of the own error: the record of each statistic."""

from typing import Final

from agreement.stats.limits.net_of_laboratory import net_of_laboratory_of
from agreement.stats.record import Analysis, Privacy, declared

RECORD: Final = Analysis(
    name="net_of_laboratory",
    place=400,
    label="the field method's own error",
    statistics=declared("""
        own_bias: own bias
          Mean of field minus laboratory; the laboratory's noise does not move it.
          = mean of d; interval by Student's t | Bland & Altman 1986
        own_sd: own spread
          How far the field method's own errors scatter, the laboratory's noise taken out.
          = variance of d less the laboratory's share of it, from repeats; intervals by MOVER
          | Fuller 1987; Zou & Donner 2008
        own_lower_limit: own lower limit
          Where the lower limit would lie, had the laboratory no noise.
        own_upper_limit: own upper limit
          Where the upper limit would lie, had the laboratory no noise.
        own_share_within_margin [1]: share of true values within the limit
          Share of readings that lie within the agreed limit of the athlete's true value.
          = normal distribution of own bias and own spread | Fuller 1987; Zou & Donner 2008
        laboratory_variance [(mL/kg/min)^2]: variance of one laboratory test
          The laboratory's own noise about an athlete's true value.
          = residual mean square of repeats, a shift from test to test taken out | Graybill & Wang
          1980
        laboratory_df [1] .1: degrees of freedom of that variance
          How well the laboratory's noise is known.
        laboratory_share [1]: the laboratory's share of the spread
          Share of the variance of differences that is the laboratory's noise.
          = the laboratory's variance in a difference over the variance of d
        """),
    privacy=Privacy.WHOLE,
    compute=net_of_laboratory_of,
)
