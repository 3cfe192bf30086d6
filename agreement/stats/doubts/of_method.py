"""What could make the verdict on one method wrong, in the order of weight; nothing names a person."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from agreement.stats.basics.clusters import clusters
from agreement.stats.doubts.bodies import REPEAT_ABOVE
from agreement.stats.doubts.methods import odd_values, other_mode
from agreement.stats.limits.limits import FEW_FOR_REPORTS
from agreement.stats.limits.limits_shown import AnyLimits
from agreement.stats.limits.repeated import limits_by_athlete
from agreement.stats.method_data import DECIMALS, MethodData
from agreement.stats.verdict.cautions import Caution
from agreement.stats.verdict.plausible import (
    COPIED_SERIES,
    FIELD_EQUALS_LABORATORY,
    NO_MAXIMUM,
    implausible,
)
from agreement.terms import counted

FARTHEST: Final = 3  # athletes left out in turn: those whose differences lie farthest from the bias
EQUAL_WITHIN: Final = 0.05  # mL/kg/min: differences that close to one another are no measurements
_WORDS: Final = {
    "inside": "surely inside the agreed limit",
    "outside": "surely beyond the agreed limit",
    "open": "on neither side of the agreed limit for sure",
}
_IMPLAUSIBLE: Final = {
    NO_MAXIMUM: "No laboratory test was confirmed as maximal, and some were not.",
    FIELD_EQUALS_LABORATORY: "Field values equal the laboratory's to the digit: copied or told.",
    COPIED_SERIES: "All values of one athlete are those of another: one person under two ids?",
}


def doubts_of(data: MethodData) -> tuple[Caution, ...]:
    """
    Say what could make the verdict on one method and mode wrong.

    Parameters
    ----------
    data : MethodData

    Returns
    -------
    tuple of Caution
        Empty where nothing speaks against the verdict. Codes: no_maximum,
        field_equals_laboratory, copied_series (the verdict then says so itself); constant_device,
        no_relation, field_is_laboratory, bias_beyond, equal_differences, other_mode, two_bodies,
        one_athlete.
    """
    if not data.n:
        return ()
    code = implausible(data)
    found = [Caution(code, _IMPLAUSIBLE[code])] if code else []
    people = data.pairs.groupby("athlete_id")[["lab", "field", "difference"]].mean()
    odd = [*odd_values(people, data.pairs, sure=False), *other_mode(data.pairs, data.mode)]
    found += [Caution(one.code, one.what[0].upper() + one.what[1:]) for one in odd]
    found += [*_equal_differences(data), *_repeats(data), *_one_athlete(data)]
    return tuple(found)


def _equal_differences(data: MethodData) -> Iterator[Caution]:
    spread = float(np.ptp(data.difference))
    if data.n >= FEW_FOR_REPORTS and spread <= EQUAL_WITHIN:
        yield Caution(
            "equal_differences",
            f"All {data.n_pairs} differences are the same: the field values were computed from the "
            "laboratory's.",
        )


def _repeats(data: MethodData) -> Iterator[Caution]:
    """Two tests of one laboratory unit that one person cannot have done."""
    lab = data.repeats.groupby("lab_test_id")["lab"].agg(["max", "min", "mean"])
    apart = lab["max"] - lab["min"]
    count = int(((apart > REPEAT_ABOVE[0]) & (apart > REPEAT_ABOVE[1] * lab["mean"])).sum())
    if count:
        yield Caution(
            "two_bodies",
            f"{counted(count, 'repeat')} of a laboratory test {'lies' if count == 1 else 'lie'} "
            f"farther from the first than one person changes in days (up to {apart.max():.0f} "
            "mL/kg/min): two people under one id?",
        )


def _one_athlete(data: MethodData) -> Iterator[Caution]:
    margin = data.options.margin.limit
    if margin is None or data.n <= FEW_FOR_REPORTS:
        return
    whole = _state(limits_by_athlete(data.difference, data.athlete), margin)
    means = clusters(np.round(data.difference, DECIMALS), data.athlete).means
    for who in np.argsort(-np.abs(means - means.mean()), kind="stable")[:FARTHEST]:
        rest = data.athlete != who
        state = _state(limits_by_athlete(data.difference[rest], data.athlete[rest]), margin)
        if state != whole:
            yield Caution(
                "one_athlete",
                f"With all {data.n} athletes the limits of agreement lie {_WORDS[whole]}, without one of "
                f"them {_WORDS[state]}: one person decides.",
            )
            return


def _state(limits: AnyLimits, margin: float) -> str:
    """Return whether both limits are surely inside the margin, one is surely outside, or neither."""
    low, high = limits.lower_interval(), limits.upper_interval()
    if low.low >= -margin and high.high <= margin:
        return "inside"
    return "outside" if low.high < -margin or high.low > margin else "open"
