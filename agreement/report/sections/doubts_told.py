"""What could make a verdict wrong, as a report may say it; in an audit without a number."""

from collections.abc import Iterable
from typing import Final

from agreement.report.page.numbers import Cell, with_minus
from agreement.stats.verdict.cautions import Caution

TOO_ALIKE: Final = (
    "In this squad the same number for everybody would meet the limit too: it cannot show that the "
    "method tells athletes apart."
)
_NOT_APART: Final = "was not shown to tell athletes apart"
_NO_BETTER: Final = "was not shown to be closer than the same number for everybody"
_ALPHA: Final = 0.05
# for an audit: no highest, lowest or count that may be one person's; what one athlete does is not there
_DISCREET: Final = {
    "no_maximum": "No laboratory test was confirmed as maximal, and some were not.",
    "field_equals_laboratory": "Field values equal the laboratory's to the digit: copied or told.",
    "copied_series": "One series of values stands under two ids: one person twice?",
    "constant_device": "It says the same of everybody.",
    "no_relation": "No relation with the laboratory's values is shown.",
    "field_is_laboratory": "Its values are the laboratory's: they were told or copied.",
    "bias_beyond": "Its bias is larger than that of any known method.",
    "equal_differences": "All differences are the same: its values were computed from the laboratory's.",
    "other_mode": "The laboratory tested another mode of exercise in some of the pairs.",
    "two_bodies": "Laboratory repeats lie farther apart than one person changes: two under one id?",
}


def doubts_told(doubts: Iterable[Caution], *, told: bool) -> tuple[str, ...]:
    """
    Return the sentences on what could make a verdict wrong.

    Parameters
    ----------
    doubts : iterable of Caution
    told : bool
        Whether numbers that could be one person's may be said.

    Examples
    --------
    >>> doubts_told([Caution("constant_device", "It says 52.0 to 52.0.")], told=False)
    ('It says the same of everybody.',)
    """
    if told:
        return tuple(with_minus(one.sentence) for one in doubts)
    return tuple(_DISCREET[one.code] for one in doubts if one.code in _DISCREET)


def not_shown(skill: Cell, p_slope_zero: Cell) -> str:
    """
    Say what a method was not shown to do, "" where it was shown or nothing is known.

    Parameters
    ----------
    skill : Cell
        Share of the squared error of one number for everybody that it avoids, with its interval.
    p_slope_zero : Cell
        Of the structural slope.

    Examples
    --------
    >>> not_shown(Cell("skill", 0.3, -0.2, 0.6), Cell("p", 0.001))
    'was not shown to be closer than the same number for everybody'
    """
    if p_slope_zero.known and p_slope_zero.value >= _ALPHA:
        return _NOT_APART
    return _NO_BETTER if skill.known and skill.low <= 0.0 else ""
