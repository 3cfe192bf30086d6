"""What the analyses of several studies declare of themselves."""

from typing import Final

from agreement.stats.record import OURS, Analysis, Privacy, Statistic, ratio

_POOLED: Final = "average over a half-t prior of the spread between studies"
_CLASSICAL: Final = "random effects, Paule-Mandel and Hartung-Knapp"
_BIAS: Final = Statistic("bias", "bias", "Mean of field minus laboratory.", _POOLED, OURS)
_SQUAD: Final = (
    _BIAS,
    _BIAS.named(
        "sd_of_differences",
        label="SD of differences",
        meaning="How far the differences of a squad scatter about its bias.",
    ),
    _BIAS.named(
        "lower_limit",
        label="lower limit of agreement",
        meaning="The difference that only the lowest few of a squad lie below.",
    ),
    _BIAS.named(
        "upper_limit",
        label="upper limit of agreement",
        meaning="The difference that only the highest few of a squad lie above.",
    ),
)
OF_REPORTS: Final = (
    Analysis(
        name="studies",
        place=1,
        label="studies pooled",
        privacy=Privacy.WHOLE,
        statistics=(
            *_SQUAD,
            _BIAS.named(
                "sd_between_biases",
                label="SD between squads' biases",
                meaning="How far the biases of squads scatter beyond chance.",
            ),
            ratio(
                "sd_between_log_sds",
                "SD between logarithms of SDs",
                "How far the spreads of squads differ beyond chance.",
                _POOLED,
                OURS,
            ),
            ratio(
                "sd_times_apart",
                "spread of squads' SDs",
                "How many times larger or smaller the SD of 95 of 100 squads is.",
                "exponential of z times the SD between logarithms of SDs",
                OURS,
            ).named("sd_times_apart", digits=1),
            ratio(
                "log_sd", "logarithm of the SD", "The typical spread, as a check.", _CLASSICAL, OURS
            ),
        ),
    ),
    Analysis(
        name="next_squad",
        place=2,
        label="the next squad, not measured yet",
        privacy=Privacy.WHOLE,
        statistics=(
            *_SQUAD,
            _BIAS.named(
                "athlete",
                label="an athlete of the next squad",
                meaning="Between the two ends lie 95 of 100 of its athletes.",
            ),
        ),
    ),
    Analysis(
        name="moderator",
        place=3,
        label="two kinds of studies",
        privacy=Privacy.WHOLE,
        statistics=(
            Statistic(
                "difference_of_bias",
                "difference of bias",
                "How much more one kind of study reads than the other.",
                _CLASSICAL,
                "Knapp & Hartung 2003 (memory)",
            ),
        ),
    ),
)
