"""Who counts for a method: people under a drug that limits heart rate do not, where it rests on that."""

from typing import Final

import pandas as pd

FEWEST_JUDGED: Final = 10  # athletes of any verdict: of fewer none can mislead


def who_counts(pairs: pd.DataFrame, *, heart_rate_based: bool) -> pd.DataFrame:
    """
    Return the rows of the people whose values a method's statistics may use.

    pairs: a column ``hr_limiting_drug``: yes, no or unknown. Unknown counts.
    heart_rate_based: whether the method rests on heart rate; if not, everybody counts.
    Returns them in the order and with the index of `pairs`.

    >>> pairs = pd.DataFrame({"hr_limiting_drug": ["yes", "no", "unknown"]})
    >>> list(who_counts(pairs, heart_rate_based=True)["hr_limiting_drug"])
    ['no', 'unknown']
    >>> len(who_counts(pairs, heart_rate_based=False))
    3
    """
    counting = pairs["hr_limiting_drug"] != "yes"
    return pairs[counting] if heart_rate_based and not counting.all() else pairs
