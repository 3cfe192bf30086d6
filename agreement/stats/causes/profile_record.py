"""What bias by training profile declares of itself."""

from typing import Final

from agreement.stats.causes.profile_bias import profile_bias_of
from agreement.stats.limits.limits_of_agreement import BIAS, LOWER, UPPER
from agreement.stats.lines.regression import STANDARD_ERROR
from agreement.stats.record import Analysis, Privacy, declared

RECORD: Final = Analysis(
    name="profile_bias",
    place=110,
    label="bias by training profile",
    statistics=declared(
        BIAS,
        """
        difference_from_overall: bias against all profiles
          How far this profile's bias lies from the unweighted mean of all profiles.
          = bias of the group less the unweighted mean of groups; p corrected over groups | Welch
          1951; Holm 1979
        p_difference [p]: p of no such difference
          How often chance alone would set a profile this far apart, all profiles considered.
        """,
        LOWER,
        UPPER,
        STANDARD_ERROR,
        """
        p_welch [p]: p of equal bias in profiles
          How often chance alone would set the profiles' biases this far apart.
          = Welch's test of profile means, every athlete once | Welch 1951
        p_equal_spread [p]: p of equal spread in profiles
          How often chance alone would make the profiles' spreads this unequal.
          = analysis of variance of the distances from the group's median | Brown & Forsythe 1974
        spread_ratio [1] .1: widest over narrowest spread
          Standard deviation of the profile that scatters most over that which scatters least.
          = largest over smallest standard deviation of d in a profile
        bias_pooled: bias, other profiles taken into account
          What the bias of this profile probably is, given its own athletes and all the others.
          = profile means shrunk to each other, half-t prior with scale 3 on their spread | Gelman
          2006; Smyth 2004
        weight_own [1] .1: weight of the profile's own athletes
          How much the profile's own athletes count in that bias; the rest is borrowed.
        p_beyond_mean_limit [1]: chance of a bias beyond the limit
          How likely the bias of this profile is larger than the limit agreed for means.
        p_difference_all [p]: p of no such difference, all methods counted
          The same p corrected for every profile of every method; only this may make a headline.
          = bias of the group less the unweighted mean of groups; p corrected over groups | Welch
          1951; Holm 1979
        sd_between: spread of biases between profiles
          How far the biases of profiles differ from one another.
          = as bias_pooled
        """,
    ),
    privacy=Privacy.PARTITION,
    compute=profile_bias_of,
    unless_possible=(("all", ("p_welch",)),),
    own_section=True,
    of_all_groups=(
        *("difference_from_overall", "p_difference", "p_welch", "p_equal_spread", "spread_ratio"),
        *("bias_pooled", "weight_own", "p_beyond_mean_limit", "p_difference_all", "sd_between"),
    ),
)
