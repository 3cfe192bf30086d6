"""From a recording to the breaths that count: the exercise phase, in time order, artefacts out."""

from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from agreement.physiology.arrays import BoolArray

WINDOW_BREATHS: Final = 31
SPREADS: Final = 4.0  # of the robust standard deviation
MAD_TO_SD: Final = 1.4826
SMALLEST_SPREAD: Final = 0.025  # of the centre: very even breaths are no reason to remove one
HIGHEST_ML_KG_MIN: Final = 100.0  # no breath can be higher (the reject range of VO2max)


class EditedBreaths(NamedTuple):
    """The breaths kept, in time order, and how many were found wrong for what."""

    breaths: pd.DataFrame
    backward: int  # repeated or running backwards in time
    artefacts: int


def exercise_breaths(breaths: pd.DataFrame) -> pd.DataFrame:
    """
    Cut the exercise phase out of a recording.

    Parameters
    ----------
    breaths : DataFrame
        With a column phase: rest, warmup, exercise, recovery or missing.

    Returns
    -------
    DataFrame
        Breaths marked ``exercise``; where none is, those without a phase.
    """
    marked = (breaths["phase"] == "exercise").to_numpy()
    chosen = marked if marked.any() else breaths["phase"].isna().to_numpy()
    return breaths[chosen]


def edited_breaths(
    breaths: pd.DataFrame, *, mass_kg: float = np.nan, keep_artefacts: bool = False
) -> EditedBreaths:
    """
    Cut the exercise phase, drop breaths out of time order, and drop artefacts.

    Parameters
    ----------
    breaths : DataFrame
        t_s [s], vo2_ml_min [mL/min], phase; further columns are kept.
    mass_kg : float
        Body mass, so that impossible breaths can be told. [kg]
    keep_artefacts : bool, default False
        Count artefacts, but leave them in: to repeat a value that was computed so.

    Returns
    -------
    EditedBreaths
        The breaths that count, and the counts of the others.
    """
    phase = exercise_breaths(breaths)
    phase = phase[phase["vo2_ml_min"].notna() & phase["t_s"].notna()]
    times = phase["t_s"].to_numpy(dtype=np.float64)
    latest = np.maximum.accumulate(times)
    forward = np.ones(times.size, dtype=bool)
    forward[1:] = times[1:] > latest[:-1]
    phase = phase[forward]
    vo2 = phase["vo2_ml_min"].to_numpy(dtype=np.float64)
    wrong = artefacts(vo2) | (vo2 > HIGHEST_ML_KG_MIN * mass_kg) | (vo2 < 0)
    kept = (phase if keep_artefacts else phase[~wrong]).reset_index(drop=True)
    return EditedBreaths(kept, int((~forward).sum()), int(wrong.sum()))


def artefacts(vo2: ArrayLike) -> BoolArray:
    """
    Which breaths lie too far from their neighbours: coughs, swallows, leaks.

    Parameters
    ----------
    vo2 : array_like, shape (n,)
        Oxygen uptake by breath, in time order.

    Returns
    -------
    ndarray of bool, shape (n,)
        True where a breath is more than 4 robust standard deviations (1.4826 times the median
        absolute deviation) from the median of the 31 breaths around it.
    """
    values = np.asarray(vo2, dtype=np.float64)
    size = min(WINDOW_BREATHS, values.size)
    if size < 5:
        return np.zeros(values.size, dtype=bool)
    runs = np.lib.stride_tricks.sliding_window_view(values, size)
    centres = np.median(runs, axis=1)
    spreads = MAD_TO_SD * np.median(np.abs(runs - centres[:, None]), axis=1)
    # the first and last breaths are judged by the first and last whole run
    run = np.clip(np.arange(values.size) - size // 2, 0, len(runs) - 1)
    centre = centres[run]
    spread = np.maximum(spreads[run], SMALLEST_SPREAD * np.abs(centre))
    return np.asarray(np.abs(values - centre) > SPREADS * spread)
