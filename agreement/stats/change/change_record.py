"""What the results table holds of changes: the record of each statistic."""

from dataclasses import replace
from typing import Final

from agreement.stats.change.change import change_of
from agreement.stats.limits.limits_of_agreement import BIAS, LOWER, UPPER
from agreement.stats.record import Analysis, Privacy, Statistic, ratio

_LINE: Final = "least squares of field change on laboratory change"
_SAME: Final = ratio(
    "same_direction",
    "share of changes in the same direction",
    "Share of changes that field and laboratory see go the same way.",
    "count over number, Wilson's interval",
    "Critchley 2010",
)
_FOLLOWS: Final = ratio(
    "responsiveness",
    "field change per unit of true change",
    "Change seen in the field for each mL/kg/min of true change, the laboratory's noise taken out.",
    "least-squares slope over the reliability of laboratory changes; interval by MOVER-R",
    "Fuller 1987; Donner & Zou 2012",
)
_REAL: Final = Statistic(
    "smallest_real_change",
    "smallest real change",
    "A change of the field value between visits below it may be the method's noise alone.",
    "z times the spread of field change less laboratory change, net of the laboratory",
    "Zou & Donner 2008",
)
RECORD: Final = Analysis(
    name="change",
    place=120,
    label="agreement of changes",
    statistics=(
        replace(BIAS, meaning="Mean of field change minus laboratory change."),
        LOWER,
        UPPER,
        ratio(
            "r",
            "correlation of changes",
            "How closely both methods rank the changes of the same people.",
            _LINE,
            "Hopkins 2000",
        ),
        ratio(
            "slope",
            "attenuated slope of field change on laboratory change",
            "Change seen in the field for each mL/kg/min of change in the laboratory, noise and all.",
            _LINE,
            "Hopkins 2000",
        ),
        _SAME,
        _SAME.named(
            "same_direction_beyond_noise",
            label="share of changes beyond noise in the same direction",
            meaning="The same, of laboratory changes larger than the smallest real change.",
        ),
        _FOLLOWS,
        _FOLLOWS.named(
            "p_no_response",
            label="p of no response",
            meaning="How often chance alone would make the field follow this much.",
            formula="t test of the least-squares slope",
            digits=3,
        ),
        _FOLLOWS.named(
            "p_full_response",
            label="p of a full response",
            meaning="How often chance alone would take a full response this far from 1.",
            formula="moments of both changes compared, athlete by athlete",
            digits=3,
        ),
        _REAL,
        _REAL.named(
            "real_change_on_card",
            label="change that is more than noise",
            meaning="A larger change of the field value is more than this method's noise.",
            formula="upper end of the smallest real change, or of the whole spread of field changes",
        ),
        _REAL.named(
            "disagreement",
            label="disagreement of changes",
            meaning="Field and laboratory changes differ by up to this.",
            formula="z times the standard deviation of field change less laboratory change",
        ),
    ),
    privacy=Privacy.WHOLE,
    compute=change_of,
    own_section=True,
)
