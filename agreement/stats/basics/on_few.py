"""Whether a number rests on a few people: what a line, or a part of the spread, would tell of them."""

from typing import Final

import pandas as pd

ON_FEW: Final = 0.9  # of the squares about the middle: the others hardly weigh; ours, no source


def rests_on_few(x: pd.Series, athlete: pd.Series, fewest: int) -> bool:
    """
    Tell whether fewer than `fewest` people stand apart on the axis of a line, or have a label alone.

    x: of each pair a number, a date or a label.
    athlete: whose each pair is.

    >>> who = pd.Series(range(12))
    >>> one_day = pd.Series([0] * 10 + [30, 31])
    >>> rests_on_few(one_day, who, 5), rests_on_few(who, who, 5)
    (True, False)
    >>> rests_on_few(pd.Series(["strap"] * 3 + ["wrist"] * 9), who, 5)
    True
    """
    if not (pd.api.types.is_numeric_dtype(x) or pd.api.types.is_datetime64_any_dtype(x)):
        sizes = athlete.groupby(x.astype("str").fillna("")).nunique()
        return len(sizes) > 1 and bool((sizes < fewest).any())
    known = x.dropna()
    numbers = known.astype("int64" if known.dtype.kind == "M" else "float64").astype("float64")
    squares = (numbers - numbers.median()) ** 2
    each = squares.groupby(athlete).sum().sort_values(ascending=False)
    return bool(each[: fewest - 1].sum() > ON_FEW * each.sum())
