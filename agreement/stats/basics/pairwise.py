"""Which training profiles differ from which: all pairs of groups with unequal spreads."""

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.stats.method_data import NOT_ESTIMABLE, TOO_FEW, NotEstimable


def games_howell(difference: npt.ArrayLike, profile: npt.ArrayLike) -> pd.DataFrame:
    """
    Compare all pairs of profiles, one pair of values per athlete.

    Parameters
    ----------
    difference : array_like, shape (n,)
        Field minus laboratory. [mL/kg/min]
    profile : array_like of str, shape (n,)

    Returns
    -------
    DataFrame
        Columns first, second, difference, standard_error, df, p; p holds for all pairs together.

    Raises
    ------
    NotEstimable
        With fewer than two profiles, a profile of fewer than three athletes or one without spread.
    ValueError
        With missing or infinite values.

    References
    ----------
    .. [1] Games PA, Howell JF. Pairwise multiple comparison procedures with unequal n's and/or
       variances. J Educ Stat 1976;1:113-125.
    """
    data = pd.DataFrame(
        {"d": np.asarray(difference, np.float64), "group": np.asarray(profile, str)}
    )
    if not np.isfinite(data["d"]).all():
        message = "differences are missing or infinite; leave them out"
        raise ValueError(message)
    sizes = data["group"].value_counts()
    if len(sizes) < 2 or sizes.min() < 3:
        raise NotEstimable(TOO_FEW, "every pair of profiles needs three athletes in each.")
    if not (data.groupby("group")["d"].agg(np.ptp) > 0.0).all():
        raise NotEstimable(NOT_ESTIMABLE, "a profile without any spread cannot be compared.")
    import pingouin  # heavy, and only needed where this table is shown

    table = pingouin.pairwise_gameshowell(data, dv="d", between="group")
    return pd.DataFrame(
        {
            "first": table["A"].astype(str),
            "second": table["B"].astype(str),
            "difference": table["diff"],
            "standard_error": table["se"],
            "df": table["df"],
            "p": table["pval"],
        }
    )
