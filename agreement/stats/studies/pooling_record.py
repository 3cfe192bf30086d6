"""What the analyses of several studies declare of themselves."""

from typing import Final

from agreement.stats.record import declared, recorded

_SQUAD: Final = declared("""
    bias: bias
      Mean of field minus laboratory.
      = average over a half-t prior of the spread between studies
    sd_of_differences: SD of differences
      How far the differences of a squad scatter about its bias.
    lower_limit: lower limit of agreement
      The difference that only the lowest few of a squad lie below.
    upper_limit: upper limit of agreement
      The difference that only the highest few of a squad lie above.
    """)
OF_REPORTS: Final = (
    recorded(
        "studies, place 1, whole: studies pooled",
        *_SQUAD,
        """
        sd_between_biases: SD between squads' biases
          How far the biases of squads scatter beyond chance.
        sd_between_log_sds [1]: SD between logarithms of SDs
          How far the spreads of squads differ beyond chance.
        sd_times_apart [1] .1: spread of squads' SDs
          How many times larger or smaller the SD of 95 of 100 squads is.
          = exponential of z times the SD between logarithms of SDs
        log_sd [1]: logarithm of the SD
          The typical spread, as a check.
          = random effects, Paule-Mandel and Hartung-Knapp
        """,
    ),
    recorded(
        "next_squad, place 2, whole: the next squad, not measured yet",
        *_SQUAD,
        """
        athlete: an athlete of the next squad
          Between the two ends lie 95 of 100 of its athletes.
        """,
    ),
    recorded("""
        moderator, place 3, whole: two kinds of studies
        difference_of_bias: difference of bias
          How much more one kind of study reads than the other.
          = random effects, Paule-Mandel and Hartung-Knapp | Knapp & Hartung 2003 (memory)
        """),
)
