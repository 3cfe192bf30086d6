"""What bias by training profile declares of itself."""

from typing import Final

from agreement.stats.causes.profile_bias import profile_bias_of
from agreement.stats.limits.limits_of_agreement import BIAS, LOWER, UPPER
from agreement.stats.lines.regression import STANDARD_ERROR
from agreement.stats.record import OURS, Analysis, Privacy, Statistic, p_value, ratio

_AGAINST: Final = "bias of the group less the unweighted mean of groups; p corrected over groups"
_OF_EACH: Final = (
    BIAS,
    Statistic(
        "difference_from_overall",
        "bias against all profiles",
        "How far this profile's bias lies from the unweighted mean of all profiles.",
        _AGAINST,
        "Welch 1951; Holm 1979",
    ),
    p_value(
        "p_difference",
        "p of no such difference",
        "How often chance alone would set a profile this far apart, all profiles considered.",
        _AGAINST,
        "Welch 1951; Holm 1979",
    ),
    LOWER,
    UPPER,
    STANDARD_ERROR,
)
_PARTLY: Final = "profile means shrunk to each other, half-t prior with scale 3 on their spread"
_GELMAN: Final = "Gelman 2006; Smyth 2004"
_POOLED: Final = (
    Statistic(
        "bias_pooled",
        "bias, other profiles taken into account",
        "What the bias of this profile probably is, given its own athletes and all the others.",
        _PARTLY,
        _GELMAN,
    ),
    Statistic(
        "weight_own",
        "weight of the profile's own athletes",
        "How much the profile's own athletes count in that bias; the rest is borrowed.",
        _PARTLY,
        _GELMAN,
        unit="1",
        digits=1,
    ),
    ratio(
        "p_beyond_mean_limit",
        "chance of a bias beyond the limit",
        "How likely the bias of this profile is larger than the limit agreed for means.",
        _PARTLY,
        _GELMAN,
    ),
    p_value(
        "p_difference_all",
        "p of no such difference, all methods counted",
        "The same p corrected for every profile of every method; only this may make a headline.",
        _AGAINST,
        "Welch 1951; Holm 1979",
    ),
    Statistic(
        "sd_between",
        "spread of biases between profiles",
        "How far the biases of profiles differ from one another.",
        _PARTLY,
        _GELMAN,
    ),
)
RECORD: Final = Analysis(
    name="profile_bias",
    place=110,
    label="bias by training profile",
    statistics=(
        *_OF_EACH,
        p_value(
            "p_welch",
            "p of equal bias in profiles",
            "How often chance alone would set the profiles' biases this far apart.",
            "Welch's test of profile means, every athlete once",
            "Welch 1951",
        ),
        p_value(
            "p_equal_spread",
            "p of equal spread in profiles",
            "How often chance alone would make the profiles' spreads this unequal.",
            "analysis of variance of the distances from the group's median",
            "Brown & Forsythe 1974",
        ),
        Statistic(
            "spread_ratio",
            "widest over narrowest spread",
            "Standard deviation of the profile that scatters most over that which scatters least.",
            "largest over smallest standard deviation of d in a profile",
            OURS,
            unit="1",
        ),
        *_POOLED,
    ),
    privacy=Privacy.PARTITION,
    compute=profile_bias_of,
    unless_possible=(("all", ("p_welch",)),),
    own_section=True,
)
